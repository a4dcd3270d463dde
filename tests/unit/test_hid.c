/* Report descriptors, and what a USB scale is reported.  The descriptors are made up after the USB-IF HID Point of
 * Sale Usage Tables 1.02, page 0x8D, and USB HID 1.11, appendix E.6. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "driver.h"
#include "hid/hid.h"

#define SCALE_BEGIN 0x05, 0x8d, 0x09, 0x20, 0xa1, 0x01
#define DATA_REPORT(...)                                                                                              \
    0x09, 0x32, 0xa1, 0x02, __VA_ARGS__ 0x09, 0x70, 0xa1, 0x02, 0x19, 0x71, 0x29, 0x78, 0x15, 0x01, 0x25, 0x08, 0x75, \
        0x08, 0x95, 0x01, 0x81, 0x00, 0xc0, 0x09, 0x50, 0xa1, 0x02, 0x19, 0x51, 0x29, 0x5c, 0x15, 0x01, 0x25, 0x0c,   \
        0x75, 0x08, 0x95, 0x01, 0x81, 0x00, 0xc0, 0x09, 0x41, 0x15, 0x80, 0x25, 0x7f, 0x75, 0x08, 0x95, 0x01, 0x81,   \
        0x02, 0x09, 0x40, 0x15, 0x00, 0x27, 0xff, 0xff, 0x00, 0x00, 0x75, 0x10, 0x95, 0x01, 0x81, 0x02, 0xc0

/* Zero Return in bit 0 and Zero Scale in bit 1 of an output report; then the other way round as a feature. */
static const uint8_t zero_by_output[] = { SCALE_BEGIN,
                                          0x09,
                                          0x31,
                                          0xa1,
                                          0x02,
                                          0x85,
                                          0x02,
                                          0x09,
                                          0x81,
                                          0x09,
                                          0x80,
                                          0x15,
                                          0x00,
                                          0x25,
                                          0x01,
                                          0x75,
                                          0x01,
                                          0x95,
                                          0x02,
                                          0x91,
                                          0x02,
                                          0x75,
                                          0x06,
                                          0x95,
                                          0x01,
                                          0x91,
                                          0x03,
                                          0xc0,
                                          DATA_REPORT(0x85, 0x03, ),
                                          0xc0 };
static const uint8_t zero_by_feature[] = { SCALE_BEGIN,
                                           0x09,
                                           0x31,
                                           0xa1,
                                           0x02,
                                           0x85,
                                           0x02,
                                           0x09,
                                           0x80,
                                           0x09,
                                           0x81,
                                           0x15,
                                           0x00,
                                           0x25,
                                           0x01,
                                           0x75,
                                           0x01,
                                           0x95,
                                           0x02,
                                           0xb1,
                                           0x02,
                                           0x75,
                                           0x06,
                                           0x95,
                                           0x01,
                                           0xb1,
                                           0x03,
                                           0xc0,
                                           DATA_REPORT(0x85, 0x03, ),
                                           0xc0 };
static const uint8_t no_zero[] = { SCALE_BEGIN, DATA_REPORT(0x85, 0x03, ), 0xc0 };
static const uint8_t mouse[] = { 0x05, 0x01, 0x09, 0x02, 0xa1, 0x01, 0x05, 0x09, 0x19, 0x01,
                                 0x29, 0x03, 0x75, 0x01, 0x95, 0x03, 0x81, 0x02, 0xc0 };
static const uint8_t keyboard[] = { 0x05, 0x01, 0x09, 0x06, 0xa1, 0x01, 0x05, 0x07, 0x19, 0xe0,
                                    0x29, 0xe7, 0x75, 0x01, 0x95, 0x08, 0x81, 0x02, 0xc0 };

