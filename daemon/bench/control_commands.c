/* What each request does; see control.h.  Reading and answering them is in control.c. */
#include <assert.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "control_parts.h"
#include "stations/mark.h"
#include "stations/source.h"
#include "poise/text.h"

/* An operator may say that something happened a while ago, not in another age. */
static const double AGO_MOST_S = 3600;

enum { NAMES_SIZE = 400 }; /* all stages, or all measures, in one sentence */

/* ---- fields ---- */

int control_string(struct request *request, const char *key, const char **out, struct why *why)
{
    json_t *field = json_object_get(request->json, key);

    *out = NULL;
    if (!field || json_is_null(field))
        return 0;
    if (!json_is_string(field) || strlen(json_string_value(field)) != json_string_length(field))
        return why_set(why, -EINVAL, "\"%s\" is a text", key);
    *out = json_string_value(field);
    return 0;
}

static int get_number(struct request *request, const char *key, double *out, struct why *why)
{
    json_t *field = json_object_get(request->json, key);

    *out = NAN;
    if (!field || json_is_null(field))
        return 0;
    if (!json_is_number(field))
        return why_set(why, -EINVAL, "\"%s\" is a number", key);
    *out = json_number_value(field);
    return 0;
}

/* The stations' names, for sentences. */
static const char *names_of_stations(const struct stations *stations, char *out, size_t size)
{
    size_t length = 0;

    out[0] = '\0';
    for (int i = 0; i < stations->count && length + NAME_SIZE + 2 < size; i++)
        length += (size_t)snprintf(out + length, size - length, "%s%s", i ? ", " : "", stations->all[i].config.name);
    return out;
}

int control_station(struct request *request, int *out, struct why *why)
{
    const struct stations *stations = request->control->stations;
    const char *name;
    char names[200];
    int error = control_string(request, "station", &name, why);

    if (error)
        return error;
    if (!name && stations->count == 1) {
        *out = 0;
        return 0;
    }
    if (!name)
        return why_set(why, -EINVAL, "there are several stations: add \"station\", one of %s",
                       names_of_stations(stations, names, sizeof names));
    if ((*out = station_find(stations, name)) < 0)
        return why_set(why, -EINVAL, "there is no station \"%.40s\"; there is %s", name,
                       names_of_stations(stations, names, sizeof names));
    return 0;
}

/* A brew by its name, or by an ending that no other has. */
int control_brew_named(struct request *request, const char *name, struct brew **out, struct why *why)
{
    const struct brews *brews = &request->control->stations->brews;
    const struct brew *newest = brews_newest(brews, NULL);
    struct brew *found = brews_find(brews, name), *other = NULL;

    for (int i = 0; i < brews->count && !found; i++)
        if (brew_name_ends(brews->all[i]->name, name))
            for (found = brews->all[i++]; i < brews->count && !other; i++)
                other = brew_name_ends(brews->all[i]->name, name) ? brews->all[i] : NULL;
    if (other)
        return why_set(why, -EINVAL, "%s and %s both end in \"%.60s\": name more of the one you mean", found->name,
                       other->name, name);
    if (!found)
        return why_set(why, -EINVAL, "there is no brew \"%.60s\" among the last %d; %s%s", name, BREWS_KEPT,
                       newest ? "the newest is " : "there is none yet", newest ? newest->name : "");
    *out = found;
    return 0;
}

/* The brew that is meant: named; else the running or newest one of the station named; else the only
 * running one; else the newest of all. */
int control_brew(struct request *request, struct brew **out, struct why *why)
{
    struct stations *stations = request->control->stations;
    struct brew *newest = brews_newest(&stations->brews, NULL);
    struct brew *running = NULL;
    const char *name;
    int station, error;

    if ((error = control_string(request, "brew", &name, why)) != 0)
        return error;
    if (name)
        return control_brew_named(request, name, out, why);
    if (json_object_get(request->json, "station")) {
        if ((error = control_station(request, &station, why)) != 0)
            return error;
        *out = brews_newest(&stations->brews, stations->all[station].config.name);
        return *out ? 0 : why_set(why, -EINVAL, "station %s has had no brew yet", stations->all[station].config.name);
    }
    for (int i = 0; i < stations->count; i++) {
        struct brew *brew = station_running(stations, i);

        if (brew && running)
            return why_set(why, -EINVAL, "%s and %s are both running: add \"brew\" or \"station\"", running->name,
                           brew->name);
        if (brew)
            running = brew;
    }
    *out = running ? running : newest;
    return *out ? 0 : why_set(why, -EINVAL, "there has been no brew yet; \"begin\" begins one");
}

