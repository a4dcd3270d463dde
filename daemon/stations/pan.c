/* What stands on the scale as a person sees it; see pan.h. */
#include "pan.h"

#include <assert.h>
#include <math.h>
#include <string.h>

enum {
    REST_US = 700000,      /* as long as a hand is away between two spoons, and two lines of the slowest scale */
    REST_SPAN_US = 400000, /* readings closer together than this have seen no rest */
    FLOW_US = 1000000,     /* a slope over one second: steadier than the eye, quicker than the hand */
    BEFORE_US = 500000,    /* the load just before something began is averaged over this */
    APART_US = 20000,      /* readings that are kept; of an instrument that speaks faster the others are passed over */
    GAUGE_OLD_US = 2000000 /* a pressure instrument silent for longer shows nothing of now */
};
static const double REST_BAND_G = 0.3;   /* noise and settling of scales that show tenths */
static const double ADDED_MOST_G = 45;   /* no cup takes more; plungers, brewers, cups weigh more (no source) */
static const double TAKEN_LEAST_G = 2;   /* a fall by less: coffee taken back, drift */
static const double TARE_LEAST_G = 2;    /* less taken off the indication is the scale's drift */
static const double ZERO_G = 0.5;        /* what scales show just after a tare */
static const double DOSE_LEAST_G = 3;    /* tared away: less is a spoon's rest, no dose */
static const double STANDS_THERE_G = 20; /* the lightest cup or brewer weighs more (common practice, no source) */

void pan_begin(struct pan *pan)
{
    memset(pan, 0, sizeof *pan);
    pan->rest.weighed_g = pan->pour.water_g = pan->pour.load_g = pan->press.load_g = pan->gauge_kpa = NAN;
}

bool pan_sound(const struct pan *pan)
{
    return pan->count >= 0 && pan->count <= PAN_READINGS && pan->next >= 0 && pan->next < PAN_READINGS;
}

/* Newest first; NULL behind the oldest. */
static const struct pan_reading *recent(const struct pan *pan, int back)
{
    assert(pan_sound(pan) && back >= 0);
    return back < pan->count ? &pan->recent[(pan->next - 1 - back + 2 * PAN_READINGS) % PAN_READINGS] : NULL;
}

static bool is_pour(enum stage stage)
{
    return stage == STAGE_BLOOM || stage == STAGE_POUR;
}

static double load_now_g(const struct pan *pan)
{
    const struct pan_reading *newest = recent(pan, 0);

    return newest ? newest->load_g : (double)NAN;
}

/* ---- at rest ---- */

/* The means of the last moment, when load and indication stood still in it. */
static bool at_rest(const struct pan *pan, double *load_g, double *tared_g)
{
    const struct pan_reading *newest = recent(pan, 0), *one;
    double sum_load = 0, sum_shown = 0;
    int64_t span_us = 0;
    int count = 0;

    for (; (one = recent(pan, count)) && newest->at_us - one->at_us <= REST_US; count++) {
        if (!(fabs(one->load_g - newest->load_g) <= REST_BAND_G)
            || !(fabs(one->shown_g - newest->shown_g) <= REST_BAND_G))
            return false;
        span_us = newest->at_us - one->at_us;
        sum_load += one->load_g;
        sum_shown += one->shown_g;
    }
    if (span_us < REST_SPAN_US)
        return false;
    *load_g = sum_load / count;
    *tared_g = *load_g - sum_shown / count;
    return true;
}

static void move_base(struct pan *pan, double base_g, enum pan_since since)
{
    pan->rest.weighed_g = NAN;
    pan->rest.base_g = base_g;
    pan->rest.since = since;
}

/* The scale went to zero and what stands there is still there: by the reading before, which showed zero, and this one,
 * which takes as much off the indication. */
