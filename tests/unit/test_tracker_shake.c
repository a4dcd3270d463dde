/* When a hand is said to begin to stir or swirl, whatever else shakes the scale. */
#include "tracker_trace.h"

/* Something knocks against the bench; the blow dies away on the scale's feet. */
static void knock(struct trace *trace, double grams, double seconds)
{
    double from_s = seconds_now(trace);

    while (seconds_now(trace) < from_s + seconds)
        show(trace, trace->load_g + grams * exp(-(seconds_now(trace) - from_s) / 0.15));
}

/* A spoon leans on the bed as it goes round. */
static void stir(struct trace *trace, double seconds)
{
    double from_s = seconds_now(trace);

    while (seconds_now(trace) < from_s + seconds)
        show(trace, trace->load_g + 3 + 5 * sin(2 * M_PI * 2 * (seconds_now(trace) - from_s)));
}

/* Hands push all of it round. */
static void swirl(struct trace *trace, double seconds)
{
    double from_s = seconds_now(trace);

    while (seconds_now(trace) < from_s + seconds)
        show(trace, trace->load_g + 40 * sin(2 * M_PI * 2.3 * (seconds_now(trace) - from_s)));
}

static void brew_until_steep(struct trace *trace)
{
    put_things(trace);
    move(trace, 15, 4);
    wait_s(trace, 3);
    move(trace, 230, 20);
    wait_s(trace, 20);
}

/* The one stir that was reported, and how many were. */
static double stir_began_s(const struct trace *trace, int *count)
{
    struct tracker_event reported[REPORTED];
    double at_s = NAN;

    *count = 0;
    for (int i = stages_of(trace, 1, reported) - 1; i >= 0; i--)
        if (reported[i].stage == STAGE_STIR) {
            at_s = (double)reported[i].at_us / 1e6;
            ++*count;
        }
    return at_s;
}

/* Five or ten times a second: at five, what a knock shows at its height is off both its neighbours. */
static void a_stir_begins_with_the_spoon_and_not_with_a_knock(void **state)
{
    struct trace *trace = *state;

    for (int fast = 0; fast <= 1; fast++) {
        double began_s;
        int count;

        trace->tick_us = fast ? 100000 : 200000;
        trace->lag_s = 0.1; /* of its one pole; two of 75 ms, as configured, are near enough to it */
        brew_until_steep(trace);
        knock(trace, 60, 0.9);
        began_s = seconds_now(trace);
        stir(trace, 7);
        wait_s(trace, 10);
        assert_float_equal(stir_began_s(trace, &count), began_s, 0.25);
        assert_int_equal(count, 1);
        teardown(state);
        setup(state);
        trace = *state;
    }
}

static void a_swirl_begins_with_its_first_swing(void **state)
{
    struct trace *trace = *state;
    double began_s;
    int count;

    trace->tick_us = 200000;
    brew_until_steep(trace);
    began_s = seconds_now(trace);
    swirl(trace, 6);
    wait_s(trace, 10);
    assert_float_equal(stir_began_s(trace, &count), began_s, 0.25);
    assert_int_equal(count, 1);
}

/* A spoon that rests for a moment, and goes on. */
static void a_stir_with_a_rest_in_it_is_one(void **state)
{
    struct trace *trace = *state;
    double began_s;
    int count;

    brew_until_steep(trace);
    began_s = seconds_now(trace);
    stir(trace, 0.9);
    wait_s(trace, 0.9);
    stir(trace, 5);
    wait_s(trace, 10);
    assert_float_equal(stir_began_s(trace, &count), began_s, 0.25);
    assert_int_equal(count, 1);
}

static void knocks_are_no_stir(void **state)
{
    struct trace *trace = *state;
    int count;

    brew_until_steep(trace);
    for (int i = 0; i < 5; i++) {
        knock(trace, 20 + 20 * i, 1.4 + 0.2 * i);
        knock(trace, 30, 6);
    }
    stir_began_s(trace, &count);
    assert_int_equal(count, 0);
}

