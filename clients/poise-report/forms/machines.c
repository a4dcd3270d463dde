/* The report for machines: JSON and CSV. */
#include "report.h"

#include <math.h>
#include <string.h>

#include "poise/program.h"
#include "words/claims.h"

json_t *number_json(double number)
{
    return isfinite(number) ? json_real(number) : json_null();
}

static json_t *interval_json(struct interval interval)
{
    return json_pack("[o, o]", number_json(interval.low), number_json(interval.high));
}

/* The measures that are lower bounds. */
static json_t *above_json(const struct cup *cup)
{
    json_t *list = json_array();

    for (int i = 0; i < MEASURE_COUNT; i++)
        if (cup->above >> i & 1 && json_array_append_new(list, json_string(measure_name((enum measure)i))) < 0) {
            json_decref(list);
            return NULL;
        }
    return list;
}

static void above_words(const struct cup *cup, char *out, size_t size)
{
    size_t length = 0;

    *out = '\0';
    for (int i = 0; i < MEASURE_COUNT; i++)
        if (cup->above >> i & 1 && length < size)
            length +=
                (size_t)snprintf(out + length, size - length, "%s%s", length ? " " : "", measure_name((enum measure)i));
}

json_t *cup_json(const struct cup *cup)
{
    json_t *out =
        json_pack("{s:s, s:s, s:s, s:s, s:s, s:s?, s:O?, s:O?, s:s?}", "brew", cup->brew, "bench", cup->bench,
                  "station", cup->station, "began_utc", cup->began_utc, "ended_utc", cup->ended_utc, "experiment",
                  cup->experiment, "factors", cup->factors, "recipe", cup->recipe, "note", cup->note);
    char name[64];
    int failed = out ? 0 : -1;

    failed |= json_object_set_new(out, "run", cup->run >= 0 ? json_integer(cup->run) : json_null());
    failed |= json_object_set_new(out, "replicate", cup->replicate >= 0 ? json_integer(cup->replicate) : json_null());
    failed |= json_object_set_new(out, "plan_kept", cup->plan_kept >= 0 ? json_integer(cup->plan_kept) : json_null());
    for (int i = 0; i < MEASURE_COUNT; i++) {
        failed |= json_object_set_new(out, measure_name((enum measure)i), number_json(cup->measures.value[i]));
        snprintf(name, sizeof name, "%s_u", measure_name((enum measure)i));
        failed |= json_object_set_new(out, name, number_json(cup->measures.standard_uncertainty[i]));
    }
    failed |= json_object_set_new(out, "above", above_json(cup));
    if (!failed)
        return out;
    json_decref(out);
    return NULL;
}

static json_t *levels_json(const struct findings *findings)
{
    json_t *list = json_array();

    for (int i = 0; i < findings->level_count; i++) {
        const struct level_finding *level = &findings->level[i];
        json_t *factors = json_object();

        for (int f = 0; f < findings->factor_count; f++) {
            const struct factor *factor = &findings->factor[f];
            int place = level->level[f];

            json_object_set_new(factors, factor->name,
                                factor->numeric ? number_json(factor->level[place].number)
                                                : json_string(factor->level[place].label));
        }
        json_array_append_new(list, json_pack("{s:o, s:I, s:o, s:o, s:o, s:i}", "factors", factors, "n",
                                              (json_int_t)level->level_of.n, "mean", number_json(level->level_of.mean),
                                              "spread", number_json(level->level_of.spread), "interval",
                                              interval_json(level->interval), "out_of_plan", level->left_out));
    }
    return list;
}

