/* Where the bench's sockets, its journal and its store are, and whether their folder is to be trusted.
 *
 * The system's bench lives in /run/poise and /var/lib/poise: for a program that the service manager starts
 * (RUNTIME_DIRECTORY and STATE_DIRECTORY are set), for root, and for a client wherever they exist.  Else a bench is its
 * user's own, in $XDG_RUNTIME_DIR/poise (or $XDG_DATA_HOME/poise) and $XDG_DATA_HOME/poise (or ~/.local/share/poise).
 * Nothing is ever looked for in /tmp, where anybody may have been first. */
#ifndef POISE_PLACE_H
#define POISE_PLACE_H

#include <stddef.h>

#include "poise/why.h"

#pragma GCC visibility push(default)

enum { PLACE_FOLDER_SIZE = 220 }; /* suffices for a folder, and leaves room behind it where 256 bytes hold a socket */

/* For a client: the option if given, else POISE_BUS, POISE_CONTROL or POISE_STORE, else the system's bench when it is
 * there (also when this user may not enter), else the user's own.  `option` may be NULL.  Each writes into out and
 * returns it. */
char *place_bus(const char *option, char *out, size_t size);
char *place_control(const char *option, char *out, size_t size);
char *place_store(const char *option, char *out, size_t size);

/* The store's usual file, whatever POISE_STORE names. */
char *place_own_store(char *out, size_t size);

/* The client's key file for a bench on a network: the option, else POISE_KEY, else NULL: none. */
const char *place_key(const char *option);

/* For the daemon: the folder of its sockets, and of what it keeps. */
char *place_runtime(char *out, size_t size);
char *place_data(char *out, size_t size);

/* The user's own folder, also where the bench is the system's: for what nobody else may read, as the key of a tasting.
 */
char *place_own_data(char *out, size_t size);

/* Whether a file or socket at this path can only have been put there by root, by the user poise, or by the user who
 * asks: its folder (or, while that is missing, the nearest above it), and itself where it is there, are theirs, and the
 * folder is not writable for everybody.  Root is not exempt.  0; -EPERM or -EACCES with a sentence that names the place
 * and the remedy; another negative errno when the place cannot be looked at. */
int place_trusted(const char *path, struct why *why);

#pragma GCC visibility pop

#endif