/* Five times a second, through a slow filter. */
static void what_settles_begins_when_the_hand_has_done(void **state)
{
    struct trace *trace = *state;
    struct tracker_event reported[REPORTED];
    double ended_s;
    int count;

    trace->tick_us = 200000;
    for (int i = 0; i < 2; i++) {
        if (i == 0)
            brew_until_steep(trace);
        (i ? swirl : stir)(trace, 5.3);
        ended_s = seconds_now(trace);
        wait_s(trace, 20);
        count = stages_of(trace, 1, reported);
        assert_int_equal(reported[count - 1].stage, STAGE_SETTLE);
        assert_float_equal((double)reported[count - 1].at_us / 1e6, ended_s, 0.25);
    }
}

static int count_of_stage(const struct trace *trace, enum stage stage)
{
    struct tracker_event reported[REPORTED];
    int count = 0;

    for (int i = stages_of(trace, 1, reported) - 1; i >= 0; i--)
        count += reported[i].stage == stage;
    return count;
}

/* The spoon is leaned on evenly, like water that flows in; but it is gone when the spoon is. */
static void what_a_spoon_leans_is_no_water(void **state)
{
    struct trace *trace = *state;
    double began_s;
    int count;

    for (int late = 0; late <= 1; late++) {
        brew_until_steep(trace);
        began_s = seconds_now(trace);
        if (late)
            stir(trace, 3);
        move(trace, 16, 2.5);
        move(trace, -16, 0.3);
        stir(trace, 3);
        wait_s(trace, 10);
        assert_int_equal(count_of_stage(trace, STAGE_POUR), 1);
        assert_float_equal(measured(trace, 1, MEASURE_WATER_G), 230, 0.3);
        assert_float_equal(stir_began_s(trace, &count), began_s, 0.3);
        assert_int_equal(count, 1);
        teardown(state);
        setup(state);
        trace = *state;
    }
}

/* Between a knock and the spoon the load hardly rests: its level is the one before.  Through two poles, as a scale's
 * filter is taken to be. */
static void a_spoon_on_the_heels_of_a_knock_is_seen(void **state)
{
    static const struct heel {
        int64_t tick_us;
        double lag_s, knock_g, after_s;
    } heel[] = {
        { 50000, 0.325, 50, 1.3 }, { 50000, 0.325, 80, 1.5 }, { 100000, 0.45, 50, 1.5 }, { 100000, 0.45, 20, 1.3 }
    };

    for (size_t i = 0; i < sizeof heel / sizeof *heel; i++) {
        struct trace *trace = *state;
        struct tracker_config slow = usual;
        double from_s, t_s;
        int count;

        trace->tick_us = heel[i].tick_us;
        trace->lag_s = heel[i].lag_s / 2;
        slow.lag_us = (int64_t)(heel[i].lag_s * 1e6);
        tracker_configure(trace->tracker, &slow, NULL);
        trace->two_poles = true;
        brew_until_steep(trace);
        from_s = seconds_now(trace);
        while ((t_s = seconds_now(trace) - from_s) < 20) {
            double spoon_s = t_s - heel[i].after_s, hand_g = heel[i].knock_g * exp(-t_s / 0.15);

            if (spoon_s > 0 && spoon_s < 7)
                hand_g = 3 + 4 * sin(2 * M_PI * 2 * spoon_s);
            show(trace, trace->load_g + hand_g);
        }
        assert_float_equal(stir_began_s(trace, &count), from_s + heel[i].after_s, 0.4);
        assert_int_equal(count, 1);
        teardown(state);
        setup(state);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_stir_begins_with_the_spoon_and_not_with_a_knock, setup, teardown),
        cmocka_unit_test_setup_teardown(a_swirl_begins_with_its_first_swing, setup, teardown),
        cmocka_unit_test_setup_teardown(a_stir_with_a_rest_in_it_is_one, setup, teardown),
        cmocka_unit_test_setup_teardown(knocks_are_no_stir, setup, teardown),
        cmocka_unit_test_setup_teardown(what_a_spoon_leans_is_no_water, setup, teardown),
        cmocka_unit_test_setup_teardown(a_spoon_on_the_heels_of_a_knock_is_seen, setup, teardown),
        cmocka_unit_test_setup_teardown(what_settles_begins_when_the_hand_has_done, setup, teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
