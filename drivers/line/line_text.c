/* Text lines of the `line` driver: a status header or none, labels, numbers with units, words for what
 * is no number, and lists of fields.  A line that does not match whole is rejected, never guessed at. */
#include "line.h"

#include <ctype.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

/* Where the parser stands. */
struct cursor {
    const char *at, *end;
};

struct word {
    const char *text;
    size_t length;
};

/* One number as a line shows it. */
struct item {
    enum quantity label; /* QUANTITY_NONE: no label */
    struct word digits, unit;
    bool negative;
};

/* What a word says when it stands where a number would. */
static const struct {
    const char *words;
    enum reading_status status;
    const char *detail;
} no_numbers[] = {
    { "OL", READING_OVERLOAD, "" },
    { "+OL", READING_OVERLOAD, "" },
    { "H", READING_OVERLOAD, "" },
    { "^^^^^^", READING_OVERLOAD, "" }, /* all upper segments of a display, as text */
    { "UL", READING_UNDERLOAD, "" },
    { "-OL", READING_UNDERLOAD, "" },
    { "L", READING_UNDERLOAD, "" },
    { "______", READING_UNDERLOAD, "" },
    { "LLL", READING_FAULT, "under-range" },
    { "HHH", READING_FAULT, "over-range" },
    { "NO SAMPLE", READING_FAULT, "no-sample" },
    { "NO OPTICAL IMAGE", READING_FAULT, "low-light" },
    { "LOW IMAGE QUALITY", READING_FAULT, "low-quality" },
    { "OUTSIDE LIGHT", READING_FAULT, "outside-light" }, /* shines into the prism */
    { "EXTERNAL LIGHT", READING_FAULT, "outside-light" },
    { "NNN", READING_FAULT, "outside-light" }, /* where LLL and HHH are the range */
    { "TEMP ERR", READING_FAULT, "temperature" },
    { "ES", READING_FAULT, "ES" }, /* a command it did not understand */
};

/* What stands in front of a number and says what it is. */
static const struct {
    const char *label;
    enum quantity quantity;
} labels[] = {
    { "Brix", QUANTITY_BRIX },    { "Bx", QUANTITY_BRIX },       { "nD", QUANTITY_REFRACTIVE_INDEX },
    { "TDS", QUANTITY_STRENGTH }, { "T", QUANTITY_TEMPERATURE }, { "Temp", QUANTITY_TEMPERATURE },
};

static bool is_digit(char byte)
{
    return byte >= '0' && byte <= '9';
}

static bool is_unit_byte(char byte)
{
    return isalpha((unsigned char)byte) || byte == '%' || (byte & 0x80);
}

static void skip_blanks(struct cursor *cursor)
{
    while (cursor->at < cursor->end && *cursor->at == ' ')
        cursor->at++;
}

static bool take(struct cursor *cursor, char byte)
{
    if (cursor->at == cursor->end || *cursor->at != byte)
        return false;
    cursor->at++;
    return true;
}

static bool equals(struct word word, const char *text)
{
    return strlen(text) == word.length && strncasecmp(word.text, text, word.length) == 0;
}

static struct word trimmed(const char *at, const char *end)
{
    while (at < end && *at == ' ')
        at++;
    while (at < end && end[-1] == ' ')
        end--;
    return (struct word){ at, (size_t)(end - at) };
}

/* What an item measures: its label, else its unit, else the configuration.  The unit is filled in where
 * only one is possible.  Returns 0 or a negative reject reason. */
static int item_meaning(const struct line *line, const struct item *item, enum quantity *quantity, enum unit *unit)
{
    enum quantity wanted = item->label != QUANTITY_NONE ? item->label : line->quantity;

    if (item->unit.length > 0) {
        *unit = unit_find(item->unit.text, item->unit.length);
        if (*unit == UNIT_NONE)
            return -REJECT_UNIT;
        *quantity = unit_quantity(*unit);
        if (*unit == UNIT_PERCENT && wanted == QUANTITY_BRIX)
            *quantity = QUANTITY_BRIX;
        if (item->label != QUANTITY_NONE && *quantity != item->label)
            return -REJECT_UNIT;
        if (*unit == UNIT_PERCENT && wanted != QUANTITY_NONE && *quantity != wanted)
            return -REJECT_UNIT; /* a scale that shows percent: no strength */
        return 0;
    }
    *quantity = wanted;
    if (line->unit != UNIT_NONE && (wanted == QUANTITY_NONE || wanted == line->quantity)) {
        *unit = line->unit;
        if (wanted == QUANTITY_NONE)
            *quantity = unit_quantity(line->unit);
    } else if (wanted == QUANTITY_TEMPERATURE) {
        *unit = line->temperature_unit;
    } else if (wanted == QUANTITY_STRENGTH || wanted == QUANTITY_BRIX || wanted == QUANTITY_REFRACTIVE_INDEX) {
        *unit = quantity_unit(wanted);
    } else {
        return -REJECT_UNIT;
    }
    return 0;
}

