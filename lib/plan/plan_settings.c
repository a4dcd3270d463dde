/* What a plan may vary or hold: the one list of names, what people call them, and when each is wanted.
 * What a run asks at a moment is worked out in guide.c. */
#include <string.h>

#include "poise/plan.h"

static const char own_prefix[] = "own_";

static const struct plan_setting settings[] = {
    { "coffee", "Coffee", "", PLAN_BEFORE_DOSE, "which coffee, in a word" },
    { "roast_days", "Days since roast", "", PLAN_BEFORE_DOSE, "days since it was roasted" },
    { "grinder", "Grinder", "", PLAN_BEFORE_DOSE, "which grinder" },
    { "grind", "Grind", "", PLAN_BEFORE_DOSE, "its setting: a number or a word, as \"18 clicks\"" },
    { "brewer", "Brewer", "", PLAN_BEFORE_DOSE, "which brewer" },
    { "filter", "Filter", "", PLAN_BEFORE_DOSE, "which filter" },
    { "filters", "Filters", "", PLAN_BEFORE_DOSE, "how many of them" },
    { "rinse", "Rinse", "", PLAN_BEFORE_DOSE, "whether the filter is rinsed, or with what" },
    { "cup", "Cup", "", PLAN_BEFORE_DOSE, "which cup" },
    { "position", "Position", "", PLAN_BEFORE_DOSE, "upright, or filled upside down" },
    { "dose_g", "Dose", "g", PLAN_BY_ITSELF, "dry coffee" },
    { "ratio", "Ratio", "", PLAN_BY_ITSELF, "water for each gram of coffee: gives the water from the dose" },
    { "water", "Water", "", PLAN_BEFORE_WATER, "which water, in a word" },
    { "temperature_c", "Water", "C", PLAN_BEFORE_WATER, "of the water when it is poured" },
    { "slurry_c", "Slurry", "C", PLAN_BEFORE_WATER, "of coffee and water together, where a thermometer is" },
    { "pours", "Pours", "", PLAN_BEFORE_WATER, "in how many pours" },
    { "bloom_g", "Bloom", "g", PLAN_BY_ITSELF, "the first, small water" },
    { "bloom_s", "Bloom", "s", PLAN_BY_ITSELF, "from first water to the second pour" },
    { "water_g", "Water", "g", PLAN_BY_ITSELF, "all of it, bloom included" },
    { "stir", "Stir", "", PLAN_BY_ITSELF, "spoon, swirl or none" },
    { "stir_at_s", "Stir at", "s", PLAN_BY_ITSELF, "since first water; without it right after the pour" },
    { "stir_s", "Stir for", "s", PLAN_BY_ITSELF, "how long" },
    { "stirs", "Stirs", "", PLAN_BY_ITSELF, "how often, or how many turns" },
    { "swirls", "Swirls", "", PLAN_BY_ITSELF, "how often, or how many turns" },
    { "settle_s", "Settle", "s", PLAN_BY_ITSELF, "from the end of the last stir to the press" },
    { "steep_s", "Steep", "s", PLAN_BY_ITSELF, "from first water to the press" },
    { "press", "Press", "", PLAN_BEFORE_PRESS, "how, in a word" },
    { "press_s", "Press for", "s", PLAN_BY_ITSELF, "from the press beginning to its end" },
    { "press_mean_kpa", "Press with", "kPa", PLAN_BY_ITSELF, "mean pressure" },
    { "press_peak_kpa", "Press to", "kPa", PLAN_BY_ITSELF, "highest pressure" },
    { "beverage_g", "Cup", "g", PLAN_BY_ITSELF, "liquid in the cup after the press" },
    { "dilution_g", "Add water", "g", PLAN_AFTERWARDS, "water put into the cup after the press" },
    { "taster", "Taster", "", PLAN_AFTERWARDS, "who tastes" },
};

const struct plan_setting *plan_setting_at(int index)
{
    return index >= 0 && (size_t)index < sizeof settings / sizeof *settings ? &settings[index] : NULL;
}

const struct plan_setting *plan_setting_find(const char *name)
{
    for (size_t i = 0; i < sizeof settings / sizeof *settings; i++)
        if (strcmp(settings[i].name, name) == 0)
            return &settings[i];
    return NULL;
}

bool plan_setting_own(const char *name)
{
    return strncmp(name, own_prefix, sizeof own_prefix - 1) == 0 && name[sizeof own_prefix - 1];
}

bool plan_setting_known(const char *name)
{
    return plan_setting_find(name) || plan_setting_own(name);
}

/* How many letters must be changed, added or left out to make one of the other; names are short. */
static int letters_apart(const char *one, const char *other)
{
    int row[NAME_SIZE + 1], length = (int)strlen(other);

    for (int j = 0; j <= length; j++)
        row[j] = j;
    for (int i = 1; one[i - 1]; i++) {
        int corner = row[0];

        row[0] = i;
        for (int j = 1; j <= length; j++) {
            int changed = corner + (one[i - 1] != other[j - 1]), least = row[j - 1] + 1;

            corner = row[j];
            least = least < row[j] + 1 ? least : row[j] + 1;
            row[j] = least < changed ? least : changed;
        }
    }
    return row[length];
}

/* A name without its unit, as somebody types it who does not know that it has one. */
static bool same_but_for_unit(const char *name, const char *full)
{
    size_t length = strlen(name);

    return length > 0 && strncmp(name, full, length) == 0 && full[length] == '_';
}

const char *plan_setting_near(const char *name)
{
    int best = 3, apart; /* more than two letters are another word */
    const char *near = NULL;

    if (strlen(name) >= NAME_SIZE)
        return NULL;
    for (size_t i = 0; i < sizeof settings / sizeof *settings; i++)
        if (same_but_for_unit(name, settings[i].name))
            return settings[i].name;
    for (size_t i = 0; i < sizeof settings / sizeof *settings; i++)
        if ((apart = letters_apart(name, settings[i].name)) < best && apart < (int)strlen(name)) {
            best = apart;
            near = settings[i].name;
        }
    return near;
}
