/* Opening and closing a store file: is it one, of which version, may we.  Not its tables (store_schema). */
#include "record_parts.h"
#include "store_parts.h"

#include <ctype.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* Another program (a tasting, a second bench's logger) writes for milliseconds; one that holds the
 * file longer than this is reported and tried again. */
enum { BUSY_MS = 2000 };

/* The folder of the file and those above it, where missing. */
static int make_folder(const char *path, struct why *why)
{
    char *folder = strdup(path);
    int error = 0;

    if (!folder)
        return why_set(why, -ENOMEM, "not enough memory");
    for (char *slash = strchr(folder + 1, '/'); slash && !error; slash = strchr(slash + 1, '/')) {
        *slash = '\0';
        if (mkdir(folder, 0750) != 0 && errno != EEXIST)
            error = why_set(why, -errno, "%s: cannot make the folder: %s", folder, strerror(errno));
        *slash = '/';
    }
    free(folder);
    return error;
}

static int ask_number(sqlite3 *database, const char *sql, int *out)
{
    sqlite3_stmt *statement;
    int code = sqlite3_prepare_v2(database, sql, -1, &statement, NULL);

    if (code != SQLITE_OK)
        return code;
    code = sqlite3_step(statement);
    if (code == SQLITE_ROW)
        *out = sqlite3_column_int(statement, 0);
    sqlite3_finalize(statement);
    return code == SQLITE_ROW ? SQLITE_OK : code;
}

/* Its version, 0 for an empty file; refuses what is no store and what is newer. */
static int find_version(sqlite3 *database, const char *path, int *version, struct why *why)
{
    int application = 0, tables = 0;

    if (ask_number(database, "PRAGMA application_id", &application) != SQLITE_OK
        || ask_number(database, "PRAGMA user_version", version) != SQLITE_OK
        || ask_number(database, "SELECT count(*) FROM sqlite_schema", &tables) != SQLITE_OK)
        return store_failed(database, path, "opening it", why);
    if (application == 0 && tables == 0 && *version == 0)
        return 0;
    if (application != STORE_APPLICATION_ID || *version < 1)
        return why_set(why, -EBADF, "%s: is an SQLite file of something else, not a Poise store: name another file",
                       path);
    if (*version > STORE_VERSION)
        return why_set(why, -EPROTO,
                       "%s: was made by a newer Poise (its version %d, ours %d): install that one; "
                       "the file is left as it is",
                       path, *version, STORE_VERSION);
    return 0;
}

static int execute(struct store *store, const char *sql, const char *doing, struct why *why)
{
    if (sqlite3_exec(store->database, sql, NULL, NULL, NULL) != SQLITE_OK)
        return store_failed(store->database, store->path, doing, why);
    return 0;
}

/* The version is looked at again under the lock: two programs may have met here. */
static int bring_up_to_date(struct store *store, struct why *why)
{
    int version, error = execute(store, "BEGIN IMMEDIATE", "making its tables", why);

    if (error)
        return error;
    error = find_version(store->database, store->path, &version, why);
    if (!error && version < STORE_VERSION)
        error = store_migrate(store->database, version, why);
    if (!error)
        error = execute(store, "COMMIT", "making its tables", why);
    if (error)
        sqlite3_exec(store->database, "ROLLBACK", NULL, NULL, NULL);
    return error;
}

