/* How the cups were brewed, as the record has it: how far the plan is done, what stands beside the levels (days, bags,
 * benches, settings, order) and whether it can be separated from them; see findings.h. */
#include "findings_parts.h"

#include <errno.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "poise/looks.h"
#include "poise/plan.h"

/* Beside levels and blocks so many degrees of freedom must be left, or blocks cost more than they bring. */
enum { DF_FOR_BLOCKS = 2 };

/* Cups whose order is looked at: with more, no order stays in step with the levels by chance or by habit. */
enum { ORDERED_MOST = 2000 };

/* --- the plan --- */

static char *definition_of(sqlite3 *database, const char *experiment)
{
    sqlite3_stmt *statement = NULL;
    char *text = NULL;

    if (sqlite3_prepare_v2(database, "SELECT definition FROM experiment WHERE name = ?1", -1, &statement, NULL)
        == SQLITE_OK) {
        sqlite3_bind_text(statement, 1, experiment, -1, SQLITE_STATIC);
        if (sqlite3_step(statement) == SQLITE_ROW && sqlite3_column_text(statement, 0))
            text = strdup((const char *)sqlite3_column_text(statement, 0));
    }
    sqlite3_finalize(statement);
    return text;
}

static bool has_line(const char *text, const char *key)
{
    const char *at = text;

    while ((at = strstr(at, key))) {
        if (at == text || at[-1] == '\n')
            return true;
        at++;
    }
    return false;
}

void findings_find_plan(sqlite3 *database, struct findings *out)
{
    char *text = definition_of(database, out->experiment);
    struct plan_mistakes mistakes;
    struct plan *plan = malloc(sizeof *plan);
    struct why why;
    size_t brewed = out->cups->count;

    out->confidence = out->options->confidence;
    if (text && plan && plan_read(plan, text, strlen(text), &mistakes, &why) == 0) {
        out->plan.known = true;
        out->plan.runs = plan_run_count(plan);
        out->plan.replicates = plan->replicates;
        out->plan.order_given = has_line(text, "order");
        out->plan.random = plan->random;
    }
    free(plan);
    free(text);
    if (!out->plan.known || brewed >= (size_t)out->plan.runs)
        return;
    /* whole replicates are the looks: what a part of the next adds counts, the bar does not fall for it */
    out->plan.parts_done = (int)(out->point_count * (size_t)out->plan.replicates / (size_t)out->plan.runs);
    out->plan.unfinished = true;
    out->confidence = looks_confidence(out->plan.replicates, out->plan.parts_done, out->options->confidence);
    if (out->plan.parts_done < 1) {
        out->confidence = out->options->confidence;
        findings_refuse(out, "unfinished", -1,
                        "%zu of %d planned runs are brewed: before every level has been brewed once, nothing is judged",
                        out->cups->count, out->plan.runs);
    }
}

/* --- what stands beside the levels --- */

/* A property of cups, as a number for each point: equal words, equal numbers. */
struct beside {
    char name[WORDS_SIZE];
    const char *because; /* "day", "bench", "setting", "bag", "replicate" */
    int *value;
    int count; /* different ones */
};

static int find_word(char words[BLOCKS_MOST + 1][WORDS_SIZE], int count, const char *word)
{
    for (int i = count - 1; i >= 0; i--) /* cups of one day come together */
        if (strcmp(words[i], word) == 0)
            return i;
    return -1;
}

typedef void word_of(const struct cup *cup, const char *name, char out[WORDS_SIZE]);

static void day_word(const struct cup *cup, const char *name, char out[WORDS_SIZE])
{
    (void)name;
    snprintf(out, WORDS_SIZE, "%.10s", cup->began_utc);
}

static void bench_word(const struct cup *cup, const char *name, char out[WORDS_SIZE])
{
    (void)name;
    snprintf(out, WORDS_SIZE, "%s", cup->bench);
}

static void replicate_word(const struct cup *cup, const char *name, char out[WORDS_SIZE])
{
    (void)name;
    snprintf(out, WORDS_SIZE, "%d", cup->replicate);
}

