/* One brew from the first thing set down to the last taken away, and its truth.  Not for what else goes on meanwhile.
 */
#include "kitchen_parts.h"

#include <math.h>

/* Standard gravity (CGPM 1901) turns grams shown into newtons; over square millimetres that gives MPa. */
static double kilopascals(double grams, double piston_mm)
{
    return grams / 1000 * 9.80665 / (M_PI / 4 * piston_mm * piston_mm) * 1000;
}

static struct kitchen_truth *truth_of(struct kitchen_session *session)
{
    return &session->brew[session->brew_count - 1];
}

static struct kitchen_mark *mark(struct kitchen_session *session, enum kitchen_stage stage, double at_s)
{
    struct kitchen_truth *truth = truth_of(session);
    int last = truth->mark_count < KITCHEN_MARKS ? truth->mark_count++ : KITCHEN_MARKS - 1;

    truth->mark[last] = (struct kitchen_mark){ .stage = stage, .at_s = at_s };
    return &truth->mark[last];
}

void usual_ways(struct kitchen_session *session, struct ways *ways)
{
    double dose_g = chance(session, 0.5) ? draw(session, 14.5, 15.5) : draw(session, 11, 22);

    *ways = (struct ways){ .arrangement = chance(session, 0.12)  ? UPSIDE_DOWN
                                          : chance(session, 0.7) ? CUP_FIRST
                                                                 : TOGETHER,
                           .cup_shown_first = chance(session, 0.7),
                           .tare_cup = chance(session, 0.25),
                           .tare_brewer = chance(session, 0.6),
                           .tare_dose = chance(session, 0.55),
                           .rest_least_s = 1.5,
                           .rest_most_s = 6,
                           .dose_g = dose_g,
                           .dose_ready = chance(session, 0.06),
                           .dose_tips = 1,
                           .tip_s = draw(session, 0.8, 4),
                           .tip_gap_s = draw(session, 1, 4),
                           .water_g = dose_g * draw(session, 13, 17),
                           .flow_g_per_s = draw_log(session, 4.5, 20),
                           .ramp_s = draw(session, 0.2, 1.2),
                           .tare_to_pour_s = NAN,
                           .pulses = 1,
                           .pulse_gap_s = 10,
                           .lid_after_s = NAN,
                           .plunger_at_once = chance(session, 0.25),
                           .stirs = 1,
                           .stir_s = draw(session, 4, 15),
                           .steep_s = draw(session, 40, 180),
                           .plunger_to_press_s = draw(session, 1.2, 5),
                           .beside = chance(session, 0.55),
                           .goes = 1,
                           .goes_gap_s = 2,
                           .retained_g_per_g = draw(session, 1.7, 2.4),
                           .evaporation_g_per_s = draw(session, 0, 0.004),
                           .brewer_off_after_s = draw(session, 1.5, 8),
                           .cup_alone_s = draw(session, 3, 15),
                           .epilogue_gap_s = 5 };
    if (chance(session, 0.45)) {
        ways->bloom_g = dose_g * draw(session, 1.6, 3.2);
        ways->bloom_wait_s = draw(session, 18, 45);
        ways->bloom_stirred = chance(session, 0.1);
    }
    ways->stir = chance(session, 0.35) ? NO_STIR : chance(session, 0.6) ? STIR_SPOON : STIR_SWIRL;
    ways->cup_put_back = chance(session, 0.15);
    ways->push = (struct push){ .peak_g = draw_log(session, 900, 6000),
                                .seconds = draw(session, 12, 42),
                                .rise_s = draw(session, 0.3, 1.2),
                                .fall_s = draw(session, 0.15, 0.6),
                                .power = draw(session, 1, 2),
                                .growth = draw(session, 0, 0.5),
                                .wander = draw(session, 0.02, 0.12),
                                .least_hz = 0.2,
                                .most_hz = 3 };
    ways->carry_s = ways->push.seconds + draw(session, 6, 20);
}

static void pause(struct kitchen_session *session, const struct ways *ways)
{
    rest(session, draw(session, ways->rest_least_s, ways->rest_most_s), true);
}

/* Touches the key and waits for the zero, as people do. */
static void tare(struct kitchen_session *session, const struct ways *ways, int scale, double then_s)
{
    const struct kitchen_scale *instrument = &session->scale[scale];

    touch_tare(session, scale);
    rest(session, instrument->tare_delay_s + instrument->tare_slide_s + (instrument->tare_waits ? 1 : 0), true);
    if (isnan(then_s))
        pause(session, ways);
    else
        rest(session, then_s, true);
}

