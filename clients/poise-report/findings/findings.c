/* From cups to findings: factors, levels, and which comparison fits the design; see findings.h.  Comparisons, curves,
 * the press and cautions are in findings_compare.c, _curves.c, _press.c and _cautions.c. */
#include "findings_parts.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

/* --- factors and levels --- */

static int by_number_or_word(const void *a, const void *b)
{
    const double first = *(const double *)((const char *)a + WORDS_SIZE);
    const double second = *(const double *)((const char *)b + WORDS_SIZE);

    if (!isnan(first) && !isnan(second))
        return (first > second) - (first < second);
    return strcmp(a, b);
}

static int find_level(const struct factor *factor, const char *label)
{
    for (int i = 0; i < factor->level_count; i++)
        if (strcmp(factor->level[i].label, label) == 0)
            return i;
    return -1;
}

static int add_level(struct factor *factor, const struct cup *cup, struct why *why)
{
    char label[WORDS_SIZE], *end;
    int place = factor->level_count;

    if (!cup_level(cup, factor->name, label) || find_level(factor, label) >= 0)
        return 0;
    if (place == LEVELS)
        return why_set(why, -E2BIG, "%s has more than %d levels: an experiment compares fewer", factor->name, LEVELS);
    snprintf(factor->level[place].label, WORDS_SIZE, "%s", label);
    factor->level[place].number = strtod(label, &end);
    if (end == label || *end || !isfinite(factor->level[place].number)) {
        factor->level[place].number = NAN;
        factor->numeric = false;
    }
    factor->level_count++;
    return 0;
}

/* Cups share their factors; those met lately need no second look. */
enum { LATELY = 32 };

struct lately {
    const json_t *factors[LATELY], *recipe[LATELY];
    int level[LATELY][FACTORS];
    int next;
};

static int met(const struct lately *lately, const struct cup *cup)
{
    for (int i = 0; i < LATELY; i++)
        if (lately->factors[i] == cup->factors && lately->recipe[i] == cup->recipe && cup->factors)
            return i;
    return -1;
}

static int remember(struct lately *lately, const struct cup *cup)
{
    int place = lately->next;

    lately->factors[place] = cup->factors;
    lately->recipe[place] = cup->recipe;
    lately->next = (place + 1) % LATELY;
    return place;
}

static int add_factors(struct findings *out, const struct cup *cup, struct why *why)
{
    const char *name;
    json_t *value;

    json_object_foreach(cup->factors, name, value)
    {
        bool known = false;

        for (int f = 0; f < out->factor_count; f++)
            known = known || strcmp(out->factor[f].name, name) == 0;
        if (known)
            continue;
        if (out->factor_count == FACTORS)
            return why_set(why, -E2BIG, "its cups differ in more than %d factors: no comparison fits", FACTORS);
        snprintf(out->factor[out->factor_count].name, WORDS_SIZE, "%s", name);
        out->factor[out->factor_count++].numeric = true;
    }
    return 0;
}

static int find_factors(struct findings *out, struct why *why)
{
    struct lately lately = { .next = 0 };
    int error = 0;

    for (size_t i = 0; i < out->cups->count && !error; i++) {
        const struct cup *cup = &out->cups->cup[i];

        if (met(&lately, cup) >= 0)
            continue;
        remember(&lately, cup);
        error = add_factors(out, cup, why);
        for (int f = 0; f < out->factor_count && !error; f++)
            error = add_level(&out->factor[f], cup, why);
    }
    for (int f = 0; f < out->factor_count && !error; f++) {
        struct factor *factor = &out->factor[f];

        if (!factor->numeric)
            for (int i = 0; i < factor->level_count; i++)
                factor->level[i].number = NAN;
        qsort(factor->level, (size_t)factor->level_count, sizeof factor->level[0], by_number_or_word);
    }
    /* a factor that never changes is held, not varied */
    for (int f = out->factor_count - 1; f >= 0 && !error; f--)
        if (out->factor[f].level_count < 2 && out->factor_count > 1) {
            out->factor[f] = out->factor[out->factor_count - 1];
            out->factor_count--;
        }
    return error;
}

/* The cup's level of every factor, -1 for none. */
static const int *levels_of(const struct findings *findings, struct lately *lately, const struct cup *cup)
{
    char label[WORDS_SIZE];
    int place = met(lately, cup);

    if (place >= 0)
        return lately->level[place];
    place = remember(lately, cup);
    memset(lately->level[place], 0, sizeof lately->level[place]);
    for (int f = 0; f < findings->factor_count; f++)
        lately->level[place][f] =
            cup_level(cup, findings->factor[f].name, label) ? find_level(&findings->factor[f], label) : -1;
    return lately->level[place];
}

int findings_numeric_factor(const struct findings *findings)
{
    for (int f = 0; f < findings->factor_count; f++)
        if (strcmp(findings->factor[f].name, "steep_s") == 0)
            return f;
    for (int f = 0; f < findings->factor_count; f++)
        if (findings->factor[f].numeric)
            return f;
    return -1;
}

