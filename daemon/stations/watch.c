/* The bench watches its instruments; see watch.h. */
#include "watch.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#include "report.h"
#include "stations.h"
#include "strength.h"

/* A scale shows nothing on it: so near zero, unchanged for so long; looked at so often. */
static const double EMPTY_G = 2;
static const int64_t EMPTY_US = 5000000, EMPTY_EVERY_US = 600000000;

/* Spreads are charted as the cube root of their square, which is nearly normal (Wilson & Hilferty 1931), of what is
 * usual (as samples.c has it). */
static const double USUAL_SPREAD_PCT = 0.012;

/* A vessel that is further off its mass was wet: one alone is no news of the scale, many are.  Drops only add, so that
 * single weighings would alarm six times as often as the table says; medians of WATCHED_TOGETHER do not. */
static const double DROPS_G = 1.5;

/* Nobody brews two cups that are nearer to each other, in extraction (common practice, no source). */
static const double CONTROL_ALIKE_PCT = 0.2;

static struct watched *chart_of(struct stations *stations, const char *instrument, enum check_kind check)
{
    for (int i = 0; i < WATCHED; i++) {
        struct watched *one = &stations->watched[i];

        if (!one->instrument[0]) {
            strcpy(one->instrument, instrument);
            one->check = check;
            return one;
        }
        if (one->check == check && strcmp(one->instrument, instrument) == 0)
            return one;
    }
    return NULL;
}

static double charted(const struct message_check *check)
{
    if (check->check == CHECK_SPREAD)
        return cbrt(check->value * check->value / (USUAL_SPREAD_PCT * USUAL_SPREAD_PCT));
    if (check->check == CHECK_VESSEL)
        return fmin(fmax(check->value - check->reference, -DROPS_G), DROPS_G);
    return check->value - (isnan(check->reference) ? 0 : check->reference);
}

/* By how much it changed, as a number of that instrument. */
static double change_of(const struct message_check *check, const struct control_alarm *alarm)
{
    if (check->check == CHECK_SPREAD)
        return USUAL_SPREAD_PCT * (pow(fmax(alarm->after, 0), 1.5) - pow(fmax(alarm->before, 0), 1.5));
    return alarm->after - alarm->before;
}

static const char *what_of(enum check_kind check)
{
    static const char *const words[CHECK_KINDS] = {
        [CHECK_BLANK] = "what it shows of water",
        [CHECK_SPREAD] = "how much its readings of one sample differ",
        [CHECK_ZERO] = "what it shows with nothing on it",
        [CHECK_MASS] = "what it shows of the check weight",
        [CHECK_BRIX] = "what it shows of the sugar solution",
        [CHECK_VESSEL] = "what it shows of empty vessels",
        [CHECK_CONTROL] = "the extraction of the control brew read on it",
    };

    return words[check];
}

/* ---- the brews that it touches ---- */

struct touched {
    char first[BREW_SIZE], last[BREW_SIZE];
    int count;
    struct message_alarm *alarm;
};

static void touch(struct touched *touched, const struct brew *brew)
{
    if (!touched->count++)
        strcpy(touched->first, brew->name);
    strcpy(touched->last, brew->name);
    if (touched->alarm->brews == ALARM_BREWS)
        memmove(touched->alarm->brew, touched->alarm->brew + 1, sizeof *touched->alarm->brew * --touched->alarm->brews);
    strcpy(touched->alarm->brew[touched->alarm->brews++], brew->name);
}

/* A scale: what was weighed on it since is less sure, by the change as a bound either way (JCGM 100, 4.3.7). */
static void widen_masses(struct stations *stations, int station, int64_t since_us, double change_g,
                         struct touched *touched)
{
    static const enum measure masses[] = { MEASURE_DOSE_G, MEASURE_WATER_G, MEASURE_BEVERAGE_G };

    for (int i = 0; i < stations->brews.count; i++) {
        struct brew *brew = stations->brews.all[i];

        if (strcmp(brew->station, stations->all[station].config.name) != 0 || brew->earlier_boot || brew->discarded
            || brew->began_us < since_us)
            continue;
        for (size_t k = 0; k < sizeof masses / sizeof *masses; k++) {
            double u_g = brew->measures.standard_uncertainty[masses[k]];

            if (!isnan(u_g)
                && brew_measure(brew, masses[k], brew->measures.value[masses[k]], hypot(u_g, change_g / sqrt(3)),
                                brew->above[masses[k]]))
                report_measure(stations, brew, masses[k], BY_TRACKER);
        }
        touch(touched, brew);
    }
}

static int station_of_scale(const struct stations *stations, const char *instrument)
{
    for (int i = 0; i < stations->count; i++)
        if (strcmp(stations->all[i].scale, instrument) == 0)
            return i;
    return -1;
}

/* A refractometer: strengths read on it since. */
static void widen_strengths(struct stations *stations, const char *instrument, int64_t since_us, double change_pct,
                            struct touched *touched, struct moment now)
{
    int slot = 0;

