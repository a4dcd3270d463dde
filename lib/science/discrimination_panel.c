/* Several tasters: the beta-binomial model of replicated tests, and rankings; see discrimination.h. */
#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include "poise/discrimination.h"

enum { PAGE_EXACT_CUPS = 7, PAGE_EXACT_TASTERS = 60, MOST_CUPS = 10 }; /* 7! orders are listed in a millisecond */

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

/* Where a function with one maximum between low and high has it (golden section). */
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

static bool is_permutation(const unsigned char *ranks, size_t cups)
{
    unsigned seen = 0;

    for (size_t cup = 0; cup < cups; cup++) {
        if (ranks[cup] < 1 || ranks[cup] > cups)
            return false;
        seen |= 1u << ranks[cup];
    }
    return seen == (1u << (cups + 1)) - 2;
}

/* Counts, for every L, the orders of the remaining cups that give it. */
static void list_orders(size_t cup, size_t cups, unsigned used, size_t sum, double *ways)
{
    if (cup > cups) {
        ways[sum]++;
        return;
    }
    for (size_t rank = 1; rank <= cups; rank++)
        if (!(used & 1u << rank))
            list_orders(cup + 1, cups, used | 1u << rank, sum + cup * rank, ways);
}

/* P(L >= observed) when all orders are alike for every taster: the distribution of one taster,
 * folded with itself.  NAN: no memory. */
static double page_exact(size_t observed, size_t tasters, size_t cups)
{
    size_t most = cups * (cups + 1) * (2 * cups + 1) / 6; /* ranked exactly as asked */
    double *one = calloc(most + 1, sizeof *one), *all = calloc(tasters * most + 1, sizeof *all);
    double *next = calloc(tasters * most + 1, sizeof *next), orders = 0, tail = 0;

    if (!one || !all || !next) {
        tail = NAN;
        goto out;
    }
    list_orders(1, cups, 0, 0, one);
    for (size_t i = 0; i <= most; i++)
        orders += one[i];
    all[0] = 1;
    for (size_t taster = 0; taster < tasters; taster++) {
        memset(next, 0, (tasters * most + 1) * sizeof *next);
        for (size_t sum = 0; sum <= taster * most; sum++)
            for (size_t i = 0; all[sum] > 0 && i <= most; i++)
                next[sum + i] += all[sum] * one[i] / orders;
        memcpy(all, next, (tasters * most + 1) * sizeof *next);
    }
    for (size_t sum = observed; sum <= tasters * most; sum++)
        tail += all[sum];
out:
    free(one);
    free(all);
    free(next);
    return tail < 1 ? tail : isnan(tail) ? NAN : 1;
}

static double page_normal(double l, double n, double k)
{
    double mean = n * k * (k + 1) * (k + 1) / 4;
    double variance = n * k * k * (k + 1) * (k + 1) * (k - 1) / 144;

    return gsl_cdf_ugaussian_Q((l - mean) / sqrt(variance));
}

int ranking_test(const unsigned char *ranks, size_t tasters, size_t cups, struct ranking_result *out)
{
    double n = (double)tasters, k = (double)cups, squares = 0, page_p;
    size_t page_l = 0;

    if (tasters < 2 || cups < 3 || cups > MOST_CUPS)
        return -ERANGE;
    for (size_t taster = 0; taster < tasters; taster++)
        if (!is_permutation(ranks + taster * cups, cups))
            return -EINVAL;
    for (size_t cup = 0; cup < cups; cup++) {
        size_t sum = 0;

        for (size_t taster = 0; taster < tasters; taster++)
            sum += ranks[taster * cups + cup];
        squares += (double)(sum * sum);
        page_l += (cup + 1) * sum;
    }
    page_p = cups <= PAGE_EXACT_CUPS && tasters <= PAGE_EXACT_TASTERS ? page_exact(page_l, tasters, cups)
                                                                      : page_normal((double)page_l, n, k);
    if (isnan(page_p))
        return -ENOMEM;
    out->chi_square = 12 * squares / (n * k * (k + 1)) - 3 * n * (k + 1);
    out->p = gsl_cdf_chisq_Q(out->chi_square, k - 1);
    out->page_l = (double)page_l;
    out->page_p = page_p;
    return 0;
}
