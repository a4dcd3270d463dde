/* Blind tasting: what so many right answers show, and what so few cannot.  Pure; proportions and
 * probabilities are 0 to 1; NAN where a question has no answer.
 *
 * Sources: ISO 4120 (triangle), ISO 5495 (paired comparison), ISO 8587 (ranking), ISO 10399
 * (duo-trio); Thurstonian models: Ennis, The power of sensory discrimination methods, Journal of
 * Sensory Studies 8, 1993; Bradley, Some relationships among sensory difference tests,
 * Biometrics 19, 1963; Ennis, Ennis, Palen and O'Mahony, A new approach to testing for differences:
 * the tetrad, 2011 (from memory); replicated tests: Ennis and Bi, The beta-binomial model, Journal of
 * Sensory Studies 13, 1998 (from memory); exact binomial intervals: Clopper and Pearson, Biometrika 26,
 * 1934; looks before the end: Lan and DeMets, Discrete sequential boundaries, Biometrika 70, 1983. */
#ifndef POISE_DISCRIMINATION_H
#define POISE_DISCRIMINATION_H

#include <stdbool.h>
#include <stddef.h>

#include "poise/interval.h"
#include "poise/tasting_method.h"

#pragma GCC visibility push(default)

/* Probability of a right answer by luck: 1/3, 1/10, 1/2, 1/3; 1/2 for the two comparisons of a pair; NAN for
 * ranking and degree. */
double tasting_chance(enum tasting_method method);

/* Probability of `correct` or more right answers in n by luck alone; for the comparisons of a pair, of
 * a split at least as uneven, either way.  NAN when correct > n, and where there is no chance. */
double tasting_p(enum tasting_method method, unsigned correct, unsigned n);

/* Least number right in n that is significant at alpha; 0: even n right would not be. */
unsigned tasting_critical(enum tasting_method method, unsigned n, double alpha);

/* Most right answers in n with which "the same" is earned: were a share `limit` able to tell the cups apart, so
 * few would be right with a probability of beta at most (the procedure of ISO 4120 for similarity; exact
 * binomial).  -1: no count shows it. */
int tasting_most_alike(enum tasting_method method, unsigned n, double limit, double beta);

/* Probability that n tastings show a difference at alpha when a share of the tasters (or of the
 * tastings of one taster) really distinguish the cups and the rest guess.  For the comparisons of a pair
 * the share is how far the favoured side lies above one half, doubled. */
double tasting_power(enum tasting_method method, unsigned n, double alpha, double share);

/* First n at which the power is reached (it is a sawtooth), and first from which it stays reached
 * for all n up to most_n.  Each is 0 where there is none; either pointer may be NULL. */
void tasting_needed(enum tasting_method method, double alpha, double power, double share, unsigned most_n,
                    unsigned *n_first, unsigned *n_stays);

/* The least power among n, n + 1, ... up to twice n and 20 more: what n sets promise on the lower side of the
 * sawtooth. */
double tasting_power_floor(enum tasting_method method, unsigned n, double alpha, double share);

/* The least share of discriminators that n tastings would show at alpha with this power, to 1e-6;
 * NAN when not even all of them. */
double tasting_smallest_share(enum tasting_method method, unsigned n, double alpha, double power);

/* Share of discriminators (p_c - chance) / (1 - chance), cut at 0. */
double tasting_share(enum tasting_method method, double proportion_correct);

/* Exact (Clopper-Pearson) interval of a proportion, for a confidence such as 0.95. */
struct interval proportion_interval(unsigned correct, unsigned n, double confidence);

/* Probability of `correct` or more of n when each comes with probability p. */
double proportion_tail(unsigned correct, unsigned n, double p);

/* Proportion right at a sensory difference of d' (>= 0) standard deviations, equal variances; for the comparisons
 * of a pair the proportion of the favoured side.  Two-out-of-five: the taster takes the median of the five with
 * whichever neighbour lies closer (this rule is ours; no published table was at hand).  NAN for ranking and
 * degree. */
double tasting_proportion(enum tasting_method method, double dprime);

/* d' of a proportion right: 0 at or below chance, INFINITY at 1. */
double tasting_dprime(enum tasting_method method, double proportion_correct);

/* Looking before the end.  After `answered[0] < answered[1] < ...` of `planned` sets somebody looked, or looks.
 * Fills bound[k] with the least number right that shows a difference at that look (0: none can), so that pure
 * guessing crosses any of them with a probability of alpha at most: exact, one-sided, with the spending function
 * of O'Brien-Fleming kind 2 - 2 Phi(z(alpha/2) / sqrt(share answered)) (Lan and DeMets).  The last look at the
 * planned end may spend what is left.  Returns the alpha spent by then, or NAN (no right answer, no memory, or
 * not ascending). */
double tasting_look_bounds(enum tasting_method method, double alpha, const unsigned *answered, size_t looks,
                           unsigned planned, unsigned *bound);

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

/* What the proportion is over people, of whom these tasters are a sample: the beta-binomial's profile likelihood,
 * held against F with 1 and tasters - 1 degrees of freedom (people are few).  Both ends NAN with fewer than 3 tasters,
 * or none with two tastings. */
struct interval tasting_panel_interval(const unsigned *correct, const unsigned *n, size_t tasters, double confidence);

/* Are the differences about 0?  Exact: each may as well have had the other sign (Fisher's randomization).  One-sided
 * for a positive sum, or two-sided.  A taster's differences come summed: repeats of one taster are one difference.
 * 1 without any; NAN when memory is short. */
double sign_flip_p(const int *difference, size_t count, bool two_sided);

/* Friedman's test of `tasters` rankings of `cups` cups: ranks[taster * cups + cup], each row a
 * permutation of 1 to cups. */
struct ranking_result {
    double chi_square; /* Friedman's */
    double p; /* exact for up to 50,000 ways to rank, else by 20,000 random ones (then valid too, at 1/20,001 steps) */
    double page_l, page_p; /* Page's L for the order in which the cups are given, exact one-sided for up to
                            * 7 cups and 60 tasters, else by the normal approximation */
};

/* Returns 0, or -EINVAL when a row is no permutation, -ERANGE with fewer than 2 tasters, fewer than
 * 3 cups or more than 10, -ENOMEM. */
int ranking_test(const unsigned char *ranks, size_t tasters, size_t cups, struct ranking_result *out);

/* The same for rows of mid-ranks, doubled so that ties are whole numbers; Friedman's corrected for ties; no Page. */
int ranking_test_ties(const unsigned char *doubled_ranks, size_t tasters, size_t cups, double *chi_square, double *p);

/* Power of Friedman's test of n rankings when first and last cup lie `dprime` apart and the others evenly between:
 * 2,000 simulated panels with fixed seed (standard error at most 0.011). */
double ranking_power(unsigned n, unsigned cups, double alpha, double dprime);

/* n paired ratings with mean difference and standard deviation of the differences: d' = sqrt(2) mean / deviation
 * and its interval by the noncentral t (ratings taken as normal).  Both NAN for n < 2 or no deviation. */
double rating_dprime(double mean, double deviation);
struct interval rating_dprime_interval(double mean, double deviation, unsigned n, double confidence);

/* Power of n paired ratings at d', one-sided, by the noncentral t. */
double rating_power(unsigned n, double alpha, double dprime);

#pragma GCC visibility pop

#endif
