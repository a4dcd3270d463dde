/* Analysis of variance as a comparison of models: what a source explains is what leaving it out costs.
 * So unequal counts, empty cells and blocks need no formulas of their own. */
#include "poise/comparison.h"

#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "gsl_quiet.h"

/* A column whose part outside the others is below this share of its length says nothing new: columns
 * are zeros and ones, so what is really new is never so small. */
static const double DEPENDENT = 1e-8;

/* Cups of one cell (levels and block) are distinguished by nothing: the model sees their mean, `weight` times; what
 * they scatter within cells no model explains. */
struct cells {
    double *mean, *root_weight; /* the square root of how many cups it is */
    int *a, *b, *block;         /* b, block: NULL where there are none */
    size_t n, cups;
    double within; /* sum of squares about the means */
};

struct model {
    double *basis; /* orthonormal columns of length n, rank of them, and room for the next */
    size_t n, rank, room;
    bool short_of_memory;
};

static double product(const double *a, const double *b, size_t n)
{
    double sum = 0;

    for (size_t i = 0; i < n; i++)
        sum += a[i] * b[i];
    return sum;
}

/* Takes out of a column what the model explains already (twice: rounding, Kahan and Parlett's rule). */
static void take_out(const struct model *model, double *column)
{
    for (int pass = 0; pass < 2; pass++)
        for (size_t j = 0; j < model->rank; j++) {
            const double *direction = model->basis + j * model->n;
            double share = product(direction, column, model->n);

            for (size_t i = 0; i < model->n; i++)
                column[i] -= share * direction[i];
        }
}

/* The column is put at the end of the basis and stays when it is new. */
static void add_column(struct model *model)
{
    double *column = model->basis + model->rank * model->n;
    double before = sqrt(product(column, column, model->n)), after;

    take_out(model, column);
    after = sqrt(product(column, column, model->n));
    if (!(after > DEPENDENT * before))
        return;
    for (size_t i = 0; i < model->n; i++)
        column[i] /= after;
    if (model->rank + 2 > model->room) {
        double *basis = science_realloc(model->basis, 2 * model->room * model->n * sizeof *basis);

        if (!basis) {
            model->short_of_memory = true;
            return;
        }
        model->basis = basis;
        model->room *= 2;
    }
    model->rank++;
}

/* One column for each level that is met (and, for an interaction, each pair of levels). */
static void add_factor(struct model *model, const double *root_weight, const int *a, const int *b)
{
    for (size_t first = 0; first < model->n && model->rank < model->n; first++) {
        double *column = model->basis + model->rank * model->n;
        bool met = false;

        for (size_t i = 0; i < first && !met; i++)
            met = a[i] == a[first] && (!b || b[i] == b[first]);
        if (met)
            continue;
        for (size_t i = 0; i < model->n; i++)
            column[i] = a[i] == a[first] && (!b || b[i] == b[first]) ? root_weight[i] : 0;
        add_column(model);
    }
}

enum { WITH_A = 1, WITH_B = 2, WITH_INTERACTION = 4, WITH_BLOCK = 8 };

/* Residual sum of squares of the model with these sources; its rank in *rank. */
static double rss_of(const struct cells *cells, int sources, struct model *model, double *residual, size_t *rank)
{
    model->rank = 0;
    memcpy(model->basis, cells->root_weight, cells->n * sizeof *model->basis);
    add_column(model);
    if (sources & WITH_BLOCK)
        add_factor(model, cells->root_weight, cells->block, NULL);
    if (sources & WITH_A)
        add_factor(model, cells->root_weight, cells->a, NULL);
    if (sources & WITH_B)
        add_factor(model, cells->root_weight, cells->b, NULL);
    if (sources & WITH_INTERACTION)
        add_factor(model, cells->root_weight, cells->a, cells->b);
    for (size_t i = 0; i < cells->n; i++)
        residual[i] = cells->root_weight[i] * cells->mean[i];
    take_out(model, residual);
    *rank = model->rank;
    return product(residual, residual, cells->n) + cells->within;
}

static void fill_line(struct anova *out, enum anova_source source, double rss_with, size_t rank_with,
                      double rss_without, size_t rank_without)
{
    struct anova_line *line = &out->line[source];

    line->df = rank_with - rank_without;
    if (!line->df)
        return;
    line->ss = fmax(0, rss_without - rss_with);
    line->f = line->ss / (double)line->df / (out->rss / (double)out->df);
    line->p = gsl_cdf_fdist_Q(line->f, (double)line->df, (double)out->df);
}

