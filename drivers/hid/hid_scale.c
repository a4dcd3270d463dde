/* The `hid-scale` driver: USB scales that describe themselves.
 *
 * Source: USB-IF HID Point of Sale Usage Tables 1.02, Scales page (0x8D). */
#include "driver.h"
#include "hid.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum {
    PAGE = 0x8d,
    CLASS = PAGE << 16 | 0x21,
    CLASS_FIRST = CLASS + 1,
    CLASS_LAST = PAGE << 16 | 0x2a,
    DATA_WEIGHT = PAGE << 16 | 0x40,
    CALIBRATION_COUNT = PAGE << 16 | 0x60,
    ZERO_SCALE = PAGE << 16 | 0x80,
    ENFORCED_ZERO_RETURN = PAGE << 16 | 0x81,

    /* Fields of the data report, bytes behind its ID */
    DATA_STATUS = 0,
    DATA_UNIT = 1,
    DATA_EXPONENT = 2,
    DATA_WEIGHT_LOW = 3,
    DATA_LENGTH = 5,
    DATA_REPORT = 3, /* the usual ID where nothing else is said */

    STATUS_FAULT = 1,
    STATUS_ZERO,
    STATUS_MOVING,
    STATUS_STABLE,
    STATUS_BELOW_ZERO,
    STATUS_OVER,
    STATUS_CALIBRATE,
    STATUS_REZERO,

    /* From here on a weight below zero is as likely two's complement as a magnitude, and no scale goes so far below. */
    BELOW_ZERO_MOST = 0x8000,

    EXPONENT_MOST = 12, /* far beyond any scale; keeps arithmetic within bounds */
    CONTROL_MOST = 8,   /* bytes of a control report; it holds two bits */

    /* What a scale says of itself, each in a feature report; bytes with its ID */
    ABOUT_CLASS = 0,
    ABOUT_LIMIT,
    ABOUT_COUNTS,
    ABOUT_COUNT,
    ABOUT_SIZE = 5
};

/* Which of the two bits of the control report. */
enum zero_bits { BIT_ZERO, BIT_RETURN, BIT_COUNT };

struct hid_scale {
    bool described; /* what follows comes from the report descriptor */
    bool has_ids;
    bool data_given; /* by the configuration: it wins over the descriptor */
    uint8_t data_report;
    uint32_t weight_bit, weight_bits;
    uint8_t zero_kind, zero_report; /* 0: it cannot be zeroed from here */
    uint32_t zero_bit[BIT_COUNT], zero_length;
    bool has_bit[BIT_COUNT], wants_bit[BIT_COUNT];
    bool asks; /* for what it says of itself */
    struct {
        uint8_t report; /* 0: it has none */
        bool answered;
        uint8_t bytes[ABOUT_SIZE];
    } about[ABOUT_COUNT];
    bool stale; /* the first report may be an old one that waited */
};

static const enum unit units[] = {
    [1] = UNIT_MILLIGRAM,   [2] = UNIT_GRAM,   [3] = UNIT_KILOGRAM, [4] = UNIT_CARAT,
    [10] = UNIT_TROY_OUNCE, [11] = UNIT_OUNCE, [12] = UNIT_POUND, /* the others (tael, grain, pennyweight, tons) weigh
                                                                     no coffee */
};

static int set_data_report(struct hid_scale *scale, const struct setting *setting, struct why *why)
{
    char *end;
    unsigned long id = strtoul(setting->value, &end, 10);

    if (setting->value[0] < '1' || setting->value[0] > '9' || *end != '\0' || id > 255)
        return why_set(why, -EINVAL, "line %d: data_report = %s: the ID of the report with the weight, 1 to 255",
                       setting->line, setting->value);
    scale->data_report = (uint8_t)id;
    scale->data_given = true;
    return 0;
}

static int set_features(struct hid_scale *scale, const struct setting *setting, struct why *why)
{
    scale->asks = strcmp(setting->value, "yes") == 0;
    if (scale->asks || strcmp(setting->value, "no") == 0)
        return 0;
    return why_set(why, -EINVAL, "line %d: features = %s: write yes or no", setting->line, setting->value);
}

static int set_zero_bits(struct hid_scale *scale, const struct setting *setting, struct why *why)
{
    bool both = strcmp(setting->value, "both") == 0;

    scale->wants_bit[BIT_ZERO] = both || strcmp(setting->value, "zero") == 0;
    scale->wants_bit[BIT_RETURN] = both || strcmp(setting->value, "return") == 0;
    if (scale->wants_bit[BIT_ZERO] || scale->wants_bit[BIT_RETURN])
        return 0;
    return why_set(why, -EINVAL, "line %d: zero_bits = %s: write zero, return or both", setting->line, setting->value);
}

