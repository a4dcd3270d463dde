/* The `modbus` driver against libmodbus, which plays the instrument on a pseudo-terminal; and against the
 * frames that the protocol's own documents and common tables give. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

#include <errno.h>
#include <modbus.h>
#include <poll.h>
#include <pthread.h>
#include <pty.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#include "modbus/modbus.h"

enum { DEADLINE_MS = 10000, ADDRESS = 17, REGISTER = 107, COMMAND = 16 };

static void *configured(const struct setting *settings, size_t count, enum quantity quantity)
{
    struct instrument_config config = {
        .name = "gauge", .quantity = quantity, .settings = settings, .setting_count = count
    };
    void *state = calloc(1, modbus_driver.state_size);
    struct why why = { "" };

    assert_non_null(state);
    if (modbus_driver.configure(state, &config, &why) != 0)
        fail_msg("%s", why.text);
    return state;
}

static void test_the_check_sum_is_that_of_the_protocol(void **unused)
{
    uint8_t usual[9 + MODBUS_CRC_LENGTH] = "123456789", status[] = { 0x02, 0x07, 0, 0 };

    (void)unused;
    modbus_add_crc(usual, 9);
    assert_int_equal(usual[9] | usual[10] << 8, 0x4b37);
    modbus_add_crc(status, 2);
    assert_int_equal(status[2] | status[3] << 8, 0x1241);
}

static void test_requests_are_those_of_the_protocol(void **unused)
{
    static const struct {
        struct setting settings[4];
        size_t count;
        uint8_t request[8];
    } rows[] = {
        { { { "address", "17", 1 }, { "register", "107", 1 }, { "type", "uint16", 1 }, { "also", "pressure 109", 1 } },
          4,
          { 0x11, 0x03, 0x00, 0x6b, 0x00, 0x03, 0x76, 0x87 } },
        { { { "also", "pressure 109", 1 }, { "address", "17", 1 }, { "type", "float32", 1 }, { "register", "107", 1 } },
          4,
          { 0x11, 0x03, 0x00, 0x6b, 0x00, 0x04, 0x37, 0x45 } },
        { { { "also", "pressure 9", 1 } }, 1, { 0x01, 0x03, 0x00, 0x00, 0x00, 0x0a, 0xc5, 0xcd } },
        { { { "address", "1", 1 }, { "type", "float32", 1 } }, 2, { 0x01, 0x03, 0x00, 0x00, 0x00, 0x02, 0xc4, 0x0b } },
        { { { "function", "4", 1 }, { "type", "uint32", 1 } }, 2, { 0x01, 0x04, 0x00, 0x00, 0x00, 0x02, 0x71, 0xcb } },
    };
    uint8_t out[8];

    (void)unused;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        void *state = configured(rows[i].settings, rows[i].count, QUANTITY_TEMPERATURE);

        assert_int_equal(modbus_driver.ask(state, out, sizeof out), 8);
        assert_memory_equal(out, rows[i].request, 8);
        assert_int_equal(modbus_driver.ask(state, out, 7), -ENOSPC);
        free(state);
    }
}

static void test_orders_are_those_of_the_protocol(void **unused)
{
    static const uint8_t one[] = { 0x01, 0x06, 0x00, 0x10, 0x00, 0x01, 0x49, 0xcf };
    static const uint8_t two[] = { 0x01, 0x10, 0x00, 0x10, 0x00, 0x02, 0x04, 0x41, 0xac, 0x00, 0x00, 0x26, 0xbe };
    static const struct setting settings[] = { { "zero_write", "16: 1", 1 }, { "tare_write", "16: 0x41AC, 0", 2 } };
    void *state = configured(settings, 2, QUANTITY_MASS), *silent = configured(NULL, 0, QUANTITY_TEMPERATURE);
    uint8_t out[32];

    (void)unused;
    assert_int_equal(modbus_driver.order(state, ORDER_ZERO, out, sizeof out), sizeof one);
    assert_memory_equal(out, one, sizeof one);
    assert_int_equal(modbus_driver.order(state, ORDER_TARE, out, sizeof out), sizeof two);
    assert_memory_equal(out, two, sizeof two);
    assert_int_equal(modbus_driver.order(silent, ORDER_TARE, out, sizeof out), -ENOTSUP);
    free(state);
    free(silent);
}

/* --- libmodbus as the instrument ------------------------------------------------------------------- */

struct instrument {
    modbus_t *modbus;
    modbus_mapping_t *map;
    int port; /* our side */
    pthread_t thread;
};

