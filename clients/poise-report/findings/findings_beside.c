/* What else differs from level to level of a setting, and levels compared with dose, water and temperature as they were
 * measured (analysis of covariance: one slope of each for all levels; Fisher, Statistical Methods for Research Workers,
 * 1932, from memory); see findings.h. */
#include "findings_parts.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "poise/mixed.h"

/* What a cup's levels are compared in: outcomes of the pour, the steep and the press.  What is judged, and what it is
 * computed from, is compared anyway. */
static const enum measure OTHERS[] = { MEASURE_STEEP_S,  MEASURE_BLOOM_S,         MEASURE_SETTLE_S,
                                       MEASURE_PRESS_S,  MEASURE_PRESS_PEAK_KPA,  MEASURE_DRIP_G,
                                       MEASURE_SLURRY_C, MEASURE_RETAINED_G_PER_G };
enum { OTHER_COUNT = sizeof OTHERS / sizeof *OTHERS };

/* What should have been the same and was measured. */
static const enum measure MEASURED[COVARIATES] = { MEASURE_DOSE_G, MEASURE_WATER_G, MEASURE_SLURRY_C };

/* What differs by a smaller share of itself changes what is in the cup by no more than such a share: nobody tastes it,
 * and its slope would be that of the scale's errors. */
static const double SHARE_THAT_COUNTS = 0.005;

/* Degrees of freedom that must be left beside levels, blocks and covariates. */
static const double DF_LEAST = 3;

unsigned findings_beside_measures(void)
{
    unsigned measures = 0;

    for (int i = 0; i < OTHER_COUNT; i++)
        measures |= cups_basis(OTHERS[i]);
    for (int i = 0; i < COVARIATES; i++)
        measures |= cups_basis(MEASURED[i]);
    return measures;
}

/* --- what else differs --- */

static bool is_factor(const struct findings *findings, enum measure measure)
{
    for (int f = 0; f < findings->factor_count; f++)
        if (strcmp(findings->factor[f].name, measure_name(measure)) == 0)
            return true;
    return false;
}

/* Means of a measure by level of a factor; false where some level has fewer than two cups that know it. */
static bool find_means(const struct findings *findings, int factor, enum measure measure, struct beside_finding *out)
{
    double n[LEVELS] = { 0 }, all = 0, sum = 0, between = 0, within = 0;
    int levels = findings->factor[factor].level_count;

    *out = (struct beside_finding){ .measure = measure, .factor = factor, .p = NAN };
    for (size_t i = 0; i < findings->point_count; i++) {
        double value = cup_value(findings->point[i].cup, measure);
        int level = findings->point[i].level[factor];

        if (isnan(value))
            continue;
        out->mean[level] += value;
        n[level]++;
        sum += value;
        all++;
    }
    for (int i = 0; i < levels; i++) {
        if (n[i] < 2)
            return false;
        out->mean[i] /= n[i];
        between += n[i] * pow(out->mean[i] - sum / all, 2);
    }
    for (size_t i = 0; i < findings->point_count; i++) {
        double value = cup_value(findings->point[i].cup, measure);

        if (!isnan(value))
            within += pow(value - out->mean[findings->point[i].level[factor]], 2);
    }
    if (levels > 1 && all > levels && within > 0)
        out->p = gsl_cdf_fdist_Q(between / (levels - 1) / (within / (all - levels)), levels - 1, all - levels);
    else if (between > 0)
        out->p = 0;
    return !isnan(out->p);
}

/* All measures of all factors are questions asked together (Holm). */
static void find_others(struct findings *out)
{
    struct beside_finding found[OTHER_COUNT * FACTORS];
    double p[OTHER_COUNT * FACTORS];
    size_t count = 0;

    for (int f = 0; f < out->factor_count; f++)
        for (int i = 0; i < OTHER_COUNT; i++)
            if (!is_factor(out, OTHERS[i]) && OTHERS[i] != out->options->measure && !findings_vary_ratio(out)
                && find_means(out, f, OTHERS[i], &found[count])) {
                p[count] = found[count].p;
                count++;
            }
    holm_adjust(p, NULL, count);
    for (size_t i = 0; i < count; i++) {
        if (!(p[i] < 1 - out->options->confidence) || out->beside_count == BESIDES)
            continue;
        found[i].p = p[i];
        out->beside[out->beside_count++] = found[i];
    }
}

/* --- adjusted --- */

/* Known of every cup, not varied, and different enough. */
static bool is_covariate(const struct findings *findings, enum measure measure)
{
    double mean = 0, squares = 0, n = (double)findings->point_count;

    if (is_factor(findings, measure) || measure == findings->options->measure)
        return false;
    for (size_t i = 0; i < findings->point_count; i++) {
        double value = cup_value(findings->point[i].cup, measure);

        if (isnan(value))
            return false;
        mean += value / n;
    }
    for (size_t i = 0; i < findings->point_count; i++)
        squares += pow(cup_value(findings->point[i].cup, measure) - mean, 2) / (n - 1);
    return sqrt(squares) > SHARE_THAT_COUNTS * fabs(mean);
}

