/* What the timer says of a station; see words.h. */
#include "words.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

enum { OLD_AFTER_MS = 1500 };           /* the slowest scales speak twice a second: three missed */
static const double STANDS_THERE_G = 20;        /* the lightest cup or brewer weighs more */
static const double FLOWS_G_PER_S = 0.3;        /* below it the water has stopped: drips and drift */

/* Appends, cut to fit. */
static void __attribute__((format(printf, 3, 4))) add(char *out, size_t size, const char *format, ...)
{
    size_t length = strlen(out);
    va_list arguments;

    va_start(arguments, format);
    vsnprintf(out + length, size - length, format, arguments);
    va_end(arguments);
}

static const char *between(const char *out)
{
    return *out ? ", " : "";
}

char *words_time(double seconds, char *out, size_t size)
{
    long whole = isnan(seconds) || fabs(seconds) > 1e6 ? 0 : (long)floor(fabs(seconds));

    *out = '\0';
    if (isnan(seconds) || fabs(seconds) > 1e6)
        return out;
    if (whole >= 3600)
        snprintf(out, size, "%s%ld:%02ld:%02ld", seconds < 0 ? "-" : "", whole / 3600, whole / 60 % 60, whole % 60);
    else
        snprintf(out, size, "%s%ld:%02ld", seconds <= -1 ? "-" : "", whole / 60, whole % 60);
    return out;
}

const char *words_brew(const char *brew)
{
    const char *dash = strrchr(brew, '-');

    return dash ? dash + 1 : brew;
}

/* ---- the number that matters ---- */

/* Towards a mass: what is missing, or that it is right, or by how much it is too much. */
static void towards(double now_g, double target_g, double tolerance_g, struct focus *out)
{
    double within_g = isnan(tolerance_g) ? 0.05 : tolerance_g;

    if (isnan(target_g) || !(target_g > 0) || isnan(now_g))
        return;
    out->share = now_g / target_g;
    out->warn = now_g > target_g + within_g;
    if (out->warn)
        snprintf(out->bar, sizeof out->bar, "%.1f g too much", now_g - target_g);
    else if (now_g >= target_g - within_g)
        snprintf(out->bar, sizeof out->bar, "right: %g g", target_g);
    else
        snprintf(out->bar, sizeof out->bar, "%.1f g to go of %g", target_g - now_g, target_g);
}

static void focus_weight(const struct timer_station *station, struct focus *out)
{
    if (!station->shown_at_us)
        snprintf(out->big, sizeof out->big, "-");
    else if (station->status != READING_OK)
        snprintf(out->big, sizeof out->big, "- -");
    else if (decimal_format(station->shown, out->big, sizeof out->big) < 0)
        snprintf(out->big, sizeof out->big, "%.0f", decimal_to_double(station->shown));
    snprintf(out->unit, sizeof out->unit, "g on the scale");
}

/* Something stands there and was tared away: what is shown now is what goes in. */
static bool tared(const struct timer_station *station)
{
    return station->offset_g > STANDS_THERE_G;
}

static void focus_dose(const struct timer_station *station, struct focus *out)
{
    double tolerance_g, target_g = station_planned(station, "dose_g", &tolerance_g);

    focus_weight(station, out);
    if (tared(station) && station->shown_at_us && station->status == READING_OK
        && decimal_to_double(station->shown) <= 2 * target_g)
        towards(decimal_to_double(station->shown), target_g, tolerance_g, out);
}

static void focus_water(const struct timer_station *station, const char *name, struct focus *out)
{
    double water_g = station_water_g(station), tolerance_g, target_g = station_planned(station, name, &tolerance_g);

    if (isnan(water_g)) {
        focus_weight(station, out);
        return;
    }
    snprintf(out->big, sizeof out->big, "%.1f", water_g);
    snprintf(out->unit, sizeof out->unit, "g of water");
    towards(water_g, target_g, tolerance_g, out);
}

static void focus_steep(const struct timer_model *model, const struct timer_station *station, int64_t now_us,
                        struct focus *out)
{
    double steep_s = station_steep_s(station, now_us), planned_s = model_planned_steep_s(model, station);
    char left[16], planned[16];

