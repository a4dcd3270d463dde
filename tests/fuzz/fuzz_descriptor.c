/* Any bytes as a HID report descriptor, and then as the reports of the device that has it (feature reports too): the
 * first byte is the descriptor's length.  What must hold: every field lies within what a report can be, and what is
 * read is a reading or refused. */
#include <stdlib.h>
#include <string.h>

#include "driver.h"
#include "hid/hid.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length);

static void check_field(void *context, const struct hid_field *field)
{
    (void)context;
    if (field->kind < HID_INPUT || field->kind > HID_FEATURE || field->usage_count < 0
        || field->usage_count > HID_USAGES_MOST)
        abort();
}

static void check_reports(const struct driver *driver, void *state, const uint8_t *data, size_t length)
{
    struct reading readings[FRAME_READINGS];
    struct hid_feature features[FEATURES_MOST];
    int wanted = driver->features ? driver->features(state, features, FEATURES_MOST) : 0;

    if (wanted < 0 || wanted > FEATURES_MOST)
        abort();
    for (int i = 0; i < wanted && length > 0; i++) {
        size_t part = features[i].length < length ? features[i].length : length;

        driver->feature(state, data, part);
        data += part;
        length -= part;
    }
    while (length > 0) {
        size_t part = data[0] < length - 1 ? data[0] : length - 1;
        int count = driver->decode(state, data + 1, part, readings, FRAME_READINGS);

        if (count > FRAME_READINGS || count <= -REJECT_COUNT)
            abort();
        data += part + 1;
        length -= part + 1;
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length)
{
    static const char *const drivers[] = { "hid-scale", "hid-keyboard" };
    size_t size = length > 0 && data[0] < length ? data[0] : 0;

    if (length == 0)
        return 0;
    hid_walk(data + 1, size, check_field, NULL);
    hid_longest_input(data + 1, size);
    hid_application(data + 1, size);
    for (size_t i = 0; i < sizeof drivers / sizeof *drivers; i++) {
        const struct driver *driver = driver_find(drivers[i]);
        struct instrument_config config = { .name = "fuzzed", .driver = drivers[i], .quantity = QUANTITY_MASS };
        void *state = calloc(1, driver->state_size);
        struct why why = { "" };

        if (!state || driver->configure(state, &config, &why) != 0)
            abort();
        if (!driver->describe || driver->describe(state, data + 1, size, &why) == 0)
            check_reports(driver, state, data + 1 + size, length - 1 - size);
        else if (!why.text[0])
            abort();
        if (driver->release)
            driver->release(state);
        free(state);
    }
    return 0;
}
