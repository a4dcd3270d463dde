/* poise-ctl replay: what was recorded, as today's tracker reads it.  The tracker is poised's own; here a running
 * bench is asked for its past, and that is piped to it. */
#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "ctl.h"
#include "poise/client.h"
#include "poise/clock.h"
#include "poise/program.h"

enum { ANSWER_WITHIN_MS = 5000, ARGUMENTS_MOST = 16 };

/* A brew's name has its day in the zone of its bench, and zones lie up to 26 hours apart. */
static const int64_t ZONES_US = INT64_C(26) * 3600000000, DAY_US = INT64_C(24) * 3600000000;

/* The times between which the bench is asked; the rest is reported by poised, which knows what leads up to a brew. */
struct times {
    int64_t from_us, to_us;
};

static int find_times(const struct ctl *ctl, struct times *out)
{
    const char *digits = ctl->brew ? strrchr(ctl->brew, '-') : NULL;
    char day[11];

    *out = (struct times){ INT64_MIN, INT64_MAX };
    if (ctl->from && clock_read(ctl->from, &out->from_us) != 0) {
        program_message("--from: '%s' is no time; write it as 2026-11-25T09:30, or in UTC 2026-11-25T09:30:00Z",
                        ctl->from);
        return EXIT_USAGE;
    }
    if (ctl->to && clock_read(ctl->to, &out->to_us) != 0) {
        program_message("--to: '%s' is no time; write it as 2026-11-25T09:30, or in UTC 2026-11-25T09:30:00Z", ctl->to);
        return EXIT_USAGE;
    }
    if (!ctl->brew)
        return EXIT_DONE;
    if (!brew_name_valid(ctl->brew)) {
        program_message("--brew: '%s' is no brew's name; one is as pier-20261125-003", ctl->brew);
        return EXIT_USAGE;
    }
    digits -= 8;
    snprintf(day, sizeof day, "%.4s-%.2s-%.2s", digits, digits + 4, digits + 6);
    if (clock_read(day, &out->from_us) == 0) {
        out->to_us = out->from_us + DAY_US + ZONES_US;
        out->from_us -= ZONES_US;
    }
    return EXIT_DONE;
}

/* ---- where in the bench's past ---- */

/* The first message after a seq: its seq and time.  1; 0: there is none; negative: it failed. */
static int ask_after(struct client *client, uint64_t after, uint64_t *seq, int64_t *time_us, uint64_t *last,
                     struct why *why)
{
    json_t *request = json_pack("{s:s, s:I, s:i}", "do", "since", "seq", (json_int_t)after, "most", 1);
    json_t *reply, *message;
    int error = client_ask(client, request, ANSWER_WITHIN_MS, &reply, why);

    if (error < 0)
        return error;
    message = json_array_get(json_array_get(json_object_get(reply, "messages"), 0), 1);
    *seq = (uint64_t)json_integer_value(json_object_get(message, "seq"));
    *time_us = json_integer_value(json_object_get(message, "time_us"));
    *last = (uint64_t)json_integer_value(json_object_get(reply, "last"));
    json_decref(reply);
    return *seq > after;
}

