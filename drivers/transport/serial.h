/* Serial ports: found, opened and set by libserialport; pseudo-terminals opened directly in raw mode.
 *
 * Opening resolves links once, takes the port for ourselves (flock, TIOCEXCL), sets CLOEXEC, no
 * hang-up on close, low latency where the adapter allows it, and reads the settings back. */
#ifndef POISE_TRANSPORT_SERIAL_H
#define POISE_TRANSPORT_SERIAL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>
#include <termios.h>

#include "poise/why.h"

/* What becomes of the lines DTR and RTS, which reset some boards.  The kernel raises both whenever a port is opened,
 * before any program can say otherwise. */
enum serial_line { SERIAL_LINE_LEAVE, SERIAL_LINE_ON, SERIAL_LINE_OFF };

struct serial_settings {
    int baud;      /* 300 to 921600 */
    int bits;      /* 7 or 8 */
    char parity;   /* 'N', 'E', 'O' */
    int stop_bits; /* 1 or 2 */
    enum serial_line dtr, rts;
};

/* "9600 8N1", which is also what NULL stands for.  Returns 0, or -EINVAL with a sentence. */
int serial_settings_parse(const char *text, struct serial_settings *out, struct why *why);

/* "on", "off" or "leave", which is also what NULL stands for.  Returns 0, or -EINVAL with a sentence that names the
 * key. */
int serial_line_parse(const char *key, const char *text, enum serial_line *out, struct why *why);

/* The port behind a by-id link or a name of one's own: two paths that lead to the same are one port.  0 or a
 * negative errno. */
int serial_resolve(const char *path, char *out, size_t size);

bool serial_is_pseudo(dev_t device); /* a pseudo-terminal's number, as st_rdev has it */

/* Which link leads to a pseudo-terminal; all zero: the path leads to none by a link. */
struct serial_link {
    uint64_t inode;
    int64_t changed_s, changed_ns;
};

/* The last link of a path whose end is a pseudo-terminal, be that there or gone.  A pseudo-terminal that is gone never
 * comes back, but its number is given to the next, which may be anybody's: a link that has led to one that is gone is
 * not to be followed until it is made again. */
struct serial_link serial_link_of(const char *path);
bool serial_link_same(struct serial_link a, struct serial_link b); /* and there is one */

struct serial;

/* Opens the port, non-blocking.  Lines that are reported are switched right after the port is open (a pseudo-terminal
 * has none); they stay so when it is closed.  Returns 0, or a negative errno with a sentence that says what to do:
 * -ENOENT not there, -EACCES not allowed, -EBUSY in use by another program, -EIO settings refused. */
int serial_open(struct serial **out, const char *path, const struct serial_settings *settings, struct why *why);

/* For the loop to watch.  Bytes are read and written with read() and write(); POLLHUP, POLLERR, or
 * readable with 0 bytes means the device is gone. */
int serial_fd(const struct serial *serial);

/* Gives the port back with the settings it had, except that closing does not hang up. */
void serial_close(struct serial *serial);

/* The ports of this computer, as libserialport finds them: paths, ended by NULL, freed with serial_list_free.
 * 0, or a negative errno with a sentence. */
int serial_list(char ***out, struct why *why);
void serial_list_free(char **list);

/* The link below /dev/serial/by-id that stays when the adapter is plugged in elsewhere, in out; or the path itself
 * where there is none, from the root of the file system on. */
const char *serial_lasting_path(const char *path, char *out, size_t size);

/* Lets the terminal echo nothing: a fresh port would send what waits in it back to the instrument. */
int serial_hush(int fd, const struct termios *before);

#endif
