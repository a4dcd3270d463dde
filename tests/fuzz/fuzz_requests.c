/* Any bytes as requests, one a line, or after a P as a plan: answered with sense or a sentence, never worse. */
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "bench/control.h"
#include "poise/design.h"
#include "poise/text.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length);

static void emit(void *context, struct message *message)
{
    char text[MESSAGE_SIZE], topic[TOPIC_SIZE];
    struct message read;
    struct why why;
    int length;

    message->common.seq = ++*(uint64_t *)context;
    message->common.rate = 1;
    strcpy(message->common.bench, "pier");
    strcpy(message->common.boot, "fuzz");
    length = message_write(message, text, sizeof text);
    if (length < 0
        || message_read(topic, (size_t)message_topic(message, topic), text, (size_t)length, &read, &why) != 0)
        abort(); /* what goes out must be a message */
    message_free(&read);
}

static int order(void *context, int instrument, enum order what, struct why *why)
{
    (void)context;
    return instrument == 1 ? why_set(why, -95, "no bytes for order %d", what) : 0;
}

static void plugged(const struct config *config, struct text *out)
{
    (void)config;
    text_add(out, "[]", 2);
}

static char *state(void *context)
{
    (void)context;
    return strdup("{}");
}

static void ordered(void *context, int instrument, const char *detail)
{
    (void)context;
    if (instrument != 0 || !*detail)
        abort();
}

static void read_by(void *context, const char *reader, uint64_t seq)
{
    (void)context;
    (void)seq;
    if (!name_valid(reader))
        abort();
}

static int since(void *context, uint64_t after_seq, size_t most, const json_t *id)
{
    (void)context;
    (void)after_seq;
    (void)most;
    (void)id;
    return -16;
}

static void planned(void *context)
{
    (void)context;
}

static void credited(void *context, struct brew *brew, const struct why *why)
{
    (void)context;
    (void)brew;
    (void)why;
}

static struct planner *planner;

static json_t *plan(void *context, const char *station, const char *brew)
{
    (void)context;
    return planner_take(planner, station, brew);
}

static void planned_over(void *context, struct brew *brew, bool corrected, struct why *why)
{
    (void)context;
    (void)corrected;
    planner_over(planner, brew, why);
}

static void check_reply(char *reply, size_t length)
{
    json_t *json = reply ? json_loadb(reply, length, 0, NULL) : NULL;
    const char *why = json_string_value(json_object_get(json, "why"));

    if (!json_is_boolean(json_object_get(json, "ok"))
        || (json_is_false(json_object_get(json, "ok")) && (!why || !*why || strpbrk(why, "\r\n"))))
        abort();
    json_decref(json);
    free(reply);
}

static void ask_all(const struct control *control, const char *text, size_t length)
{
    const struct guest guest = { .name = "ines", .role = length % 8 ? ROLE_CONTROL : ROLE_READ };
    struct moment now = { INT64_C(1795600000000000), 1000000000 };

    while (length > 0) {
        const char *end = memchr(text, '\n', length);
        size_t line = end ? (size_t)(end - text) : length, reply_length = 0;

        now.time_us += 500000;
        now.mono_us += 500000;
        check_reply(control_answer(control, &guest, text, line, now, &reply_length), reply_length);
        stations_time(control->stations, now);
        text += line + (end != NULL);
        length -= line + (end != NULL);
    }
}

static void check_plan(const char *text, size_t length)
{
    struct plan_mistakes mistakes;
    struct design design;
    struct plan read;
    struct why why = { "" };

    if (plan_read(&read, text, length, &mistakes, &why) != 0) {
        if (!why.text[0] || mistakes.count < 1)
            abort();
        return;
    }
    design_judge(&read, &design);
    if (plan_run_count(&read) < 1 || plan_run_count(&read) > PLAN_RUNS || design.cups != plan_run_count(&read))
        abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length)
{
    static struct station_config places[2] = { { .name = "left" }, { .name = "right" } };
    static struct instrument_config instruments[2] = {
        { .name = "scale-a", .station = "left", .quantity = QUANTITY_MASS },
        { .name = "scale-b", .station = "right", .quantity = QUANTITY_MASS },
    };
    struct config config = {
        .bench = "pier",
        .stations = places,
        .station_count = 2,
        .instruments = instruments,
        .instrument_count = 2,
        .replicates = 3,
    };
    uint64_t seq = 0;
    struct bench_hands hands = { .order = order };
    struct planner fresh = { 0 };
    struct stations stations = { .context = &seq, .emit = emit, .plan = plan, .planned_over = planned_over };
    struct control control = {
        .stations = &stations,
        .config = &config,
        .hands = &hands,
        .state = state,
        .instruments = state,
        .health = state,
        .plugged = plugged,
        .since = since,
        .read_by = read_by,
        .ordered = ordered,
        .planner = &fresh,
        .planned = planned,
        .credited = credited,
    };
    struct why why;

    if (length && data[0] == 'P') {
        check_plan((const char *)data + 1, length - 1);
        return 0;
    }
    planner = &fresh;
    if (stations_open(&stations, &config, &why) != 0)
        abort();
    ask_all(&control, (const char *)data, length);
    stations_close(&stations);
    planner_unload(&fresh);
    return 0;
}
