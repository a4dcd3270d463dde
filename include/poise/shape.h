/* Whether cups follow the shape that is fitted to them: against their own replicates, and against other shapes that
 * do not end.  Pure; times in seconds, values in any unit.
 *
 * Sources: lack of fit against pure error: Draper & Smith, Applied Regression Analysis; AICc: Hurvich & Tsai,
 * Biometrika 76, 1989 (both from memory).  The rival shapes: a power law and a logarithm have no end; a hyperbola is
 * what second-order dissolving gives, and ends far later than first order; a parabola of log time rises and falls. */
#ifndef POISE_SHAPE_H
#define POISE_SHAPE_H

#include <stdbool.h>
#include <stddef.h>

#include "poise/why.h"

#pragma GCC visibility push(default)

struct lack_of_fit {
    double f, p;
    double df, df_pure; /* of what the shape misses, of what replicates scatter */
    double ss, ss_pure;
};

/* residual[i] of a cup at level[i] (any numbers); `parameters` of the shape, `spent` more degrees of freedom (on
 * blocks).  Returns 0; -ENODATA when levels are no more than parameters, or replicates leave nothing; -ENOMEM. */
int shape_lack_of_fit(const double *residual, const int *level, size_t n, size_t parameters, double spent,
                      struct lack_of_fit *out);

enum shape {
    SHAPE_POWER,     /* a t^b */
    SHAPE_LOGARITHM, /* a + b ln t */
    SHAPE_HYPERBOLA, /* a + b t / (t + c), with and without a */
    SHAPE_LOG_CURVE, /* a + b ln t + c (ln t)^2 */
    SHAPE_TWO_RATES, /* a - b e^-ct - d e^-ft */
    SHAPE_CREEPING,  /* a - b e^-ct + d t: it never ends, or it falls in the end */
    SHAPE_COUNT
};

struct shape_fit {
    enum shape shape;
    bool fitted;
    size_t parameters;
    double value[5];
    double rss, aicc;
};

/* Each shape that so many different times can be fitted by, in the order of enum shape.  Times must be above zero.
 * Returns 0, -ENODATA with fewer than four different times, -ENOMEM. */
int shape_fit_all(const double *t, const double *e, size_t n, double spent, struct shape_fit out[SHAPE_COUNT]);

/* The probability that cups which creep on by `per_second` would show as little of it as these, by the profile of the
 * sum of squares: what is small is excluded.  NAN: not known. */
double shape_creeps_p(const double *t, const double *e, size_t n, double spent, const struct shape_fit *creeping,
                      double per_second);

double shape_at(const struct shape_fit *fit, double t);

/* Does this shape hold first order within it?  Then it fits at least as well always, and the question is whether it is
 * excluded. */
bool shape_holds_first_order(const struct shape_fit *fit);

/* Do these shapes leave first order, with its quick part, alone?  `rss` and `aicc` are its own.  Shapes that hold first
 * order within them must not fit better by more than luck brings, nor creep on by as much as would matter
 * (`creeps_p`, of shape_creeps_p; NAN: it may); the AICc of the others must be larger.  Returns the rival of the lowest
 * AICc, else the shape that comes nearest, NULL where there is none; *rivals says whether it is a rival. */
const struct shape_fit *shape_rival(const struct shape_fit fits[SHAPE_COUNT], size_t n, double spent, double rss,
                                    double aicc, double creeps_p, bool *rivals);

/* "a power law"; and "a power law, 5.1 t^0.26": for people. */
const char *shape_name(const struct shape_fit *fit);
void shape_words(const struct shape_fit *fit, char *out, size_t size);

#pragma GCC visibility pop

#endif
