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

enum { JOURNAL_VERSION = 1, KEEP_KEY_SIZE = 80 };

/* Messages that are committed together, in the order of their seq. */
struct journal_batch {
    char *text; /* entries with commas between */
    size_t length, size;
    uint64_t first_seq, last_seq;
    int64_t first_us; /* UTC of the first */
    bool event;       /* holds an event: must reach the disk, not just the system */
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

/* Opens a file that is there for journal_file_rows alone and changes nothing in it: another machine's, or a copy.
 * -EBUSY: a running poised has it. */
int journal_file_open_to_read(struct journal_file **out, const char *path, struct why *why);

void journal_file_close(struct journal_file *file);

/* Renames a file that was found damaged while it was in use (closed by now); the new name into `aside`. */
int journal_file_set_aside(const char *path, char *aside, size_t size, struct why *why);

/* One transaction: all batches of the list and all keeps, or nothing; with an event, or when `durable`, it is on the
 * disk when this returns.  -EUCLEAN: the file is damaged. */
int journal_file_commit(struct journal_file *file, const struct journal_batch *batches,
                        const struct journal_keep *keeps, bool durable, struct why *why);

/* The seq of the last message in the file; 0: none. */
int journal_file_last(struct journal_file *file, uint64_t *last_seq, struct why *why);

/* Calls `each` for every row that holds something after `after_seq`, oldest first, until it returns
 * non-zero. */
int journal_file_rows(struct journal_file *file, uint64_t after_seq,
                      int (*each)(void *context, const char *text, size_t length, uint64_t last_seq), void *context,
                      struct why *why);

/* Calls `each` for everything that was kept, by key. */
int journal_file_kept(struct journal_file *file,
                      void (*each)(void *context, const char *key, const void *data, size_t length), void *context,
                      struct why *why);

/* Drops a small bite of the first rows, `most` at most, as long as they are older than that; one that is later than
 * `now_us` comes from a clock that was wrong and goes with those before it.  Returns how many, or a negative errno. */
int journal_file_prune(struct journal_file *file, int64_t older_than_us, int64_t now_us, int most, struct why *why);

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
