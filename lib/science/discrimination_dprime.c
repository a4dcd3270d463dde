/* Thurstone's models: how often a sensory difference of d' leads to the right answer, and back; see discrimination.h.
 */
#include "poise/discrimination.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_integration.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_roots.h>
#include <math.h>

/* Standard deviations beyond which an integrand is below 1e-32, and a d' at which every method is right to the last
 * bit. */
static const double far = 12, most_dprime = 20;

/* Gauss-Legendre of 20 points over 8 pieces: a density's last digits, without an error to handle. */
static double integrate(double (*density)(double x, void *context), void *context, double from, double to)
{
    enum { PIECES = 8, POINTS = 20 };
    gsl_integration_glfixed_table *table = gsl_integration_glfixed_table_alloc(POINTS);
    gsl_function function = { density, context };
    double total = 0, width = (to - from) / PIECES;

    if (!table)
        return NAN;
    for (int piece = 0; piece < PIECES; piece++)
        total += gsl_integration_glfixed(&function, from + piece * width, from + (piece + 1) * width, table);
    gsl_integration_glfixed_table_free(table);
    return total;
}

/* Ennis 1993, equation for the triangle: half of the integrand of P(correct), over z > 0. */
static double triangle_density(double z, void *dprime)
{
    double shift = *(double *)dprime * sqrt(2.0 / 3);

    return 2 * (gsl_cdf_ugaussian_P(-z * sqrt(3) + shift) + gsl_cdf_ugaussian_P(-z * sqrt(3) - shift))
           * gsl_ran_ugaussian_pdf(z);
}

/* Ennis, Ennis, Palen and O'Mahony 2011: the probability of a wrong answer is twice this integral. */
static double tetrad_density(double x, void *dprime)
{
    double one = gsl_cdf_ugaussian_P(x), other = gsl_cdf_ugaussian_P(x - *(double *)dprime);

    return gsl_ran_ugaussian_pdf(x) * (2 * one * other - other * other);
}

/* Two-out-of-five: three cups of the stronger sample around d', two of the weaker around 0.  The two are found when
 * both lie on one side of the three and the median lies closer to its other neighbour.  `median` is the median of the
 * five, an outermost of the three; the inner integral runs over the second of the three. */
struct five {
    double dprime, median;
    bool below; /* the two lie below the three; else above */
};

static double second_of_three(double second, void *context)
{
    const struct five *five = context;
    double beyond = 2 * five->median - second; /* the two must lie further away than the second does */
    double z = second - five->dprime;
    double third = five->below ? gsl_cdf_ugaussian_Q(z) : gsl_cdf_ugaussian_P(z);
    double both = five->below ? gsl_cdf_ugaussian_P(beyond) : gsl_cdf_ugaussian_Q(beyond);

    return 2 * gsl_ran_ugaussian_pdf(z) * third * both * both;
}

static double median_density(double median, void *context)
{
    struct five *five = context;
    double from, to;

    five->median = median;
    from = five->below ? median : fmin(median, five->dprime) - far;
    to = five->below ? fmax(median, five->dprime) + far : median;
    return 3 * gsl_ran_ugaussian_pdf(median - five->dprime) * integrate(second_of_three, five, from, to);
}

static double two_of_five_proportion(double dprime)
{
    struct five below = { dprime, 0, true }, above = { dprime, 0, false };
    double from = dprime - far, to = dprime + far;

    return integrate(median_density, &below, from, to) + integrate(median_density, &above, from, to);
}

double tasting_proportion(enum tasting_method method, double dprime)
{
    double reference, pair;

    switch (method) {
    case TASTING_TRIANGLE:
        return integrate(triangle_density, &dprime, 0, far);
    case TASTING_TWO_OF_FIVE:
        return two_of_five_proportion(dprime);
    case TASTING_DUO_TRIO:
        pair = gsl_cdf_ugaussian_P(dprime / sqrt(2));
        reference = gsl_cdf_ugaussian_P(dprime / sqrt(6));
        return 1 - pair - reference + 2 * pair * reference;
    case TASTING_TETRAD:
        return 1 - 2 * integrate(tetrad_density, &dprime, -far, far);
    case TASTING_DIRECTIONAL:
    case TASTING_PREFERENCE:
        return gsl_cdf_ugaussian_P(dprime / sqrt(2));
    default:
        return NAN;
    }
}

