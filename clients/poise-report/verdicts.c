/* poise-report verdicts: every variable that was ever varied: its effect, its cost, its blind tasting, and
 * keep, drop or undecided by one stated rule; then the recipe they add up to. */
#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include "poise/program.h"
#include "poise/tasting_verdict.h"
#include "verdicts.h"

/* A change of extraction smaller than this nobody tastes (common practice, no source); --margin says otherwise. */
static const double MARGIN_POINTS = 0.5;

/* Half a point of strength is another drink, half a gram of beverage is nothing: only extraction has a usual margin. */
static bool margin_is_known(const struct report_options *options)
{
    return !isnan(options->margin) || options->measure == MEASURE_EXTRACTION_PCT
           || options->measure == MEASURE_EXTRACTION_TOTAL_PCT;
}

/* --- one variable of one experiment --- */

/* The mean over a level's cups of the number at this offset in struct cup; NAN: no cup knows it. */
static double mean_of(const struct findings *findings, int place, size_t what)
{
    double sum = 0;
    size_t n = 0;

    for (size_t i = 0; i < findings->point_count; i++) {
        double value = *(const double *)((const char *)findings->point[i].cup + what);

        if (memcmp(findings->point[i].level, findings->level[place].level, sizeof findings->point[i].level) != 0
            || isnan(value))
            continue;
        sum += value;
        n++;
    }
    return n ? sum / (double)n : (double)NAN;
}

static void find_costs(const struct findings *findings, int better, int worse, struct variable *out)
{
    out->cost_s = mean_of(findings, better, offsetof(struct cup, duration_s))
                  - mean_of(findings, worse, offsetof(struct cup, duration_s));
    out->cost_steps =
        mean_of(findings, better, offsetof(struct cup, steps)) - mean_of(findings, worse, offsetof(struct cup, steps));
}

/* How unlikely an effect so far beyond the margin is, if it were none beyond it; pairs of several levels together, and
 * of two factors as one of three questions. */
static double p_beyond(double effect, const struct difference *difference, double margin, size_t together,
                       int questions)
{
    double t = (fabs(effect) - margin) / difference->standard_error, p;

    if (!(difference->standard_error > 0) || !(difference->df > 0))
        return NAN;
    if (t <= 0)
        return 1;
    p = together > 2 ? studentized_range_p(t * M_SQRT2, together, fmax(1, difference->df))
                     : 2 * gsl_cdf_tdist_Q(t, difference->df);
    return fmin(1, p * questions);
}

static void advise(struct variable *variable);

/* Of noisy means the best is too good: what is left of a difference when its own error is taken out (positive part of
 * James and Stein, towards none). */
static double shrunk(double effect, double error)
{
    return effect == 0 ? 0 : effect * fmax(0, 1 - error * error / (effect * effect));
}

/* --- several experiments on one variable --- */

/* They disagree when chance would set them so far apart less than once in twenty times (Cochran's Q; Biometrics 10,
 * 1954, from memory). */
static const double DISAGREE = 0.05;

static int label_of(const struct variable *variable, const char *label)
{
    for (int i = 0; i < variable->levels; i++)
        if (strcmp(variable->label[i], label) == 0)
            return i;
    return -1;
}

/* What this experiment says of two levels; false: nothing. */
static bool says(const struct variable *variable, const char *more, const char *less, double *difference,
                 double *variance)
{
    int a = label_of(variable, more), b = label_of(variable, less), levels = variable->levels;

    if (a < 0 || b < 0 || variable->refused[0])
        return false;
    *difference = variable->mean[a] - variable->mean[b];
    *variance = variable->covariance[a * levels + a] + variable->covariance[b * levels + b]
                - 2 * variable->covariance[a * levels + b];
    return *variance > 0;
}

