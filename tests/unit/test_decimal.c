/* Decimals: what is read, what is refused, and that no digit is lost. */
#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "poise/decimal.h"

static struct decimal parsed(const char *text)
{
    struct decimal value = { -77, 77 };

    assert_int_equal(decimal_parse(text, strlen(text), &value), 0);
    return value;
}

static void assert_decimal(struct decimal value, int64_t mantissa, int exponent)
{
    assert_int_equal(value.mantissa, mantissa);
    assert_int_equal(value.exponent, exponent);
}

static void digits_are_kept(void **state)
{
    (void)state;
    assert_decimal(parsed("12.30"), 1230, -2);
    assert_decimal(parsed("-3.10"), -310, -2);
    assert_decimal(parsed("+0012"), 12, 0);
    assert_decimal(parsed("12."), 12, 0);
    assert_decimal(parsed(".5"), 5, -1);
    assert_decimal(parsed("-0.00"), 0, -2);
    assert_decimal(parsed("0.000000000000000001"), 1, -18);
    assert_decimal(parsed("000000000000000000000000999999999999999999"), INT64_C(999999999999999999), 0);
}

static void what_is_no_number_is_refused(void **state)
{
    static const char *const texts[] = { "",    "+",   "-",   ".",   "-.",  " 1",  "1 ", "1.2.3",
                                         "1,5", "--1", "1e3", "0x1", "12g", "nan", "1-" };

    (void)state;
    for (size_t i = 0; i < sizeof texts / sizeof *texts; i++) {
        struct decimal value = { -77, 77 };

        assert_int_equal(decimal_parse(texts[i], strlen(texts[i]), &value), -EINVAL);
        assert_decimal(value, -77, 77);
    }
}

static void too_many_digits_are_out_of_range(void **state)
{
    struct decimal value = { -77, 77 };

    (void)state;
    assert_int_equal(decimal_parse("1000000000000000000", 19, &value), -ERANGE);
    assert_int_equal(decimal_parse("0.0000000000000000001", 21, &value), -ERANGE);
    assert_int_equal(decimal_parse("99999999999999999999999999999999999999999", 41, &value), -ERANGE);
    assert_decimal(value, -77, 77);
}

static void length_bounds_the_text(void **state)
{
    struct decimal value;

    (void)state;
    assert_int_equal(decimal_parse("12.34567", 5, &value), 0);
    assert_decimal(value, 1234, -2);
}

static void assert_format(struct decimal value, const char *expected)
{
    char text[40];

    assert_int_equal(decimal_format(value, text, sizeof text), (int)strlen(expected));
    assert_string_equal(text, expected);
}

static void format_shows_every_digit(void **state)
{
    (void)state;
    assert_format((struct decimal){ 1230, -2 }, "12.30");
    assert_format((struct decimal){ -3, 0 }, "-3");
    assert_format((struct decimal){ 12, 2 }, "1200");
    assert_format((struct decimal){ 5, -2 }, "0.05");
    assert_format((struct decimal){ -5, -3 }, "-0.005");
    assert_format((struct decimal){ 0, -2 }, "0.00");
    assert_format((struct decimal){ 0, 3 }, "0");
    assert_format((struct decimal){ 1, -18 }, "0.000000000000000001");
    assert_format((struct decimal){ INT64_MIN, 18 }, "-9223372036854775808000000000000000000");
    assert_format((struct decimal){ INT64_MIN, -18 }, "-9.223372036854775808");
}

static void format_refuses_a_small_buffer(void **state)
{
    char text[6] = "xxxxx";

    (void)state;
    assert_int_equal(decimal_format((struct decimal){ 12345, -2 }, text, sizeof text), -ENOSPC);
    assert_string_equal(text, "xxxxx");
    assert_int_equal(decimal_format((struct decimal){ 1234, -2 }, text, sizeof text), 5);
}

static void double_is_the_nearest(void **state)
{
    (void)state;
    assert_true(decimal_to_double((struct decimal){ 1230, -2 }) == 12.30);
    assert_true(decimal_to_double((struct decimal){ 1, -1 }) == 0.1);
    assert_true(decimal_to_double((struct decimal){ 12, 18 }) == 12e18);
    assert_true(decimal_to_double((struct decimal){ INT64_C(999999999999999999), -5 }) == 9999999999999.99999);
    assert_true(decimal_to_double((struct decimal){ INT64_MIN, 0 }) == -9223372036854775808.0);
    assert_true(decimal_resolution((struct decimal){ -1230, -2 }) == 0.01);
    assert_true(decimal_resolution((struct decimal){ 0, 1 }) == 10);
}

static void multiply_is_exact_or_refuses(void **state)
{
    struct decimal product = { -77, 77 };

    (void)state;
    assert_int_equal(decimal_multiply((struct decimal){ INT64_MAX, 0 }, (struct decimal){ 2, 0 }, &product), -ERANGE);
    assert_int_equal(decimal_multiply((struct decimal){ 1, -10 }, (struct decimal){ 1, -9 }, &product), -ERANGE);
    assert_decimal(product, -77, 77);
    assert_int_equal(decimal_multiply((struct decimal){ -25, -1 }, (struct decimal){ 45359237, -5 }, &product), 0);
    assert_decimal(product, -1133980925, -6);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(digits_are_kept),
        cmocka_unit_test(what_is_no_number_is_refused),
        cmocka_unit_test(too_many_digits_are_out_of_range),
        cmocka_unit_test(length_bounds_the_text),
        cmocka_unit_test(format_shows_every_digit),
        cmocka_unit_test(format_refuses_a_small_buffer),
        cmocka_unit_test(double_is_the_nearest),
        cmocka_unit_test(multiply_is_exact_or_refuses),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
