/* How a load changes that nobody touches: a cell that creeps under what was put on it, steam that leaves a hot brew.
 * What drifts during a movement is none of what was moved. */
#ifndef POISE_TRACKER_DRIFT_H
#define POISE_TRACKER_DRIFT_H

#include <math.h>
#include <stdint.h>

struct drift {
    float weight_s, t, tt, x,
        tx; /* sums over the rest that goes on, the newest counting most; times before newest_us */
    int64_t newest_us;
    double from_g;       /* loads count from it */
    float usual_g_per_s; /* root mean square of what this scale's rests have shown */
};

struct drift_rate {
    float g_per_s, u_g_per_s; /* standard uncertainty; INFINITY: nothing was seen */
};

static const struct drift_rate DRIFT_UNSEEN = { 0, INFINITY };

/* A rest begins. */
void drift_begin(struct drift *drift, double load_g, int64_t at_us);

/* It goes on. */
void drift_take(struct drift *drift, double load_g, int64_t at_us);

/* What the rest alone shows.  noise_g: of one indication, its last digit included. */
struct drift_rate drift_slope(const struct drift *drift, double noise_g);

/* How the load drifts where a rest shows this, held against what is usual with the scale. */
struct drift_rate drift_rate(const struct drift *drift, struct drift_rate slope);

/* The same between two slopes that were seen. */
struct drift_rate drift_between(const struct drift *drift, struct drift_rate first, struct drift_rate last);

/* The rest is over: what it showed becomes part of what is usual. */
void drift_end(struct drift *drift, double noise_g);

#endif
