/* A thermometer in the slurry; see immersion.h. */
#include "poise/immersion.h"

#include <math.h>
#include <stdlib.h>

#include "gsl_quiet.h"

/* A slurry loses less than this even just after the pour, and a probe in air or newly put in changes faster. */
static const double FAST_C_PER_S = 0.35;

/* The slope at a reading is that of what lies so near. */
static const double NEAR_S = 3;

/* A slow stretch: so long, and with no reading missing for longer. */
enum { LEAST_READINGS = 6 };
static const double LEAST_S = 10, GAP_S = 15;

/* A room, where the probe shows none: so warm, and no warmer than this (common practice, no source). */
static const double ROOM_C = 22, ROOM_U_C = 3, ROOM_MOST_C = 40, ABOVE_ROOM_C = 8;

/* A probe in air still falls: it is off by the slope times its time constant there. */
static const double AIR_S = 40;

/* A thin probe in water (common practice, no source). */
static const double LAG_S = 4, LAG_U_S = 2.5, LAG_SHARE = 0.4, LAG_GIVEN_SHARE = 0.15;

/* Where the law is fitted: the last so many seconds, since a brewer takes heat up at first. */
static const double FITTED_S = 120;

/* One spot of a slurry differs from its mean (common practice, no source). */
static const double SPOT_U_C = 0.2;

/* The law bends where the wall is cold, and a hand stirs: the rate is not sure beyond this share. */
static const double RATE_SHARE = 0.06;

struct stretch {
    size_t first, count;
    double median_c, slope; /* the slowest slope within */
};

struct trace {
    const double *at_s, *shown_c;
    size_t n;
    double resolution_c;
    double *slope; /* at each reading */
};

static double squared(double x)
{
    return x * x;
}

/* Least squares of what lies within NEAR_S; NAN where that is one reading. */
static double slope_at(const struct trace *trace, size_t place)
{
    double t = 0, c = 0, tt = 0, tc = 0, count = 0;
    size_t first = place;

    while (first > 0 && trace->at_s[place] - trace->at_s[first - 1] <= NEAR_S)
        first--;
    if (first == place && place > 0) /* slow instruments */
        first--;
    for (size_t i = first; i < trace->n && (trace->at_s[i] - trace->at_s[place] <= NEAR_S || i == place + 1); i++) {
        double dt = trace->at_s[i] - trace->at_s[place], dc = trace->shown_c[i] - trace->shown_c[place];

        t += dt;
        c += dc;
        tt += dt * dt;
        tc += dt * dc;
        count++;
    }
    return count > 1 && tt - t * t / count > 0 ? (tc - t * c / count) / (tt - t * t / count) : NAN;
}

/* The last digit alone makes a slope of this. */
static double fast(const struct trace *trace)
{
    return fmax(FAST_C_PER_S, trace->resolution_c / NEAR_S);
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;

    return (x > y) - (x < y);
}

static double median(const double *values, size_t count)
{
    double *sorted = science_malloc(count * sizeof *sorted), middle;

    if (!sorted)
        return values[count / 2];
    for (size_t i = 0; i < count; i++)
        sorted[i] = values[i];
    qsort(sorted, count, sizeof *sorted, by_size);
    middle = sorted[count / 2];
    free(sorted);
    return middle;
}

/* The slow stretch that begins at `first`. */
static struct stretch stretch_from(const struct trace *trace, size_t first)
{
    struct stretch stretch = { .first = first, .slope = NAN };
    size_t i = first;

    for (; i < trace->n && fabs(trace->slope[i]) < fast(trace)
           && (i == first || trace->at_s[i] - trace->at_s[i - 1] <= GAP_S);
         i++)
        stretch.slope = isnan(stretch.slope) ? fabs(trace->slope[i]) : fmin(stretch.slope, fabs(trace->slope[i]));
    stretch.count = i - first;
    if (stretch.count)
        stretch.median_c = median(trace->shown_c + first, stretch.count);
    return stretch;
}

static double lasted_s(const struct trace *trace, const struct stretch *stretch)
{
    return stretch->count ? trace->at_s[stretch->first + stretch->count - 1] - trace->at_s[stretch->first] : 0;
}

/* The room as a stretch shows it, if it can be a room; the surest is kept. */
static void take_room(const struct trace *trace, const struct stretch *stretch, struct immersion *out)
{
    double u_c = fmax(0.5, stretch->slope * AIR_S);

    if (stretch->count < 3 || stretch->median_c > ROOM_MOST_C || u_c >= out->room_u_c)
        return;
    out->room_c = stretch->slope > 0.02 ? fmin(trace->shown_c[stretch->first + stretch->count - 1], stretch->median_c)
                                        : stretch->median_c;
    out->room_u_c = u_c;
}

/* The longest slow stretch that is warmer than a room; count 0: none. */
static struct stretch find_stretches(const struct trace *trace, struct immersion *out)
{
    struct stretch slurry = { .count = 0 };

    out->room_c = ROOM_C;
    out->room_u_c = ROOM_U_C;
    for (size_t i = 0; i < trace->n;) {
        struct stretch stretch = stretch_from(trace, i);

        take_room(trace, &stretch, out);
        if (stretch.count >= LEAST_READINGS && lasted_s(trace, &stretch) >= LEAST_S
            && stretch.median_c > out->room_c + ABOVE_ROOM_C && lasted_s(trace, &stretch) > lasted_s(trace, &slurry))
            slurry = stretch;
        i += stretch.count ? stretch.count : 1;
    }
    return slurry;
}

