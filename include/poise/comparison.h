/* Comparing cups: differences with their intervals, analysis of variance, equality within a margin,
 * and what so few cups could not have shown.  Pure; values in any unit, probabilities 0 to 1; NAN
 * where a question has no answer.
 *
 * Sources: Welch, Biometrika 34, 1947; Satterthwaite, Biometrics Bulletin 2, 1946; analysis of
 * variance by extra sums of squares (type II for unequal counts): Searle, Linear Models, 1971;
 * Tukey-Kramer: Kramer, Biometrics 12, 1956; equivalence by two one-sided tests: Schuirmann, Journal
 * of Pharmacokinetics and Biopharmaceutics 15, 1987 (all cited from memory). */
#ifndef POISE_COMPARISON_H
#define POISE_COMPARISON_H

#include <stdbool.h>
#include <stddef.h>

#include "poise/interval.h"
#include "poise/why.h"

#pragma GCC visibility push(default)

/* --- one level --- */

/* The cups of one level. */
struct sample {
    const double *value;
    size_t n;
};

double sample_mean(struct sample sample);      /* NAN for none */
double sample_deviation(struct sample sample); /* standard deviation, n - 1; NAN for fewer than two */

/* A mean with the spread it is judged by: its own, or a pooled one. */
struct level {
    double mean;
    size_t n;
    double spread; /* standard deviation of one cup; NAN: not known */
    double df;     /* of the spread */
};

/* A level judged by its own cups. */
struct level level_of(struct sample sample);

/* Interval of the level's mean; NAN bounds when its spread is not known. */
struct interval level_interval(const struct level *level, double confidence);

/* --- two levels --- */

struct difference {
    double difference; /* a - b */
    struct interval interval;
    double standard_error, df;
    double t, p; /* two-sided */
};

/* Welch's t: each level has its own spread.  Returns 0; -ENODATA when a level has fewer than two cups
 * (no spread, no p); -EDOM when no cup differs from another of its level. */
int compare_welch(struct sample a, struct sample b, double confidence, struct difference *out);

/* Both levels judged by one spread (pooled within the experiment, or the bench's own repeats).
 * Returns 0, -ENODATA without cups or spread, -EDOM when the spread is zero. */
int compare_with_spread(const struct level *a, const struct level *b, double spread, double df, double confidence,
                        struct difference *out);

/* Are they the same within a margin?  The larger p of two one-sided tests. */
struct equivalence {
    struct interval interval; /* the 1 - 2 alpha one that must lie inside -margin .. margin */
    double p;
    bool equal;
};
double equivalence_p(const struct difference *difference, double margin);

/* --- several levels, one or two factors, with or without blocks --- */

struct anova_data {
    const double *value;
    const int *a;     /* level of the first factor, any numbers */
    const int *b;     /* of the second; NULL: one factor */
    const int *block; /* NULL: none */
    size_t n;
};

enum anova_source { ANOVA_A, ANOVA_B, ANOVA_INTERACTION, ANOVA_BLOCK, ANOVA_SOURCES };

struct anova {
    struct anova_line {
        double ss; /* 0, with df 0, where the source is not in the model or not estimable */
        size_t df;
        double f, p;
    } line[ANOVA_SOURCES];
    double rss;
    size_t df;
    double spread; /* residual standard deviation: what one cup scatters */
};

/* Each main effect is adjusted for the other and for blocks, the interaction for all.  Returns 0;
 * -ENODATA when no degree of freedom is left for the residual or the first factor has one level; -EDOM
 * when nothing scatters; -EINVAL for a value that is not finite; -ENOMEM. */
int compare_anova(const struct anova_data *data, struct anova *out, struct why *why);

/* Tukey's honestly significant difference of two of `levels` levels, by the residual spread: interval
 * and p hold for all pairs together.  `quantile` is studentized_range_quantile(confidence, levels, df): it takes
 * time and is the same for all pairs. */
int compare_tukey(const struct level *a, const struct level *b, size_t levels, double spread, double df,
                  double quantile, struct difference *out);

/* The same of a difference whose standard error is known.  Returns 0; -ENODATA with too few levels or degrees of
 * freedom, -EDOM when the standard error is zero. */
int compare_tukey_of(double difference, double standard_error, size_t levels, double df, double quantile,
                     struct difference *out);

/* Studentized range: P(Q > q) for k means and df (INFINITY: known spread), and its inverse, to some
 * nine digits.  NAN for k < 2, df < 1. */
double studentized_range_p(double q, size_t k, double df);
double studentized_range_quantile(double p_below, size_t k, double df);

/* --- what so few cups could have shown --- */

/* Probability that a true difference is shown at alpha (two-sided) by n_a and n_b cups. */
double power_of_difference(double difference, double spread, size_t n_a, size_t n_b, double df, double alpha);

#pragma GCC visibility pop

#endif
