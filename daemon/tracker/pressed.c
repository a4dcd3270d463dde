/* The press, and what follows it while the brewer stands there. */
#include "beam.h"

#include <math.h>

#include "ledger.h"
#include "trade.h"

static void while_pressing(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double left_g = act->after_g - from->base_g, peak_g = fmax(from->force_peak_g, 1);
    struct hypothesis *one = beam_branch(beam, from, 0);

    if (!one)
        return;
    if (act->open || left_g > fmax(FORCE_LEAST_G / 2, 0.05 * peak_g)) {
        story_take_force(one, act);
        return;
    }
    if (!act->jump || act->span_s > 0.6)
        story_take_force(one, act);
    if (seconds(one->press_began_us, act->end_us) < 1)
        one->against += 5;
    if (left_g < -THING_G) { /* let go and lifted at once */
        story_end_press(one, act, act->span_s < PUT_MOST_S ? act->begin_us : act->end_us - LET_GO_US / 2);
        if (act->after_g - one->zero_g < EMPTY_G) {
            one->phase = PHASE_AWAY;
            one->away_us = act->begin_us;
        } else {
            one->against += !one->split ? 0 : ledger_against_balance(beam->tracker, one, act->after_g - one->zero_g);
            story_weigh(one, act);
        }
        return;
    }
    story_end_press(one, act, act->end_us);
}

/* What is against a press in a silence of the scale, when this comes next: what was pressed is lifted off the cup soon.
 */
static double against_unseen(const struct hypothesis *from, const struct act *act)
{
    double left_g = act->after_g - from->zero_g, waited_s = seconds(from->press_ended_us, act->begin_us);

    if (act->after_g > act->before_g - THING_G)
        return TOUCHED_PRESSED;
    return (left_g < EMPTY_G ? CARRIED_PRESSED : 0) + fmin(TOUCHED_PRESSED, waited_s / PRESSED_WAITS_S);
}

void phase_pressed(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double grams = act->after_g - act->before_g;
    struct hypothesis *one, pressed;

    if (from->pressing) {
        while_pressing(beam, from, act);
        return;
    }
    if (from->press_unseen) {
        pressed = *from;
        pressed.against += against_unseen(from, act);
        from = &pressed;
    }
    if (story_is_lean(from, act->begin_us)) {
        struct hypothesis steeps = *from;

        story_forget_press(&steeps);
        phase_water(beam, &steeps, act);
        return;
    }
    if (act_is_force(act)) {
        if ((one = beam_branch(beam, from, 0)))
            story_whole_press(one, act);
        return;
    }
    if (act->after_g - from->zero_g < EMPTY_G && act->before_g - from->zero_g >= EMPTY_G) {
        phase_lift_all(beam, from, act);
        return;
    }
    if (grams > FORCE_LEAST_G) {
        if ((one = beam_branch(beam, from, grams < FORCE_SURE_G ? 2 : 0))) {
            story_begin_press(one, act);
            story_take_force(one, act);
        }
        if (grams < FORCE_SURE_G)
            beam_branch(beam, from, 2);
        return;
    }
    if (!(one = beam_branch(beam, from, 0)))
        return;
    if (-grams >= THING_G && from->full_g - act->after_g >= THING_G && act->after_g - one->zero_g >= LEAST_CUP_G) {
        one->against += !one->split ? 0 : ledger_against_balance(beam->tracker, one, act->after_g - one->zero_g);
        story_weigh(one, act);
    }
}
