/* A thermometer in the slurry, against curves whose truth is known. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>

#include "poise/immersion.h"

enum { MOST = 4000, CUPS = 1500 };

static double at_s[MOST], shown_c[MOST];

/* A cup: the slurry cools by Newton's law, faster at first while the brewer takes up heat; the thermometer is of first
 * order, and of another order in air. */
struct cup {
    double room_c, start_c, fall, wall_c, wall_s;
    double lag_s, air_s, in_s, out_s, press_s, until_s, every_s;
    double noise_c, alike, spot_c, digit_c;
};

static double slurry_c(const struct cup *cup, double t)
{
    return cup->room_c + (cup->start_c - cup->room_c) * exp(-cup->fall * t) + cup->wall_c * exp(-t / cup->wall_s);
}

static int play(const struct cup *cup, gsl_rng *random)
{
    static const double STEP_S = 0.02;
    double probe_c = cup->room_c, noise_c = 0, next_s = 0;
    int count = 0;

    for (double t = -30; t < cup->until_s && count < MOST; t += STEP_S) {
        bool in = t >= cup->in_s && t < cup->out_s;

        probe_c +=
            ((in ? slurry_c(cup, t) + cup->spot_c : cup->room_c) - probe_c) * STEP_S / (in ? cup->lag_s : cup->air_s);
        if (t < next_s - 30)
            continue;
        next_s += cup->every_s;
        noise_c = cup->alike * noise_c + sqrt(1 - cup->alike * cup->alike) * gsl_ran_gaussian(random, cup->noise_c);
        at_s[count] = t;
        shown_c[count++] = round((probe_c + noise_c) / cup->digit_c) * cup->digit_c;
    }
    return count;
}

/* Without noise and with a known time constant the law comes back: the curve of a first-order thermometer in a bath
 * that cools, 0.004 a second, is 6 s late; at 90 s the slurry is 22 + 66 exp(-0.36). */
static void what_the_thermometer_lags_is_undone(void **state)
{
    struct cup cup = { .room_c = 22,
                       .start_c = 88,
                       .fall = 0.004,
                       .wall_s = 1,
                       .lag_s = 6,
                       .air_s = 30,
                       .in_s = -1,
                       .out_s = 100,
                       .until_s = 400,
                       .every_s = 0.5,
                       .digit_c = 1e-6 };
    struct immersion found;
    double c, u;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    int n = play(&cup, random);

    (void)state;
    assert_true(immersion_find(at_s, shown_c, (size_t)n, 1e-6, 6, &found));
    assert_true(fabs(found.in_s + 1) < 2 && fabs(found.out_s - 100) < 4);
    assert_true(fabs(found.room_c - 22) < 0.1);
    immersion_at(&found, 90, &c, &u);
    assert_true(fabs(c - (22 + 66 * exp(-0.36))) < 0.1);
    assert_true(u > 0.2 && u < 0.6);
    /* shown was what the slurry had been about 6 s earlier: 0.004 x 46 x 6 = 1.1 C more */
    assert_true(22 + 66 * exp(-0.36) / (1 - 0.024) - c > 0.9);
    gsl_rng_free(random);
}

/* Taken out before the press: what it shows then, 26.4 C a minute on its way to the room, is not the slurry. */
static void what_it_shows_in_the_air_is_not_the_slurry(void **state)
{
    struct cup cup = { .room_c = 21,
                       .start_c = 90,
                       .fall = 0.0008,
                       .wall_s = 1,
                       .lag_s = 3,
                       .air_s = 25,
                       .in_s = -1,
                       .out_s = 60,
                       .until_s = 200,
                       .every_s = 1,
                       .noise_c = 0.05,
                       .digit_c = 0.1 };
    struct immersion found;
    double c, u, later, later_u;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    int n = play(&cup, random);

    (void)state;
    assert_true(shown_c[n - 1] < 25);
    assert_true(immersion_find(at_s, shown_c, (size_t)n, 0.1, NAN, &found));
    assert_true(fabs(found.out_s - 60) < 4);
    immersion_at(&found, 120, &c, &u);
    assert_true(fabs(c - slurry_c(&cup, 120)) < 2 * u);
    assert_true(60 * found.fall * found.above_c < 5); /* degrees a minute: about 3.2 in truth */
    immersion_at(&found, 180, &later, &later_u);
    assert_true(later < c && later_u > u);
    gsl_rng_free(random);
}

