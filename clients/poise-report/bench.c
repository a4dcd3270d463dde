/* poise-report bench: is each instrument what it was?  What it showed of water, of nothing, of a check weight or a
 * solution, how much its readings of one sample differ, and the brews of a plan with control = yes, each charted. */
#include "report.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_fit.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "poise/control_chart.h"
#include "poise/program.h"
#include "poise/plan.h"

enum { POINTS_MOST = 1000, ROWS_MOST = 64 }; /* the newest of one row; a bench has fewer rows */

/* As the daemon charts spreads: the cube root of their square is nearly normal (Wilson & Hilferty 1931). */
static const double USUAL_SPREAD_PCT = 0.012;

/* One thing that an instrument is shown again and again. */
struct shown_again {
    char instrument[NAME_SIZE + 32], kind[NAME_SIZE], unit[16];
    double value[POINTS_MOST], reference[POINTS_MOST]; /* reference NAN: not known */
    char when[POINTS_MOST][20];
    int count;
    /* found */
    int alarms, last_alarm; /* the place of the last one; -1: none */
    struct control_alarm alarm;
    double mean, spread; /* since then */
};

struct bench_rows {
    struct shown_again *row[ROWS_MOST];
    int count;
};

static void free_rows(struct bench_rows *rows)
{
    for (int i = 0; i < rows->count; i++)
        free(rows->row[i]);
    rows->count = 0;
}

static struct shown_again *row_of(struct bench_rows *rows, const char *instrument, const char *kind, const char *unit)
{
    struct shown_again *row;

    for (int i = 0; i < rows->count; i++)
        if (strcmp(rows->row[i]->instrument, instrument) == 0 && strcmp(rows->row[i]->kind, kind) == 0)
            return rows->row[i];
    if (rows->count == ROWS_MOST || !(row = calloc(1, sizeof *row)))
        return NULL;
    snprintf(row->instrument, sizeof row->instrument, "%s", instrument);
    snprintf(row->kind, sizeof row->kind, "%s", kind);
    snprintf(row->unit, sizeof row->unit, "%s", unit);
    rows->row[rows->count++] = row;
    return row;
}

static void add_value(struct shown_again *row, double value, double reference, const char *when)
{
    int place;

    if (row->count == POINTS_MOST) {
        row->count--;
        memmove(row->value, row->value + 1, (size_t)row->count * sizeof *row->value);
        memmove(row->reference, row->reference + 1, (size_t)row->count * sizeof *row->reference);
        memmove(row->when, row->when + 1, (size_t)row->count * sizeof *row->when);
    }
    place = row->count++;
    row->value[place] = value;
    row->reference[place] = reference;
    snprintf(row->when[place], sizeof row->when[place], "%s", when ? when : "");
}

/* ---- read ---- */

static const char *text_at(sqlite3_stmt *statement, int column)
{
    const char *text = (const char *)sqlite3_column_text(statement, column);

    return text ? text : "";
}

static double number_at(sqlite3_stmt *statement, int column)
{
    return sqlite3_column_type(statement, column) == SQLITE_NULL ? NAN : sqlite3_column_double(statement, column);
}

static int read_checks(sqlite3 *database, const char *bench, struct bench_rows *out)
{
    static const char sql[] = "SELECT c.instrument, c.kind, c.value, c.reference, strftime('%Y-%m-%d %H:%M', c.time_us"
                              " / 1000000, 'unixepoch') FROM instrument_check c JOIN bench h USING (bench_id)"
                              " WHERE ?1 IS NULL OR h.name = ?1 ORDER BY c.time_us, c.seq";
    sqlite3_stmt *statement = NULL;
    int code = sqlite3_prepare_v2(database, sql, -1, &statement, NULL);

    if (code == SQLITE_OK && bench)
        sqlite3_bind_text(statement, 1, bench, -1, SQLITE_STATIC);
    while (code == SQLITE_OK && sqlite3_step(statement) == SQLITE_ROW) {
        const char *kind = text_at(statement, 1);
        struct shown_again *row;

        for (int known = 0; known < CHECK_CONTROL; known++) /* control brews are read off the brews themselves */
            if (strcmp(kind, check_kind_name((enum check_kind)known)) == 0
                && (row = row_of(out, text_at(statement, 0), kind, check_kind_unit((enum check_kind)known))))
                add_value(row, number_at(statement, 2), number_at(statement, 3), text_at(statement, 4));
    }
    return sqlite3_finalize(statement);
}

