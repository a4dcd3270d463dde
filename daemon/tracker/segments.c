/* When a rest is left, when the load has come to rest, and what is settled then.  Between, every sample goes into the
 * cheapest account (account.c), and outline.c makes segments of that. */
#include "segments.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "poise/uncertainty.h"
#include "account.h"
#include "change.h"
#include "level.h"
#include "outline.h"
#include "settled.h"
#include "trade.h"

/* A rest of so long, and so many samples, is sure. */
static const double FIRM_S = 1.3;
enum { FIRM_SAMPLES = 3, CARRY_SAMPLES = 24 };

/* The load has left its rest: so many sigmas, or divisions. */
static const double LEAVE_SIGMAS = 4, LEAVE_DIVISIONS = 1.6;

/* Back at rest: within such a share of that. */
static const double BACK_SHARE = 0.6;

/* Of the rest so much is looked at again when it is left: a stream begins slowly. */
static const int64_t BEFORE_US = 1500000;

/* The running level of a rest follows slow drift. */
static const double FOLLOW_S = 2;

/* A rest's drift is looked at after so long, and when the filter has left so little of what moved.  How it drifted at
 * first is what so long shows. */
static const double DRIFT_AFTER_S = 0.5, DRIFT_DIVISIONS = 0.1, DRIFT_FIRST_S = 8;

/* The noise is learnt slowly, so that no stream passes for it. */
static const double NOISE_S = 8, NOISE_CLIP = 2.5;

/* A rest's level is looked at again until it is so old, and for so long after it was sure. */
static const int64_t LEVEL_FIRST_US = 3000000, LEVEL_SOON_US = 1500000;

/* So long after a rest was left it is clear how a hand shakes; if the load is farther off then, a thing was put down
 * or water flows; and when it rests again, it put nothing down. */
static const int64_t CLEAR_US = 2400000, BACK_US = 400000;

/* Hands that are not seen let go of so much at last, with a spoon and after a press (practice). */
static const double SPOON_LETS_GO_G = 2, PRESS_LETS_GO_G = 2000;

/* A jump teaches the filter when it went straight and was quick. */
static const double LEARN_STRAIGHT = 1.3, LEARN_MOST_S = 4;
static const int64_t LEARN_BEFORE_US = 150000, LEARN_AFTER_US = 2500000; /* what is looked at of it */

/* A hand lets go within so long, from such a share of its force on (common practice, no source). */
static const int64_t LET_GO_WITHIN_US = 1500000;
static const double LET_GO_SHARE = 0.9;

/* What seems to move for longer after a hand had done is no filter. */
static const double TAIL_LONGEST_S = 1.5;

/* What knocks rings for less. */
static const double RINGS_S = 1.6;

void segments_begin(struct segments *segments)
{
    memset(segments, 0, sizeof *segments);
}

/* The samples held are full: what is at the anchor goes on, or is settled. */
static void advance(struct segments *segments, struct weighing *weighing, const struct filter *filter)
{
    uint32_t end[SEGMENTS_OPEN];
    int path = account_trace(segments, weighing, end);
    uint32_t first_end = path ? end[path - 1] : segments->anchor, to;
    double sigma_g = account_sigma_g(segments, weighing, filter);
    struct segment read[SEGMENTS_READ];
    int kind;

    if (!path)
        return;
    kind = weighing_sample(weighing, first_end)->kind;
    if (first_end < segments->seen - STARTS + 2 * CARRY_SAMPLES) {
        struct segments part = *segments;
        int count;

        part.seen = first_end + 1;
        count = segments_read(&part, weighing, filter, read);
        if (count)
            settled_take(segments, read, count);
        segments->carry_cost = (double)weighing_sample(weighing, first_end)->cost;
        segments->anchor = first_end;
        /* it may still go on, and be found to end otherwise: what is settled stays */
        segments->carried = false;
        if (kind == KIND_REST) {
            segments->carried = true;
            segments->carry.kind = KIND_REST;
            segments->rest_first = first_end > CARRY_SAMPLES ? first_end - CARRY_SAMPLES : 0;
        }
        return;
    }
    to = segments->anchor + CARRY_SAMPLES;
    if (!segments->carried || segments->carry.kind != kind) {
        struct segments part = *segments;
        int count;

        part.seen = to + 1;
        weighing_sample(weighing, to)->kind = (unsigned char)kind;
        weighing_sample(weighing, to)->from = CARRY_SAMPLES;
        count = segments_read(&part, weighing, filter, read);
        segments->carry = read[count - 1];
        settled_take(segments, read, kind == KIND_REST ? count : count - 1);
        segments->rest_first = segments->anchor + 1;
    } else if (kind != KIND_REST) {
        outline_measure(&segments->carry, weighing, segments->anchor, to, false);
    }
    segments->carry_cost += account_going_on(segments, weighing, sigma_g, kind, to);
    segments->carried = true;
    segments->carry.kind = (unsigned char)kind;
    segments->anchor = to;
}

