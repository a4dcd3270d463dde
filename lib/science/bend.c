/* Whether cups show where extraction ends; see poise/bend.h. */
#include "poise/bend.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "gsl_quiet.h"

/* Replicates scatter so little that the curve misses them: as sure as an interval. */
static const double MISFIT = 0.05;

static const double CONFIDENCE = 0.95; /* common practice, no source */

static double aicc_of(const struct kinetics_fit *fit, const struct kinetics_fit *other)
{
    return fmin(fit->aicc, other->n ? other->aicc : INFINITY);
}

static void find_lack(const double *t, const double *e, const int *level, size_t n, double spent,
                      const struct kinetics_fit *fit, const struct kinetics_fit *other, double *residual,
                      struct bend_verdict *out)
{
    for (size_t i = 0; i < n; i++)
        residual[i] = e[i] - kinetics_at(fit, t[i]);
    out->has_lack = shape_lack_of_fit(residual, level, n, fit->quick ? 3 : 2, spent, &out->lack) == 0;
    out->misfit = out->has_lack && out->lack.p < MISFIT;
    for (size_t i = 0; i < n; i++)
        residual[i] = e[i] - kinetics_at(other, t[i]);
    if (!other->n || n > BEND_SHAPES_MOST || shape_lack_of_fit(residual, level, n, 2, spent, &out->other_lack) < 0)
        out->other_lack.df = 0;
}

void bend_judge(const double *t, const double *e, const int *level, size_t n, double spent,
                const struct kinetics_fit *fit, const struct kinetics_fit *other, double share,
                struct bend_verdict *out)
{
    double *residual = science_malloc((n + 1) * sizeof *residual), longest_s = 0, matters;
    struct shape_fit rivals[SHAPE_COUNT];
    const struct shape_fit *rival;

    memset(out, 0, sizeof *out);
    if (residual)
        find_lack(t, e, level, n, spent, fit, other, residual, out);
    free(residual);
    if (!residual || n > BEND_SHAPES_MOST || shape_fit_all(t, e, n, spent, rivals) != 0)
        return;
    for (size_t i = 0; i < n; i++)
        longest_s = fmax(longest_s, t[i]);
    /* what creeps on until the longest steep must be less than what is missing at the share that is asked for */
    matters = (1 - share) * fit->value[KINETICS_PLATEAU] / longest_s;
    rival = shape_rival(rivals, n, spent, fit->rss, aicc_of(fit, other),
                        shape_creeps_p(t, e, n, spent, &rivals[SHAPE_CREEPING], matters), &out->rivalled);
    if (rival)
        out->rival = *rival;
}

/* The first cups of each level, as many as the level with the fewest has; their count. */
static size_t take_whole(const double *t, const double *e, const int *level, size_t n, double *t_out, double *e_out,
                         int *level_out, int *levels)
{
    size_t least = n, taken = 0;

    *levels = 0;
    for (size_t i = 0; i < n; i++) {
        size_t count = 0, before = 0;

        for (size_t j = 0; j < n; j++) {
            count += level[j] == level[i];
            before += j < i && level[j] == level[i];
        }
        *levels += before == 0;
        least = count < least ? count : least;
    }
    for (size_t i = 0; i < n; i++) {
        size_t before = 0;

        for (size_t j = 0; j < i; j++)
            before += level[j] == level[i];
        if (before >= least)
            continue;
        t_out[taken] = t[i];
        e_out[taken] = e[i];
        level_out[taken++] = level[i];
    }
    return taken;
}

static int fit_cups(const double *t, const double *e, const int *level, size_t n, int levels, double *room,
                    struct bend *out, struct why *why)
{
    const struct kinetics_question question = { QUANTITY_OF_SHARE, out->share, 0, 0 };
    struct kinetics_data data = { .t = t, .e = e, .n = n };
    struct kinetics_fit other;
    struct bend_verdict verdict;
    struct interval at;
    double longest_s = 0;
    int error = kinetics_gather(&data, room, &data);

    if (error)
        return why_set(why, error, "not enough memory for %zu cups", n);
    if ((error = kinetics_choose_planned(&data, levels, &out->fit, &other, why)) != 0)
        return error;
    if (!kinetics_identified(&data, &out->fit, CONFIDENCE))
        return why_set(why, -ENODATA, "%zu cups do not show where extraction ends: some longer ones would", n);
    bend_judge(t, e, level, n, 0, &out->fit, &other, out->share, &verdict);
    if (!out->fit.quick || verdict.misfit || verdict.rivalled)
        return why_set(why, -ENODATA, "%zu cups do not show where extraction ends: another shape follows them as well",
                       n);
    out->cups = n;
    out->at_s = kinetics_answer(&out->fit, &question);
    for (size_t i = 0; i < n; i++)
        longest_s = fmax(longest_s, t[i]);
    if (kinetics_interval(&data, &out->fit, &question, CONFIDENCE, &at) != 0 || !(at.high <= longest_s))
        out->at_s = NAN;
    return 0;
}

int bend_of_cups(const double *t, const double *e, const int *level, size_t n, double share, struct bend *out,
                 struct why *why)
{
    double *room = science_malloc(5 * (n + 1) * sizeof *room);
    int *levels_of = science_malloc((n + 1) * sizeof *levels_of), levels, error = -ENOMEM;
    struct bend bend = { .at_s = NAN, .share = share };

    if (room && levels_of) {
        size_t whole = take_whole(t, e, level, n, room, room + n, levels_of, &levels);

        error = fit_cups(room, room + n, levels_of, whole, levels, room + 2 * n, &bend, why);
    } else {
        why_set(why, error, "not enough memory for %zu cups", n);
    }
    free(room);
    free(levels_of);
    if (!error)
        *out = bend;
    return error;
}
