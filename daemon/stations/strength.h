/* Cups waiting for strength: readings come minutes later, when samples have cooled.  Each goes to the
 * oldest cup that still lacks one, unless the operator named another. */
#ifndef POISE_STRENGTH_H
#define POISE_STRENGTH_H

#include "stations.h"

/* A strength, Brix or refractive index reading. */
void strength_reading(struct stations *stations, const struct reading *reading, uint64_t seq, struct moment now);

/* The temperature that a refractometer shows of the sample that it reads next. */
void strength_sample_temperature(struct stations *stations, const struct reading *reading);

/* A strength typed in by hand replaces the readings. */
void strength_enter(struct stations *stations, struct brew *brew, double strength_pct, double standard_uncertainty,
                    struct moment now);

/* The reading with this seq (0: the newest, or the one taken back last) belongs to this brew; it is taken from where
 * it is now. */
int strength_assign(struct stations *stations, struct brew *brew, uint64_t seq, struct moment now, struct why *why);

/* Takes a reading (0: the newest) back from its brew; `brew` NULL: from whichever has it. */
int strength_unassign(struct stations *stations, struct brew *brew, uint64_t seq, struct moment now, struct why *why);

/* A discarded cup takes no strength: what was read for it goes to the cup that waited when it was read, or is no cup's
 * again, and the next sample is not its. */
void strength_release(struct stations *stations, struct brew *brew, struct moment now);

/* The brew that has this reading; NULL: none. */
struct brew *strength_owner(const struct stations *stations, uint64_t seq);

/* The readings that can be assigned, those of one brew (NULL: all): [{"seq", "strength_pct", "sample_c", "ago_s",
 * "brew", "number", "suspect"}]; "brew" null: no cup's.  "number" counts a brew's readings from 1. */
json_t *strength_list(const struct stations *stations, const struct brew *brew, struct moment now);

/* The next readings are of this brew's sample; NULL: the oldest that waits, as usual. */
int strength_sample(struct stations *stations, const struct brew *brew, struct why *why);

#endif
