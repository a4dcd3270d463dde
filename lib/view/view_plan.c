/* What is planned, and what the guide makes of how things stand; see poise/view.h. */
#include <math.h>
#include <string.h>

#include "view_parts.h"

static const double STANDS_THERE_G = 20; /* the lightest cup or brewer weighs more */
static const double ADDING_G = 0.3;      /* the least that is no noise */
static const double COFFEE_MOST_G = 45;  /* no cup takes more */
static const int64_t OLD_US = 1500000;   /* the slowest scales speak twice a second: three missed */

const struct guide_run *station_run_before(const struct view_station *station)
{
    const struct guide_run *run = *station->brew ? &station->before : &station->brewed;

    return station->has_next && run->run > 0 && strcmp(run->experiment, station->next.experiment) == 0 ? run : NULL;
}

double station_share(const struct view_station *station, double steep_s)
{
    return station->curve.cups ? kinetics_share_at(&station->curve.fit, steep_s) : (double)NAN;
}

/* Something stands there and was tared away: what is shown now is what goes in. */
static bool tared(const struct view_station *station)
{
    if (station->rest.known)
        return station->rest.since == SINCE_ZERO;
    return station->offset_g > STANDS_THERE_G && decimal_to_double(station->shown) + station->offset_g > STANDS_THERE_G;
}

/* How many stages of this kind have begun, and when the last one did, and ended; 0: not yet. */
static int count_stage(const struct view_station *station, enum stage stage, int64_t *began_us, int64_t *ended_us)
{
    int count = 0;

    *began_us = *ended_us = 0;
    for (int i = 0; i < station->stage_count; i++) {
        if (station->stages[i].stage != stage)
            continue;
        count++;
        *began_us = station->stages[i].at_us;
        *ended_us = i + 1 < station->stage_count ? station->stages[i + 1].at_us : 0;
    }
    return count;
}

static double since_s(int64_t from_us, int64_t now_us)
{
    return from_us ? (double)(now_us - from_us) / 1e6 : (double)NAN;
}

/* Before a brew: the scale's own rests say what was added, and what was weighed and tared away. */
static void add_coffee(const struct view_station *station, struct guide_state *state)
{
    enum rest_since since;
    double added_g = station_added_g(station, &since);

    state->tared = tared(station);
    if (isnan(added_g) && state->tared && isnan(station->rest.weighed_g) && station->status == READING_OK
        && fabs(decimal_to_double(station->shown)) <= COFFEE_MOST_G)
        added_g = decimal_to_double(station->shown); /* tared before we came */
    state->coffee_g = added_g >= ADDING_G ? added_g : (double)NAN;
    if (!isnan(station->rest.weighed_g))
        state->dose_g = station->rest.weighed_g;
}

void station_guide(const struct view *model, const struct view_station *station, int64_t now_us, struct guide *out)
{
    static const struct guide_run no_run;
    const struct measures *measures = &station->measures;
    struct guide_state state;
    int64_t began_us, ended_us;

    guide_state_clear(&state);
    state.stage = station->stage;
    state.stage_s = station_stage_s(station, now_us);
    state.water_s = station_steep_s(station, now_us);
    state.stirs = count_stage(station, STAGE_STIR, &began_us, &ended_us);
    state.stir_began_s = since_s(began_us, now_us);
    state.stirred_s = since_s(ended_us, now_us);
    state.pours = count_stage(station, STAGE_POUR, &began_us, &ended_us);
    state.pours += count_stage(station, STAGE_BLOOM, &began_us, &ended_us);
    count_stage(station, STAGE_PRESS, &began_us, &ended_us);
    state.press_s = since_s(began_us, now_us);
    state.scale = station->shown_at_us != 0
                  && now_us - station->shown_at_us <= (int64_t)((double)OLD_US * fmax(model->rate, 1))
                  && (station->status == READING_OK || station->status == READING_OVERLOAD);
    state.decimals = station->shown_at_us ? -station->shown.exponent : 1;
    state.overload = station->status == READING_OVERLOAD;
    state.load_g = station_load_g(station);
    state.water_g = station_water_g(station);
    state.flow_g_per_s = station_flow_g_per_s(station, now_us);
    state.press_kpa = station_press_kpa(station, now_us);
    state.limit_kpa = station->press_limit_kpa > 0 ? station->press_limit_kpa : (double)NAN;
    state.asked_steep_s = model->planned_steep_s;
    state.cup_left = station->cup_left;
    if (*station->brew || station->stage == STAGE_DOSE) {
        state.dose_g = measures->value[MEASURE_DOSE_G];
        state.beverage_g = measures->value[MEASURE_BEVERAGE_G];
    } else if (station->cup_left) {
        state.beverage_g = model->last.value[MEASURE_BEVERAGE_G];
    }
    if (station->stage <= STAGE_DOSE || station->stage >= STAGE_STRENGTH)
        add_coffee(station, &state);
    guide_now(station->has_next ? &station->next : &no_run, &state, &model->units, out);
}

unsigned view_bell(const struct view *model, struct view_bell *heard, int64_t now_us)
{
    unsigned fresh = 0;

    for (int i = 0; i < model->stations; i++) {
        const struct view_station *station = &model->station[i];
        struct guide guide;

        if (!*station->brew)
            continue;
        station_guide(model, station, now_us, &guide);
        if (strcmp(heard->heard[i].brew, station->brew) == 0)
            fresh |= guide.moments & ~heard->heard[i].moments;
        else
            heard->heard[i].moments = 0;
        strcpy(heard->heard[i].brew, station->brew);
        heard->heard[i].moments |= guide.moments;
    }
    return fresh;
}
