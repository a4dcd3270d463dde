/* Extraction against time: first-order fits, where returns diminish, and the next cup worth brewing.
 *
 * The model is E(t) = E0 + (E1 - E0)(1 - exp(-k t)): a quick part E0 washed off at once and a plateau E1 that is
 * approached at the rate k.  Without E0 the answers are sure of what the cups do not show: it stays in them wherever
 * there are cups enough to fit it, also below zero, which is a late beginning.  Pure; times in seconds, k
 * in 1/s, extraction in percentage points (any unit does: results are in it).  NAN in, NAN out.
 *
 * Sources: first order after Box, Hunter & Hunter, Statistics for Experimenters, 1978 (the BoxBOD
 * data), and the same form as NIST StRD Misra1a; AICc: Hurvich & Tsai, Biometrika 76, 1989; profile
 * likelihood: Bates & Watts, Nonlinear Regression Analysis, 1988; one linear unknown solved out:
 * Golub & Pereyra, SIAM J. Numer. Anal. 10, 1973; difference of two intervals: Zou & Donner, Statistics in Medicine 27,
 * 2008; designs: Atkinson & Donev, Optimum Experimental Designs, 1992 (all cited from memory). */
#ifndef POISE_KINETICS_H
#define POISE_KINETICS_H

#include <stdbool.h>
#include <stddef.h>

#include "poise/interval.h"
#include "poise/why.h"

#pragma GCC visibility push(default)

/* The cups: t[i] seconds gave e[i].  Several cups at one time are welcome.  They may be put together: then e[i]
 * is the mean of weight[i] cups and `within` the sum of the squares by which they miss their means.  The sum of
 * squares of any curve splits so, and with it every answer below is the same. */
struct kinetics_data {
    const double *t, *e;
    size_t n;
    const double *weight; /* NULL: one cup each */
    double within;
    double spent; /* degrees of freedom spent before, on blocks taken out of e */
};

/* Puts cups of one time together, in the order of time, into `room`, which has place for 3 n numbers and must
 * outlive `out`.  Returns 0 or -ENOMEM. */
int kinetics_gather(const struct kinetics_data *data, double *room, struct kinetics_data *out);

enum { KINETICS_PLATEAU, KINETICS_RATE, KINETICS_QUICK, KINETICS_PARAMETERS };

struct kinetics_fit {
    bool quick;                            /* with the quick part */
    double value[KINETICS_PARAMETERS];     /* E1, k, E0 (0 without quick part) */
    double deviation[KINETICS_PARAMETERS]; /* asymptotic standard deviations; 0 where fixed */
    double rss;                            /* residual sum of squares */
    double spread;                         /* residual standard deviation */
    double aicc;                           /* INFINITY when there are too few cups for one */
    size_t n, df;                          /* cups; cups less free parameters and what was spent */
};

/* E at time t. */
double kinetics_at(const struct kinetics_fit *fit, double t);

/* E(t) / E1: the share of the plateau reached by then. */
double kinetics_share_at(const struct kinetics_fit *fit, double t);

/* Fits one model; least squares by Levenberg-Marquardt from the best of a scan over k.  Returns 0;
 * -EINVAL for a number that is not finite, a negative time; -ENODATA with fewer than three distinct
 * times (and five cups, with the quick part); -EDOM when all cups are alike or nothing rises. */
int kinetics_fit(const struct kinetics_data *data, bool quick, struct kinetics_fit *out, struct why *why);

/* The same from a given start (E1, k, E0), for comparison with certified results. */
int kinetics_fit_from(const struct kinetics_data *data, bool quick, const double start[KINETICS_PARAMETERS],
                      struct kinetics_fit *out, struct why *why);

/* The one that answers: with the quick part wherever it can be fitted.  `other` (may be NULL) gets the one without;
 * its n is 0 when it is the one chosen. */
int kinetics_choose(const struct kinetics_data *data, struct kinetics_fit *out, struct kinetics_fit *other,
                    struct why *why);

/* The same for cups brewed by a plan: -ENODATA with fewer than three planned times, since repeats of two lie a
 * little apart and would pass for more. */
int kinetics_choose_planned(const struct kinetics_data *data, int planned_times, struct kinetics_fit *out,
                            struct kinetics_fit *other, struct why *why);

/* p of the quick part: the probability that the curve without it (`plain`) would miss the cups by so much more than
 * the one with it.  NAN where either is not fitted. */
double kinetics_quick_p(const struct kinetics_fit *quick, const struct kinetics_fit *plain);

/* --- where returns diminish --- */

enum kinetics_quantity {
    QUANTITY_OF_PLATEAU, /* E1 */
    QUANTITY_OF_RATE,    /* k */
    QUANTITY_OF_SHARE,   /* first t where the share `share` of E1 is reached */
    QUANTITY_OF_GAIN,    /* first t where another `step_s` seconds bring less than `least` points */
    QUANTITY_OF_DOUBLING /* first t beyond ln 2 / k where doubling the time brings less than `least` */
};

struct kinetics_question {
    enum kinetics_quantity quantity;
    double share;  /* 0.95 */
    double step_s; /* 30 */
    double least;  /* points: 0.3, or 0.5 for doubling */
};

/* The answer at these parameters. */
double kinetics_answer(const struct kinetics_fit *fit, const struct kinetics_question *question);

/* The answer's profile-likelihood interval.  A bound the data do not set is -INFINITY or INFINITY
 * (0 and INFINITY for times and k): "not identified".  Returns 0, -EINVAL, -ENODATA when no degree of
 * freedom is left. */
int kinetics_interval(const struct kinetics_data *data, const struct kinetics_fit *fit,
                      const struct kinetics_question *question, double confidence, struct interval *out);

/* True when the cups set bounds on both sides of plateau and rate: then the curve may be reported. */
bool kinetics_identified(const struct kinetics_data *data, const struct kinetics_fit *fit, double confidence);

/* Difference a - b of two independent estimates from their intervals. */
struct interval kinetics_difference(double a, struct interval of_a, double b, struct interval of_b);

/* Standard error of the curve at t, from the asymptotic covariance: for a band. */
double kinetics_error_at(const struct kinetics_data *data, const struct kinetics_fit *fit, double t);

/* --- the next cup --- */

/* By how much `cups` more at `t` shrink the standard error of the answer: the ratio after / before
 * (0 to 1), from the Fisher information (c-optimality).  NAN when the information is singular. */
double kinetics_shrinks(const struct kinetics_data *data, const struct kinetics_fit *fit,
                        const struct kinetics_question *question, double t, size_t cups);

/* The time among t_least .. t_most, to a whole second, at which one more cup shrinks it most. */
double kinetics_next(const struct kinetics_data *data, const struct kinetics_fit *fit,
                     const struct kinetics_question *question, double t_least, double t_most);

#pragma GCC visibility pop

#endif
