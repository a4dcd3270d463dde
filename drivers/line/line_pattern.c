/* Layouts given as a pattern: compiled once, matched whole, with a bound on the work, because the
 * lines are untrusted and the pattern may be careless. */
#define PCRE2_CODE_UNIT_WIDTH 8
#include "line.h"

#include <errno.h>
#include <pcre2.h>
#include <stdlib.h>
#include <string.h>

enum {
    /* A line has at most 80 bytes and an honest pattern passes it in hundreds of steps; a pattern that
     * backtracks over all ways to cut it is stopped well within a millisecond. */
    MATCH_STEPS_MOST = 10000,
    MATCH_DEPTH_MOST = 1000,
};

enum group { VALUE, UNIT, SIGN, STABLE, OVER, UNDER, FAULT, TEMPERATURE, GROUP_COUNT };

static const char *const group_names[GROUP_COUNT] = {
    "value", "unit", "sign", "stable", "over", "under", "error", "temperature",
};

struct line_pattern {
    pcre2_code *code;
    pcre2_match_data *match;
    pcre2_match_context *limits;
    int groups[GROUP_COUNT]; /* number of the group; 0: the pattern has none */
};

static int read_groups(struct line_pattern *pattern, struct why *why)
{
    uint32_t count, size;
    PCRE2_SPTR entry;

    pcre2_pattern_info(pattern->code, PCRE2_INFO_NAMECOUNT, &count);
    pcre2_pattern_info(pattern->code, PCRE2_INFO_NAMEENTRYSIZE, &size);
    pcre2_pattern_info(pattern->code, PCRE2_INFO_NAMETABLE, &entry);
    for (uint32_t i = 0; i < count; i++, entry += size) {
        const char *name = (const char *)entry + 2; /* two bytes of number stand in front */
        int group = 0;

        while (group < GROUP_COUNT && strcmp(name, group_names[group]) != 0)
            group++;
        if (group == GROUP_COUNT)
            return why_set(why, -EINVAL,
                           "no group is called '%s'; they are value, unit, sign, stable, over, under, "
                           "error, temperature",
                           name);
        pattern->groups[group] = entry[0] << 8 | entry[1];
    }
    if (pattern->groups[VALUE] == 0)
        return why_set(why, -EINVAL, "it needs a group (?<value>...) around the digits");
    return 0;
}

int line_pattern_new(struct line_pattern **out, const char *text, struct why *why)
{
    struct line_pattern *pattern = calloc(1, sizeof *pattern);
    PCRE2_UCHAR message[128];
    PCRE2_SIZE place;
    int code, error;

    if (pattern == NULL)
        return why_set(why, -ENOMEM, "no memory for a pattern");
    pattern->code =
        pcre2_compile((PCRE2_SPTR)text, PCRE2_ZERO_TERMINATED, PCRE2_ANCHORED | PCRE2_ENDANCHORED, &code, &place, NULL);
    if (pattern->code == NULL) {
        pcre2_get_error_message(code, message, sizeof message);
        line_pattern_free(pattern);
        return why_set(why, -EINVAL, "%s, at character %zu", (const char *)message, place + 1);
    }
    error = read_groups(pattern, why);
    if (error == 0) {
        pcre2_jit_compile(pattern->code, PCRE2_JIT_COMPLETE); /* where it cannot, the interpreter does */
        pattern->match = pcre2_match_data_create_from_pattern(pattern->code, NULL);
        pattern->limits = pcre2_match_context_create(NULL);
        if (pattern->match == NULL || pattern->limits == NULL)
            error = why_set(why, -ENOMEM, "no memory for a pattern");
    }
    if (error < 0) {
        line_pattern_free(pattern);
        return error;
    }
    pcre2_set_match_limit(pattern->limits, MATCH_STEPS_MOST);
    pcre2_set_depth_limit(pattern->limits, MATCH_DEPTH_MOST);
    *out = pattern;
    return 0;
}

void line_pattern_free(struct line_pattern *pattern)
{
    if (pattern == NULL)
        return;
    pcre2_match_context_free(pattern->limits);
    pcre2_match_data_free(pattern->match);
    pcre2_code_free(pattern->code);
    free(pattern);
}

