/* Curves against time and along a number, surfaces over two, and whether the cups follow them; see findings.h. */
#include "findings_parts.h"
#include "poise/bend.h"

#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Replicates scatter so little that the curve misses them: as sure as an interval. */
static const double MISFIT = 0.05;

/* Any fixed number: the same cups give the same p every time. */
static const unsigned long BREAK_SEED = 20261125;

struct kinetics_data findings_curve_data(const struct findings *findings, int curve, double *room)
{
    double *t = room, *e = room + findings->point_count;
    struct kinetics_data data = { .t = t, .e = e };
    int other = findings_other_factor(findings), wanted = findings->curve[curve].level;

    for (size_t i = 0; i < findings->point_count; i++) {
        const struct point *point = &findings->point[i];

        if (other >= 0 && point->level[other] != wanted)
            continue;
        t[data.n] = point->x;
        e[data.n++] = point->y - findings_block_effect(findings, i);
    }
    /* each curve pays its share of what the blocks cost */
    data.spent = findings->block_count ? (double)(findings->block_count - 1) / fmax(1, findings->curve_count) : 0;
    data.spent = ceil(data.spent);
    /* without memory for it the cups stay apart: the same answers, later */
    kinetics_gather(&data, room + 2 * findings->point_count, &data);
    return data;
}

