/* From the shared record into a store file, so that everything that reads a store reads what many benches brewed.  A
 * cache takes what is new since it was here last; a file to take home takes what was chosen, with the traces.
 *
 * Names are a person's, a bench's identity is not: where two benches have one name, the one that was registered later
 * is shown with the first digits of its identity behind its name, and its brews begin with that. */
#include "record_parts.h"

#include <errno.h>
#include <limits.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "poise/trace_block.h"
#include "store_sql.h"

const char record_fetch_tables[] =
    "CREATE TABLE IF NOT EXISTS shared_store (store_id TEXT PRIMARY KEY, stamp INTEGER NOT NULL) WITHOUT ROWID;"
    "CREATE TABLE IF NOT EXISTS shared_bench (id TEXT NOT NULL, name TEXT NOT NULL, shown TEXT NOT NULL,"
    " bench_id INTEGER NOT NULL, PRIMARY KEY (id, name)) WITHOUT ROWID;"
    /* where a brew's trace is to be found there */
    "CREATE TABLE IF NOT EXISTS shared_brew (id TEXT NOT NULL, name TEXT NOT NULL, month INTEGER NOT NULL,"
    " brew_id INTEGER NOT NULL UNIQUE, samples INTEGER NOT NULL, PRIMARY KEY (id, name)) WITHOUT ROWID;";

/* Columns of brew there, in the order of the parameters of `insert` here, then the documents. */
enum {
    AT_ID,
    AT_NAME,
    AT_BENCH,
    AT_MONTH,
    AT_SAMPLES,
    AT_BOOT,
    AT_EXPERIMENT,
    AT_FIRST,      /* station ... plan_kept, as they are */
    AT_PLAIN = 15, /* so many of them */
    AT_MEASURES = AT_FIRST + AT_PLAIN,
    AT_PARTS,
    AT_TRACE
};
static const char select_brews[] =
    "SELECT bench_id, name, bench, month, samples, boot, experiment, station, begin_seq, began_us, began_mono_us,"
    " outcome_seq, ended_us, ended_mono_us, discarded::integer, reason, run, replicate, factors, recipe, tolerances,"
    " plan_kept, measures, parts";
static const char insert[] =
    "INSERT INTO brew (name, bench_id, boot_id, experiment_id, station, begin_seq, began_us, began_mono_us, outcome_seq,"
    " ended_us, ended_mono_us, discarded, reason, run, replicate, factors, recipe, tolerances, plan_kept, changed)"
    " VALUES (?1, ?2, (SELECT boot_id FROM boot WHERE name = ?3), (SELECT experiment_id FROM experiment WHERE"
    " name = ?4), ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19, 0) ON CONFLICT (name) DO UPDATE"
    " SET boot_id = excluded.boot_id, experiment_id = excluded.experiment_id, station = excluded.station,"
    " begin_seq = excluded.begin_seq, began_us = excluded.began_us, began_mono_us = excluded.began_mono_us,"
    " outcome_seq = excluded.outcome_seq, ended_us = excluded.ended_us, ended_mono_us = excluded.ended_mono_us,"
    " discarded = excluded.discarded, reason = excluded.reason, run = excluded.run, replicate = excluded.replicate,"
    " factors = excluded.factors, recipe = excluded.recipe, tolerances = excluded.tolerances,"
    " plan_kept = excluded.plan_kept WHERE brew.brew_id = ?20 RETURNING brew_id";

