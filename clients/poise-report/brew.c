/* poise-report brew NAME: one cup whole. */
#include "report.h"

#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "poise/brew.h"
#include "poise/budget.h"
#include "poise/program.h"
#include "words/words.h"

enum { FINEST = 6 }; /* decimals; no uncertainty here is as small */

static void measures_table(const struct cup *cup, struct document *out)
{
    document_add(out, BLOCK_HEADING, "Measures");
    document_table(out, "measure|#value|#standard uncertainty|unit|what it is");
    for (int i = 0; i < MEASURE_COUNT; i++) {
        const char *name = measure_name((enum measure)i);
        double u = cup->measures.standard_uncertainty[i];
        char value[32], uncertainty[32] = "";

        if (isnan(cup->measures.value[i]))
            continue;
        number_words(cup, (enum measure)i, value);
        if (!isnan(u) && !(cup->above >> i & 1)) {
            int decimals = guide_decimals(u, FINEST);

            snprintf(value, sizeof value, "%.*f", decimals, cup->measures.value[i]);
            snprintf(uncertainty, sizeof uncertainty, "%.*f", decimals, u);
        }
        document_row(out, "%s" CELL "%s" CELL "%s" CELL "%s" CELL "%s", call_of(name), value, uncertainty,
                     unit_of(name), measure_summary((enum measure)i));
    }
}

/* What was corrected after it had been reported: by the operator, or when the brew had ended already.  That strength
 * and what follows from it become known then is no correction. */
static int corrections_table(sqlite3 *database, const struct cup *cup, struct document *out)
{
    static const char sql[] =
        "SELECT measure, before, value, made_by, strftime('%Y-%m-%d %H:%M:%S', time_us / "
        "1000000,"
        " 'unixepoch') FROM (SELECT m.measure, m.value, m.made_by, m.time_us, m.seq, b.ended_us,"
        " lag(m.value) OVER reported AS before, row_number() OVER reported AS place FROM measure m JOIN"
        " brew b USING (brew_id) WHERE b.name = ?1"
        " WINDOW reported AS (PARTITION BY m.measure ORDER BY m.seq)) WHERE place > 1"
        " AND value IS NOT before AND (made_by = 'operator' OR (time_us > ended_us AND measure "
        "NOT IN"
        " ('strength_pct', 'extraction_pct', 'extraction_total_pct', 'retained_g_per_g')))"
        " ORDER BY seq";
    sqlite3_stmt *statement = NULL;
    int code = sqlite3_prepare_v2(database, sql, -1, &statement, NULL);
    bool first = true;

    if (code == SQLITE_OK)
        sqlite3_bind_text(statement, 1, cup->brew, -1, SQLITE_STATIC);
    while (code == SQLITE_OK && sqlite3_step(statement) == SQLITE_ROW) {
        const char *name = (const char *)sqlite3_column_text(statement, 0), *unit = unit_of(name);
        int measure = measure_find(name), decimals = measure >= 0 ? decimals_shown((enum measure)measure) : 2;
        struct guide_shown shown = cups_shown(measure >= 0 ? measure_unit((enum measure)measure) : "");
        char from[32] = "not known", to[32] = "not known";

        if (first) {
            document_add(out, BLOCK_HEADING, "Corrections");
            document_table(out, "measure|#from|#to|unit|when, UTC|by");
            first = false;
        }
        if (sqlite3_column_type(statement, 1) != SQLITE_NULL)
            snprintf(from, sizeof from, "%.*f", decimals,
                     sqlite3_column_double(statement, 1) * shown.each + shown.from);
        if (sqlite3_column_type(statement, 2) != SQLITE_NULL)
            snprintf(to, sizeof to, "%.*f", decimals, sqlite3_column_double(statement, 2) * shown.each + shown.from);
        document_row(out, "%s" CELL "%s" CELL "%s" CELL "%s" CELL "%s" CELL "%s", call_of(name), from, to, unit,
                     sqlite3_column_text(statement, 4), sqlite3_column_text(statement, 3));
    }
    return sqlite3_finalize(statement);
}

