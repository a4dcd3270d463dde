/* What the files of the kitchen share: contact forces, and the hands that make them.  For kitchen_*.c only. */
#ifndef POISE_TESTS_KITCHEN_PARTS_H
#define POISE_TESTS_KITCHEN_PARTS_H

#include "kitchen.h"

#include <gsl/gsl_rng.h>

/* ---- contact forces (kitchen_force.c) ---- */

enum force_shape {
    FORCE_STEP,   /* a thing set down or taken: rises over from..to and stays */
    FORCE_STREAM, /* something flows in over from..to and stays */
    FORCE_RAMP,   /* an even drift over from..to that stays */
    FORCE_HAND,   /* a hand that comes, holds and goes within from..to */
    FORCE_BLOW,   /* a blow at `from` that rings out */
    FORCE_SHAKE   /* moves about within from..to */
};

enum { FORCE_WAVES = 4 };

struct force {
    enum force_shape shape;
    int scale;
    double from_s, to_s;
    double amount_g;
    double rise_s, fall_s; /* HAND, STREAM, SHAKE: how long it takes to come and to go; BLOW: how it dies (rise_s) */
    double power;          /* STEP: 2 is soft, 6 abrupt; HAND: 1 straight, 2 with a toe */
    double growth;         /* HAND: by what share it grows while it holds */
    double wander;         /* HAND: share of the amount by which it moves; STREAM: unevenness, below 0.15 */
    struct {
        double hz, phase, size;
    } wave[FORCE_WAVES];
};

double force_at(const struct force *force, double at_s);
double force_left(const struct force *force);   /* what stays when it is over */
double force_over_s(const struct force *force); /* from when nothing of it changes */

/* ---- the script: what hands do in a session ---- */

enum thing { THING_CUP, THING_BREWER, THING_PLUNGER, THING_LID, THING_SPOON, THING_NEXT_CUP, THINGS };
enum {
    CUP = 1 << THING_CUP,
    BREWER = 1 << THING_BREWER,
    PLUNGER = 1 << THING_PLUNGER,
    LID = 1 << THING_LID,
    SPOON = 1 << THING_SPOON,
    NEXT_CUP = 1 << THING_NEXT_CUP
};

struct script_line {
    double at_s;
    char text[72];
};
struct quiet {
    double from_s, to_s;
    bool brewing;
}; /* nobody touches anything */
struct key {
    double at_s;
    int scale;
};

struct kitchen_script {
    gsl_rng *random;
    double now_s;
    struct force *force;
    int force_count, force_room;
    struct script_line *line;
    int line_count, line_room;
    struct quiet *quiet;
    int quiet_count, quiet_room;
    struct key *tare;
    int tare_count, tare_room;
    bool out_of_memory;
    double drifted_g; /* of the zero */

    double mass_g[THINGS];                  /* with what is in them */
    int on[THINGS];                         /* the scale it stands on; -1: none */
    double landing_least_s, landing_most_s; /* how fast these hands put things down */
    bool orders_tares;                      /* through poised, not at the key */
};

/* Draws. */
double draw(struct kitchen_session *session, double least, double most);
double draw_log(struct kitchen_session *session, double least, double most);
bool chance(struct kitchen_session *session, double share);
int draw_int(struct kitchen_session *session, int least, int most);

/* What hands do (kitchen_hands.c).  Each lets its time pass; times of contact come back where a mark needs them. */
struct span {
    double from_s, to_s;
};
void record(struct kitchen_session *session, const char *format, ...) __attribute__((format(printf, 2, 3)));
void add_force(struct kitchen_session *session, struct force force);
void add_waves(struct kitchen_session *session, struct force *force, double least_hz, double most_hz);
void rest(struct kitchen_session *session, double seconds, bool brewing);
struct span put(struct kitchen_session *session, int things, int scale);
struct span lift(struct kitchen_session *session, int things);
void touch_tare(struct kitchen_session *session, int scale);
struct span tip_coffee(struct kitchen_session *session, double grams, double seconds, bool clumps);
struct span pour(struct kitchen_session *session, double grams, double flow_g_per_s, double ramp_s);
struct span shake_brewer(struct kitchen_session *session, bool spoon, double seconds);

struct push {
    double peak_g, seconds, rise_s, fall_s, power, growth, wander, least_hz, most_hz;
};
struct span press(struct kitchen_session *session, const struct push *push);
double standing_on(const struct kitchen_session *session, int scale);

/* ---- one brew (kitchen_brew.c) ---- */

enum arrangement { CUP_FIRST, TOGETHER, UPSIDE_DOWN };
enum stir { NO_STIR, STIR_SPOON, STIR_SWIRL };
enum ending { CUP_WEIGHED, CUP_NEVER_WEIGHED, CUP_NEVER_BACK };
enum epilogue {
    TIDY,
    NEXT_CUP_INSTEAD,
    NEXT_CUP_BESIDE,
    NEXT_CUP_SOON,
    WRONG_CUP_FIRST,
    BREWER_PARKED,
    BREWER_PARKED_FIRST
};

/* The ways of one brew: everything that hands decide. */
struct ways {
    enum arrangement arrangement;
    bool cup_shown_first; /* upside down: the empty cup is weighed before */
    bool tare_cup, tare_brewer, tare_dose;
    double rest_least_s, rest_most_s; /* between two handlings */
    double dose_g;
    bool dose_ready; /* comes in the brewer */
    int dose_tips;
    double tip_s, tip_gap_s;
    bool clumps;
    double water_g, bloom_g, bloom_wait_s, flow_g_per_s, ramp_s, tare_to_pour_s;
    bool bloom_stirred;
    int pulses;
    double pulse_gap_s;
    double lid_after_s;   /* from the last drop; NAN: no lid */
    bool plunger_at_once; /* set on after the pour, long before the press */
    enum stir stir;
    int stirs;
    double stir_s;
    bool spoon_stays;
    double steep_s; /* from the last drop to the press, about */
    double plunger_to_press_s;
    bool beside;    /* pressed beside the scale */
    double carry_s; /* beside: how long everything is away, the press included */
    struct push push;
    int goes; /* of the press */
    double goes_gap_s;
    double retained_g_per_g;
    double evaporation_g_per_s;
    enum ending ending;
    bool cup_put_back; /* pressed on the scale, all taken, the cup brought back alone */
    double brewer_off_after_s, cup_alone_s;
    bool weigh_on_second, cup_shown_on_second;
    enum epilogue epilogue;
    double epilogue_gap_s;
};

void usual_ways(struct kitchen_session *session, struct ways *ways);
void brew(struct kitchen_session *session, const struct ways *ways);

/* What happens at a bench meanwhile (kitchen_bench.c). */
enum disturbance { UNDISTURBED, LEANING, KNOCKS, CLOTH, GRINDER, DRAUGHT };
void disturb(struct kitchen_session *session, enum disturbance disturbance);
void bench_hours(struct kitchen_session *session, double hours);

#endif