    if (isnan(steep_s)) {
        words_time(station_stage_s(station, now_us), out->big, sizeof out->big);
        snprintf(out->unit, sizeof out->unit, "since %s began", stage_name(station->stage));
        return;
    }
    words_time(steep_s, out->big, sizeof out->big);
    snprintf(out->unit, sizeof out->unit, "since first water");
    if (isnan(planned_s) || !(planned_s > 0))
        return;
    out->share = steep_s / planned_s;
    out->warn = steep_s >= planned_s;
    words_time(planned_s, planned, sizeof planned);
    if (out->warn)
        snprintf(out->bar, sizeof out->bar, "press now: %s over", words_time(steep_s - planned_s, left, sizeof left));
    else
        snprintf(out->bar, sizeof out->bar, "%s to go of %s", words_time(ceil(planned_s - steep_s), left, sizeof left),
                 planned);
}

static void focus_press(const struct timer_station *station, int64_t now_us, struct focus *out)
{
    double kpa = station_press_kpa(station, now_us), limit_kpa = station->press_limit_kpa;

    if (station->status == READING_OVERLOAD && isnan(kpa) && station->shown_at_us) {
        words_time(station_stage_s(station, now_us), out->big, sizeof out->big);
        snprintf(out->unit, sizeof out->unit, "pressing, the scale at its end");
        return;
    }
    if (isnan(kpa)) {
        words_time(station_stage_s(station, now_us), out->big, sizeof out->big);
        snprintf(out->unit, sizeof out->unit, "pressing");
        return;
    }
    snprintf(out->big, sizeof out->big, "%.0f", kpa);
    snprintf(out->unit, sizeof out->unit, "kPa");
    if (!(limit_kpa > 0))
        return;
    out->share = kpa / limit_kpa;
    out->warn = kpa > limit_kpa;
    snprintf(out->bar, sizeof out->bar, out->warn ? "too hard: limit %g kPa" : "limit %g kPa", limit_kpa);
}

void words_focus(const struct timer_model *model, const struct timer_station *station, int64_t now_us,
                 struct focus *out)
{
    double flow_g_per_s = station_flow_g_per_s(station, now_us);

    memset(out, 0, sizeof *out);
    out->share = NAN;
    switch (station->stage) {
    case STAGE_IDLE: case STAGE_DONE: case STAGE_DOSE:
        focus_dose(station, out);
        break;
    case STAGE_BLOOM:       /* water while it runs, then the time */
        if (flow_g_per_s > FLOWS_G_PER_S)
            focus_water(station, "bloom_g", out);
        else
            focus_steep(model, station, now_us, out);
        break;
    case STAGE_POUR:
        focus_water(station, "water_g", out);
        break;
    case STAGE_STEEP: case STAGE_STIR: case STAGE_SETTLE:
        focus_steep(model, station, now_us, out);
        break;
    case STAGE_PRESS:
        focus_press(station, now_us, out);
        break;
    default:
        focus_weight(station, out);
        break;
    }
}

/* ---- what to do, what comes next ---- */

static void add_target(char *out, const struct timer_station *station, const char *name)
{
    double tolerance, target = station_planned(station, name, &tolerance);

    if (isnan(target))
        return;
    add(out, WORDS_SIZE, ": %g", target);
    if (tolerance > 0)
        add(out, WORDS_SIZE, " ± %g", tolerance);
    add(out, WORDS_SIZE, " g");
}

static bool loaded(const struct timer_station *station)
{
    return station->shown_at_us && station->status == READING_OK && decimal_to_double(station->shown) > STANDS_THERE_G;
}

static const char press_words[] =
    "straight down, slowly, on a sturdy cup and a level surface: it is hot, and glass breaks.";

