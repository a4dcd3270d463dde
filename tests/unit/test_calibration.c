/* The line through an instrument's checks, what is corrected by it, and what is not. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <math.h>
#include <string.h>

#include "stations/calibration.h"

static void check(struct calibration *one, double reference, double shown, bool mass)
{
    calibration_add(one, &(struct calibration_point){ reference, shown, 0.1, INT64_C(1795600000000000) }, mass);
}

/* scipy.stats.linregress: slope 1.0015, intercept 0.05, standard error of the slope 1.40859e-4 with the residual
 * variance 0.01/3 of three degrees of freedom; here two more of the last digit's, 0.1/sqrt(6), so that it is
 * sqrt((0.01 + 2 x 0.1 x 0.1 / 6) / 5 / 168000), and the weights' own 5e-4/sqrt(3). */
static void the_line_is_that_of_least_squares(void **state)
{
    struct calibration all[CALIBRATIONS] = { 0 }, *one = calibration_of(all, "left-scale", true);
    static const double x[] = { 0, 200, 0, 200, 500 }, y[] = { 0.1, 200.3, 0, 200.4, 500.8 };
    struct calibration_line line;

    (void)state;
    assert_false(calibration_line(one, &line));
    for (int i = 0; i < 5; i++)
        check(one, x[i], y[i], true);
    assert_true(calibration_line(one, &line));
    assert_float_equal(line.slope, 1.0015, 1e-9);
    assert_float_equal(line.offset, 0.05, 1e-9);
    assert_float_equal(line.slope_u, hypot(sqrt((0.01 + 2 * 0.01 / 6) / 5 / 168000), 5e-4 / sqrt(3)), 1e-9);
}

/* 541.3 shown is 540.49 with one digit more; tenths of a scale whose configuration does not ask for it stay. */
static void readings_are_corrected_where_that_is_asked_for(void **state)
{
    struct calibration all[CALIBRATIONS] = { 0 }, *one = calibration_of(all, "left-scale", true);
    struct instrument_config instrument = { .calibrated = true };
    struct reading shown = { .quantity = QUANTITY_MASS, .value = { 5413, -1 }, .resolution = 0.1 }, out;

    (void)state;
    strcpy(instrument.name, "left-scale");
    check(one, 0, 0, true);
    check(one, 200, 200.3, true);
    assert_false(calibrations_correct(all, &instrument, &shown, &out)); /* not yet in force */
    one->applied = true;
    assert_true(calibrations_correct(all, &instrument, &shown, &out));
    assert_float_equal(decimal_to_double(out.value), 541.3 / 1.0015, 0.005);
    assert_int_equal(out.value.exponent, -2);
    assert_true(out.resolution == 0.1);
    assert_float_equal(calibrations_raw(all, "left-scale", 541.3 / 1.0015), 541.3, 1e-9);
    assert_true(calibrations_u(all, "left-scale", 200) > 0.05 && calibrations_u(all, "left-scale", 200) < 0.2);
    assert_true(calibrations_u(all, "other", 200) == 0);
    shown.status = READING_OVERLOAD;
    assert_false(calibrations_correct(all, &instrument, &shown, &out));
    shown.status = READING_OK;
    instrument.calibrated = false;
    assert_false(calibrations_correct(all, &instrument, &shown, &out));
}

/* Of a refractometer the offset counts too: water 0.2, a solution of 10 degrees 10.3. */
static void a_refractometer_has_two_points(void **state)
{
    struct calibration all[CALIBRATIONS] = { 0 }, *one = calibration_of(all, "glass", true);
    struct instrument_config instrument = { .calibrated = true };
    struct reading shown = { .quantity = QUANTITY_BRIX, .value = { 17, -1 }, .resolution = 0.1 }, out;

    (void)state;
    strcpy(instrument.name, "glass");
    one->applied = true;
    check(one, 0, 0.2, false);
    check(one, 10, 10.3, false);
    assert_true(calibrations_correct(all, &instrument, &shown, &out));
    assert_float_equal(decimal_to_double(out.value), 1.5 / 1.01, 0.005);
}

static void what_cannot_be_is_not_corrected(void **state)
{
    struct calibration all[CALIBRATIONS] = { 0 }, *one = calibration_of(all, "left-scale", true);
    struct calibration_line line;
    char words[DETAIL_SIZE];

    (void)state;
    check(one, 200, 200.3, true);
    check(one, 200, 200.2, true);
    calibration_words(one, words, sizeof words);
    assert_false(calibration_line(one, &line)); /* one place */
    assert_non_null(strstr(words, "second point"));
    check(one, 0, 9, true);
    assert_false(calibration_line(one, &line));
    calibration_words(one, words, sizeof words);
    assert_non_null(strstr(words, "right weight"));
    for (int i = 0; i < CALIBRATIONS + 3; i++) {
        char name[NAME_SIZE] = { 'a', (char)('a' + i) };

        assert_true((calibration_of(all, name, true) != NULL) == (i < CALIBRATIONS - 1));
    }
}

static void they_are_kept(void **state)
{
    struct calibration all[CALIBRATIONS] = { 0 }, back[CALIBRATIONS] = { 0 };
    struct calibration *one = calibration_of(all, "left-scale", true);
    struct calibration_line line, again;
    json_t *json;

    (void)state;
    for (int i = 0; i < CALIBRATION_POINTS + 5; i++)
        check(one, i % 2 ? 200 : 0, i % 2 ? 200.3 : 0, true);
    assert_int_equal(one->count, CALIBRATION_POINTS);
    json = calibrations_save(all);
    calibrations_load(back, json);
    json_decref(json);
    assert_true(calibration_line(one, &line) && calibration_line(&back[0], &again));
    assert_float_equal(line.slope, again.slope, 1e-12);
    json = json_loads("[{\"instrument\":\"A B\"},7,{\"instrument\":\"ok\",\"points\":[[1e300,1,1,1],\"x\",[0,0,0,0]]}]",
                      0, NULL);
    memset(back, 0, sizeof back);
    calibrations_load(back, json);
    json_decref(json);
    assert_string_equal(back[0].instrument, "ok");
    assert_int_equal(back[0].count, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_line_is_that_of_least_squares),
        cmocka_unit_test(readings_are_corrected_where_that_is_asked_for),
        cmocka_unit_test(a_refractometer_has_two_points),
        cmocka_unit_test(what_cannot_be_is_not_corrected),
        cmocka_unit_test(they_are_kept),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
