/* The journal lets go of what its readers have when it is old, and of nothing else before it is too large; of little
 * more when the wall clock lies. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "journal/journal.h"

enum { DAYS = 30, PATIENCE_MS = 20000 };

static const int64_t DAY_US = INT64_C(86400000000);

static struct journal_limits limits;
static uint64_t read_up_to; /* 0: nobody reads */
static char folder[64];
static char path[96];

static int set_up(void **state)
{
    (void)state;
    limits = (struct journal_limits){ DAYS, INT64_C(1) << 40 };
    read_up_to = INT64_MAX;
    strcpy(folder, "/tmp/poise-journal-XXXXXX");
    if (!mkdtemp(folder))
        return -1;
    snprintf(path, sizeof path, "%s/journal.db", folder);
    return 0;
}

static int tear_down(void **state)
{
    char command[128];

    (void)state;
    snprintf(command, sizeof command, "rm -rf %s", folder);
    return system(command);
}

static void wake(void *context)
{
    (void)context;
}

static struct journal *open_journal(void)
{
    struct journal *journal;
    struct why notice, why;

    assert_int_equal(journal_open(&journal, path, &limits, wake, NULL, &notice, &why), 0);
    assert_string_equal(notice.text, "");
    return journal;
}

/* Each of the messages at that time is a commit, and so a row, of its own.  Nothing old rests an hour: so it is opened
 * again for each run of messages. */
static void add(uint64_t first, uint64_t last, int64_t time_us)
{
    struct journal *journal = open_journal();
    struct why why;

    if (read_up_to)
        journal_read_by(journal, "logger", read_up_to);
    assert_int_equal(journal_start(journal, &why), 0);
    for (uint64_t seq = first; seq <= last; seq++) {
        char json[40];
        int length = snprintf(json, sizeof json, "{\"seq\":%llu}", (unsigned long long)seq);

        journal_hold(journal);
        journal_event(journal, "event/pier/stage", 16, json, (size_t)length, seq, time_us + (int64_t)seq);
        assert_true(journal_release(journal, PATIENCE_MS));
    }
    assert_int_equal(journal_close(journal), 0);
}

static void count_entry(void *context, const char *topic, size_t topic_length, const char *json, size_t json_length)
{
    int *count = context;

    (void)topic;
    (void)topic_length;
    (void)json;
    (void)json_length;
    (*count)++;
}

static int kept(void)
{
    struct journal *journal = open_journal();
    struct why why;
    int count = 0;

    assert_int_equal(journal_replay(journal, 0, count_entry, &count, &why), 0);
    journal_close(journal);
    return count;
}

/* Up to which message anything may be missing, as a reader is informed. */
static uint64_t gone(void)
{
    struct journal *journal = open_journal();
    struct journal_news news;
    struct why why;
    uint64_t seq;

    assert_int_equal(journal_start(journal, &why), 0);
    assert_int_equal(journal_ask(journal, 0, 1, malloc(1)), 0);
    while ((news = journal_news(journal)).kind != JOURNAL_ANSWER)
        assert_in_range(news.kind, JOURNAL_NOTHING, JOURNAL_RENEWED);
    seq = news.gone_seq;
    free(news.text);
    free(news.question);
    journal_close(journal);
    return seq;
}

static void test_rows_older_than_the_days_kept_go(void **state)
{
    (void)state;
    for (uint64_t seq = 1; seq <= 3; seq++)
        add(seq, seq, (int64_t)seq * 20 * DAY_US);
    assert_int_equal(kept(), 2);
    assert_int_equal(gone(), 1);
}

/* A clock set ten years ahead makes everything old; then no more than two rows go for one that comes, so that whoever
 * was away can read the rest.  When it is right again, what it left behind goes in its turn. */
static void test_a_clock_set_far_ahead_takes_little(void **state)
{
    enum { ROWS = 200, AHEAD = 20 };
    int before;

    (void)state;
    add(1, ROWS, 100 * DAY_US);
    add(ROWS + 1, ROWS + AHEAD, 3650 * DAY_US);
    before = kept();
    assert_in_range(before, ROWS + AHEAD - 2 * AHEAD, ROWS + AHEAD - 1);
    add(ROWS + AHEAD + 1, ROWS + AHEAD + 1, 101 * DAY_US);
    assert_int_equal(kept(), before + 1);
    add(ROWS + AHEAD + 2, 2 * ROWS, 141 * DAY_US);
    assert_int_equal(kept(), ROWS - AHEAD - 1);
}