/* The factor that made a strength of what an instrument showed; NAN where it shows strength itself. */
static double factor_of(const char *quantity, double shown, double strength_pct)
{
    if (strcmp(quantity, "brix") == 0)
        return strength_pct / shown;
    if (strcmp(quantity, "refractive-index") == 0)
        return strength_pct / brix_of_refractive_index(shown);
    return NAN;
}

enum { DECIMALS_MOST = 9 }; /* no instrument shows more; a damaged store may say anything */

/* What the refractometer showed of this cup, and by what factor that became a strength. */
static int readings_table(sqlite3 *database, const struct cup *cup, struct document *out)
{
    static const char sql[] =
        "SELECT i.name, i.quantity, i.unit, r.value, r.decimals, a.filtered, a.sample_c,"
        " strftime('%Y-%m-%d %H:%M:%S', r.time_us / 1000000, 'unixepoch'),"
        " 'operator' IS (SELECT made_by FROM measure m WHERE m.brew_id = b.brew_id AND m.measure = 'strength_pct'"
        " ORDER BY m.seq DESC LIMIT 1) FROM brew b JOIN assignment a USING (brew_id)"
        " JOIN reading r ON r.bench_id = a.bench_id AND r.seq = a.reading_seq JOIN instrument i USING (instrument_id)"
        " WHERE b.name = ?1 AND NOT EXISTS (SELECT 1 FROM assignment l WHERE l.bench_id = a.bench_id"
        " AND l.reading_seq = a.reading_seq AND l.seq > a.seq) ORDER BY r.seq";
    sqlite3_stmt *statement = NULL;
    int code = sqlite3_prepare_v2(database, sql, -1, &statement, NULL);
    double sum = 0, count = 0;
    struct guide_shown degrees = cups_shown("°C");
    char quantity[NAME_SIZE] = "", titles[96];
    bool typed = false; /* the strength was: it comes of no reading */

    if (code == SQLITE_OK)
        sqlite3_bind_text(statement, 1, cup->brew, -1, SQLITE_STATIC);
    while (code == SQLITE_OK && sqlite3_step(statement) == SQLITE_ROW) {
        char sample[32] = "", shown[48] = "";
        double value = sqlite3_column_double(statement, 3);
        int decimals = sqlite3_column_int(statement, 4);

        if (!count) {
            document_add(out, BLOCK_HEADING, "Strength readings");
            snprintf(titles, sizeof titles, "instrument|#shown|unit|sample %s|filtered|when, UTC", degrees.unit);
            document_table(out, titles);
        }
        snprintf(quantity, sizeof quantity, "%s", (const char *)sqlite3_column_text(statement, 1));
        snprintf(shown, sizeof shown, "%.*f", decimals >= 0 && decimals <= DECIMALS_MOST ? decimals : 2, value);
        if (sqlite3_column_type(statement, 6) != SQLITE_NULL)
            snprintf(sample, sizeof sample, "%.1f", sqlite3_column_double(statement, 6) * degrees.each + degrees.from);
        document_row(out, "%s" CELL "%s" CELL "%s" CELL "%s" CELL "%s" CELL "%s", sqlite3_column_text(statement, 0),
                     shown, sqlite3_column_text(statement, 2), sample,
                     sqlite3_column_type(statement, 5) == SQLITE_NULL ? ""
                     : sqlite3_column_int(statement, 5)               ? "yes"
                                                                      : "no",
                     sqlite3_column_text(statement, 7));
        typed = sqlite3_column_int(statement, 8);
        sum += value;
        count++;
    }
    if (count && !typed && isfinite(factor_of(quantity, sum / count, cup->measures.value[MEASURE_STRENGTH_PCT])))
        document_add(out, BLOCK_TEXT, "Strength was computed as %.2f of the Brix, by the bench's factor%s.",
                     factor_of(quantity, sum / count, cup->measures.value[MEASURE_STRENGTH_PCT]),
                     strcmp(quantity, "brix") == 0 ? "" : "; the refractive index is taken as at 20 °C (68 °F)");
    return sqlite3_finalize(statement);
}

/* Which part of extraction's uncertainty is whose: E = S B / D, so each part is u relative to its value
 * (JCGM 100:2008, 5.1.6). */
