/* Levels compared as they were designed; see layout.h.  Restricted maximum likelihood is in layout_blocks.c. */
#include "poise/layout.h"

#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "gsl_quiet.h"

/* Three cups give a spread that is worth something; of two it may be anything. */
static const size_t CUPS_FOR_A_SPREAD = 3;

/* Blocks that differ are taken out of several levels at this level; weaker ones cost the separate spreads less than
 * pooling would. */
static const double BLOCKS_SHOWN = 0.05;

/* Degrees of freedom beyond which a few more hardly count. */
static const double MANY = 1000;

/* A sum of squares below this share of the values' own is rounding. */
static const double NOTHING = 1e-20;

struct own {
    size_t n[LAYOUT_LEVELS], least;
    double mean[LAYOUT_LEVELS], squares[LAYOUT_LEVELS]; /* about the mean */
    double within, total;
};

static void find_own(const struct layout *layout, struct own *out)
{
    memset(out, 0, sizeof *out);
    for (size_t i = 0; i < layout->n; i++)
        out->n[layout->level[i]]++;
    for (size_t i = 0; i < layout->n; i++)
        out->mean[layout->level[i]] += (layout->value[i] - layout->value[0]) / (double)out->n[layout->level[i]];
    for (size_t i = 0; i < layout->levels; i++)
        out->mean[i] += layout->value[0];
    for (size_t i = 0; i < layout->n; i++) {
        double miss = layout->value[i] - out->mean[layout->level[i]];

        out->squares[layout->level[i]] += miss * miss;
        out->total += (layout->value[i] - layout->value[0]) * (layout->value[i] - layout->value[0]);
    }
    out->least = SIZE_MAX;
    for (size_t i = 0; i < layout->levels; i++) {
        out->within += out->squares[i];
        out->least = out->n[i] < out->least ? out->n[i] : out->least;
    }
}

/* Bartlett's test over the levels that have a spread. */
static double alike_p(const struct layout *layout, const struct own *own)
{
    double squares = 0, df = 0, logs = 0, inverses = 0, statistic;
    size_t levels = 0;

    for (size_t i = 0; i < layout->levels; i++) {
        double its = (double)own->n[i] - 1;

        if (!(its > 0))
            continue;
        levels++;
        squares += own->squares[i];
        df += its;
        logs += its * log(own->squares[i] / its);
        inverses += 1 / its;
    }
    if (levels < 2 || !(squares > 0))
        return NAN;
    statistic = df * log(squares / df) - logs;
    statistic /= 1 + (inverses - 1 / df) / (3 * ((double)levels - 1));
    return isfinite(statistic) ? gsl_cdf_chisq_Q(fmax(0, statistic), (double)levels - 1) : 0;
}

static void take_means(const struct layout *layout, const struct own *own, enum layout_method method, double spread,
                       double df, struct layout_result *out)
{
    out->method = method;
    out->spread = spread;
    out->df = df;
    memset(out->covariance, 0, sizeof out->covariance);
    for (size_t i = 0; i < layout->levels; i++) {
        double its = (double)own->n[i] - 1, variance = spread * spread;

        if (method == LAYOUT_SEPARATE)
            variance = own->squares[i] / its;
        out->mean[i] = own->mean[i];
        out->own_df[i] = method == LAYOUT_SEPARATE ? its : df;
        out->covariance[i * (layout->levels + 1)] = variance / (double)own->n[i];
        out->part[i] = 0;
    }
}

/* --- days of which the differences differ --- */

/* Below this p their difference is taken for real: a low bar, for what is missed makes intervals too short. */
static const double DAYS_DIFFER = 0.3;

enum { DAYS_LEAST = 3, DAYS_MOST = 64 };

/* Means of each level on each day; false unless every day has every level, and some day more than one cup of one. */
static bool find_day_means(const struct layout *layout, double *mean, double *count, int *days)
{
    int day[DAYS_MOST];
    bool several = false;

    *days = 0;
    memset(mean, 0, LAYOUT_LEVELS * DAYS_MOST * sizeof *mean);
    memset(count, 0, LAYOUT_LEVELS * DAYS_MOST * sizeof *count);
    for (size_t i = 0; i < layout->n; i++) {
        int place = 0;

        while (place < *days && day[place] != layout->day[i])
            place++;
        if (place == *days) {
            if (*days == DAYS_MOST)
                return false;
            day[(*days)++] = layout->day[i];
        }
        mean[place * LAYOUT_LEVELS + layout->level[i]] += layout->value[i] - layout->value[0];
        several = ++count[place * LAYOUT_LEVELS + layout->level[i]] > 1 || several;
    }
    for (int place = 0; place < *days; place++)
        for (size_t level = 0; level < layout->levels; level++) {
            if (!(count[place * LAYOUT_LEVELS + (int)level] > 0))
                return false;
            mean[place * LAYOUT_LEVELS + (int)level] /= count[place * LAYOUT_LEVELS + (int)level];
        }
    return several && *days >= DAYS_LEAST;
}

