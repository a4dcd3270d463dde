/* From the store here to the shared record: whole brews, each time one of them changed, in one transaction with how far
 * that has come.  So nothing is there twice and nothing is missing, whenever either side is killed.
 *
 * A brew is sent when it is over; what is still under way is the bus's to show. */
#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "poise/text.h"
#include "poise/trace_block.h"
#include "share.h"

/* One table: the columns there, and the SELECT here that gives them of one brew (?1). */
static const struct {
    const char *name, *columns, *select;
} parts[] = {
    { "brew",
      "brew_id, name, bench, station, boot_id, begin_seq, began_us, began_mono_us, outcome_seq, ended_us,"
      " ended_mono_us, discarded, reason, experiment, run, replicate, factors, recipe, tolerances, plan_kept",
      "SELECT b.brew_id, b.name, h.name, b.station, b.boot_id, b.begin_seq, b.began_us, b.began_mono_us,"
      " b.outcome_seq, b.ended_us, b.ended_mono_us, b.discarded, b.reason, e.name, b.run, b.replicate, b.factors,"
      " b.recipe, b.tolerances, b.plan_kept FROM brew b JOIN bench h USING (bench_id)"
      " LEFT JOIN experiment e USING (experiment_id) WHERE b.brew_id = ?1" },
    { "stage", "brew_id, seq, stage, boot_id, at_us, at_mono_us, uncertainty_us, made_by",
      "SELECT brew_id, seq, stage, boot_id, at_us, at_mono_us, uncertainty_us, made_by FROM stage WHERE brew_id = ?1" },
    { "measure", "brew_id, measure, seq, value, standard_uncertainty, above, made_by, time_us",
      "SELECT brew_id, measure, seq, value, standard_uncertainty, above, made_by, time_us FROM measure"
      " WHERE brew_id = ?1" },
    { "strength_budget", "brew_id, seq, part, standard_uncertainty, freedom",
      "SELECT brew_id, seq, part, standard_uncertainty, freedom FROM strength_budget WHERE brew_id = ?1" },
    { "strength_reading",
      "brew_id, reading_seq, time_us, instrument_id, boot_id, mono_us, value, decimals, stable, status, seq,"
      " assigned_us, made_by, filtered, sample_c",
      "SELECT a.brew_id, r.seq, r.time_us, r.instrument_id, r.boot_id, r.mono_us, r.value, r.decimals, r.stable,"
      " r.status, a.seq, a.time_us, a.made_by, a.filtered, a.sample_c FROM assignment a JOIN reading r ON"
      " r.bench_id = a.bench_id AND r.seq = a.reading_seq WHERE a.brew_id = ?1 AND NOT EXISTS (SELECT 1 FROM"
      " assignment l WHERE l.bench_id = a.bench_id AND l.reading_seq = a.reading_seq AND l.seq > a.seq)" },
    { "note", "brew_id, seq, time_us, text", "SELECT brew_id, seq, time_us, text FROM note WHERE brew_id = ?1" },
    { "warning", "brew_id, seq, time_us, station, warning, detail",
      "SELECT brew_id, seq, time_us, station, warning, detail FROM warning WHERE brew_id = ?1" },
};
enum { PARTS = sizeof parts / sizeof *parts };

/* What belongs to the store and not to a brew; few rows, so all of them. */
static const struct {
    const char *name, *columns, *select, *conflict;
} others[] = {
    { "instrument", "instrument_id, bench, name, quantity, unit, weighs",
      "SELECT i.instrument_id, h.name, i.name, i.quantity, i.unit, i.weighs FROM instrument i JOIN bench h USING"
      " (bench_id)",
      "(store_id, instrument_id) DO UPDATE SET weighs = excluded.weighs" },
    { "boot", "boot_id, name", "SELECT boot_id, name FROM boot", "(store_id, boot_id) DO NOTHING" },
    { "experiment", "name, title, definition", "SELECT name, title, definition FROM experiment",
      "(store_id, name) DO UPDATE SET title = excluded.title, definition = excluded.definition" },
};
enum { OTHERS = sizeof others / sizeof *others };

/* The brews of one transaction. */
struct batch {
    int64_t brew[BATCH_BREWS];
    int count;
    int64_t position; /* behind them */
};

static int here_failed(const struct local *local, struct why *why)
{
    return why_set(why, -EIO, "%s: %s", sqlite3_db_filename(store_database(local->store), "main"),
                   sqlite3_errmsg(store_database(local->store)));
}

/* ---- rows as COPY takes them ---- */