static const struct {
    const char *key;
    int (*set)(struct hid_scale *scale, const struct setting *setting, struct why *why);
} keys[] = { { "data_report", set_data_report }, { "features", set_features }, { "zero_bits", set_zero_bits } };

static int set(struct hid_scale *scale, const struct setting *setting, struct why *why)
{
    for (size_t i = 0; i < sizeof keys / sizeof *keys; i++)
        if (strcmp(setting->key, keys[i].key) == 0)
            return keys[i].set(scale, setting, why);
    return why_set(why, -EINVAL, "line %d: the driver hid-scale knows no key '%s'", setting->line, setting->key);
}

static int configure(void *state, const struct instrument_config *config, struct why *why)
{
    struct hid_scale *scale = state;
    int error = 0;

    memset(scale, 0, sizeof *scale);
    scale->has_ids = true;
    scale->data_report = DATA_REPORT;
    scale->stale = scale->asks = scale->wants_bit[BIT_ZERO] = true;
    for (size_t i = 0; error == 0 && i < config->setting_count; i++)
        error = set(scale, &config->settings[i], why);
    if (error < 0)
        return error;
    if (config->quantity != QUANTITY_NONE && config->quantity != QUANTITY_MASS)
        return why_set(why, -EINVAL, "line %d: %s is a scale; its quantity is mass", config->line, config->name);
    return 0;
}

/* Feature reports are asked for only where they are laid out as the tables have them. */
static void note_about(struct hid_scale *scale, const struct hid_field *field, uint32_t usage)
{
    uint8_t id = field->report_id;

    if (field->collection == CLASS && usage >= CLASS_FIRST && usage <= CLASS_LAST && field->bit_offset == 0
        && field->bits == 8)
        scale->about[ABOUT_CLASS].report = id;
    if (usage == DATA_WEIGHT && field->bit_offset == 16 && field->bits == 16)
        scale->about[ABOUT_LIMIT].report = id;
    if (usage == CALIBRATION_COUNT && field->bit_offset == 0 && field->bits == 16)
        scale->about[ABOUT_COUNTS].report = id;
}

static void note_zero(struct hid_scale *scale, const struct hid_field *field, int at)
{
    enum zero_bits bit = field->usages[at] == ZERO_SCALE ? BIT_ZERO : BIT_RETURN;

    if (!scale->wants_bit[bit])
        return;
    scale->zero_kind = (uint8_t)field->kind;
    scale->zero_report = field->report_id;
    scale->zero_bit[bit] = field->bit_offset + (uint32_t)at * field->bits;
    scale->has_bit[bit] = true;
}

/* Notes what is needed of one field; the zero report is as long as its last field says. */
static void note_field(void *context, const struct hid_field *field)
{
    struct hid_scale *scale = context;
    uint32_t end = (field->bit_offset + field->bits * field->count + 7) / 8;

    if (field->report_id != 0)
        scale->has_ids = true;
    for (int i = 0; i < field->usage_count; i++) {
        if (field->usages[i] == DATA_WEIGHT && field->kind == HID_INPUT) {
            if (!scale->data_given)
                scale->data_report = field->report_id;
            scale->weight_bit = field->bit_offset;
            scale->weight_bits = field->bits;
            scale->described = true;
        }
        if ((field->usages[i] == ZERO_SCALE || field->usages[i] == ENFORCED_ZERO_RETURN) && field->kind != HID_INPUT
            && (uint32_t)i < field->count)
            note_zero(scale, field, i);
        if (field->kind == HID_FEATURE)
            note_about(scale, field, field->usages[i]);
    }
    if (scale->zero_kind == field->kind && scale->zero_report == field->report_id && end > scale->zero_length)
        scale->zero_length = end;
}