static json_t *pairs_json(const struct findings *findings)
{
    json_t *list = json_array();
    char first[2 * WORDS_SIZE], second[2 * WORDS_SIZE];

    for (int i = 0; i < findings->pair_count; i++) {
        const struct pair_finding *pair = &findings->pair[i];
        const struct difference *difference = &pair->difference;
        json_t *object;

        findings_level_words(findings, pair->first, first);
        findings_level_words(findings, pair->second, second);
        object =
            json_pack("{s:s, s:s, s:o, s:o, s:o, s:o, s:o}", "level", first, "against", second, "difference",
                      number_json(difference->difference), "interval", interval_json(difference->interval), "t",
                      number_json(difference->t), "df", number_json(difference->df), "p", number_json(difference->p));
        json_object_set_new(object, "shown", json_boolean(pair->shown));
        if (!isnan(findings->options->margin))
            json_object_set_new(object, "same_within_margin", json_boolean(pair->equal));
        json_array_append_new(list, object);
    }
    return list;
}

static json_t *curve_json(const struct findings *findings, const struct curve_finding *curve)
{
    static const char *const names[ANSWERS] = { "share", "gain", "doubling" };
    int other = findings_other_factor(findings);
    json_t *out = json_object();
    char shape[120];

    if (other >= 0)
        json_object_set_new(out, findings->factor[other].name,
                            json_string(findings->factor[other].level[curve->level].label));
    json_object_set_new(out, "n", json_integer((json_int_t)curve->n));
    if (!curve->fitted) {
        json_object_set_new(out, "why_not", json_string(curve->why_not));
        return out;
    }
    json_object_set_new(out, "identified", json_boolean(curve->identified));
    json_object_set_new(out, "quick_part", json_boolean(curve->fit.quick));
    json_object_set_new(out, "plateau_pct", number_json(curve->fit.value[KINETICS_PLATEAU]));
    json_object_set_new(out, "plateau_interval", interval_json(curve->plateau));
    json_object_set_new(out, "rate_per_s", number_json(curve->fit.value[KINETICS_RATE]));
    json_object_set_new(out, "rate_interval", interval_json(curve->rate));
    json_object_set_new(out, "at_once_pct", number_json(curve->fit.value[KINETICS_QUICK]));
    json_object_set_new(out, "spread", number_json(curve->fit.spread));
    json_object_set_new(out, "aicc", number_json(curve->fit.aicc));
    json_object_set_new(out, "aicc_other", curve->other.n ? number_json(curve->other.aicc) : json_null());
    json_object_set_new(out, "quick_p", number_json(curve->quick_p));
    if (curve->other.n) {
        struct kinetics_question share = curve->answer[0].question;

        json_object_set_new(
            out, "without_quick_part",
            json_pack("{s:o, s:o, s:o, s:o, s:o}", "plateau_pct", number_json(curve->other.value[KINETICS_PLATEAU]),
                      "rate_per_s", number_json(curve->other.value[KINETICS_RATE]), "share_s",
                      number_json(kinetics_answer(&curve->other, &share)), "share_interval",
                      interval_json(curve->other_share), "lack_of_fit",
                      curve->other_lack.df > 0 ? json_pack("{s:o, s:o}", "f", number_json(curve->other_lack.f), "p",
                                                           number_json(curve->other_lack.p))
                                               : json_null()));
    }
    json_object_set_new(out, "supported", json_boolean(curve->supported));
    if (curve->has_lack)
        json_object_set_new(out, "lack_of_fit",
                            json_pack("{s:f, s:f, s:f, s:f}", "f", curve->lack.f, "df", curve->lack.df, "df_pure",
                                      curve->lack.df_pure, "p", curve->lack.p));
    if (curve->rival.fitted) {
        shape_words(&curve->rival, shape, sizeof shape);
        json_object_set_new(
            out, "rival",
            json_pack("{s:s, s:f, s:b}", "shape", shape, "aicc", curve->rival.aicc, "as_good", curve->rivalled));
    }
    if (curve->has_gain)
        json_object_set_new(out, "longer",
                            json_pack("{s:f, s:f, s:o, s:o}", "from_s", curve->gain.from_s, "to_s", curve->gain.to_s,
                                      "value", number_json(curve->gain.value), "interval",
                                      interval_json(curve->gain.interval)));
    for (int i = 0; i < ANSWERS; i++)
        json_object_set_new(out, names[i],
                            json_pack("{s:o, s:o, s:b, s:b, s:b}", "seconds", number_json(curve->answer[i].value),
                                      "interval", interval_json(curve->answer[i].interval), "identified",
                                      curve->answer[i].identified, "beyond_cups", curve->answer[i].beyond_cups,
                                      "claimed", curve->answer[i].claimed));
    return out;
}

