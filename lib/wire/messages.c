/* Messages written: fixed shapes straight into a buffer, nothing allocated, nothing formatted by the
 * C library but doubles (whose decimal point would follow the locale and is corrected here).
 * Reading is in messages_read.c. */
#include "poise/messages.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* What has been written so far.  When the buffer is full it stays full: checked once, at the end. */
struct text {
    char *begin, *at, *end;
    bool full;
};

static struct text text_begin(char *out, size_t size)
{
    return (struct text){ out, out, out + size, false };
}

static int text_length(const struct text *text)
{
    return text->full ? -ENOSPC : (int)(text->at - text->begin);
}

static void put_bytes(struct text *text, const char *bytes, size_t length)
{
    if (text->full || (size_t)(text->end - text->at) < length) {
        text->full = true;
        return;
    }
    memcpy(text->at, bytes, length);
    text->at += length;
}

/* A literal: its length is known to the compiler. */
#define PUT(text, literal) put_bytes((text), "" literal, sizeof(literal) - 1)

/* Words of our own making, which need no escapes. */
static void put_word(struct text *text, const char *word)
{
    put_bytes(text, word, strlen(word));
}

static void put_unsigned(struct text *text, uint64_t value)
{
    char digits[20];
    char *at = digits + sizeof digits;

    do {
        *--at = (char)('0' + value % 10);
        value /= 10;
    } while (value);
    put_bytes(text, at, (size_t)(digits + sizeof digits - at));
}

static void put_signed(struct text *text, int64_t value)
{
    if (value < 0)
        PUT(text, "-");
    put_unsigned(text, value < 0 ? -(uint64_t)value : (uint64_t)value);
}

static void put_decimal(struct text *text, struct decimal value)
{
    char digits[48];
    int length = decimal_format(value, digits, sizeof digits);

    if (length < 0)
        text->full = true;
    else
        put_bytes(text, digits, (size_t)length);
}

static void put_number(struct text *text, double value)
{
    char digits[40];

    if (!isfinite(value)) {
        PUT(text, "null");
        return;
    }
    /* 15 significant digits read as people write; 17 always come back as the same double. */
    snprintf(digits, sizeof digits, "%.15g", value);
    if (strtod(digits, NULL) != value)
        snprintf(digits, sizeof digits, "%.17g", value);
    for (char *at = digits; *at; at++)
        if (!strchr("0123456789+-e", *at))
            *at = '.';
    put_word(text, digits);
}

int message_utf8_length(const unsigned char *at)
{
    int length = at[0] < 0x80 ? 1 : at[0] < 0xc2 ? 0 : at[0] < 0xe0 ? 2 : at[0] < 0xf0 ? 3 : at[0] < 0xf5 ? 4 : 0;

    for (int i = 1; i < length; i++)
        if ((at[i] & 0xc0) != 0x80)
            return 0;
    if ((at[0] == 0xe0 && at[1] < 0xa0) || (at[0] == 0xed && at[1] > 0x9f) || (at[0] == 0xf0 && at[1] < 0x90)
        || (at[0] == 0xf4 && at[1] > 0x8f))
        return 0;
    return length;
}

static void put_control(struct text *text, unsigned char control)
{
    static const char hex[] = "0123456789abcdef";
    char escape[6] = { '\\', 'u', '0', '0', hex[control >> 4], hex[control & 15] };

    put_bytes(text, escape, sizeof escape);
}

static void put_string(struct text *text, const char *string)
{
    PUT(text, "\"");
    for (const unsigned char *at = (const unsigned char *)string; *at;) {
        int length = message_utf8_length(at);

        if (length == 0) {
            PUT(text, "\xef\xbf\xbd");
            length = 1;
        } else if (*at < 0x20 || *at == 0x7f) {
            put_control(text, *at);
        } else {
            if (*at == '"' || *at == '\\')
                PUT(text, "\\");
            put_bytes(text, (const char *)at, (size_t)length);
        }
        at += length;
    }
    PUT(text, "\"");
}

