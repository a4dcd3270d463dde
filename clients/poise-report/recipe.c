/* poise-report recipe: one recipe out of all experiments, what each of its steps costs, what was dropped and why, the
 * three cups that confirm it, and whether they did. */
#include <errno.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "poise/plan.h"
#include "poise/program.h"
#include "verdicts.h"
#include "words/claims.h"

/* So many cups confirm a recipe: the least that show how alike they are. */
enum { CONFIRMING = 3, CONFIRMED_MOST = 32 };

struct step {
    char name[WORDS_SIZE], value[WORDS_SIZE]; /* as a plan says them: "steep_s", "180" */
    char best[WORDS_SIZE]; /* what gives most, where that is another value; empty: it is this one, or not known */
    char cost[64];         /* what the step costs, where it is taken */
    char why[SENTENCE_SIZE];
    const struct variable *variable; /* NULL: held by all experiments, never tried otherwise */
};

struct recipe {
    const struct verdicts *verdicts;
    struct step step[PLAN_HELD];
    int count;
    double confidence;
    enum measure measure;
    struct together *strength; /* the model of strength; that of the measure is the verdicts' own */
    /* what a cup of it gives; NAN: not known */
    struct difference cup, cup_strength;
    struct difference behind; /* the recipe less the best of every step; difference NAN: not known */
    /* the cups that were brewed to confirm it */
    double confirmed[CONFIRMED_MOST];
    int confirmed_count, confirmed_days;
    double mean, within;
    struct difference expected; /* of their mean, by prediction */
};

/* --- the steps --- */

static struct step *find_step(struct recipe *recipe, const char *name)
{
    for (int i = 0; i < recipe->count; i++)
        if (strcmp(recipe->step[i].name, name) == 0)
            return &recipe->step[i];
    if (recipe->count == PLAN_HELD)
        return NULL;
    snprintf(recipe->step[recipe->count].name, WORDS_SIZE, "%s", name);
    return &recipe->step[recipe->count++];
}

/* "180 s" as a plan says it: "180". */
static void plain_value(const char *words, char out[WORDS_SIZE])
{
    char *end;
    double number = strtod(words, &end);

    if (end > words && (!*end || *end == ' '))
        snprintf(out, WORDS_SIZE, "%.10g", number);
    else
        snprintf(out, WORDS_SIZE, "%.100s", words);
}

static void take_variable(struct recipe *recipe, const struct variable *variable)
{
    struct step *step = find_step(recipe, variable->factor);
    const char *step_words = step_of(measure_name(variable->measure));
    char cost[64], interval[96];

    if (!step)
        return;
    step->variable = variable;
    verdicts_cost(variable, cost);
    words_interval(variable->interval, 2, step_words, interval);
    if (variable->preferred[0]) {
        plain_value(variable->preferred, step->value);
        snprintf(step->why, sizeof step->why, "preferred blind (p %.3f), whatever it does to the numbers",
                 variable->tasting_p);
    } else if (variable->borrowed) {
        snprintf(step->why, sizeof step->why, "open, each level has one cup: poise-report next %.60s",
                 variable->experiment);
    } else if (variable->verdict == VERDICT_KEEP && variable->left_out[0]) {
        plain_value(variable->take_best, step->value);
        snprintf(step->why, sizeof step->why, "left out: %.230s%s%s", variable->left_out,
                 cost[0] ? "; elsewhere it pays, and costs " : "; elsewhere it pays", cost);
    } else if (variable->verdict == VERDICT_KEEP) {
        plain_value(variable->take_best, step->value);
        snprintf(step->cost, sizeof step->cost, "%s", cost);
        snprintf(step->why, sizeof step->why, "kept: brings %+.2f %s (%s)%s%s", variable->effect, step_words, interval,
                 cost[0] ? ", costs " : "", cost);
    } else if (variable->verdict == VERDICT_DROP) {
        plain_value(variable->take_simple, step->value);
        if (strcmp(variable->take_best, variable->take_simple) != 0)
            plain_value(variable->take_best, step->best);
        snprintf(step->why, sizeof step->why, "dropped: it changes less than %g %s (%s)%s%s", recipe->verdicts->margin,
                 step_words, interval, cost[0] ? ", and would cost " : "", cost);
    } else if (variable->take_simple[0]) {
        plain_value(variable->take_simple, step->value);
        snprintf(step->why, sizeof step->why, "undecided (%s), %s: poise-report next %.60s",
                 variable->refused[0] ? "no verdict can be given" : interval,
                 variable->cost_s > 0 || variable->cost_steps > 0 ? "so the one that costs less"
                                                                  : "what gave more so far",
                 variable->experiment);
    }
}

