/* The tracker as others see it: readings and orders in, the difference between what is believed now
 * and what was reported before out.  What the readings mean is decided in story.c. */
#include "tracker/tracker.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

#include "poise/brew.h"
#include "poise/uncertainty.h"
#include "late.h"
#include "parts.h"
#include "trade.h"
#include "weighed.h"

enum {
    EVENTS_PER_CALL = 16,
    LAYOUT_VERSION = 104 /* raise it with every change of meaning that sizeof does not show */
};

/* A stage found this much nearer to the truth is not worth another event. */
static const int64_t TIME_WORTH_US = 20000;

/* While a hand is at work the story is read again this often. */
static const int64_t LOOK_US = 250000;

/* A number that is so many times less sure, or surer, is worth reporting again. */
static const double DOUBT_TIMES = 2;

/* A brew is reported when it is so likely, and so much was poured or the pour is over: what leans on a scale is
 * gone again. */
static const double BEGIN_CHANCE = 0.9, BEGIN_SURE_G = 30;

/* While hands are at work a stage is reported when it is so likely. */
static const double STAGE_CHANCE = 0.7;

/* A brew that is over, or none, by less than such a chance waits so long for what follows. */
static const double CLOSE_CHANCE = 0.8;
static const int64_t CLOSE_WAIT_US = 30000000;

/* A running brew that seems to be none for so long is none. */
static const int64_t DOUBTFUL_US = 3000000;

/* Loads that may have been tared away without notice: what is less is drift; and how likely that must be to keep what
 * led to it. */
static const double SHIFT_LEAST_G = 0.5, SHIFTED_CHANCE = 0.03;

/* A cup whose empty mass is known no better is asked for. */
static const double ASK_U_G = 3;

/* Nothing stands there, but for drops; and drift. */
static const double EMPTY_SCALE_G = 3;

size_t tracker_size(void)
{
    return (sizeof(struct tracker) + 15) / 16 * 16;
}

uint32_t tracker_layout(void)
{
    return (uint32_t)sizeof(struct tracker) * 64 + LAYOUT_VERSION;
}

static bool within(int count, int most)
{
    return count >= 0 && count <= most;
}

bool tracker_sound(const struct tracker *tracker)
{
    const struct weighing *weighing = &tracker->weighing;
    const struct segments *segments = &tracker->segments;

    return within(weighing->shown_count, 4) && within(weighing->cadence.count, CADENCE_INTERVALS)
           && within(tracker->filter.jumps, FILTER_JUMPS) && within((int)tracker->filter.kernel, KERNELS - 1)
           && tracker->filter.end <= weighing->end && segments->seen <= weighing->end
           && segments->anchor <= weighing->end && segments->rest_first <= weighing->end
           && within(segments->count, SEGMENTS) && (segments->count > 0 || !segments->resting)
           && within(tracker->story.best.count, STEPS) && within(tracker->story.best.lids, LIDS)
           && within(tracker->reported_count, STEPS) && within(tracker->mark_count, MARKS)
           && within(tracker->config.cup_count, TRACKER_CUPS) && tracker->second.moment_end < SECOND_MOMENTS
           && tracker->second.moment_count <= SECOND_MOMENTS && tracker->second.shown_count <= 4;
}

void tracker_begin(struct tracker *tracker, const struct tracker_config *config)
{
    memset(tracker, 0, sizeof *tracker);
    tracker->config = *config;
    for (int i = 0; i < MEASURE_COUNT; i++)
        tracker->plan.target[i] = tracker->plan.tolerance[i] = NAN;
    weighing_begin(&tracker->weighing);
    filter_begin(&tracker->filter, (double)config->lag_us / 1e6);
    segments_begin(&tracker->segments);
    tracker->zero_g = tracker->alone_g = NAN;
    second_begin(&tracker->second);
    late_forget(tracker);
    measures_clear(&tracker->reported_measures);
    measures_clear(&tracker->entered);
    measures_clear(&tracker->last);
    measures_clear(&tracker->last_entered);
    measures_clear(&tracker->measures);
    weighed_forget(tracker);
}

void tracker_configure(struct tracker *tracker, const struct tracker_config *config, const struct tracker_plan *plan)
{
    if (config) {
        tracker->config = *config;
        tracker->filter.configured_s = (double)config->lag_us / 1e6;
    }
    if (plan)
        tracker->plan = *plan;
}

