/* What an act makes of a hypothesis: its stages, its touches, its press, its cup. */
#include "hypothesis.h"

#include <math.h>
#include <string.h>

#include "trade.h"

static const double LIFTED_U_S = 2; /* carried, set down, leaned on: practice */

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
        story_add(story, STAGE_STEEP, story->pour_ended_us, (double)story->pour_end_u_s);
    story->pour_ended_us = 0;
}

void story_add_lifted(struct hypothesis *story, int64_t at_us)
{
    story_add(story, STAGE_PRESS, at_us, LIFTED_U_S);
    story->press_began_us = at_us;
}

void story_end_touch(struct hypothesis *story)
{
    story->knocked = false;
    story->touch_us = story->touch_end_us = 0;
    story->touch_s = story->touch_g = 0;
}

void story_setup(struct hypothesis *story)
{
    story->dose_g = story->cup_g = story->first_thing_g = story->bare_g = NAN;
    story->dose_us = story->thing_us = 0;
    story->things = story->lids = 0;
    story->hand_g = story->cup_u_g = story->dose_u2_g = 0;
    story->filled = story->dose_hidden = story->split = false;
    story->unseen_g = 0;
    story_end_touch(story);
}

void story_put_lid(struct hypothesis *story, double grams)
{
    if (story->lids < LIDS)
        story->lid_g[story->lids++] = (float)grams;
}

void story_first_water(struct hypothesis *story, const struct act *act)
{
    story->phase = PHASE_WATER;
    story->brewing = true;
    story->first_water_us = story->began_us = act->begin_us;
    story->first_water_g = story->poured_g = act->after_g - act->before_g;
    story->water_u2_g = act_level_u2(act);
    story->pours = 1;
    if (!isnan(story->dose_g)) {
        story->began_us = story->dose_us;
        story_add(story, STAGE_DOSE, story->dose_us, (double)story->dose_u_s);
    } else if (story->thing_us) { /* it came with the brewer */
        story->began_us = story->thing_us;
        story_add(story, STAGE_DOSE, story->thing_us, 0);
    }
    story_add(story, STAGE_POUR, act->begin_us, act->begin_u_s);
    story->pour_open = act->open;
    story->pour_ended_us = act->open ? 0 : act->end_us;
    story->pour_end_u_s = (float)act->end_u_s;
    story->first_ended_us = story->pour_ended_us;
    story->poured_to_g = act->after_g;
    story->steeped_us = act->end_us;
    story->pour_level = true;
    story->unrested = !act->open && !act->rest_after;
    story_end_touch(story);
}

void story_add_dose(struct hypothesis *story, const struct act *act)
{
    if (isnan(story->dose_g)) {
        story->dose_g = 0;
        story->bare_g = act->before_g - story->zero_g;
        story->dose_us = act->begin_us;
        story->dose_u_s = (float)act->begin_u_s;
        story->dose_u2_g = pow((double)story->unseen_g, 2);
    }
    story->dose_g += act->after_g - act->before_g;
    story->dose_u2_g += act_level_u2(act);
}

void story_pour(struct hypothesis *story, const struct act *act)
{
    if (story->touch_us && story->touch_s < STIR_LEAST_S)
        story_end_touch(story);
    story->poured_g += act->after_g - act->before_g;
    story->water_u2_g += act_level_u2(act);
    if (!story->pour_open && (story->pour_ended_us == 0 || act->begin_us - story->pour_ended_us > POUR_PAUSE_US)) {
        story->pours++;
        if (!story->second_water_us)
            story->second_water_us = act->begin_us;
        story_end_pour(story);
        story_add(story, STAGE_POUR, act->begin_us, act->begin_u_s);
    }
    story->pour_open = act->open;
    story->pour_ended_us = act->open ? 0 : act->end_us;
    story->pour_end_u_s = (float)act->end_u_s;
    if (story->pours == 1)
        story->first_ended_us = story->pour_ended_us;
    story->poured_to_g = act->after_g;
    story->steeped_us = act->end_us;
    story->pour_level = true;
    story->unrested = !act->open && !act->rest_after;
    story_end_touch(story);
}

/* The lid that weighs so much is taken off; false: there is none. */
bool story_take_lid(struct hypothesis *story, double grams)
{
    for (int i = story->lids - 1; i >= 0; i--)
        if (fabs((double)story->lid_g[i] - grams) < 3 + 0.05 * grams) {
            memmove(&story->lid_g[i], &story->lid_g[i + 1], (size_t)(story->lids - i - 1) * sizeof story->lid_g[0]);
            story->lids--;
            return true;
        }
    return false;
}

