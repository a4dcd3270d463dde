/* From segments to acts: what hands did in one go becomes one. */
#include "act.h"

#include <math.h>
#include <string.h>

#include "change.h"
#include "parts.h"
#include "trade.h"

/* A knock rings for less, goes hardly farther than out and back, and leaves little. */
static const double KNOCK_MOST_S = 1.3, KNOCK_PATH = 2.6, KNOCK_LEFT = 0.35;

/* Silences in a stream: it may have been so much faster or slower in them. */
static const double FLOWS_ON = 0.6;

/* A tail is no longer, and no wider beside what it follows; a splash belongs to its stream. */
static const double TAIL_LEAST_G = 12, TAIL_MOST_S = 2, TAIL_SHARE = 0.03, TAIL_SOON_S = 1, TAIL_SOON_SHARE = 0.15,
                    SPLASH_G = 8;

double act_level_u2(const struct act *act)
{
    return act->before_u_g * act->before_u_g + act->after_u_g * act->after_u_g;
}

bool act_is_knock(const struct act *act)
{
    double range_g = fmax(act->high_g, act->before_g) - fmin(act->low_g, act->before_g);

    if (act->shaken != SHAKEN_UNKNOWN)
        return act->shaken == SHAKEN_BY_A_BLOW;
    return !act->flow && act->span_s < KNOCK_MOST_S && range_g > STIR_LEAST_G && act->path_g < KNOCK_PATH * range_g
           && fabs(act->after_g - act->before_g) < KNOCK_LEFT * range_g;
}

double act_against_one_way(const struct act *act)
{
    double net_g = fabs(act->after_g - act->before_g);

    return act->flow ? 0 : NO_STREAM + BACK_AND_FORTH * fmax(0, act->path_g / fmax(net_g, 1) - 1.5);
}

bool act_is_force(const struct act *act)
{
    double net_g = act->after_g - act->before_g;

    return act->overload
           || (!act->flow && act->over_g > FORCE_LEAST_G && act->span_s > 1
               && (act->open || net_g < 0.2 * act->over_g));
}

/* What drifted while hands were at it is none of theirs: the load before would have come to that by itself. */
static void drift_under(struct act *act, struct drift_rate rate)
{
    act->crept_g = act->span_s * (double)rate.g_per_s;
    act->before_g += act->crept_g;
    act->before_u_g = hypot(act->before_u_g, act->span_s * (double)rate.u_g_per_s);
}

/* Where two movements meet nobody saw a rest between: a stream may have begun or ended at any time between two
 * readings, which is a rectangular distribution (JCGM 100:2008, 4.3.7). */
static double meeting_u_g(const struct tracker *tracker, const struct segment *one, const struct segment *other)
{
    const struct segment *stream = one->kind == KIND_FLOW ? one : other;
    double lasted_s = fmax(seconds(stream->begin_us, stream->end_us), tracker->weighing.period_s);

    if (stream->kind != KIND_FLOW)
        return 0;
    return fabs((double)(stream->last_g - stream->first_g)) / lasted_s * tracker->weighing.period_s / sqrt(12);
}

