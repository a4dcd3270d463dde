/* What the parts of the tracker share; nobody else includes this.
 *
 * tracker_signal.c cuts the readings into pieces (the load rests, flows, or is handled) and keeps the
 * load through tares.  tracker_story.c reads the pieces as a brew: a pure function of all that was
 * seen, run again whenever more is known, so that a later sight corrects an earlier guess.
 * tracker.c reports the difference between what the story says now and what was reported before. */
#ifndef POISE_TRACKER_PARTS_H
#define POISE_TRACKER_PARTS_H

#include <math.h>
#include <stdlib.h>

#include "tracker.h"
#include "tracker_second.h"

enum {
    RING_SAMPLES = 128, /* 6 s at 20 readings a second: more than any window that looks back */
    PIECES = 48,        /* a brew in which every twelve seconds something happens for five minutes */
    STEPS = 24,         /* stages reported of one brew */
    MARKS = 8,
    LAGS_KEPT = 7
};

/* Samples and pieces are many and kept for each station, so their masses are of single precision: at a kilogram
 * that is 0.00006 g.  What is computed from them is double. */
struct sample {
    int64_t at_us : 51;       /* thirty-five years */
    int64_t levelled_dg : 12; /* how far off it was indicated, in 0.1 g, when it was taken for a damaged line */
    bool overload : 1;        /* in the same word: there are many */
    float load_g;             /* absolute: tares added back */
    float clear_g;            /* the same without the instrument's filter */
};

enum { CADENCE_INTERVALS = 9 };

/* How regularly the instrument speaks. */
struct cadence {
    double period_us, late_us; /* between readings; and how late they are in the mean, where that can be seen */
    int64_t at_us, arrived_us; /* of the newest reading */
    int64_t held_up_us;        /* its time, should it have been held up */
    int64_t interval_us[CADENCE_INTERVALS];
    int count, late_run, early_run;
    bool late;
};

struct indication {
    double shown_g;
    int64_t at_us;
    bool overload;
};

struct lag {
    float lag_s, weight;
};

enum piece_kind {
    PIECE_REST,   /* nothing happens */
    PIECE_FLOW,   /* the load grows evenly, as when something is poured */
    PIECE_HANDLED /* anything else: put down, lifted, stirred, pressed */
};

struct piece {
    int64_t begin_us, end_us;
    int64_t left_us;           /* when the indication left its rest; begin_us is where a flow began by its shape */
    int64_t again_us;          /* after a blow at its begin: when hands began; 0: there was none */
    int64_t shaken_us;         /* when hands began to shake, by what is likeliest; 0: not looked at */
    int64_t lifted_us;         /* when a lift began, by its shape; 0: it was none, or another movement too */
    float peak_g;              /* of the blow */
    float first_g, last_g;     /* REST: settled level at its begin and its end; else the level left and last seen */
    float first_u_g, last_u_g; /* REST: standard uncertainties of those; else 0 */
    float low_g, high_g;
    float force_gs;                         /* integral of what is above first_g, while it is clearly above */
    float force_path_g;                     /* how far the load wandered under the force: a hand is never steady */
    int64_t force_began_us, force_ended_us; /* 0: never clearly above */
    float begin_u_s;                        /* standard uncertainty of begin_us */
    unsigned char kind;
    bool overload;  /* the instrument gave up meanwhile */
    bool only_blow; /* no hand shook it: something knocked */
};

