/* What the files of findings share. */
#ifndef POISE_REPORT_FINDINGS_PARTS_H
#define POISE_REPORT_FINDINGS_PARTS_H

#include "findings.h"

/* The values of a level's cups; their count.  `values` has room for all points. */
size_t findings_values(const struct findings *findings, int place, double *values);

/* The spread of repeats of the same bench in other experiments, where there are any. */
int findings_bench_spread(sqlite3 *database, struct findings *out, struct why *why);

/* How far the plan is done, and how sure a verdict must be for it. */
void findings_find_plan(sqlite3 *database, struct findings *out);

/* Blocks, and what cannot be separated from the levels. */
int findings_find_design(struct findings *out, struct why *why);

/* Dose or water that was to be the same and differs between levels. */
void findings_find_held(struct findings *out);

/* `values` has room for all points. */
void findings_compare(struct findings *out, double *values);
void findings_find_effects(struct findings *out);
int findings_find_curves(struct findings *out, struct why *why);
int findings_find_trend(struct findings *out, struct why *why);
int findings_find_surface(struct findings *out, struct why *why);
void findings_find_beside(struct findings *out);
int findings_find_press(struct findings *out, struct why *why);
int findings_find_cautions(sqlite3 *database, struct findings *out, struct why *why);

/* No verdict on a factor (-1: on any), because of what stands beside it. */
void findings_refuse(struct findings *out, const char *because, int factor, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

void findings_caution(struct findings *out, const char *format, ...) __attribute__((format(printf, 2, 3)));

#endif