/* By the means of each day, where the levels' differences seem to differ between days; `within` is the spread of cups
 * beside levels and blocks, with its degrees of freedom. */
static bool judge_by_days(const struct layout *layout, double within, double df, struct layout_result *out)
{
    double *room = science_malloc((2 * LAYOUT_LEVELS * DAYS_MOST + 1) * sizeof *room);
    double value[LAYOUT_LEVELS * DAYS_MOST], cups = 0, p;
    int level[LAYOUT_LEVELS * DAYS_MOST], day[LAYOUT_LEVELS * DAYS_MOST], days;
    struct layout means = { value, level, day, 0, layout->levels, NULL, false, NAN, 0 };
    struct layout_result result;
    struct why ignored;
    bool differ = false;

    if (room && find_day_means(layout, room, room + LAYOUT_LEVELS * DAYS_MOST, &days)) {
        for (int place = 0; place < days; place++)
            for (size_t i = 0; i < layout->levels; i++, means.n++) {
                value[means.n] = room[place * LAYOUT_LEVELS + (int)i] + layout->value[0];
                cups += 1 / room[(DAYS_MOST + place) * LAYOUT_LEVELS + (int)i];
                level[means.n] = (int)i;
                day[means.n] = place;
            }
        if (layout_blocks(&means, &result, &ignored) == 0) {
            p = gsl_cdf_fdist_Q(result.spread * result.spread / (within * within * cups / (double)means.n), result.df,
                                df);
            out->days_p = p;
            differ = p < DAYS_DIFFER;
        }
    }
    free(room);
    if (differ) {
        result.method = LAYOUT_DAYS;
        result.days_p = p;
        result.alike_p = out->alike_p;
        result.n = layout->n;
        *out = result;
    }
    return differ;
}

int layout_analyse(const struct layout *layout, struct layout_result *out, struct why *why)
{
    struct layout_result result = { .method = LAYOUT_NONE }, blocked;
    struct own own;
    double df;
    bool several, has_blocks;

    if (layout->levels < 2 || layout->levels > LAYOUT_LEVELS || !layout->n)
        return why_set(why, -ENODATA, "all cups are at one level: nothing to compare");
    find_own(layout, &own);
    df = (double)layout->n - (double)layout->levels;
    result.levels = layout->levels;
    result.n = layout->n;
    result.between = result.block_p = result.log_likelihood = result.days_p = NAN;
    result.alike_p = alike_p(layout, &own);
    if (!(df > 0)) {
        if (!(layout->spread > 0) || !(layout->spread_df > 0))
            return why_set(why, -ENODATA, "one cup per level: nothing shows how much cups of one level differ");
        take_means(layout, &own, LAYOUT_BORROWED, layout->spread, layout->spread_df, &result);
        *out = result;
        return 0;
    }
    if (!(own.within > NOTHING * own.total))
        return why_set(why, -EDOM, "cups of one level do not differ at all: too good to be judged");
    if (layout->day && layout->block) {
        double spread = sqrt(own.within / df), its_df = df;

        if (layout_blocks(layout, &blocked, why) == 0) {
            spread = blocked.spread;
            its_df = blocked.df;
        }
        if (judge_by_days(layout, spread, its_df, &result)) {
            *out = result;
            return 0;
        }
    }
    several = layout->levels > 2;
    has_blocks = layout->block && layout_blocks(layout, &blocked, why) == 0;
    if (has_blocks
        && (!several || layout->factorial || own.least < CUPS_FOR_A_SPREAD || blocked.block_p < BLOCKS_SHOWN)) {
        blocked.alike_p = result.alike_p;
        blocked.days_p = result.days_p;
        *out = blocked;
        return 0;
    }
    take_means(layout, &own, own.least >= (several ? CUPS_FOR_A_SPREAD : 2) ? LAYOUT_SEPARATE : LAYOUT_POOLED,
               sqrt(own.within / df), df, &result);
    for (size_t i = 0; i < layout->levels; i++) /* two cups that happen to be alike are no proof that all are */
        if (result.method == LAYOUT_SEPARATE && !(own.squares[i] > NOTHING * own.total))
            take_means(layout, &own, LAYOUT_POOLED, sqrt(own.within / df), df, &result);
    if (has_blocks) {
        result.blocks = blocked.blocks;
        result.between = blocked.between;
        result.block_p = blocked.block_p;
    }
    *out = result;
    return 0;
}

/* --- contrasts --- */