struct signal {
    struct cadence cadence;
    struct sample ring[RING_SAMPLES];
    uint32_t ring_end;         /* samples ever written */
    uint32_t clear_end;        /* samples made clear */
    uint32_t seen_end;         /* and looked at */
    double lag_s;              /* as configured; 0: learnt */
    struct lag lag[LAGS_KEPT]; /* what the last jumps said of it */
    int lag_count, lag_jumps;
    double lag_learnt_s;
    double jump_g;              /* how far the last jump went; 0: nothing to learn from it */
    double offset_g;            /* add to what the instrument shows for the absolute load */
    double zero_g;              /* absolute load of the empty scale */
    int64_t zero_rest_us;       /* when the rest began that says so */
    struct indication shown[4]; /* the last ones, newest last */
    int shown_count;
    double resolution_g, resolution_seen_g; /* the last one may be of a damaged line */
    int64_t heard_us;                       /* when a reading was last taken */
    int64_t interval_us;                    /* between readings, smoothed */
    int64_t tare_ordered_us;                /* 0: none open */
    int64_t overload_us;                    /* when the instrument last gave up */
    double rest_g;                          /* while resting: settled level */
    int64_t rest_since_us;                  /* when the rest was sure; it begins earlier, where the hand had done */
    double noise_g;                         /* standard deviation of what was last made clear */
    double slack_g;                         /* how much of a jump's tail a young rest may hold */
    int64_t calm_until_us;                  /* of a blow at the begin of the open piece */
    float trough_g;
    struct piece piece[PIECES]; /* oldest first; the last one is still open */
    int count;
};

struct step {
    int64_t at_us;
    float u_s;
    unsigned char stage;
    bool by_operator;
};

struct story {
    struct step step[STEPS];
    int count;
    bool brewing; /* there is a brew: water has met coffee */
    bool over;    /* nothing more will come but the strength */
    bool nothing; /* it was given up: the load went away before a press */
    bool cup_known;
    bool cup_apart; /* the cup was weighed on its own scale */
    bool above;     /* the scale was overloaded: pressures are lower bounds */
    int64_t began_us, first_water_us, press_began_us, press_ended_us, out_us, over_us;
    int64_t wait_us; /* look again at this time; 0: no need */
    double cup_g, cup_u_g;
    double full_g; /* the cup with all in it */
    double load_g; /* the newest that was read */
    struct measures measures;
};

struct mark {
    int64_t at_us;
    unsigned char stage;
};

/* What a pressure instrument showed of the running brew's press. */
struct gauge {
    int64_t began_us, ended_us, seen_us; /* 0: not yet */
    double now_kpa, peak_kpa, sum_kpa_s, sum_s, u_kpa;
};

struct tracker {
    struct tracker_config config;
    struct tracker_plan plan;
    struct signal signal;
    struct story story;          /* as last read */
    struct step reported[STEPS]; /* what was reported of the running brew */
    int reported_count;
    struct measures reported_measures;
    bool reported_above[MEASURE_COUNT];
    struct measures entered; /* by the operator, of the running brew: they win */
    struct mark mark[MARKS];
    int mark_count;
    uint32_t brew; /* brews begun so far */
    bool running;  /* TRACKER_BEGIN was reported, TRACKER_END not yet */
    bool warned_pressure, warned_overload, asked_cup, asked_dose;
    int64_t ordered_us;   /* begun by the operator then; 0: not */
    struct measures last; /* of the brew before: corrections may still come */
    uint32_t last_brew;
    int64_t now_us;
    int64_t looked_us; /* when the story was last read */
    struct gauge gauge;
    struct second second;
    struct late late;
};

/* --- tracker_cadence.c --- */

/* Begins again with a reading whose time is its arrival. */
void cadence_begin(struct cadence *cadence, int64_t arrived_us);

/* The time of a reading that arrived now; *before_us gets the time of the one before, which may have
 * become earlier: it is known only now whether lines were lost before it or it was held up. */
int64_t cadence_time(struct cadence *cadence, int64_t arrived_us, int64_t *before_us);

/* --- tracker_signal.c --- */

void signal_begin(struct signal *signal);

enum signal_news { SIGNAL_NOTHING, SIGNAL_MORE, SIGNAL_PIECE };

/* Takes one indication of the scale.  SIGNAL_PIECE: a piece began or ended; SIGNAL_MORE: the open
 * piece, which is no rest, went on. */
