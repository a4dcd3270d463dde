/* Messages read: untrusted input, so every field is checked before anything is handed out.
 * Writing is in messages.c. */
#include "poise/messages.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "json_text.h"
#include "messages_parts.h"

/* ---- one field ---- */

static int missing(const char *key, const char *wanted, struct why *why)
{
    return why_set(why, -EINVAL, "the field \"%s\" is not %s", key, wanted);
}

/* Every JSON reader holds these exactly, and differences of them always fit. */
static const int64_t WHOLE_MOST = INT64_C(1) << 53;

static int read_int64(json_t *json, const char *key, int64_t *out, struct why *why)
{
    json_t *field = json_object_get(json, key);

    if (!json_is_integer(field) || json_integer_value(field) > WHOLE_MOST || json_integer_value(field) < -WHOLE_MOST)
        return missing(key, "a whole number within 2^53", why);
    *out = json_integer_value(field);
    return 0;
}

/* A number; null or no field is NAN where that is allowed. */
static int read_number(json_t *json, const char *key, bool may_be_null, double *out, struct why *why)
{
    json_t *field = json_object_get(json, key);

    if (may_be_null && json_is_null(field)) {
        *out = NAN;
        return 0;
    }
    if (!json_is_number(field))
        return missing(key, may_be_null ? "a number or null" : "a number", why);
    *out = json_number_value(field);
    return 0;
}

/* A text for people, cut between characters when it is too long. */
static int read_text(json_t *json, const char *key, bool required, char *out, size_t size, struct why *why)
{
    json_t *field = json_object_get(json, key);
    size_t length;

    if (!field && !required) {
        *out = '\0';
        return 0;
    }
    if (!json_is_string(field))
        return missing(key, "a text", why);
    length = json_string_length(field);
    if (length >= size) {
        length = size - 1;
        while (length > 0 && ((unsigned char)json_string_value(field)[length] & 0xc0) == 0x80)
            length--;
    }
    memcpy(out, json_string_value(field), length);
    out[length] = '\0';
    for (char *at = out; *at; at++) /* U+0080 to U+009F are no text, and steer terminals */
        if ((unsigned char)at[0] == 0xc2 && (unsigned char)at[1] >= 0x80 && (unsigned char)at[1] < 0xa0)
            at[0] = at[1] = '?';
    return 0;
}

static int read_name(json_t *json, const char *key, bool required, char out[NAME_SIZE], struct why *why)
{
    json_t *field = json_object_get(json, key);

    if (!field && !required) {
        *out = '\0';
        return 0;
    }
    if (!json_is_string(field) || !name_valid(json_string_value(field)))
        return missing(key, "a name of 1 to 32 characters a-z 0-9 -", why);
    strcpy(out, json_string_value(field));
    return 0;
}

static int read_brew_name(json_t *json, bool may_be_null, char out[BREW_SIZE], struct why *why)
{
    json_t *field = json_object_get(json, "brew");

    if (may_be_null && json_is_null(field)) {
        *out = '\0';
        return 0;
    }
    if (!json_is_string(field) || !brew_name_valid(json_string_value(field)))
        return missing("brew", "a brew's name (BENCH-YYYYMMDD-NNN)", why);
    strcpy(out, json_string_value(field));
    return 0;
}

/* true, false, or null and no field as -1. */
static int read_flag(json_t *json, const char *key, int *out, struct why *why)
{
    json_t *field = json_object_get(json, key);

    if (field && !json_is_boolean(field) && !json_is_null(field))
        return missing(key, "true, false or null", why);
    *out = json_is_boolean(field) ? json_is_true(field) : -1;
    return 0;
}

/* One of a list of words; its place in the list. */
typedef const char *word_at(int place);

static int read_word(json_t *json, const char *key, word_at *word, int count, int *out, struct why *why)
{
    json_t *field = json_object_get(json, key);

    for (int i = 0; json_is_string(field) && i < count; i++)
        if (strcmp(json_string_value(field), word(i)) == 0) {
            *out = i;
            return 0;
        }
    return missing(key, "one of its words", why);
}

