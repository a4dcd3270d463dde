/* Distributions that GSL does not have, by quadrature: the studentized range and the power of a t test.
 * Both average something over the unknown spread s, whose square times df is chi-square. */
#include "poise/comparison.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_chebyshev.h>
#include <gsl/gsl_integration.h>
#include <gsl/gsl_math.h>
#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdbool.h>
#include <string.h>

#include "brent.h"

enum { POINTS = 96 }; /* Gauss-Legendre: doubling them changes nothing before the tenth digit */

static const double NEGLIGIBLE = 1e-14; /* tails left out of an integral */

typedef double function_of_spread(double s, const double *arguments);

static double integral(double (*function)(double x, const double *arguments), const double *arguments, double low,
                       double high)
{
    gsl_integration_glfixed_table *table = gsl_integration_glfixed_table_alloc(POINTS);
    double sum = 0;

    if (!table)
        return NAN;
    for (size_t i = 0; i < POINTS; i++) {
        double x, weight;

        gsl_integration_glfixed_point(low, high, i, &x, &weight, table);
        sum += weight * function(x, arguments);
    }
    gsl_integration_glfixed_table_free(table);
    return sum;
}

struct average {
    function_of_spread *function;
    const double *arguments;
    double df;
};

/* The mean of function(s) over s = sqrt(chi-square / df); s = 1 where the spread is known. */
static double average_over_spread(const struct average *average)
{
    double df = average->df, low, high, sum = 0;
    gsl_integration_glfixed_table *table;

    if (isinf(df))
        return average->function(1, average->arguments);
    low = sqrt(gsl_cdf_chisq_Pinv(NEGLIGIBLE, df) / df);
    high = sqrt(gsl_cdf_chisq_Qinv(NEGLIGIBLE, df) / df);
    table = gsl_integration_glfixed_table_alloc(POINTS);
    if (!table)
        return NAN;
    for (size_t i = 0; i < POINTS; i++) {
        double s, weight;

        gsl_integration_glfixed_point(low, high, i, &s, &weight, table);
        sum += weight * gsl_ran_chisq_pdf(df * s * s, df) * 2 * df * s * average->function(s, average->arguments);
    }
    gsl_integration_glfixed_table_free(table);
    return sum;
}

/* --- studentized range --- */

/* The density of the largest of k normal means at z, the others within w below it. */
static double range_at(double z, const double *arguments)
{
    double w = arguments[0], others = arguments[1];

    /* the C library's erfc is right to the last digit, and three times as fast as GSL's normal law */
    return exp(-z * z / 2) / sqrt(2 * M_PI)
           * gsl_pow_uint((erfc(-z * M_SQRT1_2) - erfc((w - z) * M_SQRT1_2)) / 2, (unsigned)others);
}

/* Of k normal means with a known spread: the probability that all lie within w. */
static double range_within(double w, void *k)
{
    double at[] = { w, (double)(*(const size_t *)k - 1) };
    double reach = -gsl_cdf_ugaussian_Pinv(NEGLIGIBLE);

    return (at[1] + 1) * integral(range_at, at, -reach, reach);
}

/* The same as a Chebyshev series in w: a quantile asks some thousand times for one k.  Beyond WIDEST less is left than
 * NEGLIGIBLE for each pair; ORDER gives the twelfth digit up to 30 means, as the integral does. */
enum { ORDER = 120, WIDEST = 16 };

static _Thread_local struct {
    size_t k;
    double coefficient[ORDER + 1];
} within;

static bool find_series(size_t k)
{
    gsl_function function = { range_within, &k };
    gsl_cheb_series *series;

    if (within.k == k)
        return true;
    series = gsl_cheb_alloc(ORDER);
    if (!series)
        return false;
    gsl_cheb_init(series, &function, 0, WIDEST);
    memcpy(within.coefficient, gsl_cheb_coeffs(series), sizeof within.coefficient);
    gsl_cheb_free(series);
    within.k = k;
    return true;
}

static double range_below(double s, const double *arguments)
{
    gsl_cheb_series series = { .c = within.coefficient, .order = ORDER, .a = 0, .b = WIDEST, .order_sp = ORDER };
    double w = arguments[0] * s;

    return w < WIDEST ? gsl_cheb_eval(&series, w) : 1;
}

double studentized_range_p(double q, size_t k, double df)
{
    double arguments[] = { q };
    struct average average = { range_below, arguments, df };

    if (k < 2 || !(df >= 1) || isnan(q) || !find_series(k))
        return NAN;
    return q <= 0 ? 1 : fmin(1, fmax(0, 1 - average_over_spread(&average)));
}

struct range_question {
    size_t k;
    double df, p_below;
};

/* Above zero beyond the quantile. */
static double beyond(double q, void *context)
{
    const struct range_question *question = context;

    return 1 - question->p_below - studentized_range_p(q, question->k, question->df);
}

double studentized_range_quantile(double p_below, size_t k, double df)
{
    static _Thread_local struct range_question last;
    static _Thread_local double answer; /* all pairs of levels ask the same */
    struct range_question question = { k, df, p_below };
    double low = 0, high = 4;

    if (k < 2 || !(df >= 1) || !(p_below > 0 && p_below < 1))
        return NAN;
    if (last.k == k && !(last.df < df || last.df > df) && !(last.p_below < p_below || last.p_below > p_below))
        return answer;
    while (beyond(high, &question) < 0 && high < 1e6) {
        low = high;
        high *= 2;
    }
    last = question;
    answer = brent_root(beyond, &question, low, high, 1e-10 * high);
    return answer;
}

/* --- power --- */

static double shown_at(double s, const double *arguments)
{
    double shift = arguments[0], critical = arguments[1];

    return gsl_cdf_ugaussian_P(shift - critical * s) + gsl_cdf_ugaussian_P(-shift - critical * s);
}

double power_of_difference(double difference, double spread, size_t n_a, size_t n_b, double df, double alpha)
{
    double arguments[2];
    struct average average = { shown_at, arguments, df };

    if (!n_a || !n_b || !(spread > 0) || !(df > 0) || !(alpha > 0 && alpha < 1))
        return NAN;
    arguments[0] = difference / (spread * sqrt(1 / (double)n_a + 1 / (double)n_b));
    arguments[1] = isinf(df) ? gsl_cdf_ugaussian_Qinv(alpha / 2) : gsl_cdf_tdist_Qinv(alpha / 2, df);
    return average_over_spread(&average);
}
