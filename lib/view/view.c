/* What a screen knows of a bench; see poise/view.h.  view_state.c takes over what a state holds. */
#include "poise/view.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "view_parts.h"

void view_begin(struct view *model, double planned_steep_s)
{
    memset(model, 0, sizeof *model);
    model->rate = 1;
    model->planned_steep_s = planned_steep_s;
    measures_clear(&model->last);
    model->last_kept = -1;
}

void view_found(struct view *model, int64_t local_us)
{
    (void)local_us;
    model->found = true;
    for (int i = 0; i < model->stations; i++) { /* it may be another clock that counts there now */
        model->station[i].shown_at_us = 0;
        view_seen_clear(&model->station[i].seen);
    }
}

void view_gone(struct view *model, int64_t local_us)
{
    model->found = false;
    model->gone_local_us = local_us;
}

void view_notice(struct view *model, bool bad, int64_t local_us, const char *format, ...)
{
    va_list arguments;

    va_start(arguments, format);
    vsnprintf(model->notice, sizeof model->notice, format, arguments);
    va_end(arguments);
    model->notice_bad = bad;
    model->notice_local_us = local_us;
}

/* ---- messages ---- */

void view_seen_clear(struct view_seen *seen)
{
    *seen = (struct view_seen){ NAN, NAN, NAN, NAN, NAN, NAN, false, false };
}

static void take_mass(struct view_station *station, const struct message *message)
{
    const struct message_reading *reading = &message->reading;

    if (reading->tracked)
        station->seen =
            (struct view_seen){ reading->load_g,  reading->water_g,   reading->flow_g_per_s, reading->press_kpa,
                                reading->added_g, reading->weighed_g, reading->tared,        reading->cup_left };
    else
        view_seen_clear(&station->seen);
    strcpy(station->scale, reading->instrument);
    strcpy(station->condition, instrument_change_name(INSTRUMENT_READY));
    station->status = reading->status;
    station->stable = reading->stable;
    station->shown_at_us = message->common.mono_us;
    if (reading->status == READING_OK)
        station->shown = reading->value;
}

static void take_reading(struct view *model, const struct message *message)
{
    const struct message_reading *reading = &message->reading;
    struct view_station *station = view_station(model, reading->station);
    double value = reading->status == READING_OK ? decimal_to_double(reading->value) : NAN;

    if (reading->weighs_cup) {
        return;
    } else if (station && reading->quantity == QUANTITY_MASS) {
        take_mass(station, message);
    } else if (station && reading->quantity == QUANTITY_PRESSURE) {
        station->seen.press_kpa = station->stage == STAGE_PRESS ? value : (double)NAN;
    } else if (station && reading->quantity == QUANTITY_TEMPERATURE) {
        station->slurry_c = value;
    } else if (reading->quantity == QUANTITY_STRENGTH && reading->status == READING_OK) {
        strcpy(model->strength, reading->instrument);
        model->strength_shown = reading->value;
        model->strength_at_us = message->common.mono_us;
    }
}

static void take_brew(struct view *model, const struct message_brew *brew)
{
    struct view_station *station = view_station(model, brew->station);

    if (!station)
        return;
    if (brew->change == BREW_BEGIN) {
        strcpy(station->brew, brew->brew);
        station->first_water_us = 0;
        station->timeline.count = 0;
        station->correcting = false;
        station->question[0] = '\0';
        station->curve.cups = 0;
        measures_clear(&station->measures);
        memset(station->above, 0, sizeof station->above);
    } else if (strcmp(station->brew, brew->brew) == 0 && (brew->change == BREW_END || brew->change == BREW_DISCARD)) {
        station->brew[0] = '\0';
    }
    if (brew->change == BREW_VERDICT && strcmp(brew->brew, model->last_brew) == 0)
        model->last_kept = brew->plan_kept;
    if (brew->change == BREW_END) {
        strcpy(model->last_brew, brew->brew);
        model->last = brew->measures;
        model->last_kept = brew->plan_kept;
        memcpy(model->last_above, station->above, sizeof model->last_above);
    }
}

static void take_stage(struct view_station *station, const struct message_stage *stage)
{
    struct timeline *timeline = &station->timeline;
    int before = timeline->count;

    if (*stage->brew && strcmp(stage->brew, station->brew) != 0)
        return; /* a correction of an earlier brew */
    timeline_report(timeline, &(struct staged){ .stage = stage->stage, .at_us = stage->at_us, .by = stage->by });
    station->correcting |= timeline->count <= before;
    station->stage = timeline->count ? timeline->stage[timeline->count - 1].stage : STAGE_IDLE;
    station->stage_at_us = timeline->count ? timeline->stage[timeline->count - 1].at_us : 0;
    station->first_water_us = timeline_first_water_us(timeline);
}

