/* Folders watched by inotify; see folders.h. */
#include "folders.h"

#include <assert.h>
#include <limits.h>
#include <stdlib.h>
#include <string.h>
#include <sys/inotify.h>
#include <unistd.h>

struct folders {
    uv_poll_t poll;
    int inotify;
    struct folder_wait *first;
    void (*closed)(void *context);
    void *closed_context;
};

static void on_closed(uv_handle_t *handle)
{
    struct folders *folders = handle->data;

    if (folders->closed)
        folders->closed(folders->closed_context);
    free(folders);
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

/* inotify has one number for a folder, however many wait for something in it. */
static void release(struct folders *folders, int watch)
{
    for (const struct folder_wait *wait = folders->first; wait; wait = wait->next)
        if (wait->watch == watch)
            return;
    if (watch >= 0)
        inotify_rm_watch(folders->inotify, watch);
}

void folders_wait(struct folders *folders, struct folder_wait *wait, const char *path)
{
    int before = wait->waiting ? wait->watch : -1;
    char folder[PATH_MAX];
    size_t length = strlen(path);

    if (!folders || length >= sizeof folder)
        return;
    if (!wait->waiting) {
        wait->next = folders->first;
        folders->first = wait;
        wait->waiting = true;
    }
    wait->path = path;
    wait->watch = -1;
    memcpy(folder, path, length + 1);
    while (wait->watch < 0 && length > 1) {
        length = parent(path, length);
        folder[length] = '\0';
        wait->watch = inotify_add_watch(
            folders->inotify, folder, IN_CREATE | IN_MOVED_TO | IN_ATTRIB | IN_DELETE_SELF | IN_MOVE_SELF | IN_ONLYDIR);
    }
    wait->length = length;
    release(folders, before);
}

void folders_forget(struct folders *folders, struct folder_wait *wait)
{
    struct folder_wait **at;

    if (!folders || !wait->waiting)
        return;
    for (at = &folders->first; *at != wait; at = &(*at)->next)
        assert(*at);
    *at = wait->next;
    wait->waiting = false;
    release(folders, wait->watch);
}

/* Does this event lie on the way to the path? */
static bool concerns(const struct folder_wait *wait, const struct inotify_event *event)
{
    const char *rest;
    size_t length;

    if (wait->watch < 0)
        return false;
    if (event->mask & IN_Q_OVERFLOW)
        return true;
    if (event->wd != wait->watch)
        return false;
    if (event->len == 0)
        return true; /* the folder itself went or changed */
    rest = wait->path + wait->length;
    rest += strspn(rest, "/");
    length = strcspn(rest, "/");
    return strlen(event->name) == length && strncmp(event->name, rest, length) == 0;
}

static void on_event(struct folders *folders, const struct inotify_event *event)
{
    struct folder_wait *next;

    for (struct folder_wait *wait = folders->first; wait; wait = next) {
        next = wait->next; /* it may be forgotten as it comes */
        if (!concerns(wait, event))
            continue;
        if (event->mask & IN_IGNORED)
            wait->watch = -1; /* the kernel has dropped the watch with its folder */
        wait->came(wait->context);
    }
}

static void on_readable(uv_poll_t *poll, int status, int events)
{
    struct folders *folders = poll->data;
    char buffer[4096] __attribute__((aligned(__alignof__(struct inotify_event))));
    ssize_t length;

    (void)events;
    if (status < 0)
        return;
    length = read(folders->inotify, buffer, sizeof buffer);
    for (ssize_t at = 0; at < length;) {
        const struct inotify_event *event = (const struct inotify_event *)(buffer + at);

        on_event(folders, event);
        at += (ssize_t)(sizeof *event + event->len);
    }
}

struct folders *folders_open(uv_loop_t *loop)
{
    struct folders *folders = calloc(1, sizeof *folders);

    if (!folders)
        return NULL;
    folders->inotify = inotify_init1(IN_NONBLOCK | IN_CLOEXEC);
    if (folders->inotify < 0 || uv_poll_init(loop, &folders->poll, folders->inotify) < 0) {
        if (folders->inotify >= 0)
            close(folders->inotify);
        free(folders);
        return NULL;
    }
    folders->poll.data = folders;
    if (uv_poll_start(&folders->poll, UV_READABLE, on_readable) < 0) {
        folders_close(folders, NULL, NULL);
        return NULL;
    }
    return folders;
}

void folders_close(struct folders *folders, void (*closed)(void *context), void *context)
{
    if (!folders) {
        closed(context);
        return;
    }
    folders->closed = closed;
    folders->closed_context = context;
    uv_poll_stop(&folders->poll);
    close(folders->inotify);
    uv_close((uv_handle_t *)&folders->poll, on_closed);
}