struct tracker_event *tracker_report(struct tracker *tracker, struct tracker_events *events,
                                     enum tracker_event_kind kind, int64_t at_us)
{
    struct tracker_event *event;

    if (events->count >= TRACKER_EVENTS)
        return NULL;
    event = &events->event[events->count++];
    memset(event, 0, sizeof *event);
    event->kind = kind;
    event->brew = tracker->brew;
    event->at_us = at_us;
    event->value = event->standard_uncertainty = NAN;
    return event;
}

/* The operator's marks lie over the story: a stage of the same name gets the operator's time, one
 * that was not seen is put in. */
static void apply_marks(const struct tracker *tracker, struct hypothesis *story)
{
    for (int i = 0; i < tracker->mark_count; i++) {
        const struct mark *mark = &tracker->mark[i];
        int best = -1, place;

        for (int j = 0; j < story->count; j++)
            if (story->step[j].stage == mark->stage && !story->step[j].by_operator
                && (best < 0
                    || llabs(story->step[j].at_us - mark->at_us) < llabs(story->step[best].at_us - mark->at_us)))
                best = j;
        if (best >= 0) {
            memmove(&story->step[best], &story->step[best + 1],
                    (size_t)(story->count - best - 1) * sizeof story->step[0]);
            story->count--;
        }
        if (story->count == STEPS)
            continue;
        for (place = story->count; place > 0 && story->step[place - 1].at_us > mark->at_us; place--)
            story->step[place] = story->step[place - 1];
        story->step[place] = (struct step){ mark->at_us, 0.2F, mark->stage, true };
        story->count++;
    }
}

/* Numbers that follow from others. */
void tracker_derive(struct measures *measures, const struct measures *entered)
{
    double *value = measures->value, *u = measures->standard_uncertainty;
    double dose_g = value[MEASURE_DOSE_G], water_g = value[MEASURE_WATER_G];
    double beverage_g = value[MEASURE_BEVERAGE_G], strength = value[MEASURE_STRENGTH_PCT];

    ledger_balance(measures, entered);
    value[MEASURE_EXTRACTION_PCT] = extraction_in_cup_pct(strength, beverage_g, dose_g);
    u[MEASURE_EXTRACTION_PCT] = uncertainty_of_extraction(strength, u[MEASURE_STRENGTH_PCT], beverage_g,
                                                          u[MEASURE_BEVERAGE_G], dose_g, u[MEASURE_DOSE_G]);
    value[MEASURE_EXTRACTION_TOTAL_PCT] = extraction_total_pct(strength, water_g, dose_g);
    u[MEASURE_EXTRACTION_TOTAL_PCT] = uncertainty_of_extraction_total(strength, u[MEASURE_STRENGTH_PCT], water_g,
                                                                      u[MEASURE_WATER_G], dose_g, u[MEASURE_DOSE_G]);
    value[MEASURE_RETAINED_G_PER_G] = retained_g_per_g(water_g, beverage_g, dose_g);
    u[MEASURE_RETAINED_G_PER_G] = uncertainty_of_retained(water_g, u[MEASURE_WATER_G], beverage_g,
                                                          u[MEASURE_BEVERAGE_G], dose_g, u[MEASURE_DOSE_G]);
}

static void apply_entered(const struct tracker *tracker, struct measures *measures)
{
    for (int i = 0; i < MEASURE_COUNT; i++)
        if (!isnan(tracker->entered.value[i])) {
            measures->value[i] = tracker->entered.value[i];
            measures->standard_uncertainty[i] = tracker->entered.standard_uncertainty[i];
        }
    tracker_derive(measures, &tracker->entered);
    dry_judge(tracker, measures);
}

static bool same_step(const struct step *a, const struct step *b)
{
    return a->stage == b->stage && a->by_operator == b->by_operator && llabs(a->at_us - b->at_us) <= TIME_WORTH_US;
}

/* A stage reported takes back all that was reported from its time on; so what changed is reported from the first
 * difference, and if that one moves later, from the stage before it.  Before the first there is idle. */