static const char *status_at(int place)
{
    return reading_status_name((enum reading_status)place);
}
static const char *brew_change_at(int place)
{
    return brew_change_name((enum brew_change)place);
}
static const char *made_by_at(int place)
{
    return made_by_name((enum made_by)place);
}
static const char *instrument_change_at(int place)
{
    return instrument_change_name((enum instrument_change)place);
}
static const char *measure_at(int place)
{
    return measure_name((enum measure)place);
}

static int read_stage_name(json_t *json, int *out, struct why *why)
{
    json_t *field = json_object_get(json, "stage");

    *out = json_is_string(field) ? stage_find(json_string_value(field)) : -1;
    return *out < 0 ? missing("stage", "one of its words", why) : 0;
}

/* The digits of a value, which the parsed number has lost. */
static int read_decimal(const char *text, size_t length, const char *key, struct decimal *out, struct why *why)
{
    struct json_text number;

    if (!json_text_member((struct json_text){ text, text + length }, key, &number)
        || decimal_parse(number.at, (size_t)(number.end - number.at), out) < 0)
        return missing(key, "a number in plain digits, 18 at most", why);
    return 0;
}

/* ---- one kind ---- */

/* What the tracker knows with a reading: each a number, or no such field. */
static int read_tracked(json_t *json, const char *key, double *out, bool *tracked, struct why *why)
{
    int error;

    *out = NAN;
    if (!json_object_get(json, key))
        return 0;
    if ((error = read_number(json, key, false, out, why)) == 0) {
        *tracked = true;
        *out += 0.0; /* minus zero is zero, as in a decimal */
    }
    return error;
}

/* True, or no such field. */
static int read_true(json_t *json, const char *key, bool *out, bool *tracked, struct why *why)
{
    const json_t *value = json_object_get(json, key);

    if (value && !json_is_true(value))
        return missing(key, "true, or no such field", why);
    *out = value != NULL;
    *tracked |= *out;
    return 0;
}

static int read_reading(json_t *json, const char *text, size_t length, struct message_reading *out, struct why *why)
{
    json_t *value = json_object_get(json, "value"), *unit = json_object_get(json, "unit");
    json_t *quantity = json_object_get(json, "quantity"), *weighs = json_object_get(json, "weighs");
    int error, status = 0;

    if ((error = read_name(json, "instrument", true, out->instrument, why)) < 0
        || (error = read_name(json, "station", false, out->station, why)) < 0
        || (error = read_word(json, "status", status_at, READING_FAULT + 1, &status, why)) < 0
        || (error = read_flag(json, "stable", &out->stable, why)) < 0
        || (error = read_text(json, "detail", false, out->detail, sizeof out->detail, why)) < 0
        || (error = read_tracked(json, "load_g", &out->load_g, &out->tracked, why)) < 0
        || (error = read_tracked(json, "water_g", &out->water_g, &out->tracked, why)) < 0
        || (error = read_tracked(json, "flow_g_per_s", &out->flow_g_per_s, &out->tracked, why)) < 0
        || (error = read_tracked(json, "press_kpa", &out->press_kpa, &out->tracked, why)) < 0
        || (error = read_tracked(json, "added_g", &out->added_g, &out->tracked, why)) < 0
        || (error = read_tracked(json, "weighed_g", &out->weighed_g, &out->tracked, why)) < 0
        || (error = read_true(json, "tared", &out->tared, &out->tracked, why)) < 0
        || (error = read_true(json, "cup_left", &out->cup_left, &out->tracked, why)) < 0)
        return error;
    out->status = (enum reading_status)status;
    out->quantity = json_is_string(quantity) ? quantity_find(json_string_value(quantity)) : QUANTITY_NONE;
    if (out->quantity == QUANTITY_NONE)
        return missing("quantity", "one of its words", why);
    if (weighs && (!json_is_string(weighs) || strcmp(json_string_value(weighs), "cup") != 0))
        return missing("weighs", "\"cup\", or no such field", why);
    out->weighs_cup = weighs != NULL;
    if (!json_is_string(unit) || strcmp(json_string_value(unit), unit_name(quantity_unit(out->quantity))) != 0)
        return missing("unit", "the unit of the quantity", why);
    if (out->status != READING_OK)
        return json_is_null(value) ? 0 : missing("value", "null, as the status is not ok", why);
    if (!json_is_number(value))
        return missing("value", "a number, as the status is ok", why);
    out->calibrated = json_object_get(json, "raw") != NULL;
    if (out->calibrated && (error = read_decimal(text, length, "raw", &out->raw, why)) < 0)
        return error;
    return read_decimal(text, length, "value", &out->value, why);
}

