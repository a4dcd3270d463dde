/* The bench: numbers every reading and event, informs the bus, the stations and the journal, and keeps
 * the state that late joiners see.  Decides nothing about coffee (stations do) and touches no device
 * (instruments do). */
#ifndef POISE_BENCH_H
#define POISE_BENCH_H

#include <uv.h>

#include "config/config.h"
#include "poise/clock.h"
#include "poise/messages.h"
#include "poise/reading.h"
#include "poise/why.h"

struct bench;

/* What the bench asks of the instruments (by their place in the configuration): filled by main. */
struct bench_hands {
    void *context;
    int (*order)(void *context, int instrument, enum order order, struct why *why);
    /* Appends one JSON object that describes the instrument (driver, port, condition, last indication,
     * rate, rejects by reason) to out; its length, or -ENOSPC. */
    int (*describe)(void *context, int instrument, int64_t now_us, char *out, size_t size);
};

/* Opens journal and sockets (under the lock file), restores what the journal knows, and is ready.
 * Returns 0 or a negative errno with a sentence. */
int bench_open(struct bench **out, uv_loop_t *loop, const struct config *config, const struct clock *clock,
               const struct bench_hands *hands, struct why *why);

/* Commits everything, says goodbye, closes.  The loop must run until its handles are gone. */
void bench_close(struct bench *bench);

/* New configuration after SIGHUP (same bench, bus, control, journal; main has checked).  Running
 * brews of stations that stay go on.  Returns 0, or a negative errno when memory ran out: then nothing has
 * changed here. */
int bench_reconfigure(struct bench *bench, const struct config *config, struct why *why);

/* The next four are called through a sink by instruments that know no bench; `bench` is the struct bench.
 *
 * A reading arrived: track, keep, publish.  0, or a negative errno: no message can carry it. */
int bench_reading(void *bench, int instrument, const struct reading *reading, struct moment at);

/* An instrument was found, is ready, fell silent, was lost, refused, flooded. */
void bench_instrument(void *bench, int instrument, enum instrument_change change, const char *detail);

/* Between these two, what happens is gathered, and committed and reported at the end: a thousand instruments that
 * are found at once cost one commit.  Within one callback of the loop only. */
void bench_hold(void *bench);
void bench_release(void *bench);

/* The wall clock was stepped by so much. */
void bench_clock_stepped(struct bench *bench, int64_t by_us);

/* The computer slept for so long: the loop's timers stood still meanwhile, and deadlines may have passed. */
void bench_slept(struct bench *bench, int64_t slept_us);

#endif
