/* Segments by dynamic programming: to every sample the cheapest account of all before it, each segment at the cost of
 * what its kind leaves open, in nats relative to the scale's own noise.  Done only while something moves. */
#include "segments.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "change.h"
#include "level.h"

/* What a new segment costs, and one that is short for its kind. */
static const double NEW_REST = 3, NEW_FLOW = 6, NEW_JUMP = 5, NEW_BUSY = 5, SHORT = 5;
static const double BACK_G = 4; /* near enough to where it rested before */
static const double REST_SHORT_S = 0.5, FLOW_SHORT_S = 1, JUMP_MOST_S = 0.9;

/* A scale left alone drifts no faster; a stream is no slower, and no faster. */
static const double REST_SIGMAS = 2.5, REST_SLOPE_G_PER_S = 0.06, FLOW_LEAST_G_PER_S = 0.35, FLOW_MOST_G_PER_S = 50,
                    FLOW_LEAST_G = 2;

/* A stream is even to such a share of itself, and its drops weigh so much, more when it is fast. */
static const double FLOW_UNEVEN = 0.3, FLOW_DROPS_G = 0.25, FLOW_DROPS_S = 0.03;

/* A stream that changes its rate keeps so near to a line, as a share of what it brings; nats per share more. */
static const double FLOW_BENDS = 0.15, FLOW_BENT = 40;

/* Busy hands: a reading is anywhere in such a range. */
static const double BUSY_G = 11, BUSY_SIGMAS = 18;

/* Busy hands put nothing down: a thing is a jump. */
static const double THING_G = 45, BUSY_MOVES = 12, BUSY_MOVES_EACH = 2, FORCE_G = 100, NEAR_G = 10;

/* Readings that come faster are not as many witnesses: the filter makes them alike. */
static const double WITNESS_S = 0.1;

/* A rest of so long, and so many samples, is sure. */
static const double FIRM_S = 1.3;
enum { FIRM_SAMPLES = 3, STARTS = 110, CARRY_SAMPLES = 24 };

/* The load has left its rest: so many sigmas, or divisions. */
static const double LEAVE_SIGMAS = 4, LEAVE_DIVISIONS = 1.6;

/* Back at rest: within such a share of that. */
static const double BACK_SHARE = 0.6;

/* Of the rest so much is looked at again when it is left: a stream begins slowly. */
static const int64_t BEFORE_US = 1500000;

/* The running level of a rest follows slow drift. */
static const double FOLLOW_S = 2;

/* The noise is learnt slowly, so that no stream passes for it. */
static const double NOISE_S = 8, NOISE_CLIP = 2.5;
static const double NOISE_DIVISIONS = 0.25, NOISE_LEAST_G = 0.015, NOISE_FIRST_DIVISIONS = 0.5;

/* A begin or an end by its shape: hands start like the square of time.  From points between two sigmas of the rest and
 * such a share of the way, within so long. */
static const double SHAPE_SHARE = 0.35, SHAPE_LEAST_G = 6, SHAPE_FLOW_G = 5, SHAPE_FLOW_DIVISIONS = 8,
                    SHAPE_SIGMAS = 2.5;
static const double KNOCK_NEAR_SHARE = 0.02, KNOCK_FAR_SHARE = 0.25, END_MOST_S = 3, BLUR_SHARE = 0.5,
                    BLUR_FLOW_SHARE = 0.1, END_SHARE = 0.14, TOUCH_END_SHARE = 0.06, SHAKEN_END_SHARE = 0.025,
                    SHAKEN_SHARE = 0.25, END_LATER_S = 1;
static const double FLOW_EARLIER_S = 0.9, HAND_EARLIER_S = 0.2;
static const int64_t SHAPE_US = 1500000;

static const int64_t LEVEL_FIRST_US = 3000000;

/* So long after a rest was left it is clear how a hand shakes; if the load is farther off then, a thing was put down
 * or water flows; and when it rests again, it put nothing down. */
static const int64_t CLEAR_US = 2400000, BACK_US = 400000;
static const double SHAKE_MOST_G = 30, SHAKE_MOVES_G = 4;
static const float SHAKE_WIDE_G = 200;

/* A jump teaches the filter when it went straight and was quick. */
static const double LEARN_STRAIGHT = 1.3, LEARN_MOST_S = 4;

/* What goes first where there is no room: a tail beside its movement, a blow that lasts no longer. */
static const double ROOM_TAIL_SHARE = 0.05, BLOW_MOST_S = 1.1, RINGS_S = 1.6;

/* Two rests so near to each other are one: the tail of what came before was taken for a rest. */
static const double TAIL_TIMES = 3, TAIL_DIVISIONS = 3;