/* Report 1, class and unit; 5, the most it weighs; 6, how often it was calibrated and zeroed. */
#define ABOUT_REPORTS                                                                                                 \
    0x09, 0x30, 0xa1, 0x02, 0x85, 0x01, 0x09, 0x21, 0xa1, 0x02, 0x19, 0x22, 0x29, 0x2a, 0x15, 0x01, 0x25, 0x09, 0x75, \
        0x08, 0x95, 0x01, 0xb1, 0x00, 0xc0, 0x09, 0x50, 0xa1, 0x02, 0x19, 0x51, 0x29, 0x5c, 0x15, 0x01, 0x25, 0x0c,   \
        0x75, 0x08, 0x95, 0x01, 0xb1, 0x00, 0xc0, 0xc0, 0x09, 0x34, 0xa1, 0x02, 0x85, 0x05, 0x09, 0x50, 0xa1, 0x02,   \
        0x19, 0x51, 0x29, 0x5c, 0x15, 0x01, 0x25, 0x0c, 0x75, 0x08, 0x95, 0x01, 0xb1, 0x00, 0xc0, 0x09, 0x41, 0x15,   \
        0x80, 0x25, 0x7f, 0x75, 0x08, 0x95, 0x01, 0xb1, 0x02, 0x09, 0x40, 0x15, 0x00, 0x27, 0xff, 0xff, 0x00, 0x00,   \
        0x75, 0x10, 0x95, 0x01, 0xb1, 0x02, 0xc0, 0x09, 0x35, 0xa1, 0x02, 0x85, 0x06, 0x09, 0x60, 0x09, 0x61, 0x15,   \
        0x00, 0x27, 0xff, 0xff, 0x00, 0x00, 0x75, 0x10, 0x95, 0x02, 0xb1, 0x02, 0xc0

/* key NULL: no setting */
static void *described_with(const char *key, const char *value, const uint8_t *descriptor, size_t length)
{
    struct setting setting = { key, value, 1 };
    struct instrument_config config = {
        .name = "scale", .quantity = QUANTITY_MASS, .settings = &setting, .setting_count = key != NULL
    };
    void *state = calloc(1, hid_scale_driver.state_size);
    struct why why = { "" };

    assert_non_null(state);
    assert_int_equal(hid_scale_driver.configure(state, &config, &why), 0);
    if (hid_scale_driver.describe(state, descriptor, length, &why) != 0)
        fail_msg("%s", why.text);
    return state;
}

static void *described(const uint8_t *descriptor, size_t length)
{
    return described_with(NULL, NULL, descriptor, length);
}

static void test_zero_is_sent_as_the_descriptor_says(void **unused)
{
    uint8_t out[8];
    void *state = described(zero_by_output, sizeof zero_by_output);

    (void)unused;
    assert_int_equal(hid_scale_driver.order(state, ORDER_ZERO, out, sizeof out), 4);
    assert_memory_equal(out, ((uint8_t[]){ HID_OUTPUT, 0x02, 0x02, 0x02 }), 4);
    assert_int_equal(hid_scale_driver.order(state, ORDER_TARE, out, sizeof out), -ENOTSUP);
    assert_int_equal(hid_scale_driver.order(state, ORDER_ZERO, out, 2), -ENOSPC);
    free(state);
    state = described(zero_by_feature, sizeof zero_by_feature);
    assert_int_equal(hid_scale_driver.order(state, ORDER_ZERO, out, sizeof out), 4);
    assert_memory_equal(out, ((uint8_t[]){ HID_FEATURE, 0x02, 0x02, 0x01 }), 4);
    free(state);
    state = described(no_zero, sizeof no_zero);
    assert_int_equal(hid_scale_driver.order(state, ORDER_ZERO, out, sizeof out), -ENOTSUP);
    free(state);
}

/* Which of the two bits zeroes is the scale's affair. */
static void test_zero_is_sent_with_the_bits_that_the_configuration_names(void **unused)
{
    static const struct {
        const char *bits;
        const uint8_t *descriptor;
        size_t length;
        uint8_t order[4];
    } rows[] = {
        { "zero", zero_by_output, sizeof zero_by_output, { HID_OUTPUT, 2, 2, 2 } },
        { "return", zero_by_output, sizeof zero_by_output, { HID_OUTPUT, 2, 2, 1 } },
        { "return", zero_by_feature, sizeof zero_by_feature, { HID_FEATURE, 2, 2, 2 } },
        { "both", zero_by_feature, sizeof zero_by_feature, { HID_FEATURE, 2, 2, 3 } },
    };
    uint8_t only_zero[sizeof zero_by_output], out[8];
    void *state;

    (void)unused;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        state = described_with("zero_bits", rows[i].bits, rows[i].descriptor, rows[i].length);
        assert_int_equal(hid_scale_driver.order(state, ORDER_ZERO, out, sizeof out), 4);
        assert_memory_equal(out, rows[i].order, 4);
        free(state);
    }
    memcpy(only_zero, zero_by_output, sizeof only_zero);
    assert_int_equal(only_zero[13], 0x81); /* the usage of the other bit: now the page has none of that number */
    only_zero[13] = 0x8f;
    state = described_with("zero_bits", "both", only_zero, sizeof only_zero);
    assert_int_equal(hid_scale_driver.order(state, ORDER_ZERO, out, sizeof out), -ENOTSUP);
    free(state);
    state = described_with("zero_bits", "zero", only_zero, sizeof only_zero);
    assert_int_equal(hid_scale_driver.order(state, ORDER_ZERO, out, sizeof out), 4);
    assert_memory_equal(out, ((uint8_t[]){ HID_OUTPUT, 2, 2, 2 }), 4);
    free(state);
}

