/* poise-report next: which level is worth another cup, and what it is expected to buy.  The plan for it is written in
 * next_plan.c. */
#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "next.h"
#include "poise/program.h"
#include "words/words.h"

/* Times to steep that are thought of: from here, or where these cups' pours ended, to twice what was brewed; nobody
 * waits longer to learn little. */
static const double SHORTEST_S = 15;

/* A steep counts from the beginning of the pour and holds all of it: no shorter one can be brewed.  Whole seconds, up;
 * 0: no pour was seen to end. */
static double longest_pour_s(sqlite3 *database, const char *experiment)
{
    static const char sql[] =
        "SELECT max((SELECT min(n.at_mono_us) FROM stage n WHERE n.brew_id = p.brew_id AND n.stage <> 'pour' AND"
        " n.at_mono_us > p.at_mono_us) - p.at_mono_us) / 1e6 FROM stage p JOIN brew b USING (brew_id) JOIN experiment e"
        " USING (experiment_id) WHERE e.name = ?1 AND p.stage = 'pour' AND NOT b.discarded";
    sqlite3_stmt *statement = NULL;
    double longest = 0;

    if (sqlite3_prepare_v2(database, sql, -1, &statement, NULL) == SQLITE_OK) {
        sqlite3_bind_text(statement, 1, experiment, -1, SQLITE_STATIC);
        if (sqlite3_step(statement) == SQLITE_ROW)
            longest = ceil(sqlite3_column_double(statement, 0));
    }
    sqlite3_finalize(statement);
    return longest;
}

static double quantile(const struct findings *findings, double df)
{
    return gsl_cdf_tdist_Pinv((1 + findings->confidence) / 2, df);
}

static struct suggestion *suggest(struct advice *advice, double ratio)
{
    struct suggestion *suggestion;

    if (advice->count == SUGGESTIONS || !isfinite(ratio))
        return NULL;
    suggestion = &advice->suggestion[advice->count++];
    memset(suggestion, 0, sizeof *suggestion);
    suggestion->ratio = ratio;
    return suggestion;
}

static int by_ratio(const void *a, const void *b)
{
    double first = ((const struct suggestion *)a)->ratio, second = ((const struct suggestion *)b)->ratio;

    return (first > second) - (first < second);
}

/* --- against time --- */

static void suggest_time(const struct findings *findings, const struct curve_finding *curve, double t, double ratio,
                         struct advice *advice)
{
    int numeric = findings_numeric_factor(findings), other = findings_other_factor(findings);
    struct suggestion *suggestion = suggest(advice, ratio);

    if (!suggestion)
        return;
    snprintf(suggestion->level[numeric], WORDS_SIZE, "%.0f", t);
    if (other >= 0)
        snprintf(suggestion->level[other], WORDS_SIZE, "%s", findings->factor[other].level[curve->level].label);
}

/* The curve whose answer is least known. */
static int widest_curve(const struct findings *findings)
{
    int widest = 0;
    double most = -1;

    for (int i = 0; i < findings->curve_count; i++) {
        const struct answer *answer = &findings->curve[i].answer[0];
        double width = findings->curve[i].fitted ? answer->interval.high - answer->interval.low : INFINITY;

        if (!(width <= most)) {
            most = width;
            widest = i;
        }
    }
    return widest;
}

/* Two shapes are left: the steep at which they differ most shows best which of them is wrong (Atkinson & Fedorov,
 * Biometrika 62, 1975, from memory).  A narrower interval of one of them would be of no use. */
static void advise_between(const struct findings *findings, const struct curve_finding *curve, double least_s,
                           double longest_s, struct advice *advice)
{
    const struct shape_fit *rival = &curve->rival;
    double best = least_s, most = -1;

    for (double t = least_s; t <= 2 * longest_s; t++) {
        double apart = fabs(kinetics_at(&curve->fit, t) - shape_at(rival, t));

        if (apart > most) {
            most = apart;
            best = t;
        }
    }
    suggest_time(findings, curve, round(best), 1, advice);
    suggest_time(findings, curve, longest_s, 1.01, advice);
    snprintf(advice->headline, sizeof advice->headline,
             "Brew at %.0f s: where %s ends depends on which curve is right, and there first order and %s lie farthest "
             "apart, by about %.2g %s.",
             round(best), call_of(measure_name(findings->options->measure)), shape_name(rival), most,
             step_of(measure_name(findings->options->measure)));
}

static int advise_time(const struct findings *findings, int cups, double least_s, struct advice *advice,
                       struct why *why)
{
    int place = widest_curve(findings), numeric = findings_numeric_factor(findings);
    const struct curve_finding *curve = &findings->curve[place];
    const struct factor *factor = &findings->factor[numeric];
    double *room = malloc(CURVE_ROOM * findings->point_count * sizeof *room);
    double longest = factor->level[factor->level_count - 1].number, best;
    struct kinetics_data data;
    int error = 0;

