/* A client's connection to a bench; see poise/client.h.  In which order messages are handed out is
 * client_order.c's. */
#include "client_parts.h"
#include "poise/clock.h"
#include "poise/place.h"

#include <errno.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <zmq.h>

enum {
    RECONNECT_MS = 100,       /* a restarted bench is found in a blink ... */
    RECONNECT_MOST_MS = 1000, /* ... and one that stays away costs one attempt a second */
    HEARTBEAT_MS = 3000,      /* over TCP a pulled cable shows nobody; local sockets need none */
    HEARTBEAT_TIMEOUT_MS = 10000,
    REFUSED_AGAIN_MS = 2000, /* who is not let in tries again so often: it may be on the list by then */
    LOOK_UP_EVERY = 32       /* messages dealt with before input and time are looked at again */
};

/* Of the connection, from its monitor: the handshake's failures are those of somebody who is not let in. */
static const int WATCHED = ZMQ_EVENT_HANDSHAKE_SUCCEEDED | ZMQ_EVENT_DISCONNECTED | ZMQ_EVENT_HANDSHAKE_FAILED_NO_DETAIL
                           | ZMQ_EVENT_HANDSHAKE_FAILED_PROTOCOL | ZMQ_EVENT_HANDSHAKE_FAILED_AUTH;

/* ---- sockets ---- */

void client_disconnect(void **socket)
{
    if (*socket)
        zmq_close(*socket);
    *socket = NULL;
}

static int no_socket(const char *address, struct why *why)
{
    return why_set(why, -EMFILE, "%s: no socket: %s", address, zmq_strerror(zmq_errno()));
}

static int address_wrong(const char *address, struct why *why)
{
    return why_set(why, -EINVAL, "%s: not an address (ipc:///path/of/a/socket or tcp://host:port): %s", address,
                   zmq_strerror(zmq_errno()));
}

static bool is_network(const char *address)
{
    return strncmp(address, "tcp:", 4) == 0;
}

static void *new_socket(struct client *client, int type, const char *address)
{
    int linger = 0, reconnect = RECONNECT_MS, most = RECONNECT_MOST_MS;
    int beat = HEARTBEAT_MS, dead = HEARTBEAT_TIMEOUT_MS, on = 1;
    void *socket = zmq_socket(client->context, type);

    if (!socket)
        return NULL;
    zmq_setsockopt(socket, ZMQ_LINGER, &linger, sizeof linger);
    zmq_setsockopt(socket, ZMQ_RECONNECT_IVL, &reconnect, sizeof reconnect);
    zmq_setsockopt(socket, ZMQ_RECONNECT_IVL_MAX, &most, sizeof most);
    if (!is_network(address))
        return socket;
    zmq_setsockopt(socket, ZMQ_IPV6, &on, sizeof on);
    zmq_setsockopt(socket, ZMQ_HEARTBEAT_IVL, &beat, sizeof beat);
    zmq_setsockopt(socket, ZMQ_HEARTBEAT_TIMEOUT, &dead, sizeof dead);
    if (!client->keys || zmq_setsockopt(socket, ZMQ_CURVE_SERVERKEY, client->keys->bench_key, KEY_BYTES) < 0
        || zmq_setsockopt(socket, ZMQ_CURVE_PUBLICKEY, client->keys->public_key, KEY_BYTES) < 0
        || zmq_setsockopt(socket, ZMQ_CURVE_SECRETKEY, client->keys->secret_key, KEY_BYTES) < 0) {
        zmq_close(socket); /* never in the open */
        return NULL;
    }
    return socket;
}

int client_connect(struct client *client, int type, const char *address, void **out, struct why *why)
{
    void *socket = new_socket(client, type, address);

    if (!socket)
        return no_socket(address, why);
    if (zmq_connect(socket, address) < 0) {
        int error = address_wrong(address, why);

        zmq_close(socket);
        return error;
    }
    *out = socket;
    return 0;
}

/* The monitor is there before the connection is, so that no event is missed. */
static int open_bus(struct client *client, struct why *why)
{
    static const char monitor[] = "inproc://bus-monitor";
    const char *address = client->bus_address, *topics = client->gather_ms ? "event/" : "";
    const char *more = client->gather_ms ? "state/" : "";

    client->bus = new_socket(client, ZMQ_SUB, address);
    if (!client->bus || zmq_setsockopt(client->bus, ZMQ_SUBSCRIBE, topics, strlen(topics)) < 0
        || (*more && zmq_setsockopt(client->bus, ZMQ_SUBSCRIBE, more, strlen(more)) < 0)
        || zmq_socket_monitor(client->bus, monitor, WATCHED) < 0)
        return no_socket(address, why);
    client->monitor = zmq_socket(client->context, ZMQ_PAIR);
    if (!client->monitor || zmq_connect(client->monitor, monitor) < 0)
        return no_socket(address, why);
    return zmq_connect(client->bus, address) < 0 ? address_wrong(address, why) : 0;
}

