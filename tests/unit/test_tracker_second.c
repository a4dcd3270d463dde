/* A station with two scales, on traces written by hand: what runs through, and a cup weighed on its own scale. */
#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "tracker.h"
#include "tracker_second.h"

enum { BREW, CUP, SCALES, TOLD = 256 };

/* Two scales with a filter and a last digit each.  The brew's speaks ten times a second, the cup's every
 * cup_every_us, between the other's readings. */
struct bench {
    struct tracker *tracker;
    struct tracker_event told[TOLD];
    int told_count;
    double load_g[SCALES], shown_g[SCALES], tare_g[SCALES], division_g[SCALES], lag_s[SCALES];
    double drip_g_per_s;        /* from what stands on the one into what stands on the other */
    bool cup_silent;
    int64_t now_us, cup_every_us, cup_next_us;
};

static const double cup_g = 341.2, brewer_g = 182.4, stand_g = 296.5;
static const int64_t tick_us = 100000;

static void take(struct bench *bench, struct tracker_events *events)
{
    for (int i = 0; i < events->count; i++) {
        assert_true(bench->told_count < TOLD);
        bench->told[bench->told_count++] = events->event[i];
    }
    events->count = 0;
}

static struct reading reading_of(const struct bench *bench, int scale)
{
    double division_g = bench->division_g[scale];

    return (struct reading){
        .quantity = QUANTITY_MASS, .stable = -1, .net = -1, .unit = UNIT_GRAM, .resolution = division_g,
        .value = {llround((bench->shown_g[scale] - bench->tare_g[scale]) / division_g) * llround(division_g * 10), -1},
        .mono_us = bench->now_us,
    };
}

/* A tenth of a second passes; a hand presses the brew's scale with so much. */
static void tick(struct bench *bench, double hand_g)
{
    static struct tracker_events events;
    double ran_g = bench->drip_g_per_s * (double)tick_us / 1e6;
    struct reading reading;

    bench->load_g[BREW] -= ran_g;
    bench->load_g[CUP] += ran_g;
    for (int scale = 0; scale < SCALES; scale++)
        bench->shown_g[scale] += (bench->load_g[scale] + (scale == BREW ? hand_g : 0) - bench->shown_g[scale]) *
                                 (1 - exp(-(double)tick_us / 1e6 / bench->lag_s[scale]));
    bench->now_us += tick_us;
    reading = reading_of(bench, BREW);
    tracker_reading(bench->tracker, &reading, &events);
    take(bench, &events);
    if (bench->now_us >= bench->cup_next_us && !bench->cup_silent) {
        bench->cup_next_us = bench->now_us + bench->cup_every_us;
        reading = reading_of(bench, CUP);
        tracker_second(bench->tracker, &reading, &events);
        take(bench, &events);
    }
    if (tracker_deadline(bench->tracker) && bench->now_us >= tracker_deadline(bench->tracker)) {
        tracker_time(bench->tracker, bench->now_us, &events);
        take(bench, &events);
    }
}

static void wait_s(struct bench *bench, double seconds)
{
    for (int64_t until_us = bench->now_us + llround(seconds * 1e6); bench->now_us < until_us;)
        tick(bench, 0);
}

static void move(struct bench *bench, int scale, double grams, double seconds)
{
    int ticks = (int)(seconds * 1e6 / (double)tick_us);

    for (int i = 0; i < ticks; i++) {
        bench->load_g[scale] += grams / ticks;
        tick(bench, 0);
    }
}

/* The hand on the plunger; through_g runs through meanwhile, and after died_s no more. */
static void press_until(struct bench *bench, double force_g, double seconds, double through_g, double died_s)
{
    double drip_g_per_s = bench->drip_g_per_s;
    int ticks = (int)(seconds * 1e6 / (double)tick_us);

    for (int i = 0; i < ticks; i++) {
        double t = i * (double)tick_us / 1e6;

        bench->drip_g_per_s = t < died_s - 0.001 ? through_g / died_s : 0;
        tick(bench, force_g * fmin(1, fmin((t + 0.1) / 0.6, (seconds - t) / 0.3)) * (1 + 0.04 * sin(5 * t)));
    }
    bench->drip_g_per_s = drip_g_per_s;
}

