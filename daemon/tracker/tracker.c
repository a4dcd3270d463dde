/* The tracker as others see it: readings and orders in, the difference between what is believed now
 * and what was reported before out.  What the readings mean is decided in tracker_story.c. */
#include "tracker.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

#include "poise/brew.h"
#include "poise/uncertainty.h"
#include "tracker_parts.h"

enum {
    EVENTS_PER_CALL = 16,
    LAYOUT_VERSION = 4 /* raise it with every change of meaning that sizeof does not show */
};

/* A stage found this much nearer to the truth is not worth another event. */
static const int64_t TIME_WORTH_US = 20000;

/* While a hand is at work the story is read again this often. */
static const int64_t LOOK_US = 250000;

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
    const struct signal *signal = &tracker->signal;

    return within(signal->count, PIECES) && signal->lag_count >= 0 && within(signal->shown_count, 4)
           && within(signal->cadence.count, CADENCE_INTERVALS) && within(tracker->story.count, STEPS)
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
    signal_begin(&tracker->signal);
    second_begin(&tracker->second);
    late_forget(tracker);
    tracker->signal.lag_s = (double)config->lag_us / 1e6;
    measures_clear(&tracker->reported_measures);
    measures_clear(&tracker->entered);
    measures_clear(&tracker->last);
    measures_clear(&tracker->story.measures);
}

