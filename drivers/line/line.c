/* The `line` driver: ASCII over a serial line, in the layouts that many makers share.
 *
 * Here: where a frame ends, cleaning it, and the two layouts framed by STX.  Text is line_text.c. */
#include "line.h"

#include <errno.h>
#include <string.h>

enum {
    NUL = 0x00,
    STX = 0x02,
    ETX = 0x03,
    LF = 0x0a,
    CR = 0x0d,
    XON = 0x11,
    XOFF = 0x13,
    SEVEN_BITS = 0x7f,

    /* STX, three status bytes, six digits weight, six digits tare, CR */
    STATUS_WEIGHT = 4,
    STATUS_TARE = 10,
    STATUS_DIGITS = 6,
    STATUS_CR = 16,
    STATUS_LENGTH = 17,
    /* STX, sign, seven digits, letter, ETX */
    LETTER_SIGN = 1,
    LETTER_WEIGHT = 2,
    LETTER_DIGITS = 7,
    LETTER_LETTER = 9,
    LETTER_ETX = 10,
    LETTER_LENGTH = 11,
};

/* What adapters and power-up leave between the bytes that mean something. */
static bool is_fill(uint8_t byte)
{
    return byte == NUL || byte == 0xff || byte == XON || byte == XOFF;
}

static bool is_line_end(uint8_t byte)
{
    return byte == CR || byte == LF || byte == ETX;
}

static uint8_t seven(const struct line *line, uint8_t byte)
{
    return line->seven_bit ? byte & SEVEN_BITS : byte;
}

static void opened(void *state)
{
    struct line *line = state;

    line->joined = line->layout != LINE_STX_STATUS && line->layout != LINE_STX_LETTER;
    line->skipping = false;
}

/* A whole line with its end; CR LF is one end when both are there.  A line that is too long is
 * dropped once, and its rest passes as frames that say nothing. */
static ssize_t text_frame(struct line *line, const uint8_t *buf, size_t length)
{
    size_t end = 0;

    while (end < length && !is_line_end(seven(line, buf[end])))
        end++;
    if (end == length) {
        if (line->skipping)
            return (ssize_t)length;
        if (length < LINE_FRAME_MOST)
            return 0;
        line->skipping = true;
        return -(ssize_t)length;
    }
    if (end >= LINE_FRAME_MOST && !line->skipping) {
        line->joined = false;
        return -(ssize_t)(end + 1);
    }
    if (seven(line, buf[end]) == CR && end + 1 < length && seven(line, buf[end + 1]) == LF)
        end++;
    return (ssize_t)end + 1;
}

/* A frame of fixed length from STX to an end at a fixed place.  A false start is dropped up to the next STX. */
static ssize_t stx_frame(const struct line *line, const uint8_t *buf, size_t length, size_t end_place, uint8_t end,
                         size_t whole)
{
    size_t next = 0;

    if (length == 0)
        return 0;
    if (seven(line, buf[0]) == STX) {
        for (next = 1; next < length && next <= end_place && seven(line, buf[next]) != STX; next++)
            if (next == end_place && seven(line, buf[next]) == end)
                return length >= whole ? (ssize_t)whole : 0;
        if (next == length && next <= end_place)
            return 0;
    }
    while (next < length && seven(line, buf[next]) != STX)
        next++;
    return -(ssize_t)next;
}

static ssize_t frame(void *state, const uint8_t *buf, size_t length)
{
    struct line *line = state;

    switch (line->layout) {
    case LINE_STX_STATUS:
        return stx_frame(line, buf, length, STATUS_CR, CR, line->checksum ? STATUS_LENGTH + 1 : STATUS_LENGTH);
    case LINE_STX_LETTER:
        return stx_frame(line, buf, length, LETTER_ETX, ETX, LETTER_LENGTH);
    default:
        return text_frame(line, buf, length);
    }
}

/* Digits of a fixed field: blanks in front, then digits with at most one point. */
static int fixed_number(const struct line *line, const char *field, size_t length, bool negative, struct decimal *out)
{
    size_t blanks = 0;

    while (blanks < length && field[blanks] == ' ')
        blanks++;
    if (blanks == length)
        return -REJECT_GRAMMAR;
    return line_number(line, field + blanks, length - blanks, negative, out);
}

/* Fields of the three status bytes.  The vectors confirm the bits that they use; the steps x100 and
 * above, the ounces and the power-up bit are from memory of the layout and common practice, no source. */
enum {
    STATUS_ALWAYS = 0x20,  /* set in all three, so that none is a control character */
    STATUS_A_POINT = 0x07, /* 0: x100, 1: x10, 2: x1, 3: x0.1, ... */
    STATUS_B_NET = 0x01,
    STATUS_B_NEGATIVE = 0x02,
    STATUS_B_OVER = 0x04,
    STATUS_B_MOVING = 0x08,
    STATUS_B_KILOGRAM = 0x10,
    STATUS_B_POWER_UP = 0x40,
    STATUS_C_UNIT = 0x07,     /* 0: what byte B says, 1: g, 3: oz, 4: troy oz */
    STATUS_C_EXPANDED = 0x10, /* ten times finer for a moment: not decoded */
};

