/* The finding in one sentence that a person can say aloud; see words.h. */
#include "words.h"

#include <math.h>
#include <string.h>

/* The interval of a difference's size, whichever way the difference points. */
static struct interval sized(struct interval interval, double difference)
{
    return difference < 0 ? (struct interval){ -interval.high, -interval.low } : interval;
}

/* --- against time --- */

/* The identified curve with the highest (sign 1) or the lowest (-1) plateau; -1: none is identified. */
static int extreme_curve(const struct findings *findings, double sign)
{
    int found = -1;

    for (int i = 0; i < findings->curve_count; i++) {
        const struct curve_finding *curve = &findings->curve[i];

        if (!curve->fitted || !curve->identified)
            continue;
        if (found < 0
            || sign * curve->fit.value[KINETICS_PLATEAU] > sign * findings->curve[found].fit.value[KINETICS_PLATEAU])
            found = i;
    }
    return found;
}

static void headline_curves(const struct findings *findings, char out[SENTENCE_SIZE])
{
    int high = extreme_curve(findings, 1), low = extreme_curve(findings, -1);
    const struct factor *factor = &findings->factor[findings_other_factor(findings)];
    const char *measure = measure_name(findings->options->measure);
    const struct curve_finding *higher = &findings->curve[high < 0 ? 0 : high];
    const struct curve_finding *lower = &findings->curve[low < 0 ? 0 : low];
    double above = higher->fit.value[KINETICS_PLATEAU] - lower->fit.value[KINETICS_PLATEAU];
    struct interval difference;
    char words[96], best[WORDS_SIZE], least[WORDS_SIZE];

    if (high == low) { /* none, or one only */
        snprintf(out, SENTENCE_SIZE,
                 "These steep times do not show where %s of each %.60s ends: the curves cannot be "
                 "compared. Brew some longer ones.",
                 call_of(measure), call_of(factor->name));
        return;
    }
    difference = kinetics_difference(higher->fit.value[KINETICS_PLATEAU], higher->plateau,
                                     lower->fit.value[KINETICS_PLATEAU], lower->plateau);
    words_interval(difference, 1, words_step(measure), words);
    findings_level_call(factor, higher->level, best);
    findings_level_call(factor, lower->level, least);
    if (difference.low > 0)
        snprintf(out, SENTENCE_SIZE, "Given time enough, %s %.60s ends %.1f %s higher than %.60s (%s).",
                 call_of(factor->name), best, above, words_step(measure), least, words);
    else
        snprintf(out, SENTENCE_SIZE, "Given time enough, no difference is shown between %s %.60s and %.60s (%s).",
                 call_of(factor->name), best, least, words);
}

/* When the share is had, and what there is beyond it; what no cup reached is said to be the curve's word. */
static void headline_share(const struct findings *findings, const struct curve_finding *curve, char out[SENTENCE_SIZE])
{
    const char *measure = measure_name(findings->options->measure), *step = words_step(measure);
    const struct answer *answer = &curve->answer[0];
    double share = findings->options->share, rest = (1 - share) * curve->fit.value[KINETICS_PLATEAU];
    char interval[96];

    words_interval(answer->interval, 0, "s", interval);
    if (answer->beyond_cups)
        snprintf(out, SENTENCE_SIZE,
                 "If the curve goes on as it began, %g %% of all the %s there is to have is in the "
                 "cup after about %.0f seconds (%s, %g %% confidence), but the longest of these cups steeped %.0f.",
                 100 * share, call_of(measure), answer->value, interval, 100 * findings->options->confidence,
                 curve->longest_s);
    else
        snprintf(out, SENTENCE_SIZE,
                 "After %.0f seconds %g %% of all the %s there is to have is in the cup (%s, %g %% "
                 "confidence): however much longer it steeps, that brings %.1f %s more at most.",
                 answer->value, 100 * share, call_of(measure), interval, 100 * findings->options->confidence, rest,
                 step);
}

static void headline_time(const struct findings *findings, char out[SENTENCE_SIZE])
{
    const struct curve_finding *curve = &findings->curve[0];
    const char *call = call_of(measure_name(findings->options->measure));

    if (findings->curve_count >= 2) {
        headline_curves(findings, out);
    } else if (!curve->fitted) {
        snprintf(out, SENTENCE_SIZE, "No curve fits these cups: %s.", curve->why_not);
    } else if (curve->falls) {
        snprintf(out, SENTENCE_SIZE, "%s falls as the steep goes on: these cups follow no curve of dissolving.", call);
    } else if (!curve->answer[0].identified && curve->all_late) {
        snprintf(out, SENTENCE_SIZE,
                 "All these steep times lie past the bend: the %s there is to have is had before the "
                 "shortest of them. Brew some shorter ones.",
                 call);
    } else if (!curve->answer[0].identified) {
        snprintf(out, SENTENCE_SIZE,
                 "These steep times do not reach past the bend: how much %s there is to have, and "
                 "when it is had, is not identified. Brew some longer ones.",
                 call);
    } else {
        headline_share(findings, curve, out);
    }
}

