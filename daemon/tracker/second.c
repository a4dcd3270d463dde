/* The second scale of a station: the one that the cup stands on or comes to.  It knows steps and gains: what was
 * put down, what runs into it, what was taken away.  What that means for the brew: tracker_cup.c. */
#include <math.h>
#include <string.h>

#include "second.h"

/* Still: the last so long, three readings at five a second, within one division or within what a fine scale flickers.
 * An empty cup may stand there for hardly longer; what is left of a jump then, follow() sees, but for a coarse scale.
 */
static const int64_t STILL_US = 400000, COARSE_STILL_US = 600000;
static const double COARSE_G = 0.3;
enum { STILL_READINGS = 3 };
static const double STILL_LEAST_G = 0.25, STILL_DIVISIONS = 1.5;

/* Moments are kept this far apart; while hands are at it, each reading counts. */
static const int64_t MOMENT_US = 250000, HANDS_MOMENT_US = 90000;
/* What stood there before hands came stood so long ago. */
static const int64_t BEFORE_US = 600000;

/* A press brings some 20 g in a second at most (a cup in 12 s is a quick one); a cup put down comes faster. */
static const double RUNS_MOST_G_PER_S = 25;

/* Nothing that stands there becomes lighter by more than this; a grown last digit is forgiven. */
static const double LIFTED_LEAST_G = 0.6, LIFTED_DIVISIONS = 2.5;

static const double THING_G = 45; /* a cup; less is a spoon, a drop shaken off, a napkin */
static const double BARE_G = 2;   /* the empty scale, before and after */
static const double SAME_G = 1;   /* touched, and still what it was */

/* The level follows so fast: quick enough for drips, slow enough for the flicker of the last digit, which
 * would make the brew's scale restless. */
static const double FOLLOW_S = 0.4;

/* Drips are seen late by that, by the instrument's own filter (the middle of what instruments have) and by a reading;
 * their rate is steady for some seconds. */
static const double FILTER_S = 0.3, READING_S = 0.1, RATE_S = 2, DRIPS_MOST_G_PER_S = 0.5;

/* Half of a step is seen about when hands are half done and the instrument's filter has passed on what they did, a
 * quarter of a second later; hands take some 0.4 s (common practice, no source). */
static const int64_t HANDS_AHEAD_US = 450000;
static const int64_t TAIL_US = 5000000; /* of what the filter still holds back when a load is called still */
static const int64_t HANDS_MOST_US = 1200000;
static const double TAIL_AFTER_SHARE = 0.004;
static const double TAIL_SHARE = 0.02; /* of a step, so much may still be to come when somebody tares */

/* Gaining is more than this in half a second (drips of 0.1 g a second and slower are weighed when they have run). */
static const double GAIN_LEAST_G = 0.12, GAIN_DIVISIONS = 1.2;

static const int64_t GAP_US = 3000000; /* no reading for so long: it may have been anywhere */

static double division_g(const struct second *second, double divisions, double least_g)
{
    return fmax(divisions * (double)second->resolution_g, least_g);
}

void second_begin(struct second *second)
{
    memset(second, 0, sizeof *second);
    second->resolution_g = 0.1F;
    second->empty_g = NAN;
}

static void keep_moment(struct second *second, double load_g)
{
    if (second->moment_count && second->at_us - second->noted_us < (second->settled ? MOMENT_US : HANDS_MOMENT_US))
        return;
    second->moment[second->moment_end] = (struct second_moment){ (uint32_t)(second->at_us / 1000), (float)load_g };
    second->moment_end = (unsigned char)((second->moment_end + 1) % SECOND_MOMENTS);
    if (second->moment_count < SECOND_MOMENTS)
        second->moment_count++;
    second->noted_us = second->at_us;
}

static const struct second_moment *moment_back(const struct second *second, int back)
{
    return &second->moment[(second->moment_end + 2 * SECOND_MOMENTS - 1 - back) % SECOND_MOMENTS];
}

double second_load_at(const struct second *second, int64_t at_us)
{
    const struct second_moment *later = NULL;

    for (int back = 0; back < second->moment_count; back++) {
        const struct second_moment *moment = moment_back(second, back);
        int32_t after_ms = (int32_t)(moment->at_ms - (uint32_t)(at_us / 1000));

        if (after_ms <= 0 && later) {
            double span_ms = (int32_t)(later->at_ms - moment->at_ms);

            return (double)moment->load_g
                   + (double)(later->load_g - moment->load_g) * (span_ms > 0 ? -(double)after_ms / span_ms : 0);
        }
        if (after_ms <= 0)
            return (double)moment->load_g;
        later = moment;
    }
    return later ? (double)later->load_g : NAN;
}

