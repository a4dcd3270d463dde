/* A record to read: a store file of this user's own, brought up to date each time it is opened, so that what reads a
 * store need not know that there are two kinds.  The record's traces stay there until they are asked for. */
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#include <zlib.h>

#include "poise/program.h"
#include "record_parts.h"
#include "store_parts.h"

/* Another reader may be filling it for the first time. */
enum { WAIT_MS = 10 * 60000, CACHE_VERSION = 1 };

static int make_folder(const char *path, struct why *why)
{
    if (mkdir(path, 0700) == 0 || errno == EEXIST)
        return 0;
    return why_set(why, -errno, "%s: cannot make the folder: %s", path, strerror(errno));
}

/* $XDG_CACHE_HOME/poise or ~/.cache/poise, made where it is missing. */
static int cache_folder(char *out, size_t size, struct why *why)
{
    const char *cache = getenv("XDG_CACHE_HOME"), *home = getenv("HOME");
    int length, error;

    if (cache && cache[0] == '/')
        length = snprintf(out, size, "%s", cache);
    else if (home && home[0] == '/')
        length = snprintf(out, size, "%s/.cache", home);
    else
        return why_set(why, -ENOENT, "no place for what is fetched from the record: set XDG_CACHE_HOME");
    if (length + 8 >= (int)size)
        return why_set(why, -ENAMETOOLONG, "%s: the path is too long", out);
    if ((error = make_folder(out, why)) != 0)
        return error;
    strcat(out, "/poise");
    return make_folder(out, why);
}

/* One file for each record and user of it, who may see more or less of it than another; and each version of the tables,
 * since an older one lacks what it did not fetch. */
static int cache_path(struct record *record, char *out, size_t size, struct why *why)
{
    PGresult *rows;
    char user[9];
    int error = cache_folder(out, size - 100, why);

    if (error
        || (error = record_run(record, "SELECT record_id, current_user FROM poise.record", 0, NULL, &rows, why)) != 0)
        return error;
    if (PQntuples(rows) != 1) {
        error = why_set(why, -EBADF, "%s: has no identity of its own: it is damaged", record->address);
    } else {
        const char *name = PQgetvalue(rows, 0, 1);

        snprintf(user, sizeof user, "%08x", (unsigned)crc32(0, (const Bytef *)name, (uInt)strlen(name)));
        snprintf(out + strlen(out), 100, "/record-%.16s-%s-%d.%d.db", PQgetvalue(rows, 0, 0), user, STORE_VERSION,
                 CACHE_VERSION);
    }
    PQclear(rows);
    return error;
}

static int bring_up_to_date(struct record *record, sqlite3 *here, const char *path, struct why *why)
{
    static const struct fetch_choice everything = { .traces = false };
    int error;

    sqlite3_busy_timeout(here, WAIT_MS);
    if (sqlite3_exec(here, "PRAGMA synchronous = OFF; BEGIN IMMEDIATE", NULL, NULL, NULL) != SQLITE_OK)
        return store_failed(here, path, "bringing it up to date", why);
    error = record_fetch(record, here, &everything, why);
    if (error >= 0 && sqlite3_exec(here, "COMMIT", NULL, NULL, NULL) == SQLITE_OK)
        return 0;
    if (error >= 0)
        error = store_failed(here, path, "bringing it up to date", why);
    sqlite3_exec(here, "ROLLBACK", NULL, NULL, NULL);
    return error;
}

/* For this user alone from its beginning; SQLite's own files beside it get its mode. */
static int own_file(const char *path, struct why *why)
{
    int file = open(path, O_WRONLY | O_CREAT | O_NOFOLLOW | O_CLOEXEC, 0600);

    if (file < 0)
        return why_set(why, -errno, "%s: cannot be made: %s", path, strerror(errno));
    close(file);
    return 0;
}

static int fill(struct store **out, struct record *record, const char *path, struct why *why)
{
    struct store *store = NULL;
    int error;

    if ((error = own_file(path, why)) != 0 || (error = store_open_cache(&store, path, why)) != 0)
        return error;
    if ((error = bring_up_to_date(record, store->database, path, why)) == 0
        && (error = record_trace_attach(record, store->database, why)) == 0
        && sqlite3_exec(store->database, "PRAGMA query_only = ON", NULL, NULL, NULL) != SQLITE_OK)
        error = store_failed(store->database, path, "opening it", why);
    if (error) {
        store_close(store);
        return error;
    }
    store->mode = STORE_READ;
    *out = store;
    return 0;
}

int record_cache_open(struct store **out, const char *address, struct why *why)
{
    struct record *record;
    char path[600];
    int error = record_open(&record, address, "poise", why);

    if (error)
        return error;
    if ((error = record_check(record, why)) == 0 && (error = cache_path(record, path, sizeof path, why)) == 0
        && (error = fill(out, record, path, why))
               == -EBADF) { /* a damaged cache is worth nothing: again from nothing */
        unlink(path);
        error = fill(out, record, path, why);
    }
    if (error) {
        record_close(record);
        return error;
    }
    if (record_remark(record)) /* people must know that not all is shown */
        program_message("%s", record_remark(record));
    (*out)->record = record;
    free((*out)->path);
    (*out)->path = strdup(address); /* by which people know it */
    if (!(*out)->path) {
        store_close(*out);
        return why_set(why, -ENOMEM, "not enough memory");
    }
    return 0;
}
