/* What the press did apart from the variable that was planned: pressure, drip-through, and whether it went on until
 * nothing more came; see findings.h. */
#include "findings_parts.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* --- against what was measured of the press --- */

/* Fewer cups, or fewer different values among them, are no line worth reporting. */
enum { CUPS_LEAST = 5, VALUES_LEAST = 3 };

static bool enough(const double *x, size_t n)
{
    size_t different = 0;

    for (size_t i = 0; i < n && different < VALUES_LEAST; i++) {
        bool met = false;

        for (size_t j = 0; j < i && !met; j++)
            met = !(x[j] < x[i]) && !(x[j] > x[i]);
        different += !met;
    }
    return n >= CUPS_LEAST && different >= VALUES_LEAST;
}

/* The cups that know both the measure and what is judged; their count. */
static size_t take_pairs(const struct findings *findings, enum measure measure, double *x, double *y)
{
    size_t n = 0;

    for (size_t i = 0; i < findings->point_count; i++) {
        x[n] = cup_value(findings->point[i].cup, measure);
        y[n] = findings->point[i].y;
        n += !isnan(x[n]);
    }
    return n;
}

static size_t count_above(const struct findings *findings, enum measure measure)
{
    size_t count = 0;

    for (size_t i = 0; i < findings->point_count; i++)
        count += findings->point[i].cup->above >> measure & 1;
    return count;
}

static void find_slopes(struct findings *out, double *x, double *y)
{
    static const enum measure of_press[PRESS_SLOPES] = { MEASURE_PRESS_PEAK_KPA, MEASURE_PRESS_MEAN_KPA,
                                                         MEASURE_PRESS_S, MEASURE_DRIP_G };

    for (int i = 0; i < PRESS_SLOPES; i++) {
        struct press_slope *slope = &out->press.slope[out->press.slope_count];
        size_t n = of_press[i] == out->options->measure ? 0 : take_pairs(out, of_press[i], x, y);
        struct trend line;
        struct why why;

        if (!enough(x, n) || trend_fit(x, y, n, 1, &line, &why) < 0)
            continue;
        slope->measure = of_press[i];
        slope->n = n;
        slope->bounded = count_above(out, of_press[i]);
        /* as many questions as there may be lines: an interval that leaves out zero is one of them */
        slope->per_unit =
            trend_slope_at(&line, line.centre, 1 - (1 - out->confidence) / PRESS_SLOPES, &slope->interval);
        out->press.slope_count++;
    }
}

/* --- until nothing more came, or not --- */

static void add_mean(double value, double *sum, size_t *n)
{
    if (isnan(value))
        return;
    *sum += value;
    ++*n;
}

/* Fills in a kind of ending, and its cups' grams (beverage, less the water where all cups know theirs) and what is
 * judged of them. */
static void take_ending(const struct findings *findings, bool dry, struct press_ending *out, double *grams,
                        double *judged)
{
    double beverage = 0, retained = 0;
    size_t retaineds = 0;

    out->n = 0;
    for (size_t i = 0; i < findings->point_count; i++) {
        const double *value = findings->point[i].cup->measures.value;

        if (isnan(value[MEASURE_PRESSED_DRY]) || (value[MEASURE_PRESSED_DRY] > 0.5) != dry
            || isnan(value[MEASURE_BEVERAGE_G]))
            continue;
        beverage += value[MEASURE_BEVERAGE_G];
        grams[out->n] = value[MEASURE_BEVERAGE_G] - (findings->press.with_water ? value[MEASURE_WATER_G] : 0);
        judged[out->n++] = findings->point[i].y;
        add_mean(value[MEASURE_RETAINED_G_PER_G], &retained, &retaineds);
    }
    out->beverage_g = out->n ? beverage / (double)out->n : (double)NAN;
    out->retained = retaineds ? retained / (double)retaineds : (double)NAN;
    out->judged = sample_mean((struct sample){ judged, out->n });
}

static bool all_know_water(const struct findings *findings)
{
    for (size_t i = 0; i < findings->point_count; i++)
        if (!isnan(findings->point[i].cup->measures.value[MEASURE_PRESSED_DRY])
            && isnan(findings->point[i].cup->measures.value[MEASURE_WATER_G]))
            return false;
    return true;
}

static void find_endings(struct findings *out, double *numbers)
{
    struct press_findings *press = &out->press;
    double *dry = numbers, *dry_judged = dry + out->point_count;
    double *stopped = dry_judged + out->point_count, *stopped_judged = stopped + out->point_count;
    double confidence = out->confidence;

    press->with_water = all_know_water(out);
    take_ending(out, true, &press->dry, dry, dry_judged);
    take_ending(out, false, &press->stopped, stopped, stopped_judged);
    press->has_grams = compare_welch((struct sample){ dry, press->dry.n }, (struct sample){ stopped, press->stopped.n },
                                     confidence, &press->grams)
                       == 0;
    press->has_judged = compare_welch((struct sample){ dry_judged, press->dry.n },
                                      (struct sample){ stopped_judged, press->stopped.n }, confidence, &press->judged)
                        == 0;
}

int findings_find_press(struct findings *out, struct why *why)
{
    double *numbers = malloc((4 * out->point_count + 1) * sizeof *numbers);
    bool varied = false;

    if (!numbers)
        return why_set(why, -ENOMEM, "not enough memory");
    for (int f = 0; f < out->factor_count; f++)
        varied = varied || strncmp(out->factor[f].name, "press", 5) == 0 || strcmp(out->factor[f].name, "drip_g") == 0;
    if (varied)
        find_slopes(out, numbers, numbers + out->point_count);
    find_endings(out, numbers);
    free(numbers);
    return 0;
}
