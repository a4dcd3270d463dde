/* A movement of the load as the story reads it: what was between two rests, or a part of it.  It knows hands, not
 * coffee. */
#ifndef POISE_TRACKER_ACT_H
#define POISE_TRACKER_ACT_H

#include "segments.h"

/* A movement between rests, or a part of one. */
struct act {
    int64_t begin_us, end_us;
    double before_g, after_g, before_u_g, after_u_g, low_g, high_g;
    double over_g; /* mean of the load above before_g */
    double peak_g; /* the highest that was indicated */
    double active_s, span_s, path_g, begin_u_s, end_u_s;
    double crept_g;       /* how far the load drifted meanwhile: none of the difference */
    double pause_s;       /* since the one before it */
    double shown_after_g; /* what the instrument shows then */
    bool flow, jump, blind, blind_after, flowing, open, rest_after, rested_before, overload;
    bool unseen; /* in a silence of the scale: how far it went is not known; hands that stirred had done end_u_s later,
                  * hands that pressed so much earlier */
    enum shaken shaken;
};

struct tracker;

/* The segment i of a list as a movement from before_g. */
struct act act_of(const struct tracker *tracker, const struct segment *list, int count, int i, double before_g);

/* Acts of one run of movements without a rest: tails, shaking and streams are put together.  doubt: of the filter.
 * Returns how many. */
int act_gather(struct act *act, int count, double doubt);

/* A blow goes out and back once; hands go back and forth. */
bool act_is_knock(const struct act *act);

/* A hand presses. */
bool act_is_force(const struct act *act);

/* Hands go back and forth; what is poured goes one way.  Against it: nats. */
double act_against_one_way(const struct act *act);

/* Of the difference that it made. */
double act_level_u2(const struct act *act);

#endif
