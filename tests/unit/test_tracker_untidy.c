/* The stage tracker where hands are untidy: no pause between pour and spoon, the brewer carried off, a cup that nobody
 * saw empty. */
#include "tracker_trace.h"

/* The spoon goes in as the last drops fall, and leans: the water is what rests there when it is out again. */
static void a_stir_on_the_heels_of_the_pour_is_no_water(void **state)
{
    struct trace *trace = *state;
    double lean_g[] = { 0, 6 };

    put_things(trace);
    move(trace, 15, 4);
    wait_s(trace, 3);
    for (int i = 0; i < 2; i++) {
        move(trace, 115, 11);
        trace->load_g += lean_g[i];
        shake(trace, 4, 6);
        trace->load_g -= lean_g[i];
        wait_s(trace, 6);
        assert_float_equal(measured(trace, 1, MEASURE_WATER_G), 115 * (i + 1), 0.3);
    }
}

/* Water in small pours with a breath between: the first of them is no bloom. */
static void a_breath_between_pours_is_no_bloom(void **state)
{
    struct trace *trace = *state;
    struct tracker_event reported[REPORTED];

    put_things(trace);
    move(trace, 15, 4);
    wait_s(trace, 3);
    for (int i = 0; i < 4; i++) {
        move(trace, 57, 6);
        wait_s(trace, 3);
    }
    wait_s(trace, 30);
    for (int i = stages_of(trace, 1, reported) - 1; i >= 0; i--)
        assert_int_not_equal(reported[i].stage, STAGE_BLOOM);
    assert_true(isnan(measured(trace, 1, MEASURE_BLOOM_S)));
}

/* The plunger comes down on the end of the pour: the water is not known better than to a few grams. */
static void a_pour_without_a_rest_is_uncertain(void **state)
{
    struct trace *trace = *state;

    put_things(trace);
    move(trace, 15, 4);
    wait_s(trace, 3);
    move(trace, 230, 20);
    move(trace, plunger_g, 0.3);
    wait_s(trace, 30);
    assert_float_equal(measured(trace, 1, MEASURE_WATER_G), 230, 6);
    assert_true(reported_u(trace, 1, MEASURE_WATER_G) > 1);
}

/* The brewer is lifted off first, then the cup, and all is thrown away.  The cup that comes next begins another brew,
 * and so does an emptied brewer that comes back to a cup that stayed. */
static void a_brewer_carried_off_and_emptied_ends_the_brew(void **state)
{
    struct trace *trace = *state;

    for (int cup_stays = 0; cup_stays <= 1; cup_stays++) {
        uint32_t brew = (uint32_t)(1 + 2 * cup_stays);

        put_things(trace);
        move(trace, 15, 4);
        wait_s(trace, 3);
        move(trace, 230, 20);
        wait_s(trace, 30);
        move(trace, -(brewer_g + 245), 0.4);
        wait_s(trace, 3);
        if (!cup_stays) {
            move(trace, -cup_g, 0.4);
            wait_s(trace, 20);
            move(trace, cup_g, 0.4);
            wait_s(trace, 3);
        }
        wait_s(trace, 10);
        move(trace, brewer_g, 0.4);
        wait_s(trace, 3);
        move(trace, 14, 4);
        wait_s(trace, 3);
        move(trace, 220, 20);
        wait_s(trace, 40);
        push(trace, 4000, 20);
        wait_s(trace, 3);
        move(trace, -(brewer_g + 42), 0.4);
        wait_s(trace, 6);
        assert_int_equal(count_of(trace, TRACKER_DISCARD), cup_stays + 1);
        assert_int_equal(count_of(trace, TRACKER_END), cup_stays + 1);
        assert_float_equal(measured(trace, brew + 1, MEASURE_DOSE_G), 14, 0.1);
        assert_float_equal(measured(trace, brew + 1, MEASURE_WATER_G), 220, 0.3);
        assert_float_equal(measured(trace, brew + 1, MEASURE_BEVERAGE_G), 192, cup_stays ? 25 : 0.3);
        move(trace, -trace->load_g, 0.4);
    }
}

