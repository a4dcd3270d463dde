/* Replays every *.capture beside this file through its driver: whole, byte by byte, split at random,
 * with noise in front, and cut in the middle.  README says how a capture is written. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

#include <ctype.h>
#include <glob.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "driver.h"

enum {
    CASES_MOST = 256,
    BYTES_MOST = 1024,
    OUTCOMES_MOST = 32,
    SETTINGS_MOST = 8,
    TEXT_SIZE = 128,
    SPLITS = 40, /* random splits of each case: few bytes, so these cover most places */
};

struct outcomes {
    char text[OUTCOMES_MOST][TEXT_SIZE];
    int count;
};

struct capture {
    char name[TEXT_SIZE], driver[32];
    struct instrument_config config;
    struct setting settings[SETTINGS_MOST];
    char keys[SETTINGS_MOST][TEXT_SIZE], values[SETTINGS_MOST][TEXT_SIZE];
    bool fresh; /* the bytes begin right after opening */
    uint8_t descriptor[BYTES_MOST / 4], prime[BYTES_MOST / 16];
    size_t descriptor_length, prime_length;
    uint8_t bytes[BYTES_MOST];
    size_t length;
    size_t rest; /* bytes that stay in the buffer: a half frame */
    struct outcomes expected;
};

static struct capture *captures;
static int capture_count;

static void copy_text(char out[TEXT_SIZE], const char *text)
{
    size_t length = strlen(text);

    assert_true(length < TEXT_SIZE);
    memcpy(out, text, length + 1);
}

static void add_outcome(struct outcomes *outcomes, const char *text)
{
    assert_true(outcomes->count < OUTCOMES_MOST);
    copy_text(outcomes->text[outcomes->count++], text);
}

/* --- reading captures ------------------------------------------------------------------------------ */

static int hex(char digit)
{
    return isdigit((unsigned char)digit) ? digit - '0' : tolower((unsigned char)digit) - 'a' + 10;
}

static void add_bytes(struct capture *capture, const char *text)
{
    for (; *text; text++) {
        uint8_t byte = (uint8_t)*text;

        if (*text == '\\') {
            text++;
            byte = *text == 'r' ? '\r' : *text == 'n' ? '\n' : *text == 't' ? '\t' : (uint8_t)*text;
            if (*text == 'x') {
                byte = (uint8_t)(hex(text[1]) << 4 | hex(text[2]));
                text += 2;
            }
        }
        assert_true(capture->length < BYTES_MOST);
        capture->bytes[capture->length++] = byte;
    }
}

static void add_setting(struct capture *capture, char *text, int line)
{
    char *equals = strstr(text, " = ");
    size_t at = capture->config.setting_count;

    assert_non_null(equals);
    *equals = '\0';
    if (strcmp(text, "quantity") == 0) {
        capture->config.quantity = quantity_find(equals + 3);
        assert_int_not_equal(capture->config.quantity, QUANTITY_NONE);
        return;
    }
    assert_true(at < SETTINGS_MOST);
    copy_text(capture->keys[at], text);
    copy_text(capture->values[at], equals + 3);
    capture->settings[at] = (struct setting){ capture->keys[at], capture->values[at], line };
    capture->config.setting_count++;
}

static size_t read_hex(const char *text, uint8_t *out, size_t size)
{
    size_t length = 0;

    for (; *text; text += 2) {
        text += *text == ' ';
        assert_true(isxdigit((unsigned char)text[0]) && isxdigit((unsigned char)text[1]) && length < size);
        out[length++] = (uint8_t)(hex(text[0]) << 4 | hex(text[1]));
    }
    return length;
}

/* A report stands behind its length. */
static void add_report(struct capture *capture, const char *text)
{
    size_t length = read_hex(text, capture->bytes + capture->length + 1, BYTES_MOST - capture->length - 1);

    capture->bytes[capture->length] = (uint8_t)length;
    capture->length += 1 + length;
}

/* What holds for all cases that follow in the file. */
static struct capture common;

