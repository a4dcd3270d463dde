/* The stage tracker and a scale's filter: when a pour truly ended, a lift began, and what was weighed. */
#include "tracker_trace.h"

/* A scale whose filter has two equal poles and runs on between indications. */
struct slow {
    struct trace *trace;
    double pole_s, pole_g[2], noise;
    int64_t now_us, late_us;
};

static const int64_t STEP_US = 10000;

static void step_slow(struct slow *slow, double load_g)
{
    double follow = 1 - exp(-(double)STEP_US / 1e6 / slow->pole_s);

    slow->pole_g[0] += (load_g - slow->pole_g[0]) * follow;
    slow->pole_g[1] += (slow->pole_g[0] - slow->pole_g[1]) * follow;
    slow->trace->load_g = load_g;
    slow->now_us += STEP_US;
    if (slow->now_us < slow->trace->now_us - slow->late_us + slow->trace->tick_us)
        return;
    slow->noise += 2.4; /* a converter's, of 0.03 g; and lines come late by up to 24 ms */
    slow->trace->now_us -= slow->late_us;
    slow->late_us = (int64_t)(12000 * (1 + sin(1.7 * slow->noise)));
    slow->trace->now_us += slow->late_us;
    show(slow->trace, slow->pole_g[1] + 0.04 * sin(slow->noise));
}

static void rest_slow(struct slow *slow, double seconds)
{
    for (int64_t until_us = slow->now_us + (int64_t)(seconds * 1e6); slow->now_us < until_us;)
        step_slow(slow, slow->trace->load_g);
}

/* A kettle is tipped over tips_s, and tipped back over as long; what falls for a tenth of a second pushes already. */
static void pour_slow(struct slow *slow, double grams, double seconds, double tips_s)
{
    double from_g = slow->trace->load_g, even_s = seconds - tips_s;
    int64_t from_us = slow->now_us;

    for (double t = 0; t < seconds; t = (double)(slow->now_us + STEP_US - from_us) / 1e6) {
        double left = seconds - t, share = (t - tips_s / 2) / even_s;
        double flow = fmin(1, fmin(t, left) / tips_s) / even_s;

        if (t < tips_s)
            share = t * t / (2 * tips_s) / even_s;
        else if (left < tips_s)
            share = 1 - left * left / (2 * tips_s) / even_s;
        step_slow(slow, from_g + grams * (share + 0.1 * flow));
    }
    slow->trace->load_g = from_g + grams;
}

static void begin_again(struct slow *slow, int64_t tick_us, double lag_s)
{
    struct tracker_config config = usual;
    struct trace *trace = slow->trace;

    config.lag_us = (int64_t)(lag_s * 1e6);
    tracker_begin(trace->tracker, &config);
    trace->reported_count = 0;
    trace->tick_us = tick_us;
    trace->lag_s = 1e-3; /* show() has no filter to add */
    trace->load_g = trace->tare_g = slow->pole_g[0] = slow->pole_g[1] = 0;
    slow->pole_s = lag_s / 2;
    slow->now_us = trace->now_us;
    slow->late_us = 0;
    rest_slow(slow, 3);
    trace->load_g += 620;
    rest_slow(slow, 4);
    pour_slow(slow, 15, 5, 0.5);
    rest_slow(slow, 5);
}

/* A filter leaves a tail: the steep begins where the kettle was tipped back, not where the tail is lost in the last
 * digit. */
static void no_filter_makes_a_steep_late(void **state)
{
    static const int64_t ticks_us[] = { 200000, 100000, 50000 };
    struct slow slow = { .trace = *state };

    for (int rate = 0; rate < 3; rate++)
        for (int i = 0; i < 24; i++) {
            double lag_s = 0.1 + 0.05 * (i % 9), ended_s;
            struct tracker_event reported[REPORTED];
            int count;

            begin_again(&slow, ticks_us[rate], lag_s);
            pour_slow(&slow, 155 + 4 * i, 18 - i / 3, 0.6);
            ended_s = (double)slow.now_us / 1e6;
            rest_slow(&slow, 5);
            count = stages_of(slow.trace, 1, reported);
            assert_int_equal(count, 3);
            assert_int_equal(reported[2].stage, STAGE_STEEP);
            if (fabs((double)reported[2].at_us / 1e6 - ended_s) > 0.1)
                fail_msg("%.0f a second, lag %.2f s, %d: steep at %.2f, truly %.2f", 1e6 / (double)ticks_us[rate],
                         lag_s, i, (double)reported[2].at_us / 1e6, ended_s);
        }
}

