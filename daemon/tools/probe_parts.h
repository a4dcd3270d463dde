/* Inside the probe: what its files share.  Nobody but probe*.c includes this. */
#ifndef POISE_PROBE_PARTS_H
#define POISE_PROBE_PARTS_H

#include <termios.h>

#include "probe.h"

enum { PROBE_PORTS_MOST = 64 }; /* more adapters than any bench has; old computers list 32 empty sockets */

enum probe_verdict { PROBE_SILENT, PROBE_UNCLEAR, PROBE_UNDERSTOOD, PROBE_IN_USE, PROBE_CANNOT_OPEN };

/* One port, and what is known of it. */
struct probed {
    const char *path;
    int kept;              /* open from beginning to end, so that the port hangs up once at most; -1 */
    struct termios found;  /* its settings, to be given back */
    struct serial *serial; /* NULL: closed */
    enum probe_verdict verdict;
    bool better_wanted;   /* understood, but other settings may explain it better */
    const char *settings; /* understood at these */
    struct probe_score score;
    struct why why;          /* in use, or cannot be opened; or settings that it refused */
    char heard[PROBE_WORDS]; /* the beginning of what was not understood */
    uint8_t bytes[PROBE_BYTES];
    size_t length, arrived; /* at these settings; at all */
};

/* Sections to standard output, sentences to standard error, or one JSON object per port.  Returns how many ports
 * make sense. */
int probe_print(const struct probed *ports, int count, const struct probe_options *options);

#endif
