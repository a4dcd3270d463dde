/* Blocks as random effects: restricted maximum likelihood of levels and one variance of blocks; see layout.h.
 *
 * With theta = variance of blocks / variance of a cup, a block of n cups weighs its sum by theta / (1 + n theta); all
 * that is needed of the cups is how many of each level each block has, and their sums. */
#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "brent.h"
#include "gsl_quiet.h"
#include "poise/layout.h"

/* Where theta is looked for: a thousandth of a cup's variance is nothing, ten thousand times it is a fixed block. */
static const double THETA_LEAST = 1e-3, THETA_MOST = 1e4;
enum { THETA_SCAN = 36 };
static const double THETA_TOLERANCE = 1e-9; /* of its logarithm */

/* Blocks of one experiment are days, bags and replicates: more are no blocks, and cost their square. */
enum { BLOCKS_MOST = 4096 };

struct sums {
    size_t levels, blocks, n;
    double *count;           /* levels x blocks */
    double *block_n, *block; /* cups of each block, and their sum */
    double level_n[LAYOUT_LEVELS], level[LAYOUT_LEVELS];
    double squares; /* of all values; all measured from a value amid them */
};

struct solved {
    gsl_matrix *inverse; /* of the normal matrix */
    double mean[LAYOUT_LEVELS], rss, log_determinants;
};

/* --- sums --- */

struct numbered {
    int block;
    size_t cup;
};

static int by_block(const void *a, const void *b)
{
    const struct numbered *first = a, *second = b;

    return (first->block > second->block) - (first->block < second->block);
}

static int find_sums(const struct layout *layout, struct sums *out)
{
    struct numbered *order = science_malloc(layout->n * sizeof *order);
    double middle = 0;
    size_t block = 0;

    memset(out, 0, sizeof *out);
    if (!order)
        return -ENOMEM;
    out->levels = layout->levels;
    out->n = layout->n;
    for (size_t i = 0; i < layout->n; i++) {
        order[i] = (struct numbered){ layout->block[i], i };
        middle += (layout->value[i] - layout->value[0]) / (double)layout->n;
    }
    middle += layout->value[0];
    qsort(order, layout->n, sizeof *order, by_block);
    for (size_t i = 0; i < layout->n; i++)
        out->blocks += i == 0 || order[i].block != order[i - 1].block;
    if (out->blocks < 2 || out->blocks > BLOCKS_MOST) {
        free(order);
        return -ENODATA;
    }
    out->count = science_calloc((out->levels + 2) * out->blocks, sizeof *out->count);
    if (!out->count) {
        free(order);
        return -ENOMEM;
    }
    out->block_n = out->count + out->levels * out->blocks;
    out->block = out->block_n + out->blocks;
    for (size_t i = 0; i < layout->n; i++) {
        size_t cup = order[i].cup, level = (size_t)layout->level[cup];
        double value = layout->value[cup] - middle;

        block += i > 0 && order[i].block != order[i - 1].block;
        out->count[level * out->blocks + block]++;
        out->block_n[block]++;
        out->block[block] += value;
        out->level_n[level]++;
        out->level[level] += value;
        out->squares += value * value;
    }
    free(order);
    return 0;
}

/* Levels that blocks hold together get one number; returns how many such parts there are. */
static size_t find_parts(const struct sums *sums, int *part)
{
    size_t parts = sums->levels;

    for (size_t i = 0; i < sums->levels; i++)
        part[i] = (int)i;
    for (size_t block = 0; block < sums->blocks; block++) {
        int first = -1;

        for (size_t i = 0; i < sums->levels; i++) {
            int old = part[i];

            if (!(sums->count[i * sums->blocks + block] > 0))
                continue;
            if (first < 0) {
                first = old;
            } else if (old != first) {
                for (size_t j = 0; j < sums->levels; j++)
                    part[j] = part[j] == old ? first : part[j];
                parts--;
            }
        }
    }
    return parts;
}

/* --- one theta --- */

static bool solve(const struct sums *sums, double theta, struct solved *out)
{
    gsl_matrix *normal = out->inverse;
    gsl_vector *mean = gsl_vector_alloc(sums->levels);
    double explained = 0, squares = sums->squares;
    int status;

    if (!mean)
        return false;
    out->log_determinants = 0;
    for (size_t i = 0; i < sums->levels; i++) {
        gsl_vector_set(mean, i, sums->level[i]);
        for (size_t j = 0; j < sums->levels; j++)
            gsl_matrix_set(normal, i, j, i == j ? sums->level_n[i] : 0);
    }
    for (size_t block = 0; block < sums->blocks; block++) {
        double weight = theta / (1 + theta * sums->block_n[block]);

        out->log_determinants += log1p(theta * sums->block_n[block]);
        squares -= weight * sums->block[block] * sums->block[block];
        for (size_t i = 0; i < sums->levels; i++) {
            double count = sums->count[i * sums->blocks + block];

            if (!(count > 0))
                continue;
            *gsl_vector_ptr(mean, i) -= weight * count * sums->block[block];
            for (size_t j = 0; j < sums->levels; j++)
                *gsl_matrix_ptr(normal, i, j) -= weight * count * sums->count[j * sums->blocks + block];
        }
    }
    for (size_t i = 0; i < sums->levels; i++)
        out->mean[i] = gsl_vector_get(mean, i);
    status = gsl_linalg_cholesky_decomp1(normal);
    if (status == GSL_SUCCESS)
        status = gsl_linalg_cholesky_svx(normal, mean);
    for (size_t i = 0; i < sums->levels && status == GSL_SUCCESS; i++) {
        explained += out->mean[i] * gsl_vector_get(mean, i);
        out->mean[i] = gsl_vector_get(mean, i);
        out->log_determinants += 2 * log(gsl_matrix_get(normal, i, i));
    }
    out->rss = squares - explained;
    gsl_vector_free(mean);
    return status == GSL_SUCCESS && out->rss > 0;
}