static void recipe_word(const struct cup *cup, const char *name, char out[WORDS_SIZE])
{
    const json_t *value = json_object_get(cup->recipe, name);

    if (json_is_string(value))
        snprintf(out, WORDS_SIZE, "%s", json_string_value(value));
    else if (json_is_number(value))
        snprintf(out, WORDS_SIZE, "%.10g", json_number_value(value));
    else
        out[0] = '\0';
}

/* False where there is only one, or more than blocks may be. */
static bool find_values(const struct findings *findings, word_of *word, struct beside *out)
{
    char(*words)[WORDS_SIZE] = malloc((BLOCKS_MOST + 1) * sizeof *words);
    bool whole = words != NULL;

    out->count = 0;
    for (size_t i = 0; i < findings->point_count && whole; i++) {
        char its[WORDS_SIZE];
        int place;

        word(findings->point[i].cup, out->name, its);
        place = find_word(words, out->count, its);
        if (place < 0) {
            place = out->count;
            memcpy(words[place], its, sizeof its);
            whole = ++out->count <= BLOCKS_MOST;
        }
        out->value[i] = place;
    }
    free(words);
    return whole && out->count > 1;
}

/* Levels that are never met at one value of what stands beside them: in how many parts does that cut them?  `factor`
 * -1: the combinations of both. */
static int parts_of(const struct findings *findings, int factor, const int *value, int values)
{
    int levels = factor < 0 ? findings->level_count : findings->factor[factor].level_count, parts = levels;
    int part[LEVELS], first[BLOCKS_MOST + 1];

    for (int i = 0; i < levels; i++)
        part[i] = i;
    for (int i = 0; i < values; i++)
        first[i] = -1;
    for (size_t i = 0; i < findings->point_count; i++) {
        int level = factor < 0 ? findings->cell[i] : findings->point[i].level[factor], *block = &first[value[i]];
        int old = part[level], new = *block < 0 ? old : part[*block];

        *block = level;
        if (old == new)
            continue;
        for (int j = 0; j < levels; j++)
            part[j] = part[j] == old ? new : part[j];
        parts--;
    }
    /* levels of which no cup counts are no part */
    for (int level = 0; level < levels && factor >= 0; level++) {
        bool met = false;

        for (int i = 0; i < findings->level_count && !met; i++)
            met = findings->level[i].level[factor] == level;
        parts -= !met;
    }
    return parts;
}

static bool is_factor(const struct findings *findings, const char *name)
{
    for (int f = 0; f < findings->factor_count; f++)
        if (strcmp(findings->factor[f].name, name) == 0)
            return true;
    return false;
}

static const char *kind_of(const char *name)
{
    static const char *const bags[] = { "bag", "coffee", "blend", "roast", "lot" };

    for (size_t i = 0; i < sizeof bags / sizeof *bags; i++)
        if (strstr(name, bags[i]))
            return "bag";
    return "setting";
}

/* Refuses what cannot be separated from it; true where it may be a block. */
static bool judge_beside(struct findings *out, const struct beside *beside)
{
    bool apart = true;

    for (int f = 0; f < out->factor_count && apart; f++) {
        const char *factor = call_of(out->factor[f].name);

        if (out->factor[f].level_count < 2 || parts_of(out, f, beside->value, beside->count) < 2)
            continue;
        apart = false;
        if (strcmp(beside->because, "day") == 0)
            findings_refuse(out, "day", f,
                            "levels of %.60s were brewed on days of their own: what the day did and what %.60s did "
                            "cannot be separated",
                            factor, factor);
        else if (strcmp(beside->because, "bench") == 0)
            findings_refuse(out, "bench", f,
                            "levels of %.60s were brewed on benches of their own: what the bench did and what %.60s "
                            "did cannot be separated",
                            factor, factor);
        else
            findings_refuse(out, beside->because, f,
                            "%.60s changed together with %.60s: what each of the two did cannot be separated",
                            call_of(beside->name), factor);
    }
    return apart;
}

/* --- order --- */

