/* Tables and sentences that belong to one design; see words.h. */
#include "words.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "poise/brew.h"

static void curve_name(const struct findings *findings, int curve, char out[2 * WORDS_SIZE])
{
    int other = findings_other_factor(findings);
    char level[WORDS_SIZE];

    out[0] = '\0';
    if (other < 0)
        return;
    findings_level_call(&findings->factor[other], findings->curve[curve].level, level);
    snprintf(out, 2 * WORDS_SIZE, "%.60s %.120s", call_of(findings->factor[other].name), level);
}

static void question_words(const struct findings *findings, const struct kinetics_question *question,
                           char out[SENTENCE_SIZE])
{
    const char *measure = measure_name(findings->options->measure), *step = step_of(measure);

    switch (question->quantity) {
    case QUANTITY_OF_SHARE:
        snprintf(out, SENTENCE_SIZE, "%.0f %% of the plateau is reached", 100 * question->share);
        break;
    case QUANTITY_OF_GAIN:
        snprintf(out, SENTENCE_SIZE, "another %.0f s bring less than %g %s", question->step_s, question->least, step);
        break;
    default:
        snprintf(out, SENTENCE_SIZE, "doubling the time brings less than %g %s", question->least, step);
        break;
    }
}

static void fit_sentence(const struct findings *findings, const struct curve_finding *curve, struct document *out)
{
    const char *measure = measure_name(findings->options->measure), *unit = unit_of(measure);
    const char *step = step_of(measure);
    char p[32], plateau[96], rate[96], shape[120];

    if (!curve->identified) {
        document_add(out, BLOCK_TEXT,
                     "These cups do not bound the curve on both sides: plateau and rate are not identified.");
        return;
    }
    words_interval(curve->plateau, 1, unit, plateau);
    words_interval(curve->rate, 4, "per second", rate);
    document_add(
        out, BLOCK_TEXT,
        "By first order, allowing for a part washed off at once or a late beginning: plateau %.2f %s (%s); rate %.4f per second "
        "(%s); cups scatter by %.2f %s around the curve.",
        curve->fit.value[KINETICS_PLATEAU], unit, plateau, curve->fit.value[KINETICS_RATE], rate, curve->fit.spread,
        step);
    if (curve->fit.quick && curve->quick_p < 1 - findings->confidence && curve->fit.value[KINETICS_QUICK] < 0) {
        words_p(curve->quick_p, p);
        document_add(
            out, BLOCK_TEXT,
            "No part is washed off at once: the curve begins late, at %.0f s; begun at once it fits worse (p %s).",
            log1p(-curve->fit.value[KINETICS_QUICK] / curve->fit.value[KINETICS_PLATEAU])
                / curve->fit.value[KINETICS_RATE],
            p);
    } else if (curve->fit.quick && curve->quick_p < 1 - findings->confidence) {
        words_p(curve->quick_p, p);
        document_add(out, BLOCK_TEXT, "The part washed off at once is %.1f %s; without it the curve fits worse (p %s).",
                     curve->fit.value[KINETICS_QUICK], unit, p);
    } else if (curve->fit.quick) {
        words_interval(curve->other_share, 0, "s", rate);
        document_add(out, BLOCK_TEXT,
                     "Whether a part is washed off at once is not shown; the intervals allow for it. Without one the "
                     "plateau would be %.2f %s, and %g %% of it reached after %s.",
                     curve->other.value[KINETICS_PLATEAU], unit, 100 * findings->options->share, rate);
    } else {
        document_add(out, BLOCK_CAUTION,
                     "These cups are too few to show whether a part is washed off at once: with such "
                     "a part the bend lies elsewhere.");
    }
    if (curve->has_lack) {
        words_p(curve->lack.p, p);
        document_add(out, curve->misfit ? BLOCK_CAUTION : BLOCK_TEXT,
                     "Lack of fit against replicates: F %.2f on %.0f and %.0f degrees of freedom, p %s%s.",
                     curve->lack.f, curve->lack.df, curve->lack.df_pure, p,
                     curve->misfit ? ": the true shape is another, and the numbers above are not claimed" : "");
    } else {
        document_add(out, BLOCK_TEXT,
                     "Whether the shape is right these cups do not show: that takes more levels than "
                     "the curve has numbers, and repeats.");
    }
    if (curve->rivalled) {
        char criteria[48] = "";

        shape_words(&curve->rival, shape, sizeof shape);
        if (!shape_holds_first_order(&curve->rival) && isfinite(curve->rival.aicc)
            && isfinite(curve->fit.aicc)) /* so few cups have none */
            snprintf(criteria, sizeof criteria, " (AICc %.1f against %.1f)", curve->rival.aicc, curve->fit.aicc);
        if (shape[0] >= 'a' && shape[0] <= 'z')
            shape[0] = (char)(shape[0] - 'a' + 'A');
        document_add(out, BLOCK_CAUTION,
                     "%s %s%s: where %s ends is not shown, and the numbers above are first order's alone.", shape,
                     shape_holds_first_order(&curve->rival) ? "is not excluded" : "fits as well", criteria,
                     call_of(measure));
    }
}