    while (slot < SAMPLES_INSTRUMENTS - 1 && strcmp(stations->refractometers[slot].name, instrument) != 0)
        slot++;
    stations->refractometers[slot].doubt_since_us = since_us;
    stations->refractometers[slot].doubt_until_us = now.mono_us;
    stations->refractometers[slot].doubt_u_pct = fabs(change_pct) / sqrt(3);
    for (int i = 0; i < stations->brews.count; i++)
        if (strength_doubted(stations, stations->brews.all[i]) > 0)
            touch(touched, stations->brews.all[i]);
    strength_again(stations, now);
}

/* What a point of a control brew's extraction is in strength; 0: not known. */
static double strength_per_extraction_of(const struct stations *stations, const char *name)
{
    const struct brew *brew = brews_find(&stations->brews, name);

    return brew ? brew->measures.value[MEASURE_STRENGTH_PCT] / brew->measures.value[MEASURE_EXTRACTION_PCT] : 0;
}

static void alarm_rings(struct stations *stations, struct watched *watched, const struct message_check *check,
                        const struct control_alarm *alarm, struct moment now)
{
    double change = change_of(check, alarm), factor = 1;
    int64_t time_us = watched->time_us[alarm->since % WATCHED_TIMES];
    int64_t since_us = now.mono_us - (now.time_us - time_us);
    int station = station_of_scale(stations, check->instrument);
    time_t seconds = (time_t)(time_us / 1000000);
    struct message message = { .kind = MESSAGE_ALARM };
    struct touched touched = { .alarm = &message.alarm };
    struct tm local;
    char since[32] = "", brews[2 * BREW_SIZE + 80] = "no brew since";

    if (localtime_r(&seconds, &local))
        strftime(since, sizeof since, "%Y-%m-%d %H:%M", &local);
    if (check->check == CHECK_BRIX && stations->strength_per_brix > 0)
        factor = stations->strength_per_brix;
    else if (check->check == CHECK_CONTROL)
        factor = strength_per_extraction_of(stations, check->brew);
    if (station >= 0)
        widen_masses(stations, station, since_us, fabs(change), &touched);
    else
        widen_strengths(stations, check->instrument, since_us, change * factor, &touched, now);
    if (touched.count)
        snprintf(brews, sizeof brews, "%d brew%s since, %s%s%s, %s wider for it", touched.count,
                 touched.count == 1 ? "" : "s", touched.first, touched.count > 1 ? " to " : "",
                 touched.count > 1 ? touched.last : "", touched.count == 1 ? "is" : "are");
    stations_warn(stations, NULL, station >= 0 ? stations->all[station].config.name : NULL, "instrument-changed",
                  "%s: %s changed by %+.2g %s about %s (%s): %s; %s", check->instrument, what_of(check->check), change,
                  check_kind_unit(check->check), since, alarm->cusum ? "many values a little" : "one value far", brews,
                  check->check == CHECK_CONTROL ? "read water and a sugar solution: if these are as before, it is the "
                                                  "coffee, the water, the grind or the scale"
                                                : "clean and check it");
    strcpy(message.alarm.instrument, check->instrument);
    message.alarm.check = check->check;
    message.alarm.since_us = time_us;
    message.alarm.change = change;
    message.alarm.once = !alarm->cusum;
    stations->emit(stations->context, &message);
    control_again(&watched->chart);
}

/* ---- values ---- */

/* True when it completes a median, which takes its place. */
static bool median_of(struct watched *watched, double *value)
{
    double sorted[WATCHED_TOGETHER];
    int count = 0;

    watched->together[watched->together_count++] = *value;
    if (watched->together_count < WATCHED_TOGETHER)
        return false;
    watched->together_count = 0;
    for (int i = 0; i < WATCHED_TOGETHER; i++) {
        int at = count++;

        for (; at > 0 && sorted[at - 1] > watched->together[i]; at--)
            sorted[at] = sorted[at - 1];
        sorted[at] = watched->together[i];
    }
    *value = sorted[WATCHED_TOGETHER / 2];
    return true;
}

void watch_take(struct stations *stations, const struct message_check *check, double resolution, struct moment now)
{
    struct message message = { .kind = MESSAGE_CHECK, .check = *check };
    struct watched *watched = chart_of(stations, check->instrument, check->check);
    double value = charted(check);
    struct control_alarm alarm;

    stations->emit(stations->context, &message);
    if (!watched)
        return;
    stations->watched_changed = true;
    watched->chart.least_spread = check->check == CHECK_SPREAD ? 0 : resolution / 2;
    if (!watched->together_count)
        watched->time_us[watched->chart.count % WATCHED_TIMES] = now.time_us;
    if (check->check == CHECK_VESSEL && !median_of(watched, &value))
        return;
    if (control_take(&watched->chart, value, &alarm))
        alarm_rings(stations, watched, check, &alarm, now);
}

