/* Judges which layout makes sense of some bytes, by running the driver itself over them.  Pure: no port, no clock. */
#include "probe.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum {
    WHOLE_LEAST = 2,      /* one line may be an accident of noise */
    WHOLE_PER_REJECT = 4, /* a damaged line now and then is normal, more is the wrong layout */
    WHOLE_SETTLED = 5     /* so many without a fault are no accident */
};

static const char percent_doubt[] = "percent may be strength or Brix: compare with the display";
static const char unit_doubt[] = "the numbers come without a unit: does the display show this one?";
static const char fields_doubt[] = "what each number is was found by its size: compare with the display";
static const char comma_doubt[] = "1,234 can be read two ways: is the comma the decimal sign?";

/* What a configuration can say, the surest first. */
struct layout {
    struct {
        const char *key, *value;
    } settings[PROBE_SETTINGS_MOST - 1]; /* one is left for seven_bit */
    const char *doubt;
    enum unit unit; /* the only unit that may be shown; UNIT_NONE: any */
    bool fixed;     /* every byte has its place, so what fits is no other layout that is laxer */
};

static const struct layout line_layouts[] = {
    { { { "layout", "stx-letter" }, { "unit", "g" } },
      unit_doubt,
      UNIT_NONE,
      true }, /* its G is no gram, as text has it */
    { { { NULL, NULL } }, NULL, UNIT_NONE, false },
    { { { "unit", "g" }, { "blank_unit", "moving" } }, NULL, UNIT_GRAM, false },
    { { { "unit", "kg" }, { "blank_unit", "moving" } }, NULL, UNIT_KILOGRAM, false },
    { { { "unit", "oz" }, { "blank_unit", "moving" } }, NULL, UNIT_OUNCE, false },
    { { { "unit", "lb" }, { "blank_unit", "moving" } }, NULL, UNIT_POUND, false },
    { { { "layout", "stx-status" }, { "checksum", "yes" } }, NULL, UNIT_NONE, false },
    { { { "layout", "stx-status" } }, NULL, UNIT_NONE, false },
    { { { "decimal", "comma" } }, comma_doubt, UNIT_NONE, false },
    { { { "fields", "nd, brix, temperature" } }, fields_doubt, UNIT_NONE, false },
    { { { "fields", "nd, brix" } }, fields_doubt, UNIT_NONE, false },
    { { { "fields", "nd, temperature" } }, fields_doubt, UNIT_NONE, false },
    { { { "fields", "brix, nd, temperature" } }, fields_doubt, UNIT_NONE, false },
    { { { "fields", "brix, temperature" } }, fields_doubt, UNIT_NONE, false },
    { { { "fields", "nd, brix, temperature" }, { "separator", "semicolon" } }, fields_doubt, UNIT_NONE, false },
    { { { "fields", "brix, temperature" }, { "separator", "semicolon" } }, fields_doubt, UNIT_NONE, false },
    { { { "fields", "nd, brix, temperature" }, { "separator", "tab" } }, fields_doubt, UNIT_NONE, false },
    { { { "fields", "brix, temperature" }, { "separator", "tab" } }, fields_doubt, UNIT_NONE, false },
    { { { "fields", "nd, brix, temperature" }, { "separator", "space" } }, fields_doubt, UNIT_NONE, false },
    { { { "fields", "brix, temperature" }, { "separator", "space" } }, fields_doubt, UNIT_NONE, false },
    { { { "unit", "g" } }, unit_doubt, UNIT_NONE, false },
    { { { "unit", "g" }, { "decimal", "comma" } }, unit_doubt, UNIT_NONE, false },
};

/* Address and register are the usual first ones, common practice, no source. */
static const struct layout modbus_layout = {
    { { "address", "1" }, { "register", "0" }, { "type", "int16" } },
    "the instrument uses Modbus; its manual names register, type, scale and unit",
    UNIT_NONE,
    false
};

static void copy_settings(struct probe_score *score, const struct layout *layout)
{
    for (int i = 0; i < PROBE_SETTINGS_MOST - 1 && layout->settings[i].key; i++)
        score->settings[score->setting_count++] =
            (struct setting){ layout->settings[i].key, layout->settings[i].value, 0 };
}

static struct instrument_config config_of(const struct probe_score *score)
{
    return (struct instrument_config){ .name = "probe",
                                       .driver = score->driver,
                                       .quantity = score->quantity,
                                       .settings = score->settings,
                                       .setting_count = (size_t)score->setting_count };
}