/* Plateaus of all pairs of curves together: each interval is widened so that none of them misses more often than one
 * alone would. */
static void compare_curves(const struct findings *findings, struct document *out)
{
    char first_name[2 * WORDS_SIZE], second_name[2 * WORDS_SIZE], plateau[96];

    for (int first = 0; first < findings->curve_count; first++)
        for (int second = first + 1; second < findings->curve_count; second++) {
            const struct curve_finding *a = &findings->curve[first], *b = &findings->curve[second];

            curve_name(findings, first, first_name);
            curve_name(findings, second, second_name);
            if (!a->supported || !b->supported) {
                document_add(out, BLOCK_ITEM, "%s against %s: not comparable, where %s ends is not shown.", first_name,
                             second_name, a->supported ? second_name : first_name);
                continue;
            }
            words_interval(kinetics_difference(a->fit.value[KINETICS_PLATEAU], a->plateau_together,
                                               b->fit.value[KINETICS_PLATEAU], b->plateau_together),
                           1, "points", plateau);
            document_add(out, BLOCK_ITEM, "%s against %s: plateau %+.2f points (%s, all pairs together).", first_name,
                         second_name, a->fit.value[KINETICS_PLATEAU] - b->fit.value[KINETICS_PLATEAU], plateau);
        }
}

/* What no cup reached is the curve's word alone. */
static void beyond_sentence(const struct curve_finding *curve, struct document *out)
{
    bool beyond = false;

    for (int i = 0; i < ANSWERS; i++)
        beyond = beyond || (curve->answer[i].identified && curve->answer[i].beyond_cups);
    if (beyond)
        document_add(out, BLOCK_CAUTION,
                     "The longest of these cups steeped %.0f s: what lies beyond is the curve "
                     "drawn on, and no cup has tried it.",
                     curve->longest_s);
}

void words_curves(const struct findings *findings, struct document *out)
{
    char name[2 * WORDS_SIZE], words[SENTENCE_SIZE], interval[96], titles[96];

    for (int i = 0; i < findings->curve_count; i++) {
        const struct curve_finding *curve = &findings->curve[i];

        curve_name(findings, i, name);
        document_add(out, BLOCK_HEADING, "Where returns diminish%s%s", name[0] ? ": " : "", name);
        if (!curve->fitted) {
            document_add(out, BLOCK_CAUTION, "No curve: %s.", curve->why_not);
            continue;
        }
        snprintf(titles, sizeof titles, "by this measure|#seconds|%.0f %% interval|", 100 * findings->confidence);
        document_table(out, titles);
        for (int j = 0; j < ANSWERS; j++) {
            question_words(findings, &curve->answer[j].question, words);
            words_interval(curve->answer[j].interval, 0, "s", interval);
            if (curve->answer[j].claimed)
                document_row(out, "%s" CELL "%.0f" CELL "%s" CELL "", words, curve->answer[j].value, interval);
            else if (curve->answer[j].identified && !curve->misfit)
                document_row(out, "%s" CELL "(%.0f)" CELL "%s" CELL "%s", words, curve->answer[j].value, interval,
                             !curve->supported ? "if first order is right" : "beyond the steeps brewed");
            else
                document_row(out, "%s" CELL "?" CELL "%s" CELL "", words,
                             curve->answer[j].interval.low > 0 && !curve->misfit ? interval : "not identified");
        }
        beyond_sentence(curve, out);
        fit_sentence(findings, curve, out);
    }
    if (findings->curve_count > 1) {
        document_add(out, BLOCK_HEADING, "The curves compared");
        compare_curves(findings, out);
    }
}