static void press(struct bench *bench, double force_g, double seconds, double through_g)
{
    press_until(bench, force_g, seconds, through_g, seconds);
}

static void tare(struct bench *bench, int scale)
{
    bench->tare_g[scale] = bench->shown_g[scale];
}

static struct bench *bench_new(const struct tracker_config *config)
{
    struct bench *bench = calloc(1, sizeof *bench);

    assert_non_null(bench);
    assert_non_null(bench->tracker = calloc(1, tracker_size()));
    bench->division_g[BREW] = bench->division_g[CUP] = 0.1;
    bench->lag_s[BREW] = bench->lag_s[CUP] = 0.15;
    bench->now_us = 1000000000;
    bench->cup_every_us = 100000;
    tracker_begin(bench->tracker, config);
    return bench;
}

static void bench_free(struct bench *bench)
{
    free(bench->tracker);
    free(bench);
}

static const struct tracker_config usual = {.piston_diameter_mm = 60, .press_limit_kpa = 200, .retained_g_per_g = 2,
                                           .lag_us = 150000};

static const struct tracker_event *last_of(const struct bench *bench, enum tracker_event_kind kind, int which)
{
    for (int i = bench->told_count - 1; i >= 0; i--)
        if (bench->told[i].kind == kind && (kind == TRACKER_MEASURE ? (int)bench->told[i].measure == which : true))
            return &bench->told[i];
    return NULL;
}

static double measured(const struct bench *bench, enum measure measure)
{
    const struct tracker_event *event = last_of(bench, TRACKER_MEASURE, (int)measure);

    return event ? event->value : NAN;
}

static double doubt(const struct bench *bench, enum measure measure)
{
    const struct tracker_event *event = last_of(bench, TRACKER_MEASURE, (int)measure);

    return event ? event->standard_uncertainty : NAN;
}

static int count_of(const struct bench *bench, enum tracker_event_kind kind)
{
    int count = 0;

    for (int i = 0; i < bench->told_count; i++)
        count += bench->told[i].kind == kind;
    return count;
}

/* When the last told begin of a stage was, in seconds from the bench's first reading. */
static double began_s(const struct bench *bench, enum stage stage)
{
    for (int i = bench->told_count - 1; i >= 0; i--)
        if (bench->told[i].kind == TRACKER_STAGE && bench->told[i].stage == stage)
            return (double)(bench->told[i].at_us - 1000000000) / 1e6;
    return NAN;
}

static double now_s(const struct bench *bench)
{
    return (double)(bench->now_us - 1000000000) / 1e6;
}

/* A brewer on a stand over the brew's scale, the cup below it on its own: 15 g, 230 g, dripping from the first
 * water on.  Returns how much has run through before the press. */
static double brew_on_a_stand(struct bench *bench, double drip_g_per_s, bool tared)
{
    double before_g;

    wait_s(bench, 3);
    move(bench, CUP, cup_g, 0.4);
    wait_s(bench, 2);
    if (tared)
        tare(bench, CUP);
    wait_s(bench, 2);
    before_g = bench->load_g[CUP];
    move(bench, BREW, stand_g, 0.4);
    wait_s(bench, 2);
    move(bench, BREW, brewer_g, 0.4);
    wait_s(bench, 3);
    tare(bench, BREW);
    wait_s(bench, 2);
    move(bench, BREW, 15, 5);
    wait_s(bench, 3);
    bench->drip_g_per_s = drip_g_per_s;
    move(bench, BREW, 230, 20);
    wait_s(bench, 60);
    return bench->load_g[CUP] - before_g;
}