static void take_measure(struct view *model, const struct message_measure *measure)
{
    struct view_station *station = view_station(model, measure->station);

    if (strcmp(measure->brew, model->last_brew) == 0) {
        model->last.value[measure->measure] = measure->value;
        model->last.standard_uncertainty[measure->measure] = measure->standard_uncertainty;
        model->last_above[measure->measure] = measure->above;
    }
    if (station && measure->by == BY_OPERATOR && strcmp(measure->brew, station->question_brew) == 0
        && measure->measure == (enum measure)station->question_measure)
        station->question[0] = '\0';
    if (!station || strcmp(measure->brew, station->brew) != 0)
        return;
    station->measures.value[measure->measure] = measure->value;
    station->measures.standard_uncertainty[measure->measure] = measure->standard_uncertainty;
    station->above[measure->measure] = measure->above;
}

static void take_instrument(struct view *model, const struct message_instrument *instrument, int64_t local_us)
{
    bool ordered = instrument->change >= INSTRUMENT_ORDERED; /* no condition */
    bool bad = instrument->change >= INSTRUMENT_SILENT && !ordered;

    for (int i = 0; i < model->stations; i++)
        if (!ordered && strcmp(model->station[i].scale, instrument->instrument) == 0)
            strcpy(model->station[i].condition, instrument_change_name(instrument->change));
    if (ordered)
        view_notice(model, false, local_us, "%s: %s", instrument->instrument,
                    strstr(instrument->detail, "tare") ? "tare sent" : "zero sent");
    else
        view_notice(model, bad, local_us, "%s %s%s%s", instrument->instrument,
                    instrument_change_name(instrument->change), *instrument->detail ? ": " : "", instrument->detail);
}

void view_message(struct view *model, const struct message *message, int64_t local_us)
{
    struct view_station *station;

    model->found = true;
    strcpy(model->bench, message->common.bench);
    model->rate = message->common.rate;
    model->bench_us = message->common.mono_us;
    model->time_us = message->common.time_us;
    model->local_us = local_us;
    switch (message->kind) {
    case MESSAGE_STATE:
        view_state(model, message->json);
        break;
    case MESSAGE_READING:
        take_reading(model, message);
        break;
    case MESSAGE_BREW:
        take_brew(model, &message->brew);
        break;
    case MESSAGE_STAGE:
        station = view_station(model, message->stage.station);
        if (station)
            take_stage(station, &message->stage);
        break;
    case MESSAGE_MEASURE:
        take_measure(model, &message->measure);
        break;
    case MESSAGE_INSTRUMENT:
        take_instrument(model, &message->instrument, local_us);
        break;
    case MESSAGE_CHECK: /* for the record; an alarm comes as a warning */
    case MESSAGE_ALARM:
        break;
    case MESSAGE_WARNING:
        view_notice(model, true, local_us, "%s%s%s", message->warning.station, *message->warning.station ? ": " : "",
                    *message->warning.detail ? message->warning.detail : message->warning.warning);
        break;
    }
}

/* ---- now ---- */

int64_t view_now_us(const struct view *model, int64_t local_us)
{
    return model->bench_us + (int64_t)((double)(local_us - model->local_us) * model->rate);
}

int64_t view_time_us(const struct view *model, int64_t local_us)
{
    return model->time_us + view_now_us(model, local_us) - model->bench_us;
}

static double since_s(int64_t from_us, int64_t now_us)
{
    return from_us ? (double)(now_us - from_us) / 1e6 : NAN;
}

bool station_had(const struct view_station *station, enum stage stage)
{
    return timeline_stages(&station->timeline, stage, NULL, NULL) > 0;
}

/* Stops at the press: from then on it is what it was. */
double station_steep_s(const struct view_station *station, int64_t now_us)
{
    int64_t press_us;

    timeline_stages(&station->timeline, STAGE_PRESS, &press_us, NULL);
    if (!station->first_water_us)
        return NAN;
    return since_s(station->first_water_us, press_us && station->stage >= STAGE_PRESS ? press_us : now_us);
}

double station_stage_s(const struct view_station *station, int64_t now_us)
{
    return since_s(station->stage_at_us, now_us);
}

double station_age_s(const struct view_station *station, int64_t now_us)
{
    double age_s = since_s(station->shown_at_us, now_us);

    return age_s < 0 ? 0 : age_s;
}

char *station_guess_words(const struct view *model, const struct view_station *station, char *out, size_t size)
{
    *out = '\0';
    if (!*station->question || station->question_measure < 0 || isnan(station->question_guess))
        return out;
    return guide_measure_words((enum measure)station->question_measure, station->question_guess,
                               station->question_guess_u, false, &model->units, out, size);
}

bool station_brewing(const struct view_station *station)
{
    return station->stage >= STAGE_DOSE && station->stage <= STAGE_PRESS;
}
