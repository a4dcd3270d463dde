/* Reading a plan file: every mistake is reported with its line.  What a plan means is in plan.c. */
#include "poise/plan.h"

#include <errno.h>
#include <ini.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum {
    LINE_BYTES = 198, /* inih reads lines into 200 bytes, and would cut a longer one in two */
    REPLICATES_MOST = 50
};

enum experiment_key {
    KEY_NAME,
    KEY_TITLE,
    KEY_REPLICATES,
    KEY_ORDER,
    KEY_SEED,
    KEY_DIFFERENCE,
    KEY_SPREAD,
    KEY_CONTROL,
    KEY_COUNT
};

static const char *const key_names[KEY_COUNT] = {
    "name", "title", "replicates", "order", "seed", "difference", "spread", "control",
};

struct reader {
    const char *at, *end;
    int line;
    struct plan plan;
    struct plan_mistakes *mistakes;
    bool seen_experiment, seen_vary; /* the latter may be empty */
    int key_line[KEY_COUNT];         /* of [experiment]; 0: not seen */
    int vary_line;                   /* the last of [vary] */
};

static void mistake(struct reader *reader, int line, const char *format, ...) __attribute__((format(printf, 3, 4)));

static void mistake(struct reader *reader, int line, const char *format, ...)
{
    struct plan_mistakes *mistakes = reader->mistakes;
    va_list arguments;

    if (mistakes->count++ >= PLAN_MISTAKES)
        return;
    mistakes->mistake[mistakes->count - 1].line = line;
    va_start(arguments, format);
    vsnprintf(mistakes->mistake[mistakes->count - 1].text, sizeof mistakes->mistake[0].text, format, arguments);
    va_end(arguments);
}

/* ---- values ---- */

static char *trim(char *text)
{
    char *end;

    text += strspn(text, " \t");
    end = text + strlen(text);
    while (end > text && (end[-1] == ' ' || end[-1] == '\t'))
        *--end = '\0';
    return text;
}

/* The unit a name ends with: "_g" is in g.  NULL: none. */
static const char *unit_of(const char *name)
{
    static const char *const units[][2] = {
        { "_kpa", "kPa" }, { "_pct", "%" }, { "_g", "g" }, { "_s", "s" }, { "_c", "C" },
    };
    size_t length = strlen(name);

    for (size_t i = 0; i < sizeof units / sizeof *units; i++) {
        size_t suffix = strlen(units[i][0]);

        if (length > suffix && strcmp(name + length - suffix, units[i][0]) == 0)
            return units[i][1];
    }
    return NULL;
}

/* Digits with a point, whatever the locale; the number's end in *end. */
static double number_at(const char *text, const char **end)
{
    const char *at = text + (*text == '-' || *text == '+');
    char copy[40];
    struct decimal value;
    size_t length;

    while ((*at >= '0' && *at <= '9') || *at == '.')
        at++;
    length = (size_t)(at - text);
    *end = text;
    if (length == 0 || length >= sizeof copy || decimal_parse(text, length, &value) != 0)
        return NAN;
    *end = at;
    return decimal_to_double(value);
}

/* "15.0", "15.0 g"; a number with some other unit is a mistake, anything else a word. */
static int read_value(struct reader *reader, const char *name, char *text, struct plan_value *out)
{
    const char *unit = unit_of(name), *rest;
    struct plan_value value = { .number = NAN };

    text = trim(text);
    if (!*text) {
        mistake(reader, reader->line, "%s has an empty level; take a comma away or write a value", name);
        return -EINVAL;
    }
    if (strlen(text) >= sizeof value.word) {
        mistake(reader, reader->line, "a value of %s is longer than %zu characters", name, sizeof value.word - 1);
        return -EINVAL;
    }
    value.number = number_at(text, &rest);
    rest += strspn(rest, " \t");
    if (!isnan(value.number) && *rest) {
        if (unit && strcmp(rest, unit) != 0) {
            mistake(reader, reader->line, "%s is in %s, not \"%.20s\"", name, unit, rest);
            return -EINVAL;
        }
        if (!unit)
            value.number = NAN; /* "18 clicks" is a word */
    }
    if (isnan(value.number) && unit) {
        mistake(reader, reader->line, "%s is a number in %s, not \"%.40s\"", name, unit, text);
        return -EINVAL;
    }
    snprintf(value.word, sizeof value.word, "%s", text);
    *out = value;
    return 0;
}

