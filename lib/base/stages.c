/* The one list of stages and measures; see stages.h. */
#include "poise/stages.h"

#include <math.h>
#include <string.h>

static const char *const stage_names[STAGE_COUNT] = {
    [STAGE_IDLE] = "idle",   [STAGE_DOSE] = "dose",         [STAGE_BLOOM] = "bloom",   [STAGE_POUR] = "pour",
    [STAGE_STEEP] = "steep", [STAGE_STIR] = "stir",         [STAGE_SETTLE] = "settle", [STAGE_PRESS] = "press",
    [STAGE_WEIGH] = "weigh", [STAGE_STRENGTH] = "strength", [STAGE_DONE] = "done",
};

/* What journals and traces made before 2026-12 call it. */
static const char former_weigh[] = "weigh-out";

/* Bounds are what no brew on a bench reaches, wide enough never to refuse a true one (no source):
 * a bucket of cold brew is the largest brew, two days of steeping the longest, 30 % stronger than any
 * extract a refractometer reads, 2 MPa beyond what a body can press.  `retained` may fall a little
 * below zero, since the beverage carries dissolved coffee that was never water. */
#define LITRES_G 20000.0
#define TWO_DAYS_S 172800.0

static const struct {
    const char *name, *summary;
    int decimals;
    double least, most;
} measures[MEASURE_COUNT] = {
    [MEASURE_DOSE_G] = { "dose_g", "dry coffee", 1, 0, 1000 },
    [MEASURE_WATER_G] = { "water_g", "all water poured", 1, 0, LITRES_G },
    [MEASURE_BEVERAGE_G] = { "beverage_g", "liquid in the cup", 1, 0, LITRES_G },
    [MEASURE_STEEP_S] = { "steep_s", "first water to press", 1, 0, TWO_DAYS_S },
    [MEASURE_BLOOM_S] = { "bloom_s", "first water to second pour", 1, 0, TWO_DAYS_S },
    [MEASURE_SETTLE_S] = { "settle_s", "last stir to press", 1, 0, TWO_DAYS_S },
    [MEASURE_PRESS_S] = { "press_s", "press, beginning to end", 1, 0, 3600 },
    [MEASURE_PRESS_PEAK_KPA] = { "press_peak_kpa", "greatest pressure", 1, 0, 2000 },
    [MEASURE_PRESS_MEAN_KPA] = { "press_mean_kpa", "mean pressure", 1, 0, 2000 },
    [MEASURE_DRIP_G] = { "drip_g", "ran through before the press", 1, 0, LITRES_G },
    [MEASURE_PRESSED_DRY] = { "pressed_dry", "1 pressed until dry, 0 stopped before", 0, 0, 1 },
    [MEASURE_SLURRY_C] = { "slurry_c", "slurry temperature", 1, -5, 105 },
    [MEASURE_STRENGTH_PCT] = { "strength_pct", "strength of the cup", 2, 0, 30 },
    [MEASURE_EXTRACTION_PCT] = { "extraction_pct", "of the dose, in the cup", 2, 0, 100 },
    [MEASURE_EXTRACTION_TOTAL_PCT] = { "extraction_total_pct", "of the dose, dissolved at all", 2, 0, 100 },
    [MEASURE_RETAINED_G_PER_G] = { "retained_g_per_g", "liquid held per gram of coffee", 2, -1, 20 },
};

const char *stage_name(enum stage stage)
{
    return stage_names[stage];
}

int stage_find(const char *name)
{
    for (int stage = 0; stage < STAGE_COUNT; stage++)
        if (strcmp(name, stage_names[stage]) == 0)
            return stage;
    return strcmp(name, former_weigh) == 0 ? STAGE_WEIGH : -1;
}

const char *measure_name(enum measure measure)
{
    return measures[measure].name;
}

const char *measure_summary(enum measure measure)
{
    return measures[measure].summary;
}

const char *measure_unit(enum measure measure)
{
    static const char *const ends[][2] = {
        { "_g_per_g", "g/g" }, { "_kpa", "kPa" }, { "_pct", "%" }, { "_g", "g" }, { "_s", "s" }, { "_c", "°C" },
    };
    const char *name = measure_name(measure);

    for (size_t i = 0; i < sizeof ends / sizeof *ends; i++)
        if (strlen(name) > strlen(ends[i][0]) && strcmp(name + strlen(name) - strlen(ends[i][0]), ends[i][0]) == 0)
            return ends[i][1];
    return "";
}

int measure_decimals(enum measure measure)
{
    return measures[measure].decimals;
}

double measure_least(enum measure measure)
{
    return measures[measure].least;
}

double measure_most(enum measure measure)
{
    return measures[measure].most;
}

int measure_find(const char *name)
{
    for (int measure = 0; measure < MEASURE_COUNT; measure++)
        if (strcmp(name, measures[measure].name) == 0)
            return measure;
    return -1;
}

void measures_clear(struct measures *out)
{
    for (int measure = 0; measure < MEASURE_COUNT; measure++)
        out->value[measure] = out->standard_uncertainty[measure] = NAN;
}