static void *answer(void *argument)
{
    struct instrument *instrument = argument;
    uint8_t query[MODBUS_RTU_MAX_ADU_LENGTH];

    for (;;) {
        int length = modbus_receive(instrument->modbus, query);

        if (length > 0 && modbus_reply(instrument->modbus, query, length, instrument->map) < 0)
            return NULL;
        if (length < 0 && errno != EMBBADCRC && errno != ETIMEDOUT)
            return NULL; /* our side has been closed */
    }
}

static void instrument_open(struct instrument *instrument)
{
    char path[64];
    struct termios raw;
    int slave;

    assert_int_equal(openpty(&instrument->port, &slave, path, NULL, NULL), 0);
    assert_int_equal(tcgetattr(instrument->port, &raw), 0);
    cfmakeraw(&raw);
    assert_int_equal(tcsetattr(instrument->port, TCSANOW, &raw), 0);
    instrument->modbus = modbus_new_rtu(path, 9600, 'N', 8, 1);
    assert_non_null(instrument->modbus);
    assert_int_equal(modbus_set_slave(instrument->modbus, ADDRESS), 0);
    assert_int_equal(modbus_connect(instrument->modbus), 0);
    close(slave);
    instrument->map = modbus_mapping_new_start_address(0, 0, 0, 0, 0, 200, 0, 200);
    assert_non_null(instrument->map);
    assert_int_equal(pthread_create(&instrument->thread, NULL, answer, instrument), 0);
}

static void instrument_close(struct instrument *instrument)
{
    close(instrument->port);
    pthread_join(instrument->thread, NULL);
    modbus_mapping_free(instrument->map);
    modbus_close(instrument->modbus);
    modbus_free(instrument->modbus);
}

/* Sends, waits for one whole frame, and decodes it. */
static int exchange(struct instrument *instrument, void *state, const uint8_t *request, int length, struct reading *out)
{
    uint8_t buf[256];
    size_t got = 0;
    ssize_t taken = 0;

    assert_int_equal(write(instrument->port, request, (size_t)length), length);
    while (taken == 0) {
        struct pollfd readable = { .fd = instrument->port, .events = POLLIN };
        ssize_t count;

        assert_int_equal(poll(&readable, 1, DEADLINE_MS), 1);
        count = read(instrument->port, buf + got, sizeof buf - got);
        assert_true(count > 0);
        got += (size_t)count;
        taken = modbus_driver.frame(state, buf, got);
    }
    assert_int_equal(taken, got);
    return modbus_driver.decode(state, buf, (size_t)taken, out, FRAME_READINGS);
}

static int ask(struct instrument *instrument, void *state, struct reading *out)
{
    uint8_t request[8];
    int length = modbus_driver.ask(state, request, sizeof request);

    return exchange(instrument, state, request, length, out);
}

static void assert_shows(struct instrument *instrument, const char *type, const char *order, const char *function,
                         const char *digits)
{
    const struct setting settings[] = { { "address", "17", 1 },
                                        { "register", "107", 1 },
                                        { "type", type, 1 },
                                        { "word_order", order, 1 },
                                        { "function", function, 1 } };
    void *state = configured(settings, sizeof settings / sizeof *settings, QUANTITY_MASS);
    struct reading readings[FRAME_READINGS];
    char shown[40];

    assert_int_equal(ask(instrument, state, readings), 1);
    assert_int_equal(readings[0].status, READING_OK);
    assert_true(decimal_format(readings[0].shown, shown, sizeof shown) > 0);
    assert_string_equal(shown, digits);
    free(state);
}

static void set_registers(uint16_t *registers, uint16_t first, uint16_t second)
{
    registers[REGISTER] = first;
    registers[REGISTER + 1] = second;
}

/* IEEE 754 numbers cut into registers by hand: libmodbus 3.1.6 calls the orders by each other's names. */
static void test_an_answer_cut_short_whose_check_sum_holds_is_no_value(void **unused)
{
    static const struct setting settings[] = { { "type", "uint16", 1 } };
    uint8_t stream[5 + 7] = { 0x01, 0x03, 0x02 }, *cut = malloc(5), whole[7] = { 0x01, 0x03, 0x02, 0x12, 0x34 };
    struct reading readings[FRAME_READINGS];
    void *state = configured(settings, 1, QUANTITY_TEMPERATURE);

    (void)unused;
    assert_non_null(cut);
    modbus_add_crc(stream, 3);
    modbus_add_crc(whole, 5);
    memcpy(stream + 5, whole, sizeof whole);
    assert_int_equal(modbus_driver.frame(state, stream, sizeof stream), 5);
    memcpy(cut, stream, 5);
    assert_int_equal(modbus_driver.decode(state, cut, 5, readings, FRAME_READINGS), -REJECT_CHECKSUM);
    assert_int_equal(modbus_driver.frame(state, whole, sizeof whole), 7);
    assert_int_equal(modbus_driver.decode(state, whole, 7, readings, FRAME_READINGS), 1);
    assert_int_equal(readings[0].shown.mantissa, 0x1234);
    free(cut);
    free(state);
}

