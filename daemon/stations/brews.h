/* The brews the bench remembers: what is known of each, what follows from it, and which cups wait for
 * their strength.  Pure, no I/O: kept and restored as JSON text.  How a brew comes to its numbers is
 * the tracker's and the station's. */
#ifndef POISE_BREWS_H
#define POISE_BREWS_H

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>

#include "poise/budget.h"
#include "poise/messages.h"
#include "poise/stages.h"
#include "poise/timeline.h"
#include "poise/why.h"

enum {
    BREWS_KEPT = 100,                /* two busy days: corrections for older ones are refused with a sentence */
    BREW_SAMPLES = MEASURE_READINGS, /* strength readings of one cup */
    BREW_BACK = 4,                   /* things set down after it that may be its emptied cup */
    BREW_QUESTIONS = 2               /* the coffee that was brought ready, and the cup never seen empty */
};

/* One strength reading. */
struct sample {
    double strength_pct;                      /* shown_pct less what water showed at that time */
    double shown_pct;                         /* as shown, made a strength */
    double resolution_pct;                    /* worth of the last digit shown */
    uint64_t seq;                             /* of the reading; 0: entered by hand */
    int64_t at_us;                            /* INT64_MAX: before the computer was restarted */
    double sample_c;                          /* NAN: not known */
    double temperature_u_pct;                 /* what its temperature leaves unsure, where that is not corrected */
    int instrument;                           /* which refractometer: its place in struct stations */
    bool reset;                               /* the instrument was set to zero just before */
    bool said;                                /* it is where the operator put it */
    bool suspect;                             /* far from its cup's others: left out of their mean */
    double chance;                            /* that it is where it is; of one that is asked: that it is of `likely` */
    char likely[BREW_SIZE], other[BREW_SIZE]; /* of one that is asked; else empty */
    double other_chance;
};

/* What was weighed of a brew's vessels, in g; NAN: not. */
struct brew_cup {
    double full_g, full_u_g;
    double seen_g, seen_u_g;       /* the cup, empty */
    double bare_g, bare_u_g;       /* all that stood there before the coffee */
    double tracker_g, tracker_u_g; /* the beverage as the tracker has it */
    double back_g[BREW_BACK], back_u_g[BREW_BACK];
    int back_count;
    bool asked, entered;    /* for the beverage; by the operator */
    char vessel[NAME_SIZE]; /* the vessel that it was recognised as; empty: none */
};

struct brew {
    char name[BREW_SIZE], station[NAME_SIZE];
    uint32_t number; /* the tracker's count; 0: of a tracker that is gone */
    bool ended, discarded;
    bool strength_entered; /* by hand: readings are compared with nothing */
    bool slurry_entered;   /* likewise: it is what the operator read */
    int filtered;          /* its samples passed a syringe filter: 1, 0; -1: as usual at the bench */
    struct budget budget;  /* of its strength */
    struct brew_cup cup;
    int64_t began_us, ended_us; /* on the clock of mono_us */
    int64_t discarded_us;       /* likewise; of one that was discarded */
    bool earlier_boot;          /* which has restarted since: its times compare with none of now */
    struct measures measures;
    bool above[MEASURE_COUNT];
    struct sample samples[BREW_SAMPLES];
    int sample_count;
    struct timeline timeline; /* shown to late joiners */
    json_t *plan;             /* what the plan asked of it; NULL: no plan */
    int plan_kept;            /* 1, 0, -1 not said */
    struct brew_question {    /* what the tracker would like to know, in the order of asking */
        char word[NAME_SIZE], detail[DETAIL_SIZE];
        enum measure measure; /* that the answer would be */
    } questions[BREW_QUESTIONS];
    int question_count;
    bool changed; /* since it was last kept */
};

struct brews {
    struct brew *all[BREWS_KEPT]; /* oldest first */
    int count;
    char bench[NAME_SIZE];
    int day, number; /* of the last name given: names are never given twice */
    bool changed;
    char dropped[BREW_SIZE]; /* the one that made room last; empty: none since it was forgotten */
};

void brews_free(struct brews *brews);

/* A new brew with the next name; time_us gives the day, in the bench's own time zone.  NULL when
 * memory is short. */
struct brew *brews_begin(struct brews *brews, const char *station, uint32_t number, int64_t time_us);

/* NULL when it is not among the remembered. */
struct brew *brews_find(const struct brews *brews, const char *name);

/* The brew a station's tracker counts so; NULL. */
struct brew *brews_numbered(const struct brews *brews, const char *station, uint32_t number);

/* The station's newest; NULL. `station` NULL: of any. */
struct brew *brews_newest(const struct brews *brews, const char *station);

/* Whether it is over and has fewer readings than wanted. */
bool brew_waits(const struct brew *brew, int wanted);

/* A stage is reported. */
void brew_stage(struct brew *brew, const struct staged *staged);

/* Sets a measure; true when that changed something. */
bool brew_measure(struct brew *brew, enum measure measure, double value, double standard_uncertainty, bool above);

/* A question is open until its measure is answered; asked again, it is put in the new words. */
void brew_ask(struct brew *brew, const char *word, enum measure measure, const char *detail);
void brew_answer(struct brew *brew, enum measure measure);

/* Recomputes what follows from others into `changed` (at most MEASURE_COUNT); returns how many. */
int brew_derive(struct brew *brew, enum measure *changed);
bool measure_derived(enum measure measure);

/* The mean of its readings, less the suspect ones; NAN without any. */
double brew_strength(const struct brew *brew);

/* One strength reading as an array for the journal, and back; false: it is none. */
json_t *sample_save(const struct sample *sample);
bool sample_load(const json_t *json, struct sample *out);

/* As text for the journal, and back.  brew_load returns NULL for what is no brew. */
json_t *brew_save(const struct brew *brew);
struct brew *brew_load(const json_t *json);
/* Adds a loaded brew in its place; where there is no room the oldest goes. */
void brews_add(struct brews *brews, struct brew *brew);

#endif
