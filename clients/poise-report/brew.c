/* poise-report brew NAME: one cup whole. */
#include "report.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "poise/program.h"
#include "words.h"

enum { COOLING_POINTS = 300 };      /* more readings of a slow fall tell no more */

static void measures_table(const struct cup *cup, struct document *out)
{
    document_add(out, BLOCK_HEADING, "Measures");
    document_table(out, "measure|#value|#standard uncertainty|unit|what it is");
    for (int i = 0; i < MEASURE_COUNT; i++) {
        const char *name = measure_name((enum measure)i);
        char value[32], uncertainty[32] = "";

        if (isnan(cup->measures.value[i]))
            continue;
        number_words(cup, (enum measure)i, value);
        if (!isnan(cup->measures.standard_uncertainty[i]))
            snprintf(uncertainty, sizeof uncertainty, "%.2g", cup->measures.standard_uncertainty[i]);
        document_row(out, "%s" CELL "%s" CELL "%s" CELL "%s" CELL "%s", call_of(name), value, uncertainty,
                     unit_of(name), measure_summary((enum measure)i));
    }
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
                     "Of extraction's uncertainty %.0f %% comes from %s, %.0f %% from %s, %.0f %% from %s: a better "
                     "%s is worth most.",
                     100 * share[0] / total, call_of(measure_name(parts[0])), 100 * share[1] / total,
                     call_of(measure_name(parts[1])), 100 * share[2] / total, call_of(measure_name(parts[2])),
                     call_of(measure_name(parts[most])));
}

static void against_plan(const struct cup *cup, struct document *out)
{
    const char *name;
    json_t *value;

    if (!cup->recipe && !cup->factors)
        return;
    document_add(out, BLOCK_HEADING, "Against the plan");
    document_table(out, "what|planned|#done");
    for (int pass = 0; pass < 2; pass++)
        json_object_foreach(pass ? cup->recipe : cup->factors, name, value) {
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
            document_row(out, "%.60s" CELL "%s %s" CELL "%s", call_of(name), planned, unit_of(name), done);
        }
    if (cup->plan_kept >= 0)
        document_add(out, BLOCK_TEXT, "%s", cup->plan_kept ? "The plan was kept." : "The plan was not kept.");
}

static int stages_table(sqlite3 *database, const struct cup *cup, struct document *out, struct chart *chart)
{
    static const char sql[] = "SELECT stage, seconds, seconds_u, made_by FROM brew_stage WHERE brew = ?1 ORDER BY "
                              "seconds, seq";
    sqlite3_stmt *statement = NULL;
    int code = sqlite3_prepare_v2(database, sql, -1, &statement, NULL);

    document_add(out, BLOCK_HEADING, "Stages");
    document_table(out, "stage|#began s|#uncertainty s|by");
    if (code == SQLITE_OK)
        sqlite3_bind_text(statement, 1, cup->brew, -1, SQLITE_STATIC);
    while (code == SQLITE_OK && sqlite3_step(statement) == SQLITE_ROW) {
        const char *stage = (const char *)sqlite3_column_text(statement, 0);
        bool known = sqlite3_column_type(statement, 1) != SQLITE_NULL;
        char began[32] = "";

        if (known)
            snprintf(began, sizeof began, "%.1f", sqlite3_column_double(statement, 1));
        document_row(out, "%s" CELL "%s" CELL "%.2f" CELL "%s", stage, began, sqlite3_column_double(statement, 2),
                     sqlite3_column_text(statement, 3));
        if (known && (strcmp(stage, "pour") == 0 || strcmp(stage, "press") == 0 || strcmp(stage, "weigh-out") == 0))
            chart_mark(chart, sqlite3_column_double(statement, 1), (struct interval){ NAN, NAN }, stage);
    }
    return sqlite3_finalize(statement);
}

/* Newton's cooling: T = room + (start - room) exp(-k t).  Turned upside down it is the curve that lib fits,
 * with its quick part for the start. */
