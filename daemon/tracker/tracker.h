/* The stage tracker: readings of one station in, what happened out.
 *
 * Pure: no clock, no I/O, no allocation; time is an argument and never runs backwards.  It is reported
 * nothing and needs no button; the operator's mark wins at any time.  The whole state is one block
 * of plain bytes: it may be copied, saved and restored by the same build. */
#ifndef POISE_TRACKER_H
#define POISE_TRACKER_H

#include <stdbool.h>
#include <stdint.h>

#include "poise/reading.h"
#include "poise/stages.h"

enum { TRACKER_CUPS = 16, TRACKER_EVENTS = 32, TRACKER_WORDS = 200 };

/* What a station is like: its configuration. */
struct tracker_config {
    double piston_diameter_mm;  /* 0: no pressure from force */
    double press_limit_kpa;     /* 0: no warning */
    double retained_g_per_g;    /* liquid held per gram of coffee, until measured */
    double last_drops_g;        /* what comes when a press goes on until the flow dies; 0: not known */
    double cup_g[TRACKER_CUPS]; /* known cups by their empty mass */
    int cup_count;
    int64_t lag_us; /* of the mass instrument's filter; 0: not known */
};

/* What the plan says of the next or running brew; NAN: nothing. */
struct tracker_plan {
    double target[MEASURE_COUNT];
    double tolerance[MEASURE_COUNT];
};

enum tracker_event_kind {
    TRACKER_BEGIN,   /* a brew begins */
    TRACKER_STAGE,   /* a stage begins; it takes back every stage of the brew that was reported to begin at its at_us or
                      * later (within a millisecond), so a correction repeats what it changes and what follows again;
                      * idle only takes back, as when the first stage turns out to begin later */
    TRACKER_MEASURE, /* a measure is known or corrected */
    TRACKER_WARNING,
    TRACKER_QUESTION, /* it cannot know and would like to be reported; what it assumed stands until then */
    TRACKER_END,      /* the brew is over; only strength may still come */
    TRACKER_DISCARD,  /* it was no brew after all, or it was abandoned */
    TRACKER_WEIGHED /* what vessels weighed: `weighed`, value and uncertainty; said again when it is found otherwise */
};

/* What was weighed of vessels, in grams above the empty scale.  None is said where it was not seen. */
enum tracker_weighed {
    WEIGHED_FULL,  /* the full cup of the brew */
    WEIGHED_CUP,   /* the same cup, seen empty in the brew; NAN: not, after all */
    WEIGHED_BARE,  /* all that stood there before the coffee came: cup, brewer, or both */
    WEIGHED_ALONE, /* no brew is running: one thing was set down on the empty scale (brew: the one before) */
};

struct tracker_event {
    enum tracker_event_kind kind;
    uint32_t brew; /* this tracker's own count of brews, from 1 */
    int64_t at_us; /* when it truly happened */
    int64_t at_uncertainty_us;
    enum stage stage; /* STAGE */
    int by_operator;
    enum measure measure;         /* MEASURE, QUESTION (what the answer would be) */
    enum tracker_weighed weighed; /* WEIGHED */
    double value;                 /* MEASURE; NAN takes it back.  WEIGHED */
    double standard_uncertainty;
    bool above;                 /* the value is a lower bound */
    char word[33];              /* WARNING, QUESTION: "press-too-hard", "overload", "empty-cup-mass", ... */
    char detail[TRACKER_WORDS]; /* one sentence for people */
};

struct tracker_events {
    struct tracker_event event[TRACKER_EVENTS];
    int count;
};

struct tracker;

/* Bytes one tracker takes; a multiple of 16. */
size_t tracker_size(void);

/* A number that differs between layouts of the state: a saved state is restored only by its like. */
uint32_t tracker_layout(void);

/* Whether a restored state can be worked with: every count in it lies within its list. */
bool tracker_sound(const struct tracker *tracker);

/* Makes zeroed memory of tracker_size() bytes a tracker at rest. */
void tracker_begin(struct tracker *tracker, const struct tracker_config *config);

/* New configuration or plan; the brew under way goes on.  NULL leaves that one alone. */
void tracker_configure(struct tracker *tracker, const struct tracker_config *config, const struct tracker_plan *plan);

/* One reading of the station: mass, pressure or temperature.  reading->mono_us is its time.  Events
 * are appended; the array never overflows (at most 16 per call). */
void tracker_reading(struct tracker *tracker, const struct reading *reading, struct tracker_events *events);

/* One reading of the station's second scale, the one that the cup stands on or comes to.  Other quantities are
 * passed over. */
void tracker_second(struct tracker *tracker, const struct reading *reading, struct tracker_events *events);

/* The second scale fell silent or was lost. */
void tracker_second_gap(struct tracker *tracker);

/* The station's mass instrument fell silent or was lost: nothing is known until it speaks again. */
void tracker_gap(struct tracker *tracker, int64_t now_us, struct tracker_events *events);

/* Time alone has passed.  Call it at tracker_deadline(), or later. */
void tracker_time(struct tracker *tracker, int64_t now_us, struct tracker_events *events);

/* When tracker_time wants to be called; 0: never. */
int64_t tracker_deadline(const struct tracker *tracker);

/* A tare was ordered: the next jump to zero is one. */
void tracker_tare_ordered(struct tracker *tracker, int64_t now_us);

/* The operator says that a stage began at at_us.  STAGE_IDLE discards.  Returns 0, or -EINVAL with
 * a reason in `detail` (TRACKER_WORDS bytes) when it cannot be. */
int tracker_mark(struct tracker *tracker, enum stage stage, int64_t at_us, struct tracker_events *events, char *detail);

/* Takes a mark back that was given for this very moment.  Returns as tracker_mark: -EINVAL when there is none. */
int tracker_unmark(struct tracker *tracker, enum stage stage, int64_t at_us, int64_t now_us,
                   struct tracker_events *events, char *detail);

/* The operator begins, ends or discards a brew; returns as tracker_mark. */
int tracker_order_begin(struct tracker *tracker, int64_t now_us, struct tracker_events *events, char *detail);
int tracker_order_end(struct tracker *tracker, int64_t now_us, struct tracker_events *events, char *detail);
int tracker_order_discard(struct tracker *tracker, int64_t now_us, struct tracker_events *events, char *detail);

/* A measure the operator knows better; of the running brew or of the last one (`brew`).
 * What follows from it is corrected by events.  Returns as tracker_mark. */
int tracker_enter(struct tracker *tracker, uint32_t brew, enum measure measure, double value,
                  double standard_uncertainty, int64_t now_us, struct tracker_events *events, char *detail);

/* What a screen shows of it now. */
struct tracker_view {
    enum stage stage;
    int64_t stage_at_us;
    uint32_t brew;            /* 0: none yet */
    double load_g;            /* what stands on the scale, tares added back; NAN: not known */
    double water_g;           /* poured so far; NAN outside a brew */
    double flow_g_per_s;      /* of the pour now */
    double press_kpa;         /* now, while pressing; else NAN */
    int64_t first_water_us;   /* 0: not yet */
    struct measures measures; /* of the running or the last brew */
};
void tracker_view(const struct tracker *tracker, struct tracker_view *out);

#endif
