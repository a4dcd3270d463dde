/* First-order extraction: the fit and what follows from its parameters.  Intervals and designs are in
 * kinetics_profile.c. */
#include "kinetics_parts.h"

#include <errno.h>
#include <gsl/gsl_blas.h>
#include <gsl/gsl_cdf.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_multifit_nlinear.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "criterion.h"
#include "gsl_quiet.h"

/* A residual of a step into the absurd (exp overflows): the step is rejected and a shorter one tried. */
static const double FAR_OFF = 1e75;

enum { ITERATIONS_MOST = 500, SCAN_POINTS = 121 };
enum { TIMES_LEAST = 3 };           /* plateau and rate take two; the third can contradict */
enum { CUPS_FOR_A_QUICK_PART = 5 }; /* three numbers of the curve, and something left to judge them by */

/* NIST certifies eleven digits; stopping at a step this small gives nine or more. */
static const double STEP_TOLERANCE = 1e-12, GRADIENT_TOLERANCE = 1e-14;

double kinetics_at(const struct kinetics_fit *fit, double t)
{
    const double *value = fit->value;

    return value[KINETICS_PLATEAU] - (value[KINETICS_PLATEAU] - value[KINETICS_QUICK]) * exp(-value[KINETICS_RATE] * t);
}

double kinetics_share_at(const struct kinetics_fit *fit, double t)
{
    return kinetics_at(fit, t) / fit->value[KINETICS_PLATEAU];
}

void kinetics_gradient(const struct kinetics_fit *fit, double t, double out[KINETICS_PARAMETERS])
{
    double decay = exp(-fit->value[KINETICS_RATE] * t);

    out[KINETICS_PLATEAU] = 1 - decay;
    out[KINETICS_RATE] = (fit->value[KINETICS_PLATEAU] - fit->value[KINETICS_QUICK]) * t * decay;
    out[KINETICS_QUICK] = decay;
}

static int ascending(const void *a, const void *b)
{
    double first = *(const double *)a, second = *(const double *)b;

    return (first > second) - (first < second);
}

double kinetics_weight(const struct kinetics_data *data, size_t i)
{
    return data->weight ? data->weight[i] : 1;
}

size_t kinetics_cups(const struct kinetics_data *data)
{
    double cups = 0;

    for (size_t i = 0; i < data->n; i++)
        cups += kinetics_weight(data, i);
    return (size_t)lround(cups);
}

struct cup {
    double t, e, weight;
};

static int by_time(const void *a, const void *b)
{
    return ascending(&((const struct cup *)a)->t, &((const struct cup *)b)->t);
}

int kinetics_gather(const struct kinetics_data *data, double *room, struct kinetics_data *out)
{
    struct cup *cups = science_malloc((data->n ? data->n : 1) * sizeof *cups);
    double *t = room, *e = room + data->n, *weight = room + 2 * data->n, within = data->within;
    size_t n = 0;

    if (!cups)
        return -ENOMEM;
    for (size_t i = 0; i < data->n; i++)
        cups[i] = (struct cup){ data->t[i], data->e[i], kinetics_weight(data, i) };
    qsort(cups, data->n, sizeof *cups, by_time);
    for (size_t i = 0, end; i < data->n; i = end, n++) {
        e[n] = weight[n] = 0;
        t[n] = cups[i].t;
        for (end = i; end < data->n && !(cups[end].t > t[n]); end++) {
            weight[n] += cups[end].weight;
            e[n] += cups[end].weight * cups[end].e;
        }
        e[n] /= weight[n];
        for (size_t j = i; j < end; j++)
            within += cups[j].weight * (cups[j].e - e[n]) * (cups[j].e - e[n]);
    }
    free(cups);
    *out = (struct kinetics_data){ t, e, n, weight, within, data->spent };
    return 0;
}

static size_t distinct_times(const struct kinetics_data *data)
{
    double *sorted = science_malloc(data->n * sizeof *sorted);
    size_t count = 0;

    if (!sorted)
        return 0;
    memcpy(sorted, data->t, data->n * sizeof *sorted);
    qsort(sorted, data->n, sizeof *sorted, ascending);
    for (size_t i = 0; i < data->n; i++)
        count += i == 0 || sorted[i] > sorted[i - 1];
    free(sorted);
    return count;
}

static int check(const struct kinetics_data *data, bool quick, struct why *why)
{
    size_t times;

    for (size_t i = 0; i < data->n; i++)
        if (!isfinite(data->t[i]) || !isfinite(data->e[i]) || data->t[i] < 0)
            return why_set(why, -EINVAL, "cup %zu has no usable time or extraction", i + 1);
    times = data->n ? distinct_times(data) : 0;
    if (times < TIMES_LEAST)
        return why_set(why, -ENODATA, "%zu distinct times: a curve needs at least three", times);
    if (quick && kinetics_cups(data) < CUPS_FOR_A_QUICK_PART)
        return why_set(why, -ENODATA, "%zu cups: a quick part needs %d", kinetics_cups(data), CUPS_FOR_A_QUICK_PART);
    if ((double)kinetics_cups(data) - data->spent < (quick ? 3 : 2))
        return why_set(why, -ENODATA, "too few cups: nothing is left beside curve and blocks");
    return 0;
}