enum statement_here {
    HERE_INSERT,
    HERE_BENCH,
    HERE_BOOT,
    HERE_EXPERIMENT,
    HERE_KNOWN,
    HERE_NOTE,
    HERE_CHANGED,
    HERE_TRACE,
    HERE_SAVE,
    HERE_UNDO,
    HERE_RELEASE,
    HERE_COUNT
};
static const char *const statements_here[HERE_COUNT] = {
    [HERE_INSERT] = insert,
    [HERE_BENCH] = "SELECT bench_id, shown FROM shared_bench WHERE id = ?1 AND name = ?2",
    [HERE_BOOT] = "INSERT OR IGNORE INTO boot (name) VALUES (?1)",
    [HERE_EXPERIMENT] = "INSERT OR IGNORE INTO experiment (name) VALUES (?1)",
    [HERE_KNOWN] = "SELECT brew_id FROM shared_brew WHERE id = ?1 AND name = ?2",
    [HERE_NOTE] = "INSERT OR REPLACE INTO shared_brew (id, name, month, brew_id, samples) VALUES (?1, ?2, ?3, ?4, ?5)",
    [HERE_CHANGED] = "UPDATE brew SET changed = brew_id WHERE brew_id = ?1",
    [HERE_SAVE] = "SAVEPOINT one_brew",
    [HERE_UNDO] = "ROLLBACK TO one_brew",
    [HERE_RELEASE] = "RELEASE one_brew",
    [HERE_TRACE] = "INSERT INTO trace (brew_id, seq, instrument_id, boot_id, time_us, mono_us, value, decimals, stable,"
                   " status) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
};

struct fetching {
    struct record *record;
    sqlite3 *here;
    const struct fetch_choice *choice;
    struct brew_reader *reader;
    sqlite3_stmt *statement[HERE_COUNT];
    struct why *why;
    /* of the brew whose trace is taken */
    int64_t brew, bench;
    struct trace_map map;
};

static int here_failed(sqlite3 *here, struct why *why)
{
    return store_failed(here, sqlite3_db_filename(here, "main"), "taking brews of the record", why);
}

static int run_here(sqlite3 *here, const char *sql, struct why *why)
{
    return sqlite3_exec(here, sql, NULL, NULL, NULL) == SQLITE_OK ? 0 : here_failed(here, why);
}

/* Every row of a result as one statement's parameters. */
static int insert_rows(sqlite3 *here, const PGresult *rows, const char *sql, struct why *why)
{
    sqlite3_stmt *statement = NULL;
    int code = sqlite3_prepare_v2(here, sql, -1, &statement, NULL);

    for (int row = 0; code == SQLITE_OK && row < PQntuples(rows); row++) {
        for (int column = 0; column < PQnfields(rows); column++) {
            if (PQgetisnull(rows, row, column))
                sqlite3_bind_null(statement, column + 1);
            else
                sqlite3_bind_text(statement, column + 1, PQgetvalue(rows, row, column), -1, SQLITE_STATIC);
        }
        code = sqlite3_step(statement) == SQLITE_DONE ? sqlite3_reset(statement) : sqlite3_errcode(here);
    }
    sqlite3_finalize(statement);
    return code == SQLITE_OK ? 0 : here_failed(here, why);
}

static int copy_rows(struct fetching *to, const char *select, const char *into, struct why *why)
{
    PGresult *rows;
    int error = record_run(to->record, select, 0, NULL, &rows, why);

    if (error)
        return error;
    error = insert_rows(to->here, rows, into, why);
    PQclear(rows);
    return error;
}

/* A number of the file; -1: it failed. */
static int64_t number_here(sqlite3 *here, const char *sql)
{
    sqlite3_stmt *row = NULL;
    int64_t number = -1;

    if (sqlite3_prepare_v2(here, sql, -1, &row, NULL) == SQLITE_OK && sqlite3_step(row) == SQLITE_ROW)
        number = sqlite3_column_int64(row, 0);
    sqlite3_finalize(row);
    return number;
}

/* ---- benches ---- */

static const char forget_all[] =
    "DELETE FROM shared_store; DELETE FROM shared_bench; DELETE FROM shared_brew; DELETE FROM asked_by;"
    "DELETE FROM instrument_check; DELETE FROM instrument_alarm; DELETE FROM warning; DELETE FROM note; DELETE FROM assignment; DELETE FROM reading;"
    "DELETE FROM strength_budget; DELETE FROM trace; DELETE FROM measure; DELETE FROM stage; DELETE FROM brew;"
    "DELETE FROM experiment; DELETE FROM instrument; DELETE FROM boot; DELETE FROM bench;";

