/* The segments that are settled: a list with little room. */
#ifndef POISE_TRACKER_SETTLED_H
#define POISE_TRACKER_SETTLED_H

#include "segments.h"

/* Takes what was read for settled; `read` is reordered where there is too much of it. */
void settled_take(struct segments *segments, struct segment *read, int count);

#endif