static void take_as_brewed(struct step *step, const json_t *value)
{
    if (json_is_string(value))
        snprintf(step->value, WORDS_SIZE, "%.100s", json_string_value(value));
    else if (json_is_number(value))
        snprintf(step->value, WORDS_SIZE, "%.10g", json_number_value(value));
    if (!step->why[0])
        snprintf(step->why, sizeof step->why, "as in the latest cups; never tried otherwise");
}

static bool never_otherwise(const struct cups *cups, const char *factor, const json_t *value)
{
    for (size_t i = 0; i < cups->count; i++) {
        const json_t *its = json_object_get(cups->cup[i].factors, factor);

        if (its && !json_equal(its, value))
            return false;
    }
    return true;
}

/* What experiments held and none of them varied comes with the latest cup; so does what was to be varied, and was
 * brewed at one level only. */
static void take_held(const struct cups *cups, struct recipe *recipe)
{
    const char *name;
    json_t *value;

    for (size_t i = cups->count; i-- > 0;) {
        json_object_foreach(cups->cup[i].recipe, name, value)
        {
            struct step *step = find_step(recipe, name);

            if (step && !step->value[0] && !(step->variable && step->variable->borrowed))
                take_as_brewed(step, value);
        }
        for (int j = 0; j < recipe->count; j++) {
            struct step *step = &recipe->step[j];

            value = json_object_get(cups->cup[i].factors, step->name);
            if (value && !step->value[0] && step->variable && never_otherwise(cups, step->name, value))
                take_as_brewed(step, value);
        }
    }
}

/* --- what a cup of it gives --- */

/* A bend or a top lies between the levels that were brewed: within this share of each other they are the same step. */
static const double NEARLY = 0.15;

static bool agree(const char *level, const char *value)
{
    char *end, *its_end;
    double number = strtod(level, &end), its = strtod(value, &its_end);

    if (end > level && !*end && its_end > value && !*its_end)
        return fabs(number - its) <= NEARLY * fmax(fabs(number), fabs(its));
    return strcmp(level, value) == 0;
}

/* Do all settings that this cup and the recipe name agree?  A step that is open agrees with any. */
static bool is_of(const struct cup *cup, const struct recipe *recipe)
{
    char level[WORDS_SIZE];

    for (int i = 0; i < recipe->count; i++)
        if (recipe->step[i].value[0] && cup_level(cup, recipe->step[i].name, level)
            && !agree(level, recipe->step[i].value))
            return false;
    return true;
}

/* The steps as the model takes them; `best`: each at what gives most. */
static int settings_of(const struct recipe *recipe, bool best, struct together_setting out[PLAN_HELD])
{
    for (int i = 0; i < recipe->count; i++)
        out[i] =
            (struct together_setting){ recipe->step[i].name,
                                       best && recipe->step[i].best[0] ? recipe->step[i].best : recipe->step[i].value };
    return recipe->count;
}

static struct difference not_known(void)
{
    return (struct difference){ .difference = NAN, .interval = { NAN, NAN } };
}

static void expect(const struct recipe *recipe, const struct together *together, int cups, int days,
                   struct difference *out)
{
    struct together_setting setting[PLAN_HELD];
    struct mixed_more more = { cups, days };
    int count = settings_of(recipe, false, setting);

    if (!together || together_expect(together, setting, count, &more, recipe->confidence, out) < 0)
        *out = not_known();
}

/* What is left out step by step may together be worth more than the margin: then the step whose loss is largest comes
 * back, until the recipe is not worse than the best by more than the margin for sure. */
