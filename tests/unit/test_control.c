/* Requests and stations: what an operator asks becomes messages and numbers, nonsense becomes one
 * sentence, and what was known comes back after a restart. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "control.h"
#include "poise/program.h"
#include "strength.h"

enum { KEPT = 64, EMITTED = 4096 };

struct room {
    struct config config;
    struct station_config stations_config[2];
    struct instrument_config instruments[3];
    struct bench_hands hands;
    struct stations stations;
    struct planner planner;
    struct control control;
    struct moment now;
    struct message emitted[EMITTED];
    int count;
    uint64_t seq;
    int ordered, order;
    struct {
        char key[80];
        void *data;
        size_t length;
    } kept[KEPT];
    int kept_count;
};

static void emit(void *context, struct message *message)
{
    struct room *room = context;

    assert_true(room->count < EMITTED);
    message->common.seq = ++room->seq;
    room->emitted[room->count++] = *message;
}

static int order(void *context, int instrument, enum order what, struct why *why)
{
    struct room *room = context;

    if (instrument == 1)
        return why_set(why, -95, "right-scale: its configuration names no bytes for that order");
    room->ordered = instrument;
    room->order = what;
    return 0;
}

static void stations_of(struct room *room)
{
    struct why why;

    memset(&room->stations, 0, sizeof room->stations);
    room->stations.context = room;
    room->stations.emit = emit;
    assert_int_equal(stations_open(&room->stations, &room->config, &why), 0);
}

static int set_up(void **state)
{
    static const char *const names[] = { "left-scale", "right-scale", "refractometer" };
    static const char *const where[] = { "left", "right", "" };
    struct room *room = calloc(1, sizeof *room);

    if (!room)
        return -1;
    *state = room;
    strcpy(room->config.bench, "pier");
    room->config.stations = room->stations_config;
    room->config.station_count = 2;
    room->config.instruments = room->instruments;
    room->config.instrument_count = 3;
    room->config.replicates = 3;
    room->config.strength_per_brix = 0.85;
    for (int i = 0; i < 2; i++) {
        strcpy(room->stations_config[i].name, where[i]);
        room->stations_config[i].tracker.piston_diameter_mm = 60;
        room->stations_config[i].tracker.retained_g_per_g = 2;
    }
    for (int i = 0; i < 3; i++) {
        strcpy(room->instruments[i].name, names[i]);
        strcpy(room->instruments[i].station, where[i]);
        room->instruments[i].quantity = i < 2 ? QUANTITY_MASS : QUANTITY_STRENGTH;
    }
    room->now = (struct moment){ INT64_C(1795600000000000), 1000000000 };
    room->hands = (struct bench_hands){ .context = room, .order = order };
    room->control = (struct control){
        .stations = &room->stations, .config = &room->config, .hands = &room->hands, .context = room,
        .planner = &room->planner,
    };
    room->seq = 100;
    stations_of(room);
    return 0;
}

static int tear_down(void **state)
{
    struct room *room = *state;

    stations_close(&room->stations);
    for (int i = 0; i < room->kept_count; i++)
        free(room->kept[i].data);
    free(room);
    return 0;
}

/* Asks and gives back the reply; time goes on by a second. */
static json_t *ask(struct room *room, const char *text)
{
    size_t length;
    char *reply;
    json_t *json;

    room->now.mono_us += 1000000;
    room->now.time_us += 1000000;
    room->count = 0;
    reply = control_answer(&room->control, text, strlen(text), room->now, &length);
    assert_non_null(reply);
    json = json_loadb(reply, length, 0, NULL);
    free(reply);
    assert_non_null(json);
    return json;
}

static void agrees(struct room *room, const char *text)
{
    json_t *reply = ask(room, text);

    if (!json_is_true(json_object_get(reply, "ok")))
        fail_msg("%s: %s", text, json_string_value(json_object_get(reply, "why")));
    json_decref(reply);
}

static void refuses(struct room *room, const char *text, const char *part)
{
    json_t *reply = ask(room, text);
    const char *why = json_string_value(json_object_get(reply, "why"));

    if (!json_is_false(json_object_get(reply, "ok")) || !why)
        fail_msg("%s: not refused", text);
    assert_null(strchr(why, '\n'));
    if (!strstr(why, part))
        fail_msg("%s: \"%s\" does not say \"%s\"", text, why, part);
    assert_int_equal(room->count, 0);
    json_decref(reply);
}