static void leave(struct segments *segments, const struct weighing *weighing, uint32_t j)
{
    int64_t from_us = weighing_sample(weighing, j)->at_us - BEFORE_US;
    uint32_t i = j - 1, oldest = weighing_oldest(weighing);

    while (i > oldest && i > segments->rest_first && weighing_sample(weighing, i)->at_us > from_us)
        i--;
    segments->rested_us = segments->still_us = segments->list[segments->count - 1].begin_us;
    segments->back_us = 0;
    segments->left_us = weighing_sample(weighing, j)->at_us;
    segments->shake = (struct shake){ .began_us = 0 };
    segments->resting = false;
    segments->begun = segments->carried = true;
    segments->carry = (struct segment){ .kind = KIND_REST };
    segments->carry_cost = 0;
    segments->anchor = i;
}

/* How far from its level a rest is left. */
static double slack_g(const struct segments *segments, const struct weighing *weighing, const struct filter *filter)
{
    return fmax(LEAVE_SIGMAS * account_sigma_g(segments, weighing, filter), LEAVE_DIVISIONS * weighing->resolution_g);
}

/* Nothing has happened since the rest was left. */
static bool is_same(const struct segments *segments, const struct weighing *weighing)
{
    uint32_t last = segments->seen - 1;

    return segments->carried && segments->carry.kind == KIND_REST
           && last - weighing_sample(weighing, last)->from <= segments->anchor;
}

/* The likeliest account ends in a rest that is sure. */
static bool is_firm(const struct segments *segments, const struct weighing *weighing, const struct filter *filter)
{
    const struct sample *last = weighing_sample(weighing, segments->seen - 1);
    const struct sample *first;

    if (last->kind != KIND_REST || last->from < FIRM_SAMPLES)
        return false;
    if (is_same(segments, weighing))
        return fabs((double)last->clear_g - segments->level_g) < BACK_SHARE * slack_g(segments, weighing, filter);
    first = weighing_sample(weighing, segments->seen - last->from);
    return seconds(first->at_us, last->at_us) + weighing->period_s >= FIRM_S;
}

/* What a jump's tail says of the filter. */
static bool learn(struct segments *segments, struct weighing *weighing, struct filter *filter,
                  const struct segment *read, int count)
{
    uint32_t last = segments->seen - 1, from = last + 1 - weighing_sample(weighing, last)->from;
    const struct segment *rest = &read[count - 1], *before = rest - 1;
    float low_g = rest->first_g, high_g = rest->first_g;
    uint32_t oldest = weighing_oldest(weighing), until = last + 1;
    double jump_g;

    for (; before >= read && before->kind != KIND_REST; before--)
        if (before->overload || before->kind == KIND_BLIND)
            return false;
    if (before < read || before == rest - 1)
        return false;
    jump_g = (double)(rest->first_g - before->last_g);
    while (from > segments->anchor + 1 && weighing_sample(weighing, from - 1)->at_us > before->end_us)
        from--;
    for (uint32_t i = from; i <= last; i++) { /* as indicated: a filter undone by a wrong lag overshoots */
        low_g = fminf(low_g, weighing_sample(weighing, i)->load_g);
        high_g = fmaxf(high_g, weighing_sample(weighing, i)->load_g);
    }
    if ((double)(high_g - low_g) > LEARN_STRAIGHT * fabs(jump_g)
        || seconds(before->end_us, rest->begin_us) > LEARN_MOST_S)
        return false;
    while (from > oldest + 1 && weighing_sample(weighing, from)->at_us > before->end_us - LEARN_BEFORE_US)
        from--;
    while (until > from && weighing_sample(weighing, until - 1)->at_us > before->end_us + LEARN_AFTER_US)
        until--;
    return filter_learn(filter, weighing, jump_g, from, until);
}