static void put_back(struct recipe *recipe)
{
    const struct together *together = recipe->verdicts->together;
    double margin = recipe->verdicts->margin;

    for (int tries = 0; tries <= PLAN_HELD; tries++) {
        struct together_setting taken[PLAN_HELD], best[PLAN_HELD];
        int count = settings_of(recipe, false, taken), most = -1;
        double loss = 0;

        recipe->behind = not_known();
        settings_of(recipe, true, best);
        if (!together || together_differ(together, taken, best, count, recipe->confidence, &recipe->behind) < 0
            || recipe->behind.interval.low >= -margin)
            return;
        for (int i = 0; i < count; i++) {
            struct together_setting one[PLAN_HELD];
            struct difference back;

            memcpy(one, taken, sizeof one);
            one[i] = best[i];
            if (recipe->step[i].best[0] && together_differ(together, one, taken, count, recipe->confidence, &back) == 0
                && back.difference > loss) {
                loss = back.difference;
                most = i;
            }
        }
        if (most < 0)
            return;
        memcpy(recipe->step[most].value, recipe->step[most].best, WORDS_SIZE);
        recipe->step[most].best[0] = '\0';
        verdicts_cost(recipe->step[most].variable, recipe->step[most].cost);
        snprintf(recipe->step[most].why, sizeof recipe->step[most].why,
                 "kept: alone it could go, but all that is left out together may cost more than %g %s", margin,
                 step_of(measure_name(recipe->measure)));
    }
}

static void predict(struct recipe *recipe)
{
    struct why ignored;

    put_back(recipe);
    if (recipe->measure != MEASURE_STRENGTH_PCT)
        verdicts_together(recipe->verdicts, MEASURE_STRENGTH_PCT, &recipe->strength, &ignored);
    expect(recipe, recipe->verdicts->together, 1, 1, &recipe->cup);
    expect(recipe, recipe->strength, 1, 1, &recipe->cup_strength);
}

static void find_confirmed(const struct cups *cups, struct recipe *recipe)
{
    char day[12] = "";

    for (size_t i = 0; i < cups->count && recipe->confirmed_count < CONFIRMED_MOST; i++) {
        const struct cup *cup = &cups->cup[i];
        double value = cup_value(cup, recipe->measure);

        if (!cup->experiment || strcmp(cup->experiment, RECIPE_EXPERIMENT) != 0 || isnan(value) || cup->plan_kept == 0
            || !is_of(cup, recipe))
            continue;
        recipe->confirmed_days += strncmp(day, cup->began_utc, 10) != 0;
        snprintf(day, sizeof day, "%.10s", cup->began_utc);
        recipe->confirmed[recipe->confirmed_count++] = value;
    }
    recipe->mean = recipe->within = NAN;
    recipe->expected = not_known();
    if (!recipe->confirmed_count)
        return;
    recipe->mean = sample_mean((struct sample){ recipe->confirmed, (size_t)recipe->confirmed_count });
    if (recipe->confirmed_count > 1)
        recipe->within = gsl_stats_sd(recipe->confirmed, 1, (size_t)recipe->confirmed_count);
    expect(recipe, recipe->verdicts->together, recipe->confirmed_count, recipe->confirmed_days, &recipe->expected);
}

static bool is_judged(const struct recipe *recipe)
{
    return recipe->confirmed_count >= CONFIRMING && !isnan(recipe->expected.difference);
}

static bool repeats(const struct recipe *recipe)
{
    return recipe->mean >= recipe->expected.interval.low && recipe->mean <= recipe->expected.interval.high;
}

/* --- reported --- */

static const char *unit_words(const struct recipe *recipe)
{
    return unit_of(measure_name(recipe->measure));
}

static bool is_undecided(const struct step *step)
{
    return step->variable && step->variable->verdict == VERDICT_UNDECIDED && !step->variable->preferred[0];
}

