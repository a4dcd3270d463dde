/* poise-board's pure parts: the curve, the orders, the frame. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
/* cmocka wants these first */
#include <cmocka.h>

#include <math.h>
#include <string.h>

#include "live.h"
#include "order.h"

static void set_up(struct live *live)
{
    live_begin(live);
    live->view.found = live->view.has_state = true;
    live->view.stations = 1;
    strcpy(live->view.station[0].name, "left");
    strcpy(live->view.station[0].brew, "pier-20261130-001");
}

static void a_long_brew_keeps_its_whole_curve_at_half_as_many_points(void **state)
{
    static struct trace trace;
    static struct live live;
    struct view_station *station = &live.view.station[0];
    unsigned first;

    (void)state;
    set_up(&live);
    memset(&trace, 0, sizeof trace);
    station->stage = STAGE_STEEP;
    station->timeline.stage[0].stage = STAGE_POUR;
    station->timeline.stage[0].at_us = 1000000;
    station->timeline.count = 1;
    for (int64_t at_us = 1000000; trace.count < TRACE_POINTS; at_us += 50000)
        trace_take(&trace, station, at_us);
    first = trace.generation;
    assert_float_equal(trace.point[TRACE_POINTS - 1].s, (TRACE_POINTS - 1) * 0.1, 0.001); /* ten a second */
    for (int64_t at_us = 1000000 + TRACE_POINTS * 100000LL; at_us < 1000000 + 4 * TRACE_POINTS * 100000LL;
         at_us += 50000)
        trace_take(&trace, station, at_us);
    assert_int_not_equal(trace.generation, first);
    assert_true(trace.count <= TRACE_POINTS && trace.count > TRACE_POINTS / 2);
    assert_float_equal(trace.point[0].s, 0, 0.001);
    assert_float_equal(trace.point[trace.count - 1].s, 4 * TRACE_POINTS * 0.1, 1);
    for (int i = 1; i < trace.count; i++)
        assert_true(trace.point[i].s > trace.point[i - 1].s);
}

static void a_page_is_given_what_it_lacks_and_all_of_another_curve(void **state)
{
    static struct trace trace = {
        .brew = "pier-20261130-001", .generation = 3, .count = 2, .point = { { 0, 1, 2, NAN }, { 0.5f, 2, NAN, NAN } }
    };
    struct text out = { 0 };

    (void)state;
    trace_write(&trace, "pier-20261130-001", 3, 1, &out);
    assert_non_null(strstr(out.data, "\"from\":1,\"points\":[[0.50,2.0,null,null]]}"));
    text_free(&out);
    trace_write(&trace, "pier-20261130-001", 2, 1, &out);
    assert_non_null(strstr(out.data, "\"from\":0,\"points\":[[0.00,1.0,2.00,null],["));
    text_free(&out);
}

static void an_order_becomes_a_request_of_the_bench(void **state)
{
    static const char typed[] = "{\"order\":\"enter\",\"brew\":\"pier-20261130-001\",\"measure\":\"strength_pct\","
                                "\"typed\":\"1.40\"}";
    static struct live live;
    struct order order;
    struct why why;

    (void)state;
    set_up(&live);
    assert_int_equal(order_read(typed, strlen(typed), &live, &order, &why), 0);
    assert_string_equal(json_string_value(json_object_get(order.request, "do")), "enter");
    assert_float_equal(json_number_value(json_object_get(order.request, "value")), 1.40, 1e-12);
    /* the last digit is the resolution: 0.01 wide and even (GUM 4.3.7) */
    assert_float_equal(json_number_value(json_object_get(order.request, "standard_uncertainty")), 0.01 / sqrt(12),
                       1e-9);
    json_decref(order.request);
}

static void an_end_names_the_brew_that_runs(void **state)
{
    static const char right[] = "{\"order\":\"end\",\"station\":\"left\",\"brew\":\"pier-20261130-001\"}";
    static const char late[] = "{\"order\":\"end\",\"station\":\"left\",\"brew\":\"pier-20261130-000\"}";
    static struct live live;
    struct order order;
    struct why why;

    (void)state;
    set_up(&live);
    assert_int_equal(order_read(right, strlen(right), &live, &order, &why), 0);
    assert_null(json_object_get(order.request, "brew"));
    json_decref(order.request);
    assert_true(order_read(late, strlen(late), &live, &order, &why) < 0);
    assert_non_null(strstr(why.text, "not running"));
}

static void the_frame_is_sound_json_whatever_is_not_known(void **state)
{
    static struct live live;
    struct text out = { 0 };
    json_t *frame, *station;

    (void)state;
    set_up(&live);
    strcpy(live.view.notice, "\"quoted\" and \\ and \x01");
    live_write(&live, 1000000, &out);
    frame = json_loadb(out.data, out.length, JSON_REJECT_DUPLICATES, NULL);
    assert_non_null(frame);
    station = json_array_get(json_object_get(frame, "stations"), 0);
    assert_string_equal(json_string_value(json_object_get(station, "name")), "left");
    assert_null(strstr(out.data, "nan"));
    assert_true(json_is_null(json_object_get(frame, "plan")));
    json_decref(frame);
    text_free(&out);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_long_brew_keeps_its_whole_curve_at_half_as_many_points),
        cmocka_unit_test(a_page_is_given_what_it_lacks_and_all_of_another_curve),
        cmocka_unit_test(an_order_becomes_a_request_of_the_bench),
        cmocka_unit_test(an_end_names_the_brew_that_runs),
        cmocka_unit_test(the_frame_is_sound_json_whatever_is_not_known),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
