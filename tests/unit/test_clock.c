/* The bench's clock: pace, rounding and text. */
#include <fcntl.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>

#include <errno.h>

#include "poise/clock.h"

static void an_ordinary_clock_has_the_systems_times(void **state)
{
    struct clock clock;
    struct timespec before, after;
    struct moment now;

    (void)state;
    clock_start(&clock, 1);
    clock_gettime(CLOCK_BOOTTIME, &before);
    now = clock_now(&clock);
    clock_gettime(CLOCK_BOOTTIME, &after);
    assert_true(now.mono_us >= before.tv_sec * INT64_C(1000000) + before.tv_nsec / 1000);
    assert_true(now.mono_us <= after.tv_sec * INT64_C(1000000) + after.tv_nsec / 1000);
}

static void the_world_keeps_its_pace_beside_a_fast_clock(void **state)
{
    struct clock world;
    struct moment before, now, after;
    int64_t steady_ms = clock_steady_ms();

    (void)state;
    clock_start(&world, 1);
    before = clock_now(&world);
    now = clock_world_now();
    after = clock_now(&world);
    assert_true(before.mono_us <= now.mono_us && now.mono_us <= after.mono_us);
    assert_true(before.time_us <= now.time_us && now.time_us <= after.time_us);
    assert_true(clock_steady_ms() >= steady_ms);
}

/* The world's time is read around the bench's: whatever the machine does in between, the bounds hold. */
static void a_fast_clock_runs_by_its_rate(void **state)
{
    struct clock clock, world;
    struct moment before, bench, after;

    (void)state;
    clock_start(&clock, 20);
    clock_start(&world, 1);
    do
        before = clock_now(&world);
    while (before.mono_us < clock.began.mono_us + 2000);
    bench = clock_now(&clock);
    after = clock_now(&world);
    assert_true(bench.mono_us - clock.began.mono_us >= 20 * (before.mono_us - clock.began.mono_us) - 1);
    assert_true(bench.mono_us - clock.began.mono_us <= 20 * (after.mono_us - clock.began.mono_us) + 1);
    assert_int_equal(bench.time_us - clock.began.time_us, bench.mono_us - clock.began.mono_us);
}

static void timers_round_up(void **state)
{
    struct clock clock = { .rate = 1 };

    (void)state;
    assert_int_equal(clock_real_ms(&clock, -5), 0);
    assert_int_equal(clock_real_ms(&clock, 0), 0);
    assert_int_equal(clock_real_ms(&clock, 1), 1);
    assert_int_equal(clock_real_ms(&clock, 1000), 1);
    assert_int_equal(clock_real_ms(&clock, 1001), 2);
    clock.rate = 20;
    assert_int_equal(clock_real_ms(&clock, 20000), 1);
    assert_int_equal(clock_real_ms(&clock, 20001), 2);
    assert_int_equal(clock_real_ms(&clock, 1000000), 50);
}

static void boot_is_what_the_kernel_says(void **state)
{
    char kernel[36];
    int file = open("/proc/sys/kernel/random/boot_id", O_RDONLY);

    (void)state;
    if (file < 0 || read(file, kernel, sizeof kernel) != sizeof kernel) {
        assert_string_equal(clock_boot(), "unknown");
    } else {
        assert_int_equal(strlen(clock_boot()), 36);
        assert_memory_equal(clock_boot(), kernel, 36);
    }
    if (file >= 0)
        close(file);
}

/* Expected by `date -u -d @SECONDS`. */
static void utc_text_is_iso_8601(void **state)
{
    char text[25];

    (void)state;
    assert_string_equal(clock_format_utc(INT64_C(1795599000123456), text), "2026-11-25T09:30:00.123Z");
    assert_string_equal(clock_format_utc(0, text), "1970-01-01T00:00:00.000Z");
    assert_string_equal(clock_format_utc(-1, text), "1969-12-31T23:59:59.999Z");
    assert_string_equal(clock_format_utc(INT64_C(1709164800000000), text), "2024-02-29T00:00:00.000Z");
    assert_int_equal(strlen(clock_format_utc(INT64_MAX, text)), 24);
    assert_int_equal(strlen(clock_format_utc(INT64_MIN, text)), 24);
}

/* 2026-11-25T09:30:00Z is 1795599000 s after 1970 (date -u -d ... +%s of GNU coreutils). */
static void times_are_read_as_people_write_them(void **state)
{
    static const char *const nonsense[] = {
        "",      "yesterday",  "2026-13-01",       "2026-11-25T25:00", "2026-11-25T09:30:00z", "2026-11-25T09:30 UTC",
        "09:30", "2026-02-30", "2026-04-31T10:00Z"
    };
    int64_t time_us = 7;

    (void)state;
    assert_int_equal(setenv("TZ", "EST5", 1), 0);
    tzset();
    assert_int_equal(clock_read("2026-11-25T09:30:00Z", &time_us), 0);
    assert_int_equal(time_us, INT64_C(1795599000000000));
    assert_int_equal(clock_read("2026-11-25 09:30", &time_us), 0);
    assert_int_equal(time_us, INT64_C(1795617000000000));
    assert_int_equal(clock_read("2026-11-25", &time_us), 0);
    assert_int_equal(time_us, INT64_C(1795582800000000));
    for (size_t i = 0; i < sizeof nonsense / sizeof *nonsense; i++)
        assert_int_equal(clock_read(nonsense[i], &time_us), -EINVAL);
    assert_int_equal(time_us, INT64_C(1795582800000000));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(times_are_read_as_people_write_them),
        cmocka_unit_test(an_ordinary_clock_has_the_systems_times),
        cmocka_unit_test(the_world_keeps_its_pace_beside_a_fast_clock),
        cmocka_unit_test(a_fast_clock_runs_by_its_rate),
        cmocka_unit_test(timers_round_up),
        cmocka_unit_test(boot_is_what_the_kernel_says),
        cmocka_unit_test(utc_text_is_iso_8601),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