/* Degrees of freedom of a sum of variances, each with its own (Satterthwaite). */
static double df_of(const struct layout_result *result, const double *weight)
{
    double sum = 0, squares = 0;

    if (result->method != LAYOUT_SEPARATE)
        return result->df;
    for (size_t i = 0; i < result->levels; i++) {
        double part = weight[i] * weight[i] * result->covariance[i * (result->levels + 1)];

        sum += part;
        squares += part * part / result->own_df[i];
    }
    return sum * sum / squares;
}

static double tail(double t, double df)
{
    return isinf(df) ? gsl_cdf_ugaussian_Q(t) : gsl_cdf_tdist_Q(t, df);
}

static double reach(double confidence, double df)
{
    return isinf(df) ? gsl_cdf_ugaussian_Pinv((1 + confidence) / 2) : gsl_cdf_tdist_Pinv((1 + confidence) / 2, df);
}

int layout_contrast(const struct layout_result *result, const double *weight, double confidence, struct difference *out)
{
    double variance = 0, estimate = 0, half;
    int part = -1;

    for (size_t i = 0; i < result->levels; i++) {
        if (weight[i] == 0)
            continue;
        if (part >= 0 && result->part[i] != part)
            return -ENODATA;
        part = result->part[i];
        estimate += weight[i] * (result->mean[i] - result->mean[0]);
        for (size_t j = 0; j < result->levels; j++)
            variance += weight[i] * weight[j] * result->covariance[i * result->levels + j];
    }
    if (part < 0 || result->method == LAYOUT_NONE)
        return -ENODATA;
    if (!(variance > 0))
        return -EDOM;
    *out = (struct difference){ .difference = estimate, .standard_error = sqrt(variance) };
    out->df = df_of(result, weight);
    half = reach(confidence, out->df) * out->standard_error;
    out->interval = (struct interval){ estimate - half, estimate + half };
    out->t = estimate / out->standard_error;
    out->p = 2 * tail(fabs(out->t), out->df);
    return 0;
}

int layout_pair(const struct layout_result *result, size_t a, size_t b, size_t together, double confidence,
                struct difference *out)
{
    double weight[LAYOUT_LEVELS] = { 0 }, df;
    int error;

    weight[a] = 1;
    weight[b] = -1;
    error = layout_contrast(result, weight, confidence, out);
    if (error || together < 3)
        return error;
    df = fmax(1, out->df); /* where the tables begin */
    if (df > MANY) /* nearly a straight line of 1 / df, of which six digits are enough: most pairs ask the same */
        df = 1e6 / fmax(1, round(1e6 / df));
    error = compare_tukey_of(out->difference, out->standard_error, together, df,
                             studentized_range_quantile(confidence, together, df), out);
    return error;
}

/* --- several questions together --- */

static double share_of(const double *weight, size_t place)
{
    return weight ? weight[place] : 1;
}

/* The question that comes next: the least p for its share of alpha; `count`: none is left. */
static size_t next_question(const double *p, const double *weight, const bool *done, size_t count)
{
    size_t best = count;

    for (size_t i = 0; i < count; i++)
        if (!done[i] && !isnan(p[i])
            && (best == count || p[i] / share_of(weight, i) < p[best] / share_of(weight, best)))
            best = i;
    return best;
}

void holm_adjust(double *p, const double *weight, size_t count)
{
    bool *done = science_calloc(count + 1, sizeof *done);
    double *adjusted = science_malloc((count + 1) * sizeof *adjusted), left = 0, least = 0;

    for (size_t i = 0; i < count; i++)
        left += isnan(p[i]) ? 0 : share_of(weight, i);
    for (size_t i = 0; i < count && adjusted; i++)
        adjusted[i] = NAN;
    for (size_t next; done && adjusted && (next = next_question(p, weight, done, count)) < count;) {
        least = fmin(1, fmax(least, p[next] * left / share_of(weight, next)));
        adjusted[next] = least;
        left -= share_of(weight, next);
        done[next] = true;
    }
    for (size_t i = 0; i < count; i++) /* no memory: nothing is shown */
        p[i] = done && adjusted ? adjusted[i] : (double)NAN;
    free(adjusted);
    free(done);
}

void holm_confidence(const double *p, const double *weight, size_t count, double confidence, double *out)
{
    bool *done = science_calloc(count + 1, sizeof *done);
    double alpha = 1 - confidence, left = 0;
    bool shown = true;

    for (size_t i = 0; i < count; i++) {
        left += isnan(p[i]) ? 0 : share_of(weight, i);
        out[i] = NAN;
    }
    /* the first that is not below its own bar ends it, and those behind share what is left with it */
    for (size_t next; done && (next = next_question(p, weight, done, count)) < count; done[next] = true) {
        out[next] = 1 - alpha * share_of(weight, next) / left;
        shown = shown && p[next] < 1 - out[next];
        left -= shown ? share_of(weight, next) : 0;
    }
    free(done);
}
