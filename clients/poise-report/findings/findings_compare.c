/* Levels compared: analysis of variance, differences of pairs, equality within a margin, and what so few cups could not
 * have shown; see findings.h. */
#include "findings_parts.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <string.h>

/* More sittings than this are no blocks of one experiment, and each costs a column. */
enum { BLOCKS = 60 };

/* Replicates are blocks when every cup says which it belongs to and there are enough cups to pay for it. */
static bool replicates_are_blocks(const struct findings *out, int *block)
{
    int blocks = 0;

    for (size_t i = 0; i < out->point_count; i++) {
        bool met = false;

        if (out->point[i].cup->replicate < 0)
            return false;
        block[i] = out->point[i].cup->replicate;
        for (size_t j = 0; j < i && !met; j++)
            met = block[j] == block[i];
        blocks += !met;
        if (blocks > BLOCKS)
            return false;
    }
    return blocks > 1 && out->point_count > (size_t)(out->level_count + blocks - 1) + 2;
}

static int cell_of(const struct findings *out, const struct point *point)
{
    int place = 0;

    while (memcmp(out->level[place].level, point->level, sizeof point->level) != 0)
        place++;
    return place;
}

/* What levels are compared by: their means; with replicates as blocks, what is left of them when the blocks are out. */
static bool find_adjusted(struct findings *out, const double *values, int *cell, const int *block)
{
    struct anova_data data = { values, cell, NULL, block, out->point_count };
    double mean[LEVELS];

    for (size_t i = 0; i < out->point_count; i++)
        cell[i] = cell_of(out, &out->point[i]);
    if (levels_within_blocks(&data, (size_t)out->level_count, mean, out->covariance) < 0)
        return false;
    for (int i = 0; i < out->level_count; i++) {
        out->broken_blocks = out->broken_blocks || fabs(mean[i] - out->level[i].level_of.mean) > 1e-9;
        out->level[i].adjusted = mean[i];
    }
    return true;
}

static void find_anova(struct findings *out, double *values, int *a, int *b, int *block)
{
    struct anova_data data = { values, a, out->factor_count == 2 ? b : NULL, NULL, out->point_count };
    struct why why = { "" };

    for (size_t i = 0; i < out->point_count; i++) {
        values[i] = out->point[i].y;
        a[i] = out->point[i].level[0];
        b[i] = out->point[i].level[1];
    }
    if (replicates_are_blocks(out, block)) {
        data.block = block;
        out->has_anova = compare_anova(&data, &out->anova, &why) == 0;
        out->blocks = out->has_anova && find_adjusted(out, values, b, block);
    }
    if (out->blocks)
        return;
    for (size_t i = 0; i < out->point_count; i++)
        b[i] = out->point[i].level[1];
    data.block = NULL;
    out->has_anova = compare_anova(&data, &out->anova, &why) == 0;
    if (!out->has_anova)
        snprintf(out->no_anova, sizeof out->no_anova, "%.199s", why.text);
}

/* --- pairs --- */

static double error_of_pair(const struct findings *out, int first, int second, double spread)
{
    const double *c = out->covariance;
    int levels = out->level_count;

    if (out->blocks)
        return spread * sqrt(c[first * (levels + 1)] + c[second * (levels + 1)] - 2 * c[first * levels + second]);
    return spread * sqrt(1 / (double)out->level[first].level_of.n + 1 / (double)out->level[second].level_of.n);
}

/* Two levels: Welch.  More: Tukey by the residual spread.  One cup per level: by the bench's own spread. */
static bool compare_pair(const struct findings *out, double *values, double quantile, struct pair_finding *pair)
{
    const struct level_finding *a = &out->level[pair->first], *b = &out->level[pair->second];
    double confidence = out->options->confidence, spread = out->has_anova ? out->anova.spread : out->spread;
    double df = out->has_anova ? (double)out->anova.df : out->spread_df;

    if (out->level_count == 2 && a->level_of.n > 1 && b->level_of.n > 1) {
        size_t n = findings_values(out, pair->first, values), m = findings_values(out, pair->second, values + n);

        return compare_welch((struct sample){ values, n }, (struct sample){ values + n, m }, confidence,
                             &pair->difference)
               == 0;
    }
    if (!out->has_anova && out->spread_source == SPREAD_NONE)
        return false;
    if (out->level_count == 2)
        return compare_with_spread(&a->level_of, &b->level_of, spread, df, confidence, &pair->difference) == 0;
    return compare_tukey_of(a->adjusted - b->adjusted, error_of_pair(out, pair->first, pair->second, spread),
                            (size_t)out->level_count, df, quantile, &pair->difference)
           == 0;
}