/* When it happened: "at_us", "ago_s", or now. */
static int get_time(struct request *request, int64_t *out, struct why *why)
{
    json_t *at = json_object_get(request->json, "at_us");
    double ago_s;
    int error = get_number(request, "ago_s", &ago_s, why);

    if (error)
        return error;
    *out = request->now.mono_us;
    if (at && !json_is_integer(at))
        return why_set(why, -EINVAL, "\"at_us\" is a whole number of microseconds on the clock of mono_us");
    if (at)
        *out = json_integer_value(at);
    else if (!isnan(ago_s) && ago_s >= 0 && ago_s <= AGO_MOST_S)
        *out -= (int64_t)(ago_s * 1e6);
    else if (!isnan(ago_s))
        return why_set(why, -EINVAL, "\"ago_s\" must be 0 to %g seconds", AGO_MOST_S);
    if (*out > request->now.mono_us || *out < request->now.mono_us - (int64_t)(AGO_MOST_S * 1e6))
        return why_set(why, -EINVAL, "that is not within the last %g seconds", AGO_MOST_S);
    return 0;
}

static void add_name(char *names, size_t size, const char *name)
{
    size_t length = strlen(names);

    snprintf(names + length, size - length, "%s%s", length ? ", " : "", name);
}

static int no_stage(struct why *why)
{
    char names[NAMES_SIZE] = "";

    for (int stage = 0; stage < STAGE_COUNT; stage++)
        add_name(names, sizeof names, stage_name((enum stage)stage));
    return why_set(why, -EINVAL, "\"stage\" is one of %s", names);
}

static int no_measure(struct why *why)
{
    char names[NAMES_SIZE] = "";

    for (int measure = 0; measure < MEASURE_COUNT; measure++)
        if (!measure_derived((enum measure)measure))
            add_name(names, sizeof names, measure_name((enum measure)measure));
    return why_set(why, -EINVAL, "\"measure\" is one of %s", names);
}

void control_put_brew(struct request *request, const struct brew *brew)
{
    if (brew)
        json_object_set_new(request->reply, "brew", json_string(brew->name));
}

/* ---- commands ---- */

/* The text is the request's from now on. */
static int put_text(struct request *request, const char *key, char *text, struct why *why)
{
    if (!text)
        return why_set(why, -ENOMEM, "out of memory");
    assert(request->raw_count < (int)(sizeof request->raw / sizeof *request->raw));
    request->raw[request->raw_count++] = (struct raw){ key, text };
    return 0;
}

static int do_status(struct request *request, struct why *why)
{
    return put_text(request, "state", request->control->state(request->control->context), why);
}

static int do_health(struct request *request, struct why *why)
{
    return put_text(request, "health", request->control->health(request->control->context), why);
}

static int do_instruments(struct request *request, struct why *why)
{
    const struct control *control = request->control;
    struct text plugged = { 0 };
    int error;

    control->plugged(control->config, &plugged);
    if ((error = put_text(request, "plugged", text_taken(&plugged), why)) != 0)
        return error;
    json_object_set_new(request->reply, "mono_us", json_integer(request->now.mono_us));
    return put_text(request, "instruments", control->instruments(control->context), why);
}

/* The instrument an order goes to: named, or the scale of the station. */
static int get_instrument(struct request *request, int *out, struct why *why)
{
    const struct config *config = request->control->config;
    const char *name;
    int station = -1;
    int error = control_string(request, "instrument", &name, why);

    if (error)
        return error;
    if (!name && (error = control_station(request, &station, why)) != 0)
        return error;
    for (int i = 0; i < config->instrument_count; i++) {
        const struct instrument_config *instrument = &config->instruments[i];

        if (name ? strcmp(instrument->name, name) == 0
                 : instrument->quantity == QUANTITY_MASS && !instrument->weighs_cup
                       && strcmp(instrument->station, config->stations[station].name) == 0) {
            *out = i;
            return 0;
        }
    }
    if (name)
        return why_set(why, -EINVAL, "there is no instrument \"%.40s\"", name);
    return why_set(why, -EINVAL, "station %s has no scale", config->stations[station].name);
}

static int give_order(struct request *request, enum order order, struct why *why)
{
    const struct control *control = request->control;
    const struct bench_hands *hands = control->hands;
    int instrument = -1; /* set by get_instrument */
    int error = get_instrument(request, &instrument, why);

    if (error || (error = hands->order(hands->context, instrument, order, why)) != 0)
        return error;
    control->ordered(control->context, instrument, order == ORDER_TARE ? "to tare" : "to show zero");
    json_object_set_new(request->reply, "instrument", json_string(control->config->instruments[instrument].name));
    return 0;
}

static int do_tare(struct request *request, struct why *why)
{
    return give_order(request, ORDER_TARE, why);
}

static int do_zero(struct request *request, struct why *why)
{
    return give_order(request, ORDER_ZERO, why);
}

