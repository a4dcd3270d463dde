/* The truth of a brew by its names: stages, and the measures that follow from what really happened.  See model.h. */
#include "model.h"

#include <math.h>
#include <string.h>

static const char *const stage_names[MODEL_STAGE_COUNT] = {
    "dose", "bloom", "pour", "steep", "stir", "settle", "press", "weigh", "strength",
};

const char *model_stage_name(enum model_stage stage)
{
    return stage_names[stage];
}

double model_measure(const struct model_brew_truth *truth, const char *name)
{
    double strength = truth->strength_pct / 100;
    const struct {
        const char *name;
        double value;
    } measures[] = {
        { "dose_g", truth->dose_g },
        { "water_g", truth->water_g },
        { "beverage_g", truth->beverage_g },
        { "steep_s", truth->press_began_s - truth->first_water_s },
        { "bloom_s", truth->second_pour_s - truth->first_water_s },
        { "settle_s", truth->press_began_s - truth->last_stir_end_s },
        { "press_s", truth->force_ended_s - truth->force_began_s },
        { "press_peak_kpa", truth->press_peak_kpa },
        { "press_mean_kpa", truth->press_mean_kpa },
        { "drip_g", truth->drip_g > 0 ? truth->drip_g : NAN },
        { "slurry_c", truth->slurry_c },
        { "strength_pct", truth->strength_pct },
        { "extraction_pct", truth->strength_pct * truth->beverage_g / truth->dose_g },
        { "extraction_total_pct", 100 * strength * truth->water_g / (1 - strength) / truth->dose_g },
        { "retained_g_per_g", (truth->water_g - truth->beverage_g) / truth->dose_g },
    };

    for (size_t i = 0; i < sizeof measures / sizeof *measures; i++)
        if (strcmp(measures[i].name, name) == 0)
            return measures[i].value;
    return NAN;
}
