/* Which kind of filter it is, and its lag, is what fits the jumps best (kernel.h).  Undone it is as two equal poles
 * whose tail is nearest: y + 2 p y' + p2 y'' is what stood behind those, from a least-squares parabola. */
#include "filter.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "change.h"

/* The parabola spans about the lag itself, within these bounds, and at least three samples: shorter is noisier, longer
 * blurs.  A coarse last digit is most of the noise: then more. */
static const double SPAN_LEAST_S = 0.26, SPAN_MOST_S = 0.46, COARSE_G = 0.3, COARSE_SPANS = 2.4;
enum { SPAN_SAMPLES = 20 };

/* At rest a correction smaller than so many of its own standard deviations is noise; one indication's standard
 * deviation in divisions: rounding (0.29) and the converter's own. */
static const double CORRECTION_SIGMAS = 2.5, SIGMA_DIVISIONS = 0.4;

/* Before anything is learnt: the middle of what instruments have (0.1 to 0.5 s). */
static const double LAG_BEFORE_S = 0.25, LAG_LEAST_S = 0.06, LAG_MOST_S = 0.9;

/* A jump that teaches: what was put down or lifted is so much, and it is found again within so many standard deviations
 * of an indication, squared; few of its readings are witnesses of their own, since hands are never quite like that. */
static const double JUMP_LEAST_G = 40, JUMP_MISFIT = 60, HANDS_MISFIT = 30;
static const int64_t AGAIN_US = 1000000; /* within that it is the same jump */
static const double JUMP_SEEN_S = 0.25;  /* between readings: else a hand cannot be separated from the filter */
enum { WITNESSES = 12 };

/* None of the kinds but one that adapts is so far from what is shown. */
static const double ADAPTIVE_MISFIT = 6;

/* A tail is what is left of a jump below a tenth of it, down to so many divisions; without one it is quick. */
static const double TAIL_SHARE = 0.12, TAIL_DIVISIONS = 1.5, TAIL_LEAST_G = 0.2, LAG_PER_TAIL = 1.6, LAG_QUICK_S = 0.12;

/* What is for two equal poles before anything is seen, in nats. */
static const float USUAL = 3;

/* Of the evidence for each kind of filter so much is kept from jump to jump. */
static const float REMEMBERS = 0.9F;

/* How well the lag is known: configured, learnt from several tails, from one; guessed. */
static const double CONFIGURED_DOUBT = 0.2, LEARNT_DOUBT = 0.1, ONE_DOUBT = 0.2, GUESSED_DOUBT = 0.7,
                    PACE_DOUBT = 0.2; /* and of the readings' pace: between them a hand is not seen */

/* A belief that changes by more is worth looking again at what was seen. */
static const double CHANGED = 0.15;

void filter_begin(struct filter *filter, double configured_s)
{
    memset(filter, 0, sizeof *filter);
    filter->configured_s = configured_s;
    filter->evidence[KERNEL_TWO_POLES] = USUAL;
}

/* Two jumps show more of a filter than its maker says: a lag in a ramp is another number for one pole than for two. */
static bool is_learnt(const struct filter *filter)
{
    return filter->jumps > (filter->configured_s > 0);
}

double filter_lag_s(const struct filter *filter)
{
    if (is_learnt(filter))
        return filter->learnt_s;
    if (filter->configured_s > 0)
        return filter->configured_s;
    return LAG_BEFORE_S;
}

double filter_tail_s(const struct filter *filter)
{
    return kernel_tail_s(is_learnt(filter) ? filter->kernel : KERNEL_TWO_POLES, filter_lag_s(filter));
}

