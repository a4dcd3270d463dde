/* From bytes to readings: the path every indication takes, so nothing here waits, asks the system for more than the
 * bytes and the time, or allocates, but once for what else is shown. */
#include "instrument_parts.h"

#include <assert.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum {
    HALF_FRAME_US = 1000000, /* the rest of a line follows within milliseconds; after a second it is another */

    /* Twenty lines of 80 bytes a second are the most that instruments send (common practice, no source); a
     * port of 115200 baud carries 11520 bytes.  Three times that is no instrument. */
    BUDGET_BYTES = 32768, /* at once, after a pause */
    BUDGET_BYTES_PER_S = 32768,

    NONSENSE_IN_ROW = 8 /* damaged lines come singly; so many one after the other are a wrong setting */
};

static void reject(struct instrument *instrument, enum reject reason)
{
    char text[DETAIL_SIZE / 2];

    instrument->rejects[reason]++;
    if (reason == REJECT_FIRST || ++instrument->rejects_in_row != NONSENSE_IN_ROW || instrument->makes_no_sense)
        return;
    instrument->makes_no_sense = true;
    snprintf(text, sizeof text, "what arrives is not understood (%s); compare serial, layout and unit with its manual",
             reject_name(reason));
    if (instrument->condition == CONDITION_FOUND)
        instrument_change(instrument, CONDITION_FOUND, text);
    else
        instrument_message(instrument, text);
}

/* Fills what only the daemon knows.  0, or the reason why it is no reading of this instrument. */
static int complete(struct reading *reading, int64_t now_us)
{
    int error;

    reading->mono_us = now_us;
    reading->value = (struct decimal){ 0, 0 };
    reading->resolution = 0;
    if (reading->status != READING_OK)
        return 0;
    error = unit_convert(reading->shown, reading->unit, reading->quantity, &reading->value, &reading->resolution);
    if (error == -ERANGE)
        return REJECT_RANGE;
    return error < 0 ? REJECT_UNIT : 0;
}

/* One of the readings must be what the configuration says that the instrument measures; a list may carry
 * others beside it. */
static bool measures_its_own(const struct instrument *instrument, struct reading *readings, int count)
{
    enum quantity own = instrument->config->quantity;
    bool found = false;

    for (int i = 0; i < count; i++) {
        if (readings[i].quantity == QUANTITY_NONE
            || (own == QUANTITY_BRIX && readings[i].quantity == QUANTITY_STRENGTH && readings[i].unit == UNIT_PERCENT))
            readings[i].quantity = own;
        found = found || readings[i].quantity == own;
    }
    return found;
}

static void hand_over(struct instrument *instrument, struct reading *reading, struct moment now)
{
    int reason = complete(reading, now.mono_us);

    if (reason > 0) {
        reject(instrument, (enum reject)reason);
        return;
    }
    if (reading->quantity == instrument->config->quantity) {
        instrument_heard(instrument, now.mono_us);
        instrument->last = *reading;
        instrument->has_last = true;
    } else {
        if (!instrument->beside) /* when memory is short it is published all the same, and only not listed */
            instrument->beside = calloc(QUANTITY_COUNT, sizeof *instrument->beside);
        if (instrument->beside)
            instrument->beside[reading->quantity] = *reading;
    }
    assert(instrument->all->sink.context); /* a port is open only while somebody listens */
    if (instrument->all->sink.reading(instrument->all->sink.context, instrument->place, reading, now) < 0)
        reject(instrument, REJECT_RANGE);
}

static void decode(struct instrument *instrument, const uint8_t *frame, size_t length, struct moment now)
{
    struct reading readings[FRAME_READINGS];
    int count = instrument->driver->decode(instrument->state, frame, length, readings, FRAME_READINGS);

    if (count == 0)
        return;
    if (count < 0) {
        reject(instrument, (enum reject) - count);
        return;
    }
    if (!measures_its_own(instrument, readings, count)) {
        reject(instrument, REJECT_UNIT);
        return;
    }
    /* what comes with the reading, as a sample's temperature, first: then it is known when the reading is used */
    for (int own = 0; own <= 1; own++)
        for (int i = 0; i < count; i++)
            if ((readings[i].quantity == instrument->config->quantity) == own)
                hand_over(instrument, &readings[i], now);
}

