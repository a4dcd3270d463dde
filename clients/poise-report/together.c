/* All experiments in one model; see together.h. */
#include "together.h"

#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

struct setting {
    char name[WORDS_SIZE];
    int levels, column; /* the first of its columns */
    struct {
        char label[WORDS_SIZE];
        double number; /* NAN: a word */
    } level[TOGETHER_LEVELS];
};

struct together {
    struct setting setting[TOGETHER_SETTINGS];
    int settings;
    struct {
        int setting[2], column;
        bool met[TOGETHER_LEVELS][TOGETHER_LEVELS]; /* which combinations were brewed */
    } pair[TOGETHER_PAIRS];
    int pairs, columns;
    double confidence;
    struct mixed *mixed;
    struct mixed_fit fit;
};

/* --- settings and their levels --- */

static bool counts(const struct cup *cup, enum measure measure, const char *except)
{
    return cup->experiment && strcmp(cup->experiment, except) != 0 && cup->plan_kept != 0
           && !isnan(cup_value(cup, measure));
}

static struct setting *find_setting(struct together *together, const char *name)
{
    for (int i = 0; i < together->settings; i++)
        if (strcmp(together->setting[i].name, name) == 0)
            return &together->setting[i];
    return NULL;
}

static int find_level(const struct setting *setting, const char *label)
{
    for (int i = 0; i < setting->levels; i++)
        if (strcmp(setting->level[i].label, label) == 0)
            return i;
    return -1;
}

static bool add_level(struct setting *setting, const char *label)
{
    char *end;
    double number = strtod(label, &end);

    if (find_level(setting, label) >= 0)
        return true;
    if (setting->levels == TOGETHER_LEVELS)
        return false;
    snprintf(setting->level[setting->levels].label, WORDS_SIZE, "%s", label);
    setting->level[setting->levels++].number = end > label && !*end ? number : (double)NAN;
    return true;
}

static bool add_names(struct together *together, const json_t *object)
{
    const char *name;
    json_t *value;

    json_object_foreach((json_t *)object, name, value)
    {
        if (find_setting(together, name))
            continue;
        if (together->settings == TOGETHER_SETTINGS)
            return false;
        snprintf(together->setting[together->settings++].name, WORDS_SIZE, "%s", name);
    }
    return true;
}

static int find_settings(struct together *out, const struct cups *cups, enum measure measure, const char *except)
{
    const json_t *factors = NULL, *recipe = NULL;
    char label[WORDS_SIZE];

    for (size_t i = 0; i < cups->count; i++) {
        const struct cup *cup = &cups->cup[i];

        if (!counts(cup, measure, except) || (cup->factors == factors && cup->recipe == recipe && i))
            continue;
        factors = cup->factors;
        recipe = cup->recipe;
        if (!add_names(out, factors) || !add_names(out, recipe))
            return -E2BIG;
    }
    factors = recipe = NULL;
    for (size_t i = 0; i < cups->count; i++) {
        const struct cup *cup = &cups->cup[i];

        if (!counts(cup, measure, except) || (cup->factors == factors && cup->recipe == recipe && i))
            continue;
        factors = cup->factors;
        recipe = cup->recipe;
        for (int j = 0; j < out->settings; j++)
            if (cup_level(cup, out->setting[j].name, label) && !add_level(&out->setting[j], label))
                return -E2BIG;
    }
    return 0;
}

static int place_columns(struct together *out, const struct together_pair *pair, int pairs)
{
    out->columns = 1; /* the constant */
    for (int i = 0; i < out->settings; i++) {
        out->setting[i].column = out->columns;
        out->columns += out->setting[i].levels > 1 ? out->setting[i].levels : 0;
    }
    for (int i = 0; i < pairs && out->pairs < TOGETHER_PAIRS; i++) {
        struct setting *one = find_setting(out, pair[i].name[0]), *other = find_setting(out, pair[i].name[1]);

        if (!one || !other || one->levels < 2 || other->levels < 2)
            continue;
        out->pair[out->pairs].setting[0] = (int)(one - out->setting);
        out->pair[out->pairs].setting[1] = (int)(other - out->setting);
        out->pair[out->pairs++].column = out->columns;
        out->columns += one->levels * other->levels;
    }
    return out->columns <= MIXED_COLUMNS ? 0 : -E2BIG;
}