    if (!room)
        return why_set(why, -ENOMEM, "not enough memory");
    data = findings_curve_data(findings, place, room);
    advice->unit = "s";
    advice->width = INFINITY;
    snprintf(advice->about, sizeof advice->about, "when %.0f %% of the plateau is reached",
             100 * findings->options->share);
    if (curve->falls) {
        error = why_set(why, -ENODATA, "%s falls as the steep goes on: no curve shows which cup would teach most",
                        call_of(measure_name(findings->options->measure)));
    } else if (curve->all_late) {
        double shortest = fmax(least_s, factor->level[0].number);

        suggest_time(findings, curve, fmax(least_s, shortest / 2), 1, advice);
        suggest_time(findings, curve, fmax(least_s, shortest / 4), 1.01, advice);
        snprintf(advice->headline, sizeof advice->headline,
                 "These times all lie past the bend: brew at %.0f s, %s; nothing longer can show the rate.",
                 fmax(least_s, shortest / 2),
                 shortest / 2 > least_s ? "half the shortest so far" : "as short as these pours allow");
    } else if (!curve->fitted || !curve->answer[0].identified) {
        suggest_time(findings, curve, 2 * longest, 1, advice);
        suggest_time(findings, curve, 4 * longest, 1.01, advice);
        snprintf(advice->headline, sizeof advice->headline,
                 "These times do not reach past the bend: brew at %.0f s, twice the "
                 "longest so far; nothing shorter can show the plateau.",
                 2 * longest);
    } else if ((curve->rivalled || curve->misfit) && curve->rival.fitted) {
        advise_between(findings, curve, least_s, longest, advice);
    } else {
        double grown = quantile(findings, (double)curve->fit.df + cups) / quantile(findings, (double)curve->fit.df);

        advice->width = curve->answer[0].interval.high - curve->answer[0].interval.low;
        best = kinetics_next(&data, &curve->fit, &curve->answer[0].question, least_s, 2 * longest);
        suggest_time(findings, curve, best,
                     grown * kinetics_shrinks(&data, &curve->fit, &curve->answer[0].question, best, (size_t)cups),
                     advice);
        for (int i = 0; i < factor->level_count; i++)
            suggest_time(findings, curve, factor->level[i].number,
                         grown
                             * kinetics_shrinks(&data, &curve->fit, &curve->answer[0].question, factor->level[i].number,
                                                (size_t)cups),
                         advice);
    }
    free(room);
    return error;
}

/* --- along a number --- */

/* What is asked along a number: where the series breaks or turns, where it does; else its slope. */
enum asked { ASKED_SLOPE, ASKED_TURN, ASKED_BREAK };

static double shrinks_number(const struct findings *findings, enum asked asked, const double *x, double at, double more,
                             int cups)
{
    if (asked == ASKED_BREAK)
        return trend_break_shrinks(x, findings->point_count, &findings->broken, more, (size_t)cups);
    return trend_shrinks(&findings->trend, at, more, (size_t)cups); /* a turn is where the slope is none */
}

static enum asked what_is_asked(const struct findings *findings, struct advice *advice, double *at, double *df)
{
    const struct factor *factor = &findings->factor[0];
    const char *unit = unit_of(factor->name), *call = call_of(measure_name(findings->options->measure));
    struct interval where, slope;

    *df = (double)findings->trend.df;
    if (words_turns(findings, at, &where) != 0) {
        bool breaks = words_breaks(findings);

        advice->width = where.high - where.low;
        advice->unit = unit;
        snprintf(advice->about, sizeof advice->about, "the %s where %s %s", call_of(factor->name), call,
                 breaks ? "breaks" : "turns");
        *df = breaks ? (double)findings->point_count - 4 : *df;
        return breaks ? ASKED_BREAK : ASKED_TURN;
    }
    *at = (factor->level[0].number + factor->level[factor->level_count - 1].number) / 2;
    trend_slope_at(&findings->trend, *at, findings->confidence, &slope);
    advice->width = slope.high - slope.low;
    advice->unit = step_of(measure_name(findings->options->measure));
    snprintf(advice->about, sizeof advice->about, "the slope (%s per %s)", call, *unit ? unit : "step");
    return ASKED_SLOPE;
}

