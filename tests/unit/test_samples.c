/* Readings to cups: what a bench does wrong of a morning, and made-up mornings with their truth. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "stations/samples.h"

/* ---- a morning by hand ---- */

static struct samples *morning(void)
{
    struct samples *samples = calloc(1, sizeof *samples);

    assert_non_null(samples);
    for (int i = 0; i < SAMPLES_INSTRUMENTS; i++)
        samples->instrument[i].accuracy_pct = NAN;
    return samples;
}

static void add_cup(struct samples *samples, double steep_s, double ready_s)
{
    samples->cup[samples->cup_count++] = (struct sample_cup){
        .ready_us = (int64_t)(ready_s * 1e6), .dose_g = 15, .water_g = 230, .steep_s = steep_s, .wanted = 3
    };
}

static struct sample_reading *add(struct samples *samples, double at_s, double shown_pct)
{
    struct sample_reading *reading = &samples->reading[samples->reading_count++];

    *reading = (struct sample_reading){
        .shown_pct = shown_pct, .resolution_pct = 0.01, .at_us = (int64_t)(at_s * 1e6), .cup = SAMPLES_NO_CUP
    };
    return reading;
}

static void find(struct samples *samples)
{
    assert_int_equal(samples_assign(samples), 0);
}

static void assert_found(const struct samples *samples, int reading, int cup)
{
    const struct sample_verdict *verdict = &samples->verdict[reading];

    if (verdict->found != SAMPLE_FOUND || verdict->cup != cup)
        fail_msg("reading %d is %d, of cup %d with %.3f (then cup %d with %.3f), not of cup %d", reading,
                 verdict->found, verdict->cup, verdict->chance, verdict->other, verdict->other_chance, cup);
}

static void one_cup_and_its_three_readings(void **state)
{
    struct samples *samples = morning();

    (void)state;
    add_cup(samples, 120, 0);
    add(samples, 300, 1.18);
    find(samples);
    assert_found(samples, 0, 0);
    assert_true(samples->strength[0].u_pct > 0.01); /* a single reading is not a sure one */
    add(samples, 308, 1.19);
    add(samples, 317, 1.18);
    find(samples);
    for (int i = 0; i < 3; i++)
        assert_found(samples, i, 0);
    assert_float_equal(samples->strength[0].strength_pct, (1.18 + 1.19 + 1.18) / 3, 1e-9);
    assert_true(samples->strength[0].coverage > 1.96);
    free(samples);
}

/* Water at 0.12 % after a drift in steps of 0.03: it is no cup's, and is subtracted. */
static void water_is_no_cups_and_is_subtracted(void **state)
{
    static const double water[] = { 0.00, 0.03, 0.06, 0.12 };
    struct samples *samples = morning();

    (void)state;
    for (int cup = 0; cup < 3; cup++) {
        add_cup(samples, 60 + 60 * cup, 400 * cup);
        add(samples, 400 * cup + 200, water[cup]);
        for (int i = 0; i < 3; i++)
            add(samples, 400 * cup + 300 + 10 * i, 1.00 + 0.12 * cup + (water[cup] + water[cup + 1]) / 2);
    }
    add(samples, 1400, 0.12);
    find(samples);
    for (int cup = 0; cup < 3; cup++) {
        assert_int_equal(samples->verdict[4 * cup].found, SAMPLE_BLANK);
        for (int i = 1; i <= 3; i++)
            assert_found(samples, 4 * cup + i, cup);
        assert_true(fabs(samples->strength[cup].strength_pct - 1.00 - 0.12 * cup)
                    < 2 * samples->strength[cup].u_pct + 0.002);
        assert_true(samples->strength[cup].u_blank_pct > 0.004);
    }
    assert_int_equal(samples->verdict[12].found, SAMPLE_BLANK);
    free(samples);
}

/* Water with a rest of coffee is not the zero: what lies about it is subtracted. */
static void a_rest_of_coffee_is_not_subtracted(void **state)
{
    struct samples *samples = morning();

    (void)state;
    for (int cup = 0; cup < 3; cup++) {
        add_cup(samples, 120, 400 * cup);
        add(samples, 400 * cup + 200, cup == 1 ? 0.17 : 0.01);
        for (int i = 0; i < 3; i++)
            add(samples, 400 * cup + 300 + 10 * i, 1.21);
    }
    find(samples);
    assert_int_equal(samples->verdict[4].found, SAMPLE_BLANK);
    assert_float_equal(samples->verdict[5].blank_pct, 0.01, 1e-9);
    for (int cup = 0; cup < 3; cup++)
        assert_float_equal(samples->strength[cup].strength_pct, 1.20, 1e-9);
    free(samples);
}