static void headline(const struct recipe *recipe, char out[SENTENCE_SIZE])
{
    const char *call = call_of(measure_name(recipe->measure));
    char interval[96], strength[96], more[240] = "";
    int undecided = 0;

    for (int i = 0; i < recipe->count; i++)
        undecided += is_undecided(&recipe->step[i]);
    words_interval(is_judged(recipe) ? recipe->expected.interval : recipe->cup.interval, 2, unit_words(recipe),
                   interval);
    if (!isnan(recipe->cup_strength.difference)) {
        words_interval(recipe->cup_strength.interval, 2, "%", strength);
        snprintf(more, sizeof more, " and a strength of %.2f %% (%s)", recipe->cup_strength.difference, strength);
    }
    if (is_judged(recipe))
        snprintf(out, SENTENCE_SIZE, "The recipe %s: %d confirming cups gave %.2f %s of %s on the mean, expected %s.",
                 repeats(recipe) ? "repeats" : "does not repeat", recipe->confirmed_count, recipe->mean,
                 unit_words(recipe), call, interval);
    else if (!isnan(recipe->cup.difference))
        snprintf(out, SENTENCE_SIZE,
                 "A cup of this recipe should give %.2f %s of %s (%s)%s%s; three cups would confirm it.",
                 recipe->cup.difference, unit_words(recipe), call, interval, more,
                 undecided ? ", as far as is decided" : "");
    else
        snprintf(out, SENTENCE_SIZE,
                 "These are the steps as far as they are decided; the cups so far do not show what such a cup gives.");
}

static void cautions(struct document *out)
{
    document_add(
        out, BLOCK_CAUTION,
        "Water near boiling scalds at once. Press straight down, slowly, on a level surface, into a sturdy cup, "
        "never thin glass, and load no scale beyond its capacity. Local codes and the makers' instructions come "
        "first.");
}

static void card(const struct recipe *recipe, bool why, struct document *out)
{
    document_add(out, BLOCK_HEADING, "The card");
    document_table(out, why ? "step|take|costs|why" : "step|take");
    for (int i = 0; i < recipe->count; i++) {
        const struct step *step = &recipe->step[i];
        char level[WORDS_SIZE], *end;

        strtod(step->value, &end);
        state_level(step->name, end > step->value && !*end, step->value, level);
        if (why)
            document_row(out, "%s" CELL "%s" CELL "%s" CELL "%s", call_of(step->name), step->value[0] ? level : "?",
                         step->cost, step->why);
        else
            document_row(out, "%s" CELL "%s", call_of(step->name), step->value[0] ? level : "not decided");
    }
    cautions(out);
}

/* Of the steps that are kept and cost something, the one that brings least. */
static const struct step *next_to_drop(const struct recipe *recipe)
{
    const struct step *least = NULL;

    for (int i = 0; i < recipe->count; i++)
        if (recipe->step[i].cost[0] == '+' && recipe->step[i].variable && !isnan(recipe->step[i].variable->effect)
            && (!least || recipe->step[i].variable->effect < least->variable->effect))
            least = &recipe->step[i];
    return least;
}

static void proof(const struct recipe *recipe, struct document *out)
{
    const char *step_words = step_of(measure_name(recipe->measure)), *call = call_of(measure_name(recipe->measure));
    const struct step *drop = next_to_drop(recipe);
    char interval[96];

    document_add(out, BLOCK_HEADING, "The proof");
    if (!isnan(recipe->cup.difference))
        document_add(out, BLOCK_TEXT,
                     "The prediction rests on all experiments together: each step adds what it does, shrunk by its own "
                     "error; steps that depend on each other count by their combination. The interval is for one more "
                     "cup%s.",
                     together_fit(recipe->verdicts->together)->df_between > 0
                         ? ", brewed on another day"
                         : " of the same day: how much days differ these cups do not show");
    words_interval((struct interval){ -recipe->behind.interval.high, -recipe->behind.interval.low }, 2, step_words,
                   interval);
    if (recipe->behind.standard_error > 0)
        document_add(out, BLOCK_TEXT,
                     "Taking the best level of every step would change %s by %+.2f %s (%s); the margin is %g %s.", call,
                     -recipe->behind.difference, step_words, interval, recipe->verdicts->margin, step_words);
    if (!isnan(recipe->within))
        document_add(out, BLOCK_TEXT, "The %d confirming cups, of %d day%s, scattered by %.2f %s among themselves.",
                     recipe->confirmed_count, recipe->confirmed_days, recipe->confirmed_days == 1 ? "" : "s",
                     recipe->within, step_words);
    verdicts_repeatability(recipe->verdicts, recipe->verdicts->together, recipe->measure, out);
    if (recipe->strength)
        verdicts_repeatability(recipe->verdicts, recipe->strength, MEASURE_STRENGTH_PCT, out);
    if (drop)
        document_add(
            out, BLOCK_TEXT,
            "If one more step is to go: %s, which costs %s and brings least of those that cost something, %+.2f %s.",
            call_of(drop->name), drop->cost, drop->variable->effect, step_words);
    if (!is_judged(recipe))
        document_add(out, BLOCK_TEXT, "poise-report recipe --plan FILE writes the plan of three cups that confirm it.");
}