/* A network is entered with keys only: the bench's, so that nobody else can speak for it, and our own. */
static int load_keys(struct client *client, const char *address, const char *path, struct why *why)
{
    int error;

    if (client->keys)
        return 0;
    if (!path)
        return why_set(why, -EPERM,
                       "%s: refused: a network needs keys; make one with `poise-ctl keys new "
                       "FILE --bench KEY` and name it with --key or POISE_KEY",
                       address);
    if (!(client->keys = malloc(sizeof *client->keys)))
        return why_set(why, -ENOMEM, "out of memory");
    if ((error = keys_load(path, client->keys, why)) == 0 && !client->keys->knows_bench)
        error = why_set(why, -ENOKEY,
                        "%s: has no `bench =` line: which bench it is for; write the bench's public key there", path);
    if (error == 0)
        return 0;
    free(client->keys);
    client->keys = NULL;
    return error == -EINVAL ? -ENOKEY : error; /* the address made sense */
}

/* A socket that somebody else could have put there would feed us a false bench; so would a network without keys. */
static int check_place(struct client *client, const char *address, const char *key, struct why *why)
{
    static const char ipc[] = "ipc://";

    if (is_network(address))
        return load_keys(client, address, key, why);
    if (strncmp(address, ipc, sizeof ipc - 1) != 0 || address[sizeof ipc - 1] != '/')
        return 0;
    return place_trusted(address + sizeof ipc - 1, why);
}

int client_open(struct client **out, const struct client_options *options, struct why *why)
{
    struct client *client = calloc(1, sizeof *client);
    int error = 0;

    if (!client)
        return why_set(why, -ENOMEM, "out of memory");
    client->options = *options;
    zmq_msg_init(&client->topic);
    zmq_msg_init(&client->text);
    /* the caller's strings need not outlive us */
    client->options.bus = client->options.control = client->options.key = NULL;
    client->options.reader = client->options.bench_id = NULL;
    client->held_end = &client->held;
    client->bus_address = strdup(options->bus ? options->bus : "");
    client->control_address = strdup(options->control ? options->control : "");
    client->reader = options->reader ? strdup(options->reader) : NULL;
    client->bench_id = options->bench_id ? strdup(options->bench_id) : NULL;
    client->context = zmq_ctx_new();
    client->position_known = options->after_seq != UINT64_MAX;
    if (client->position_known)
        client->last = client->covered = client->kept = options->after_seq;
    client->latest_us = options->after_us;
    client->gone = UINT64_MAX;
    if (client->position_known && options->catch_up)
        client->gather_ms = client->rest_ms = options->gather_ms;
    if (!client->bus_address || !client->control_address || !client->context || (options->reader && !client->reader)
        || (options->bench_id && !client->bench_id))
        error = why_set(why, -ENOMEM, "out of memory");
    if (error == 0 && options->subscribe && (error = check_place(client, client->bus_address, options->key, why)) == 0)
        error = open_bus(client, why);
    if (error == 0 && options->control)
        error = check_place(client, client->control_address, options->key, why);
    if (error == 0 && options->control) /* which also shows at once whether the address makes sense */
        error = client_connect(client, ZMQ_DEALER, client->control_address, &client->hand, why);
    if (error < 0) {
        client_close(client);
        return error;
    }
    *out = client;
    return 0;
}

void client_close(struct client *client)
{
    if (!client)
        return;
    client_order_free(client);
    zmq_msg_close(&client->topic);
    zmq_msg_close(&client->text);
    if (client->bus)
        zmq_socket_monitor(client->bus, NULL, 0);
    client_disconnect(&client->monitor);
    client_disconnect(&client->bus);
    client_disconnect(&client->history);
    client_disconnect(&client->hand);
    if (client->context)
        while (zmq_ctx_term(client->context) < 0 && zmq_errno() == EINTR)
            ;
    if (client->keys)
        keys_forget(client->keys);
    free(client->keys);
    free(client->bus_address);
    free(client->control_address);
    free(client->reader);
    free(client->bench_id);
    free(client);
}

/* ---- for who passes on what is heard ---- */

int client_descriptors(struct client *client, int out[CLIENT_DESCRIPTORS])
{
    void *const sockets[CLIENT_DESCRIPTORS] = { client->bus, client->monitor };
    size_t size = sizeof *out;

    for (int i = 0; i < CLIENT_DESCRIPTORS; i++)
        if (zmq_getsockopt(sockets[i], ZMQ_FD, &out[i], &size) < 0)
            return -zmq_errno();
    return 0;
}

