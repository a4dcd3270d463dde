/* See store_sql.h. */
#include "store_sql.h"

#include <errno.h>

static int error_of(sqlite3 *database)
{
    int code = sqlite3_extended_errcode(database);

    if (code == SQLITE_IOERR_WRITE || code == SQLITE_IOERR_SHMSIZE)
        return -ENOSPC; /* a quota, a limit of file size: SQLITE_FULL is for a full disk only */
    switch (code & 0xff) {
    case SQLITE_FULL:
        return -ENOSPC;
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
        return -EBUSY;
    case SQLITE_READONLY:
    case SQLITE_PERM:
    case SQLITE_AUTH:
    case SQLITE_CANTOPEN:
        return -EACCES;
    case SQLITE_CORRUPT:
    case SQLITE_NOTADB:
        return -EBADF;
    case SQLITE_NOMEM:
        return -ENOMEM;
    case SQLITE_INTERRUPT:
        return -ETIME;
    default:
        return -EIO;
    }
}

int store_failed(sqlite3 *database, const char *path, const char *doing, struct why *why)
{
    int error = error_of(database);

    switch (error) {
    case -ENOSPC:
        return why_set(why, error, "%s: the disk is full, or takes no more (%s): make room; nothing recorded is lost",
                       path, doing);
    case -EBUSY:
        return why_set(why, error, "%s: another program holds the store (%s): close it, or wait", path, doing);
    case -EACCES:
        return why_set(why, error, "%s: may not be used (%s): see who owns the file and its folder", path, doing);
    case -EBADF:
        return why_set(why, error,
                       "%s: is no Poise store, or is damaged (%s): `poise-ctl rescue FILE` saves what can be read",
                       path, doing);
    case -ETIME:
        return why_set(why, error,
                       "%s: takes too long to read (%s): is it damaged?  `poise-ctl rescue FILE` saves what "
                       "can be read",
                       path, doing);
    default:
        return why_set(why, error, "%s: %s: %s", path, doing, sqlite3_errmsg(database));
    }
}

int store_done(sqlite3_stmt *statement)
{
    int code = sqlite3_step(statement);

    sqlite3_reset(statement);
    return code == SQLITE_DONE ? 0 : -1;
}

int64_t store_found(sqlite3_stmt *statement)
{
    int64_t row = sqlite3_step(statement) == SQLITE_ROW ? sqlite3_column_int64(statement, 0) : 0;

    sqlite3_reset(statement);
    return row;
}

void store_bind_name(sqlite3_stmt *statement, int place, const char *name)
{
    sqlite3_bind_text(statement, place, name, -1, SQLITE_STATIC);
}

void store_bind_words(sqlite3_stmt *statement, int place, const char *words)
{
    if (words && words[0])
        store_bind_name(statement, place, words);
    else
        sqlite3_bind_null(statement, place);
}
