/* The `modbus` driver: instruments that answer Modbus RTU.  All values of a section come with one answer, so that none
 * can be taken for another.  What the configuration says is read in modbus_settings.c.
 *
 * Sources: MODBUS Application Protocol 1.1b3 (functions 3, 4, 6, 16, exceptions) and MODBUS over
 * Serial Line 1.02 (RTU framing, CRC). */
#include "modbus.h"

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum {
    EXCEPTION = 0x80,
    WRITTEN_REPLY_LENGTH = 8,
    EXCEPTION_LENGTH = 5,
    REPLY_OVERHEAD = 5,
    REPLY_DATA = 3,
    FLOAT_DIGITS_MOST = 9 /* enough to distinguish any two single-precision numbers */
};

/* CRC-16 of MODBUS over Serial Line 1.02, 2.5.1.2: its check value over "123456789" is 0x4B37. */
static uint16_t crc16(const uint8_t *data, size_t length)
{
    uint16_t crc = 0xffff;

    for (size_t i = 0; i < length; i++) {
        crc ^= data[i];
        for (int bit = 0; bit < 8; bit++)
            crc = crc & 1 ? crc >> 1 ^ 0xa001 : crc >> 1;
    }
    return crc;
}

void modbus_add_crc(uint8_t *frame, size_t length)
{
    uint16_t crc = crc16(frame, length);

    frame[length] = crc & 0xff; /* low byte first */
    frame[length + 1] = crc >> 8;
}

static bool crc_holds(const uint8_t *frame, size_t length)
{
    return length > MODBUS_CRC_LENGTH
           && crc16(frame, length - MODBUS_CRC_LENGTH) == (frame[length - 2] | frame[length - 1] << 8);
}

int modbus_registers(enum modbus_kind kind)
{
    return kind == MODBUS_INT16 || kind == MODBUS_UINT16 ? 1 : 2;
}

/* --- frames -------------------------------------------------------------------------------------- */

/* How long the frame would be that begins like this; 0: none of ours begins so, -1: too early to say. */
static int expected_length(const struct modbus *modbus, const uint8_t *buf, size_t length)
{
    int function = length > 1 ? buf[1] & ~EXCEPTION : modbus->function, bytes = 2 * modbus->register_count;

    if (function != modbus->function && function != MODBUS_WRITE_ONE && function != MODBUS_WRITE_SEVERAL)
        return 0;
    if (length < 3)
        return -1;
    if (buf[1] & EXCEPTION)
        return EXCEPTION_LENGTH;
    if (function != modbus->function)
        return WRITTEN_REPLY_LENGTH;
    return buf[2] == bytes ? REPLY_OVERHEAD + bytes : 0;
}

/* The length of what was sent, when the buffer begins with it: some two-wire adapters hear themselves.
 * 0: it does not, -1: too early to say. */
static int echo_length(const struct modbus *modbus, const uint8_t *buf, size_t length)
{
    const uint8_t *sent[1 + ORDER_COUNT] = { modbus->request };
    size_t lengths[1 + ORDER_COUNT] = { MODBUS_REQUEST_LENGTH };
    int found = 0;

    for (int i = 0; i < ORDER_COUNT; i++) {
        sent[i + 1] = modbus->orders[i].data;
        lengths[i + 1] = modbus->orders[i].length;
    }
    for (int i = 0; i <= ORDER_COUNT; i++) {
        if (lengths[i] > 0 && length >= lengths[i] && memcmp(buf, sent[i], lengths[i]) == 0)
            return (int)lengths[i];
        if (lengths[i] > length && memcmp(buf, sent[i], length) == 0)
            found = -1;
    }
    return found;
}

/* Whether a frame begins here: 1, 0, or -1: too early to say. */
static int begins(const struct modbus *modbus, const uint8_t *buf, size_t length)
{
    int expected = expected_length(modbus, buf, length), echo = echo_length(modbus, buf, length);

    return expected > 0 || echo > 0 ? 1 : expected < 0 || echo < 0 ? -1 : 0;
}

/* What is found must not depend on how much has arrived: a byte is given up only when it is sure that no
 * frame begins there. */
static ssize_t frame(void *state, const uint8_t *buf, size_t length)
{
    const struct modbus *modbus = state;
    int expected, echo;
    size_t next = 1, limit = length;
    bool damaged;

    if (length == 0)
        return 0;
    expected = expected_length(modbus, buf, length);
    if (expected > 0 && length >= (size_t)expected && crc_holds(buf, (size_t)expected))
        return expected;
    echo = echo_length(modbus, buf, length);
    if (echo > 0)
        return echo;
    if (echo < 0 || expected < 0 || (expected > 0 && length < (size_t)expected))
        return 0;
    damaged = expected > 0 && buf[0] == modbus->address;
    if (damaged) /* ours; what begins inside it is kept */
        limit = (size_t)expected;
    while (next < limit && begins(modbus, buf + next, length - next) == 0)
        next++;
    if (!damaged)
        return -(ssize_t)next;
    return next < limit && begins(modbus, buf + next, length - next) < 0 ? 0 : (ssize_t)next;
}

/* --- values -------------------------------------------------------------------------------------- */

static const char *exception_words(uint8_t code)
{
    static const char *const words[] = { "exception", "illegal function", "illegal data address", "illegal data value",
                                         "device failure" };

    return words[code < sizeof words / sizeof *words ? code : 0];
}

