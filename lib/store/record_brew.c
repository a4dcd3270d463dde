/* What a brew's row of the shared record holds beside its columns: two JSON documents and the trace's block.  How a
 * part is taken out of a store and how it is put into one stand side by side here. */
#include "record_parts.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "poise/trace_block.h"
#include "store_sql.h"

/* One part: its name, the SELECT that gives its rows of a brew (?1; ?2: a list of numbers that its trace has), and what
 * takes them: ?1 the brew, ?2 its bench, ?3 the document.  Boots and instruments have their names here, since their
 * numbers are each store's own; the block of the trace has the sender's numbers, which `instrument` and `boot` give
 * names. */
static const struct {
    const char *name, *select, *take;
} parts[] = {
    { "boot",
      "SELECT boot_id, name FROM boot WHERE boot_id IN (SELECT value FROM json_each(?2) UNION SELECT boot_id FROM brew"
      " WHERE brew_id = ?1 UNION SELECT boot_id FROM stage WHERE brew_id = ?1)",
      "INSERT OR IGNORE INTO boot (name) SELECT value ->> 1 FROM json_each(?3, '$.boot')" },
    { "instrument",
      "SELECT i.instrument_id, i.name, i.quantity, i.unit, i.weighs FROM instrument i WHERE instrument_id IN"
      " (SELECT value FROM json_each(?2))",
      "INSERT INTO instrument (bench_id, name, quantity, unit, weighs) SELECT ?2, value ->> 1, value ->> 2, value ->> 3,"
      " value ->> 4 FROM json_each(?3, '$.instrument') WHERE true ON CONFLICT DO UPDATE SET weighs = excluded.weighs" },
    { "stage",
      "SELECT s.seq, s.stage, o.name, s.at_us, s.at_mono_us, s.uncertainty_us, s.made_by FROM stage s JOIN boot o USING"
      " (boot_id) WHERE brew_id = ?1 ORDER BY s.seq",
      "INSERT INTO stage (brew_id, seq, stage, boot_id, at_us, at_mono_us, uncertainty_us, made_by) SELECT ?1,"
      " value ->> 0, value ->> 1, (SELECT boot_id FROM boot WHERE name = value ->> 2), value ->> 3, value ->> 4,"
      " value ->> 5, value ->> 6 FROM json_each(?3, '$.stage')" },
    { "strength_budget",
      "SELECT seq, part, standard_uncertainty, freedom FROM strength_budget WHERE brew_id = ?1 ORDER BY seq, part",
      "INSERT INTO strength_budget (brew_id, seq, part, standard_uncertainty, freedom) SELECT ?1, value ->> 0,"
      " value ->> 1, value ->> 2, value ->> 3 FROM json_each(?3, '$.strength_budget')" },
    /* the readings that are the brew's now; what was assigned and taken back stays with the bench */
    { "strength_reading",
      "SELECT r.seq, r.time_us, i.name, i.quantity, i.unit, i.weighs, r.value, r.decimals, r.stable, r.status, o.name,"
      " r.mono_us, a.seq, a.time_us, a.made_by, a.filtered, a.sample_c FROM assignment a JOIN reading r ON"
      " r.bench_id = a.bench_id AND r.seq = a.reading_seq JOIN instrument i USING (instrument_id) JOIN boot o ON"
      " o.boot_id = r.boot_id WHERE a.brew_id = ?1 AND NOT EXISTS (SELECT 1 FROM assignment l WHERE"
      " l.bench_id = a.bench_id AND l.reading_seq = a.reading_seq AND l.seq > a.seq) ORDER BY r.seq",
      "INSERT OR IGNORE INTO boot (name) SELECT value ->> 10 FROM json_each(?3, '$.strength_reading')" },
    { NULL, NULL,
      "INSERT INTO instrument (bench_id, name, quantity, unit, weighs) SELECT ?2, value ->> 2, value ->> 3, value ->> 4,"
      " value ->> 5 FROM json_each(?3, '$.strength_reading') WHERE true ON CONFLICT DO NOTHING" },
    { NULL, NULL,
      "INSERT OR IGNORE INTO reading (bench_id, seq, time_us, instrument_id, boot_id, mono_us, value, decimals, stable,"
      " status) SELECT ?2, value ->> 0, value ->> 1, (SELECT instrument_id FROM instrument WHERE bench_id = ?2 AND"
      " name = value ->> 2 AND quantity = value ->> 3), (SELECT boot_id FROM boot WHERE name = value ->> 10),"
      " value ->> 11, value ->> 6, value ->> 7, value ->> 8, value ->> 9 FROM json_each(?3, '$.strength_reading')" },
    { NULL, NULL,
      "INSERT OR IGNORE INTO assignment (brew_id, bench_id, reading_seq, seq, time_us, made_by, filtered, sample_c)"
      " SELECT ?1, ?2, value ->> 0, value ->> 12, value ->> 13, value ->> 14, value ->> 15, value ->> 16 FROM"
      " json_each(?3, '$.strength_reading')" },
    { "note", "SELECT seq, time_us, text FROM note WHERE brew_id = ?1 ORDER BY seq",
      "INSERT INTO note (brew_id, seq, time_us, text) SELECT ?1, value ->> 0, value ->> 1, value ->> 2 FROM"
      " json_each(?3, '$.note')" },
    { "warning", "SELECT seq, time_us, station, warning, detail FROM warning WHERE brew_id = ?1 ORDER BY seq",
      "INSERT OR IGNORE INTO warning (brew_id, bench_id, seq, time_us, station, warning, detail) SELECT ?1, ?2,"
      " value ->> 0, value ->> 1, value ->> 2, value ->> 3, value ->> 4 FROM json_each(?3, '$.warning')" },
    { "asked_by", "SELECT seq, time_us, name FROM asked_by WHERE brew_id = ?1 ORDER BY seq",
      "INSERT OR IGNORE INTO asked_by (brew_id, bench_id, seq, time_us, name) SELECT ?1, ?2, value ->> 0, value ->> 1,"
      " value ->> 2 FROM json_each(?3, '$.asked_by')" },
};
enum { PART_BOOT, PARTS = sizeof parts / sizeof *parts };

