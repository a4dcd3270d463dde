/* Of a thousand simulated experiments, the 95 % interval of each number that a report leads with holds the truth in
 * 930 to 970, which is 950 and not quite three deviations of a binomial count.  Each number is taken the way the
 * report takes it, choice of model included; seeds are fixed. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>

#include "poise/comparison.h"
#include "poise/design.h"
#include "poise/kinetics.h"
#include "poise/layout.h"
#include "poise/trend.h"

enum { EXPERIMENTS = 1000, LEAST = 930, MOST = 970 };

static gsl_rng *chance;

static int begin(void **state)
{
    (void)state;
    chance = gsl_rng_alloc(gsl_rng_mt19937);
    return chance ? 0 : -1;
}

static int end(void **state)
{
    (void)state;
    gsl_rng_free(chance);
    return 0;
}

static bool holds(struct interval interval, double truth)
{
    return interval.low <= truth && truth <= interval.high;
}

/* --- against time --- */

static const double steep_s[] = { 30, 60, 100, 160, 240, 400 };

enum { TIMES = sizeof steep_s / sizeof *steep_s, REPEATS = 3 };

static size_t brew(const struct kinetics_fit *truth, double spread, double *t, double *e)
{
    size_t n = 0;

    for (int time = 0; time < TIMES; time++)
        for (int repeat = 0; repeat < REPEATS; repeat++, n++) {
            t[n] = steep_s[time] + gsl_ran_gaussian(chance, 1);
            e[n] = kinetics_at(truth, t[n]) + gsl_ran_gaussian(chance, spread);
        }
    return n;
}

enum { QUESTIONS = 5 };
static const struct kinetics_question questions[QUESTIONS] = {
    { QUANTITY_OF_PLATEAU, 0, 0, 0 }, { QUANTITY_OF_RATE, 0, 0, 0 },       { QUANTITY_OF_SHARE, 0.95, 0, 0 },
    { QUANTITY_OF_GAIN, 0, 30, 0.3 }, { QUANTITY_OF_DOUBLING, 0, 0, 0.5 },
};

static void count_curves(const struct kinetics_fit *truth, double spread, int held[QUESTIONS])
{
    double t[TIMES * REPEATS], e[TIMES * REPEATS];

    for (int i = 0; i < EXPERIMENTS; i++) {
        struct kinetics_data data = { t, e, brew(truth, spread, t, e), NULL, 0, 0 };
        struct kinetics_fit fit;
        struct why why;

        assert_int_equal(kinetics_choose(&data, &fit, NULL, &why), 0);
        for (int question = 0; question < QUESTIONS; question++) {
            struct interval interval = { NAN, NAN };

            kinetics_interval(&data, &fit, &questions[question], 0.95, &interval);
            held[question] += holds(interval, kinetics_answer(truth, &questions[question]));
        }
    }
}

static void a_curve_and_where_its_returns_diminish(void **state)
{
    static const struct kinetics_fit plain = { .value = { 22, 0.018, 0 } };
    static const struct kinetics_fit quick = { .quick = true, .value = { 22, 0.015, 6 } };
    int held[QUESTIONS] = { 0 }, held_quick[QUESTIONS] = { 0 };

    (void)state;
    gsl_rng_set(chance, 1);
    count_curves(&plain, 0.3, held);
    count_curves(&quick, 0.3, held_quick);
    for (int question = 0; question < QUESTIONS; question++) {
        assert_in_range(held[question], LEAST, MOST);
        assert_in_range(held_quick[question], LEAST, MOST);
    }
}

