/* The stages of a brew in the trade's words, and the measures taken of it: their one list. */
#ifndef POISE_STAGES_H
#define POISE_STAGES_H

#pragma GCC visibility push(default)

enum stage {
    STAGE_IDLE,     /* nothing brewing */
    STAGE_DOSE,     /* coffee goes in */
    STAGE_BLOOM,    /* the first, small water */
    STAGE_POUR,     /* water */
    STAGE_STEEP,    /* left alone */
    STAGE_STIR,     /* stirred or swirled */
    STAGE_SETTLE,   /* left alone after the last stir */
    STAGE_PRESS,    /* the plunger goes down */
    STAGE_WEIGH,    /* the cup is weighed */
    STAGE_STRENGTH, /* waiting for its strength to be read */
    STAGE_DONE,
    STAGE_COUNT
};

/* Who says so: "tracker", "operator". */
enum made_by { BY_TRACKER, BY_OPERATOR };

/* "idle", "dose", "bloom", "pour", "steep", "stir", "settle", "press", "weigh", "strength", "done" */
const char *stage_name(enum stage stage);

/* -1 when the name is none of them. */
int stage_find(const char *name);

enum measure {
    MEASURE_DOSE_G,
    MEASURE_WATER_G,
    MEASURE_BEVERAGE_G,
    MEASURE_STEEP_S,
    MEASURE_BLOOM_S,
    MEASURE_SETTLE_S,
    MEASURE_PRESS_S,
    MEASURE_PRESS_PEAK_KPA,
    MEASURE_PRESS_MEAN_KPA,
    MEASURE_DRIP_G,
    MEASURE_PRESSED_DRY, /* 1: until nothing more came through; 0: stopped before.  Its uncertainty is the root of
                          * the chance that it was the other: 0.3 is one in eleven */
    MEASURE_SLURRY_C,
    MEASURE_STRENGTH_PCT,
    MEASURE_EXTRACTION_PCT,
    MEASURE_EXTRACTION_TOTAL_PCT,
    MEASURE_RETAINED_G_PER_G,
    MEASURE_COUNT
};

/* "dose_g" ... as messages, plans and the store spell it. */
const char *measure_name(enum measure measure);

/* What it is, in a few words for people: "dry coffee". */
const char *measure_summary(enum measure measure);

/* "g", "s", "kPa", "%", "°C", "g/g"; empty for a yes or no. */
const char *measure_unit(enum measure measure);

/* Digits after the point worth showing. */
int measure_decimals(enum measure measure);

/* The least and the greatest value that can be true of a brew: what lies outside is refused where
 * it enters. */
double measure_least(enum measure measure);
double measure_most(enum measure measure);

/* -1 when the name is none of them. */
int measure_find(const char *name);

/* All numbers of one brew; NAN is "not known". */
struct measures {
    double value[MEASURE_COUNT];
    double standard_uncertainty[MEASURE_COUNT];
};

void measures_clear(struct measures *measures);

#pragma GCC visibility pop

#endif
