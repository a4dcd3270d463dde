/* poise-report next: which level is worth another cup, and what it is expected to buy. */
#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "poise/plan.h"
#include "poise/program.h"
#include "report.h"
#include "words.h"

enum { SUGGESTIONS = LEVELS + 4 };

/* Times to steep that are thought of: from here to twice what was brewed, nobody waits longer to learn little. */
static const double SHORTEST_S = 15;

/* Two levels closer than this share of the larger teach the same. */
static const double NEARLY_THE_SAME = 0.25;

struct suggestion {
    char level[FACTORS][WORDS_SIZE];        /* of each factor, as a plan would say it */
    double ratio;                           /* the interval after / before */
};

struct advice {
    struct suggestion suggestion[SUGGESTIONS];
    int count;
    char about[SENTENCE_SIZE];              /* whose interval */
    double width;                           /* now; INFINITY: there is none yet */
    const char *unit;
    char headline[SENTENCE_SIZE];
};

static double quantile(const struct findings *findings, double df)
{
    return gsl_cdf_tdist_Pinv((1 + findings->options->confidence) / 2, df);
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

static int advise_time(const struct findings *findings, int cups, struct advice *advice, struct why *why)
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
        error = why_set(why, -ENODATA, "%s falls as the steep goes on: no curve says which cup would teach most",
                        call_of(measure_name(findings->options->measure)));
    } else if (curve->all_late) {
        double shortest = fmax(SHORTEST_S, factor->level[0].number);

        suggest_time(findings, curve, fmax(SHORTEST_S, shortest / 2), 1, advice);
        suggest_time(findings, curve, fmax(SHORTEST_S, shortest / 4), 1.01, advice);
        snprintf(advice->headline, sizeof advice->headline,
                 "These times all lie past the bend: brew at %.0f s, half the "
                 "shortest so far; nothing longer can tell the rate.",
                 fmax(SHORTEST_S, shortest / 2));
    } else if (!curve->fitted || !curve->answer[0].identified) {
        suggest_time(findings, curve, 2 * longest, 1, advice);
        suggest_time(findings, curve, 4 * longest, 1.01, advice);
        snprintf(advice->headline, sizeof advice->headline,
                 "These times do not reach past the bend: brew at %.0f s, twice the "
                 "longest so far; nothing shorter can tell the plateau.",
                 2 * longest);
    } else {
        double grown = quantile(findings, (double)curve->fit.df + cups) / quantile(findings, (double)curve->fit.df);

        advice->width = curve->answer[0].interval.high - curve->answer[0].interval.low;
        best = kinetics_next(&data, &curve->fit, &curve->answer[0].question, SHORTEST_S, 2 * longest);
        suggest_time(findings, curve, best,
                     grown * kinetics_shrinks(&data, &curve->fit, &curve->answer[0].question, best, (size_t)cups),
                     advice);
        for (int i = 0; i < factor->level_count; i++)
            suggest_time(findings, curve, factor->level[i].number,
                         grown
                             * kinetics_shrinks(&data, &curve->fit, &curve->answer[0].question,
                                                factor->level[i].number, (size_t)cups),
                         advice);
    }
    free(room);
    return error;
}

/* --- along a number --- */

