/* The order in which a client hands out what a bench says: nothing may be missed or come twice,
 * whatever happens on the way. */
#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "fake_bench.h"

enum { MOST = 400 };

static struct client *open_client(bool catch_up, uint64_t after)
{
    struct client_options options = {
        .bus = bench.bus, .control = bench.control, .subscribe = true, .catch_up = catch_up, .after_seq = after
    };
    struct client *client;
    struct why why;

    assert_int_equal(client_open(&client, &options, &why), 0);
    return client;
}

/* The client is connected, and its subscription has arrived. */
static void expect_found(struct client *client, int subscriptions)
{
    struct message message;
    struct why why;

    assert_int_equal(client_next(client, -1, PATIENCE_MS, &message, &why), CLIENT_FOUND);
    for (int waited_ms = 0; waited_ms < PATIENCE_MS && bench.subscribed < subscriptions; waited_ms += 5) {
        zmq_pollitem_t item = { .socket = bench.xpub, .events = ZMQ_POLLIN };

        zmq_poll(&item, 1, 5);
        bench_serve();
    }
    assert_int_equal(bench.subscribed, subscriptions);
}

/* The next event but for states and timeouts; the bench is served meanwhile.  With a message its
 * number is the answer, otherwise minus the event. */
static int next(struct client *client)
{
    for (int waited_ms = 0; waited_ms < PATIENCE_MS; waited_ms += 5) {
        struct message message;
        struct why why;
        int event = client_next(client, -1, 5, &message, &why), seq;

        bench_serve();
        if (event == CLIENT_TIMEOUT)
            continue;
        if (event != CLIENT_MESSAGE) {
            assert_true(event > 0);
            return -event;
        }
        seq = message.kind == MESSAGE_STATE ? 0 : (int)message.common.seq;
        if (seq > 0) { /* the digits came through, too */
            assert_true(message.reading.value.mantissa == seq * 100 + 50);
            assert_int_equal(message.reading.value.exponent, -2);
        }
        message_free(&message);
        if (seq > 0)
            return seq;
    }
    fail_msg("nothing happened");
    return 0;
}

static void expect_run(struct client *client, int first, int last)
{
    for (int seq = first; seq <= last; seq++)
        assert_int_equal(next(client), seq);
}

/* Nothing but timeouts and states for a few rounds. */
static void expect_quiet(struct client *client)
{
    for (int i = 0; i < 5; i++) {
        struct message message;
        struct why why;

        int event = client_next(client, -1, 10, &message, &why);

        bench_serve();
        if (event == CLIENT_MESSAGE) {
            assert_int_equal(message.kind, MESSAGE_STATE);
            message_free(&message);
        } else {
            assert_int_equal(event, CLIENT_TIMEOUT);
        }
    }
}

/* Connected, subscribed and caught up. */
static struct client *client_at_rest(uint64_t after, int first, int last)
{
    struct client *client = open_client(true, after);

    expect_found(client, 1);
    expect_run(client, first, last);
    assert_int_equal(next(client), -CLIENT_CAUGHT_UP);
    return client;
}

static void history_then_live_each_once(void **state)
{
    struct client *client;
    int caught_up = 0;

    (void)state;
    for (int i = 0; i < 10; i++)
        happen(false);
    client = open_client(true, 4);
    expect_found(client, 1);
    assert_int_equal(next(client), 5);
    happen(false); /* while the history is read: held, or in both */
    happen(false);
    expect_run(client, 6, 10);
    for (int seq = 11; seq <= 12;) { /* caught up comes once, before, between or behind these */
        int what = next(client);

        caught_up += what == -CLIENT_CAUGHT_UP;
        if (what != -CLIENT_CAUGHT_UP)
            assert_int_equal(what, seq++);
    }
    if (!caught_up)
        assert_int_equal(next(client), -CLIENT_CAUGHT_UP);
    assert_true(caught_up < 2);
    happen(false);
    assert_int_equal(next(client), 13);
    publish(13);
    publish(7); /* repeated: dropped */
    happen(false);
    assert_int_equal(next(client), 14);
    client_close(client);
}

