/* Analysis of variance as a comparison of models: what a source explains is what leaving it out costs.
 * So unequal counts, empty cells and blocks need no formulas of their own. */
#include "poise/comparison.h"

#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* A column whose part outside the others is below this share of its length says nothing new: columns
 * are zeros and ones, so what is really new is never so small. */
static const double DEPENDENT = 1e-8;

struct model {
    double *basis;              /* orthonormal columns of length n, rank of them, and room for the next */
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
        double *basis = realloc(model->basis, 2 * model->room * model->n * sizeof *basis);

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
static void add_factor(struct model *model, const int *a, const int *b)
{
    for (size_t first = 0; first < model->n && model->rank < model->n; first++) {
        double *column = model->basis + model->rank * model->n;
        bool met = false;

        for (size_t i = 0; i < first && !met; i++)
            met = a[i] == a[first] && (!b || b[i] == b[first]);
        if (met)
            continue;
        for (size_t i = 0; i < model->n; i++)
            column[i] = a[i] == a[first] && (!b || b[i] == b[first]);
        add_column(model);
    }
}

enum { WITH_A = 1, WITH_B = 2, WITH_INTERACTION = 4, WITH_BLOCK = 8 };

/* Residual sum of squares of the model with these sources; its rank in *rank. */
static double rss_of(const struct anova_data *data, int sources, struct model *model, double *residual, size_t *rank)
{
    model->rank = 0;
    for (size_t i = 0; i < data->n; i++)
        model->basis[i] = 1;
    add_column(model);
    if (sources & WITH_BLOCK)
        add_factor(model, data->block, NULL);
    if (sources & WITH_A)
        add_factor(model, data->a, NULL);
    if (sources & WITH_B)
        add_factor(model, data->b, NULL);
    if (sources & WITH_INTERACTION)
        add_factor(model, data->a, data->b);
    memcpy(residual, data->value, data->n * sizeof *residual);
    take_out(model, residual);
    *rank = model->rank;
    return product(residual, residual, data->n);
}

static void fill_line(struct anova *out, enum anova_source source, double rss_with, size_t rank_with, double rss_without,
                      size_t rank_without)
{
    struct anova_line *line = &out->line[source];

    line->df = rank_with - rank_without;
    if (!line->df)
        return;
    line->ss = fmax(0, rss_without - rss_with);
    line->f = line->ss / (double)line->df / (out->rss / (double)out->df);
    line->p = gsl_cdf_fdist_Q(line->f, (double)line->df, (double)out->df);
}

static int analyse(const struct anova_data *data, struct model *model, double *residual, struct anova *out,
                   struct why *why)
{
    int block = data->block ? WITH_BLOCK : 0, b = data->b ? WITH_B : 0, additive = block | WITH_A | b;
    double rss, total, rss_additive;
    size_t rank, rank_additive, rank_total;

    memset(out, 0, sizeof *out);
    out->rss = rss_of(data, additive | (b ? WITH_INTERACTION : 0), model, residual, &rank);
    if (model->short_of_memory)
        return why_set(why, -ENOMEM, "not enough memory");
    if (rank >= data->n)
        return why_set(why, -ENODATA, "one cup per level: nothing tells how much cups of one level differ");
    out->df = data->n - rank;
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

int compare_anova(const struct anova_data *data, struct anova *out, struct why *why)
{
    struct model model = { .n = data->n, .room = 16 };
    struct anova result;
    double *residual;
    int error;

    for (size_t i = 0; i < data->n; i++)
        if (!isfinite(data->value[i]))
            return why_set(why, -EINVAL, "cup %zu has no usable value", i + 1);
    if (data->n < 3)
        return why_set(why, -ENODATA, "%zu cups: too few to compare", data->n);
    model.basis = malloc(model.room * data->n * sizeof *model.basis);
    residual = malloc(data->n * sizeof *residual);
    error = model.basis && residual ? analyse(data, &model, residual, &result, why)
                                    : why_set(why, -ENOMEM, "not enough memory");
    free(model.basis);
    free(residual);
    if (!error)
        *out = result;
    return error;
}

int compare_tukey(const struct level *a, const struct level *b, size_t levels, double spread, double df,
                  double confidence, struct difference *out)
{
    double half;
    int error = compare_with_spread(a, b, spread, df, confidence, out);

    if (error)
        return error;
    if (levels < 2 || df < 1)
        return -ENODATA;
    half = studentized_range_quantile(confidence, levels, df) / M_SQRT2 * out->standard_error;
    out->interval = (struct interval){ out->difference - half, out->difference + half };
    out->p = studentized_range_p(fabs(out->t) * M_SQRT2, levels, df);
    return 0;
}
