/* Pseudo-terminals.  See port.h. */
#include "port.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

/* A terminal that was never opened looks as if somebody listened; one that was opened and closed does not. */
static int open_raw(int fd, const char **device)
{
    struct termios settings;
    int other;

    if (grantpt(fd) < 0 || unlockpt(fd) < 0 || !(*device = ptsname(fd)))
        return -errno;
    other = open(*device, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (other < 0)
        return -errno;
    if (tcgetattr(other, &settings) == 0) {
        cfmakeraw(&settings);
        tcsetattr(other, TCSANOW, &settings);
    }
    close(other);
    return 0;
}

int port_plug(struct port *port, const char *folder, const char *name, struct why *why)
{
    const char *device = NULL;
    struct stat there;
    int fd, error;

    port->fd = -1;
    if (snprintf(port->link, sizeof port->link, "%s/%s", folder, name) >= (int)sizeof port->link)
        return why_set(why, -ENAMETOOLONG, "%s/%s: the name is too long", folder, name);
    if (lstat(port->link, &there) == 0 && !S_ISLNK(there.st_mode))
        return why_set(why, -EEXIST, "%s is in the way and is no link", port->link);
    fd = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0)
        return why_set(why, -errno, "no pseudo-terminal: %s", strerror(errno));
    error = open_raw(fd, &device);
    if (!error) {
        unlink(port->link);
        error = symlink(device, port->link) < 0 ? -errno : 0;
    }
    if (error) {
        close(fd);
        return why_set(why, error, "%s: %s", port->link, strerror(-error));
    }
    port->fd = fd;
    return 0;
}

void port_unplug(struct port *port)
{
    if (port->fd < 0)
        return;
    unlink(port->link);
    close(port->fd);
    port->fd = -1;
}

bool port_heard(const struct port *port)
{
    struct pollfd watched = { .fd = port->fd, .events = POLLIN };

    return port->fd >= 0 && poll(&watched, 1, 0) >= 0 && !(watched.revents & POLLHUP);
}

void port_send(const struct port *port, const char *bytes, int length)
{
    if (length > 0 && port_heard(port) && write(port->fd, bytes, (size_t)length) < 0)
        return; /* the reader is full: the line is lost, as on a wire */
}
