/* What else the press did, in words; see words.h. */
#include "words.h"

#include <math.h>

static void slopes(const struct findings *findings, struct document *out)
{
    const char *measure = measure_name(findings->options->measure);
    char words[96], titles[160];

    if (!findings->press.slope_count)
        return;
    document_add(out, BLOCK_HEADING, "Along with the press");
    snprintf(titles, sizeof titles, "%s against|#cups|#%s per unit|%.0f %% interval|unit", call_of(measure),
             step_of(measure), 100 * findings->confidence);
    document_table(out, titles);
    for (int i = 0; i < findings->press.slope_count; i++) {
        const struct press_slope *slope = &findings->press.slope[i];
        const char *name = measure_name(slope->measure);

        words_interval(slope->interval, 3, "", words);
        document_row(out, "%s" CELL "%zu" CELL "%+.3f" CELL "%s" CELL "%s", call_of(name), slope->n, slope->per_unit,
                     words, unit_of(name));
    }
    for (int i = 0; i < findings->press.slope_count; i++)
        if (findings->press.slope[i].bounded)
            document_add(out, BLOCK_TEXT,
                         "Left out of %s: %zu cup%s of which it is only known to be above a number, as the scale was "
                         "overloaded.",
                         call_of(measure_name(findings->press.slope[i].measure)), findings->press.slope[i].bounded,
                         findings->press.slope[i].bounded == 1 ? "" : "s");
    document_add(out, BLOCK_TEXT,
                 "Each is a straight line of its own, even where the series breaks; what changes together is not "
                 "taken apart.");
}

static void ending_row(const struct findings *findings, const char *name, const struct press_ending *ending,
                       struct document *out)
{
    char retained[32] = "";

    if (!isnan(ending->retained))
        snprintf(retained, sizeof retained, "%.2f", ending->retained);
    document_row(out, "%s" CELL "%zu" CELL "%.1f" CELL "%s" CELL "%.*f", name, ending->n, ending->beverage_g, retained,
                 decimals_shown(findings->options->measure), ending->judged);
}

static void endings(const struct findings *findings, struct document *out)
{
    const struct press_findings *press = &findings->press;
    const char *measure = measure_name(findings->options->measure), *step = step_of(measure);
    char words[96], titles[160];

    if (!press->dry.n || !press->stopped.n)
        return;
    document_add(out, BLOCK_HEADING, "Pressed until dry, or not");
    snprintf(titles, sizeof titles, "press|#cups|#beverage g|#retained g/g|#%s %s", call_of(measure), unit_of(measure));
    document_table(out, titles);
    ending_row(findings, "until nothing more came", &press->dry, out);
    ending_row(findings, "stopped before", &press->stopped, out);
    if (press->has_grams) {
        words_interval(press->grams.interval, 1, "g", words);
        document_add(out, BLOCK_TEXT, "Pressing on until nothing more came brought %+.1f g%s (%s).",
                     press->grams.difference, press->with_water ? ", the water being the same" : "", words);
    } else {
        document_add(out, BLOCK_TEXT, "How much of that is chance shows with at least two cups of each kind.");
    }
    if (press->has_judged) {
        words_interval(press->judged.interval, 2, step, words);
        document_add(out, BLOCK_TEXT, "Between the two, %s differs by %+.2f %s (%s).", call_of(measure),
                     press->judged.difference, step, words);
    }
}

void words_press(const struct findings *findings, struct document *out)
{
    slopes(findings, out);
    endings(findings, out);
}
