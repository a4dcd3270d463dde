/* Several tasters: the beta-binomial model of replicated tests, and signs that may as well be turned; see
 * discrimination.h. */
#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>

#include "gsl_quiet.h"
#include "poise/discrimination.h"

struct answers {
    const unsigned *correct, *n;
    size_t tasters;
    double gamma, mean; /* the one held while the other is varied */
};

/* Log likelihood up to a constant, in the product form that stays finite at gamma 0. */
static double log_likelihood(const struct answers *answers, double mean, double gamma)
{
    double sum = 0;

    for (size_t taster = 0; taster < answers->tasters; taster++) {
        unsigned correct = answers->correct[taster], n = answers->n[taster];

        for (unsigned i = 0; i < correct; i++)
            sum += log(mean * (1 - gamma) + i * gamma);
        for (unsigned i = 0; i < n - correct; i++)
            sum += log((1 - mean) * (1 - gamma) + i * gamma);
        for (unsigned i = 0; i < n; i++)
            sum -= log(1 - gamma + i * gamma);
    }
    return sum;
}

/* Where a function with one maximum between low and high has it: golden section, which the minimisers of GSL are not a
 * substitute for, since the maximum is often at an end. */
static double maximum(double (*function)(double x, void *context), void *context, double low, double high)
{
    const double golden = (sqrt(5) - 1) / 2, close = 1e-9;
    double a = high - golden * (high - low), b = low + golden * (high - low);
    double at_a = function(a, context), at_b = function(b, context);

    while (high - low > close) {
        if (at_a >= at_b) {
            high = b;
            b = a;
            at_b = at_a;
            a = high - golden * (high - low);
            at_a = function(a, context);
        } else {
            low = a;
            a = b;
            at_a = at_b;
            b = low + golden * (high - low);
            at_b = function(b, context);
        }
    }
    return (low + high) / 2;
}

static double over_gamma(double gamma, void *context)
{
    const struct answers *answers = context;

    return log_likelihood(answers, answers->mean, gamma);
}

/* The likelihood of a mean, with the gamma that suits it best. */
static double over_mean(double mean, void *context)
{
    struct answers *answers = context;
    const double most = 1 - 1e-9;
    double inside, at_zero;

    answers->mean = mean;
    answers->gamma = maximum(over_gamma, answers, 0, most);
    inside = log_likelihood(answers, mean, answers->gamma);
    at_zero = log_likelihood(answers, mean, 0);
    if (at_zero >= inside) {
        answers->gamma = 0;
        return at_zero;
    }
    return inside;
}

static double curvature(struct answers *answers, double mean)
{
    double step = 1e-3 * fmin(mean, 1 - mean);

    return -(over_mean(mean + step, answers) - 2 * over_mean(mean, answers) + over_mean(mean - step, answers))
           / (step * step);
}

/* Upper tail of the half-half mixture of 0 and chi-square(1): one-sided likelihood ratio. */
static double one_sided(double ratio, bool above)
{
    double tail = gsl_cdf_chisq_Q(fmax(ratio, 0), 1) / 2;

    return above ? tail : 1 - tail;
}

int tasting_panel_fit(enum tasting_method method, const unsigned *correct, const unsigned *n, size_t tasters,
                      struct tasting_panel *out)
{
    struct answers answers = { correct, n, tasters, 0, 0 };
    unsigned long right = 0, all = 0;
    bool repeated = false;
    double best, pooled, chance = tasting_chance(method);

    if (tasters < 2 || isnan(chance))
        return -EINVAL;
    for (size_t taster = 0; taster < tasters; taster++) {
        if (correct[taster] > n[taster])
            return -EINVAL;
        repeated |= n[taster] > 1;
        right += correct[taster];
        all += n[taster];
    }
    if (!repeated)
        return -EINVAL;
    pooled = (double)right / (double)all;
    out->gamma = 0;
    out->mean = pooled;
    best = 0; /* log likelihood of certainty: everyone always right, or never */
    if (right > 0 && right < all) {
        out->mean = maximum(over_mean, &answers, 1e-9, 1 - 1e-9);
        best = over_mean(out->mean, &answers);
        out->gamma = answers.gamma;
    }
    out->u_mean = right > 0 && right < all ? 1 / sqrt(curvature(&answers, out->mean)) : NAN;
    out->p = one_sided(2 * (best - over_mean(chance, &answers)), out->mean > chance);
    out->p_alike =
        out->gamma > 0 ? gsl_cdf_chisq_Q(fmax(0, 2 * (best - log_likelihood(&answers, pooled, 0))), 1) / 2 : 1;
    return 0;
}

/* Where the profile falls by `drop` below its best, between `inside` (there it has not) and `outside`. */
static double falls(struct answers *answers, double inside, double outside, double best, double drop)
{
    if (best - over_mean(outside, answers) < drop)
        return outside;
    while (fabs(outside - inside) > 1e-6) {
        double middle = (inside + outside) / 2;

        if (best - over_mean(middle, answers) < drop)
            inside = middle;
        else
            outside = middle;
    }
    return outside;
}

struct interval tasting_panel_interval(const unsigned *correct, const unsigned *n, size_t tasters, double confidence)
{
    struct answers answers = { correct, n, tasters, 0, 0 };
    struct interval interval = { NAN, NAN };
    const double close = 1e-9;
    bool repeated = false;
    double mean, best, drop;

    for (size_t taster = 0; taster < tasters; taster++)
        repeated |= n[taster] > 1;
    if (tasters < 3 || !repeated)
        return interval;
    mean = maximum(over_mean, &answers, close, 1 - close);
    best = over_mean(mean, &answers);
    drop = gsl_cdf_fdist_Pinv(confidence, 1, (double)tasters - 1) / 2;
    interval.low = falls(&answers, mean, close, best, drop);
    interval.high = falls(&answers, mean, 1 - close, best, drop);
    interval.low = interval.low > 2 * close ? interval.low : 0;
    interval.high = interval.high < 1 - 2 * close ? interval.high : 1;
    return interval;
}

double sign_flip_p(const int *difference, size_t count, bool two_sided)
{
    size_t reach = 0;
    long observed = 0;
    double *ways, tail = 0;

    for (size_t i = 0; i < count; i++) {
        reach += (size_t)abs(difference[i]);
        observed += difference[i];
    }
    if (reach == 0)
        return 1;
    ways = science_calloc(reach + 1, sizeof *ways); /* by the sum of those that are counted positive */
    if (!ways)
        return NAN;
    ways[0] = 1;
    for (size_t i = 0, until = 0; i < count; i++) {
        size_t step = (size_t)abs(difference[i]);

        until += step;
        for (size_t sum = until + 1; step > 0 && sum-- > 0;)
            ways[sum] = ways[sum] / 2 + (sum >= step ? ways[sum - step] / 2 : 0);
    }
    for (size_t positive = 0; positive <= reach; positive++) {
        long sum = 2 * (long)positive - (long)reach;

        if (sum >= observed && !two_sided)
            tail += ways[positive];
        if (two_sided && labs(sum) >= labs(observed))
            tail += ways[positive];
    }
    free(ways);
    return tail < 1 ? tail : 1;
}
