/* What instruments saw, one cup of each level laid over the next: presses from the moment they began, slurry
 * temperatures from the first water, with how fast they cool. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "report.h"
#include "poise/immersion.h"
#include "words/words.h"

/* The readings of one cup's press; pressure where an instrument showed it, else what the scale bore above
 * what it bore just before. */
static const char press_sql[] =
    "WITH press AS (SELECT (SELECT min(seconds) FROM brew_stage WHERE brew = ?1 AND stage = 'press') AS began,"
    " (SELECT press_s FROM brew_summary WHERE brew = ?1) AS lasted,"
    " EXISTS (SELECT 1 FROM brew_trace WHERE brew = ?1 AND quantity = 'pressure') AS shown)"
    " SELECT seconds - began, CASE WHEN shown THEN value ELSE (value - (SELECT value FROM brew_trace WHERE brew = ?1"
    " AND quantity = 'mass' AND weighs IS NULL AND value IS NOT NULL AND seconds < began ORDER BY seq DESC LIMIT 1))"
    " / 1000 END, shown"
    " FROM brew_trace JOIN press WHERE brew = ?1 AND value IS NOT NULL AND began IS NOT NULL AND weighs IS NULL"
    " AND quantity = CASE WHEN shown THEN 'pressure' ELSE 'mass' END"
    " AND seconds BETWEEN began - 1 AND began + coalesce(lasted, 30) + 1 ORDER BY seq";

static const char slurry_sql[] =
    "SELECT seconds, value, 1 FROM brew_trace WHERE brew = ?1 AND quantity = 'temperature' AND value IS NOT NULL"
    " AND seconds >= 0 ORDER BY seq";

static const struct overlay {
    const char *factor;                                    /* the beginning of the name of what is varied */
    const char *name, *heading, *x_label, *y_label, *kept; /* in that unit where an instrument showed it ... */
    const char *y_else;                                    /* ... and else this is what it is */
    const char *sql;                                       /* x, y, and whether an instrument showed y itself */
    bool cools;
} overlays[] = {
    { "press_", "press", "Presses, one cup of each level", "seconds since the press began", "pressure", "kPa",
      "borne by the scale, kg", press_sql, false },
    { "temperature_c", "slurry", "Slurries, one cup of each level", "seconds since first water", "slurry", "°C", "",
      slurry_sql, true },
};

enum { CURVES_MOST = 6 }; /* as many as can be distinguished by colour; of more levels every second or third */

static const struct overlay *overlay_of(const struct findings *findings)
{
    for (size_t i = 0; i < sizeof overlays / sizeof *overlays; i++)
        for (int f = 0; f < findings->factor_count; f++)
            if (strncmp(findings->factor[f].name, overlays[i].factor, strlen(overlays[i].factor)) == 0)
                return &overlays[i];
    return NULL;
}

static const struct cup *first_of(const struct findings *findings, int place)
{
    for (size_t i = 0; i < findings->point_count; i++)
        if (memcmp(findings->point[i].level, findings->level[place].level, sizeof findings->point[i].level) == 0)
            return findings->point[i].cup;
    return NULL;
}

/* NULL: no memory, or no cup has such readings. */
static struct chart *draw(sqlite3 *database, const struct findings *findings, const struct overlay *overlay)
{
    struct chart *chart = chart_new(overlay->name, overlay->heading, overlay->x_label, "");
    sqlite3_stmt *statement = NULL;
    size_t drawn = 0;
    struct guide_shown unit;
    bool shown = false;

    if (!chart || sqlite3_prepare_v2(database, overlay->sql, -1, &statement, NULL) != SQLITE_OK) {
        chart_free(chart);
        return NULL;
    }
    for (int i = 0; i < findings->level_count; i += 1 + (findings->level_count - 1) / CURVES_MOST) {
        const struct cup *cup = first_of(findings, i);
        char words[2 * WORDS_SIZE];
        struct chart_series *series = NULL;

        sqlite3_bind_text(statement, 1, cup ? cup->brew : "", -1, SQLITE_STATIC);
        while (sqlite3_step(statement) == SQLITE_ROW) {
            if (!series) {
                findings_level_words(findings, i, words);
                series = chart_series(chart, words);
            }
            unit = cups_shown(sqlite3_column_int(statement, 2) ? overlay->kept : "");
            chart_curve(series, sqlite3_column_double(statement, 0),
                        sqlite3_column_double(statement, 1) * unit.each + unit.from, NAN, NAN);
            shown = shown || sqlite3_column_int(statement, 2);
            drawn++;
        }
        sqlite3_reset(statement);
    }
    sqlite3_finalize(statement);
    if (shown)
        snprintf(chart->y_label, sizeof chart->y_label, "%s, %s", overlay->y_label, cups_shown(overlay->kept).unit);
    else
        snprintf(chart->y_label, sizeof chart->y_label, "%s", overlay->y_else);
    if (drawn)
        return chart;
    chart_free(chart);
    return NULL;
}

