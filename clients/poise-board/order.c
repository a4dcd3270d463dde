/* Orders of a page; see order.h. */
#include "order.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "poise/plan.h"
#include "poise/uncertainty.h"

enum field {
    FIELD_STATION = 1,
    FIELD_BREW = 2,
    FIELD_STAGE = 4,
    FIELD_TEXT = 8,
    FIELD_REASON = 16,
    FIELD_TYPED = 32,
    FIELD_GUESS = 64
};
enum { TYPED_MOST = 12 };

static const struct order_kind {
    const char *name, *command, *plan;
    unsigned needs, may;
    const char *done;
    bool undo;
} kinds[] = {
    { "tare", "tare", NULL, FIELD_STATION, 0, "done_tare", false },
    { "begin", "begin", NULL, FIELD_STATION, 0, "done_begin", true },
    { "mark", "mark", NULL, FIELD_STATION | FIELD_STAGE, 0, "done_mark", true },
    { "undo", "undo", NULL, FIELD_STATION, 0, "done_undo", false },
    { "end", "end", NULL, FIELD_STATION | FIELD_BREW, 0, "done_end", false },
    { "discard", "discard", NULL, FIELD_BREW, FIELD_REASON, "done_discard", false },
    { "note", "note", NULL, FIELD_BREW | FIELD_TEXT, 0, "done_note", false },
    { "enter", "enter", NULL, FIELD_BREW | FIELD_TYPED, 0, "done_enter", false },
    { "accept", "enter", NULL, FIELD_STATION | FIELD_BREW | FIELD_GUESS, 0, "done_enter", false },
    { "plan-load", "plan", "load", FIELD_TEXT, 0, "done_plan", false },
    { "plan-skip", "plan", "skip", 0, 0, "done_skip", false },
    { "plan-redo", "plan", "redo", FIELD_BREW, 0, "done_redo", false },
};

static const struct order_kind *find_kind(const char *name)
{
    for (size_t i = 0; name && i < sizeof kinds / sizeof *kinds; i++)
        if (strcmp(kinds[i].name, name) == 0)
            return &kinds[i];
    return NULL;
}

static const char *string_of(const json_t *order, const char *key)
{
    return json_string_value(json_object_get(order, key));
}

static int missing(const char *key, struct why *why)
{
    return why_set(why, -EINVAL, "\"%s\" is missing, or is not what it should be", key);
}

static int add_string(json_t *request, const char *key, const char *value, struct why *why)
{
    return json_object_set_new(request, key, json_string(value)) < 0 ? missing(key, why) : 0;
}

static int add_station(const json_t *order, const struct live *live, json_t *request, struct why *why)
{
    const char *name = string_of(order, "station");

    if (!name || !live_station(live, name))
        return missing("station", why);
    return add_string(request, "station", live_station(live, name)->name, why);
}

static int add_brew(const json_t *order, const struct live *live, const struct order_kind *kind, json_t *request,
                    struct why *why)
{
    const char *brew = string_of(order, "brew"), *place = string_of(order, "station");
    const struct view_station *station = place ? live_station(live, place) : NULL;

    if (!brew || !brew_name_valid(brew))
        return missing("brew", why);
    if (strcmp(kind->command, "end") == 0) { /* the bench ends what runs at the station */
        if (!station || strcmp(station->brew, brew) != 0)
            return why_set(why, -EINVAL, "brew %s is not running any more: nothing was ended", brew);
        return 0;
    }
    return add_string(request, "brew", brew, why);
}

