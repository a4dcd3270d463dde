/* Which cup each strength reading is of.
 *
 * Samples are read minutes after the cups, one cup after the other, and nobody says which: a reading too few, one too
 * many or a cup passed over, and every later cup has its neighbour's strength.  So the readings of a morning are looked
 * at together.  A sample is what lies between two borders: water read in between, a pause, the instrument's own reset,
 * a step larger than its readings differ among themselves.  It belongs to the cup that fits it best: the one whose turn
 * it is, that was ready by then, that still wants readings, and whose dose, water and steep time lead to about this
 * strength, by what the other cups of the morning came to.
 *
 * The answer is a chance, not a guess: where no cup reaches SAMPLES_CLEAR the readings are no cup's yet, and their two
 * likeliest cups are the question to ask.  What the operator said stands, and the rest is fitted around it.  Later
 * readings may settle or correct what was answered before: call again with all of them.
 *
 * Pure: no clock, no I/O; works in memory of its own and gives it back.  Strengths are percent, mass per mass; times
 * are microseconds on one clock. */
#ifndef POISE_SAMPLES_H
#define POISE_SAMPLES_H

#include <stdbool.h>
#include <stdint.h>

enum {
    SAMPLES_READINGS = 96,   /* most readings of one question, blanks included: the newest are what matters */
    SAMPLES_CUPS = 32,       /* most cups */
    SAMPLES_INSTRUMENTS = 4, /* most refractometers */
    SAMPLES_NO_CUP = -1
};

/* A cup has a reading when the chance that it is right is at least so much; below it is asked. */
extern const double SAMPLES_CLEAR;

/* Fines in a sample that passed no syringe filter make it read too high, by up to so much (no source: two last digits
 * of a hand-held refractometer).  u is that over the root of three (JCGM 100, 4.3.7), and nothing is subtracted. */
extern const double SAMPLES_UNFILTERED_PCT;

/* A zero that nobody looked at is off by up to so much (no source: what benches are seen to drift by); as with fines.
 */
extern const double SAMPLES_ZERO_PCT;

/* What the operator said of a reading. */
enum sample_remark {
    SAMPLE_OPEN,     /* nothing: to be found */
    SAMPLE_OF_CUP,   /* it is of `cup` */
    SAMPLE_OF_NONE,  /* it is of no cup */
    SAMPLE_IS_BLANK, /* it is of water */
};

/* One reading off a refractometer, blanks included. */
struct sample_reading {
    double shown_pct;      /* as shown: water not yet subtracted */
    double resolution_pct; /* worth of the last digit shown */
    int64_t at_us;
    int instrument;           /* 0 to SAMPLES_INSTRUMENTS - 1: which refractometer */
    double temperature_u_pct; /* of what its temperature does to it, where the instrument does not correct; 0: none */
    bool unfiltered;          /* it passed no syringe filter */
    bool reset; /* the instrument was set to zero since its reading before: drift begins again at nothing */
    enum sample_remark said;
    int cup; /* with SAMPLE_OF_CUP */
};

/* One cup, in the order in which they stand: the order in which they were brewed. */
struct sample_cup {
    int64_t begun_us;       /* the brew began: no sample was taken before */
    int64_t ready_us;       /* it was full; a sample read before is not impossible: its end may have been found late */
    double dose_g, water_g; /* NAN: not known */
    double steep_s;         /* steep time; NAN: not known */
    int station;            /* which brewer it was made on: any number of its own */
    int wanted;             /* readings wanted of it; 0: none, its strength came another way */
    bool discarded;         /* it was thrown away: what was read of it is no cup's */
    int64_t discarded_us;   /* when: hardly anybody reads it later */
};

/* What is known of the instruments. */
struct sample_instrument {
    double accuracy_pct; /* from its manual: it may be wrong by so much either way, all day; NAN: not known */
};

/* What became of a reading. */
enum sample_found {
    SAMPLE_FOUND,  /* it is of `cup` */
    SAMPLE_BLANK,  /* water, or a clean prism: of no cup */
    SAMPLE_UNSURE, /* to be asked: `cup` is the likeliest, `other` the next */
    SAMPLE_STRAY,  /* it fits no cup there is, or one that was discarded */
};

struct sample_verdict {
    enum sample_found found;
    int cup;             /* SAMPLES_NO_CUP: none */
    double chance;       /* that `cup` is right, 0 to 1 */
    int other;           /* the next likeliest cup; SAMPLES_NO_CUP: none */
    double other_chance; /* of that one */
    int sample;   /* counts the samples of the morning from 0, in the order of their first readings; a blank: -1 */
    bool suspect; /* far from the other readings of its cup: shown, and left out of their mean */
    double strength_pct; /* shown less what water showed at that time */
    double blank_pct;    /* what water showed then, between the blanks before and after */
    double blank_u_pct;  /* its standard uncertainty */
};

/* The strength of a cup from the readings that are its, and where its uncertainty comes from; all standard
 * uncertainties in percent (JCGM 100:2008). */
struct sample_strength {
    int readings, used;  /* used: less the suspect ones */
    double strength_pct; /* their mean, water subtracted; NAN: none */
    double u_pct;        /* all of it, never zero */
    double u_repeat_pct; /* readings of one sample differ: pooled over all cups where one cup has few */
    double u_resolution_pct;
    double u_blank_pct;
    double u_accuracy_pct; /* of the instrument */
    double u_temperature_pct, u_filter_pct;
    double repeat_freedom; /* of u_repeat_pct; the others are as good as known */
    double freedom;        /* effective degrees of freedom (Welch-Satterthwaite); INFINITY: as good as known */
    double coverage;       /* times u_pct is an interval that covers 95 % (Student's t) */
};

struct samples {
    /* asked with: readings in the order of their times */
    struct sample_reading reading[SAMPLES_READINGS];
    int reading_count;
    struct sample_cup cup[SAMPLES_CUPS];
    int cup_count;
    struct sample_instrument instrument[SAMPLES_INSTRUMENTS];

    /* answered */
    struct sample_verdict verdict[SAMPLES_READINGS];
    struct sample_strength strength[SAMPLES_CUPS];
    double repeat_u_pct; /* one reading of a sample, pooled over the morning: what a single one is good for */
};

/* Fills what is answered.  0, or -ENOMEM with nothing changed. */
int samples_assign(struct samples *samples);

#endif