/* Cup and brewer come to the scale; the coffee with them where it is brought ready. */
static void set_up(struct kitchen_session *session, const struct ways *ways)
{
    struct kitchen_script *script = session->script;
    struct kitchen_truth *truth = truth_of(session);
    struct span brewer_put;
    bool cup_stands = script->on[THING_CUP] == 0;

    if (ways->dose_ready)
        script->mass_g[THING_BREWER] += ways->dose_g;
    if (ways->cup_shown_on_second && session->scale_count > 1 && !cup_stands) {
        truth->began_s = put(session, CUP, 1).from_s;
        pause(session, ways);
        lift(session, CUP);
        rest(session, draw(session, 0.5, 2), true);
        truth->cup_seen_empty = true;
        cup_stands = false;
    }
    if (!cup_stands
        && (ways->arrangement == CUP_FIRST || (ways->arrangement == UPSIDE_DOWN && ways->cup_shown_first))) {
        double from_s = put(session, CUP, 0).from_s;

        if (isnan(truth->began_s))
            truth->began_s = from_s;
        pause(session, ways);
        truth->cup_seen_empty = true;
    } else if (cup_stands) {
        truth->cup_seen_empty = true;
    }
    if (script->on[THING_CUP] == 0 && ways->arrangement != UPSIDE_DOWN && ways->tare_cup)
        tare(session, ways, 0, NAN);
    if (script->on[THING_CUP] == 0 && ways->arrangement == UPSIDE_DOWN) {
        lift(session, CUP);
        rest(session, draw(session, 1, 4), true);
    }
    if (ways->arrangement == UPSIDE_DOWN)
        brewer_put = put(session, BREWER | PLUNGER, 0);
    else
        brewer_put = put(session, script->on[THING_CUP] == 0 ? BREWER : CUP | BREWER, 0);
    if (isnan(truth->began_s))
        truth->began_s = brewer_put.from_s;
    if (ways->dose_ready) {
        struct kitchen_mark *dose = mark(session, KITCHEN_DOSE, brewer_put.from_s);

        dose->optional = dose->untimed = true;
    }
    pause(session, ways);
    if (ways->tare_brewer)
        tare(session, ways, 0, ways->dose_ready ? ways->tare_to_pour_s : NAN);
}

static void add_dose(struct kitchen_session *session, const struct ways *ways)
{
    struct kitchen_truth *truth = truth_of(session);
    double left = ways->dose_g;

    truth->dose_g = ways->dose_g;
    if (ways->dose_ready)
        return;
    truth->dose_seen = true;
    for (int i = 0; i < ways->dose_tips; i++) {
        bool last = i == ways->dose_tips - 1;
        double part = last ? left : left * draw(session, 0.35, 0.7);
        struct span tipped = tip_coffee(session, part, ways->tip_s, ways->clumps);

        left -= part;
        if (i == 0)
            mark(session, KITCHEN_DOSE, tipped.from_s);
        if (!last)
            rest(session, ways->tip_gap_s, true);
    }
    pause(session, ways);
    if (ways->tare_dose)
        tare(session, ways, 0, ways->tare_to_pour_s);
}

static void stir_once(struct kitchen_session *session, const struct ways *ways, bool with_spoon)
{
    struct kitchen_truth *truth = truth_of(session);
    struct span stirred, spoon_in = { NAN, NAN };

    if (with_spoon && ways->spoon_stays)
        spoon_in = put(session, SPOON, session->script->on[THING_BREWER]);
    stirred = shake_brewer(session, with_spoon, ways->stir_s);
    mark(session, KITCHEN_STIR, isnan(spoon_in.from_s) ? stirred.from_s : spoon_in.from_s);
    mark(session, KITCHEN_SETTLE, stirred.to_s);
    truth->last_stir_end_s = stirred.to_s;
}