static void dominant_sentence(const struct cup *cup, struct document *out)
{
    static const enum measure parts[] = { MEASURE_STRENGTH_PCT, MEASURE_BEVERAGE_G, MEASURE_DOSE_G };
    double share[3], total = 0;
    int most = 0;

    for (int i = 0; i < 3; i++) {
        share[i] = pow(cup->measures.standard_uncertainty[parts[i]] / cup->measures.value[parts[i]], 2);
        total += share[i];
        if (share[i] > share[most])
            most = i;
    }
    if (isfinite(total) && total > 0)
        document_add(out, BLOCK_TEXT,
                     "Of extraction's uncertainty %.0f %% comes from %s, %.0f %% from %s, %.0f %% from %s: to know "
                     "%s better is worth most.",
                     100 * share[0] / total, call_of(measure_name(parts[0])), 100 * share[1] / total,
                     call_of(measure_name(parts[1])), 100 * share[2] / total, call_of(measure_name(parts[2])),
                     call_of(measure_name(parts[most])));
}

/* Where the strength's uncertainty came from when it was reported last, as the bench kept it. */
static int load_budget(sqlite3 *database, const struct cup *cup, struct budget *out, bool *known)
{
    static const char sql[] =
        "SELECT p.part, p.standard_uncertainty, p.freedom FROM brew b JOIN strength_budget p USING (brew_id)"
        " WHERE b.name = ?1 AND p.seq = (SELECT max(m.seq) FROM measure m WHERE m.brew_id = b.brew_id"
        " AND m.measure = 'strength_pct')";
    sqlite3_stmt *statement = NULL;
    int part, code = sqlite3_prepare_v2(database, sql, -1, &statement, NULL);

    budget_clear(out);
    *known = false;
    if (code == SQLITE_OK)
        sqlite3_bind_text(statement, 1, cup->brew, -1, SQLITE_STATIC);
    while (code == SQLITE_OK && sqlite3_step(statement) == SQLITE_ROW) {
        double u = sqlite3_column_double(statement, 1), freedom = sqlite3_column_double(statement, 2);

        if ((part = budget_part_find((const char *)sqlite3_column_text(statement, 0))) < 0 || !(u > 0))
            continue;
        out->u[part] = u;
        if (freedom > 0)
            out->freedom[part] = freedom;
        *known = true;
    }
    return sqlite3_finalize(statement);
}

static int budget_table(sqlite3 *database, const struct cup *cup, struct document *out)
{
    struct budget strength, budget;
    bool known;
    double u, freedom, coverage;
    int code = load_budget(database, cup, &strength, &known);

    if (code != SQLITE_OK || !known || !budget_of_extraction(&strength, &cup->measures, &budget))
        return code;
    u = budget_combined(&budget);
    freedom = budget_freedom(&budget);
    coverage = isfinite(freedom) ? gsl_cdf_tdist_Pinv(0.975, freedom) : gsl_cdf_ugaussian_Pinv(0.975);
    document_add(out, BLOCK_HEADING, "Where extraction's uncertainty comes from");
    document_table(out, "part|#strength %|#extraction %|#share %|#degrees of freedom");
    for (int part = 0; part < BUDGET_PARTS; part++) {
        char strength_u[32] = "", part_freedom[32] = "many";

        if (!(budget.u[part] > 0))
            continue;
        if (strength.u[part] > 0)
            snprintf(strength_u, sizeof strength_u, "%.4f", strength.u[part]);
        if (isfinite(budget.freedom[part]))
            snprintf(part_freedom, sizeof part_freedom, "%.1f", budget.freedom[part]);
        document_row(out, "%s" CELL "%s" CELL "%.3f" CELL "%.0f" CELL "%s", budget_part_words((enum budget_part)part),
                     strength_u, budget.u[part], 100 * pow(budget.u[part] / u, 2), part_freedom);
    }
    document_row(out, "all of it" CELL "%.4f" CELL "%.3f" CELL "100" CELL "%.0f", budget_combined(&strength), u,
                 isfinite(freedom) ? floor(freedom) : INFINITY);
    document_add(out, BLOCK_TEXT,
                 "Extraction is %.2f %% with a standard uncertainty of %.2f; times k = %.2f it covers 95 %%: %.2f to "
                 "%.2f %% (JCGM 100:2008; effective degrees of freedom by Welch and Satterthwaite).",
                 cup->measures.value[MEASURE_EXTRACTION_PCT], u, coverage,
                 cup->measures.value[MEASURE_EXTRACTION_PCT] - coverage * u,
                 cup->measures.value[MEASURE_EXTRACTION_PCT] + coverage * u);
    return code;
}

