/* What water showed on each refractometer while the cups were read; see samples_parts.h.
 *
 * The zero of an instrument stands still for a while and then goes a step; a reading of water shows it, or has a rest
 * of coffee on top.  Both are weighed over all readings of the morning, forward and backward (a hidden Markov chain
 * over a grid of levels): so it is known which readings were clean water.  What is subtracted is plain: the clean water
 * before and after, in a straight line between them.  Its uncertainty is how far from that the zero may truly have
 * been. */
#include "samples_parts.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { LEVELS = 131, EVENTS = 2 * SAMPLES_READINGS, WAYS = 4 };

static const double LEAST_PCT = -0.15, STEP_PCT = 0.005;

const double SAMPLES_ZERO_PCT = 0.1;

/* It may be anywhere all the same. */
static const double ANYWHERE = 0.02;

/* How a morning may go: the zero goes a step within so long, on average; of water that was not ordered as such so much
 * has a rest of coffee.  Which of them it is, the readings show. */
static const double STEP_S[WAYS] = { 9000, 9000, 1200, 1200 }, REST[WAYS] = { 0.03, 0.3, 0.03, 0.3 };
static const double USUAL[WAYS] = { 0.6, 0.15, 0.2, 0.05 };
static const double STEP_MEAN_PCT = 0.03, REST_MOST_PCT = 0.3, REST_ORDERED = 0.002;

/* A slow wander beside: within half an hour. */
static const double DRIFT_PCT = 0.006, DRIFT_S = 1800;

struct event { /* a reading of the instrument, or its zero being set */
    int64_t at_us;
    int reading; /* -1: it was set to zero */
    bool water, ordered;
    double shown_pct, v;
};

static double squared(double x)
{
    return x * x;
}

static double level(int place)
{
    return LEAST_PCT + STEP_PCT * place;
}

static int gather(const struct morning *morning, int instrument, struct event *events)
{
    const struct samples *samples = morning->samples;
    int count = 0;

    for (int i = 0; i < samples->reading_count; i++) {
        const struct sample_reading *reading = &samples->reading[i];
        double v = squared(reading->resolution_pct) / 12 + morning->repeat_v;

        if (reading->instrument != instrument)
            continue;
        if (reading->reset)
            events[count++] = (struct event){ reading->at_us, -1, true, true, 0, v };
        events[count++] = (struct event){ reading->at_us,     i, morning->blank[i], reading->said == SAMPLE_IS_BLANK,
                                          reading->shown_pct, v };
    }
    return count;
}

/* ---- the chain ---- */

static void normalise(double *p)
{
    double sum = 0;

    for (int i = 0; i < LEVELS; i++)
        sum += p[i];
    for (int i = 0; i < LEVELS; i++)
        p[i] = sum > 0 ? p[i] / sum : 1.0 / LEVELS;
}

static void begin(double *p)
{
    double u = SAMPLES_ZERO_PCT / sqrt(3);

    for (int i = 0; i < LEVELS; i++)
        p[i] = exp(-0.5 * squared(level(i) / u));
    normalise(p);
    for (int i = 0; i < LEVELS; i++)
        p[i] = (1 - ANYWHERE) * p[i] + ANYWHERE / LEVELS;
}

/* The same forward and backward: steps up are as likely as down. */
static void pass_time(double *p, double seconds, double step_s)
{
    double stays = exp(-seconds / step_s), keep = exp(-STEP_PCT / STEP_MEAN_PCT), up = 0, down = 0, moved[LEVELS];
    double share = squared(DRIFT_PCT) * seconds / DRIFT_S / squared(STEP_PCT) / 2;

    for (int i = 0; i < LEVELS; i++) {
        moved[i] = up;
        up = keep * (up + p[i]);
    }
    for (int i = LEVELS - 1; i >= 0; i--) {
        moved[i] += down;
        down = keep * (down + p[i]);
    }
    for (int i = 0; i < LEVELS; i++)
        moved[i] = stays * p[i] + (1 - stays) * moved[i] * (1 - keep) / (2 * keep);
    share = fmin(share, 0.3);
    for (int i = 0; i < LEVELS; i++)
        p[i] = (1 - 2 * share) * moved[i] + share * (moved[i ? i - 1 : 0] + moved[i + 1 < LEVELS ? i + 1 : i]);
}