static void report_stages(struct tracker *tracker, struct tracker_events *events, int limit)
{
    struct hypothesis *story = &tracker->story.best;
    int same = 0;

    for (; same < story->count && same < tracker->reported_count
           && same_step(&story->step[same], &tracker->reported[same]);
         same++)
        story->step[same].at_us = tracker->reported[same].at_us; /* what was not worth a correction stays */
    if (same == story->count && same == tracker->reported_count)
        return;
    if (same > 0 && same < tracker->reported_count
        && (same == story->count || story->step[same].at_us > tracker->reported[same].at_us))
        same--;
    if (same == 0 && tracker->reported_count && (!story->count || story->step[0].at_us > tracker->reported[0].at_us)) {
        struct tracker_event *event =
            events->count < limit ? tracker_report(tracker, events, TRACKER_STAGE, tracker->reported[0].at_us) : NULL;

        if (!event)
            return;
        event->stage = STAGE_IDLE;
    }
    tracker->reported_count = same;
    for (int i = same; i < story->count && events->count < limit; i++) {
        struct tracker_event *event = tracker_report(tracker, events, TRACKER_STAGE, story->step[i].at_us);

        if (!event)
            return;
        event->stage = story->step[i].stage;
        event->by_operator = story->step[i].by_operator;
        event->at_uncertainty_us = (int64_t)((double)story->step[i].u_s * 1e6);
        tracker->reported[tracker->reported_count++] = story->step[i];
    }
}

static bool same_number(enum measure measure, double a, double b)
{
    if (isnan(a) || isnan(b))
        return isnan(a) && isnan(b);
    return fabs(a - b) < 0.5 * pow(10, -measure_decimals(measure)) / 2;
}

/* Whether an uncertainty is as good as what was reported: it may have grown with what followed, or shrunk. */
static bool same_doubt(double u, double reported_u)
{
    return !(u > DOUBT_TIMES * reported_u) && !(u < reported_u / DOUBT_TIMES);
}

/* Digits beyond a ten-thousandth (of a gram, a second, a kilopascal) come of arithmetic, not of weighing; what the
 * operator entered stays as it is. */
static double worth_reporting(const struct tracker *tracker, enum measure measure, double value)
{
    return tracker->running && !isnan(tracker->entered.value[measure]) ? value : round(value * 1e4) / 1e4;
}

void tracker_report_measures(struct tracker *tracker, struct tracker_events *events, const struct measures *now,
                             struct measures *reported, uint32_t brew, int limit)
{
    for (int i = 0; i < MEASURE_COUNT && events->count < limit; i++) {
        bool pressure = i == MEASURE_PRESS_PEAK_KPA || i == MEASURE_PRESS_MEAN_KPA;
        struct tracker_event *event;

        if (same_number((enum measure)i, now->value[i], reported->value[i])
            && same_doubt(now->standard_uncertainty[i], reported->standard_uncertainty[i]))
            continue;
        event = tracker_report(tracker, events, TRACKER_MEASURE, tracker->now_us);
        if (!event)
            return;
        event->brew = brew;
        event->measure = (enum measure)i;
        event->value = worth_reporting(tracker, (enum measure)i, now->value[i]);
        event->standard_uncertainty = now->standard_uncertainty[i];
        event->above = pressure && tracker->story.best.above;
        event->by_operator = tracker->running && !isnan(tracker->entered.value[i]);
        reported->value[i] = now->value[i];
        reported->standard_uncertainty[i] = now->standard_uncertainty[i];
    }
}