/* As many decimals as the float is worth; or the fewest digits that distinguish it. */
static int float_decimal(const struct modbus *modbus, float value, struct decimal *out)
{
    enum { EXPONENT_MOST = 12 }; /* no instrument shows more; keeps what follows within bounds */
    double steps = round((double)value * pow(10, modbus->decimals));
    char text[32], *to = text, *mark;
    int digits = 1, exponent;

    if (modbus->decimals >= 0) {
        if (!(fabs(steps) < 1e15)) /* exact in a double */
            return -REJECT_RANGE;
        *out = (struct decimal){ (int64_t)steps, -modbus->decimals };
        return 0;
    }
    for (; digits < FLOAT_DIGITS_MOST; digits++) {
        snprintf(text, sizeof text, "%.*e", digits - 1, (double)value);
        if (strtof(text, NULL) == value)
            break;
    }
    snprintf(text, sizeof text, "%.*e", digits - 1, (double)value);
    mark = strchr(text, 'e');
    exponent = atoi(mark + 1) - (digits - 1);
    if (value != 0 && (exponent < -EXPONENT_MOST || exponent > EXPONENT_MOST))
        return -REJECT_RANGE;
    for (const char *from = text; from < mark; from++) /* the point goes, whatever the locale makes of it */
        if (isdigit((unsigned char)*from) || *from == '-')
            *to++ = *from;
    *to = '\0';
    *out = (struct decimal){ strtoll(text, NULL, 10), value != 0 ? exponent : 0 };
    return 0;
}

/* 1: a value in *out, 0: the instrument says that it has none, negative: a reject reason. */
static int value_of(const struct modbus *modbus, const struct modbus_value *value, const uint8_t *data,
                    struct decimal *out)
{
    int size = 2 * modbus_registers(value->kind);
    uint32_t bits = 0;
    long long number;
    float real;
    int error;

    for (int i = 0; i < size; i++) {
        int place = size == 4                                                      ? modbus->word_order[i] - 'A'
                    : modbus->word_order[0] == 'B' || modbus->word_order[0] == 'D' ? 1 - i
                                                                                   : i;

        bits |= (uint32_t)data[i] << (8 * (size - 1 - place));
    }
    if (value->kind == MODBUS_FLOAT32) {
        memcpy(&real, &bits, sizeof real);
        if (!isfinite(real))
            return 0;
        if (modbus->has_fault_value && real == (float)modbus->fault_value)
            return 0;
        error = float_decimal(modbus, real, out);
        return error < 0 ? error : decimal_multiply(*out, value->scale, out) < 0 ? -REJECT_RANGE : 1;
    }
    number = value->kind == MODBUS_INT16   ? (int16_t)bits
             : value->kind == MODBUS_INT32 ? (int32_t)bits
                                           : (long long)bits;
    if (modbus->has_fault_value && number == modbus->fault_value)
        return 0;
    return decimal_multiply((struct decimal){ number, 0 }, value->scale, out) < 0 ? -REJECT_RANGE : 1;
}

static struct reading fault(enum quantity quantity, const char *detail)
{
    struct reading reading = { .quantity = quantity, .status = READING_FAULT, .stable = -1, .net = -1 };

    strcpy(reading.detail, detail);
    return reading;
}

/* Every value of a whole answer; only what the section is about can make it worthless. */
static int values_of(const struct modbus *modbus, const uint8_t *data, struct reading *out, int most)
{
    struct reading readings[FRAME_READINGS];
    int count = modbus->value_count < most ? modbus->value_count : most;

    for (int i = 0; i < count; i++) {
        const struct modbus_value *value = &modbus->values[i];
        struct decimal shown;
        int found = value_of(modbus, value, data + 2 * (value->reg - modbus->first_reg), &shown);

        if (found < 0 && i == 0)
            return found;
        if (found > 0)
            readings[i] = (struct reading){
                .quantity = value->quantity, .stable = -1, .net = -1, .unit = value->unit, .shown = shown
            };
        else
            readings[i] = fault(value->quantity, found < 0 ? "out of range" : "no value");
    }
    memcpy(out, readings, (size_t)count * sizeof *out);
    return count;
}

static int decode(void *state, const uint8_t *reply, size_t length, struct reading *out, int most)
{
    const struct modbus *modbus = state;

    if (most < 1 || echo_length(modbus, reply, length) == (int)length)
        return 0;
    if (length < EXCEPTION_LENGTH || !crc_holds(reply, length))
        return -REJECT_CHECKSUM;
    if (reply[0] != modbus->address)
        return -REJECT_OTHER_REPORT;
    if (reply[1] & EXCEPTION) {
        if (reply[2] == 5 || reply[2] == 6) /* it has understood, or is busy: it answers later */
            return 0;
        *out = fault(modbus->values[0].quantity, exception_words(reply[2]));
        return 1;
    }
    if (reply[1] != modbus->function) /* an order was carried out */
        return 0;
    if (length != REPLY_OVERHEAD + 2 * (size_t)modbus->register_count) /* cut short, and whole by chance */
        return -REJECT_CHECKSUM;
    return values_of(modbus, reply + REPLY_DATA, out, most);
}

static int ask(void *state, uint8_t *out, size_t size)
{
    const struct modbus *modbus = state;

    if (size < MODBUS_REQUEST_LENGTH)
        return -ENOSPC;
    memcpy(out, modbus->request, MODBUS_REQUEST_LENGTH);
    return MODBUS_REQUEST_LENGTH;
}

static int order(void *state, enum order order, uint8_t *out, size_t size)
{
    const struct modbus *modbus = state;
    size_t length = modbus->orders[order].length;

    if (length == 0)
        return -ENOTSUP;
    if (size < length)
        return -ENOSPC;
    memcpy(out, modbus->orders[order].data, length);
    return (int)length;
}

const struct driver modbus_driver = {
    .name = "modbus",
    .summary = "Modbus RTU over a serial line: values in registers, read with one request",
    .transport = TRANSPORT_SERIAL,
    .state_size = sizeof(struct modbus),
    .configure = modbus_configure,
    .frame = frame,
    .decode = decode,
    .ask = ask,
    .order = order,
};
