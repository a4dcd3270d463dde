/* What stands on a station's scale as a person sees it: where the tracker does not know yet, or waits until it is sure.
 *
 * The tracker reports a dose when water comes, and water when it has seen it flow: before, a knock might be either.  A
 * hand that weighs coffee, or that has just marked a pour, cannot wait for that.  So this names no dose and no water of
 * the record: it follows what the scale gained, and since when.  Loads come from the tracker, which alone knows tares;
 * nothing here looks for them.  Pure; plain bytes, kept and restored with the tracker. */
#ifndef POISE_PAN_H
#define POISE_PAN_H

#include <stdbool.h>
#include <stdint.h>

#include "poise/timeline.h"

enum { PAN_READINGS = 64 }; /* three seconds at twenty a second: the rest before something began */

/* What was on the scale before small things were added. */
enum pan_since { SINCE_NOTHING, SINCE_SET_DOWN, SINCE_ZERO };

struct pan {
    struct pan_reading {
        int64_t at_us;
        double load_g, shown_g;
    } recent[PAN_READINGS];
    int count, next;
    bool sees; /* the newest reading has a value */
    bool cup_left;
    struct {
        bool known;
        double load_g, tared_g; /* when the scale last stood still; and what tares had taken off by then */
        double base_g;          /* the load before small things were added ... */
        enum pan_since since;   /* ... and what had happened; SINCE_NOTHING: nothing that asks for coffee */
        double weighed_g;       /* added, then tared away; NAN: nothing */
    } rest;
    struct {
        int64_t at_us; /* of the pour that was marked; 0: none */
        bool open;
        double water_g, load_g; /* in when it began, or ended, and the load then */
    } pour;
    struct {
        int64_t at_us; /* of the press; 0: none */
        double load_g; /* just before it */
    } press;
    double gauge_kpa;
    int64_t gauge_us; /* 0: no pressure instrument has spoken */
};

void pan_begin(struct pan *pan);

/* Whether a restored one can be worked with. */
bool pan_sound(const struct pan *pan);

/* A reading of the scale and the load that the tracker makes of it; shown_g is NAN where there is no value (an
 * overload: then the load is a lower bound), stable 1, 0 or -1. */
void pan_reading(struct pan *pan, int64_t at_us, double shown_g, int stable, double load_g);

/* A pressure instrument of the station. */
void pan_gauge(struct pan *pan, int64_t at_us, double kpa);

/* A stage of the running brew was reported; `water_g` is what is known to be in, NAN: nothing. */
void pan_stage(struct pan *pan, const struct timeline *timeline, double water_g);

/* A brew began, ended with its cup standing there, or was discarded. */
void pan_brew(struct pan *pan, bool ended);

/* ---- what is seen; NAN: not known, or nothing of that kind ---- */

/* Before a brew: added since the tare, or since something heavy was set down: coffee, perhaps. */
double pan_added_g(const struct pan *pan);

/* Before a brew: added and then tared away: the dose, perhaps. */
double pan_weighed_g(const struct pan *pan);

/* Something stands there and was tared away. */
bool pan_tared(const struct pan *pan);

/* In the brew's pour that was marked by hand, also after it: the water in. */
double pan_water_g(const struct pan *pan);

/* Over the last second. */
double pan_flow_g_per_s(const struct pan *pan);

/* More on the scale than just before the press, in grams. */
double pan_pressed_g(const struct pan *pan);

/* A pressure instrument's newest indication, while it is new at `now_us`. */
double pan_gauge_kpa(const struct pan *pan, int64_t now_us);

#endif