/* The share of the order within blocks that the levels explain: 1 where each level always has the same place. */
static double order_explained(const struct findings *findings, int factor, const double *place, const int *level)
{
    double sum[LEVELS] = { 0 }, count[LEVELS] = { 0 }, between = 0, total = 0;

    for (size_t i = 0; i < findings->point_count; i++) {
        sum[level[i]] += place[i];
        count[level[i]]++;
        total += place[i] * place[i];
    }
    for (int i = 0; i < findings->factor[factor].level_count; i++)
        between += count[i] > 0 ? sum[i] * sum[i] / count[i] : 0;
    return total > 0 ? between / total : 0;
}

/* Each cup's place in its block, less the middle one; `level` may be shuffled within blocks. */
static void find_places(const struct findings *findings, const int *block, double *place)
{
    for (size_t i = 0; i < findings->point_count; i++) {
        double before = 0, behind = 0;

        for (size_t j = 0; j < findings->point_count; j++)
            if (block[j] == block[i]) {
                before += j < i;
                behind += j > i;
            }
        place[i] = (before - behind) / 2;
    }
}

static void shuffle_within(gsl_rng *random, const int *block, size_t n, int *level)
{
    for (size_t i = n; i-- > 1;) {
        size_t with = i, choices = 0;

        for (size_t j = 0; j <= i; j++) /* one of those of the same block, each as likely */
            if (block[j] == block[i] && gsl_rng_uniform_int(random, ++choices) == 0)
                with = j;
        if (with != i) {
            int its = level[i];

            level[i] = level[with];
            level[with] = its;
        }
    }
}

/* Levels in step with the order: a bench that drifts would show the same.  A plan that drew the order at random has
 * made that no more than chance. */
static void judge_order(struct findings *out, const int *block, const char *where)
{
    static const double in_step = 0.7, too_rare = 0.1;
    enum { SHUFFLES = 1000 };
    size_t n = out->point_count;
    double *place = malloc((n + 1) * sizeof *place);
    int *level = malloc((n + 1) * sizeof *level);
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);

    for (int f = 0; f < out->factor_count && place && level && random && n <= ORDERED_MOST; f++) {
        bool listed = out->plan.known && !out->plan.random;
        double explained;
        int as_much = 0;

        if (out->plan.known && out->plan.random)
            break;
        for (size_t i = 0; i < n; i++)
            level[i] = out->point[i].level[f];
        find_places(out, block, place);
        explained = order_explained(out, f, place, level);
        if (explained < in_step || n <= (size_t)out->factor[f].level_count)
            continue;
        for (int i = 0; i < SHUFFLES && !listed; i++) {
            shuffle_within(random, block, n, level);
            as_much += order_explained(out, f, place, level) >= explained - 1e-9;
        }
        if (listed || as_much < too_rare * SHUFFLES)
            findings_refuse(out, "order", f,
                            "levels of %.60s were brewed in the same order%s: what a drift of the bench did and what "
                            "%.60s did cannot be separated; a plan with order = random avoids that",
                            call_of(out->factor[f].name), where, call_of(out->factor[f].name));
    }
    if (random)
        gsl_rng_free(random);
    free(place);
    free(level);
}

/* --- blocks --- */

/* Puts what stands beside the levels together: cups alike in all of it are a block.  Their count; 0: too many. */
static int cross(const struct beside *beside, const bool *taken, int count, size_t n, int *block)
{
    int blocks = 0, first_of[BLOCKS_MOST + 1][8];

    for (size_t i = 0; i < n; i++) {
        int own[8] = { 0 }, found = -1;

        for (int j = 0; j < count; j++)
            own[j] = taken[j] ? beside[j].value[i] : 0;
        for (int k = blocks - 1; k >= 0 && found < 0; k--)
            found = memcmp(first_of[k], own, sizeof own) == 0 ? k : -1;
        if (found < 0) {
            if (blocks == BLOCKS_MOST)
                return 0;
            memcpy(first_of[blocks], own, sizeof own);
            found = blocks++;
        }
        block[i] = found;
    }
    return blocks;
}

static bool pays(const struct findings *findings, const int *block, int blocks)
{
    return blocks > 1 && parts_of(findings, -1, block, blocks) == 1
           && (double)findings->point_count - findings->level_count - blocks + 1 >= DF_FOR_BLOCKS;
}

