/* The configuration: what is read, and that every mistake is named with its line and what would be right. */
#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "config/config.h"
#include "config/config_values.h"

struct files {
    char folder[64], path[96];
};

static int begin(void **state)
{
    struct files *files = calloc(1, sizeof *files);

    assert_non_null(files);
    strcpy(files->folder, "/tmp/poise-config-XXXXXX");
    assert_non_null(mkdtemp(files->folder));
    snprintf(files->path, sizeof files->path, "%s/poised.conf", files->folder);
    *state = files;
    return 0;
}

static int end(void **state)
{
    struct files *files = *state;

    unlink(files->path);
    rmdir(files->folder);
    free(files);
    return 0;
}

static void write_file(const struct files *files, const char *text, size_t length)
{
    FILE *file = fopen(files->path, "w");

    assert_non_null(file);
    assert_int_equal(fwrite(text, 1, length, file), length);
    assert_int_equal(fclose(file), 0);
}

static const char whole[] = "\xef\xbb\xbf; the training room\n"
                            "[bench]\n"
                            "name    = pier                  ; part of every brew's name\n"
                            "bus     = ipc://bus\r\n"
                            "control = ipc:///run/poise/control\n"
                            "journal = data/journal.db\n"
                            "journal_days = 7\n"
                            "\n"
                            "[station left]\n"
                            "piston_diameter_mm = 60\n"
                            "press_limit_kpa = 24.5\n"
                            "   retained_g_per_g = 1.9\n"
                            "last_drops_g = 4.5\n"
                            "[station right]\n"
                            "# no settings\n"
                            "[cup blue]\n"
                            "mass_g = 341.2\n"
                            "[instrument left-scale]\n"
                            "driver = line\n"
                            "port = ./left\n"
                            "serial = 4800 7E1\n"
                            "quantity = mass\n"
                            "station = left\n"
                            "ask = \\x05P\\r\\n every 200 ms\n"
                            "tare = T\\r\\n\n"
                            "lag_ms = 180\n"
                            "weighs = brew\n"
                            "decimal = comma\n"
                            "pattern = ^(?<value>[0-9,]+)(?<unit>g)$\n"
                            "[instrument left-cup]\n"
                            "driver = line\n"
                            "port = /dev/serial/by-id/usb-cup\n"
                            "quantity = mass\n"
                            "station = left\n"
                            "weighs = cup\n"
                            "lag_ms = 300\n" /* its own: the station's is the brew scale's */
                            "[instrument bench-refractometer]\n"
                            "driver = line\n"
                            "port = /dev/serial/by-id/usb-strength\n"
                            "quantity = brix\n"
                            "[strength]\n"
                            "replicates = 4\n"
                            "strength_per_brix = 0.85\n"
                            "filtered = yes"; /* a last line without its end */

/* By NumPy: the line through zero of these three. */
static void test_pairs_make_a_factor(void **state)
{
    static const char text[] = "[station left]\n[strength]\npairs = 1.20 = 1.02, 1.65=1.41 ,2.10 = 1.77\n";
    struct files *files = *state;
    struct config config;
    struct why why;

    write_file(files, text, sizeof text - 1);
    assert_int_equal(config_read(&config, files->path, stderr, &why), 0);
    assert_float_equal(config.strength_per_brix, 0.847769028871391, 1e-12);
    assert_float_equal(config.strength_per_brix_u, 0.003730359685971653, 1e-12);
    assert_int_equal(config.strength_pairs, 3);
    config_free(&config);
}

