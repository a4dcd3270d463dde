/* What the operator says: marks, begin, end, discard, measures; and the view for a screen.
 * The operator's word wins over what the scale suggests. */
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "poise/brew.h"
#include "late.h"
#include "parts.h"
#include "weighed.h"

static int refuse(char *detail, const char *sentence)
{
    snprintf(detail, TRACKER_WORDS, "%s", sentence);
    return -EINVAL;
}

static void set_now(struct tracker *tracker, int64_t now_us)
{
    if (now_us > tracker->now_us)
        tracker->now_us = now_us;
}

int tracker_order_begin(struct tracker *tracker, int64_t now_us, struct tracker_events *events, char *detail)
{
    set_now(tracker, now_us);
    if (tracker->running)
        return refuse(detail, "A brew is running on this station: end or discard it first.");
    tracker->ordered_us = now_us;
    tracker_look(tracker, events);
    return 0;
}

int tracker_order_end(struct tracker *tracker, int64_t now_us, struct tracker_events *events, char *detail)
{
    set_now(tracker, now_us);
    if (!tracker->running)
        return refuse(detail, "No brew is running on this station.");
    tracker_look(tracker, events);
    if (!tracker->running)
        return 0;
    weighed_report(tracker, events);
    tracker_report_measures(tracker, events, &tracker->measures, &tracker->reported_measures, tracker->brew,
                            TRACKER_EVENTS - 1);
    tracker_report(tracker, events, TRACKER_END, now_us);
    tracker_close_brew(tracker, now_us);
    return 0;
}

int tracker_order_discard(struct tracker *tracker, int64_t now_us, struct tracker_events *events, char *detail)
{
    struct tracker_event *event;

    set_now(tracker, now_us);
    if (!tracker->running)
        return refuse(detail, "No brew is running on this station.");
    event = tracker_report(tracker, events, TRACKER_DISCARD, now_us);
    if (event) {
        event->by_operator = true;
        snprintf(event->detail, sizeof event->detail, "Discarded by the operator.");
    }
    tracker_close_brew(tracker, now_us);
    late_forget(tracker);
    return 0;
}

/* The first water of the running brew, as seen or marked; 0: none yet. */
static int64_t first_water_us(const struct tracker *tracker)
{
    int64_t first_us = tracker->story.best.first_water_us;

    for (int i = 0; i < tracker->mark_count; i++)
        if ((tracker->mark[i].stage == STAGE_BLOOM || tracker->mark[i].stage == STAGE_POUR)
            && (!first_us || tracker->mark[i].at_us < first_us))
            first_us = tracker->mark[i].at_us;
    return first_us;
}

/* Stages that no brew has: before its water, or after its cup was weighed. */
static int check_order(const struct tracker *tracker, enum stage stage, int64_t at_us, char *detail)
{
    int64_t water_us = first_water_us(tracker), weighed_us = tracker->story.best.out_us;

    if (stage > STAGE_POUR && !water_us)
        return refuse(detail, "No water was poured in this brew yet: mark its bloom or pour first.");
    if (stage > STAGE_POUR && at_us < water_us)
        return refuse(detail, "That is before this brew's first water: mark its bloom or pour earlier first.");
    if (stage < STAGE_STRENGTH && weighed_us && at_us > weighed_us)
        return refuse(detail, "The full cup was weighed before that: what comes after it belongs to another brew.");
    return 0;
}

int tracker_mark(struct tracker *tracker, enum stage stage, int64_t at_us, struct tracker_events *events, char *detail)
{
    struct mark *mark = NULL;

    if (stage == STAGE_IDLE)
        return tracker_order_discard(tracker, at_us, events, detail);
    if (stage == STAGE_DONE)
        return tracker_order_end(tracker, at_us, events, detail);
    if ((int)stage < 0 || stage >= STAGE_COUNT)
        return refuse(detail, "There is no such stage.");
    if (!tracker->running && stage > STAGE_POUR)
        return refuse(detail, "No brew is running on this station: begin one, or mark its dose, bloom or pour.");
    if (tracker->running && tracker->story.best.began_us && at_us < tracker->story.best.began_us - 600000000)
        return refuse(detail, "That is more than ten minutes before the brew began.");
    if (tracker->running && check_order(tracker, stage, at_us, detail) != 0)
        return -EINVAL;
    for (int i = 0; i < tracker->mark_count; i++) /* the same stage again within a moment: meant to replace */
        if (tracker->mark[i].stage == stage && llabs(tracker->mark[i].at_us - at_us) < 3000000)
            mark = &tracker->mark[i];
    if (!mark && tracker->mark_count == MARKS)
        return refuse(detail, "This brew has had as many marks as it can hold.");
    if (!mark)
        mark = &tracker->mark[tracker->mark_count++];
    *mark = (struct mark){ at_us, (unsigned char)stage };
    if (!tracker->running)
        tracker->ordered_us = at_us;
    set_now(tracker, at_us);
    tracker_look(tracker, events);
    return 0;
}