static void a_hole_is_filled_in_order(void **state)
{
    struct client *client;

    (void)state;
    happen(false);
    client = client_at_rest(0, 1, 1);
    happen(true);
    happen(true);
    happen(false);
    happen(false);
    expect_run(client, 2, 5);
    assert_int_equal(next(client), -CLIENT_CAUGHT_UP);
    happen(true); /* the last one lost: the next state shows */
    publish_state(bench.last);
    assert_int_equal(next(client), 6);
    assert_int_equal(next(client), -CLIENT_CAUGHT_UP);
    expect_quiet(client);
    client_close(client);
}

static void a_bench_that_went_away_is_found_again(void **state)
{
    struct client *client;

    (void)state;
    happen(false);
    client = client_at_rest(0, 1, 1);
    for (int round = 0; round < 2; round++) {
        int before = bench.last;

        bench_down();
        for (int event = CLIENT_TIMEOUT; event != CLIENT_GONE;) { /* nothing serves now */
            struct message message;
            struct why why;

            event = client_next(client, -1, PATIENCE_MS, &message, &why);
            assert_int_equal(event, CLIENT_GONE);
        }
        for (int i = 0; i < 5; i++)
            bench.written = ++bench.last;
        bench_up();
        expect_found(client, round + 2);
        expect_run(client, before + 1, before + 5);
        assert_int_equal(next(client), -CLIENT_CAUGHT_UP);
    }
    client_close(client);
}

static void what_is_not_written_down_yet_is_asked_for_again(void **state)
{
    struct client *client;

    (void)state;
    happen(false);
    client = client_at_rest(0, 1, 1);
    bench.last = 4; /* 2 and 3 lost, 4 comes, nothing is in the journal so far */
    publish(4);
    expect_quiet(client);
    bench.written = 4;
    expect_run(client, 2, 4);
    assert_int_equal(next(client), -CLIENT_CAUGHT_UP);
    client_close(client);
}

static void numbers_skipped_by_a_restart_are_no_hole(void **state)
{
    struct client *client;

    (void)state;
    happen(false);
    client = client_at_rest(0, 1, 1);
    bench.never = 2;
    bench.last = 2;
    happen(false);
    assert_int_equal(next(client), 3);
    assert_int_equal(next(client), -CLIENT_CAUGHT_UP);
    happen(false);
    assert_int_equal(next(client), 4);
    client_close(client);
}

static void what_is_lost_for_good_is_said_and_the_rest_goes_on(void **state)
{
    struct client *client;

    (void)state;
    happen(false);
    client = client_at_rest(0, 1, 1);
    publish(9); /* the journal answers, and knows nothing beyond 1 */
    assert_int_equal(next(client), -CLIENT_BAD);
    assert_int_equal(next(client), 9);
    assert_int_equal(next(client), -CLIENT_CAUGHT_UP);
    client_close(client);
}

static void a_replaced_journal_is_read_from_its_beginning(void **state)
{
    struct client *client;

    (void)state;
    happen(false);
    happen(false);
    client = open_client(true, 500);
    expect_found(client, 1);
    assert_int_equal(next(client), -CLIENT_BAD);
    expect_run(client, 1, 2);
    assert_int_equal(next(client), -CLIENT_CAUGHT_UP);
    client_close(client);
}

/* The clock was put back after the journal was begun, so that it is younger than all that it holds. */
static void a_journal_with_a_younger_beginning_is_read_anew_but_once(void **state)
{
    struct client_options options = {
        .bus = bench.bus, .control = bench.control, .subscribe = true, .catch_up = true, .after_seq = 5, .after_us = 1
    };
    struct client *client;
    struct why why;

    (void)state;
    for (int i = 0; i < 10; i++)
        happen(false);
    bench.began_us = 1000;
    client_close(client_at_rest(0, 1, 10));
    assert_int_equal(client_open(&client, &options, &why), 0);
    expect_found(client, 2);
    assert_int_equal(next(client), -CLIENT_BAD);
    expect_run(client, 1, 10);
    assert_int_equal(next(client), -CLIENT_CAUGHT_UP);
    bench.began_us = 2000; /* another journal */
    happen(true);
    happen(false);
    assert_int_equal(next(client), -CLIENT_BAD);
    client_close(client);
}

