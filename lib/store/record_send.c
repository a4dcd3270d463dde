/* From a store to the shared record: whole brews, each time one of them changed, in one transaction with how far that
 * has come.  So nothing is there twice and nothing is missing, whenever either side is killed.
 *
 * A brew is sent when it is over; what is still under way is the bus's to show. */
#include "record_parts.h"

#include <errno.h>
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>
#include <zlib.h>

#include "store_sql.h"

enum { BATCH_BREWS = 50 };

/* Who a bench is when it has not published an identity yet: by its store, so that it is one all the same. */
#define BENCH_KEY "coalesce(h.identity, substr(i.store, 1, 28) || printf('%04x', h.bench_id % 65536))"
#define STAND_IN "substr(i.store, 1, 28) || printf('%04x', h.bench_id % 65536)"

/* The row of a brew: text, in the order of the columns of `take`; the documents and the trace follow. */
static const char row_select[] =
    "SELECT b.brew_id, b.changed, " BENCH_KEY ","
    " coalesce(strftime('%Y%m', b.began_us / 1000000, 'unixepoch'), 0), b.name, h.name, b.station, o.name, b.begin_seq,"
    " b.began_us, b.began_mono_us, b.outcome_seq, b.ended_us, b.ended_mono_us, b.discarded, b.reason, e.name, b.run,"
    " b.replicate, b.factors, b.recipe, b.tolerances, b.plan_kept FROM brew b JOIN bench h USING (bench_id)"
    " JOIN identity i LEFT JOIN boot o ON o.boot_id = b.boot_id LEFT JOIN experiment e USING (experiment_id)"
    " WHERE b.changed > ?1 AND (b.ended_us IS NOT NULL OR b.discarded) ORDER BY b.changed LIMIT ?2";
enum { ROW_FIRST = 2, ROW_MONTH, ROW_NAME, ROW_COLUMNS = 23, TEXTS = ROW_COLUMNS - ROW_FIRST };

static const char take[] =
    "INSERT INTO poise.brew (bench_id, month, name, bench, station, boot, begin_seq, began_us, began_mono_us,"
    " outcome_seq, ended_us, ended_mono_us, discarded, reason, experiment, run, replicate, factors, recipe, tolerances,"
    " plan_kept, store_id, stamp, measures, parts, samples, trace) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11,"
    " $12, $13, $14, $15, $16, $17, $18, $19, $20, $21, $22, $23, $24, $25, $26, $27) ON CONFLICT (bench_id, month, name)"
    " DO UPDATE SET bench = excluded.bench, station = excluded.station, boot = excluded.boot,"
    " begin_seq = excluded.begin_seq, began_us = excluded.began_us, began_mono_us = excluded.began_mono_us,"
    " outcome_seq = excluded.outcome_seq, ended_us = excluded.ended_us, ended_mono_us = excluded.ended_mono_us,"
    " discarded = excluded.discarded, reason = excluded.reason, experiment = excluded.experiment, run = excluded.run,"
    " replicate = excluded.replicate, factors = excluded.factors, recipe = excluded.recipe,"
    " tolerances = excluded.tolerances, plan_kept = excluded.plan_kept, store_id = excluded.store_id,"
    " stamp = excluded.stamp, measures = excluded.measures, parts = excluded.parts, samples = excluded.samples,"
    " trace = excluded.trace";
enum { VALUES = 27 };

/* What belongs to no brew, one document each: its kind, its key, its text.  Of a tasting whose key is closed the open
 * text and the seal alone go: neither the lock nor an entry, from which the key might be guessed. */