static void add_water(struct kitchen_session *session, const struct ways *ways)
{
    struct kitchen_truth *truth = truth_of(session);
    double left = ways->water_g;
    struct span poured = { NAN, NAN };

    truth->water_g = ways->water_g;
    if (ways->bloom_g > 0) {
        poured = pour(session, ways->bloom_g, fmin(ways->flow_g_per_s, 12), ways->ramp_s);
        left -= ways->bloom_g;
        mark(session, KITCHEN_BLOOM, poured.from_s);
        truth->first_water_s = poured.from_s;
        if (ways->bloom_stirred) {
            rest(session, draw(session, 1.5, 3), true);
            stir_once(session, ways, chance(session, 0.5));
        }
        rest(session, fmax(4, poured.to_s + ways->bloom_wait_s - session->script->now_s), true);
    }
    for (int i = 0; i < ways->pulses; i++) {
        bool last = i == ways->pulses - 1, matter_of_taste = ways->pulses > 1 && ways->pulse_gap_s < 8;
        double part = last ? left : left / (ways->pulses - i) * draw(session, 0.8, 1.2);
        struct kitchen_mark *begun;

        poured = pour(session, part, ways->flow_g_per_s, ways->ramp_s);
        left -= part;
        begun = mark(session, KITCHEN_POUR, poured.from_s);
        begun->optional = matter_of_taste && i > 0;
        if (isnan(truth->first_water_s)) {
            truth->first_water_s = poured.from_s;
            begun->or_bloom = truth->bloom_unsure = !last;
        } else if (isnan(truth->second_pour_s)) {
            truth->second_pour_s = poured.from_s;
        }
        mark(session, KITCHEN_STEEP, poured.to_s)->optional = !last && (matter_of_taste || begun->or_bloom);
        if (!last)
            rest(session, ways->pulse_gap_s, true);
    }
}

/* The lid, the stirs, the plunger: until hands are ready to press or to lift. */
static void steep(struct kitchen_session *session, const struct ways *ways)
{
    struct kitchen_script *script = session->script;
    double ready_s = script->now_s + ways->steep_s, stirring_s = ways->stirs * (ways->stir_s + 1);
    bool spoon = ways->stir == STIR_SPOON, plunger_off;

    if (!isnan(ways->lid_after_s)) {
        rest(session, ways->lid_after_s, true);
        put(session, LID, script->on[THING_BREWER]);
    }
    if (ways->plunger_at_once && ways->arrangement != UPSIDE_DOWN) {
        rest(session, draw(session, 1.2, 5), true);
        put(session, PLUNGER, script->on[THING_BREWER]);
    }
    for (int i = 0; i < ways->stirs && ways->stir != NO_STIR; i++) {
        double room = (ready_s - script->now_s - stirring_s) * draw(session, 0.05, 0.7);

        rest(session, fmax(1.5, room), true);
        plunger_off = spoon && script->on[THING_PLUNGER] >= 0 && ways->arrangement != UPSIDE_DOWN;
        if (spoon && (plunger_off || script->on[THING_LID] >= 0)) {
            lift(session, plunger_off ? PLUNGER | LID : LID);
            rest(session, draw(session, 0.8, 2), true);
        }
        stir_once(session, ways, spoon);
        if (plunger_off) {
            rest(session, draw(session, 0.8, 2.5), true);
            put(session, PLUNGER, script->on[THING_BREWER]);
        }
        stirring_s -= ways->stir_s + 1;
    }
    rest(session, fmax(4, ready_s - script->now_s), true);
    if (script->on[THING_SPOON] >= 0) {
        lift(session, SPOON);
        rest(session, draw(session, 1.2, 3), true);
    }
    if (script->on[THING_LID] >= 0 && ways->arrangement != UPSIDE_DOWN) {
        lift(session, LID);
        rest(session, draw(session, 1.2, 3), true);
    }
    if (script->on[THING_PLUNGER] < 0 && (!ways->beside || chance(session, 0.6))) {
        put(session, PLUNGER, script->on[THING_BREWER]);
        rest(session, ways->plunger_to_press_s, true);
    }
}

static void evaporate(struct kitchen_session *session, const struct ways *ways)
{
    struct kitchen_script *script = session->script;
    struct kitchen_truth *truth = truth_of(session);
    double gone = ways->evaporation_g_per_s * (script->now_s - truth->first_water_s);

    if (gone <= 0 || script->on[THING_BREWER] < 0)
        return;
    add_force(session, (struct force){ .shape = FORCE_RAMP,
                                       .scale = script->on[THING_BREWER],
                                       .from_s = truth->first_water_s,
                                       .to_s = script->now_s,
                                       .amount_g = -gone });
    record(session, "%.2f g have evaporated", gone);
    script->mass_g[THING_BREWER] -= gone;
    truth->beverage_g = ways->water_g - gone - ways->retained_g_per_g * ways->dose_g;
    truth->retained_g_per_g = (ways->water_g - truth->beverage_g) / ways->dose_g;
}

/* What was pressed through is in the cup. */
static void run_through(struct kitchen_session *session)
{
    struct kitchen_script *script = session->script;
    struct kitchen_truth *truth = truth_of(session);

    script->mass_g[THING_CUP] += truth->beverage_g;
    script->mass_g[THING_BREWER] -= truth->beverage_g;
}

