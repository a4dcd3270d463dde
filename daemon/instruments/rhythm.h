/* The rhythm of an instrument's readings, and when a silence of it means anything: an instrument that sends when a key
 * is pressed is never silent, for only a rhythm can break off.  Pure. */
#ifndef POISE_RHYTHM_H
#define POISE_RHYTHM_H

#include <stdbool.h>
#include <stdint.h>

struct rhythm {
    int64_t latest_us;   /* the latest reading; or, before the first, when the port was opened */
    int64_t interval_us; /* between readings, smoothed; 0: not known yet */
    int regular;         /* readings in a row that came soon after the one before */
    bool any;            /* a reading has come */
};

/* Nothing is known of it from here on. */
void rhythm_begin(struct rhythm *rhythm, int64_t now_us);

void rhythm_reading(struct rhythm *rhythm, int64_t now_us);

/* The moment from which it counts as silent; INT64_MAX: no silence means anything.  One that sends when it is asked
 * is given longer.  `rate` is the clock's: on a fast one a busy machine may well hold up lines. */
int64_t rhythm_silent_us(const struct rhythm *rhythm, bool asked, double rate);

/* Readings a second; 0: not known, or none lately. */
double rhythm_hz(const struct rhythm *rhythm, int64_t now_us);

#endif