static void assert_about(void *state, const uint8_t *report, size_t length, const char *words)
{
    uint8_t *exact = malloc(length); /* a read beyond its end is found */
    char said[160];

    assert_non_null(exact);
    memcpy(exact, report, length);
    hid_scale_driver.feature(state, exact, length);
    hid_scale_driver.about(state, said, sizeof said);
    assert_string_equal(said, words);
    free(exact);
}

static void test_what_a_scale_says_of_itself(void **unused)
{
    static const uint8_t full[] = { SCALE_BEGIN, ABOUT_REPORTS, DATA_REPORT(0x85, 0x03, ), 0xc0 };
    struct hid_feature features[FEATURES_MOST];
    void *state = described(full, sizeof full);
    char little[8];

    (void)unused;
    assert_int_equal(hid_scale_driver.features(state, features, FEATURES_MOST), 3);
    assert_int_equal(hid_scale_driver.features(state, features, 2), 2);
    assert_true(features[0].report_id == 1 && features[0].length == 3);
    assert_true(features[1].report_id == 5 && features[1].length == 5);
    assert_about(state, (uint8_t[]){ 0 }, 1, "");
    assert_about(state, (uint8_t[]){ 5, 2, 0, 0 }, 4, "");    /* cut short */
    assert_about(state, (uint8_t[]){ 5, 2, 0, 0, 0 }, 5, ""); /* no limit named */
    assert_about(state, (uint8_t[]){ 5, 0, 0, 1, 0 }, 5, ""); /* in no unit */
    assert_about(state, (uint8_t[]){ 5, 200, 0, 1, 0 }, 5, "");
    assert_about(state, (uint8_t[]){ 5, 2, 0x7f, 1, 0 }, 5, "");
    assert_about(state, (uint8_t[]){ 5, 3, 0xff, 0x1e, 0 }, 5, "weighs up to 3.0 kg");
    assert_about(state, (uint8_t[]){ 1, 0, 2 }, 3, "weighs up to 3.0 kg");
    assert_about(state, (uint8_t[]){ 1, 9, 2 }, 3, "weighs up to 3.0 kg"); /* of no class */
    assert_about(state, (uint8_t[]){ 1, 2, 2 }, 3, "weighs up to 3.0 kg, accuracy class II");
    assert_about(state, (uint8_t[]){ 6, 2, 1, 0xff, 0xff }, 5,
                 "weighs up to 3.0 kg, accuracy class II, calibrated 258 times, zeroed 65535 times");
    hid_scale_driver.about(state, little, sizeof little);
    assert_string_equal(little, "weighs ");
    free(state);
    state = described_with("features", "no", full, sizeof full);
    assert_int_equal(hid_scale_driver.features(state, features, FEATURES_MOST), 0);
    free(state);
    state = described(no_zero, sizeof no_zero);
    assert_int_equal(hid_scale_driver.features(state, features, FEATURES_MOST), 0);
    free(state);
}

static void test_what_is_no_scale_or_no_keyboard_is_refused(void **unused)
{
    struct instrument_config config = { .name = "scale" };
    void *scale = calloc(1, hid_scale_driver.state_size), *typist = calloc(1, hid_keyboard_driver.state_size);
    struct why why = { "" };

    (void)unused;
    assert_non_null(scale);
    assert_non_null(typist);
    assert_int_equal(hid_scale_driver.configure(scale, &config, &why), 0);
    assert_int_equal(hid_keyboard_driver.configure(typist, &config, &why), 0);
    assert_int_equal(hid_scale_driver.describe(scale, mouse, sizeof mouse, &why), -ENODEV);
    assert_int_equal(hid_scale_driver.describe(scale, keyboard, sizeof keyboard, &why), -ENODEV);
    assert_int_equal(hid_scale_driver.describe(scale, NULL, 0, &why), -ENODEV);
    assert_int_equal(hid_keyboard_driver.describe(typist, mouse, sizeof mouse, &why), -ENODEV);
    assert_int_equal(hid_keyboard_driver.describe(typist, no_zero, sizeof no_zero, &why), -ENODEV);
    assert_int_equal(hid_keyboard_driver.describe(typist, keyboard, sizeof keyboard, &why), 0);
    hid_keyboard_driver.release(typist);
    free(scale);
    free(typist);
}

