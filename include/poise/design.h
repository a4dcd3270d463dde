/* What a planned experiment can answer, before a cup is brewed. */
#ifndef POISE_DESIGN_H
#define POISE_DESIGN_H

#include <stdbool.h>

#include "poise/plan.h"

#pragma GCC visibility push(default)

struct design {
    int cups, levels;
    double hours;           /* of the morning, at one station */
    int degrees_of_freedom; /* for the spread; 0: one cup per level shows no spread */
    double spread;          /* that was assumed or named */
    bool spread_assumed;    /* the plan names none */
    /* that the report will show four times out of five, by the very test it uses (layout.h): between two levels, all
     * pairs together; of two factors, on the mean over the other; along a number, from end to end; NAN: none */
    double smallest_difference;
    int replicates_needed; /* for plan->difference; 0: more than PLAN_RUNS cups, or none was asked for */
    bool answers;          /* false: a difference was asked for that it cannot show */
};
void design_judge(const struct plan *plan, struct design *out);

#pragma GCC visibility pop

#endif
