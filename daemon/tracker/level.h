/* At which level a load rests: a mean, or while the filter's tail of a jump is still in it, where that tail leads. */
#ifndef POISE_TRACKER_LEVEL_H
#define POISE_TRACKER_LEVEL_H

#include "filter.h"
#include "weighing.h"

struct level {
    double g, u_g;
};

/* The level of the samples from `from` to before `to`, after a movement of moved_g that was over at moved_us.  At least
 * one sample. */
/* How long ago the level was what was found for a rest from then to now. */
double level_age_s(int64_t begin_us, int64_t end_us);

struct level level_fit(const struct weighing *weighing, const struct filter *filter, uint32_t from, uint32_t to,
                       int64_t moved_us, double moved_g);

#endif
