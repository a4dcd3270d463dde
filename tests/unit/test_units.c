/* Units: every name an instrument may print, and conversions against their definitions. */
#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "poise/units.h"

static void names_go_there_and_back(void **state)
{
    (void)state;
    for (int quantity = QUANTITY_NONE + 1; quantity < QUANTITY_COUNT; quantity++) {
        assert_int_equal(quantity_find(quantity_name((enum quantity)quantity)), quantity);
        assert_int_equal(unit_quantity(quantity_unit((enum quantity)quantity)), quantity);
    }
    for (int unit = UNIT_NONE + 1; unit < UNIT_COUNT; unit++)
        assert_int_equal(unit_find(unit_name((enum unit)unit), strlen(unit_name((enum unit)unit))), unit);
    assert_int_equal(quantity_find("none"), QUANTITY_NONE);
    assert_int_equal(quantity_find("Mass"), QUANTITY_NONE);
    assert_int_equal(unit_quantity(UNIT_PIECES), QUANTITY_NONE);
    assert_int_equal(unit_quantity(UNIT_PERCENT), QUANTITY_STRENGTH);
}

static void instruments_spell_as_they_like(void **state)
{
    static const struct {
        const char *text;
        enum unit unit;
    } cases[] = {
        { "g", UNIT_GRAM },
        { "G", UNIT_GRAM },
        { "GM", UNIT_GRAM },
        { "Kg", UNIT_KILOGRAM },
        { "LBS", UNIT_POUND },
        { "ozt", UNIT_TROY_OUNCE },
        { "oz", UNIT_OUNCE },
        { "ct", UNIT_CARAT },
        { "pcs", UNIT_PIECES },
        { "%", UNIT_PERCENT },
        { "Brix", UNIT_BRIX },
        { "nD", UNIT_REFRACTIVE_INDEX },
        { "C", UNIT_CELSIUS },
        { "\xb0"
          "C",
          UNIT_CELSIUS },
        { "\xdf"
          "F",
          UNIT_FAHRENHEIT },
        { "\xc2\xb0"
          "C",
          UNIT_CELSIUS },
        { "kPa", UNIT_KILOPASCAL },
        { "PSI", UNIT_PSI },
        { "", UNIT_NONE },
        { "gg", UNIT_NONE },
        { "k", UNIT_NONE },
        { "\xb0", UNIT_NONE },
        { "\xb0g", UNIT_NONE },
        { "stone", UNIT_NONE },
        { "g ", UNIT_NONE },
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++)
        assert_int_equal(unit_find(cases[i].text, strlen(cases[i].text)), cases[i].unit);
    assert_int_equal(unit_find("grams", 1), UNIT_GRAM);
}

static void assert_converts(const char *shown, enum unit unit, enum quantity quantity, const char *expected,
                            double expected_resolution)
{
    struct decimal from, to;
    double resolution;
    char text[40];

    assert_int_equal(decimal_parse(shown, strlen(shown), &from), 0);
    assert_int_equal(unit_convert(from, unit, quantity, &to, &resolution), 0);
    decimal_format(to, text, sizeof text);
    assert_string_equal(text, expected);
    assert_true(fabs(resolution - expected_resolution) < 1e-9 * expected_resolution);
}

