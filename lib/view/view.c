/* What a screen knows of a bench; see poise/view.h.  What a state says is taken over in view_state.c. */
#include "poise/view.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "view_parts.h"
#include "poise/brew.h"

enum {
    FLOW_WINDOW_US = 1000000, /* a slope over one second: steadier than the eye, quicker than the hand */
    REST_WINDOW_US = 500000,  /* what the scale showed just before something began is averaged over this */
    SAME_US = 1000,           /* a stage is the same moment within a millisecond: the contract of stage events */
    GAUGE_STALE_US = 2000000  /* a pressure instrument silent for longer says nothing about now */
};
static const double TARE_WITHIN_S = 0.7; /* two lines of the slowest scale; in a longer silence all may be lifted */
static const double CUP_LEAST_G = 20;    /* the lightest cup weighs more */
static const double TARE_FROM_G = 5;     /* while pouring: a fall from more to zero at once is a tare */

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
        model->station[i].shown_at_us = model->station[i].gauge_at_us = 0;
        model->station[i].recent_count = 0;
        station_forgets_rest(&model->station[i]);
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

struct view_station *view_station(struct view *model, const char *name)
{
    for (int i = 0; i < model->stations; i++)
        if (strcmp(model->station[i].name, name) == 0)
            return &model->station[i];
    return NULL;
}

/* ---- messages ---- */

static bool pouring(const struct view_station *station)
{
    return station->stage == STAGE_BLOOM || station->stage == STAGE_POUR;
}

/* Takes what the bench knows with a reading; without one, nothing is known. */
void station_hears(struct view_station *station, const struct message_reading *reading)
{
    bool tracked = reading && reading->tracked;

    station->bench.load_g = tracked ? reading->load_g : (double)NAN;
    station->bench.water_g = tracked ? reading->water_g : (double)NAN;
    station->bench.flow_g_per_s = tracked ? reading->flow_g_per_s : (double)NAN;
    station->bench.press_kpa = tracked ? reading->press_kpa : (double)NAN;
}

static void take_mass(struct view_station *station, const struct message *message, double rate)
{
    const struct message_reading *reading = &message->reading;
    double before_g = decimal_to_double(station->shown), now_g = decimal_to_double(reading->value);
    double silent_s = (double)(message->common.mono_us - station->shown_at_us) / 1e6;
    bool at_once = station->shown_at_us && station->status == READING_OK && silent_s <= TARE_WITHIN_S * rate;

    station_hears(station, reading);
    strcpy(station->scale, reading->instrument);
    strcpy(station->condition, instrument_change_name(INSTRUMENT_READY));
    station->status = reading->status;
    station->stable = reading->stable;
    station->shown_at_us = message->common.mono_us;
    if (reading->status != READING_OK)
        return;
    if (at_once && is_zero_g(now_g)) {
        if (pouring(station) && before_g > TARE_FROM_G) {
            station->offset_g += before_g - now_g;
            station->recent_count = 0;
        }
        station_zeroed(station, before_g);
    }
    station->shown = reading->value;
    station->cup_left = station->cup_left && station_load_g(station) > CUP_LEAST_G;
    if (pouring(station) && isnan(station->load_base_g)) /* nothing was heard before the pour was marked */
        station->load_base_g = now_g + station->offset_g;
    station->recent[station->recent_next] = (struct view_point){ message->common.mono_us, now_g };
    station->recent_next = (station->recent_next + 1) % VIEW_READINGS;
    if (station->recent_count < VIEW_READINGS)
        station->recent_count++;
    station_rests(station);
}

static void take_reading(struct view *model, const struct message *message)
{
    const struct message_reading *reading = &message->reading;
    struct view_station *station = view_station(model, reading->station);
    double value = reading->status == READING_OK ? decimal_to_double(reading->value) : NAN;

    if (reading->weighs_cup) {
        return;
    } else if (station && reading->quantity == QUANTITY_MASS) {
        take_mass(station, message, model->rate);
    } else if (station && reading->quantity == QUANTITY_PRESSURE) {
        station->gauge_kpa = value;
        station->gauge_at_us = message->common.mono_us;
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
        station->water_base_g = station->press_base_g = NAN;
        station->stage_count = 0;
        station->question[0] = '\0';
        station->curve.cups = 0;
        station->cup_left = false;
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
        station->cup_left = true;
    }
}

bool station_recent(const struct view_station *station, int back, struct view_point *out)
{
    if (back >= station->recent_count)
        return false;
    *out = station->recent[(station->recent_next - 1 - back + 2 * VIEW_READINGS) % VIEW_READINGS];
    return true;
}

/* What the scale showed just before `at_us`, averaged over the window: stages are reported of after they
 * began.  NAN: not known. */
static double shown_before_g(const struct view_station *station, int64_t at_us, int64_t window_us)
{
    struct view_point point;
    double sum_g = 0;
    int64_t last_us = 0;
    int count = 0;

    for (int back = 0; station_recent(station, back, &point); back++) {
        if (point.mono_us > at_us)
            continue;
        last_us = count ? last_us : point.mono_us;
        if (last_us - point.mono_us > window_us)
            break;
        sum_g += point.g;
        count++;
    }
    if (!count && station->shown_at_us && station->shown_at_us <= at_us && station->status == READING_OK)
        return decimal_to_double(station->shown); /* only a state has reported of it */
    return count ? sum_g / count : NAN;
}