/* A blow rings out. */
static void knock_slow(struct slow *slow, double grams, double seconds)
{
    double load_g = slow->trace->load_g;

    for (int64_t from_us = slow->now_us; slow->now_us < from_us + (int64_t)(seconds * 1e6);)
        step_slow(slow, load_g + grams * exp(-(double)(slow->now_us - from_us) / 0.15e6));
    slow->trace->load_g = load_g;
}

/* The bench is knocked, and tared while that still rings in the filter: the dose is what it was before. */
static void a_knock_before_the_tare_moves_no_coffee(void **state)
{
    struct slow slow = { .trace = *state };

    for (int i = 0; i < 24; i++) {
        begin_again(&slow, i % 2 ? 100000 : 50000, 0.1 + 0.05 * (i % 9));
        knock_slow(&slow, 12 + 2 * i, 1.2 + 0.02 * i);
        tare(slow.trace);
        rest_slow(&slow, 2.5);
        pour_slow(&slow, 155, 14, 0.6);
        rest_slow(&slow, 5);
        if (fabs(measured(slow.trace, 1, MEASURE_DOSE_G) - 15) > 0.1)
            fail_msg("%d: the dose is 15 g, reported %.2f", i, measured(slow.trace, 1, MEASURE_DOSE_G));
    }
}

/* What was tared away is gone, so water flows past zero: that is no tare. */
static void water_that_flows_past_zero_is_no_tare(void **state)
{
    struct slow slow = { .trace = *state };

    for (int i = 0; i < 12; i++) {
        begin_again(&slow, 50000, 0.15);
        tracker_begin(slow.trace->tracker, &usual);
        slow.trace->reported_count = 0;
        slow.trace->load_g = 0;
        slow.trace->tare_g = 700 + 0.07 * i;
        rest_slow(&slow, 6);
        slow.trace->load_g = 620;
        rest_slow(&slow, 4);
        pour_slow(&slow, 15, 5, 0.5);
        rest_slow(&slow, 5);
        pour_slow(&slow, 155, 14 + i, 0.6);
        rest_slow(&slow, 6);
        if (fabs(measured(slow.trace, 1, MEASURE_WATER_G) - 155) > 0.15)
            fail_msg("%d: the water is 155 g, reported %.2f", i, measured(slow.trace, 1, MEASURE_WATER_G));
    }
}

/* Coffee goes in before the brewer's own tail has gone: where it stood is not known to a division, and that is said. */
static void a_level_that_hardly_settled_is_uncertain(void **state)
{
    struct slow slow = { .trace = *state };
    struct tracker_config config = usual;
    double u_g[2];

    config.lag_us = 480000;
    for (int hurried = 0; hurried <= 1; hurried++) {
        begin_again(&slow, 200000, 0.48);
        tracker_begin(slow.trace->tracker, &config);
        slow.trace->reported_count = 0;
        slow.trace->load_g = 0;
        rest_slow(&slow, 6);
        slow.trace->load_g = 620;
        rest_slow(&slow, hurried ? 1.9 : 6);
        pour_slow(&slow, 15, 2, 0.5);
        rest_slow(&slow, 6);
        pour_slow(&slow, 155, 14, 0.6);
        rest_slow(&slow, 5);
        u_g[hurried] = reported_u(slow.trace, 1, MEASURE_DOSE_G);
        assert_true(fabs(measured(slow.trace, 1, MEASURE_DOSE_G) - 15) < 2 * u_g[hurried]);
    }
    assert_true(u_g[1] > 1.3 * u_g[0]);
}

/* Slow at both ends, as hands are. */
static void move_slow(struct slow *slow, double grams, double seconds)
{
    double from_g = slow->trace->load_g;
    int64_t from_us = slow->now_us;

    for (double x = 0; x < 1; x = (double)(slow->now_us + STEP_US - from_us) / 1e6 / seconds)
        step_slow(slow, from_g + grams * x * x * (3 - 2 * x));
    slow->trace->load_g = from_g + grams;
}

