/* The stages of one brew as they were reported, corrections applied.
 *
 * A stage is reported when it is recognised, which may be long after it began, and corrected by reporting again: a
 * stage takes back every stage that was reported to begin at its time or later, and idle only takes back.  So whoever
 * listens needs to keep no history, and a correction repeats what follows it.  The store says the same in SQL. */
#ifndef POISE_TIMELINE_H
#define POISE_TIMELINE_H

#include <stdbool.h>
#include <stdint.h>

#include "poise/stages.h"

#pragma GCC visibility push(default)

enum {
    TIMELINE_STAGES = 32,         /* most that are held: of a brew with more the oldest is left out */
    TIMELINE_SAME_TIME_US = 1000, /* so near is the same time: clocks are read in steps */
};

struct staged {
    enum stage stage;
    int64_t at_us, u_us; /* when it truly began, and its standard uncertainty */
    enum made_by by;
};

struct timeline {
    struct staged stage[TIMELINE_STAGES]; /* in the order of their times */
    int count;
};

/* Whether a stage that begins at `at_us` takes back one reported earlier to begin at `reported_us`. */
bool timeline_takes_back(int64_t at_us, int64_t reported_us);

/* A stage is reported. */
void timeline_report(struct timeline *timeline, const struct staged *staged);

/* To turn what was reported (`before`) into `after`: the first stage of `after` that must be reported, with all behind
 * it; after->count when nothing must.  Where `*idle_us` comes back above zero, idle must be reported first, at that
 * time: the first stage of all turned out to begin later, or there is none any more. */
int timeline_first_to_report(const struct timeline *before, const struct timeline *after, int64_t *idle_us);

/* How many stages of this kind have begun, and when the last of them did and ended; 0: not yet.  NULL: not asked. */
int timeline_stages(const struct timeline *timeline, enum stage stage, int64_t *began_us, int64_t *ended_us);

/* When its first bloom or pour began; 0: not yet. */
int64_t timeline_first_water_us(const struct timeline *timeline);

#pragma GCC visibility pop

#endif
