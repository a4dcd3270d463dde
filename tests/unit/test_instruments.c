/* Instruments and whoever listens to them: the sink is all they know of the rest. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

#include <errno.h>
#include <pty.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "instruments/instrument.h"

enum { DEADLINE_MS = 20000 };

struct listener {
    uv_loop_t loop;
    struct instruments *instruments;
    struct clock clock;
    struct instrument_config section;
    struct config config;
    int master, readings, answer, changes[16], change_count, holds;
    char path[64];
    double last;
};

static int reading(void *context, int instrument, const struct reading *reading, struct moment at)
{
    struct listener *listener = context;

    assert_int_equal(instrument, 0);
    assert_true(reading->mono_us == at.mono_us);
    listener->readings++;
    listener->last = decimal_to_double(reading->value);
    uv_stop(&listener->loop);
    return listener->answer;
}

static void changed(void *context, int instrument, enum instrument_change change, const char *detail)
{
    struct listener *listener = context;

    assert_int_equal(instrument, 0);
    assert_true(detail[0]);
    assert_true(listener->change_count < 16);
    listener->changes[listener->change_count++] = (int)change;
}

static void hold(void *context)
{
    ((struct listener *)context)->holds++;
}

static void release(void *context)
{
    ((struct listener *)context)->holds--;
}

static void too_late(uv_timer_t *timer)
{
    (void)timer;
    fail_msg("nothing came within %d ms", DEADLINE_MS);
}

static int set_up(void **state)
{
    struct listener *listener = calloc(1, sizeof *listener);
    struct instrument_sink sink = { listener, reading, changed, hold, release };
    struct why why = { "" };
    int slave;

    assert_non_null(listener);
    assert_int_equal(openpty(&listener->master, &slave, listener->path, NULL, NULL), 0);
    close(slave);
    clock_start(&listener->clock, 1);
    listener->section = (struct instrument_config){
        .name = "scale", .driver = "line", .port = listener->path, .quantity = QUANTITY_MASS
    };
    listener->config = (struct config){ .instruments = &listener->section, .instrument_count = 1 };
    assert_int_equal(uv_loop_init(&listener->loop), 0);
    if (instruments_open(&listener->instruments, &listener->loop, &listener->config, &listener->clock, &why) != 0)
        fail_msg("%s", why.text);
    instruments_attach(listener->instruments, &sink);
    assert_int_equal(listener->holds, 0);
    assert_int_equal(listener->changes[0], INSTRUMENT_FOUND);
    *state = listener;
    return 0;
}

static int tear_down(void **state)
{
    struct listener *listener = *state;

    instruments_close(listener->instruments);
    uv_run(&listener->loop, UV_RUN_DEFAULT);
    assert_int_equal(uv_loop_close(&listener->loop), 0);
    close(listener->master);
    free(listener);
    return 0;
}

/* One line, and the reading it becomes. */
static void show(struct listener *listener, const char *line)
{
    int before = listener->readings;
    uv_timer_t deadline;

    assert_int_equal(write(listener->master, line, strlen(line)), strlen(line));
    uv_timer_init(&listener->loop, &deadline);
    uv_timer_start(&deadline, too_late, DEADLINE_MS, 0);
    while (listener->readings == before)
        uv_run(&listener->loop, UV_RUN_DEFAULT);
    uv_close((uv_handle_t *)&deadline, NULL);
    uv_run(&listener->loop, UV_RUN_NOWAIT);
}

static const char *described(struct listener *listener)
{
    static char text[4096];
    int length =
        instruments_describe(listener->instruments, 0, clock_now(&listener->clock).mono_us, text, sizeof text - 1);

    assert_true(length > 0);
    text[length] = '\0';
    return text;
}

static void a_reading_that_no_message_can_carry_is_counted(void **state)
{
    struct listener *listener = *state;

    show(listener, "ST,GS,+    1.00 g\r\nST,GS,+    2.00 g\r\n"); /* the first may be half a line */
    assert_true(listener->last == 2);
    assert_non_null(strstr(described(listener), "\"rejects\":{\"first\":1}"));
    listener->answer = -ENOSPC;
    show(listener, "ST,GS,+    3.00 g\r\n");
    assert_non_null(strstr(described(listener), "\"rejects\":{\"first\":1,\"range\":1}"));
    listener->answer = 0;
    show(listener, "ST,GS,+    4.00 g\r\n");
    assert_non_null(strstr(described(listener), "\"rejects\":{\"first\":1,\"range\":1}"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_reading_that_no_message_can_carry_is_counted, set_up, tear_down),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