static void read_line(struct capture **capture, char *text, int line)
{
    if (text[0] == '\0' || text[0] == '#')
        return;
    if (strncmp(text, "driver ", 7) == 0) {
        memset(&common, 0, sizeof common);
        assert_true(strlen(text + 7) < sizeof common.driver);
        memcpy(common.driver, text + 7, strlen(text + 7));
        return;
    }
    if (strncmp(text, "prime ", 6) == 0) {
        common.prime[common.prime_length] = (uint8_t)read_hex(text + 6, common.prime + common.prime_length + 1,
                                                              sizeof common.prime - common.prime_length - 1);
        common.prime_length += 1 + (size_t)common.prime[common.prime_length];
        return;
    }
    if (strncmp(text, "descriptor ", 11) == 0) {
        common.descriptor_length = read_hex(text + 11, common.descriptor, sizeof common.descriptor);
        return;
    }
    if (strncmp(text, "case ", 5) == 0) {
        assert_true(capture_count < CASES_MOST);
        *capture = &captures[capture_count++];
        **capture = common;
        copy_text((*capture)->name, text + 5);
        snprintf((*capture)->config.name, NAME_SIZE, "captured");
        (*capture)->config.settings = (*capture)->settings;
        return;
    }
    assert_non_null(*capture);
    if (strncmp(text, "set ", 4) == 0)
        add_setting(*capture, text + 4, line);
    else if (strncmp(text, "bytes ", 6) == 0)
        add_bytes(*capture, text + 6);
    else if (strncmp(text, "report ", 7) == 0)
        add_report(*capture, text + 7);
    else if (strcmp(text, "fresh") == 0)
        (*capture)->fresh = true;
    else if (strncmp(text, "rest ", 5) == 0)
        (*capture)->rest = strtoul(text + 5, NULL, 10);
    else if (strncmp(text, "read ", 5) == 0 || strncmp(text, "reject ", 7) == 0)
        add_outcome(&(*capture)->expected, text);
    else
        fail_msg("line %d of a capture says '%s'", line, text);
}

static void read_file(const char *path)
{
    FILE *file = fopen(path, "r");
    struct capture *capture = NULL;
    char text[1024];
    int line = 0;

    assert_non_null(file);
    while (fgets(text, sizeof text, file)) {
        text[strcspn(text, "\n")] = '\0';
        read_line(&capture, text, ++line);
    }
    fclose(file);
}

/* --- playing them ---------------------------------------------------------------------------------- */

static void add_reading(struct outcomes *outcomes, const struct reading *reading)
{
    char text[TEXT_SIZE], digits[40];

    if (reading->status != READING_OK) {
        snprintf(text, sizeof text, "read %s%s%s", reading_status_name(reading->status), reading->detail[0] ? " " : "",
                 reading->detail);
    } else {
        assert_true(decimal_format(reading->shown, digits, sizeof digits) > 0);
        snprintf(text, sizeof text, "read %s %s%s%s%s%s%s%s", quantity_name(reading->quantity), digits,
                 reading->unit == UNIT_NONE ? "" : " ", unit_name(reading->unit),
                 reading->stable < 0 ? ""
                 : reading->stable   ? " stable"
                                     : " moving",
                 reading->net < 0 ? ""
                 : reading->net   ? " net"
                                  : " gross",
                 reading->detail[0] ? " but " : "", reading->detail);
    }
    add_outcome(outcomes, text);
}

/* An instrument as the daemon drives it: a buffer, and frames taken off its front. */
struct player {
    const struct driver *driver;
    void *state;
    uint8_t buf[BYTES_MOST * 4];
    size_t length;
    struct outcomes got;
};

static bool is_silent_drop(const uint8_t *bytes, size_t length)
{
    for (size_t i = 0; i < length; i++)
        if (bytes[i] != 0x00 && bytes[i] != 0xff && bytes[i] != 0x11 && bytes[i] != 0x13 && bytes[i] != '\r'
            && bytes[i] != '\n')
            return false;
    return true;
}

