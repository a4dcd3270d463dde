/* From indications to pieces: where the load rests, where something flows in, where it is handled;
 * and the absolute load, kept through every tare.  It knows scales, not coffee. */
#include <string.h>

#include "tracker_parts.h"

/* A load rests when the last half second stays within one division (common practice for the
 * "stable" sign of a scale); draughts and the last digit of a fine scale are forgiven up to 0.15 g. */
static const int64_t STILL_US = 500000;
static const double STILL_LEAST_G = 0.15;

/* Leaving rest takes more than a flicker of the last digit. */
static const double LEAVE_DIVISIONS = 1.6;
static const double LEAVE_LEAST_G = 0.35;

/* A resting level follows slow drift (evaporation, a warming load cell) with this time constant. */
static const double REST_FOLLOWS_S = 2.0;

/* After a tare the instrument shows zero within its last digit. */
static const double ZERO_LEAST_G = 0.15;

/* What a hand could pour: slower is drift, faster is a thing put down. */
static const double FLOW_LEAST_G_PER_S = 0.35;
static const double FLOW_MOST_G_PER_S = 45;

/* Flow is judged over this window. */
static const int64_t FLOW_WINDOW_US = 700000;

/* A tare ordered is expected within so long. */
static const int64_t TARE_WAIT_US = 5000000;

/* Within this share of a movement the rest of it is the filter's. */
static const double TAIL_SHARE = 0.04;

/* Above this over the load it left, a hand is pressing (a kilogram on a 60 mm piston is 3.5 kPa;
 * no lid, spoon or plunger weighs so much). */
static const double FORCE_G = 200;

/* No reading for so long, or for eight readings' time, is a gap. */
static const int64_t GAP_US = 3000000;

void signal_begin(struct signal *signal)
{
    memset(signal, 0, sizeof *signal);
    signal->overload_us = INT64_MIN / 2;
    signal->zero_g = NAN;
    signal->resolution_g = 0.1;
    signal->interval_us = 100000;
}

static const struct sample *sample_back(const struct signal *signal, uint32_t back)
{
    return &signal->ring[(signal->ring_end - 1 - back) % RING_SAMPLES];
}

static uint32_t samples_held(const struct signal *signal)
{
    return signal->ring_end < RING_SAMPLES ? signal->ring_end : RING_SAMPLES;
}

double signal_load_g(const struct signal *signal)
{
    return signal->ring_end ? (double)sample_back(signal, 0)->load_g : NAN;
}

double signal_slope_g_per_s(const struct signal *signal)
{
    double sum_t = 0, sum_x = 0, sum_tt = 0, sum_tx = 0, n = 0;
    uint32_t held = samples_held(signal);
    const struct sample *newest;

    if (held < 3)
        return 0;
    newest = sample_back(signal, 0);
    for (uint32_t back = 0; back < held; back++) {
        const struct sample *sample = sample_back(signal, back);
        double t = (double)(sample->at_us - newest->at_us) / 1e6, x = (double)(sample->load_g - newest->load_g);

        if (t < -0.55 && n >= 3)
            break;
        sum_t += t;
        sum_x += x;
        sum_tt += t * t;
        sum_tx += t * x;
        n++;
    }
    if (n * sum_tt - sum_t * sum_t < 1e-9)
        return 0;
    return (n * sum_tx - sum_t * sum_x) / (n * sum_tt - sum_t * sum_t);
}

static double leave_g(const struct signal *signal)
{
    return fmax(LEAVE_DIVISIONS * signal->resolution_g, LEAVE_LEAST_G);
}

static struct piece *open_piece(struct signal *signal)
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
        if (best < 0 || piece->end_us - piece->begin_us <
                            signal->piece[best].end_us - signal->piece[best].begin_us)
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
    into->samples += from->samples;
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
    piece->kind = (unsigned char)kind;
    piece->begin_us = piece->end_us = begin_us;
    piece->first_g = piece->last_g = piece->low_g = piece->high_g = (float)first_g;
    piece->begin_u_s = (float)((double)signal->interval_us / 1e6 / sqrt(12));
    return piece;
}

static void piece_take(struct signal *signal, struct piece *piece, const struct sample *sample, bool overload)
{
    double above = (double)(sample->load_g - piece->first_g);
    double dt = fmin((double)(sample->at_us - piece->end_us) / 1e6, 4 * (double)signal->interval_us / 1e6);

    piece->end_us = sample->at_us;
    piece->last_g = sample->load_g;
    piece->low_g = fminf(piece->low_g, sample->load_g);
    piece->high_g = fmaxf(piece->high_g, sample->load_g);
    piece->overload |= overload;
    piece->samples++;
    if (piece->kind == PIECE_HANDLED && (above > FORCE_G || overload)) {
        if (!piece->force_began_us)
            piece->force_began_us = sample->at_us;
        piece->force_ended_us = sample->at_us;
        piece->force_gs += (float)(above * dt);
    }
}