/* --- one unknown less: for a given k the rest is linear --- */

/* Least squares of e = a u + b v; with `two` false b is 0.  Returns the rss, what is within apart. */
static double solve_linear(const double *u, const double *v, const struct kinetics_data *data, bool two, double *a,
                           double *b)
{
    double uu = 0, vv = 0, uv = 0, uy = 0, vy = 0, rss = 0, determinant;

    for (size_t i = 0; i < data->n; i++) {
        double weight = kinetics_weight(data, i), e = data->e[i];

        uu += weight * u[i] * u[i];
        uy += weight * u[i] * e;
        vv += weight * v[i] * v[i];
        uv += weight * u[i] * v[i];
        vy += weight * v[i] * e;
    }
    determinant = uu * vv - uv * uv;
    *b = 0;
    if (two && determinant > 1e-12 * uu * vv) {
        *a = (uy * vv - vy * uv) / determinant;
        *b = (vy * uu - uy * uv) / determinant;
    } else {
        *a = uu > 0 ? uy / uu : 0;
    }
    for (size_t i = 0; i < data->n; i++) {
        double residual = data->e[i] - *a * u[i] - *b * v[i];

        rss += kinetics_weight(data, i) * residual * residual;
    }
    return rss;
}

/* The best E1 and E0 for every k of a scan that reaches from "never bends" to "over at once". */
static int scan(const struct kinetics_data *data, bool quick, double best[KINETICS_PARAMETERS], struct why *why)
{
    double *rising = science_malloc(2 * data->n * sizeof *rising), *falling;
    double least = INFINITY, longest = 0, shortest = INFINITY, plateau, part, rss;

    if (!rising)
        return why_set(why, -ENOMEM, "not enough memory");
    falling = rising + data->n;
    for (size_t i = 0; i < data->n; i++) {
        longest = fmax(longest, data->t[i]);
        if (data->t[i] > 0)
            shortest = fmin(shortest, data->t[i]);
    }
    for (int point = 0; point < SCAN_POINTS; point++) {
        double low = 1e-3 / longest, high = 20 / shortest;
        double k = low * pow(high / low, point / (SCAN_POINTS - 1.0));

        for (size_t i = 0; i < data->n; i++) {
            falling[i] = exp(-k * data->t[i]);
            rising[i] = 1 - falling[i];
        }
        rss = solve_linear(rising, falling, data, quick, &plateau, &part);
        if (rss < least) {
            least = rss;
            best[KINETICS_PLATEAU] = plateau;
            best[KINETICS_RATE] = k;
            best[KINETICS_QUICK] = part;
        }
    }
    free(rising);
    return 0;
}

/* --- Levenberg-Marquardt --- */

struct problem {
    const struct kinetics_data *data;
    bool quick;
};

static void take_parameters(const gsl_vector *x, bool quick, struct kinetics_fit *fit)
{
    fit->value[KINETICS_PLATEAU] = gsl_vector_get(x, 0);
    fit->value[KINETICS_RATE] = gsl_vector_get(x, 1);
    fit->value[KINETICS_QUICK] = quick ? gsl_vector_get(x, 2) : 0;
}

static int residuals(const gsl_vector *x, void *context, gsl_vector *out)
{
    const struct problem *problem = context;
    struct kinetics_fit fit;

    take_parameters(x, problem->quick, &fit);
    for (size_t i = 0; i < problem->data->n; i++) {
        double residual = kinetics_at(&fit, problem->data->t[i]) - problem->data->e[i];

        residual *= sqrt(kinetics_weight(problem->data, i));
        gsl_vector_set(out, i, isfinite(residual) ? residual : FAR_OFF);
    }
    return GSL_SUCCESS;
}

static int jacobian(const gsl_vector *x, void *context, gsl_matrix *out)
{
    const struct problem *problem = context;
    struct kinetics_fit fit;
    double gradient[KINETICS_PARAMETERS];

    take_parameters(x, problem->quick, &fit);
    for (size_t i = 0; i < problem->data->n; i++) {
        double root = sqrt(kinetics_weight(problem->data, i));

        kinetics_gradient(&fit, problem->data->t[i], gradient);
        for (size_t j = 0; j < out->size2; j++)
            gsl_matrix_set(out, i, j, root * gradient[j]);
    }
    return GSL_SUCCESS;
}

static void summarise(const struct kinetics_data *data, bool quick, gsl_multifit_nlinear_workspace *work,
                      struct kinetics_fit *out)
{
    size_t parameters = quick ? 3 : 2;
    double rows[KINETICS_PARAMETERS * KINETICS_PARAMETERS];
    gsl_matrix_view covariance = gsl_matrix_view_array(rows, parameters, parameters);
    size_t cups = kinetics_cups(data);
    double rss = 0;

