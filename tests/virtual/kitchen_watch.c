/* Feeds a tracker as the daemon does: readings, tares ordered, silence, and time when it asks for it. */
#include "kitchen_watch.h"

#include "instruments/rhythm.h"
#include "tracker/tracker.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

/* A session begins this long after the machine's clock, which a tracker may not assume to begin at 0. */
#define STARTED_US 1000000000LL

struct watch {
    const struct kitchen_session *session;
    struct seen *seen;
    struct tracker *tracker;
    struct tracker_events events;
    struct rhythm rhythm[KITCHEN_SCALES];
    bool silent[KITCHEN_SCALES];
    int64_t now_us;
    int next_order;
    bool out_of_memory;
};

static double seconds(int64_t us)
{
    return (double)(us - STARTED_US) / 1e6;
}

static int64_t microseconds(double at_s)
{
    return STARTED_US + (int64_t)llround(at_s * 1e6);
}

static struct seen_brew *seen_brew(struct seen *seen, uint32_t number)
{
    for (int i = seen->brew_count - 1; i >= 0; i--)
        if (seen->brew[i].number == number)
            return &seen->brew[i];
    return NULL;
}

static struct seen_brew *begin_brew(struct watch *watch, const struct tracker_event *event)
{
    struct seen *seen = watch->seen;
    struct seen_brew *brew;

    if (seen->brew_count == seen->brew_room) {
        int room = seen->brew_room ? 2 * seen->brew_room : 8;
        struct seen_brew *moved = realloc(seen->brew, (size_t)room * sizeof *moved);

        if (!moved) {
            watch->out_of_memory = true;
            return NULL;
        }
        seen->brew = moved;
        seen->brew_room = room;
    }
    brew = &seen->brew[seen->brew_count++];
    *brew = (struct seen_brew){ .number = event->brew, .began_s = seconds(event->at_us), .ended_s = NAN };
    for (int i = 0; i < MEASURE_COUNT; i++)
        brew->value[i] = brew->standard_uncertainty[i] = NAN;
    return brew;
}

/* A stage takes back those that were to begin when it does or later, as tracker.h has it. */
static void take_stage(struct seen_brew *brew, const struct tracker_event *event)
{
    double at_s = seconds(event->at_us);

    while (brew->stage_count && brew->stage[brew->stage_count - 1].at_s >= at_s - 0.001)
        brew->stage_count--;
    if (event->stage != STAGE_IDLE && brew->stage_count < SEEN_STAGES)
        brew->stage[brew->stage_count++] =
            (struct seen_stage){ event->stage, at_s, (double)event->at_uncertainty_us / 1e6 };
}

static void print_event(const struct tracker_event *event, double now_s)
{
    static const char *const kinds[] = {
        "begin", "stage", "measure", "warning", "question", "end", "discard", "weighed"
    };

    printf("%8.2f s  %-8s brew %u at %.2f ± %.2f s", now_s, kinds[event->kind], event->brew, seconds(event->at_us),
           (double)event->at_uncertainty_us / 1e6);
    if (event->kind == TRACKER_STAGE)
        printf(" %s", stage_name(event->stage));
    if (event->kind == TRACKER_MEASURE)
        printf(" %s %s%.3f ± %.3f", measure_name(event->measure), event->above ? "above " : "", event->value,
               event->standard_uncertainty);
    if (event->kind == TRACKER_WARNING || event->kind == TRACKER_QUESTION)
        printf(" %s%s%s", event->kind == TRACKER_QUESTION ? measure_name(event->measure) : "",
               event->kind == TRACKER_QUESTION ? " " : "", event->word);
    printf("\n");
}

static void take_events(struct watch *watch)
{
    for (int i = 0; i < watch->events.count; i++) {
        const struct tracker_event *event = &watch->events.event[i];
        struct seen_brew *brew = seen_brew(watch->seen, event->brew);

        if (watch->seen->print)
            print_event(event, seconds(watch->now_us));
        if (event->kind == TRACKER_BEGIN && !brew)
            brew = begin_brew(watch, event);
        if (!brew)
            continue;
        switch (event->kind) {
        case TRACKER_STAGE:
            take_stage(brew, event);
            break;
        case TRACKER_MEASURE:
            brew->value[event->measure] = event->value;
            brew->standard_uncertainty[event->measure] = event->standard_uncertainty;
            brew->above[event->measure] = event->above;
            break;
        case TRACKER_QUESTION:
            brew->asked[event->measure] = true;
            break;
        case TRACKER_END:
            brew->ended_s = seconds(event->at_us);
            break;
        case TRACKER_DISCARD:
            brew->discarded = true;
            break;
        case TRACKER_BEGIN:
        case TRACKER_WARNING:
        case TRACKER_WEIGHED:
            break;
        }
    }
    watch->events.count = 0;
}

/* When this scale counts as silent; INT64_MAX: not before its next reading. */
static int64_t silent_at(const struct watch *watch, int scale)
{
    return watch->silent[scale] ? INT64_MAX : rhythm_silent_us(&watch->rhythm[scale], false, 1);
}

