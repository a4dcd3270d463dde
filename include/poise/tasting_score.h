/* What the answers to a question are, counted.  Pure. */
#ifndef POISE_TASTING_SCORE_H
#define POISE_TASTING_SCORE_H

#include <stdbool.h>
#include <stddef.h>

#include "poise/tasting.h"

#pragma GCC visibility push(default)

enum { SCORE_TASTERS = 40, SCORE_ANSWERS = 800, SCORE_LOOKS = 40 };

struct tasting_score {
    enum tasting_method method;
    int samples;
    unsigned answered;
    unsigned hits; /* right answers; of a pair, how often the second sample was chosen */
    unsigned sure, sure_right;
    unsigned chosen[TASTING_CUPS]; /* how often the cup at each place was named (first) */
    size_t tasters;
    struct {
        char name[33];
        unsigned hits, answered;
    } taster[SCORE_TASTERS];
    size_t rows; /* rankings and ratings: whose, and by sample the rank (1 first) or the rating */
    unsigned char of[SCORE_ANSWERS];
    unsigned char row[SCORE_ANSWERS][TASTING_CUPS];
    size_t looks; /* looked at after so many answers; the last one may be now */
    unsigned look[SCORE_LOOKS];
    bool reached;      /* a look's bound was reached */
    unsigned left_out; /* answers that do not count: the taster had seen the map of the cups */
};

void tasting_score_begin(struct tasting_score *score, enum tasting_method method, int samples);

/* Adds the answer to one set: the places as tasting_answer_read gives them.  Returns 0, or -ENOSPC when there are
 * too many tasters or rows. */
int tasting_score_add(struct tasting_score *score, const struct tasting_set *set, const int *place, bool sure,
                      const char *taster);

/* Somebody looked now (before the end). */
void tasting_score_looked(struct tasting_score *score);

#pragma GCC visibility pop

#endif
