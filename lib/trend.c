/* Lines, curves and breaks along a numeric factor; see trend.h. */
#include "poise/trend.h"

#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <gsl/gsl_multifit.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Models within 2 of each other in AICc are about equally good: the simpler one stays. */
static const double AICC_WORTH_A_PARAMETER = 2;

enum { BREAK_PLACES = 61 };         /* tried between the inner x: finer than any series is spaced */

static int ascending(const void *a, const void *b)
{
    double first = *(const double *)a, second = *(const double *)b;

    return (first > second) - (first < second);
}

/* Distinct x in rising order into out (n long); their count. */
static size_t distinct(const double *x, size_t n, double *out)
{
    size_t count = 0;

    memcpy(out, x, n * sizeof *out);
    qsort(out, n, sizeof *out, ascending);
    for (size_t i = 0; i < n; i++)
        if (i == 0 || out[i] > out[count - 1])
            out[count++] = out[i];
    return count;
}

static int check(const double *x, const double *y, size_t n, struct why *why)
{
    for (size_t i = 0; i < n; i++)
        if (!isfinite(x[i]) || !isfinite(y[i]))
            return why_set(why, -EINVAL, "cup %zu has no usable number", i + 1);
    return 0;
}

static int fit_polynomial(const double *x, const double *y, struct trend *out)
{
    size_t parameters = (size_t)out->degree + 1;
    gsl_matrix *design = gsl_matrix_alloc(out->n, parameters), *covariance = gsl_matrix_alloc(parameters, parameters);
    gsl_multifit_linear_workspace *work = gsl_multifit_linear_alloc(out->n, parameters);
    gsl_vector_const_view values = gsl_vector_const_view_array(y, out->n);
    gsl_vector_view coefficients = gsl_vector_view_array(out->coefficient, parameters);
    int error = design && covariance && work ? 0 : -ENOMEM;

    for (size_t i = 0; i < out->n && !error; i++)
        for (size_t j = 0; j < parameters; j++)
            gsl_matrix_set(design, i, j, pow(x[i] - out->centre, (double)j));
    if (!error)
        gsl_multifit_linear(design, &values.vector, &coefficients.vector, covariance, &out->rss, work);
    for (size_t i = 0; i < parameters && !error; i++)
        for (size_t j = 0; j < parameters; j++)
            out->covariance[i][j] = gsl_matrix_get(covariance, i, j);
    gsl_multifit_linear_free(work);
    gsl_matrix_free(covariance);
    gsl_matrix_free(design);
    return error;
}

int trend_fit(const double *x, const double *y, size_t n, int degree, struct trend *out, struct why *why)
{
    struct trend fit = { .degree = degree, .n = n };
    double *sorted, parameters = degree + 2;        /* the spread is estimated too */
    size_t count = 0;
    int error = check(x, y, n, why);

    if (error)
        return error;
    if (degree < 1 || degree > 2)
        return why_set(why, -EINVAL, "a trend is a line or a curve of degree 2");
    sorted = malloc((n ? n : 1) * sizeof *sorted);
    if (!sorted)
        return why_set(why, -ENOMEM, "not enough memory");
    if (n)
        count = distinct(x, n, sorted);
    free(sorted);
    if (count <= (size_t)degree)
        return why_set(why, -ENODATA, "%zu distinct levels: a %s needs at least %d", count, degree == 1 ? "line" : "curve",
                       degree + 1);
    for (size_t i = 0; i < n; i++)
        fit.centre += x[i] / (double)n;
    if (fit_polynomial(x, y, &fit) < 0)
        return why_set(why, -ENOMEM, "not enough memory");
    fit.df = n - (size_t)degree - 1;
    fit.spread = fit.df ? sqrt(fit.rss / (double)fit.df) : NAN;
    fit.aicc = (double)n - parameters - 1 > 0
        ? (double)n * log(fit.rss / (double)n) + 2 * parameters + 2 * parameters * (parameters + 1) / ((double)n - parameters - 1)
        : INFINITY;
    *out = fit;
    return 0;
}

int trend_choose(const double *x, const double *y, size_t n, struct trend *out, struct why *why)
{
    struct trend line, curve;
    struct why ignored;
    double *sorted;
    size_t count;
    int error = trend_fit(x, y, n, 1, &line, why);

    if (error)
        return error;
    sorted = malloc(n * sizeof *sorted);
    if (!sorted)
        return why_set(why, -ENOMEM, "not enough memory");
    count = distinct(x, n, sorted);
    free(sorted);
    *out = line;
    if (count >= 4 && trend_fit(x, y, n, 2, &curve, &ignored) == 0 && curve.aicc <= line.aicc - AICC_WORTH_A_PARAMETER)
        *out = curve;
    return 0;
}