/* Cuts "+- 0.1" (or the sign) off the end of text.  The tolerance, NAN: there is none. */
static int read_tolerance(struct reader *reader, const char *name, char *text, double *out)
{
    char *sign = strstr(text, "+-");
    size_t sign_length = 2;
    struct plan_value value;

    *out = NAN;
    if (!sign && (sign = strstr(text, "\xc2\xb1")))
        sign_length = 2;
    if (!sign)
        return 0;
    *sign = '\0';
    if (!unit_of(name)) {
        mistake(reader, reader->line, "%s has no unit and is not measured, so a tolerance means nothing for it", name);
        return -EINVAL;
    }
    if (read_value(reader, name, sign + sign_length, &value) != 0)
        return -EINVAL;
    if (!(value.number >= 0)) {
        mistake(reader, reader->line, "the tolerance of %s is not negative", name);
        return -EINVAL;
    }
    *out = value.number;
    return 0;
}

static void check_range(struct reader *reader, const struct plan_factor *factor)
{
    for (int i = 0; factor->measure >= 0 && i < factor->levels; i++)
        if (!(factor->level[i].number >= measure_least((enum measure)factor->measure)
              && factor->level[i].number <= measure_most((enum measure)factor->measure)))
            mistake(reader, reader->line, "%s of %s is out of range: it must be %g to %g", factor->name,
                    factor->level[i].word, measure_least((enum measure)factor->measure),
                    measure_most((enum measure)factor->measure));
}

/* A tolerance beyond the mass itself was meant in another unit. */
static void check_tolerance(struct reader *reader, const struct plan_factor *factor)
{
    const char *unit = unit_of(factor->name);

    for (int i = 0; unit && strcmp(unit, "g") == 0 && i < factor->levels; i++)
        if (factor->level[i].number > 0 && factor->tolerance > factor->level[i].number) {
            mistake(reader, reader->line, "the tolerance of %s is in g, and %g is more than the %s itself",
                    factor->name, factor->tolerance, factor->level[i].word);
            return;
        }
}

static void check_repeats(struct reader *reader, const struct plan_factor *factor)
{
    bool words = isnan(factor->level[0].number);

    for (int i = 1; i < factor->levels; i++) {
        if (isnan(factor->level[i].number) != words) {
            mistake(reader, reader->line, "the levels of %s are numbers or words, not both", factor->name);
            return;
        }
        for (int j = 0; j < i; j++)
            if (words ? strcmp(factor->level[i].word, factor->level[j].word) == 0
                      : factor->level[i].number == factor->level[j].number) {
                mistake(reader, reader->line, "%s has the level %s twice; `replicates` repeats all of them",
                        factor->name, factor->level[i].word);
                return;
            }
    }
}

static bool name_taken(const struct reader *reader, const char *name)
{
    for (int i = 0; i < reader->plan.factors; i++)
        if (strcmp(reader->plan.vary[i].name, name) == 0)
            return true;
    for (int i = 0; i < reader->plan.held; i++)
        if (strcmp(reader->plan.hold[i].name, name) == 0)
            return true;
    return false;
}

static int begin_factor(struct reader *reader, const char *name, struct plan_factor *factor)
{
    memset(factor, 0, sizeof *factor);
    factor->measure = measure_find(name);
    factor->line = reader->line;
    if (factor->measure >= 0 && !plan_setting_find(name)) {
        mistake(reader, reader->line, "%s is what comes out of a brew, it cannot be set beforehand", name);
        return -EINVAL;
    }
    if (strlen(name) >= sizeof factor->name || !plan_setting_known(name)) {
        const char *near = plan_setting_near(name);

        mistake(
            reader, reader->line,
            "\"%.40s\" is not known%s%s; `poise-ctl plan settings` lists all names, and one of your own begins with "
            "own_",
            name, near ? "; perhaps it is " : "", near ? near : "");
        return -EINVAL;
    }
    if (name_taken(reader, name)) {
        mistake(reader, reader->line, "%s is in the plan twice", name);
        return -EINVAL;
    }
    strcpy(factor->name, name);
    return 0;
}

static void take_vary(struct reader *reader, const char *name, char *value)
{
    struct plan_factor factor;

    if (begin_factor(reader, name, &factor) != 0 || read_tolerance(reader, name, value, &factor.tolerance) != 0)
        return;
    if (!*trim(value)) {
        mistake(reader, reader->line, "%s has no levels; write them with commas between", name);
        return;
    }
    for (char *next = value; next;) {
        char *text = strsep(&next, ",");

        if (factor.levels == PLAN_LEVELS) {
            mistake(reader, reader->line, "%s has more than %d levels", name, PLAN_LEVELS);
            return;
        }
        if (read_value(reader, name, text, &factor.level[factor.levels++]) != 0)
            return;
    }
    reader->vary_line = reader->line;
    check_range(reader, &factor);
    check_tolerance(reader, &factor);
    check_repeats(reader, &factor);
    if (factor.levels < 2)
        mistake(reader, reader->line, "%s has one level only: nothing is varied; it belongs into [hold]", name);
    if (reader->plan.factors == PLAN_FACTORS) {
        mistake(reader, reader->line, "%s is a third factor; vary one or two and hold the rest", name);
        return;
    }
    reader->plan.vary[reader->plan.factors++] = factor;
}

