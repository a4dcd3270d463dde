/* From the first water to the press: pours, lids, spoons, hands; and what begins a press, or lifts it all off. */
#include "beam.h"

#include <math.h>

#include "odds.h"
#include "parts.h"
#include "trade.h"

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

static void water_rises(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double grams = act->after_g - act->before_g, rate = grams / fmax(act->span_s, 0.1), against;
    bool soon = from->pour_ended_us && act->begin_us - from->pour_ended_us < 3000000;
    struct hypothesis *one;

    if (act->flow || act->span_s > 1.2 || (soon && grams < THING_G)) {
        against = grams < TOUCH_G ? 0.5 : odds_log(rate, WATER_RATE_G_PER_S, WATER_RATE_SPREAD);
        against +=
            act_against_one_way(act) + (soon || act->open ? 0 : SHORT_POUR * fmax(0, SHORT_POUR_S - act->span_s));
        if (grams >= WATER_LEAST_G / 2 || soon) {
            if ((one = beam_branch(beam, from, against)))
                story_pour(one, act);
        } else if ((one = beam_branch(beam, from, 1))) {
            story_touch(one, act);
        }
    }
    if (grams >= TOUCH_G && grams < 700 && (act->jump || act->span_s < 2.5) && (!act->flow || grams < LID_MOST_G)
        && (one = beam_branch(beam, from, (act->flow ? SLOW_THING : 0.3) + odds_heavy(grams)))) {
        if (grams > LID_MOST_G && isnan(one->cup_g) && one->things < 2) {
            one->cup_g = grams; /* upside down on a brewer that stands on its plunger */
            one->cup_u_g = CAP_U_G;
            if (fabs(grams - from->alone_g) < LID_MOST_G) {
                one->cup_g = from->alone_g;
                one->cup_u_g = 0;
            }
        }
        story_put_lid(one, grams);
        one->pour_level = false;
        if (grams < THING_G) {
            one->spoon_us = act->begin_us;
            one->spoon_end_us = act->end_us;
        }
    }
    if (grams > FORCE_LEAST_G && !act->flow
        && (one = beam_branch(beam, from, (grams < FORCE_SURE_G ? 2.5 : 0) + against_press(beam->tracker, act)))) {
        story_begin_press(one, act);
        story_take_force(one, act);
    }
    if (grams >= TOUCH_G && grams < THING_G && !act->flow && act->span_s > STIR_LEAST_S
        && (one = beam_branch(beam, from, 1))) { /* a spoon that stirs, and stays */
        story_put_lid(one, grams);
        one->pour_level = false;
        story_touch(one, act);
    }
    if (grams >= TOUCH_G && (one = beam_branch(beam, from, HAND + (act->flow ? fmax(0, act->span_s - 3) : 0)))) {
        one->hand_g += grams;
        one->pour_level = false;
        story_touch(one, act);
    }
    if (grams < TOUCH_G && !act->flow && (one = beam_branch(beam, from, 0)))
        story_touch(one, act);
}

/* All is lifted off, or so it looks. */
void phase_lift_all(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    struct hypothesis *one = beam_branch(beam, from, 0);

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
        if ((one = beam_branch(beam, from, 0))) {
            one->hand_g = 0;
            story_touch(one, act);
        }
        return;
    }
    if (grams > from->poured_g + THING_G) { /* the brewer, with all that was poured; the cup stays */
        if ((one = beam_branch(beam, from, from->hands_unseen ? CARRIED_PRESSED : 0))) {
            one->brewer_us = act->begin_us;
            one->full_g = act->before_g;
            one->pour_level = false;
        }
        return;
    }
    if (!(one = beam_branch(beam, from, 0)))
        return;
    if (story_take_lid(one, grams)) {
        one->pour_level = false;
        return;
    }
    if (grams >= THING_G)
        one->against += 2.5; /* a thing that came out of sight */
    else if (grams >= TOUCH_G)
        one->against += LOST * fmin(1, grams / 12);
    story_touch(one, act);
}

/* Hands were at it while the scale was silent: they may have pressed, and lifted it off at once. */
static void unseen_hands(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double against = odds_log(act->span_s, PRESS_USUAL_S, HANDS_SPREAD) + against_press(beam->tracker, act);
    struct hypothesis *one = beam_branch(beam, from, against + (act->after_g < act->before_g - THING_G ? 1 : 0));
    struct act pressed = *act;

    pressed.end_us -= (int64_t)(1e6 * act->end_u_s);
    pressed.end_u_s /= 2;
    if (!one)
        return;
    if (act->after_g < act->before_g - THING_G) { /* somewhere in between it was let go */
        pressed.end_us -= LET_GO_US;
        pressed.end_u_s = LET_GO_US / 2e6;
    }
    story_whole_press(one, &pressed);
    one->press_unseen = true;
    one->force_gs = one->force_peak_g = NAN;
    if (act->after_g < act->before_g - THING_G)
        story_weigh(one, act);
}

void phase_water(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double grams = act->after_g - act->before_g;
    struct hypothesis *one;

    if (act->after_g - from->zero_g < EMPTY_G && act->before_g - from->zero_g >= EMPTY_G) {
        phase_lift_all(beam, from, act);
        return;
    }
    if (from->brewer_us && act->rest_after && grams > 0) { /* it comes back: as it was, or emptied for another brew */
        if (!(one = beam_branch(beam, from, 0)))
            return;
        if (act->after_g > one->full_g - one->poured_g / 2) {
            one->brewer_us = 0;
        } else {
            one->nothing = true;
            one->over_us = act->begin_us - 1;
        }
        return;
    }
    if (act_is_force(act)) {
        bool gentle = act->over_g < LEAN_MOST_G && act->span_s < LEAN_MOST_S && !act->overload;

        if (!act->open && act->after_g < act->before_g - THING_G) { /* let go and lifted at once */
            if ((one = beam_branch(beam, from, 1))) {
                story_whole_press(one, act);
                one->phase = act->after_g - one->zero_g < EMPTY_G ? PHASE_AWAY : PHASE_PRESSED;
                one->away_us = act->end_us;
            }
        } else if ((one = beam_branch(beam, from, (gentle ? 0.5 : 0) + against_press(beam->tracker, act))))
            story_whole_press(one, act);
        if (!gentle && !beam->tracker->mark_count)
            return;
        beam_branch(beam, from, gentle ? 0.7 : DENIED - 2); /* a hand leaned on it */
        return;
    }
    if (act->unseen && !act->flow && !act->jump && grams < TOUCH_G)
        unseen_hands(beam, from, act);
    if (grams > 0.3 && (act->flow || grams >= TOUCH_G))
        water_rises(beam, from, act);
    else if (grams < -TOUCH_G)
        water_falls(beam, from, act);
    else if ((one = beam_branch(beam, from, act->unseen ? odds_log(act->span_s, STIR_USUAL_S, HANDS_SPREAD) : 0))) {
        struct act stirred = *act;

        stirred.end_us += (int64_t)(1e6 * act->end_u_s);
        one->hands_unseen |= act->unseen;
        story_touch(one, &stirred);
    }
}