void story_end_stir(struct hypothesis *story)
{
    if (story->stir_open)
        story_put(story, STAGE_SETTLE, story->stir_ended_us, 0);
    story->stir_open = false;
}

/* A spoon, a swirl, a knock: a stir when it lasts. */
void story_touch(struct hypothesis *story, const struct act *act)
{
    double wide_g =
        fmax(act->high_g - fmax(act->before_g, act->after_g), fmin(act->before_g, act->after_g) - act->low_g);

    if (!story->touch_us || story->knocked || act->begin_us - story->touch_end_us > STIR_PAUSE_US) {
        story_end_touch(story);
        story->touch_us = act->begin_us;
        if (story->spoon_us && act->begin_us - story->spoon_end_us < SPOON_US)
            story->touch_us = story->spoon_us;
    }
    story->knocked = story->touch_us == act->begin_us && act_is_knock(act);
    story->touch_end_us = act->end_us;
    story->touch_s += act_is_knock(act) ? 0 : act->span_s;
    story->touch_g = fmax(story->touch_g, wide_g);
    if (story->touch_s < STIR_LEAST_S || (!act->unseen && story->touch_g < STIR_LEAST_G))
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
        story_end_stir(story);
}

void story_begin_press(struct hypothesis *story, const struct act *act)
{
    if (!story->press_seen) {
        story_end_touch(story);
        story_end_pour(story);
        story_add(story, STAGE_PRESS, act->begin_us, act->begin_u_s);
        story->press_began_us = act->begin_us;
        story->full_g = act->before_g;
        story->press_seen = true;
    } else if (story->count && story->step[story->count - 1].stage == STAGE_WEIGH) {
        story->count--;
    }
    story->base_g = act->before_g;
    story->phase = PHASE_PRESSED;
    story->pressing = true;
    story->press_ended_us = 0;
    story->wait_us = 0;
}

void story_hidden_press(struct hypothesis *story, const struct act *act)
{
    story_begin_press(story, act);
    story->press_hidden = true;
    story_end_press(story, act, act->end_us);
}

void story_take_force(struct hypothesis *story, const struct act *act)
{
    story->force_gs += fmax(0, act->over_g + act->before_g - story->base_g) * act->span_s;
    story->force_s += act->span_s;
    story->force_peak_g = fmax(story->force_peak_g, act->peak_g - story->base_g);
    story->above |= act->overload;
}

void story_end_press(struct hypothesis *story, const struct act *act, int64_t at_us)
{
    story->pressing = false;
    story->press_ended_us = at_us;
    story_add(story, STAGE_WEIGH, at_us, act->end_u_s);
}

/* A whole press in one movement: it begins and ends with what was pressed on. */
void story_whole_press(struct hypothesis *story, const struct act *act)
{
    story_begin_press(story, act);
    story_take_force(story, act);
    if (!act->open)
        story_end_press(story, act, act->end_us);
}

void story_weighs(struct hypothesis *story, double level_g, double u_g)
{
    story->weighed_g = level_g - story->zero_g - fmax(0, story->crept_g);
    story->weighed_u_g = hypot(u_g, (story->crept_g > 0 ? CREPT_U_SHARE : STEAM_U_SHARE) * story->crept_g);
}

void story_weigh(struct hypothesis *story, const struct act *act)
{
    if (!act->rest_after)
        return;
    story_add(story, STAGE_STRENGTH, act->end_us, act->end_u_s);
    story->phase = PHASE_WEIGHED;
    story_weighs(story, act->after_g, act->after_u_g);
    story->out_us = act->end_us;
    story->left_weighing = false;
}

/* A hand leaned on the brewer for a moment, and nothing came of it until at_us. */
bool story_is_lean(const struct hypothesis *story, int64_t at_us)
{
    return story->phase == PHASE_PRESSED && story->press_ended_us && !story->above && story->force_s < LEAN_MOST_S
           && story->force_gs < LEAN_MOST_G * story->force_s && at_us - story->press_ended_us >= GO_ON_US;
}

void story_forget_press(struct hypothesis *story)
{
    while (story->count && story->step[story->count - 1].stage >= STAGE_PRESS)
        story->count--;
    story->phase = PHASE_WATER;
    story->press_began_us = story->press_ended_us = story->wait_us = 0;
    story->press_seen = story->pressing = false;
    story->force_gs = story->force_s = story->force_peak_g = 0;
}

void story_another_begins(struct hypothesis *story, int64_t at_us)
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
