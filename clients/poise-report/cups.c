/* Cups out of the store; see cups.h.  It computes nothing. */
#include "cups.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "forms/document.h"
#include "poise/store_curve.h"
#include "poise/short_memory.h"

static struct guide_units shown_in = { GUIDE_KPA, false };

void cups_show_in(const struct guide_units *units)
{
    shown_in = *units;
}

struct guide_shown cups_shown(const char *kept)
{
    return guide_unit_shown(kept, &shown_in);
}

int decimals_shown(enum measure measure)
{
    return measure_decimals(measure) + cups_shown(measure_unit(measure)).decimals;
}

/* Columns of the statement below: those every reader needs, those of a cup read whole, then the measures. */
enum column {
    BREW,
    BENCH,
    BEGAN,
    REPLICATE,
    FACTORS,
    RECIPE,
    PLAN_KEPT,
    OUTLINE,
    STATION = OUTLINE,
    ENDED,
    EXPERIMENT,
    RUN,
    NOTE,
    DURATION,
    STEPS,
    WHOLE
};

unsigned cups_basis(enum measure measure)
{
    enum {
        DOSE = 1U << MEASURE_DOSE_G,
        WATER = 1U << MEASURE_WATER_G,
        BEVERAGE = 1U << MEASURE_BEVERAGE_G,
        STRENGTH = 1U << MEASURE_STRENGTH_PCT
    };
    unsigned itself = 1U << measure;

    switch (measure) {
    case MEASURE_EXTRACTION_PCT:
        return itself | STRENGTH | BEVERAGE | DOSE;
    case MEASURE_EXTRACTION_TOTAL_PCT:
        return itself | STRENGTH | WATER | DOSE;
    case MEASURE_RETAINED_G_PER_G:
        return itself | WATER | BEVERAGE | DOSE;
    default:
        return itself;
    }
}

static bool reads(const struct cups_filter *filter, int measure)
{
    return !filter->measures || filter->measures >> measure & 1;
}

/* Only a press can be a lower bound; where no pressure is read the column is not paid for. */
static bool reads_above(const struct cups_filter *filter)
{
    return reads(filter, MEASURE_PRESS_PEAK_KPA) || reads(filter, MEASURE_PRESS_MEAN_KPA);
}

static char *statement_text(const struct cups_filter *filter)
{
    static const char outline[] = "SELECT brew, bench, began_utc, replicate, factors, recipe, plan_kept";
    static const char whole[] = ", station, ended_utc, experiment, run, note,"
                                /* by the steady clock, unless the computer was restarted in between */
                                " (SELECT round((CASE WHEN b.ended_mono_us >= b.began_mono_us AND NOT EXISTS (SELECT 1"
                                " FROM stage o WHERE o.brew_id = b.brew_id AND o.boot_id <> b.boot_id)"
                                " THEN b.ended_mono_us - b.began_mono_us ELSE b.ended_us - b.began_us END) / 1e6, 1)"
                                " FROM brew b WHERE b.name = brew_summary.brew),"
                                " (SELECT nullif(count(DISTINCT s.stage), 0) FROM brew_stage s WHERE s.brew ="
                                " brew_summary.brew AND s.stage NOT IN ('idle', 'strength', 'done'))";
    sqlite3_str *sql = sqlite3_str_new(NULL);

    sqlite3_str_appendall(sql, outline);
    if (!filter->measures)
        sqlite3_str_appendall(sql, whole);
    for (int i = 0; i < MEASURE_COUNT; i++)
        if (reads(filter, i))
            sqlite3_str_appendf(sql, filter->measures ? ", %s" : ", %s, %s_u", measure_name((enum measure)i),
                                measure_name((enum measure)i));
    if (reads_above(filter))
        sqlite3_str_appendall(sql, ", above");
    sqlite3_str_appendall(sql, " FROM brew_summary");
    if (filter->experiment)
        sqlite3_str_appendall(sql, " WHERE experiment = ?1 AND ended_utc IS NOT NULL");
    else
        sqlite3_str_appendall(sql, " WHERE (?2 IS NULL OR brew = ?2) AND (?3 IS NULL OR bench = ?3)"
                                   " AND (?4 IS NULL OR began_utc >= ?4) AND (?5 IS NULL OR began_utc < ?5 || '~')");
    sqlite3_str_appendall(sql, " ORDER BY began_utc, brew");
    return sqlite3_str_finish(sql);
}

static void copy(char *out, size_t size, sqlite3_stmt *row, int column)
{
    const char *text = (const char *)sqlite3_column_text(row, column);

    snprintf(out, size, "%s", text ? text : "");
    text_make_valid(out);
}

