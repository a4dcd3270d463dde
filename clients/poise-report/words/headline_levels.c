/* What levels in words, and two factors, say in one sentence; see claims.h. */
#include <math.h>
#include <string.h>

#include "claims.h"

enum { NAMED = 3 }; /* more names nobody says aloud */

static const char *measured(const struct findings *findings)
{
    return call_of(measure_name(findings->options->measure));
}

static const char *judged_step(const struct findings *findings)
{
    return step_of(measure_name(findings->options->measure));
}

static bool always(const struct findings *findings)
{
    (void)findings;
    return true;
}

static bool no_pairs(const struct findings *findings)
{
    return !findings->pair_count;
}

static void state_no_pairs(const struct findings *findings, char out[SENTENCE_SIZE])
{
    snprintf(out, SENTENCE_SIZE, "No comparison of %s can be judged: %s.", measured(findings),
             findings->no_anova[0] ? findings->no_anova : "there are too few cups");
}

/* --- claims --- */

static void claim_pair(const struct findings *findings, const struct pair_finding *pair, json_t *list)
{
    bool first_is_more = pair->difference.difference > 0;
    json_t *claim = claim_new(list, "difference");

    json_object_set_new(claim, "more", claim_level(findings, first_is_more ? pair->first : pair->second));
    json_object_set_new(claim, "less", claim_level(findings, first_is_more ? pair->second : pair->first));
    json_object_set_new(claim, "value", claim_number(fabs(pair->difference.difference)));
    json_object_set_new(claim, "interval",
                        claim_interval(sized(pair->difference.interval, pair->difference.difference)));
}

static void claim_shown(const struct findings *findings, json_t *list)
{
    for (int i = 0; i < findings->pair_count; i++)
        if (findings->pair[i].shown)
            claim_pair(findings, &findings->pair[i], list);
}

static void claim_equal(const struct findings *findings, json_t *list)
{
    json_t *claim = claim_new(list, "equal"), *of = json_array();

    for (int i = 0; i < findings->level_count; i++)
        json_array_append_new(of, claim_level(findings, i));
    json_object_set_new(claim, "of", of);
    json_object_set_new(claim, "margin", claim_number(findings->options->margin));
}

static void claim_nothing_shown(const struct findings *findings, json_t *list)
{
    json_t *claim = claim_new(list, "not_shown"), *of = json_array();

    for (int i = 0; i < findings->level_count; i++)
        json_array_append_new(of, claim_level(findings, i));
    json_object_set_new(claim, "of", of);
    if (findings->pair_count == 1)
        json_object_set_new(claim, "interval", claim_interval(findings->pair[0].difference.interval));
}

/* --- two levels --- */

static void two_names(const struct findings *findings, char first[2 * WORDS_SIZE], char second[2 * WORDS_SIZE])
{
    findings_level_words(findings, findings->pair[0].first, first);
    findings_level_words(findings, findings->pair[0].second, second);
}

static bool two_equal(const struct findings *findings)
{
    return findings->level_count == 2 && findings->has_equivalence && findings->equivalence.equal;
}

static void state_two_equal(const struct findings *findings, char out[SENTENCE_SIZE])
{
    char first[2 * WORDS_SIZE], second[2 * WORDS_SIZE];

    two_names(findings, first, second);
    snprintf(out, SENTENCE_SIZE, "%s and %s give the same %s within %g %s.", first, second, measured(findings),
             findings->options->margin, judged_step(findings));
}

static bool two_differ(const struct findings *findings)
{
    return findings->level_count == 2 && findings->pair[0].shown;
}

static void state_two_differ(const struct findings *findings, char out[SENTENCE_SIZE])
{
    const struct difference *difference = &findings->pair[0].difference;
    char first[2 * WORDS_SIZE], second[2 * WORDS_SIZE], interval[96];

    two_names(findings, first, second);
    words_interval(sized(difference->interval, difference->difference), 2, judged_step(findings), interval);
    snprintf(out, SENTENCE_SIZE, "%s gives %.2f %s %s %s than %s (%s).", first, fabs(difference->difference),
             judged_step(findings), difference->difference > 0 ? "more" : "less", measured(findings), second, interval);
}