struct act act_of(const struct tracker *tracker, const struct segment *list, int count, int i, double before_g)
{
    const struct segment *segment = &list[i], *before = i ? segment - 1 : NULL,
                         *after = i + 1 < count ? segment + 1 : NULL;
    struct drift_rate slope[2];
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
        .unseen = segment->unseen,
        .shaken = (enum shaken)segment->shaken,
        .blind = segment->kind == KIND_BLIND,
        .begin_u_s = (double)segment->begin_u_s,
        .end_u_s = (double)segment->end_u_s,
    };

    act.before_g = before_g;
    act.after_g = (double)segment->last_g;
    slope[0] = before && before->kind == KIND_REST ? before->last_slope : DRIFT_UNSEEN;
    slope[1] = after && after->kind == KIND_REST ? after->first_slope : DRIFT_UNSEEN;
    if (before && before->kind == KIND_REST) {
        act.before_u_g = (double)before->last_u_g;
        act.rested_before = true;
        act.pause_s = seconds(before->begin_us, before->end_us);
    } else if (before) {
        act.before_u_g = meeting_u_g(tracker, before, segment);
    }
    if (after && after->kind == KIND_REST) {
        act.after_g = (double)after->first_g;
        act.after_u_g = (double)after->first_u_g;
        act.rest_after = i + 2 < count || tracker->segments.resting;
    } else if (after) {
        act.after_u_g = meeting_u_g(tracker, segment, after);
    }
    if (act.flow && act.after_g - act.before_g > STREAM_LEAST_G)
        act.begin_us += STREAM_US;
    act.flowing = before && before->kind == KIND_FLOW;
    act.blind_after = after && after->kind == KIND_BLIND;
    act.span_s = fmax(seconds(act.begin_us, act.end_us), 0.02);
    drift_under(&act, drift_between(&tracker->segments.drift, slope[0], slope[1]));
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
    act->blind_after = next->blind_after;
    act->overload |= next->overload;
    act->unseen |= next->unseen;
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

/* Hands that put nothing down, from one level back to it, and nobody was blind. */
static bool is_shaken(const struct act *first, const struct act *last)
{
    double low_g = INFINITY, high_g = -INFINITY, net_g = fabs(last->after_g - first->before_g);

    for (const struct act *act = first; act <= last; act++) {
        if (act->blind)
            return false;
        low_g = fmin(low_g, fmin(act->low_g, act->before_g));
        high_g = fmax(high_g, fmax(act->high_g, act->before_g));
    }
    return net_g < TOUCH_G && high_g - low_g > 4 * net_g + 1;
}

/* A stream went on through a silence: it brought about as much as before and after it. */
static bool flows_on(const struct act *before, const struct act *blind, const struct act *after)
{
    double brought_g = before->after_g - before->before_g + after->after_g - after->before_g;
    double foreseen_g = brought_g / (before->span_s + after->span_s) * blind->span_s;

    return before->flow && after->flow && blind->span_s < HIDDEN_DOSE_S
           && fabs(blind->after_g - blind->before_g - foreseen_g) < FLOWS_ON * foreseen_g;
}

int act_gather(struct act *act, int count, double doubt)
{
    int kept = 0;

    for (int i = 0; i + 2 < count;) {
        if (!act[i + 1].blind || !flows_on(&act[i], &act[i + 1], &act[i + 2])) {
            i++;
            continue;
        }
        join(&act[i], &act[i + 1]);
        join(&act[i], &act[i + 2]);
        memmove(&act[i + 1], &act[i + 3], (size_t)(count - i - 3) * sizeof *act);
        count -= 2;
    }

    for (int i = 0; i < count; kept++) {
        int last = i;

        for (int j = count - 1; j > i && last == i && !act_is_knock(&act[i]); j--)
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

        if (act[i].blind) {
            act[++kept] = act[i];
        } else if (is_tail(last, &act[i], doubt)) {
            int64_t end_us = last->end_us;

            join(last, &act[i]);
            last->end_us = end_us;
            last->span_s = fmax(seconds(last->begin_us, end_us), 0.02);
        } else if (last->blind) {
            act[++kept] = act[i];
        } else if (last->flow && (act[i].flow || splash)) {
            join(last, &act[i]);
        } else if (!last->flow && !act[i].flow && !act_is_knock(last) && last->shaken == SHAKEN_UNKNOWN
                   && seconds(last->begin_us, act[i].end_us) < PUT_MOST_S) {
            if (last->high_g - last->low_g < TAIL_SHARE * (act[i].high_g - act[i].low_g)
                && last->high_g - last->low_g < 1)
                *last = act[i]; /* what trembled before it is none of it */
            else
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
