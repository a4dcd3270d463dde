/* Numbers and readings of the `line` driver: decimal signs, ranges, faults.  No parsing of lines. */
#include "line.h"

#include <errno.h>
#include <string.h>

/* What an instrument of this kind can show at all (common practice, no source): outside it the line is
 * damaged or means something else. */
static const struct {
    double lowest, highest;
} ranges[QUANTITY_COUNT] = {
    [QUANTITY_STRENGTH] = { -5, 100 }, /* % */
    [QUANTITY_BRIX] = { -5, 100 },     /* °Bx */
    [QUANTITY_REFRACTIVE_INDEX] = { 1.3, 1.7 },
    [QUANTITY_TEMPERATURE] = { -20, 150 }, /* °C */
};

/* Marks that group thousands: one to three digits, then groups of three, up to the end. */
static bool groups_well(const char *text, size_t length, char mark)
{
    size_t run = 0, groups = 0;

    for (size_t i = 0; i < length; i++) {
        if (text[i] == mark) {
            if (run == 0 || run > 3 || (groups > 0 && run != 3))
                return false;
            groups++;
            run = 0;
        } else {
            run++;
        }
    }
    return groups == 0 || run == 3;
}

/* The decimal sign of a number, by configuration or by evidence; 0: it has none.  Negative: a reject reason. */
static int decimal_sign(const struct line *line, const char *text, size_t length)
{
    const char *comma = memchr(text, ',', length), *last_comma = memrchr(text, ',', length);
    const char *point = memchr(text, '.', length), *last_point = memrchr(text, '.', length);

    if (line->decimal == ',')
        return comma ? ',' : 0;
    if (!comma || line->decimal == '.')
        return point ? '.' : 0;
    if (point)
        return last_point > last_comma ? '.' : ',';
    if (comma != last_comma)
        return 0;
    return text + length - comma == 4 ? -REJECT_AMBIGUOUS_COMMA : ','; /* 1,234 */
}

int line_number(const struct line *line, const char *text, size_t length, bool negative, struct decimal *out)
{
    char plain[LINE_FRAME_MOST + 2];
    size_t whole = length, count = 0;
    int sign = decimal_sign(line, text, length), error;
    char grouping = sign == ',' || (sign == 0 && line->decimal == ',') ? '.' : ',';

    if (sign < 0)
        return sign;
    if (length > LINE_FRAME_MOST)
        return -REJECT_NUMBER;
    if (sign > 0) {
        whole = (size_t)((const char *)memchr(text, sign, length) - text);
        if (memchr(text + whole + 1, ',', length - whole - 1) || memchr(text + whole + 1, '.', length - whole - 1))
            return -REJECT_NUMBER;
    }
    if (!groups_well(text, whole, grouping))
        return -REJECT_NUMBER;
    if (negative)
        plain[count++] = '-';
    for (size_t i = 0; i < length; i++)
        if (i == whole)
            plain[count++] = '.';
        else if (text[i] != grouping)
            plain[count++] = text[i];
    error = decimal_parse(plain, count, out);
    return error == 0 ? 0 : error == -ERANGE ? -REJECT_RANGE : -REJECT_NUMBER;
}

static double celsius(enum unit unit, double shown)
{
    return unit == UNIT_FAHRENHEIT ? (shown - 32) * 5 / 9 : shown;
}

int line_reading(enum quantity quantity, enum unit unit, struct decimal shown, struct reading *out)
{
    double value;

    if (ranges[quantity].highest > 0) {
        value = decimal_to_double(shown);
        if (quantity == QUANTITY_TEMPERATURE)
            value = celsius(unit, value);
        if (value < ranges[quantity].lowest || value > ranges[quantity].highest)
            return -REJECT_RANGE;
    }
    *out = (struct reading){
        .quantity = quantity, .status = READING_OK, .stable = -1, .net = -1, .unit = unit, .shown = shown
    };
    return 0;
}

void line_reading_fault(const struct line *line, enum reading_status status, const char *detail, size_t length,
                        struct reading *out)
{
    *out = (struct reading){ .quantity = line->quantity, .status = status, .stable = -1, .net = -1, .unit = UNIT_NONE };
    if (length >= sizeof out->detail)
        length = sizeof out->detail - 1;
    memcpy(out->detail, detail, length);
}

void line_limit_sample(const struct line *line, struct reading *readings, int count)
{
    bool outside = false;
    double sample_c;

    for (int i = 0; i < count; i++) {
        if (readings[i].quantity != QUANTITY_TEMPERATURE || readings[i].status != READING_OK)
            continue;
        sample_c = celsius(readings[i].unit, decimal_to_double(readings[i].shown));
        outside = outside || sample_c < line->sample_lowest_c || sample_c > line->sample_highest_c;
    }
    for (int i = 0; i < count && outside; i++)
        if (readings[i].quantity != QUANTITY_TEMPERATURE && readings[i].status == READING_OK)
            strcpy(readings[i].detail, "temp-out-of-range");
}
