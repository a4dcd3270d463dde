/* Random scripts: the ways people brew, drawn from a seed.  See model.h.
 * Shares and ranges are guesses at common practice (no source); what matters is that all of it occurs. */
#include "model.h"

#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* What the second scale is for in a brew. */
enum second { NO_SECOND, CUP_BELOW, CUP_AFTER };

struct draw {
    struct model_script *script;
    gsl_rng *random;
    double wild;        /* share of the rarer ways */
    bool has_second;    /* there is a second scale */
    enum second second; /* in this brew */
    bool tared;         /* in this brew */
};

static double between(struct draw *draw, double least, double most)
{
    return gsl_ran_flat(draw->random, least, most);
}

static bool chance(struct draw *draw, double share)
{
    return gsl_rng_uniform(draw->random) < share;
}

/* One of the rarer ways, `share` of all when wild is 1. */
static bool rarely(struct draw *draw, double share)
{
    return chance(draw, share * draw->wild);
}

static void hands(struct draw *draw, const char *format, ...) __attribute__((format(printf, 2, 3)));
static void hands(struct draw *draw, const char *format, ...)
{
    char line[400], why[MODEL_SENTENCE];
    va_list arguments;

    va_start(arguments, format);
    vsnprintf(line, sizeof line, format, arguments);
    va_end(arguments);
    model_script_do(draw->script, line, why); /* a script that is full stays as it is */
}

/* What was drawn, in words. */
static void note(struct draw *draw, const char *word)
{
    size_t length = strlen(draw->script->kind);

    if (length + strlen(word) + 2 < sizeof draw->script->kind)
        sprintf(draw->script->kind + length, "%s%s", length ? " " : "", word);
}

static void pause(struct draw *draw, double least, double most)
{
    hands(draw, "wait %.2f", between(draw, least, most));
}

static void maybe_knock(struct draw *draw)
{
    if (rarely(draw, 0.1)) {
        hands(draw, "knock %.1f", between(draw, 5, 120));
        pause(draw, 0.5, 1.5);
    }
}

static void maybe_tare(struct draw *draw, double share)
{
    if (chance(draw, share)) {
        hands(draw, "tare");
        draw->tared = true;
        pause(draw, 1.2, 4);
    }
}

/* Where the cup belongs once the brew is pressed. */
static const char *cup_place(const struct draw *draw)
{
    return draw->second == NO_SECOND ? "" : " on second";
}

/* All that belongs to the cup; a stand stays where it stands. */
static const char *lifted(const struct draw *draw)
{
    return draw->second == CUP_BELOW ? "cup brewer plunger" : "all";
}

/* The empty cup on the second scale, which is often tared then. */
static void cup_on_second(struct draw *draw)
{
    hands(draw, "put cup in %.2f on second", between(draw, 0.25, 0.6));
    pause(draw, 1.5, 4);
    if (chance(draw, 0.5)) {
        hands(draw, "tare second");
        pause(draw, 1.2, 3);
    }
}

enum way { UPRIGHT_ON_CUP, BREWER_ALONE, INVERTED };

static enum way arrive(struct draw *draw, bool ready)
{
    double in_s = between(draw, 0.25, 0.6);
    enum way way = UPRIGHT_ON_CUP;

    if (draw->second == CUP_AFTER && chance(draw, 0.4)) {
        cup_on_second(draw);
        hands(draw, "lift cup in %.2f", between(draw, 0.3, 0.6));
        pause(draw, 1, 3);
    }
    if (draw->second == CUP_BELOW) { /* the brewer on a stand above it, which the station's scale bears */
        cup_on_second(draw);
        if (chance(draw, 0.5)) {
            hands(draw, "put stand in %.2f", in_s);
            pause(draw, 1.5, 4);
            maybe_tare(draw, 0.25);
            hands(draw, "put brewer in %.2f", between(draw, 0.25, 0.6));
        } else {
            hands(draw, "put stand brewer in %.2f", in_s);
        }
    } else if (rarely(draw, 0.12)) {
        note(draw, "inverted");
        hands(draw, "put brewer plunger in %.2f", in_s);
        way = INVERTED;
    } else if (!ready && rarely(draw, 0.08)) {
        note(draw, "brewer-alone");
        hands(draw, "put brewer in %.2f", in_s);
        way = BREWER_ALONE;
    } else if (chance(draw, 0.6)) {
        note(draw, "cup-then-brewer");
        hands(draw, "put cup in %.2f", in_s);
        pause(draw, 1.5, 5);
        maybe_tare(draw, 0.25);
        hands(draw, "put brewer in %.2f", between(draw, 0.25, 0.6));
    } else {
        note(draw, "together");
        hands(draw, "put cup brewer in %.2f", in_s);
    }
    pause(draw, 1.5, 6);
    return way;
}