void tracker_configure(struct tracker *tracker, const struct tracker_config *config, const struct tracker_plan *plan)
{
    if (config) {
        tracker->config = *config;
        tracker->signal.lag_s = (double)config->lag_us / 1e6;
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
static void apply_marks(const struct tracker *tracker, struct story *story)
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
void tracker_derive(struct measures *measures)
{
    double *value = measures->value, *u = measures->standard_uncertainty;
    double dose_g = value[MEASURE_DOSE_G], water_g = value[MEASURE_WATER_G];
    double beverage_g = value[MEASURE_BEVERAGE_G], strength = value[MEASURE_STRENGTH_PCT];

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
    tracker_derive(measures);
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
    struct story *story = &tracker->story;
    int same = 0;

    for (; same < story->count && same < tracker->reported_count
           && same_step(&story->step[same], &tracker->reported[same]);
         same++)
        story->step[same].at_us = tracker->reported[same].at_us; /* not worth a correction: it stays as it was */
    if (same == story->count && same == tracker->reported_count)
        return;
    if (same > 0 && same < tracker->reported_count
        && (same == story->count || story->step[same].at_us > tracker->reported[same].at_us))
        same--;
    if (same == 0 && tracker->reported_count && story->count && story->step[0].at_us > tracker->reported[0].at_us
        && events->count < limit) {
        struct tracker_event *event = tracker_report(tracker, events, TRACKER_STAGE, tracker->reported[0].at_us);

        if (event)
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

/* Digits beyond a ten-thousandth (of a gram, a second, a kilopascal) come from arithmetic, not from weighing; what the
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

        if (same_number((enum measure)i, now->value[i], reported->value[i]))
            continue;
        event = tracker_report(tracker, events, TRACKER_MEASURE, tracker->now_us);
        if (!event)
            return;
        event->brew = brew;
        event->measure = (enum measure)i;
        event->value = worth_reporting(tracker, (enum measure)i, now->value[i]);
        event->standard_uncertainty = now->standard_uncertainty[i];
        event->above = pressure && tracker->story.above;
        event->by_operator = tracker->running && !isnan(tracker->entered.value[i]);
        reported->value[i] = now->value[i];
        reported->standard_uncertainty[i] = now->standard_uncertainty[i];
    }
}

static void report_questions(struct tracker *tracker, struct tracker_events *events)
{
    const struct story *story = &tracker->story;
    struct tracker_event *event;

    if (!tracker->asked_dose && story->first_water_us && isnan(story->measures.value[MEASURE_DOSE_G])
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
    if (!tracker->asked_cup && story->out_us && (!story->cup_known || story->cup_u_g > 0)
        && (event = tracker_report(tracker, events, TRACKER_QUESTION, tracker->now_us))) {
        tracker->asked_cup = true;
        event->measure = MEASURE_BEVERAGE_G;
        event->value = story->measures.value[MEASURE_BEVERAGE_G];
        snprintf(event->word, sizeof event->word, "beverage");
        snprintf(event->detail, sizeof event->detail,
                 !story->cup_known && story->cup_u_g < 8
                     ? "More than one known cup fits: how much coffee is in it, in g (perhaps %.0f)?"
                     : "The empty cup was never seen (%.0f g of coffee is a guess): weigh it empty, and enter the full "
                       "cup's %.1f g less that.",
                 story->measures.value[MEASURE_BEVERAGE_G], story->full_g);
    }
}

/* The rest at or after a time; the open piece when there is none. */
static int rest_from(const struct signal *signal, int64_t from_us)
{
    int index = 0;

    while (index < signal->count - 1
           && (signal->piece[index].kind != PIECE_REST || signal->piece[index].end_us <= from_us))
        index++;
    return index;
}

/* The brew is reported; what comes next is another one. */
void tracker_close_brew(struct tracker *tracker, int64_t from_us)
{
    tracker->last = tracker->reported_measures;
    tracker->last_brew = tracker->brew;
    signal_forget(&tracker->signal, rest_from(&tracker->signal, from_us));
    second_close(tracker);
    measures_clear(&tracker->reported_measures);
    measures_clear(&tracker->entered);
    tracker->reported_count = tracker->mark_count = 0;
    tracker->running = tracker->warned_pressure = tracker->warned_overload = false;
    tracker->asked_cup = tracker->asked_dose = false;
    tracker->ordered_us = 0;
    memset(&tracker->gauge, 0, sizeof tracker->gauge);
    memset(&tracker->story, 0, sizeof tracker->story);
    measures_clear(&tracker->story.measures);
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
    const struct signal *signal = &tracker->signal;
    const struct piece *piece = signal->count ? &signal->piece[signal->count - 1] : NULL;
    struct tracker_event *event;
    double kpa;

    if (!tracker->running || !piece || piece->kind != PIECE_HANDLED || !press_is_force(piece, tracker->now_us))
        return;
    kpa = press_pressure_kpa((double)(piece->high_g - piece->first_g), tracker->config.piston_diameter_mm);
    warn_of_pressure(tracker, events, kpa);
    if (!tracker->warned_overload && piece->overload
        && (event = tracker_report(tracker, events, TRACKER_WARNING, tracker->now_us))) {
        tracker->warned_overload = true;
        snprintf(event->word, sizeof event->word, "overload");
        snprintf(event->detail, sizeof event->detail,
                 "The scale is loaded beyond its range: pressures are lower bounds, and the scale may suffer.");
    }
}

static bool tracker_rests(const struct tracker *tracker)
{
    const struct signal *signal = &tracker->signal;

    return signal->count && signal->piece[signal->count - 1].kind == PIECE_REST;
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
    struct story *story = &tracker->story;

    if (limit > TRACKER_EVENTS)
        limit = TRACKER_EVENTS;
    tracker->looked_us = tracker->now_us;
    story_read(story, tracker);
    second_measure(tracker);
    dry_watch(tracker);
    if (tracker->ordered_us && !story->brewing) {
        story->brewing = true;
        story->began_us = tracker->ordered_us;
    }
    if (!story->brewing && !tracker->running)
        return;
    if (!story->brewing && tracker_rests(tracker)) {
        discard(tracker, events, tracker->now_us, "It was no brew after all: what looked like water went away again.");
        return;
    }
    if (!tracker->running) {
        tracker->brew++;
        tracker->running = true;
        tracker_report(tracker, events, TRACKER_BEGIN, story->began_us);
    }
    apply_marks(tracker, story);
    report_stages(tracker, events, limit);
    warn_of_press(tracker, events);
    apply_entered(tracker, &story->measures);
    if (tracker->signal.count == 0 || tracker->signal.piece[tracker->signal.count - 1].kind == PIECE_REST
        || story->over) {
        tracker_report_measures(tracker, events, &story->measures, &tracker->reported_measures, tracker->brew, limit);
        report_questions(tracker, events);
    }
    if (story->nothing && events->count < limit) {
        discard(tracker, events, story->over_us, "It was taken away before a press and did not come back.");
    } else if (story->over && events->count < limit) {
        int64_t over_us = story->over_us;

        tracker_report(tracker, events, TRACKER_END, over_us);
        tracker_close_brew(tracker, over_us);
    }
}

/* Where the empty scale is: what is lifted to the lowest leaves it empty, and it drifts. */
static void follow_zero(struct signal *signal)
{
    const struct piece *piece = &signal->piece[signal->count - 1];
    double level_g;

    if (piece->kind != PIECE_REST && signal->count > 1)
        piece--; /* the rest that was just left has settled */
    if (piece->kind != PIECE_REST)
        return;
    level_g = (double)piece->last_g;
    if (isnan(signal->zero_g))
        signal->zero_g = fmin(level_g, 0);
    if (level_g < signal->zero_g + 3 || piece->begin_us == signal->zero_rest_us) { /* or it was not settled then */
        signal->zero_g = level_g;
        signal->zero_rest_us = piece->begin_us;
    }
}

static void forget_the_empty(struct tracker *tracker)
{
    struct signal *signal = &tracker->signal;
    const struct piece *piece = &signal->piece[signal->count - 1];

    if (!tracker->running && piece->kind == PIECE_REST && fabs((double)piece->last_g - signal->zero_g) < 3)
        signal_forget(signal, signal->count - 1);
}

void tracker_reading(struct tracker *tracker, const struct reading *reading, struct tracker_events *events)
{
    enum signal_news news;
    bool overload = reading->status == READING_OVERLOAD;

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
    news = signal_mass(&tracker->signal, overload ? 0 : decimal_to_double(reading->value), overload,
                       reading->resolution, reading->mono_us);
    if (tracker->signal.count)
        follow_zero(&tracker->signal);
    if (news == SIGNAL_PIECE) {
        forget_the_empty(tracker);
        late_look(tracker, events);
    }
    if (news == SIGNAL_PIECE || (news == SIGNAL_MORE && tracker->now_us - tracker->looked_us >= LOOK_US)
        || (tracker->story.wait_us && tracker->now_us >= tracker->story.wait_us))
        tracker_look(tracker, events);
}

void tracker_gap(struct tracker *tracker, int64_t now_us, struct tracker_events *events)
{
    (void)events;
    if (now_us > tracker->now_us)
        tracker->now_us = now_us;
    signal_gap(&tracker->signal);
}

void tracker_time(struct tracker *tracker, int64_t now_us, struct tracker_events *events)
{
    if (now_us > tracker->now_us)
        tracker->now_us = now_us;
    if (tracker->story.wait_us && tracker->now_us >= tracker->story.wait_us)
        tracker_look(tracker, events);
}

int64_t tracker_deadline(const struct tracker *tracker)
{
    return tracker->running ? tracker->story.wait_us : 0;
}

void tracker_tare_ordered(struct tracker *tracker, int64_t now_us)
{
    tracker->signal.tare_ordered_us = now_us;
}
