/* What the cheapest account makes of the samples: segments with their levels, ranges and dates. */
#include "outline.h"

#include <math.h>
#include <string.h>

#include "account.h"
#include "level.h"
#include "shape.h"
#include "trade.h"

/* Two rests so near to each other are one: the tail of what came before was taken for a rest. */
static const double TAIL_TIMES = 3, TAIL_DIVISIONS = 3;

/* Or when little moves between them, soon after much did. */
static const double TAIL_SEEMS_S = 1.2, TAIL_MOST_S = 2.5, TAIL_SHARE = 0.02, TAIL_DOUBT = 4;

/* The end of a movement is looked for in what hands did within so long; one that shook goes to both sides by such a
 * share. */
static const double END_MOST_S = 3, SHAKEN_SHARE = 0.25;

/* A lift began where what was pressed on came so near to the level before it. */
static const double NEAR_G = 10;


/* Adds what the samples after `from` up to `to` show to a segment. */
void outline_measure(struct segment *segment, const struct weighing *weighing, uint32_t from, uint32_t to, bool fresh)
{
    double range_g;

    if (fresh) {
        segment->first_g = weighing_sample(weighing, from + 1 <= to ? from + 1 : to)->clear_g;
        segment->low_g = segment->kind == KIND_REST ? INFINITY : weighing_sample(weighing, from)->clear_g;
        segment->high_g = segment->kind == KIND_REST ? -INFINITY : segment->low_g;
        segment->peak_g = weighing_sample(weighing, to)->load_g;
        segment->sum_gs = segment->sum_s = segment->path_g = segment->active_s = 0;
    }
    for (uint32_t i = from + 1; i <= to; i++) {
        const struct sample *sample = weighing_sample(weighing, i);

        segment->low_g = fminf(segment->low_g, sample->clear_g);
        segment->high_g = fmaxf(segment->high_g, sample->clear_g);
        segment->peak_g = fmaxf(segment->peak_g, sample->load_g);
        segment->overload |= sample->overload;
    }
    range_g = (double)(segment->high_g - segment->low_g);
    for (uint32_t i = from + 1; i <= to; i++) {
        const struct sample *sample = weighing_sample(weighing, i), *before = weighing_sample(weighing, i - 1);
        double dt = fmin(seconds(before->at_us, sample->at_us), 4 * weighing->period_s);
        double step_g = fabs((double)(sample->clear_g - before->clear_g));

        segment->sum_gs += (float)((double)sample->clear_g * dt);
        segment->sum_s += (float)dt;
        segment->path_g += (float)step_g;
        if (step_g > 0.1 * range_g)
            segment->active_s += (float)dt;
    }
    segment->last_g = weighing_sample(weighing, to)->clear_g;
}

/* When hands had done that came to rest at this sample: what is little beside the movement before it is the tail of
 * that. */
static void date_end(const struct segments *segments, const struct weighing *weighing, struct segment *list,
                     struct segment *last, uint32_t rest, uint32_t until, double level_g, double sigma_g)
{
    double range_g = (double)(last->high_g - last->low_g), widest_g = range_g;
    double low_g = (double)last->low_g, high_g = (double)last->high_g;
    struct segment *first = last, *before = last;
    int64_t end_us;
    bool shaken;

    while (before > list && before->kind != KIND_REST)
        before--;
    for (struct segment *one = last; one >= list && (one->kind == KIND_JUMP || one->kind == KIND_BUSY)
                                     && seconds(one->end_us, last->end_us) < END_MOST_S;
         one--) {
        double one_g = (double)(one->high_g - one->low_g);

        if (one_g > widest_g && range_g < SHAPE_END_SHARE * one_g) {
            first = one;
            widest_g = one_g;
            low_g = (double)one->low_g;
            high_g = (double)one->high_g;
        }
    }
    shaken = level_g - low_g > SHAKEN_SHARE * widest_g && high_g - level_g > SHAKEN_SHARE * widest_g;
    if (before->kind == KIND_REST && fabs(level_g - (double)before->last_g) < SHAKE_MOVES_G)
        shaken |= outline_only_shakes(before + 1, last);
    end_us = shape_ended_us(weighing, rest, until, segments->anchor, level_g, widest_g, shaken, sigma_g);
    for (struct segment *one = last; one >= first; one--) {
        if (one->end_us > end_us || one == last)
            one->end_us = end_us > one->begin_us || one > first ? end_us : one->begin_us;
        if (one->begin_us > one->end_us)
            one->begin_us = one->end_us;
    }
}

