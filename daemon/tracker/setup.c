/* Before the water: things are put down, coffee is weighed, and water begins. */
#include "beam.h"

#include <math.h>

#include "odds.h"
#include "trade.h"

static void add_thing(struct hypothesis *story, const struct act *act, double grams)
{
    if (++story->things == 1 && act->before_g - story->zero_g < EMPTY_G) {
        story->first_thing_g = grams;
        story->first_thing_u_g = sqrt(act_level_u2(act));
    } else if (story->things == 2 && isnan(story->cup_g)) {
        story->cup_g = story->first_thing_g; /* something stands on it: it was the cup */
        story->cup_u_g = story->first_thing_u_g;
    }
    story->thing_us = act->begin_us;
}

static void setup_rises(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double grams = act->after_g - act->before_g, rate = grams / fmax(act->span_s, 0.1), against;
    bool stands = act->before_g - from->zero_g > EMPTY_G, slow = act->flow || act->span_s > 1.2 || act->blind_after;
    bool pinch = grams < DOSE_LEAST_G && isnan(from->dose_g);
    struct hypothesis *one;

    if (grams >= THING_G && (!act->flow || act->span_s < 2.5)) {
        if ((one = beam_branch(beam, from, (act->flow ? SLOW_THING : 0) + (stands ? odds_heavy(grams) : 0))))
            add_thing(one, act, grams);
    } else if (grams >= DOSE_LEAST_G && grams < THING_G && (!act->flow || act->span_s < 2.5)
               && (one = beam_branch(beam, from, (act->flow ? SLOW_THING : 0) + (stands ? 2.5 : 0.5)))) {
        story_put_lid(one, grams);
    }
    if (!stands) {
        if (grams >= DOSE_LEAST_G && (one = beam_branch(beam, from, 0.5)))
            one->hand_g += grams;
        else if (grams < DOSE_LEAST_G)
            beam_branch(beam, from, 0);
        return;
    }
    if (pinch) {
        beam_branch(beam, from, act->blind_after ? PINCH : 0);
        if (grams < 1 && !act->blind_after)
            return;
    }
    if (grams <= DOSE_MOST_G) {
        against = slow && grams >= DOSE_LEAST_G ? odds_log(rate, DOSE_RATE_G_PER_S, DOSE_RATE_SPREAD) : 0.7;
        if (from->things == 0)
            against += 1;
        if ((one = beam_branch(beam, from, against + (pinch && !act->blind_after ? PINCH : 0))))
            story_add_dose(one, act);
    }
    if (slow && grams >= (act->blind_after ? 1 : WATER_LEAST_G)) {
        against = odds_log(rate, WATER_RATE_G_PER_S, WATER_RATE_SPREAD) + act_against_one_way(act);
        against += isnan(from->dose_g) && !from->dose_hidden ? NO_DOSE_SEEN : 0;
        against += act->blind_after ? 0 : SHORT_POUR * fmax(0, SHORT_POUR_S - act->span_s);
        if (!isnan(from->dose_g) && act->pause_s < 1.2)
            against += 2;
        if ((one = beam_branch(beam, from, against + (from->filled ? FILLED_AGAIN : 0))))
            story_first_water(one, act);
        if (isnan(from->dose_g) && (one = beam_branch(beam, from, from->filled ? FILLED_AGAIN : FILLED)))
            one->filled = true;
    }
    if (grams >= DOSE_LEAST_G && (one = beam_branch(beam, from, HAND + (act->flow ? fmax(0, act->span_s - 3) : 0))))
        one->hand_g += grams;
}

void phase_setup(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double grams = act->after_g - act->before_g;
    struct hypothesis *one;

    if (from->filled && act_is_force(act)) {
        beam_branch(beam, from, FILLED_PRESSED);
    } else if (act->after_g - from->zero_g < EMPTY_G && act->before_g - from->zero_g >= EMPTY_G) {
        if ((one = beam_branch(beam, from, 0))) {
            if (from->things)
                one->alone_g = from->things == 1 && !from->lids && isnan(from->dose_g) ? from->first_thing_g : NAN;
            story_setup(one);
        }
    } else if (grams <= -DOSE_LEAST_G && from->hand_g > 1 && fabs(grams + from->hand_g) < 2 + 0.2 * from->hand_g) {
        if ((one = beam_branch(beam, from, 0)))
            one->hand_g = 0;
    } else if (grams <= -DOSE_LEAST_G) {
        if ((one = beam_branch(beam, from, 0)) && !story_take_lid(one, -grams)) {
            if (-grams >= THING_G) { /* what was weighed may have gone with it */
                one->against += isnan(one->dose_g) ? 0 : odds_log(one->dose_g, DOSE_USUAL_G, DOSE_SPREAD);
                one->dose_g = NAN;
            } else if (!isnan(one->dose_g)) {
                one->against += -grams > DOSE_BACK_SHARE * one->dose_g ? DOSE_BACK : 0.5;
                if ((one->dose_g += grams) < DOSE_LEAST_G / 2)
                    one->dose_g = NAN; /* taken back */
            }
        }
    } else if (grams > 0.05) {
        setup_rises(beam, from, act);
    } else if ((one = beam_branch(beam, from, 0)) && !isnan(one->dose_g)) {
        one->dose_g += grams;
    }
}
