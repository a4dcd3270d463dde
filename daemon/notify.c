/* Informing the service manager how it goes; see notify.h.  Written out because it is one datagram. */
#include "notify.h"

#include <errno.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

void notify_send(const char *state)
{
    const char *path = getenv("NOTIFY_SOCKET");
    struct sockaddr_un address = { .sun_family = AF_UNIX };
    size_t length = path ? strlen(path) : 0;
    int socket_fd;
    ssize_t sent;

    if (length < 2 || length >= sizeof address.sun_path || (path[0] != '/' && path[0] != '@'))
        return;
    memcpy(address.sun_path, path, length);
    if (path[0] == '@')
        address.sun_path[0] = '\0'; /* a socket without a file */
    socket_fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (socket_fd < 0)
        return;
    sent = sendto(socket_fd, state, strlen(state), MSG_NOSIGNAL, (const struct sockaddr *)&address,
                  (socklen_t)(offsetof(struct sockaddr_un, sun_path) + length));
    (void)sent; /* a manager that does not listen learns it from its own deadline */
    close(socket_fd);
}

uint64_t notify_watchdog_us(void)
{
    const char *every = getenv("WATCHDOG_USEC"), *pid = getenv("WATCHDOG_PID");
    unsigned long long every_us;
    char *end;

    if (!every || (pid && strtol(pid, NULL, 10) != getpid()))
        return 0;
    errno = 0;
    every_us = strtoull(every, &end, 10);
    return errno == 0 && *end == '\0' && end != every ? every_us : 0;
}
