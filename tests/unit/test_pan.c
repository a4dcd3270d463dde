/* What stands on the scale as a person sees it: loads and marks in, what was added, poured and pressed out. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <math.h>
#include <string.h>

#include "stations/pan.h"

enum { S = 1000000 };

static struct pan pan;
static struct timeline timeline;
static double tared_g; /* what tares have taken off the indication */

static int fresh(void **state)
{
    (void)state;
    pan_begin(&pan);
    memset(&timeline, 0, sizeof timeline);
    tared_g = 0;
    return 0;
}

static int64_t at(double seconds)
{
    return (int64_t)llround(seconds * S);
}

static void load(double at_s, double load_g)
{
    pan_reading(&pan, at(at_s), load_g - tared_g, -1, load_g);
}

/* Readings ten times a second: `from` to `to` grams within a second, then a second of rest.  When it ends. */
static double weigh(double at_s, double from, double to)
{
    for (int i = 1; i <= 20; i++)
        load(at_s + i / 10.0, i < 10 ? from + (to - from) * i / 10 : to);
    return at_s + 2;
}

/* From rest to zero at once.  When it rests again. */
static double tare(double at_s, double load_g)
{
    tared_g = load_g;
    return weigh(at_s, load_g, load_g);
}

static void stage(enum stage stage, double at_s, enum made_by by, double water_g)
{
    timeline_report(&timeline, &(struct staged){ .stage = stage, .at_us = at(at_s), .by = by });
    pan_stage(&pan, &timeline, water_g);
}

#define IS(value, expected) assert_true(fabs((value) - (expected)) < 0.05)

static void what_is_added_counts_from_what_was_set_down(void **state)
{
    double now_s;

    (void)state;
    now_s = weigh(6, 0, 12); /* on an empty scale nobody waits for coffee */
    assert_true(isnan(pan_added_g(&pan)));
    now_s = weigh(weigh(now_s, 12, 0), 0, 341.2); /* the cup ... */
    now_s = weigh(now_s, 341.2, 523.6);           /* ... and the brewer */
    IS(pan_added_g(&pan), 0);
    assert_false(pan_tared(&pan));
    now_s = weigh(now_s, 523.6, 533.8);
    now_s = weigh(now_s, 533.8, 538.2); /* a pause between two spoons is no new beginning */
    IS(pan_added_g(&pan), 14.6);
    weigh(now_s, 538.2, 355.8); /* the brewer is taken off: what is left is set down, nothing added */
    IS(pan_added_g(&pan), 0);
}

static void a_tare_is_where_adding_begins_and_keeps_what_was_weighed(void **state)
{
    double now_s;

    (void)state;
    now_s = weigh(6, 0, 523.6);
    now_s = tare(now_s, 523.6);
    assert_true(pan_tared(&pan));
    IS(pan_added_g(&pan), 0);
    assert_true(isnan(pan_weighed_g(&pan)));
    now_s = weigh(now_s, 523.6, 538.8);
    IS(pan_added_g(&pan), 15.2);
    now_s = weigh(now_s, 538.8, 538.6); /* a pinch back */
    IS(pan_added_g(&pan), 15);
    now_s = tare(now_s, 538.6);
    IS(pan_weighed_g(&pan), 15);
    IS(pan_added_g(&pan), 0);
    weigh(now_s, 538.6, 0); /* all lifted off */
    assert_true(isnan(pan_added_g(&pan)));
    assert_true(isnan(pan_weighed_g(&pan)));
    assert_false(pan_tared(&pan));
}

/* A hand that adds at once after the tare leaves the scale no rest. */
static void coffee_that_follows_a_tare_at_once_is_counted(void **state)
{
    double now_s;

    (void)state;
    now_s = weigh(6, 0, 523.6);
    tared_g = 523.6;
    load(now_s + 0.1, 523.6);
    for (int i = 1; i <= 30; i++)
        load(now_s + 0.1 + i / 10.0, 523.6 + i / 2.0);
    assert_true(pan_tared(&pan));
    IS(pan_added_g(&pan), 15);
}

/* The tracker waits for one more reading before it believes a lift: the load stands still while the scale shows zero.
 */
