/* The serial transport on pseudo-terminals.  Speed and parity need a wire: they are tested elsewhere. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <pty.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <termios.h>
#include <unistd.h>

#include "transport/serial.h"

enum { DEADLINE_MS = 5000 }; /* for an event that comes at once on an idle machine */

static const struct serial_settings usual = { .baud = 9600, .bits = 8, .parity = 'N', .stop_bits = 1 };

struct terminal {
    int instrument; /* the master: the instrument's side */
    char path[64];
    char link[80];
};

static int terminal_open(void **state)
{
    struct terminal *terminal = calloc(1, sizeof *terminal);
    int slave;

    assert_non_null(terminal);
    assert_int_equal(openpty(&terminal->instrument, &slave, terminal->path, NULL, NULL), 0);
    close(slave);
    snprintf(terminal->link, sizeof terminal->link, "/tmp/poise-test-serial-%d", (int)getpid());
    unlink(terminal->link);
    assert_int_equal(symlink(terminal->path, terminal->link), 0);
    *state = terminal;
    return 0;
}

static int terminal_close(void **state)
{
    struct terminal *terminal = *state;

    if (terminal->instrument >= 0)
        close(terminal->instrument);
    unlink(terminal->link);
    free(terminal);
    return 0;
}

static struct serial *open_at(const char *path)
{
    struct serial *serial = NULL;
    struct why why = { "" };

    if (serial_open(&serial, path, &usual, &why) != 0)
        fail_msg("%s", why.text);
    return serial;
}

static short wait_for(int fd, short events)
{
    struct pollfd watched = { .fd = fd, .events = events };

    assert_int_equal(poll(&watched, 1, DEADLINE_MS), 1);
    return watched.revents;
}

static void read_exactly(int fd, uint8_t *out, size_t length)
{
    for (size_t got = 0; got < length;) {
        ssize_t count;

        wait_for(fd, POLLIN);
        count = read(fd, out + got, length - got);
        assert_true(count > 0);
        got += (size_t)count;
    }
}

static void test_every_byte_passes_unchanged_both_ways(void **state)
{
    struct terminal *terminal = *state;
    struct serial *serial = open_at(terminal->link);
    uint8_t sent[256], got[256];

    for (int i = 0; i < 256; i++)
        sent[i] = (uint8_t)i;
    assert_int_equal(write(terminal->instrument, sent, sizeof sent), sizeof sent);
    read_exactly(serial_fd(serial), got, sizeof got);
    assert_memory_equal(got, sent, sizeof got);
    memset(got, 0, sizeof got);
    assert_int_equal(write(serial_fd(serial), sent, sizeof sent), sizeof sent);
    read_exactly(terminal->instrument, got, sizeof got);
    assert_memory_equal(got, sent, sizeof got);
    serial_close(serial);
}

static void test_nothing_yet_is_not_gone(void **state)
{
    struct terminal *terminal = *state;
    struct serial *serial = open_at(terminal->path);
    char byte;

    assert_int_equal(read(serial_fd(serial), &byte, 1), -1);
    assert_int_equal(errno, EAGAIN);
    serial_close(serial);
}

static void test_what_waited_before_opening_is_dropped(void **state)
{
    struct terminal *terminal = *state;
    struct serial *serial;
    uint8_t got[6];

    assert_int_equal(write(terminal->instrument, "stale\r\n", 7), 7);
    serial = open_at(terminal->path);
    assert_int_equal(write(terminal->instrument, "fresh\n", 6), 6);
    read_exactly(serial_fd(serial), got, sizeof got);
    assert_memory_equal(got, "fresh\n", 6);
    serial_close(serial);
}

static void test_a_port_is_ours_alone(void **state)
{
    struct terminal *terminal = *state;
    struct serial *serial = open_at(terminal->link), *second = NULL;
    struct why why = { "" };

    assert_int_equal(serial_open(&second, terminal->path, &usual, &why), -EBUSY);
    assert_null(second);
    assert_non_null(strstr(why.text, terminal->path));
    assert_non_null(strstr(why.text, "in use"));
    serial_close(serial);
    second = open_at(terminal->path); /* and free again once it is closed */
    serial_close(second);
}

