/* Cups out of the store; see cups.h.  It computes nothing. */
#include "cups.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { COLUMNS_BEFORE = 10 };       /* of the statement below, before the measures */

/* The view's columns, measures in the order of enum measure. */
static char *statement_text(void)
{
    sqlite3_str *sql = sqlite3_str_new(NULL);

    sqlite3_str_appendall(sql, "SELECT brew, bench, station, began_utc, ended_utc, experiment, run, replicate, factors,"
                               " recipe");
    for (int i = 0; i < MEASURE_COUNT; i++)
        sqlite3_str_appendf(sql, ", %s, %s_u", measure_name((enum measure)i), measure_name((enum measure)i));
    sqlite3_str_appendall(sql, ", plan_kept, note, round((julianday(ended_utc) - julianday(began_utc)) * 86400, 1) FROM brew_summary WHERE (?1 IS NULL OR experiment = ?1)"
                               " AND (?2 IS NULL OR brew = ?2) AND (?3 IS NULL OR bench = ?3)"
                               " AND (?4 IS NULL OR began_utc >= ?4) AND (?5 IS NULL OR began_utc < ?5 || '~')"
                               " ORDER BY began_utc, brew");
    return sqlite3_str_finish(sql);
}

static void copy(char *out, size_t size, sqlite3_stmt *row, int column)
{
    const char *text = (const char *)sqlite3_column_text(row, column);

    snprintf(out, size, "%s", text ? text : "");
}

static char *owned(sqlite3_stmt *row, int column)
{
    const char *text = (const char *)sqlite3_column_text(row, column);

    return text ? strdup(text) : NULL;
}

static int count_or_none(sqlite3_stmt *row, int column)
{
    return sqlite3_column_type(row, column) == SQLITE_INTEGER ? sqlite3_column_int(row, column) : -1;
}

static json_t *object_or_null(sqlite3_stmt *row, int column)
{
    const char *text = (const char *)sqlite3_column_text(row, column);
    json_t *object = text ? json_loads(text, JSON_REJECT_DUPLICATES, NULL) : NULL;

    if (json_is_object(object))
        return object;
    json_decref(object);
    return NULL;
}

static double number_or_nan(sqlite3_stmt *row, int column)
{
    int type = sqlite3_column_type(row, column);
    double number = type == SQLITE_FLOAT || type == SQLITE_INTEGER ? sqlite3_column_double(row, column) : (double)NAN;

    return isfinite(number) ? number : (double)NAN;
}

/* The messages are checked where they enter; a store may have been edited or damaged since. */
static void take_measures(sqlite3_stmt *row, struct cup *cup)
{
    measures_clear(&cup->measures);
    cup->impossible = -1;
    for (int i = 0; i < MEASURE_COUNT; i++) {
        int column = COLUMNS_BEFORE + 2 * i, type = sqlite3_column_type(row, column);
        double value = number_or_nan(row, column), uncertainty = number_or_nan(row, column + 1);
        bool mass = i == MEASURE_DOSE_G || i == MEASURE_WATER_G || i == MEASURE_BEVERAGE_G;

        if (type == SQLITE_NULL)
            continue;
        if (isnan(value) || value < measure_least((enum measure)i) || value > measure_most((enum measure)i)
            || (mass && !(value > 0))) {
            cup->impossible = i;
            continue;
        }
        cup->measures.value[i] = value;
        cup->measures.standard_uncertainty[i] = uncertainty >= 0 ? uncertainty : (double)NAN;
    }
    /* what was computed from an impossible number is not known either */
    if (cup->impossible >= 0 && cup->impossible != MEASURE_DRIP_G && cup->impossible != MEASURE_SLURRY_C)
        for (int i = MEASURE_EXTRACTION_PCT; i < MEASURE_COUNT; i++)
            cup->measures.value[i] = cup->measures.standard_uncertainty[i] = NAN;
}

static int take_cup(sqlite3_stmt *row, struct cup *cup)
{
    memset(cup, 0, sizeof *cup);
    copy(cup->brew, sizeof cup->brew, row, 0);
    copy(cup->bench, sizeof cup->bench, row, 1);
    copy(cup->station, sizeof cup->station, row, 2);
    copy(cup->began_utc, sizeof cup->began_utc, row, 3);
    copy(cup->ended_utc, sizeof cup->ended_utc, row, 4);
    cup->experiment = owned(row, 5);
    cup->run = count_or_none(row, 6);
    cup->replicate = count_or_none(row, 7);
    cup->factors = object_or_null(row, 8);
    cup->recipe = object_or_null(row, 9);
    take_measures(row, cup);
    cup->plan_kept = count_or_none(row, COLUMNS_BEFORE + 2 * MEASURE_COUNT);
    cup->note = owned(row, COLUMNS_BEFORE + 2 * MEASURE_COUNT + 1);
    cup->duration_s = number_or_nan(row, COLUMNS_BEFORE + 2 * MEASURE_COUNT + 2);
    return 0;
}

