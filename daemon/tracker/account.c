/* The cheapest account of the samples by dynamic programming: to every one the best of all before it, each segment at
 * the cost of what its kind leaves open, in nats relative to the scale's own noise. */
#include "account.h"

#include <math.h>

#include "trade.h"

/* What a new segment costs, and one that is short for its kind. */
static const double NEW_REST = 3, NEW_FLOW = 6, NEW_JUMP = 5, NEW_BUSY = 5, SHORT = 5;
static const double BACK_G = 4; /* near enough to where it rested before */
static const double REST_SHORT_S = 0.5, FLOW_SHORT_S = 1;

/* A scale left alone drifts no faster. */
static const double REST_SIGMAS = 2.5, REST_SLOPE_G_PER_S = 0.06;

/* A stream is even to such a share of itself, and its drops weigh so much, more when it is fast. */
static const double FLOW_UNEVEN = 0.3, FLOW_DROPS_G = 0.25, FLOW_DROPS_S = 0.03;

/* A stream that changes its rate keeps so near to a line, as a share of what it brings; nats per share more. */
static const double FLOW_BENDS = 0.15, FLOW_BENT = 40;

/* Busy hands: a reading is anywhere in such a range. */
static const double BUSY_G = 11, BUSY_SIGMAS = 18;

/* Busy hands put nothing down: a thing is a jump. */
static const double BUSY_MOVES = 12, BUSY_MOVES_EACH = 2;

/* Readings that come faster are not as many witnesses: the filter makes them alike. */
static const double WITNESS_S = 0.1;

/* What a scale's indications scatter by at least, and before it is known. */
static const double NOISE_DIVISIONS = 0.25, NOISE_LEAST_G = 0.015, NOISE_FIRST_DIVISIONS = 0.5;

double account_rest_noise_g(const struct segments *segments, const struct weighing *weighing)
{
    return segments->noise_g > 0 ? segments->noise_g : NOISE_FIRST_DIVISIONS * weighing->resolution_g;
}

double account_sigma_g(const struct segments *segments, const struct weighing *weighing, const struct filter *filter)
{
    double least_g = hypot(NOISE_DIVISIONS * weighing->resolution_g, NOISE_LEAST_G);

    return fmax(hypot(account_rest_noise_g(segments, weighing), segments->resting ? 0 : filter->noise_g), least_g);
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
void account_push(struct segments *segments, const struct weighing *weighing, double sigma_g, uint32_t j)
{
    struct sample *last = weighing_sample(weighing, j);
    struct sums sums = { .low_g = INFINITY, .high_g = -INFINITY };
    double xj = (double)last->clear_g, best = INFINITY, busy_g = busy_each(sigma_g);

    if (last->blind && j > segments->anchor) {
        last->kind = KIND_BLIND;
        last->from = 1;
        last->cost = j - 1 == segments->anchor ? (float)segments->carry_cost : weighing_sample(weighing, j - 1)->cost;
        return;
    }
    for (uint32_t i = j; i-- > segments->anchor && j - i < STARTS;) {
        const struct sample *start = weighing_sample(weighing, i), *next = weighing_sample(weighing, i + 1);
        double x = (double)next->clear_g - xj, dt = seconds(start->at_us, next->at_us),
               x0 = (double)start->clear_g - xj;
        double span_s = seconds(start->at_us, last->at_us);
        bool at_anchor = i == segments->anchor;
        double before = at_anchor ? segments->carry_cost : (double)start->cost;

        if (next->blind) /* what was before is another segment */
            break;
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
int account_trace(const struct segments *segments, const struct weighing *weighing, uint32_t *end)
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

double account_going_on(const struct segments *segments, const struct weighing *weighing, double sigma_g, int kind,
                        uint32_t to)
{
    struct sums sums = { .low_g = INFINITY, .high_g = -INFINITY };
    double xj = weighing_clear_g(weighing, to);
    const struct sample *start = weighing_sample(weighing, segments->anchor), *last = weighing_sample(weighing, to);

    for (uint32_t i = to; i-- > segments->anchor;) {
        const struct sample *a = weighing_sample(weighing, i), *b = weighing_sample(weighing, i + 1);

        add(&sums, (double)b->clear_g - xj, seconds(last->at_us, b->at_us), (double)(b->clear_g - a->clear_g),
            seconds(a->at_us, b->at_us), b->overload);
    }
    return fmin(kind_cost(kind, &sums, sigma_g, (double)start->clear_g - xj, seconds(start->at_us, last->at_us)), 1e6);
}