static void test_a_lock_of_another_program_is_kept(void **state)
{
    struct terminal *terminal = *state;
    struct serial *serial = NULL;
    struct why why = { "" };
    int other = open(terminal->path, O_RDWR | O_NOCTTY);
    struct termios before, after;

    assert_true(other >= 0);
    assert_int_equal(flock(other, LOCK_EX | LOCK_NB), 0);
    assert_int_equal(tcgetattr(other, &before), 0);
    assert_int_equal(serial_open(&serial, terminal->path, &usual, &why), -EBUSY);
    assert_int_equal(tcgetattr(other, &after), 0);
    assert_int_equal(before.c_lflag, after.c_lflag); /* its settings were not touched either */
    assert_int_equal(before.c_oflag, after.c_oflag);
    close(other);
}

static void test_a_child_does_not_inherit_the_port(void **state)
{
    struct terminal *terminal = *state;
    struct serial *serial = open_at(terminal->path);

    assert_int_equal(fcntl(serial_fd(serial), F_GETFD) & FD_CLOEXEC, FD_CLOEXEC);
    serial_close(serial);
}

static void test_a_port_does_not_hang_up_on_close(void **state)
{
    struct terminal *terminal = *state;
    int other = open(terminal->path, O_RDWR | O_NOCTTY);
    struct serial *serial;
    struct termios set;

    assert_true(other >= 0);
    assert_int_equal(tcgetattr(other, &set), 0);
    set.c_cflag |= HUPCL;
    assert_int_equal(tcsetattr(other, TCSANOW, &set), 0);
    serial = open_at(terminal->path);
    close(other);
    assert_int_equal(tcgetattr(serial_fd(serial), &set), 0);
    assert_int_equal(set.c_cflag & HUPCL, 0);
    serial_close(serial);
}

/* Not the name of the link counts but which one it is, also behind another link. */
static void test_a_link_made_anew_is_another(void **state)
{
    struct terminal *terminal = *state;
    struct serial_link first = serial_link_of(terminal->link), behind;
    char other[96];

    snprintf(other, sizeof other, "%s-by-id", terminal->link);
    unlink(other);
    assert_int_equal(symlink(terminal->link, other), 0);
    behind = serial_link_of(other);
    unlink(other);
    assert_true(serial_link_same(first, behind));
    assert_false(serial_link_same(serial_link_of(terminal->path), serial_link_of(terminal->path)));
    assert_false(serial_link_same(serial_link_of("/dev/null"), serial_link_of("/dev/null")));
    close(terminal->instrument);
    terminal->instrument = -1;
    assert_true(serial_link_same(first, serial_link_of(terminal->link))); /* it leads nowhere, and is the same */
    assert_int_equal(symlink(terminal->path, other), 0);
    assert_int_equal(rename(other, terminal->link), 0);
    assert_false(serial_link_same(first, serial_link_of(terminal->link)));
}

static void test_a_device_that_dies_is_seen_at_once(void **state)
{
    struct terminal *terminal = *state;
    struct serial *serial = open_at(terminal->path);
    struct why why = { "" };
    struct serial *again = NULL;

    close(terminal->instrument);
    terminal->instrument = -1;
    assert_true(wait_for(serial_fd(serial), POLLIN) & (POLLHUP | POLLERR));
    serial_close(serial);
    assert_int_equal(serial_open(&again, terminal->link, &usual, &why), -ENOENT);
    assert_non_null(strstr(why.text, "plugged in"));
}