static int item_reading(const struct line *line, const struct item *item, struct reading *out)
{
    enum quantity quantity;
    enum unit unit;
    struct decimal shown;
    int error = item_meaning(line, item, &quantity, &unit);

    if (error == 0)
        error = line_number(line, item->digits.text, item->digits.length, item->negative, &shown);
    return error < 0 ? error : line_reading(quantity, unit, shown, out);
}

/* Words instead of a number.  1, or 0 when it is none of them. */
static int no_number(const struct line *line, struct word word, struct reading *out)
{
    struct word core = word;

    if (word.length == 0 || is_digit(word.text[0]))
        return 0;
    if (core.length > 2 && core.text[0] == '-' && core.text[core.length - 1] == '-') /* --oL-- */
        for (; core.length > 0 && (core.text[0] == '-' || core.text[core.length - 1] == '-'); core.length--)
            core.text += core.text[0] == '-';
    for (size_t i = 0; i < sizeof no_numbers / sizeof *no_numbers; i++)
        if (equals(core, no_numbers[i].words)) {
            line_reading_fault(line, no_numbers[i].status, no_numbers[i].detail, strlen(no_numbers[i].detail), out);
            return 1;
        }
    if (word.length >= 3 && strncasecmp(word.text, "Err", 3) == 0) {
        line_reading_fault(line, READING_FAULT, word.text, word.length, out);
        return 1;
    }
    return 0;
}

static struct word take_word(struct cursor *cursor, bool (*belongs)(char))
{
    struct word word = { cursor->at, 0 };

    while (cursor->at < cursor->end && belongs(*cursor->at))
        cursor->at++;
    word.length = (size_t)(cursor->at - word.text);
    return word;
}

static enum quantity label_find(struct word word)
{
    for (size_t i = 0; i < sizeof labels / sizeof *labels; i++)
        if (equals(word, labels[i].label))
            return labels[i].quantity;
    return QUANTITY_NONE;
}

/* Sign, padding, digits with points and with commas that a digit follows.  0 or a negative reject reason. */
static int take_number(struct cursor *cursor, struct item *item)
{
    skip_blanks(cursor);
    item->negative = cursor->at < cursor->end && *cursor->at == '-';
    if (item->negative || (cursor->at < cursor->end && *cursor->at == '+'))
        cursor->at++;
    skip_blanks(cursor);
    item->digits.text = cursor->at;
    for (const char *at = cursor->at; at < cursor->end; cursor->at = ++at)
        if (!is_digit(*at) && *at != '.' && !(*at == ',' && at + 1 < cursor->end && is_digit(at[1])))
            break;
    item->digits.length = (size_t)(cursor->at - item->digits.text);
    return item->digits.length > 0 ? 0 : -REJECT_GRAMMAR;
}

/* The unit behind a number, if the next word is one: "nD 1.333 Bx 12.3" has a label there. */
static int take_unit(struct cursor *cursor, struct item *item)
{
    struct cursor ahead = *cursor;
    struct word word;
    enum unit unit;

    item->unit = (struct word){ NULL, 0 };
    skip_blanks(&ahead);
    word = take_word(&ahead, is_unit_byte);
    if (word.length == 0 || equals(word, "NET") || equals(word, "GROSS"))
        return 0;
    unit = unit_find(word.text, word.length);
    if (label_find(word) != QUANTITY_NONE && item->label != QUANTITY_NONE && item->label != unit_quantity(unit))
        return 0;
    if (unit == UNIT_NONE && label_find(word) != QUANTITY_NONE)
        return 0;
    skip_blanks(&ahead);
    if (unit == UNIT_NONE && ahead.at < ahead.end && *ahead.at != '?')
        return -REJECT_GRAMMAR; /* not a unit alone: something else stands here */
    item->unit = word;
    *cursor = ahead;
    return 0;
}

static int take_item(struct cursor *cursor, struct item *item)
{
    struct word word = { NULL, 0 };
    int error;

    skip_blanks(cursor);
    item->label = QUANTITY_NONE;
    if (cursor->at < cursor->end && isalpha((unsigned char)*cursor->at)) {
        word = take_word(cursor, is_unit_byte);
        item->label = label_find(word);
        if (item->label == QUANTITY_NONE)
            return -REJECT_GRAMMAR;
        skip_blanks(cursor);
        if (!take(cursor, '='))
            take(cursor, ':');
    }
    error = take_number(cursor, item);
    return error < 0 ? error : take_unit(cursor, item);
}

