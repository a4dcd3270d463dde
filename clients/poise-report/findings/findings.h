/* What an experiment's cups say: computed once, then reported in words, pictures, JSON or CSV.  It asks lib
 * for the mathematics and decides only which comparison fits the design. */
#ifndef POISE_REPORT_FINDINGS_H
#define POISE_REPORT_FINDINGS_H

#include <stdbool.h>

#include "cups.h"
#include "poise/comparison.h"
#include "poise/kinetics.h"
#include "poise/layout.h"
#include "poise/shape.h"
#include "poise/surface.h"
#include "poise/trend.h"

enum {
    LEVELS = 24,
    FACTORS = 2,
    PAIRS = LEVELS * (LEVELS - 1) / 2,
    CURVES = 6,
    CAUTIONS = 16,
    ANSWERS = 3,
    REFUSALS = 8,
    EFFECTS = 32,
    BESIDES = 16,
    COVARIATES = 3,
    BLOCKS_MOST = 60
}; /* more days or bags are no blocks of one experiment */

/* What the user may choose. */
struct report_options {
    enum measure measure;  /* what is judged */
    double confidence;     /* 0.95 */
    double margin;         /* "the same within"; NAN: not asked */
    double share;          /* diminishing returns: 0.95 of the plateau ... */
    double step_s, least;  /* ... another 30 s bring less than 0.3 ... */
    double least_doubling; /* ... doubling the time brings less than 0.5 */
    double target_pct;     /* strength to dilute to: 1.3 */
    bool all;              /* cups out of plan are counted too */
};

struct factor {
    char name[WORDS_SIZE];
    bool numeric;
    int level_count;
    struct {
        char label[WORDS_SIZE];
        double number; /* NAN for words */
    } level[LEVELS];
};

/* One cup that counts. */
struct point {
    const struct cup *cup;
    int level[FACTORS];
    double x; /* of the first numeric factor: as measured where it is a measure, else as planned */
    double y;
};

struct level_finding {
    int level[FACTORS];
    struct level level_of;    /* mean, n, spread, df of this level's own cups */
    double adjusted;          /* the mean with the blocks taken out: what levels are compared by */
    struct interval interval; /* by its own spread, or by `spread` below */
    int left_out;             /* cups out of plan */
};

struct pair_finding {
    int first, second; /* places in level_finding; the difference is first - second */
    struct difference difference;
    bool equal; /* within the margin that was asked for */
    bool shown; /* the difference is sure, and nothing refuses it */
};

/* What one factor does on the mean over the other's levels: first - second of its levels. */
struct effect_finding {
    int factor, first, second;
    struct difference difference; /* its interval holds together with the other questions of the report */
    bool shown;
};

/* The three questions of two factors: what each does on the mean, and whether they depend on each other.  Together
 * they are wrongly answered yes no more often than one question would be (Holm). */
struct questions {
    bool asked[3];        /* first factor, second, both together */
    double p[3];          /* each alone */
    double adjusted[3];   /* together */
    double confidence[3]; /* at which an interval agrees with that */
    bool shown[3];
};

/* Why no verdict is given. */
struct refusal {
    char because[16]; /* "day", "order", "bag", "bench", "setting", "held", "unfinished", "one cup", "alike" */
    int factor;       /* -1: any */
    char sentence[400];
};

