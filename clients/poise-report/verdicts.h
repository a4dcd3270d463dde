/* Verdicts on variables: made in verdicts.c, reported in verdicts_words.c. */
#ifndef POISE_REPORT_VERDICTS_H
#define POISE_REPORT_VERDICTS_H

#include "poise/tasting_verdict.h"
#include "report.h"
#include "together.h"
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
    /* two factors that depend on each other: why the recipe leaves the better level of this one out, and what is left
     * of it there; empty: it does not */
    char left_out[240];
    struct difference left;
    char refused[400];                                /* why there is no verdict; empty: nothing stands beside it */
    bool borrowed;                                    /* one cup a level: no step of a recipe */
    double cost_s, cost_steps;                        /* how much more the better takes; NAN: not known */
    char tasting[TASTING_SENTENCE + TASTING_CAUTION]; /* empty: none */
    char preferred[WORDS_SIZE];                       /* the sample that was preferred blind, if one was; empty: none */
    double tasting_p;
    enum verdict verdict;
    size_t cups;
    char depends_on[WORDS_SIZE]; /* the other factor of its experiment, where that they depend on each other is shown */

    /* its levels' means, for what other experiments say of the same ones; levels 0: not known */
    int levels;
    char label[LEVELS][WORDS_SIZE];
    double mean[LEVELS], covariance[LEVELS * LEVELS], df;
    int combined;          /* so many experiments speak for it together; 0: its own alone */
    bool covered_by_other; /* another experiment's row has what this one says */
    char combines[400];    /* which experiments, and what each found */
};

struct verdicts {
    const struct request *request;
    double margin;
    struct variable variable[VARIABLES];
    int count;
    double spread, spread_df;  /* of cups meant to be alike, days and all */
    struct together *together; /* all cups in one model; NULL: there is none */
    struct cups cups;          /* all of them */
};

/* The experiment of the cups that confirm a recipe: its cups vary nothing. */
#define RECIPE_EXPERIMENT "confirm-recipe"

/* Judges every variable of every experiment in the store.  Returns 0 or a negative errno. */
int verdicts_make(const struct request *request, struct verdicts *out, struct why *why);
void verdicts_free(struct verdicts *verdicts);

/* All cups in one model of a measure.  Returns 0 or a negative errno. */
int verdicts_together(const struct verdicts *verdicts, enum measure measure, struct together **out, struct why *why);

/* Says so where the measure has no usual margin and none was given. */
bool verdicts_know_margin(const struct request *request);

/* Of several experiments on one variable, is this the one that speaks for it? */
bool verdicts_leads(const struct verdicts *verdicts, int place);

/* "+30 s, +1 step"; empty: nothing. */
void verdicts_cost(const struct variable *variable, char out[64]);

/* How much cups of one day differ, and how much days do, with intervals: in words, and as a claim. */
void verdicts_repeatability(const struct verdicts *verdicts, const struct together *together, enum measure measure,
                            struct document *out);
json_t *verdicts_repeatability_claim(const struct together *together, enum measure measure);

void verdicts_document(const struct verdicts *verdicts, struct document *out);
json_t *verdicts_json(const struct verdicts *verdicts);

#endif