enum signal_news signal_mass(struct signal *signal, double shown_g, bool overload, double resolution_g, int64_t at_us);

/* Nothing is known until the next reading. */
void signal_gap(struct signal *signal);

/* A sample so many before the newest one, and how many are held. */
const struct sample *sample_back(const struct signal *signal, uint32_t back);
uint32_t samples_held(const struct signal *signal);

/* The same among those made clear: so many before the one that is looked at. */
const struct sample *seen_back(const struct signal *signal, uint32_t back);
uint32_t seen_held(const struct signal *signal);

/* --- tracker_pieces.c --- */

/* The piece that is still open; NULL: none yet. */
struct piece *pieces_newest(struct signal *signal);

/* Whether the load has rested so long that nothing is left of the jump before. */
bool pieces_settled(const struct signal *signal);

/* Looks at the next sample that was made clear. */
enum signal_news pieces_look(struct signal *signal);

/* Drops the pieces before `index`, which becomes the first. */
void signal_forget(struct signal *signal, int index);

/* --- tracker_shape.c --- */

/* Leaving a rest takes more than this. */
double shape_leave_g(const struct signal *signal);

/* Whether the load has rested so long, but for slack_g (what may be left of a jump just now); then
 * *level_g is where. */
bool shape_is_still(const struct signal *signal, int64_t still_us, double slack_g, double *level_g);

/* The rate over the last fifth of a second. */
double shape_rate_g_per_s(const struct signal *signal);

/* Whether the newest samples, *samples of them, grow evenly, as when something is poured. */
bool shape_is_flow(const struct signal *signal, uint32_t *samples);

/* Whether a flow clearly goes back or jumps. */
bool shape_flow_broke(const struct signal *signal, const struct piece *flow);

/* When the indication left a resting level. */
int64_t shape_left_us(const struct signal *signal, double level_g);

/* Where a flow began from or ended at a level, by samples of that time; 0: they do not say. */
int64_t shape_root_us(const struct signal *signal, double level_g, int64_t from_us, int64_t until_us);

/* When the load came near its new level for good, having moved so far. */
int64_t shape_near_us(const struct signal *signal, const struct piece *piece, double level_g, double moved_g);

/* --- tracker_flow.c --- */

/* A stream that falls for a tenth of a second pushes with the weight of what fell in that time, from the
 * first drop on: water seems to come, and to end, that much before it does.  A little less, since kettles
 * are held low.  Grains, of which less is weighed, fall singly. */
enum { STREAM_US = 80000, STREAM_LEAST_G = 24 };

/* When a flow seemed to end that has come to rest, about near_us; 0: that cannot be said. */
int64_t flow_end_us(const struct signal *signal, const struct piece *flow, int64_t near_us);

/* A lift that has come to rest at a level, the swing back of its filter included, gets its lifted_us. */
void lift_date(struct signal *signal, double level_g);

/* --- tracker_signal.c --- */

/* Least-squares slope of the last half second; 0 with fewer than three samples. */
double signal_slope_g_per_s(const struct signal *signal);

/* The newest absolute load; NAN: none yet. */
double signal_load_g(const struct signal *signal);

/* --- tracker_acts.c --- */

/* One thing that happened between two looks at the load. */
struct act {
    const struct piece *piece; /* the first of those merged */
    int64_t begin_us, left_us, end_us;
    double before_g, after_g, low_g, high_g;
    double before_u_g, after_u_g; /* standard uncertainties of what it was before and after */
    bool flow, open, force, rest_after;
    bool several; /* touches that are one */
};

enum { ACTS = PIECES };

/* Gathers all pieces into acts; how many. */
int acts_gather(const struct signal *signal, struct act act[ACTS]);

/* --- tracker_level.c --- */

/* Where the load rests, and the tail of a jump that leads there. */
struct level {
    double level_g, u_g;     /* and its standard uncertainty */
    double a_g, b_g, pole_s; /* the tail: (a + b t) exp(-t), t in poles since from_us */
    double pole_share;       /* standard uncertainty of the pole, as a share of it */
    int64_t from_us, until_us;
    int count; /* samples of the tail; 0: it was gone */
};

