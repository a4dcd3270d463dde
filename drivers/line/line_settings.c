/* The settings of the `line` driver, read and checked once. */
#include "line.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int refuse(const struct setting *setting, struct why *why, const char *wanted)
{
    return why_set(why, -EINVAL, "line %d: %s = %s: %s", setting->line, setting->key, setting->value, wanted);
}

static int yes_or_no(const struct setting *setting, bool *out, struct why *why)
{
    if (strcmp(setting->value, "yes") != 0 && strcmp(setting->value, "no") != 0)
        return refuse(setting, why, "write yes or no");
    *out = setting->value[0] == 'y';
    return 0;
}

static int set_layout(struct line *line, const struct setting *setting, struct why *why)
{
    if (strcmp(setting->value, "stx-status") == 0)
        line->layout = LINE_STX_STATUS;
    else if (strcmp(setting->value, "stx-letter") == 0)
        line->layout = LINE_STX_LETTER;
    else
        return refuse(setting, why, "the layouts are stx-status and stx-letter; text needs no layout");
    return 0;
}

static int set_checksum(struct line *line, const struct setting *setting, struct why *why)
{
    return yes_or_no(setting, &line->checksum, why);
}

static int set_seven_bit(struct line *line, const struct setting *setting, struct why *why)
{
    return yes_or_no(setting, &line->seven_bit, why);
}

static int set_decimal(struct line *line, const struct setting *setting, struct why *why)
{
    if (strcmp(setting->value, "comma") == 0)
        line->decimal = ',';
    else if (strcmp(setting->value, "point") == 0)
        line->decimal = '.';
    else
        return refuse(setting, why, "write comma or point");
    return 0;
}

static int set_unit(struct line *line, const struct setting *setting, struct why *why)
{
    enum unit unit = unit_find(setting->value, strlen(setting->value));

    if (unit == UNIT_NONE || unit == UNIT_PIECES)
        return refuse(setting, why, "no unit known here; write g, kg, oz, lb, %, Bx, C, F, kPa, bar or psi");
    line->unit = unit;
    return 0;
}

static int set_temperature_unit(struct line *line, const struct setting *setting, struct why *why)
{
    enum unit unit = unit_find(setting->value, strlen(setting->value));

    if (unit != UNIT_CELSIUS && unit != UNIT_FAHRENHEIT)
        return refuse(setting, why, "write C or F");
    line->temperature_unit = unit;
    return 0;
}

static int set_blank_unit(struct line *line, const struct setting *setting, struct why *why)
{
    if (strcmp(setting->value, "moving") != 0)
        return refuse(setting, why, "a blank unit can only mean moving");
    line->blank_unit_moving = true;
    return 0;
}

static int set_fields(struct line *line, const struct setting *setting, struct why *why)
{
    const char *at = setting->value;
    int readings = 0;

    line->field_count = 0;
    for (;;) {
        char name[32] = "";
        size_t length = strcspn(at, ","), first = strspn(at, " \t");
        enum quantity quantity;

        while (length > first && (at[length - 1] == ' ' || at[length - 1] == '\t'))
            length--;
        if (length <= first || length - first >= sizeof name)
            return refuse(setting, why, "a field without a name; write nd, brix, temperature, or - for one to skip");
        memcpy(name, at + first, length - first);
        quantity = strcmp(name, "nd") == 0 ? QUANTITY_REFRACTIVE_INDEX : quantity_find(name);
        if (quantity == QUANTITY_NONE && strcmp(name, "-") != 0)
            return refuse(setting, why, "the fields are mass, strength, brix, nd, temperature, pressure, -");
        if (line->field_count == (int)(sizeof line->fields / sizeof *line->fields))
            return refuse(setting, why, "more than 16 fields");
        readings += quantity != QUANTITY_NONE;
        line->fields[line->field_count++] = quantity;
        at += strcspn(at, ",");
        if (*at == '\0')
            break;
        at++;
    }
    if (readings == 0 || readings > FRAME_READINGS)
        return refuse(setting, why, "one to four of the fields can be read; the others are -");
    if (line->layout != LINE_PATTERN)
        line->layout = LINE_FIELDS;
    return 0;
}

static int set_separator(struct line *line, const struct setting *setting, struct why *why)
{
    static const struct {
        const char *name;
        char separator;
    } names[] = { { "comma", ',' }, { "semicolon", ';' }, { "space", ' ' }, { "tab", '\t' } };

    for (size_t i = 0; i < sizeof names / sizeof *names; i++)
        if (strcmp(setting->value, names[i].name) == 0) {
            line->separator = names[i].separator;
            return 0;
        }
    if (strlen(setting->value) != 1 || strchr("+-.0123456789", setting->value[0]) != NULL)
        return refuse(setting, why, "one character, or comma, semicolon, space, tab");
    line->separator = setting->value[0];
    return 0;
}

static int set_prefix(struct line *line, const struct setting *setting, struct why *why)
{
    if (setting->value[0] == '\0' || strlen(setting->value) >= LINE_FRAME_MOST)
        return refuse(setting, why, "the text in front of the number, as GROSS");
    free((char *)line->prefix);
    line->prefix = strdup(setting->value);
    if (line->prefix == NULL)
        return why_set(why, -ENOMEM, "line %d: no memory for %s", setting->line, setting->key);
    line->prefix_length = strlen(line->prefix);
    return 0;
}

