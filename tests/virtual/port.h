/* A pseudo-terminal under a stable link name: the instrument's end of a wire. */
#ifndef POISE_TESTS_VIRTUAL_PORT_H
#define POISE_TESTS_VIRTUAL_PORT_H

#include <stdbool.h>

#include "poise/why.h"

struct port {
    char link[256];
    int fd; /* -1: unplugged */
};

/* Opens a terminal and puts the link in place (an old link is replaced, anything else is left alone and
 * refused).  Returns 0, or a negative errno with a sentence. */
int port_plug(struct port *port, const char *folder, const char *name, struct why *why);

/* Takes the link away and closes: readers see the device go. */
void port_unplug(struct port *port);

/* True while some program has the other end open. */
bool port_heard(const struct port *port);

/* Sends as a wire does: what nobody hears, or a full reader cannot take, is gone. */
void port_send(const struct port *port, const char *bytes, int length);

#endif
