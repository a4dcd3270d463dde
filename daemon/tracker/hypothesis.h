/* One reading of all that was seen, with stages, masses and times of its own; and what an act makes of it. */
#ifndef POISE_TRACKER_HYPOTHESIS_H
#define POISE_TRACKER_HYPOTHESIS_H

#include <stdbool.h>
#include <stdint.h>

#include "act.h"
#include "poise/stages.h"

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
    bool cup_seen;  /* likewise: it was weighed empty in this brew */
    bool cup_apart; /* the cup was weighed on its own scale */
    bool above;     /* the scale was overloaded: pressures are lower bounds */
    bool pressing;  /* a hand is on it */
    bool press_seen, press_unseen, hands_unseen; /* unseen: in a silence of the scale; hands: that did not press */
    bool left_weighing;                          /* the full cup was touched or taken */
    bool unrested;                               /* the load did not come to rest after the last pour */
    bool stir_open;                              /* it has not been seen to end */
    bool knocked;                                /* the last touch was a blow */
    bool filled;                                 /* what was poured was no brew: a kettle, a jug */
    bool dose_hidden;                            /* coffee may have come while nobody saw */
    bool press_hidden;                           /* so was the press */
    bool split;                                  /* a rise that nobody saw was taken for one thing, or for several */
    bool pour_open;
    bool pour_level;   /* the next rest is where the pour went to */
    float lid_g[LIDS]; /* on top */
    float dose_u_s, pour_end_u_s;
    float unseen_g; /* of coffee that falls now nobody saw so much, perhaps */
    int64_t began_us, first_water_us, press_began_us, press_ended_us, out_us, over_us;
    int64_t wait_us;    /* look again then; 0: no need */
    int64_t steeped_us; /* when the last pour ended */
    int64_t dose_us, thing_us, pour_ended_us, first_ended_us, second_water_us, brewer_us, away_us, back_us;
    int64_t spoon_us, spoon_end_us;                /* a small thing was put in */
    int64_t touch_us, touch_end_us, stir_ended_us; /* hands at it */
    double touch_s, touch_g;
    double shift_g;                     /* add to what the segments say: a tare that looked like a lift */
    double zero_g;                      /* the empty scale */
    double zero_before_g, zero_moved_g; /* before the water; and how far it has moved since */
    double hand_g;                      /* of a hand that is on the scale */
    double dose_g, dose_u2_g;           /* NAN: none seen */
    double alone_g; /* what stood alone on the scale before this and was taken again; NAN: nothing */
    double first_thing_g, first_thing_u_g, cup_g, cup_u_g;
    double poured_g, first_water_g, water_u2_g, poured_to_g;
    double bare_g;         /* the load before the coffee came; NAN: not seen */
    double full_g, base_g; /* the load before it was taken away, or pressed on */
    double force_gs, force_s, force_peak_g;
    double crept_g; /* how far the load has drifted since the empty scale was seen */
    double weighed_g, weighed_u_g;
};

/* Nothing of a brew is there yet. */
void story_setup(struct hypothesis *story);

/* Adds a stage; ends a pour that was open. */
void story_add(struct hypothesis *story, enum stage stage, int64_t at_us, double u_s);
void story_end_pour(struct hypothesis *story);

/* Coffee falls; the first water, and any other. */
void story_add_dose(struct hypothesis *story, const struct act *act);
void story_first_water(struct hypothesis *story, const struct act *act);
void story_pour(struct hypothesis *story, const struct act *act);

/* A spoon, a swirl, a knock: a stir when it lasts. */
void story_touch(struct hypothesis *story, const struct act *act);
void story_end_touch(struct hypothesis *story);
void story_end_stir(struct hypothesis *story);

/* A lid is put on; the one that weighs so much is taken off, false: there is none. */
void story_put_lid(struct hypothesis *story, double grams);
bool story_take_lid(struct hypothesis *story, double grams);

/* A press: begun, its force so far, ended; or the whole of it in one movement, that begins and ends with what was
 * pressed on. */
void story_begin_press(struct hypothesis *story, const struct act *act);
void story_take_force(struct hypothesis *story, const struct act *act);
void story_end_press(struct hypothesis *story, const struct act *act, int64_t at_us);
void story_whole_press(struct hypothesis *story, const struct act *act);

/* A hand leaned on the brewer for a moment, and nothing came of it until at_us: then it was no press. */
bool story_is_lean(const struct hypothesis *story, int64_t at_us);
void story_forget_press(struct hypothesis *story);

/* A press that nobody saw began when all was lifted off, or some time after it. */
void story_add_lifted(struct hypothesis *story, int64_t at_us);

/* The full cup rests at this level.  What crept up since the empty scale was seen is the scale's; what became less is
 * steam, and gone. */
void story_weighs(struct hypothesis *story, double level_g, double u_g);
/* A press on the scale, which was silent all the while. */
void story_hidden_press(struct hypothesis *story, const struct act *act);

/* The cup alone has come to rest. */
void story_weigh(struct hypothesis *story, const struct act *act);

/* The cup is never weighed: another brew begins. */
void story_another_begins(struct hypothesis *story, int64_t at_us);

#endif
