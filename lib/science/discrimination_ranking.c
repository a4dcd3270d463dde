/* Rankings: Friedman's and Page's tests; see discrimination.h. */
#include "poise/discrimination.h"

#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "gsl_quiet.h"

enum {
    PAGE_EXACT_CUPS = 7, /* 7! orders are listed in a millisecond */
    PAGE_EXACT_TASTERS = 60,
    MOST_CUPS = 10,
    EVERY_ORDER = 50000, /* a hundredth of a second */
    RANDOM_ORDERS = 20000
};

static bool is_permutation(const unsigned char *ranks, size_t cups)
{
    unsigned seen = 0;

    for (size_t cup = 0; cup < cups; cup++) {
        if (ranks[cup] < 1 || ranks[cup] > cups)
            return false;
        seen |= 1u << ranks[cup];
    }
    return seen == (1u << (cups + 1)) - 2;
}

/* Counts, for every L, the orders of the remaining cups that give it. */
static void list_orders(size_t cup, size_t cups, unsigned used, size_t sum, double *ways)
{
    if (cup > cups) {
        ways[sum]++;
        return;
    }
    for (size_t rank = 1; rank <= cups; rank++)
        if (!(used & 1u << rank))
            list_orders(cup + 1, cups, used | 1u << rank, sum + cup * rank, ways);
}

/* P(L >= observed) when all orders are alike for every taster: the distribution of one taster,
 * folded with itself.  NAN: no memory. */
static double page_exact(size_t observed, size_t tasters, size_t cups)
{
    size_t most = cups * (cups + 1) * (2 * cups + 1) / 6; /* ranked exactly as asked */
    double *one = science_calloc(most + 1, sizeof *one), *all = science_calloc(tasters * most + 1, sizeof *all);
    double *next = science_calloc(tasters * most + 1, sizeof *next), orders = 0, tail = 0;

    if (!one || !all || !next) {
        tail = NAN;
        goto out;
    }
    list_orders(1, cups, 0, 0, one);
    for (size_t i = 0; i <= most; i++)
        orders += one[i];
    all[0] = 1;
    for (size_t taster = 0; taster < tasters; taster++) {
        memset(next, 0, (tasters * most + 1) * sizeof *next);
        for (size_t sum = 0; sum <= taster * most; sum++)
            for (size_t i = 0; all[sum] > 0 && i <= most; i++)
                next[sum + i] += all[sum] * one[i] / orders;
        memcpy(all, next, (tasters * most + 1) * sizeof *next);
    }
    for (size_t sum = observed; sum <= tasters * most; sum++)
        tail += all[sum];
out:
    free(one);
    free(all);
    free(next);
    return tail < 1 ? tail : isnan(tail) ? NAN : 1;
}

static double page_normal(double l, double n, double k)
{
    double mean = n * k * (k + 1) * (k + 1) / 4;
    double variance = n * k * k * (k + 1) * (k + 1) * (k - 1) / 144;

    return gsl_cdf_ugaussian_Q((l - mean) / sqrt(variance));
}

/* Friedman's statistic is the sum of squared rank sums but for constants, that no reordering within rows changes. */
static double squared_sums(const unsigned char *rows, size_t tasters, size_t cups)
{
    double squares = 0;

    for (size_t cup = 0; cup < cups; cup++) {
        double sum = 0;

        for (size_t taster = 0; taster < tasters; taster++)
            sum += rows[taster * cups + cup];
        squares += sum * sum;
    }
    return squares;
}

static void swap(unsigned char *row, size_t one, size_t other)
{
    unsigned char kept = row[one];

    row[one] = row[other];
    row[other] = kept;
}

/* The next order of a row, as C++'s next_permutation has it; false after the last. */
static bool next_order(unsigned char *row, size_t cups)
{
    size_t i = cups - 1, j = cups - 1;

    while (i > 0 && row[i - 1] >= row[i])
        i--;
    if (i == 0)
        return false;
    while (row[j] <= row[i - 1])
        j--;
    swap(row, i - 1, j);
    for (size_t low = i, high = cups - 1; low < high; low++, high--)
        swap(row, low, high);
    return true;
}

static int ascending(const void *a, const void *b)
{
    return *(const unsigned char *)a - *(const unsigned char *)b;
}

/* All orders of all rows but the first, whose order only names the cups. */
static double every_order(unsigned char *rows, size_t tasters, size_t cups, double observed)
{
    double all = 0, as_far = 0;

    for (size_t taster = 1; taster < tasters; taster++)
        qsort(rows + taster * cups, cups, 1, ascending);
    for (size_t taster = 0; taster < tasters;) {
        all++;
        as_far += squared_sums(rows, tasters, cups) >= observed - 1e-6;
        for (taster = 1; taster < tasters && !next_order(rows + taster * cups, cups); taster++)
            qsort(rows + taster * cups, cups, 1, ascending);
    }
    return as_far / all;
}

