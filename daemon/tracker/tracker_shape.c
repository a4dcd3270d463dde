/* What the newest samples look like: resting, flowing, jumping; and when that began or ended, found
 * backwards from where it became sure. */
#include <stdlib.h>

#include "tracker_parts.h"

/* A load rests when the last half second stays within one division (common practice for the
 * "stable" sign of a scale); draughts and the last digit of a fine scale are forgiven up to 0.15 g. */
static const double STILL_LEAST_G = 0.15;

/* Leaving rest takes more than a flicker of the last digit. */
static const double LEAVE_DIVISIONS = 1.6;
static const double LEAVE_LEAST_G = 0.35;

/* What a hand could pour: slower is drift, faster is a thing put down. */
static const double FLOW_LEAST_G_PER_S = 0.35;
static const double FLOW_MOST_G_PER_S = 45;

/* Flow is judged over this window. */
static const int64_t FLOW_WINDOW_US = 700000;

/* A flow that has fallen by so much from its height was none, or is over. */
static const double COARSE_G = 0.3; /* a coarser last digit is most of the noise */
static const double FELL_G = 1.2, FELL_SHARE = 0.12;

/* A jump is judged over this one. */
static const int64_t RATE_WINDOW_US = 210000;

/* A flow is over when the load goes back this fast. */
static const double BACK_G_PER_S = 8;

/* The first and the last grams of a flow, by which its begin and end are found. */
static const double ROOT_MOST_G = 5, ROOT_MOST_DIVISIONS = 8;

/* A line that rises more slowly (g or root g in a second) crosses zero nowhere in particular. */
static const double LINE_LEAST_SLOPE = 0.2;

/* Hands are seldom sudden: a straight begin is believed when its misfit is so small a share of the other's. */
static const double STRAIGHT_SHARE = 0.2;
static const double NOISE_DIVISIONS = 1.0; /* what a misfit of so much shows is noise */

/* Within this share of a movement the rest of it is the filter's. */
static const double TAIL_SHARE = 0.04;

/* The same among those made clear: so many before the one that is being looked at. */
const struct sample *seen_back(const struct signal *signal, uint32_t back)
{
    return &signal->ring[(signal->seen_end - 1 - back) % RING_SAMPLES];
}

uint32_t seen_held(const struct signal *signal)
{
    uint32_t ahead = signal->ring_end - signal->seen_end;

    return signal->seen_end < RING_SAMPLES - ahead ? signal->seen_end : RING_SAMPLES - ahead;
}

double shape_leave_g(const struct signal *signal)
{
    return fmax(LEAVE_DIVISIONS * signal->resolution_g, LEAVE_LEAST_G);
}

/* How many of the newest samples lie within window_us; at least `least` when there are so many. */
static uint32_t window(const struct signal *signal, int64_t window_us, uint32_t least)
{
    int64_t from_us = seen_back(signal, 0)->at_us - window_us;
    uint32_t held = seen_held(signal), n = 0;

    while (n < held && (n < least || seen_back(signal, n)->at_us >= from_us))
        n++;
    return n;
}

/* `slack_g`: what may be left of a jump just now. */
bool shape_is_still(const struct signal *signal, int64_t still_us, double slack_g, double *level_g)
{
    uint32_t n = window(signal, still_us, 3);
    float low = INFINITY, high = -INFINITY;
    double sum = 0;

    if (seen_back(signal, 0)->at_us - signal->overload_us < still_us)
        return false;
    if (n < 3 || seen_back(signal, 0)->at_us - seen_back(signal, n - 1)->at_us < still_us * 7 / 10)
        return false;
    for (uint32_t back = 0; back < n; back++) {
        float clear_g = seen_back(signal, back)->clear_g;

        low = fminf(low, clear_g);
        high = fmaxf(high, clear_g);
        sum += (double)clear_g;
    }
    *level_g = sum / n;
    return (double)(high - low) <= fmax(1.01 * signal->resolution_g, STILL_LEAST_G) + slack_g;
}

