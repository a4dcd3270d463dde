/* One sentence for people: what went wrong, where, and what to do about it.
 *
 * Every function that can fail takes a `struct why *` (never NULL) and fills it exactly when it
 * returns a failure.  The sentence carries no newline and no program name; the program that prints
 * it adds those. */
#ifndef POISE_WHY_H
#define POISE_WHY_H

#include <stddef.h>

#pragma GCC visibility push(default)

struct why {
    char text[320];
};

/* Writes the sentence, printf style, cut to fit.  Control characters that come in with untrusted
 * text are shown as '?'.  Leaves errno alone. */
void why_write(struct why *why, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* Puts words in front of the sentence that is there already: "left-scale: " and so on. */
void why_write_before(struct why *why, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* why_write() and why_write_before(), with the value of `error` (a negative errno or a reject reason), so that a caller
 * may write `return why_set(why, -EINVAL, "...")`.  Macros, so that whoever reads the caller, a static analyser too,
 * sees which value comes back. */
#define why_set(why, error, ...) (why_write(why, __VA_ARGS__), why_error(error))
#define why_prefix(why, error, ...) (why_write_before(why, __VA_ARGS__), why_error(error))

static inline int why_error(int error)
{
    return error;
}

#pragma GCC visibility pop

#endif
