/* What the verdicts say, in words and as JSON; see verdicts.h.  It judges nothing but which experiment speaks for a
 * variable that several varied. */
#include "verdicts.h"

#include <ctype.h>
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <string.h>

static const char *const verdict_words[] = { "keep", "drop", "undecided" };

/* Of several experiments on one variable the recipe follows the decided one with the most cups, of equals
 * the latest. */
bool verdicts_leads(const struct verdicts *verdicts, int place)
{
    const struct variable *variable = &verdicts->variable[place];

    for (int i = 0; i < verdicts->count; i++) {
        const struct variable *other = &verdicts->variable[i];
        bool decided = variable->verdict != VERDICT_UNDECIDED, its_decided = other->verdict != VERDICT_UNDECIDED;

        if (variable->covered_by_other)
            return false;
        if (other->covered_by_other)
            continue;
        if (i == place || strcmp(other->factor, variable->factor) != 0)
            continue;
        if (decided != its_decided ? its_decided
                                   : other->cups > variable->cups || (other->cups == variable->cups && i > place))
            return false;
    }
    return true;
}

/* What the headline has of a variable: a step that pays, but not at the level that the recipe takes, is left out. */
static int group_of(const struct variable *variable)
{
    return variable->verdict == VERDICT_KEEP ? variable->left_out[0] != '\0' : (int)variable->verdict + 1;
}

/* "Keep grind and stir; drop paper; still undecided: dose." */
static void headline(const struct verdicts *verdicts, struct document *out)
{
    static const char *const before[] = { "keep ", "at these levels leave out ", "drop ", "still undecided: " };
    char words[SENTENCE_SIZE] = "";
    size_t length = 0;

    for (int group = 0; group < (int)(sizeof before / sizeof *before); group++) {
        int count = 0, said = 0;

        for (int i = 0; i < verdicts->count; i++)
            count += verdicts_leads(verdicts, i) && group_of(&verdicts->variable[i]) == group;
        if (count)
            length +=
                (size_t)snprintf(words + length, sizeof words - length, "%s%s", length ? "; " : "", before[group]);
        for (int i = 0; i < verdicts->count && length + 2 * WORDS_SIZE < sizeof words; i++)
            if (verdicts_leads(verdicts, i) && group_of(&verdicts->variable[i]) == group)
                length += (size_t)snprintf(words + length, sizeof words - length, "%s%.60s",
                                           said == 0           ? ""
                                           : said == count - 1 ? " and "
                                                               : ", ",
                                           call_of(verdicts->variable[i].factor)),
                    said++;
    }
    if (length)
        words[0] = (char)toupper((unsigned char)words[0]);
    document_add(out, BLOCK_HEADLINE, "%s.", length ? words : "No variable was tried yet");
}

/* "+30 s, +1 step"; what costs nothing says nothing. */
void verdicts_cost(const struct variable *variable, char out[64])
{
    const double least_s = 0.5, least_steps = 0.05; /* below what is shown */
    size_t length = 0;

    out[0] = '\0';
    if (fabs(variable->cost_s) >= least_s)
        length = (size_t)snprintf(out, 64, "%+.0f s", variable->cost_s);
    if (fabs(variable->cost_steps) >= least_steps)
        snprintf(out + length, 64 - length, "%s%+.2g step%s", length ? ", " : "", variable->cost_steps,
                 fabs(variable->cost_steps) <= 1 ? "" : "s");
}

/* Each effect as it was seen, with its interval, against the margin. */
static void effects_picture(const struct verdicts *verdicts, struct document *out)
{
    const char *step = step_of(measure_name(verdicts->request->options.measure));
    struct chart_series *series[VERDICT_UNDECIDED + 1] = { NULL }, *margin;
    char y_label[96], label[64];
    struct chart *chart;

    snprintf(y_label, sizeof y_label, "effect, %.60s", step);
    chart = chart_new("verdicts", "Effects against the margin", "", y_label);
    if (!chart)
        return;
    for (int verdict = VERDICT_KEEP; verdict <= VERDICT_UNDECIDED; verdict++)
        series[verdict] = chart_series(chart, verdict_words[verdict]);
    snprintf(label, sizeof label, "within %g", verdicts->margin);
    margin = chart_series(chart, label);
    for (int i = 0; i < verdicts->count && chart->category_count < CHART_CATEGORIES; i++) {
        const struct variable *variable = &verdicts->variable[i];
        double half = (variable->interval.high - variable->interval.low) / 2;

        if (!verdicts_leads(verdicts, i) || isnan(variable->raw) || !series[variable->verdict])
            continue;
        snprintf(chart->category[chart->category_count++], sizeof chart->category[0], "%.60s",
                 call_of(variable->factor));
        snprintf(label, sizeof label, "%.30s: %+.2f", call_of(variable->factor), variable->raw);
        chart_point(series[variable->verdict], (double)chart->category_count, variable->interval.low + half, half,
                    false, label);
    }
    for (int end = 0; end < 2 && margin; end++)
        chart_curve(margin, end ? (double)chart->category_count + 0.5 : 0.5, 0, -verdicts->margin, verdicts->margin);
    if (chart->category_count)
        document_chart(out, chart);
    else
        chart_free(chart);
}

