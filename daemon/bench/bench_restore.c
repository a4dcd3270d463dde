/* What the bench takes back from its journal at the start. */
#include <inttypes.h>
#include <jansson.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "bench_parts.h"
#include "poise/program.h"

/* Numbers of a journal that was lost are not known: a count from the clock lies above all that a
 * thousand readings a second could have reached, and below 2^53, which every JSON reader holds. */
static const int64_t NUMBERS_PER_SECOND = 1000;

struct taken {
    struct bench *bench;
    uint64_t reserved;
    bool clean, any;
    bool missing; /* something is: then no tracker can be followed */
};

static void take_kept(void *context, const char *key, const void *data, size_t length)
{
    struct taken *taken = context;
    struct saved_at now = { 0, taken->bench->now, taken->bench->clock->rate };
    json_t *json;

    if (strcmp(key, "plan") == 0) {
        if (length && planner_restore(&taken->bench->planner, data, length) != 0)
            program_message("the plan that was loaded cannot be read any more; load it again");
        return;
    }
    if (strcmp(key, "seq") != 0) {
        if (!taken->missing || strncmp(key, "station/", 8) != 0)
            stations_load(&taken->bench->stations, key, data, length, &now);
        return;
    }
    if ((json = json_loadb(data, length, 0, NULL))) {
        taken->reserved = (uint64_t)json_integer_value(json_object_get(json, "reserved"));
        taken->clean = json_is_true(json_object_get(json, "clean"));
        taken->bench->journal_began_us = json_integer_value(json_object_get(json, "began_us"));
        taken->any = true;
    }
    json_decref(json);
}

static void feed_again(void *context, const char *topic, size_t topic_length, const char *json, size_t json_length)
{
    struct bench *bench = context;
    struct message message;
    struct why why;
    int instrument = -1;

    if (message_read(topic, topic_length, json, json_length, &message, &why) != 0)
        return;
    if (message.kind == MESSAGE_READING)
        instrument = source_find(bench->config, message.reading.instrument);
    else if (message.kind == MESSAGE_INSTRUMENT)
        instrument = source_find(bench->config, message.instrument.instrument);
    if (instrument >= 0 && strcmp(message.common.boot, bench->common.boot) == 0
        && message.common.rate == bench->common.rate)
        source_again(&bench->stations, &bench->outlets[instrument].source, &message);
    message_free(&message);
}

/* Names and numbers go on above all that a lost journal may have given. */
static void start_above(struct bench *bench)
{
    time_t seconds = (time_t)(bench->now.time_us / 1000000);
    uint64_t by_clock = (uint64_t)(bench->now.time_us / 1000000 * NUMBERS_PER_SECOND);
    struct tm local;

    if (bench->seq < by_clock)
        bench->seq = by_clock;
    if (localtime_r(&seconds, &local)) {
        bench->stations.brews.day = (local.tm_year + 1900) * 10000 + (local.tm_mon + 1) * 100 + local.tm_mday;
        bench->stations.brews.number = local.tm_hour * 60 + local.tm_min; /* more than a cup a minute nobody brews */
    }
}

int bench_restore(struct bench *bench, const struct why *notice, struct why *why)
{
    struct taken taken = { .bench = bench, .missing = notice->text[0] != '\0' };
    uint64_t last = 0, from;
    int error;

    if ((error = journal_last(bench->journal, &last, why)) != 0
        || (error = journal_kept(bench->journal, take_kept, &taken, why)) != 0)
        return error;
    bench->seq = last > taken.reserved ? last : taken.reserved;
    if (!taken.any && last == 0)
        bench->journal_began_us = bench->now.time_us;
    if (notice->text[0]) {
        start_above(bench);
        program_message("%s", notice->text);
        stations_warn(&bench->stations, NULL, NULL, "journal", "%s", notice->text);
    } else if (taken.any && !taken.clean) {
        stations_warn(&bench->stations, NULL, NULL, "numbers-skipped",
                      "poised was not stopped in order; message numbers from %" PRIu64 " to %" PRIu64 " were not given",
                      last + 1, bench->seq);
    }
    bench_planned(bench);
    from = stations_resume_seq(&bench->stations);
    if (from != UINT64_MAX && (error = journal_replay(bench->journal, from, feed_again, bench, why)) != 0)
        return error;
    stations_loaded(&bench->stations, bench->now);
    bench_planned(bench);
    stations_time(&bench->stations, bench->now);
    return 0;
}
