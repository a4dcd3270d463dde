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
#include "poise/shape.h"

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
        struct kinetics_data data = { set->x, set->y, set->n, NULL, 0, 0 };

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
    struct kinetics_data data = { t, e, 4, NULL, 0, 0 };
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

/* The part is always allowed for; that it is there is said no more often than one time in twenty where it is not. */
static void a_quick_part_is_shown_only_where_it_is(void **state)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    double t[24], e[24];
    struct kinetics_data data = { t, e, 0, NULL, 0, 0 };
    struct kinetics_fit fit, plain;
    struct why why;
    int shown = 0, found = 0;

    (void)state;
    gsl_rng_set(random, 11);
    for (int i = 0; i < 400; i++) {
        data.n = make_cups(random, 22, 0.02, 0, 0.4, steep, 6, 3, t, e);
        assert_int_equal(kinetics_choose(&data, &fit, &plain, &why), 0);
        assert_true(fit.quick && !plain.quick);
        shown += kinetics_quick_p(&fit, &plain) < 0.05;
        data.n = make_cups(random, 22, 0.012, 9, 0.4, steep, 6, 3, t, e);
        assert_int_equal(kinetics_choose(&data, &fit, &plain, &why), 0);
        found += kinetics_quick_p(&fit, &plain) < 0.05;
    }
    gsl_rng_free(random);
    assert_in_range(shown, 8, 33); /* 20 expected, three deviations */
    assert_int_equal(found, 400);
}

/* tests/reference/lack_of_fit.csv: SciPy's answer for ten cups. */
static void lack_of_fit_against_replicates(void **state)
{
    static const double t[] = { 45, 45, 75, 75, 120, 120, 180, 180, 300, 300 };
    static const double e[] = { 15.4, 15.8, 18.3, 18.7, 20.6, 20.7, 22.9, 22.5, 23.4, 23.3 };
    static const int level[] = { 0, 0, 1, 1, 2, 2, 3, 3, 4, 4 };
    struct kinetics_data data = { t, e, 10, NULL, 0, 0 };
    double expected[8], residual[10];
    struct lack_of_fit lack;
    struct kinetics_fit fit;
    char path[512], line[256];
    bool met = false;
    struct why why;
    FILE *in;

    (void)state;
    snprintf(path, sizeof path, "%s/lack_of_fit.csv", TEST_FOLDER);
    in = fopen(path, "r");
    assert_non_null(in);
    while (fgets(line, sizeof line, in))
        met = met
              || sscanf(line, "%lf,%lf,%lf,%lf,%lf,%lf,%lf,%lf", &expected[0], &expected[1], &expected[2], &expected[3],
                        &expected[4], &expected[5], &expected[6], &expected[7])
                     == 8;
    fclose(in);
    assert_true(met);
    assert_int_equal(kinetics_fit(&data, false, &fit, &why), 0);
    assert_close(fit.value[KINETICS_PLATEAU], expected[0], 1e-7);
    assert_close(fit.value[KINETICS_RATE], expected[1], 1e-6);
    for (int i = 0; i < 10; i++)
        residual[i] = e[i] - kinetics_at(&fit, t[i]);
    assert_int_equal(shape_lack_of_fit(residual, level, 10, 2, 0, &lack), 0);
    assert_close(lack.ss + lack.ss_pure, expected[2], 1e-7);
    assert_close(lack.ss_pure, expected[3], 1e-7);
    assert_close(lack.df, expected[4], 1e-12);
    assert_close(lack.df_pure, expected[5], 1e-12);
    assert_close(lack.f, expected[6], 1e-6);
    assert_close(lack.p, expected[7], 1e-5);
    assert_int_equal(shape_lack_of_fit(residual, level, 10, 5, 0, &lack), -ENODATA); /* as many numbers as levels */
}

/* Each shape comes back from cups that lie on it, and no other does as well. */
static void other_shapes_are_known_again(void **state)
{
    static const double times[] = { 20, 45, 75, 120, 180, 300, 450 };
    double e[7];

    (void)state;
    for (int shape = 0; shape < SHAPE_CREEPING; shape++) {
        struct shape_fit fits[SHAPE_COUNT];

        for (int i = 0; i < 7; i++) {
            double t = times[i];

            e[i] = shape == SHAPE_POWER       ? 5.2 * pow(t, 0.26)
                   : shape == SHAPE_LOGARITHM ? 4 + 3.1 * log(t)
                   : shape == SHAPE_HYPERBOLA ? 26 * t / (t + 35)
                   : shape == SHAPE_LOG_CURVE ? -20 + 17 * log(t) - 1.6 * log(t) * log(t)
                                              : 22 - 9 * exp(-0.05 * t) - 12 * exp(-0.006 * t);
            e[i] += i % 2 ? 1e-3 : -1e-3;
        }
        assert_int_equal(shape_fit_all(times, e, 7, 0, fits), 0);
        assert_true(fits[shape].fitted);
        for (int i = 0; i < 7; i++)
            assert_true(fabs(shape_at(&fits[shape], times[i]) - e[i]) < (shape == SHAPE_TWO_RATES ? 0.25 : 0.01));
        for (int other = 0; other < SHAPE_COUNT; other++)
            if (other != shape && fits[other].fitted && shape != SHAPE_TWO_RATES && other != SHAPE_LOG_CURVE
                && other < SHAPE_TWO_RATES)
                assert_true(fits[other].rss > 10 * fits[shape].rss);
    }
    assert_int_equal(shape_fit_all(times, e, 3, 0, (struct shape_fit[SHAPE_COUNT]){ { .fitted = false } }), -ENODATA);
}

static void a_straight_line_has_no_plateau(void **state)
{
    double t[] = { 5, 5, 10, 10, 15, 15, 20, 20 }, e[] = { 1.02, 0.98, 2.05, 1.96, 2.97, 3.04, 4.02, 3.95 };
    struct kinetics_data data = { t, e, 8, NULL, 0, 0 };
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
        struct kinetics_data data = { t[i], e[i], n[i], NULL, 0, 0 };
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
    struct kinetics_data cups = { t, e, 30, NULL, 0, 0 }, times;

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
    struct kinetics_data data = { t, e, 0, NULL, 0, 0 };
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
    struct kinetics_data data = { t, e, 6, NULL, 0, 0 };
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
    struct kinetics_data bent = { misra_x, misra_y, 14, NULL, 0, 0 }, line = { line_t, line_e, 4, NULL, 0, 0 };
    struct kinetics_data few = { boxbod_x, boxbod_y, 6, NULL, 0, 0 };
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
        cmocka_unit_test(a_quick_part_is_shown_only_where_it_is),
        cmocka_unit_test(lack_of_fit_against_replicates),
        cmocka_unit_test(other_shapes_are_known_again),
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
