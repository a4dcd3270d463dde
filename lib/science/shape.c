/* Lack of fit, and shapes other than first order; see shape.h.  A shape is linear but for one number, or two: those are
 * searched for, the rest solved. */
#include "poise/shape.h"

#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_multifit.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "brent.h"
#include "criterion.h"
#include "gsl_quiet.h"

enum { SCAN = 48, LINEAR_MOST = 3, SCAN_TWO = 16 };

/* Of a number that bends a shape: far finer than the sum of squares shows. */
static const double LOG_TOLERANCE = 1e-5;

/* --- lack of fit --- */

int shape_lack_of_fit(const double *residual, const int *level, size_t n, size_t parameters, double spent,
                      struct lack_of_fit *out)
{
    double total = 0, pure = 0;
    size_t levels = 0;

    for (size_t i = 0; i < n; i++) {
        double sum = 0, squares = 0;
        size_t cups = 0;
        bool met = false;

        total += residual[i] * residual[i];
        for (size_t j = 0; j < i && !met; j++)
            met = level[j] == level[i];
        if (met)
            continue;
        levels++;
        for (size_t j = i; j < n; j++)
            if (level[j] == level[i]) {
                sum += residual[j];
                cups++;
            }
        for (size_t j = i; j < n; j++)
            if (level[j] == level[i])
                squares += pow(residual[j] - sum / (double)cups, 2);
        pure += squares;
    }
    if (levels <= parameters || !((double)n - (double)levels - spent > 0) || !(pure > 0))
        return -ENODATA;
    out->df = (double)levels - (double)parameters;
    out->df_pure = (double)n - (double)levels - spent;
    out->ss = fmax(0, total - pure);
    out->ss_pure = pure;
    out->f = out->ss / out->df / (pure / out->df_pure);
    out->p = gsl_cdf_fdist_Q(out->f, out->df, out->df_pure);
    return 0;
}

/* --- shapes --- */

struct search {
    const double *t, *e;
    size_t n;
    gsl_matrix *columns, *covariance;
    gsl_vector *values, *coefficients;
    gsl_multifit_linear_workspace *work[LINEAR_MOST];
};

static void fill_row(enum shape shape, size_t linear, const double *knob, double t, double row[LINEAR_MOST])
{
    size_t k = 0;

    switch (shape) {
    case SHAPE_POWER:
        row[0] = pow(t, knob[0]);
        break;
    case SHAPE_LOGARITHM:
    case SHAPE_LOG_CURVE:
        row[0] = 1;
        row[1] = log(t);
        row[2] = log(t) * log(t);
        break;
    case SHAPE_HYPERBOLA:
        if (linear == 2)
            row[k++] = 1;
        row[k] = t / (t + knob[0]);
        break;
    case SHAPE_CREEPING:
        row[0] = 1;
        row[1] = -exp(-knob[0] * t);
        row[2] = t;
        break;
    default:
        row[0] = 1;
        row[1] = -exp(-knob[0] * t);
        row[2] = -exp(-knob[1] * t);
        break;
    }
}

/* The least sum of squares with the knobs set; INFINITY where it cannot be solved. */
static double solve(struct search *search, enum shape shape, size_t linear, const double *knob, double *out)
{
    gsl_matrix_view columns = gsl_matrix_submatrix(search->columns, 0, 0, search->n, linear);
    gsl_matrix_view covariance = gsl_matrix_submatrix(search->covariance, 0, 0, linear, linear);
    gsl_vector_view coefficients = gsl_vector_subvector(search->coefficients, 0, linear);
    double rss, row[LINEAR_MOST] = { 0 };

    for (size_t i = 0; i < search->n; i++) {
        fill_row(shape, linear, knob, search->t[i], row);
        for (size_t j = 0; j < linear; j++)
            gsl_matrix_set(&columns.matrix, i, j, row[j]);
    }
    if (gsl_multifit_linear(&columns.matrix, search->values, &coefficients.vector, &covariance.matrix, &rss,
                            search->work[linear - 1])
        != GSL_SUCCESS)
        return INFINITY;
    for (size_t j = 0; j < linear; j++)
        out[j] = gsl_vector_get(&coefficients.vector, j);
    return isfinite(rss) ? rss : INFINITY;
}