/* The rate over the last fifth of a second, two samples at least. */
double shape_rate_g_per_s(const struct signal *signal)
{
    const struct sample *new = seen_back(signal, 0), *old;
    uint32_t n = window(signal, RATE_WINDOW_US, 2);

    if (n < 2)
        return 0;
    old = seen_back(signal, n - 1);
    return (double)(new->clear_g - old->clear_g) / ((double)(new->at_us - old->at_us) / 1e6);
}

/* Whether the newest samples grow evenly: both halves of the window at a rate a hand could pour. */
bool shape_is_flow(const struct signal *signal, uint32_t *samples)
{
    uint32_t n = window(signal, FLOW_WINDOW_US, 4);
    double slack = fmax(1.01 * signal->resolution_g, 0.3), total, first, second, span;
    const struct sample *old, *middle, *new;

    if (n < 4 || n > RING_SAMPLES)
        return false;
    new = seen_back(signal, 0);
    middle = seen_back(signal, n / 2);
    old = seen_back(signal, n - 1);
    total = (double)(new->clear_g - old->clear_g);
    span = (double)(new->at_us - old->at_us) / 1e6;
    if (span <= 0 || total < fmax(2.5 * signal->resolution_g, 0.3) || total / span < FLOW_LEAST_G_PER_S
        || total / span > FLOW_MOST_G_PER_S)
        return false;
    first = (double)(middle->clear_g - old->clear_g) / ((double)(middle->at_us - old->at_us) / 1e6);
    second = (double)(new->clear_g - middle->clear_g) / ((double)(new->at_us - middle->at_us) / 1e6);
    if (second < 0.5 * first || fabs(shape_rate_g_per_s(signal)) > FLOW_MOST_G_PER_S)
        return false; /* the tail of a jump, a jump */
    for (uint32_t back = 0; back + 1 < n; back++) {
        double step_g = (double)(seen_back(signal, back)->clear_g - seen_back(signal, back + 1)->clear_g);

        if (step_g < -slack || step_g > (n > 4 ? 0.4 : 0.6) * total + slack)
            return false;
    }
    *samples = n;
    return true;
}

/* When the load left its resting level: the line through the first samples that moved, drawn back to
 * the level, but not before the last sample that had not moved. */
