/* The vessels of a bench: what each cup and each brewer weighs with nothing in it, learnt from seeing them set down
 * empty, so that a cup whose empty mass nobody saw in its brew is recognised, or doubted.
 *
 * A table of normal distributions, not a fitted mixture: an entry is one thing that people can pick up, keeps the name
 * that they gave it, and stays itself when others come and go.  A weighing is given to an entry only where the chance
 * that it is another is small, and less than even that it was never seen; else it teaches nothing.  That chance knows
 * how much what was set down differs from what it was (a wet cup, a drop of coffee), how often each vessel is used, how
 * often one comes that was never seen (Good & Turing: as often as there are vessels that were seen once), and that an
 * unknown cup is likely of the make of the others.
 *
 * Which cup came back full is the same question, with what dose and water lead to as one more witness, and with what
 * the bench's own coffee holds back.  The answer is a beverage whose uncertainty covers every cup that has more than
 * VESSELS_LEAST_CHANCE, so that two alike are doubted and never sure and wrong.
 *
 * Pure: no clock, no I/O; kept and restored as JSON.  Masses are grams. */
#ifndef POISE_VESSELS_H
#define POISE_VESSELS_H

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>

#include "poise/messages.h"

enum {
    VESSELS = 48,      /* most at a bench; where there is no room the one seen longest ago that has no name goes */
    VESSELS_BACK = 4,  /* things that came back after a brew and are looked at */
    VESSELS_NONE = -1, /* none of the table */
};

/* A weighing is this vessel's and not another's, and a cup is named as recognised, where the chance is at least this
 * ... */
extern const double VESSELS_CLEAR;
/* ... and an uncertainty covers every cup that has at least so much. */
extern const double VESSELS_LEAST_CHANCE;
/* A beverage that is less sure than this is asked. */
extern const double VESSELS_ASK_U_G;

struct vessel {
    char name[NAME_SIZE]; /* "cup-3" until somebody gives one */
    bool named;           /* somebody did, or the configuration: it is never dropped by itself */
    bool configured;      /* mass and name are the configuration's */
    enum vessel_role role;
    double mass_g;     /* empty and dry as it usually is */
    double weight;     /* weighings behind it; old ones fade, since cups chip and scales drift */
    double squares_g2; /* of their deviations */
    int seen;          /* weighings in all */
    int64_t seen_us;   /* the last, UTC */
};

struct vessels {
    struct vessel all[VESSELS];
    int count;
    int number; /* of the last name given */
    double held_weight, held_mean,
        held_squares; /* grams of liquid that a gram of coffee keeps, of brews with a sure cup */
};

/* One thing set down alone, with nothing in it but drops, and weighed. */
struct vessel_weighing {
    double mass_g, u_g;    /* u: of the scale, and what may be in it */
    enum vessel_role role; /* VESSEL_UNKNOWN: it was only set down */
    int64_t time_us;       /* UTC */
};

struct vessel_match {
    int vessel, other; /* the likeliest two; VESSELS_NONE: none */
    double chance, other_chance;
    double new_chance; /* that it was never seen */
    bool learnt;       /* the table took it: as `vessel` */
    bool made;         /* which is new */
    double was_g;      /* mass of `vessel` before this weighing; NAN: it had none */
};

/* Which vessel it is, without learning. */
void vessels_look(const struct vessels *vessels, const struct vessel_weighing *weighing, struct vessel_match *out);

/* Which it is; the table learns it where that is clear. */
void vessels_take(struct vessels *vessels, const struct vessel_weighing *weighing, struct vessel_match *out);

/* It is this one, as somebody said. */
void vessels_teach(struct vessels *vessels, int vessel, const struct vessel_weighing *weighing);

/* A brew whose cup was sure kept (water - beverage) / dose. */
void vessels_held(struct vessels *vessels, double g_per_g);

/* The standard uncertainty of a vessel's next weighing, or (`mean`) of its mass. */
double vessel_u_g(const struct vessel *vessel, bool mean);

/* A full cup was weighed: how much is in it? */
struct vessel_question {
    double full_g, full_u_g;
    double dose_g, water_g;          /* NAN: not known */
    double seen_g, seen_u_g;         /* a cup was seen empty in this brew, likely the one that came back; NAN: none */
    double together_g, together_u_g; /* cup and brewer, set down in one go before the coffee; NAN: not seen so */
    struct {
        double mass_g, u_g; /* set down alone after the brew was over, of a mass that an emptied cup may have */
    } back[VESSELS_BACK];
    int back_count;
    bool asked; /* people were asked to set the emptied cup down: what comes back is likely it */
};

struct vessel_answer {
    double beverage_g, u_g;
    int cup, other; /* the likeliest two of the table; VESSELS_NONE: none fits, or one never seen */
    double chance, other_chance;
    bool guessed;   /* likeliest is that no vessel says anything: the beverage is what dose and water lead to */
    double as_seen; /* chance that it is the cup seen empty, or the one that came back */
};

/* False where it cannot be answered: neither dose nor water and no cup. */
bool vessels_answer(const struct vessels *vessels, const struct vessel_question *question, struct vessel_answer *out);

/* ---- by hand ---- */

/* VESSELS_NONE: there is none of that name. */
int vessels_find(const struct vessels *vessels, const char *name);

/* Gives a name; 0, or -EINVAL with a sentence (no name, or another's). */
int vessels_name(struct vessels *vessels, int vessel, const char *name, struct why *why);
void vessels_forget(struct vessels *vessels, int vessel);

/* A cup of the configuration: its mass is as good as said. */
void vessels_configure(struct vessels *vessels, const char *name, double mass_g);
/* Before that: those of the configuration are what they were learnt to be, until it names them again. */
void vessels_unconfigure(struct vessels *vessels);

json_t *vessels_save(const struct vessels *vessels);
void vessels_load(struct vessels *vessels, const json_t *json);

#endif
