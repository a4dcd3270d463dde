/* Traces written by hand for the tests of the stage tracker: loads as functions of time, seen through a scale with a
 * filter and a last digit, and what the tracker reported of them.  No tests of its own. */
#ifndef POISE_TESTS_TRACKER_TRACE_H
#define POISE_TESTS_TRACKER_TRACE_H

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "tracker/tracker.h"

enum { REPORTED = 256 };

/* A bench: the load is moved by the functions below, the scale looks ten times a second. */
struct trace {
    struct tracker *tracker;
    struct tracker_event reported[REPORTED];
    int reported_count;
    double load_g, shown_g, tare_g;
    double lag_s, capacity_g;
    bool two_poles; /* the filter twice */
    double pole_g;
    int64_t now_us, tick_us;
    double drift_g_per_s, drifted_g; /* of the scale, not of what stands on it */
    int64_t rests_us;                /* it speaks only when it has rested so long; 0: always */
    int64_t still_shown, still_us;   /* shown since then, but for a division */
};

static const struct tracker_config usual = {
    .piston_diameter_mm = 60, .press_limit_kpa = 15, .retained_g_per_g = 2, .last_drops_g = 6, .lag_us = 150000
};

static inline void take(struct trace *trace, struct tracker_events *events)
{
    for (int i = 0; i < events->count; i++) {
        assert_true(trace->reported_count < REPORTED);
        trace->reported[trace->reported_count++] = events->event[i];
    }
    events->count = 0;
}

static inline void show(struct trace *trace, double load_g)
{
    static struct tracker_events events;
    struct reading reading = {
        .quantity = QUANTITY_MASS, .stable = -1, .net = -1, .unit = UNIT_GRAM, .resolution = 0.1
    };

    double follows = 1 - exp(-(double)trace->tick_us / 1e6 / trace->lag_s);

    trace->now_us += trace->tick_us;
    trace->pole_g += (load_g - trace->pole_g) * (trace->two_poles ? follows : 1);
    trace->shown_g += (trace->pole_g - trace->shown_g) * follows;
    trace->drifted_g += trace->drift_g_per_s * (double)trace->tick_us / 1e6;
    reading.mono_us = trace->now_us;
    reading.value.exponent = -1;
    reading.value.mantissa = llround((trace->shown_g + trace->drifted_g - trace->tare_g) * 10);
    if (llabs(reading.value.mantissa - trace->still_shown) > 1) {
        trace->still_shown = reading.value.mantissa;
        trace->still_us = trace->now_us;
    }
    if (trace->now_us - trace->still_us < trace->rests_us)
        return;
    if (trace->shown_g > trace->capacity_g)
        reading.status = READING_OVERLOAD;
    tracker_reading(trace->tracker, &reading, &events);
    take(trace, &events);
}

static inline void wait_s(struct trace *trace, double seconds)
{
    for (int64_t until_us = trace->now_us + (int64_t)(seconds * 1e6); trace->now_us < until_us;)
        show(trace, trace->load_g);
}

static inline double seconds_now(const struct trace *trace)
{
    return (double)trace->now_us / 1e6;
}

/* Grows or shrinks evenly. */
static inline void move(struct trace *trace, double grams, double seconds)
{
    double from_g = trace->load_g, from_s = seconds_now(trace);

    while (seconds_now(trace) < from_s + seconds) {
        double share = (seconds_now(trace) - from_s + (double)trace->tick_us / 1e6) / seconds;

        trace->load_g = from_g + grams * fmin(share, 1);
        show(trace, trace->load_g);
    }
    trace->load_g = from_g + grams;
}

static inline void shake(struct trace *trace, double grams, double seconds)
{
    double from_s = seconds_now(trace);

    while (seconds_now(trace) < from_s + seconds)
        show(trace, trace->load_g + grams * (0.4 + sin(2 * M_PI * 1.7 * (seconds_now(trace) - from_s))));
}