int64_t shape_left_us(const struct signal *signal, double level_g)
{
    double near_g = fmax(1.1 * signal->resolution_g, 0.08);
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

/* A line through points (t, x) of weight w. */
struct line {
    double w, t, x, tt, tx;
    double slope, zero_s; /* where it crosses zero; NAN when it hardly rises */
};

static void line_add(struct line *line, double w, double t, double x)
{
    line->w += w;
    line->t += w * t;
    line->x += w * x;
    line->tt += w * t * t;
    line->tx += w * t * x;
}

static void line_fit(struct line *line)
{
    double spread = line->w * line->tt - line->t * line->t;

    line->zero_s = NAN;
    if (spread < 1e-6)
        return;
    line->slope = (line->w * line->tx - line->t * line->x) / spread;
    if (fabs(line->slope) >= LINE_LEAST_SLOPE)
        line->zero_s = (line->t - line->x / line->slope) / line->w;
}

/* What the line foretells: nothing on the far side of its zero. */
static double line_at(const struct line *line, double t)
{
    return fmax(0, line->slope * (t - line->zero_s));
}

/* A flow may begin at once, and what it brings grows with time; or as a hand tips further, with the
 * square of time, and then its root grows with time.  Whichever line fits better, the quiet before it
 * included, says where it began; the same backwards for an end. */
int64_t shape_root_us(const struct signal *signal, double level_g, int64_t from_us, int64_t until_us)
{
    double least_g = fmax(0.8 * shape_leave_g(signal), 2 * signal->noise_g);
    double most_g = fmax(ROOT_MOST_G, ROOT_MOST_DIVISIONS * signal->resolution_g);
    double straight_misfit = 0, root_misfit = 0, noise_g = NOISE_DIVISIONS * signal->resolution_g + signal->noise_g;
    struct line straight = { 0 }, root = { 0 };
    int64_t newest_us = seen_back(signal, 0)->at_us;
    int count = 0;

    for (int pass = 0; pass < 2; pass++) {
        for (uint32_t back = 0; back < seen_held(signal); back++) {
            const struct sample *sample = seen_back(signal, back);
            double off_g = fabs((double)sample->clear_g - level_g), t = (double)(sample->at_us - newest_us) / 1e6;

            if (sample->at_us < from_us)
                break;
            if (sample->at_us > until_us || off_g > most_g)
                continue;
            if (pass == 1) {
                straight_misfit += pow(off_g - line_at(&straight, t), 2);
                root_misfit += pow(off_g - pow(line_at(&root, t), 2), 2);
            } else if (off_g >= least_g) {
                line_add(&straight, 1, t, off_g);
                line_add(&root, off_g, t, sqrt(off_g)); /* noise in a root goes down with the root */
                count++;
            }
        }
        if (count < 2)
            return 0;
        if (pass == 0) {
            line_fit(&straight);
            line_fit(&root);
        }
    }
    if (isnan(straight.zero_s) && isnan(root.zero_s))
        return 0;
    if (isnan(root.zero_s)
        || (!isnan(straight.zero_s) && count > 3 && straight_misfit < STRAIGHT_SHARE * root_misfit
            && root_misfit > count * noise_g * noise_g))
        return newest_us + (int64_t)(straight.zero_s * 1e6);
    return newest_us + (int64_t)(root.zero_s * 1e6);
}

/* When the hand had done: the load came near its new level for good then.  What follows is the tail
 * that the instrument's filter leaves. */
int64_t shape_near_us(const struct signal *signal, const struct piece *piece, double level_g, double moved_g)
{
    double near_g = fmax(shape_leave_g(signal) + signal->noise_g, TAIL_SHARE * moved_g);
    uint32_t held = seen_held(signal), back = 0;

    while (back < held && fabs((double)seen_back(signal, back)->clear_g - level_g) <= near_g)
        back++;
    if (back == 0 || back >= held || seen_back(signal, back)->at_us < piece->begin_us)
        return seen_back(signal, back ? back - 1 : 0)->at_us;
    return (seen_back(signal, back)->at_us + seen_back(signal, back - 1)->at_us) / 2;
}

/* A flow ends when it clearly goes back, or jumps: as it is indicated, too, since undoing the filter makes much of
 * little. */
bool shape_flow_broke(const struct signal *signal, const struct piece *flow)
{
    const struct sample *new = seen_back(signal, 0), *old = seen_back(signal, 1), *shown = sample_back(signal, 0);
    double step_g = (double)(new->clear_g - old->clear_g), rate = shape_rate_g_per_s(signal);
    double noise_g = signal->resolution_g > COARSE_G ? signal->noise_g : 0;
    double fell_g = (double)(flow->high_g - new->clear_g), gained_g = (double)(flow->high_g - flow->first_g);
    double shown_g = (double)(shown->load_g - old->load_g), shown_s = (double)(shown->at_us - old->at_us) / 1e6;

    return new->overload || (rate > FLOW_MOST_G_PER_S && shown_g > FLOW_MOST_G_PER_S / 2 * shown_s)
           || (shown_g <= signal->resolution_g
               && (fell_g > fmax(fmax(FELL_G, 2.5 * signal->resolution_g) + 2 * noise_g, FELL_SHARE * gained_g)
                   || (rate < -BACK_G_PER_S && step_g < -fmax(1.5 * signal->resolution_g, 0.8) - 2 * noise_g)));
}