void words_trend(const struct findings *findings, struct document *out)
{
    const char *measure = measure_name(findings->options->measure), *factor = findings->factor[0].name;
    const char *per = *unit_of(factor) ? unit_of(factor) : "step";
    const struct factor *levels = &findings->factor[0];
    double low = levels->level[0].number, high = levels->level[levels->level_count - 1].number;
    struct interval slope;
    char words[96], p[32], shape[32];

    document_add(out, BLOCK_HEADING, "%s along %s", call_of(measure), call_of(factor));
    if (findings->has_break && findings->bends) {
        words_p(findings->broken.p, p);
        words_interval(findings->broken.at_interval, 0, unit_of(factor), words);
        document_add(out, BLOCK_TEXT,
                     "Two straight pieces would meet at %.*f%s%s (%s): %+.3f %s per %s before, %+.3f after (p %s by %d "
                     "permutations%s).",
                     words_decimals(findings->broken.at_interval, 0), findings->broken.at, *unit_of(factor) ? " " : "",
                     unit_of(factor), words, findings->broken.slope_before, step_of(measure), per,
                     findings->broken.slope_after, p, FINDING_PERMUTATIONS,
                     words_smooth(findings) ? "; a smooth curve fits as well" : "");
    }
    if (findings->has_trend && findings->trend.degree == 1) {
        double value = trend_slope_at(&findings->trend, low, findings->confidence, &slope);

        words_interval(slope, 3, step_of(measure), words);
        document_add(out, BLOCK_TEXT, "A line: %+.3f %s per %s (%s).", value, step_of(measure), per, words);
    } else if (findings->has_trend) {
        double first = trend_slope_at(&findings->trend, low, findings->confidence, &slope);
        double last = trend_slope_at(&findings->trend, high, findings->confidence, &slope);

        document_add(out, BLOCK_TEXT, "A curve: %+.3f %s per %s at %g%s%s, %+.3f at %g.", first, step_of(measure), per,
                     low, *unit_of(factor) ? " " : "", unit_of(factor), last, high);
    }
    words_p(findings->family.any, p);
    words_p(findings->family.shape, shape);
    document_add(out, BLOCK_TEXT,
                 "That it changes at all: p %s; that it is no line: p %s. Line, curve and break are one family of "
                 "questions, adjusted for each other.",
                 p, shape);
    if (findings->trend_misfit)
        document_add(out, BLOCK_CAUTION, "Levels lie farther from that line or curve than replicates scatter.");
}

/* --- comparisons --- */

static void anova_table(const struct findings *findings, struct document *out)
{
    static const char *const sources[ANOVA_SOURCES] = { NULL, NULL, "both together", "block" };

    document_table(out, "source|#sum of squares|#df|#F|#p");
    for (int i = 0; i < ANOVA_SOURCES; i++) {
        const struct anova_line *line = &findings->anova.line[i];
        const char *name = i < FACTORS ? call_of(findings->factor[i].name) : sources[i];
        char p[32];

        if (!line->df)
            continue;
        words_p(line->p, p);
        document_row(out, "%s" CELL "%.3f" CELL "%zu" CELL "%.2f" CELL "%s", name, line->ss, line->df, line->f, p);
    }
    document_row(out, "left over" CELL "%.3f" CELL "%zu" CELL CELL, findings->anova.rss, findings->anova.df);
}

/* With two factors only pairs that differ in one of them are simple effects. */
static bool simple_effect(const struct findings *findings, const struct pair_finding *pair, int factor)
{
    const int *first = findings->level[pair->first].level, *second = findings->level[pair->second].level;

    return findings->factor_count < 2 || first[1 - factor] == second[1 - factor];
}

bool words_worth_a_line(const struct findings *findings, const struct pair_finding *pair, int factor)
{
    const int *first = findings->level[pair->first].level, *second = findings->level[pair->second].level;

    return !findings->factor[factor].numeric || findings->factor[factor].level_count <= 3
           || abs(first[factor] - second[factor]) == 1;
}

