/* The stage tracker on traces written by hand: loads as functions of time, seen through a scale with
 * a filter and a last digit.  The physical model of tests/virtual is the other, independent witness. */
#include <errno.h>

#include "tracker_trace.h"

static void bloom_pour_stir_press(void **state)
{
    struct trace *trace = *state;
    enum stage stage[] = { STAGE_DOSE,   STAGE_BLOOM, STAGE_POUR,  STAGE_STEEP,   STAGE_STIR,
                           STAGE_SETTLE, STAGE_PRESS, STAGE_WEIGH, STAGE_STRENGTH };
    double at_s[9];

    put_things(trace);
    tare(trace);
    wait_s(trace, 2);
    at_s[0] = seconds_now(trace);
    move(trace, 15, 5);
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
    wait_s(trace, 3);
    move(trace, -(brewer_g + plunger_g + 15 + 30), 0.4);
    at_s[8] = seconds_now(trace);
    wait_s(trace, 6);
    assert_stages(trace, 1, stage, at_s, 9, 0.45);
    assert_float_equal(measured(trace, 1, MEASURE_DOSE_G), 15, 0.1);
    assert_float_equal(measured(trace, 1, MEASURE_WATER_G), 230, 0.3);
    assert_float_equal(measured(trace, 1, MEASURE_BEVERAGE_G), 200, 0.3);
    assert_float_equal(measured(trace, 1, MEASURE_BLOOM_S), 30, 0.5);
    assert_float_equal(measured(trace, 1, MEASURE_STEEP_S), at_s[6] - at_s[1], 0.6);
    assert_float_equal(measured(trace, 1, MEASURE_SETTLE_S), at_s[6] - at_s[5], 0.6);
    assert_float_equal(measured(trace, 1, MEASURE_PRESS_S), 25, 0.8);
    /* 60 mm: 3.468393 kPa per kilogram shown (m g0 / A) */
    assert_float_equal(measured(trace, 1, MEASURE_PRESS_PEAK_KPA), 5.2 * 3.468393, 0.4);
    assert_float_equal(measured(trace, 1, MEASURE_RETAINED_G_PER_G), 2, 0.05);
    assert_int_equal(count_of(trace, TRACKER_BEGIN), 1);
    assert_int_equal(count_of(trace, TRACKER_END), 1);
    assert_int_equal(count_of(trace, TRACKER_QUESTION), 0);
}

/* What stands beside the scale's indication in a state is of the same moment: two a second, and a pour of 10 g/s. */
static void the_view_is_of_the_newest_indication(void **state)
{
    struct trace *trace = *state;
    struct tracker_view view;

    trace->tick_us = 500000;
    show(trace, 0);
    tracker_view(trace->tracker, &view);
    assert_true(fabs(view.load_g) < 0.06);
    wait_s(trace, 3);
    move(trace, 520, 0.5);
    wait_s(trace, 4);
    tare(trace);
    wait_s(trace, 3);
    tracker_view(trace->tracker, &view);
    assert_true(fabs(view.load_g - 520) < 0.2);
    move(trace, 15, 4);
    wait_s(trace, 5);
    move(trace, 100, 10);
    tracker_view(trace->tracker, &view);
    assert_int_equal(view.stage, STAGE_POUR);
    assert_true(fabs(view.load_g - trace->shown_g) < 0.2);
    assert_true(fabs(view.water_g - (trace->shown_g - 535)) < 0.5);
}

static void one_pour_pressed_beside(void **state)
{
    struct trace *trace = *state;
    enum stage stage[] = { STAGE_DOSE, STAGE_POUR, STAGE_STEEP, STAGE_PRESS, STAGE_WEIGH, STAGE_STRENGTH };
    double at_s[6];

    put_things(trace);
    at_s[0] = seconds_now(trace);
    move(trace, 14, 4);
    wait_s(trace, 4);
    at_s[1] = seconds_now(trace);
    move(trace, 220, 25);
    at_s[2] = seconds_now(trace);
    wait_s(trace, 3);
    move(trace, plunger_g, 0.3);
    wait_s(trace, 80);
    at_s[3] = seconds_now(trace);
    move(trace, -trace->load_g, 0.5);
    wait_s(trace, 40);
    at_s[4] = seconds_now(trace);
    move(trace, cup_g + 193, 0.4);
    at_s[5] = seconds_now(trace);
    wait_s(trace, 5);
    assert_float_equal(measured(trace, 1, MEASURE_BEVERAGE_G), 193, 0.3);
    wait_s(trace, 18); /* nobody saw the press: so long it may yet turn out to be another brew's empty cup */
    assert_stages(trace, 1, stage, at_s, 6, 0.45);
    assert_float_equal(measured(trace, 1, MEASURE_DOSE_G), 14, 0.1);
    assert_float_equal(measured(trace, 1, MEASURE_WATER_G), 220, 0.3);
    assert_float_equal(measured(trace, 1, MEASURE_BEVERAGE_G), 193, 0.3);
    assert_true(isnan(measured(trace, 1, MEASURE_PRESS_PEAK_KPA)));
    assert_int_equal(count_of(trace, TRACKER_END), 1);
}

