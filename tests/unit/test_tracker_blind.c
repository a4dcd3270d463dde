/* The stage tracker while nobody sees: silences of 1 to 30 s in every stage of a brew.  The cup is kept, and no number
 * is sure and wrong.  And a scale that speaks only when its load rests. */
#include "tracker_trace.h"

enum { PER_S = 5 };

static const double DOSE_G = 15, BLOOM_G = 45, WATER_G = 230, KEPT_G = 28, EMPTY_CUP_G = 300;

static double risen(double t, double from_s, double to_s, double grams)
{
    return grams * fmin(1, fmax(0, (t - from_s) / (to_s - from_s)));
}

/* What stands on the scale at a second of the script. */
static double script_g(double t)
{
    if (t < 3 || t >= 175)
        return 0;
    if (t >= 150)
        return EMPTY_CUP_G + WATER_G - KEPT_G;
    return EMPTY_CUP_G + risen(t, 8, 8.2, 180) + risen(t, 12, 15, DOSE_G) + risen(t, 20, 25, BLOOM_G)
           + risen(t, 48, 63, WATER_G - BLOOM_G) + (t >= 125 && t < 145 ? 1800 : 0);
}

static void look(struct trace *trace, double load_g)
{
    static struct tracker_events events;
    struct reading reading = {
        .quantity = QUANTITY_MASS, .stable = -1, .net = -1, .unit = UNIT_GRAM, .resolution = 0.1
    };

    reading.mono_us = trace->now_us;
    reading.value.exponent = -1;
    reading.value.mantissa = llround(load_g * 10);
    tracker_reading(trace->tracker, &reading, &events);
    take(trace, &events);
}

static bool moves(double t)
{
    if (t >= 125 && t < 146) /* a hand trembles */
        return true;
    for (int i = 0; i < 6; i++) /* it needs a second to rest */
        if (fabs(script_g(t) - script_g(t - 0.2 * i)) > 0.05)
            return true;
    return false;
}

static void play(struct trace *trace, double blind_s, double spell_s, bool only_at_rest)
{
    static struct tracker_events events;
    struct tracker_config config = usual;
    char detail[TRACKER_WORDS];

    config.cup_g[0] = EMPTY_CUP_G;
    config.cup_count = 1;
    config.lag_us = 0;
    tracker_begin(trace->tracker, &config);
    trace->reported_count = 0;
    for (int i = 0; i < 186 * PER_S; i++) {
        double t = (double)i / PER_S;

        trace->now_us = 1000000000 + (int64_t)(t * 1e6);
        if (only_at_rest ? moves(t) : t >= blind_s && t < blind_s + spell_s)
            continue;
        look(trace, script_g(t));
    }
    tracker_order_end(trace->tracker, trace->now_us, &events, detail);
    take(trace, &events);
}

static void assert_not_sure_and_wrong(const struct trace *trace, uint32_t brew, enum measure measure, double truth,
                                      double limit, double blind_s, double spell_s)
{
    double value = measured(trace, brew, measure), u = reported_u(trace, brew, measure);

    if (fabs(value - truth) > fmax(limit, 3 * u))
        fail_msg("blind for %.0f s from %.1f s: %s %.2f, u %.2f, truly %.2f", spell_s, blind_s, measure_name(measure),
                 value, u, truth);
}

static void a_silence_in_any_stage_keeps_the_cup(void **state)
{
    static const double stage_s[] = { 10.2, 12.6, 17.8, 22, 30, 47, 90, 128, 149 }, spell_s[] = { 1, 5, 9, 15, 30 };
    struct trace *trace = *state;

    for (size_t i = 0; i < sizeof stage_s / sizeof *stage_s; i++)
        for (size_t j = 0; j < sizeof spell_s / sizeof *spell_s; j++) {
            uint32_t brew;

            play(trace, stage_s[i], spell_s[j], false);
            if (count_of(trace, TRACKER_BEGIN) - count_of(trace, TRACKER_DISCARD) != 1
                || count_of(trace, TRACKER_END) != 1)
                fail_msg("blind for %.0f s from %.1f s: the cup was not kept", spell_s[j], stage_s[i]);
            brew = (uint32_t)count_of(trace, TRACKER_BEGIN);
            assert_not_sure_and_wrong(trace, brew, MEASURE_DOSE_G, DOSE_G, 0.3, stage_s[i], spell_s[j]);
            assert_not_sure_and_wrong(trace, brew, MEASURE_WATER_G, WATER_G, 0.6, stage_s[i], spell_s[j]);
            assert_not_sure_and_wrong(trace, brew, MEASURE_BEVERAGE_G, WATER_G - KEPT_G, 0.6, stage_s[i], spell_s[j]);
        }
}

/* Nobody saw the coffee: it is asked for, and the water is what rose less what the coffee usually is. */
static void coffee_that_came_with_the_water_unseen_is_asked_for(void **state)
{
    struct trace *trace = *state;

    play(trace, 11, 20, false);
    assert_true(was_reported(trace, TRACKER_QUESTION, "dose"));
    assert_true(isnan(measured(trace, 1, MEASURE_DOSE_G)));
    assert_float_equal(measured(trace, 1, MEASURE_WATER_G), WATER_G, 6);
    assert_in_range((uint64_t)reported_u(trace, 1, MEASURE_WATER_G), 3, 30);
}

static void a_scale_that_speaks_only_at_rest_weighs_a_whole_brew(void **state)
{
    struct trace *trace = *state;

    play(trace, 0, 0, true);
    assert_int_equal(count_of(trace, TRACKER_BEGIN), 1);
    assert_int_equal(count_of(trace, TRACKER_END), 1);
    assert_float_equal(measured(trace, 1, MEASURE_DOSE_G), DOSE_G, 0.1);
    assert_float_equal(measured(trace, 1, MEASURE_WATER_G), WATER_G, 0.3);
    assert_float_equal(measured(trace, 1, MEASURE_BEVERAGE_G), WATER_G - KEPT_G, 0.3);
    assert_true(isnan(measured(trace, 1, MEASURE_PRESS_PEAK_KPA))); /* nobody saw its force */
}

/* It switched itself off while the coffee steeped, and its zero is another since. */
static void a_scale_that_was_off_has_another_zero(void **state)
{
    struct trace *trace = *state;
    double water_g;

    put_things(trace);
    move(trace, 15, 4);
    wait_s(trace, 4);
    tare(trace);
    wait_s(trace, 4);
    move(trace, 230, 25);
    wait_s(trace, 10);
    trace->now_us += 12000000;
    tare(trace);
    wait_s(trace, 40);
    push(trace, 2600, 25);
    wait_s(trace, 4);
    move(trace, -(brewer_g + 15 + 30), 0.4);
    wait_s(trace, 6);
    water_g = measured(trace, 1, MEASURE_WATER_G);
    assert_float_equal(water_g, 230, fmax(0.3, 3 * reported_u(trace, 1, MEASURE_WATER_G)));
    assert_float_equal(measured(trace, 1, MEASURE_BEVERAGE_G), 200, 0.5);
    assert_int_equal(count_of(trace, TRACKER_END), 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_silence_in_any_stage_keeps_the_cup, setup, teardown),
        cmocka_unit_test_setup_teardown(coffee_that_came_with_the_water_unseen_is_asked_for, setup, teardown),
        cmocka_unit_test_setup_teardown(a_scale_that_speaks_only_at_rest_weighs_a_whole_brew, setup, teardown),
        cmocka_unit_test_setup_teardown(a_scale_that_was_off_has_another_zero, setup, teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
