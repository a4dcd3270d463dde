/* What one connection may cost; see door.h.  accept4 and recv run on libzmq's thread, the rest on the loop's. */
#include "door.h"

#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <stdatomic.h>
#include <stddef.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/un.h>
#include <time.h>
#include <unistd.h>

enum {
    DESCRIPTORS_MOST = 4096, /* a connection of a higher number is refused */
    DOORS_MOST = 8,
    ORIGINS = 256,        /* buckets of network addresses, for how often each may connect */
    CONNECT_AT_ONCE = 64, /* a handshake costs a fraction of a millisecond of CPU; a client makes four at most */
    CONNECT_EVERY_MS = 125,
    SUBSCRIBE_AT_ONCE = 1000, /* changes of subscriptions ... */
    SUBSCRIBE_EVERY_MS = 20   /* ... and one more so often */
};

struct door {
    struct sockaddr_un local; /* sun_path empty: of the network */
    int port;
    size_t undelivered_most;
};

struct connection {
    atomic_uint generation; /* one more with each that is accepted; 0: never one of ours */
    atomic_size_t undelivered;
    size_t undelivered_most; /* written before generation */
    uint64_t origin;
    atomic_uint_least64_t inode;
    /* of the loop's thread */
    uint32_t seen; /* the generation that the rest is about */
    uint32_t owner;
    int subscriptions, changes_left;
    int64_t changed_ms;
};

static struct door doors[DOORS_MOST];
static atomic_int door_count;
static atomic_size_t own_undelivered_most; /* 0: what we connect to is not watched */
static struct connection connections[DESCRIPTORS_MOST];
/* of libzmq's thread */
static int highest; /* no open connection has a higher number */
static int next_number;
static struct origin {
    int left;
    int64_t at_ms;
} origins[ORIGINS];

