/* Intervals by profile likelihood, and the next cup by Fisher information.  The fit is kinetics.c's. */
#include "kinetics_parts.h"

#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>

#include "brent.h"
#include "gsl_quiet.h"


/* A quantity is held at a value, and for every k the rest of the model is linear in one or two
 * unknowns; so the profile is a search over k alone.  The scan reaches from "never bends" to "over at
 * once"; a curve beyond either end differs from it by less than any cup shows. */
enum { SCAN_POINTS = 61 };

/* Log k is searched so closely: the sum of squares is flat there and right to 12 digits.  Brent's method takes no
 * smaller steps than the root of what a double holds. */
static const double LOG_K_TOLERANCE = 1e-6;

/* A bound is found to about this share of itself: far finer than it is ever shown. */
static const double BOUND_TOLERANCE = 1e-8;

/* How far from the estimate a bound is looked for: a hundredfold is as good as none. */
static const double FARTHEST = 100;

struct profile {
    const struct kinetics_data *data;
    double *fixed, *u, *v; /* room for each time's part of the model below */
    const struct kinetics_question *question;
    bool quick;
    double held; /* the quantity's value */
    double k_low, k_high;
    double near; /* log k that was best for the value held before; 0: none yet */
};

/* --- the answer itself --- */

static double time_of_gain(double amplitude, double k, double step_s, double least)
{
    double gain_at_once = amplitude * -expm1(-k * step_s);

    if (!(least > 0) || !(step_s > 0))
        return NAN;
    return gain_at_once <= least ? 0 : log(gain_at_once / least) / k;
}

/* amplitude (x - x^2) = least with x = exp(-k t) <= 1/2. */
static double time_of_doubling(double amplitude, double k, double least)
{
    double ratio = least / amplitude;

    if (!(least > 0))
        return NAN;
    if (ratio >= 0.25)
        return M_LN2 / k;
    return -log(2 * ratio / (1 + sqrt(1 - 4 * ratio))) / k;
}

double kinetics_answer(const struct kinetics_fit *fit, const struct kinetics_question *question)
{
    double plateau = fit->value[KINETICS_PLATEAU], k = fit->value[KINETICS_RATE];
    double amplitude = plateau - fit->value[KINETICS_QUICK], missing;

    if (!(k > 0) || !(amplitude > 0))
        return NAN;
    switch (question->quantity) {
    case QUANTITY_OF_PLATEAU:
        return plateau;
    case QUANTITY_OF_RATE:
        return k;
    case QUANTITY_OF_SHARE:
        if (!(question->share > 0 && question->share < 1))
            return NAN;
        missing = (1 - question->share) * plateau;
        return amplitude <= missing ? 0 : log(amplitude / missing) / k;
    case QUANTITY_OF_GAIN:
        return time_of_gain(amplitude, k, question->step_s, question->least);
    case QUANTITY_OF_DOUBLING:
        return time_of_doubling(amplitude, k, question->least);
    }
    return NAN;
}

/* --- the profile --- */

/* With the quantity held and k given, e = fixed + a u + b v: fills the three for the i-th time.  Returns how many of
 * a and b are free, or -1 where the quantity cannot have that value.  Exponents are put together before exp(), so
 * that nothing large is taken from something large. */