static int advise_number(const struct findings *findings, int cups, struct advice *advice, struct why *why)
{
    const struct factor *factor = &findings->factor[0];
    double *x = malloc(findings->point_count * sizeof *x), at, df, grown;
    enum asked asked;

    if (!x)
        return why_set(why, -ENOMEM, "not enough memory");
    for (size_t i = 0; i < findings->point_count; i++)
        x[i] = findings->point[i].x;
    if (findings->has_trend && findings->trend.df) {
        asked = what_is_asked(findings, advice, &at, &df);
        grown = quantile(findings, df + cups) / quantile(findings, df);
        for (int i = 0; i < factor->level_count; i++) {
            struct suggestion *suggestion =
                suggest(advice, grown * shrinks_number(findings, asked, x, at, factor->level[i].number, cups));

            if (suggestion)
                snprintf(suggestion->level[0], WORDS_SIZE, "%s", factor->level[i].label);
        }
    }
    free(x);
    return 0;
}

/* --- levels in words --- */

/* The pair that decides: the widest apart. */
static const struct pair_finding *deciding_pair(const struct findings *findings)
{
    const struct pair_finding *most = NULL;

    for (int i = 0; i < findings->pair_count; i++)
        if (!most || fabs(findings->pair[i].difference.difference) > fabs(most->difference.difference))
            most = &findings->pair[i];
    return most;
}

static void advise_levels(const struct findings *findings, int cups, struct advice *advice)
{
    const struct pair_finding *pair = deciding_pair(findings);
    char first[2 * WORDS_SIZE], second[2 * WORDS_SIZE];

    if (!pair)
        return;
    findings_level_words(findings, pair->first, first);
    findings_level_words(findings, pair->second, second);
    snprintf(advice->about, sizeof advice->about, "the difference of %s and %s", first, second);
    advice->unit = step_of(measure_name(findings->options->measure));
    advice->width = pair->difference.interval.high - pair->difference.interval.low;
    for (int i = 0; i < findings->level_count; i++) {
        double a = (double)findings->level[pair->first].level_of.n,
               b = (double)findings->level[pair->second].level_of.n;
        double before = sqrt(1 / a + 1 / b),
               after = sqrt(1 / (a + (i == pair->first) * cups) + 1 / (b + (i == pair->second) * cups));
        double grown = quantile(findings, pair->difference.df + cups) / quantile(findings, pair->difference.df);
        struct suggestion *suggestion = suggest(advice, grown * after / before);

        for (int f = 0; suggestion && f < findings->factor_count; f++)
            snprintf(suggestion->level[f], WORDS_SIZE, "%s",
                     findings->factor[f].level[findings->level[i].level[f]].label);
    }
}

static int advise(const struct findings *findings, int cups, double least_s, struct advice *advice, struct why *why)
{
    int error = 0;

    advice->width = INFINITY;
    advice->unit = "";
    if (findings->design == DESIGN_TIME)
        error = advise_time(findings, cups, least_s, advice, why);
    else if (findings->design == DESIGN_NUMBERS)
        error = advise_number(findings, cups, advice, why);
    else
        advise_levels(findings, cups, advice);
    if (error)
        return error;
    if (!advice->count && findings->point_count && findings->level_count < 2)
        return why_set(why, -ENODATA, "all cups with %s are at one level of %s: brew another level",
                       call_of(measure_name(findings->options->measure)), findings->experiment);
    if (!advice->count)
        return findings->level_count > 1 && findings->no_anova[0]
                   ? why_set(why, -ENODATA, "nothing can be concluded yet: %s", findings->no_anova)
                   : why_set(why, -ENODATA,
                             "too few cups with %s to judge by: brew each level of %s at least twice first",
                             call_of(measure_name(findings->options->measure)), findings->experiment);
    qsort(advice->suggestion, (size_t)advice->count, sizeof advice->suggestion[0], by_ratio);
    return 0;
}

static void suggestion_words(const struct findings *findings, const struct suggestion *suggestion,
                             char out[SENTENCE_SIZE])
{
    size_t length = 0;

    for (int f = 0; f < findings->factor_count; f++) {
        const struct factor *factor = &findings->factor[f];
        bool said = strcmp(factor->name, "pressed_dry") == 0; /* its levels need no name before them */
        char level[WORDS_SIZE];

        state_level(factor->name, factor->numeric, suggestion->level[f], level);
        length += (size_t)snprintf(out + length, SENTENCE_SIZE - length, "%s%.60s%s%.80s", f ? ", " : "",
                                   said ? "" : call_of(factor->name), said ? "" : " ", level);
    }
}

/* --- reported --- */

