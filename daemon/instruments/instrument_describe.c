/* What status shows of an instrument, as one JSON object (state_instrument in messages.schema.json). */
#include "instrument_parts.h"

#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

struct writer {
    char *out;
    size_t size, length;
    bool full;
};

static void __attribute__((format(printf, 2, 3))) put(struct writer *writer, const char *format, ...)
{
    va_list arguments;
    int length;

    if (writer->full)
        return;
    va_start(arguments, format);
    length = vsnprintf(writer->out + writer->length, writer->size - writer->length, format, arguments);
    va_end(arguments);
    if (length < 0 || (size_t)length >= writer->size - writer->length)
        writer->full = true;
    else
        writer->length += (size_t)length;
}

static void put_string(struct writer *writer, const char *text)
{
    int length = writer->full ? -ENOSPC
                              : message_write_string(text, writer->out + writer->length, writer->size - writer->length);

    if (length < 0)
        writer->full = true;
    else
        writer->length += (size_t)length;
}

static void put_indication(struct writer *writer, enum quantity quantity, const struct reading *last)
{
    char number[48];

    put(writer, ",\"unit\":");
    put_string(writer, unit_name(quantity_unit(quantity)));
    if (!last) {
        put(writer, ",\"value\":null,\"stable\":null,\"status\":null,\"mono_us\":null");
        return;
    }
    if (last->status != READING_OK || decimal_format(last->value, number, sizeof number) < 0)
        strcpy(number, "null");
    put(writer, ",\"value\":%s,\"stable\":%s,\"status\":\"%s\",\"mono_us\":%lld", number,
        last->stable < 0 ? "null"
        : last->stable   ? "true"
                         : "false",
        reading_status_name(last->status), (long long)last->mono_us);
}

static void put_beside(struct writer *writer, const struct instrument *instrument)
{
    bool first = true;

    for (int i = 0; instrument->beside && i < QUANTITY_COUNT; i++) {
        const struct reading *reading = &instrument->beside[i];

        if (reading->quantity == QUANTITY_NONE)
            continue;
        put(writer, "%s{\"quantity\":\"%s\"", first ? ",\"also\":[" : ",", quantity_name(reading->quantity));
        put_indication(writer, reading->quantity, reading);
        put(writer, "}");
        first = false;
    }
    if (!first)
        put(writer, "]");
}

static void put_rejects(struct writer *writer, const struct instrument *instrument)
{
    const char *comma = "";

    put(writer, ",\"rejects\":{");
    for (int i = 1; i < REJECT_COUNT; i++)
        if (instrument->rejects[i]) {
            put(writer, "%s\"%s\":%u", comma, reject_name((enum reject)i), (unsigned)instrument->rejects[i]);
            comma = ",";
        }
    put(writer, "}");
}

int instruments_describe(void *context, int place, int64_t now_us, char *out, size_t size)
{
    const struct instruments *all = context;
    const struct instrument *instrument;
    struct writer writer = { .out = out, .size = size };
    char detail[DETAIL_SIZE], about[DETAIL_SIZE / 2] = "";
    double rate_hz;
    bool said;

    if (place < 0 || place >= all->count)
        return -ENOENT;
    instrument = all->list[place];
    said = instrument->condition == CONDITION_READY && instrument->has_last && instrument->last.detail[0];
    put(&writer, "{\"instrument\":\"%s\",\"quantity\":\"%s\",\"station\":", instrument->config->name,
        quantity_name(instrument->config->quantity));
    put_string(&writer, instrument->config->station);
    if (!instrument->config->station[0] && !writer.full) {
        writer.length -= 2; /* the empty string */
        put(&writer, "null");
    }
    if (instrument->config->weighs_cup)
        put(&writer, ",\"weighs\":\"cup\"");
    put(&writer, ",\"driver\":\"%s\",\"port\":", instrument->driver->name);
    put_string(&writer, instrument->config->port);
    put(&writer, ",\"condition\":\"%s\",\"detail\":", instrument_condition_name(instrument->condition));
    snprintf(detail, sizeof detail, "%s%s%s", instrument->detail, said ? "; the last one shows " : "",
             said ? instrument->last.detail : "");
    put_string(&writer, detail);
    if (instrument->driver->about)
        instrument->driver->about(instrument->state, about, sizeof about);
    if (about[0]) {
        put(&writer, ",\"about\":");
        put_string(&writer, about);
    }
    put_indication(&writer, instrument->config->quantity, instrument->has_last ? &instrument->last : NULL);
    put_beside(&writer, instrument);
    if ((rate_hz = rhythm_hz(&instrument->rhythm, now_us)) > 0)
        put(&writer, ",\"rate_hz\":%.3g", rate_hz);
    else
        put(&writer, ",\"rate_hz\":null");
    put_rejects(&writer, instrument);
    put(&writer, "}");
    return writer.full ? -ENOSPC : (int)writer.length;
}
