/* Whether a series along a numeric factor breaks; see trend.h. */
#include "poise/trend.h"

#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <gsl/gsl_multifit.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "criterion.h"
#include "gsl_quiet.h"
#include "poise/kinetics.h"

enum { BREAK_PLACES = 61 }; /* tried between the inner x: finer than any series is spaced */

/* Cups of one x put together, by their mean: a sum of squares of any line is that of the means, each as often as it
 * has cups, and what is within. */
struct means {
    double *x, *y, *weight; /* x: the allocation of all three */
    size_t n, cups;
    double within;
    gsl_matrix *columns; /* room for a fit of two pieces */
    gsl_multifit_linear_workspace *work;
};

enum { PIECES_UNKNOWN = 3 };

static void means_free(struct means *means)
{
    gsl_multifit_linear_free(means->work);
    gsl_matrix_free(means->columns);
    free(means->x);
}

static int gather(const double *x, const double *y, size_t n, struct means *out)
{
    struct kinetics_data cups = { x, y, n, NULL, 0, 0 }, means;
    double *room = science_malloc(3 * n * sizeof *room);

    if (!room || kinetics_gather(&cups, room, &means) < 0) {
        free(room);
        return -ENOMEM;
    }
    *out = (struct means){ .x = room,
                           .y = room + n,
                           .weight = room + 2 * n,
                           .n = means.n,
                           .cups = n,
                           .within = means.within,
                           .columns = gsl_matrix_alloc(means.n, PIECES_UNKNOWN),
                           .work = gsl_multifit_linear_alloc(means.n, PIECES_UNKNOWN) };
    if (out->columns && out->work)
        return 0;
    means_free(out);
    return -ENOMEM;
}

struct pieces {
    double c[PIECES_UNKNOWN]; /* value at the break, slope before, slope after */
    double inverse_after;     /* of the slope after, in the inverse of the normal matrix */
    double rss;
};

/* Least squares of y = c0 + c1 min(x - at, 0) + c2 max(x - at, 0).  rss is INFINITY where the points do not show all
 * three. */
static void fit_pieces(const struct means *means, double at, struct pieces *out)
{
    static const double alike = 1e-7; /* a singular value so small a share of the largest is none */
    double inverse[PIECES_UNKNOWN * PIECES_UNKNOWN], rss;
    gsl_matrix_view covariance = gsl_matrix_view_array(inverse, PIECES_UNKNOWN, PIECES_UNKNOWN);
    gsl_vector_view coefficients = gsl_vector_view_array(out->c, PIECES_UNKNOWN);
    gsl_vector_const_view y = gsl_vector_const_view_array(means->y, means->n);
    gsl_vector_const_view weight = gsl_vector_const_view_array(means->weight, means->n);
    size_t rank = 0;

    for (size_t i = 0; i < means->n; i++) {
        gsl_matrix_set(means->columns, i, 0, 1);
        gsl_matrix_set(means->columns, i, 1, fmin(means->x[i] - at, 0));
        gsl_matrix_set(means->columns, i, 2, fmax(means->x[i] - at, 0));
    }
    gsl_multifit_wlinear_tsvd(means->columns, &weight.vector, &y.vector, alike, &coefficients.vector,
                              &covariance.matrix, &rss, &rank, means->work);
    out->rss = rank == PIECES_UNKNOWN ? rss + means->within : INFINITY;
    out->inverse_after = inverse[8];
}

static double place(double low, double high, int i)
{
    return low + (high - low) * i / (BREAK_PLACES - 1.0);
}

/* The best place of a break between low and high. */
static double best_break(const struct means *means, double low, double high, struct pieces *out)
{
    double at = low;

    *out = (struct pieces){ .rss = INFINITY };
    for (int i = 0; i < BREAK_PLACES; i++) {
        struct pieces pieces;

        fit_pieces(means, place(low, high, i), &pieces);
        if (pieces.rss < out->rss) {
            *out = pieces;
            at = place(low, high, i);
        }
    }
    return at;
}

/* Two more unknowns than the line: the second slope and the place. */
static double f_of(double rss_line, double rss_pieces, size_t n)
{
    return fmax(0, rss_line - rss_pieces) / 2 / (rss_pieces / ((double)n - 4));
}

/* What a model explains of any y is the length of y's shadow on it: three orthonormal directions, each mean with the
 * root of its weight.  A straight line has two. */
enum { DIRECTIONS = 3 };