/* Of all experiments on one variable the one with the most cups takes in what the others say of its widest pair. */
static void combine(struct verdicts *verdicts, struct variable *lead)
{
    double weights = 0, sum = 0, q = 0, df = 0, difference[VARIABLES], variance[VARIABLES];
    int best = 0, worst = 0, count = 0, member[VARIABLES];
    char each[sizeof lead->combines] = "";
    size_t length = 0;
    const char *step = step_of(measure_name(lead->measure));
    double confidence = verdicts->request->options.confidence, reach, turn;
    struct difference all;

    for (int i = 1; i < lead->levels; i++) {
        best = lead->mean[i] > lead->mean[best] ? i : best;
        worst = lead->mean[i] < lead->mean[worst] ? i : worst;
    }
    for (int i = 0; i < verdicts->count && best != worst; i++) {
        const struct variable *its = &verdicts->variable[i];

        if (strcmp(its->factor, lead->factor) != 0 || its->measure != lead->measure || its->depends_on[0]
            || !says(its, lead->label[best], lead->label[worst], &difference[count], &variance[count]))
            continue;
        weights += 1 / variance[count];
        sum += difference[count] / variance[count];
        df += its->df;
        member[count++] = i;
    }
    if (count < 2)
        return;
    turn = sum < 0 ? -1 : 1; /* what is more by all of them */
    for (int i = 0; i < count && length + 120 < sizeof lead->combines; i++) {
        const struct variable *its = &verdicts->variable[member[i]];
        double t = gsl_cdf_tdist_Pinv(0.975, its->df) * sqrt(variance[i]), seen = turn * difference[i];

        length += (size_t)snprintf(each + length, sizeof each - length, "%s%.32s %+.2f (%.2f to %.2f)", i ? ", " : "",
                                   its->experiment, seen, seen - t, seen + t);
    }
    memcpy(lead->combines, each, sizeof each);
    for (int i = 0; i < count; i++) /* the others are heard in it, and are no questions of their own */
        verdicts->variable[member[i]].covered_by_other = &verdicts->variable[member[i]] != lead;
    for (int i = 0; i < count; i++)
        q += pow(difference[i] - sum / weights, 2) / variance[i];
    if (gsl_cdf_chisq_Q(q, count - 1) < DISAGREE) {
        char refused[sizeof lead->refused];

        snprintf(refused, sizeof refused, "experiments disagree: of %.40s over %.40s %.230s%s%s",
                 lead->label[turn > 0 ? best : worst], lead->label[turn > 0 ? worst : best], each, *step ? " " : "",
                 step);
        memcpy(lead->refused, refused, sizeof refused);
        return;
    }
    if (turn < 0) {
        char was[sizeof lead->better];

        memcpy(was, lead->better, sizeof was);
        memcpy(lead->better, lead->worse, sizeof was);
        memcpy(lead->worse, was, sizeof was);
    }
    all = (struct difference){ .difference = turn * sum / weights, .standard_error = sqrt(1 / weights), .df = df };
    lead->combined = count;
    lead->raw = all.difference;
    lead->effect = shrunk(all.difference, all.standard_error);
    lead->p_beyond = p_beyond(all.difference, &all, verdicts->margin, (size_t)lead->levels, 1);
    reach = lead->levels > 2 ? studentized_range_quantile(confidence, (size_t)lead->levels, fmax(1, df)) / M_SQRT2
                             : gsl_cdf_tdist_Pinv((1 + confidence) / 2, df);
    lead->interval =
        (struct interval){ lead->raw - reach * all.standard_error, lead->raw + reach * all.standard_error };
}

static void combine_all(struct verdicts *verdicts)
{
    for (int i = 0; i < verdicts->count; i++) {
        struct variable *lead = &verdicts->variable[i];
        bool leads = lead->levels > 1 && !lead->refused[0] && !lead->depends_on[0];

        for (int j = 0; j < verdicts->count && leads; j++) {
            const struct variable *other = &verdicts->variable[j];

            if (j != i && strcmp(other->factor, lead->factor) == 0 && other->levels > 1 && !other->refused[0]
                && !other->depends_on[0])
                leads = other->cups < lead->cups || (other->cups == lead->cups && j < i);
        }
        if (leads)
            combine(verdicts, lead);
    }
}

