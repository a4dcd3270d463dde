/* What the files of lib/tasting share. */
#ifndef POISE_TASTING_PARTS_H
#define POISE_TASTING_PARTS_H

#include "poise/tasting_verdict.h"

/* The interval of the proportion of hits over people; `hits` other than the score's own: of the misses. */
struct interval tasting_panel_of(const struct tasting_score *score, unsigned hits, double confidence);

#endif
