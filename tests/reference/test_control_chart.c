/* How often charts alarm falsely and how soon they see a change, counted and held against published run lengths:
 * NIST/SEMATECH e-Handbook 6.3.2.3 and Page, Biometrika 41, 1954 (cusum_arl.csv, whose head says how it was computed).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>

#include "poise/control_chart.h"

enum { RUNS = 1000, KNOWN = 400, LONGEST = 20000 };

/* The two-sided run length of the table for our reference value and limit, at a shift of so many deviations. */
static double published(double shift)
{
    FILE *file = fopen(TEST_FOLDER "/cusum_arl.csv", "r");
    double k, h, d, one_sided, two_sided, found = NAN;
    char line[400];

    assert_non_null(file);
    while (fgets(line, sizeof line, file))
        if (sscanf(line, "%lf,%lf,%lf,%lf,%lf", &k, &h, &d, &one_sided, &two_sided) == 5 && k == CONTROL_REFERENCE
            && h == CONTROL_LIMIT && d == shift)
            found = two_sided;
    fclose(file);
    assert_false(isnan(found));
    return found;
}

enum which { CUSUM, SHEWHART, EITHER };

/* Mean values until the alarm, after `known` quiet ones without one, with its standard error. */
static double run_length(gsl_rng *random, int known, double shift, enum which which, double *error)
{
    double sum = 0, squares = 0;

    for (int run = 0; run < RUNS; run++) {
        struct control_chart chart = { .count = 0 };
        struct control_alarm alarm;
        int length = 0;
        bool is_over = false;

        for (int i = 0; i < known; i++)
            control_take(&chart, gsl_ran_gaussian(random, 0.01), &alarm);
        chart.up = chart.down = 0;
        while (!is_over && length < LONGEST) {
            control_take(&chart, gsl_ran_gaussian(random, 0.01) + 0.01 * shift, &alarm);
            is_over = which == CUSUM ? alarm.cusum : which == SHEWHART ? alarm.shewhart : alarm.cusum || alarm.shewhart;
            length++;
        }
        sum += length;
        squares += (double)length * length;
    }
    *error = sqrt((squares / RUNS - sum * sum / RUNS / RUNS) / RUNS);
    return sum / RUNS;
}

/* From the first value on: 465 for the CUSUM (168 would be that of a limit of 4), 2149 for 3.5 deviations (the normal
 * tail, R: 1 / (2 * pnorm(-3.5))). */
static void false_alarms_are_as_rare_as_the_table_says(void **state)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    double error, length = run_length(random, 0, 0, CUSUM, &error);

    (void)state;
    printf("a false alarm of the CUSUM in %.0f +- %.0f\n", length, error);
    assert_true(fabs(length - published(0) - 3) < 4 * error); /* the first three values cannot alarm */
    assert_true(fabs(published(0) - 465) < 1);
    length = run_length(random, 0, 0, SHEWHART, &error);
    printf("of a single value in %.0f +- %.0f\n", length, error);
    assert_true(fabs(length - 2149.3 - 3) < 4 * error);
    length = run_length(random, 0, 0, EITHER, &error);
    printf("of either in %.0f +- %.0f\n", length, error);
    assert_true(fabs(length - 395) < 4 * error);
    gsl_rng_free(random);
}

/* Once the process is well known a shift is seen as soon as the table says; a large one by the single value. */
static void a_change_is_seen_as_soon_as_the_table_says(void **state)
{
    static const double shifts[] = { 0.75, 1, 1.5, 2, 3 };
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    double error, length;

    (void)state;
    for (size_t i = 0; i < sizeof shifts / sizeof *shifts; i++) {
        length = run_length(random, KNOWN, shifts[i], CUSUM, &error);
        printf("a shift by %.2f is seen after %.2f +- %.2f, by the table %.2f\n", shifts[i], length, error,
               published(shifts[i]));
        /* what came before is estimated, and the shift creeps into it: a little later than the table */
        assert_true(length > published(shifts[i]) - 4 * error && length < 1.12 * published(shifts[i]) + 4 * error);
    }
    assert_true(fabs(published(1) - 10.4) < 0.05);
    assert_true(run_length(random, KNOWN, 5, EITHER, &error) < 1.2);
    gsl_rng_free(random);
}

/* Forty blanks about 0.00, then about 0.03: since when, from what and to what. */
static void an_alarm_names_when_it_began(void **state)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    struct control_chart chart = { .count = 0 };
    struct control_alarm alarm;
    int place = 0;

    (void)state;
    for (; place < 40; place++)
        assert_false(control_take(&chart, gsl_ran_gaussian(random, 0.01), &alarm));
    while (!control_take(&chart, 0.03 + gsl_ran_gaussian(random, 0.01), &alarm) && place < 80)
        place++;
    assert_true(place < 46);
    assert_true(alarm.since >= 37 && alarm.since <= 41);
    assert_true(fabs(alarm.before) < 0.005 && fabs(alarm.after - 0.03) < 0.012);
    control_again(&chart);
    assert_false(control_take(&chart, 0.03, &alarm));
    assert_int_equal(chart.count, 1);
    gsl_rng_free(random);
}

/* A scale that always comes back to the same digit has no spread: nothing is made of the first that differs. */
static void values_all_alike_alarm_nothing(void **state)
{
    struct control_chart chart = { .count = 0 };
    struct control_alarm alarm;

    (void)state;
    for (int i = 0; i < 50; i++)
        assert_false(control_take(&chart, 200.0, &alarm));
    assert_false(control_take(&chart, 200.1, &alarm));
    assert_true(alarm.deviate == 0);
    /* with its last digit known it is no riddle: one step of it now and then is nothing, for good it is a change */
    control_again(&chart);
    chart.least_spread = 0.05;
    for (int i = 0; i < 50; i++)
        assert_false(control_take(&chart, 200.0 + 0.1 * (i % 7 == 3), &alarm));
    for (int i = 0; i < 3; i++)
        control_take(&chart, 200.2, &alarm);
    assert_true(alarm.cusum && alarm.since >= 49);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(false_alarms_are_as_rare_as_the_table_says),
        cmocka_unit_test(a_change_is_seen_as_soon_as_the_table_says),
        cmocka_unit_test(an_alarm_names_when_it_began),
        cmocka_unit_test(values_all_alike_alarm_nothing),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