static json_t *advice_json(const struct findings *findings, const struct advice *advice, int cups)
{
    json_t *list = json_array();

    for (int i = 0; i < advice->count; i++) {
        json_t *levels = json_object();

        for (int f = 0; f < findings->factor_count; f++)
            json_object_set_new(levels, findings->factor[f].name, json_string(advice->suggestion[i].level[f]));
        json_array_append_new(list, json_pack("{s:o, s:o, s:o}", "factors", levels, "interval_ratio",
                                              number_json(advice->suggestion[i].ratio), "interval_width",
                                              number_json(advice->width * advice->suggestion[i].ratio)));
    }
    return json_pack("{s:s, s:s, s:i, s:o, s:s, s:o}", "experiment", findings->experiment, "interval_of", advice->about,
                     "cups", cups, "interval_width_now", number_json(advice->width), "unit", advice->unit,
                     "suggestions", list);
}

/* As far as two digits of the width reach; whole seconds are enough of time. */
static int decimals_of(const struct advice *advice)
{
    return strcmp(advice->unit, "s") == 0 ? 0 : advice->width < 0.2 ? 4 : advice->width < 20 ? 2 : 0;
}

/* What 1, 2, 4 and 8 more cups at the best level would buy: where they stop to pay anyone may see. */
static void how_many(const struct findings *findings, const struct advice *best, double least_s, struct document *out)
{
    static const int counts[] = { 1, 2, 4, 8 };
    struct advice *advice = malloc(sizeof *advice);
    char words[SENTENCE_SIZE], titles[SENTENCE_SIZE + 160];
    struct why why;

    suggestion_words(findings, &best->suggestion[0], words);
    for (char *bar = words; (bar = strchr(bar, '|'));) /* in a title it would begin a column */
        *bar = '/';
    snprintf(titles, sizeof titles, "#more cups at %s|#interval would be, %s|#of now", words, best->unit);
    document_table(out, titles);
    for (size_t i = 0; advice && i < sizeof counts / sizeof *counts; i++) {
        memset(advice, 0, sizeof *advice);
        if (advise(findings, counts[i], least_s, advice, &why) < 0)
            break;
        for (int j = 0; j < advice->count; j++)
            if (memcmp(advice->suggestion[j].level, best->suggestion[0].level, sizeof best->suggestion[0].level) == 0) {
                document_row(out, "%d" CELL "%.*f" CELL "%.0f %%", counts[i], decimals_of(best),
                             advice->width * advice->suggestion[j].ratio, 100 * advice->suggestion[j].ratio);
                break;
            }
    }
    free(advice);
}

static void advice_words(const struct findings *findings, const struct advice *advice, int cups, double least_s,
                         struct document *out)
{
    char words[SENTENCE_SIZE], titles[160];
    int decimals = decimals_of(advice);

    suggestion_words(findings, &advice->suggestion[0], words);
    if (advice->headline[0])
        document_add(out, BLOCK_HEADLINE, "%s", advice->headline);
    else
        document_add(out, BLOCK_HEADLINE,
                     "Brew %d more cup%s at %s: the interval of %s would shrink from %.*f to about %.*f %s.", cups,
                     cups == 1 ? "" : "s", words, advice->about, decimals, advice->width, decimals,
                     advice->width * advice->suggestion[0].ratio, advice->unit);
    if (advice->headline[0])
        return;
    snprintf(titles, sizeof titles, "%d more cup%s at|#interval would be, %s|#of now", cups, cups == 1 ? "" : "s",
             advice->unit);
    document_table(out, titles);
    for (int i = 0; i < advice->count; i++) {
        suggestion_words(findings, &advice->suggestion[i], words);
        document_row(out, "%s" CELL "%.*f" CELL "%.0f %%", words, decimals, advice->width * advice->suggestion[i].ratio,
                     100 * advice->suggestion[i].ratio);
    }
    how_many(findings, advice, least_s, out);
    document_add(out, BLOCK_TEXT, "Assumes future cups vary as these did.");
}

int report_next(const struct request *request)
{
    struct document document = { NULL, 0, false };
    struct findings *findings = malloc(sizeof *findings);
    struct advice *advice = calloc(1, sizeof *advice);
    struct cups cups;
    struct why why = { "not enough memory" };
    double least_s;
    int status = EXIT_FAILED;

    if (!findings || !advice || experiment_load(request, request->name, false, &cups, findings, &why) < 0) {
        program_message("%s", why.text);
        free(findings);
        free(advice);
        return EXIT_FAILED;
    }
    least_s = fmax(SHORTEST_S, longest_pour_s(store_database(request->store), findings->experiment));
    if (advise(findings, request->cups, least_s, advice, &why) < 0) {
        program_message("%s", why.text);
    } else if (request->json) {
        status = json_out(advice_json(findings, advice, request->cups));
    } else {
        advice_words(findings, advice, request->cups, least_s, &document);
        status = report_out(request, &document, "The next cup");
    }
    if (status == EXIT_DONE && request->plan)
        status = next_write_plan(findings, advice, request);
    document_free(&document);
    findings_free(findings);
    free(findings);
    free(advice);
    cups_free(&cups);
    return status;
}
