/* What one pair of hands does at a bench: each act presses on a scale, takes its time and keeps the ledger of what
 * stands where.  Not for the order of a brew. */
#include "kitchen_parts.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>

double draw(struct kitchen_session *session, double least, double most)
{
    return least + (most - least) * gsl_rng_uniform(session->script->random);
}

double draw_log(struct kitchen_session *session, double least, double most)
{
    return exp(draw(session, log(least), log(most)));
}

bool chance(struct kitchen_session *session, double share)
{
    return gsl_rng_uniform(session->script->random) < share;
}

int draw_int(struct kitchen_session *session, int least, int most)
{
    return least + (int)gsl_rng_uniform_int(session->script->random, (unsigned long)(most - least + 1));
}

/* One more at the end of a growing array; NULL and a note without memory. */
static void *one_more(struct kitchen_script *script, void *array, int *count, int *room, size_t size)
{
    void **list = array;

    if (*count == *room) {
        int more = *room ? 2 * *room : 64;
        void *moved = realloc(*list, (size_t)more * size);

        if (!moved) {
            script->out_of_memory = true;
            return NULL;
        }
        *list = moved;
        *room = more;
    }
    return (char *)*list + (size_t)(*count)++ * size;
}

void record(struct kitchen_session *session, const char *format, ...)
{
    struct kitchen_script *script = session->script;
    struct script_line *line = one_more(script, &script->line, &script->line_count, &script->line_room, sizeof *line);
    va_list arguments;

    if (!line)
        return;
    line->at_s = script->now_s;
    va_start(arguments, format);
    vsnprintf(line->text, sizeof line->text, format, arguments);
    va_end(arguments);
}

void add_force(struct kitchen_session *session, struct force force)
{
    struct kitchen_script *script = session->script;
    struct force *added = one_more(script, &script->force, &script->force_count, &script->force_room, sizeof *added);

    if (added)
        *added = force;
}

void add_waves(struct kitchen_session *session, struct force *force, double least_hz, double most_hz)
{
    for (int i = 0; i < FORCE_WAVES; i++) {
        force->wave[i].hz = draw_log(session, least_hz, most_hz);
        force->wave[i].phase = draw(session, 0, 2 * M_PI);
        force->wave[i].size = draw(session, 0.3, 0.7);
    }
}

void rest(struct kitchen_session *session, double seconds, bool brewing)
{
    struct kitchen_script *script = session->script;

    if (seconds >= 4) {
        struct quiet *quiet =
            one_more(script, &script->quiet, &script->quiet_count, &script->quiet_room, sizeof *quiet);

        if (quiet)
            *quiet = (struct quiet){ script->now_s, script->now_s + seconds, brewing };
    }
    script->now_s += seconds;
}

static const char *const thing_names[THINGS] = { "cup", "brewer", "plunger", "lid", "spoon", "next cup" };

static double mass_of(const struct kitchen_session *session, int things, char names[64])
{
    double sum = 0;
    int length = 0;

    names[0] = 0;
    for (int i = 0; i < THINGS; i++)
        if (things & 1 << i) {
            sum += session->script->mass_g[i];
            length += snprintf(names + length, (size_t)(64 - length), "%s%s", length ? ", " : "", thing_names[i]);
        }
    return sum;
}

double standing_on(const struct kitchen_session *session, int scale)
{
    double sum = 0;

    for (int i = 0; i < THINGS; i++)
        if (session->script->on[i] == scale)
            sum += session->script->mass_g[i];
    return sum;
}

struct span put(struct kitchen_session *session, int things, int scale)
{
    struct kitchen_script *script = session->script;
    char names[64];
    double grams = mass_of(session, things, names),
           length = draw(session, script->landing_least_s, script->landing_most_s);
    struct span span = { script->now_s, script->now_s + length };

