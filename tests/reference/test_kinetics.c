/* Extraction against time, held against certified results (NIST), closed forms, SciPy and simulation. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <errno.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "poise/kinetics.h"

static void assert_close(double value, double expected, double relative)
{
    if (!(fabs(value - expected) <= relative * fabs(expected)))
        fail_msg("%.12g instead of %.12g", value, expected);
}

/* --- NIST Statistical Reference Datasets, nonlinear regression, y = b1 (1 - exp(-b2 x)).  Data and
 * certified values typed from memory and confirmed by an independent fit to seven digits. --- */

struct certified {
    const double *x, *y;
    size_t n;
    double start[2][3];
    double b1, b1_deviation, b2, b2_deviation, rss;
};

static const double boxbod_x[] = { 1, 2, 3, 5, 7, 10 }, boxbod_y[] = { 109, 149, 149, 191, 213, 224 };
static const double misra_x[] = { 77.6,  114.9, 141.1, 190.8, 239.9, 289.0, 332.8,
                                  378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0 };
static const double misra_y[] = { 10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02,
                                  44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78 };

static const struct certified certified[] = {
    { boxbod_x,
      boxbod_y,
      6,
      { { 1, 1, 0 }, { 100, 0.75, 0 } },
      2.1380940889e+02,
      1.2354515176e+01,
      5.4723748542e-01,
      1.0455993237e-01,
      1.1680088766e+03 },
    { misra_x,
      misra_y,
      14,
      { { 500, 0.0001, 0 }, { 250, 0.0005, 0 } },
      2.3894212918e+02,
      2.7070075241e+00,
      5.5015643181e-04,
      7.2668688436e-06,
      1.2455138894e-01 },
};

static void nist_values_come_back_from_both_starts_and_from_none(void **state)
{
    struct why why = { "" };

    (void)state;
    for (size_t i = 0; i < sizeof certified / sizeof *certified; i++) {
        const struct certified *set = &certified[i];
        struct kinetics_data data = { set->x, set->y, set->n, NULL, 0 };

        for (int start = 0; start < 3; start++) {
            struct kinetics_fit fit;
            int error = start < 2 ? kinetics_fit_from(&data, false, set->start[start], &fit, &why)
                                  : kinetics_fit(&data, false, &fit, &why);

            assert_int_equal(error, 0);
            assert_close(fit.value[KINETICS_PLATEAU], set->b1, 5e-7);
            assert_close(fit.value[KINETICS_RATE], set->b2, 5e-7);
            assert_close(fit.deviation[KINETICS_PLATEAU], set->b1_deviation, 5e-7);
            assert_close(fit.deviation[KINETICS_RATE], set->b2_deviation, 5e-7);
            assert_close(fit.rss, set->rss, 5e-7);
            assert_close(fit.spread, sqrt(set->rss / (double)(set->n - 2)), 5e-7);
        }
    }
}

/* t of a share: -ln(1 - p) / k.  Gain: E1 exp(-kt)(1 - exp(-k step)) = least.  Doubling: E(2t) - E(t). */
static void diminishing_returns_follow_their_definitions(void **state)
{
    struct kinetics_fit fit = { .value = { 22, 0.02, 0 }, .n = 5, .df = 3 };
    struct kinetics_question share = { QUANTITY_OF_SHARE, 0.90, 0, 0 }, gain = { QUANTITY_OF_GAIN, 0, 30, 0.3 };
    struct kinetics_question doubling = { QUANTITY_OF_DOUBLING, 0, 0, 0.5 };
    double t;

    (void)state;
    assert_close(kinetics_answer(&fit, &share), 115.129255, 1e-8);
    share.share = 0.95;
    assert_close(kinetics_answer(&fit, &share), 149.786614, 1e-8);
    assert_close(kinetics_answer(&fit, &gain), 174.957244, 1e-8);
    assert_close(kinetics_answer(&fit, &doubling), 188.032297, 1e-8);
    fit.value[KINETICS_QUICK] = 6;
    t = kinetics_answer(&fit, &share);
    assert_close(kinetics_share_at(&fit, t), 0.95, 1e-12);
    t = kinetics_answer(&fit, &gain);
    assert_close(kinetics_at(&fit, t + 30) - kinetics_at(&fit, t), 0.3, 1e-9);
    t = kinetics_answer(&fit, &doubling);
    assert_close(kinetics_at(&fit, 2 * t) - kinetics_at(&fit, t), 0.5, 1e-9);
    share.share = 0.2;
    assert_true(kinetics_answer(&fit, &share) <= 0); /* the quick part alone is more */
    gain.least = 50;
    assert_true(kinetics_answer(&fit, &gain) <= 0);
    doubling.least = 10;
    assert_close(kinetics_answer(&fit, &doubling), log(2) / 0.02, 1e-12);
}