static const char measure_select[] = "SELECT measure, seq, value, standard_uncertainty, above, made_by, time_us FROM"
                                     " measure WHERE brew_id = ?1 ORDER BY measure, seq DESC";
static const char measure_take[] =
    "INSERT INTO measure (brew_id, measure, seq, value, standard_uncertainty, above, made_by, time_us) SELECT ?1, m.key,"
    " v.value ->> 0, v.value ->> 1, v.value ->> 2, v.value ->> 3, v.value ->> 4, v.value ->> 5 FROM json_each(?3) m,"
    " json_each(m.value) v";
static const char trace_select[] =
    "SELECT seq, instrument_id, boot_id, time_us, mono_us, value, decimals, stable, status FROM trace WHERE brew_id = ?1"
    " ORDER BY seq";

static int failed(sqlite3 *here, const char *doing, struct why *why)
{
    return store_failed(here, sqlite3_db_filename(here, "main"), doing, why);
}

/* ---- out of a store ---- */

struct samples {
    struct trace_sample *all;
    size_t count, size;
};

struct brew_writer {
    sqlite3 *here;
    sqlite3_stmt *part[PARTS], *measure, *trace;
    struct samples samples; /* of the trace that was written last, and whose numbers they have */
    struct text boots, instruments;
};

int brew_writer_open(struct brew_writer **out, sqlite3 *here, struct why *why)
{
    struct brew_writer *writer = calloc(1, sizeof *writer);
    int code = SQLITE_OK;

    if (!writer)
        return why_set(why, -ENOMEM, "not enough memory");
    writer->here = here;
    for (int i = 0; i < PARTS && code == SQLITE_OK; i++)
        if (parts[i].select)
            code = sqlite3_prepare_v2(here, parts[i].select, -1, &writer->part[i], NULL);
    if (code == SQLITE_OK)
        code = sqlite3_prepare_v2(here, measure_select, -1, &writer->measure, NULL);
    if (code == SQLITE_OK)
        code = sqlite3_prepare_v2(here, trace_select, -1, &writer->trace, NULL);
    if (code != SQLITE_OK) {
        int error = failed(here, "reading its brews", why);

        brew_writer_close(writer);
        return error;
    }
    *out = writer;
    return 0;
}

void brew_writer_close(struct brew_writer *writer)
{
    if (!writer)
        return;
    for (int i = 0; i < PARTS; i++)
        sqlite3_finalize(writer->part[i]);
    sqlite3_finalize(writer->measure);
    sqlite3_finalize(writer->trace);
    free(writer->samples.all);
    text_free(&writer->boots);
    text_free(&writer->instruments);
    free(writer);
}

/* The columns from `first` as a JSON array. */
static void add_row(struct text *out, sqlite3_stmt *row, int first)
{
    for (int column = first; column < sqlite3_column_count(row); column++) {
        text_add(out, column == first ? "[" : ",", 1);
        switch (sqlite3_column_type(row, column)) {
        case SQLITE_INTEGER:
            text_print(out, "%lld", sqlite3_column_int64(row, column));
            break;
        case SQLITE_FLOAT:
            text_number(out, sqlite3_column_double(row, column));
            break;
        case SQLITE_TEXT:
            text_string(out, (const char *)sqlite3_column_text(row, column));
            break;
        default:
            text_add(out, "null", 4);
        }
    }
    text_add(out, "]", 1);
}