static void keep(struct shape_fit *fit, double rss, size_t linear, const double *coefficients, const double *knob,
                 size_t knobs)
{
    fit->fitted = true;
    fit->rss = rss;
    fit->parameters = linear + knobs;
    memcpy(fit->value, coefficients, linear * sizeof *coefficients);
    memcpy(fit->value + linear, knob, knobs * sizeof *knob);
}

struct one_knob {
    struct search *search;
    enum shape shape;
    size_t linear;
};

static double rss_of_knob(double log_knob, void *context)
{
    const struct one_knob *one = context;
    double coefficients[LINEAR_MOST], knob = exp(log_knob);

    return solve(one->search, one->shape, one->linear, &knob, coefficients);
}

/* One knob between low and high, in logarithms: a scan, then Brent's method about its best. */
static void fit_one_knob(struct search *search, size_t linear, double low, double high, struct shape_fit *fit)
{
    struct one_knob one = { search, fit->shape, linear };
    double coefficients[LINEAR_MOST], least = INFINITY, step = log(high / low) / (SCAN - 1), best = log(low), knob, rss;

    for (int i = 0; i < SCAN; i++) {
        double log_knob = log(low) + i * step;

        rss = rss_of_knob(log_knob, &one);
        if (rss < least) {
            least = rss;
            best = log_knob;
        }
    }
    knob = exp(brent_minimum(rss_of_knob, &one, best - step, best, best + step, LOG_TOLERANCE, NULL));
    rss = solve(search, fit->shape, linear, &knob, coefficients);
    if (isfinite(rss))
        keep(fit, rss, linear, coefficients, &knob, 1);
}

static void fit_two_rates(struct search *search, double longest, double shortest, struct shape_fit *fit)
{
    double low = 0.3 / longest, step = pow(6 / shortest / low, 1.0 / (SCAN_TWO - 1)), coefficients[LINEAR_MOST];

    fit->rss = INFINITY;
    for (int i = 0; i < SCAN_TWO; i++)
        for (int j = 0; j < i; j++) {
            double knob[] = { low * pow(step, i), low * pow(step, j) };
            double rss = solve(search, SHAPE_TWO_RATES, 3, knob, coefficients);

            if (rss < fit->rss && coefficients[1] > 0 && coefficients[2] > 0) /* both rise */
                keep(fit, rss, 3, coefficients, knob, 2);
        }
}

static size_t different_times(const double *t, size_t n)
{
    size_t count = 0;

    for (size_t i = 0; i < n; i++) {
        bool met = false;

        for (size_t j = 0; j < i && !met; j++)
            met = fabs(t[j] - t[i]) < 0.02 * t[i]; /* repeats of one time lie a little apart */
        count += !met;
    }
    return count;
}

static void fit_shapes(struct search *search, size_t times, double longest, double shortest, double spent,
                       struct shape_fit *out)
{
    double none[2] = { 0 }, coefficients[LINEAR_MOST], n = (double)search->n, rss;
    struct shape_fit bent = { .shape = SHAPE_HYPERBOLA, .rss = INFINITY };

    for (int i = 0; i < SHAPE_COUNT; i++)
        out[i] = (struct shape_fit){ .shape = (enum shape)i, .rss = INFINITY, .aicc = INFINITY };
    fit_one_knob(search, 1, 0.01, 3, &out[SHAPE_POWER]);
    rss = solve(search, SHAPE_LOGARITHM, 2, none, coefficients);
    if (isfinite(rss))
        keep(&out[SHAPE_LOGARITHM], rss, 2, coefficients, none, 0);
    rss = solve(search, SHAPE_LOG_CURVE, 3, none, coefficients);
    if (isfinite(rss))
        keep(&out[SHAPE_LOG_CURVE], rss, 3, coefficients, none, 0);
    fit_one_knob(search, 1, shortest / 30, 30 * longest, &out[SHAPE_HYPERBOLA]);
    fit_one_knob(search, 2, shortest / 30, 30 * longest, &bent);
    if (bent.fitted
        && criterion_aicc(bent.rss, n - spent, 3)
               < criterion_aicc(out[SHAPE_HYPERBOLA].rss, n - spent, 2)) /* with what is there at once */
        out[SHAPE_HYPERBOLA] = bent;
    fit_one_knob(search, 3, 0.3 / longest, 6 / shortest, &out[SHAPE_CREEPING]);
    if (times >= 5)
        fit_two_rates(search, longest, shortest, &out[SHAPE_TWO_RATES]);
    for (int i = 0; i < SHAPE_COUNT; i++)
        if (out[i].fitted)
            out[i].aicc = criterion_aicc(out[i].rss, n - spent, (double)out[i].parameters);
}