/* The greatest force of the hand, by looking at every 2 ms. */
static double peak_g(const struct force *from, const struct force *to)
{
    double most = 0;

    for (const struct force *force = from; force < to; force++)
        for (double at_s = force->from_s; at_s < force->to_s; at_s += 0.002)
            most = fmax(most, force_at(force, at_s));
    return most;
}

static void press_on_scale(struct kitchen_session *session, const struct ways *ways)
{
    struct kitchen_script *script = session->script;
    struct kitchen_truth *truth = truth_of(session);
    int first = script->force_count;
    struct span pressed;
    double most;

    evaporate(session, ways);
    pressed = press(session, &ways->push);
    truth->force_began_s = pressed.from_s;
    for (int i = 1; i < ways->goes; i++) {
        rest(session, ways->goes_gap_s, true);
        pressed = press(session, &ways->push);
    }
    truth->force_ended_s = pressed.to_s;
    most = script->out_of_memory ? 0 : peak_g(script->force + first, script->force + script->force_count);
    truth->press_seen = true;
    truth->press_peak_kpa = kilopascals(most, session->piston_mm);
    truth->press_overloaded = most + standing_on(session, 0) > session->scale[0].capacity_g;
    mark(session, KITCHEN_PRESS, truth->force_began_s);
    mark(session, KITCHEN_WEIGH, truth->force_ended_s);
    run_through(session);
    rest(session, ways->brewer_off_after_s, true);
    if (ways->ending != CUP_WEIGHED || ways->weigh_on_second || ways->cup_put_back) {
        lift(session, CUP | BREWER | PLUNGER | LID);
        return;
    }
    if (chance(session, 0.3)) { /* the brewer is turned loose */
        struct force twist = { .shape = FORCE_SHAKE,
                               .scale = 0,
                               .from_s = script->now_s,
                               .to_s = script->now_s + draw(session, 0.4, 1.2),
                               .amount_g = draw(session, 10, 80),
                               .rise_s = 0.15,
                               .fall_s = 0.15 };

        add_waves(session, &twist, 1, 6);
        add_force(session, twist);
        script->now_s = twist.to_s;
    }
    mark(session, KITCHEN_STRENGTH, lift(session, BREWER | PLUNGER | LID).to_s);
    truth->cup_weighed = true;
    rest(session, ways->cup_alone_s, true);
}

static void press_beside(struct kitchen_session *session, const struct ways *ways)
{
    struct kitchen_truth *truth = truth_of(session);
    struct span lifted;

    evaporate(session, ways);
    lifted = lift(session, CUP | BREWER | PLUNGER | LID);
    mark(session, KITCHEN_PRESS, lifted.from_s);
    truth->force_began_s = lifted.to_s + draw(session, 2, 5);
    truth->force_ended_s = truth->force_began_s + ways->push.seconds;
    record(session, "press beside the scale from %.1f s to %.1f s", truth->force_began_s, truth->force_ended_s);
    run_through(session);
}

/* The cup comes back from beside the scale, or from where the brewer was taken off it. */
static void weigh_cup(struct kitchen_session *session, const struct ways *ways, bool was_beside)
{
    struct kitchen_truth *truth = truth_of(session);
    int scale = ways->weigh_on_second && session->scale_count > 1 ? 1 : 0;
    struct span put_back = put(session, CUP, scale);

    if (was_beside)
        mark(session, KITCHEN_WEIGH, put_back.from_s);
    mark(session, KITCHEN_STRENGTH, put_back.to_s);
    truth->cup_weighed = true;
    rest(session, ways->cup_alone_s, true);
}

static void park_brewer(struct kitchen_session *session)
{
    put(session, BREWER | PLUNGER, 0);
    rest(session, draw(session, 4, 20), false);
    lift(session, BREWER | PLUNGER);
}

