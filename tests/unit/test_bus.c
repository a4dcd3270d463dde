/* The sockets on the loop: what is left when one cannot be watched. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

#include <errno.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "bench/bus.h"

/* Linked in the place of libuv's (--wrap): refuses when its turn comes, as libuv does when memory is short. */
int __real_uv_poll_start(uv_poll_t *handle, int events, uv_poll_cb callback);
int __wrap_uv_poll_start(uv_poll_t *handle, int events, uv_poll_cb callback);

static int until_refused; /* 1: the next; 0: never */

int __wrap_uv_poll_start(uv_poll_t *handle, int events, uv_poll_cb callback)
{
    if (until_refused > 0 && --until_refused == 0)
        return UV_ENOMEM;
    return __real_uv_poll_start(handle, events, callback);
}

static void closed(void *context)
{
    *(bool *)context = true;
}

static void subscribed(void *context, const char *prefix, size_t length)
{
    (void)context;
    (void)prefix;
    (void)length;
}

static void settled(void *context)
{
    (void)context;
}

static void requested(void *context, const struct bus_peer *peer, const char *text, size_t length)
{
    (void)context;
    (void)peer;
    (void)text;
    (void)length;
}

/* Which of both sockets cannot be watched makes no difference: nothing stays in the loop, and the addresses are free.
 */
static void a_socket_that_cannot_be_watched_leaves_nothing(void **state)
{
    char folder[] = "/tmp/poise-test-bus-XXXXXX";
    struct config config = { .client_count = 0 };
    struct bus_calls calls = { NULL, subscribed, settled, requested };
    bool gone = false;
    struct bus *bus;
    uv_loop_t loop;

    (void)state;
    assert_non_null(mkdtemp(folder));
    snprintf(config.bus, sizeof config.bus, "ipc://%s/bus", folder);
    snprintf(config.control, sizeof config.control, "ipc://%s/control", folder);
    assert_int_equal(uv_loop_init(&loop), 0);
    for (int refused = 1; refused <= 2; refused++) {
        struct why why = { "" };

        until_refused = refused;
        assert_int_equal(bus_open(&bus, &loop, &config, &calls, &why), UV_ENOMEM);
        assert_non_null(strstr(why.text, "cannot watch a socket"));
        assert_int_equal(uv_loop_alive(&loop), 0);
        uv_run(&loop, UV_RUN_NOWAIT); /* touches what a forgotten handle would have left in freed memory */
    }
    calls.context = &gone;
    assert_int_equal(bus_open(&bus, &loop, &config, &calls, &(struct why){ "" }), 0);
    bus_close(bus, closed, &gone);
    uv_run(&loop, UV_RUN_DEFAULT);
    assert_true(gone);
    assert_int_equal(uv_loop_close(&loop), 0);
    unlink(strcat(strcpy(config.bus, folder), "/bus.lock"));
    unlink(strcat(strcpy(config.control, folder), "/control.lock"));
    assert_int_equal(rmdir(folder), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = { cmocka_unit_test(a_socket_that_cannot_be_watched_leaves_nothing) };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
