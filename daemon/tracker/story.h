/* The story: what hands did, read from the segments.  A few competing hypotheses, each with stages of its own; what
 * follows decides between them, and what is still open becomes uncertainty. */
#ifndef POISE_TRACKER_STORY_H
#define POISE_TRACKER_STORY_H

#include <stdbool.h>
#include <stdint.h>

#include "poise/stages.h"
#include "segments.h"

enum { STEPS = 24, LIDS = 3 };

struct step {
    int64_t at_us;
    float u_s;
    unsigned char stage;
    bool by_operator;
};

enum phase { PHASE_SETUP, PHASE_WATER, PHASE_PRESSED, PHASE_AWAY, PHASE_WEIGHED };

/* One reading of all that was seen.  Plain bytes: hypotheses are copied. */
struct hypothesis {
    struct step step[STEPS];
    double against; /* nats */
    unsigned char phase, count, things, pours, lids;
    bool brewing;   /* water has met coffee */
    bool over;      /* nothing more will come but the strength */
    bool nothing;   /* it was given up, or another brew began before this cup was weighed */
    bool cup_known; /* filled in by the ledger */
    bool cup_apart; /* the cup was weighed on its own scale */
    bool above;     /* the scale was overloaded: pressures are lower bounds */
    bool pressing;  /* a hand is on it */
    bool press_seen;
    bool left_weighing; /* the full cup was touched or taken */
    bool unrested;      /* the load did not come to rest after the last pour */
    bool stir_open;     /* it has not been seen to end */
    bool knocked;       /* the last touch was a blow */
    bool filled;        /* what was poured was no brew: a kettle, a jug */
    bool pour_open;
    bool pour_level;   /* the next rest is where the pour went to */
    float lid_g[LIDS]; /* on top */
    float first_u_s, press_u_s, press_end_u_s, lifted_u_s;
    int64_t began_us, first_water_us, press_began_us, press_ended_us, out_us, over_us;
    int64_t wait_us;    /* look again then; 0: no need */
    int64_t steeped_us; /* when the last pour ended */
    int64_t dose_us, thing_us, pour_ended_us, first_ended_us, second_water_us, brewer_us, away_us, back_us;
    int64_t spoon_us, spoon_end_us;                /* a small thing was put in */
    int64_t touch_us, touch_end_us, stir_ended_us; /* hands at it */
    double touch_s, touch_g;
    double shift_g;           /* add to what the segments say: a tare that looked like a lift */
    double zero_g;            /* the empty scale */
    double hand_g;            /* of a hand that is on the scale */
    double dose_g, dose_u2_g; /* NAN: none seen */
    double alone_g;           /* what stood alone on the scale before this and was taken again; NAN: nothing */
    double first_thing_g, first_thing_u_g, cup_g, cup_u_g;
    double poured_g, first_water_g, water_u2_g, poured_to_g;
    double full_g, base_g; /* the load before it was taken away, or pressed on */
    double force_gs, force_s, force_peak_g;
    double weighed_g, weighed_u_g;
};

struct tracker;

enum { BEAM = 8 };

struct story {
    struct hypothesis best;
    double rival_g[3]; /* variances that the other readings add to dose, water, beverage */
    double chance;     /* of the best */
    double fate;       /* chance that it is over, or was none, as the best has it */
    double shifted;    /* chance that there was a tare which nobody noticed */
    double brewing;    /* chance that it is a brew at all */
    double load_g;     /* newest that was read */
};

/* Reads all that was seen since the first segment held. */
void story_read(struct story *story, const struct tracker *tracker);

/* Adds a stage; ends a pour that was open. */
void story_add(struct hypothesis *story, enum stage stage, int64_t at_us, double u_s);
void story_end_pour(struct hypothesis *story);

/* A press that nobody saw began when all was lifted off, or some time after it. */
void story_add_lifted(struct hypothesis *story, int64_t at_us);

#endif
