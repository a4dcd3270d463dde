/* What a series along a number says in one sentence; see claims.h. */
#include <math.h>
#include <string.h>

#include "claims.h"

static const char *measured(const struct findings *findings)
{
    return call_of(measure_name(findings->options->measure));
}

static const char *judged_step(const struct findings *findings)
{
    return step_of(measure_name(findings->options->measure));
}

/* What a change of ratio does to what dissolved at all: the cup's share alone misleads. */
static void total_words(const struct findings *findings, char out[SENTENCE_SIZE])
{
    struct interval interval;
    double change;
    char words[96];

    out[0] = '\0';
    if (!findings->has_total)
        return;
    change = findings_change(findings, &findings->total, &interval);
    if (interval.low > 0 || interval.high < 0) {
        words_interval(sized(interval, change), 2, "points", words);
        snprintf(out, SENTENCE_SIZE, "; total extraction, with what the bed holds back, %s by %.2f points (%s)",
                 change > 0 ? "rises" : "falls", fabs(change), words);
    } else {
        words_interval(interval, 2, "points", words);
        snprintf(out, SENTENCE_SIZE, "; of total extraction, with what the bed holds back, no change is shown (%s)",
                 words);
    }
}

/* "From pressure 8 to 56 kPa" */
static void range_words(const struct findings *findings, char out[160])
{
    const struct factor *factor = &findings->factor[0];
    const char *unit = unit_of(factor->name);

    snprintf(out, 160, "From %.60s %g to %g%s%s", call_of(factor->name), factor->level[0].number,
             factor->level[factor->level_count - 1].number, *unit ? " " : "", unit);
}

static bool no_trend(const struct findings *findings)
{
    return !findings->has_trend || !findings->trend.df;
}

static void state_no_trend(const struct findings *findings, char out[SENTENCE_SIZE])
{
    snprintf(out, SENTENCE_SIZE, "No line can be judged: too few cups with %s.", measured(findings));
}

static bool turns(const struct findings *findings)
{
    struct interval where;
    double at;

    return words_turns(findings, &at, &where) != 0;
}

/* "42 kPa (38 to 45 kPa)" */
static void place_words(const struct findings *findings, double at, struct interval where, char out[160])
{
    const char *unit = unit_of(findings->factor[0].name);
    char interval[96];

    words_interval(where, 0, unit, interval);
    snprintf(out, 160, "%.*f%s%s (%s)", words_decimals(where, 0), at, *unit ? " " : "", unit, interval);
}

static void state_turn(const struct findings *findings, char out[SENTENCE_SIZE])
{
    struct interval where;
    double at;
    int way = words_turns(findings, &at, &where);
    char place[160];

    place_words(findings, at, where, place);
    snprintf(out, SENTENCE_SIZE, "%s %s with %s up to about %s and %s beyond.", measured(findings),
             way > 0 ? "climbs" : "falls", call_of(findings->factor[0].name), place, way > 0 ? "falls" : "climbs");
}

static void claim_end(const struct findings *findings, json_t *list)
{
    const struct factor *factor = &findings->factor[0];
    json_t *claim;

    if (!findings->changes || !findings->has_end
        || !(findings->end.interval.low > 0 || findings->end.interval.high < 0))
        return;
    claim = claim_new(list, "change");
    json_object_set_new(claim, "factor", json_string(factor->name));
    json_object_set_new(claim, "from", claim_number(factor->level[0].number));
    json_object_set_new(claim, "to", claim_number(factor->level[factor->level_count - 1].number));
    json_object_set_new(claim, "value", claim_number(findings->end.difference));
    json_object_set_new(claim, "interval", claim_interval(findings->end.interval));
}

static void claim_turn(const struct findings *findings, json_t *list)
{
    struct interval where;
    double at;
    int way = words_turns(findings, &at, &where);
    json_t *claim = claim_new(list, words_breaks(findings) ? "break" : "turn");

    json_object_set_new(claim, "factor", json_string(findings->factor[0].name));
    json_object_set_new(claim, "at", claim_number(at));
    json_object_set_new(claim, "interval", claim_interval(where));
    json_object_set_new(claim, "falls_beyond", json_boolean(way > 0));
    json_object_set_new(claim, "climbs_beyond", json_boolean(way < 0));
}

static bool levels_off(const struct findings *findings)
{
    return findings->bends && words_breaks(findings)
           && (findings->broken.slope_before > 0 ? findings->ends.rises_first : findings->ends.falls_first);
}

static void state_level_off(const struct findings *findings, char out[SENTENCE_SIZE])
{
    const struct trend_break *broken = &findings->broken;
    const char *per = *unit_of(findings->factor[0].name) ? unit_of(findings->factor[0].name) : "step";
    char place[160], slope[96];

    place_words(findings, broken->at, broken->at_interval, place);
    words_interval(broken->slope_after_interval, 3, judged_step(findings), slope);
    snprintf(out, SENTENCE_SIZE,
             "%s %s with %s up to about %s; beyond that neither a rise nor a fall is sure (%+.3f %s per %s, %s).",
             measured(findings), broken->slope_before > 0 ? "climbs" : "falls", call_of(findings->factor[0].name),
             place, broken->slope_after, judged_step(findings), per, slope);
    if (broken->slope_before > 0 ? broken->slope_after_interval.low > 0 : broken->slope_after_interval.high < 0)
        snprintf(out, SENTENCE_SIZE,
                 "%s %s with %s, at another rate from about %s on: %+.3f %s per %s before, %+.3f after (%s).",
                 measured(findings), broken->slope_before > 0 ? "climbs" : "falls", call_of(findings->factor[0].name),
                 place, broken->slope_before, judged_step(findings), per, broken->slope_after, slope);
}

