/* What was added since the scale last took something heavy, or went to zero; see poise/view.h.
 *
 * The daemon reports a dose only when water comes: before, a knock might be one.  A hand that weighs
 * coffee cannot wait for that.  So this names no dose: it says what the scale gained, and since when. */
#include <math.h>

#include "view_parts.h"

enum {
    REST_US = 700000,     /* as long as a hand is away between two spoons, and two lines of the slowest scale */
    REST_SPAN_US = 400000 /* readings closer together than this have seen no rest */
};
static const double REST_BAND_G = 0.3; /* noise and settling of scales that show tenths */
static const double ADDED_MOST_G = 45; /* no cup takes more; plungers, brewers, cups weigh more (no source) */
static const double TAKEN_LEAST_G = 2; /* a fall by less: coffee taken back, drift */
static const double ZERO_G = 0.5;      /* what scales show just after a tare */
static const double DOSE_LEAST_G = 3;  /* tared away: less is a spoon's rest, no dose */

/* The mean of the last moment, when the scale stood still in it; else NAN. */
static double rest_g(const struct view_station *station)
{
    double least = INFINITY, most = -INFINITY, sum = 0;
    int64_t newest_us = 0, oldest_us = 0;
    struct view_point point;
    int count = 0;

    if (station->stable == 0)
        return NAN;
    for (; station_recent(station, count, &point); count++) {
        newest_us = count ? newest_us : point.mono_us;
        if (newest_us - point.mono_us > REST_US)
            break;
        oldest_us = point.mono_us;
        least = fmin(least, point.g);
        most = fmax(most, point.g);
        sum += point.g;
    }
    if (count < 2 || newest_us - oldest_us < REST_SPAN_US || most - least > REST_BAND_G)
        return NAN;
    return sum / count;
}

static void move_base(struct view_rest *rest, double base_g, enum rest_since since)
{
    rest->weighed_g = NAN;
    rest->base_g = base_g;
    rest->since = since;
}

/* A tare: from a rest straight to zero, no hand in between. */
void station_zeroed(struct view_station *station, double before_g)
{
    struct view_rest *rest = &station->rest;
    double added_g = before_g - rest->base_g;
    bool dose = rest->since != SINCE_NOTHING && added_g >= DOSE_LEAST_G && added_g <= ADDED_MOST_G;

    if (!rest->known || fabs(before_g - rest->last_g) > REST_BAND_G || before_g < TAKEN_LEAST_G)
        return;
    move_base(rest, 0, SINCE_ZERO);
    rest->weighed_g = dose ? added_g : (double)NAN;
    rest->last_g = 0;
}

void station_rests(struct view_station *station)
{
    struct view_rest *rest = &station->rest;
    double now_g = rest_g(station), gained_g = now_g - rest->base_g;

    if (isnan(now_g))
        return;
    if (!rest->known && station->offset_g > ADDED_MOST_G && gained_g > -TAKEN_LEAST_G && gained_g <= ADDED_MOST_G)
        move_base(rest, 0, SINCE_ZERO); /* tared before we came */
    else if (!rest->known)
        move_base(rest, now_g, now_g > ADDED_MOST_G ? SINCE_SET_DOWN : SINCE_NOTHING);
    else if (gained_g > ADDED_MOST_G)
        move_base(rest, now_g, SINCE_SET_DOWN);
    else if (gained_g < -TAKEN_LEAST_G)
        move_base(rest, now_g, now_g > ADDED_MOST_G ? SINCE_SET_DOWN : SINCE_NOTHING);
    rest->known = true;
    rest->last_g = now_g;
}

void station_forgets_rest(struct view_station *station)
{
    station->rest = (struct view_rest){ .weighed_g = NAN };
}

bool is_zero_g(double shown_g)
{
    return fabs(shown_g) < ZERO_G;
}

double station_added_g(const struct view_station *station, enum rest_since *since)
{
    const struct view_rest *rest = &station->rest;
    double added_g = decimal_to_double(station->shown) - rest->base_g;

    *since = rest->since;
    if (!rest->known || rest->since == SINCE_NOTHING || !station->shown_at_us || station->status != READING_OK
        || added_g < -TAKEN_LEAST_G || added_g > ADDED_MOST_G)
        return NAN;
    return added_g;
}
