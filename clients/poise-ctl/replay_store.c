/* A brew out of the store as the messages that it was made of, so that it can be read again when the bench has
 * forgotten it.  What the store does not keep of a message is left out: which tares were ordered, and when something
 * was heard. */
#include <math.h>
#include <sqlite3.h>
#include <stdlib.h>
#include <string.h>

#include "ctl.h"
#include "poise/messages.h"
#include "poise/program.h"
#include "poise/store.h"

/* In the order in which they were published.  kind: 0 a reading, 1 a stage, 2 a measure, 3 the beginning, 4 the end. */
static const char all_of_a_brew[] =
    "SELECT t.seq, 0 AS kind, i.name, i.quantity, t.value, t.decimals, t.stable, t.status, t.time_us, t.mono_us, o.name,"
    " i.weighs FROM trace t JOIN instrument i USING (instrument_id) LEFT JOIN boot o ON o.boot_id = t.boot_id"
    " WHERE t.brew_id = ?1"
    " UNION ALL SELECT s.seq, 1, s.stage, s.made_by, s.uncertainty_us, NULL, NULL, NULL, s.at_us, s.at_mono_us, o.name,"
    " NULL FROM stage s LEFT JOIN boot o ON o.boot_id = s.boot_id WHERE s.brew_id = ?1"
    " UNION ALL SELECT m.seq, 2, m.measure, m.made_by, m.value, m.standard_uncertainty, m.above, NULL, m.time_us, NULL,"
    " NULL, NULL FROM measure m WHERE m.brew_id = ?1"
    " UNION ALL SELECT b.begin_seq, 3, NULL, NULL, NULL, NULL, NULL, NULL, b.began_us, b.began_mono_us, o.name, NULL"
    " FROM brew b LEFT JOIN boot o ON o.boot_id = b.boot_id WHERE b.brew_id = ?1 AND b.begin_seq IS NOT NULL"
    " UNION ALL SELECT b.outcome_seq, 4, NULL, NULL, NULL, NULL, b.discarded, NULL, b.ended_us, b.ended_mono_us, o.name,"
    " NULL FROM brew b LEFT JOIN boot o ON o.boot_id = b.boot_id WHERE b.brew_id = ?1 AND b.ended_us IS NOT NULL"
    " ORDER BY 1, 2";

enum column { SEQ, KIND, NAME, WORD, VALUE, SECOND, THIRD, STATUS, TIME, MONO, BOOT, WEIGHS };

static void copy_column(sqlite3_stmt *row, int column, char *out, size_t size)
{
    const unsigned char *text = sqlite3_column_text(row, column);

    snprintf(out, size, "%s", text ? (const char *)text : "");
}

static double number(sqlite3_stmt *row, int column)
{
    return sqlite3_column_type(row, column) == SQLITE_NULL ? NAN : sqlite3_column_double(row, column);
}

static bool is_text(sqlite3_stmt *row, int column, const char *text)
{
    const unsigned char *found = sqlite3_column_text(row, column);

    return found && strcmp((const char *)found, text) == 0;
}

static bool take_reading(sqlite3_stmt *row, struct message *out)
{
    struct message_reading *reading = &out->reading;
    int decimals = sqlite3_column_int(row, SECOND), status;

    out->kind = MESSAGE_READING;
    copy_column(row, NAME, reading->instrument, sizeof reading->instrument);
    reading->quantity = quantity_find((const char *)sqlite3_column_text(row, WORD));
    reading->stable = sqlite3_column_type(row, THIRD) == SQLITE_NULL ? -1 : sqlite3_column_int(row, THIRD) != 0;
    reading->weighs_cup = is_text(row, WEIGHS, "cup");
    for (status = READING_FAULT; status > READING_OK && !is_text(row, STATUS, reading_status_name(status)); status--)
        ;
    reading->status = (enum reading_status)status;
    if (reading->status != READING_OK)
        return true;
    if (decimals < 0 || decimals > 9 || !(fabs(sqlite3_column_double(row, VALUE)) < 1e9))
        return false;
    reading->value.mantissa = llround(sqlite3_column_double(row, VALUE) * pow(10, decimals));
    reading->value.exponent = -decimals;
    return reading->quantity != QUANTITY_NONE;
}

static bool take_stage(sqlite3_stmt *row, struct message *out)
{
    int stage = stage_find((const char *)sqlite3_column_text(row, NAME));

    out->kind = MESSAGE_STAGE;
    out->stage.stage = (enum stage)stage;
    out->stage.at_us = sqlite3_column_int64(row, MONO);
    out->stage.uncertainty_us = sqlite3_column_int64(row, VALUE);
    out->stage.by = is_text(row, WORD, "operator") ? BY_OPERATOR : BY_TRACKER;
    return stage >= 0;
}

static bool take_measure(sqlite3_stmt *row, struct message *out)
{
    int measure = measure_find((const char *)sqlite3_column_text(row, NAME));

    out->kind = MESSAGE_MEASURE;
    out->measure.measure = (enum measure)measure;
    out->measure.value = number(row, VALUE);
    out->measure.standard_uncertainty = number(row, SECOND);
    out->measure.above = sqlite3_column_int(row, THIRD) != 0;
    out->measure.by = is_text(row, WORD, "operator") ? BY_OPERATOR : BY_TRACKER;
    out->measure.sample_c = NAN;
    budget_clear(&out->measure.budget);
    return measure >= 0;
}

