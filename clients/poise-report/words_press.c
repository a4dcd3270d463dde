/* What the press did besides the variable that was planned: pressure, drip-through, and whether it went on until
 * nothing more came; see words.h. */
#include "words.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* --- against what was measured of the press --- */

/* Fewer cups, or fewer different values among them, are no line worth telling. */
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
        x[n] = findings->point[i].cup->measures.value[measure];
        y[n] = findings->point[i].y;
        n += !isnan(x[n]);
    }
    return n;
}

static void slopes(const struct findings *findings, struct document *out)
{
    static const enum measure of_press[] = { MEASURE_PRESS_PEAK_KPA, MEASURE_PRESS_MEAN_KPA, MEASURE_PRESS_S,
                                             MEASURE_DRIP_G };
    const char *step = words_step(measure_name(findings->options->measure));
    double *x = malloc(2 * findings->point_count * sizeof *x), *y = x + findings->point_count;
    bool first = true;

    for (size_t i = 0; x && i < sizeof of_press / sizeof *of_press; i++) {
        const char *name = measure_name(of_press[i]);
        size_t n = of_press[i] == findings->options->measure ? 0 : take_pairs(findings, of_press[i], x, y);
        struct interval interval;
        struct trend line;
        struct why why;
        char words[96], titles[160];
        double slope;

        if (!enough(x, n) || trend_fit(x, y, n, 1, &line, &why) < 0)
            continue;
        if (first) {
            document_add(out, BLOCK_HEADING, "Along with the press");
            snprintf(titles, sizeof titles, "%s against|#cups|#%s per unit|%.0f %% interval|unit",
                     call_of(measure_name(findings->options->measure)), step, 100 * findings->options->confidence);
            document_table(out, titles);
            first = false;
        }
        slope = trend_slope_at(&line, line.centre, findings->options->confidence, &interval);
        words_interval(interval, 3, "", words);
        document_row(out, "%s" CELL "%zu" CELL "%+.3f" CELL "%s" CELL "%s", call_of(name), n, slope, words,
                     unit_of(name));
    }
    if (!first)
        document_add(out, BLOCK_TEXT,
                     "Each line for itself: what goes together is not told apart so. A straight line, "
                     "also where the series breaks.");
    free(x);
}

/* --- until nothing more came, or not --- */

struct ending {
    double *grams, *judged;         /* beverage, less the water where all cups know theirs; what is judged */
    size_t n;
    double beverage_g, retained;    /* means; NAN: no cup knows it */
};

static void add_mean(double value, double *sum, size_t *n)
{
    if (isnan(value))
        return;
    *sum += value;
    ++*n;
}

static void take_ending(const struct findings *findings, bool dry, bool with_water, struct ending *out)
{
    double beverage = 0, retained = 0;
    size_t beverages = 0, retaineds = 0;

    out->n = 0;
    for (size_t i = 0; i < findings->point_count; i++) {
        const double *value = findings->point[i].cup->measures.value;

        if (isnan(value[MEASURE_PRESSED_DRY]) || (value[MEASURE_PRESSED_DRY] > 0.5) != dry
            || isnan(value[MEASURE_BEVERAGE_G]))
            continue;
        out->grams[out->n] = value[MEASURE_BEVERAGE_G] - (with_water ? value[MEASURE_WATER_G] : 0);
        out->judged[out->n++] = findings->point[i].y;
        add_mean(value[MEASURE_BEVERAGE_G], &beverage, &beverages);
        add_mean(value[MEASURE_RETAINED_G_PER_G], &retained, &retaineds);
    }
    out->beverage_g = beverages ? beverage / (double)beverages : (double)NAN;
    out->retained = retaineds ? retained / (double)retaineds : (double)NAN;
}

static bool all_know_water(const struct findings *findings)
{
    for (size_t i = 0; i < findings->point_count; i++)
        if (!isnan(findings->point[i].cup->measures.value[MEASURE_PRESSED_DRY])
            && isnan(findings->point[i].cup->measures.value[MEASURE_WATER_G]))
            return false;
    return true;
}

static void ending_row(const struct findings *findings, const char *name, const struct ending *ending,
                       struct document *out)
{
    char retained[32] = "";

    if (!isnan(ending->retained))
        snprintf(retained, sizeof retained, "%.2f", ending->retained);
    document_row(out, "%s" CELL "%zu" CELL "%.1f" CELL "%s" CELL "%.*f", name, ending->n, ending->beverage_g, retained,
                 measure_decimals(findings->options->measure),
                 sample_mean((struct sample){ ending->judged, ending->n }));
}

static void ending_sentence(const struct findings *findings, const struct ending *dry, const struct ending *stopped,
                            bool with_water, struct document *out)
{
    const char *measure = measure_name(findings->options->measure), *step = words_step(measure);
    struct difference grams, judged;
    char words[96], judged_words[96];

    if (compare_welch((struct sample){ dry->grams, dry->n }, (struct sample){ stopped->grams, stopped->n },
                      findings->options->confidence, &grams) < 0) {
        document_add(out, BLOCK_TEXT, "Two cups of each kind, at least, tell how much of that is chance.");
        return;
    }
    words_interval(grams.interval, 1, "g", words);
    document_add(out, BLOCK_TEXT, "Pressing on until nothing more came brought %+.1f g%s (%s).", grams.difference,
                 with_water ? ", the water being the same" : "", words);
    if (compare_welch((struct sample){ dry->judged, dry->n }, (struct sample){ stopped->judged, stopped->n },
                      findings->options->confidence, &judged) < 0)
        return;
    words_interval(judged.interval, 2, step, judged_words);
    document_add(out, BLOCK_TEXT, "Between the two, %s differs by %+.2f %s (%s).", call_of(measure), judged.difference,
                 step, judged_words);
}

static void endings(const struct findings *findings, struct document *out)
{
    size_t room = findings->point_count;
    double *numbers = malloc(4 * room * sizeof *numbers);
    struct ending dry = { numbers, numbers + room, 0, NAN, NAN };
    struct ending stopped = { numbers + 2 * room, numbers + 3 * room, 0, NAN, NAN };
    bool with_water = all_know_water(findings);
    char titles[160];

    if (numbers) {
        take_ending(findings, true, with_water, &dry);
        take_ending(findings, false, with_water, &stopped);
    }
    if (dry.n && stopped.n) {
        document_add(out, BLOCK_HEADING, "Pressed until dry, or not");
        snprintf(titles, sizeof titles, "press|#cups|#beverage g|#retained g/g|#%s",
                 call_of(measure_name(findings->options->measure)));
        document_table(out, titles);
        ending_row(findings, "until nothing more came", &dry, out);
        ending_row(findings, "stopped before", &stopped, out);
        ending_sentence(findings, &dry, &stopped, with_water, out);
    }
    free(numbers);
}

void words_press(const struct findings *findings, struct document *out)
{
    bool varied = false;

    for (int f = 0; f < findings->factor_count; f++)
        varied = varied || strncmp(findings->factor[f].name, "press", 5) == 0
                 || strcmp(findings->factor[f].name, "drip_g") == 0;
    if (!findings->point_count)
        return;
    if (varied)
        slopes(findings, out);
    endings(findings, out);
}
