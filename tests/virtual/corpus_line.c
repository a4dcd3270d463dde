/* The bytes of a scale of the model through the driver that poised would use, set up as its configuration
 * would say: what comes out is what the tracker of a real bench is given.  No port and no clock. */
#include "corpus.h"

#include <stdlib.h>
#include <string.h>

static const double HALF_FRAME_S = 1; /* as the daemon has it: after so long the rest of a line is another line */

/* What a [instrument] section would have to say of each layout beyond its port. */
static const struct {
    struct setting setting[2];
    size_t count;
} sections[MODEL_LAYOUTS] = {
    [MODEL_BARE] = { { { .key = "unit", .value = "g" } }, 1 },
    [MODEL_STX_STATUS] = { { { .key = "layout", .value = "stx-status" }, { .key = "checksum", .value = "yes" } }, 2 },
    [MODEL_STX_LETTER] = { { { .key = "layout", .value = "stx-letter" }, { .key = "unit", .value = "g" } }, 2 },
};

int corpus_line_begin(struct corpus_line *line, enum model_layout layout)
{
    struct instrument_config config = {
        .name = "scale",
        .driver = "line",
        .quantity = QUANTITY_MASS,
        .settings = sections[layout].setting,
        .setting_count = sections[layout].count,
    };
    struct why why;

    memset(line, 0, sizeof *line);
    line->driver = driver_find(config.driver);
    line->state = line->driver ? calloc(1, line->driver->state_size) : NULL;
    if (!line->state || line->driver->configure(line->state, &config, &why) < 0) {
        free(line->state);
        return -1;
    }
    line->driver->opened(line->state);
    return 0;
}

void corpus_line_end(struct corpus_line *line)
{
    line->driver->release(line->state);
    free(line->state);
}

/* Readings of one frame that are masses; the bus unit and the time are what the daemon adds. */
static int readings_of(struct corpus_line *line, size_t length, int64_t now_us, struct reading *out, int most)
{
    struct reading frame[FRAME_READINGS];
    int count = line->driver->decode(line->state, line->buffer, length, frame, FRAME_READINGS), kept = 0;

    line->rejected += count < 0;
    for (int i = 0; i < count && kept < most; i++) {
        struct reading *reading = &frame[i];

        reading->mono_us = now_us;
        if (reading->quantity == QUANTITY_NONE)
            reading->quantity = QUANTITY_MASS;
        if (reading->quantity != QUANTITY_MASS)
            continue;
        if (reading->status == READING_OK
            && unit_convert(reading->shown, reading->unit, QUANTITY_MASS, &reading->value, &reading->resolution) < 0)
            continue;
        out[kept++] = *reading;
    }
    return kept;
}

int corpus_line_bytes(struct corpus_line *line, const char *bytes, int length, double at_s, int64_t now_us,
                      struct reading *out, int most)
{
    int count = 0;

    if (line->length && at_s - line->heard_s > HALF_FRAME_S) {
        line->length = 0;
        line->driver->opened(line->state);
    }
    line->heard_s = at_s;
    memcpy(line->buffer + line->length, bytes, (size_t)length);
    line->length += (size_t)length;
    while (line->length) {
        ssize_t frame = line->driver->frame(line->state, line->buffer, line->length);
        size_t taken;

        if (frame == 0 && line->length + MODEL_LINE > sizeof line->buffer)
            frame = -(ssize_t)line->length; /* no frame is that long */
        if (frame == 0)
            break;
        taken = (size_t)(frame < 0 ? -frame : frame);
        if (frame > 0)
            count += readings_of(line, taken, now_us, out + count, most - count);
        line->length -= taken;
        memmove(line->buffer, line->buffer + taken, line->length);
    }
    return count;
}