static int set_pattern(struct line *line, const struct setting *setting, struct why *why)
{
    int error;

    line_pattern_free(line->pattern);
    line->pattern = NULL;
    error = line_pattern_new(&line->pattern, setting->value, why);
    if (error < 0)
        return why_prefix(why, error, "line %d: pattern: ", setting->line);
    line->layout = LINE_PATTERN;
    return 0;
}

/* "10 to 40", in °C. */
static int set_sample_temperature(struct line *line, const struct setting *setting, struct why *why)
{
    double lowest, highest;
    int end = -1;

    if (sscanf(setting->value, "%lf to %lf%n", &lowest, &highest, &end) != 2 || setting->value[end] != '\0'
        || !(lowest < highest) || lowest < -20 || highest > 150)
        return refuse(setting, why, "write the lowest and the highest in degrees Celsius, as 10 to 40");
    line->sample_lowest_c = lowest;
    line->sample_highest_c = highest;
    line->sample_limited = true;
    return 0;
}

static const struct {
    const char *key;
    int (*set)(struct line *line, const struct setting *setting, struct why *why);
} keys[] = {
    { "layout", set_layout },         { "checksum", set_checksum }, { "seven_bit", set_seven_bit },
    { "decimal", set_decimal },       { "unit", set_unit },         { "temperature_unit", set_temperature_unit },
    { "blank_unit", set_blank_unit }, { "fields", set_fields },     { "separator", set_separator },
    { "prefix", set_prefix },         { "pattern", set_pattern },   { "sample_temperature", set_sample_temperature },
};

static int apply(struct line *line, const char *driver, const struct setting *setting, struct why *why)
{
    for (size_t i = 0; i < sizeof keys / sizeof *keys; i++)
        if (strcmp(setting->key, keys[i].key) == 0)
            return keys[i].set(line, setting, why);
    return why_set(why, -EINVAL, "line %d: the driver %s knows no key '%s'", setting->line, driver, setting->key);
}

static bool given(const struct instrument_config *config, const char *key)
{
    for (size_t i = 0; i < config->setting_count; i++)
        if (strcmp(config->settings[i].key, key) == 0)
            return true;
    return false;
}

/* Settings that do not go together. */
static int check_together(const struct line *line, const struct instrument_config *config, struct why *why)
{
    if (given(config, "layout") + given(config, "fields") + given(config, "pattern") > 1)
        return why_set(why, -EINVAL, "line %d: %s has more than one of layout, fields and pattern; keep one",
                       config->line, config->name);
    if (line->checksum && line->layout != LINE_STX_STATUS)
        return why_set(why, -EINVAL, "line %d: %s has checksum without layout = stx-status", config->line,
                       config->name);
    if (given(config, "separator") && line->layout != LINE_FIELDS)
        return why_set(why, -EINVAL, "line %d: %s has separator without fields", config->line, config->name);
    if (line->prefix && line->layout != LINE_TEXT)
        return why_set(why, -EINVAL, "line %d: %s has prefix, which goes with text lines only", config->line,
                       config->name);
    if (line->layout == LINE_FIELDS && line->decimal == ',' && line->separator == ',')
        return why_set(why, -EINVAL, "line %d: %s has a comma as separator and as decimal sign", config->line,
                       config->name);
    return 0;
}

static int copy_orders(struct line *line, const struct instrument_config *config, struct why *why)
{
    const struct bytes *from[ORDER_COUNT + 1] = { &config->ask };

    for (int i = 0; i < ORDER_COUNT; i++)
        from[i + 1] = &config->orders[i];
    for (int i = 0; i <= ORDER_COUNT; i++) {
        if (from[i]->length > LINE_ORDER_MOST)
            return why_set(why, -EINVAL, "line %d: %s has an order of %zu bytes; %d is the most", config->line,
                           config->name, from[i]->length, LINE_ORDER_MOST);
        if (from[i]->length == 0)
            continue;
        memcpy(i == 0 ? line->ask.data : line->orders[i - 1].data, from[i]->data, from[i]->length);
        *(i == 0 ? &line->ask.length : &line->orders[i - 1].length) = from[i]->length;
    }
    return 0;
}

int line_configure(void *state, const struct instrument_config *config, struct why *why)
{
    struct line *line = state;
    int error;

    memset(line, 0, sizeof *line);
    line->quantity = config->quantity;
    line->temperature_unit = UNIT_CELSIUS;
    line->separator = ',';
    line->joined = true;
    error = copy_orders(line, config, why);
    for (size_t i = 0; error == 0 && i < config->setting_count; i++)
        error = apply(line, config->driver ? config->driver : "line", &config->settings[i], why);
    if (error == 0)
        error = check_together(line, config, why);
    if (error < 0)
        line_release(line);
    return error;
}

void line_release(void *state)
{
    struct line *line = state;

    free((char *)line->prefix);
    line_pattern_free(line->pattern);
    line->prefix = NULL;
    line->pattern = NULL;
}
