/* One poised per bench: folders for sockets and files, and lock files that a second poised runs into.
 * Not for the sockets themselves: bus.h. */
#ifndef POISE_LOCK_H
#define POISE_LOCK_H


#include "poise/why.h"

/* Makes the folder of a path, and those above it, with mode 0750 where they are missing.
 * Returns 0 or a negative errno. */
int folder_make_for(const char *path, struct why *why);

/* Locks PATH.lock, made if missing.  Returns a descriptor that holds the lock until it is closed (or
 * its process is killed, however), -EBUSY when another process holds it, or another negative errno. */
int lock_take(const char *path, struct why *why);

/* Gives a path to the group `poise` where it exists and we may; otherwise it stays as it is. */
void give_to_group(const char *path);

#endif
