/* The operator's marks: how long things took follows from them, and they count after the end of a brew too, when its
 * tracker has let go of it. */
#ifndef POISE_MARK_H
#define POISE_MARK_H

#include "stations.h"

/* True when this measure is the time between two stages one of which the operator has marked: then the tracker's own
 * estimate of it no longer counts. */
bool mark_rules(const struct brew *brew, enum measure measure);

/* A stage was reported: reports the times that follow from what is marked; of a stage that the tracker reported only
 * those that are not known yet. */
void mark_report_times(struct stations *stations, struct brew *brew, enum made_by by);

/* The brew that was over at that station then, or NULL: a mark at that time is a mark of it. */
struct brew *mark_meant(const struct stations *stations, const char *station, int64_t at_us);

/* Marks a stage of a brew that is over: the stage of that kind that lies nearest gets this time, one that was not seen
 * is put in; what was reported between goes.  0, or -EINVAL with a sentence. */
int mark_afterwards(struct stations *stations, struct brew *brew, enum stage stage, int64_t at_us, struct why *why);

#endif