static char *owned(sqlite3_stmt *row, int column)
{
    const char *text = (const char *)sqlite3_column_text(row, column);
    char *copied = text ? strdup(text) : NULL;

    if (text && !copied)
        short_memory_end();
    if (copied)
        text_make_valid(copied);
    return copied;
}

static int count_or_none(sqlite3_stmt *row, int column)
{
    return sqlite3_column_type(row, column) == SQLITE_INTEGER ? sqlite3_column_int(row, column) : -1;
}

/* Cups of one experiment share a handful of factors and recipes: those met lately are not read again. */
enum { LATELY = 32 };

struct objects {
    struct object {
        char *text;
        json_t *object; /* NULL: the text is none */
    } lately[LATELY];
    int next;
};

static json_t *object_or_null(sqlite3_stmt *row, int column, struct objects *objects)
{
    const char *text = (const char *)sqlite3_column_text(row, column);
    struct object *object;

    if (!text)
        return NULL;
    for (int i = 0; i < LATELY && objects->lately[i].text; i++)
        if (strcmp(objects->lately[i].text, text) == 0)
            return json_incref(objects->lately[i].object);
    object = &objects->lately[objects->next];
    objects->next = (objects->next + 1) % LATELY;
    free(object->text);
    json_decref(object->object);
    object->text = strdup(text);
    object->object = json_loads(text, JSON_REJECT_DUPLICATES, NULL);
    if (!json_is_object(object->object)) {
        json_decref(object->object);
        object->object = NULL;
    }
    return json_incref(object->object);
}

static void forget(struct objects *objects)
{
    for (int i = 0; i < LATELY; i++) {
        free(objects->lately[i].text);
        json_decref(objects->lately[i].object);
    }
}

static double number_or_nan(sqlite3_stmt *row, int column)
{
    int type = sqlite3_column_type(row, column);
    double number = type == SQLITE_FLOAT || type == SQLITE_INTEGER ? sqlite3_column_double(row, column) : (double)NAN;

    return isfinite(number) ? number : (double)NAN;
}

double cup_value(const struct cup *cup, enum measure measure)
{
    return cup->above >> measure & 1 ? (double)NAN : cup->measures.value[measure];
}

/* "press_peak_kpa,press_mean_kpa" as bits. */
static unsigned above_bits(const char *list)
{
    unsigned bits = 0;
    char name[64];

    for (size_t length; list && *list; list += length + (list[length] == ',')) {
        length = strcspn(list, ",");
        snprintf(name, sizeof name, "%.*s", (int)(length < sizeof name ? length : sizeof name - 1), list);
        if (measure_find(name) >= 0)
            bits |= 1U << measure_find(name);
    }
    return bits;
}

/* The messages are checked where they enter; a store may have been edited or damaged since. */
static void take_measures(sqlite3_stmt *row, const struct cups_filter *filter, struct cup *cup)
{
    int column = filter->measures ? OUTLINE : WHOLE;

    measures_clear(&cup->measures);
    for (int i = 0; i < MEASURE_COUNT; i++) {
        enum measure measure = (enum measure)i;
        struct guide_shown shown;
        double uncertainty = NAN;
        int at = column;

        if (!reads(filter, i))
            continue;
        column += filter->measures ? 1 : 2;
        if (sqlite3_column_type(row, at) == SQLITE_NULL)
            continue;
        cup->measures.value[i] = store_believable(row, at, measure);
        if (isnan(cup->measures.value[i])) {
            cup->impossible |= 1U << i;
            continue;
        }
        if (!filter->measures)
            uncertainty = number_or_nan(row, at + 1);
        shown = cups_shown(measure_unit(measure));
        cup->measures.value[i] = cup->measures.value[i] * shown.each + shown.from;
        cup->measures.standard_uncertainty[i] = uncertainty >= 0 ? uncertainty * shown.each : (double)NAN;
    }
    if (reads_above(filter))
        cup->above = above_bits((const char *)sqlite3_column_text(row, column));
    /* what was computed from an impossible number is not known either */
    for (int i = 0; i < MEASURE_COUNT && cup->impossible; i++)
        if (cup->impossible & cups_basis((enum measure)i))
            cup->measures.value[i] = cup->measures.standard_uncertainty[i] = NAN;
}

