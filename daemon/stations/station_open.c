/* Stations as a configuration has them, and as another has them later; see station.h. */
#include "station.h"
#include "cups.h"
#include "strength.h"

#include <assert.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

int station_find(const struct stations *stations, const char *name)
{
    for (int i = 0; i < stations->count; i++)
        if (strcmp(stations->all[i].config.name, name) == 0)
            return i;
    return -1;
}

struct brew *station_running(const struct stations *stations, int station)
{
    struct brew *brew;

    assert(station >= 0 && station < stations->count);
    brew = brews_newest(&stations->brews, stations->all[station].config.name);

    return brew && !brew->ended ? brew : NULL;
}

static int station_make(struct station *station, const struct station_config *config, struct why *why)
{
    memset(station, 0, sizeof *station);
    if (!(station->tracker = calloc(1, tracker_size())))
        return why_set(why, -ENOMEM, "station %s: out of memory", config->name);
    station->config = *config;
    tracker_begin(station->tracker, &config->tracker);
    pan_begin(&station->pan);
    station->alone_g = NAN;
    return 0;
}

/* Where no thermometer is described its time constant is not known. */
static double lag_of_thermometer(const struct config *config, const char *station)
{
    for (int i = 0; i < config->instrument_count; i++) {
        const struct instrument_config *one = &config->instruments[i];

        if (one->quantity == QUANTITY_TEMPERATURE && one->lag_us > 0
            && (!one->station[0] || strcmp(one->station, station) == 0))
            return (double)one->lag_us / 1e6;
    }
    return NAN;
}

static void find_scale(struct station *station, const struct config *config)
{
    station->scale[0] = '\0';
    for (int i = 0; i < config->instrument_count && !station->scale[0]; i++) {
        const struct instrument_config *one = &config->instruments[i];

        if (one->quantity == QUANTITY_MASS && !one->weighs_cup && strcmp(one->station, station->config.name) == 0)
            strcpy(station->scale, one->name);
    }
}

static void take_settings(struct stations *stations, const struct config *config)
{
    for (int i = 0; i < stations->count; i++)
        find_scale(&stations->all[i], config);
    for (int i = 0; i < stations->count; i++)
        stations->all[i].slurry.lag_s = lag_of_thermometer(config, stations->all[i].config.name);
    stations->replicates = config->replicates;
    stations->strength_per_brix = config->strength_per_brix;
    stations->strength_per_brix_u = config->strength_per_brix_u;
    stations->strength_pairs = config->strength_pairs;
    stations->filtered = config->filtered;
    strength_configure(stations, config);
    for (int i = 0; i < CALIBRATIONS; i++)
        stations->calibrations[i].applied = false;
    for (int i = 0; i < config->instrument_count; i++) {
        const struct instrument_config *one = &config->instruments[i];
        struct calibration *calibration =
            one->calibrated ? calibration_of(stations->calibrations, one->name, true) : NULL;

        if (calibration)
            calibration->applied = true;
    }
    cups_configure(stations, config);
}

int stations_open(struct stations *stations, const struct config *config, struct why *why)
{
    int error;

    stations->all = calloc((size_t)config->station_count + 1, sizeof *stations->all);
    if (!stations->all)
        return why_set(why, -ENOMEM, "stations: out of memory");
    for (int i = 0; i < config->station_count; i++) {
        if ((error = station_make(&stations->all[i], &config->stations[i], why)) != 0) {
            stations_close(stations);
            return error;
        }
        stations->count++;
    }
    strcpy(stations->brews.bench, config->bench);
    stations->sample_c = NAN;
    take_settings(stations, config);
    return 0;
}

static void free_all(struct station *all, int count)
{
    for (int i = 0; i < count; i++) {
        free(all[i].tracker);
        slurry_free(&all[i].slurry);
    }
    free(all);
}

void stations_close(struct stations *stations)
{
    free_all(stations->all, stations->count);
    stations->all = NULL;
    stations->count = 0;
    brews_free(&stations->brews);
}

/* While all stations are still there: who hears of an end looks at them. */
static void end_brews_of_gone(struct stations *stations, const struct config *config, struct moment now)
{
    for (int i = 0; i < stations->count; i++) {
        struct brew *brew = station_running(stations, i);
        bool stays = false;

        for (int j = 0; j < config->station_count; j++)
            stays = stays || strcmp(config->stations[j].name, stations->all[i].config.name) == 0;
        if (brew && !stays)
            brew_end_here(stations, brew, now);
    }
}

/* A station that comes back has a new tracker, which counts from 1 again: the brews of the old one are none of its. */
static void forget_numbers_of_gone(struct stations *stations, const struct config *config)
{
    for (int i = 0; i < stations->brews.count; i++) {
        struct brew *brew = stations->brews.all[i];
        bool stays = false;

        for (int j = 0; j < config->station_count; j++)
            stays = stays || strcmp(config->stations[j].name, brew->station) == 0;
        if (stays || brew->number == 0)
            continue;
        brew->number = 0;
        brew->changed = true;
    }
}

int stations_reconfigure(struct stations *stations, const struct config *config, struct moment now, struct why *why)
{
    struct station *all = calloc((size_t)config->station_count + 1, sizeof *all);
    int error;

    if (!all)
        return why_set(why, -ENOMEM, "stations: out of memory");
    for (int i = 0; i < config->station_count; i++)
        if (station_find(stations, config->stations[i].name) < 0
            && (error = station_make(&all[i], &config->stations[i], why)) != 0) {
            free_all(all, i);
            return error;
        }
    end_brews_of_gone(stations, config, now);
    forget_numbers_of_gone(stations, config);
    for (int i = 0; i < config->station_count; i++) {
        int old = station_find(stations, config->stations[i].name);

        if (old < 0)
            continue;
        all[i] = stations->all[old];
        all[i].config = config->stations[i];
        tracker_configure(all[i].tracker, &config->stations[i].tracker, NULL);
        stations->all[old].tracker = NULL;
        stations->all[old].slurry.reading = NULL;
    }
    free_all(stations->all, stations->count);
    stations->all = all;
    stations->count = config->station_count;
    take_settings(stations, config);
    stations->state_changed = true;
    return 0;
}
