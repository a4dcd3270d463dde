/* Cuts the load into pieces: rests, flows, handling, presses. */
#include <string.h>

#include "tracker_parts.h"

/* A resting level follows slow drift (evaporation, a warming load cell) with this time constant. */
static const double REST_FOLLOWS_S = 2.0;

/* A young rest may still hold the last of a jump's tail: this share of the jump, and it follows faster. */
static const double SLACK_SHARE = 0.004, SLACK_MOST_G = 1.5, JUMP_MOST_G = 1200, YOUNG_FOLLOWS_S = 0.4;
static const int64_t YOUNG_US = 1500000;

/* Above this over the load it left, a hand is pressing (a kilogram on a 60 mm piston is 3.5 kPa;
 * no lid, spoon or plunger weighs so much). */
static const double FORCE_G = 200;

/* A flow's begin is found again while it is so young. */
static const int64_t ONSET_US = 1200000;

/* A begin found this much nearer is not worth another level. */
static const int64_t BEGIN_WORTH_US = 10000;

/* So long at most a slow begin goes unseen: a third of a gram per second squared, a lag of half a second. */
static const int64_t UNSEEN_US = 800000;

/* A rest's level at its begin is taken within so long; a tail that leaves it more open than this says nothing. */
static const int64_t LEVEL_US = 4000000;
static const int64_t LEVEL_LEAST_US = 150000;  /* of less, what was before says more than what is left of it */
static const int64_t LEVEL_AGAIN_US = 1000000; /* each time it is better known */
static const double UNSURE_G = 3;

static const int64_t BACK_US = 340000;
static const double AWAY_TIMES = 3; /* it had gone so many times farther */

/* A blow is sharper than a spoon; it has died away below this share of its height, and is calm near its least. */
static const float BLOW_LEAST_G = 12, DIES_SHARE = 0.45F, CALM_SHARE = 0.06F, CALM_G = 1.2F;
static const int64_t BLOW_US = 2500000, STRIKES_US = 450000;

/* A load rests when the last half second stays within one division (common practice for the
 * "stable" sign of a scale).  A spoon leans on the bed for longer than that: where the load is off by so
 * little, it must stay longer. */
static const int64_t STILL_US = 500000, LEANS_US = 1200000;
/* A hand that presses on what stands there holds still for longer than a moment, now and then; a thing does for good.
 */
static const int64_t HELD_US = 1500000;
static const double THING_G = 45;
static const double LEANS_LEAST_G = 0.7, LEANS_MOST_G = 12;

/* What undoing the filter adds in noise is allowed for with so many standard deviations, where more moves
 * than a slow begin. */
static const double NOISE_SIGMAS = 2, WIDE_G = 4;

/* A flow may hesitate for so long before it is even. */
static const int64_t HESITATES_US = 1600000;
static const double FLOWED_SHARE = 0.07; /* a flow that is less of all the movement is the tail of it */
/* The end of small movements is blurred by this share of what is looked at together; that of a jump is not. */
static const double BLUR_SHARE = 0.25, JERK_G = 200;

static const int64_t FLOW_LEAST_US = 1200000;

/* Letting go from beyond the scale's range is seen late by this share of the lag, for so long after. */
static const double OVERLOAD_LATE_LAGS = 0.6;
static const int64_t OVERLOAD_LINGERS_US = 1500000;

/* How long a hand takes to lean in. */
static const int64_t FORCE_RISES_US = 900000, RISEN_US = 350000;

/* A press has lasted so long, and is over when so little of it is left. */
static const int64_t FORCE_LASTS_US = 1000000;
static const double LET_GO_G = 60, LET_GO_SHARE = 0.02;

/* A flow of less may be a jump's tail. */
static const float TAIL_FLOW_G = 3;

struct piece *pieces_newest(struct signal *signal)
{
    return signal->count ? &signal->piece[signal->count - 1] : NULL;
}

void signal_forget(struct signal *signal, int index)
{
    if (index <= 0 || index >= signal->count)
        return;
    signal->count -= index;
    memmove(signal->piece, signal->piece + index, (size_t)signal->count * sizeof signal->piece[0]);
}

