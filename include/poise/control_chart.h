/* Charts that watch an instrument: has what it shows of the same thing changed?  Pure.
 *
 * A Shewhart chart sees a large change at once, a CUSUM a small one that stays (NIST/SEMATECH e-Handbook, 6.3.2).  They
 * need no training: each value is compared with all before it, by Student's t, and that is turned into the normal
 * deviate of the same chance (a self-starting CUSUM: Hawkins & Olwell, Cumulative Sum Charts, 1998, from memory), so
 * that false alarms are as rare from the fourth value on as the tables for a known process say. */
#ifndef POISE_CONTROL_CHART_H
#define POISE_CONTROL_CHART_H

#include <stdbool.h>

#pragma GCC visibility push(default)

/* Reference value and limit of the CUSUM in standard deviations: on average a false alarm in 465 values, and a shift by
 * one standard deviation is seen after 10 (e-Handbook, 6.3.2.3).  Beyond CONTROL_SHEWHART a single value alarms: of its
 * own once in 2149.  Together: a false alarm in 395 values (counted, tests/reference/test_control_chart.c). */
extern const double CONTROL_REFERENCE, CONTROL_LIMIT, CONTROL_SHEWHART;

/* Zeroed memory is a chart that has seen nothing. */
struct control_chart {
    double least_spread;           /* values spread at least so much: half of the last digit shown */
    int count;                     /* values before the next, since the chart began or was begun again */
    double mean, squares;          /* of them */
    double up, down;               /* the sums, 0 or more */
    int up_since, down_since;      /* the place of the value with which each last rose from zero */
    double up_before, down_before; /* and the mean of all before that */
};

struct control_alarm {
    bool shewhart, cusum;
    double deviate;       /* of this value: standard normal while nothing changes; 0 for the first three */
    int since;            /* the place (from 0) of the value with which the change likely began */
    double before, after; /* mean of what was before that, and of what came since */
};

/* Takes the next value; true when it alarms.  `alarm` is filled either way.  After an alarm whose cause is known call
 * control_again. */
bool control_take(struct control_chart *chart, double value, struct control_alarm *alarm);

/* Begins again: what comes next is compared with what comes next only. */
void control_again(struct control_chart *chart);

#pragma GCC visibility pop

#endif