static void drips_are_weighed_and_belong_to_the_water(void **state)
{
    static const double drips_g_per_s[] = {0.05, 0.15, 0.4};

    (void)state;
    for (int i = 0; i < 6; i++) {
        struct bench *bench = bench_new(&usual);
        double drip_g, press_s, through_g;

        bench->lag_s[CUP] = 0.3;
        drip_g = brew_on_a_stand(bench, drips_g_per_s[i % 3], i >= 3);
        press_s = now_s(bench);
        bench->drip_g_per_s = 0;
        through_g = 230 - 15 * 2 - drip_g;
        press(bench, 4000, 20, through_g);
        wait_s(bench, 3);
        move(bench, BREW, -(brewer_g + 15 + 30), 0.5);       /* the stand stays */
        wait_s(bench, 6);
        assert_float_equal(measured(bench, MEASURE_DOSE_G), 15, 0.1);
        assert_float_equal(measured(bench, MEASURE_WATER_G), 230, 0.15);
        assert_float_equal(measured(bench, MEASURE_DRIP_G), drip_g, 0.3);
        assert_float_equal(measured(bench, MEASURE_BEVERAGE_G), 200, 0.3);
        assert_true(doubt(bench, MEASURE_DRIP_G) > 0.03 && doubt(bench, MEASURE_DRIP_G) < 0.2);
        assert_float_equal(began_s(bench, STAGE_PRESS), press_s, 0.3);
        assert_int_equal(count_of(bench, TRACKER_BEGIN), 1);
        assert_int_equal(count_of(bench, TRACKER_END), 1);
        assert_int_equal(count_of(bench, TRACKER_DISCARD), 0);
        assert_int_equal(count_of(bench, TRACKER_QUESTION), 0);
        move(bench, CUP, -(cup_g + 200), 0.5);
        move(bench, BREW, -stand_g, 0.5);
        wait_s(bench, 20);
        assert_int_equal(count_of(bench, TRACKER_BEGIN), 1);
        bench_free(bench);
    }
}

/* A quick press brings 16 g a second into the cup, on a scale that speaks five times a second: what has run in while a
 * line was lost is not taken for hands. */
static void a_lost_line_in_a_press_is_no_hand(void **state)
{
    struct second second;

    (void)state;
    second_begin(&second);
    for (int i = 0; i < 80; i++) {
        double pressed_s = fmax(0, fmin(i * 0.2 - 8, 6));

        if (i != 50 && i != 60 && i != 61)
            second_take(&second, cup_g * (i > 5) + round(160 * pressed_s) / 10, 0.1, 1000000 + i * 200000,
                        i * 0.2 < 8 ? 0 : 2000);
        if (i > 15) {
            assert_true(second.settled);
            assert_true(fabs(second.level_g - cup_g - 16 * pressed_s) < 20);
        }
    }
    assert_float_equal(second.level_g, cup_g + 96, 0.2);
}

/* An ordinary brew of 15 g and 230 g on the brew's scale alone, until it is taken away, pressed beside (30 s) and
 * the cup, 200 g heavier, is in the hand.  The cup was not seen empty here. */
static void brew_and_press_beside(struct bench *bench)
{
    move(bench, BREW, cup_g + brewer_g, 0.4);
    wait_s(bench, 3);
    tare(bench, BREW);
    wait_s(bench, 2);
    move(bench, BREW, 15, 5);
    wait_s(bench, 3);
    move(bench, BREW, 230, 20);
    wait_s(bench, 40);
    move(bench, BREW, -(cup_g + brewer_g + 245), 0.5);
    wait_s(bench, 30);
}