/* The press beside the scale begins some seconds after the lift: the steep time says that it is not known better. */
static void a_lift_is_an_uncertain_begin_of_a_press(void **state)
{
    struct trace *trace = *state;
    double lifted_u_s;

    one_pour_pressed_beside(state);
    lifted_u_s = reported_u(trace, 1, MEASURE_STEEP_S);
    assert_true(lifted_u_s > 1 && lifted_u_s < 4);
    for (int i = 0; i < trace->reported_count; i++)
        if (trace->reported[i].kind == TRACKER_STAGE && trace->reported[i].stage == STAGE_PRESS)
            assert_float_equal((double)trace->reported[i].at_uncertainty_us / 1e6, 2, 0.1);
}

static void overloaded_press_is_a_lower_bound(void **state)
{
    struct trace *trace = *state;
    bool above = false;

    trace->capacity_g = 5000;
    put_things(trace);
    move(trace, 15, 4);
    wait_s(trace, 3);
    move(trace, 230, 20);
    wait_s(trace, 40);
    push(trace, 9000, 20);
    wait_s(trace, 3);
    move(trace, -(brewer_g + 45), 0.4);
    wait_s(trace, 6);
    for (int i = 0; i < trace->reported_count; i++)
        above |= trace->reported[i].kind == TRACKER_MEASURE && trace->reported[i].measure == MEASURE_PRESS_PEAK_KPA
                 && trace->reported[i].above;
    assert_true(above);
    assert_true(was_reported(trace, TRACKER_WARNING, "overload"));
    assert_float_equal(measured(trace, 1, MEASURE_PRESS_S), 20, 0.8);
    assert_float_equal(measured(trace, 1, MEASURE_BEVERAGE_G), 200, 0.3);
}

static void press_above_the_limit_is_said_once(void **state)
{
    struct trace *trace = *state;
    int said = 0;

    put_things(trace);
    move(trace, 15, 4);
    wait_s(trace, 3);
    move(trace, 230, 20);
    wait_s(trace, 40);
    push(trace, 6000, 20); /* 21 kPa under 60 mm, the limit is 15 */
    wait_s(trace, 3);
    for (int i = 0; i < trace->reported_count; i++)
        said += trace->reported[i].kind == TRACKER_WARNING && strcmp(trace->reported[i].word, "press-too-hard") == 0;
    assert_int_equal(said, 1);
}

static void together_without_tare_asks_for_the_cup(void **state)
{
    struct trace *trace = *state;
    char detail[TRACKER_WORDS];
    struct tracker_events events = { .count = 0 };

    wait_s(trace, 3);
    move(trace, cup_g + brewer_g, 0.3);
    wait_s(trace, 2);
    move(trace, 15, 4);
    wait_s(trace, 3);
    move(trace, 230, 20);
    wait_s(trace, 40);
    push(trace, 4000, 20);
    wait_s(trace, 3);
    move(trace, -(brewer_g + 45), 0.4);
    wait_s(trace, 6);
    assert_true(was_reported(trace, TRACKER_QUESTION, "beverage"));
    assert_float_equal(measured(trace, 1, MEASURE_BEVERAGE_G), 200, 25);
    assert_int_equal(tracker_enter(trace->tracker, 1, MEASURE_BEVERAGE_G, 199, 0.1, trace->now_us, &events, detail), 0);
    take(trace, &events);
    assert_float_equal(measured(trace, 1, MEASURE_BEVERAGE_G), 199, 1e-9);
    assert_float_equal(measured(trace, 1, MEASURE_RETAINED_G_PER_G), 31.0 / 15, 0.02);
    assert_int_equal(tracker_enter(trace->tracker, 1, MEASURE_STRENGTH_PCT, 1.4, 0.02, trace->now_us, &events, detail),
                     0);
    take(trace, &events);
    assert_float_equal(measured(trace, 1, MEASURE_EXTRACTION_PCT), 1.4 * 199 / 15, 0.2);
    assert_int_equal(tracker_enter(trace->tracker, 1, MEASURE_STRENGTH_PCT, 400, 0.02, trace->now_us, &events, detail),
                     -EINVAL);
    assert_int_equal(tracker_enter(trace->tracker, 7, MEASURE_STRENGTH_PCT, 1.4, 0.02, trace->now_us, &events, detail),
                     -EINVAL);
}

