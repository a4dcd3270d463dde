/* The filter undone: y + L y' + L2/4 y'' is what stood behind two poles of L/2, from a least-squares parabola. */
#include "filter.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* The parabola spans about the lag itself, within these bounds, and at least three samples: shorter is noisier, longer
 * blurs.  A coarse last digit is most of the noise: then more. */
static const double SPAN_LEAST_S = 0.26, SPAN_MOST_S = 0.46, COARSE_G = 0.3, COARSE_SPANS = 2.4;
enum { SPAN_SAMPLES = 20 };

/* At rest a correction smaller than so many of its own standard deviations is noise; one indication's standard
 * deviation in divisions: rounding (0.29) and the converter's own. */
static const double CORRECTION_SIGMAS = 2.5, SIGMA_DIVISIONS = 0.4;

/* Before anything is learnt: the middle of what instruments have (0.1 to 0.5 s).  After jumps without tails: a quick
 * one. */
static const double LAG_BEFORE_S = 0.25, LAG_QUICK_S = 0.12, LAG_LEAST_S = 0.06, LAG_MOST_S = 1.2;
enum { JUMPS_ENOUGH = 2 };

/* A tail is what is left of a jump of so much below a tenth of it, down to so many divisions. */
static const double JUMP_LEAST_G = 40, TAIL_SHARE = 0.12, TAIL_DIVISIONS = 1.5, TAIL_LEAST_G = 0.2;

/* Two equal poles of p fall below a tenth like one of 1.25 p (the slope of ln((1 + t/p) exp(-t/p)) between a tenth and
 * a thousandth of the jump), and their lag is 2 p. */
static const double LAG_PER_TAIL = 1.6;

/* How well the lag is known: configured, learnt from several tails, from one; guessed. */
static const double CONFIGURED_DOUBT = 0.05, LEARNT_DOUBT = 0.1, ONE_DOUBT = 0.2, GUESSED_DOUBT = 0.7;

/* Tails that differ from what is configured by more than a factor of e to this are believed. */
static const double DIFFERS = 0.25;

/* A belief that changes by more is worth looking again at what was seen. */
static const double CHANGED = 0.15;

void filter_begin(struct filter *filter, double configured_s)
{
    memset(filter, 0, sizeof *filter);
    filter->configured_s = configured_s;
}

/* What the tails show wins over what is configured where they differ: a lag in a ramp is another number for one pole
 * than for two. */
static bool is_learnt(const struct filter *filter)
{
    return filter->tails
           && (!(filter->configured_s > 0)
               || (filter->tails > 1 && fabs(log(filter->learnt_s / filter->configured_s)) > DIFFERS));
}

double filter_lag_s(const struct filter *filter)
{
    if (is_learnt(filter))
        return filter->learnt_s;
    if (filter->configured_s > 0)
        return filter->configured_s;
    return filter->jumps > JUMPS_ENOUGH ? LAG_QUICK_S : LAG_BEFORE_S;
}

double filter_doubt(const struct filter *filter)
{
    if (is_learnt(filter))
        return filter->tails > 1 ? LEARNT_DOUBT : ONE_DOUBT;
    if (!(filter->configured_s > 0))
        return GUESSED_DOUBT;
    return filter->tails > 1 ? CONFIGURED_DOUBT : ONE_DOUBT;
}

/* Solves the symmetric 3 x 3 system of moments, rows (m0 m1 m2) (m1 m2 m3) (m2 m3 m4). */
static bool solve(const double m[5], const double g[3], double x[3])
{
    double a = m[2] * m[4] - m[3] * m[3], b = m[2] * m[3] - m[1] * m[4], c = m[1] * m[3] - m[2] * m[2];
    double e = m[0] * m[4] - m[2] * m[2], f = m[1] * m[2] - m[0] * m[3], h = m[0] * m[2] - m[1] * m[1];
    double determinant = m[0] * a + m[1] * b + m[2] * c;

    if (fabs(determinant) < 1e-18)
        return false;
    x[0] = (a * g[0] + b * g[1] + c * g[2]) / determinant;
    x[1] = (b * g[0] + e * g[1] + f * g[2]) / determinant;
    x[2] = (c * g[0] + f * g[1] + h * g[2]) / determinant;
    return true;
}

/* Samples of the parabola around one in its middle. */
static uint32_t span_of(const struct filter *filter, const struct weighing *weighing)
{
    double span_s = fmin(fmax(filter_lag_s(filter), SPAN_LEAST_S), SPAN_MOST_S);
    uint32_t n;

    if (weighing->resolution_g > COARSE_G)
        span_s *= COARSE_SPANS;
    n = (uint32_t)(span_s / weighing->period_s + 1.5);
    return n < 3 ? 3 : n > SPAN_SAMPLES ? SPAN_SAMPLES : n;
}

double filter_blur_s(const struct filter *filter, const struct weighing *weighing)
{
    return (double)(span_of(filter, weighing) - 1) * weighing->period_s / 2;
}