static void test_values_of_an_instrument_made_by_libmodbus(void **unused)
{
    struct instrument instrument;

    (void)unused;
    instrument_open(&instrument);
    set_registers(instrument.map->tab_registers, 0x41ac, 0x0000);
    assert_shows(&instrument, "float32", "ABCD", "3", "21.5");
    set_registers(instrument.map->tab_registers, 0x85f0, 0xbc49);
    assert_shows(&instrument, "float32", "CDAB", "3", "-0.0123");
    set_registers(instrument.map->tab_registers, 0x9a44, 0x2552);
    assert_shows(&instrument, "float32", "BADC", "3", "1234.567");
    set_registers(instrument.map->tab_registers, 0xbd37, 0x0636);
    assert_shows(&instrument, "float32", "DCBA", "3", "0.000002");
    set_registers(instrument.map->tab_input_registers, 0xff8b, 0x344f);
    assert_shows(&instrument, "int32", "ABCD", "4", "-7654321");
    instrument.map->tab_input_registers[REGISTER] = 65535;
    assert_shows(&instrument, "uint16", "ABCD", "4", "65535");
    assert_shows(&instrument, "int16", "ABCD", "4", "-1");
    instrument_close(&instrument);
}

static void assert_reads(const struct reading *reading, enum quantity quantity, enum unit unit, const char *digits)
{
    char shown[40];

    assert_int_equal(reading->status, READING_OK);
    assert_int_equal(reading->quantity, quantity);
    assert_int_equal(reading->unit, unit);
    assert_true(decimal_format(reading->shown, shown, sizeof shown) > 0);
    assert_string_equal(shown, digits);
}

static void test_several_values_of_an_instrument_come_with_one_answer(void **unused)
{
    static const struct setting settings[] = { { "address", "17", 1 },
                                               { "register", "107", 1 },
                                               { "type", "float32", 1 },
                                               { "unit", "bar", 1 },
                                               { "also", "temperature 105 int16 0.1 F, mass 109 uint32 0.01,\tbrix 111",
                                                 1 } };
    struct reading readings[FRAME_READINGS];
    struct instrument instrument;
    void *state = configured(settings, sizeof settings / sizeof *settings, QUANTITY_PRESSURE);

    (void)unused;
    instrument_open(&instrument);
    set_registers(instrument.map->tab_registers, 0x3e80, 0x0000); /* 0.25 */
    instrument.map->tab_registers[105] = (uint16_t)-5;
    instrument.map->tab_registers[109] = 0x0001;
    instrument.map->tab_registers[110] = 0x86a1; /* 100001 */
    instrument.map->tab_registers[111] = 0x3fc0; /* 1.5: the section's type is a float */
    instrument.map->tab_registers[112] = 0x0000;
    assert_int_equal(ask(&instrument, state, readings), 4);
    assert_reads(&readings[0], QUANTITY_PRESSURE, UNIT_BAR, "0.25");
    assert_reads(&readings[1], QUANTITY_TEMPERATURE, UNIT_FAHRENHEIT, "-0.5");
    assert_reads(&readings[2], QUANTITY_MASS, UNIT_GRAM, "1000.01");
    assert_reads(&readings[3], QUANTITY_BRIX, UNIT_BRIX, "1.5");
    instrument_close(&instrument);
    free(state);
}

static void test_an_order_reaches_an_instrument_made_by_libmodbus(void **unused)
{
    static const struct setting settings[] = { { "address", "17", 1 },
                                               { "zero_write", "16: 1", 1 },
                                               { "tare_write", "20: 7, 0x1234, 9", 1 } };
    struct reading readings[FRAME_READINGS];
    struct instrument instrument;
    uint8_t order[32];
    void *state = configured(settings, 3, QUANTITY_MASS);
    int length;

    (void)unused;
    instrument_open(&instrument);
    length = modbus_driver.order(state, ORDER_ZERO, order, sizeof order);
    assert_int_equal(exchange(&instrument, state, order, length, readings), 0);
    assert_int_equal(instrument.map->tab_registers[COMMAND], 1);
    length = modbus_driver.order(state, ORDER_TARE, order, sizeof order);
    assert_int_equal(exchange(&instrument, state, order, length, readings), 0);
    assert_int_equal(instrument.map->tab_registers[20], 7);
    assert_int_equal(instrument.map->tab_registers[21], 0x1234);
    assert_int_equal(instrument.map->tab_registers[22], 9);
    instrument_close(&instrument);
    free(state);
}