/* Keep: beyond the margin, all variables together (Holm).  Drop: the whole interval lies within the margin; or what
 * costs more brings less than it for sure. */
static void judge_together(struct verdicts *verdicts)
{
    double p[VARIABLES], alpha = 1 - verdicts->request->options.confidence;

    for (int i = 0; i < verdicts->count; i++)
        p[i] = verdicts->variable[i].refused[0] || verdicts->variable[i].covered_by_other
                   ? (double)NAN
                   : verdicts->variable[i].p_beyond;
    holm_adjust(p, NULL, (size_t)verdicts->count);
    for (int i = 0; i < verdicts->count; i++) {
        struct variable *variable = &verdicts->variable[i];
        const struct interval *interval = &variable->interval;
        bool costly = variable->cost_s > 0 || variable->cost_steps > 0, known = !isnan(interval->low);

        variable->p_together = p[i];
        if (variable->refused[0] || !known)
            variable->verdict = VERDICT_UNDECIDED;
        else if (p[i] < alpha && interval->low > verdicts->margin)
            variable->verdict = VERDICT_KEEP;
        else if (interval->high < verdicts->margin && (costly || interval->low > -verdicts->margin))
            variable->verdict = VERDICT_DROP;
        else
            variable->verdict = VERDICT_UNDECIDED;
        advise(variable);
    }
    for (int i = 0; i < verdicts->count; i++) /* one variable, one verdict */
        for (int j = 0; j < verdicts->count && verdicts->variable[i].combines[0]; j++)
            if (verdicts->variable[j].covered_by_other
                && strcmp(verdicts->variable[i].factor, verdicts->variable[j].factor) == 0)
                verdicts->variable[j].verdict = verdicts->variable[i].verdict;
}

/* The same of one of several levels: towards their mean, by how much they differ beyond their errors. */
static double shrunk_range(const struct findings *findings, double effect)
{
    double mean = 0, between = 0, error = 0, levels = findings->level_count;

    for (int i = 0; i < findings->level_count; i++) {
        mean += findings->level[i].adjusted / levels;
        error += findings->layout.covariance[i * (findings->level_count + 1)] / levels;
    }
    for (int i = 0; i < findings->level_count; i++)
        between += pow(findings->level[i].adjusted - mean, 2) / (levels - 1);
    return between > 0 ? effect * fmax(0, 1 - error / between) : 0;
}

/* Of the pairs that differ in this factor alone, the one farthest apart. */
static const struct pair_finding *farthest(const struct findings *findings, int factor)
{
    const struct pair_finding *most = NULL;

    for (int i = 0; i < findings->pair_count; i++) {
        const struct pair_finding *pair = &findings->pair[i];
        const int *first = findings->level[pair->first].level, *second = findings->level[pair->second].level;

        if (findings->factor_count == 2 && first[1 - factor] != second[1 - factor])
            continue;
        if (!most || fabs(pair->difference.difference) > fabs(most->difference.difference))
            most = pair;
    }
    return most;
}

/* With two factors the recipe takes the best combination, not the best of each. */
static int best_level(const struct findings *findings)
{
    int best = 0;

    for (int i = 1; i < findings->level_count; i++)
        if (findings->level[i].adjusted > findings->level[best].adjusted)
            best = i;
    return best;
}

/* Does a level of this factor mean that nothing is done? */
static bool is_nothing(const struct factor *factor, int level)
{
    static const char *const words[] = { "none", "no", "off", "without", "never" };

    for (size_t i = 0; i < sizeof words / sizeof *words; i++)
        if (strcmp(factor->level[level].label, words[i]) == 0)
            return true;
    return factor->numeric && factor->level[level].number == 0;
}

