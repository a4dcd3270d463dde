/* A port that comes (back) is opened at once: the nearest folder on its way that is there is watched, but only
 * while the port is missing.  Where that cannot be, the slow retry finds the port a little later. */
#include "instrument_parts.h"

#include <errno.h>
#include <limits.h>
#include <string.h>
#include <sys/inotify.h>
#include <unistd.h>

static void on_folders(uv_poll_t *poll, int status, int events);

static void on_closed(uv_handle_t *handle)
{
    instruments_handle_closed(handle->data);
}

void folders_open(struct instruments *all)
{
    all->folders_fd = inotify_init1(IN_NONBLOCK | IN_CLOEXEC);
    if (all->folders_fd < 0)
        return;
    if (uv_poll_init(all->loop, &all->folders, all->folders_fd) < 0) {
        close(all->folders_fd);
        all->folders_fd = -1;
        return;
    }
    all->folders.data = all;
    all->handles++;
    if (uv_poll_start(&all->folders, UV_READABLE, on_folders) < 0)
        folders_close(all);
}

void folders_close(struct instruments *all)
{
    if (all->folders_fd < 0)
        return;
    uv_poll_stop(&all->folders);
    uv_close((uv_handle_t *)&all->folders, on_closed);
    close(all->folders_fd);
    all->folders_fd = -1;
}

/* Longest prefix of the path, shorter than `most`, that ends before a slash ("/" itself for the root);
 * 0: none. */
static size_t parent(const char *path, size_t most)
{
    while (most > 0 && path[--most] != '/')
        ;
    while (most > 1 && path[most - 1] == '/')
        most--;
    return most > 0 ? most : path[0] == '/';
}

void folders_watch(struct instrument *instrument)
{
    const char *path = instrument->config->port;
    char folder[PATH_MAX];
    size_t length = strlen(path);
    int watch = -1;

    if (instrument->all->folders_fd < 0 || length >= sizeof folder)
        return;
    memcpy(folder, path, length + 1);
    while (watch < 0 && length > 1) {
        length = parent(path, length);
        folder[length] = '\0';
        watch = inotify_add_watch(instrument->all->folders_fd, folder,
                                  IN_CREATE | IN_MOVED_TO | IN_ATTRIB | IN_DELETE_SELF | IN_MOVE_SELF | IN_ONLYDIR);
    }
    if (watch != instrument->watch)
        folders_forget(instrument);
    instrument->watch = watch;
    instrument->watch_length = length;
}

void folders_forget(struct instrument *instrument)
{
    struct instruments *all = instrument->all;
    int watch = instrument->watch;

    instrument->watch = -1;
    if (watch < 0 || all->folders_fd < 0)
        return;
    for (int i = 0; i < all->count; i++)
        if (all->list[i]->watch == watch)
            return;
    inotify_rm_watch(all->folders_fd, watch);
}

/* Does this event lie on the way to the port? */
static bool concerns(const struct instrument *instrument, const struct inotify_event *event)
{
    const char *rest;
    size_t length;

    if (instrument_is_open(instrument) || instrument->watch < 0)
        return false;
    if (event->mask & IN_Q_OVERFLOW)
        return true;
    if (event->wd != instrument->watch)
        return false;
    if (event->len == 0)
        return true; /* the folder itself went or changed */
    rest = instrument->config->port + instrument->watch_length;
    rest += strspn(rest, "/");
    length = strcspn(rest, "/");
    return strlen(event->name) == length && strncmp(event->name, rest, length) == 0;
}

static void on_event(struct instruments *all, const struct inotify_event *event)
{
    for (int i = 0; i < all->count; i++) {
        struct instrument *instrument = all->list[i];

        if (!concerns(instrument, event))
            continue;
        if (event->mask & IN_IGNORED)
            instrument->watch = -1; /* the kernel has dropped the watch with its folder */
        all->port->came(instrument);
    }
}

static void on_folders(uv_poll_t *poll, int status, int events)
{
    struct instruments *all = poll->data;
    char buffer[4096] __attribute__((aligned(__alignof__(struct inotify_event))));
    ssize_t length;

    (void)events;
    if (status < 0)
        return;
    length = read(all->folders_fd, buffer, sizeof buffer);
    for (ssize_t at = 0; at < length;) {
        const struct inotify_event *event = (const struct inotify_event *)(buffer + at);

        on_event(all, event);
        at += (ssize_t)(sizeof *event + event->len);
    }
}