static void dose(struct draw *draw, bool ready)
{
    double dose_g = between(draw, 11, 22);

    maybe_tare(draw, 0.6);
    if (ready) {
        note(draw, "ready");
        return;
    }
    if (chance(draw, 0.6)) {
        note(draw, "weighed-in");
        hands(draw, "coffee %.2f in %.2f", dose_g, between(draw, 3, 10));
        if (chance(draw, 0.3)) { /* a pinch more */
            double pinch_g = between(draw, 0.1, 0.6);

            pause(draw, 1, 3);
            hands(draw, "coffee %.2f in %.2f", pinch_g, between(draw, 0.5, 1.5));
        }
    } else {
        note(draw, "tipped-in");
        hands(draw, "coffee %.2f in %.2f", dose_g, between(draw, 0.5, 1.5));
    }
    pause(draw, 2, 10);
    if (chance(draw, 0.2)) { /* tapped level */
        hands(draw, "knock %.1f", between(draw, 5, 40));
        pause(draw, 1.5, 3);
    }
    maybe_tare(draw, 0.6);
}

static void water(struct draw *draw)
{
    double water_g = between(draw, 150, 260), flow = between(draw, 5, 16);

    if (chance(draw, 0.35)) {
        double bloom_g = between(draw, 25, 60);

        note(draw, "bloom");
        hands(draw, "bloom %.1f in %.2f", bloom_g, bloom_g / flow);
        pause(draw, 15, 45);
        water_g -= bloom_g;
    }
    if (rarely(draw, 0.2)) {
        note(draw, "two-pours");
        hands(draw, "pour %.1f in %.2f", water_g * 0.5, water_g * 0.5 / flow);
        pause(draw, 6, 20);
        water_g *= 0.5;
    }
    hands(draw, "pour %.1f in %.2f", water_g, water_g / flow);
    pause(draw, 1.5, 5);
    maybe_knock(draw);
}

/* Stirs, plunger, waiting: until the press may begin.  Returns whether the plunger is on. */
static void steep(struct draw *draw, bool inverted)
{
    bool plunger_on = inverted;

    if (chance(draw, 0.3)) {
        note(draw, "stir-early");
        hands(draw, "stir %.2f", between(draw, 4, 12));
        pause(draw, 1.5, 4);
    }
    if (!inverted && chance(draw, 0.8)) {
        hands(draw, "put plunger in %.2f", between(draw, 0.3, 0.7));
        plunger_on = true;
    }
    pause(draw, 20, 150);
    maybe_knock(draw);
    if (!inverted && plunger_on && chance(draw, 0.35)) {
        note(draw, "stir-late");
        hands(draw, "lift plunger in %.2f", between(draw, 0.4, 0.8));
        pause(draw, 1.5, 4);
        hands(draw, "stir %.2f", between(draw, 4, 12));
        pause(draw, 1.5, 4);
        hands(draw, "put plunger in %.2f", between(draw, 0.3, 0.7));
        pause(draw, 15, 40);
    } else if (chance(draw, 0.35)) {
        note(draw, "swirl");
        hands(draw, "swirl %.2f", between(draw, 3, 8));
        pause(draw, 15, 40);
    }
    if (!plunger_on) {
        hands(draw, "put plunger in %.2f", between(draw, 0.3, 0.7));
        pause(draw, 1.5, 5);
    }
}