    record(session, "put %s (%.2f g) on scale %d in %.2f s", names, grams, scale + 1, length);
    add_force(session, (struct force){ .shape = FORCE_STEP,
                                       .scale = scale,
                                       .from_s = span.from_s,
                                       .to_s = span.to_s,
                                       .amount_g = grams,
                                       .power = draw(session, 1.5, 4) });
    if (chance(session, 0.6)) { /* it lands with a blow */
        struct force blow = { .shape = FORCE_BLOW,
                              .scale = scale,
                              .from_s = span.from_s + 0.8 * length,
                              .amount_g = grams * draw(session, 0.02, 0.25),
                              .rise_s = draw(session, 0.02, 0.09) };

        add_waves(session, &blow, 6, 20);
        add_force(session, blow);
    }
    if (chance(session, 0.25)) { /* the hand does not let go at once */
        double stays = draw(session, 0.2, 0.7);

        add_force(session, (struct force){ .shape = FORCE_HAND,
                                           .scale = scale,
                                           .from_s = span.from_s + 0.6 * length,
                                           .to_s = span.to_s + stays,
                                           .amount_g = draw(session, -0.08, 0.12) * fmin(grams, 300),
                                           .rise_s = 0.1,
                                           .fall_s = 0.15,
                                           .power = 1 });
        script->now_s += stays;
    }
    for (int i = 0; i < THINGS; i++)
        if (things & 1 << i)
            script->on[i] = scale;
    script->now_s += length;
    return span;
}

struct span lift(struct kitchen_session *session, int things)
{
    struct kitchen_script *script = session->script;
    char names[64];
    double length = draw(session, 0.15, 0.7), grasp = chance(session, 0.5) ? draw(session, 0.1, 0.4) : 0;
    struct span span = { script->now_s + grasp, script->now_s + grasp + length };
    double grams;
    int scale = -1;

    for (int i = 0; i < THINGS; i++) /* what stands elsewhere is not lifted */
        if (things & 1 << i) {
            if (script->on[i] < 0)
                things &= ~(1 << i);
            else
                scale = script->on[i];
        }
    if (!things)
        return (struct span){ script->now_s, script->now_s };
    grams = mass_of(session, things, names);
    record(session, "lift %s (%.2f g) off scale %d in %.2f s", names, grams, scale + 1, length);
    if (grasp > 0) /* the hand takes hold: a push or a pull of a few grams */
        add_force(session, (struct force){ .shape = FORCE_HAND,
                                           .scale = scale,
                                           .from_s = script->now_s,
                                           .to_s = span.from_s + 0.5 * length,
                                           .amount_g = draw(session, -12, 30),
                                           .rise_s = 0.08,
                                           .fall_s = 0.1,
                                           .power = 1 });
    add_force(session, (struct force){ .shape = FORCE_STEP,
                                       .scale = scale,
                                       .from_s = span.from_s,
                                       .to_s = span.to_s,
                                       .amount_g = -grams,
                                       .power = draw(session, 1.3, 3) });
    for (int i = 0; i < THINGS; i++)
        if (things & 1 << i)
            script->on[i] = -1;
    script->now_s = span.to_s;
    return span;
}

void touch_tare(struct kitchen_session *session, int scale)
{
    struct kitchen_script *script = session->script;
    struct key *key = one_more(script, &script->tare, &script->tare_count, &script->tare_room, sizeof *key);

    if (!key)
        return;
    *key = (struct key){ script->now_s, scale };
    record(session, "tare scale %d %s", scale + 1, script->orders_tares ? "by an order" : "at its key");
    if (script->orders_tares) {
        if (session->tare_order_count < KITCHEN_ORDERS)
            session->tare_order[session->tare_order_count++] = (struct kitchen_order){ script->now_s, scale };
    } else if (session->scale[scale].tare_waits) { /* a key under a finger: it presses on the whole scale */
        add_force(session, (struct force){ .shape = FORCE_HAND,
                                           .scale = scale,
                                           .from_s = script->now_s - 0.15,
                                           .to_s = script->now_s + 0.08,
                                           .amount_g = draw(session, 3, 60),
                                           .rise_s = 0.05,
                                           .fall_s = 0.05,
                                           .power = 1 });
    }
}

struct span tip_coffee(struct kitchen_session *session, double grams, double seconds, bool clumps)
{
    struct kitchen_script *script = session->script;
    int scale = script->on[THING_BREWER];
    struct span span = { script->now_s, script->now_s + seconds };