/* Finds when hands began to shake what had rested: of what rests again, or when that has become clear. */
static void find_shake(struct segments *segments, const struct weighing *weighing, const struct filter *filter,
                       bool rests)
{
    uint32_t now = segments->seen - 1, i = now;

    if (segments->shake.began_us || !segments->left_us
        || fabs(weighing_clear_g(weighing, now) - segments->level_g) >= (rests ? SHAKE_MOVES_G : SHAKE_MOST_G)
        || (!rests && weighing_sample(weighing, now)->at_us - segments->left_us < CLEAR_US))
        return;
    for (; i > weighing_oldest(weighing) && weighing_sample(weighing, i)->at_us > segments->left_us; i--)
        if (fabs(weighing_clear_g(weighing, i) - segments->level_g) > (double)SHAKE_WIDE_G
            || weighing_sample(weighing, i)->overload)
            return;
    if (i > weighing_oldest(weighing)) /* its begin is still held */
        shake_began(weighing, filter, segments->still_us, segments->left_us, &segments->shake);
}

static float highest_g(const struct segment *first, const struct segment *last)
{
    float most_g = first->high_g;

    for (const struct segment *one = first; one <= last; one++)
        most_g = fmaxf(most_g, one->overload ? INFINITY : one->high_g);
    return most_g;
}

/* A lift began then: what came before it was a blow, if anything.  0: that is not known. */
static void date_lift(struct segment *first, struct segment *last, int64_t at_us)
{
    struct segment *lift = first;

    if (!at_us || at_us >= last->end_us)
        return;
    while (lift < last && lift->end_us <= at_us)
        lift++;
    lift->begin_us = at_us > lift[-1].begin_us ? at_us : lift[-1].begin_us;
    if (lift == first || lift[-1].end_us > at_us)
        lift[-1].end_us = lift->begin_us;
    for (struct segment *one = first; one < lift; one++) {
        one->last_g = first[-1].last_g;
        one->shaken = seconds(first->begin_us, at_us) < RINGS_S ? SHAKEN_BY_A_BLOW : SHAKEN_BY_HANDS;
    }
}

/* Water was poured meanwhile, or coffee tipped in. */
static bool flows(const struct segment *first, const struct segment *last)
{
    for (const struct segment *one = first; one <= last; one++)
        if (one->kind == KIND_FLOW && seconds(one->begin_us, one->end_us) > JUMP_MOST_S)
            return true;
    return false;
}

/* When hands had done that put down or lifted a thing, from its first movement to the rest; 0: they did more. */
static int64_t jump_ended_us(const struct weighing *weighing, const struct filter *filter, const struct segment *first,
                             const struct segment *rest)
{
    uint32_t from = weighing->end, until;

    while (from > weighing_oldest(weighing)
           && weighing_sample(weighing, from - 1)->at_us > first->begin_us - LEARN_BEFORE_US)
        from--;
    for (until = from; until < weighing->end; until++)
        if (weighing_sample(weighing, until)->at_us > first->begin_us + LEARN_AFTER_US)
            break;
    if (until - from < 2)
        return 0;
    return change_jump_end_us(weighing, filter, from, until, (double)(rest->first_g - first[-1].last_g));
}

/* When a hand had let go that pressed until then: from the last time that most of its force was there; 0: that cannot
 * be seen. */