/* Their names as people see them.  Where one is shown otherwise than before, everything is fetched again: that is rare,
 * and no brew keeps a name that is another's now. */
static int take_benches(struct fetching *to, struct why *why)
{
    static const char moved[] =
        "SELECT EXISTS (SELECT 1 FROM shared_bench b LEFT JOIN temp.benches n ON n.id = b.id AND n.name = b.name WHERE"
        " n.shown IS NOT b.shown)";
    int error = run_here(to->here,
                         "CREATE TEMP TABLE IF NOT EXISTS benches (id TEXT, name TEXT, shown TEXT, units TEXT);"
                         "DELETE FROM temp.benches",
                         why);
    int64_t is_moved;

    if (error
        || (error = copy_rows(to, "SELECT bench_id, name, poise.shown_name(bench_id, name), units FROM poise.bench",
                              "INSERT INTO temp.benches VALUES (?1, ?2, ?3, ?4)", why))
               != 0)
        return error;
    if ((is_moved = number_here(to->here, moved)) < 0)
        return here_failed(to->here, why);
    if (is_moved && (error = run_here(to->here, forget_all, why)) != 0)
        return error;
    return run_here(
        to->here,
        "INSERT OR IGNORE INTO bench (name, identity) SELECT shown, id FROM temp.benches ORDER BY shown;"
        "INSERT OR IGNORE INTO shared_bench SELECT n.id, n.name, n.shown, b.bench_id FROM temp.benches n"
        " JOIN bench b ON b.name = n.shown;"
        "UPDATE bench SET units = n.units FROM temp.benches n WHERE n.shown = bench.name AND bench.units IS NOT"
        " n.units",
        why);
}

/* ---- one brew ---- */

static int done(struct fetching *to, enum statement_here which)
{
    int code = sqlite3_step(to->statement[which]);

    sqlite3_reset(to->statement[which]);
    return code == SQLITE_DONE ? 0 : here_failed(to->here, to->why);
}

/* The first column of a statement's only row into *out, 0 where there is none. */
static int found(struct fetching *to, enum statement_here which, int64_t *out, char *text, size_t size)
{
    sqlite3_stmt *row = to->statement[which];
    int code = sqlite3_step(row);

    *out = code == SQLITE_ROW ? sqlite3_column_int64(row, 0) : 0;
    if (text && code == SQLITE_ROW)
        snprintf(text, size, "%s", (const char *)sqlite3_column_text(row, 1));
    while (code == SQLITE_ROW)
        code = sqlite3_step(row);
    sqlite3_reset(row);
    return code == SQLITE_DONE ? 0 : here_failed(to->here, to->why);
}

static void bind(sqlite3_stmt *statement, int place, const PGresult *row, int column)
{
    if (PQgetisnull(row, 0, column))
        sqlite3_bind_null(statement, place);
    else
        sqlite3_bind_text(statement, place, PQgetvalue(row, 0, column), -1, SQLITE_STATIC);
}

static int insert_sample(void *context, const struct trace_sample *given)
{
    struct fetching *to = context;
    struct trace_sample sample = *given;
    sqlite3_stmt *statement = to->statement[HERE_TRACE];

    trace_map_apply(&to->map, &sample);
    sqlite3_bind_int64(statement, 1, to->brew);
    sqlite3_bind_int64(statement, 2, (int64_t)sample.seq);
    sqlite3_bind_int64(statement, 3, sample.instrument);
    sqlite3_bind_int64(statement, 4, sample.boot);
    sqlite3_bind_int64(statement, 5, sample.time_us);
    sqlite3_bind_int64(statement, 6, sample.mono_us);
    if (sample.status == READING_OK) {
        sqlite3_bind_double(statement, 7, decimal_to_double(sample.value));
        sqlite3_bind_int(statement, 8, -sample.value.exponent);
    } else {
        sqlite3_bind_null(statement, 7);
        sqlite3_bind_null(statement, 8);
    }
    if (sample.stable >= 0)
        sqlite3_bind_int(statement, 9, sample.stable);
    else
        sqlite3_bind_null(statement, 9);
    sqlite3_bind_text(statement, 10, reading_status_name(sample.status), -1, SQLITE_STATIC);
    return done(to, HERE_TRACE);
}