double trend_at(const struct trend *trend, double x)
{
    double d = x - trend->centre;

    return trend->coefficient[0] + d * (trend->coefficient[1] + d * trend->coefficient[2]);
}

static double error_along(const struct trend *trend, const double direction[TREND_COEFFICIENTS])
{
    double variance = 0;

    for (int i = 0; i < TREND_COEFFICIENTS; i++)
        for (int j = 0; j < TREND_COEFFICIENTS; j++)
            variance += direction[i] * trend->covariance[i][j] * direction[j];
    return trend->df ? sqrt(variance) : NAN;
}

double trend_error_at(const struct trend *trend, double x)
{
    double d = x - trend->centre, direction[] = { 1, d, d * d };

    return error_along(trend, direction);
}

static double reach(const struct trend *trend, double confidence)
{
    return trend->df ? gsl_cdf_tdist_Pinv((1 + confidence) / 2, (double)trend->df) : NAN;
}

struct interval trend_interval_at(const struct trend *trend, double x, double confidence)
{
    double at = trend_at(trend, x), half = reach(trend, confidence) * trend_error_at(trend, x);
    struct interval out = { at - half, at + half };

    return out;
}

double trend_slope_at(const struct trend *trend, double x, double confidence, struct interval *interval)
{
    double d = x - trend->centre, direction[] = { 0, 1, 2 * d };
    double slope = trend->coefficient[1] + 2 * d * trend->coefficient[2];
    double half = reach(trend, confidence) * error_along(trend, direction);

    *interval = (struct interval){ slope - half, slope + half };
    return slope;
}

/* The covariance after more cups, by the formula of Sherman and Morrison; the spread is taken as known. */
double trend_shrinks(const struct trend *trend, double at, double x, size_t cups)
{
    double d = x - trend->centre, row[] = { 1, d, d * d }, slope[] = { 0, 1, 2 * (at - trend->centre) };
    double variance = trend->spread * trend->spread, cross = 0, own = 0, before = 0;

    for (int i = 0; i < TREND_COEFFICIENTS; i++)
        for (int j = 0; j < TREND_COEFFICIENTS; j++) {
            cross += slope[i] * trend->covariance[i][j] * row[j];
            own += row[i] * trend->covariance[i][j] * row[j];
            before += slope[i] * trend->covariance[i][j] * slope[j];
        }
    return sqrt(1 - (double)cups * cross * cross / (variance + (double)cups * own) / before);
}

/* --- breaks --- */

struct pieces {
    double c[3];                /* value at the break, slope before, slope after */
    double inverse_after;       /* of the slope after, in the inverse of the normal matrix */
    double rss;
};

/* Least squares of y = c0 + c1 min(x - at, 0) + c2 max(x - at, 0), by the normal equations: three
 * unknowns, x spaced like levels of an experiment.  rss is INFINITY where a piece has no points. */
static void fit_pieces(const double *x, const double *y, size_t n, double at, struct pieces *out)
{
    double m[3][5] = { { 0 } };

    out->rss = INFINITY;
    for (size_t i = 0; i < n; i++) {
        double row[3] = { 1, fmin(x[i] - at, 0), fmax(x[i] - at, 0) };

        for (int j = 0; j < 3; j++) {
            for (int k = 0; k < 3; k++)
                m[j][k] += row[j] * row[k];
            m[j][3] += row[j] * y[i];
        }
    }
    m[2][4] = 1;
    for (int i = 0; i < 3; i++) {
        double whole = m[i][i];

        for (int j = 0; j < i; j++) {
            double factor = m[i][j] / m[j][j];

            for (int k = j; k < 5; k++)
                m[i][k] -= factor * m[j][k];
        }
        if (!(m[i][i] > 1e-12 * whole))
            return;
    }
    out->inverse_after = m[2][4] / m[2][2];
    for (int i = 2; i >= 0; i--) {
        out->c[i] = m[i][3];
        for (int k = i + 1; k < 3; k++)
            out->c[i] -= m[i][k] * out->c[k];
        out->c[i] /= m[i][i];
    }
    out->rss = 0;
    for (size_t i = 0; i < n; i++) {
        double residual = y[i] - out->c[0] - out->c[1] * fmin(x[i] - at, 0) - out->c[2] * fmax(x[i] - at, 0);

        out->rss += residual * residual;
    }
}

