/* Numbers, units and settings as people read them; see guide.h. */
#include <ctype.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "guide_parts.h"
#include "poise/plan.h"

/* Exact: bar by definition, psi from the pound (0.45359237 kg), the inch (25.4 mm) and g0. */
#define KPA_PER_BAR 100.0
#define KPA_PER_PSI 6.894757293168361

void guide_add(char *out, size_t size, const char *format, ...)
{
    size_t length = strlen(out), end;
    va_list arguments;

    va_start(arguments, format);
    vsnprintf(out + length, size - length, format, arguments);
    va_end(arguments);
    end = strlen(out);
    if (end + 1 < size)
        return;
    while (end > length && ((unsigned char)out[end - 1] & 0xc0) == 0x80) /* a character that was cut in two */
        end--;
    if (end > length && (unsigned char)out[end - 1] >= 0xc0)
        out[end - 1] = '\0';
}

char *guide_time(double seconds, char *out, size_t size)
{
    long whole = isnan(seconds) || fabs(seconds) > 1e6 ? 0 : (long)floor(fabs(seconds));
    const char *sign = seconds <= -1 ? "-" : "";

    *out = '\0';
    if (isnan(seconds) || fabs(seconds) > 1e6)
        return out;
    if (whole >= 3600)
        snprintf(out, size, "%s%ld:%02ld:%02ld", sign, whole / 3600, whole / 60 % 60, whole % 60);
    else
        snprintf(out, size, "%s%ld:%02ld", sign, whole / 60, whole % 60);
    return out;
}

char *guide_amount(double amount, double tolerance, char *out, size_t size)
{
    char digits[24];
    const char *point;

    if (!(tolerance > 0)) {
        snprintf(out, size, "%g", amount);
        return out;
    }
    snprintf(digits, sizeof digits, "%g", tolerance);
    point = strchr(digits, '.');
    snprintf(out, size, "%.*f ± %s", point ? (int)strlen(point + 1) : 0, amount, digits);
    return out;
}

bool guide_units_pressure(const char *name, struct guide_units *out)
{
    static const char *const names[] = { "kpa", "bar", "psi" };

    for (int i = 0; i < 3; i++)
        if (strcmp(names[i], name) == 0) {
            out->pressure = (enum guide_pressure)i;
            return true;
        }
    return false;
}

bool guide_units_temperature(const char *name, struct guide_units *out)
{
    if (strcmp(name, "c") != 0 && strcmp(name, "f") != 0)
        return false;
    out->fahrenheit = *name == 'f';
    return true;
}

void guide_units_read(const json_t *json, struct guide_units *out)
{
    const char *pressure = json_string_value(json_object_get(json, "pressure"));
    const char *temperature = json_string_value(json_object_get(json, "temperature"));
    char name[8] = "";

    for (size_t i = 0; pressure && i < sizeof name - 1 && pressure[i]; i++)
        name[i] = (char)tolower((unsigned char)pressure[i]);
    guide_units_pressure(name, out);
    if (temperature && (strcmp(temperature, "C") == 0 || strcmp(temperature, "F") == 0))
        out->fahrenheit = *temperature == 'F';
}

json_t *guide_units_json(const struct guide_units *units)
{
    return json_pack("{s:s, s:s, s:s}", "mass", "g", "pressure", guide_unit_shown("kPa", units).unit, "temperature",
                     units->fahrenheit ? "F" : "C");
}

struct guide_shown guide_unit_shown(const char *kept, const struct guide_units *units)
{
    static const struct guide_shown pressures[] = { { "kPa", 1, 0, 0 },
                                                    { "bar", 1 / KPA_PER_BAR, 0, 2 },
                                                    { "psi", 1 / KPA_PER_PSI, 0, 0 } };

    if (strcmp(kept, "kPa") == 0)
        return pressures[units->pressure];
    if (strcmp(kept, "°C") == 0 && units->fahrenheit)
        return (struct guide_shown){ "°F", 9.0 / 5, 32, 0 };
    return (struct guide_shown){ kept, 1, 0, 0 };
}