static double clean_density(const struct event *event, double pct)
{
    return exp(-0.5 * squared(event->shown_pct - pct) / event->v) / sqrt(2 * M_PI * event->v);
}

static double rest_density(const struct event *event, double pct)
{
    double above = event->shown_pct - pct, u = sqrt(event->v);

    return 0.5 * (erf((above + u) / u * M_SQRT1_2) - erf((above - REST_MOST_PCT) / u * M_SQRT1_2)) / REST_MOST_PCT;
}

/* Logarithm of what this reading is worth. */
static double look(const struct event *event, double rest, double *p)
{
    double sum = 0;

    if (!event->water)
        return 0;
    rest = event->ordered ? REST_ORDERED : rest;
    for (int i = 0; i < LEVELS; i++) {
        p[i] *= (1 - rest) * clean_density(event, level(i)) + rest * rest_density(event, level(i));
        sum += p[i];
    }
    normalise(p);
    return sum > 0 ? log(sum) : -700;
}

/* What is known of the zero at each event: its level, and that a reading of water was clean. */
struct zeros {
    double p[EVENTS][LEVELS], clean[EVENTS];
};

static void add(struct zeros *zeros, const struct event *event, int at, double weight, const double *before,
                const double *after, double rest)
{
    double clean = 0, all = 0, p[LEVELS];

    rest = event->ordered ? REST_ORDERED : rest;
    for (int i = 0; i < LEVELS; i++) {
        double c = event->water ? (1 - rest) * clean_density(event, level(i)) : 1;
        double r = event->water ? rest * rest_density(event, level(i)) : 0;

        p[i] = before[i] * after[i] * (c + r);
        clean += before[i] * after[i] * c;
        all += p[i];
    }
    normalise(p);
    for (int i = 0; i < LEVELS; i++)
        zeros->p[at][i] += weight * p[i];
    zeros->clean[at] += weight * (all > 0 ? clean / all : 1);
}

static double seconds_between(const struct event *a, const struct event *b)
{
    return (double)(b->at_us - a->at_us) / 1e6;
}

/* Forward: what is known before each event; comes back: the logarithm of what all of them are worth. */
static double go_forward(const struct event *events, int count, int way, double (*before)[LEVELS])
{
    double p[LEVELS], worth = 0;

    begin(p);
    for (int i = 0; i < count; i++) {
        if (events[i].reading < 0)
            begin(p); /* what was before ends here */
        else if (i)
            pass_time(p, seconds_between(&events[i - 1], &events[i]), STEP_S[way]);
        memcpy(before[i], p, sizeof p);
        worth += look(&events[i], REST[way], p);
    }
    return worth;
}

static void go_back(const struct event *events, int count, int way, double weight, double (*before)[LEVELS],
                    struct zeros *zeros)
{
    double p[LEVELS];

    for (int i = 0; i < LEVELS; i++)
        p[i] = 1.0 / LEVELS;
    for (int i = count - 1; i >= 0; i--) {
        add(zeros, &events[i], i, weight, before[i], p, REST[way]);
        look(&events[i], REST[way], p);
        if (events[i].reading < 0)
            for (int k = 0; k < LEVELS; k++)
                p[k] = 1.0 / LEVELS;
        else if (i)
            pass_time(p, seconds_between(&events[i - 1], &events[i]), STEP_S[way]);
    }
}

static void find_zeros(const struct event *events, int count, double (*before)[LEVELS], struct zeros *zeros)
{
    double worth[WAYS], most = -INFINITY, sum = 0;

    for (int way = 0; way < WAYS; way++) {
        worth[way] = log(USUAL[way]) + go_forward(events, count, way, before);
        most = fmax(most, worth[way]);
    }
    for (int way = 0; way < WAYS; way++)
        sum += exp(worth[way] - most);
    for (int way = 0; way < WAYS; way++) {
        go_forward(events, count, way, before);
        go_back(events, count, way, exp(worth[way] - most) / sum, before, zeros);
    }
}

