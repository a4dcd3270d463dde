/* The shared record: what many benches brewed, in one PostgreSQL database.  A bench's store is its truth and stays on
 * the bench; the record is filled from it (record_send) and read by way of a store (store_open of its address).
 *
 * A brew is one row: what belongs to it as JSON documents, its trace as one block (trace_block.h).  A brew is known by
 * its bench's identity and its name, so it is there once, whoever sent it how often. */
#ifndef POISE_RECORD_H
#define POISE_RECORD_H

#include <stdbool.h>

#include "poise/store.h"
#include "poise/why.h"

#pragma GCC visibility push(default)

struct record;

/* postgresql://... or postgres://..., where a store's file is named otherwise. */
bool record_is_address(const char *where);

/* Connects as `program`.  Passwords come from libpq's own places, a service file or ~/.pgpass.  -EINVAL: the address
 * makes no sense, or has a password in it; -EPERM: unencrypted over a network; -ECONNREFUSED with the server's words.
 */
int record_open(struct record **out, const char *address, const char *program, struct why *why);
void record_close(struct record *record);

/* Makes tables, views and roles, or brings those of an earlier version up to this one.  For the database's owner. */
int record_make(struct record *record, struct why *why);

/* -ENOENT: there are none; -EPROTO: made by a newer Poise; -EBADF: by an older. */
int record_check(struct record *record, struct why *why);

/* Drops all months before this one (2026*100 + 11), for good; what benches still hold of them is not taken again.
 * Returns how many were dropped, or a negative errno. */
int record_drop_before(struct record *record, int month, struct why *why);

/* Sending.  A store is followed by one sender, which holds its place there as long as it is connected: -EBUSY when
 * another has it, -EACCES when it is another user's, -EEXIST when another store sends a bench of this one: with `again`
 * this store takes its place, and every brew is sent again. */
int record_send_begin(struct record *record, struct store *store, bool again, struct why *why);

/* Sends brews that changed, some dozens, and plans and tastings, in one transaction with how far it has come.  Returns
 * how many brews, 0 when all is there, or a negative errno: then nothing of it is there. */
int record_send(struct record *record, struct store *store, struct why *why);

/* A sentence about the benches of this store that people should read, as that another one has its name; or NULL. */
const char *record_remark(const struct record *record);

/* Taking home: the brews of this bench (by name) or experiment, NULL for all, with their traces, in a new store.
 * Returns how many, or a negative errno: -EEXIST. */
int record_take_home(struct record *record, const char *path, const char *bench, const char *experiment,
                     struct why *why);

#pragma GCC visibility pop

#endif
