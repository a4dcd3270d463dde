/* A pressure instrument in the press. */
#include "gauge.h"

#include <math.h>

#include "ledger.h"
#include "poise/uncertainty.h"
#include "story.h"

/* A hand on the plunger; less is the weight of the plunger and the instrument's own zero (a kilogram on a
 * 60 mm piston is 3.5 kPa). */
static const double GAUGE_LEAST_KPA = 1.5;

static const double GAUGE_U_S = 0.1; /* how near the first indication of pressure is to the hand's begin */

/* A pressure instrument that shows nothing for longer has nothing to add to a mean. */
static const double GAUGE_GAP_S = 1;

bool gauge_take(struct gauge *gauge, double kpa, double resolution_kpa, int64_t at_us)
{
    double dt = gauge->seen_us ? fmin((double)(at_us - gauge->seen_us) / 1e6, GAUGE_GAP_S) : 0;
    bool began = false, over = false;

    if (kpa >= GAUGE_LEAST_KPA) {
        began = !gauge->began_us;
        if (began) /* somewhere since the indication before */
            gauge->began_us = at_us - (int64_t)(dt / 2 * 1e6);
        gauge->peak_kpa = fmax(gauge->peak_kpa, kpa);
        gauge->sum_kpa_s += kpa * dt;
        gauge->sum_s += dt;
        gauge->ended_us = at_us;
        gauge->u_kpa = uncertainty_of_resolution(resolution_kpa);
    } else
        over = gauge->now_kpa >= GAUGE_LEAST_KPA;
    gauge->seen_us = at_us;
    gauge->now_kpa = kpa;
    return began || over;
}

void gauge_use(const struct gauge *gauge, struct hypothesis *story)
{
    int press = -1;

    if (!gauge->began_us || !story->first_water_us || gauge->began_us < story->first_water_us)
        return;
    for (int i = 0; i < story->count; i++)
        if (story->step[i].stage == STAGE_PRESS)
            press = i;
    if (press < 0) {
        story_end_pour(story);
        while (story->count && story->step[story->count - 1].at_us > gauge->began_us)
            story->count--;
        story_add(story, STAGE_PRESS, gauge->began_us, GAUGE_U_S);
    } else if (!story->press_seen) { /* the lift only came before it */
        story->step[press].at_us = gauge->began_us;
        story->step[press].u_s = (float)GAUGE_U_S;
    }
    if (press < 0 || !story->press_seen)
        story->press_began_us = gauge->began_us;
}

void gauge_measure(const struct gauge *gauge, struct hypothesis *story, struct measures *measures, double u_s)
{
    if (!gauge->began_us || gauge->began_us < story->first_water_us || !(gauge->sum_s > 0))
        return;
    if (!story->press_seen)
        ledger_set(measures, MEASURE_PRESS_S, (double)(gauge->ended_us - gauge->began_us) / 1e6, u_s);
    ledger_set(measures, MEASURE_PRESS_PEAK_KPA, gauge->peak_kpa, gauge->u_kpa);
    ledger_set(measures, MEASURE_PRESS_MEAN_KPA, gauge->sum_kpa_s / gauge->sum_s, gauge->u_kpa);
    story->above = false;
}