static void choose_blocks(struct findings *out, const struct beside *beside, const bool *may, int count)
{
    bool taken[8] = { false };
    int blocks = 0;

    for (int j = 0; j < count; j++)
        taken[j] = may[j] && strcmp(beside[j].because, "replicate") != 0;
    out->day_count = cross(beside, taken, count, out->point_count, out->day);
    /* all of it where the cups can pay for that; else what was recorded last is left out first */
    for (int left = count; left > 0 && !pays(out, out->block, blocks); left--) {
        for (int j = 0; j < count; j++)
            taken[j] = may[j] && j < left;
        blocks = cross(beside, taken, count, out->point_count, out->block);
    }
    out->block_count = pays(out, out->block, blocks) ? blocks : 0;
    for (int j = 0; j < count && out->block_count; j++)
        if (taken[j])
            snprintf(out->block_words + strlen(out->block_words), sizeof out->block_words - strlen(out->block_words),
                     "%s%.40s", out->block_words[0] ? " and " : "", beside[j].name);
}

static void next_setting(const struct findings *findings, const json_t *met, const char **found)
{
    *found = NULL;
    for (size_t i = 0; i < findings->point_count; i++) {
        const json_t *recipe = findings->point[i].cup->recipe;
        const char *name;
        json_t *value;

        if (i > 0 && recipe == findings->point[i - 1].cup->recipe)
            continue;
        json_object_foreach((json_t *)recipe, name, value)
        {
            if (!json_object_get(met, name) && !is_factor(findings, name)
                && !json_equal(value, json_object_get(findings->point[0].cup->recipe, name))) {
                *found = name;
                return;
            }
        }
    }
}

int findings_find_design(struct findings *out, struct why *why)
{
    enum { BESIDE = 8 };
    struct beside beside[BESIDE];
    bool may[BESIDE], replicated = true;
    json_t *met = json_object();
    const char *setting;
    int *values = calloc(BESIDE * (out->point_count + 1), sizeof *values), count = 0, replicate = -1;
    int *alone = calloc(out->point_count + 1, sizeof *alone);

    if (!values || !met || !alone) {
        free(values);
        free(alone);
        json_decref(met);
        return why_set(why, -ENOMEM, "not enough memory");
    }
    for (int i = 0; i < BESIDE; i++)
        beside[i] = (struct beside){ .value = values + (size_t)i * (out->point_count + 1) };
    for (size_t i = 0; i < out->point_count; i++)
        replicated = replicated && out->point[i].cup->replicate >= 0;
    if (replicated) {
        beside[count].because = "replicate";
        snprintf(beside[count].name, WORDS_SIZE, "replicate");
        if (find_values(out, replicate_word, &beside[count])) {
            may[count] = parts_of(out, -1, beside[count].value, beside[count].count) == 1;
            replicate = count++;
        }
    }
    beside[count].because = "day";
    snprintf(beside[count].name, WORDS_SIZE, "day");
    if (find_values(out, day_word, &beside[count])) {
        may[count] = judge_beside(out, &beside[count]);
        count++;
    }
    beside[count].because = "bench";
    snprintf(beside[count].name, WORDS_SIZE, "bench");
    if (find_values(out, bench_word, &beside[count])) {
        may[count] = judge_beside(out, &beside[count]);
        count++;
    }
    for (next_setting(out, met, &setting); setting && count < BESIDE; next_setting(out, met, &setting)) {
        beside[count].because = kind_of(setting);
        snprintf(beside[count].name, WORDS_SIZE, "%s", setting);
        json_object_set_new(met, setting, json_true());
        if (find_values(out, recipe_word, &beside[count])) {
            may[count] = judge_beside(out, &beside[count]);
            count++;
        }
    }
    if (out->level_count > 1) {
        judge_order(out, replicate >= 0 ? beside[replicate].value : alone, replicate >= 0 ? " in every replicate" : "");
        choose_blocks(out, beside, may, count);
    }
    free(values);
    free(alone);
    json_decref(met);
    return 0;
}