static void notice_tare(struct pan *pan)
{
    const struct pan_reading *now = recent(pan, 0), *before = recent(pan, 1);
    double tared_g, added_g;
    bool dose;

    if (!before || !pan->rest.known || !(fabs(before->shown_g) < ZERO_G))
        return;
    tared_g = before->load_g - before->shown_g;
    if (!(fabs(now->load_g - now->shown_g - tared_g) < REST_BAND_G) || fabs(tared_g - pan->rest.tared_g) < TARE_LEAST_G)
        return;
    added_g = pan->rest.load_g - pan->rest.base_g;
    dose = pan->rest.since != SINCE_NOTHING && added_g >= DOSE_LEAST_G && added_g <= ADDED_MOST_G;
    move_base(pan, tared_g, before->load_g > STANDS_THERE_G ? SINCE_ZERO : SINCE_NOTHING);
    pan->rest.weighed_g = dose ? added_g : (double)NAN;
    pan->rest.tared_g = tared_g;
    pan->rest.load_g = before->load_g;
}

static void notice_rest(struct pan *pan)
{
    double load_g, tared_g, gained_g;

    if (!at_rest(pan, &load_g, &tared_g))
        return;
    gained_g = load_g - pan->rest.base_g;
    if (!pan->rest.known && tared_g > STANDS_THERE_G && load_g - tared_g > -TAKEN_LEAST_G
        && load_g - tared_g <= ADDED_MOST_G)
        move_base(pan, tared_g, SINCE_ZERO); /* tared before this began to look */
    else if (!pan->rest.known || gained_g < -TAKEN_LEAST_G)
        move_base(pan, load_g, load_g > ADDED_MOST_G ? SINCE_SET_DOWN : SINCE_NOTHING);
    else if (gained_g > ADDED_MOST_G)
        move_base(pan, load_g, SINCE_SET_DOWN);
    pan->rest.known = true;
    pan->rest.load_g = load_g;
    pan->rest.tared_g = tared_g;
}

/* ---- what comes in ---- */

static void forget_newest(struct pan *pan)
{
    pan->next = (pan->next - 1 + PAN_READINGS) % PAN_READINGS;
    pan->count--;
}

void pan_reading(struct pan *pan, int64_t at_us, double shown_g, int stable, double load_g)
{
    assert(pan_sound(pan));
    pan->sees = !isnan(shown_g);
    if (isnan(load_g))
        return;
    if (pan->count > 1 && at_us - recent(pan, 1)->at_us < APART_US) /* instead of the newest, which is as good as now */
        forget_newest(pan);
    pan->recent[pan->next] = (struct pan_reading){ at_us, load_g, shown_g };
    pan->next = (pan->next + 1) % PAN_READINGS;
    pan->count += pan->count < PAN_READINGS;
    pan->cup_left = pan->cup_left && !(load_g < STANDS_THERE_G);
    if (pan->pour.open && isnan(pan->pour.load_g)) /* nothing was heard before the pour was marked */
        pan->pour.load_g = load_g;
    notice_tare(pan);
    if (stable != 0)
        notice_rest(pan);
}

void pan_gauge(struct pan *pan, int64_t at_us, double kpa)
{
    pan->gauge_kpa = kpa;
    pan->gauge_us = at_us;
}

/* The load just before a moment, averaged over as much of the window as it stood still: stages are reported after they
 * began.  NAN: not known. */
static double load_before_g(const struct pan *pan, int64_t at_us, int64_t window_us)
{
    const struct pan_reading *one;
    int64_t newest_us = 0;
    double sum_g = 0, newest_g = 0;
    int count = 0;

    for (int back = 0; (one = recent(pan, back)); back++) {
        if (one->at_us > at_us)
            continue;
        newest_us = count ? newest_us : one->at_us;
        newest_g = count ? newest_g : one->load_g;
        if (newest_us - one->at_us > window_us || fabs(one->load_g - newest_g) > REST_BAND_G)
            break;
        sum_g += one->load_g;
        count++;
    }
    return count ? sum_g / count : (double)NAN;
}

/* In at this load; without a scale, what was known when the pour was marked. */
static double water_at_g(const struct pan *pan, double load_g)
{
    double more_g = load_g - pan->pour.load_g, before_g = isnan(pan->pour.water_g) ? 0 : pan->pour.water_g;

    return !pan->pour.open || isnan(more_g) ? pan->pour.water_g : fmax(0, before_g + more_g);
}