static int analyse(const struct cells *data, struct model *model, double *residual, struct anova *out, struct why *why)
{
    int block = data->block ? WITH_BLOCK : 0, b = data->b ? WITH_B : 0, additive = block | WITH_A | b;
    double rss, total, rss_additive;
    size_t rank, rank_additive, rank_total;

    memset(out, 0, sizeof *out);
    out->rss = rss_of(data, additive | (b ? WITH_INTERACTION : 0), model, residual, &rank);
    if (model->short_of_memory)
        return why_set(why, -ENOMEM, "not enough memory");
    if (rank >= data->cups)
        return why_set(why, -ENODATA, "one cup per level: nothing shows how much cups of one level differ");
    out->df = data->cups - rank;
    total = rss_of(data, 0, model, residual, &rank_total);
    if (!(out->rss > 1e-20 * total))
        return why_set(why, -EDOM, "cups of one level do not differ at all: too good to be judged");
    out->spread = sqrt(out->rss / (double)out->df);
    rss_additive = rss_of(data, additive, model, residual, &rank_additive);
    fill_line(out, ANOVA_INTERACTION, out->rss, rank, rss_additive, rank_additive);
    rss = rss_of(data, additive & ~WITH_A, model, residual, &rank);
    fill_line(out, ANOVA_A, rss_additive, rank_additive, rss, rank);
    if (b) {
        rss = rss_of(data, additive & ~WITH_B, model, residual, &rank);
        fill_line(out, ANOVA_B, rss_additive, rank_additive, rss, rank);
    }
    if (block) {
        rss = rss_of(data, additive & ~WITH_BLOCK, model, residual, &rank);
        fill_line(out, ANOVA_BLOCK, rss_additive, rank_additive, rss, rank);
    }
    return out->line[ANOVA_A].df ? 0 : why_set(why, -ENODATA, "all cups are at one level: nothing to compare");
}

struct cup {
    int a, b, block;
    double value;
};

static int by_cell(const void *first, const void *second)
{
    const struct cup *one = first, *other = second;

    if (one->a != other->a)
        return one->a < other->a ? -1 : 1;
    if (one->b != other->b)
        return one->b < other->b ? -1 : 1;
    return (one->block > other->block) - (one->block < other->block);
}

static int gather(const struct anova_data *data, struct cells *out)
{
    struct cup *cups = science_malloc(data->n * sizeof *cups);

    out->mean = science_malloc(2 * data->n * sizeof *out->mean);
    out->a = science_malloc(3 * data->n * sizeof *out->a);
    if (!cups || !out->mean || !out->a) {
        free(cups);
        return -ENOMEM;
    }
    out->root_weight = out->mean + data->n;
    out->b = data->b ? out->a + data->n : NULL;
    out->block = data->block ? out->a + 2 * data->n : NULL;
    out->cups = data->n;
    /* measured from the first: nothing is explained of what all have, and cups all alike give zero exactly */
    for (size_t i = 0; i < data->n; i++)
        cups[i] = (struct cup){ data->a[i], data->b ? data->b[i] : 0, data->block ? data->block[i] : 0,
                                data->value[i] - data->value[0] };
    qsort(cups, data->n, sizeof *cups, by_cell);
    for (size_t i = 0, end; i < data->n; i = end, out->n++) {
        double mean = 0;

        for (end = i; end < data->n && by_cell(&cups[i], &cups[end]) == 0; end++)
            mean += cups[end].value;
        mean /= (double)(end - i);
        for (size_t j = i; j < end; j++)
            out->within += (cups[j].value - mean) * (cups[j].value - mean);
        out->mean[out->n] = mean;
        out->root_weight[out->n] = sqrt((double)(end - i));
        out->a[out->n] = cups[i].a;
        if (out->b)
            out->b[out->n] = cups[i].b;
        if (out->block)
            out->block[out->n] = cups[i].block;
    }
    free(cups);
    return 0;
}

int compare_anova(const struct anova_data *data, struct anova *out, struct why *why)
{
    struct cells cells = { .n = 0 };
    struct model model = { .room = 16 };
    struct anova result;
    double *residual = NULL;
    int error;

    for (size_t i = 0; i < data->n; i++)
        if (!isfinite(data->value[i]))
            return why_set(why, -EINVAL, "cup %zu has no usable value", i + 1);
    if (data->n < 3)
        return why_set(why, -ENODATA, "%zu cups: too few to compare", data->n);
    error = gather(data, &cells);
    model.n = cells.n;
    if (!error) {
        model.basis = science_malloc(model.room * cells.n * sizeof *model.basis);
        residual = science_malloc(cells.n * sizeof *residual);
    }
    error = model.basis && residual ? analyse(&cells, &model, residual, &result, why)
                                    : why_set(why, -ENOMEM, "not enough memory");
    free(model.basis);
    free(residual);
    free(cells.mean);
    free(cells.a);
    if (!error)
        *out = result;
    return error;
}

int compare_tukey_of(double difference, double standard_error, size_t levels, double df, double quantile,
                     struct difference *out)
{
    double half = quantile / M_SQRT2 * standard_error;

    if (levels < 2 || !(df >= 1))
        return -ENODATA;
    if (!(standard_error > 0))
        return -EDOM;
    *out = (struct difference){ .difference = difference,
                                .standard_error = standard_error,
                                .df = df,
                                .t = difference / standard_error,
                                .interval = { difference - half, difference + half } };
    out->p = studentized_range_p(fabs(out->t) * M_SQRT2, levels, df);
    return 0;
}

int compare_tukey(const struct level *a, const struct level *b, size_t levels, double spread, double df,
                  double quantile, struct difference *out)
{
    if (!a->n || !b->n || isnan(spread))
        return -ENODATA;
    return compare_tukey_of(a->mean - b->mean, spread * sqrt(1 / (double)a->n + 1 / (double)b->n), levels, df, quantile,
                            out);
}
