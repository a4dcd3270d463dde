/* A linear model with one random effect, from sums; see mixed.h.
 *
 * With theta = variance of sittings / variance of a cup, a sitting of n cups weighs its sums by theta / (1 + n theta);
 * directions in which the columns say nothing of their own are left out by the eigenvectors of X'X. */
#include "poise/mixed.h"

#include <errno.h>
#include <gsl/gsl_blas.h>
#include <gsl/gsl_cdf.h>
#include <gsl/gsl_eigen.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include "brent.h"
#include "gsl_quiet.h"

/* Where theta is looked for: a thousandth of a cup's variance is nothing, ten thousand times it is a fixed sitting. */
static const double THETA_LEAST = 1e-3, THETA_MOST = 1e4;
enum { THETA_SCAN = 36 };
static const double THETA_TOLERANCE = 1e-9; /* of its logarithm */

/* A direction whose share of the largest is below this is rounding. */
static const double NO_DIRECTION = 1e-10;

struct sitting {
    int number;
    double n, value; /* cups, and the sum of their values */
    double *row;     /* the sum of their rows */
};

struct mixed {
    size_t columns, n, count, room, rank;
    struct sitting *sitting;
    double first;    /* a value amid them: squares of what is left are small */
    double squares;  /* of value - first */
    double *xx, *xy; /* sums of products of the rows, and with value - first */
    double *basis;   /* columns x rank: the directions kept */
    double *scale;   /* of each column, that they weigh alike */
    double *inverse; /* rank x rank: covariance of the coefficients, but for the variance of a cup */
    double *beta;    /* along the directions */
    double theta, apart, variance, df_within, df_between, each; /* apart: of `with_days`; each: cups of a sitting */
    double *at_zero, *with_days; /* the same as `inverse`, without sittings and with: to split a variance */
};

struct mixed *mixed_new(size_t columns)
{
    struct mixed *mixed;

    if (columns < 1 || columns > MIXED_COLUMNS || !(mixed = science_calloc(1, sizeof *mixed)))
        return NULL;
    mixed->columns = columns;
    mixed->xx = science_calloc(5 * columns * columns + 3 * columns, sizeof *mixed->xx);
    if (!mixed->xx) {
        free(mixed);
        return NULL;
    }
    mixed->basis = mixed->xx + columns * columns;
    mixed->inverse = mixed->basis + columns * columns;
    mixed->at_zero = mixed->inverse + columns * columns;
    mixed->with_days = mixed->at_zero + columns * columns;
    mixed->xy = mixed->with_days + columns * columns;
    mixed->scale = mixed->xy + columns;
    mixed->beta = mixed->scale + columns;
    return mixed;
}

void mixed_free(struct mixed *mixed)
{
    if (!mixed)
        return;
    for (size_t i = 0; i < mixed->count; i++)
        free(mixed->sitting[i].row);
    free(mixed->sitting);
    free(mixed->xx);
    free(mixed);
}

static struct sitting *sitting_of(struct mixed *mixed, int number)
{
    for (size_t i = mixed->count; i-- > 0;) /* cups of one sitting come together */
        if (mixed->sitting[i].number == number)
            return &mixed->sitting[i];
    if (mixed->count == mixed->room) {
        size_t room = mixed->room ? 2 * mixed->room : 16;
        struct sitting *more = science_realloc(mixed->sitting, room * sizeof *more);

        if (!more)
            return NULL;
        mixed->sitting = more;
        mixed->room = room;
    }
    mixed->sitting[mixed->count] =
        (struct sitting){ .number = number, .row = science_calloc(mixed->columns, sizeof(double)) };
    return mixed->sitting[mixed->count].row ? &mixed->sitting[mixed->count++] : NULL;
}

