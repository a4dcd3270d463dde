/* Requests about strength readings: which there are, and which cup's each is. */
#include <errno.h>
#include <inttypes.h>
#include <string.h>

#include "control_parts.h"
#include "stations/strength.h"

static int brew_under(struct request *request, const char *key, struct brew **out, struct why *why)
{
    const char *name;
    int error = control_string(request, key, &name, why);

    *out = NULL;
    if (error || !name)
        return error;
    return control_brew_named(request, name, out, why);
}

static int need_brew(struct request *request, struct brew **out, struct why *why)
{
    int error = brew_under(request, "brew", out, why);

    if (error || *out)
        return error;
    return why_set(why, -EINVAL, "\"brew\" is missing: the cup's name, as pier-20261125-001");
}

static int get_count(struct request *request, const char *key, int64_t *out, struct why *why)
{
    json_t *field = json_object_get(request->json, key);

    *out = 0;
    if (!field || json_is_null(field))
        return 0;
    if (!json_is_integer(field) || json_integer_value(field) < 1)
        return why_set(why, -EINVAL, "\"%s\" is a whole number of 1 or more", key);
    *out = json_integer_value(field);
    return 0;
}

/* The reading that is named: by its "seq", or as the "number"th of a brew; 0: none is. */
static int get_reading(struct request *request, const struct brew *of, uint64_t *out, struct why *why)
{
    int64_t seq, number;
    int error;

    if ((error = get_count(request, "seq", &seq, why)) != 0
        || (error = get_count(request, "number", &number, why)) != 0)
        return error;
    *out = (uint64_t)seq;
    if (!number)
        return 0;
    if (seq)
        return why_set(why, -EINVAL, "a reading is named by \"seq\" or by \"number\", not by both");
    if (!of)
        return why_set(why, -EINVAL, "\"number\" counts the readings of a brew: name it too");
    if (number > of->sample_count)
        return why_set(why, -EINVAL, "%s has %d strength reading%s; it has no number %" PRId64, of->name,
                       of->sample_count, of->sample_count == 1 ? "" : "s", number);
    *out = of->samples[number - 1].seq;
    return 0;
}

int control_strength(struct request *request, struct why *why)
{
    struct brew *brew;
    int error = brew_under(request, "brew", &brew, why);

    if (!error)
        json_object_set_new(request->reply, "readings", strength_list(request->control->stations, brew, request->now));
    if (!error && brew)
        json_object_set_new(request->reply, "budget", strength_budget(brew));
    return error;
}

/* A number that cannot well be a cup's is asked back once, as one that is entered is. */
static int assign(struct request *request, struct brew *brew, uint64_t seq, struct why *why)
{
    struct stations *stations = request->control->stations;
    int error = brew_doubt(stations, brew, MEASURE_STRENGTH_PCT, strength_read(stations, seq), why);

    return error ? error : strength_assign(stations, brew, seq, request->now, why);
}

int control_assign(struct request *request, struct why *why)
{
    struct brew *brew, *from;
    uint64_t seq;
    int error;

    if ((error = need_brew(request, &brew, why)) != 0 || (error = brew_under(request, "from", &from, why)) != 0
        || (error = get_reading(request, from, &seq, why)) != 0)
        return error;
    if (from && !seq)
        return why_set(why, -EINVAL, "which of the readings of %s?  Add \"number\"", from->name);
    control_put_brew(request, brew);
    return assign(request, brew, seq, why);
}

int control_unassign(struct request *request, struct why *why)
{
    struct brew *brew = NULL;
    uint64_t seq;
    int error;

    if (!json_object_get(request->json, "brew") && !json_object_get(request->json, "seq"))
        return why_set(why, -EINVAL, "\"brew\" or \"seq\" is missing: whose reading, or which");
    if ((error = brew_under(request, "brew", &brew, why)) != 0 || (error = get_reading(request, brew, &seq, why)) != 0)
        return error;
    control_put_brew(request, brew ? brew : strength_owner(request->control->stations, seq));
    return strength_unassign(request->control->stations, brew, seq, request->now, why);
}

/* Each order about samples names one brew, most a second one. */
static int need_second(struct request *request, struct brew **out, struct why *why)
{
    int error = brew_under(request, "with", out, why);

    if (error || *out)
        return error;
    return why_set(why, -EINVAL, "\"with\" is missing: the other cup's name");
}

static int sample_swap(struct request *request, struct brew *brew, struct why *why)
{
    struct brew *with;
    int error = need_second(request, &with, why);

    return error ? error : strength_swap(request->control->stations, brew, with, request->now, why);
}

static int sample_merge(struct request *request, struct brew *brew, struct why *why)
{
    struct brew *with;
    int error = need_second(request, &with, why);

    return error ? error : strength_merge(request->control->stations, brew, with, request->now, why);
}

static int sample_shift(struct request *request, struct brew *brew, struct why *why)
{
    return strength_shift(request->control->stations, brew, false, request->now, why);
}

static int sample_shift_back(struct request *request, struct brew *brew, struct why *why)
{
    return strength_shift(request->control->stations, brew, true, request->now, why);
}

static int sample_take(struct request *request, struct brew *brew, struct why *why)
{
    struct brew *from;
    uint64_t seq;
    int error;

    if ((error = brew_under(request, "with", &from, why)) != 0 || (error = get_reading(request, from, &seq, why)) != 0)
        return error;
    if (!seq)
        return why_set(why, -EINVAL, "which reading?  Add \"seq\", or \"with\" and \"number\"");
    return assign(request, brew, seq, why);
}

static const struct {
    const char *name;
    int (*run)(struct request *request, struct brew *brew, struct why *why);
} sample_orders[] = {
    { "swap", sample_swap },   { "shift", sample_shift }, { "shift-back", sample_shift_back },
    { "merge", sample_merge }, { "take", sample_take },
};

/* Whether a cup's samples pass a syringe filter; those of a cup that has all its readings are another's then. */
static int sample_filter(struct request *request, struct brew *brew, const json_t *filtered, struct why *why)
{
    struct stations *stations = request->control->stations;

    if (!json_is_boolean(filtered))
        return why_set(why, -EINVAL, "\"filtered\" is true or false");
    if (!brew)
        return why_set(why, -EINVAL, "\"brew\" is missing: the cup whose sample is filtered or not");
    strength_filter(stations, brew, json_is_true(filtered), request->now);
    return brew->sample_count < stations->replicates ? strength_sample(stations, brew, why) : 0;
}

int control_sample(struct request *request, struct why *why)
{
    const json_t *filtered = json_object_get(request->json, "filtered");
    struct brew *brew;
    const char *how;
    int error;

    if ((error = control_string(request, "how", &how, why)) != 0)
        return error;
    if (how && strcmp(how, "undo") == 0)
        return strength_undo(request->control->stations, request->now, why);
    if ((error = how ? need_brew(request, &brew, why) : brew_under(request, "brew", &brew, why)) != 0)
        return error;
    control_put_brew(request, brew);
    if (!how && filtered)
        return sample_filter(request, brew, filtered, why);
    if (!how)
        return strength_sample(request->control->stations, brew, why);
    for (size_t i = 0; i < sizeof sample_orders / sizeof *sample_orders; i++)
        if (strcmp(sample_orders[i].name, how) == 0)
            return sample_orders[i].run(request, brew, why);
    return why_set(why, -EINVAL, "\"how\" is one of swap, shift, shift-back, merge, take, undo");
}