int message_read_measures(json_t *json, struct measures *out, struct why *why)
{
    struct measures measures;
    const char *name;
    json_t *entry;
    int error;

    measures_clear(&measures);
    if (!json_is_object(json))
        return missing("measures", "an object", why);
    json_object_foreach(json, name, entry)
    {
        int measure = measure_find(name);

        if (measure < 0)
            continue; /* a newer bench may know more */
        if (!json_is_object(entry))
            return missing(name, "an object with value and standard_uncertainty", why);
        if ((error = read_number(entry, "value", true, &measures.value[measure], why)) < 0
            || (error = read_number(entry, "standard_uncertainty", true, &measures.standard_uncertainty[measure], why))
                   < 0)
            return why_prefix(why, error, "%s: ", name);
        if (measures.standard_uncertainty[measure] < 0)
            return missing(name, "above zero in its standard_uncertainty", why);
    }
    *out = measures;
    return 0;
}

static int read_brew(json_t *json, struct message_brew *out, struct why *why)
{
    json_t *plan = json_object_get(json, "plan");
    int error, change = 0, by = BY_TRACKER;

    measures_clear(&out->measures);
    if ((error = read_brew_name(json, false, out->brew, why)) < 0
        || (error = read_name(json, "station", true, out->station, why)) < 0
        || (error = read_word(json, "change", brew_change_at, BREW_VERDICT + 1, &change, why)) < 0
        || (error = read_int64(json, "at_us", &out->at_us, why)) < 0
        || (error = read_flag(json, "plan_kept", &out->plan_kept, why)) < 0
        || (error = read_text(json, "note", false, out->note, sizeof out->note, why)) < 0
        || (json_object_get(json, "by") && (error = read_word(json, "by", made_by_at, BY_OPERATOR + 1, &by, why)) < 0))
        return error;
    out->change = (enum brew_change)change;
    out->by = (enum made_by)by;
    if (out->change == BREW_END
        && (error = message_read_measures(json_object_get(json, "measures"), &out->measures, why)) < 0)
        return error;
    if (!plan || json_is_null(plan))
        return 0;
    if (!json_is_object(plan))
        return missing("plan", "an object", why);
    out->plan_json = json_dumps(plan, JSON_COMPACT);
    return out->plan_json ? 0 : why_set(why, -ENOMEM, "out of memory");
}

static int read_stage(json_t *json, struct message_stage *out, struct why *why)
{
    int error, stage = 0, by = 0;

    if ((error = read_brew_name(json, true, out->brew, why)) < 0
        || (error = read_name(json, "station", true, out->station, why)) < 0
        || (error = read_stage_name(json, &stage, why)) < 0 || (error = read_int64(json, "at_us", &out->at_us, why)) < 0
        || (error = read_int64(json, "uncertainty_us", &out->uncertainty_us, why)) < 0
        || (error = read_word(json, "by", made_by_at, BY_OPERATOR + 1, &by, why)) < 0)
        return error;
    if (out->uncertainty_us < 0)
        return missing("uncertainty_us", "zero or more", why);
    out->stage = (enum stage)stage;
    out->by = (enum made_by)by;
    return 0;
}

