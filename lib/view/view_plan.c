/* What is planned, and what the guide makes of how things stand; see poise/view.h. */
#include <math.h>
#include <string.h>

#include "view_parts.h"

static const int64_t OLD_US = 1500000; /* the slowest scales send two readings a second: three missed */

const struct guide_run *station_run_before(const struct view_station *station)
{
    const struct guide_run *run = *station->brew ? &station->before : &station->brewed;

    return station->has_next && run->run > 0 && strcmp(run->experiment, station->next.experiment) == 0 ? run : NULL;
}

double station_final_s(const struct view_station *station)
{
    return station->curve.cups ? station->curve.at_s : (double)NAN;
}

double station_share(const struct view_station *station, double steep_s)
{
    return station->curve.cups ? kinetics_share_at(&station->curve.fit, steep_s) : (double)NAN;
}

static double since_s(int64_t from_us, int64_t now_us)
{
    return from_us ? (double)(now_us - from_us) / 1e6 : (double)NAN;
}

void station_guide(const struct view *model, const struct view_station *station, int64_t now_us, struct guide *out)
{
    static const struct guide_run no_run;
    const struct measures *measures = &station->measures;
    const struct view_seen *seen = &station->seen;
    struct guide_state state;
    int64_t began_us, ended_us;

    guide_state_clear(&state);
    state.stage = station->stage;
    state.stage_s = station_stage_s(station, now_us);
    state.water_s = station_steep_s(station, now_us);
    state.stirs = timeline_stages(&station->timeline, STAGE_STIR, &began_us, &ended_us);
    state.stir_began_s = since_s(began_us, now_us);
    state.stirred_s = since_s(ended_us, now_us);
    state.pours = timeline_stages(&station->timeline, STAGE_POUR, &began_us, &ended_us);
    state.pours += timeline_stages(&station->timeline, STAGE_BLOOM, &began_us, &ended_us);
    timeline_stages(&station->timeline, STAGE_PRESS, &began_us, &ended_us);
    state.press_s = since_s(began_us, now_us);
    state.scale = station->shown_at_us != 0
                  && now_us - station->shown_at_us <= (int64_t)((double)OLD_US * fmax(model->rate, 1))
                  && (station->status == READING_OK || station->status == READING_OVERLOAD);
    state.decimals = station->shown_at_us ? -station->shown.exponent : 1;
    state.overload = station->status == READING_OVERLOAD;
    state.load_g = seen->load_g;
    state.water_g = seen->water_g;
    state.flow_g_per_s = seen->flow_g_per_s;
    state.press_kpa = seen->press_kpa;
    state.coffee_g = seen->added_g;
    state.tared = seen->tared;
    state.cup_left = seen->cup_left;
    state.limit_kpa = station->press_limit_kpa > 0 ? station->press_limit_kpa : (double)NAN;
    state.asked_steep_s = model->planned_steep_s;
    if (*station->brew || station->stage == STAGE_DOSE) {
        state.dose_g = measures->value[MEASURE_DOSE_G];
        state.beverage_g = measures->value[MEASURE_BEVERAGE_G];
    } else if (seen->cup_left) {
        state.beverage_g = model->last.value[MEASURE_BEVERAGE_G];
    }
    if (!isnan(seen->weighed_g))
        state.dose_g = seen->weighed_g;
    guide_now(station->has_next ? &station->next : &no_run, &state, &model->units, out);
}

unsigned view_bell(const struct view *model, struct view_bell *bell, int64_t now_us)
{
    unsigned fresh = 0;

    for (int i = 0; i < model->stations; i++) {
        const struct view_station *station = &model->station[i];
        struct guide guide;

        if (!*station->brew || station->correcting)
            continue;
        station_guide(model, station, now_us, &guide);
        if (strcmp(bell->rung[i].brew, station->brew) == 0)
            fresh |= guide.moments & ~bell->rung[i].moments;
        else
            bell->rung[i].moments = 0;
        strcpy(bell->rung[i].brew, station->brew);
        bell->rung[i].moments |= guide.moments;
    }
    return fresh;
}
