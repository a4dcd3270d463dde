/* What a plan means: the order of its runs, whether a brew kept it.
 * Reading the file is in plan_read.c; what its design can answer: lib/science/design.c. */
#include "poise/plan.h"

#include <errno.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "poise/guide.h"

/* A tolerance is kept by what lies on its edge, however the digits became a double. */
static const double EDGE = 1e-9;

static int combinations(const struct plan *plan)
{
    int count = 1;

    for (int i = 0; i < plan->factors; i++)
        count *= plan->vary[i].levels;
    return count;
}

int plan_run_count(const struct plan *plan)
{
    return combinations(plan) * plan->replicates;
}

int plan_order(const struct plan *plan, uint32_t seed, struct plan_run *runs)
{
    int block = combinations(plan);
    gsl_error_handler_t *handler = gsl_set_error_handler_off(); /* its default is abort() */
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);

    gsl_set_error_handler(handler);
    if (!random)
        return -ENOMEM;
    gsl_rng_set(random, seed);
    for (int replicate = 0; replicate < plan->replicates; replicate++) {
        struct plan_run *first = runs + replicate * block;

        for (int i = 0; i < block; i++) {
            first[i].replicate = replicate + 1;
            first[i].level[0] = plan->factors > 1 ? i / plan->vary[1].levels : i;
            first[i].level[1] = plan->factors > 1 ? i % plan->vary[1].levels : 0;
        }
        if (plan->random)
            gsl_ran_shuffle(random, first, (size_t)block, sizeof *first);
    }
    gsl_rng_free(random);
    return 0;
}

const struct plan_value *plan_level(const struct plan *plan, const struct plan_run *run, int factor)
{
    return &plan->vary[factor].level[run->level[factor]];
}

static json_t *value_json(const struct plan_value *value)
{
    if (isnan(value->number))
        return json_string(value->word);
    if (floor(value->number) == value->number && fabs(value->number) < 1e15)
        return json_integer((json_int_t)value->number);
    return json_real(value->number);
}

static json_t *levels_json(const struct plan_factor *factor)
{
    json_t *levels = json_array();

    for (int i = 0; i < factor->levels; i++)
        json_array_append_new(levels, value_json(&factor->level[i]));
    return levels;
}

json_t *plan_run_json(const struct plan *plan, const struct plan_run *run, int number)
{
    json_t *factors = json_object(), *recipe = json_object(), *tolerances = json_object(), *levels = json_object();
    json_t *control = plan->control ? json_true() : NULL;

    for (int i = 0; i < plan->factors; i++) {
        json_object_set_new(factors, plan->vary[i].name, value_json(plan_level(plan, run, i)));
        if (!isnan(plan->vary[i].tolerance))
            json_object_set_new(tolerances, plan->vary[i].name, json_real(plan->vary[i].tolerance));
        else if (plan->vary[i].measure >= 0)
            json_object_set_new(levels, plan->vary[i].name, levels_json(&plan->vary[i]));
    }
    for (int i = 0; i < plan->held; i++) {
        json_object_set_new(recipe, plan->hold[i].name, value_json(&plan->hold[i].level[0]));
        if (!isnan(plan->hold[i].tolerance))
            json_object_set_new(tolerances, plan->hold[i].name, json_real(plan->hold[i].tolerance));
    }
    return json_pack("{s:s,s:s,s:i,s:i,s:i,s:o,s:o,s:o,s:o,s:o*}", "experiment", plan->name, "title", plan->title,
                     "run", number, "of", plan_run_count(plan), "replicate", run->replicate, "factors", factors,
                     "recipe", recipe, "tolerances", tolerances, "levels", levels, "control", control);
}

static void take_targets(const json_t *object, double target[MEASURE_COUNT])
{
    const char *name;
    json_t *value;

    json_object_foreach((json_t *)object, name, value)
    {
        int measure = measure_find(name);

        if (measure >= 0 && json_is_number(value))
            target[measure] = json_number_value(value);
    }
}

void plan_targets(const json_t *run, double target[MEASURE_COUNT], double tolerance[MEASURE_COUNT])
{
    for (int i = 0; i < MEASURE_COUNT; i++)
        target[i] = tolerance[i] = NAN;
    take_targets(json_object_get(run, "factors"), target);
    take_targets(json_object_get(run, "recipe"), target);
    take_targets(json_object_get(run, "tolerances"), tolerance);
}