/* What is marked: a brew that is over, by its name or because it was brewed then; else what runs on a station. */
static int get_marked(struct request *request, int64_t at_us, struct brew **brew, int *station, struct why *why)
{
    struct stations *stations = request->control->stations;
    const char *name;
    int error = control_string(request, "brew", &name, why);

    if (error)
        return error;
    if (name) {
        if ((error = control_brew_named(request, name, brew, why)) == 0)
            *station = station_find(stations, (*brew)->station);
        return error;
    }
    if ((error = control_station(request, station, why)) == 0)
        *brew = mark_meant(stations, stations->all[*station].config.name, at_us);
    return error;
}

static int do_mark(struct request *request, struct why *why)
{
    struct brew *brew = NULL;
    const char *name;
    int64_t at_us;
    int station = -1, stage, error;

    if ((error = control_string(request, "stage", &name, why)) != 0 || (error = get_time(request, &at_us, why)) != 0
        || (error = get_marked(request, at_us, &brew, &station, why)) != 0)
        return error;
    stage = name ? stage_find(name) : -1;
    if (stage < 0)
        return no_stage(why);
    if (brew && brew->ended) {
        control_put_brew(request, brew);
        return mark_afterwards(request->control->stations, brew, (enum stage)stage, at_us, why);
    }
    error = station_mark(request->control->stations, station, (enum stage)stage, at_us, request->now, why);
    control_put_brew(request, station_running(request->control->stations, station));
    return error;
}

static int do_enter(struct request *request, struct why *why)
{
    struct brew *brew;
    const char *name;
    double value, uncertainty;
    int measure, error;

    if ((error = control_brew(request, &brew, why)) != 0
        || (error = control_string(request, "measure", &name, why)) != 0
        || (error = get_number(request, "value", &value, why)) != 0
        || (error = get_number(request, "standard_uncertainty", &uncertainty, why)) != 0)
        return error;
    measure = name ? measure_find(name) : -1;
    if (measure < 0)
        return no_measure(why);
    if (isnan(value))
        return why_set(why, -EINVAL, "\"value\" is missing: the number that was read");
    if (!isnan(uncertainty) && !(uncertainty >= 0 && isfinite(uncertainty)))
        return why_set(why, -EINVAL, "\"standard_uncertainty\" is not below 0");
    control_put_brew(request, brew);
    if ((error = brew_doubt(request->control->stations, brew, (enum measure)measure, value, why)) != 0)
        return error;
    return brew_enter(request->control->stations, brew, (enum measure)measure, value, uncertainty, request->now, why);
}

static int do_begin(struct request *request, struct why *why)
{
    int station;
    int error = control_station(request, &station, why);

    if (error || (error = station_begin(request->control->stations, station, request->now, why)) != 0)
        return error;
    control_put_brew(request, station_running(request->control->stations, station));
    return 0;
}

static int do_end(struct request *request, struct why *why)
{
    struct brew *brew;
    int station;
    int error = control_station(request, &station, why);

    if (error)
        return error;
    brew = station_running(request->control->stations, station);
    error = station_end(request->control->stations, station, request->now, why);
    control_put_brew(request, brew);
    return error;
}

static int do_undo(struct request *request, struct why *why)
{
    struct brew *brew;
    int station;
    int error = control_station(request, &station, why);

    if (error)
        return error;
    brew = station_running(request->control->stations, station);
    error = station_undo(request->control->stations, station, request->now, why);
    control_put_brew(request, brew);
    return error;
}

static int do_discard(struct request *request, struct why *why)
{
    struct stations *stations = request->control->stations;
    const char *reason;
    struct brew *brew;
    int station, error;

    if ((error = control_string(request, "reason", &reason, why)) != 0)
        return error;
    if (json_object_get(request->json, "brew")) {
        if ((error = control_brew(request, &brew, why)) != 0)
            return error;
    } else {
        /* an old cup is thrown away only by its name */
        if ((error = control_station(request, &station, why)) != 0)
            return error;
        if (!(brew = station_running(stations, station)))
            return why_set(why, -EINVAL, "no brew is running on station %s; an earlier one is discarded by its name",
                           stations->all[station].config.name);
    }
    control_put_brew(request, brew);
    return brew_discard(stations, brew, reason, request->now, why);
}

static int do_note(struct request *request, struct why *why)
{
    const char *text;
    struct brew *brew;
    int error;

    if ((error = control_brew(request, &brew, why)) != 0 || (error = control_string(request, "text", &text, why)) != 0)
        return error;
    if (!text || !text[0])
        return why_set(why, -EINVAL, "\"text\" is missing: the note");
    control_put_brew(request, brew);
    return brew_note(request->control->stations, brew, text, why);
}