static void two_curves_compared(void **state)
{
    static const struct kinetics_fit coarse = { .value = { 19.5, 0.012, 0 } }, fine = { .value = { 22.5, 0.03, 0 } };
    static const struct kinetics_question plateau = { QUANTITY_OF_PLATEAU, 0, 0, 0 };
    static const struct kinetics_question rate = { QUANTITY_OF_RATE, 0, 0, 0 };
    double t[2][TIMES * REPEATS], e[2][TIMES * REPEATS];
    int held_plateau = 0, held_rate = 0;

    (void)state;
    gsl_rng_set(chance, 2);
    for (int i = 0; i < EXPERIMENTS; i++) {
        struct kinetics_fit fit[2];
        struct interval of_plateau[2], of_rate[2];
        struct why why;

        for (int curve = 0; curve < 2; curve++) {
            struct kinetics_data data = { t[curve], e[curve], 0, NULL, 0, 0 };

            data.n = brew(curve ? &fine : &coarse, 0.3, t[curve], e[curve]);
            assert_int_equal(kinetics_choose(&data, &fit[curve], NULL, &why), 0);
            assert_int_equal(kinetics_interval(&data, &fit[curve], &plateau, 0.95, &of_plateau[curve]), 0);
            assert_int_equal(kinetics_interval(&data, &fit[curve], &rate, 0.95, &of_rate[curve]), 0);
        }
        held_plateau += holds(kinetics_difference(fit[0].value[KINETICS_PLATEAU], of_plateau[0],
                                                  fit[1].value[KINETICS_PLATEAU], of_plateau[1]),
                              19.5 - 22.5);
        held_rate +=
            holds(kinetics_difference(fit[0].value[KINETICS_RATE], of_rate[0], fit[1].value[KINETICS_RATE], of_rate[1]),
                  0.012 - 0.03);
    }
    assert_in_range(held_plateau, LEAST, MOST);
    assert_in_range(held_rate, LEAST, MOST);
}

/* --- levels --- */

enum { LEVELS = 4, CUPS = 3 };
static const double level_truth[LEVELS] = { 18, 19.5, 19.5, 20.2 };

static void levels_and_all_their_differences_together(void **state)
{
    const double quantile = studentized_range_quantile(0.95, LEVELS, LEVELS * (CUPS - 1));
    int held_level = 0, held_all = 0;

    (void)state;
    gsl_rng_set(chance, 3);
    for (int i = 0; i < EXPERIMENTS; i++) {
        double value[LEVELS * CUPS];
        int a[LEVELS * CUPS];
        struct anova_data data = { value, a, NULL, NULL, LEVELS * CUPS };
        struct level level[LEVELS];
        struct anova anova;
        struct interval own;
        struct why why;
        bool all = true;

        for (int cup = 0; cup < LEVELS * CUPS; cup++) {
            a[cup] = cup / CUPS;
            value[cup] = level_truth[a[cup]] + gsl_ran_gaussian(chance, 0.35);
        }
        for (int j = 0; j < LEVELS; j++)
            level[j] = level_of((struct sample){ value + j * CUPS, CUPS });
        own = level_interval(&level[0], 0.95);
        held_level += holds(own, level_truth[0]);
        assert_int_equal(compare_anova(&data, &anova, &why), 0);
        for (int one = 0; one < LEVELS; one++)
            for (int other = 0; other < one; other++) {
                struct difference difference;

                assert_int_equal(compare_tukey(&level[one], &level[other], LEVELS, anova.spread, (double)anova.df,
                                               quantile, &difference),
                                 0);
                all = all && holds(difference.interval, level_truth[one] - level_truth[other]);
            }
        held_all += all;
    }
    assert_in_range(held_level, LEAST, MOST);
    assert_in_range(held_all, LEAST, MOST);
}

/* Three sittings that lie far apart, and a cup of one is missing: the sitting is not charged to the level. */
static void levels_and_a_sitting_without_one_of_them(void **state)
{
    enum { SITTINGS = 3, SOME = LEVELS * SITTINGS - 1 };
    static const double sitting[SITTINGS] = { 0, 3, -3 };
    const size_t df = SOME - LEVELS - SITTINGS + 1;
    const double quantile = studentized_range_quantile(0.95, LEVELS, (double)df);
    int held_all = 0;

    (void)state;
    gsl_rng_set(chance, 11);
    for (int i = 0; i < EXPERIMENTS; i++) {
        double value[SOME];
        int a[SOME], block[SOME];
        struct layout layout = { value, a, block, SOME, LEVELS, NULL, false, NAN, 0 };
        struct layout_result result;
        struct why why;
        bool all = true;

        for (int cup = 0; cup < SOME; cup++) { /* the last cup of the last sitting is not there */
            a[cup] = cup % LEVELS;
            block[cup] = cup / LEVELS;
            value[cup] = level_truth[a[cup]] + sitting[block[cup]] + gsl_ran_gaussian(chance, 0.35);
        }
        assert_int_equal(layout_blocks(&layout, &result, &why), 0);
        assert_true(result.df == (double)df);
        for (size_t one = 0; one < LEVELS; one++)
            for (size_t other = 0; other < one; other++) {
                double error = sqrt(result.covariance[one * (LEVELS + 1)] + result.covariance[other * (LEVELS + 1)]
                                    - 2 * result.covariance[one * LEVELS + other]);
                struct difference difference;

                assert_int_equal(compare_tukey_of(result.mean[one] - result.mean[other], error, LEVELS, (double)df,
                                                  quantile, &difference),
                                 0);
                all = all && holds(difference.interval, level_truth[one] - level_truth[other]);
            }
        held_all += all;
    }
    assert_in_range(held_all, LEAST, MOST);
}

