/* Hypotheses in a beam: every movement extends each of them by what it may have been. */
#include "story.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "change.h"
#include "ledger.h"
#include "parts.h"
#include "trade.h"

enum { BRANCHES = 5 * BEAM };

/* A hypothesis so much behind the best is forgotten. */
static const double CUT = 14;

/* A reading so unlikely adds nothing to what is uncertain: all of them lie outside two standard uncertainties. */
static const double RIVAL_CHANCE = 0.04;

/* A rest so short is part of what hands do. */
static const double BREATH_S = 0.35;

/* A knock rings for less, goes hardly farther than out and back, and leaves little. */
static const double KNOCK_MOST_S = 1.3, KNOCK_PATH = 2.6, KNOCK_LEFT = 0.35;

/* A tail is no longer, and no wider beside what it follows; a splash belongs to its stream. */
static const double PUT_MOST_S = 2, TAIL_LEAST_G = 12, TAIL_MOST_S = 2, TAIL_SHARE = 0.03, TAIL_SOON_S = 1,
                    TAIL_SOON_SHARE = 0.15, SPLASH_G = 8;

/* What is shown after a tare, but for a division; and one is seen within a single reading of a scale that speaks less
 * often. */
static const double TARED_G = 1.5, TARE_SEEN_S = 0.3;

/* A movement between rests, or a part of one. */
struct act {
    int64_t begin_us, end_us;
    double before_g, after_g, before_u_g, after_u_g, low_g, high_g;
    double over_g; /* mean of the load above before_g */
    double peak_g; /* the highest that was indicated */
    double active_s, span_s, path_g, begin_u_s, end_u_s;
    double pause_s;       /* since the one before it */
    double shown_after_g; /* what the instrument shows then */
    bool flow, jump, open, rest_after, rested_before, overload;
    enum shaken shaken;
};

struct beam {
    const struct tracker *tracker;
    struct hypothesis *list;
    int count;
    double best;
};

/* Against a value, from a logarithmic normal distribution about the usual, floored. */
static double against_log(double value, double usual, double spread)
{
    double z = log(fmax(value, 1e-3) / usual) / spread;

    return fmin(z * z / 2, UNLIKELY_MOST);
}

static struct hypothesis *branch(struct beam *beam, const struct hypothesis *from, double against)
{
    struct hypothesis *one;

    if (beam->count == BRANCHES || from->against + against > beam->best + CUT)
        return NULL;
    one = &beam->list[beam->count++];
    *one = *from;
    one->against += against;
    beam->best = fmin(beam->best, one->against);
    return one;
}

static void story_put(struct hypothesis *story, enum stage stage, int64_t at_us, double u_s)
{
    if (story->count == STEPS)
        return;
    if (story->count && at_us < story->step[story->count - 1].at_us)
        at_us = story->step[story->count - 1].at_us;
    story->step[story->count++] = (struct step){ at_us, (float)u_s, (unsigned char)stage, false };
}

void story_add(struct hypothesis *story, enum stage stage, int64_t at_us, double u_s)
{
    if (story->stir_open)
        story_put(story, STAGE_SETTLE, story->stir_ended_us, 0);
    story->stir_open = false;
    story_put(story, stage, at_us, u_s);
}

void story_end_pour(struct hypothesis *story)
{
    if (story->pour_ended_us)
        story_add(story, STAGE_STEEP, story->pour_ended_us, 0);
    story->pour_ended_us = 0;
}

static const double LIFTED_U_S = 2; /* carried, set down, leaned on: practice */

void story_add_lifted(struct hypothesis *story, int64_t at_us)
{
    story_add(story, STAGE_PRESS, at_us, LIFTED_U_S);
    story->press_began_us = at_us;
    story->lifted_u_s = (float)LIFTED_U_S;
}

static void end_touch(struct hypothesis *story)
{
    story->knocked = false;
    story->touch_us = story->touch_end_us = 0;
    story->touch_s = story->touch_g = 0;
}

static void setup(struct hypothesis *story)
{
    story->dose_g = story->cup_g = story->first_thing_g = NAN;
    story->dose_us = story->thing_us = 0;
    story->things = story->lids = 0;
    story->hand_g = story->cup_u_g = story->dose_u2_g = 0;
    story->filled = false;
    end_touch(story);
}

static double level_u2(const struct act *act)
{
    return act->before_u_g * act->before_u_g + act->after_u_g * act->after_u_g;
}

static void put_lid(struct hypothesis *story, double grams)
{
    if (story->lids < LIDS)
        story->lid_g[story->lids++] = (float)grams;
}

/* The lid that weighs so much is taken off; false: there is none. */
static bool take_lid(struct hypothesis *story, double grams)
{
    for (int i = story->lids - 1; i >= 0; i--)
        if (fabs((double)story->lid_g[i] - grams) < 3 + 0.05 * grams) {
            memmove(&story->lid_g[i], &story->lid_g[i + 1], (size_t)(story->lids - i - 1) * sizeof story->lid_g[0]);
            story->lids--;
            return true;
        }
    return false;
}

/* A blow goes out and back once; hands go back and forth. */
static bool is_knock(const struct act *act)
{
    double range_g = fmax(act->high_g, act->before_g) - fmin(act->low_g, act->before_g);

    if (act->shaken != SHAKEN_UNKNOWN)
        return act->shaken == SHAKEN_BY_A_BLOW;
    return !act->flow && act->span_s < KNOCK_MOST_S && range_g > STIR_LEAST_G && act->path_g < KNOCK_PATH * range_g
           && fabs(act->after_g - act->before_g) < KNOCK_LEFT * range_g;
}

/* Hands go back and forth; what is poured goes one way.  Against it: nats. */
static double against_one_way(const struct act *act)
{
    double net_g = fabs(act->after_g - act->before_g);

    return act->flow ? 0 : NO_STREAM + BACK_AND_FORTH * fmax(0, act->path_g / fmax(net_g, 1) - 1.5);
}

