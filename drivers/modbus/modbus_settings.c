/* What an [instrument] section says of a Modbus instrument: its values, orders, and the request made of them. */
#include "modbus.h"

#include <ctype.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

enum { ADDRESS_MOST = 247, REGISTER_MOST = 0xffff, WORDS_MOST = 5, TEXT_MOST = 256 };

static const char *const kind_names[] = { "int16", "uint16", "int32", "uint32", "float32" };

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
        if (!whole(setting->value, MODBUS_READ_HOLDING, MODBUS_READ_INPUT, &value))
            return refuse(setting, why, "3 for a holding register, 4 for an input register");
        modbus->function = (uint8_t)value;
    } else if (strcmp(setting->key, "register") == 0) {
        if (!whole(setting->value, 0, REGISTER_MOST, &value))
            return refuse(setting, why, "0 to 65535, as the protocol counts them (40001 in a table is often 0 here)");
        modbus->values[0].reg = (uint16_t)value;
    } else if (strcmp(setting->key, "decimals") == 0) {
        if (!whole(setting->value, 0, 6, &value))
            return refuse(setting, why, "the decimals that a float is worth, 0 to 6");
        modbus->decimals = (int)value;
    } else {
        if (!whole(setting->value, INT32_MIN, UINT32_MAX, &value))
            return refuse(setting, why, "the number that means a broken sensor");
        modbus->fault_value = value;
        modbus->has_fault_value = true;
    }
    return 0;
}

static bool find_kind(const char *word, enum modbus_kind *out)
{
    for (size_t i = 0; i < sizeof kind_names / sizeof *kind_names; i++)
        if (strcmp(word, kind_names[i]) == 0) {
            *out = (enum modbus_kind)i;
            return true;
        }
    return false;
}

static bool find_unit(const char *word, enum unit *out)
{
    enum unit unit = unit_find(word, strlen(word));

    if (unit == UNIT_NONE || unit == UNIT_PIECES)
        return false;
    *out = unit;
    return true;
}

static bool find_scale(const char *word, struct decimal *out)
{
    struct decimal scale;

    if (decimal_parse(word, strlen(word), &scale) < 0 || scale.mantissa == 0)
        return false;
    *out = scale;
    return true;
}

static int set_type(struct modbus *modbus, const struct setting *setting, struct why *why)
{
    if (find_kind(setting->value, &modbus->values[0].kind))
        return 0;
    return refuse(setting, why, "the types are int16, uint16, int32, uint32, float32");
}

static int set_word_order(struct modbus *modbus, const struct setting *setting, struct why *why)
{
    static const char *const orders[] = { "ABCD", "CDAB", "BADC", "DCBA" };

    for (size_t i = 0; i < sizeof orders / sizeof *orders; i++)
        if (strcasecmp(setting->value, orders[i]) == 0) {
            strcpy(modbus->word_order, orders[i]);
            return 0;
        }
    return refuse(setting, why, "the orders are ABCD, CDAB, BADC, DCBA, where A is the highest byte");
}

static int set_scale(struct modbus *modbus, const struct setting *setting, struct why *why)
{
    if (find_scale(setting->value, &modbus->values[0].scale))
        return 0;
    return refuse(setting, why, "what one step of the register is worth, as 0.1");
}

static int set_unit(struct modbus *modbus, const struct setting *setting, struct why *why)
{
    if (find_unit(setting->value, &modbus->values[0].unit))
        return 0;
    return refuse(setting, why, "no unit known here; write g, kg, %, Bx, C, F, kPa, bar or psi");
}