/* COPY's text format: a backslash before what would end a field or a row. */
static void add_escaped(struct text *out, const char *word)
{
    for (; *word; word++) {
        static const char special[] = "\\\t\n\r\b\f\v", letter[] = "\\tnrbfv";
        const char *found = strchr(special, *word);

        if (found) {
            text_add(out, "\\", 1);
            text_add(out, &letter[found - special], 1);
        } else {
            text_add(out, word, 1);
        }
    }
}

static void add_row(struct text *out, const struct local *local, sqlite3_stmt *row)
{
    text_print(out, "%s", local->id);
    for (int column = 0; column < sqlite3_column_count(row); column++) {
        text_add(out, "\t", 1);
        switch (sqlite3_column_type(row, column)) {
        case SQLITE_NULL:
            text_add(out, "\\N", 2);
            break;
        case SQLITE_INTEGER:
            text_print(out, "%lld", sqlite3_column_int64(row, column));
            break;
        case SQLITE_FLOAT:
            text_print(out, "%.17g", sqlite3_column_double(row, column));
            break;
        default:
            add_escaped(out, (const char *)sqlite3_column_text(row, column));
        }
    }
    text_add(out, "\n", 1);
}

/* All rows of a statement; it is reset. */
static int add_rows(struct text *out, const struct local *local, sqlite3_stmt *statement, struct why *why)
{
    int code;

    while ((code = sqlite3_step(statement)) == SQLITE_ROW)
        add_row(out, local, statement);
    sqlite3_reset(statement);
    if (code != SQLITE_DONE)
        return here_failed(local, why);
    return out->failed ? why_set(why, -ENOMEM, "not enough memory") : 0;
}

static int prepare(const struct local *local, const char *sql, sqlite3_stmt **out, struct why *why)
{
    return sqlite3_prepare_v2(store_database(local->store), sql, -1, out, NULL) == SQLITE_OK ? 0
                                                                                             : here_failed(local, why);
}

/* ---- there ---- */

/* COPY does not go through row-level security; an INSERT out of a table of this session does. */
static int put(struct remote *remote, const char *name, const char *columns, const char *conflict,
               const struct text *rows, struct why *why)
{
    char sql[1024];
    int error;

    if (!rows->length)
        return 0;
    snprintf(sql, sizeof sql, "CREATE TEMP TABLE IF NOT EXISTS sent_%s (LIKE poise.%s) ON COMMIT DELETE ROWS", name,
             name);
    if ((error = remote_run(remote, sql, 0, NULL, NULL, why)) != 0)
        return error;
    snprintf(sql, sizeof sql, "COPY pg_temp.sent_%s (store_id, %s) FROM STDIN", name, columns);
    if ((error = remote_copy_begin(remote, sql, why)) != 0)
        return error;
    error = remote_copy_text(remote, rows->data, rows->length, why);
    if (error)
        return error;
    if ((error = remote_copy_end(remote, why)) != 0)
        return error;
    snprintf(sql, sizeof sql, "INSERT INTO poise.%s (store_id, %s) SELECT store_id, %s FROM pg_temp.sent_%s%s%s", name,
             columns, columns, name, conflict ? " ON CONFLICT " : "", conflict ? conflict : "");
    return remote_run(remote, sql, 0, NULL, NULL, why);
}

static int put_others(struct remote *remote, const struct local *local, struct why *why)
{
    int error = 0;

    for (int i = 0; i < OTHERS && !error; i++) {
        struct text rows = { 0 };
        sqlite3_stmt *statement = NULL;

        error = prepare(local, others[i].select, &statement, why);
        if (!error)
            error = add_rows(&rows, local, statement, why);
        if (!error)
            error = put(remote, others[i].name, others[i].columns, others[i].conflict, &rows, why);
        sqlite3_finalize(statement);
        text_free(&rows);
    }
    return error;
}

/* The brews' numbers as an array of PostgreSQL's. */
static void list_brews(const struct batch *batch, char *out, size_t size)
{
    size_t length = 0;

    for (int i = 0; i < batch->count; i++)
        length += (size_t)snprintf(out + length, size - length, "%s%" PRId64, i ? "," : "{", batch->brew[i]);
    snprintf(out + length, size - length, "}");
}

static int drop_earlier(struct remote *remote, const struct local *local, const struct batch *batch, struct why *why)
{
    char list[BATCH_BREWS * 22 + 2], sql[128];
    const char *const values[] = { local->id, list };
    int error = 0;

    list_brews(batch, list, sizeof list);
    for (int i = 0; i <= PARTS && !error; i++) {
        snprintf(sql, sizeof sql, "DELETE FROM poise.%s WHERE store_id = $1 AND brew_id = ANY ($2::bigint[])",
                 i < PARTS ? parts[i].name : "trace");
        error = remote_run(remote, sql, 2, values, NULL, why);
    }
    return error;
}