static void test_lines_are_reported_in_three_words(void **state)
{
    static const char *const wrong[] = { "", "yes", "low", "ON", "on " };
    enum serial_line line = SERIAL_LINE_OFF;
    struct why why = { "" };

    (void)state;
    assert_int_equal(serial_line_parse("dtr", NULL, &line, &why), 0);
    assert_int_equal(line, SERIAL_LINE_LEAVE);
    assert_int_equal(serial_line_parse("dtr", "off", &line, &why), 0);
    assert_int_equal(line, SERIAL_LINE_OFF);
    assert_int_equal(serial_line_parse("dtr", "on", &line, &why), 0);
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        assert_int_equal(serial_line_parse("rts", wrong[i], &line, &why), -EINVAL);
        assert_non_null(strstr(why.text, "rts = "));
        assert_int_equal(line, SERIAL_LINE_ON); /* untouched */
    }
}

static void test_a_terminal_without_lines_is_opened_all_the_same(void **state)
{
    struct terminal *terminal = *state;
    struct serial_settings settings = usual;
    struct serial *serial = NULL;
    struct why why = { "" };

    settings.dtr = settings.rts = SERIAL_LINE_OFF;
    if (serial_open(&serial, terminal->link, &settings, &why) != 0)
        fail_msg("%s", why.text);
    serial_close(serial);
}

static void test_what_is_no_port_is_refused(void **state)
{
    struct serial *serial = NULL;
    struct why why = { "" };

    (void)state;
    assert_int_equal(serial_open(&serial, "/dev/null", &usual, &why), -EIO);
    assert_string_equal(why.text, "/dev/null is no serial port");
    assert_int_equal(serial_open(&serial, "/dev/no-such-port", &usual, &why), -ENOENT);
    assert_null(serial);
}

static void test_settings_are_read_strictly(void **state)
{
    static const char *const wrong[] = { "",         "9600",     "9600 8N",   "9600 8N3",
                                         "9600 9N1", "9600 8X1", "9601 8N1",  "-9600 8N1",
                                         "0 8N1",    "9600  ",   "9600 8N1 ", "99999999999999999999 8N1",
                                         "8N1 9600" };
    struct serial_settings got = { 0 };
    struct why why;

    (void)state;
    assert_int_equal(serial_settings_parse("1200 7O1", &got, &why), 0);
    assert_int_equal(got.baud, 1200);
    assert_int_equal(got.bits, 7);
    assert_int_equal(got.parity, 'O');
    assert_int_equal(got.stop_bits, 1);
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        why.text[0] = '\0';
        assert_int_equal(serial_settings_parse(wrong[i], &got, &why), -EINVAL);
        assert_true(strlen(why.text) > 20);
        assert_int_equal(got.baud, 1200); /* untouched */
    }
    assert_int_equal(serial_settings_parse(NULL, &got, &why), 0);
    assert_int_equal(got.baud, 9600);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_every_byte_passes_unchanged_both_ways, terminal_open, terminal_close),
        cmocka_unit_test_setup_teardown(test_nothing_yet_is_not_gone, terminal_open, terminal_close),
        cmocka_unit_test_setup_teardown(test_what_waited_before_opening_is_dropped, terminal_open, terminal_close),
        cmocka_unit_test_setup_teardown(test_a_port_is_ours_alone, terminal_open, terminal_close),
        cmocka_unit_test_setup_teardown(test_a_lock_of_another_program_is_kept, terminal_open, terminal_close),
        cmocka_unit_test_setup_teardown(test_a_child_does_not_inherit_the_port, terminal_open, terminal_close),
        cmocka_unit_test_setup_teardown(test_a_port_does_not_hang_up_on_close, terminal_open, terminal_close),
        cmocka_unit_test_setup_teardown(test_a_link_made_anew_is_another, terminal_open, terminal_close),
        cmocka_unit_test_setup_teardown(test_a_device_that_dies_is_seen_at_once, terminal_open, terminal_close),
        cmocka_unit_test(test_lines_are_reported_in_three_words),
        cmocka_unit_test_setup_teardown(test_a_terminal_without_lines_is_opened_all_the_same, terminal_open,
                                        terminal_close),
        cmocka_unit_test(test_what_is_no_port_is_refused),
        cmocka_unit_test(test_settings_are_read_strictly),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