    record(session, "tip in %.2f g of coffee over %.1f s%s", grams, seconds, clumps ? ", in clumps" : "");
    if (clumps) {
        int lumps = draw_int(session, 2, 5);
        double left = grams, at_s = span.from_s;

        for (int i = 0; i < lumps; i++) {
            double lump = i == lumps - 1 ? left : left * draw(session, 0.2, 0.6), length = draw(session, 0.03, 0.12);

            add_force(session, (struct force){ .shape = FORCE_STEP,
                                               .scale = scale,
                                               .from_s = at_s,
                                               .to_s = at_s + length,
                                               .amount_g = lump,
                                               .power = 2 });
            left -= lump;
            if (i == lumps - 1)
                span.to_s = at_s + length;
            at_s += fmax(length, seconds / lumps * draw(session, 0.5, 1.3));
        }
    } else {
        add_force(session, (struct force){ .shape = FORCE_STREAM,
                                           .scale = scale,
                                           .from_s = span.from_s,
                                           .to_s = span.to_s,
                                           .amount_g = grams,
                                           .rise_s = seconds * draw(session, 0.05, 0.3),
                                           .fall_s = seconds * draw(session, 0.05, 0.4),
                                           .wander = draw(session, 0, 0.14) });
    }
    script->mass_g[THING_BREWER] += grams;
    script->now_s = span.to_s;
    return span;
}

struct span pour(struct kitchen_session *session, double grams, double flow_g_per_s, double ramp_s)
{
    struct kitchen_script *script = session->script;
    double fall_s = draw(session, 0.1, 0.5), length = grams / flow_g_per_s + (ramp_s + fall_s) / 2;
    struct span span = { script->now_s, script->now_s + length };
    double drops = chance(session, 0.4) ? draw(session, 0.3, 0.7) : 0;

    fall_s = fmin(fall_s, length / 3);
    ramp_s = fmax(0.01, fmin(ramp_s, length / 3));
    record(session, "pour %.1f g at about %.1f g/s over %.1f s", grams, flow_g_per_s, length);
    add_force(session, (struct force){ .shape = FORCE_STREAM,
                                       .scale = script->on[THING_BREWER],
                                       .from_s = span.from_s,
                                       .to_s = span.to_s,
                                       .amount_g = grams - drops,
                                       .rise_s = ramp_s,
                                       .fall_s = fall_s,
                                       .wander = draw(session, 0, 0.14) });
    if (drops > 0) { /* the spout drips once more */
        double at_s = span.to_s + draw(session, 0, 0.2);

        add_force(session, (struct force){ .shape = FORCE_STEP,
                                           .scale = script->on[THING_BREWER],
                                           .from_s = at_s,
                                           .to_s = at_s + 0.05,
                                           .amount_g = drops,
                                           .power = 2 });
        span.to_s = at_s + 0.05;
    }
    script->mass_g[THING_BREWER] += grams;
    script->now_s = span.to_s;
    return span;
}

struct span shake_brewer(struct kitchen_session *session, bool spoon, double seconds)
{
    struct kitchen_script *script = session->script;
    struct span span = { script->now_s, script->now_s + seconds };
    struct force shake = { .shape = FORCE_SHAKE,
                           .scale = script->on[THING_BREWER],
                           .from_s = span.from_s,
                           .to_s = span.to_s,
                           .rise_s = draw(session, 0.1, 0.4),
                           .fall_s = draw(session, 0.1, 0.4) };

    record(session, "%s for %.1f s", spoon ? "stir with a spoon" : "swirl", seconds);
    if (spoon) { /* the spoon leans and lifts with each round */
        shake.amount_g = draw_log(session, 2, 18);
        shake.growth = draw(session, 0, 0.8);
        add_waves(session, &shake, 0.7, 5);
    } else { /* the hand that swirls carries some of the weight, and then not */
        shake.amount_g = draw_log(session, 6, 90);
        shake.growth = draw(session, -1, 0.6);
        add_waves(session, &shake, 0.9, 3);
    }
    add_force(session, shake);
    script->now_s = span.to_s;
    return span;
}

struct span press(struct kitchen_session *session, const struct push *push)
{
    struct kitchen_script *script = session->script;
    struct span span = { script->now_s, script->now_s + push->seconds };
    struct force force = { .shape = FORCE_HAND,
                           .scale = script->on[THING_BREWER],
                           .from_s = span.from_s,
                           .to_s = span.to_s,
                           .amount_g = push->peak_g / (1 + fmax(0, push->growth)),
                           .rise_s = push->rise_s,
                           .fall_s = push->fall_s,
                           .power = push->power,
                           .growth = push->growth,
                           .wander = push->wander };

    if (push->wander > 0)
        add_waves(session, &force, push->least_hz, push->most_hz);
    record(session, "press with about %.0f g for %.1f s", push->peak_g, push->seconds);
    if (force.scale >= 0)
        add_force(session, force);
    script->now_s = span.to_s;
    return span;
}
