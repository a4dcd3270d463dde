/* The bench's clock, and the world's; see clock.h. */
#include "poise/clock.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

enum { BOOT_LENGTH = 36 }; /* a UUID in text */

static int64_t read_us(clockid_t which)
{
    struct timespec now;

    clock_gettime(which, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

struct moment clock_world_now(void)
{
    return (struct moment){ read_us(CLOCK_REALTIME), read_us(CLOCK_BOOTTIME) };
}

int64_t clock_steady_ms(void)
{
    return read_us(CLOCK_MONOTONIC) / 1000;
}

int64_t clock_slept_us(void)
{
    int64_t steady_us = read_us(CLOCK_MONOTONIC), slept_us = read_us(CLOCK_BOOTTIME) - steady_us;

    return slept_us > 0 ? slept_us : 0;
}

void clock_start(struct clock *clock, double rate)
{
    struct moment now = clock_world_now();

    clock->rate = rate;
    clock->began = now;
    if (rate != 1) /* counted from the boot, so that a program started again finds its own time gone on */
        clock->began = (struct moment){ now.time_us - (int64_t)((double)now.mono_us * rate), 0 };
}

struct moment clock_now(const struct clock *clock)
{
    struct moment now = { 0, read_us(CLOCK_BOOTTIME) };

    if (clock->rate == 1) {
        now.time_us = read_us(CLOCK_REALTIME);
    } else {
        int64_t passed_us = (int64_t)((double)(now.mono_us - clock->began.mono_us) * clock->rate);

        now.mono_us = clock->began.mono_us + passed_us;
        now.time_us = clock->began.time_us + passed_us;
    }
    return now;
}

uint64_t clock_real_ms(const struct clock *clock, int64_t bench_us)
{
    double real_ms;
    uint64_t whole;

    if (bench_us <= 0)
        return 0;
    real_ms = (double)bench_us / 1000 / clock->rate;
    whole = (uint64_t)real_ms;
    return whole + (real_ms > (double)whole);
}

const char *clock_boot(void)
{
    static char boot[BOOT_LENGTH + 1];

    if (boot[0] == '\0') {
        int file = open("/proc/sys/kernel/random/boot_id", O_RDONLY | O_CLOEXEC);
        ssize_t length = file < 0 ? -1 : read(file, boot, BOOT_LENGTH);

        if (file >= 0)
            close(file);
        if (length != BOOT_LENGTH)
            strcpy(boot, "unknown");
    }
    return boot;
}

int clock_read(const char *text, int64_t *time_us)
{
    static const char *const patterns[] = { "%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M:%S",
                                            "%Y-%m-%d %H:%M", "%Y-%m-%d" };

    for (size_t i = 0; i < sizeof patterns / sizeof *patterns; i++) {
        struct tm day = { .tm_isdst = -1 };
        const char *rest = strptime(text, patterns[i], &day);
        time_t seconds;
        int month;

        if (!rest || (*rest && strcmp(rest, "Z") != 0))
            continue;
        month = day.tm_mon;
        seconds = *rest ? timegm(&day) : mktime(&day);
        if (seconds == (time_t)-1 || day.tm_mon != month) /* the 30th of February is no day */
            return -EINVAL;
        *time_us = (int64_t)seconds * 1000000;
        return 0;
    }
    return -EINVAL;
}

char *clock_format_utc(int64_t time_us, char *out)
{
    int64_t seconds = time_us / 1000000, rest_us = time_us % 1000000;
    struct tm utc;
    time_t whole;

    if (rest_us < 0) {
        rest_us += 1000000;
        seconds--;
    }
    whole = (time_t)seconds;
    if (!gmtime_r(&whole, &utc) || utc.tm_year < -1900 || utc.tm_year > 8099) {
        strcpy(out, "xxxx-xx-xxTxx:xx:xx.xxxZ"); /* not a year of four digits */
        return out;
    }
    snprintf(out, 25, "%04u-%02u-%02uT%02u:%02u:%02u.%03uZ", (unsigned)(utc.tm_year + 1900) % 10000,
             (unsigned)(utc.tm_mon + 1) % 100, (unsigned)utc.tm_mday % 100, (unsigned)utc.tm_hour % 100,
             (unsigned)utc.tm_min % 100, (unsigned)utc.tm_sec % 100, (unsigned)(rest_us / 1000) % 1000);
    return out;
}