static void a_thermometer_that_lies_in_the_room_is_in_nothing(void **state)
{
    struct immersion found;

    (void)state;
    for (int i = 0; i < 200; i++) {
        at_s[i] = i;
        shown_c[i] = 21.3 + 0.1 * (i % 2);
    }
    assert_false(immersion_find(at_s, shown_c, 200, 0.1, NAN, &found));
    assert_false(immersion_find(at_s, shown_c, 3, 0.1, NAN, &found));
    assert_false(immersion_find(at_s, shown_c, 0, 0.1, NAN, &found));
}

static double between(gsl_rng *random, double least, double most)
{
    return least + (most - least) * gsl_rng_uniform(random);
}

/* Rooms, coffees, brewers, probes and hands; the truth at the press lies within two uncertainties in 93 to 98 %. */
static void truths_lie_within_two_uncertainties(void **state)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    int found = 0, covered = 0, out = 0, early = 0;
    int wide = 0;

    (void)state;
    gsl_rng_set(random, 20261130);
    for (int i = 0; i < CUPS; i++) {
        struct cup cup = { .room_c = between(random, 16, 28),
                           .start_c = between(random, 75, 94),
                           .fall = between(random, 0.0004, 0.002),
                           .wall_c = between(random, 0, 3),
                           .wall_s = between(random, 10, 40),
                           .lag_s = between(random, 1.5, 8),
                           .air_s = between(random, 20, 60),
                           .in_s = between(random, -5, 30),
                           .press_s = between(random, 60, 240),
                           .every_s = between(random, 0.3, 2),
                           .noise_c = between(random, 0.02, 0.25),
                           .alike = between(random, 0, 0.8),
                           .spot_c = gsl_ran_gaussian(random, 0.2),
                           .digit_c = gsl_rng_uniform(random) < 0.2 ? 1 : 0.1 };
        struct immersion immersion;
        double c, u;
        int n;

        cup.out_s = cup.press_s + between(random, -25, 40);
        cup.until_s = fmax(cup.out_s, cup.press_s) + between(random, -20, 120);
        n = play(&cup, random);
        if (!immersion_find(at_s, shown_c, (size_t)n, cup.digit_c, gsl_rng_uniform(random) < 0.5 ? cup.lag_s : NAN,
                            &immersion))
            continue;
        found++;
        immersion_at(&immersion, cup.press_s, &c, &u);
        covered += fabs(c - slurry_c(&cup, cup.press_s)) <= 2 * u;
        wide += u > 1.5;
        if (cup.until_s > cup.out_s + 15) {
            out++;
            early += fabs(immersion.out_s - cup.out_s) > 5;
        }
    }
    printf(
        "found %d of %d, within two uncertainties %.1f %%, out wrong by more than 5 s in %d of %d, uncertain by more than 1.5 C in %d\n",
        found, CUPS, 100.0 * covered / found, early, out, wide);
    assert_true(found > 0.98 * CUPS);
    assert_true(covered >= 0.93 * found && covered <= 0.98 * found);
    assert_true(early < 0.02 * out);
    assert_true(wide < 0.02 * found);
    gsl_rng_free(random);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_the_thermometer_lags_is_undone),
        cmocka_unit_test(what_it_shows_in_the_air_is_not_the_slurry),
        cmocka_unit_test(a_thermometer_that_lies_in_the_room_is_in_nothing),
        cmocka_unit_test(truths_lie_within_two_uncertainties),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