/* Two levels: two one-sided tests.  More: the interval that holds for all pairs together lies within the margin. */
static void find_equal(struct findings *out, double *values)
{
    double margin = out->options->margin;

    if (out->level_count == 2 && out->pair_count) {
        size_t n = findings_values(out, 1, values), m = findings_values(out, 0, values + n);

        out->has_equivalence = compare_equivalent((struct sample){ values, n }, (struct sample){ values + n, m },
                                                  margin, 1 - out->options->confidence, &out->equivalence)
                               == 0;
    }
    out->all_equal = out->pair_count > 0;
    for (int i = 0; i < out->pair_count; i++) {
        struct pair_finding *pair = &out->pair[i];

        pair->equal = out->level_count == 2
                          ? out->has_equivalence && out->equivalence.equal
                          : pair->difference.interval.low > -margin && pair->difference.interval.high < margin;
        out->all_equal = out->all_equal && pair->equal;
    }
}

static void find_pairs(struct findings *out, double *values, double quantile)
{
    for (int second = 0; second < out->level_count; second++)
        for (int first = second + 1; first < out->level_count; first++) {
            struct pair_finding *pair = &out->pair[out->pair_count];

            pair->first = first;
            pair->second = second;
            out->pair_count += compare_pair(out, values, quantile, pair);
        }
    if (!isnan(out->options->margin))
        find_equal(out, values);
}

/* The same spread and the same bar as the pairs are judged by: of many pairs each has to clear a higher one. */
static void find_smallest(struct findings *out, double quantile)
{
    bool together = out->level_count > 2, by_anova = together && out->has_anova;
    double spread = by_anova ? out->anova.spread : out->spread, df = by_anova ? (double)out->anova.df : out->spread_df;
    double alpha = 1 - out->options->confidence;
    size_t least = SIZE_MAX;

    out->smallest = NAN;
    for (int i = 0; i < out->level_count; i++)
        if (out->level[i].level_of.n < least)
            least = out->level[i].level_of.n;
    if (out->level_count < 2 || out->spread_source == SPREAD_NONE || !(spread > 0) || !(df > 0))
        return;
    if (together)
        alpha = 2 * gsl_cdf_tdist_Q(quantile / M_SQRT2, df);
    out->smallest = smallest_difference(spread, least, least, df, alpha, FINDING_POWER);
}

/* Two levels are compared by Welch's t, which knows no blocks; where the replicates differ, that is not all. */
static void find_within(struct findings *out)
{
    const struct anova_line *blocks = &out->anova.line[ANOVA_BLOCK];
    double confidence = out->options->confidence, half;

    if (out->level_count != 2 || !out->blocks || !(blocks->p < 1 - confidence))
        return;
    out->within = (struct difference){ .difference = out->level[1].adjusted - out->level[0].adjusted,
                                       .standard_error = error_of_pair(out, 1, 0, out->anova.spread),
                                       .df = (double)out->anova.df };
    half = gsl_cdf_tdist_Pinv((1 + confidence) / 2, out->within.df) * out->within.standard_error;
    out->within.interval = (struct interval){ out->within.difference - half, out->within.difference + half };
    out->within.t = out->within.difference / out->within.standard_error;
    out->within.p = 2 * gsl_cdf_tdist_Q(fabs(out->within.t), out->within.df);
    out->has_within = true;
}

void findings_compare(struct findings *out, double *values, int *whole)
{
    double quantile = NAN;

    out->smallest = NAN;
    for (int i = 0; i < out->level_count; i++)
        out->level[i].adjusted = out->level[i].level_of.mean;
    if (out->level_count < 2)
        return;
    find_anova(out, values, whole, whole + out->point_count, whole + 2 * out->point_count);
    if (out->level_count > 2)
        quantile = studentized_range_quantile(out->options->confidence, (size_t)out->level_count,
                                              out->has_anova ? (double)out->anova.df : out->spread_df);
    find_pairs(out, values, quantile);
    find_smallest(out, quantile);
    find_within(out);
}
