/* What the bench says, in the order of its numbers: an event goes out when it is on the disk, so that nobody has seen
 * what a kill could take back.  Most disks are faster than anybody sees; for a slow one readings and replies wait
 * behind the event, and for one that hangs nothing waits longer than a moment: then the bench goes on without it. */
#include <assert.h>
#include <stdlib.h>
#include <string.h>

#include "bench_parts.h"
#include "poise/program.h"

enum { COMMIT_WAIT_MS = 20 }; /* the loop itself waits so long for the disk, which usually suffices */

/* An event waits so long for the disk, and all that comes behind it: a card that is busy takes half as long. */
static const int64_t PATIENCE_US = 1000000;

struct late_reply {
    struct late_reply *next;
    struct bus_peer peer;
    size_t length;
    char text[];
};

/* Room for one more in the pending text; NULL when memory is short. */
static struct pending *pending_room(struct bench *bench)
{
    char *room = text_room(&bench->pending, sizeof(struct pending) + TOPIC_SIZE + MESSAGE_SIZE);

    bench->pending.failed = false;
    return (struct pending *)room;
}

/* What was put there stays: rounded up, so that the next header is aligned. */
static size_t pending_size(const struct pending *head)
{
    return (sizeof *head + head->topic_length + head->length + 15) / 16 * 16;
}

void bench_emit(void *context, struct message *message)
{
    struct bench *bench = context;
    struct pending *head;
    int length;

    bench_number(bench);
    message->common = bench->common;
    if (bench->peer && bench->asked_for[0])
        snprintf(message->common.asked_by, ASKED_BY_SIZE, "%.*s (%s)", ASKED_BY_SIZE - NAME_SIZE - 4,
                 bench->peer->guest.name, bench->asked_for);
    else if (bench->peer)
        strcpy(message->common.asked_by, bench->peer->guest.name);
    if (!(head = pending_room(bench))) {
        program_message("out of memory: an event is lost");
        return;
    }
    *head = (struct pending){ .seq = bench->seq, .time_us = bench->now.time_us };
    head->topic_length = (size_t)message_topic(message, (char *)(head + 1));
    length = message_write(message, (char *)(head + 1) + head->topic_length, MESSAGE_SIZE);
    if (length < 0) {
        program_message("an event does not fit a message and is lost");
        return;
    }
    head->length = (size_t)length;
    assert(bench->journaled <= bench->pending.length);
    bench->pending.length += pending_size(head);
}

void bench_say_reading(struct bench *bench, const struct outlet *outlet, size_t before, const char *text, size_t length)
{
    struct pending *head;

    if (!before || !pending_room(bench)) {
        bus_publish(bench->bus, outlet->topic, outlet->topic_length, text, length);
        return;
    }
    head = (struct pending *)(bench->pending.data + before);
    memmove((char *)head + pending_size(&(struct pending){ .topic_length = outlet->topic_length, .length = length }),
            head, bench->pending.length - before);
    *head = (struct pending){ .reading = true, .topic_length = outlet->topic_length, .length = length };
    memcpy(head + 1, outlet->topic, outlet->topic_length);
    memcpy((char *)(head + 1) + outlet->topic_length, text, length);
    if (bench->journaled == before)
        bench->journaled += pending_size(head);
    bench->pending.length += pending_size(head);
}

void bench_reply(struct bench *bench, const struct bus_peer *peer, const char *text, size_t length)
{
    struct late_reply *late = bench->late_us ? malloc(sizeof *late + length) : NULL;

    if (!late) {
        bus_reply(bench->bus, peer, text, length);
        return;
    }
    late->next = NULL;
    late->peer = *peer;
    late->length = length;
    memcpy(late->text, text, length);
    *bench->replies_end = late;
    bench->replies_end = &late->next;
}

/* Gives the journal what it does not have yet. */
static void journal_pending(struct bench *bench)
{
    for (size_t at = bench->journaled; at < bench->pending.length;) {
        const struct pending *head = (const struct pending *)(bench->pending.data + at);
        const char *topic = (const char *)(head + 1);

        if (!head->reading)
            journal_event(bench->journal, topic, head->topic_length, topic + head->topic_length, head->length,
                          head->seq, head->time_us);
        at += pending_size(head);
    }
    bench->journaled = bench->pending.length;
}

void bench_say_pending(struct bench *bench)
{
    struct late_reply *reply;

    for (size_t at = 0; at < bench->pending.length;) {
        const struct pending *head = (const struct pending *)(bench->pending.data + at);
        const char *topic = (const char *)(head + 1);

        bus_publish(bench->bus, topic, head->topic_length, topic + head->topic_length, head->length);
        at += pending_size(head);
    }
    bench->pending.length = bench->journaled = 0;
    bench->late_us = 0;
    while ((reply = bench->replies)) {
        if (!(bench->replies = reply->next))
            bench->replies_end = &bench->replies;
        bus_reply(bench->bus, &reply->peer, reply->text, reply->length);
        free(reply);
    }
}

void bench_save_pending(struct bench *bench)
{
    bool saved = bench->late_us && journal_saved(bench->journal);

    if (bench->pending.length > bench->journaled || bench->planner.changed) {
        journal_hold(bench->journal);
        journal_pending(bench);
        bench_save(bench, false);
        saved = journal_release(bench->journal, COMMIT_WAIT_MS) || journal_saved(bench->journal);
        if (!bench->late_us)
            bench->late_us = bench->now.mono_us + (int64_t)((double)PATIENCE_US * bench->clock->rate);
    }
    if (saved || bench->now.mono_us >= bench->late_us)
        bench_say_pending(bench);
}
