/* What the files of replay share; nobody else includes this. */
#ifndef POISE_REPLAY_PARTS_H
#define POISE_REPLAY_PARTS_H

#include "config/config.h"
#include "poise/messages.h"
#include "replay.h"
#include "stations/source.h"

enum {
    REPLAY_BREWS = 1000, /* a long morning on several stations */
    REPLAY_STATIONS = 32,
    REPLAY_SOURCES = 256 /* that a trace may name */
};

/* ---- which messages: replay_span.c ---- */

/* One message as it was recorded: the JSON stands as it came, so that no digit is lost. */
struct recorded {
    const char *topic, *json;
    size_t topic_length, json_length;
};

struct span;

/* Hands on to `take` what belongs to the brew or the time asked for. */
typedef int span_take(void *context, const struct recorded *one, const struct message *message);
int span_open(struct span **out, const struct replay_options *options, span_take *take, void *context, struct why *why);

/* 0; 1: nothing more is wanted; -EINVAL with a sentence: it is no message. */
int span_offer(struct span *span, const struct recorded *one, struct why *why);

/* Whether the brew asked for was met; and whether its beginning was. */
bool span_found(const struct span *span);
bool span_whole(const struct span *span);
void span_close(struct span *span);

/* ---- without names: replay_names.c ---- */

enum { RENAMED_MOST = 64 }; /* more of a kind than any bench has; those beyond share a name */

struct renamed {
    char names[RENAMED_MOST][BOOT_SIZE > NAME_SIZE ? BOOT_SIZE : NAME_SIZE];
    int count;
};

struct names {
    struct renamed stations, instruments, boots;
};

/* The message with other names and without words that people wrote, into out and topic.  Its length; 0: it is left out;
 * negative: there is no room. */
int names_write(struct names *names, const struct message *message, char *out, size_t size, char topic[TOPIC_SIZE]);

/* ---- brews as they were reported: replay_report.c ---- */

/* One brew as it stands after all corrections. */
struct reported {
    char brew[BREW_SIZE], station[NAME_SIZE], boot[BOOT_SIZE];
    int64_t began_us, ended_us; /* 0: not yet */
    struct timeline timeline;
    struct measures measures;
    bool above[MEASURE_COUNT], discarded;
    char note[DETAIL_SIZE];
};

struct account {
    struct reported *brews; /* REPLAY_BREWS of them */
    int count;
};

/* What the message says of a brew. */
void account_take(struct account *account, const struct message *message);

/* A brew of that name that has not been reported yet; NULL: there is no room. */
struct reported *account_add(struct account *account, const char *brew);
struct reported *account_find(const struct account *account, const char *brew);

/* The brew of `account` that stood on the same station at the same time; NULL: none did. */
struct reported *account_match(const struct account *account, const struct reported *brew);

/* Prints the brews, of `only` just that one (NULL: all); first_us: the first reading that was fed. */
void account_print(const struct account *then, const struct account *now, const char *only, int64_t first_us);

/* ---- what is fed to the stations: replay_feed.c ---- */

struct replay {
    const struct replay_options *options;
    struct span *span;
    struct stations stations;
    struct config config;
    struct message_common common; /* of the message that is being fed */
    struct account then, now;
    bool made_up; /* the stations are those the trace names */
    struct {
        char name[NAME_SIZE];
        struct source source;
    } sources[REPLAY_SOURCES]; /* the instruments, as far as they have shown themselves */
    int source_count;
    int64_t first_us;
    struct names names;         /* of a trace without any */
    const char *source;         /* for sentences */
    long readings, bad, number; /* number: of the line, or the message of a journal */
};

/* What the stations report now. */
void replay_reported(void *context, struct message *message);

/* Feeds one message as the bench took it then: readings, what became of instruments, and the operator's word. */
int replay_feed(void *context, const struct recorded *one, const struct message *message);

#endif