static void ignore(void *context, const struct hid_field *field)
{
    (void)field;
    ++*(int *)context;
}

static void test_a_descriptor_cut_anywhere_is_no_descriptor(void **unused)
{
    int fields = 0;

    (void)unused;
    assert_int_equal(hid_walk(zero_by_output, sizeof zero_by_output, ignore, &fields), 0);
    assert_int_equal(fields, 6);
    for (size_t length = 0; length < sizeof zero_by_output; length++) {
        uint8_t *part = malloc(length + 1); /* so that a read beyond the cut is found */

        assert_non_null(part);
        memcpy(part, zero_by_output, length);
        /* before the first collection opens, behind 2 and 4 bytes, a descriptor may end */
        assert_int_equal(hid_walk(part, length, ignore, &fields), length == 2 || length == 4 ? 0 : -EINVAL);
        free(part);
    }
}

static void test_the_longest_report_counts_its_id(void **unused)
{
    static const uint8_t two[] = {
        SCALE_BEGIN, DATA_REPORT(0x85, 0x03, ), 0x85, 0x09, 0x09, 0xff, 0x75, 0x08, 0x95, 0x13, 0x81, 0x02, 0xc0
    };
    static const uint8_t without_id[] = { SCALE_BEGIN, DATA_REPORT(), 0xc0 };

    (void)unused;
    assert_int_equal(hid_longest_input(zero_by_output, sizeof zero_by_output), 6);
    assert_int_equal(hid_longest_input(without_id, sizeof without_id), 5);
    assert_int_equal(hid_longest_input(two, sizeof two), 20);
    assert_int_equal(hid_longest_input(keyboard, sizeof keyboard), 1);
    assert_int_equal(hid_longest_input(two, sizeof two - 1), 0);
}

static void test_settings_that_make_no_sense_are_refused(void **unused)
{
    static const struct {
        const struct driver *driver;
        struct setting setting;
        enum quantity quantity;
        const char *sentence;
    } wrong[] = {
        { &hid_scale_driver, { "colour", "blue", 7 }, QUANTITY_MASS, "line 7: the driver hid-scale knows no key" },
        { &hid_scale_driver, { "data_report", "0", 7 }, QUANTITY_MASS, "1 to 255" },
        { &hid_scale_driver, { "data_report", "256", 7 }, QUANTITY_MASS, "1 to 255" },
        { &hid_scale_driver, { "features", "maybe", 7 }, QUANTITY_MASS, "yes or no" },
        { &hid_scale_driver, { "zero_bits", "2", 7 }, QUANTITY_MASS, "zero, return or both" },
        { &hid_scale_driver, { "data_report", "4", 7 }, QUANTITY_BRIX, "its quantity is mass" },
        { &hid_keyboard_driver,
          { "colour", "blue", 7 },
          QUANTITY_BRIX,
          "the driver hid-keyboard knows no key 'colour'" },
        { &hid_keyboard_driver, { "keyboard", "fr", 7 }, QUANTITY_BRIX, "us and de" },
        { &hid_keyboard_driver, { "keypad_decimal", ".", 7 }, QUANTITY_BRIX, "comma or point" },
        { &hid_keyboard_driver, { "ends_with", "space", 7 }, QUANTITY_BRIX, "enter or tab" },
        { &hid_keyboard_driver, { "layout", "stx-letter", 7 }, QUANTITY_BRIX, "for serial lines" },
    };

    (void)unused;
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        struct instrument_config config = {
            .name = "thing", .quantity = wrong[i].quantity, .settings = &wrong[i].setting, .setting_count = 1, .line = 6
        };
        void *state = calloc(1, wrong[i].driver->state_size);
        struct why why = { "" };

        assert_non_null(state);
        assert_int_equal(wrong[i].driver->configure(state, &config, &why), -EINVAL);
        if (strncmp(why.text, "line ", 5) != 0 || strstr(why.text, wrong[i].sentence) == NULL)
            fail_msg("'%s' says nothing of '%s'", why.text, wrong[i].sentence);
        free(state);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_zero_is_sent_as_the_descriptor_says),
        cmocka_unit_test(test_zero_is_sent_with_the_bits_that_the_configuration_names),
        cmocka_unit_test(test_what_a_scale_says_of_itself),
        cmocka_unit_test(test_what_is_no_scale_or_no_keyboard_is_refused),
        cmocka_unit_test(test_a_descriptor_cut_anywhere_is_no_descriptor),
        cmocka_unit_test(test_the_longest_report_counts_its_id),
        cmocka_unit_test(test_settings_that_make_no_sense_are_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