/* Expected by hand from the definitions named in units.h. */
static void conversions_follow_their_definitions(void **state)
{
    (void)state;
    assert_converts("12.30", UNIT_GRAM, QUANTITY_MASS, "12.30", 0.01);
    assert_converts("0.211", UNIT_KILOGRAM, QUANTITY_MASS, "211", 1);
    assert_converts("123.4567", UNIT_KILOGRAM, QUANTITY_MASS, "123456.7", 0.1);
    assert_converts("12", UNIT_KILOGRAM, QUANTITY_MASS, "12000", 1000);
    assert_converts("250", UNIT_MILLIGRAM, QUANTITY_MASS, "0.250", 0.001);
    assert_converts("5.00", UNIT_CARAT, QUANTITY_MASS, "1.000", 0.002);
    assert_converts("1.000", UNIT_TROY_OUNCE, QUANTITY_MASS, "31.1035", 0.0311034768);
    assert_converts("3.527", UNIT_OUNCE, QUANTITY_MASS, "99.9888", 0.028349523125);
    assert_converts("2.5", UNIT_POUND, QUANTITY_MASS, "1134.0", 45.359237);
    assert_converts("-2.5", UNIT_POUND, QUANTITY_MASS, "-1134.0", 45.359237);
    assert_converts("1.35", UNIT_PERCENT, QUANTITY_STRENGTH, "1.35", 0.01);
    assert_converts("1.35", UNIT_PERCENT, QUANTITY_BRIX, "1.35", 0.01);
    assert_converts("70.5", UNIT_FAHRENHEIT, QUANTITY_TEMPERATURE, "21.389", 0.1 * 5 / 9);
    assert_converts("212", UNIT_FAHRENHEIT, QUANTITY_TEMPERATURE, "100.00", 5.0 / 9);
    assert_converts("-40", UNIT_FAHRENHEIT, QUANTITY_TEMPERATURE, "-40.00", 5.0 / 9);
    assert_converts("0.35", UNIT_BAR, QUANTITY_PRESSURE, "35", 1);
    assert_converts("10.0", UNIT_PSI, QUANTITY_PRESSURE, "68.95", 0.6894757);
}

static void rounding_costs_less_than_a_hundredth_digit(void **state)
{
    static const struct {
        enum unit unit;
        double factor;
    } cases[] = { { UNIT_POUND, 453.59237 }, { UNIT_OUNCE, 28.349523125 }, { UNIT_TROY_OUNCE, 31.1034768 },
                  { UNIT_CARAT, 0.2 },       { UNIT_MILLIGRAM, 0.001 },    { UNIT_KILOGRAM, 1000 } };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++)
        for (int64_t mantissa = -9999; mantissa < 100000; mantissa += 37) {
            struct decimal value;
            double resolution;

            assert_int_equal(
                unit_convert((struct decimal){ mantissa, -3 }, cases[i].unit, QUANTITY_MASS, &value, &resolution), 0);
            assert_true(fabs(decimal_to_double(value) - (double)mantissa * 1e-3 * cases[i].factor)
                        <= resolution / 100 * (1 + 1e-6));
        }
}

static void what_does_not_measure_it_is_refused(void **state)
{
    struct decimal value = { -77, 7 };
    double resolution = -1;
    struct decimal one = { 1, 0 }, vast = { INT64_MAX, 18 };

    (void)state;
    assert_int_equal(unit_convert(one, UNIT_PIECES, QUANTITY_MASS, &value, &resolution), -EINVAL);
    assert_int_equal(unit_convert(one, UNIT_NONE, QUANTITY_NONE, &value, &resolution), -EINVAL);
    assert_int_equal(unit_convert(one, UNIT_CELSIUS, QUANTITY_MASS, &value, &resolution), -EINVAL);
    assert_int_equal(unit_convert(one, UNIT_BRIX, QUANTITY_STRENGTH, &value, &resolution), -EINVAL);
    assert_int_equal(unit_convert(vast, UNIT_KILOGRAM, QUANTITY_MASS, &value, &resolution), -ERANGE);
    assert_int_equal(unit_convert(vast, UNIT_FAHRENHEIT, QUANTITY_TEMPERATURE, &value, &resolution), -ERANGE);
    assert_int_equal(value.mantissa, -77);
    assert_true(resolution == -1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(names_go_there_and_back),
        cmocka_unit_test(instruments_spell_as_they_like),
        cmocka_unit_test(conversions_follow_their_definitions),
        cmocka_unit_test(rounding_costs_less_than_a_hundredth_digit),
        cmocka_unit_test(what_does_not_measure_it_is_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