/* Room for one more: the shortest rest between two handled pieces goes, with its neighbours joined. */
static void make_room(struct signal *signal)
{
    int best = -1;

    if (signal->count < PIECES)
        return;
    for (int i = 1; i + 2 < signal->count; i++) {
        const struct piece *piece = &signal->piece[i];

        if (piece->kind != PIECE_REST || piece[-1].kind != PIECE_HANDLED || piece[1].kind != PIECE_HANDLED)
            continue;
        if (best < 0 || piece->end_us - piece->begin_us < signal->piece[best].end_us - signal->piece[best].begin_us)
            best = i;
    }
    if (best < 0) {
        signal_forget(signal, 2);
        return;
    }
    struct piece *into = &signal->piece[best - 1], *from = &signal->piece[best + 1];

    into->end_us = from->end_us;
    into->last_g = from->last_g;
    into->low_g = fminf(into->low_g, from->low_g);
    into->high_g = fmaxf(into->high_g, from->high_g);
    into->force_gs += from->force_gs;
    if (!into->force_began_us)
        into->force_began_us = from->force_began_us;
    if (from->force_ended_us)
        into->force_ended_us = from->force_ended_us;
    into->overload |= from->overload;
    memmove(signal->piece + best, signal->piece + best + 2,
            (size_t)(signal->count - best - 2) * sizeof signal->piece[0]);
    signal->count -= 2;
}

static struct piece *piece_open(struct signal *signal, enum piece_kind kind, int64_t begin_us, double first_g)
{
    struct piece *piece;

    make_room(signal);
    piece = &signal->piece[signal->count++];
    memset(piece, 0, sizeof *piece);
    signal->calm_until_us = 0;
    piece->kind = (unsigned char)kind;
    piece->begin_us = piece->end_us = piece->left_us = begin_us;
    piece->first_g = piece->last_g = piece->low_g = piece->high_g = (float)first_g;
    piece->begin_u_s = (float)((double)signal->interval_us / 1e6 / sqrt(12));
    return piece;
}

/* A blow dies away at once, and to the side it came from; if hands begin after it, they begin where it
 * was least. */
static void watch_blow(struct signal *signal, struct piece *piece, float above_g, int64_t at_us)
{
    int64_t age_us = at_us - piece->begin_us;
    float calm_g = fmaxf(CALM_SHARE * fabsf(piece->peak_g), CALM_G);
    float away_g = copysignf(above_g, above_g * piece->peak_g); /* below 0: on the other side */

    if (piece->again_us || age_us > BLOW_US)
        return;
    if (age_us < STRIKES_US && fabsf(above_g) >= fabsf(piece->peak_g)) {
        piece->peak_g = above_g;
        signal->trough_g = fabsf(above_g);
        signal->calm_until_us = 0;
        return;
    }
    if (fabsf(piece->peak_g) < BLOW_LEAST_G || (away_g > DIES_SHARE * fabsf(piece->peak_g) && !signal->calm_until_us))
        return;
    signal->trough_g = fminf(signal->trough_g, fabsf(away_g));
    if (fabsf(away_g) <= signal->trough_g + calm_g)
        signal->calm_until_us = at_us;
    else if (signal->calm_until_us)
        piece->again_us = signal->calm_until_us;
}

static void piece_take(struct signal *signal, struct piece *piece, const struct sample *sample)
{
    double above = (double)(sample->clear_g - piece->first_g);
    double dt = fmin((double)(sample->at_us - piece->end_us) / 1e6, 4 * (double)signal->interval_us / 1e6);

    float was_g = piece->last_g;

    piece->end_us = sample->at_us;
    piece->last_g = sample->clear_g;
    piece->low_g = fminf(piece->low_g, sample->clear_g);
    piece->high_g = fmaxf(piece->high_g, sample->clear_g);
    piece->overload |= sample->overload;
    if (piece->kind == PIECE_HANDLED && !piece->force_began_us)
        watch_blow(signal, piece, (float)above, sample->at_us);
    if (piece->kind == PIECE_HANDLED && (above > FORCE_G || sample->overload)) {
        if (!piece->force_began_us)
            piece->force_began_us = sample->at_us;
        if (sample->at_us - piece->force_began_us >= RISEN_US
            && piece->force_ended_us - piece->force_began_us < RISEN_US)
            press_find_rise(signal, piece);
        if (sample->at_us - piece->force_began_us > FORCE_RISES_US)
            piece->force_path_g += fabsf(sample->clear_g - was_g);
        piece->force_ended_us = sample->at_us;
        piece->force_gs += (float)(above * dt);
    }
}

/* How far the load has gone since it rested; its tail may teach the lag. */
static double jumped_g(const struct signal *signal, double level_g)
{
    int i = signal->count - 1;

    while (i > 0 && signal->piece[i].kind != PIECE_REST)
        i--;
    return signal->piece[i].kind == PIECE_REST ? fabs(level_g - (double)signal->piece[i].last_g) : 0;
}