static void the_cup_comes_full_to_its_scale(void **state)
{
    enum { SEEN, SEEN_AND_TARED, KNOWN, CASES };

    (void)state;
    for (int i = 0; i < 2 * CASES; i++) {
        struct tracker_config config = usual;
        struct bench *bench;
        double lifted_s, put_s;

        if (i % CASES == KNOWN)
            config.cup_g[config.cup_count++] = cup_g;
        bench = bench_new(&config);
        bench->cup_every_us = i < CASES ? 100000 : 200000;
        wait_s(bench, 3);
        if (i % CASES != KNOWN) {
            move(bench, CUP, cup_g, 0.4);
            wait_s(bench, 4);
            if (i % CASES == SEEN_AND_TARED)
                tare(bench, CUP);
            wait_s(bench, 3);
            move(bench, CUP, -cup_g, 0.4);
            wait_s(bench, 3);
        }
        brew_and_press_beside(bench);
        lifted_s = now_s(bench) - 30.5;
        put_s = now_s(bench);
        move(bench, CUP, cup_g + 200, 0.4);
        wait_s(bench, 8);
        assert_float_equal(measured(bench, MEASURE_BEVERAGE_G), 200, 0.2);
        assert_true(doubt(bench, MEASURE_BEVERAGE_G) < 0.3);
        assert_true(isnan(measured(bench, MEASURE_DRIP_G)));
        assert_float_equal(began_s(bench, STAGE_PRESS), lifted_s, 0.3);
        assert_float_equal(began_s(bench, STAGE_WEIGH_OUT), put_s, 0.5);
        assert_float_equal(began_s(bench, STAGE_STRENGTH), put_s + 0.4, 0.5);
        assert_int_equal(count_of(bench, TRACKER_END), 1);
        assert_int_equal(count_of(bench, TRACKER_QUESTION), 0);
        bench_free(bench);
    }
}

/* Nobody knows the cup: it is guessed and asked; set down emptied, on either scale, it corrects its brew. */
static void an_emptied_cup_corrects_what_was_guessed(void **state)
{
    (void)state;
    for (int scale = BREW; scale <= CUP; scale++) {
        struct bench *bench = bench_new(&usual);
        int told;

        wait_s(bench, 3);
        brew_and_press_beside(bench);
        move(bench, CUP, cup_g + 190, 0.4);
        wait_s(bench, 30);
        assert_int_equal(count_of(bench, TRACKER_END), 1);
        assert_int_equal(count_of(bench, TRACKER_QUESTION), 1);
        assert_float_equal(measured(bench, MEASURE_BEVERAGE_G), 200, 1);     /* what coffee holds back: a guess */
        assert_float_equal(doubt(bench, MEASURE_BEVERAGE_G), 8, 1);
        move(bench, CUP, -(cup_g + 190), 0.4);
        wait_s(bench, 120);
        told = bench->told_count;
        move(bench, scale, cup_g, 0.4);
        wait_s(bench, 5);
        assert_true(bench->told_count > told);
        assert_int_equal(bench->told[told].kind, TRACKER_MEASURE);
        assert_int_equal(bench->told[told].brew, 1);
        assert_float_equal(measured(bench, MEASURE_BEVERAGE_G), 190, 0.6);
        assert_float_equal(doubt(bench, MEASURE_BEVERAGE_G), 3, 0.1);
        assert_float_equal(measured(bench, MEASURE_RETAINED_G_PER_G), 40.0 / 15, 0.05);
        told = bench->told_count;
        move(bench, scale, -cup_g, 0.4);
        wait_s(bench, 5);
        move(bench, scale, cup_g - 12, 0.4);     /* the next cup is none of its business */
        wait_s(bench, 5);
        assert_int_equal(bench->told_count, told);
        bench_free(bench);
    }
}

/* The empty cup stands on its scale hardly longer than the filter needs. */
static void an_empty_cup_is_seen_in_passing(void **state)
{
    (void)state;
    for (int every_us = 50000; every_us <= 200000; every_us *= 2) {
        struct bench *bench = bench_new(&usual);

        bench->cup_every_us = every_us;
        wait_s(bench, 3);
        move(bench, CUP, cup_g, 0.4);
        wait_s(bench, 1.5);
        move(bench, CUP, -cup_g, 0.4);
        wait_s(bench, 3);
        brew_and_press_beside(bench);
        move(bench, CUP, cup_g + 200, 0.4);
        wait_s(bench, 8);
        assert_float_equal(measured(bench, MEASURE_BEVERAGE_G), 200, 0.3);
        assert_true(doubt(bench, MEASURE_BEVERAGE_G) < 0.3);
        bench_free(bench);
    }
}

/* Nobody knows the cup, and soon the next brew's comes, empty: it would leave 15 g more than was guessed.  Two minutes
 * later that may well be what was drunk; one that would leave 25 g more is another cup. */
