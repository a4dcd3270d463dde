/* The cheapest account of what the samples since the anchor show. */
#ifndef POISE_TRACKER_ACCOUNT_H
#define POISE_TRACKER_ACCOUNT_H

#include "segments.h"

enum { STARTS = 110 }; /* a segment began at most so many samples back */

static const double JUMP_MOST_S = 0.9; /* a thing is down within that */

/* A stream is no slower, and no faster, and brings no less. */
static const double FLOW_LEAST_G_PER_S = 0.35, FLOW_MOST_G_PER_S = 50, FLOW_LEAST_G = 2;

/* What indications at rest scatter by, or a fair guess. */
double account_rest_noise_g(const struct segments *segments, const struct weighing *weighing);

/* What a still load's indications scatter by: the scale's own noise, and what undoing its filter adds. */
double account_sigma_g(const struct segments *segments, const struct weighing *weighing, const struct filter *filter);

/* Finds the cheapest account up to sample j; those of all before it are known. */
void account_push(struct segments *segments, const struct weighing *weighing, double sigma_g, uint32_t j);

/* Ends of the segments of the cheapest account, newest first; returns how many of SEGMENTS_OPEN. */
int account_trace(const struct segments *segments, const struct weighing *weighing, uint32_t *end);

/* What a segment of this kind costs that goes on from the anchor to sample `to`. */
double account_going_on(const struct segments *segments, const struct weighing *weighing, double sigma_g, int kind,
                        uint32_t to);

#endif