static bool take_brew(sqlite3_stmt *row, bool begin, struct message *out)
{
    out->kind = MESSAGE_BREW;
    out->brew.change = begin ? BREW_BEGIN : sqlite3_column_int(row, THIRD) ? BREW_DISCARD : BREW_END;
    out->brew.at_us = sqlite3_column_int64(row, MONO);
    out->brew.plan_kept = -1;
    measures_clear(&out->brew.measures);
    return true;
}

/* The message of a row; `last` is the newest moment that was read, since an event arrived no earlier than that. */
static bool take(sqlite3_stmt *row, struct message_common *last, struct message *out)
{
    bool good;

    *out = (struct message){ .common = *last };
    switch (sqlite3_column_int(row, KIND)) {
    case 0:
        good = take_reading(row, out);
        break;
    case 1:
        good = take_stage(row, out);
        break;
    case 2:
        good = take_measure(row, out);
        break;
    default:
        good = take_brew(row, sqlite3_column_int(row, KIND) == 3, out);
    }
    out->common.seq = (uint64_t)sqlite3_column_int64(row, SEQ);
    if (sqlite3_column_type(row, BOOT) != SQLITE_NULL)
        copy_column(row, BOOT, out->common.boot, sizeof out->common.boot);
    if (sqlite3_column_type(row, MONO) != SQLITE_NULL && sqlite3_column_int64(row, MONO) > out->common.mono_us) {
        out->common.time_us = sqlite3_column_int64(row, TIME);
        out->common.mono_us = sqlite3_column_int64(row, MONO);
    }
    if (good && out->kind == MESSAGE_READING)
        *last = out->common;
    return good;
}

static bool write_one(FILE *out, struct message *message, const char *brew, const char *station)
{
    char topic[TOPIC_SIZE], text[MESSAGE_SIZE];
    int length;

    if (message->kind == MESSAGE_READING) {
        snprintf(message->reading.station, NAME_SIZE, "%s", station);
    } else if (message->kind == MESSAGE_BREW) {
        snprintf(message->brew.brew, BREW_SIZE, "%s", brew);
        snprintf(message->brew.station, NAME_SIZE, "%s", station);
    } else if (message->kind == MESSAGE_STAGE) {
        snprintf(message->stage.brew, BREW_SIZE, "%s", brew);
        snprintf(message->stage.station, NAME_SIZE, "%s", station);
    } else {
        snprintf(message->measure.brew, BREW_SIZE, "%s", brew);
        snprintf(message->measure.station, NAME_SIZE, "%s", station);
    }
    length = message_write(message, text, sizeof text);
    message_topic(message, topic);
    return length < 0 || fprintf(out, "{\"topic\":\"%s\",\"message\":%.*s}\n", topic, length, text) > 0;
}

static int write_brew(sqlite3 *database, const struct ctl *ctl, FILE *out)
{
    static const char who[] = "SELECT b.brew_id, h.name, b.station FROM brew b JOIN bench h USING (bench_id)"
                              " WHERE b.name = ?1";
    struct message_common last = { .rate = 1 };
    char station[NAME_SIZE] = "";
    sqlite3_stmt *row = NULL;
    struct message message;
    int64_t id = 0;
    bool more = true;
    int code = sqlite3_prepare_v2(database, who, -1, &row, NULL);

    if (code == SQLITE_OK)
        sqlite3_bind_text(row, 1, ctl->brew, -1, SQLITE_STATIC);
    if (code == SQLITE_OK && sqlite3_step(row) == SQLITE_ROW) {
        id = sqlite3_column_int64(row, 0);
        copy_column(row, 1, last.bench, sizeof last.bench);
        copy_column(row, 2, station, sizeof station);
    }
    sqlite3_finalize(row);
    if (!id) {
        program_message("%s: there is no brew %s in it", ctl->store, ctl->brew);
        return EXIT_FAILED;
    }
    code = sqlite3_prepare_v2(database, all_of_a_brew, -1, &row, NULL);
    if (code == SQLITE_OK)
        sqlite3_bind_int64(row, 1, id);
    while (code == SQLITE_OK && more && (code = sqlite3_step(row)) == SQLITE_ROW) {
        if (take(row, &last, &message))
            more = write_one(out, &message, ctl->brew, station);
        code = SQLITE_OK;
    }
    sqlite3_finalize(row);
    if (code == SQLITE_DONE || !more)
        return EXIT_DONE;
    program_message("%s: %s", ctl->store, sqlite3_errmsg(database));
    return EXIT_FAILED;
}

int ctl_write_stored(const struct ctl *ctl, FILE *out)
{
    struct store *store;
    struct why why;
    int status;

    if (store_open(&store, ctl->store, STORE_READ, &why) < 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    status = write_brew(store_database(store), ctl, out);
    store_close(store);
    return status;
}