struct client_live client_live(struct client *client)
{
    return (struct client_live){ .text = zmq_msg_data(&client->text),
                                 .length = zmq_msg_size(&client->text),
                                 .descriptor = zmq_msg_get(&client->topic, ZMQ_SRCFD) };
}

/* A bench sends its state for every subscription; those to everything stay. */
void client_want_state(struct client *client)
{
    zmq_setsockopt(client->bus, ZMQ_SUBSCRIBE, "state/", 6);
    zmq_setsockopt(client->bus, ZMQ_UNSUBSCRIBE, "state/", 6);
}

void client_kept(struct client *client, uint64_t seq)
{
    client->kept = seq;
}

uint64_t client_gone(const struct client *client)
{
    return client->gone;
}

/* ---- the next thing that happens ---- */

/* What to do when a bench is there and does not let us in. */
static int not_let_in(struct client *client, struct why *why)
{
    char key[KEY_TEXT_SIZE] = "";

    if (client->keys)
        key_print(client->keys->public_key, key);
    return why_set(
        why, -EACCES,
        "%s: the bench does not let this key in: in its configuration a [client NAME] needs key = %s, and here "
        "the key file needs the bench's own key",
        client->bus_address, key);
}

/* The first frame of a monitor event begins with its number (zmq_socket_monitor(3)). */
static int connection_changed(struct client *client, struct why *why)
{
    int event = CLIENT_NOTHING;
    uint16_t number = 0;
    zmq_msg_t part;

    zmq_msg_init(&part);
    if (zmq_msg_recv(&part, client->monitor, ZMQ_DONTWAIT) >= 0) {
        event = CLIENT_AGAIN;
        if (zmq_msg_size(&part) >= sizeof number)
            memcpy(&number, zmq_msg_data(&part), sizeof number);
        while (zmq_msg_more(&part) && zmq_msg_recv(&part, client->monitor, ZMQ_DONTWAIT) >= 0)
            ;
    }
    zmq_msg_close(&part);
    if (number == ZMQ_EVENT_HANDSHAKE_SUCCEEDED && !client->there) {
        client->there = true;
        client->refused = false;
        client_order_found(client);
        return CLIENT_FOUND;
    }
    if (number == ZMQ_EVENT_DISCONNECTED && client->there) {
        client->there = false;
        client_order_gone(client);
        return CLIENT_GONE;
    }
    if (number != 0 && number != ZMQ_EVENT_DISCONNECTED && number != ZMQ_EVENT_HANDSHAKE_SUCCEEDED && client->keys
        && !client->again_ms) {
        client->again_ms = clock_steady_ms() + REFUSED_AGAIN_MS;
        if (!client->refused) { /* reported once */
            client->refused = true;
            not_let_in(client, why);
            return CLIENT_BAD;
        }
    }
    return event;
}

/* libzmq connects again to whom it has lost, and never to who refused it. */
static void connect_again(struct client *client)
{
    client->again_ms = 0;
    zmq_disconnect(client->bus, client->bus_address);
    zmq_connect(client->bus, client->bus_address);
}

static bool readable(int fd)
{
    struct pollfd item = { .fd = fd, .events = POLLIN };

    return poll(&item, 1, 0) > 0;
}

/* Waits until something may have happened.  CLIENT_INPUT, CLIENT_AGAIN, or a negative errno. */
static int wait_for_more(struct client *client, int extra_fd, int64_t until_ms)
{
    zmq_pollitem_t items[4];
    int count = 0, input = -1;
    long wait_ms = -1;

    if (client->bus) {
        items[count++] = (zmq_pollitem_t){ .socket = client->monitor, .events = ZMQ_POLLIN };
        items[count++] = (zmq_pollitem_t){ .socket = client->bus, .events = ZMQ_POLLIN };
    }
    if (client->history)
        items[count++] = (zmq_pollitem_t){ .socket = client->history, .events = ZMQ_POLLIN };
    if (extra_fd >= 0) {
        input = count;
        items[count++] = (zmq_pollitem_t){ .fd = extra_fd, .events = ZMQ_POLLIN | ZMQ_POLLERR };
    }
    if (client->there && (client->asking == ASK_LATER || client->asking == ASKED) && client->due_ms < until_ms)
        until_ms = client->due_ms;
    if (client->again_ms && client->again_ms < until_ms)
        until_ms = client->again_ms;
    if (until_ms < INT64_MAX) {
        int64_t left_ms = until_ms - clock_steady_ms();

        wait_ms = left_ms > 0 ? (long)left_ms : 0;
    }
    if (zmq_poll(items, count, wait_ms) < 0)
        return -zmq_errno();
    return input >= 0 && items[input].revents ? CLIENT_INPUT : CLIENT_AGAIN;
}

