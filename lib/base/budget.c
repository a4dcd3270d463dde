/* Where an uncertainty comes from; see budget.h. */
#include "poise/budget.h"

#include <math.h>
#include <string.h>

static const struct {
    const char *name, *words;
} parts[BUDGET_PARTS] = {
    [BUDGET_REPEAT] = { "repeat", "readings of one sample differ" },
    [BUDGET_DIGIT] = { "digit", "last digit of the refractometer" },
    [BUDGET_ACCURACY] = { "accuracy", "accuracy of the refractometer" },
    [BUDGET_CALIBRATION] = { "calibration", "calibration of the refractometer" },
    [BUDGET_BLANK] = { "blank", "water subtracted" },
    [BUDGET_TEMPERATURE] = { "temperature", "temperature of the sample" },
    [BUDGET_FILTER] = { "filter", "no syringe filter" },
    [BUDGET_FACTOR] = { "factor", "from Brix to strength" },
    [BUDGET_BEVERAGE] = { "beverage", "weighing the cup" },
    [BUDGET_DOSE] = { "dose", "weighing the coffee" },
};

const char *budget_part_name(enum budget_part part)
{
    return parts[part].name;
}

const char *budget_part_words(enum budget_part part)
{
    return parts[part].words;
}

int budget_part_find(const char *name)
{
    for (int part = 0; part < BUDGET_PARTS; part++)
        if (strcmp(parts[part].name, name) == 0)
            return part;
    return -1;
}

void budget_clear(struct budget *budget)
{
    for (int part = 0; part < BUDGET_PARTS; part++) {
        budget->u[part] = 0;
        budget->freedom[part] = INFINITY;
    }
}

double budget_combined(const struct budget *budget)
{
    double squares = 0;

    for (int part = 0; part < BUDGET_PARTS; part++)
        squares += budget->u[part] * budget->u[part];
    return sqrt(squares);
}

double budget_freedom(const struct budget *budget)
{
    double whole = pow(budget_combined(budget), 4), sum = 0;

    for (int part = 0; part < BUDGET_PARTS; part++)
        if (budget->u[part] > 0 && isfinite(budget->freedom[part]))
            sum += pow(budget->u[part], 4) / budget->freedom[part];
    return sum > 0 ? whole / sum : INFINITY;
}

bool budget_of_extraction(const struct budget *strength, const struct measures *measures, struct budget *out)
{
    const double *value = measures->value, *u = measures->standard_uncertainty;
    double strength_pct = value[MEASURE_STRENGTH_PCT], beverage_g = value[MEASURE_BEVERAGE_G];
    double dose_g = value[MEASURE_DOSE_G];

    if (!(dose_g > 0) || isnan(strength_pct) || isnan(beverage_g))
        return false;
    *out = *strength;
    for (int part = 0; part < BUDGET_PARTS; part++)
        out->u[part] *= beverage_g / dose_g;
    out->u[BUDGET_BEVERAGE] = isnan(u[MEASURE_BEVERAGE_G]) ? 0 : strength_pct / dose_g * u[MEASURE_BEVERAGE_G];
    out->u[BUDGET_DOSE] =
        isnan(u[MEASURE_DOSE_G]) ? 0 : strength_pct * beverage_g / (dose_g * dose_g) * u[MEASURE_DOSE_G];
    return true;
}