/* How many of the newest samples lie within window_us; at least `least` when there are so many. */
static uint32_t window(const struct signal *signal, int64_t window_us, uint32_t least)
{
    int64_t from_us = sample_back(signal, 0)->at_us - window_us;
    uint32_t held = samples_held(signal), n = 0;

    while (n < held && (n < least || sample_back(signal, n)->at_us >= from_us))
        n++;
    return n;
}

static bool is_still(const struct signal *signal, uint32_t *samples, double *level_g)
{
    uint32_t n = window(signal, STILL_US, 3);
    float low = INFINITY, high = -INFINITY;
    double sum = 0;

    if (sample_back(signal, 0)->at_us - signal->overload_us < STILL_US)
        return false;
    if (n < 3 || sample_back(signal, 0)->at_us - sample_back(signal, n - 1)->at_us < STILL_US * 7 / 10)
        return false;
    for (uint32_t back = 0; back < n; back++) {
        float load_g = sample_back(signal, back)->load_g;

        low = fminf(low, load_g);
        high = fmaxf(high, load_g);
        sum += (double)load_g;
    }
    *samples = n;
    *level_g = sum / n;
    return (double)(high - low) <= fmax(1.01 * signal->resolution_g, STILL_LEAST_G);
}

/* Whether the newest samples grow evenly: both halves of the window at a rate a hand could pour. */
static bool is_flow(const struct signal *signal, uint32_t *samples)
{
    uint32_t n = window(signal, FLOW_WINDOW_US, 4);
    double slack = fmax(1.01 * signal->resolution_g, 0.3), total, first, second, span;
    const struct sample *old, *middle, *new;

    if (n < 4 || n > RING_SAMPLES)
        return false;
    new = sample_back(signal, 0);
    middle = sample_back(signal, n / 2);
    old = sample_back(signal, n - 1);
    total = (double)(new->load_g - old->load_g);
    span = (double)(new->at_us - old->at_us) / 1e6;
    if (span <= 0 || total < fmax(2.5 * signal->resolution_g, 0.3) || total / span < FLOW_LEAST_G_PER_S ||
        total / span > FLOW_MOST_G_PER_S)
        return false;
    first = (double)(middle->load_g - old->load_g) / ((double)(middle->at_us - old->at_us) / 1e6);
    second = (double)(new->load_g - middle->load_g) / ((double)(new->at_us - middle->at_us) / 1e6);
    if (second < 0.5 * first)       /* dying away: the tail of a jump */
        return false;
    for (uint32_t back = 0; back + 1 < n; back++) {
        double step_g = (double)(sample_back(signal, back)->load_g - sample_back(signal, back + 1)->load_g);

        if (step_g < -slack || step_g > (n > 4 ? 0.4 : 0.6) * total + slack)
            return false;
    }
    *samples = n;
    return true;
}

/* When the load left its resting level: the line through the first samples that moved, drawn back to
 * the level, but not before the last sample that had not moved. */
static int64_t left_rest_us(const struct signal *signal, double level_g)
{
    double near_g = fmax(0.6 * signal->resolution_g, 0.06);
    const struct sample *newest = sample_back(signal, 0), *still = NULL, *moved;
    uint32_t held = samples_held(signal), back = 0;
    int64_t left_us;

    while (back < held && back < 40 && fabs((double)sample_back(signal, back)->load_g - level_g) > near_g)
        back++;
    if (back >= held || back >= 40)
        return newest->at_us;
    still = sample_back(signal, back);
    if (back == 0)
        return newest->at_us;
    moved = sample_back(signal, back - 1);
    left_us = still->at_us;
    if (back >= 2) {
        const struct sample *next = sample_back(signal, back - 2);
        double rate = (double)(next->load_g - moved->load_g) / (double)(next->at_us - moved->at_us);

        if (fabs(rate) > 0 && (rate > 0) == ((double)moved->load_g > level_g))
            left_us = moved->at_us - (int64_t)(((double)moved->load_g - level_g) / rate);
    } else
        left_us = (still->at_us + moved->at_us) / 2;
    if (left_us < still->at_us)
        left_us = still->at_us;
    if (left_us > moved->at_us)
        left_us = moved->at_us;
    return left_us;
}

