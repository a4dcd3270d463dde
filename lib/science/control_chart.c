/* Charts that watch an instrument; see control_chart.h. */
#include "poise/control_chart.h"

#include <gsl/gsl_cdf.h>
#include <math.h>

const double CONTROL_REFERENCE = 0.5, CONTROL_LIMIT = 5, CONTROL_SHEWHART = 3.5;

/* Values alike to the last digit leave no spread at all: then a deviate says nothing. */
enum { LEAST_BEFORE = 3 };

/* A chance nearer to 0 or 1 than this has no deviate worth having. */
static const double LEAST_CHANCE = 1e-12;

static double deviate_of(const struct control_chart *chart, double value)
{
    double n = chart->count, chance;
    double spread = n > 1 ? fmax(sqrt(chart->squares / (n - 1)), chart->least_spread) : 0;

    if (chart->count < LEAST_BEFORE || !(spread > 0))
        return 0;
    chance = gsl_cdf_tdist_P((value - chart->mean) / (spread * sqrt(1 + 1 / n)), n - 1);
    return gsl_cdf_ugaussian_Pinv(fmin(fmax(chance, LEAST_CHANCE), 1 - LEAST_CHANCE));
}

/* One side's sum. */
static void add(double step, int place, double mean, double *sum, int *since, double *before)
{
    if (*sum <= 0) {
        *since = place;
        *before = mean;
    }
    *sum = fmax(0, *sum + step);
}

static double mean_since(const struct control_chart *chart, int since, double before)
{
    return (chart->mean * chart->count - before * since) / (chart->count - since);
}

bool control_take(struct control_chart *chart, double value, struct control_alarm *alarm)
{
    double deviate = deviate_of(chart, value), step;
    int place = chart->count;
    bool up;

    add(deviate - CONTROL_REFERENCE, place, chart->mean, &chart->up, &chart->up_since, &chart->up_before);
    add(-deviate - CONTROL_REFERENCE, place, chart->mean, &chart->down, &chart->down_since, &chart->down_before);
    step = value - chart->mean;
    chart->count++;
    *alarm = (struct control_alarm){ .shewhart = fabs(deviate) > CONTROL_SHEWHART,
                                     .cusum = fmax(chart->up, chart->down) > CONTROL_LIMIT,
                                     .deviate = deviate,
                                     .since = place,
                                     .before = chart->mean };
    chart->mean += step / chart->count;
    chart->squares += step * (value - chart->mean);
    alarm->after = value;
    if (alarm->cusum) {
        up = chart->up > chart->down;
        alarm->since = up ? chart->up_since : chart->down_since;
        alarm->before = up ? chart->up_before : chart->down_before;
        alarm->after = mean_since(chart, alarm->since, alarm->before);
    }
    return alarm->shewhart || alarm->cusum;
}

void control_again(struct control_chart *chart)
{
    *chart = (struct control_chart){ .least_spread = chart->least_spread };
}
