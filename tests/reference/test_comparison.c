/* Comparisons held against published check values, R on random data, and simulation. */
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

#include "ask_r.h"
#include "poise/comparison.h"

static void assert_close(double value, double expected, double relative)
{
    if (!(fabs(value - expected) <= relative * fmax(fabs(expected), 1e-6)))
        fail_msg("%.12g instead of %.12g", value, expected);
}

/* Two by two, three cups each: filter (0 cloth, 1 paper), stir (0 none, 1 swirl).  Expected values were
 * computed with statsmodels 0.13 and SciPy 1.10. */
static const double cups[] = { 18.05, 18.3, 17.95, 20.1, 19.85, 20.2, 20.9, 21.05, 20.75, 21.3, 21.45, 21.15 };
static const int filter[] = { 0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1 };
static const int stir[] = { 0, 0, 0, 1, 1, 1, 0, 0, 0, 1, 1, 1 };
static const int cell[] = { 0, 0, 0, 1, 1, 1, 2, 2, 2, 3, 3, 3 };

static void two_factors_and_their_interaction(void **state)
{
    struct anova_data data = { cups, filter, stir, NULL, 12 }, one_way = { cups, cell, NULL, NULL, 12 };
    struct anova anova;
    struct why why = { "" };

    (void)state;
    assert_int_equal(compare_anova(&data, &anova, &why), 0);
    assert_close(anova.line[ANOVA_A].f, 447.340909, 1e-8);
    assert_close(anova.line[ANOVA_B].f, 150.613636, 1e-8);
    assert_close(anova.line[ANOVA_INTERACTION].f, 65.522727, 1e-8);
    assert_close(anova.line[ANOVA_INTERACTION].p, 4.012068e-05, 1e-6);
    assert_int_equal(anova.df, 8);
    assert_int_equal(anova.line[ANOVA_BLOCK].df, 0);
    assert_int_equal(compare_anova(&one_way, &anova, &why), 0);
    assert_close(anova.line[ANOVA_A].f, 221.159091, 1e-8);
    assert_int_equal(anova.line[ANOVA_A].df, 3);
}

static void welch_and_the_studentized_range(void **state)
{
    struct difference difference;

    (void)state;
    assert_int_equal(compare_welch((struct sample){ cups, 3 }, (struct sample){ cups + 3, 3 }, 0.95, &difference), 0);
    assert_close(difference.difference, -1.95, 1e-12);
    assert_close(difference.t, -13.247641, 1e-7);
    assert_close(difference.p, 1.876192e-04, 1e-6);
    assert_close(studentized_range_quantile(0.95, 4, 8), 4.528810, 2e-7);
    /* k = 2 is Student's t times the root of two; t(0.975; 10) = 2.228139 (any table) */
    assert_close(studentized_range_quantile(0.95, 2, 10), 2.2281388520 * M_SQRT2, 1e-8);
    /* known spread, two means: 1.959964 times the root of two */
    assert_close(studentized_range_quantile(0.95, 2, INFINITY), 1.9599639845 * M_SQRT2, 1e-8);
    assert_true(isnan(studentized_range_p(1, 1, 5)) && isnan(studentized_range_quantile(1, 3, 5)));
}

static void what_cannot_be_judged_is_not(void **state)
{
    static const double same[] = { 20, 20, 20, 20 }, odd[] = { 1, NAN, 3, 4 };
    static const int two[] = { 0, 0, 1, 1 }, all[] = { 0, 1, 2, 3 }, one[] = { 5, 5, 5, 5 };
    struct anova anova = { .df = 77 };
    struct anova_data data = { same, two, NULL, NULL, 4 };
    struct difference difference = { .p = 0.5 };
    struct why why = { "" };

    (void)state;
    assert_int_equal(compare_anova(&data, &anova, &why), -EDOM);
    data = (struct anova_data){ odd, two, NULL, NULL, 4 };
    assert_int_equal(compare_anova(&data, &anova, &why), -EINVAL);
    data = (struct anova_data){ cups, all, NULL, NULL, 4 };
    assert_int_equal(compare_anova(&data, &anova, &why), -ENODATA);
    assert_non_null(strstr(why.text, "one cup per level"));
    data = (struct anova_data){ cups, one, NULL, NULL, 4 };
    assert_int_equal(compare_anova(&data, &anova, &why), -ENODATA);
    assert_int_equal(anova.df, 77);
    assert_int_equal(compare_welch((struct sample){ cups, 1 }, (struct sample){ cups, 3 }, 0.95, &difference),
                     -ENODATA);
    assert_int_equal(compare_welch((struct sample){ same, 2 }, (struct sample){ same, 2 }, 0.95, &difference), -EDOM);
    assert_true(isnan(equivalence_p(&difference, 0)));
    assert_true(difference.p > 0.49 && difference.p < 0.51);
    assert_true(isnan(sample_mean((struct sample){ cups, 0 })) && isnan(sample_deviation((struct sample){ cups, 1 })));
}

