/* A piston-press brew made of physics, and the scale it stands on: what hands do in, masses and text
 * lines out, with the truth of when everything really began.  For tests and demonstrations.
 *
 * It is the second opinion on the stage tracker and therefore shares no code with it, nor with the
 * daemon or the library: libc and GSL's random numbers only.  Pure: no clock, no I/O; the same script
 * and seed give the same bytes.  Masses in grams, times in seconds from the start of the script.
 *
 * In the order of use: make a script (model_script_do() for each line, or model_script_random()),
 * then either model_run(), which plays it whole without waiting for anything, or model_begin() and
 * model_step() by hand, with model_scale_step() beside them for each scale. */
#ifndef POISE_TESTS_MODEL_H
#define POISE_TESTS_MODEL_H

#include <gsl/gsl_rng.h>
#include <stdbool.h>
#include <stddef.h>

enum {
    MODEL_ACTIONS = 320, /* in one script */
    MODEL_BREWS = 12,    /* in one script */
    MODEL_MARKS = 256,   /* stages in the truth of one script */
    MODEL_SCALES = 2,    /* the station's scale, and a second one for drips or for the cup */
    MODEL_LINE = 160,    /* longest text line of a scale, with what noise may add */
    MODEL_SENTENCE = 160
};

/* The model's inner step: a hundredth of the shortest time that is asserted anywhere (0.3 s) is 3 ms;
 * 5 ms keeps a thousand brews within seconds. */
#define MODEL_STEP_S 0.005

/* Things that stand on a scale or not; a set of them is their sum. */
enum { MODEL_CUP = 1, MODEL_BREWER = 2, MODEL_PLUNGER = 4, MODEL_STAND = 8, MODEL_THINGS = 4 };

/* What one brew is made of. */
struct model_brew {
    double cup_g, brewer_g, plunger_g, stand_g; /* empty and dry */
    double ready_g;                             /* coffee that is in the brewer already when it is put down; 0: none */
    double retained_g_per_g;       /* (water - beverage) / dose pressed dry; about 2 (common practice, no source) */
    double extraction_most_pct;    /* E of first order: E0 + (Emost - E0) (1 - exp(-k t)), share of the dose */
    double extraction_at_once_pct; /* E0, washed off by the first water */
    double extraction_per_s;       /* k at rest; three times that while stirred */
    double water_c, room_c, cooling_per_s; /* slurry: Newton's cooling from the water's temperature */
    double evaporation_g_per_s;            /* from an open brewer; about 0.002 from 28 cm2 near boiling (estimate) */
    double drip_g_per_s;                   /* what runs through the filter into the cup while no plunger holds it */
    double piston_diameter_mm;
};

enum model_action_kind {
    MODEL_DO_BREW, /* the next brew begins: clean things, none of them on a scale */
    MODEL_DO_WAIT,
    MODEL_DO_PUT,     /* things onto a scale */
    MODEL_DO_LIFT,    /* things off */
    MODEL_DO_COFFEE,  /* amount_g into the brewer */
    MODEL_DO_BLOOM,   /* the first, small water */
    MODEL_DO_POUR,    /* water */
    MODEL_DO_STIR,    /* with a spoon */
    MODEL_DO_SWIRL,   /* brewer and cup moved in a circle by hand, on the scale */
    MODEL_DO_PRESS,   /* amount_g: peak force as a scale would show it; wherever the brewer stands */
    MODEL_DO_TURN,    /* the brewer in hand is turned over onto the cup */
    MODEL_DO_TARE,    /* somebody touches the scale's tare key */
    MODEL_DO_KNOCK,   /* a blow of amount_g that rings out */
    MODEL_DO_LEAN,    /* a hand or cloth rests on the scale with amount_g */
    MODEL_DO_DRAUGHT, /* air moves the pan by about amount_g */
    MODEL_DO_DRIFT,   /* the zero moves by amount_g */
    MODEL_DO_ABANDON  /* poured away; truth only */
};

struct model_action {
    enum model_action_kind kind;
    int things; /* PUT, LIFT */
    int scale;  /* PUT, TARE: 0 or 1 */
    double amount_g;
    double duration_s;
    double share; /* PRESS: how far of the way to dry; 1 is dry */
};

struct model_script {
    struct model_brew brew[MODEL_BREWS];
    int brew_count;
    struct model_action action[MODEL_ACTIONS];
    int action_count;
    char kind[MODEL_SENTENCE]; /* a random script: what was drawn, in words, to sort failures by */
};

