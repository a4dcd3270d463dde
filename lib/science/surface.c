/* Surfaces of the second order; see surface.h. */
#include "poise/surface.h"

#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "brent.h"
#include "gsl_quiet.h"
#include "poise/mixed.h"

/* Levels closer than this share of their range are one. */
static const double ONE_LEVEL = 1e-6;

static void row_at(const struct surface *surface, double x, double y, double row[SURFACE_TERMS])
{
    double u = (x - surface->middle[0]) / surface->half[0], v = (y - surface->middle[1]) / surface->half[1];

    row[0] = 1;
    row[1] = u;
    row[2] = v;
    row[3] = u * u;
    row[4] = v * v;
    row[5] = u * v;
}

double surface_at(const struct surface *surface, double x, double y)
{
    double row[SURFACE_TERMS], sum = 0;

    row_at(surface, x, y, row);
    for (int i = 0; i < SURFACE_TERMS; i++)
        sum += row[i] * surface->coefficient[i];
    return sum;
}

/* Three levels at least, and their middle and half range. */
static bool find_range(const double *x, size_t n, double *middle, double *half)
{
    double low = INFINITY, high = -INFINITY;

    for (size_t i = 0; i < n; i++) {
        low = fmin(low, x[i]);
        high = fmax(high, x[i]);
    }
    *middle = (low + high) / 2;
    *half = (high - low) / 2;
    for (size_t i = 0; i < n; i++)
        if (x[i] > low + ONE_LEVEL * *half && x[i] < high - ONE_LEVEL * *half)
            return true;
    return false;
}

double surface_gradient_t2(const struct surface *surface, double x, double y)
{
    double u = (x - surface->middle[0]) / surface->half[0], v = (y - surface->middle[1]) / surface->half[1];
    double weight[2][SURFACE_TERMS] = { { 0, 1, 0, 2 * u, 0, v }, { 0, 0, 1, 0, 2 * v, u } };
    double gradient[2] = { 0, 0 }, variance[2][2] = { { 0 } }, determinant;

    for (int a = 0; a < 2; a++) {
        for (int i = 0; i < SURFACE_TERMS; i++)
            gradient[a] += weight[a][i] * surface->coefficient[i];
        for (int b = 0; b < 2; b++)
            for (int i = 0; i < SURFACE_TERMS; i++)
                for (int j = 0; j < SURFACE_TERMS; j++)
                    variance[a][b] += weight[a][i] * surface->covariance[i * SURFACE_TERMS + j] * weight[b][j];
    }
    determinant = variance[0][0] * variance[1][1] - variance[0][1] * variance[1][0];
    return (gradient[0] * gradient[0] * variance[1][1] - 2 * gradient[0] * gradient[1] * variance[0][1]
            + gradient[1] * gradient[1] * variance[0][0])
           / determinant;
}

/* One coordinate held, in half ranges from the middle: how sure it is that the top lies elsewhere, at the best of the
 * other. */
struct profile {
    const struct surface *surface;
    int coordinate;
    double own, critical;
};

static double at_other(double other, void *context)
{
    const struct profile *profile = context;
    const struct surface *surface = profile->surface;
    double at[2];

    at[profile->coordinate] = profile->own;
    at[1 - profile->coordinate] = other;
    return surface_gradient_t2(surface, surface->middle[0] + surface->half[0] * at[0],
                               surface->middle[1] + surface->half[1] * at[1]);
}

static double excess(double own, void *context)
{
    struct profile *profile = context;
    const double *c = profile->surface->coefficient;
    int other = 1 - profile->coordinate;
    double ridge = -(c[1 + other] + c[5] * own) / (2 * c[3 + other]), found, width = 0.01;

    profile->own = own;
    found = at_other(ridge, profile);
    /* the least lies near the ridge: the bracket grows until it holds it */
    while (width < 10 && (at_other(ridge - width, profile) <= found || at_other(ridge + width, profile) <= found))
        width *= 2;
    brent_minimum(at_other, profile, ridge - width, ridge, ridge + width, 1e-6, &found);
    return found - profile->critical;
}

/* The coordinate's interval, by the profile over the other.  A region that goes beyond what may be drawn on has no end
 * there. */
static void find_interval(const struct surface *surface, int coordinate, double confidence, struct interval *out)
{
    static const double reach = 1.5, step = 0.05; /* half ranges */
    struct profile profile = { surface, coordinate, 0, gsl_cdf_fdist_Pinv(confidence, 1, surface->df) };
    double middle = surface->middle[coordinate], half = surface->half[coordinate];
    double at = (surface->at[coordinate] - middle) / half;

    *out = (struct interval){ -INFINITY, INFINITY };
    for (int side = -1; side <= 1; side += 2)
        for (double from = at; fabs(from) <= reach; from += side * step)
            if (excess(from + side * step, &profile) > 0) {
                *(side < 0 ? &out->low : &out->high) =
                    middle
                    + half
                          * brent_root(excess, &profile, fmin(from, from + side * step), fmax(from, from + side * step),
                                       1e-6);
                break;
            }
}