static int take_trace(struct fetching *to, const PGresult *row, const char *name, struct why *why)
{
    unsigned char *block;
    size_t length = 0;
    int error;

    if (PQgetisnull(row, 0, AT_TRACE))
        return 0;
    if ((error = trace_map_load(&to->map, to->here, PQgetvalue(row, 0, AT_PARTS), to->bench, why)) != 0)
        return error;
    block = PQunescapeBytea((const unsigned char *)PQgetvalue(row, 0, AT_TRACE), &length);
    if (!block)
        return why_set(why, -ENOMEM, "not enough memory");
    error = trace_block_read(block, length, insert_sample, to);
    PQfreemem(block);
    return error == -EBADMSG
               ? why_set(why, error, "%s: the trace of brew %s is damaged there", to->record->address, name)
               : error;
}

/* The bench's name in front of the brew's is replaced by the one that is shown. */
static void show_brew(const char *name, const char *bench, const char *shown, char out[BREW_SIZE])
{
    size_t length = strlen(bench);

    if (strcmp(bench, shown) == 0)
        snprintf(out, BREW_SIZE, "%s", name);
    else
        snprintf(out, BREW_SIZE, "%s%s", shown, strncmp(name, bench, length) == 0 ? name + length : "-");
}

/* A row that no poise-share wrote, by a bench that means harm or by accident: it is left out, and keeps nobody from
 * reading the others. */
enum { NONSENSE = 1 };

static bool is_nonsense(sqlite3 *here)
{
    int code = sqlite3_errcode(here) & 0xff;

    /* SQLITE_ERROR, once it runs: a document that is none ("malformed JSON") */
    return code == SQLITE_CONSTRAINT || code == SQLITE_MISMATCH || code == SQLITE_TOOBIG || code == SQLITE_ERROR;
}

static int take_brew(struct fetching *to, const PGresult *row, struct why *why)
{
    const char *name = PQgetvalue(row, 0, AT_NAME), *bench = PQgetvalue(row, 0, AT_BENCH);
    sqlite3_stmt *statement = to->statement[HERE_INSERT];
    char shown_bench[NAME_SIZE] = "", shown[BREW_SIZE];
    int64_t known;
    int error;

    bind(to->statement[HERE_BENCH], 1, row, AT_ID);
    bind(to->statement[HERE_BENCH], 2, row, AT_BENCH);
    bind(to->statement[HERE_KNOWN], 1, row, AT_ID);
    bind(to->statement[HERE_KNOWN], 2, row, AT_NAME);
    bind(to->statement[HERE_BOOT], 1, row, AT_BOOT);
    bind(to->statement[HERE_EXPERIMENT], 1, row, AT_EXPERIMENT);
    if ((error = found(to, HERE_BENCH, &to->bench, shown_bench, sizeof shown_bench)) != 0
        || (error = found(to, HERE_KNOWN, &known, NULL, 0)) != 0
        || (!PQgetisnull(row, 0, AT_BOOT) && (error = done(to, HERE_BOOT)) != 0)
        || (!PQgetisnull(row, 0, AT_EXPERIMENT) && (error = done(to, HERE_EXPERIMENT)) != 0))
        return error;
    if (!to->bench)
        return NONSENSE; /* of a bench that is not registered */
    show_brew(name, bench, shown_bench, shown);
    sqlite3_bind_text(statement, 1, shown, -1, SQLITE_STATIC);
    sqlite3_bind_int64(statement, 2, to->bench);
    bind(statement, 3, row, AT_BOOT);
    bind(statement, 4, row, AT_EXPERIMENT);
    for (int i = 0; i < AT_PLAIN; i++)
        bind(statement, 5 + i, row, AT_FIRST + i);
    sqlite3_bind_int64(statement, 5 + AT_PLAIN, known);
    if ((error = found(to, HERE_INSERT, &to->brew, NULL, 0)) != 0)
        return error;
    if (!to->brew)
        return NONSENSE; /* it would take the place of another bench's */
    if ((known && (error = brew_clear(to->reader, to->brew, why)) != 0)
        || (error = brew_read(to->reader, to->brew, to->bench, PQgetvalue(row, 0, AT_MEASURES),
                              PQgetvalue(row, 0, AT_PARTS), why))
               != 0)
        return error;
    if (to->choice->traces) {
        sqlite3_bind_int64(to->statement[HERE_CHANGED], 1, to->brew);
        if ((error = done(to, HERE_CHANGED)) != 0 || (error = take_trace(to, row, name, why)) != 0)
            return error;
    }
    bind(to->statement[HERE_NOTE], 1, row, AT_ID);
    bind(to->statement[HERE_NOTE], 2, row, AT_NAME);
    bind(to->statement[HERE_NOTE], 3, row, AT_MONTH);
    sqlite3_bind_int64(to->statement[HERE_NOTE], 4, to->brew);
    bind(to->statement[HERE_NOTE], 5, row, AT_SAMPLES);
    return done(to, HERE_NOTE);
}