/* All that happens by itself until then, in order. */
static void let_pass(struct watch *watch, int64_t until_us)
{
    const struct kitchen_session *session = watch->session;
    bool stuck = false; /* it asks for a moment that has been: only a reading moves it on */

    for (;;) {
        int64_t deadline_us = stuck ? 0 : tracker_deadline(watch->tracker), at_us = until_us;
        int silent = -1;
        bool order = watch->next_order < session->tare_order_count
                     && microseconds(session->tare_order[watch->next_order].at_s) <= at_us;

        if (order)
            at_us = microseconds(session->tare_order[watch->next_order].at_s);
        for (int i = 0; i < session->scale_count; i++)
            if (silent_at(watch, i) < at_us) {
                at_us = silent_at(watch, i);
                silent = i;
                order = false;
            }
        if (deadline_us != 0 && deadline_us <= at_us) {
            if (deadline_us > watch->now_us)
                watch->now_us = deadline_us;
            tracker_time(watch->tracker, watch->now_us, &watch->events);
            take_events(watch);
            stuck = tracker_deadline(watch->tracker) <= deadline_us;
            continue;
        }
        if (silent < 0 && !order)
            break;
        watch->now_us = at_us > watch->now_us ? at_us : watch->now_us;
        if (silent >= 0) {
            rhythm_begin(&watch->rhythm[silent], watch->rhythm[silent].latest_us);
            watch->silent[silent] = true;
            if (silent > 0)
                tracker_second_gap(watch->tracker);
            else
                tracker_gap(watch->tracker, watch->now_us, &watch->events);
        } else {
            if (session->tare_order[watch->next_order++].scale == 0)
                tracker_tare_ordered(watch->tracker, watch->now_us);
        }
        take_events(watch);
    }
    watch->now_us = until_us;
}

static void keep_arrival(struct watch *watch, double at_s)
{
    struct seen *seen = watch->seen;

    if (seen->arrival_count == seen->arrival_room) {
        int room = seen->arrival_room ? 2 * seen->arrival_room : 4096;
        double *moved = realloc(seen->arrival_s, (size_t)room * sizeof *moved);

        if (!moved) {
            watch->out_of_memory = true;
            return;
        }
        seen->arrival_s = moved;
        seen->arrival_room = room;
    }
    seen->arrival_s[seen->arrival_count++] = at_s;
}

static void take_reading(void *context, const struct kitchen_reading *shown)
{
    struct watch *watch = context;
    struct reading reading = { .quantity = QUANTITY_MASS,
                               .status = shown->overload ? READING_OVERLOAD : READING_OK,
                               .stable = shown->stable,
                               .net = -1,
                               .unit = UNIT_GRAM };

    let_pass(watch, microseconds(shown->at_s));
    rhythm_reading(&watch->rhythm[shown->scale], watch->now_us);
    watch->silent[shown->scale] = false;
    if (!shown->overload) {
        reading.shown = reading.value = (struct decimal){ shown->mantissa, shown->exponent };
        reading.resolution = decimal_resolution(reading.value);
    }
    reading.mono_us = watch->now_us;
    if (shown->scale == 0) {
        keep_arrival(watch, shown->at_s);
        tracker_reading(watch->tracker, &reading, &watch->events);
    } else {
        tracker_second(watch->tracker, &reading, &watch->events);
    }
    watch->seen->readings++;
    if (watch->events.count)
        take_events(watch);
}

static void set_up(struct watch *watch)
{
    const struct kitchen_session *session = watch->session;
    struct tracker_config config = { .piston_diameter_mm = session->piston_mm,
                                     .press_limit_kpa = session->press_limit_kpa,
                                     .retained_g_per_g = session->retained_g_per_g,
                                     .cup_count = session->cup_count,
                                     .lag_us = (int64_t)(session->lag_s * 1e6) };
    struct tracker_plan plan;

    for (int i = 0; i < session->cup_count; i++)
        config.cup_g[i] = session->cup_g[i];
    tracker_begin(watch->tracker, &config);
    if (isnan(session->planned_dose_g))
        return;
    for (int i = 0; i < MEASURE_COUNT; i++)
        plan.target[i] = plan.tolerance[i] = NAN;
    plan.target[MEASURE_DOSE_G] = session->planned_dose_g;
    plan.tolerance[MEASURE_DOSE_G] = 0.5;
    plan.target[MEASURE_WATER_G] = session->planned_water_g;
    plan.tolerance[MEASURE_WATER_G] = 5;
    tracker_configure(watch->tracker, NULL, &plan);
}

int kitchen_watch(const struct kitchen_session *session, struct seen *seen)
{
    struct watch *watch = calloc(1, sizeof *watch);
    int result = -1;

    seen->end_s = session->end_s;
    if (watch && (watch->tracker = calloc(1, tracker_size()))) {
        watch->session = session;
        watch->seen = seen;
        watch->now_us = STARTED_US;
        for (int i = 0; i < KITCHEN_SCALES; i++)
            rhythm_begin(&watch->rhythm[i], STARTED_US);
        set_up(watch);
        result = kitchen_play(session, take_reading, watch);
        let_pass(watch, microseconds(session->end_s));
        if (watch->out_of_memory)
            result = -1;
        free(watch->tracker);
    }
    free(watch);
    return result;
}

void kitchen_forget(struct seen *seen)
{
    free(seen->brew);
    free(seen->arrival_s);
    *seen = (struct seen){ .print = seen->print };
}
