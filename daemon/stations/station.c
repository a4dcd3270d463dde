/* Stations; see station.h.  Made and changed by a configuration: station_open.c.  Keeping and restoring:
 * station_save.c.  Strength: strength.c. */
#include "station.h"

#include <assert.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cups.h"
#include "mark.h"
#include "strength.h"
#include "poise/brew.h"

/* An order can be taken back so long: a wet hand sees at once that it hit the wrong key. */
static const int64_t UNDO_WITHIN_US = 10000000;

/* What is known to be in when a pour is marked. */
static double water_so_far_g(const struct station *station, const struct brew *brew)
{
    double water_g = brew->measures.value[MEASURE_WATER_G];
    struct tracker_view view;

    if (!isnan(water_g))
        return water_g;
    tracker_view(station->tracker, &view);
    return view.water_g;
}

/* It is worth another event where it moved by a tenth of a degree. */
static const double SLURRY_WORTH_C = 0.1;

/* The thermometer showed the room within this before first water. */
static const int64_t SLURRY_BEFORE_US = 60000000;

/* The slurry when the press began; a thermometer that comes out later still shows more of it. */
static void report_slurry(struct stations *stations, const struct station *station, struct brew *brew)
{
    double was_c = brew->measures.value[MEASURE_SLURRY_C], c, u_c;
    int64_t press_us;

    if (brew->slurry_entered || !timeline_stages(&brew->timeline, STAGE_PRESS, &press_us, NULL)
        || !slurry_at(&station->slurry, timeline_first_water_us(&brew->timeline) - SLURRY_BEFORE_US, press_us, &c, &u_c)
        || fabs(c - was_c) < SLURRY_WORTH_C || !brew_measure(brew, MEASURE_SLURRY_C, c, u_c, false))
        return;
    report_measure(stations, brew, MEASURE_SLURRY_C, BY_TRACKER);
}

static void take_stage(struct stations *stations, struct station *station, struct brew *brew,
                       const struct tracker_event *event)
{
    struct staged staged = { event->stage, event->at_us, event->at_uncertainty_us,
                             event->by_operator ? BY_OPERATOR : BY_TRACKER };

    brew_stage(brew, &staged);
    report_stage(stations, brew, &staged);
    pan_stage(&station->pan, &brew->timeline, water_so_far_g(station, brew));
    mark_report_times(stations, brew, staged.by);
    if (staged.stage == STAGE_PRESS)
        report_slurry(stations, station, brew);
}

/* What the calibration of the scale leaves unsure of a mass. */
static double calibration_u(const struct stations *stations, const struct station *station, enum measure measure,
                            double value)
{
    bool mass = measure == MEASURE_DOSE_G || measure == MEASURE_WATER_G || measure == MEASURE_BEVERAGE_G;

    return mass ? calibrations_u(stations->calibrations, station->scale, value) : 0;
}

static void take_measure(struct stations *stations, const struct station *station, struct brew *brew,
                         const struct tracker_event *event)
{
    double value = event->value, u = event->standard_uncertainty;

    /* what follows from others is computed here, where the strength is known too */
    if (measure_derived(event->measure) || event->measure == MEASURE_STRENGTH_PCT
        || (event->measure == MEASURE_SLURRY_C && !event->by_operator)
        || (mark_rules(brew, event->measure) && !event->by_operator))
        return;
    if (!event->by_operator && !isnan(u))
        u = hypot(u, calibration_u(stations, station, event->measure, value));
    if (event->measure == MEASURE_BEVERAGE_G && event->by_operator)
        brew->cup.entered = true;
    else if (event->measure == MEASURE_BEVERAGE_G)
        cups_beverage(stations, brew, &value, &u);
    if (!brew_measure(brew, event->measure, value, u, event->above))
        return;
    if (event->by_operator)
        brew_answer(brew, event->measure);
    report_measure(stations, brew, event->measure, event->by_operator ? BY_OPERATOR : BY_TRACKER);
}

