/* A station with two scales, on traces written by hand: what runs through, and what only looks like it. */
#include "two_scales.h"

#include "tracker/second.h"

static void drips_are_weighed_and_belong_to_the_water(void **state)
{
    static const double drips_g_per_s[] = { 0.05, 0.15, 0.4 };

    (void)state;
    for (int i = 0; i < 6; i++) {
        struct bench *bench = bench_new(&usual);
        double drip_g, press_s, through_g;

        bench->lag_s[CUP] = 0.3;
        drip_g = brew_on_a_stand(bench, drips_g_per_s[i % 3], i >= 3);
        press_s = now_s(bench);
        bench->drip_g_per_s = 0;
        through_g = 230 - 15 * 2 - drip_g;
        press(bench, 4000, 20, through_g);
        wait_s(bench, 3);
        move(bench, BREW, -(brewer_g + 15 + 30), 0.5); /* the stand stays */
        wait_s(bench, 6);
        assert_float_equal(measured(bench, MEASURE_DOSE_G), 15, 0.1);
        assert_float_equal(measured(bench, MEASURE_WATER_G), 230, 0.15);
        assert_float_equal(measured(bench, MEASURE_DRIP_G), drip_g, 0.3);
        assert_float_equal(measured(bench, MEASURE_BEVERAGE_G), 200, 0.3);
        assert_true(doubt(bench, MEASURE_DRIP_G) > 0.03 && doubt(bench, MEASURE_DRIP_G) < 0.2);
        assert_float_equal(began_s(bench, STAGE_PRESS), press_s, 0.3);
        assert_int_equal(count_of(bench, TRACKER_BEGIN), 1);
        assert_int_equal(count_of(bench, TRACKER_END), 1);
        assert_int_equal(count_of(bench, TRACKER_DISCARD), 0);
        assert_int_equal(count_of(bench, TRACKER_QUESTION), 0);
        move(bench, CUP, -(cup_g + 200), 0.5);
        move(bench, BREW, -stand_g, 0.5);
        wait_s(bench, 20);
        assert_int_equal(count_of(bench, TRACKER_BEGIN), 1);
        bench_free(bench);
    }
}

/* A quick press brings 16 g a second into the cup, on a scale that speaks five times a second: what has run in while a
 * line was lost is not taken for hands. */
static void a_lost_line_in_a_press_is_no_hand(void **state)
{
    struct second second;

    (void)state;
    second_begin(&second);
    for (int i = 0; i < 80; i++) {
        double pressed_s = fmax(0, fmin(i * 0.2 - 8, 6));

        if (i != 50 && i != 60 && i != 61)
            second_take(&second, cup_g * (i > 5) + round(160 * pressed_s) / 10, 0.1, 1000000 + i * 200000,
                        i * 0.2 < 8 ? 0 : 2000);
        if (i > 15) {
            assert_true(second.settled);
            assert_true(fabs(second.level_g - cup_g - 16 * pressed_s) < 20);
        }
    }
    assert_float_equal(second.level_g, cup_g + 96, 0.2);
}

/* Something stands on the cup's scale, is taken away and put back while a brew goes on beside it. */
static void a_cup_that_only_waits_there_changes_nothing(void **state)
{
    struct bench *bench = bench_new(&usual);

    (void)state;
    wait_s(bench, 3);
    move(bench, CUP, 280, 0.4);
    wait_s(bench, 3);
    move(bench, BREW, cup_g, 0.4);
    wait_s(bench, 3);
    move(bench, BREW, brewer_g, 0.4);
    wait_s(bench, 3);
    tare(bench, BREW);
    wait_s(bench, 2);
    move(bench, BREW, 15, 5);
    wait_s(bench, 3);
    move(bench, BREW, 100, 10);
    move(bench, CUP, 150, 12); /* hot water warms it */
    wait_s(bench, 3);
    move(bench, CUP, -430, 0.4);
    wait_s(bench, 3);
    move(bench, CUP, 280, 0.4);
    wait_s(bench, 3);
    move(bench, BREW, 130, 10);
    wait_s(bench, 40);
    press(bench, 4000, 20, 0);
    wait_s(bench, 3);
    move(bench, BREW, -(brewer_g + 45), 0.5);
    wait_s(bench, 6);
    assert_float_equal(measured(bench, MEASURE_DOSE_G), 15, 0.1);
    assert_float_equal(measured(bench, MEASURE_WATER_G), 230, 1.5);
    assert_float_equal(measured(bench, MEASURE_BEVERAGE_G), 200, 1.5); /* the first drops pass for drips */
    assert_true(isnan(measured(bench, MEASURE_DRIP_G)));
    assert_int_equal(count_of(bench, TRACKER_BEGIN), 1);
    assert_int_equal(count_of(bench, TRACKER_END), 1);
    bench_free(bench);
}