static void put_common(struct text *text, const struct message_common *common)
{
    PUT(text, "{\"v\":1,\"bench\":\"");
    put_word(text, common->bench);
    PUT(text, "\",\"seq\":");
    put_unsigned(text, common->seq);
    PUT(text, ",\"time_us\":");
    put_signed(text, common->time_us);
    PUT(text, ",\"mono_us\":");
    put_signed(text, common->mono_us);
    PUT(text, ",\"boot\":\"");
    put_word(text, common->boot);
    PUT(text, "\"");
    if (common->rate > 0 && common->rate != 1) {
        PUT(text, ",\"rate\":");
        put_number(text, common->rate);
    }
    if (*common->asked_by) {
        PUT(text, ",\"asked_by\":");
        put_string(text, common->asked_by);
    }
}

static void put_station(struct text *text, const char *station)
{
    if (!*station)
        return;
    PUT(text, ",\"station\":\"");
    put_word(text, station);
    PUT(text, "\"");
}

static void put_brew_name(struct text *text, const char *brew)
{
    if (!*brew) {
        PUT(text, ",\"brew\":null");
        return;
    }
    PUT(text, ",\"brew\":\"");
    put_word(text, brew);
    PUT(text, "\"");
}

/* With so many digits after the point at most; what is not known is left out. */
static void put_rounded(struct text *text, const char *field, double value, int decimals)
{
    static const double power[] = { 1, 10, 100, 1000 };
    struct decimal digits = { 0, -decimals };

    if (!(fabs(value) < 1e9))
        return;
    digits.mantissa = llround(value * power[decimals]);
    while (digits.exponent < 0 && digits.mantissa % 10 == 0) {
        digits.mantissa /= 10;
        digits.exponent++;
    }
    put_word(text, field);
    put_decimal(text, digits);
}

static void put_tracked(struct text *text, const struct message_reading *reading)
{
    put_rounded(text, ",\"load_g\":", reading->load_g, 3);
    put_rounded(text, ",\"water_g\":", reading->water_g, 3);
    put_rounded(text, ",\"flow_g_per_s\":", reading->flow_g_per_s, 2);
    put_rounded(text, ",\"press_kpa\":", reading->press_kpa, 2);
    put_rounded(text, ",\"added_g\":", reading->added_g, 3);
    put_rounded(text, ",\"weighed_g\":", reading->weighed_g, 3);
    if (reading->tared)
        PUT(text, ",\"tared\":true");
    if (reading->cup_left)
        PUT(text, ",\"cup_left\":true");
}

static void put_reading(struct text *text, const struct message_reading *reading)
{
    PUT(text, ",\"instrument\":\"");
    put_word(text, reading->instrument);
    PUT(text, "\"");
    put_station(text, reading->station);
    if (reading->weighs_cup)
        PUT(text, ",\"weighs\":\"cup\"");
    PUT(text, ",\"quantity\":\"");
    put_word(text, quantity_name(reading->quantity));
    PUT(text, "\",\"value\":");
    if (reading->status == READING_OK)
        put_decimal(text, reading->value);
    else
        PUT(text, "null");
    if (reading->calibrated && reading->status == READING_OK) {
        PUT(text, ",\"raw\":");
        put_decimal(text, reading->raw);
    }
    PUT(text, ",\"unit\":\"");
    put_word(text, unit_name(quantity_unit(reading->quantity)));
    PUT(text, "\",\"stable\":");
    put_word(text, reading->stable < 0 ? "null" : reading->stable ? "true" : "false");
    PUT(text, ",\"status\":\"");
    put_word(text, reading_status_name(reading->status));
    PUT(text, "\"");
    if (reading->tracked)
        put_tracked(text, reading);
    if (*reading->detail) {
        PUT(text, ",\"detail\":");
        put_string(text, reading->detail);
    }
}

static void put_measures(struct text *text, const struct measures *measures)
{
    const char *before = "{\"";

    for (int i = 0; i < MEASURE_COUNT; i++) {
        if (!isfinite(measures->value[i]))
            continue;
        put_word(text, before);
        put_word(text, measure_name((enum measure)i));
        PUT(text, "\":{\"value\":");
        put_number(text, measures->value[i]);
        PUT(text, ",\"standard_uncertainty\":");
        put_number(text, measures->standard_uncertainty[i]);
        before = "},\"";
    }
    put_word(text, *before == '{' ? "{}" : "}}");
}

