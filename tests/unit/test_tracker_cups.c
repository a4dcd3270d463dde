/* The stage tracker and the cup: seen empty in a hurry, tared amid damage, put down with a pause.  Traces written by
 * hand, as in test_tracker.c. */
#include "tracker_trace.h"

/* A scale whose last digit flickers now and then. */
static void flicker(struct trace *trace, double seconds, uint32_t *state)
{
    static struct tracker_events events;
    int64_t until_us = trace->now_us + (int64_t)(seconds * 1e6);

    while (trace->now_us < until_us) {
        struct reading reading = {
            .quantity = QUANTITY_MASS, .stable = -1, .net = -1, .unit = UNIT_GRAM, .resolution = 0.1
        };

        *state = *state * 1664525U + 1013904223U;
        trace->now_us += trace->tick_us;
        trace->shown_g += (trace->load_g - trace->shown_g) * (1 - exp(-(double)trace->tick_us / 1e6 / trace->lag_s));
        reading.mono_us = trace->now_us;
        reading.value.exponent = -1;
        reading.value.mantissa = llround((trace->shown_g - trace->tare_g) * 10);
        reading.value.mantissa += (*state >> 28 < 2) - (*state >> 28 > 13);
        tracker_reading(trace->tracker, &reading, &events);
        take(trace, &events);
    }
}

/* One damaged line that still reads as a number. */
static void show_damaged(struct trace *trace, int64_t tenths)
{
    static struct tracker_events events;
    struct reading reading = {
        .quantity = QUANTITY_MASS, .stable = -1, .net = -1, .unit = UNIT_GRAM, .resolution = 0.1
    };

    trace->now_us += trace->tick_us;
    reading.mono_us = trace->now_us;
    reading.value.exponent = -1;
    reading.value.mantissa = tenths;
    tracker_reading(trace->tracker, &reading, &events);
    take(trace, &events);
}

/* From the dose to the press, on the cup that stands there. */
static void brew_on_the_cup(struct trace *trace)
{
    move(trace, brewer_g, 0.3);
    wait_s(trace, 3);
    move(trace, 15, 4);
    wait_s(trace, 4);
    move(trace, 230, 25);
    wait_s(trace, 3);
    move(trace, plunger_g, 0.3);
    wait_s(trace, 60);
    push(trace, 2500, 20);
    wait_s(trace, 3);
}

/* The scale is plugged in a second before the cup comes: a fine last digit flickers, and the filter undone makes more
 * of it than a scale at rest may show. */
static void the_first_cup_is_seen_on_a_scale_that_has_just_spoken(void **state)
{
    (void)state;
    for (uint32_t seed = 1; seed <= 20; seed++) {
        struct tracker_config config = usual;
        uint32_t random = seed;
        struct trace *trace;
        void *own = NULL;

        assert_int_equal(setup(&own), 0);
        trace = own;
        trace->lag_s = 0.225;
        trace->tick_us = 50000;
        config.lag_us = 450000;
        tracker_configure(trace->tracker, &config, NULL);
        flicker(trace, 1.8, &random);
        trace->load_g = cup_g;
        flicker(trace, 4, &random);
        brew_on_the_cup(trace);
        move(trace, -(brewer_g + plunger_g + 15 + 30), 0.4);
        wait_s(trace, 6);
        assert_float_equal(measured(trace, 1, MEASURE_BEVERAGE_G), 200, 0.3);
        assert_true(reported_u(trace, 1, MEASURE_BEVERAGE_G) < 1);
        teardown(&own);
    }
}

/* The tare was ordered, and the last line before the scale obeyed lost a digit. */
static void a_damaged_line_before_an_ordered_tare_moves_no_zero(void **state)
{
    struct trace *trace = *state;

    wait_s(trace, 3);
    move(trace, cup_g, 0.3);
    wait_s(trace, 4);
    tracker_tare_ordered(trace->tracker, trace->now_us);
    show_damaged(trace, 34);
    tare(trace);
    wait_s(trace, 2);
    brew_on_the_cup(trace);
    move(trace, -(brewer_g + plunger_g + 15 + 30), 0.4);
    wait_s(trace, 6);
    assert_float_equal(measured(trace, 1, MEASURE_BEVERAGE_G), 200, 0.3);
    assert_true(reported_u(trace, 1, MEASURE_BEVERAGE_G) < 1);
}

/* The full cup comes back, and the hand that brings it rests on its rim for a moment. */
static void a_hand_that_pauses_on_the_cup_is_not_weighed(void **state)
{
    struct trace *trace = *state;

    wait_s(trace, 3);
    move(trace, cup_g, 0.3);
    wait_s(trace, 3);
    brew_on_the_cup(trace);
    move(trace, -trace->load_g, 0.5);
    wait_s(trace, 8);
    move(trace, cup_g + 200 + 9, 0.4);
    wait_s(trace, 1);
    move(trace, -9, 0.1);
    wait_s(trace, 8);
    assert_float_equal(measured(trace, 1, MEASURE_BEVERAGE_G), 200, 0.3);
    assert_int_equal(count_of(trace, TRACKER_END), 1);
}

/* Tared as soon as the brewer stands there, on a slow scale that speaks five times a second: the last gram or two of
 * it is still coming. */