/* Fill and line ends between frames are no loss; anything else that is dropped is counted. */
static void drop(struct instrument *instrument, const uint8_t *bytes, size_t length)
{
    for (size_t i = 0; i < length; i++)
        if (bytes[i] != '\r' && bytes[i] != '\n' && bytes[i] != 0 && bytes[i] != 0xff && bytes[i] != 0x11
            && bytes[i] != 0x13) {
            reject(instrument, REJECT_OVERLONG);
            return;
        }
}

/* Every whole frame of the buffer; what is left is moved to its front. */
static void take_frames(struct instrument *instrument, struct moment now)
{
    size_t at = 0, length = instrument->length;
    ssize_t frame;

    while (at < length) {
        frame = instrument->driver->frame(instrument->state, instrument->buffer + at, length - at);
        if (frame == 0 && length - at == INSTRUMENT_BUFFER)
            frame = -INSTRUMENT_BUFFER; /* no frame is that long: a driver's patience ends here */
        if (frame == 0)
            break;
        if (frame > 0 && (size_t)frame <= length - at) {
            decode(instrument, instrument->buffer + at, (size_t)frame, now);
            at += (size_t)frame;
        } else {
            size_t dropped = (size_t)(frame < 0 ? -frame : frame);

            if (dropped > length - at)
                dropped = length - at;
            drop(instrument, instrument->buffer + at, dropped);
            at += dropped;
        }
    }
    instrument->length = (uint16_t)(length - at);
    if (at > 0 && at < length)
        memmove(instrument->buffer, instrument->buffer + at, length - at);
}

/* True when more has arrived than an instrument can mean. */
static bool over_budget(struct instrument *instrument, int64_t now_us)
{
    int64_t passed_us = now_us - instrument->budget_us, earned;

    if (passed_us > 2 * 1000000)
        passed_us = 2 * 1000000; /* the budget is full by then */
    earned = passed_us * BUDGET_BYTES_PER_S / 1000000;
    instrument->budget_bytes += earned;
    if (instrument->budget_bytes > BUDGET_BYTES)
        instrument->budget_bytes = BUDGET_BYTES;
    instrument->budget_us = now_us;
    return instrument->budget_bytes < 0;
}

void instrument_bytes_begin(struct instrument *instrument, int64_t now_us, int64_t budget_bytes)
{
    instrument->length = 0;
    instrument->budget_bytes = budget_bytes < BUDGET_BYTES ? budget_bytes : BUDGET_BYTES;
    instrument->budget_us = now_us;
    instrument->rejects_in_row = 0;
    if (instrument->driver->opened)
        instrument->driver->opened(instrument->state);
}

/* So many bytes stand behind those that waited.  0 or BYTES_FLOOD. */
static int arrived(struct instrument *instrument, size_t got)
{
    struct moment now = clock_now(instrument->all->clock);

    if (instrument->length > 0
        && (double)(now.mono_us - instrument->half_us) > HALF_FRAME_US * instrument->all->clock->rate) {
        /* What comes now may be its late rest: the next frame counts as joined in the middle. */
        memmove(instrument->buffer, instrument->buffer + instrument->length, got);
        instrument->length = 0;
        reject(instrument, REJECT_EXPIRED);
        if (instrument->driver->opened)
            instrument->driver->opened(instrument->state);
    }
    instrument->length = (uint16_t)(instrument->length + got);
    take_frames(instrument, now);
    instrument->half_us = now.mono_us;
    instrument->budget_bytes -= (int64_t)got;
    return instrument->budget_bytes < 0 && over_budget(instrument, now.mono_us) ? BYTES_FLOOD : 0;
}

int instrument_read(struct instrument *instrument)
{
    ssize_t got = read(serial_fd(instrument->serial), instrument->buffer + instrument->length,
                       INSTRUMENT_BUFFER - instrument->length);

    if (got == 0)
        return -ENODEV;
    if (got < 0)
        return errno == EAGAIN || errno == EINTR ? 0 : -errno;
    return arrived(instrument, (size_t)got);
}

int instrument_report(struct instrument *instrument, const uint8_t *report, size_t length)
{
    if (INSTRUMENT_BUFFER - instrument->length < 1 + (int)length) {
        instrument->length = 0;
        reject(instrument, REJECT_OVERLONG);
    }
    instrument->buffer[instrument->length] = (uint8_t)length;
    memcpy(instrument->buffer + instrument->length + 1, report, length);
    return arrived(instrument, 1 + length);
}
