/* The guide: what to do now at one station of a bench.
 *
 * From how the brew stands, what its run of the plan asks, and how much time has passed follow one instruction, one
 * number with its target, the moment of the next change and what has to be set before.  Every screen shows these and
 * nothing of its own.  Pure: no clock, no I/O, no allocation, no memory of the call before; the same arguments give
 * the same guide.
 *
 *     struct guide_run run;
 *     struct guide_state state;
 *     struct guide guide;
 *
 *     guide_run_read(next, &run);              // "next" of a station in state/BENCH
 *     guide_state_clear(&state);
 *     state.stage = STAGE_POUR;
 *     state.water_g = 40;
 *     guide_now(&run, &state, &units, &guide);     // guide.now: "Pour to 230 ± 2 g."
 *
 * Masses are in grams, times in seconds, pressures in kPa, temperatures in °C; NAN is "not known" everywhere.  Only the
 * texts are in the units that the reader chose.  Texts are UTF-8, cut to fit, and end with a NUL. */
#ifndef POISE_GUIDE_H
#define POISE_GUIDE_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "poise/messages.h"
#include "poise/stages.h"

#pragma GCC visibility push(default)

enum {
    GUIDE_WORD = 48,     /* as long as a plan lets a word be */
    GUIDE_SETTINGS = 28, /* two that are varied and all that are held */
    GUIDE_OPEN = 16,     /* open runs that are looked at for a rescue */
    GUIDE_CUE = 24,
    GUIDE_TEXT = 240
};

/* ---- the run ---- */

/* One thing that a plan varies or holds: "steep_s", 120 or "stir", "swirl". */
struct guide_setting {
    char name[GUIDE_WORD], word[GUIDE_WORD]; /* word: empty where it is a number */
    double number;                           /* NAN: it is a word */
    double tolerance;                        /* NAN: none */
    bool varied;
};

/* The run of the plan that is being brewed or is next; all zero: there is no plan. */
struct guide_run {
    char experiment[GUIDE_WORD];
    int run, of, replicate;
    struct guide_setting setting[GUIDE_SETTINGS];
    int settings;
    /* what the plan's other open runs vary: with what a brew that missed its run may still be one of them */
    struct {
        char name[GUIDE_WORD];
        double number;
    } open[GUIDE_OPEN];
    int open_count;
};

/* Reads a run as messages carry it: {"experiment", "run", "of", "replicate", "factors", "recipe", "tolerances",
 * "open"}.  Untrusted: what is missing or of the wrong kind counts as not there; NULL or null gives no plan. */
void guide_run_read(const json_t *json, struct guide_run *out);

/* The setting of that name; NULL: the run has none. */
const struct guide_setting *guide_run_setting(const struct guide_run *run, const char *name);

/* What the run asks for, by name; `tolerance` may be NULL.  A plan by `ratio` gives the water from the dose, or the
 * dose from the water; a dose that was weighed (`dose_g`, else NAN) counts before the planned one. */
double guide_planned(const struct guide_run *run, const char *name, double dose_g, double *tolerance);

/* ---- the state ---- */

struct guide_state {
    enum stage stage;
    double stage_s;                 /* since the stage began */
    double water_s;                 /* since first water, up to the press; NAN: no water yet */
    double press_s;                 /* since the press began; NAN: it has not */
    double stir_began_s, stirred_s; /* since the last stir began, and ended; NAN: none */
    int pours, stirs;               /* begun in this brew, a bloom among the pours */

    bool scale;      /* a scale shows something now */
    bool overload;   /* ... beyond its range */
    int decimals;    /* ... with so many digits after the point */
    double load_g;   /* what stands there, tares added back */
    bool tared;      /* something stands there and was tared away */
    double coffee_g; /* before a brew: added since the tare, or since something heavy was set down; NAN: nothing of that
                      * kind */
    double dose_g, water_g, flow_g_per_s, press_kpa, beverage_g;
    double limit_kpa;     /* the station's; NAN: none */
    double asked_steep_s; /* the steep to count towards where no plan has one; NAN: none */
    bool cup_left;        /* the last brew has ended and its cup stands there still */
};

/* Nothing is known of it. */
void guide_state_clear(struct guide_state *state);

/* ---- units ---- */

enum guide_pressure { GUIDE_KPA, GUIDE_BAR, GUIDE_PSI };

/* What the reader wants to see; measures and plans stay in kPa and °C. */
struct guide_units {
    enum guide_pressure pressure;
    bool fahrenheit;
};

/* "kpa", "bar", "psi"; "c", "f".  False: it is none of them, and `out` is untouched. */
bool guide_units_pressure(const char *name, struct guide_units *out);
bool guide_units_temperature(const char *name, struct guide_units *out);