/* Cups of another experiment show the spread, one cup of each level is here. */
static void single_cups_by_the_spread_of_others(void **state)
{
    int held = 0;

    (void)state;
    gsl_rng_set(chance, 4);
    for (int i = 0; i < EXPERIMENTS; i++) {
        double others[5], value[2];
        struct level one, two;
        struct difference difference;

        for (int cup = 0; cup < 5; cup++)
            others[cup] = gsl_ran_gaussian(chance, 0.4);
        value[0] = 20 + gsl_ran_gaussian(chance, 0.4);
        value[1] = 19 + gsl_ran_gaussian(chance, 0.4);
        one = level_of((struct sample){ value, 1 });
        two = level_of((struct sample){ value + 1, 1 });
        assert_int_equal(
            compare_with_spread(&one, &two, sample_deviation((struct sample){ others, 5 }), 4, 0.95, &difference), 0);
        held += holds(difference.interval, 1);
    }
    assert_in_range(held, LEAST, MOST);
}

/* Two levels just a margin apart are called the same one time in twenty. */
static void equality_errs_as_often_as_it_says(void **state)
{
    enum { N = 8 };
    const double spread = 0.3, margin = 0.6;
    int same = 0;

    (void)state;
    gsl_rng_set(chance, 5);
    for (int i = 0; i < EXPERIMENTS; i++) {
        double a[N], b[N];
        struct difference difference;

        for (int cup = 0; cup < N; cup++) {
            a[cup] = 20 + gsl_ran_gaussian(chance, spread);
            b[cup] = 20 + margin + gsl_ran_gaussian(chance, spread);
        }
        assert_int_equal(compare_welch((struct sample){ b, N }, (struct sample){ a, N }, 0.95, &difference), 0);
        same += equivalence_p(&difference, margin) < 0.05;
    }
    assert_in_range(EXPERIMENTS - same, LEAST, MOST);
}

/* What a plan promises to show four times out of five is shown so often, by the very test the report uses: two levels
 * in replicates, several levels with their own spreads, a number along a line. */
static void a_plan_promises_what_its_report_shows(void **state)
{
    static const struct {
        int levels, replicates;
        bool line;
    } plans[] = { { 2, 5, false }, { 2, 12, false }, { 4, 4, false }, { 3, 2, false }, { 5, 3, true } };

    (void)state;
    gsl_rng_set(chance, 13);
    for (size_t place = 0; place < sizeof plans / sizeof *plans; place++) {
        struct plan plan = { .replicates = plans[place].replicates, .factors = 1, .difference = NAN, .spread = 0.3 };
        int levels = plans[place].levels, shown = 0;
        struct design design;

        plan.vary[0].levels = levels;
        plan.vary[0].measure = -1;
        for (int level = 0; level < levels; level++)
            plan.vary[0].level[level].number = plans[place].line ? 10.0 * level : (double)NAN;
        design_judge(&plan, &design);
        for (int i = 0; i < EXPERIMENTS / 2; i++) {
            double value[60], x[60];
            int level[60], block[60];
            size_t n = (size_t)(levels * plan.replicates);
            struct layout layout = { value, level, block, n, (size_t)levels, NULL, false, NAN, 0 };
            struct layout_result result;
            struct difference difference;
            struct trend_family family;
            struct why why;

            for (size_t cup = 0; cup < n; cup++) {
                level[cup] = (int)cup % levels;
                block[cup] = (int)cup / levels;
                x[cup] = level[cup];
                value[cup] =
                    20 + gsl_ran_gaussian(chance, 0.3)
                    + design.smallest_difference * (plans[place].line ? level[cup] / (levels - 1.0) : level[cup] == 0);
            }
            if (plans[place].line) {
                trend_family(x, value, n, (size_t)plan.replicates - 1, NAN, &family);
                shown += family.line < 0.05 * TREND_LINE_SHARE;
                continue;
            }
            assert_int_equal(layout_analyse(&layout, &result, &why), 0);
            assert_int_equal(layout_pair(&result, 0, 1, (size_t)levels, 0.95, &difference), 0);
            shown += difference.p < 0.05;
        }
        /* 80 % of 500 with three deviations; a test that sometimes has more degrees of freedom may show more */
        if (shown < 373 || shown > 445)
            fail_msg("plan %zu: shown %d times of %d", place, shown, EXPERIMENTS / 2);
    }
}