static void the_next_brews_cup_corrects_nothing(void **state)
{
    const struct {
        double later_s, more_g;
        bool corrects;
    } cases[] = {{10, 15, false}, {10, 5, true}, {120, 14, true}, {120, 25, false}};

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct bench *bench = bench_new(&usual);

        wait_s(bench, 3);
        brew_and_press_beside(bench);
        move(bench, CUP, cup_g + 200, 0.4);
        wait_s(bench, 25);
        move(bench, CUP, -(cup_g + 200), 0.4);
        wait_s(bench, cases[i].later_s);
        move(bench, BREW, cup_g - cases[i].more_g, 0.4);
        wait_s(bench, 5);
        assert_float_equal(measured(bench, MEASURE_BEVERAGE_G), cases[i].corrects ? 200 + cases[i].more_g : 200, 1);
        assert_float_equal(doubt(bench, MEASURE_BEVERAGE_G), cases[i].corrects ? 3 : 8, 0.1);
        bench_free(bench);
    }
}

/* Something stands on the cup's scale, is taken away and put back while a brew goes on beside it. */
static void a_cup_that_only_waits_there_changes_nothing(void **state)
{
    struct bench *bench = bench_new(&usual);

    (void)state;
    wait_s(bench, 3);
    move(bench, CUP, 280, 0.4);
    wait_s(bench, 3);
    move(bench, BREW, cup_g, 0.4);
    wait_s(bench, 3);
    move(bench, BREW, brewer_g, 0.4);
    wait_s(bench, 3);
    tare(bench, BREW);
    wait_s(bench, 2);
    move(bench, BREW, 15, 5);
    wait_s(bench, 3);
    move(bench, BREW, 100, 10);
    move(bench, CUP, 150, 12);      /* hot water warms it */
    wait_s(bench, 3);
    move(bench, CUP, -430, 0.4);
    wait_s(bench, 3);
    move(bench, CUP, 280, 0.4);
    wait_s(bench, 3);
    move(bench, BREW, 130, 10);
    wait_s(bench, 40);
    press(bench, 4000, 20, 0);
    wait_s(bench, 3);
    move(bench, BREW, -(brewer_g + 45), 0.5);
    wait_s(bench, 6);
    assert_float_equal(measured(bench, MEASURE_DOSE_G), 15, 0.1);
    assert_float_equal(measured(bench, MEASURE_WATER_G), 230, 1.5);
    assert_float_equal(measured(bench, MEASURE_BEVERAGE_G), 200, 1.5);     /* the hot water's first drops pass for drips */
    assert_true(isnan(measured(bench, MEASURE_DRIP_G)));
    assert_int_equal(count_of(bench, TRACKER_BEGIN), 1);
    assert_int_equal(count_of(bench, TRACKER_END), 1);
    bench_free(bench);
}

static void a_scale_that_falls_silent_tells_no_drip_and_breaks_nothing(void **state)
{
    struct bench *bench = bench_new(&usual);

    (void)state;
    brew_on_a_stand(bench, 0, false);
    bench->drip_g_per_s = 0.02;
    bench->cup_silent = true;
    tracker_second_gap(bench->tracker);
    wait_s(bench, 20);
    press(bench, 4000, 20, 190);
    bench->drip_g_per_s = 0;
    wait_s(bench, 3);
    move(bench, BREW, -(brewer_g + stand_g + 55), 0.5);
    wait_s(bench, 910);
    assert_true(isnan(measured(bench, MEASURE_DRIP_G)));
    assert_true(isnan(measured(bench, MEASURE_BEVERAGE_G)));
    assert_float_equal(measured(bench, MEASURE_WATER_G), 230, 0.5);
    assert_float_equal(measured(bench, MEASURE_PRESS_S), 20, 0.3);
    assert_int_equal(count_of(bench, TRACKER_END), 1);
    assert_int_equal(count_of(bench, TRACKER_DISCARD), 0);
    bench_free(bench);
}

