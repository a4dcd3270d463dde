/* A measure along a numeric factor that is not time: a line or a curve with its band, and whether a
 * rising series breaks.  Pure; x and y in any units.
 *
 * Sources: least squares, any textbook; continuous two-segment lines: Hudson, JASA 61, 1966;
 * permutation of residuals: Freedman & Lane, Journal of Business & Economic Statistics 1, 1983 (cited
 * from memory). */
#ifndef POISE_TREND_H
#define POISE_TREND_H

#include <stdbool.h>
#include <stddef.h>

#include "poise/interval.h"
#include "poise/why.h"

#pragma GCC visibility push(default)

enum { TREND_COEFFICIENTS = 3 };

/* y = c0 + c1 (x - centre) + c2 (x - centre)^2 */
struct trend {
    int degree; /* 1 or 2 */
    double centre;
    double coefficient[TREND_COEFFICIENTS];
    double covariance[TREND_COEFFICIENTS][TREND_COEFFICIENTS];
    double rss, spread; /* residual standard deviation; NAN without df */
    double aicc;
    size_t n, df;
};

/* Returns 0; -EINVAL for a number that is not finite or another degree; -ENODATA with fewer distinct x
 * than degree + 1; -ENOMEM. */
int trend_fit(const double *x, const double *y, size_t n, int degree, struct trend *out, struct why *why);

/* A line, or a curve when its AICc is lower by at least 2 and there are four distinct x. */
int trend_choose(const double *x, const double *y, size_t n, struct trend *out, struct why *why);

/* Takes off the degrees of freedom that were spent before, on blocks taken out of y. */
void trend_spend(struct trend *trend, size_t spent);

/* How sure it is that y changes with x at all, and that it does not follow a line: one family of questions.  Line, and
 * curve against nothing, share alpha 4 : 1; curve and break against the line halve it.  NAN: not asked. */
struct trend_family {
    double line, curve;  /* p of the line; of the curve of degree 2 against no change */
    double bent, broken; /* p of the curve against the line; of a break (trend_find_break) */
    double any;          /* p that anything changes, adjusted */
    double shape;        /* p that it is no line, adjusted */
};
void trend_family(const double *x, const double *y, size_t n, size_t spent, double p_break, struct trend_family *out);

/* The share of alpha that the line has in its family: its interval at 1 - alpha * TREND_LINE_SHARE agrees. */
#define TREND_LINE_SHARE 0.8

/* Does y surely rise towards some level, and surely fall from some level on (or the other way round)?  Slopes of the
 * cups at the first levels and at the last ones, all of them together at 1 - confidence, whatever the shape; spread and
 * df are those of one cup.  level[i] is x's place among `levels`, from 0. */
struct trend_ends {
    bool rises_first, falls_first, rises_last, falls_last;
};
int trend_ends(const double *x, const double *y, const int *level, size_t n, int levels, double spread, double df,
               double confidence, struct trend_ends *out);

double trend_at(const struct trend *trend, double x);
double trend_error_at(const struct trend *trend, double x); /* standard error of the mean there */
struct interval trend_interval_at(const struct trend *trend, double x, double confidence);

/* Change of y per unit of x at x, with its interval. */
double trend_slope_at(const struct trend *trend, double x, double confidence, struct interval *interval);

/* Where a curve turns: `at` and its interval between low and high, which holds every place where the slope may be
 * none (as Fieller, Suppl. J. R. Statist. Soc. 7, 1940, does for a ratio; from memory).  Returns 0 when the slopes at
 * low and at high are shown to point opposite ways, else -ENODATA: then no turn is shown. */
int trend_turn(const struct trend *trend, double low, double high, double confidence, double *at,
               struct interval *interval);

/* By how much `cups` more at x shrink the standard error of the slope at `at`: the ratio after / before. */
double trend_shrinks(const struct trend *trend, double at, double x, size_t cups);

/* Two straight pieces that meet at `at`. */
struct trend_break {
    double at;
    struct interval at_interval;             /* 95 %, by profile; inside the range of x */
    double value, slope_before, slope_after; /* value: of the two pieces where they meet */
    struct interval slope_after_interval;    /* 95 %, by profile: wherever the break may be */
    double aicc;                             /* of the two pieces, to hold against that of a curve */
    double f;                                /* how much better than one line */
    double p;                                /* share of permutations at least as good; their count sets the least */
};

/* Looks for a break between the second and the last but one distinct x.  Returns as trend_fit; -ENODATA
 * with fewer than five distinct x or six cups, or nothing left beside what was spent on blocks; -EDOM when the points
 * are a line without scatter. */
int trend_find_break(const double *x, const double *y, size_t n, size_t spent, int permutations, unsigned long seed,
                     struct trend_break *out, struct why *why);

/* By how much `cups` more at `x_more` shrink the standard error of the break's place: the ratio after / before, from
 * the Fisher information of the two pieces.  NAN when the cups do not show the place. */
double trend_break_shrinks(const double *x, size_t n, const struct trend_break *broken, double x_more, size_t cups);

#pragma GCC visibility pop

#endif
