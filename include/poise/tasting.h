/* A blind tasting's key: which cup gets which code and place, drawn before pouring and sealed.
 *
 * Pure but for the random source, which is an argument.  Terms: ISO 4120, ISO 5495, ISO 8587,
 * ISO 10399.  Not for statistics: discrimination.h. */
#ifndef POISE_TASTING_H
#define POISE_TASTING_H

#include <stdbool.h>
#include <stdint.h>

#include "poise/discrimination.h"
#include "poise/why.h"

#pragma GCC visibility push(default)

enum {
    TASTING_CUPS = 10,      /* most cups in a set */
    TASTING_SETS = 200,     /* most sets in a session */
    TASTING_SEAL_SIZE = 65, /* SHA-256 in hexadecimal */
    TASTING_KEY_SIZE = 16384
};

/* One set as it stands before the taster: from left to right a code and what is in the cup
 * (0: the first sample, 1: the second, ...). */
struct tasting_set {
    int cups;
    int code[TASTING_CUPS]; /* 100 to 999; alone, without a helper, the places 1, 2, 3 ... */
    unsigned char sample[TASTING_CUPS];
    int reference; /* duo-trio: the sample served as reference; else -1 */
};

/* Cups in a set: 3, 5, 2 (beside the reference), 2, or the samples of a ranking. */
int tasting_cups(enum tasting_method method, int samples);

/* How many different orders there are: 6, 20, 4, 2; for a ranking the rows of a Williams design
 * (each sample in each place, and after each other sample, equally often). */
int tasting_orders(enum tasting_method method, int samples);

/* Random whole number from 0 to below `limit`, all alike; context is the caller's. */
typedef uint32_t tasting_random(void *context, uint32_t limit);

/* Draws `sets` sets: the orders balanced (in every run of tasting_orders() sets each order occurs
 * once, in random sequence), codes of three digits, none twice.  `samples` is 2 except for a ranking
 * (3 to 10).  Returns 0, or -EINVAL with a sentence. */
int tasting_draw(enum tasting_method method, int samples, int sets, tasting_random *uniform, void *context,
                 struct tasting_set *out, struct why *why);

/* The number of the right answer, 0 for the leftmost cup: the odd one of a triangle, the cup like the
 * reference in a duo-trio; for two-of-five the two that are alike as (first * 10 + second); -1 where
 * there is no right answer (paired, ranking). */
int tasting_right(enum tasting_method method, const struct tasting_set *set);

/* Reads what a taster says of a set: the codes of the odd one (triangle), of the two alike
 * (two-of-five), of the one like the reference (duo-trio), of the preferred one (paired), or of all
 * from first to last (ranking), with blanks or commas between.  `place` gets the cups meant, 0 for the
 * leftmost, ascending for two-of-five.  Returns their number, or -EINVAL with a sentence. */
int tasting_answer_read(enum tasting_method method, const struct tasting_set *set, const char *text,
                        int place[TASTING_CUPS], struct why *why);

/* True when the places are the right answer; false too where there is none. */
bool tasting_answer_right(enum tasting_method method, const struct tasting_set *set, const int *place);

/* The key as one text, the same for ever: session, method, samples and salt, then a line per set.
 * Its SHA-256 is the seal that is shown before pouring; anyone may check it with sha256sum.
 * `salt` is hexadecimal.  Returns the length, or -ENOSPC. */
int tasting_key_write(const char *session, enum tasting_method method, const char *const *sample_names, int samples,
                      const char *salt, const struct tasting_set *sets, int count, char out[TASTING_KEY_SIZE]);

/* Reads the sets back from a key text.  Returns how many, or -EINVAL with a sentence. */
int tasting_key_read(const char *key, struct tasting_set *out, int most, struct why *why);

/* SHA-256 (FIPS 180-4) of a key text in hexadecimal. */
void tasting_seal(const char *key, char out[TASTING_SEAL_SIZE]);

/* Uniform random numbers from the system's own source (getrandom). */
uint32_t tasting_system_random(void *context, uint32_t limit);

#pragma GCC visibility pop

#endif
