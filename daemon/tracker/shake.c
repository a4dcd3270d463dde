/* When a hand began to stir or to swirl, and when it had done: the cut between rest and shaking that makes what was
 * indicated likeliest.  It knows a scale's filter, a blow and a hand, not coffee.
 *
 * The load is a level and what a hand adds: nothing at rest, after a knock a dying blow, noise of short memory while
 * it shakes.  The filter is two equal poles (see filter.h).  All of it is linear: a Kalman filter says what is
 * believed of the state by all that was indicated before a cut, an information filter that runs backwards how likely
 * a state makes all that was indicated after it (D. C. Fraser, J. E. Potter, IEEE Transactions on Automatic Control
 * 14, 1969); both together are the likelihood of the cut. */
#include "shake.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* What a hand adds is forgotten within so long while it shakes: a quarter of a round, at two rounds a second.  A blow
 * on rubber feet dies away as fast (plausible, no source). */
static const double MEMORY_S = 0.15;

/* How wide a hand shakes: a spoon, a heavy spoon, a swirl. */
static const double wide_g[] = { 4, 12, 36 };
enum { WIDTHS = sizeof wide_g / sizeof *wide_g };

static const double BLOW_G = 80;         /* a blow's height, as likely to be on either side */
static const double BLOW_AGAINST = 3;    /* there is none before nineteen of twenty stirs: a logarithm */
static const double SHAKES_CLEARLY = 10; /* that a hand shook after it must be so much likelier: a logarithm */

/* An indication's own spread: its last digit and the converter's noise; how well its time is known; and how well two
 * poles describe a filter, as a share of what went through. */
static const double NOISE_DIVISIONS = 0.4, TIME_S = 0.008, FILTER_SHARE = 0.03;

/* What a blow looks like through filters of other shapes: off by this share of its height, and less with time. */
static const double ROUGH_SHARE = 0.15, FADES_S = 0.25;
static const int64_t STRIKES_US = 500000; /* its height is shown by then */

static const double SWING_MOST_G = 60; /* one indication farther off its neighbours is of a damaged line */

static const int64_t WIDTH_US = 1200000; /* long enough to see how wide it is */

/* Filters that are known better than the first share are tried as they are known; none is tried farther apart than the
 * second. */
static const double SHARE_LEAST = 0.15, SHARE_MOST = 0.25;
enum { FILTERS = 1 }; /* so many slower ones are tried, and so many quicker ones, each a share apart */
static const double POLE_FIRST_S = 0.03, POLE_LAST_S = 0.4; /* instruments lag by 0.06 to 0.8 s */

static const double STEP_S = 0.05;                            /* short beside the memory */
static const double LEVEL_G = 20, TAIL_G = 50, STILL_G = 0.2; /* what is not known of the first sample */
/* Cuts are so far apart, a fraction of what is reported; blows are sharper.  One shows no later than that. */
static const int64_t CUT_US = 50000, HIT_US = 25000, HIT_LATE_US = 100000;
static const int64_t BEFORE_US = 1500000; /* of the rest before */
static const int64_t EARLY_US = 600000;   /* of the first cut, from where the load was seen to leave */
static const int64_t RESTS_US = 300000;   /* so long at least it rested again when it was seen to */
static const int64_t RESTED_US = 2500000; /* older rests hold no tail */

enum { LEVEL, HAND, FIRST_POLE, SECOND_POLE, STATES };
enum { POINTS = SAMPLES, POINTS_LEAST = 6, CUTS = 80 };

struct point {
    int64_t at_us;
    double y_g, variance;
};

struct window {
    struct point point[POINTS];
    int count;
    double pole_s;
};

/* What is believed of the state by what was indicated until then; and how likely that was, as a logarithm. */
struct past {
    double x[STATES], p[STATES][STATES], likely;
    int64_t at_us;
    int next;       /* the first point not seen yet */
    int64_t hit_us; /* when something knocked; and how little its shape is known */
    double rough_g;
};

/* How likely a state makes what was indicated from then on: likely + y x - x l x / 2, as a logarithm. */
struct future {
    double y[STATES], l[STATES][STATES], likely;
    int64_t at_us;
};

