/* Scripts: lines that say what hands do, and the drawing of random ones from a seed.  See model.h. */
#include "model.h"

#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* An ordinary bench: what a brew is made of when its line does not say. */
static const struct model_brew ordinary = {
    .cup_g = 341.2,
    .brewer_g = 182.4,
    .plunger_g = 63.1,
    .stand_g = 410,
    .retained_g_per_g = 2.0,
    .extraction_most_pct = 23,
    .extraction_at_once_pct = 6,
    .extraction_per_s = 0.015,
    .water_c = 92,
    .room_c = 22,
    .cooling_per_s = 0.0006,
    .piston_diameter_mm = 60,
};

static const struct {
    const char *key;
    size_t offset;
} brew_keys[] = {
    { "cup", offsetof(struct model_brew, cup_g) },
    { "brewer", offsetof(struct model_brew, brewer_g) },
    { "plunger", offsetof(struct model_brew, plunger_g) },
    { "stand", offsetof(struct model_brew, stand_g) },
    { "ready", offsetof(struct model_brew, ready_g) },
    { "retained", offsetof(struct model_brew, retained_g_per_g) },
    { "most", offsetof(struct model_brew, extraction_most_pct) },
    { "at-once", offsetof(struct model_brew, extraction_at_once_pct) },
    { "per-s", offsetof(struct model_brew, extraction_per_s) },
    { "water-c", offsetof(struct model_brew, water_c) },
    { "room-c", offsetof(struct model_brew, room_c) },
    { "cooling", offsetof(struct model_brew, cooling_per_s) },
    { "evaporation", offsetof(struct model_brew, evaporation_g_per_s) },
    { "drip", offsetof(struct model_brew, drip_g_per_s) },
    { "piston", offsetof(struct model_brew, piston_diameter_mm) },
};

static const char *const thing_names[MODEL_THINGS] = { "cup", "brewer", "plunger", "stand" };

/* How each verb reads its numbers: an amount, a time, both; and how long it takes when not said. */
static const struct {
    const char *verb;
    enum model_action_kind kind;
    bool amount, time_only;
    double usual_s;
} verbs[] = {
    { "brew", MODEL_DO_BREW, false, false, 0 },       { "wait", MODEL_DO_WAIT, false, true, 1 },
    { "put", MODEL_DO_PUT, false, false, 0.4 },       { "lift", MODEL_DO_LIFT, false, false, 0.4 },
    { "coffee", MODEL_DO_COFFEE, true, false, 4 },    { "bloom", MODEL_DO_BLOOM, true, false, 5 },
    { "pour", MODEL_DO_POUR, true, false, 20 },       { "stir", MODEL_DO_STIR, false, true, 8 },
    { "swirl", MODEL_DO_SWIRL, false, true, 5 },      { "press", MODEL_DO_PRESS, true, false, 25 },
    { "turn", MODEL_DO_TURN, false, true, 2 },        { "tare", MODEL_DO_TARE, false, false, 0 },
    { "knock", MODEL_DO_KNOCK, true, false, 0 },      { "lean", MODEL_DO_LEAN, true, false, 2 },
    { "draught", MODEL_DO_DRAUGHT, true, false, 5 },  { "drift", MODEL_DO_DRIFT, true, false, 60 },
    { "abandon", MODEL_DO_ABANDON, false, false, 0 },
};
enum { VERBS = sizeof verbs / sizeof *verbs };

static int refuse(char *why, const char *format, ...) __attribute__((format(printf, 2, 3)));
static int refuse(char *why, const char *format, ...)
{
    va_list arguments;

    va_start(arguments, format);
    vsnprintf(why, MODEL_SENTENCE, format, arguments);
    va_end(arguments);
    return -1;
}

static bool number(const char *word, double *out)
{
    char *end;
    double value = strtod(word, &end);

    if (end == word || *end || !isfinite(value))
        return false;
    *out = value;
    return true;
}

static int read_brew(struct model_brew *brew, char *rest, char *why)
{
    char *save = NULL;

    *brew = ordinary;
    for (char *key = strtok_r(rest, " \t", &save); key; key = strtok_r(NULL, " \t", &save)) {
        char *word = strtok_r(NULL, " \t", &save);
        double value;
        size_t i;

        for (i = 0; i < sizeof brew_keys / sizeof *brew_keys; i++)
            if (strcmp(brew_keys[i].key, key) == 0)
                break;
        if (i == sizeof brew_keys / sizeof *brew_keys)
            return refuse(why, "a brew has no '%.40s'", key);
        if (!word || !number(word, &value) || value < 0)
            return refuse(why, "'%.40s' of a brew needs a number that is not negative", key);
        *(double *)((char *)brew + brew_keys[i].offset) = value;
    }
    return 0;
}

static int thing_of(const char *word)
{
    if (strcmp(word, "all") == 0)
        return (1 << MODEL_THINGS) - 1;
    for (int thing = 0; thing < MODEL_THINGS; thing++)
        if (strcmp(thing_names[thing], word) == 0)
            return 1 << thing;
    return 0;
}

