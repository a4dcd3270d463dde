/* Discrimination tests; see discrimination.h.  Exact binomial throughout; no session, no key. */
#include "poise/discrimination.h"

#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <gsl/gsl_integration.h>
#include <gsl/gsl_randist.h>
#include <math.h>
#include <string.h>

static const double chances[TASTING_METHOD_COUNT] = {
    [TASTING_TRIANGLE] = 1.0 / 3, [TASTING_TWO_OF_FIVE] = 1.0 / 10, [TASTING_DUO_TRIO] = 1.0 / 2,
    [TASTING_PAIRED] = 1.0 / 2,   [TASTING_RANKING] = NAN,
};

double tasting_chance(enum tasting_method method)
{
    return chances[method];
}

double proportion_tail(unsigned correct, unsigned n, double p)
{
    return correct == 0 ? 1 : gsl_cdf_binomial_Q(correct - 1, p, n);
}

double tasting_p(enum tasting_method method, unsigned correct, unsigned n)
{
    double p, chance = tasting_chance(method);

    if (isnan(chance) || correct > n)
        return NAN;
    if (method != TASTING_PAIRED)
        return proportion_tail(correct, n, chance);
    p = 2 * proportion_tail(correct > n - correct ? correct : n - correct, n, chance);
    return p < 1 ? p : 1;
}

unsigned tasting_critical(enum tasting_method method, unsigned n, double alpha)
{
    unsigned least = method == TASTING_PAIRED ? (n + 1) / 2 : 0;

    for (unsigned correct = least; correct <= n && n > 0; correct++)
        if (tasting_p(method, correct, n) <= alpha)
            return correct;
    return 0;
}

double tasting_power(enum tasting_method method, unsigned n, double alpha, double share)
{
    double chance = tasting_chance(method), p = chance + share * (1 - chance), power;
    unsigned critical = tasting_critical(method, n, alpha);

    if (isnan(p))
        return NAN;
    if (critical == 0)
        return 0;
    power = p >= 1 ? 1 : proportion_tail(critical, n, p);
    if (method == TASTING_PAIRED && p < 1) /* so many for the other cup are a difference too */
        power += gsl_cdf_binomial_P(n - critical, p, n);
    return power;
}

void tasting_needed(enum tasting_method method, double alpha, double power, double share, unsigned most_n,
                    unsigned *n_first, unsigned *n_stays)
{
    unsigned first = 0, stays = 0;

    for (unsigned n = 1; n <= most_n; n++) {
        if (!(tasting_power(method, n, alpha, share) >= power)) {
            stays = 0;
            continue;
        }
        if (first == 0)
            first = n;
        if (stays == 0)
            stays = n;
    }
    if (n_first)
        *n_first = first;
    if (n_stays)
        *n_stays = stays;
}

double tasting_smallest_share(enum tasting_method method, unsigned n, double alpha, double power)
{
    double low = 0, high = 1;

    if (!(tasting_power(method, n, alpha, 1) >= power))
        return NAN;
    while (high - low > 1e-7) {
        double middle = (low + high) / 2;

        if (tasting_power(method, n, alpha, middle) >= power)
            high = middle;
        else
            low = middle;
    }
    return high;
}

double tasting_share(enum tasting_method method, double proportion_correct)
{
    double chance = tasting_chance(method), share = (proportion_correct - chance) / (1 - chance);

    return share < 0 ? 0 : share;
}

struct tasting_interval proportion_interval(unsigned correct, unsigned n, double confidence)
{
    double tail = (1 - confidence) / 2;
    struct tasting_interval interval = { NAN, NAN };

    if (n == 0 || correct > n)
        return interval;
    interval.low = correct == 0 ? 0 : gsl_cdf_beta_Pinv(tail, correct, n - correct + 1.0);
    interval.high = correct == n ? 1 : gsl_cdf_beta_Qinv(tail, correct + 1.0, n - correct);
    return interval;
}

/* Ennis 1993, equation for the triangle: half of the integrand of P(correct), over z > 0. */
static double triangle_density(double z, void *dprime)
{
    double shift = *(double *)dprime * sqrt(2.0 / 3);

    return 2 * (gsl_cdf_ugaussian_P(-z * sqrt(3) + shift) + gsl_cdf_ugaussian_P(-z * sqrt(3) - shift))
           * gsl_ran_ugaussian_pdf(z);
}

static double triangle_proportion(double dprime)
{
    const double far = 12; /* standard deviations: beyond them the integrand is below 1e-32 */
    gsl_function density = { triangle_density, &dprime };
    double total = 0, error;
    size_t evaluations;

    for (int piece = 0; piece < 12; piece++) {
        double part;

        gsl_integration_qng(&density, piece * far / 12, (piece + 1) * far / 12, 1e-12, 1e-12, &part, &error,
                            &evaluations);
        total += part;
    }
    return total;
}

double tasting_proportion(enum tasting_method method, double dprime)
{
    double reference, pair;

    switch (method) {
    case TASTING_TRIANGLE:
        return triangle_proportion(dprime);
    case TASTING_DUO_TRIO:
        pair = gsl_cdf_ugaussian_P(dprime / sqrt(2));
        reference = gsl_cdf_ugaussian_P(dprime / sqrt(6));
        return 1 - pair - reference + 2 * pair * reference;
    case TASTING_PAIRED:
        return gsl_cdf_ugaussian_P(dprime / sqrt(2));
    default:
        return NAN;
    }
}

double tasting_dprime(enum tasting_method method, double proportion_correct)
{
    double low = 0, high = 20; /* at 20 every method is right to the last bit */

    if (isnan(tasting_proportion(method, 0)) || isnan(proportion_correct))
        return NAN;
    if (proportion_correct <= tasting_chance(method))
        return 0;
    if (proportion_correct >= 1)
        return INFINITY;
    while (high - low > 1e-10) {
        double middle = (low + high) / 2;

        if (tasting_proportion(method, middle) < proportion_correct)
            low = middle;
        else
            high = middle;
    }
    return (low + high) / 2;
}