static void take_cup(sqlite3_stmt *row, const struct cups_filter *filter, struct objects *factors,
                     struct objects *recipes, struct cup *cup)
{
    memset(cup, 0, sizeof *cup);
    copy(cup->brew, sizeof cup->brew, row, BREW);
    copy(cup->bench, sizeof cup->bench, row, BENCH);
    copy(cup->began_utc, sizeof cup->began_utc, row, BEGAN);
    cup->replicate = count_or_none(row, REPLICATE);
    cup->factors = object_or_null(row, FACTORS, factors);
    cup->recipe = object_or_null(row, RECIPE, recipes);
    cup->plan_kept = count_or_none(row, PLAN_KEPT);
    cup->run = -1;
    cup->duration_s = cup->steps = NAN;
    if (!filter->measures) {
        copy(cup->station, sizeof cup->station, row, STATION);
        copy(cup->ended_utc, sizeof cup->ended_utc, row, ENDED);
        cup->experiment = owned(row, EXPERIMENT);
        cup->run = count_or_none(row, RUN);
        cup->note = owned(row, NOTE);
        cup->duration_s = number_or_nan(row, DURATION);
        cup->steps = number_or_nan(row, STEPS);
    }
    take_measures(row, filter, cup);
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

    if (!value)
        value = json_object_get(cup->recipe, factor);
    if (json_is_string(value))
        snprintf(out, WORDS_SIZE, "%s", json_string_value(value));
    else if (json_is_number(value))
        snprintf(out, WORDS_SIZE, "%.10g", json_number_value(value));
    else
        return false;
    text_make_valid(out); /* where a long one was cut */
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

static int prepare(sqlite3 *database, const struct cups_filter *filter, sqlite3_stmt **statement)
{
    char *text = statement_text(filter);
    int code = text ? sqlite3_prepare_v2(database, text, -1, statement, NULL) : SQLITE_NOMEM;

    sqlite3_free(text);
    if (code != SQLITE_OK)
        return code;
    bind(*statement, 1, filter->experiment);
    bind(*statement, 2, filter->brew);
    bind(*statement, 3, filter->bench);
    bind(*statement, 4, filter->since);
    bind(*statement, 5, filter->until);
    return SQLITE_OK;
}

char *cups_sql(sqlite3 *database, const struct cups_filter *filter)
{
    sqlite3_stmt *statement = NULL;
    char *text = prepare(database, filter, &statement) == SQLITE_OK ? sqlite3_expanded_sql(statement) : NULL;

    sqlite3_finalize(statement);
    return text;
}

/* The next cup's place; NULL: no memory. */
static struct cup *room_for_one(struct cups *cups, size_t *size)
{
    struct cup *more;