static void press_on_scale(struct draw *draw)
{
    double force_g = chance(draw, 0.5) ? between(draw, 1500, 2800) : between(draw, 4000, 16000);
    double share = chance(draw, 0.8) ? 1 : between(draw, 0.9, 0.98);
    bool two_goes = rarely(draw, 0.2);

    note(draw, force_g < 2900 ? "press-gently" : "press-hard");
    if (two_goes) {
        note(draw, "two-goes");
        hands(draw, "press %.0f in %.2f share %.3f", force_g, between(draw, 6, 14), share / 2);
        pause(draw, 2, 6);
        share /= 2;
    }
    hands(draw, "press %.0f in %.2f share %.3f", force_g, between(draw, 12, 40), share);
    pause(draw, 1.5, 6);
    if (draw->second != CUP_AFTER && chance(draw, 0.8)) {
        note(draw, "cup-stays");
        hands(draw, "lift brewer plunger in %.2f", between(draw, 0.4, 1));
    } else {
        note(draw, "cup-returns");
        hands(draw, "lift %s in %.2f", lifted(draw), between(draw, 0.3, 0.7));
        pause(draw, 4, 15);
        hands(draw, "put cup in %.2f%s", between(draw, 0.3, 0.6), cup_place(draw));
    }
}

static void press_beside(struct draw *draw)
{
    double force_g = between(draw, 2000, 16000), share = chance(draw, 0.8) ? 1 : between(draw, 0.9, 0.98);

    note(draw, "press-beside");
    hands(draw, "lift %s in %.2f", lifted(draw), between(draw, 0.3, 0.7));
    pause(draw, 2, 6);
    hands(draw, "press %.0f in %.2f share %.3f", force_g, between(draw, 12, 40), share);
    pause(draw, 3, 12);
    hands(draw, "put cup in %.2f%s", between(draw, 0.3, 0.6), cup_place(draw));
}

static void turn_over(struct draw *draw)
{
    if (chance(draw, 0.5)) {
        hands(draw, "put cup in %.2f", between(draw, 0.3, 0.6)); /* upside down on top first */
        pause(draw, 1.5, 4);
    }
    hands(draw, "lift all in %.2f", between(draw, 0.3, 0.7));
    pause(draw, 0.5, 2);
    hands(draw, "turn %.2f", between(draw, 1, 2.5));
}

/* The cup that was weighed goes away for a sample, and comes back. */
static void take_sample(struct draw *draw)
{
    note(draw, "cup-back");
    hands(draw, "lift cup in %.2f", between(draw, 0.3, 0.6));
    pause(draw, 5, 25);
    hands(draw, "put cup in %.2f%s", between(draw, 0.3, 0.6), cup_place(draw));
    pause(draw, 4, 15);
}

static void draw_second(struct draw *draw)
{
    draw->second = NO_SECOND;
    if (!draw->has_second)
        return;
    if (rarely(draw, 0.35)) {
        draw->second = CUP_BELOW;
        note(draw, "cup-below");
    } else if (rarely(draw, 0.5)) {
        draw->second = CUP_AFTER;
        note(draw, "cup-after");
    }
}

/* The things of a brew, drawn one after the other: in which order arguments are evaluated is a compiler's choice. */
static void things(struct draw *draw, bool ready)
{
    double cup_g = between(draw, 180, 420), brewer_g = between(draw, 150, 230), plunger_g = between(draw, 45, 90);
    double stand_g = between(draw, 250, 700), drip_g_per_s = draw->second == CUP_BELOW ? between(draw, 0, 0.3) : 0;
    double ready_g = ready ? between(draw, 11, 22) : 0, retained = between(draw, 1.8, 2.3);
    double most_pct = between(draw, 20, 27), at_once_pct = between(draw, 4, 9), per_s = between(draw, 0.008, 0.03);
    double water_c = between(draw, 82, 98), evaporation_g_per_s = between(draw, 0, 0.002);

    hands(draw,
          "brew cup %.1f brewer %.1f plunger %.1f stand %.1f drip %.3f ready %.2f retained %.3f most %.2f "
          "at-once %.2f per-s %.4f water-c %.1f evaporation %.4f",
          cup_g, brewer_g, plunger_g, stand_g, drip_g_per_s, ready_g, retained, most_pct, at_once_pct, per_s, water_c,
          evaporation_g_per_s);
}