/* The level of a measure varied without a tolerance that a value is nearest to; NAN: it is none such, or no value. */
static double nearest_level(const json_t *run, enum measure measure, double value)
{
    const json_t *level, *levels = json_object_get(json_object_get(run, "levels"), measure_name(measure));
    double nearest = NAN;
    size_t i;

    json_array_foreach(levels, i,
                       level) if (isnan(nearest) || fabs(json_number_value(level) - value) < fabs(nearest - value))
        nearest = json_number_value(level);
    return nearest;
}

/* One reason more why a run was not kept. */
static void add_reason(struct why *why, const char *format, ...) __attribute__((format(printf, 2, 3)));
static void add_reason(struct why *why, const char *format, ...)
{
    size_t length = strlen(why->text);
    va_list arguments;

    if (length && length + 2 < sizeof why->text) {
        strcpy(why->text + length, "; ");
        length += 2;
    }
    va_start(arguments, format);
    vsnprintf(why->text + length, sizeof why->text - length, format, arguments);
    va_end(arguments);
}

/* "Steep 149 s, planned 120 ± 3 s": digits as the tolerance has, and more where they would hide that it is out. */
static void add_outside(struct why *why, enum measure measure, double value, double target, double tolerance)
{
    const struct plan_setting *setting = plan_setting_find(measure_name(measure));
    const char *label = setting ? setting->label : measure_name(measure), *unit = setting ? setting->unit : "";
    char planned[64], digits[24];
    const char *point;
    int decimals;

    snprintf(digits, sizeof digits, "%g", tolerance);
    point = strchr(digits, '.');
    for (decimals = point ? (int)strlen(point + 1) : 0; decimals < measure_decimals(measure); decimals++) {
        double shown = round(value * pow(10, decimals)) / pow(10, decimals);

        if (fabs(shown - target) > tolerance + EDGE)
            break;
    }
    add_reason(why, "%s %.*f %s, planned %s %s", label, decimals, value, unit,
               guide_amount(target, tolerance, planned, sizeof planned), unit);
}

static void add_nearer(struct why *why, enum measure measure, double value, double target, double level)
{
    const struct plan_setting *setting = plan_setting_find(measure_name(measure));
    const char *label = setting ? setting->label : measure_name(measure), *unit = setting ? setting->unit : "";

    add_reason(why, "%s %.*f %s, planned %g %s, is nearer to %g %s", label, measure_decimals(measure), value, unit,
               target, unit, level, unit);
}

int plan_judge(const json_t *run, const struct measures *measures, struct why *why)
{
    double target[MEASURE_COUNT], tolerance[MEASURE_COUNT];
    int kept = 1;

    plan_targets(run, target, tolerance);
    why->text[0] = '\0';
    for (int i = 0; i < MEASURE_COUNT; i++) {
        enum measure measure = (enum measure)i;
        double value = measures->value[i], level = nearest_level(run, measure, value);

        if (isnan(target[i]) || (isnan(tolerance[i]) && isnan(level)))
            continue;
        if (isnan(value)) { /* nobody asked for it to be checked, unless there is a tolerance */
            kept = kept == 1 && !isnan(tolerance[i]) ? -1 : kept;
            continue;
        }
        if (isnan(tolerance[i]) ? fabs(value - target[i]) <= fabs(value - level) + EDGE
                                : fabs(value - target[i]) <= tolerance[i] + EDGE)
            continue;
        kept = 0;
        if (isnan(tolerance[i]))
            add_nearer(why, measure, value, target[i], level);
        else
            add_outside(why, measure, value, target[i], tolerance[i]);
    }
    return kept;
}

struct measures plan_judged(const json_t *run, const struct measures *measures, const bool above[MEASURE_COUNT])
{
    double target[MEASURE_COUNT], tolerance[MEASURE_COUNT];
    struct measures judged = *measures;

    plan_targets(run, target, tolerance);
    for (int i = 0; i < MEASURE_COUNT; i++)
        if (above[i] && !(judged.value[i] > target[i] + (tolerance[i] > 0 ? tolerance[i] : 0) + EDGE))
            judged.value[i] = judged.standard_uncertainty[i] = NAN;
    return judged;
}

double plan_misfit(const json_t *run, const struct measures *measures)
{
    double target[MEASURE_COUNT], tolerance[MEASURE_COUNT], sum = 0;

    plan_targets(run, target, tolerance);
    for (int i = 0; i < MEASURE_COUNT; i++) {
        double unit = tolerance[i] > 0 ? tolerance[i] : 0.01 * fabs(target[i]);

        if (!isnan(target[i]) && !isnan(measures->value[i]) && unit > 0)
            sum += pow((measures->value[i] - target[i]) / unit, 2);
    }
    return sum;
}
