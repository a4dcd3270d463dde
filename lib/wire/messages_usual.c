/* A reading in exactly the shape in which message_write writes it, read without building a JSON tree:
 * most of what a bench says are readings, and this is some twenty times as quick.  Whatever differs in
 * any way is left to messages_read.c, which also finds the words for what is wrong. */
#include "messages_parts.h"

#include <math.h>
#include <string.h>

struct cursor {
    const char *at, *end;
    bool good; /* so far all was as usual */
};

static void literal(struct cursor *cursor, const char *text, size_t length)
{
    if (!cursor->good || (size_t)(cursor->end - cursor->at) < length || memcmp(cursor->at, text, length) != 0)
        cursor->good = false;
    else
        cursor->at += length;
}

#define LITERAL(cursor, text) literal((cursor), text, sizeof(text) - 1)

static bool follows(const struct cursor *cursor, const char *text)
{
    size_t length = strlen(text);

    return cursor->good && (size_t)(cursor->end - cursor->at) >= length && memcmp(cursor->at, text, length) == 0;
}

/* Letters, digits and hyphens up to the closing quote, which is passed. */
static void word(struct cursor *cursor, char *out, size_t size)
{
    const char *from = cursor->at, *at = from;

    while (cursor->good && at < cursor->end && ((*at >= 'a' && *at <= 'z') || (*at >= '0' && *at <= '9') || *at == '-'))
        at++;
    if (!cursor->good || at == cursor->end || *at != '"' || at == from || (size_t)(at - from) >= size) {
        cursor->good = false;
        return;
    }
    memcpy(out, from, (size_t)(at - from));
    out[at - from] = '\0';
    cursor->at = at + 1;
}

static int digits(struct cursor *cursor)
{
    const char *from = cursor->at;

    while (cursor->at < cursor->end && *cursor->at >= '0' && *cursor->at <= '9')
        cursor->at++;
    return (int)(cursor->at - from);
}

/* A whole number within 2^53 and without leading zeros, so that nothing can overflow. */
static int64_t whole(struct cursor *cursor)
{
    bool negative = follows(cursor, "-");
    int64_t value = 0;
    const char *from;
    int count;

    if (!cursor->good)
        return 0;
    cursor->at += negative;
    from = cursor->at;
    count = digits(cursor);
    if (count < 1 || count > 18 || (*from == '0' && count > 1) || (*from == '0' && negative)) {
        cursor->good = false;
        return 0;
    }
    for (int i = 0; i < count; i++)
        value = value * 10 + (from[i] - '0');
    if (value > INT64_C(1) << 53) {
        cursor->good = false;
        return 0;
    }
    return negative ? -value : value;
}

/* A JSON number without an exponent (RFC 8259, section 6). */
static void number(struct cursor *cursor, struct decimal *out)
{
    const char *from = cursor->at, *first;
    int count;

    if (!cursor->good)
        return;
    cursor->at += follows(cursor, "-");
    first = cursor->at;
    count = digits(cursor);
    if (count < 1 || (*first == '0' && count > 1)) {
        cursor->good = false;
        return;
    }
    if (follows(cursor, ".")) {
        cursor->at++;
        if (digits(cursor) < 1)
            cursor->good = false;
    }
    if (cursor->good && decimal_parse(from, (size_t)(cursor->at - from), out) < 0)
        cursor->good = false;
}

static void read_common(struct cursor *cursor, struct message_common *out)
{
    LITERAL(cursor, "{\"v\":1,\"bench\":\"");
    word(cursor, out->bench, sizeof out->bench);
    LITERAL(cursor, ",\"seq\":");
    if (follows(cursor, "-"))
        cursor->good = false;
    out->seq = (uint64_t)whole(cursor);
    LITERAL(cursor, ",\"time_us\":");
    out->time_us = whole(cursor);
    LITERAL(cursor, ",\"mono_us\":");
    out->mono_us = whole(cursor);
    LITERAL(cursor, ",\"boot\":\"");
    word(cursor, out->boot, sizeof out->boot);
    out->rate = 1; /* a message of a fast clock is not the usual one */
}

