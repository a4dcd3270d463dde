/* Who may do what at the bench: the peers' names and roles.
 *
 * On this machine a peer is the user that the kernel says it is (SO_PEERCRED, which libzmq hands on as the address of a
 * peer); whoever the socket's mode lets in may listen, and may give orders unless the configuration names a group for
 * that.  Over a network a peer is the key it has proved (CURVE), and nothing without one: libzmq asks here (ZAP, RFC 27
 * of ZeroMQ) before it lets a connection live. */
#ifndef POISE_ACCESS_H
#define POISE_ACCESS_H

#include <stdbool.h>
#include <stdint.h>

#include "config/config.h"
#include "poise/why.h"

struct access;

struct guest {
    char name[ASKED_BY_SIZE]; /* of the user, or of the [client NAME]; "uid 1000" where the user has no name */
    enum role role;
    uint32_t owner; /* for door_mark: names a client of the network; 0 on this machine */
};

/* Must come before anything is bound in this context.  Reads the bench's key where the configuration names one. */
int access_open(struct access **out, void *context, const struct config *config, struct why *why);

/* What is bound to this socket from now on is for the network, and only for who has a key. */
int access_for_network(const struct access *access, void *socket, struct why *why);

/* Who sent it: a zmq_msg_t as received.  ROLE_NONE: a client that is no longer let in. */
void access_guest(struct access *access, void *message, struct guest *out);

/* Other clients, roles or groups; who lost a role is cut off.  The configuration must outlive the next call. */
void access_reconfigure(struct access *access, const struct config *config);

/* What libzmq asked is answered; true: there is more.  For the loop, when the descriptor has woken it. */
bool access_answer(struct access *access);
void *access_socket(struct access *access); /* NULL: nobody asks, for there are no keys */

void access_free(struct access *access);

#endif