#define REAL(column) "iif(abs(" column ") < 1e300, json(printf('%!.17g', " column ")), NULL)"
static const char others_select[] =
    "SELECT 'experiment', name, json_object('title', title, 'definition', definition) FROM experiment"
    " UNION ALL SELECT 'tasting', name, CASE WHEN EXISTS (SELECT 1 FROM tasting_entry e WHERE e.session = s.name AND"
    " e.kind = 'opened') THEN json_object('text', text, 'seal', seal, 'lock', lock, 'ratchet', ratchet, 'entry',"
    " json((SELECT json_group_array(json_array(number, time_us, kind, who, tasting_set, answer, sure, text, hash, proof))"
    " FROM (SELECT * FROM tasting_entry e WHERE e.session = s.name ORDER BY number))))"
    " ELSE json_object('text', text, 'seal', seal) END FROM tasting_session s"
    " UNION ALL SELECT 'checks', " BENCH_KEY " || ' ' || h.name || ' ' || c.time_us / 86400000000,"
    " json_group_array(json_array(c.seq, c.time_us, c.instrument, c.kind, " REAL("c.value") ", " REAL(
        "c.reference") ","
                       " b.name, c.vessel)) FROM instrument_check c JOIN bench h USING (bench_id) JOIN identity i LEFT JOIN brew b USING"
                       " (brew_id) GROUP BY 2"
                       " UNION ALL SELECT 'alarms', " BENCH_KEY
                       " || ' ' || h.name || ' all', json_group_array(json_array(a.seq, a.time_us,"
                       " a.instrument, a.kind, a.since_us, " REAL(
                           "a.change") ", a.once, a.brews)) FROM instrument_alarm a JOIN bench h USING"
                                       " (bench_id) JOIN identity i GROUP BY 2";

static int here_failed(struct store *store, struct why *why)
{
    return store_failed_at(store, "reading what is to be sent", why);
}

static int prepare(struct store *store, const char *sql, sqlite3_stmt **out, struct why *why)
{
    return sqlite3_prepare_v2(store_database(store), sql, -1, out, NULL) == SQLITE_OK ? 0 : here_failed(store, why);
}

/* ---- one brew ---- */

/* The server takes UTF-8 alone, and would refuse the whole batch for ever. */
static void clean(char *word)
{
    for (unsigned char *at = (unsigned char *)word; *at;) {
        int length = message_utf8_length(at);

        if (length == 0)
            *at = '?';
        at += length ? length : 1;
    }
}

/* Adds so many columns to the buffer, one text behind the other with its NUL; empty where they are NULL. */
static int take_texts(sqlite3_stmt *row, int first, int count, struct text *out, struct why *why)
{
    for (int column = first; column < first + count; column++) {
        const char *text = (const char *)sqlite3_column_text(row, column);
        size_t at = out->length;

        text_add(out, text ? text : "", text ? strlen(text) + 1 : 1);
        if (!out->failed)
            clean(out->data + at);
    }
    return out->failed ? why_set(why, -ENOMEM, "not enough memory") : 0;
}

struct sending {
    struct record *record;
    struct store *store;
    struct brew_writer *writer;
    struct text texts, measures, parts, trace;
    const char *stamp;
    int count; /* sent in this batch */
};

static int send_brew(struct sending *sending, sqlite3_stmt *row, struct why *why)
{
    int64_t brew = sqlite3_column_int64(row, 0);
    const char *value[VALUES];
    int length[VALUES] = { 0 }, format[VALUES] = { 0 };
    size_t samples;
    char number[24];
    int error;

    sending->texts.length = 0;
    error = take_texts(row, ROW_FIRST, TEXTS, &sending->texts, why);
    sending->measures.length = sending->parts.length = sending->trace.length = 0;
    if (error || (error = brew_write_measures(sending->writer, brew, &sending->measures, why)) != 0
        || (error = brew_write_trace(sending->writer, brew, &sending->trace, &samples, why)) != 0
        || (error = brew_write_parts(sending->writer, brew, &sending->parts, why)) != 0)
        return error;
    text_add(&sending->measures, "", 1);
    text_add(&sending->parts, "", 1);
    if (sending->measures.failed || sending->parts.failed)
        return why_set(why, -ENOMEM, "not enough memory");
    for (int column = 0, at = 0; column < TEXTS; column++) {
        const char *word = sending->texts.data + at;

        value[column] = sqlite3_column_type(row, ROW_FIRST + column) == SQLITE_NULL ? NULL : word;
        at += (int)strlen(word) + 1;
    }
    snprintf(number, sizeof number, "%zu", samples);
    value[TEXTS] = sending->record->store_id;
    value[TEXTS + 1] = sending->stamp;
    value[TEXTS + 2] = sending->measures.data;
    value[TEXTS + 3] = sending->parts.data;
    value[TEXTS + 4] = number;
    value[TEXTS + 5] = samples ? sending->trace.data : NULL;
    length[TEXTS + 5] = (int)sending->trace.length;
    format[TEXTS + 5] = 1;
    if (PQsendQueryPrepared(sending->record->connection, "take", VALUES, value, length, format, 0) != 1)
        return record_failed(sending->record, NULL, why);
    sending->count++;
    return 0;
}