static void against_plan(const struct cup *cup, struct document *out)
{
    const char *name;
    json_t *value;

    if (!cup->recipe && !cup->factors)
        return;
    document_add(out, BLOCK_HEADING, "Against the plan");
    document_table(out, "what|planned|done");
    for (int pass = 0; pass < 2; pass++)
        json_object_foreach(pass ? cup->recipe : cup->factors, name, value)
        {
            int measure = measure_find(name);
            char done[32] = "", planned[WORDS_SIZE] = "";

            if (pass && json_object_get(cup->factors, name))
                continue;
            if (measure >= 0)
                number_words(cup, (enum measure)measure, done);
            if (json_is_string(value))
                snprintf(planned, sizeof planned, "%s", json_string_value(value));
            else if (json_is_number(value))
                snprintf(planned, sizeof planned, "%.10g", json_number_value(value));
            document_row(out, "%.60s" CELL "%s %s" CELL "%s %s", call_of(name), planned, unit_of(name), done,
                         done[0] ? unit_of(name) : "");
        }
    if (cup->plan_kept >= 0)
        document_add(out, BLOCK_TEXT, "%s", cup->plan_kept ? "The plan was kept." : "The plan was not kept.");
}

/* What the bench warned of during this brew: a plan that was not kept, a press too hard. */
static int warnings(sqlite3 *database, const struct cup *cup, struct document *out)
{
    static const char sql[] = "SELECT DISTINCT detail FROM warning w JOIN brew b USING (brew_id) WHERE b.name = ?1"
                              " AND detail <> '' ORDER BY seq";
    sqlite3_stmt *statement = NULL;
    int code = sqlite3_prepare_v2(database, sql, -1, &statement, NULL);

    if (code == SQLITE_OK)
        sqlite3_bind_text(statement, 1, cup->brew, -1, SQLITE_STATIC);
    while (code == SQLITE_OK && sqlite3_step(statement) == SQLITE_ROW)
        document_add(out, BLOCK_CAUTION, "%s", (const char *)sqlite3_column_text(statement, 0));
    return sqlite3_finalize(statement);
}

/* A press on the scale bears so much that the pour would be a line at the bottom: it is cut, and its mark says how
 * high it went. */
static void mark_press(struct chart *chart, const struct cup *cup, double began_s)
{
    static const double worth_cutting = 3, cut_at = 1.1; /* times the highest of the rest */
    static const double long_press_s = 60;               /* where its end is not known */
    double lasted_s = cup->measures.value[MEASURE_PRESS_S], rest = 0, peak = 0;
    double ended_s = began_s + (isnan(lasted_s) ? long_press_s : lasted_s) + 1;
    char label[96] = "press";

    for (size_t s = 0; chart && s < chart->series_count; s++)
        for (size_t i = 0; i < chart->series[s].curve_count; i++) {
            bool pressing = chart->series[s].x[i] >= began_s - 1 && chart->series[s].x[i] <= ended_s;

            peak = fmax(peak, pressing ? chart->series[s].y[i] : 0);
            rest = fmax(rest, pressing ? 0 : chart->series[s].y[i]);
        }
    if (chart && rest > 0 && peak > worth_cutting * rest) {
        for (size_t s = 0; s < chart->series_count; s++)
            for (size_t i = 0; i < chart->series[s].curve_count; i++) {
                struct chart_series *series = &chart->series[s];

                series->y[i] = series->low[i] = series->high[i] = fmin(series->y[i], cut_at * rest);
            }
        snprintf(label, sizeof label, "press, up to %.1f kg", peak / 1000);
    }
    chart_mark(chart, began_s, (struct interval){ NAN, NAN }, label);
}

