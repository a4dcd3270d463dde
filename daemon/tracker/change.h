/* When a stream ended, or a lift began: changes of course, found by least squares through the scale's filter. */
#ifndef POISE_TRACKER_CHANGE_H
#define POISE_TRACKER_CHANGE_H

#include "filter.h"
#include "weighing.h"

/* A stream that falls for a tenth of a second pushes with the weight of what fell in that time, from the
 * first drop on: water seems to come, and to end, that much before it does.  A little less, since kettles
 * are held low.  Grains, of which less is weighed, fall singly. */
enum { STREAM_US = 80000, STREAM_LEAST_G = 24 };

/* When a stream ended that began at began_us, brought so much and has come to rest about near_us; 0: that cannot be
 * said. */
int64_t change_stream_end_us(const struct weighing *weighing, const struct filter *filter, int64_t began_us,
                             double grams, int64_t near_us);

/* When a lift from one level began that has come to rest at another; 0: it was none, or that cannot be said. */
int64_t change_lift_begin_us(const struct weighing *weighing, const struct filter *filter, double from_g,
                             double level_g);

/* What is against a jump from sample `from` to before `until`, shown through such a filter; twice nats.  *lag_s: a
 * guess in, the likeliest out; *points gets how many samples that is about.  INFINITY: it was no jump, or too little is
 * seen. */
double change_jump_against(const struct weighing *weighing, enum kernel kernel, uint32_t from, uint32_t until,
                           double jump_g, double *lag_s, int *points);

/* When hands had done that put down or lifted jump_g; from and until as above.  0: it was more than that. */
int64_t change_jump_end_us(const struct weighing *weighing, const struct filter *filter, uint32_t from, uint32_t until,
                           double jump_g);

#endif