/* --- along a number --- */

/* What a change of ratio does to what dissolved at all: the cup's share alone misleads. */
static void in_all_words(const struct findings *findings, char out[SENTENCE_SIZE])
{
    struct interval interval;
    double change;
    char words[96];

    out[0] = '\0';
    if (!findings->has_in_all)
        return;
    change = findings_change(findings, &findings->in_all, &interval);
    if (interval.low > 0 || interval.high < 0) {
        words_interval(sized(interval, change), 2, "points", words);
        snprintf(out, SENTENCE_SIZE, "; in all, with what the bed holds back, it %s by %.2f points (%s)",
                 change > 0 ? "rises" : "falls", fabs(change), words);
    } else {
        words_interval(interval, 2, "points", words);
        snprintf(out, SENTENCE_SIZE, "; in all, with what the bed holds back, no change is shown (%s)", words);
    }
}

int words_turns(const struct findings *findings, double *at, struct interval *where)
{
    const struct trend_break *broken = &findings->broken;

    if (words_breaks(findings)) {
        *at = broken->at;
        *where = broken->at_interval;
        return broken->slope_before > 0 && broken->slope_after_interval.high < 0  ? 1
               : broken->slope_before < 0 && broken->slope_after_interval.low > 0 ? -1
                                                                                  : 0;
    }
    *at = findings->turn_at;
    *where = findings->turn_interval;
    return !findings->has_turn ? 0 : findings->trend.coefficient[2] < 0 ? 1 : -1;
}

static void headline_trend(const struct findings *findings, char out[SENTENCE_SIZE])
{
    const char *measure = measure_name(findings->options->measure), *name = findings->factor[0].name;
    const struct factor *factor = &findings->factor[0];
    const char *unit = unit_of(name), *gap = *unit ? " " : "";
    double low = factor->level[0].number, high = factor->level[factor->level_count - 1].number, change;
    struct interval over, where;
    char interval[96], in_all[SENTENCE_SIZE];
    double at;
    int way = words_turns(findings, &at, &where);

    if (!findings->has_trend) {
        snprintf(out, SENTENCE_SIZE, "No line fits these cups.");
        return;
    }
    if (way) {
        words_interval(where, 0, unit, interval);
        snprintf(out, SENTENCE_SIZE, "%s %s with %s up to about %.*f%s%s (%s) and %s beyond.", call_of(measure),
                 way > 0 ? "climbs" : "falls", call_of(name), words_decimals(where, 0), at, gap, unit, interval,
                 way > 0 ? "falls" : "climbs");
        return;
    }
    in_all_words(findings, in_all);
    change = findings_change(findings, &findings->trend, &over);
    words_interval(over, 2, words_step(measure), interval);
    if (findings->same_change) {
        snprintf(out, SENTENCE_SIZE, "From %s %g to %g%s%s, %s stays the same within %g %s%.300s.", call_of(name), low,
                 high, gap, unit, call_of(measure), findings->options->margin, words_step(measure), in_all);
    } else if (!(over.low > 0 || over.high < 0)) {
        snprintf(out, SENTENCE_SIZE, "From %s %g to %g%s%s no change of %s is shown (%s)%.300s.", call_of(name), low,
                 high, gap, unit, call_of(measure), interval, in_all);
    } else {
        words_interval(sized(over, change), 2, words_step(measure), interval);
        snprintf(out, SENTENCE_SIZE, "From %s %g to %g%s%s, %s %s by %.2f %s (%s)%.300s.", call_of(name), low, high,
                 gap, unit, call_of(measure), change > 0 ? "rises" : "falls", fabs(change), words_step(measure),
                 interval, in_all);
    }
}

/* --- levels --- */

static void headline_two_levels(const struct findings *findings, char out[SENTENCE_SIZE])
{
    const struct difference *difference = &findings->pair[0].difference;
    const char *measure = measure_name(findings->options->measure), *step = words_step(measure);
    char first[2 * WORDS_SIZE], second[2 * WORDS_SIZE], interval[96];

    findings_level_words(findings, findings->pair[0].first, first);
    findings_level_words(findings, findings->pair[0].second, second);
    if (findings->has_equivalence && findings->equivalence.equal) {
        snprintf(out, SENTENCE_SIZE, "%s and %s give the same %s within %g %s.", first, second, call_of(measure),
                 findings->options->margin, step);
    } else if (difference->p < 1 - findings->options->confidence) {
        words_interval(sized(difference->interval, difference->difference), 2, step, interval);
        snprintf(out, SENTENCE_SIZE, "%s gives %.2f %s %s %s than %s (%s).", first, fabs(difference->difference), step,
                 difference->difference > 0 ? "more" : "less", call_of(measure), second, interval);
    } else {
        words_interval(difference->interval, 2, step, interval);
        snprintf(out, SENTENCE_SIZE,
                 "No difference of %s is shown between %s and %s (%s); one of %.2f %s would most "
                 "likely have shown.",
                 call_of(measure), first, second, interval, findings->smallest, step);
    }
}