static bool is_force(const struct act *act)
{
    double net_g = act->after_g - act->before_g;

    return act->overload
           || (!act->flow && act->over_g > FORCE_LEAST_G && act->span_s > 1
               && (act->open || net_g < 0.2 * act->over_g));
}

/* --- before the water --- */

static void first_water(struct hypothesis *story, const struct act *act)
{
    story->phase = PHASE_WATER;
    story->brewing = true;
    story->first_water_us = story->began_us = act->begin_us;
    story->first_water_g = story->poured_g = act->after_g - act->before_g;
    story->water_u2_g = level_u2(act);
    story->first_u_s = (float)act->begin_u_s;
    story->pours = 1;
    if (!isnan(story->dose_g)) {
        story->began_us = story->dose_us;
        story_add(story, STAGE_DOSE, story->dose_us, 0);
    } else if (story->thing_us) { /* it came with the brewer */
        story->began_us = story->thing_us;
        story_add(story, STAGE_DOSE, story->thing_us, 0);
    }
    story_add(story, STAGE_POUR, act->begin_us, act->begin_u_s);
    story->pour_open = act->open;
    story->pour_ended_us = act->open ? 0 : act->end_us;
    story->first_ended_us = story->pour_ended_us;
    story->poured_to_g = act->after_g;
    story->steeped_us = act->end_us;
    story->pour_level = true;
    story->unrested = !act->open && !act->rest_after;
    end_touch(story);
}

static void add_dose(struct hypothesis *story, const struct act *act)
{
    if (isnan(story->dose_g)) {
        story->dose_g = 0;
        story->dose_us = act->begin_us;
        story->dose_u2_g = 0;
    }
    story->dose_g += act->after_g - act->before_g;
    story->dose_u2_g += level_u2(act);
}

static void add_thing(struct hypothesis *story, const struct act *act, double grams)
{
    if (++story->things == 1 && act->before_g - story->zero_g < EMPTY_G) {
        story->first_thing_g = grams;
        story->first_thing_u_g = sqrt(level_u2(act));
    } else if (story->things == 2 && isnan(story->cup_g)) {
        story->cup_g = story->first_thing_g; /* something stands on it: it was the cup */
        story->cup_u_g = story->first_thing_u_g;
    }
    story->thing_us = act->begin_us;
}

static void setup_rises(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double grams = act->after_g - act->before_g, rate = grams / fmax(act->span_s, 0.1), against;
    bool stands = act->before_g - from->zero_g > EMPTY_G, slow = act->flow || act->span_s > 1.2;
    struct hypothesis *one;

    if (grams >= THING_G && (!act->flow || act->span_s < 2.5)) {
        if ((one = branch(beam, from, act->flow ? SLOW_THING : 0)))
            add_thing(one, act, grams);
    } else if (grams >= DOSE_LEAST_G && grams < THING_G && (!act->flow || act->span_s < 2.5)
               && (one = branch(beam, from, (act->flow ? SLOW_THING : 0) + (stands ? 2.5 : 0.5)))) {
        put_lid(one, grams);
    }
    if (!stands) {
        if (grams >= DOSE_LEAST_G && (one = branch(beam, from, 0.5)))
            one->hand_g += grams;
        else if (grams < DOSE_LEAST_G)
            branch(beam, from, 0);
        return;
    }
    if (grams < DOSE_LEAST_G && isnan(from->dose_g)) {
        branch(beam, from, 0);
        if (grams < 1)
            return;
    }
    if (grams <= DOSE_MOST_G) {
        against = slow && grams >= DOSE_LEAST_G ? against_log(rate, DOSE_RATE_G_PER_S, DOSE_RATE_SPREAD) : 0.7;
        if (from->things == 0)
            against += 1;
        if ((one = branch(beam, from, against + (grams < DOSE_LEAST_G && isnan(from->dose_g) ? 2 : 0))))
            add_dose(one, act);
    }
    if (slow && grams >= WATER_LEAST_G) {
        against = against_log(rate, WATER_RATE_G_PER_S, WATER_RATE_SPREAD) + against_one_way(act);
        against += isnan(from->dose_g) ? NO_DOSE_SEEN : 0;
        against += SHORT_POUR * fmax(0, SHORT_POUR_S - act->span_s);
        if (!isnan(from->dose_g) && act->pause_s < 1.2)
            against += 2;
        if ((one = branch(beam, from, against + (from->filled ? FILLED_AGAIN : 0))))
            first_water(one, act);
        if (isnan(from->dose_g) && (one = branch(beam, from, from->filled ? FILLED_AGAIN : FILLED)))
            one->filled = true;
    }
    if (grams >= DOSE_LEAST_G && (one = branch(beam, from, HAND + (act->flow ? fmax(0, act->span_s - 3) : 0))))
        one->hand_g += grams;
}

static void in_setup(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double grams = act->after_g - act->before_g;
    struct hypothesis *one;

    if (from->filled && is_force(act)) {
        branch(beam, from, FILLED_PRESSED);
    } else if (act->after_g - from->zero_g < EMPTY_G && act->before_g - from->zero_g >= EMPTY_G) {
        if ((one = branch(beam, from, 0))) {
            if (from->things)
                one->alone_g = from->things == 1 && !from->lids && isnan(from->dose_g) ? from->first_thing_g : NAN;
            setup(one);
        }
    } else if (grams <= -DOSE_LEAST_G && from->hand_g > 1 && fabs(grams + from->hand_g) < 2 + 0.2 * from->hand_g) {
        if ((one = branch(beam, from, 0)))
            one->hand_g = 0;
    } else if (grams <= -DOSE_LEAST_G) {
        if ((one = branch(beam, from, 0)) && !take_lid(one, -grams)) {
            if (-grams >= THING_G) {
                one->dose_g = NAN; /* what was weighed may have gone with it */
            } else if (!isnan(one->dose_g)) {
                one->against += -grams > DOSE_BACK_SHARE * one->dose_g ? DOSE_BACK : 0.5;
                if ((one->dose_g += grams) < DOSE_LEAST_G / 2)
                    one->dose_g = NAN; /* taken back */
            }
        }
    } else if (grams > 0.05) {
        setup_rises(beam, from, act);
    } else if ((one = branch(beam, from, 0)) && !isnan(one->dose_g)) {
        one->dose_g += grams;
    }
}