/* Twice the negative restricted log likelihood, but for constants. */
static double deviance(const struct sums *sums, double theta, struct solved *room)
{
    if (!solve(sums, theta, room))
        return INFINITY;
    return ((double)sums->n - (double)sums->levels) * log(room->rss) + room->log_determinants;
}

struct search {
    const struct sums *sums;
    struct solved *room;
};

static double deviance_of_log(double log_theta, void *context)
{
    struct search *search = context;

    return deviance(search->sums, exp(log_theta), search->room);
}

static double best_theta(const struct sums *sums, struct solved *room)
{
    struct search search = { sums, room };
    double step = log(THETA_MOST / THETA_LEAST) / THETA_SCAN, low = log(THETA_LEAST), least = deviance(sums, 0, room);
    double theta = 0;
    int best = -1;

    for (int i = 0; i <= THETA_SCAN; i++) {
        double at = deviance_of_log(low + i * step, &search);

        if (at < least) {
            least = at;
            best = i;
        }
    }
    if (best < 0)
        return 0;
    theta = exp(low + best * step);
    if (best == THETA_SCAN)
        return theta;
    if (best == 0) /* between nothing and the first of the scan */
        return exp(brent_minimum(deviance_of_log, &search, low - 8, low, low + step, THETA_TOLERANCE, NULL));
    return exp(brent_minimum(deviance_of_log, &search, low + (best - 1) * step, low + best * step,
                             low + (best + 1) * step, THETA_TOLERANCE, NULL));
}

/* --- all --- */

/* F of blocks beside levels: fixed blocks are those of an endless theta. */
static double block_p(const struct sums *sums, double df_within, double df_blocks, struct solved *room)
{
    double alone, with;

    if (!(df_blocks > 0) || !(df_within > 0) || !solve(sums, 0, room))
        return NAN;
    alone = room->rss;
    if (!solve(sums, 1e7, room))
        return NAN;
    with = room->rss;
    return gsl_cdf_fdist_Q(fmax(0, alone - with) / df_blocks / (with / df_within), df_blocks, df_within);
}

static int fill(const struct layout *layout, const struct sums *sums, struct solved *room, struct layout_result *out,
                struct why *why)
{
    double theta, within, variance, middle = 0;
    size_t parts = find_parts(sums, out->part);
    double df = (double)sums->n - (double)sums->levels - (double)sums->blocks + (double)parts;

    if (!(df > 0))
        return why_set(why, -ENODATA, "too few cups: nothing is left beside levels and blocks");
    theta = best_theta(sums, room);
    out->block_p = block_p(sums, df, (double)sums->blocks - (double)parts, room);
    if (!solve(sums, theta, room))
        return why_set(why, -EDOM, "cups of one level do not differ at all: too good to be judged");
    within = (double)sums->n - (double)sums->levels;
    variance = room->rss / within;
    out->method = LAYOUT_BLOCKS;
    out->spread = sqrt(variance);
    out->between = sqrt(theta * variance);
    out->df = df;
    out->log_likelihood = -(within * (log(2 * M_PI * variance) + 1) + room->log_determinants) / 2;
    gsl_linalg_cholesky_invert(room->inverse);
    for (size_t i = 0; i < layout->n; i++)
        middle += (layout->value[i] - layout->value[0]) / (double)layout->n;
    for (size_t i = 0; i < sums->levels; i++) {
        out->mean[i] = room->mean[i] + middle + layout->value[0];
        out->own_df[i] = df;
        for (size_t j = 0; j < sums->levels; j++)
            out->covariance[i * sums->levels + j] = variance * gsl_matrix_get(room->inverse, i, j);
    }
    return 0;
}

int layout_blocks(const struct layout *layout, struct layout_result *out, struct why *why)
{
    gsl_error_handler_t *handler;
    struct layout_result result = { .levels = layout->levels, .n = layout->n, .alike_p = NAN, .days_p = NAN };
    struct solved room = { NULL, { 0 }, 0, 0 };
    struct sums sums;
    int error;

    if (layout->levels < 2 || layout->levels > LAYOUT_LEVELS || layout->n < 3)
        return why_set(why, -ENODATA, "all cups are at one level: nothing to compare");
    error = find_sums(layout, &sums);
    if (error)
        return why_set(why, error, error == -ENOMEM ? "not enough memory" : "one block only");
    handler = gsl_quiet_begin();
    room.inverse = gsl_matrix_alloc(layout->levels, layout->levels);
    result.blocks = sums.blocks;
    error = room.inverse ? fill(layout, &sums, &room, &result, why) : why_set(why, -ENOMEM, "not enough memory");
    if (room.inverse)
        gsl_matrix_free(room.inverse);
    gsl_quiet_end(handler);
    free(sums.count);
    if (!error)
        *out = result;
    return error;
}
