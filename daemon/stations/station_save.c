/* What of the stations outlives the process: the trackers as opaque bytes, brews and counters as JSON,
 * which a newer build reads too. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "station.h"
#include "poise/program.h"

static const char station_key[] = "station/";
static const char brew_key[] = "brew/";
static const char bench_key[] = "bench";
static const char watch_key[] = "watch";
static const char vessels_key[] = "vessels";
static const char calibrations_key[] = "calibrations";

/* In front of the tracker's bytes and of what the thermometer showed, with what the pan saw.  They mean something only
 * to the same build, in the same boot, on a clock of the same pace. */
struct saved_station {
    char build[48];
    uint32_t layout, size;
    uint64_t seq;
    int64_t mono_us;
    double rate;
    char boot[40];
    struct pan pan;
    int32_t slurry_count; /* readings of the slurry behind the tracker */
    double slurry_resolution_c;
};

typedef void keep_function(void *context, const char *key, const void *data, size_t length);

static void save_station(struct station *station, const struct saved_at *at, keep_function *keep, void *context)
{
    size_t slurry_size = (size_t)station->slurry.count * sizeof *station->slurry.reading;
    size_t size = sizeof(struct saved_station) + tracker_size() + slurry_size;
    struct saved_station *saved = calloc(1, size);
    char key[NAME_SIZE + sizeof station_key];

    if (!saved)
        return;
    snprintf(saved->build, sizeof saved->build, "%s", program_build());
    saved->layout = tracker_layout();
    saved->size = (uint32_t)tracker_size();
    saved->seq = at->seq;
    saved->mono_us = at->moment.mono_us;
    saved->rate = at->rate;
    snprintf(saved->boot, sizeof saved->boot, "%s", clock_boot());
    saved->pan = station->pan;
    saved->slurry_count = station->slurry.count;
    saved->slurry_resolution_c = station->slurry.resolution_c;
    memcpy(saved + 1, station->tracker, tracker_size());
    if (slurry_size)
        memcpy((char *)(saved + 1) + tracker_size(), station->slurry.reading, slurry_size);
    snprintf(key, sizeof key, "%s%s", station_key, station->config.name);
    keep(context, key, saved, size);
    free(saved);
    station->changed = false;
}

static void save_json(json_t *json, const char *key, keep_function *keep, void *context)
{
    char *text = json ? json_dumps(json, JSON_COMPACT) : NULL;

    json_decref(json);
    if (text)
        keep(context, key, text, strlen(text));
    free(text);
}

/* The times of a brew compare only within its boot. */
static json_t *brew_json(const struct brew *brew)
{
    json_t *json = brew_save(brew);

    if (json && !brew->earlier_boot)
        json_object_set_new(json, "boot", json_string(clock_boot()));
    return json;
}

static json_t *bench_json(const struct stations *stations)
{
    json_t *loose = json_array(), *blanks = json_array(), *refractometers = json_array(), *moments = json_array();

    for (int i = 0; i < stations->loose_count; i++)
        json_array_append_new(loose, sample_save(&stations->loose[i]));
    for (int i = 0; i < stations->blank_count; i++)
        json_array_append_new(blanks, sample_save(&stations->blanks[i]));
    for (int i = 0; i < SAMPLES_INSTRUMENTS && stations->refractometers[i].used; i++) {
        json_array_append_new(refractometers, json_string(stations->refractometers[i].name));
        json_array_append_new(moments, json_pack("[b,I,I,f]", stations->refractometers[i].zeroed,
                                                 (json_int_t)stations->refractometers[i].doubt_since_us,
                                                 (json_int_t)stations->refractometers[i].doubt_until_us,
                                                 stations->refractometers[i].doubt_u_pct));
    }
    return json_pack("{s:s,s:i,s:i,s:I,s:s,s:I,s:o,s:o,s:o,s:o}", "boot", clock_boot(), "day", stations->brews.day,
                     "number", stations->brews.number, "strength_seq", (json_int_t)stations->strength_seq, "sample",
                     stations->sample, "meant_seq", (json_int_t)stations->meant_seq, "loose", loose, "blanks", blanks,
                     "refractometers", refractometers, "moments", moments);
}

void stations_save(struct stations *stations, bool all, const struct saved_at *at, keep_function *keep, void *context)
{
    char key[BREW_SIZE + sizeof brew_key];

    for (int i = 0; i < stations->count; i++)
        if (all || stations->all[i].changed)
            save_station(&stations->all[i], at, keep, context);
    if (stations->brews.dropped[0]) {
        snprintf(key, sizeof key, "%s%s", brew_key, stations->brews.dropped);
        keep(context, key, NULL, 0);
        stations->brews.dropped[0] = '\0';
    }
    for (int i = 0; i < stations->brews.count; i++) {
        struct brew *brew = stations->brews.all[i];

        if (!all && !brew->changed)
            continue;
        snprintf(key, sizeof key, "%s%s", brew_key, brew->name);
        save_json(brew_json(brew), key, keep, context);
        brew->changed = false;
    }
    save_json(bench_json(stations), bench_key, keep, context);
    if (all || stations->vessels_changed)
        save_json(vessels_save(&stations->vessels), vessels_key, keep, context);
    stations->vessels_changed = false;
    if (all || stations->calibrations_changed)
        save_json(calibrations_save(stations->calibrations), calibrations_key, keep, context);
    stations->calibrations_changed = false;
    if (!all && !stations->watched_changed)
        return;
    save_json(watch_save(stations), watch_key, keep, context);
    stations->watched_changed = false;
}

