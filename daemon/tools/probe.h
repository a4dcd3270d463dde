/* Which settings make sense of what a serial port says: for instruments that nobody has configured yet.
 * Judging is pure (probe_score.c); listening gives every port back as it was found (probe.c). */
#ifndef POISE_PROBE_H
#define POISE_PROBE_H

#include <stdbool.h>
#include <stdint.h>

#include "driver.h"

enum {
    PROBE_SETTINGS_MOST = 5,
    PROBE_WORDS = 128,
    PROBE_BYTES = 4096 /* kept of what a port says: some 200 lines, far more than judging needs */
};

/* How well a layout explains some bytes. */
struct probe_score {
    const char *driver;
    struct setting settings[PROBE_SETTINGS_MOST]; /* as an [instrument] section would have them */
    int setting_count;
    enum quantity quantity;
    const char *doubt;       /* what a person should check, one sentence; NULL: nothing */
    bool parity_bits;        /* the eighth bits were thrown away: 7 bits and parity would be the better setting */
    int whole;               /* frames that are a reading, or a fault in the instrument's own words */
    int rejected;            /* frames that are not; the first, joined in the middle perhaps, counts as neither */
    char heard[PROBE_WORDS]; /* the last whole frame, fit for a terminal */
};

/* The layout of the line driver that explains the bytes best.  0, or -ENOENT when none makes sense of them. */
int probe_line(const uint8_t *bytes, size_t length, struct probe_score *out);

/* The same for the answers to probe_modbus_question, which are not many: one is enough. */
int probe_modbus(const uint8_t *bytes, size_t length, struct probe_score *out);

/* The bytes that ask a Modbus instrument at its usual address for its first register; their count. */
int probe_modbus_question(uint8_t *out, size_t size);

/* True when `a` explains more than `b`, or as much with less doubt. */
bool probe_better(const struct probe_score *a, const struct probe_score *b);

/* True when listening longer can teach nothing new. */
bool probe_settled(const struct probe_score *score);

/* Bytes fit for a terminal: "\r", "\x02" and so on; cut to fit.  Returns out. */
char *probe_words(const uint8_t *bytes, size_t length, char *out, size_t size);

struct probe_options {
    char **ports; /* none: every port that libserialport lists */
    int port_count;
    bool ask; /* may send; without it no byte is sent */
    bool json;
    double seconds;          /* to listen at each setting */
    const char *config_path; /* whose stations the sections name; NULL: there is no file */
};

/* Listens, and prints the sections to paste, or one JSON object per port.  Returns the exit status: 0 when at
 * least one port makes sense. */
int probe_run(const struct probe_options *options);

#endif