static void from_now_on_means_no_history(void **state)
{
    struct client *client;

    (void)state;
    for (int i = 0; i < 5; i++)
        happen(false);
    client = open_client(true, UINT64_MAX);
    expect_found(client, 1);
    expect_quiet(client);
    happen(false);
    assert_int_equal(next(client), 6);
    happen(true); /* but holes from now on are filled */
    happen(false);
    expect_run(client, 7, 8);
    client_close(client);
}

static void live_only_takes_what_comes(void **state)
{
    struct client *client;

    (void)state;
    for (int i = 0; i < 5; i++)
        happen(false);
    client = open_client(false, 0);
    expect_found(client, 1);
    happen(true);
    happen(false);
    assert_int_equal(next(client), 7);
    publish(3);
    assert_int_equal(next(client), 3);
    assert_int_equal(bench.asked, 0);
    client_close(client);
}

static void nonsense_is_said_and_dropped(void **state)
{
    struct client *client;

    (void)state;
    client = client_at_rest(0, 1, 0);
    zmq_send(bench.xpub, "reading/pier/left-scale", 23, ZMQ_SNDMORE);
    zmq_send(bench.xpub, "{\"v\":1,", 7, 0);
    assert_int_equal(next(client), -CLIENT_BAD);
    zmq_send(bench.xpub, "lonely", 6, 0);
    assert_int_equal(next(client), -CLIENT_BAD);
    zmq_send(bench.xpub, "state/pier", 10, ZMQ_SNDMORE);
    zmq_send(bench.xpub, "{}", 2, ZMQ_SNDMORE);
    zmq_send(bench.xpub, "{}", 2, 0);
    assert_int_equal(next(client), -CLIENT_BAD);
    happen(false);
    assert_int_equal(next(client), 1);
    client_close(client);
}

static void a_history_that_makes_no_sense_is_said_and_asked_again(void **state)
{
    static const char *const replies[] = { "{\"ok\":false,\"why\":\"the journal is on holiday\"}",
                                           "{\"ok\":true,\"messages\":7,\"next\":1,\"last\":1}",
                                           "[",
                                           "",
                                           "{\"ok\":true,\"messages\":[[\"a\",{\"b\":1}]],\"next\":0,\"last\":0}",
                                           "{\"ok\":true,\"messages\":[],\"next\":-1,\"last\":1}" };

    (void)state;
    for (size_t i = 0; i < sizeof replies / sizeof *replies; i++) {
        struct client *client = open_client(true, 0);

        bench.refuse = replies[i];
        expect_found(client, (int)i + 1);
        assert_int_equal(next(client), -CLIENT_BAD);
        bench.refuse = NULL;
        client_close(client);
    }
}

/* Caught up from the beginning, and gathering. */
static struct client *client_gathers(int every_ms, int last)
{
    struct client_options options = {
        .bus = bench.bus, .control = bench.control, .subscribe = true, .catch_up = true, .gather_ms = every_ms
    };
    struct client *client;
    struct why why;

    assert_int_equal(client_open(&client, &options, &why), 0);
    expect_found(client, 2); /* to events, and to states */
    expect_run(client, 1, last);
    assert_int_equal(next(client), -CLIENT_CAUGHT_UP);
    return client;
}

static void publish_event(void)
{
    zmq_send(bench.xpub, "event/pier/brew", 15, ZMQ_SNDMORE);
    assert_int_equal(zmq_send(bench.xpub, "{}", 2, 0), 2);
}

/* The next that is not the end of a round that brought nothing. */
static int next_gathered(struct client *client)
{
    int what;

    do
        what = next(client);
    while (what == -CLIENT_CAUGHT_UP);
    return what;
}

static void what_is_gathered_comes_in_order_and_once(void **state)
{
    struct client *client;
    struct message message;
    struct why why;

    (void)state;
    happen(false);
    client = client_gathers(20, 1);
    for (int seq = 2; seq <= 30; seq++) { /* more than a reply holds, now and then lost on the bus */
        happen(seq % 7 == 0);
        if (seq % 10 == 0)
            for (int i = seq - (seq == 10 ? 8 : 9); i <= seq; i++)
                assert_int_equal(next_gathered(client), i);
    }
    assert_int_equal(next(client), -CLIENT_CAUGHT_UP);
    bench_down();
    for (int event = CLIENT_CAUGHT_UP; event != CLIENT_GONE;) { /* the last round may end meanwhile */
        event = client_next(client, -1, PATIENCE_MS, &message, &why);
        assert_true(event == CLIENT_GONE || event == CLIENT_CAUGHT_UP);
    }
    for (int i = 0; i < 5; i++)
        bench.written = ++bench.last;
    bench_up();
    expect_found(client, 4);
    expect_run(client, 31, 35);
    client_close(client);
}