/* Where water is never read the zero may be off: that is in the uncertainty of every cup, and no reading takes it out.
 */
static void a_zero_that_nobody_read_is_in_the_uncertainty(void **state)
{
    struct samples *samples = morning();

    (void)state;
    add_cup(samples, 120, 0);
    for (int i = 0; i < 3; i++)
        add(samples, 300 + 10 * i, 1.20);
    find(samples);
    assert_float_equal(samples->strength[0].strength_pct, 1.20, 1e-9);
    assert_float_equal(samples->strength[0].u_blank_pct, SAMPLES_ZERO_PCT / sqrt(3), 1e-9);
    add(samples, 400, 0.00)->said = SAMPLE_IS_BLANK;
    find(samples);
    assert_true(samples->strength[0].u_blank_pct < 0.5 * SAMPLES_ZERO_PCT / sqrt(3));
    free(samples);
}

/* A cup that was read and then thrown away keeps its readings from its neighbours: they are no cup's. */
static void a_discarded_cups_readings_are_no_other_cups(void **state)
{
    static const double steep_s[] = { 60, 180, 60 }, strength[] = { 0.95, 1.27, 0.95 };
    struct samples *samples = morning();

    (void)state;
    for (int cup = 0; cup < 3; cup++) {
        add_cup(samples, steep_s[cup], 200 * cup);
        for (int i = 0; i < 3; i++)
            add(samples, 200 * cup + 400 + 10 * i, strength[cup]);
    }
    samples->cup[1].discarded = true;
    samples->cup[1].discarded_us = (int64_t)(900e6);
    find(samples);
    for (int i = 0; i < 3; i++) {
        assert_found(samples, i, 0);
        assert_int_equal(samples->verdict[3 + i].found, SAMPLE_STRAY);
        assert_int_equal(samples->verdict[3 + i].cup, SAMPLES_NO_CUP);
        assert_found(samples, 6 + i, 2);
    }
    free(samples);
}

/* Two readings of the first cup, three of the second: nobody waits for the third. */
static void a_reading_too_few_shifts_nothing(void **state)
{
    struct samples *samples = morning();

    (void)state;
    add_cup(samples, 60, 0);
    add_cup(samples, 240, 300);
    add(samples, 600, 1.01);
    add(samples, 609, 1.02);
    add(samples, 690, 1.31);
    find(samples);
    assert_found(samples, 2, 1);
    add(samples, 699, 1.31);
    add(samples, 708, 1.30);
    find(samples);
    assert_found(samples, 0, 0);
    assert_found(samples, 1, 0);
    for (int i = 2; i < 5; i++)
        assert_found(samples, i, 1);
    free(samples);
}

/* Six cups whose strengths differ; the third is passed over and read last. */
static void a_cup_passed_over_is_found_by_what_it_should_come_to(void **state)
{
    static const double steep_s[] = { 45, 75, 300, 120, 180, 60 }, strength[] = { 0.86, 1.02, 1.40, 1.16, 1.27, 0.95 };
    static const int order[] = { 0, 1, 3, 4, 5, 2 };
    struct samples *samples = morning();

    (void)state;
    for (int i = 0; i < 6; i++)
        add_cup(samples, steep_s[i], 200 * i);
    for (int i = 0; i < 6; i++)
        for (int k = 0; k < 3; k++)
            add(samples, 1300 + 100 * i + 9 * k, strength[order[i]] + 0.01 * (k == 1));
    find(samples);
    for (int i = 0; i < 18; i++)
        assert_found(samples, i, order[i / 3]);
    free(samples);
}

/* The second cup should have come to 1.2, the third and fourth to 1.0; a sample of 1.1 comes after the first cup's:
 * nobody can know, and what the operator says of one reading settles it for those beside it. */
static void what_cannot_be_known_is_asked_and_what_is_said_stands(void **state)
{
    static const double steep_s[] = { 60, 150, 62, 64 };
    struct samples *samples = morning();
    int unsure = 0;

    (void)state;
    for (int i = 0; i < 4; i++)
        add_cup(samples, steep_s[i], 10 * i);
    for (int i = 0; i < 3; i++)
        add(samples, 300 + 9 * i, 0.98);
    for (int i = 0; i < 3; i++)
        add(samples, 400 + 9 * i, 1.04);
    find(samples);
    for (int i = 3; i < 6; i++)
        unsure += samples->verdict[i].found == SAMPLE_UNSURE && samples->verdict[i].other >= 0;
    assert_int_equal(unsure, 3);
    samples->reading[3].said = SAMPLE_OF_CUP;
    samples->reading[3].cup = 2;
    find(samples);
    for (int i = 3; i < 6; i++)
        assert_found(samples, i, 2);
    samples->reading[4].said = SAMPLE_OF_NONE;
    find(samples);
    assert_int_equal(samples->verdict[4].cup, SAMPLES_NO_CUP);
    free(samples);
}

