/* See replay.h.  The stations are the daemon's own; only where the readings come from and where the messages go to
 * differs. */
#include "replay.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "journal/journal_file.h"
#include "poise/program.h"
#include "replay_parts.h"

static const int64_t AFTER_US = 3600000000; /* so long after the trace, what was still open is reported */

/* 1 when nothing more is wanted, else 0; what makes no sense is said, the first few times. */
static int offer(struct replay *replay, const struct recorded *one, int error, struct why *why)
{
    replay->number++;
    if (!error && one->topic_length > 6 && memcmp(one->topic, "state/", 6) == 0)
        return 0;
    if (!error)
        error = span_offer(replay->span, one, why);
    if (error < 0 && replay->bad++ < 3)
        program_message("%s:%ld: %s", replay->source, replay->number, why->text);
    return error > 0;
}

/* ---- where it comes from ---- */

static char *skip_blanks(char *at)
{
    return at + strspn(at, " \t\r\n");
}

/* Behind one JSON value: whether it is one shows when it is read. NULL: it does not end on this line. */
static char *skip_value(char *at)
{
    int depth = 0;
    bool quoted = false;

    for (; *at; at++) {
        if (quoted && *at == '\\' && at[1])
            at++;
        else if (*at == '"')
            quoted = !quoted;
        else if (!quoted && (*at == '{' || *at == '['))
            depth++;
        else if (!quoted && (*at == '}' || *at == ']') && depth > 0)
            depth--;
        else if (!quoted && depth == 0 && strchr(",}: \t\r\n", *at))
            return at;
        if (!quoted && depth == 0 && strchr("\"}]", *at))
            return at + 1;
    }
    return NULL;
}

static void take_member(const char *key, size_t key_length, const char *value, size_t length, struct recorded *out)
{
    if (key_length == 7 && memcmp(key, "\"topic\"", 7) == 0 && length >= 2 && value[0] == '"') {
        out->topic = value + 1;
        out->topic_length = length - 2;
    } else if (key_length == 9 && memcmp(key, "\"message\"", 9) == 0) {
        out->json = value;
        out->json_length = length;
    }
}

/* {"topic":"...","message":{...}}, with whatever blanks and in whatever order: the message is taken as it stands, so
 * that no digit is lost. */
static int split(char *line, struct recorded *out, struct why *why)
{
    char *at = skip_blanks(line), *key, *key_end, *value;

    *out = (struct recorded){ 0 };
    for (char open = '{'; at && *at == open; open = ',') {
        key = skip_blanks(at + 1);
        key_end = skip_value(key);
        at = key_end ? skip_blanks(key_end) : NULL;
        if (!at || *at != ':')
            break;
        value = skip_blanks(at + 1);
        if ((at = skip_value(value))) {
            take_member(key, (size_t)(key_end - key), value, (size_t)(at - value), out);
            at = skip_blanks(at);
        }
    }
    if (!at || *at != '}' || *skip_blanks(at + 1) || !out->topic || !out->json)
        return why_set(why, -EINVAL, "no line as poise-ctl watch --json prints them");
    return 0;
}

static int feed_lines(struct replay *replay, FILE *file)
{
    struct recorded one;
    struct why why;
    char *line = NULL;
    size_t size = 0;
    int result = 0;

    while (result == 0 && getline(&line, &size, file) >= 0) {
        if (line[0] == '\n' || line[0] == '#')
            replay->number++;
        else
            result = offer(replay, &one, split(line, &one, &why), &why);
    }
    free(line);
    if (ferror(file)) {
        program_message("%s: cannot be read", replay->source);
        return EXIT_FAILED;
    }
    return EXIT_DONE;
}

static int feed_row(void *context, const struct journal_row *row)
{
    struct replay *replay = context;
    struct journal_entry entry;
    struct why why;

    for (size_t at = 0; at < row->length && journal_entry_read(row->text + at, row->length - at, &entry) == 0;
         at += entry.length + 1) {
        struct recorded one = { entry.topic, entry.json, entry.topic_length, entry.json_length };

        if (offer(replay, &one, 0, &why))
            return 1;
    }
    return 0;
}