/* The cup goes, another comes, the brewer is parked. */
static void clear_up(struct kitchen_session *session, const struct ways *ways)
{
    struct kitchen_script *script = session->script;
    struct kitchen_truth *truth = truth_of(session);
    bool stays = false;

    script->mass_g[THING_NEXT_CUP] = chance(session, 0.4)
                                         ? script->mass_g[THING_CUP] - truth->beverage_g + draw(session, -3, 3)
                                         : draw(session, 150, 420);
    if (ways->epilogue == NEXT_CUP_BESIDE && script->on[THING_CUP] == 0) {
        put(session, NEXT_CUP, 0);
        rest(session, draw(session, 1.5, 8), false);
        stays = true;
    } else if (ways->epilogue == BREWER_PARKED && script->on[THING_CUP] == 0) {
        put(session, BREWER | PLUNGER, 0);
        rest(session, draw(session, 2, 10), false);
    }
    lift(session, CUP);
    rest(session, ways->epilogue == NEXT_CUP_SOON ? draw(session, 0.7, 1.3) : 0.5, false);
    if (script->on[THING_BREWER] >= 0) {
        rest(session, draw(session, 1, 8), false);
        lift(session, BREWER | PLUNGER);
    }
    truth->ended_s = script->now_s;
    if (ways->epilogue == NEXT_CUP_INSTEAD || ways->epilogue == NEXT_CUP_SOON) {
        if (ways->epilogue == NEXT_CUP_INSTEAD)
            rest(session, ways->epilogue_gap_s, false);
        put(session, NEXT_CUP, 0);
        rest(session, draw(session, 4, 15), false);
        stays = true;
    }
    if (stays && chance(session, 0.5)) { /* it is the cup of the next brew and stays */
        script->mass_g[THING_CUP] = script->mass_g[THING_NEXT_CUP];
        script->on[THING_CUP] = script->on[THING_NEXT_CUP];
        script->on[THING_NEXT_CUP] = -1;
    } else if (stays) {
        lift(session, NEXT_CUP);
    }
}

void brew(struct kitchen_session *session, const struct ways *ways)
{
    struct kitchen_script *script = session->script;
    struct kitchen_truth *truth = &session->brew[session->brew_count++];

    *truth = (struct kitchen_truth){ .began_s = NAN,
                                     .ended_s = NAN,
                                     .dose_g = NAN,
                                     .water_g = NAN,
                                     .beverage_g = NAN,
                                     .retained_g_per_g = NAN,
                                     .first_water_s = NAN,
                                     .second_pour_s = NAN,
                                     .last_stir_end_s = NAN,
                                     .force_began_s = NAN,
                                     .force_ended_s = NAN,
                                     .press_peak_kpa = NAN };
    record(session, "a brew begins");
    if (script->on[THING_CUP] >= 0)
        truth->began_s = script->now_s;
    for (int i = 0; i < session->cup_count; i++)
        truth->cup_known |= fabs(session->cup_g[i] - script->mass_g[THING_CUP]) < 0.3;
    truth->beverage_g = ways->water_g - ways->retained_g_per_g * ways->dose_g;
    truth->retained_g_per_g = ways->retained_g_per_g;
    if (ways->epilogue == WRONG_CUP_FIRST && script->on[THING_CUP] < 0) {
        script->mass_g[THING_NEXT_CUP] = draw(session, 60, 900);
        truth->began_s = put(session, NEXT_CUP, 0).from_s;
        pause(session, ways);
        lift(session, NEXT_CUP);
        rest(session, draw(session, 0.7, 1.3), false);
    }
    if (ways->epilogue == BREWER_PARKED_FIRST) {
        park_brewer(session);
        rest(session, draw(session, 1, 5), false);
    }
    set_up(session, ways);
    add_dose(session, ways);
    add_water(session, ways);
    steep(session, ways);
    if (ways->arrangement == UPSIDE_DOWN && script->on[THING_LID] < 0 && chance(session, 0.5)) {
        put(session, LID, 0); /* the cap with the filter; else it is put on in the hand */
        rest(session, draw(session, 2, 8), true);
    }
    if (ways->arrangement == UPSIDE_DOWN && !ways->beside) {
        lift(session, BREWER | PLUNGER | LID);
        truth->turned_over = true;
        rest(session, draw(session, 2.5, 6), true);
        put(session, CUP | BREWER | PLUNGER | LID, 0);
        rest(session, draw(session, 1.2, 4), true);
    }
    if (ways->beside)
        press_beside(session, ways);
    else
        press_on_scale(session, ways);
    if (ways->beside && ways->ending != CUP_NEVER_BACK) {
        rest(session, ways->carry_s, true);
        if (ways->epilogue == BREWER_PARKED && chance(session, 0.5)) {
            park_brewer(session);
            rest(session, draw(session, 1, 4), true);
        }
        weigh_cup(session, ways, true);
    } else if (!ways->beside && ways->ending == CUP_WEIGHED && (ways->weigh_on_second || ways->cup_put_back)) {
        rest(session, draw(session, 2, 6), true);
        weigh_cup(session, ways, false);
    }
    clear_up(session, ways);
}
