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
 * with fewer than five distinct x or six cups; -EDOM when the points are a line without scatter. */
int trend_find_break(const double *x, const double *y, size_t n, int permutations, unsigned long seed,
                     struct trend_break *out, struct why *why);

/* By how much `cups` more at `x_more` shrink the standard error of the break's place: the ratio after / before, from
 * the Fisher information of the two pieces.  NAN when the cups do not show the place. */
double trend_break_shrinks(const double *x, size_t n, const struct trend_break *broken, double x_more, size_t cups);

#pragma GCC visibility pop

#endif