/* What comes to rest a little beside where it seemed to rest already. */
static bool is_tail(const struct segment *rest, const struct weighing *weighing, uint32_t from, uint32_t to)
{
    double off_g = fabs(weighing_clear_g(weighing, to) - (double)rest->last_g),
           sure_g = TAIL_TIMES * (double)rest->last_u_g;

    (void)from;
    return off_g < fmax(sure_g, TAIL_DIVISIONS * weighing->resolution_g);
}

/* A press that is let go and lifted at once shows no rest between: where it came below what was pressed on, the lift
 * began.  list[count - 1] is the rest after it; returns how many there are then. */
static int split_lift(const struct segments *segments, const struct weighing *weighing, struct segment *list, int count,
                      uint32_t rest, uint32_t until, double sigma_g)
{
    int busy = count - 2, before = busy;
    double level_g = (double)list[count - 1].first_g, from_g;

    while (before >= 0 && list[before].kind != KIND_REST)
        before--;
    while (busy > before && list[busy].kind != KIND_BUSY)
        busy--;
    from_g = before >= 0 ? (double)list[before].last_g : NAN;
    if (busy <= before || !(level_g < from_g - THING_G) || !((double)list[busy].high_g > from_g + FORCE_LEAST_G))
        return count;
    for (uint32_t i = rest; i-- > segments->anchor + 1;) {
        const struct sample *sample = weighing_sample(weighing, i);
        struct segment after = list[count - 1];

        if ((double)sample->clear_g < from_g + NEAR_G)
            continue;
        if (sample->at_us <= list[busy].begin_us)
            return count;
        after.begin_us = shape_ended_us(weighing, rest, until, i, level_g, from_g - level_g, false, sigma_g);
        list[busy + 1] = (struct segment){ .kind = KIND_JUMP, .begin_us = sample->at_us, .end_us = after.begin_us };
        outline_measure(&list[busy + 1], weighing, i, rest - 1, true);
        list[busy].end_us = sample->at_us;
        list[busy].last_g = (float)from_g;
        list[busy + 2] = after;
        return busy + 3;
    }
    return count;
}

/* A little movement soon after a great one, between what seemed to rest and what does: all of that is the great one's
 * tail, and the rest began where it seemed to.  The newest of count is the rest; returns how many there are then. */
static int join_tail(struct segment *list, int count, double doubt)
{
    struct segment *rest = &list[count - 1], *seemed = rest - 2;
    double moved_g = 0, low_g, high_g;

    if (count < 4 || seemed->kind != KIND_REST || rest[-1].kind == KIND_REST || seemed[-1].kind == KIND_REST
        || seemed[-1].kind == KIND_FLOW || seconds(seemed->begin_us, seemed->end_us) > TAIL_SEEMS_S
        || seconds(seemed->begin_us, rest->begin_us) > TAIL_MOST_S || rest[-1].kind == KIND_BLIND)
        return count;
    for (const struct segment *one = seemed - 1; one >= list && one->kind != KIND_REST; one--)
        moved_g = fmax(moved_g,
                       fmax(fabs((double)(one->high_g - rest->first_g)), fabs((double)(one->low_g - rest->first_g))));
    low_g = fmin((double)rest[-1].low_g, (double)rest->first_g);
    high_g = fmax((double)rest[-1].high_g, (double)rest->first_g);
    if (high_g - low_g > TAIL_SHARE * (1 + TAIL_DOUBT * doubt) * moved_g)
        return count;
    rest->begin_us = seemed->begin_us;
    *seemed = *rest;
    return count - 2;
}