/* A number as it was typed: its last digit is its resolution. */
static int add_typed(const json_t *order, json_t *request, struct why *why)
{
    const char *name = string_of(order, "measure"), *typed = string_of(order, "typed");
    int measure = name ? measure_find(name) : -1;
    char *end = NULL;
    double value = typed && strlen(typed) <= TYPED_MOST && strspn(typed, "0123456789.") == strlen(typed)
                       ? strtod(typed, &end)
                       : (double)NAN;

    if (measure < 0)
        return missing("measure", why);
    if (!end || end == typed || *end || !isfinite(value))
        return why_set(why, -EINVAL, "\"%.*s\" is no number: digits, and one point at most", TYPED_MOST,
                       typed ? typed : "");
    if (json_object_set_new(request, "value", json_real(value)) < 0
        || json_object_set_new(request, "standard_uncertainty", json_real(uncertainty_of_digits(typed))) < 0)
        return missing("typed", why);
    return add_string(request, "measure", measure_name((enum measure)measure), why);
}

/* The guess that the station's question shows. */
static int add_guess(const json_t *order, const struct live *live, json_t *request, struct why *why)
{
    const struct view_station *station = live_station(live, string_of(order, "station"));
    const char *brew = string_of(order, "brew");

    if (!*station->question || station->question_measure < 0 || isnan(station->question_guess)
        || strcmp(station->question_brew, brew) != 0)
        return why_set(why, -EINVAL, "that question is not open any more: nothing was entered");
    if (json_object_set_new(request, "value", json_real(station->question_guess)) < 0
        || (!isnan(station->question_guess_u)
            && json_object_set_new(request, "standard_uncertainty", json_real(station->question_guess_u)) < 0))
        return missing("guess", why);
    return add_string(request, "measure", measure_name((enum measure)station->question_measure), why);
}

static int add_text(const json_t *order, const char *key, size_t most, bool needed, json_t *request, struct why *why)
{
    const char *text = string_of(order, key);

    if (!text || !*text)
        return needed ? why_set(why, -EINVAL, "nothing was written") : 0;
    if (strlen(text) > most)
        return why_set(why, -EINVAL, "too long: %zu bytes at most", most);
    return add_string(request, key, text, why);
}

static int fill(const json_t *order, const struct live *live, const struct order_kind *kind, json_t *request,
                struct why *why)
{
    const char *stage = string_of(order, "stage");
    int error = 0;

    if (kind->needs & FIELD_STATION)
        error = add_station(order, live, request, why);
    if (error == 0 && kind->needs & FIELD_BREW)
        error = add_brew(order, live, kind, request, why);
    if (error == 0 && kind->needs & FIELD_STAGE)
        error = stage && stage_find(stage) >= 0 ? add_string(request, "stage", stage, why) : missing("stage", why);
    if (error == 0 && kind->needs & FIELD_TYPED)
        error = add_typed(order, request, why);
    if (error == 0 && kind->needs & FIELD_GUESS)
        error = add_guess(order, live, request, why);
    if (error == 0 && kind->needs & FIELD_TEXT)
        error = add_text(order, "text", kind->plan ? PLAN_TEXT_MOST : DETAIL_SIZE - 1, true, request, why);
    if (error == 0 && kind->may & FIELD_REASON)
        error = add_text(order, "reason", DETAIL_SIZE - 1, false, request, why);
    return error;
}

int order_read(const char *text, size_t length, const struct live *live, struct order *out, struct why *why)
{
    json_t *order = json_loadb(text, length, JSON_REJECT_DUPLICATES, NULL), *request;
    const struct order_kind *kind = find_kind(string_of(order, "order"));
    int error;

    if (!kind) {
        json_decref(order);
        return why_set(why, -EINVAL, "this is no order that the board takes");
    }
    request = json_pack("{s:s}", "do", kind->command);
    if (request && kind->plan)
        json_object_set_new(request, "plan", json_string(kind->plan));
    error = request ? fill(order, live, kind, request, why) : why_set(why, -ENOMEM, "out of memory");
    json_decref(order);
    if (error < 0) {
        json_decref(request);
        return error;
    }
    out->request = request;
    out->done = kind->done;
    out->undo = kind->undo;
    out->about_plan = kind->plan != NULL;
    return 0;
}