/* --- water --- */

static void another_pour(struct hypothesis *story, const struct act *act)
{
    if (story->touch_us && story->touch_s < STIR_LEAST_S)
        end_touch(story);
    story->poured_g += act->after_g - act->before_g;
    story->water_u2_g += level_u2(act);
    if (!story->pour_open && (story->pour_ended_us == 0 || act->begin_us - story->pour_ended_us > POUR_PAUSE_US)) {
        story->pours++;
        if (!story->second_water_us)
            story->second_water_us = act->begin_us;
        story_end_pour(story);
        story_add(story, STAGE_POUR, act->begin_us, act->begin_u_s);
    }
    story->pour_open = act->open;
    story->pour_ended_us = act->open ? 0 : act->end_us;
    if (story->pours == 1)
        story->first_ended_us = story->pour_ended_us;
    story->poured_to_g = act->after_g;
    story->steeped_us = act->end_us;
    story->pour_level = true;
    story->unrested = !act->open && !act->rest_after;
    end_touch(story);
}

static void end_stir(struct hypothesis *story)
{
    if (story->stir_open)
        story_put(story, STAGE_SETTLE, story->stir_ended_us, 0);
    story->stir_open = false;
}

/* A spoon, a swirl, a knock: a stir when it lasts. */
static void touch(struct hypothesis *story, const struct act *act)
{
    double wide_g =
        fmax(act->high_g - fmax(act->before_g, act->after_g), fmin(act->before_g, act->after_g) - act->low_g);

    if (!story->touch_us || story->knocked || act->begin_us - story->touch_end_us > STIR_PAUSE_US) {
        end_touch(story);
        story->touch_us = act->begin_us;
        if (story->spoon_us && act->begin_us - story->spoon_end_us < SPOON_US)
            story->touch_us = story->spoon_us;
    }
    story->knocked = story->touch_us == act->begin_us && is_knock(act);
    story->touch_end_us = act->end_us;
    story->touch_s += is_knock(act) ? 0 : act->span_s;
    story->touch_g = fmax(story->touch_g, wide_g);
    if (story->touch_s < STIR_LEAST_S || story->touch_g < STIR_LEAST_G)
        return;
    story_end_pour(story);
    if (story->stir_ended_us && story->touch_us - story->stir_ended_us < STIR_PAUSE_US) {
        if (story->count && story->step[story->count - 1].stage == STAGE_SETTLE)
            story->count--;
        story->stir_open = false;
    } else {
        story_add(story, STAGE_STIR, story->touch_us, 0);
    }
    story->stir_ended_us = act->end_us;
    story->stir_open = true;
    if (act->rest_after)
        end_stir(story);
}

static void begin_press(struct hypothesis *story, const struct act *act)
{
    if (!story->press_seen) {
        end_touch(story);
        story_end_pour(story);
        story_add(story, STAGE_PRESS, act->begin_us, 0);
        story->press_began_us = act->begin_us;
        story->full_g = act->before_g;
        story->press_seen = true;
        story->press_u_s = (float)act->begin_u_s;
    } else if (story->count && story->step[story->count - 1].stage == STAGE_WEIGH) {
        story->count--;
    }
    story->base_g = act->before_g;
    story->phase = PHASE_PRESSED;
    story->pressing = true;
    story->press_ended_us = 0;
    story->wait_us = 0;
}

static void end_press(struct hypothesis *story, const struct act *act, int64_t at_us)
{
    story->pressing = false;
    story->press_ended_us = at_us;
    story->press_end_u_s = (float)act->end_u_s;
    story_add(story, STAGE_WEIGH, at_us, 0);
}

static void take_force(struct hypothesis *story, const struct act *act)
{
    story->force_gs += fmax(0, act->over_g + act->before_g - story->base_g) * act->span_s;
    story->force_s += act->span_s;
    story->force_peak_g = fmax(story->force_peak_g, act->peak_g - story->base_g);
    story->above |= act->overload;
}

/* What the operator's marks say against a press that began then: it still steeped, or was poured or stirred, later. */
static double against_press(const struct tracker *tracker, const struct act *act)
{
    double against = 0;

    for (int i = 0; i < tracker->mark_count; i++) {
        const struct mark *mark = &tracker->mark[i];

        if (mark->stage == STAGE_PRESS && llabs(mark->at_us - act->begin_us) < MARKED_US)
            return -DENIED;
        if (mark->stage < STAGE_PRESS && mark->at_us > act->begin_us)
            against = DENIED;
    }
    return against;
}

/* A whole press in one movement: it begins and ends with what was pressed on. */
static void whole_press(struct hypothesis *story, const struct act *act)
{
    begin_press(story, act);
    take_force(story, act);
    if (!act->open)
        end_press(story, act, act->end_us);
}

