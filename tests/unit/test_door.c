/* What one connection may cost, and that it is charged to no other. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

#include <fcntl.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include "bench/door.h"

static struct sockaddr_un address = { .sun_family = AF_UNIX };
static int listener;

static int listen_at_a_door(void **state)
{
    static char folder[] = "/tmp/poise-test-door-XXXXXX";

    (void)state;
    if (!mkdtemp(folder))
        return -1;
    strcat(strcpy(address.sun_path, folder), "/door");
    listener = socket(AF_UNIX, SOCK_STREAM, 0);
    return bind(listener, (struct sockaddr *)&address, sizeof address) == 0 && listen(listener, 8) == 0
                   && door_watch(address.sun_path, 0, 1000) == 0
               ? 0
               : -1;
}

static int leave(void **state)
{
    (void)state;
    close(listener);
    unlink(address.sun_path);
    *strrchr(address.sun_path, '/') = '\0';
    return rmdir(address.sun_path);
}

/* A client, and its connection as libzmq takes it. */
static int come_in(int *client)
{
    int descriptor;

    *client = socket(AF_UNIX, SOCK_STREAM, 0);
    assert_return_code(connect(*client, (struct sockaddr *)&address, sizeof address), 0);
    descriptor = accept4(listener, NULL, NULL, SOCK_CLOEXEC);
    assert_return_code(descriptor, 0);
    assert_true(fcntl(descriptor, F_GETFD) & FD_CLOEXEC);
    return descriptor;
}

static bool is_cut(int client)
{
    struct pollfd look = { .fd = client, .events = POLLRDHUP };

    return poll(&look, 1, 0) == 1 && look.revents & POLLRDHUP;
}

/* libzmq has closed a connection while thousands of its subscriptions still wait for the loop, and lets the next in. */
static void what_waits_of_one_that_is_gone_cuts_nobody_else(void **state)
{
    int first_client, client, first = come_in(&first_client), next;
    bool cut = false;

    (void)state;
    assert_true(door_subscribed(first, 1));
    close(first);
    next = come_in(&client);
    assert_int_not_equal(next, first);
    for (int i = 0; i < 4000 && !cut; i++)
        cut = !door_subscribed(first, 1);
    assert_true(cut);
    assert_false(is_cut(client));
    assert_true(door_subscribed(next, 1));
    cut = false;
    for (int i = 0; i < SUBSCRIPTIONS_MOST && !cut; i++)
        cut = !door_subscribed(next, 1);
    assert_true(cut && is_cut(client)); /* its own are */
    close(first_client);
    close(client);
    close(next);
}

/* A number comes again in the end, also where the system has few, and then nothing old is held against it. */
static void numbers_go_round(void **state)
{
    int client, first = come_in(&client), turns = 0, descriptor;

    (void)state;
    for (int i = 0; i < SUBSCRIPTIONS_MOST; i++)
        assert_true(door_subscribed(first, 1));
    do {
        close(client);
        close(turns ? descriptor : first);
        descriptor = come_in(&client);
        turns++;
    } while (descriptor != first && turns < 20000);
    assert_int_equal(descriptor, first);
    assert_true(turns > 500);
    assert_true(door_subscribed(descriptor, 1));
    close(client);
    close(descriptor);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_waits_of_one_that_is_gone_cuts_nobody_else),
        cmocka_unit_test(numbers_go_round),
    };

    return cmocka_run_group_tests(tests, listen_at_a_door, leave);
}