static json_t *anova_json(const struct findings *findings)
{
    static const char *const names[ANOVA_SOURCES] = { NULL, NULL, "interaction", "block" };
    json_t *out = json_object();

    for (int i = 0; i < ANOVA_SOURCES; i++) {
        const struct anova_line *line = &findings->anova.line[i];

        if (line->df)
            json_object_set_new(out, i < FACTORS ? findings->factor[i].name : names[i],
                                json_pack("{s:f, s:I, s:o, s:o}", "ss", line->ss, "df", (json_int_t)line->df, "f",
                                          number_json(line->f), "p", number_json(line->p)));
    }
    json_object_set_new(out, "residual",
                        json_pack("{s:f, s:I, s:f}", "ss", findings->anova.rss, "df", (json_int_t)findings->anova.df,
                                  "spread", findings->anova.spread));
    return out;
}

static void add_trend(const struct findings *findings, json_t *out)
{
    const struct trend_break *broken = &findings->broken;
    struct interval interval;
    double change, at;

    if (findings->has_end) {
        change = findings->end.difference;
        interval = findings->end.interval;
        json_object_set_new(out, "change",
                            json_pack("{s:o, s:o}", "value", number_json(change), "interval", interval_json(interval)));
    }
    if (findings->has_total) {
        change = findings_change(findings, &findings->total, &interval);
        json_object_set_new(out, "change_of_total",
                            json_pack("{s:o, s:o}", "value", number_json(change), "interval", interval_json(interval)));
    }

    if (findings->has_trend)
        json_object_set_new(out, "trend",
                            json_pack("{s:i, s:f, s:f, s:f, s:f, s:o}", "degree", findings->trend.degree, "centre",
                                      findings->trend.centre, "c0", findings->trend.coefficient[0], "c1",
                                      findings->trend.coefficient[1], "c2", findings->trend.coefficient[2], "spread",
                                      number_json(findings->trend.spread)));
    if (findings->has_trend)
        json_object_set_new(out, "series",
                            json_pack("{s:o, s:o, s:b, s:b, s:b, s:b, s:b, s:b}", "p_changes",
                                      number_json(findings->family.any), "p_no_line",
                                      number_json(findings->family.shape), "changes", findings->changes, "no_line",
                                      findings->bends, "misfit", findings->trend_misfit, "rises_first",
                                      findings->ends.rises_first, "falls_last", findings->ends.falls_last, "turn_shown",
                                      words_turns(findings, &at, &interval) != 0));
    if (findings->has_turn && words_turns(findings, &at, &interval))
        json_object_set_new(
            out, "turn",
            json_pack("{s:f, s:o}", "at", findings->turn_at, "interval", interval_json(findings->turn_interval)));
    if (findings->has_trend && !isnan(findings->options->margin))
        json_object_set_new(out, "same_within_margin", json_boolean(findings->same_change));
    if (findings->has_break)
        json_object_set_new(out, "break",
                            json_pack("{s:b, s:f, s:o, s:f, s:f, s:o, s:o}", "shown", words_breaks(findings), "at",
                                      broken->at, "interval", interval_json(broken->at_interval), "slope_before",
                                      broken->slope_before, "slope_after", broken->slope_after, "slope_after_interval",
                                      interval_json(broken->slope_after_interval), "p", number_json(broken->p)));
}

static json_t *difference_json(const struct difference *difference)
{
    return json_pack("{s:o, s:o, s:o}", "difference", number_json(difference->difference), "interval",
                     interval_json(difference->interval), "p", number_json(difference->p));
}

static json_t *ending_json(const struct press_ending *ending)
{
    return json_pack("{s:I, s:o, s:o, s:o}", "n", (json_int_t)ending->n, "beverage_g", number_json(ending->beverage_g),
                     "retained_g_per_g", number_json(ending->retained), "mean", number_json(ending->judged));
}

