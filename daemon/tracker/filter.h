/* What a scale's own filter does to its indications: one belief per scale, configured or learnt from its jumps, and
 * how it is undone. */
#ifndef POISE_TRACKER_FILTER_H
#define POISE_TRACKER_FILTER_H

#include <stdbool.h>
#include <stdint.h>

#include "weighing.h"

enum { FILTER_TAILS = 7 }; /* the newest ones that taught something: their median is robust against two odd ones */

/* The filter is taken for two equal poles of half the lag: the right delay of a ramp, and near enough to one pole. */
struct filter {
    double configured_s; /* lag; 0: learnt */
    double learnt_s;
    float tail_s[FILTER_TAILS];
    int tails, jumps;
    double noise_g; /* standard deviation of what was last made clear of a moving load */
    uint32_t end;   /* samples made clear */
};

void filter_begin(struct filter *filter, double configured_s);

/* The lag: configured, learnt, or a fair guess. */
double filter_lag_s(const struct filter *filter);

/* How far a sudden change is smeared by what undoes the filter, to either side. */
double filter_blur_s(const struct filter *filter, const struct weighing *weighing);

/* How well that is known, as a share of it. */
double filter_doubt(const struct filter *filter);

/* Makes clear what has become so with the newest sample; true: samples up to filter->end are. */
bool filter_clear(struct filter *filter, struct weighing *weighing, bool resting);

/* Makes all samples clear again from this one on: more is known of the filter. */
void filter_clear_again(struct filter *filter, struct weighing *weighing, uint32_t from);

/* The load came to rest at level_g after a jump by jump_g: the samples from `from` to before `to` may hold its tail.
 * True: the belief has changed much. */
bool filter_learn(struct filter *filter, const struct weighing *weighing, double jump_g, double level_g, uint32_t from,
                  uint32_t to);

#endif