static double clear_of(struct filter *filter, const struct weighing *weighing, uint32_t first, uint32_t n,
                       uint32_t middle, bool resting)
{
    const struct sample *at = weighing_sample(weighing, middle);
    double m[5] = { 0 }, low = INFINITY, high = -INFINITY, sum = 0, fit[3], lead[3], load = 0, correction = 0;
    double lag_s = filter_lag_s(filter), reference = (double)at->load_g, sigma;

    for (uint32_t i = first + 1; i < first + n; i++) { /* nor does what was before or after a silence */
        if (!weighing_sample(weighing, i)->blind)
            continue;
        if (i > middle) {
            n = i - first;
        } else {
            n -= i - first;
            first = i;
        }
    }
    for (uint32_t i = first; i < first + n; i++) { /* what is beyond its range shows nothing of the load */
        if (!weighing_sample(weighing, i)->overload)
            continue;
        if (i > middle) {
            n = i - first;
        } else {
            n -= i + 1 - first;
            first = i + 1;
        }
    }
    if (n < 3 || at->overload)
        return reference;
    for (uint32_t i = first; i < first + n; i++) {
        double y = (double)weighing_sample(weighing, i)->load_g;

        low = fmin(low, y);
        high = fmax(high, y);
        sum += y;
    }
    if (quiet_is(&weighing->quiet)) /* its filter has run out before it speaks */
        return reference;
    if (high - low <= 1.01 * weighing->resolution_g) /* at rest: nothing to undo */
        return sum / n;
    for (uint32_t i = first; i < first + n; i++) {
        double t = (double)(weighing_sample(weighing, i)->at_us - at->at_us) / 1e6;

        m[0] += 1;
        m[1] += t;
        m[2] += t * t;
        m[3] += t * t * t;
        m[4] += t * t * t * t;
    }
    if (!solve(m, (double[]){ 1, 0, 0 }, fit) || !solve(m, (double[]){ 0, lag_s, lag_s * lag_s / 2 }, lead))
        return reference;
    for (uint32_t i = first; i < first + n; i++) {
        double t = (double)(weighing_sample(weighing, i)->at_us - at->at_us) / 1e6;
        double y = (double)weighing_sample(weighing, i)->load_g - reference;

        load += (fit[0] + fit[1] * t + fit[2] * t * t) * y;
        correction += (lead[0] + lead[1] * t + lead[2] * t * t) * y;
    }
    sigma = SIGMA_DIVISIONS * weighing->resolution_g * sqrt(fmax(0, lag_s * lead[1] + lag_s * lag_s / 2 * lead[2]));
    filter->noise_g = sigma;
    if (resting) {
        correction = copysign(fmax(0, fabs(correction) - CORRECTION_SIGMAS * sigma), correction);
    }
    return reference + load + correction;
}

bool filter_clear(struct filter *filter, struct weighing *weighing, bool resting)
{
    uint32_t n = span_of(filter, weighing), behind = (n - 1) / 2, oldest = weighing_oldest(weighing);

    if (weighing->end - oldest < n)
        return false;
    if (filter->end < oldest)
        filter->end = oldest;
    for (; filter->end + behind < weighing->end; filter->end++) {
        uint32_t first = filter->end + behind + 1 - n;

        if (filter->end + behind + 1 < n + oldest)
            first = oldest;
        weighing_sample(weighing, filter->end)->clear_g =
            (float)clear_of(filter, weighing, first, n, filter->end, resting);
    }
    return true;
}

void filter_clear_again(struct filter *filter, struct weighing *weighing, uint32_t from)
{
    filter->end = from;
    filter_clear(filter, weighing, false);
}

static int by_size(const void *a, const void *b)
{
    float x = *(const float *)a, y = *(const float *)b;

    return (x > y) - (x < y);
}

bool filter_learn(struct filter *filter, const struct weighing *weighing, double jump_g, double level_g, uint32_t from,
                  uint32_t to)
{
    double least_g = fmax(TAIL_DIVISIONS * weighing->resolution_g, TAIL_LEAST_G), was_s = filter_lag_s(filter);
    double sum_w = 0, sum_t = 0, sum_z = 0, sum_tt = 0, sum_tz = 0, slope, tail_s;
    float sorted[FILTER_TAILS];
    int n = 0;

    if (fabs(jump_g) < JUMP_LEAST_G)
        return false;
    filter->jumps++;
    for (uint32_t i = from; i < to; i++) {
        const struct sample *sample = weighing_sample(weighing, i);
        double t = (double)(sample->at_us - weighing_sample(weighing, from)->at_us) / 1e6;
        double left_g = ((double)sample->load_g - level_g) * (jump_g > 0 ? -1 : 1), w;

        if (left_g > TAIL_SHARE * fabs(jump_g)) { /* it has not begun yet */
            sum_w = sum_t = sum_z = sum_tt = sum_tz = 0;
            n = 0;
            continue;
        }
        if (left_g < least_g)
            break;
        w = left_g * left_g; /* the logarithm's noise is the indication's, divided by what is left */
        sum_w += w;
        sum_t += w * t;
        sum_z += w * log(left_g);
        sum_tt += w * t * t;
        sum_tz += w * t * log(left_g);
        n++;
    }
    if (n < 2)
        return false;
    slope = (sum_w * sum_tz - sum_t * sum_z) / (sum_w * sum_tt - sum_t * sum_t);
    if (!(slope < 0))
        return false;
    tail_s = LAG_PER_TAIL / -slope;
    if (!(tail_s > LAG_LEAST_S && tail_s < LAG_MOST_S))
        return false;
    memmove(filter->tail_s + 1, filter->tail_s, (FILTER_TAILS - 1) * sizeof *filter->tail_s);
    filter->tail_s[0] = (float)tail_s;
    if (filter->tails < FILTER_TAILS)
        filter->tails++;
    memcpy(sorted, filter->tail_s, sizeof sorted);
    qsort(sorted, (size_t)filter->tails, sizeof *sorted, by_size);
    filter->learnt_s = ((double)sorted[(filter->tails - 1) / 2] + (double)sorted[filter->tails / 2]) / 2;
    return fabs(log(filter_lag_s(filter) / was_s)) > CHANGED;
}