static void a_lift_is_no_tare(void **state)
{
    double now_s;

    (void)state;
    now_s = weigh(6, 0, 523.6);
    now_s = weigh(now_s, 523.6, 538.6);
    IS(pan_added_g(&pan), 15);
    pan_reading(&pan, at(now_s + 0.1), 0, -1, 538.6);
    pan_reading(&pan, at(now_s + 0.2), 0, -1, 0);
    assert_true(isnan(pan_weighed_g(&pan)));
    assert_false(pan_tared(&pan));
    weigh(now_s + 0.2, 0, 0);
    assert_true(isnan(pan_added_g(&pan)));
    assert_true(isnan(pan_weighed_g(&pan)));
}

/* Two lines a second; and one that says itself that it moves. */
static void rest_is_seen_at_any_rate(void **state)
{
    (void)state;
    load(6, 0);
    load(6.5, 0);
    for (int i = 0; i < 4; i++)
        load(7 + i / 2.0, i ? 340 : 120);
    load(9, 354.5);
    IS(pan_added_g(&pan), 14.5);
    fresh(NULL);
    for (int i = 0; i < 4; i++)
        pan_reading(&pan, at(11 + i / 2.0), 340, 0, 340);
    assert_true(isnan(pan_added_g(&pan)));
}

static void what_was_tared_before_anybody_looked_is_known(void **state)
{
    (void)state;
    tared_g = 523.6;
    weigh(6, 535.6, 535.6);
    assert_true(pan_tared(&pan));
    IS(pan_added_g(&pan), 12);
}

static void water_of_a_marked_pour_counts_from_its_mark(void **state)
{
    double now_s;

    (void)state;
    now_s = weigh(6, 0, 538.6);
    assert_true(isnan(pan_water_g(&pan)));
    stage(STAGE_POUR, now_s + 0.05, BY_OPERATOR, NAN);
    IS(pan_water_g(&pan), 0);
    load(now_s + 0.1, 569.1);
    IS(pan_water_g(&pan), 30.5);
    load(now_s + 0.2, 592);
    IS(pan_water_g(&pan), 53.4);
    stage(STAGE_STEEP, now_s + 0.25, BY_OPERATOR, NAN);
    load(now_s + 0.3, 900); /* a hand on the brewer is no water */
    IS(pan_water_g(&pan), 53.4);
    stage(STAGE_POUR, now_s + 0.35, BY_OPERATOR, 53.4); /* poured on: from what is in */
    load(now_s + 0.4, 920);
    IS(pan_water_g(&pan), 73.4);
    pan_brew(&pan, true);
    assert_true(isnan(pan_water_g(&pan)));
}

/* A mark may be of some seconds ago: the readings since count. */
static void a_mark_of_a_while_ago_counts_what_came_since(void **state)
{
    double now_s;

    (void)state;
    now_s = weigh(weigh(6, 0, 538.6), 538.6, 568.6);
    stage(STAGE_POUR, now_s - 2, BY_OPERATOR, NAN);
    IS(pan_water_g(&pan), 30);
}

static void a_mark_taken_back_counts_no_more(void **state)
{
    double now_s;

    (void)state;
    now_s = weigh(6, 0, 538.6);
    stage(STAGE_DOSE, now_s, BY_TRACKER, NAN);
    stage(STAGE_POUR, now_s + 1, BY_OPERATOR, NAN);
    load(now_s + 1.1, 560);
    IS(pan_water_g(&pan), 21.4);
    stage(STAGE_DOSE, now_s, BY_TRACKER, NAN); /* it takes back what was reported behind it */
    assert_true(isnan(pan_water_g(&pan)));
}

static void a_pour_marked_on_a_silent_scale_counts_from_its_first_word(void **state)
{
    (void)state;
    stage(STAGE_POUR, 6.3, BY_OPERATOR, NAN);
    assert_true(isnan(pan_water_g(&pan)));
    load(6.5, 412);
    load(6.7, 430.5);
    IS(pan_water_g(&pan), 18.5);
    fresh(NULL);
    stage(STAGE_POUR, 6.3, BY_OPERATOR, NAN);
    stage(STAGE_STEEP, 30, BY_OPERATOR, NAN); /* no scale at all: nobody knows */
    assert_true(isnan(pan_water_g(&pan)));
}