static void find_directions(const struct means *means, double at, bool broken, double *out)
{
    size_t n = means->n;

    memset(out, 0, DIRECTIONS * n * sizeof *out);
    for (int j = 0; j < (broken ? 3 : 2); j++) {
        double *own = out + (size_t)j * n, before = 0, length = 0;

        for (size_t i = 0; i < n; i++) {
            double d = means->x[i] - at;

            own[i] = sqrt(means->weight[i]) * (j == 0 ? 1 : !broken ? d : j == 1 ? fmin(d, 0) : fmax(d, 0));
            before += own[i] * own[i];
        }
        for (int pass = 0; pass < 2; pass++) /* twice: rounding */
            for (int other = 0; other < j; other++) {
                const double *direction = out + (size_t)other * n;
                double share = 0;

                for (size_t i = 0; i < n; i++)
                    share += direction[i] * own[i];
                for (size_t i = 0; i < n; i++)
                    own[i] -= share * direction[i];
            }
        for (size_t i = 0; i < n; i++)
            length += own[i] * own[i];
        for (size_t i = 0; i < n; i++)
            own[i] = length > 1e-12 * before ? own[i] / sqrt(length) : 0;
    }
}

static double explained(const double *directions, const double *rooted_y, size_t n)
{
    double sum = 0;

    for (int j = 0; j < DIRECTIONS; j++) {
        double share = 0;

        for (size_t i = 0; i < n; i++)
            share += directions[(size_t)j * n + i] * rooted_y[i];
        sum += share * share;
    }
    return sum;
}

/* Beyond so many cups shuffling them shows nothing that the normal law of their means (central limit) does not. */
enum { SHUFFLED_MOST = 1000 };

/* The residuals of the line, dealt to the cups again: their means, each times the root of its weight. */
static void deal(gsl_rng *random, const struct means *means, double *residual, double total, double *rooted_y)
{
    size_t next = 0;

    if (means->cups > SHUFFLED_MOST) {
        for (size_t i = 0; i < means->n; i++)
            rooted_y[i] = gsl_ran_gaussian_ziggurat(random, sqrt(total / (double)means->cups));
        return;
    }
    gsl_ran_shuffle(random, residual, means->cups, sizeof *residual);
    for (size_t i = 0; i < means->n; i++) {
        double sum = 0;

        for (size_t cup = 0; cup < (size_t)means->weight[i]; cup++)
            sum += residual[next++];
        rooted_y[i] = sum / sqrt(means->weight[i]);
    }
}

/* `room` has place for the directions of the line and of every place, and for the means. */
static double permuted_p(const struct means *means, const struct trend *line, double *residual, double *room,
                         double low, double high, double f, int permutations, unsigned long seed)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    size_t size = DIRECTIONS * means->n;
    double *broken = room + size, *rooted_y = broken + BREAK_PLACES * size;
    int at_least = 0;

    if (!random)
        return NAN;
    gsl_rng_set(random, seed);
    find_directions(means, line->centre, false, room);
    for (int i = 0; i < BREAK_PLACES; i++)
        find_directions(means, place(low, high, i), true, broken + (size_t)i * size);
    for (int turn = 0; turn < permutations; turn++) {
        double rss_line, most = 0;

        deal(random, means, residual, line->rss, rooted_y);
        rss_line = line->rss - explained(room, rooted_y, means->n);
        for (int i = 0; i < BREAK_PLACES; i++)
            most = fmax(most, explained(broken + (size_t)i * size, rooted_y, means->n));
        at_least += f_of(rss_line, line->rss - most, means->cups) >= f;
    }
    gsl_rng_free(random);
    return (1.0 + at_least) / (1.0 + permutations);
}

/* Where between a place inside the interval and the next one outside the sum of squares passes the limit. */
static double crossing(double inside, double rss_inside, double outside, double rss_outside, double limit)
{
    if (!isfinite(rss_outside))
        return inside;
    return inside + (outside - inside) * (limit - rss_inside) / (rss_outside - rss_inside);
}

/* Place and slope beyond by profile likelihood: whatever lets the rest fit no worse than chance allows.  So the slope
 * pays for not knowing the place. */
static void find_intervals(const struct means *means, double low, double high, double rss, double df,
                           struct trend_break *out)
{
    double quantile = gsl_cdf_tdist_Pinv(0.975, df);
    double limit = rss * (1 + quantile * quantile / df), before = INFINITY;

    out->at_interval = out->slope_after_interval = (struct interval){ INFINITY, -INFINITY };
    for (int i = 0; i < BREAK_PLACES; i++) {
        double at = place(low, high, i), last = place(low, high, i - 1), half;
        struct pieces pieces;

        fit_pieces(means, at, &pieces);
        if (pieces.rss <= limit) {
            half = sqrt((limit - pieces.rss) * pieces.inverse_after);
            out->slope_after_interval.low = fmin(out->slope_after_interval.low, pieces.c[2] - half);
            out->slope_after_interval.high = fmax(out->slope_after_interval.high, pieces.c[2] + half);
            if (out->at_interval.low > at)
                out->at_interval.low = crossing(at, pieces.rss, last, before, limit);
            out->at_interval.high = at;
        } else if (before <= limit) {
            out->at_interval.high = crossing(last, before, at, pieces.rss, limit);
        }
        before = pieces.rss;
    }
}

