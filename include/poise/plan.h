/* An experiment: what is varied, what is held, how often, in which order.  Pure: text in, runs out.
 * The daemon keeps which run was done; clients check a file before they hand it in.
 *
 *     [experiment]
 *     name = ferry-steep                  ; a-z 0-9 -, at most 32
 *     title = How long to steep the ferry blend
 *     replicates = 3                      ; blocks: every level once before any level again
 *     order = random                      ; within each block; or listed
 *     seed = 20261125                     ; left out: drawn when the plan is loaded, and kept
 *     difference = 0.8                    ; least difference in extraction worth knowing, points
 *     spread = 0.4                        ; of repeats on this bench, points
 *     control = yes                       ; brewed now and then to watch the bench: `poise-report bench` charts it
 *
 *     [vary]                              ; one or two factors, numbers or words; none: one recipe, repeated
 *     steep_s = 45, 75, 120, 180, 300 +- 3
 *
 *     [hold]
 *     dose_g = 15.0 +- 0.1                ; a tolerance makes keeping it checkable
 *     grind = 18
 *
 * A name is one of plan_setting_at, or the bench's own, which begins with own_. */
#ifndef POISE_PLAN_H
#define POISE_PLAN_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "poise/messages.h"
#include "poise/stages.h"
#include "poise/why.h"

#pragma GCC visibility push(default)

enum {
    PLAN_FACTORS = 2,
    PLAN_LEVELS = 24,
    PLAN_HELD = 24,
    PLAN_RUNS = 500, /* two weeks of cups: more is a mistake in the file */
    PLAN_WORD_SIZE = 48,
    PLAN_TITLE_SIZE = 120,
    PLAN_TEXT_MOST = 16384, /* a plan file is no longer */
    PLAN_MISTAKES = 16      /* after so many the rest is not reported */
};

struct plan_value {
    char word[PLAN_WORD_SIZE]; /* as it was written */
    double number;             /* NAN: a word */
};

struct plan_factor {
    char name[NAME_SIZE];
    int measure; /* -1: a setting, which no instrument checks */
    struct plan_value level[PLAN_LEVELS];
    int levels;
    double tolerance; /* NAN: none */
    int line;
};

struct plan {
    char name[NAME_SIZE], title[PLAN_TITLE_SIZE];
    int replicates;
    bool random, seed_given, control;
    uint32_t seed;
    double difference, spread; /* percentage points of extraction; NAN: not said */
    struct plan_factor vary[PLAN_FACTORS];
    int factors;
    struct plan_factor hold[PLAN_HELD]; /* one level each */
    int held;
};

/* What is wrong with a plan file, in the order of its lines. */
struct plan_mistakes {
    int count; /* all of them, also those that are not reported */
    struct {
        int line; /* 0: about the whole file */
        char text[200];
    } mistake[PLAN_MISTAKES];
};

/* Reads a plan.  0; or -EINVAL, then `mistakes` says all that is wrong and `why` the first of it with
 * its line.  `out` is untouched on failure. */
int plan_read(struct plan *out, const char *text, size_t length, struct plan_mistakes *mistakes, struct why *why);

/* When a setting is wanted from whoever brews. */
enum plan_moment {
    PLAN_BEFORE_DOSE,
    PLAN_BEFORE_WATER,
    PLAN_BEFORE_PRESS,
    PLAN_AFTERWARDS,
    PLAN_BY_ITSELF /* it is the instruction: "Pour to 230 g" */
};

struct plan_setting {
    const char *name;  /* "temperature_c" */
    const char *label; /* as people read it: "Water" */
    const char *unit;  /* "C", "g", "s", "kPa"; empty: a number or a word */
    enum plan_moment moment;
    const char *summary; /* what it is, in a few words */
};

/* All that a plan may vary or hold, measures among it, in the order of a brew; NULL behind the last. */
const struct plan_setting *plan_setting_at(int index);
const struct plan_setting *plan_setting_find(const char *name);

/* A name of the bench's own, which begins with own_. */
bool plan_setting_own(const char *name);

/* Whether a name may be planned. */
bool plan_setting_known(const char *name);

/* What was perhaps meant by a name that is not known: "stir" for "stirr", "dose_g" for "dose"; NULL: nothing is near.
 */
const char *plan_setting_near(const char *name);

struct plan_run {
    int replicate; /* from 1 */
    int level[PLAN_FACTORS];
};

/* Number of cups. */
int plan_run_count(const struct plan *plan);

/* The runs in the order in which they are to be brewed: blocks of every combination once, shuffled
 * within the block with the seed (MT19937 and the shuffle of the GNU Scientific Library, so that
 * anybody can draw the same order again).  `runs` has plan_run_count places.  0 or -ENOMEM. */
int plan_order(const struct plan *plan, uint32_t seed, struct plan_run *runs);

/* The value of a factor in a run. */
const struct plan_value *plan_level(const struct plan *plan, const struct plan_run *run, int factor);

/* A run as messages carry it: {"experiment", "title", "run", "of", "replicate", "factors", "recipe",
 * "tolerances", "levels" of the measures that are varied without one}; `number` counts from 1 in the order of brewing.
 * NULL when memory is short. */
json_t *plan_run_json(const struct plan *plan, const struct plan_run *run, int number);

/* What the run asks of the measures; NAN: nothing. */
void plan_targets(const json_t *run, double target[MEASURE_COUNT], double tolerance[MEASURE_COUNT]);

/* Was it kept?  What has a tolerance must be within it.  A measure that is varied without one must, where it was taken,
 * be nearer to this run's level than to any other: else the cup is another run's.  1; 0 and the reasons in `why`, one
 * sentence; -1 when a measure with a tolerance was not taken and no other is out. */
int plan_judge(const json_t *run, const struct measures *measures, struct why *why);

/* The measures that a run can be judged by: `above` marks those that are lower bounds, and of these only one that is
 * more than the run allows says anything; the others count as not taken. */
struct measures plan_judged(const json_t *run, const struct measures *measures, const bool above[MEASURE_COUNT]);

/* How far a brew is from what a run asks of its measures: the sum of squares in tolerances, or in hundredths of the
 * target where there is none.  0: nothing is asked, or nothing was taken. */
double plan_misfit(const json_t *run, const struct measures *measures);

#pragma GCC visibility pop

#endif