/* Brews that no logger has are there however old they seem, and however the clock is set. */
static void what_is_unread_stays(void **state)
{
    (void)state;
    read_up_to = 0;
    for (uint64_t seq = 1; seq <= 3; seq++)
        add(seq, seq, (int64_t)seq * 200 * DAY_US);
    add(4, 30, DAY_US); /* set back: all before it is later than now */
    assert_int_equal(kept(), 30);
    read_up_to = 2;
    add(31, 31, 700 * DAY_US);
    add(32, 40, 701 * DAY_US); /* more come, so more might go */
    assert_int_equal(kept(), 38);
    read_up_to = INT64_MAX;
    add(41, 60, 702 * DAY_US);
    assert_int_equal(kept(), 60 - 30);
}

/* Two loggers: what one of them has not is kept for it. */
static void the_slowest_reader_is_waited_for(void **state)
{
    struct journal *journal;
    struct why why;

    (void)state;
    read_up_to = INT64_MAX;
    add(1, 10, 10 * DAY_US);
    journal = open_journal();
    journal_read_by(journal, "logger", INT64_MAX);
    journal_read_by(journal, "other", 4);
    assert_int_equal(journal_start(journal, &why), 0);
    for (uint64_t seq = 11; seq <= 20; seq++) {
        char json[40];
        int length = snprintf(json, sizeof json, "{\"seq\":%llu}", (unsigned long long)seq);

        journal_hold(journal);
        journal_event(journal, "event/pier/stage", 16, json, (size_t)length, seq, 100 * DAY_US);
        assert_true(journal_release(journal, PATIENCE_MS));
    }
    journal_close(journal);
    assert_int_equal(kept(), 20 - 4);
    add(21, 21, 100 * DAY_US); /* "other" is remembered over a restart, as it was when it was heard last */
    assert_int_equal(kept(), 21 - 4);
}

/* A row of so many bytes, outside a brew or in one. */
static void add_rows(uint64_t first, uint64_t last, int64_t time_us, size_t bytes, bool precious)
{
    struct journal *journal = open_journal();
    struct why why;
    char *json = malloc(bytes + 64);

    if (read_up_to)
        journal_read_by(journal, "logger", read_up_to);
    assert_non_null(json);
    assert_int_equal(journal_start(journal, &why), 0);
    for (uint64_t seq = first; seq <= last; seq++) {
        int length =
            snprintf(json, bytes + 64, "{\"seq\":%llu,\"x\":\"%0*d\"}", (unsigned long long)seq, (int)bytes, 0);

        journal_reading(journal, "reading/pier/left", 17, json, (size_t)length, seq, time_us + (int64_t)seq, precious);
        journal_hold(journal);
        while (!journal_release(journal, PATIENCE_MS))
            journal_hold(journal);
    }
    free(json);
    assert_int_equal(journal_close(journal), 0);
}

static void readings_outside_brews_go_sooner(void **state)
{
    (void)state;
    add_rows(1, 10, 1 * DAY_US, 100, false);
    add_rows(11, 20, 1 * DAY_US, 100, true);
    add_rows(21, 21, 5 * DAY_US, 100, true);
    assert_int_equal(kept(), 11);
    assert_int_equal(gone(), 0); /* whoever was away misses nothing of a brew */
}

/* Read ones first; then those outside brews; at last the oldest of all. */
static void the_size_is_kept_and_what_is_worth_most_goes_last(void **state)
{
    enum { BYTES = 10000 };

    (void)state;
    limits.bytes = 1000000;
    read_up_to = 20;
    add_rows(1, 20, DAY_US, BYTES, true);   /* 200 KB that are read */
    add_rows(21, 60, DAY_US, BYTES, false); /* 400 KB outside brews */
    add_rows(61, 100, DAY_US, BYTES, true); /* 400 KB of brews */
    add_rows(101, 101, DAY_US, BYTES, true);
    assert_int_equal(kept(), 81);
    add_rows(102, 150, DAY_US, BYTES, true);
    add_rows(151, 151, DAY_US, BYTES, true);
    assert_int_equal(kept(), 91);
    add_rows(152, 300, DAY_US, BYTES, true);
    for (uint64_t seq = 301; seq < 306; seq++)
        add_rows(seq, seq, DAY_US, BYTES, true);
    assert_in_range(kept(), 30, 99);
}