void verdicts_document(const struct verdicts *verdicts, struct document *out)
{
    const char *measure = measure_name(verdicts->request->options.measure), *step = step_of(measure);
    char interval[96], titles[200];
    bool total = false;

    headline(verdicts, out);
    if (verdicts->request->html || verdicts->request->svg)
        effects_picture(verdicts, out);
    document_add(out, BLOCK_HEADING, "What each variable does to %s", call_of(measure));
    snprintf(titles, sizeof titles,
             "variable|verdict|#effect, %s|%g %% interval|more at|less at|costs|blind p|#cups|experiment", step,
             100 * verdicts->request->options.confidence);
    document_table(out, titles);
    for (int i = 0; i < verdicts->count; i++) {
        const struct variable *variable = &verdicts->variable[i];
        char effect[32] = "", cost[64], p[32] = "";

        words_interval(variable->interval, 2, "", interval);
        if (!isnan(variable->effect))
            snprintf(effect, sizeof effect, "%+.2f", variable->effect);
        verdicts_cost(variable, cost);
        if (!isnan(variable->tasting_p))
            words_p(variable->tasting_p, p);
        total = total || variable->measure != verdicts->request->options.measure;
        document_row(out,
                     "%s%s" CELL "%s" CELL "%s" CELL "%s" CELL "%s" CELL "%s" CELL "%s" CELL "%s" CELL "%zu" CELL "%s",
                     call_of(variable->factor), variable->measure != verdicts->request->options.measure ? " *" : "",
                     verdict_words[variable->verdict], effect, isnan(variable->effect) ? "" : interval,
                     variable->better, variable->worse, cost, p, variable->cups, variable->experiment);
    }
    document_add(
        out, BLOCK_TEXT,
        "Keep: the effect is beyond %g %s for sure, all variables together (Holm), so that what it costs is worth "
        "it. Drop: it lies within %g %s either way, or what costs more brings less than that. Undecided: these "
        "cups do not show which. The effect is what is left when its own error is taken out; the interval is "
        "that of the difference as it was seen. (--margin sets the %g.)",
        verdicts->margin, step, verdicts->margin, step, verdicts->margin);
    if (total)
        document_add(out, BLOCK_TEXT,
                     "* judged by total extraction: with another ratio the bed holds back another share.");
    for (int i = 0; i < verdicts->count; i++)
        if (verdicts->variable[i].tasting[0]
            && (i == 0 || strcmp(verdicts->variable[i].experiment, verdicts->variable[i - 1].experiment) != 0))
            document_add(out, BLOCK_ITEM, "Tasted blind, %s: %s", verdicts->variable[i].experiment,
                         verdicts->variable[i].tasting);
    document_add(out, BLOCK_HEADING, "The recipe they add up to");
    document_add(out, BLOCK_TEXT, "It takes what gives more %s; whether it tastes better only a blind tasting shows.",
                 call_of(measure));
    document_table(out, "variable|take");
    for (int i = 0; i < verdicts->count; i++)
        if (verdicts_leads(verdicts, i))
            document_row(out, "%s" CELL "%s", call_of(verdicts->variable[i].factor), verdicts->variable[i].advice);
    for (int i = 0; i < verdicts->count; i++)
        if (verdicts_leads(verdicts, i) && verdicts->variable[i].verdict == VERDICT_KEEP
            && verdicts->variable[i].left_out[0])
            document_add(out, BLOCK_ITEM, "%s is left at %s: %s.", call_of(verdicts->variable[i].factor),
                         verdicts->variable[i].take_best, verdicts->variable[i].left_out);
    for (int i = 0; i < verdicts->count; i++)
        if (verdicts->variable[i].combined)
            document_add(out, BLOCK_ITEM, "%s: %d experiments speak together: %s.",
                         call_of(verdicts->variable[i].factor), verdicts->variable[i].combined,
                         verdicts->variable[i].combines);
    verdicts_repeatability(verdicts, verdicts->together, verdicts->request->options.measure, out);
}

void verdicts_repeatability(const struct verdicts *verdicts, const struct together *together, enum measure measure,
                            struct document *out)
{
    const struct mixed_fit *fit = together ? together_fit(together) : NULL;
    const char *step = step_of(measure_name(measure)), *space = *step ? " " : "",
               *call = call_of(measure_name(measure));
    char within[96], between[96];
    int decimals;

