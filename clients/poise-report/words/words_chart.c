/* The picture of an experiment: every cup a point, the curve with its band. */
#include "words.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { CURVE_POINTS = 80 };

/* More cups are no longer distinguished by eye, and a page of all of them would be slow to open. */
enum { DRAWN_MOST = 2000 };

bool words_draws_all(const struct findings *findings)
{
    return findings->point_count <= DRAWN_MOST;
}

/* A share of the cups, spread over them by the golden section: no rhythm of levels is met always or never. */
static bool drawn(const struct findings *findings, size_t place)
{
    double turns = (double)place * 0.6180339887498949;

    return words_draws_all(findings) || (turns - floor(turns)) * (double)findings->point_count < DRAWN_MOST;
}

static void add_points(const struct findings *findings, struct chart_series *series, int other, int level,
                       bool categories)
{
    enum measure measure = findings->options->measure;

    for (size_t i = 0; i < findings->point_count; i++) {
        const struct point *point = &findings->point[i];
        char name[64];
        double x = point->x;

        if ((other >= 0 && point->level[other] != level) || !drawn(findings, i))
            continue;
        if (categories)
            for (int place = 0; place < findings->level_count; place++)
                if (memcmp(point->level, findings->level[place].level, sizeof point->level) == 0)
                    x = place + 1 - 0.06;
        snprintf(name, sizeof name, "%s: %.*f", point->cup->brew, decimals_shown(measure), point->y);
        chart_point(series, x, point->y, point->cup->measures.standard_uncertainty[measure], point->cup->plan_kept == 0,
                    name);
    }
}

static void add_curve(const struct findings *findings, int place, struct chart_series *series, double from, double to)
{
    const struct curve_finding *curve = &findings->curve[place];
    double *room = malloc(CURVE_ROOM * findings->point_count * sizeof *room);
    double reach =
        curve->fit.df ? gsl_cdf_tdist_Pinv((1 + findings->confidence) / 2, (double)curve->fit.df) : (double)NAN;

    if (room && curve->fitted) {
        struct kinetics_data data = findings_curve_data(findings, place, room);

        for (int i = 0; i < CURVE_POINTS; i++) {
            double at = from + (to - from) * i / (CURVE_POINTS - 1), value = kinetics_at(&curve->fit, at);
            double half = reach * kinetics_error_at(&data, &curve->fit, at);

            chart_curve(series, at, value, value - half, value + half);
        }
    }
    free(room);
}

static void range_of_x(const struct findings *findings, double *low, double *high)
{
    *low = INFINITY;
    *high = -INFINITY;
    for (size_t i = 0; i < findings->point_count; i++) {
        *low = fmin(*low, findings->point[i].x);
        *high = fmax(*high, findings->point[i].x);
    }
}

static void time_chart(const struct findings *findings, struct chart *chart)
{
    int other = findings_other_factor(findings);
    double low, high;

    range_of_x(findings, &low, &high);
    for (int i = 0; i < findings->curve_count; i++) {
        char name[64] = "", level[WORDS_SIZE];
        struct chart_series *series;

        if (other >= 0) {
            findings_level_call(&findings->factor[other], findings->curve[i].level, level);
            snprintf(name, sizeof name, "%.30s %.30s", call_of(findings->factor[other].name), level);
        }
        series = chart_series(chart, name);
        if (!series)
            return;
        add_points(findings, series, other, findings->curve[i].level, false);
        add_curve(findings, i, series, 0, high * 1.05);
    }
    if (findings->curve_count == 1 && findings->curve[0].fitted && findings->curve[0].answer[0].identified) {
        char label[96];

        snprintf(label, sizeof label, "%.0f %% at %.0f s", 100 * findings->options->share,
                 findings->curve[0].answer[0].value);
        chart_mark(chart, findings->curve[0].answer[0].value, findings->curve[0].answer[0].interval, label);
    }
}

static void number_chart(const struct findings *findings, struct chart *chart)
{
    struct chart_series *series = chart_series(chart, "");
    double low, high;

    range_of_x(findings, &low, &high);
    add_points(findings, series, -1, 0, false);
    if (words_breaks(findings)) {
        const struct trend_break *broken = &findings->broken;

        chart_curve(series, low, broken->value + broken->slope_before * (low - broken->at), NAN, NAN);
        chart_curve(series, broken->at, broken->value, NAN, NAN);
        chart_curve(series, high, broken->value + broken->slope_after * (high - broken->at), NAN, NAN);
        chart_mark(chart, broken->at, broken->at_interval, "break");
        return;
    }
    if (findings->has_turn)
        chart_mark(chart, findings->turn_at, findings->turn_interval, "turn");
    for (int i = 0; i < CURVE_POINTS && findings->has_trend; i++) {
        double at = low + (high - low) * i / (CURVE_POINTS - 1);
        struct interval band = trend_interval_at(&findings->trend, at, findings->confidence);

        chart_curve(series, at, trend_at(&findings->trend, at), band.low, band.high);
    }
}

