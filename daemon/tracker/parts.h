/* What a tracker holds; the rooms beside this one see tracker.h only. */
#ifndef POISE_TRACKER_PARTS_H
#define POISE_TRACKER_PARTS_H

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "tracker/tracker.h"
#include "filter.h"
#include "gauge.h"
#include "ledger.h"
#include "second.h"
#include "segments.h"
#include "story.h"
#include "weighing.h"

enum { MARKS = 8 };

struct mark {
    int64_t at_us;
    unsigned char stage;
};

struct tracker {
    struct tracker_config config;
    struct tracker_plan plan;
    struct weighing weighing;
    struct filter filter;
    struct segments segments;
    double zero_g;               /* absolute load of the empty scale; NAN: not known */
    double alone_g;              /* what stood alone on the scale before this brew and was taken again; NAN: nothing */
    int64_t zero_rest_us;        /* when the rest began that says so */
    struct story story;          /* as last read */
    struct measures measures;    /* of it */
    struct step reported[STEPS]; /* of the running brew */
    int reported_count;
    struct measures reported_measures;
    struct measures entered; /* by the operator, of the running brew: they win */
    struct mark mark[MARKS];
    int mark_count;
    uint32_t brew; /* brews begun so far */
    bool running;  /* BEGIN was reported, END not yet */
    bool warned_pressure, warned_overload, asked_cup, asked_dose;
    int64_t ordered_us;   /* begun by the operator then; 0: not */
    int64_t doubtful_us;  /* since then the running brew seems to be none; 0: it is one */
    struct measures last; /* of the brew before: corrections may still come */
    struct measures last_entered;
    uint32_t last_brew;
    int64_t now_us;
    int64_t looked_us; /* when the story was last read */
    struct gauge gauge;
    struct second second;
    struct late late;
    double weighed_g[WEIGHED_ALONE + 1]; /* as reported, of the running brew; NAN: not */
};

/* --- tracker.c, for orders.c and late.c --- */

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

/* All numbers pass here on their way out: they are held against the law of masses, but for those that the operator
 * entered, and the numbers that follow from them are filled in. */
void tracker_derive(struct measures *measures, const struct measures *entered);

#endif
