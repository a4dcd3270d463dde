/* Decimal numbers as an instrument shows them: digits and the place of the point, never a binary
 * fraction.  12.30 stays 12.30; its last digit is the instrument's resolution.
 *
 * Not for arithmetic on measures: those are double, with an uncertainty. */
#ifndef POISE_DECIMAL_H
#define POISE_DECIMAL_H

#include <stddef.h>
#include <stdint.h>

#pragma GCC visibility push(default)

/* value = mantissa x 10^exponent; exponent -18 to 18 */
struct decimal {
    int64_t mantissa;
    int exponent;
};

/* Reads [+-]digits[.digits] and nothing else: no blanks, no thousands, no exponent, at least one
 * digit; "12." and ".5" are read.  Minus zero is zero.  Returns 0, -EINVAL when the text is not
 * such a number, -ERANGE when it has more than 18 significant digits.  `out` is untouched on failure. */
int decimal_parse(const char *text, size_t length, struct decimal *out);

/* Writes the number with exactly the digits it has ("12.30", "-3", "1200" for 12e2) and a NUL.
 * Returns the length, or -ENOSPC when `size` is too small (40 always suffices). */
int decimal_format(struct decimal value, char *out, size_t size);

/* The nearest double. */
double decimal_to_double(struct decimal value);

/* The worth of the last digit: 0.01 for 12.30.  Always positive. */
double decimal_resolution(struct decimal value);

/* a x b exactly.  Returns 0, or -ERANGE when it does not fit. */
int decimal_multiply(struct decimal a, struct decimal b, struct decimal *out);

#pragma GCC visibility pop

#endif