static void water_rises(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double grams = act->after_g - act->before_g, rate = grams / fmax(act->span_s, 0.1), against;
    bool soon = from->pour_ended_us && act->begin_us - from->pour_ended_us < 3000000;
    struct hypothesis *one;

    if (act->flow || act->span_s > 1.2 || (soon && grams < THING_G)) {
        against = grams < TOUCH_G ? 0.5 : against_log(rate, WATER_RATE_G_PER_S, WATER_RATE_SPREAD);
        against += against_one_way(act) + (soon || act->open ? 0 : SHORT_POUR * fmax(0, SHORT_POUR_S - act->span_s));
        if (grams >= WATER_LEAST_G / 2 || soon) {
            if ((one = branch(beam, from, against)))
                another_pour(one, act);
        } else if ((one = branch(beam, from, 1))) {
            touch(one, act);
        }
    }
    if (grams >= TOUCH_G && grams < 700 && (act->jump || act->span_s < 2.5) && (!act->flow || grams < LID_MOST_G)
        && (one = branch(beam, from, (act->flow ? SLOW_THING : 0.3) + fmax(0, grams - 450) / 40))) {
        if (grams > LID_MOST_G && isnan(one->cup_g) && one->things < 2) {
            one->cup_g = grams; /* upside down on a brewer that stands on its plunger */
            one->cup_u_g = CAP_U_G;
            if (fabs(grams - from->alone_g) < LID_MOST_G) {
                one->cup_g = from->alone_g;
                one->cup_u_g = 0;
            }
        }
        put_lid(one, grams);
        one->pour_level = false;
        if (grams < THING_G) {
            one->spoon_us = act->begin_us;
            one->spoon_end_us = act->end_us;
        }
    }
    if (grams > FORCE_LEAST_G && !act->flow
        && (one = branch(beam, from, (grams < FORCE_SURE_G ? 2.5 : 0) + against_press(beam->tracker, act)))) {
        begin_press(one, act);
        take_force(one, act);
    }
    if (grams >= TOUCH_G && grams < THING_G && !act->flow && act->span_s > STIR_LEAST_S
        && (one = branch(beam, from, 1))) { /* a spoon that stirs, and stays */
        put_lid(one, grams);
        one->pour_level = false;
        touch(one, act);
    }
    if (grams >= TOUCH_G && (one = branch(beam, from, HAND + (act->flow ? fmax(0, act->span_s - 3) : 0)))) {
        one->hand_g += grams;
        one->pour_level = false;
        touch(one, act);
    }
    if (grams < TOUCH_G && !act->flow && (one = branch(beam, from, 0)))
        touch(one, act);
}

/* All is lifted off, or so it looks. */
static void lift_all(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    struct hypothesis *one = branch(beam, from, 0);

    if (!one)
        return;
    if (one->phase == PHASE_WATER) {
        story_end_pour(one);
        if (!one->brewer_us)
            one->full_g = act->before_g;
    }
    one->away_us = one->phase == PHASE_WATER && one->brewer_us ? one->brewer_us : act->begin_us;
    one->phase = PHASE_AWAY;
    one->hand_g = 0;
}

static void water_falls(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double grams = act->before_g - act->after_g;
    struct hypothesis *one;

    if (from->hand_g > 1 && fabs(grams - from->hand_g) < 2 + 0.2 * from->hand_g) {
        if ((one = branch(beam, from, 0))) {
            one->hand_g = 0;
            touch(one, act);
        }
        return;
    }
    if (grams > from->poured_g + THING_G) { /* the brewer, with all that was poured; the cup stays */
        if ((one = branch(beam, from, 0))) {
            one->brewer_us = act->begin_us;
            one->full_g = act->before_g;
            one->pour_level = false;
        }
        return;
    }
    if (!(one = branch(beam, from, 0)))
        return;
    if (take_lid(one, grams)) {
        one->pour_level = false;
        return;
    }
    if (grams >= THING_G)
        one->against += 2.5; /* a thing that came out of sight */
    else if (grams >= TOUCH_G)
        one->against += LOST * fmin(1, grams / 12);
    touch(one, act);
}

static void in_water(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double grams = act->after_g - act->before_g;
    struct hypothesis *one;

    if (act->after_g - from->zero_g < EMPTY_G && act->before_g - from->zero_g >= EMPTY_G) {
        lift_all(beam, from, act);
        return;
    }
    if (from->brewer_us && act->rest_after && grams > 0) { /* it comes back: as it was, or emptied for another brew */
        if (!(one = branch(beam, from, 0)))
            return;
        if (act->after_g > one->full_g - one->poured_g / 2) {
            one->brewer_us = 0;
        } else {
            one->nothing = true;
            one->over_us = act->begin_us - 1;
        }
        return;
    }
    if (is_force(act)) {
        bool gentle = act->over_g < LEAN_MOST_G && act->span_s < LEAN_MOST_S && !act->overload;

        if (!act->open && act->after_g < act->before_g - THING_G) { /* let go and lifted at once */
            if ((one = branch(beam, from, 1))) {
                whole_press(one, act);
                one->phase = act->after_g - one->zero_g < EMPTY_G ? PHASE_AWAY : PHASE_PRESSED;
                one->away_us = act->end_us;
            }
        } else if ((one = branch(beam, from, (gentle ? 0.5 : 0) + against_press(beam->tracker, act))))
            whole_press(one, act);
        if (!gentle && !beam->tracker->mark_count)
            return;
        branch(beam, from, gentle ? 0.7 : DENIED - 2); /* a hand leaned on it */
        return;
    }
    if (grams > 0.3 && (act->flow || grams >= TOUCH_G))
        water_rises(beam, from, act);
    else if (grams < -TOUCH_G)
        water_falls(beam, from, act);
    else if ((one = branch(beam, from, 0)))
        touch(one, act);
}

/* --- pressed --- */

static void weigh(struct hypothesis *story, const struct act *act)
{
    if (!act->rest_after)
        return;
    story_add(story, STAGE_STRENGTH, act->end_us, 0);
    story->phase = PHASE_WEIGHED;
    story->weighed_g = act->after_g - story->zero_g;
    story->weighed_u_g = act->after_u_g;
    story->out_us = act->end_us;
    story->left_weighing = false;
}

