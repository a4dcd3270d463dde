/* What goes on at a bench while something brews, and for hours while nothing does.  Not for brews. */
#include "kitchen_parts.h"

#include <math.h>
#include <string.h>

static void lean(struct kitchen_session *session, double from_s, double seconds, double grams)
{
    struct force hand = { .shape = FORCE_HAND,
                          .from_s = from_s,
                          .to_s = from_s + seconds,
                          .amount_g = grams,
                          .rise_s = fmin(seconds / 3, draw(session, 0.15, 0.5)),
                          .fall_s = fmin(seconds / 3, 0.3),
                          .power = draw(session, 1, 2),
                          .wander = draw(session, 0.02, 0.3) };

    add_waves(session, &hand, 0.5, 4);
    add_force(session, hand);
    session->script->now_s = from_s;
    record(session, "somebody leans on it with %.0f g for %.1f s", grams, seconds);
}

static void knock(struct kitchen_session *session, double at_s, double grams)
{
    struct force blow = { .shape = FORCE_BLOW, .from_s = at_s, .amount_g = grams, .rise_s = draw(session, 0.03, 0.25) };

    add_waves(session, &blow, 4, 18);
    add_force(session, blow);
    session->script->now_s = at_s;
    record(session, "a knock of %.0f g", grams);
}

/* So much louder than one of them four waves together are at their peaks. */
#define WAVES_PEAK 1.5

static void tremble(struct kitchen_session *session, double from_s, double seconds, double grams, double least_hz,
                    double most_hz, const char *what)
{
    struct force shake = { .shape = FORCE_SHAKE,
                           .from_s = from_s,
                           .to_s = from_s + seconds,
                           .amount_g = grams / WAVES_PEAK,
                           .rise_s = draw(session, 0.2, 1),
                           .fall_s = draw(session, 0.2, 1) };

    add_waves(session, &shake, least_hz, most_hz);
    add_force(session, shake);
    session->script->now_s = from_s;
    record(session, "%s of %.2f g for %.0f s", what, grams, seconds);
}

static void wipe(struct kitchen_session *session, double from_s, double seconds, double grams)
{
    struct force shake = { .shape = FORCE_SHAKE,
                           .from_s = from_s,
                           .to_s = from_s + seconds,
                           .amount_g = grams,
                           .growth = draw(session, 0.5, 1.5),
                           .rise_s = 0.2,
                           .fall_s = 0.2 };

    add_waves(session, &shake, 0.6, 3);
    add_force(session, shake);
    session->script->now_s = from_s;
    record(session, "a cloth wipes with %.0f g for %.1f s", grams, seconds);
}

/* A moment in which `seconds` pass without anybody's hands, with room before and after; NAN: none. */
static double quiet_moment(struct kitchen_session *session, double seconds, double room_s)
{
    const struct kitchen_script *script = session->script;
    int first = script->quiet_count ? draw_int(session, 0, script->quiet_count - 1) : 0;

    for (int i = 0; i < script->quiet_count; i++) {
        struct quiet quiet = script->quiet[(first + i) % script->quiet_count];
        double spare = quiet.to_s - quiet.from_s - seconds - 2 * room_s;

        if (spare > 0)
            return quiet.from_s + room_s + spare * gsl_rng_uniform(script->random);
    }
    return NAN;
}

void disturb(struct kitchen_session *session, enum disturbance disturbance)
{
    struct kitchen_script *script = session->script;
    double end_s = script->now_s, seconds, at_s;
    int times = disturbance == UNDISTURBED ? 0 : draw_int(session, 1, 3) * session->brew_count;

    if (disturbance == KNOCKS)
        times += 3;

    for (int i = 0; i < times; i++) {
        seconds = disturbance == KNOCKS ? 0.5 : draw(session, 1, 2);
        if (disturbance == GRINDER || disturbance == DRAUGHT) { /* it asks nobody whether it suits */
            bool grinds = disturbance == GRINDER;

            at_s = draw(session, 5, end_s - 30);
            seconds = draw(session, 8, 25);
            tremble(session, at_s, seconds, grinds ? 0.3 : draw(session, 0.1, 0.5), grinds ? 0.4 : 0.1,
                    grinds ? 4 : 0.5, grinds ? "a grinder runs: shaking" : "a draught");
            continue;
        }
        at_s = quiet_moment(session, seconds, 1.5);
        if (isnan(at_s))
            continue;
        if (disturbance == LEANING)
            lean(session, at_s, seconds, draw_log(session, 20, 400));
        else if (disturbance == KNOCKS)
            knock(session, at_s, draw_log(session, 5, 200));
        else
            wipe(session, at_s, seconds, draw_log(session, 5, 60));
    }
    script->now_s = end_s;
}

/* ---- hours without a brew ---- */

static void thing_comes_and_goes(struct kitchen_session *session, enum thing thing, double least_s, double most_s)
{
    put(session, 1 << thing, 0);
    rest(session, draw_log(session, least_s, most_s), false);
    lift(session, 1 << thing);
}

static void handle_cups(struct kitchen_session *session)
{
    session->script->mass_g[THING_CUP] = draw_log(session, 60, 900);
    thing_comes_and_goes(session, THING_CUP, 0.6, 120);
    if (chance(session, 0.3)) {
        rest(session, draw(session, 0.5, 10), false);
        session->script->mass_g[THING_NEXT_CUP] = draw_log(session, 60, 900);
        thing_comes_and_goes(session, THING_NEXT_CUP, 2, 40);
    }
    if (chance(session, 0.15)) {
        rest(session, draw(session, 1, 5), false);
        touch_tare(session, 0);
    }
}