static void find_stationary(struct surface *out, double confidence)
{
    const double *c = out->coefficient;
    double determinant = 4 * c[3] * c[4] - c[5] * c[5];
    double u = (c[5] * c[2] - 2 * c[4] * c[1]) / determinant, v = (c[5] * c[1] - 2 * c[3] * c[2]) / determinant;

    out->kind = determinant <= 0 ? SURFACE_SADDLE : c[3] < 0 ? SURFACE_TOP : SURFACE_BOTTOM;
    out->at[0] = out->middle[0] + out->half[0] * u;
    out->at[1] = out->middle[1] + out->half[1] * v;
    out->value = surface_at(out, out->at[0], out->at[1]);
    out->shown = out->kind == SURFACE_TOP && fabs(u) <= 1 && fabs(v) <= 1;
    for (int i = 0; i < 2; i++) {
        find_interval(out, i, confidence, &out->where[i]);
        out->shown = out->shown && out->where[i].low >= out->middle[i] - out->half[i]
                     && out->where[i].high <= out->middle[i] + out->half[i];
    }
}

static int take_coefficients(const struct mixed *mixed, struct surface *out)
{
    struct difference one, both;

    for (int i = 0; i < SURFACE_TERMS; i++) {
        double weight[SURFACE_TERMS] = { 0 };

        weight[i] = 1;
        if (mixed_contrast(mixed, weight, NULL, 0.95, &one) < 0)
            return -ENODATA;
        out->coefficient[i] = one.difference;
        out->error[i] = one.standard_error;
        out->covariance[i * (SURFACE_TERMS + 1)] = one.standard_error * one.standard_error;
    }
    for (int i = 0; i < SURFACE_TERMS; i++)
        for (int j = 0; j < i; j++) {
            double weight[SURFACE_TERMS] = { 0 }, its;

            weight[i] = weight[j] = 1;
            if (mixed_contrast(mixed, weight, NULL, 0.95, &both) < 0)
                return -ENODATA;
            its = (both.standard_error * both.standard_error - out->error[i] * out->error[i]
                   - out->error[j] * out->error[j])
                  / 2;
            out->covariance[i * SURFACE_TERMS + j] = out->covariance[j * SURFACE_TERMS + i] = its;
        }
    return 0;
}

static void find_lack(const struct surface_data *data, struct surface *out)
{
    double *residual = science_malloc((data->n + 1) * sizeof *residual);
    double spent = (double)data->n - SURFACE_TERMS - out->df; /* on blocks */

    for (size_t i = 0; i < data->n && residual; i++)
        residual[i] = data->value[i] - surface_at(out, data->x[i], data->y[i]);
    out->has_lack =
        residual && data->level
        && shape_lack_of_fit(residual, data->level, data->n, SURFACE_TERMS, fmax(0, spent), &out->lack) == 0;
    free(residual);
}

int surface_fit(const struct surface_data *data, double confidence, struct surface *out, struct why *why)
{
    struct surface surface = { .spread = NAN };
    struct mixed_fit fit;
    struct mixed *mixed;
    int error = 0;

    if (!find_range(data->x, data->n, &surface.middle[0], &surface.half[0])
        || !find_range(data->y, data->n, &surface.middle[1], &surface.half[1]))
        return why_set(why, -ENODATA, "a surface takes three levels of each of two numbers");
    mixed = mixed_new(SURFACE_TERMS);
    if (!mixed)
        return why_set(why, -ENOMEM, "not enough memory");
    for (size_t i = 0; i < data->n && !error; i++) {
        double row[SURFACE_TERMS];

        row_at(&surface, data->x[i], data->y[i], row);
        error = mixed_add(mixed, row, data->value[i], data->block ? data->block[i] : 0);
    }
    if (error)
        error = why_set(why, error, "not enough memory");
    else
        error = mixed_solve(mixed, confidence, &fit, why);
    if (!error && take_coefficients(mixed, &surface) < 0)
        error = why_set(why, -ENODATA, "too few combinations of the two were brewed for a surface");
    mixed_free(mixed);
    if (error)
        return error;
    surface.spread = fit.within;
    surface.df = fit.df_within;
    find_lack(data, &surface);
    find_stationary(&surface, confidence);
    *out = surface;
    return 0;
}
