/* The corpus: random brews of the model seen by the tracker, and what the two say of each other. */
#ifndef POISE_TESTS_CORPUS_H
#define POISE_TESTS_CORPUS_H

#include <stdbool.h>
#include <stdint.h>

#include "driver.h"
#include "model.h"
#include "tracker/tracker.h"

enum { CORPUS_STAGES = 40, CORPUS_BREWS = 16 };

/* A scale's bytes on their way through the driver. */
struct corpus_line {
    const struct driver *driver;
    void *state;
    uint8_t buffer[4 * MODEL_LINE];
    size_t length;
    double heard_s; /* when bytes last arrived */
    long rejected;  /* frames that were no reading */
};

/* Returns 0, or -1 without memory.  What was begun is ended. */
int corpus_line_begin(struct corpus_line *line, enum model_layout layout);
void corpus_line_end(struct corpus_line *line);

/* At most MODEL_LINE bytes that arrive at at_s of the script, which is now_us for the tracker: the masses they
 * make, at most `most`; their count. */
int corpus_line_bytes(struct corpus_line *line, const char *bytes, int length, double at_s, int64_t now_us,
                      struct reading *out, int most);

/* How one bench of the corpus is equipped, drawn from its seed. */
struct corpus_bench {
    unsigned long seed;
    int scales;
    struct model_scale_settings scale[MODEL_SCALES];
    bool lag_known;     /* the configuration says the lag of the first */
    bool cups_known;    /* the configuration knows the cups */
    bool tares_ordered; /* from the computer, not by the key */
    bool planned;       /* a plan says what each brew should weigh */
};

void corpus_bench_draw(struct corpus_bench *bench, unsigned long seed);
void corpus_bench_print(const struct corpus_bench *bench, const char *kind);

/* What the plan asks of a brew (from 0) of the script: hands miss it by a little.  NAN throughout without a plan, or
 * after the last brew. */
void corpus_bench_plan(const struct corpus_bench *bench, const struct model_script *script, int brew,
                       struct tracker_plan *out);

/* What the tracker said of one brew, corrections applied. */
struct corpus_reported {
    struct {
        enum stage stage;
        double at_s, u_s;
    } stage[CORPUS_STAGES];
    int stage_count;
    double measure[MEASURE_COUNT], u[MEASURE_COUNT];
    double began_s, ended_s; /* NAN: not */
    bool discarded;
};

struct corpus_account {
    struct corpus_reported brew[CORPUS_BREWS];
    int brew_count;
};

/* What a comparison counts. */
struct corpus_score {
    long stages, hits, missing, wrong_time, extra;
    long doses, dose_hits, waters, water_hits, beverages, beverage_hits, drips, drip_hits;
    long brews, brews_found, brews_extra, abandoned, abandoned_seen;
    double confusion_s[MODEL_STAGE_COUNT + 1][STAGE_COUNT];       /* seconds of each true stage reported as each */
    double late_s[MODEL_STAGE_COUNT], late2_s[MODEL_STAGE_COUNT]; /* sums of reported - true, and of its square */
    long claims, claims_held, mass_claims, mass_claims_held;      /* stated uncertainties; within two of them */
    long late_count[MODEL_STAGE_COUNT], stage_count[MODEL_STAGE_COUNT], stage_hits[MODEL_STAGE_COUNT];
};

/* Adds one bench's comparison to the score; returns how many things were wrong.  With `show` every
 * difference is printed. */
int corpus_judge(const struct model_script *script, const struct model_truth *truth, const struct corpus_bench *bench,
                 const struct corpus_account *said, struct corpus_score *score, bool show);

/* The accuracy row: every share a percentage, and whether it is reached. */
bool corpus_reached(const struct corpus_score *score);

/* Whether at least so many per cent of the stages, doses, waters, beverages and drips are right, and no brew is out of
 * nothing. */
bool corpus_holds(const struct corpus_score *score, double least_pct);
double corpus_stage_share(const struct corpus_score *score);
void corpus_print(const char *title, const struct corpus_score *score);
void corpus_print_confusion(const struct corpus_score *score);

#endif