/* The level of a load that came to rest about jump_us, by what was indicated until until_us.  False: too little was. */
bool level_fit(const struct signal *signal, int64_t jump_us, int64_t until_us, struct level *level);

/* The same of a rest that was left at left_us, or some time before. */
bool level_left(const struct signal *signal, int64_t jump_us, int64_t left_us, struct level *level);

/* Learns the lag from the tail of the last jump, if nobody has configured it. */
void signal_learn_lag(struct signal *signal, int64_t rested_us, int64_t until_us);

/* What would be indicated at a time. */
double level_at(const struct level *level, int64_t at_us);

/* --- tracker_shake.c --- */

/* Finds when hands began to shake a load that had rested: `still` at it, or it is about to rest again.  True: that is
 * known now, and was not before. */
bool shake_find(struct signal *signal, bool still);

/* Whether hands shook the load since it rested, and put nothing down: it rests at level_g again. */
bool shake_found(struct signal *signal, double level_g);

/* When hands had done that shook from began_us on a load that rests again now; 0: too little was indicated. */
int64_t shake_ended_us(const struct signal *signal, int64_t began_us);

/* --- tracker_clear.c --- */

/* The lag of the instrument's filter: configured, learnt, or a fair guess. */
double signal_lag_s(const struct signal *signal);

/* What is looked at together to make a sample clear. */
double signal_span_s(const struct signal *signal);

/* Makes clear what has become so with the newest sample; how many samples that is. */
uint32_t signal_clear(struct signal *signal);

/* --- tracker_story.c --- */

void story_read(struct story *out, const struct tracker *tracker);

/* --- tracker_press.c --- */

/* Pressure and duration of the press from its pieces. */
struct press {
    int64_t began_us, ended_us;
    double force_gs, force_s, peak_g;
    bool overload, seen;
};
void press_add(struct press *press, const struct piece *piece);
/* A press that nobody saw began when all was lifted off, or some time after it. */
struct reader;
void story_say_lifted(struct reader *reader, int64_t at_us);
/* Takes back a press too gentle and too short to have pressed anything, when nothing has come of it until at_us. */
bool press_forget_lean(struct reader *reader, int64_t at_us);
/* A pressure instrument knows when the press began. */
void story_use_gauge(struct reader *reader);
/* Takes one indication of a pressure instrument; true when the press began or let go. */
bool gauge_take(struct gauge *gauge, double kpa, double resolution_kpa, int64_t at_us);
/* Finds where the force on a piece rises from; its again_us, if that is not its begin. */
void press_find_rise(const struct signal *signal, struct piece *piece);
/* Whether what came onto a brewer is more than a thing: a hand, even one that holds still. */
bool press_is_steady(double grams);
/* A load that rested far above another and now comes back to it was pressed: its pieces become one. */
void press_join_steady(struct signal *signal, double level_g, int64_t ended_us);
bool press_is_force(const struct piece *piece, int64_t now_us);
/* The operator says that the brew still steeped, or was poured or stirred, after this: it was no press. */
bool press_is_denied(const struct tracker *tracker, const struct act *act);

/* --- tracker_late.c --- */

/* The brew is over: how its cup was weighed is remembered; or it was none. */
void late_remember(struct tracker *tracker);
void late_forget(struct tracker *tracker);

/* A thing stands on one of the scales; `apart`: on the cup's.  Or: look whether one does on the brew's. */
void late_see(struct tracker *tracker, double mass_g, bool apart, double resolution_g, struct tracker_events *events);
void late_look(struct tracker *tracker, struct tracker_events *events);

/* --- tracker_dry.c --- */

/* Sees whether the flow died before the hand let go. */
void dry_watch(struct tracker *tracker);

