/* The text of a tasting: written, read back, sealed, locked, and what is no such text. */
#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#include "poise/tasting_lock.h"

static struct tasting_session session, back;
static char text[TASTING_TEXT_SIZE], again[TASTING_TEXT_SIZE], lock[TASTING_LOCK_SIZE];
static struct why why;

static void make(enum tasting_method method)
{
    memset(&session, 0, sizeof session);
    strcpy(session.name, "round-1");
    strcpy(session.question, "does the longer steep show?");
    strcpy(session.experiment, "ferry-steep");
    session.made_us = 1795600800000000;
    session.method = method;
    session.expected = method == TASTING_DIRECTIONAL ? 1 : -1;
    session.sample_count = method == TASTING_RANKING ? 3 : 2;
    for (int i = 0; i < session.sample_count; i++) {
        snprintf(session.sample[i].label, TASTING_LABEL_SIZE, "steep %d s", 60 + 60 * i);
        snprintf(session.sample[i].level, TASTING_LEVEL_SIZE, "{\"steep_s\": %d}", 60 + 60 * i);
        snprintf(session.sample[i].brews, TASTING_BREWS_SIZE, "pier-20261125-%03d", i + 1);
    }
    session.taster_count = 2;
    strcpy(session.taster[0], "Ines");
    strcpy(session.taster[1], "Tom Quay");
    session.alpha = TASTING_ALPHA;
    session.power = TASTING_POWER;
    session.share = TASTING_SHARE;
    session.limit = TASTING_LIMIT;
    session.beta = TASTING_BETA;
    session.planned = 12;
    session.rest_s = 120;
    session.cup_ml = 20;
    session.sets = 14;
    for (int i = 0; i < session.sets; i++) {
        session.of[i].taster = i / 7;
        session.of[i].warm_up = i % 7 == 0;
    }
    strcpy(session.salt, "00ff");
    strcpy(session.chain, "12ab");
    tasting_rule(&session);
    assert_int_equal(
        tasting_draw(method, session.sample_count, session.sets, tasting_system_random, NULL, session.set, &why), 0);
}

static void a_text_reads_back_and_the_open_part_hides_the_cups(void **state)
{
    (void)state;
    for (int method = 0; method < TASTING_METHOD_COUNT; method++) {
        make((enum tasting_method)method);
        assert_true(tasting_text_write(&session, true, text) > 0);
        assert_int_equal(tasting_text_read(text, &back, &why), 0);
        assert_true(back.open);
        assert_int_equal(tasting_counted(&back), 12);
        for (int set = 0; set < session.sets; set++) {
            assert_memory_equal(back.set[set].sample, session.set[set].sample, (size_t)session.set[set].cups);
            assert_int_equal(back.set[set].reference, session.set[set].reference);
        }
        assert_true(tasting_text_write(&session, false, again) > 0);
        assert_int_equal(strncmp(text, again, strlen(again)), 0); /* the sealed text begins with the open one */
        assert_null(strstr(again, "cups "));
        assert_null(strstr(again, "12ab"));
        assert_int_equal(tasting_text_read(again, &back, &why), 0);
        assert_false(back.open);
        assert_int_equal(back.taster_count, 2);
        assert_string_equal(back.taster[1], "Tom Quay");
    }
}

/* All that decides the verdict is in it. */
static void every_line_of_the_open_part_matters(void **state)
{
    static const char *const changes[][2] = { { "method triangle", "method tetrad" },
                                              { "sample A steep 60", "sample A steep 61" },
                                              { "taster 2 Tom", "taster 2 Tim" },
                                              { "served helper", "served alone" },
                                              { "planned 12", "planned 11" },
                                              { "alpha 0.05", "alpha 0.06" },
                                              { "limit 0.3", "limit 0.4" },
                                              { "looks none", "looks spending" },
                                              { "question does", "question Does" },
                                              { "p <= 0.05", "p <= 0.50" },
                                              { "warm-up codes", "codes" } };
    char seal[TASTING_SEAL_SIZE], other[TASTING_SEAL_SIZE], differs[256];

    (void)state;
    make(TASTING_TRIANGLE);
    assert_true(tasting_text_write(&session, true, text) > 0);
    tasting_seal(text, seal);
    for (size_t i = 0; i < sizeof changes / sizeof *changes; i++) {
        const char *at = strstr(text, changes[i][0]);

        assert_non_null(at);
        snprintf(again, sizeof again, "%.*s%s%s", (int)(at - text), text, changes[i][1], at + strlen(changes[i][0]));
        tasting_seal(again, other);
        assert_string_not_equal(seal, other);
        assert_true(tasting_text_differs(again, text, differs, sizeof differs));
    }
}