static int stages_table(sqlite3 *database, const struct cup *cup, struct document *out, struct chart *chart)
{
    static const char sql[] = "SELECT stage, seconds, seconds_u, made_by FROM brew_stage WHERE brew = ?1"
                              " ORDER BY seconds, seq";
    sqlite3_stmt *statement = NULL;
    bool first = true;
    int code = sqlite3_prepare_v2(database, sql, -1, &statement, NULL);

    if (code == SQLITE_OK)
        sqlite3_bind_text(statement, 1, cup->brew, -1, SQLITE_STATIC);
    while (code == SQLITE_OK && sqlite3_step(statement) == SQLITE_ROW) {
        const char *stage = (const char *)sqlite3_column_text(statement, 0);
        bool known = sqlite3_column_type(statement, 1) != SQLITE_NULL;
        char began[32] = "";

        if (first) {
            document_add(out, BLOCK_HEADING, "Stages");
            document_table(out, "stage|#began s|#uncertainty s|by");
            first = false;
        }
        if (known)
            snprintf(began, sizeof began, "%.1f", sqlite3_column_double(statement, 1));
        document_row(out, "%s" CELL "%s" CELL "%.2f" CELL "%s", stage, began, sqlite3_column_double(statement, 2),
                     sqlite3_column_text(statement, 3));
        if (known && strcmp(stage, "press") == 0)
            mark_press(chart, cup, sqlite3_column_double(statement, 1));
        else if (known && (strcmp(stage, "pour") == 0 || strcmp(stage, "weigh") == 0))
            chart_mark(chart, sqlite3_column_double(statement, 1), (struct interval){ NAN, NAN }, stage);
    }
    return sqlite3_finalize(statement);
}

static void cooling_sentence(const struct chart *chart, struct document *out)
{
    const char *unit = cups_shown("°C").unit;
    struct cooling cooling;
    char words[96];

    if (!chart->series_count || !cooling_find(&chart->series[0], &cooling))
        return;
    if (cooling.constant) {
        words_interval(cooling.per_s_interval, 5, "per second", words);
        document_add(out, BLOCK_TEXT,
                     "It cools from %.1f %s towards %.0f %s, by a share of %.5f per second (%s) of what "
                     "is between.",
                     cooling.start, unit, cooling.room, unit, cooling.per_s, words);
    } else {
        document_add(out, BLOCK_TEXT,
                     "It cools from %.1f %s by %.2f %s a minute; for a cooling constant it was not "
                     "watched long enough.",
                     cooling.hottest, unit, cooling.per_minute, unit);
    }
}

enum { TRACES = 8 }; /* quantities that a bench's instruments show, and room */

struct traces {
    struct chart *chart[TRACES];
    char quantity[TRACES][NAME_SIZE];
    int count;
};

/* One picture for each quantity that was recorded.  Returns SQLite's code. */
static int read_traces(sqlite3 *database, const struct cup *cup, struct traces *out)
{
    static const char sql[] = "SELECT instrument || CASE weighs WHEN 'cup' THEN ' (the cup)' ELSE '' END, quantity,"
                              " unit, seconds, value FROM brew_trace WHERE brew = ?1 AND value IS NOT NULL"
                              " AND seconds IS NOT NULL ORDER BY quantity <> 'mass', quantity, weighs IS NOT NULL,"
                              " instrument, seq";
    sqlite3_stmt *statement = NULL;
    int code = sqlite3_prepare_v2(database, sql, -1, &statement, NULL);
    char instrument[2 * NAME_SIZE] = "";
    struct guide_shown shown = cups_shown("");
    struct chart_series *series = NULL;

    if (code == SQLITE_OK)
        sqlite3_bind_text(statement, 1, cup->brew, -1, SQLITE_STATIC);
    while (code == SQLITE_OK && sqlite3_step(statement) == SQLITE_ROW) {
        const char *its_instrument = (const char *)sqlite3_column_text(statement, 0);
        const char *its_quantity = (const char *)sqlite3_column_text(statement, 1);
        char label[96], name[48];

        if (!out->count || strcmp(out->quantity[out->count - 1], its_quantity) != 0) {
            if (out->count == TRACES)
                break;
            shown = cups_shown((const char *)sqlite3_column_text(statement, 2));
            snprintf(label, sizeof label, "%s, %s", its_quantity, shown.unit);
            snprintf(name, sizeof name, "trace-%.40s", its_quantity);
            snprintf(out->quantity[out->count], NAME_SIZE, "%s", its_quantity);
            out->chart[out->count++] = chart_new(name, cup->brew, "seconds since first water", label);
            instrument[0] = '\0';
        }
        if (strcmp(instrument, its_instrument) != 0) {
            snprintf(instrument, sizeof instrument, "%s", its_instrument);
            series = chart_series(out->chart[out->count - 1], instrument);
        }
        chart_curve(series, sqlite3_column_double(statement, 3),
                    sqlite3_column_double(statement, 4) * shown.each + shown.from, NAN, NAN);
    }
    return sqlite3_finalize(statement);
}