static void bad_numbers_and_too_few_times_are_refused(void **state)
{
    double t[] = { 30, 60, 60, 30 }, e[] = { 10, 15, 15.5, 9.8 };
    struct kinetics_data data = { t, e, 4, NULL, 0 };
    struct kinetics_fit fit = { .n = 77 };
    struct why why = { "" };

    (void)state;
    assert_int_equal(kinetics_fit(&data, false, &fit, &why), -ENODATA);
    assert_non_null(strstr(why.text, "three"));
    t[3] = 120;
    assert_int_equal(kinetics_fit(&data, true, &fit, &why), -ENODATA);
    t[3] = -120;
    assert_int_equal(kinetics_fit(&data, false, &fit, &why), -EINVAL);
    t[3] = NAN;
    assert_int_equal(kinetics_fit(&data, false, &fit, &why), -EINVAL);
    t[3] = 120;
    e[0] = e[1] = e[2] = e[3] = 0;
    assert_int_equal(kinetics_fit(&data, false, &fit, &why), -EDOM);
    e[0] = -10, e[1] = -15, e[2] = -15, e[3] = -18;
    assert_int_equal(kinetics_fit(&data, false, &fit, &why), -EDOM);
    data.n = 0;
    assert_int_equal(kinetics_fit(&data, false, &fit, &why), -ENODATA);
    assert_int_equal(fit.n, 77);
}

static size_t make_cups(gsl_rng *random, double plateau, double k, double quick, double spread, const double *times,
                        size_t count, int each, double *t, double *e)
{
    size_t n = 0;

    for (size_t i = 0; i < count; i++)
        for (int cup = 0; cup < each; cup++, n++) {
            t[n] = times[i];
            e[n] = plateau - (plateau - quick) * exp(-k * times[i]) + gsl_ran_gaussian(random, spread);
        }
    return n;
}

static const double steep[] = { 30, 45, 75, 120, 180, 300 };

static void a_quick_part_is_found_only_where_it_is(void **state)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    double t[24], e[24];
    struct kinetics_data data = { t, e, 0, NULL, 0 };
    struct kinetics_fit fit;
    struct why why;
    int taken = 0, found = 0;

    (void)state;
    gsl_rng_set(random, 11);
    for (int i = 0; i < 200; i++) {
        data.n = make_cups(random, 22, 0.02, 0, 0.4, steep, 6, 3, t, e);
        assert_int_equal(kinetics_choose(&data, &fit, NULL, &why), 0);
        taken += fit.quick;
        data.n = make_cups(random, 22, 0.012, 9, 0.4, steep, 6, 3, t, e);
        assert_int_equal(kinetics_choose(&data, &fit, NULL, &why), 0);
        found += fit.quick;
    }
    gsl_rng_free(random);
    assert_true(taken <= 16); /* AICc by 2 errs in some 3 % (half of chi-square above 4.9 on one df) */
    assert_int_equal(found, 200);
}

/* All 70 arrangements of four signs above and four below, counted one by one. */
static void the_runs_test_counts_arrangements(void **state)
{
    double t[8] = { 1, 2, 3, 4, 5, 6, 7, 8 }, e[8];
    struct kinetics_data data = { t, e, 8, NULL, 0 };
    struct kinetics_fit flat = { .value = { 10, 1000, 0 } };
    int at_most[9] = { 0 }, all = 0;

    (void)state;
    for (int pass = 0; pass < 2; pass++)
        for (unsigned signs = 0; signs < 256; signs++) {
            int runs = 1;

            if (__builtin_popcount(signs) != 4)
                continue;
            for (int i = 0; i < 8; i++) {
                e[i] = signs >> i & 1 ? 11 : 9;
                runs += i > 0 && (signs >> i & 1) != (signs >> (i - 1) & 1);
            }
            if (pass == 0) {
                all++;
                for (int r = runs; r <= 8; r++)
                    at_most[r]++;
            } else {
                assert_close(kinetics_runs_p(&data, &flat), (double)at_most[runs] / all, 1e-12);
            }
        }
    assert_int_equal(all, 70);
    for (int i = 0; i < 8; i++)
        e[i] = 11;
    assert_true(isnan(kinetics_runs_p(&data, &flat)));
}