/* Nothing is pressed on, or put down and taken again: first to last only shake the load that rested before them. */
bool outline_only_shakes(const struct segment *first, const struct segment *last)
{
    float from_g = first[-1].last_g;

    for (const struct segment *one = first; one <= last; one++)
        if (one->overload || one->high_g - from_g > SHAKE_WIDE_G || from_g - one->low_g > SHAKE_WIDE_G)
            return false;
    return true;
}

/* Hands that shook what had rested began when that is likeliest; what came before was a blow. */
void outline_date_shake(const struct segments *segments, struct segment *list, int count)
{
    const struct shake *shake = &segments->shake;
    struct segment *rest = list, *first, *last;

    if (!shake->began_us)
        return;
    while (rest < list + count && (rest->kind != KIND_REST || rest->begin_us != segments->rested_us))
        rest++;
    first = rest + 1;
    if (first >= list + count)
        return;
    last = &list[count - 1];
    if (first->kind == KIND_FLOW || first->kind == KIND_BLIND || !outline_only_shakes(first, last)
        || fabs((double)((last->kind == KIND_REST ? last->first_g : last->last_g) - rest->last_g))
               > (last->kind == KIND_REST ? SHAKE_MOVES_G : SHAKE_MOST_G))
        return;
    for (struct segment *one = first; one <= last; one++) {
        if (one->kind == KIND_REST || (one->end_us <= segments->still_us && segments->still_us > rest->begin_us))
            continue;
        one->shaken = SHAKEN_BY_A_BLOW;
        if (one->end_us <= shake->began_us || shake->only_blow)
            continue;
        one->shaken = SHAKEN_BY_HANDS;
        if (one->kind != KIND_FLOW) {
            one->begin_us = shake->began_us;
            if (one[-1].end_us > one->begin_us || one == first)
                one[-1].end_us = one->begin_us;
        }
        break;
    }
}

int segments_read(const struct segments *segments, const struct weighing *weighing, const struct filter *filter,
                  struct segment *out)
{
    uint32_t end[SEGMENTS_OPEN], from = segments->anchor, rest_from = from;
    int count = segments->count, path;
    double sigma_g = account_sigma_g(segments, weighing, filter);