static void pair_table(const struct findings *findings, struct document *out, int factor)
{
    const char *measure = measure_name(findings->options->measure);
    char first[2 * WORDS_SIZE], second[2 * WORDS_SIZE], interval[96], p[32], titles[160], within[48] = "";
    bool asked = !isnan(findings->options->margin) && findings->level_count > 2;

    if (asked)
        snprintf(within, sizeof within, "|same within %g", findings->options->margin);
    snprintf(titles, sizeof titles, "compared|#difference, %s|%.4g %% interval|#p%s", step_of(measure),
             100 * findings->confidence, within);
    document_table(out, titles);
    for (int i = 0; i < findings->pair_count; i++) {
        const struct pair_finding *pair = &findings->pair[i];

        if (!simple_effect(findings, pair, factor) || !words_worth_a_line(findings, pair, factor))
            continue;
        findings_level_words(findings, pair->first, first);
        findings_level_words(findings, pair->second, second);
        words_interval(pair->difference.interval, 2, "", interval);
        words_p(pair->difference.p, p);
        document_row(out, "%s against %s" CELL "%+.2f" CELL "%s" CELL "%s" CELL "%s", first, second,
                     pair->difference.difference, interval, p, pair->equal ? "yes" : "not shown");
    }
}

/* What each of two factors does on the mean over the other, and the three questions. */
static void effect_table(const struct findings *findings, struct document *out)
{
    const char *step = step_of(measure_name(findings->options->measure));
    char first[WORDS_SIZE], second[WORDS_SIZE], interval[96], titles[160], p[32], alone[32];
    const struct questions *questions = &findings->questions;

    document_table(out, "question|#p alone|#p together|answer");
    for (int i = 0; i < 3; i++) {
        if (!questions->asked[i])
            continue;
        words_p(questions->p[i], alone);
        words_p(questions->adjusted[i], p);
        if (i < FACTORS)
            document_row(out, "does %s matter, on the mean" CELL "%s" CELL "%s" CELL "%s",
                         call_of(findings->factor[i].name), alone, p, questions->shown[i] ? "yes" : "not shown");
        else
            document_row(out, "does the one depend on the other" CELL "%s" CELL "%s" CELL "%s", alone, p,
                         questions->shown[i] ? "yes" : "not shown");
    }
    document_add(out, BLOCK_TEXT,
                 "The questions are judged together (Holm), and each interval below agrees with that.");
    snprintf(titles, sizeof titles, "on the mean|#difference, %s|interval|", step);
    document_table(out, titles);
    for (int i = 0; i < findings->effect_count; i++) {
        const struct effect_finding *effect = &findings->effect[i];

        if (findings->factor[effect->factor].numeric && findings->factor[effect->factor].level_count > 3
            && effect->first - effect->second > 1)
            continue;
        findings_level_call(&findings->factor[effect->factor], effect->first, first);
        findings_level_call(&findings->factor[effect->factor], effect->second, second);
        words_interval(effect->difference.interval, 2, "", interval);
        document_row(out, "%.60s: %.60s against %.60s" CELL "%+.2f" CELL "%s" CELL "%s",
                     call_of(findings->factor[effect->factor].name), first, second, effect->difference.difference,
                     interval, effect->shown ? "shown" : "not shown");
    }
}

static void method_sentence(const struct findings *findings, struct document *out)
{
    static const char *const methods[] = {
        [LAYOUT_NONE] = "",
        [LAYOUT_SEPARATE] = "Each level is judged by its own spread",
        [LAYOUT_POOLED] = "Levels are judged by one spread",
        [LAYOUT_BLOCKS] = "Levels are compared within blocks",
        [LAYOUT_DAYS] = "What the levels do differs from day to day: they are compared by the means of each day",
        [LAYOUT_BORROWED] = "Intervals rest on the bench's repeats in other experiments",
    };
    const struct layout_result *layout = &findings->layout;
    const char *step = step_of(measure_name(findings->options->measure));

    document_add(out, BLOCK_TEXT, "%s%s%s%s.", methods[layout->method],
                 layout->method == LAYOUT_SEPARATE ? findings->level_count == 2 ? " (Welch)" : " (Games and Howell)"
                                                   : "",
                 layout->method == LAYOUT_BLOCKS ? ", random effects by restricted maximum likelihood" : "",
                 findings->level_count > 2 ? "; intervals and p of pairs hold for all pairs together" : "");
    if (findings->block_count) {
        char p[32];

        words_p(layout->block_p, p);
        document_add(out, BLOCK_TEXT,
                     "%d blocks (%s): cups scatter by %.2f %s within a block, and blocks by %.2f (p %s)%s.",
                     findings->block_count, findings->block_words, layout->spread, step,
                     isnan(layout->between) ? 0 : layout->between, p,
                     layout->method == LAYOUT_BLOCKS
                         ? ""
                         : ": blocks are not shown to differ, so levels are not compared within them");
    }
}