static void report_questions(struct tracker *tracker, struct tracker_events *events)
{
    const struct hypothesis *story = &tracker->story.best;
    struct tracker_event *event;

    if (!tracker->asked_dose && story->first_water_us && isnan(tracker->measures.value[MEASURE_DOSE_G])
        && story->press_began_us && (event = tracker_report(tracker, events, TRACKER_QUESTION, tracker->now_us))) {
        tracker->asked_dose = true;
        event->measure = MEASURE_DOSE_G;
        snprintf(event->word, sizeof event->word, "dose");
        snprintf(event->detail, sizeof event->detail, "The coffee was not weighed here: how many grams were it?");
    }
    if (!tracker->asked_cup && story->over && !story->out_us
        && (event = tracker_report(tracker, events, TRACKER_QUESTION, tracker->now_us))) {
        tracker->asked_cup = true;
        event->measure = MEASURE_BEVERAGE_G;
        snprintf(event->word, sizeof event->word, "beverage");
        snprintf(event->detail, sizeof event->detail,
                 "The full cup was never weighed: how much coffee is in it, in g?");
    }
    if (!tracker->asked_cup && story->out_us && (!story->cup_known || story->cup_u_g > ASK_U_G)
        && (event = tracker_report(tracker, events, TRACKER_QUESTION, tracker->now_us))) {
        tracker->asked_cup = true;
        event->measure = MEASURE_BEVERAGE_G;
        event->value = tracker->measures.value[MEASURE_BEVERAGE_G];
        snprintf(event->word, sizeof event->word, "beverage");
        snprintf(event->detail, sizeof event->detail,
                 !story->cup_known && story->cup_u_g < 8
                     ? "More than one known cup fits: how much coffee is in it, in g (perhaps %.0f)?"
                     : "The empty cup was never seen (%.0f g of coffee is a guess): weigh it empty, and enter the full "
                       "cup's %.1f g less that.",
                 tracker->measures.value[MEASURE_BEVERAGE_G], story->full_g);
    }
}

/* The rest at or after a time; the open one when there is none. */
static int rest_from(const struct segments *segments, int64_t from_us)
{
    int index = 0;

    while (index < segments->count - 1
           && (segments->list[index].kind != KIND_REST || segments->list[index].end_us <= from_us))
        index++;
    return index;
}

/* What the story found to be a tare is one. */
static void take_shift(struct tracker *tracker)
{
    double grams = tracker->story.best.shift_g;

    if (fabs(grams) < SHIFT_LEAST_G)
        return;
    weighing_shift(&tracker->weighing, grams);
    segments_shift(&tracker->segments, grams);
    tracker->story.best.shift_g = 0;
}

/* The brew is reported; what comes next is another one. */
void tracker_close_brew(struct tracker *tracker, int64_t from_us)
{
    tracker->last = tracker->reported_measures;
    tracker->last_entered = tracker->entered;
    tracker->last_brew = tracker->brew;
    segments_forget(&tracker->segments, rest_from(&tracker->segments, from_us));
    take_shift(tracker);
    second_close(tracker);
    measures_clear(&tracker->reported_measures);
    measures_clear(&tracker->entered);
    tracker->reported_count = tracker->mark_count = 0;
    tracker->running = tracker->warned_pressure = tracker->warned_overload = false;
    tracker->asked_cup = tracker->asked_dose = false;
    tracker->ordered_us = tracker->doubtful_us = 0;
    tracker->alone_g = NAN;
    memset(&tracker->gauge, 0, sizeof tracker->gauge);
    memset(&tracker->story, 0, sizeof tracker->story);
    measures_clear(&tracker->measures);
    weighed_forget(tracker);
}

static void warn_of_pressure(struct tracker *tracker, struct tracker_events *events, double kpa)
{
    struct tracker_event *event;

    if (tracker->warned_pressure || !(tracker->config.press_limit_kpa > 0) || !(kpa > tracker->config.press_limit_kpa)
        || !(event = tracker_report(tracker, events, TRACKER_WARNING, tracker->now_us)))
        return;
    tracker->warned_pressure = true;
    snprintf(event->word, sizeof event->word, "press-too-hard");
    snprintf(event->detail, sizeof event->detail, "%.0f kPa on the piston, the limit is %.0f: press more slowly.", kpa,
             tracker->config.press_limit_kpa);
}

static void warn_of_press(struct tracker *tracker, struct tracker_events *events)
{
    const struct hypothesis *story = &tracker->story.best;
    struct tracker_event *event;

    if (!tracker->running || !story->pressing)
        return;
    warn_of_pressure(tracker, events, press_pressure_kpa(story->force_peak_g, tracker->config.piston_diameter_mm));
    if (!tracker->warned_overload && story->above
        && (event = tracker_report(tracker, events, TRACKER_WARNING, tracker->now_us))) {
        tracker->warned_overload = true;
        snprintf(event->word, sizeof event->word, "overload");
        snprintf(event->detail, sizeof event->detail,
                 "The scale is loaded beyond its range: pressures are lower bounds, and the scale may suffer.");
    }
}