static bool has_pour(const struct timeline *timeline, int64_t at_us)
{
    for (int i = 0; i < timeline->count; i++)
        if (is_pour(timeline->stage[i].stage) && timeline->stage[i].at_us == at_us)
            return true;
    return false;
}

static void forget_pour(struct pan *pan)
{
    memset(&pan->pour, 0, sizeof pan->pour);
    pan->pour.water_g = pan->pour.load_g = NAN;
}

void pan_stage(struct pan *pan, const struct timeline *timeline, double water_g)
{
    const struct staged *newest = timeline->count ? &timeline->stage[timeline->count - 1] : NULL;
    bool pours = newest && is_pour(newest->stage) && newest->by == BY_OPERATOR;
    bool was_open;

    if (pan->pour.at_us && !has_pour(timeline, pan->pour.at_us)) /* the mark was taken back */
        forget_pour(pan);
    was_open = pan->pour.open;
    if (was_open && !(pours && newest->at_us == pan->pour.at_us)) { /* nothing is at rest: the last reading alone */
        pan->pour.water_g = water_at_g(pan, load_before_g(pan, newest ? newest->at_us : INT64_MAX, 0));
        pan->pour.open = false;
    }
    if (pours && newest->at_us != pan->pour.at_us) {
        if (!was_open)
            pan->pour.water_g = water_g;
        pan->pour.load_g = load_before_g(pan, newest->at_us, was_open ? 0 : BEFORE_US);
        pan->pour.at_us = newest->at_us;
        pan->pour.open = true;
    }
    if (newest && newest->stage == STAGE_PRESS && newest->at_us != pan->press.at_us) {
        pan->press.load_g = load_before_g(pan, newest->at_us, BEFORE_US);
        pan->press.at_us = newest->at_us;
    }
}

void pan_brew(struct pan *pan, bool ended)
{
    forget_pour(pan);
    memset(&pan->press, 0, sizeof pan->press);
    pan->press.load_g = NAN;
    pan->cup_left = ended && !(load_now_g(pan) < STANDS_THERE_G);
}

/* ---- what is seen ---- */

double pan_added_g(const struct pan *pan)
{
    double added_g = load_now_g(pan) - pan->rest.base_g;

    if (!pan->rest.known || pan->rest.since == SINCE_NOTHING || !pan->sees || !(added_g >= -TAKEN_LEAST_G)
        || added_g > ADDED_MOST_G)
        return NAN;
    return added_g;
}

double pan_weighed_g(const struct pan *pan)
{
    return pan->rest.known ? pan->rest.weighed_g : (double)NAN;
}

bool pan_tared(const struct pan *pan)
{
    return pan->rest.known && pan->rest.since == SINCE_ZERO;
}

double pan_water_g(const struct pan *pan)
{
    return water_at_g(pan, load_now_g(pan));
}

/* The least-squares slope. */
double pan_flow_g_per_s(const struct pan *pan)
{
    double n = 0, sum_t = 0, sum_g = 0, sum_tt = 0, sum_tg = 0, spread;
    const struct pan_reading *newest = recent(pan, 0), *one;

    for (int back = 0; (one = recent(pan, back)) && newest->at_us - one->at_us <= FLOW_US; back++) {
        double t_s = (double)(one->at_us - newest->at_us) / 1e6, g = one->load_g - newest->load_g;

        n++;
        sum_t += t_s;
        sum_g += g;
        sum_tt += t_s * t_s;
        sum_tg += t_s * g;
    }
    spread = n * sum_tt - sum_t * sum_t;
    return n >= 3 && spread > 0 ? (n * sum_tg - sum_t * sum_g) / spread : (double)NAN;
}

double pan_pressed_g(const struct pan *pan)
{
    double more_g = pan->press.at_us ? load_now_g(pan) - pan->press.load_g : (double)NAN;

    return more_g < 0 ? 0 : more_g;
}

double pan_gauge_kpa(const struct pan *pan, int64_t now_us)
{
    return pan->gauge_us && now_us - pan->gauge_us <= GAUGE_OLD_US ? pan->gauge_kpa : (double)NAN;
}