static void take_frames(struct player *player)
{
    struct reading readings[FRAME_READINGS];
    char text[TEXT_SIZE];

    while (player->length > 0) {
        /* exactly as long as it is: a read beyond its end is found */
        uint8_t *frame = malloc(player->length);
        ssize_t taken;
        int count;

        assert_non_null(frame);
        memcpy(frame, player->buf, player->length);
        taken = player->driver->frame(player->state, frame, player->length);
        assert_true(taken <= (ssize_t)player->length && -taken <= (ssize_t)player->length);
        if (taken > 0) {
            count = player->driver->decode(player->state, frame, (size_t)taken, readings, FRAME_READINGS);
            assert_true(count <= FRAME_READINGS && count > -REJECT_COUNT);
            for (int i = 0; i < count; i++)
                add_reading(&player->got, &readings[i]);
            snprintf(text, sizeof text, "reject %s", count < 0 ? reject_name((enum reject) - count) : "");
            if (count < 0)
                add_outcome(&player->got, text);
        } else if (taken < 0 && !is_silent_drop(frame, (size_t)-taken)) {
            add_outcome(&player->got, "reject overlong");
        }
        free(frame);
        if (taken == 0)
            return;
        taken = taken < 0 ? -taken : taken;
        player->length -= (size_t)taken;
        memmove(player->buf, player->buf + taken, player->length);
    }
}

/* One of the table, or the one that is there to be copied. */
extern const struct driver skeleton_driver;

static const struct driver *find(const char *name)
{
    return strcmp(name, skeleton_driver.name) == 0 ? &skeleton_driver : driver_find(name);
}

static void feed(struct player *player, const uint8_t *bytes, size_t length)
{
    assert_true(player->length + length <= sizeof player->buf);
    memcpy(player->buf + player->length, bytes, length);
    player->length += length;
    take_frames(player);
}

static void start(struct player *player, const struct capture *capture)
{
    struct why why;

    memset(player, 0, sizeof *player);
    player->driver = find(capture->driver);
    if (player->driver == NULL)
        fail_msg("no driver %s", capture->driver);
    player->state = calloc(1, player->driver->state_size);
    assert_non_null(player->state);
    if (player->driver->configure(player->state, &capture->config, &why) != 0)
        fail_msg("%s: %s", capture->name, why.text);
    if (capture->descriptor_length > 0
        && player->driver->describe(player->state, capture->descriptor, capture->descriptor_length, &why) != 0)
        fail_msg("%s: %s", capture->name, why.text);
    if (player->driver->opened)
        player->driver->opened(player->state);
    if (capture->fresh)
        return;
    if (player->driver->transport == TRANSPORT_SERIAL)
        feed(player, (const uint8_t *)"\r\n", 2);
    feed(player, capture->prime, capture->prime_length);
    for (int i = 0; i < player->got.count; i++)
        assert_string_equal(player->got.text[i], "reject first");
    player->got.count = 0;
}

static void stop(struct player *player)
{
    if (player->driver->release)
        player->driver->release(player->state);
    free(player->state);
}

/* The outcomes from `from` on must be the last ones expected, and be all of them when `all` is set. */
static void compare(const struct capture *capture, const struct outcomes *got, int from, bool all, const char *how)
{
    int count = got->count - from, skip = capture->expected.count - count;

    if (all && skip != 0)
        print_error("%s, %s: %d outcomes, expected %d\n", capture->name, how, count, capture->expected.count);
    for (int i = 0; all && i < got->count && skip != 0; i++)
        print_error("  %s\n", got->text[i]);
    assert_true(all ? skip == 0 : skip >= 0);
    for (int i = 0; i < count; i++)
        if (strcmp(got->text[from + i], capture->expected.text[skip + i]) != 0)
            fail_msg("%s, %s: '%s', expected '%s'", capture->name, how, got->text[from + i],
                     capture->expected.text[skip + i]);
}

static void test_whole(void **state)
{
    (void)state;
    for (int i = 0; i < capture_count; i++) {
        struct player player;

        start(&player, &captures[i]);
        feed(&player, captures[i].bytes, captures[i].length);
        compare(&captures[i], &player.got, 0, true, "whole");
        assert_int_equal(player.length, captures[i].rest);
        stop(&player);
    }
}

/* USB brings whole reports, checked by the bus: noise and cuts are a serial line's. */
static bool has_line(const struct capture *capture)
{
    return find(capture->driver)->transport == TRANSPORT_SERIAL;
}

static void test_byte_by_byte(void **state)
{
    (void)state;
    for (int i = 0; i < capture_count; i++) {
        struct player player;

        start(&player, &captures[i]);
        for (size_t at = 0; at < captures[i].length; at++)
            feed(&player, captures[i].bytes + at, 1);
        compare(&captures[i], &player.got, 0, true, "byte by byte");
        assert_int_equal(player.length, captures[i].rest);
        stop(&player);
    }
}