/* One curve against time, of one level of the other factor. */
struct curve_finding {
    int level;               /* of the other factor; -1: there is none */
    bool fitted, identified; /* there is a curve; its plateau and rate are bounded, so it may be reported */
    bool falls;              /* a line through the cups falls, shown as such: no such curve */
    bool all_late;           /* no rise is shown, or the rate has no upper bound: every cup may lie past the bend */
    char why_not[200];
    struct kinetics_fit fit, other; /* with the quick part where it can be; the one without */
    struct lack_of_fit other_lack;  /* of that one; df 0: not known */
    struct interval other_share;    /* when it reaches the share that is asked for */
    double quick_p;                 /* of that part */
    bool has_lack;
    struct lack_of_fit lack; /* of the curve, against replicates */
    bool misfit;             /* the curve misses the levels by more than replicates scatter */
    bool rivalled;           /* another shape, one that ends elsewhere or nowhere, may be the true one */
    struct shape_fit rival;  /* the best of the others; not fitted: none */
    bool supported;          /* the curve is identified, fits, and no other shape does as well */
    struct interval plateau, rate;
    struct interval plateau_together; /* such that differences of all curves hold together */
    struct answer {
        struct kinetics_question question;
        double value;
        struct interval interval;
        bool identified;
        bool beyond_cups; /* later than the longest steep of these cups: the curve's word alone */
        bool claimed;     /* the whole interval lies among the steeps that were brewed, and the curve is supported */
    } answer[ANSWERS];
    struct { /* between two steeps that were brewed, by their own cups: from the one next to the bend to the longest */
        double from_s, to_s, value;
        struct interval interval;
    } gain;
    bool has_gain;
    double longest_s, shortest_s; /* of its cups */
    size_t n;
};

/* What the press did apart from what was planned. */
enum { PRESS_SLOPES = 4 };

struct press_findings {
    struct press_slope { /* of what is judged, against a measure of the press; where the press was varied */
        enum measure measure;
        size_t n, bounded; /* cups that count, and those of which only a lower bound is known */
        double per_unit;
        struct interval interval;
    } slope[PRESS_SLOPES];
    int slope_count;
    struct press_ending { /* cups pressed until nothing more came, and cups stopped before */
        size_t n;
        double beverage_g, retained, judged; /* means; NAN: no cup knows it */
    } dry, stopped;
    bool with_water; /* grams are beverage less water: a larger pour is no merit of the press */
    bool has_grams, has_judged;
    struct difference grams, judged; /* dry - stopped */
};

/* A measure of pour, steep or press that differs from level to level of a factor, and was not varied. */
struct beside_finding {
    enum measure measure;
    int factor;
    double mean[LEVELS]; /* by level */
    double p;            /* of all such measures together */
};

/* Levels compared as if every cup had had the mean dose, water and temperature. */
struct covariates {
    bool fitted;
    int count; /* of those that were known of every cup and not always the same */
    struct covariate {
        enum measure measure;
        bool known;
        struct difference slope; /* per unit */
    } covariate[COVARIATES];
    double spread, df; /* of a cup beside them */
    bool known_pair[PAIRS];
    struct difference adjusted[PAIRS]; /* of the pair at the same place */
};

enum spread_source { SPREAD_NONE, SPREAD_OF_LEVELS, SPREAD_OF_BENCH };
enum design { DESIGN_EMPTY, DESIGN_ONE_LEVEL, DESIGN_TIME, DESIGN_NUMBERS, DESIGN_WORDS, DESIGN_TWO };

struct findings {
    const struct report_options *options;
    const struct cups *cups;
    char experiment[WORDS_SIZE], title[256];
    enum design design;
    int factor_count;
    struct factor factor[FACTORS];

    double confidence; /* of intervals and verdicts: the one asked for; before the plan's end a higher one */
    struct {
        bool known, random, order_given, unfinished;
        int runs, replicates, parts_done;
    } plan;
    struct refusal refusal[REFUSALS];
    int refusal_count;

    struct point *point;
    int *cell;  /* the place of each point's combination among `level` */
    int *block; /* of each point; block_count 0: there are none */
    int block_count;
    int *day; /* of each point: the days, benches or bags that differ beside the replicates */
    int day_count;
    double block_effect[BLOCKS_MOST]; /* what each adds, once the levels are known */
    char block_words[160];            /* "replicate and day" */
    size_t point_count, left_out;
    size_t bounded, impossible, without_value, without_level; /* cups that do not count, each by the first of these */

    struct level_finding level[LEVELS];
    int level_count;

    enum spread_source spread_source;
    double spread, spread_df; /* of one cup */