/* Digits that suit a hand on a plunger: a kilopascal, and as fine in the other units. */
char *guide_pressure_words(double kpa, double tolerance_kpa, const struct guide_units *units, char *out, size_t size)
{
    struct guide_shown shown = guide_unit_shown("kPa", units);
    int decimals = units->pressure == GUIDE_PSI ? 1 : shown.decimals;
    /* a tolerance that the digits would hide gets one more */
    int more = tolerance_kpa > 0 && fabs(tolerance_kpa * shown.each * pow(10, decimals) - 1) > 0.001
                       && tolerance_kpa * shown.each * pow(10, decimals) < 2
                   ? 1
                   : 0;

    if (tolerance_kpa > 0)
        snprintf(out, size, "%.*f ± %.*f %s", decimals + more, kpa * shown.each, decimals + more,
                 tolerance_kpa * shown.each, shown.unit);
    else
        snprintf(out, size, "%.*f %s", decimals, kpa * shown.each, shown.unit);
    return out;
}

char *guide_temperature_words(double celsius, double tolerance_c, const struct guide_units *units, char *out,
                              size_t size)
{
    struct guide_shown shown = guide_unit_shown("°C", units);
    /* what was written in whole degrees of one scale is shown in tenths at most of the other */
    double degrees = round((celsius * shown.each + shown.from) * 10) / 10;
    double within = round(tolerance_c * shown.each * 10) / 10;
    char amount[64];

    snprintf(out, size, "%s %s", guide_amount(degrees, within, amount, sizeof amount), shown.unit);
    return out;
}

static void value_words(const struct guide_setting *setting, const char *unit, const struct guide_units *units,
                        char *out, size_t size)
{
    char amount[80];

    if (isnan(setting->number))
        snprintf(out, size, "%s", setting->word);
    else if (strcmp(unit, "C") == 0)
        guide_temperature_words(setting->number, setting->tolerance, units, out, size);
    else if (strcmp(unit, "kPa") == 0)
        guide_pressure_words(setting->number, setting->tolerance, units, out, size);
    else
        snprintf(out, size, "%s%s%s", guide_amount(setting->number, setting->tolerance, amount, sizeof amount),
                 *unit ? " " : "", unit);
}

/* The unit of a name of the bench's own, by its end. */
static const char *own_unit(const char *name, size_t *cut)
{
    static const char *const ends[][2] = {
        { "_kpa", "kPa" }, { "_pct", "%" }, { "_mm", "mm" }, { "_g", "g" }, { "_s", "s" }, { "_c", "C" },
    };
    size_t length = strlen(name);

    for (size_t i = 0; i < sizeof ends / sizeof *ends; i++) {
        *cut = strlen(ends[i][0]);
        if (length > *cut && strcmp(name + length - *cut, ends[i][0]) == 0)
            return ends[i][1];
    }
    *cut = 0;
    return "";
}

/* "own_kettle_height_mm" as "Kettle height". */
static const char *own_label(const char *name, char *out, size_t size)
{
    const char *from = plan_setting_own(name) ? name + 4 : name;
    size_t cut;

    own_unit(from, &cut);
    snprintf(out, size, "%.*s", (int)(strlen(from) - cut), from);
    for (char *at = out; *at; at++)
        *at = *at == '_' ? ' ' : *at;
    if (*out >= 'a' && *out <= 'z')
        *out = (char)(*out - 'a' + 'A');
    return out;
}

char *guide_setting_words(const struct guide_setting *setting, bool label, const struct guide_units *units, char *out,
                          size_t size)
{
    const struct plan_setting *known = plan_setting_find(setting->name);
    char name[GUIDE_WORD], value[120];
    size_t cut;

    value_words(setting, known ? known->unit : own_unit(setting->name, &cut), units, value, sizeof value);
    if (label)
        snprintf(out, size, "%s: %s", known ? known->label : own_label(setting->name, name, sizeof name), value);
    else
        snprintf(out, size, "%s", value);
    return out;
}

/* ---- after a cup ---- */