/* Parts that are not known are a newer bench's. */
static int read_budget(json_t *json, struct budget *out, struct why *why)
{
    json_t *budget = json_object_get(json, "budget"), *one;
    const char *name;
    int error, part;

    budget_clear(out);
    if (!budget)
        return 0;
    if (!json_is_object(budget))
        return missing("budget", "an object of parts", why);
    json_object_foreach(budget, name, one)
    {
        if (!json_is_object(one))
            return missing("budget", "an object of objects", why);
        if ((part = budget_part_find(name)) < 0)
            continue;
        if ((error = read_number(one, "standard_uncertainty", false, &out->u[part], why)) < 0)
            return error;
        if (json_object_get(one, "freedom")
            && (error = read_number(one, "freedom", false, &out->freedom[part], why)) < 0)
            return error;
        if (out->u[part] < 0 || !(out->freedom[part] > 0))
            return missing("budget", "zero or more in each uncertainty, and above zero in its freedom", why);
    }
    return 0;
}

/* Which readings a strength comes from, when it says so. */
static int read_readings(json_t *json, struct message_measure *out, struct why *why)
{
    json_t *readings = json_object_get(json, "readings"), *seq;
    int error, filtered = -1;
    size_t i;

    out->sample_c = NAN;
    if ((error = read_budget(json, &out->budget, why)) < 0 || !readings)
        return error;
    if (!json_is_array(readings) || json_array_size(readings) > MEASURE_READINGS)
        return missing("readings", "a list of at most 12 numbers", why);
    json_array_foreach(readings, i, seq)
    {
        if (!json_is_integer(seq) || json_integer_value(seq) < 0)
            return missing("readings", "a list of whole numbers", why);
        out->reading[i] = (uint64_t)json_integer_value(seq);
    }
    if ((error = read_flag(json, "filtered", &filtered, why)) < 0)
        return error;
    if (json_object_get(json, "sample_c") && (error = read_number(json, "sample_c", true, &out->sample_c, why)) < 0)
        return error;
    out->from_readings = true;
    out->readings = (int)json_array_size(readings);
    out->filtered = filtered == 1;
    return 0;
}

static int read_measure(json_t *json, struct message_measure *out, struct why *why)
{
    int error, measure = 0, by = 0, above = 0;

    if ((error = read_brew_name(json, false, out->brew, why)) < 0
        || (error = read_name(json, "station", true, out->station, why)) < 0
        || (error = read_word(json, "measure", measure_at, MEASURE_COUNT, &measure, why)) < 0
        || (error = read_number(json, "value", true, &out->value, why)) < 0
        || (error = read_number(json, "standard_uncertainty", true, &out->standard_uncertainty, why)) < 0
        || (error = read_flag(json, "above", &above, why)) < 0
        || (error = read_word(json, "by", made_by_at, BY_OPERATOR + 1, &by, why)) < 0)
        return error;
    if (out->standard_uncertainty < 0)
        return missing("standard_uncertainty", "zero or more", why);
    out->measure = (enum measure)measure;
    out->above = above == 1;
    out->by = (enum made_by)by;
    return read_readings(json, out, why);
}

static int read_instrument(json_t *json, struct message_instrument *out, struct why *why)
{
    int error, change = 0;

    if ((error = read_name(json, "instrument", true, out->instrument, why)) < 0
        || (error = read_word(json, "change", instrument_change_at, INSTRUMENT_CALIBRATED + 1, &change, why)) < 0
        || (error = read_text(json, "detail", true, out->detail, sizeof out->detail, why)) < 0)
        return error;
    out->change = (enum instrument_change)change;
    return 0;
}

static int read_warning(json_t *json, struct message_warning *out, struct why *why)
{
    int error;

    if ((error = read_brew_name(json, true, out->brew, why)) < 0
        || (error = read_name(json, "station", false, out->station, why)) < 0
        || (error = read_name(json, "warning", true, out->warning, why)) < 0
        || (error = read_text(json, "detail", true, out->detail, sizeof out->detail, why)) < 0)
        return error;
    return 0;
}

static const char *check_at(int kind)
{
    return check_kind_name((enum check_kind)kind);
}