static void take_hold(struct reader *reader, const char *name, char *value)
{
    struct plan_factor factor;

    if (begin_factor(reader, name, &factor) != 0 || read_tolerance(reader, name, value, &factor.tolerance) != 0
        || read_value(reader, name, value, &factor.level[0]) != 0)
        return;
    factor.levels = 1;
    check_range(reader, &factor);
    check_tolerance(reader, &factor);
    if (reader->plan.held == PLAN_HELD) {
        mistake(reader, reader->line, "more than %d things are held", PLAN_HELD);
        return;
    }
    reader->plan.hold[reader->plan.held++] = factor;
}

static double whole_number(const char *value, double least, double most)
{
    const char *end;
    double number = number_at(value, &end);

    return !*end && number >= least && number <= most && floor(number) == number ? number : NAN;
}

static void take_points(struct reader *reader, const char *key, const char *value, double *out)
{
    const char *end;
    double number = number_at(value, &end);

    if (*end || !(number > 0) || number > 100)
        mistake(reader, reader->line, "%s is a number of percentage points above 0", key);
    else
        *out = number;
}

static enum experiment_key find_key(const char *key)
{
    int i = 0;

    while (i < KEY_COUNT && strcmp(key, key_names[i]) != 0)
        i++;
    return (enum experiment_key)i;
}

static void take_experiment(struct reader *reader, const char *key, const char *value)
{
    struct plan *plan = &reader->plan;
    enum experiment_key found = find_key(key);
    double number;

    reader->seen_experiment = true;
    if (found < KEY_COUNT && reader->key_line[found] > 0) {
        mistake(reader, reader->line, "%s is set in line %d already", key, reader->key_line[found]);
        return;
    }
    if (found < KEY_COUNT)
        reader->key_line[found] = reader->line;
    switch (found) {
    case KEY_NAME:
        if (!name_valid(value))
            mistake(reader, reader->line, "name has 1 to 32 characters of a-z 0-9 -");
        else
            strcpy(plan->name, value);
        break;
    case KEY_TITLE:
        if (strlen(value) >= sizeof plan->title)
            mistake(reader, reader->line, "title has at most %zu bytes", sizeof plan->title - 1);
        else
            strcpy(plan->title, value);
        break;
    case KEY_REPLICATES:
        if (isnan(number = whole_number(value, 1, REPLICATES_MOST)))
            mistake(reader, reader->line, "replicates is a whole number from 1 to %d", REPLICATES_MOST);
        else
            plan->replicates = (int)number;
        break;
    case KEY_ORDER:
        plan->random = strcmp(value, "random") == 0;
        if (!plan->random && strcmp(value, "listed") != 0)
            mistake(reader, reader->line, "order is random or listed");
        break;
    case KEY_SEED:
        plan->seed_given = !isnan(number = whole_number(value, 0, UINT32_MAX));
        plan->seed = plan->seed_given ? (uint32_t)number : 0;
        if (!plan->seed_given)
            mistake(reader, reader->line, "seed is a whole number from 0 to %u", UINT32_MAX);
        break;
    case KEY_DIFFERENCE:
        take_points(reader, key, value, &plan->difference);
        break;
    case KEY_SPREAD:
        take_points(reader, key, value, &plan->spread);
        break;
    case KEY_CONTROL:
        plan->control = strcmp(value, "yes") == 0;
        if (!plan->control && strcmp(value, "no") != 0)
            mistake(reader, reader->line, "control is yes or no");
        break;
    case KEY_COUNT:
        mistake(reader, reader->line,
                "[experiment] has no \"%.40s\"; it knows name, title, replicates, order, seed, "
                "difference, spread, control",
                key);
    }
}

/* ---- the file ---- */

static int take_key(void *context, const char *section, const char *key, const char *value)
{
    struct reader *reader = context;
    char copy[LINE_BYTES + 2];

    snprintf(copy, sizeof copy, "%s", value ? value : "");
    if (strcmp(section, "experiment") == 0)
        take_experiment(reader, key, copy);
    else if (strcmp(section, "vary") == 0)
        take_vary(reader, key, copy);
    else if (strcmp(section, "hold") == 0)
        take_hold(reader, key, copy);
    else
        mistake(reader, reader->line, "there is no section [%.40s]; there are [experiment], [vary], [hold]", section);
    return 1;
}

