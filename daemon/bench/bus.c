/* The sockets on the loop; see bus.h.
 *
 * The descriptor ZeroMQ gives says only that something changed, and a send may take that news away.
 * So a socket is drained when the descriptor has woken the loop, and again before it sleeps if something was sent; and
 * when the budget ends first an idle handle keeps the loop from sleeping.  To look costs a call to the system, which
 * every reading would pay, while a send takes the news of a subscription away once in thousands of times: so where
 * readings go out subscriptions are looked for four times a second, beside those that the descriptor reports. */
#include "bus.h"

#include <errno.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#include <zmq.h>

#include "door.h"
#include "lock.h"
#include "poise/place.h"

enum {
    DRAIN_BUDGET = 64,         /* messages per turn, so that a flood of requests never starves the instruments */
    LOOK_MS = 250,             /* between two looks for subscriptions while messages go out; twice that when they end */
    SUBSCRIPTION_BYTES = 1024, /* more than the longest topic, and than a handshake by keys */
    WAITING_MESSAGES = 4096,   /* for one slow listener: about a megabyte, then it loses messages */
    WAITING_REPLIES = 16,      /* for one who asks and does not read: each up to a quarter of a megabyte */
    WAITING_REQUESTS = 64,     /* of one peer, before it has to wait */
    SOCKET_PATH_BYTES = 107,   /* sun_path of Linux */
    HANDSHAKE_MS = 5000,       /* who has not said who he is by then is let go */
    HEARTBEAT_MS = 5000,       /* over a network: a pulled cable shows nobody */
    HEARTBEAT_TIMEOUT_MS = 15000
};

/* Bytes that a connection may have sent and that are no whole message yet, or wait to be looked at. */
static const size_t UNDELIVERED_SUBSCRIPTIONS = 65536, UNDELIVERED_REQUESTS = 2097152;

static const char ipc[] = "ipc://";

struct end {
    struct bus *bus;
    void *socket;
    uv_poll_t poll;
    bool touched; /* something may have arrived since it was drained */
    struct place {
        char path[CONFIG_PATH_SIZE]; /* of the ipc socket */
        bool bound;
        int lock;
    } places[CONFIG_ADDRESSES_MOST];
    int place_count;
};

struct bus {
    void *context;
    struct access *access;
    struct end listeners, requests, questions; /* of libzmq: whether somebody is let in */
    uv_check_t check;
    uv_prepare_t prepare;
    uv_idle_t idle;
    uv_timer_t look;
    uint64_t looked_ms; /* for subscriptions, on the loop's clock */
    bool idling;
    struct bus_calls calls;
    void (*closed)(void *context);
    void *closed_context;
    int handles; /* not yet closed */
};

/* ---- draining ---- */

static bool take_subscription(struct bus *bus, zmq_msg_t *message)
{
    const char *text = zmq_msg_data(message);
    size_t length = zmq_msg_size(message);
    int descriptor = zmq_msg_get(message, ZMQ_SRCFD);
    struct guest guest;

    if (length == 0 || !door_subscribed(descriptor, text[0] == 1 ? 1 : -1))
        return true;
    access_guest(bus->access, message, &guest);
    door_mark(descriptor, guest.owner);
    if (text[0] == 1)
        bus->calls.subscribed(bus->calls.context, text + 1, length - 1);
    return true;
}

/* Frames of a request: identity, an empty one from a REQ, the text.  Anything else is dropped. */
static void take_request(struct bus *bus, zmq_msg_t *message)
{
    void *socket = bus->requests.socket;
    struct bus_peer peer = { .identity_length = zmq_msg_size(message), .length = zmq_msg_size(message) };
    int frame = 0, descriptor = zmq_msg_get(message, ZMQ_SRCFD);
    bool handed = false;

    access_guest(bus->access, message, &peer.guest);
    door_delivered(descriptor);
    door_mark(descriptor, peer.guest.owner);
    if (peer.length > sizeof peer.frames)
        peer.length = 0; /* cannot happen: identities have at most 255 bytes */
    memcpy(peer.frames, zmq_msg_data(message), peer.length);
    while (zmq_msg_more(message)) {
        if (zmq_msg_recv(message, socket, ZMQ_DONTWAIT) < 0)
            return;
        frame++;
        if (frame == 1 && zmq_msg_size(message) == 0 && zmq_msg_more(message)) {
            peer.length = peer.identity_length + 1; /* remembers the empty frame */
            continue;
        }
        if (!handed && !zmq_msg_more(message) && peer.identity_length && peer.guest.role != ROLE_NONE)
            bus->calls.request(bus->calls.context, &peer, zmq_msg_data(message), zmq_msg_size(message));
        handed = true;
    }
}