/* How much one combination costs more than another: stages, else things done, else seconds; 0: nothing shows it. */
static double costs_more(const struct findings *findings, int one, int other)
{
    static const double least_steps = 0.05, least_s = 5; /* a person takes no two cups to the second */
    double steps =
        mean_of(findings, one, offsetof(struct cup, steps)) - mean_of(findings, other, offsetof(struct cup, steps));
    double seconds = mean_of(findings, one, offsetof(struct cup, duration_s))
                     - mean_of(findings, other, offsetof(struct cup, duration_s));
    int done = 0;

    if (fabs(steps) > least_steps)
        return steps;
    for (int f = 0; f < findings->factor_count; f++)
        done += is_nothing(&findings->factor[f], findings->level[other].level[f])
                - is_nothing(&findings->factor[f], findings->level[one].level[f]);
    return done ? done : fabs(seconds) > least_s ? seconds : 0;
}

static const struct pair_finding *pair_of(const struct findings *findings, int one, int other)
{
    for (int i = 0; i < findings->pair_count; i++)
        if ((findings->pair[i].first == one && findings->pair[i].second == other)
            || (findings->pair[i].first == other && findings->pair[i].second == one))
            return &findings->pair[i];
    return NULL;
}

/* Two factors that depend on each other: a step that pays at one level of the other need not pay at the level that is
 * taken.  From the best, steps are left out one by one while that costs less and is not worse by more than the margin
 * for sure. */
static int simplest_level(const struct findings *findings, double margin)
{
    int best = best_level(findings), simplest = best;

    if (!findings->has_questions || !findings->questions.shown[2])
        return best;
    for (int i = 0; i < findings->level_count; i++) {
        const struct pair_finding *pair = pair_of(findings, best, i);
        const int *level = findings->level[i].level, *of_best = findings->level[best].level;

        if (!pair || (level[0] != of_best[0] && level[1] != of_best[1])) /* one step at a time */
            continue;
        if ((pair->first == best ? pair->difference.interval.low : -pair->difference.interval.high) <= margin
            && costs_more(findings, simplest, i) > 0)
            simplest = i;
    }
    return simplest;
}

static void find_left_out(const struct findings *findings, int factor, int best, int taken, struct variable *out)
{
    const struct pair_finding *pair = pair_of(findings, best, taken);
    const char *step = step_of(measure_name(findings->options->measure));
    char left[WORDS_SIZE], where[WORDS_SIZE], interval[96];

    if (!pair || findings->level[best].level[factor] == findings->level[taken].level[factor])
        return;
    out->left = pair->difference;
    if (pair->second == best) {
        out->left.difference = -pair->difference.difference;
        out->left.interval = (struct interval){ -pair->difference.interval.high, -pair->difference.interval.low };
    }
    findings_level_call(&findings->factor[factor], findings->level[best].level[factor], left);
    findings_level_call(&findings->factor[1 - factor], findings->level[taken].level[1 - factor], where);
    words_interval(out->left.interval, 2, step, interval);
    snprintf(out->left_out, sizeof out->left_out, "with %.60s %.40s, that %.40s pays is not shown (%.60s)",
             call_of(findings->factor[1 - factor].name), where, left, interval);
}

/* The curve that runs through a level; NULL: there is none. */
static const struct curve_finding *curve_at(const struct findings *findings, int place)
{
    int other = findings_other_factor(findings);

    for (int i = 0; i < findings->curve_count; i++)
        if (other < 0 || findings->curve[i].level == findings->level[place].level[other])
            return &findings->curve[i];
    return NULL;
}

/* "18" as a plan says it, and with its unit for people. */
static void level_words(const struct findings *findings, int factor, int level, char out[WORDS_SIZE])
{
    findings_level_call(&findings->factor[factor], level, out);
}

/* What the recipe takes: where it matters the level that gives most, or, of a steep or a series that turns, the place
 * where it stops to pay, rounded to what a person can do; where it does not matter the one that costs less. */
static void find_levels_to_take(const struct findings *findings, int factor, int better, int worse, double margin,
                                struct variable *out)
{
    const char *name = findings->factor[factor].name, *unit = findings->factor[factor].numeric ? unit_of(name) : "";
    int best = findings->factor_count == 2 ? simplest_level(findings, margin) : better;
    const struct curve_finding *curve = curve_at(findings, best);
    bool cheaper =
        findings->factor_count < 2 ? costs_more(findings, better, worse) > 0 : out->cost_s > 0 || out->cost_steps > 0;
    struct interval where;
    double top;