static void while_pressing(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double left_g = act->after_g - from->base_g, peak_g = fmax(from->force_peak_g, 1);
    struct hypothesis *one = branch(beam, from, 0);

    if (!one)
        return;
    if (act->open || left_g > fmax(FORCE_LEAST_G / 2, 0.05 * peak_g)) {
        take_force(one, act);
        return;
    }
    if (!act->jump || act->span_s > 0.6)
        take_force(one, act);
    if (seconds(one->press_began_us, act->end_us) < 1)
        one->against += 5;
    if (left_g < -THING_G) { /* let go and lifted at once */
        end_press(one, act, act->span_s < PUT_MOST_S ? act->begin_us : act->end_us - LET_GO_US / 2);
        if (act->after_g - one->zero_g < EMPTY_G) {
            one->phase = PHASE_AWAY;
            one->away_us = act->begin_us;
        } else {
            weigh(one, act);
        }
        return;
    }
    end_press(one, act, act->end_us);
}

/* A hand leaned on the brewer for a moment, and nothing came of it until at_us. */
static bool is_lean(const struct hypothesis *story, int64_t at_us)
{
    return story->phase == PHASE_PRESSED && story->press_ended_us && !story->above && story->force_s < LEAN_MOST_S
           && story->force_gs < LEAN_MOST_G * story->force_s && at_us - story->press_ended_us >= GO_ON_US;
}

static void forget_press(struct hypothesis *story)
{
    while (story->count && story->step[story->count - 1].stage >= STAGE_PRESS)
        story->count--;
    story->phase = PHASE_WATER;
    story->press_began_us = story->press_ended_us = story->wait_us = 0;
    story->press_seen = story->pressing = false;
    story->force_gs = story->force_s = story->force_peak_g = 0;
}

static void in_pressed(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double grams = act->after_g - act->before_g;
    struct hypothesis *one;

    if (from->pressing) {
        while_pressing(beam, from, act);
        return;
    }
    if (is_lean(from, act->begin_us)) {
        struct hypothesis steeps = *from;

        forget_press(&steeps);
        in_water(beam, &steeps, act);
        return;
    }
    if (is_force(act)) {
        if ((one = branch(beam, from, 0)))
            whole_press(one, act);
        return;
    }
    if (act->after_g - from->zero_g < EMPTY_G && act->before_g - from->zero_g >= EMPTY_G) {
        lift_all(beam, from, act);
        return;
    }
    if (grams > FORCE_LEAST_G) {
        if ((one = branch(beam, from, grams < FORCE_SURE_G ? 2 : 0))) {
            begin_press(one, act);
            take_force(one, act);
        }
        if (grams < FORCE_SURE_G)
            branch(beam, from, 2);
        return;
    }
    if (!(one = branch(beam, from, 0)))
        return;
    if (-grams >= THING_G && from->full_g - act->after_g >= THING_G && act->after_g - one->zero_g >= LEAST_CUP_G)
        weigh(one, act);
}

/* --- away, and what comes back --- */

static void another_begins(struct hypothesis *story, int64_t at_us)
{
    story->over_us = at_us - 1;
    if (story->press_seen || story->away_us - story->steeped_us > STEEP_LEAST_US) {
        if (!story->press_began_us)
            story_add_lifted(story, story->away_us);
        story->over = true; /* its cup was never weighed */
    } else {
        story->nothing = true;
    }
}

static void in_away(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double load_g = act->after_g - from->zero_g, more_g = act->after_g - from->full_g;
    double gone_s = seconds(from->away_us, act->begin_us), against;
    bool seen = from->press_seen || beam->tracker->gauge.began_us;
    struct hypothesis *one;

    if (load_g < EMPTY_G || !act->rest_after) {
        branch(beam, from, 0);
        return;
    }
    /* the full cup */
    against = ledger_against_full(beam->tracker, from, load_g);
    if (!seen && gone_s < (double)PRESS_BESIDE_US / 1e6)
        against += 5 + ((double)PRESS_BESIDE_US / 1e6 - gone_s);
    if ((one = branch(beam, from, against))) {
        if (!one->press_began_us) {
            story_end_pour(one);
            story_add_lifted(one, one->away_us);
        }
        if (!one->press_seen)
            story_add(one, STAGE_WEIGH, act->begin_us, 0);
        one->back_us = act->begin_us;
        weigh(one, act);
    }
    /* all of it */
    if (!from->press_seen) {
        double off = (more_g > 0 ? 2 : 1) * more_g / BACK_U_G, late = fmax(0, gone_s - 20) / 20;

        if (fabs(more_g) < 3 * SAME_G
            && (one = branch(beam, from,
                             ALL_BACK - (gone_s < 10 ? 1 : 0) + fmin(off * off / 2, 20) + late
                                 - ledger_sharpness(BACK_U_G)))) {
            one->phase = PHASE_WATER;
            one->brewer_us = 0;
        }
        if (more_g > THING_G && isnan(from->cup_g) && /* with the cup that was not there before */
            (one = branch(beam, from, 2 + (gone_s < 11 ? 0 : 4)))) {
            double alone_g = from->alone_g;

            one->phase = PHASE_WATER;
            one->cup_g = more_g;
            one->cup_u_g = CAP_U_G;                    /* a filter's cap may have come with it */
            if (fabs(more_g - alone_g) < LID_MOST_G) { /* it was seen alone before */
                one->cup_g = alone_g;
                one->cup_u_g = 0;
            }
        }
    }
    /* the next brew's cup */
    against = ledger_against_empty(beam->tracker, from, load_g);
    if (!seen && gone_s < (double)PRESS_BESIDE_US / 1e6)
        against += 2;
    if ((one = branch(beam, from, NEXT_CUP + against)))
        another_begins(one, act->begin_us);
}

/* --- weighed --- */