static int64_t now_ms(void)
{
    struct timespec now;

    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

int door_watch(const char *path, int port, size_t undelivered_most)
{
    int count = atomic_load(&door_count);
    struct door *door = &doors[count];

    if (count == DOORS_MOST || (path && strlen(path) >= sizeof door->local.sun_path))
        return -ENOSPC;
    *door = (struct door){ .port = port, .undelivered_most = undelivered_most };
    if (path)
        strcpy(door->local.sun_path, path);
    atomic_store(&door_count, count + 1);
    return 0;
}

void door_watch_own(size_t undelivered_most)
{
    atomic_store(&own_undelivered_most, undelivered_most);
}

void door_forget_all(void)
{
    atomic_store(&door_count, 0);
}

/* ---- on libzmq's thread ---- */

union address {
    struct sockaddr any;
    struct sockaddr_un local;
    struct sockaddr_in four;
    struct sockaddr_in6 six;
};

static const struct door *door_of(int listener)
{
    union address here = { .any.sa_family = AF_UNSPEC };
    socklen_t size = sizeof here;
    int count = atomic_load(&door_count), port = -1;

    if (getsockname(listener, &here.any, &size) != 0)
        return NULL;
    if (here.any.sa_family == AF_INET)
        port = ntohs(here.four.sin_port);
    else if (here.any.sa_family == AF_INET6)
        port = ntohs(here.six.sin6_port);
    for (int i = 0; i < count; i++)
        if (port >= 0 ? doors[i].port == port
                      : here.any.sa_family == AF_UNIX && doors[i].local.sun_path[0]
                            && strcmp(doors[i].local.sun_path, here.local.sun_path) == 0)
            return &doors[i];
    return NULL;
}

/* The user, or the address: the network of a subscriber (64 bits) where it is IPv6.  False: it is gone already. */
static bool origin_of(int descriptor, bool *network, uint64_t *out)
{
    union address there = { .any.sa_family = AF_UNSPEC };
    socklen_t size = sizeof there;
    struct ucred who = { .uid = (uid_t)-1 };
    socklen_t who_size = sizeof who;
    uint64_t origin;

    if (getpeername(descriptor, &there.any, &size) != 0) /* libzmq would know no address of it either */
        return false;
    *network = there.any.sa_family != AF_UNIX;
    if (!*network) {
        if (getsockopt(descriptor, SOL_SOCKET, SO_PEERCRED, &who, &who_size) != 0)
            return false;
        *out = who.uid;
        return true;
    }
    if (there.any.sa_family == AF_INET) {
        *out = UINT64_C(1) << 63 | there.four.sin_addr.s_addr;
        return true;
    }
    memcpy(&origin, &there.six.sin6_addr, sizeof origin);
    if (IN6_IS_ADDR_V4MAPPED(&there.six.sin6_addr))
        memcpy(&origin, (const char *)&there.six.sin6_addr + sizeof origin, sizeof origin);
    *out = UINT64_C(1) << 63 | origin;
    return true;
}

/* Tokens of one bucket: so many at once, one more so often. */
static bool take_token(int *left, int64_t *at_ms, int most, int every_ms)
{
    int64_t now = now_ms(), earned = (now - *at_ms) / every_ms;

    if (*at_ms == 0 || earned >= most) {
        *left = most;
        *at_ms = now;
    } else if (earned > 0) {
        *left = *left + (int)earned < most ? *left + (int)earned : most;
        *at_ms += earned * every_ms;
    }
    if (*left == 0)
        return false;
    --*left;
    return true;
}

static bool may_connect(uint64_t origin)
{
    struct origin *bucket = &origins[(origin ^ origin >> 8 ^ origin >> 16 ^ origin >> 24) % ORIGINS];

    return take_token(&bucket->left, &bucket->at_ms, CONNECT_AT_ONCE, CONNECT_EVERY_MS);
}

/* Nobody reports a close: whether a connection is still the one that was accepted shows in its inode. */
static bool is_open(int descriptor)
{
    struct stat status;

    return atomic_load(&connections[descriptor].generation) && fstat(descriptor, &status) == 0
           && status.st_ino == connections[descriptor].inode;
}

static bool is_room(uint64_t origin)
{
    int all = 0, same = 0;

    for (int i = 0; i <= highest; i++)
        if (connections[i].inode && is_open(i)) {
            all++;
            same += connections[i].origin == origin;
        } else {
            connections[i].inode = 0;
        }
    while (highest > 0 && !connections[highest].inode)
        highest--;
    return all < CONNECTIONS_MOST && same < CONNECTIONS_OF_ONE_MOST;
}

/* What is still queued of a connection that is gone names its descriptor, and would be held against the next one there.
 * So numbers go round: each is given again only after thousands of others.  That of the system where there is no other.
 */
static int renumber(int descriptor)
{
    int other = fcntl(descriptor, F_DUPFD_CLOEXEC, next_number);

    if (other < 0 || other >= DESCRIPTORS_MOST) { /* the end of ours, or of the system's */
        if (other >= 0)
            close(other);
        other = fcntl(descriptor, F_DUPFD_CLOEXEC, 0);
    }
    if (other < 0)
        return descriptor;
    close(descriptor);
    next_number = other + 1;
    return other;
}

static bool admit(const struct door *door, int descriptor)
{
    struct connection *connection;
    struct stat status;
    uint64_t origin;
    bool network;

    if (descriptor >= DESCRIPTORS_MOST || fstat(descriptor, &status) != 0 || !origin_of(descriptor, &network, &origin)
        || (network && !may_connect(origin)) || !is_room(origin))
        return false;
    connection = &connections[descriptor];
    connection->origin = origin;
    connection->inode = status.st_ino;
    highest = descriptor > highest ? descriptor : highest;
    connection->undelivered_most = door->undelivered_most;
    atomic_store(&connection->undelivered, 0);
    atomic_fetch_add(&connection->generation, 1);
    return true;
}

static void watch_own(int descriptor)
{
    size_t most = atomic_load(&own_undelivered_most);
    struct connection *connection;
    struct stat status;

    if (!most || descriptor < 0 || descriptor >= DESCRIPTORS_MOST || fstat(descriptor, &status) != 0)
        return;
    connection = &connections[descriptor];
    connection->inode = status.st_ino;
    connection->undelivered_most = most;
    atomic_store(&connection->undelivered, 0);
    atomic_fetch_add(&connection->generation, 1);
}

/* In place of the C library's, for libzmq; named apart here, since its headers wrap recv. */
__attribute__((visibility("default"))) int door_accept(int listener, struct sockaddr *address, socklen_t *size,
                                                       int flags) __asm__("accept4");
__attribute__((visibility("default"))) ssize_t door_recv(int descriptor, void *out, size_t size,
                                                         int flags) __asm__("recv");
__attribute__((visibility("default"))) int door_connect(int descriptor, const struct sockaddr *address,
                                                        socklen_t size) __asm__("connect");

int door_connect(int descriptor, const struct sockaddr *address, socklen_t size)
{
    watch_own(descriptor);
    return (int)syscall(SYS_connect, descriptor, address, size);
}

int door_accept(int listener, struct sockaddr *address, socklen_t *size, int flags)
{
    int descriptor = (int)syscall(SYS_accept4, listener, address, size, flags);
    const struct door *door = descriptor < 0 ? NULL : door_of(listener);

    if (!door)
        return descriptor;
    descriptor = renumber(descriptor);
    if (admit(door, descriptor))
        return descriptor;
    close(descriptor);
    errno = ECONNABORTED; /* which libzmq takes for a peer that left at once */
    return -1;
}

ssize_t door_recv(int descriptor, void *out, size_t size, int flags)
{
    ssize_t count = syscall(SYS_recvfrom, descriptor, out, size, flags, NULL, NULL);
    struct connection *connection;

    if (count <= 0 || descriptor >= DESCRIPTORS_MOST)
        return count;
    connection = &connections[descriptor];
    if (!atomic_load(&connection->generation) || !connection->inode
        || atomic_fetch_add(&connection->undelivered, (size_t)count) <= connection->undelivered_most)
        return count;
    if (!is_open(descriptor)) { /* it has become something else since */
        connection->inode = 0;
        return count;
    }
    errno = ECONNRESET;
    return -1;
}

/* ---- on the loop's thread ---- */

/* The connection that a message came by, as far as the loop knows it. */
static struct connection *seen(int descriptor)
{
    struct connection *connection;
    uint32_t generation;

    if (descriptor < 0 || descriptor >= DESCRIPTORS_MOST)
        return NULL;
    connection = &connections[descriptor];
    generation = atomic_load(&connection->generation);
    if (generation != connection->seen) {
        connection->seen = generation;
        connection->owner = 0;
        connection->subscriptions = 0;
        connection->changed_ms = 0;
    }
    return generation ? connection : NULL;
}

void door_delivered(int descriptor)
{
    struct connection *connection = seen(descriptor);

    if (connection)
        atomic_store(&connection->undelivered, 0);
}

bool door_subscribed(int descriptor, int change)
{
    struct connection *connection = seen(descriptor);

    if (!connection)
        return true;
    atomic_store(&connection->undelivered, 0);
    connection->subscriptions += change;
    if (connection->subscriptions <= SUBSCRIPTIONS_MOST
        && take_token(&connection->changes_left, &connection->changed_ms, SUBSCRIBE_AT_ONCE, SUBSCRIBE_EVERY_MS))
        return true;
    shutdown(descriptor, SHUT_RDWR);
    return false;
}

void door_mark(int descriptor, uint32_t owner)
{
    struct connection *connection = seen(descriptor);

    if (connection)
        connection->owner = owner;
}

int door_cut(bool (*pick)(void *context, uint32_t owner), void *context)
{
    int count = 0;

    for (int i = 0; i < DESCRIPTORS_MOST; i++) {
        struct connection *connection = &connections[i];

        if (!connection->seen || connection->seen != atomic_load(&connection->generation) || !connection->owner
            || !pick(context, connection->owner))
            continue;
        connection->owner = 0;
        count += shutdown(i, SHUT_RDWR) == 0;
    }
    return count;
}
