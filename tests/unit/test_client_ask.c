/* A client's own requests: answered, refused, not answered at all. */
#include <errno.h>
#include <pthread.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "fake_bench.h"

static void *serve_one_question(void *answered)
{
    int before = bench.asked;

    for (int waited_ms = 0; waited_ms < PATIENCE_MS && bench.asked == before; waited_ms += 5) {
        zmq_pollitem_t item = { .socket = bench.router, .events = ZMQ_POLLIN };

        zmq_poll(&item, 1, 5);
        bench_serve();
    }
    *(bool *)answered = bench.asked > before;
    return NULL;
}

static int ask_served(struct client *client, json_t *request, json_t **reply, struct why *why)
{
    bool answered = false;
    pthread_t thread;
    int error;

    assert_int_equal(pthread_create(&thread, NULL, serve_one_question, &answered), 0);
    error = client_ask(client, request, PATIENCE_MS, reply, why);
    pthread_join(thread, NULL);
    assert_true(answered);
    return error;
}

static struct client *open_hand(void)
{
    struct client_options options = { .bus = bench.bus, .control = bench.control };
    struct client *client;
    struct why why;

    assert_int_equal(client_open(&client, &options, &why), 0);
    return client;
}

static void asking_brings_the_reply_or_the_benchs_own_words(void **state)
{
    struct client *client = open_hand();
    json_t *reply = NULL;
    struct why why;

    (void)state;
    assert_int_equal(ask_served(client, json_pack("{s:s}", "do", "status"), &reply, &why), 0);
    assert_string_equal(json_string_value(json_object_get(json_object_get(reply, "heard"), "do")), "status");
    json_decref(reply);

    bench.refuse = "{\"ok\":false,\"why\":\"there is no scale at left\"}";
    assert_int_equal(ask_served(client, json_pack("{s:s}", "do", "tare"), &reply, &why), -EREMOTEIO);
    assert_string_equal(why.text, "there is no scale at left");
    bench.refuse = "certainly";
    assert_int_equal(ask_served(client, json_pack("{s:s}", "do", "tare"), &reply, &why), -EPROTO);
    bench.refuse = NULL;
    assert_int_equal(ask_served(client, json_pack("{s:s}", "do", "zero"), &reply, &why), 0);
    json_decref(reply);
    client_close(client);
}

static void what_nobody_answered_is_not_done_later(void **state)
{
    struct client *client;
    json_t *reply = NULL;
    struct why why;

    (void)state;
    bench_down();
    client = open_hand();
    assert_int_equal(client_ask(client, json_pack("{s:s}", "do", "tare"), 20, &reply, &why), -ETIMEDOUT);
    assert_non_null(strstr(why.text, bench.control));
    bench_up();
    assert_int_equal(ask_served(client, json_pack("{s:s}", "do", "status"), &reply, &why), 0);
    assert_string_equal(json_string_value(json_object_get(json_object_get(reply, "heard"), "do")), "status");
    assert_int_equal(bench.asked, 1); /* the tare never arrived */
    json_decref(reply);
    client_close(client);
}

static void addresses_that_make_no_sense_are_refused(void **state)
{
    static const char *const addresses[] = {
        "", "pier", "ipc:/run/poise/bus", "carrier-pigeon://pier", "tcp://pier:port", "tcp://127.0.0.1:7000"
    };

    (void)state;
    for (size_t i = 0; i < sizeof addresses / sizeof *addresses; i++) {
        struct client_options options = { .bus = addresses[i], .control = bench.control, .subscribe = true };
        struct client *client = NULL;
        struct why why = { "" };

        assert_true(client_open(&client, &options, &why) < 0);
        assert_non_null(strstr(why.text, strncmp(addresses[i], "tcp:", 4) == 0 ? "needs keys" : "not an address"));
        options.bus = bench.bus;
        options.control = addresses[i];
        assert_true(client_open(&client, &options, &why) < 0);
        assert_null(client);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        WITH_BENCH(asking_brings_the_reply_or_the_benchs_own_words),
        WITH_BENCH(what_nobody_answered_is_not_done_later),
        WITH_BENCH(addresses_that_make_no_sense_are_refused),
    };

    return cmocka_run_group_tests_name("asking", tests, NULL, NULL);
}