static void take_event(struct stations *stations, struct station *station, const struct tracker_event *event,
                       struct moment now)
{
    struct brew *brew = brews_numbered(&stations->brews, station->config.name, event->brew);
    enum made_by by = event->by_operator ? BY_OPERATOR : BY_TRACKER;
    char words[DETAIL_SIZE];

    if (event->kind == TRACKER_WEIGHED) {
        cups_weighed(stations, (int)(station - stations->all), brew, event, now);
        return;
    }
    if (!brew && event->kind == TRACKER_BEGIN) {
        if ((brew = brews_begin(&stations->brews, station->config.name, event->brew, now.time_us)))
            report_begin(stations, brew, event->at_us, by);
        pan_brew(&station->pan, false);
    } else if (!brew) {
        if (event->kind == TRACKER_WARNING)
            stations_warn(stations, NULL, station->config.name, event->word, "%s", event->detail);
    } else if (event->kind == TRACKER_STAGE) {
        take_stage(stations, station, brew, event);
    } else if (event->kind == TRACKER_MEASURE) {
        take_measure(stations, station, brew, event);
        return;
    } else if (event->kind == TRACKER_WARNING) {
        stations_warn(stations, brew, station->config.name, event->word, "%s", event->detail);
        return;
    } else if (event->kind == TRACKER_QUESTION) {
        if (event->measure != MEASURE_BEVERAGE_G || !cups_asked(stations, brew, event->detail, words))
            report_question(stations, brew, event->word, event->measure,
                            event->measure == MEASURE_BEVERAGE_G ? words : event->detail);
    } else if (event->kind == TRACKER_END && !brew->ended) {
        report_slurry(stations, station, brew);
        cups_over(stations, (int)(station - stations->all), brew, now);
        report_end(stations, brew, event->at_us, by);
        pan_brew(&station->pan, true);
    } else if (event->kind == TRACKER_DISCARD && !brew->discarded) {
        report_discard(stations, brew, event->at_us, by, event->detail);
        pan_brew(&station->pan, false);
        strength_release(stations, brew, now);
    }
    stations->state_changed = true;
}

static void take_events(struct stations *stations, int station, const struct tracker_events *events, struct moment now)
{
    assert(events->count >= 0 && events->count <= TRACKER_EVENTS);
    for (int i = 0; i < events->count; i++)
        take_event(stations, &stations->all[station], &events->event[i], now);
    if (events->count)
        stations->all[station].changed = true;
}

/* ---- readings and time ---- */

static void feed_pan(struct station *station, const struct reading *reading, struct moment now)
{
    double value = reading->status == READING_OK ? decimal_to_double(reading->value) : (double)NAN;
    struct tracker_view view;

    if (reading->quantity == QUANTITY_PRESSURE)
        pan_gauge(&station->pan, now.mono_us, value);
    if (reading->quantity != QUANTITY_MASS)
        return;
    tracker_view(station->tracker, &view);
    pan_reading(&station->pan, now.mono_us, value, reading->stable, view.load_g);
}

static void feed(struct stations *stations, int station, const struct reading *reading, struct moment now)
{
    struct tracker_events events;

    assert(station >= 0 && station < stations->count);
    events.count = 0;
    tracker_reading(stations->all[station].tracker, reading, &events);
    feed_pan(&stations->all[station], reading, now);
    if (events.count)
        take_events(stations, station, &events, now);
}

void stations_reading(struct stations *stations, int station, const struct reading *reading, uint64_t seq,
                      struct moment now)
{
    switch (reading->quantity) {
    case QUANTITY_MASS:
    case QUANTITY_TEMPERATURE:
    case QUANTITY_PRESSURE:
        for (int i = station < 0 ? 0 : station; i < (station < 0 ? stations->count : station + 1); i++) {
            if (reading->quantity == QUANTITY_TEMPERATURE && reading->status == READING_OK
                && stations->all[i].saved_seq < seq)
                slurry_take(&stations->all[i].slurry, reading);
            if (stations->all[i].saved_seq < seq)
                feed(stations, i, reading, now);
            if (reading->quantity == QUANTITY_MASS)
                watch_scale(stations, i, reading, now);
        }
        break;
    default:
        break;
    }
}

