/* Quantities and units: the one place that knows their names and how they convert.
 *
 * Conversions are exact decimals.  Sources: International Yard and Pound Agreement of 1959
 * (1 lb = 453.59237 g, 1 oz = 1/16 lb, 1 troy ounce = 31.1034768 g), 1 carat = 0.2 g (4th CGPM
 * 1907), SI Brochure 9th edition (1 bar = 100 kPa), NIST SP 811 (1 psi = 6.894757 kPa, rounded). */
#ifndef POISE_UNITS_H
#define POISE_UNITS_H

#include <stddef.h>

#include "poise/decimal.h"

#pragma GCC visibility push(default)

enum quantity {
    QUANTITY_NONE,
    QUANTITY_MASS,             /* on the bus in g */
    QUANTITY_STRENGTH,         /* %, mass per mass */
    QUANTITY_BRIX,             /* °Bx */
    QUANTITY_REFRACTIVE_INDEX, /* no unit: nD */
    QUANTITY_TEMPERATURE,      /* °C */
    QUANTITY_PRESSURE,         /* kPa */
    QUANTITY_COUNT
};

enum unit {
    UNIT_NONE,
    UNIT_MILLIGRAM,
    UNIT_GRAM,
    UNIT_KILOGRAM,
    UNIT_CARAT,
    UNIT_TROY_OUNCE,
    UNIT_OUNCE,
    UNIT_POUND,
    UNIT_PIECES, /* a counting scale: read, but no mass */
    UNIT_PERCENT,
    UNIT_BRIX,
    UNIT_REFRACTIVE_INDEX,
    UNIT_CELSIUS,
    UNIT_FAHRENHEIT,
    UNIT_KILOPASCAL,
    UNIT_BAR,
    UNIT_PSI,
    UNIT_COUNT
};

/* "mass", "strength", "brix", "refractive-index", "temperature", "pressure". */
const char *quantity_name(enum quantity quantity);

/* QUANTITY_NONE when the name is none of them. */
enum quantity quantity_find(const char *name);

/* The unit in which the bus, the journal and the store carry this quantity. */
enum unit quantity_unit(enum quantity quantity);

/* "g", "kg", "oz", "%", "°Bx", "nD", "°C", "kPa" ... as messages carry it. */
const char *unit_name(enum unit unit);

/* What an instrument may print for a unit, in any case: "g", "GM", "kg", "lb", "lbs", "oz", "ozt",
 * "ct", "mg", "pcs", "%", "Bx", "Brix", "nD", "C", "F", "kPa", "bar", "psi" and those with a degree
 * sign (0xB0, 0xDF, or C2 B0) before the letter.  UNIT_NONE when it is none of them. */
enum unit unit_find(const char *text, size_t length);

/* What a unit measures; QUANTITY_NONE for UNIT_NONE and UNIT_PIECES.  UNIT_PERCENT says
 * QUANTITY_STRENGTH; a configuration may read it as brix. */
enum quantity unit_quantity(enum unit unit);

/* Converts into the bus unit of the quantity, with digits enough that rounding costs less than a
 * hundredth of the last digit shown, and the worth of that digit in the bus unit.
 * Returns 0, or -EINVAL when the unit does not measure the quantity, -ERANGE when it does not fit;
 * the outputs are untouched on failure. */
int unit_convert(struct decimal shown, enum unit unit, enum quantity quantity, struct decimal *value,
                 double *resolution);

#pragma GCC visibility pop

#endif
