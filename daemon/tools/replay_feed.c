/* What was recorded, to the stations: readings, gaps, and what the operator said and ordered.  What the tracker
 * reported then is only compared. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "stations/mark.h"
#include "poise/plan.h"
#include "replay_parts.h"
#include "stations/strength.h"

static void print_recorded(const char *topic, size_t topic_length, const char *json, size_t json_length)
{
    printf("{\"topic\":\"%.*s\",\"message\":%.*s}\n", (int)topic_length, topic, (int)json_length, json);
}

static void print_renamed(struct replay *replay, const struct message *message)
{
    char topic[TOPIC_SIZE], text[MESSAGE_SIZE];
    int length = names_write(&replay->names, message, text, sizeof text, topic);

    if (length > 0)
        print_recorded(topic, strlen(topic), text, (size_t)length);
}

void replay_reported(void *context, struct message *message)
{
    struct replay *replay = context;
    char topic[TOPIC_SIZE], text[MESSAGE_SIZE];
    int length;

    message->common = replay->common;
    account_take(&replay->now, message);
    if (!replay->options->json || (length = message_write(message, text, sizeof text)) < 0)
        return;
    print_recorded(topic, (size_t)message_topic(message, topic), text, (size_t)length);
}

/* The station of that name; one more when the trace names it first.  -1: of the whole bench, or unknown. */
static int station_of(struct replay *replay, const char *name)
{
    int station = name[0] ? station_find(&replay->stations, name) : -1;
    struct moment now = { replay->common.time_us, replay->common.mono_us };
    struct station_config *all;
    struct why why;

    if (station >= 0 || !name[0] || !replay->made_up || replay->config.station_count == REPLAY_STATIONS)
        return station;
    all = replay->config.stations; /* room for REPLAY_STATIONS was made */
    if (replay->config.station_count == 1 && all[0].line == 0 && strcmp(all[0].name, "bench") == 0 && !replay->readings)
        replay->config.station_count = 0; /* the one of a bench without configuration */
    all[replay->config.station_count] = all[0];
    snprintf(all[replay->config.station_count].name, NAME_SIZE, "%s", name);
    all[replay->config.station_count++].line = 1;
    if (stations_reconfigure(&replay->stations, &replay->config, now, &why) < 0)
        return -1;
    return station_find(&replay->stations, name);
}

/* ---- instruments ---- */

/* The instrument of that name: as the configuration has it, else as it has shown itself.  NULL: too many. */
static struct source *source_named(struct replay *replay, const char *name)
{
    int configured;

    for (int i = 0; i < replay->source_count; i++)
        if (strcmp(replay->sources[i].name, name) == 0)
            return &replay->sources[i].source;
    if (replay->source_count == REPLAY_SOURCES)
        return NULL;
    snprintf(replay->sources[replay->source_count].name, NAME_SIZE, "%s", name);
    configured = source_find(&replay->config, name);
    replay->sources[replay->source_count].source =
        configured >= 0 ? source_configured(&replay->config, configured, &replay->stations)
                        : (struct source){ .station = -1, .own = QUANTITY_NONE };
    return &replay->sources[replay->source_count++].source;
}

/* A temperature or a pressure may only stand beside what an instrument is there for, and comes before it.  False: that
 * is not known of this one yet. */
static bool learn(struct replay *replay, struct source *source, const struct message_reading *reading)
{
    bool aside = reading->quantity == QUANTITY_TEMPERATURE || reading->quantity == QUANTITY_PRESSURE;
    bool known = !aside || source->own != QUANTITY_NONE;

    source->station = station_of(replay, reading->station);
    source->weighs_cup = reading->weighs_cup;
    if (!aside || source->own == QUANTITY_NONE)
        source->own = reading->quantity;
    /* a bench without names of stations has one */
    if (source->station < 0 && source->own == QUANTITY_MASS && replay->stations.count == 1)
        source->station = 0;
    return known;
}

static void feed_reading(struct replay *replay, const struct message *message)
{
    struct source *source = source_named(replay, message->reading.instrument);
    bool known =
        source
        && (source_find(&replay->config, message->reading.instrument) >= 0 || learn(replay, source, &message->reading));

    if (!replay->readings++)
        replay->first_us = message->common.mono_us;
    if (known)
        source_again(&replay->stations, source, message);
}

/* ---- the operator ---- */

/* The brew that is now what was reported as that then, also when no more is known than its station. */
static struct brew *brew_now(struct replay *replay, const char *name, int station)
{
    const struct reported *then = account_find(&replay->then, name);
    const struct reported *now = then ? account_match(&replay->now, then) : NULL;

