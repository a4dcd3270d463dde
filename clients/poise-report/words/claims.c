/* Claims and headlines: which sentence is said; see claims.h.  The sentences of each design are in headline_*.c. */
#include "claims.h"

#include <math.h>
#include <string.h>

struct interval sized(struct interval interval, double difference)
{
    return difference < 0 ? (struct interval){ -interval.high, -interval.low } : interval;
}

json_t *claim_number(double number)
{
    return isfinite(number) ? json_real(number) : json_null();
}

json_t *claim_interval(struct interval interval)
{
    return json_pack("[o, o]", claim_number(interval.low), claim_number(interval.high));
}

json_t *claim_factor_level(const struct findings *findings, int factor, int level)
{
    const struct factor *its = &findings->factor[factor];

    return json_pack("{s:o}", its->name,
                     its->numeric ? claim_number(its->level[level].number) : json_string(its->level[level].label));
}

json_t *claim_level(const struct findings *findings, int place)
{
    json_t *out = json_object();

    for (int f = 0; f < findings->factor_count; f++) {
        json_t *one = claim_factor_level(findings, f, findings->level[place].level[f]);

        json_object_update(out, one);
        json_decref(one);
    }
    return out;
}

json_t *claim_new(json_t *list, const char *kind)
{
    json_t *claim = json_pack("{s:s}", "claim", kind);

    json_array_append_new(list, claim);
    return claim;
}

/* --- rules that hold for any design --- */

static bool is_empty(const struct findings *findings)
{
    return findings->design == DESIGN_EMPTY;
}

static void state_empty(const struct findings *findings, char out[SENTENCE_SIZE])
{
    snprintf(out, SENTENCE_SIZE, "There is no cup with %s yet.", call_of(measure_name(findings->options->measure)));
}

static bool has_one_cup(const struct findings *findings)
{
    return findings->design == DESIGN_ONE_LEVEL && findings->point_count == 1;
}

static void state_one_cup(const struct findings *findings, char out[SENTENCE_SIZE])
{
    (void)findings;
    snprintf(out, SENTENCE_SIZE, "There is only one cup: nothing to compare yet.");
}

static bool has_one_level(const struct findings *findings)
{
    return findings->design == DESIGN_ONE_LEVEL;
}

static void state_one_level(const struct findings *findings, char out[SENTENCE_SIZE])
{
    snprintf(out, SENTENCE_SIZE, "All %zu cups are at one level: nothing to compare yet.", findings->point_count);
}

/* Of two factors one may still be judged. */
static bool is_refused(const struct findings *findings)
{
    if (findings_refused(findings, -1))
        return true;
    for (int f = 0; f < findings->factor_count; f++)
        if (!findings_refused(findings, f))
            return false;
    return findings->refusal_count > 0;
}

static void state_refused(const struct findings *findings, char out[SENTENCE_SIZE])
{
    snprintf(out, SENTENCE_SIZE, "No verdict: %s.", findings->refusal[0].sentence);
}

static void claim_refused(const struct findings *findings, json_t *list)
{
    for (int i = 0; i < findings->refusal_count; i++) {
        const struct refusal *refusal = &findings->refusal[i];
        json_t *claim = claim_new(list, "refused");

        json_object_set_new(claim, "because", json_string(refusal->because));
        if (refusal->factor >= 0)
            json_object_set_new(claim, "of", json_string(findings->factor[refusal->factor].name));
        json_object_set_new(claim, "why", json_string(refusal->sentence));
    }
}

static bool has_no_scatter(const struct findings *findings)
{
    return findings->has_no_scatter;
}

static void state_no_scatter(const struct findings *findings, char out[SENTENCE_SIZE])
{
    snprintf(out, SENTENCE_SIZE,
             "No verdict: cups of one level show exactly the same %s, which no bench does; look at the numbers again.",
             call_of(measure_name(findings->options->measure)));
}

static void claim_alike(const struct findings *findings, json_t *list)
{
    (void)findings;
    json_object_set_new(claim_new(list, "refused"), "because", json_string("alike"));
}

const struct rule rules_of_none[] = {
    { "empty", "no cup has the measure", is_empty, state_empty, NULL },
    { "one cup", "one cup counts", has_one_cup, state_one_cup, NULL },
    { "one level", "all cups are at one level", has_one_level, state_one_level, NULL },
    { "alike", "cups of each level are equal to the last digit", has_no_scatter, state_no_scatter, claim_alike },
    { "refused",
      "the plan has hardly begun, each level has one cup, or no level can be separated from a day, an order, a bag, a "
      "bench, a setting, or a dose or water that was to be the same",
      is_refused, state_refused, claim_refused },
    { NULL, NULL, NULL, NULL, NULL },
};

static const struct rule *rules_for(enum design design)
{
    switch (design) {
    case DESIGN_TIME:
        return rules_of_time;
    case DESIGN_NUMBERS:
        return rules_of_numbers;
    case DESIGN_WORDS:
        return rules_of_words;
    default:
        return rules_of_two;
    }
}

const struct rule *headline_rule(const struct findings *findings)
{
    for (const struct rule *rule = rules_of_none; rule->name; rule++)
        if (rule->holds(findings))
            return rule;
    for (const struct rule *rule = rules_for(findings->design);; rule++)
        if (rule->holds(findings))
            return rule;
}

void words_headline(const struct findings *findings, char out[SENTENCE_SIZE])
{
    headline_rule(findings)->say(findings, out);
    if (out[0] >= 'a' && out[0] <= 'z')
        out[0] = (char)(out[0] - 'a' + 'A');
}

json_t *claims_json(const struct findings *findings)
{
    const struct rule *rule = headline_rule(findings);
    json_t *list = json_array(), *claim;
    char sentence[SENTENCE_SIZE];
    size_t i, of_headline;

    words_headline(findings, sentence);
    if (rule->claim)
        rule->claim(findings, list);
    of_headline = json_array_size(list);
    if (rule->claim != claim_refused && findings->refusal_count)
        claim_refused(findings, list);
    if (findings->design == DESIGN_TIME && findings->curve_count > 1)
        for (int curve = 0; curve < findings->curve_count; curve++)
            claim_curve(findings, curve, list);
    json_array_foreach(list, i, claim)
    {
        json_object_set_new(claim, "where", json_string(i < of_headline ? "headline" : "body"));
        json_object_set_new(claim, "rule", json_string(rule->name));
        json_object_set_new(claim, "confidence", claim_number(findings->confidence));
        if (i < of_headline)
            json_object_set_new(claim, "sentence", json_string(sentence));
    }
    return list;
}

json_t *rules_json(void)
{
    const struct rule *const all[] = { rules_of_none, rules_of_time, rules_of_numbers, rules_of_words, rules_of_two };
    json_t *list = json_array();

    for (size_t i = 0; i < sizeof all / sizeof *all; i++)
        for (const struct rule *rule = all[i]; rule->name; rule++)
            json_array_append_new(list, json_pack("{s:s, s:s}", "rule", rule->name, "when", rule->when));
    return list;
}