static void test_everything_is_read(void **state)
{
    struct files *files = *state;
    struct config config;
    struct why why;
    char path[128];

    write_file(files, whole, sizeof whole - 1);
    assert_int_equal(config_read(&config, files->path, stderr, &why), 0);
    assert_string_equal(config.bench, "pier");
    snprintf(path, sizeof path, "ipc://%s/bus", files->folder);
    assert_string_equal(config.bus, path);
    assert_string_equal(config.control, "ipc:///run/poise/control");
    snprintf(path, sizeof path, "%s/data/journal.db", files->folder);
    assert_string_equal(config.journal, path);
    assert_int_equal(config.journal_days, 7);

    assert_int_equal(config.station_count, 2);
    assert_string_equal(config.stations[0].name, "left");
    assert_float_equal(config.stations[0].tracker.piston_diameter_mm, 60, 0);
    assert_float_equal(config.stations[0].tracker.press_limit_kpa, 24.5, 0);
    assert_float_equal(config.stations[0].tracker.retained_g_per_g, 1.9, 0);
    assert_float_equal(config.stations[1].tracker.retained_g_per_g, 2.0, 0);
    assert_float_equal(config.stations[0].tracker.last_drops_g, 4.5, 0);
    assert_float_equal(config.stations[1].tracker.last_drops_g, 0, 0);
    assert_int_equal(config.stations[0].tracker.lag_us, 180000);
    assert_int_equal(config.stations[1].tracker.lag_us, 0);
    for (int i = 0; i < 2; i++) {
        assert_int_equal(config.stations[i].tracker.cup_count, 1);
        assert_float_equal(config.stations[i].tracker.cup_g[0], 341.2, 0);
    }

    assert_int_equal(config.instrument_count, 3);
    const struct instrument_config *scale = &config.instruments[0], *refractometer = &config.instruments[2];
    assert_false(scale->weighs_cup);
    assert_true(config.instruments[1].weighs_cup);
    assert_int_equal(config.instruments[1].lag_us, 300000);
    snprintf(path, sizeof path, "%s/left", files->folder);
    assert_string_equal(scale->name, "left-scale");
    assert_string_equal(scale->port, path);
    assert_string_equal(scale->serial, "4800 7E1");
    assert_int_equal(scale->quantity, QUANTITY_MASS);
    assert_string_equal(scale->station, "left");
    assert_int_equal(scale->ask.length, 4);
    assert_memory_equal(scale->ask.data, "\x05P\r\n", 4);
    assert_int_equal(scale->ask_every_ms, 200);
    assert_int_equal(scale->orders[ORDER_TARE].length, 3);
    assert_memory_equal(scale->orders[ORDER_TARE].data, "T\r\n", 3);
    assert_int_equal(scale->orders[ORDER_ZERO].length, 0);
    assert_int_equal(scale->line, 18);
    assert_int_equal(scale->setting_count, 2);
    assert_string_equal(scale->settings[1].key, "pattern");
    assert_string_equal(scale->settings[1].value, "^(?<value>[0-9,]+)(?<unit>g)$");
    assert_int_equal(scale->settings[1].line, 29);
    assert_string_equal(refractometer->station, "");
    assert_null(refractometer->serial);

    assert_int_equal(config.replicates, 4);
    assert_float_equal(config.strength_per_brix, 0.85, 0);
    assert_true(config.filtered);
    config_free(&config);
}

static void test_without_a_file_there_is_one_station(void **state)
{
    struct config config;
    struct why why;

    (void)state;
    assert_int_equal(config_read(&config, NULL, NULL, &why), 0);
    assert_string_equal(config.bench, "bench");
    assert_int_equal(config.station_count, 1);
    assert_string_equal(config.stations[0].name, "bench");
    assert_int_equal(config.instrument_count, 0);
    assert_int_equal(config.replicates, 3);
    assert_non_null(strstr(config.bus, "/poise"));
    config_free(&config);
}

/* Comments alone, as the file that is installed, or a bench's name: as good as no file. */
static void test_a_file_that_names_no_station_is_as_good_as_none(void **state)
{
    static const char *const texts[] = { "", "; nothing is set\n", "[bench]\nname = pier\n" };
    struct files *files = *state;
    struct config config;
    struct why why = { "" };

    for (size_t i = 0; i < sizeof texts / sizeof *texts; i++) {
        write_file(files, texts[i], strlen(texts[i]));
        if (config_read(&config, files->path, NULL, &why) != 0)
            fail_msg("%s: %s", texts[i], why.text);
        assert_string_equal(config.bench, i < 2 ? "bench" : "pier");
        assert_int_equal(config.station_count, 1);
        assert_string_equal(config.stations[0].name, "bench");
        config_free(&config);
    }
}

