/* What the stations report to the bus, and note in the brew itself: below marks, strength and stations, which decide
 * what there is to report. */
#ifndef POISE_REPORT_H
#define POISE_REPORT_H

#include "stations.h"

/* A warning; brew and station may be NULL. */
void stations_warn(struct stations *stations, const struct brew *brew, const char *station, const char *word,
                   const char *format, ...) __attribute__((format(printf, 5, 6)));

/* The measure as it stands, and what follows from it. */
void report_measure(struct stations *stations, struct brew *brew, enum measure measure, enum made_by by);

/* The stage alone; what the brew's timeline holds is the caller's. */
void report_stage(struct stations *stations, const struct brew *brew, const struct staged *staged);

void report_begin(struct stations *stations, struct brew *brew, int64_t at_us, enum made_by by);
void report_end(struct stations *stations, struct brew *brew, int64_t at_us, enum made_by by);
void report_discard(struct stations *stations, struct brew *brew, int64_t at_us, enum made_by by, const char *reason);
void report_note(struct stations *stations, const struct brew *brew, const char *note);

/* Asks what only a person can know; the question stays open until it is answered. */
void report_question(struct stations *stations, struct brew *brew, const char *word, enum measure measure,
                     const char *detail);

#endif
