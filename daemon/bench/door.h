/* What one connection may cost the bench.
 *
 * libzmq bounds a message's frames and how many messages wait, but neither a message of frames without end, nor
 * subscriptions, nor connections.  It takes all bytes in with two calls of the C library, accept4 and recv (and
 * connect, where we listen to others), and door.c puts its own in their place: there bytes are counted, and a peer that
 * goes too far is cut off.  The others are served on; who was cut may come again.  Calls for other descriptors go
 * straight to the system. */
#ifndef POISE_DOOR_H
#define POISE_DOOR_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum {
    CONNECTIONS_MOST = 1000,       /* in all; about 40 MB */
    CONNECTIONS_OF_ONE_MOST = 200, /* from one user, or one address of the network */
    SUBSCRIPTIONS_MOST = 500       /* of one connection */
};

/* Connections that are accepted at this socket's path, or this port of the network, are ours from now on.  No more than
 * so many bytes of a peer wait to become whole messages and be delivered.  At most 8 of them; -ENOSPC. */
int door_watch(const char *path, int port, size_t undelivered_most);
void door_forget_all(void);

/* The same bound for connections that we make ourselves, to those we listen to: each of their messages is followed by
 * door_delivered. */
void door_watch_own(size_t undelivered_most);

/* A whole message of this connection has arrived: what it had sent counts no more. */
void door_delivered(int descriptor);

/* It subscribed (1) or took back (-1).  False: it was too much, and the connection is cut. */
bool door_subscribed(int descriptor, int change);

/* Whose connection it is, as a number of the caller's; 0: not known. */
void door_mark(int descriptor, uint32_t owner);

/* Cuts the connections whose owner the function picks; returns how many. */
int door_cut(bool (*pick)(void *context, uint32_t owner), void *context);

#endif