static const struct message *find_emitted(const struct room *room, enum message_kind kind, int which)
{
    for (int i = 0; i < room->count; i++)
        if (room->emitted[i].kind == kind &&
            (kind != MESSAGE_MEASURE || (int)room->emitted[i].measure.measure == which) &&
            (kind != MESSAGE_BREW || (int)room->emitted[i].brew.change == which) &&
            (kind != MESSAGE_STAGE || (int)room->emitted[i].stage.stage == which))
            return &room->emitted[i];
    return NULL;
}

static double last_of(const struct room *room, enum measure measure)
{
    double value = NAN;

    for (int i = 0; i < room->count; i++)
        if (room->emitted[i].kind == MESSAGE_MEASURE && room->emitted[i].measure.measure == measure)
            value = room->emitted[i].measure.value;
    return value;
}

static void test_nonsense_is_refused_with_what_would_be_right(void **state)
{
    static const char *const table[][2] = {
        { "", "no JSON object" },
        { "[]", "one JSON object" },
        { "{\"do\":\"status\"", "no JSON object" },
        { "{\"do\":\"status\",\"do\":\"tare\"}", "duplicate" },
        { "{}", "\"do\" is missing" },
        { "{\"do\":7}", "\"do\" is missing" },
        { "{\"do\":\"dance\"}", "one of status, instruments, tare" },
        { "{\"do\":\"tare\"}", "one of left, right" },
        { "{\"do\":\"tare\",\"station\":\"middle\"}", "there is left, right" },
        { "{\"do\":\"tare\",\"station\":7}", "\"station\" is a text" },
        { "{\"do\":\"tare\",\"station\":\"right\"}", "right-scale: its configuration" },
        { "{\"do\":\"tare\",\"statoin\":\"left\"}", "no field \"statoin\"" },
        { "{\"do\":\"zero\",\"instrument\":\"kettle\"}", "no instrument \"kettle\"" },
        { "{\"do\":\"mark\",\"station\":\"left\"}", "\"stage\" is one of idle, dose" },
        { "{\"do\":\"mark\",\"station\":\"left\",\"stage\":\"soak\"}", "\"stage\" is one of" },
        { "{\"do\":\"mark\",\"station\":\"left\",\"stage\":\"press\",\"at_us\":1.5}", "whole number" },
        { "{\"do\":\"mark\",\"station\":\"left\",\"stage\":\"press\",\"ago_s\":-1}", "between 0" },
        { "{\"do\":\"mark\",\"station\":\"left\",\"stage\":\"press\",\"at_us\":9000000000000}", "within the last" },
        { "{\"do\":\"enter\",\"measure\":\"dose_g\",\"value\":15}", "no brew yet" },
        { "{\"do\":\"end\",\"station\":\"left\"}", "running" },
        { "{\"do\":\"discard\",\"station\":\"left\"}", "by its name" },
        { "{\"do\":\"note\",\"text\":\"x\"}", "no brew yet" },
        { "{\"do\":\"assign\"}", "\"brew\" is missing" },
        { "{\"do\":\"assign\",\"brew\":\"pier-20261125-001\"}", "there is none yet" },
        { "{\"do\":\"since\"}", "\"seq\" is a whole number" },
        { "{\"do\":\"since\",\"seq\":-1}", "\"seq\" is a whole number" },
        { "{\"do\":\"since\",\"seq\":1,\"most\":\"all\"}", "\"most\" is a whole number" },
        { "{\"do\":\"plan\",\"plan\":\"next\"}", "no plan is loaded" },
        { "{\"do\":\"plan\"}", "one of load, show, next" },
        { "{\"do\":\"plan\",\"plan\":\"load\"}", "\"text\" is missing" },
        { "{\"do\":\"plan\",\"plan\":\"load\",\"text\":\"[vary]\\nsoak = 1\"}", "line 2: \"soak\" is not known" },
        { "{\"do\":\"\xc3\x84rger\xc3\x84rger\xc3\x84rger\xc3\x84rger\xc3\x84rger\xc3\x84rger\"}", "one of status" },
    };
    struct room *room = *state;

    for (size_t i = 0; i < sizeof table / sizeof *table; i++)
        refuses(room, table[i][0], table[i][1]);
}

static void test_a_request_too_long_is_refused(void **state)
{
    struct room *room = *state;
    size_t length = 70000, reply_length;
    char *text = malloc(length), *reply;

    memset(text, ' ', length);
    reply = control_answer(&room->control, text, length, room->now, &reply_length);
    assert_non_null(strstr(reply, "65536 are the most"));
    free(reply);
    free(text);
}

static void test_an_id_comes_back(void **state)
{
    json_t *reply = ask(*state, "{\"do\":\"dance\",\"id\":[1,\"a\"]}");

    assert_int_equal(json_array_size(json_object_get(reply, "id")), 2);
    json_decref(reply);
}