void watch_scale(struct stations *stations, int station, const struct reading *reading, struct moment now)
{
    struct station *one = &stations->all[station];
    struct message_check check = { .check = CHECK_ZERO, .reference = 0 };
    double shown_g;

    if (reading->status != READING_OK || reading->stable == 0 || !one->scale[0])
        return;
    shown_g = decimal_to_double(reading->value);
    if (!one->shown_us || shown_g != one->shown_g)
        one->shown_since_us = now.mono_us;
    one->shown_g = shown_g;
    one->shown_us = now.mono_us;
    one->shown_resolution_g = reading->resolution;
    if (fabs(shown_g) > EMPTY_G || station_running(stations, station) || now.mono_us - one->shown_since_us < EMPTY_US
        || (one->empty_us && now.mono_us - one->empty_us < EMPTY_EVERY_US))
        return;
    one->empty_us = now.mono_us;
    strcpy(check.instrument, one->scale);
    check.value = shown_g;
    watch_take(stations, &check, reading->resolution, now);
}

void watch_spread(struct stations *stations, const struct brew *brew, struct moment now)
{
    struct message_check check = { .check = CHECK_SPREAD, .reference = NAN };
    double sum = 0, squares = 0, mean = brew_strength(brew), resolution_pct = 0;
    int used = 0;

    for (int i = 0; i < brew->sample_count; i++) {
        if (brew->samples[i].suspect)
            continue;
        sum = brew->samples[i].strength_pct - mean;
        squares += sum * sum;
        resolution_pct = fmax(resolution_pct, brew->samples[i].resolution_pct);
        used++;
    }
    if (used < 2)
        return;
    strcpy(check.instrument, stations->refractometers[brew->samples[0].instrument].name);
    strcpy(check.brew, brew->name);
    /* three readings alike differ by less than the digit shows, not by nothing */
    check.value = sqrt(squares / (used - 1) + resolution_pct * resolution_pct / 12);
    watch_take(stations, &check, resolution_pct, now);
}

void watch_control(struct stations *stations, const struct brew *brew, struct moment now)
{
    struct message_check check = { .check = CHECK_CONTROL, .reference = NAN };
    const char *plan = json_string_value(json_object_get(brew->plan, "experiment"));
    struct watched *watched;

    check.value = brew->measures.value[MEASURE_EXTRACTION_PCT];
    if (!plan || !json_is_true(json_object_get(brew->plan, "control")) || isnan(check.value) || !brew->sample_count)
        return;
    strcpy(check.instrument, stations->refractometers[brew->samples[0].instrument].name);
    strcpy(check.brew, brew->name);
    watched = chart_of(stations, check.instrument, CHECK_CONTROL);
    if (watched && strncmp(watched->plan, plan, sizeof watched->plan - 1) != 0) {
        watched->chart = (struct control_chart){ .count = 0 };
        snprintf(watched->plan, sizeof watched->plan, "%s", plan);
    }
    watch_take(stations, &check, CONTROL_ALIKE_PCT, now);
}

/* ---- kept ---- */

json_t *watch_save(const struct stations *stations)
{
    json_t *list = json_array();

    for (int i = 0; i < WATCHED && stations->watched[i].instrument[0]; i++) {
        const struct watched *one = &stations->watched[i];
        const struct control_chart *chart = &one->chart;
        json_t *times = json_array();

        for (int k = 0; k < WATCHED_TIMES && k < chart->count; k++)
            json_array_append_new(times, json_integer(one->time_us[k]));
        json_array_append_new(list,
                              json_pack("[s,i,i,f,f,f,f,i,i,f,f,o,s]", one->instrument, one->check, chart->count,
                                        chart->mean, chart->squares, chart->up, chart->down, chart->up_since,
                                        chart->down_since, chart->up_before, chart->down_before, times, one->plan));
    }
    return list;
}

static double number_at(const json_t *entry, size_t place)
{
    return json_number_value(json_array_get(entry, place));
}

static int count_at(const json_t *entry, size_t place, int most)
{
    json_int_t count = json_integer_value(json_array_get(entry, place));

    return count >= 0 && count <= most ? (int)count : 0;
}

void watch_load(struct stations *stations, const json_t *json)
{
    const json_t *entry, *time;
    size_t i, k;

    json_array_foreach(json, i, entry)
    {
        const char *instrument = json_string_value(json_array_get(entry, 0));
        struct watched *one;

        if (!instrument || !name_valid(instrument)
            || !(one = chart_of(stations, instrument, (enum check_kind)count_at(entry, 1, CHECK_KINDS - 1))))
            continue;
        one->chart = (struct control_chart){ .count = count_at(entry, 2, 1 << 30),
                                             .mean = number_at(entry, 3),
                                             .squares = number_at(entry, 4),
                                             .up = number_at(entry, 5),
                                             .down = number_at(entry, 6) };
        snprintf(one->plan, sizeof one->plan, "%s",
                 json_is_string(json_array_get(entry, 12)) ? json_string_value(json_array_get(entry, 12)) : "");
        one->chart.up_since = count_at(entry, 7, one->chart.count);
        one->chart.down_since = count_at(entry, 8, one->chart.count);
        one->chart.up_before = number_at(entry, 9);
        one->chart.down_before = number_at(entry, 10);
        json_array_foreach(json_array_get(entry, 11), k, time) if (k < WATCHED_TIMES) one->time_us[k] =
            json_integer_value(time);
    }
}
