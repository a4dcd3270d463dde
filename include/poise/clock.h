/* The bench's clock: the only place that asks the system for the time.
 *
 * Two times go with everything.  `time_us` is UTC and may be stepped by whoever sets the clock;
 * `mono_us` is CLOCK_BOOTTIME, counts through suspend and is never stepped: every duration comes
 * from it.  A clock may run faster than the world, for demonstrations and tests. */
#ifndef POISE_CLOCK_H
#define POISE_CLOCK_H

#include <stdint.h>

#pragma GCC visibility push(default)

struct moment {
    int64_t time_us; /* UTC, microseconds since 1970 */
    int64_t mono_us; /* CLOCK_BOOTTIME, microseconds */
};

struct clock {
    double rate;         /* 1: the world's own pace */
    struct moment began; /* where the bench's time is the world's: a fast clock's mono_us runs from the boot,
                          * its time_us crosses the world's at clock_start */
};

/* Starts a clock of the given rate (1 to 1000). */
void clock_start(struct clock *clock, double rate);

/* Now, on this clock. */
struct moment clock_now(const struct clock *clock);

/* Bench microseconds as real milliseconds for a timer, rounded up, at least 1 for anything above 0. */
uint64_t clock_real_ms(const struct clock *clock, int64_t bench_us);

/* Now at the world's own pace, whatever the bench's. */
struct moment clock_world_now(void);

/* Milliseconds of a clock that is never stepped (CLOCK_MONOTONIC): real time, for how long to wait for an answer, a
 * disk, a key.  Compares with nothing else. */
int64_t clock_steady_ms(void);

/* How long the computer has slept since it was started: what CLOCK_BOOTTIME counts and timers, which stand still
 * meanwhile, do not.  Exact to the microsecond or two between two readings of a clock. */
int64_t clock_slept_us(void);

/* The kernel's boot id, 36 characters and a NUL: mono_us of different boots do not compare.
 * "unknown" where /proc does not say. */
const char *clock_boot(void);

/* The other way round: "2026-11-25", "2026-11-25T09:30", "2026-11-25 09:30:00"; the day and the time of this
 * computer's zone, or with a Z behind it UTC.  0, or -EINVAL when it is no such time; out is then untouched. */
int clock_read(const char *text, int64_t *time_us);

/* "2026-11-25T09:30:00.123Z" into out (at least 25 bytes); returns out. */
char *clock_format_utc(int64_t time_us, char *out);

#pragma GCC visibility pop

#endif