static void known_cup_is_recognised(void **state)
{
    struct trace *trace = *state;
    struct tracker_config config = usual;

    config.cup_g[0] = 280;
    config.cup_g[1] = cup_g;
    config.cup_count = 2;
    tracker_configure(trace->tracker, &config, NULL);
    wait_s(trace, 3);
    move(trace, cup_g + brewer_g, 0.3);
    wait_s(trace, 2);
    move(trace, 15, 4);
    wait_s(trace, 3);
    move(trace, 230, 20);
    wait_s(trace, 40);
    push(trace, 4000, 20);
    wait_s(trace, 3);
    move(trace, -(brewer_g + 45), 0.4);
    wait_s(trace, 6);
    assert_float_equal(measured(trace, 1, MEASURE_BEVERAGE_G), 200, 0.3);
    assert_int_equal(count_of(trace, TRACKER_QUESTION), 0);
}

static void operator_marks_win(void **state)
{
    struct trace *trace = *state;
    struct tracker_events events = { .count = 0 };
    char detail[TRACKER_WORDS];
    struct tracker_event reported[REPORTED];
    int64_t marked_us;
    int count;

    assert_int_equal(tracker_mark(trace->tracker, STAGE_PRESS, trace->now_us, &events, detail), -EINVAL);
    assert_true(strlen(detail) > 10);
    put_things(trace);
    move(trace, 15, 4);
    wait_s(trace, 3);
    move(trace, 230, 20);
    marked_us = trace->now_us + 200000;
    wait_s(trace, 10);
    assert_int_equal(tracker_mark(trace->tracker, STAGE_STEEP, marked_us, &events, detail), 0);
    take(trace, &events);
    count = stages_of(trace, 1, reported);
    assert_int_equal(reported[count - 1].stage, STAGE_STEEP);
    assert_int_equal(reported[count - 1].at_us, marked_us);
    assert_true(reported[count - 1].by_operator);
    wait_s(trace, 10);
    assert_int_equal(tracker_mark(trace->tracker, STAGE_IDLE, trace->now_us, &events, detail), 0);
    take(trace, &events);
    assert_int_equal(count_of(trace, TRACKER_DISCARD), 1);
    wait_s(trace, 20);
    assert_int_equal(count_of(trace, TRACKER_BEGIN), 1);
}

static void begun_and_ended_by_the_operator(void **state)
{
    struct trace *trace = *state;
    struct tracker_events events = { .count = 0 };
    char detail[TRACKER_WORDS];
    struct tracker_view view;

    wait_s(trace, 2);
    assert_int_equal(tracker_order_end(trace->tracker, trace->now_us, &events, detail), -EINVAL);
    assert_int_equal(tracker_order_begin(trace->tracker, trace->now_us, &events, detail), 0);
    assert_int_equal(tracker_order_begin(trace->tracker, trace->now_us, &events, detail), -EINVAL);
    assert_int_equal(tracker_mark(trace->tracker, STAGE_POUR, trace->now_us, &events, detail), 0);
    take(trace, &events);
    tracker_view(trace->tracker, &view);
    assert_int_equal(view.stage, STAGE_POUR);
    assert_int_equal(view.brew, 1);
    assert_int_equal(tracker_order_end(trace->tracker, trace->now_us, &events, detail), 0);
    take(trace, &events);
    assert_int_equal(count_of(trace, TRACKER_BEGIN), 1);
    assert_int_equal(count_of(trace, TRACKER_END), 1);
    tracker_view(trace->tracker, &view);
    assert_int_equal(view.stage, STAGE_IDLE);
}

static void press_by_gauge(struct trace *trace, double kpa, double seconds)
{
    static struct tracker_events events;
    struct reading reading = {
        .quantity = QUANTITY_PRESSURE, .stable = -1, .net = -1, .unit = UNIT_KILOPASCAL, .resolution = 0.1
    };

    for (int64_t until_us = trace->now_us + (int64_t)(seconds * 1e6); trace->now_us < until_us;) {
        reading.mono_us = trace->now_us;
        reading.value = (struct decimal){ llround(kpa * 10), -1 };
        tracker_reading(trace->tracker, &reading, &events);
        take(trace, &events);
        show(trace, trace->load_g);
    }
}