void stations_second(struct stations *stations, int station, const struct reading *reading, uint64_t seq,
                     struct moment now)
{
    struct tracker_events events;

    if (station < 0 || stations->all[station].saved_seq >= seq)
        return;
    events.count = 0;
    tracker_second(stations->all[station].tracker, reading, &events);
    if (events.count)
        take_events(stations, station, &events, now);
}

void stations_gap(struct stations *stations, int station, bool cup, struct moment now)
{
    struct tracker_events events = { .count = 0 };

    if (cup)
        tracker_second_gap(stations->all[station].tracker);
    else
        tracker_gap(stations->all[station].tracker, now.mono_us, &events);
    take_events(stations, station, &events, now);
}

void stations_tare_ordered(struct stations *stations, int station, struct moment now)
{
    tracker_tare_ordered(stations->all[station].tracker, now.mono_us);
    stations->all[station].changed = true;
}

void stations_time(struct stations *stations, struct moment now)
{
    for (int i = 0; i < stations->count; i++) {
        struct tracker_events events;
        int64_t deadline_us = tracker_deadline(stations->all[i].tracker);

        if (deadline_us == 0 || deadline_us > now.mono_us)
            continue;
        events.count = 0;
        tracker_time(stations->all[i].tracker, now.mono_us, &events);
        take_events(stations, i, &events, now);
    }
}

int64_t stations_deadline(const struct stations *stations)
{
    int64_t first_us = 0;

    for (int i = 0; i < stations->count; i++) {
        int64_t deadline_us = tracker_deadline(stations->all[i].tracker);

        if (deadline_us && (first_us == 0 || deadline_us < first_us))
            first_us = deadline_us;
    }
    return first_us;
}

/* ---- what a screen shows ---- */

static bool pours_by_mark(const struct brew *brew)
{
    const struct staged *newest = brew && brew->timeline.count ? &brew->timeline.stage[brew->timeline.count - 1] : NULL;

    return newest && newest->by == BY_OPERATOR && (newest->stage == STAGE_BLOOM || newest->stage == STAGE_POUR);
}

static void look_at_brew(const struct station *station, const struct brew *brew, const struct tracker_view *view,
                         int64_t now_us, struct station_view *out)
{
    const struct pan *pan = &station->pan;
    bool marked = pours_by_mark(brew);

    out->water_g = marked ? pan_water_g(pan) : view->water_g;
    if (isnan(out->water_g) && out->stage >= STAGE_BLOOM)
        out->water_g = brew->measures.value[MEASURE_WATER_G];
    if (isnan(out->water_g) && out->stage >= STAGE_BLOOM)
        out->water_g = pan_water_g(pan);
    out->flow_g_per_s = isnan(out->water_g) ? (double)NAN : marked ? pan_flow_g_per_s(pan) : view->flow_g_per_s;
    if (out->stage != STAGE_PRESS)
        return;
    out->press_kpa = pan_gauge_kpa(pan, now_us);
    if (isnan(out->press_kpa))
        out->press_kpa = view->press_kpa;
    if (isnan(out->press_kpa) && station->config.tracker.piston_diameter_mm > 0)
        out->press_kpa = press_pressure_kpa(pan_pressed_g(pan), station->config.tracker.piston_diameter_mm);
}

void station_look(const struct stations *stations, int station, int64_t now_us, struct station_view *out)
{
    const struct station *one = &stations->all[station];
    const struct brew *brew = station_running(stations, station);
    struct tracker_view view;

    tracker_view(one->tracker, &view);
    *out = (struct station_view){ .stage = view.stage, .stage_at_us = view.stage_at_us, .load_g = view.load_g };
    out->first_water_us = view.first_water_us;
    if (brew && !view.first_water_us) /* marked by hand, and not seen */
        out->first_water_us = timeline_first_water_us(&brew->timeline);
    out->water_g = out->flow_g_per_s = out->press_kpa = out->added_g = out->weighed_g = NAN;
    if (brew)
        look_at_brew(one, brew, &view, now_us, out);
    if (view.stage >= STAGE_BLOOM && view.stage < STAGE_STRENGTH)
        return;
    out->added_g = pan_added_g(&one->pan);
    out->weighed_g = pan_weighed_g(&one->pan);
    out->tared = pan_tared(&one->pan);
    out->cup_left = one->pan.cup_left;
}