static void an_event_brings_what_was_before_it_at_once(void **state)
{
    struct client *client;

    (void)state;
    client = client_gathers(10 * PATIENCE_MS, 0);
    for (int i = 0; i < 7; i++)
        happen(false);
    publish_event();
    expect_run(client, 1, 2);
    happen(true);
    publish_event(); /* in the midst of a round: another follows */
    for (int seq = 3; seq <= 8; seq++)
        assert_int_equal(next_gathered(client), seq);
    client_close(client);
}

static void a_silent_bench_is_asked_ever_more_seldom(void **state)
{
    struct client *client = client_gathers(1, 0);
    int rounds = 0, states = 0;

    (void)state;
    for (int waited_ms = 0; waited_ms < 500; waited_ms += 5) {
        struct message message;
        struct why why;

        int event = client_next(client, -1, 5, &message, &why);

        rounds += event == CLIENT_CAUGHT_UP;
        if (event == CLIENT_MESSAGE) { /* the state that greets: who gathers is given it, outside all rounds */
            assert_int_equal(message.kind, MESSAGE_STATE);
            states++;
            message_free(&message);
        }
        bench_serve();
    }
    publish_state(0);
    while (!states) { /* if none is left of the greeting */
        struct message message;
        struct why why;

        if (client_next(client, -1, PATIENCE_MS, &message, &why) == CLIENT_MESSAGE) {
            states++;
            message_free(&message);
        }
    }
    assert_in_range(rounds, 1, 10); /* 1 + 2 + 4 + ... + 512 ms */
    happen(true);
    assert_int_equal(next_gathered(client), 1);
    client_close(client);
}

static void the_keyboard_is_heard_through_a_flood(void **state)
{
    struct client *client = client_at_rest(0, 1, 0);
    int ends[2], rounds = 0, event = CLIENT_MESSAGE;
    struct message message;
    struct why why;

    (void)state;
    assert_int_equal(pipe(ends), 0);
    for (int i = 0; i < MOST; i++)
        happen(false);
    assert_int_equal(next(client), 1); /* the flood has arrived */
    assert_int_equal(write(ends[1], "t", 1), 1);
    for (; rounds < MOST && event == CLIENT_MESSAGE; rounds++) {
        event = client_next(client, ends[0], 1000, &message, &why);
        if (event == CLIENT_MESSAGE)
            message_free(&message);
    }
    assert_int_equal(event, CLIENT_INPUT);
    assert_true(rounds < MOST / 2);
    close(ends[0]);
    close(ends[1]);
    client_close(client);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        WITH_BENCH(history_then_live_each_once),
        WITH_BENCH(a_hole_is_filled_in_order),
        WITH_BENCH(a_bench_that_went_away_is_found_again),
        WITH_BENCH(what_is_not_written_down_yet_is_asked_for_again),
        WITH_BENCH(numbers_skipped_by_a_restart_are_no_hole),
        WITH_BENCH(what_is_lost_for_good_is_said_and_the_rest_goes_on),
        WITH_BENCH(a_replaced_journal_is_read_from_its_beginning),
        WITH_BENCH(a_journal_with_a_younger_beginning_is_read_anew_but_once),
        WITH_BENCH(from_now_on_means_no_history),
        WITH_BENCH(live_only_takes_what_comes),
        WITH_BENCH(nonsense_is_said_and_dropped),
        WITH_BENCH(a_history_that_makes_no_sense_is_said_and_asked_again),
        WITH_BENCH(what_is_gathered_comes_in_order_and_once),
        WITH_BENCH(an_event_brings_what_was_before_it_at_once),
        WITH_BENCH(a_silent_bench_is_asked_ever_more_seldom),
        WITH_BENCH(the_keyboard_is_heard_through_a_flood),
    };

    return cmocka_run_group_tests_name("client", tests, NULL, NULL);
}
