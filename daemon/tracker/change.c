/* Where a pour ended, from how its last grams came, and where a lift began: changes of course, found by least squares.
 *
 * A pour is taken to go on evenly and then to thin out to nothing while the kettle is tipped back; a lift to be slow at
 * both ends, as hands are.  What a scale shows of that follows from its filter (see kernel.h), so no threshold says
 * where it was, and a slow filter or a knock does not move it. */
#include "change.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* A kettle is tipped back within so long (common practice, no source), this one more slowly or faster. */
static const double TIPS_S = 0.7, TIPS_U_S = 0.4;

/* And a thing is lifted off within this. */
static const double LIFTS_S = 0.5, LIFTS_U_S = 0.15;

/* Or put down; and of the filter so little is known then. */
static const double PUT_S = 0.4, PUT_U_S = 0.2, ANY_LAG_SHARE = 0.8;
static const double JUMP_MISFIT = 20; /* of a jump that hands made in one go, in standard deviations squared */
static const double LASTS_LEAST_S = 0.1, LASTS_MOST_S = 1.8;

/* The first of a lift may be a knock: it is looked at from this share of it on.  One whose misfit is a larger share of
 * it is another movement. */
static const double LIFT_FROM_SHARE = 0.06, LIFT_MISFIT_SHARE = 0.04;

/* The last grams, and so much before them: hands are not even for long. */
static const double LAST_G = 2, EVEN_S = 1.2;

/* The end is looked for so far to both sides of where it seemed to be, in steps that grow finer. */
static const double AROUND_S = 1.5, STEP_S = 0.1, FINE_S = 0.004;
enum { SEARCHES = 60 };

/* An indication's own spread: its last digit and the converter's noise; and how well its time is known. */
static const double NOISE_DIVISIONS = 0.4, TIME_S = 0.006;

enum { POINTS = SAMPLES + 2, POINTS_LEAST = 5, JUMP_POINTS = 24 };

struct point {
    double t_s, y_g, weight;
};

/* What is tried of a change: where its middle is, how long it lasts, and a filter of e^this times the lag that
 * was thought. */
enum { MIDDLE, LASTS, LAG, TRIED };

struct change {
    struct point point[POINTS];
    int count;
    enum kernel kernel;
    double lag_s, lag_share;   /* of the filter, as it is thought to be, and how sure: a share of it */
    double usual_s, usual_u_s; /* how long it should last */
    double falls_s;            /* of a flow: how long it pushes before it lands */
    double (*course)(const struct change *change, const double tried[TRIED], double lag_s, double t_s);
    double misfit_g; /* of what was found: its root mean square */
};
static const double STRIDE[TRIED] = { 1, 2, 2 }; /* of the search, in steps: equally far in what is indicated */

static double of_power(const struct change *change, double lag_s, int order, double u_s)
{
    return kernel_of_power(change->kernel, lag_s, order, u_s);
}

/* How much of a movement is indicated that is slow at both ends: 3 x2 - 2 x3. */
static double moved_share(const struct change *change, const double tried[TRIED], double lag_s, double t_s)
{
    double lasts_s = tried[LASTS], since_s = t_s - tried[MIDDLE] + lasts_s / 2, after_s = since_s - lasts_s;

    return 6 * (of_power(change, lag_s, 2, since_s) + of_power(change, lag_s, 2, after_s)) / pow(lasts_s, 2)
           - 12 * (of_power(change, lag_s, 3, since_s) - of_power(change, lag_s, 3, after_s)) / pow(lasts_s, 3);
}

/* What is still to be indicated at a time, for each g/s of the flow: less by what falls and pushes already. */
static double to_come_s(const struct change *change, const double tried[TRIED], double lag_s, double t_s)
{
    double tips_s = tried[LASTS], since_s = t_s - tried[MIDDLE] - tips_s / 2, tipped_s = since_s + tips_s;
    double thinned = (of_power(change, lag_s, 1, tipped_s) - of_power(change, lag_s, 1, since_s)) / tips_s;

    return lag_s - since_s - tips_s / 2
           + (of_power(change, lag_s, 2, tipped_s) - of_power(change, lag_s, 2, since_s)) / tips_s
           - change->falls_s * (1 - thinned);
}

/* What is against it: the misfit of the best level and rate or size, and how unlike a hand and the filter it is;
 * INFINITY: it goes the other way. */