static void cooling_sentence(const struct chart *chart, struct document *out)
{
    const struct chart_series *series = chart && chart->series_count ? &chart->series[0] : NULL;
    struct kinetics_question plateau = { QUANTITY_OF_PLATEAU, 0, 0, 0 }, rate = { QUANTITY_OF_RATE, 0, 0, 0 };
    struct interval of_plateau, of_rate;
    struct kinetics_data data = { NULL, NULL, 0, NULL, 0 };
    struct kinetics_fit fit;
    struct why why;
    double *t, *fallen, top = -INFINITY;
    size_t hottest = 0, step;
    char words[96];

    for (size_t i = 0; series && i < series->curve_count; i++)
        if (series->y[i] > top) {
            top = series->y[i];
            hottest = i;
        }
    if (!series || series->curve_count - hottest < 12)
        return;
    t = malloc(2 * series->curve_count * sizeof *t);
    if (!t)
        return;
    fallen = t + series->curve_count;
    step = (series->curve_count - hottest) / COOLING_POINTS + 1;
    for (size_t i = hottest; i < series->curve_count; i += step) {
        t[data.n] = series->x[i] - series->x[hottest];
        fallen[data.n++] = top - series->y[i];
    }
    data.t = t;
    data.e = fallen;
    if (kinetics_fit(&data, true, &fit, &why) == 0 && kinetics_interval(&data, &fit, &plateau, 0.95, &of_plateau) == 0
        && kinetics_interval(&data, &fit, &rate, 0.95, &of_rate) == 0 && isfinite(of_plateau.high)) {
        words_interval(of_rate, 5, "per second", words);
        document_add(out, BLOCK_TEXT,
                     "It cools from %.1f °C towards %.0f °C, by a share of %.5f per second (%s) of what is between.",
                     top - fit.value[KINETICS_QUICK], top - fit.value[KINETICS_PLATEAU], fit.value[KINETICS_RATE],
                     words);
    } else {
        document_add(out, BLOCK_TEXT,
                     "It cools from %.1f °C by %.2f °C a minute; for a cooling constant it was not watched long "
                     "enough.",
                     top, 60 * fallen[data.n - 1] / t[data.n - 1]);
    }
    free(t);
}

static void finish_trace(struct chart *chart, const struct chart *mass, const char *quantity, struct document *out)
{
    if (!chart || chart == mass)
        return;
    if (strcmp(quantity, "temperature") == 0) {
        document_add(out, BLOCK_HEADING, "Slurry temperature");
        cooling_sentence(chart, out);
    }
    document_chart(out, chart);
}

/* Mass on one picture; whatever else was recorded on one each. */
static int traces(sqlite3 *database, const struct cup *cup, struct document *out, struct chart **mass)
{
    static const char sql[] = "SELECT instrument, quantity, unit, seconds, value FROM brew_trace WHERE brew = ?1 AND "
                              "value IS NOT NULL AND seconds IS NOT NULL ORDER BY quantity, instrument, seq";
    sqlite3_stmt *statement = NULL;
    int code = sqlite3_prepare_v2(database, sql, -1, &statement, NULL);
    char quantity[NAME_SIZE] = "", instrument[NAME_SIZE] = "";
    struct chart *chart = NULL;
    struct chart_series *series = NULL;

    if (code == SQLITE_OK)
        sqlite3_bind_text(statement, 1, cup->brew, -1, SQLITE_STATIC);
    while (code == SQLITE_OK && sqlite3_step(statement) == SQLITE_ROW) {
        const char *its_instrument = (const char *)sqlite3_column_text(statement, 0);
        const char *its_quantity = (const char *)sqlite3_column_text(statement, 1);
        char label[96], name[48];

        if (!chart || strcmp(quantity, its_quantity) != 0) {
            finish_trace(chart, *mass, quantity, out);
            snprintf(quantity, sizeof quantity, "%s", its_quantity);
            snprintf(label, sizeof label, "%s, %s", quantity, sqlite3_column_text(statement, 2));
            snprintf(name, sizeof name, "trace-%.40s", quantity);
            chart = chart_new(name, cup->brew, "seconds since first water", label);
            instrument[0] = '\0';
            if (strcmp(quantity, "mass") == 0)
                *mass = chart;
        }
        if (strcmp(instrument, its_instrument) != 0) {
            snprintf(instrument, sizeof instrument, "%s", its_instrument);
            series = chart_series(chart, instrument);
        }
        chart_curve(series, sqlite3_column_double(statement, 3), sqlite3_column_double(statement, 4), NAN, NAN);
    }
    finish_trace(chart, *mass, quantity, out);
    return sqlite3_finalize(statement);
}

int report_brew(const struct request *request)
{
    sqlite3 *database = store_database(request->store);
    struct cups_filter filter = { .brew = request->name };
    struct document document = { NULL, 0, false };
    struct chart *mass = NULL;
    struct cups cups;
    struct why why;
    int status;

    if (cups_load(database, &filter, &cups, &why) < 0) {
        program_say("%s", why.text);
        return EXIT_FAILED;
    }
    if (!cups.count) {
        program_say("there is no brew '%s' (or it was discarded); poise-report brews lists them", request->name);
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
    if (traces(database, &cups.cup[0], &document, &mass) != SQLITE_OK ||
        stages_table(database, &cups.cup[0], &document, mass) != SQLITE_OK) {
        program_say("reading the store: %s", sqlite3_errmsg(database));
        chart_free(mass);
        status = EXIT_FAILED;
    } else {
        document_chart(&document, mass);
        status = report_out(request, &document, cups.cup[0].brew);
    }
    document_free(&document);
    cups_free(&cups);
    return status;
}