/* The full cup stands on the brew's scale, which shows grams, and then on its own, which shows tenths. */
static void the_finer_scale_wins_and_a_wrong_one_is_named(void **state)
{
    static const double off_g[] = {0, 4.5};

    (void)state;
    for (int i = 0; i < 2; i++) {
        struct bench *bench = bench_new(&usual);
        const struct tracker_event *warning;

        bench->division_g[BREW] = 1;
        wait_s(bench, 3);
        move(bench, BREW, 341.2, 0.4);
        wait_s(bench, 3);
        move(bench, BREW, brewer_g, 0.4);
        wait_s(bench, 3);
        tare(bench, BREW);
        wait_s(bench, 2);
        move(bench, BREW, 15, 5);
        wait_s(bench, 3);
        move(bench, BREW, 230, 20);
        wait_s(bench, 40);
        press(bench, 4000, 20, 0);
        wait_s(bench, 3);
        move(bench, BREW, -(brewer_g + 45.6), 0.5);
        wait_s(bench, 6);
        assert_int_equal(count_of(bench, TRACKER_END), 1);
        assert_true(doubt(bench, MEASURE_BEVERAGE_G) > 0.3);
        move(bench, BREW, -540.6, 0.4);
        wait_s(bench, 1);
        move(bench, CUP, 540.6 + off_g[i], 0.4);
        wait_s(bench, 5);
        warning = last_of(bench, TRACKER_WARNING, 0);
        if (off_g[i] > 0) {
            assert_non_null(warning);
            assert_string_equal(warning->word, "scales-disagree");
            assert_int_equal(warning->brew, 1);
            assert_true(doubt(bench, MEASURE_BEVERAGE_G) > 0.3);
        } else {
            assert_null(warning);
            assert_true(doubt(bench, MEASURE_BEVERAGE_G) < 0.1);
        }
        assert_float_equal(measured(bench, MEASURE_BEVERAGE_G), 199.4, 1);
        bench_free(bench);
    }
}

static int entered(struct bench *bench, enum measure measure, double value)
{
    static struct tracker_events events;
    char detail[TRACKER_WORDS] = "";
    int result = tracker_enter(bench->tracker, 1, measure, value, NAN, bench->now_us, &events, detail);

    take(bench, &events);
    return result;
}

/* 6 g of 180 more in the brewer than coffee holds: it was stopped.  Between the two nobody knows; the operator does.
 * With 20 g more it may be another cup than the known one. */
static void pressed_dry_follows_from_what_stays_behind(void **state)
{
    static const struct { double beverage_g, dry; } cases[] = {{200, 1}, {196.4, NAN}, {192, 0}, {203, 1}, {180, NAN}};

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct tracker_config config = usual;
        struct bench *bench;

        config.cup_g[config.cup_count++] = cup_g;
        bench = bench_new(&config);
        wait_s(bench, 3);
        brew_and_press_beside(bench);
        move(bench, CUP, cup_g + cases[i].beverage_g, 0.4);
        wait_s(bench, 8);
        assert_float_equal(measured(bench, MEASURE_BEVERAGE_G), cases[i].beverage_g, 0.2);
        if (isnan(cases[i].dry)) {
            assert_true(isnan(measured(bench, MEASURE_PRESSED_DRY)));
        } else {
            assert_float_equal(measured(bench, MEASURE_PRESSED_DRY), cases[i].dry, 0);
            assert_true(doubt(bench, MEASURE_PRESSED_DRY) > 0 && doubt(bench, MEASURE_PRESSED_DRY) <= 0.5);
        }
        assert_int_equal(entered(bench, MEASURE_PRESSED_DRY, 0.5), -EINVAL);
        assert_int_equal(entered(bench, MEASURE_PRESSED_DRY, 1), 0);
        assert_int_equal(entered(bench, MEASURE_BEVERAGE_G, 170), 0);   /* and what follows from it, but not this */
        assert_float_equal(measured(bench, MEASURE_RETAINED_G_PER_G), 4, 0.05);
        assert_float_equal(measured(bench, MEASURE_PRESSED_DRY), 1, 0);
        bench_free(bench);
    }
}

/* On a stand the cup's scale sees the flow die under the hand.  Then it was pressed dry, though this coffee holds more
 * than others do. */