static void claim_level_off(const struct findings *findings, json_t *list)
{
    json_t *claim = claim_new(list, "break");

    json_object_set_new(claim, "factor", json_string(findings->factor[0].name));
    json_object_set_new(claim, "at", claim_number(findings->broken.at));
    json_object_set_new(claim, "interval", claim_interval(findings->broken.at_interval));
    json_object_set_new(claim, "falls_beyond", json_false());
    claim_end(findings, list);
}

static bool misfits(const struct findings *findings)
{
    return findings->changes && findings->trend_misfit;
}

static void state_misfit(const struct findings *findings, char out[SENTENCE_SIZE])
{
    char range[160], interval[96];

    range_words(findings, range);
    words_interval(findings->end.interval, 2, judged_step(findings), interval);
    if (findings->has_end)
        snprintf(out, SENTENCE_SIZE,
                 "%s changes with %s, but follows neither a line nor a curve; %s the cups differ by %+.2f %s (%s).",
                 measured(findings), call_of(findings->factor[0].name), range, findings->end.difference,
                 judged_step(findings), interval);
    else
        snprintf(out, SENTENCE_SIZE, "%s changes with %s, but follows neither a line nor a curve.", measured(findings),
                 call_of(findings->factor[0].name));
}

static void claim_misfit(const struct findings *findings, json_t *list)
{
    json_t *claim = claim_new(list, "misfit");

    json_object_set_new(claim, "of", json_string("line"));
    claim_end(findings, list);
}

static bool bends_only(const struct findings *findings)
{
    return findings->bends;
}

static void state_bends(const struct findings *findings, char out[SENTENCE_SIZE])
{
    double change = findings->end.difference;
    char range[160], interval[96];

    range_words(findings, range);
    words_interval(sized(findings->end.interval, change), 2, judged_step(findings), interval);
    if (findings->has_end && (findings->end.interval.low > 0 || findings->end.interval.high < 0))
        snprintf(out, SENTENCE_SIZE, "%s, %s %s by %.2f %s (%s), along no straight line; a turn is not shown.", range,
                 measured(findings), change > 0 ? "rises" : "falls", fabs(change), judged_step(findings), interval);
    else
        snprintf(out, SENTENCE_SIZE, "%s, %s changes, but along no straight line; a turn is not shown.", range,
                 measured(findings));
}

static bool stays(const struct findings *findings)
{
    return !findings->refusal_count
           && ((findings->all_equal && !isnan(findings->options->margin))
               || (findings->same_change && !findings->bends && !findings->trend_misfit));
}

static void state_stays(const struct findings *findings, char out[SENTENCE_SIZE])
{
    char range[160], total[SENTENCE_SIZE];

    range_words(findings, range);
    total_words(findings, total);
    snprintf(out, SENTENCE_SIZE, "%s, %s stays the same within %g %s%.300s.", range, measured(findings),
             findings->options->margin, judged_step(findings), total);
}

static void claim_stays(const struct findings *findings, json_t *list)
{
    json_t *claim = claim_new(list, "equal"), *of = json_array();

    for (int i = 0; i < findings->level_count; i++)
        json_array_append_new(of, claim_level(findings, i));
    json_object_set_new(claim, "of", of);
    json_object_set_new(claim, "margin", claim_number(findings->options->margin));
}

static bool changes(const struct findings *findings)
{
    return findings->changes && findings->has_end
           && (findings->end.interval.low > 0 || findings->end.interval.high < 0);
}

static void state_changes(const struct findings *findings, char out[SENTENCE_SIZE])
{
    double change = findings->end.difference;
    char range[160], interval[96], total[SENTENCE_SIZE];

    range_words(findings, range);
    total_words(findings, total);
    words_interval(sized(findings->end.interval, change), 2, judged_step(findings), interval);
    snprintf(out, SENTENCE_SIZE, "%s, %s %s by %.2f %s (%s)%.300s.", range, measured(findings),
             change > 0 ? "rises" : "falls", fabs(change), judged_step(findings), interval, total);
}

static bool always(const struct findings *findings)
{
    (void)findings;
    return true;
}

static void state_no_change(const struct findings *findings, char out[SENTENCE_SIZE])
{
    char range[160], interval[96], total[SENTENCE_SIZE];

    range_words(findings, range);
    total_words(findings, total);
    words_interval(findings->end.interval, 2, judged_step(findings), interval);
    snprintf(out, SENTENCE_SIZE, "%s no change of %s is shown (%s)%.300s.", range, measured(findings),
             findings->has_end ? interval : "not known", total);
}

static void claim_no_change(const struct findings *findings, json_t *list)
{
    json_t *claim = claim_new(list, "not_shown");

    json_object_set_new(claim, "of", json_string(findings->factor[0].name));
    json_object_set_new(claim, "interval", claim_interval(findings->end.interval));
}

const struct rule rules_of_numbers[] = {
    { "no line", "too few cups for a line", no_trend, state_no_trend, NULL },
    { "stays", "the line's change (two one-sided tests), or the intervals of all pairs, lie within the margin", stays,
      state_stays, claim_stays },
    { "turn", "the series is no line, surely climbs at first and surely falls at last, or the other way round", turns,
      state_turn, claim_turn },
    { "break", "the series is no line, surely climbs or falls at first, and two pieces fit better than a curve",
      levels_off, state_level_off, claim_level_off },
    { "neither", "it changes, and both line and curve miss the levels by more than replicates scatter", misfits,
      state_misfit, claim_misfit },
    { "bent", "it changes and is no line", bends_only, state_bends, claim_end },
    { "changes", "line or curve against nothing, one family, p < 0.05, and the interval leaves out zero", changes,
      state_changes, claim_end },
    { "no change", "none of these", always, state_no_change, claim_no_change },
    { NULL, NULL, NULL, NULL, NULL },
};
