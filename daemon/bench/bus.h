/* The sockets: XPUB that everybody may listen to, ROUTER that takes requests.
 *
 * They live on the loop and never block it: a slow listener loses messages of its own, a request that
 * cannot be answered is dropped.  What messages mean is not known here. */
#ifndef POISE_BUS_H
#define POISE_BUS_H

#include <stddef.h>
#include <uv.h>

#include "access.h"

enum { REQUEST_BYTES = 65536 }; /* a request is no longer; a plan file fits in it */

struct bus;

/* Where a request came from: the routing frames, to be handed to bus_reply. */
struct bus_peer {
    size_t length;
    unsigned char frames[300]; /* identity, and an empty frame where the peer is a REQ */
    size_t identity_length;
    struct guest guest; /* who it is, and what he may do */
};

struct bus_calls {
    void *context;
    /* Somebody subscribed to topics that begin so. */
    void (*subscribed)(void *context, const char *prefix, size_t length);
    /* All subscriptions and requests of this wake-up were handed over. */
    void (*settled)(void *context);
    /* A request; text is not NUL-terminated.  length may be above REQUEST_BYTES: then say so. */
    void (*request)(void *context, const struct bus_peer *peer, const char *text, size_t length);
};

/* Binds both to all their addresses, with folders, lock files, modes and keys as each needs; without an address for
 * requests there are none.
 * Returns 0 or a negative errno with a sentence. */
int bus_open(struct bus **out, uv_loop_t *loop, const struct config *config, const struct bus_calls *calls,
             struct why *why);

/* Others may come in, or do other things; who may not any more is cut off.  The addresses stay. */
void bus_reconfigure(struct bus *bus, const struct config *config);

/* Closes the handles; when the loop has let go of them, unbinds, removes the sockets, frees, and calls
 * `closed`. */
void bus_close(struct bus *bus, void (*closed)(void *context), void *context);

/* To whoever subscribed. */
void bus_publish(struct bus *bus, const char *topic, size_t topic_length, const char *text, size_t length);

/* To one peer; -EHOSTUNREACH or -EAGAIN when it is gone or does not read. */
int bus_reply(struct bus *bus, const struct bus_peer *peer, const char *text, size_t length);

#endif