static void read_value(struct cursor *cursor, struct message_reading *out, bool *known)
{
    const char *unit;

    LITERAL(cursor, ",\"value\":");
    *known = !follows(cursor, "null");
    if (*known)
        number(cursor, &out->value);
    else
        LITERAL(cursor, "null");
    LITERAL(cursor, ",\"unit\":\"");
    unit = unit_name(quantity_unit(out->quantity));
    literal(cursor, unit, strlen(unit));
    LITERAL(cursor, "\",\"stable\":");
    out->stable = follows(cursor, "true") ? 1 : follows(cursor, "false") ? 0 : -1;
    if (out->stable == 1)
        LITERAL(cursor, "true");
    else if (out->stable == 0)
        LITERAL(cursor, "false");
    else
        LITERAL(cursor, "null");
}

static void read_status(struct cursor *cursor, struct message_reading *out, bool known)
{
    char name[NAME_SIZE];
    int status = READING_OK;

    LITERAL(cursor, ",\"status\":\"");
    word(cursor, name, sizeof name);
    while (cursor->good && status <= READING_FAULT
           && strcmp(name, reading_status_name((enum reading_status)status)) != 0)
        status++;
    if (status > READING_FAULT || (status == READING_OK) != known)
        cursor->good = false;
    else
        out->status = (enum reading_status)status;
}

/* A number after this field, which may be missing: then NAN. */
static void read_tracked(struct cursor *cursor, const char *field, double *out, bool *tracked)
{
    struct decimal value = { 0, 0 };

    *out = NAN;
    if (!follows(cursor, field))
        return;
    cursor->at += strlen(field);
    number(cursor, &value);
    *out = decimal_to_double(value);
    *tracked = true;
}

static void read_true(struct cursor *cursor, const char *field, bool *out)
{
    *out = follows(cursor, field);
    if (*out)
        cursor->at += strlen(field);
}

static bool topic_is(const char *topic, size_t length, const struct message *message)
{
    char meant[TOPIC_SIZE];

    return (size_t)message_topic(message, meant) == length && memcmp(topic, meant, length) == 0;
}

bool message_read_usual(const char *topic, size_t topic_length, const char *text, size_t length, struct message *out)
{
    struct cursor cursor = { text, text + length, true };
    struct message message = { .kind = MESSAGE_READING };
    char name[NAME_SIZE];
    bool known = false;

    read_common(&cursor, &message.common);
    LITERAL(&cursor, ",\"instrument\":\"");
    word(&cursor, message.reading.instrument, sizeof message.reading.instrument);
    if (follows(&cursor, ",\"station\":\"")) {
        LITERAL(&cursor, ",\"station\":\"");
        word(&cursor, message.reading.station, sizeof message.reading.station);
    }
    message.reading.weighs_cup = follows(&cursor, ",\"weighs\":\"cup\"");
    if (message.reading.weighs_cup)
        LITERAL(&cursor, ",\"weighs\":\"cup\"");
    LITERAL(&cursor, ",\"quantity\":\"");
    word(&cursor, name, sizeof name);
    message.reading.quantity = cursor.good ? quantity_find(name) : QUANTITY_NONE;
    if (message.reading.quantity == QUANTITY_NONE)
        return false;
    read_value(&cursor, &message.reading, &known);
    read_status(&cursor, &message.reading, known);
    read_tracked(&cursor, ",\"load_g\":", &message.reading.load_g, &message.reading.tracked);
    read_tracked(&cursor, ",\"water_g\":", &message.reading.water_g, &message.reading.tracked);
    read_tracked(&cursor, ",\"flow_g_per_s\":", &message.reading.flow_g_per_s, &message.reading.tracked);
    read_tracked(&cursor, ",\"press_kpa\":", &message.reading.press_kpa, &message.reading.tracked);
    read_tracked(&cursor, ",\"added_g\":", &message.reading.added_g, &message.reading.tracked);
    read_tracked(&cursor, ",\"weighed_g\":", &message.reading.weighed_g, &message.reading.tracked);
    read_true(&cursor, ",\"tared\":true", &message.reading.tared);
    read_true(&cursor, ",\"cup_left\":true", &message.reading.cup_left);
    message.reading.tracked |= message.reading.tared || message.reading.cup_left;
    LITERAL(&cursor, "}");
    if (!cursor.good || cursor.at != cursor.end || !topic_is(topic, topic_length, &message))
        return false;
    *out = message;
    return true;
}
