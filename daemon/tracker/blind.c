/* A silence of the scale: hands did one thing, or several, or nothing.  What is one movement elsewhere is tried here as
 * a thing and as a stream; and what may have come together in it, in parts that nobody saw. */
#include "beam.h"

#include <math.h>

#include "ledger.h"
#include "parts.h"
#include "trade.h"

/* Somewhere in so long: the standard deviation of an even distribution. */
static double even(double width)
{
    return width / sqrt(12);
}

/* What was shorter than the silence is somewhere in it, but next to what was seen to begin or to go on. */
static struct act shorter(const struct act *act, double span_s)
{
    struct act one = *act;
    double slack_s = fmax(0, act->span_s - span_s);

    one.jump = true;
    one.span_s = fmin(span_s, act->span_s);
    one.begin_u_s = one.end_u_s = even(slack_s);
    if (!act->rest_after)
        one.begin_us += (int64_t)(slack_s * 1e6);
    else if (!act->rested_before)
        one.end_us -= (int64_t)(slack_s * 1e6);
    else
        one.begin_us = one.end_us - (int64_t)((one.span_s + slack_s / 2) * 1e6);
    if (act->rested_before && act->rest_after)
        one.end_us = one.begin_us + (int64_t)(one.span_s * 1e6);
    return one;
}

/* Against a thing put down while something was poured. */
static double while_flowing(const struct act *act)
{
    return act->flowing ? SLOW_THING : 0;
}

static struct act as_thing(const struct act *act)
{
    return shorter(act, HIDDEN_THING_S);
}

static struct act as_stream(const struct act *act)
{
    struct act one = shorter(act, fabs(act->after_g - act->before_g) / WATER_RATE_G_PER_S);

    one.jump = false;
    one.flow = true;
    return one;
}

/* Several things were done: more than there was time for is unlikely. */
static double against_more(const struct act *act, double against, double least_s)
{
    return against + HASTE * fmax(0, least_s - act->span_s);
}

/* Of what rose, some is coffee that nobody saw: water is the rest. */
static void hide_dose(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double rise_g = act->after_g - act->before_g, u_g, seen_g = isnan(from->dose_g) ? 0 : from->dose_g;
    double hidden_g = fmax(DOSE_LEAST_G, ledger_foreseen_dose_g(beam->tracker, &u_g) - seen_g);
    struct act stream = as_stream(act);
    struct hypothesis *one;

    if (hidden_g > rise_g - WATER_LEAST_G
        || !(one = beam_branch(beam, from, against_more(act, HIDDEN_TWO, HIDDEN_TWO_S))))
        return;
    if (isnan(one->dose_g)) {
        one->dose_us = act->begin_us;
        one->dose_u_s = (float)even(act->span_s);
        one->dose_g = 0; /* for its stage */
    }
    story_first_water(one, &stream);
    one->dose_g = NAN;
    one->poured_g -= hidden_g;
    one->first_water_g -= hidden_g;
    one->water_u2_g += u_g * u_g;
}

/* And some of it things, nobody knows how much. */
static void hide_things(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double rise_g = act->after_g - act->before_g, most_g = rise_g - THING_G;
    struct act stream = as_stream(act);
    struct hypothesis *one;

    if (most_g < WATER_LEAST_G || !(one = beam_branch(beam, from, against_more(act, HIDDEN_THREE, HIDDEN_THREE_S))))
        return;
    story_first_water(one, &stream);
    one->dose_g = NAN;
    one->first_water_g = one->poured_g = (WATER_LEAST_G + most_g) / 2;
    one->water_u2_g += pow(even(most_g - WATER_LEAST_G), 2);
}