static void test_a_register_that_is_not_there_is_a_fault_in_words(void **unused)
{
    static const struct setting settings[] = { { "address", "17", 1 }, { "register", "900", 1 } };
    struct reading readings[FRAME_READINGS];
    struct instrument instrument;
    void *state = configured(settings, 2, QUANTITY_TEMPERATURE);

    (void)unused;
    instrument_open(&instrument);
    assert_int_equal(ask(&instrument, state, readings), 1);
    assert_int_equal(readings[0].status, READING_FAULT);
    assert_string_equal(readings[0].detail, "illegal data address");
    instrument_close(&instrument);
    free(state);
}

static void test_what_makes_no_sense_is_refused_with_its_line(void **unused)
{
    static const struct {
        struct setting setting;
        const char *sentence;
    } wrong[] = {
        { { "colour", "blue", 7 }, "line 7: the driver modbus knows no key 'colour'" },
        { { "address", "0", 7 }, "1 to 247" },
        { { "address", "248", 7 }, "1 to 247" },
        { { "address", "1x", 7 }, "1 to 247" },
        { { "function", "6", 7 }, "3 for a holding register" },
        { { "register", "65536", 7 }, "0 to 65535" },
        { { "type", "double", 7 }, "int16, uint16" },
        { { "word_order", "ACBD", 7 }, "where A is the highest byte" },
        { { "scale", "1e3", 7 }, "as 0.1" },
        { { "scale", "0", 7 }, "as 0.1" },
        { { "decimals", "7", 7 }, "0 to 6" },
        { { "unit", "stone", 7 }, "no unit known here" },
        { { "unit", "C", 7 }, "measures mass, which has no unit" },
        { { "zero_write", "16", 7 }, "as 16: 1" },
        { { "zero_write", "16: 1, 2, 3, 4, 5", 7 }, "four values" },
        { { "zero_write", "16: 65536", 7 }, "four values" },
        { { "fault_value", "none", 7 }, "broken sensor" },
        { { "also", "", 7 }, "a quantity and its register" },
        { { "also", "temperature", 7 }, "a quantity and its register" },
        { { "also", "weight 2", 7 }, "a quantity and its register" },
        { { "also", "temperature 65536", 7 }, "a quantity and its register" },
        { { "also", "temperature 2 int8", 7 }, "behind the register" },
        { { "also", "temperature 2 int16 0.1 C 7", 7 }, "too many words" },
        { { "also", "temperature 2 pressure 4", 7 }, "behind the register" },
        { { "also", "temperature 2, temperature 4", 7 }, "measures temperature twice" },
        { { "also", "mass 2", 7 }, "measures mass twice" },
        { { "also", "temperature 2 kg", 7 }, "measures temperature, which has no unit" },
        { { "also", "temperature 125", 7 }, "over 125 registers at most, not 126" },
        { { "also", "temperature 1, pressure 2, brix 3, strength 4", 7 }, "at most three" },
        { { "also", "temperature 65535 float32", 7 }, "in the last register" },
    };
    void *state = calloc(1, modbus_driver.state_size);

    (void)unused;
    assert_non_null(state);
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        struct instrument_config config = {
            .name = "gauge", .quantity = QUANTITY_MASS, .settings = &wrong[i].setting, .setting_count = 1, .line = 6
        };
        struct why why = { "" };

        assert_int_equal(modbus_driver.configure(state, &config, &why), -EINVAL);
        if (strncmp(why.text, "line ", 5) != 0 || strstr(why.text, wrong[i].sentence) == NULL)
            fail_msg("'%s' says nothing of '%s'", why.text, wrong[i].sentence);
    }
    free(state);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_check_sum_is_that_of_the_protocol),
        cmocka_unit_test(test_requests_are_those_of_the_protocol),
        cmocka_unit_test(test_orders_are_those_of_the_protocol),
        cmocka_unit_test(test_an_answer_cut_short_whose_check_sum_holds_is_no_value),
        cmocka_unit_test(test_values_of_an_instrument_made_by_libmodbus),
        cmocka_unit_test(test_several_values_of_an_instrument_come_with_one_answer),
        cmocka_unit_test(test_an_order_reaches_an_instrument_made_by_libmodbus),
        cmocka_unit_test(test_a_register_that_is_not_there_is_a_fault_in_words),
        cmocka_unit_test(test_what_makes_no_sense_is_refused_with_its_line),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
