/* The journal lets go of what is older than it is to keep, and of little more when the wall clock lies. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "journal/journal.h"

enum { DAYS = 30, PATIENCE_MS = 20000 };

static const int64_t DAY_US = INT64_C(86400000000);

static char folder[64];
static char path[96];

static int set_up(void **state)
{
    (void)state;
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

    assert_int_equal(journal_open(&journal, path, DAYS, wake, NULL, &notice, &why), 0);
    assert_string_equal(notice.text, "");
    return journal;
}

/* Each of the messages at that time is a commit, and so a row, of its own.  Nothing old rests an hour: so it is opened
 * again for each run of messages. */
static void add(uint64_t first, uint64_t last, int64_t time_us)
{
    struct journal *journal = open_journal();
    struct why why;

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

static void test_rows_older_than_the_days_kept_go(void **state)
{
    (void)state;
    for (uint64_t seq = 1; seq <= 3; seq++)
        add(seq, seq, (int64_t)seq * 20 * DAY_US);
    assert_int_equal(kept(), 2);
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

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_rows_older_than_the_days_kept_go, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_clock_set_far_ahead_takes_little, set_up, tear_down),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
