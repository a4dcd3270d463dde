/* Levels compared as they were designed: with or without blocks, each with its own spread or all with one.
 * Pure; values in any unit, probabilities 0 to 1; NAN where a question has no answer.
 *
 * Sources: blocks as random effects by restricted maximum likelihood: Patterson & Thompson, Biometrika 58, 1971, with
 * degrees of freedom by containment as in Pinheiro & Bates, Mixed-Effects Models in S and S-PLUS, 2000; levels with
 * unequal spreads: Games & Howell, Journal of Educational Statistics 1, 1976; equal spreads: Bartlett, Proc. R. Soc.
 * A 160, 1937; several questions together: Holm, Scandinavian Journal of Statistics 6, 1979 (cited from memory). */
#ifndef POISE_LAYOUT_H
#define POISE_LAYOUT_H

#include <stdbool.h>
#include <stddef.h>

#include "poise/comparison.h"
#include "poise/interval.h"
#include "poise/why.h"

#pragma GCC visibility push(default)

enum { LAYOUT_LEVELS = 24 };

struct layout {
    const double *value;
    const int *level; /* 0 .. levels - 1, each met */
    const int *block; /* any numbers; NULL: none */
    size_t n, levels;
    const int *day; /* cups of one day, bench or bag, of which the levels' differences may differ; NULL: not known */
    bool factorial; /* the levels combine two factors, of which little is asked: blocks always count */
    double spread,
        spread_df; /* of cups meant to be alike, known from elsewhere, for levels of one cup; df 0: unknown */
};

enum layout_method {
    LAYOUT_NONE,     /* nothing shows how much cups of one level differ */
    LAYOUT_SEPARATE, /* each level by its own spread: Welch, Games and Howell */
    LAYOUT_POOLED,   /* one spread for all levels */
    LAYOUT_BLOCKS,   /* one spread, blocks as random effects */
    LAYOUT_DAYS,     /* as blocks, by the means of each day: what the levels do differs from day to day */
    LAYOUT_BORROWED  /* one cup a level: the spread known from elsewhere */
};

struct layout_result {
    enum layout_method method;
    size_t levels, n, blocks;
    double mean[LAYOUT_LEVELS];                       /* with the blocks taken out, where there are any */
    double covariance[LAYOUT_LEVELS * LAYOUT_LEVELS]; /* of the means */
    double own_df[LAYOUT_LEVELS];                     /* of each level's spread, where they are separate */
    double spread, df;                                /* of one cup; the pooled one where they are separate */
    double between;                                   /* standard deviation of blocks; NAN: none */
    double block_p;                                   /* do blocks differ at all (F); NAN: none */
    double days_p;                                    /* do their differences differ between days (F) */
    double alike_p;                                   /* do levels scatter alike (Bartlett); NAN: not known */
    double log_likelihood;                            /* restricted, with blocks */
    int part[LAYOUT_LEVELS]; /* levels of different parts never met in one block: their difference is the blocks' */
};

/* Analyses the layout by the method that holds for it.  Two levels of at least two cups, or more of at least three,
 * each keep their own spread, unless there are blocks: those of two levels always count, those of more where they
 * differ.  Where three days or more have several cups of each level, and their differences seem to differ from day to
 * day, days are the cups.  Returns 0; -ENODATA with fewer than two levels or no spread at all; -EDOM when nothing
 * scatters; -ENOMEM. */
int layout_analyse(const struct layout *layout, struct layout_result *out, struct why *why);

/* The same by restricted maximum likelihood, whatever the blocks show. */
int layout_blocks(const struct layout *layout, struct layout_result *out, struct why *why);

/* The sum of weight[i] * mean[i], where the weights add up to zero, with a t's interval. */
int layout_contrast(const struct layout_result *result, const double *weight, double confidence,
                    struct difference *out);

/* mean[a] - mean[b], with interval and p that hold for all pairs of `together` levels at once: 2 is this pair alone.
 * Returns 0; -ENODATA where the two never met in one block. */
int layout_pair(const struct layout_result *result, size_t a, size_t b, size_t together, double confidence,
                struct difference *out);

/* p of several questions so that any of them together is wrongly answered yes no more often than alpha (Holm): in
 * place; a NAN is no question.  weight[i] is a question's share of alpha; NULL: all alike. */
void holm_adjust(double *p, const double *weight, size_t count);

/* The confidence at which each interval agrees with its Holm verdict at `confidence`. */
void holm_confidence(const double *p, const double *weight, size_t count, double confidence, double *out);

#pragma GCC visibility pop

#endif
