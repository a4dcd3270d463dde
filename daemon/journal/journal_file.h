/* The journal's SQLite file: opening, committing, reading back, pruning.
 *
 * Not for use by two threads at once; the queue in front of it is journal.c.  A row holds one group
 * commit as `since` answers embed it: ["topic",{...}],["topic",{...}] without brackets around. */
#ifndef POISE_JOURNAL_FILE_H
#define POISE_JOURNAL_FILE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "poise/why.h"

enum { JOURNAL_VERSION = 2, KEEP_KEY_SIZE = 80 };

/* Messages that are committed together, in the order of their seq. */
struct journal_batch {
    char *text; /* entries with commas between */
    size_t length, size;
    uint64_t first_seq, last_seq;
    int64_t first_us; /* UTC of the first */
    bool event;       /* holds an event: must reach the disk, not just the system */
    bool precious;    /* holds more than readings outside a brew */
    struct journal_batch *next;
};

/* One thing to remember under a name, replaced as a whole; length 0 with data NULL forgets it. */
struct journal_keep {
    char key[KEEP_KEY_SIZE];
    void *data;
    size_t length;
    struct journal_keep *next;
};

struct journal_file;

/* Opens or makes the file.  A damaged one is set aside under a new name, which is put into
 * `set_aside` (else it becomes empty).  Returns 0; -EPROTO: made by a newer Poise; -EBADF: some other
 * file or database; -EBUSY: in use; or another negative errno. */
int journal_file_open(struct journal_file **out, const char *path, char *set_aside, size_t size, struct why *why);

/* Opens a file that is there for reading alone and changes nothing in it: another machine's, or a copy.
 * -EBUSY: a running poised has it. */
int journal_file_open_to_read(struct journal_file **out, const char *path, struct why *why);

void journal_file_close(struct journal_file *file);

/* Renames a file that was found damaged while it was in use (closed by now); the new name into `aside`. */
int journal_file_set_aside(const char *path, char *aside, size_t size, struct why *why);

/* One transaction: all batches of the list and all keeps, or nothing; when `durable`, it is on the disk when this
 * returns. -EUCLEAN: the file is damaged. */
int journal_file_commit(struct journal_file *file, const struct journal_batch *batches,
                        const struct journal_keep *keeps, bool durable, struct why *why);

/* The seq of the last message in the file; 0: none. */
int journal_file_last(struct journal_file *file, uint64_t *last_seq, struct why *why);

struct journal_row {
    const char *text; /* entries with commas between */
    size_t length;
    uint64_t first_seq, last_seq;
    int64_t first_us;
    bool precious;
};

/* What is damaged and was passed over: messages from first to last; last 0: up to what comes next. */
struct journal_damage {
    uint64_t first_seq, last_seq;
};

/* Calls `each` for every row that holds something after `after_seq`, oldest first, until it returns
 * non-zero.  What is damaged is passed over, and `damaged` (NULL: nobody) called for it. */
int journal_file_rows(struct journal_file *file, uint64_t after_seq,
                      int (*each)(void *context, const struct journal_row *row),
                      void (*damaged)(void *context, const struct journal_damage *damage), void *context,
                      struct why *why);

/* Calls `each` for everything that was kept, by key; what is damaged comes with DATA NULL. */
int journal_file_kept(struct journal_file *file,
                      void (*each)(void *context, const char *key, const void *data, size_t length), void *context,
                      struct why *why);

/* Puts what is whole in one into the other, what was kept too, rows that are there already apart.  As far as it goes:
 * what cannot be read is lost, and what cannot be written is in the old file still.  Returns how many messages, counted
 * by their numbers.
 */
uint64_t journal_file_carry_over(struct journal_file *from, struct journal_file *to);

/* Where it is looked for there may be another file by now, or none: then nobody would find what is written. */
enum journal_place {
    JOURNAL_IN_PLACE,
    JOURNAL_WITHOUT_LOG, /* the file itself is there, and what was written last is not: closing it puts all into it */
    JOURNAL_ELSEWHERE
};
enum journal_place journal_file_place(const struct journal_file *file);

/* Leaves the path to another file: takes its own log away from it, and touches nothing there when it is closed. */
void journal_file_give_up_path(struct journal_file *file);

/* Bytes that its rows take. */
int64_t journal_file_size(struct journal_file *file);

/* Which rows may go: all conditions hold of each. */
struct journal_prune {
    uint64_t up_to_seq;    /* whole rows up to here */
    int64_t older_than_us; /* INT64_MAX: of any age */
    int64_t now_us;        /* a row later than that comes from a clock that was wrong: it counts as old */
    int most;              /* rows; a small bite is taken in any case */
};

/* Drops the first rows, until one must stay.  Returns how many, or a negative errno; `dropped_seq` (may be NULL)
 * becomes the last seq that went. */
int journal_file_prune(struct journal_file *file, const struct journal_prune *prune, uint64_t *dropped_seq,
                       struct why *why);

/* Looks at the rows behind the cursor, until one must stay, and drops those that hold only readings outside brews.  The
 * cursor (0 at first) moves on, so that each row is looked at once. */
int journal_file_prune_idle(struct journal_file *file, const struct journal_prune *prune, uint64_t *cursor,
                            struct why *why);

/* The entry that begins at text: its length without the comma after it, its seq, and whether it is
 * an event.  Returns 0, or -EINVAL when it is cut short. */
struct journal_entry {
    size_t length;
    const char *topic, *json;
    size_t topic_length, json_length;
    uint64_t seq;
    int64_t time_us;
    bool event;
};
int journal_entry_read(const char *text, size_t length, struct journal_entry *out);

#endif