static void cup_free(struct cup *cup)
{
    free(cup->experiment);
    free(cup->note);
    json_decref(cup->factors);
    json_decref(cup->recipe);
}

void cups_free(struct cups *cups)
{
    for (size_t i = 0; i < cups->count; i++)
        cup_free(&cups->cup[i]);
    free(cups->cup);
    memset(cups, 0, sizeof *cups);
}

bool cup_level(const struct cup *cup, const char *factor, char out[WORDS_SIZE])
{
    const json_t *value = json_object_get(cup->factors, factor);

    if (json_is_string(value))
        snprintf(out, WORDS_SIZE, "%s", json_string_value(value));
    else if (json_is_number(value))
        snprintf(out, WORDS_SIZE, "%.10g", json_number_value(value));
    else
        return false;
    return true;
}

static bool wanted(const struct cup *cup, const struct cups_filter *filter)
{
    char level[WORDS_SIZE];

    if (!filter->factor)
        return true;
    return cup_level(cup, filter->factor, level) && (!filter->level || strcmp(level, filter->level) == 0);
}

static void bind(sqlite3_stmt *statement, int place, const char *text)
{
    if (text && text[0])
        sqlite3_bind_text(statement, place, text, -1, SQLITE_STATIC);
}

int cups_load(sqlite3 *database, const struct cups_filter *filter, struct cups *out, struct why *why)
{
    char *text = statement_text();
    sqlite3_stmt *statement = NULL;
    struct cups cups = { NULL, 0 };
    size_t size = 0;
    int code = text ? sqlite3_prepare_v2(database, text, -1, &statement, NULL) : SQLITE_NOMEM, error = 0;

    sqlite3_free(text);
    if (code == SQLITE_OK) {
        bind(statement, 1, filter->experiment);
        bind(statement, 2, filter->brew);
        bind(statement, 3, filter->bench);
        bind(statement, 4, filter->since);
        bind(statement, 5, filter->until);
        while (!error && (code = sqlite3_step(statement)) == SQLITE_ROW) {
            if (cups.count == size) {
                struct cup *more = realloc(cups.cup, (size = size ? 2 * size : 64) * sizeof *more);

                if (!more) {
                    error = why_set(why, -ENOMEM, "not enough memory for the cups");
                    break;
                }
                cups.cup = more;
            }
            take_cup(statement, &cups.cup[cups.count]);
            if (wanted(&cups.cup[cups.count], filter))
                cups.count++;
            else
                cup_free(&cups.cup[cups.count]);
        }
    }
    if (!error && code != SQLITE_DONE)
        error = why_set(why, -EIO, "reading the store: %s", sqlite3_errmsg(database));
    sqlite3_finalize(statement);
    if (error)
        cups_free(&cups);
    else
        *out = cups;
    return error;
}

/* --- words --- */

static bool ends_with(const char *name, const char *end)
{
    size_t length = strlen(name), tail = strlen(end);

    return length >= tail && strcmp(name + length - tail, end) == 0;
}

const char *unit_of(const char *name)
{
    static const struct { const char *end, *unit; } units[] = {
        { "_g_per_g", "g/g" }, { "_g", "g" }, { "_s", "s" }, { "_kpa", "kPa" }, { "_c", "°C" }, { "_pct", "%" },
        { "_mm", "mm" },
    };

    for (size_t i = 0; i < sizeof units / sizeof *units; i++)
        if (ends_with(name, units[i].end))
            return units[i].unit;
    return "";
}

const char *call_of(const char *name)
{
    static const struct { const char *name, *call; } calls[] = {
        { "dose_g", "dose" }, { "water_g", "water" }, { "beverage_g", "beverage" }, { "steep_s", "steep time" },
        { "bloom_s", "bloom time" }, { "settle_s", "settling time" }, { "press_s", "press time" },
        { "press_peak_kpa", "peak pressure" }, { "press_mean_kpa", "mean pressure" }, { "drip_g", "drip-through" },
        { "slurry_c", "slurry temperature" }, { "strength_pct", "strength" }, { "extraction_pct", "extraction" },
        { "extraction_total_pct", "extraction in all" }, { "retained_g_per_g", "retained liquid" },
        { "temperature_c", "water temperature" },
    };

    for (size_t i = 0; i < sizeof calls / sizeof *calls; i++)
        if (strcmp(name, calls[i].name) == 0)
            return calls[i].call;
    return name;
}
