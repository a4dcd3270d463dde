/* From the shared record into a store of one's own: so everything that reads a store (poise-report above all) reads
 * what many benches brewed, also where there is no network.
 *
 * Rows get new numbers: a store's own numbers begin at a multiple of 2^40.  Where two stores have a bench or a brew
 * of one name, the one that was registered later gets another: names are a person's, the store's id is not. */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "poise/text.h"
#include "poise/trace_block.h"
#include "share.h"

/* What is taken, and under which numbers and names; $1 bench and $2 experiment, empty for all.  For this session. */
static const char *const choosing[] = {
    "CREATE TEMP TABLE home_store AS SELECT store_id, begun, (row_number() OVER (ORDER BY begun, store_id) - 1) << 40"
    " AS base FROM poise.store",
    "CREATE TEMP TABLE home_boot AS SELECT store_id, boot_id, name, min(base + boot_id) OVER (PARTITION BY name) AS here"
    " FROM poise.boot JOIN home_store USING (store_id)",
    "CREATE TEMP TABLE home_bench AS SELECT store_id, bench, row_number() OVER (ORDER BY begun, store_id, bench) AS here,"
    " CASE WHEN row_number() OVER (PARTITION BY bench ORDER BY begun, store_id) = 1 THEN bench"
    " ELSE left(bench, 27) || '-' || left(store_id, 4) END AS name"
    " FROM (SELECT DISTINCT store_id, bench FROM poise.brew) d JOIN home_store USING (store_id)",
    "CREATE TEMP TABLE home_experiment AS SELECT name, row_number() OVER (ORDER BY name) AS here, max(title) AS title,"
    " max(definition) AS definition FROM poise.experiment GROUP BY name",
};
static const char choosing_brews[] =
    "CREATE TEMP TABLE home_brew AS SELECT store_id, brew_id, base + brew_id AS here,"
    " CASE WHEN n = 1 THEN name ELSE regexp_replace(name, '[0-9]+$', '') ||"
    " to_char(substring(name FROM '[0-9]+$')::bigint + 1000 * (n - 1), 'FM9999999999000') END AS name"
    " FROM (SELECT b.store_id, b.brew_id, base, b.name, row_number() OVER (PARTITION BY b.name ORDER BY begun,"
    " b.store_id) AS n, b.bench, b.experiment FROM poise.brew b JOIN home_store USING (store_id)) k";

/* Columns of the SELECT are the parameters of the INSERT, in their order. */
#define CHOSEN(table) " FROM poise." table " t JOIN home_brew k USING (store_id, brew_id)"
#define BOOTED(table) CHOSEN(table) " JOIN home_boot o USING (store_id, boot_id)"
static const struct {
    const char *select, *insert;
} taken[] = {
    { "SELECT here, name FROM home_bench", "INSERT INTO bench (bench_id, name) VALUES (?1, ?2)" },
    { "SELECT DISTINCT here, name FROM home_boot", "INSERT INTO boot (boot_id, name) VALUES (?1, ?2)" },
    { "SELECT here, name, title, definition FROM home_experiment",
      "INSERT INTO experiment (experiment_id, name, title, definition) VALUES (?1, ?2, ?3, ?4)" },
    { "SELECT base + i.instrument_id, h.here, i.name, i.quantity, i.unit, i.weighs FROM poise.instrument i"
      " JOIN home_store USING (store_id) JOIN home_bench h USING (store_id, bench)",
      "INSERT INTO instrument (instrument_id, bench_id, name, quantity, unit, weighs) VALUES (?1, ?2, ?3, ?4, ?5, ?6)" },
    { "SELECT k.here, k.name, h.here, t.station, o.here, begin_seq, began_us, began_mono_us, outcome_seq, ended_us,"
      " ended_mono_us, discarded::integer, reason, e.here, run, replicate, factors, recipe, tolerances, plan_kept,"
      " k.here" CHOSEN(
          "brew") " JOIN home_bench h USING (store_id, bench) LEFT JOIN home_boot o ON o.store_id ="
                  " t.store_id AND o.boot_id = t.boot_id LEFT JOIN home_experiment e ON e.name = t.experiment",
      "INSERT INTO brew (brew_id, name, bench_id, station, boot_id, begin_seq, began_us, began_mono_us, outcome_seq,"
      " ended_us, ended_mono_us, discarded, reason, experiment_id, run, replicate, factors, recipe, tolerances,"
      " plan_kept, changed) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18,"
      " ?19, ?20, ?21)" },
    { "SELECT k.here, seq, stage, o.here, at_us, at_mono_us, uncertainty_us, made_by" BOOTED("stage"),
      "INSERT INTO stage (brew_id, seq, stage, boot_id, at_us, at_mono_us, uncertainty_us, made_by) VALUES (?1, ?2, ?3,"
      " ?4, ?5, ?6, ?7, ?8)" },
    { "SELECT k.here, measure, seq, value, standard_uncertainty, above::integer, made_by, time_us" CHOSEN("measure"),
      "INSERT INTO measure (brew_id, measure, seq, value, standard_uncertainty, above, made_by, time_us) VALUES (?1, ?2,"
      " ?3, ?4, ?5, ?6, ?7, ?8)" },
    { "SELECT k.here, seq, part, standard_uncertainty, freedom" CHOSEN("strength_budget"),
      "INSERT INTO strength_budget (brew_id, seq, part, standard_uncertainty, freedom) VALUES (?1, ?2, ?3, ?4, ?5)" },
    { "SELECT k.here, seq, time_us, text" CHOSEN("note"),
      "INSERT INTO note (brew_id, seq, time_us, text) VALUES (?1, ?2, ?3, ?4)" },
    { "SELECT k.here, seq, time_us, station, warning, detail" CHOSEN("warning"),
      "INSERT INTO warning (brew_id, bench_id, seq, time_us, station, warning, detail) SELECT ?1, bench_id, ?2, ?3, ?4,"
      " ?5, ?6 FROM brew WHERE brew_id = ?1" },
    { "SELECT h.here, reading_seq, t.time_us, base + t.instrument_id, o.here, mono_us, value, decimals, stable, status" BOOTED(
          "strength_reading") " JOIN home_store USING (store_id) JOIN poise.brew b USING (store_id, brew_id)"
                              " JOIN home_bench h USING (store_id, bench)",
      "INSERT OR IGNORE INTO reading (bench_id, seq, time_us, instrument_id, boot_id, mono_us, value, decimals, stable,"
      " status) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)" },
    { "SELECT k.here, reading_seq, seq, assigned_us, made_by, filtered, sample_c" CHOSEN("strength_reading"),
      "INSERT OR IGNORE INTO assignment (brew_id, bench_id, reading_seq, seq, time_us, made_by, filtered, sample_c)"
      " SELECT ?1, bench_id, ?2, ?3, ?4, ?5, ?6, ?7 FROM brew WHERE brew_id = ?1" },
};