struct wanted {
    enum tasting_method method;
    double proportion;
};

static double above_wanted(double dprime, void *context)
{
    const struct wanted *wanted = context;

    return tasting_proportion(wanted->method, dprime) - wanted->proportion;
}

double tasting_dprime(enum tasting_method method, double proportion_correct)
{
    struct wanted wanted = { method, proportion_correct };
    gsl_function function = { above_wanted, &wanted };
    gsl_root_fsolver *solver;
    double root = NAN;

    if (isnan(tasting_chance(method)) || isnan(proportion_correct))
        return NAN;
    if (proportion_correct <= tasting_chance(method))
        return 0;
    if (proportion_correct >= tasting_proportion(method, most_dprime))
        return INFINITY;
    solver = gsl_root_fsolver_alloc(gsl_root_fsolver_brent);
    if (!solver)
        return NAN;
    if (above_wanted(0, &wanted) >= 0)
        root = 0; /* at chance, to the last digits of the integral */
    else if (gsl_root_fsolver_set(solver, &function, 0, most_dprime) == GSL_SUCCESS)
        for (int i = 0; i < 100; i++) {
            gsl_root_fsolver_iterate(solver);
            root = gsl_root_fsolver_root(solver);
            if (gsl_root_test_interval(gsl_root_fsolver_x_lower(solver), gsl_root_fsolver_x_upper(solver), 1e-9, 0)
                == GSL_SUCCESS)
                break;
        }
    gsl_root_fsolver_free(solver);
    return root;
}

/* ---- ratings: the noncentral t ---- */

struct student {
    double t, shift, freedom;
};

/* Given the ratio s of sample to true deviation, t is normal. */
static double over_deviation(double s, void *context)
{
    const struct student *student = context;

    return gsl_cdf_ugaussian_P(student->t * s - student->shift) * 2 * student->freedom * s
           * gsl_ran_chisq_pdf(student->freedom * s * s, student->freedom);
}

/* P(T <= t) with the noncentrality `shift`. */
static double noncentral_t(double t, double freedom, double shift)
{
    struct student student = { t, shift, freedom };
    double reach = far / sqrt(2 * freedom);

    return integrate(over_deviation, &student, fmax(0, 1 - reach), 1 + reach);
}

double rating_dprime(double mean, double deviation)
{
    return deviation > 0 ? sqrt(2) * mean / deviation : NAN;
}

/* The noncentrality at which T is as small as observed with this probability. */
static double shift_at(double t, double freedom, double probability)
{
    double low = t - far - fabs(t), high = t + far + fabs(t);

    for (int i = 0; i < 80; i++) {
        double middle = (low + high) / 2;

        if (noncentral_t(t, freedom, middle) > probability)
            low = middle;
        else
            high = middle;
    }
    return (low + high) / 2;
}

struct interval rating_dprime_interval(double mean, double deviation, unsigned n, double confidence)
{
    struct interval interval = { NAN, NAN };
    double t = mean / (deviation / sqrt(n)), tail = (1 - confidence) / 2;

    if (n < 2 || !(deviation > 0))
        return interval;
    interval.low = shift_at(t, n - 1.0, 1 - tail) * sqrt(2.0 / n);
    interval.high = shift_at(t, n - 1.0, tail) * sqrt(2.0 / n);
    return interval;
}

double rating_power(unsigned n, double alpha, double dprime)
{
    return n < 2 ? 0 : 1 - noncentral_t(gsl_cdf_tdist_Qinv(alpha, n - 1.0), n - 1.0, dprime * sqrt(n / 2.0));
}
