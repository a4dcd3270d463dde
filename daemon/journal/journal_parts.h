/* What the files of the journal share; nobody else includes this.
 *
 * Functions whose name ends in _locked are called with the lock held; they may let go of it meanwhile. */
#ifndef POISE_JOURNAL_PARTS_H
#define POISE_JOURNAL_PARTS_H

#include <pthread.h>

#include "journal.h"
#include "journal_file.h"
#include "journal_tail.h"

enum {
    BATCH_BYTES = 256 << 10, /* a batch is closed there, so that dropping is done in small pieces */
    FLUSH_BYTES = 128 << 10  /* so much is committed without waiting for its time */
};

enum {
    READERS_MOST = JOURNAL_READERS, /* who reads everything: a logger or two; more are not waited for */
    DAMAGED_MOST = 64               /* reported once each; one more takes the oldest one's place */
};

static const uint64_t NOT_KEPT = UINT64_MAX; /* no reader's seq */

/* Who reads everything, and how far it has all that was said where no kill takes it away. */
struct reader {
    char name[NAME_SIZE];
    uint64_t seq, kept_seq; /* kept_seq: as the file has it, or NOT_KEPT */
    int64_t asked_ms;       /* when it was heard of last; 0: not since poised was started */
    int64_t silent_ms;      /* how long nothing was heard of it while poised ran and had something to be read */
    int64_t kept_silent_ms;
};

struct question {
    uint64_t after_seq;
    size_t most;
    void *context;
    struct question *next;
};

struct news {
    struct journal_news news;
    struct news *next;
};

struct journal {
    struct journal_file *file;  /* the thread's, once it runs */
    char path[512], aside[600]; /* aside: the name of a damaged file that is to be carried over; empty: none */
    void (*wake)(void *context);
    void *wake_context;
    pthread_t thread;
    bool started;

    pthread_mutex_t lock; /* for all below */
    pthread_cond_t work, done;
    struct journal_batch *first, *last; /* waiting, oldest first */
    struct journal_batch *spare;        /* empty ones to use again */
    struct journal_tail tail;
    bool untailed, untailed_reported; /* it takes nothing until a commit has succeeded; this was reported */
    struct journal_keep *keeps;
    struct question *questions, **question_end;
    struct news *news, **news_end;
    size_t queued;            /* bytes in the batches that wait */
    uint64_t wanted, reached; /* tickets of releases that wait for a commit */
    uint64_t lost;            /* messages dropped or never saved */
    uint64_t dropped_unsaid;
    bool urgent, failing, resting, stop;
    bool saved_wanted;                      /* somebody waits to be reported when `reached` is */
    int64_t queued_ms;                      /* when the oldest of what waits came */
    int64_t commit_ms, try_ms, reported_ms; /* when the last, next, last */
    int64_t synced_ms;                      /* the last commit that reached the disk */
    int64_t unsynced_ms; /* when the oldest of what is committed and has not reached it came; 0: nothing */
    int64_t pruned_us;   /* UTC of the newest message when nothing old was left; 0: not yet */
    int64_t newest_us;   /* UTC of the newest message, for pruning */
    int prune_rows;      /* so many may go */
    struct journal_limits limits;
    struct reader readers[READERS_MOST];
    int reader_count;
    uint64_t gone_seq, gone_kept;   /* up to here anything may be missing: dropped, damaged, never saved; as kept */
    int64_t silence_ms;             /* when their silence was counted last; 0: not yet */
    bool readers_full;              /* one more came than are waited for, and this was reported */
    int64_t unread_said_ms;         /* when it was reported last that something went unread; 0: never */
    uint64_t idle_cursor;           /* rows up to there hold nothing that may go before its time */
    uint64_t size_cursor;           /* rows up to there hold nothing outside a brew */
    int64_t measured_ms;            /* when the size and the disk were looked at */
    bool over;                      /* its size: something goes with each commit */
    bool tight;                     /* the disk's end is near, and this was reported */
    uint64_t damaged[DAMAGED_MOST]; /* first seq of what was damaged and has been reported; 0: none */
    int damaged_count;
    uint64_t newest_seq; /* of all that was added, saved or not */
};

/* Waits for the condition until then at most. */
void journal_wait(pthread_cond_t *condition, pthread_mutex_t *lock, int64_t at_ms);

/* Adds a thing to keep; an older one never replaces a newer one.  Takes it over. */
void journal_keep_add(struct journal *journal, struct journal_keep *keep, bool newer);

/* What is no longer needed: two batches are kept to be used again. */
void journal_recycle_locked(struct journal *journal, struct journal_batch *batches, struct journal_keep *keeps);

/* ---- the file is another one from now on: journal_renew.c ---- */

/* Opens the file.  Where it is damaged or was set aside it is a new one, with what is whole, and `said` reports that;
 * else `said` becomes empty.  0 or a negative errno, as journal_file_open. */
int journal_renew_open(struct journal *journal, struct why *said, struct why *why);

/* The open file is damaged: closes it and sets it aside. */
int journal_renew_set_aside(struct journal *journal, struct why *why);

/* The same while the thread runs, and then the next one is opened.  journal->file is NULL when that failed. */
void journal_renew_damaged(struct journal *journal, struct why *why);

/* The file or its log was deleted or replaced: what is there now goes on, with what the old one holds. */
void journal_renew_lost(struct journal *journal, enum journal_place place, struct why *why);

/* ---- what may go: journal_retain.c ---- */

void journal_retain_locked(struct journal *journal);

#define JOURNAL_GONE_KEY "gone"

/* Something up to here, perhaps of a brew, is missing from now on. */
void journal_retain_gone(struct journal *journal, uint64_t seq);

/* Takes back a reader as it was kept under its name. */
void journal_retain_reader(struct journal *journal, const char *name, const void *data, size_t length);

/* The thread's life; context is the journal. */
void *journal_thread(void *context);

/* ---- answers: journal_answer.c ---- */

/* Reads the answer from the file and from what waits in memory, and puts it into the news. */
void journal_answer(struct journal *journal, struct question *question);

/* Puts news and wakes the main thread. */
void journal_report_locked(struct journal *journal, const struct journal_news *what);

#endif