void words_comparison(const struct findings *findings, struct document *out)
{
    const char *step = step_of(measure_name(findings->options->measure));
    char p[32], interval[96];

    document_add(out, BLOCK_HEADING, "Compared");
    if (!findings->pair_count) {
        document_add(out, BLOCK_TEXT, "Not possible: %s.", findings->no_anova[0] ? findings->no_anova : "too few cups");
        return;
    }
    if (findings->has_questions)
        effect_table(findings, out);
    for (int factor = 0; factor < findings->factor_count; factor++)
        pair_table(findings, out, factor);
    method_sentence(findings, out);
    if (findings->level_count > 2 && findings->has_anova)
        anova_table(findings, out);
    if (findings->broken_blocks)
        document_add(out, BLOCK_TEXT,
                     "Not every block has every level: levels are compared within blocks, so a difference is not "
                     "quite that of the means above.");
    if (findings->confidence > findings->options->confidence)
        document_add(out, BLOCK_TEXT,
                     "The plan is not done (%zu of %d runs): until it is, only what is sure at %.4g %% is called. All "
                     "early looks together call a difference that is not there once in 200 plans; at the end %g %% "
                     "holds.",
                     findings->cups->count, findings->plan.runs, 100 * findings->confidence,
                     100 * findings->options->confidence);
    if (!isnan(findings->options->margin) && findings->level_count == 2 && !findings->has_equivalence)
        document_add(out, BLOCK_TEXT, "The same within %g %s: cannot be judged; it takes two cups of each level.",
                     findings->options->margin, step);
    if (findings->has_equivalence) {
        words_interval(findings->equivalence.interval, 2, step, interval);
        words_p(findings->equivalence.p, p);
        document_add(out, BLOCK_TEXT, "The same within %g %s: %s (difference %s, p %s by two one-sided tests).",
                     findings->options->margin, step, findings->equivalence.equal ? "yes" : "not shown", interval, p);
    }
}

/* --- ratios --- */

static void mean_cell(double mean, int decimals, char out[32])
{
    out[0] = '\0';
    if (isfinite(mean))
        snprintf(out, 32, "%.*f", decimals, mean);
}

/* The mean of a measure over a level's cups; NAN: none knows it. */
static double level_mean(const struct findings *findings, int place, enum measure measure)
{
    const int *level = findings->level[place].level;
    double sum = 0;
    size_t n = 0;

    for (size_t i = 0; i < findings->point_count; i++) {
        double value = cup_value(findings->point[i].cup, measure);

        if (memcmp(findings->point[i].level, level, sizeof findings->level[place].level) != 0 || isnan(value))
            continue;
        sum += value;
        n++;
    }
    return n ? sum / (double)n : (double)NAN;
}

/* The least and the most dose of these cups: what lies outside nobody has tried. */
static struct interval doses_tried(const struct findings *findings)
{
    struct interval out = { INFINITY, -INFINITY };

    for (size_t i = 0; i < findings->point_count; i++) {
        double dose = findings->point[i].cup->measures.value[MEASURE_DOSE_G];

        out.low = fmin(out.low, dose); /* NAN is left out */
        out.high = fmax(out.high, dose);
    }
    return out;
}

/* Water to add to a cup, or the dose for the target, as this cup shows it. */
typedef double needed_of(const struct measures *measures, double target_pct);

static double water_needed(const struct measures *measures, double target_pct)
{
    return dilution_g(measures->value[MEASURE_STRENGTH_PCT], measures->value[MEASURE_BEVERAGE_G], target_pct);
}

static double dose_needed(const struct measures *measures, double target_pct)
{
    return dose_for_strength_g(target_pct, measures->value[MEASURE_WATER_G],
                               measures->value[MEASURE_EXTRACTION_TOTAL_PCT]);
}

/* "38 (31 to 45)": with the interval of the level's mean, by what cups of all levels scatter; less than none nobody
 * adds. */
static void needed_cell(const struct findings *findings, int place, double mean, int decimals, needed_of *needed,
                        char out[64])
{
    double sum[LEVELS] = { 0 }, n[LEVELS] = { 0 }, squares = 0;
    struct level level = { .mean = mean };
    struct interval interval;

    mean_cell(mean, decimals, out);
    for (int pass = 0; pass < 2; pass++)
        for (size_t i = 0; i < findings->point_count; i++) {
            double value = needed(&findings->point[i].cup->measures, findings->options->target_pct);
            int cell = findings->cell[i];

            if (isnan(value))
                continue;
            if (pass == 1)
                squares += pow(value - sum[cell] / n[cell], 2);
            else
                sum[cell] += value;
            n[cell] += pass == 0;
        }
    for (int i = 0; i < findings->level_count; i++)
        level.df += fmax(0, n[i] - 1);
    if (!isfinite(mean) || !(level.df > 0) || !(n[place] > 0))
        return;
    level.n = (size_t)n[place];
    level.spread = sqrt(squares / level.df);
    interval = level_interval(&level, findings->confidence);
    snprintf(out, 64, "%.*f (%.*f to %.*f)", decimals, mean, decimals, fmax(0, interval.low), decimals, interval.high);
}

