/* The journal: every reading and event on disk, so that nothing is lost by a client that was away or
 * by a daemon that was killed.  This is the queue and its thread; the file is journal_file.c.
 *
 * All calls are the main thread's.  A reading is the system's to keep (journal_tail.h) when journal_reading returns, so
 * that a kill loses none; every three seconds, or when much has come, all that waits is committed and reaches the disk:
 * what a power cut may cost.  Events are committed at once.  When the disk is full or broken, everything waits in
 * memory (64 MB) and is tried again; then the oldest readings are dropped, never events. */
#ifndef POISE_JOURNAL_H
#define POISE_JOURNAL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "poise/messages.h"
#include "poise/why.h"

struct journal;

/* How much is kept: what every reader has, for so many days; what one of them has not, whatever its age.  Above the
 * size the oldest goes that all have, then the oldest readings outside brews, at last the oldest of all. */
struct journal_limits {
    int days;
    int64_t bytes;
};

/* Opens or makes the file.  `wake` is called from the journal's
 * thread when journal_news has something.  When something is missing that had been there (a damaged file was set aside,
 * or the file is an older one), `notice` says so, else it is empty.  Returns 0 or a negative errno, as
 * journal_file_open. */
int journal_open(struct journal **out, const char *path, const struct journal_limits *limits,
                 void (*wake)(void *context), void *context, struct why *notice, struct why *why);

/* Before journal_start only: the last seq that was on the disk, what was kept, and the messages after a seq. */
int journal_last(struct journal *journal, uint64_t *last_seq, struct why *why);
int journal_kept(struct journal *journal, void (*each)(void *context, const char *key, const void *data, size_t length),
                 void *context, struct why *why);
int journal_replay(struct journal *journal, uint64_t after_seq,
                   void (*each)(void *context, const char *topic, size_t topic_length, const char *json,
                                size_t json_length),
                   void *context, struct why *why);

/* Starts the thread.  0 or a negative errno. */
int journal_start(struct journal *journal, struct why *why);

/* Commits what is there, ends the thread, closes.  Returns the number of messages that could not be
 * saved. */
uint64_t journal_close(struct journal *journal);

/* From now on so much is kept. */
void journal_limit(struct journal *journal, const struct journal_limits *limits);

/* A reader, which may be new, holds everything up to this seq where no kill takes it away. */
void journal_read_by(struct journal *journal, const char *reader, uint64_t seq);

/* Who reads: its name, how far it has come, and how long ago that was heard of; -1: not since poised was started. */
struct journal_reader {
    char name[NAME_SIZE];
    uint64_t seq;
    int64_t silent_ms;
};
enum { JOURNAL_READERS = 16 }; /* as many are waited for, at most */

/* Fills out with all of them; their count. */
int journal_readers(struct journal *journal, struct journal_reader out[JOURNAL_READERS]);

/* Adds one reading; `precious`: it belongs to a brew. */
void journal_reading(struct journal *journal, const char *topic, size_t topic_length, const char *json,
                     size_t json_length, uint64_t seq, int64_t time_us, bool precious);

/* Adds a group that is committed together: between hold and release the thread takes nothing. */
void journal_hold(struct journal *journal);
void journal_event(struct journal *journal, const char *topic, size_t topic_length, const char *json,
                   size_t json_length, uint64_t seq, int64_t time_us);
/* Remembers bytes under a key (DATA NULL: forgets); the last value of a transaction counts. */
void journal_keep(struct journal *journal, const char *key, const void *data, size_t length);
/* Waits at most that long until all that was added is committed, not at all when the disk is in
 * trouble.  False: it is not (yet). */
bool journal_release(struct journal *journal, int wait_ms);
/* The same for a group that may wait for the readings' next commit. */
void journal_release_later(struct journal *journal);

/* Whether all that was added until the last release is committed, or the disk is in trouble and nobody should wait for
 * it.  When not: `wake` is called as soon as it is. */
bool journal_saved(struct journal *journal);

/* Asks for what came after a seq, at most about `most` bytes of it.  `question` comes back with the
 * answer; it is allocated memory, which the journal frees when it closes without having answered. */
int journal_ask(struct journal *journal, uint64_t after_seq, size_t most, void *question);

enum journal_news_kind {
    JOURNAL_NOTHING,
    JOURNAL_ANSWER,  /* `text` holds the entries with commas between, owned by the caller */
    JOURNAL_TROUBLE, /* `why` is a new sentence for people: it began, goes on, or is over */
    JOURNAL_RENEWED  /* the file is another one from now on: keep everything again */
};
struct journal_news {
    enum journal_news_kind kind;
    void *question;
    char *text; /* NULL with an answer: why says */
    size_t length;
    uint64_t next_seq; /* seq of the last message of the answer, after_seq when there is none */
    uint64_t gone_seq; /* up to here anything may be missing; behind it only readings outside brews are */
    struct why why;
};
struct journal_news journal_news(struct journal *journal);

#endif