static void advise_number(const struct findings *findings, int cups, struct advice *advice)
{
    const struct factor *factor = &findings->factor[0];
    double middle = (factor->level[0].number + factor->level[factor->level_count - 1].number) / 2, grown;
    struct interval slope;

    if (!findings->has_trend || !findings->trend.df)
        return;
    trend_slope_at(&findings->trend, middle, findings->options->confidence, &slope);
    grown = quantile(findings, (double)findings->trend.df + cups) / quantile(findings, (double)findings->trend.df);
    advice->width = slope.high - slope.low;
    advice->unit = words_step(measure_name(findings->options->measure));
    snprintf(advice->about, sizeof advice->about, "the slope in the middle, per %s",
             *unit_of(factor->name) ? unit_of(factor->name) : "step");
    for (int i = 0; i < factor->level_count; i++) {
        struct suggestion *suggestion =
            suggest(advice, grown * trend_shrinks(&findings->trend, middle, factor->level[i].number, (size_t)cups));

        if (suggestion)
            snprintf(suggestion->level[0], WORDS_SIZE, "%s", factor->level[i].label);
    }
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
    advice->unit = words_step(measure_name(findings->options->measure));
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

static int advise(const struct findings *findings, int cups, struct advice *advice, struct why *why)
{
    int error = 0;

    advice->width = INFINITY;
    advice->unit = "";
    if (findings->design == DESIGN_TIME)
        error = advise_time(findings, cups, advice, why);
    else if (findings->design == DESIGN_NUMBERS)
        advise_number(findings, cups, advice);
    else
        advise_levels(findings, cups, advice);
    if (error)
        return error;
    if (!advice->count)
        return findings->level_count > 1 && findings->no_anova[0]
                   ? why_set(why, -ENODATA, "nothing can be said yet: %s", findings->no_anova)
                   : why_set(why, -ENODATA, "too few cups with %s to say: brew each level of %s at least twice first",
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
        bool said = strcmp(factor->name, "pressed_dry") == 0;      /* its levels need no name before them */
        char level[WORDS_SIZE];

        say_level(factor->name, factor->numeric, suggestion->level[f], level);
        length += (size_t)snprintf(out + length, SENTENCE_SIZE - length, "%s%.60s%s%.80s", f ? ", " : "",
                                   said ? "" : call_of(factor->name), said ? "" : " ", level);
    }
}

/* --- the plan for it --- */

/* One line of an INI file holds no line ends, and a semicolon begins a comment. */
static void ini_word(const char *text, FILE *out)
{
    for (; *text; text++)
        fputc((unsigned char)*text < 0x20 || *text == 0x7f ? ' ' : *text == ';' || *text == '#' ? ',' : *text, out);
}

static void ini_value(const json_t *value, FILE *out)
{
    if (json_is_string(value))
        ini_word(json_string_value(value), out);
    else
        fprintf(out, "%.10g", json_number_value(value));
}

/* A plan varies something: beside the best level it asks for the next best that is not nearly the same, or else the
 * one that is least so. */
static const struct suggestion *partner_of(const struct findings *findings, const struct advice *advice)
{
    const struct suggestion *best = &advice->suggestion[0];
    int numeric = findings_numeric_factor(findings);
    const struct suggestion *farthest = NULL;
    double first = numeric >= 0 ? strtod(best->level[numeric], NULL) : 0, most = 0;

    for (int i = 1; i < advice->count; i++) {
        const struct suggestion *other = &advice->suggestion[i];
        double second = numeric >= 0 ? strtod(other->level[numeric], NULL) : 0;
        bool differs = false;

        for (int f = 0; f < findings->factor_count; f++)
            differs = differs || (f != numeric && strcmp(best->level[f], other->level[f]) != 0);
        if (differs || fabs(second - first) > NEARLY_THE_SAME * fmax(first, second))
            return other;
        if (fabs(second - first) > most) {
            most = fabs(second - first);
            farthest = other;
        }
    }
    return farthest;
}

/* The tolerances the experiment was brewed by, as its latest run carries them; NULL: none known. */
static json_t *latest_tolerances(sqlite3 *database, const char *experiment)
{
    static const char sql[] = "SELECT b.tolerances FROM brew b JOIN experiment e USING (experiment_id) WHERE e.name = "
                              "?1 AND b.tolerances IS NOT NULL ORDER BY b.began_us DESC LIMIT 1";
    sqlite3_stmt *statement = NULL;
    json_t *tolerances = NULL;

    if (sqlite3_prepare_v2(database, sql, -1, &statement, NULL) == SQLITE_OK) {
        sqlite3_bind_text(statement, 1, experiment, -1, SQLITE_STATIC);
        if (sqlite3_step(statement) == SQLITE_ROW)
            tolerances = json_loads((const char *)sqlite3_column_text(statement, 0), JSON_REJECT_DUPLICATES, NULL);
    }
    sqlite3_finalize(statement);
    return tolerances;
}

static void ini_tolerance(const json_t *tolerances, const char *name, FILE *out)
{
    const json_t *tolerance = json_object_get(tolerances, name);

    if (json_is_number(tolerance))
        fprintf(out, " +- %.10g", json_number_value(tolerance));
    fputc('\n', out);
}

static char *plan_text(const struct findings *findings, const struct suggestion *best,
                       const struct suggestion *partner, const json_t *tolerances, int cups)
{
    const struct cup *cup = findings->point[0].cup;
    const char *name;
    char *text = NULL;
    size_t size;
    json_t *value;
    FILE *out = open_memstream(&text, &size);

    if (!out)
        return NULL;
    fputs("; more cups where they teach most, suggested by poise-report next\n[experiment]\nname = ", out);
    ini_word(findings->experiment, out);
    fputs("\ntitle = ", out);
    ini_word(findings->title[0] ? findings->title : findings->experiment, out);
    fprintf(out, "\nreplicates = %d\norder = random\n\n[vary]\n", cups);
    for (int held = 0; held < 2; held++) {      /* what both levels have in common is held */
        fputs(held ? "\n[hold]\n" : "", out);
        for (int f = 0; f < findings->factor_count; f++) {
            bool same = partner && strcmp(partner->level[f], best->level[f]) == 0;

            if (same != (held == 1))
                continue;
            ini_word(findings->factor[f].name, out);
            fputs(" = ", out);
            ini_word(best->level[f], out);
            if (partner && !same) {
                fputs(", ", out);
                ini_word(partner->level[f], out);
            }
            ini_tolerance(tolerances, findings->factor[f].name, out);
        }
    }
    json_object_foreach(cup->recipe, name, value) {
        bool varied = false;

        for (int f = 0; f < findings->factor_count; f++)
            varied = varied || strcmp(name, findings->factor[f].name) == 0;
        if (varied || !(json_is_string(value) || json_is_number(value)))
            continue;
        ini_word(name, out);
        fputs(" = ", out);
        ini_value(value, out);
        ini_tolerance(tolerances, name, out);
    }
    if (fclose(out) != 0) {
        free(text);
        return NULL;
    }
    return text;
}

static int write_plan(const struct findings *findings, const struct advice *advice, const struct request *request)
{
    json_t *tolerances = latest_tolerances(store_database(request->store), findings->experiment);
    char *text = plan_text(findings, &advice->suggestion[0], partner_of(findings, advice), tolerances, request->cups);
    struct plan_mistakes mistakes;
    struct plan plan;
    struct why why = { "not enough memory" };
    FILE *file;
    bool failed;

    json_decref(tolerances);
    if (!text || plan_read(&plan, text, strlen(text), &mistakes, &why) < 0) {
        program_say("%s: no plan can be made of these cups: %s", request->plan, why.text);
        free(text);
        return EXIT_FAILED;
    }
    file = fopen(request->plan, "wxe");         /* somebody's plan is not overwritten */
    failed = !file || fputs(text, file) < 0;
    if (file)
        failed = fclose(file) != 0 || failed;
    free(text);
    if (failed) {
        program_say("%s: cannot be written: %s", request->plan, strerror(errno));
        return EXIT_FAILED;
    }
    return EXIT_DONE;
}

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
    return json_pack("{s:s, s:s, s:i, s:o, s:s, s:o}", "experiment", findings->experiment, "interval_of",
                     advice->about, "cups", cups, "interval_width_now", number_json(advice->width), "unit",
                     advice->unit, "suggestions", list);
}

