/* The report of one experiment: headline, levels, cautions; see words.h. */
#include "words.h"

#include <math.h>
#include <string.h>

const char *words_step(const char *measure)
{
    const char *unit = unit_of(measure);

    return strcmp(unit, "%") == 0 ? "points" : unit;
}

enum { DECIMALS_MOST = 5 };

void words_interval(struct interval interval, int decimals, const char *unit, char out[96])
{
    bool low = isfinite(interval.low) && interval.low > 0, high = isfinite(interval.high);

    if (isfinite(interval.low) && high)         /* many cups: the ends differ only further down */
        while (decimals < DECIMALS_MOST && interval.high > interval.low
               && interval.high - interval.low < pow(10, -decimals))
            decimals++;
    if (isnan(interval.low) || isnan(interval.high))
        snprintf(out, 96, "not known");
    else if (isfinite(interval.low) && high)
        snprintf(out, 96, "%.*f to %.*f%s%s", decimals, interval.low, decimals, interval.high, *unit ? " " : "", unit);
    else if (low)
        snprintf(out, 96, "at least %.*f%s%s", decimals, interval.low, *unit ? " " : "", unit);
    else if (high)
        snprintf(out, 96, "at most %.*f%s%s", decimals, interval.high, *unit ? " " : "", unit);
    else
        snprintf(out, 96, "not identified");
}

void words_p(double p, char out[32])
{
    if (isnan(p))
        snprintf(out, 32, "not known");
    else if (p < 0.001)
        snprintf(out, 32, "less than 0.001");
    else
        snprintf(out, 32, "%.*f", p < 0.1 ? 3 : 2, p);
}

/* --- headlines --- */

static void headline_time(const struct findings *findings, char out[SENTENCE_SIZE])
{
    const struct curve_finding *curve = &findings->curve[0], *second = &findings->curve[1];
    const char *call = call_of(measure_name(findings->options->measure));
    int other = findings_other_factor(findings);
    char interval[96];

    if (findings->curve_count >= 2 && other >= 0 && curve->fitted && second->fitted && curve->identified
        && second->identified) {
        struct interval difference = kinetics_difference(curve->fit.value[KINETICS_PLATEAU], curve->plateau,
                                                         second->fit.value[KINETICS_PLATEAU], second->plateau);
        double step = curve->fit.value[KINETICS_PLATEAU] - second->fit.value[KINETICS_PLATEAU];
        const char *first_label = findings->factor[other].level[0].label,
                   *second_label = findings->factor[other].level[1].label;

        words_interval(difference, 1, words_step(measure_name(findings->options->measure)), interval);
        if (difference.low > 0 || difference.high < 0)
            snprintf(out, SENTENCE_SIZE, "Given time enough, %s %.60s ends %.1f points %s than %.60s (%s).",
                     call_of(findings->factor[other].name), first_label, fabs(step), step > 0 ? "higher" : "lower",
                     second_label, interval);
        else
            snprintf(out, SENTENCE_SIZE, "Given time enough, no difference is shown between %s %.60s and %.60s (%s).",
                     call_of(findings->factor[other].name), first_label, second_label, interval);
        return;
    }
    if (findings->curve_count >= 2) {
        for (int i = 0; i < 2; i++)
            if (!findings->curve[i].fitted || !findings->curve[i].identified)
                snprintf(out, SENTENCE_SIZE, "The cups of %.60s %.60s do not tell where its %s ends: no comparison of "
                         "the curves. Brew some longer ones.", call_of(findings->factor[other].name),
                         findings->factor[other].level[findings->curve[i].level].label, call);
        return;
    }
    if (!curve->fitted) {
        snprintf(out, SENTENCE_SIZE, "No curve fits these cups: %s.", curve->why_not);
        return;
    }
    if (!curve->answer[0].identified) {
        snprintf(out, SENTENCE_SIZE,
                 "These steep times do not reach past the bend: how much %s there is to have, and when it is "
                 "had, is not identified. Brew some longer ones.",
                 call);
        return;
    }
    words_interval(curve->answer[0].interval, 0, "s", interval);
    snprintf(out, SENTENCE_SIZE,
             "After %.0f seconds %.0f %% of all the %s there is to have is in the cup (%s, %.0f %% "
             "confidence): steeping longer brings little.",
             curve->answer[0].value, 100 * findings->options->share, call, interval,
             100 * findings->options->confidence);
}

