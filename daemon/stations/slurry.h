/* What the thermometer of a station showed in the last minutes, and how warm the slurry was when the press began.
 * Pure; immersion.h finds when it was in the slurry. */
#ifndef POISE_SLURRY_H
#define POISE_SLURRY_H

#include <stdbool.h>
#include <stdint.h>

#include "poise/reading.h"

enum { SLURRY_READINGS = 600 }; /* ten minutes of one a second: a long steep, and the room before and after */

struct slurry {
    struct slurry_reading {
        int64_t at_us;
        float c;
    } * reading; /* oldest first; NULL before the first: most stations have no thermometer */
    int count;
    double resolution_c;
    double lag_s; /* the thermometer's time constant by the configuration; NAN: not known */
};

/* A temperature reading that is well; without memory it is passed over. */
void slurry_take(struct slurry *slurry, const struct reading *reading);

void slurry_free(struct slurry *slurry);

/* The slurry at a time, by what was shown since `since_us`; where the thermometer was hardly looked at, what it showed
 * last before.  False: it was not in, or nothing was shown within ten seconds before. */
bool slurry_at(const struct slurry *slurry, int64_t since_us, int64_t at_us, double *c, double *u_c);

#endif