static void test_a_tare_reaches_the_scale_of_the_station(void **state)
{
    struct room *room = *state;

    agrees(room, "{\"do\":\"tare\",\"station\":\"left\"}");
    assert_int_equal(room->ordered, 0);
    assert_int_equal(room->order, ORDER_TARE);
    agrees(room, "{\"do\":\"zero\",\"instrument\":\"refractometer\"}");
    assert_int_equal(room->ordered, 2);
    assert_int_equal(room->order, ORDER_ZERO);
}

/* Dose 15 g, water 230 g, beverage 199.25 g: the brew of the checks below. */
static void brew_one(struct room *room, const char *station, char *name)
{
    char text[200];
    const struct message *begin;

    snprintf(text, sizeof text, "{\"do\":\"begin\",\"station\":\"%s\"}", station);
    agrees(room, text);
    begin = find_emitted(room, MESSAGE_BREW, BREW_BEGIN);
    assert_non_null(begin);
    strcpy(name, begin->brew.brew);
    snprintf(text, sizeof text, "{\"do\":\"enter\",\"brew\":\"%s\",\"measure\":\"dose_g\",\"value\":15,"
             "\"standard_uncertainty\":0.0288675}", name);
    agrees(room, text);
    snprintf(text, sizeof text, "{\"do\":\"enter\",\"brew\":\"%s\",\"measure\":\"water_g\",\"value\":230}", name);
    agrees(room, text);
    snprintf(text, sizeof text, "{\"do\":\"enter\",\"brew\":\"%s\",\"measure\":\"beverage_g\",\"value\":199.25,"
             "\"standard_uncertainty\":0.0288675}", name);
    agrees(room, text);
    assert_float_equal(last_of(room, MEASURE_RETAINED_G_PER_G), 2.05, 1e-9);
    snprintf(text, sizeof text, "{\"do\":\"end\",\"station\":\"%s\"}", station);
    agrees(room, text);
    assert_non_null(find_emitted(room, MESSAGE_BREW, BREW_END));
    assert_float_equal(find_emitted(room, MESSAGE_BREW, BREW_END)->brew.measures.value[MEASURE_DOSE_G], 15, 0);
}

static void read_strength_saying(struct room *room, int64_t mantissa, enum quantity quantity, const char *detail)
{
    struct reading reading = {
        .quantity = quantity, .stable = -1, .value = { mantissa, -2 }, .resolution = 0.01,
    };

    strcpy(reading.detail, detail);
    room->now.mono_us += 5000000;
    reading.mono_us = room->now.mono_us;
    room->count = 0;
    stations_reading(&room->stations, -1, &reading, ++room->seq, room->now);
}

static void read_strength(struct room *room, int64_t mantissa, enum quantity quantity)
{
    read_strength_saying(room, mantissa, quantity, "");
}

/* Check values: S 1.40 %, B 199.25 g, D 15 g, W 230 g give 18.596667 % and 21.771467 % by the mass
 * balances S B / D and S W / ((1 - S) D), computed with SciPy. */
static void test_strength_makes_extraction(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE];
    const struct message *message;

    brew_one(room, "left", name);
    read_strength(room, 140, QUANTITY_STRENGTH);
    message = find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT);
    assert_non_null(message);
    assert_string_equal(message->measure.brew, name);
    assert_float_equal(last_of(room, MEASURE_EXTRACTION_PCT), 18.596667, 1e-6);
    assert_float_equal(last_of(room, MEASURE_EXTRACTION_TOTAL_PCT), 21.771467, 1e-6);
    assert_null(find_emitted(room, MESSAGE_STAGE, STAGE_DONE));
    read_strength(room, 142, QUANTITY_STRENGTH);
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), 1.41, 1e-9);
    read_strength(room, 141, QUANTITY_STRENGTH);
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), 1.41, 1e-9);
    assert_non_null(find_emitted(room, MESSAGE_STAGE, STAGE_DONE));
    /* u of the mean of 1.40 1.42 1.41: s 0.01, so s/sqrt(3), and the last digit 0.01/sqrt(12) */
    message = find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT);
    assert_float_equal(message->measure.standard_uncertainty, sqrt(1e-4 / 3 + 1e-4 / 12), 1e-9);
    /* three are enough: the next has no cup */
    read_strength(room, 120, QUANTITY_STRENGTH);
    assert_null(find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT));
    assert_string_equal(find_emitted(room, MESSAGE_WARNING, 0)->warning.warning, "strength-unassigned");
}