/* ---- the operator ---- */

/* What the tracker answered to an order: its events, or its refusal. */
static int take_order(struct stations *stations, int station, int result, const struct tracker_events *events,
                      const char *detail, struct moment now, struct why *why)
{
    take_events(stations, station, events, now);
    stations->all[station].changed = true;
    return result ? why_set(why, result, "%s", detail) : 0;
}

/* What was ordered is the operator's, not the tracker's. */
static void by_hand(struct tracker_events *events, enum tracker_event_kind kind)
{
    for (int i = 0; i < events->count; i++)
        events->event[i].by_operator |= events->event[i].kind == kind;
}

static void keep_given(struct stations *stations, int station, const char *running_before, enum stage stage,
                       int64_t at_us, struct moment now)
{
    const struct brew *brew = station_running(stations, station);
    struct order_given *given = &stations->all[station].given;

    memset(given, 0, sizeof *given);
    if (!brew)
        return;
    given->kind = strcmp(brew->name, running_before) == 0 ? ORDER_MARKED : ORDER_BEGUN;
    given->stage = stage;
    given->at_us = at_us;
    given->given_us = now.mono_us;
    strcpy(given->brew, brew->name);
}

static const char *running_name(const struct stations *stations, int station)
{
    const struct brew *brew = station_running(stations, station);

    return brew ? brew->name : "";
}

int station_mark(struct stations *stations, int station, enum stage stage, int64_t at_us, struct moment now,
                 struct why *why)
{
    struct tracker_events events = { .count = 0 };
    char detail[TRACKER_WORDS] = "", before[BREW_SIZE];
    int result;

    strcpy(before, running_name(stations, station));
    result = tracker_mark(stations->all[station].tracker, stage, at_us, &events, detail);
    if (stage == STAGE_DONE)
        by_hand(&events, TRACKER_END);
    result = take_order(stations, station, result, &events, detail, now, why);
    if (!result)
        keep_given(stations, station, before, stage, at_us, now);
    return result;
}

int station_begin(struct stations *stations, int station, struct moment now, struct why *why)
{
    struct tracker_events events = { .count = 0 };
    char detail[TRACKER_WORDS] = "";
    int result = tracker_order_begin(stations->all[station].tracker, now.mono_us, &events, detail);

    by_hand(&events, TRACKER_BEGIN);
    result = take_order(stations, station, result, &events, detail, now, why);
    if (!result)
        keep_given(stations, station, "", STAGE_IDLE, now.mono_us, now);
    return result;
}

int station_undo(struct stations *stations, int station, struct moment now, struct why *why)
{
    struct order_given given = stations->all[station].given;
    struct tracker_events events = { .count = 0 };
    char detail[TRACKER_WORDS] = "";
    int result;

    if (given.kind == ORDER_NONE || now.mono_us - given.given_us > UNDO_WITHIN_US)
        return why_set(why, -EINVAL, "nothing was begun or marked on station %s within the last %lld seconds",
                       stations->all[station].config.name, (long long)UNDO_WITHIN_US / 1000000);
    if (strcmp(running_name(stations, station), given.brew) != 0)
        return why_set(why, -EINVAL, "%s is over: `discard` takes it out of the record", given.brew);
    memset(&stations->all[station].given, 0, sizeof given);
    if (given.kind == ORDER_BEGUN)
        return station_discard(stations, station, "Taken back by the operator.", now, why);
    result = tracker_unmark(stations->all[station].tracker, given.stage, given.at_us, now.mono_us, &events, detail);
    return take_order(stations, station, result, &events, detail, now, why);
}

int station_end(struct stations *stations, int station, struct moment now, struct why *why)
{
    struct tracker_events events = { .count = 0 };
    char detail[TRACKER_WORDS] = "";
    int result = tracker_order_end(stations->all[station].tracker, now.mono_us, &events, detail);

    by_hand(&events, TRACKER_END);
    return take_order(stations, station, result, &events, detail, now, why);
}