/* How far the load went since its last rest or press, back and forth; 0 when it flowed at last. */
static double moved_g(const struct signal *signal)
{
    const struct piece *last = &signal->piece[signal->count - 1];
    float low_g = INFINITY, high_g = -INFINITY;

    for (int i = signal->count - 1;
         i >= 0 && signal->piece[i].kind != PIECE_REST && (i == signal->count - 1 || !signal->piece[i].force_began_us);
         i--) {
        low_g = fminf(low_g, signal->piece[i].low_g);
        high_g = fmaxf(high_g, signal->piece[i].high_g);
    }
    if (last->kind == PIECE_FLOW && (double)(last->last_g - last->first_g) > FLOWED_SHARE * (double)(high_g - low_g))
        return 0;
    return (double)(high_g - low_g);
}

static void rest_begin(struct signal *signal, double level_g)
{
    struct piece *before = pieces_newest(signal), *rest;
    int64_t began_us = shape_near_us(signal, before, level_g, moved_g(signal)), dry_us, still_us;

    shake_find(signal, false);
    if (moved_g(signal) > 0 && moved_g(signal) < JERK_G)
        began_us -= (int64_t)(BLUR_SHARE * signal_span_s(signal) * 1e6);
    if (before->kind == PIECE_FLOW && moved_g(signal) == 0) {
        dry_us = flow_end_us(signal, before, began_us);
        if (dry_us)
            began_us = dry_us;
    }
    signal->jump_g = jumped_g(signal, level_g);
    lift_date(signal, level_g);
    if (shake_found(signal, level_g) && (still_us = shake_ended_us(signal, before->left_us)))
        began_us = still_us;
    if (began_us < before->begin_us)
        began_us = before->begin_us;
    before->end_us = began_us;
    before->last_g = (float)level_g;
    press_join_steady(signal, level_g, began_us);
    rest = piece_open(signal, PIECE_REST, began_us, level_g);
    rest->end_us = signal->rest_since_us = seen_back(signal, 0)->at_us;
    signal->rest_g = level_g;
}

/* A rest's level at its end; and at its begin, while it is young. */
static void take_level(const struct signal *signal, struct piece *rest, int64_t until_us, bool left)
{
    struct level level;

    if (until_us - rest->begin_us < LEVEL_LEAST_US
        || !(left ? level_left : level_fit)(signal, rest->begin_us, until_us, &level) || !(level.u_g <= UNSURE_G))
        return;
    rest->last_g = (float)level.level_g;
    rest->last_u_g = (float)level.u_g;
    if (until_us - rest->begin_us < LEVEL_US) {
        rest->first_g = rest->last_g;
        rest->first_u_g = rest->last_u_g;
    }
}

/* Whether the rest has only now become so old. */
static bool passes(const struct piece *rest, int64_t at_us, int64_t age_us)
{
    return rest->end_us - rest->begin_us < age_us && at_us - rest->begin_us >= age_us;
}

static void rest_take(struct signal *signal, struct piece *rest, const struct sample *sample)
{
    double dt = (double)(sample->at_us - rest->end_us) / 1e6;
    bool young = sample->at_us - signal->rest_since_us < YOUNG_US;
    double follow = dt / ((young ? YOUNG_FOLLOWS_S : REST_FOLLOWS_S) + dt);

    signal->rest_g += ((double)sample->clear_g - signal->rest_g) * follow;
    if (sample->at_us - rest->begin_us < YOUNG_US)
        rest->first_g = (float)signal->rest_g;
    if (!young && signal->jump_g > 0) {
        signal_learn_lag(signal, rest->begin_us, sample->at_us);
        signal->jump_g = 0;
    }
    for (int64_t age_us = YOUNG_US; age_us < LEVEL_US; age_us += LEVEL_AGAIN_US)
        if (passes(rest, sample->at_us, age_us))
            take_level(signal, rest, sample->at_us, false);
    rest->end_us = sample->at_us;
    rest->last_g = (float)signal->rest_g;
    rest->low_g = fminf(rest->low_g, sample->clear_g);
    rest->high_g = fmaxf(rest->high_g, sample->clear_g);
}