/* As a state of a bench has them: {"mass": "g", "pressure": "bar", "temperature": "F"}.  Untrusted: what is missing or
 * no unit leaves `out` as it is. */
void guide_units_read(const json_t *json, struct guide_units *out);
json_t *guide_units_json(const struct guide_units *units);

/* A unit that is kept ("kPa", "°C"), in the one that was chosen: shown = kept * each + from, with `decimals` more than
 * usual.  Any other unit ("g", "%") is shown as it is kept. */
struct guide_shown {
    const char *unit;
    double each, from;
    int decimals;
};
struct guide_shown guide_unit_shown(const char *kept, const struct guide_units *units);

/* Texts; each returns `out`.  "1:23", "-0:05", "1:02:03", empty for NAN. */
char *guide_time(double seconds, char *out, size_t size);

/* A number and its tolerance with as many digits as the tolerance has: "15.0 ± 0.1", "230"; NAN: none. */
char *guide_amount(double amount, double tolerance, char *out, size_t size);

/* "18 kPa", "0.18 bar", "2.6 psi"; "± ..." in front of the unit where there is a tolerance. */
char *guide_pressure_words(double kpa, double tolerance_kpa, const struct guide_units *units, char *out, size_t size);
char *guide_temperature_words(double celsius, double tolerance_c, const struct guide_units *units, char *out,
                              size_t size);

/* A measure for people, with as many digits as its standard uncertainty has (NAN: none is shown) and in the units that
 * were chosen: "15.02 ± 0.04 g", "above 2.3 psi", "201 °F"; `above`: it is a lower bound. */
char *guide_measure_words(enum measure measure, double value, double standard_uncertainty, bool above,
                          const struct guide_units *units, char *out, size_t size);

/* As many decimals as a standard uncertainty has with one digit, two where that one is a 1; `usual` where it is not
 * known, and never many more. */
int guide_decimals(double standard_uncertainty, int usual);

/* A setting for people: "Water: 92 °C", "Grind: 18"; `label` false: the value alone. */
char *guide_setting_words(const struct guide_setting *setting, bool label, const struct guide_units *units, char *out,
                          size_t size);

/* ---- now ---- */

enum guide_side { GUIDE_NO_TARGET, GUIDE_BELOW, GUIDE_RIGHT, GUIDE_ABOVE };

/* The one number to read from across the counter. */
struct guide_number {
    char digits[16];           /* "1:23", "230.1", "-": digits : . - > and blank (">7": a lower bound) */
    char unit[GUIDE_WORD];     /* what it is: "g of water in" */
    char goal[96];             /* "of 230 ± 2 g, 190 g to go"; empty: nothing is planned */
    double share;              /* how far along, 1: there; NAN: nothing is planned */
    double band_from, band_to; /* the same measure: between them it is right; NAN: no band */
    enum guide_side side;
};

/* What changes by the clock alone, in the order of a brew. */
enum guide_moment {
    GUIDE_BLOOM_END,
    GUIDE_STIR,
    GUIDE_STIR_END,
    GUIDE_PRESS_SOON, /* ten seconds before the press */
    GUIDE_PRESS,
    GUIDE_PRESS_END,
    GUIDE_MOMENTS /* none */
};

struct guide {
    char cue[GUIDE_CUE];      /* two or three words to be drawn large: "Pour", "Stir 10 s" */
    char now[GUIDE_TEXT];     /* the instruction: "Pour to 230 ± 2 g." */
    char set[GUIDE_TEXT];     /* what has to be set or chosen for it: "Grind: 18, filter: paper"; mostly empty */
    char next[GUIDE_TEXT];    /* "next: press at 2:00" */
    char rescue[GUIDE_TEXT];  /* what still saves a brew that left its plan; mostly empty */
    char caution[GUIDE_TEXT]; /* how nobody is hurt at this work; empty where there is none */
    struct guide_number number;
    enum stage next_stage;    /* that would begin next */
    enum guide_moment change; /* the next change by the clock ... */
    double change_s;          /* ... in so many seconds; NAN: none */
    unsigned moments;         /* those that have come in this brew, 1 << enum guide_moment: a bell rings when one is
                               * added */
};

void guide_now(const struct guide_run *run, const struct guide_state *state, const struct guide_units *units,
               struct guide *out);

/* After a cup, in one line: whether the plan was kept (1, 0, -1: no plan or not known) and what the cup was:
 * "Plan kept. Dose 15.0 g, water 230.2 g, cup 200.4 g, steep time 2:01, strength 1.32 ± 0.01 %."  `above` marks the
 * measures that are lower bounds; NULL: none is. */
char *guide_cup(int plan_kept, const struct measures *measures, const bool *above, const struct guide_units *units,
                char *out, size_t size);

#pragma GCC visibility pop

#endif
