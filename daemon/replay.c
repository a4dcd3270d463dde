/* See replay.h.  The stations are the daemon's own; only where the readings come from and where the
 * messages go to differs. */
#include "replay.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "config.h"
#include "poise/program.h"
#include "station.h"

enum {
    BREWS_MOST = 1000,          /* a long morning on several stations */
    STAGES_MOST = 48,
    STATIONS_MOST = 32
};

static const int64_t SAME_US = 1000;        /* a stage takes back what was told from its time on, within this */
static const int64_t AFTER_US = 3600000000; /* so long after the trace, what was still open is told */

/* One brew as it stands after all corrections. */
struct replayed {
    char brew[BREW_SIZE], station[NAME_SIZE];
    int64_t began_us, ended_us;
    struct {
        enum stage stage;
        int64_t at_us, u_us;
        enum made_by by;
    } stage[STAGES_MOST];
    int stage_count;
    struct measures measures;
    bool above[MEASURE_COUNT], discarded;
    char note[DETAIL_SIZE];
};

struct replay {
    struct stations stations;
    struct config config;
    struct message_common common;       /* of the message that is being fed */
    struct replayed *brews;
    int brew_count;
    bool json, made_up;                 /* made_up: the stations are those the trace names */
    int64_t first_us;
    long readings, bad;
};

/* ---- what is told ---- */

static struct replayed *brew_named(struct replay *replay, const char *name)
{
    struct replayed *brew;

    for (int i = replay->brew_count - 1; i >= 0; i--)
        if (strcmp(replay->brews[i].brew, name) == 0)
            return &replay->brews[i];
    if (!name[0] || replay->brew_count == BREWS_MOST)
        return NULL;
    brew = &replay->brews[replay->brew_count++];
    snprintf(brew->brew, sizeof brew->brew, "%s", name);
    measures_clear(&brew->measures);
    return brew;
}

static void note_stage(struct replayed *brew, const struct message_stage *stage)
{
    while (brew->stage_count && brew->stage[brew->stage_count - 1].at_us >= stage->at_us - SAME_US)
        brew->stage_count--;
    if (brew->stage_count == STAGES_MOST)
        return;
    brew->stage[brew->stage_count].stage = stage->stage;
    brew->stage[brew->stage_count].at_us = stage->at_us;
    brew->stage[brew->stage_count].u_us = stage->uncertainty_us;
    brew->stage[brew->stage_count++].by = stage->by;
}

static void note_brew(struct replayed *brew, const struct message_brew *message)
{
    snprintf(brew->station, sizeof brew->station, "%s", message->station);
    if (message->change == BREW_BEGIN)
        brew->began_us = message->at_us;
    if (message->change == BREW_END)
        brew->ended_us = message->at_us;
    if (message->change == BREW_DISCARD) {
        brew->discarded = true;
        snprintf(brew->note, sizeof brew->note, "%s", message->note);
    }
}

static void print_message(const struct message *message)
{
    char topic[TOPIC_SIZE], text[MESSAGE_SIZE];
    int length = message_write(message, text, sizeof text);

    message_topic(message, topic);
    if (length > 0)
        printf("{\"topic\":\"%s\",\"message\":%.*s}\n", topic, length, text);
}

static void told(void *context, struct message *message)
{
    struct replay *replay = context;
    struct replayed *brew;

    message->common = replay->common;
    if (replay->json)
        print_message(message);
    if (message->kind == MESSAGE_BREW && (brew = brew_named(replay, message->brew.brew)))
        note_brew(brew, &message->brew);
    if (message->kind == MESSAGE_STAGE && (brew = brew_named(replay, message->stage.brew)))
        note_stage(brew, &message->stage);
    if (message->kind == MESSAGE_MEASURE && (brew = brew_named(replay, message->measure.brew))) {
        brew->measures.value[message->measure.measure] = message->measure.value;
        brew->measures.standard_uncertainty[message->measure.measure] = message->measure.standard_uncertainty;
        brew->above[message->measure.measure] = message->measure.above;
    }
}

