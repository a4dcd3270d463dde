/* The verdict of a question that was put to tasters blind, with its uncertainty.
 *
 * For a report: tasting_verdicts() gives one struct for each question asked of an experiment, with the finding, how
 * sure, what share of people or of tastings, and a sentence a person can read aloud.  It checks every seal and chain
 * first; a session that was tampered with makes its question TASTING_UNJUDGED with the reason. */
#ifndef POISE_TASTING_VERDICT_H
#define POISE_TASTING_VERDICT_H

#include <stdbool.h>

#include "poise/discrimination.h"
#include "poise/interval.h"
#include "poise/tasting_score.h"
#include "poise/tasting_text.h"

#pragma GCC visibility push(default)

enum tasting_finding {
    TASTING_UNJUDGED,  /* nothing may be concluded: not at its end, not blind, tampered with, nobody left */
    TASTING_NOT_SHOWN, /* no difference shown: neither different nor the same */
    TASTING_DIFFERENT, /* a difference, or a preference, is shown */
    TASTING_SAME       /* the similarity test's limit was kept: the same, to within it */
};

enum { TASTING_SENTENCE = 1024, TASTING_CAUTION = 512 };

/* Degrees between the samples beyond which warmth may be what is tasted (common practice, no source). */
#define TASTING_UNEVEN_C 3.0

struct tasting_verdict {
    enum tasting_method method;
    char question[DETAIL_SIZE], experiment[TASTING_NAME_SIZE];
    int sample_count;
    struct tasting_sample sample[TASTING_CUPS]; /* their `level` is the plan's factors as JSON */
    enum tasting_finding finding;
    int favoured; /* the sample preferred, or called more; first of a ranking; -1: none */
    double p;     /* exact; NAN: not judged */
    double level; /* what p is held against */
    unsigned answered, hits, planned;
    const char *unjudged; /* why nothing was judged; NULL: it was */
    unsigned left_out;    /* answers of tasters who had seen the map */
    double proportion; /* right, or for the favoured sample; degree: points further than the control; ranking: share in
                          which the first-named came before the last */
    struct interval proportion_95;
    double share; /* who distinguish the cups; of a pair: favoured above one half, doubled */
    struct interval share_95;
    double dprime;
    struct interval dprime_95;
    double limit;     /* "the same" means fewer than this share */
    bool one_taster;  /* it speaks of this taster, not of people */
    bool over_people; /* the interval is for people of whom the tasters are a sample */
    char whose[TASTING_NAME_SIZE];
    size_t tasters;
    struct {
        char name[33];
        unsigned hits, answered;
    } taster[SCORE_TASTERS];
    unsigned sure, sure_right;
    unsigned chosen[TASTING_CUPS]; /* how often the cup at each place was named */
    double p_alike;                /* small: tasters differ among themselves; NAN: not asked */
    bool alone, served_by_taster, not_compared, by_eye, looked, uneven_temperature;
    int sessions, asked;             /* the same samples by the same method so many times: alpha is shared */
    char sentence[TASTING_SENTENCE]; /* the verdict, to read aloud */
    char caution[TASTING_CAUTION];   /* what weakens it; empty: nothing */
};

/* Judges what was counted, by the rule in the session's text: finding, p, level, favoured, and what is plain from
 * the counts.  Looks in the score are paid for.  Pure, as are the next two. */
void tasting_judge(const struct tasting_session *session, const struct tasting_score *score,
                   struct tasting_verdict *out);

/* Then how much: proportion, share, d' and their intervals, and whether tasters differ.  Takes milliseconds. */
void tasting_measure(const struct tasting_session *session, const struct tasting_score *score,
                     struct tasting_verdict *out);

/* Then the sentence and the cautions. */
void tasting_state_verdict(const struct tasting_session *session, struct tasting_verdict *out);

/* The verdicts of all questions asked of an experiment (NULL: of all, also of none), in the order in which they
 * were first asked; only of sessions whose key was opened.  Returns their count, at most `most`; or a negative
 * errno.  `out` is the caller's; a struct is 8 KB. */
struct store;
int tasting_verdicts(struct store *store, const char *experiment, struct tasting_verdict *out, int most,
                     struct why *why);

/* Somebody looks now, before the end, at a record that is unlocked: the least number right that shows a difference
 * here and now (0: none), and whether it is reached.  -EPERM with a sentence where looks were not planned. */
struct tasting_record;
int tasting_look(const struct tasting_record *record, unsigned *answered, unsigned *bound, bool *reached,
                 struct why *why);

/* What so many sets could show at all, before anyone pours: two or three sentences.  Returns out. */
char *tasting_outlook(const struct tasting_session *session, char out[TASTING_SENTENCE]);

/* The number of sets that the method needs to have the power wanted, and keep it whatever n above; 0: more than
 * 500. */
unsigned tasting_sets_needed(enum tasting_method method, int samples, double alpha, double power, double share);

#pragma GCC visibility pop

#endif
