/* A surface of the second order over two numbers: a + b1 x + b2 y + b11 x^2 + b22 y^2 + b12 xy, where it is highest,
 * and in which region the top may lie.  Pure; any units; NAN where something is not known.
 *
 * Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 5.5.3 (how a response surface is fitted and its stationary
 * point found); the region of a stationary point: Box & Hunter, Biometrika 41, 1954; lack of fit against replicates:
 * Draper & Smith, Applied Regression Analysis (cited from memory). */
#ifndef POISE_SURFACE_H
#define POISE_SURFACE_H

#include <stdbool.h>
#include <stddef.h>

#include "poise/interval.h"
#include "poise/shape.h"
#include "poise/why.h"

#pragma GCC visibility push(default)

enum { SURFACE_TERMS = 6 };

struct surface_data {
    const double *x, *y, *value;
    const int *block; /* NULL: none */
    const int *level; /* cups of one number are replicates, for the lack of fit */
    size_t n;
};

enum surface_kind { SURFACE_TOP, SURFACE_BOTTOM, SURFACE_SADDLE };

struct surface {
    double middle[2], half[2]; /* the levels lie within middle +- half: coefficients are of (x - middle) / half */
    double coefficient[SURFACE_TERMS]; /* constant, x, y, xx, yy, xy */
    double error[SURFACE_TERMS];       /* standard errors */
    double covariance[SURFACE_TERMS * SURFACE_TERMS];
    double spread, df; /* of a cup */
    bool has_lack;
    struct lack_of_fit lack;
    enum surface_kind kind;
    double at[2], value; /* the stationary point, and what a cup gives there */
    struct interval
        where[2]; /* of each coordinate, profiled over the other; infinite where the region leaves the levels */
    bool shown;   /* a top, within the levels with its whole region */
};

/* Fits by least squares, blocks as random effects.  Returns 0; -ENODATA with fewer than three levels of either, or too
 * few cups; -EDOM where nothing scatters; -ENOMEM. */
int surface_fit(const struct surface_data *data, double confidence, struct surface *out, struct why *why);

double surface_at(const struct surface *surface, double x, double y);

/* Twice F of the gradient at (x, y) being none: below the quantile of F(1, df) each coordinate's interval goes so far,
 * below 2 F(2, df) the region of both. */
double surface_gradient_t2(const struct surface *surface, double x, double y);

#pragma GCC visibility pop

#endif
