/* What the files of the assigner share (samples.h): samples.c subtracts water and answers, samples_accounts.c carries
 * the accounts of a morning, samples_turns.c knows whose turn it is and when. */
#ifndef POISE_SAMPLES_PARTS_H
#define POISE_SAMPLES_PARTS_H

#include "samples.h"

/* ---- samples_turns.c ---- */

/* How the people of one account go about it: counted as samples begin. */
struct habits {
    double taken, skipped;    /* cups that were next, and those that were passed over */
    double on, back;          /* while one is passed over: the row went on, or back to it */
    double first, again;      /* samples of a cup not read before, and of one that was */
    double own, shared;       /* of two instruments: each keeps to its station's cups, or takes whichever is next */
    double on_time, late;     /* cups that were full, and those that were read before their end was recorded */
    double waited, waits;     /* mean logarithm of the seconds from full to read, and from how many */
    double repeated, repeats; /* the same of the seconds from one reading of a sample to the next */
    bool two;                 /* people, with an instrument each */
    signed char last[SAMPLES_INSTRUMENTS]; /* the cup that each read last; SAMPLES_NO_CUP: none */
};

/* That the sample which begins is of this cup. */
struct choice {
    double log_chance; /* -INFINITY: it cannot be */
    enum choice_kind { CHOICE_NEXT, CHOICE_BACK, CHOICE_AGAIN } kind;
    bool late;
    double back_possible; /* how well it could have been one that was passed over */
    int skipped;
    double own, old; /* shares: that the instrument keeps to its station; that the sample was waited for */
};

void habits_begin(const struct samples *samples, struct habits *habits);

/* Weighs each cup, `read` of which an account has given readings already; gap_s: since the instrument's reading
 * before, NAN: none. */
void turns_weigh(const struct samples *samples, const struct habits *habits, const unsigned char *read, int reading,
                 double gap_s, bool after_blank, struct choice *out);

/* It was this cup. */
void turns_learn(const struct samples *samples, struct habits *habits, const struct choice *choice, int reading,
                 int cup);

/* Logarithm of the density, per second, of a further reading of the same sample after so long. */
double turns_further(const struct habits *habits, double gap_s);
void turns_learn_further(struct habits *habits, double gap_s);

/* The same of a sample that begins, of nobody knows what. */
double turns_begin(double gap_s);

/* ---- samples_accounts.c ---- */

/* A morning whose water is found and subtracted. */
struct morning {
    struct samples *samples;
    bool blank[SAMPLES_READINGS];
    double corrected_pct[SAMPLES_READINGS], blank_pct[SAMPLES_READINGS], blank_u_pct[SAMPLES_READINGS];
    double before_pct[SAMPLES_READINGS]; /* what was read on the same instrument before; NAN: nothing */
    double repeat_v;                     /* variance of one reading */
};

/* What the accounts come to for one reading. */
struct belief {
    double share[SAMPLES_CUPS + 1]; /* that it is of each cup, and of none */
    int sample;                     /* in the likeliest account */
};

/* `out` for each reading of the morning; untouched for water.  0 or -ENOMEM. */
int accounts_believe(const struct morning *morning, struct belief *out);

/* Strength for each percent of extraction, of a cup of this dose and water. */
double strength_per_extraction(const struct sample_cup *cup, double extraction_pct);
extern const double USUAL_EXTRACTION_PCT;

#endif
