/* poise-report recipe: one recipe out of all experiments, what each of its steps costs, what was dropped and why, the
 * three cups that confirm it, and whether they did. */
#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "poise/plan.h"
#include "poise/program.h"
#include "verdicts.h"
#include "words/claims.h"

/* So many cups confirm a recipe: the least that show how alike they are. */
enum { CONFIRMING = 3 };

struct step {
    char name[WORDS_SIZE], value[WORDS_SIZE]; /* as a plan says them: "steep_s", "180" */
    char why[SENTENCE_SIZE];
    const struct variable *variable; /* NULL: held by all experiments, never tried otherwise */
};

struct recipe {
    const struct verdicts *verdicts;
    struct step step[PLAN_HELD];
    int count;
    /* what a cup of it gives: from the experiment with the most cups, and what the others add */
    enum measure measure;
    double predicted, error, spread, df;
    char from[WORDS_SIZE];
    /* the cups that were brewed to confirm it */
    double confirmed[32];
    int confirmed_count;
    double mean, within;
    struct interval expected; /* of their mean, by prediction */
};

/* --- the steps --- */

static struct step *step_of(struct recipe *recipe, const char *name)
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
    struct step *step = step_of(recipe, variable->factor);
    const char *step_words = words_step(measure_name(variable->measure));
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
        snprintf(step->why, sizeof step->why, "kept: brings %+.2f %s (%s)%s%s", variable->effect, step_words, interval,
                 cost[0] ? ", costs " : "", cost);
    } else if (variable->verdict == VERDICT_DROP) {
        plain_value(variable->take_simple, step->value);
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

/* What experiments held and none of them varied comes with the latest cup. */
static void take_held(const struct cups *cups, struct recipe *recipe)
{
    const char *name;
    json_t *value;

    for (size_t i = cups->count; i-- > 0;) {
        json_object_foreach(cups->cup[i].recipe, name, value)
        {
            struct step *step = step_of(recipe, name);

            if (!step || step->value[0] || (step->variable && step->variable->borrowed))
                continue;
            if (json_is_string(value))
                snprintf(step->value, WORDS_SIZE, "%.100s", json_string_value(value));
            else if (json_is_number(value))
                snprintf(step->value, WORDS_SIZE, "%.10g", json_number_value(value));
            if (!step->why[0])
                snprintf(step->why, sizeof step->why, "as in the latest cups; never tried otherwise");
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
static bool is_of(const struct cup *cup, const struct recipe *recipe, int *misses, const struct step **missed)
{
    char level[WORDS_SIZE];

    *misses = 0;
    for (int i = 0; i < recipe->count; i++)
        if (recipe->step[i].value[0] && cup_level(cup, recipe->step[i].name, level)
            && !agree(level, recipe->step[i].value)) {
            ++*misses;
            *missed = &recipe->step[i];
        }
    return *misses == 0;
}

/* The mean of cups that agree in every step, or in all but one, whose effect is then added where it is known. */
static void predict(const struct cups *cups, struct recipe *recipe)
{
    double sum = 0, error = 0;
    size_t n = 0;

    recipe->predicted = NAN;
    for (size_t i = 0; i < cups->count; i++) {
        const struct cup *cup = &cups->cup[i];
        const struct step *missed = NULL;
        double value = cup_value(cup, recipe->measure);
        int misses;

        if (isnan(value) || cup->plan_kept == 0 || !cup->experiment || strcmp(cup->experiment, RECIPE_EXPERIMENT) == 0)
            continue;
        if (!is_of(cup, recipe, &misses, &missed)) {
            char level[WORDS_SIZE];
            const struct variable *variable = misses == 1 ? missed->variable : NULL;

            /* this cup has the worse level of one step that the recipe takes the better of */
            if (!variable || isnan(variable->effect) || !cup_level(cup, missed->name, level)
                || strncmp(variable->worse, level, strlen(level)) != 0
                || strncmp(variable->better, missed->value, strlen(missed->value)) != 0)
                continue;
            value += variable->effect;
            error = fmax(error, (variable->interval.high - variable->interval.low) / 4);
        }
        sum += value;
        n++;
        snprintf(recipe->from, sizeof recipe->from, "%.100s", cup->experiment);
    }
    recipe->spread = recipe->verdicts->spread;
    recipe->df = recipe->verdicts->spread_df;
    if (!n)
        return;
    recipe->predicted = sum / (double)n;
    recipe->error = sqrt(error * error + recipe->spread * recipe->spread / (double)n);
}

/* Where a cup, or the mean of so many, is expected. */
static struct interval expected(const struct recipe *recipe, int cups, double confidence)
{
    double half = recipe->df > 0 ? gsl_cdf_tdist_Pinv((1 + confidence) / 2, recipe->df)
                                       * sqrt(recipe->error * recipe->error + recipe->spread * recipe->spread / cups)
                                 : (double)NAN;

    return (struct interval){ recipe->predicted - half, recipe->predicted + half };
}

static void find_confirmed(const struct cups *cups, double confidence, struct recipe *recipe)
{
    double squares = 0;

    for (size_t i = 0; i < cups->count && recipe->confirmed_count < 32; i++) {
        const struct cup *cup = &cups->cup[i];
        double value = cup_value(cup, recipe->measure);
        const struct step *missed;
        int misses;

        if (!cup->experiment || strcmp(cup->experiment, RECIPE_EXPERIMENT) != 0 || isnan(value) || cup->plan_kept == 0
            || !is_of(cup, recipe, &misses, &missed))
            continue;
        recipe->confirmed[recipe->confirmed_count++] = value;
    }
    recipe->mean = recipe->within = NAN;
    if (!recipe->confirmed_count)
        return;
    recipe->mean = sample_mean((struct sample){ recipe->confirmed, (size_t)recipe->confirmed_count });
    for (int i = 0; i < recipe->confirmed_count; i++)
        squares += pow(recipe->confirmed[i] - recipe->mean, 2);
    if (recipe->confirmed_count > 1)
        recipe->within = sqrt(squares / (recipe->confirmed_count - 1));
    recipe->expected = expected(recipe, recipe->confirmed_count, confidence);
}

static bool is_judged(const struct recipe *recipe)
{
    return recipe->confirmed_count >= CONFIRMING && !isnan(recipe->expected.low);
}

static bool repeats(const struct recipe *recipe)
{
    return recipe->mean >= recipe->expected.low && recipe->mean <= recipe->expected.high;
}

/* --- reported --- */

static const char *unit_words(const struct recipe *recipe)
{
    return unit_of(measure_name(recipe->measure));
}

static void headline(const struct recipe *recipe, double confidence, char out[SENTENCE_SIZE])
{
    const char *call = call_of(measure_name(recipe->measure));
    struct interval cup = expected(recipe, 1, confidence);
    char interval[96];
    int undecided = 0;

    for (int i = 0; i < recipe->count; i++)
        undecided += recipe->step[i].variable && recipe->step[i].variable->verdict == VERDICT_UNDECIDED
                     && !recipe->step[i].variable->preferred[0];
    words_interval(is_judged(recipe) ? recipe->expected : cup, 2, unit_words(recipe), interval);
    if (is_judged(recipe))
        snprintf(out, SENTENCE_SIZE, "The recipe %s: %d confirming cups gave %.2f %s of %s on the mean, expected %s.",
                 repeats(recipe) ? "repeats" : "does not repeat", recipe->confirmed_count, recipe->mean,
                 unit_words(recipe), call, interval);
    else if (!isnan(cup.low))
        snprintf(out, SENTENCE_SIZE,
                 "A cup of this recipe should give %.2f %s of %s (%s)%s; three cups would confirm it.",
                 recipe->predicted, unit_words(recipe), call, interval, undecided ? ", as far as is decided" : "");
    else
        snprintf(
            out, SENTENCE_SIZE,
            "These are the steps as far as they are decided; no cup of them was brewed, so what it gives is not known.");
}

static void cautions(const struct recipe *recipe, struct document *out)
{
    (void)recipe;
    document_add(
        out, BLOCK_CAUTION,
        "Water near boiling scalds at once. Press straight down, slowly, on a level surface, into a sturdy cup, "
        "never thin glass, and load no scale beyond its capacity. Local codes and the makers' instructions come "
        "first.");
}

static void recipe_document(const struct recipe *recipe, double confidence, struct document *out)
{
    const char *step_words = words_step(measure_name(recipe->measure));
    char sentence[SENTENCE_SIZE];

    headline(recipe, confidence, sentence);
    document_add(out, BLOCK_HEADLINE, "%s", sentence);
    document_add(out, BLOCK_HEADING, "The card");
    document_table(out, "step|take|why");
    for (int i = 0; i < recipe->count; i++) {
        const struct step *step = &recipe->step[i];
        char level[WORDS_SIZE], *end;

        strtod(step->value, &end);
        say_level(step->name, end > step->value && !*end, step->value, level);
        document_row(out, "%s" CELL "%s" CELL "%s", call_of(step->name), step->value[0] ? level : "?", step->why);
    }
    cautions(recipe, out);
    if (!isnan(recipe->within))
        document_add(out, BLOCK_TEXT, "The confirming cups scattered by %.2f %s among themselves.", recipe->within,
                     step_words);
    if (recipe->df > 0)
        document_add(out, BLOCK_TEXT,
                     "Cups meant to be alike scatter by %.2f %s on this bench (%.0f repeats); a cup is expected within "
                     "its prediction interval, which is wider than that of a mean.",
                     recipe->spread, step_words, recipe->df);
    if (!is_judged(recipe))
        document_add(out, BLOCK_TEXT, "poise-report recipe --plan FILE writes the plan of three cups that confirm it.");
}

static json_t *recipe_json(const struct recipe *recipe, double confidence)
{
    json_t *steps = json_array(), *claims = json_array(), *claim;
    char sentence[SENTENCE_SIZE];

    headline(recipe, confidence, sentence);
    for (int i = 0; i < recipe->count; i++) {
        const struct step *step = &recipe->step[i];
        const struct variable *variable = step->variable;

        json_array_append_new(steps, json_pack("{s:s, s:s, s:s, s:b}", "step", step->name, "take", step->value, "why",
                                               step->why, "tried", variable != NULL));
        if (!variable || variable->verdict == VERDICT_UNDECIDED)
            continue;
        claim = claim_new(claims, "take");
        json_object_set_new(claim, "where", json_string("recipe"));
        json_object_set_new(claim, "factor", json_string(step->name));
        json_object_set_new(claim, "level", json_string(step->value));
        json_object_set_new(claim, "value",
                            claim_number(variable->left_out[0] ? -variable->left.difference : variable->effect));
        json_object_set_new(claim, "interval",
                            claim_interval(variable->left_out[0] ? (struct interval){ -variable->left.interval.high,
                                                                                      -variable->left.interval.low }
                                                                 : variable->interval));
    }
    if (!isnan(recipe->predicted)) {
        claim = claim_new(claims, "predicted");
        json_object_set_new(claim, "where", json_string("recipe"));
        json_object_set_new(claim, "measure", json_string(measure_name(recipe->measure)));
        json_object_set_new(claim, "value", claim_number(recipe->predicted));
        json_object_set_new(claim, "interval", claim_interval(expected(recipe, 1, confidence)));
        json_object_set_new(claim, "of", json_string("cup"));
    }
    return json_pack("{s:s, s:s, s:o, s:o, s:o, s:o, s:i, s:o, s:o}", "headline", sentence, "measure",
                     measure_name(recipe->measure), "claims", claims, "steps", steps, "predicted",
                     claim_number(recipe->predicted), "interval", claim_interval(expected(recipe, 1, confidence)),
                     "confirming_cups", recipe->confirmed_count, "confirming_mean", claim_number(recipe->mean),
                     "repeats", is_judged(recipe) ? json_boolean(repeats(recipe)) : json_null());
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
        program_say("%s: no plan can be made of this recipe: %s", path, why.text);
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
        program_say("%s: cannot be written: %s", path, strerror(errno));
    return failed ? EXIT_FAILED : EXIT_DONE;
}

static int out(const struct request *request, struct recipe *recipe, const struct cups *cups)
{
    double confidence = request->options.confidence;
    struct document document = { NULL, 0, false };
    int status;

    for (int i = 0; i < recipe->verdicts->count; i++)
        if (verdicts_leads(recipe->verdicts, i))
            take_variable(recipe, &recipe->verdicts->variable[i]);
    take_held(cups, recipe);
    predict(cups, recipe);
    find_confirmed(cups, confidence, recipe);
    if (request->plan)
        return write_plan(recipe, request->plan);
    if (request->json)
        return json_out(recipe_json(recipe, confidence));
    recipe_document(recipe, confidence, &document);
    status = report_out(request, &document, "Recipe");
    document_free(&document);
    return status;
}

int report_recipe(const struct request *request)
{
    struct verdicts *verdicts = malloc(sizeof *verdicts);
    struct recipe *recipe = calloc(1, sizeof *recipe);
    struct cups_filter filter = { .bench = request->filter.bench };
    struct cups cups = { NULL, 0 };
    struct why why = { "not enough memory" };
    int status = EXIT_FAILED;

    if (!verdicts_know_margin(request)) {
        status = EXIT_USAGE;
    } else if (!verdicts || !recipe || verdicts_make(request, verdicts, &why) < 0
               || cups_load(store_database(request->store), &filter, &cups, &why) < 0) {
        program_say("%s", why.text);
    } else if (!verdicts->count) {
        program_say("no variable was varied yet: load a plan with poise-ctl plan load, and brew");
        status = EXIT_DONE;
    } else {
        recipe->verdicts = verdicts;
        recipe->measure = request->options.measure;
        status = out(request, recipe, &cups);
        cups_free(&cups);
    }
    free(recipe);
    free(verdicts);
    return status;
}