static void *driver_begin(const struct probe_score *score)
{
    const struct driver *driver = driver_find(score->driver);
    const struct instrument_config config = config_of(score);
    void *state = calloc(1, driver->state_size);
    struct why why;

    if (state && driver->configure(state, &config, &why) < 0) {
        free(state);
        return NULL;
    }
    if (state && driver->opened)
        driver->opened(state);
    return state;
}

static void driver_end(const struct probe_score *score, void *state)
{
    const struct driver *driver = driver_find(score->driver);

    if (driver->release)
        driver->release(state);
    free(state);
}

char *probe_words(const uint8_t *bytes, size_t length, char *out, size_t size)
{
    size_t count = 0;
    char one[8];

    for (size_t i = 0; i < length; i++) {
        if (bytes[i] == '\r' || bytes[i] == '\n')
            snprintf(one, sizeof one, "\\%c", bytes[i] == '\r' ? 'r' : 'n');
        else
            snprintf(one, sizeof one, bytes[i] < ' ' || bytes[i] > '~' ? "\\x%02x" : "%c", bytes[i]);
        if (count + strlen(one) >= size)
            break;
        strcpy(out + count, one);
        count += strlen(one);
    }
    out[count] = '\0';
    return out;
}

/* What was seen while a layout was tried. */
struct tally {
    const struct layout *layout;
    int quantities[QUANTITY_COUNT]; /* readings with a value */
    bool percent;                   /* a strength recognised by its unit alone */
    bool stable, moving;            /* both were said */
    int whole_bytes, dropped_bytes; /* of whole frames; of none, behind the first whole one */
};

/* As the bench will: a reading in percent is Brix where the section says so, and a frame has to measure what the
 * section says. */
static bool measures(enum quantity wanted, const struct reading *readings, int count)
{
    for (int i = 0; i < count; i++)
        if (wanted == QUANTITY_NONE || readings[i].quantity == wanted || readings[i].quantity == QUANTITY_NONE)
            return true;
    return false;
}

static void judge_frame(struct probe_score *score, struct tally *tally, void *state, const uint8_t *frame,
                        size_t length)
{
    struct reading readings[FRAME_READINGS];
    int count = driver_find(score->driver)->decode(state, frame, length, readings, FRAME_READINGS);
    bool foreign = false;

    if (count == 0 || count == -REJECT_FIRST)
        return;
    for (int i = 0; i < count; i++)
        foreign = foreign
                  || (tally->layout->unit != UNIT_NONE && readings[i].status == READING_OK
                      && readings[i].unit != tally->layout->unit);
    if (count < 0 || foreign || !measures(score->quantity, readings, count)) {
        score->rejected++;
        return;
    }
    score->whole++;
    tally->whole_bytes += (int)length;
    probe_words(frame, length, score->heard, sizeof score->heard);
    for (int i = 0; i < count; i++)
        if (readings[i].status == READING_OK) {
            tally->stable = tally->stable || readings[i].stable == 1;
            tally->moving = tally->moving || readings[i].stable == 0;
            tally->quantities[readings[i].quantity]++;
            tally->percent =
                tally->percent || (readings[i].quantity == QUANTITY_STRENGTH && readings[i].unit == UNIT_PERCENT);
        }
}

static void judge(struct probe_score *score, struct tally *tally, void *state, const uint8_t *bytes, size_t length)
{
    const struct driver *driver = driver_find(score->driver);
    size_t at = 0;

    while (at < length) {
        ssize_t frame = driver->frame(state, bytes + at, length - at);

        if (frame == 0)
            break;
        if (frame > 0)
            judge_frame(score, tally, state, bytes + at, (size_t)frame);
        else if (score->whole > 0)
            tally->dropped_bytes += (int)-frame;
        at += (size_t)(frame > 0 ? frame : -frame);
    }
}

/* What an instrument is for: the temperature beside a number is not it. */
static enum quantity main_quantity(const struct tally *tally)
{
    static const enum quantity order[] = { QUANTITY_MASS,     QUANTITY_BRIX,
                                           QUANTITY_STRENGTH, QUANTITY_REFRACTIVE_INDEX,
                                           QUANTITY_PRESSURE, QUANTITY_TEMPERATURE };
    enum quantity best = QUANTITY_NONE;

