/* Where a pour ended, from how its last grams came: a change of course, found by least squares.
 *
 * A pour is taken to go on evenly and then to thin out to nothing while the kettle is tipped back.  What a scale shows
 * of that follows from its filter (two equal poles of half the lag, see tracker_clear.c), so no threshold says where
 * it ended, and a slow filter does not make it late. */
#include <string.h>

#include "tracker_parts.h"

/* A kettle is tipped back within so long (common practice, no source), this one more slowly or faster. */
static const double TIPS_S = 0.6, TIPS_U_S = 0.25, TIPS_LEAST_S = 0.1, TIPS_MOST_S = 1.2;

/* The last grams, and so much before them: hands are not even for long. */
static const double LAST_G = 2, EVEN_S = 1.2;

/* The end is looked for so far to both sides of where it seemed to be, in steps that grow finer. */
static const double AROUND_S = 1.5, STEP_S = 0.1, FINE_S = 0.004;
enum { SEARCHES = 60 };

/* The filter's lag is as sure as this share of itself: configured, learnt from jumps, not known. */
static const double CONFIGURED_SHARE = 0.02, LEARNT_SHARE = 0.2, UNKNOWN_SHARE = 0.4;

/* An indication's own spread: its last digit and the converter's noise; and how well its time is known. */
static const double NOISE_DIVISIONS = 0.4, TIME_S = 0.006;

enum { POINTS = RING_SAMPLES, POINTS_LEAST = 5 };

struct point {
    double t_s, y_g, weight;
};

struct ending {
    struct point point[POINTS];
    int count;
    double pole_s, pole_share;      /* of the filter, as it is thought to be, and how sure: a share of it */
    double falls_s;
};

/* What is tried: an even flow that thins out over tips_s around middle_s, seen through a filter of e^pole times the
 * pole that was thought. */
enum { MIDDLE, TIPS, POLE, TRIED };
static const double STRIDE[TRIED] = {1, 2, 2};      /* of the search, in steps: equally far in what is indicated */

/* What a filter of two such poles makes of u, and of u2 / 2, that begin at 0. */
static double rises(double u_s, double pole_s)
{
    return u_s <= 0 ? 0 : u_s - 2 * pole_s + (2 * pole_s + u_s) * exp(-u_s / pole_s);
}

static double bends(double u_s, double pole_s)
{
    return u_s <= 0 ? 0 : u_s * u_s / 2 - 2 * pole_s * u_s + 3 * pole_s * pole_s -
                          (3 * pole_s + u_s) * pole_s * exp(-u_s / pole_s);
}

/* What is still to be indicated at a time, for each g/s of the flow: less by what falls and pushes already. */
static double to_come_s(const struct ending *ending, const double tried[TRIED], double pole_s, double t_s)
{
    double tips_s = tried[TIPS], since_s = t_s - tried[MIDDLE] - tips_s / 2, tipped_s = since_s + tips_s;
    double thinned = (rises(tipped_s, pole_s) - rises(since_s, pole_s)) / tips_s;

    return 2 * pole_s - since_s - tips_s / 2 + (bends(tipped_s, pole_s) - bends(since_s, pole_s)) / tips_s -
           ending->falls_s * (1 - thinned);
}

/* What is against it: the misfit of the best level and rate, and how unlike a hand and the filter it is; INFINITY: no
 * flow ends there. */
static double against(const struct ending *ending, const double tried[TRIED])
{
    double w = 0, x = 0, y = 0, xx = 0, xy = 0, yy = 0, spread, shared;
    double pole_s = ending->pole_s * exp(tried[POLE]);

    if (tried[TIPS] < TIPS_LEAST_S || tried[TIPS] > TIPS_MOST_S)
        return INFINITY;
    for (int i = 0; i < ending->count; i++) {
        const struct point *point = &ending->point[i];
        double to_come = to_come_s(ending, tried, pole_s, point->t_s);

        w += point->weight;
        x += point->weight * to_come;
        y += point->weight * point->y_g;
        xx += point->weight * to_come * to_come;
        xy += point->weight * to_come * point->y_g;
        yy += point->weight * point->y_g * point->y_g;
    }
    spread = xx - x * x / w;
    shared = xy - x * y / w;
    if (!(spread > 1e-6 * w) || shared > 0)
        return INFINITY;
    return yy - y * y / w - shared * shared / spread + pow((tried[TIPS] - TIPS_S) / TIPS_U_S, 2) +
           pow(tried[POLE] / ending->pole_share, 2);
}