    memset(out, 0, sizeof *out);
    out->quick = quick;
    take_parameters(gsl_multifit_nlinear_position(work), quick, out);
    gsl_blas_ddot(gsl_multifit_nlinear_residual(work), gsl_multifit_nlinear_residual(work), &rss);
    out->rss = rss += data->within;
    out->n = cups;
    out->df = (size_t)fmax(0, (double)cups - (double)parameters - data->spent);
    out->spread = out->df ? sqrt(rss / (double)out->df) : NAN;
    gsl_multifit_nlinear_covar(gsl_multifit_nlinear_jac(work), 0, &covariance.matrix);
    for (size_t i = 0; i < parameters; i++)
        out->deviation[i] = out->spread * sqrt(gsl_matrix_get(&covariance.matrix, i, i));
    out->aicc = criterion_aicc(rss, (double)cups - data->spent, (double)parameters);
}

int kinetics_fit_from(const struct kinetics_data *data, bool quick, const double start[KINETICS_PARAMETERS],
                      struct kinetics_fit *out, struct why *why)
{
    gsl_multifit_nlinear_parameters how = gsl_multifit_nlinear_default_parameters();
    struct problem problem = { data, quick };
    gsl_multifit_nlinear_fdf function = {
        .f = residuals, .df = jacobian, .n = data->n, .p = quick ? 3 : 2, .params = &problem
    };
    gsl_vector_const_view from = gsl_vector_const_view_array(start, function.p);
    gsl_multifit_nlinear_workspace *work;
    gsl_error_handler_t *handler;
    int error = check(data, quick, why), why_stopped, status;

    if (error)
        return error;
    how.trs = gsl_multifit_nlinear_trs_lmaccel; /* alone comes home from the hard start of BoxBOD */
    handler = gsl_quiet_begin();
    work = gsl_multifit_nlinear_alloc(gsl_multifit_nlinear_trust, &how, data->n, function.p);
    if (!work) {
        gsl_quiet_end(handler);
        return why_set(why, -ENOMEM, "not enough memory");
    }
    status = gsl_multifit_nlinear_init(&from.vector, &function, work);
    if (status == GSL_SUCCESS)
        status = gsl_multifit_nlinear_driver(ITERATIONS_MOST, STEP_TOLERANCE, GRADIENT_TOLERANCE, 0, NULL, NULL,
                                             &why_stopped, work);
    /* no further progress: the least squares are reached as far as the digits go */
    if (status == GSL_SUCCESS || status == GSL_ENOPROG || status == GSL_EMAXITER)
        summarise(data, quick, work, out);
    else
        error = why_set(why, -EDOM, "the fit found no curve: %s", gsl_strerror(status));
    gsl_multifit_nlinear_free(work);
    gsl_quiet_end(handler);
    return error;
}

int kinetics_fit(const struct kinetics_data *data, bool quick, struct kinetics_fit *out, struct why *why)
{
    double start[KINETICS_PARAMETERS] = { 0, 0, 0 };
    struct kinetics_fit fit;
    int error = check(data, quick, why);

    if (!error)
        error = scan(data, quick, start, why);
    if (!error && !(start[KINETICS_PLATEAU] > 0))
        error = why_set(why, -EDOM, "extraction does not rise with time: no such curve");
    if (!error)
        error = kinetics_fit_from(data, quick, start, &fit, why);
    if (!error && !(fit.value[KINETICS_RATE] > 0 && fit.value[KINETICS_PLATEAU] > fit.value[KINETICS_QUICK]))
        error = why_set(why, -EDOM, "extraction does not rise with time: no such curve");
    if (error)
        return error;
    *out = fit;
    return 0;
}

int kinetics_choose(const struct kinetics_data *data, struct kinetics_fit *out, struct kinetics_fit *other,
                    struct why *why)
{
    struct kinetics_fit simple, quick;
    struct why ignored;
    bool has_quick;
    int error = kinetics_fit(data, false, &simple, why);

    if (error)
        return error;
    has_quick = kinetics_fit(data, true, &quick, &ignored) == 0 && quick.df > 0;
    *out = has_quick ? quick : simple;
    if (!has_quick)
        memset(&simple, 0, sizeof simple);
    if (other)
        *other = simple;
    return 0;
}

int kinetics_choose_planned(const struct kinetics_data *data, int planned_times, struct kinetics_fit *out,
                            struct kinetics_fit *other, struct why *why)
{
    if (planned_times < TIMES_LEAST)
        return why_set(why, -ENODATA, "%zu cups at %d steep times: a curve takes %d times", kinetics_cups(data),
                       planned_times, TIMES_LEAST);
    return kinetics_choose(data, out, other, why);
}

double kinetics_quick_p(const struct kinetics_fit *quick, const struct kinetics_fit *plain)
{
    double f;

    if (!quick->n || !plain->n || !quick->quick || plain->quick || !quick->df)
        return NAN;
    f = fmax(0, plain->rss - quick->rss) / (quick->rss / (double)quick->df);
    return gsl_cdf_fdist_Q(f, 1, (double)quick->df);
}