/* One mistake each: the line it is on, and words that its sentence must have. */
static const struct mistake {
    const char *text;
    int line;
    const char *words;
} mistakes[] = {
    { "name = pier\n[station left]\n", 1, "before the first [section]" },
    { "[station left]\n\n[bensch]\nname = pier\n", 3, "there are [bench], [station NAME]" },
    { "[station left]\n[bench]\nname = Pier 1\n", 3, "a-z 0-9 -" },
    { "[station left]\n[bench]\nname = pier\nname = pier\n", 4, "in line 3 already" },
    { "[station left]\n[bench]\n[bench]\n", 3, "[bench] in line 2 already" },
    { "[station left]\n[bench pier]\n", 2, "takes no name" },
    { "[station left]\n[bench]\nbuss = ipc://bus\n", 3, "there are: name, bus, control" },
    { "[station left]\n[bench]\nbus = tcp://*:7000\n", 3, "a tcp:// address needs keys" },
    { "[station left]\n[bench]\nbus = inproc://bus\n", 3, "ipc:///run/poise/bus" },
    { "[station left]\n[bench]\nbus = ipc://@bus\n", 3, "ipc:///run/poise/bus" },
    { "[station left]\n[bench]\nbus = ipc://a\ncontrol = ipc://a\n", 4, "two addresses" },
    { "[station left]\n[bench]\njournal =\n", 3, "no value" },
    { "[station left]\n[bench]\njournal = ; /var/lib\n", 3, "no value" },
    { "[station left]\n[bench]\njournal_days = 0\n", 3, "whole number from 1" },
    { "[station left]\n[bench]\njournal_days = 30 days\n", 3, "without a unit" },
    { "[station left]\n[keys]\n[keys]\n", 3, "in line 2 already" },
    { "[instrument scale]\ndriver = line\nport = /dev/null\nquantity = mass\n", 0, "no [station NAME]" },
    { "[station]\n", 1, "needs a name" },
    { "[station left hand]\n", 1, "needs a name" },
    { "[station Left]\n", 1, "a-z 0-9 -" },
    { "[station aaaaaaaaaabbbbbbbbbbccccccccccddd]\n", 1, "1 to 32 characters" },
    { "[station left\n", 1, "[KIND NAME]" },
    { "[station left] piston_diameter_mm = 60\n", 1, "alone on its line" },
    { "[station left]\n[station left]\n", 2, "station left in line 1 already" },
    { "[station left]\npiston_diameter_mm = 60 mm\n", 2, "without a unit" },
    { "[station left]\npiston_diameter_mm = 60,5\n", 2, "with a point" },
    { "[station left]\npiston_diameter_mm = 0\n", 2, "from 10 to 300" },
    { "[station left]\npiston_diameter_mm = nan\n", 2, "from 10 to 300" },
    { "[station left]\npress_limit_kpa = -3\n", 2, "from 1 to 1000" },
    { "[station left]\nsomething\n", 2, "neither a [section] nor `key = value`" },
    { "[station left]\nsomething", 2, "neither a [section] nor `key = value`" },
    { "[station left]\n[cup blue]\n[cup red]\nmass_g = 300\n", 2, "mass_g is missing" },
    { "[station left]\n[cup blue]\nmass_g = 1\n[cup blue]\nmass_g = 2\n", 4, "cup blue in line 2" },
    { "[station left]\n[strength]\nreplicates = many\n", 3, "from 1 to 20" },
    { "[station left]\n[strength]\nfiltered = true\n", 3, "yes or no" },
    { "[station left]\n[strength]\npairs = 1.2 = 1.02, 1.65\n", 3, "pairs of Brix and strength" },
    { "[station left]\n[strength]\npairs = 1.2 = 1.02, 1.65 = 1.4\n", 3, "3 pairs or more" },
    { "[station left]\n[strength]\npairs = 1 = 0.9 +- 0.1, 2 = 1.7, 3 = 2.5\n", 3, "with each or with none" },
    { "[station left]\n[strength]\npairs = 1 = 0.9 +- 0, 2 = 1.7 +- 1, 3 = 2.5 +- 1\n", 3, "pairs of Brix" },
    { "[station left]\n[strength]\nstrength_per_brix = 85\n", 3, "from 0.5 to 1.5" },
};