int station_discard(struct stations *stations, int station, const char *reason, struct moment now, struct why *why)
{
    struct tracker_events events = { .count = 0 };
    char detail[TRACKER_WORDS] = "";
    int result = tracker_order_discard(stations->all[station].tracker, now.mono_us, &events, detail);

    for (int i = 0; reason && reason[0] && i < events.count; i++)
        if (events.event[i].kind == TRACKER_DISCARD)
            snprintf(events.event[i].detail, TRACKER_WORDS, "%s", reason);
    return take_order(stations, station, result, &events, detail, now, why);
}

int brew_discard(struct stations *stations, struct brew *brew, const char *reason, struct moment now, struct why *why)
{
    int station = station_find(stations, brew->station);

    if (brew->discarded)
        return why_set(why, -EINVAL, "%s is discarded already", brew->name);
    if (!brew->ended && station >= 0 && station_running(stations, station) == brew)
        return station_discard(stations, station, reason, now, why);
    report_discard(stations, brew, now.mono_us, BY_OPERATOR,
                   reason && reason[0] ? reason : "Discarded by the operator.");
    strength_release(stations, brew, now);
    stations->state_changed = true;
    return 0;
}

/* True when the tracker still holds the brew, so that it may correct what follows from a measure. */
static bool tracker_holds(const struct stations *stations, int station, const struct brew *brew)
{
    struct tracker_view view;

    if (station < 0 || brew->number == 0)
        return false;
    tracker_view(stations->all[station].tracker, &view);
    return view.brew == brew->number;
}

/* ---- numbers that cannot well be true ---- */

/* So many cups of this bench show what is usual, and this much beside them is not (common practice, no source). */
enum { USUAL_CUPS = 3 };
static const double UNUSUAL = 2;

/* More of a dose than dissolves: about a third of roasted coffee is soluble at all (from memory, no source at hand). */
static const double EXTRACTION_MOST_PCT = 35;

/* More in the cup than was poured; what dissolved adds a little. */
static const double MORE_THAN_POURED_G = 10;

static bool is_unusual(const struct stations *stations, const struct brew *brew, enum measure measure, double value,
                       double *least, double *most)
{
    int count = 0;

    *least = *most = NAN;
    for (int i = 0; i < stations->brews.count; i++) {
        const struct brew *other = stations->brews.all[i];
        double known = other->measures.value[measure];

        if (other == brew || other->discarded || isnan(known))
            continue;
        *least = fmin(*least, known);
        *most = fmax(*most, known);
        count++;
    }
    return count >= USUAL_CUPS && (value > UNUSUAL * *most || value < *least / UNUSUAL);
}

static int ask_back(const struct stations *stations, const struct brew *brew, enum measure measure, double value,
                    struct why *why)
{
    const char *unit = measure == MEASURE_STRENGTH_PCT ? "%" : "g", *name = measure_name(measure);
    int decimals = measure_decimals(measure);
    double with[MEASURE_COUNT], least, most;

    memcpy(with, brew->measures.value, sizeof with);
    with[measure] = value;
    if (measure == MEASURE_BEVERAGE_G && with[MEASURE_BEVERAGE_G] > with[MEASURE_WATER_G] + MORE_THAN_POURED_G)
        return why_set(
            why, -EAGAIN,
            "%.*f g in the cup, of %.*f g of water?  If that is what the cup weighs, enter what is left when "
            "it is taken off; if it is so, enter it again",
            decimals, value, decimals, with[MEASURE_WATER_G]);
    if (extraction_in_cup_pct(with[MEASURE_STRENGTH_PCT], with[MEASURE_BEVERAGE_G], with[MEASURE_DOSE_G])
        > EXTRACTION_MOST_PCT)
        return why_set(
            why, -EAGAIN,
            "%s %.*f %s?  %.0f %% of the coffee would be in the cup, more than dissolves; if it is so, enter "
            "it again",
            name, decimals, value, unit,
            extraction_in_cup_pct(with[MEASURE_STRENGTH_PCT], with[MEASURE_BEVERAGE_G], with[MEASURE_DOSE_G]));
    if (is_unusual(stations, brew, measure, value, &least, &most))
        return why_set(why, -EAGAIN, "%s %.*f %s?  Cups here were %.*f to %.*f; if it is so, enter it again", name,
                       decimals, value, unit, decimals, least, decimals, most);
    return 0;
}

