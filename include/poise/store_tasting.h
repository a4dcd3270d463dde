/* Blind tastings in the store: rows as they are.  Two tables: `tasting_session` has a row for each, and
 * `tasting_entry` all that happened in it, one after another.  Whether they are what they were is judged by
 * tasting_record.h; nothing here believes or checks them.
 *
 * Stores of version 3 and older kept tastings otherwise, with a key in plain sight and answers that could be
 * changed; those tables are kept as `early_tasting...`. */
#ifndef POISE_STORE_TASTING_H
#define POISE_STORE_TASTING_H

#include <stdbool.h>
#include <stdint.h>

#include "poise/store.h"

#pragma GCC visibility push(default)

enum {
    /* each with room for one more than is ever written, so that a longer text is another text */
    ENTRY_KIND_SIZE = 17,
    ENTRY_NAME_SIZE = 34,
    ENTRY_ANSWER_SIZE = 50,
    ENTRY_HASH_SIZE = 66 /* SHA-256 in hexadecimal */
};

struct store_tasting_row {
    char *name, *text, *seal, *lock, *ratchet; /* owned */
};

struct store_tasting_entry {
    int number; /* from 0 */
    int64_t time_us;
    char kind[ENTRY_KIND_SIZE];
    char who[ENTRY_NAME_SIZE];
    int set;                        /* from 1; 0: about none */
    char answer[ENTRY_ANSWER_SIZE]; /* codes */
    int sure;                       /* 1 sure, 0 a guess, -1: no answer */
    char *text;                     /* owned; never NULL */
    char hash[ENTRY_HASH_SIZE], proof[ENTRY_HASH_SIZE];
};

/* One transaction: begin takes the write lock, so that several tasters' terminals come one after the other. */
int store_tasting_begin(struct store *store, struct why *why);
int store_tasting_commit(struct store *store, struct why *why);
void store_tasting_rollback(struct store *store);

/* -ENOENT with the names there are.  Freed by store_tasting_row_free. */
int store_tasting_read(struct store *store, const char *name, struct store_tasting_row *out, struct why *why);
void store_tasting_row_free(struct store_tasting_row *row);

/* All entries of a session by number.  *out is allocated: store_tasting_entries_free.  Returns their count or a
 * negative errno. */
int store_tasting_entries(struct store *store, const char *name, struct store_tasting_entry **out, struct why *why);
void store_tasting_entries_free(struct store_tasting_entry *entries, int count);

/* Writes; inside a transaction.  -EEXIST when there is one of that name or number. */
int store_tasting_add(struct store *store, const struct store_tasting_row *row, struct why *why);
int store_tasting_append(struct store *store, const char *name, const struct store_tasting_entry *entry,
                         const char *ratchet, struct why *why);

/* Every session's name, oldest first, and the names in entries that have no session, until each() returns non-zero:
 * that is returned, or a negative errno. */
int store_tasting_names(struct store *store, int (*each)(const char *name, bool lost, void *context), void *context,
                        struct why *why);

/* What a sample may be made of: a brew of this name, or the only one whose name ends so. */
struct store_tasting_brew {
    char name[48], experiment[33], level[256]; /* level: its plan's factors as JSON, or empty */
    double dose_g, water_g, beverage_g;        /* NAN: not known */
    bool discarded;
};
int store_tasting_brew(struct store *store, const char *name, struct store_tasting_brew *out, struct why *why);

/* A tasting as older versions kept it. */
struct store_tasting_early {
    char name[33], question[320], experiment[33], method[33];
    char sample[10][64];
    int samples, sets, answered;
    bool alone, seen, peeked;
    int64_t made_us, revealed_us;
};
int store_tasting_early_each(struct store *store, int (*each)(const struct store_tasting_early *tasting, void *context),
                             void *context, struct why *why);

#pragma GCC visibility pop

#endif