    memcpy(out, segments->list, (size_t)count * sizeof *out);
    if (segments->resting || !segments->begun)
        return count;
    path = account_trace(segments, weighing, end);
    if (segments->carried && segments->carry.kind != KIND_REST
        && (!path || weighing_sample(weighing, end[path - 1])->kind != segments->carry.kind)) {
        out[count] = segments->carry; /* it ended just there */
        out[count++].end_us = weighing_sample(weighing, from)->at_us;
    }
    for (int i = path - 1; i >= 0; i--) {
        uint32_t to = end[i];
        int kind = weighing_sample(weighing, to)->kind;
        bool goes_on = from == segments->anchor && segments->carried && segments->carry.kind == kind;
        struct segment *segment, *before = count ? &out[count - 1] : NULL;

        if (goes_on && kind == KIND_REST && before) {
            segment = before;
        } else if (kind == KIND_REST && before && before->kind == KIND_REST && is_tail(before, weighing, from, to)) {
            segment = before; /* what seemed to rest had not come to rest */
            from = rest_from;
        } else if (before && before->kind == kind && kind != KIND_REST
                   && (kind != KIND_JUMP
                       || seconds(before->begin_us, weighing_sample(weighing, to)->at_us) < JUMP_MOST_S)) {
            segment = before; /* a stream that changes its rate */
            outline_measure(segment, weighing, from, to, false);
        } else {
            segment = &out[count++];
            *segment = goes_on ? segments->carry : (struct segment){ .kind = (unsigned char)kind };
            if (!goes_on)
                segment->begin_us = before ? before->end_us : weighing_sample(weighing, from)->at_us;
            outline_measure(segment, weighing, from, to, !goes_on);
        }
        segment->end_us = weighing_sample(weighing, to)->at_us;
        if (kind == KIND_REST) {
            struct level level;

            rest_from = from;
            uint32_t first = from + 1, last = i > 0 && to > first ? to : to + 1;
            int64_t moved_us = goes_on ? INT64_MIN / 2 : segment->begin_us;
            double moved_g = 0;

            if (goes_on)
                first =
                    segments->rest_first > weighing_oldest(weighing) ? segments->rest_first : weighing_oldest(weighing);
            if (segment == before && count > 1)
                before = segment - 1;
            if (!goes_on && before) {
                const struct segment *rest = before->kind == KIND_REST ? before : before > out ? before - 1 : NULL;

                moved_g =
                    fabs((double)(weighing_sample(weighing, to)->clear_g - (rest ? rest->last_g : before->first_g)));
                for (const struct segment *one = before; one >= out && one->kind != KIND_REST; one--)
                    moved_g = fmax(moved_g, (double)(one->high_g - one->low_g));
            }
            if (goes_on) {
                moved_us = segment->begin_us;
                moved_g = segments->moved_g;
            }
            level = level_fit(weighing, filter, first < last ? first : last - 1, last, moved_us, moved_g);
            segment->last_g = (float)level.g;
            segment->last_u_g = (float)level.u_g;
            if (goes_on) /* it is where it drifted to */
                segment->last_g += drift_rate(&segments->drift, segment->last_slope).g_per_s
                                   * (float)level_age_s(segment->begin_us, segment->end_us);
            else
                segment->first_slope = segment->last_slope = DRIFT_UNSEEN;
            if (!goes_on) {
                segment->first_g = segment->last_g;
                segment->first_u_g = segment->last_u_g;
            }
            if (!goes_on && before && before->kind != KIND_REST && before->kind != KIND_BLIND && count > 1) {
                if (before->kind == KIND_FLOW && before > out && before[-1].kind != KIND_REST
                    && before[-1].kind != KIND_FLOW && seconds(before->begin_us, before->end_us) < TAIL_MOST_S
                    && before->high_g - before->low_g < TAIL_SHARE * (1 + TAIL_DOUBT * filter_doubt(filter))
                                                            * (before[-1].high_g - before[-1].low_g))
                    before->kind = KIND_JUMP; /* its tail */
                if (before->kind == KIND_FLOW)
                    before->end_us =
                        shape_began_us(weighing, filter, rest_from + 1, segments->anchor, -1, (double)segment->first_g,
                                       (double)(before->first_g - segment->first_g), sigma_g, true);
                else
                    date_end(segments, weighing, out, before, rest_from + 1, to, (double)segment->first_g, sigma_g);
                if (before->end_us < before->begin_us)
                    before->end_us = before->begin_us;
                segment->begin_us = before->end_us;
            }
        } else if (before && before->kind == KIND_REST && segment != before && !goes_on && kind != KIND_BLIND) {
            double way_g = (double)(segment->high_g - before->last_g) > (double)(before->last_g - segment->low_g)
                               ? (double)(segment->high_g - before->last_g)
                               : (double)(segment->low_g - before->last_g);

            segment->begin_us = shape_began_us(
                weighing, filter,
                kind == KIND_FLOW ? from
                                  : shape_after_knock(weighing, from, to, (double)before->last_g, way_g, sigma_g),
                to, 1, (double)before->last_g, way_g, sigma_g, kind == KIND_FLOW);
            if (segment->begin_us < before->begin_us)
                segment->begin_us = before->begin_us;
            before->end_us = segment->begin_us;
        }
        if (kind == KIND_REST && !goes_on && count > 1 && count < SEGMENTS_READ)
            count = split_lift(segments, weighing, out, count, rest_from + 1, to, sigma_g);
        if (kind == KIND_REST && !goes_on)
            count = join_tail(out, count, filter_doubt(filter));
        from = to;
    }
    outline_date_shake(segments, out, count);
    return count;
}