static void a_straight_line_has_no_plateau(void **state)
{
    double t[] = { 5, 5, 10, 10, 15, 15, 20, 20 }, e[] = { 1.02, 0.98, 2.05, 1.96, 2.97, 3.04, 4.02, 3.95 };
    struct kinetics_data data = { t, e, 8, NULL, 0 };
    struct kinetics_question plateau = { QUANTITY_OF_PLATEAU, 0, 0, 0 }, share = { QUANTITY_OF_SHARE, 0.9, 0, 0 };
    struct kinetics_fit fit;
    struct interval interval;
    struct why why = { "" };

    (void)state;
    assert_int_equal(kinetics_fit(&data, false, &fit, &why), 0);
    assert_int_equal(kinetics_interval(&data, &fit, &plateau, 0.95, &interval), 0);
    assert_true(isinf(interval.high) && interval.low > 4);
    assert_int_equal(kinetics_interval(&data, &fit, &share, 0.95, &interval), 0);
    assert_true(isinf(interval.high) && interval.low > 20);
}

/* --- SciPy --- */

enum { ASKED = 14, ANSWERS = 5 };

static void ask_scipy(const char *questions, double *answers, int count)
{
    char file[] = "/tmp/poise-kinetics-XXXXXX", command[512];
    int fd = mkstemp(file);
    FILE *pipe;

    assert_true(fd >= 0);
    assert_int_equal(write(fd, questions, strlen(questions)), strlen(questions));
    close(fd);
    snprintf(command, sizeof command, "/usr/bin/python3 '%s/kinetics.py' < %s", TEST_FOLDER, file);
    pipe = popen(command, "r");
    assert_non_null(pipe);
    for (int i = 0; i < count; i++)
        assert_int_equal(fscanf(pipe, "%lf", &answers[i]), 1);
    assert_int_equal(pclose(pipe), 0);
    unlink(file);
}

static void intervals_and_designs_agree_with_scipy(void **state)
{
    static const char *const names[] = { "plateau", "rate", "share", "gain", "doubling" };
    static double t[ASKED][24], e[ASKED][24];
    struct kinetics_question questions[ASKED];
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    char text[16384];
    double answers[ASKED * ANSWERS];
    size_t length = 0, n[ASKED];
    int expected = 0, place = 0;

    (void)state;
    gsl_rng_set(random, 20261125);
    for (int i = 0; i < ASKED; i++) {
        bool quick = i % 2;
        int kind = i < 10 ? i / 2 : QUANTITY_OF_SHARE;

        questions[i] = (struct kinetics_question){ (enum kinetics_quantity)kind, 0.93, 25, 0.25 };
        n[i] = make_cups(random, 20 + 4 * gsl_rng_uniform(random), 0.014 + 0.01 * gsl_rng_uniform(random),
                         quick ? 8 : 0, 0.15, steep, 6, 3, t[i], e[i]);
        length += (size_t)snprintf(text + length, sizeof text - length, "%s %d 0.93 25 0.25 %d",
                                   i < 10 ? names[kind] : "shrink", quick, 60 * (i - 9));
        for (size_t cup = 0; cup < n[i]; cup++)
            length += (size_t)snprintf(text + length, sizeof text - length, " %.17g,%.17g", t[i][cup], e[i][cup]);
        length += (size_t)snprintf(text + length, sizeof text - length, "\n");
        expected += i < 10 ? ANSWERS : 1;
    }
    gsl_rng_free(random);
    ask_scipy(text, answers, expected);
    for (int i = 0; i < ASKED; i++) {
        struct kinetics_data data = { t[i], e[i], n[i], NULL, 0 };
        struct kinetics_fit fit;
        struct interval interval;
        struct why why;

        assert_int_equal(kinetics_fit(&data, i % 2, &fit, &why), 0);
        if (i >= 10) {
            assert_close(kinetics_shrinks(&data, &fit, &questions[i], 60 * (i - 9), 1), answers[place++], 1e-4);
            continue;
        }
        for (int parameter = 0; parameter < (i % 2 ? 3 : 2); parameter++)
            assert_close(fit.value[parameter], answers[place + parameter], 1e-6);
        assert_int_equal(kinetics_interval(&data, &fit, &questions[i], 0.95, &interval), 0);
        assert_close(interval.low, answers[place + 3], 1e-5);
        assert_close(interval.high, answers[place + 4], 1e-5);
        place += ANSWERS;
    }
}