static void test_the_oldest_cup_comes_first_and_the_operator_corrects(void **state)
{
    struct room *room = *state;
    char first[BREW_SIZE], second[BREW_SIZE], text[120];

    brew_one(room, "left", first);
    brew_one(room, "right", second);
    assert_string_not_equal(first, second);
    read_strength(room, 140, QUANTITY_STRENGTH);
    assert_string_equal(find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT)->measure.brew, first);
    snprintf(text, sizeof text, "{\"do\":\"assign\",\"brew\":\"%s\"}", second);
    agrees(room, text);
    /* taken back from the first, null and what followed from it with it; given to the second */
    assert_string_equal(room->emitted[0].measure.brew, first);
    assert_true(isnan(room->emitted[0].measure.value));
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), 1.40, 1e-9);
    assert_string_equal(room->emitted[room->count - 1].measure.brew, second);
    refuses(room, text, "already");
    snprintf(text, sizeof text, "{\"do\":\"sample\",\"brew\":\"%s\"}", second);
    agrees(room, text);
    read_strength(room, 144, QUANTITY_STRENGTH);
    assert_string_equal(find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT)->measure.brew, second);
    agrees(room, "{\"do\":\"sample\"}");
    read_strength(room, 165, QUANTITY_BRIX);
    assert_string_equal(find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT)->measure.brew, first);
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), 1.65 * 0.85, 1e-9);
    snprintf(text, sizeof text, "{\"do\":\"unassign\",\"brew\":\"%s\"}", first);
    agrees(room, text);
    assert_true(isnan(last_of(room, MEASURE_STRENGTH_PCT)));
    refuses(room, text, "no strength reading");
}

/* Two cups' samples were swapped in part: any of them is put right, by its number or by its place. */
static void test_any_reading_is_put_right(void **state)
{
    struct room *room = *state;
    char first[BREW_SIZE], second[BREW_SIZE], text[200];
    uint64_t seq[3];

    brew_one(room, "left", first);
    brew_one(room, "right", second);
    for (int i = 0; i < 3; i++) {
        read_strength(room, 140 + 10 * i, QUANTITY_STRENGTH);
        seq[i] = find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT)->measure.reading[i];
    }
    read_strength(room, 130, QUANTITY_STRENGTH);
    snprintf(text, sizeof text, "{\"do\":\"assign\",\"brew\":\"%s\",\"seq\":%d}", second, (int)seq[0]);
    agrees(room, text);
    assert_string_equal(room->emitted[0].measure.brew, first);
    assert_float_equal(room->emitted[0].measure.value, (1.50 + 1.60) / 2, 1e-9);
    assert_int_equal(room->emitted[0].measure.readings, 2);
    assert_int_equal(room->emitted[0].measure.reading[0], seq[1]);
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), (1.30 + 1.40) / 2, 1e-9);
    snprintf(text, sizeof text, "{\"do\":\"assign\",\"brew\":\"%s\",\"from\":\"%s\",\"number\":2}", second, first);
    agrees(room, text);
    assert_float_equal(room->emitted[0].measure.value, 1.50, 1e-9);
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), (1.30 + 1.40 + 1.60) / 3, 1e-9);
    refuses(room, text, "has 1 strength reading, so there is none with the number 2");
    snprintf(text, sizeof text, "{\"do\":\"unassign\",\"brew\":\"%s\",\"seq\":%d}", first, (int)seq[0]);
    refuses(room, text, "is not pier-20261125-001's but pier-20261125-002's");
    snprintf(text, sizeof text, "{\"do\":\"unassign\",\"seq\":%d}", (int)seq[0]);
    agrees(room, text);
    assert_string_equal(room->emitted[0].measure.brew, second);
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), (1.30 + 1.60) / 2, 1e-9);
    refuses(room, text, "is no cup's already");
    /* what was taken back last is what `assign` means when it names none */
    snprintf(text, sizeof text, "{\"do\":\"assign\",\"brew\":\"%s\"}", first);
    agrees(room, text);
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), (1.50 + 1.40) / 2, 1e-9);
    snprintf(text, sizeof text, "{\"do\":\"assign\",\"brew\":\"%s\",\"seq\":7}", first);
    refuses(room, text, "there is no strength reading 7 among those that can be assigned");
    snprintf(text, sizeof text, "{\"do\":\"assign\",\"brew\":\"%s\",\"seq\":-7}", first);
    refuses(room, text, "\"seq\" is a whole number of 1 or more");
    refuses(room, "{\"do\":\"unassign\"}", "\"brew\" or \"seq\" is missing");
}

