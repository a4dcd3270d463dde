/* Scales that are taken without being configured, and the names they keep. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

#include <stdlib.h>
#include <string.h>

#include "instruments/scales.h"

static struct usb_found scale(const char *serial, const char *port)
{
    struct usb_found found = { .vendor = 0x1209, .product = 1, .scale = 1 };

    strcpy(found.serial, serial);
    strcpy(found.port, port);
    return found;
}

static void test_a_scale_keeps_its_name_wherever_it_is_plugged_in(void **state)
{
    struct usb_found here = scale("AB_12", "1-1"), there = scale("AB_12", "3-4.2"), other = scale("AB_13", "1-1");
    struct scales scales = { .count = 0 };

    (void)state;
    assert_true(scales_note(&scales, &here, 1));
    assert_string_equal(scales.list[0].name, "scale-ab-12");
    assert_string_equal(scales.list[0].port, "usb:1209:0001:AB_12");
    assert_false(scales_note(&scales, &there, 1));
    assert_false(scales_note(&scales, NULL, 0)); /* pulled out: still known */
    assert_true(scales_note(&scales, &other, 1));
    assert_int_equal(scales.count, 2);
    assert_string_equal(scales.list[1].name, "scale-ab-13");
}

static void test_two_with_one_serial_number_are_reported_apart_by_their_place(void **state)
{
    struct usb_found alike[] = { scale("0000", "1-1.1"), scale("0000", "1-1.2") }, nameless = scale("", "2-1");
    struct scales scales = { .count = 0 };

    (void)state;
    assert_true(scales_note(&scales, alike, 2));
    assert_int_equal(scales.count, 2);
    assert_string_equal(scales.list[0].name, "scale-1-1-1");
    assert_string_equal(scales.list[1].port, "usb-port:1-1.2");
    assert_true(scales_note(&scales, &nameless, 1));
    assert_string_equal(scales.list[2].port, "usb-port:2-1");
}

static void assert_scale(const struct scales *scales, int at, const char *name, const char *port)
{
    assert_true(at < scales->count);
    assert_string_equal(scales->list[at].name, name);
    assert_string_equal(scales->list[at].port, port);
}

static void test_one_without_a_serial_number_keeps_its_name_in_another_place(void **state)
{
    struct usb_found here = scale("", "1-1"), there = scale("", "1-4"), both[] = { scale("", "1-2"), scale("", "1-4") };
    struct usb_found three[] = { scale("", "1-1"), scale("", "1-2"), scale("", "1-4") }, other = scale("", "2-1");
    struct scales scales = { .count = 0 };

    (void)state;
    assert_true(scales_note(&scales, &here, 1));
    assert_false(scales_note(&scales, NULL, 0));
    assert_true(scales_note(&scales, &there, 1));
    assert_int_equal(scales.count, 1);
    assert_scale(&scales, 0, "scale-1-1", "usb-port:1-4");
    assert_true(scales_note(&scales, both, 2));
    assert_scale(&scales, 1, "scale-1-2", "usb-port:1-2");
    assert_true(scales_note(&scales, three, 3)); /* a third where the first was once */
    assert_int_equal(scales.count, 3);
    assert_scale(&scales, 2, "scale-1-1-2", "usb-port:1-1");
    assert_false(scales_note(&scales, three, 3));
    other.product = 2;
    assert_true(scales_note(&scales, &other, 1)); /* none of those, though all of them are missing */
    assert_scale(&scales, 3, "scale-2-1", "usb-port:2-1");
    assert_scale(&scales, 0, "scale-1-1", "usb-port:1-4");
}

static void test_a_twin_that_comes_later_takes_no_name_away(void **state)
{
    struct usb_found twins[] = { scale("0000", "1-1"), scale("0000", "1-2") };
    struct scales scales = { .count = 0 };

    (void)state;
    assert_true(scales_note(&scales, &twins[1], 1));
    assert_scale(&scales, 0, "scale-0000", "usb:1209:0001:0000");
    assert_true(scales_note(&scales, twins, 2));
    assert_int_equal(scales.count, 2);
    assert_scale(&scales, 0, "scale-0000", "usb-port:1-2");
    assert_scale(&scales, 1, "scale-1-1", "usb-port:1-1");
    assert_false(scales_note(&scales, &twins[1], 1)); /* alone again, and still by its place */
    assert_false(scales_note(&scales, twins, 2));
    assert_int_equal(scales.count, 2);
    assert_scale(&scales, 0, "scale-0000", "usb-port:1-2");
}

static void test_a_serial_number_that_would_break_a_section_is_not_used(void **state)
{
    static const char *const serials[] = { "A\nport = /dev/null", "A;B", "#1", "A B", "\x01", "\xc3\xa9" };

    (void)state;
    for (size_t i = 0; i < sizeof serials / sizeof *serials; i++) {
        struct usb_found found = scale(serials[i], "1-1.1");
        struct scale section = scale_section("reader", &found, &found, 1);

        assert_string_equal(section.name, "reader-1-1-1");
        assert_string_equal(section.port, "usb-port:1-1.1");
    }
}

static void test_only_what_describes_itself_is_taken(void **state)
{
    struct usb_found keyboard = scale("K", "1-1"), unknown = scale("U", "1-2"), many[SCALES_MOST + 2];
    struct scales scales = { .count = 0 };
    char port[16];

    (void)state;
    keyboard.scale = 0;
    unknown.scale = -1;
    assert_false(scales_note(&scales, &keyboard, 1));
    assert_false(scales_note(&scales, &unknown, 1));
    for (int i = 0; i < SCALES_MOST + 2; i++) {
        snprintf(port, sizeof port, "1-%d", i);
        many[i] = scale("", port);
    }
    assert_true(scales_note(&scales, many, SCALES_MOST + 2));
    assert_int_equal(scales.count, SCALES_MOST);
    assert_false(scales_note(&scales, many, SCALES_MOST + 2));
}

static void test_sections_are_as_if_they_had_been_written(void **state)
{
    struct usb_found two[] = { scale("A", "1-1"), scale("B", "1-2") };
    struct station_config station = { .name = "bench" };
    struct config config = { .stations = &station, .station_count = 1 };
    struct scales scales = { .count = 0 };
    struct why why;

    (void)state;
    scales_note(&scales, two, 2);
    assert_int_equal(scales_add(&scales, &config, &why), 0);
    assert_int_equal(config.instrument_count, 2);
    assert_string_equal(config.instruments[0].driver, "hid-scale");
    assert_string_equal(config.instruments[0].station, "bench");
    assert_string_equal(config.instruments[1].name, "scale-b");
    assert_string_equal(config.instruments[1].port, "usb:1209:0001:B");
    assert_string_equal(config.instruments[1].station, "");
    assert_int_equal(config.instruments[1].quantity, QUANTITY_MASS);
    free(config.instruments);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_scale_keeps_its_name_wherever_it_is_plugged_in),
        cmocka_unit_test(test_two_with_one_serial_number_are_reported_apart_by_their_place),
        cmocka_unit_test(test_one_without_a_serial_number_keeps_its_name_in_another_place),
        cmocka_unit_test(test_a_twin_that_comes_later_takes_no_name_away),
        cmocka_unit_test(test_a_serial_number_that_would_break_a_section_is_not_used),
        cmocka_unit_test(test_only_what_describes_itself_is_taken),
        cmocka_unit_test(test_sections_are_as_if_they_had_been_written),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