/* --- rows --- */

/* How much of each level a value is: one of them, or two neighbours, of those that `may` be (NULL: any); false: beyond
 * what was brewed. */
static bool shares_of(const struct setting *setting, const char *value, const bool *may, double share[TOGETHER_LEVELS])
{
    char *end;
    double number = strtod(value, &end);
    int level = find_level(setting, value), below = -1, above = -1;

    memset(share, 0, TOGETHER_LEVELS * sizeof *share);
    if (level >= 0 && (!may || may[level])) {
        share[level] = 1;
        return true;
    }
    if (end == value || *end)
        return false;
    for (int i = 0; i < setting->levels; i++) {
        double its = may && !may[i] ? (double)NAN : setting->level[i].number;

        if (its <= number && (below < 0 || its > setting->level[below].number))
            below = i;
        if (its >= number && (above < 0 || its < setting->level[above].number))
            above = i;
    }
    if (below < 0 || above < 0)
        return false;
    if (below == above) {
        share[below] = 1;
        return true;
    }
    share[above] =
        (number - setting->level[below].number) / (setting->level[above].number - setting->level[below].number);
    share[below] = 1 - share[above];
    return true;
}

/* What is not named was something: on the mean of what was tried, and what it was more or less is the day's. */
static void even_shares(const struct setting *setting, double share[TOGETHER_LEVELS])
{
    for (int i = 0; i < setting->levels; i++)
        share[i] = 1.0 / setting->levels;
}

/* A combination: how much of each level of each setting, and of each combination of a pair. */
struct place {
    double share[TOGETHER_SETTINGS][TOGETHER_LEVELS];
    double both[TOGETHER_PAIRS][TOGETHER_LEVELS][TOGETHER_LEVELS];
};

static void fill_pairs(const struct together *together, struct place *place)
{
    for (int i = 0; i < together->pairs; i++)
        for (int j = 0; j < TOGETHER_LEVELS; j++)
            for (int k = 0; k < TOGETHER_LEVELS; k++)
                place->both[i][j][k] =
                    place->share[together->pair[i].setting[0]][j] * place->share[together->pair[i].setting[1]][k];
}

static void fill_row(const struct together *together, const struct place *place, double *row)
{
    memset(row, 0, (size_t)together->columns * sizeof *row);
    row[0] = 1;
    for (int i = 0; i < together->settings; i++)
        for (int j = 0; j < together->setting[i].levels && together->setting[i].levels > 1; j++)
            row[together->setting[i].column + j] = place->share[i][j];
    for (int i = 0; i < together->pairs; i++) {
        int one = together->setting[together->pair[i].setting[0]].levels;
        int other = together->setting[together->pair[i].setting[1]].levels;

        for (int j = 0; j < one; j++)
            for (int k = 0; k < other; k++)
                row[together->pair[i].column + j * other + k] = place->both[i][j][k];
    }
}

static int add_cup(struct together *out, const struct cup *cup, double value, int day, struct place *room)
{
    double row[MIXED_COLUMNS];
    char label[WORDS_SIZE];
    int level[TOGETHER_SETTINGS];

    memset(room, 0, sizeof *room);
    for (int i = 0; i < out->settings; i++) {
        level[i] = cup_level(cup, out->setting[i].name, label) ? find_level(&out->setting[i], label) : -1;
        if (level[i] >= 0)
            room->share[i][level[i]] = 1;
        else
            even_shares(&out->setting[i], room->share[i]);
    }
    for (int i = 0; i < out->pairs; i++) {
        int one = level[out->pair[i].setting[0]], other = level[out->pair[i].setting[1]];

        if (one >= 0 && other >= 0)
            out->pair[i].met[one][other] = true;
    }
    fill_pairs(out, room);
    fill_row(out, room, row);
    return mixed_add(out->mixed, row, value, day);
}