enum { FINEST = 2 }; /* decimals that a small uncertainty earns where fewer are usual */

int guide_decimals(double standard_uncertainty, int usual)
{
    int decimals;

    if (!(standard_uncertainty > 0))
        return usual;
    decimals = -(int)floor(log10(standard_uncertainty));
    if (standard_uncertainty * pow(10, decimals) < 1.95)
        decimals++;
    usual = usual > FINEST ? usual : FINEST;
    return decimals < 0 ? 0 : decimals > usual ? usual : decimals;
}

char *guide_measure_words(enum measure measure, double value, double standard_uncertainty, bool above,
                          const struct guide_units *units, char *out, size_t size)
{
    struct guide_shown shown = guide_unit_shown(measure_unit(measure), units);
    double uncertainty = above ? (double)NAN : standard_uncertainty * shown.each;
    int decimals = guide_decimals(uncertainty, measure_decimals(measure) + shown.decimals);

    if (measure == MEASURE_PRESSED_DRY) {
        snprintf(out, size, "%s", value > 0.5 ? "yes" : "no");
        return out;
    }
    snprintf(out, size, "%s%.*f", above ? "above " : "", decimals, value * shown.each + shown.from);
    if (uncertainty * pow(10, decimals) >= 0.5)
        guide_add(out, size, " ± %.*f", decimals, uncertainty);
    if (*shown.unit)
        guide_add(out, size, " %s", shown.unit);
    return out;
}

/* In the line after a cup: times as a clock has them, and no more digits than are read at a glance. */
static void add_measure(char *out, size_t size, enum measure measure, const struct measures *measures,
                        const bool *above, const struct guide_units *units)
{
    double value = measures->value[measure], uncertainty = measures->standard_uncertainty[measure];
    bool bounded = above && above[measure];
    char words[64];

    switch (measure) {
    case MEASURE_STEEP_S:
    case MEASURE_PRESS_S:
        guide_add(out, size, "%s%s", bounded ? "above " : "", guide_time(round(value), words, sizeof words));
        break;
    case MEASURE_PRESS_PEAK_KPA:
        guide_add(out, size, "%s%s", bounded ? "above " : "",
                  guide_pressure_words(value, NAN, units, words, sizeof words));
        break;
    case MEASURE_STRENGTH_PCT:
    case MEASURE_EXTRACTION_PCT:
        guide_add(out, size, "%s",
                  guide_measure_words(measure, value, uncertainty, bounded, units, words, sizeof words));
        break;
    default:
        guide_add(out, size, "%s", guide_measure_words(measure, value, NAN, bounded, units, words, sizeof words));
    }
}

char *guide_cup(int plan_kept, const struct measures *measures, const bool *above, const struct guide_units *units,
                char *out, size_t size)
{
    static const struct {
        enum measure measure;
        const char *name;
    } shown[] = { { MEASURE_DOSE_G, "dose" },           { MEASURE_WATER_G, "water" },
                  { MEASURE_BEVERAGE_G, "cup" },        { MEASURE_STEEP_S, "steep time" },
                  { MEASURE_PRESS_S, "press" },         { MEASURE_PRESS_PEAK_KPA, "peak" },
                  { MEASURE_STRENGTH_PCT, "strength" }, { MEASURE_EXTRACTION_PCT, "extraction" } };
    size_t begun;

    snprintf(out, size, "%s", plan_kept == 1 ? "Plan kept: " : plan_kept == 0 ? "Plan not kept: " : "");
    begun = strlen(out);
    for (size_t i = 0; i < sizeof shown / sizeof *shown; i++) {
        if (isnan(measures->value[shown[i].measure]))
            continue;
        guide_add(out, size, "%s%s ", strlen(out) > begun ? ", " : "", shown[i].name);
        add_measure(out, size, shown[i].measure, measures, above, units);
    }
    if (strlen(out) == begun)
        snprintf(out, size, "%s",
                 plan_kept == 1   ? "Plan kept"
                 : plan_kept == 0 ? "Plan not kept"
                                  : "Nothing was measured");
    return out;
}
