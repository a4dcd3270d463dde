/* What bench.c and bench_restore.c share; nobody else includes this. */
#ifndef POISE_BENCH_PARTS_H
#define POISE_BENCH_PARTS_H

#include "bench.h"
#include "bus.h"
#include "control.h"
#include "journal/journal.h"
#include "stations/plan.h"
#include "stations/source.h"
#include "state.h"
#include "stations/station.h"
#include "poise/text.h"

/* An instrument as its readings go out. */
struct outlet {
    char topic[TOPIC_SIZE];
    size_t topic_length;
    struct source source;
};

enum { ASKING_MOST = 64 }; /* questions to the journal that may be open */

struct bench {
    const struct config *config;
    const struct clock *clock;
    struct bench_hands hands;
    struct bus *bus;
    struct journal *journal;
    int lock; /* beside the journal */
    char identity[BENCH_ID_SIZE];
    struct stations stations;
    struct planner planner;
    struct control control;
    uv_loop_t *loop;
    uv_async_t news; /* the journal has some */
    uv_timer_t deadline;
    int64_t deadline_us;       /* armed for then, bench time; 0: not */
    char asked_for[NAME_SIZE]; /* the device that the order being worked on was given for; empty: none */
    struct moment now;         /* of the call that is being worked on */
    struct message_common common;
    struct message reading; /* its name and station are filled in per reading */
    struct outlet *outlets;
    uint64_t seq, reserved;   /* given last; may be given without asking the disk again */
    int64_t journal_began_us; /* UTC; 0: not known */
    struct text pending;      /* events that are not on the disk yet, and the readings behind them */
    size_t journaled;         /* so much of it the journal has */
    int64_t late_us;          /* then they are said, on the disk or not; 0: nothing waits for the disk */
    struct late_reply *replies, **replies_end; /* behind them */
    bool held;                                 /* they wait for bench_release */
    struct text state;
    char state_topic[TOPIC_SIZE];
    bool state_wanted; /* somebody subscribed to it */
    int states_left;   /* that subscriptions may still cause at once ... */
    int64_t state_ms;  /* ... and when one was added last */
    bool closing;
    int64_t saved_us;            /* when a tracker was last kept in its turn ... */
    int save_next;               /* ... and which */
    const struct bus_peer *peer; /* who asks, while a request is worked on */
    int asking;                  /* questions to the journal that are open ... */
    struct asker {               /* ... and whose */
        char name[ASKED_BY_SIZE];
        uint32_t owner;
        int open;
    } askers[ASKING_MOST];
    int handles; /* that are not yet closed */
};

/* One message of a pending text: the header, then topic and message. */
struct pending {
    bool reading; /* the journal has it by another way */
    size_t topic_length, length;
    uint64_t seq;
    int64_t time_us;
};

/* The next number and the time of this call, for a message. */
void bench_number(struct bench *bench);

/* Commits what this call brought about, and publishes it when it is on the disk. */
void bench_settle(struct bench *bench);

/* ---- bench_report.c ---- */

/* Numbers an event and puts it with the others of this call. */
void bench_emit(void *context, struct message *message);

/* Publishes a reading, behind the events before it and ahead of those that it caused: `before` is how much was pending
 * when it was numbered. */
void bench_say_reading(struct bench *bench, const struct outlet *outlet, size_t before, const char *text,
                       size_t length);

/* Replies, behind what the request brought about. */
void bench_reply(struct bench *bench, const struct bus_peer *peer, const char *text, size_t length);

/* Hands what is new to the journal, and says all that is on the disk, or has waited long enough. */
void bench_save_pending(struct bench *bench);
void bench_say_pending(struct bench *bench);

/* Asks the journal to promise that seq up to so much will not be given again. */
void bench_reserve(struct bench *bench);

/* Keeps how far the numbers are promised, and whether it ended in order, with the journal that is held. */
void bench_keep_numbers(struct bench *bench, uint64_t reserved, bool clean);

/* Keeps what changed (all: everything) with the next commit; the journal is held. */
void bench_save(struct bench *bench, bool all);

/* bench_news.c: for struct control, for the journal, for the loop. */
char *bench_health(void *context); /* as struct control has it */
void bench_asked_for(void *context, const char *device);
void bench_read_by(void *context, const char *reader, uint64_t seq);
int bench_ask_since(void *context, uint64_t after_seq, size_t most, const json_t *id);
void bench_wake(void *context);
void bench_on_news(uv_async_t *handle);

/* bench_plan.c: for struct stations and struct control; context is the bench. */
json_t *bench_plan(void *context, const char *station, const char *brew);
/* A brew is another run than it was: said on the bus. */
void bench_credited(void *context, struct brew *brew, const struct why *why);

void bench_planned_over(void *context, struct brew *brew, bool corrected, struct why *why);
void bench_planned(void *context);

/* Takes back what the journal knows: numbers, brews, trackers, and the readings since. */
int bench_restore(struct bench *bench, const struct why *notice, struct why *why);

#endif