    if (findings->factor_count == 2)
        find_left_out(findings, factor, best_level(findings), best, out);
    level_words(findings, factor, findings->level[cheaper ? worse : best].level[factor], out->take_simple);
    if (strcmp(name, "steep_s") == 0 && curve && curve->fitted && curve->answer[0].claimed)
        snprintf(out->take_best, sizeof out->take_best, "%.0f s", 5 * round(curve->answer[0].value / 5));
    else if (findings->has_top)
        snprintf(out->take_best, sizeof out->take_best, "%.*f%s%s", words_decimals(findings->surface.where[factor], 0),
                 findings->surface.at[factor], *unit ? " " : "", unit);
    else if (findings->design == DESIGN_NUMBERS && words_turns(findings, &top, &where) > 0)
        snprintf(out->take_best, sizeof out->take_best, "%.*f%s%s", words_decimals(where, 0), top, *unit ? " " : "",
                 unit);
    else
        level_words(findings, factor, findings->level[best].level[factor], out->take_best);
}

static void advise(struct variable *variable)
{
    char words[SENTENCE_SIZE];

    if (!variable->refused[0] && !variable->take_best[0])
        return; /* nothing was judged: what it says already */
    if (variable->preferred[0])
        snprintf(words, sizeof words, "%.100s: preferred blind", variable->preferred);
    else if (variable->refused[0])
        snprintf(words, sizeof words, "no verdict: %.380s", variable->refused);
    else if (variable->verdict == VERDICT_UNDECIDED)
        snprintf(words, sizeof words, "not known yet: poise-report next %.60s", variable->experiment);
    else if (variable->verdict == VERDICT_DROP)
        snprintf(words, sizeof words, "does not matter: %.100s", variable->take_simple);
    else
        snprintf(words, sizeof words, "%.100s", variable->take_best);
    memcpy(variable->advice, words, sizeof words);
}

static void take_difference(const struct difference *difference, struct variable *out)
{
    bool turned = difference->difference < 0;

    out->raw = fabs(difference->difference);
    out->interval =
        turned ? (struct interval){ -difference->interval.high, -difference->interval.low } : difference->interval;
}

/* Where a line shows all, all cups speak for it, not only those at its ends. */
static void judge_line(const struct findings *findings, double margin, struct variable *out, int *better, int *worse)
{
    double change = findings->end.difference, error;
    double reach =
        gsl_cdf_tdist_Pinv(1 - TREND_LINE_SHARE * (1 - findings->confidence) / 2, (double)findings->trend.df);
    struct difference line = findings->end;
    int last = findings->level_count - 1;

    *better = change < 0 ? 0 : last;
    *worse = change < 0 ? last : 0;
    error = (line.interval.high - line.interval.low) / 2 / reach;
    line.standard_error = error;
    line.df = (double)findings->trend.df;
    take_difference(&line, out);
    out->effect = shrunk(out->raw, error);
    out->p_beyond = p_beyond(out->raw, &line, margin, 2, 1);
    find_costs(findings, *better, *worse, out);
    findings_level_words(findings, *better, out->better);
    findings_level_words(findings, *worse, out->worse);
}

/* On the mean over the other factor's levels: the widest effect. */
static bool judge_mean(const struct findings *findings, int factor, double margin, struct variable *out)
{
    const struct effect_finding *most = NULL;

    for (int i = 0; i < findings->effect_count; i++)
        if (findings->effect[i].factor == factor
            && (!most || fabs(findings->effect[i].difference.difference) > fabs(most->difference.difference)))
            most = &findings->effect[i];
    if (!most)
        return false;
    take_difference(&most->difference, out);
    out->effect = shrunk(out->raw, most->difference.standard_error);
    out->p_beyond = p_beyond(out->raw, &most->difference, margin, (size_t)findings->factor[factor].level_count, 3);
    findings_level_call(&findings->factor[factor], most->difference.difference > 0 ? most->first : most->second,
                        out->better);
    findings_level_call(&findings->factor[factor], most->difference.difference > 0 ? most->second : most->first,
                        out->worse);
    return true;
}