double filter_doubt(const struct filter *filter)
{
    if (is_learnt(filter))
        return hypot(filter->jumps > 1 ? LEARNT_DOUBT : ONE_DOUBT, PACE_DOUBT * filter->pace_s / filter->learnt_s);
    return filter->configured_s > 0 ? CONFIGURED_DOUBT : GUESSED_DOUBT;
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
    double pole_s = kernel_equal_pole_s(filter->kernel, filter_lag_s(filter)), lag_s = 2 * pole_s,
           bend = pole_s * pole_s, reference = (double)at->load_g, sigma;

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
    if (!solve(m, (double[]){ 1, 0, 0 }, fit) || !solve(m, (double[]){ 0, lag_s, 2 * bend }, lead))
        return reference;
    for (uint32_t i = first; i < first + n; i++) {
        double t = (double)(weighing_sample(weighing, i)->at_us - at->at_us) / 1e6;
        double y = (double)weighing_sample(weighing, i)->load_g - reference;

        load += (fit[0] + fit[1] * t + fit[2] * t * t) * y;
        correction += (lead[0] + lead[1] * t + lead[2] * t * t) * y;
    }
    sigma = SIGMA_DIVISIONS * weighing->resolution_g * sqrt(fmax(0, lag_s * lead[1] + 2 * bend * lead[2]));
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

static double median_lag_s(const struct filter *filter, enum kernel kernel)
{
    float sorted[FILTER_JUMPS];

    memcpy(sorted, filter->lag_s[kernel], sizeof sorted);
    qsort(sorted, (size_t)filter->jumps, sizeof *sorted, by_size);
    return ((double)sorted[(filter->jumps - 1) / 2] + (double)sorted[filter->jumps / 2]) / 2;
}

static enum kernel likeliest(const struct filter *filter)
{
    enum kernel best = KERNEL_TWO_POLES;

    for (int kernel = 0; kernel < KERNELS; kernel++)
        if (filter->evidence[kernel] > filter->evidence[best])
            best = (enum kernel)kernel;
    return best;
}

/* The lag of two equal poles that would leave this tail of a jump: below a tenth they fall like one pole of 1.25 times
 * theirs.  NAN: too little of a tail is seen. */
static double tail_lag_s(const struct weighing *weighing, double jump_g, uint32_t from, uint32_t until)
{
    double least_g = fmax(TAIL_DIVISIONS * weighing->resolution_g, TAIL_LEAST_G), slope;
    double sum_w = 0, sum_t = 0, sum_z = 0, sum_tt = 0, sum_tz = 0;
    double level_g = (double)weighing_sample(weighing, from)->load_g + jump_g;
    int n = 0;

    for (uint32_t i = from; i < until; i++) {
        const struct sample *sample = weighing_sample(weighing, i);
        double t = seconds(weighing_sample(weighing, from)->at_us, sample->at_us);
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
    slope = n < 2 ? NAN : (sum_w * sum_tz - sum_t * sum_z) / (sum_w * sum_tt - sum_t * sum_t);
    return slope < 0 ? LAG_PER_TAIL / -slope : NAN;
}

bool filter_learn(struct filter *filter, const struct weighing *weighing, double jump_g, uint32_t from, uint32_t until)
{
    double was_s = filter_lag_s(filter), tail_s, lag_s[KERNELS], likely[KERNELS];
    enum kernel was = filter->kernel, best = KERNEL_ADAPTIVE;
    bool fits = false;

    if (fabs(jump_g) < JUMP_LEAST_G || weighing_sample(weighing, from)->at_us - filter->learnt_us < AGAIN_US)
        return false;
    tail_s = tail_lag_s(weighing, jump_g, from, until);
    lag_s[KERNEL_ADAPTIVE] = !isnan(tail_s)  ? tail_s
                             : filter->jumps ? median_lag_s(filter, KERNEL_ADAPTIVE)
                                             : LAG_QUICK_S;
    likely[KERNEL_ADAPTIVE] = -WITNESSES / 2.0 * log(1 + ADAPTIVE_MISFIT);
    for (int kernel = 0; kernel < KERNEL_ADAPTIVE; kernel++) {
        double against = JUMP_MISFIT;
        int points = 0;

        lag_s[kernel] = filter->jumps ? median_lag_s(filter, (enum kernel)kernel) : LAG_BEFORE_S;
        if (weighing->period_s < JUMP_SEEN_S)
            against = change_jump_against(weighing, (enum kernel)kernel, from, until, jump_g, &lag_s[kernel], &points);
        likely[kernel] =
            -(points ? fmin(points, WITNESSES) : WITNESSES) / 2 * log(1 + fmin(against / fmax(points, 1), JUMP_MISFIT));
        if (likely[kernel] > likely[best])
            best = (enum kernel)kernel;
        fits |= points && against < HANDS_MISFIT * points;
    }
    if (weighing->period_s < JUMP_SEEN_S && !fits) /* hands did more than put it down */
        return false;
    if (!(lag_s[best] < LAG_MOST_S)) /* a pour, or hands that lowered it slowly */
        return false;
    for (int kernel = 0; kernel < KERNELS; kernel++) {
        filter->evidence[kernel] *= REMEMBERS;
        filter->evidence[kernel] += (float)fmax(likely[kernel] - likely[best], -WITNESSES / 2.0);
        memmove(filter->lag_s[kernel] + 1, filter->lag_s[kernel], (FILTER_JUMPS - 1) * sizeof **filter->lag_s);
        filter->lag_s[kernel][0] = (float)fmin(fmax(lag_s[kernel], LAG_LEAST_S), LAG_MOST_S);
    }
    if (filter->jumps < FILTER_JUMPS)
        filter->jumps++;
    filter->kernel = likeliest(filter);
    filter->pace_s = weighing->period_s;
    filter->learnt_us = weighing_sample(weighing, from)->at_us;
    filter->learnt_s = median_lag_s(filter, filter->kernel);
    return filter->kernel != was || fabs(log(filter_lag_s(filter) / was_s)) > CHANGED;
}