int brew_doubt(struct stations *stations, const struct brew *brew, enum measure measure, double value, struct why *why)
{
    struct doubted *doubted = &stations->doubted;
    bool again = strcmp(doubted->brew, brew->name) == 0 && doubted->measure == measure && doubted->value == value;
    int error = 0;

    if (!(value >= measure_least(measure) && value <= measure_most(measure)))
        return 0; /* it is refused for that */
    if (measure == MEASURE_DOSE_G || measure == MEASURE_WATER_G || measure == MEASURE_BEVERAGE_G
        || measure == MEASURE_STRENGTH_PCT)
        error = ask_back(stations, brew, measure, value, why);
    doubted->brew[0] = '\0';
    if (!error)
        return 0;
    if (again) {
        stations_warn(stations, brew, brew->station, "implausible", "%s of %s is %g, and was confirmed",
                      measure_name(measure), brew->name, value);
        return 0;
    }
    strcpy(doubted->brew, brew->name);
    doubted->measure = measure;
    doubted->value = value;
    return error;
}

int brew_enter(struct stations *stations, struct brew *brew, enum measure measure, double value,
               double standard_uncertainty, struct moment now, struct why *why)
{
    struct tracker_events events = { .count = 0 };
    char detail[TRACKER_WORDS] = "";
    int station = station_find(stations, brew->station);

    if (brew->discarded)
        return why_set(why, -EINVAL, "%s is discarded: it takes no measures", brew->name);
    if (measure_derived(measure))
        return why_set(why, -EINVAL, "%s is computed from others: enter dose_g, water_g, beverage_g or strength_pct",
                       measure_name(measure));
    if (!(value >= measure_least(measure) && value <= measure_most(measure)))
        return why_set(why, -EINVAL, "%s must be %g to %g, not %g", measure_name(measure), measure_least(measure),
                       measure_most(measure), value);
    if (measure == MEASURE_PRESSED_DRY && value != 0 && value != 1)
        return why_set(why, -EINVAL,
                       "pressed_dry is 1, pressed until nothing more came through, or 0, stopped before; "
                       "%g is neither",
                       value);
    stations->state_changed = true;
    brew->slurry_entered |= measure == MEASURE_SLURRY_C;
    if (measure == MEASURE_STRENGTH_PCT) {
        strength_enter(stations, brew, value, standard_uncertainty, now);
        return 0;
    }
    if (tracker_holds(stations, station, brew)
        && tracker_enter(stations->all[station].tracker, brew->number, measure, value, standard_uncertainty,
                         now.mono_us, &events, detail)
               == 0) {
        for (int i = 0; i < events.count; i++)
            events.event[i].by_operator |= events.event[i].measure == measure;
        take_order(stations, station, 0, &events, detail, now, why);
    }
    brew_answer(brew, measure);
    /* also when the tracker holds it no more, or thought so already: the operator has said it */
    if (brew_measure(brew, measure, value, standard_uncertainty, false) || events.count == 0)
        report_measure(stations, brew, measure, BY_OPERATOR);
    return 0;
}

void brew_end_here(struct stations *stations, struct brew *brew, struct moment now)
{
    if (!brew->ended)
        report_end(stations, brew, now.mono_us, BY_TRACKER);
    stations->state_changed = true;
}

int brew_note(struct stations *stations, const struct brew *brew, const char *note, struct why *why)
{
    if (strlen(note) >= DETAIL_SIZE)
        return why_set(why, -EINVAL, "a note has at most %d bytes, this one has %zu", DETAIL_SIZE - 1, strlen(note));
    report_note(stations, brew, note);
    return 0;
}