/* One brew, whole or not at all. */
static int take_or_leave(struct fetching *to, const PGresult *row, struct why *why)
{
    int error = done(to, HERE_SAVE);

    if (error)
        return error;
    error = take_brew(to, row, why);
    if (error == NONSENSE || (error < 0 && is_nonsense(to->here)))
        error = done(to, HERE_UNDO);
    if (!error)
        error = done(to, HERE_RELEASE);
    return error;
}

/* The rows of a query as they come, so that a million of them need no memory. */
static int take_brews(struct fetching *to, const char *sql, int count, const char *const *values, struct why *why)
{
    PGconn *connection = to->record->connection;
    PGresult *row;
    int error = 0;

    if (PQsendQueryParams(connection, sql, count, NULL, values, NULL, NULL, 0) != 1
        || PQsetSingleRowMode(connection) != 1)
        return record_failed(to->record, NULL, why);
    while ((row = PQgetResult(connection))) {
        ExecStatusType status = PQresultStatus(row);

        if (!error && status == PGRES_SINGLE_TUPLE && (error = take_or_leave(to, row, why)) != 0) {
            PGcancel *cancel = PQgetCancel(connection);
            char words[256];

            if (cancel)
                PQcancel(cancel, words, sizeof words);
            PQfreeCancel(cancel);
        }
        if (!error && status != PGRES_SINGLE_TUPLE && status != PGRES_TUPLES_OK)
            error = record_failed(to->record, row, why);
        PQclear(row);
    }
    return error;
}

/* ---- which of them ---- */

/* The chosen, with their traces. */
static int take_chosen(struct fetching *to, struct why *why)
{
    static const char where[] = ", trace FROM poise.brew WHERE ($1 = '' OR bench = $1) AND ($2 = '' OR experiment = $2)"
                                " ORDER BY began_us";
    const char *const values[] = { to->choice->bench ? to->choice->bench : "",
                                   to->choice->experiment ? to->choice->experiment : "" };
    struct text sql = { 0 };
    int error;

    text_print(&sql, "%s%s", select_brews, where);
    text_add(&sql, "", 1);
    error = sql.failed ? why_set(why, -ENOMEM, "not enough memory") : take_brews(to, sql.data, 2, values, why);
    text_free(&sql);
    return error;
}