/* Mass first, with its stages, then what else was recorded. */
static int traces(sqlite3 *database, const struct cup *cup, struct document *out)
{
    struct traces traces = { .count = 0 };
    bool mass;
    int code = read_traces(database, cup, &traces);

    mass = traces.count && strcmp(traces.quantity[0], "mass") == 0;
    if (code == SQLITE_OK)
        code = stages_table(database, cup, out, mass ? traces.chart[0] : NULL);
    for (int i = 0; i < traces.count; i++) {
        if (traces.chart[i] && strcmp(traces.quantity[i], "temperature") == 0) {
            document_add(out, BLOCK_HEADING, "Slurry temperature");
            cooling_sentence(traces.chart[i], out);
        }
        document_chart(out, traces.chart[i]);
    }
    return code;
}

int report_brew(const struct request *request)
{
    sqlite3 *database = store_database(request->store);
    char brew[BREW_SIZE];
    struct cups_filter filter = { .brew = brew };
    struct document document = { NULL, 0, false };
    struct cups cups;
    struct why why;
    int status;

    if ((status = store_brew_named(request->store, request->name, brew, &why)) < 0) {
        if (status == -ENOENT)
            program_message("there is no brew '%.60s'; poise-report brews lists them", request->name);
        else
            program_message("%s", why.text);
        return EXIT_FAILED;
    }
    if (cups_load(database, &filter, &cups, &why) < 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    if (!cups.count) {
        program_message("%s was discarded; poise-report brews lists those that count", brew);
        return EXIT_FAILED;
    }
    if (request->json || request->csv) {
        status = request->json ? json_out(cup_json(&cups.cup[0])) : cups_csv(&cups, stdout);
        cups_free(&cups);
        return status;
    }
    document_add(&document, BLOCK_HEADLINE, "%s", cups.cup[0].brew);
    document_add(&document, BLOCK_TEXT, "Station %s, begun %s%s%s.%s%s", cups.cup[0].station, cups.cup[0].began_utc,
                 cups.cup[0].experiment ? ", experiment " : "", cups.cup[0].experiment ? cups.cup[0].experiment : "",
                 cups.cup[0].note ? " Note: " : "", cups.cup[0].note ? cups.cup[0].note : "");
    measures_table(&cups.cup[0], &document);
    dominant_sentence(&cups.cup[0], &document);
    against_plan(&cups.cup[0], &document);
    if (warnings(database, &cups.cup[0], &document) != SQLITE_OK
        || readings_table(database, &cups.cup[0], &document) != SQLITE_OK
        || budget_table(database, &cups.cup[0], &document) != SQLITE_OK
        || corrections_table(database, &cups.cup[0], &document) != SQLITE_OK
        || traces(database, &cups.cup[0], &document) != SQLITE_OK) {
        program_message("reading the store: %s", sqlite3_errmsg(database));
        status = EXIT_FAILED;
    } else {
        status = report_out(request, &document, cups.cup[0].brew);
    }
    document_free(&document);
    cups_free(&cups);
    return status;
}
