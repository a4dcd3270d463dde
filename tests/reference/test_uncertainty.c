/* Uncertainty against JCGM 100:2008 and, as a second opinion, the Monte Carlo method of JCGM 101:2008
 * with GSL's random numbers. */
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_statistics.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "poise/brew.h"
#include "poise/budget.h"
#include "poise/uncertainty.h"

enum { TRIALS = 200000 }; /* spread of a standard deviation from so many: 0.16 %, three of them 0.5 % */

/* JCGM 100:2008, F.2.2.1: a last digit worth d has variance d2 / 12, "u = 0,29 d". */
static void the_last_digit(void **state)
{
    (void)state;
    assert_true(fabs(uncertainty_of_resolution(1) - 0.2886751346) < 1e-9);
    assert_true(uncertainty_of_resolution(0) == 0);
    assert_true(isnan(uncertainty_of_resolution(-1)));
    assert_true(isnan(uncertainty_of_resolution(NAN)));
    assert_true(fabs(uncertainty_of_digits("1.40") - 0.002886751346) < 1e-11);
    assert_true(fabs(uncertainty_of_digits("-230") - 0.2886751346) < 1e-9);
    assert_true(fabs(uncertainty_of_digits("230.") - 0.2886751346) < 1e-9);
    assert_true(fabs(uncertainty_of_digits(".5") - 0.02886751346) < 1e-10);
    assert_true(isnan(uncertainty_of_digits("2e2")));
    assert_true(isnan(uncertainty_of_digits("")));
}

/* JCGM 100:2008, 4.4.3 and table 1: twenty temperatures, mean 100,14 °C, s 1,489 °C, u of the mean 0,333 °C. */
static void the_mean_of_repeated_readings(void **state)
{
    static const double temperatures[] = { 96.90,  98.18,  98.25,  98.61,  99.03,  99.49,  99.56,
                                           99.74,  99.89,  100.07, 100.33, 100.42, 100.68, 100.95,
                                           101.11, 101.20, 101.57, 101.84, 102.36, 102.72 };
    double u = uncertainty_of_mean(temperatures, 20);

    (void)state;
    assert_true(fabs(u - 0.333) < 0.0005);
    assert_true(fabs(u - gsl_stats_sd(temperatures, 1, 20) / sqrt(20)) < 1e-12);
    assert_true(isnan(uncertainty_of_mean(temperatures, 1)));
    assert_true(isnan(uncertainty_of_mean(temperatures, 0)));
    assert_true(isnan(uncertainty_of_mean((const double[]){ 1, NAN, 3 }, 3)));
}

static void independent_parts(void **state)
{
    (void)state;
    assert_true(uncertainty_combined((const double[]){ 3, 4 }, 2) == 5);
    assert_true(uncertainty_combined((const double[]){ 3, NAN, 4 }, 3) == 5);
    assert_true(isnan(uncertainty_combined((const double[]){ NAN }, 1)));
    assert_true(isnan(uncertainty_combined(NULL, 0)));
}

/* Shares that differ by less than one in a hundred, three spreads and some. */
static void assert_agrees(double u, const double *trials)
{
    assert_true(fabs(u / gsl_stats_sd(trials, 1, TRIALS) - 1) < 0.01);
}

static double drawn(gsl_rng *random, double value, double u)
{
    return value + gsl_ran_gaussian(random, u);
}

/* The case of test_brew with scales that show 0.1 g and strength known to 0.02 points. */
static void extraction_of_an_ordinary_cup(void **state)
{
    double u_mass = uncertainty_of_resolution(0.1);
    double u = uncertainty_of_extraction(1.40, 0.02, 199.25, u_mass, 15.0, u_mass);
    double masses_alone = uncertainty_of_extraction(1.40, 0, 199.25, u_mass, 15.0, u_mass);

    (void)state;
    assert_true(fabs(u - 0.268080) < 5e-7);
    assert_true(masses_alone < u / 5); /* strength dominates */
    assert_true(isnan(uncertainty_of_extraction(1.4, 0.02, 199.25, 0.03, 0, 0.03)));
    assert_true(isnan(uncertainty_of_extraction(1.4, NAN, 199.25, 0.03, 15, 0.03)));
}

static void monte_carlo_agrees(void **state)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    double *in_cup = malloc(TRIALS * sizeof *in_cup), *total = malloc(TRIALS * sizeof *total);
    double *retained = malloc(TRIALS * sizeof *retained);

    (void)state;
    assert_non_null(random);
    assert_non_null(in_cup);
    assert_non_null(total);
    assert_non_null(retained);
    gsl_rng_set(random, 20261125);
    for (int i = 0; i < TRIALS; i++) {
        double strength_pct = drawn(random, 1.40, 0.02), dose_g = drawn(random, 15.0, 0.1);
        double water_g = drawn(random, 230.0, 1.0), beverage_g = drawn(random, 199.25, 0.7);

        in_cup[i] = extraction_in_cup_pct(strength_pct, beverage_g, dose_g);
        total[i] = extraction_total_pct(strength_pct, water_g, dose_g);
        retained[i] = retained_g_per_g(water_g, beverage_g, dose_g);
    }
    assert_agrees(uncertainty_of_extraction(1.40, 0.02, 199.25, 0.7, 15.0, 0.1), in_cup);
    assert_agrees(uncertainty_of_extraction_total(1.40, 0.02, 230.0, 1.0, 15.0, 0.1), total);
    assert_agrees(uncertainty_of_retained(230.0, 1.0, 199.25, 0.7, 15.0, 0.1), retained);
    free(retained);
    free(total);
    free(in_cup);
    gsl_rng_free(random);
}