/* Whether it is a brew: once it is one, it stays until it has looked like none for a while. */
static bool is_brew(struct tracker *tracker)
{
    const struct hypothesis *best = &tracker->story.best;

    if (tracker->ordered_us)
        return true;
    if (!tracker->running)
        return best->brewing && tracker->story.brewing > BEGIN_CHANCE
               && (best->poured_g > BEGIN_SURE_G || (!best->pour_open && best->poured_g > WATER_LEAST_G));
    if (best->brewing) {
        tracker->doubtful_us = 0;
        return true;
    }
    if (!tracker->doubtful_us)
        tracker->doubtful_us = tracker->now_us;
    return tracker->now_us - tracker->doubtful_us < DOUBTFUL_US || !tracker->segments.resting;
}

static void discard(struct tracker *tracker, struct tracker_events *events, int64_t over_us, const char *why)
{
    struct tracker_event *event = tracker_report(tracker, events, TRACKER_DISCARD, tracker->now_us);

    if (event)
        snprintf(event->detail, sizeof event->detail, "%s", why);
    tracker_close_brew(tracker, over_us);
    late_forget(tracker);
}

/* Reads the story again and reports what is new. */
void tracker_look(struct tracker *tracker, struct tracker_events *events)
{
    int limit = events->count + EVENTS_PER_CALL;
    struct hypothesis *best = &tracker->story.best;

    if (limit > TRACKER_EVENTS)
        limit = TRACKER_EVENTS;
    tracker->looked_us = tracker->now_us;
    story_read(&tracker->story, tracker, &tracker->measures);
    if (!is_brew(tracker)) {
        if (tracker->running)
            discard(tracker, events, best->began_us,
                    "It was no brew after all: what looked like water went away again.");
        return;
    }
    if (!best->brewing && tracker->running && !tracker->ordered_us)
        return; /* in doubt */
    second_measure(tracker, &tracker->measures);
    dry_watch(tracker);
    if (tracker->ordered_us && !best->brewing) {
        best->brewing = true;
        best->began_us = tracker->ordered_us;
    }
    if (!tracker->running) {
        tracker->brew++;
        tracker->running = true;
        tracker_report(tracker, events, TRACKER_BEGIN, best->began_us);
    }
    apply_marks(tracker, best);
    if (tracker->segments.resting || tracker->story.chance > STAGE_CHANCE || best->over || best->nothing
        || tracker->ordered_us)
        report_stages(tracker, events, limit);
    warn_of_press(tracker, events);
    apply_entered(tracker, &tracker->measures);
    if (tracker->segments.resting || best->over) {
        weighed_report(tracker, events);
        tracker_report_measures(tracker, events, &tracker->measures, &tracker->reported_measures, tracker->brew, limit);
        report_questions(tracker, events);
    }
    if ((best->nothing || best->over) && tracker->story.fate < CLOSE_CHANCE
        && tracker->now_us - best->over_us < CLOSE_WAIT_US)
        return; /* what follows decides */
    if (best->nothing && events->count < limit) {
        discard(tracker, events, best->over_us, "It was taken away before a press and did not come back.");
    } else if (best->over && events->count < limit) {
        int64_t over_us = best->over_us;

        tracker_report(tracker, events, TRACKER_END, over_us);
        tracker_close_brew(tracker, over_us);
    }
}

/* Where the empty scale is: what is lifted to the lowest leaves it empty, and it drifts. */
static void follow_zero(struct tracker *tracker)
{
    const struct segments *segments = &tracker->segments;
    const struct segment *rest = segments->count ? &segments->list[segments->count - 1] : NULL;
    double level_g;

    if (!rest || rest->kind != KIND_REST)
        return;
    level_g = (double)rest->last_g + tracker->story.best.shift_g;
    if (isnan(tracker->zero_g))
        tracker->zero_g = fmin(level_g, 0);
    if (level_g < tracker->zero_g + EMPTY_SCALE_G || rest->begin_us == tracker->zero_rest_us) {
        tracker->zero_g = level_g;
        tracker->zero_rest_us = rest->begin_us;
    }
}

