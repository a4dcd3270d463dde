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
 * text are shown as '?'.  Returns `error` (a negative errno or a reject reason), so that a caller
 * may write `return why_set(why, -EINVAL, "...")`. */
int why_set(struct why *why, int error, const char *format, ...) __attribute__((format(printf, 3, 4)));

/* Puts words in front of the sentence that is there already: "left-scale: " and so on.
 * Returns `error`. */
int why_prefix(struct why *why, int error, const char *format, ...) __attribute__((format(printf, 3, 4)));

#pragma GCC visibility pop

#endif