bool second_remembers(const struct second *second, int64_t at_us)
{
    return second->moment_count
           && (int32_t)(moment_back(second, second->moment_count - 1)->at_ms - (uint32_t)(at_us / 1000)) <= 0;
}

/* From a load to zero within one reading, and staying there: a tare.  A lift passes through what the
 * instrument's filter leaves behind. */
static bool is_tare(const struct second *second)
{
    const float *shown_g = second->shown_g;
    double from_g = fabs((double)shown_g[1]);
    double zero_g = fmax(division_g(second, 1.01, 0.15), TAIL_AFTER_SHARE * from_g);

    return second->shown_count == 4 && fabs((double)shown_g[2]) <= zero_g
           && fabs((double)shown_g[3]) <= fmax(zero_g, fmin(1, TAIL_SHARE * from_g))
           && from_g > division_g(second, 2.5, 0.5)
           && fabs((double)(shown_g[1] - shown_g[0])) <= fmax(division_g(second, 3, 0.3), TAIL_SHARE * from_g);
}

static bool is_still(const struct second *second, double load_g)
{
    double low_g = load_g, high_g = load_g;
    int64_t span_us = 0, least_us = (double)second->resolution_g < COARSE_G ? STILL_US : COARSE_STILL_US;
    int readings = 1;

    for (int back = 0; back < second->moment_count && (span_us < least_us || readings < STILL_READINGS); back++) {
        const struct second_moment *moment = moment_back(second, back);

        span_us = (int64_t)(uint32_t)((uint32_t)(second->at_us / 1000) - moment->at_ms) * 1000;
        low_g = fmin(low_g, (double)moment->load_g);
        high_g = fmax(high_g, (double)moment->load_g);
        readings += span_us > 0;
    }
    return span_us >= least_us && readings >= STILL_READINGS
           && high_g - low_g <= division_g(second, STILL_DIVISIONS, STILL_LEAST_G);
}

/* When the load was half way. */
static int64_t half_way_us(const struct second *second, double from_g, double to_g)
{
    double near_g = (from_g + to_g) / 2;
    int64_t later_us = second->at_us, at_us;
    double later_g = to_g;

    for (int back = 0; back < second->moment_count; back++) {
        const struct second_moment *moment = moment_back(second, back);
        double load_g = (double)moment->load_g;

        at_us = second->at_us - (int64_t)((uint32_t)(second->at_us / 1000) - moment->at_ms) * 1000;
        if ((load_g < near_g) == (from_g < to_g) && later_g != load_g)
            return at_us + (int64_t)((double)(later_us - at_us) * (near_g - load_g) / (later_g - load_g));
        later_us = at_us;
        later_g = load_g;
    }
    return later_us;
}

static void taken(struct second *second, double load_g)
{
    second->stands = second->on_top = false;
    second->left_us = half_way_us(second, second->before_g, load_g) - HANDS_AHEAD_US;
    second->left_g = second->before_g;
    second->ran_g = second->left_g - second->came_g;
    if (fabs(load_g - second->bare_g) < BARE_G)
        second->bare_g = load_g; /* a tare before the filter had done is off by a little */
}

static enum second_news put(struct second *second, double load_g)
{
    second->stands = true;
    second->on_top = second->torn = false;
    second->bare_g = second->before_g;
    second->came_g = load_g;
    second->came_us = half_way_us(second, second->before_g, load_g);
    if (second->came_us > second->handled_us + HANDS_MOST_US) /* tared at once: the way up is forgotten */
        second->came_us = second->handled_us + HANDS_AHEAD_US;
    second->put_us = second->came_us - HANDS_AHEAD_US;
    return SECOND_PUT;
}

/* What looked like a tare was a lift, since now something is put down. */
static void untare(struct second *second)
{
    second->unsure = false;
    taken(second, second->bare_g);
    second->before_g = second->bare_g;
}

/* Hands have done: what did they do? */
static enum second_news judge_step(struct second *second, double load_g, double may_gain_g)
{
    double step_g = load_g - second->before_g;

    if (second->stands && step_g > -SAME_G && step_g <= fmax(may_gain_g, SAME_G))
        return SECOND_SETTLED; /* touched; and what ran in meanwhile is still to be computed */
    second->accounted_g = load_g;
    if (!second->stands)
        return step_g >= THING_G ? put(second, load_g) : SECOND_SETTLED;
    if (second->on_top && step_g <= -THING_G) {
        second->on_top = false;
        return SECOND_SETTLED;
    }
    if (load_g < second->came_g - THING_G) {
        taken(second, load_g);
        return SECOND_TAKEN;
    }
    if (step_g >= THING_G && second->unsure) {
        untare(second);
        return put(second, load_g);
    }
    if (step_g >= THING_G) {
        second->on_top = true;
        return SECOND_SETTLED;
    }
    second->came_g += step_g; /* a spoon in it, or out */
    second->bare_g += step_g;
    return SECOND_SETTLED;
}