/* What a step does: level and hand go into the first pole, that into the second.  The hand's mean meanwhile counts. */
struct pace {
    double keep, e, re, first, second, mean;
};

static struct pace pace_of(double pole_s, double step_s)
{
    double e = exp(-step_s / pole_s), re = step_s / pole_s * e, keep = exp(-step_s / MEMORY_S);

    return (struct pace){ keep, e, re, 1 - e, 1 - e - re, (1 + keep) / 2 };
}

static void forward(const struct pace *pace, double v[STATES])
{
    double driven_g = v[LEVEL] + pace->mean * v[HAND];

    v[SECOND_POLE] = pace->second * driven_g + pace->re * v[FIRST_POLE] + pace->e * v[SECOND_POLE];
    v[FIRST_POLE] = pace->first * driven_g + pace->e * v[FIRST_POLE];
    v[HAND] *= pace->keep;
}

/* The same transposed. */
static void backward(const struct pace *pace, double v[STATES])
{
    double driven = pace->first * v[FIRST_POLE] + pace->second * v[SECOND_POLE];

    v[LEVEL] += driven;
    v[HAND] = pace->keep * v[HAND] + pace->mean * driven;
    v[FIRST_POLE] = pace->e * v[FIRST_POLE] + pace->re * v[SECOND_POLE];
    v[SECOND_POLE] *= pace->e;
}

/* A step on both sides of a symmetric matrix. */
static void both_sides(void (*side)(const struct pace *, double[STATES]), const struct pace *pace,
                       double m[STATES][STATES])
{
    for (int pass = 0; pass < 2; pass++) {
        for (int i = 0; i < STATES; i++)
            side(pace, m[i]);
        for (int i = 0; i < STATES; i++)
            for (int j = 0; j < i; j++) {
                double other = m[i][j];

                m[i][j] = m[j][i];
                m[j][i] = other;
            }
    }
}

static void past_pass(struct past *past, double pole_s, int64_t until_us, double wide)
{
    while (past->at_us < until_us) {
        double step_s = fmin((double)(until_us - past->at_us) / 1e6, STEP_S);
        struct pace pace = pace_of(pole_s, step_s);

        forward(&pace, past->x);
        both_sides(forward, &pace, past->p);
        past->p[HAND][HAND] += wide * wide * (1 - pace.keep * pace.keep);
        past->at_us += (int64_t)(step_s * 1e6 + 0.5);
    }
}

static void past_see(struct past *past, const struct point *point)
{
    double off_g = point->y_g - past->x[SECOND_POLE], gain[STATES];
    double rough_g = past->rough_g > 0 ? past->rough_g * exp((double)(past->hit_us - point->at_us) / 1e6 / FADES_S) : 0;
    double variance = past->p[SECOND_POLE][SECOND_POLE] + point->variance + rough_g * rough_g;

    past->likely -= (log(variance) + off_g * off_g / variance) / 2;
    for (int i = 0; i < STATES; i++)
        gain[i] = past->p[i][SECOND_POLE] / variance;
    for (int i = 0; i < STATES; i++)
        past->x[i] += gain[i] * off_g;
    for (int i = 0; i < STATES; i++)
        for (int j = i; j < STATES; j++)
            past->p[i][j] = past->p[j][i] = past->p[i][j] - gain[i] * gain[j] * variance;
}

/* On to a time, through all that was indicated before it. */
static void past_go(struct past *past, const struct window *window, int64_t until_us, double wide)
{
    for (; past->next < window->count && window->point[past->next].at_us <= until_us; past->next++) {
        past_pass(past, window->pole_s, window->point[past->next].at_us, wide);
        past_see(past, &window->point[past->next]);
    }
    past_pass(past, window->pole_s, until_us, wide);
}

static void future_pass(struct future *future, double pole_s, int64_t until_us, double wide)
{
    while (future->at_us > until_us) {
        double step_s = fmin((double)(future->at_us - until_us) / 1e6, STEP_S), noise, share, hand[STATES];
        double pull = future->y[HAND];
        struct pace pace = pace_of(pole_s, step_s);

        noise = wide * wide * (1 - pace.keep * pace.keep);
        share = noise / (1 + noise * future->l[HAND][HAND]);
        future->likely += (share * pull * pull - log(1 + noise * future->l[HAND][HAND])) / 2;
        memcpy(hand, future->l[HAND], sizeof hand);
        for (int i = 0; i < STATES; i++) {
            future->y[i] -= share * hand[i] * pull;
            for (int j = 0; j < STATES; j++)
                future->l[i][j] -= share * hand[i] * hand[j];
        }
        backward(&pace, future->y);
        both_sides(backward, &pace, future->l);
        future->at_us -= (int64_t)(step_s * 1e6 + 0.5);
    }
}