static void add_press(const struct findings *findings, json_t *out)
{
    const struct press_findings *press = &findings->press;
    json_t *slopes = json_object(), *ends;

    for (int i = 0; i < press->slope_count; i++)
        json_object_set_new(slopes, measure_name(press->slope[i].measure),
                            json_pack("{s:I, s:o, s:o}", "n", (json_int_t)press->slope[i].n, "per_unit",
                                      number_json(press->slope[i].per_unit), "interval",
                                      interval_json(press->slope[i].interval)));
    if (press->slope_count)
        json_object_set(out, "along_the_press", slopes);
    json_decref(slopes);
    if (!press->dry.n || !press->stopped.n)
        return;
    ends = json_pack("{s:o, s:o, s:b}", "pressed_dry", ending_json(&press->dry), "stopped_before",
                     ending_json(&press->stopped), "water_taken_off", press->with_water);
    if (press->has_grams)
        json_object_set_new(ends, "grams", difference_json(&press->grams));
    if (press->has_judged)
        json_object_set_new(ends, "judged", difference_json(&press->judged));
    json_object_set_new(out, "pressed_dry_or_not", ends);
}

static json_t *layout_json(const struct findings *findings)
{
    static const char *const methods[] = { "none", "separate", "pooled", "blocks", "days", "borrowed" };
    const struct layout_result *layout = &findings->layout;

    return json_pack("{s:s, s:o, s:o, s:i, s:s, s:o, s:o, s:o}", "method", methods[layout->method], "spread",
                     number_json(layout->spread), "df", number_json(layout->df), "blocks", findings->block_count,
                     "blocks_are", findings->block_words, "between", number_json(layout->between), "block_p",
                     number_json(layout->block_p), "alike_p", number_json(layout->alike_p));
}

static json_t *effects_json(const struct findings *findings)
{
    json_t *list = json_array(), *questions = json_array();

    for (int i = 0; i < findings->effect_count; i++) {
        const struct effect_finding *effect = &findings->effect[i];
        json_t *object = difference_json(&effect->difference);
        char first[WORDS_SIZE], second[WORDS_SIZE];

        findings_level_call(&findings->factor[effect->factor], effect->first, first);
        findings_level_call(&findings->factor[effect->factor], effect->second, second);
        json_object_set_new(object, "factor", json_string(findings->factor[effect->factor].name));
        json_object_set_new(object, "level", json_string(first));
        json_object_set_new(object, "against", json_string(second));
        json_object_set_new(object, "shown", json_boolean(effect->shown));
        json_array_append_new(list, object);
    }
    for (int i = 0; i < 3; i++)
        if (findings->questions.asked[i])
            json_array_append_new(questions, json_pack("{s:s, s:o, s:o, s:b}", "of",
                                                       i < FACTORS ? findings->factor[i].name : "interaction", "p",
                                                       number_json(findings->questions.p[i]), "p_together",
                                                       number_json(findings->questions.adjusted[i]), "shown",
                                                       findings->questions.shown[i]));
    return json_pack("{s:o, s:o}", "questions", questions, "differences", list);
}

static json_t *surface_json(const struct findings *findings)
{
    static const char *const terms[SURFACE_TERMS] = { "constant",      "first",          "second",
                                                      "first_squared", "second_squared", "both" };
    static const char *const kinds[] = { "top", "bottom", "saddle" };
    const struct surface *surface = &findings->surface;
    json_t *coefficients = json_object(), *at = json_object(), *where = json_object();

    for (int i = 0; i < SURFACE_TERMS; i++)
        json_object_set_new(coefficients, terms[i],
                            json_pack("{s:o, s:o}", "value", number_json(surface->coefficient[i]), "standard_error",
                                      number_json(surface->error[i])));
    for (int f = 0; f < FACTORS; f++) {
        json_object_set_new(at, findings->factor[f].name, number_json(surface->at[f]));
        json_object_set_new(where, findings->factor[f].name, interval_json(surface->where[f]));
    }
    return json_pack("{s:o, s:o, s:o, s:s, s:o, s:o, s:o, s:b, s:o}", "coefficients", coefficients, "spread",
                     number_json(surface->spread), "df", number_json(surface->df), "kind", kinds[surface->kind], "at",
                     at, "intervals", where, "value", number_json(surface->value), "shown", findings->has_top,
                     "lack_of_fit",
                     surface->has_lack
                         ? json_pack("{s:o, s:o}", "f", number_json(surface->lack.f), "p", number_json(surface->lack.p))
                         : json_null());
}

