/* What a steep series says in one sentence; see claims.h. */
#include <math.h>
#include <string.h>

#include "claims.h"

static const struct curve_finding *only(const struct findings *findings)
{
    return &findings->curve[0];
}

static const char *measured(const struct findings *findings)
{
    return call_of(measure_name(findings->options->measure));
}

static const char *judged_step(const struct findings *findings)
{
    return step_of(measure_name(findings->options->measure));
}

/* "From 180 s to 300 s, the longest brewed, extraction changes by +0.60 points (0.20 to 1.00)."; empty: not known. */
static void gain_words(const struct findings *findings, const struct curve_finding *curve, char out[SENTENCE_SIZE])
{
    char interval[96];

    out[0] = '\0';
    if (!curve->has_gain)
        return;
    words_interval(curve->gain.interval, 2, judged_step(findings), interval);
    if (curve->gain.interval.low > 0 || curve->gain.interval.high < 0)
        snprintf(out, SENTENCE_SIZE, " From %.0f s to %.0f s, the longest brewed, %s changes by %+.2f %s (%s).",
                 curve->gain.from_s, curve->gain.to_s, measured(findings), curve->gain.value, judged_step(findings),
                 interval);
    else
        snprintf(out, SENTENCE_SIZE, " From %.0f s to %.0f s, the longest brewed, no change of %s is shown (%s).",
                 curve->gain.from_s, curve->gain.to_s, measured(findings), interval);
}

void claim_curve(const struct findings *findings, int place, json_t *list)
{
    static const char *const by[ANSWERS] = { "share", "gain", "doubling" };
    const struct curve_finding *curve = &findings->curve[place];
    int other = findings_other_factor(findings);
    json_t *claim;

    for (int i = 0; i < ANSWERS && curve->fitted; i++) {
        if (!curve->answer[i].claimed)
            continue;
        claim = claim_new(list, "bend");
        json_object_set_new(claim, "by", json_string(by[i]));
        json_object_set_new(claim, "seconds", claim_number(curve->answer[i].value));
        json_object_set_new(claim, "interval", claim_interval(curve->answer[i].interval));
        if (other >= 0)
            json_object_set_new(claim, "at", claim_factor_level(findings, other, curve->level));
    }
    if (curve->has_gain && !findings->refusal_count) {
        claim = claim_new(list, "gain");
        json_object_set_new(claim, "from_s", claim_number(curve->gain.from_s));
        json_object_set_new(claim, "to_s", claim_number(curve->gain.to_s));
        json_object_set_new(claim, "value", claim_number(curve->gain.value));
        json_object_set_new(claim, "interval", claim_interval(curve->gain.interval));
        if (other >= 0)
            json_object_set_new(claim, "at", claim_factor_level(findings, other, curve->level));
    }
    if (curve->fitted && curve->misfit) {
        claim = claim_new(list, "misfit");
        json_object_set_new(claim, "of", json_string("curve"));
        json_object_set_new(claim, "f", claim_number(curve->lack.f));
        json_object_set_new(claim, "df", json_pack("[f, f]", curve->lack.df, curve->lack.df_pure));
        json_object_set_new(claim, "p", claim_number(curve->lack.p));
    }
}

static void claim_only(const struct findings *findings, json_t *list)
{
    claim_curve(findings, 0, list);
}

static bool has_several(const struct findings *findings)
{
    return findings->curve_count > 1;
}

/* Several curves are two factors: what the other one does is the question. */
static void state_several(const struct findings *findings, char out[SENTENCE_SIZE])
{
    const struct rule *rule = rules_of_two;

    while (!rule->holds(findings))
        rule++;
    rule->say(findings, out);
}

static void claim_several(const struct findings *findings, json_t *list)
{
    const struct rule *rule = rules_of_two;

    while (!rule->holds(findings))
        rule++;
    if (rule->claim)
        rule->claim(findings, list);
}

static bool is_not_fitted(const struct findings *findings)
{
    return !only(findings)->fitted;
}

static void state_not_fitted(const struct findings *findings, char out[SENTENCE_SIZE])
{
    char gain[SENTENCE_SIZE];

    gain_words(findings, only(findings), gain);
    snprintf(out, SENTENCE_SIZE, "No curve is fitted: %s.%.400s", only(findings)->why_not, gain);
}

static bool falls(const struct findings *findings)
{
    return only(findings)->falls;
}

static void state_falls(const struct findings *findings, char out[SENTENCE_SIZE])
{
    char gain[SENTENCE_SIZE];

    gain_words(findings, only(findings), gain);
    snprintf(out, SENTENCE_SIZE, "%s falls as the steep goes on: these cups follow no curve of dissolving.%.400s",
             measured(findings), gain);
}

static bool misfits(const struct findings *findings)
{
    return only(findings)->misfit;
}

static void state_misfit(const struct findings *findings, char out[SENTENCE_SIZE])
{
    const struct curve_finding *curve = only(findings);
    char gain[SENTENCE_SIZE], p[32], other[200] = "";

    gain_words(findings, curve, gain);
    words_p(curve->lack.p, p);
    if (curve->rival.fitted && curve->rival.aicc < curve->fit.aicc) {
        snprintf(other, sizeof other, " %s follows them better.", shape_name(&curve->rival));
        if (other[1] >= 'a' && other[1] <= 'z')
            other[1] = (char)(other[1] - 'a' + 'A');
    }
    snprintf(out, SENTENCE_SIZE,
             "These cups do not follow a first-order curve (lack of fit against replicates, p %s): no bend is "
             "claimed.%s%.400s",
             p, other, gain);
}

