/* What stands behind an indication: the instrument's filter undone, as far as noise allows, and the
 * filter's lag learnt from the tails it leaves behind jumps when nobody has configured it.
 *
 * A scale's filter is taken as two equal poles of half the lag: that has the right delay for a ramp and
 * is near enough to the others met (one pole, a moving mean).  Its inverse is y + L y' + L2/4 y'',
 * from a least-squares parabola through the newest samples. */
#include "tracker_parts.h"

/* The parabola spans about the lag itself, within these bounds, and at least three samples: shorter is
 * noisier, longer blurs. */
static const double SPAN_LEAST_S = 0.26, SPAN_MOST_S = 0.46;
static const double COARSE_G = 0.3, COARSE_SPANS = 2.4; /* a coarse last digit is most of the noise: look at more */
enum { SPAN_SAMPLES = 20 };

/* At rest, a correction smaller than so many of its own standard deviations is noise. */
static const double CORRECTION_SIGMAS = 2.5;

/* So many jumps without a tail to learn from: a quick instrument. */
enum { JUMPS_ENOUGH = 2 };
static const double LAG_QUICK_S = 0.12;

/* Before anything is learnt: the middle of what instruments have (0.1 to 0.5 s). */
static const double LAG_BEFORE_S = 0.25;

double signal_lag_s(const struct signal *signal)
{
    if (signal->lag_s > 0)
        return signal->lag_s;
    if (!signal->lag_count) /* jumps without tails: a quick instrument */
        return signal->lag_jumps > JUMPS_ENOUGH ? LAG_QUICK_S : LAG_BEFORE_S;
    return signal->lag_learnt_s;
}

/* Solves the symmetric 3 x 3 system m x = g. */
static bool solve(const double m[5], const double g[3], double x[3])
{
    /* rows (m0 m1 m2) (m1 m2 m3) (m2 m3 m4) */
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

double signal_span_s(const struct signal *signal)
{
    double span_s = fmin(fmax(signal_lag_s(signal), SPAN_LEAST_S), SPAN_MOST_S);

    return signal->resolution_g < COARSE_G ? span_s : COARSE_SPANS * span_s;
}

/* The newest samples of the parabola, and the one in their middle. */
static uint32_t span_of(const struct signal *signal)
{
    uint32_t held = samples_held(signal), n = 1;
    int64_t newest_us = sample_back(signal, 0)->at_us;
    int64_t span_us = (int64_t)(signal_span_s(signal) * 1e6);

    while (n < held && n < SPAN_SAMPLES
           && (n < 3 || newest_us - sample_back(signal, n)->at_us <= span_us + signal->interval_us / 2))
        n++;
    return n;
}

static double clear_of(struct signal *signal, uint32_t n, uint32_t middle)
{
    int64_t middle_us = sample_back(signal, middle)->at_us;
    double m[5] = { 0 }, low = INFINITY, high = -INFINITY, sum = 0, lag_s, fit[3], lead[3];
    double load = 0, correction = 0, sigma;
    double reference = (double)sample_back(signal, middle)->load_g;

    for (uint32_t back = 0; back < n; back++) {
        double y = (double)sample_back(signal, back)->load_g;

        low = fmin(low, y);
        high = fmax(high, y);
        sum += y;
    }
    if (high - low <= 1.01 * signal->resolution_g) /* at rest: nothing to undo */
        return sum / n;
    for (uint32_t back = 0; back < n; back++) {
        double t = (double)(sample_back(signal, back)->at_us - middle_us) / 1e6;

        m[0] += 1;
        m[1] += t;
        m[2] += t * t;
        m[3] += t * t * t;
        m[4] += t * t * t * t;
    }
    lag_s = signal_lag_s(signal);
    if (!solve(m, (double[]){ 1, 0, 0 }, fit) || !solve(m, (double[]){ 0, lag_s, lag_s * lag_s / 2 }, lead))
        return reference;
    for (uint32_t back = 0; back < n; back++) {
        double t = (double)(sample_back(signal, back)->at_us - middle_us) / 1e6;
        double y = (double)sample_back(signal, back)->load_g - reference;

        load += (fit[0] + fit[1] * t + fit[2] * t * t) * y;
        correction += (lead[0] + lead[1] * t + lead[2] * t * t) * y;
    }
    sigma = 0.4 * signal->resolution_g * sqrt(fmax(0, lag_s * lead[1] + lag_s * lag_s / 2 * lead[2]));
    signal->noise_g = sigma;
    if (!pieces_settled(signal))
        return reference + load + correction; /* things move anyway, or a tail is left */
    correction = copysign(fmax(0, fabs(correction) - CORRECTION_SIGMAS * sigma), correction);
    return reference + load + correction;
}

uint32_t signal_clear(struct signal *signal)
{
    uint32_t n = span_of(signal), middle = (n - 1) / 2, fresh;

    if (n < 3)
        return 0;
    for (fresh = 0; fresh + middle < samples_held(signal); fresh++) {
        uint32_t back = middle + fresh;
        struct sample *sample = &signal->ring[(signal->ring_end - 1 - back) % RING_SAMPLES];

        if (signal->ring_end - 1 - back < signal->clear_end)
            break;
        sample->clear_g = sample->overload || sample_back(signal, 0)->overload || sample_back(signal, n - 1)->overload
                              ? sample->load_g
                              : (float)clear_of(signal, n, back < n ? back : n - 1);
    }
    signal->clear_end = signal->ring_end - middle;
    return fresh;
}