static void in_weighed(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double grams = act->after_g - act->before_g, wide_g = act->high_g - act->low_g;
    bool unseen = !from->press_seen && !beam->tracker->gauge.began_us;
    struct hypothesis *one = branch(beam, from, 0);

    if (!one)
        return;
    if (one->left_weighing || (unseen && act->open && grams > -TOUCH_G && wide_g < 200))
        return;                              /* what comes of it is not seen yet */
    if (unseen && !act->open && grams > 0) { /* was it the next brew's cup, and this is its brewer or its coffee? */
        if (grams > THING_G || (grams > 9 && grams < 26))
            one->against += 6;
        else if (act->flow && grams > 26)
            one->against += isnan(one->cup_g) && grams > one->poured_g / 2 ? 6 : 1;
    }
    if (act->begin_us - one->out_us < LET_GO_US && fabs(grams) < THING_G && wide_g < 200) {
        if (act->rest_after)
            one->weighed_g = act->after_g - one->zero_g; /* the hand had not let go */
        return;
    }
    if (fabs(grams) >= TOUCH_G || wide_g >= 200)
        one->left_weighing = true;
    else if (act->rest_after) {
        one->weighed_g = act->after_g - one->zero_g;
        one->weighed_u_g = act->after_u_g;
    }
}

/* --- all together --- */

/* What is against a tare that shows values in between, which looks like a lift to exactly zero, or one within a single
 * reading that is too slow to tell them apart. */
static double against_tare(const struct tracker *tracker, const struct hypothesis *story, const struct act *act)
{
    double period_s = tracker->weighing.period_s;
    bool sharp = act->span_s < 1.5 * period_s && period_s > TARE_SEEN_S;

    return (sharp                         ? 0.5
            : story->phase == PHASE_SETUP ? 3
                                          : 5)
           + 2 * fabs(act->shown_after_g) + (act->rest_after ? 0 : 2);
}

static void extend(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    struct act seen = *act;

    seen.before_g += from->shift_g;
    seen.after_g += from->shift_g;
    seen.low_g += from->shift_g;
    seen.high_g += from->shift_g;
    seen.peak_g += from->shift_g;
    if (from->nothing || from->over) {
        branch(beam, from, 0);
        return;
    }
    if (fabs(act->shown_after_g) < TARED_G + beam->tracker->weighing.resolution_g
        && fabs(act->after_g - act->before_g) > 2 && act->span_s < 1.5) {
        struct hypothesis *one = branch(beam, from, against_tare(beam->tracker, from, act));

        if (one)
            one->shift_g += act->before_g - act->after_g;
    }
    switch (from->phase) {
    case PHASE_SETUP:
        in_setup(beam, from, &seen);
        break;
    case PHASE_WATER:
        in_water(beam, from, &seen);
        break;
    case PHASE_PRESSED:
        in_pressed(beam, from, &seen);
        break;
    case PHASE_AWAY:
        in_away(beam, from, &seen);
        break;
    default:
        in_weighed(beam, from, &seen);
        break;
    }
}

/* The load rests: what was open is decided. */
static void rest(struct hypothesis *story, const struct segment *segment, bool last)
{
    double level_g = (double)segment->first_g + story->shift_g, lasts_s = seconds(segment->begin_us, segment->end_us);

    if (story->nothing || story->over)
        return;
    if (level_g < story->zero_g + 3)
        story->zero_g = level_g;
    if (story->phase == PHASE_SETUP && !isnan(story->dose_g)) { /* a pinch that came too slowly to be seen */
        double more_g = (double)(segment->last_g - segment->first_g);

        story->dose_g += more_g;
        story->dose_u2_g += more_g * more_g / 4;
    }
    if (story->pressing) {
        story->force_gs += fmax(0, level_g - story->base_g) * lasts_s;
        story->force_s += lasts_s;
        if (lasts_s > 2)
            story->against += fmin(3, (lasts_s - 2) / 3) + (level_g - story->base_g < FORCE_SURE_G ? 2 : 0);
    }
    if (lasts_s > 0.5)
        end_stir(story);
    if (story->hand_g > 1 && lasts_s > 2)
        story->against += fmin(6, lasts_s - 2);
    if (story->phase == PHASE_WATER && story->pour_level) {
        double more_g = level_g - story->poured_to_g;

        if (fabs(more_g) < 12) {
            story->poured_g += more_g;
            if (story->pours == 1)
                story->first_water_g += more_g;
            story->poured_to_g = level_g;
            if (story->touch_us || story->unrested)
                story->unrested = lasts_s < 1 && !last;
        }
        if (lasts_s > 3)
            story->pour_level = false;
    }
    if (story->phase == PHASE_WEIGHED && !story->left_weighing && last) {
        story->weighed_g = level_g - story->zero_g;
        story->weighed_u_g = (double)segment->first_u_g;
    }
}

static int by_against(const void *a, const void *b)
{
    const struct hypothesis *x = a, *y = b;

    return (x->against > y->against) - (x->against < y->against);
}

/* The same story by another way: only the likelier is kept. */
static bool is_same(const struct hypothesis *a, const struct hypothesis *b)
{
    return a->phase == b->phase && a->count == b->count && a->lids == b->lids && a->things == b->things
           && a->nothing == b->nothing && a->over == b->over && a->pressing == b->pressing && a->pours == b->pours
           && fabs(a->hand_g - b->hand_g) < 0.1 && fabs(a->shift_g - b->shift_g) < 0.1
           && fabs(a->poured_g - b->poured_g) < 0.1 && a->first_water_us == b->first_water_us
           && (isnan(a->dose_g) ? isnan(b->dose_g) : fabs(a->dose_g - b->dose_g) < 0.1)
           && a->left_weighing == b->left_weighing && a->filled == b->filled && a->brewer_us == b->brewer_us;
}