static void take_stage(struct view_station *station, const struct message_stage *stage)
{
    bool was_pouring = pouring(station); /* then nothing is at rest: the last reading alone */
    double before_g = shown_before_g(station, stage->at_us, was_pouring ? 0 : REST_WINDOW_US);
    double load_g = before_g + station->offset_g;

    if (*stage->brew && strcmp(stage->brew, station->brew) != 0)
        return; /* a correction of an earlier brew */
    while (station->stage_count > 0 && station->stages[station->stage_count - 1].at_us >= stage->at_us - SAME_US)
        station->stage_count--; /* a stage takes back what was reported to begin then or later */
    if (station->stage_count < VIEW_STAGES && stage->stage != STAGE_IDLE) {
        station->stages[station->stage_count].stage = stage->stage;
        station->stages[station->stage_count++].at_us = stage->at_us;
    }
    if (stage->at_us < station->stage_at_us && stage->stage != station->stage)
        return; /* it came before the one that is on: the record is corrected, not the screen */
    station->stage = stage->stage;
    station->stage_at_us = stage->at_us;
    if (was_pouring && !isnan(load_g - station->load_base_g))
        station->water_base_g += load_g - station->load_base_g;
    station->load_base_g = load_g;
    if (!station->first_water_us && pouring(station)) {
        station->first_water_us = stage->at_us;
        station->water_base_g = 0;
    }
    if (stage->stage == STAGE_PRESS)
        station->press_base_g = before_g;
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
    if (measure->measure == MEASURE_WATER_G && !isnan(measure->value)) {
        station->water_base_g = measure->value;
        station->load_base_g = station_load_g(station);
    }
}

static void take_instrument(struct view *model, const struct message_instrument *instrument, int64_t local_us)
{
    bool ordered = instrument->change == INSTRUMENT_ORDERED;
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

static int64_t stage_began_us(const struct view_station *station, enum stage stage)
{
    for (int i = station->stage_count - 1; i >= 0; i--)
        if (station->stages[i].stage == stage)
            return station->stages[i].at_us;
    return 0;
}

bool station_had(const struct view_station *station, enum stage stage)
{
    return stage_began_us(station, stage) != 0;
}

/* Stops at the press: from then on it is what it was. */
double station_steep_s(const struct view_station *station, int64_t now_us)
{
    int64_t press_us = stage_began_us(station, STAGE_PRESS);

    if (!station->first_water_us)
        return NAN;
    return since_s(station->first_water_us, press_us && station->stage >= STAGE_PRESS ? press_us : now_us);
}

double station_stage_s(const struct view_station *station, int64_t now_us)
{
    return since_s(station->stage_at_us, now_us);
}

double station_load_g(const struct view_station *station)
{
    if (!station->shown_at_us || station->status != READING_OK)
        return station->bench.load_g;
    return decimal_to_double(station->shown) + station->offset_g;
}

double station_water_g(const struct view_station *station)
{
    double load_g = station_load_g(station), water_g;

    if (station->stage < STAGE_BLOOM || station->stage == STAGE_DONE)
        return NAN;
    if (!pouring(station) || isnan(load_g) || isnan(station->load_base_g)) {
        water_g = station->measures.value[MEASURE_WATER_G];
        if (isnan(water_g) && pouring(station)) /* after a mark by hand the bench waits for more than one reading */
            water_g = station->bench.water_g;
        return isnan(water_g) ? station->water_base_g : water_g;
    }
    water_g = (isnan(station->water_base_g) ? 0 : station->water_base_g) + load_g - station->load_base_g;
    return water_g > 0 ? water_g : 0;
}

/* The least-squares slope over the last second. */
double station_flow_g_per_s(const struct view_station *station, int64_t now_us)
{
    double n = 0, sum_t = 0, sum_g = 0, sum_tt = 0, sum_tg = 0, spread;
    struct view_point point;

    if (!isnan(station->bench.flow_g_per_s) && now_us - station->shown_at_us <= FLOW_WINDOW_US)
        return station->bench.flow_g_per_s;
    for (int back = 0; station_recent(station, back, &point) && now_us - point.mono_us <= FLOW_WINDOW_US; back++) {
        double t_s = (double)(point.mono_us - now_us) / 1e6;

        n++;
        sum_t += t_s;
        sum_g += point.g;
        sum_tt += t_s * t_s;
        sum_tg += t_s * point.g;
    }
    spread = n * sum_tt - sum_t * sum_t;
    return n >= 3 && spread > 0 ? (n * sum_tg - sum_t * sum_g) / spread : NAN;
}

double station_press_kpa(const struct view_station *station, int64_t now_us)
{
    if (station->stage != STAGE_PRESS)
        return NAN;
    if (station->gauge_at_us && now_us - station->gauge_at_us <= GAUGE_STALE_US)
        return station->gauge_kpa;
    if (!isnan(station->bench.press_kpa))
        return station->bench.press_kpa;
    if (station->status != READING_OK || isnan(station->press_base_g))
        return NAN;
    return fmax(
        0, press_pressure_kpa(decimal_to_double(station->shown) - station->press_base_g, station->piston_diameter_mm));
}

double station_age_s(const struct view_station *station, int64_t now_us)
{
    double age_s = since_s(station->shown_at_us, now_us);

    return age_s < 0 ? 0 : age_s;
}

bool station_brewing(const struct view_station *station)
{
    return station->stage >= STAGE_DOSE && station->stage <= STAGE_PRESS;
}