static int describe(void *state, const uint8_t *descriptor, size_t length, struct why *why)
{
    struct hid_scale *scale = state, found = *scale;

    found.has_ids = false;
    found.described = false;
    found.zero_kind = 0;
    found.zero_length = 0;
    memset(found.has_bit, 0, sizeof found.has_bit);
    memset(found.about, 0, sizeof found.about);
    if (hid_walk(descriptor, length, note_field, &found) < 0 || !found.described)
        return why_set(why, -ENODEV, "the device does not describe itself as a scale");
    if (found.weight_bit != 8 * DATA_WEIGHT_LOW || found.weight_bits != 16)
        return why_set(why, -ENODEV,
                       "the scale describes its weight in a way that is not known here (%u bits at "
                       "bit %u)",
                       (unsigned)found.weight_bits, (unsigned)found.weight_bit);
    for (int i = 0; i < BIT_COUNT; i++)
        if (found.wants_bit[i] && (!found.has_bit[i] || found.zero_bit[i] / 8 >= found.zero_length))
            found.zero_kind = 0;
    if (found.zero_length > CONTROL_MOST)
        found.zero_kind = 0;
    *scale = found;
    return 0;
}

static void opened(void *state)
{
    struct hid_scale *scale = state;

    scale->stale = true;
}

static ssize_t frame(void *state, const uint8_t *buf, size_t length)
{
    (void)state;
    return length > 0 && length > buf[0] ? 1 + buf[0] : 0;
}

static bool is_empty(const uint8_t *report, size_t length)
{
    for (size_t i = 0; i < length; i++)
        if (report[i] != 0)
            return false;
    return true;
}

/* Statuses without a value; 0 when there is one. */
static int without_value(const uint8_t *data, struct reading *out)
{
    uint8_t status = data[DATA_STATUS];
    int weight = data[DATA_WEIGHT_LOW] | data[DATA_WEIGHT_LOW + 1] << 8;
    const char *fault = NULL;

    if (status == STATUS_OVER)
        out->status = READING_OVERLOAD;
    else if (status == STATUS_BELOW_ZERO && (weight == 0 || weight >= BELOW_ZERO_MOST)) /* many send no weight */
        out->status = READING_UNDERLOAD;
    else if (status == STATUS_FAULT)
        fault = "fault";
    else if (status == STATUS_CALIBRATE)
        fault = "needs calibration";
    else if (status == STATUS_REZERO)
        fault = "needs zeroing";
    else
        return 0;
    if (fault) {
        out->status = READING_FAULT;
        strcpy(out->detail, fault);
    }
    return 1;
}

static int data_decode(const uint8_t *data, struct reading *out)
{
    struct reading reading = { .quantity = QUANTITY_MASS, .stable = -1, .net = -1 };
    uint8_t status = data[DATA_STATUS], unit = data[DATA_UNIT];
    int exponent = (int8_t)data[DATA_EXPONENT];

    if (status < STATUS_FAULT || status > STATUS_REZERO)
        return -REJECT_STATUS;
    if (!without_value(data, &reading)) {
        if (unit == 0)
            return 0; /* sent by some for a moment after zeroing */
        if (unit >= sizeof units / sizeof *units || units[unit] == UNIT_NONE)
            return -REJECT_UNIT;
        if (exponent < -EXPONENT_MOST || exponent > EXPONENT_MOST)
            return -REJECT_RANGE;
        reading.unit = units[unit];
        reading.shown.mantissa = data[DATA_WEIGHT_LOW] | data[DATA_WEIGHT_LOW + 1] << 8;
        reading.shown.exponent = exponent;
        if (status == STATUS_BELOW_ZERO)
            reading.shown.mantissa = -reading.shown.mantissa;
        if (status == STATUS_MOVING)
            reading.stable = 0;
        if (status == STATUS_ZERO || status == STATUS_STABLE)
            reading.stable = 1;
    }
    *out = reading;
    return 1;
}

static int decode(void *state, const uint8_t *frame_bytes, size_t length, struct reading *out, int most)
{
    struct hid_scale *scale = state;
    const uint8_t *report = frame_bytes + 1;
    struct reading reading;
    int count;

    if (length < 2 || most < 1)
        return 0;
    length--;
    if (is_empty(report, length))
        return 0; /* what a read that failed looks like */
    if (scale->has_ids) {
        if (report[0] != scale->data_report)
            return -REJECT_OTHER_REPORT;
        report++;
        length--;
    }
    if (length < DATA_LENGTH) /* longer ones are filled up to the packet's size */
        return -REJECT_GRAMMAR;
    count = data_decode(report, &reading);
    if (scale->stale && count != 0) {
        scale->stale = false;
        return -REJECT_FIRST;
    }
    if (count > 0)
        *out = reading;
    return count;
}

/* --- what it says of itself ------------------------------------------------------------------------ */

