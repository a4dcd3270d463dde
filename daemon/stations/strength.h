/* Cups waiting for strength: readings come minutes later, when samples have cooled.  Each goes to the cup that is
 * likeliest by all that was read (samples.h); where that is not clear it is no cup's, and asked.  What the operator
 * says stands. */
#ifndef POISE_STRENGTH_H
#define POISE_STRENGTH_H

#include "stations.h"

/* The refractometers as the configuration describes them. */
void strength_configure(struct stations *stations, const struct config *config);

/* A strength, Brix or refractive index reading of this instrument. */
void strength_reading(struct stations *stations, const char *instrument, const struct reading *reading, uint64_t seq,
                      struct moment now);

/* This refractometer was ordered to show zero: what was read before ends there, and so does its drift. */
void strength_zeroed(struct stations *stations, const char *instrument);

/* The temperature that a refractometer shows of the sample that it reads next. */
void strength_sample_temperature(struct stations *stations, const struct reading *reading);

/* A strength typed in by hand replaces the readings; without an uncertainty it gets that of one look at the bench's
 * refractometer. */
void strength_enter(struct stations *stations, struct brew *brew, double strength_pct, double standard_uncertainty,
                    struct moment now);

/* The reading with this seq (0: the newest, or the one taken back last) belongs to this brew; it is taken from where
 * it is now. */
int strength_assign(struct stations *stations, struct brew *brew, uint64_t seq, struct moment now, struct why *why);

/* Takes a reading (0: the newest) back from its brew; `brew` NULL: from whichever has it. */
int strength_unassign(struct stations *stations, struct brew *brew, uint64_t seq, struct moment now, struct why *why);

/* All readings of two cups change places; one cup gets those of another too; from `first` on each cup's readings go to
 * the cup after it (back: before it).  0, or -EINVAL with a sentence. */
int strength_swap(struct stations *stations, struct brew *a, struct brew *b, struct moment now, struct why *why);
int strength_merge(struct stations *stations, struct brew *brew, const struct brew *from, struct moment now,
                   struct why *why);
int strength_shift(struct stations *stations, const struct brew *first, bool back, struct moment now, struct why *why);

/* Takes back the last order about whose readings are whose; the next undo takes back that. */
int strength_undo(struct stations *stations, struct moment now, struct why *why);

/* A discarded cup takes no strength: what was read for it is no cup's, or goes to the cup that it is clearly of, and
 * the next sample is not its. */
void strength_release(struct stations *stations, struct brew *brew, struct moment now);

/* What a reading (0: the one that `assign` means without a number) came to; NAN: there is none. */
double strength_read(struct stations *stations, uint64_t seq);

/* The brew that has this reading; NULL: none. */
struct brew *strength_owner(struct stations *stations, uint64_t seq);

/* The readings that can be assigned, those of one brew (NULL: all): [{"seq", "strength_pct", "shown_pct", "sample_c",
 * "ago_s", "brew", "number", "suspect", "said", "chance", "instrument"}]; "brew" null: no cup's.  "number" counts a
 * brew's readings from 1; strength_pct is shown_pct less what water showed; "said": the operator placed it.  Of one
 * that is asked also "likely", "other" and "other_chance". */
json_t *strength_list(const struct stations *stations, const struct brew *brew, struct moment now);

/* Whether its samples passed a syringe filter: as the operator said of this brew, else as usual at the bench. */
bool strength_filtered(const struct stations *stations, const struct brew *brew);
void strength_filter(struct stations *stations, struct brew *brew, bool filtered, struct moment now);

/* What a refractometer's drift adds to this brew's strength, in percent; 0: nothing. */
double strength_doubted(const struct stations *stations, const struct brew *brew);

/* Looks at all readings again, since what is known of an instrument changed. */
void strength_again(struct stations *stations, struct moment now);

/* The reading of the last two minutes was of a sugar solution of so many degrees Brix, and of no cup; what it showed of
 * that, uncorrected, comes back, with its last digit, on which instrument, and whether that shows Brix or an index.  0,
 * or -EINVAL with a sentence. */
int strength_check_brix(struct stations *stations, double brix, struct moment now, double *shown, double *resolution,
                        const char **instrument, bool *by_brix, struct why *why);

/* Where the uncertainty of its extraction (of its strength, while more is not known) comes from: {"of", "value",
 * "standard_uncertainty", "freedom", "coverage", "parts": [{"part", "words", "standard_uncertainty", "share",
 * "strength_u_pct", "freedom"}]}; "freedom" is left out where it is as good as known.  NULL: no strength yet. */
json_t *strength_budget(const struct brew *brew);

/* The next readings are of this brew's sample; NULL: the oldest that waits, as usual. */
int strength_sample(struct stations *stations, const struct brew *brew, struct why *why);

#endif