static void a_flow_that_dies_under_the_hand_means_dry(void **state)
{
    (void)state;
    for (int dies = 0; dies < 2; dies++) {
        struct bench *bench = bench_new(&usual);

        brew_on_a_stand(bench, 0, false);
        press_until(bench, 4000, 20, 196.3, dies ? 16 : 20);
        wait_s(bench, 3);
        move(bench, BREW, -(brewer_g + 48.7), 0.5);
        wait_s(bench, 6);
        assert_float_equal(measured(bench, MEASURE_BEVERAGE_G), 196.3, 0.3);
        if (dies)
            assert_float_equal(measured(bench, MEASURE_PRESSED_DRY), 1, 0);
        else
            assert_true(isnan(measured(bench, MEASURE_PRESSED_DRY)));
        bench_free(bench);
    }
}

/* Hands at random on both scales, damaged lines, overload, silence, tares: all that is told makes sense, and a deadline
 * that has passed is not asked for again. */
static void whatever_the_scales_show_nothing_breaks(void **state)
{
    static const double things_g[] = {341.2, 182.4, 296.5, 15, 63.1, 230, 2};
    uint64_t random = 20261125;
    int brews = 0, drips = 0;

    (void)state;
    for (int run = 0; run < 100; run++) {
        struct bench *bench = bench_new(&usual);

        for (int i = 0; i < 120; i++) {
            int scale, act;
            double grams;

            random = random * 6364136223846793005U + 1442695040888963407U;
            scale = random >> 33 & 1;
            act = random >> 36 & 7;
            grams = things_g[(random >> 40) % 7] * (random >> 50 & 1 ? 1 : -1);
            if (act == 0)
                tare(bench, scale);
            else if (act == 1)
                press(bench, 3000, 6, grams);
            else if (act == 2)
                bench->cup_silent = !bench->cup_silent;
            else if (act == 3)
                bench->drip_g_per_s = fabs(grams) / 400;
            else if (act == 4)
                bench->cup_every_us = bench->cup_every_us == 100000 ? 500000 : 100000;
            else if (act == 5 && random >> 51 & 1)
                tracker_second_gap(bench->tracker);
            else
                move(bench, scale, grams, 0.3 + fabs(grams) / 30 * (double)(random >> 52 & 1));
            wait_s(bench, (double)(random >> 53 & 3) * 2);
            assert_true(!tracker_deadline(bench->tracker) || tracker_deadline(bench->tracker) > bench->now_us);
            for (int told = 0; told < bench->told_count; told++) {
                const struct tracker_event *event = &bench->told[told];

                brews += event->kind == TRACKER_BEGIN;
                drips += event->kind == TRACKER_MEASURE && event->measure == MEASURE_DRIP_G;
                if (event->kind != TRACKER_MEASURE || isnan(event->value))
                    continue;
                assert_true(isnan(event->standard_uncertainty) || event->standard_uncertainty >= 0);
                if (event->measure == MEASURE_DRIP_G)
                    assert_true(event->value >= 0);
                if (event->measure == MEASURE_PRESSED_DRY)
                    assert_true(event->value == 0 || event->value == 1);
            }
            bench->told_count = 0;
        }
        bench_free(bench);
    }
    assert_true(brews > 80 && drips > 8);     /* or it would not have tried much */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(drips_are_weighed_and_belong_to_the_water),
        cmocka_unit_test(a_lost_line_in_a_press_is_no_hand),
        cmocka_unit_test(the_cup_comes_full_to_its_scale),
        cmocka_unit_test(an_emptied_cup_corrects_what_was_guessed),
        cmocka_unit_test(an_empty_cup_is_seen_in_passing),
        cmocka_unit_test(the_next_brews_cup_corrects_nothing),
        cmocka_unit_test(a_cup_that_only_waits_there_changes_nothing),
        cmocka_unit_test(a_scale_that_falls_silent_tells_no_drip_and_breaks_nothing),
        cmocka_unit_test(the_finer_scale_wins_and_a_wrong_one_is_named),
        cmocka_unit_test(pressed_dry_follows_from_what_stays_behind),
        cmocka_unit_test(a_flow_that_dies_under_the_hand_means_dry),
        cmocka_unit_test(whatever_the_scales_show_nothing_breaks),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