/* Idle rows behind more precious ones than are looked at with one commit: they go first all the same. */
static void what_lies_far_behind_goes_before_what_is_precious(void **state)
{
    enum { PRECIOUS = 1500, IDLE = 100, BYTES = 10000 };

    (void)state;
    read_up_to = 0;
    add_rows(1, PRECIOUS, DAY_US, 10, true);
    add_rows(PRECIOUS + 1, PRECIOUS + IDLE, DAY_US, BYTES, false);
    limits.bytes = 500000;
    add_rows(PRECIOUS + IDLE + 1, PRECIOUS + IDLE + 20, DAY_US, 10, true);
    assert_in_range(kept(), PRECIOUS + 20, PRECIOUS + 20 + IDLE - 64); /* by bites of 64 */
}

struct kept_reader {
    uint64_t seq;
    int64_t silent_ms;
};

static void put_reader(const char *name, uint64_t seq, int64_t silent_days)
{
    struct kept_reader reader = { seq, silent_days * 86400 * 1000 };
    sqlite3_stmt *statement;
    sqlite3 *database;

    assert_int_equal(sqlite3_open(path, &database), SQLITE_OK);
    assert_int_equal(sqlite3_prepare_v2(database, "INSERT INTO keep(name, value) VALUES(?1, ?2)", -1, &statement, NULL),
                     SQLITE_OK);
    sqlite3_bind_text(statement, 1, name, -1, SQLITE_STATIC);
    sqlite3_bind_blob(statement, 2, &reader, sizeof reader, SQLITE_STATIC);
    assert_int_equal(sqlite3_step(statement), SQLITE_DONE);
    sqlite3_finalize(statement);
    sqlite3_close(database);
}

/* How many news report this. */
static int reported(struct journal *journal, const char *words)
{
    struct journal_news news;
    int count = 0;

    while ((news = journal_news(journal)).kind != JOURNAL_NOTHING)
        count += strstr(news.why.text, words) != NULL;
    return count;
}

/* A logger that ran once and never again; one that was on holiday is waited for. */
static void a_reader_that_is_gone_is_not_waited_for(void **state)
{
    struct journal *journal;
    struct why why;

    (void)state;
    add(1, 10, 10 * DAY_US);
    put_reader("reader/trial", 3, DAYS);
    put_reader("reader/holiday", 6, DAYS - 1);
    journal = open_journal();
    journal_read_by(journal, "logger", INT64_MAX);
    assert_int_equal(journal_start(journal, &why), 0);
    for (uint64_t seq = 11; seq <= 20; seq++) {
        char json[40];
        int length = snprintf(json, sizeof json, "{\"seq\":%llu}", (unsigned long long)seq);

        journal_hold(journal);
        journal_event(journal, "event/pier/stage", 16, json, (size_t)length, seq, 100 * DAY_US);
        assert_true(journal_release(journal, PATIENCE_MS));
    }
    journal_hold(journal);
    assert_true(journal_release(journal, PATIENCE_MS));
    assert_int_equal(reported(journal, "reader trial has not been connected for 30 days"), 1);
    journal_close(journal);
    assert_int_equal(kept(), 20 - 6);
    add(21, 40, 100 * DAY_US); /* it stays forgotten */
    assert_int_equal(kept(), 40 - 6);
}

static void a_reader_too_many_is_reported_once(void **state)
{
    struct journal *journal = open_journal();
    struct why why;

    (void)state;
    assert_int_equal(journal_start(journal, &why), 0);
    for (int i = 0; i < 20; i++) {
        char name[32];

        snprintf(name, sizeof name, "reader-%d", i);
        journal_read_by(journal, name, 1);
    }
    assert_int_equal(reported(journal, "16 readers are waited for, and reader reader-16 is one too many"), 1);
    journal_close(journal);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_rows_older_than_the_days_kept_go, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_clock_set_far_ahead_takes_little, set_up, tear_down),
        cmocka_unit_test_setup_teardown(what_is_unread_stays, set_up, tear_down),
        cmocka_unit_test_setup_teardown(the_slowest_reader_is_waited_for, set_up, tear_down),
        cmocka_unit_test_setup_teardown(readings_outside_brews_go_sooner, set_up, tear_down),
        cmocka_unit_test_setup_teardown(the_size_is_kept_and_what_is_worth_most_goes_last, set_up, tear_down),
        cmocka_unit_test_setup_teardown(what_lies_far_behind_goes_before_what_is_precious, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_reader_that_is_gone_is_not_waited_for, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_reader_too_many_is_reported_once, set_up, tear_down),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
