/* When an indication was made, told from when it arrived: late, in bunches, after lost lines, at a new rate. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include <stdlib.h>
#include <string.h>

#include "tracker_parts.h"

static struct signal signal_under_test;
static int64_t previous_us;

static int64_t arrive(int64_t at_us)
{
    signal_mass(&signal_under_test, 100, false, 0.1, at_us);
    assert_true(signal_under_test.made_us > previous_us);
    previous_us = signal_under_test.made_us;
    return previous_us;
}

static int begin(void **state)
{
    (void)state;
    signal_begin(&signal_under_test);
    previous_us = 0;
    return 0;
}

static void punctual_lines_are_taken_at_their_word(void **state)
{
    (void)state;
    for (int line = 1; line <= 200; line++)
        if (line % 17)      /* some are lost */
            assert_int_equal(arrive(line * INT64_C(50000)), line * INT64_C(50000));
}

/* 10 lines a second, each late by up to a third of that, as a bunching adapter delivers them. */
static void late_lines_come_out_evenly(void **state)
{
    int64_t least_us = INT64_MAX, most_us = 0, arrived_us = 0;
    unsigned seed = 5;

    (void)state;
    for (int line = 1; line <= 400; line++) {
        int64_t before_us = previous_us, late_us = rand_r(&seed) % 33000;

        arrived_us = line * INT64_C(100000) + late_us;
        arrive(arrived_us);
        if (line < 50)
            continue;
        if (previous_us - before_us < least_us)
            least_us = previous_us - before_us;
        if (previous_us - before_us > most_us)
            most_us = previous_us - before_us;
        assert_true(llabs(previous_us - arrived_us) < 60000);
    }
    assert_true(least_us > 90000 && most_us < 110000);     /* the arrivals: 67 to 133 ms apart */
}

static void three_lines_at_once_keep_their_distance(void **state)
{
    int64_t at_us = 0, first_us, second_us;

    (void)state;
    while (at_us < 5000000)
        arrive(at_us += 100000);
    first_us = arrive(at_us + 300000);
    second_us = arrive(at_us + 300010);
    assert_true(second_us - first_us > 50000);
    assert_true(arrive(at_us + 300020) - second_us > 12000);
}

static void a_new_rate_is_followed_within_two_seconds(void **state)
{
    static const int64_t intervals_us[] = {500000, 50000, 100000, 333000};
    int64_t at_us = 0;

    (void)state;
    for (size_t i = 0; i < sizeof intervals_us / sizeof *intervals_us; i++) {
        int64_t changed_us = at_us;

        for (int line = 0; line < 100; line++) {
            at_us += intervals_us[i];
            assert_true(llabs(arrive(at_us) - at_us) <= 400000);
            if (at_us - changed_us > 2000000 && line > 30)
                assert_true(llabs(previous_us - at_us) < 150000);
        }
        assert_true(llabs(previous_us - at_us) < 20000);
        assert_true(llabs(signal_under_test.pace_us - intervals_us[i]) < intervals_us[i] / 50);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup(punctual_lines_are_taken_at_their_word, begin),
        cmocka_unit_test_setup(late_lines_come_out_evenly, begin),
        cmocka_unit_test_setup(three_lines_at_once_keep_their_distance, begin),
        cmocka_unit_test_setup(a_new_rate_is_followed_within_two_seconds, begin),
    };

    return cmocka_run_group_tests_name("pace", tests, NULL, NULL);
}