/* Reads one line of a script and appends it; words between the numbers ("g", "s", "in", "for", "of") are
 * for people and skipped:
 *   brew [cup 341.2] [brewer 190] [plunger 62] [stand 300] [ready 15] [retained 2.0] [most 24] [at-once 6]
 *        [per-s 0.02] [water-c 92] [drip 0.1] [evaporation 0.002]
 *   wait S | put THING... [in S] [on second] | lift THING... [in S]   (cup brewer plunger stand, all)
 *   coffee G [in S] | bloom G [in S] | pour G [in S] | stir S | swirl S | press G [in S] [share X] | turn S
 *   tare [second] | knock G | lean G [for S] | draught G [for S] | drift G [in S] | abandon
 * Returns 0, or -1 with a sentence in why; the script is untouched then. */
int model_script_do(struct model_script *script, const char *line, char why[MODEL_SENTENCE]);

/* A script of `brews` brews drawn from the seed over everything people do: things put down together or
 * apart, tares anywhere or none, dose weighed in or tipped in or brought ready, bloom and pours, stir and
 * swirl, pressed on the scale (gently, hard, in two goes) or beside it, filled upside down and turned over,
 * cup weighed in place or brought back, knocks between.  `wild` is the share of the rarer ways (0 to 1).  With
 * `second` there is a second scale: the cup stands on it below the brewer, or is weighed there in the end. */
void model_script_random(struct model_script *script, unsigned long seed, int brews, double wild, bool second);

/* Hours of a bench at which nobody brews: knocks, a cup set down and taken away, a cloth, draughts, 2 g of drift. */
void model_script_knocks(struct model_script *script, unsigned long seed, double hours);

/* The same as lines that model_script_do() reads: line `index` into out; false after the last. */
bool model_script_line(const struct model_script *script, int index, char *out, size_t size);

enum model_stage {
    MODEL_STAGE_DOSE,     /* the first coffee falls (or the brewer that holds it is put down) */
    MODEL_STAGE_BLOOM,    /* the first drop of a small water that another follows */
    MODEL_STAGE_POUR,     /* the first drop of any other water */
    MODEL_STAGE_STEEP,    /* the last drop has fallen (not after a bloom) */
    MODEL_STAGE_STIR,     /* spoon in, or the swirl begins */
    MODEL_STAGE_SETTLE,   /* spoon out, or the swirl ends */
    MODEL_STAGE_PRESS,    /* the hand begins to press; out of the scale's sight: everything begins to be lifted */
    MODEL_STAGE_WEIGH,    /* the hand leaves the plunger; out of sight: the cup begins to come back */
    MODEL_STAGE_STRENGTH, /* the cup stands on a scale alone: it has been weighed */
    MODEL_STAGE_COUNT
};

/* "dose", "bloom", "pour", "steep", "stir", "settle", "press", "weigh", "strength" */
const char *model_stage_name(enum model_stage stage);

struct model_mark {
    int brew; /* from 0 */
    enum model_stage stage;
    double at_s;
};

/* The truth of one brew.  Times are those of the script; NAN: it did not happen. */
struct model_brew_truth {
    double dose_g, water_g, beverage_g, drip_g;
    double first_water_s, second_pour_s, last_stir_end_s;
    double press_began_s;                /* as MODEL_STAGE_PRESS has it */
    double force_began_s, force_ended_s; /* the hand on the plunger, seen or not */
    double press_peak_kpa, press_mean_kpa;
    double slurry_c;      /* when the press began */
    double strength_pct;  /* of the cup */
    double dissolved_pct; /* share of the dose that went into solution */
    bool cup_seen_empty;  /* the cup's mass could be read before anything was in it */
    bool dose_seen;       /* the dose was added on the scale */
    bool press_seen;      /* pressed on a scale */
    bool turned_over;
    bool cup_on_second; /* the second scale weighed the cup */
    bool drip_seen;     /* the cup stood on the second scale until the press */
    bool weighed;       /* the cup was weighed: the brew is complete */
    bool abandoned;
};

/* The measures of a brew by the names the bus uses ("steep_s" ...): NAN when it has none of it. */
double model_measure(const struct model_brew_truth *truth, const char *name);

struct model_truth {
    struct model_mark mark[MODEL_MARKS];
    int mark_count;
    struct model_brew_truth brew[MODEL_BREWS];
    int brew_count;     /* begun so far */
    double tared_s[64]; /* when the tare key of the station's scale was touched */
    int tare_count;
};