static void a_scale_that_falls_silent_reports_no_drip_and_breaks_nothing(void **state)
{
    struct bench *bench = bench_new(&usual);

    (void)state;
    brew_on_a_stand(bench, 0, false);
    bench->drip_g_per_s = 0.02;
    bench->cup_silent = true;
    tracker_second_gap(bench->tracker);
    wait_s(bench, 20);
    press(bench, 4000, 20, 190);
    bench->drip_g_per_s = 0;
    wait_s(bench, 3);
    move(bench, BREW, -(brewer_g + stand_g + 55), 0.5);
    wait_s(bench, 910);
    assert_true(isnan(measured(bench, MEASURE_DRIP_G)));
    assert_true(isnan(measured(bench, MEASURE_BEVERAGE_G)));
    assert_float_equal(measured(bench, MEASURE_WATER_G), 230, 0.5);
    assert_float_equal(measured(bench, MEASURE_PRESS_S), 20, 0.3);
    assert_int_equal(count_of(bench, TRACKER_END), 1);
    assert_int_equal(count_of(bench, TRACKER_DISCARD), 0);
    bench_free(bench);
}

/* On a stand the cup's scale sees the flow die under the hand.  Then it was pressed dry, though this coffee holds more
 * than others do. */
static void a_flow_that_dies_under_the_hand_means_dry(void **state)
{
    (void)state;
    for (int dies = 0; dies < 2; dies++) {
        struct bench *bench = bench_new(&usual);

        brew_on_a_stand(bench, 0, false);
        press_until(bench, 4000, 20, 196.3, dies ? 16 : 20);
        wait_s(bench, 3);
        move(bench, BREW, -(brewer_g + 48.7), 0.5);
        wait_s(bench, 6);
        assert_float_equal(measured(bench, MEASURE_BEVERAGE_G), 196.3, 0.3);
        if (dies)
            assert_float_equal(measured(bench, MEASURE_PRESSED_DRY), 1, 0);
        else
            assert_true(isnan(measured(bench, MEASURE_PRESSED_DRY)));
        bench_free(bench);
    }
}

/* Hands at random on both scales, damaged lines, overload, silence, tares: all that is reported makes sense, and a
 * deadline that has passed is not asked for again. */
static void whatever_the_scales_show_nothing_breaks(void **state)
{
    static const double things_g[] = { 341.2, 182.4, 296.5, 15, 63.1, 230, 2 };
    uint64_t random = 20261125;
    int brews = 0, drips = 0;

    (void)state;
    for (int run = 0; run < 100; run++) {
        struct bench *bench = bench_new(&usual);

        for (int i = 0; i < 120; i++) {
            int scale, act;
            double grams;

            random = random * 6364136223846793005U + 1442695040888963407U;
            scale = random >> 33 & 1;
            act = random >> 36 & 7;
            grams = things_g[(random >> 40) % 7] * (random >> 50 & 1 ? 1 : -1);
            if (act == 0)
                tare(bench, scale);
            else if (act == 1)
                press(bench, 3000, 6, grams);
            else if (act == 2)
                bench->cup_silent = !bench->cup_silent;
            else if (act == 3)
                bench->drip_g_per_s = fabs(grams) / 400;
            else if (act == 4)
                bench->cup_every_us = bench->cup_every_us == 100000 ? 500000 : 100000;
            else if (act == 5 && random >> 51 & 1)
                tracker_second_gap(bench->tracker);
            else
                move(bench, scale, grams, 0.3 + fabs(grams) / 30 * (double)(random >> 52 & 1));
            wait_s(bench, (double)(random >> 53 & 3) * 2);
            assert_true(!tracker_deadline(bench->tracker) || tracker_deadline(bench->tracker) > bench->now_us);
            for (int reported = 0; reported < bench->reported_count; reported++) {
                const struct tracker_event *event = &bench->reported[reported];

                brews += event->kind == TRACKER_BEGIN;
                drips += event->kind == TRACKER_MEASURE && event->measure == MEASURE_DRIP_G;
                if (event->kind != TRACKER_MEASURE || isnan(event->value))
                    continue;
                assert_true(isnan(event->standard_uncertainty) || event->standard_uncertainty >= 0);
                if (event->measure == MEASURE_DRIP_G)
                    assert_true(event->value >= 0);
                if (event->measure == MEASURE_PRESSED_DRY)
                    assert_true(event->value == 0 || event->value == 1);
            }
            bench->reported_count = 0;
        }
        bench_free(bench);
    }
    assert_true(brews > 80 && drips > 8); /* or it would not have tried much */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(drips_are_weighed_and_belong_to_the_water),
        cmocka_unit_test(a_lost_line_in_a_press_is_no_hand),
        cmocka_unit_test(a_cup_that_only_waits_there_changes_nothing),
        cmocka_unit_test(a_scale_that_falls_silent_reports_no_drip_and_breaks_nothing),
        cmocka_unit_test(a_flow_that_dies_under_the_hand_means_dry),
        cmocka_unit_test(whatever_the_scales_show_nothing_breaks),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