static int end_of(const struct brew_writer *writer, sqlite3_stmt *statement, int code, const struct text *out,
                  struct why *why)
{
    sqlite3_reset(statement);
    if (code != SQLITE_DONE)
        return failed(writer->here, "reading its brews", why);
    return out->failed ? why_set(why, -ENOMEM, "not enough memory") : 0;
}

int brew_write_measures(struct brew_writer *writer, int64_t brew, struct text *out, struct why *why)
{
    sqlite3_stmt *row = writer->measure;
    char last[64] = "";
    int code;

    sqlite3_bind_int64(row, 1, brew);
    text_add(out, "{", 1);
    while ((code = sqlite3_step(row)) == SQLITE_ROW) {
        const char *name = (const char *)sqlite3_column_text(row, 0);

        if (!name || strlen(name) >= sizeof last)
            continue; /* no measure of ours */
        if (strcmp(name, last) != 0) {
            text_print(out, *last ? "]," : "");
            text_string(out, name);
            text_add(out, ":[", 2);
            strcpy(last, name);
        } else {
            text_add(out, ",", 1);
        }
        add_row(out, row, 1);
    }
    text_print(out, *last ? "]}" : "}");
    return end_of(writer, row, code, out, why);
}

int brew_write_parts(struct brew_writer *writer, int64_t brew, struct text *out, struct why *why)
{
    bool any = false;
    int error = 0;

    text_add(out, "{", 1);
    for (int i = 0; i < PARTS && !error; i++) {
        sqlite3_stmt *row = writer->part[i];
        int code, count = 0;

        if (!row)
            continue;
        sqlite3_bind_int64(row, 1, brew);
        if (sqlite3_bind_parameter_count(row) == 2)
            sqlite3_bind_text(row, 2, i == PART_BOOT ? writer->boots.data : writer->instruments.data, -1,
                              SQLITE_STATIC);
        while ((code = sqlite3_step(row)) == SQLITE_ROW) {
            if (count++)
                text_add(out, ",", 1);
            else
                text_print(out, "%s\"%s\":[", any ? "," : "", parts[i].name);
            add_row(out, row, 0);
            any = true;
        }
        if (count)
            text_add(out, "]", 1);
        error = end_of(writer, row, code, out, why);
    }
    text_add(out, "}", 1);
    return error;
}

static bool sample_add(struct samples *samples, sqlite3_stmt *row)
{
    static const double powers[] = { 1e0,  1e1,  1e2,  1e3,  1e4,  1e5,  1e6,  1e7,  1e8, 1e9,
                                     1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18 };
    const char *status = (const char *)sqlite3_column_text(row, 8);
    struct trace_sample *sample;

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
    for (int at = READING_OK; status && at <= READING_FAULT; at++)
        if (strcmp(reading_status_name((enum reading_status)at), status) == 0)
            sample->status = (enum reading_status)at;
    if (sample->status == READING_OK) {
        int decimals = sqlite3_column_int(row, 6);

        decimals = decimals < 0 ? 0 : decimals > 18 ? 18 : decimals;
        sample->value.exponent = -decimals;
        sample->value.mantissa = llround(sqlite3_column_double(row, 5) * powers[decimals]);
    }
    return true;
}

/* The numbers that the samples have of boots, or of instruments, as a JSON list: a change of either is rare. */
static int list_numbers(const struct samples *samples, bool boots, struct text *out, struct why *why)
{
    int64_t last = 0;

    out->length = 0;
    text_add(out, "[", 1);
    for (size_t i = 0; i < samples->count; i++) {
        int64_t number = boots ? samples->all[i].boot : samples->all[i].instrument;

        if (i == 0 || number != last)
            text_print(out, i ? ",%lld" : "%lld", (long long)number);
        last = number;
    }
    text_add(out, "]", 2); /* with its NUL */
    return out->failed ? why_set(why, -ENOMEM, "not enough memory") : 0;
}

