/* The `modbus` driver: instruments that answer Modbus RTU, one value per section.
 *
 * Sources: MODBUS Application Protocol 1.1b3 (functions 3, 4, 6, 16, exceptions) and MODBUS over
 * Serial Line 1.02 (RTU framing, CRC). */
#include "driver.h"

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

enum {
    READ_HOLDING = 3, READ_INPUT = 4, WRITE_ONE = 6, WRITE_SEVERAL = 16, EXCEPTION = 0x80,
    ADDRESS_MOST = 247,
    CRC_LENGTH = 2, REQUEST_LENGTH = 8, WRITTEN_REPLY_LENGTH = 8, EXCEPTION_LENGTH = 5, REPLY_OVERHEAD = 5,
    WRITE_MOST = 4,             /* registers of an order: a command bit, or a value */
    ORDER_MOST = 9 + 2 * WRITE_MOST,
    FLOAT_DIGITS_MOST = 9       /* enough to tell any two single-precision numbers apart */
};

enum kind { KIND_INT16, KIND_UINT16, KIND_INT32, KIND_UINT32, KIND_FLOAT32 };

static const char *const kind_names[] = {"int16", "uint16", "int32", "uint32", "float32"};

struct modbus {
    uint8_t address, function;
    uint16_t reg;               /* as the protocol counts them, from 0 */
    enum kind kind;
    char word_order[5];         /* which byte of the value, A the highest, comes first, second, ... */
    struct decimal scale;
    int decimals;               /* of a float; -1: as many as tell it apart */
    enum unit unit;
    enum quantity quantity;
    bool has_fault_value;
    long long fault_value;
    uint8_t request[REQUEST_LENGTH];
    struct {
        uint8_t data[ORDER_MOST];
        size_t length;
    } orders[ORDER_COUNT];
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

static void add_crc(uint8_t *frame, size_t length)
{
    uint16_t crc = crc16(frame, length);

    frame[length] = crc & 0xff;         /* low byte first */
    frame[length + 1] = crc >> 8;
}

static bool crc_holds(const uint8_t *frame, size_t length)
{
    return length > CRC_LENGTH &&
           crc16(frame, length - CRC_LENGTH) == (frame[length - 2] | frame[length - 1] << 8);
}

static int register_count(const struct modbus *modbus)
{
    return modbus->kind == KIND_INT16 || modbus->kind == KIND_UINT16 ? 1 : 2;
}

/* --- settings ------------------------------------------------------------------------------------ */

static int refuse(const struct setting *setting, struct why *why, const char *wanted)
{
    return why_set(why, -EINVAL, "line %d: %s = %s: %s", setting->line, setting->key, setting->value, wanted);
}

/* A whole number, decimal or 0x...  */
static bool whole(const char *text, long long least, long long most, long long *out)
{
    char *end;
    long long value;

    if (!isdigit((unsigned char)text[0]) && text[0] != '-')
        return false;
    errno = 0;
    value = strtoll(text, &end, 0);
    if (errno != 0 || *end != '\0' || value < least || value > most)
        return false;
    *out = value;
    return true;
}

static int set_number(struct modbus *modbus, const struct setting *setting, struct why *why)
{
    long long value;

    if (strcmp(setting->key, "address") == 0) {
        if (!whole(setting->value, 1, ADDRESS_MOST, &value))
            return refuse(setting, why, "the instrument's address, 1 to 247");
        modbus->address = (uint8_t)value;
    } else if (strcmp(setting->key, "function") == 0) {
        if (!whole(setting->value, READ_HOLDING, READ_INPUT, &value))
            return refuse(setting, why, "3 for a holding register, 4 for an input register");
        modbus->function = (uint8_t)value;
    } else if (strcmp(setting->key, "register") == 0) {
        if (!whole(setting->value, 0, 0xffff, &value))
            return refuse(setting, why, "0 to 65535, as the protocol counts them (40001 in a table is often 0 here)");
        modbus->reg = (uint16_t)value;
    } else if (strcmp(setting->key, "decimals") == 0) {
        if (!whole(setting->value, 0, 6, &value))
            return refuse(setting, why, "the decimals that a float is worth, 0 to 6");
        modbus->decimals = (int)value;
    } else {
        if (!whole(setting->value, INT32_MIN, UINT32_MAX, &value))
            return refuse(setting, why, "the number that stands for a broken sensor");
        modbus->fault_value = value;
        modbus->has_fault_value = true;
    }
    return 0;
}

static int set_type(struct modbus *modbus, const struct setting *setting, struct why *why)
{
    for (size_t i = 0; i < sizeof kind_names / sizeof *kind_names; i++)
        if (strcmp(setting->value, kind_names[i]) == 0) {
            modbus->kind = (enum kind)i;
            return 0;
        }
    return refuse(setting, why, "the types are int16, uint16, int32, uint32, float32");
}

static int set_word_order(struct modbus *modbus, const struct setting *setting, struct why *why)
{
    static const char *const orders[] = {"ABCD", "CDAB", "BADC", "DCBA"};

    for (size_t i = 0; i < sizeof orders / sizeof *orders; i++)
        if (strcasecmp(setting->value, orders[i]) == 0) {
            strcpy(modbus->word_order, orders[i]);
            return 0;
        }
    return refuse(setting, why, "the orders are ABCD, CDAB, BADC, DCBA, where A is the highest byte");
}

static int set_scale(struct modbus *modbus, const struct setting *setting, struct why *why)
{
    if (decimal_parse(setting->value, strlen(setting->value), &modbus->scale) < 0 || modbus->scale.mantissa == 0)
        return refuse(setting, why, "what one step of the register is worth, as 0.1");
    return 0;
}

static int set_unit(struct modbus *modbus, const struct setting *setting, struct why *why)
{
    modbus->unit = unit_find(setting->value, strlen(setting->value));
    if (modbus->unit == UNIT_NONE || modbus->unit == UNIT_PIECES)
        return refuse(setting, why, "no unit known here; write g, kg, %, Bx, C, F, kPa, bar or psi");
    return 0;
}

/* "16: 1" writes 1 into register 16 with function 6; "16: 0x41AC, 0" writes two with function 16. */
static int set_write(struct modbus *modbus, enum order order, const struct setting *setting, struct why *why)
{
    uint8_t *data = modbus->orders[order].data;
    char text[64], *rest = text, *word;
    long long reg, values[WRITE_MOST];
    size_t count = 0, length;

    if (strlen(setting->value) >= sizeof text)
        return refuse(setting, why, "a register and up to four values, as 16: 1");
    strcpy(text, setting->value);
    word = strsep(&rest, ":");
    if (rest == NULL || !whole(word, 0, 0xffff, &reg))
        return refuse(setting, why, "a register and what to write into it, as 16: 1");
    while ((word = strsep(&rest, ",")) != NULL) {
        word += strspn(word, " ");
        if (count == WRITE_MOST || !whole(word, -0x8000, 0xffff, &values[count]))
            return refuse(setting, why, "up to four values of 16 bits, as 16: 1");
        count++;
    }
    data[0] = 0;                /* the address follows when all settings are known */
    data[1] = count == 1 ? WRITE_ONE : WRITE_SEVERAL;
    data[2] = (uint8_t)(reg >> 8);
    data[3] = (uint8_t)reg;
    length = 4;
    if (count > 1) {
        data[length++] = 0;
        data[length++] = (uint8_t)count;
        data[length++] = (uint8_t)(2 * count);
    }
    for (size_t i = 0; i < count; i++) {
        data[length++] = (uint8_t)(values[i] >> 8);
        data[length++] = (uint8_t)values[i];
    }
    modbus->orders[order].length = length + CRC_LENGTH;
    return 0;
}

static int set_tare(struct modbus *modbus, const struct setting *setting, struct why *why)
{
    return set_write(modbus, ORDER_TARE, setting, why);
}

static int set_zero(struct modbus *modbus, const struct setting *setting, struct why *why)
{
    return set_write(modbus, ORDER_ZERO, setting, why);
}

static const struct {
    const char *key;
    int (*set)(struct modbus *modbus, const struct setting *setting, struct why *why);
} keys[] = {
    {"address", set_number},
    {"function", set_number},
    {"register", set_number},
    {"type", set_type},
    {"word_order", set_word_order},
    {"scale", set_scale},
    {"decimals", set_number},
    {"unit", set_unit},
    {"fault_value", set_number},
    {"tare_write", set_tare},
    {"zero_write", set_zero},
};

static int apply(struct modbus *modbus, const struct setting *setting, struct why *why)
{
    for (size_t i = 0; i < sizeof keys / sizeof *keys; i++)
        if (strcmp(setting->key, keys[i].key) == 0)
            return keys[i].set(modbus, setting, why);
    return why_set(why, -EINVAL, "line %d: the driver modbus knows no key '%s'", setting->line, setting->key);
}

static int check_together(struct modbus *modbus, const struct instrument_config *config, struct why *why)
{
    if (config->ask.length > 0 || config->orders[ORDER_TARE].length > 0 || config->orders[ORDER_ZERO].length > 0)
        return why_set(why, -EINVAL, "line %d: %s speaks Modbus, which has its own way to ask; use tare_write and "
                       "zero_write for orders", config->line, config->name);
    if (modbus->quantity == QUANTITY_NONE && modbus->unit == UNIT_NONE)
        return why_set(why, -EINVAL, "line %d: %s needs a quantity or a unit", config->line, config->name);
    if (modbus->quantity == QUANTITY_NONE)
        modbus->quantity = unit_quantity(modbus->unit);
    if (modbus->unit == UNIT_NONE)
        modbus->unit = quantity_unit(modbus->quantity);
    if (unit_quantity(modbus->unit) != modbus->quantity &&
        !(modbus->unit == UNIT_PERCENT && modbus->quantity == QUANTITY_BRIX))
        return why_set(why, -EINVAL, "line %d: %s measures %s, which has no unit %s", config->line, config->name,
                       quantity_name(modbus->quantity), unit_name(modbus->unit));
    return 0;
}

static int configure(void *state, const struct instrument_config *config, struct why *why)
{
    struct modbus *modbus = state;
    int error = 0;

    memset(modbus, 0, sizeof *modbus);
    modbus->address = 1;
    modbus->function = READ_HOLDING;
    modbus->decimals = -1;
    modbus->scale = (struct decimal){1, 0};
    modbus->quantity = config->quantity;
    strcpy(modbus->word_order, "ABCD");
    for (size_t i = 0; error == 0 && i < config->setting_count; i++)
        error = apply(modbus, &config->settings[i], why);
    if (error == 0)
        error = check_together(modbus, config, why);
    if (error < 0)
        return error;
    memcpy(modbus->request, (uint8_t[]){modbus->address, modbus->function, (uint8_t)(modbus->reg >> 8),
                                        (uint8_t)modbus->reg, 0, (uint8_t)register_count(modbus)}, 6);
    add_crc(modbus->request, REQUEST_LENGTH - CRC_LENGTH);
    for (int i = 0; i < ORDER_COUNT; i++)
        if (modbus->orders[i].length > 0) {
            modbus->orders[i].data[0] = modbus->address;
            add_crc(modbus->orders[i].data, modbus->orders[i].length - CRC_LENGTH);
        }
    return 0;
}

/* --- frames -------------------------------------------------------------------------------------- */

/* How long the frame would be that begins like this; 0: none of ours begins so, -1: too early to say. */
static int expected_length(const struct modbus *modbus, const uint8_t *buf, size_t length)
{
    int function = length > 1 ? buf[1] & ~EXCEPTION : modbus->function, bytes = 2 * register_count(modbus);

    if (function != modbus->function && function != WRITE_ONE && function != WRITE_SEVERAL)
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
    const uint8_t *sent[1 + ORDER_COUNT] = {modbus->request};
    size_t lengths[1 + ORDER_COUNT] = {REQUEST_LENGTH};
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
    if (damaged)                /* ours; what begins inside it is kept */
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
    static const char *const words[] = {"exception", "illegal function", "illegal data address", "illegal data value",
                                        "device failure"};

    return words[code < sizeof words / sizeof *words ? code : 0];
}

/* As many decimals as the float is worth; or the fewest digits that tell it apart. */
static int float_decimal(const struct modbus *modbus, float value, struct decimal *out)
{
    enum { EXPONENT_MOST = 12 };        /* no instrument shows more; keeps what follows within bounds */
    double steps = round((double)value * pow(10, modbus->decimals));
    char text[32], *to = text, *mark;
    int digits = 1, exponent;

    if (modbus->decimals >= 0) {
        if (!(fabs(steps) < 1e15))      /* exact in a double */
            return -REJECT_RANGE;
        *out = (struct decimal){(int64_t)steps, -modbus->decimals};
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
    for (const char *from = text; from < mark; from++)      /* the point goes, whatever the locale makes of it */
        if (isdigit((unsigned char)*from) || *from == '-')
            *to++ = *from;
    *to = '\0';
    *out = (struct decimal){strtoll(text, NULL, 10), value != 0 ? exponent : 0};
    return 0;
}

/* 1: a value in *out, 0: the instrument says that it has none, negative: a reject reason. */
static int value_of(const struct modbus *modbus, const uint8_t *data, struct decimal *out)
{
    int size = 2 * register_count(modbus);
    uint32_t bits = 0;
    long long number;
    float real;
    int error;

    for (int i = 0; i < size; i++) {
        int place = size == 4 ? modbus->word_order[i] - 'A' : modbus->word_order[0] == 'B' ||
                    modbus->word_order[0] == 'D' ? 1 - i : i;

        bits |= (uint32_t)data[i] << (8 * (size - 1 - place));
    }
    if (modbus->kind == KIND_FLOAT32) {
        memcpy(&real, &bits, sizeof real);
        if (!isfinite(real))
            return 0;
        if (modbus->has_fault_value && real == (float)modbus->fault_value)
            return 0;
        error = float_decimal(modbus, real, out);
        return error < 0 ? error : decimal_multiply(*out, modbus->scale, out) < 0 ? -REJECT_RANGE : 1;
    }
    number = modbus->kind == KIND_INT16   ? (int16_t)bits
             : modbus->kind == KIND_INT32 ? (int32_t)bits
                                          : (long long)bits;
    if (modbus->has_fault_value && number == modbus->fault_value)
        return 0;
    return decimal_multiply((struct decimal){number, 0}, modbus->scale, out) < 0 ? -REJECT_RANGE : 1;
}

static int decode(void *state, const uint8_t *reply, size_t length, struct reading *out, int most)
{
    const struct modbus *modbus = state;
    struct reading reading = {.quantity = modbus->quantity, .stable = -1, .net = -1, .unit = modbus->unit};
    int found;

    if (most < 1 || echo_length(modbus, reply, length) == (int)length)
        return 0;
    if (length < EXCEPTION_LENGTH || !crc_holds(reply, length))
        return -REJECT_CHECKSUM;
    if (reply[0] != modbus->address)
        return -REJECT_OTHER_REPORT;
    if (reply[1] & EXCEPTION) {
        if (reply[2] == 5 || reply[2] == 6)     /* it has understood, or is busy: it answers later */
            return 0;
        reading.status = READING_FAULT;
        strcpy(reading.detail, exception_words(reply[2]));
    } else if (reply[1] != modbus->function) {
        return 0;               /* an order was carried out */
    } else {
        found = value_of(modbus, reply + 3, &reading.shown);
        if (found < 0)
            return found;
        if (found == 0) {
            reading.status = READING_FAULT;
            strcpy(reading.detail, "no value");
        }
    }
    if (reading.status != READING_OK)
        reading.unit = UNIT_NONE;
    *out = reading;
    return 1;
}

static int ask(void *state, uint8_t *out, size_t size)
{
    const struct modbus *modbus = state;

    if (size < REQUEST_LENGTH)
        return -ENOSPC;
    memcpy(out, modbus->request, REQUEST_LENGTH);
    return REQUEST_LENGTH;
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
    .summary = "Modbus RTU over a serial line: one value in one or two registers",
    .transport = TRANSPORT_SERIAL,
    .state_size = sizeof(struct modbus),
    .configure = configure,
    .frame = frame,
    .decode = decode,
    .ask = ask,
    .order = order,
};