/* A spread taken from elsewhere: z interval by hand, 0.3 * sqrt(1/1 + 1/2) * 1.959964. */
static void a_single_cup_is_judged_by_the_spread_of_others(void **state)
{
    struct level one = { 20, 1, NAN, 0 }, two = { 19, 2, NAN, 0 };
    struct difference difference;

    (void)state;
    assert_int_equal(compare_with_spread(&one, &two, 0.3, INFINITY, 0.95, &difference), 0);
    assert_close(difference.interval.high, 1 + 0.3 * sqrt(1.5) * 1.9599639845, 1e-9);
    assert_int_equal(compare_with_spread(&one, &two, NAN, 0, 0.95, &difference), -ENODATA);
    assert_true(isnan(level_interval(&one, 0.95).low));
}

/* --- R --- */

enum { CUPS = 36, CASES = 6 };

struct random_case {
    double value[CUPS];
    int a[CUPS], b[CUPS], block[CUPS];
    size_t n;
};

/* Unbalanced on purpose: each cup is left out one time in six. */
static void make_case(gsl_rng *random, struct random_case *out)
{
    out->n = 0;
    for (int i = 0; i < CUPS; i++) {
        int a = i % 3, b = i / 3 % 3, block = i / 9;

        if (gsl_rng_uniform(random) < 1 / 6.0)
            continue;
        out->a[out->n] = a;
        out->b[out->n] = b;
        out->block[out->n] = block;
        out->value[out->n++] = 18 + a + 0.5 * b + 0.6 * a * b + 0.3 * block + gsl_ran_gaussian(random, 0.5);
    }
}

static size_t add_text(char *text, size_t size, size_t length, const char *format, ...)
    __attribute__((format(printf, 4, 5)));
static size_t add_text(char *text, size_t size, size_t length, const char *format, ...)
{
    va_list arguments;

    va_start(arguments, format);
    length += (size_t)vsnprintf(text + length, size - length, format, arguments);
    va_end(arguments);
    assert_true(length < size);
    return length;
}

static void check_two_way(const struct random_case *it, const double **answer)
{
    struct anova_data data = { it->value, it->a, it->b, it->block, it->n };
    struct anova anova;
    struct why why;

    assert_int_equal(compare_anova(&data, &anova, &why), 0);
    for (int source = 0; source < ANOVA_SOURCES; source++, *answer += 4) {
        assert_close(anova.line[source].ss, (*answer)[0], 1e-8);
        assert_close((double)anova.line[source].df, (*answer)[1], 1e-12);
        assert_close(anova.line[source].f, (*answer)[2], 1e-8);
        assert_close(anova.line[source].p, (*answer)[3], 1e-7);
    }
    assert_close(anova.rss, (*answer)[0], 1e-9);
    assert_close((double)anova.df, (*answer)[1], 1e-12);
    *answer += 2;
}

static void check_tukey(const struct random_case *it, const double **answer)
{
    struct anova_data data = { it->value, it->a, NULL, NULL, it->n };
    struct anova anova;
    struct level levels[3];
    struct why why;

    assert_int_equal(compare_anova(&data, &anova, &why), 0);
    for (int level = 0; level < 3; level++) {
        double values[CUPS];
        size_t n = 0;

        for (size_t i = 0; i < it->n; i++)
            if (it->a[i] == level)
                values[n++] = it->value[i];
        levels[level] = level_of((struct sample){ values, n });
    }
    for (int low = 0; low < 3; low++)
        for (int high = low + 1; high < 3; high++, *answer += 4) {
            struct difference difference;

            assert_int_equal(compare_tukey(&levels[high], &levels[low], 3, anova.spread, (double)anova.df,
                                           studentized_range_quantile(0.95, 3, (double)anova.df), &difference),
                             0);
            assert_close(difference.difference, (*answer)[0], 1e-8);
            assert_close(difference.interval.low, (*answer)[1], 1e-6);
            assert_close(difference.interval.high, (*answer)[2], 1e-6);
            assert_true(fabs(difference.p - (*answer)[3]) < 1e-7);
        }
}

/* Blocks that lack cups: levels are compared within them. */
static void check_blocks(const struct random_case *it, const double **answer)
{
    struct anova_data data = { it->value, it->a, NULL, it->block, it->n };
    struct anova anova;
    struct why why;

    assert_int_equal(compare_anova(&data, &anova, &why), 0);
    *answer += 6; /* fixed blocks; random ones are held against nlme in test_layout.c */
    assert_close(anova.spread, *(*answer)++, 1e-9);
}

static void check_welch(const struct random_case *it, double margin, const double **answer)
{
    struct sample a = { it->value, 9 }, b = { it->value + 9, it->n - 9 };
    struct difference difference;

    assert_int_equal(compare_welch(a, b, 0.9, &difference), 0);
    assert_close(difference.t, (*answer)[0], 1e-9);
    assert_close(difference.df, (*answer)[1], 1e-9);
    assert_close(difference.p, (*answer)[2], 1e-8);
    assert_close(difference.interval.low, (*answer)[3], 1e-8);
    assert_close(difference.interval.high, (*answer)[4], 1e-8);
    assert_close(equivalence_p(&difference, margin), (*answer)[5], 1e-8);
    assert_int_equal(equivalence_p(&difference, margin) < 0.05,
                     difference.interval.low > -margin && difference.interval.high < margin);
    *answer += 6;
}