static void forget_the_empty(struct tracker *tracker)
{
    struct segments *segments = &tracker->segments;
    int last = segments->count - 1, rests = 0;
    double alone_g = NAN;

    if (tracker->running || !segments->resting || tracker->story.shifted > SHIFTED_CHANCE
        || fabs((double)segments->list[last].last_g - tracker->zero_g) >= EMPTY_SCALE_G)
        return;
    for (int i = 0; i < last; i++) {
        double load_g = (double)segments->list[i].last_g - tracker->zero_g;

        if (segments->list[i].kind != KIND_REST || load_g < EMPTY_SCALE_G)
            continue;
        rests += !(fabs(load_g - alone_g) < SAME_G); /* or the tail of it */
        alone_g = load_g;
    }
    if (rests) /* put down on the empty scale: what stood there when a brew ended is full */
        tracker->alone_g = rests == 1 && alone_g > LEAST_CUP_G
                                   && fabs((double)segments->list[0].last_g - tracker->zero_g) < EMPTY_SCALE_G
                               ? alone_g
                               : NAN;
    segments_forget(segments, last);
}

static bool is_due(const struct tracker *tracker)
{
    int64_t deadline_us = tracker_deadline(tracker);

    return deadline_us && tracker->now_us >= deadline_us;
}

void tracker_reading(struct tracker *tracker, const struct reading *reading, struct tracker_events *events)
{
    bool overload = reading->status == READING_OVERLOAD;
    enum segments_news news = SEGMENTS_SAME;

    if (reading->mono_us > tracker->now_us)
        tracker->now_us = reading->mono_us;
    if (reading->quantity == QUANTITY_PRESSURE && reading->status == READING_OK && tracker->running
        && gauge_take(&tracker->gauge, decimal_to_double(reading->value), reading->resolution, reading->mono_us))
        tracker_look(tracker, events);
    if (reading->quantity == QUANTITY_PRESSURE && tracker->running && tracker->gauge.began_us)
        warn_of_pressure(tracker, events, tracker->gauge.now_kpa);
    if (reading->quantity != QUANTITY_MASS || (reading->status != READING_OK && !overload))
        return;
    if (!overload)
        second_release(tracker, decimal_to_double(reading->value));
    if (weighing_take(&tracker->weighing, overload ? 0 : decimal_to_double(reading->value), overload,
                      reading->resolution, reading->mono_us))
        news = segments_take(&tracker->segments, &tracker->weighing, &tracker->filter);
    tracker->weighing.lag_s = filter_lag_s(&tracker->filter) * (1 - filter_doubt(&tracker->filter));
    if (news == SEGMENTS_NEW || tracker->segments.resting)
        follow_zero(tracker);
    if (news == SEGMENTS_NEW) {
        weighed_look(tracker, events);
        late_look(tracker, events);
    }
    if (news == SEGMENTS_NEW || (news == SEGMENTS_MORE && tracker->now_us - tracker->looked_us >= LOOK_US)
        || is_due(tracker))
        tracker_look(tracker, events);
    if (news == SEGMENTS_NEW)
        forget_the_empty(tracker);
}

void tracker_gap(struct tracker *tracker, int64_t now_us, struct tracker_events *events)
{
    (void)events;
    if (now_us > tracker->now_us)
        tracker->now_us = now_us;
    weighing_gap(&tracker->weighing);
}

void tracker_time(struct tracker *tracker, int64_t now_us, struct tracker_events *events)
{
    if (now_us > tracker->now_us)
        tracker->now_us = now_us;
    if (is_due(tracker))
        tracker_look(tracker, events);
}

int64_t tracker_deadline(const struct tracker *tracker)
{
    const struct hypothesis *best = &tracker->story.best;
    int64_t next_us = 0, at_us[] = {
        best->wait_us,
        tracker->doubtful_us ? tracker->doubtful_us + DOUBTFUL_US : 0,
        best->over || best->nothing ? best->over_us + CLOSE_WAIT_US : 0,
    };

    for (int i = 0; i < 3 && tracker->running; i++) /* what was looked at in time is not asked for again */
        if (at_us[i] > tracker->looked_us && (!next_us || at_us[i] < next_us))
            next_us = at_us[i];
    return next_us;
}

void tracker_tare_ordered(struct tracker *tracker, int64_t now_us)
{
    tracker->weighing.tare_ordered_us = now_us;
}
