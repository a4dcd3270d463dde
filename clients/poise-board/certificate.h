/* The certificate with which pages are served on a network: given, or made once and kept. */
#ifndef BOARD_CERTIFICATE_H
#define BOARD_CERTIFICATE_H

#include <stdbool.h>

#include "poise/why.h"

enum { CERTIFICATE_PRINT_SIZE = 96 }; /* SHA-256 as pairs of digits with colons between */

struct certificate {
    char *pem;                          /* certificate and key; owned */
    char print[CERTIFICATE_PRINT_SIZE]; /* to be compared with what a browser shows */
};

/* Whether this place to listen ("127.0.0.1:8470", "[::1]:0") is on this machine alone. */
bool certificate_local(const char *listen);

/* Reads the file; where `make` is set and there is none, or it has expired, makes one for this host name and address.
 * A file with a key that others can read is refused.  certificate_free. */
int certificate_open(struct certificate *out, const char *path, bool make, const char *listen, struct why *why);
void certificate_free(struct certificate *certificate);

#endif
