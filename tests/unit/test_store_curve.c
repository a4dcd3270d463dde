/* An experiment's earlier cups as a curve: which cups count, and when there is none. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "poise/bend.h"
#include "poise/store_curve.h"

static char folder[] = "/tmp/poise-curve-XXXXXX", path[64];
static struct store *store;
static uint64_t seq;

static struct message said(enum brew_change change)
{
    static const int64_t begun_us = 1795600800000000; /* 2026-11-25 10:00:00 */
    struct message message;

    memset(&message, 0, sizeof message);
    message.kind = MESSAGE_BREW;
    strcpy(message.common.bench, "pier");
    strcpy(message.common.boot, "0d1e2f30-0000-4000-8000-000000000001");
    message.common.seq = ++seq;
    message.common.rate = 1;
    message.common.mono_us = (int64_t)seq * 100000000;
    message.common.time_us = begun_us + (int64_t)seq * 100000000;
    snprintf(message.brew.brew, sizeof message.brew.brew, "pier-20261125-%03d", (int)(seq + 1) / 2);
    strcpy(message.brew.station, "left");
    message.brew.change = change;
    message.brew.at_us = message.common.mono_us;
    message.brew.plan_kept = -1;
    measures_clear(&message.brew.measures);
    return message;
}

/* What the plans of the cups below hold. */
static const char *recipe = "{}";

/* One cup; steep_s NAN: not measured. */
static void cup(const char *experiment, const char *factors, double steep_s, double extraction_pct, int plan_kept)
{
    char plan[300];
    struct message message = said(BREW_BEGIN);
    struct why why;

    snprintf(plan, sizeof plan,
             "{\"experiment\":\"%s\",\"title\":\"\",\"run\":1,\"replicate\":1,\"factors\":%s,"
             "\"recipe\":%s}",
             experiment, factors, recipe);
    message.brew.plan_json = plan;
    assert_true(store_apply(store, &message, &why) >= 0);
    message = said(BREW_END);
    message.brew.measures.value[MEASURE_STEEP_S] = steep_s;
    message.brew.measures.value[MEASURE_EXTRACTION_PCT] = extraction_pct;
    message.brew.plan_kept = plan_kept;
    assert_true(store_apply(store, &message, &why) >= 0);
    assert_int_equal(store_commit(store, &why), 0);
}

/* What first order with plateau 22 % and 0.02 per second gives. */
static double first_order_pct(double t_s)
{
    return 22 * (1 - exp(-0.02 * t_s));
}

static void swirled(const char *experiment, int steep_s, double late_s, double points_off)
{
    char factors[80];

    snprintf(factors, sizeof factors, "{\"steep_s\":%d,\"stir\":\"swirl\"}", steep_s);
    cup(experiment, factors, steep_s + late_s, first_order_pct(steep_s + late_s) + points_off, 1);
}

static struct store_curve read_curve(const char *experiment, const char *factors)
{
    json_t *json = json_loads(factors, 0, NULL);
    struct store_curve curve;
    struct why why;

    assert_int_equal(store_curve_read(store, experiment, json, NULL, &curve, &why), 0);
    json_decref(json);
    return curve;
}

static int setup(void **state)
{
    struct why why;

    (void)state;
    if (!mkdtemp(folder))
        return -1;
    snprintf(path, sizeof path, "%s/store.db", folder);
    return store_open(&store, path, STORE_WRITE, &why);
}

static int teardown(void **state)
{
    char command[120];

    (void)state;
    store_close(store);
    snprintf(command, sizeof command, "rm -r '%s'", folder);
    return system(command);
}

static void only_cups_of_the_same_kind_count(void **state)
{
    struct store_curve curve;

    (void)state;
    swirled("ferry-steep", 45, 0.5, 0);
    swirled("other-steep", 45, 0, 5);
    cup("ferry-steep", "{\"steep_s\":75,\"stir\":\"none\"}", 75, 10, 1);
    cup("ferry-steep", "{\"steep_s\":75,\"stir\":\"swirl\"}", 90, 17, 0); /* out of plan */
    cup("ferry-steep", "{\"steep_s\":75}", 75, 11, 1);
    cup("ferry-steep", "{\"steep_s\":75,\"stir\":\"swirl\"}", 75, NAN, 1);   /* its strength is not read yet */
    cup("ferry-steep", "{\"steep_s\":120,\"stir\":\"swirl\"}", NAN, 20, -1); /* planned time stands in */
    curve = read_curve("ferry-steep", "{\"steep_s\":300,\"stir\":\"swirl\"}");
    assert_int_equal(curve.n, 2);
    assert_int_equal(curve.times, 2);
    assert_true(curve.t[0] == 45.5 && curve.t[1] == 120 && curve.e[1] == 20);
    store_curve_free(&curve);
    curve = read_curve("never-brewed", "{\"steep_s\":300}");
    assert_int_equal(curve.n, 0);
    store_curve_free(&curve);
}