/* Hands inih one line; a line it could not make sense of is reported here, where its number is known. */
static char *next_line(char *out, int size, void *context)
{
    struct reader *reader = context;
    const char *end = memchr(reader->at, '\n', (size_t)(reader->end - reader->at));
    size_t length = (size_t)((end ? end : reader->end) - reader->at);
    const char *first;

    if (reader->at == reader->end)
        return NULL;
    reader->line++;
    if (length >= (size_t)size - 1 || length > LINE_BYTES) {
        mistake(reader, reader->line, "the line is longer than %d bytes", LINE_BYTES);
        length = 0;
    }
    memcpy(out, reader->at, length);
    out[length] = '\0';
    reader->at = end ? end + 1 : reader->end;
    if (length && out[length - 1] == '\r')
        out[length - 1] = '\0';
    first = out + strspn(out, " \t");
    reader->seen_vary = reader->seen_vary || strncmp(first, "[vary]", 6) == 0;
    if (strlen(out) != length && !(length && strlen(out) == length - 1)) {
        mistake(reader, reader->line, "the line has a NUL in it: this is no text");
        *out = '\0';
    } else if (*first && *first != ';' && *first != '#' && *first != '[' && !strchr(first, '=')) {
        mistake(reader, reader->line, "\"%.40s\" is no setting; write name = value", first);
        *out = '\0';
    } else if (*first == '[' && !strchr(first, ']')) {
        mistake(reader, reader->line, "a section's name ends with ]");
        *out = '\0';
    } else if (first != out && *first && *first != ';' && *first != '#') {
        memmove(out, first, strlen(first) + 1); /* inih would join it to the line before */
    }
    return out;
}

static bool is_utf8(const char *text, size_t length)
{
    json_t *string = json_stringn(text, length);
    bool valid = string != NULL;

    json_decref(string);
    return valid;
}

static void check_whole(struct reader *reader)
{
    struct plan *plan = &reader->plan;
    double runs = plan->replicates;

    for (int i = 0; i < plan->factors; i++)
        runs *= plan->vary[i].levels;
    if (!reader->seen_experiment)
        mistake(reader, 0, "there is no [experiment] with a name");
    else if (!plan->name[0] && reader->mistakes->count == 0)
        mistake(reader, 0, "[experiment] has no name");
    if (plan->factors == 0 && reader->mistakes->count == 0 && (reader->seen_vary || plan->held == 0))
        mistake(reader, 0,
                "[vary] names nothing; write at least one factor with two levels, or leave [vary] out and "
                "hold all");
    if (!isnan(plan->difference) && plan->factors == 0 && plan->held > 0 && reader->mistakes->count == 0)
        mistake(reader, reader->key_line[KEY_DIFFERENCE],
                "nothing is varied, so there is no difference to show: leave difference out");
    if (runs > PLAN_RUNS)
        mistake(reader, reader->key_line[KEY_REPLICATES] ? reader->key_line[KEY_REPLICATES] : reader->vary_line,
                "that is %.0f cups; %d are the most", runs, PLAN_RUNS);
    if (!isnan(plan->difference) && plan->replicates == 1 && reader->mistakes->count == 0)
        mistake(reader, reader->key_line[KEY_DIFFERENCE],
                "one cup per level shows no spread, so it cannot show a "
                "difference: set replicates to 2 or more, or leave difference out");
}

int plan_read(struct plan *out, const char *text, size_t length, struct plan_mistakes *mistakes, struct why *why)
{
    struct reader reader = { .at = text, .end = text + length, .mistakes = mistakes };
    int line = 0;

    if (length >= 3 && memcmp(text, "\xef\xbb\xbf", 3) == 0)
        reader.at += 3; /* a byte order mark, as some editors write it */
    mistakes->count = 0;
    reader.plan.replicates = 1;
    reader.plan.random = true;
    reader.plan.difference = reader.plan.spread = NAN;
    if (length > PLAN_TEXT_MOST)
        mistake(&reader, 0, "a plan has at most %d bytes, this has more", PLAN_TEXT_MOST);
    else if (!is_utf8(text, length))
        mistake(&reader, 0, "this is not UTF-8 text");
    if (mistakes->count == 0 && (line = ini_parse_stream(next_line, &reader, take_key, &reader)) > 0
        && mistakes->count == 0)
        mistake(&reader, line, "this line is not understood; write name = value");
    if (mistakes->count == 0 || reader.line > 0) /* else none of it was read */
        check_whole(&reader);
    if (mistakes->count == 0) {
        *out = reader.plan;
        return 0;
    }
    if (mistakes->mistake[0].line)
        return why_set(why, -EINVAL, "line %d: %s", mistakes->mistake[0].line, mistakes->mistake[0].text);
    return why_set(why, -EINVAL, "%s", mistakes->mistake[0].text);
}