static void state_unknown(const struct findings *findings, struct variable *out)
{
    enum measure measure = findings->options->measure;

    if (!findings->point_count)
        snprintf(out->advice, sizeof out->advice, "not known: no cup shows %s%s", call_of(measure_name(measure)),
                 measure == MEASURE_EXTRACTION_TOTAL_PCT ? ", which takes dose, water and strength" : "");
    else if (findings->level_count < 2)
        snprintf(out->advice, sizeof out->advice, "not known: one level was brewed, nothing to hold it against");
    else
        snprintf(out->advice, sizeof out->advice, "not known yet: brew each level at least twice");
}

/* The levels' means on the mean over the other factor's, where each combination was brewed. */
static void take_means(const struct findings *findings, int factor, struct variable *out)
{
    int count = findings->factor[factor].level_count;
    double weight[LEVELS][LEVELS] = { { 0 } }; /* of the combinations in each level */
    const struct layout_result *layout = &findings->layout;

    if (!findings->has_layout || layout->method == LAYOUT_NONE || layout->method == LAYOUT_BORROWED
        || (findings->factor_count == 2
            && findings->level_count != findings->factor[0].level_count * findings->factor[1].level_count))
        return;
    for (int i = 0; i < findings->level_count; i++)
        weight[findings->level[i].level[factor]][i] = (double)count / findings->level_count;
    for (int a = 0; a < count; a++) {
        snprintf(out->label[a], WORDS_SIZE, "%s", findings->factor[factor].level[a].label);
        for (int i = 0; i < findings->level_count; i++)
            out->mean[a] += weight[a][i] * layout->mean[i];
        for (int b = 0; b < count; b++)
            for (int i = 0; i < findings->level_count; i++)
                for (int j = 0; j < findings->level_count; j++)
                    out->covariance[a * count + b] +=
                        weight[a][i] * weight[b][j] * layout->covariance[i * findings->level_count + j];
    }
    out->levels = count;
    out->df = layout->df;
}

static void add_variable(struct verdicts *verdicts, const struct findings *findings, int factor)
{
    const struct pair_finding *pair = farthest(findings, factor);
    struct variable *out = &verdicts->variable[verdicts->count];
    const struct refusal *refusal;
    int better = 0, worse = 0;

    if (verdicts->count == VARIABLES)
        return;
    memset(out, 0, sizeof *out);
    verdicts->count++;
    snprintf(out->factor, sizeof out->factor, "%s", findings->factor[factor].name);
    snprintf(out->experiment, sizeof out->experiment, "%s", findings->experiment);
    out->cups = findings->point_count;
    out->measure = findings->options->measure;
    out->effect = out->raw = out->interval.low = out->interval.high = out->cost_s = out->cost_steps = NAN;
    out->tasting_p = out->p_beyond = out->p_together = NAN;
    take_means(findings, factor, out);
    if (findings->has_questions && findings->questions.shown[2])
        snprintf(out->depends_on, sizeof out->depends_on, "%s", findings->factor[1 - factor].name);
    refusal = findings_refused(findings, factor);
    if (refusal)
        snprintf(out->refused, sizeof out->refused, "%s", refusal->sentence);
    if (pair) {
        bool turned = pair->difference.difference < 0;

        better = turned ? pair->second : pair->first;
        worse = turned ? pair->first : pair->second;
        take_difference(&pair->difference, out);
        out->effect = findings->level_count > 2 ? shrunk_range(findings, out->raw)
                                                : shrunk(out->raw, pair->difference.standard_error);
        out->p_beyond = p_beyond(out->raw, &pair->difference, verdicts->margin, (size_t)findings->level_count, 1);
        find_costs(findings, better, worse, out);
        findings_level_words(findings, better, out->better);
        findings_level_words(findings, worse, out->worse);
    }
    if (pair && findings->design == DESIGN_NUMBERS && findings->has_end && !findings->bends && !findings->trend_misfit
        && findings->trend.degree == 1)
        judge_line(findings, verdicts->margin, out, &better, &worse);
    else if (pair && findings->has_questions && !findings->questions.shown[2])
        judge_mean(findings, factor, verdicts->margin, out);
    else
        out->borrowed = pair && findings->layout.method == LAYOUT_BORROWED;
    if (out->borrowed && !out->refused[0])
        snprintf(out->refused, sizeof out->refused, "with one cup per level nothing shows how much these cups scatter");
    if (pair)
        find_levels_to_take(findings, factor, better, worse, verdicts->margin, out);
    else
        state_unknown(findings, out);
}