/* Or when little moves between them, soon after much did. */
static const double TAIL_SEEMS_S = 1.2, TAIL_MOST_S = 2.5, TAIL_SHARE = 0.02, TAIL_DOUBT = 4;

void segments_begin(struct segments *segments)
{
    memset(segments, 0, sizeof *segments);
}

static double clear_g(const struct weighing *weighing, uint32_t index)
{
    return (double)weighing_sample(weighing, index)->clear_g;
}

static double seconds(int64_t from_us, int64_t to_us)
{
    return (double)(to_us - from_us) / 1e6;
}

static double sigma_of(const struct segments *segments, const struct weighing *weighing, const struct filter *filter)
{
    double least_g = hypot(NOISE_DIVISIONS * weighing->resolution_g, NOISE_LEAST_G);
    double rest_g = segments->noise_g > 0 ? segments->noise_g : NOISE_FIRST_DIVISIONS * weighing->resolution_g;

    return fmax(hypot(rest_g, segments->resting ? 0 : filter->noise_g), least_g);
}

/* What the samples of a segment sum up to, relative to its last one. */
struct sums {
    double n, weight, x, t, xx, xt, tt, dd, dt, dtdt, low_g, high_g, path_g, over;
};

static void add(struct sums *sums, double x, double t, double d, double dt, bool overload)
{
    sums->n++;
    sums->weight += fmin(1, dt / WITNESS_S);
    sums->x += x;
    sums->t += t;
    sums->xx += x * x;
    sums->xt += x * t;
    sums->tt += t * t;
    sums->dd += d * d;
    sums->dt += d * dt;
    sums->dtdt += dt * dt;
    sums->low_g = fmin(sums->low_g, fmin(x, x - d));
    sums->high_g = fmax(sums->high_g, fmax(x, x - d));
    sums->path_g += fabs(d);
    sums->over += overload;
}

static double rest_cost(const struct sums *sums, double sigma_g)
{
    double n = sums->n, mean = sums->x / n, stt = sums->tt - sums->t * sums->t / n;
    double sxt = sums->xt - sums->x * sums->t / n, rss = sums->xx - n * mean * mean, slope, variance, restless;

    slope = stt > 0 ? fmax(-REST_SLOPE_G_PER_S, fmin(REST_SLOPE_G_PER_S, sxt / stt)) : 0;
    rss += slope * slope * stt - 2 * slope * sxt;
    variance = fmax(rss, 0) / n / (sigma_g * sigma_g);
    /* a rest may be restless to some sigmas, not more */
    restless = fmin(fmax(variance, 1), REST_SIGMAS * REST_SIGMAS);
    return sums->weight * 0.5 * (log(restless) + variance / restless);
}

/* x0: the load that it came from, relative to its last one; span_s: since then. */
static double flow_cost(const struct sums *sums, double sigma_g, double x0, double span_s)
{
    double rate = -x0 / span_s, dt = span_s / sums->n, even, drops, variance, rss, off_g;

    if (!(rate >= FLOW_LEAST_G_PER_S && rate <= FLOW_MOST_G_PER_S))
        return INFINITY;
    even = FLOW_UNEVEN * rate * dt;
    drops = (FLOW_DROPS_G + FLOW_DROPS_S * rate) * fmin(1, dt / WITNESS_S);
    variance = 2 * sigma_g * sigma_g + even * even + drops * drops;
    rss = fmax(0, sums->dd - 2 * rate * sums->dt + rate * rate * sums->dtdt);
    off_g = sqrt(fmax(0, sums->xx - 2 * rate * sums->xt + rate * rate * sums->tt) / sums->n); /* from a line */
    return sums->weight * (0.5 * log(variance / (sigma_g * sigma_g)) + 0.5 * rss / sums->n / variance)
           + FLOW_BENT * fmax(0, off_g / fabs(x0) - FLOW_BENDS);
}

static double busy_each(double sigma_g)
{
    return log(fmax(BUSY_G, BUSY_SIGMAS * sigma_g) / sigma_g);
}

static double jump_cost(const struct sums *sums, double sigma_g, double x0)
{
    double range_g = sums->high_g - sums->low_g, net_g = fabs(x0);

    if (range_g < 3 * sigma_g || net_g < 3 * sigma_g)
        return INFINITY;
    return sums->weight * fmin(log(fmax(range_g, 3 * sigma_g) / (2.5 * sigma_g)), busy_each(sigma_g))
           + 3 * fmax(0, sums->path_g / net_g - 1.2);
}