/* The same inside an instrument: the first seven lines are right. */
#define SCALE                                                                              \
    "[station left]\n[instrument a]\ndriver = line\nport = /dev/null-a\nquantity = mass\n" \
    "serial = 9600 8N1\n\n"
#define ANOTHER(name, weighs)                                                            \
    "[instrument " name "]\ndriver = line\nport = /dev/null-" name "\nquantity = mass\n" \
    "station = left\nweighs = " weighs "\n"
#define SECOND(weighs) ANOTHER("b", weighs)
#define THIRD(weighs) ANOTHER("c", weighs)
static const struct mistake instrument_mistakes[] = {
    { "[station left]\n[instrument a]\nport = /dev/a\nquantity = mass\n", 2, "driver is missing" },
    { "[station left]\n[instrument a]\ndriver = line\nquantity = mass\n", 2, "port is missing" },
    { "[station left]\n[instrument a]\ndriver = line\nport = /dev/a\n", 2, "quantity is missing" },
    { "[station left]\n[instrument a]\ndriver = lines\nport = /dev/a\nquantity = mass\n", 3, "there are: line" },
    { "[station left]\n[instrument a]\ndriver = line\nport = /dev/a\nquantity = weight\n", 5, "mass, strength, brix" },
    { "[station left]\n[instrument a]\ndriver = line\nport = usb:1234:5678\nquantity = mass\n", 4, "a serial port" },
    { "[station left]\n[instrument a]\ndriver = line\nport = ttyUSB0\nquantity = mass\n", 4, "as /dev/ttyUSB0" },
    { "[station left]\n[instrument a]\nquantity = mass\ndriver = hid-scale\n", 2, "port = usb:VID:PID" },
    { "[station left]\n[instrument a]\ndriver = hid-scale\nport = usb:1234:5678\nserial = 9600 8N1\n", 5,
      "is for USB" },
    { "[station left]\n[instrument a]\ndriver = hid-scale\nport = /dev/ttyUSB0\n", 4, "write usb:VID:PID" },
    { "[station left]\n[instrument a]\ndriver = line\nport = /dev/a\nquantity = mass\nserial = 9601 8N1\n", 6, "9600" },
    { SCALE "station = right\n", 8, "no [station right]" },
    { SCALE "ask = P\\r\\n\n", 8, "every 200 ms" },
    { SCALE "ask = P\\r\\n every 200\n", 8, "a number and ms" },
    { SCALE "ask = P\\r\\n every 2 ms\n", 8, "must be 20 ms to 60 s" },
    { SCALE "ask = P\\r\\n every nan ms\n", 8, "must be 20 ms to 60 s" },
    { SCALE "tare = T\\q\n", 8, "after \\ comes" },
    { SCALE "tare = T\\x1\n", 8, "after \\ comes" },
    { SCALE "tare = T\\\n", 8, "after \\ comes" },
    { SCALE "dtr = low\n", 8, "write on, off or leave" },
    { SCALE "lag_ms = 9000\n", 8, "from 0 to 5000" },
    { SCALE "colour = red\n", 8, "colour" },
    { SCALE "decimal = comma\ndecimal = point\n", 9, "in line 8 already" },
    { SCALE "decimal = dot\n", 8, "comma or point" },
    { SCALE "pattern = (?<value>[0-9+)\n", 8, "pattern" },
    { SCALE "[instrument a]\ndriver = line\nport = /dev/b\nquantity = mass\n", 8, "instrument a in line 2" },
    { SCALE "weighs = beans\n", 8, "weighs the brew" },
    { SCALE "weighs = cup\n", 8, "write station = NAME" },
    { SCALE "station = left\nweighs = cup\n", 9, "no scale for the brewer" },
    { SCALE "station = left\n" SECOND("brew"), 13, "left has the scale a (line 2) for the brew already" },
    { SCALE "station = left\n" SECOND("cup") THIRD("cup"), 19, "left has the scale b (line 9) for the cup already" },
    { SCALE "station = left\n" SECOND("cup") THIRD("brew"), 19, "left has the scale a (line 2) for the brew already" },
    { SCALE "[instrument b]\ndriver = line\nport = /dev/b\nquantity = strength\nstation = left\nweighs = cup\n", 13,
      "only a scale weighs" },
    { SCALE "[instrument b]\ndriver = line\nport = /dev/null-a\nquantity = mass\n", 10,
      "one port serves one instrument" },
    { SCALE "[instrument b]\ndriver = modbus\nport = /dev/null-a\nquantity = pressure\naddress = 2\n", 10,
      "another address needs an adapter of its own" },
};