/* Who reads everything may name itself, and up to where it holds all for good. */
/* Who may not give orders keeps a place of his own in the journal, and cannot speak for the bench's own logger: the
 * name he gives is put together with his. */
static void own_reader(const struct guest *guest, const char *reader, char out[NAME_SIZE])
{
    uint64_t sum = UINT64_C(0xcbf29ce484222325); /* FNV-1a, 64 bits (its authors' constants) */
    int length = 0;

    for (const char *at = guest->name; *at && length < NAME_SIZE - 18; at++)
        if ((*at >= 'a' && *at <= 'z') || (*at >= '0' && *at <= '9') || *at == '-')
            out[length++] = *at;
    for (const char *at = guest->name; *at; at++)
        sum = (sum ^ (unsigned char)*at) * UINT64_C(0x100000001b3);
    for (const char *at = reader; *at; at++)
        sum = (sum ^ (unsigned char)*at) * UINT64_C(0x100000001b3);
    snprintf(out + length, (size_t)(NAME_SIZE - length), "-%016llx", (unsigned long long)sum);
}

static int take_reader(struct request *request, struct why *why)
{
    json_t *kept = json_object_get(request->json, "kept");
    const char *reader;
    char own[NAME_SIZE];
    int error = control_string(request, "reader", &reader, why);

    if (error || (!reader && !kept))
        return error;
    if (!reader || !name_valid(reader))
        return why_set(why, -EINVAL, "\"reader\" is a name of 1 to 32 characters a-z 0-9 -");
    if (!json_is_integer(kept) || json_integer_value(kept) < 0)
        return why_set(why, -EINVAL,
                       "\"kept\" is a whole number: the last message that \"reader\" holds for good, 0 for none");
    if (request->guest->role != ROLE_CONTROL) {
        own_reader(request->guest, reader, own);
        reader = own;
    }
    request->control->read_by(request->control->context, reader, (uint64_t)json_integer_value(kept));
    return 0;
}

/* Who follows a bench means that one, and not another that got its name and its address. */
static int check_bench(struct request *request, struct why *why)
{
    const char *meant, *ours = request->control->bench_id;
    int error = control_string(request, "bench_id", &meant, why);

    if (error || !meant || !ours || !*ours || strcmp(meant, ours) == 0)
        return error;
    return why_set(
        why, -ESTALE,
        "this is another bench that is called %s too (%.8s; %.8s was asked for): give one of them another name",
        request->control->config->bench, ours, meant);
}

static int do_since(struct request *request, struct why *why)
{
    json_t *seq = json_object_get(request->json, "seq");
    json_t *most = json_object_get(request->json, "most");
    size_t bytes = SINCE_BYTES;
    int error;

    if (!json_is_integer(seq) || json_integer_value(seq) < 0)
        return why_set(why, -EINVAL, "\"seq\" is a whole number: the last message that you have, 0 for none");
    if (most && (!json_is_integer(most) || json_integer_value(most) < 1))
        return why_set(why, -EINVAL, "\"most\" is a whole number of bytes, at most %d", SINCE_BYTES);
    if (most && json_integer_value(most) < SINCE_BYTES)
        bytes = (size_t)json_integer_value(most);
    if ((error = check_bench(request, why)) != 0 || (error = take_reader(request, why)) != 0)
        return error;
    error = request->control->since(request->control->context, (uint64_t)json_integer_value(seq), bytes,
                                    json_object_get(request->json, "id"));
    if (error == -EBUSY)
        return why_set(why, error, "too many are asking at once; ask again");
    return error ? why_set(why, error, "out of memory") : LATER;
}

const struct command_row control_commands[] = {
    { "status", do_status, "", true },
    { "instruments", do_instruments, "", true },
    { "tare", do_tare, "station instrument", false },
    { "zero", do_zero, "station instrument", false },
    { "mark", do_mark, "station brew stage at_us ago_s", false },
    { "enter", do_enter, "station brew measure value standard_uncertainty", false },
    { "begin", do_begin, "station", false },
    { "end", do_end, "station", false },
    { "discard", do_discard, "station brew reason", false },
    { "undo", do_undo, "station", false },
    { "note", do_note, "station brew text", false },
    { "strength", control_strength, "brew", true },
    { "assign", control_assign, "brew seq from number", false },
    { "unassign", control_unassign, "brew seq number", false },
    { "sample", control_sample, "brew how with seq number filtered", false },
    { "check", control_check, "what value station", false },
    { "vessels", control_vessels, "", true },
    { "vessel", control_vessel, "vessel how name station", false },
    { "since", do_since, "seq most reader kept bench_id", true },
    { "health", do_health, "", true },
    { "plan", control_plan, "plan text station brew run", true },
    { NULL, NULL, NULL, false },
};