static double kind_cost(int kind, const struct sums *sums, double sigma_g, double x0, double span_s)
{
    switch (kind) {
    case KIND_REST:
        return sums->over > 0 ? INFINITY : rest_cost(sums, sigma_g);
    case KIND_FLOW:
        return sums->over > 0 ? INFINITY : flow_cost(sums, sigma_g, x0, span_s);
    case KIND_JUMP:
        return span_s <= JUMP_MOST_S || sums->n < 3 ? jump_cost(sums, sigma_g, x0) : INFINITY;
    default:
        return sums->weight * busy_each(sigma_g)
               + (fabs(x0) > THING_G ? fmin(BUSY_MOVES, BUSY_MOVES_EACH * sums->n) : 0);
    }
}

static double new_cost(int kind, int before, double sigma_g, double span_s, double net_g)
{
    switch (kind) {
    case KIND_REST: /* wherever it rests: its first reading may be anywhere */
        return NEW_REST + busy_each(sigma_g) + (span_s < REST_SHORT_S ? SHORT : 0)
               + (before == KIND_REST ? NEW_JUMP : 0);
    case KIND_FLOW:
        return NEW_FLOW + (span_s < FLOW_SHORT_S ? SHORT : 0) + (net_g < FLOW_LEAST_G ? SHORT : 0);
    case KIND_JUMP:
        return NEW_JUMP + (before == KIND_JUMP ? SHORT : 0);
    default:
        return NEW_BUSY + (before == KIND_BUSY ? SHORT : 0);
    }
}

/* The cheapest account up to sample j. */
static void push(struct segments *segments, const struct weighing *weighing, double sigma_g, uint32_t j)
{
    struct sample *last = weighing_sample(weighing, j);
    struct sums sums = { .low_g = INFINITY, .high_g = -INFINITY };
    double xj = (double)last->clear_g, best = INFINITY, busy_g = busy_each(sigma_g);

    for (uint32_t i = j; i-- > segments->anchor && j - i < STARTS;) {
        const struct sample *start = weighing_sample(weighing, i), *next = weighing_sample(weighing, i + 1);
        double x = (double)next->clear_g - xj, dt = seconds(start->at_us, next->at_us),
               x0 = (double)start->clear_g - xj;
        double span_s = seconds(start->at_us, last->at_us);
        bool at_anchor = i == segments->anchor;
        double before = at_anchor ? segments->carry_cost : (double)start->cost;

        add(&sums, x, seconds(last->at_us, next->at_us), x - x0, dt, next->overload);
        for (int kind = 0; kind < KINDS; kind++) {
            bool goes_on = at_anchor && segments->carried && segments->carry.kind == kind;
            double cost;

            if (kind == KIND_JUMP && span_s > JUMP_MOST_S && sums.n > 2)
                continue;
            if (kind == KIND_BUSY)
                cost = sums.weight * busy_g
                       + (fabs(x0) > THING_G && !goes_on ? fmin(BUSY_MOVES, BUSY_MOVES_EACH * sums.n) : 0);
            else
                cost = kind_cost(kind, &sums, sigma_g, x0, span_s);
            cost += before;
            if (cost >= best + (kind == KIND_REST ? busy_g : 0))
                continue;
            if (kind == KIND_REST && !goes_on && segments->carry_cost >= 0) {
                double off_g = fabs(xj + sums.x / sums.n - segments->level_g);

                if (off_g < BACK_G) /* where it rested before: less of a surprise */
                    cost += fmin(0, log(1 + off_g / sigma_g) - busy_g);
            }
            if (!goes_on)
                cost += new_cost(kind, at_anchor ? segments->carried ? segments->carry.kind : KIND_BUSY : start->kind,
                                 sigma_g, span_s, fabs(x0));
            if (cost < best) {
                best = cost;
                last->kind = (unsigned char)kind;
                last->from = (unsigned char)(j - i);
            }
        }
    }
    last->cost = (float)best;
}

/* Ends of the segments of the cheapest account, newest first; how many. */
static int trace(const struct segments *segments, const struct weighing *weighing, uint32_t *end)
{
    uint32_t j = segments->seen - 1;
    int count = 0;

    while (j > segments->anchor && count < SEGMENTS_OPEN) {
        end[count++] = j;
        j -= weighing_sample(weighing, j)->from;
        if (j < segments->anchor || j > end[count - 1])
            j = segments->anchor;
    }
    return count;
}

/* Adds what the samples after `from` up to `to` show to a segment. */
static void measure(struct segment *segment, const struct weighing *weighing, uint32_t from, uint32_t to, bool fresh)
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

enum { SHAPE_POINTS = 40 };

/* Hands are seldom sudden: a straight begin is believed when its misfit is so small a share of the other's. */
static const double STRAIGHT_SHARE = 0.8;