static void headline_trend(const struct findings *findings, char out[SENTENCE_SIZE])
{
    const char *measure = measure_name(findings->options->measure), *factor = findings->factor[0].name;
    const struct trend *trend = &findings->trend;
    struct interval slope;
    double low = findings->factor[0].level[0].number;
    double high = findings->factor[0].level[findings->factor[0].level_count - 1].number, span = high - low, change;
    char interval[96];

    if (!findings->has_trend) {
        snprintf(out, SENTENCE_SIZE, "No line fits these cups.");
        return;
    }
    if (findings->has_break && findings->broken.p < 1 - findings->options->confidence
        && findings->broken.slope_after_interval.high < 0 && findings->broken.slope_before > 0) {
        words_interval(findings->broken.at_interval, 0, unit_of(factor), interval);
        snprintf(out, SENTENCE_SIZE, "%s climbs with %s up to about %.0f %s (%s) and falls beyond.", call_of(measure),
                 call_of(factor), findings->broken.at, unit_of(factor), interval);
        return;
    }
    change = trend_slope_at(trend, (low + high) / 2, findings->options->confidence, &slope) * span;
    words_interval((struct interval){ slope.low * span, slope.high * span }, 2, words_step(measure), interval);
    if (isnan(slope.low) || (slope.low <= 0 && slope.high >= 0))
        snprintf(out, SENTENCE_SIZE, "From %s %g to %g no change of %s is shown (%s).", call_of(factor), low, high,
                 call_of(measure), interval);
    else
        snprintf(out, SENTENCE_SIZE, "From %s %g to %g%s%s, %s %s by %.2f %s (%s).", call_of(factor), low, high,
                 *unit_of(factor) ? " " : "", unit_of(factor), call_of(measure), change > 0 ? "rises" : "falls",
                 fabs(change), words_step(measure), interval);
}

static void headline_two_levels(const struct findings *findings, char out[SENTENCE_SIZE])
{
    const struct difference *difference = &findings->pair[0].difference;
    const char *measure = measure_name(findings->options->measure), *step = words_step(measure);
    char first[2 * WORDS_SIZE], second[2 * WORDS_SIZE], interval[96];

    findings_level_words(findings, findings->pair[0].first, first);
    findings_level_words(findings, findings->pair[0].second, second);
    words_interval(difference->interval, 2, step, interval);
    if (findings->has_equivalence && findings->equivalence.equal)
        snprintf(out, SENTENCE_SIZE, "%s and %s give the same %s within %g %s.", first, second, call_of(measure),
                 findings->options->margin, step);
    else if (difference->p < 1 - findings->options->confidence)
        snprintf(out, SENTENCE_SIZE, "%s gives %.2f %s %s %s than %s (%s).", first, fabs(difference->difference), step,
                 difference->difference > 0 ? "more" : "less", call_of(measure), second, interval);
    else
        snprintf(out, SENTENCE_SIZE,
                 "No difference of %s is shown between %s and %s (%s); one of %.2f %s would most likely have "
                 "shown.",
                 call_of(measure), first, second, interval, findings->smallest, step);
}

static void headline_levels(const struct findings *findings, char out[SENTENCE_SIZE])
{
    const char *measure = measure_name(findings->options->measure), *step = words_step(measure);
    double alpha = 1 - findings->options->confidence;
    char p[32], best[2 * WORDS_SIZE], worst[2 * WORDS_SIZE];
    int most = 0, least = 0;

    if (!findings->pair_count) {
        snprintf(out, SENTENCE_SIZE, "No comparison of %s can be judged: %s.", call_of(measure),
                 findings->no_anova[0] ? findings->no_anova : "there are too few cups");
        return;
    }
    for (int i = 1; i < findings->level_count; i++) {
        if (findings->level[i].level_of.mean > findings->level[most].level_of.mean)
            most = i;
        if (findings->level[i].level_of.mean < findings->level[least].level_of.mean)
            least = i;
    }
    findings_level_words(findings, most, best);
    findings_level_words(findings, least, worst);
    if (findings->level_count == 2) {
        headline_two_levels(findings, out);
    } else if (findings->factor_count == 2 && findings->has_anova
               && findings->anova.line[ANOVA_INTERACTION].p < alpha) {
        words_p(findings->anova.line[ANOVA_INTERACTION].p, p);
        snprintf(out, SENTENCE_SIZE, "What %.60s does to %s depends on %.60s (p %s): most at %s, least at %s.",
                 call_of(findings->factor[1].name), call_of(measure), call_of(findings->factor[0].name), p, best,
                 worst);
    } else {
        bool shown = findings->has_anova
                         ? findings->anova.line[ANOVA_A].p < alpha || findings->anova.line[ANOVA_B].p < alpha
                         : false;

        for (int i = 0; i < findings->pair_count && !findings->has_anova; i++)
            shown = shown || findings->pair[i].difference.p < alpha;
        if (shown)
            snprintf(out, SENTENCE_SIZE, "%s is highest at %s and lowest at %s: %.2f %s apart.", call_of(measure),
                     best, worst, findings->level[most].level_of.mean - findings->level[least].level_of.mean, step);
        else
            snprintf(out, SENTENCE_SIZE,
                     "No difference of %s is shown among the %d levels; one of %.2f %s between two of them "
                     "would most likely have shown.",
                     call_of(measure), findings->level_count, findings->smallest, step);
    }
}