static int put_parts(struct remote *remote, const struct local *local, const struct batch *batch, struct why *why)
{
    int error = 0;

    for (int i = 0; i < PARTS && !error; i++) {
        struct text rows = { 0 };
        sqlite3_stmt *statement = NULL;

        error = prepare(local, parts[i].select, &statement, why);
        for (int k = 0; k < batch->count && !error; k++) {
            sqlite3_bind_int64(statement, 1, batch->brew[k]);
            error = add_rows(&rows, local, statement, why);
        }
        if (!error)
            error = put(remote, parts[i].name, parts[i].columns, NULL, &rows, why);
        sqlite3_finalize(statement);
        text_free(&rows);
    }
    return error;
}

/* ---- traces ---- */

struct samples {
    struct trace_sample *all;
    size_t count, size;
};

static bool sample_add(struct samples *samples, sqlite3_stmt *row)
{
    struct trace_sample *sample;
    int status = 0;

    if (samples->count == samples->size) {
        size_t size = samples->size ? 2 * samples->size : 1024;
        struct trace_sample *all = realloc(samples->all, size * sizeof *all);

        if (!all)
            return false;
        samples->all = all;
        samples->size = size;
    }
    sample = &samples->all[samples->count++];
    *sample = (struct trace_sample){ .seq = (uint64_t)sqlite3_column_int64(row, 0),
                                     .instrument = sqlite3_column_int64(row, 1),
                                     .boot = sqlite3_column_int64(row, 2),
                                     .time_us = sqlite3_column_int64(row, 3),
                                     .mono_us = sqlite3_column_int64(row, 4),
                                     .status = READING_FAULT,
                                     .stable = -1 };
    if (sqlite3_column_type(row, 7) != SQLITE_NULL)
        sample->stable = sqlite3_column_int(row, 7) != 0;
    for (status = READING_OK; status <= READING_FAULT; status++)
        if (strcmp(reading_status_name((enum reading_status)status), (const char *)sqlite3_column_text(row, 8)) == 0)
            sample->status = (enum reading_status)status;
    if (sample->status == READING_OK) {
        int decimals = sqlite3_column_int(row, 6);

        decimals = decimals < 0 ? 0 : decimals > 18 ? 18 : decimals;
        sample->value.exponent = -decimals;
        sample->value.mantissa = llround(sqlite3_column_double(row, 5) * pow(10, decimals));
    }
    return true;
}

static int add_trace(struct text *out, const struct local *local, int64_t brew, const struct samples *samples,
                     struct why *why)
{
    unsigned char *block = malloc(trace_block_most(samples->count));
    size_t length;

    if (!block)
        return why_set(why, -ENOMEM, "not enough memory");
    length = trace_block_write(samples->all, samples->count, block);
    text_print(out, "%s\t%" PRId64 "\t%zu\t\\\\x", local->id, brew, samples->count);
    for (size_t i = 0; i < length; i++) {
        static const char digits[] = "0123456789abcdef";
        const char pair[2] = { digits[block[i] >> 4], digits[block[i] & 15] };

        text_add(out, pair, 2);
    }
    text_add(out, "\n", 1);
    free(block);
    return out->failed ? why_set(why, -ENOMEM, "not enough memory") : 0;
}

static int put_traces(struct remote *remote, const struct local *local, const struct batch *batch, struct why *why)
{
    struct samples samples = { 0 };
    struct text rows = { 0 };
    sqlite3_stmt *statement = NULL;
    int error = prepare(local,
                        "SELECT seq, instrument_id, boot_id, time_us, mono_us, value, decimals, stable, status FROM"
                        " trace WHERE brew_id = ?1 ORDER BY seq",
                        &statement, why);

    for (int i = 0; i < batch->count && !error; i++) {
        int code;

        samples.count = 0;
        sqlite3_bind_int64(statement, 1, batch->brew[i]);
        while ((code = sqlite3_step(statement)) == SQLITE_ROW && samples.count < TRACE_SAMPLES_MOST && !error)
            if (!sample_add(&samples, statement))
                error = why_set(why, -ENOMEM, "not enough memory");
        sqlite3_reset(statement);
        if (!error && code != SQLITE_DONE)
            error = here_failed(local, why);
        if (!error && samples.count)
            error = add_trace(&rows, local, batch->brew[i], &samples, why);
    }
    if (!error)
        error = put(remote, "trace", "brew_id, samples, block", NULL, &rows, why);
    sqlite3_finalize(statement);
    text_free(&rows);
    free(samples.all);
    return error;
}