static void search_close(struct search *search)
{
    for (size_t i = 0; i < LINEAR_MOST; i++)
        gsl_multifit_linear_free(search->work[i]);
    gsl_matrix_free(search->columns);
    gsl_matrix_free(search->covariance);
    gsl_vector_free(search->values);
    gsl_vector_free(search->coefficients);
}

/* False without memory for it; search_close() in any case. */
static bool search_open(const double *t, const double *e, size_t n, struct search *out)
{
    bool room;

    *out = (struct search){ .t = t, .e = e, .n = n };
    out->columns = gsl_matrix_alloc(n, LINEAR_MOST);
    out->covariance = gsl_matrix_alloc(LINEAR_MOST, LINEAR_MOST);
    out->values = gsl_vector_alloc(n);
    out->coefficients = gsl_vector_alloc(LINEAR_MOST);
    room = out->columns && out->covariance && out->values && out->coefficients;
    for (size_t i = 0; i < LINEAR_MOST; i++) {
        out->work[i] = gsl_multifit_linear_alloc(n, i + 1);
        room = room && out->work[i];
    }
    for (size_t i = 0; i < n && room; i++)
        gsl_vector_set(out->values, i, e[i]);
    return room;
}

static void find_ends(const double *t, size_t n, double *shortest, double *longest)
{
    *longest = 0;
    *shortest = INFINITY;
    for (size_t i = 0; i < n; i++) {
        *longest = fmax(*longest, t[i]);
        *shortest = fmin(*shortest, t[i]);
    }
}

int shape_fit_all(const double *t, const double *e, size_t n, double spent, struct shape_fit out[SHAPE_COUNT])
{
    struct search search;
    gsl_error_handler_t *handler;
    double longest, shortest;
    size_t times = different_times(t, n);
    bool room;

    find_ends(t, n, &shortest, &longest);
    if (times < 4 || !(shortest > 0))
        return -ENODATA;
    handler = gsl_quiet_begin();
    room = search_open(t, e, n, &search);
    if (room)
        fit_shapes(&search, times, longest, shortest, spent, out);
    search_close(&search);
    gsl_quiet_end(handler);
    return room ? 0 : -ENOMEM;
}

double shape_creeps_p(const double *t, const double *e, size_t n, double spent, const struct shape_fit *creeping,
                      double per_second)
{
    struct shape_fit slowly = { .shape = SHAPE_CREEPING, .rss = INFINITY };
    double df = (double)n - spent - (double)creeping->parameters, longest, shortest, p = NAN;
    struct search search;
    gsl_error_handler_t *handler;

    if (!creeping->fitted || !(df > 0) || !(creeping->rss > 0))
        return NAN;
    find_ends(t, n, &shortest, &longest);
    handler = gsl_quiet_begin();
    if (search_open(t, e, n, &search)) {
        for (size_t i = 0; i < n; i++) /* with so much of it taken out the rest is first order */
            gsl_vector_set(search.values, i, e[i] - per_second * t[i]);
        fit_one_knob(&search, 2, 0.3 / longest, 6 / shortest, &slowly);
        p = gsl_cdf_tdist_Q(sqrt(fmax(0, slowly.rss - creeping->rss) / (creeping->rss / df)), df);
        p = per_second > creeping->value[2] ? p : 1 - p;
    }
    search_close(&search);
    gsl_quiet_end(handler);
    return p;
}