    if (cups->count == *size) {
        more = realloc(cups->cup, (*size ? 2 * *size : 64) * sizeof *more);
        if (!more)
            return NULL;
        cups->cup = more;
        *size = *size ? 2 * *size : 64;
    }
    return &cups->cup[cups->count];
}

static bool ends_with(const char *name, const char *end)
{
    size_t length = strlen(name), tail = strlen(end);

    return length >= tail && strcmp(name + length - tail, end) == 0;
}

/* As measures and settings are kept. */
static const char *kept_unit(const char *name)
{
    static const struct {
        const char *end, *unit;
    } units[] = {
        { "_g_per_g", "g/g" }, { "_g", "g" },   { "_s", "s" },   { "_kpa", "kPa" },
        { "_c", "°C" },        { "_pct", "%" }, { "_mm", "mm" },
    };

    for (size_t i = 0; i < sizeof units / sizeof *units; i++)
        if (ends_with(name, units[i].end))
            return units[i].unit;
    return "";
}

/* Settings that cups share, as they are kept and in the reader's units. */
struct settings {
    json_t *kept[LATELY], *shown[LATELY];
    int next;
};

double setting_shown(const char *name, double kept)
{
    struct guide_shown unit = cups_shown(kept_unit(name));
    double number = kept * unit.each + unit.from;
    double digits = unit.from != 0 ? 1 : 3 - floor(log10(fabs(number)));

    if (unit.each == 1 || !isfinite(digits))
        return number;
    return round(number * pow(10, digits)) / pow(10, digits);
}

static json_t *converted(const json_t *settings)
{
    json_t *shown = json_deep_copy(settings), *value;
    const char *name;

    json_object_foreach((json_t *)settings, name, value)
    {
        if (json_is_number(value) && cups_shown(kept_unit(name)).each != 1)
            json_object_set_new(shown, name, json_real(setting_shown(name, json_number_value(value))));
    }
    if (!shown)
        short_memory_end();
    return shown;
}

static void show_settings(json_t **settings, struct settings *lately)
{
    int place = 0;

    if (!*settings || (shown_in.pressure == GUIDE_KPA && !shown_in.fahrenheit))
        return;
    while (place < LATELY && lately->kept[place] != *settings)
        place++;
    if (place == LATELY) {
        place = lately->next;
        lately->next = (place + 1) % LATELY;
        json_decref(lately->kept[place]);
        json_decref(lately->shown[place]);
        lately->kept[place] = json_incref(*settings);
        lately->shown[place] = converted(*settings);
    }
    json_decref(*settings);
    *settings = json_incref(lately->shown[place]);
}

static void forget_settings(struct settings *lately)
{
    for (int i = 0; i < LATELY; i++) {
        json_decref(lately->kept[i]);
        json_decref(lately->shown[i]);
    }
}

int cups_load(sqlite3 *database, const struct cups_filter *filter, struct cups *out, struct why *why)
{
    struct objects factors = { .next = 0 }, recipes = { .next = 0 };
    struct settings shown_factors = { .next = 0 }, shown_recipes = { .next = 0 };
    sqlite3_stmt *statement = NULL;
    struct cups cups = { NULL, 0 };
    size_t size = 0;
    int code = prepare(database, filter, &statement), error = 0;

    while (code == SQLITE_OK || code == SQLITE_ROW) {
        struct cup *cup;

        code = sqlite3_step(statement);
        if (code != SQLITE_ROW)
            break;
        cup = room_for_one(&cups, &size);
        if (!cup) {
            error = why_set(why, -ENOMEM, "not enough memory for the cups");
            break;
        }
        take_cup(statement, filter, &factors, &recipes, cup);
        if (wanted(cup, filter)) {
            show_settings(&cup->factors, &shown_factors);
            show_settings(&cup->recipe, &shown_recipes);
            cups.count++;
        } else {
            cup_free(cup);
        }
    }
    if (!error && code != SQLITE_DONE)
        error = why_set(why, -EIO, "reading the store: %s", sqlite3_errmsg(database));
    sqlite3_finalize(statement);
    forget(&factors);
    forget(&recipes);
    forget_settings(&shown_factors);
    forget_settings(&shown_recipes);
    if (error)
        cups_free(&cups);
    else
        *out = cups;
    return error;
}

/* --- words --- */

const char *unit_of(const char *name)
{
    return cups_shown(kept_unit(name)).unit;
}

const char *step_of(const char *measure)
{
    const char *unit = unit_of(measure);

    return strcmp(unit, "%") == 0 ? "points" : unit;
}

bool changes_ratio(const char *factor)
{
    return strcmp(factor, "dose_g") == 0 || strcmp(factor, "water_g") == 0 || strcmp(factor, "ratio") == 0;
}

const char *call_of(const char *name)
{
    static const struct {
        const char *name, *call;
    } calls[] = {
        { "dose_g", "dose" },
        { "water_g", "water" },
        { "beverage_g", "beverage" },
        { "steep_s", "steep time" },
        { "bloom_s", "bloom time" },
        { "settle_s", "settling time" },
        { "press_s", "press time" },
        { "press_peak_kpa", "peak pressure" },
        { "press_mean_kpa", "mean pressure" },
        { "drip_g", "drip-through" },
        { "pressed_dry", "pressed dry" },
        { "slurry_c", "slurry temperature" },
        { "strength_pct", "strength" },
        { "extraction_pct", "extraction" },
        { "extraction_total_pct", "total extraction" },
        { "retained_g_per_g", "retained liquid" },
        { "temperature_c", "water temperature" },
        { "bloom_g", "bloom water" },
        { "dilution_g", "dilution" },
        { "roast_days", "days since roast" },
    };

    for (size_t i = 0; i < sizeof calls / sizeof *calls; i++)
        if (strcmp(name, calls[i].name) == 0)
            return calls[i].call;
    if (strncmp(name, "own_", 4) == 0 && name[4]) /* the bench's own names; people leave that out */
        return name + 4;
    return name;
}

void state_level(const char *factor, bool numeric, const char *label, char out[WORDS_SIZE])
{
    const char *unit = numeric ? unit_of(factor) : "";

    if (strcmp(factor, "pressed_dry") == 0)
        snprintf(out, WORDS_SIZE, "%s", strcmp(label, "0") == 0 ? "stopped before" : "pressed dry");
    else if (!label[strspn(label, " ")])
        snprintf(out, WORDS_SIZE, "(blank)");
    else
        snprintf(out, WORDS_SIZE, "%.60s%s%s", label, *unit ? " " : "", unit);
    text_make_valid(out);
}
