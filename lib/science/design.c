/* What a planned experiment can answer; see poise/design.h. */
#include "poise/design.h"

#include <math.h>
#include <string.h>

#include "poise/comparison.h"

/* Repeats of one recipe by one pair of hands spread by about so much in extraction (common practice,
 * no source): assumed, and said so, until the plan names the bench's own. */
static const double SPREAD_ASSUMED = 0.4;

static const double ALPHA = 0.05, POWER = 0.80;

/* Boiling, dosing, pouring, pressing, weighing, rinsing: per cup besides its steep (common practice,
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

void design_judge(const struct plan *plan, struct design *out)
{
    size_t replicates = (size_t)plan->replicates;

    memset(out, 0, sizeof *out);
    out->levels = plan_run_count(plan) / plan->replicates;
    out->cups = plan_run_count(plan);
    out->hours = out->cups * (mean_steep_s(plan) + HANDLING_S) / 3600;
    out->degrees_of_freedom = out->levels * (plan->replicates - 1);
    out->spread_assumed = isnan(plan->spread);
    out->spread = out->spread_assumed ? SPREAD_ASSUMED : plan->spread;
    out->smallest_difference = NAN;
    out->answers = true;
    if (out->degrees_of_freedom > 0)
        out->smallest_difference =
            smallest_difference(out->spread, replicates, replicates, out->degrees_of_freedom, ALPHA, POWER);
    if (isnan(plan->difference))
        return;
    out->answers = out->smallest_difference <= plan->difference;
    out->replicates_needed = (int)cups_needed(plan->difference, out->spread, (size_t)out->levels, ALPHA, POWER,
                                              (size_t)(PLAN_RUNS / out->levels));
}