static void test_what_was_typed_in_stands_when_a_reading_is_taken_off(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE], text[120];

    brew_one(room, "left", name);
    read_strength(room, 140, QUANTITY_STRENGTH);
    agrees(room, "{\"do\":\"enter\",\"measure\":\"strength_pct\",\"value\":1.35}");
    snprintf(text, sizeof text, "{\"do\":\"unassign\",\"brew\":\"%s\"}", name);
    agrees(room, text);
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), 1.35, 1e-9);
    assert_true(room->emitted[0].measure.from_readings);        /* so that the store lets go of the reading */
    assert_int_equal(room->emitted[0].measure.readings, 0);
}

/* {"do":"mark"} at so many seconds of the test; `brew` NULL: none is named. */
static const char *mark_text(const char *stage, int at_s, const char *brew)
{
    static char text[200];
    int length = snprintf(text, sizeof text, "{\"do\":\"mark\",\"station\":\"left\",\"stage\":\"%s\",\"at_us\":%d000000", stage,
                          2000 + at_s);

    snprintf(text + length, sizeof text - (size_t)length, brew ? ",\"brew\":\"%s\"}" : "}", brew);
    return text;
}

static void at_second(struct room *room, int at_s)
{
    room->now.mono_us = INT64_C(1000000) * (2000 + at_s);
}

/* Marks alone make the times of a brew that no scale has seen; after its end they are put right, and what follows with
 * them. */
static void test_a_brew_is_marked_also_after_its_end(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE], text[200];

    at_second(room, 0);
    agrees(room, "{\"do\":\"begin\",\"station\":\"left\"}");
    strcpy(name, find_emitted(room, MESSAGE_BREW, BREW_BEGIN)->brew.brew);
    at_second(room, 200);
    agrees(room, mark_text("pour", 10, NULL));
    agrees(room, mark_text("press", 130, NULL));
    assert_float_equal(last_of(room, MEASURE_STEEP_S), 120, 1e-9);
    assert_float_equal(find_emitted(room, MESSAGE_MEASURE, MEASURE_STEEP_S)->measure.standard_uncertainty,
                       0.2 * sqrt(2), 1e-6);
    agrees(room, mark_text("weigh-out", 160, NULL));
    assert_float_equal(last_of(room, MEASURE_PRESS_S), 30, 1e-9);
    at_second(room, 210);
    agrees(room, "{\"do\":\"end\",\"station\":\"left\"}");
    at_second(room, 260);
    /* the press began ten seconds sooner; what came behind it is told again */
    agrees(room, mark_text("press", 120, NULL));
    assert_string_equal(room->emitted[0].stage.brew, name);
    assert_int_equal(room->emitted[0].stage.by, BY_OPERATOR);
    assert_non_null(find_emitted(room, MESSAGE_STAGE, STAGE_WEIGH_OUT));
    assert_float_equal(last_of(room, MEASURE_STEEP_S), 110, 1e-9);
    assert_float_equal(last_of(room, MEASURE_PRESS_S), 40, 1e-9);
    /* and five later again: told from the stage before, which takes the earlier press back */
    agrees(room, mark_text("press", 125, name));
    assert_int_equal(room->emitted[0].stage.stage, STAGE_POUR);
    assert_float_equal(last_of(room, MEASURE_STEEP_S), 115, 1e-9);
    /* a stir that was not seen is put in, and the settling after it */
    agrees(room, mark_text("stir", 60, NULL));
    assert_non_null(find_emitted(room, MESSAGE_STAGE, STAGE_PRESS));
    agrees(room, mark_text("settle", 70, NULL));
    assert_float_equal(last_of(room, MEASURE_SETTLE_S), 55, 1e-9);
    /* a press before both takes them back, and the time with them */
    agrees(room, mark_text("press", 55, NULL));
    assert_true(isnan(last_of(room, MEASURE_SETTLE_S)));
    assert_null(find_emitted(room, MESSAGE_STAGE, STAGE_STIR));
    agrees(room, mark_text("press", 125, NULL));
    refuses(room, mark_text("dose", 150, NULL), "cannot begin after its pour");
    refuses(room, mark_text("stir", 180, NULL), "cannot begin after its press");
    refuses(room, mark_text("bloom", 161, NULL), "cannot begin after its press");
    /* the first moves later: idle, which is before it, takes it back */
    agrees(room, mark_text("pour", 12, NULL));
    assert_int_equal(room->emitted[0].stage.stage, STAGE_IDLE);
    assert_int_equal(room->emitted[0].stage.at_us, 2010000000);
    assert_int_equal(room->emitted[1].stage.stage, STAGE_POUR);
    assert_float_equal(last_of(room, MEASURE_STEEP_S), 113, 1e-9);
    agrees(room, mark_text("pour", 10, NULL));
    assert_int_equal(room->emitted[0].stage.stage, STAGE_POUR);
    refuses(room, mark_text("done", 180, NULL), "done cannot");
    refuses(room, mark_text("press", 230, name), "was not brewed then");
    refuses(room, mark_text("press", 230, NULL), "No brew is running");
    assert_float_equal(brews_find(&room->stations.brews, name)->measures.value[MEASURE_STEEP_S], 115, 1e-9);
    brews_find(&room->stations.brews, name)->earlier_boot = true;
    refuses(room, mark_text("press", 125, name), "before the computer was started anew");
    refuses(room, mark_text("press", 125, NULL), "No brew is running");
    snprintf(text, sizeof text, "{\"do\":\"discard\",\"brew\":\"%s\"}", name);
    agrees(room, text);
    refuses(room, mark_text("press", 125, name), "is discarded: it takes no marks");
}

