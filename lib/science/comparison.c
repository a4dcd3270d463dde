/* One level and two: means, Welch, equality within a margin.  Several levels are in comparison_anova.c,
 * distributions and power in comparison_power.c. */
#include "poise/comparison.h"

#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <math.h>

double sample_mean(struct sample sample)
{
    double sum = 0;

    for (size_t i = 0; i < sample.n; i++)
        sum += sample.value[i];
    return sample.n ? sum / (double)sample.n : NAN;
}

double sample_deviation(struct sample sample)
{
    double mean = sample_mean(sample), sum = 0;

    if (sample.n < 2)
        return NAN;
    for (size_t i = 0; i < sample.n; i++)
        sum += (sample.value[i] - mean) * (sample.value[i] - mean);
    return sqrt(sum / (double)(sample.n - 1));
}

struct level level_of(struct sample sample)
{
    struct level level = { sample_mean(sample), sample.n, sample_deviation(sample),
                           sample.n < 2 ? 0 : (double)sample.n - 1 };

    return level;
}

/* How many standard errors to either side. */
static double reach(double confidence, double df)
{
    if (!(df > 0) || !(confidence > 0 && confidence < 1))
        return NAN;
    return isinf(df) ? gsl_cdf_ugaussian_Pinv((1 + confidence) / 2) : gsl_cdf_tdist_Pinv((1 + confidence) / 2, df);
}

static double tail(double t, double df)
{
    return isinf(df) ? gsl_cdf_ugaussian_Q(t) : gsl_cdf_tdist_Q(t, df);
}

struct interval level_interval(const struct level *level, double confidence)
{
    double half = reach(confidence, level->df) * level->spread / sqrt((double)level->n);
    struct interval out = { level->mean - half, level->mean + half };

    return out;
}

static void judge(double difference, double standard_error, double df, double confidence, struct difference *out)
{
    double half = reach(confidence, df) * standard_error;

    out->difference = difference;
    out->interval = (struct interval){ difference - half, difference + half };
    out->standard_error = standard_error;
    out->df = df;
    out->t = difference / standard_error;
    out->p = 2 * tail(fabs(out->t), df);
}

int compare_welch(struct sample a, struct sample b, double confidence, struct difference *out)
{
    double of_a, of_b, df;

    if (a.n < 2 || b.n < 2)
        return -ENODATA;
    of_a = pow(sample_deviation(a), 2) / (double)a.n;
    of_b = pow(sample_deviation(b), 2) / (double)b.n;
    if (!(of_a + of_b > 0))
        return -EDOM;
    df = pow(of_a + of_b, 2) / (of_a * of_a / (double)(a.n - 1) + of_b * of_b / (double)(b.n - 1));
    judge(sample_mean(a) - sample_mean(b), sqrt(of_a + of_b), df, confidence, out);
    return 0;
}

int compare_with_spread(const struct level *a, const struct level *b, double spread, double df, double confidence,
                        struct difference *out)
{
    if (!a->n || !b->n || isnan(spread) || !(df > 0))
        return -ENODATA;
    if (!(spread > 0))
        return -EDOM;
    judge(a->mean - b->mean, spread * sqrt(1 / (double)a->n + 1 / (double)b->n), df, confidence, out);
    return 0;
}

double equivalence_p(const struct difference *difference, double margin)
{
    double error = difference->standard_error, df = difference->df;

    if (!(margin > 0) || !(error > 0))
        return NAN;
    return fmax(tail((difference->difference + margin) / error, df),
                tail((margin - difference->difference) / error, df));
}
