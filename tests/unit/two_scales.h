/* Traces written by hand for the tests of a station with two scales, as tracker_trace.h has them for one.  No tests of
 * its own. */
#ifndef POISE_TESTS_TWO_SCALES_H
#define POISE_TESTS_TWO_SCALES_H

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "tracker/tracker.h"

enum { BREW, CUP, SCALES, REPORTED = 256 };

/* Two scales with a filter and a last digit each.  The brew's speaks ten times a second, the cup's every
 * cup_every_us, between the other's readings. */
struct bench {
    struct tracker *tracker;
    struct tracker_event reported[REPORTED];
    int reported_count;
    double load_g[SCALES], shown_g[SCALES], tare_g[SCALES], division_g[SCALES], lag_s[SCALES];
    double drip_g_per_s; /* from what stands on the one into what stands on the other */
    bool cup_silent;
    int64_t now_us, cup_every_us, cup_next_us;
};

static const double cup_g = 341.2, brewer_g = 182.4, stand_g = 296.5;
static const int64_t tick_us = 100000;

static inline void take(struct bench *bench, struct tracker_events *events)
{
    for (int i = 0; i < events->count; i++) {
        assert_true(bench->reported_count < REPORTED);
        bench->reported[bench->reported_count++] = events->event[i];
    }
    events->count = 0;
}

static inline struct reading reading_of(const struct bench *bench, int scale)
{
    double division_g = bench->division_g[scale];

    return (struct reading){
        .quantity = QUANTITY_MASS,
        .stable = -1,
        .net = -1,
        .unit = UNIT_GRAM,
        .resolution = division_g,
        .value = { llround((bench->shown_g[scale] - bench->tare_g[scale]) / division_g) * llround(division_g * 10),
                   -1 },
        .mono_us = bench->now_us,
    };
}

/* A tenth of a second passes; a hand presses the brew's scale with so much. */
static inline void tick(struct bench *bench, double hand_g)
{
    static struct tracker_events events;
    double ran_g = bench->drip_g_per_s * (double)tick_us / 1e6;
    struct reading reading;

    bench->load_g[BREW] -= ran_g;
    bench->load_g[CUP] += ran_g;
    for (int scale = 0; scale < SCALES; scale++)
        bench->shown_g[scale] += (bench->load_g[scale] + (scale == BREW ? hand_g : 0) - bench->shown_g[scale])
                                 * (1 - exp(-(double)tick_us / 1e6 / bench->lag_s[scale]));
    bench->now_us += tick_us;
    reading = reading_of(bench, BREW);
    tracker_reading(bench->tracker, &reading, &events);
    take(bench, &events);
    if (bench->now_us >= bench->cup_next_us && !bench->cup_silent) {
        bench->cup_next_us = bench->now_us + bench->cup_every_us;
        reading = reading_of(bench, CUP);
        tracker_second(bench->tracker, &reading, &events);
        take(bench, &events);
    }
    if (tracker_deadline(bench->tracker) && bench->now_us >= tracker_deadline(bench->tracker)) {
        tracker_time(bench->tracker, bench->now_us, &events);
        take(bench, &events);
    }
}

static inline void wait_s(struct bench *bench, double seconds)
{
    for (int64_t until_us = bench->now_us + llround(seconds * 1e6); bench->now_us < until_us;)
        tick(bench, 0);
}

static inline void move(struct bench *bench, int scale, double grams, double seconds)
{
    int ticks = (int)(seconds * 1e6 / (double)tick_us);

    for (int i = 0; i < ticks; i++) {
        bench->load_g[scale] += grams / ticks;
        tick(bench, 0);
    }
}

/* The hand on the plunger; through_g runs through meanwhile, and after died_s no more. */
static inline void press_until(struct bench *bench, double force_g, double seconds, double through_g, double died_s)
{
    double drip_g_per_s = bench->drip_g_per_s;
    int ticks = (int)(seconds * 1e6 / (double)tick_us);

    for (int i = 0; i < ticks; i++) {
        double t = i * (double)tick_us / 1e6;

        bench->drip_g_per_s = t < died_s - 0.001 ? through_g / died_s : 0;
        tick(bench, force_g * fmin(1, fmin((t + 0.1) / 0.6, (seconds - t) / 0.3)) * (1 + 0.04 * sin(5 * t)));
    }
    bench->drip_g_per_s = drip_g_per_s;
}