static void test_a_reading_far_from_the_others_is_said_and_kept(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE];

    room->stations.replicates = 4;
    brew_one(room, "left", name);
    read_strength(room, 140, QUANTITY_STRENGTH);
    read_strength(room, 141, QUANTITY_STRENGTH);
    read_strength(room, 142, QUANTITY_STRENGTH);
    assert_null(find_emitted(room, MESSAGE_WARNING, 0));
    read_strength(room, 155, QUANTITY_STRENGTH);
    assert_string_equal(find_emitted(room, MESSAGE_WARNING, 0)->warning.warning, "strength-suspect");
    assert_non_null(strstr(find_emitted(room, MESSAGE_WARNING, 0)->warning.detail, "1.55"));
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), (1.40 + 1.41 + 1.42 + 1.55) / 4, 1e-9);
}

static void test_a_sample_too_warm_for_the_instrument_is_kept_and_said(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE];

    brew_one(room, "left", name);
    read_strength(room, 140, QUANTITY_STRENGTH);
    assert_null(find_emitted(room, MESSAGE_WARNING, 0));
    read_strength_saying(room, 141, QUANTITY_STRENGTH, "temp-out-of-range");
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), 1.405, 1e-9);
    assert_string_equal(find_emitted(room, MESSAGE_WARNING, 0)->warning.warning, "strength-suspect");
    assert_non_null(strstr(find_emitted(room, MESSAGE_WARNING, 0)->warning.detail, "temp-out-of-range"));
    assert_non_null(strstr(find_emitted(room, MESSAGE_WARNING, 0)->warning.detail, "-001/2"));
}

static void test_water_on_the_prism_is_no_cup(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE];

    brew_one(room, "left", name);
    read_strength(room, 1, QUANTITY_STRENGTH);
    assert_int_equal(room->count, 0);
    read_strength(room, 5, QUANTITY_STRENGTH);
    assert_int_equal(room->count, 1);
    assert_string_equal(room->emitted[0].warning.warning, "blank-drift");
    read_strength(room, 140, QUANTITY_STRENGTH);
    assert_non_null(find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT));
}

static void test_measures_that_cannot_be_are_refused(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE], text[160];

    brew_one(room, "left", name);
    refuses(room, "{\"do\":\"enter\",\"measure\":\"dose_g\",\"value\":-3}", "lies between");
    refuses(room, "{\"do\":\"enter\",\"measure\":\"strength_pct\",\"value\":95}", "lies between");
    refuses(room, "{\"do\":\"enter\",\"measure\":\"extraction_pct\",\"value\":20}", "computed from others");
    refuses(room, "{\"do\":\"enter\",\"measure\":\"dose_g\"}", "\"value\" is missing");
    refuses(room, "{\"do\":\"enter\",\"measure\":\"dose\",\"value\":1}", "\"measure\" is one of dose_g");
    refuses(room, "{\"do\":\"enter\",\"measure\":\"dose_g\",\"value\":15,\"standard_uncertainty\":-1}", "not below 0");
    snprintf(text, sizeof text, "{\"do\":\"discard\",\"brew\":\"%s\",\"reason\":\"spilled\"}", name);
    agrees(room, text);
    assert_string_equal(find_emitted(room, MESSAGE_BREW, BREW_DISCARD)->brew.note, "spilled");
    refuses(room, text, "already");
    snprintf(text, sizeof text, "{\"do\":\"enter\",\"brew\":\"%s\",\"measure\":\"dose_g\",\"value\":15}", name);
    refuses(room, text, "discarded");
    snprintf(text, sizeof text, "{\"do\":\"assign\",\"brew\":\"%s\"}", name);
    refuses(room, text, "discarded");
}