static int prune(struct hypothesis *list, int count, struct hypothesis *kept)
{
    int n = 0;

    qsort(list, (size_t)count, sizeof *list, by_against);
    for (int i = 0; i < count && n < BEAM; i++) {
        bool same = false;

        for (int j = 0; j < n && !same; j++)
            same = is_same(&kept[j], &list[i]);
        if (!same && list[i].against <= list[0].against + CUT)
            kept[n++] = list[i];
    }
    return n;
}

static struct act act_of(const struct tracker *tracker, const struct segment *list, int count, int i, double before_g)
{
    const struct segment *segment = &list[i], *before = i ? segment - 1 : NULL,
                         *after = i + 1 < count ? segment + 1 : NULL;
    struct act act = {
        .begin_us = segment->begin_us,
        .end_us = segment->end_us,
        .low_g = (double)segment->low_g,
        .high_g = (double)segment->high_g,
        .active_s = (double)segment->active_s,
        .path_g = (double)segment->path_g,
        .peak_g = (double)segment->peak_g,
        .flow = segment->kind == KIND_FLOW,
        .jump = segment->kind == KIND_JUMP,
        .open = !after,
        .overload = segment->overload,
        .shaken = (enum shaken)segment->shaken,
        .begin_u_s = (double)segment->begin_u_s,
        .end_u_s = (double)segment->end_u_s,
    };

    act.before_g = before_g;
    act.after_g = (double)segment->last_g;
    if (before && before->kind == KIND_REST) {
        act.before_u_g = (double)before->last_u_g;
        act.rested_before = true;
        act.pause_s = seconds(before->begin_us, before->end_us);
    }
    if (after && after->kind == KIND_REST) {
        act.after_g = (double)after->first_g;
        act.after_u_g = (double)after->first_u_g;
        act.rest_after = i + 2 < count || tracker->segments.resting;
    }
    if (act.flow && act.after_g - act.before_g > STREAM_LEAST_G)
        act.begin_us += STREAM_US;
    act.span_s = fmax(seconds(act.begin_us, act.end_us), 0.02);
    act.over_g = segment->sum_s > 0 ? (double)(segment->sum_gs / segment->sum_s) - before_g : 0;
    act.shown_after_g = act.after_g - tracker->weighing.offset_g;
    return act;
}

/* Two acts become one. */
static void join(struct act *act, const struct act *next)
{
    double next_over_g = next->over_g + next->before_g - act->before_g;

    act->over_g = (act->over_g * act->span_s + next_over_g * next->span_s) / (act->span_s + next->span_s);
    act->after_g = next->after_g;
    act->after_u_g = next->after_u_g;
    act->shown_after_g = next->shown_after_g;
    act->end_us = next->end_us;
    act->low_g = fmin(act->low_g, next->low_g);
    act->high_g = fmax(act->high_g, next->high_g);
    act->active_s += next->active_s;
    act->path_g += next->path_g;
    act->peak_g = fmax(act->peak_g, next->peak_g);
    act->span_s = fmax(seconds(act->begin_us, act->end_us), 0.02);
    act->open = next->open;
    act->rest_after = next->rest_after;
    act->overload |= next->overload;
    act->end_u_s = next->end_u_s;
}

/* What follows a movement at once and is nothing beside it is its tail: the hand had done. */
static bool is_tail(const struct act *act, const struct act *next, double doubt)
{
    double moved_g = fmax(fabs(act->after_g - act->before_g), act->high_g - act->low_g);

    return !act->flow && moved_g > TAIL_LEAST_G && (next->span_s < TAIL_MOST_S || moved_g > FORCE_SURE_G)
           && next->high_g - next->low_g
                  < (next->span_s < TAIL_SOON_S ? TAIL_SOON_SHARE : TAIL_SHARE * (1 + 4 * doubt)) * moved_g;
}

/* Hands that put nothing down, from one level back to it. */
static bool is_shaken(const struct act *first, const struct act *last)
{
    double low_g = INFINITY, high_g = -INFINITY, net_g = fabs(last->after_g - first->before_g);

    for (const struct act *act = first; act <= last; act++) {
        low_g = fmin(low_g, fmin(act->low_g, act->before_g));
        high_g = fmax(high_g, fmax(act->high_g, act->before_g));
    }
    return net_g < TOUCH_G && high_g - low_g > 4 * net_g + 1;
}

/* Acts of one run of movements without a rest: tails, shaking and streams are put together.  Returns how many. */
static int gather(struct act *act, int count, double doubt)
{
    int kept = 0;

    for (int i = 0; i < count; kept++) {
        int last = i;

        for (int j = count - 1; j > i && last == i && !is_knock(&act[i]); j--)
            if (is_shaken(&act[i], &act[j]))
                last = j;
        act[kept] = act[i];
        if (last > i) {
            act[kept].flow = act[kept].jump = false;
            for (int j = i + 1; j <= last; j++) {
                bool tail = j > i + 1 || last == i + 1 ? is_tail(&act[kept], &act[j], 1) : false;
                int64_t end_us = act[kept].end_us;

                join(&act[kept], &act[j]);
                if (tail) /* the hand had done */
                    act[kept].end_us = end_us;
            }
            act[kept].span_s = fmax(seconds(act[kept].begin_us, act[kept].end_us), 0.02);
        }
        i = last + 1;
    }
    count = kept;
    kept = 0;
    for (int i = 1; i < count; i++) {
        struct act *last = &act[kept];
        double grams = act[i].after_g - act[i].before_g;
        bool splash = act[i].jump && fabs(grams) < SPLASH_G && act[i].span_s < 1;

        if (is_tail(last, &act[i], doubt)) {
            int64_t end_us = last->end_us;

            join(last, &act[i]);
            last->end_us = end_us;
            last->span_s = fmax(seconds(last->begin_us, end_us), 0.02);
        } else if (last->flow && (act[i].flow || splash)) {
            join(last, &act[i]);
        } else if (!last->flow && !act[i].flow && !is_knock(last) && last->shaken == SHAKEN_UNKNOWN
                   && seconds(last->begin_us, act[i].end_us) < PUT_MOST_S) {
            join(last, &act[i]); /* put down in two movements */
            last->jump = true;
        } else if (act[i].flow && last->jump && fabs(last->after_g - last->before_g) < SPLASH_G) {
            join(last, &act[i]);
            last->flow = true;
            last->jump = false;
        } else {
            act[++kept] = act[i];
        }
    }
    return count ? kept + 1 : 0;
}