/* --- blind tastings --- */

enum { QUESTIONS = 32 }; /* of all experiments; a report with more is read by nobody */

/* The level of this variable in the sample that people, or the one taster, preferred. */
static void take_preferred(const struct tasting_verdict *tasted, struct variable *variable)
{
    json_t *level, *value;
    const char *unit = measure_find(variable->factor) < 0 ? "" : unit_of(variable->factor);

    if (tasted->method != TASTING_PREFERENCE || tasted->finding != TASTING_DIFFERENT || tasted->favoured < 0)
        return;
    level = json_loads(tasted->sample[tasted->favoured].level, 0, NULL);
    value = json_object_get(level, variable->factor);
    if (json_is_number(value))
        snprintf(variable->preferred, sizeof variable->preferred, "%.10g%s%s",
                 setting_shown(variable->factor, json_number_value(value)), *unit ? " " : "", unit);
    else if (json_is_string(value))
        snprintf(variable->preferred, sizeof variable->preferred, "%.100s", json_string_value(value));
    json_decref(level);
}

/* Each variable takes the first question asked of its experiment that was judged, or else the first. */
static int take_tastings(struct verdicts *verdicts, struct why *why)
{
    struct tasting_verdict *tasted = calloc(QUESTIONS, sizeof *tasted);
    int count = tasted ? tasting_verdicts(verdicts->request->store, NULL, tasted, QUESTIONS, why)
                       : why_set(why, -ENOMEM, "not enough memory");

    for (int i = 0; i < count; i++)
        for (int j = 0; j < verdicts->count; j++) {
            struct variable *variable = &verdicts->variable[j];

            if (strcmp(variable->experiment, tasted[i].experiment) != 0
                || (*variable->tasting && (!isnan(variable->tasting_p) || isnan(tasted[i].p))))
                continue;
            variable->tasting_p = tasted[i].p;
            take_preferred(&tasted[i], variable);
            snprintf(variable->tasting, sizeof variable->tasting, "%s%s%s", tasted[i].sentence,
                     *tasted[i].caution ? " " : "", tasted[i].caution);
        }
    free(tasted);
    return count < 0 ? count : 0;
}

/* --- all experiments --- */

static int judge_experiment(struct verdicts *verdicts, const char *name, struct why *why)
{
    struct request request = *verdicts->request;
    struct findings *findings = malloc(sizeof *findings);
    struct cups cups;
    int error = findings ? experiment_load(&request, name, true, &cups, findings, why)
                         : why_set(why, -ENOMEM, "not enough memory");

    /* a change of ratio is judged by what dissolved at all: in the cup's share the bed's liquid has its part */
    if (!error && findings_vary_ratio(findings) && request.options.measure == MEASURE_EXTRACTION_PCT) {
        findings_free(findings);
        cups_free(&cups);
        request.options.measure = MEASURE_EXTRACTION_TOTAL_PCT;
        error = experiment_load(&request, name, true, &cups, findings, why);
    }
    if (error) {
        free(findings);
        return error;
    }
    for (int factor = 0; factor < findings->factor_count && strcmp(name, RECIPE_EXPERIMENT) != 0; factor++)
        add_variable(verdicts, findings, factor);
    findings_free(findings);
    free(findings);
    cups_free(&cups);
    return 0;
}