static void put_brew(struct text *text, const struct message_brew *brew)
{
    put_brew_name(text, brew->brew);
    put_station(text, brew->station);
    PUT(text, ",\"change\":\"");
    put_word(text, brew_change_name(brew->change));
    PUT(text, "\",\"at_us\":");
    put_signed(text, brew->at_us);
    if (brew->by == BY_OPERATOR)
        PUT(text, ",\"by\":\"operator\"");
    if (brew->change == BREW_END) {
        PUT(text, ",\"measures\":");
        put_measures(text, &brew->measures);
    }
    if (brew->plan_kept >= 0) {
        PUT(text, ",\"plan_kept\":");
        put_word(text, brew->plan_kept ? "true" : "false");
    }
    if (*brew->note) {
        PUT(text, ",\"note\":");
        put_string(text, brew->note);
    }
    if (brew->plan_json) {
        PUT(text, ",\"plan\":");
        put_word(text, brew->plan_json);
    }
}

static void put_stage(struct text *text, const struct message_stage *stage)
{
    put_brew_name(text, stage->brew);
    put_station(text, stage->station);
    PUT(text, ",\"stage\":\"");
    put_word(text, stage_name(stage->stage));
    PUT(text, "\",\"at_us\":");
    put_signed(text, stage->at_us);
    PUT(text, ",\"uncertainty_us\":");
    put_signed(text, stage->uncertainty_us);
    PUT(text, ",\"by\":\"");
    put_word(text, made_by_name(stage->by));
    PUT(text, "\"");
}

static void put_budget(struct text *text, const struct budget *budget)
{
    bool first = true;

    for (int part = 0; part < BUDGET_PARTS; part++) {
        if (!(budget->u[part] > 0))
            continue;
        if (first)
            PUT(text, ",\"budget\":{\"");
        else
            PUT(text, ",\"");
        first = false;
        put_word(text, budget_part_name((enum budget_part)part));
        PUT(text, "\":{\"standard_uncertainty\":");
        put_number(text, budget->u[part]);
        if (isfinite(budget->freedom[part])) {
            PUT(text, ",\"freedom\":");
            put_number(text, budget->freedom[part]);
        }
        PUT(text, "}");
    }
    if (!first)
        PUT(text, "}");
}

static void put_measure(struct text *text, const struct message_measure *measure)
{
    put_brew_name(text, measure->brew);
    put_station(text, measure->station);
    PUT(text, ",\"measure\":\"");
    put_word(text, measure_name(measure->measure));
    PUT(text, "\",\"value\":");
    put_number(text, measure->value);
    PUT(text, ",\"standard_uncertainty\":");
    put_number(text, measure->standard_uncertainty);
    if (measure->above)
        PUT(text, ",\"above\":true");
    PUT(text, ",\"by\":\"");
    put_word(text, made_by_name(measure->by));
    PUT(text, "\"");
    if (!measure->from_readings)
        return;
    PUT(text, ",\"readings\":[");
    for (int i = 0; i < measure->readings; i++) {
        if (i > 0)
            PUT(text, ",");
        put_unsigned(text, measure->reading[i]);
    }
    PUT(text, "],\"filtered\":");
    put_word(text, measure->filtered ? "true" : "false");
    if (isfinite(measure->sample_c)) {
        PUT(text, ",\"sample_c\":");
        put_number(text, measure->sample_c);
    }
    put_budget(text, &measure->budget);
}

static void put_instrument(struct text *text, const struct message_instrument *instrument)
{
    PUT(text, ",\"instrument\":\"");
    put_word(text, instrument->instrument);
    PUT(text, "\",\"change\":\"");
    put_word(text, instrument_change_name(instrument->change));
    PUT(text, "\",\"detail\":");
    put_string(text, instrument->detail);
}

static void put_check(struct text *text, const struct message_check *check)
{
    put_brew_name(text, check->brew);
    PUT(text, ",\"instrument\":\"");
    put_word(text, check->instrument);
    PUT(text, "\",\"check\":\"");
    put_word(text, check_kind_name(check->check));
    PUT(text, "\",\"value\":");
    put_number(text, check->value);
    PUT(text, ",\"reference\":");
    put_number(text, check->reference);
    if (*check->vessel) {
        PUT(text, ",\"vessel\":\"");
        put_word(text, check->vessel);
        PUT(text, "\"");
    }
}

