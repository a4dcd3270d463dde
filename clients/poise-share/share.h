/* poise-share: many benches, one record.  What its files share. */
#ifndef POISE_SHARE_H
#define POISE_SHARE_H

#include <libpq-fe.h>
#include <stdbool.h>
#include <stdint.h>

#include "poise/store.h"
#include "poise/why.h"

enum { STORE_ID_SIZE = 33, BATCH_BREWS = 50 };

/* The store of the benches here: read only. */
struct local {
    struct store *store;
    char id[STORE_ID_SIZE];
};

/* The shared record: a database, and who we are there. */
struct remote {
    PGconn *connection;
    char *address; /* owned; without any password */
};

/* ---- remote.c: the connection ---- */

/* Connects.  -EINVAL: the address makes no sense, or has a password in it; -EPERM: unencrypted over a network;
 * -ECONNREFUSED with the server's own words. */
int remote_open(struct remote *remote, const char *address, struct why *why);
void remote_close(struct remote *remote);

/* Runs one statement with text parameters, for its rows or for none.  0, or a negative errno: -ENOTCONN when the
 * connection is gone, -ENOSPC, -EACCES, else -EIO. */
int remote_run(struct remote *remote, const char *sql, int count, const char *const *values, PGresult **rows,
               struct why *why);

/* Copies rows into a table: begin, any number of remote_copy_text, end.  What was copied before a failure is undone
 * with the transaction. */
int remote_copy_begin(struct remote *remote, const char *sql, struct why *why);
int remote_copy_text(struct remote *remote, const char *text, size_t length, struct why *why);
int remote_copy_end(struct remote *remote, struct why *why);

/* ---- schema.c: its tables ---- */

/* Makes tables, views and roles, or brings those of an earlier version up to this one.  For the owner of the database.
 */
int schema_make(struct remote *remote, struct why *why);

/* -ENOENT: there are none; -EPROTO: made by a newer Poise; -EBADF: by an older. */
int schema_check(struct remote *remote, struct why *why);

/* ---- send.c: from here to there ---- */

/* Takes the store's place there: registers it, and holds it as long as the connection lives.  -EBUSY: another
 * poise-share sends this store; -EACCES: it is another user's. */
int send_begin(struct remote *remote, const struct local *local, struct why *why);

/* Sends the brews that changed since, at most BATCH_BREWS, in one transaction with how far it has come.  Returns how
 * many were sent, 0 when all is there, or a negative errno. */
int send_next(struct remote *remote, const struct local *local, struct why *why);

/* Forgets how far it has come: every brew is sent again. */
int send_again(struct remote *remote, const struct local *local, struct why *why);

/* ---- home.c: from there into a file ---- */

struct home_choice {
    const char *bench, *experiment; /* NULL: all */
};

/* Writes the brews chosen into a new store at `path`.  Returns how many, or a negative errno: -EEXIST. */
int home_write(struct remote *remote, const char *path, const struct home_choice *choice, struct why *why);

#endif