static int linear_part(const struct profile *profile, double k, size_t i)
{
    const struct kinetics_question *question = profile->question;
    double t = profile->data->t[i], held = profile->held, rising, falling;
    double *fixed = &profile->fixed[i], *u = &profile->u[i], *v = &profile->v[i];

    *fixed = *u = *v = 0;
    switch (question->quantity) {
    case QUANTITY_OF_PLATEAU: /* e = E1 - A exp(-kt); without quick part A is E1 */
        rising = -expm1(-k * t);
        *fixed = profile->quick ? held : held * rising;
        *u = profile->quick ? 1 - rising : 0;
        return profile->quick;
    case QUANTITY_OF_RATE:
        rising = -expm1(-k * t);
        *u = rising;
        *v = 1 - rising;
        return profile->quick ? 2 : 1;
    case QUANTITY_OF_SHARE: /* A = (1 - p) E1 exp(kT) */
        *u = 1 - (1 - question->share) * exp(k * (held - t));
        return 1;
    case QUANTITY_OF_GAIN: /* A exp(-kT) (1 - exp(-k step)) = least */
        falling = question->least * exp(k * (held - t)) / -expm1(-k * question->step_s);
        break;
    case QUANTITY_OF_DOUBLING: /* A exp(-kT) (1 - exp(-kT)) = least */
        if (k * held < M_LN2)
            return -1;
        falling = question->least * exp(k * (held - t)) / -expm1(-k * held);
        break;
    default:
        return -1;
    }
    if (profile->quick) {
        *fixed = -falling;
        *u = 1; /* E1 */
        return 1;
    }
    *fixed = falling * expm1(k * t);
    return 0;
}

static double rss_at(const struct profile *profile, double k)
{
    const struct kinetics_data *data = profile->data;
    double uu = 0, vv = 0, uv = 0, uy = 0, vy = 0, determinant, a, b = 0, rss = data->within;
    int free_parts = 0;

    if (profile->question->quantity == QUANTITY_OF_SHARE && !profile->quick)
        k = -log1p(-profile->question->share) / profile->held; /* then the share fixes k */
    for (size_t i = 0; i < data->n; i++) {
        double weight = kinetics_weight(data, i), u, v, y;

        free_parts = linear_part(profile, k, i);
        if (free_parts < 0)
            return INFINITY;
        u = profile->u[i];
        v = profile->v[i];
        y = data->e[i] - profile->fixed[i];
        uu += weight * u * u;
        vv += weight * v * v;
        uv += weight * u * v;
        uy += weight * u * y;
        vy += weight * v * y;
    }
    determinant = uu * vv - uv * uv;
    a = uu > 0 ? uy / uu : 0;
    if (free_parts == 2 && determinant > 1e-12 * uu * vv) {
        a = (uy * vv - vy * uv) / determinant;
        b = (vy * uu - uy * uv) / determinant;
    }
    for (size_t i = 0; i < data->n; i++) {
        double residual = profile->fixed[i] + a * profile->u[i] + b * profile->v[i] - data->e[i];

        rss += kinetics_weight(data, i) * residual * residual;
    }
    return isfinite(rss) ? rss : INFINITY;
}

static double rss_at_log(double log_k, void *context)
{
    return rss_at(context, exp(log_k));
}

/* The least about a log k that is better than both its neighbours; where it is not, it is looked for there and nothing
 * is remembered. */
static double refine(struct profile *profile, double low, double middle, double high)
{
    double least, at = brent_minimum(rss_at_log, profile, low, middle, high, LOG_K_TOLERANCE, &least);

    profile->near = at < middle || at > middle ? at : 0;
    return least;
}

static double profiled_rss(struct profile *profile, double held)
{
    double low = log(profile->k_low), step = (log(profile->k_high) - low) / (SCAN_POINTS - 1);
    double least = INFINITY, rss;
    int best = 0;

    profile->held = held;
    if (profile->question->quantity == QUANTITY_OF_RATE)
        return rss_at(profile, held);
    if (profile->question->quantity == QUANTITY_OF_SHARE && !profile->quick)
        return rss_at(profile, 0);
    if (profile->near < 0) { /* the best k moves little from one value to the next: look there first */
        rss = refine(profile, profile->near - step, profile->near, profile->near + step);
        if (profile->near < 0)
            return rss;
    }
    for (int i = 0; i < SCAN_POINTS; i++) {
        rss = rss_at(profile, exp(low + i * step));
        if (rss < least) {
            least = rss;
            best = i;
        }
    }
    return fmin(least, refine(profile, low + (best - 1) * step, low + best * step, low + (best + 1) * step));
}

