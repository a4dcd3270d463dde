/* Which layout makes sense of some bytes: the lines are those of tests/captures, said a few times over. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tools/probe.h"

enum { TIMES = 6, STREAM_MOST = 4096 };

static uint8_t stream[STREAM_MOST];
static size_t stream_length;

/* A stream that is joined in the middle of its first frame, as a port that is opened while it talks. */
static void talk(const void *frames, size_t length)
{
    const uint8_t *from = frames;
    size_t missing = length / 2;

    stream_length = 0;
    for (int i = 0; i < TIMES; i++) {
        memcpy(stream + stream_length, from + missing, length - missing);
        stream_length += length - missing;
        missing = 0;
    }
}

/* "unit=g layout=..." of what the section would say. */
static const char *settings(const struct probe_score *score)
{
    static char out[128];

    out[0] = '\0';
    for (int i = 0; i < score->setting_count; i++)
        snprintf(out + strlen(out), sizeof out - strlen(out), "%s%s=%s", i ? " " : "", score->settings[i].key,
                 score->settings[i].value);
    return out;
}

#define TEXT(text) text, sizeof text - 1

static void test_each_layout_is_reported_from_the_others(void **unused)
{
    static const struct {
        const char *frames;
        size_t length;
        const char *settings;
        enum quantity quantity;
        bool doubt;
    } layouts[] = {
        { TEXT("ST,GS,+   12.34 g\r\n"), "", QUANTITY_MASS, false },
        { TEXT("US,NT,-    3.10 g\r\nST,NT,-    3.10 g\r\n"), "", QUANTITY_MASS, false },
        { TEXT("     12.73 g    ?\r\n"), "", QUANTITY_MASS, false },
        { TEXT("  0.211 kg NET\r"), "", QUANTITY_MASS, false },
        { TEXT("2 lb 3.5 oz\r\n"), "", QUANTITY_MASS, false },
        { TEXT("+   1255.7 g  \r\n+   1255.9    \r\n"), "unit=g blank_unit=moving", QUANTITY_MASS, false },
        { TEXT("\x02+   125.7 g\r\n"), "", QUANTITY_MASS, false },
        { TEXT("\x02\x2c\x30\x20\x20\x31\x32\x33\x34\x35\x30\x30\x30\x30\x30\x30\r\x36"),
          "layout=stx-status checksum=yes", QUANTITY_MASS, false },
        { TEXT("\x02\x2a\x20\x21\x20\x20\x20\x32\x35\x30\x30\x30\x30\x30\x30\x30\r"), "layout=stx-status",
          QUANTITY_MASS, false },
        { TEXT("\x02+0012345G\x03"), "layout=stx-letter unit=g", QUANTITY_MASS, true },
        { TEXT("12.34\r\n"), "unit=g", QUANTITY_MASS, true },
        { TEXT("ST,GS,+ 1,234 g\r\n"), "decimal=comma", QUANTITY_MASS, true },
        { TEXT("Brix 12.3 % 21.4 C\r\n"), "", QUANTITY_BRIX, false },
        { TEXT("Bx= 12.34 T= 21.4\r\n"), "", QUANTITY_BRIX, false },
        { TEXT("12.3%,21.4C\r\n"), "", QUANTITY_STRENGTH, true },
        { TEXT("nD 1.33299 25.0\xb0"
               "C\r\n"),
          "", QUANTITY_REFRACTIVE_INDEX, false },
        { TEXT("21.4 C\r\n"), "", QUANTITY_TEMPERATURE, false },
        { TEXT("1.36384,20.01,20.3\r\n"), "fields=nd, brix, temperature", QUANTITY_BRIX, true },
        { TEXT("1.36384;20.01;20.3\r\n"), "fields=nd, brix, temperature separator=semicolon", QUANTITY_BRIX, true },
        { TEXT("12.3,20.3\r\n"), "fields=brix, temperature", QUANTITY_BRIX, true },
        /* the same bytes as a port without parity sees those of one with even parity */
        { TEXT("S\xd4\xacGS\xac+\xa0\xa0\xb1\xb2.3\xb4\xa0\xe7\x8d\n"), "seven_bit=yes", QUANTITY_MASS, false },
    };
    struct probe_score score;

    (void)unused;
    for (size_t i = 0; i < sizeof layouts / sizeof *layouts; i++) {
        talk(layouts[i].frames, layouts[i].length);
        if (probe_line(stream, stream_length, &score) != 0)
            fail_msg("layout %zu makes no sense: %s", i, layouts[i].frames);
        assert_string_equal(settings(&score), layouts[i].settings);
        assert_int_equal(score.quantity, layouts[i].quantity);
        assert_int_equal(score.doubt != NULL, layouts[i].doubt);
        assert_int_equal(score.rejected, 0);
        assert_in_range(score.whole, TIMES - 1, 2 * TIMES);
        assert_int_equal(probe_settled(&score), !layouts[i].doubt && !score.parity_bits);
    }
}