int mixed_add(struct mixed *mixed, const double *row, double value, int sitting)
{
    struct sitting *its = sitting_of(mixed, sitting);

    if (!its)
        return -ENOMEM;
    if (!mixed->n)
        mixed->first = value;
    value -= mixed->first;
    mixed->n++;
    mixed->squares += value * value;
    its->n++;
    its->value += value;
    for (size_t i = 0; i < mixed->columns; i++) {
        its->row[i] += row[i];
        mixed->xy[i] += row[i] * value;
        for (size_t j = 0; j < mixed->columns; j++)
            mixed->xx[i * mixed->columns + j] += row[i] * row[j];
    }
    return 0;
}

/* --- directions --- */

/* The directions of the columns that cups show, each column first brought to unit length.  False: no memory. */
static bool find_basis(struct mixed *mixed)
{
    size_t p = mixed->columns;
    gsl_matrix *scaled = gsl_matrix_alloc(p, p), *vectors = gsl_matrix_alloc(p, p);
    gsl_vector *values = gsl_vector_alloc(p);
    gsl_eigen_symmv_workspace *work = gsl_eigen_symmv_alloc(p);
    bool room = scaled && vectors && values && work;

    for (size_t i = 0; i < p; i++)
        mixed->scale[i] = mixed->xx[i * (p + 1)] > 0 ? 1 / sqrt(mixed->xx[i * (p + 1)]) : 0;
    for (size_t i = 0; i < p && room; i++)
        for (size_t j = 0; j < p; j++)
            gsl_matrix_set(scaled, i, j, mixed->xx[i * p + j] * mixed->scale[i] * mixed->scale[j]);
    mixed->rank = 0;
    if (room && gsl_eigen_symmv(scaled, values, vectors, work) == GSL_SUCCESS) {
        gsl_eigen_symmv_sort(values, vectors, GSL_EIGEN_SORT_VAL_DESC);
        for (; mixed->rank < p && gsl_vector_get(values, mixed->rank) > NO_DIRECTION * gsl_vector_get(values, 0);
             mixed->rank++)
            for (size_t i = 0; i < p; i++)
                mixed->basis[i * p + mixed->rank] = gsl_matrix_get(vectors, i, mixed->rank);
    }
    gsl_eigen_symmv_free(work);
    gsl_matrix_free(scaled);
    gsl_matrix_free(vectors);
    gsl_vector_free(values);
    return room;
}

/* The model in the directions that are kept: X'X, X'y and the sums of each sitting. */
struct reduced {
    gsl_matrix *xx, *sums; /* rank x rank; sittings x rank */
    gsl_vector *xy;
    const struct mixed *mixed;
    gsl_matrix *normal; /* room */
    gsl_vector *beta, *direction;
    double rss, log_determinants;
};

static void reduced_free(struct reduced *reduced)
{
    gsl_matrix_free(reduced->xx);
    gsl_matrix_free(reduced->sums);
    gsl_matrix_free(reduced->normal);
    gsl_vector_free(reduced->xy);
    gsl_vector_free(reduced->beta);
    gsl_vector_free(reduced->direction);
}

static bool reduce(const struct mixed *mixed, struct reduced *out)
{
    size_t p = mixed->columns, r = mixed->rank;

    *out = (struct reduced){ .mixed = mixed };
    out->xx = gsl_matrix_calloc(r, r);
    out->normal = gsl_matrix_calloc(r, r);
    out->sums = gsl_matrix_calloc(mixed->count, r);
    out->xy = gsl_vector_calloc(r);
    out->beta = gsl_vector_calloc(r);
    out->direction = gsl_vector_calloc(r);
    if (!out->xx || !out->normal || !out->sums || !out->xy || !out->beta || !out->direction)
        return false;
    for (size_t a = 0; a < r; a++)
        for (size_t i = 0; i < p; i++) {
            double its = mixed->basis[i * p + a] * mixed->scale[i];

            *gsl_vector_ptr(out->xy, a) += its * mixed->xy[i];
            for (size_t g = 0; g < mixed->count; g++)
                *gsl_matrix_ptr(out->sums, g, a) += its * mixed->sitting[g].row[i];
            for (size_t b = 0; b < r; b++)
                for (size_t j = 0; j < p; j++)
                    *gsl_matrix_ptr(out->xx, a, b) +=
                        its * mixed->xx[i * p + j] * mixed->basis[j * p + b] * mixed->scale[j];
        }
    return true;
}