/* A line through points (t, x) of weight w. */
struct line {
    double w, t, x, tt, tx;
};

static void line_add(struct line *line, double w, double t, double x)
{
    line->w += w;
    line->t += w * t;
    line->x += w * x;
    line->tt += w * t * t;
    line->tx += w * t * x;
}

static double line_slope(const struct line *line)
{
    return (line->w * line->tx - line->t * line->x) / (line->w * line->tt - line->t * line->t);
}

/* What grows from nothing, as y at t: when it began as a line through its points does, or as a parabola, whichever is
 * likelier. */
static double root_s(const double *t, const double *y, int n, double noise_g)
{
    struct line straight = { 0 }, root = { 0 };
    double straight_slope, root_slope, straight_s, curve_s, straight_misfit = 0, curve_misfit = 0;

    for (int i = 0; i < n; i++) {
        line_add(&straight, 1, t[i], y[i]);
        line_add(&root, y[i], t[i], sqrt(y[i])); /* noise in a root goes down with the root */
    }
    straight_slope = line_slope(&straight);
    root_slope = line_slope(&root);
    if (!(straight_slope > 0 && root_slope > 0))
        return NAN;
    straight_s = (straight.t - straight.x / straight_slope) / straight.w;
    curve_s = (root.t - root.x / root_slope) / root.w;
    for (int i = 0; i < n; i++) {
        straight_misfit += pow(y[i] - straight_slope * (t[i] - straight_s), 2);
        curve_misfit += pow(y[i] - pow(root_slope * (t[i] - curve_s), 2), 2);
    }
    if (fmax(straight_misfit, curve_misfit) < n * noise_g * noise_g) /* nobody can know */
        return (straight_s + curve_s) / 2;
    return straight_misfit < STRAIGHT_SHARE * curve_misfit ? straight_s : curve_s;
}

/* Where a movement began that left level_g after sample `rest`, by its shape; or with step < 0, where a stream ended
 * that came to it before that sample. */
static int64_t shape_us(const struct weighing *weighing, const struct filter *filter, uint32_t rest, uint32_t until,
                        int step, double level_g, double way_g, double sigma_g, bool flow)
{
    const struct sample *still = weighing_sample(weighing, rest);
    const struct sample *moved = weighing_sample(weighing, rest + (uint32_t)step);
    double least_g = SHAPE_SIGMAS * sigma_g, was = 0, at_s = NAN, t[SHAPE_POINTS], y[SHAPE_POINTS];
    double most_g =
        flow ? fmin(fmax(0.2 * fabs(way_g), fmax(1.5, SHAPE_FLOW_DIVISIONS * weighing->resolution_g)), SHAPE_FLOW_G)
             : fmax(SHAPE_SHARE * fabs(way_g), SHAPE_LEAST_G);
    int n = 0;

    for (uint32_t i = rest; i != until && n < SHAPE_POINTS;) {
        const struct sample *sample = weighing_sample(weighing, i += (uint32_t)step);
        double off_g = ((double)sample->clear_g - level_g) * (way_g < 0 ? -1 : 1);

        t[n] = step * seconds(still->at_us, sample->at_us);
        if (t[n] * 1e6 > (double)SHAPE_US || (off_g > most_g && n >= 2) || off_g < was - least_g)
            break;
        was = off_g;
        if (off_g > least_g)
            y[n++] = off_g;
    }
    if (n >= 2)
        at_s = root_s(t, y, n, weighing->resolution_g + sigma_g);
    if (isnan(at_s))
        at_s = step * seconds(still->at_us, moved->at_us) / 2;
    at_s += (step < 0 ? -BLUR_SHARE : flow ? BLUR_FLOW_SHARE : BLUR_SHARE) * filter_blur_s(filter, weighing);
    at_s = fmax(fmin(at_s, step * seconds(still->at_us, moved->at_us)), flow ? -FLOW_EARLIER_S : -HAND_EARLIER_S);
    return still->at_us + step * (int64_t)(at_s * 1e6);
}

/* A blow before a hand's movement is none of it: the last sample near level_g before the movement goes far. */
static uint32_t after_knock(const struct weighing *weighing, uint32_t from, uint32_t to, double level_g, double way_g,
                            double sigma_g)
{
    double near_g = fmax(KNOCK_NEAR_SHARE * fabs(way_g), SHAPE_SIGMAS * sigma_g), far_g = KNOCK_FAR_SHARE * fabs(way_g);

    if (far_g < THING_G)
        return from;
    for (uint32_t i = from + 1; i <= to; i++) {
        if (fabs(clear_g(weighing, i) - level_g) < far_g)
            continue;
        while (i-- > from + 1)
            if (fabs(clear_g(weighing, i) - level_g) < near_g)
                return i;
        break;
    }
    return from;
}