static int find_break(const struct means *means, const struct trend *line, double *residual, size_t spent,
                      int permutations, unsigned long seed, struct trend_break *out, struct why *why)
{
    double low = means->x[1], high = means->x[means->n - 2], at;
    double *room = science_malloc((DIRECTIONS * (BREAK_PLACES + 1) + 1) * means->n * sizeof *room);
    double rounding = 0; /* what the digits of a double leave of a perfect line */
    struct pieces pieces;

    if (!room)
        return why_set(why, -ENOMEM, "not enough memory");
    for (size_t i = 0; i < means->n; i++)
        rounding += 1e-26 * means->weight[i] * means->y[i] * means->y[i];
    at = best_break(means, low, high, &pieces);
    if (!(pieces.rss > rounding) || !(line->rss > rounding)) {
        free(room);
        return why_set(why, -EDOM, "the cups scatter so little that nothing can be judged");
    }
    out->at = at;
    out->value = pieces.c[0];
    out->slope_before = pieces.c[1];
    out->slope_after = pieces.c[2];
    find_intervals(means, low, high, pieces.rss, (double)means->cups - 4 - (double)spent, out);
    out->aicc = criterion_aicc(pieces.rss, (double)line->n, 4);
    out->f = f_of(line->rss, pieces.rss, line->n);
    out->p = permuted_p(means, line, residual, room, low, high, out->f, permutations, seed);
    free(room);
    return 0;
}

int trend_find_break(const double *x, const double *y, size_t n, size_t spent, int permutations, unsigned long seed,
                     struct trend_break *out, struct why *why)
{
    struct trend line;
    struct means means;
    double *residual;
    int error = trend_fit(x, y, n, 1, &line, why);

    if (error)
        return error;
    residual = science_malloc(n * sizeof *residual);
    if (!residual || gather(x, y, n, &means) < 0) {
        free(residual);
        return why_set(why, -ENOMEM, "not enough memory");
    }
    for (size_t i = 0; i < n; i++)
        residual[i] = y[i] - trend_at(&line, x[i]);
    if (means.n < 5 || n < 6 + spent)
        error = why_set(why, -ENODATA, "%zu cups at %zu levels: a break needs six cups at five levels", n, means.n);
    else
        error = find_break(&means, &line, residual, spent, permutations, seed, out, why);
    free(residual);
    means_free(&means);
    return error;
}

/* --- the next cup --- */

enum { BREAK_PARAMETERS = 4 }; /* value, both slopes, and last the place */

static void add_cups(const struct trend_break *broken, double x, double cups,
                     double information[BREAK_PARAMETERS][BREAK_PARAMETERS])
{
    double d = x - broken->at;
    double gradient[] = { 1, fmin(d, 0), fmax(d, 0), d < 0 ? -broken->slope_before : -broken->slope_after };

    for (int i = 0; i < BREAK_PARAMETERS; i++)
        for (int j = 0; j < BREAK_PARAMETERS; j++)
            information[i][j] += cups * gradient[i] * gradient[j];
}

/* What is left of the last unknown's information when the others are unknown too: one over its variance. */
static double of_the_last(const double information[BREAK_PARAMETERS][BREAK_PARAMETERS])
{
    double m[BREAK_PARAMETERS][BREAK_PARAMETERS];

    memcpy(m, information, sizeof m);
    for (int i = 0; i < BREAK_PARAMETERS; i++) {
        if (!(m[i][i] > 1e-12 * information[i][i]))
            return NAN;
        for (int row = i + 1; row < BREAK_PARAMETERS; row++) {
            double factor = m[row][i] / m[i][i];

            for (int j = i; j < BREAK_PARAMETERS; j++)
                m[row][j] -= factor * m[i][j];
        }
    }
    return m[BREAK_PARAMETERS - 1][BREAK_PARAMETERS - 1];
}

double trend_break_shrinks(const double *x, size_t n, const struct trend_break *broken, double x_more, size_t cups)
{
    double information[BREAK_PARAMETERS][BREAK_PARAMETERS] = { { 0 } }, before;

    for (size_t i = 0; i < n; i++)
        add_cups(broken, x[i], 1, information);
    before = of_the_last(information);
    add_cups(broken, x_more, (double)cups, information);
    return sqrt(before / of_the_last(information));
}