static int64_t let_go_us(const struct weighing *weighing, const struct filter *filter, const struct segment *last,
                         double level_g)
{
    uint32_t oldest = weighing_oldest(weighing), from = weighing->end - 1, until;
    double most_g = 0;

    for (uint32_t i = from; i > oldest && weighing_sample(weighing, i)->at_us > last->end_us - LET_GO_WITHIN_US
                            && !weighing_sample(weighing, i)->overload;
         i--)
        most_g = fmax(most_g, (double)weighing_sample(weighing, i)->load_g - level_g);
    while (from > oldest && (double)weighing_sample(weighing, from)->load_g - level_g < LET_GO_SHARE * most_g)
        from--;
    for (until = from; until < weighing->end; until++)
        if (weighing_sample(weighing, until)->at_us > weighing_sample(weighing, from)->at_us + LEARN_AFTER_US)
            break;
    if (most_g < FORCE_LEAST_G || until - from < 2)
        return 0;
    return change_jump_end_us(weighing, filter, from, until, level_g - (double)weighing_sample(weighing, from)->load_g);
}

/* A movement that has come to rest is dated by its shape, the filter's part in it undone: list[count - 1] is the rest.
 */
static void date_movement(const struct segments *segments, const struct weighing *weighing, const struct filter *filter,
                          struct segment *list, int count)
{
    struct segment *rest = &list[count - 1], *last = rest - 1, *first = last;
    double level_g = (double)rest->first_g, from_g;
    int64_t at_us = 0;

    if (count < 3 || last->kind == KIND_REST || last->kind == KIND_BLIND)
        return;
    while (first > list && first[-1].kind != KIND_REST)
        first--;
    from_g = first > list ? (double)first[-1].last_g : NAN;
    if (last->kind == KIND_FLOW) {
        at_us = change_stream_end_us(weighing, filter, last->begin_us, level_g - (double)last->first_g, last->end_us);
    } else if (fabs(level_g - from_g) < SHAKE_MOVES_G && segments->shake.began_us && !segments->shake.only_blow
               && outline_only_shakes(first, last)) {
        at_us = shake_ended_us(weighing, filter, segments->left_us);
    } else if (from_g - level_g > THING_G && (double)highest_g(first, last) - from_g < FORCE_LEAST_G) {
        date_lift(first, last, change_lift_begin_us(weighing, filter, from_g, level_g));
    }
    if (!at_us && fabs(level_g - from_g) > THING_G && !flows(first, last))
        at_us = jump_ended_us(weighing, filter, first, rest);
    if (!at_us && (double)highest_g(first, last) - level_g > FORCE_LEAST_G && fabs(level_g - from_g) < THING_G)
        at_us = let_go_us(weighing, filter, last, level_g);
    if (!at_us || at_us < first->begin_us || seconds(at_us, last->end_us) > TAIL_LONGEST_S)
        return;
    rest->begin_us = at_us;
    for (struct segment *one = last; one >= first; one--) { /* what came later was the filter's */
        if (one->end_us > at_us || one == last)
            one->end_us = at_us;
        if (one->begin_us > at_us)
            one->begin_us = at_us;
    }
}

static double one_noise_g(const struct segments *segments, const struct weighing *weighing)
{
    return hypot(account_rest_noise_g(segments, weighing), uncertainty_of_resolution(weighing->resolution_g));
}

/* A new rest begins at this level. */
static void new_level(struct segments *segments, const struct weighing *weighing, double level_g)
{
    segments->level_g = level_g;
    drift_end(&segments->drift, one_noise_g(segments, weighing));
    drift_begin(&segments->drift, level_g, weighing_sample(weighing, segments->seen - 1)->at_us);
}

