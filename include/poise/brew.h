/* Brew arithmetic: extraction, retained liquid, pressure.  Pure; masses in grams, strengths in
 * percent (mass per mass), results as their names say.  NAN in, NAN out; NAN wherever a question
 * has no answer.
 *
 * Sources: mass balances as printed with every brewing chart since Lockhart, The Soluble Solids in
 * Beverage Coffee as an Index to Cup Quality, 1957 (cited from memory); full immersion: Liang, Chan,
 * Ristenpart, Scientific Reports 11, 2021, s41598-021-85787-1. */
#ifndef POISE_BREW_H
#define POISE_BREW_H

#pragma GCC visibility push(default)

/* Share of the dry dose that reached the cup: S B / D. */
double extraction_in_cup_pct(double strength_pct, double beverage_g, double dose_g);

/* Grams dissolved in all the water, cup and bed: S W / (1 - S), all liquid being as strong as the cup. */
double dissolved_g(double strength_pct, double water_g);

/* Share of the dry dose that dissolved at all. */
double extraction_total_pct(double strength_pct, double water_g, double dose_g);

/* Liquid held back per gram of coffee: (W - B) / D. */
double retained_g_per_g(double water_g, double beverage_g, double dose_g);

/* Water that brings the cup to a target strength S': V = B (S / S' - 1), from S' = S B / (B + V).  Negative: the cup is
 * weaker as it is. */
double dilution_g(double strength_pct, double beverage_g, double target_pct);

/* Dose that brings the water to a target strength without any added, if as much of each gram dissolves:
 * extraction_total_pct solved for the dose. */
double dose_for_strength_g(double target_pct, double water_g, double extraction_total_pct);

/* Brix of a sucrose solution with this refractive index at 20 C and 589 nm, -0.4 to 30: between the entries of the
 * ICUMSA scale of 1974 (SPS-3; table cited from memory, not checked against a printed one) by a parabola through three
 * of them, which meets its further entries within 0.01.  NAN outside.  Nothing is corrected for another temperature: a
 * sample one degree warmer reads about 0.067 Brix too low (OIV-MA-AS2-02, table I, at 10 %). */
double brix_of_refractive_index(double index);

/* Pressure under a piston that shows `mass_g` on the scale: m g0 / A, g0 = 9.80665 m/s2 (3rd CGPM
 * 1901).  60 mm: 3.468393 kPa per kilogram.  NAN unless the diameter is positive. */
double press_pressure_kpa(double mass_g, double piston_diameter_mm);

#pragma GCC visibility pop

#endif
