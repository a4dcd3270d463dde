/* A linear model with one random effect: what settings and covariates do to cups of several sittings, how much cups of
 * one sitting differ, and how much sittings do.  Pure; values in any unit; NAN where something is not known.
 *
 * Cups are handed in one by one; only sums are kept.  Columns that say the same are no mistake: what they leave open
 * cannot be estimated, and is refused.
 *
 * Sources: restricted maximum likelihood: Patterson & Thompson, Biometrika 58, 1971; degrees of freedom of a sum of
 * variances: Satterthwaite, Biometrics Bulletin 2, 1946; an interval of a variance component from two mean squares:
 * Williams, Biometrika 49, 1962 (all cited from memory). */
#ifndef POISE_MIXED_H
#define POISE_MIXED_H

#include <stddef.h>

#include "poise/comparison.h"
#include "poise/interval.h"
#include "poise/why.h"

#pragma GCC visibility push(default)

enum { MIXED_COLUMNS = 96 };

struct mixed;

/* `columns` of the model, of which the first is the constant, 1 for every cup.  NULL: no memory, or too many columns.
 */
struct mixed *mixed_new(size_t columns);
void mixed_free(struct mixed *mixed);

/* One cup: its row of the model, what was measured, and its sitting (any number).  Returns 0 or -ENOMEM. */
int mixed_add(struct mixed *mixed, const double *row, double value, int sitting);

struct mixed_fit {
    size_t n, sittings, rank;
    double within, between;                            /* standard deviations of a cup, of a sitting */
    double df_within, df_between;                      /* of them; 0: nothing shows it */
    struct interval within_interval, between_interval; /* at the confidence asked for; NAN: not known */
};

/* Fits; without two sittings, or where sittings cannot be separated from the columns, by least squares.  Returns 0;
 * -ENODATA when columns leave no cup; -EDOM when cups follow the columns without any scatter; -ENOMEM. */
int mixed_solve(struct mixed *mixed, double confidence, struct mixed_fit *out, struct why *why);

/* Cups that are not brewed yet, in sittings of their own. */
struct mixed_more {
    int cups, sittings;
};

/* After mixed_solve: the sum of weight[i] x coefficient[i], with a t's interval; with `more`, instead the interval in
 * which the mean of those cups is expected (of one sitting alone where nothing shows how sittings differ).  Returns 0;
 * -ENODATA where the cups do not show it. */
int mixed_contrast(const struct mixed *mixed, const double *weight, const struct mixed_more *more, double confidence,
                   struct difference *out);

/* Standard error and degrees of freedom of a sum that holds so many times the variance of a cup and that of a sitting:
 * two cups of two sittings differ by 2 and 2.  They come from two mean squares, each with its own (Satterthwaite). */
void mixed_spread(const struct mixed *mixed, double cups, double sittings, struct difference *out);

#pragma GCC visibility pop

#endif