/* A plan for a few more cups holds what the first one varied, or varies what the first one held. */
static void what_one_plan_holds_another_may_vary(void **state)
{
    json_t *factors = json_loads("{\"steep_s\":90}", 0, NULL), *held = json_loads("{\"stir\":\"tap\"}", 0, NULL);
    struct store_curve curve;
    struct why why;

    (void)state;
    cup("held", "{\"steep_s\":45,\"stir\":\"tap\"}", 45, 13, 1);
    cup("held", "{\"steep_s\":45,\"stir\":\"none\"}", 45, 11, 1);
    recipe = "{\"stir\":\"tap\",\"dose_g\":15}";
    cup("held", "{\"steep_s\":75}", 75, 17, 1);
    recipe = "{\"stir\":\"none\"}";
    cup("held", "{\"steep_s\":75}", 75, 15, 1);
    recipe = "{}";
    assert_int_equal(store_curve_read(store, "held", factors, held, &curve, &why), 0);
    assert_true(curve.n == 2 && curve.e[0] == 13 && curve.e[1] == 17);
    store_curve_free(&curve);
    curve = read_curve("held", "{\"steep_s\":90,\"stir\":\"tap\"}");
    assert_int_equal(curve.n, 2);
    assert_true(curve.e[0] == 13 && curve.e[1] == 17);
    store_curve_free(&curve);
    json_decref(factors);
    json_decref(held);
}

static void repeats_of_two_times_are_no_curve(void **state)
{
    struct store_curve curve;
    struct bend bend;
    struct why why;

    (void)state;
    for (int i = 0; i < 3; i++) {
        swirled("two-times", 45, 0.1 * i, 0.01 * i);
        swirled("two-times", 180, 0.2 * i, -0.01 * i);
    }
    curve = read_curve("two-times", "{\"steep_s\":45,\"stir\":\"swirl\"}");
    assert_int_equal(curve.n, 6);
    assert_int_equal(bend_of_cups(curve.t, curve.e, curve.level, curve.n, 0.95, &bend, &why), -ENODATA);
    assert_string_equal(why.text, "6 cups at 2 steep times: a curve takes 3 times");
    store_curve_free(&curve);
}

static void a_third_time_shows_how_far_a_cup_has_come(void **state)
{
    struct store_curve curve;
    struct bend bend;
    struct why why;

    (void)state;
    for (int i = -1; i <= 1; i++)
        for (int steep_s = 30; steep_s <= 240; steep_s *= 2)
            swirled("four-times", steep_s, 0, 0.1 * i);
    curve = read_curve("four-times", "{\"stir\":\"swirl\",\"steep_s\":60.0}");
    assert_int_equal(curve.n, 12);
    assert_int_equal(bend_of_cups(curve.t, curve.e, curve.level, curve.n, 0.95, &bend, &why), 0);
    assert_true(fabs(bend.fit.value[KINETICS_PLATEAU] - 22) < 1e-4);
    assert_true(fabs(kinetics_share_at(&bend.fit, 60) - (1 - exp(-1.2))) < 1e-5);
    assert_true(fabs(bend.at_s + log(0.05) / 0.02) < 0.01); /* of 22 (1 - exp(-0.02 t)) */
    store_curve_free(&curve);
    swirled("four-times", 30, 0, 4); /* a new morning's first cup: the rest of its replicate is still to come */
    curve = read_curve("four-times", "{\"stir\":\"swirl\",\"steep_s\":60.0}");
    assert_int_equal(curve.n, 13);
    assert_int_equal(bend_of_cups(curve.t, curve.e, curve.level, curve.n, 0.95, &bend, &why), 0);
    assert_int_equal(bend.cups, 12);
    assert_true(fabs(bend.fit.value[KINETICS_PLATEAU] - 22) < 1e-4);
    for (size_t i = 0; i < curve.n; i++) /* it rises as a power of time does, and ends nowhere */
        curve.e[i] = 4 * pow(curve.t[i], 0.3) + (curve.e[i] > 0 ? 0.01 : 0) * (double)(i % 3);
    assert_int_equal(bend_of_cups(curve.t, curve.e, curve.level, curve.n, 0.95, &bend, &why), -ENODATA);
    assert_int_equal(bend.cups, 12); /* untouched */
    store_curve_free(&curve);
}

/* All cups where the curve still rises like a line: where it ends is anybody's guess. */
static void cups_before_the_bend_report_nothing(void **state)
{
    struct store_curve curve;
    struct bend bend;
    struct why why;

    (void)state;
    for (int i = -1; i <= 1; i++)
        for (int steep_s = 10; steep_s <= 20; steep_s += 5)
            swirled("short-times", steep_s, 0, 0.3 * i);
    curve = read_curve("short-times", "{\"steep_s\":10,\"stir\":\"swirl\"}");
    assert_int_equal(curve.times, 3);
    assert_int_equal(bend_of_cups(curve.t, curve.e, curve.level, curve.n, 0.95, &bend, &why), -ENODATA);
    assert_non_null(strstr(why.text, "do not show where extraction ends"));
    store_curve_free(&curve);
}

static void without_a_steep_time_there_is_no_curve(void **state)
{
    json_t *factors = json_pack("{s:s}", "stir", "swirl");
    struct store_curve curve = { NULL, NULL, NULL, 7, 7 };
    struct why why;

    (void)state;
    assert_int_equal(store_curve_read(store, "ferry-steep", factors, NULL, &curve, &why), -EINVAL);
    assert_string_equal(why.text, "ferry-steep does not vary the steep time: no curve against it");
    assert_int_equal(store_curve_read(store, "ferry-steep", NULL, NULL, &curve, &why), -EINVAL);
    assert_int_equal(curve.n, 7);
    json_decref(factors);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(only_cups_of_the_same_kind_count),
        cmocka_unit_test(what_one_plan_holds_another_may_vary),
        cmocka_unit_test(repeats_of_two_times_are_no_curve),
        cmocka_unit_test(a_third_time_shows_how_far_a_cup_has_come),
        cmocka_unit_test(cups_before_the_bend_report_nothing),
        cmocka_unit_test(without_a_steep_time_there_is_no_curve),
    };

    return cmocka_run_group_tests(tests, setup, teardown);
}
