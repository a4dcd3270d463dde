/* Mornings at the refractometer, drawn from a seed, and a judge of who assigns their readings to cups.
 *
 * Written without reading the assigner: only its public header (stations/samples.h), which says what it is asked and
 * what it answers.  Cups are brewed on one or two brewers; one or two people draw samples, let them cool and read them,
 * and do what people do: late, passed over, read twice, in another order, with water in between, with something left on
 * the prism.  The truth of every reading is known, and whether a person who knows the habits of that bench could work
 * it out from what is on screen (mornings_odds.c).
 *
 * Rates, times and ranges are guesses at common practice (no source); what matters is that all of it occurs. */
#ifndef POISE_MORNINGS_H
#define POISE_MORNINGS_H

#include "stations/samples.h"

#include <stdbool.h>

enum {
    MORNING_CUPS = 20,
    MORNING_PEOPLE = 2,
    MORNING_INSTRUMENTS = MORNING_PEOPLE + 1, /* the last has no cable: its values are typed */
    MORNING_REPEATS = 5,                      /* most readings of one visit to a cup */
    MORNING_WANTED = 3
};

/* What a reading truly is of, where it is no cup. */
enum { MORNING_WATER = -1, MORNING_STRAY = -2 };

enum recipes { RECIPES_LEVELS, RECIPES_ONE, RECIPES_NEAR };

/* How a bench goes about it: what a family is made of.  Rates are chances between 0 and 1. */
struct morning_habits {
    int brewers, people;
    bool own_cups; /* two people: each reads the cups of one brewer; else whoever is free takes the next */
    double pass;   /* that a cup is passed over for good */
    double jump;   /* that another than the cup whose turn it is comes first */
    double again;  /* that a cup read before is read once more */
    double name;   /* that the operator names the cup before it is read */
    double repeats[MORNING_REPEATS];               /* how often a visit has 1 to 5 readings */
    double wait_least_s, wait_most_s, wait_spread; /* from full to read: the day's median, and its spread (log) */
    double blank_every;                            /* cups between blanks, about; 0: never */
    double ordered;                                /* share of blanks that are ordered as such */
    double level_most_pct, drift; /* what water shows at first; chance of a step at each change of cup */
    double reset;                 /* that the instrument is zeroed after a blank */
    double rinse;                 /* a reading of water with a rest of coffee, at each change of cup */
    double stray;                 /* a neighbour's coffee, at each change of cup */
    double carry;                 /* that the first reading of a visit has a tenth of what was there before */
    double typed, discard, late_clock, unknown; /* of each cup */
    enum recipes recipes;
};

struct morning_family {
    const char *name, *summary;
    struct morning_habits habits;
};

struct morning_cup {
    struct sample_cup shown; /* as on screen */
    double true_ready_s;
    double true_pct;                  /* strength */
    double expected_pct, scatter_pct; /* from what is on screen of it, by who knows the day's coffee */
    int brewer;
    bool typed, discarded;
    bool late_clock; /* its end was recorded minutes late */
};

struct morning_reading {
    struct sample_reading shown; /* said and cup: as ordered; cup counts the morning's cups, discarded ones too */
    int truth;                   /* a cup, MORNING_WATER or MORNING_STRAY */
    bool rinse;                  /* water with a rest of coffee */
    bool carried;
    double level_pct; /* what clean water would have shown then */
};

struct morning_instrument {
    double bias_pct, noise_pct, accuracy_pct; /* accuracy as in the configuration; NAN: not known */
};

struct morning {
    int family;
    unsigned long seed;
    const struct morning_habits *habits;
    double wait_median_s; /* the day's */
    struct morning_cup cup[MORNING_CUPS];
    int cup_count;
    struct morning_reading reading[SAMPLES_READINGS]; /* in the order of their times */
    int reading_count;
    struct morning_instrument instrument[MORNING_INSTRUMENTS];
};

int morning_family_count(void);
const struct morning_family *morning_family(int family);

/* Odd seeds stay unread: whoever works on the assigner looks at their rows only. */
bool morning_seed_unread(unsigned long seed);

/* 0 or -ENOMEM. */
int morning_draw(struct morning *morning, int family, unsigned long seed);

/* How long a change of cup takes at the refractometer: median, spread (log), and more for each reading of water. */
extern const double MORNING_CHANGE_S, MORNING_CHANGE_SPREAD, MORNING_WATER_S;
/* Between two readings of one visit. */
extern const double MORNING_REPEAT_S, MORNING_REPEAT_SPREAD;

/* The chance that each reading's truth is right, among all that could have been, for a person who knows the bench.
 * 0 or -ENOMEM. */
int morning_odds(const struct morning *morning, double chance[]);
/* From this chance on a reading is decidable. */
extern const double MORNING_DECIDABLE;

/* ---- the judge ---- */

enum answer { ANSWER_RIGHT, ANSWER_ASKED, ANSWER_WRONG };

struct morning_judged {
    enum answer answer[SAMPLES_READINGS];
    bool counts[SAMPLES_READINGS];   /* nobody had named it */
    double chance[SAMPLES_READINGS]; /* morning_odds */
    bool decidable[SAMPLES_READINGS];
    struct sample_verdict verdict[SAMPLES_READINGS]; /* cups counted as the morning's */
    struct sample_strength strength[MORNING_CUPS];
    bool foreign[MORNING_CUPS]; /* sure and wrong: its strength is made of a reading that is not its own */
    bool stated[MORNING_CUPS];  /* it has a strength */
    int orders_broken;          /* what the operator said and did not stand */
};

enum assigner {
    ASSIGNER_POISE,
    ASSIGNER_BY_TURNS /* counts three to each cup in turn, water apart: what the figures are to be held against */
};

/* as_it_came: each reading's answer is the one given when it came, from what was there by then, instead of the one at
 * the end; strengths are those at the end.  0 or -ENOMEM. */
int morning_judge(const struct morning *morning, enum assigner assigner, bool as_it_came,
                  struct morning_judged *judged);

#endif