static int here_failed(sqlite3 *here, const char *path, struct why *why)
{
    return why_set(why, -EIO, "%s: %s", path, sqlite3_errmsg(here));
}

/* Every row of a result as one INSERT. */
static int insert_rows(sqlite3 *here, const char *path, const PGresult *rows, const char *insert, struct why *why)
{
    sqlite3_stmt *statement = NULL;
    int code = sqlite3_prepare_v2(here, insert, -1, &statement, NULL);

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
    return code == SQLITE_OK ? 0 : here_failed(here, path, why);
}

/* ---- traces ---- */

struct trace_here {
    sqlite3_stmt *insert;
    int64_t brew, base;
    const PGresult *boots; /* boot_id there, and here */
};

static int64_t boot_here(const PGresult *boots, int64_t there)
{
    for (int row = 0; row < PQntuples(boots); row++)
        if (strtoll(PQgetvalue(boots, row, 0), NULL, 10) == there)
            return strtoll(PQgetvalue(boots, row, 1), NULL, 10);
    return there;
}

static int insert_sample(void *context, const struct trace_sample *sample)
{
    struct trace_here *to = context;

    sqlite3_bind_int64(to->insert, 1, to->brew);
    sqlite3_bind_int64(to->insert, 2, (int64_t)sample->seq);
    sqlite3_bind_int64(to->insert, 3, to->base + sample->instrument);
    sqlite3_bind_int64(to->insert, 4, boot_here(to->boots, sample->boot));
    sqlite3_bind_int64(to->insert, 5, sample->time_us);
    sqlite3_bind_int64(to->insert, 6, sample->mono_us);
    if (sample->status == READING_OK) {
        sqlite3_bind_double(to->insert, 7, decimal_to_double(sample->value));
        sqlite3_bind_int(to->insert, 8, -sample->value.exponent);
    } else {
        sqlite3_bind_null(to->insert, 7);
        sqlite3_bind_null(to->insert, 8);
    }
    if (sample->stable >= 0)
        sqlite3_bind_int(to->insert, 9, sample->stable);
    else
        sqlite3_bind_null(to->insert, 9);
    sqlite3_bind_text(to->insert, 10, reading_status_name(sample->status), -1, SQLITE_STATIC);
    return sqlite3_step(to->insert) == SQLITE_DONE && sqlite3_reset(to->insert) == SQLITE_OK ? 0 : -EIO;
}

static int take_trace(struct remote *remote, struct trace_here *to, const char *store, const char *brew,
                      const char *path, struct why *why)
{
    const char *const values[] = { store, brew };
    PGresult *rows;
    unsigned char *block = NULL;
    size_t length = 0;
    int error =
        remote_run(remote, "SELECT block FROM poise.trace WHERE store_id = $1 AND brew_id = $2", 2, values, &rows, why);

    if (error)
        return error;
    if (PQntuples(rows) && !(block = PQunescapeBytea((unsigned char *)PQgetvalue(rows, 0, 0), &length)))
        error = why_set(why, -ENOMEM, "not enough memory");
    if (block)
        error = trace_block_read(block, length, insert_sample, to);
    if (error == -EBADMSG)
        error =
            why_set(why, error, "%s: the trace of brew %s of store %s is damaged there", remote->address, brew, store);
    else if (error == -EIO)
        here_failed(sqlite3_db_handle(to->insert), path, why);
    PQfreemem(block);
    PQclear(rows);
    return error;
}