/* Cups of one time put together, by their mean: the sum of squares splits, so nothing may change. */
static void cups_of_one_time_may_be_put_together(void **state)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    static const struct kinetics_question questions[] = {
        { QUANTITY_OF_PLATEAU, 0, 0, 0 }, { QUANTITY_OF_RATE, 0, 0, 0 },       { QUANTITY_OF_SHARE, 0.95, 0, 0 },
        { QUANTITY_OF_GAIN, 0, 30, 0.3 }, { QUANTITY_OF_DOUBLING, 0, 0, 0.5 },
    };
    double t[30], e[30], room[90];
    struct kinetics_data cups = { t, e, 30, NULL, 0 }, times;

    (void)state;
    gsl_rng_set(random, 8);
    for (int i = 0; i < 30; i++) {
        t[i] = steep[i % 5];
        e[i] = 4 + 18 * (1 - exp(-0.02 * t[i])) + gsl_ran_gaussian(random, 0.3);
    }
    gsl_rng_free(random);
    assert_int_equal(kinetics_gather(&cups, room, &times), 0);
    assert_int_equal(times.n, 5);
    for (int quick = 0; quick < 2; quick++) {
        struct kinetics_fit one, other;
        struct why why;

        assert_int_equal(kinetics_fit(&cups, quick, &one, &why), 0);
        assert_int_equal(kinetics_fit(&times, quick, &other, &why), 0);
        assert_true(other.n == 30 && other.df == one.df);
        assert_close(other.rss, one.rss, 1e-10);
        assert_close(other.aicc, one.aicc, 1e-10);
        for (int i = 0; i < (quick ? 3 : 2); i++) {
            assert_close(other.value[i], one.value[i], 1e-7);
            assert_close(other.deviation[i], one.deviation[i], 1e-7);
        }
        assert_close(kinetics_error_at(&times, &other, 90), kinetics_error_at(&cups, &one, 90), 1e-7);
        assert_close(kinetics_shrinks(&times, &other, &questions[2], 90, 2),
                     kinetics_shrinks(&cups, &one, &questions[2], 90, 2), 1e-7);
        for (size_t i = 0; i < sizeof questions / sizeof *questions; i++) {
            struct interval of_cups, of_times;

            assert_int_equal(kinetics_interval(&cups, &one, &questions[i], 0.95, &of_cups), 0);
            assert_int_equal(kinetics_interval(&times, &other, &questions[i], 0.95, &of_times), 0);
            assert_close(of_times.low, of_cups.low, 1e-6);
            assert_close(of_times.high, of_cups.high, 1e-6);
        }
    }
}

/* --- simulation --- */

static void intervals_hold_the_truth_as_often_as_they_say(void **state)
{
    static const struct kinetics_question questions[] = {
        { QUANTITY_OF_PLATEAU, 0, 0, 0 },
        { QUANTITY_OF_SHARE, 0.95, 0, 0 },
        { QUANTITY_OF_GAIN, 0, 30, 0.3 },
    };
    enum { MANY = 1000, COUNT = sizeof questions / sizeof *questions };
    struct kinetics_fit truth = { .value = { 22, 0.02, 0 } };
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    double t[24], e[24];
    struct kinetics_data data = { t, e, 0, NULL, 0 };
    int held[COUNT] = { 0 };

    (void)state;
    gsl_rng_set(random, 4);
    for (int i = 0; i < MANY; i++) {
        struct kinetics_fit fit;
        struct why why;

        data.n = make_cups(random, 22, 0.02, 0, 0.5, steep, 5, 2, t, e);
        assert_int_equal(kinetics_fit(&data, false, &fit, &why), 0);
        for (int question = 0; question < COUNT; question++) {
            double answer = kinetics_answer(&truth, &questions[question]);
            struct interval interval;

            assert_int_equal(kinetics_interval(&data, &fit, &questions[question], 0.95, &interval), 0);
            held[question] += interval.low <= answer && answer <= interval.high;
        }
    }
    gsl_rng_free(random);
    for (int question = 0; question < COUNT; question++)
        assert_in_range(held[question], 930, 970);
}