static void future_see(struct future *future, const struct point *point)
{
    future->l[SECOND_POLE][SECOND_POLE] += 1 / point->variance;
    future->y[SECOND_POLE] += point->y_g / point->variance;
    future->likely -= (log(point->variance) + point->y_g * point->y_g / point->variance) / 2;
}

/* What comes after each cut, the first at from_us, when the hand shakes so wide; 0: not at all. */
static void foresee(const struct window *window, int64_t from_us, double wide, struct future future[CUTS])
{
    struct future one = { .at_us = window->point[window->count - 1].at_us };
    int next = window->count - 1;

    for (int cut = CUTS - 1; cut >= 0; cut--) {
        int64_t at_us = from_us + cut * CUT_US;

        for (; next >= 0 && window->point[next].at_us > at_us; next--) {
            future_pass(&one, window->pole_s, window->point[next].at_us, wide);
            future_see(&one, &window->point[next]);
        }
        if (one.at_us > at_us)
            future_pass(&one, window->pole_s, at_us, wide);
        future[cut] = one;
    }
}

/* The likelihood of both together. */
static double meet(const struct past *past, const struct future *future)
{
    double s[STATES][STATES + 1], gap[STATES], likely = past->likely + future->likely, determinant = 1;

    for (int i = 0; i < STATES; i++) {
        gap[i] = future->y[i];
        for (int j = 0; j < STATES; j++)
            gap[i] -= future->l[i][j] * past->x[j];
        likely += (future->y[i] + gap[i]) * past->x[i] / 2;
    }
    for (int i = 0; i < STATES; i++) {
        s[i][STATES] = 0;
        for (int j = 0; j < STATES; j++) {
            s[i][j] = i == j;
            for (int k = 0; k < STATES; k++)
                s[i][j] += past->p[i][k] * future->l[k][j];
            s[i][STATES] += past->p[i][j] * gap[j];
        }
    }
    for (int i = 0; i < STATES; i++) { /* its eigenvalues are 1 at least: no pivot is needed */
        determinant *= s[i][i];
        for (int row = i + 1; row < STATES; row++)
            for (int j = STATES; j >= i; j--)
                s[row][j] -= s[row][i] / s[i][i] * s[i][j];
    }
    for (int i = STATES - 1; i >= 0; i--) {
        for (int j = i + 1; j < STATES; j++)
            s[i][STATES] -= s[i][j] * s[j][STATES];
        s[i][STATES] /= s[i][i];
        likely += gap[i] * s[i][STATES] / 2;
    }
    return likely - log(determinant) / 2;
}

static void gather(const struct weighing *weighing, int64_t from_us, struct window *window)
{
    struct point *point = window->point;
    int count = 0;
    double level_g;

    for (uint32_t i = weighing_oldest(weighing); i < weighing->end; i++) {
        const struct sample *sample = weighing_sample(weighing, i);

        if (sample->at_us >= from_us && fabs(sample->levelled_dg / 10.0) < SWING_MOST_G)
            point[count++] = (struct point){ sample->at_us, (double)sample->load_g + sample->levelled_dg / 10.0, 0 };
    }
    window->count = count;
    level_g = count ? point[0].y_g : 0;
    for (int i = 0; i < count; i++) {
        int a = i > 0 ? i - 1 : 0, b = i + 1 < count ? i + 1 : i;
        double span_s = (double)(point[b].at_us - point[a].at_us) / 1e6;
        double slope = span_s > 0 ? (point[b].y_g - point[a].y_g) / span_s : 0;

        point[i].variance = pow(NOISE_DIVISIONS * weighing->resolution_g, 2) + pow(TIME_S * slope, 2)
                            + pow(FILTER_SHARE * (point[i].y_g - level_g), 2);
    }
    for (int i = count - 1; i >= 0; i--)
        point[i].y_g -= level_g;
}