/* Fills in whether it was pressed dry, as far as the measures and the flow say; what the operator said stands. */
void dry_judge(const struct tracker *tracker, struct measures *measures);

/* --- tracker.c, for tracker_orders.c --- */

/* Reads the story again and reports what is new. */
void tracker_look(struct tracker *tracker, struct tracker_events *events);

/* The brew is over or was none; what happened after from_us belongs to the next. */
void tracker_close_brew(struct tracker *tracker, int64_t from_us);

/* A new event; NULL when there is no room. */
struct tracker_event *tracker_report(struct tracker *tracker, struct tracker_events *events,
                                     enum tracker_event_kind kind, int64_t at_us);

/* Reports every measure that differs from what was reported, and notes that it was. */
void tracker_report_measures(struct tracker *tracker, struct tracker_events *events, const struct measures *now,
                             struct measures *reported, uint32_t brew, int limit);

/* Fills in the numbers that follow from others. */
void tracker_derive(struct measures *measures);

/* --- tracker_story.c, for tracker_measures.c --- */

enum phase { PHASE_SETUP, PHASE_WATER, PHASE_PRESSED, PHASE_AWAY, PHASE_WEIGHED };

struct reader {
    const struct tracker *tracker;
    struct story *out;
    struct press press;
    enum phase phase;
    double zero_g, level_g;
    double dose_from_g; /* load before the dose; NAN: no dose seen */
    int64_t dose_us;
    double first_thing_g, cup_g; /* the first thing put down; it was the cup if more followed */
    int things;
    int64_t thing_us; /* when the last thing was put down */
    double full_g;    /* load before it was taken away */
    double water_from_g, first_water_g, poured_g;
    double dose_from_u_g, dose_u_g, water_u_g, poured_to_u_g, weighed_u_g; /* of the levels that these come from */
    int64_t pour_ended_us, first_ended_us, second_water_us;
    int pours;
    int64_t stir_ended_us;
    int64_t steeped_us; /* when the last pour ended */
    double poured_to_g; /* the load after the last pour */
    int64_t leaned_us;  /* when it ended, or a spoon was seen on its heels; 0: another thing was moved since */
    bool unrested;      /* the load did not come to rest after the last pour */
    int64_t brewer_us;  /* when the brewer was lifted off the cup with all that was poured; 0: it stands there */
    int64_t away_us;
    double lifted_u_s; /* the press began somewhere after it was lifted off; 0: it was seen to begin */
    bool left_weighing;
    int64_t back_us;  /* when what was taken away was put down again */
    double weighed_g; /* the full cup */
};

/* Says that a stage began, after all said before. */
void story_say(struct reader *reader, enum stage stage, int64_t at_us, double u_s);

/* The pour has ended, if one was open or might have gone on. */
void story_end_pour(struct reader *reader, double u_s);

/* --- tracker_beverage.c --- */

/* The empty cup below a full one: seen, or the known one that fits; NAN.  doubt_g (NULL: not wanted) is how far apart
 * those are that fit. */
double story_cup_of(const struct reader *reader, double full_g, double *doubt_g);

/* What should have come through, and whether so much may have. */
double story_expected_beverage_g(const struct reader *reader);
bool story_is_likely_beverage(const struct reader *reader, double beverage_g);

/* Whether it weighs what a known cup does with nothing in it. */
bool story_is_empty_cup(const struct reader *reader, double load_g);

/* What was weighed is the full cup: the beverage of it, and how sure the empty one is. */
void story_take_beverage(struct reader *reader);

/* --- tracker_measures.c --- */

/* Fills in all measures that the story can give. */
void story_measure(struct reader *reader);

/* How well a begin of a stage is known that a piece places with u_s by the instrument's pace. */
double story_begin_u_s(const struct tracker *tracker, enum stage stage, double u_s);

/* A measure and its uncertainty; NAN for both when it is not known. */
void story_set(struct measures *measures, enum measure measure, double value, double u);

#endif