static json_t *beside_json(const struct findings *findings)
{
    json_t *list = json_array();

    for (int i = 0; i < findings->beside_count; i++) {
        const struct beside_finding *beside = &findings->beside[i];
        const struct factor *factor = &findings->factor[beside->factor];
        json_t *means = json_object();

        for (int j = 0; j < factor->level_count; j++)
            json_object_set_new(means, factor->level[j].label, number_json(beside->mean[j]));
        json_array_append_new(list, json_pack("{s:s, s:s, s:o, s:o}", "measure", measure_name(beside->measure), "by",
                                              factor->name, "means", means, "p_together", number_json(beside->p)));
    }
    return list;
}

static json_t *adjusted_json(const struct findings *findings)
{
    const struct covariates *its = &findings->covariates;
    json_t *slopes = json_object(), *list = json_array();

    for (int i = 0; i < its->count; i++)
        if (its->covariate[i].known)
            json_object_set_new(slopes, measure_name(its->covariate[i].measure),
                                difference_json(&its->covariate[i].slope));
    for (int i = 0; i < findings->pair_count; i++) {
        char first[2 * WORDS_SIZE], second[2 * WORDS_SIZE];
        json_t *object;

        if (!its->known_pair[i])
            continue;
        findings_level_words(findings, findings->pair[i].first, first);
        findings_level_words(findings, findings->pair[i].second, second);
        object = difference_json(&its->adjusted[i]);
        json_object_set_new(object, "level", json_string(first));
        json_object_set_new(object, "against", json_string(second));
        json_object_set_new(object, "changed_by",
                            number_json(its->adjusted[i].difference - findings->pair[i].difference.difference));
        json_array_append_new(list, object);
    }
    return json_pack("{s:o, s:o, s:o, s:o}", "per_unit", slopes, "differences", list, "spread",
                     number_json(its->spread), "df", number_json(its->df));
}

