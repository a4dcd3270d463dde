/* What the files of findings share. */
#ifndef POISE_REPORT_FINDINGS_PARTS_H
#define POISE_REPORT_FINDINGS_PARTS_H

#include "findings.h"

/* The values of a level's cups; their count.  `values` has room for all points. */
size_t findings_values(const struct findings *findings, int place, double *values);

/* The spread of repeats of the same bench in other experiments, where there are any. */
int findings_bench_spread(sqlite3 *database, struct findings *out, struct why *why);

/* Room: values for all points, `whole` for three times as many. */
void findings_compare(struct findings *out, double *values, int *whole);
int findings_find_curves(struct findings *out, struct why *why);
int findings_find_trend(struct findings *out, struct why *why);
int findings_find_press(struct findings *out, struct why *why);
int findings_find_cautions(sqlite3 *database, struct findings *out, struct why *why);

void findings_caution(struct findings *out, const char *format, ...) __attribute__((format(printf, 2, 3)));

#endif