/* True when the budget ended before the socket was empty. */
static bool drain(struct bus *bus, struct end *end)
{
    zmq_msg_t message;
    bool more = true;

    end->touched = false;
    if (end == &bus->listeners) {
        bus->looked_ms = uv_now(bus->look.loop);
        uv_timer_stop(&bus->look);
    }
    zmq_msg_init(&message);
    for (int n = 0; n < DRAIN_BUDGET; n++) {
        if (zmq_msg_recv(&message, end->socket, ZMQ_DONTWAIT) < 0) {
            more = errno == EINTR;
            break;
        }
        if (end == &bus->listeners)
            take_subscription(bus, &message);
        else
            take_request(bus, &message);
    }
    zmq_msg_close(&message);
    end->touched = end->touched || more;
    return more;
}

static void on_idle(uv_idle_t *handle)
{
    (void)handle; /* its being active is its work: the loop does not sleep */
}

static void drain_both(struct bus *bus)
{
    bool any = bus->listeners.touched || bus->requests.touched;
    bool more = false;

    if (bus->questions.touched) {
        bus->questions.touched = false;
        while (access_answer(bus->access))
            ;
    }
    if (!any)
        return;
    if (bus->listeners.touched)
        more |= drain(bus, &bus->listeners);
    if (bus->requests.touched)
        more |= drain(bus, &bus->requests);
    bus->calls.settled(bus->calls.context);
    if (more != bus->idling) {
        if (more)
            uv_idle_start(&bus->idle, on_idle);
        else
            uv_idle_stop(&bus->idle);
        bus->idling = more;
    }
}

static void on_check(uv_check_t *handle)
{
    drain_both(handle->data);
}

static void on_prepare(uv_prepare_t *handle)
{
    drain_both(handle->data);
}

static void on_poll(uv_poll_t *handle, int status, int events)
{
    struct end *end = handle->data;

    (void)status;
    (void)events;
    end->touched = true;
}

/* ---- sending ---- */

static void on_look(uv_timer_t *timer)
{
    ((struct bus *)timer->data)->listeners.touched = true;
}

void bus_publish(struct bus *bus, const char *topic, size_t topic_length, const char *text, size_t length)
{
    if (uv_now(bus->look.loop) - bus->looked_ms >= LOOK_MS)
        bus->listeners.touched = true;
    else if (!uv_is_active((uv_handle_t *)&bus->look))
        uv_timer_start(&bus->look, on_look, 2 * LOOK_MS, 0);
    if (zmq_send(bus->listeners.socket, topic, topic_length, ZMQ_SNDMORE | ZMQ_DONTWAIT) >= 0)
        zmq_send(bus->listeners.socket, text, length, ZMQ_DONTWAIT);
}

int bus_reply(struct bus *bus, const struct bus_peer *peer, const char *text, size_t length)
{
    void *socket = bus->requests.socket;

    bus->requests.touched = true;
    if (zmq_send(socket, peer->frames, peer->identity_length, ZMQ_SNDMORE | ZMQ_DONTWAIT) < 0)
        return -errno;
    if (peer->length > peer->identity_length && zmq_send(socket, "", 0, ZMQ_SNDMORE | ZMQ_DONTWAIT) < 0)
        return -errno;
    return zmq_send(socket, text, length, ZMQ_DONTWAIT) < 0 ? -errno : 0;
}

/* ---- opening and closing ---- */

static bool is_network(const char *address)
{
    return strncmp(address, "tcp://", 6) == 0;
}

static int bind_ipc(struct end *end, struct place *place, const char *address, size_t undelivered, struct why *why)
{
    struct stat there;
    mode_t before;
    int error, result;

    if (strncmp(address, ipc, sizeof ipc - 1) != 0 || address[sizeof ipc - 1] != '/')
        return why_set(why, -EINVAL, "%s: not an address that can be bound; write ipc:///folder/name", address);
    if (strlen(address + sizeof ipc - 1) > SOCKET_PATH_BYTES)
        return why_set(why, -ENAMETOOLONG,
                       "%s: longer than the %d characters a socket's path may have; "
                       "choose a shorter folder",
                       address, SOCKET_PATH_BYTES);
    strcpy(place->path, address + sizeof ipc - 1);
    if ((error = folder_make_for(place->path, why)) != 0 || (error = place_trusted(place->path, why)) != 0)
        return error;
    if ((place->lock = lock_take(place->path, why)) < 0)
        return place->lock;
    if (lstat(place->path, &there) == 0 && !S_ISSOCK(there.st_mode))
        return why_set(why, -EEXIST, "%s: a file of that name is there and no socket; choose another name", address);
    if (door_watch(place->path, 0, undelivered) != 0)
        return why_set(why, -ENOSPC, "%s: too many addresses", address);
    unlink(place->path);  /* what a killed poised left; the lock says nobody has it */
    before = umask(0117); /* 0660 from the first moment on */
    result = zmq_bind(end->socket, address);
    error = errno;
    umask(before);
    if (result != 0)
        return why_set(why, -error, "%s: cannot bind: %s", address, zmq_strerror(error));
    place->bound = true;
    give_to_group(place->path);
    return 0;
}