static inline void push(struct trace *trace, double grams, double seconds)
{
    double from_s = seconds_now(trace), t;

    while ((t = seconds_now(trace) - from_s) < seconds)
        show(trace,
             trace->load_g + grams * fmin(1, fmin((t + 0.1) / 0.6, (seconds - t) / 0.3)) * (1 + 0.04 * sin(5 * t)));
}

static inline void tare(struct trace *trace)
{
    trace->tare_g = trace->shown_g + trace->drifted_g;
}

static inline int setup(void **state)
{
    struct trace *trace = calloc(1, sizeof *trace);

    if (!trace)
        return -1;
    trace->tracker = calloc(1, tracker_size());
    if (!trace->tracker)
        return -1;
    trace->lag_s = 0.15;
    trace->capacity_g = 20000;
    trace->tick_us = 100000;
    trace->now_us = 1000000000;
    tracker_begin(trace->tracker, &usual);
    *state = trace;
    return 0;
}

static inline int teardown(void **state)
{
    struct trace *trace = *state;

    free(trace->tracker);
    free(trace);
    return 0;
}

/* What was reported of a brew, corrections applied: a stage takes back all from its time on. */
static inline int stages_of(const struct trace *trace, uint32_t brew, struct tracker_event *out)
{
    int count = 0;

    for (int i = 0; i < trace->reported_count; i++) {
        const struct tracker_event *event = &trace->reported[i];

        if (event->kind != TRACKER_STAGE || event->brew != brew)
            continue;
        while (count && out[count - 1].at_us >= event->at_us - 1000)
            count--;
        if (event->stage != STAGE_IDLE)
            out[count++] = *event;
    }
    return count;
}

static inline void assert_stages(const struct trace *trace, uint32_t brew, const enum stage *stage, const double *at_s,
                                 int count, double within_s)
{
    struct tracker_event reported[REPORTED];
    int reported_count = stages_of(trace, brew, reported);

    for (int i = 0; i < reported_count && i < count; i++) {
        assert_string_equal(stage_name(reported[i].stage), stage_name(stage[i]));
        if (fabs((double)reported[i].at_us / 1e6 - at_s[i]) > within_s)
            fail_msg("%s at %.2f, truly %.2f", stage_name(stage[i]), (double)reported[i].at_us / 1e6, at_s[i]);
    }
    assert_int_equal(reported_count, count);
}

static inline double measured(const struct trace *trace, uint32_t brew, enum measure measure)
{
    double value = NAN;

    for (int i = 0; i < trace->reported_count; i++)
        if (trace->reported[i].kind == TRACKER_MEASURE && trace->reported[i].brew == brew
            && trace->reported[i].measure == measure)
            value = trace->reported[i].value;
    return value;
}

static inline double reported_u(const struct trace *trace, uint32_t brew, enum measure measure)
{
    double u = NAN;

    for (int i = 0; i < trace->reported_count; i++)
        if (trace->reported[i].kind == TRACKER_MEASURE && trace->reported[i].brew == brew
            && trace->reported[i].measure == measure)
            u = trace->reported[i].standard_uncertainty;
    return u;
}

static inline int count_of(const struct trace *trace, enum tracker_event_kind kind)
{
    int count = 0;

    for (int i = 0; i < trace->reported_count; i++)
        count += trace->reported[i].kind == kind;
    return count;
}

static inline bool was_reported(const struct trace *trace, enum tracker_event_kind kind, const char *word)
{
    for (int i = 0; i < trace->reported_count; i++)
        if (trace->reported[i].kind == kind && strcmp(trace->reported[i].word, word) == 0)
            return true;
    return false;
}

static const double cup_g = 341.2, brewer_g = 182.4, plunger_g = 63.1;

static inline void put_things(struct trace *trace)
{
    wait_s(trace, 3);
    move(trace, cup_g, 0.3);
    wait_s(trace, 2);
    move(trace, brewer_g, 0.3);
    wait_s(trace, 2);
}

#endif
