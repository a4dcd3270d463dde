/* What a planned experiment can answer, by the test that its report will use; see poise/design.h and layout.h. */
#include "poise/design.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_sort.h>
#include <math.h>
#include <string.h>

#include "poise/comparison.h"
#include "poise/trend.h"

/* Repeats of one recipe by one pair of hands spread by about so much in extraction (common practice,
 * no source): assumed, and said so, until the plan names the bench's own. */
static const double SPREAD_ASSUMED = 0.4;

static const double ALPHA = 0.05, POWER = 0.80;

/* Boiling, dosing, pouring, pressing, weighing, rinsing: per cup in addition to its steep (common practice,
 * no source). */
static const double HANDLING_S = 300;

/* When no steep is planned. */
static const double STEEP_ASSUMED_S = 120;

/* The mean of the planned steep, over levels when it is varied. */
static double mean_steep_s(const struct plan *plan)
{
    for (int i = 0; i < plan->factors; i++)
        if (plan->vary[i].measure == MEASURE_STEEP_S) {
            double sum = 0;

            for (int j = 0; j < plan->vary[i].levels; j++)
                sum += plan->vary[i].level[j].number;
            return sum / plan->vary[i].levels;
        }
    for (int i = 0; i < plan->held; i++)
        if (plan->hold[i].measure == MEASURE_STEEP_S)
            return plan->hold[i].level[0].number;
    return STEEP_ASSUMED_S;
}

/* --- the difference that the test shows --- */

/* One experiment gives an estimate, its standard error and a bar; the difference that is there is shown when it is at
 * least so large.  The share POWER of that many drawn experiments is the answer: two digits of it. */
enum { DRAWN = 4000, BARS = 9 };
static const unsigned long DRAWN_BY = 20261130; /* any fixed number: the same plan, the same answer */

struct test {
    double error; /* of the estimate, for a spread of one */
    double df[2]; /* of the spreads that its standard error is made of; the second 0: one only */
    double alpha;
    size_t together; /* levels whose pairs are judged together; 2: one question */
};

static double bar_at(const struct test *test, double df)
{
    if (test->together > 2)
        return studentized_range_quantile(1 - test->alpha, test->together, fmax(1, df)) / M_SQRT2;
    return gsl_cdf_tdist_Qinv(test->alpha / 2, df);
}

static double bar_between(const double *inverse, const double *bar, double at)
{
    int i = 1;

    while (i < BARS - 1 && inverse[i] < at)
        i++;
    return bar[i - 1] + (bar[i] - bar[i - 1]) * (at - inverse[i - 1]) / (inverse[i] - inverse[i - 1]);
}

static double smallest_of(const struct test *test)
{
    double shown[DRAWN], inverse[BARS], bar[BARS], least = test->df[0], most = test->df[0] + test->df[1];
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);

    if (!random)
        return NAN;
    for (int i = 0; i < BARS; i++) { /* nearly a straight line of 1 / df */
        inverse[i] = 1 / most + (1 / least - 1 / most) * i / (BARS - 1);
        bar[i] = test->df[1] > 0 || i == 0 ? bar_at(test, 1 / inverse[i]) : bar[0];
    }
    gsl_rng_set(random, DRAWN_BY);
    for (int i = 0; i < DRAWN; i++) {
        double a = gsl_ran_chisq(random, test->df[0]) / test->df[0], variance = a, its = bar[0];

        if (test->df[1] > 0) {
            double b = gsl_ran_chisq(random, test->df[1]) / test->df[1];
            double df = (a + b) * (a + b) / (a * a / test->df[0] + b * b / test->df[1]);

            variance = (a + b) / 2;
            its = bar_between(inverse, bar, 1 / df);
        }
        shown[i] = test->error * (its * sqrt(variance) - gsl_ran_ugaussian(random));
    }
    gsl_rng_free(random);
    gsl_sort(shown, 1, DRAWN);
    return shown[(int)(POWER * DRAWN)];
}