int client_next(struct client *client, int extra_fd, int timeout_ms, struct message *message, struct why *why)
{
    int64_t until_ms = timeout_ms < 0 ? INT64_MAX : clock_steady_ms() + timeout_ms;
    bool waited_enough = false;

    for (;;) {
        int event = CLIENT_NOTHING;

        if (++client->rounds >= LOOK_UP_EVERY) { /* a flood must not lock the keyboard out */
            client->rounds = 0;
            if (extra_fd >= 0 && readable(extra_fd))
                return CLIENT_INPUT;
            if (timeout_ms > 0 && clock_steady_ms() >= until_ms)
                return CLIENT_TIMEOUT;
        }
        if (client->again_ms && clock_steady_ms() >= client->again_ms)
            connect_again(client);
        if (client->bus)
            event = connection_changed(client, why);
        if (event == CLIENT_NOTHING)
            event = client_order_next(client, message, why);
        if (event >= 0)
            return event;
        if (event == CLIENT_AGAIN)
            continue;
        if (waited_enough)
            return CLIENT_TIMEOUT;
        event = wait_for_more(client, extra_fd, until_ms);
        if (event != CLIENT_AGAIN) {
            if (event < 0)
                why_set(why, event, "interrupted");
            return event;
        }
        waited_enough = clock_steady_ms() >= until_ms;
    }
}

/* ---- asking ---- */

int client_refused(const char *text, size_t length, struct why *why)
{
    json_t *reply = json_loadb(text, length, JSON_REJECT_DUPLICATES, NULL);
    const char *sentence = json_string_value(json_object_get(reply, "why"));
    int error = sentence ? why_set(why, -EREMOTEIO, "%s", sentence)
                         : why_set(why, -EPROTO, "the bench answered with something that is no reply");

    json_decref(reply);
    return error;
}

/* One frame within the time; 0, -ETIMEDOUT or another negative errno. */
static int receive_until(void *socket, int64_t until_ms, zmq_msg_t *part)
{
    for (;;) {
        zmq_pollitem_t item = { .socket = socket, .events = ZMQ_POLLIN };
        int64_t left_ms = until_ms - clock_steady_ms();

        if (zmq_msg_recv(part, socket, ZMQ_DONTWAIT) >= 0)
            return 0;
        if (zmq_errno() != EAGAIN && zmq_errno() != EINTR)
            return -zmq_errno();
        if (left_ms <= 0)
            return -ETIMEDOUT;
        if (zmq_poll(&item, 1, (long)left_ms) < 0 && zmq_errno() != EINTR)
            return -zmq_errno();
    }
}

static int take_answer(const char *text, size_t length, json_t **reply, struct why *why)
{
    json_t *json = json_loadb(text, length, JSON_REJECT_DUPLICATES, NULL);

    if (!json_is_true(json_object_get(json, "ok"))) {
        json_decref(json);
        return client_refused(text, length, why);
    }
    *reply = json;
    return 0;
}

static int no_answer(struct client *client, int error, struct why *why)
{
    char key[KEY_TEXT_SIZE];

    if (!client->keys)
        return why_set(why, error, "%s: no answer: is poised running there?", client->control_address);
    key_print(client->keys->public_key, key);
    return why_set(why, error, "%s: no answer: is poised running there, and does it let in the key %s?",
                   client->control_address, key);
}

int client_ask(struct client *client, json_t *request, int timeout_ms, json_t **reply, struct why *why)
{
    int64_t until_ms = clock_steady_ms() + (timeout_ms > 0 ? timeout_ms : 0);
    char *text = request ? json_dumps(request, JSON_COMPACT) : NULL;
    zmq_msg_t part;
    int error = 0;

    json_decref(request);
    if (!text)
        return why_set(why, -ENOMEM, "out of memory");
    if (!client->hand)
        error = client_connect(client, ZMQ_DEALER, client->control_address, &client->hand, why);
    if (error == 0 && zmq_send(client->hand, text, strlen(text), ZMQ_DONTWAIT) < 0)
        error = why_set(why, -zmq_errno(), "%s: %s", client->control_address, zmq_strerror(zmq_errno()));
    free(text);
    if (error < 0)
        return error;
    zmq_msg_init(&part);
    error = receive_until(client->hand, until_ms, &part);
    if (error == 0)
        error = take_answer(zmq_msg_data(&part), zmq_msg_size(&part), reply, why);
    else
        error = no_answer(client, error, why);
    zmq_msg_close(&part);
    /* A request that was not answered must not be carried out later, nor its answer be taken for another's. */
    if (error < 0 && error != -EREMOTEIO)
        client_disconnect(&client->hand);
    return error;
}