static void print_brew(const struct replay *replay, const struct replayed *brew)
{
    printf("%s on %s%s\n", brew->brew, brew->station,
           brew->discarded ? ", discarded" : brew->ended_us ? "" : ", not over");
    if (brew->discarded && brew->note[0])
        printf("  %s\n", brew->note);
    for (int i = 0; i < brew->stage_count; i++)
        printf("  %-10s %9.2f s  u %.2f s%s\n", stage_name(brew->stage[i].stage),
               (double)(brew->stage[i].at_us - replay->first_us) / 1e6, (double)brew->stage[i].u_us / 1e6,
               brew->stage[i].by == BY_OPERATOR ? "  marked by hand" : "");
    for (int i = 0; i < MEASURE_COUNT; i++) {
        int decimals = measure_decimals((enum measure)i);
        double u = brew->measures.standard_uncertainty[i];

        if (isnan(brew->measures.value[i]))
            continue;
        printf("  %-20s %s%.*f", measure_name((enum measure)i), brew->above[i] ? "above " : "", decimals,
               brew->measures.value[i]);
        printf(isnan(u) ? "\n" : "  u %.*f\n", decimals + 1, u);
    }
}

/* ---- what is fed ---- */

/* The station of that name; one more when the trace names it first.  -1: of the whole bench, or unknown. */
static int station_of(struct replay *replay, const char *name, struct why *why)
{
    int station = name[0] ? station_find(&replay->stations, name) : -1;
    struct station_config *all;
    struct moment now = {replay->common.time_us, replay->common.mono_us};

    if (station >= 0 || !name[0] || !replay->made_up || replay->config.station_count == STATIONS_MOST)
        return station;
    all = replay->config.stations;      /* room for STATIONS_MOST was made */
    if (replay->config.station_count == 1 && all[0].line == 0 && strcmp(all[0].name, "bench") == 0 && !replay->readings)
        replay->config.station_count = 0;       /* the one of a bench without configuration */
    all[replay->config.station_count] = all[0];
    snprintf(all[replay->config.station_count].name, NAME_SIZE, "%s", name);
    all[replay->config.station_count++].line = 1;
    if (stations_reconfigure(&replay->stations, &replay->config, now, why) < 0)
        return -1;
    return station_find(&replay->stations, name);
}

static void feed_reading(struct replay *replay, const struct message *message, int station)
{
    struct moment now = {message->common.time_us, message->common.mono_us};
    struct reading reading = {
        .quantity = message->reading.quantity, .status = message->reading.status,
        .stable = (signed char)message->reading.stable, .net = -1, .unit = quantity_unit(message->reading.quantity),
        .shown = message->reading.value, .value = message->reading.value,
        .resolution = decimal_resolution(message->reading.value), .mono_us = now.mono_us,
    };

    if (!replay->readings++)
        replay->first_us = now.mono_us;
    stations_time(&replay->stations, now);
    /* a bench without names of stations has one */
    if (station < 0 && reading.quantity == QUANTITY_MASS && replay->stations.count == 1)
        station = 0;
    if (message->reading.weighs_cup)
        stations_second(&replay->stations, station, &reading, message->common.seq, now);
    else
        stations_reading(&replay->stations, station, &reading, message->common.seq, now);
}

/* What the operator said then is said again. */
static void feed_word(struct replay *replay, const struct message *message)
{
    struct moment now = {message->common.time_us, message->common.mono_us};
    struct brew *brew;
    struct why why;
    int station;

    if (message->kind == MESSAGE_STAGE && message->stage.by == BY_OPERATOR &&
        (station = station_of(replay, message->stage.station, &why)) >= 0)
        station_mark(&replay->stations, station, message->stage.stage, message->stage.at_us, now, &why);
    if (message->kind == MESSAGE_MEASURE && message->measure.by == BY_OPERATOR && !isnan(message->measure.value) &&
        (station = station_of(replay, message->measure.station, &why)) >= 0 &&
        (brew = station_running(&replay->stations, station)))
        brew_enter(&replay->stations, brew, message->measure.measure, message->measure.value,
                   message->measure.standard_uncertainty, now, &why);
}