/* A plan that is brewed to watch the bench. */
static bool is_control(const char *definition)
{
    struct plan_mistakes mistakes;
    struct plan plan;
    struct why why;

    return plan_read(&plan, definition, strlen(definition), &mistakes, &why) == 0 && plan.control;
}

static int read_controls(sqlite3 *database, const char *bench, struct bench_rows *out)
{
    static const char sql[] =
        "SELECT e.name, e.definition, s.extraction_pct, substr(s.began_utc, 1, 16) FROM"
        " brew_summary s JOIN experiment e ON e.name = s.experiment WHERE e.definition IS NOT NULL"
        " AND s.extraction_pct IS NOT NULL AND (?1 IS NULL OR s.bench = ?1) ORDER BY s.began_utc";
    sqlite3_stmt *statement = NULL;
    int code = sqlite3_prepare_v2(database, sql, -1, &statement, NULL);

    if (code == SQLITE_OK && bench)
        sqlite3_bind_text(statement, 1, bench, -1, SQLITE_STATIC);
    while (code == SQLITE_OK && sqlite3_step(statement) == SQLITE_ROW) {
        struct shown_again *row;

        if (is_control(text_at(statement, 1)) && (row = row_of(out, text_at(statement, 0), "control", "%")))
            add_value(row, number_at(statement, 2), NAN, text_at(statement, 3));
    }
    return sqlite3_finalize(statement);
}

/* ---- charted ---- */

/* Of what is known in size it matters by how much it is off. */
static bool is_off(const struct shown_again *row)
{
    return strcmp(row->kind, "mass") == 0 || strcmp(row->kind, "brix") == 0 || strcmp(row->kind, "vessel") == 0;
}

static double shown(const struct shown_again *row, int place)
{
    return row->value[place] - (is_off(row) && !isnan(row->reference[place]) ? row->reference[place] : 0);
}

static double charted(const struct shown_again *row, int place)
{
    double value = row->value[place], reference = row->reference[place];

    if (strcmp(row->kind, "spread") == 0)
        return cbrt(value * value / (USUAL_SPREAD_PCT * USUAL_SPREAD_PCT));
    return isnan(reference) ? value : value - reference;
}

/* Deviations from what was shown of that before; each alarm begins the chart again. */
static void chart_row(struct shown_again *row, double *deviates)
{
    struct control_chart chart = { .count = 0 };
    double sum = 0, squares = 0;
    int from = 0, begun = 0;

    row->last_alarm = -1;
    for (int i = 0; i < row->count; i++) {
        struct control_alarm alarm;
        /* drops on vessels are not normal: poised charts medians, and its alarm is in the record */
        bool rings = strcmp(row->kind, "vessel") != 0 && control_take(&chart, charted(row, i), &alarm);

        deviates[i] = strcmp(row->kind, "vessel") != 0 ? alarm.deviate : 0;
        if (!rings)
            continue;
        row->alarms++;
        row->last_alarm = i;
        row->alarm = alarm;
        from = begun + alarm.since;
        begun = i + 1;
        control_again(&chart);
    }
    for (int i = from; i < row->count; i++)
        sum += shown(row, i) / (row->count - from);
    for (int i = from; i < row->count; i++)
        squares += pow(shown(row, i) - sum, 2);
    row->mean = sum;
    row->spread = row->count - from > 1 ? sqrt(squares / (row->count - from - 1)) : NAN;
    row->alarm.since = from;
}

static const char *what_of(const char *kind)
{
    static const struct {
        const char *kind, *words;
    } all[] = { { "blank", "water" },
                { "spread", "readings of one sample differ" },
                { "zero", "nothing on it" },
                { "mass", "check weight, off by" },
                { "vessel", "known vessels, empty, off by" },
                { "brix", "sugar solution, off by" },
                { "control", "control brew, extraction" } };

    for (size_t i = 0; i < sizeof all / sizeof *all; i++)
        if (strcmp(all[i].kind, kind) == 0)
            return all[i].words;
    return kind;
}

static struct chart *picture(const struct shown_again *row, const double *deviates)
{
    char name[48], title[160], label[96];
    struct chart *chart;
    struct chart_series *series;