    if (fit && fit->df_within > 0) {
        words_interval(fit->within_interval, 2, "", within);
        words_interval(fit->between_interval, 2, "", between);
    }
    decimals = fit && fit->df_within > 0 ? words_decimals(fit->within_interval, 2) : 2;
    if (fit && fit->df_within > 0 && fit->df_between > 0)
        document_add(out, BLOCK_TEXT,
                     "Cups brewed alike on one day scatter by %.*f%s%s of %s (%s), and days by %.*f (%s). Brewed on "
                     "different days, two of them differ by less than %.2f nineteen times in twenty; on one day, by "
                     "less than %.2f.",
                     decimals, fit->within, space, step, call, within, decimals, fit->between, between,
                     together_apart(together, false, 0.95), together_apart(together, true, 0.95));
    else if (fit && fit->df_within > 0)
        document_add(out, BLOCK_TEXT,
                     "Cups brewed alike on one day scatter by %.*f%s%s of %s (%s): two of one day differ by less than "
                     "%.2f nineteen times in twenty. How much days differ these cups do not show.",
                     decimals, fit->within, space, step, call, within, together_apart(together, true, 0.95));
    else if (verdicts->spread_df > 0 && measure == verdicts->request->options.measure)
        document_add(out, BLOCK_TEXT,
                     "Cups meant to be alike scattered by %.2f%s%s of %s (%.0f repeats beyond the first), whether on "
                     "one day or on several: two of them differ by less than %.2f nineteen times in twenty.",
                     verdicts->spread, space, step, call, verdicts->spread_df,
                     gsl_cdf_tdist_Pinv(0.975, verdicts->spread_df) * M_SQRT2 * verdicts->spread);
    else
        document_add(out, BLOCK_TEXT, "How well %s repeats is not known: too few cups were brewed alike.", call);
}

json_t *verdicts_repeatability_claim(const struct together *together, enum measure measure)
{
    const struct mixed_fit *fit = together_fit(together);

    return json_pack("{s:s, s:s, s:s, s:o, s:o, s:o, s:o, s:[o, o], s:[o, o], s:o, s:o}", "claim", "repeatability",
                     "where", "repeatability", "measure", measure_name(measure), "value",
                     number_json(together_apart(together, false, 0.95)), "value_one_day",
                     number_json(together_apart(together, true, 0.95)), "within", number_json(fit->within), "between",
                     number_json(fit->between), "within_interval", number_json(fit->within_interval.low),
                     number_json(fit->within_interval.high), "between_interval", number_json(fit->between_interval.low),
                     number_json(fit->between_interval.high), "within_df", number_json(fit->df_within), "between_df",
                     number_json(fit->df_between));
}

/* What is asserted: each decided verdict. */
static json_t *verdict_claims(const struct verdicts *verdicts)
{
    json_t *list = json_array();

    for (int i = 0; i < verdicts->count; i++) {
        const struct variable *variable = &verdicts->variable[i];

        json_array_append_new(list, json_pack("{s:s, s:s, s:s, s:s, s:o, s:[o, o], s:o, s:s}", "claim", "verdict",
                                              "where", "verdict", "factor", variable->factor, "verdict",
                                              verdict_words[variable->verdict], "value", number_json(variable->effect),
                                              "interval", number_json(variable->interval.low),
                                              number_json(variable->interval.high), "cost_s",
                                              number_json(variable->cost_s), "experiment", variable->experiment));
    }
    if (verdicts->together)
        json_array_append_new(list,
                              verdicts_repeatability_claim(verdicts->together, verdicts->request->options.measure));
    return list;
}

json_t *verdicts_json(const struct verdicts *verdicts)
{
    json_t *list = json_array();

    for (int i = 0; i < verdicts->count; i++) {
        const struct variable *variable = &verdicts->variable[i];

        json_array_append_new(
            list,
            json_pack("{s:s, s:s, s:s, s:I, s:s, s:s, s:o, s:o, s:[o, o], s:o, s:o, s:o, s:o, s:s, s:s, s:s, s:i, s:s}",
                      "factor", variable->factor, "experiment", variable->experiment, "measure",
                      measure_name(variable->measure), "cups", (json_int_t)variable->cups, "better", variable->better,
                      "worse", variable->worse, "effect", number_json(variable->effect), "effect_as_seen",
                      number_json(variable->raw), "interval", number_json(variable->interval.low),
                      number_json(variable->interval.high), "cost_s", number_json(variable->cost_s), "cost_steps",
                      number_json(variable->cost_steps), "p_together", number_json(variable->p_together), "blind_p",
                      number_json(variable->tasting_p), "blind", variable->tasting, "verdict",
                      verdict_words[variable->verdict], "take", variable->advice, "combined", variable->combined,
                      "combines", variable->combines));
    }
    return json_pack("{s:s, s:f, s:o, s:o, s:o, s:o}", "measure", measure_name(verdicts->request->options.measure),
                     "margin", verdicts->margin, "claims", verdict_claims(verdicts), "variables", list, "spread",
                     verdicts->spread_df > 0 ? number_json(verdicts->spread) : json_null(), "spread_df",
                     number_json(verdicts->spread_df));
}