/* Cups come in the order of time: a day of one bench begins where the last of that bench had another date. */
struct days {
    struct {
        char bench[NAME_SIZE], date[12];
        int day;
    } bench[32];
    int benches, count;
};

static int day_of(struct days *days, const struct cup *cup)
{
    int place = 0;

    while (place < days->benches && strcmp(days->bench[place].bench, cup->bench) != 0)
        place++;
    if (place == days->benches) {
        if (days->benches == 32)
            place = 0; /* more benches than a room holds: their days run into one another */
        else
            days->benches++;
        snprintf(days->bench[place].bench, NAME_SIZE, "%s", cup->bench);
        days->bench[place].date[0] = '\0';
    }
    if (strncmp(days->bench[place].date, cup->began_utc, 10) != 0) {
        snprintf(days->bench[place].date, sizeof days->bench[place].date, "%.10s", cup->began_utc);
        days->bench[place].day = days->count++;
    }
    return days->bench[place].day;
}

int together_make(const struct cups *cups, enum measure measure, const char *except, const struct together_pair *pair,
                  int pairs, double confidence, struct together **out, struct why *why)
{
    struct together *made = calloc(1, sizeof *made);
    struct days days = { .count = 0 };
    struct place *room = malloc(sizeof *room);
    int error;

    if (!made || !room) {
        free(made);
        free(room);
        return why_set(why, -ENOMEM, "not enough memory");
    }
    made->confidence = confidence;
    error = find_settings(made, cups, measure, except);
    if (!error)
        error = place_columns(made, pair, pairs);
    if (error)
        error = why_set(why, -ENODATA, "the cups differ in more settings and levels than one model holds");
    else if (!(made->mixed = mixed_new((size_t)made->columns)))
        error = why_set(why, -ENOMEM, "not enough memory");
    for (size_t i = 0; i < cups->count && !error; i++)
        if (counts(&cups->cup[i], measure, except))
            error = add_cup(made, &cups->cup[i], cup_value(&cups->cup[i], measure), day_of(&days, &cups->cup[i]), room);
    if (!error)
        error = mixed_solve(made->mixed, confidence, &made->fit, why);
    free(room);
    if (error)
        together_free(made);
    else
        *out = made;
    return error;
}

void together_free(struct together *together)
{
    if (!together)
        return;
    mixed_free(together->mixed);
    free(together);
}

const struct mixed_fit *together_fit(const struct together *together)
{
    return &together->fit;
}

/* --- asked --- */

static const char *named(const struct together_setting *setting, int settings, const char *name)
{
    for (int i = 0; i < settings; i++)
        if (strcmp(setting[i].name, name) == 0 && setting[i].value[0])
            return setting[i].value;
    return NULL;
}

/* Between two times a pair's curve is drawn through those that were brewed with the other's level. */
static void place_pair(const struct together *together, int pair, const char *const value[2], struct place *out)
{
    for (int numeric = 0; numeric < 2; numeric++) {
        const struct setting *its = &together->setting[together->pair[pair].setting[numeric]];
        const struct setting *other = &together->setting[together->pair[pair].setting[1 - numeric]];
        int level = value[0] && value[1] ? find_level(other, value[1 - numeric]) : -1;
        double share[TOGETHER_LEVELS];
        bool may[TOGETHER_LEVELS];

        for (int i = 0; i < TOGETHER_LEVELS && level >= 0; i++)
            may[i] = numeric ? together->pair[pair].met[level][i] : together->pair[pair].met[i][level];
        if (level < 0 || !shares_of(its, value[numeric], may, share))
            continue;
        memcpy(out->share[together->pair[pair].setting[numeric]], share, sizeof share);
        memset(out->both[pair], 0, sizeof out->both[pair]);
        for (int i = 0; i < its->levels; i++)
            out->both[pair][numeric ? level : i][numeric ? i : level] = share[i];
        return;
    }
}