    for (size_t i = 0; i < sizeof order / sizeof *order; i++)
        if (tally->quantities[order[i]] > tally->quantities[best]
            || (best == QUANTITY_NONE && tally->quantities[order[i]] > 0))
            best = order[i];
    return best;
}

static int run(struct probe_score *score, struct tally *tally, const uint8_t *bytes, size_t length)
{
    void *state = driver_begin(score);

    if (!state)
        return -ENOMEM;
    score->whole = score->rejected = 0;
    score->heard[0] = '\0';
    judge(score, tally, state, bytes, length);
    driver_end(score, state);
    return 0;
}

/* Once to see what is measured, and once more as the section will be read. */
static int try_layout(const struct layout *layout, bool seven_bit, const uint8_t *bytes, size_t length,
                      struct probe_score *out)
{
    struct probe_score score = { .driver = "line", .doubt = layout->doubt, .parity_bits = seven_bit };
    struct tally tally = { .layout = layout }, again = { .layout = layout };

    copy_settings(&score, layout);
    if (seven_bit)
        score.settings[score.setting_count++] = (struct setting){ "seven_bit", "yes", 0 };
    if (run(&score, &tally, bytes, length) < 0)
        return -ENOMEM;
    score.quantity = main_quantity(&tally);
    if (score.quantity == QUANTITY_NONE)
        return -ENOENT; /* faults only, or nothing: what it measures is not known */
    if (layout->unit != UNIT_NONE && !(tally.stable && tally.moving))
        return -ENOENT; /* the unit has to come and go before its absence means anything */
    if (score.quantity == QUANTITY_STRENGTH && tally.percent)
        score.doubt = percent_doubt;
    if (run(&score, &again, bytes, length) < 0)
        return -ENOMEM;
    if (score.whole < WHOLE_LEAST || score.whole < WHOLE_PER_REJECT * score.rejected
        || again.whole_bytes < WHOLE_PER_REJECT * again.dropped_bytes)
        return -ENOENT;
    *out = score;
    return 0;
}

bool probe_better(const struct probe_score *a, const struct probe_score *b)
{
    int more = (a->whole - a->rejected) - (b->whole - b->rejected);

    if (a->parity_bits != b->parity_bits && a->whole > 0 && b->whole > 0)
        return b->parity_bits;
    if (more != 0)
        return more > 0;
    return !a->doubt && b->doubt;
}

bool probe_settled(const struct probe_score *score)
{
    return score->whole >= WHOLE_SETTLED && score->rejected == 0 && !score->doubt && !score->parity_bits;
}

static bool has_high_bits(const uint8_t *bytes, size_t length)
{
    for (size_t i = 0; i < length; i++)
        if (bytes[i] & 0x80)
            return true;
    return false;
}

int probe_line(const uint8_t *bytes, size_t length, struct probe_score *out)
{
    struct probe_score best = { 0 }, score;
    bool high = has_high_bits(bytes, length), fixed = false;

    for (int seven_bit = 0; seven_bit <= high; seven_bit++)
        for (size_t i = 0; i < sizeof line_layouts / sizeof *line_layouts; i++)
            if (!fixed && try_layout(&line_layouts[i], seven_bit, bytes, length, &score) == 0
                && probe_better(&score, &best)) {
                best = score;
                fixed = line_layouts[i].fixed && score.rejected == 0;
            }
    if (best.whole == 0)
        return -ENOENT;
    *out = best;
    return 0;
}

/* --- Modbus ----------------------------------------------------------------------------------------------- */

static struct probe_score modbus_score(void)
{
    struct probe_score score = { .driver = "modbus", .quantity = QUANTITY_MASS, .doubt = modbus_layout.doubt };

    copy_settings(&score, &modbus_layout);
    return score;
}

int probe_modbus(const uint8_t *bytes, size_t length, struct probe_score *out)
{
    struct probe_score score = modbus_score();
    struct tally tally = { .layout = &modbus_layout };

    /* A frame has to hold its CRC; an exception is an answer too. */
    if (run(&score, &tally, bytes, length) < 0 || score.whole == 0)
        return -ENOENT;
    *out = score;
    return 0;
}

int probe_modbus_question(uint8_t *out, size_t size)
{
    struct probe_score score = modbus_score();
    void *state = driver_begin(&score);
    int length = state ? driver_find(score.driver)->ask(state, out, size) : -ENOMEM;

    if (state)
        driver_end(&score, state);
    return length;
}