static int bind_tcp(struct end *end, const char *address, size_t undelivered, struct why *why)
{
    const int on = 1, beat = HEARTBEAT_MS, dead = HEARTBEAT_TIMEOUT_MS;

    if (door_watch(NULL, atoi(strrchr(address, ':') + 1), undelivered) != 0)
        return why_set(why, -ENOSPC, "%s: too many addresses", address);
    zmq_setsockopt(end->socket, ZMQ_IPV6, &on, sizeof on);
    zmq_setsockopt(end->socket, ZMQ_HEARTBEAT_IVL, &beat, sizeof beat);
    zmq_setsockopt(end->socket, ZMQ_HEARTBEAT_TIMEOUT, &dead, sizeof dead);
    return zmq_bind(end->socket, address) == 0
               ? 0
               : why_set(why, -zmq_errno(), "%s: cannot bind: %s", address, zmq_strerror(zmq_errno()));
}

/* All addresses of one socket.  What libzmq is set to counts for what is bound after it: the network comes last. */
static int end_bind(struct bus *bus, struct end *end, const char *addresses, size_t undelivered, struct why *why)
{
    char address[CONFIG_PATH_SIZE];
    bool ready = false;
    int error = 0;

    for (const char *next = addresses; error == 0 && next;) {
        next = config_next_address(next, address);
        if (is_network(address))
            continue;
        end->places[end->place_count] = (struct place){ .lock = -1 };
        error = bind_ipc(end, &end->places[end->place_count++], address, undelivered, why);
    }
    for (const char *next = addresses; error == 0 && next;) {
        next = config_next_address(next, address);
        if (!is_network(address))
            continue;
        if (!ready)
            error = access_for_network(bus->access, end->socket, why);
        ready = true;
        if (error == 0)
            error = bind_tcp(end, address, undelivered, why);
    }
    return error;
}

static int end_open(struct bus *bus, struct end *end, int type, const char *addresses, int64_t most_bytes,
                    struct why *why)
{
    const int on = 1, none = 0, patience = HANDSHAKE_MS, incoming = WAITING_REQUESTS;
    const int waiting = type == ZMQ_XPUB ? WAITING_MESSAGES : WAITING_REPLIES;
    size_t undelivered = type == ZMQ_XPUB ? UNDELIVERED_SUBSCRIPTIONS : UNDELIVERED_REQUESTS;

    if (!(end->socket = zmq_socket(bus->context, type)))
        return why_set(why, -errno, "%s: cannot make a socket: %s", addresses, zmq_strerror(errno));
    if (zmq_setsockopt(end->socket, ZMQ_LINGER, &none, sizeof none) != 0
        || zmq_setsockopt(end->socket, ZMQ_MAXMSGSIZE, &most_bytes, sizeof most_bytes) != 0
        || zmq_setsockopt(end->socket, ZMQ_SNDHWM, &waiting, sizeof waiting) != 0
        || zmq_setsockopt(end->socket, ZMQ_RCVHWM, &incoming, sizeof incoming) != 0
        || zmq_setsockopt(end->socket, ZMQ_HANDSHAKE_IVL, &patience, sizeof patience) != 0
        || zmq_setsockopt(end->socket, type == ZMQ_XPUB ? ZMQ_XPUB_VERBOSER : ZMQ_ROUTER_MANDATORY, &on, sizeof on)
               != 0)
        return why_set(why, -errno, "%s: cannot set up the socket: %s", addresses, zmq_strerror(errno));
    return end_bind(bus, end, addresses, undelivered, why);
}

/* While the bus is opened: the loop lets go of the handle at once. */
static void end_unwatch(struct end *end, uv_loop_t *loop)
{
    uv_close((uv_handle_t *)&end->poll, NULL);
    uv_run(loop, UV_RUN_NOWAIT);
}

static int end_watch(struct end *end, uv_loop_t *loop, struct why *why)
{
    int descriptor;
    size_t size = sizeof descriptor;
    int error;

    if (zmq_getsockopt(end->socket, ZMQ_FD, &descriptor, &size) != 0)
        return why_set(why, -errno, "a socket has no descriptor: %s", zmq_strerror(errno));
    if ((error = uv_poll_init(loop, &end->poll, descriptor)) != 0)
        return why_set(why, error, "cannot watch a socket: %s", uv_strerror(error));
    end->poll.data = end;
    end->touched = true;
    if ((error = uv_poll_start(&end->poll, UV_READABLE, on_poll)) == 0)
        return 0;
    end_unwatch(end, loop);
    return why_set(why, error, "cannot watch a socket: %s", uv_strerror(error));
}