/* "NET" or "GROSS" behind the unit, then "?" for moving. */
static void take_legends(struct cursor *cursor, struct reading *reading)
{
    struct cursor ahead = *cursor;
    struct word word;

    skip_blanks(&ahead);
    word = take_word(&ahead, is_unit_byte);
    if (equals(word, "NET") || equals(word, "N") || equals(word, "GROSS") || equals(word, "G")) {
        reading->net = toupper((unsigned char)word.text[0]) == 'N';
        *cursor = ahead;
    }
    skip_blanks(cursor);
    if (take(cursor, '?'))
        reading->stable = 0;
    skip_blanks(cursor);
}

/* "2 lb 3.5 oz" is one value, in ounces: whole pounds, and fewer ounces than the next pound has. */
static int join_pounds(const struct reading *pounds, struct reading *ounces, bool negative)
{
    enum { OUNCES_PER_POUND = 16, POUNDS_MOST = 1000000, DECIMALS_MOST = 6 }; /* far within 64 bits */
    int64_t scale = 1;

    if (pounds->shown.exponent != 0 || llabs(pounds->shown.mantissa) > POUNDS_MOST || ounces->shown.exponent > 0
        || ounces->shown.exponent < -DECIMALS_MOST)
        return -REJECT_NUMBER;
    for (int i = 0; i > ounces->shown.exponent; i--)
        scale *= 10;
    if (ounces->shown.mantissa < 0 || ounces->shown.mantissa >= OUNCES_PER_POUND * scale)
        return -REJECT_NUMBER;
    if (negative)
        ounces->shown.mantissa = -ounces->shown.mantissa;
    ounces->shown.mantissa += pounds->shown.mantissa * OUNCES_PER_POUND * scale;
    return 0;
}

static bool seen_before(const struct reading *readings, int count, enum quantity quantity)
{
    for (int i = 0; i < count; i++)
        if (readings[i].quantity == quantity)
            return true;
    return false;
}

/* One number with all that belongs to it.  0 or a negative reject reason. */
static int take_reading(const struct line *line, struct cursor *cursor, bool alone, struct item *item,
                        struct reading *out)
{
    struct reading said = { .stable = -1, .net = -1 };
    bool bare;
    int error = take_item(cursor, item);

    if (error < 0)
        return error;
    bare = item->unit.length == 0 && item->label == QUANTITY_NONE;
    if (line->blank_unit_moving)
        said.stable = item->unit.length > 0;
    take_legends(cursor, &said);
    if (bare && (!alone || cursor->at < cursor->end))
        return -REJECT_GRAMMAR; /* two numbers, and nothing says which is which */
    error = item_reading(line, item, out);
    out->stable = said.stable;
    out->net = said.net;
    return error;
}

/* Numbers one after the other, each with what it is; a bare one only when it stands alone. */
static int take_readings(const struct line *line, struct cursor *cursor, struct reading *out, int most)
{
    struct item item;
    bool negative = false;
    int count = 0, error;

    do {
        struct reading reading;

        error = take_reading(line, cursor, count == 0, &item, &reading);
        if (error < 0)
            return error;
        if (count == 1 && out[0].unit == UNIT_POUND && reading.unit == UNIT_OUNCE && item.label == QUANTITY_NONE
            && !item.negative) {
            error = join_pounds(&out[0], &reading, negative);
            if (error < 0)
                return error;
            out[0] = reading;
        } else if (count == most || seen_before(out, count, reading.quantity)) {
            return -REJECT_GRAMMAR; /* two lines run into one, most likely */
        } else {
            out[count++] = reading;
        }
        negative = item.negative;
        if (!take(cursor, ','))
            take(cursor, ';');
        skip_blanks(cursor);
    } while (cursor->at < cursor->end);
    return count;
}

/* "ST", "US", "OL", "QT" and a comma; then perhaps "GS" or "NT" and a comma. */
static bool take_header(struct cursor *cursor, struct word *status, struct word *net)
{
    const char *at = cursor->at;

    if (cursor->end - at < 3 || at[2] != ',')
        return false;
    *status = (struct word){ at, 2 };
    if (!equals(*status, "ST") && !equals(*status, "US") && !equals(*status, "OL") && !equals(*status, "QT"))
        return false;
    at += 3;
    *net = (struct word){ at, 2 };
    if (cursor->end - at >= 3 && at[2] == ',' && (equals(*net, "GS") || equals(*net, "NT")))
        at += 3;
    else
        net->length = 0;
    cursor->at = at;
    return true;
}