static inline void press(struct bench *bench, double force_g, double seconds, double through_g)
{
    press_until(bench, force_g, seconds, through_g, seconds);
}

static inline void tare(struct bench *bench, int scale)
{
    bench->tare_g[scale] = bench->shown_g[scale];
}

static inline struct bench *bench_new(const struct tracker_config *config)
{
    struct bench *bench = calloc(1, sizeof *bench);

    assert_non_null(bench);
    assert_non_null(bench->tracker = calloc(1, tracker_size()));
    bench->division_g[BREW] = bench->division_g[CUP] = 0.1;
    bench->lag_s[BREW] = bench->lag_s[CUP] = 0.15;
    bench->now_us = 1000000000;
    bench->cup_every_us = 100000;
    tracker_begin(bench->tracker, config);
    return bench;
}

static inline void bench_free(struct bench *bench)
{
    free(bench->tracker);
    free(bench);
}

static const struct tracker_config usual = {
    .piston_diameter_mm = 60, .press_limit_kpa = 200, .retained_g_per_g = 2, .last_drops_g = 6, .lag_us = 150000
};

static inline const struct tracker_event *last_of(const struct bench *bench, enum tracker_event_kind kind, int which)
{
    for (int i = bench->reported_count - 1; i >= 0; i--)
        if (bench->reported[i].kind == kind
            && (kind == TRACKER_MEASURE ? (int)bench->reported[i].measure == which : true))
            return &bench->reported[i];
    return NULL;
}

static inline double measured(const struct bench *bench, enum measure measure)
{
    const struct tracker_event *event = last_of(bench, TRACKER_MEASURE, (int)measure);

    return event ? event->value : NAN;
}

static inline double doubt(const struct bench *bench, enum measure measure)
{
    const struct tracker_event *event = last_of(bench, TRACKER_MEASURE, (int)measure);

    return event ? event->standard_uncertainty : NAN;
}

static inline int count_of(const struct bench *bench, enum tracker_event_kind kind)
{
    int count = 0;

    for (int i = 0; i < bench->reported_count; i++)
        count += bench->reported[i].kind == kind;
    return count;
}

/* When the last reported begin of a stage was, in seconds from the bench's first reading. */
static inline double began_s(const struct bench *bench, enum stage stage)
{
    for (int i = bench->reported_count - 1; i >= 0; i--)
        if (bench->reported[i].kind == TRACKER_STAGE && bench->reported[i].stage == stage)
            return (double)(bench->reported[i].at_us - 1000000000) / 1e6;
    return NAN;
}

static inline double now_s(const struct bench *bench)
{
    return (double)(bench->now_us - 1000000000) / 1e6;
}

/* A brewer on a stand over the brew's scale, the cup below it on its own: 15 g, 230 g, dripping from the first
 * water on.  Returns how much has run through before the press. */
static inline double brew_on_a_stand(struct bench *bench, double drip_g_per_s, bool tared)
{
    double before_g;

    wait_s(bench, 3);
    move(bench, CUP, cup_g, 0.4);
    wait_s(bench, 2);
    if (tared)
        tare(bench, CUP);
    wait_s(bench, 2);
    before_g = bench->load_g[CUP];
    move(bench, BREW, stand_g, 0.4);
    wait_s(bench, 2);
    move(bench, BREW, brewer_g, 0.4);
    wait_s(bench, 3);
    tare(bench, BREW);
    wait_s(bench, 2);
    move(bench, BREW, 15, 5);
    wait_s(bench, 3);
    bench->drip_g_per_s = drip_g_per_s;
    move(bench, BREW, 230, 20);
    wait_s(bench, 60);
    return bench->load_g[CUP] - before_g;
}

#endif
