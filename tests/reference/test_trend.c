/* Lines, curves and breaks, held against R on random data and against simulation. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "ask_r.h"
#include "poise/trend.h"

static void assert_close(double value, double expected, double relative)
{
    if (!(fabs(value - expected) <= relative * fmax(fabs(expected), 1e-6)))
        fail_msg("%.12g instead of %.12g", value, expected);
}

enum { CUPS = 18, CASES = 4 };

/* Extraction against pressure: up to `top` and down again. */
static void make_tent(gsl_rng *random, double top, double fall, double spread, double *x, double *y)
{
    for (int i = 0; i < CUPS; i++) {
        x[i] = 8 + 6 * (i % 9);
        y[i] = 18 + 0.08 * fmin(x[i], top) - fall * fmax(x[i] - top, 0) + gsl_ran_gaussian(random, spread);
    }
}

static size_t write_question(char *text, size_t size, size_t length, const char *kind, double at, const double *x,
                             const double *y)
{
    length += (size_t)snprintf(text + length, size - length, "%s %.17g", kind, at);
    for (int i = 0; i < CUPS; i++)
        length += (size_t)snprintf(text + length, size - length, " %.17g,%.17g", x[i], y[i]);
    length += (size_t)snprintf(text + length, size - length, "\n");
    assert_true(length < size);
    return length;
}

static void check_polynomial(const double *x, const double *y, int degree, double at, const double **answer)
{
    struct trend trend;
    struct interval slope, mean;
    struct why why;
    double quantile = gsl_cdf_tdist_Pinv(0.975, CUPS - degree - 1);

    assert_int_equal(trend_fit(x, y, CUPS, degree, &trend, &why), 0);
    *answer += degree;
    assert_close(trend_at(&trend, 0), *(*answer - degree), 1e-8);
    assert_close(trend_at(&trend, at), (*answer)[1], 1e-9);
    assert_close(trend_error_at(&trend, at), (*answer)[2], 1e-8);
    mean = trend_interval_at(&trend, at, 0.95);
    assert_close(mean.high - mean.low, 2 * quantile * (*answer)[2], 1e-8);
    assert_close(trend.rss, (*answer)[3], 1e-8);
    assert_close(trend_slope_at(&trend, at, 0.95, &slope), (*answer)[4], 1e-7);
    assert_close(slope.high - slope.low, 2 * quantile * (*answer)[5], 1e-7);
    *answer += 6;
}

static void r_finds_the_same(void **state)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    static double x[CASES][CUPS], y[CASES][CUPS], answers[160];
    struct trend_break breaks[CASES];
    char text[32768];
    const double *answer = answers;
    size_t length = 0;
    struct why why;

    (void)state;
    gsl_rng_set(random, 20261125);
    for (int i = 0; i < CASES; i++) {
        make_tent(random, 34, 0.05, 0.2, x[i], y[i]);
        assert_int_equal(trend_find_break(x[i], y[i], CUPS, 0, 99, 7, &breaks[i], &why), 0);
        length = write_question(text, sizeof text, length, "line", 20 + i, x[i], y[i]);
        length = write_question(text, sizeof text, length, "curve", 20 + i, x[i], y[i]);
        length = write_question(text, sizeof text, length, "break", breaks[i].at, x[i], y[i]);
    }
    gsl_rng_free(random);
    assert_int_equal(ask_r("trend.R", text, answers, 160), CASES * (7 + 8 + 7));
    for (int i = 0; i < CASES; i++) {
        double rss_line = answer[4];

        check_polynomial(x[i], y[i], 1, 20 + i, &answer);
        check_polynomial(x[i], y[i], 2, 20 + i, &answer);
        assert_close(breaks[i].f, (rss_line - answer[0]) / 2 / (answer[0] / (CUPS - 4)), 1e-7);
        assert_close(breaks[i].slope_before, answer[1], 1e-8);
        assert_close(breaks[i].slope_after, answer[2], 1e-8);
        assert_close(breaks[i].at_interval.low, answer[3], 1e-7);
        assert_close(breaks[i].at_interval.high, answer[4], 1e-7);
        assert_close(breaks[i].slope_after_interval.low, answer[5], 1e-7);
        assert_close(breaks[i].slope_after_interval.high, answer[6], 1e-7);
        assert_true(breaks[i].at_interval.low <= 34 && breaks[i].at_interval.high >= 34);
        assert_true(breaks[i].p < 0.02 && breaks[i].slope_after_interval.high < 0);
        answer += 7;
    }
}

/* Where there is none, a break is shown as often as chance says: one time in twenty. */
static void a_straight_series_shows_no_break_but_by_chance(void **state)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    double x[CUPS], y[CUPS];
    int shown = 0;

    (void)state;
    gsl_rng_set(random, 3);
    for (int i = 0; i < 400; i++) {
        struct trend_break found;
        struct why why;

        make_tent(random, 1000, 0, 0.3, x, y);
        assert_int_equal(trend_find_break(x, y, CUPS, 0, 59, (unsigned long)i, &found, &why), 0);
        shown += found.p <= 0.05;
    }
    gsl_rng_free(random);
    assert_in_range(shown, 6, 34); /* 20 expected; binomial, more than three deviations either way */
}

/* The same with so many cups that they are no longer shuffled one by one. */
static void nor_does_a_long_one(void **state)
{
    enum { MANY = 1200, SERIES = 400 };
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    static double x[MANY], y[MANY];
    int shown = 0;

    (void)state;
    gsl_rng_set(random, 9);
    for (int i = 0; i < SERIES; i++) {
        struct trend_break found;
        struct why why;

        for (int cup = 0; cup < MANY; cup++) {
            x[cup] = 8 + 6 * (cup % 9);
            y[cup] = 18 + 0.08 * x[cup] + gsl_ran_gaussian(random, 0.3);
        }
        assert_int_equal(trend_find_break(x, y, MANY, 0, 59, (unsigned long)i, &found, &why), 0);
        shown += found.p <= 0.05;
    }
    gsl_rng_free(random);
    assert_in_range(shown, 6, 34);
}

