/* Whether cups show where extraction ends, and when a share of that is reached: what poise-report claims and the timer
 * shows is decided here.  Pure; times in seconds, values in any unit.
 *
 * First order, as fitted (kinetics.h), is believed where the cups bound it, where it misses their levels by no more
 * than replicates scatter, and where no other shape that ends elsewhere or nowhere does as well (shape.h). */
#ifndef POISE_BEND_H
#define POISE_BEND_H

#include <stdbool.h>
#include <stddef.h>

#include "poise/kinetics.h"
#include "poise/shape.h"
#include "poise/why.h"

#pragma GCC visibility push(default)

/* Cups to which other shapes are fitted: of more the replicates show alone what the curve misses. */
enum { BEND_SHAPES_MOST = 1000 };

struct bend_verdict {
    bool has_lack;
    struct lack_of_fit lack;       /* of the curve, against replicates */
    struct lack_of_fit other_lack; /* of the one without the quick part; df 0: not known */
    bool misfit;                   /* the curve misses the levels by more than replicates scatter */
    bool rivalled;                 /* another shape, one that ends elsewhere or nowhere, fits as well */
    struct shape_fit rival;        /* the best of the others; not fitted: none */
};

/* Cup i, of level[i] (any number for each planned time), gave e[i] after t[i]; `fit` and `other` are kinetics_choose's
 * of them; `spent`: degrees of freedom spent on blocks taken out of e.  Where memory is short nothing is found. */
void bend_judge(const double *t, const double *e, const int *level, size_t n, double spent,
                const struct kinetics_fit *fit, const struct kinetics_fit *other, double share,
                struct bend_verdict *out);

struct bend {
    struct kinetics_fit fit;
    size_t cups;  /* that it is of */
    double at_s;  /* when `share` of the plateau is reached; NAN: not within the steeps of these cups */
    double share; /* that was asked for */
};

/* The curve through the whole replicates among n cups, in the order in which they were brewed: what a part of the next
 * adds waits for the rest of it, since cups of one replicate have its day in common.  0; -ENODATA, with the reason,
 * where they do not show where extraction ends; or as kinetics_choose_planned. */
int bend_of_cups(const double *t, const double *e, const int *level, size_t n, double share, struct bend *out,
                 struct why *why);

#pragma GCC visibility pop

#endif
