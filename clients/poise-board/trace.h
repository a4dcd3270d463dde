/* The curve of the brew at one station as the pages draw it: water, flow and press against time.
 *
 * Pure.  Bounded: a long brew is kept at half as many points whenever the room is used up; `generation` then changes,
 * so that a page knows that what it has is not the beginning of this. */
#ifndef BOARD_TRACE_H
#define BOARD_TRACE_H

#include <stdbool.h>
#include <stdint.h>

#include "poise/text.h"
#include "poise/view.h"

enum { TRACE_POINTS = 1200 }; /* two minutes at ten a second; no screen has more columns for it */

struct trace_point {
    float s, water_g, flow_g_per_s, press_kpa; /* NAN: not known then */
};

struct trace {
    char brew[BREW_SIZE]; /* empty: none yet */
    int64_t began_us;     /* where the curve begins, on the bench's clock */
    unsigned generation;
    int64_t spacing_us, last_us; /* points lie at least so far apart */
    int count;
    struct trace_point point[TRACE_POINTS];
    struct {
        enum stage stage;
        double s;
    } stage[TIMELINE_STAGES];
    int stages;
};

/* A reading came, or a stage: takes what the station shows at the bench's `now_us`.  The curve stays when its brew has
 * ended, until the next begins. */
void trace_take(struct trace *trace, const struct view_station *station, int64_t now_us);

/* The curve from what was published before: begun for the brew under way (false: there is none, and `fresh` has no
 * brew), given what was known at each time in order, and put before what `trace` has. */
bool trace_recall_begin(struct trace *fresh, const struct view_station *station);
void trace_recall(struct trace *fresh, int64_t mono_us, double water_g, double flow_g_per_s, double press_kpa);
void trace_recalled(struct trace *trace, const struct trace *fresh);

/* {"brew", "generation", "from", "points": [[s, g, g/s, kPa], ...]}: all points behind the first `from`, or all where
 * the page's brew or generation is another. */
void trace_write(const struct trace *trace, const char *brew, unsigned generation, int from, struct text *out);

/* One point as an array. */
void trace_write_point(const struct trace_point *point, struct text *out);

#endif
