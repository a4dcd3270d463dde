/* What the timer shows of a station; see words.h. */
#include "words.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

enum { OLD_AFTER_MS = 1500 }; /* the slowest scales send two readings a second: three missed */

void words_add(char *out, size_t size, const char *format, ...)
{
    size_t length = strlen(out);
    va_list arguments;

    va_start(arguments, format);
    vsnprintf(out + length, size - length, format, arguments);
    va_end(arguments);
}

const char *words_between(const char *out)
{
    return *out ? ", " : "";
}

const char *words_brew(const char *brew)
{
    const char *dash = strrchr(brew, '-');

    return dash ? dash + 1 : brew;
}

char *words_numbers(const struct view *model, const struct view_station *station, int64_t now_us, bool all, char *out)
{
    double water_g = station->seen.water_g, flow = station->seen.flow_g_per_s;
    bool pours = station->stage == STAGE_BLOOM || station->stage == STAGE_POUR;
    bool steeps = station->stage >= STAGE_STEEP && station->stage <= STAGE_SETTLE;
    double peak_kpa = station->measures.value[MEASURE_PRESS_PEAK_KPA];
    char time[16], words[80];

    *out = '\0';
    if (!isnan(water_g) && (all || station->stage != STAGE_POUR))
        words_add(out, WORDS_SIZE, "water %.1f g", water_g);
    if (*station->brew && !isnan(station->measures.value[MEASURE_DRIP_G]))
        words_add(out, WORDS_SIZE, "%sdrip %.1f g", words_between(out), station->measures.value[MEASURE_DRIP_G]);
    if (pours && !isnan(flow))
        words_add(out, WORDS_SIZE, "%sflow %.1f g/s", words_between(out), fabs(flow) < 0.05 ? 0 : flow);
    if (station->first_water_us && (all || !steeps) && *guide_time(station_steep_s(station, now_us), time, sizeof time))
        words_add(out, WORDS_SIZE, "%ssteep time %s", words_between(out), time);
    if (station->stage == STAGE_PRESS)
        words_add(out, WORDS_SIZE, "%spressing %s", words_between(out),
                  guide_time(station_stage_s(station, now_us), time, sizeof time));
    if (station->stage >= STAGE_PRESS && !isnan(peak_kpa))
        words_add(out, WORDS_SIZE, "%speak %s%s", words_between(out),
                  station->above[MEASURE_PRESS_PEAK_KPA] ? "above " : "",
                  guide_pressure_words(peak_kpa, NAN, &model->units, words, sizeof words));
    if (!isnan(station->slurry_c))
        words_add(out, WORDS_SIZE, "%sslurry %s", words_between(out),
                  guide_temperature_words(station->slurry_c, NAN, &model->units, words, sizeof words));
    return out;
}

/* The plan's, else what the command line asked for. */
static double planned_steep_s(const struct view *model, const struct view_station *station)
{
    double planned_s = station->has_next ? guide_planned(&station->next, "steep_s", NAN, NULL) : (double)NAN;

    return isnan(planned_s) ? model->planned_steep_s : planned_s;
}

char *words_share(const struct view *model, const struct view_station *station, int64_t now_us, enum brevity brevity,
                  char *out)
{
    double steep_s = station_steep_s(station, now_us), planned_s = planned_steep_s(model, station);
    double now = station_share(station, steep_s), then = station_share(station, planned_s);
    char time[16];

    *out = '\0';
    if (isnan(now) || station->stage < STAGE_BLOOM || station->stage > STAGE_PRESS)
        return out;
    words_add(out, WORDS_SIZE, "about %.0f %% of the final extraction", 100 * now);
    if (brevity == WORDS_BRIEF)
        return out;
    if (station->stage < STAGE_PRESS && planned_s > steep_s)
        words_add(out, WORDS_SIZE, ", %.0f %% at %s", 100 * then, guide_time(planned_s, time, sizeof time));
    if (station->stage < STAGE_PRESS && station_final_s(station) > 0)
        words_add(out, WORDS_SIZE, ", 95 %% after about %.0f s", station_final_s(station));
    words_add(out, WORDS_SIZE, " (by %zu earlier cups)", station->curve.cups);
    return out;
}

char *words_scale(const struct view *model, const struct view_station *station, int64_t now_us, bool *bad, char *out)
{
    double age_s = station_age_s(station, now_us), old_s = OLD_AFTER_MS / 1000.0 * model->rate;
    char digits[48], time[16];

    *bad = true;
    *out = '\0';
    if (!*station->scale) {
        words_add(out, WORDS_SIZE, "No scale reading yet");
        return out;
    }
    words_add(out, WORDS_SIZE, "%s", station->scale);
    if (station->status == READING_OVERLOAD)
        words_add(out, WORDS_SIZE, " overloaded");
    else if (station->status == READING_UNDERLOAD)
        words_add(out, WORDS_SIZE, " below its range");
    else if (station->status == READING_FAULT)
        words_add(out, WORDS_SIZE, " shows a fault");
    else if (station->shown_at_us && decimal_format(station->shown, digits, sizeof digits) > 0)
        words_add(out, WORDS_SIZE, " %s g", digits);
    else
        words_add(out, WORDS_SIZE, ": no reading yet");
    if (strcmp(station->condition, instrument_change_name(INSTRUMENT_READY)) != 0)
        words_add(out, WORDS_SIZE, ", %s", station->condition);
    else
        *bad = station->status != READING_OK;
    if (isnan(age_s))
        return out;
    if (age_s <= old_s) {
        words_add(out, WORDS_SIZE, "%s", station->stable == 0 ? ", moving" : station->stable == 1 ? ", steady" : "");
    } else {
        words_add(out, WORDS_SIZE, ", %s old", guide_time(age_s, time, sizeof time));
        *bad = true;
    }
    return out;
}

char *words_waiting(const struct view *model, enum brevity brevity, int64_t now_us, char *out)
{
    *out = '\0';
    if (brevity == WORDS_BRIEF && model->waiting_count > 1) {
        words_add(out, WORDS_SIZE, "waiting for strength: %d cups", model->waiting_count);
        return out;
    }
    for (int i = 0; i < model->waiting_count; i++) {
        const struct view_waiting *waiting = &model->waiting[i];
        double cooled_s = waiting->since_us ? (double)(now_us - waiting->since_us) / 1e6 : -1;

        words_add(out, WORDS_SIZE, "%s%s", i ? ", " : "waiting for strength: ", words_brew(waiting->brew));
        if (waiting->have > 0)
            words_add(out, WORDS_SIZE, " (%d of %d)", waiting->have, waiting->want);
        if (cooled_s >= 0 && brevity == WORDS_WHOLE)
            words_add(out, WORDS_SIZE, " cooled %.0f min", floor(cooled_s / 60));
    }
    return out;
}
