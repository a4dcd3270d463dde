/* What the timer knows of a bench: messages in, questions about now answered.
 *
 * Pure: no terminal, no socket, no clock; local time is an argument.  A bench speaks when something
 * changes; between its messages its clock is carried on here. */
#ifndef TIMER_MODEL_H
#define TIMER_MODEL_H

#include <stdbool.h>
#include <stdint.h>

#include "poise/guide.h"
#include "poise/kinetics.h"
#include "poise/messages.h"

enum {
    TIMER_STATIONS = 16, /* more than fit on any screen */
    TIMER_STAGES = 32,   /* of one brew: two stirs and three pours are 10 */
    TIMER_WAITING = 16,
    TIMER_READINGS = 128, /* six seconds at twenty a second: flow, and the moment before the press */
    TIMER_WORD = 48       /* an experiment's name */
};

struct timer_point {
    int64_t mono_us;
    double g;
};

/* What was on the scale before small things were added, as its readings show it. */
enum rest_since { SINCE_NOTHING, SINCE_SET_DOWN, SINCE_ZERO };
struct timer_rest {
    bool known;
    double last_g;         /* the indication when the scale last stood still */
    double base_g;         /* the same before small things were added ... */
    enum rest_since since; /* ... and what had happened; SINCE_NOTHING: nothing that asks for coffee */
    double weighed_g;      /* added, then tared away; NAN: nothing */
};

/* The curve of the earlier cups of a run. */
struct timer_curve {
    size_t cups; /* 0: none is known */
    struct kinetics_fit fit;
};

struct timer_station {
    char name[NAME_SIZE];
    enum stage stage;
    int64_t stage_at_us;                        /* 0: not known */
    char brew[BREW_SIZE];                       /* empty: none */
    int64_t first_water_us;                     /* 0: not yet */
    double piston_diameter_mm, press_limit_kpa; /* NAN or 0: not known */
    struct {
        enum stage stage;
        int64_t at_us;
    } stages[TIMER_STAGES];
    int stage_count;
    struct measures measures;
    bool above[MEASURE_COUNT];
    bool cup_left; /* the brew ended, and what stood there then has not been taken off */
    bool has_next;
    struct guide_run next;           /* the run under way, or else the next */
    struct guide_run brewed, before; /* the newest run seen brewing here, and the one before it; run 0: none */
    struct timer_curve curve;        /* of earlier cups like `next` */
    char question[NAME_SIZE], question_detail[DETAIL_SIZE];
    int question_measure;          /* -1: the answer is no measure */
    char question_brew[BREW_SIZE]; /* the running one, or the last */

    /* the scale */
    char scale[NAME_SIZE];     /* empty: there is none */
    char condition[NAME_SIZE]; /* "ready", "searching", "silent", "lost", "refused", "flooded" */
    enum reading_status status;
    struct decimal shown; /* its last indication ... */
    int stable;
    int64_t shown_at_us;              /* ... and when; 0: none yet */
    double offset_g;                  /* what tares have taken off the indication; NAN: not known */
    double reported_load_g;           /* by the last state; NAN: it did not know */
    double water_base_g, load_base_g; /* water poured and load at one moment; since then the scale shows */
    double press_base_g;              /* what the scale showed just before the press */
    struct timer_point recent[TIMER_READINGS];
    int recent_count, recent_next;
    struct timer_rest rest;

    struct { /* what the bench makes of the same indication: that counts where it knows; NAN: it does not */
        double load_g, water_g, flow_g_per_s, press_kpa;
    } bench;

    double gauge_kpa; /* a pressure instrument's last indication; NAN: none */
    int64_t gauge_at_us;
    double slurry_c;
};

struct timer_waiting {
    char brew[BREW_SIZE];
    int have, want;
    int64_t since_us; /* when it was weighed; 0: not known */
};

struct timer_model {
    bool found;            /* the bench is there */
    int64_t gone_local_us; /* since when it is not */
    bool heard;            /* a state has come: there is something to show */
    char bench[NAME_SIZE];
    double rate;
    int64_t bench_us, local_us; /* both clocks at the last message; time_us at the same moment */
    int64_t time_us;
    struct timer_station station[TIMER_STATIONS];
    int stations;
    struct timer_waiting waiting[TIMER_WAITING];
    int waiting_count;
    char last_brew[BREW_SIZE];
    struct measures last;
    bool last_above[MEASURE_COUNT];
    int last_kept; /* its plan: 1, 0, -1 none or not known */
    char experiment[TIMER_WORD], title[DETAIL_SIZE];
    int plan_done, plan_of;   /* 0 of 0: no plan */
    double planned_steep_s;   /* from the command line; NAN: only the plan knows */
    struct guide_units units; /* that the reader chose */
    char strength[NAME_SIZE]; /* the refractometer that spoke last */
    struct decimal strength_shown;
    int64_t strength_at_us;
    char notice[DETAIL_SIZE]; /* the last warning or change of an instrument ... */
    int64_t notice_local_us;  /* ... and when; 0: none */
    bool notice_bad;
};

void model_begin(struct timer_model *model, double planned_steep_s);

/* What happened, at local CLOCK_BOOTTIME microseconds. */
void model_found(struct timer_model *model, int64_t local_us);
void model_gone(struct timer_model *model, int64_t local_us);
void model_message(struct timer_model *model, const struct message *message, int64_t local_us);
void model_notice(struct timer_model *model, bool bad, int64_t local_us, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

/* The bench's clock now. */
int64_t model_now_us(const struct timer_model *model, int64_t local_us);
int64_t model_time_us(const struct timer_model *model, int64_t local_us);

/* Of one station at the bench's `now_us`.  NAN: not known. */
double station_steep_s(const struct timer_station *station, int64_t now_us); /* since first water */
double station_stage_s(const struct timer_station *station, int64_t now_us); /* since the stage began */
double station_water_g(const struct timer_station *station);                 /* poured so far */
double station_flow_g_per_s(const struct timer_station *station, int64_t now_us);
double station_press_kpa(const struct timer_station *station, int64_t now_us); /* now, while pressing */
double station_age_s(const struct timer_station *station, int64_t now_us);     /* of the scale's indication */
/* Added since something heavy was set down or the scale went to zero: coffee, perhaps.  NAN: nothing of the kind. */
double station_added_g(const struct timer_station *station, enum rest_since *since);

/* How much of what can be had a cup pressed after `steep_s` would have (0 to 1), by earlier cups; NAN: not known. */
double station_share(const struct timer_station *station, double steep_s);

bool station_brewing(const struct timer_station *station); /* dose to press */
bool station_had(const struct timer_station *station, enum stage stage);

/* The run that was brewed here before `next`; NULL: none that was seen. */
const struct guide_run *station_run_before(const struct timer_station *station);

/* What to do now at this station. */
void station_guide(const struct timer_model *model, const struct timer_station *station, int64_t now_us,
                   struct guide *out);

/* Which of its moments came since the last call, 1 << enum guide_moment; what had come when a brew is first seen counts
 * as heard.  `heard` is the caller's, zeroed. */
struct timer_bell {
    struct {
        char brew[BREW_SIZE];
        unsigned moments;
    } heard[TIMER_STATIONS];
};
unsigned model_bell(const struct timer_model *model, struct timer_bell *heard, int64_t now_us);

#endif