static void texts_of_another_form_are_refused(void **state)
{
    static const char *const changes[][2] = { { "cups 1 ", "cups  1 " },       { "cups 1 ", "cups 2 " },
                                              { "planned 12", "planned 012" }, { "taster 1 ", "taster 3 " },
                                              { "set 1 ", "set 0 " },          { "method triangle", "method guess" },
                                              { "sample B", "sample C" },      { "salt ", "pepper " } };

    (void)state;
    make(TASTING_TRIANGLE);
    assert_true(tasting_text_write(&session, true, text) > 0);
    for (size_t i = 0; i < sizeof changes / sizeof *changes; i++) {
        const char *at = strstr(text, changes[i][0]);

        assert_non_null(at);
        snprintf(again, sizeof again, "%.*s%s%s", (int)(at - text), text, changes[i][1], at + strlen(changes[i][0]));
        assert_int_equal(tasting_text_read(again, &back, &why), -EINVAL);
    }
    for (size_t length = 0; length < strlen(text); length += 7) { /* cut anywhere: never read as something else */
        snprintf(again, sizeof again, "%.*s", (int)length, text);
        if (tasting_text_read(again, &back, &why) == 0)
            assert_int_equal(again[length - 1], '\n');
    }
}

/* The example of FIPS 180-4: SHA-256 of "abc". */
static void the_seal_is_sha_256_and_may_be_noted_in_short(void **state)
{
    char seal[TASTING_SEAL_SIZE], noted[TASTING_SHORT_SIZE];

    (void)state;
    tasting_seal("abc", seal);
    assert_string_equal(seal, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    assert_string_equal(tasting_short(seal, noted), "ba78 16bf 8f01 cfea");
    assert_true(tasting_noted("ba78 16bf 8f01 cfea", seal));
    assert_true(tasting_noted("BA7816BF8F01CFEA", seal));
    assert_true(tasting_noted(seal, seal));
    assert_false(tasting_noted("ba78 16bf 8f01 cfeb", seal));
    assert_false(tasting_noted("ba78 16bf 8f01", seal)); /* too short to prove anything */
    assert_false(tasting_noted("", seal));
}

static void only_the_helpers_word_opens_the_lock(void **state)
{
    (void)state;
    make(TASTING_TRIANGLE);
    assert_true(tasting_text_write(&session, true, text) > 0);
    assert_int_equal(tasting_lock(text, "pier", lock, &why), -EINVAL);
    assert_int_equal(tasting_lock(text, "gangway at noon", lock, &why), 0);
    assert_null(strstr(lock, "cups"));
    assert_int_equal(tasting_unlock(lock, "gangway at noon", again, &why), 0);
    assert_string_equal(again, text);
    assert_int_equal(tasting_unlock(lock, "gangway at one", again, &why), -EACCES);
    lock[strlen(lock) - 1] ^= 1;
    assert_int_equal(tasting_unlock(lock, "gangway at noon", again, &why), -EACCES);
    assert_int_equal(tasting_unlock("argon2id 00 11 22", "gangway at noon", again, &why), -EACCES);
    assert_int_equal(tasting_unlock("", "gangway at noon", again, &why), -EACCES);
}

static void a_key_file_is_for_its_user_alone(void **state)
{
    char folder[] = "/tmp/poise-key-XXXXXX", path[64], link_path[64];
    struct stat about;

    (void)state;
    assert_non_null(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/keys/round-1.key", folder);
    snprintf(link_path, sizeof link_path, "%s/link", folder);
    assert_int_equal(tasting_key_file_write(path, "sealed\n", &why), 0);
    assert_int_equal(tasting_key_file_write(path, "other\n", &why), -EEXIST);
    assert_int_equal(stat(path, &about), 0);
    assert_int_equal(about.st_mode & 0777, 0600);
    assert_int_equal(tasting_key_file_read(path, again, &why), 0);
    assert_string_equal(again, "sealed\n");
    assert_int_equal(symlink(path, link_path), 0);
    assert_true(tasting_key_file_read(link_path, again, &why) < 0);
    assert_int_equal(chmod(path, 0640), 0);
    assert_int_equal(tasting_key_file_read(path, again, &why), -EACCES);
    unlink(link_path);
    unlink(path);
    snprintf(path, sizeof path, "%s/keys", folder);
    rmdir(path);
    rmdir(folder);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_text_reads_back_and_the_open_part_hides_the_cups),
        cmocka_unit_test(every_line_of_the_open_part_matters),
        cmocka_unit_test(texts_of_another_form_are_refused),
        cmocka_unit_test(the_seal_is_sha_256_and_may_be_noted_in_short),
        cmocka_unit_test(only_the_helpers_word_opens_the_lock),
        cmocka_unit_test(a_key_file_is_for_its_user_alone),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
