/* Blind tasting: what so many right answers show, and what so few cannot.  Pure; proportions and
 * probabilities are 0 to 1; NAN where a question has no answer.
 *
 * Sources: ISO 4120 (triangle), ISO 5495 (paired comparison), ISO 8587 (ranking), ISO 10399
 * (duo-trio); Thurstonian models: Ennis, The power of sensory discrimination methods, Journal of
 * Sensory Studies 8, 1993, and Bradley, Some relationships among sensory difference tests,
 * Biometrics 19, 1963; replicated tests: Ennis and Bi, The beta-binomial model, Journal of Sensory
 * Studies 13, 1998 (cited from memory); exact binomial intervals: Clopper and Pearson, Biometrika 26,
 * 1934; Page, Ordered hypotheses for multiple treatments, JASA 58, 1963. */
#ifndef POISE_DISCRIMINATION_H
#define POISE_DISCRIMINATION_H

#include <stddef.h>

#include "poise/tasting_method.h"

#pragma GCC visibility push(default)

/* Probability of a right answer by luck: 1/3, 1/10, 1/2, 1/2; NAN for ranking. */
double tasting_chance(enum tasting_method method);

/* Probability of `correct` or more right answers in n by luck alone; for the paired preference, of
 * a split at least as uneven, either way.  NAN when correct > n or for ranking. */
double tasting_p(enum tasting_method method, unsigned correct, unsigned n);

/* Least number right in n that is significant at alpha; 0: even n right would not be. */
unsigned tasting_critical(enum tasting_method method, unsigned n, double alpha);

/* Probability that n tastings show a difference at alpha when a share of the tasters (or of the
 * tastings of one taster) truly tell the cups apart and the rest guess.  For the paired preference
 * the share is how far the preferred side lies above one half, doubled. */
double tasting_power(enum tasting_method method, unsigned n, double alpha, double share);

/* First n at which the power is reached (it is a sawtooth), and first from which it stays reached
 * for all n up to most_n.  Each is 0 where there is none; either pointer may be NULL. */
void tasting_needed(enum tasting_method method, double alpha, double power, double share, unsigned most_n,
                    unsigned *n_first, unsigned *n_stays);

/* The least share of discriminators that n tastings would show at alpha with this power, to 1e-6;
 * NAN when not even all of them. */
double tasting_smallest_share(enum tasting_method method, unsigned n, double alpha, double power);

/* Share of discriminators (p_c - chance) / (1 - chance), cut at 0. */
double tasting_share(enum tasting_method method, double proportion_correct);

struct tasting_interval {
    double low, high;
};

/* Exact (Clopper-Pearson) interval of a proportion, for a confidence such as 0.95. */
struct tasting_interval proportion_interval(unsigned correct, unsigned n, double confidence);

/* Probability of `correct` or more of n when each comes with probability p. */
double proportion_tail(unsigned correct, unsigned n, double p);

/* Proportion right at a sensory difference of d' (>= 0) standard deviations: triangle, duo-trio and
 * paired (as 2-AFC); NAN for the others, whose integral is not offered. */
double tasting_proportion(enum tasting_method method, double dprime);

/* d' of a proportion right: 0 at or below chance, INFINITY at 1. */
double tasting_dprime(enum tasting_method method, double proportion_correct);

/* Several tasters, each with several tastings: repeats of one taster are not new tasters.
 * Maximum likelihood of the beta-binomial model. */
struct tasting_panel {
    double mean;    /* proportion right over tasters */
    double gamma;   /* 0: tasters alike (binomial); towards 1: some always right, others never */
    double u_mean;  /* standard uncertainty of mean, from the curvature; NAN when mean is 0 or 1 */
    double p;       /* one-sided: mean above chance, likelihood ratio */
    double p_alike; /* likelihood ratio: tasters alike (boundary, half a chi-square) */
};

/* correct[i] right of n[i] for each of `tasters` (at least 2).  Returns 0, or -EINVAL when there
 * are fewer than two tasters, a correct above its n, or none with two tastings. */
int tasting_panel_fit(enum tasting_method method, const unsigned *correct, const unsigned *n, size_t tasters,
                      struct tasting_panel *out);

/* Friedman's test of `tasters` rankings of `cups` cups: ranks[taster * cups + cup], each row a
 * permutation of 1 to cups. */
struct ranking_result {
    double chi_square, p;  /* Friedman, chi-square with cups - 1 degrees of freedom */
    double page_l, page_p; /* Page's L for the order in which the cups are given, exact one-sided for up to
                            * 7 cups and 60 tasters, else by the normal approximation */
};

/* Returns 0, or -EINVAL when a row is no permutation, -ERANGE with fewer than 2 tasters, fewer than
 * 3 cups or more than 10, -ENOMEM. */
int ranking_test(const unsigned char *ranks, size_t tasters, size_t cups, struct ranking_result *out);

#pragma GCC visibility pop

#endif
