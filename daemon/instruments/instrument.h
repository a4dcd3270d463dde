/* One instrument: its device, driver, buffer, deadlines and the way back after a loss.
 *
 * It opens its port, tries again after a loss (a slow retry, and at once when udev says the device is
 * back), frames and decodes what arrives, counts rejects by reason, notices silence and floods, and
 * hands readings to its sink.  It knows nothing of brews. */
#ifndef POISE_INSTRUMENT_H
#define POISE_INSTRUMENT_H

#include <uv.h>

#include "config/config.h"
#include "poise/clock.h"
#include "transport/usb_choice.h"

struct instruments;

/* Where readings and changes go; instruments are named by their place in the configuration. */
struct instrument_sink {
    void *context;
    /* 0, or a negative errno when it cannot be passed on: then it counts as a reject. */
    int (*reading)(void *context, int instrument, const struct reading *reading, struct moment at);
    void (*changed)(void *context, int instrument, enum instrument_change change, const char *detail);
    /* What happens between these two belongs together. */
    void (*hold)(void *context);
    void (*release)(void *context);
};

/* Makes all instruments of the configuration ready; their ports are opened when a sink is attached, those
 * that are not there are tried later.  The configuration must outlive them, or be replaced. */
int instruments_open(struct instruments **out, uv_loop_t *loop, const struct config *config, const struct clock *clock,
                     struct why *why);

/* Opens the ports; from now on readings and changes go there (instruments are made first, so that whoever listens may
 * describe them). */
void instruments_attach(struct instruments *instruments, const struct instrument_sink *sink);

/* A new configuration: ports that stay the same stay open; others are closed, added or dropped.  Nothing is
 * reported until instruments_attach is called again, so that the listener can take the configuration in between.
 * On failure all is as it was. */
int instruments_reconfigure(struct instruments *instruments, const struct config *config, struct why *why);

/* Reports which HID interfaces are plugged in: now, and after every change.  0 or a negative errno with a
 * sentence. */
int instruments_watch_usb(struct instruments *instruments,
                          void (*seen)(void *context, const struct usb_found *list, int count), void *context,
                          struct why *why);

/* The computer slept for so long: time that counts as nobody's silence. */
void instruments_slept(struct instruments *instruments, int64_t slept_us);

/* Gives every port back.  The loop must run until the handles are gone. */
void instruments_close(struct instruments *instruments);

/* Context is the struct instruments, so that the bench can call them without knowing it. */
int instruments_order(void *context, int instrument, enum order order, struct why *why);
int instruments_describe(void *context, int instrument, int64_t now_us, char *out, size_t size);

#endif