/* The brewer is carried off to be pressed, the cup after it: the press began with the first. */
static void a_press_beside_begins_when_the_brewer_goes(void **state)
{
    struct trace *trace = *state;
    double poured_s, lifted_s;

    put_things(trace);
    move(trace, 15, 4);
    wait_s(trace, 3);
    poured_s = seconds_now(trace);
    move(trace, 230, 20);
    wait_s(trace, 40);
    lifted_s = seconds_now(trace);
    move(trace, -(brewer_g + 245), 0.4);
    wait_s(trace, 3);
    move(trace, -cup_g, 0.4);
    wait_s(trace, 30);
    move(trace, cup_g + 200, 0.4);
    wait_s(trace, 25);
    assert_int_equal(count_of(trace, TRACKER_END), 1);
    assert_float_equal(measured(trace, 1, MEASURE_BEVERAGE_G), 200, 0.3);
    assert_float_equal(measured(trace, 1, MEASURE_STEEP_S), lifted_s - poured_s, 0.5);
}

/* 18 g made into a small strong cup is no bloom when so much coffee was planned. */
static void a_planned_dose_is_no_bloom(void **state)
{
    struct trace *trace = *state;
    struct tracker_plan plan;

    for (int i = 0; i < MEASURE_COUNT; i++)
        plan.target[i] = plan.tolerance[i] = NAN;
    plan.target[MEASURE_DOSE_G] = 18;
    tracker_configure(trace->tracker, NULL, &plan);
    put_things(trace);
    move(trace, 18.3, 5);
    wait_s(trace, 3);
    move(trace, 90, 10);
    wait_s(trace, 40);
    push(trace, 4000, 20);
    wait_s(trace, 3);
    move(trace, -(brewer_g + 54), 0.4);
    wait_s(trace, 6);
    assert_float_equal(measured(trace, 1, MEASURE_DOSE_G), 18.3, 0.1);
    assert_float_equal(measured(trace, 1, MEASURE_WATER_G), 90, 0.3);
}

/* Moves at once, seen through the two poles that the tracker takes a filter for. */
static void move_smoothly(struct trace *trace, double grams, double pole_s, double seconds)
{
    double near = 1 - exp(-(double)trace->tick_us / 1e6 / pole_s), half_g = trace->load_g, shown_g = trace->load_g;
    double until_s = seconds_now(trace) + seconds;

    trace->load_g += grams;
    while (seconds_now(trace) < until_s) {
        half_g += near * (trace->load_g - half_g);
        shown_g += near * (half_g - shown_g);
        show(trace, shown_g);
    }
}

/* Nor when the operator enters that so much coffee it was: the water is what came after it. */
static void an_answered_dose_is_no_bloom(void **state)
{
    struct trace *trace = *state;
    struct tracker_events events = { .count = 0 };
    char detail[TRACKER_WORDS];

    put_things(trace);
    move(trace, 18.3, 5);
    wait_s(trace, 3);
    move(trace, 90, 10);
    wait_s(trace, 40);
    push(trace, 4000, 20);
    wait_s(trace, 3);
    assert_true(fabs(measured(trace, 1, MEASURE_DOSE_G) - 18.3) < 0.1 || was_reported(trace, TRACKER_QUESTION, "dose"));
    assert_int_equal(tracker_enter(trace->tracker, 1, MEASURE_DOSE_G, 18, 0.3, trace->now_us, &events, detail), 0);
    take(trace, &events);
    wait_s(trace, 3);
    move(trace, -(brewer_g + 54), 0.4);
    wait_s(trace, 6);
    assert_float_equal(measured(trace, 1, MEASURE_DOSE_G), 18, 0.001);
    assert_float_equal(measured(trace, 1, MEASURE_WATER_G), 90, 0.3);
    assert_true(isnan(measured(trace, 1, MEASURE_BLOOM_S)));
}

/* A slow filter, undone, makes the load swing below nothing when all is lifted off: the empty scale is where it comes
 * to rest, and the next cup is weighed from there. */