/* Where a movement ended that came to level_g at sample `rest`: what is left of its range then is the filter's.  The
 * rest may have been taken to begin too early: some of it is looked at, too, but no sample after `until`. */
static int64_t ended_us(const struct weighing *weighing, uint32_t rest, uint32_t until, uint32_t from, double level_g,
                        double range_g, bool shaken, double sigma_g)
{
    double near_g = fmax((shaken              ? SHAKEN_END_SHARE
                          : range_g > THING_G ? END_SHARE
                                              : TOUCH_END_SHARE)
                             * range_g,
                         SHAPE_SIGMAS * sigma_g);
    uint32_t last = rest;

    while (last < until
           && seconds(weighing_sample(weighing, rest)->at_us, weighing_sample(weighing, last + 1)->at_us) < END_LATER_S)
        last++;
    for (uint32_t i = last; i-- > from;) {
        const struct sample *sample = weighing_sample(weighing, i), *next = weighing_sample(weighing, i + 1);
        double off_g = fabs((double)sample->clear_g - level_g), next_g = fabs((double)next->clear_g - level_g);

        if (off_g > near_g)
            return next->at_us
                   - (int64_t)((double)(next->at_us - sample->at_us)
                               * fmin(1, fmax(0, (near_g - next_g) / (off_g - next_g))));
    }
    return weighing_sample(weighing, from)->at_us;
}

/* When hands had done that came to rest at this sample: what is little beside the movement before it is the tail of
 * that. */
static void date_end(const struct segments *segments, const struct weighing *weighing, struct segment *list,
                     struct segment *last, uint32_t rest, uint32_t until, double level_g, double sigma_g)
{
    double range_g = (double)(last->high_g - last->low_g), widest_g = range_g;
    double low_g = (double)last->low_g, high_g = (double)last->high_g;
    struct segment *first = last;
    int64_t end_us;