static double against(const struct change *change, const double tried[TRIED])
{
    double w = 0, x = 0, y = 0, xx = 0, xy = 0, yy = 0, spread, shared;
    double lag_s = change->lag_s * exp(tried[LAG]);

    if (tried[LASTS] < LASTS_LEAST_S || tried[LASTS] > LASTS_MOST_S)
        return INFINITY;
    for (int i = 0; i < change->count; i++) {
        const struct point *point = &change->point[i];
        double course = change->course(change, tried, lag_s, point->t_s);

        w += point->weight;
        x += point->weight * course;
        y += point->weight * point->y_g;
        xx += point->weight * course * course;
        xy += point->weight * course * point->y_g;
        yy += point->weight * point->y_g * point->y_g;
    }
    spread = xx - x * x / w;
    shared = xy - x * y / w;
    if (!(spread > 1e-6 * w) || shared > 0)
        return INFINITY;
    return yy - y * y / w - shared * shared / spread + pow((tried[LASTS] - change->usual_s) / change->usual_u_s, 2)
           + pow(tried[LAG] / change->lag_share, 2);
}

/* The likeliest change, its times in seconds from where it seemed to be.  Its middle hardly depends on how long it
 * lasts: so that is looked for first.  False: none. */
static bool likeliest(struct change *change, double best[TRIED])
{
    double least = INFINITY, weight = 0, step = STEP_S / 2;

    best[LASTS] = change->usual_s;
    best[LAG] = 0;
    for (double middle_s = -AROUND_S; middle_s <= AROUND_S; middle_s += STEP_S) {
        double value = against(change, (double[]){ middle_s, change->usual_s, 0 });

        if (value < least) {
            least = value;
            best[MIDDLE] = middle_s;
        }
    }
    for (int i = 0; i < SEARCHES && step > FINE_S && isfinite(least); i++) {
        double before = least;

        for (int what = 0; what < TRIED; what++)
            for (int side = -1; side <= 1; side += 2) {
                double tried[TRIED] = { best[0], best[1], best[2] }, value;

                tried[what] += side * step * STRIDE[what];
                value = against(change, tried);
                if (value < least) {
                    least = value;
                    memcpy(best, tried, sizeof tried);
                    break;
                }
            }
        if (!(least < before))
            step /= 2;
    }
    for (int i = 0; i < change->count; i++)
        weight += change->point[i].weight;
    change->misfit_g = sqrt(fmax(least, 0) / weight); /* a difference: rounding may leave less than nothing */
    return isfinite(least);
}

/* The samples from so long before the last grams on; their times count from near_us. */
static bool gather(const struct weighing *weighing, int64_t flow_us, int64_t near_us, struct change *change)
{
    float last_g = weighing_sample(weighing, weighing->end - 1)->load_g;
    uint32_t oldest = weighing_oldest(weighing), first = weighing->end - 1;
    int64_t from_us;

    while (first > oldest && weighing_sample(weighing, first)->load_g > last_g - (float)LAST_G)
        first--;
    from_us = weighing_sample(weighing, first)->at_us - (int64_t)(EVEN_S * 1e6);
    if (from_us < flow_us)
        from_us = flow_us;
    for (uint32_t i = oldest; i < weighing->end; i++) {
        const struct sample *sample = weighing_sample(weighing, i);

        if (sample->at_us >= from_us)
            change->point[change->count++] =
                (struct point){ (double)(sample->at_us - near_us) / 1e6, (double)(sample->load_g - last_g), 1 };
    }
    return change->count >= POINTS_LEAST;
}

/* How much each is worth: on a slope, an error of time is one of mass. */
static void weigh(struct change *change, double resolution_g)
{
    struct point *point = change->point;

    for (int i = 0; i < change->count; i++) {
        int a = i > 0 ? i - 1 : 0, b = i + 1 < change->count ? i + 1 : i;
        double span_s = point[b].t_s - point[a].t_s, slope = span_s > 0 ? (point[b].y_g - point[a].y_g) / span_s : 0;

        point[i].weight = 1 / (pow(NOISE_DIVISIONS * resolution_g, 2) + pow(slope * TIME_S, 2));
    }
}

static void expect(const struct weighing *weighing, const struct filter *filter, struct change *change)
{
    change->kernel = filter->kernel;
    change->lag_s = filter_lag_s(filter);
    change->lag_share = filter_doubt(filter);
    weigh(change, weighing->resolution_g);
}