static void the_empty_scale_is_where_it_comes_to_rest(void **state)
{
    static const double pole_s = 0.26;
    struct trace *trace = *state;
    struct tracker_config config = usual;

    config.lag_us = 0;
    tracker_configure(trace->tracker, &config, NULL);
    trace->tick_us = 200000;
    trace->lag_s = 0.001;
    for (uint32_t brew = 1; brew <= 2; brew++) {
        wait_s(trace, 3);
        move_smoothly(trace, cup_g, pole_s, 4);
        move_smoothly(trace, brewer_g, pole_s, 4);
        move(trace, 15, 4);
        wait_s(trace, 3);
        move(trace, 230, 20);
        wait_s(trace, 40);
        push(trace, 4000, 20);
        wait_s(trace, 4);
        move_smoothly(trace, -(brewer_g + 45), pole_s, 8);
        assert_float_equal(measured(trace, brew, MEASURE_BEVERAGE_G), 200, 0.4);
        move_smoothly(trace, -trace->load_g / 5, pole_s, 0.2);
        move_smoothly(trace, -trace->load_g, pole_s, 8);
    }
}

/* The tracker starts while a cup is being set down: that says nothing of the cup's mass, least of all that it is 0. */
static void begun_amid_a_cup_the_cup_is_not_known(void **state)
{
    struct trace *trace = *state;

    trace->load_g = trace->shown_g = cup_g / 4;
    move(trace, cup_g * 3 / 4, 0.6);
    wait_s(trace, 3);
    move(trace, brewer_g, 0.3);
    wait_s(trace, 3);
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
}

/* The one cup that is known would leave 18 g less than coffee holds back: it is asked, not sure. */
static void a_known_cup_that_hardly_fits_is_asked_for(void **state)
{
    struct trace *trace = *state;
    struct tracker_config config = usual;

    config.cup_g[0] = cup_g;
    config.cup_count = 1;
    tracker_configure(trace->tracker, &config, NULL);
    wait_s(trace, 3);
    move(trace, cup_g - 18 + brewer_g, 0.3);
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
    assert_true(reported_u(trace, 1, MEASURE_BEVERAGE_G) > 5);
}

/* What the operator answers, with its uncertainty, no cup that comes later knows better: neither asked while the brew
 * is weighed nor after its end. */
static void no_later_cup_overrules_the_operator(void **state)
{
    struct trace *trace = *state;
    struct tracker_events events = { .count = 0 };
    char detail[TRACKER_WORDS];

    for (uint32_t brew = 1; brew <= 3; brew++) {
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
        wait_s(trace, brew == 1 ? 2 : 6);
        assert_int_equal(count_of(trace, TRACKER_END), brew == 1 ? 0 : (int)brew);
        if (brew <= 2)
            assert_int_equal(
                tracker_enter(trace->tracker, brew, MEASURE_BEVERAGE_G, 197, 0.1, trace->now_us, &events, detail), 0);
        take(trace, &events);
        wait_s(trace, 5);
        move(trace, -trace->load_g, 0.4);
        wait_s(trace, 5);
        move(trace, cup_g, 0.4); /* emptied */
        wait_s(trace, 5);
        assert_float_equal(measured(trace, brew, MEASURE_BEVERAGE_G), brew <= 2 ? 197 : 200, 1);
        assert_float_equal(reported_u(trace, brew, MEASURE_BEVERAGE_G), brew <= 2 ? 0.1 : 3, brew <= 2 ? 0.05 : 0.1);
        move(trace, -trace->load_g, 0.4);
    }
}

/* Taken away after a steep, pressed out of sight, and the cup never comes back: dose, water and steep are kept, and the
 * beverage is asked for, when the next brew's empty cup is set down. */
static void a_cup_that_never_comes_back_keeps_its_brew(void **state)
{
    struct trace *trace = *state;
    double poured_s, lifted_s;

    put_things(trace);
    move(trace, 15, 4);
    wait_s(trace, 3);
    poured_s = seconds_now(trace);
    move(trace, 230, 20);
    wait_s(trace, 60);
    lifted_s = seconds_now(trace);
    move(trace, -trace->load_g, 0.5);
    wait_s(trace, 60);
    move(trace, cup_g, 0.4);
    wait_s(trace, 3);
    move(trace, brewer_g, 0.4);
    wait_s(trace, 6);
    assert_int_equal(count_of(trace, TRACKER_END), 1);
    assert_int_equal(count_of(trace, TRACKER_DISCARD), 0);
    assert_float_equal(measured(trace, 1, MEASURE_DOSE_G), 15, 0.1);
    assert_float_equal(measured(trace, 1, MEASURE_WATER_G), 230, 0.3);
    assert_float_equal(measured(trace, 1, MEASURE_STEEP_S), lifted_s - poured_s, 0.5);
    assert_true(isnan(measured(trace, 1, MEASURE_BEVERAGE_G)));
    assert_true(was_reported(trace, TRACKER_QUESTION, "beverage"));
}