int findings_other_factor(const struct findings *findings)
{
    int numeric = findings_numeric_factor(findings);

    return findings->factor_count == 2 && numeric >= 0 ? 1 - numeric : -1;
}

/* --- points --- */

/* With so many cups they are put together by the tenth they are shown in, or a curve would take minutes. */
enum { MANY_CUPS = 500 };

/* What was done counts, not what was planned: the measured value where the factor is one of the measures. */
static double x_of(const struct findings *findings, const struct cup *cup, int measure, int factor, int level)
{
    double done = measure >= 0 ? cup->measures.value[measure] : (double)NAN;

    if (!isnan(done))
        return findings->cups->count > MANY_CUPS ? round(done * 10) / 10 : done;
    return factor >= 0 ? findings->factor[factor].level[level].number : (double)NAN;
}

static int find_points(struct findings *out, struct why *why)
{
    int numeric = findings_numeric_factor(out);
    int measure = numeric >= 0 ? measure_find(out->factor[numeric].name) : -1;
    struct lately lately = { .next = 0 };

    out->point = malloc((out->cups->count ? out->cups->count : 1) * sizeof *out->point);
    out->cell = calloc(3 * out->cups->count + 1, sizeof *out->cell);
    out->block = out->cell ? out->cell + out->cups->count : NULL;
    out->day = out->cell ? out->block + out->cups->count : NULL;
    if (!out->point || !out->cell)
        return why_set(why, -ENOMEM, "not enough memory");
    for (size_t i = 0; i < out->cups->count; i++) {
        const struct cup *cup = &out->cups->cup[i];
        struct point *point = &out->point[out->point_count];
        bool whole = true;

        memcpy(point->level, levels_of(out, &lately, cup), sizeof point->level);
        for (int f = 0; f < out->factor_count; f++)
            whole = whole && point->level[f] >= 0;
        if (!whole) {
            out->without_level++;
            continue;
        }
        point->cup = cup;
        point->y = cup->measures.value[out->options->measure];
        point->x = x_of(out, cup, measure, numeric, numeric >= 0 ? point->level[numeric] : 0);
        if ((cup->above >> out->options->measure & 1) || (measure >= 0 && cup->above >> measure & 1))
            out->bounded++;
        else if (isnan(point->y) && cup->impossible & cups_basis(out->options->measure))
            out->impossible++;
        else if (isnan(point->y))
            out->without_value++;
        else if (cup->plan_kept == 0 && !out->options->all)
            out->left_out++;
        else
            out->point_count++;
    }
    return 0;
}

/* A level none of whose cups counts is none that anything can be said of: a line must not be claimed up to it. */
static void forget_level(struct findings *out, int f, int level)
{
    struct factor *factor = &out->factor[f];

    memmove(&factor->level[level], &factor->level[level + 1],
            (size_t)(factor->level_count - level - 1) * sizeof factor->level[0]);
    factor->level_count--;
    for (size_t i = 0; i < out->point_count; i++)
        out->point[i].level[f] -= out->point[i].level[f] > level;
}

static void forget_uncounted_levels(struct findings *out)
{
    for (int f = 0; f < out->factor_count; f++)
        for (int level = out->factor[f].level_count - 1; level >= 0 && out->factor[f].level_count > 2; level--) {
            bool counts = false;

            for (size_t i = 0; i < out->point_count && !counts; i++)
                counts = out->point[i].level[f] == level;
            if (!counts)
                forget_level(out, f, level);
        }
}

/* --- levels --- */

static int place_of(struct findings *out, const int level[FACTORS])
{
    for (int i = 0; i < out->level_count; i++)
        if (out->level[i].level[0] == level[0] && out->level[i].level[1] == level[1])
            return i;
    if (out->level_count == LEVELS)
        return -1;
    out->level[out->level_count] = (struct level_finding){ .level = { level[0], level[1] } };
    return out->level_count++;
}

static int in_order(const void *a, const void *b)
{
    const struct level_finding *first = a, *second = b;

    return first->level[0] != second->level[0] ? first->level[0] - second->level[0]
                                               : first->level[1] - second->level[1];
}

size_t findings_values(const struct findings *findings, int place, double *values)
{
    const struct level_finding *level = &findings->level[place];
    size_t n = 0;

    for (size_t i = 0; i < findings->point_count; i++)
        if (findings->point[i].level[0] == level->level[0] && findings->point[i].level[1] == level->level[1])
            values[n++] = findings->point[i].y;
    return n;
}

static int find_levels(struct findings *out, double *values, struct why *why)
{
    struct lately lately = { .next = 0 };

    for (size_t i = 0; i < out->point_count; i++)
        if (place_of(out, out->point[i].level) < 0)
            return why_set(why, -E2BIG, "more than %d combinations of levels: an experiment compares fewer", LEVELS);
    qsort(out->level, (size_t)out->level_count, sizeof *out->level, in_order);
    for (size_t i = 0; i < out->point_count; i++)
        out->cell[i] = place_of(out, out->point[i].level);
    for (int i = 0; i < out->level_count; i++)
        out->level[i].level_of = level_of((struct sample){ values, findings_values(out, i, values) });
    for (size_t i = 0; i < out->cups->count; i++) {
        const struct cup *cup = &out->cups->cup[i];
        const int *level;

        if (cup->plan_kept != 0 || isnan(cup->measures.value[out->options->measure]))
            continue;
        level = levels_of(out, &lately, cup);
        for (int j = 0; j < out->level_count; j++)
            if (out->level[j].level[0] == level[0] && out->level[j].level[1] == level[1])
                out->level[j].left_out++;
    }
    return 0;
}

