/* A store file that came from elsewhere is untrusted input: nothing in it runs, and nothing of it takes for ever.
 * Not whether it is a store at all, nor of which version (store_open). */
#include "store_parts.h"

#include <errno.h>
#include <pthread.h>
#include <string.h>

#include "poise/clock.h"

enum {
    TEXT_BYTES_MOST = 64 << 20, /* one value; a plan has at most 64 KB */
    SQL_BYTES_MOST = 1 << 20,
    LOOK_EVERY = 1000000,          /* steps of SQLite's machine between two looks at the clock: some milliseconds */
    STATEMENT_MS_MOST = 10 * 60000 /* one question; a million brews take seconds */
};

static int on_statement(unsigned kind, void *context, void *statement, void *sql)
{
    struct store *store = context;

    (void)kind;
    (void)statement;
    (void)sql;
    store->statement_ms = clock_steady_ms();
    return 0;
}

static int on_progress(void *context)
{
    const struct store *store = context;

    return store->statement_ms && clock_steady_ms() - store->statement_ms > store->statement_ms_most;
}

void store_limit_ms(struct store *store, int64_t most_ms)
{
    store->statement_ms_most = most_ms;
    sqlite3_progress_handler(store->database, most_ms < 1000 ? 1000 : LOOK_EVERY, on_progress, store);
}

int store_distrust(struct store *store, struct why *why)
{
    static const struct {
        int what, value;
    } settings[] = { { SQLITE_DBCONFIG_DEFENSIVE, 1 },      { SQLITE_DBCONFIG_TRUSTED_SCHEMA, 0 },
                     { SQLITE_DBCONFIG_ENABLE_TRIGGER, 0 }, { SQLITE_DBCONFIG_DQS_DDL, 0 },
                     { SQLITE_DBCONFIG_DQS_DML, 0 },        { SQLITE_DBCONFIG_ENABLE_LOAD_EXTENSION, 0 } };

    for (size_t i = 0; i < sizeof settings / sizeof *settings; i++)
        if (sqlite3_db_config(store->database, settings[i].what, settings[i].value, NULL) != SQLITE_OK)
            return why_set(why, -EIO, "%s: cannot be opened as a file that is not trusted", store->path);
    sqlite3_limit(store->database, SQLITE_LIMIT_LENGTH, TEXT_BYTES_MOST);
    sqlite3_limit(store->database, SQLITE_LIMIT_SQL_LENGTH, SQL_BYTES_MOST);
    sqlite3_limit(store->database, SQLITE_LIMIT_WORKER_THREADS, 0);
    sqlite3_trace_v2(store->database, SQLITE_TRACE_STMT, on_statement, store);
    store_limit_ms(store, STATEMENT_MS_MOST);
    return sqlite3_exec(store->database, "PRAGMA cell_size_check = ON", NULL, NULL, NULL) == SQLITE_OK
               ? 0
               : store_failed(store->database, store->path, "opening it", why);
}

/* ---- what runs by itself: views and triggers ---- */

/* Of ours, the object of this name: its kind and text; both NULL: there is none. */
static int find_ours(sqlite3_stmt *ours, const char *name, const char **kind, const char **sql)
{
    int code;

    sqlite3_reset(ours);
    sqlite3_bind_text(ours, 1, name, -1, SQLITE_TRANSIENT);
    code = sqlite3_step(ours);
    *kind = code == SQLITE_ROW ? (const char *)sqlite3_column_text(ours, 0) : NULL;
    *sql = code == SQLITE_ROW ? (const char *)sqlite3_column_text(ours, 1) : NULL;
    return code == SQLITE_ROW || code == SQLITE_DONE ? 0 : -1;
}

/* A view of another name is nobody's business: we never read it.  A trigger runs whatever its name is. */
static bool is_foreign(const char *kind, const char *sql, const char *our_kind, const char *our_sql)
{
    if (strcmp(kind, "trigger") == 0)
        return !our_kind || strcmp(our_kind, "trigger") != 0 || !our_sql || strcmp(sql, our_sql) != 0;
    return our_kind && (strcmp(kind, our_kind) != 0 || sqlite3_strnicmp(sql, "create virtual", 14) == 0);
}

