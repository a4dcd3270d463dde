/* Any bytes as what a bench answers to `since` and publishes: parts of the input, each behind its length (two bytes)
 * and a byte that says where it comes from.  Handed out is only what a message can be, each number once and upwards. */
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <zmq.h>

#include "wire/client_parts.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length);
int __wrap_zmq_msg_recv(zmq_msg_t *message, void *socket, int flags);
int __wrap_zmq_msg_more(const zmq_msg_t *message);
int __wrap_zmq_send(void *socket, const void *data, size_t length, int flags);
int64_t __wrap_clock_steady_ms(void);

enum { STEPS_MOST = 2000 };

static struct client *client;
static const uint8_t *at, *end;
static int64_t steady_ms;
static bool more;

/* The next part, if it is meant for this socket: bit 0 chooses the history, bit 1 says that another frame follows. */
int __wrap_zmq_msg_recv(zmq_msg_t *message, void *socket, int flags)
{
    size_t size;

    (void)flags;
    if (end - at < 3 || (at[0] & 1) != (socket == client->history)) {
        errno = EAGAIN;
        return -1;
    }
    more = at[0] & 2;
    size = (size_t)(at[1] | at[2] << 8);
    at += 3;
    if (size > (size_t)(end - at))
        size = (size_t)(end - at);
    zmq_msg_close(message);
    if (zmq_msg_init_size(message, size) != 0)
        abort();
    memcpy(zmq_msg_data(message), at, size);
    at += size;
    return (int)size;
}

int __wrap_zmq_msg_more(const zmq_msg_t *message)
{
    (void)message;
    return more;
}

int __wrap_zmq_send(void *socket, const void *data, size_t length, int flags)
{
    (void)socket;
    (void)data;
    (void)flags;
    return (int)length;
}

int64_t __wrap_clock_steady_ms(void)
{
    return steady_ms;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t length)
{
    struct client_options options = {
        .bus = "ipc:///nowhere/bus", .control = "ipc:///nowhere/control", .subscribe = true, .catch_up = true
    };
    uint64_t last = 0;
    struct why why = { "" };

    if (!client) { /* sockets and a context cost more than all the rest: one client, and a new order for each input */
        if (client_open(&client, &options, &why) != 0)
            abort();
    }
    client_order_free(client);
    client->chunk = NULL;
    client->position_known = true;
    client->last = client->covered = client->goal = 0;
    client->latest_us = client->began_us = 0;
    client->held_lost = client->hinted = client->catching_up = false;
    client->asking = NOT_ASKING;
    client->tries = 0;
    client->there = true;
    at = data;
    end = data + length;
    client_order_found(client);
    for (int step = 0; step < STEPS_MOST; step++) {
        struct message message;
        int event;

        why.text[0] = '\0';
        event = client_order_next(client, &message, &why);
        if (event == CLIENT_BAD) {
            if (!why.text[0])
                abort();
            if (strstr(why.text, "read from its beginning"))
                last = 0;
        }
        if (event == CLIENT_MESSAGE) {
            if (message.kind != MESSAGE_STATE && message.common.seq <= last)
                abort(); /* twice, or backwards */
            if (message.kind != MESSAGE_STATE)
                last = message.common.seq;
            message_free(&message);
        }
        if (event == CLIENT_NOTHING && end - at < 3)
            break;
        if (event == CLIENT_NOTHING && !client->history)
            break;
        steady_ms += 50;
    }
    return 0;
}