static void cooling_table(const struct chart *chart, struct document *out)
{
    const char *unit = cups_shown("°C").unit;
    char titles[96];

    snprintf(titles, sizeof titles, "level|#hottest %s|#cools by, per s|95 %% interval|#%s per minute", unit, unit);
    document_table(out, titles);
    for (size_t i = 0; i < chart->series_count; i++) {
        struct cooling cooling;
        char rate[32] = "", words[96] = "not watched long enough";

        if (!cooling_find(&chart->series[i], &cooling))
            continue;
        if (cooling.constant) {
            snprintf(rate, sizeof rate, "%.5f", cooling.per_s);
            words_interval(cooling.per_s_interval, 5, "", words);
        }
        document_row(out, "%s" CELL "%.1f" CELL "%s" CELL "%s" CELL "%.2f", chart->series[i].name, cooling.hottest,
                     rate, words, cooling.per_minute);
    }
    document_add(out, BLOCK_TEXT,
                 "Cools by: the share of what is between slurry and room that is lost each second "
                 "(Newton's law).");
}

void overlay_document(sqlite3 *database, const struct findings *findings, struct document *out, bool charts)
{
    const struct overlay *overlay = overlay_of(findings);
    struct chart *chart = overlay && (charts || overlay->cools) ? draw(database, findings, overlay) : NULL;

    if (!chart)
        return;
    document_add(out, BLOCK_HEADING, "%s", overlay->heading);
    if (overlay->cools)
        cooling_table(chart, out);
    if (charts)
        document_chart(out, chart);
    else
        chart_free(chart);
}

/* --- cooling --- */

enum {
    COOLING_POINTS = 300, /* more readings of a slow fall show no more */
    COOLING_LEAST = 12
}; /* fewer are no curve */

static const double SHOWN_DIGIT_C = 0.1; /* of most thermometers */

/* Newton's cooling: T = room + (start - room) exp(-k t).  Turned upside down it is the curve that lib fits,
 * with its quick part for the start. */
bool cooling_find(const struct chart_series *series, struct cooling *out)
{
    struct kinetics_question rate = { QUANTITY_OF_RATE, 0, 0, 0 };
    struct kinetics_data data = { .n = 0 };
    struct kinetics_fit fit;
    struct why why;
    struct immersion immersion;
    double *t, *fallen, top = -INFINITY;
    size_t hottest = 0, end = series->curve_count, step;

    /* what a thermometer shows on its way in and out is not how the slurry cools */
    if (!immersion_find(series->x, series->y, series->curve_count, SHOWN_DIGIT_C, NAN, &immersion))
        return false;
    while (end > 0 && series->x[end - 1] > immersion.until_s)
        end--;
    for (size_t i = 0; i < end; i++)
        if (series->y[i] > top) {
            top = series->y[i];
            hottest = i;
        }
    if (end - hottest < COOLING_LEAST)
        return false;
    t = malloc(2 * series->curve_count * sizeof *t);
    if (!t)
        return false;
    fallen = t + series->curve_count;
    step = (end - hottest) / COOLING_POINTS + 1;
    for (size_t i = hottest; i < end; i += step) {
        t[data.n] = series->x[i] - series->x[hottest];
        fallen[data.n++] = top - series->y[i];
    }
    data.t = t;
    data.e = fallen;
    *out = (struct cooling){ .hottest = top, .per_minute = 60 * fallen[data.n - 1] / t[data.n - 1] };
    if (kinetics_fit(&data, true, &fit, &why) == 0 && kinetics_identified(&data, &fit, 0.95)
        && kinetics_interval(&data, &fit, &rate, 0.95, &out->per_s_interval) == 0) {
        out->constant = true;
        out->start = top - fit.value[KINETICS_QUICK];
        out->room = top - fit.value[KINETICS_PLATEAU];
        out->per_s = fit.value[KINETICS_RATE];
    }
    free(t);
    return true;
}