/* The best next time for a two-parameter curve, by brute force over refitted variances. */
static void the_next_cup_is_the_one_that_shrinks_most(void **state)
{
    double t[] = { 45, 45, 120, 120, 300, 300 }, e[] = { 13.1, 12.8, 20.1, 19.8, 21.9, 22.2 };
    struct kinetics_data data = { t, e, 6, NULL, 0 };
    struct kinetics_question share = { QUANTITY_OF_SHARE, 0.95, 0, 0 }, plateau = { QUANTITY_OF_PLATEAU, 0, 0, 0 };
    struct kinetics_fit fit;
    struct why why;
    double best, ratio;

    (void)state;
    assert_int_equal(kinetics_fit(&data, false, &fit, &why), 0);
    best = kinetics_next(&data, &fit, &share, 20, 400);
    ratio = kinetics_shrinks(&data, &fit, &share, best, 1);
    assert_true(ratio > 0.5 && ratio < 1);
    for (double other = 20; other <= 400; other += 5)
        assert_true(kinetics_shrinks(&data, &fit, &share, other, 1) >= ratio);
    assert_true(best > 25 && best < 100);                             /* k is learnt where the curve bends */
    assert_true(kinetics_next(&data, &fit, &plateau, 20, 400) > 300); /* the plateau where it is flat */
    assert_true(kinetics_shrinks(&data, &fit, &share, best, 4) < ratio);
}

/* The certified Misra1a cups bend enough for both; three on a line, and as many cups as unknowns, do not. */
static void what_the_cups_do_not_bound_is_not_identified(void **state)
{
    static const double line_t[] = { 30, 60, 90, 120 }, line_e[] = { 3.0, 6.1, 8.9, 12.05 };
    struct kinetics_data bent = { misra_x, misra_y, 14, NULL, 0 }, line = { line_t, line_e, 4, NULL, 0 };
    struct kinetics_data few = { boxbod_x, boxbod_y, 6, NULL, 0 };
    struct kinetics_fit fit;
    struct why why;

    (void)state;
    assert_int_equal(kinetics_fit(&bent, false, &fit, &why), 0);
    assert_true(kinetics_identified(&bent, &fit, 0.95));
    assert_int_equal(kinetics_fit(&few, false, &fit, &why), 0);
    assert_true(kinetics_identified(&few, &fit, 0.95));
    assert_false(kinetics_identified(&few, &fit, 0.99999999));
    fit.df = 0;
    assert_false(kinetics_identified(&few, &fit, 0.95));
    if (kinetics_fit(&line, false, &fit, &why) == 0)
        assert_false(kinetics_identified(&line, &fit, 0.95));
}

static void differences_come_from_both_intervals(void **state)
{
    struct interval a = { 18, 23 }, b = { 14, 16.5 }, open = { 10, INFINITY };
    struct interval both = kinetics_difference(20, a, 15, b);

    (void)state;
    assert_close(both.low, 5 - sqrt(2 * 2 + 1.5 * 1.5), 1e-12);
    assert_close(both.high, 5 + sqrt(3 * 3 + 1), 1e-12);
    assert_true(isinf(kinetics_difference(20, open, 15, b).high));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nist_values_come_back_from_both_starts_and_from_none),
        cmocka_unit_test(diminishing_returns_follow_their_definitions),
        cmocka_unit_test(bad_numbers_and_too_few_times_are_refused),
        cmocka_unit_test(a_quick_part_is_found_only_where_it_is),
        cmocka_unit_test(the_runs_test_counts_arrangements),
        cmocka_unit_test(a_straight_line_has_no_plateau),
        cmocka_unit_test(intervals_and_designs_agree_with_scipy),
        cmocka_unit_test(cups_of_one_time_may_be_put_together),
        cmocka_unit_test(intervals_hold_the_truth_as_often_as_they_say),
        cmocka_unit_test(the_next_cup_is_the_one_that_shrinks_most),
        cmocka_unit_test(what_the_cups_do_not_bound_is_not_identified),
        cmocka_unit_test(differences_come_from_both_intervals),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