static void test_split_at_random(void **state)
{
    unsigned seed = 20261125;

    (void)state;
    for (int i = 0; i < capture_count; i++)
        for (int round = 0; round < SPLITS; round++) {
            struct player player;
            size_t at = 0, part;

            start(&player, &captures[i]);
            for (; at < captures[i].length; at += part) {
                part = 1 + (size_t)rand_r(&seed) % (captures[i].length - at);
                feed(&player, captures[i].bytes + at, part);
            }
            compare(&captures[i], &player.got, 0, true, "split");
            stop(&player);
        }
}

/* Bytes as a wrong speed brings them, ended by a line end: they are no reading, and what follows is read. */
static void test_noise_in_front(void **state)
{
    static const uint8_t junk[] = { 0x1b, 0x7f, 'x', 0x80, 'Q', ' ', 0xc2, '~', 0x00, '@', 0xfe, '#' };
    unsigned seed = 1857;

    (void)state;
    for (int i = 0; i < capture_count; i++)
        for (int round = 0; round < SPLITS && has_line(&captures[i]); round++) {
            struct player player;
            uint8_t noise[200];
            size_t length = 1 + (size_t)rand_r(&seed) % (sizeof noise - 3);

            noise[0] = '@';
            for (size_t at = 1; at < length; at++)
                noise[at] = junk[(size_t)rand_r(&seed) % sizeof junk];
            memcpy(noise + length, "\r\n", 2);
            start(&player, &captures[i]);
            feed(&player, noise, length + 2);
            for (int outcome = 0; outcome < player.got.count; outcome++)
                assert_memory_equal(player.got.text[outcome], "reject ", 7);
            player.got.count = 0;
            if (captures[i].fresh && player.driver->opened)
                player.driver->opened(player.state);
            feed(&player, captures[i].bytes, captures[i].length);
            compare(&captures[i], &player.got, 0, true, "after noise");
            stop(&player);
        }
}

/* The device is lost, or half a frame expires, at any byte; what comes next begins there.  Nothing that was
 * not sent whole may be read. */
static void test_cut_in_the_middle(void **state)
{
    (void)state;
    for (int i = 0; i < capture_count; i++)
        for (size_t cut = 1; cut < captures[i].length && has_line(&captures[i]); cut++) {
            struct player player;
            int first = 0;

            start(&player, &captures[i]);
            player.length = 0;
            feed(&player, captures[i].bytes, cut);
            for (int outcome = 0; outcome < player.got.count; outcome++)
                assert_string_equal(player.got.text[outcome], captures[i].expected.text[outcome]);
            player.length = 0;
            player.got.count = 0;
            if (player.driver->opened)
                player.driver->opened(player.state);
            feed(&player, captures[i].bytes + cut, captures[i].length - cut);
            while (first < player.got.count && strncmp(player.got.text[first], "reject ", 7) == 0)
                first++;
            compare(&captures[i], &player.got, first, false, "cut");
            stop(&player);
        }
}

static void test_every_driver_has_a_capture(void **state)
{
    (void)state;
    for (const struct driver *const *driver = drivers; *driver; driver++) {
        int count = 0;

        for (int i = 0; i < capture_count; i++)
            count += strcmp(captures[i].driver, (*driver)->name) == 0;
        assert_true(count > 0);
    }
}

static int read_all(void **state)
{
    glob_t found;

    (void)state;
    captures = calloc(CASES_MOST, sizeof *captures);
    assert_non_null(captures);
    assert_int_equal(glob(TEST_FOLDER "/*.capture", 0, NULL, &found), 0);
    for (size_t i = 0; i < found.gl_pathc; i++)
        read_file(found.gl_pathv[i]);
    globfree(&found);
    return 0;
}

static int free_all(void **state)
{
    (void)state;
    free(captures);
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_whole),
        cmocka_unit_test(test_byte_by_byte),
        cmocka_unit_test(test_split_at_random),
        cmocka_unit_test(test_noise_in_front),
        cmocka_unit_test(test_cut_in_the_middle),
        cmocka_unit_test(test_every_driver_has_a_capture),
    };

    return cmocka_run_group_tests(tests, read_all, free_all);
}