void stations_forget_gone(const struct stations *stations, const struct config *config, keep_function *keep,
                          void *context)
{
    char key[NAME_SIZE + sizeof station_key];

    for (int i = 0; i < stations->count; i++) {
        bool stays = false;

        for (int j = 0; j < config->station_count; j++)
            stays = stays || strcmp(config->stations[j].name, stations->all[i].config.name) == 0;
        if (stays)
            continue;
        snprintf(key, sizeof key, "%s%s", station_key, stations->all[i].config.name);
        keep(context, key, NULL, 0);
    }
}

static void load_slurry(struct slurry *slurry, const struct saved_station *saved, const void *readings)
{
    slurry_free(slurry);
    if (!saved->slurry_count || !(slurry->reading = calloc(SLURRY_READINGS, sizeof *slurry->reading)))
        return;
    slurry->count = saved->slurry_count;
    slurry->resolution_c = saved->slurry_resolution_c;
    memcpy(slurry->reading, readings, (size_t)slurry->count * sizeof *slurry->reading);
}

static void load_station(struct stations *stations, const char *name, const void *data, size_t length,
                         const struct saved_at *now)
{
    int index = station_find(stations, name);
    struct saved_station saved;
    struct station *station;
    struct tracker *kept;

    if (index < 0 || length < sizeof saved)
        return;
    memcpy(&saved, data, sizeof saved);
    saved.boot[sizeof saved.boot - 1] = '\0';
    saved.build[sizeof saved.build - 1] = '\0';
    if (strcmp(saved.build, program_build()) != 0 || saved.layout != tracker_layout() || saved.size != tracker_size()
        || saved.slurry_count < 0 || saved.slurry_count > SLURRY_READINGS
        || length != sizeof saved + saved.size + (size_t)saved.slurry_count * sizeof(struct slurry_reading)
        || saved.rate != now->rate || strcmp(saved.boot, clock_boot()) != 0 || saved.mono_us > now->moment.mono_us)
        return;
    station = &stations->all[index];
    if (!(kept = malloc(saved.size)))
        return;
    memcpy(kept, (const char *)data + sizeof saved, saved.size);
    if (!tracker_sound(kept) || !pan_sound(&saved.pan)) {
        free(kept);
        return;
    }
    free(station->tracker);
    station->tracker = kept;
    station->pan = saved.pan;
    load_slurry(&station->slurry, &saved, (const char *)data + sizeof saved + saved.size);
    tracker_configure(station->tracker, &station->config.tracker, NULL);
    station->saved_seq = saved.seq;
    station->restored = true;
}

/* What was kept in an earlier boot, or does not say in which. */
static bool is_of_earlier_boot(const json_t *json)
{
    const char *boot = json_string_value(json_object_get(json, "boot"));

    return !boot || strcmp(boot, clock_boot()) != 0;
}

static void forget_times(struct sample *samples, int count)
{
    for (int i = 0; i < count; i++)
        samples[i].at_us = INT64_MAX;
}

static int load_samples(const json_t *list, struct sample *out)
{
    const json_t *reading;
    int count = 0;
    size_t i;

    json_array_foreach(list, i, reading)
    {
        if (count < LOOSE_READINGS && sample_load(reading, &out[count]))
            count++;
    }
    return count;
}

/* The names that the kept readings know their instruments by come back in their order; how accurate each is, the
 * configuration says. */
/* That a zero was set, and between which times what was read is in doubt: those compare only within their boot, and
 * what was read in an earlier one is looked at no more. */
static void load_moments(struct stations *stations, const json_t *list, bool earlier_boot)
{
    const json_t *entry;
    size_t i;

    json_array_foreach(list, i, entry)
    {
        struct refractometer *one = &stations->refractometers[i];
        double u_pct = json_number_value(json_array_get(entry, 3));

        if (i >= SAMPLES_INSTRUMENTS)
            break;
        one->zeroed = json_is_true(json_array_get(entry, 0));
        if (earlier_boot || !(u_pct > 0))
            continue;
        one->doubt_since_us = json_integer_value(json_array_get(entry, 1));
        one->doubt_until_us = json_integer_value(json_array_get(entry, 2));
        one->doubt_u_pct = u_pct;
    }
}