/* Waits for the answers of a pipeline; the first failure counts. */
static int end_pipeline(struct record *record, int error, struct why *why)
{
    bool synced = PQpipelineSync(record->connection) == 1;

    if (!synced && !error)
        error = record_failed(record, NULL, why);
    while (synced) {
        PGresult *result = PQgetResult(record->connection);
        ExecStatusType status = PQresultStatus(result);

        if (!result) {
            if (PQstatus(record->connection) == CONNECTION_OK)
                continue; /* between two statements */
            error = error ? error : record_failed(record, NULL, why);
            break;
        }
        synced = status != PGRES_PIPELINE_SYNC;
        if (!error && (status == PGRES_FATAL_ERROR || status == PGRES_BAD_RESPONSE))
            error = record_failed(record, result, why);
        PQclear(result);
    }
    PQexitPipelineMode(record->connection);
    return error;
}

/* ---- months ---- */

/* Once for each: the tables of a month, which the record's owner has let us ask for. */
static int make_months(struct record *record, sqlite3_stmt *row, struct why *why)
{
    int error = 0, code;

    while (!error && (code = sqlite3_step(row)) == SQLITE_ROW) {
        const char *month = (const char *)sqlite3_column_text(row, ROW_MONTH);
        int number = sqlite3_column_int(row, ROW_MONTH);

        if (number == record->month || number == 0)
            continue;
        error = record_run(record, "SELECT poise.make_month($1::integer)", 1, &month, NULL, why);
        record->month = number;
    }
    sqlite3_reset(row);
    return error;
}

/* ---- benches ---- */

static const char *column_or_empty(sqlite3_stmt *row, int column)
{
    const char *text = (const char *)sqlite3_column_text(row, column);

    return text ? text : "";
}

/* A bench that goes by its store's identity no more: what was sent under that is sent again under its own. */
static int replace_stand_in(struct record *record, const char *stand_in, struct why *why)
{
    const char *const values[] = { stand_in, record->store_id };
    PGresult *rows;
    int error = record_run(record, "DELETE FROM poise.bench WHERE bench_id = $1 AND store_id = $2 RETURNING 1", 2,
                           values, &rows, why);
    bool was_there = !error && PQntuples(rows) > 0;

    PQclear(rows);
    if (!was_there)
        return error;
    record->position = 0;
    if ((error =
             record_run(record, "DELETE FROM poise.brew WHERE bench_id = $1 AND store_id = $2", 2, values, NULL, why))
        != 0)
        return error;
    return record_run(record, "UPDATE poise.store SET position = 0 WHERE store_id = $1", 1, values + 1, NULL, why);
}

/* The sentence where another bench got this name first. */
static int remark_on_name(struct record *record, const char *const *values, struct why *why)
{
    PGresult *rows;
    int error = record_run(record, "SELECT poise.shown_name($1, $2)", 2, values, &rows, why);

    if (error)
        return error;
    if (strcmp(PQgetvalue(rows, 0, 0), values[1]) != 0)
        why_write(&record->remark, "%s: there is another bench called %s; this one is shown as %s", record->address,
                  values[1], PQgetvalue(rows, 0, 0));
    PQclear(rows);
    return 0;
}

/* Another store sends this bench?  With `again` ours takes its place: the brews that both hold are one. */
static int put_bench(struct record *record, const char *bench, const char *name, const char *units, bool again,
                     struct why *why)
{
    const char *const values[] = { bench, name, record->store_id, units };
    PGresult *rows;
    int error =
        record_run(record,
                   "INSERT INTO poise.bench (bench_id, name, store_id, units) VALUES ($1, $2, $3, $4) ON CONFLICT"
                   " (bench_id, name) DO UPDATE SET units = excluded.units RETURNING store_id",
                   4, values, &rows, why);
    bool foreign;