/* The last seq before that time, by halving: a clock that was set back may mislead it by as much. */
static int find_seq(const struct ctl *ctl, int64_t from_us, uint64_t *out)
{
    struct client_options options = { .bus = ctl->bus, .control = ctl->control, .key = ctl->key };
    struct client *client;
    uint64_t low = 0, high = 0, seq, last;
    int64_t time_us;
    struct why why;
    int found = client_open(&client, &options, &why);

    if (found < 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    found = ask_after(client, 0, &seq, &time_us, &high, &why);
    while (found >= 0 && low < high) {
        uint64_t middle = low + (high - low) / 2;

        found = ask_after(client, middle, &seq, &time_us, &last, &why);
        if (found > 0 && time_us < from_us)
            low = seq;
        else
            high = middle;
    }
    client_close(client);
    if (found < 0)
        program_message("%s", why.text);
    *out = low;
    return found < 0 ? EXIT_FAILED : EXIT_DONE;
}

/* ---- to poised ---- */

/* Its exit status. */
static int wait_for(pid_t child)
{
    int ended = 0;

    while (waitpid(child, &ended, 0) < 0 && errno == EINTR)
        ;
    return WIFEXITED(ended) ? WEXITSTATUS(ended) : EXIT_FAILED;
}

static void become_poised(const struct ctl *ctl, const char *path)
{
    char *arguments[ARGUMENTS_MOST] = { (char *)"poise-ctl", (char *)"--replay", (char *)path };
    int count = 3;
    const struct {
        const char *option, *value;
    } valued[] = { { "--config", ctl->config }, { "--brew", ctl->brew }, { "--from", ctl->from }, { "--to", ctl->to } };

    for (size_t i = 0; i < sizeof valued / sizeof *valued; i++)
        if (valued[i].value) {
            arguments[count++] = (char *)valued[i].option;
            arguments[count++] = (char *)valued[i].value;
        }
    if (ctl->json)
        arguments[count++] = (char *)"--json";
    if (ctl->trace)
        arguments[count++] = (char *)"--trace";
    if (ctl->names)
        arguments[count++] = (char *)"--names";
    ctl_poised(arguments);
}

/* The way to a poised that replays what is written to it; NULL: it could not be started, which has been reported. */
static FILE *pipe_to_poised(const struct ctl *ctl, pid_t *child)
{
    FILE *out;
    int ends[2];

    if (pipe(ends) != 0 || (*child = fork()) < 0) {
        program_message("cannot start poised: %m");
        return NULL;
    }
    if (*child == 0) {
        dup2(ends[0], STDIN_FILENO);
        close(ends[0]);
        close(ends[1]);
        become_poised(ctl, "-");
        _exit(EXIT_FAILED);
    }
    close(ends[0]);
    signal(SIGPIPE, SIG_IGN); /* it has enough: writing fails, and that is the end */
    if (!(out = fdopen(ends[1], "w"))) {
        program_message("cannot write to poised: %m");
        close(ends[1]);
        wait_for(*child);
    }
    return out;
}

/* As `watch --json` does.  False when it could not be written. */
static bool write_line(FILE *out, const struct message *message)
{
    char topic[TOPIC_SIZE], text[MESSAGE_SIZE];
    int length = message_write(message, text, sizeof text);

    if (length < 0)
        return true; /* a state */
    message_topic(message, topic);
    return fprintf(out, "{\"topic\":\"%s\",\"message\":%.*s}\n", topic, length, text) > 0;
}

static int write_past(const struct ctl *ctl, FILE *out, const struct times *times, uint64_t after)
{
    struct client_options options = { .bus = ctl->bus,
                                      .control = ctl->control,
                                      .key = ctl->key,
                                      .subscribe = true,
                                      .catch_up = true,
                                      .after_seq = after };
    struct client *client;
    struct why why;
    bool more = true;
    int event = client_open(&client, &options, &why);

    if (event < 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    while (more) {
        struct message message;

        event = client_next(client, -1, ANSWER_WITHIN_MS, &message, &why);
        if (event == CLIENT_MESSAGE) {
            more = message.common.time_us <= times->to_us && write_line(out, &message);
            message_free(&message);
        } else if (event != CLIENT_FOUND && event != CLIENT_BAD) {
            more = false;
        }
    }
    client_close(client);
    if (event == CLIENT_MESSAGE || event == CLIENT_CAUGHT_UP)
        return EXIT_DONE;
    program_message("the bench does not go on: %s", event < 0 ? why.text : "is poised still running there?");
    return EXIT_FAILED;
}

/* A store that was named, or the bench's when the bench itself does not answer. */
static int replay_stored(const struct ctl *ctl)
{
    pid_t child = 0;
    FILE *out = pipe_to_poised(ctl, &child);
    int status, ended;

    if (!out)
        return EXIT_FAILED;
    status = ctl_write_stored(ctl, out);
    if (status != EXIT_DONE)
        kill(child, SIGKILL); /* what it would report of nothing is no news */
    fclose(out);
    ended = wait_for(child);
    return status == EXIT_DONE ? ended : status;
}

static int replay_bench(const struct ctl *ctl, const struct times *times)
{
    uint64_t after = 0;
    pid_t child = 0;
    FILE *out;
    int status = times->from_us == INT64_MIN ? EXIT_DONE : find_seq(ctl, times->from_us, &after), ended;

    if (status != EXIT_DONE)
        return status;
    if (!(out = pipe_to_poised(ctl, &child)))
        return EXIT_FAILED;
    status = write_past(ctl, out, times, after);
    fclose(out);
    ended = wait_for(child);
    return status == EXIT_DONE ? ended : status;
}

static bool answers(const struct ctl *ctl)
{
    struct client_options options = { .bus = ctl->bus, .control = ctl->control };
    json_t *reply = NULL;
    struct client *client;
    struct why why;
    bool answered;

    if (client_open(&client, &options, &why) < 0)
        return false;
    answered = client_ask(client, json_pack("{s:s}", "do", "status"), ANSWER_WITHIN_MS, &reply, &why) == 0;
    client_close(client);
    json_decref(reply);
    if (!answered)
        program_message("%s; the store is read instead: %s", why.text, ctl->store);
    return answered;
}

int command_replay(const struct ctl *ctl)
{
    struct times times;
    int status = find_times(ctl, &times);

    if (status != EXIT_DONE)
        return status;
    if (ctl->brew && (ctl->from || ctl->to)) {
        program_message("replay: a brew has its own time: leave --from and --to out");
        return EXIT_USAGE;
    }
    if (ctl->word_count > 0) {
        become_poised(ctl, ctl->words[0]);
        return EXIT_FAILED;
    }
    if (!ctl->brew && !ctl->from) {
        program_message("replay: of what?  Name a FILE, a --brew of the bench, or the time --from which");
        return EXIT_USAGE;
    }
    if (ctl->brew && (ctl->store_option || !answers(ctl)))
        return replay_stored(ctl);
    return replay_bench(ctl, &times);
}