/* The brews under way when the last program stopped, so that readings still find them. */
static int load_open_brews(struct store *store, struct why *why)
{
    static const char sql[] = "SELECT h.name, b.station, b.name, o.name, b.began_mono_us, b.begin_seq, b.brew_id"
                              " FROM brew b JOIN bench h USING (bench_id) JOIN boot o USING (boot_id)"
                              " WHERE b.ended_us IS NULL AND NOT b.discarded AND b.begin_seq IS NOT NULL"
                              " ORDER BY b.began_us, b.begin_seq";
    sqlite3_stmt *statement;
    int code, bench, station, boot, brew, error = 0;

    if (sqlite3_prepare_v2(store->database, sql, -1, &statement, NULL) != SQLITE_OK)
        return store_failed(store->database, store->path, "reading its brews", why);
    while (!error && (code = sqlite3_step(statement)) == SQLITE_ROW) {
        bench = station = store_bench_index(store, (const char *)sqlite3_column_text(statement, 0));
        if (bench >= 0)
            station = store_station_index(store, bench, (const char *)sqlite3_column_text(statement, 1));
        boot = store_boot_index(store, (const char *)sqlite3_column_text(statement, 3));
        brew = store_brew_index(store, bench, station, (const char *)sqlite3_column_text(statement, 2));
        if (bench < 0 || station < 0 || boot < 0 || brew < 0) {
            error = why_set(why, -ENOMEM, "not enough memory");
            break;
        }
        store->brews[brew].boot = boot;
        store->brews[brew].began_mono_us = sqlite3_column_int64(statement, 4);
        store->brews[brew].begin_seq = (uint64_t)sqlite3_column_int64(statement, 5);
        store->brews[brew].row = sqlite3_column_int64(statement, 6);
        store->stations[station].brew = brew;
    }
    if (!error && code != SQLITE_DONE)
        error = store_failed(store->database, store->path, "reading its brews", why);
    sqlite3_finalize(statement);
    return error;
}

static int open_for_writing(struct store *store, int version, struct why *why)
{
    /* NORMAL: a commit need not wait for the disk.  After a power cut the file may stand a few
     * commits back, data and progress together, and the bench's journal gives them again. */
    int error = execute(store, "PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL; PRAGMA foreign_keys = ON;",
                        "opening it", why);

    if (!error && version < STORE_VERSION)
        error = bring_up_to_date(store, why);
    if (!error)
        error = store_check_schema(store, why);
    for (int i = 0; i < STATEMENT_COUNT && !error; i++)
        if (sqlite3_prepare_v3(store->database, store_statements[i], -1, SQLITE_PREPARE_PERSISTENT,
                               &store->statement[i], NULL)
            != SQLITE_OK)
            error = store_failed(store->database, store->path, "preparing to write", why);
    return error || store->is_cache ? error : load_open_brews(store, why);
}

/* For its owner and the group, and where it is named: a link could lead a logger to write over another file. */
static int prepare_file(const char *path, struct why *why)
{
    struct stat status;
    int descriptor, error = make_folder(path, why);

    if (error)
        return error;
    if ((descriptor = open(path, O_WRONLY | O_CREAT | O_EXCL | O_NOFOLLOW | O_CLOEXEC, 0640)) >= 0) {
        close(descriptor);
        return 0;
    }
    if (errno != EEXIST)
        return why_set(why, -errno, "%s: cannot be made: %s", path, strerror(errno));
    if (lstat(path, &status) != 0)
        return why_set(why, -errno, "%s: %s", path, strerror(errno));
    if (S_ISLNK(status.st_mode))
        return why_set(why, -EBADF, "%s: this is a link: name the store itself", path);
    if (S_ISREG(status.st_mode) && status.st_mode & S_IRWXO && status.st_uid == geteuid())
        chmod(path, status.st_mode & 07770); /* earlier ones were for everybody */
    return 0;
}

static int open_file(struct store *store, const char *name, int flags, int *version, struct why *why)
{
    int error;

    if (sqlite3_open_v2(name, &store->database, flags | SQLITE_OPEN_NOMUTEX | SQLITE_OPEN_EXRESCODE, NULL) != SQLITE_OK)
        return store->database ? store_failed(store->database, store->path, "opening it", why)
                               : why_set(why, -ENOMEM, "not enough memory");
    sqlite3_busy_timeout(store->database, BUSY_MS);
    if (flags & SQLITE_OPEN_URI)
        sqlite3_exec(store->database, "PRAGMA locking_mode = EXCLUSIVE", NULL, NULL, NULL);
    error = store_distrust(store, why);
    return error ? error : find_version(store->database, store->path, version, why);
}

