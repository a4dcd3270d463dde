/* Measurement uncertainty after JCGM 100:2008; see uncertainty.h. */
#include "poise/uncertainty.h"

#include <math.h>
#include <string.h>

#include "poise/brew.h"

double uncertainty_of_resolution(double resolution)
{
    return resolution >= 0 ? resolution / sqrt(12) : NAN;
}

double uncertainty_of_digits(const char *number)
{
    static const char digits[] = "0123456789";
    const char *whole = number + strspn(number, "+-"), *end = whole + strspn(whole, digits);
    size_t decimals = 0;

    if (*end == '.') {
        decimals = strspn(end + 1, digits);
        end += 1 + decimals;
    }
    if (*end || end == whole)
        return NAN;
    return uncertainty_of_resolution(pow(10, -(double)decimals));
}

double uncertainty_of_mean(const double *values, size_t n)
{
    double mean = 0, squares = 0;

    if (n < 2)
        return NAN;
    for (size_t i = 0; i < n; i++)
        mean += values[i] / (double)n;
    for (size_t i = 0; i < n; i++)
        squares += (values[i] - mean) * (values[i] - mean);
    return sqrt(squares / (double)(n - 1) / (double)n);
}

bool uncertainty_of_ratio(const double *x, const double *y, const double *u, size_t n, double *ratio, double *ratio_u)
{
    double xx = 0, xy = 0, squares = 0, scatter, fitted;

    for (size_t i = 0; i < n; i++) {
        double weight = u ? 1 / (u[i] * u[i]) : 1;

        xx += weight * x[i] * x[i];
        xy += weight * x[i] * y[i];
    }
    if (n < 2 || !(xx > 0) || !isfinite(xx))
        return false;
    fitted = xy / xx;
    for (size_t i = 0; i < n; i++)
        squares += pow((y[i] - fitted * x[i]) / (u ? u[i] : 1), 2);
    scatter = sqrt(squares / (double)(n - 1));
    *ratio = fitted;
    *ratio_u = (u ? fmax(scatter, 1) : scatter) / sqrt(xx);
    return true;
}

double uncertainty_combined(const double *parts, size_t n)
{
    double squares = 0;
    size_t known = 0;

    for (size_t i = 0; i < n; i++) {
        if (isnan(parts[i]))
            continue;
        squares += parts[i] * parts[i];
        known++;
    }
    return known > 0 ? sqrt(squares) : NAN;
}

/* The root of the sum of three squares, where one that is not known leaves no answer. */
static double root_of_squares(double a, double b, double c)
{
    return sqrt(a * a + b * b + c * c);
}

double uncertainty_of_extraction(double strength_pct, double u_strength, double beverage_g, double u_beverage,
                                 double dose_g, double u_dose)
{
    if (!(dose_g > 0))
        return NAN;
    return root_of_squares(beverage_g / dose_g * u_strength, strength_pct / dose_g * u_beverage,
                           strength_pct * beverage_g / (dose_g * dose_g) * u_dose);
}

double uncertainty_of_extraction_total(double strength_pct, double u_strength, double water_g, double u_water,
                                       double dose_g, double u_dose)
{
    double water_share, total_pct;

    if (!(dose_g > 0) || !(strength_pct < 100))
        return NAN;
    water_share = 1 - strength_pct / 100;
    total_pct = extraction_total_pct(strength_pct, water_g, dose_g);
    return root_of_squares(water_g / dose_g / (water_share * water_share) * u_strength,
                           strength_pct / water_share / dose_g * u_water, total_pct / dose_g * u_dose);
}

double uncertainty_of_retained(double water_g, double u_water, double beverage_g, double u_beverage, double dose_g,
                               double u_dose)
{
    if (!(dose_g > 0))
        return NAN;
    return root_of_squares(u_water / dose_g, u_beverage / dose_g, (water_g - beverage_g) / (dose_g * dose_g) * u_dose);
}