/* The resting load was left at the sample looked at, or just before. */
static void rest_leave(struct signal *signal, struct piece *rest)
{
    int64_t left_us = shape_left_us(signal, signal->rest_g);
    struct piece *piece;

    if (!pieces_settled(signal) && left_us < seen_back(signal, 1)->at_us - signal->interval_us)
        left_us = seen_back(signal, 1)->at_us - signal->interval_us; /* the tail of what was before says nothing */
    if (left_us < rest->begin_us)
        left_us = rest->begin_us;
    take_level(signal, rest, left_us, true);
    rest->end_us = left_us;
    piece = piece_open(signal, PIECE_HANDLED, left_us, signal->rest_g);
    piece_take(signal, piece, seen_back(signal, 0));
}

static void split(struct signal *signal, enum piece_kind kind, uint32_t samples)
{
    const struct sample *from = seen_back(signal, samples - 1);
    struct piece *before = pieces_newest(signal), *piece;

    before->end_us = from->at_us;
    before->last_g = from->clear_g;
    piece = piece_open(signal, kind, from->at_us, (double)from->clear_g);
    for (uint32_t back = samples - 1; back > 0; back--)
        piece_take(signal, piece, seen_back(signal, back - 1));
}

/* Where a flow began, as flows begin; found again while it is young. */
static void find_flow_begin(struct signal *signal, struct piece *piece)
{
    int64_t began_us =
        shape_root_us(signal, (double)piece->first_g, piece->left_us - UNSEEN_US, piece->left_us + ONSET_US);

    if (!began_us || began_us > piece->left_us)
        began_us = piece->left_us;
    if (began_us < piece->left_us - UNSEEN_US)
        began_us = piece->left_us - UNSEEN_US;
    if (piece->kind == PIECE_FLOW && llabs(began_us - piece->begin_us) < BEGIN_WORTH_US)
        return;
    piece->begin_us = began_us;
    if (piece > signal->piece && piece[-1].kind == PIECE_REST) {
        piece[-1].end_us = began_us > piece[-1].begin_us ? began_us : piece[-1].begin_us;
        take_level(signal, &piece[-1], piece[-1].end_us, true);
        piece->first_g = piece[-1].last_g;
    }
}

static bool is_forced(const struct piece *piece, const struct sample *sample)
{
    return piece->force_began_us && (double)(sample->clear_g - piece->first_g) > FORCE_G;
}

/* A press lets go: what was pressed on is there again, or is being lifted. */
static bool force_is_over(const struct piece *piece, const struct sample *sample)
{
    return piece->kind == PIECE_HANDLED && piece->force_began_us && !sample->overload
           && piece->force_ended_us - piece->force_began_us > FORCE_LASTS_US
           && (double)(sample->clear_g - piece->first_g)
                  < fmax(LET_GO_G, LET_GO_SHARE * (double)(piece->high_g - piece->first_g));
}

/* The press is a piece of its own; what the hand does next is another, from the load that was pressed on. */
static void press_end(struct signal *signal, struct piece *piece)
{
    const struct sample *sample = seen_back(signal, 0);
    double first_g = (double)piece->first_g;

    /* after an overload the filter cannot be undone: what is seen is late */
    if (sample->at_us - signal->overload_us < OVERLOAD_LINGERS_US)
        piece->force_ended_us -= (int64_t)(OVERLOAD_LATE_LAGS * signal_lag_s(signal) * 1e6);
    piece->end_us = sample->at_us;
    piece->last_g = piece->first_g;
    piece = piece_open(signal, PIECE_HANDLED, sample->at_us, first_g);
    piece->low_g = piece->high_g = (float)first_g;
    piece_take(signal, piece, sample);
}

bool pieces_settled(const struct signal *signal)
{
    const struct piece *piece = signal->count ? &signal->piece[signal->count - 1] : NULL;

    return piece && piece->kind == PIECE_REST && piece->end_us - signal->rest_since_us > YOUNG_US;
}

/* How far the load has jumped since it last rested. */
static double jump_g(const struct signal *signal, const struct piece *piece)
{
    int i = signal->count - 1;

    if (piece->kind == PIECE_FLOW && piece->last_g - piece->first_g > TAIL_FLOW_G)
        return 0;
    while (i > 0 && signal->piece[i].kind != PIECE_REST)
        i--;
    return fabs((double)(piece->last_g - signal->piece[i].last_g));
}

/* Back where it was left: less has to be seen to call that a rest. */
static bool came_back(const struct signal *signal, const struct piece *piece)
{
    double near_g = fmax(0.5, 1.01 * signal->resolution_g) + signal->noise_g;
    uint32_t n = 0;

    if ((double)(piece->high_g - piece->low_g) < AWAY_TIMES * near_g)
        return false;
    while (n < seen_held(signal) && fabs((double)(seen_back(signal, n)->clear_g - piece->first_g)) < near_g)
        n++;
    return n >= 3 && seen_back(signal, 0)->at_us - seen_back(signal, n - 1)->at_us >= BACK_US
           && seen_back(signal, n - 1)->at_us > piece->begin_us;
}

