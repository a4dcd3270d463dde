/* The store: every brew, in SQLite, for ever.  The one place that knows its tables.
 *
 * A store file opens with any SQLite tool; `brew_summary` has one row per brew with the columns of
 * its measures, each with its standard uncertainty as `..._u`.  WAL, foreign keys, user_version. */
#ifndef POISE_STORE_H
#define POISE_STORE_H

#include <sqlite3.h>
#include <stdint.h>

#include "poise/guide.h"
#include "poise/messages.h"
#include "poise/why.h"

#pragma GCC visibility push(default)

enum { STORE_VERSION = 12 };

struct store;

enum store_mode { STORE_READ, STORE_WRITE };

/* Opens a file, or for reading a shared record (record.h) by its address: it is fetched, but for the traces, into a
 * file of this user's own, and the next time what is new.  With STORE_WRITE makes the file and its folder when missing
 * and brings an older version up to this one.  Returns 0, or a negative errno: -EPROTO when the file was made by a
 * newer Poise (it is left alone), -EBADF when it is no store, -ENOENT, -EACCES, -EBUSY, -EIO, -ENOSPC; of a record as
 * record_open and record_check. */
int store_open(struct store **out, const char *path, enum store_mode mode, struct why *why);
void store_close(struct store *store);

/* The last message of this bench that the store holds whole, and the UTC of the newest that it heard; both 0: none.
 * Messages after it may be asked for again: applying one twice changes nothing. */
int store_resume(struct store *store, const char *bench, uint64_t *seq, int64_t *time_us, struct why *why);

/* Notes which bench has this name, by its identity (BENCH_ID_SIZE).  -EEXIST: the store has brews of another bench of
 * that name. */
int store_know_bench(struct store *store, const char *bench, const char *identity, struct why *why);

/* Adds what a message says.  Readings are kept in memory until a brew claims them, then written;
 * corrections add rows and never overwrite.  Everything since the last store_commit is one
 * transaction.  Returns 1 when it should be committed soon (a brew or an event changed), 0 when it
 * may wait, or a negative errno: after -ENOMEM, and -EAGAIN when a full disk is in the way, apply it again. */
int store_apply(struct store *store, const struct message *message, struct why *why);

/* Numbers that do not come are a gap, up to this seq; behind it the bench has only left out readings of no brew.  At
 * first UINT64_MAX. */
void store_gone(struct store *store, uint64_t seq);

/* Makes it durable together with how far it has come.  Returns 0; 1 when `why` has a sentence for people: the bench
 * gave a brew's name again, as one without its old journal does, so the earlier brew was renamed and the two are kept
 * apart; or a negative errno: nothing of the open transaction is lost, and the call may be repeated (a full disk that
 * has room again).  -ESTALE: the file was deleted or replaced while it was in use: close it, open it again, and ask the
 * bench for what that one does not hold. */
int store_commit(struct store *store, struct why *why);

/* What can be read of a damaged store, or one that is refused as not to be trusted, into a new file, which must not be
 * there.  0, also when nothing could be read; or a negative errno, and then there is no new file. */
struct store_rescued {
    long long brews, rows; /* in the new file */
    long long damaged;     /* places that could not be read */
    long long orphans;     /* rows left out because the brew or bench they belong to is lost */
};
int store_rescue(const char *from, const char *to, struct store_rescued *out, struct why *why);

/* The one brew whose name is `ending`, or ends so: people say "010" of "pier-20261130-010".  0 and its name in `out`
 * (BREW_SIZE bytes); -ENOENT when there is none, -EEXIST when there are several, or as store_open. */
int store_brew_named(struct store *store, const char *ending, char *out, struct why *why);

/* Keeps in which units the bench shows its numbers: "units" of its state.  At once, beside what waits for store_commit.
 * 0 or a negative errno. */
int store_keep_units(struct store *store, const char *bench, const json_t *units, struct why *why);

/* The units of the benches in the store, if all show the same; else, or where none is known, kPa and °C. */
struct guide_units store_units(struct store *store);

/* The connection, for clients that read: SELECT only. */
sqlite3 *store_database(struct store *store);

#pragma GCC visibility pop

#endif