json_t *findings_json(const struct findings *findings)
{
    static const char *const sources[] = { "none", "levels", "bench" };
    json_t *out = json_object(), *curves = json_array(), *cautions = json_array(), *cups = json_array();
    char headline[SENTENCE_SIZE];

    words_headline(findings, headline);
    json_object_set_new(out, "experiment", json_string(findings->experiment));
    json_object_set_new(out, "title", json_string(findings->title));
    json_object_set_new(out, "measure", json_string(measure_name(findings->options->measure)));
    json_object_set_new(out, "confidence", number_json(findings->options->confidence));
    json_object_set_new(out, "headline", json_string(headline));
    json_object_set_new(out, "rule", json_string(headline_rule(findings)->name));
    json_object_set_new(out, "claims", claims_json(findings));
    json_object_set_new(out, "cups_counted", json_integer((json_int_t)findings->point_count));
    json_object_set_new(out, "levels", levels_json(findings));
    json_object_set_new(out, "spread",
                        json_pack("{s:s, s:o, s:o}", "from", sources[findings->spread_source], "value",
                                  number_json(findings->spread_source ? findings->spread : (double)NAN), "df",
                                  number_json(findings->spread_df)));
    json_object_set_new(out, "differences", pairs_json(findings));
    if (findings->has_layout)
        json_object_set_new(out, "layout", layout_json(findings));
    if (findings->has_questions)
        json_object_set_new(out, "effects", effects_json(findings));
    if (findings->plan.known)
        json_object_set_new(out, "plan",
                            json_pack("{s:i, s:I, s:b, s:o}", "runs", findings->plan.runs, "brewed",
                                      (json_int_t)findings->cups->count, "unfinished", findings->plan.unfinished,
                                      "confidence", number_json(findings->confidence)));
    if (findings->has_anova)
        json_object_set_new(out, "anova", anova_json(findings));
    if (findings->has_equivalence)
        json_object_set_new(out, "same_within",
                            json_pack("{s:f, s:b, s:f, s:o}", "margin", findings->options->margin, "same",
                                      findings->equivalence.equal, "p", findings->equivalence.p, "interval",
                                      interval_json(findings->equivalence.interval)));
    for (int i = 0; i < findings->curve_count; i++)
        json_array_append_new(curves, curve_json(findings, &findings->curve[i]));
    if (findings->curve_count)
        json_object_set(out, "curves", curves);
    json_decref(curves);
    add_trend(findings, out);
    add_press(findings, out);
    if (findings->has_surface)
        json_object_set_new(out, "surface", surface_json(findings));
    if (findings->beside_count)
        json_object_set_new(out, "differs_beside", beside_json(findings));
    if (findings->covariates.fitted)
        json_object_set_new(out, "adjusted", adjusted_json(findings));
    for (int i = 0; i < findings->caution_count; i++)
        json_array_append_new(cautions, json_string(findings->caution[i]));
    json_object_set_new(out, "cautions", cautions);
    for (size_t i = 0; i < findings->point_count; i++)
        json_array_append_new(cups, cup_json(findings->point[i].cup));
    json_object_set_new(out, "cups", cups);
    return out;
}

/* --- CSV --- */

/* RFC 4180: quotes doubled, lines end in CR LF.  A cell that a spreadsheet would take for a formula gets an
 * apostrophe in front, as is common practice against formulas from strangers. */
static void cell(const char *text, bool last, FILE *out)
{
    bool formula = text[0] && strchr("=+-@\t\r", text[0]);

    if (formula || strpbrk(text, ",\"\r\n")) {
        fputs(formula ? "\"'" : "\"", out);
        for (; *text; text++) {
            if (*text == '"')
                fputc('"', out);
            fputc(*text, out);
        }
        fputc('"', out);
    } else {
        fputs(text, out);
    }
    fputs(last ? "\r\n" : ",", out);
}

static void number_cell(double number, FILE *out)
{
    if (isfinite(number))
        fprintf(out, "%.10g", number);
    fputc(',', out);
}

static void count_cell(int count, FILE *out)
{
    if (count >= 0)
        fprintf(out, "%d", count);
    fputc(',', out);
}

/* The names of all factors met, or of all that recipes held, in the order of their first cup. */
static json_t *names_of(const struct cups *cups, bool held)
{
    json_t *names = json_object();

    for (size_t i = 0; i < cups->count; i++) {
        json_t *object = held ? cups->cup[i].recipe : cups->cup[i].factors;

        if (object)
            json_object_update_missing(names, object);
    }
    return names;
}

static void name_cells(const char *kind, const json_t *names, FILE *out)
{
    const char *name;
    json_t *value;
    char title[256];

    json_object_foreach((json_t *)names, name, value)
    {
        snprintf(title, sizeof title, "%s %s", kind, name);
        cell(title, false, out);
    }
}

/* Numbers as numbers, words as words, anything else as nothing.  A factor of others may be held in this cup. */
static void value_cells(json_t *names, const json_t *own, const json_t *else_held, FILE *out)
{
    const char *name;
    json_t *value;

    json_object_foreach(names, name, value)
    {
        const json_t *its = json_object_get(own, name);

        if (!its)
            its = json_object_get(else_held, name);
        if (json_is_number(its))
            number_cell(json_number_value(its), out);
        else
            cell(json_is_string(its) ? json_string_value(its) : "", false, out);
    }
}