static int feed_journal(struct replay *replay)
{
    struct journal_file *file;
    struct why why;
    int error = journal_file_open_to_read(&file, replay->options->path, &why);

    if (error == 0) {
        error = journal_file_rows(file, 0, feed_row, NULL, replay, &why);
        journal_file_close(file);
    }
    if (error)
        program_message("%s", why.text);
    return error ? EXIT_FAILED : EXIT_DONE;
}

static int feed_file(struct replay *replay)
{
    static const char magic[] = "SQLite format 3";
    const char *path = replay->options->path;
    FILE *file = strcmp(path, "-") == 0 ? stdin : fopen(path, "re");
    char head[sizeof magic] = "";
    int status;

    if (!file) {
        program_message("%s: %m", path);
        return EXIT_FAILED;
    }
    if (file == stdin)
        return feed_lines(replay, file);
    if (fread(head, 1, sizeof head, file) == sizeof head && memcmp(head, magic, sizeof magic) == 0) {
        fclose(file);
        return feed_journal(replay);
    }
    rewind(file);
    status = feed_lines(replay, file);
    fclose(file);
    return status;
}

/* ---- the whole ---- */

/* What came out of the source; says what is missing. */
static int judge(const struct replay *replay)
{
    const struct replay_options *options = replay->options;

    if (replay->bad > 3)
        program_message("%s: %ld messages in all made no sense", replay->source, replay->bad);
    if (options->brew && !span_found(replay->span)) {
        program_message("%s: there is no brew %s in it", replay->source, options->brew);
        return EXIT_FAILED;
    }
    if (replay->readings == 0) {
        program_message("%s: no reading in it%s", replay->source,
                        options->brew || options->from || options->to ? " that was asked for"
                                                                      : ": record with poise-ctl watch --json");
        return EXIT_FAILED;
    }
    if (options->brew && !span_whole(replay->span))
        program_message("%s: the beginning of %s is not in it: what follows from it is not reported now",
                        replay->source, options->brew);
    return EXIT_DONE;
}

static int open_all(struct replay *replay, struct why *why)
{
    struct station_config *room;
    int error = span_open(&replay->span, replay->options, replay_feed, replay, why);

    if (error < 0 || (error = config_read(&replay->config, replay->options->config_path, stderr, why)) < 0)
        return error;
    replay->made_up = !replay->options->config_path;
    replay->then.brews = calloc(REPLAY_BREWS, sizeof *replay->then.brews);
    replay->now.brews = calloc(REPLAY_BREWS, sizeof *replay->now.brews);
    room = replay->config.stations;
    if (replay->made_up)
        room = reallocarray(room, REPLAY_STATIONS, sizeof *room);
    if (room)
        replay->config.stations = room;
    if (!room || !replay->then.brews || !replay->now.brews)
        return why_set(why, -ENOMEM, "out of memory");
    replay->stations.context = replay;
    replay->stations.emit = replay_reported;
    return stations_open(&replay->stations, &replay->config, why);
}

static int run(struct replay *replay)
{
    const struct replay_options *options = replay->options;
    int status = feed_file(replay);
    struct moment after;

    if (status == EXIT_DONE)
        status = judge(replay);
    if (status != EXIT_DONE || options->trace)
        return status;
    after = (struct moment){ replay->common.time_us + AFTER_US, replay->common.mono_us + AFTER_US };
    stations_time(&replay->stations, after);
    if (!options->json)
        account_print(&replay->then, &replay->now, options->brew, replay->first_us);
    return status;
}

int replay_run(const struct replay_options *options)
{
    struct replay replay = { .options = options,
                             .source = strcmp(options->path, "-") == 0 ? "what was recorded" : options->path };
    struct why why;
    int status = EXIT_FAILED;

    if (open_all(&replay, &why) < 0)
        program_message("%s", why.text);
    else
        status = run(&replay);
    stations_close(&replay.stations);
    config_free(&replay.config);
    span_close(replay.span);
    free(replay.then.brews);
    free(replay.now.brews);
    return status;
}
