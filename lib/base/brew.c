/* Brew arithmetic; sources and units in brew.h. */
#include "poise/brew.h"

#include <math.h>

#define STANDARD_GRAVITY_M_PER_S2 9.80665 /* 3rd CGPM, 1901 */

double extraction_in_cup_pct(double strength_pct, double beverage_g, double dose_g)
{
    if (!(dose_g > 0))
        return NAN; /* no coffee, no answer */
    return strength_pct * beverage_g / dose_g;
}

double dissolved_g(double strength_pct, double water_g)
{
    if (!(strength_pct < 100))
        return NAN; /* nothing but solids: there is no water left to have poured */
    return strength_pct * water_g / (100 - strength_pct);
}

double extraction_total_pct(double strength_pct, double water_g, double dose_g)
{
    if (!(dose_g > 0))
        return NAN;
    return 100 * dissolved_g(strength_pct, water_g) / dose_g;
}

double retained_g_per_g(double water_g, double beverage_g, double dose_g)
{
    if (!(dose_g > 0))
        return NAN;
    return (water_g - beverage_g) / dose_g;
}

double dilution_g(double strength_pct, double beverage_g, double target_pct)
{
    if (!(target_pct > 0))
        return NAN;
    return beverage_g * (strength_pct / target_pct - 1);
}

double dose_for_strength_g(double target_pct, double water_g, double extraction_total_pct)
{
    if (!(extraction_total_pct > 0))
        return NAN;
    return 100 * dissolved_g(target_pct, water_g) / extraction_total_pct;
}

double brix_of_refractive_index(double index)
{
    static const struct {
        double brix, index;
    } scale[] = {
        { 0, 1.33299 }, { 5, 1.34026 }, { 10, 1.34782 }, { 15, 1.35568 }, { 20, 1.36384 }, { 30, 1.38115 },
    };
    enum { ENTRIES = sizeof scale / sizeof *scale };
    static const double least = 1.3324; /* water that is warm, or not quite clean */
    double brix = 0;
    int first = 0;

    if (!(index >= least && index <= scale[ENTRIES - 1].index))
        return NAN;
    while (first < ENTRIES - 3 && index > scale[first + 1].index)
        first++;
    for (int i = first; i < first + 3; i++) {
        double weight = 1;

        for (int j = first; j < first + 3; j++)
            if (j != i)
                weight *= (index - scale[j].index) / (scale[i].index - scale[j].index);
        brix += weight * scale[i].brix;
    }
    return brix;
}

double press_pressure_kpa(double mass_g, double piston_diameter_mm)
{
    double area_mm2;

    if (!(piston_diameter_mm > 0))
        return NAN;
    area_mm2 = M_PI / 4 * piston_diameter_mm * piston_diameter_mm;
    return mass_g * STANDARD_GRAVITY_M_PER_S2 / area_mm2; /* mN per mm2 is kPa */
}