static void check_mistake(const struct files *files, const struct mistake *mistake)
{
    struct config config;
    struct why why = { "" };
    char place[128];

    write_file(files, mistake->text, strlen(mistake->text));
    memset(&config, 0x5a, sizeof config);
    if (config_read(&config, files->path, NULL, &why) != -EINVAL)
        fail_msg("was accepted:\n%s", mistake->text);
    assert_int_equal(((unsigned char *)&config)[0], 0x5a); /* untouched on failure */
    snprintf(place, sizeof place, mistake->line ? "%s:%d: " : "%s: ", files->path, mistake->line);
    if (strncmp(why.text, place, strlen(place)) != 0 || !strstr(why.text, mistake->words))
        fail_msg("%s\nis said to be: %s\nwanted: %s ... %s", mistake->text, why.text, place, mistake->words);
}

static void test_a_mistake_is_named_with_its_line(void **state)
{
    for (size_t i = 0; i < sizeof mistakes / sizeof *mistakes; i++)
        check_mistake(*state, &mistakes[i]);
}

static void test_a_mistake_in_an_instrument_is_named_with_its_line(void **state)
{
    for (size_t i = 0; i < sizeof instrument_mistakes / sizeof *instrument_mistakes; i++)
        check_mistake(*state, &instrument_mistakes[i]);
}

static void test_every_mistake_is_printed(void **state)
{
    static const char text[] = "[bench]\nname = Pier\n[statoin left]\nx = 1\n[station right]\npress_limit_kpa = x\n"
                               "what\n"
                               "[instrument a]\ndriver = line\nquantity = wrong\n";
    static const int lines[] = { 2, 3, 6, 7, 10, 8 }; /* what is missing shows when the section ends */
    struct files *files = *state;
    struct config config;
    struct why why;
    char *printed = NULL, *at;
    size_t size;
    FILE *out = open_memstream(&printed, &size);

    assert_non_null(out);
    write_file(files, text, sizeof text - 1);
    assert_int_equal(config_read(&config, files->path, out, &why), -EINVAL);
    fclose(out);
    at = printed;
    for (size_t i = 0; i < sizeof lines / sizeof *lines; i++) {
        char *line_end = strchr(at, '\n');

        assert_non_null(line_end);
        assert_memory_equal(at, files->path, strlen(files->path));
        assert_int_equal(strtol(at + strlen(files->path) + 1, NULL, 10), lines[i]);
        at = line_end + 1;
    }
    assert_string_equal(at, "");
    free(printed);
}

static void test_lines_too_long_and_bytes_that_are_no_text_are_refused(void **state)
{
    static const char nul[] = "[station left]\n[bench]\nname = pi\0er\n";
    struct files *files = *state;
    struct config config;
    struct why why;
    char longest[600] = "[station left]\n[bench]\njournal = /";

    memset(longest + strlen(longest), 'a', 250);
    strcat(longest, "\n");
    check_mistake(files, &(struct mistake){ longest, 3, "longer than" });
    memset(strchr(longest, '\n') + 1, ' ', 500); /* blanks count as well */
    check_mistake(files, &(struct mistake){ longest, 2, "longer than" });
    write_file(files, nul, sizeof nul - 1);
    assert_int_equal(config_read(&config, files->path, NULL, &why), -EINVAL);
    assert_non_null(strstr(why.text, ":3: a NUL byte"));
}

