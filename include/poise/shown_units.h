/* The units in which people read: what they chose, else what their bench shows, else kPa and °C.
 *
 * The one place where every program decides that.  What is measured, planned, sent and kept stays in kPa and °C; so do
 * the forms for machines (JSON, CSV, SQL). */
#ifndef POISE_SHOWN_UNITS_H
#define POISE_SHOWN_UNITS_H

#include <stdbool.h>

#include "poise/guide.h"
#include "poise/why.h"

#pragma GCC visibility push(default)

/* What the reader chose; the rest is the bench's. */
struct shown_units {
    struct guide_units units;
    bool pressure, temperature;
};

/* By the options --pressure and --temperature (NULL: not given), or else by POISE_PRESSURE and POISE_TEMPERATURE in the
 * environment.  0, or -EINVAL where one of them is no unit. */
int shown_units_choose(const char *pressure, const char *temperature, struct shown_units *out, struct why *why);

/* The units to show where the bench's are these; NULL: the bench's are not known. */
struct guide_units shown_units_at(const struct shown_units *chosen, const struct guide_units *bench);

#pragma GCC visibility pop

#endif
