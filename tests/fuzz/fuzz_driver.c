/* Any bytes into a driver, as libFuzzer finds them.  The first byte chooses the settings, and whether
 * the bytes begin right after opening, where a driver may drop the first frame.  What must hold:
 * no more is taken than is there, what is read is a reading, and cutting the bytes elsewhere changes nothing. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "driver.h"
#include "hid/hid.h"

enum { READINGS_MOST = 4096, SETTINGS_MOST = 3, FRESH = 0x80 };

static const struct {
    const char *driver;
    enum quantity quantity;
    struct setting settings[SETTINGS_MOST];
} variants[] = {
    { "line", QUANTITY_MASS, { { "unit", "g", 1 } } },
    { "line", QUANTITY_BRIX, { { "sample_temperature", "10 to 40", 1 } } },
    { "line", QUANTITY_BRIX, { { "fields", "nd, brix, temperature", 1 } } },
    { "line", QUANTITY_MASS, { { "layout", "stx-status", 1 }, { "checksum", "yes", 2 } } },
    { "line", QUANTITY_MASS, { { "layout", "stx-letter", 1 }, { "unit", "kg", 2 } } },
    { "line", QUANTITY_MASS, { { "seven_bit", "yes", 1 }, { "blank_unit", "moving", 2 }, { "decimal", "comma", 3 } } },
    { "line",
      QUANTITY_STRENGTH,
      { { "pattern", "(?<sign>[+-])?(?<value>(.*)*)(?<unit>%)?(?<temperature>\\d+)?", 1 } } },
    { "hid-scale", QUANTITY_MASS, { { NULL, NULL, 0 } } },
    { "hid-scale", QUANTITY_MASS, { { "data_report", "4", 1 }, { "zero_bits", "both", 2 } } },
    { "hid-keyboard", QUANTITY_BRIX, { { NULL, NULL, 0 } } },
    { "hid-keyboard",
      QUANTITY_MASS,
      { { "keyboard", "de", 1 }, { "decimal", "comma", 2 }, { "ends_with", "tab", 3 } } },
    { "modbus", QUANTITY_TEMPERATURE, { { "type", "float32", 1 } } },
    { "modbus", QUANTITY_PRESSURE, { { "type", "int16", 1 }, { "scale", "0.01", 2 }, { "fault_value", "-32768", 3 } } },
    { "modbus", QUANTITY_MASS, { { "type", "uint32", 1 }, { "word_order", "CDAB", 2 }, { "unit", "mg", 3 } } },
    { "modbus",
      QUANTITY_PRESSURE,
      { { "type", "float32", 1 }, { "also", "temperature 2 int16 0.1 C, mass 0 uint32", 2 } } },
    { "modbus",
      QUANTITY_TEMPERATURE,
      { { "type", "float32", 1 }, { "decimals", "2", 2 }, { "scale", "123456789.123", 3 } } },
};

struct run {
    void *state;
    uint8_t *buf;
    size_t length;
    struct reading readings[READINGS_MOST];
    int count;
};

static void must(bool holds, const char *what)
{
    if (!holds) {
        fprintf(stderr, "does not hold: %s\n", what);
        abort();
    }
}

static void check_reading(const struct reading *reading)
{
    char digits[40];

    must(reading->quantity >= QUANTITY_NONE && reading->quantity < QUANTITY_COUNT, "a quantity there is");
    must(reading->unit >= UNIT_NONE && reading->unit < UNIT_COUNT, "a unit there is");
    must(memchr(reading->detail, '\0', sizeof reading->detail) != NULL, "detail ends");
    must(reading->stable >= -1 && reading->stable <= 1, "stable, moving, not said");
    must(reading->net >= -1 && reading->net <= 1, "net, gross, not said");
    if (reading->status == READING_OK)
        must(decimal_format(reading->shown, digits, sizeof digits) > 0, "a number that can be written");
}

static void take_frames(const struct driver *driver, struct run *run)
{
    while (run->length > 0) {
        struct reading readings[FRAME_READINGS];
        ssize_t taken = driver->frame(run->state, run->buf, run->length);
        size_t used = (size_t)(taken < 0 ? -taken : taken);
        int count;

        if (taken == 0)
            return;
        must(used <= run->length, "no more is taken than is there");
        count = taken > 0 ? driver->decode(run->state, run->buf, used, readings, FRAME_READINGS) : 0;
        must(count > -REJECT_COUNT && count <= FRAME_READINGS, "a count or a reason");
        for (int i = 0; i < count && run->count < READINGS_MOST; i++) {
            check_reading(&readings[i]);
            run->readings[run->count++] = readings[i];
        }
        run->length -= used;
        memmove(run->buf, run->buf + used, run->length);
    }
}

/* Any bytes as what the device reports of itself. */
static void check_about(const struct driver *driver, void *state, const uint8_t *data, size_t size)
{
    struct hid_feature features[FEATURES_MOST];
    char words[64];

    if (driver->features == NULL)
        return;
    must(driver->features(state, features, FEATURES_MOST) <= FEATURES_MOST, "no more is asked than there is room for");
    driver->feature(state, data, size);
    driver->about(state, words, sizeof words);
    must(memchr(words, '\0', sizeof words) != NULL, "the words end");
}

