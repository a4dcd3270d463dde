/* What the timer says of a station; see words.h. */
#include "words.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

enum { OLD_AFTER_MS = 1500 };             /* the slowest scales speak twice a second: three missed */
static const double STANDS_THERE_G = 20;  /* the lightest cup or brewer weighs more */
static const double HALF_DIGIT_G = 0.005; /* 15.1 shown is not above 15 + 0.1, whatever the binary says */
static const double ADDING_G = 0.3;       /* the least that is no noise */
static const double FLOWS_G_PER_S = 0.3;  /* below it the water has stopped: drips and drift */

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
    char target[48];

    if (isnan(target_g) || !(target_g > 0) || isnan(now_g))
        return;
    out->share = now_g / target_g;
    out->warn = now_g > target_g + within_g + HALF_DIGIT_G;
    words_amount(target_g, tolerance_g, target, sizeof target);
    if (out->warn)
        snprintf(out->bar, sizeof out->bar, "%.1f g more than %s", now_g - target_g, target);
    else if (now_g >= target_g - within_g - HALF_DIGIT_G)
        snprintf(out->bar, sizeof out->bar, "right: %s g", target);
    else
        snprintf(out->bar, sizeof out->bar, "%.1f g to go of %s", target_g - now_g, target);
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
    if (station->rest.known)
        return station->rest.since == SINCE_ZERO;
    return station->offset_g > STANDS_THERE_G && decimal_to_double(station->shown) + station->offset_g > STANDS_THERE_G;
}

/* Something is being added to what stands there. */
static bool adding(const struct timer_station *station)
{
    enum rest_since since;

    return station_added_g(station, &since) >= ADDING_G;
}

