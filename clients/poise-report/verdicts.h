/* Verdicts on variables: made in verdicts.c, reported in verdicts_words.c. */
#ifndef POISE_REPORT_VERDICTS_H
#define POISE_REPORT_VERDICTS_H

#include "poise/store_tasting.h"
#include "report.h"
#include "words/words.h"

enum { VARIABLES = 128 };

enum verdict { VERDICT_KEEP, VERDICT_DROP, VERDICT_UNDECIDED };

struct variable {
    char factor[WORDS_SIZE], experiment[WORDS_SIZE];
    char better[2 * WORDS_SIZE], worse[2 * WORDS_SIZE]; /* levels of this factor (others in brackets) */
    char advice[SENTENCE_SIZE];                         /* what the recipe says of it */
    enum measure measure;                               /* what it was judged by */
    double effect,
        raw; /* better - worse: what is left of it when its own error is out; as it was seen; NAN: not judged */
    struct interval interval;
    double p_beyond, p_together; /* that it is beyond the margin: alone, and with all variables (Holm) */
    char take_best[WORDS_SIZE], take_simple[WORDS_SIZE]; /* the level that gives most; the one that costs less */
    char refused[400];                                   /* why there is no verdict; empty: nothing stands beside it */
    double cost_s, cost_steps;                           /* how much more the better takes; NAN: not known */
    char tasting[3 * SCORE_SENTENCE];                    /* empty: none */
    double tasting_p;
    enum verdict verdict;
    size_t cups;
};

struct verdicts {
    const struct request *request;
    double margin;
    struct variable variable[VARIABLES];
    int count;
    double spread, spread_df;
};

void verdicts_document(const struct verdicts *verdicts, struct document *out);
json_t *verdicts_json(const struct verdicts *verdicts);

#endif