/* --- one theta --- */

static bool solve_at(struct reduced *reduced, double theta)
{
    const struct mixed *mixed = reduced->mixed;
    double squares = mixed->squares, explained;
    gsl_vector *right = reduced->direction;
    int status;

    gsl_matrix_memcpy(reduced->normal, reduced->xx);
    gsl_vector_memcpy(right, reduced->xy);
    reduced->log_determinants = 0;
    for (size_t g = 0; g < mixed->count && theta > 0; g++) {
        const struct sitting *sitting = &mixed->sitting[g];
        double weight = theta / (1 + theta * sitting->n);
        gsl_vector_const_view sums = gsl_matrix_const_row(reduced->sums, g);

        reduced->log_determinants += log1p(theta * sitting->n);
        squares -= weight * sitting->value * sitting->value;
        gsl_blas_daxpy(-weight * sitting->value, &sums.vector, right);
        gsl_blas_dger(-weight, &sums.vector, &sums.vector, reduced->normal);
    }
    status = gsl_linalg_cholesky_decomp1(reduced->normal);
    if (status == GSL_SUCCESS)
        status = gsl_linalg_cholesky_solve(reduced->normal, right, reduced->beta);
    if (status != GSL_SUCCESS)
        return false;
    gsl_blas_ddot(right, reduced->beta, &explained);
    for (size_t i = 0; i < mixed->rank; i++)
        reduced->log_determinants += 2 * log(gsl_matrix_get(reduced->normal, i, i));
    reduced->rss = squares - explained;
    return reduced->rss > 1e-12 * (squares > 0 ? squares : 1);
}

/* Twice the negative restricted log likelihood, but for constants. */
static double deviance(double log_theta, void *context)
{
    struct reduced *reduced = context;
    double theta = isinf(log_theta) ? 0 : exp(log_theta);

    if (!solve_at(reduced, theta))
        return INFINITY;
    return ((double)reduced->mixed->n - (double)reduced->mixed->rank) * log(reduced->rss) + reduced->log_determinants;
}

static double best_theta(struct reduced *reduced)
{
    double step = log(THETA_MOST / THETA_LEAST) / THETA_SCAN, low = log(THETA_LEAST);
    double least = deviance(-INFINITY, reduced);
    int best = -1;

    for (int i = 0; i <= THETA_SCAN; i++) {
        double at = deviance(low + i * step, reduced);

        if (at < least) {
            least = at;
            best = i;
        }
    }
    if (best < 0)
        return 0;
    if (best == THETA_SCAN)
        return exp(low + best * step);
    return exp(brent_minimum(deviance, reduced, best == 0 ? low - 8 : low + (best - 1) * step, low + best * step,
                             low + (best + 1) * step, THETA_TOLERANCE, NULL));
}

/* --- how well the two spreads are known --- */

/* Rank of the columns once each sitting has its own constant: what is left of X'X. */
static size_t rank_within(const struct reduced *reduced)
{
    const struct mixed *mixed = reduced->mixed;
    size_t r = mixed->rank, rank = 0;
    gsl_eigen_symm_workspace *work = gsl_eigen_symm_alloc(r);

    gsl_matrix_memcpy(reduced->normal, reduced->xx);
    for (size_t g = 0; g < mixed->count; g++) {
        gsl_vector_const_view sums = gsl_matrix_const_row(reduced->sums, g);

        gsl_blas_dger(-1 / mixed->sitting[g].n, &sums.vector, &sums.vector, reduced->normal);
    }
    if (work && gsl_eigen_symm(reduced->normal, reduced->beta, work) == GSL_SUCCESS)
        for (size_t i = 0; i < r; i++)
            rank += gsl_vector_get(reduced->beta, i) > 1e-8 * gsl_matrix_get(reduced->xx, 0, 0);
    if (work)
        gsl_eigen_symm_free(work);
    return rank;
}

