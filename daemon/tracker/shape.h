/* When a movement began or ended, by its shape. */
#ifndef POISE_TRACKER_SHAPE_H
#define POISE_TRACKER_SHAPE_H

#include "filter.h"
#include "weighing.h"

/* Where a movement began that left level_g after sample `rest`, by its shape; or with step < 0, where a stream ended
 * that came to it before that sample. */
int64_t shape_began_us(const struct weighing *weighing, const struct filter *filter, uint32_t rest, uint32_t until,
                       int step, double level_g, double way_g, double sigma_g, bool flow);

/* A blow before a hand's movement is none of it: the last sample near level_g before the movement goes far. */
uint32_t shape_after_knock(const struct weighing *weighing, uint32_t from, uint32_t to, double level_g, double way_g,
                           double sigma_g);

/* Where a movement ended that came to level_g at sample `rest`: what is left of its range then is the filter's.  The
 * rest may have been taken to begin too early: some of it is looked at, too, but no sample after `until`. */
int64_t shape_ended_us(const struct weighing *weighing, uint32_t rest, uint32_t until, uint32_t from, double level_g,
                       double range_g, bool shaken, double sigma_g);

/* Such a share of a thing's way left is the filter's, not the hand's. */
static const double SHAPE_END_SHARE = 0.14;

#endif
