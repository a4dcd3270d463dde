/* The brews in the store: a table for people, every column for machines. */
#include <math.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "ctl.h"
#include "poise/messages.h"
#include "poise/program.h"
#include "poise/store.h"

/* The columns of the table, those of an ordinary cup; --json has them all. */
static const struct {
    enum measure measure;
    const char *title;
    int width;
} columns[] = {
    { MEASURE_DOSE_G, "dose g", 7 },
    { MEASURE_WATER_G, "water g", 8 },
    { MEASURE_BEVERAGE_G, "cup g", 7 },
    { MEASURE_STEEP_S, "steep s", 8 },
    { MEASURE_PRESS_S, "press s", 8 },
    { MEASURE_PRESS_PEAK_KPA, "peak", 11 }, /* with its unit */
    { MEASURE_STRENGTH_PCT, "strength %", 11 },
    { MEASURE_EXTRACTION_PCT, "extraction %", 13 },
};

enum { COLUMN_COUNT = sizeof columns / sizeof *columns };

/* "press_peak_kpa,steep_s": the measures that are lower bounds. */
static bool is_above(const char *list, const char *measure)
{
    size_t length = strlen(measure);

    for (const char *at = list; at && *at; at = strchr(at, ',') ? strchr(at, ',') + 1 : NULL)
        if (strncmp(at, measure, length) == 0 && (at[length] == ',' || at[length] == '\0'))
            return true;
    return false;
}

static json_t *above_json(const char *list)
{
    json_t *array = json_array();

    for (int measure = 0; measure < MEASURE_COUNT; measure++)
        if (is_above(list, measure_name((enum measure)measure))
            && json_array_append_new(array, json_string(measure_name((enum measure)measure))) < 0) {
            json_decref(array);
            return NULL;
        }
    return array;
}

/* What is no UTF-8 is shown as far as it is plain. */
static json_t *words_json(const char *text)
{
    json_t *string = json_string(text);
    char *plain = string ? NULL : strdup(text);

    if (!plain)
        return string;
    for (char *at = plain; *at; at++)
        if ((unsigned char)*at >= 0x80)
            *at = '?';
    string = json_string(plain);
    free(plain);
    return string;
}

/* NULL: no memory. */
static json_t *column_json(sqlite3_stmt *row, int column)
{
    const char *name = sqlite3_column_name(row, column), *text;
    json_t *nested;

    if (strcmp(name, "above") == 0)
        return above_json((const char *)sqlite3_column_text(row, column));
    switch (sqlite3_column_type(row, column)) {
    case SQLITE_NULL:
        return json_null();
    case SQLITE_INTEGER:
        return json_integer(sqlite3_column_int64(row, column));
    case SQLITE_FLOAT:
        return json_real(sqlite3_column_double(row, column));
    default:
        break;
    }
    text = (const char *)sqlite3_column_text(row, column);
    if (!text)
        return json_null();
    if (strcmp(name, "factors") == 0 || strcmp(name, "recipe") == 0) {
        nested = json_loads(text, 0, NULL); /* objects, kept as text */
        if (nested)
            return nested;
    }
    return words_json(text);
}

/* SQLITE_OK, or SQLITE_NOMEM: nothing was printed. */
static int print_row_json(sqlite3_stmt *row)
{
    json_t *object = json_object();
    int failed = 0;

    for (int column = 0; column < sqlite3_column_count(row) && !failed; column++)
        failed = json_object_set_new(object, sqlite3_column_name(row, column), column_json(row, column));
    if (!failed)
        ctl_print_json(object);
    json_decref(object);
    return failed ? SQLITE_NOMEM : SQLITE_OK;
}

static int column_find(sqlite3_stmt *row, const char *name)
{
    for (int column = 0; column < sqlite3_column_count(row); column++)
        if (strcmp(sqlite3_column_name(row, column), name) == 0)
            return column;
    return -1;
}

static const char *text_of(sqlite3_stmt *row, const char *name, char *out, size_t size)
{
    int column = column_find(row, name);
    const char *text = column < 0 ? NULL : (const char *)sqlite3_column_text(row, column);

    return ctl_printable(text ? text : "", out, size);
}

static void print_title(void)
{
    printf("%-20s %-16s", "brew", "began (UTC)");
    for (int i = 0; i < COLUMN_COUNT; i++)
        printf("%*s", columns[i].width, columns[i].title);
    printf("  plan    note\n");
}