    if (error == -EACCES)
        return why_set(why, error, "%s: the bench %s is another user's there", record->address, name);
    if (error)
        return error;
    foreign = strcmp(PQgetvalue(rows, 0, 0), record->store_id) != 0;
    PQclear(rows);
    if (!foreign)
        return remark_on_name(record, values, why);
    if (!again)
        return why_set(
            why, -EEXIST,
            "%s: the bench %s is sent from another store; where that one is no more, --all lets this one take "
            "its place",
            record->address, name);
    return record_run(record, "UPDATE poise.bench SET store_id = $3 WHERE bench_id = $1 AND name = $2", 3, values, NULL,
                      why);
}

/* The benches of the store, when they are others than before. */
static int put_benches(struct record *record, struct store *store, bool again, struct why *why)
{
    static const char select[] = "SELECT " BENCH_KEY ", h.name, h.identity IS NOT NULL, " STAND_IN
                                 ", h.units FROM bench h JOIN identity i ORDER BY h.bench_id";
    struct text now = { 0 };
    sqlite3_stmt *row = NULL;
    int code = SQLITE_DONE, error = prepare(store, select, &row, why);
    bool same;

    while (!error && (code = sqlite3_step(row)) == SQLITE_ROW)
        text_print(&now, "%s %s %s\n", column_or_empty(row, 0), column_or_empty(row, 1), column_or_empty(row, 4));
    same =
        now.length == record->benches.length && now.length && memcmp(now.data, record->benches.data, now.length) == 0;
    sqlite3_reset(row);
    while (!error && !same && (code = sqlite3_step(row)) == SQLITE_ROW) {
        if (sqlite3_column_int(row, 2))
            error = replace_stand_in(record, column_or_empty(row, 3), why);
        if (!error)
            error = put_bench(record, column_or_empty(row, 0), column_or_empty(row, 1),
                              (const char *)sqlite3_column_text(row, 4), again, why);
    }
    if (!error && code != SQLITE_DONE)
        error = here_failed(store, why);
    sqlite3_finalize(row);
    if (!error && !same) {
        text_free(&record->benches);
        record->benches = now;
    } else {
        text_free(&now);
    }
    return error;
}

/* ---- plans, tastings, checks ---- */

/* Only what differs from what is there; the server compares. */
static int put_others(struct record *record, struct store *store, const char *stamp, struct why *why)
{
    static const char put[] =
        "INSERT INTO poise.other (store_id, kind, key, body, stamp) VALUES ($1, $2, $3, $4, $5)"
        " ON CONFLICT (store_id, kind, key) DO UPDATE SET body = excluded.body, stamp = excluded.stamp"
        " WHERE other.body <> excluded.body";
    const char *values[] = { record->store_id, NULL, NULL, NULL, stamp };
    struct text words = { 0 };
    sqlite3_stmt *row = NULL;
    int code = SQLITE_DONE, error = prepare(store, others_select, &row, why);
    uint32_t sum;

    while (!error && (code = sqlite3_step(row)) == SQLITE_ROW)
        error = take_texts(row, 0, 3, &words, why);
    if (!error && code != SQLITE_DONE)
        error = here_failed(store, why);
    sum = (uint32_t)crc32(0, (const Bytef *)words.data, (uInt)words.length);
    for (size_t at = 0; !error && sum != record->others_sum && at < words.length;) {
        for (int word = 1; word <= 3; word++) {
            values[word] = words.data + at;
            at += strlen(words.data + at) + 1;
        }
        error = record_run(record, put, 5, values, NULL, why);
    }
    if (!error)
        record->others_sum = sum;
    sqlite3_finalize(row);
    text_free(&words);
    return error;
}

/* ---- one transaction ---- */

/* The stamp of this batch; the row is held until the end of the transaction. */
static int next_stamp(struct record *record, char out[24], struct why *why)
{
    const char *const values[] = { record->store_id };
    PGresult *rows;
    int error = record_run(record,
                           "UPDATE poise.store SET stamp = greatest(stamp + 1, (extract(epoch FROM clock_timestamp()) *"
                           " 1000000)::bigint), last = now() WHERE store_id = $1 RETURNING stamp, position,"
                           " (SELECT kept_from FROM poise.record), EXISTS (SELECT 1 FROM poise.brew b WHERE"
                           " b.month = 0 AND b.store_id = $1)",
                           1, values, &rows, why);

    if (error)
        return error;
    if (PQntuples(rows) != 1)
        error = why_set(why, -EACCES, "%s: this store is registered there by another user", record->address);
    else {
        snprintf(out, 24, "%s", PQgetvalue(rows, 0, 0));
        record->position = strtoll(PQgetvalue(rows, 0, 1), NULL, 10);
        record->kept_from = atoi(PQgetvalue(rows, 0, 2));
        record->monthless = *PQgetvalue(rows, 0, 3) == 't';
    }
    PQclear(rows);
    return error;
}