static void load_refractometers(struct stations *stations, const json_t *list)
{
    struct refractometer now[SAMPLES_INSTRUMENTS];
    const json_t *entry;
    size_t i;

    memcpy(now, stations->refractometers, sizeof now);
    json_array_foreach(list, i, entry)
    {
        struct refractometer *one = &stations->refractometers[i];
        const char *name = json_string_value(entry);

        if (i >= SAMPLES_INSTRUMENTS || !name || strlen(name) >= NAME_SIZE)
            break;
        *one = (struct refractometer){ .used = true, .accuracy_pct = NAN };
        strcpy(one->name, name);
        for (int k = 0; k < SAMPLES_INSTRUMENTS; k++)
            if (now[k].used && strcmp(now[k].name, name) == 0)
                one->accuracy_pct = now[k].accuracy_pct;
    }
    for (int k = 0; k < SAMPLES_INSTRUMENTS; k++) {
        int slot = 0;

        while (slot < SAMPLES_INSTRUMENTS && stations->refractometers[slot].used
               && strcmp(stations->refractometers[slot].name, now[k].name) != 0)
            slot++;
        if (now[k].used && slot < SAMPLES_INSTRUMENTS)
            stations->refractometers[slot] = now[k];
    }
}

static void load_bench(struct stations *stations, const json_t *json)
{
    const char *sample = json_string_value(json_object_get(json, "sample"));

    stations->brews.day = (int)json_integer_value(json_object_get(json, "day"));
    stations->brews.number = (int)json_integer_value(json_object_get(json, "number"));
    stations->strength_seq = (uint64_t)json_integer_value(json_object_get(json, "strength_seq"));
    stations->meant_seq = (uint64_t)json_integer_value(json_object_get(json, "meant_seq"));
    snprintf(stations->sample, BREW_SIZE, "%s", sample ? sample : "");
    stations->loose_count = load_samples(json_object_get(json, "loose"), stations->loose);
    stations->blank_count = load_samples(json_object_get(json, "blanks"), stations->blanks);
    load_refractometers(stations, json_object_get(json, "refractometers"));
    load_moments(stations, json_object_get(json, "moments"), is_of_earlier_boot(json));
    if (is_of_earlier_boot(json)) {
        forget_times(stations->loose, stations->loose_count);
        stations->blank_count = 0; /* at what time water showed what is not known any more */
    }
}

void stations_load(struct stations *stations, const char *key, const void *data, size_t length,
                   const struct saved_at *now)
{
    json_t *json;

    if (strncmp(key, station_key, sizeof station_key - 1) == 0) {
        load_station(stations, key + sizeof station_key - 1, data, length, now);
        return;
    }
    if (strncmp(key, brew_key, sizeof brew_key - 1) != 0 && strcmp(key, bench_key) != 0 && strcmp(key, watch_key) != 0
        && strcmp(key, vessels_key) != 0 && strcmp(key, calibrations_key) != 0)
        return;
    if (!(json = json_loadb(data, length, 0, NULL)))
        return;
    if (strcmp(key, bench_key) == 0) {
        load_bench(stations, json);
    } else if (strcmp(key, watch_key) == 0) {
        watch_load(stations, json);
    } else if (strcmp(key, calibrations_key) == 0) {
        calibrations_load(stations->calibrations, json);
    } else if (strcmp(key, vessels_key) == 0) {
        vessels_load(&stations->vessels, json);
    } else {
        struct brew *brew = brew_load(json);

        if (brew) {
            if ((brew->earlier_boot = is_of_earlier_boot(json)))
                forget_times(brew->samples, brew->sample_count);
            brews_add(&stations->brews, brew);
        }
    }
    json_decref(json);
}

/* A tracker that was kept before its station was taken out of the configuration for a while knows brews that have been
 * ended without it. */
static void check_restored(struct stations *stations)
{
    for (int i = 0; i < stations->count; i++) {
        struct station *station = &stations->all[i];
        struct tracker_view view;

        if (!station->restored)
            continue;
        tracker_view(station->tracker, &view);
        if (view.brew == 0 || brews_numbered(&stations->brews, station->config.name, view.brew))
            continue;
        tracker_begin(station->tracker, &station->config.tracker);
        pan_begin(&station->pan);
        station->restored = false;
        station->saved_seq = 0;
    }
}

void stations_loaded(struct stations *stations, struct moment now)
{
    for (int i = 0; i < stations->brews.count; i++) {
        struct brew *brew = stations->brews.all[i];
        int index = station_find(stations, brew->station);

        if (index >= 0 && stations->all[index].restored)
            continue;
        if (brew->number)
            brew->changed = true;
        brew->number = 0; /* a tracker at rest counts from 1 again */
        if (!brew->ended) {
            stations_warn(stations, brew, brew->station, "brew-cut-short",
                          "%s could not be followed through the restart and ends with what was known of it",
                          brew->name);
            brew_end_here(stations, brew, now);
        }
    }
}

uint64_t stations_resume_seq(struct stations *stations)
{
    uint64_t first = UINT64_MAX;

    check_restored(stations);
    for (int i = 0; i < stations->count; i++)
        if (stations->all[i].restored && stations->all[i].saved_seq < first)
            first = stations->all[i].saved_seq;
    return first;
}