static bool all_late(const struct findings *findings)
{
    return !only(findings)->answer[0].claimed && only(findings)->all_late;
}

static void state_all_late(const struct findings *findings, char out[SENTENCE_SIZE])
{
    char gain[SENTENCE_SIZE];

    gain_words(findings, only(findings), gain);
    snprintf(out, SENTENCE_SIZE,
             "These steep times do not show a bend: if there is one it may lie before the shortest of them, %.0f s. "
             "Brew some shorter ones.%.400s",
             only(findings)->shortest_s, gain);
}

static bool too_short(const struct findings *findings)
{
    return !only(findings)->identified || !only(findings)->answer[0].identified;
}

static void state_too_short(const struct findings *findings, char out[SENTENCE_SIZE])
{
    char gain[SENTENCE_SIZE];

    gain_words(findings, only(findings), gain);
    snprintf(out, SENTENCE_SIZE,
             "These steep times do not show where %s ends: the bend is not identified. Brew some longer ones.%.400s",
             measured(findings), gain);
}

static bool without_quick(const struct findings *findings)
{
    return !only(findings)->fit.quick;
}

static void state_without_quick(const struct findings *findings, char out[SENTENCE_SIZE])
{
    char gain[SENTENCE_SIZE];

    gain_words(findings, only(findings), gain);
    snprintf(out, SENTENCE_SIZE,
             "These cups are too few to show whether a part is washed off at once, which moves the bend: no bend is "
             "claimed.%.400s",
             gain);
}

static bool is_rivalled(const struct findings *findings)
{
    return only(findings)->rivalled && !shape_holds_first_order(&only(findings)->rival);
}

static void state_rivalled(const struct findings *findings, char out[SENTENCE_SIZE])
{
    char gain[SENTENCE_SIZE];

    gain_words(findings, only(findings), gain);
    snprintf(out, SENTENCE_SIZE,
             "These cups do not show where %s ends: %s fits them as well as first order does, and ends elsewhere or "
             "not at all. More cups, and longer steeps, show more.%.400s",
             measured(findings), shape_name(&only(findings)->rival), gain);
}

static bool is_not_excluded(const struct findings *findings)
{
    return only(findings)->rivalled;
}

static void state_not_excluded(const struct findings *findings, char out[SENTENCE_SIZE])
{
    char gain[SENTENCE_SIZE];

    gain_words(findings, only(findings), gain);
    snprintf(out, SENTENCE_SIZE,
             "These cups do not show where %s ends: they do not exclude %s, which ends elsewhere or not at all. More "
             "cups, and longer steeps, show more.%.400s",
             measured(findings), shape_name(&only(findings)->rival), gain);
}

static bool is_beyond(const struct findings *findings)
{
    return !only(findings)->answer[0].claimed;
}

static void state_beyond(const struct findings *findings, char out[SENTENCE_SIZE])
{
    const struct answer *answer = &only(findings)->answer[0];
    char gain[SENTENCE_SIZE], interval[96];

    gain_words(findings, only(findings), gain);
    words_interval(answer->interval, 0, "s", interval);
    snprintf(out, SENTENCE_SIZE,
             "If the curve goes on as it began, %g %% of the final %s comes after about %.0f s (%s), but the longest "
             "steep brewed is %.0f s: brew longer ones before you trust it.%.300s",
             100 * findings->options->share, measured(findings), answer->value, interval, only(findings)->longest_s,
             gain);
}

static bool always(const struct findings *findings)
{
    (void)findings;
    return true;
}

static void state_bend(const struct findings *findings, char out[SENTENCE_SIZE])
{
    const struct answer *answer = &only(findings)->answer[0];
    char interval[96], gain[SENTENCE_SIZE];

    words_interval(answer->interval, 0, "s", interval);
    gain_words(findings, only(findings), gain);
    snprintf(out, SENTENCE_SIZE, "%g %% of the final %s is reached after about %.0f s (%s, %g %% confidence).%.400s",
             100 * findings->options->share, measured(findings), answer->value, interval, 100 * findings->confidence,
             gain);
}

const struct rule rules_of_time[] = {
    { "curves", "another factor is varied beside the steep time", has_several, state_several, claim_several },
    { "no curve", "fewer than three steep times, or nothing rises", is_not_fitted, state_not_fitted, claim_only },
    { "falls", "a line through all cups surely falls", falls, state_falls, claim_only },
    { "misfit", "the curve misses the levels by more than replicates scatter (F, p < 0.05)", misfits, state_misfit,
      claim_only },
    { "all late", "no bend is claimed, and no rise is shown or the rate has no upper bound", all_late, state_all_late,
      claim_only },
    { "too short", "plateau, rate or the time of the share has no bound", too_short, state_too_short, claim_only },
    { "few", "fewer cups than a quick part needs", without_quick, state_without_quick, claim_only },
    { "rivalled", "a shape that does not hold first order within it has no larger AICc", is_rivalled, state_rivalled,
      claim_only },
    { "not excluded", "a shape that holds first order within it may be the true one", is_not_excluded,
      state_not_excluded, claim_only },
    { "beyond", "the interval of the share's time reaches beyond the longest steep brewed", is_beyond, state_beyond,
      claim_only },
    { "bend", "first order is identified, fits, has no rival, and the interval lies among the steeps brewed", always,
      state_bend, claim_only },
    { NULL, NULL, NULL, NULL, NULL },
};
