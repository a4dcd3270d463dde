/* Which of the recorded messages are fed: those of a time, or of one brew with what led up to it.  What led up to it is
 * known only when the brew begins, so the last minutes are held back until then. */
#include <errno.h>
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#include "poise/clock.h"
#include "replay_parts.h"

/* The tracker has seen the scale at rest, and the cup and the brewer put down, when it is fed so much before the brew
 * begins: nobody lets an empty brewer stand longer before dosing (common practice, no source). */
static const int64_t LEAD_US = 300000000;

/* What is corrected by the tracker itself comes within so much after the end. */
static const int64_t TAIL_US = 60000000;

/* A brew is reported to begin so long after it truly did, at most: coffee is weighed, water comes, and only then is it
 * sure. */
static const int64_t REPORTED_LATE_US = 300000000;

struct held {
    struct held *next;
    struct recorded recorded;
    int64_t mono_us;
    char boot[BOOT_SIZE];
};

enum place { BEFORE, WITHIN, AFTER };

struct span {
    const struct replay_options *options;
    span_take *take;
    void *context;
    struct held *first, **end;
    enum place place;
    bool whole;
    int64_t from_us, to_us; /* UTC, without a brew */
    int64_t until_us;       /* after the end of the brew */
    char boot[BOOT_SIZE];   /* of the end */
};

static int read_time(const char *text, int64_t *out, struct why *why)
{
    if (!text || clock_read(text, out) == 0)
        return 0;
    return why_set(why, -EINVAL, "\"%.40s\" is no time; write it as 2026-11-25T09:30, or in UTC 2026-11-25T09:30:00Z",
                   text);
}

int span_open(struct span **out, const struct replay_options *options, span_take *take, void *context, struct why *why)
{
    struct span *span = calloc(1, sizeof *span);
    int error;

    if (!span)
        return why_set(why, -ENOMEM, "out of memory");
    *span =
        (struct span){ .options = options, .take = take, .context = context, .from_us = INT64_MIN, .to_us = INT64_MAX };
    span->end = &span->first;
    if ((error = read_time(options->from, &span->from_us, why)) != 0
        || (error = read_time(options->to, &span->to_us, why)) != 0) {
        free(span);
        return error;
    }
    *out = span;
    return 0;
}

static struct held *first_out(struct span *span)
{
    struct held *held = span->first;

    if (!(span->first = held->next))
        span->end = &span->first;
    return held;
}

void span_close(struct span *span)
{
    while (span && span->first)
        free(first_out(span));
    free(span);
}

bool span_found(const struct span *span)
{
    return span->place != BEFORE;
}

bool span_whole(const struct span *span)
{
    return span->whole;
}

static int hold_back(struct span *span, const struct recorded *one, const struct message_common *common)
{
    struct held *held = malloc(sizeof *held + one->topic_length + one->json_length);
    char *text;

    if (!held)
        return -ENOMEM;
    text = (char *)(held + 1);
    *held = (struct held){ .mono_us = common->mono_us };
    strcpy(held->boot, common->boot);
    memcpy(text, one->topic, one->topic_length);
    memcpy(text + one->topic_length, one->json, one->json_length);
    held->recorded = (struct recorded){ text, text + one->topic_length, one->topic_length, one->json_length };
    *span->end = held;
    span->end = &held->next;
    while (span->first
           && (strcmp(span->first->boot, common->boot) != 0
               || span->first->mono_us < common->mono_us - LEAD_US - REPORTED_LATE_US))
        free(first_out(span));
    return 0;
}

/* Hands on what was held back and is no older than that. */
static int let_go(struct span *span, int64_t since_us)
{
    int error = 0;

    while (span->first) {
        struct held *held = first_out(span);
        struct message message;
        struct why why;

        if (!error && held->mono_us >= since_us
            && message_read(held->recorded.topic, held->recorded.topic_length, held->recorded.json,
                            held->recorded.json_length, &message, &why)
                   == 0) {
            error = span->take(span->context, &held->recorded, &message);
            message_free(&message);
        }
        free(held);
    }
    return error;
}

/* Does it say that the brew is under way?  Corrections say nothing of that: they come days later too. */
static bool is_about(const struct message *message, const char *brew)
{
    if (message->kind == MESSAGE_STAGE)
        return message->stage.by == BY_TRACKER && strcmp(message->stage.brew, brew) == 0;
    return message->kind == MESSAGE_BREW && strcmp(message->brew.brew, brew) == 0
           && (message->brew.change == BREW_BEGIN || message->brew.change == BREW_END);
}

static int offer_brew(struct span *span, const struct recorded *one, const struct message *message)
{
    const char *brew = span->options->brew;
    int error;

    if (span->place == BEFORE && !is_about(message, brew))
        return hold_back(span, one, &message->common);
    if (span->place == BEFORE) {
        int64_t began_us = message->kind == MESSAGE_BREW ? message->brew.at_us : message->stage.at_us;

        span->place = WITHIN;
        span->whole = message->kind == MESSAGE_BREW && message->brew.change == BREW_BEGIN;
        if ((error = let_go(span, began_us - LEAD_US)) != 0)
            return error;
    }
    if (span->place == AFTER
        && (message->common.mono_us > span->until_us || strcmp(message->common.boot, span->boot) != 0))
        return 1;
    if (message->kind == MESSAGE_BREW && strcmp(message->brew.brew, brew) == 0
        && (message->brew.change == BREW_END || message->brew.change == BREW_DISCARD)) {
        span->place = AFTER;
        span->until_us = message->common.mono_us + TAIL_US;
        strcpy(span->boot, message->common.boot);
    }
    return span->take(span->context, one, message);
}

/* A trace comes from anywhere: a time that no clock shows must not reach the tracker's arithmetic.  Nothing is reported
 * to have been further from its message than a brew may last (common practice, no source). */
static bool is_possible(const struct message *message)
{
    const int64_t clock_most_us = INT64_C(1) << 53, apart_most_us = INT64_C(86400000000);
    const int64_t boot_most_us = INT64_C(1) << 49; /* 17 years; the tracker keeps 50 bits */
    int64_t mono_us = message->common.mono_us, at_us = mono_us;

    if (message->kind == MESSAGE_BREW && message->brew.change <= BREW_END)
        at_us = message->brew.at_us;
    if (message->kind == MESSAGE_STAGE)
        at_us = message->stage.at_us;
    return mono_us >= 0 && mono_us <= boot_most_us && at_us <= mono_us && at_us >= mono_us - apart_most_us
           && message->common.time_us >= 0 && message->common.time_us <= clock_most_us;
}

int span_offer(struct span *span, const struct recorded *one, struct why *why)
{
    const struct replay_options *options = span->options;
    struct message message;
    int result = message_read(one->topic, one->topic_length, one->json, one->json_length, &message, why);

    if (result < 0)
        return result;
    if (!is_possible(&message))
        result = why_set(why, -EINVAL, "message %" PRIu64 " has an impossible time", message.common.seq);
    else if (options->brew)
        result = offer_brew(span, one, &message);
    else if (message.common.time_us >= span->from_us && message.common.time_us <= span->to_us)
        result = span->take(span->context, one, &message);
    message_free(&message);
    if (result == -ENOMEM)
        return why_set(why, result, "out of memory");
    return result;
}
