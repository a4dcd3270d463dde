/* Calibration of an instrument: a straight line through what it showed of known weights, or of water and a sugar
 * solution, and readings corrected by it, where the configuration wants that.
 *
 * Shown = offset + slope x true, by least squares over the newest checks (JCGM 100:2008, H.3).  Of a scale only the
 * slope counts, since every mass is a difference and its zero moves with each tare.  A line needs two points that lie
 * apart; beyond CALIBRATION_MOST the instrument is broken, or it was another weight, and nothing is corrected.
 *
 * Pure: no clock, no I/O; kept and restored as JSON.  In the unit that the instrument shows. */
#ifndef POISE_CALIBRATION_H
#define POISE_CALIBRATION_H

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>

#include "config/config.h"
#include "poise/messages.h"
#include "poise/reading.h"

enum { CALIBRATIONS = 8, CALIBRATION_POINTS = 12 };

extern const double CALIBRATION_MOST; /* how far a slope may be from 1 */

struct calibration_point {
    double reference, shown, resolution;
    int64_t time_us; /* UTC */
};

struct calibration {
    char instrument[NAME_SIZE]; /* empty: free */
    bool mass;
    bool applied; /* the configuration wants it */
    struct calibration_point point[CALIBRATION_POINTS];
    int count;
};

struct calibration_line {
    double offset, slope, slope_u, residual;
};

/* NULL: it has none, and (`make`) there is no room. */
struct calibration *calibration_of(struct calibration *all, const char *instrument, bool make);

/* One check more; the oldest of CALIBRATION_POINTS goes. */
void calibration_add(struct calibration *calibration, const struct calibration_point *point, bool mass);

/* False: too few points, all in one place, or too far from what it should be. */
bool calibration_line(const struct calibration *calibration, struct calibration_line *out);

/* What it amounts to and whether it is applied: a sentence. */
void calibration_words(const struct calibration *calibration, char *out, size_t size);

/* ---- all of a bench's ---- */

/* The reading as it should have been, with one digit more; false: it stays. */
bool calibrations_correct(struct calibration *all, const struct instrument_config *instrument,
                          const struct reading *shown, struct reading *out);

/* What it showed for a corrected value, and the standard uncertainty that the line gives that; as it is, and 0, where
 * nothing is corrected. */
double calibrations_raw(const struct calibration *all, const char *instrument, double value);
double calibrations_u(const struct calibration *all, const char *instrument, double value);

json_t *calibrations_save(const struct calibration *all);
void calibrations_load(struct calibration *all, const json_t *json);

#endif