/* The likeliest end, in seconds from where it seemed to be; NAN: none.  Where a flow would have ended if it had ended
 * at once hardly depends on how it was tipped back: so that is looked for first. */
static double likeliest_s(const struct ending *ending)
{
    double best[TRIED] = {NAN, TIPS_S, 0}, least = INFINITY, step = STEP_S / 2;

    for (double middle_s = -AROUND_S; middle_s <= AROUND_S; middle_s += STEP_S) {
        double value = against(ending, (double[]){middle_s, TIPS_S, 0});

        if (value < least) {
            least = value;
            best[MIDDLE] = middle_s;
        }
    }
    for (int i = 0; i < SEARCHES && step > FINE_S && isfinite(least); i++) {
        double before = least;

        for (int what = 0; what < TRIED; what++)
            for (int side = -1; side <= 1; side += 2) {
                double tried[TRIED] = {best[0], best[1], best[2]}, value;

                tried[what] += side * step * STRIDE[what];
                value = against(ending, tried);
                if (value < least) {
                    least = value;
                    memcpy(best, tried, sizeof best);
                    break;
                }
            }
        if (!(least < before))
            step /= 2;
    }
    return best[MIDDLE] + best[TIPS] / 2;
}

/* The samples from so long before the last grams on; their times count from near_us. */
static bool gather(const struct signal *signal, const struct piece *flow, int64_t near_us, struct ending *ending)
{
    float last_g = sample_back(signal, 0)->load_g;
    uint32_t held = samples_held(signal), back = 0;
    int64_t from_us;

    while (back + 1 < held && sample_back(signal, back)->load_g > last_g - (float)LAST_G)
        back++;
    from_us = sample_back(signal, back)->at_us - (int64_t)(EVEN_S * 1e6);
    if (from_us < flow->begin_us)
        from_us = flow->begin_us;
    for (back = held; back-- > 0;) {
        const struct sample *sample = sample_back(signal, back);

        if (sample->at_us >= from_us)
            ending->point[ending->count++] =
                (struct point){(double)(sample->at_us - near_us) / 1e6, (double)(sample->load_g - last_g), 1};
    }
    return ending->count >= POINTS_LEAST;
}

/* How much each is worth: on a slope, an error of time is one of mass. */
static void weigh(struct ending *ending, double resolution_g)
{
    struct point *point = ending->point;

    for (int i = 0; i < ending->count; i++) {
        int a = i > 0 ? i - 1 : 0, b = i + 1 < ending->count ? i + 1 : i;
        double slope = (point[b].y_g - point[a].y_g) / (point[b].t_s - point[a].t_s);

        point[i].weight = 1 / (pow(NOISE_DIVISIONS * resolution_g, 2) + pow(slope * TIME_S, 2));
    }
}

int64_t flow_end_us(const struct signal *signal, const struct piece *flow, int64_t near_us)
{
    struct ending ending = {.pole_s = signal_lag_s(signal) / 2, .pole_share = UNKNOWN_SHARE};
    double end_s;

    if (signal->lag_s > 0 || signal->lag_count)
        ending.pole_share = signal->lag_s > 0 ? CONFIGURED_SHARE : LEARNT_SHARE;
    if (flow->last_g - flow->first_g > STREAM_LEAST_G)
        ending.falls_s = STREAM_US / 1e6;
    if (!gather(signal, flow, near_us, &ending))
        return 0;
    weigh(&ending, signal->resolution_g);
    end_s = likeliest_s(&ending);
    return isnan(end_s) ? 0 : near_us + (int64_t)((end_s - ending.falls_s) * 1e6);
}
