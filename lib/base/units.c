/* Quantities and units: names and exact conversions; see units.h. */
#include "poise/units.h"

#include <errno.h>
#include <string.h>
#include <strings.h>

__extension__ typedef __int128 wide;

static const char *const quantity_names[QUANTITY_COUNT] = {
    [QUANTITY_NONE] = "none",
    [QUANTITY_MASS] = "mass",
    [QUANTITY_STRENGTH] = "strength",
    [QUANTITY_BRIX] = "brix",
    [QUANTITY_REFRACTIVE_INDEX] = "refractive-index",
    [QUANTITY_TEMPERATURE] = "temperature",
    [QUANTITY_PRESSURE] = "pressure",
};

static const enum unit bus_units[QUANTITY_COUNT] = {
    [QUANTITY_NONE] = UNIT_NONE,
    [QUANTITY_MASS] = UNIT_GRAM,
    [QUANTITY_STRENGTH] = UNIT_PERCENT,
    [QUANTITY_BRIX] = UNIT_BRIX,
    [QUANTITY_REFRACTIVE_INDEX] = UNIT_REFRACTIVE_INDEX,
    [QUANTITY_TEMPERATURE] = UNIT_CELSIUS,
    [QUANTITY_PRESSURE] = UNIT_KILOPASCAL,
};

/* One row per unit.  The factor leads to the bus unit; sources in the header. */
static const struct {
    const char *name;
    enum quantity quantity;
    struct decimal factor;
} units[UNIT_COUNT] = {
    [UNIT_NONE] = { "", QUANTITY_NONE, { 1, 0 } },
    [UNIT_MILLIGRAM] = { "mg", QUANTITY_MASS, { 1, -3 } },
    [UNIT_GRAM] = { "g", QUANTITY_MASS, { 1, 0 } },
    [UNIT_KILOGRAM] = { "kg", QUANTITY_MASS, { 1, 3 } },
    [UNIT_CARAT] = { "ct", QUANTITY_MASS, { 2, -1 } },
    [UNIT_TROY_OUNCE] = { "ozt", QUANTITY_MASS, { 311034768, -7 } },
    [UNIT_OUNCE] = { "oz", QUANTITY_MASS, { 28349523125, -9 } },
    [UNIT_POUND] = { "lb", QUANTITY_MASS, { 45359237, -5 } },
    [UNIT_PIECES] = { "pcs", QUANTITY_NONE, { 1, 0 } },
    [UNIT_PERCENT] = { "%", QUANTITY_STRENGTH, { 1, 0 } },
    [UNIT_BRIX] = { "°Bx", QUANTITY_BRIX, { 1, 0 } },
    [UNIT_REFRACTIVE_INDEX] = { "nD", QUANTITY_REFRACTIVE_INDEX, { 1, 0 } },
    [UNIT_CELSIUS] = { "°C", QUANTITY_TEMPERATURE, { 1, 0 } },
    [UNIT_FAHRENHEIT] = { "°F", QUANTITY_TEMPERATURE, { 1, 0 } }, /* 5/9 is no decimal: see fahrenheit() */
    [UNIT_KILOPASCAL] = { "kPa", QUANTITY_PRESSURE, { 1, 0 } },
    [UNIT_BAR] = { "bar", QUANTITY_PRESSURE, { 1, 2 } },
    [UNIT_PSI] = { "psi", QUANTITY_PRESSURE, { 6894757, -6 } },
};

/* What instruments print, in lower case (common practice, no source). */
static const struct {
    const char *text;
    enum unit unit;
} spellings[] = {
    { "g", UNIT_GRAM },
    { "gm", UNIT_GRAM },
    { "gr", UNIT_GRAM },
    { "gram", UNIT_GRAM },
    { "grams", UNIT_GRAM },
    { "kg", UNIT_KILOGRAM },
    { "kgs", UNIT_KILOGRAM },
    { "mg", UNIT_MILLIGRAM },
    { "lb", UNIT_POUND },
    { "lbs", UNIT_POUND },
    { "oz", UNIT_OUNCE },
    { "ozt", UNIT_TROY_OUNCE },
    { "ct", UNIT_CARAT },
    { "pcs", UNIT_PIECES },
    { "pc", UNIT_PIECES },
    { "%", UNIT_PERCENT },
    { "bx", UNIT_BRIX },
    { "brix", UNIT_BRIX },
    { "nd", UNIT_REFRACTIVE_INDEX },
    { "c", UNIT_CELSIUS },
    { "f", UNIT_FAHRENHEIT },
    { "kpa", UNIT_KILOPASCAL },
    { "bar", UNIT_BAR },
    { "psi", UNIT_PSI },
};