/* data[0] is the choice; the rest is fed in pieces of `part` bytes. */
static void play(const struct driver *driver, const struct instrument_config *config, struct run *run,
                 const uint8_t *data, size_t size, size_t part)
{
    bool fresh = data[0] & FRESH || driver->transport != TRANSPORT_SERIAL;

    struct why why;

    run->state = calloc(1, driver->state_size);
    run->buf = malloc(size + 2);
    must(run->state != NULL && run->buf != NULL, "memory");
    run->length = 0;
    run->count = 0;
    must(driver->configure(run->state, config, &why) == 0, "the settings are good");
    if (driver->describe) /* any bytes as a report descriptor, too: taken or refused */
        driver->describe(run->state, data, size, &why);
    if (driver->describe) /* as long as a report can be, and its ID */
        must(hid_longest_input(data, size) <= 4097, "a length that fits a transfer");
    check_about(driver, run->state, data, size);
    if (driver->opened)
        driver->opened(run->state);
    if (!fresh) {
        memcpy(run->buf, "\r\n", 2);
        run->length = 2;
        take_frames(driver, run);
    }
    for (size_t at = 1; at < size; at += part) {
        part = part < size - at ? part : size - at;
        memcpy(run->buf + run->length, data + at, part);
        run->length += part;
        take_frames(driver, run);
    }
    if (driver->release)
        driver->release(run->state);
    free(run->state);
    free(run->buf);
}

static void check_same(const struct run *a, const struct run *b)
{
    must(a->count == b->count, "cut elsewhere, the same readings");
    for (int i = 0; i < a->count; i++)
        must(a->readings[i].shown.mantissa == b->readings[i].shown.mantissa
                 && a->readings[i].shown.exponent == b->readings[i].shown.exponent
                 && a->readings[i].status == b->readings[i].status && a->readings[i].unit == b->readings[i].unit,
             "cut elsewhere, the same values");
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct run whole, cut;
    const struct driver *driver = driver_find(DRIVER);
    struct instrument_config config = { .name = "fuzzed" };
    size_t first = 0, count = 0, chosen;

    while (strcmp(variants[first].driver, DRIVER) != 0)
        first++;
    while (first + count < sizeof variants / sizeof *variants && strcmp(variants[first + count].driver, DRIVER) == 0)
        count++;
    if (size == 0)
        return 0;
    chosen = first + (data[0] & ~FRESH) % count;
    config.quantity = variants[chosen].quantity;
    config.settings = variants[chosen].settings;
    while (config.setting_count < SETTINGS_MOST && config.settings[config.setting_count].key)
        config.setting_count++;
    play(driver, &config, &whole, data, size, size);
    play(driver, &config, &cut, data, size, 1);
    check_same(&whole, &cut);
    return 0;
}