/* By how much the profile exceeds the limit, in roots: nearly a straight line of the quantity. */
struct edge {
    struct profile *profile;
    double estimate, least, limit, direction;
};

static double excess(double log_factor, void *context)
{
    struct edge *edge = context;
    double held = edge->estimate * exp(edge->direction * log_factor);

    return sqrt(fmax(0, profiled_rss(edge->profile, held) - edge->least)) - sqrt(edge->limit - edge->least);
}

/* From the estimate outward by growing steps until the profile exceeds the limit, then by Brent's method, all in
 * logarithms.  `none` where the data set no bound. */
static double bound(struct profile *profile, double estimate, double least, double limit, double direction, double none)
{
    struct edge edge = { profile, estimate, least, limit, direction };
    double inside = 0, step = 0.02;

    while (!(excess(inside + step, &edge) > 0)) {
        inside += step;
        step *= 1.5;
        if (inside + step > log(FARTHEST))
            return none;
    }
    return estimate * exp(direction * brent_root(excess, &edge, inside, inside + step, BOUND_TOLERANCE));
}

static void find_bounds(struct profile *profile, const struct kinetics_fit *fit, double estimate, double confidence,
                        struct interval *out)
{
    const struct kinetics_data *data = profile->data;
    double longest = 0, shortest = INFINITY;
    /* likelihood ratio with the spread estimated: its root is compared with Student's t */
    double quantile = gsl_cdf_tdist_Pinv(1 - (1 - confidence) / 2, (double)fit->df);
    double limit = fit->rss * (1 + quantile * quantile / (double)fit->df);

    for (size_t i = 0; i < data->n; i++) {
        longest = fmax(longest, data->t[i]);
        if (data->t[i] > 0)
            shortest = fmin(shortest, data->t[i]);
    }
    profile->k_low = fmin(1e-3 / longest, fit->value[KINETICS_RATE] / 2) / FARTHEST;
    profile->k_high = fmax(20 / shortest, fit->value[KINETICS_RATE] * 10);
    if (estimate > 0) {
        out->low = bound(profile, estimate, fit->rss, limit, -1, 0);
        out->high = bound(profile, estimate, fit->rss, limit, 1, INFINITY);
    } else { /* already diminishing at the start: only how late it may be */
        out->low = 0;
        out->high = bound(profile, longest / FARTHEST, fit->rss, limit, 1, INFINITY);
    }
}

int kinetics_interval(const struct kinetics_data *data, const struct kinetics_fit *fit,
                      const struct kinetics_question *question, double confidence, struct interval *out)
{
    struct profile profile = { .question = question, .quick = fit->quick };
    double estimate = kinetics_answer(fit, question), *room;
    struct kinetics_data times;

    if (!fit->df)
        return -ENODATA;
    if (!isfinite(estimate) || !(confidence > 0 && confidence < 1))
        return -EINVAL;
    room = science_malloc(6 * data->n * sizeof *room);
    if (!room || kinetics_gather(data, room, &times) < 0) {
        free(room);
        return -ENOMEM;
    }
    profile.data = &times;
    profile.fixed = room + 3 * data->n;
    profile.u = room + 4 * data->n;
    profile.v = room + 5 * data->n;
    find_bounds(&profile, fit, estimate, confidence, out);
    free(room);
    return 0;
}

bool kinetics_identified(const struct kinetics_data *data, const struct kinetics_fit *fit, double confidence)
{
    static const enum kinetics_quantity quantities[] = { QUANTITY_OF_PLATEAU, QUANTITY_OF_RATE };

    for (size_t i = 0; i < sizeof quantities / sizeof *quantities; i++) {
        struct kinetics_question question = { quantities[i], 0, 0, 0 };
        struct interval interval;

        if (kinetics_interval(data, fit, &question, confidence, &interval) < 0 || !(interval.low > 0)
            || !isfinite(interval.high))
            return false;
    }
    return true;
}

