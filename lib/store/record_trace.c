/* The traces of the shared record as the table `trace` of a cache, unpacked when somebody asks for a brew's: a million
 * brews are gigabytes of traces, of which a report looks at a few.  An eponymous-style virtual table of SQLite, laid
 * before the cache's own table for this connection alone. */
#include "record_parts.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "poise/trace_block.h"
#include "store_schema.h"
#include "store_sql.h"

/* ---- the sender's numbers of instruments and boots, and ours ---- */

static int fill_map(sqlite3 *here, const char *sql, const char *parts, int64_t bench, struct trace_names *names,
                    size_t *count, struct why *why)
{
    sqlite3_stmt *row = NULL;
    int code = sqlite3_prepare_v2(here, sql, -1, &row, NULL);

    *count = 0;
    if (code == SQLITE_OK) {
        sqlite3_bind_text(row, 1, parts, -1, SQLITE_STATIC);
        sqlite3_bind_int64(row, 2, bench);
        while ((code = sqlite3_step(row)) == SQLITE_ROW && *count < TRACE_NAMES_MOST) {
            names[*count].there = sqlite3_column_int64(row, 0);
            names[(*count)++].here = sqlite3_column_int64(row, 1);
        }
    }
    sqlite3_finalize(row);
    return code == SQLITE_DONE || code == SQLITE_ROW
               ? 0
               : store_failed(here, sqlite3_db_filename(here, "main"), "unpacking a trace", why);
}

int trace_map_load(struct trace_map *map, sqlite3 *here, const char *parts, int64_t bench, struct why *why)
{
    static const char instruments[] =
        "SELECT j.value ->> 0, i.instrument_id FROM json_each(?1, '$.instrument') j JOIN instrument i ON i.bench_id = ?2"
        " AND i.name = j.value ->> 1 AND i.quantity = j.value ->> 2";
    static const char boots[] = "SELECT j.value ->> 0, o.boot_id FROM json_each(?1, '$.boot') j JOIN boot o ON"
                                " o.name = j.value ->> 1";
    int error = fill_map(here, instruments, parts, bench, map->instrument, &map->instruments, why);

    return error ? error : fill_map(here, boots, parts, bench, map->boot, &map->boots, why);
}

static int64_t number_here(const struct trace_names *names, size_t count, int64_t there)
{
    for (size_t i = 0; i < count; i++)
        if (names[i].there == there)
            return names[i].here;
    return 0;
}

void trace_map_apply(const struct trace_map *map, struct trace_sample *sample)
{
    sample->instrument = number_here(map->instrument, map->instruments, sample->instrument);
    sample->boot = number_here(map->boot, map->boots, sample->boot);
}

/* ---- the table ---- */

struct table {
    sqlite3_vtab base; /* first: SQLite knows it by that */
    struct record *record;
    sqlite3 *here;
};

struct cursor {
    sqlite3_vtab_cursor base;
    sqlite3_stmt *brews; /* those that are still to come */
    int64_t brew;
    struct trace_map map;
    struct trace_sample *samples;
    size_t count, size, at;
    sqlite3_int64 row;
};

enum {
    COLUMN_BREW,
    COLUMN_SEQ,
    COLUMN_INSTRUMENT,
    COLUMN_BOOT,
    COLUMN_TIME,
    COLUMN_MONO,
    COLUMN_VALUE,
    COLUMN_DECIMALS,
    COLUMN_STABLE,
    COLUMN_STATUS
};

static int on_connect(sqlite3 *here, void *context, int count, const char *const *arguments, sqlite3_vtab **out,
                      char **words)
{
    struct table *table;
    int code = sqlite3_declare_vtab(here, "CREATE TABLE trace (brew_id INTEGER, seq INTEGER, instrument_id INTEGER,"
                                          " boot_id INTEGER, time_us INTEGER, mono_us INTEGER, value REAL, decimals"
                                          " INTEGER, stable INTEGER, status TEXT)");

    (void)count;
    (void)arguments;
    (void)words;
    if (code != SQLITE_OK)
        return code;
    if (!(table = sqlite3_malloc(sizeof *table)))
        return SQLITE_NOMEM;
    *table = (struct table){ .record = context, .here = here };
    sqlite3_vtab_config(here, SQLITE_VTAB_INNOCUOUS);
    *out = &table->base;
    return SQLITE_OK;
}