static bool checksum_holds(const char *frame)
{
    unsigned sum = 0;

    for (int i = 0; i <= STATUS_LENGTH; i++)
        sum += (unsigned char)frame[i];
    return (sum & SEVEN_BITS) == 0; /* the last byte is the two's complement of the others' sum */
}

static enum unit status_unit(char b, char c)
{
    switch (c & STATUS_C_UNIT) {
    case 0:
        return b & STATUS_B_KILOGRAM ? UNIT_KILOGRAM : UNIT_POUND;
    case 1:
        return UNIT_GRAM;
    case 3:
        return UNIT_OUNCE;
    case 4:
        return UNIT_TROY_OUNCE;
    default:
        return UNIT_NONE;
    }
}

static int status_decode(const struct line *line, const char *frame, struct reading *out)
{
    char a = frame[1], b = frame[2], c = frame[3];
    bool negative = b & STATUS_B_NEGATIVE;
    struct decimal shown;
    enum unit unit;
    int error;

    if (line->checksum && !checksum_holds(frame))
        return -REJECT_CHECKSUM;
    if (!(a & b & c & STATUS_ALWAYS) || (b & STATUS_B_POWER_UP) || (c & STATUS_C_EXPANDED))
        return -REJECT_STATUS;
    if (b & STATUS_B_OVER) {
        line_reading_fault(line, negative ? READING_UNDERLOAD : READING_OVERLOAD, "", 0, out);
        return 1;
    }
    for (int i = STATUS_WEIGHT; i < STATUS_CR; i++)
        if (frame[i] != ' ' && (frame[i] < '0' || frame[i] > '9'))
            return -REJECT_NUMBER;
    error = fixed_number(line, frame + STATUS_WEIGHT, STATUS_DIGITS, negative, &shown);
    if (error < 0)
        return error;
    unit = status_unit(b, c);
    if (unit == UNIT_NONE)
        return -REJECT_UNIT;
    shown.exponent = 2 - (a & STATUS_A_POINT);
    error = line_reading(QUANTITY_MASS, unit, shown, out);
    if (error < 0)
        return error;
    out->stable = !(b & STATUS_B_MOVING);
    out->net = b & STATUS_B_NET;
    return 1;
}

static int letter_decode(const struct line *line, const char *frame, struct reading *out)
{
    char sign = frame[LETTER_SIGN], letter = frame[LETTER_LETTER];
    struct decimal shown;
    int error;

    if (letter == 'O' || letter == 'U' || letter == 'E') {
        line_reading_fault(line,
                           letter == 'O'   ? READING_OVERLOAD
                           : letter == 'U' ? READING_UNDERLOAD
                                           : READING_FAULT,
                           "", 0, out);
        return 1;
    }
    if (letter != 'G' && letter != 'N' && letter != 'M')
        return -REJECT_STATUS;
    if (sign != ' ' && sign != '+' && sign != '-')
        return -REJECT_GRAMMAR;
    error = fixed_number(line, frame + LETTER_WEIGHT, LETTER_DIGITS, sign == '-', &shown);
    if (error < 0)
        return error;
    if (line->unit == UNIT_NONE)
        return -REJECT_UNIT;
    error = line_reading(unit_quantity(line->unit), line->unit, shown, out);
    if (error < 0)
        return error;
    out->stable = letter != 'M';
    out->net = letter == 'M' ? -1 : letter == 'N'; /* while it moves the letter has no room for more */
    return 1;
}

/* The two STX layouts have every byte at its place: nothing is taken out, a high bit is damage. */
static int stx_decode(const struct line *line, const uint8_t *frame, size_t length, struct reading *out)
{
    char clean[STATUS_LENGTH + 1];
    size_t whole = line->layout == LINE_STX_LETTER ? LETTER_LENGTH : line->checksum ? STATUS_LENGTH + 1 : STATUS_LENGTH;

    if (length != whole)
        return -REJECT_GRAMMAR;
    for (size_t i = 0; i < length; i++) {
        clean[i] = (char)seven(line, frame[i]);
        if (clean[i] & ~SEVEN_BITS)
            return -REJECT_HIGH_BIT;
    }
    return line->layout == LINE_STX_STATUS ? status_decode(line, clean, out) : letter_decode(line, clean, out);
}

/* Bytes of a degree sign: 0xB0 as Latin-1 has it, 0xDF as the usual character displays have it, C2 B0 as
 * UTF-8.  Only between a number and the letter of its unit: anywhere else a high bit is damage. */