/* The bench while a script is played. */
struct model {
    const struct model_script *script; /* must outlive the model */
    struct model_truth truth;
    double now_s;
    bool done;                   /* the script is over; the bench stays as it was left */
    double load_g[MODEL_SCALES]; /* what presses on each scale now */
    bool tare_key[MODEL_SCALES]; /* touched in the last step */

    /* the model's own */
    gsl_rng *random;
    int action;
    double elapsed_s;                         /* in the action */
    double share[MODEL_THINGS][MODEL_SCALES]; /* of each thing's weight that a scale bears */
    double start[MODEL_THINGS][MODEL_SCALES]; /* the same when the action began */
    double cup_liquid_g, cup_solids_g, bed_g, liquid_g, solids_g, poured_before_g, to_press_g;
    double dissolved_g, slurry_c, lifted_s, lifted_drip_g, force_sum, hand_g, ring_g, drift_g, drift_before_g;
    double wobble, stream_g;
    int force_steps;
};

/* Returns 0, or -1 when there is no memory for random numbers. */
int model_begin(struct model *model, const struct model_script *script, unsigned long seed);
void model_end(struct model *model);

/* Lets MODEL_STEP_S pass.  With `hold` hands rest: the scales go on, the script does not. */
void model_step(struct model *model, bool hold);

/* How a scale prints. */
enum model_layout {
    MODEL_HEADER,     /* "ST,GS,+  12.34 g" CR LF */
    MODEL_PLAIN,      /* "     12.73 g     " CR LF, a '?' at its end while moving */
    MODEL_BARE,       /* "12.34" CR LF */
    MODEL_STX_STATUS, /* STX, three status bytes, six digits, six of the tare, CR, checksum */
    MODEL_STX_LETTER, /* STX, sign, seven characters, letter, ETX */
    MODEL_LAYOUTS
};
const char *model_layout_name(enum model_layout layout); /* "header" "plain" "bare" "stx-status" "stx-letter" */
int model_layout_find(const char *name);                 /* -1: none of them */

struct model_scale_settings {
    enum model_layout layout;
    double rate_hz;       /* indications a second */
    double lag_s;         /* of its filter: two equal poles of lag/2, so a ramp is late by exactly lag */
    double division_g;    /* 1, 0.1, 0.01 ... */
    double noise_g;       /* standard deviation of the converter before rounding */
    double capacity_g;    /* gross; above it (and 9 divisions) it shows overload */
    double lost, damaged; /* share of lines that never arrive, that arrive wrong */
    double jitter_s;      /* mean lateness of an arrival: busy machines, scales that send when they can */
    double bunch_s;       /* adapters hand over what they gathered every so often; 0: each byte as it comes */
};

enum model_status { MODEL_OK, MODEL_OVERLOAD };

/* What a scale shows at one moment. */
struct model_indication {
    double at_s; /* when it arrives; never before the one before it */
    enum model_status status;
    double shown_g; /* a multiple of the division */
    bool stable;    /* within one division for half a second */
    bool net;       /* a tare is in force */
};

enum { MODEL_MEMORY = 64 }; /* indications a scale remembers to call itself stable */

struct model_scale {
    struct model_scale_settings settings;
    gsl_rng *random;
    double pole[2], tare_g, next_s, last_s;
    double memory[MODEL_MEMORY];
    int remembered;
    bool net;
};

int model_scale_begin(struct model_scale *scale, const struct model_scale_settings *settings, unsigned long seed);
void model_scale_end(struct model_scale *scale);

/* MODEL_STEP_S of this load.  Returns true when an indication is due: it is in out. */
bool model_scale_step(struct model_scale *scale, double now_s, double load_g, struct model_indication *out);
void model_scale_tare(struct model_scale *scale);

/* The bytes of an indication; their count.  No NUL.  Undamaged. */
int model_scale_line(const struct model_scale *scale, const struct model_indication *indication, char out[MODEL_LINE]);

/* Does to a line what wires do, by the shares in the settings: returns the new length, 0 when it is lost. */
int model_scale_damage(struct model_scale *scale, char line[MODEL_LINE], int length);

/* Plays a script whole.  `indicated` gets each indication of each scale and the bytes that arrived for it
 * (length 0: lost).  Returns 0, or -1 without memory.  The truth may be NULL; it is complete in the end, and as far
 * as that moment whenever a tare key is touched: who orders a tare knows it before the scale has heard. */
typedef void model_indicated(void *context, int scale, const struct model_indication *indication, const char *line,
                             int length);
int model_run(const struct model_script *script, unsigned long seed, const struct model_scale_settings *settings,
              int scale_count, model_indicated *indicated, void *context, struct model_truth *truth);

#endif