static void handle_dishes(struct kitchen_session *session)
{
    struct kitchen_script *script = session->script;
    int acts = draw_int(session, 3, 12);

    for (int i = 0; i < acts; i++) {
        int thing = draw_int(session, 0, THINGS - 1);

        if (script->on[thing] >= 0) {
            lift(session, 1 << thing);
        } else {
            script->mass_g[thing] = draw_log(session, 15, 500);
            put(session, 1 << thing, 0);
        }
        rest(session, draw_log(session, 0.8, 30), false);
    }
    for (int i = 0; i < THINGS; i++)
        if (script->on[i] >= 0)
            lift(session, 1 << i);
}

static void fill_kettle(struct kitchen_session *session)
{
    double water_g, flow_g_per_s;

    session->script->mass_g[THING_BREWER] = draw(session, 500, 900);
    put(session, BREWER, 0);
    rest(session, draw(session, 0.8, 4), false);
    if (chance(session, 0.3)) {
        touch_tare(session, 0);
        rest(session, draw(session, 1, 3), false);
    }
    water_g = draw(session, 250, 1000);
    flow_g_per_s = draw(session, 20, 60);
    pour(session, water_g, flow_g_per_s, draw(session, 0.1, 0.6));
    rest(session, draw(session, 1, 8), false);
    if (chance(session, 0.2)) { /* it boils where it stands, and steam goes */
        double steam_g = draw(session, 5, 40), seconds = draw(session, 60, 180);

        add_force(session, (struct force){ .shape = FORCE_RAMP,
                                           .from_s = session->script->now_s,
                                           .to_s = session->script->now_s + seconds,
                                           .amount_g = -steam_g });
        record(session, "it boils for %.0f s and loses %.0f g", seconds, steam_g);
        session->script->mass_g[THING_BREWER] -= steam_g;
        session->script->now_s += seconds;
    }
    lift(session, BREWER);
}

static void weigh_beans(struct kitchen_session *session)
{
    double empty_g = draw(session, 30, 120), beans_g = draw(session, 12, 24);
    bool clumps = chance(session, 0.5);

    session->script->mass_g[THING_BREWER] = empty_g;
    put(session, BREWER, 0);
    rest(session, draw(session, 1, 4), false);
    touch_tare(session, 0);
    rest(session, draw(session, 1, 3), false);
    tip_coffee(session, beans_g, draw(session, 1, 5), clumps);
    for (int i = draw_int(session, 0, 4); i > 0; i--) { /* bean by bean to the mark */
        rest(session, draw(session, 0.4, 1.5), false);
        tip_coffee(session, draw(session, 0.1, 0.4), 0.05, false);
    }
    rest(session, draw(session, 1, 6), false);
    lift(session, BREWER);
    if (chance(session, 0.5)) {
        rest(session, draw(session, 4, 20), false);
        session->script->mass_g[THING_BREWER] = empty_g;
        thing_comes_and_goes(session, THING_BREWER, 1, 60);
    }
}

static void drift(struct kitchen_session *session)
{
    struct kitchen_script *script = session->script;
    double seconds = draw(session, 60, 1200), amount = draw(session, -4, 4) - script->drifted_g;

    add_force(session,
              (struct force){
                  .shape = FORCE_RAMP, .from_s = script->now_s, .to_s = script->now_s + seconds, .amount_g = amount });
    record(session, "the zero drifts by %.1f g in %.0f s", amount, seconds);
    script->drifted_g += amount;
    rest(session, seconds, false);
}

static void lean_on_it(struct kitchen_session *session)
{
    double seconds = draw(session, 1, 2);

    lean(session, session->script->now_s, seconds, draw_log(session, 20, 4000));
    rest(session, seconds, false);
}

static void knock_it(struct kitchen_session *session)
{
    knock(session, session->script->now_s, draw_log(session, 5, 400));
}

static void wipe_it(struct kitchen_session *session)
{
    double seconds = draw(session, 1, 6);

    wipe(session, session->script->now_s, seconds, draw_log(session, 5, 300));
    rest(session, seconds, false);
}

static void grind(struct kitchen_session *session)
{
    double seconds = draw(session, 8, 40);

    tremble(session, session->script->now_s, seconds, draw(session, 0.2, 0.6), 0.4, 6, "a grinder runs: shaking");
    rest(session, seconds, false);
}

static void let_air_move(struct kitchen_session *session)
{
    double seconds = draw(session, 5, 60);

    tremble(session, session->script->now_s, seconds, draw_log(session, 0.2, 2), 0.05, 0.6, "a draught");
    rest(session, seconds, false);
}

void bench_hours(struct kitchen_session *session, double hours)
{
    static const struct {
        const char *family;
        void (*act)(struct kitchen_session *session);
    } acts[] = {
        { "bench-leaning", lean_on_it },    { "bench-knocks", knock_it },  { "bench-cloth", wipe_it },
        { "bench-grinder", grind },         { "bench-cups", handle_cups }, { "bench-dishes", handle_dishes },
        { "bench-draughts", let_air_move }, { "bench-drift", drift },      { "bench-kettle", fill_kettle },
        { "bench-beans", weigh_beans },
    };
    size_t which = 0;

    while (strcmp(acts[which].family, kitchen_family(session->family)->name) != 0)
        which++;
    while (session->script->now_s < hours * 3600 && !session->script->out_of_memory) {
        rest(session, draw_log(session, 8, 300), false);
        acts[which].act(session);
        rest(session, 4, false);
    }
}
