/* When a reading was true, from when it arrived: instruments speak evenly, but adapters, kernels and busy
 * machines hand lines over late and in bunches.  What is undone or dated from single intervals would
 * else see hands where there are none.  It knows times only. */
#include "cadence.h"

#include <math.h>
#include <stdlib.h>

/* Readings whose intervals give the first idea of the period, by their median. */
enum { CADENCE_FIRST = CADENCE_INTERVALS };

/* A reading is never later than it arrived, and often earlier: what comes early counts for much, what comes late
 * for little.  The shares suit the random brews of tests/virtual with arrivals late by 0 to 50 ms. */
static const double EARLY_SHARE = 0.15, LATE_SHARE = 0.03, PERIOD_SHARE = 0.002;

/* Later than this share of a period: a line was lost, or this one was held up. */
static const double LATE_CLEAR = 0.6;

/* The next one comes sooner than this share of a period after it: it was held up. */
static const double HURRIED = 0.6;

/* How late readings are in the mean, from about so many; and how unlikely it is that a line is lost: one in forty,
 * as a logarithm; and that a whole machine stalls. */
static const double LATENESS_SHARE = 0.03, LATE_LEAST_US = 3000, LOST_AGAINST = 3.7, STALLED_AGAINST = 10;
static const double LATE_TIMES = 4; /* the mean lateness: later is not its usual spread */

/* So many late, not counting those that came in a bunch, or so many early in a row: the instrument has another pace
 * now. */
enum { LATE_RUN = 4, EARLY_RUN = 12 };

/* Two readings are at least this share of a period apart, whatever arrives. */
static const double APART_LEAST = 0.25;

/* A median below this share of the mean: they come in bunches, and the mean is the pace. */
static const double BUNCHED = 0.75;

static int by_size(const void *a, const void *b)
{
    int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;

    return (x > y) - (x < y);
}

static void learn_period(struct cadence *cadence, int64_t interval_us)
{
    int64_t sorted[CADENCE_INTERVALS], sum_us = 0;

    cadence->interval_us[cadence->count - 1] = interval_us;
    for (int i = 0; i < cadence->count; i++) {
        sorted[i] = cadence->interval_us[i];
        sum_us += sorted[i];
    }
    qsort(sorted, (size_t)cadence->count, sizeof *sorted, by_size);
    cadence->period_us = (double)sorted[cadence->count / 2];
    if (cadence->period_us < BUNCHED * (double)sum_us / cadence->count)
        cadence->period_us = (double)sum_us / cadence->count;
}

void cadence_begin(struct cadence *cadence, int64_t arrived_us)
{
    cadence->count = cadence->late_run = cadence->early_run = 0;
    cadence->late = false;
    cadence->arrived_us = arrived_us;
    cadence->at_us = arrived_us;
}

/* The time of a reading that follows one at `at_us` by about a period. */
static int64_t follow(struct cadence *cadence, int64_t arrived_us)
{
    double period_us = cadence->period_us, foreseen_us = (double)cadence->at_us + period_us;
    double late_us = (double)arrived_us - foreseen_us;
    bool hurried = (double)(arrived_us - cadence->arrived_us) < HURRIED * period_us, usual;

    cadence->late = late_us > LATE_CLEAR * period_us;
    usual = late_us <= LATE_CLEAR * period_us + LATE_TIMES * cadence->late_us;
    cadence->late_run = !cadence->late || usual ? 0 : hurried ? cadence->late_run : cadence->late_run + 1;
    cadence->early_run = late_us < -LATE_CLEAR * period_us ? cadence->early_run + 1 : 0;
    if (cadence->late_run == LATE_RUN || cadence->early_run == EARLY_RUN) {
        cadence_begin(cadence, arrived_us > cadence->at_us ? arrived_us : cadence->at_us + 1);
        return cadence->at_us;
    }
    if (cadence->late) { /* lines were lost, unless the next reading hurries */
        cadence->held_up_us = (int64_t)foreseen_us;
        foreseen_us += period_us * floor(late_us / period_us + 1 - LATE_CLEAR);
        return foreseen_us < (double)arrived_us ? (int64_t)foreseen_us : arrived_us;
    }
    cadence->late_us += LATENESS_SHARE * (fmax(late_us, 0) - cadence->late_us);
    cadence->period_us += PERIOD_SHARE * fmax(late_us, -period_us);
    foreseen_us += (late_us < 0 ? EARLY_SHARE : LATE_SHARE) * late_us;
    return (int64_t)fmax(foreseen_us, (double)cadence->at_us + APART_LEAST * period_us);
}

/* The time of the reading before one that hurried after it: it was held up, and lines may have been lost before it.
 * What is likeliest of both: so many lost, and late by so much.  More lost than what is best so far weighs are not
 * looked at: a burst that makes the period tiny, and a pause, would take minutes. */
static int64_t held_up_us(const struct cadence *cadence, int64_t arrived_us)
{
    double at_us = (double)cadence->held_up_us, least = INFINITY, best_us = at_us;

    for (int lost = 0;
         lost * LOST_AGAINST < least && at_us + cadence->period_us <= (double)arrived_us + cadence->late_us; lost++) {
        double late = ((double)cadence->arrived_us - at_us) / (cadence->late_us + LATE_LEAST_US);
        double against = lost * LOST_AGAINST + fmin(late, STALLED_AGAINST);

        if (against < least) {
            least = against;
            best_us = at_us;
        }
        at_us += cadence->period_us;
    }
    return (int64_t)best_us;
}

int64_t cadence_time(struct cadence *cadence, int64_t arrived_us, int64_t *before_us)
{
    int64_t interval_us = arrived_us - cadence->arrived_us;

    if (cadence->late && (double)interval_us < HURRIED * cadence->period_us)
        cadence->at_us = held_up_us(cadence, arrived_us);
    *before_us = cadence->at_us;
    if (cadence->count < CADENCE_FIRST) {
        cadence->count++;
        learn_period(cadence, interval_us);
        cadence->at_us = arrived_us > cadence->at_us ? arrived_us : cadence->at_us + 1;
    } else {
        cadence->at_us = follow(cadence, arrived_us);
    }
    cadence->arrived_us = arrived_us;
    return cadence->at_us;
}