/* What a group matched, blanks around it left out; length 0 when it took no part. */
static struct line_text group_text(const struct line_pattern *pattern, struct line_text text, enum group group)
{
    const PCRE2_SIZE *places = pcre2_get_ovector_pointer(pattern->match);
    PCRE2_SIZE from, to;

    if (pattern->groups[group] == 0)
        return (struct line_text){ NULL, 0 };
    from = places[2 * pattern->groups[group]];
    to = places[2 * pattern->groups[group] + 1];
    if (from == PCRE2_UNSET || to <= from)
        return (struct line_text){ NULL, 0 };
    while (from < to && text.text[from] == ' ')
        from++;
    while (from < to && text.text[to - 1] == ' ')
        to--;
    return (struct line_text){ text.text + from, to - from };
}

static int signed_number(const struct line *line, struct line_text digits, bool negative, struct decimal *out)
{
    if (digits.text[0] == '-' || digits.text[0] == '+') {
        negative = negative != (digits.text[0] == '-');
        digits.text++;
        digits.length--;
    }
    while (digits.length > 0 && digits.text[0] == ' ') {
        digits.text++;
        digits.length--;
    }
    return digits.length > 0 ? line_number(line, digits.text, digits.length, negative, out) : -REJECT_NUMBER;
}

/* The unit that the line shows, else the configured one, else the only possible one. */
static enum unit value_unit(const struct line *line, struct line_text shown)
{
    if (shown.length > 0)
        return unit_find(shown.text, shown.length);
    if (line->unit != UNIT_NONE)
        return line->unit;
    if (line->quantity == QUANTITY_TEMPERATURE)
        return line->temperature_unit;
    return line->quantity == QUANTITY_MASS || line->quantity == QUANTITY_PRESSURE ? UNIT_NONE
                                                                                  : quantity_unit(line->quantity);
}

static int value_reading(const struct line *line, struct line_text text, struct reading *out)
{
    struct line_text digits = group_text(line->pattern, text, VALUE);
    struct line_text sign = group_text(line->pattern, text, SIGN);
    enum unit unit = value_unit(line, group_text(line->pattern, text, UNIT));
    enum quantity quantity = unit_quantity(unit);
    struct decimal shown;
    int error;

    if (digits.length == 0)
        return -REJECT_NUMBER;
    if (unit == UNIT_NONE)
        return -REJECT_UNIT;
    if (unit == UNIT_PERCENT && line->quantity != QUANTITY_NONE && line->quantity != QUANTITY_STRENGTH) {
        if (line->quantity != QUANTITY_BRIX)
            return -REJECT_UNIT;
        quantity = QUANTITY_BRIX;
    }
    error = signed_number(line, digits, sign.length == 1 && sign.text[0] == '-', &shown);
    if (error == 0)
        error = line_reading(quantity, unit, shown, out);
    if (error < 0)
        return error;
    if (line->pattern->groups[STABLE] != 0)
        out->stable = group_text(line->pattern, text, STABLE).length > 0;
    return 0;
}

int line_pattern_decode(const struct line *line, struct line_text text, struct reading *out, int most)
{
    const struct line_pattern *pattern = line->pattern;
    struct line_text temperature, words;
    struct decimal shown;
    int error = pcre2_match(pattern->code, (PCRE2_SPTR)text.text, text.length, 0, 0, pattern->match, pattern->limits);

    if (error < 0)
        return -REJECT_GRAMMAR; /* no match, or more work than a line is worth */
    words = group_text(pattern, text, FAULT);
    error = 0;
    if (words.length > 0)
        line_reading_fault(line, READING_FAULT, words.text, words.length, out);
    else if (group_text(pattern, text, OVER).length > 0)
        line_reading_fault(line, READING_OVERLOAD, "", 0, out);
    else if (group_text(pattern, text, UNDER).length > 0)
        line_reading_fault(line, READING_UNDERLOAD, "", 0, out);
    else
        error = value_reading(line, text, out);
    temperature = group_text(pattern, text, TEMPERATURE);
    if (error < 0 || temperature.length == 0 || most < 2)
        return error < 0 ? error : 1;
    error = signed_number(line, temperature, false, &shown);
    if (error == 0)
        error = line_reading(QUANTITY_TEMPERATURE, line->temperature_unit, shown, out + 1);
    return error < 0 ? error : 2;
}
