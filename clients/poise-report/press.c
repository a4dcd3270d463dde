/* Press curves laid over each other: one cup of each level, from the moment its press began. */
#include "report.h"

#include <math.h>
#include <string.h>

#include "words.h"

/* The readings of one cup's press; pressure where an instrument showed it, else what the scale bore above
 * what it bore just before. */
static const char sql[] = "WITH press AS (SELECT (SELECT min(seconds) FROM brew_stage WHERE brew = ?1 AND stage = "
                          "'press') AS began, (SELECT press_s FROM brew_summary WHERE brew = ?1) AS lasted,"
                          " EXISTS (SELECT 1 FROM brew_trace WHERE brew = ?1 AND quantity = 'pressure') AS shown)"
                          " SELECT seconds - began, CASE WHEN shown THEN value ELSE (value - (SELECT value FROM "
                          "brew_trace WHERE brew = ?1 AND"
                          " quantity = 'mass' AND weighs IS NULL AND value IS NOT NULL AND seconds < began"
                          " ORDER BY seq DESC LIMIT 1)) / "
                          "1000 END, shown"
                          " FROM brew_trace JOIN press WHERE brew = ?1 AND value IS NOT NULL AND began IS NOT NULL"
                          " AND weighs IS NULL AND quantity = CASE WHEN shown THEN 'pressure' ELSE 'mass' END"
                          " AND seconds BETWEEN began - 1 AND began + coalesce(lasted, 30) + 1 ORDER BY seq";

enum { CURVES_MOST = 6 };       /* as many as can be told apart by colour; of more levels every second or third */

static bool is_press(const struct findings *findings)
{
    for (int f = 0; f < findings->factor_count; f++)
        if (strncmp(findings->factor[f].name, "press_", 6) == 0)
            return true;
    return false;
}

static const struct cup *first_of(const struct findings *findings, int place)
{
    for (size_t i = 0; i < findings->point_count; i++)
        if (memcmp(findings->point[i].level, findings->level[place].level, sizeof findings->point[i].level) == 0)
            return findings->point[i].cup;
    return NULL;
}

struct chart *press_chart(sqlite3 *database, const struct findings *findings)
{
    struct chart *chart =
        is_press(findings) ? chart_new("press", "Press curves", "seconds since the press began", "") : NULL;
    sqlite3_stmt *statement = NULL;
    size_t drawn = 0;
    bool shown = false;

    if (!chart || sqlite3_prepare_v2(database, sql, -1, &statement, NULL) != SQLITE_OK) {
        chart_free(chart);
        return NULL;
    }
    for (int i = 0; i < findings->level_count; i += 1 + (findings->level_count - 1) / CURVES_MOST) {
        const struct cup *cup = first_of(findings, i);
        char words[2 * WORDS_SIZE];
        struct chart_series *series;

        findings_level_words(findings, i, words);
        series = chart_series(chart, words);
        sqlite3_bind_text(statement, 1, cup ? cup->brew : "", -1, SQLITE_STATIC);
        while (sqlite3_step(statement) == SQLITE_ROW) {
            chart_curve(series, sqlite3_column_double(statement, 0), sqlite3_column_double(statement, 1), NAN, NAN);
            shown = shown || sqlite3_column_int(statement, 2);
            drawn++;
        }
        sqlite3_reset(statement);
    }
    sqlite3_finalize(statement);
    snprintf(chart->y_label, sizeof chart->y_label, "%s", shown ? "pressure, kPa" : "borne by the scale, kg");
    if (drawn)
        return chart;
    chart_free(chart);
    return NULL;
}