static int put_position(struct record *record, int64_t position, struct why *why)
{
    char number[24];
    const char *const values[] = { record->store_id, number };

    snprintf(number, sizeof number, "%" PRId64, position);
    return record_run(record, "UPDATE poise.store SET position = $2 WHERE store_id = $1", 2, values, NULL, why);
}

/* A brew whose beginning was not known when it was sent first lies in no month; with its beginning it moves. */
static int drop_monthless(struct record *record, sqlite3_stmt *row, struct why *why)
{
    const char *const values[] = { column_or_empty(row, ROW_FIRST), column_or_empty(row, ROW_NAME) };

    return PQsendQueryParams(record->connection,
                             "DELETE FROM poise.brew WHERE bench_id = $1 AND month = 0 AND name = $2", 2, NULL, values,
                             NULL, NULL, 0)
                   == 1
               ? 0
               : record_failed(record, NULL, why);
}

static int prepare_take(struct record *record, struct why *why)
{
    PGresult *result;
    int error;

    if (record->prepared)
        return 0;
    result = PQprepare(record->connection, "take", take, 0, NULL);
    error = PQresultStatus(result) == PGRES_COMMAND_OK ? 0 : record_failed(record, result, why);
    PQclear(result);
    record->prepared = !error;
    return error;
}

/* BENCH-YYYYMMDD-NNN, as every bench of ours names its brews; the record takes no other, and would refuse the batch. */
static bool has_name(sqlite3_stmt *row)
{
    static const char digits[] = "0123456789";
    const char *name = column_or_empty(row, ROW_NAME), *bench = column_or_empty(row, ROW_NAME + 1);
    size_t length = strlen(bench), number;

    if (!name_valid(bench) || strncmp(name, bench, length) != 0 || strlen(name) >= BREW_SIZE)
        return false;
    name += length;
    if (*name != '-' || strspn(name + 1, digits) != 8 || name[9] != '-')
        return false;
    number = strspn(name + 10, digits);
    return number >= 3 && !name[10 + number];
}

/* The brews of a batch, in a pipeline.  *position: behind them. */
static int send_brews(struct sending *sending, sqlite3_stmt *row, int64_t *position, struct why *why)
{
    struct record *record = sending->record;
    int code = SQLITE_DONE, error = prepare_take(record, why);

    if (error)
        return error;
    if (PQenterPipelineMode(record->connection) != 1)
        return record_failed(record, NULL, why);
    while (!error && (code = sqlite3_step(row)) == SQLITE_ROW) {
        int month = sqlite3_column_int(row, ROW_MONTH);

        *position = sqlite3_column_int64(row, 1);
        if (month && month < record->kept_from)
            continue; /* the record has let go of that month */
        if (!has_name(row)) {
            why_write(&record->remark, "%s: brew %.60s has no name that a bench gives, and is not sent",
                      record->address, column_or_empty(row, ROW_NAME));
            continue;
        }
        if (month && record->monthless)
            error = drop_monthless(record, row, why);
        if (!error)
            error = send_brew(sending, row, why);
    }
    if (!error && code != SQLITE_DONE)
        error = here_failed(sending->store, why);
    return end_pipeline(record, error, why);
}

static int fill(struct sending *sending, sqlite3_stmt *row, struct why *why)
{
    struct record *record = sending->record;
    int64_t position;
    char stamp[24];
    int error = next_stamp(record, stamp, why);

    sending->stamp = stamp;
    if (error || (error = put_benches(record, sending->store, false, why)) != 0
        || (error = put_others(record, sending->store, stamp, why)) != 0)
        return error;
    position = record->position;
    sqlite3_bind_int64(row, 1, position);
    if ((error = send_brews(sending, row, &position, why)) != 0 || position == record->position)
        return error;
    return put_position(record, position, why);
}