static void come_to_rest(struct segments *segments, struct weighing *weighing, struct filter *filter)
{
    struct segment read[SEGMENTS_READ];
    int count = segments_read(segments, weighing, filter, read);
    uint32_t last = segments->seen - 1;
    bool same = is_same(segments, weighing);

    if (!same && learn(segments, weighing, filter, read, count)) {
        double sigma_g = account_sigma_g(segments, weighing, filter);

        filter_clear_again(filter, weighing, segments->anchor + 1);
        for (uint32_t j = segments->anchor + 1; j < segments->seen; j++)
            account_push(segments, weighing, sigma_g, j);
        if (!is_firm(segments, weighing, filter))
            return;
        count = segments_read(segments, weighing, filter, read);
    }
    if (!same) {
        find_shake(segments, weighing, filter, true);
        outline_date_shake(segments, read, count);
        date_movement(segments, weighing, filter, read, count);
    }
    settled_take(segments, read, count);
    segments->resting = true;
    segments->carried = false;
    if (!same) {
        const struct segment *rest = &segments->list[segments->count - 1];

        segments->rest_first = last + 1 - weighing_sample(weighing, last)->from;
        segments->moved_g = 0;
        for (const struct segment *one = rest - 1; one >= segments->list && one->kind != KIND_REST; one--)
            segments->moved_g = fmax(segments->moved_g, fmax(fabs((double)(one->high_g - rest->first_g)),
                                                             fabs((double)(one->low_g - rest->first_g))));
    }
    if (!same)
        new_level(segments, weighing, (double)segments->list[segments->count - 1].last_g);
    segments->rest_us = weighing_sample(weighing, last)->at_us;
}

/* At rest: the level follows, and what is known of the rest's begin and end. */
static void rest_on(struct segments *segments, const struct weighing *weighing, const struct filter *filter, uint32_t j)
{
    const struct sample *sample = weighing_sample(weighing, j);
    struct segment *rest = &segments->list[segments->count - 1];
    double dt = seconds(rest->end_us, sample->at_us), off_g = (double)sample->clear_g - segments->level_g, limit_g,
           drift_g_per_s;
    bool young = sample->at_us - rest->begin_us < LEVEL_FIRST_US || sample->at_us - segments->rest_us < LEVEL_SOON_US;
    uint32_t first =
        segments->rest_first > weighing_oldest(weighing) ? segments->rest_first : weighing_oldest(weighing);

    if (seconds(rest->begin_us, sample->at_us)
        > DRIFT_AFTER_S
              + filter_lag_s(filter) * log(1 + segments->moved_g / (DRIFT_DIVISIONS * weighing->resolution_g))) {
        drift_take(&segments->drift, (double)sample->clear_g, sample->at_us);
        rest->last_slope = drift_slope(&segments->drift, one_noise_g(segments, weighing));
        if (seconds(rest->begin_us, sample->at_us) < DRIFT_FIRST_S)
            rest->first_slope = rest->last_slope;
    } else
        segments->drift.newest_us = sample->at_us;
    drift_g_per_s = (double)drift_rate(&segments->drift, rest->last_slope).g_per_s;
    segments->level_g += off_g * dt / (dt + FOLLOW_S);
    limit_g = NOISE_CLIP * fmax(segments->noise_g, 0.1 * weighing->resolution_g);
    if (!young || segments->noise_g <= 0) {
        double was = account_rest_noise_g(segments, weighing);

        off_g = fmin(fabs(off_g), limit_g);
        segments->noise_g = sqrt(was * was + dt / (dt + NOISE_S) * (off_g * off_g - was * was));
    }
    if (young && (j & 3) == 0) {
        struct level level = level_fit(weighing, filter, first, j + 1, rest->begin_us, segments->moved_g);

        rest->first_g = (float)(level.g - drift_g_per_s * level_age_s(rest->begin_us, sample->at_us));
        rest->last_g = (float)(level.g + drift_g_per_s * level_age_s(rest->begin_us, sample->at_us));
        rest->first_u_g = rest->last_u_g = (float)level.u_g;
    } else if (!young) {
        rest->last_g = (float)(segments->level_g + drift_g_per_s * FOLLOW_S);
    }
    rest->end_us = sample->at_us;
}