/* The bench is knocked, and hands lift all off while that still rings: they lift when they do, not when it was
 * knocked. */
static void a_knock_before_a_lift_makes_it_no_earlier(void **state)
{
    static const int64_t ticks_us[] = { 200000, 100000, 50000 };
    struct slow slow = { .trace = *state };

    for (int i = 0; i < 24; i++) {
        struct tracker_event reported[REPORTED];
        double lifted_s;
        int count;

        begin_again(&slow, ticks_us[i % 3], 0.15 + 0.05 * (i % 7));
        pour_slow(&slow, 155, 14, 0.6);
        rest_slow(&slow, 20);
        knock_slow(&slow, 20 + 3 * i, 0.7 + 0.03 * i);
        lifted_s = (double)slow.now_us / 1e6;
        move_slow(&slow, -790, 0.35 + 0.015 * i);
        rest_slow(&slow, 14);
        move_slow(&slow, 480, 0.4);
        rest_slow(&slow, 10);
        count = stages_of(slow.trace, 1, reported);
        assert_true(count > 3);
        assert_int_equal(reported[3].stage, STAGE_PRESS);
        if (fabs((double)reported[3].at_us / 1e6 - lifted_s) > 0.2)
            fail_msg("%d: lifted at %.2f, reported %.2f", i, lifted_s, (double)reported[3].at_us / 1e6);
    }
}

/* A scale that drifts by 0.03 g/s: what it drifts while hands are at it is neither coffee nor water. */
static void what_drifts_was_not_moved(void **state)
{
    struct trace *trace = *state;

    wait_s(trace, 5);
    put_things(trace);
    trace->drift_g_per_s = 0.03;
    tare(trace);
    wait_s(trace, 12);
    move(trace, 15, 5);
    wait_s(trace, 10);
    tare(trace);
    wait_s(trace, 6);
    move(trace, 230, 30);
    wait_s(trace, 20);
    assert_float_equal(measured(trace, 1, MEASURE_DOSE_G), 15, 0.1);
    assert_float_equal(measured(trace, 1, MEASURE_WATER_G), 230, 0.3);
    assert_true(reported_u(trace, 1, MEASURE_WATER_G) < 0.3);
}

/* Nobody ordered the tare, and the coffee falls with the first reading after it. */
static void coffee_that_falls_at_once_behind_a_tare_is_weighed(void **state)
{
    const int64_t ticks_us[] = { 50000, 100000, 200000 };

    (void)state;
    for (size_t i = 0; i < 2 * sizeof ticks_us / sizeof *ticks_us; i++) {
        struct trace *trace;
        void *own = NULL;

        assert_int_equal(setup(&own), 0);
        trace = own;
        trace->tick_us = ticks_us[i / 2];
        put_things(trace);
        tare(trace);
        wait_s(trace, i % 2 ? 0.2 : 0);
        move(trace, 15, 3);
        wait_s(trace, 4);
        move(trace, 230, 25);
        wait_s(trace, 20);
        assert_float_equal(measured(trace, 1, MEASURE_DOSE_G), 15, 0.1);
        assert_float_equal(measured(trace, 1, MEASURE_WATER_G), 230, 0.3);
        assert_true(reported_u(trace, 1, MEASURE_WATER_G) < 0.3);
        teardown(&own);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(what_drifts_was_not_moved, setup, teardown),
        cmocka_unit_test_setup_teardown(coffee_that_falls_at_once_behind_a_tare_is_weighed, setup, teardown),
        cmocka_unit_test_setup_teardown(no_filter_makes_a_steep_late, setup, teardown),
        cmocka_unit_test_setup_teardown(a_knock_before_the_tare_moves_no_coffee, setup, teardown),
        cmocka_unit_test_setup_teardown(a_knock_before_a_lift_makes_it_no_earlier, setup, teardown),
        cmocka_unit_test_setup_teardown(water_that_flows_past_zero_is_no_tare, setup, teardown),
        cmocka_unit_test_setup_teardown(a_level_that_hardly_settled_is_uncertain, setup, teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