static void a_replicate_far_off_is_shown_and_left_out(void **state)
{
    struct samples *samples = morning();

    (void)state;
    add_cup(samples, 120, 0);
    add(samples, 300, 1.18);
    add(samples, 309, 1.19);
    add(samples, 318, 1.41);
    add(samples, 327, 1.18);
    find(samples);
    assert_found(samples, 2, 0);
    assert_true(samples->verdict[2].suspect);
    assert_int_equal(samples->strength[0].readings, 4);
    assert_int_equal(samples->strength[0].used, 3);
    assert_float_equal(samples->strength[0].strength_pct, (1.18 + 1.19 + 1.18) / 3, 1e-9);
    free(samples);
}

/* JCGM 100, 4.3.7 and G.4.1: 0.03 either way is 0.0173; with so much of it the freedom is great and k near 1.96. */
static void accuracy_and_freedom_enter_the_uncertainty(void **state)
{
    struct samples *samples = morning();
    double before;

    (void)state;
    add_cup(samples, 120, 0);
    for (int i = 0; i < 3; i++)
        add(samples, 300 + 9 * i, 1.18);
    find(samples);
    before = samples->strength[0].u_pct;
    samples->instrument[0].accuracy_pct = 0.03;
    find(samples);
    assert_float_equal(samples->strength[0].u_accuracy_pct, 0.03 / sqrt(3), 1e-12);
    assert_float_equal(samples->strength[0].u_pct, hypot(before, 0.03 / sqrt(3)), 1e-12);
    assert_true(samples->strength[0].freedom > 100 && samples->strength[0].coverage < 2.0);
    free(samples);
}

/* A cup that is not full yet has no sample, and a cup nobody wants readings of is not offered any. */
static void no_cup_is_read_before_it_is_full(void **state)
{
    struct samples *samples = morning();

    (void)state;
    add_cup(samples, 120, 0);
    add_cup(samples, 120, 1000);
    add(samples, 300, 1.18);
    add(samples, 400, 1.18);
    add(samples, 500, 1.18);
    add(samples, 600, 1.18);
    find(samples);
    for (int i = 0; i < 4; i++)
        assert_found(samples, i, 0);
    free(samples);
}

static void nothing_to_find_is_no_trouble(void **state)
{
    struct samples *samples = morning();

    (void)state;
    find(samples);
    add(samples, 300, 1.18); /* no cup there is */
    find(samples);
    assert_int_equal(samples->verdict[0].cup, SAMPLES_NO_CUP);
    free(samples);
}

/* ---- mornings made up ---- */

static uint64_t drawn = 1;

static double draw(void) /* 0 to 1; splitmix64 */
{
    uint64_t z = drawn += 0x9e3779b97f4a7c15;

    z = (z ^ z >> 30) * 0xbf58476d1ce4e5b9;
    z = (z ^ z >> 27) * 0x94d049bb133111eb;
    return (double)((z ^ z >> 31) >> 11) / 9007199254740992.0;
}

static double normal(double sigma)
{
    return sigma * sqrt(-2 * log(1 - draw())) * cos(2 * M_PI * draw());
}

struct truth {
    int of[SAMPLES_READINGS]; /* -1: water */
    double strength_pct[SAMPLES_CUPS];
};

static void read_sample(struct samples *samples, struct truth *truth, int cup, double *now_s, double water)
{
    int readings = draw() < 0.85 ? 3 : 2 + (int)(3 * draw());

    for (int i = 0; i < readings && samples->reading_count < SAMPLES_READINGS; i++) {
        truth->of[samples->reading_count] = cup;
        add(samples, *now_s, round(100 * (truth->strength_pct[cup] + water + normal(0.012))) / 100);
        *now_s += 5 + 12 * draw();
    }
    *now_s += 25 + 80 * draw();
}