static void a_pressure_instrument_sees_the_press_beside(void **state)
{
    struct trace *trace = *state;
    enum stage stage[] = { STAGE_DOSE, STAGE_POUR, STAGE_STEEP, STAGE_PRESS, STAGE_WEIGH, STAGE_STRENGTH };
    double at_s[6];

    put_things(trace);
    at_s[0] = seconds_now(trace);
    move(trace, 15, 4);
    wait_s(trace, 4);
    at_s[1] = seconds_now(trace);
    move(trace, 230, 25);
    at_s[2] = seconds_now(trace);
    press_by_gauge(trace, 0.2, 60);
    move(trace, -trace->load_g, 0.5);
    press_by_gauge(trace, 0.2, 6);
    at_s[3] = seconds_now(trace);
    press_by_gauge(trace, 24, 20);
    press_by_gauge(trace, 36, 4);
    press_by_gauge(trace, 0.1, 8);
    at_s[4] = seconds_now(trace);
    move(trace, cup_g + 200, 0.4);
    at_s[5] = seconds_now(trace);
    wait_s(trace, 5);
    assert_stages(trace, 1, stage, at_s, 6, 0.45);
    assert_float_equal(measured(trace, 1, MEASURE_PRESS_PEAK_KPA), 36, 0.01);
    assert_float_equal(measured(trace, 1, MEASURE_PRESS_MEAN_KPA), 26, 0.2);
    assert_float_equal(measured(trace, 1, MEASURE_PRESS_S), 24, 0.3);
    assert_float_equal(measured(trace, 1, MEASURE_STEEP_S), at_s[3] - at_s[1], 0.5);
    assert_true(was_reported(trace, TRACKER_WARNING, "press-too-hard"));
}

static void handling_is_no_brew(void **state)
{
    struct trace *trace = *state;

    wait_s(trace, 5);
    for (int i = 0; i < 20; i++) {
        move(trace, cup_g, 0.3);
        wait_s(trace, 5);
        shake(trace, 40, 4); /* a cloth */
        wait_s(trace, 5);
        move(trace, -cup_g, 0.3);
        wait_s(trace, 30);
        shake(trace, 3, 0.4); /* a knock */
        move(trace, 0.3, 60); /* drift */
    }
    assert_int_equal(trace->reported_count, 20); /* it was seen each time it came */
    for (int i = 0; i < trace->reported_count; i++) {
        assert_int_equal(trace->reported[i].kind, TRACKER_WEIGHED);
        assert_int_equal(trace->reported[i].weighed, WEIGHED_ALONE);
        assert_float_equal(trace->reported[i].value, cup_g, 0.2);
    }
}

static void lifting_is_no_tare(void **state)
{
    struct trace *trace = *state;
    struct tracker_view view;

    wait_s(trace, 3);
    move(trace, cup_g, 0.2);
    wait_s(trace, 3);
    move(trace, -cup_g, 0.2);
    wait_s(trace, 3);
    tracker_view(trace->tracker, &view);
    assert_float_equal(view.load_g, 0, 0.15);
    move(trace, cup_g, 0.2);
    wait_s(trace, 3);
    tare(trace);
    wait_s(trace, 3);
    tracker_view(trace->tracker, &view);
    assert_float_equal(view.load_g, cup_g, 0.15);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(bloom_pour_stir_press, setup, teardown),
        cmocka_unit_test_setup_teardown(the_view_is_of_the_newest_indication, setup, teardown),
        cmocka_unit_test_setup_teardown(one_pour_pressed_beside, setup, teardown),
        cmocka_unit_test_setup_teardown(a_lift_is_an_uncertain_begin_of_a_press, setup, teardown),
        cmocka_unit_test_setup_teardown(overloaded_press_is_a_lower_bound, setup, teardown),
        cmocka_unit_test_setup_teardown(press_above_the_limit_is_said_once, setup, teardown),
        cmocka_unit_test_setup_teardown(together_without_tare_asks_for_the_cup, setup, teardown),
        cmocka_unit_test_setup_teardown(known_cup_is_recognised, setup, teardown),
        cmocka_unit_test_setup_teardown(operator_marks_win, setup, teardown),
        cmocka_unit_test_setup_teardown(begun_and_ended_by_the_operator, setup, teardown),
        cmocka_unit_test_setup_teardown(a_pressure_instrument_sees_the_press_beside, setup, teardown),
        cmocka_unit_test_setup_teardown(handling_is_no_brew, setup, teardown),
        cmocka_unit_test_setup_teardown(lifting_is_no_tare, setup, teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