static size_t degree_sign(const uint8_t *byte, const uint8_t *end, char before)
{
    size_t length = *byte == 0xb0 || *byte == 0xdf ? 1 : *byte == 0xc2 && byte + 1 < end && byte[1] == 0xb0 ? 2 : 0;

    if (length == 0 || byte + length >= end || strchr("CcFfBb", byte[length]) == NULL || byte[length] == 0)
        return 0;
    return before == ' ' || before == '.' || (before >= '0' && before <= '9') ? length : 0;
}

/* The bytes that mean something, with tabs as blanks unless they separate fields.  Returns their count or
 * a negative reject reason. */
static int clean_text(const struct line *line, const uint8_t *frame, size_t length, char *out)
{
    const uint8_t *end = frame + length;
    size_t count = 0, degree;

    for (const uint8_t *at = frame; at < end; at++) {
        uint8_t byte = is_fill(*at) ? *at : seven(line, *at);

        if (is_fill(byte) || (is_line_end(byte) && at + 2 >= end))
            continue;
        if (byte == '\t' && line->separator != '\t')
            byte = ' ';
        if (byte & ~SEVEN_BITS) {
            degree = degree_sign(at, end, count > 0 ? out[count - 1] : '\0');
            if (degree == 0)
                return -REJECT_HIGH_BIT;
            memcpy(out + count, at, degree);
            count += degree;
            at += degree - 1;
            continue;
        }
        if ((byte < ' ' && byte != '\t' && !(byte == STX && count == 0)) || byte == SEVEN_BITS)
            return -REJECT_CONTROL;
        out[count++] = (char)byte;
    }
    return (int)count;
}

bool line_is_blank(struct line_text text)
{
    for (size_t i = 0; i < text.length; i++)
        if (text.text[i] != ' ')
            return false;
    return true;
}

int line_readings(const struct line *line, struct line_text text, struct reading *out, int most)
{
    struct reading readings[FRAME_READINGS];
    int count;

    if (most > FRAME_READINGS)
        most = FRAME_READINGS;
    if (line->layout == LINE_PATTERN)
        count = line_pattern_decode(line, text, readings, most);
    else if (line->layout == LINE_FIELDS)
        count = line_fields_decode(line, text, readings, most);
    else
        count = line_text_decode(line, text, readings, most);
    if (count > 0) {
        if (line->sample_limited)
            line_limit_sample(line, readings, count);
        memcpy(out, readings, (size_t)count * sizeof *out);
    }
    return count;
}

static int text_decode(struct line *line, const uint8_t *frame, size_t length, struct reading *out, int most)
{
    char clean[LINE_FRAME_MOST + 1]; /* CR LF may reach one byte further */
    struct line_text text = { .text = clean };
    bool joined = line->joined;
    int count;

    if (line->skipping) {
        line->skipping = !is_line_end(seven(line, frame[length - 1]));
        line->joined = line->joined && line->skipping;
        return 0;
    }
    if (length > sizeof clean)
        return -REJECT_OVERLONG;
    count = clean_text(line, frame, length, clean);
    line->joined = false;
    if (count < 0)
        return joined ? -REJECT_FIRST : count;
    text.length = (size_t)count;
    if (text.length > 0 && text.text[0] == STX) { /* framed: whole even when it is the first */
        text.text++;
        text.length--;
        joined = false;
    }
    if (line_is_blank(text))
        return 0;
    return joined ? -REJECT_FIRST : line_readings(line, text, out, most);
}

static int decode(void *state, const uint8_t *frame_bytes, size_t length, struct reading *out, int most)
{
    struct line *line = state;

    if (length == 0 || most < 1)
        return 0;
    if (line->layout == LINE_STX_STATUS || line->layout == LINE_STX_LETTER)
        return stx_decode(line, frame_bytes, length, out);
    return text_decode(line, frame_bytes, length, out, most);
}

static int ask(void *state, uint8_t *out, size_t size)
{
    const struct line *line = state;

    if (line->ask.length > size)
        return -ENOSPC;
    memcpy(out, line->ask.data, line->ask.length);
    return (int)line->ask.length;
}

static int order(void *state, enum order order, uint8_t *out, size_t size)
{
    const struct line *line = state;

    if (line->orders[order].length == 0)
        return -ENOTSUP;
    if (line->orders[order].length > size)
        return -ENOSPC;
    memcpy(out, line->orders[order].data, line->orders[order].length);
    return (int)line->orders[order].length;
}

const struct driver line_driver = {
    .name = "line",
    .summary = "text over a serial line: scales and refractometers that print what they show",
    .transport = TRANSPORT_SERIAL,
    .state_size = sizeof(struct line),
    .configure = line_configure,
    .release = line_release,
    .opened = opened,
    .frame = frame,
    .decode = decode,
    .ask = ask,
    .order = order,
};