int64_t change_stream_end_us(const struct weighing *weighing, const struct filter *filter, int64_t began_us,
                             double grams, int64_t near_us)
{
    struct change change = { .usual_s = TIPS_S, .usual_u_s = TIPS_U_S, .course = to_come_s };
    double best[TRIED];

    if (grams > STREAM_LEAST_G)
        change.falls_s = STREAM_US / 1e6;
    if (!gather(weighing, began_us, near_us, &change))
        return 0;
    expect(weighing, filter, &change);
    if (!likeliest(&change, best))
        return 0;
    return near_us + (int64_t)((best[MIDDLE] + best[LASTS] / 2) * 1e6);
}

int64_t change_lift_begin_us(const struct weighing *weighing, const struct filter *filter, double from_g,
                             double level_g)
{
    struct change change = { .usual_s = LIFTS_S, .usual_u_s = LIFTS_U_S, .course = moved_share };
    double lifted_g = from_g - level_g, most_g = from_g - LIFT_FROM_SHARE * lifted_g;
    uint32_t oldest = weighing_oldest(weighing), first = weighing->end;
    double best[TRIED];
    int64_t near_us;

    while (first > oldest && (double)weighing_sample(weighing, first - 1)->load_g < most_g)
        first--;
    if (first == weighing->end || first == oldest)
        return 0;
    near_us = weighing_sample(weighing, first)->at_us;
    for (int i = 0; i < 2; i++) /* what it was lifted from, long before */
        change.point[change.count++] = (struct point){ -2 * AROUND_S + i, lifted_g, 1 };
    for (uint32_t i = first; i < weighing->end; i++) {
        const struct sample *sample = weighing_sample(weighing, i);

        if (sample->overload)
            return 0;
        change.point[change.count++] =
            (struct point){ (double)(sample->at_us - near_us) / 1e6, (double)sample->load_g - level_g, 1 };
    }
    if (change.count < POINTS_LEAST)
        return 0;
    expect(weighing, filter, &change);
    if (!likeliest(&change, best) || change.misfit_g > LIFT_MISFIT_SHARE * lifted_g)
        return 0;
    return near_us + (int64_t)((best[MIDDLE] - best[LASTS] / 2) * 1e6);
}

/* A jump from sample `from` to before `until`. */
static bool gather_jump(const struct weighing *weighing, uint32_t from, uint32_t until, double jump_g,
                        struct change *change, int64_t *near_us)
{
    double first_g = (double)weighing_sample(weighing, from)->load_g;
    uint32_t half = from, stride = 1 + (until - from) / JUMP_POINTS;

    while (half + 1 < until && fabs((double)weighing_sample(weighing, half)->load_g - first_g) < fabs(jump_g) / 2)
        half++;
    *near_us = weighing_sample(weighing, half)->at_us - (int64_t)(1e6 * change->lag_s);
    for (uint32_t i = from; i < until; i += stride) {
        const struct sample *sample = weighing_sample(weighing, i);

        if (sample->overload)
            return false;
        change->point[change->count++] =
            (struct point){ seconds(*near_us, sample->at_us),
                            ((double)sample->load_g - first_g - jump_g) * (jump_g > 0 ? -1 : 1), 1 };
    }
    weigh(change, weighing->resolution_g);
    return change->count >= POINTS_LEAST;
}

double change_jump_against(const struct weighing *weighing, enum kernel kernel, uint32_t from, uint32_t until,
                           double jump_g, double *lag_s, int *points)
{
    struct change change = { .kernel = kernel,
                             .lag_s = *lag_s,
                             .lag_share = ANY_LAG_SHARE,
                             .usual_s = PUT_S,
                             .usual_u_s = PUT_U_S,
                             .course = moved_share };
    double best[TRIED];
    int64_t near_us;

    if (!gather_jump(weighing, from, until, jump_g, &change, &near_us) || !likeliest(&change, best))
        return INFINITY;
    *lag_s *= exp(best[LAG]);
    *points = change.count;
    return against(&change, best);
}

int64_t change_jump_end_us(const struct weighing *weighing, const struct filter *filter, uint32_t from, uint32_t until,
                           double jump_g)
{
    struct change change = { .kernel = filter->kernel,
                             .lag_s = filter_lag_s(filter),
                             .lag_share = filter_doubt(filter),
                             .usual_s = PUT_S,
                             .usual_u_s = PUT_U_S,
                             .course = moved_share };
    double best[TRIED];
    int64_t near_us;

    if (!gather_jump(weighing, from, until, jump_g, &change, &near_us) || !likeliest(&change, best)
        || against(&change, best) > JUMP_MISFIT * change.count)
        return 0;
    return near_us + (int64_t)((best[MIDDLE] + best[LASTS] / 2) * 1e6);
}
