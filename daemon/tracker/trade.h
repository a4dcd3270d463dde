/* What is known of a single cup before anything is seen: the trade's ranges and how likely they are.  "Practice" is
 * common practice without a source; "fitted" is a share chosen on the simulated kitchens of tests/virtual. */
#ifndef POISE_TRACKER_TRADE_H
#define POISE_TRACKER_TRADE_H

/* masses, g */
static const double EMPTY_G = 25;                       /* practice: less is a spoon or a spill, nothing stands there */
static const double THING_G = 45;                       /* practice: a cup, a brewer, a plunger; more than any dose */
static const double DOSE_LEAST_G = 4, DOSE_MOST_G = 60; /* practice */
static const double WATER_LEAST_G = 8;                  /* practice: less is a spill */
static const double TOUCH_G = 4;      /* practice: a spoon leaves no more behind, or takes no more away */
static const double LEAST_CUP_G = 50; /* practice: the lightest cup */
static const double SAME_G = 6;       /* practice: all came back but for a drop */
static const double LID_MOST_G = 150; /* practice: a lid, a plunger, a cap */
static const double HEAVY_G = 450, HEAVY_EACH_G = 40; /* practice: nothing on a brewer weighs more; fitted: nats */
static const double FORCE_LEAST_G = 100;              /* practice: a spoon and a swirl press less in the mean */
static const double FORCE_SURE_G = 600;               /* practice: more than anything that is put on a brewer */

static const double CREPT_U_SHARE = 0.3,
                    STEAM_U_SHARE = 0.1; /* fitted: how well a drift is known that goes on for long */
static const double CAP_U_G = 15;        /* practice: a filter's cap, 15 to 45 g, that may have come with the cup */

/* times */
static const int64_t POUR_PAUSE_US = 700000;  /* practice: a kettle that hesitates for less pours on */
static const int64_t BLOOM_WAIT_US = 6000000; /* practice: sooner it was one pour with a pause */
static const double BLOOM_MOST_SHARE = 0.42;  /* practice: of all the water */
static const double STIR_LEAST_S = 2.3; /* practice: a knock rings for less, a cloth wipes and a hand leans for less */
static const double STIR_LEAST_G = 1.2; /* fitted: how far a spoon moves the reading */
static const double STIR_USUAL_S = 8, PRESS_USUAL_S = 25, HANDS_SPREAD = 0.6; /* practice */
static const int64_t STIR_PAUSE_US = 2000000; /* practice: a shorter pause is within one stir */
static const int64_t SPOON_US = 1000000;      /* practice: a spoon put in stirs at once */
static const int64_t WEIGHED_US = 3000000;    /* practice: the cup has stood so long, it is weighed */
static const int64_t DOUBT_US = 20000000;     /* practice: and so long when it may be another, empty cup */
static const int64_t GO_ON_US = 20000000; /* practice: who presses in two goes, or lifts the brewer, does it sooner */
static const double LEAN_MOST_G = 1000, LEAN_MOST_S = 7; /* practice: gentler and shorter presses nothing through */
static const int64_t PRESS_BESIDE_US = 8000000; /* practice: carried off, pressed, brought back: not done sooner */
static const int64_t AWAY_US = 900000000;       /* practice: a brew taken away for a quarter of an hour is over */
static const int64_t STEEP_LEAST_US = 35000000; /* practice: poured out sooner it was given up, not pressed */

static const double PUT_MOST_S = 2;       /* practice: a thing is put down, or let go and lifted, within so long */
static const int64_t LET_GO_US = 1600000; /* practice: a hand that sets a cup down may rest on it so long */
static const int64_t MARKED_US = 3000000; /* practice: an operator's mark is no farther off */

/* while nobody looks */
static const double HIDDEN_THING_S = 0.5; /* practice: hands put a thing down in that */
static const double HIDDEN_DOSE_S = 1.5, HIDDEN_TWO_S = 4, HIDDEN_THREE_S = 6, HIDDEN_PRESS_S = 8; /* practice: not
    done sooner: a dose tipped in; two things that follow each other; three; a press, and what was pressed put down */