static void a_curve_is_taken_only_where_it_bends(void **state)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    double x[CUPS], y[CUPS];
    struct trend trend;
    struct why why;
    int bent = 0;

    (void)state;
    gsl_rng_set(random, 5);
    for (int i = 0; i < 100; i++) {
        make_tent(random, 1000, 0, 0.3, x, y);
        assert_int_equal(trend_choose(x, y, CUPS, &trend, &why), 0);
        bent += trend.degree == 2;
    }
    assert_true(bent <= 10);
    make_tent(random, 30, 0.06, 0.1, x, y);
    assert_int_equal(trend_choose(x, y, CUPS, &trend, &why), 0);
    assert_int_equal(trend.degree, 2);
    gsl_rng_free(random);
}

/* With the spread held, the formula must agree with the covariance of the longer series itself. */
static void more_cups_shrink_the_slope_as_a_new_fit_says(void **state)
{
    double x[9] = { 10, 20, 30, 40, 50, 60, 25, 55, 55 }, y[9] = { 18, 18.5, 19.2, 19.3, 20, 20.1, 19, 20, 20.2 };
    struct trend before, after;
    struct interval of_before, of_after;
    struct why why;

    (void)state;
    for (int degree = 1; degree <= 2; degree++) {
        double ratio;

        assert_int_equal(trend_fit(x, y, 7, degree, &before, &why), 0);
        assert_int_equal(trend_fit(x, y, 9, degree, &after, &why), 0);
        trend_slope_at(&before, 35, 0.95, &of_before);
        trend_slope_at(&after, 35, 0.95, &of_after);
        ratio = (of_after.high - of_after.low) / gsl_cdf_tdist_Pinv(0.975, (double)after.df) / after.spread
                / ((of_before.high - of_before.low) / gsl_cdf_tdist_Pinv(0.975, (double)before.df) / before.spread);
        assert_close(trend_shrinks(&before, 35, 55, 2), ratio, 1e-9);
    }
}

static void bad_series_are_refused(void **state)
{
    double x[6] = { 1, 1, 2, 2, 3, 3 }, y[6] = { 5, 6, 7, 8, 9, 10 };
    struct trend trend = { .n = 77 };
    struct trend_break found = { .p = 77 };
    struct why why = { "" };

    (void)state;
    assert_int_equal(trend_fit(x, y, 2, 1, &trend, &why), -ENODATA);
    assert_int_equal(trend_fit(x, y, 0, 1, &trend, &why), -ENODATA);
    assert_int_equal(trend_fit(x, y, 6, 3, &trend, &why), -EINVAL);
    assert_int_equal(trend_find_break(x, y, 6, 0, 99, 1, &found, &why), -ENODATA);
    y[3] = INFINITY;
    assert_int_equal(trend_choose(x, y, 6, &trend, &why), -EINVAL);
    for (int i = 0; i < 6; i++)
        x[i] = y[i] = i;
    assert_int_equal(trend_find_break(x, y, 6, 0, 99, 1, &found, &why), -EDOM);
    assert_int_equal(trend.n, 77);
    assert_true(found.p > 76);
}

/* The covariance of the four unknowns by solve(crossprod(gradients)) in R: x 8 to 56 by 6, two cups each, a break
 * at 34, slopes 0.06 and -0.05; then three cups more at 32. */
/* Cups all but on the curve: the turn is known to less than the steps by which its interval is looked for. */
static void a_turn_without_scatter_has_a_place(void **state)
{
    double x[7], y[7], at;
    struct trend trend;
    struct interval turn;
    struct why why;

    (void)state;
    for (int i = 0; i < 7; i++) {
        x[i] = 78 + 3 * i;
        y[i] = 20 - 0.02 * pow(x[i] - 86.123456, 2) + (i % 2 ? 1e-7 : -1e-7);
    }
    assert_int_equal(trend_fit(x, y, 7, 2, &trend, &why), 0);
    assert_int_equal(trend_turn(&trend, 78, 96, 0.95, &at, &turn), 0);
    assert_close(at, 86.123456, 1e-6);
    assert_true(turn.low <= at && at <= turn.high && turn.high - turn.low < 0.02);
}

static void more_cups_report_the_place_of_a_break(void **state)
{
    struct trend_break broken = { .at = 34, .slope_before = 0.06, .slope_after = -0.05 };
    double x[CUPS];

    (void)state;
    for (int i = 0; i < CUPS; i++)
        x[i] = 8 + 6 * (i % 9);
    assert_close(trend_break_shrinks(x, CUPS, &broken, 32, 3), 0.9047164179, 1e-8);
    assert_close(trend_break_shrinks(x, CUPS, &broken, 32, 0), 1, 1e-12);
    assert_true(isnan(trend_break_shrinks(x, 2, &broken, 32, 1)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_turn_without_scatter_has_a_place),
        cmocka_unit_test(more_cups_report_the_place_of_a_break),
        cmocka_unit_test(r_finds_the_same),
        cmocka_unit_test(a_straight_series_shows_no_break_but_by_chance),
        cmocka_unit_test(nor_does_a_long_one),
        cmocka_unit_test(a_curve_is_taken_only_where_it_bends),
        cmocka_unit_test(more_cups_shrink_the_slope_as_a_new_fit_says),
        cmocka_unit_test(bad_series_are_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
