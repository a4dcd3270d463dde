/* What the cheapest account makes of the samples, for segments.c. */
#ifndef POISE_TRACKER_OUTLINE_H
#define POISE_TRACKER_OUTLINE_H

#include "segments.h"

/* What comes back so near to where it was put nothing down. */
static const double SHAKE_MOST_G = 30, SHAKE_MOVES_G = 4;
static const float SHAKE_WIDE_G = 200; /* what goes farther off was moved */

/* Adds what the samples after `from` up to `to` show to a segment; a fresh one has shown nothing before. */
void outline_measure(struct segment *segment, const struct weighing *weighing, uint32_t from, uint32_t to, bool fresh);

/* Nothing is pressed on, or put down and taken again: first to last only shake the load that rested before them. */
bool outline_only_shakes(const struct segment *first, const struct segment *last);

/* Hands that shook what had rested began when that is likeliest; what came before was a blow. */
void outline_date_shake(const struct segments *segments, struct segment *list, int count);

#endif
