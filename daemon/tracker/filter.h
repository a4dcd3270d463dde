/* What a scale's own filter does to its indications: one belief per scale, configured or learnt from its jumps, and
 * how it is undone. */
#ifndef POISE_TRACKER_FILTER_H
#define POISE_TRACKER_FILTER_H

#include <stdbool.h>
#include <stdint.h>

#include "kernel.h"
#include "weighing.h"

enum { FILTER_JUMPS = 5 }; /* the newest ones that taught something: their median is robust against two odd ones */

struct filter {
    double configured_s; /* lag; 0: learnt */
    double learnt_s;
    enum kernel kernel;                 /* the likeliest */
    float evidence[KERNELS];            /* for each kind, in nats against the best */
    float lag_s[KERNELS][FILTER_JUMPS]; /* that each jump showed, should it be of that kind */
    int jumps;
    double pace_s;     /* of the readings that taught it */
    int64_t learnt_us; /* when the newest of them began */
    double noise_g;    /* standard deviation of what was last made clear of a moving load */
    uint32_t end;      /* samples made clear */
};

void filter_begin(struct filter *filter, double configured_s);

/* The lag: configured, learnt, or a fair guess. */
double filter_lag_s(const struct filter *filter);

/* What is left of a movement goes like exp(-t / this) at last. */
double filter_tail_s(const struct filter *filter);

/* How far a sudden change is smeared by what undoes the filter, to either side. */
double filter_blur_s(const struct filter *filter, const struct weighing *weighing);

/* How well that is known, as a share of it. */
double filter_doubt(const struct filter *filter);

/* Makes clear what has become so with the newest sample; true: samples up to filter->end are. */
bool filter_clear(struct filter *filter, struct weighing *weighing, bool resting);

/* Makes all samples clear again from this one on: more is known of the filter. */
void filter_clear_again(struct filter *filter, struct weighing *weighing, uint32_t from);

/* What jumped by jump_g, from sample `from` on, has come to rest before `until`.  True: the belief has changed much. */
bool filter_learn(struct filter *filter, const struct weighing *weighing, double jump_g, uint32_t from, uint32_t until);

#endif