static void the_flow_is_the_slope_of_the_last_second(void **state)
{
    (void)state;
    weigh(6, 538.6, 538.6);
    assert_true(fabs(pan_flow_g_per_s(&pan)) < 1e-9);
    for (int i = 1; i <= 15; i++)
        load(8 + i / 10.0, 538.6 + 0.8 * i);
    assert_true(fabs(pan_flow_g_per_s(&pan) - 8) < 1e-6);
}

static void a_press_counts_from_just_before_it(void **state)
{
    double now_s;

    (void)state;
    now_s = weigh(6, 0, 768.6);
    assert_true(isnan(pan_pressed_g(&pan)));
    load(now_s + 0.1, 1768.6);
    stage(STAGE_PRESS, now_s + 0.05, BY_OPERATOR, 230);
    IS(pan_pressed_g(&pan), 1000);
    load(now_s + 0.2, 700); /* lifted: no pressure below none */
    IS(pan_pressed_g(&pan), 0);
    pan_gauge(&pan, at(now_s), 18.5);
    IS(pan_gauge_kpa(&pan, at(now_s + 1.9)), 18.5);
    assert_true(isnan(pan_gauge_kpa(&pan, at(now_s + 2.1))));
}

static void the_cup_is_left_until_it_is_taken_off(void **state)
{
    double now_s;

    (void)state;
    now_s = weigh(6, 0, 540);
    pan_brew(&pan, true);
    assert_true(pan.cup_left);
    now_s = weigh(now_s, 540, 541);
    assert_true(pan.cup_left);
    weigh(now_s, 541, 0);
    assert_false(pan.cup_left);
}

/* Five hundred readings a second reach no less far back. */
static void a_fast_instrument_rests_too(void **state)
{
    (void)state;
    for (int i = 0; i < 500; i++)
        load(6 + i / 500.0, 340);
    for (int i = 0; i < 500; i++)
        load(7 + i / 500.0, 354.5);
    IS(pan_added_g(&pan), 14.5);
}

/* An overload has no value, and its load is a lower bound: no rest is seen in it. */
static void an_overload_is_no_rest(void **state)
{
    (void)state;
    for (int i = 0; i < 20; i++)
        pan_reading(&pan, at(6 + i / 10.0), NAN, -1, 2000);
    assert_true(isnan(pan_added_g(&pan)));
    assert_false(pan_tared(&pan));
}

static void what_is_restored_is_checked(void **state)
{
    (void)state;
    assert_true(pan_sound(&pan));
    pan.count = PAN_READINGS + 1;
    assert_false(pan_sound(&pan));
    fresh(NULL);
    pan.next = -1;
    assert_false(pan_sound(&pan));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup(what_is_added_counts_from_what_was_set_down, fresh),
        cmocka_unit_test_setup(a_tare_is_where_adding_begins_and_keeps_what_was_weighed, fresh),
        cmocka_unit_test_setup(coffee_that_follows_a_tare_at_once_is_counted, fresh),
        cmocka_unit_test_setup(a_lift_is_no_tare, fresh),
        cmocka_unit_test_setup(rest_is_seen_at_any_rate, fresh),
        cmocka_unit_test_setup(what_was_tared_before_anybody_looked_is_known, fresh),
        cmocka_unit_test_setup(water_of_a_marked_pour_counts_from_its_mark, fresh),
        cmocka_unit_test_setup(a_mark_of_a_while_ago_counts_what_came_since, fresh),
        cmocka_unit_test_setup(a_mark_taken_back_counts_no_more, fresh),
        cmocka_unit_test_setup(a_pour_marked_on_a_silent_scale_counts_from_its_first_word, fresh),
        cmocka_unit_test_setup(the_flow_is_the_slope_of_the_last_second, fresh),
        cmocka_unit_test_setup(a_press_counts_from_just_before_it, fresh),
        cmocka_unit_test_setup(the_cup_is_left_until_it_is_taken_off, fresh),
        cmocka_unit_test_setup(a_fast_instrument_rests_too, fresh),
        cmocka_unit_test_setup(an_overload_is_no_rest, fresh),
        cmocka_unit_test_setup(what_is_restored_is_checked, fresh),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