/* "16: 1" writes 1 into register 16 with function 6; "16: 0x41AC, 0" writes two with function 16. */
static int set_write(struct modbus *modbus, enum order order, const struct setting *setting, struct why *why)
{
    uint8_t *data = modbus->orders[order].data;
    char text[64], *rest = text, *word;
    long long reg, values[MODBUS_WRITE_MOST];
    size_t count = 0, length;

    if (strlen(setting->value) >= sizeof text)
        return refuse(setting, why, "a register and up to four values, as 16: 1");
    strcpy(text, setting->value);
    word = strsep(&rest, ":");
    if (rest == NULL || !whole(word, 0, 0xffff, &reg))
        return refuse(setting, why, "a register and what to write into it, as 16: 1");
    while ((word = strsep(&rest, ",")) != NULL) {
        word += strspn(word, " ");
        if (count == MODBUS_WRITE_MOST || !whole(word, -0x8000, 0xffff, &values[count]))
            return refuse(setting, why, "up to four values of 16 bits, as 16: 1");
        count++;
    }
    data[0] = 0; /* the address follows when all settings are known */
    data[1] = count == 1 ? MODBUS_WRITE_ONE : MODBUS_WRITE_SEVERAL;
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
    modbus->orders[order].length = length + MODBUS_CRC_LENGTH;
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

/* "temperature 2 int16 0.1 C": what it is and where, then whatever of type, scale and unit has to be said. */
static int add_value(struct modbus *modbus, const struct setting *setting, char *text, struct why *why)
{
    struct modbus_value value = { .scale = { 1, 0 }, .kind = modbus->values[0].kind };
    char *words[WORDS_MOST], *rest = text, *word;
    int count = 0;
    long long reg;

    if (modbus->value_count == FRAME_READINGS)
        return refuse(setting, why, "at most three values besides the section's own");
    while ((word = strsep(&rest, " \t")))
        if (*word && count < WORDS_MOST)
            words[count++] = word;
        else if (*word)
            return refuse(setting, why, "too many words for one value; separate values by commas");
    if (count < 2 || (value.quantity = quantity_find(words[0])) == QUANTITY_NONE
        || !whole(words[1], 0, REGISTER_MOST, &reg))
        return refuse(setting, why,
                      "a quantity and its register, then type, scale and unit if they differ: "
                      "temperature 2 int16 0.1 C");
    value.reg = (uint16_t)reg;
    for (int i = 2; i < count; i++)
        if (!find_kind(words[i], &value.kind) && !find_scale(words[i], &value.scale)
            && !find_unit(words[i], &value.unit))
            return refuse(setting, why,
                          "behind the register stand a type (int16, uint16, int32, uint32, float32), a "
                          "scale as 0.1, and a unit");
    modbus->values[modbus->value_count++] = value;
    return 0;
}

/* When the section's own type is known, which the others share unless they say otherwise. */
static int add_values(struct modbus *modbus, const struct setting *setting, struct why *why)
{
    char text[TEXT_MOST], *rest = text, *one;
    int error = 0;

    if (strlen(setting->value) >= sizeof text)
        return refuse(setting, why, "at most three values besides the section's own");
    strcpy(text, setting->value);
    while (error == 0 && (one = strsep(&rest, ",")))
        error = add_value(modbus, setting, one, why);
    return error;
}

static const struct {
    const char *key;
    int (*set)(struct modbus *modbus, const struct setting *setting, struct why *why);
} keys[] = {
    { "address", set_number },        { "function", set_number }, { "register", set_number }, { "type", set_type },
    { "word_order", set_word_order }, { "scale", set_scale },     { "decimals", set_number }, { "unit", set_unit },
    { "fault_value", set_number },    { "tare_write", set_tare }, { "zero_write", set_zero },
};

static int apply(struct modbus *modbus, const struct setting *setting, struct why *why)
{
    for (size_t i = 0; i < sizeof keys / sizeof *keys; i++)
        if (strcmp(setting->key, keys[i].key) == 0)
            return keys[i].set(modbus, setting, why);
    if (strcmp(setting->key, "also") == 0)
        return 0; /* add_values reads it when all others are known */
    return why_set(why, -EINVAL, "line %d: the driver modbus knows no key '%s'", setting->line, setting->key);
}

/* A quantity and a unit say what the other is; together they have to fit. */
static int complete(struct modbus_value *value, const struct instrument_config *config, struct why *why)
{
    if (value->quantity == QUANTITY_NONE && value->unit == UNIT_NONE)
        return why_set(why, -EINVAL, "line %d: %s needs a quantity or a unit", config->line, config->name);
    if (value->quantity == QUANTITY_NONE)
        value->quantity = unit_quantity(value->unit);
    if (value->unit == UNIT_NONE)
        value->unit = quantity_unit(value->quantity);
    if (unit_quantity(value->unit) != value->quantity
        && !(value->unit == UNIT_PERCENT && value->quantity == QUANTITY_BRIX))
        return why_set(why, -EINVAL, "line %d: %s measures %s, which has no unit %s", config->line, config->name,
                       quantity_name(value->quantity), unit_name(value->unit));
    return 0;
}

static int check_together(struct modbus *modbus, const struct instrument_config *config, struct why *why)
{
    int error = 0;

    if (config->ask.length > 0 || config->orders[ORDER_TARE].length > 0 || config->orders[ORDER_ZERO].length > 0)
        return why_set(why, -EINVAL,
                       "line %d: %s is a Modbus instrument, which is asked in its own way; use tare_write and "
                       "zero_write for orders",
                       config->line, config->name);
    for (int i = 0; error == 0 && i < modbus->value_count; i++) {
        error = complete(&modbus->values[i], config, why);
        for (int j = 0; error == 0 && j < i; j++)
            if (modbus->values[i].quantity == modbus->values[j].quantity)
                error = why_set(why, -EINVAL, "line %d: %s measures %s twice; an instrument has one value of a kind",
                                config->line, config->name, quantity_name(modbus->values[i].quantity));
    }
    return error;
}

/* One request from the first register to the last. */
static int make_request(struct modbus *modbus, const struct instrument_config *config, struct why *why)
{
    int first = REGISTER_MOST, end = 0;

    for (int i = 0; i < modbus->value_count; i++) {
        const struct modbus_value *value = &modbus->values[i];
        int value_end = value->reg + modbus_registers(value->kind);

        first = value->reg < first ? value->reg : first;
        end = value_end > end ? value_end : end;
    }
    if (end > REGISTER_MOST + 1)
        return why_set(why, -EINVAL, "line %d: %s has a value of two registers in the last register, %d", config->line,
                       config->name, REGISTER_MOST);
    if (end - first > MODBUS_REGISTERS_MOST)
        return why_set(why, -EINVAL,
                       "line %d: the values of %s are read with one request, which reaches over %d "
                       "registers at most, not %d",
                       config->line, config->name, MODBUS_REGISTERS_MOST, end - first);
    modbus->first_reg = (uint16_t)first;
    modbus->register_count = end - first;
    memcpy(modbus->request,
           (uint8_t[]){ modbus->address, modbus->function, (uint8_t)(first >> 8), (uint8_t)first, 0,
                        (uint8_t)modbus->register_count },
           MODBUS_REQUEST_LENGTH - MODBUS_CRC_LENGTH);
    modbus_add_crc(modbus->request, MODBUS_REQUEST_LENGTH - MODBUS_CRC_LENGTH);
    return 0;
}

int modbus_configure(void *state, const struct instrument_config *config, struct why *why)
{
    struct modbus *modbus = state;
    int error = 0;

    memset(modbus, 0, sizeof *modbus);
    modbus->address = 1;
    modbus->function = MODBUS_READ_HOLDING;
    modbus->decimals = -1;
    modbus->value_count = 1;
    modbus->values[0] = (struct modbus_value){ .quantity = config->quantity, .scale = { 1, 0 } };
    strcpy(modbus->word_order, "ABCD");
    for (size_t i = 0; error == 0 && i < config->setting_count; i++)
        error = apply(modbus, &config->settings[i], why);
    for (size_t i = 0; error == 0 && i < config->setting_count; i++)
        if (strcmp(config->settings[i].key, "also") == 0)
            error = add_values(modbus, &config->settings[i], why);
    if (error == 0)
        error = check_together(modbus, config, why);
    if (error == 0)
        error = make_request(modbus, config, why);
    if (error < 0)
        return error;
    for (int i = 0; i < ORDER_COUNT; i++)
        if (modbus->orders[i].length > 0) {
            modbus->orders[i].data[0] = modbus->address;
            modbus_add_crc(modbus->orders[i].data, modbus->orders[i].length - MODBUS_CRC_LENGTH);
        }
    return 0;
}