/* The cups that confirmed it, one by one, in the band in which a cup is expected. */
static void confirming_picture(const struct recipe *recipe, struct document *out)
{
    const char *measure = measure_name(recipe->measure);
    struct chart_series *cups, *band;
    char y_label[160], name[64];
    struct chart *chart;

    if (!recipe->confirmed_count || isnan(recipe->cup.difference))
        return;
    snprintf(y_label, sizeof y_label, "%s, %s", call_of(measure), unit_of(measure));
    chart = chart_new("confirming", "The confirming cups", "cup", y_label);
    cups = chart_series(chart, "brewed");
    band = chart_series(chart, "expected of a cup");
    for (int i = 0; i < recipe->confirmed_count && cups; i++) {
        snprintf(name, sizeof name, "cup %d: %.2f", i + 1, recipe->confirmed[i]);
        chart_point(cups, i + 1, recipe->confirmed[i], NAN, false, name);
    }
    for (int end = 0; end < 2 && band; end++)
        chart_curve(band, end ? recipe->confirmed_count + 0.5 : 0.5, recipe->cup.difference, recipe->cup.interval.low,
                    recipe->cup.interval.high);
    if (chart)
        document_chart(out, chart);
}

static void recipe_document(const struct recipe *recipe, bool card_only, struct document *out)
{
    char sentence[SENTENCE_SIZE];

    headline(recipe, sentence);
    document_add(out, BLOCK_HEADLINE, "%s", sentence);
    card(recipe, !card_only, out);
    if (card_only)
        return;
    if (recipe->verdicts->request->html || recipe->verdicts->request->svg)
        confirming_picture(recipe, out);
    proof(recipe, out);
}

static void claim_predicted(const struct recipe *recipe, const struct difference *cup, enum measure measure,
                            json_t *claims)
{
    json_t *claim;

    if (isnan(cup->difference))
        return;
    claim = claim_new(claims, "predicted");
    json_object_set_new(claim, "where", json_string("recipe"));
    json_object_set_new(claim, "measure", json_string(measure_name(measure)));
    json_object_set_new(claim, "value", claim_number(cup->difference));
    json_object_set_new(claim, "interval", claim_interval(cup->interval));
    json_object_set_new(claim, "confidence", claim_number(recipe->confidence));
    json_object_set_new(claim, "of", json_string("cup"));
}

static json_t *recipe_json(const struct recipe *recipe)
{
    json_t *steps = json_array(), *claims = json_array(), *claim;
    const struct step *drop = next_to_drop(recipe);
    char sentence[SENTENCE_SIZE];

    headline(recipe, sentence);
    for (int i = 0; i < recipe->count; i++) {
        const struct step *step = &recipe->step[i];
        const struct variable *variable = step->variable;

        json_array_append_new(steps, json_pack("{s:s, s:s, s:s, s:s, s:b}", "step", step->name, "take", step->value,
                                               "why", step->why, "costs", step->cost, "tried", variable != NULL));
        if (!variable || !step->value[0])
            continue;
        claim = claim_new(claims, "take");
        json_object_set_new(claim, "where", json_string("recipe"));
        json_object_set_new(claim, "factor", json_string(step->name));
        json_object_set_new(claim, "level", json_string(step->value));
        json_object_set_new(claim, "decided", json_boolean(!is_undecided(step)));
        json_object_set_new(claim, "value",
                            claim_number(variable->left_out[0] ? -variable->left.difference : variable->effect));
        json_object_set_new(claim, "interval",
                            claim_interval(variable->left_out[0] ? (struct interval){ -variable->left.interval.high,
                                                                                      -variable->left.interval.low }
                                                                 : variable->interval));
    }
    claim_predicted(recipe, &recipe->cup, recipe->measure, claims);
    claim_predicted(recipe, &recipe->cup_strength, MEASURE_STRENGTH_PCT, claims);
    if (recipe->verdicts->together)
        json_array_append_new(claims, verdicts_repeatability_claim(recipe->verdicts->together, recipe->measure));
    return json_pack(
        "{s:s, s:s, s:o, s:o, s:o, s:o, s:o, s:o, s:i, s:o, s:o, s:o, s:s}", "headline", sentence, "measure",
        measure_name(recipe->measure), "claims", claims, "steps", steps, "predicted",
        claim_number(recipe->cup.difference), "interval", claim_interval(recipe->cup.interval), "behind_best",
        claim_number(recipe->behind.difference), "behind_best_interval", claim_interval(recipe->behind.interval),
        "confirming_cups", recipe->confirmed_count, "confirming_mean", claim_number(recipe->mean), "expected_mean",
        claim_interval(recipe->expected.interval), "repeats",
        is_judged(recipe) ? json_boolean(repeats(recipe)) : json_null(), "drop_next", drop ? drop->name : "");
}

