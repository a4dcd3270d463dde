/* All was lifted off: what comes back is the full cup, all of it, or the next brew's; and the cup is weighed. */
#include "beam.h"

#include <math.h>

#include "ledger.h"
#include "parts.h"
#include "trade.h"

void phase_away(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double load_g = act->after_g - from->zero_g, more_g = act->after_g - from->full_g;
    double gone_s = seconds(from->away_us, act->begin_us), against;
    bool seen = from->press_seen || beam->tracker->gauge.began_us;
    struct hypothesis *one;

    if (load_g < EMPTY_G || !act->rest_after) {
        beam_branch(beam, from, 0);
        return;
    }
    /* the full cup */
    against = ledger_against_full(beam->tracker, from, load_g);
    if (!seen && gone_s < (double)PRESS_BESIDE_US / 1e6)
        against += 5 + ((double)PRESS_BESIDE_US / 1e6 - gone_s);
    if ((one = beam_branch(beam, from, against))) {
        if (!one->press_began_us) {
            story_end_pour(one);
            story_add_lifted(one, one->away_us);
        }
        if (!one->press_seen)
            story_add(one, STAGE_WEIGH, act->begin_us, 0);
        one->back_us = act->begin_us;
        story_weigh(one, act);
    }
    /* all of it */
    if (!from->press_seen) {
        double off = (more_g > 0 ? 2 : 1) * more_g / BACK_U_G, late = fmax(0, gone_s - 20) / 20;

        if (fabs(more_g) < 3 * SAME_G
            && (one = beam_branch(beam, from,
                                  ALL_BACK - (gone_s < 10 ? 1 : 0) + fmin(off * off / 2, 20) + late
                                      - ledger_sharpness(BACK_U_G)))) {
            one->phase = PHASE_WATER;
            one->brewer_us = 0;
        }
        if (more_g > THING_G && isnan(from->cup_g) && /* with the cup that was not there before */
            (one = beam_branch(beam, from, 2 + (gone_s < 11 ? 0 : 4)))) {
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
    if ((one = beam_branch(beam, from, NEXT_CUP + against)))
        story_another_begins(one, act->begin_us);
}

void phase_weighed(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double grams = act->after_g - act->before_g, wide_g = act->high_g - act->low_g;
    bool unseen = !from->press_seen && !beam->tracker->gauge.began_us;
    struct hypothesis *one = beam_branch(beam, from, 0);

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
            story_weighs(one, act->after_g, act->after_u_g); /* the hand had not let go */
        return;
    }
    if (fabs(grams) >= TOUCH_G || wide_g >= 200)
        one->left_weighing = true;
    else if (act->rest_after)
        story_weighs(one, act->after_g, act->after_u_g);
}
