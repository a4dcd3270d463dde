/* The cups of a blind tasting: which gets which code and place, and which answer is right.
 *
 * Pure but for the random source, which is an argument.  Terms: ISO 4120, ISO 5495, ISO 8587,
 * ISO 10399.  Not for statistics (discrimination.h), nor for what is kept (tasting_record.h). */
#ifndef POISE_TASTING_H
#define POISE_TASTING_H

#include <stdbool.h>
#include <stdint.h>

#include "poise/tasting_method.h"
#include "poise/why.h"

#pragma GCC visibility push(default)

enum {
    TASTING_CUPS = 10,   /* most cups in a set */
    TASTING_SETS = 200,  /* most sets in a session */
    TASTING_RATING = 10, /* a degree of difference: 0 like the control, 10 could not be further away */
};

/* One set as it stands before the taster: from left to right a code and, where the key is open, what is in the
 * cup (0: the first sample, 1: the second, ...). */
struct tasting_set {
    int cups;
    int code[TASTING_CUPS]; /* 100 to 999; alone, without a helper, the places 1, 2, 3 ... */
    unsigned char sample[TASTING_CUPS];
    int reference; /* duo-trio, degree: the sample served openly as reference; else -1 */
};

/* Cups with a code in a set: 3, 5, 2 (beside the reference), 4, 2, 2, the samples of a ranking, 2 (beside the
 * control). */
int tasting_cups(enum tasting_method method, int samples);

/* How many different orders there are: 6, 20, 4, 6, 2, 2, the rows of a Williams design (each sample in each
 * place, and after each other sample, equally often), 2. */
int tasting_orders(enum tasting_method method, int samples);

/* Random whole number from 0 to below `limit`, all alike; context is the caller's. */
typedef uint32_t tasting_random(void *context, uint32_t limit);

/* Draws `sets` sets, with codes of three digits, none twice.  `samples` is 2 except for a ranking (3 to 10); in
 * degree the first sample is the control.
 *
 * No set can be inferred from the others.  Which sample is the odd one, the pair, the reference (in a ranking: which
 * row of the design) is balanced by a biased coin: what has come k times more than the rarest is drawn with 2^-k of
 * its chance (Efron, Biometrika 58, 1971; for more than two, Smith, Biometrika 71, 1984).  The place of the right
 * answer, and the order of a pair, is drawn fairly for every set: balanced as well, it would follow a pattern, and
 * whoever takes the places in turn would be right oftener than the tables of luck say (6 % in place of 5 in a
 * duo-trio of 30).  But a draw in which one place comes more than 2.5 standard deviations too often is replaced nine
 * times in ten (rerandomization: Morgan and Rubin, Annals of Statistics 40, 2012, from memory), which leaves the
 * tables true to 0.0005 for up to 100 sets (computed).  Returns 0, or -EINVAL with a sentence. */
int tasting_draw(enum tasting_method method, int samples, int sets, tasting_random *uniform, void *context,
                 struct tasting_set *out, struct why *why);

/* Whether the samples of a set are such as the method serves (each sample there, as often as it must be). */
bool tasting_set_possible(enum tasting_method method, int samples, const struct tasting_set *set);

/* Reads what a taster answers: the codes, or the places 1, 2, 3 ... from the left, of the odd one (triangle), of
 * the two alike (two-of-five, tetrad), of the one like the reference (duo-trio), of the chosen one (directional,
 * preference), or of all from first to last (ranking), with blanks or commas between; in degree as many ratings
 * 0 to 10 as cups, from left to right.  `place` gets the cups meant, 0 for the leftmost, ascending for the two
 * alike (of a tetrad's two pairs the one with the leftmost cup); in degree the ratings.  Returns their number, or
 * -EINVAL with a sentence. */
int tasting_answer_read(enum tasting_method method, const struct tasting_set *set, const char *text,
                        int place[TASTING_CUPS], struct why *why);

/* True when the places are the right answer; false too where there is none. */
bool tasting_answer_right(enum tasting_method method, const struct tasting_set *set, const int *place);

/* Uniform random numbers from the system's own source (getrandom). */
uint32_t tasting_system_random(void *context, uint32_t limit);

#pragma GCC visibility pop

#endif