/* What is still open at the end. */
static void conclude(struct hypothesis *story, const struct tracker *tracker)
{
    int64_t now_us = tracker->now_us;

    if (!story->brewing || story->nothing || story->over)
        return;
    if (story->phase == PHASE_WATER && !story->pour_open && now_us - story->pour_ended_us > POUR_PAUSE_US)
        story_end_pour(story);
    if (is_lean(story, now_us) && !tracker->gauge.began_us)
        forget_press(story);
    else if (story->phase == PHASE_PRESSED && story->press_ended_us && is_lean(story, story->press_ended_us + GO_ON_US))
        story->wait_us = story->press_ended_us + GO_ON_US;
    if (story->phase == PHASE_WEIGHED)
        story->wait_us = story->out_us + (story->press_seen || tracker->gauge.began_us ? WEIGHED_US : DOUBT_US);
    second_weigh(tracker, story);
    if (story->phase == PHASE_WEIGHED) {
        story->over = story->left_weighing || (story->wait_us && now_us >= story->wait_us);
        story->over_us = story->out_us;
    }
    if (story->phase == PHASE_AWAY && !story->wait_us)
        story->wait_us = story->away_us + AWAY_US;
    if (story->phase == PHASE_AWAY && now_us >= story->away_us + AWAY_US)
        another_begins(story, story->away_us + 1);
}

/* Hands at work hold still for a moment. */
static bool is_breath(const struct tracker *tracker, const struct segment *rest)
{
    return seconds(rest->begin_us, rest->end_us) < fmax(BREATH_S, 1.5 * tracker->weighing.period_s);
}

void story_read(struct story *out, const struct tracker *tracker)
{
    struct segment list[SEGMENTS_READ];
    struct hypothesis kept[BEAM], branches[BRANCHES];
    int count = segments_read(&tracker->segments, &tracker->weighing, &tracker->filter, list), beam_count = 1;
    struct beam beam = { .tracker = tracker, .list = branches };
    double level_g = NAN, total = 0, rest_of = 0;

    memset(&kept[0], 0, sizeof kept[0]);
    kept[0].zero_g = isnan(tracker->zero_g) ? 0 : tracker->zero_g;
    kept[0].alone_g = tracker->alone_g;
    setup(&kept[0]);
    for (int i = 0; i < count; i++) {
        struct act act[SEGMENTS_READ];
        int acts = 0;

        if (list[i].kind == KIND_REST && i && list[i - 1].kind == KIND_REST) { /* within one reading */
            struct segment bare = { .begin_us = list[i].begin_us,
                                    .end_us = list[i].begin_us,
                                    .kind = KIND_JUMP,
                                    .low_g = fminf(list[i - 1].last_g, list[i].first_g),
                                    .high_g = fmaxf(list[i - 1].last_g, list[i].first_g) };
            struct segment three[3] = { list[i - 1], bare, list[i] };

            act[acts++] = act_of(tracker, three, 3, 1, level_g);
        }
        for (; i < count
               && (list[i].kind != KIND_REST
                   || (acts && i + 1 < count && list[i + 1].kind != KIND_REST && is_breath(tracker, &list[i])));
             i++)
            if (list[i].kind != KIND_REST && !isnan(level_g)) {
                act[acts] = act_of(tracker, list, count, i, level_g);
                level_g = act[acts++].after_g;
            }
        acts = gather(act, acts, filter_doubt(&tracker->filter));
        for (int k = 0; k < acts; k++) {
            beam.count = 0;
            beam.best = INFINITY;
            for (int j = 0; j < beam_count; j++)
                extend(&beam, &kept[j], &act[k]);
            beam_count = prune(branches, beam.count, kept);
        }
        if (i == count)
            break;
        level_g = (double)list[i].last_g;
        for (int j = 0; j < beam_count; j++)
            rest(&kept[j], &list[i], i == count - 1);
    }
    for (int j = 0; j < beam_count; j++) {
        conclude(&kept[j], tracker);
        kept[j].against += ledger_against(tracker, &kept[j]);
    }
    qsort(kept, (size_t)beam_count, sizeof *kept, by_against);
    out->best = kept[0];
    memset(out->rival_g, 0, sizeof out->rival_g);
    for (int j = 0; j < beam_count; j++)
        total += exp(kept[0].against - kept[j].against);
    out->brewing = out->shifted = out->fate = 0;
    for (int j = 0; j < beam_count; j++) {
        double chance = exp(kept[0].against - kept[j].against) / total;

        out->fate += kept[j].over == kept[0].over && kept[j].nothing == kept[0].nothing ? chance : 0;
        out->shifted += fabs(kept[j].shift_g) > 1 ? chance : 0;
        out->brewing += kept[j].brewing && !kept[j].nothing ? chance : 0;
        rest_of += j ? chance : 0;
        if (j && kept[j].brewing && chance > RIVAL_CHANCE) {
            double dose_g = kept[j].dose_g - kept[0].dose_g, water_g = kept[j].poured_g - kept[0].poured_g;

            out->rival_g[0] += isnan(dose_g) ? 0 : chance * dose_g * dose_g;
            out->rival_g[1] += chance * water_g * water_g;
        }
    }
    out->chance = 1 - rest_of;
    out->load_g = isnan(level_g) ? NAN : level_g + out->best.shift_g;
}