    snprintf(name, sizeof name, "%.20s-%.20s", row->instrument, row->kind);
    snprintf(title, sizeof title, "%s: %s", row->instrument, what_of(row->kind));
    snprintf(label, sizeof label, "%s, %s", what_of(row->kind), row->unit);
    if (!(chart = chart_new(name, title, "in the order of their times", label)) || !(series = chart_series(chart, "")))
        return chart;
    for (int i = 0; i < row->count; i++)
        chart_point(series, i + 1, shown(row, i), NAN, fabs(deviates[i]) > CONTROL_SHEWHART, row->when[i]);
    if (row->last_alarm >= 0)
        chart_mark(chart, row->alarm.since + 1, (struct interval){ NAN, NAN }, "changed about here");
    return chart;
}

static void alarm_words(const struct shown_again *row, struct document *out)
{
    if (row->last_alarm < 0)
        return;
    document_add(
        out, BLOCK_CAUTION,
        "%s: %s changed about %s UTC (seen %s, %s): %.3g %s since. What was measured with it since is less sure; "
        "clean it, check it, and `poise-ctl check` it.",
        row->instrument, what_of(row->kind), row->when[row->alarm.since], row->when[row->last_alarm],
        row->alarm.cusum ? "many values a little" : "one value far", row->mean, row->unit);
}

/* What poised rang itself, and the brews whose numbers it made less sure. */
static int add_alarms(sqlite3 *database, const char *bench, struct document *out)
{
    static const char sql[] =
        "SELECT a.instrument, a.kind, strftime('%Y-%m-%d %H:%M', a.time_us / 1000000, 'unixepoch'),"
        " strftime('%Y-%m-%d %H:%M', a.since_us / 1000000, 'unixepoch'), a.change,"
        " (SELECT group_concat(value, ', ') FROM json_each(CASE WHEN json_valid(a.brews) THEN a.brews ELSE '[]' END))"
        " FROM instrument_alarm a JOIN bench h USING (bench_id) WHERE ?1 IS NULL OR h.name = ?1"
        " ORDER BY a.time_us DESC, a.seq DESC LIMIT 20";
    sqlite3_stmt *statement = NULL;
    int code = sqlite3_prepare_v2(database, sql, -1, &statement, NULL);
    bool any = false;

    if (code == SQLITE_OK && bench)
        sqlite3_bind_text(statement, 1, bench, -1, SQLITE_STATIC);
    while (code == SQLITE_OK && sqlite3_step(statement) == SQLITE_ROW) {
        if (!any)
            document_table(out,
                           "alarm, UTC|instrument|shown of|since, UTC|#change|brews measured since, now less sure");
        any = true;
        document_row(out, "%s" CELL "%s" CELL "%s" CELL "%s" CELL "%+.2g" CELL "%s", text_at(statement, 2),
                     text_at(statement, 0), what_of(text_at(statement, 1)), text_at(statement, 3),
                     number_at(statement, 4), text_at(statement, 5));
    }
    return sqlite3_finalize(statement);
}

/* A line through what was shown of known weights (with nothing on it as well) or solutions: two points at least. */
static void calibration(const struct bench_rows *rows, const struct shown_again *row, struct document *out)
{
    double x[2 * POINTS_MOST], y[2 * POINTS_MOST], offset, slope, v_offset, v_both, v_slope, squares, most = 0,
                                                                                                      least = INFINITY;
    size_t n = 0;

    for (int r = 0; r < rows->count; r++) {
        const struct shown_again *one = rows->row[r];
        bool zero = strcmp(row->kind, "mass") == 0 && strcmp(one->kind, "zero") == 0;

        if (strcmp(one->instrument, row->instrument) != 0 || (one != row && !zero))
            continue;
        for (int i = one->last_alarm >= 0 ? one->alarm.since : 0; i < one->count && n < 2 * POINTS_MOST; i++) {
            if (isnan(one->reference[i]))
                continue;
            x[n] = one->reference[i];
            least = fmin(least, x[n]);
            most = fmax(most, x[n]);
            y[n++] = one->value[i];
        }
    }
    if (n < 4 || !(most > least))
        return;
    gsl_fit_linear(x, 1, y, 1, n, &offset, &slope, &v_offset, &v_both, &v_slope, &squares);
    document_add(
        out, BLOCK_TEXT,
        "%s shows %.5f (+- %.5f) of what it bears and %+.3f (+- %.3f) %s, by %zu values from %.4g to %.4g %s "
        "(standard uncertainties, covariance %.2g; least squares, JCGM 100:2008, H.3). What was recorded is corrected only "
        "where the bench's configuration has calibration = yes.",
        row->instrument, slope, sqrt(v_slope), offset, sqrt(v_offset), row->unit, n, least, most, row->unit, v_both);
}

