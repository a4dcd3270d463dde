/* What competes with the best story makes its numbers uncertain: each is as uncertain as all readings of it together.
 */
#ifndef POISE_TRACKER_DOUBT_H
#define POISE_TRACKER_DOUBT_H

#include "hypothesis.h"

/* One reading of what was seen, its numbers, and how likely it is. */
struct reading_of {
    const struct hypothesis *story;
    struct measures measures;
    double chance;
};

/* Widens the uncertainties of the first one's numbers and stages by the others'.  A standard uncertainty is such that
 * twice as much covers 95 % of all readings, and three times 96 %: an unlikelier one is not worth a useless number. */
void doubt_spread(struct hypothesis *best, struct measures *measures, const struct reading_of *reading, int count);

#endif
