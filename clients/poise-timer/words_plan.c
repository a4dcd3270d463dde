/* The run of the plan in words; see words.h. */
#include "words.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* "Steep: 90 s" as "steep 90 s": in a row of several. */
static void add_setting(const struct view *model, char *out, const struct guide_setting *setting)
{
    char words[160], *colon;

    guide_setting_words(setting, true, &model->units, words, sizeof words);
    colon = strstr(words, ": ");
    if (*words >= 'A' && *words <= 'Z')
        *words = (char)(*words - 'A' + 'a');
    if (colon)
        words_add(out, WORDS_SIZE, "%.*s %s", (int)(colon - words), words, colon + 2);
}

char *words_run(const struct view_station *station, enum brevity brevity, char *out)
{
    *out = '\0';
    if (station->has_next)
        snprintf(out, WORDS_SIZE, "%s %d of %d:", brevity == WORDS_BRIEF ? "run" : station->next.experiment,
                 station->next.run, station->next.of);
    return out;
}

static bool same_setting(const struct guide_setting *one, const struct guide_setting *other)
{
    return isnan(one->number) ? isnan(other->number) && strcmp(one->word, other->word) == 0
                              : one->number == other->number;
}

char *words_factor(const struct view *model, const struct view_station *station, int place, enum brevity brevity,
                   bool *changed, char *out)
{
    const struct guide_run *run_before = station_run_before(station);
    const struct guide_setting *setting = NULL, *before;
    char words[160];

    *out = '\0';
    for (int i = 0; station->has_next && i < station->next.settings && !setting; i++)
        if (station->next.setting[i].varied && place-- == 0)
            setting = &station->next.setting[i];
    if (!setting)
        return out;
    add_setting(model, out, setting);
    before = run_before ? guide_run_setting(run_before, setting->name) : NULL;
    *changed = !before || !same_setting(setting, before);
    if (brevity == WORDS_BRIEF || !before)
        return out;
    if (*changed) {
        struct guide_setting value = *before;

        value.tolerance = NAN;
        words_add(out, WORDS_SIZE, " (before: %s)",
                  guide_setting_words(&value, false, &model->units, words, sizeof words));
    } else {
        words_add(out, WORDS_SIZE, " (as before)");
    }
    return out;
}

char *words_varied(const struct view *model, const struct view_station *station, enum brevity brevity, char *out)
{
    char factor[WORDS_SIZE];
    bool changed;

    words_run(station, brevity, out);
    for (int i = 0; *words_factor(model, station, i, brevity, &changed, factor); i++)
        words_add(out, WORDS_SIZE, "%s %s", i ? "," : "", factor);
    return out;
}

/* Masses are asked for when they are weighed; the rest is to be looked at before. */
static bool is_mass(const struct guide_setting *setting)
{
    size_t length = strlen(setting->name);

    return length > 2 && strcmp(setting->name + length - 2, "_g") == 0;
}

char *words_held(const struct view *model, const struct view_station *station, enum brevity brevity, char *out)
{
    *out = '\0';
    for (int i = 0; station->has_next && i < station->next.settings; i++) {
        const struct guide_setting *setting = &station->next.setting[i];

        if (setting->varied || (brevity == WORDS_BRIEF && is_mass(setting)))
            continue;
        words_add(out, WORDS_SIZE, "%s", words_between(out));
        add_setting(model, out, setting);
    }
    return out;
}
