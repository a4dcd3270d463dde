/* One instrument: its device, driver, buffer, deadlines and the way back after a loss.
 *
 * It opens its port, tries again after a loss (a slow retry, and at once when udev says the device is
 * back), frames and decodes what arrives, counts rejects by reason, notices silence and floods, and
 * hands readings to the bench.  It knows nothing of brews. */
#ifndef POISE_INSTRUMENT_H
#define POISE_INSTRUMENT_H

#include <uv.h>

#include "bench.h"
#include "config.h"

struct instruments;

/* Starts watching all instruments of the configuration; ports that are not there are tried later. */
int instruments_open(struct instruments **out, uv_loop_t *loop, const struct config *config,
                     const struct clock *clock, struct why *why);

/* From now on readings and events go to this bench (instruments are opened first, so that the bench
 * may describe them). */
void instruments_attach(struct instruments *instruments, struct bench *bench);

/* Those whose sections are unchanged stay open; others are closed, opened, added or dropped. */
int instruments_reconfigure(struct instruments *instruments, const struct config *config, struct why *why);
void instruments_close(struct instruments *instruments);

/* For struct bench_hands; context is the struct instruments. */
int instruments_order(void *context, int instrument, enum order order, struct why *why);
int instruments_describe(void *context, int instrument, int64_t now_us, char *out, size_t size);

#endif