/* One number of three levels or more is judged by a line, from end to end. */
static bool is_line(const struct plan *plan)
{
    const struct plan_factor *vary = &plan->vary[0];

    if (plan->factors != 1 || vary->levels < 3 || vary->measure == MEASURE_STEEP_S)
        return false;
    for (int i = 0; i < vary->levels; i++)
        if (isnan(vary->level[i].number))
            return false;
    return true;
}

static struct test line_test(const struct plan *plan, double replicates)
{
    const struct plan_factor *vary = &plan->vary[0];
    double mean = 0, squares = 0, low = INFINITY, high = -INFINITY, n = replicates * vary->levels;
    struct test test = { .alpha = TREND_LINE_SHARE * ALPHA, .together = 2 };

    for (int i = 0; i < vary->levels; i++)
        mean += vary->level[i].number / vary->levels;
    for (int i = 0; i < vary->levels; i++) {
        squares += replicates * pow(vary->level[i].number - mean, 2);
        low = fmin(low, vary->level[i].number);
        high = fmax(high, vary->level[i].number);
    }
    test.error = (high - low) / sqrt(squares);
    test.df[0] = n - 2 - (replicates > 1 ? replicates - 1 : 0);
    return test;
}

/* As layout.h has it: two levels within replicates; several by their own spreads, of two cups by one. */
static struct test level_test(const struct plan *plan, double replicates, double levels)
{
    struct test test = { .error = sqrt(2 / replicates), .alpha = ALPHA, .together = (size_t)levels };

    if (plan->factors == 2) { /* the mean over the other's levels, one of three questions */
        double few = fmin(plan->vary[0].levels, plan->vary[1].levels);

        test = (struct test){ .error = sqrt(2 / (replicates * few)), .alpha = ALPHA / 3, .together = 2 };
        test.df[0] = levels * (replicates - 1);
        if (fmax(plan->vary[0].levels, plan->vary[1].levels) > 2)
            test.together = (size_t)fmax(plan->vary[0].levels, plan->vary[1].levels);
    } else if (levels <= 2) {
        test.df[0] = replicates - 1;
        if (replicates < 3) /* two replicates are no blocks */
            test.df[0] = test.df[1] = replicates - 1;
    } else if (replicates < 3) {
        test.df[0] = (levels - 1) * (replicates - 1);
    } else {
        test.df[0] = test.df[1] = replicates - 1;
    }
    return test;
}

static double smallest_for(const struct plan *plan, int replicates, int levels, double spread)
{
    struct test test;

    if (replicates < 2 || levels < 2)
        return NAN; /* nothing shows how much cups of one level differ, or there is nothing to compare */
    test = is_line(plan) ? line_test(plan, replicates) : level_test(plan, replicates, levels);
    return spread * smallest_of(&test);
}

static int replicates_for(const struct plan *plan, int levels, double spread)
{
    int most = PLAN_RUNS / levels, enough = 2, few = 1;

    while (enough < most && !(smallest_for(plan, enough, levels, spread) <= plan->difference)) {
        few = enough;
        enough = 2 * enough < most ? 2 * enough : most;
    }
    if (!(smallest_for(plan, enough, levels, spread) <= plan->difference))
        return 0;
    while (enough - few > 1) {
        int middle = (few + enough) / 2;

        if (smallest_for(plan, middle, levels, spread) <= plan->difference)
            enough = middle;
        else
            few = middle;
    }
    return enough;
}

void design_judge(const struct plan *plan, struct design *out)
{
    memset(out, 0, sizeof *out);
    out->levels = plan_run_count(plan) / plan->replicates;
    out->cups = plan_run_count(plan);
    out->hours = out->cups * (mean_steep_s(plan) + HANDLING_S) / 3600;
    out->degrees_of_freedom = out->levels * (plan->replicates - 1);
    out->spread_assumed = isnan(plan->spread);
    out->spread = out->spread_assumed ? SPREAD_ASSUMED : plan->spread;
    out->smallest_difference = smallest_for(plan, plan->replicates, out->levels, out->spread);
    out->answers = true;
    if (isnan(plan->difference))
        return;
    out->answers = out->smallest_difference <= plan->difference;
    out->replicates_needed = out->answers ? plan->replicates : replicates_for(plan, out->levels, out->spread);
}