/* When the hand had done: the load came near its new level for good then.  What follows is the tail
 * that the instrument's filter leaves. */
static int64_t came_near_us(const struct signal *signal, const struct piece *piece, double level_g)
{
    double near_g = fmax(leave_g(signal), TAIL_SHARE * (double)(piece->high_g - piece->low_g));
    uint32_t held = samples_held(signal), back = 0;

    if (piece->kind == PIECE_FLOW)
        near_g = leave_g(signal);
    while (back < held && fabs((double)sample_back(signal, back)->load_g - level_g) <= near_g)
        back++;
    if (back == 0 || back >= held || sample_back(signal, back)->at_us < piece->begin_us)
        return sample_back(signal, back ? back - 1 : 0)->at_us;
    return (sample_back(signal, back)->at_us + sample_back(signal, back - 1)->at_us) / 2;
}

static void rest_begin(struct signal *signal, uint32_t samples, double level_g)
{
    struct piece *before = open_piece(signal), *rest;
    int64_t began_us = came_near_us(signal, before, level_g);

    if (began_us < before->begin_us)
        began_us = before->begin_us;
    before->end_us = began_us;
    before->last_g = (float)level_g;
    rest = piece_open(signal, PIECE_REST, began_us, level_g);
    rest->end_us = sample_back(signal, 0)->at_us;
    signal->rest_g = level_g;
    signal->first_sum_g = level_g * samples;
    signal->first_count = (int)samples;
}

static void rest_take(struct signal *signal, struct piece *rest, const struct sample *sample)
{
    double dt = (double)(sample->at_us - rest->end_us) / 1e6;
    double follow = dt / (REST_FOLLOWS_S + dt);

    if (sample->at_us - rest->begin_us < 2500000) {
        signal->first_sum_g += (double)sample->load_g;
        signal->first_count++;
        signal->rest_g = signal->first_sum_g / signal->first_count;
        rest->first_g = (float)signal->rest_g;
    } else
        signal->rest_g += ((double)sample->load_g - signal->rest_g) * follow;
    rest->end_us = sample->at_us;
    rest->last_g = (float)signal->rest_g;
    rest->low_g = fminf(rest->low_g, sample->load_g);
    rest->high_g = fmaxf(rest->high_g, sample->load_g);
    rest->samples++;
}

/* The resting load was left at the newest sample. */
static void rest_leave(struct signal *signal, struct piece *rest, bool overload)
{
    int64_t left_us = left_rest_us(signal, signal->rest_g);
    struct piece *piece;

    rest->end_us = left_us;
    piece = piece_open(signal, PIECE_HANDLED, left_us, signal->rest_g);
    piece_take(signal, piece, sample_back(signal, 0), overload);
}

static void split(struct signal *signal, enum piece_kind kind, uint32_t samples)
{
    const struct sample *from = sample_back(signal, samples - 1);
    struct piece *before = open_piece(signal), *piece;

    before->end_us = from->at_us;
    before->last_g = from->load_g;
    piece = piece_open(signal, kind, from->at_us, (double)from->load_g);
    for (uint32_t back = samples - 1; back > 0; back--)
        piece_take(signal, piece, sample_back(signal, back - 1), false);
}

static enum signal_news moving(struct signal *signal, struct piece *piece, bool overload)
{
    uint32_t samples;
    double level_g;

    piece_take(signal, piece, sample_back(signal, 0), overload);
    if (!overload && is_still(signal, &samples, &level_g)) {
        rest_begin(signal, samples, level_g);
        return SIGNAL_PIECE;
    }
    if (piece->kind == PIECE_HANDLED) {
        if (overload || !is_flow(signal, &samples))
            return SIGNAL_MORE;
        if (sample_back(signal, samples - 1)->at_us <= piece->begin_us + 2 * signal->interval_us &&
            piece->low_g > piece->first_g - 1) {
            piece->kind = PIECE_FLOW;       /* it was one from its begin */
            return SIGNAL_PIECE;
        }
        split(signal, PIECE_FLOW, samples);
        return SIGNAL_PIECE;
    }
    /* a flow ends when it clearly goes back, or jumps */
    const struct sample *new = sample_back(signal, 0), *old = sample_back(signal, 1);
    double step_g = (double)(new->load_g - old->load_g), dt = (double)(new->at_us - old->at_us) / 1e6;
    double seconds = fmax((double)(old->at_us - piece->begin_us) / 1e6, 0.5);
    double rate = (double)(old->load_g - piece->first_g) / seconds;

    if (overload || step_g < -fmax(2.5 * signal->resolution_g, 1.5) || step_g > 3 + 3 * rate * dt) {
        split(signal, PIECE_HANDLED, 2);
        return SIGNAL_PIECE;
    }
    return SIGNAL_MORE;
}