static const double HIDDEN_LID_G = 60, HIDDEN_LID_U_G = 30; /* practice: a plunger that came with the water */

/* how likely: logarithmic standard deviations about the usual */
static const double DOSE_USUAL_G = 16, DOSE_SPREAD = 0.35;           /* practice */
static const double RATIO_USUAL = 13, RATIO_SPREAD = 0.4;            /* practice: water per dose */
static const double WETS_PER_G = 2, WETS_SPREAD = 0.5;               /* practice: water that wets all of the coffee */
static const double UNSEEN_RATIO_SPREAD = 0.5;                       /* practice: of a dose that nobody knows */
static const double HELD_USUAL = 2.05, HELD_SPREAD = 0.3;            /* practice: liquid held per gram of coffee */
static const double HELD_LEAST = 1.2, HELD_MOST = 3.2;               /* practice: no bed holds less or more */
static const double DOSE_RATE_G_PER_S = 5, DOSE_RATE_SPREAD = 0.9;   /* practice */
static const double WATER_RATE_G_PER_S = 9, WATER_RATE_SPREAD = 0.7; /* practice */

/* what is against the rarer readings, in nats */
static const double NO_DOSE_SEEN = 2.3; /* fitted: one brew in ten is dosed out of sight */
static const double FILLED = 5.5;       /* fitted: a kettle or a jug is filled on the scale */
static const double FILLED_AGAIN = 2;   /* fitted: and once more, or what was poured first was none of the brew */
static const double FILLED_PRESSED = 8; /* fitted: nobody presses on that */
static const double TOUCHED_PRESSED = 3,
                    CARRIED_PRESSED = 1.5; /* practice: after a press, hands that leave it all there, or take all away,
                                            * instead of lifting the brewer off the cup */
static const double PRESSED_WAITS_S = 20;  /* practice: and that soon; for each so many seconds, one */
static const double PLAN_SPREAD = 0.12,
                    NOT_PLANNED = 1.6; /* fitted: a planned dose is kept; one brew in five is not the plan's */
static const double SHORT_POUR_S = 2, SHORT_POUR = 1.5;   /* fitted: water is hardly poured for less; per second */
static const double SLOW_THING = 2.5;                     /* fitted: hands that lower a lid as slowly as water runs */
static const double DOSE_BACK = 3, DOSE_BACK_SHARE = 0.3; /* fitted: so much of a dose is taken out again */
static const double PINCH = 2;                            /* fitted: a few grams are seldom the coffee */
static const double HAND = 4;                             /* fitted: a hand or cloth left on the scale */
static const double DENIED = 12;                          /* the operator's word: more than all that is seen */
static const double BACK_U_G = 1;                       /* fitted: what is carried about loses a drop, and some steam */
static const double NO_STREAM = 3, BACK_AND_FORTH = 2;  /* fitted: what was poured though it was no even stream */
static const double HIDDEN_TWO = 1, HIDDEN_THREE = 2.5; /* fitted: so many things done in one silence */
static const double SWITCHED_S = 2.5;                   /* practice: no scale is off and on again sooner */
static const double SWITCHED = 3, SWITCHED_ANYWHERE = 6; /* fitted: it begins at zero with its load; or anywhere */
static const double BELOW_EMPTY = 4;                     /* fitted: it weighs less than nothing */
static const double HASTE = 2;                           /* fitted: for each second less than hands need */
static const double LOST = 6;                            /* fitted: mass that goes away and was none of the things */
static const double NEXT_CUP = 1.2;                      /* fitted: the cup is never weighed, the next one comes */
static const double ALL_BACK = 1.5;                      /* fitted: all is carried about and comes back */
static const double UNLIKELY_MOST = 8; /* no single number is more against a reading: the floor of its density */

#endif
