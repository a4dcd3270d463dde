/* The cups of one experiment as a curve of extraction against steep time, out of a store.
 *
 * Which cups count is said here once: ended, extraction known, plan kept (or nothing said of it),
 * every factor but the steep time the same.  The time is the one measured, else the one planned.
 * The curve through them: bend_of_cups(). */
#ifndef POISE_STORE_CURVE_H
#define POISE_STORE_CURVE_H

#include <jansson.h>
#include <stddef.h>

#include "poise/stages.h"
#include "poise/store.h"
#include "poise/why.h"

#pragma GCC visibility push(default)

struct store_curve {
    double *t, *e; /* seconds, percent of the dose; owned, as `level` is */
    int *level;    /* a number for each steep time that was planned, 0 to times - 1 */
    size_t n;      /* cups, in the order in which they were brewed */
    int times;     /* different steep times among the plans of these cups */
};

/* The earlier cups of `experiment` that differ from a run of it in nothing but the steep time: `factors` is what the
 * run varies, `held` what it holds (objects as messages carry them; held may be NULL); what one plan varied another
 * may have held.  No such cup is no failure: n is 0.  -EINVAL when `factors` has no steep_s: there is no curve
 * against it.  Returns 0 or a negative errno; store_curve_free after success. */
int store_curve_read(struct store *store, const char *experiment, json_t *factors, const json_t *held,
                     struct store_curve *out, struct why *why);
void store_curve_free(struct store_curve *curve);

/* A measure in a row of brew_summary; NAN where it is not known or cannot be true of a brew: a store may have been
 * edited or damaged since its messages were checked. */
double store_believable(sqlite3_stmt *row, int column, enum measure measure);

#pragma GCC visibility pop

#endif