static void settle(struct second *second, double load_g)
{
    second->rate_g_per_s = 0;
    second->settled = true;
    second->level_g = second->still_g = load_g;
    second->still_us = second->at_us;
}

static void leave(struct second *second)
{
    double before_g = second_load_at(second, second->at_us - BEFORE_US);

    second->settled = false;
    second->still_us = 0;
    second->handled_us = second->at_us;
    /* what came at once is the thing's; what had run in for a while is the cup's */
    second->before_g = fabs(before_g - second->level_g) > SAME_G ? fmin(before_g, second->level_g) : before_g;
}

/* The level goes on: it rests, or something runs in, if it may. */
static void follow(struct second *second, double load_g, double dt_s, bool may_gain)
{
    double gain_g = (load_g - second->level_g) * fmin(1, dt_s / FOLLOW_S);

    second->level_g += gain_g;
    if (may_gain && dt_s > 0)
        second->rate_g_per_s += (float)((gain_g / dt_s - (double)second->rate_g_per_s) * fmin(1, dt_s / RATE_S));
    if (second->stands && !may_gain && second->at_us - second->came_us < TAIL_US)
        second->came_g = second->accounted_g = second->level_g;
    if (fabs(second->level_g - second->still_g) > division_g(second, GAIN_DIVISIONS, GAIN_LEAST_G)) {
        second->still_g = second->level_g;
        second->still_us = second->at_us;
        second->unsure = false; /* something runs into it: it is there */
    }
}

/* The newest load that is believed; a tare moves the zero. */
static double load_of(struct second *second, double shown_g)
{
    float *shown = second->shown_g;

    memmove(shown, shown + 1, 3 * sizeof *shown);
    shown[3] = (float)shown_g;
    if (second->shown_count < 4)
        second->shown_count++;
    if (second->shown_count < 3)
        return NAN;
    if (is_tare(second)) {
        second->offset_g += (double)(shown[1] - shown[2]);
        second->unsure = true;
        if (!second->settled)
            second->moment_count = 0; /* what comes now is as still as the zero it begins with */
        shown[0] = shown[1] = shown[2];
    }
    /* the middle one of three: a damaged line that still reads as a number is one alone */
    return (double)fmaxf(fminf(shown[1], shown[2]), fminf(fmaxf(shown[1], shown[2]), shown[3])) + second->offset_g;
}

enum second_news second_take(struct second *second, double shown_g, double resolution_g, int64_t at_us,
                             double may_gain_g)
{
    double dt_s = (double)(at_us - second->at_us) / 1e6, rose_s = fmax(dt_s, (double)second->dt_s), load_g, rise_g;
    enum second_news news = SECOND_NOTHING;

    if (second->shown_count && at_us - second->at_us > GAP_US)
        second_gap(second);
    if (resolution_g > 0)
        second->resolution_g = (float)resolution_g;
    second->at_us = at_us;
    second->dt_s = (float)dt_s;
    load_g = load_of(second, shown_g);
    if (isnan(load_g))
        return SECOND_NOTHING;
    rise_g = load_g - second->last_g;
    second->last_g = load_g;
    if (second->settled
        && (rise_g > RUNS_MOST_G_PER_S * rose_s + division_g(second, 2, 0.5)
            || load_g < second->level_g - division_g(second, LIFTED_DIVISIONS, LIFTED_LEAST_G)))
        leave(second);
    keep_moment(second, load_g);
    if (second->settled) {
        follow(second, load_g, dt_s, may_gain_g > 0);
    } else if (is_still(second, load_g)) {
        news = judge_step(second, load_g, may_gain_g);
        settle(second, load_g);
    }
    return news;
}

double second_unseen_g(const struct second *second)
{
    double rate_g_per_s = fmax(0, fmin((double)second->rate_g_per_s, DRIPS_MOST_G_PER_S));

    if ((double)second->resolution_g > COARSE_G)
        return 0; /* its last digit says more than the drips do */
    return rate_g_per_s * (FOLLOW_S + FILTER_S + READING_S);
}

void second_gap(struct second *second)
{
    if (second->settled)
        leave(second);
    second->shown_count = 0;
    second->torn = second->stands;
}