static struct past beginning(const struct window *window, double tail_g)
{
    struct past past = { .at_us = window->point[0].at_us };

    for (int i = 0; i < STATES; i++)
        for (int j = 0; j < STATES; j++)
            past.p[i][j] = i == HAND || j == HAND ? 0 : LEVEL_G * LEVEL_G;
    past.p[FIRST_POLE][FIRST_POLE] += tail_g * tail_g;
    past.p[SECOND_POLE][SECOND_POLE] += tail_g * tail_g;
    return past;
}

/* Likelihoods of cuts, summed: relative to the largest, as weights of their times. */
struct cuts {
    double most, whole, sum_s, tried;
};

/* The mean likelihood of all that were tried, as a logarithm: the more may be chosen, the less is said by the best. */
static double evidence(const struct cuts *cuts)
{
    return cuts->tried > 0 ? cuts->most + log(cuts->whole / cuts->tried) : -INFINITY;
}

static void cuts_add(struct cuts *cuts, double likely, double off_s)
{
    double shrink = likely > cuts->most ? exp(cuts->most - likely) : 1, weight;

    if (!isfinite(likely))
        return; /* beyond what can be computed: such a load is no hand's */
    cuts->most = fmax(cuts->most, likely);
    cuts->tried++;
    weight = exp(likely - cuts->most);
    cuts->whole = cuts->whole * shrink + weight;
    cuts->sum_s = cuts->sum_s * shrink + weight * off_s;
}

/* How wide the hand shakes, by the last of what was indicated. */
static double width_of(const struct window *window)
{
    const struct point *last = &window->point[window->count - 1];
    double best = wide_g[0], most = -INFINITY;

    for (int i = 0; i < WIDTHS; i++) {
        struct past past = beginning(window, TAIL_G);

        while (past.next + 1 < window->count && window->point[past.next].at_us < last->at_us - WIDTH_US)
            past.next++;
        past.at_us = window->point[past.next].at_us;
        past.p[HAND][HAND] = wide_g[i] * wide_g[i];
        past_go(&past, window, last->at_us, wide_g[i]);
        if (past.likely > most) {
            most = past.likely;
            best = wide_g[i];
        }
    }
    return best;
}

static int64_t cuts_mean_us(const struct cuts *cuts)
{
    return cuts->whole > 0 ? (int64_t)(cuts->sum_s / cuts->whole * 1e6) : 0; /* there was room for none */
}

/* All cuts from a time on after which a hand shook until the end, from a load that was quiet. */
static void try_cuts(const struct window *window, struct past past, int64_t first_us, int64_t from_us, double wide,
                     const struct future future[CUTS], struct cuts *cuts)
{
    int64_t last_us = window->point[window->count - 1].at_us;

    for (int cut = 0; cut < CUTS && first_us + cut * CUT_US < last_us; cut++) {
        int64_t at_us = first_us + cut * CUT_US;
        struct past shaken;

        if (at_us < from_us)
            continue;
        past_go(&past, window, at_us, 0);
        shaken = past;
        shaken.p[HAND][HAND] += wide * wide / 2; /* it leans at once, or not */
        cuts_add(cuts, meet(&shaken, &future[cut]), (double)(at_us - first_us) / 1e6);
    }
}

/* The three ways it may have come about, each summed over all its cuts. */
struct ways {
    struct cuts at_once, after_blow, only_blow;
};

static void try_ways(const struct window *window, int64_t rested_us, int64_t left_us, int64_t first_us, double prior,
                     struct ways *ways)
{
    struct past past = beginning(window, left_us - rested_us > RESTED_US ? STILL_G : TAIL_G);
    struct future future[CUTS];
    double wide = width_of(window), high_g = 0;

