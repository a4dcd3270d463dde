/* Curves against time and along a number; see findings.h. */
#include "findings_parts.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Any fixed number: the same cups give the same p every time. */
static const unsigned long BREAK_SEED = 20261125;

struct kinetics_data findings_curve_data(const struct findings *findings, int curve, double *room)
{
    double *t = room, *e = room + findings->point_count;
    struct kinetics_data data = { t, e, 0, NULL, 0 };
    int other = findings_other_factor(findings), wanted = findings->curve[curve].level;

    for (size_t i = 0; i < findings->point_count; i++) {
        const struct point *point = &findings->point[i];

        if (other >= 0 && point->level[other] != wanted)
            continue;
        t[data.n] = point->x;
        e[data.n++] = point->y;
    }
    /* without memory for it the cups stay apart: the same answers, later */
    kinetics_gather(&data, room + 2 * findings->point_count, &data);
    return data;
}

/* Different levels of the time among a curve's cups. */
static int planned_times(const struct findings *findings, int curve)
{
    int numeric = findings_numeric_factor(findings), other = findings_other_factor(findings), times = 0;

    for (int i = 0; i < findings->level_count; i++) {
        bool met = other >= 0 && findings->level[i].level[other] != findings->curve[curve].level;

        for (int j = 0; j < i && !met; j++)
            met = findings->level[j].level[numeric] == findings->level[i].level[numeric]
                  && (other < 0 || findings->level[j].level[other] == findings->curve[curve].level);
        times += !met;
    }
    return times;
}

static void find_curve(struct findings *out, int place, double *room)
{
    struct curve_finding *curve = &out->curve[place];
    const struct report_options *options = out->options;
    struct kinetics_data data = findings_curve_data(out, place, room);
    struct kinetics_question plateau = { QUANTITY_OF_PLATEAU, 0, 0, 0 }, rate = { QUANTITY_OF_RATE, 0, 0, 0 };
    const struct kinetics_question questions[ANSWERS] = {
        { QUANTITY_OF_SHARE, options->share, 0, 0 },
        { QUANTITY_OF_GAIN, 0, options->step_s, options->least },
        { QUANTITY_OF_DOUBLING, 0, 0, options->least_doubling },
    };
    struct interval none = { NAN, NAN }, slope;
    struct trend line;
    struct why why = { "" };

    for (size_t i = 0; i < data.n; i++) {
        curve->n += data.weight ? (size_t)data.weight[i] : 1;
        curve->longest_s = fmax(curve->longest_s, data.t[i]);
    }
    curve->fitted = kinetics_choose_planned(&data, planned_times(out, place), &curve->fit, &curve->other, &why) == 0;
    if (!curve->fitted) {
        snprintf(curve->why_not, sizeof curve->why_not, "%.199s", why.text);
        return;
    }
    curve->identified = kinetics_identified(&data, &curve->fit, options->confidence);
    curve->falls = trend_fit(data.t, data.e, data.n, 1, &line, &why) == 0
                   && trend_slope_at(&line, line.centre, options->confidence, &slope) < 0 && slope.high < 0;
    curve->runs_p = kinetics_runs_p(&data, &curve->fit);
    curve->plateau = curve->rate = none;
    kinetics_interval(&data, &curve->fit, &plateau, options->confidence, &curve->plateau);
    kinetics_interval(&data, &curve->fit, &rate, options->confidence, &curve->rate);
    curve->all_late = !curve->falls && isinf(curve->rate.high) && isfinite(curve->plateau.high);
    for (int i = 0; i < ANSWERS; i++) {
        curve->answer[i].question = questions[i];
        curve->answer[i].value = kinetics_answer(&curve->fit, &questions[i]);
        curve->answer[i].interval = none;
        kinetics_interval(&data, &curve->fit, &questions[i], options->confidence, &curve->answer[i].interval);
        curve->answer[i].identified = curve->identified && isfinite(curve->answer[i].interval.high);
        curve->answer[i].beyond_cups = curve->answer[i].value > curve->longest_s;
    }
}

int findings_find_curves(struct findings *out, struct why *why)
{
    double *room = malloc(CURVE_ROOM * out->point_count * sizeof *room);
    int other = findings_other_factor(out), error = 0;

    if (room) {
        out->curve_count = other >= 0 ? out->factor[other].level_count : 1;
        for (int i = 0; i < out->curve_count; i++) {
            out->curve[i].level = other >= 0 ? i : -1;
            find_curve(out, i, room);
        }
    } else {
        error = why_set(why, -ENOMEM, "not enough memory");
    }
    free(room);
    return error;
}

double findings_change(const struct findings *findings, const struct trend *trend, struct interval *interval)
{
    const struct factor *factor = &findings->factor[0];
    double low = factor->level[0].number, high = factor->level[factor->level_count - 1].number;
    double slope = trend_slope_at(trend, (low + high) / 2, findings->options->confidence, interval);

    *interval = (struct interval){ interval->low * (high - low), interval->high * (high - low) };
    return slope * (high - low);
}

bool findings_vary_ratio(const struct findings *findings)
{
    for (int f = 0; f < findings->factor_count; f++)
        if (changes_ratio(findings->factor[f].name))
            return true;
    return false;
}

static void find_in_all(struct findings *out, double *x, double *y)
{
    struct why ignored;
    size_t n = 0;

    if (!findings_vary_ratio(out) || out->options->measure != MEASURE_EXTRACTION_PCT)
        return;
    for (size_t i = 0; i < out->point_count; i++) {
        x[n] = out->point[i].x;
        y[n] = out->point[i].cup->measures.value[MEASURE_EXTRACTION_TOTAL_PCT];
        n += !isnan(y[n]);
    }
    out->has_in_all = n > 0 && trend_choose(x, y, n, &out->in_all, &ignored) == 0;
}

static void judge_trend(struct findings *out)
{
    const struct factor *factor = &out->factor[0];
    const struct report_options *options = out->options;
    double low = factor->level[0].number, high = factor->level[factor->level_count - 1].number, slope;
    struct interval interval;

    out->has_turn = trend_turn(&out->trend, low, high, options->confidence, &out->turn_at, &out->turn_interval) == 0;
    if (isnan(options->margin) || out->trend.degree != 1)
        return;
    /* two one-sided tests: the interval that leaves alpha on either side lies within the margin */
    slope = trend_slope_at(&out->trend, low, 2 * options->confidence - 1, &interval);
    out->same_change = isfinite(slope) && interval.low * (high - low) > -options->margin
                       && interval.high * (high - low) < options->margin;
}

int findings_find_trend(struct findings *out, struct why *why)
{
    double *x = malloc(out->point_count * sizeof *x), *y = malloc(out->point_count * sizeof *y);
    struct why ignored;
    int error = 0;

    if (x && y) {
        for (size_t i = 0; i < out->point_count; i++) {
            x[i] = out->point[i].x;
            y[i] = out->point[i].y;
        }
        out->has_trend = trend_choose(x, y, out->point_count, &out->trend, &ignored) == 0;
        if (out->has_trend)
            judge_trend(out);
        out->has_break =
            out->factor[0].level_count >= 5
            && trend_find_break(x, y, out->point_count, FINDING_PERMUTATIONS, BREAK_SEED, &out->broken, &ignored) == 0;
        find_in_all(out, x, y);
    } else {
        error = why_set(why, -ENOMEM, "not enough memory");
    }
    free(x);
    free(y);
    return error;
}