/* The weight while nothing runs; what is added to it against the dose that is planned. */
static void focus_dose(const struct timer_station *station, struct focus *out)
{
    double tolerance_g, target_g = station_planned(station, "dose_g", &tolerance_g), added_g;
    enum rest_since since;

    focus_weight(station, out);
    added_g = station_added_g(station, &since);
    if (added_g >= ADDING_G) {
        out->added = true;
        snprintf(out->big, sizeof out->big, "%.*f",
                 station->shown.exponent < 0 && station->shown.exponent > -4 ? -station->shown.exponent : 1, added_g);
        snprintf(out->unit, sizeof out->unit, "g added since %s", since == SINCE_ZERO ? "zero" : "the last set-down");
    } else if (tared(station) && station->shown_at_us && station->status == READING_OK
               && fabs(decimal_to_double(station->shown)) <= 2 * target_g && isnan(station->rest.weighed_g)) {
        added_g = fmax(0, decimal_to_double(station->shown));
    } else {
        return;
    }
    towards(added_g, target_g, tolerance_g, out);
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
    case STAGE_IDLE:
    case STAGE_STRENGTH:
    case STAGE_DONE:
    case STAGE_DOSE:
        focus_dose(station, out);
        break;
    case STAGE_BLOOM: /* water while it runs, then the time */
        if (flow_g_per_s > FLOWS_G_PER_S)
            focus_water(station, "bloom_g", out);
        else
            focus_steep(model, station, now_us, out);
        break;
    case STAGE_POUR:
        focus_water(station, station_blooms(station) ? "bloom_g" : "water_g", out);
        break;
    case STAGE_STEEP:
    case STAGE_STIR:
    case STAGE_SETTLE:
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

/* "Pour 230 ± 2 g of water", "Pour the water" where no plan says how much. */
static void add_amount(char *out, const struct timer_station *station, const char *name, const char *verb,
                       const char *what)
{
    double tolerance, target = station_planned(station, name, &tolerance);
    char amount[48];

    if (isnan(target))
        words_add(out, WORDS_SIZE, "%s the %s", verb, what);
    else
        words_add(out, WORDS_SIZE, "%s %s g of %s", verb, words_amount(target, tolerance, amount, sizeof amount), what);
}

static bool loaded(const struct timer_station *station)
{
    return station->shown_at_us && station->status == READING_OK && decimal_to_double(station->shown) > STANDS_THERE_G;
}

/* The first water, then the wait for the second. */
static void add_bloom(char *out, const struct timer_station *station, int64_t now_us)
{
    double planned_s = station_planned(station, "bloom_s", NULL);
    bool wet = station->stage == STAGE_STEEP
               || (station->stage == STAGE_BLOOM && !isnan(station_water_g(station))
                   && !(station_flow_g_per_s(station, now_us) > FLOWS_G_PER_S));
    char time[16];

    if (!wet) {
        add_amount(out, station, "bloom_g", "Wet it with", "water");
    } else {
        words_add(out, WORDS_SIZE, "Let it bloom. ");
        if (planned_s > 0)
            words_add(out, WORDS_SIZE, "At %s: ", words_time(planned_s, time, sizeof time));
        add_amount(out, station, "water_g", "Pour", "water");
    }
    words_add(out, WORDS_SIZE, ": it scalds.");
}

static const char press_words[] =
    "straight down, slowly, on a sturdy, level cup. Hot; glass breaks."; /* two rows of the narrowest pane */

/* The first water of a plan that blooms, or all of it. */
static void add_pour(char *out, const struct timer_station *station, int64_t now_us)
{
    if (station_blooms(station)) {
        add_bloom(out, station, now_us);
        return;
    }
    add_amount(out, station, "water_g", "Pour", "water");
    words_add(out, WORDS_SIZE, ": it scalds.");
}

static void add_coffee(char *out, const struct timer_station *station)
{
    add_amount(out, station, "dose_g", "Weigh", "coffee");
    words_add(out, WORDS_SIZE, ".");
}

static void add_beginning(char *out, const struct timer_station *station)
{
    if (!isnan(station->rest.weighed_g)) {
        words_add(out, WORDS_SIZE, "%.1f g tared away. ", station->rest.weighed_g);
        add_amount(out, station, "water_g", "Pour", "water");
        words_add(out, WORDS_SIZE, ": it scalds.");
    } else if (adding(station)) {
        add_coffee(out, station);
    } else if (station->cup_left) {
        words_add(out, WORDS_SIZE, "The cup is weighed: take it off.");
    } else if (tared(station)) {
        add_coffee(out, station);
    } else {
        words_add(out, WORDS_SIZE,
                  loaded(station) ? "Tare, then weigh the coffee."
                                  : "Put the cup and the brewer on the scale, and tare.");
    }
}

static void add_wait(char *out, const struct timer_station *station, double planned_s, int64_t now_us)
{
    char time[16];

    if (station_blooms(station)) {
        add_bloom(out, station, now_us);
    } else if (station_steep_s(station, now_us) >= planned_s) {
        words_add(out, WORDS_SIZE, "Press now: %s", press_words);
    } else {
        words_add(out, WORDS_SIZE, "Leave it alone.");
        if (planned_s > 0)
            words_add(out, WORDS_SIZE, " Press at %s.", words_time(planned_s, time, sizeof time));
    }
}

char *words_guide(const struct timer_model *model, const struct timer_station *station, int64_t now_us, char *out)
{
    *out = '\0';
    switch (station->stage) {
    case STAGE_IDLE:
    case STAGE_DONE:
    case STAGE_COUNT:
        add_beginning(out, station);
        break;
    case STAGE_DOSE:
        add_coffee(out, station);
        break;
    case STAGE_BLOOM:
        add_bloom(out, station, now_us);
        break;
    case STAGE_POUR:
        add_pour(out, station, now_us);
        break;
    case STAGE_STEEP:
    case STAGE_SETTLE:
        add_wait(out, station, model_planned_steep_s(model, station), now_us);
        break;
    case STAGE_STIR:
        words_add(out, WORDS_SIZE, "Stir, then leave it alone.");
        break;
    case STAGE_PRESS:
        words_add(out, WORDS_SIZE, "Press %s", press_words);
        break;
    case STAGE_WEIGH:
        words_add(out, WORDS_SIZE, "Weigh the full cup.");
        break;
    case STAGE_STRENGTH:
        words_add(out, WORDS_SIZE, "Let a sample cool and read its strength. The next cup may begin.");
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
        words_add(out, WORDS_SIZE, " at %s", words_time(planned_s, time, sizeof time));
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
        words_add(out, WORDS_SIZE, "water %.1f g", water_g);
    if (*station->brew && !isnan(station->measures.value[MEASURE_DRIP_G]))
        words_add(out, WORDS_SIZE, "%sdrip %.1f g", words_between(out), station->measures.value[MEASURE_DRIP_G]);
    if (pours && !isnan(flow))
        words_add(out, WORDS_SIZE, "%sflow %.1f g/s", words_between(out), fabs(flow) < 0.05 ? 0 : flow);
    if (station->first_water_us && (all || !steeps) && *words_time(station_steep_s(station, now_us), time, sizeof time))
        words_add(out, WORDS_SIZE, "%ssteep %s", words_between(out), time);
    if (station->stage == STAGE_PRESS)
        words_add(out, WORDS_SIZE, "%spressing %s", words_between(out),
                  words_time(station_stage_s(station, now_us), time, sizeof time));
    if (station->stage >= STAGE_PRESS && !isnan(peak_kpa))
        words_add(out, WORDS_SIZE, "%speak %s%.0f kPa", words_between(out),
                  station->above[MEASURE_PRESS_PEAK_KPA] ? "above " : "", peak_kpa);
    if (!isnan(station->slurry_c))
        words_add(out, WORDS_SIZE, "%sslurry %.1f °C", words_between(out), station->slurry_c);
    return out;
}

char *words_share(const struct timer_model *model, const struct timer_station *station, int64_t now_us,
                  enum brevity brevity, char *out)
{
    double steep_s = station_steep_s(station, now_us), planned_s = model_planned_steep_s(model, station);
    double now = station_share(station, steep_s), then = station_share(station, planned_s);
    char time[16];

    *out = '\0';
    if (isnan(now) || station->stage < STAGE_BLOOM || station->stage > STAGE_PRESS)
        return out;
    words_add(out, WORDS_SIZE, "about %.0f %% of attainable extraction", 100 * now);
    if (brevity == WORDS_BRIEF)
        return out;
    if (station->stage < STAGE_PRESS && planned_s > steep_s)
        words_add(out, WORDS_SIZE, ", %.0f %% at %s", 100 * then, words_time(planned_s, time, sizeof time));
    words_add(out, WORDS_SIZE, " (by %zu earlier cups)", station->curve.cups);
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
        words_add(out, WORDS_SIZE, "no scale has spoken here");
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
        words_add(out, WORDS_SIZE, " has not spoken yet");
    if (strcmp(station->condition, instrument_change_name(INSTRUMENT_READY)) != 0)
        words_add(out, WORDS_SIZE, ", %s", station->condition);
    else
        *bad = station->status != READING_OK;
    if (isnan(age_s))
        return out;
    if (age_s <= old_s) {
        words_add(out, WORDS_SIZE, ", now%s",
                  station->stable == 0   ? ", moving"
                  : station->stable == 1 ? ", stable"
                                         : "");
    } else {
        words_add(out, WORDS_SIZE, ", %s old", words_time(age_s, time, sizeof time));
        *bad = true;
    }
    return out;
}

char *words_measures(const struct measures *measures, const bool *above, char *out)
{
    static const struct {
        enum measure measure;
        const char *name, *unit;
        bool time;
    } shown[] = { { MEASURE_DOSE_G, "dose", " g", false },
                  { MEASURE_WATER_G, "water", " g", false },
                  { MEASURE_DRIP_G, "drip", " g", false },
                  { MEASURE_BEVERAGE_G, "cup", " g", false },
                  { MEASURE_STEEP_S, "steep", "", true },
                  { MEASURE_PRESS_S, "press", "", true },
                  { MEASURE_PRESS_PEAK_KPA, "peak", " kPa", false },
                  { MEASURE_STRENGTH_PCT, "strength", " %", false },
                  { MEASURE_EXTRACTION_PCT, "extraction", " %", false } };
    char time[16];

    *out = '\0';
    for (size_t i = 0; i < sizeof shown / sizeof *shown; i++) {
        double value = measures->value[shown[i].measure];

        if (isnan(value))
            continue;
        if (shown[i].time)
            words_add(out, WORDS_SIZE, "%s%s %s", words_between(out), shown[i].name,
                      words_time(value, time, sizeof time));
        else
            words_add(out, WORDS_SIZE, "%s%s %s%.*f%s", words_between(out), shown[i].name,
                      above && above[shown[i].measure] ? "above " : "", measure_decimals(shown[i].measure), value,
                      shown[i].unit);
    }
    return out;
}

char *words_waiting(const struct timer_model *model, enum brevity brevity, char *out)
{
    *out = '\0';
    if (brevity == WORDS_BRIEF && model->waiting_count > 1) {
        words_add(out, WORDS_SIZE, "waiting for strength: %d cups", model->waiting_count);
        return out;
    }
    for (int i = 0; i < model->waiting_count; i++) {
        const struct timer_waiting *waiting = &model->waiting[i];

        words_add(out, WORDS_SIZE, "%s%s", i ? ", " : "waiting for strength: ", words_brew(waiting->brew));
        if (waiting->have > 0)
            words_add(out, WORDS_SIZE, " (%d of %d)", waiting->have, waiting->want);
    }
    return out;
}