/* What comes back to where it rested for a moment was a touch or a blow; what shakes it next is looked at alone. */
static void watch_back(struct segments *segments, const struct sample *sample, double near_g)
{
    if (fabs((double)sample->clear_g - segments->level_g) <= near_g) {
        if (!segments->back_us)
            segments->back_us = sample->at_us;
        return;
    }
    if (segments->back_us && sample->at_us - segments->back_us >= BACK_US && !segments->shake.began_us) {
        segments->still_us = segments->back_us;
        segments->left_us = sample->at_us;
    }
    segments->back_us = 0;
}

/* What moved while the scale was silent before sample j: a thing, if hands were as quick as that; else what flows as
 * evenly as water may; else hands were busy. */
static struct segment unseen_movement(const struct weighing *weighing, const struct filter *filter, uint32_t j)
{
    const struct sample *after = weighing_sample(weighing, j), *before = weighing_sample(weighing, j - 1);
    double net_g = (double)(after->load_g - before->load_g), silent_s = seconds(before->at_us, after->at_us);
    double division_g = weighing->resolution_g, stream_g = net_g / silent_s * filter_lag_s(filter);
    double thing_s = silent_s - quiet_settling_s(&weighing->quiet, net_g, division_g);
    double stream_s = silent_s - quiet_settling_s(&weighing->quiet, stream_g, division_g);
    double spoon_s = silent_s - quiet_settling_s(&weighing->quiet, SPOON_LETS_GO_G, division_g);
    double press_s = silent_s - quiet_settling_s(&weighing->quiet, PRESS_LETS_GO_G, division_g);
    double moves_s = (spoon_s + press_s) / 2, either_s = (spoon_s - press_s) / 2;
    struct segment moved = { .kind = KIND_BUSY, .unseen = true, .begin_us = before->at_us };

    if (fabs(net_g) > FLOW_LEAST_G && thing_s < JUMP_MOST_S) {
        moved.kind = KIND_JUMP;
        moves_s = thing_s;
        either_s = 0;
    } else if (net_g > FLOW_LEAST_G && net_g / stream_s > FLOW_LEAST_G_PER_S && net_g / stream_s < FLOW_MOST_G_PER_S) {
        moved.kind = KIND_FLOW;
        moves_s = stream_s;
        either_s = 0;
    }
    moved.end_us = moved.begin_us + (int64_t)(1e6 * fmax(moves_s, weighing->period_s));
    moved.first_g = before->load_g;
    moved.last_g = after->load_g;
    moved.low_g = fminf(moved.first_g, moved.last_g);
    moved.high_g = moved.peak_g = fmaxf(moved.first_g, moved.last_g);
    moved.path_g = fabsf(moved.last_g - moved.first_g);
    moved.begin_u_s = (float)weighing->period_s / 2;
    moved.end_u_s = (float)either_s;
    return moved;
}

/* The scale speaks only at rest: what was before sample j rested, and so does what begins with it. */
static void pass_silence(struct segments *segments, const struct weighing *weighing, const struct filter *filter,
                         uint32_t j)
{
    const struct sample *sample = weighing_sample(weighing, j), *before = weighing_sample(weighing, j - 1);
    float rest_u_g = (float)uncertainty_of_resolution(weighing->resolution_g);
    struct segment read[SEGMENTS_READ];
    int count;

    segments->seen = j;
    count = segments_read(segments, weighing, filter, read);
    if (!count || read[count - 1].kind != KIND_REST) {
        read[count] = (struct segment){ .kind = KIND_REST,
                                        .begin_us = count > 0 ? read[count - 1].end_us : before->at_us,
                                        .first_g = before->load_g,
                                        .last_g = before->load_g,
                                        .first_u_g = rest_u_g,
                                        .last_u_g = rest_u_g,
                                        .first_slope = DRIFT_UNSEEN,
                                        .last_slope = DRIFT_UNSEEN };
        count++;
    }
    read[count - 1].end_us = before->at_us;
    read[count] = unseen_movement(weighing, filter, j);
    read[count + 1] = (struct segment){ .kind = KIND_REST,
                                        .begin_us = read[count].end_us,
                                        .end_us = sample->at_us,
                                        .first_g = sample->load_g,
                                        .last_g = sample->load_g,
                                        .first_u_g = rest_u_g,
                                        .last_u_g = rest_u_g,
                                        .first_slope = DRIFT_UNSEEN,
                                        .last_slope = DRIFT_UNSEEN };
    settled_take(segments, read, count + 2);
    segments->seen = j + 1;
    segments->resting = segments->begun = true;
    segments->carried = false;
    segments->rest_first = j;
    new_level(segments, weighing, (double)sample->load_g);
    segments->moved_g = 0;
    segments->rest_us = sample->at_us;
}