static const struct difference *difference_of(const struct findings *findings, int one, int other)
{
    for (int i = 0; i < findings->pair_count; i++)
        if ((findings->pair[i].first == one && findings->pair[i].second == other)
            || (findings->pair[i].first == other && findings->pair[i].second == one))
            return &findings->pair[i].difference;
    return NULL;
}

/* "; stir and tap are not distinguished from swirl": those that may be as good as the best. */
static void tied_words(const struct findings *findings, int best, double alpha, char out[SENTENCE_SIZE])
{
    enum { NAMED = 3 }; /* more names nobody says aloud */
    char names[NAMED][2 * WORDS_SIZE], best_name[2 * WORDS_SIZE];
    size_t length = 0;
    int tied = 0;

    out[0] = '\0';
    for (int i = 0; i < findings->level_count; i++) {
        const struct difference *difference = i == best ? NULL : difference_of(findings, i, best);

        if (!difference || difference->p < alpha)
            continue;
        if (tied < NAMED)
            findings_level_words(findings, i, names[tied]);
        tied++;
    }
    if (!tied)
        return;
    findings_level_words(findings, best, best_name);
    length = (size_t)snprintf(out, SENTENCE_SIZE, "; ");
    if (tied > NAMED)
        length += (size_t)snprintf(out + length, SENTENCE_SIZE - length, "%d others", tied);
    for (int i = 0; i < tied && tied <= NAMED; i++)
        length += (size_t)snprintf(out + length, SENTENCE_SIZE - length, "%s%.130s",
                                   i == 0          ? ""
                                   : i == tied - 1 ? " and "
                                                   : ", ",
                                   names[i]);
    snprintf(out + length, SENTENCE_SIZE - length, " %s not distinguished from %.130s", tied == 1 ? "is" : "are",
             best_name);
}

static void headline_extremes(const struct findings *findings, int most, int least, char out[SENTENCE_SIZE])
{
    const char *measure = measure_name(findings->options->measure), *step = words_step(measure);
    const struct difference *apart = difference_of(findings, most, least);
    double alpha = 1 - findings->options->confidence;
    char best[2 * WORDS_SIZE], worst[2 * WORDS_SIZE], interval[96], tied[SENTENCE_SIZE];

    findings_level_words(findings, most, best);
    findings_level_words(findings, least, worst);
    if (apart && apart->p < alpha) {
        words_interval(sized(apart->interval, apart->difference), 2, step, interval);
        tied_words(findings, most, alpha, tied);
        snprintf(out, SENTENCE_SIZE, "%s gives %.2f %s more %s than %s (%s)%.500s.", best, fabs(apart->difference),
                 step, call_of(measure), worst, interval, tied);
    } else if (findings->all_equal) {
        snprintf(out, SENTENCE_SIZE, "All %d levels give the same %s within %g %s.", findings->level_count,
                 call_of(measure), findings->options->margin, step);
    } else {
        snprintf(out, SENTENCE_SIZE,
                 "No difference of %s is shown between any two of the %d levels; one of %.2f %s "
                 "would most likely have shown.",
                 call_of(measure), findings->level_count, findings->smallest, step);
    }
}

static void headline_levels(const struct findings *findings, char out[SENTENCE_SIZE])
{
    const char *measure = measure_name(findings->options->measure);
    double alpha = 1 - findings->options->confidence;
    char p[32], best[2 * WORDS_SIZE], worst[2 * WORDS_SIZE];
    int most = 0, least = 0;

    if (!findings->pair_count) {
        snprintf(out, SENTENCE_SIZE, "No comparison of %s can be judged: %s.", call_of(measure),
                 findings->no_anova[0] ? findings->no_anova : "there are too few cups");
        return;
    }
    for (int i = 1; i < findings->level_count; i++) {
        if (findings->level[i].adjusted > findings->level[most].adjusted)
            most = i;
        if (findings->level[i].adjusted < findings->level[least].adjusted)
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
        headline_extremes(findings, most, least, out);
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
        if (findings->point_count == 1)
            snprintf(out, SENTENCE_SIZE, "There is only one cup: nothing to compare yet.");
        else
            snprintf(out, SENTENCE_SIZE, "All %zu cups are at one level: nothing to compare yet.",
                     findings->point_count);
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