static bool two_levels(const struct findings *findings)
{
    return findings->level_count == 2;
}

static void state_two_not_shown(const struct findings *findings, char out[SENTENCE_SIZE])
{
    char first[2 * WORDS_SIZE], second[2 * WORDS_SIZE], interval[96];

    two_names(findings, first, second);
    words_interval(findings->pair[0].difference.interval, 2, judged_step(findings), interval);
    snprintf(out, SENTENCE_SIZE, "No difference of %s is shown between %s and %s (%s).", measured(findings), first,
             second, interval);
}

/* --- several levels --- */

static const struct pair_finding *pair_of(const struct findings *findings, int one, int other)
{
    for (int i = 0; i < findings->pair_count; i++)
        if ((findings->pair[i].first == one && findings->pair[i].second == other)
            || (findings->pair[i].first == other && findings->pair[i].second == one))
            return &findings->pair[i];
    return NULL;
}

static int extreme(const struct findings *findings, double sign)
{
    int found = 0;

    for (int i = 1; i < findings->level_count; i++)
        if (sign * findings->level[i].adjusted > sign * findings->level[found].adjusted)
            found = i;
    return found;
}

/* "; stir and tap are not distinguished from swirl": those that may be as good as the best. */
static void tied_words(const struct findings *findings, int best, int said, char out[SENTENCE_SIZE])
{
    char names[NAMED][2 * WORDS_SIZE], best_name[2 * WORDS_SIZE];
    size_t length = 0;
    int tied = 0;

    out[0] = '\0';
    for (int i = 0; i < findings->level_count; i++) {
        const struct pair_finding *pair = i == best ? NULL : pair_of(findings, i, best);

        if (i == best || (pair && pair->shown))
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
    snprintf(out + length, SENTENCE_SIZE - length, " %s not distinguished from %.130s%s", tied == 1 ? "is" : "are",
             best_name, best == said ? "" : ", whose mean is highest");
}

static bool all_equal(const struct findings *findings)
{
    return findings->all_equal && !findings->refusal_count && !isnan(findings->options->margin);
}

static void state_all_equal(const struct findings *findings, char out[SENTENCE_SIZE])
{
    snprintf(out, SENTENCE_SIZE, "All %d levels give the same %s within %g %s.", findings->level_count,
             measured(findings), findings->options->margin, judged_step(findings));
}

static bool any_shown(const struct findings *findings)
{
    for (int i = 0; i < findings->pair_count; i++)
        if (findings->pair[i].shown)
            return true;
    return false;
}

/* Of the shown pairs the widest apart is said, and what may be as good as its better. */
static const struct pair_finding *widest_shown(const struct findings *findings)
{
    const struct pair_finding *most = NULL;

    for (int i = 0; i < findings->pair_count; i++)
        if (findings->pair[i].shown
            && (!most || fabs(findings->pair[i].difference.difference) > fabs(most->difference.difference)))
            most = &findings->pair[i];
    return most;
}

static void state_extremes(const struct findings *findings, char out[SENTENCE_SIZE])
{
    const struct pair_finding *pair = widest_shown(findings);
    double difference = pair->difference.difference;
    int more = difference > 0 ? pair->first : pair->second, less = difference > 0 ? pair->second : pair->first;
    char best[2 * WORDS_SIZE], worst[2 * WORDS_SIZE], interval[96], tied[SENTENCE_SIZE];

    findings_level_words(findings, more, best);
    findings_level_words(findings, less, worst);
    words_interval(sized(pair->difference.interval, difference), 2, judged_step(findings), interval);
    tied_words(findings, extreme(findings, 1), more, tied);
    snprintf(out, SENTENCE_SIZE, "%s gives %.2f %s more %s than %s (%s)%.400s.", best, fabs(difference),
             judged_step(findings), measured(findings), worst, interval, tied);
}

static void state_none_shown(const struct findings *findings, char out[SENTENCE_SIZE])
{
    const struct pair_finding *pair = pair_of(findings, extreme(findings, 1), extreme(findings, -1));
    char best[2 * WORDS_SIZE], worst[2 * WORDS_SIZE], interval[96], widest[500] = "";

    if (pair) {
        double difference = pair->difference.difference;

        findings_level_words(findings, extreme(findings, 1), best);
        findings_level_words(findings, extreme(findings, -1), worst);
        words_interval(sized(pair->difference.interval, difference), 2, judged_step(findings), interval);
        snprintf(widest, sizeof widest, "; the widest apart are %.130s over %.130s (%s)", best, worst, interval);
    }
    snprintf(out, SENTENCE_SIZE, "No difference of %s is shown among these %d levels%s.", measured(findings),
             findings->level_count, widest);
}

/* --- two factors --- */

static bool depends(const struct findings *findings)
{
    return findings->has_questions && findings->questions.shown[2] && findings->curve_count < 2;
}

/* "where grind is fine, stir instead of none brings +0.80 points (0.10 to 1.50)". */
static void simple_words(const struct findings *findings, const struct pair_finding *pair, int varied,
                         char out[SENTENCE_SIZE])
{
    const int *first = findings->level[pair->first].level, *second = findings->level[pair->second].level;
    int held = 1 - varied;
    char interval[96], where[WORDS_SIZE], one[WORDS_SIZE], other[WORDS_SIZE];

    words_interval(pair->difference.interval, 2, judged_step(findings), interval);
    findings_level_call(&findings->factor[held], first[held], where);
    findings_level_call(&findings->factor[varied], first[varied], one);
    findings_level_call(&findings->factor[varied], second[varied], other);
    if (pair->shown)
        snprintf(out, SENTENCE_SIZE, "where %.60s is %.60s, %.60s instead of %.60s brings %+.2f %s (%s)",
                 call_of(findings->factor[held].name), where, one, other, pair->difference.difference,
                 judged_step(findings), interval);
    else
        snprintf(out, SENTENCE_SIZE, "where %.60s is %.60s, no difference between %.60s and %.60s is shown (%s)",
                 call_of(findings->factor[held].name), where, one, other, interval);
}

static void state_depends(const struct findings *findings, char out[SENTENCE_SIZE])
{
    int varied = findings->factor[1].level_count <= findings->factor[0].level_count ? 1 : 0;
    char p[32], words[SENTENCE_SIZE];
    size_t length;

    words_p(findings->questions.adjusted[2], p);
    length = (size_t)snprintf(out, SENTENCE_SIZE, "What %.60s does to %s depends on %.60s (p %s)",
                              call_of(findings->factor[varied].name), measured(findings),
                              call_of(findings->factor[1 - varied].name), p);
    for (int i = 0; i < findings->pair_count && findings->level_count == 4; i++) {
        const struct pair_finding *pair = &findings->pair[i];

        if (findings->level[pair->first].level[1 - varied] != findings->level[pair->second].level[1 - varied])
            continue;
        simple_words(findings, pair, varied, words);
        if (length + 320 < SENTENCE_SIZE)
            length += (size_t)snprintf(out + length, SENTENCE_SIZE - length, "%s %.300s", strchr(out, ':') ? ";" : ":",
                                       words);
    }
    snprintf(out + length, SENTENCE_SIZE - length, ".");
}

static void claim_depends(const struct findings *findings, json_t *list)
{
    json_t *claim = claim_new(list, "interaction");

    json_object_set_new(claim, "factors", json_pack("[s, s]", findings->factor[0].name, findings->factor[1].name));
    json_object_set_new(claim, "p", claim_number(findings->questions.adjusted[2]));
    for (int i = 0; i < findings->pair_count; i++) {
        const struct pair_finding *pair = &findings->pair[i];
        const int *first = findings->level[pair->first].level, *second = findings->level[pair->second].level;

        if (pair->shown && (first[0] == second[0] || first[1] == second[1]))
            claim_pair(findings, pair, list);
    }
}

/* A factor's own sentence: its widest shown effect, or that none is. */
static void effect_words(const struct findings *findings, int factor, char out[SENTENCE_SIZE])
{
    const struct effect_finding *most = NULL;
    const struct refusal *refusal = findings_refused(findings, factor);
    const char *call = call_of(findings->factor[factor].name);
    char more[WORDS_SIZE], less[WORDS_SIZE], interval[96], p[32], adjusted[32];
    bool shown;

    for (int i = 0; i < findings->effect_count; i++) {
        const struct effect_finding *effect = &findings->effect[i];

        if (effect->factor == factor
            && (!most || effect->shown > most->shown
                || (effect->shown == most->shown
                    && fabs(effect->difference.difference) > fabs(most->difference.difference))))
            most = effect;
    }
    if (refusal || !most) {
        snprintf(out, SENTENCE_SIZE, "no verdict on %.60s%s%.300s", call, refusal ? ": " : "",
                 refusal ? refusal->sentence : "");
        return;
    }
    shown = most->difference.difference > 0;
    findings_level_call(&findings->factor[factor], shown ? most->first : most->second, more);
    findings_level_call(&findings->factor[factor], shown ? most->second : most->first, less);
    words_interval(sized(most->difference.interval, most->difference.difference), 2, judged_step(findings), interval);
    if (most->shown) {
        snprintf(out, SENTENCE_SIZE, "%.60s %.60s gives %.2f %s more %s than %.60s (%s)", call, more,
                 fabs(most->difference.difference), judged_step(findings), measured(findings), less, interval);
    } else if (findings->questions.shown[factor]) {
        words_p(findings->questions.adjusted[factor], adjusted);
        snprintf(out, SENTENCE_SIZE, "%.60s makes a difference (p %s), but which levels differ is not shown", call,
                 adjusted);
    } else if (findings->questions.p[factor] < 1 - findings->confidence) {
        words_p(findings->questions.p[factor], p);
        words_p(findings->questions.adjusted[factor], adjusted);
        snprintf(out, SENTENCE_SIZE,
                 "%.60s may make a difference (p %s alone, %s among the questions asked), %.60s over %.60s %s", call, p,
                 adjusted, more, less, interval);
    } else {
        snprintf(out, SENTENCE_SIZE, "of %.60s nothing is shown (%.60s over %.60s: %s)", call, more, less, interval);
    }
}

static void state_effects(const struct findings *findings, char out[SENTENCE_SIZE])
{
    char words[SENTENCE_SIZE];
    size_t length = 0;

    length = (size_t)snprintf(out, SENTENCE_SIZE, "On the mean over the other factor, ");
    for (int pass = 0, said = 0; pass < 3; pass++) /* what is shown leads, then what may be */
        for (int f = 0; f < FACTORS; f++) {
            bool shown = findings->questions.shown[f], may_be = findings->questions.p[f] < 1 - findings->confidence;

            if ((shown    ? 0
                 : may_be ? 1
                          : 2)
                    != pass
                || (findings->design == DESIGN_TIME && f == findings_numeric_factor(findings)))
                continue;
            effect_words(findings, f, words);
            length += (size_t)snprintf(out + length, SENTENCE_SIZE - length, "%s%.500s", said++ ? "; " : "", words);
        }
    if (findings->questions.shown[2] && findings->curve_count > 1) {
        words_p(findings->questions.adjusted[2], words);
        length += (size_t)snprintf(out + length, SENTENCE_SIZE - length, "; how much depends on %.60s (p %.20s)",
                                   call_of(findings->factor[findings_numeric_factor(findings)].name), words);
    }
    snprintf(out + length, SENTENCE_SIZE - length, ".");
}

static void claim_effects(const struct findings *findings, json_t *list)
{
    for (int i = 0; i < findings->effect_count; i++) {
        const struct effect_finding *effect = &findings->effect[i];
        bool first_is_more = effect->difference.difference > 0;
        json_t *claim;

        if (!effect->shown)
            continue;
        claim = claim_new(list, "difference");
        json_object_set_new(
            claim, "more",
            claim_factor_level(findings, effect->factor, first_is_more ? effect->first : effect->second));
        json_object_set_new(
            claim, "less",
            claim_factor_level(findings, effect->factor, first_is_more ? effect->second : effect->first));
        json_object_set_new(claim, "value", claim_number(fabs(effect->difference.difference)));
        json_object_set_new(claim, "interval",
                            claim_interval(sized(effect->difference.interval, effect->difference.difference)));
    }
    if (findings->questions.shown[2] && findings->curve_count > 1) {
        json_t *claim = claim_new(list, "interaction");

        json_object_set_new(claim, "factors", json_pack("[s, s]", findings->factor[0].name, findings->factor[1].name));
        json_object_set_new(claim, "p", claim_number(findings->questions.adjusted[2]));
    }
    for (int f = 0; f < FACTORS; f++)
        if (findings->questions.asked[f] && !findings->questions.shown[f]) {
            json_t *claim = claim_new(list, "not_shown");

            json_object_set_new(claim, "of", json_string(findings->factor[f].name));
        }
}

static bool has_top(const struct findings *findings)
{
    return findings->has_top;
}

static void state_top(const struct findings *findings, char out[SENTENCE_SIZE])
{
    char places[2][240];

    for (int f = 0; f < FACTORS; f++)
        words_surface_place(findings, f, places[f]);
    snprintf(out, SENTENCE_SIZE, "%s is highest at about %s and %s: %.2f %s there.", measured(findings), places[0],
             places[1], findings->surface.value, unit_of(measure_name(findings->options->measure)));
}

static void claim_top(const struct findings *findings, json_t *list)
{
    json_t *claim = claim_new(list, "optimum"), *at = json_object(), *intervals = json_object();

    for (int f = 0; f < FACTORS; f++) {
        json_object_set_new(at, findings->factor[f].name, claim_number(findings->surface.at[f]));
        json_object_set_new(intervals, findings->factor[f].name, claim_interval(findings->surface.where[f]));
    }
    json_object_set_new(claim, "at", at);
    json_object_set_new(claim, "intervals", intervals);
    json_object_set_new(claim, "value", claim_number(findings->surface.value));
    claim_effects(findings, list);
}

const struct rule rules_of_words[] = {
    { "no comparison", "nothing shows how much cups of one level differ", no_pairs, state_no_pairs, NULL },
    { "two equal", "two levels, both one-sided tests of the margin p < 0.05", two_equal, state_two_equal, claim_equal },
    { "two differ", "two levels, p < 0.05", two_differ, state_two_differ, claim_shown },
    { "two not shown", "two levels, neither of these", two_levels, state_two_not_shown, claim_nothing_shown },
    { "all equal", "the intervals of all pairs together lie within the margin", all_equal, state_all_equal,
      claim_equal },
    { "some differ", "some pair's interval, of all together, leaves out zero", any_shown, state_extremes, claim_shown },
    { "none shown", "none of these", always, state_none_shown, claim_nothing_shown },
    { NULL, NULL, NULL, NULL, NULL },
};

const struct rule rules_of_two[] = {
    { "no comparison of two", "nothing shows how much cups of one level differ", no_pairs, state_no_pairs, NULL },
    { "all equal of two", "the intervals of all pairs together lie within the margin", all_equal, state_all_equal,
      claim_equal },
    { "top", "two numbers, the surface fits, and its top and the whole region of that lie within the levels", has_top,
      state_top, claim_top },
    { "depends", "that the factors depend on each other is shown among the three questions (Holm)", depends,
      state_depends, claim_depends },
    { "effects", "none of these: what each factor does on the mean, shown or not", always, state_effects,
      claim_effects },
    { NULL, NULL, NULL, NULL, NULL },
};