/* What was sent since the cache was filled last, store by store: `news` holds those that have some. */
static int take_news(struct fetching *to, struct why *why)
{
    static const char where[] =
        " FROM poise.brew b JOIN unnest($1::text[], $2::bigint[]) n (store_id, stamp) ON b.store_id = n.store_id AND"
        " b.stamp > n.stamp";
    static const char list[] = "SELECT '{' || coalesce(group_concat(store_id), '') || '}', '{' ||"
                               " coalesce(group_concat(known), '') || '}', count(*) FROM temp.news";
    const char *values[2];
    struct text sql = { 0 };
    sqlite3_stmt *row = NULL;
    int error = 0;

    text_print(&sql, "%s%s", select_brews, where);
    text_add(&sql, "", 1);
    if (sqlite3_prepare_v2(to->here, list, -1, &row, NULL) != SQLITE_OK || sqlite3_step(row) != SQLITE_ROW)
        error = here_failed(to->here, why);
    else if (sql.failed)
        error = why_set(why, -ENOMEM, "not enough memory");
    if (!error && sqlite3_column_int(row, 2) > 0) {
        values[0] = (const char *)sqlite3_column_text(row, 0);
        values[1] = (const char *)sqlite3_column_text(row, 1);
        error = take_brews(to, sql.data, 2, values, why);
    }
    sqlite3_finalize(row);
    text_free(&sql);
    return error;
}

/* Months that were let go of, or rows that somebody deleted: what is not there any more goes here too. */
static int drop_missing(struct fetching *to, struct why *why)
{
    static const char missing[] =
        "brew_id IN (SELECT s.brew_id FROM shared_brew s LEFT JOIN temp.there t ON t.id = s.id"
        " AND t.name = s.name WHERE t.id IS NULL)";
    static const char *const tables[] = { "stage",   "measure",  "strength_budget",  "assignment", "note",
                                          "warning", "asked_by", "instrument_check", "brew" };
    PGresult *rows;
    int64_t here = number_here(to->here, "SELECT count(*) FROM shared_brew"), there = 0;
    int error = record_run(to->record, "SELECT count(*) FROM poise.brew", 0, NULL, &rows, why);

    if (error)
        return error;
    there = strtoll(PQgetvalue(rows, 0, 0), NULL, 10);
    PQclear(rows);
    if (there == here)
        return 0;
    error =
        run_here(to->here, "CREATE TEMP TABLE there (id TEXT, name TEXT, PRIMARY KEY (id, name)) WITHOUT ROWID", why);
    if (!error)
        error = copy_rows(to, "SELECT bench_id, name FROM poise.brew",
                          "INSERT OR IGNORE INTO temp.there VALUES (?1, ?2)", why);
    for (size_t i = 0; i < sizeof tables / sizeof *tables && !error; i++) {
        char *sql = sqlite3_mprintf("DELETE FROM %s WHERE %s", tables[i], missing);

        error = sql ? run_here(to->here, sql, why) : why_set(why, -ENOMEM, "not enough memory");
        sqlite3_free(sql);
    }
    if (!error)
        error = run_here(to->here,
                         "DELETE FROM shared_brew WHERE NOT EXISTS (SELECT 1 FROM temp.there t WHERE"
                         " t.id = shared_brew.id AND t.name = shared_brew.name); DROP TABLE temp.there",
                         why);
    here = number_here(to->here, "SELECT count(*) FROM shared_brew");
    if (!error && here < there)
        why_write(&to->record->remark, "%s: %lld of %lld brews there make no sense, and are left out",
                  to->record->address, (long long)(there - here), (long long)there);
    return error;
}

/* ---- plans, tastings, checks ---- */

