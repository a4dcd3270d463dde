/* A scale that speaks only when it has rested for half a second: a whole brew comes out of rests alone. */
#include "tracker_trace.h"

static void begin_quiet(struct trace *trace)
{
    trace->rests_us = 500000;
    put_things(trace);
    tare(trace);
    wait_s(trace, 2);
}

static void pressed_on_the_scale(void **state)
{
    struct trace *trace = *state;
    enum stage stage[] = { STAGE_DOSE,   STAGE_BLOOM, STAGE_POUR,  STAGE_STEEP,   STAGE_STIR,
                           STAGE_SETTLE, STAGE_PRESS, STAGE_WEIGH, STAGE_STRENGTH };
    double at_s[9];

    begin_quiet(trace);
    at_s[0] = seconds_now(trace);
    move(trace, 15, 3);
    wait_s(trace, 3);
    tare(trace);
    wait_s(trace, 2);
    at_s[1] = seconds_now(trace);
    move(trace, 40, 6);
    wait_s(trace, 24);
    at_s[2] = seconds_now(trace);
    move(trace, 190, 20);
    at_s[3] = seconds_now(trace);
    wait_s(trace, 4);
    at_s[4] = seconds_now(trace);
    shake(trace, 6, 8);
    at_s[5] = seconds_now(trace);
    wait_s(trace, 3);
    move(trace, plunger_g, 0.3);
    wait_s(trace, 30);
    at_s[6] = seconds_now(trace);
    push(trace, 5000, 25);
    at_s[7] = seconds_now(trace);
    wait_s(trace, 5);
    move(trace, -(brewer_g + plunger_g + 15 + 30), 0.4);
    at_s[8] = seconds_now(trace);
    wait_s(trace, 6);
    assert_stages(trace, 1, stage, at_s, 9, 0.5);
    assert_float_equal(measured(trace, 1, MEASURE_DOSE_G), 15, 0.1);
    assert_float_equal(measured(trace, 1, MEASURE_WATER_G), 230, 0.3);
    assert_float_equal(measured(trace, 1, MEASURE_BEVERAGE_G), 200, 0.3);
    assert_float_equal(measured(trace, 1, MEASURE_PRESS_S), 25, 0.5);
    assert_true(isnan(measured(trace, 1, MEASURE_PRESS_PEAK_KPA))); /* nobody saw it */
    assert_true(isnan(measured(trace, 1, MEASURE_PRESS_MEAN_KPA)));
    assert_int_equal(count_of(trace, TRACKER_BEGIN), 1);
    assert_int_equal(count_of(trace, TRACKER_END), 1);
    assert_int_equal(count_of(trace, TRACKER_WARNING), 0);
}

/* All is lifted off, and only the cup comes back: what hands did while it still stood there was no press. */
static void pressed_beside_the_scale(void **state)
{
    struct trace *trace = *state;
    enum stage stage[] = { STAGE_DOSE,   STAGE_POUR,  STAGE_STEEP, STAGE_STIR,
                           STAGE_SETTLE, STAGE_PRESS, STAGE_WEIGH, STAGE_STRENGTH };
    double at_s[8];

    begin_quiet(trace);
    at_s[0] = seconds_now(trace);
    move(trace, 15, 3);
    wait_s(trace, 3);
    tare(trace);
    wait_s(trace, 2);
    at_s[1] = seconds_now(trace);
    move(trace, 230, 25);
    at_s[2] = seconds_now(trace);
    wait_s(trace, 5);
    at_s[3] = seconds_now(trace);
    shake(trace, 8, 14);
    at_s[4] = seconds_now(trace);
    wait_s(trace, 70);
    at_s[5] = seconds_now(trace);
    move(trace, -(cup_g + brewer_g + 15 + 230), 0.4);
    wait_s(trace, 35);
    at_s[6] = seconds_now(trace);
    move(trace, cup_g + 200, 0.3);
    at_s[7] = seconds_now(trace);
    wait_s(trace, 30);
    assert_stages(trace, 1, stage, at_s, 8, 0.5);
    assert_float_equal(measured(trace, 1, MEASURE_DOSE_G), 15, 0.1);
    assert_float_equal(measured(trace, 1, MEASURE_WATER_G), 230, 0.3);
    assert_float_equal(measured(trace, 1, MEASURE_BEVERAGE_G), 200, 0.3);
    assert_int_equal(count_of(trace, TRACKER_BEGIN), 1);
    assert_int_equal(count_of(trace, TRACKER_END), 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(pressed_on_the_scale, setup, teardown),
        cmocka_unit_test_setup_teardown(pressed_beside_the_scale, setup, teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