struct ratio_reported {
    bool total, weaker, untried; /* of any level; no stronger than the target; a dose that nobody tried */
};

static void ratio_row(const struct findings *findings, int place, struct interval tried, struct document *out,
                      struct ratio_reported *reported)
{
    double target = findings->options->target_pct, dose;
    double strength = level_mean(findings, place, MEASURE_STRENGTH_PCT);
    double total = level_mean(findings, place, MEASURE_EXTRACTION_TOTAL_PCT);
    double beverage = level_mean(findings, place, MEASURE_BEVERAGE_G);
    double water = level_mean(findings, place, MEASURE_WATER_G);
    char level[2 * WORDS_SIZE], words[6][64];
    bool untried;

    findings_level_words(findings, place, level);
    mean_cell(strength, 2, words[0]);
    mean_cell(level_mean(findings, place, MEASURE_EXTRACTION_PCT), 2, words[1]);
    mean_cell(total, 2, words[2]);
    mean_cell(level_mean(findings, place, MEASURE_RETAINED_G_PER_G), 2, words[3]);
    needed_cell(findings, place, strength > target ? dilution_g(strength, beverage, target) : (double)NAN, 0,
                water_needed, words[4]);
    dose = dose_for_strength_g(target, water, total);
    untried = dose < tried.low || dose > tried.high;
    needed_cell(findings, place, dose, 1, dose_needed, words[5]);
    document_row(out, "%s" CELL "%s" CELL "%s" CELL "%s" CELL "%s" CELL "%s" CELL "%s%s", level, words[0], words[1],
                 words[2], words[3], words[4], words[5], untried ? " *" : "");
    reported->total = reported->total || !isnan(total);
    reported->weaker = reported->weaker || strength <= target;
    reported->untried = reported->untried || untried;
}

/* More dose in the same water leaves more liquid in the bed: the cup's share falls though the coffee gave
 * as much (Liang, Chan, Ristenpart, Scientific Reports 11, 2021). */
void words_ratio(const struct findings *findings, struct document *out)
{
    double target = findings->options->target_pct;
    struct interval tried = doses_tried(findings);
    struct ratio_reported reported = { .total = false };
    char titles[160];

    if (!findings_vary_ratio(findings) || !findings->level_count)
        return;
    document_add(out, BLOCK_HEADING, "In the cup and in total");
    snprintf(titles, sizeof titles,
             "level|#strength %%|#in the cup %%|#total %%|#retained g/g|#water to add for %g %%, "
             "g|#dose for %g %%, g",
             target, target);
    document_table(out, titles);
    for (int i = 0; i < findings->level_count; i++)
        ratio_row(findings, i, tried, out, &reported);
    if (findings->spread_source == SPREAD_OF_LEVELS)
        document_add(out, BLOCK_TEXT,
                     "Water and dose have the %g %% interval of the level's mean in brackets, by how much cups of one "
                     "level scatter; an error that all readings share comes on top.",
                     100 * findings->confidence);
    if (reported.weaker)
        document_add(out, BLOCK_TEXT, "Where no water is to be added the cup has no more than %g %% as it is.", target);
    if (reported.total)
        document_add(out, BLOCK_TEXT,
                     "The dose is for the same water, pressed without adding any, if as much dissolves of "
                     "each gram. (--target sets the %g.)%s",
                     target, reported.untried ? " * Outside the doses that were brewed: computed, not tried." : "");
    if (reported.total)
        document_add(out, BLOCK_TEXT,
                     "All liquid in the brewer is taken to be as strong as the cup; what the bed "
                     "holds back is dissolved but not in the cup. Judge a change of ratio by the total.");
    else
        document_add(out, BLOCK_TEXT,
                     "No cup shows total extraction, which takes dose, water and strength: with "
                     "another ratio the bed holds back another share, so the cup's share alone misleads.");
}