/* How long the load must stay to be called resting. */
static int64_t still_us(const struct signal *signal, const struct sample *sample)
{
    double off_g;
    int i = signal->count - 1;

    while (i > 0 && signal->piece[i].kind != PIECE_REST)
        i--;
    off_g = fabs((double)(sample->clear_g - signal->piece[i].last_g));
    if (press_is_steady((double)(sample->clear_g - signal->piece[i].last_g))
        && (double)signal->piece[i].last_g - signal->zero_g > THING_G)
        return HELD_US;
    return off_g > LEANS_LEAST_G && off_g < LEANS_MOST_G ? LEANS_US : STILL_US;
}

static enum signal_news moving(struct signal *signal, struct piece *piece)
{
    const struct sample *new = seen_back(signal, 0);
    uint32_t samples;
    double level_g, slack_g;

    piece_take(signal, piece, new);
    slack_g = jump_g(signal, piece) < JUMP_MOST_G ? fmin(SLACK_SHARE * jump_g(signal, piece), SLACK_MOST_G) : 0;
    if ((double)(piece->high_g - piece->low_g) > WIDE_G || signal->count == 1) /* or nothing was seen before */
        slack_g += NOISE_SIGMAS * signal->noise_g;
    if (force_is_over(piece, new)) {
        press_end(signal, piece);
        return SIGNAL_PIECE;
    }
    if (shape_is_still(signal, still_us(signal, new), slack_g, &level_g)) {
        rest_begin(signal, level_g);
        signal->slack_g = slack_g;
        return SIGNAL_PIECE;
    }
    if (piece->kind == PIECE_HANDLED && !piece->force_began_us && came_back(signal, piece)) {
        rest_begin(signal, (double)piece->first_g);
        signal->slack_g = 0;
        return SIGNAL_PIECE;
    }
    if (piece->kind == PIECE_HANDLED) {
        if (new->overload || is_forced(piece, new) || !shape_is_flow(signal, &samples))
            return SIGNAL_MORE;
        if (piece->low_g > piece->first_g - 1 && piece->high_g < new->clear_g + 1
            && (seen_back(signal, samples - 1)->at_us <= piece->begin_us + 2 * signal->interval_us
                || new->at_us - piece->begin_us < HESITATES_US)) {
            piece->kind = PIECE_FLOW; /* it was one from its begin */
            find_flow_begin(signal, piece);
        } else
            split(signal, PIECE_FLOW, samples);
        return SIGNAL_PIECE;
    }
    if (piece->kind == PIECE_FLOW && shape_flow_broke(signal, piece)) {
        if (new->at_us - piece->left_us < FLOW_LEAST_US) { /* so short a flow was none */
            piece->kind = PIECE_HANDLED;
            piece->begin_us = piece->left_us;
            return SIGNAL_PIECE;
        }
        split(signal, PIECE_HANDLED, 2);
        return SIGNAL_PIECE;
    }
    if (piece->kind == PIECE_FLOW && new->at_us - piece->left_us <= ONSET_US)
        find_flow_begin(signal, piece);
    return SIGNAL_MORE;
}

/* What the tail of the jump before may still do to a young rest. */
static double slack_now(const struct signal *signal, const struct piece *rest)
{
    int64_t age_us = rest->end_us - signal->rest_since_us;

    return age_us < YOUNG_US ? signal->slack_g * (1 - (double)age_us / (double)YOUNG_US) : 0;
}

/* Looks at the next sample that was made clear. */
enum signal_news pieces_look(struct signal *signal)
{
    struct piece *piece = pieces_newest(signal);
    const struct sample *sample = seen_back(signal, 0);

    if (!piece) {
        piece_open(signal, PIECE_HANDLED, sample->at_us, (double)sample->clear_g);
        return SIGNAL_PIECE;
    }
    if (piece->kind != PIECE_REST) {
        bool found = shake_find(signal, true);
        enum signal_news news = moving(signal, piece);

        return found ? SIGNAL_PIECE : news;
    }
    if (sample->overload
        || fabs((double)sample->clear_g - signal->rest_g) > shape_leave_g(signal) + slack_now(signal, piece)) {
        rest_leave(signal, piece);
        return SIGNAL_PIECE;
    }
    rest_take(signal, piece, sample);
    return SIGNAL_NOTHING;
}