/* `views` becomes true when one of ours has another text than today's. */
static int compare(struct store *store, sqlite3_stmt *theirs, sqlite3_stmt *ours, bool *views, struct why *why)
{
    const char *our_kind, *our_sql;
    int code;

    while ((code = sqlite3_step(theirs)) == SQLITE_ROW) {
        const char *kind = (const char *)sqlite3_column_text(theirs, 0);
        const char *name = (const char *)sqlite3_column_text(theirs, 1);
        const char *sql = (const char *)sqlite3_column_text(theirs, 2);

        if (!kind || !name || find_ours(ours, name, &our_kind, &our_sql) != 0)
            break;
        sql = sql ? sql : "";
        if (strcmp(kind, "index") != 0 && is_foreign(kind, sql, our_kind, our_sql))
            return why_set(
                why, -EBADF,
                "%s: its %s \"%.60s\" is not Poise's, and could change what is read: `poise-ctl rescue FILE` "
                "takes the brews over into a new store",
                store->path, kind, name);
        *views = *views || (strcmp(kind, "view") == 0 && our_sql && strcmp(sql, our_sql) != 0);
    }
    return code == SQLITE_DONE ? 0 : store_failed(store->database, store->path, "looking at its tables", why);
}

/* Our own tables as they are made today, in memory: made once, for that takes some milliseconds. */
static int open_reference(sqlite3 **reference, struct why *why)
{
    int error;

    if (*reference)
        return 0;
    if (sqlite3_open(":memory:", reference) != SQLITE_OK)
        error = why_set(why, -ENOMEM, "not enough memory");
    else
        error = store_migrate(*reference, 0, why);
    if (error) {
        sqlite3_close(*reference);
        *reference = NULL;
    }
    return error;
}

static int compare_with_ours(struct store *store, bool *views, struct why *why)
{
    static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
    static sqlite3 *reference; /* lives as long as the program */
    sqlite3_stmt *ours = NULL, *theirs = NULL;
    int error;

    pthread_mutex_lock(&lock);
    error = open_reference(&reference, why);
    if (error == 0
        && (sqlite3_prepare_v2(reference, "SELECT type, sql FROM sqlite_schema WHERE name = ?1", -1, &ours, NULL)
                != SQLITE_OK
            || sqlite3_prepare_v2(store->database, "SELECT type, name, sql FROM sqlite_schema", -1, &theirs, NULL)
                   != SQLITE_OK))
        error = store_failed(store->database, store->path, "looking at its tables", why);
    if (error == 0)
        error = compare(store, theirs, ours, views, why);
    sqlite3_finalize(ours);
    sqlite3_finalize(theirs);
    pthread_mutex_unlock(&lock);
    return error;
}

/* Another text under our name, of another build or of somebody: today's stands in front of it, or in its place. */
static int renew_views(struct store *store, struct why *why)
{
    int error;

    if (store->mode == STORE_READ)
        return store_make_views(store->database, true, why);
    if (sqlite3_exec(store->database, "BEGIN IMMEDIATE", NULL, NULL, NULL) != SQLITE_OK)
        return store_failed(store->database, store->path, "making its views", why);
    if ((error = store_make_views(store->database, false, why)) == 0
        && sqlite3_exec(store->database, "COMMIT", NULL, NULL, NULL) != SQLITE_OK)
        error = store_failed(store->database, store->path, "making its views", why);
    if (error)
        sqlite3_exec(store->database, "ROLLBACK", NULL, NULL, NULL);
    return error;
}

int store_check_schema(struct store *store, struct why *why)
{
    bool views = false;
    int error = compare_with_ours(store, &views, why);

    if (error == 0 && views)
        error = renew_views(store, why);
    if (error == 0 && store->mode == STORE_WRITE) /* now that they are ours: a tasting's entries stand */
        sqlite3_db_config(store->database, SQLITE_DBCONFIG_ENABLE_TRIGGER, 1, NULL);
    return error;
}
