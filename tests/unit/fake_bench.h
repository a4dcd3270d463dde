/* A bench for the tests of the client: real sockets in a folder of its own, one thread, a step at a
 * time.  Include it behind cmocka.h. */
#ifndef FAKE_BENCH_H
#define FAKE_BENCH_H

#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <zmq.h>

#include "poise/client.h"

enum { PATIENCE_MS = 20000 };

/* A bench whose journal is the numbers first to last, without those in `never`. */
struct bench {
    char folder[64], bus[128], control[128];
    void *context, *xpub, *router;
    int last;           /* the last number given */
    int written;        /* the journal has so many of them */
    int never;          /* this one is in no journal; 0: none */
    int chunk;          /* messages per reply */
    int began_us;       /* when the journal was begun; each message is of 1 */
    int asked;          /* questions answered so far */
    int subscribed;     /* subscriptions seen so far */
    const char *refuse; /* a reply to give instead; NULL: none */
};

static struct bench bench;

static inline void bench_up(void)
{
    int linger = 0, verbose = 1;

    bench.context = zmq_ctx_new();
    bench.xpub = zmq_socket(bench.context, ZMQ_XPUB);
    bench.router = zmq_socket(bench.context, ZMQ_ROUTER);
    assert_non_null(bench.router);
    zmq_setsockopt(bench.xpub, ZMQ_LINGER, &linger, sizeof linger);
    zmq_setsockopt(bench.router, ZMQ_LINGER, &linger, sizeof linger);
    zmq_setsockopt(bench.xpub, ZMQ_XPUB_VERBOSE, &verbose, sizeof verbose);
    assert_int_equal(zmq_bind(bench.xpub, bench.bus), 0);
    assert_int_equal(zmq_bind(bench.router, bench.control), 0);
}

static inline void bench_down(void)
{
    zmq_close(bench.xpub);
    zmq_close(bench.router);
    zmq_ctx_term(bench.context);
}

static inline int set_up(void **state)
{
    (void)state;
    memset(&bench, 0, sizeof bench);
    strcpy(bench.folder, "/tmp/poise-client-XXXXXX");
    if (!mkdtemp(bench.folder))
        return -1;
    snprintf(bench.bus, sizeof bench.bus, "ipc://%s/bus", bench.folder);
    snprintf(bench.control, sizeof bench.control, "ipc://%s/control", bench.folder);
    bench.chunk = 3;
    bench_up();
    return 0;
}

static inline int tear_down(void **state)
{
    char path[160];

    (void)state;
    bench_down();
    snprintf(path, sizeof path, "%s/bus", bench.folder);
    unlink(path);
    snprintf(path, sizeof path, "%s/control", bench.folder);
    unlink(path);
    return rmdir(bench.folder);
}

#define COMMON "{\"v\":1,\"bench\":\"pier\",\"seq\":%d,\"time_us\":1,\"mono_us\":1,\"boot\":\"b\","

static inline int reading_text(int seq, char *out, size_t size)
{
    return snprintf(out, size,
                    COMMON "\"instrument\":\"left-scale\",\"quantity\":\"mass\",\"value\":%d.50,"
                           "\"unit\":\"g\",\"stable\":true,\"status\":\"ok\"}",
                    seq, seq);
}

static inline void publish(int seq)
{
    char text[400];
    int length = reading_text(seq, text, sizeof text);

    zmq_send(bench.xpub, "reading/pier/left-scale", 23, ZMQ_SNDMORE);
    assert_int_equal(zmq_send(bench.xpub, text, (size_t)length, 0), length);
}

/* Gives the next number, writes it down and, unless it is lost on the way, publishes it. */
static inline void happen(bool lost)
{
    bench.last++;
    bench.written = bench.last;
    if (!lost)
        publish(bench.last);
}

static inline void publish_state(int seq)
{
    char text[400];
    int length = snprintf(text, sizeof text, COMMON "\"instruments\":[],\"stations\":[]}", seq);

    zmq_send(bench.xpub, "state/pier", 10, ZMQ_SNDMORE);
    zmq_send(bench.xpub, text, (size_t)length, 0);
}

static inline void answer_since(char *out, size_t size, int after)
{
    int length = snprintf(out, size, "{\"ok\":true, \"messages\":["), count = 0, next = after;

    for (int seq = after + 1; seq <= bench.written && count < bench.chunk; seq++) {
        char text[400];

        next = seq;
        if (seq == bench.never)
            continue;
        reading_text(seq, text, sizeof text);
        length += snprintf(out + length, size - (size_t)length, "%s[\"reading/pier/left-scale\", %s]",
                           count ? ", " : "", text);
        count++;
    }
    snprintf(out + length, size - (size_t)length, "],\"next\":%d,\"last\":%d,\"began_us\":%d}", next, bench.last,
             bench.began_us);
}

/* Answers what was asked, and greets new subscribers with the state, as a bench does. */
static inline void bench_serve(void)
{
    char identity[64], request[400], reply[8000], greeting[64];
    int identity_length, length;

    while (zmq_recv(bench.xpub, greeting, sizeof greeting, ZMQ_DONTWAIT) > 0)
        if (greeting[0] == 1) {
            bench.subscribed++;
            publish_state(bench.last);
        }
    while ((identity_length = zmq_recv(bench.router, identity, sizeof identity, ZMQ_DONTWAIT)) > 0) {
        json_t *json;

        length = zmq_recv(bench.router, request, sizeof request, 0);
        json = json_loadb(request, (size_t)length, 0, NULL);
        assert_non_null(json);
        if (bench.refuse)
            snprintf(reply, sizeof reply, "%s", bench.refuse);
        else if (strcmp(json_string_value(json_object_get(json, "do")), "since") == 0)
            answer_since(reply, sizeof reply, (int)json_integer_value(json_object_get(json, "seq")));
        else
            snprintf(reply, sizeof reply, "{\"ok\":true,\"heard\":%.*s}", length, request);
        json_decref(json);
        bench.asked++;
        zmq_send(bench.router, identity, (size_t)identity_length, ZMQ_SNDMORE);
        zmq_send(bench.router, reply, strlen(reply), 0);
    }
}

#define WITH_BENCH(test) cmocka_unit_test_setup_teardown(test, set_up, tear_down)

#endif
