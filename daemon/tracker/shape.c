/* When a movement began or ended, by its shape: hands start like the square of time. */
#include "shape.h"

#include <math.h>

#include "trade.h"

/* From points between two sigmas of the rest and such a share of the way, within so long. */
static const double SHAPE_SHARE = 0.35, SHAPE_LEAST_G = 6, SHAPE_FLOW_G = 5, SHAPE_FLOW_DIVISIONS = 8,
                    SHAPE_SIGMAS = 2.5;
static const double KNOCK_NEAR_SHARE = 0.02, KNOCK_FAR_SHARE = 0.25, BLUR_SHARE = 0.5, BLUR_FLOW_SHARE = 0.1,
                    TOUCH_END_SHARE = 0.06, SHAKEN_END_SHARE = 0.025, END_LATER_S = 1;
static const double FLOW_EARLIER_S = 0.9, HAND_EARLIER_S = 0.2;
static const int64_t SHAPE_US = 1500000;

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
int64_t shape_began_us(const struct weighing *weighing, const struct filter *filter, uint32_t rest, uint32_t until,
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
uint32_t shape_after_knock(const struct weighing *weighing, uint32_t from, uint32_t to, double level_g, double way_g,
                           double sigma_g)
{
    double near_g = fmax(KNOCK_NEAR_SHARE * fabs(way_g), SHAPE_SIGMAS * sigma_g), far_g = KNOCK_FAR_SHARE * fabs(way_g);

    if (far_g < THING_G)
        return from;
    for (uint32_t i = from + 1; i <= to; i++) {
        if (fabs(weighing_clear_g(weighing, i) - level_g) < far_g)
            continue;
        while (i-- > from + 1)
            if (fabs(weighing_clear_g(weighing, i) - level_g) < near_g)
                return i;
        break;
    }
    return from;
}

/* Where a movement ended that came to level_g at sample `rest`: what is left of its range then is the filter's.  The
 * rest may have been taken to begin too early: some of it is looked at, too, but no sample after `until`. */
int64_t shape_ended_us(const struct weighing *weighing, uint32_t rest, uint32_t until, uint32_t from, double level_g,
                       double range_g, bool shaken, double sigma_g)
{
    double near_g = fmax((shaken              ? SHAKEN_END_SHARE
                          : range_g > THING_G ? SHAPE_END_SHARE
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