/* Cups of a sitting, as an unbalanced design counts them. */
static double cups_each(const struct mixed *mixed)
{
    double sum = 0, squares = 0;

    for (size_t g = 0; g < mixed->count; g++) {
        sum += mixed->sitting[g].n;
        squares += mixed->sitting[g].n * mixed->sitting[g].n;
    }
    return (sum - squares / sum) / ((double)mixed->count - 1);
}

static void find_intervals(const struct mixed *mixed, double confidence, struct mixed_fit *out)
{
    double tail = (1 - confidence) / 2, within = out->within * out->within, each = mixed->each, mean_square;

    out->within_interval = out->between_interval = (struct interval){ NAN, NAN };
    if (out->df_within > 0)
        out->within_interval =
            (struct interval){ out->within * sqrt(out->df_within / gsl_cdf_chisq_Qinv(tail, out->df_within)),
                               out->within * sqrt(out->df_within / gsl_cdf_chisq_Pinv(tail, out->df_within)) };
    if (!(out->df_between > 0) || !(out->df_within > 0))
        return;
    mean_square = within + each * out->between * out->between; /* of sittings' means, per cup */
    out->between_interval.low =
        sqrt(fmax(0, mean_square - within * gsl_cdf_fdist_Qinv(tail, out->df_between, out->df_within)) / each
             * out->df_between / gsl_cdf_chisq_Qinv(tail, out->df_between));
    out->between_interval.high =
        sqrt(fmax(0, mean_square - within * gsl_cdf_fdist_Pinv(tail, out->df_between, out->df_within)) / each
             * out->df_between / gsl_cdf_chisq_Pinv(tail, out->df_between));
}

static void keep(const struct mixed *mixed, struct reduced *reduced, double *inverse)
{
    gsl_linalg_cholesky_invert(reduced->normal);
    for (size_t a = 0; a < mixed->rank; a++)
        for (size_t b = 0; b < mixed->rank; b++)
            inverse[a * mixed->rank + b] = gsl_matrix_get(reduced->normal, a, b);
}

static int solve(struct mixed *mixed, struct reduced *reduced, double confidence, struct mixed_fit *out,
                 struct why *why)
{
    size_t within = rank_within(reduced), between = mixed->rank - within;
    double left = (double)mixed->n - (double)mixed->rank;

    *out = (struct mixed_fit){ .n = mixed->n, .sittings = mixed->count, .rank = mixed->rank };
    if (!(left > 0))
        return why_set(why, -ENODATA, "too few cups: nothing is left beside what is estimated");
    out->df_between = fmax(0, (double)mixed->count - (double)between);
    out->df_within = (double)mixed->n - (double)mixed->count - (double)within;
    if (!(out->df_within > 0) || !(out->df_between > 0)) {
        out->df_within = left;
        out->df_between = 0;
    }
    mixed->theta = out->df_between > 0 ? best_theta(reduced) : 0;
    if (!solve_at(reduced, 0))
        return why_set(why, -EDOM, "cups that were brewed alike do not differ at all: too good to be judged");
    keep(mixed, reduced, mixed->at_zero);
    mixed->each = out->df_between > 0 ? cups_each(mixed) : 1;
    mixed->apart = fmax(mixed->theta, 1 / mixed->each);
    if (solve_at(reduced, mixed->apart))
        keep(mixed, reduced, mixed->with_days);
    if (!solve_at(reduced, mixed->theta))
        return why_set(why, -EDOM, "cups that were brewed alike do not differ at all: too good to be judged");
    for (size_t i = 0; i < mixed->rank; i++)
        mixed->beta[i] = gsl_vector_get(reduced->beta, i);
    mixed->variance = reduced->rss / left;
    keep(mixed, reduced, mixed->inverse);
    out->within = sqrt(mixed->variance);
    out->between = out->df_between > 0 ? sqrt(mixed->theta * mixed->variance) : (double)NAN;
    mixed->df_within = out->df_within;
    mixed->df_between = out->df_between;
    find_intervals(mixed, confidence, out);
    return 0;
}