static int read_check(json_t *json, struct message_check *out, struct why *why)
{
    int error, kind = 0;

    if ((error = read_brew_name(json, true, out->brew, why)) < 0
        || (error = read_name(json, "instrument", true, out->instrument, why)) < 0
        || (error = read_word(json, "check", check_at, CHECK_KINDS, &kind, why)) < 0
        || (error = read_number(json, "value", false, &out->value, why)) < 0
        || (error = read_number(json, "reference", true, &out->reference, why)) < 0
        || (error = read_name(json, "vessel", false, out->vessel, why)) < 0)
        return error;
    out->check = (enum check_kind)kind;
    return 0;
}

static int read_alarm(json_t *json, struct message_alarm *out, struct why *why)
{
    const json_t *list = json_object_get(json, "brews"), *entry;
    int error, kind = 0;
    size_t place;

    if ((error = read_name(json, "instrument", true, out->instrument, why)) < 0
        || (error = read_word(json, "check", check_at, CHECK_KINDS, &kind, why)) < 0
        || (error = read_int64(json, "since_us", &out->since_us, why)) < 0
        || (error = read_number(json, "change", false, &out->change, why)) < 0)
        return error;
    out->check = (enum check_kind)kind;
    out->once = json_is_true(json_object_get(json, "once"));
    if (!json_is_array(list) || json_array_size(list) > ALARM_BREWS)
        return missing("brews", "a list of brews", why);
    json_array_foreach(list, place, entry)
    {
        const char *name = json_string_value(entry);

        if (!name || strlen(name) >= BREW_SIZE || !brew_name_valid(name))
            return missing("brews", "a list of brews", why);
        strcpy(out->brew[out->brews++], name);
    }
    return 0;
}

/* State stays JSON; whoever draws it looks each field up.  Its two lists are there, though. */
static int read_state(json_t *json, struct message_state *out, struct why *why)
{
    static const char *const lists[] = { "instruments", "stations" };
    size_t place;
    json_t *entry;
    int error;

    for (size_t i = 0; i < sizeof lists / sizeof *lists; i++) {
        json_t *list = json_object_get(json, lists[i]);

        if (!json_is_array(list))
            return missing(lists[i], "a list", why);
        json_array_foreach(list, place, entry) if (!json_is_object(entry)) return missing(lists[i], "a list of objects",
                                                                                          why);
    }
    if ((error = read_text(json, "bench_id", false, out->bench_id, sizeof out->bench_id, why)) < 0)
        return error;
    if (*out->bench_id && strspn(out->bench_id, "0123456789abcdef") != BENCH_ID_SIZE - 1)
        return missing("bench_id", "32 digits", why);
    return 0;
}

/* ---- the whole ---- */

static int read_common(json_t *json, struct message_common *out, struct why *why)
{
    int64_t version = 0, seq = 0;
    int error;

    if ((error = read_int64(json, "v", &version, why)) < 0)
        return error;
    if (version > MESSAGE_VERSION)
        return why_set(why, -EPROTO,
                       "the bench uses version %lld of the messages and this program knows only %d: "
                       "install the newer program",
                       (long long)version, MESSAGE_VERSION);
    if (version < 1)
        return missing("v", "a version", why);
    out->rate = 1;
    if ((error = read_name(json, "bench", true, out->bench, why)) < 0
        || (error = read_int64(json, "seq", &seq, why)) < 0
        || (error = read_int64(json, "time_us", &out->time_us, why)) < 0
        || (error = read_int64(json, "mono_us", &out->mono_us, why)) < 0
        || (error = read_text(json, "boot", true, out->boot, sizeof out->boot, why)) < 0
        || (json_object_get(json, "rate") && (error = read_number(json, "rate", false, &out->rate, why)) < 0)
        || (error = read_text(json, "asked_by", false, out->asked_by, sizeof out->asked_by, why)) < 0)
        return error;
    if (seq < 0)
        return missing("seq", "zero or more", why);
    if (!(out->rate > 0))
        return missing("rate", "above zero", why);
    if (!*out->boot || out->boot[strspn(out->boot, "0123456789abcdefghijklmnopqrstuvwxyz-")])
        return missing("boot", "a boot id", why);
    out->seq = (uint64_t)seq;
    return 0;
}