/* ---- one transaction ---- */

/* How far it has come there; the row is held until the end of the transaction. */
static int position_there(struct remote *remote, const struct local *local, int64_t *position, struct why *why)
{
    const char *const values[] = { local->id };
    PGresult *rows;
    int error =
        remote_run(remote, "SELECT position FROM poise.store WHERE store_id = $1 FOR UPDATE", 1, values, &rows, why);

    if (error)
        return error;
    if (PQntuples(rows) != 1)
        error = why_set(why, -EACCES, "%s: this store is registered there by another user", remote->address);
    else
        *position = strtoll(PQgetvalue(rows, 0, 0), NULL, 10);
    PQclear(rows);
    return error;
}

static int choose(const struct local *local, int64_t after, struct batch *batch, struct why *why)
{
    sqlite3_stmt *statement = NULL;
    int code = SQLITE_DONE;
    int error = prepare(local,
                        "SELECT brew_id, changed FROM brew WHERE changed > ?1 AND (ended_us IS NOT NULL OR discarded)"
                        " ORDER BY changed LIMIT ?2",
                        &statement, why);

    batch->count = 0;
    batch->position = after;
    if (error)
        return error;
    sqlite3_bind_int64(statement, 1, after);
    sqlite3_bind_int(statement, 2, BATCH_BREWS);
    while (batch->count < BATCH_BREWS && (code = sqlite3_step(statement)) == SQLITE_ROW) {
        batch->brew[batch->count++] = sqlite3_column_int64(statement, 0);
        batch->position = sqlite3_column_int64(statement, 1);
    }
    sqlite3_finalize(statement);
    return code == SQLITE_ROW || code == SQLITE_DONE ? batch->count : here_failed(local, why);
}

static int put_position(struct remote *remote, const struct local *local, int64_t position, struct why *why)
{
    char number[24];
    const char *const values[] = { local->id, number };

    snprintf(number, sizeof number, "%" PRId64, position);
    return remote_run(remote, "UPDATE poise.store SET position = $2, heard = now() WHERE store_id = $1", 2, values,
                      NULL, why);
}

/* Inside both transactions. */
static int send_batch(struct remote *remote, const struct local *local, struct why *why)
{
    struct batch batch;
    int64_t position = 0;
    int count, error = position_there(remote, local, &position, why);

    if (error)
        return error;
    if ((count = choose(local, position, &batch, why)) <= 0)
        return count;
    if ((error = put_others(remote, local, why)) != 0 || (error = drop_earlier(remote, local, &batch, why)) != 0
        || (error = put_parts(remote, local, &batch, why)) != 0 || (error = put_traces(remote, local, &batch, why)) != 0
        || (error = put_position(remote, local, batch.position, why)) != 0)
        return error;
    return count;
}

int send_next(struct remote *remote, const struct local *local, struct why *why)
{
    sqlite3 *here = store_database(local->store);
    int count, error = remote_run(remote, "BEGIN", 0, NULL, NULL, why);

    if (error)
        return error;
    if (sqlite3_exec(here, "BEGIN", NULL, NULL, NULL) != SQLITE_OK) /* one picture of the store */
        count = here_failed(local, why);
    else
        count = send_batch(remote, local, why);
    sqlite3_exec(here, "ROLLBACK", NULL, NULL, NULL); /* only read */
    if (count >= 0 && (error = remote_run(remote, "COMMIT", 0, NULL, NULL, why)) == 0)
        return count;
    if (count < 0)
        PQclear(PQexec(remote->connection, "ROLLBACK"));
    return count < 0 ? count : error;
}

int send_begin(struct remote *remote, const struct local *local, struct why *why)
{
    const char *const values[] = { local->id };
    PGresult *rows;
    int error = remote_run(remote, "SELECT pg_try_advisory_lock(hashtextextended($1, 0))", 1, values, &rows, why);

    if (error)
        return error;
    if (*PQgetvalue(rows, 0, 0) != 't')
        error = why_set(why, -EBUSY, "%s: another poise-share sends this store just now", remote->address);
    PQclear(rows);
    if (error)
        return error;
    return remote_run(remote, "INSERT INTO poise.store (store_id) VALUES ($1) ON CONFLICT DO NOTHING", 1, values, NULL,
                      why);
}

int send_again(struct remote *remote, const struct local *local, struct why *why)
{
    return put_position(remote, local, 0, why);
}