static void title_row(const json_t *factors, const json_t *held, FILE *out)
{
    fputs("brew,bench,station,began_utc,ended_utc,experiment,run,replicate,plan_kept,", out);
    name_cells("factor", factors, out);
    name_cells("held", held, out);
    for (int i = 0; i < MEASURE_COUNT; i++) {
        const char *measure = measure_name((enum measure)i), *unit = unit_of(measure);

        if (*unit)
            fprintf(out, "%s [%s],%s_u [%s],", measure, unit, measure, unit);
        else
            fprintf(out, "%s,%s_u,", measure, measure);
    }
    fputs("above,note\r\n", out);
}

int cups_csv(const struct cups *cups, FILE *out)
{
    json_t *factors = names_of(cups, false), *held = names_of(cups, true);

    title_row(factors, held, out);
    for (size_t i = 0; i < cups->count; i++) {
        const struct cup *cup = &cups->cup[i];
        char above[WORDS_SIZE];

        cell(cup->brew, false, out);
        cell(cup->bench, false, out);
        cell(cup->station, false, out);
        cell(cup->began_utc, false, out);
        cell(cup->ended_utc, false, out);
        cell(cup->experiment ? cup->experiment : "", false, out);
        count_cell(cup->run, out);
        count_cell(cup->replicate, out);
        count_cell(cup->plan_kept, out);
        value_cells(factors, cup->factors, cup->recipe, out);
        value_cells(held, cup->recipe, NULL, out);
        for (int measure = 0; measure < MEASURE_COUNT; measure++) {
            number_cell(cup->measures.value[measure], out);
            number_cell(cup->measures.standard_uncertainty[measure], out);
        }
        above_words(cup, above, sizeof above);
        cell(above, false, out);
        cell(cup->note ? cup->note : "", true, out);
    }
    json_decref(factors);
    json_decref(held);
    return EXIT_DONE;
}

/* One row: whose, what kind of number ("factor", "held", "measure"), its name, the number or word, unit, uncertainty.
 */
static void tall_row(const struct cup *cup, const char *kind, const char *name, const char *value, const char *unit,
                     double uncertainty, bool above, FILE *out)
{
    cell(cup->brew, false, out);
    cell(cup->bench, false, out);
    cell(cup->began_utc, false, out);
    cell(cup->experiment ? cup->experiment : "", false, out);
    count_cell(cup->run, out);
    count_cell(cup->replicate, out);
    count_cell(cup->plan_kept, out);
    cell(kind, false, out);
    cell(name, false, out);
    cell(value, false, out);
    cell(unit, false, out);
    number_cell(uncertainty, out);
    cell(above ? "1" : "", true, out);
}

static void tall_settings(const struct cup *cup, const char *kind, const json_t *object, FILE *out)
{
    const char *name;
    json_t *value;
    char number[40];

    json_object_foreach((json_t *)object, name, value)
    {
        if (json_is_number(value))
            snprintf(number, sizeof number, "%.10g", json_number_value(value));
        if (json_is_number(value) || json_is_string(value))
            tall_row(cup, kind, name, json_is_string(value) ? json_string_value(value) : number, unit_of(name), NAN,
                     false, out);
    }
}

int cups_csv_tall(const struct cups *cups, FILE *out)
{
    fputs("brew,bench,began_utc,experiment,run,replicate,plan_kept,kind,name,value,unit,standard_uncertainty,above\r\n",
          out);
    for (size_t i = 0; i < cups->count; i++) {
        const struct cup *cup = &cups->cup[i];

        tall_settings(cup, "factor", cup->factors, out);
        tall_settings(cup, "held", cup->recipe, out);
        for (int measure = 0; measure < MEASURE_COUNT; measure++) {
            char number[40];

            if (isnan(cup->measures.value[measure]))
                continue;
            snprintf(number, sizeof number, "%.10g", cup->measures.value[measure]);
            tall_row(cup, "measure", measure_name((enum measure)measure), number, measure_unit((enum measure)measure),
                     cup->measures.standard_uncertainty[measure], cup->above >> measure & 1, out);
        }
    }
    return EXIT_DONE;
}
