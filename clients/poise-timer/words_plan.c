/* The run of the plan in words; see words.h. */
#include "words.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* As many decimals as the tolerance has: "15.0 ± 0.1", "230 ± 2". */
char *words_amount(double amount, double tolerance, char *out, size_t size)
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

/* The unit that a setting's name ends with; how much of the name that is. */
static const char *unit_of(const char *name, size_t *cut)
{
    static const struct {
        const char *end, *unit;
    } units[] = { { "_s", " s" },     { "_g", " g" },   { "_c", " °C" },
                  { "_kpa", " kPa" }, { "_pct", " %" }, { "_mm", " mm" } };
    size_t length = strlen(name);

    for (size_t i = 0; i < sizeof units / sizeof *units; i++) {
        *cut = strlen(units[i].end);
        if (length > *cut && strcmp(name + length - *cut, units[i].end) == 0)
            return units[i].unit;
    }
    *cut = 0;
    return "";
}

static void add_value(char *out, const struct timer_setting *setting, const char *unit)
{
    char amount[64];

    if (isnan(setting->number))
        words_add(out, WORDS_SIZE, "%s", setting->word);
    else
        words_add(out, WORDS_SIZE, "%s%s", words_amount(setting->number, setting->tolerance, amount, sizeof amount),
                  unit);
}

/* "steep_s" 120 as "steep 120 s". */
static void add_setting(char *out, const struct timer_setting *setting)
{
    size_t cut;
    const char *unit = unit_of(setting->name, &cut);
    char name[TIMER_WORD];

    snprintf(name, sizeof name, "%.*s", (int)(strlen(setting->name) - cut), setting->name);
    for (char *at = name; *at; at++)
        *at = *at == '_' ? ' ' : *at;
    words_add(out, WORDS_SIZE, "%s ", name);
    add_value(out, setting, unit);
}

char *words_run(const struct timer_station *station, enum brevity brevity, char *out)
{
    *out = '\0';
    if (station->has_next)
        snprintf(out, WORDS_SIZE, "%s %d of %d:", brevity == WORDS_BRIEF ? "run" : station->next.experiment,
                 station->next.run, station->next.of);
    return out;
}

static const struct timer_setting *in_run(const struct timer_run *run, const char *name)
{
    for (int i = 0; run && i < run->settings; i++)
        if (strcmp(run->setting[i].name, name) == 0)
            return &run->setting[i];
    return NULL;
}

static bool same_setting(const struct timer_setting *one, const struct timer_setting *other)
{
    return isnan(one->number) ? isnan(other->number) && strcmp(one->word, other->word) == 0
                              : one->number == other->number;
}

char *words_factor(const struct timer_station *station, int place, enum brevity brevity, bool *changed, char *out)
{
    const struct timer_setting *setting = NULL, *before;
    size_t cut;

    *out = '\0';
    for (int i = 0; station->has_next && i < station->next.settings && !setting; i++)
        if (station->next.setting[i].varied && place-- == 0)
            setting = &station->next.setting[i];
    if (!setting)
        return out;
    add_setting(out, setting);
    before = in_run(station_run_before(station), setting->name);
    *changed = !before || !same_setting(setting, before);
    if (brevity == WORDS_BRIEF || !before)
        return out;
    if (*changed) {
        struct timer_setting value = *before;

        value.tolerance = NAN;
        words_add(out, WORDS_SIZE, " (before: ");
        add_value(out, &value, unit_of(value.name, &cut));
        words_add(out, WORDS_SIZE, ")");
    } else {
        words_add(out, WORDS_SIZE, " (as before)");
    }
    return out;
}

char *words_varied(const struct timer_station *station, enum brevity brevity, char *out)
{
    char factor[WORDS_SIZE];
    bool changed;

    words_run(station, brevity, out);
    for (int i = 0; *words_factor(station, i, brevity, &changed, factor); i++)
        words_add(out, WORDS_SIZE, "%s %s", i ? "," : "", factor);
    return out;
}

char *words_held(const struct timer_station *station, enum brevity brevity, char *out)
{
    size_t cut;

    *out = '\0';
    for (int i = 0; station->has_next && i < station->next.settings; i++) {
        const struct timer_setting *setting = &station->next.setting[i];

        if (setting->varied || (brevity == WORDS_BRIEF && strcmp(unit_of(setting->name, &cut), " g") == 0))
            continue;
        words_add(out, WORDS_SIZE, "%s", words_between(out));
        add_setting(out, setting);
    }
    return out;
}