static json_t *row_json(const struct shown_again *row)
{
    json_t *values = json_array();

    for (int i = 0; i < row->count; i++)
        json_array_append_new(values, json_pack("{s:s, s:f, s:o}", "time", row->when[i], "value", row->value[i],
                                                "reference", number_json(row->reference[i])));
    return json_pack("{s:s, s:s, s:s, s:i, s:o, s:o, s:o, s:o}", "instrument", row->instrument, "check", row->kind,
                     "unit", row->unit, "alarms", row->alarms, "changed",
                     row->last_alarm >= 0 ? json_string(row->when[row->alarm.since]) : json_null(), "mean",
                     number_json(row->mean), "spread", number_json(row->spread), "values", values);
}

static int bench_document(sqlite3 *database, const char *bench, struct bench_rows *rows, struct document *out)
{
    static double deviates[POINTS_MOST];
    int changed = 0, code;

    for (int i = 0; i < rows->count; i++) {
        chart_row(rows->row[i], deviates);
        changed += rows->row[i]->last_alarm >= 0;
    }
    if (changed)
        document_add(out, BLOCK_HEADLINE, "%d of %d charts changed.", changed, rows->count);
    else
        document_add(out, BLOCK_HEADLINE, "No instrument changed that is watched here.");
    for (int i = 0; i < rows->count; i++)
        alarm_words(rows->row[i], out);
    code = add_alarms(database, bench, out);
    document_table(out, "instrument|shown of|#times|first, UTC|last, UTC|#mean|#spread|unit|#alarms");
    for (int i = 0; i < rows->count; i++) {
        const struct shown_again *row = rows->row[i];
        char spread[32] = "";

        if (!isnan(row->spread))
            snprintf(spread, sizeof spread, "%.2g", row->spread);
        document_row(out, "%s" CELL "%s" CELL "%d" CELL "%s" CELL "%s" CELL "%.4g" CELL "%s" CELL "%s" CELL "%d",
                     row->instrument, what_of(row->kind), row->count, row->when[0], row->when[row->count - 1],
                     row->mean, spread, row->unit, row->alarms);
    }
    document_add(
        out, BLOCK_TEXT,
        "Mean and spread are of what came since the last change. Each value is held against all before it; a "
        "false alarm comes once in about 395 values of a chart (CUSUM k 0.5, h 5, and single values beyond 3.5 "
        "standard deviations; NIST/SEMATECH e-Handbook 6.3.2).");
    for (int i = 0; i < rows->count; i++) {
        struct shown_again *row = rows->row[i];

        row->alarms = 0;
        chart_row(row, deviates);
        if (strcmp(row->kind, "mass") == 0 || strcmp(row->kind, "brix") == 0)
            calibration(rows, row, out);
        document_chart(out, picture(row, deviates));
    }
    return code;
}

int report_bench(const struct request *request)
{
    sqlite3 *database = store_database(request->store);
    struct document document = { NULL, 0, false };
    struct bench_rows rows = { .count = 0 };
    int status = EXIT_FAILED;

    if (read_checks(database, request->filter.bench, &rows) != SQLITE_OK
        || read_controls(database, request->filter.bench, &rows) != SQLITE_OK) {
        program_message("reading the store: %s", sqlite3_errmsg(database));
    } else if (!rows.count) {
        program_message(
            "nothing was checked yet: read water on the refractometer, or `poise-ctl check mass 200` with a weight "
            "on the scale");
    } else if (request->json) {
        static double deviates[POINTS_MOST];
        json_t *list = json_array();

        for (int i = 0; i < rows.count; i++) {
            chart_row(rows.row[i], deviates);
            json_array_append_new(list, row_json(rows.row[i]));
        }
        status = json_out(list);
    } else {
        if (bench_document(database, request->filter.bench, &rows, &document) != SQLITE_OK)
            program_message("reading the store: %s", sqlite3_errmsg(database));
        else
            status = report_out(request, &document, "Instruments of the bench");
    }
    document_free(&document);
    free_rows(&rows);
    return status;
}