static bool find_place(const struct together *together, const struct together_setting *setting, int settings,
                       struct place *out)
{
    memset(out, 0, sizeof *out);
    for (int i = 0; i < together->settings; i++) {
        const char *value = named(setting, settings, together->setting[i].name);

        if (!value)
            even_shares(&together->setting[i], out->share[i]);
        else if (!shares_of(&together->setting[i], value, NULL, out->share[i]))
            return false;
    }
    fill_pairs(together, out);
    for (int i = 0; i < together->pairs; i++) {
        const char *value[2];

        for (int j = 0; j < 2; j++)
            value[j] = named(setting, settings, together->setting[together->pair[i].setting[j]].name);
        place_pair(together, i, value, out);
    }
    return true;
}

/* Its row; false: beyond what was brewed, or no memory. */
static bool row_of(const struct together *together, const struct together_setting *setting, int settings, double *row,
                   struct place *place)
{
    if (!find_place(together, setting, settings, place))
        return false;
    fill_row(together, place, row);
    return true;
}

/* Of noisy means the best is too good: what a setting adds beyond the mean of its levels is believed by as much as the
 * levels differ beyond their errors (James and Stein, towards their mean).  What is to be taken off. */
static double too_good(const struct together *together, int setting, const double share[TOGETHER_LEVELS])
{
    const struct setting *its = &together->setting[setting];
    double weight[MIXED_COLUMNS], between = 0, error = 0, taken = 0;
    struct difference found;

    for (int i = 0; i < its->levels && its->levels > 1; i++) {
        memset(weight, 0, sizeof weight);
        for (int j = 0; j < its->levels; j++)
            weight[its->column + j] = (i == j) - 1.0 / its->levels;
        if (mixed_contrast(together->mixed, weight, NULL, together->confidence, &found) < 0)
            return 0; /* one that is judged by its combinations with another */
        between += found.difference * found.difference;
        error += found.standard_error * found.standard_error;
        taken += share[i] * found.difference;
    }
    return between > 0 ? taken * fmin(1, error / between) : 0;
}

int together_expect(const struct together *together, const struct together_setting *setting, int settings,
                    const struct mixed_more *more, double confidence, struct difference *out)
{
    struct place *place = malloc(sizeof *place);
    double row[MIXED_COLUMNS], off = 0;
    int error = -ENODATA;

    if (place && row_of(together, setting, settings, row, place))
        error = mixed_contrast(together->mixed, row, more, confidence, out);
    for (int i = 0; i < together->settings && !error; i++)
        off += too_good(together, i, place->share[i]);
    free(place);
    if (error)
        return error;
    out->difference -= off;
    out->interval.low -= off;
    out->interval.high -= off;
    return 0;
}

int together_differ(const struct together *together, const struct together_setting *one,
                    const struct together_setting *other, int settings, double confidence, struct difference *out)
{
    struct place *place = malloc(sizeof *place);
    double row[MIXED_COLUMNS], less[MIXED_COLUMNS];
    bool both = place && row_of(together, one, settings, row, place) && row_of(together, other, settings, less, place);

    free(place);
    for (int i = 0; i < together->columns && both; i++)
        row[i] -= less[i];
    return both ? mixed_contrast(together->mixed, row, NULL, confidence, out) : -ENODATA;
}

double together_apart(const struct together *together, bool same_day, double confidence)
{
    const struct mixed_fit *fit = &together->fit;
    struct difference apart;

    if (!(fit->df_within > 0) || (!same_day && !(fit->df_between > 0)))
        return NAN;
    mixed_spread(together->mixed, 2, same_day ? 0 : 2, &apart);
    return gsl_cdf_tdist_Pinv((1 + confidence) / 2, apart.df) * apart.standard_error;
}