/* A strong sample, so that the curve of S / (1 - S) shows: slopes by central differences of the function. */
static void total_extraction_of_a_strong_extract(void **state)
{
    double step = 1e-6, slope;

    (void)state;
    slope = (extraction_total_pct(20 + step, 230, 15) - extraction_total_pct(20 - step, 230, 15)) / (2 * step);
    assert_true(fabs(uncertainty_of_extraction_total(20, 0.05, 230, 0, 15, 0) - 0.05 * slope) < 1e-7);
    slope = (extraction_total_pct(20, 230 + step, 15) - extraction_total_pct(20, 230 - step, 15)) / (2 * step);
    assert_true(fabs(uncertainty_of_extraction_total(20, 0, 230, 0.5, 15, 0) - 0.5 * slope) < 1e-7);
    slope = (extraction_total_pct(20, 230, 15 + step) - extraction_total_pct(20, 230, 15 - step)) / (2 * step);
    assert_true(fabs(uncertainty_of_extraction_total(20, 0, 230, 0, 15, 0.1) + 0.1 * slope) < 1e-6);
    assert_true(isnan(uncertainty_of_extraction_total(100, 0.1, 230, 1, 15, 0.1)));
    assert_true(isnan(uncertainty_of_retained(230, 1, 199, 1, 0, 0.1)));
}

/* Checked with NumPy: plain, and weighted with 1/u2, where chi2/(n-1) is 0.195 and so widens nothing; then ten times
 * surer pairs, which miss the line by 4.4 of their uncertainties. */
static void a_ratio_from_pairs(void **state)
{
    static const double brix[] = { 1.2, 1.65, 2.1 }, strength[] = { 1.02, 1.41, 1.77 }, u[] = { 0.01, 0.02, 0.03 };
    double surer[3], ratio = -1, ratio_u = -1;

    (void)state;
    assert_true(uncertainty_of_ratio(brix, strength, NULL, 3, &ratio, &ratio_u));
    assert_true(fabs(ratio - 0.847769028871391) < 1e-12 && fabs(ratio_u - 0.003730359685971653) < 1e-12);
    assert_true(uncertainty_of_ratio(brix, strength, u, 3, &ratio, &ratio_u));
    assert_true(fabs(ratio - 0.8498443859229112) < 1e-12 && fabs(ratio_u - 0.0061891036177377165) < 1e-12);
    for (int i = 0; i < 3; i++)
        surer[i] = u[i] / 10;
    assert_true(uncertainty_of_ratio(brix, strength, surer, 3, &ratio, &ratio_u));
    assert_true(fabs(ratio_u - 0.00061891036177377165 * sqrt(19.49964089059119)) < 1e-9);
    ratio = -1;
    assert_false(uncertainty_of_ratio(brix, strength, NULL, 1, &ratio, &ratio_u));
    assert_true(ratio == -1);
}

/* JCGM 100:2008, H.1.6: a gauge block; its parts 25, 9.7, 2.9 and 16.6 nm with 18, 25.6, 50 and 2 degrees of freedom
 * combine to 32 nm with 16. */
static void the_gauge_block_of_the_guide(void **state)
{
    struct budget budget;

    (void)state;
    budget_clear(&budget);
    assert_true(budget_combined(&budget) == 0 && isinf(budget_freedom(&budget)));
    budget.u[0] = 25;
    budget.freedom[0] = 18;
    budget.u[1] = 9.7;
    budget.freedom[1] = 25.6;
    budget.u[2] = 2.9;
    budget.freedom[2] = 50;
    budget.u[3] = 16.6;
    budget.freedom[3] = 2;
    assert_true(fabs(budget_combined(&budget) - 32) < 0.5);
    assert_true(floor(budget_freedom(&budget)) == 16);
}

/* The parts of extraction are together what uncertainty_of_extraction has, and the weighings are their own. */
static void the_budget_of_extraction_adds_up(void **state)
{
    struct budget strength, budget;
    struct measures measures;

    (void)state;
    budget_clear(&strength);
    measures_clear(&measures);
    strength.u[BUDGET_REPEAT] = 0.012;
    strength.u[BUDGET_ACCURACY] = 0.016;
    assert_false(budget_of_extraction(&strength, &measures, &budget));
    measures.value[MEASURE_STRENGTH_PCT] = 1.4;
    measures.value[MEASURE_BEVERAGE_G] = 199.25;
    measures.value[MEASURE_DOSE_G] = 15;
    measures.standard_uncertainty[MEASURE_BEVERAGE_G] = 0.3;
    measures.standard_uncertainty[MEASURE_DOSE_G] = 0.1;
    assert_true(budget_of_extraction(&strength, &measures, &budget));
    assert_true(fabs(budget_combined(&budget) - uncertainty_of_extraction(1.4, 0.02, 199.25, 0.3, 15, 0.1)) < 1e-12);
    assert_true(fabs(budget.u[BUDGET_DOSE] - 18.596667 / 15 * 0.1) < 1e-6);
    for (int part = 0; part < BUDGET_PARTS; part++)
        assert_int_equal(budget_part_find(budget_part_name((enum budget_part)part)), part);
    assert_int_equal(budget_part_find("weather"), -1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_last_digit),
        cmocka_unit_test(the_mean_of_repeated_readings),
        cmocka_unit_test(independent_parts),
        cmocka_unit_test(extraction_of_an_ordinary_cup),
        cmocka_unit_test(monte_carlo_agrees),
        cmocka_unit_test(total_extraction_of_a_strong_extract),
        cmocka_unit_test(a_ratio_from_pairs),
        cmocka_unit_test(the_gauge_block_of_the_guide),
        cmocka_unit_test(the_budget_of_extraction_adds_up),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
