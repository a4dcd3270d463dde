/* A second bench made of software: brews as a real kitchen makes them, as one or two scales show them, with the truth.
 *
 * It shares no idea of hands, pours, presses or filters with model.h, so that a tracker which fits the one by accident
 * shows it at the other.  Here the load is a sum of contact forces, each a closed function of time; nothing is stepped.
 * A family is one situation; a seed is one session of it: some brews, or hours of a bench at which nobody brews.
 * Half of the seeds of a family (the odd ones) are never looked at while a tracker is tuned.
 *
 * Pure: libc and GSL's random numbers only; the same family and seed give the same readings.  Masses in grams, times in
 * seconds from the start of the session.  NAN: it did not happen. */
#ifndef POISE_TESTS_KITCHEN_H
#define POISE_TESTS_KITCHEN_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { KITCHEN_SCALES = 2, KITCHEN_BREWS = 4, KITCHEN_MARKS = 40, KITCHEN_CUPS = 3, KITCHEN_ORDERS = 48 };

/* When each begins: as model.h has it. */
enum kitchen_stage {
    KITCHEN_DOSE,     /* the first coffee falls; brought in the brewer: the brewer is put down */
    KITCHEN_BLOOM,    /* the first drop of a small water that another follows */
    KITCHEN_POUR,     /* the first drop of any other water */
    KITCHEN_STEEP,    /* the last drop has fallen (not after a bloom) */
    KITCHEN_STIR,     /* spoon in, or the swirl begins */
    KITCHEN_SETTLE,   /* the spoon rests or is out, or the swirl ends */
    KITCHEN_PRESS,    /* the hand begins to press; out of sight: everything begins to be lifted */
    KITCHEN_WEIGH,    /* the hand leaves the plunger; out of sight: the cup begins to come back */
    KITCHEN_STRENGTH, /* the cup stands on a scale alone */
    KITCHEN_STAGES
};

/* "dose", "bloom", "pour", "steep", "stir", "settle", "press", "weigh", "strength" */
const char *kitchen_stage_name(enum kitchen_stage stage);

struct kitchen_mark {
    enum kitchen_stage stage;
    double at_s;
    bool optional; /* it need not be seen: a pause of three seconds in a pour */
    bool or_bloom; /* a pulse that may as well be called a bloom */
    bool untimed;  /* nothing on a scale shows when: coffee that came in the brewer */
};

struct kitchen_truth {
    double began_s, ended_s; /* the first of its things touches a scale; the last of them leaves */
    struct kitchen_mark mark[KITCHEN_MARKS];
    int mark_count;

    double dose_g, water_g, beverage_g, retained_g_per_g;
    double first_water_s, second_pour_s, last_stir_end_s;
    double force_began_s, force_ended_s; /* the hand on the plunger, seen or not */
    double press_peak_kpa;

    /* what could be known from the scales */
    bool dose_seen;      /* tipped in on a scale */
    bool cup_seen_empty; /* stood alone on a scale before anything was in it */
    bool cup_known;      /* its empty mass is in the configuration */
    bool cup_weighed;    /* stood alone on a scale when full */
    bool press_seen;     /* on a scale that did not go silent */
    bool press_overloaded;
    bool bloom_unsure; /* pulses: bloom or first pour is a matter of taste */
    bool turned_over;
};

/* How an instrument shows a load. */
enum kitchen_filter { KITCHEN_UNFILTERED, KITCHEN_ONE_POLE, KITCHEN_TWO_POLES, KITCHEN_MEAN, KITCHEN_ADAPTIVE };

struct kitchen_scale {
    double rate_hz;
    int division; /* in units of the last digit: 1, 2 or 5 */
    int exponent; /* of the last digit: -2, -1 or 0 */
    enum kitchen_filter filter;
    double filter_s;        /* time constant, or the length of the mean */
    double second_filter_s; /* of the second pole */
    double noise_g;         /* of one shown value before rounding */
    double capacity_g;
    bool flags_stable;
    bool only_stable; /* speaks only while at rest */
    bool zero_tracking;
    double creep_g_per_s, creep_tau_s;  /* at first after a load of 500 g, and how it dies */
    double lost;                        /* share of lines */
    double bunch_least_s, bunch_most_s; /* how long lines are gathered; 0: each as it comes */
    double tare_delay_s;                /* from the key to the new zero */
    double tare_slide_s;                /* how long it shows values in between */
    bool tare_waits;                    /* for rest, at most 2 s; else a touch is enough */
    double off_s, on_s, on_zero_g;      /* switches itself off and on; what it then shows; NAN: never */
};

/* The worth of one step of what it shows. */
double kitchen_division_g(const struct kitchen_scale *scale);

struct kitchen_reading {
    double at_s; /* arrival; rises over both scales */
    int scale;
    bool overload;      /* then there are no digits */
    signed char stable; /* 1, 0, -1: not shown */
    int64_t mantissa;   /* x 10^exponent grams */
    int exponent;
};

struct kitchen_order {
    double at_s;
    int scale;
};

/* One session, whole before the first reading. */
struct kitchen_session {
    int family;
    unsigned long seed, noise_seed;
    double end_s;
    int scale_count;
    struct kitchen_scale scale[KITCHEN_SCALES];
    struct kitchen_truth brew[KITCHEN_BREWS];
    int brew_count;
    struct kitchen_order tare_order[KITCHEN_ORDERS]; /* tares ordered through poised; those at the key are not here */
    int tare_order_count;

    /* what the station's configuration and plan hold */
    double piston_mm, press_limit_kpa, retained_g_per_g, lag_s;
    double cup_g[KITCHEN_CUPS];
    int cup_count;
    double planned_dose_g, planned_water_g; /* NAN: no plan */

    struct kitchen_script *script; /* kitchen_parts.h */
};

enum kitchen_kind {
    KITCHEN_ORDINARY,
    KITCHEN_WAYS,
    KITCHEN_INSTRUMENTS,
    KITCHEN_COARSE,
    KITCHEN_BENCH,
    KITCHEN_PRESSES,
    KITCHEN_FAST,
    KITCHEN_NO_BREW
};

struct kitchen_family {
    const char *name;    /* "lid" */
    const char *summary; /* one line for people */
    enum kitchen_kind kind;
};

int kitchen_family_count(void);
const struct kitchen_family *kitchen_family(int family);
int kitchen_family_find(const char *name); /* -1: none of them */

/* Even seeds may be read, odd ones not. */
bool kitchen_seed_unread(unsigned long seed);

/* A session of a family.  `hours` is the length of one without brews and else ignored.  NULL: no memory. */
struct kitchen_session *kitchen_open(int family, unsigned long seed, double hours);
void kitchen_close(struct kitchen_session *session);

/* Every reading of the session in the order of arrival.  Returns 0, or -1: no memory. */
typedef void kitchen_take(void *context, const struct kitchen_reading *reading);
int kitchen_play(const struct kitchen_session *session, kitchen_take *take, void *context);

/* What presses on a scale at a moment, and what stands there for good by then (hands, knocks and shaking left out). */
double kitchen_load_g(const struct kitchen_session *session, int scale, double at_s);
double kitchen_standing_g(const struct kitchen_session *session, int scale, double at_s);

/* What hands do, line by line in the order of time; false after the last. */
enum { KITCHEN_LINE = 96 };
bool kitchen_line(const struct kitchen_session *session, int index, char out[KITCHEN_LINE]);

#endif