static int on_disconnect(sqlite3_vtab *base)
{
    sqlite3_free(base);
    return SQLITE_OK;
}

/* One brew is a question to the server; all of them are as many questions. */
static int on_best_index(sqlite3_vtab *base, sqlite3_index_info *info)
{
    (void)base;
    info->idxNum = 0;
    info->estimatedCost = 1e12;
    info->estimatedRows = 1000000000;
    for (int i = 0; i < info->nConstraint; i++)
        if (info->aConstraint[i].usable && info->aConstraint[i].iColumn == COLUMN_BREW
            && info->aConstraint[i].op == SQLITE_INDEX_CONSTRAINT_EQ) {
            info->idxNum = 1;
            info->aConstraintUsage[i].argvIndex = 1;
            info->aConstraintUsage[i].omit = 1;
            info->estimatedCost = 1000;
            info->estimatedRows = 1000;
            break;
        }
    return SQLITE_OK;
}

static int on_open(sqlite3_vtab *base, sqlite3_vtab_cursor **out)
{
    struct cursor *cursor = sqlite3_malloc(sizeof *cursor);

    (void)base;
    if (!cursor)
        return SQLITE_NOMEM;
    memset(cursor, 0, sizeof *cursor);
    *out = &cursor->base;
    return SQLITE_OK;
}

static int on_close(sqlite3_vtab_cursor *base)
{
    struct cursor *cursor = (struct cursor *)base;

    sqlite3_finalize(cursor->brews);
    free(cursor->samples);
    sqlite3_free(cursor);
    return SQLITE_OK;
}

static int keep(void *context, const struct trace_sample *sample)
{
    struct cursor *cursor = context;

    if (cursor->count == cursor->size) {
        size_t size = cursor->size ? 2 * cursor->size : 1024;
        struct trace_sample *samples = realloc(cursor->samples, size * sizeof *samples);

        if (!samples)
            return -ENOMEM;
        cursor->samples = samples;
        cursor->size = size;
    }
    cursor->samples[cursor->count] = *sample;
    trace_map_apply(&cursor->map, &cursor->samples[cursor->count++]);
    return 0;
}

/* `row`: id, name, month, bench here. */
static int fetch(struct table *table, struct cursor *cursor, sqlite3_stmt *row, struct why *why)
{
    const char *const values[] = { (const char *)sqlite3_column_text(row, 0), (const char *)sqlite3_column_text(row, 1),
                                   (const char *)sqlite3_column_text(row, 2) };
    unsigned char *block = NULL;
    size_t length = 0;
    PGresult *rows;
    int error =
        record_run(table->record,
                   "SELECT trace, jsonb_build_object('boot', parts -> 'boot', 'instrument', parts -> 'instrument')"
                   " FROM poise.brew WHERE bench_id = $1 AND name = $2 AND month = $3",
                   3, values, &rows, why);

    cursor->count = cursor->at = 0;
    if (error)
        return error;
    if (PQntuples(rows) == 1 && !PQgetisnull(rows, 0, 0)) {
        error = trace_map_load(&cursor->map, table->here, PQgetvalue(rows, 0, 1), sqlite3_column_int64(row, 3), why);
        if (!error && !(block = PQunescapeBytea((unsigned char *)PQgetvalue(rows, 0, 0), &length)))
            error = why_set(why, -ENOMEM, "not enough memory");
        if (block && (error = trace_block_read(block, length, keep, cursor)) == -EBADMSG)
            why_write(why, "%s: the trace of brew %s is damaged there", table->record->address, values[1]);
        else if (error == -ENOMEM)
            why_write(why, "not enough memory");
        PQfreemem(block);
    }
    PQclear(rows);
    return error;
}

/* The next brew that has a trace. */
static int next_brew(struct cursor *cursor)
{
    struct table *table = (struct table *)cursor->base.pVtab;
    struct why why;
    int code = SQLITE_ROW;

    cursor->count = cursor->at = 0;
    while (cursor->at >= cursor->count && (code = sqlite3_step(cursor->brews)) == SQLITE_ROW) {
        cursor->brew = sqlite3_column_int64(cursor->brews, 4);
        if (fetch(table, cursor, cursor->brews, &why) != 0) {
            sqlite3_free(table->base.zErrMsg);
            table->base.zErrMsg = sqlite3_mprintf("%s", why.text);
            return SQLITE_ERROR;
        }
    }
    return code == SQLITE_ROW || code == SQLITE_DONE ? SQLITE_OK : code;
}