/* The constant, each combination of levels, each covariate less its mean. */
static struct mixed *new_model(const struct findings *findings, const struct covariates *its, const double *mean)
{
    size_t columns = 1 + (size_t)findings->level_count + (size_t)its->count;
    struct mixed *mixed = mixed_new(columns);
    double row[MIXED_COLUMNS];

    for (size_t i = 0; i < findings->point_count && mixed; i++) {
        memset(row, 0, sizeof row);
        row[0] = row[1 + findings->cell[i]] = 1;
        for (int j = 0; j < its->count; j++)
            row[1 + findings->level_count + j] = cup_value(findings->point[i].cup, its->covariate[j].measure) - mean[j];
        if (mixed_add(mixed, row, findings->point[i].y, findings->block_count ? findings->block[i] : 0) < 0) {
            mixed_free(mixed);
            mixed = NULL;
        }
    }
    return mixed;
}

static bool find_slopes(const struct findings *findings, const struct mixed *mixed, struct covariates *its)
{
    bool any = false;

    for (int i = 0; i < its->count; i++) {
        struct covariate *covariate = &its->covariate[i];
        double weight[MIXED_COLUMNS] = { 0 };

        weight[1 + findings->level_count + i] = 1;
        covariate->known = mixed_contrast(mixed, weight, NULL, findings->confidence, &covariate->slope) == 0;
        any = any || covariate->known;
    }
    return any;
}

static void adjust_pairs(const struct findings *findings, const struct mixed *mixed, struct covariates *its)
{
    double confidence = findings->confidence;

    for (int i = 0; i < findings->pair_count; i++) {
        struct difference *found = &its->adjusted[i];
        double weight[MIXED_COLUMNS] = { 0 };

        weight[1 + findings->pair[i].first] = 1;
        weight[1 + findings->pair[i].second] = -1;
        its->known_pair[i] = mixed_contrast(mixed, weight, NULL, confidence, found) == 0;
        if (its->known_pair[i] && findings->level_count > 2)
            compare_tukey_of(
                found->difference, found->standard_error, (size_t)findings->level_count, fmax(1, found->df),
                studentized_range_quantile(confidence, (size_t)findings->level_count, fmax(1, found->df)), found);
    }
}

static void find_adjusted(struct findings *out)
{
    struct covariates *its = &out->covariates;
    double mean[COVARIATES] = { 0 };
    struct mixed_fit fit;
    struct mixed *mixed;
    struct why ignored;

    for (int i = 0; i < COVARIATES; i++) {
        if (!is_covariate(out, MEASURED[i]))
            continue;
        for (size_t j = 0; j < out->point_count; j++)
            mean[its->count] += cup_value(out->point[j].cup, MEASURED[i]) / (double)out->point_count;
        its->covariate[its->count++].measure = MEASURED[i];
    }
    if (!its->count || !out->has_layout || out->layout.method == LAYOUT_BORROWED)
        return;
    mixed = new_model(out, its, mean);
    if (mixed && mixed_solve(mixed, out->confidence, &fit, &ignored) == 0 && fit.df_within >= DF_LEAST
        && find_slopes(out, mixed, its)) {
        its->fitted = true;
        its->spread = fit.within;
        its->df = fit.df_within;
        adjust_pairs(out, mixed, its);
    }
    mixed_free(mixed);
}

void findings_covariate_names(const struct findings *findings, char out[WORDS_SIZE])
{
    const struct covariates *its = &findings->covariates;
    size_t length = 0;

    out[0] = '\0';
    for (int i = 0; i < its->count && length + 40 < WORDS_SIZE; i++)
        length += (size_t)snprintf(out + length, WORDS_SIZE - length, "%s%.32s",
                                   i == 0                ? ""
                                   : i == its->count - 1 ? " and "
                                                         : ", ",
                                   call_of(measure_name(its->covariate[i].measure)));
}

/* Where the adjusted difference says otherwise than the headline, a reader must know. */
static void caution_otherwise(struct findings *out)
{
    const struct covariates *its = &out->covariates;

    for (int i = 0; i < out->pair_count && its->fitted; i++) {
        const struct pair_finding *pair = &out->pair[i];
        bool shown = its->adjusted[i].p < 1 - out->confidence;
        char first[2 * WORDS_SIZE], second[2 * WORDS_SIZE], names[WORDS_SIZE];

        if (!its->known_pair[i] || shown == pair->shown || out->refusal_count)
            continue;
        findings_level_words(out, pair->first, first);
        findings_level_words(out, pair->second, second);
        findings_covariate_names(out, names);
        findings_caution(out,
                         "With %.90s as measured the difference of %.80s and %.80s is %+.2f "
                         "instead of %+.2f, and %s.",
                         names, first, second, its->adjusted[i].difference, pair->difference.difference,
                         shown ? "then it is shown" : "then it is not shown");
        return; /* the first of them sends a reader to the table */
    }
}

void findings_find_beside(struct findings *out)
{
    if (out->point_count > BESIDE_CUPS_MOST)
        return;
    find_others(out);
    if (out->design != DESIGN_TIME && !findings_vary_ratio(out) && out->pair_count)
        find_adjusted(out);
    caution_otherwise(out);
}