static int header_decode(const struct line *line, struct cursor cursor, struct word status, struct word net,
                         struct reading *out)
{
    struct word rest = trimmed(cursor.at, cursor.end);
    int count;

    if (equals(status, "OL")) { /* the sign distinguishes over from under; the digits behind it mean nothing */
        line_reading_fault(line, rest.length > 0 && rest.text[0] == '-' ? READING_UNDERLOAD : READING_OVERLOAD, "", 0,
                           out);
        return 1;
    }
    if (no_number(line, rest, out))
        return 1;
    count = take_readings(line, &cursor, out, 1);
    if (count < 0)
        return count;
    if (!(line->blank_unit_moving && out->stable == 0))
        out->stable = !equals(status, "US");
    if (net.length > 0)
        out->net = equals(net, "NT");
    return 1;
}

/* "LLL 21.4": a fault, and the sample's temperature beside it. */
static int fault_with_temperature(const struct line *line, struct word rest, struct reading *out, int most)
{
    const char *blank = memchr(rest.text, ' ', rest.length);
    struct cursor cursor = { blank, rest.text + rest.length };
    struct item item;
    int error;

    if (blank == NULL || most < 2 || !no_number(line, (struct word){ rest.text, (size_t)(blank - rest.text) }, out)
        || out->detail[0] == '\0')
        return 0;
    error = take_item(&cursor, &item);
    if (error < 0 || cursor.at < cursor.end)
        return -REJECT_GRAMMAR;
    item.label = QUANTITY_TEMPERATURE;
    error = item_reading(line, &item, &out[1]);
    return error < 0 ? error : 2;
}

int line_text_decode(const struct line *line, struct line_text text, struct reading *out, int most)
{
    struct word rest = trimmed(text.text, text.text + text.length), status, net;
    struct cursor cursor;
    int count;

    if (line->prefix_length > 0) {
        if (rest.length < line->prefix_length || memcmp(rest.text, line->prefix, line->prefix_length) != 0)
            return -REJECT_GRAMMAR;
        rest = trimmed(rest.text + line->prefix_length, rest.text + rest.length);
    }
    cursor = (struct cursor){ rest.text, rest.text + rest.length };
    if (take_header(&cursor, &status, &net))
        return header_decode(line, cursor, status, net, out);
    if (no_number(line, rest, out))
        return 1;
    count = fault_with_temperature(line, rest, out, most);
    if (count != 0)
        return count;
    if (rest.length > 8 && equals((struct word){ rest.text + rest.length - 8, 8 }, "TEMP ERR")) {
        line_reading_fault(line, READING_FAULT, "temperature", strlen("temperature"), out);
        return 1; /* measured, but not compensated: no value */
    }
    return take_readings(line, &cursor, out, most);
}

/* One field of a list: empty, a fault in words, or a number perhaps with its unit.  A count or a
 * negative reject reason. */
static int field_decode(const struct line *line, struct word field, enum quantity quantity, struct reading *out)
{
    struct cursor cursor = { field.text, field.text + field.length };
    struct item item;
    int error;

    if (quantity == QUANTITY_NONE || field.length == 0)
        return 0;
    if (no_number(line, field, out)) {
        out->quantity = quantity;
        return 1;
    }
    error = take_number(&cursor, &item);
    item.label = quantity;
    if (error == 0)
        error = take_unit(&cursor, &item);
    if (error < 0)
        return error;
    if (cursor.at < cursor.end)
        return -REJECT_GRAMMAR;
    error = item_reading(line, &item, out);
    return error < 0 ? error : 1;
}

int line_fields_decode(const struct line *line, struct line_text text, struct reading *out, int most)
{
    struct word rest = trimmed(text.text, text.text + text.length);
    const char *at = rest.text, *end = rest.text + rest.length, *separator;
    int count = 0, got;

    if (no_number(line, rest, out))
        return 1;
    for (int i = 0; i < line->field_count; i++) {
        separator = memchr(at, line->separator, (size_t)(end - at));
        if ((separator == NULL) != (i == line->field_count - 1) || count == most)
            return -REJECT_GRAMMAR;
        got = field_decode(line, trimmed(at, separator ? separator : end), line->fields[i], &out[count]);
        if (got < 0)
            return got;
        count += got;
        at = separator ? separator + 1 : end;
        while (line->separator == ' ' && at < end && *at == ' ')
            at++;
    }
    return count;
}