static int on_filter(sqlite3_vtab_cursor *base, int index, const char *words, int count, sqlite3_value **values)
{
    static const char every[] =
        "SELECT s.id, s.name, s.month, b.bench_id, s.brew_id FROM main.shared_brew s JOIN main.brew"
        " b USING (brew_id) WHERE s.samples > 0 AND (?1 IS NULL OR s.brew_id = ?1)";
    static const char one[] =
        "SELECT s.id, s.name, s.month, b.bench_id, s.brew_id FROM main.shared_brew s JOIN main.brew b"
        " USING (brew_id) WHERE s.samples > 0 AND s.brew_id = ?1";
    struct cursor *cursor = (struct cursor *)base;
    struct table *table = (struct table *)base->pVtab;
    int code;

    (void)words;
    sqlite3_finalize(cursor->brews);
    cursor->brews = NULL;
    cursor->row = 0;
    code = sqlite3_prepare_v2(table->here, index ? one : every, -1, &cursor->brews, NULL);
    if (code == SQLITE_OK && index && count == 1)
        code = sqlite3_bind_value(cursor->brews, 1, values[0]);
    return code == SQLITE_OK ? next_brew(cursor) : code;
}

static int on_next(sqlite3_vtab_cursor *base)
{
    struct cursor *cursor = (struct cursor *)base;

    cursor->row++;
    return ++cursor->at < cursor->count ? SQLITE_OK : next_brew(cursor);
}

static int on_eof(sqlite3_vtab_cursor *base)
{
    const struct cursor *cursor = (const struct cursor *)base;

    return cursor->at >= cursor->count;
}

static int on_column(sqlite3_vtab_cursor *base, sqlite3_context *out, int column)
{
    const struct cursor *cursor = (const struct cursor *)base;
    const struct trace_sample *sample = &cursor->samples[cursor->at];
    bool ok = sample->status == READING_OK;

    switch (column) {
    case COLUMN_BREW:
        sqlite3_result_int64(out, cursor->brew);
        break;
    case COLUMN_SEQ:
        sqlite3_result_int64(out, (sqlite3_int64)sample->seq);
        break;
    case COLUMN_INSTRUMENT:
        sqlite3_result_int64(out, sample->instrument);
        break;
    case COLUMN_BOOT:
        sqlite3_result_int64(out, sample->boot);
        break;
    case COLUMN_TIME:
        sqlite3_result_int64(out, sample->time_us);
        break;
    case COLUMN_MONO:
        sqlite3_result_int64(out, sample->mono_us);
        break;
    case COLUMN_VALUE:
        if (ok)
            sqlite3_result_double(out, decimal_to_double(sample->value));
        break;
    case COLUMN_DECIMALS:
        if (ok)
            sqlite3_result_int(out, -sample->value.exponent);
        break;
    case COLUMN_STABLE:
        if (sample->stable >= 0)
            sqlite3_result_int(out, sample->stable);
        break;
    case COLUMN_STATUS:
        sqlite3_result_text(out, reading_status_name(sample->status), -1, SQLITE_STATIC);
        break;
    default:
        break;
    }
    return SQLITE_OK;
}

static int on_row(sqlite3_vtab_cursor *base, sqlite3_int64 *out)
{
    *out = ((const struct cursor *)base)->row;
    return SQLITE_OK;
}

int record_trace_attach(struct record *record, sqlite3 *here, struct why *why)
{
    static const sqlite3_module module = { .xCreate = on_connect,
                                           .xConnect = on_connect,
                                           .xBestIndex = on_best_index,
                                           .xDisconnect = on_disconnect,
                                           .xDestroy = on_disconnect,
                                           .xOpen = on_open,
                                           .xClose = on_close,
                                           .xFilter = on_filter,
                                           .xNext = on_next,
                                           .xEof = on_eof,
                                           .xColumn = on_column,
                                           .xRowid = on_row };

    if (sqlite3_create_module(here, "shared_trace", &module, record) != SQLITE_OK
        || sqlite3_exec(here, "CREATE VIRTUAL TABLE temp.trace USING shared_trace", NULL, NULL, NULL) != SQLITE_OK)
        return store_failed(here, sqlite3_db_filename(here, "main"), "laying the record's traces before it", why);
    return store_make_views(here, true, why);
}