/* One clean sample of the absolute load. */
static enum signal_news take(struct signal *signal, double load_g, bool overload, int64_t at_us)
{
    struct piece *piece = open_piece(signal);
    struct sample *sample = &signal->ring[signal->ring_end++ % RING_SAMPLES];

    if (overload && piece)
        load_g = fmax(load_g, (double)piece->high_g);
    if (overload)
        signal->overload_us = at_us;
    sample->at_us = at_us;
    sample->load_g = (float)load_g;
    if (!piece) {
        piece_open(signal, PIECE_HANDLED, at_us, load_g);
        return SIGNAL_PIECE;
    }
    if (piece->kind != PIECE_REST)
        return moving(signal, piece, overload);
    if (overload || fabs(load_g - signal->rest_g) > leave_g(signal)) {
        rest_leave(signal, piece, overload);
        return SIGNAL_PIECE;
    }
    rest_take(signal, piece, sample);
    return SIGNAL_NOTHING;
}

/* A tare: from a load to zero within one or two readings, and staying there.  A lift passes through
 * what the instrument's filter leaves behind, and seldom ends at zero. */
static bool is_tare(struct signal *signal)
{
    double zero_g = fmax(1.01 * signal->resolution_g, ZERO_LEAST_G);
    bool ordered = signal->tare_ordered_us && signal->raw_us[1] - signal->tare_ordered_us < TARE_WAIT_US;
    const struct piece *piece = open_piece(signal);

    if (signal->raw_overload[1] || signal->raw_overload[2] || fabs(signal->raw[1]) > zero_g ||
        fabs(signal->raw[2]) > fmax(zero_g, ordered ? 3 : 1) || !piece)
        return false;
    if (fabs(signal->raw[0]) <= fmax(2.5 * signal->resolution_g, 0.5))
        return false;
    if (ordered)
        return true;
    if (piece->kind == PIECE_REST)
        return fabs(signal->raw[0] + signal->offset_g - signal->rest_g) <= 2 * leave_g(signal);
    return false;
}

static enum signal_news middle(struct signal *signal)
{
    double a, b, c, load_g;

    if (is_tare(signal)) {
        const struct piece *piece = open_piece(signal);
        double level_g = piece->kind == PIECE_REST ? signal->rest_g : signal->raw[0] + signal->offset_g;

        signal->offset_g = level_g - (fabs(signal->raw[1]) < signal->resolution_g / 2 ? 0 : signal->raw[1]);
        signal->tare_ordered_us = 0;
        signal->raw[0] = signal->raw[1];
        return take(signal, signal->raw[1] + signal->offset_g, false, signal->raw_us[1]);
    }
    a = signal->raw[0];
    b = signal->raw[1];
    c = signal->raw[2];
    /* the middle one of three: a damaged line that still reads as a number is one alone */
    load_g = fmax(fmin(a, b), fmin(fmax(a, b), c));
    if (signal->raw_overload[0] || signal->raw_overload[1] || signal->raw_overload[2])
        load_g = b;
    return take(signal, load_g + signal->offset_g, signal->raw_overload[1], signal->raw_us[1]);
}

enum signal_news signal_mass(struct signal *signal, double shown_g, bool overload, double resolution_g, int64_t at_us)
{
    if (signal->raw_count) {
        int64_t interval_us = at_us - signal->raw_us[2];

        if (interval_us <= 0)
            return SIGNAL_NOTHING;
        if (interval_us > GAP_US && interval_us > 8 * signal->interval_us)
            signal_gap(signal);
        else
            signal->interval_us += (interval_us - signal->interval_us) / 16;
    }
    if (resolution_g > 0 && !overload)
        signal->resolution_g = resolution_g;
    memmove(signal->raw, signal->raw + 1, 2 * sizeof signal->raw[0]);
    memmove(signal->raw_us, signal->raw_us + 1, 2 * sizeof signal->raw_us[0]);
    memmove(signal->raw_overload, signal->raw_overload + 1, 2 * sizeof signal->raw_overload[0]);
    signal->raw[2] = overload ? signal->raw[1] : shown_g;
    signal->raw_us[2] = at_us;
    signal->raw_overload[2] = overload;
    if (signal->raw_count < 3 && ++signal->raw_count < 3)
        return SIGNAL_NOTHING;
    return middle(signal);
}

void signal_gap(struct signal *signal)
{
    struct piece *piece = open_piece(signal);

    if (piece)
        piece->gap = true;
    signal->raw_count = 0;
}