    bool has_anova;
    struct anova anova;
    bool has_layout;
    struct layout_result layout;
    bool has_no_scatter; /* cups of each level are equal to the last digit */
    bool broken_blocks;  /* not each block has every level: differences are not those of the plain means */
    char no_anova[200];
    bool has_questions;
    struct questions questions;
    struct effect_finding effect[EFFECTS];
    int effect_count;

    struct pair_finding pair[PAIRS];
    int pair_count;
    bool has_equivalence;
    struct equivalence equivalence; /* of two levels */
    bool all_equal;                 /* all pairs lie within the margin that was asked for */

    struct curve_finding curve[CURVES];
    int curve_count;
    struct trend trend;
    struct trend total; /* of total extraction, where the ratio varies and the cup's share is judged */
    bool has_trend, has_break, has_total;
    struct trend_break broken;
    struct trend_family family;
    struct trend_ends ends;
    bool trend_misfit; /* neither line nor curve follows the levels */
    bool changes;      /* it changes at all; and it is no line */
    bool bends;
    struct difference end; /* last level less first: of the line where it is one, of the two levels where it is not */
    bool has_end;
    bool has_turn; /* a curve that rises and falls, or falls and rises, and both is shown */
    double turn_at;
    struct interval turn_interval;
    bool same_change; /* a line whose change lies within the margin that was asked for */

    struct press_findings press;
    struct beside_finding beside[BESIDES];
    int beside_count;
    struct covariates covariates;
    bool has_surface; /* two numbers of three levels or more */
    struct surface surface;
    bool surface_misfit, has_top; /* it misses the levels; its top is shown, and nothing refuses it */

    char caution[CAUTIONS][400];
    int caution_count;
};

enum { FINDING_PERMUTATIONS = 4999 }; /* of a break: its p is right to a tenth where it decides */

/* Fills `out` from the cups of one experiment; `database` is asked for the bench's other repeats and for
 * warnings.  Returns 0 or a negative errno; findings_free() after success. */
int findings_make(sqlite3 *database, const char *experiment, const struct cups *cups,
                  const struct report_options *options, struct findings *out, struct why *why);
void findings_free(struct findings *findings);

/* Is a verdict on this factor (-1: on anything) refused?  The refusal, or NULL. */
const struct refusal *findings_refused(const struct findings *findings, int factor);

/* "75 s", "swirl": one level of one factor; and all of a combination, "coarse, 45 s". */
void findings_level_call(const struct factor *factor, int place, char out[WORDS_SIZE]);
void findings_level_words(const struct findings *findings, int place, char out[2 * WORDS_SIZE]);

/* The points of a curve as kinetics wants them, cups of one time put together, in `room` of the caller: CURVE_ROOM
 * numbers for each point. */
enum { CURVE_ROOM = 9 };
struct kinetics_data findings_curve_data(const struct findings *findings, int curve, double *room);

/* The place among `factor` of the one that is a time or a number, of the other; -1: none. */
int findings_numeric_factor(const struct findings *findings);
int findings_other_factor(const struct findings *findings);

/* What a point's block adds to it; 0 without blocks. */
double findings_block_effect(const struct findings *findings, size_t point);

/* By how much a trend changes from the first level to the last. */
double findings_change(const struct findings *findings, const struct trend *trend, struct interval *interval);

/* How alike cups are that were meant to be alike: within experiment and factors, pooled; of all experiments, or of all
 * but one on its benches.  No cup was repeated: df 0.  Returns 0 or a negative errno. */
int findings_repeats(sqlite3 *database, const char *except, enum measure measure, double *spread, double *df,
                     struct why *why);

/* What is asked beside the levels: of more cups only what words about the levels need is read. */
enum { BESIDE_CUPS_MOST = 2000 };
unsigned findings_beside_measures(void);

/* "dose and water": what the comparison was adjusted for. */
void findings_covariate_names(const struct findings *findings, char out[WORDS_SIZE]);

/* Does dose or water vary?  Then the bed holds back another share, and total extraction is the fairer judge. */
bool findings_vary_ratio(const struct findings *findings);

#endif