static const uint8_t about_lengths[ABOUT_COUNT] = {
    [ABOUT_CLASS] = 3, /* ID, class, unit */
    [ABOUT_LIMIT] = 5, /* ID, unit, exponent, weight */
    [ABOUT_COUNTS] = 5 /* ID, calibrations, zeroings */
};

static int features(void *state, struct hid_feature *out, int most)
{
    const struct hid_scale *scale = state;
    int count = 0;

    for (int i = 0; scale->asks && i < ABOUT_COUNT && count < most; i++)
        if (scale->about[i].report != 0)
            out[count++] = (struct hid_feature){ scale->about[i].report, about_lengths[i] };
    return count;
}

static void feature(void *state, const uint8_t *report, size_t length)
{
    struct hid_scale *scale = state;

    for (int i = 0; i < ABOUT_COUNT; i++)
        if (scale->about[i].report != 0 && length >= about_lengths[i] && report[0] == scale->about[i].report) {
            memcpy(scale->about[i].bytes, report, about_lengths[i]);
            scale->about[i].answered = true;
        }
}

/* Nothing when the scale names no limit, which is what zero means. */
static int limit_words(const uint8_t *report, char *out, size_t size)
{
    uint8_t unit = report[1];
    int exponent = (int8_t)report[2];
    struct decimal limit = { report[3] | report[4] << 8, exponent };
    char digits[40];

    if (limit.mantissa == 0 || exponent < -EXPONENT_MOST || exponent > EXPONENT_MOST
        || unit >= sizeof units / sizeof *units || units[unit] == UNIT_NONE
        || decimal_format(limit, digits, sizeof digits) < 0)
        return 0;
    return snprintf(out, size, "weighs up to %s %s", digits, unit_name(units[unit]));
}

static int about_words(const struct hid_scale *scale, int which, char *out, size_t size)
{
    static const char *const classes[] = {
        NULL, "I", "II", "III", "IIIL", "IV", "III", "IIIL", "IV"
    }; /* 0x22 to 0x29 */
    const uint8_t *report = scale->about[which].bytes;

    if (!scale->about[which].answered)
        return 0;
    if (which == ABOUT_LIMIT)
        return limit_words(report, out, size);
    if (which == ABOUT_COUNTS)
        return snprintf(out, size, "calibrated %d times, zeroed %d times", report[1] | report[2] << 8,
                        report[3] | report[4] << 8);
    if (report[1] == 0 || report[1] >= sizeof classes / sizeof *classes)
        return 0;
    return snprintf(out, size, "accuracy class %s", classes[report[1]]);
}

static void about(const void *state, char *out, size_t size)
{
    static const int order_of_words[ABOUT_COUNT] = { ABOUT_LIMIT, ABOUT_CLASS, ABOUT_COUNTS };
    const struct hid_scale *scale = state;
    size_t length = 0;

    out[0] = '\0';
    for (int i = 0; i < ABOUT_COUNT; i++) {
        char words[80];

        if (about_words(scale, order_of_words[i], words, sizeof words) > 0 && length < size)
            length += (size_t)snprintf(out + length, size - length, "%s%s", length > 0 ? ", " : "", words);
    }
}

/* --- orders ---------------------------------------------------------------------------------------- */

/* SET_REPORT with the bits that zero. */
static int order(void *state, enum order order, uint8_t *out, size_t size)
{
    const struct hid_scale *scale = state;
    size_t id = scale->has_ids, length = 2 + id + scale->zero_length;

    if (order != ORDER_ZERO || scale->zero_kind == 0)
        return -ENOTSUP;
    if (size < length)
        return -ENOSPC;
    memset(out, 0, length);
    out[0] = scale->zero_kind;
    out[1] = out[2] = scale->zero_report; /* the report's own first byte, if it has IDs */
    if (!id)
        out[2] = 0;
    for (int i = 0; i < BIT_COUNT; i++)
        if (scale->wants_bit[i])
            out[2 + id + scale->zero_bit[i] / 8] |= (uint8_t)(1u << scale->zero_bit[i] % 8);
    return (int)length;
}

const struct driver hid_scale_driver = {
    .name = "hid-scale",
    .summary = "USB scales that describe themselves as such",
    .transport = TRANSPORT_USB,
    .state_size = sizeof(struct hid_scale),
    .configure = configure,
    .describe = describe,
    .features = features,
    .feature = feature,
    .about = about,
    .opened = opened,
    .frame = frame,
    .decode = decode,
    .order = order,
};
