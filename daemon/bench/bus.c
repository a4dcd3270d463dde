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

#include "lock.h"
#include "poise/place.h"

enum {
    DRAIN_BUDGET = 64,        /* messages per turn, so that a flood of requests never starves the instruments */
    LOOK_MS = 250,            /* between two looks for subscriptions while messages go out; twice that when they end */
    SUBSCRIPTION_BYTES = 256, /* more than the longest topic */
    WAITING_MESSAGES = 4096,  /* for one slow listener: about a megabyte, then it loses messages */
    SOCKET_PATH_BYTES = 107   /* sun_path of Linux */
};

static const char ipc[] = "ipc://";

struct end {
    struct bus *bus;
    void *socket;
    uv_poll_t poll;
    bool touched;     /* something may have arrived since it was drained */
    const char *path; /* of the ipc socket; NULL: not bound */
    char address[300];
    int lock;
};

struct bus {
    void *context;
    struct end listeners, requests;
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

    if (length > 0 && text[0] == 1)
        bus->calls.subscribed(bus->calls.context, text + 1, length - 1);
    return true;
}

/* Frames of a request: identity, an empty one from a REQ, the text.  Anything else is dropped. */
static void take_request(struct bus *bus, zmq_msg_t *message)
{
    void *socket = bus->requests.socket;
    struct bus_peer peer = { .identity_length = zmq_msg_size(message), .length = zmq_msg_size(message) };
    int frame = 0;
    bool handed = false;

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
        if (!handed && !zmq_msg_more(message) && peer.identity_length)
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

static int end_bind(struct end *end, const char *address, struct why *why)
{
    struct stat there;
    mode_t before;
    int error, result;

    if (strncmp(address, "tcp://", 6) == 0)
        return why_set(why, -EPERM,
                       "%s: refused: a network socket needs keys, and this poised has none; "
                       "use an ipc:// address",
                       address);
    if (strncmp(address, ipc, sizeof ipc - 1) != 0 || address[sizeof ipc - 1] != '/')
        return why_set(why, -EINVAL, "%s: not an address that can be bound; write ipc:///folder/name", address);
    if (strlen(address + sizeof ipc - 1) > SOCKET_PATH_BYTES)
        return why_set(why, -ENAMETOOLONG,
                       "%s: longer than the %d characters a socket's path may have; "
                       "choose a shorter folder",
                       address, SOCKET_PATH_BYTES);
    strcpy(end->address, address);
    if ((error = folder_make_for(address + sizeof ipc - 1, why)) != 0
        || (error = place_trusted(address + sizeof ipc - 1, why)) != 0)
        return error;
    if ((end->lock = lock_take(address + sizeof ipc - 1, why)) < 0)
        return end->lock;
    if (lstat(address + sizeof ipc - 1, &there) == 0 && !S_ISSOCK(there.st_mode))
        return why_set(why, -EEXIST, "%s: a file of that name is there and no socket; choose another name", address);
    unlink(address + sizeof ipc - 1); /* what a killed poised left; the lock says nobody has it */
    before = umask(0117);             /* 0660 from the first moment on */
    result = zmq_bind(end->socket, address);
    error = errno;
    umask(before);
    if (result != 0)
        return why_set(why, -error, "%s: cannot bind: %s", address, zmq_strerror(error));
    end->path = end->address + sizeof ipc - 1;
    give_to_group(end->path);
    return 0;
}

static int end_open(struct bus *bus, struct end *end, int type, const char *address, int64_t most_bytes,
                    struct why *why)
{
    const int on = 1, none = 0, waiting = WAITING_MESSAGES;

    end->bus = bus;
    end->lock = -1;
    if (!(end->socket = zmq_socket(bus->context, type)))
        return why_set(why, -errno, "%s: cannot make a socket: %s", address, zmq_strerror(errno));
    if (zmq_setsockopt(end->socket, ZMQ_LINGER, &none, sizeof none) != 0
        || zmq_setsockopt(end->socket, ZMQ_MAXMSGSIZE, &most_bytes, sizeof most_bytes) != 0
        || zmq_setsockopt(end->socket, ZMQ_SNDHWM, &waiting, sizeof waiting) != 0
        || zmq_setsockopt(end->socket, type == ZMQ_XPUB ? ZMQ_XPUB_VERBOSE : ZMQ_ROUTER_MANDATORY, &on, sizeof on) != 0)
        return why_set(why, -errno, "%s: cannot set up the socket: %s", address, zmq_strerror(errno));
    return end_bind(end, address, why);
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
        return why_set(why, -errno, "%s: no descriptor: %s", end->address, zmq_strerror(errno));
    if ((error = uv_poll_init(loop, &end->poll, descriptor)) != 0)
        return why_set(why, error, "%s: cannot watch it: %s", end->address, uv_strerror(error));
    end->poll.data = end;
    end->touched = true;
    if ((error = uv_poll_start(&end->poll, UV_READABLE, on_poll)) == 0)
        return 0;
    end_unwatch(end, loop);
    return why_set(why, error, "%s: cannot watch it: %s", end->address, uv_strerror(error));
}

static void end_free(struct end *end)
{
    if (end->socket)
        zmq_close(end->socket);
    if (end->path)
        unlink(end->path);
}

static void bus_free(struct bus *bus)
{
    end_free(&bus->listeners);
    end_free(&bus->requests);
    zmq_ctx_term(bus->context);
    /* the locks last: only now may another poised bind */
    if (bus->listeners.lock >= 0)
        close(bus->listeners.lock);
    if (bus->requests.lock >= 0)
        close(bus->requests.lock);
    free(bus);
}

int bus_open(struct bus **out, uv_loop_t *loop, const char *bus_address, const char *control_address,
             const struct bus_calls *calls, struct why *why)
{
    struct bus *bus = calloc(1, sizeof *bus);
    int error;

    if (!bus)
        return why_set(why, -ENOMEM, "bus: out of memory");
    bus->calls = *calls;
    bus->listeners.lock = bus->requests.lock = -1;
    if (!(bus->context = zmq_ctx_new())) {
        free(bus);
        return why_set(why, -ENOMEM, "bus: out of memory");
    }
    zmq_ctx_set(bus->context, ZMQ_IO_THREADS, 1);
    if ((error = end_open(bus, &bus->listeners, ZMQ_XPUB, bus_address, SUBSCRIPTION_BYTES, why)) != 0
        || (error = end_open(bus, &bus->requests, ZMQ_ROUTER, control_address, 4 * REQUEST_BYTES, why)) != 0)
        goto failed;
    if ((error = end_watch(&bus->listeners, loop, why)) != 0)
        goto failed;
    if ((error = end_watch(&bus->requests, loop, why)) != 0) {
        end_unwatch(&bus->listeners, loop);
        goto failed;
    }
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
        (uv_handle_t *)&bus->listeners.poll, (uv_handle_t *)&bus->requests.poll, (uv_handle_t *)&bus->check,
        (uv_handle_t *)&bus->prepare,        (uv_handle_t *)&bus->idle,          (uv_handle_t *)&bus->look,
    };

    bus->closed = closed;
    bus->closed_context = context;
    bus->handles = sizeof handles / sizeof *handles;
    for (size_t i = 0; i < sizeof handles / sizeof *handles; i++)
        uv_close(handles[i], on_closed);
}