int mixed_solve(struct mixed *mixed, double confidence, struct mixed_fit *out, struct why *why)
{
    gsl_error_handler_t *handler = gsl_quiet_begin();
    struct reduced reduced = { .xx = NULL };
    struct mixed_fit fit;
    int error;

    mixed->rank = 0;
    if (!mixed->n)
        error = why_set(why, -ENODATA, "there is no cup");
    else if (!find_basis(mixed) || !reduce(mixed, &reduced))
        error = why_set(why, -ENOMEM, "not enough memory");
    else
        error = solve(mixed, &reduced, confidence, &fit, why);
    reduced_free(&reduced);
    gsl_quiet_end(handler);
    if (error)
        mixed->rank = 0;
    else
        *out = fit;
    return error;
}

/* --- contrasts --- */

static double quadratic(const double *matrix, const double *vector, size_t size)
{
    double sum = 0;

    for (size_t a = 0; a < size; a++)
        for (size_t b = 0; b < size; b++)
            sum += vector[a] * matrix[a * size + b] * vector[b];
    return sum;
}

/* The weights along the directions that are kept; false where the cups leave some of it open. */
static bool along(const struct mixed *mixed, const double *weight, double *out)
{
    size_t p = mixed->columns;
    double length = 0, kept = 0;

    memset(out, 0, mixed->rank * sizeof *out);
    for (size_t i = 0; i < p; i++) {
        if (weight[i] != 0 && !(mixed->scale[i] > 0))
            return false;
        length += pow(weight[i] * mixed->scale[i], 2);
        for (size_t a = 0; a < mixed->rank; a++)
            out[a] += weight[i] * mixed->scale[i] * mixed->basis[i * p + a];
    }
    for (size_t a = 0; a < mixed->rank; a++)
        kept += out[a] * out[a];
    return length > 0 && fabs(length - kept) < 1e-7 * length;
}

void mixed_spread(const struct mixed *mixed, double cups, double days, struct difference *out)
{
    double of_days = days * (mixed->theta + 1 / mixed->each), all = cups + days * mixed->theta;

    out->standard_error = sqrt(all * mixed->variance);
    out->df = mixed->df_between > 0 && days > 0
                  ? all * all / (of_days * of_days / mixed->df_between + pow(all - of_days, 2) / mixed->df_within)
                  : mixed->df_within;
}

int mixed_contrast(const struct mixed *mixed, const double *weight, const struct mixed_more *more, double confidence,
                   struct difference *out)
{
    double direction[MIXED_COLUMNS], estimate = mixed->first * weight[0], of_cups, of_all, days, half;

    if (!mixed->rank || !along(mixed, weight, direction))
        return -ENODATA;
    for (size_t a = 0; a < mixed->rank; a++)
        estimate += direction[a] * mixed->beta[a];
    of_cups = quadratic(mixed->at_zero, direction, mixed->rank);
    days = fmax(0, quadratic(mixed->with_days, direction, mixed->rank) - of_cups) / mixed->apart;
    of_all = quadratic(mixed->inverse, direction, mixed->rank);
    if (more) {
        of_all += 1.0 / more->cups + mixed->theta / more->sittings;
        days += 1.0 / more->sittings;
    }
    out->difference = estimate;
    mixed_spread(mixed, of_all - days * mixed->theta, days, out);
    half = gsl_cdf_tdist_Pinv((1 + confidence) / 2, out->df) * out->standard_error;
    out->interval = (struct interval){ estimate - half, estimate + half };
    out->t = estimate / out->standard_error;
    out->p = 2 * gsl_cdf_tdist_Q(fabs(out->t), out->df);
    return 0;
}