static void end_free(struct end *end)
{
    if (end->socket)
        zmq_close(end->socket);
    for (int i = 0; i < end->place_count; i++)
        if (end->places[i].bound)
            unlink(end->places[i].path);
}

static void end_unlock(struct end *end)
{
    for (int i = 0; i < end->place_count; i++)
        if (end->places[i].lock >= 0)
            close(end->places[i].lock);
}

static void bus_free(struct bus *bus)
{
    end_free(&bus->listeners);
    end_free(&bus->requests);
    access_free(bus->access);
    zmq_ctx_term(bus->context);
    door_forget_all();
    /* the locks last: only now may another poised bind */
    end_unlock(&bus->listeners);
    end_unlock(&bus->requests);
    free(bus);
}

/* Watches those of the ends that there are; none of them when it fails. */
static int watch_all(struct bus *bus, uv_loop_t *loop, struct why *why)
{
    struct end *const ends[] = { &bus->listeners, &bus->requests, &bus->questions };
    int error = 0, count = 0;

    for (; count < 3 && error == 0; count++)
        if (ends[count]->socket)
            error = end_watch(ends[count], loop, why);
    for (count -= 2; error != 0 && count >= 0; count--)
        end_unwatch(ends[count], loop);
    return error;
}

int bus_open(struct bus **out, uv_loop_t *loop, const struct config *config, const struct bus_calls *calls,
             struct why *why)
{
    struct bus *bus = calloc(1, sizeof *bus);
    int error;

    if (!bus)
        return why_set(why, -ENOMEM, "bus: out of memory");
    bus->calls = *calls;
    bus->listeners.bus = bus->requests.bus = bus->questions.bus = bus;
    if (!(bus->context = zmq_ctx_new())) {
        free(bus);
        return why_set(why, -ENOMEM, "bus: out of memory");
    }
    zmq_ctx_set(bus->context, ZMQ_IO_THREADS, 1);
    if ((error = access_open(&bus->access, bus->context, config, why)) != 0)
        goto failed;
    bus->questions.socket = access_socket(bus->access);
    if ((error = end_open(bus, &bus->listeners, ZMQ_XPUB, config->bus, SUBSCRIPTION_BYTES, why)) != 0
        || (*config->control
            && (error = end_open(bus, &bus->requests, ZMQ_ROUTER, config->control, 4 * REQUEST_BYTES, why)) != 0)
        || (error = watch_all(bus, loop, why)) != 0)
        goto failed;
    uv_check_init(loop, &bus->check);
    uv_prepare_init(loop, &bus->prepare);
    uv_idle_init(loop, &bus->idle);
    uv_timer_init(loop, &bus->look);
    bus->check.data = bus->prepare.data = bus->idle.data = bus->look.data = bus;
    uv_check_start(&bus->check, on_check);
    uv_prepare_start(&bus->prepare, on_prepare);
    *out = bus;
    return 0;
failed:
    bus_free(bus);
    return error;
}

static void on_closed(uv_handle_t *handle)
{
    struct bus *bus = handle->type == UV_POLL ? ((struct end *)handle->data)->bus : handle->data;
    void (*closed)(void *context) = bus->closed;
    void *context = bus->closed_context;

    if (--bus->handles > 0)
        return;
    bus_free(bus);
    closed(context);
}

void bus_close(struct bus *bus, void (*closed)(void *context), void *context)
{
    uv_handle_t *const handles[] = {
        (uv_handle_t *)&bus->listeners.poll,
        (uv_handle_t *)&bus->check,
        (uv_handle_t *)&bus->prepare,
        (uv_handle_t *)&bus->idle,
        (uv_handle_t *)&bus->look,
        bus->requests.socket ? (uv_handle_t *)&bus->requests.poll : NULL,
        bus->questions.socket ? (uv_handle_t *)&bus->questions.poll : NULL, /* only with keys */
    };
    const int count = sizeof handles / sizeof *handles;

    bus->closed = closed;
    bus->closed_context = context;
    for (int i = 0; i < count; i++)
        bus->handles += handles[i] != NULL;
    for (int i = 0; i < count; i++)
        if (handles[i])
            uv_close(handles[i], on_closed);
}

void bus_reconfigure(struct bus *bus, const struct config *config)
{
    access_reconfigure(bus->access, config);
}
