/* What the answers of one or more blind tastings of the same question come to.  Pure. */
#ifndef POISE_TASTING_SCORE_H
#define POISE_TASTING_SCORE_H

#include <stdbool.h>
#include <stddef.h>

#include "poise/tasting.h"

#pragma GCC visibility push(default)

enum {
    SCORE_TASTERS = 40, /* more are counted together as the last one */
    SCORE_RANKINGS = 400,
    SCORE_SENTENCE = 640
};

/* Significance used for verdicts and the power used for "could have been seen": ISO 4120's customary
 * 5 %, and 80 % (common practice, no source). */
#define TASTING_ALPHA 0.05
#define TASTING_POWER 0.80

struct tasting_score {
    enum tasting_method method;
    int samples;
    unsigned answered, right;
    unsigned sure, sure_right;     /* of the answered, those given as sure, and of these the right ones */
    unsigned chosen[TASTING_CUPS]; /* how often the cup at each place was named (first) */
    unsigned preferred[2];         /* paired: how often each sample was */
    size_t tasters;
    struct {
        char name[33];
        unsigned right, answered;
    } taster[SCORE_TASTERS];
    size_t rankings; /* rows of ranks: by sample, 1 = first */
    unsigned char rank[SCORE_RANKINGS * TASTING_CUPS];
};

void tasting_score_begin(struct tasting_score *score, enum tasting_method method, int samples);

/* Adds the answer to one set: the places as tasting_answer_read gives them. */
void tasting_score_add(struct tasting_score *score, const struct tasting_set *set, const int *place, bool sure,
                       const char *taster);

/* Probability that luck alone does as well: exact binomial; with several tasters of whom one answered
 * more than once, that of the beta-binomial (`over_tasters` says so); for a ranking Friedman's.
 * NAN without answers. */
double tasting_score_p(const struct tasting_score *score, bool *over_tasters);

/* What it means, in one sentence a person can say aloud: what was right, how likely by luck, and
 * whether the cups can be distinguished; "no difference shown" with the least that could have been seen.
 * `sample` are the names of the samples. Returns out. */
char *tasting_score_sentence(const struct tasting_score *score, const char *const *sample, char out[SCORE_SENTENCE]);

/* What so many sets could show at all, before anyone tastes: one or two sentences.  Returns out. */
char *tasting_outlook(enum tasting_method method, int samples, unsigned sets, char out[SCORE_SENTENCE]);

/* The trade's common words for taste, that are counted: "sweet", "sour", "bitter", "harsh", "hollow",
 * "clean", "body". */
enum { TASTING_WORDS = 7 };
extern const char *const tasting_words[TASTING_WORDS];

/* Adds 1 for every common word that stands in the text as a word of its own, in any case. */
void tasting_words_count(const char *text, unsigned count[TASTING_WORDS]);

/* "sweet: 75 s 3, 180 s 0; clean: ..." for the words that were said at all; empty when none was.  Returns out. */
char *tasting_words_text(const unsigned count[][TASTING_WORDS], const char *const *sample, int samples,
                         char out[SCORE_SENTENCE]);

#pragma GCC visibility pop

#endif
