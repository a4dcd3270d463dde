/* What is planned and what comes next; see model.h. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "model_parts.h"

static const double BLOOM_MORE = 0.5; /* half as much again as planned is no bloom any more, but the pour */

static const struct timer_setting *setting_of(const struct timer_station *station, const char *name)
{
    for (int i = 0; station->has_next && i < station->next.settings; i++)
        if (strcmp(station->next.setting[i].name, name) == 0)
            return &station->next.setting[i];
    return NULL;
}

double station_planned(const struct timer_station *station, const char *name, double *tolerance)
{
    const struct timer_setting *setting = setting_of(station, name);

    if (tolerance)
        *tolerance = setting ? setting->tolerance : NAN;
    return setting ? setting->number : NAN;
}

double model_planned_steep_s(const struct timer_model *model, const struct timer_station *station)
{
    double planned_s = station_planned(station, "steep_s", NULL);

    return isnan(planned_s) ? model->planned_steep_s : planned_s;
}

/* "stir = none" and "stir = no" mean that nothing is done; without a plan nobody knows, and the press is likelier. */
static bool stir_planned(const struct timer_station *station)
{
    const struct timer_setting *stir = setting_of(station, "stir");

    if (!stir)
        return false;
    if (!isnan(stir->number))
        return stir->number > 0;
    return strcmp(stir->word, "none") != 0 && strcmp(stir->word, "no") != 0;
}

static bool bloom_planned(const struct timer_station *station)
{
    return station_planned(station, "bloom_s", NULL) > 0 || station_planned(station, "bloom_g", NULL) > 0;
}

bool station_blooms(const struct timer_station *station)
{
    double tolerance_g, bloom_g = station_planned(station, "bloom_g", &tolerance_g), water_g = station_water_g(station);
    double rest_g = station_planned(station, "water_g", NULL) - bloom_g;
    int pours = 0;

    for (int i = 0; i < station->stage_count; i++)
        pours += station->stages[i].stage == STAGE_BLOOM || station->stages[i].stage == STAGE_POUR;
    if (!(bloom_g > 0) || !(rest_g > 0) || pours > 1 || station->stage < STAGE_BLOOM || station->stage > STAGE_STEEP)
        return false;
    return water_g <= bloom_g + fmax(tolerance_g > 0 ? tolerance_g : 0, fmin(rest_g, bloom_g) * BLOOM_MORE);
}

const struct timer_run *station_run_before(const struct timer_station *station)
{
    const struct timer_run *run = *station->brew ? &station->before : &station->brewed;

    return station->has_next && run->run > 0 && strcmp(run->experiment, station->next.experiment) == 0 ? run : NULL;
}

double station_share(const struct timer_station *station, double steep_s)
{
    return station->curve.cups ? kinetics_share_at(&station->curve.fit, steep_s) : (double)NAN;
}

enum stage station_next_stage(const struct timer_station *station)
{
    switch (station->stage) {
    case STAGE_IDLE:
    case STAGE_DONE:
        return STAGE_DOSE;
    case STAGE_DOSE:
        return bloom_planned(station) ? STAGE_BLOOM : STAGE_POUR;
    case STAGE_BLOOM:
        return STAGE_POUR;
    case STAGE_POUR:
        return STAGE_STEEP;
    case STAGE_STEEP:
        if (station_blooms(station))
            return STAGE_POUR;
        return stir_planned(station) && !station_had(station, STAGE_STIR) ? STAGE_STIR : STAGE_PRESS;
    case STAGE_STIR:
        return STAGE_SETTLE;
    case STAGE_SETTLE:
        return STAGE_PRESS;
    case STAGE_PRESS:
        return STAGE_WEIGH;
    case STAGE_WEIGH:
        return STAGE_STRENGTH;
    case STAGE_STRENGTH:
        return STAGE_DONE;
    case STAGE_COUNT:
        break;
    }
    return STAGE_IDLE;
}

bool model_bell(const struct timer_model *model, struct timer_bell *rung, int64_t now_us)
{
    bool ring = false;

    for (int i = 0; i < model->stations; i++) {
        const struct timer_station *station = &model->station[i];
        double planned_s = model_planned_steep_s(model, station);

        if (!*station->brew || station->stage < STAGE_BLOOM || station->stage > STAGE_SETTLE
            || !(station_steep_s(station, now_us) >= planned_s) || strcmp(rung->brew[i], station->brew) == 0)
            continue;
        strcpy(rung->brew[i], station->brew);
        ring = true;
    }
    return ring;
}
