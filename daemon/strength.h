/* Cups waiting for strength: readings come minutes later, when samples have cooled.  Each goes to the
 * oldest cup that still lacks one, unless the operator named another. */
#ifndef POISE_STRENGTH_H
#define POISE_STRENGTH_H

#include "station.h"

/* A strength, Brix or refractive index reading. */
void strength_reading(struct stations *stations, const struct reading *reading, uint64_t seq, struct moment now);

/* The temperature that a refractometer shows of the sample that it reads next. */
void strength_sample_temperature(struct stations *stations, const struct reading *reading);

/* A strength typed in by hand replaces the readings. */
void strength_enter(struct stations *stations, struct brew *brew, double strength_pct, double standard_uncertainty,
                    struct moment now);

/* The newest reading belongs to this brew, wherever it went; it is taken from where it is now. */
int strength_assign(struct stations *stations, struct brew *brew, struct moment now, struct why *why);

/* Takes a brew's newest reading back from it. */
int strength_unassign(struct stations *stations, struct brew *brew, struct moment now, struct why *why);

/* The next readings are of this brew's sample; NULL: the oldest that waits, as usual. */
int strength_sample(struct stations *stations, const struct brew *brew, struct why *why);

#endif