static int judge_all(struct verdicts *verdicts, struct why *why)
{
    static const char sql[] = "SELECT e.name FROM experiment e JOIN brew b USING (experiment_id) WHERE NOT b.discarded"
                              " GROUP BY e.name ORDER BY max(b.began_us)";
    sqlite3 *database = store_database(verdicts->request->store);
    sqlite3_stmt *statement = NULL;
    int code = sqlite3_prepare_v2(database, sql, -1, &statement, NULL);

    while (code == SQLITE_OK && sqlite3_step(statement) == SQLITE_ROW) {
        const char *name = (const char *)sqlite3_column_text(statement, 0);
        int error = judge_experiment(verdicts, name, why);

        if (error == -ENOMEM || error == -EIO) {
            sqlite3_finalize(statement);
            return error;
        }
        if (error) /* one experiment that cannot be read does not silence the others */
            program_message("%s: %s", name, why->text);
    }
    if (sqlite3_finalize(statement) != SQLITE_OK)
        return why_set(why, -EIO, "reading the store: %s", sqlite3_errmsg(database));
    return 0;
}

int verdicts_together(const struct verdicts *verdicts, enum measure measure, struct together **out, struct why *why)
{
    struct together_pair pair[TOGETHER_PAIRS];
    int pairs = 0;

    for (int i = 0; i < verdicts->count && pairs < TOGETHER_PAIRS; i++) {
        const struct variable *variable = &verdicts->variable[i];

        if (!variable->depends_on[0] || strcmp(variable->factor, variable->depends_on) > 0) /* each pair once */
            continue;
        snprintf(pair[pairs].name[0], WORDS_SIZE, "%s", variable->factor);
        snprintf(pair[pairs++].name[1], WORDS_SIZE, "%s", variable->depends_on);
    }
    return together_make(&verdicts->cups, measure, RECIPE_EXPERIMENT, pair, pairs,
                         verdicts->request->options.confidence, out, why);
}

int verdicts_make(const struct request *request, struct verdicts *out, struct why *why)
{
    sqlite3 *database = store_database(request->store);
    struct cups_filter filter = { .bench = request->filter.bench };
    struct why ignored;
    int error;

    memset(out, 0, sizeof *out);
    out->request = request;
    out->margin = isnan(request->options.margin) ? MARGIN_POINTS : request->options.margin;
    error = judge_all(out, why);
    if (!error)
        error = findings_repeats(database, NULL, request->options.measure, &out->spread, &out->spread_df, why);
    if (!error)
        error = take_tastings(out, why);
    if (!error)
        error = cups_load(database, &filter, &out->cups, why);
    if (error)
        return error;
    combine_all(out);
    judge_together(out);
    if (verdicts_together(out, request->options.measure, &out->together, &ignored) < 0)
        out->together = NULL; /* too few cups, or too many settings: the spread of repeats is what is left */
    return 0;
}

void verdicts_free(struct verdicts *verdicts)
{
    if (!verdicts)
        return;
    together_free(verdicts->together);
    cups_free(&verdicts->cups);
    free(verdicts);
}

bool verdicts_know_margin(const struct request *request)
{
    if (margin_is_known(&request->options))
        return true;
    program_message("--measure %s: how much of it is worth having? Say so by --margin",
                    measure_name(request->options.measure));
    return false;
}

int report_verdicts(const struct request *request)
{
    struct verdicts *verdicts = calloc(1, sizeof *verdicts);
    struct document document = { NULL, 0, false };
    struct why why = { "not enough memory" };
    int status = EXIT_FAILED;

    if (!verdicts_know_margin(request)) {
        verdicts_free(verdicts);
        return EXIT_USAGE;
    }
    if (!verdicts || verdicts_make(request, verdicts, &why) < 0) {
        program_message("%s", why.text);
    } else if (!verdicts->count) {
        program_message("no variable was varied yet: load a plan with poise-ctl plan load, and brew");
        status = EXIT_DONE;
    } else if (request->json) {
        status = json_out(verdicts_json(verdicts));
    } else {
        verdicts_document(verdicts, &document);
        status = report_out(request, &document, "Verdicts");
    }
    document_free(&document);
    verdicts_free(verdicts);
    return status;
}
