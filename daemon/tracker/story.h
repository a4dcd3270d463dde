/* The story: what hands did, read from the segments.  A few competing hypotheses, each with stages of its own; what
 * follows decides between them, and what is still open becomes uncertainty. */
#ifndef POISE_TRACKER_STORY_H
#define POISE_TRACKER_STORY_H

#include "hypothesis.h"

struct tracker;

struct story {
    struct hypothesis best;
    double chance;  /* of the best */
    double fate;    /* chance that it is over, or was none, as the best has it */
    double shifted; /* chance that there was a tare which nobody noticed */
    double brewing; /* chance that it is a brew at all */
    double load_g;  /* newest that was read */
};

/* Reads all that was seen since the first segment held, and the numbers that follow from it; what competes with the
 * best of it makes them uncertain. */
void story_read(struct story *story, const struct tracker *tracker, struct measures *measures);

#endif
