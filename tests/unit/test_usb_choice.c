/* Which USB device a port of the configuration means. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

#include <errno.h>
#include <string.h>

#include "transport/usb_choice.h"

static const struct usb_found plugged[] = {
    { .place = { 1, 4, 0 },
      .vendor = 0x1209,
      .product = 1,
      .serial = "LEFT",
      .port = "1-1.1",
      .scale = 1,
      .keyboard = 0 },
    { .place = { 1, 5, 0 },
      .vendor = 0x1209,
      .product = 1,
      .serial = "RIGHT",
      .port = "1-1.2",
      .scale = 1,
      .keyboard = 0 },
    { .place = { 1, 6, 0 }, .vendor = 0x1209, .product = 2, .serial = "", .port = "1-1.3", .scale = 0, .keyboard = 1 },
    { .place = { 1, 6, 1 }, .vendor = 0x1209, .product = 2, .serial = "", .port = "1-1.3", .scale = 0, .keyboard = 0 },
    { .place = { 2, 2, 0 }, .vendor = 0xbeef, .product = 7, .serial = "", .port = "2-4", .scale = -1, .keyboard = -1 },
};

enum { PLUGGED = sizeof plugged / sizeof *plugged };

static void assert_chosen(const char *port, bool keyboard, const struct usb_found *expected)
{
    struct usb_found chosen;
    struct why why = { "" };

    if (usb_choose(plugged, PLUGGED, port, keyboard, &chosen, &why) != 0)
        fail_msg("%s: %s", port, why.text);
    assert_memory_equal(&chosen.place, &expected->place, sizeof chosen.place);
}

static void test_a_device_is_found_by_serial_number_and_by_place(void **state)
{
    (void)state;
    assert_chosen("usb:1209:0001:LEFT", false, &plugged[0]);
    assert_chosen("usb:1209:0001:RIGHT", false, &plugged[1]);
    assert_chosen("usb-port:1-1.2", false, &plugged[1]);
    assert_chosen("usb:1209:0002", true, &plugged[2]);  /* the interface that types, of two */
    assert_chosen("usb:BEEF:0007", false, &plugged[4]); /* not known yet what it is: opened, and asked */
    assert_chosen("usb-port:2-4", true, &plugged[4]);
}

static void test_a_port_names_what_it_fits_of_any_kind(void **state)
{
    (void)state;
    assert_true(usb_names("usb:1209:0001", &plugged[0]) && usb_names("usb:1209:0001", &plugged[1]));
    assert_true(usb_names("usb:1209:0001:LEFT", &plugged[0]) && !usb_names("usb:1209:0001:LEFT", &plugged[1]));
    assert_true(usb_names("usb-port:1-1.3", &plugged[2]) && usb_names("usb-port:1-1.3", &plugged[3]));
    assert_false(usb_names("usb-port:1-1", &plugged[0]) || usb_names("/dev/ttyUSB0", &plugged[0]));
}

static void test_two_alike_are_refused_with_the_candidates(void **state)
{
    struct usb_found chosen = { .port = "untouched" };
    struct why why = { "" };

    (void)state;
    assert_int_equal(usb_choose(plugged, PLUGGED, "usb:1209:0001", false, &chosen, &why), -ENOTUNIQ);
    assert_string_equal(chosen.port, "untouched");
    assert_non_null(strstr(why.text, "usb-port:1-1.1 (serial LEFT), usb-port:1-1.2 (serial RIGHT)"));
}

static void test_what_is_not_there_is_not_found(void **state)
{
    static const struct {
        const char *port;
        bool keyboard;
    } missing[] = { { "usb:1209:0003", false }, { "usb:1209:0001:LEF", false }, { "usb:1209:0001:left", false },
                    { "usb-port:1-1", false },  { "usb-port:1-1.3", false },    { "usb:1209:0001", true } };
    struct usb_found chosen;
    struct why why;

    (void)state;
    for (size_t i = 0; i < sizeof missing / sizeof *missing; i++)
        assert_int_equal(usb_choose(plugged, PLUGGED, missing[i].port, missing[i].keyboard, &chosen, &why), -ENODEV);
    assert_int_equal(usb_choose(plugged, 0, "usb-port:1-1.1", false, &chosen, &why), -ENODEV);
}

static void test_a_port_is_written_in_one_way(void **state)
{
    static const char *const wrong[] = { "usb:",
                                         "usb:1209",
                                         "usb:1209:",
                                         "usb:1209:1",
                                         "usb:12:0001",
                                         "usb:1209:0001:",
                                         "usb:1209:00011",
                                         "usb:wxyz:0001",
                                         "usb:1209:0001 ",
                                         "usb-port:",
                                         "usb-port:a",
                                         "usb-port:1-1 ",
                                         "usb-port:../../1-1",
                                         "/dev/hidraw0",
                                         "usb-port:1-1.1.1.1.1.1.1.1.1.1.1.1.1.1.1.1" };
    struct why why;

    (void)state;
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        why.text[0] = '\0';
        if (usb_check_port(wrong[i], &why) != -EINVAL)
            fail_msg("'%s' was taken", wrong[i]);
        assert_non_null(strstr(why.text, "usb:VID:PID"));
    }
    assert_int_equal(usb_check_port("usb:1209:0001", &why), 0);
    assert_int_equal(usb_check_port("usb:1209:0001:A1:B2", &why), 0);
    assert_int_equal(usb_check_port("usb-port:3-1.4", &why), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_device_is_found_by_serial_number_and_by_place),
        cmocka_unit_test(test_a_port_names_what_it_fits_of_any_kind),
        cmocka_unit_test(test_two_alike_are_refused_with_the_candidates),
        cmocka_unit_test(test_what_is_not_there_is_not_found),
        cmocka_unit_test(test_a_port_is_written_in_one_way),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
