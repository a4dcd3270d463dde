/* Lines and curves along a numeric factor; see trend.h.  Breaks are in trend_break.c. */
#include "poise/trend.h"

#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <gsl/gsl_multifit.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "criterion.h"
#include "gsl_quiet.h"

/* Models within 2 of each other in AICc are about equally good: the simpler one stays. */
static const double AICC_WORTH_A_PARAMETER = 2;

enum { TURN_PLACES = 1000 }; /* looked at for the ends of its interval: finer than anybody sets a level */

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
    double *sorted;
    size_t count = 0;
    int error = check(x, y, n, why);

    if (error)
        return error;
    if (degree < 1 || degree > 2)
        return why_set(why, -EINVAL, "a trend is a line or a curve of degree 2");
    sorted = science_malloc((n ? n : 1) * sizeof *sorted);
    if (!sorted)
        return why_set(why, -ENOMEM, "not enough memory");
    if (n)
        count = distinct(x, n, sorted);
    free(sorted);
    if (count <= (size_t)degree)
        return why_set(why, -ENODATA, "%zu distinct levels: a %s needs at least %d", count,
                       degree == 1 ? "line" : "curve", degree + 1);
    for (size_t i = 0; i < n; i++)
        fit.centre += x[i] / (double)n;
    if (fit_polynomial(x, y, &fit) < 0)
        return why_set(why, -ENOMEM, "not enough memory");
    fit.df = n - (size_t)degree - 1;
    fit.spread = fit.df ? sqrt(fit.rss / (double)fit.df) : NAN;
    fit.aicc = criterion_aicc(fit.rss, (double)n, degree + 1.0);
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
    sorted = science_malloc(n * sizeof *sorted);
    if (!sorted)
        return why_set(why, -ENOMEM, "not enough memory");
    count = distinct(x, n, sorted);
    free(sorted);
    *out = line;
    if (count >= 4 && trend_fit(x, y, n, 2, &curve, &ignored) == 0 && curve.aicc <= line.aicc - AICC_WORTH_A_PARAMETER)
        *out = curve;
    return 0;
}

void trend_spend(struct trend *trend, size_t spent)
{
    double before = (double)trend->df, after = before - (double)spent;

    trend->df = after > 0 ? (size_t)after : 0;
    trend->spread = trend->df ? sqrt(trend->rss / after) : NAN;
    for (int i = 0; i < TREND_COEFFICIENTS && trend->df; i++)
        for (int j = 0; j < TREND_COEFFICIENTS; j++)
            trend->covariance[i][j] *= before / after;
}

/* p that a fit with so much less is no luck. */
static double f_p(double rss_without, double rss_with, double more, double df)
{
    if (!(df > 0) || !(rss_with > 0))
        return NAN;
    return gsl_cdf_fdist_Q(fmax(0, rss_without - rss_with) / more / (rss_with / df), more, df);
}

void trend_family(const double *x, const double *y, size_t n, size_t spent, double p_break, struct trend_family *out)
{
    struct trend line, curve;
    struct why ignored;
    double mean = 0, total = 0, cups = (double)n - (double)spent;

    *out = (struct trend_family){ NAN, NAN, NAN, p_break, NAN, NAN };
    for (size_t i = 0; i < n; i++)
        mean += y[i] / (double)n;
    for (size_t i = 0; i < n; i++)
        total += (y[i] - mean) * (y[i] - mean);
    if (trend_fit(x, y, n, 1, &line, &ignored) < 0)
        return;
    out->any = out->line = f_p(total, line.rss, 1, cups - 2);
    if (n < 4 + spent || trend_fit(x, y, n, 2, &curve, &ignored) < 0)
        return;
    out->curve = f_p(total, curve.rss, 2, cups - 3);
    out->bent = f_p(line.rss, curve.rss, 1, cups - 3);
    out->any = fmin(1, fmin(out->line / TREND_LINE_SHARE, out->curve / (1 - TREND_LINE_SHARE)));
    out->shape = fmin(1, isnan(p_break) ? out->bent : 2 * fmin(out->bent, p_break));
}

/* t of the slope through the cups of levels `first` to `last`. */
static double slope_t(const double *x, const double *y, const int *level, size_t n, int first, int last, double spread)
{
    double count = 0, mean_x = 0, mean_y = 0, squares = 0, product = 0;

    for (size_t i = 0; i < n; i++)
        if (level[i] >= first && level[i] <= last) {
            count++;
            mean_x += x[i];
            mean_y += y[i];
        }
    mean_x /= count;
    mean_y /= count;
    for (size_t i = 0; i < n; i++)
        if (level[i] >= first && level[i] <= last) {
            squares += (x[i] - mean_x) * (x[i] - mean_x);
            product += (x[i] - mean_x) * (y[i] - mean_y);
        }
    return squares > 0 ? product / sqrt(squares) / spread : 0;
}

int trend_ends(const double *x, const double *y, const int *level, size_t n, int levels, double spread, double df,
               double confidence, struct trend_ends *out)
{
    double bar;

    *out = (struct trend_ends){ false, false, false, false };
    if (levels < 3 || !(spread > 0) || !(df > 0))
        return -ENODATA;
    /* one-sided, as many questions at each end as there are places to begin, and both ends */
    bar = gsl_cdf_tdist_Qinv((1 - confidence) / 2 / (levels - 2), df);
    for (int place = 1; place <= levels - 2; place++) {
        double first = slope_t(x, y, level, n, 0, place, spread);
        double last = slope_t(x, y, level, n, place, levels - 1, spread);

        out->rises_first = out->rises_first || first > bar;
        out->falls_first = out->falls_first || first < -bar;
        out->rises_last = out->rises_last || last > bar;
        out->falls_last = out->falls_last || last < -bar;
    }
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

int trend_turn(const struct trend *trend, double low, double high, double confidence, double *at,
               struct interval *interval)
{
    struct interval first, last, turn;

    if (trend->degree != 2 || !trend->df || !(high > low))
        return -ENODATA;
    trend_slope_at(trend, low, confidence, &first);
    trend_slope_at(trend, high, confidence, &last);
    if (!(first.low > 0 && last.high < 0) && !(first.high < 0 && last.low > 0))
        return -ENODATA;
    *at = trend->centre - trend->coefficient[1] / (2 * trend->coefficient[2]);
    turn = (struct interval){ *at, *at };    /* of cups on the very curve no other place may be it */
    for (int i = 0; i <= TURN_PLACES; i++) { /* wherever the slope may be none */
        double x = low + (high - low) * i / TURN_PLACES;
        struct interval slope;

        trend_slope_at(trend, x, confidence, &slope);
        if (slope.low <= 0 && slope.high >= 0) {
            turn.low = fmin(turn.low, x);
            turn.high = fmax(turn.high, x);
        }
    }
    *interval = turn;
    return 0;
}