static void keep(void *context, const char *key, const void *data, size_t length)
{
    struct room *room = context;
    int i = 0;

    while (i < room->kept_count && strcmp(room->kept[i].key, key) != 0)
        i++;
    assert_true(i < KEPT);
    if (i == room->kept_count) {
        room->kept_count++;
        strcpy(room->kept[i].key, key);
    }
    free(room->kept[i].data);
    room->kept[i].data = memcpy(malloc(length + 1), data, length);
    room->kept[i].length = length;
}

static void begin_again(struct room *room, double rate_after)
{
    struct saved_at at;

    stations_close(&room->stations);
    stations_of(room);
    room->now.mono_us += 3000000;
    room->count = 0;
    at = (struct saved_at){ 0, room->now, rate_after };
    for (int i = 0; i < room->kept_count; i++)
        stations_load(&room->stations, room->kept[i].key, room->kept[i].data, room->kept[i].length, &at);
    stations_loaded(&room->stations, room->now);
}

static void restart(struct room *room, double rate_before, double rate_after)
{
    struct saved_at at = { room->seq, room->now, rate_before };

    stations_save(&room->stations, false, &at, keep, room);
    begin_again(room, rate_after);
}

static void test_a_restart_carries_on_with_the_same_brew(void **state)
{
    struct room *room = *state;
    char first[BREW_SIZE], running[BREW_SIZE], next[BREW_SIZE], text[160];

    brew_one(room, "left", first);
    read_strength(room, 140, QUANTITY_STRENGTH);
    agrees(room, "{\"do\":\"begin\",\"station\":\"right\"}");
    strcpy(running, find_emitted(room, MESSAGE_BREW, BREW_BEGIN)->brew.brew);
    agrees(room, "{\"do\":\"enter\",\"station\":\"right\",\"measure\":\"dose_g\",\"value\":16.5}");
    restart(room, 1, 1);
    assert_int_equal(room->count, 0);
    assert_string_equal(station_running(&room->stations, 1)->name, running);
    assert_float_equal(station_running(&room->stations, 1)->measures.value[MEASURE_DOSE_G], 16.5, 0);
    agrees(room, "{\"do\":\"end\",\"station\":\"right\"}");
    assert_string_equal(find_emitted(room, MESSAGE_BREW, BREW_END)->brew.brew, running);
    assert_float_equal(find_emitted(room, MESSAGE_BREW, BREW_END)->brew.measures.value[MEASURE_DOSE_G], 16.5, 0);
    /* the first cup still wants two readings, and gets them */
    read_strength(room, 142, QUANTITY_STRENGTH);
    assert_string_equal(find_emitted(room, MESSAGE_MEASURE, MEASURE_STRENGTH_PCT)->measure.brew, first);
    assert_float_equal(last_of(room, MEASURE_STRENGTH_PCT), 1.41, 1e-9);
    brew_one(room, "left", next);
    assert_string_not_equal(next, first);
    assert_string_not_equal(next, running);
    snprintf(text, sizeof text, "{\"do\":\"enter\",\"brew\":\"%s\",\"measure\":\"water_g\",\"value\":231}", first);
    agrees(room, text);
    assert_float_equal(last_of(room, MEASURE_EXTRACTION_TOTAL_PCT), 100 * 0.0141 * 231 / (1 - 0.0141) / 15, 1e-9);
}

/* Another boot has another name: all that was kept says so. */
static void boot_anew(struct room *room)
{
    struct saved_at at = { room->seq, room->now, 1 };

    stations_save(&room->stations, false, &at, keep, room);
    for (int i = 0; i < room->kept_count; i++) {
        char *boot = memmem(room->kept[i].data, room->kept[i].length, clock_boot(), strlen(clock_boot()));

        if (boot)
            *boot = *boot == 'x' ? 'y' : 'x';
    }
    begin_again(room, 1);
}

static void test_a_strength_reading_has_an_age_only_within_its_boot(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE];
    json_t *list;

    room->stations.replicates = 2;
    read_strength(room, 150, QUANTITY_STRENGTH);        /* no cup waits for it */
    brew_one(room, "left", name);
    read_strength(room, 140, QUANTITY_STRENGTH);
    boot_anew(room);
    read_strength(room, 141, QUANTITY_STRENGTH);
    list = strength_list(&room->stations, NULL, room->now);
    assert_int_equal(json_array_size(list), 3);
    assert_true(json_is_null(json_object_get(json_array_get(list, 0), "ago_s")));
    assert_float_equal(json_real_value(json_object_get(json_array_get(list, 1), "ago_s")), 0, 1e-9);
    assert_string_equal(json_string_value(json_object_get(json_array_get(list, 1), "brew")), name);
    assert_true(json_is_null(json_object_get(json_array_get(list, 2), "ago_s")));
    json_decref(list);
}