/* From a sudden rise its time constant: 1 - 1/e of the way. */
static void lag_of_rise(const struct trace *trace, size_t first, struct immersion *out)
{
    double to_c = trace->shown_c[first], from_c = to_c, at_10 = NAN, at_63 = NAN;
    size_t begin = first;

    while (begin > 0 && trace->shown_c[begin - 1] < trace->shown_c[begin] + trace->resolution_c
           && trace->at_s[first] - trace->at_s[begin - 1] < 60)
        begin--;
    from_c = trace->shown_c[begin];
    if (to_c - from_c < ABOVE_ROOM_C)
        return;
    for (size_t i = begin; i <= first; i++) {
        double share = (trace->shown_c[i] - from_c) / (to_c - from_c);

        if (isnan(at_10) && share > 0.1)
            at_10 = trace->at_s[i];
        if (isnan(at_63) && share > 0.63)
            at_63 = trace->at_s[i];
    }
    out->in_s = at_10;
    if (isnan(out->lag_s) && at_63 - at_10 < 2 * LAG_S) { /* slower is a pour, not the probe */
        out->lag_s = fmax(at_63 - at_10, 0.5) * 1.1;      /* from a tenth on */
        out->lag_u_s = fmax(LAG_SHARE * out->lag_s, 0.7);
    }
}

/* Newton's law as a straight line of the logarithm above the room. */
static bool fit(const struct trace *trace, size_t first, size_t end, struct immersion *out)
{
    double t = 0, y = 0, tt = 0, ty = 0, squares = 0, next = 0, before = 0, count = (double)(end - first), noise_c;
    double alike, effective, above_c;

    for (size_t i = first; i < end; i++)
        t += trace->at_s[i] / count;
    for (size_t i = first; i < end; i++) {
        if (!(trace->shown_c[i] > out->room_c + 2))
            return false;
        y += log(trace->shown_c[i] - out->room_c) / count;
    }
    for (size_t i = first; i < end; i++) {
        tt += squared(trace->at_s[i] - t);
        ty += (trace->at_s[i] - t) * (log(trace->shown_c[i] - out->room_c) - y);
    }
    if (!(tt > 0))
        return false;
    out->middle_s = t;
    out->fall = -ty / tt;
    above_c = exp(y);
    for (size_t i = first; i < end; i++) {
        double miss = trace->shown_c[i] - out->room_c - above_c * exp(-out->fall * (trace->at_s[i] - t));

        squares += miss * miss;
        next += i > first ? miss * before : 0;
        before = miss;
    }
    /* readings a moment apart are not independent: their number counts by how alike neighbours miss */
    alike = squares > 0 ? fmin(fmax(next / squares, 0), 0.95) : 0;
    effective = fmax(count * (1 - alike) / (1 + alike), 3);
    noise_c = fmax(sqrt(squares / (count - 2)), trace->resolution_c / sqrt(12));
    out->above_u_c = noise_c / sqrt(effective);
    out->fall_u = hypot(noise_c / above_c / sqrt(tt * effective / count), RATE_SHARE * fabs(out->fall));
    out->above_c = above_c * (1 - out->fall * out->lag_s);
    out->spot_u_c = hypot(SPOT_U_C, trace->resolution_c / sqrt(12));
    return true;
}

static bool find(const struct trace *trace, double lag_s, struct immersion *out)
{
    struct stretch slurry = find_stretches(trace, out);
    size_t first = slurry.first, end = slurry.first + slurry.count;

    if (!slurry.count)
        return false;
    out->in_s = out->out_s = NAN;
    out->lag_s = lag_s;
    out->lag_u_s = LAG_GIVEN_SHARE * lag_s;
    lag_of_rise(trace, first, out);
    if (isnan(out->lag_s)) {
        out->lag_s = LAG_S;
        out->lag_u_s = LAG_U_S;
    }
    if (end < trace->n && trace->shown_c[trace->n - 1] < trace->shown_c[end - 1] - 2)
        out->out_s = trace->at_s[end];
    /* the slope at the ends knows of what comes next: the fall of a probe taken out begins up to NEAR_S earlier */
    while (!isnan(out->out_s) && end > first + LEAST_READINGS && out->out_s - trace->at_s[end - 1] < NEAR_S)
        end--;
    while (first + LEAST_READINGS < end && trace->at_s[first] - trace->at_s[slurry.first] < 3 * out->lag_s)
        first++;
    while (first + LEAST_READINGS < end && trace->at_s[end - 1] - trace->at_s[first] > FITTED_S)
        first++;
    out->from_s = trace->at_s[first];
    out->until_s = trace->at_s[end - 1];
    return fit(trace, first, end, out);
}

bool immersion_find(const double *at_s, const double *shown_c, size_t n, double resolution_c, double lag_s,
                    struct immersion *out)
{
    struct trace trace = { at_s, shown_c, n, resolution_c, NULL };
    struct immersion found;
    bool is_found;

    if (n < LEAST_READINGS || !(trace.slope = science_malloc(n * sizeof *trace.slope)))
        return false;
    for (size_t i = 0; i < n; i++)
        trace.slope[i] = slope_at(&trace, i);
    is_found = find(&trace, lag_s, &found);
    free(trace.slope);
    if (is_found)
        *out = found;
    return is_found;
}

void immersion_at(const struct immersion *immersion, double at_s, double *slurry_c, double *u_c)
{
    double away_s = at_s - immersion->middle_s;
    double above_c = immersion->above_c * exp(-immersion->fall * away_s);
    double parts[] = {
        immersion->above_u_c,
        above_c * immersion->fall_u * away_s,
        above_c * immersion->fall * immersion->lag_u_s,
        immersion->room_u_c * immersion->fall * away_s,
        immersion->spot_u_c,
    };

    *u_c = 0;
    for (size_t i = 0; i < sizeof parts / sizeof *parts; i++)
        *u_c += squared(parts[i]);
    *u_c = sqrt(*u_c);
    *slurry_c = immersion->room_c + above_c;
}