double findings_block_effect(const struct findings *findings, size_t point)
{
    return findings->block_count && findings->has_layout ? findings->block_effect[findings->block[point]] : 0;
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

/* Do the cups, each alone, follow the curve? */
static void judge_shape(const struct findings *findings, struct curve_finding *curve, double *room)
{
    double *t = room, *e = room + findings->point_count;
    int *level = malloc((findings->point_count + 1) * sizeof *level), other = findings_other_factor(findings);
    double spent = findings->block_count ? ceil((findings->block_count - 1.0) / findings->curve_count) : 0;
    struct bend_verdict verdict = { .has_lack = false };
    size_t n = 0;

    for (size_t i = 0; i < findings->point_count && level; i++) {
        if (other >= 0 && findings->point[i].level[other] != curve->level)
            continue;
        t[n] = findings->point[i].x;
        e[n] = findings->point[i].y - findings_block_effect(findings, i);
        level[n++] = findings->cell[i];
    }
    if (level)
        bend_judge(t, e, level, n, spent, &curve->fit, &curve->other, findings->options->share, &verdict);
    free(level);
    curve->has_lack = verdict.has_lack;
    curve->lack = verdict.lack;
    curve->other_lack = verdict.other_lack;
    curve->misfit = verdict.misfit;
    curve->rivalled = verdict.rivalled;
    curve->rival = verdict.rival;
}

/* What the longest steep brings more than the one that lies next to the bend, or than the one before it: by the cups of
 * those two, so that it holds whatever the curve is. */
static void find_gain(const struct findings *findings, struct curve_finding *curve)
{
    int numeric = findings_numeric_factor(findings), other = findings_other_factor(findings), last = -1, from = -1;
    double at = curve->answer[0].claimed ? curve->answer[0].value : INFINITY;
    struct difference difference;

    for (int i = 0; i < findings->level_count; i++) { /* levels come in the order of time */
        const struct level_finding *level = &findings->level[i];

        if (other >= 0 && level->level[other] != curve->level)
            continue;
        if (last >= 0
            && (from < 0
                || fabs(findings->factor[numeric].level[findings->level[last].level[numeric]].number - at)
                       <= fabs(findings->factor[numeric].level[findings->level[from].level[numeric]].number - at)))
            from = last;
        last = i;
    }
    if (from < 0 || !findings->has_layout
        || layout_pair(&findings->layout, (size_t)last, (size_t)from, 2, findings->confidence, &difference) < 0)
        return;
    curve->gain.from_s = findings->factor[numeric].level[findings->level[from].level[numeric]].number;
    curve->gain.to_s = findings->factor[numeric].level[findings->level[last].level[numeric]].number;
    curve->gain.value = difference.difference;
    curve->gain.interval = difference.interval;
    curve->has_gain = true;
}

static void find_plateau_together(const struct findings *findings, struct curve_finding *curve,
                                  const struct kinetics_data *data)
{
    struct kinetics_question plateau = { QUANTITY_OF_PLATEAU, 0, 0, 0 };
    size_t curves = (size_t)findings->curve_count;
    double df = (double)curve->fit.df, reach;

    curve->plateau_together = curve->plateau;
    if (curves < 3 || df < 1)
        return;
    reach = studentized_range_quantile(findings->confidence, curves, df) / M_SQRT2;
    kinetics_interval(data, &curve->fit, &plateau, 1 - 2 * gsl_cdf_tdist_Q(reach, df), &curve->plateau_together);
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
    bool no_rise = false;
    struct why why = { "" };

    curve->shortest_s = INFINITY;
    for (size_t i = 0; i < data.n; i++) {
        curve->n += data.weight ? (size_t)data.weight[i] : 1;
        curve->longest_s = fmax(curve->longest_s, data.t[i]);
        curve->shortest_s = fmin(curve->shortest_s, data.t[i]);
    }
    curve->quick_p = NAN;
    curve->fitted = kinetics_choose_planned(&data, planned_times(out, place), &curve->fit, &curve->other, &why) == 0;
    if (!curve->fitted) {
        snprintf(curve->why_not, sizeof curve->why_not, "%.199s", why.text);
        find_gain(out, curve);
        return;
    }
    curve->quick_p = kinetics_quick_p(&curve->fit, &curve->other);
    curve->identified = kinetics_identified(&data, &curve->fit, out->confidence);
    if (trend_fit(room, room + out->point_count, curve->n, 1, &line, &why) == 0) { /* cup by cup */
        trend_spend(&line, (size_t)data.spent);
        trend_slope_at(&line, line.centre, out->confidence, &slope);
        curve->falls = slope.high < 0;
        no_rise = slope.low < 0 && !curve->falls;
    }
    curve->plateau = curve->rate = none;
    kinetics_interval(&data, &curve->fit, &plateau, out->confidence, &curve->plateau);
    kinetics_interval(&data, &curve->fit, &rate, out->confidence, &curve->rate);
    find_plateau_together(out, curve, &data);
    curve->other_share = none;
    if (curve->other.n && curve->n <= BEND_SHAPES_MOST)
        kinetics_interval(&data, &curve->other, &questions[0], out->confidence, &curve->other_share);
    curve->all_late = !curve->falls && (no_rise || (isinf(curve->rate.high) && isfinite(curve->plateau.high)));
    judge_shape(out, curve, room + 5 * out->point_count);
    curve->supported = curve->identified && curve->fit.quick && !curve->misfit && !curve->rivalled && !curve->falls
                       && !out->refusal_count;
    for (int i = 0; i < ANSWERS; i++) {
        struct answer *answer = &curve->answer[i];

        answer->question = questions[i];
        answer->value = kinetics_answer(&curve->fit, &questions[i]);
        answer->interval = none;
        kinetics_interval(&data, &curve->fit, &questions[i], out->confidence, &answer->interval);
        answer->identified = curve->identified && isfinite(answer->interval.high);
        answer->beyond_cups = answer->value > curve->longest_s;
        answer->claimed = curve->supported && answer->identified && answer->interval.high <= curve->longest_s;
    }
    find_gain(out, curve);
}

int findings_find_curves(struct findings *out, struct why *why)
{
    double *room = malloc(CURVE_ROOM * (out->point_count + 1) * sizeof *room);
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
    double line = 1 - TREND_LINE_SHARE * (1 - findings->confidence);
    double slope = trend_slope_at(trend, (low + high) / 2, line, interval);

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

static void find_total(struct findings *out, double *x, double *y)
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
    out->has_total = n > 0 && trend_choose(x, y, n, &out->total, &ignored) == 0;
}

/* Neither a line nor a curve follows the levels. */
static void find_misfit(struct findings *out, const double *x, const double *y, double *room)
{
    struct lack_of_fit lack;

    for (size_t i = 0; i < out->point_count; i++)
        room[i] = y[i] - trend_at(&out->trend, x[i]);
    out->trend_misfit = shape_lack_of_fit(room, out->cell, out->point_count, (size_t)out->trend.degree + 1,
                                          fmax(0, out->block_count - 1), &lack)
                            == 0
                        && lack.p < MISFIT;
}

/* From the first level to the last: by the line, where it is one; by those two levels' cups, where it is not. */
static void find_end(struct findings *out)
{
    int last = out->level_count - 1;
    double line = 1 - TREND_LINE_SHARE * (1 - out->confidence);

    if (!out->bends && !out->trend_misfit && out->trend.degree == 1) {
        out->end.difference = findings_change(out, &out->trend, &out->end.interval);
        out->has_end = out->trend.df > 0;
    } else {
        out->has_end = out->has_layout && out->layout.method != LAYOUT_BORROWED
                       && layout_pair(&out->layout, (size_t)last, 0, 2, line, &out->end) == 0;
    }
}

static void judge_trend(struct findings *out, const double *x, const double *y, double *room)
{
    const struct factor *factor = &out->factor[0];
    const struct report_options *options = out->options;
    double low = factor->level[0].number, high = factor->level[factor->level_count - 1].number, slope;
    double spread = out->has_layout ? out->layout.spread : out->trend.spread;
    double df = out->has_layout ? out->layout.df : (double)out->trend.df, alpha = 1 - out->confidence;
    struct interval interval;

    find_misfit(out, x, y, room);
    trend_family(x, y, out->point_count, (size_t)fmax(0, out->block_count - 1),
                 out->has_break ? out->broken.p : (double)NAN, &out->family);
    if (out->has_layout && out->layout.method == LAYOUT_SEPARATE) /* the pooled one */
        df = (double)out->point_count - out->level_count;
    trend_ends(x, y, out->cell, out->point_count, out->level_count, spread, df, out->confidence, &out->ends);
    if (out->refusal_count == 0) {
        out->changes = out->family.any < alpha;
        out->bends = out->changes && out->family.shape < alpha;
    }
    out->has_turn =
        out->bends && trend_turn(&out->trend, low, high, out->confidence, &out->turn_at, &out->turn_interval) == 0;
    find_end(out);
    if (isnan(options->margin) || out->trend.degree != 1)
        return;
    /* two one-sided tests: the interval that leaves alpha on either side lies within the margin */
    slope = trend_slope_at(&out->trend, low, 2 * out->confidence - 1, &interval);
    out->same_change = isfinite(slope) && interval.low * (high - low) > -options->margin
                       && interval.high * (high - low) < options->margin && !out->refusal_count;
}

int findings_find_trend(struct findings *out, struct why *why)
{
    double *room = malloc((3 * out->point_count + 1) * sizeof *room), *x = room, *y = room + out->point_count;
    size_t spent = (size_t)fmax(0, out->block_count - 1);
    struct why ignored;

    if (!room)
        return why_set(why, -ENOMEM, "not enough memory");
    for (size_t i = 0; i < out->point_count; i++) {
        x[i] = out->point[i].x;
        y[i] = out->point[i].y - findings_block_effect(out, i);
    }
    out->has_break =
        out->factor[0].level_count >= 5
        && trend_find_break(x, y, out->point_count, spent, FINDING_PERMUTATIONS, BREAK_SEED, &out->broken, &ignored)
               == 0;
    out->has_trend = trend_choose(x, y, out->point_count, &out->trend, &ignored) == 0;
    if (out->has_trend) {
        trend_spend(&out->trend, spent);
        judge_trend(out, x, y, room + 2 * out->point_count);
    }
    find_total(out, x, y);
    free(room);
    return 0;
}

int findings_find_surface(struct findings *out, struct why *why)
{
    double *room = malloc((3 * out->point_count + 1) * sizeof *room), *x = room, *y = room + out->point_count;
    struct surface_data data = {
        x, y, room + 2 * out->point_count, out->block_count ? out->block : NULL, out->cell, out->point_count
    };
    struct why ignored;

    if (!room)
        return why_set(why, -ENOMEM, "not enough memory");
    for (size_t i = 0; i < out->point_count; i++) {
        x[i] = out->factor[0].level[out->point[i].level[0]].number;
        y[i] = out->factor[1].level[out->point[i].level[1]].number;
        room[2 * out->point_count + i] = out->point[i].y;
    }
    out->has_surface = out->factor[0].numeric && out->factor[1].numeric && out->layout.method != LAYOUT_BORROWED
                       && surface_fit(&data, out->confidence, &out->surface, &ignored) == 0;
    out->surface_misfit = out->has_surface && out->surface.has_lack && out->surface.lack.p < MISFIT;
    out->has_top = out->has_surface && out->surface.shown && !out->surface_misfit && !out->refusal_count;
    free(room);
    return 0;
}