/* --- along a number --- */

enum { PLACES = 9, TWICE = 2 };

static void make_series(double slope, double drop, double spread, double *x, double *y)
{
    for (int i = 0; i < PLACES * TWICE; i++) {
        x[i] = 8 + 6 * (i % PLACES) + gsl_ran_gaussian(chance, 0.8);
        y[i] = 18 + slope * fmin(x[i] - 34, 0) + (slope - drop) * fmax(x[i] - 34, 0) + gsl_ran_gaussian(chance, spread);
    }
}

static void the_change_along_a_line(void **state)
{
    double x[PLACES * TWICE], y[PLACES * TWICE];
    int held = 0;

    (void)state;
    gsl_rng_set(chance, 6);
    for (int i = 0; i < EXPERIMENTS; i++) {
        struct interval slope;
        struct trend trend;
        struct why why;

        make_series(0.03, 0, 0.3, x, y);
        assert_int_equal(trend_choose(x, y, PLACES * TWICE, &trend, &why), 0);
        trend_slope_at(&trend, 32, 0.95, &slope);
        held += holds(slope, 0.03);
    }
    assert_in_range(held, LEAST, MOST);
}

static void the_place_of_a_break_and_the_slope_beyond(void **state)
{
    double x[PLACES * TWICE], y[PLACES * TWICE];
    int held = 0, held_slope = 0;

    (void)state;
    gsl_rng_set(chance, 7);
    for (int i = 0; i < EXPERIMENTS; i++) {
        struct trend_break found;
        struct why why;

        make_series(0.06, 0.11, 0.25, x, y);
        assert_int_equal(trend_find_break(x, y, PLACES * TWICE, 0, 1, 1, &found, &why), 0);
        held += holds(found.at_interval, 34);
        held_slope += holds(found.slope_after_interval, -0.05);
    }
    assert_in_range(held, LEAST, MOST);
    assert_in_range(held_slope, LEAST, MOST);
}

/* Where a curve turns; what does not turn says so. */
static void where_a_curve_turns(void **state)
{
    enum { CURVED = 18 };
    double x[CURVED], y[CURVED];
    int held = 0, shown = 0, straight = 0;

    (void)state;
    gsl_rng_set(chance, 12);
    for (int i = 0; i < EXPERIMENTS; i++) {
        struct trend trend;
        struct interval interval;
        struct why why;
        double at;

        for (int cup = 0; cup < CURVED; cup++) {
            x[cup] = 78 + 4 * (cup % 6);
            y[cup] = 20 - 0.02 * pow(x[cup] - 87, 2) + gsl_ran_gaussian(chance, 0.25);
        }
        assert_int_equal(trend_fit(x, y, CURVED, 2, &trend, &why), 0);
        if (trend_turn(&trend, 78, 98, 0.95, &at, &interval) == 0) {
            shown++;
            held += holds(interval, 87);
            assert_true(holds(interval, at));
        }
        for (int cup = 0; cup < CURVED; cup++)
            y[cup] = 20 + 0.05 * x[cup] + gsl_ran_gaussian(chance, 0.25);
        assert_int_equal(trend_fit(x, y, CURVED, 2, &trend, &why), 0);
        straight += trend_turn(&trend, 78, 98, 0.95, &at, &interval) == 0;
    }
    assert_true(shown > 990);
    assert_in_range(held, LEAST, MOST);
    assert_true(straight < 10);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(where_a_curve_turns),
        cmocka_unit_test(a_curve_and_where_its_returns_diminish),
        cmocka_unit_test(two_curves_compared),
        cmocka_unit_test(levels_and_all_their_differences_together),
        cmocka_unit_test(levels_and_a_sitting_without_one_of_them),
        cmocka_unit_test(single_cups_by_the_spread_of_others),
        cmocka_unit_test(equality_errs_as_often_as_it_says),
        cmocka_unit_test(a_plan_promises_what_its_report_shows),
        cmocka_unit_test(the_change_along_a_line),
        cmocka_unit_test(the_place_of_a_break_and_the_slope_beyond),
    };

    return cmocka_run_group_tests(tests, begin, end);
}