static void test_a_file_that_cannot_be_read_is_named(void **state)
{
    struct files *files = *state;
    struct config config;
    struct why why;

    assert_int_equal(config_read(&config, "/nowhere/poised.conf", NULL, &why), -ENOENT);
    assert_non_null(strstr(why.text, "/nowhere/poised.conf"));
    assert_int_equal(config_read(&config, files->folder, NULL, &why), -EISDIR);
    assert_non_null(strstr(why.text, "not a file"));
}

/* The socket's address must fit struct sockaddr_un, unix(7): 107 characters. */
static void test_a_socket_path_has_107_characters_at_most(void **state)
{
    char value[160] = "ipc:///", out[CONFIG_ADDRESSES_SIZE];
    struct why why;

    (void)state;
    memset(value + 7, 'a', 106);
    assert_int_equal(config_addresses("", value, out, &why), 0);
    assert_int_equal(strlen(out), 6 + 107);
    value[7 + 106] = 'a';
    assert_int_equal(config_addresses("", value, out, &why), -ENAMETOOLONG);
    assert_non_null(strstr(why.text, "107"));
}

static void test_asking_is_read(void **state)
{
    static const struct {
        const char *value, *bytes;
        size_t length;
        int every_ms;
    } right[] = {
        { "P\\r\\n every 200 ms", "P\r\n", 3, 200 },
        { "P\\r\\n every 1.5 s", "P\r\n", 3, 1500 },
        { "every 100 ms", "", 0, 100 },
        { "every  every 20 ms", "every", 5, 20 },
        { "\\x1bP\\x20 every 60 s", "\x1bP ", 3, 60000 },
        { "a\\\\\\0\\t   every 30 ms", "a\\\0\t", 4, 30 },
    };
    uint8_t bytes[CONFIG_BYTES_MOST];
    size_t length;
    struct why why;
    int every_ms;

    (void)state;
    for (size_t i = 0; i < sizeof right / sizeof *right; i++) {
        assert_int_equal(config_ask(right[i].value, bytes, &length, &every_ms, &why), 0);
        assert_int_equal(length, right[i].length);
        assert_memory_equal(bytes, right[i].bytes, length);
        assert_int_equal(every_ms, right[i].every_ms);
    }
    assert_int_equal(config_ask("Pevery 200 ms", bytes, &length, &every_ms, &why), -EINVAL);
}

static void test_the_example_is_good(void **state)
{
    struct config config;
    struct why why;

    (void)state;
    assert_int_equal(config_read(&config, TEST_FOLDER "/../../daemon/poised.conf.example", stderr, &why), 0);
    assert_int_equal(config.station_count, 2);
    assert_int_equal(config.instrument_count, 4);
    config_free(&config);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_pairs_make_a_factor, begin, end),
        cmocka_unit_test_setup_teardown(test_everything_is_read, begin, end),
        cmocka_unit_test(test_without_a_file_there_is_one_station),
        cmocka_unit_test_setup_teardown(test_a_file_that_names_no_station_is_as_good_as_none, begin, end),
        cmocka_unit_test_setup_teardown(test_a_mistake_is_named_with_its_line, begin, end),
        cmocka_unit_test_setup_teardown(test_a_mistake_in_an_instrument_is_named_with_its_line, begin, end),
        cmocka_unit_test_setup_teardown(test_every_mistake_is_printed, begin, end),
        cmocka_unit_test_setup_teardown(test_lines_too_long_and_bytes_that_are_no_text_are_refused, begin, end),
        cmocka_unit_test_setup_teardown(test_a_file_that_cannot_be_read_is_named, begin, end),
        cmocka_unit_test(test_a_socket_path_has_107_characters_at_most),
        cmocka_unit_test(test_asking_is_read),
        cmocka_unit_test(test_the_example_is_good),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
