/* Bounds for looks before the end; see looks.h. */
#include "poise/looks.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_integration.h>
#include <gsl/gsl_randist.h>
#include <math.h>

#include "brent.h"

enum { POINTS = 64 }; /* Gauss-Legendre: doubling the points changes nothing before the ninth digit */

struct question {
    int taken;
    double alpha;
    gsl_integration_glfixed_table *table;
};

/* The sum after k looks, of independent steps N(0, 1), must stay within b = c at every look (its Z is the sum over
 * sqrt k, so the bound on Z is b / sqrt k): the chance that it leaves at one of them. */
static double leaves(const struct question *question, double bound)
{
    double at[POINTS], weight[POINTS], density[POINTS], next[POINTS], inside = 0;

    for (size_t i = 0; i < POINTS; i++) {
        gsl_integration_glfixed_point(-bound, bound, i, &at[i], &weight[i], question->table);
        density[i] = gsl_ran_ugaussian_pdf(at[i]);
    }
    for (int look = 2; look <= question->taken; look++) {
        for (size_t i = 0; i < POINTS; i++) {
            next[i] = 0;
            for (size_t j = 0; j < POINTS; j++)
                next[i] += weight[j] * density[j] * gsl_ran_ugaussian_pdf(at[i] - at[j]);
        }
        for (size_t i = 0; i < POINTS; i++)
            density[i] = next[i];
    }
    for (size_t i = 0; i < POINTS; i++)
        inside += weight[i] * density[i];
    return 1 - inside;
}

static double excess(double bound, void *context)
{
    const struct question *question = context;

    return leaves(question, bound) - question->alpha;
}

double looks_bound(int planned, int taken, double alpha)
{
    struct question question = { taken, alpha, NULL };
    double low, high, bound = NAN;

    if (planned < 1 || planned > LOOKS_MOST || taken < 1 || taken > planned || !(alpha > 0 && alpha < 1))
        return NAN;
    question.table = gsl_integration_glfixed_table_alloc(POINTS);
    /* at least as far as the last look alone would ask, at most as if each look stood alone */
    low = sqrt(taken) * gsl_cdf_ugaussian_Qinv(alpha / 2) * 0.999;
    high = sqrt(taken) * gsl_cdf_ugaussian_Qinv(alpha / 2 / taken) * 1.001;
    if (question.table)
        bound = brent_root(excess, &question, low, high, 1e-9);
    if (question.table)
        gsl_integration_glfixed_table_free(question.table);
    return bound / sqrt(planned);
}

double looks_confidence(int planned, int done, double confidence)
{
    double bound;

    if (done >= planned)
        return confidence;
    if (done < 1)
        return 1;
    if (planned > LOOKS_MOST) { /* as many as can be: the bound at a share of the plan hardly depends on how many */
        done = done * LOOKS_MOST / planned;
        planned = LOOKS_MOST;
        if (done < 1)
            return 1;
    }
    bound = looks_bound(planned, planned - 1, LOOKS_SPEND) * sqrt((double)planned / done);
    return fmax(confidence, 1 - 2 * gsl_cdf_ugaussian_Q(bound));
}