static int take_traces(struct remote *remote, sqlite3 *here, const char *path, struct why *why)
{
    struct trace_here to = { 0 };
    PGresult *brews = NULL, *boots = NULL;
    int error = remote_run(remote,
                           "SELECT store_id, brew_id, k.here, base FROM home_brew k JOIN home_store USING"
                           " (store_id) ORDER BY store_id, brew_id",
                           0, NULL, &brews, why);

    if (!error
        && sqlite3_prepare_v2(here,
                              "INSERT INTO trace (brew_id, seq, instrument_id, boot_id, time_us, mono_us, value,"
                              " decimals, stable, status) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
                              -1, &to.insert, NULL)
               != SQLITE_OK)
        error = here_failed(here, path, why);
    for (int row = 0; !error && row < PQntuples(brews); row++) {
        const char *store = PQgetvalue(brews, row, 0);

        if (row == 0 || strcmp(store, PQgetvalue(brews, row - 1, 0)) != 0) {
            PQclear(boots);
            boots = NULL;
            error =
                remote_run(remote, "SELECT boot_id, here FROM home_boot WHERE store_id = $1", 1, &store, &boots, why);
        }
        to.boots = boots;
        to.brew = strtoll(PQgetvalue(brews, row, 2), NULL, 10);
        to.base = strtoll(PQgetvalue(brews, row, 3), NULL, 10);
        if (!error)
            error = take_trace(remote, &to, store, PQgetvalue(brews, row, 1), path, why);
    }
    sqlite3_finalize(to.insert);
    PQclear(boots);
    PQclear(brews);
    return error;
}

/* ---- all of it ---- */

static int choose(struct remote *remote, const struct home_choice *choice, struct why *why)
{
    const char *const values[] = { choice->bench ? choice->bench : "", choice->experiment ? choice->experiment : "" };
    char *bench = PQescapeLiteral(remote->connection, values[0], strlen(values[0]));
    char *experiment = PQescapeLiteral(remote->connection, values[1], strlen(values[1]));
    struct text sql = { 0 };
    int error = 0;

    for (size_t i = 0; i < sizeof choosing / sizeof *choosing && !error; i++)
        error = remote_run(remote, choosing[i], 0, NULL, NULL, why);
    /* a statement that makes a table takes no parameters */
    if (bench && experiment)
        text_print(&sql, "%s WHERE (%s = '' OR bench = %s) AND (%s = '' OR experiment = %s)", choosing_brews, bench,
                   bench, experiment, experiment);
    text_add(&sql, "", 1);
    if (!error)
        error = !bench || !experiment || sql.failed ? why_set(why, -ENOMEM, "not enough memory")
                                                    : remote_run(remote, sql.data, 0, NULL, NULL, why);
    text_free(&sql);
    PQfreemem(bench);
    PQfreemem(experiment);
    return error;
}

static int take_all(struct remote *remote, sqlite3 *here, const char *path, const struct home_choice *choice,
                    struct why *why)
{
    PGresult *rows = NULL;
    int count = 0, error = choose(remote, choice, why);

    for (size_t i = 0; i < sizeof taken / sizeof *taken && !error; i++) {
        if ((error = remote_run(remote, taken[i].select, 0, NULL, &rows, why)) != 0)
            break;
        error = insert_rows(here, path, rows, taken[i].insert, why);
        PQclear(rows);
    }
    if (!error)
        error = take_traces(remote, here, path, why);
    if (!error && (error = remote_run(remote, "SELECT count(*) FROM home_brew", 0, NULL, &rows, why)) == 0) {
        count = atoi(PQgetvalue(rows, 0, 0));
        PQclear(rows);
    }
    return error ? error : count;
}

int home_write(struct remote *remote, const char *path, const struct home_choice *choice, struct why *why)
{
    struct store *store;
    sqlite3 *here;
    int count, error;

    if (access(path, F_OK) == 0)
        return why_set(why, -EEXIST, "%s: is there already; it is not written over", path);
    if ((error = store_open(&store, path, STORE_WRITE, why)) != 0)
        return error;
    here = store_database(store);
    if ((error = remote_run(remote, "BEGIN ISOLATION LEVEL REPEATABLE READ", 0, NULL, NULL, why)) != 0)
        count = error;
    else if (sqlite3_exec(here, "BEGIN", NULL, NULL, NULL) != SQLITE_OK)
        count = here_failed(here, path, why);
    else
        count = take_all(remote, here, path, choice, why);
    if (count >= 0 && sqlite3_exec(here, "COMMIT", NULL, NULL, NULL) != SQLITE_OK)
        count = here_failed(here, path, why);
    store_close(store);
    PQclear(PQexec(remote->connection, "ROLLBACK"));
    if (count < 0)
        unlink(path); /* half a record would pass for a whole one */
    return count;
}