static void category_chart(const struct findings *findings, struct chart *chart)
{
    struct chart_series *cups = chart_series(chart, "each cup"), *means = chart_series(chart, "mean and its interval");
    char words[2 * WORDS_SIZE];

    for (int i = 0; i < findings->level_count && i < CHART_CATEGORIES; i++) {
        const struct level_finding *level = &findings->level[i];

        findings_level_words(findings, i, words);
        snprintf(chart->category[chart->category_count++], sizeof chart->category[0], "%.63s", words);
        chart_point(means, i + 1 + 0.1, level->level_of.mean,
                    isnan(level->interval.low) ? (double)NAN : (level->interval.high - level->interval.low) / 2, false,
                    words);
    }
    add_points(findings, cups, -1, 0, true);
}

struct chart *words_chart(const struct findings *findings)
{
    const char *measure = measure_name(findings->options->measure);
    int numeric = findings_numeric_factor(findings);
    char x_label[160] = "", y_label[160];
    struct chart *chart;

    if (findings->design == DESIGN_TIME || findings->design == DESIGN_NUMBERS)
        snprintf(x_label, sizeof x_label, "%.60s%s%s", call_of(findings->factor[numeric].name),
                 *unit_of(findings->factor[numeric].name) ? ", " : "", unit_of(findings->factor[numeric].name));
    snprintf(y_label, sizeof y_label, "%s, %s", call_of(measure), unit_of(measure));
    chart = chart_new("experiment", findings->title[0] ? findings->title : findings->experiment, x_label, y_label);
    if (!chart)
        return NULL;
    if (findings->design == DESIGN_TIME)
        time_chart(findings, chart);
    else if (findings->design == DESIGN_NUMBERS)
        number_chart(findings, chart);
    else
        category_chart(findings, chart);
    return chart;
}

/* Of each cup less its curve or line; a pattern in them is a shape that was missed. */
static void add_residuals(const struct findings *findings, struct chart_series *series, int curve)
{
    int other = findings_other_factor(findings);

    for (size_t i = 0; i < findings->point_count; i++) {
        const struct point *point = &findings->point[i];
        double value = point->y - findings_block_effect(findings, i);
        char name[64];

        if ((curve >= 0 && other >= 0 && point->level[other] != findings->curve[curve].level) || !drawn(findings, i))
            continue;
        value -= curve >= 0 ? kinetics_at(&findings->curve[curve].fit, point->x) : trend_at(&findings->trend, point->x);
        snprintf(name, sizeof name, "%s: %+.2f", point->cup->brew, value);
        chart_point(series, point->x, value, NAN, point->cup->plan_kept == 0, name);
    }
}

struct chart *words_residuals(const struct findings *findings)
{
    bool curves = findings->design == DESIGN_TIME && findings->curve_count > 0;
    int numeric = findings_numeric_factor(findings), other = findings_other_factor(findings), count;
    char x_label[160], y_label[160];
    struct chart *chart;
    double low, high;

    if (!curves && !(findings->design == DESIGN_NUMBERS && findings->has_trend && findings->trend.df))
        return NULL;
    snprintf(x_label, sizeof x_label, "%.60s%s%s", call_of(findings->factor[numeric].name),
             *unit_of(findings->factor[numeric].name) ? ", " : "", unit_of(findings->factor[numeric].name));
    snprintf(y_label, sizeof y_label, "cup less %s, %s", curves ? "its curve" : "the line or curve",
             step_of(measure_name(findings->options->measure)));
    chart = chart_new("residuals", "What is left of each cup", x_label, y_label);
    range_of_x(findings, &low, &high);
    count = curves ? findings->curve_count : 1;
    for (int i = 0; i < count && chart; i++) {
        double spread = curves ? findings->curve[i].fit.spread : findings->trend.spread;
        char name[64] = "", level[WORDS_SIZE];
        struct chart_series *series;

        if (curves && !findings->curve[i].fitted)
            continue;
        if (curves && other >= 0) {
            findings_level_call(&findings->factor[other], findings->curve[i].level, level);
            snprintf(name, sizeof name, "%.30s %.30s", call_of(findings->factor[other].name), level);
        }
        series = chart_series(chart, name);
        if (!series)
            break;
        add_residuals(findings, series, curves ? i : -1);
        for (int end = 0; end < 2; end++)
            chart_curve(series, end ? high : low, 0, -spread, spread);
    }
    return chart;
}