int brew_write_trace(struct brew_writer *writer, int64_t brew, struct text *out, size_t *samples, struct why *why)
{
    sqlite3_stmt *row = writer->trace;
    bool short_of_memory = false;
    char *room;
    int code;

    writer->samples.count = 0;
    sqlite3_bind_int64(row, 1, brew);
    while ((code = sqlite3_step(row)) == SQLITE_ROW && writer->samples.count < TRACE_SAMPLES_MOST && !short_of_memory)
        short_of_memory = !sample_add(&writer->samples, row);
    sqlite3_reset(row);
    if (!short_of_memory && code != SQLITE_DONE && code != SQLITE_ROW)
        return failed(writer->here, "reading its traces", why);
    *samples = writer->samples.count;
    if (!short_of_memory
        && (list_numbers(&writer->samples, true, &writer->boots, why) != 0
            || list_numbers(&writer->samples, false, &writer->instruments, why) != 0))
        return -ENOMEM;
    if (*samples == 0 && !short_of_memory)
        return 0;
    room = short_of_memory ? NULL : text_room(out, trace_block_most(*samples));
    if (!room)
        return why_set(why, -ENOMEM, "not enough memory");
    out->length += trace_block_write(writer->samples.all, *samples, (unsigned char *)room);
    return 0;
}

/* ---- into a store ---- */

static const char *const clearing[] = {
    "DELETE FROM stage WHERE brew_id = ?1",      "DELETE FROM measure WHERE brew_id = ?1",
    "DELETE FROM trace WHERE brew_id = ?1",      "DELETE FROM strength_budget WHERE brew_id = ?1",
    "DELETE FROM assignment WHERE brew_id = ?1", "DELETE FROM note WHERE brew_id = ?1",
    "DELETE FROM warning WHERE brew_id = ?1",    "DELETE FROM asked_by WHERE brew_id = ?1",
};
enum { CLEARING = sizeof clearing / sizeof *clearing };

struct brew_reader {
    sqlite3 *here;
    sqlite3_stmt *take[PARTS], *measure, *clear[CLEARING];
};

int brew_reader_open(struct brew_reader **out, sqlite3 *here, struct why *why)
{
    struct brew_reader *reader = calloc(1, sizeof *reader);
    int code = SQLITE_OK;

    if (!reader)
        return why_set(why, -ENOMEM, "not enough memory");
    reader->here = here;
    for (int i = 0; i < PARTS && code == SQLITE_OK; i++)
        code = sqlite3_prepare_v2(here, parts[i].take, -1, &reader->take[i], NULL);
    for (int i = 0; i < CLEARING && code == SQLITE_OK; i++)
        code = sqlite3_prepare_v2(here, clearing[i], -1, &reader->clear[i], NULL);
    if (code == SQLITE_OK)
        code = sqlite3_prepare_v2(here, measure_take, -1, &reader->measure, NULL);
    if (code != SQLITE_OK) {
        int error = failed(here, "taking brews", why);

        brew_reader_close(reader);
        return error;
    }
    *out = reader;
    return 0;
}

void brew_reader_close(struct brew_reader *reader)
{
    if (!reader)
        return;
    for (int i = 0; i < PARTS; i++)
        sqlite3_finalize(reader->take[i]);
    for (int i = 0; i < CLEARING; i++)
        sqlite3_finalize(reader->clear[i]);
    sqlite3_finalize(reader->measure);
    free(reader);
}

static int take(struct brew_reader *reader, sqlite3_stmt *statement, struct why *why)
{
    int code = sqlite3_step(statement);

    sqlite3_reset(statement);
    return code == SQLITE_DONE ? 0 : failed(reader->here, "taking a brew of the record", why);
}

int brew_clear(struct brew_reader *reader, int64_t brew, struct why *why)
{
    int error = 0;

    for (int i = 0; i < CLEARING && !error; i++) {
        sqlite3_bind_int64(reader->clear[i], 1, brew);
        error = take(reader, reader->clear[i], why);
    }
    return error;
}

int brew_read(struct brew_reader *reader, int64_t brew, int64_t bench, const char *measures, const char *document,
              struct why *why)
{
    const char *name = "";
    int error;

    sqlite3_bind_int64(reader->measure, 1, brew);
    sqlite3_bind_text(reader->measure, 3, measures, -1, SQLITE_STATIC);
    error = take(reader, reader->measure, why);
    for (int i = 0; i < PARTS && !error; i++) {
        char key[40];

        name = parts[i].name ? parts[i].name : name;
        snprintf(key, sizeof key, "\"%s\":", name);
        if (!strstr(document, key))
            continue; /* most brews have few of them, and each costs a reading of the document */
        sqlite3_bind_int64(reader->take[i], 1, brew); /* a statement without it has room for it all the same */
        sqlite3_bind_int64(reader->take[i], 2, bench);
        sqlite3_bind_text(reader->take[i], 3, document, -1, SQLITE_STATIC);
        error = take(reader, reader->take[i], why);
    }
    return error;
}