static void make_up(struct samples *samples, struct truth *truth)
{
    static const double steeps[] = { 45, 75, 120, 180, 300 };
    int cups = 6 + (int)(15 * draw()), order[SAMPLES_CUPS], count = 0, late = -1;
    double now_s, water = 0, plateau = 18 + 4 * draw(), k = 0.012 + 0.012 * draw();

    for (int i = 0; i < cups; i++) {
        double steep_s = steeps[(int)(5 * draw())];
        double extraction = plateau * (1 - 0.75 * exp(-k * steep_s)) + normal(0.4);

        add_cup(samples, steep_s + normal(2), 240 * i);
        truth->strength_pct[i] = extraction / (230 / 15.0 + extraction / 100);
    }
    for (int i = 0; i < cups; i++) {
        double chance = draw();

        if (chance < 0.04)
            continue; /* never read */
        if (chance < 0.08 && late < 0) {
            late = i;
            continue;
        }
        order[count++] = i;
        if (late >= 0 && i > late && draw() < 0.5) {
            order[count++] = late;
            late = -1;
        }
    }
    if (late >= 0)
        order[count++] = late;
    now_s = 240.0 * cups;
    for (int i = 0; i < count && samples->reading_count < SAMPLES_READINGS - 6; i++) {
        if (i % 4 == 0) {
            water += draw() < 0.3 ? 0.03 : 0;
            truth->of[samples->reading_count] = -1;
            add(samples, now_s, round(100 * (water + normal(0.008))) / 100);
            now_s += 30;
        }
        read_sample(samples, truth, order[i], &now_s, water);
    }
}

/* Cups of the same time and strength that change places leave no trace of it. */
static bool are_alike(const struct samples *samples, const struct truth *truth, int a, int b)
{
    return a >= 0 && b >= 0 && fabs(samples->cup[a].steep_s - samples->cup[b].steep_s) < 12
           && fabs(truth->strength_pct[a] - truth->strength_pct[b]) < 0.07;
}

/* Two samples of which nobody could know are apart, not one cup in 200 is sure and wrong; most readings are found, and
 * the rest is asked. */
static void mornings_are_found_or_asked(void **state)
{
    int readings = 0, right = 0, asked = 0, wrong = 0, cups = 0, wrong_cups = 0, unlike_cups = 0;
    int water = 0, within = 0, judged = 0;

    (void)state;
    for (int round = 0; round < 60; round++) {
        struct samples *samples = morning();
        struct truth truth;
        bool cup_wrong[SAMPLES_CUPS] = { false }, cup_unlike[SAMPLES_CUPS] = { false };

        make_up(samples, &truth);
        find(samples);
        for (int i = 0; i < samples->reading_count; i++) {
            const struct sample_verdict *verdict = &samples->verdict[i];

            if (truth.of[i] < 0) {
                water += verdict->found == SAMPLE_BLANK;
                continue;
            }
            readings++;
            if (verdict->found == SAMPLE_FOUND && verdict->cup == truth.of[i])
                right++;
            else if (verdict->found == SAMPLE_UNSURE)
                asked++;
            else {
                wrong++;
                cup_wrong[truth.of[i]] = true;
                cup_unlike[truth.of[i]] |= !are_alike(samples, &truth, truth.of[i], verdict->cup);
            }
        }
        for (int i = 0; i < samples->cup_count; i++) {
            cups++;
            wrong_cups += cup_wrong[i];
            unlike_cups += cup_unlike[i];
            if (samples->strength[i].used && !cup_wrong[i]) {
                judged++;
                within += fabs(samples->strength[i].strength_pct - truth.strength_pct[i])
                          < samples->strength[i].coverage * samples->strength[i].u_pct;
            }
        }
        free(samples);
    }
    print_message(
        "%d readings: %.2f %% right, %.2f %% asked, %.2f %% wrong; %d of %d cups wrong, %d of them unlike; %.1f %% "
        "of %d cups within their interval\n",
        readings, 100.0 * right / readings, 100.0 * asked / readings, 100.0 * wrong / readings, wrong_cups, cups,
        unlike_cups, 100.0 * within / judged, judged);
    assert_true(water > 100);
    assert_true(unlike_cups * 200 <= cups);
    assert_true(wrong_cups * 50 <= cups);
    assert_true(right > 0.7 * readings);
    assert_true(within > 0.93 * judged);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_cup_and_its_three_readings),
        cmocka_unit_test(water_is_no_cups_and_is_subtracted),
        cmocka_unit_test(a_rest_of_coffee_is_not_subtracted),
        cmocka_unit_test(a_zero_that_nobody_read_is_in_the_uncertainty),
        cmocka_unit_test(a_discarded_cups_readings_are_no_other_cups),
        cmocka_unit_test(a_reading_too_few_shifts_nothing),
        cmocka_unit_test(a_cup_passed_over_is_found_by_what_it_should_come_to),
        cmocka_unit_test(what_cannot_be_known_is_asked_and_what_is_said_stands),
        cmocka_unit_test(a_replicate_far_off_is_shown_and_left_out),
        cmocka_unit_test(accuracy_and_freedom_enter_the_uncertainty),
        cmocka_unit_test(no_cup_is_read_before_it_is_full),
        cmocka_unit_test(nothing_to_find_is_no_trouble),
        cmocka_unit_test(mornings_are_found_or_asked),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