static void advice_words(const struct findings *findings, const struct advice *advice, int cups, struct document *out)
{
    char words[SENTENCE_SIZE], titles[160];
    int decimals = strcmp(advice->unit, "s") == 0 ? 0 : advice->width < 0.2 ? 4 : 2;

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
        document_row(out, "%s" CELL "%.*f" CELL "%.0f %%", words, decimals,
                     advice->width * advice->suggestion[i].ratio, 100 * advice->suggestion[i].ratio);
    }
    document_add(out, BLOCK_TEXT, "Reckoned as if cups went on scattering as they did.");
}

int report_next(const struct request *request)
{
    struct document document = { NULL, 0, false };
    struct findings *findings = malloc(sizeof *findings);
    struct advice *advice = calloc(1, sizeof *advice);
    struct cups cups;
    struct why why = { "not enough memory" };
    int status = EXIT_FAILED;

    if (!findings || !advice || experiment_load(request, request->name, false, &cups, findings, &why) < 0) {
        program_say("%s", why.text);
        free(findings);
        free(advice);
        return EXIT_FAILED;
    }
    if (advise(findings, request->cups, advice, &why) < 0) {
        program_say("%s", why.text);
    } else if (request->json) {
        status = json_out(advice_json(findings, advice, request->cups));
    } else {
        advice_words(findings, advice, request->cups, &document);
        status = report_out(request, &document, "The next cup");
    }
    if (status == EXIT_DONE && request->plan)
        status = write_plan(findings, advice, request);
    document_free(&document);
    findings_free(findings);
    free(findings);
    free(advice);
    cups_free(&cups);
    return status;
}