static int kind_of_topic(const char *topic, enum message_kind *kind)
{
    static const struct {
        const char *last;
        enum message_kind kind;
    } events[] = { { "/brew", MESSAGE_BREW },       { "/stage", MESSAGE_STAGE },
                   { "/measure", MESSAGE_MEASURE }, { "/instrument", MESSAGE_INSTRUMENT },
                   { "/warning", MESSAGE_WARNING }, { "/check", MESSAGE_CHECK },
                   { "/alarm", MESSAGE_ALARM } };
    const char *last = strrchr(topic, '/');

    if (strncmp(topic, "reading/", 8) == 0) {
        *kind = MESSAGE_READING;
        return 0;
    }
    if (strncmp(topic, "state/", 6) == 0) {
        *kind = MESSAGE_STATE;
        return 0;
    }
    for (size_t i = 0; last && strncmp(topic, "event/", 6) == 0 && i < sizeof events / sizeof *events; i++)
        if (strcmp(last, events[i].last) == 0) {
            *kind = events[i].kind;
            return 0;
        }
    return -EINVAL;
}

static int read_kind(struct message *message, const char *text, size_t length, struct why *why)
{
    json_t *json = message->json;

    switch (message->kind) {
    case MESSAGE_READING:
        return read_reading(json, text, length, &message->reading, why);
    case MESSAGE_BREW:
        return read_brew(json, &message->brew, why);
    case MESSAGE_STAGE:
        return read_stage(json, &message->stage, why);
    case MESSAGE_MEASURE:
        return read_measure(json, &message->measure, why);
    case MESSAGE_INSTRUMENT:
        return read_instrument(json, &message->instrument, why);
    case MESSAGE_WARNING:
        return read_warning(json, &message->warning, why);
    case MESSAGE_CHECK:
        return read_check(json, &message->check, why);
    case MESSAGE_ALARM:
        return read_alarm(json, &message->alarm, why);
    case MESSAGE_STATE:
        return read_state(json, &message->state, why);
    }
    return -EINVAL;
}

int message_read(const char *topic, size_t topic_length, const char *text, size_t length, struct message *out,
                 struct why *why)
{
    struct message message = { 0 };
    char named[TOPIC_SIZE], meant[TOPIC_SIZE];
    json_error_t where;
    int error;

    if (message_read_usual(topic, topic_length, text, length, out))
        return 0;
    if (topic_length >= sizeof named || memchr(topic, '\0', topic_length))
        return why_set(why, -EINVAL, "the topic is none of a bench");
    memcpy(named, topic, topic_length);
    named[topic_length] = '\0';
    if (kind_of_topic(named, &message.kind) < 0)
        return why_set(why, -EINVAL, "%s: not a topic of a bench", named);
    message.json = json_loadb(text, length, JSON_REJECT_DUPLICATES, &where);
    if (!message.json)
        return why_set(why, -EINVAL, "%s: not JSON at byte %d: %s", named, where.position, where.text);
    error = json_is_object(message.json) ? read_common(message.json, &message.common, why)
                                         : why_set(why, -EINVAL, "not a JSON object");
    if (error == 0)
        error = read_kind(&message, text, length, why);
    if (error == 0) {
        message_topic(&message, meant);
        if (strcmp(named, meant) != 0)
            error = why_set(why, -EINVAL, "the message itself gives %s", meant);
    }
    if (error < 0) {
        message_free(&message);
        return why_prefix(why, error, "%s: ", named);
    }
    *out = message;
    return 0;
}

void message_free(struct message *message)
{
    if (!message->json)
        return;
    if (message->kind == MESSAGE_BREW)
        free((char *)message->brew.plan_json);
    json_decref(message->json);
    message->json = NULL;
}