/* {"topic":"...","message":{...}}: the message is taken as it stands, so that no digit is lost. */
static int split(char *line, char **topic, size_t *topic_length, char **text, size_t *length)
{
    static const char before[] = "{\"topic\":\"", between[] = "\",\"message\":";
    size_t all = strcspn(line, "\r\n");
    char *end;

    if (strncmp(line, before, sizeof before - 1) != 0 || all < sizeof before || line[all - 1] != '}' ||
        !(end = strstr(line, between)))
        return -EINVAL;
    *topic = line + sizeof before - 1;
    *topic_length = (size_t)(end - *topic);
    *text = end + sizeof between - 1;
    *length = (size_t)(line + all - 1 - *text);
    return 0;
}

static int feed_line(struct replay *replay, char *line, struct why *why)
{
    struct message message;
    size_t topic_length, length;
    char *topic, *text;
    int station, error;

    if (split(line, &topic, &topic_length, &text, &length) < 0)
        return why_set(why, -EINVAL, "no line as poise-ctl watch --json prints them");
    if (strncmp(topic, "state/", 6) == 0)
        return 0;
    if ((error = message_read(topic, topic_length, text, length, &message, why)) < 0)
        return error;
    replay->common = message.common;
    snprintf(replay->stations.brews.bench, sizeof replay->stations.brews.bench, "%s", message.common.bench);
    if (message.kind == MESSAGE_READING) {
        station = station_of(replay, message.reading.station, why);
        feed_reading(replay, &message, station);
    } else {
        feed_word(replay, &message);
    }
    message_free(&message);
    return 0;
}

static int feed_file(struct replay *replay, FILE *file, const char *path)
{
    struct moment after;
    struct why why;
    char *line = NULL;
    size_t size = 0;
    long number = 0;

    while (getline(&line, &size, file) >= 0) {
        number++;
        if (line[0] == '\n' || line[0] == '#' || feed_line(replay, line, &why) == 0)
            continue;
        if (replay->bad++ < 3)
            program_say("%s:%ld: %s", path, number, why.text);
    }
    free(line);
    if (ferror(file)) {
        program_say("%s: cannot be read", path);
        return EXIT_FAILED;
    }
    if (replay->bad > 3)
        program_say("%s: %ld lines in all made no sense", path, replay->bad);
    if (replay->readings == 0) {
        program_say("%s: no reading in it: record with poise-ctl watch --json", path);
        return EXIT_FAILED;
    }
    after = (struct moment){replay->common.time_us + AFTER_US, replay->common.mono_us + AFTER_US};
    stations_time(&replay->stations, after);
    return EXIT_DONE;
}

static int open_stations(struct replay *replay, const char *config_path, struct why *why)
{
    struct station_config *room;
    int error = config_read(&replay->config, config_path, stderr, why);

    if (error < 0)
        return error;
    replay->made_up = !config_path;
    replay->brews = calloc(BREWS_MOST, sizeof *replay->brews);
    room = replay->config.stations;
    if (replay->made_up)
        room = reallocarray(room, STATIONS_MOST, sizeof *room);
    if (!room || !replay->brews)
        return why_set(why, -ENOMEM, "out of memory");
    replay->config.stations = room;
    replay->stations.context = replay;
    replay->stations.emit = told;
    return stations_open(&replay->stations, &replay->config, why);
}

int replay_run(const char *path, const char *config_path, bool json)
{
    struct replay replay = {.json = json};
    bool standard = strcmp(path, "-") == 0;
    FILE *file = standard ? stdin : fopen(path, "re");
    struct why why;
    int status = EXIT_FAILED;

    if (!file) {
        program_say("%s: %m", path);
        return EXIT_FAILED;
    }
    if (open_stations(&replay, config_path, &why) < 0) {
        program_say("%s", why.text);
    } else {
        status = feed_file(&replay, file, path);
        for (int i = 0; i < replay.brew_count && !json && status == EXIT_DONE; i++)
            print_brew(&replay, &replay.brews[i]);
        if (replay.brew_count == 0 && !json && status == EXIT_DONE)
            puts("no brew in it");
        stations_close(&replay.stations);
    }
    config_free(&replay.config);
    free(replay.brews);
    if (!standard)
        fclose(file);
    return status;
}