void words_headline(const struct findings *findings, char out[SENTENCE_SIZE])
{
    const char *call = call_of(measure_name(findings->options->measure));

    switch (findings->design) {
    case DESIGN_EMPTY:
        snprintf(out, SENTENCE_SIZE, "There is no cup with %s yet.", call);
        break;
    case DESIGN_ONE_LEVEL:
        snprintf(out, SENTENCE_SIZE, "All %zu cups are at one level: nothing to compare yet.", findings->point_count);
        break;
    case DESIGN_TIME:
        headline_time(findings, out);
        break;
    case DESIGN_NUMBERS:
        headline_trend(findings, out);
        break;
    case DESIGN_WORDS:
    case DESIGN_TWO:
        headline_levels(findings, out);
        break;
    }
    if (out[0] >= 'a' && out[0] <= 'z')
        out[0] = (char)(out[0] - 'a' + 'A');
}

/* --- the levels --- */

static void level_table(const struct findings *findings, struct document *out)
{
    const char *measure = measure_name(findings->options->measure);
    int decimals = measure_decimals(findings->options->measure);
    char titles[256], words[2 * WORDS_SIZE], interval[96];

    if (!findings->level_count)
        return;
    snprintf(titles, sizeof titles, "level|#cups|#mean %s|%.0f %% interval|#spread|#out of plan", unit_of(measure),
             100 * findings->options->confidence);
    document_add(out, BLOCK_HEADING, "%s by level", call_of(measure));
    document_table(out, titles);
    for (int i = 0; i < findings->level_count; i++) {
        const struct level_finding *level = &findings->level[i];
        char spread[32] = "";

        findings_level_words(findings, i, words);
        words_interval(level->interval, decimals, "", interval);
        if (level->level_of.n > 1)
            snprintf(spread, sizeof spread, "%.*f", decimals, level->level_of.spread);
        document_row(out, "%s" CELL "%zu" CELL "%.*f" CELL "%s" CELL "%s" CELL "%d", words, level->level_of.n,
                     decimals, level->level_of.mean, interval, spread, level->left_out);
    }
}

void words_held(const struct findings *findings, char out[SENTENCE_SIZE])
{
    const json_t *recipe = findings->point_count ? findings->point[0].cup->recipe : NULL;
    const char *name;
    json_t *value;
    size_t length = 0;

    out[0] = '\0';
    json_object_foreach((json_t *)recipe, name, value) {
        char text[WORDS_SIZE] = "";
        bool same = true;

        for (int f = 0; f < findings->factor_count; f++)
            same = same && strcmp(findings->factor[f].name, name) != 0;
        for (size_t i = 1; i < findings->point_count && same; i++)
            same = json_equal(json_object_get(findings->point[i].cup->recipe, name), value);
        if (json_is_string(value))
            snprintf(text, sizeof text, "%s", json_string_value(value));
        else if (json_is_number(value))
            snprintf(text, sizeof text, "%.10g", json_number_value(value));
        if (!same || !text[0] || length + 2 * WORDS_SIZE >= SENTENCE_SIZE)
            continue;
        length += (size_t)snprintf(out + length, SENTENCE_SIZE - length, "%s%.60s %s%s%s", length ? ", " : "",
                                   call_of(name), text, *unit_of(name) ? " " : "", unit_of(name));
    }
}

void words_experiment(const struct findings *findings, struct document *out, bool charts)
{
    char sentence[SENTENCE_SIZE];

    words_headline(findings, sentence);
    document_add(out, BLOCK_HEADLINE, "%s", sentence);
    document_add(out, BLOCK_TEXT, "%s%s%s: %zu cups.", findings->title[0] ? findings->title : findings->experiment,
                 findings->title[0] ? ", experiment " : "", findings->title[0] ? findings->experiment : "",
                 findings->point_count);
    if (charts && findings->point_count)
        document_chart(out, words_chart(findings));
    level_table(findings, out);
    if (findings->design == DESIGN_TIME)
        words_curves(findings, out);
    if (findings->design == DESIGN_NUMBERS)
        words_trend(findings, out);
    if (findings->level_count > 1)
        words_comparison(findings, out);
    words_ratio(findings, out);
    document_add(out, BLOCK_HEADING, "Before believing it");
    for (int i = 0; i < findings->caution_count; i++)
        document_add(out, BLOCK_CAUTION, "%s", findings->caution[i]);
    words_held(findings, sentence);
    document_add(out, BLOCK_TEXT, "Held: %s.", sentence[0] ? sentence : "nothing that the store knows of");
}