    return now ? brews_find(&replay->stations.brews, now->brew) : station_running(&replay->stations, station);
}

/* The plan that the brew had then is what its station aims at now. */
static void aim(struct replay *replay, const struct message_brew *message, int station)
{
    json_t *run = message->plan_json ? json_loads(message->plan_json, 0, NULL) : NULL;
    struct tracker_plan plan;

    plan_targets(run, plan.target, plan.tolerance);
    tracker_configure(replay->stations.all[station].tracker, NULL, &plan);
    json_decref(run);
}

static void feed_brew(struct replay *replay, const struct message_brew *message)
{
    struct moment then = { replay->common.time_us, message->at_us };
    int station = station_of(replay, message->station);
    struct brew *brew;
    struct why why;

    if (station < 0)
        return;
    if (message->change == BREW_BEGIN)
        aim(replay, message, station);
    if (message->by != BY_OPERATOR)
        return;
    if (message->change == BREW_BEGIN)
        station_begin(&replay->stations, station, then, &why);
    else if (message->change == BREW_END)
        station_end(&replay->stations, station, then, &why);
    else if (message->change == BREW_DISCARD && (brew = brew_now(replay, message->brew, station)))
        brew_discard(&replay->stations, brew, message->note, then, &why);
}

/* Idle was not said, it only takes back; done was reported as the brew's end. */
static void feed_stage(struct replay *replay, const struct message_stage *message, struct moment now)
{
    int station = station_of(replay, message->station);
    struct brew *brew;
    struct why why;

    if (message->by != BY_OPERATOR || message->stage == STAGE_IDLE || station < 0)
        return;
    brew = brew_now(replay, message->brew, station);
    if (brew && brew->ended)
        mark_afterwards(&replay->stations, brew, message->stage, message->at_us, &why);
    else
        station_mark(&replay->stations, station, message->stage, message->at_us, now, &why);
}

static bool among(uint64_t seq, const uint64_t *readings, int count)
{
    for (int i = 0; i < count; i++)
        if (readings[i] == seq)
            return true;
    return false;
}

/* Which cup a strength was read of is no matter of the tracker: it is as it was.  False: it is already. */
static bool assign_again(struct replay *replay, struct brew *brew, const struct message_measure *message,
                         struct moment now)
{
    bool changed = false;
    struct why why;

    for (int i = brew->sample_count - 1; i >= 0; i--)
        if (!among(brew->samples[i].seq, message->reading, message->readings))
            changed |= strength_unassign(&replay->stations, brew, brew->samples[i].seq, now, &why) == 0;
    for (int i = 0; i < message->readings; i++)
        if (strength_owner(&replay->stations, message->reading[i]) != brew)
            changed |= strength_assign(&replay->stations, brew, message->reading[i], now, &why) == 0;
    return changed;
}

/* A time that follows from a mark was not said. */
static void feed_measure(struct replay *replay, const struct message_measure *message, struct moment now)
{
    int station = station_of(replay, message->station);
    struct brew *brew = station >= 0 ? brew_now(replay, message->brew, station) : NULL;
    struct why why;

    if (!brew || (message->from_readings && assign_again(replay, brew, message, now)) || message->by != BY_OPERATOR
        || isnan(message->value) || mark_rules(brew, message->measure))
        return;
    brew_enter(&replay->stations, brew, message->measure, message->value, message->standard_uncertainty, now, &why);
}

/* ---- all of it ---- */

int replay_feed(void *context, const struct recorded *one, const struct message *message)
{
    struct replay *replay = context;
    struct moment now = { message->common.time_us, message->common.mono_us };
    struct source *source;

    if (replay->options->trace) {
        replay->readings += message->kind == MESSAGE_READING;
        if (replay->options->names)
            print_recorded(one->topic, one->topic_length, one->json, one->json_length);
        else
            print_renamed(replay, message);
        return 0;
    }
    replay->common = message->common;
    snprintf(replay->stations.brews.bench, sizeof replay->stations.brews.bench, "%s", message->common.bench);
    account_take(&replay->then, message);
    stations_time(&replay->stations, now);
    if (message->kind == MESSAGE_READING)
        feed_reading(replay, message);
    else if (message->kind == MESSAGE_INSTRUMENT && (source = source_named(replay, message->instrument.instrument)))
        source_again(&replay->stations, source, message);
    else if (message->kind == MESSAGE_BREW)
        feed_brew(replay, &message->brew);
    else if (message->kind == MESSAGE_STAGE)
        feed_stage(replay, &message->stage, now);
    else if (message->kind == MESSAGE_MEASURE)
        feed_measure(replay, &message->measure, now);
    return 0;
}
