/* When a reading was true, from when it arrived: lines held up, bunched, lost. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "tracker/cadence.h"

enum { READINGS = 400, PERIOD_US = 100000 };

/* Arrivals in, the times they are given out; a time may be corrected by the next reading. */
static void run(const int64_t *arrived_us, int64_t *at_us, int count)
{
    struct cadence cadence;

    cadence_begin(&cadence, arrived_us[0]);
    at_us[0] = arrived_us[0];
    for (int i = 1; i < count; i++)
        at_us[i] = cadence_time(&cadence, arrived_us[i], &at_us[i - 1]);
}

static void even_readings_keep_their_times(void **state)
{
    int64_t arrived_us[READINGS], at_us[READINGS];

    (void)state;
    for (int i = 0; i < READINGS; i++)
        arrived_us[i] = 1000000 + (int64_t)i * PERIOD_US;
    run(arrived_us, at_us, READINGS);
    for (int i = 0; i < READINGS; i++)
        assert_int_equal(at_us[i], arrived_us[i]);
}

/* A stall now and then, and what was held up comes all at once. */
static void stall(int64_t stalled_us)
{
    int64_t arrived_us[READINGS], at_us[READINGS];

    for (int i = 0; i < READINGS; i++) {
        int64_t true_us = 1000000 + (int64_t)i * PERIOD_US, stall_us = 1000000 + (int64_t)(i / 50 * 50) * PERIOD_US;

        arrived_us[i] = i >= 50 && true_us < stall_us + stalled_us ? stall_us + stalled_us : true_us;
    }
    run(arrived_us, at_us, READINGS);
    for (int i = 0; i < READINGS - 1; i++)
        assert_in_range(at_us[i] - 1000000 - (int64_t)i * PERIOD_US + 20000, 0, 40000);
}

static void bunches_are_spread_back(void **state)
{
    (void)state;
    stall(350000);
    stall(620000); /* a machine that reads its disk; all of them with the same time of arrival */
    stall(2050000);
}

/* Ten lines at once make a pace of two microseconds.  A pause of a hundred days behind it is bridged without trying
 * every line that it might have had: that would take hours. */
static void a_pause_behind_a_burst_is_bridged(void **state)
{
    static const int64_t pause_us = INT64_C(100) * 86400 * 1000000;
    int64_t arrived_us[12], at_us[12];

    (void)state;
    for (int i = 0; i < 12; i++)
        arrived_us[i] = 1000000 + (i >= 9 ? 18 : 0) + (i >= 10 ? pause_us : 0);
    run(arrived_us, at_us, 12);
    assert_int_equal(at_us[11], arrived_us[11]);
}

/* One line in fifty is lost: those after it are not dated back into the hole. */
static void a_lost_line_leaves_a_hole(void **state)
{
    int64_t arrived_us[READINGS], at_us[READINGS];
    int count = 0;

    (void)state;
    for (int i = 0; i < READINGS; i++)
        if (i % 50 != 30)
            arrived_us[count++] = 1000000 + (int64_t)i * PERIOD_US;
    run(arrived_us, at_us, count);
    for (int i = 0; i < count; i++)
        assert_in_range(at_us[i] - arrived_us[i] + 5000, 0, 10000);
}

/* Delays of up to 40 ms, as USB adapters and busy machines add them: the times come out closer to even. */
static void delays_are_smoothed(void **state)
{
    int64_t arrived_us[READINGS], at_us[READINGS];
    double raw = 0, smoothed = 0;

    (void)state;
    srandom(5);
    for (int i = 0; i < READINGS; i++)
        arrived_us[i] = 1000000 + (int64_t)i * PERIOD_US + random() % 40000;
    run(arrived_us, at_us, READINGS);
    for (int i = READINGS / 2; i < READINGS; i++) {
        double raw_off = (double)(arrived_us[i] - arrived_us[i - 1] - PERIOD_US);
        double off = (double)(at_us[i] - at_us[i - 1] - PERIOD_US);

        assert_true(at_us[i] > at_us[i - 1]);
        raw += raw_off * raw_off;
        smoothed += off * off;
    }
    assert_true(smoothed < raw / 8);
}

/* A slower clock in the instrument (1 %) is followed, not run away from. */
static void another_pace_is_followed(void **state)
{
    int64_t arrived_us[READINGS], at_us[READINGS];

    (void)state;
    for (int i = 0; i < READINGS; i++)
        arrived_us[i] = 1000000 + (int64_t)i * PERIOD_US + (i > 100 ? (int64_t)(i - 100) * PERIOD_US / 100 : 0);
    run(arrived_us, at_us, READINGS);
    for (int i = 0; i < READINGS; i++)
        assert_in_range(arrived_us[i] - at_us[i] + 5000, 0, 35000);
}

static void a_new_rate_is_followed(void **state)
{
    static const int64_t rate_us[] = { 500000, 50000, 100000, 333000 };
    struct cadence cadence;
    int64_t arrived_us = 1000000, at_us = 0, before_us;

    (void)state;
    cadence_begin(&cadence, arrived_us);
    for (size_t i = 0; i < sizeof rate_us / sizeof *rate_us; i++) {
        for (int line = 0; line < 100; line++) {
            int64_t last_us = at_us;

            arrived_us += rate_us[i];
            at_us = cadence_time(&cadence, arrived_us, &before_us);
            assert_true(at_us > last_us);
        }
        assert_in_range(arrived_us - at_us + 5000, 0, 10000);
        assert_in_range(cadence.period_us, rate_us[i] * 98 / 100, rate_us[i] * 102 / 100);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(even_readings_keep_their_times),
        cmocka_unit_test(bunches_are_spread_back),
        cmocka_unit_test(a_pause_behind_a_burst_is_bridged),
        cmocka_unit_test(a_lost_line_leaves_a_hole),
        cmocka_unit_test(delays_are_smoothed),
        cmocka_unit_test(another_pace_is_followed),
        cmocka_unit_test(a_new_rate_is_followed),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
