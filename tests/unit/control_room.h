/* Stations and the operator's requests to them, for a test: what is emitted and kept can be looked at.  One test
 * program includes it once. */
#ifndef POISE_CONTROL_ROOM_H
#define POISE_CONTROL_ROOM_H

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

#include "bench/control.h"
#include "poise/program.h"
#include "stations/strength.h"

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
    char said[40]; /* what was reported of the order */
    struct {
        char key[80];
        void *data;
        size_t length;
    } kept[KEPT];
    int kept_count;
};

static inline void emit(void *context, struct message *message)
{
    struct room *room = context;

    assert_true(room->count < EMITTED);
    message->common.seq = ++room->seq;
    room->emitted[room->count++] = *message;
}

static inline void ordered(void *context, int instrument, const char *detail)
{
    struct room *room = context;

    assert_int_equal(instrument, room->ordered);
    snprintf(room->said, sizeof room->said, "%s", detail);
}

static inline void read_by(void *context, const char *reader, uint64_t seq)
{
    struct room *room = context;

    snprintf(room->said, sizeof room->said, "%s %llu", reader, (unsigned long long)seq);
}

static inline int order(void *context, int instrument, enum order what, struct why *why)
{
    struct room *room = context;

    if (instrument == 1)
        return why_set(why, -95, "right-scale: its configuration names no bytes for that order");
    room->ordered = instrument;
    room->order = what;
    return 0;
}

static inline void stations_of(struct room *room)
{
    struct why why;

    memset(&room->stations, 0, sizeof room->stations);
    room->stations.context = room;
    room->stations.emit = emit;
    assert_int_equal(stations_open(&room->stations, &room->config, &why), 0);
}

static inline int set_up(void **state)
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
        .stations = &room->stations,
        .config = &room->config,
        .hands = &room->hands,
        .context = room,
        .planner = &room->planner,
        .ordered = ordered,
        .read_by = read_by,
    };
    room->seq = 100;
    stations_of(room);
    return 0;
}

static inline int tear_down(void **state)
{
    struct room *room = *state;

    stations_close(&room->stations);
    for (int i = 0; i < room->kept_count; i++)
        free(room->kept[i].data);
    free(room);
    return 0;
}

/* Asks and gives back the reply; time goes on by a second. */
static inline json_t *ask(struct room *room, const char *text)
{
    size_t length;
    char *reply;
    json_t *json;

    room->now.mono_us += 1000000;
    room->now.time_us += 1000000;
    room->count = 0;
    reply = control_answer(&room->control, &(struct guest){ .name = "ines", .role = ROLE_CONTROL }, text, strlen(text),
                           room->now, &length);
    assert_non_null(reply);
    json = json_loadb(reply, length, 0, NULL);
    free(reply);
    assert_non_null(json);
    return json;
}

static inline void agrees(struct room *room, const char *text)
{
    json_t *reply = ask(room, text);

    if (!json_is_true(json_object_get(reply, "ok")))
        fail_msg("%s: %s", text, json_string_value(json_object_get(reply, "why")));
    json_decref(reply);
}

static inline void refuses(struct room *room, const char *text, const char *part)
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

static inline const struct message *find_emitted(const struct room *room, enum message_kind kind, int which)
{
    for (int i = 0; i < room->count; i++)
        if (room->emitted[i].kind == kind && (kind != MESSAGE_MEASURE || (int)room->emitted[i].measure.measure == which)
            && (kind != MESSAGE_BREW || (int)room->emitted[i].brew.change == which)
            && (kind != MESSAGE_STAGE || (int)room->emitted[i].stage.stage == which))
            return &room->emitted[i];
    return NULL;
}

static inline double last_of(const struct room *room, enum measure measure)
{
    double value = NAN;

    for (int i = 0; i < room->count; i++)
        if (room->emitted[i].kind == MESSAGE_MEASURE && room->emitted[i].measure.measure == measure)
            value = room->emitted[i].measure.value;
    return value;
}

/* Dose 15 g, water 230 g, beverage 199.25 g: the brew of the checks below. */
static inline void brew_one(struct room *room, const char *station, char *name)
{
    char text[200];
    const struct message *begin;

    snprintf(text, sizeof text, "{\"do\":\"begin\",\"station\":\"%s\"}", station);
    agrees(room, text);
    begin = find_emitted(room, MESSAGE_BREW, BREW_BEGIN);
    assert_non_null(begin);
    strcpy(name, begin->brew.brew);
    snprintf(text, sizeof text,
             "{\"do\":\"enter\",\"brew\":\"%s\",\"measure\":\"dose_g\",\"value\":15,"
             "\"standard_uncertainty\":0.0288675}",
             name);
    agrees(room, text);
    snprintf(text, sizeof text, "{\"do\":\"enter\",\"brew\":\"%s\",\"measure\":\"water_g\",\"value\":230}", name);
    agrees(room, text);
    snprintf(text, sizeof text,
             "{\"do\":\"enter\",\"brew\":\"%s\",\"measure\":\"beverage_g\",\"value\":199.25,"
             "\"standard_uncertainty\":0.0288675}",
             name);
    agrees(room, text);
    assert_float_equal(last_of(room, MEASURE_RETAINED_G_PER_G), 2.05, 1e-9);
    snprintf(text, sizeof text, "{\"do\":\"end\",\"station\":\"%s\"}", station);
    agrees(room, text);
    assert_non_null(find_emitted(room, MESSAGE_BREW, BREW_END));
    assert_float_equal(find_emitted(room, MESSAGE_BREW, BREW_END)->brew.measures.value[MEASURE_DOSE_G], 15, 0);
}

static inline void read_strength_saying(struct room *room, int64_t mantissa, enum quantity quantity, const char *detail)
{
    struct reading reading = {
        .quantity = quantity,
        .stable = -1,
        .value = { mantissa, -2 },
        .resolution = 0.01,
    };

    strcpy(reading.detail, detail);
    room->now.mono_us += 5000000;
    reading.mono_us = room->now.mono_us;
    room->count = 0;
    strength_reading(&room->stations, "refractometer", &reading, ++room->seq, room->now);
}

static inline void read_strength(struct room *room, int64_t mantissa, enum quantity quantity)
{
    read_strength_saying(room, mantissa, quantity, "");
}

static inline void keep(void *context, const char *key, const void *data, size_t length)
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

static inline void begin_again(struct room *room, double rate_after)
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

static inline void restart(struct room *room, double rate_before, double rate_after)
{
    struct saved_at at = { room->seq, room->now, rate_before };

    stations_save(&room->stations, false, &at, keep, room);
    begin_again(room, rate_after);
}

/* Another boot has another name: all that was kept says so. */
static inline void boot_anew(struct room *room)
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

#endif
