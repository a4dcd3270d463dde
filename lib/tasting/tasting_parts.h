/* What the files of lib/tasting share. */
#ifndef POISE_TASTING_PARTS_H
#define POISE_TASTING_PARTS_H

#include "poise/tasting_verdict.h"

/* Fewer tasters than these speak of themselves, however often they taste: three who all can would fit nearly any share
 * of people.  Their pooled interval is exact or wide for them, as a sum of unlike binomials varies less than one. */
enum { TASTERS_FOR_PEOPLE = 6 };

/* The interval of the proportion of hits over people; `hits` other than the score's own: of the misses. */
struct interval tasting_panel_of(const struct tasting_score *score, unsigned hits, double confidence);

#endif
