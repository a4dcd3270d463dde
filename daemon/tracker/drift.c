/* The slope of a rest by least squares that forgets, and the scale's own usual drift as what is expected of it: a scale
 * whose rests never drift has none, whatever a few last digits seem to show. */
#include "drift.h"

#include <math.h>
#include <stdbool.h>

#include "cadence.h"

/* Drift is even for about so long: creep fades within tens of seconds (common practice, no source). */
static const double EVEN_S = 8;

/* A second's indications of a still load are one witness: they are rounded alike. */
static const double WITNESS_S = 1;

/* A slope so many times its own uncertainty is drift; and so much of what is usual is the last rest's. */
static const double SHOWS = 2.5, LAST_SHARE = 0.4;

/* No scale that is worth using drifts faster: that is water running, or out. */
static const double DRIFT_MOST_G_PER_S = 0.07;

void drift_begin(struct drift *drift, double load_g, int64_t at_us)
{
    drift->weight_s = drift->t = drift->tt = drift->x = drift->tx = 0;
    drift->from_g = load_g;
    drift->newest_us = at_us;
}

void drift_take(struct drift *drift, double load_g, int64_t at_us)
{
    float dt = (float)seconds(drift->newest_us, at_us), x = (float)(load_g - drift->from_g);
    float keep = (float)EVEN_S / ((float)EVEN_S + dt), weight = fminf(dt, (float)WITNESS_S);

    drift->newest_us = at_us;
    drift->tt = keep * (drift->tt - 2 * dt * drift->t + dt * dt * drift->weight_s); /* all are dt older */
    drift->tx = keep * (drift->tx - dt * drift->x);
    drift->t = keep * (drift->t - dt * drift->weight_s);
    drift->x = keep * drift->x + weight * x;
    drift->weight_s = keep * drift->weight_s + weight;
}

struct drift_rate drift_slope(const struct drift *drift, double noise_g)
{
    double w = (double)drift->weight_s, spread = (double)drift->tt - (double)drift->t * (double)drift->t / w;

    if (!(w > 0 && spread > 0))
        return DRIFT_UNSEEN;
    return (struct drift_rate){ (float)(((double)drift->tx - (double)drift->t * (double)drift->x / w) / spread),
                                (float)(noise_g / sqrt(spread / WITNESS_S)) };
}

static bool shows(struct drift_rate slope)
{
    return fabsf(slope.g_per_s) > (float)SHOWS * slope.u_g_per_s && fabsf(slope.g_per_s) < (float)DRIFT_MOST_G_PER_S;
}

struct drift_rate drift_rate(const struct drift *drift, struct drift_rate slope)
{
    float usual2 = drift->usual_g_per_s * drift->usual_g_per_s, seen2 = slope.u_g_per_s * slope.u_g_per_s, share;

    if (shows(slope))
        usual2 = fmaxf(usual2, slope.g_per_s * slope.g_per_s);
    if (!(usual2 > 0))
        return (struct drift_rate){ 0, 0 };
    if (isinf(seen2) || fabsf(slope.g_per_s) > (float)DRIFT_MOST_G_PER_S)
        return (struct drift_rate){ 0, sqrtf(usual2) };
    share = usual2 / (usual2 + seen2);
    return (struct drift_rate){ share * slope.g_per_s, sqrtf(share * seen2) };
}

struct drift_rate drift_between(const struct drift *drift, struct drift_rate first, struct drift_rate last)
{
    float first_w = 1 / (first.u_g_per_s * first.u_g_per_s), last_w = 1 / (last.u_g_per_s * last.u_g_per_s);
    float w = first_w + last_w;

    if (!(w > 0))
        return drift_rate(drift, DRIFT_UNSEEN);
    return drift_rate(drift,
                      (struct drift_rate){ (first_w * first.g_per_s + last_w * last.g_per_s) / w, 1 / sqrtf(w) });
}

void drift_end(struct drift *drift, double noise_g)
{
    struct drift_rate slope = drift_slope(drift, noise_g);
    float usual2 = drift->usual_g_per_s * drift->usual_g_per_s;

    if (shows(slope) || slope.u_g_per_s < drift->usual_g_per_s) /* or it would have been seen */
        usual2 += (float)LAST_SHARE
                  * (fminf(slope.g_per_s * slope.g_per_s, (float)(DRIFT_MOST_G_PER_S * DRIFT_MOST_G_PER_S)) - usual2);
    drift->usual_g_per_s = sqrtf(usual2);
}