int tracker_unmark(struct tracker *tracker, enum stage stage, int64_t at_us, int64_t now_us,
                   struct tracker_events *events, char *detail)
{
    for (int i = 0; i < tracker->mark_count; i++) {
        if (tracker->mark[i].stage != stage || tracker->mark[i].at_us != at_us)
            continue;
        tracker->mark_count--;
        memmove(&tracker->mark[i], &tracker->mark[i + 1], sizeof tracker->mark[0] * (size_t)(tracker->mark_count - i));
        set_now(tracker, now_us);
        tracker_look(tracker, events);
        return 0;
    }
    return refuse(detail, "There is no such mark any more.");
}

int tracker_enter(struct tracker *tracker, uint32_t brew, enum measure measure, double value,
                  double standard_uncertainty, int64_t now_us, struct tracker_events *events, char *detail)
{
    struct measures now;

    set_now(tracker, now_us);
    if ((int)measure < 0 || measure >= MEASURE_COUNT)
        return refuse(detail, "There is no such measure.");
    if (!isnan(value) && !(value >= measure_least(measure) && value <= measure_most(measure))) {
        snprintf(detail, TRACKER_WORDS, "%s is between %g and %g: %g cannot be true of a brew.", measure_name(measure),
                 measure_least(measure), measure_most(measure), value);
        return -EINVAL;
    }
    if (measure == MEASURE_PRESSED_DRY && !isnan(value) && value != 0 && value != 1)
        return refuse(detail, "pressed_dry is 1, pressed until nothing more came through, or 0, stopped before.");
    if (tracker->running && brew == tracker->brew) {
        tracker->entered.value[measure] = value;
        tracker->entered.standard_uncertainty[measure] = standard_uncertainty;
        now = tracker->reported_measures;
        now.value[measure] = value;
        now.standard_uncertainty[measure] = standard_uncertainty;
        tracker_derive(&now, &tracker->entered);
        dry_judge(tracker, &now);
        tracker_report_measures(tracker, events, &now, &tracker->reported_measures, brew, TRACKER_EVENTS);
        return 0;
    }
    if (!brew || brew != tracker->last_brew)
        return refuse(detail, "This station does not hold that brew any more.");
    if (measure == MEASURE_BEVERAGE_G)
        late_forget(tracker);
    now = tracker->last;
    now.value[measure] = value;
    now.standard_uncertainty[measure] = standard_uncertainty;
    tracker->last_entered.value[measure] = value;
    tracker_derive(&now, &tracker->last_entered);
    dry_judge(tracker, &now);
    tracker_report_measures(tracker, events, &now, &tracker->last, brew, TRACKER_EVENTS);
    return 0;
}

/* The stage a screen shows: what was reported, or before a brew is sure, what it looks like. */
static void view_stage(const struct tracker *tracker, struct tracker_view *out)
{
    const struct hypothesis *story = &tracker->story.best;

    out->stage = STAGE_IDLE;
    if (tracker->running && tracker->reported_count) {
        out->stage = tracker->reported[tracker->reported_count - 1].stage;
        out->stage_at_us = tracker->reported[tracker->reported_count - 1].at_us;
    } else if (!tracker->running && !isnan(tracker->measures.value[MEASURE_DOSE_G])) {
        out->stage = STAGE_DOSE;
        out->stage_at_us = story->dose_us;
    }
}

void tracker_view(const struct tracker *tracker, struct tracker_view *out)
{
    const struct hypothesis *story = &tracker->story.best;
    double load_g = weighing_load_g(&tracker->weighing) + story->shift_g;

    memset(out, 0, sizeof *out);
    view_stage(tracker, out);
    out->brew = tracker->brew;
    out->load_g = load_g - (isnan(tracker->zero_g) ? 0 : tracker->zero_g) - tracker->second.added_g;
    out->water_g = out->press_kpa = NAN;
    out->measures = tracker->running || out->stage == STAGE_DOSE ? tracker->measures : tracker->last;
    if (tracker->running) {
        out->first_water_us = story->first_water_us;
        out->water_g = tracker->measures.value[MEASURE_WATER_G];
    }
    out->flow_g_per_s = segments_flow_g_per_s(&tracker->segments, &tracker->weighing);
    if (story->pour_open && (out->stage == STAGE_BLOOM || out->stage == STAGE_POUR))
        out->water_g += load_g - story->poured_to_g;
    if (out->stage == STAGE_PRESS && story->pressing)
        out->press_kpa = press_pressure_kpa(load_g - story->base_g, tracker->config.piston_diameter_mm);
}