char *words_guide(const struct timer_model *model, const struct timer_station *station, int64_t now_us, char *out)
{
    double planned_s = model_planned_steep_s(model, station);
    char time[16];

    *out = '\0';
    switch (station->stage) {
    case STAGE_IDLE: case STAGE_DONE: case STAGE_COUNT:
        if (!tared(station)) {
            add(out, WORDS_SIZE, loaded(station) ? "Tare." : "Put the cup and the brewer on the scale, and tare.");
            break;
        }
        /* fall through */
    case STAGE_DOSE:
        add(out, WORDS_SIZE, "Weigh the coffee");
        add_target(out, station, "dose_g");
        add(out, WORDS_SIZE, ", then pour.");
        break;
    case STAGE_BLOOM:
        add(out, WORDS_SIZE, "Wet the coffee");
        add_target(out, station, "bloom_g");
        add(out, WORDS_SIZE, ". Near-boiling water scalds.");
        break;
    case STAGE_POUR:
        add(out, WORDS_SIZE, "Pour the water");
        add_target(out, station, "water_g");
        add(out, WORDS_SIZE, ". Near-boiling water scalds.");
        break;
    case STAGE_STEEP: case STAGE_SETTLE:
        if (station_steep_s(station, now_us) >= planned_s) {
            add(out, WORDS_SIZE, "Press now: %s", press_words);
            break;
        }
        add(out, WORDS_SIZE, "Leave it alone.");
        if (planned_s > 0)
            add(out, WORDS_SIZE, " Press at %s.", words_time(planned_s, time, sizeof time));
        break;
    case STAGE_STIR:
        add(out, WORDS_SIZE, "Stir, then leave it alone.");
        break;
    case STAGE_PRESS:
        add(out, WORDS_SIZE, "Press %s", press_words);
        break;
    case STAGE_WEIGH_OUT:
        add(out, WORDS_SIZE, "Weigh the full cup.");
        break;
    case STAGE_STRENGTH:
        add(out, WORDS_SIZE, "Let a sample cool and read its strength. The next cup may begin.");
        break;
    }
    return out;
}

char *words_then(const struct timer_model *model, const struct timer_station *station, char *out)
{
    enum stage next = station_next_stage(station);
    double planned_s = model_planned_steep_s(model, station);
    char time[16];

    snprintf(out, WORDS_SIZE, "then %s", stage_name(next));
    if (next == STAGE_PRESS && planned_s > 0 && station->first_water_us)
        add(out, WORDS_SIZE, " at %s", words_time(planned_s, time, sizeof time));
    return out;
}

/* ---- numbers ---- */

char *words_numbers(const struct timer_station *station, int64_t now_us, bool all, char *out)
{
    double water_g = station_water_g(station), flow = station_flow_g_per_s(station, now_us);
    bool pours = station->stage == STAGE_BLOOM || station->stage == STAGE_POUR;
    bool steeps = station->stage >= STAGE_STEEP && station->stage <= STAGE_SETTLE;
    double peak_kpa = station->measures.value[MEASURE_PRESS_PEAK_KPA];
    char time[16];

    *out = '\0';
    if (!isnan(water_g) && (all || station->stage != STAGE_POUR))
        add(out, WORDS_SIZE, "water %.1f g", water_g);
    if (pours && !isnan(flow))
        add(out, WORDS_SIZE, "%sflow %.1f g/s", between(out), fabs(flow) < 0.05 ? 0 : flow);
    if (station->first_water_us && (all || !steeps)
        && *words_time(station_steep_s(station, now_us), time, sizeof time))
        add(out, WORDS_SIZE, "%ssteep %s", between(out), time);
    if (station->stage == STAGE_PRESS)
        add(out, WORDS_SIZE, "%spressing %s", between(out),
            words_time(station_stage_s(station, now_us), time, sizeof time));
    if (station->stage >= STAGE_PRESS && !isnan(peak_kpa))
        add(out, WORDS_SIZE, "%speak %s%.0f kPa", between(out), station->above[MEASURE_PRESS_PEAK_KPA] ? "above " : "",
            peak_kpa);
    if (!isnan(station->slurry_c))
        add(out, WORDS_SIZE, "%sslurry %.1f °C", between(out), station->slurry_c);
    return out;
}

char *words_scale(const struct timer_model *model, const struct timer_station *station, int64_t now_us, bool *bad,
                  char *out)
{
    double age_s = station_age_s(station, now_us), old_s = OLD_AFTER_MS / 1000.0 * model->rate;
    char digits[48], time[16];

    *bad = true;
    *out = '\0';
    if (!*station->scale) {
        add(out, WORDS_SIZE, "no scale has spoken here");
        return out;
    }
    add(out, WORDS_SIZE, "%s", station->scale);
    if (station->status == READING_OVERLOAD)
        add(out, WORDS_SIZE, " overloaded");
    else if (station->status == READING_UNDERLOAD)
        add(out, WORDS_SIZE, " below its range");
    else if (station->status == READING_FAULT)
        add(out, WORDS_SIZE, " shows a fault");
    else if (station->shown_at_us && decimal_format(station->shown, digits, sizeof digits) > 0)
        add(out, WORDS_SIZE, " %s g", digits);
    else
        add(out, WORDS_SIZE, " has not spoken yet");
    if (strcmp(station->condition, instrument_change_name(INSTRUMENT_READY)) != 0)
        add(out, WORDS_SIZE, ", %s", station->condition);
    else
        *bad = station->status != READING_OK;
    if (isnan(age_s))
        return out;
    if (age_s <= old_s) {
        add(out, WORDS_SIZE, ", now%s", station->stable == 0 ? ", moving" : station->stable == 1 ? ", stable" : "");
    } else {
        add(out, WORDS_SIZE, ", %s old", words_time(age_s, time, sizeof time));
        *bad = true;
    }
    return out;
}