static void in_setup(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double rise_g = act->after_g - act->before_g;
    struct act thing = as_thing(act), stream = as_stream(act);
    struct hypothesis hidden = *from, *one;

    if (rise_g > 0.05 && rise_g < DOSE_LEAST_G && isnan(from->dose_g)) { /* the first pinch of what goes on */
        if ((one = beam_branch(beam, from, act->rest_after ? PINCH : 0)))
            story_add_dose(one, &thing);
        beam_branch(beam, from, act->rest_after ? 0 : PINCH);
        return;
    }
    if (!act->rest_after && rise_g > 0.3 && rise_g < WATER_LEAST_G
        && (one = beam_branch(beam, from, isnan(from->dose_g) && !from->dose_hidden ? NO_DOSE_SEEN : 0)))
        story_first_water(one, &stream);      /* the first drops of it */
    if (!act->rest_after && rise_g > THING_G) /* the coffee was falling already */
        hidden.unseen_g = (float)fmin(DOSE_SPREAD * DOSE_USUAL_G, DOSE_RATE_G_PER_S * even(act->span_s));
    hidden.split = true;
    hidden.dose_hidden |= rise_g >= DOSE_LEAST_G && act->span_s > HIDDEN_DOSE_S;
    hidden.against += while_flowing(act);
    phase_setup(beam, &hidden, &thing);
    hidden.against = from->against;
    if (rise_g < DOSE_LEAST_G)
        return;
    hidden.dose_hidden = from->dose_hidden;
    phase_setup(beam, &hidden, &stream);
    hide_dose(beam, &hidden, act);
    hide_things(beam, &hidden, act);
}

/* All was lifted off and only the full cup came back, or it was pressed here and the brewer taken. */
static void hide_press(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double net_g = act->after_g - act->before_g, against = against_more(act, 0, HIDDEN_PRESS_S);
    struct hypothesis *one;

    if (fabs(net_g) < TOUCH_G) {
        if ((one = beam_branch(beam, from, against + HIDDEN_THREE)))
            story_hidden_press(one, act);
    } else if (-net_g >= THING_G && act->after_g - from->zero_g >= LEAST_CUP_G && act->rest_after
               && (one = beam_branch(beam, from,
                                     against + HIDDEN_TWO
                                         + ledger_against_full(beam->tracker, from, act->after_g - from->zero_g)))) {
        story_hidden_press(one, act);
        one->full_g = act->before_g;
        story_weigh(one, act);
    }
}

static void in_water(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    double rise_g = act->after_g - act->before_g;
    struct act thing = as_thing(act), stream = as_stream(act);
    struct hypothesis split = *from, *one;

    split.split |= rise_g > WATER_LEAST_G;
    from = &split;
    if (fabs(rise_g) < 0.3) {
        struct act hands = *act;

        beam_branch(beam, from, 0);
        hands.high_g = fmax(hands.high_g, hands.before_g + 2 * STIR_LEAST_G);
        if ((one = beam_branch(beam, from, HIDDEN_TWO)))
            story_touch(one, &hands);
    } else {
        split.against += while_flowing(act);
        phase_water(beam, from, &thing);
        split.against -= while_flowing(act);
        if (rise_g > 0)
            phase_water(beam, from, &stream);
    }
    if (rise_g > THING_G + WATER_LEAST_G
        && (one = beam_branch(beam, from, against_more(act, HIDDEN_TWO, HIDDEN_TWO_S)))) {
        story_pour(one, &stream);
        one->poured_g -= HIDDEN_LID_G;
        one->water_u2_g += HIDDEN_LID_U_G * HIDDEN_LID_U_G;
    }
    hide_press(beam, from, act);
}

/* The scale was switched off, and its zero is another since: nothing was moved. */
static void lose_zero(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    bool at_zero = fabs(act->shown_after_g) < TOUCH_G, empty = act->after_g - from->zero_g < EMPTY_G;
    struct hypothesis *one;

    if (act->span_s < SWITCHED_S || fabs(act->after_g - act->before_g) < TOUCH_G)
        return;
    one = beam_branch(beam, from,
                      (at_zero ? SWITCHED : SWITCHED_ANYWHERE)
                          - (at_zero && !empty ? ledger_sharpness(beam->tracker->weighing.resolution_g) : 0));
    if (one)
        one->shift_g += act->before_g - act->after_g;
}

void phase_blind(struct beam *beam, const struct hypothesis *from, const struct act *act)
{
    struct act thing;

    lose_zero(beam, from, act);
    switch (from->phase) {
    case PHASE_SETUP:
        in_setup(beam, from, act);
        break;
    case PHASE_WATER:
        in_water(beam, from, act);
        break;
    case PHASE_PRESSED:
        thing = as_thing(act);
        phase_pressed(beam, from, &thing);
        break;
    case PHASE_AWAY:
        thing = as_thing(act);
        phase_away(beam, from, &thing);
        break;
    default:
        thing = as_thing(act);
        phase_weighed(beam, from, &thing);
        break;
    }
}