static int read_action(struct model_action *action, int verb, char *rest, char *why)
{
    char *save = NULL;
    int numbers = 0;

    for (char *word = strtok_r(rest, " \t", &save); word; word = strtok_r(NULL, " \t", &save)) {
        double value;

        if (strcmp(word, "share") == 0) {
            word = strtok_r(NULL, " \t", &save);
            if (!word || !number(word, &action->share) || action->share < 0 || action->share > 1)
                return refuse(why, "'share' needs a number from 0 to 1");
        } else if (strcmp(word, "second") == 0) {
            action->scale = 1;
        } else if (number(word, &value)) {
            bool is_time = !verbs[verb].amount || numbers == 1;

            if (numbers++ >= 1 + verbs[verb].amount || (is_time && value < 0))
                return refuse(why, "'%s' does not understand the number %.40s", verbs[verb].verb, word);
            *(is_time ? &action->duration_s : &action->amount_g) = value;
        } else if (thing_of(word)) {
            action->things |= thing_of(word);
        } else if (strcmp(word, "g") && strcmp(word, "s") && strcmp(word, "in") && strcmp(word, "for")
                   && strcmp(word, "of") && strcmp(word, "on") && strcmp(word, "and")) {
            return refuse(why, "'%s' does not understand '%.40s'", verbs[verb].verb, word);
        }
    }
    if (verbs[verb].amount && !numbers)
        return refuse(why, "'%s' needs an amount in g", verbs[verb].verb);
    if (!action->things && (action->kind == MODEL_DO_PUT || action->kind == MODEL_DO_LIFT))
        return refuse(why, "'%s' needs to know what: cup, brewer, plunger, stand or all", verbs[verb].verb);
    return 0;
}

int model_script_do(struct model_script *script, const char *line, char why[MODEL_SENTENCE])
{
    struct model_action action = { .share = 1 };
    char copy[512], *verb, *rest = NULL;
    int i;

    if (script->action_count >= MODEL_ACTIONS)
        return refuse(why, "a script has at most %d lines", MODEL_ACTIONS);
    if (snprintf(copy, sizeof copy, "%s", line) >= (int)sizeof copy)
        return refuse(why, "the line is longer than %zu characters", sizeof copy - 1);
    verb = strtok_r(copy, " \t", &rest);
    for (i = 0; verb && i < VERBS; i++)
        if (strcmp(verbs[i].verb, verb) == 0)
            break;
    if (!verb || i == VERBS)
        return refuse(why, "'%.40s' is nothing that hands can do here", verb ? verb : "");
    action.kind = verbs[i].kind;
    action.duration_s = verbs[i].usual_s;
    if (action.kind == MODEL_DO_BREW) {
        struct model_brew brew;

        if (script->brew_count >= MODEL_BREWS)
            return refuse(why, "a script has at most %d brews", MODEL_BREWS);
        if (read_brew(&brew, rest, why) < 0)
            return -1;
        script->brew[script->brew_count++] = brew;
    } else {
        if (read_action(&action, i, rest, why) < 0)
            return -1;
        if (!script->brew_count)
            return refuse(why, "a script begins with 'brew'");
    }
    script->action[script->action_count++] = action;
    return 0;
}

bool model_script_line(const struct model_script *script, int index, char *out, size_t size)
{
    const struct model_action *action = &script->action[index];
    int brew = 0, verb = 0, length;

    if (index >= script->action_count)
        return false;
    while (verbs[verb].kind != action->kind)
        verb++;
    length = snprintf(out, size, "%s", verbs[verb].verb);
    if (action->kind == MODEL_DO_BREW) {
        for (int i = 0; i < index; i++)
            brew += script->action[i].kind == MODEL_DO_BREW;
        for (size_t i = 0; i < sizeof brew_keys / sizeof *brew_keys; i++)
            if ((size_t)length < size)
                length += snprintf(out + length, size - (size_t)length, " %s %.8g", brew_keys[i].key,
                                   *(const double *)((const char *)&script->brew[brew] + brew_keys[i].offset));
        return true;
    }
    for (int thing = 0; thing < MODEL_THINGS; thing++)
        if (action->things & 1 << thing && (size_t)length < size)
            length += snprintf(out + length, size - (size_t)length, " %s", thing_names[thing]);
    if (verbs[verb].amount && (size_t)length < size)
        length += snprintf(out + length, size - (size_t)length, " %.8g g", action->amount_g);
    if (verbs[verb].usual_s > 0 && (size_t)length < size)
        length += snprintf(out + length, size - (size_t)length, "%s %.8g s", verbs[verb].time_only ? "" : " in",
                           action->duration_s);
    if (action->kind == MODEL_DO_PRESS && (size_t)length < size)
        length += snprintf(out + length, size - (size_t)length, " share %.8g", action->share);
    if (action->scale == 1 && (size_t)length < size)
        snprintf(out + length, size - (size_t)length, " on second");
    return true;
}
