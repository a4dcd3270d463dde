/* Discrimination tests; see discrimination.h.  Exact binomial throughout; no session, no key.  d' is in
 * discrimination_dprime.c, several tasters in discrimination_panel.c. */
#include "poise/discrimination.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include "gsl_quiet.h"

static const double chances[TASTING_METHOD_COUNT] = {
    [TASTING_TRIANGLE] = 1.0 / 3, [TASTING_TWO_OF_FIVE] = 1.0 / 10, [TASTING_DUO_TRIO] = 1.0 / 2,
    [TASTING_TETRAD] = 1.0 / 3,   [TASTING_DIRECTIONAL] = 1.0 / 2,  [TASTING_PREFERENCE] = 1.0 / 2,
    [TASTING_RANKING] = NAN,      [TASTING_DEGREE] = NAN,
};

/* A pair compared: a split either way counts. */
static bool both_ways(enum tasting_method method)
{
    return method == TASTING_DIRECTIONAL || method == TASTING_PREFERENCE;
}

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
    if (!both_ways(method))
        return proportion_tail(correct, n, chance);
    p = 2 * proportion_tail(correct > n - correct ? correct : n - correct, n, chance);
    return p < 1 ? p : 1;
}

unsigned tasting_critical(enum tasting_method method, unsigned n, double alpha)
{
    unsigned least = both_ways(method) ? (n + 1) / 2 : 0;

    for (unsigned correct = least; correct <= n && n > 0; correct++)
        if (tasting_p(method, correct, n) <= alpha)
            return correct;
    return 0;
}

int tasting_most_alike(enum tasting_method method, unsigned n, double limit, double beta)
{
    double chance = tasting_chance(method), p = chance + limit * (1 - chance);
    int most = -1;

    if (both_ways(method) || isnan(p))
        return -1;
    while (most < (int)n && gsl_cdf_binomial_P((unsigned)(most + 1), p, n) <= beta)
        most++;
    return most;
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
    if (both_ways(method) && p < 1) /* so many for the other cup are a difference too */
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

double tasting_power_floor(enum tasting_method method, unsigned n, double alpha, double share)
{
    double least = 1;

    for (unsigned more = n; more <= 2 * n + 20; more++)
        least = fmin(least, tasting_power(method, more, alpha, share));
    return least;
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

struct interval proportion_interval(unsigned correct, unsigned n, double confidence)
{
    double tail = (1 - confidence) / 2;
    struct interval interval = { NAN, NAN };

    if (n == 0 || correct > n)
        return interval;
    interval.low = correct == 0 ? 0 : gsl_cdf_beta_Pinv(tail, correct, n - correct + 1.0);
    interval.high = correct == n ? 1 : gsl_cdf_beta_Qinv(tail, correct + 1.0, n - correct);
    return interval;
}

/* O'Brien-Fleming kind (Lan and DeMets 1983): alpha spent when a share of the sets is answered. */
static double spent_by(double alpha, double share)
{
    if (share >= 1)
        return alpha;
    return share <= 0 ? 0 : 2 * gsl_cdf_ugaussian_Q(gsl_cdf_ugaussian_Qinv(alpha / 2) / sqrt(share));
}

/* `more` further answers by luck: the chances of every count right, none of which has crossed a bound. */
static void answer_more(double *ways, unsigned until, double chance, unsigned more)
{
    for (unsigned i = 0; i < more; i++)
        for (unsigned right = until + i + 1; right-- > 0;) {
            ways[right + 1] += ways[right] * chance;
            ways[right] *= 1 - chance;
        }
}

double tasting_look_bounds(enum tasting_method method, double alpha, const unsigned *answered, size_t looks,
                           unsigned planned, unsigned *bound)
{
    double chance = tasting_chance(method), spent = 0;
    unsigned until = 0, last = looks ? answered[looks - 1] : 0;
    double *ways = science_calloc(last + 2, sizeof *ways);

    if (!ways || !tasting_method_has_right(method)) {
        free(ways);
        return NAN;
    }
    ways[0] = 1;
    for (size_t look = 0; look < looks; look++) {
        double allowed = spent_by(alpha, planned ? (double)answered[look] / planned : 1) - spent, crossed = 0;
        unsigned least = answered[look] + 1;

        if (answered[look] < until || (look > 0 && answered[look] == until)) {
            spent = NAN;
            break;
        }
        answer_more(ways, until, chance, answered[look] - until);
        until = answered[look];
        while (least > 0 && crossed + ways[least - 1] <= allowed) {
            least--;
            crossed += ways[least];
            ways[least] = 0;
        }
        bound[look] = least > until ? 0 : least;
        spent += crossed;
    }
    free(ways);
    return spent;
}