/* ---- what is subtracted ---- */

struct knot { /* clean water: one or more readings in a row */
    int64_t at_us;
    double pct;
};

static int gather_knots(const struct event *events, int count, const struct zeros *zeros, struct knot *knots)
{
    int knot_count = 0, in_row = 0;

    for (int i = 0; i < count; i++) {
        if (!events[i].water || events[i].reading < 0)
            in_row = 0;
        if (!events[i].water || zeros->clean[i] < 0.5)
            continue;
        if (in_row++) {
            struct knot *knot = &knots[knot_count - 1];

            knot->pct += (events[i].shown_pct - knot->pct) / in_row;
            knot->at_us = events[i].at_us;
        } else {
            knots[knot_count++] = (struct knot){ events[i].at_us, events[i].shown_pct };
        }
    }
    return knot_count;
}

/* Whether the instrument was set to zero after `from_us` and by `to_us`. */
static bool set_between(const struct event *events, int count, int64_t from_us, int64_t to_us)
{
    for (int i = 0; i < count; i++)
        if (events[i].reading < 0 && events[i].at_us > from_us && events[i].at_us <= to_us)
            return true;
    return false;
}

static double water_at(const struct event *events, int count, const struct knot *knots, int knot_count, int64_t at_us,
                       double mean)
{
    const struct knot *before = NULL, *after = NULL;

    for (int i = 0; i < knot_count; i++) {
        if (knots[i].at_us <= at_us)
            before = &knots[i];
        else if (!after)
            after = &knots[i];
    }
    if (after && set_between(events, count, at_us, after->at_us))
        after = NULL;
    if (before && after)
        return before->pct
               + (after->pct - before->pct) * (double)(at_us - before->at_us) / (double)(after->at_us - before->at_us);
    return before ? before->pct : after ? after->pct : mean;
}

/* The mean of the zero at one moment, and how far it may be from what is subtracted. */
static double mean_of(const double *p)
{
    double mean = 0;

    for (int i = 0; i < LEVELS; i++)
        mean += p[i] * level(i);
    return mean;
}

static double off(const double *p, double pct)
{
    double v = 0;

    for (int i = 0; i < LEVELS; i++)
        v += p[i] * squared(level(i) - pct);
    return sqrt(v);
}

static bool any_water(const struct event *events, int count)
{
    for (int i = 0; i < count; i++)
        if (events[i].water)
            return true;
    return false;
}

static void subtract(struct morning *morning, const struct event *events, int count, const struct zeros *zeros)
{
    struct knot knots[EVENTS];
    int knot_count = gather_knots(events, count, zeros, knots);
    bool known = any_water(events, count);
    double before_pct = NAN;

    for (int i = 0; i < count; i++) {
        int reading = events[i].reading;

        if (reading < 0)
            continue;
        morning->blank_pct[reading] =
            known ? water_at(events, count, knots, knot_count, events[i].at_us, mean_of(zeros->p[i])) : 0;
        morning->blank_u_pct[reading] =
            known ? off(zeros->p[i], morning->blank_pct[reading]) : SAMPLES_ZERO_PCT / sqrt(3);
        morning->corrected_pct[reading] = events[i].shown_pct - morning->blank_pct[reading];
        morning->before_pct[reading] = before_pct;
        before_pct = morning->corrected_pct[reading];
    }
}

int water_subtract(struct morning *morning)
{
    double(*before)[LEVELS] = calloc(EVENTS, sizeof *before);
    struct zeros *zeros = calloc(1, sizeof *zeros);
    struct event events[EVENTS];
    int error = before && zeros ? 0 : -ENOMEM;

    for (int instrument = 0; !error && instrument < SAMPLES_INSTRUMENTS; instrument++) {
        int count = gather(morning, instrument, events);

        memset(zeros, 0, sizeof *zeros);
        if (any_water(events, count))
            find_zeros(events, count, before, zeros);
        subtract(morning, events, count, zeros);
    }
    free(before);
    free(zeros);
    return error;
}