/* Inside a transaction there; ended here. */
static int send_batch(struct sending *sending, sqlite3_stmt *row, struct why *why)
{
    struct record *record = sending->record;
    int error;

    sqlite3_bind_int64(row, 1, record->position);
    sqlite3_bind_int(row, 2, BATCH_BREWS);
    if ((error = make_months(record, row, why)) != 0)
        return error;
    if ((error = record_run(record, "BEGIN", 0, NULL, NULL, why)) != 0)
        return error;
    if ((error = fill(sending, row, why)) == 0)
        error = record_run(record, "COMMIT", 0, NULL, NULL, why);
    else
        PQclear(PQexec(record->connection, "ROLLBACK"));
    return error;
}

int record_send(struct record *record, struct store *store, struct why *why)
{
    struct sending sending = { .record = record, .store = store };
    sqlite3_stmt *row = NULL;
    int error = prepare(store, row_select, &row, why);

    if (!error
        && sqlite3_exec(store_database(store), "BEGIN", NULL, NULL, NULL) != SQLITE_OK) /* one picture of the store */
        error = here_failed(store, why);
    if (!error && (error = brew_writer_open(&sending.writer, store_database(store), why)) == 0)
        error = send_batch(&sending, row, why);
    sqlite3_finalize(row);
    brew_writer_close(sending.writer);
    sqlite3_exec(store_database(store), "ROLLBACK", NULL, NULL, NULL); /* only read */
    text_free(&sending.texts);
    text_free(&sending.measures);
    text_free(&sending.parts);
    text_free(&sending.trace);
    return error ? error : sending.count;
}

/* ---- the beginning ---- */

static int find_store_id(struct record *record, struct store *store, struct why *why)
{
    sqlite3_stmt *row = NULL;
    int error = prepare(store, "SELECT store FROM identity", &row, why);

    if (error)
        return error;
    if (sqlite3_step(row) == SQLITE_ROW)
        snprintf(record->store_id, sizeof record->store_id, "%s", column_or_empty(row, 0));
    sqlite3_finalize(row);
    return strlen(record->store_id) == STORE_ID_SIZE - 1
               ? 0
               : why_set(why, -EBADF, "%s: has no identity of its own: it is damaged", store_path(store));
}

static int hold_place(struct record *record, struct why *why)
{
    const char *const values[] = { record->store_id };
    PGresult *rows;
    int error = record_run(record, "SELECT pg_try_advisory_lock(hashtextextended($1, 0))", 1, values, &rows, why);

    if (error)
        return error;
    if (*PQgetvalue(rows, 0, 0) != 't')
        error = why_set(why, -EBUSY, "%s: another poise-share sends this store just now", record->address);
    PQclear(rows);
    return error;
}

/* A store that came back from a backup has changes under numbers that were sent already. */
static int is_behind(struct record *record, struct store *store, bool *out, struct why *why)
{
    sqlite3_stmt *row = NULL;
    int error = prepare(store, "SELECT coalesce(max(changed), 0) FROM brew", &row, why);

    if (error)
        return error;
    *out = sqlite3_step(row) == SQLITE_ROW && sqlite3_column_int64(row, 0) < record->position;
    sqlite3_finalize(row);
    return 0;
}

int record_send_begin(struct record *record, struct store *store, bool again, struct why *why)
{
    bool behind = false;
    const char *const values[] = { record->store_id };
    char stamp[24];
    int error;

    if ((error = find_store_id(record, store, why)) != 0 || (error = hold_place(record, why)) != 0
        || (error = record_run(record, "BEGIN", 0, NULL, NULL, why)) != 0)
        return error;
    error = record_run(record, "INSERT INTO poise.store (store_id) VALUES ($1) ON CONFLICT DO NOTHING", 1, values, NULL,
                       why);
    if (!error && (error = next_stamp(record, stamp, why)) == 0 && (error = is_behind(record, store, &behind, why)) == 0
        && (error = put_benches(record, store, again, why)) == 0 && (again || behind))
        error = put_position(record, 0, why);
    if (!error)
        return record_run(record, "COMMIT", 0, NULL, NULL, why);
    PQclear(PQexec(record->connection, "ROLLBACK"));
    return error;
}