/* A test by random reorderings is valid at its level whatever their number (Barnard, JRSS B 25, 1963). */
static double random_orders(unsigned char *rows, size_t tasters, size_t cups, double observed)
{
    gsl_rng *source = gsl_rng_alloc(gsl_rng_mt19937);
    unsigned as_far = 0;

    if (!source)
        return NAN;
    gsl_rng_set(source, 8587);
    for (int i = 0; i < RANDOM_ORDERS; i++) {
        for (size_t taster = 0; taster < tasters; taster++)
            gsl_ran_shuffle(source, rows + taster * cups, cups, 1);
        as_far += squared_sums(rows, tasters, cups) >= observed - 1e-6;
    }
    gsl_rng_free(source);
    return (1.0 + as_far) / (1.0 + RANDOM_ORDERS);
}

/* Distinct orders of a row with ties are fewer, but all alike likely as many of the orders with names. */
static double orders_of(const unsigned char *row, size_t cups)
{
    double orders = 1;

    for (size_t cup = 0; cup < cups; cup++) {
        size_t ties = 1;

        for (size_t before = 0; before < cup; before++)
            ties += row[before] == row[cup];
        orders *= (double)(cup + 1) / (double)ties;
    }
    return orders;
}

int ranking_test_ties(const unsigned char *doubled_ranks, size_t tasters, size_t cups, double *chi_square, double *p)
{
    double n = (double)tasters, k = (double)cups, ties = 0, ways = 1, observed, spread, found;
    unsigned char *rows;

    if (tasters < 2 || cups < 3 || cups > MOST_CUPS)
        return -ERANGE;
    rows = science_malloc(tasters * cups);
    if (!rows)
        return -ENOMEM;
    memcpy(rows, doubled_ranks, tasters * cups);
    for (size_t taster = 0; taster < tasters; taster++) {
        const unsigned char *row = rows + taster * cups;

        for (size_t cup = 0; cup < cups; cup++) {
            double of = 0;

            for (size_t other = 0; other < cups; other++)
                of += row[other] == row[cup];
            ties += of * of - 1; /* t^3 - t over each group, taken cup by cup */
        }
        ways *= taster > 0 ? orders_of(row, cups) : 1;
    }
    observed = squared_sums(rows, tasters, cups);
    /* doubled ranks: a quarter of the squares (Conover, Practical Nonparametric Statistics, correction for ties) */
    spread = n * k * (k + 1) - ties / (k - 1);
    *chi_square = spread > 0 ? (12 * observed / 4 - 3 * n * n * k * (k + 1) * (k + 1)) / spread : 0;
    found =
        ways <= EVERY_ORDER ? every_order(rows, tasters, cups, observed) : random_orders(rows, tasters, cups, observed);
    free(rows);
    if (isnan(found))
        return -ENOMEM;
    *p = found;
    return 0;
}

int ranking_test(const unsigned char *ranks, size_t tasters, size_t cups, struct ranking_result *out)
{
    double n = (double)tasters, k = (double)cups, page_p;
    unsigned char *doubled;
    size_t page_l = 0;
    int error;

    if (tasters < 2 || cups < 3 || cups > MOST_CUPS)
        return -ERANGE;
    for (size_t taster = 0; taster < tasters; taster++)
        if (!is_permutation(ranks + taster * cups, cups))
            return -EINVAL;
    doubled = science_malloc(tasters * cups);
    if (!doubled)
        return -ENOMEM;
    for (size_t i = 0; i < tasters * cups; i++) {
        doubled[i] = (unsigned char)(2 * ranks[i]);
        page_l += (i % cups + 1) * ranks[i];
    }
    page_p = cups <= PAGE_EXACT_CUPS && tasters <= PAGE_EXACT_TASTERS ? page_exact(page_l, tasters, cups)
                                                                      : page_normal((double)page_l, n, k);
    error = isnan(page_p) ? -ENOMEM : ranking_test_ties(doubled, tasters, cups, &out->chi_square, &out->p);
    free(doubled);
    if (error)
        return error;
    out->page_l = (double)page_l;
    out->page_p = page_p;
    return 0;
}

/* One simulated panel: Friedman's chi-square. */
static double simulated(gsl_rng *source, unsigned n, unsigned cups, double dprime)
{
    double squares = 0, sum[MOST_CUPS] = { 0 };

    for (unsigned row = 0; row < n; row++) {
        double felt[MOST_CUPS];

        for (unsigned cup = 0; cup < cups; cup++)
            felt[cup] = gsl_ran_ugaussian(source) + dprime * cup / (cups - 1);
        for (unsigned cup = 0; cup < cups; cup++)
            for (unsigned other = 0; other < cups; other++)
                sum[cup] += felt[other] <= felt[cup];
    }
    for (unsigned cup = 0; cup < cups; cup++)
        squares += sum[cup] * sum[cup];
    return 12 * squares / (n * cups * (cups + 1.0)) - 3.0 * n * (cups + 1.0);
}

double ranking_power(unsigned n, unsigned cups, double alpha, double dprime)
{
    enum { PANELS = 2000 };
    gsl_rng *source = n < 2 || cups < 3 || cups > MOST_CUPS ? NULL : gsl_rng_alloc(gsl_rng_mt19937);
    double critical = gsl_cdf_chisq_Qinv(alpha, cups - 1.0); /* a little more than the exact one: promises less */
    unsigned shown = 0;

    if (!source)
        return n < 2 ? 0 : NAN;
    gsl_rng_set(source, 8587);
    for (int panel = 0; panel < PANELS; panel++)
        shown += simulated(source, n, cups, dprime) >= critical;
    gsl_rng_free(source);
    return (double)shown / PANELS;
}