static void test_a_late_strength_leaves_the_stages_of_an_earlier_boot(void **state)
{
    struct room *room = *state;
    char name[BREW_SIZE];
    const struct brew *brew;
    int stages;

    brew_one(room, "left", name);
    stages = brews_find(&room->stations.brews, name)->stage_count;
    boot_anew(room);
    room->now.mono_us = 60000000;       /* the clock began again: all that was told lies ahead of it */
    read_strength(room, 140, QUANTITY_STRENGTH);
    brew = brews_find(&room->stations.brews, name);
    assert_int_equal(find_emitted(room, MESSAGE_STAGE, 0)->stage.stage, STAGE_DONE);
    assert_true(stages > 0 && !brew_waits(brew, 1));
    assert_int_equal(brew->stage_count, stages);
}

static void test_a_brew_that_cannot_be_followed_ends_with_what_is_known(void **state)
{
    struct room *room = *state;
    char running[BREW_SIZE], next[BREW_SIZE];

    agrees(room, "{\"do\":\"begin\",\"station\":\"left\"}");
    strcpy(running, find_emitted(room, MESSAGE_BREW, BREW_BEGIN)->brew.brew);
    agrees(room, "{\"do\":\"enter\",\"station\":\"left\",\"measure\":\"dose_g\",\"value\":16.5}");
    restart(room, 1, 20);       /* another clock: the tracker's times mean nothing now */
    assert_string_equal(find_emitted(room, MESSAGE_WARNING, 0)->warning.warning, "brew-cut-short");
    assert_string_equal(find_emitted(room, MESSAGE_BREW, BREW_END)->brew.brew, running);
    assert_float_equal(find_emitted(room, MESSAGE_BREW, BREW_END)->brew.measures.value[MEASURE_DOSE_G], 16.5, 0);
    assert_null(station_running(&room->stations, 0));
    brew_one(room, "left", next);
    assert_string_not_equal(next, running);
}

static void test_names_are_never_given_twice_when_the_clock_goes_back(void **state)
{
    struct room *room = *state;
    char first[BREW_SIZE], second[BREW_SIZE], third[BREW_SIZE];

    setenv("TZ", "UTC", 1);
    brew_one(room, "left", first);
    assert_string_equal(first, "pier-20261125-001");
    room->now.time_us -= INT64_C(86400000000);
    brew_one(room, "left", second);
    assert_string_equal(second, "pier-20261125-002");
    room->now.time_us += INT64_C(2 * 86400000000);
    brew_one(room, "left", third);
    assert_string_equal(third, "pier-20261126-001");
}

static void test_a_station_that_is_gone_ends_its_brew(void **state)
{
    struct room *room = *state;
    struct why why;

    agrees(room, "{\"do\":\"begin\",\"station\":\"right\"}");
    agrees(room, "{\"do\":\"begin\",\"station\":\"left\"}");
    room->count = 0;
    room->config.station_count = 1;
    assert_int_equal(stations_reconfigure(&room->stations, &room->config, room->now, &why), 0);
    assert_int_equal(room->count, 1);
    assert_string_equal(find_emitted(room, MESSAGE_BREW, BREW_END)->brew.station, "right");
    assert_non_null(station_running(&room->stations, 0));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_nonsense_is_refused_with_what_would_be_right, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_request_too_long_is_refused, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_an_id_comes_back, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_tare_reaches_the_scale_of_the_station, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_strength_makes_extraction, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_the_oldest_cup_comes_first_and_the_operator_corrects, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_any_reading_is_put_right, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_what_was_typed_in_stands_when_a_reading_is_taken_off, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_brew_is_marked_also_after_its_end, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_reading_far_from_the_others_is_said_and_kept, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_sample_too_warm_for_the_instrument_is_kept_and_said, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_water_on_the_prism_is_no_cup, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_measures_that_cannot_be_are_refused, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_restart_carries_on_with_the_same_brew, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_strength_reading_has_an_age_only_within_its_boot, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_late_strength_leaves_the_stages_of_an_earlier_boot, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_brew_that_cannot_be_followed_ends_with_what_is_known, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(test_names_are_never_given_twice_when_the_clock_goes_back, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_station_that_is_gone_ends_its_brew, set_up, tear_down),
    };

    setenv("TZ", "UTC", 1);
    return cmocka_run_group_tests(tests, NULL, NULL);
}
