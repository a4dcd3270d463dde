/* What the files of the assigner share (samples.h): samples.c finds water and answers, samples_accounts.c carries
 * the accounts of a morning, samples_turns.c knows whose turn it is and when, samples_curve.c what a cup should come
 * to. */
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
    double free_s[SAMPLES_INSTRUMENTS];    /* when each read something last; 0: nothing yet */
    double chosen_s[SAMPLES_INSTRUMENTS];  /* when each was free to reach for that cup */
};

/* That the sample which begins is of this cup. */
struct choice {
    double log_chance; /* -INFINITY: it cannot be */
    enum choice_kind { CHOICE_NEXT, CHOICE_BACK, CHOICE_AGAIN } kind;
    double late;          /* how likely its end was recorded too late */
    double back_possible; /* how well it could have been one that was passed over */
    int skipped;
    double own, old; /* shares: that the instrument keeps to its station; that the sample was waited for */
};

void habits_begin(const struct samples *samples, struct habits *habits);

/* Weighs each cup, `read` of which an account has given readings already; gap_s: since the instrument's reading
 * before, NAN: none.  What comes back is the chance that it is of no cup that the bench knows, since none waits. */
double turns_weigh(const struct samples *samples, const struct habits *habits, const unsigned char *read, int reading,
                   double gap_s, bool after_blank, struct choice *out);

/* It was this cup. */
void turns_learn(const struct samples *samples, struct habits *habits, const struct choice *choice, int reading,
                 int cup);

/* The person at this instrument was busy until now. */
void turns_read(const struct samples *samples, struct habits *habits, int reading);

/* Logarithm of the density, per second, of a further reading of the same sample after so long. */
double turns_further(const struct habits *habits, double gap_s);
void turns_learn_further(struct habits *habits, double gap_s);

/* The same of a sample that begins, of nobody knows what. */
double turns_begin(double gap_s);

/* ---- samples_curve.c ---- */

enum { SHAPE_PARTS = 5, CURVE_PARTS = SHAPE_PARTS + SAMPLES_INSTRUMENTS - 1 };

/* What of a cup decides its extraction. */
struct shape {
    double of[SHAPE_PARTS];         /* extraction for each part of the curve */
    double dose_per_water, share_u; /* share_u: relative */
    double unknown_v;               /* of its extraction, where its steep time is not known */
};

/* The day's coffee and the instruments, as one account of the morning has it: normal, with a covariance. */
struct curve {
    double of[CURVE_PARTS], v[CURVE_PARTS][CURVE_PARTS];
    double squares, freedom; /* of cups about it */
    int count;               /* of the parts in use */
};

/* Strength for each percent of extraction: E = 100 S W / ((100 - S) D), about E itself. */
double strength_per_extraction(double dose_per_water, double extraction_pct);

void shapes_find(const struct samples *samples, struct shape *shapes);
void curve_begin(const struct samples *samples, struct curve *curve);

/* What this instrument should show of a cup that was not read before, percent; as Student's t of this variance and
 * freedom. */
double curve_expect(const struct curve *curve, const struct shape *shape, int instrument, double *variance,
                    double *freedom);
/* It showed this. */
void curve_learn(struct curve *curve, const struct shape *shape, int instrument, double strength_pct, double noise_v);

/* How much more this instrument shows of the same than another. */
double curve_offset_pct(const struct curve *curve, int instrument, int from, double *variance);

/* ---- samples_accounts.c ---- */

/* A morning whose water is found and subtracted. */
struct morning {
    struct samples *samples;
    bool blank[SAMPLES_READINGS];
    double corrected_pct[SAMPLES_READINGS], blank_pct[SAMPLES_READINGS], blank_u_pct[SAMPLES_READINGS];
    double before_pct[SAMPLES_READINGS]; /* what was read on the same instrument before; NAN: nothing */
    double repeat_v;                     /* variance of one reading */
    struct shape shape[SAMPLES_CUPS];
};

/* Fills what water showed, and the readings less that: `blank` says which readings are of water.  0 or -ENOMEM. */
int water_subtract(struct morning *morning);

/* What the accounts come to for one reading. */
struct belief {
    double share[SAMPLES_CUPS + 1]; /* that it is of each cup, and of none */
    int sample;                     /* in the likeliest account */
};

/* `out` for each reading of the morning; untouched for water.  0 or -ENOMEM. */
int accounts_believe(const struct morning *morning, struct belief *out);


#endif