/* A hand or a full cloth is laid on brewer and cup as evenly as water runs, and is taken away again: the brew that was
 * begun is taken back, and the real one begins where it does. */
static void a_brew_out_of_nothing_is_taken_back(void **state)
{
    struct trace *trace = *state;
    struct tracker_event reported[REPORTED];
    uint32_t brews;
    double dosed_s;

    put_things(trace);
    move(trace, 60, 6);
    move(trace, -60, 0.3);
    wait_s(trace, 20);
    brews = (uint32_t)count_of(trace, TRACKER_BEGIN);
    assert_int_equal(count_of(trace, TRACKER_DISCARD), brews);
    dosed_s = seconds_now(trace);
    move(trace, 15, 4);
    wait_s(trace, 3);
    move(trace, 230, 20);
    wait_s(trace, 40);
    assert_true(stages_of(trace, brews + 1, reported) > 0);
    assert_float_equal((double)reported[0].at_us / 1e6, dosed_s, 0.5);
    assert_float_equal(measured(trace, brews + 1, MEASURE_WATER_G), 230, 0.3);
}

/* Two hundred and fifty readings a second, and five hundred. */
static void fast_scales_are_followed(void **state)
{
    for (int64_t tick_us = 4000; tick_us >= 2000; tick_us -= 2000) {
        struct trace *trace = *state;

        trace->tick_us = tick_us;
        put_things(trace);
        move(trace, 15, 4);
        wait_s(trace, 3);
        move(trace, 230, 20);
        wait_s(trace, 40);
        push(trace, 4000, 20);
        wait_s(trace, 3);
        move(trace, -(brewer_g + 45), 0.4);
        wait_s(trace, 6);
        assert_int_equal(count_of(trace, TRACKER_END), 1);
        assert_float_equal(measured(trace, 1, MEASURE_DOSE_G), 15, 0.1);
        assert_float_equal(measured(trace, 1, MEASURE_WATER_G), 230, 0.3);
        assert_float_equal(measured(trace, 1, MEASURE_BEVERAGE_G), 200, 0.3);
        assert_float_equal(measured(trace, 1, MEASURE_PRESS_S), 20, 0.8);
        teardown(state);
        setup(state);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_cup_that_never_comes_back_keeps_its_brew, setup, teardown),
        cmocka_unit_test_setup_teardown(fast_scales_are_followed, setup, teardown),
        cmocka_unit_test_setup_teardown(a_brew_out_of_nothing_is_taken_back, setup, teardown),
        cmocka_unit_test_setup_teardown(a_stir_on_the_heels_of_the_pour_is_no_water, setup, teardown),
        cmocka_unit_test_setup_teardown(a_breath_between_pours_is_no_bloom, setup, teardown),
        cmocka_unit_test_setup_teardown(a_pour_without_a_rest_is_uncertain, setup, teardown),
        cmocka_unit_test_setup_teardown(a_brewer_carried_off_and_emptied_ends_the_brew, setup, teardown),
        cmocka_unit_test_setup_teardown(a_press_beside_begins_when_the_brewer_goes, setup, teardown),
        cmocka_unit_test_setup_teardown(a_planned_dose_is_no_bloom, setup, teardown),
        cmocka_unit_test_setup_teardown(an_answered_dose_is_no_bloom, setup, teardown),
        cmocka_unit_test_setup_teardown(the_empty_scale_is_where_it_comes_to_rest, setup, teardown),
        cmocka_unit_test_setup_teardown(begun_amid_a_cup_the_cup_is_not_known, setup, teardown),
        cmocka_unit_test_setup_teardown(a_known_cup_that_hardly_fits_is_asked_for, setup, teardown),
        cmocka_unit_test_setup_teardown(no_later_cup_overrules_the_operator, setup, teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