static void a_tare_on_the_heels_of_what_is_put_down_is_one(void **state)
{
    (void)state;
    for (double waits_s = 1.4; waits_s < 2.3; waits_s += 0.2) {
        struct tracker_config config = usual;
        struct trace *trace;
        void *own = NULL;

        assert_int_equal(setup(&own), 0);
        trace = own;
        trace->lag_s = 0.3;
        trace->tick_us = 200000;
        config.lag_us = 300000;
        tracker_configure(trace->tracker, &config, NULL);
        wait_s(trace, 2);
        move(trace, brewer_g + plunger_g, 0.4);
        wait_s(trace, waits_s);
        tare(trace);
        wait_s(trace, 4);
        move(trace, 15, 2);
        wait_s(trace, 8);
        move(trace, 230, 20);
        wait_s(trace, 30);
        assert_int_equal(count_of(trace, TRACKER_BEGIN), 1);
        assert_float_equal(measured(trace, 1, MEASURE_DOSE_G), 15, 0.15);
        assert_float_equal(measured(trace, 1, MEASURE_WATER_G), 230, 0.4);
        teardown(&own);
    }
}

static void know_cup(struct trace *trace, double grams)
{
    struct tracker_config config = usual;

    config.cup_g[config.cup_count++] = grams;
    tracker_configure(trace->tracker, &config, NULL);
}

/* A brewer without its cup: 15 g, 230 g, and the plunger on. */
static void brew_alone(struct trace *trace)
{
    wait_s(trace, 3);
    move(trace, brewer_g, 0.3);
    wait_s(trace, 3);
    move(trace, 15, 4);
    wait_s(trace, 4);
    move(trace, 230, 25);
    wait_s(trace, 3);
    move(trace, plunger_g, 0.3);
    wait_s(trace, 60);
}

/* Pressed beside the scale into a known cup: full, it weighs 4 g less than what was taken away. */
static void a_full_cup_as_heavy_as_the_brewer_is_the_cup(void **state)
{
    struct trace *trace = *state;
    double beverage_g = 199.5;

    know_cup(trace, brewer_g + plunger_g + 245 - 4 - beverage_g);
    brew_alone(trace);
    move(trace, -trace->load_g, 0.5);
    wait_s(trace, 30);
    move(trace, brewer_g + plunger_g + 245 - 4, 0.4);
    wait_s(trace, 8);
    move(trace, -trace->load_g, 0.4);
    wait_s(trace, 20);
    assert_int_equal(count_of(trace, TRACKER_END), 1);
    assert_int_equal(count_of(trace, TRACKER_DISCARD), 0);
    assert_float_equal(measured(trace, 1, MEASURE_BEVERAGE_G), beverage_g, 0.3);
}

/* The brewer is carried about for half a minute and set down again as it was, but for some steam. */
static void a_brewer_brought_back_late_steeps_on(void **state)
{
    struct trace *trace = *state;

    know_cup(trace, brewer_g + plunger_g + 245 - 199.5);
    brew_alone(trace);
    move(trace, -trace->load_g, 0.5);
    wait_s(trace, 30);
    move(trace, brewer_g + plunger_g + 245 - 0.3, 0.4);
    wait_s(trace, 30);
    assert_int_equal(count_of(trace, TRACKER_END), 0);
    assert_true(isnan(measured(trace, 1, MEASURE_BEVERAGE_G)));
    push(trace, 2500, 20);
    wait_s(trace, 3);
    assert_float_equal(measured(trace, 1, MEASURE_PRESS_S), 20, 1);
}

/* A brew is taken away and thrown out; the next one's cup and brewer come.  No cup holds more than was poured into the
 * brewer, unless it is thinned. */
static void more_than_was_poured_is_no_beverage(void **state)
{
    struct trace *trace = *state;

    wait_s(trace, 3);
    move(trace, cup_g, 0.3);
    wait_s(trace, 3);
    move(trace, brewer_g, 0.3);
    wait_s(trace, 3);
    move(trace, 15, 4);
    wait_s(trace, 4);
    move(trace, 160, 20);
    wait_s(trace, 20);
    move(trace, -trace->load_g, 0.5);
    wait_s(trace, 25);
    move(trace, cup_g + 80 + brewer_g, 0.4);
    wait_s(trace, 8);
    assert_int_equal(count_of(trace, TRACKER_DISCARD), 1);
    assert_int_equal(count_of(trace, TRACKER_END), 0);
}

/* As before, but only the next brew's cup comes at first: a known one, which weighs what it does empty. */
static void a_known_cup_that_comes_empty_begins_anew(void **state)
{
    struct trace *trace = *state;

    know_cup(trace, 390);
    wait_s(trace, 3);
    move(trace, cup_g + brewer_g, 0.3);
    wait_s(trace, 3);
    move(trace, 15, 4);
    wait_s(trace, 4);
    move(trace, 230, 25);
    wait_s(trace, 20);
    move(trace, -trace->load_g, 0.5);
    wait_s(trace, 25);
    move(trace, 390, 0.4);
    wait_s(trace, 4);
    assert_int_equal(count_of(trace, TRACKER_DISCARD), 1);
    assert_true(isnan(measured(trace, 1, MEASURE_BEVERAGE_G)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_first_cup_is_seen_on_a_scale_that_has_just_spoken),
        cmocka_unit_test_setup_teardown(a_damaged_line_before_an_ordered_tare_moves_no_zero, setup, teardown),
        cmocka_unit_test_setup_teardown(a_hand_that_pauses_on_the_cup_is_not_weighed, setup, teardown),
        cmocka_unit_test(a_tare_on_the_heels_of_what_is_put_down_is_one),
        cmocka_unit_test_setup_teardown(a_full_cup_as_heavy_as_the_brewer_is_the_cup, setup, teardown),
        cmocka_unit_test_setup_teardown(a_brewer_brought_back_late_steeps_on, setup, teardown),
        cmocka_unit_test_setup_teardown(more_than_was_poured_is_no_beverage, setup, teardown),
        cmocka_unit_test_setup_teardown(a_known_cup_that_comes_empty_begins_anew, setup, teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