struct interval kinetics_difference(double a, struct interval of_a, double b, struct interval of_b)
{
    struct interval out = { a - b - hypot(a - of_a.low, of_b.high - b), a - b + hypot(of_a.high - a, b - of_b.low) };

    return out;
}

/* --- Fisher information --- */

static void add_cup(const struct kinetics_fit *fit, double t, double cups, double information[3][3])
{
    double gradient[KINETICS_PARAMETERS];

    kinetics_gradient(fit, t, gradient);
    for (int i = 0; i < KINETICS_PARAMETERS; i++)
        for (int j = 0; j < KINETICS_PARAMETERS; j++)
            information[i][j] += cups * gradient[i] * gradient[j];
}

/* c' M^-1 c by elimination; NAN when M is singular. */
static double quadratic_form(const double information[3][3], const double c[3], int size)
{
    double m[3][4], sum = 0;

    for (int i = 0; i < size; i++) {
        for (int j = 0; j < size; j++)
            m[i][j] = information[i][j];
        m[i][3] = c[i];
    }
    for (int i = 0; i < size; i++) {
        if (!(m[i][i] > 1e-14 * information[i][i]))
            return NAN;
        for (int row = i + 1; row < size; row++) {
            double factor = m[row][i] / m[i][i];

            for (int j = i; j < size; j++)
                m[row][j] -= factor * m[i][j];
            m[row][3] -= factor * m[i][3];
        }
        sum += m[i][3] * m[i][3] / m[i][i]; /* the sum of these squares is the form (Cholesky) */
    }
    return sum;
}

static void information_of(const struct kinetics_data *data, const struct kinetics_fit *fit, double information[3][3])
{
    for (int i = 0; i < 9; i++)
        information[i / 3][i % 3] = 0;
    for (size_t i = 0; i < data->n; i++)
        add_cup(fit, data->t[i], kinetics_weight(data, i), information);
}

/* Derivatives of the answer, by central differences: a relative step of 1e-5 leaves eight digits. */
static void answer_gradient(const struct kinetics_fit *fit, const struct kinetics_question *question, double out[3])
{
    for (int i = 0; i < KINETICS_PARAMETERS; i++) {
        struct kinetics_fit up = *fit, down = *fit;
        double step = 1e-5 * fmax(fabs(fit->value[i]), 1e-6 * fit->value[KINETICS_PLATEAU]);

        up.value[i] += step;
        down.value[i] -= step;
        out[i] = (kinetics_answer(&up, question) - kinetics_answer(&down, question)) / (2 * step);
    }
}

double kinetics_shrinks(const struct kinetics_data *data, const struct kinetics_fit *fit,
                        const struct kinetics_question *question, double t, size_t cups)
{
    double information[3][3], gradient[3], before, after;
    int size = fit->quick ? 3 : 2;

    information_of(data, fit, information);
    answer_gradient(fit, question, gradient);
    before = quadratic_form(information, gradient, size);
    add_cup(fit, t, (double)cups, information);
    after = quadratic_form(information, gradient, size);
    return sqrt(after / before);
}

double kinetics_next(const struct kinetics_data *data, const struct kinetics_fit *fit,
                     const struct kinetics_question *question, double t_least, double t_most)
{
    double best = NAN, least = INFINITY;

    for (double t = ceil(t_least); t <= t_most; t++) {
        double ratio = kinetics_shrinks(data, fit, question, t, 1);

        if (ratio < least) {
            least = ratio;
            best = t;
        }
    }
    return best;
}

double kinetics_error_at(const struct kinetics_data *data, const struct kinetics_fit *fit, double t)
{
    double information[3][3], gradient[KINETICS_PARAMETERS];

    information_of(data, fit, information);
    kinetics_gradient(fit, t, gradient);
    return fit->spread * sqrt(quadratic_form(information, gradient, fit->quick ? 3 : 2));
}
