/* The tail of the journal: readings that SQLite does not have yet, in two plain files beside it that take turns.
 *
 * A reading is written there before anybody sees it: the system keeps it whatever becomes of poised, so that a kill
 * loses none.  Not by a mapping: a file that is cut short, or a disk that fails, would end poised by a signal. The
 * journal's thread commits what is in the one that rests, which is then written from its beginning again; what is
 * behind that is known to be old by its number.  Nobody waits for these files to reach the disk.
 *
 * At its head each has the newest number that SQLite had on the disk: what is missing there later was lost. */
#ifndef POISE_JOURNAL_TAIL_H
#define POISE_JOURNAL_TAIL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct journal_tail {
    int file[2];        /* negative errno: not available, and then readings are as safe as SQLite's commits */
    uint64_t noted_seq; /* 0: none was */
    size_t length[2];
    int now; /* the one that is written */
};

/* Opens or makes both, and hands out what is whole in them, oldest first: the entries as they were added, and behind
 * them perhaps some that had been committed. */
void tail_open(struct journal_tail *tail, const char *journal_path,
               void (*each)(void *context, const char *entry, size_t length), void *context);

/* 0, or a negative errno: it is not there, and memory alone has it, as everything that waits.  -EAGAIN: the file is
 * full, since the disk is slow to take what came before. */
int tail_add(struct journal_tail *tail, const char *entry, size_t length);

/* From now on the other one is written, if it is empty. */
void tail_turn(struct journal_tail *tail);

/* What was added before the last tail_turn is committed; `both`: all of it.  Not while tail_turn may be called;
 * tail_add may. */
void tail_empty(struct journal_tail *tail, bool both);

/* All up to this number is on the disk.  A lower one than before changes nothing. */
void tail_note(struct journal_tail *tail, uint64_t seq);

void tail_close(struct journal_tail *tail);

#endif