/* "15.6"; ">15.6" where more is likely: the scale was at its end. */
static const char *value_words(double value, enum measure measure, bool above, const struct guide_units *units,
                               char *out, size_t size)
{
    snprintf(out, size, "%s", above ? ">" : "");
    if (measure == MEASURE_PRESS_PEAK_KPA)
        guide_measure_words(measure, value, NAN, false, units, out + strlen(out), size - strlen(out));
    else
        snprintf(out + strlen(out), size - strlen(out), "%.*f", measure_decimals(measure), value);
    return out;
}

static void print_row(sqlite3_stmt *row, const struct guide_units *units)
{
    char brew[BREW_SIZE], began[32], note[DETAIL_SIZE], value[32];
    int kept = column_find(row, "plan_kept"), above = column_find(row, "above");
    const char *bounds = above < 0 ? NULL : (const char *)sqlite3_column_text(row, above);
    const char *plan = kept < 0 || sqlite3_column_type(row, kept) == SQLITE_NULL ? "-"
                       : sqlite3_column_int(row, kept)                           ? "kept"
                                                                                 : "missed";

    text_of(row, "began_utc", began, sizeof began);
    if (strlen(began) > 16) {
        began[10] = ' ';
        began[16] = '\0'; /* to the minute */
    }
    printf("%-20s %-16s", text_of(row, "brew", brew, sizeof brew), began);
    for (int i = 0; i < COLUMN_COUNT; i++) {
        int column = column_find(row, measure_name(columns[i].measure));

        if (column < 0 || sqlite3_column_type(row, column) == SQLITE_NULL)
            printf("%*s", columns[i].width, "-");
        else
            printf("%*s", columns[i].width,
                   value_words(sqlite3_column_double(row, column), columns[i].measure,
                               is_above(bounds, measure_name(columns[i].measure)), units, value, sizeof value));
    }
    printf("  %-6s  %s\n", plan, text_of(row, "note", note, sizeof note));
}

/* The rows asked for, oldest first.  Returns the last code of SQLite. */
static int print_rows(const struct ctl *ctl, sqlite3 *database, const char *brew, const struct guide_units *units,
                      long *count)
{
    static const char query[] = "SELECT * FROM (SELECT * FROM brew_summary WHERE ?1 IS NULL OR brew = ?1"
                                " ORDER BY began_utc DESC, brew DESC LIMIT ?2) ORDER BY began_utc, brew";
    sqlite3_stmt *row;
    int code = sqlite3_prepare_v2(database, query, -1, &row, NULL);

    if (code != SQLITE_OK)
        return code;
    sqlite3_bind_text(row, 1, brew, -1, SQLITE_STATIC); /* NULL when no brew was named */
    sqlite3_bind_int64(row, 2, ctl->count);             /* negative: all */
    while ((code = sqlite3_step(row)) == SQLITE_ROW) {
        if (!ctl->json && *count == 0)
            print_title();
        (*count)++;
        if (!ctl->json)
            print_row(row, units);
        else if ((code = print_row_json(row)) != SQLITE_OK)
            break;
    }
    sqlite3_finalize(row);
    return code;
}

int command_brews(const struct ctl *ctl)
{
    char brew[BREW_SIZE];
    struct guide_units bench, units;
    struct store *store;
    struct why why;
    long count = 0;
    int code, status = EXIT_DONE;

    if (store_open(&store, ctl->store, STORE_READ, &why) < 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    if (ctl->brew && store_brew_named(store, ctl->brew, brew, &why) < 0) {
        program_message("%s", why.text);
        store_close(store);
        return EXIT_FAILED;
    }
    bench = store_units(store);
    units = shown_units_at(&ctl->units, &bench);
    code = print_rows(ctl, store_database(store), ctl->brew ? brew : NULL, &units, &count);
    if (code != SQLITE_DONE) {
        program_message("%s: reading the brews: %s", ctl->store,
                        code == SQLITE_NOMEM ? "not enough memory" : sqlite3_errmsg(store_database(store)));
        status = EXIT_FAILED;
    } else if (count == 0 && !ctl->json) {
        program_message("%s: no brew yet", ctl->store);
    }
    store_close(store);
    return status;
}
