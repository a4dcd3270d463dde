/* Decimal numbers as an instrument shows them; see decimal.h.
 * Not for arithmetic on measures. */
#include "poise/decimal.h"

#include <errno.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum {
    DIGITS_MOST = 18,  /* significant digits that always fit an int64_t */
    EXPONENT_MOST = 18 /* either way, by the contract of the header */
};

/* Every whole number up to here is exact in a double, and so are the powers of ten up to 10^22. */
#define DOUBLE_EXACT (INT64_C(1) << 53)

static const double exact_power[] = { 1e0,  1e1,  1e2,  1e3,  1e4,  1e5,  1e6,  1e7,  1e8, 1e9,
                                      1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18 };

int decimal_parse(const char *text, size_t length, struct decimal *out)
{
    size_t at = 0;
    bool negative = false, point = false, digit_seen = false;
    int64_t mantissa = 0;
    int significant = 0, after_point = 0;

    if (length > 0 && (text[0] == '+' || text[0] == '-'))
        negative = text[at++] == '-';
    for (; at < length; at++) {
        if (text[at] == '.') {
            if (point)
                return -EINVAL;
            point = true;
            continue;
        }
        if (text[at] < '0' || text[at] > '9')
            return -EINVAL;
        digit_seen = true;
        if (significant > 0 || text[at] != '0')
            significant++;
        if (significant <= DIGITS_MOST)
            mantissa = 10 * mantissa + (text[at] - '0');
        if (point && after_point <= EXPONENT_MOST)
            after_point++;
    }
    if (!digit_seen)
        return -EINVAL;
    if (significant > DIGITS_MOST || after_point > EXPONENT_MOST)
        return -ERANGE;
    out->mantissa = negative ? -mantissa : mantissa;
    out->exponent = -after_point;
    return 0;
}

int decimal_format(struct decimal value, char *out, size_t size)
{
    char digits[24], text[48];
    uint64_t magnitude = value.mantissa < 0 ? 0 - (uint64_t)value.mantissa : (uint64_t)value.mantissa;
    int count = 0, length = 0;

    do
        digits[count++] = (char)('0' + magnitude % 10);
    while ((magnitude /= 10) > 0);
    while (count <= -value.exponent && count < (int)sizeof digits)
        digits[count++] = '0'; /* 0.05 has a digit before its point */

    if (value.mantissa < 0)
        text[length++] = '-';
    while (count > 0) {
        text[length++] = digits[--count];
        if (count > 0 && count == -value.exponent)
            text[length++] = '.';
    }
    for (int zero = 0; zero < value.exponent && value.mantissa != 0; zero++)
        text[length++] = '0';
    if ((size_t)length >= size)
        return -ENOSPC;
    memcpy(out, text, (size_t)length);
    out[length] = '\0';
    return length;
}

double decimal_to_double(struct decimal value)
{
    char text[40];

    /* Both parts exact: one rounding, so the nearest. */
    if (value.mantissa <= DOUBLE_EXACT && value.mantissa >= -DOUBLE_EXACT)
        return value.exponent < 0 ? (double)value.mantissa / exact_power[-value.exponent]
                                  : (double)value.mantissa * exact_power[value.exponent];
    /* No point in the text: a locale cannot spoil it. */
    snprintf(text, sizeof text, "%llde%d", (long long)value.mantissa, value.exponent);
    return strtod(text, NULL);
}

double decimal_resolution(struct decimal value)
{
    return decimal_to_double((struct decimal){ 1, value.exponent });
}

int decimal_multiply(struct decimal a, struct decimal b, struct decimal *out)
{
    int64_t mantissa;
    int exponent = a.exponent + b.exponent;

    if (__builtin_mul_overflow(a.mantissa, b.mantissa, &mantissa) || exponent < -EXPONENT_MOST
        || exponent > EXPONENT_MOST)
        return -ERANGE;
    *out = (struct decimal){ mantissa, exponent };
    return 0;
}
