/* Measurement uncertainty after JCGM 100:2008 (GUM).  Pure.  Every u is a standard uncertainty in
 * the unit of its value; NAN in, NAN out. */
#ifndef POISE_UNCERTAINTY_H
#define POISE_UNCERTAINTY_H

#include <stdbool.h>
#include <stddef.h>

#pragma GCC visibility push(default)

/* A last digit worth d: d / sqrt(12)  (JCGM 100, 4.3.7, F.2.2.1). */
double uncertainty_of_resolution(double resolution);

/* The same of a number as somebody wrote it: "1.40" is read off something that shows hundredths.  NAN where the digits
 * do not say ("2e2"). */
double uncertainty_of_digits(const char *number);

/* Mean of replicates: s / sqrt(n)  (JCGM 100, 4.2.3).  NAN when n < 2. */
double uncertainty_of_mean(const double *values, size_t n);

/* y = ratio x through the origin, fitted to n pairs with the standard uncertainties u of y (NULL: all alike, from how
 * they miss the line): weighted least squares (JCGM 100, H.3 with one parameter).  Pairs that miss the line by more
 * than their uncertainties widen it (Birge's ratio).  False when n < 2 or nothing has a size; outputs are then
 * untouched. */
bool uncertainty_of_ratio(const double *x, const double *y, const double *u, size_t n, double *ratio, double *ratio_u);

/* Independent parts: the root of the sum of squares; parts that are NAN are left out
 * (all of them: NAN). */
double uncertainty_combined(const double *parts, size_t n);

/* u of extraction in the cup: u2 = (B/D uS)2 + (S/D uB)2 + (S B/D2 uD)2 (JCGM 100, 5.1.2).
 * Strengths and result in percentage points. */
double uncertainty_of_extraction(double strength_pct, double u_strength, double beverage_g, double u_beverage,
                                 double dose_g, double u_dose);

/* u of extraction_total_pct, the same way from S W / ((1 - S) D). */
double uncertainty_of_extraction_total(double strength_pct, double u_strength, double water_g, double u_water,
                                       double dose_g, double u_dose);

/* u of (W - B) / D. */
double uncertainty_of_retained(double water_g, double u_water, double beverage_g, double u_beverage, double dose_g,
                               double u_dose);

#pragma GCC visibility pop

#endif