static void press(struct draw *draw, enum way way)
{
    if (way == INVERTED)
        turn_over(draw);
    if (way == BREWER_ALONE || chance(draw, 0.45)) {
        press_beside(draw);
        return;
    }
    if (way == INVERTED) {
        pause(draw, 0.3, 1);
        hands(draw, "put cup brewer plunger in %.2f", between(draw, 0.3, 0.6));
        pause(draw, 1.5, 6);
    }
    press_on_scale(draw);
}

static void brew(struct draw *draw)
{
    bool ready = rarely(draw, 0.12), in_a_row = rarely(draw, 0.5);
    enum way way;

    draw_second(draw);
    draw->tared = false;
    things(draw, ready);
    pause(draw, 1, 4);
    way = arrive(draw, ready);
    dose(draw, ready);
    if (rarely(draw, 0.03)) { /* somebody thinks better of it */
        note(draw, "no-water");
        hands(draw, "lift all in 0.5");
        hands(draw, "abandon");
        pause(draw, 5, 30);
        return;
    }
    water(draw);
    if (rarely(draw, 0.04)) {
        note(draw, "abandoned");
        pause(draw, 5, 30);
        hands(draw, "lift all in 0.5");
        hands(draw, "abandon");
        pause(draw, 15, 30);
        return;
    }
    steep(draw, way == INVERTED);
    press(draw, way);
    pause(draw, 4, 15);
    if (rarely(draw, 0.15))
        take_sample(draw);
    if (!draw->tared)
        note(draw, "no-tare");
    hands(draw, "lift all in %.2f", between(draw, 0.3, 0.6));
    pause(draw, 3, in_a_row ? 4 : 40);
}

static int draw_begin(struct draw *draw, struct model_script *script, unsigned long seed, double wild)
{
    memset(script, 0, sizeof *script);
    *draw = (struct draw){ .script = script, .random = gsl_rng_alloc(gsl_rng_mt19937), .wild = wild };
    if (!draw->random)
        return -1;
    gsl_rng_set(draw->random, seed);
    return 0;
}

void model_script_random(struct model_script *script, unsigned long seed, int brews, double wild, bool second)
{
    struct draw draw;

    if (draw_begin(&draw, script, seed, wild) < 0)
        return;
    draw.has_second = second;
    for (int i = 0; i < brews; i++) {
        if (i)
            note(&draw, "/");
        brew(&draw);
    }
    gsl_rng_free(draw.random);
}

void model_script_knocks(struct model_script *script, unsigned long seed, double hours)
{
    double left_s = hours * 3600;
    struct draw draw;

    if (draw_begin(&draw, script, seed, 1) < 0)
        return;
    hands(&draw, "brew");
    note(&draw, "knocks");
    /* As many things as a script has lines for, spread over the hours; the drift runs through all of them. */
    for (int i = 0; i < 40; i++) {
        hands(&draw, "drift %.3f in %.0f", (i % 4 == 3 ? -0.05 : 0.085), between(&draw, 0.4, 0.9) * left_s / 40);
        switch (gsl_rng_uniform_int(draw.random, 6)) {
        case 0:
            hands(&draw, "put cup in %.2f", between(&draw, 0.3, 0.6));
            pause(&draw, 5, 120);
            hands(&draw, "lift cup in %.2f", between(&draw, 0.3, 0.6));
            break;
        case 1:
            for (int wipe = 0; wipe < 3; wipe++)
                hands(&draw, "lean %.0f for %.2f", between(&draw, 20, 400), between(&draw, 0.8, 3));
            break;
        case 2:
            hands(&draw, "draught %.2f for %.0f", between(&draw, 0.2, 2), between(&draw, 10, 300));
            break;
        case 3:
            hands(&draw, "tare");
            break;
        case 4:
            hands(&draw, "put cup brewer in %.2f", between(&draw, 0.3, 0.6));
            pause(&draw, 20, 300);
            hands(&draw, "lift all in %.2f", between(&draw, 0.3, 0.6));
            break;
        default:
            hands(&draw, "knock %.0f", between(&draw, 5, 600));
            break;
        }
    }
    hands(&draw, "wait 60");
    for (int i = 0; i < script->action_count; i++) /* exactly so many hours */
        left_s -= script->action[i].duration_s;
    if (left_s > 0)
        hands(&draw, "wait %.0f", left_s);
    gsl_rng_free(draw.random);
}
