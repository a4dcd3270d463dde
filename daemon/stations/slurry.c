/* How warm the slurry was; see slurry.h. */
#include "slurry.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "poise/immersion.h"
#include "poise/uncertainty.h"

/* More often than this shows no more of a slurry. */
static const int64_t EVERY_US = 1000000;

/* A single reading is of the slurry now when it is so fresh, and then one spot of it (as immersion.c has it). */
static const int64_t FRESH_US = 10000000;
static const double SPOT_U_C = 0.2;

void slurry_take(struct slurry *slurry, const struct reading *reading)
{
    struct slurry_reading *newest = slurry->count ? &slurry->reading[slurry->count - 1] : NULL;

    if (newest && reading->mono_us - newest->at_us < EVERY_US && reading->mono_us >= newest->at_us)
        return;
    if (!slurry->reading && !(slurry->reading = calloc(SLURRY_READINGS, sizeof *slurry->reading)))
        return;
    if (slurry->count == SLURRY_READINGS)
        memmove(slurry->reading, slurry->reading + 1, sizeof *slurry->reading * (size_t)--slurry->count);
    slurry->resolution_c = reading->resolution;
    slurry->reading[slurry->count++] =
        (struct slurry_reading){ reading->mono_us, (float)decimal_to_double(reading->value) };
}

void slurry_free(struct slurry *slurry)
{
    free(slurry->reading);
    slurry->reading = NULL;
    slurry->count = 0;
}

static bool shown_last(const struct slurry *slurry, int64_t since_us, int64_t at_us, double *c, double *u_c)
{
    for (int i = slurry->count - 1; i >= 0 && slurry->reading[i].at_us >= since_us; i--)
        if (slurry->reading[i].at_us <= at_us) {
            *c = round(slurry->reading[i].c * 1000) / 1000; /* as it was shown, not as a float has it */
            *u_c = hypot(uncertainty_of_resolution(slurry->resolution_c), SPOT_U_C);
            return at_us - slurry->reading[i].at_us < FRESH_US;
        }
    return false;
}

bool slurry_at(const struct slurry *slurry, int64_t since_us, int64_t at_us, double *c, double *u_c)
{
    double at_s[SLURRY_READINGS], shown_c[SLURRY_READINGS];
    struct immersion immersion;
    size_t count = 0;

    for (int i = 0; i < slurry->count; i++) {
        if (slurry->reading[i].at_us < since_us)
            continue;
        at_s[count] = (double)(slurry->reading[i].at_us - at_us) / 1e6;
        shown_c[count++] = slurry->reading[i].c;
    }
    if (!immersion_find(at_s, shown_c, count, slurry->resolution_c, slurry->lag_s, &immersion))
        return shown_last(slurry, since_us, at_us, c, u_c);
    immersion_at(&immersion, 0, c, u_c);
    return true;
}