const char *quantity_name(enum quantity quantity)
{
    return quantity_names[quantity];
}

enum quantity quantity_find(const char *name)
{
    for (int quantity = QUANTITY_NONE + 1; quantity < QUANTITY_COUNT; quantity++)
        if (strcmp(name, quantity_names[quantity]) == 0)
            return (enum quantity)quantity;
    return QUANTITY_NONE;
}

enum unit quantity_unit(enum quantity quantity)
{
    return bus_units[quantity];
}

const char *unit_name(enum unit unit)
{
    return units[unit].name;
}

/* Bytes of a degree sign at the start: Latin-1, the usual LCD set, UTF-8. */
static size_t degree_sign(const char *text, size_t length)
{
    if (length >= 2 && memcmp(text, "\xc2\xb0", 2) == 0)
        return 2;
    return length >= 1 && (text[0] == '\xb0' || text[0] == '\xdf');
}

enum unit unit_find(const char *text, size_t length)
{
    size_t degree = degree_sign(text, length);

    text += degree;
    length -= degree;
    for (size_t i = 0; i < sizeof spellings / sizeof *spellings; i++) {
        enum unit unit = spellings[i].unit;

        if (strlen(spellings[i].text) != length || strncasecmp(text, spellings[i].text, length) != 0)
            continue;
        if (degree > 0 && unit != UNIT_CELSIUS && unit != UNIT_FAHRENHEIT && unit != UNIT_BRIX)
            return UNIT_NONE; /* nobody prints degrees of grams: a damaged byte */
        return unit;
    }
    return UNIT_NONE;
}

enum quantity unit_quantity(enum unit unit)
{
    return units[unit].quantity;
}

static wide divide_rounded(wide value, wide by)
{
    wide half = by / 2;

    return value < 0 ? -((-value + half) / by) : (value + half) / by;
}

static wide wide_power(int exponent)
{
    wide power = 1;

    while (exponent-- > 0)
        power *= 10;
    return power;
}

/* The result needs no digit finer than a fiftieth of the resolution: rounding to it costs at most
 * a hundredth of the last digit shown. */
static int exponent_enough(double resolution)
{
    int exponent = -18;

    while (exponent < 18 && decimal_resolution((struct decimal){ 1, exponent + 1 }) <= resolution / 50)
        exponent++;
    return exponent;
}

/* mantissa x 10^exponent into a decimal, rounded to `enough` where it is finer. */
static int narrow(wide mantissa, int exponent, int enough, struct decimal *out)
{
    if (exponent < enough) {
        mantissa = divide_rounded(mantissa, wide_power(enough - exponent));
        exponent = enough;
    }
    for (; exponent > 18; exponent--)
        if ((mantissa *= 10) > INT64_MAX || mantissa < INT64_MIN)
            return -ERANGE;
    if (mantissa > INT64_MAX || mantissa < INT64_MIN)
        return -ERANGE;
    *out = (struct decimal){ (int64_t)mantissa, exponent };
    return 0;
}

/* (F - 32) x 5/9.  Two digits more than shown are enough: a hundredth of 1 °F is a fiftieth of 5/9 °C. */
static int fahrenheit(struct decimal shown, struct decimal *value, double *resolution)
{
    wide mantissa = shown.mantissa;
    int exponent = shown.exponent, error;

    for (; exponent > 0; exponent--)
        if ((mantissa *= 10) > INT64_MAX || mantissa < INT64_MIN)
            return -ERANGE;
    if (exponent < -16)
        return -ERANGE;
    mantissa = divide_rounded((mantissa - 32 * wide_power(-exponent)) * 500, 9);
    error = narrow(mantissa, exponent - 2, exponent - 2, value);
    if (error == 0)
        *resolution = decimal_resolution(shown) * 5 / 9;
    return error;
}

int unit_convert(struct decimal shown, enum unit unit, enum quantity quantity, struct decimal *value,
                 double *resolution)
{
    struct decimal factor = units[unit].factor;
    double worth = decimal_resolution(shown) * decimal_to_double(factor);
    int error;

    if (quantity == QUANTITY_NONE
        || (units[unit].quantity != quantity && !(unit == UNIT_PERCENT && quantity == QUANTITY_BRIX)))
        return -EINVAL;
    if (unit == UNIT_FAHRENHEIT)
        return fahrenheit(shown, value, resolution);
    error =
        narrow((wide)shown.mantissa * factor.mantissa, shown.exponent + factor.exponent, exponent_enough(worth), value);
    if (error == 0)
        *resolution = worth;
    return error;
}