static bool log_is_empty(const char *path)
{
    char log[PATH_MAX];
    struct stat status;

    snprintf(log, sizeof log, "%s-wal", path);
    return stat(log, &status) != 0 || status.st_size == 0;
}

/* Where we may read and nobody writes: a medium that is read-only, or another's folder whose logger rests.  SQLite
 * wants to make its files beside it there, unless it is promised that nothing changes; where a logger that was killed
 * left something in the log, unless it is promised that there is one reader alone, who needs no locks: then it makes
 * the log's index in memory.  A logger that begins meanwhile is not seen; at worst the reading fails. */
static int open_unchanging(struct store *store, int *version, struct why *why)
{
    static const char unchanged[] = "?immutable=1", alone[] = "?vfs=unix-none";
    char *path = realpath(store->path, NULL);
    char *name = path ? sqlite3_malloc64(3 * strlen(path) + sizeof "file:" + sizeof alone) : NULL;
    size_t at;
    int error;

    if (!name) {
        free(path);
        return why_set(why, -ENOMEM, "not enough memory");
    }
    at = (size_t)sprintf(name, "file:");
    for (const char *c = path; *c; c++)
        at += (size_t)(isalnum((unsigned char)*c) || strchr("/-_.", *c)
                           ? sprintf(name + at, "%c", *c)
                           : sprintf(name + at, "%%%02X", (unsigned char)*c));
    strcpy(name + at, log_is_empty(store->path) ? unchanged : alone);
    free(path);
    sqlite3_close(store->database);
    store->database = NULL;
    error = open_file(store, name, SQLITE_OPEN_READONLY | SQLITE_OPEN_URI, version, why);
    sqlite3_free(name);
    return error;
}

static int open_to_read(struct store *store, int *version, struct why *why)
{
    int error;

    if (access(store->path, F_OK) != 0)
        return why_set(why, -errno, "%s: no store there: poise-logger makes it (or name it with --store)", store->path);
    error = open_file(store, store->path, SQLITE_OPEN_READONLY, version, why);
    if (error == -EACCES && access(store->path, R_OK) == 0)
        error = open_unchanging(store, version, why);
    return error;
}

static int open_database(struct store *store, struct why *why)
{
    int version, error;

    if (store->mode == STORE_WRITE) {
        if ((error = prepare_file(store->path, why)) != 0)
            return error;
        error = open_file(store, store->path, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE, &version, why);
        return error ? error : open_for_writing(store, version, why);
    }
    if ((error = open_to_read(store, &version, why)) != 0)
        return error;
    if (version < STORE_VERSION)
        return why_set(why, -EBADF, "%s: %s: start poise-logger with it once", store->path,
                       version ? "was made by an older Poise" : "is empty, not yet a store");
    if ((error = store_check_schema(store, why)) != 0)
        return error;
    return execute(store, "PRAGMA query_only = ON;", "opening it", why);
}

int store_open_damaged(struct store **out, const char *path, int *version, struct why *why)
{
    struct store *store = calloc(1, sizeof *store);
    int error;

    if (!store || !(store->path = strdup(path))) {
        free(store);
        return why_set(why, -ENOMEM, "not enough memory");
    }
    error = open_to_read(store, version, why);
    if (error == 0 && *version == 0)
        error = why_set(why, -EBADF, "%s: is empty, not a store", path);
    if (error)
        store_close(store);
    else
        *out = store;
    return error;
}

static int open_store(struct store **out, const char *path, enum store_mode mode, bool is_cache, struct why *why)
{
    struct store *store = calloc(1, sizeof *store);
    int error;

    if (!store || !(store->path = strdup(path))) {
        free(store);
        return why_set(why, -ENOMEM, "not enough memory");
    }
    store->is_cache = is_cache;
    store->mode = mode;
    store->gone = UINT64_MAX;
    error = open_database(store, why);
    if (error) {
        store_close(store);
        return error;
    }
    *out = store;
    return 0;
}

