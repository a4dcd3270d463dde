/* A trace as a block: what went in comes out, and damage is noticed. */
#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>
#include <zlib.h>

#include "poise/trace_block.h"

enum { SAMPLES = 600 };

static struct trace_sample samples[SAMPLES];
static unsigned char block[SAMPLES * 80 + 64];

/* A minute of a scale at ten a second: a pour, with what happens to readings. */
static size_t write_minute(void)
{
    uint32_t state = 20261130;

    for (int i = 0; i < SAMPLES; i++) {
        state = state * 1664525U + 1013904223U; /* Numerical Recipes' linear congruential generator, from memory */
        samples[i] = (struct trace_sample){
            .seq = 5000 + 3U * (unsigned)i,
            .instrument = i % 200 == 17 ? 2 : 1,
            .boot = i < 400 ? 1 : 2,
            .time_us = INT64_C(1795600000000000) + i * INT64_C(100000) + (state >> 20) - (i > 300 ? 3600000000 : 0),
            .mono_us = INT64_C(8000000000) + i * INT64_C(100000) + (state >> 20),
            .status = i == 250 ? READING_OVERLOAD : READING_OK,
            .stable = (signed char)(i % 3 - 1),
            .value = { i == 250 ? 0 : 230 * i / 4 + (int)(state >> 30), i == 250  ? 0
                                                                        : i > 500 ? -2
                                                                                  : -1 },
        };
    }
    return trace_block_write(samples, SAMPLES, block);
}

static int compare(void *context, const struct trace_sample *sample)
{
    const struct trace_sample *expected = &samples[(*(int *)context)++];

    assert_true(sample->seq == expected->seq && sample->instrument == expected->instrument);
    assert_true(sample->boot == expected->boot && sample->time_us == expected->time_us);
    assert_true(sample->mono_us == expected->mono_us && sample->status == expected->status);
    assert_int_equal(sample->stable, expected->stable);
    assert_true(sample->value.mantissa == expected->value.mantissa);
    assert_int_equal(sample->value.exponent, expected->value.exponent);
    return 0;
}

static void what_went_in_comes_out_in_a_tenth_of_the_room(void **state)
{
    size_t length = write_minute();
    int count = 0;

    (void)state;
    assert_int_equal(trace_block_read(block, length, compare, &count), 0);
    assert_int_equal(count, SAMPLES);
    assert_true(length <= trace_block_most(SAMPLES));
    assert_true(length < SAMPLES * sizeof *samples / 8);
}

static void numbers_at_their_ends_come_out(void **state)
{
    int count = 0;
    size_t length;

    (void)state;
    samples[0] = (struct trace_sample){ UINT64_MAX, INT64_MAX,  INT64_MIN, INT64_MIN,
                                        INT64_MAX,  READING_OK, 1,         { INT64_MIN, -18 } };
    samples[1] = (struct trace_sample){ 0, INT64_MIN, INT64_MAX, INT64_MAX, INT64_MIN, READING_FAULT, -1, { 0, 0 } };
    samples[2] = (struct trace_sample){ 1, 0, 0, 0, 0, READING_OK, 0, { INT64_MAX, 0 } };
    length = trace_block_write(samples, 3, block);
    assert_true(length <= trace_block_most(3));
    assert_int_equal(trace_block_read(block, length, compare, &count), 0);
    assert_int_equal(count, 3);
    count = 0;
    length = trace_block_write(samples, 0, block);
    assert_int_equal(trace_block_read(block, length, compare, &count), 0);
    assert_int_equal(count, 0);
}

static int never(void *context, const struct trace_sample *sample)
{
    (void)context;
    (void)sample;
    fail_msg("handed out of a damaged block");
    return 0;
}

/* One bit in any byte, and any length that is too short: CRC-32 notices all of them. */
static void damage_is_noticed_and_nothing_handed_out(void **state)
{
    size_t length = write_minute();

    (void)state;
    for (size_t i = 0; i < length; i++) {
        block[i] ^= (unsigned char)(1 << i % 8);
        assert_int_equal(trace_block_read(block, length, never, NULL), -EBADMSG);
        block[i] ^= (unsigned char)(1 << i % 8);
    }
    for (size_t shorter = 0; shorter < length; shorter += 7)
        assert_int_equal(trace_block_read(block, shorter, never, NULL), -EBADMSG);
}

/* Whoever computes the check as well can write anything: then it is refused, or read, and never worse. */
static void nonsense_with_a_good_check_is_refused(void **state)
{
    static const struct {
        unsigned char bytes[16];
        size_t length;
    } nonsense[] = {
        { "PTB1\x01", 5 },                              /* a sample, and none there */
        { "PTB1\x01\x80", 6 },                          /* an unknown flag */
        { "PTB1\x00\x00", 6 },                          /* more behind the end */
        { "PTB1\xff\xff\xff\xff\xff\xff\xff\x7f", 12 }, /* too many */
        { "PTB1\x01\x44\x01\x00\x13\x00", 10 },         /* 19 digits behind the point */
    };

    (void)state;
    for (size_t i = 0; i < sizeof nonsense / sizeof *nonsense; i++) {
        unsigned char text[20];
        unsigned long check = crc32(0, nonsense[i].bytes, (uInt)nonsense[i].length);

        memcpy(text, nonsense[i].bytes, nonsense[i].length);
        for (int k = 0; k < 4; k++)
            text[nonsense[i].length + (size_t)k] = (unsigned char)(check >> 8 * k);
        assert_int_equal(trace_block_read(text, nonsense[i].length + 4, never, NULL), -EBADMSG);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_went_in_comes_out_in_a_tenth_of_the_room),
        cmocka_unit_test(numbers_at_their_ends_come_out),
        cmocka_unit_test(damage_is_noticed_and_nothing_handed_out),
        cmocka_unit_test(nonsense_with_a_good_check_is_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
