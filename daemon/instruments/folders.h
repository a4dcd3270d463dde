/* Word of a path that comes (back): the nearest folder on its way that is there is watched, by inotify.  Knows nothing
 * of instruments. */
#ifndef POISE_FOLDERS_H
#define POISE_FOLDERS_H

#include <stdbool.h>
#include <stddef.h>
#include <uv.h>

struct folders;

/* One path that is waited for; zeroed memory with these two set is one that nobody waits for. */
struct folder_wait {
    void (*came)(void *context); /* perhaps: look */
    void *context;

    /* folders.c alone */
    struct folder_wait *next;
    const char *path;
    size_t length; /* characters of the path that name the folder that is watched */
    int watch;     /* inotify's number of it */
    bool waiting;
};

/* NULL where the system cannot watch folders: the others take that too, and `came` is never called. */
struct folders *folders_open(uv_loop_t *loop);

/* The loop must run until `closed` is called; at once, where there is nothing to be closed. */
void folders_close(struct folders *folders, void (*closed)(void *context), void *context);

/* Waits for the path, which must stay until folders_forget; or looks again for the nearest folder on its way. */
void folders_wait(struct folders *folders, struct folder_wait *wait, const char *path);
void folders_forget(struct folders *folders, struct folder_wait *wait);

#endif