double shape_at(const struct shape_fit *fit, double t)
{
    size_t knobs = fit->shape == SHAPE_TWO_RATES
                       ? 2
                       : fit->shape == SHAPE_POWER || fit->shape == SHAPE_HYPERBOLA || fit->shape == SHAPE_CREEPING;
    size_t linear = fit->parameters - knobs;
    double row[LINEAR_MOST] = { 0 }, sum = 0;

    fill_row(fit->shape, linear, fit->value + linear, t, row);
    for (size_t i = 0; i < linear; i++)
        sum += fit->value[i] * row[i];
    return sum;
}

const char *shape_name(const struct shape_fit *fit)
{
    static const char *const names[SHAPE_COUNT] = {
        "a power law",          "a logarithm",
        "a hyperbola",          "a parabola of log time",
        "a curve of two rates", "a curve that creeps on",
    };

    return names[fit->shape];
}

void shape_words(const struct shape_fit *fit, char *out, size_t size)
{
    const double *value = fit->value;

    switch (fit->shape) {
    case SHAPE_POWER:
        snprintf(out, size, "a power law, %.2f t^%.3f", value[0], value[1]);
        break;
    case SHAPE_LOGARITHM:
        snprintf(out, size, "a logarithm, %.2f %+.2f ln t", value[0], value[1]);
        break;
    case SHAPE_HYPERBOLA:
        if (fit->parameters == 3)
            snprintf(out, size, "a hyperbola, %.2f %+.2f t / (t + %.0f)", value[0], value[1], value[2]);
        else
            snprintf(out, size, "a hyperbola, %.2f t / (t + %.0f)", value[0], value[1]);
        break;
    case SHAPE_LOG_CURVE:
        snprintf(out, size, "a parabola of log time, %.2f %+.2f ln t %+.3f (ln t)^2", value[0], value[1], value[2]);
        break;
    case SHAPE_CREEPING:
        snprintf(out, size, "a curve that creeps on by %+.4f a second", value[2]);
        break;
    default:
        snprintf(out, size, "a curve of two rates, %.4f and %.4f per second", fit->value[3], fit->value[4]);
        break;
    }
}

/* What holds first order within it fits better always: it is a rival when no more than one in seven would fit so much
 * better by luck.  A curve that creeps on is one until cups that creep so much would look like these once in five times
 * only.  With these a bend that is not there is claimed of no shape of the coverage table more than five times in a
 * hundred, and a true first-order curve of its designs has its bend claimed about every second time (fitted). */
static const double BETTER_BY_LUCK = 0.15, CREEPING = 0.20;

bool shape_holds_first_order(const struct shape_fit *fit)
{
    return fit->shape == SHAPE_TWO_RATES || fit->shape == SHAPE_CREEPING;
}

const struct shape_fit *shape_rival(const struct shape_fit fits[SHAPE_COUNT], size_t n, double spent, double rss,
                                    double aicc_own, double creeps_p, bool *rivals)
{
    const struct shape_fit *nearest = NULL, *rival = NULL;

    for (int i = 0; i < SHAPE_COUNT; i++) {
        const struct shape_fit *fit = &fits[i];
        double df = (double)n - spent - (double)fit->parameters;
        bool holds_it = shape_holds_first_order(fit), is_rival;

        if (!fit->fitted)
            continue;
        if (i == SHAPE_CREEPING && !(creeps_p < CREEPING))
            is_rival = true;
        else if (holds_it && df > 0)
            is_rival = gsl_cdf_fdist_Q(fmax(0, rss - fit->rss) / ((double)fit->parameters - 3) / (fit->rss / df),
                                       (double)fit->parameters - 3, df)
                       < BETTER_BY_LUCK;
        else
            is_rival = !holds_it && fit->aicc <= aicc_own;
        if (is_rival && (!rival || fit->aicc < rival->aicc))
            rival = fit;
        if (!nearest || fit->aicc < nearest->aicc)
            nearest = fit;
    }
    *rivals = rival != NULL;
    return rival ? rival : nearest;
}
