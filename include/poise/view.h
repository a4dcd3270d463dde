/* What a screen knows of a bench: messages in, questions about now answered.  Every screen draws from this and from the
 * guide, so that a terminal and a tablet show the same.
 *
 * Pure but for view_history: no screen, no socket, no clock; local time is an argument.  A bench publishes when
 * something changes; between its messages its clock is carried on here, and nothing else: load, water, flow and
 * pressure are those of its last message. */
#ifndef POISE_VIEW_H
#define POISE_VIEW_H

#include <stdbool.h>
#include <stdint.h>

#include "poise/guide.h"
#include "poise/bend.h"
#include "poise/messages.h"
#include "poise/shown_units.h"
#include "poise/timeline.h"
#include "poise/why.h"

#pragma GCC visibility push(default)

enum {
    VIEW_STATIONS = 16, /* more than fit on any screen */
    VIEW_WAITING = 16,
    VIEW_WORD = 48 /* an experiment's name */
};

/* What the bench knew with the last reading or state; NAN: not known (message_reading describes each). */
struct view_seen {
    double load_g, water_g, flow_g_per_s, press_kpa, added_g, weighed_g;
    bool tared, cup_left;
};

struct view_station {
    char name[NAME_SIZE];
    enum stage stage;
    int64_t stage_at_us;                        /* 0: not known */
    char brew[BREW_SIZE];                       /* empty: none */
    int64_t first_water_us;                     /* 0: not yet */
    double piston_diameter_mm, press_limit_kpa; /* NAN or 0: not known */
    struct timeline timeline;                   /* of the brew under way */
    bool correcting;                            /* a stage took back others: what follows it is still to come */
    struct measures measures;
    bool above[MEASURE_COUNT];
    bool has_next;
    struct guide_run next;           /* the run under way, or else the next */
    struct guide_run brewed, before; /* the newest run seen brewing here, and the one before it; run 0: none */
    struct bend curve;               /* of earlier cups like `next`; of 0 cups: none is known */
    char question[NAME_SIZE], question_detail[DETAIL_SIZE];
    int question_measure;                    /* -1: the answer is no measure */
    double question_guess, question_guess_u; /* what is taken for it until it is answered; NAN: nothing */
    char question_brew[BREW_SIZE];           /* the running one, or the last */

    /* the scale */
    char scale[NAME_SIZE];     /* empty: there is none */
    char condition[NAME_SIZE]; /* "ready", "searching", "silent", "lost", "refused", "flooded" */
    enum reading_status status;
    struct decimal shown; /* its last indication ... */
    int stable;
    int64_t shown_at_us; /* ... and when; 0: none yet */
    struct view_seen seen;
    double slurry_c;
};

struct view_waiting {
    char brew[BREW_SIZE];
    int have, want;
    int64_t since_us; /* when it was weighed; 0: not known */
};

/* A strength reading that may be either of two brews'. */
struct view_unsure {
    int64_t seq;
    double strength_pct, chance, other_chance;
    char likely[BREW_SIZE], other[BREW_SIZE];
};

struct view {
    bool found;            /* the bench is there */
    int64_t gone_local_us; /* since when it is not */
    bool has_state;        /* a state has come: there is something to show */
    char bench[NAME_SIZE];
    double rate;
    int64_t bench_us, local_us; /* both clocks at the last message; time_us at the same moment */
    int64_t time_us;
    struct view_station station[VIEW_STATIONS];
    int stations;
    struct view_waiting waiting[VIEW_WAITING];
    int waiting_count;
    struct view_unsure unsure; /* the first of them; seq 0: there is none */
    char last_brew[BREW_SIZE];
    struct measures last;
    bool last_above[MEASURE_COUNT];
    int last_kept; /* its plan: 1, 0, -1 none or not known */
    char experiment[VIEW_WORD], title[DETAIL_SIZE];
    int plan_done, plan_of;    /* 0 of 0: no plan */
    double planned_steep_s;    /* from the command line; NAN: only the plan knows */
    struct shown_units chosen; /* by the reader; set it behind view_begin */
    struct guide_units units;  /* by which all is shown */
    char strength[NAME_SIZE];  /* the refractometer with the latest reading */
    struct decimal strength_shown;
    int64_t strength_at_us;
    char notice[DETAIL_SIZE]; /* the last warning or change of an instrument ... */
    int64_t notice_local_us;  /* ... and when; 0: none */
    bool notice_bad;
};

void view_begin(struct view *model, double planned_steep_s);

/* What happened, at local CLOCK_BOOTTIME microseconds. */
void view_found(struct view *model, int64_t local_us);
void view_gone(struct view *model, int64_t local_us);
void view_message(struct view *model, const struct message *message, int64_t local_us);
void view_notice(struct view *model, bool bad, int64_t local_us, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

/* The bench's clock now. */
int64_t view_now_us(const struct view *model, int64_t local_us);
int64_t view_time_us(const struct view *model, int64_t local_us);

/* Of one station at the bench's `now_us`.  NAN: not known. */
double station_steep_s(const struct view_station *station, int64_t now_us); /* since first water */
double station_stage_s(const struct view_station *station, int64_t now_us); /* since the stage began */
double station_age_s(const struct view_station *station, int64_t now_us);   /* of the scale's indication */

/* How much of what can be had a cup pressed after `steep_s` would have (0 to 1), by earlier cups; NAN: not known. */
double station_share(const struct view_station *station, double steep_s);

/* When 95 % of what can be had is in the cup, as poise-report answers the same question; NAN: not known, or no earlier
 * cup steeped so long. */
double station_final_s(const struct view_station *station);

bool station_brewing(const struct view_station *station); /* dose to press */
bool station_had(const struct view_station *station, enum stage stage);

/* The guess that an open question can be answered with, "198 ± 6 g"; empty: there is none.  Returns `out`. */
char *station_guess_words(const struct view *model, const struct view_station *station, char *out, size_t size);

/* The run that was brewed here before `next`; NULL: none that was seen. */
const struct guide_run *station_run_before(const struct view_station *station);

/* What to do now at this station. */
void station_guide(const struct view *model, const struct view_station *station, int64_t now_us, struct guide *out);

/* Which of its moments came since the last call, 1 << enum guide_moment; what had come when a brew is first seen counts
 * as rung.  `bell` is the caller's, zeroed. */
struct view_bell {
    struct {
        char brew[BREW_SIZE];
        unsigned moments;
    } rung[VIEW_STATIONS];
};
unsigned view_bell(const struct view *model, struct view_bell *bell, int64_t now_us);

/* Gives every station the curve of its run's earlier cups out of the store at `path`, or none.  Reads a file: called
 * when a brew begins or ends, never while drawing.  0; or a negative errno, then no station has one: -ENOENT when there
 * is no such file (yet). */
int view_history(struct view *view, const char *path, struct why *why);

#pragma GCC visibility pop

#endif