/* The spread of one cup: within these levels; else, where each level has one cup, of the bench's repeats. */
static int find_spread(sqlite3 *database, struct findings *out, struct why *why)
{
    double squares = 0, df = 0;
    int error = 0;

    for (int i = 0; i < out->level_count; i++)
        if (out->level[i].level_of.n > 1) {
            squares += pow(out->level[i].level_of.spread, 2) * out->level[i].level_of.df;
            df += out->level[i].level_of.df;
        }
    if (df > 0) {
        out->spread_source = SPREAD_OF_LEVELS;
        out->spread = sqrt(squares / df);
        out->spread_df = df;
    } else {
        error = findings_bench_spread(database, out, why);
    }
    return error;
}

static enum design design_of(const struct findings *out)
{
    int numeric = findings_numeric_factor(out);

    if (!out->point_count)
        return DESIGN_EMPTY;
    if (out->level_count < 2)
        return DESIGN_ONE_LEVEL;
    if (numeric >= 0 && strcmp(out->factor[numeric].name, "steep_s") == 0 && out->factor[numeric].level_count >= 3
        && (out->factor_count == 1 || out->factor[1 - numeric].level_count <= CURVES))
        return DESIGN_TIME;
    if (out->factor_count == 2)
        return DESIGN_TWO;
    return out->factor[0].numeric && out->factor[0].level_count >= 3 ? DESIGN_NUMBERS : DESIGN_WORDS;
}

static int analyse(sqlite3 *database, struct findings *out, double *values, struct why *why)
{
    int error;

    forget_uncounted_levels(out);
    error = find_levels(out, values, why);

    if (!error)
        error = find_spread(database, out, why);
    if (error)
        return error;
    out->design = design_of(out);
    findings_find_plan(database, out);
    error = findings_find_design(out, why);
    if (error)
        return error;
    findings_find_held(out);
    findings_compare(out, values);
    if (out->design == DESIGN_TIME)
        error = findings_find_curves(out, why);
    else if (out->design == DESIGN_NUMBERS)
        error = findings_find_trend(out, why);
    if (!error)
        error = findings_find_press(out, why);
    if (!error && out->design == DESIGN_TWO)
        error = findings_find_surface(out, why);
    findings_find_beside(out);
    return error ? error : findings_find_cautions(database, out, why);
}

int findings_make(sqlite3 *database, const char *experiment, const struct cups *cups,
                  const struct report_options *options, struct findings *out, struct why *why)
{
    double *values = malloc((cups->count + 1) * sizeof *values);
    int error;

    memset(out, 0, sizeof *out);
    out->options = options;
    out->cups = cups;
    snprintf(out->experiment, sizeof out->experiment, "%s", experiment);
    error = values ? find_factors(out, why) : why_set(why, -ENOMEM, "not enough memory");
    if (!error)
        error = find_points(out, why);
    if (!error)
        error = analyse(database, out, values, why);
    free(values);
    if (error)
        findings_free(out);
    return error;
}

void findings_free(struct findings *findings)
{
    free(findings->point);
    free(findings->cell);
    findings->point = NULL;
    findings->cell = findings->block = findings->day = NULL;
}

void findings_refuse(struct findings *out, const char *because, int factor, const char *format, ...)
{
    struct refusal *refusal = &out->refusal[out->refusal_count];
    va_list arguments;

    if (out->refusal_count == REFUSALS)
        return;
    out->refusal_count++;
    snprintf(refusal->because, sizeof refusal->because, "%s", because);
    refusal->factor = factor;
    va_start(arguments, format);
    vsnprintf(refusal->sentence, sizeof refusal->sentence, format, arguments);
    va_end(arguments);
}

const struct refusal *findings_refused(const struct findings *findings, int factor)
{
    for (int i = 0; i < findings->refusal_count; i++)
        if (findings->refusal[i].factor == factor || findings->refusal[i].factor < 0)
            return &findings->refusal[i];
    return NULL;
}

void findings_level_call(const struct factor *factor, int place, char out[WORDS_SIZE])
{
    state_level(factor->name, factor->numeric, factor->level[place].label, out);
}

void findings_level_words(const struct findings *findings, int place, char out[2 * WORDS_SIZE])
{
    size_t length = 0;

    out[0] = '\0';
    for (int f = 0; f < findings->factor_count && length < WORDS_SIZE; f++) {
        char words[WORDS_SIZE];

        findings_level_call(&findings->factor[f], findings->level[place].level[f], words);
        length += (size_t)snprintf(out + length, 2 * WORDS_SIZE - length, "%s%.80s", f ? ", " : "", words);
    }
    if (!findings->factor_count)
        snprintf(out, 2 * WORDS_SIZE, "all");
}