    for (struct segment *one = last; one >= list && (one->kind == KIND_JUMP || one->kind == KIND_BUSY)
                                     && seconds(one->end_us, last->end_us) < END_MOST_S;
         one--) {
        double one_g = (double)(one->high_g - one->low_g);

        if (one_g > widest_g && range_g < END_SHARE * one_g) {
            first = one;
            widest_g = one_g;
            low_g = (double)one->low_g;
            high_g = (double)one->high_g;
        }
    }
    end_us = ended_us(weighing, rest, until, segments->anchor, level_g, widest_g,
                      level_g - low_g > SHAKEN_SHARE * widest_g && high_g - level_g > SHAKEN_SHARE * widest_g, sigma_g);
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
    double off_g = fabs(clear_g(weighing, to) - (double)rest->last_g), sure_g = TAIL_TIMES * (double)rest->last_u_g;

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
    if (busy <= before || !(level_g < from_g - THING_G) || !((double)list[busy].high_g > from_g + FORCE_G))
        return count;
    for (uint32_t i = rest; i-- > segments->anchor + 1;) {
        const struct sample *sample = weighing_sample(weighing, i);
        struct segment after = list[count - 1];

        if ((double)sample->clear_g < from_g + NEAR_G)
            continue;
        if (sample->at_us <= list[busy].begin_us)
            return count;
        after.begin_us = ended_us(weighing, rest, until, i, level_g, from_g - level_g, false, sigma_g);
        list[busy + 1] = (struct segment){ .kind = KIND_JUMP, .begin_us = sample->at_us, .end_us = after.begin_us };
        measure(&list[busy + 1], weighing, i, rest - 1, true);
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
        || seconds(seemed->begin_us, rest->begin_us) > TAIL_MOST_S)
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
static bool only_shakes(const struct segment *first, const struct segment *last)
{
    float from_g = first[-1].last_g;

    for (const struct segment *one = first; one <= last; one++)
        if (one->overload || one->high_g - from_g > SHAKE_WIDE_G || from_g - one->low_g > SHAKE_WIDE_G)
            return false;
    return true;
}

/* Hands that shook what had rested began when that is likeliest; what came before was a blow. */
static void date_shake(const struct segments *segments, struct segment *list, int count)
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
    if (first->kind == KIND_FLOW || !only_shakes(first, last)
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
    double sigma_g = sigma_of(segments, weighing, filter);

    memcpy(out, segments->list, (size_t)count * sizeof *out);
    if (segments->resting || !segments->begun)
        return count;
    path = trace(segments, weighing, end);
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
            measure(segment, weighing, from, to, false);
        } else {
            segment = &out[count++];
            *segment = goes_on ? segments->carry : (struct segment){ .kind = (unsigned char)kind };
            if (!goes_on)
                segment->begin_us = before ? before->end_us : weighing_sample(weighing, from)->at_us;
            measure(segment, weighing, from, to, !goes_on);
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
            if (!goes_on) {
                segment->first_g = segment->last_g;
                segment->first_u_g = segment->last_u_g;
            }
            if (!goes_on && before && before->kind != KIND_REST && count > 1) {
                if (before->kind == KIND_FLOW && before > out && before[-1].kind != KIND_REST
                    && before[-1].kind != KIND_FLOW && seconds(before->begin_us, before->end_us) < TAIL_MOST_S
                    && before->high_g - before->low_g < TAIL_SHARE * (1 + TAIL_DOUBT * filter_doubt(filter))
                                                            * (before[-1].high_g - before[-1].low_g))
                    before->kind = KIND_JUMP; /* its tail */
                if (before->kind == KIND_FLOW)
                    before->end_us =
                        shape_us(weighing, filter, rest_from + 1, segments->anchor, -1, (double)segment->first_g,
                                 (double)(before->first_g - segment->first_g), sigma_g, true);
                else
                    date_end(segments, weighing, out, before, rest_from + 1, to, (double)segment->first_g, sigma_g);
                if (before->end_us < before->begin_us)
                    before->end_us = before->begin_us;
                segment->begin_us = before->end_us;
            }
        } else if (before && before->kind == KIND_REST && segment != before && !goes_on) {
            double way_g = (double)(segment->high_g - before->last_g) > (double)(before->last_g - segment->low_g)
                               ? (double)(segment->high_g - before->last_g)
                               : (double)(segment->low_g - before->last_g);

            segment->begin_us = shape_us(
                weighing, filter,
                kind == KIND_FLOW ? from : after_knock(weighing, from, to, (double)before->last_g, way_g, sigma_g), to,
                1, (double)before->last_g, way_g, sigma_g, kind == KIND_FLOW);
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
    date_shake(segments, out, count);
    return count;
}

static void shift(struct segment *segment, float grams)
{
    segment->first_g += grams;
    segment->last_g += grams;
    segment->low_g += grams;
    segment->high_g += grams;
    segment->peak_g += grams;
    segment->sum_gs += grams * segment->sum_s;
}

void segments_shift(struct segments *segments, double grams)
{
    for (int i = 0; i < segments->count; i++)
        shift(&segments->list[i], (float)grams);
    shift(&segments->carry, (float)grams);
    segments->level_g += grams;
}

void segments_forget(struct segments *segments, int count)
{
    segments->count -= count;
    memmove(segments->list, segments->list + count, (size_t)segments->count * sizeof *segments->list);
}

/* Two movements, or a movement within a rest, become one. */
static void absorb(struct segment *into, const struct segment *next)
{
    into->end_us = next->end_us;
    into->last_g = next->last_g;
    into->last_u_g = next->last_u_g;
    if (next->kind == KIND_REST)
        return;
    into->low_g = fminf(into->low_g, next->low_g);
    into->high_g = fmaxf(into->high_g, next->high_g);
    into->peak_g = fmaxf(into->peak_g, next->peak_g);
    into->sum_gs += next->sum_gs;
    into->sum_s += next->sum_s;
    into->path_g += next->path_g;
    into->active_s += next->active_s;
    into->overload |= next->overload;
    into->kind = KIND_BUSY;
}

static double range_of(const struct segment *segment)
{
    return (double)(segment->high_g - segment->low_g);
}

/* Makes room in what was read: first tails go, then blows, then parts of one movement, then the oldest. */
static int make_room(struct segment *read, int count)
{
    for (int i = 1; i + 1 < count; i++)
        if (read[i].kind != KIND_REST && read[i].kind != KIND_FLOW && read[i + 1].kind != KIND_REST
            && range_of(&read[i + 1]) < ROOM_TAIL_SHARE * range_of(&read[i])) {
            int64_t end_us = read[i].end_us;
            unsigned char kind = read[i].kind;

            absorb(&read[i], &read[i + 1]);
            read[i].end_us = end_us;
            read[i].kind = kind;
            memmove(&read[i + 1], &read[i + 2], (size_t)(count - i - 2) * sizeof *read);
            return count - 1;
        }
    for (int i = 1; i + 1 < count; i++)
        if (read[i].kind != KIND_REST && read[i].kind != KIND_FLOW && read[i - 1].kind == KIND_REST
            && read[i + 1].kind == KIND_REST && seconds(read[i].begin_us, read[i].end_us) < BLOW_MOST_S
            && fabs((double)(read[i + 1].first_g - read[i - 1].last_g)) < 1) {
            absorb(&read[i - 1], &read[i + 1]);
            memmove(&read[i], &read[i + 2], (size_t)(count - i - 2) * sizeof *read);
            return count - 2;
        }
    for (int i = 1; i + 1 < count; i++)
        if ((read[i].kind == KIND_JUMP || read[i].kind == KIND_BUSY)
            && (read[i + 1].kind == KIND_JUMP || read[i + 1].kind == KIND_BUSY)) {
            absorb(&read[i], &read[i + 1]);
            memmove(&read[i + 1], &read[i + 2], (size_t)(count - i - 2) * sizeof *read);
            return count - 1;
        }
    memmove(read, read + 1, (size_t)(count - 1) * sizeof *read);
    return count - 1;
}

/* Takes what was read for settled. */
static void settle(struct segments *segments, struct segment *read, int count)
{
    while (count > SEGMENTS)
        count = make_room(read, count);
    segments->count = count;
    memcpy(segments->list, read, (size_t)count * sizeof *read);
}

/* The samples held are full: what is at the anchor goes on, or is settled. */
static void advance(struct segments *segments, struct weighing *weighing, const struct filter *filter)
{
    uint32_t end[SEGMENTS_OPEN];
    int path = trace(segments, weighing, end);
    uint32_t first_end = path ? end[path - 1] : segments->anchor, to;
    double sigma_g = sigma_of(segments, weighing, filter);
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
            settle(segments, read, count);
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
        settle(segments, read, kind == KIND_REST ? count : count - 1);
        segments->rest_first = segments->anchor + 1;
    } else if (kind != KIND_REST) {
        measure(&segments->carry, weighing, segments->anchor, to, false);
    }
    {
        struct sums sums = { .low_g = INFINITY, .high_g = -INFINITY };
        double xj = clear_g(weighing, to);
        const struct sample *start = weighing_sample(weighing, segments->anchor), *last = weighing_sample(weighing, to);

        for (uint32_t i = to; i-- > segments->anchor;) {
            const struct sample *a = weighing_sample(weighing, i), *b = weighing_sample(weighing, i + 1);

            add(&sums, (double)b->clear_g - xj, seconds(last->at_us, b->at_us), (double)(b->clear_g - a->clear_g),
                seconds(a->at_us, b->at_us), b->overload);
        }
        segments->carry_cost +=
            fmin(kind_cost(kind, &sums, sigma_g, (double)start->clear_g - xj, seconds(start->at_us, last->at_us)), 1e6);
    }
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
    return fmax(LEAVE_SIGMAS * sigma_of(segments, weighing, filter), LEAVE_DIVISIONS * weighing->resolution_g);
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
    double jump_g;