static void r_finds_the_same(void **state)
{
    static const double ranges[][3] = { { 3.2, 3, 7 }, { 4.5, 5, 2 }, { 2.1, 12, 40 }, { 9, 4, 3 }, { 6, 30, 200 } };
    static const double powers[][4] = { { 0.8, 0.5, 3, 0.05 }, { 0.2, 0.5, 12, 0.1 }, { 2, 0.7, 2, 0.01 } };
    struct random_case cases[CASES];
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    double answers[512];
    const double *answer = answers;
    char text[65536];
    size_t length = 0;
    int count;

    (void)state;
    gsl_rng_set(random, 20261125);
    for (int i = 0; i < CASES; i++) {
        struct random_case *it = &cases[i];

        make_case(random, it);
        length = add_text(text, sizeof text, length, "two-way");
        for (size_t cup = 0; cup < it->n; cup++)
            length = add_text(text, sizeof text, length, " %.17g,%d,%d,%d", it->value[cup], it->a[cup], it->b[cup],
                              it->block[cup]);
        length = add_text(text, sizeof text, length, "\ntukey");
        for (size_t cup = 0; cup < it->n; cup++)
            length = add_text(text, sizeof text, length, " %.17g,%d", it->value[cup], it->a[cup]);
        length = add_text(text, sizeof text, length, "\nblocks");
        for (size_t cup = 0; cup < it->n; cup++)
            length = add_text(text, sizeof text, length, " %.17g,%d,%d", it->value[cup], it->a[cup], it->block[cup]);
        length = add_text(text, sizeof text, length, "\nwelch 0.9 %d 9", i + 1);
        for (size_t cup = 0; cup < it->n; cup++)
            length = add_text(text, sizeof text, length, " %.17g", it->value[cup]);
        length = add_text(text, sizeof text, length, "\n");
    }
    gsl_rng_free(random);
    for (size_t i = 0; i < sizeof ranges / sizeof *ranges; i++)
        length = add_text(text, sizeof text, length, "range %g %g %g\n", ranges[i][0], ranges[i][1], ranges[i][2]);
    for (size_t i = 0; i < sizeof powers / sizeof *powers; i++)
        length = add_text(text, sizeof text, length, "power %g %g %g %g\n", powers[i][0], powers[i][1], powers[i][2],
                          powers[i][3]);
    count = ask_r("comparison.R", text, answers, 512);
    assert_int_equal(count, CASES * (18 + 12 + 7 + 6) + 2 * 5 + 2 * 3);
    for (int i = 0; i < CASES; i++) {
        check_two_way(&cases[i], &answer);
        check_tukey(&cases[i], &answer);
        check_blocks(&cases[i], &answer);
        check_welch(&cases[i], i + 1, &answer);
    }
    for (size_t i = 0; i < sizeof ranges / sizeof *ranges; i++, answer += 2) {
        assert_close(studentized_range_p(ranges[i][0], (size_t)ranges[i][1], ranges[i][2]), answer[0], 1e-6);
        assert_close(studentized_range_quantile(0.95, (size_t)ranges[i][1], ranges[i][2]), answer[1], 1e-6);
    }
    for (size_t i = 0; i < sizeof powers / sizeof *powers; i++, answer += 2) {
        size_t n = (size_t)powers[i][2];

        assert_close(power_of_difference(powers[i][0], powers[i][1], n, n, 2 * powers[i][2] - 2, powers[i][3]),
                     answer[0], 1e-7);
    }
}

/* --- simulation --- */

static void intervals_of_differences_hold_the_truth(void **state)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    double a[4], b[6];
    int held = 0, shown = 0;

    (void)state;
    gsl_rng_set(random, 2);
    for (int i = 0; i < 1000; i++) {
        struct difference difference;

        for (int cup = 0; cup < 4; cup++)
            a[cup] = 20 + gsl_ran_gaussian(random, 0.3);
        for (int cup = 0; cup < 6; cup++)
            b[cup] = 20 + gsl_ran_gaussian(random, 0.6);
        assert_int_equal(compare_welch((struct sample){ a, 4 }, (struct sample){ b, 6 }, 0.95, &difference), 0);
        held += difference.interval.low <= 0 && difference.interval.high >= 0;
        shown += difference.p < 0.05;
    }
    gsl_rng_free(random);
    assert_in_range(held, 930, 970);
    assert_int_equal(shown, 1000 - held);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(two_factors_and_their_interaction),
        cmocka_unit_test(welch_and_the_studentized_range),
        cmocka_unit_test(what_cannot_be_judged_is_not),
        cmocka_unit_test(a_single_cup_is_judged_by_the_spread_of_others),
        cmocka_unit_test(r_finds_the_same),
        cmocka_unit_test(intervals_of_differences_hold_the_truth),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