/* Three cups that vary nothing. */
static int write_plan(const struct recipe *recipe, const char *path)
{
    struct plan_mistakes mistakes;
    struct plan *plan = malloc(sizeof *plan);
    struct why why = { "not enough memory" };
    char *text = NULL;
    size_t size;
    FILE *out = open_memstream(&text, &size), *file;
    bool failed;

    if (out) {
        fprintf(out,
                "; three cups that confirm the recipe, written by poise-report recipe\n[experiment]\nname = %s\n"
                "title = Does the recipe repeat\nreplicates = %d\n\n[hold]\n",
                RECIPE_EXPERIMENT, CONFIRMING);
        for (int i = 0; i < recipe->count; i++)
            if (recipe->step[i].value[0]
                && (measure_find(recipe->step[i].name) >= 0 || plan_setting_known(recipe->step[i].name)))
                fprintf(out, "%s = %s\n", recipe->step[i].name, recipe->step[i].value);
        if (fclose(out) != 0) {
            free(text);
            text = NULL;
        }
    }
    if (!plan || !text || plan_read(plan, text, strlen(text), &mistakes, &why) < 0) {
        program_message("%s: no plan can be made of this recipe: %s", path, why.text);
        free(plan);
        free(text);
        return EXIT_FAILED;
    }
    free(plan);
    file = fopen(path, "wxe"); /* somebody's plan is not overwritten */
    failed = !file || fputs(text, file) < 0;
    if (file)
        failed = fclose(file) != 0 || failed;
    free(text);
    if (failed)
        program_message("%s: cannot be written: %s", path, strerror(errno));
    return failed ? EXIT_FAILED : EXIT_DONE;
}

static int out(const struct request *request, struct recipe *recipe)
{
    struct document document = { NULL, 0, false };
    int status;

    for (int i = 0; i < recipe->verdicts->count; i++)
        if (verdicts_leads(recipe->verdicts, i))
            take_variable(recipe, &recipe->verdicts->variable[i]);
    take_held(&recipe->verdicts->cups, recipe);
    predict(recipe);
    find_confirmed(&recipe->verdicts->cups, recipe);
    if (request->plan)
        return write_plan(recipe, request->plan);
    if (request->json)
        return json_out(recipe_json(recipe));
    recipe_document(recipe, request->card, &document);
    status = report_out(request, &document, request->card ? "The recipe" : "Recipe");
    document_free(&document);
    return status;
}

int report_recipe(const struct request *request)
{
    struct verdicts *verdicts = calloc(1, sizeof *verdicts);
    struct recipe *recipe = calloc(1, sizeof *recipe);
    struct why why = { "not enough memory" };
    int status = EXIT_FAILED;

    if (!verdicts_know_margin(request)) {
        status = EXIT_USAGE;
    } else if (!verdicts || !recipe || verdicts_make(request, verdicts, &why) < 0) {
        program_message("%s", why.text);
    } else if (!verdicts->count) {
        program_message("no variable was varied yet: load a plan with poise-ctl plan load, and brew");
        status = EXIT_DONE;
    } else {
        recipe->verdicts = verdicts;
        recipe->measure = request->options.measure;
        recipe->confidence = request->options.confidence;
        status = out(request, recipe);
        together_free(recipe->strength);
    }
    free(recipe);
    verdicts_free(verdicts);
    return status;
}