    for (; before >= read && before->kind != KIND_REST; before--)
        if (before->overload)
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
    return filter_learn(filter, weighing, jump_g, (double)rest->first_g, from, last);
}

/* Finds when hands began to shake what had rested: of what rests again, or when that has become clear. */
static void find_shake(struct segments *segments, const struct weighing *weighing, const struct filter *filter,
                       bool rests)
{
    uint32_t now = segments->seen - 1, i = now;

    if (segments->shake.began_us || !segments->left_us
        || fabs(clear_g(weighing, now) - segments->level_g) >= (rests ? SHAKE_MOVES_G : SHAKE_MOST_G)
        || (!rests && weighing_sample(weighing, now)->at_us - segments->left_us < CLEAR_US))
        return;
    for (; i > weighing_oldest(weighing) && weighing_sample(weighing, i)->at_us > segments->left_us; i--)
        if (fabs(clear_g(weighing, i) - segments->level_g) > (double)SHAKE_WIDE_G
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

/* A movement that has come to rest is dated by its shape, the filter's part in it undone: list[count - 1] is the rest.
 */
static void date_movement(const struct segments *segments, const struct weighing *weighing, const struct filter *filter,
                          struct segment *list, int count)
{
    struct segment *rest = &list[count - 1], *last = rest - 1, *first = last;
    double level_g = (double)rest->first_g, from_g;
    int64_t at_us = 0;

    if (count < 3 || last->kind == KIND_REST)
        return;
    while (first > list && first[-1].kind != KIND_REST)
        first--;
    from_g = first > list ? (double)first[-1].last_g : NAN;
    if (last->kind == KIND_FLOW) {
        at_us = change_stream_end_us(weighing, filter, last->begin_us, level_g - (double)last->first_g, last->end_us);
    } else if (fabs(level_g - from_g) < SHAKE_MOVES_G && segments->shake.began_us && !segments->shake.only_blow
               && only_shakes(first, last)) {
        at_us = shake_ended_us(weighing, filter, segments->left_us);
    } else if (from_g - level_g > THING_G && (double)highest_g(first, last) - from_g < FORCE_G) {
        date_lift(first, last, change_lift_begin_us(weighing, filter, from_g, level_g));
    }
    if (at_us)
        rest->begin_us = last->end_us = at_us > last->begin_us ? at_us : last->begin_us;
}

static void come_to_rest(struct segments *segments, struct weighing *weighing, struct filter *filter)
{
    struct segment read[SEGMENTS_READ];
    int count = segments_read(segments, weighing, filter, read);
    uint32_t last = segments->seen - 1;
    bool same = is_same(segments, weighing);

    if (!same && learn(segments, weighing, filter, read, count)) {
        double sigma_g = sigma_of(segments, weighing, filter);

        filter_clear_again(filter, weighing, segments->anchor + 1);
        for (uint32_t j = segments->anchor + 1; j < segments->seen; j++)
            push(segments, weighing, sigma_g, j);
        if (!is_firm(segments, weighing, filter))
            return;
        count = segments_read(segments, weighing, filter, read);
    }
    if (!same) {
        find_shake(segments, weighing, filter, true);
        date_shake(segments, read, count);
        date_movement(segments, weighing, filter, read, count);
    }
    settle(segments, read, count);
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
        segments->level_g = (double)segments->list[segments->count - 1].last_g;
    segments->rest_us = weighing_sample(weighing, last)->at_us;
}

/* At rest: the level follows, and what is known of the rest's begin and end. */
static void rest_on(struct segments *segments, const struct weighing *weighing, const struct filter *filter, uint32_t j)
{
    const struct sample *sample = weighing_sample(weighing, j);
    struct segment *rest = &segments->list[segments->count - 1];
    double dt = seconds(rest->end_us, sample->at_us), off_g = (double)sample->clear_g - segments->level_g, limit_g;
    bool young = sample->at_us - rest->begin_us < LEVEL_FIRST_US;
    uint32_t first =
        segments->rest_first > weighing_oldest(weighing) ? segments->rest_first : weighing_oldest(weighing);

    segments->level_g += off_g * dt / (dt + FOLLOW_S);
    limit_g = NOISE_CLIP * fmax(segments->noise_g, 0.1 * weighing->resolution_g);
    if (!young || segments->noise_g <= 0) {
        double was = segments->noise_g > 0 ? segments->noise_g : NOISE_FIRST_DIVISIONS * weighing->resolution_g;

        off_g = fmin(fabs(off_g), limit_g);
        segments->noise_g = sqrt(was * was + dt / (dt + NOISE_S) * (off_g * off_g - was * was));
    }
    if (young && (j & 3) == 0) {
        struct level level = level_fit(weighing, filter, first, j + 1, rest->begin_us, segments->moved_g);

        rest->first_g = rest->last_g = (float)level.g;
        rest->first_u_g = rest->last_u_g = (float)level.u_g;
    } else if (!young) {
        rest->last_g = (float)segments->level_g;
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

static enum segments_news look(struct segments *segments, struct weighing *weighing, struct filter *filter, uint32_t j)
{
    double sigma_g = sigma_of(segments, weighing, filter);
    const struct sample *sample = weighing_sample(weighing, j);
    uint32_t oldest = weighing_oldest(weighing);

    if (!segments->begun) {
        segments->begun = true;
        segments->anchor = j;
        return SEGMENTS_SAME;
    }
    if (segments->resting) {
        if (!sample->overload
            && fabs((double)sample->clear_g - segments->level_g) <= slack_g(segments, weighing, filter)) {
            bool ages = sample->at_us - segments->list[segments->count - 1].begin_us >= LEVEL_FIRST_US
                        && segments->list[segments->count - 1].end_us - segments->list[segments->count - 1].begin_us
                               < LEVEL_FIRST_US;

            rest_on(segments, weighing, filter, j);
            return ages ? SEGMENTS_NEW : SEGMENTS_SAME;
        }
        leave(segments, weighing, j);
        sigma_g = sigma_of(segments, weighing, filter);
        for (uint32_t i = segments->anchor + 1; i < j; i++)
            push(segments, weighing, sigma_g, i);
        push(segments, weighing, sigma_g, j);
        return SEGMENTS_NEW;
    }
    segments->seen = j; /* the newest has no account yet */
    while ((j - segments->anchor >= STARTS - 2 || segments->anchor < oldest + 6)
           && segments->anchor + CARRY_SAMPLES < j)
        advance(segments, weighing, filter);
    segments->seen = j + 1;
    push(segments, weighing, sigma_g, j);
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