static int take_others(struct fetching *to, struct why *why)
{
    static const char *const take[] = {
        "INSERT INTO experiment (name, title, definition) SELECT key, body ->> '$.title', body ->> '$.definition' FROM"
        " temp.others WHERE kind = 'experiment' ORDER BY stamp ON CONFLICT (name) DO UPDATE SET"
        " title = coalesce(excluded.title, title), definition = coalesce(excluded.definition, definition)",
        "INSERT OR IGNORE INTO tasting_session (name, text, seal, lock, ratchet) SELECT key, body ->> '$.text',"
        " body ->> '$.seal', body ->> '$.lock', body ->> '$.ratchet' FROM temp.others WHERE kind = 'tasting' AND"
        " body ->> '$.lock' IS NOT NULL ORDER BY stamp",
        "UPDATE tasting_session SET ratchet = (SELECT body ->> '$.ratchet' FROM temp.others o WHERE"
        " o.kind = 'tasting' AND o.key = tasting_session.name AND o.body ->> '$.seal' = tasting_session.seal) WHERE name IN"
        " (SELECT key FROM temp.others o WHERE kind = 'tasting' AND o.body ->> '$.seal' = tasting_session.seal AND"
        " o.body ->> '$.lock' IS NOT NULL)",
        "INSERT OR IGNORE INTO tasting_entry (session, number, time_us, kind, who, tasting_set, answer, sure, text, hash,"
        " proof) SELECT o.key, value ->> 0, value ->> 1, value ->> 2, value ->> 3, value ->> 4, value ->> 5, value ->> 6,"
        " value ->> 7, value ->> 8, value ->> 9 FROM temp.others o JOIN tasting_session s ON s.name = o.key AND"
        " s.seal = o.body ->> '$.seal' JOIN json_each(o.body, '$.entry') WHERE o.kind = 'tasting'",
        "INSERT OR REPLACE INTO instrument_check (bench_id, seq, time_us, instrument, kind, value, reference, brew_id,"
        " vessel) SELECT h.bench_id, value ->> 0, value ->> 1, value ->> 2, value ->> 3, value ->> 4, value ->> 5,"
        " (SELECT brew_id FROM shared_brew k WHERE k.id = h.id AND k.name = value ->> 6), value ->> 7 FROM temp.others o"
        " JOIN shared_bench h ON o.key GLOB h.id || ' ' || h.name || ' *' JOIN json_each(o.body) WHERE o.kind = 'checks'"
        " AND value ->> 4 IS NOT NULL",
        "INSERT OR REPLACE INTO instrument_alarm (bench_id, seq, time_us, instrument, kind, since_us, change, once, brews)"
        " SELECT h.bench_id, value ->> 0, value ->> 1, value ->> 2, value ->> 3, value ->> 4, value ->> 5, value ->> 6,"
        " value ->> 7 FROM temp.others o JOIN shared_bench h ON o.key GLOB h.id || ' ' || h.name || ' *' JOIN"
        " json_each(o.body) WHERE o.kind = 'alarms' AND value ->> 5 IS NOT NULL",
    };
    static const char select[] = "SELECT o.kind, o.key, o.body, o.stamp FROM poise.other o JOIN unnest($1::text[],"
                                 " $2::bigint[]) n (store_id, stamp) ON o.store_id = n.store_id AND o.stamp > n.stamp";
    static const char list[] = "SELECT '{' || coalesce(group_concat(store_id), '') || '}', '{' ||"
                               " coalesce(group_concat(known), '') || '}' FROM temp.news";
    sqlite3_stmt *row = NULL;
    PGresult *rows = NULL;
    int error = run_here(to->here,
                         "CREATE TEMP TABLE IF NOT EXISTS others (kind TEXT, key TEXT, body TEXT, stamp INTEGER);"
                         "DELETE FROM temp.others",
                         why);

    if (error)
        return error;
    if (sqlite3_prepare_v2(to->here, list, -1, &row, NULL) != SQLITE_OK || sqlite3_step(row) != SQLITE_ROW) {
        error = here_failed(to->here, why);
    } else {
        const char *const values[] = { (const char *)sqlite3_column_text(row, 0),
                                       (const char *)sqlite3_column_text(row, 1) };

        error = record_run(to->record, select, 2, values, &rows, why);
    }
    sqlite3_finalize(row);
    if (!error)
        error = insert_rows(to->here, rows, "INSERT INTO temp.others VALUES (?1, ?2, ?3, ?4)", why);
    PQclear(rows);
    for (size_t i = 0; i < sizeof take / sizeof *take && !error; i++)
        error = run_here(to->here, take[i], why);
    return error;
}

/* ---- all of it ---- */