    for (int i = 0; i < window->count; i++)
        if (llabs(window->point[i].at_us - left_us) < STRIKES_US)
            high_g = fmax(high_g, fabs(window->point[i].y_g));
    past.likely = prior;
    foresee(window, first_us, wide, future);
    try_cuts(window, past, first_us, first_us, wide, future, &ways->at_once);
    for (int64_t hit_us = first_us; hit_us < left_us + HIT_LATE_US; hit_us += HIT_US) {
        struct past hit;

        past_go(&past, window, hit_us, 0);
        hit = past;
        hit.p[HAND][HAND] += BLOW_G * BLOW_G;
        hit.hit_us = hit_us;
        hit.rough_g = ROUGH_SHARE * high_g;
        try_cuts(window, hit, first_us, hit_us + CUT_US, wide, future, &ways->after_blow);
        past_go(&hit, window, window->point[window->count - 1].at_us, 0);
        cuts_add(&ways->only_blow, hit.likely, 0);
    }
}

/* The pole of one way the filter may be, and how likely that is beforehand; false: it is known better than that. */
static bool pole_of(const struct filter *filter, int way, struct window *window, double *prior)
{
    double share = fmin(filter_doubt(filter), SHARE_MOST);

    if (share < SHARE_LEAST && way)
        return false;
    window->pole_s = fmin(
        fmax(kernel_equal_pole_s(filter->kernel, filter_lag_s(filter)) * exp(way * share), POLE_FIRST_S), POLE_LAST_S);
    *prior = -way * way / 2.0;
    return true;
}

bool shake_began(const struct weighing *weighing, const struct filter *filter, int64_t rested_us, int64_t left_us,
                 struct shake *shake)
{
    struct window window;
    struct ways ways = { { .most = -INFINITY }, { .most = -INFINITY }, { .most = -INFINITY } };
    double prior, at_once, blow;
    int64_t first_us;

    gather(weighing, left_us - BEFORE_US > rested_us ? left_us - BEFORE_US : rested_us, &window);
    if (window.count < POINTS_LEAST)
        return false;
    first_us = left_us - EARLY_US > window.point[0].at_us ? left_us - EARLY_US : window.point[0].at_us;
    for (int way = -FILTERS; way <= FILTERS; way++)
        if (pole_of(filter, way, &window, &prior))
            try_ways(&window, rested_us, left_us, first_us, prior, &ways);
    at_once = evidence(&ways.at_once);
    blow = evidence(&ways.after_blow) - BLOW_AGAINST;
    shake->began_us = first_us + cuts_mean_us(blow > at_once ? &ways.after_blow : &ways.at_once);
    shake->only_blow = evidence(&ways.only_blow) - BLOW_AGAINST > fmax(at_once, blow - SHAKES_CLEARLY);
    return true;
}

/* All cuts after which a hand that shook so wide was still. */
static void try_ends(const struct window *window, int64_t first_us, double wide, double prior,
                     const struct future future[CUTS], struct cuts *cuts)
{
    int64_t last_us = window->point[window->count - 1].at_us;
    struct past past = beginning(window, TAIL_G);

    past.likely = prior;
    past.p[HAND][HAND] = wide * wide;
    for (int cut = 0; cut < CUTS && first_us + cut * CUT_US < last_us - RESTS_US; cut++) {
        struct past still;

        past_go(&past, window, first_us + cut * CUT_US, wide);
        still = past;
        still.x[HAND] = 0;
        for (int i = 0; i < STATES; i++)
            still.p[HAND][i] = still.p[i][HAND] = 0;
        cuts_add(cuts, meet(&still, &future[cut]), (double)(cut * CUT_US) / 1e6);
    }
}

int64_t shake_ended_us(const struct weighing *weighing, const struct filter *filter, int64_t began_us)
{
    int64_t from_us = weighing_sample(weighing, weighing->end - 1)->at_us - CUTS * CUT_US, first_us;
    struct window window;
    struct future future[CUTS];
    struct cuts cuts = { .most = -INFINITY };
    double prior;

    gather(weighing, from_us > began_us ? from_us : began_us, &window);
    if (window.count < POINTS_LEAST)
        return 0;
    first_us = window.point[0].at_us;
    for (int way = -FILTERS; way <= FILTERS; way++) {
        if (!pole_of(filter, way, &window, &prior))
            continue;
        foresee(&window, first_us, 0, future);
        for (int i = 0; i < WIDTHS; i++)
            try_ends(&window, first_us, wide_g[i], prior, future, &cuts);
    }
    return cuts.tried > 0 ? first_us + cuts_mean_us(&cuts) : 0;
}