static enum segments_news look(struct segments *segments, struct weighing *weighing, struct filter *filter, uint32_t j)
{
    double sigma_g = account_sigma_g(segments, weighing, filter);
    const struct sample *sample = weighing_sample(weighing, j);
    uint32_t oldest = weighing_oldest(weighing);

    if (!segments->begun) {
        segments->begun = true;
        segments->anchor = j;
        return SEGMENTS_SAME;
    }
    if (sample->silent && j > oldest) {
        pass_silence(segments, weighing, filter, j);
        return SEGMENTS_NEW;
    }
    if (segments->resting) {
        if (!sample->overload && !sample->blind
            && fabs((double)sample->clear_g - segments->level_g) <= slack_g(segments, weighing, filter)) {
            bool ages = sample->at_us - segments->list[segments->count - 1].begin_us >= LEVEL_FIRST_US
                        && segments->list[segments->count - 1].end_us - segments->list[segments->count - 1].begin_us
                               < LEVEL_FIRST_US;

            rest_on(segments, weighing, filter, j);
            return ages ? SEGMENTS_NEW : SEGMENTS_SAME;
        }
        leave(segments, weighing, j);
        sigma_g = account_sigma_g(segments, weighing, filter);
        for (uint32_t i = segments->anchor + 1; i < j; i++)
            account_push(segments, weighing, sigma_g, i);
        account_push(segments, weighing, sigma_g, j);
        return SEGMENTS_NEW;
    }
    segments->seen = j; /* the newest has no account yet */
    while ((j - segments->anchor >= STARTS - 2 || segments->anchor < oldest + 6)
           && segments->anchor + CARRY_SAMPLES < j)
        advance(segments, weighing, filter);
    segments->seen = j + 1;
    account_push(segments, weighing, sigma_g, j);
    watch_back(segments, sample, slack_g(segments, weighing, filter));
    find_shake(segments, weighing, filter, false);
    if (!is_firm(segments, weighing, filter))
        return SEGMENTS_MORE;
    come_to_rest(segments, weighing, filter);
    return segments->resting ? SEGMENTS_NEW : SEGMENTS_MORE;
}

enum segments_news segments_take(struct segments *segments, struct weighing *weighing, struct filter *filter)
{
    enum segments_news news = SEGMENTS_SAME;

    if (!filter_clear(filter, weighing, segments->resting))
        return news;
    if (segments->seen < weighing_oldest(weighing))
        segments->seen = weighing_oldest(weighing);
    while (segments->seen < filter->end) {
        uint32_t j = segments->seen++;
        enum segments_news one = look(segments, weighing, filter, j);

        if (one > news)
            news = one;
    }
    return news;
}

double segments_flow_g_per_s(const struct segments *segments, const struct weighing *weighing)
{
    const struct sample *newest, *older;
    uint32_t back;

    if (segments->resting || segments->seen < 2 || weighing_sample(weighing, segments->seen - 1)->kind != KIND_FLOW)
        return 0;
    newest = weighing_sample(weighing, segments->seen - 1);
    back = weighing_sample(weighing, segments->seen - 1)->from;
    for (uint32_t i = 1; i <= back; i++)
        if (newest->at_us - weighing_sample(weighing, segments->seen - 1 - i)->at_us >= 500000)
            back = i;
    older = weighing_sample(weighing, segments->seen - 1 - back);
    return newest->at_us > older->at_us
               ? (double)(newest->clear_g - older->clear_g) / seconds(older->at_us, newest->at_us)
               : 0;
}
