/* Pieces are what a scale sees; acts are what hands do: a jump with its tail, a pour with its splashes, a
 * stir with its pauses. */
#include "tracker_parts.h"

static const double THING_G = 45;     /* a cup, a brewer, a plunger; more than any dose */
static const double DOSE_LEAST_G = 4; /* less is a touch */
static const double POURED_LEAST_S = 1.2, POURED_AMID_LEAST_S = 2.5, POURED_MOST_G_PER_S = 35;
static const double SMALL_WIDE_G = 7;
static const int64_t SMALL_US = 1600000; /* splashes and touches at the edge of a pour */
static const double QUICK_TAIL_SHARE = 0.04, TAIL_SHARE = 0.01, TOUCH_G = 12, TOUCH_WIDE_G = 200;
static const double BLOW_LEAST_G = 10; /* sharper than a spoon */
static const int64_t RINGS_US = 1300000, RUNG_US = 250000;
static const int64_t QUIET_US = 550000, OFTEN_US = 150000; /* quiet is believed of a scale that speaks often enough */
static const double STIR_WIDE_G = 1.5;                     /* less is the scale's own unrest after a stir */
static const int64_t TAIL_US = 2000000;                    /* a slow filter's, before its lag is known */
static const int64_t SPOON_US = 2500000;                   /* a spoon may lean so long */
static const int64_t PAUSE_US = 1000000;                   /* hands that touch again sooner had not done */

/* A flow that is long and big enough to have been poured; the rest are wobbles and the tails that a
 * filter leaves behind a jump. */
static bool is_poured(const struct piece *piece, double grams, bool amid_handling)
{
    double seconds = (double)(piece->end_us - piece->begin_us) / 1e6;

    return piece->kind == PIECE_FLOW && grams >= DOSE_LEAST_G && grams / seconds <= POURED_MOST_G_PER_S
           && seconds >= (amid_handling ? POURED_AMID_LEAST_S : POURED_LEAST_S);
}

static void join(struct act *last, const struct piece *piece, double after_g, double after_u_g)
{
    double moved_g = fmax(fabs(last->after_g - last->before_g), last->high_g - last->low_g);

    double share = piece->end_us - piece->begin_us < PAUSE_US ? QUICK_TAIL_SHARE : 2 * TAIL_SHARE;

    /* what is nothing beside the movement before it is its tail: the hand had done */
    if (moved_g < TOUCH_G || (double)(piece->high_g - piece->low_g) > share * moved_g)
        last->end_us = piece->end_us;
    last->after_g = after_g;
    last->after_u_g = after_u_g;
    last->low_g = fmin(last->low_g, (double)piece->low_g);
    last->high_g = fmax(last->high_g, (double)piece->high_g);
}

static bool is_small(const struct act *act)
{
    return fabs(act->after_g - act->before_g) < DOSE_LEAST_G && act->end_us - act->begin_us < SMALL_US
           && act->high_g - act->low_g < SMALL_WIDE_G;
}

/* Nothing is put down or poured here to speak of: one touch of many. */
static bool is_touch(const struct act *act)
{
    return !act->force && fabs(act->after_g - act->before_g) < TOUCH_G && act->high_g - act->low_g < TOUCH_WIDE_G;
}

/* What follows a movement at once and is nothing beside it: its tail. */
static bool is_tail(const struct act *last, const struct act *act)
{
    double moved_g = fabs(last->after_g - last->before_g);

    return !act->force && act->left_us - last->end_us < TAIL_US && act->end_us - act->left_us < TAIL_US
           && moved_g >= TOUCH_G && fabs(act->after_g - act->before_g) < TAIL_SHARE * moved_g
           && act->high_g - act->low_g < 2 * TAIL_SHARE * moved_g;
}

/* A spoon that leaned on the bed is taken out. */
static bool goes_back(const struct act *last, const struct act *act)
{
    double leaned_g = last->after_g - last->before_g, left_g = act->after_g - last->before_g;

    return fabs(leaned_g) > 1 && fabs(left_g) < fabs(leaned_g) / 2;
}

/* A blow that rang out before hands did anything. */
static bool is_knock(const struct signal *signal, const struct act *last, const struct act *act)
{
    if (last->piece->shaken_us && !last->several)
        return last->piece->only_blow;
    return last->end_us - last->left_us < RINGS_US && fabs(last->after_g - last->before_g) < 1
           && act->left_us - last->end_us > (last->high_g - last->low_g > BLOW_LEAST_G ? RUNG_US : QUIET_US)
           && (signal->interval_us < OFTEN_US || last->high_g - last->low_g > BLOW_LEAST_G);
}

/* How long hands were away before a touch. */
static int64_t pause_us(const struct act *last, const struct act *act)
{
    int64_t shaken_us = act->piece->shaken_us;

    return (shaken_us && shaken_us < act->left_us ? shaken_us : act->left_us) - last->end_us;
}

/* Where it leads to, and how far the load went, when the next act is part of it. */
static void take_over(struct act *last, const struct act *act)
{
    last->after_g = act->after_g;
    last->after_u_g = act->after_u_g;
    last->low_g = fmin(last->low_g, act->low_g);
    last->high_g = fmax(last->high_g, act->high_g);
    last->open = act->open;
    last->rest_after = act->rest_after;
}