/* "steep_s" 120 as "steep 120 s". */
static void add_setting(char *out, const struct timer_setting *setting)
{
    static const struct { const char *end, *unit; } units[] = {
        { "_s", "s" }, { "_g", "g" }, { "_c", "°C" }, { "_kpa", "kPa" }, { "_pct", "%" }, { "_mm", "mm" }
    };
    size_t length = strlen(setting->name), cut = 0;
    const char *unit = "";
    char name[TIMER_WORD];

    for (size_t i = 0; i < sizeof units / sizeof *units; i++) {
        size_t end = strlen(units[i].end);

        if (length > end && strcmp(setting->name + length - end, units[i].end) == 0) {
            cut = end;
            unit = units[i].unit;
        }
    }
    snprintf(name, sizeof name, "%.*s", (int)(length - cut), setting->name);
    for (char *at = name; *at; at++)
        *at = *at == '_' ? ' ' : *at;
    if (isnan(setting->number)) {
        add(out, WORDS_SIZE, "%s%s %s", between(out), name, setting->word);
        return;
    }
    add(out, WORDS_SIZE, "%s%s %g", between(out), name, setting->number);
    if (setting->tolerance > 0)
        add(out, WORDS_SIZE, " ± %g", setting->tolerance);
    add(out, WORDS_SIZE, "%s%s", *unit ? " " : "", unit);
}

static char *settings_in_words(const struct timer_station *station, bool varied, char *out)
{
    *out = '\0';
    for (int i = 0; station->has_next && i < station->next.settings; i++)
        if (station->next.setting[i].varied == varied)
            add_setting(out, &station->next.setting[i]);
    return out;
}

char *words_varied(const struct timer_station *station, char *out)
{
    char settings[WORDS_SIZE];

    *out = '\0';
    if (station->has_next)
        snprintf(out, WORDS_SIZE, "%s %d of %d: %s", station->next.experiment, station->next.run, station->next.of,
                 settings_in_words(station, true, settings));
    return out;
}

char *words_held(const struct timer_station *station, char *out)
{
    return settings_in_words(station, false, out);
}

char *words_measures(const struct measures *measures, char *out)
{
    static const struct { enum measure measure; const char *name, *unit; bool time; } shown[] = {
        { MEASURE_DOSE_G, "dose", " g", false }, { MEASURE_WATER_G, "water", " g", false },
        { MEASURE_BEVERAGE_G, "cup", " g", false }, { MEASURE_STEEP_S, "steep", "", true },
        { MEASURE_PRESS_S, "press", "", true }, { MEASURE_PRESS_PEAK_KPA, "peak", " kPa", false },
        { MEASURE_STRENGTH_PCT, "strength", " %", false }, { MEASURE_EXTRACTION_PCT, "extraction", " %", false }
    };
    char time[16];

    *out = '\0';
    for (size_t i = 0; i < sizeof shown / sizeof *shown; i++) {
        double value = measures->value[shown[i].measure];

        if (isnan(value))
            continue;
        if (shown[i].time)
            add(out, WORDS_SIZE, "%s%s %s", between(out), shown[i].name, words_time(value, time, sizeof time));
        else
            add(out, WORDS_SIZE, "%s%s %.*f%s", between(out), shown[i].name, measure_decimals(shown[i].measure), value,
                shown[i].unit);
    }
    return out;
}

char *words_waiting(const struct timer_model *model, char *out)
{
    *out = '\0';
    for (int i = 0; i < model->waiting_count; i++) {
        const struct timer_waiting *waiting = &model->waiting[i];

        add(out, WORDS_SIZE, "%s%s", i ? ", " : "waiting for strength: ", words_brew(waiting->brew));
        if (waiting->have > 0)
            add(out, WORDS_SIZE, " (%d of %d)", waiting->have, waiting->want);
    }
    return out;
}
