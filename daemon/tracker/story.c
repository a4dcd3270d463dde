/* What was seen, act by act and rest by rest, read by all hypotheses at once. */
#include "story.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "beam.h"
#include "doubt.h"
#include "ledger.h"
#include "parts.h"
#include "trade.h"

/* A rest so short is part of what hands do. */
static const double BREATH_S = 0.35;

/* What is shown after a tare, but for a division; and one is seen within a single reading of a scale that speaks less
 * often. */
static const double TARED_G = 1.5, TARE_SEEN_S = 0.3;

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

static void extend(struct beam *beam, struct hypothesis *from, const struct act *act)
{
    struct act seen = *act;

    from->crept_g += act->crept_g;
    seen.before_g += from->shift_g;
    seen.after_g += from->shift_g;
    seen.low_g += from->shift_g;
    seen.high_g += from->shift_g;
    seen.peak_g += from->shift_g;
    if (from->nothing || from->over) {
        beam_branch(beam, from, 0);
        return;
    }
    if (fabs(act->shown_after_g) < TARED_G + beam->tracker->weighing.resolution_g
        && fabs(act->after_g - act->before_g) > 2 && act->span_s < 1.5) {
        struct hypothesis *one = beam_branch(beam, from, against_tare(beam->tracker, from, act));

        if (one)
            one->shift_g += act->before_g - act->after_g;
    }
    if (act->blind) {
        phase_blind(beam, from, &seen);
        return;
    }
    switch (from->phase) {
    case PHASE_SETUP:
        phase_setup(beam, from, &seen);
        break;
    case PHASE_WATER:
        phase_water(beam, from, &seen);
        break;
    case PHASE_PRESSED:
        phase_pressed(beam, from, &seen);
        break;
    case PHASE_AWAY:
        phase_away(beam, from, &seen);
        break;
    default:
        phase_weighed(beam, from, &seen);
        break;
    }
}

/* The load rests: what was open is decided. */
static void rest(struct hypothesis *story, const struct segment *segment, const struct drift *drift, bool last)
{
    double crept_g = (double)drift_between(drift, segment->first_slope, segment->last_slope).g_per_s
                     * seconds(segment->begin_us, segment->end_us);
    double level_g = (double)segment->first_g + story->shift_g, lasts_s = seconds(segment->begin_us, segment->end_us);

    if (story->nothing || story->over)
        return;
    if (level_g < story->zero_g - EMPTY_G)
        story->against += BELOW_EMPTY;
    if (level_g < story->zero_g + 3) {
        if (story->brewing)
            story->zero_moved_g = level_g - story->zero_before_g;
        else
            story->zero_before_g = level_g;
        story->zero_g = (double)segment->last_g + story->shift_g, story->crept_g = 0;
    } else {
        story->crept_g += crept_g;
    }
    if (story->phase == PHASE_SETUP && !isnan(story->dose_g)) { /* a pinch that came too slowly to be seen */
        double more_g = (double)(segment->last_g - segment->first_g) - crept_g;

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
        story_end_stir(story);
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
        story_weighs(story, level_g, (double)segment->first_u_g);
    }
}

/* What is still open at the end. */
static void conclude(struct hypothesis *story, const struct tracker *tracker)
{
    int64_t now_us = tracker->now_us;

    if (!story->brewing || story->nothing || story->over)
        return;
    if (story->phase == PHASE_WATER && !story->pour_open && now_us - story->pour_ended_us > POUR_PAUSE_US)
        story_end_pour(story);
    if (story_is_lean(story, now_us) && !tracker->gauge.began_us)
        story_forget_press(story);
    else if (story->phase == PHASE_PRESSED && story->press_ended_us
             && story_is_lean(story, story->press_ended_us + GO_ON_US))
        story->wait_us = story->press_ended_us + GO_ON_US;
    if (story->phase == PHASE_WEIGHED)
        story->wait_us =
            story->out_us
            + ((story->press_seen && !story->press_hidden) || tracker->gauge.began_us ? WEIGHED_US : DOUBT_US);
    second_weigh(tracker, story);
    if (story->phase == PHASE_WEIGHED) {
        story->over = story->left_weighing || (story->wait_us && now_us >= story->wait_us);
        story->over_us = story->out_us;
    }
    if (story->phase == PHASE_AWAY && !story->wait_us)
        story->wait_us = story->away_us + AWAY_US;
    if (story->phase == PHASE_AWAY && now_us >= story->away_us + AWAY_US)
        story_another_begins(story, story->away_us + 1);
}

/* Hands at work hold still for a moment. */
static bool is_breath(const struct tracker *tracker, const struct segment *rest)
{
    return seconds(rest->begin_us, rest->end_us) < fmax(BREATH_S, 1.5 * tracker->weighing.period_s);
}

void story_read(struct story *out, const struct tracker *tracker, struct measures *measures)
{
    struct segment list[SEGMENTS_READ];
    struct hypothesis kept[BEAM], branches[BRANCHES];
    struct reading_of of[BEAM];
    int count = segments_read(&tracker->segments, &tracker->weighing, &tracker->filter, list), beam_count = 1;
    struct beam beam = { .tracker = tracker, .list = branches };
    double level_g = NAN, total = 0;

    memset(&kept[0], 0, sizeof kept[0]);
    kept[0].zero_g = isnan(tracker->zero_g) ? 0 : tracker->zero_g;
    kept[0].zero_before_g = kept[0].zero_g;
    kept[0].alone_g = tracker->alone_g;
    story_setup(&kept[0]);
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
        acts = act_gather(act, acts, filter_doubt(&tracker->filter));
        for (int k = 0; k < acts; k++) {
            beam.count = 0;
            beam.best = INFINITY;
            for (int j = 0; j < beam_count; j++)
                extend(&beam, &kept[j], &act[k]);
            beam_count = beam_prune(branches, beam.count, kept);
        }
        if (i == count)
            break;
        level_g = (double)list[i].last_g;
        for (int j = 0; j < beam_count; j++)
            rest(&kept[j], &list[i], &tracker->segments.drift, i == count - 1);
    }
    for (int j = 0; j < beam_count; j++) {
        conclude(&kept[j], tracker);
        kept[j].against += ledger_against(tracker, &kept[j]);
    }
    qsort(kept, (size_t)beam_count, sizeof *kept, beam_by_against);
    for (int j = 0; j < beam_count; j++)
        total += exp(kept[0].against - kept[j].against);
    out->brewing = out->shifted = out->fate = 0;
    for (int j = 0; j < beam_count; j++) {
        double chance = exp(kept[0].against - kept[j].against) / total;

        ledger_measure(tracker, &kept[j], &of[j].measures);
        of[j].story = &kept[j];
        of[j].chance = chance;
        out->fate += kept[j].over == kept[0].over && kept[j].nothing == kept[0].nothing ? chance : 0;
        out->shifted += fabs(kept[j].shift_g) > 1 ? chance : 0;
        out->brewing += kept[j].brewing && !kept[j].nothing ? chance : 0;
    }
    out->best = kept[0];
    *measures = of[0].measures;
    doubt_spread(&out->best, measures, of, beam_count);
    out->chance = of[0].chance;
    out->load_g = isnan(level_g) ? NAN : level_g + out->best.shift_g;
}