/* From one rest to the next: what came is gone again, and hands shook. */
static bool is_shaken(const struct act *first, const struct act *last)
{
    double low_g = first->low_g, high_g = first->high_g;

    for (const struct act *act = first; act <= last; act++) {
        low_g = fmin(low_g, act->low_g);
        high_g = fmax(high_g, act->high_g);
    }
    return last->rest_after && first->piece->shaken_us && high_g - low_g < TOUCH_WIDE_G
           && fabs(last->after_g - first->before_g) < DOSE_LEAST_G;
}

/* What is gone before the load rests again was not poured. */
static int join_shaken(struct act *act, int count)
{
    int kept = 0;

    for (int i = 0, last; i < count; i = last + 1) {
        bool shaken;

        for (last = i; last + 1 < count && !act[last].rest_after; last++)
            ;
        shaken = is_shaken(&act[i], &act[last]);
        for (int j = i; j <= last; j++) {
            if (!shaken || j == i) {
                act[kept++] = act[j];
                continue;
            }
            take_over(&act[kept - 1], &act[j]);
            act[kept - 1].end_us = act[j].end_us;
            act[kept - 1].several = true;
        }
        if (shaken)
            act[kept - 1].flow = act[kept - 1].force = false;
    }
    return kept;
}

/* Touches with hardly a pause between them are one: a stir. */
static int join_touches(const struct signal *signal, struct act *act, int count)
{
    int kept = 0;

    for (int i = 1; i < count; i++) {
        struct act *last = &act[kept];

        bool tail = is_tail(last, &act[i]);

        if (!tail
            && (is_knock(signal, last, &act[i]) || !is_touch(last) || !is_touch(&act[i])
                || pause_us(last, &act[i]) > (goes_back(last, &act[i]) ? SPOON_US : PAUSE_US))) {
            act[++kept] = act[i];
            continue;
        }
        if (!tail) {
            last->flow = false;
            last->several = true;
            if (act[i].high_g - act[i].low_g > STIR_WIDE_G)
                last->end_us = act[i].end_us;
        }
        take_over(last, &act[i]);
    }
    return count ? kept + 1 : 0;
}

/* A knock just before a press or a lift is none of it: the load came near again in between. */
static void skip_knock(struct act *act)
{
    const struct piece *piece = act->piece;

    if (piece->again_us > act->begin_us && act->high_g - act->low_g > THING_G)
        act->begin_us = act->left_us = piece->again_us;
    if (piece->lifted_us)
        act->begin_us = act->left_us = piece->lifted_us;
}

/* Gathers pieces into acts: what happens without a rest between is one, unless something is poured. */
int acts_gather(const struct signal *signal, struct act act[ACTS])
{
    bool rested = false; /* before that nobody knows what the load came from: a tail of a jump is no dose */
    int count = 0;

    for (int i = 0; i < signal->count; i++) {
        const struct piece *piece = &signal->piece[i], *next = i + 1 < signal->count ? piece + 1 : NULL;
        bool joined = i > 0 && piece[-1].kind != PIECE_REST && count > 0 && !act[count - 1].force, flow;
        double before_g = i > 0 && piece[-1].kind == PIECE_REST ? (double)piece[-1].last_g : (double)piece->first_g;
        double after_g = next && next->kind == PIECE_REST ? (double)next->first_g : (double)piece->last_g;
        double before_u_g = i > 0 && piece[-1].kind == PIECE_REST ? (double)piece[-1].last_u_g : 0;
        double after_u_g = next && next->kind == PIECE_REST ? (double)next->first_u_g : 0;
        struct act *last = count ? &act[count - 1] : NULL, one;

        rested |= piece->kind == PIECE_REST;
        if (piece->kind == PIECE_REST || !rested)
            continue;
        flow = is_poured(piece, after_g - before_g, joined && !last->flow && !is_small(last));
        one = (struct act){ .piece = piece,
                            .begin_us = piece->begin_us,
                            .left_us = piece->left_us,
                            .end_us = piece->end_us,
                            .before_g = before_g,
                            .before_u_g = before_u_g,
                            .after_g = after_g,
                            .after_u_g = after_u_g,
                            .low_g = (double)piece->low_g,
                            .high_g = (double)piece->high_g,
                            .flow = flow };
        if (!joined)
            act[count++] = one;
        else if (flow == last->flow || (last->flow && is_small(&one)))
            join(last, piece, after_g, after_u_g);
        else if (flow && is_small(last)) {
            join(last, piece, after_g, after_u_g);
            last->flow = true;
        } else
            act[count++] = one;
        last = &act[count - 1];
        last->open = !next;
        last->rest_after = next && next->kind == PIECE_REST;
        if (press_is_force(piece, 0) && !(last->rest_after && after_g - before_g > THING_G)) {
            last->force = true;
            last->piece = piece;
        }
    }
    count = join_shaken(act, count);
    count = join_touches(signal, act, count);
    for (int i = 0; i < count; i++) {
        if (act[i].flow && act[i].after_g - act[i].before_g > STREAM_LEAST_G) {
            act[i].begin_us += STREAM_US;
            act[i].end_us += STREAM_US;
        }
        if (act[i].force || act[i].before_g - act[i].after_g > THING_G)
            skip_knock(&act[i]);
        if (!act[i].flow && fabs(act[i].after_g - act[i].before_g) < DOSE_LEAST_G)
            act[i].begin_us = act[i].piece->shaken_us ? act[i].piece->shaken_us : act[i].left_us;
    }
    return count;
}