int store_open(struct store **out, const char *path, enum store_mode mode, struct why *why)
{
    if (record_is_address(path))
        return mode == STORE_READ ? record_cache_open(out, path, why)
                                  : why_set(why, -EROFS,
                                            "%s: a shared record is read here and filled by poise-share: name the "
                                            "bench's own store with --store",
                                            path);
    return open_store(out, path, mode, false, why);
}

int store_open_cache(struct store **out, const char *path, struct why *why)
{
    return open_store(out, path, STORE_WRITE, true, why);
}

void store_close(struct store *store)
{
    if (!store)
        return;
    for (int i = 0; i < STATEMENT_COUNT; i++)
        sqlite3_finalize(store->statement[i]);
    sqlite3_close(store->database);
    record_close(store->record);
    for (size_t i = 0; i < store->event_count; i++)
        free(store->events[i].plan_json);
    for (int i = 0; i < store->station_count; i++)
        free(store->stations[i].ring);
    free(store->events);
    free(store->rows);
    free(store->instrument_slots);
    free(store->benches);
    free(store->boots);
    free(store->instruments);
    free(store->brews);
    free(store->stations);
    free(store->path);
    free(store);
}

sqlite3 *store_database(struct store *store)
{
    return store->database;
}

int store_resume(struct store *store, const char *bench, uint64_t *seq, int64_t *time_us, struct why *why)
{
    static const char sql[] = "SELECT p.seq, p.time_us FROM progress p JOIN bench h USING (bench_id) WHERE h.name = ?1";
    sqlite3_stmt *statement;
    int code;

    if (sqlite3_prepare_v2(store->database, sql, -1, &statement, NULL) != SQLITE_OK)
        return store_failed(store->database, store->path, "asking how far it has come", why);
    sqlite3_bind_text(statement, 1, bench, -1, SQLITE_STATIC);
    code = sqlite3_step(statement);
    if (code == SQLITE_DONE) {
        *seq = 0;
        *time_us = 0;
    } else if (code == SQLITE_ROW) {
        *seq = (uint64_t)sqlite3_column_int64(statement, 0);
        *time_us = sqlite3_column_int64(statement, 1);
    }
    sqlite3_finalize(statement);
    return code == SQLITE_ROW || code == SQLITE_DONE
               ? 0
               : store_failed(store->database, store->path, "asking how far it has come", why);
}

int store_know_bench(struct store *store, const char *bench, const char *identity, struct why *why)
{
    static const char sql[] = "INSERT INTO bench (name, identity) VALUES (?1, ?2) ON CONFLICT (name) DO UPDATE SET"
                              " identity = coalesce(bench.identity, excluded.identity) RETURNING identity";
    sqlite3_stmt *statement;
    char known[BENCH_ID_SIZE] = "";
    int code;

    if (sqlite3_prepare_v2(store->database, sql, -1, &statement, NULL) != SQLITE_OK)
        return store_failed(store->database, store->path, "noting which bench it is", why);
    sqlite3_bind_text(statement, 1, bench, -1, SQLITE_STATIC);
    sqlite3_bind_text(statement, 2, identity, -1, SQLITE_STATIC);
    if ((code = sqlite3_step(statement)) == SQLITE_ROW) {
        snprintf(known, sizeof known, "%s", (const char *)sqlite3_column_text(statement, 0));
        code = sqlite3_step(statement);
    }
    sqlite3_finalize(statement);
    if (code != SQLITE_DONE)
        return store_failed(store->database, store->path, "noting which bench it is", why);
    if (strcmp(known, identity) != 0)
        return why_set(why, -EEXIST,
                       "%s: holds the brews of another bench that is called %s too (%.8s; this one is %.8s): give this "
                       "one a store of its own with --store, and one of the two another name",
                       store->path, bench, known, identity);
    return 0;
}

const char *store_path(const struct store *store)
{
    return store->path;
}

int store_failed_at(struct store *store, const char *doing, struct why *why)
{
    return store_failed(store->database, store->path, doing, why);
}