static void put_alarm(struct text *text, const struct message_alarm *alarm)
{
    PUT(text, ",\"instrument\":\"");
    put_word(text, alarm->instrument);
    PUT(text, "\",\"check\":\"");
    put_word(text, check_kind_name(alarm->check));
    PUT(text, "\",\"since_us\":");
    put_signed(text, alarm->since_us);
    PUT(text, ",\"change\":");
    put_number(text, alarm->change);
    PUT(text, ",\"once\":");
    put_word(text, alarm->once ? "true" : "false");
    PUT(text, ",\"brews\":[");
    for (int i = 0; i < alarm->brews; i++) {
        put_word(text, i ? ",\"" : "\"");
        put_word(text, alarm->brew[i]);
        PUT(text, "\"");
    }
    PUT(text, "]");
}

static void put_warning(struct text *text, const struct message_warning *warning)
{
    put_brew_name(text, warning->brew);
    put_station(text, warning->station);
    PUT(text, ",\"warning\":\"");
    put_word(text, warning->warning);
    PUT(text, "\",\"detail\":");
    put_string(text, warning->detail);
}

int message_write(const struct message *message, char *out, size_t size)
{
    struct text text = text_begin(out, size);

    put_common(&text, &message->common);
    switch (message->kind) {
    case MESSAGE_READING:
        put_reading(&text, &message->reading);
        break;
    case MESSAGE_BREW:
        put_brew(&text, &message->brew);
        break;
    case MESSAGE_STAGE:
        put_stage(&text, &message->stage);
        break;
    case MESSAGE_MEASURE:
        put_measure(&text, &message->measure);
        break;
    case MESSAGE_INSTRUMENT:
        put_instrument(&text, &message->instrument);
        break;
    case MESSAGE_WARNING:
        put_warning(&text, &message->warning);
        break;
    case MESSAGE_CHECK:
        put_check(&text, &message->check);
        break;
    case MESSAGE_ALARM:
        put_alarm(&text, &message->alarm);
        break;
    case MESSAGE_STATE:
        return -EINVAL; /* has a writer of its own */
    }
    PUT(&text, "}");
    return text_length(&text);
}

int message_write_common(const struct message_common *common, char *out, size_t size)
{
    struct text text = text_begin(out, size);

    put_common(&text, common);
    return text_length(&text);
}

int message_write_string(const char *string, char *out, size_t size)
{
    struct text text = text_begin(out, size);

    put_string(&text, string);
    return text_length(&text);
}

int message_write_number(double value, char *out, size_t size)
{
    struct text text = text_begin(out, size);

    put_number(&text, value);
    return text_length(&text);
}

int message_write_measures(const struct measures *measures, char *out, size_t size)
{
    struct text text = text_begin(out, size);

    put_measures(&text, measures);
    return text_length(&text);
}

int message_topic(const struct message *message, char out[TOPIC_SIZE])
{
    static const char *const events[] = { [MESSAGE_BREW] = "/brew",       [MESSAGE_STAGE] = "/stage",
                                          [MESSAGE_MEASURE] = "/measure", [MESSAGE_INSTRUMENT] = "/instrument",
                                          [MESSAGE_WARNING] = "/warning", [MESSAGE_CHECK] = "/check",
                                          [MESSAGE_ALARM] = "/alarm" };
    struct text text = text_begin(out, TOPIC_SIZE - 1);

    put_word(&text, message->kind == MESSAGE_READING ? "reading/"
                    : message->kind == MESSAGE_STATE ? "state/"
                                                     : "event/");
    put_word(&text, message->common.bench);
    if (message->kind == MESSAGE_READING) {
        PUT(&text, "/");
        put_word(&text, message->reading.instrument);
    } else if (message->kind != MESSAGE_STATE) {
        put_word(&text, events[message->kind]);
    }
    *text.at = '\0';
    return (int)(text.at - text.begin);
}