static double place(double low, double high, int i)
{
    return low + (high - low) * i / (BREAK_PLACES - 1.0);
}

/* The best place of a break between low and high. */
static double best_break(const double *x, const double *y, size_t n, double low, double high, struct pieces *out)
{
    double at = low;

    out->rss = INFINITY;
    for (int i = 0; i < BREAK_PLACES; i++) {
        struct pieces pieces;

        fit_pieces(x, y, n, place(low, high, i), &pieces);
        if (pieces.rss < out->rss) {
            *out = pieces;
            at = place(low, high, i);
        }
    }
    return at;
}

/* Two more unknowns than the line: the second slope and the place. */
static double f_of(double rss_line, double rss_pieces, size_t n)
{
    return fmax(0, rss_line - rss_pieces) / 2 / (rss_pieces / ((double)n - 4));
}

static double permuted_p(const double *x, const double *y, const struct trend *line, double low, double high, double f,
                         int permutations, unsigned long seed)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    double *residual = malloc(line->n * sizeof *residual), *made = malloc(line->n * sizeof *made);
    int at_least = 0, turn;

    for (size_t i = 0; residual && i < line->n; i++)
        residual[i] = y[i] - trend_at(line, x[i]);
    if (random)
        gsl_rng_set(random, seed);
    for (turn = 0; random && residual && made && turn < permutations; turn++) {
        struct pieces pieces;
        struct trend again = *line;

        gsl_ran_shuffle(random, residual, line->n, sizeof *residual);
        for (size_t i = 0; i < line->n; i++)
            made[i] = trend_at(line, x[i]) + residual[i];
        memset(again.coefficient, 0, sizeof again.coefficient);
        if (fit_polynomial(x, made, &again) < 0)
            break;
        best_break(x, made, line->n, low, high, &pieces);
        at_least += f_of(again.rss, pieces.rss, line->n) >= f;
    }
    free(residual);
    free(made);
    gsl_rng_free(random);
    return turn == permutations ? (1.0 + at_least) / (1.0 + permutations) : NAN;    /* NAN: memory ran out */
}

/* The places whose fit is not worse than the best by more than chance allows. */
static struct interval break_interval(const double *x, const double *y, size_t n, double low, double high, double rss)
{
    double quantile = gsl_cdf_tdist_Pinv(0.975, (double)n - 4), limit = rss * (1 + quantile * quantile / ((double)n - 4));
    struct interval out = { INFINITY, -INFINITY };

    for (int i = 0; i < BREAK_PLACES; i++) {
        struct pieces pieces;
        double at = place(low, high, i);

        fit_pieces(x, y, n, at, &pieces);
        if (pieces.rss <= limit) {
            out.low = fmin(out.low, at);
            out.high = fmax(out.high, at);
        }
    }
    return out;
}

int trend_find_break(const double *x, const double *y, size_t n, int permutations, unsigned long seed,
                     struct trend_break *out, struct why *why)
{
    struct trend line;
    struct pieces pieces;
    double *sorted, low, high, half, at;
    size_t count;
    int error = trend_fit(x, y, n, 1, &line, why);

    if (error)
        return error;
    sorted = malloc(n * sizeof *sorted);
    if (!sorted)
        return why_set(why, -ENOMEM, "not enough memory");
    count = distinct(x, n, sorted);
    low = count >= 5 ? sorted[1] : 0;
    high = count >= 5 ? sorted[count - 2] : 0;
    free(sorted);
    if (count < 5 || n < 6)
        return why_set(why, -ENODATA, "%zu cups at %zu levels: a break needs six cups at five levels", n, count);
    at = best_break(x, y, n, low, high, &pieces);
    if (!(pieces.rss > 1e-20 * (line.rss + pieces.rss)) || !(line.rss > 0))
        return why_set(why, -EDOM, "the cups scatter so little that nothing can be judged");
    out->at = at;
    half = gsl_cdf_tdist_Pinv(0.975, (double)n - 4) * sqrt(pieces.rss / ((double)n - 4) * pieces.inverse_after);
    out->slope_before = pieces.c[1];
    out->slope_after = pieces.c[2];
    out->slope_after_interval = (struct interval){ pieces.c[2] - half, pieces.c[2] + half };
    out->at_interval = break_interval(x, y, n, low, high, pieces.rss);
    out->f = f_of(line.rss, pieces.rss, n);
    out->p = permuted_p(x, y, &line, low, high, out->f, permutations, seed);
    return 0;
}