/* The stores that have sent something since, with the stamp up to which it is here; theirs is noted for the end. */
static int find_news(struct fetching *to, struct why *why)
{
    int error = run_here(to->here,
                         "CREATE TEMP TABLE IF NOT EXISTS news (store_id TEXT, stamp INTEGER, known INTEGER);"
                         "DELETE FROM temp.news",
                         why);

    if (!error)
        error =
            copy_rows(to, "SELECT store_id, stamp FROM poise.store", "INSERT INTO temp.news VALUES (?1, ?2, 0)", why);
    if (!error)
        error = run_here(to->here,
                         "UPDATE temp.news SET known = coalesce((SELECT s.stamp FROM shared_store s WHERE"
                         " s.store_id = news.store_id), 0); DELETE FROM temp.news WHERE known = stamp",
                         why);
    return error;
}

/* A record that came back from a backup has stamps below ours; what it lost is sent again with later ones, but what is
 * here must not stay meanwhile. */
static int forget_if_older(struct fetching *to, struct why *why)
{
    int64_t older = number_here(to->here, "SELECT EXISTS (SELECT 1 FROM temp.news WHERE stamp < known)");

    if (older < 0)
        return here_failed(to->here, why);
    if (!older)
        return 0;
    return run_here(to->here, forget_all, why);
}

static int fetch(struct fetching *to, struct why *why)
{
    int error;

    if ((error = find_news(to, why)) != 0 || (error = forget_if_older(to, why)) != 0
        || (error = take_benches(to, why)) != 0 || (error = find_news(to, why)) != 0)
        return error;
    if ((error = to->choice->traces ? take_chosen(to, why) : take_news(to, why)) != 0)
        return error;
    if (!to->choice->traces && (error = drop_missing(to, why)) != 0)
        return error;
    if ((error = take_others(to, why)) != 0)
        return error;
    return run_here(to->here, "INSERT OR REPLACE INTO shared_store SELECT store_id, stamp FROM temp.news", why);
}

int record_fetch(struct record *record, sqlite3 *here, const struct fetch_choice *choice, struct why *why)
{
    struct fetching to = { .record = record, .here = here, .choice = choice, .why = why };
    int64_t count;
    int error = run_here(here, record_fetch_tables, why);

    for (int i = 0; i < HERE_COUNT && !error; i++)
        if (sqlite3_prepare_v2(here, statements_here[i], -1, &to.statement[i], NULL) != SQLITE_OK)
            error = here_failed(here, why);
    if (!error)
        error = brew_reader_open(&to.reader, here, why);
    if (!error)
        error = record_run(record, "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY", 0, NULL, NULL, why);
    if (!error) {
        error = fetch(&to, why);
        PQclear(PQexec(record->connection, "ROLLBACK"));
    }
    for (int i = 0; i < HERE_COUNT; i++)
        sqlite3_finalize(to.statement[i]);
    brew_reader_close(to.reader);
    count = error || !choice->traces ? 0 : number_here(here, "SELECT count(*) FROM brew");
    return error ? error : count > INT_MAX ? INT_MAX : (int)count;
}

int record_take_home(struct record *record, const char *path, const char *bench, const char *experiment,
                     struct why *why)
{
    struct fetch_choice choice = { .bench = bench, .experiment = experiment, .traces = true };
    struct store *store;
    sqlite3 *here;
    int count, error;

    if (access(path, F_OK) == 0)
        return why_set(why, -EEXIST, "%s: is there already; it is not written over", path);
    if ((error = store_open(&store, path, STORE_WRITE, why)) != 0)
        return error;
    here = store_database(store);
    count = run_here(here, "BEGIN", why);
    if (count == 0)
        count = record_fetch(record, here, &choice, why);
    if (count >= 0)
        error = run_here(here, "DROP TABLE shared_store; DROP TABLE shared_bench; DROP TABLE shared_brew; COMMIT", why);
    if (error)
        count = error;
    store_close(store);
    if (count < 0)
        unlink(path); /* half a record would pass for a whole one */
    return count;
}
