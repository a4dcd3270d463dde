/* Brew arithmetic against worked values.
 * Mass balances by hand: 15.0 g in 230.0 g of water, 199.25 g in the cup at 1.40 %.  The decimals were computed with
 * Python's fractions module.  Pressure: 1 kg x 9.80665 m/s2 on a piston of 60 mm, the same way. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "poise/brew.h"

#define assert_near(value, expected) assert_true(fabs((value) - (expected)) < 5e-7)

static void an_ordinary_cup(void **state)
{
    (void)state;
    assert_near(extraction_in_cup_pct(1.40, 199.25, 15.0), 18.596667);
    assert_near(dissolved_g(1.40, 230.0), 3.265720);
    assert_near(extraction_total_pct(1.40, 230.0, 15.0), 21.771467);
    assert_near(retained_g_per_g(230.0, 199.25, 15.0), 2.05);
}

/* Sucrose in water at 20 C, sodium light: the four-digit table of the CRC Handbook of Chemistry and Physics (cited from
 * memory): its last digit is worth 0.07. */
static void a_refractive_index_is_a_brix(void **state)
{
    static const double table[][2] = {
        { 1, 1.3344 },  { 2, 1.3359 },  { 3, 1.3374 },  { 4, 1.3388 },  { 6, 1.3418 },  { 8, 1.3448 },
        { 12, 1.3509 }, { 14, 1.3541 }, { 16, 1.3573 }, { 18, 1.3606 }, { 24, 1.3706 }, { 28, 1.3775 },
    };
    /* the entries of the 1974 scale at the strength of coffee, five digits (from memory): one digit is worth 0.007 */
    static const double weak[][2] = { { 1, 1.33442 }, { 2, 1.33586 }, { 3, 1.33732 }, { 4, 1.33879 } };
    double before = -1;

    (void)state;
    for (size_t i = 0; i < sizeof weak / sizeof *weak; i++)
        assert_true(fabs(brix_of_refractive_index(weak[i][1]) - weak[i][0]) < 0.01);
    assert_near(brix_of_refractive_index(1.33299), 0);
    assert_near(brix_of_refractive_index(1.36384), 20);
    assert_near(brix_of_refractive_index(1.38115), 30);
    for (size_t i = 0; i < sizeof table / sizeof *table; i++)
        if (fabs(brix_of_refractive_index(table[i][1]) - table[i][0]) > 0.07)
            fail_msg("nD %.4f gives %.3f, not %g", table[i][1], brix_of_refractive_index(table[i][1]), table[i][0]);
    for (double index = 1.3325; index < 1.381; index += 0.0001) {
        assert_true(brix_of_refractive_index(index) > before);
        before = brix_of_refractive_index(index);
    }
    assert_true(isnan(brix_of_refractive_index(1.0003))); /* air: nothing on the prism */
    assert_true(isnan(brix_of_refractive_index(1.46)));
    assert_true(isnan(brix_of_refractive_index(NAN)));
}

static void dilution_keeps_what_is_dissolved(void **state)
{
    double strength_pct = 1.40 * 199.25 / (199.25 + 50);

    (void)state;
    assert_near(strength_pct, 1.119157);
    assert_near(dilution_g(1.40, 199.25, strength_pct), 50);
    assert_near(extraction_in_cup_pct(strength_pct, 249.25, 15.0), 18.596667);
    assert_true(dilution_g(1.40, 199.25, 1.5) < 0);
}

static void the_dose_for_a_strength_brings_it(void **state)
{
    double dose_g = dose_for_strength_g(1.3, 230, 21);

    (void)state;
    assert_near(dose_g, 100 * 0.013 * 230 / (1 - 0.013) / 21);
    assert_near(extraction_total_pct(1.3, 230, dose_g), 21);
}

static void a_kilogram_on_a_piston_of_60_mm(void **state)
{
    (void)state;
    assert_near(press_pressure_kpa(1000, 60), 3.468393);
    assert_near(press_pressure_kpa(-1000, 60), -3.468393);
    assert_true(fabs(press_pressure_kpa(4325, 60) - 15) < 0.01);
}

static void a_question_without_an_answer_is_nan(void **state)
{
    (void)state;
    assert_true(isnan(extraction_in_cup_pct(1.4, 200, 0)));
    assert_true(isnan(extraction_in_cup_pct(1.4, 200, -15)));
    assert_true(isnan(extraction_in_cup_pct(NAN, 200, 15)));
    assert_true(isnan(extraction_in_cup_pct(1.4, NAN, 15)));
    assert_true(isnan(extraction_in_cup_pct(1.4, 200, NAN)));
    assert_true(isnan(dissolved_g(100, 230)));
    assert_true(isnan(dissolved_g(NAN, 230)));
    assert_true(isnan(dissolved_g(1.4, NAN)));
    assert_true(isnan(extraction_total_pct(100, 230, 15)));
    assert_true(isnan(extraction_total_pct(1.4, 230, 0)));
    assert_true(isnan(retained_g_per_g(230, NAN, 15)));
    assert_true(isnan(retained_g_per_g(230, 200, 0)));
    assert_true(isnan(dilution_g(1.4, 200, 0)));
    assert_true(isnan(dilution_g(NAN, 200, 1.3)));
    assert_true(isnan(dilution_g(1.4, NAN, 1.3)));
    assert_true(isnan(dose_for_strength_g(1.3, 230, 0)));
    assert_true(isnan(dose_for_strength_g(100, 230, 21)));
    assert_true(isnan(dose_for_strength_g(1.3, NAN, 21)));
    assert_true(isnan(press_pressure_kpa(1000, 0)));
    assert_true(isnan(press_pressure_kpa(1000, -60)));
    assert_true(isnan(press_pressure_kpa(1000, NAN)));
    assert_true(isnan(press_pressure_kpa(NAN, 60)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_ordinary_cup),
        cmocka_unit_test(dilution_keeps_what_is_dissolved),
        cmocka_unit_test(the_dose_for_a_strength_brings_it),
        cmocka_unit_test(a_kilogram_on_a_piston_of_60_mm),
        cmocka_unit_test(a_refractive_index_is_a_brix),
        cmocka_unit_test(a_question_without_an_answer_is_nan),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