static void test_what_makes_no_sense_is_said_to_make_none(void **unused)
{
    static const struct {
        const char *frames;
        size_t length;
    } nonsense[] = {
        { TEXT("") },
        { TEXT("hello bench\r\n") },
        { TEXT("AT+GMI\r\n") },
        { TEXT("Err 002\r\n") },                      /* a fault in words: of what, nobody knows */
        { TEXT("\xe6\x9c\x00\xfe\x1e\x78\xe0\x80") }, /* a wrong speed */
        { TEXT("ST,GS,+   12.34 zz\r\n") },
        { TEXT("12:30:05\r\n") },
    };
    struct probe_score score = { .whole = 7 };

    (void)unused;
    for (size_t i = 0; i < sizeof nonsense / sizeof *nonsense; i++) {
        talk(nonsense[i].frames, nonsense[i].length);
        if (probe_line(stream, stream_length, &score) != -ENOENT)
            fail_msg("'%s' makes sense as %s", nonsense[i].frames, settings(&score));
        assert_int_equal(score.whole, 7); /* untouched */
    }
}

/* Noise of every kind: bytes, and bytes of which many are digits and line ends. */
static void test_noise_is_no_instrument(void **unused)
{
    static const char likely[] = "0123456789.,+- g\r\n";
    struct probe_score score;
    uint32_t seed = 20261125;

    (void)unused;
    for (int round = 0; round < 200; round++) {
        for (size_t i = 0; i < 1000; i++) {
            seed = seed * 1664525 + 1013904223; /* Numerical Recipes' constants */
            stream[i] = round % 2 ? (uint8_t)likely[(seed >> 16) % (sizeof likely - 1)] : (uint8_t)(seed >> 16);
        }
        assert_int_equal(probe_line(stream, 1000, &score), -ENOENT);
    }
}

static void test_one_line_is_not_enough_and_damage_is_borne(void **unused)
{
    static const char one[] = "34 g\r\nST,GS,+   12.34 g\r\n",
                      damaged[] =
                          "34 g\r\nST,GS,+   12.34 g\r\nST,GS,+   12.35 g\r\nST,GS,+   12.3ST,GS,+   12.34 g\r\n"
                          "ST,GS,+   12.36 g\r\nST,GS,+   12.36 g\r\nST,GS,+   1";
    struct probe_score score;

    (void)unused;
    assert_int_equal(probe_line((const uint8_t *)one, sizeof one - 1, &score), -ENOENT);
    assert_int_equal(probe_line((const uint8_t *)damaged, sizeof damaged - 1, &score), 0);
    assert_int_equal(score.whole, 4);
    assert_int_equal(score.rejected, 1);
    assert_string_equal(score.heard, "ST,GS,+   12.36 g\\r\\n");
    assert_false(probe_settled(&score));
}

static void test_the_better_score_has_more_frames_and_less_doubt(void **unused)
{
    struct probe_score few = { .whole = 3 }, many = { .whole = 9 }, doubted = { .whole = 9, .doubt = "check" },
                       parity = { .whole = 20, .parity_bits = true }, none = { .whole = 0 };

    (void)unused;
    assert_true(probe_better(&many, &few));
    assert_false(probe_better(&few, &many));
    assert_true(probe_better(&many, &doubted));
    assert_false(probe_better(&doubted, &many));
    assert_true(probe_better(&few, &parity));
    assert_true(probe_better(&parity, &none));
    assert_false(probe_better(&none, &parity));
}

/* Request and replies: MODBUS Application Protocol 1.1b3, 6.3 and 7; CRC by MODBUS over Serial Line 1.02. */
static void test_modbus_is_known_by_a_whole_answer(void **unused)
{
    static const uint8_t request[] = { 0x01, 0x03, 0x00, 0x00, 0x00, 0x01, 0x84, 0x0a };
    static const uint8_t value[] = { 0x01, 0x03, 0x02, 0x00, 0x7b, 0xf8, 0x67 };
    static const uint8_t exception[] = { 0x01, 0x83, 0x02, 0xc0, 0xf1 };
    uint8_t question[16], both[sizeof request + sizeof value];
    struct probe_score score;

    (void)unused;
    assert_int_equal(probe_modbus_question(question, sizeof question), sizeof request);
    assert_memory_equal(question, request, sizeof request);
    assert_int_equal(probe_modbus(value, sizeof value, &score), 0);
    assert_string_equal(score.driver, "modbus");
    assert_non_null(score.doubt);
    assert_int_equal(probe_modbus(exception, sizeof exception, &score), 0);
    assert_int_equal(probe_modbus(request, sizeof request, &score), -ENOENT); /* an adapter's echo */
    memcpy(both, request, sizeof request);
    memcpy(both + sizeof request, value, sizeof value);
    assert_int_equal(probe_modbus(both, sizeof both, &score), 0);
    both[sizeof both - 1] ^= 1;
    assert_int_equal(probe_modbus(both, sizeof both, &score), -ENOENT);
}

static void test_words_fit_a_terminal(void **unused)
{
    char out[12];

    (void)unused;
    assert_string_equal(probe_words((const uint8_t *)"\x02"
                                                     "1.5 g\r",
                                    7, out, sizeof out),
                        "\\x021.5 g\\r");
    assert_string_equal(probe_words((const uint8_t *)"\xff\xff\xff", 3, out, sizeof out), "\\xff\\xff");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_each_layout_is_reported_from_the_others),
        cmocka_unit_test(test_what_makes_no_sense_is_said_to_make_none),
        cmocka_unit_test(test_noise_is_no_instrument),
        cmocka_unit_test(test_one_line_is_not_enough_and_damage_is_borne),
        cmocka_unit_test(test_the_better_score_has_more_frames_and_less_doubt),
        cmocka_unit_test(test_modbus_is_known_by_a_whole_answer),
        cmocka_unit_test(test_words_fit_a_terminal),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
