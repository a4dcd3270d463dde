/* What the `line` driver refuses in a configuration, and what it sends. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "driver.h"

static struct setting settings[3];

static const struct driver *line(void)
{
    const struct driver *driver = driver_find("line");

    assert_non_null(driver);
    return driver;
}

/* Configures with up to three settings, on lines 11, 12 and 13 of a file. */
static int configure(void *state, const char *const pairs[6], struct why *why)
{
    struct instrument_config config = {
        .name = "left-scale", .quantity = QUANTITY_MASS, .settings = settings, .line = 10
    };

    for (int i = 0; i < 3 && pairs[2 * i]; i++)
        settings[config.setting_count++] = (struct setting){ pairs[2 * i], pairs[2 * i + 1], 11 + i };
    why->text[0] = '\0';
    return line()->configure(state, &config, why);
}

static void test_what_makes_no_sense_is_refused_with_its_line(void **unused)
{
    static const struct {
        const char *pairs[6];
        const char *sentence; /* a part of it */
    } wrong[] = {
        { { "unit", "g", "colour", "blue" }, "line 12: the driver line knows no key 'colour'" },
        { { "layout", "stx" }, "line 11: layout = stx: " },
        { { "checksum", "maybe" }, "line 11: checksum = maybe: write yes or no" },
        { { "checksum", "yes" }, "checksum without layout = stx-status" },
        { { "seven_bit", "1" }, "write yes or no" },
        { { "decimal", "," }, "write comma or point" },
        { { "unit", "stone" }, "no unit known here" },
        { { "unit", "pcs" }, "no unit known here" },
        { { "blank_unit", "stable" }, "can only mean moving" },
        { { "fields", "nd,,brix" }, "a field without a name" },
        { { "fields", "nd, sugar" }, "the fields are" },
        { { "fields", "-, -" }, "one to four" },
        { { "fields", "mass, mass, brix, nd, temperature" }, "one to four" },
        { { "fields", "-,-,-,-,-,-,-,-,-,-,-,-,-,-,-,-,mass" }, "more than 16 fields" },
        { { "separator", ";" }, "separator without fields" },
        { { "separator", "7", "fields", "mass" }, "one character" },
        { { "fields", "mass, temperature", "decimal", "comma" }, "as separator and as decimal sign" },
        { { "pattern", "(?<value>\\d+" }, "line 11: pattern: missing" },
        { { "pattern", "\\d+" }, "needs a group (?<value>...)" },
        { { "pattern", "(?<value>\\d+)(?<mood>.)" }, "no group is called 'mood'" },
        { { "pattern", "(?<value>\\d+)", "layout", "stx-letter" }, "more than one of layout, fields and pattern" },
        { { "sample_temperature", "40 to 10" }, "as 10 to 40" },
        { { "sample_temperature", "10 - 40" }, "as 10 to 40" },
        { { "sample_temperature", "nan to 40" }, "as 10 to 40" },
        { { "temperature_unit", "K" }, "write C or F" },
        { { "prefix", "W", "layout", "stx-status" }, "text lines only" },
    };
    void *state = calloc(1, line()->state_size);
    struct why why;

    (void)unused;
    assert_non_null(state);
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        assert_int_equal(configure(state, wrong[i].pairs, &why), -EINVAL);
        if (strstr(why.text, wrong[i].sentence) == NULL)
            fail_msg("'%s' says nothing of '%s'", why.text, wrong[i].sentence);
        if (strncmp(why.text, "line 1", 6) != 0)
            fail_msg("'%s' names no line", why.text);
    }
    free(state);
}

static void test_orders_are_sent_as_written_and_never_made_up(void **unused)
{
    uint8_t tare[] = { 'T', '\r', '\n' }, ask[] = { 0x05 };
    struct instrument_config config = { .name = "left-scale",
                                        .ask = { ask, sizeof ask },
                                        .orders = { [ORDER_TARE] = { tare, sizeof tare } } };
    void *state = calloc(1, line()->state_size);
    uint8_t out[8] = "untouch";
    struct why why;

    (void)unused;
    assert_non_null(state);
    assert_int_equal(line()->configure(state, &config, &why), 0);
    memset(tare, 'x', sizeof tare); /* the configuration may go: the driver keeps its own */
    assert_int_equal(line()->order(state, ORDER_ZERO, out, sizeof out), -ENOTSUP);
    assert_int_equal(line()->order(state, ORDER_TARE, out, 2), -ENOSPC);
    assert_string_equal(out, "untouch");
    assert_int_equal(line()->order(state, ORDER_TARE, out, sizeof out), 3);
    assert_memory_equal(out, "T\r\n", 3);
    assert_int_equal(line()->ask(state, out, sizeof out), 1);
    assert_int_equal(out[0], 0x05);
    line()->release(state);

    config.ask = (struct bytes){ NULL, 0 };
    assert_int_equal(line()->configure(state, &config, &why), 0);
    assert_int_equal(line()->ask(state, out, sizeof out), 0);
    config.ask = (struct bytes){ out, 1000 };
    assert_int_equal(line()->configure(state, &config, &why), -EINVAL);
    line()->release(state);
    free(state);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_what_makes_no_sense_is_refused_with_its_line),
        cmocka_unit_test(test_orders_are_sent_as_written_and_never_made_up),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
