/* Mixtures: of numbers that each reading states otherwise, and of moments that it dates otherwise. */
#include "doubt.h"

#include <math.h>
#include <stdlib.h>

#include "beam.h"

/* What two and three standard uncertainties may leave out; a reading that is less likely adds nothing. */
static const double BEYOND_TWO = 0.05, BEYOND_THREE = 0.04;

/* The same value by several readings: how far off the best one's, and how likely. */
struct mixture {
    double off[BEAM], chance[BEAM];
    int count;
};

static void mix(struct mixture *mixture, double off, double chance)
{
    mixture->off[mixture->count] = fabs(off);
    mixture->chance[mixture->count++] = chance;
}

/* So far off is what is less likely to be exceeded than this. */
static double quantile(const struct mixture *mixture, double total, double beyond)
{
    double least = 0;

    for (int i = 0; i < mixture->count; i++) {
        double farther = 0;

        for (int j = 0; j < mixture->count; j++)
            farther += mixture->off[j] >= mixture->off[i] ? mixture->chance[j] / total : 0;
        if (farther > beyond)
            least = fmax(least, mixture->off[i]);
    }
    return least;
}

/* u: the best one's own. */
static double uncertainty_of(const struct mixture *mixture, double u)
{
    double total = 0, variance = 0;

    for (int i = 0; i < mixture->count; i++) {
        total += mixture->chance[i];
        variance += mixture->chance[i] * pow(mixture->off[i], 2);
    }
    return fmax(sqrt(u * u + variance / total),
                fmax(quantile(mixture, total, BEYOND_TWO) / 2, quantile(mixture, total, BEYOND_THREE) / 3));
}

/* The step of a story that has this stage and is nearest to that moment; NULL: it has none. */
static const struct step *nearest(const struct hypothesis *story, const struct step *to)
{
    const struct step *best = NULL;

    for (const struct step *step = story->step; step < story->step + story->count; step++)
        if (step->stage == to->stage && (!best || llabs(step->at_us - to->at_us) < llabs(best->at_us - to->at_us)))
            best = step;
    return best;
}

void doubt_spread(struct hypothesis *best, struct measures *measures, const struct reading_of *reading, int count)
{
    for (int measure = 0; measure < MEASURE_COUNT; measure++) {
        struct mixture mixture = { .count = 0 };

        for (int i = 0; i < count; i++) {
            const struct measures *of = &reading[i].measures;

            if (reading[i].story->brewing && reading[i].chance > BEYOND_THREE && of->standard_uncertainty[measure] >= 0)
                mix(&mixture, of->value[measure] - measures->value[measure], reading[i].chance);
        }
        if (measures->standard_uncertainty[measure] >= 0 && mixture.count)
            measures->standard_uncertainty[measure] = uncertainty_of(&mixture, measures->standard_uncertainty[measure]);
    }
    for (struct step *step = best->step; step < best->step + best->count; step++) {
        struct mixture mixture = { .count = 0 };

        for (int i = 0; i < count; i++) {
            const struct step *of = nearest(reading[i].story, step);

            if (of && reading[i].chance > BEYOND_THREE)
                mix(&mixture, (double)(of->at_us - step->at_us) / 1e6, reading[i].chance);
        }
        if (mixture.count)
            step->u_s = (float)uncertainty_of(&mixture, (double)step->u_s);
    }
}
