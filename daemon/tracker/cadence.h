/* When a reading was true, from when it arrived: instruments speak evenly, but adapters, kernels and busy machines
 * hand lines over late and in bunches. */
#ifndef POISE_TRACKER_CADENCE_H
#define POISE_TRACKER_CADENCE_H

#include <stdbool.h>
#include <stdint.h>

enum { CADENCE_INTERVALS = 9 };

struct cadence {
    double period_us, late_us; /* between readings; and how late they are in the mean, where that can be seen */
    int64_t at_us, arrived_us; /* of the newest reading */
    int64_t held_up_us;        /* its time, should it have been held up */
    int64_t interval_us[CADENCE_INTERVALS];
    int count, late_run, early_run;
    bool late;
};

/* Begins with a reading whose time is its arrival. */
void cadence_begin(struct cadence *cadence, int64_t arrived_us);

/* The time of a reading that arrived now; *before_us gets the time of the one before, which may have
 * become earlier: it is known only now whether lines were lost before it or it was held up. */
int64_t cadence_time(struct cadence *cadence, int64_t arrived_us, int64_t *before_us);

static inline double seconds(int64_t from_us, int64_t to_us)
{
    return (double)(to_us - from_us) / 1e6;
}

#endif
