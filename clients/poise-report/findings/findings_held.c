/* What was to be held and was not: dose or water that differs from level to level may itself be the difference; see
 * findings.h. */
#include "findings_parts.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <string.h>

#include "poise/comparison.h"

static const enum measure HELD[] = { MEASURE_DOSE_G, MEASURE_WATER_G };
enum { HELDS = sizeof HELD / sizeof *HELD };

/* What is in the cup follows dose and water in proportion at most: a per cent more of either changes it by no more
 * than about a per cent.  Where that comes to this share of what is seen, it may be all that is seen. */
static const double SHARE_THAT_MATTERS = 0.5;

/* The levels of one factor, by one quantity. */
struct spread_out {
    double mean[LEVELS], count[LEVELS], low, high; /* low, high: the least and the most of the means */
    double p;                                      /* that cups of one mean would differ as much (F); NAN: not known */
};

static double number_of(const struct point *point, int quantity)
{
    return quantity < 0 ? point->y : cup_value(point->cup, (enum measure)quantity);
}

/* Of what is judged where `quantity` is -1. */
static struct spread_out spread_out_by(const struct findings *findings, int factor, int quantity)
{
    struct spread_out out = { .low = INFINITY, .high = -INFINITY, .p = NAN };
    double sum = 0, n = 0, between = 0, within = 0;
    int levels = 0;

    for (size_t i = 0; i < findings->point_count; i++) {
        double value = number_of(&findings->point[i], quantity);

        if (isnan(value))
            continue;
        out.mean[findings->point[i].level[factor]] += value;
        out.count[findings->point[i].level[factor]]++;
        sum += value;
        n++;
    }
    for (int i = 0; i < findings->factor[factor].level_count; i++) {
        if (!(out.count[i] > 0))
            continue;
        out.mean[i] /= out.count[i];
        out.low = fmin(out.low, out.mean[i]);
        out.high = fmax(out.high, out.mean[i]);
        between += out.count[i] * pow(out.mean[i] - sum / n, 2);
        levels++;
    }
    for (size_t i = 0; i < findings->point_count; i++) {
        double value = number_of(&findings->point[i], quantity);

        if (!isnan(value))
            within += pow(value - out.mean[findings->point[i].level[factor]], 2);
    }
    if (levels > 1 && n > levels && within > 0)
        out.p = gsl_cdf_fdist_Q(between / (levels - 1) / (within / (n - levels)), levels - 1, n - levels);
    return out;
}

static bool is_varied(const struct findings *findings, enum measure quantity)
{
    for (int f = 0; f < findings->factor_count; f++)
        if (strcmp(findings->factor[f].name, measure_name(quantity)) == 0
            || (changes_ratio(findings->factor[f].name) && measure_find(findings->factor[f].name) < 0))
            return true;
    return false;
}

static void judge_held(struct findings *out, int factor, const struct spread_out *seen,
                       const struct spread_out spread[HELDS])
{
    double p[HELDS], level = (seen->low + seen->high) / 2;

    for (int i = 0; i < HELDS; i++)
        p[i] = spread[i].p;
    holm_adjust(p, NULL, HELDS);
    for (int i = 0; i < HELDS; i++) {
        const char *call = call_of(measure_name(HELD[i])), *unit = unit_of(measure_name(HELD[i]));
        double apart = spread[i].high - spread[i].low, changes = apart / spread[i].low * fabs(level);

        if (!(p[i] < 1 - out->options->confidence) || changes < SHARE_THAT_MATTERS * (seen->high - seen->low))
            continue;
        findings_refuse(out, "held", factor,
                        "%.60s was to be the same and differs by %.2g %s between levels of %.60s: that alone could "
                        "change %.60s by up to %.2g, and levels differ by %.2g; hold it closer and brew again",
                        call, apart, unit, call_of(out->factor[factor].name),
                        call_of(measure_name(out->options->measure)), changes, seen->high - seen->low);
    }
}

void findings_find_held(struct findings *out)
{
    for (int f = 0; f < out->factor_count; f++) {
        struct spread_out seen = spread_out_by(out, f, -1), spread[HELDS];

        for (int i = 0; i < HELDS; i++) {
            spread[i] = spread_out_by(out, f, (int)HELD[i]);
            if (is_varied(out, HELD[i]) || HELD[i] == out->options->measure || !(spread[i].low > 0))
                spread[i].p = NAN;
        }
        judge_held(out, f, &seen, spread);
    }
}
