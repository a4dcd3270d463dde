/* How unlikely a value is, in nats. */
#ifndef POISE_TRACKER_ODDS_H
#define POISE_TRACKER_ODDS_H

#include <math.h>

#include "trade.h"

/* Against a value, from a logarithmic normal distribution about the usual, floored. */
static inline double odds_log(double value, double usual, double spread)
{
    double z = log(fmax(value, 1e-3) / usual) / spread;

    return fmin(z * z / 2, UNLIKELY_MOST);
}

/* Against a thing that is put on others: a press is heavier. */
static inline double odds_heavy(double grams)
{
    return fmin(fmax(0, grams - HEAVY_G) / HEAVY_EACH_G, UNLIKELY_MOST);
}

#endif
