/* The journal: nothing committed is lost by a kill, nothing is given twice, and a disk that takes
 * nothing costs no event. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <sqlite3.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <unistd.h>

#include "journal/journal.h"
#include "journal/journal_file.h"
#include "journal/journal_tail.h"

static const struct journal_limits limits = { 30, INT64_C(1) << 40 };
static char folder[64];
static char path[96];
static int woken = -1; /* an eventfd: the journal has news */

/* In place of the C library's, for SQLite: how often something was to reach the disk. */
static atomic_int syncs;
static int synced = -1; /* an eventfd; -1: nobody waits */
int fdatasync(int file)
{
    uint64_t one = 1;

    atomic_fetch_add(&syncs, 1);
    if (synced >= 0)
        assert_int_equal(write(synced, &one, sizeof one), sizeof one);
    return (int)syscall(SYS_fdatasync, file);
}

static int set_up(void **state)
{
    (void)state;
    strcpy(folder, "/tmp/poise-journal-XXXXXX");
    if (!mkdtemp(folder))
        return -1;
    snprintf(path, sizeof path, "%s/journal.db", folder);
    woken = eventfd(0, EFD_CLOEXEC);
    return woken < 0 ? -1 : 0;
}

static int tear_down(void **state)
{
    char command[128];

    (void)state;
    close(woken);
    snprintf(command, sizeof command, "rm -rf %s", folder);
    return system(command);
}

static void wake(void *context)
{
    uint64_t one = 1;

    (void)context;
    assert_int_equal(write(woken, &one, sizeof one), sizeof one);
}

/* The next news of that kind; others of no interest are skipped. */
static struct journal_news wait_news(struct journal *journal, enum journal_news_kind kind)
{
    struct pollfd poll_for = { .fd = woken, .events = POLLIN };
    uint64_t count;

    for (;;) {
        struct journal_news news = journal_news(journal);

        if (news.kind == kind)
            return news;
        free(news.text);
        if (news.kind != JOURNAL_NOTHING)
            continue;
        assert_int_equal(poll(&poll_for, 1, 20000), 1);
        assert_int_equal(read(woken, &count, sizeof count), sizeof count);
    }
}

static struct journal *open_started(void)
{
    struct journal *journal;
    struct why notice, why;

    assert_int_equal(journal_open(&journal, path, &limits, wake, NULL, &notice, &why), 0);
    assert_string_equal(notice.text, "");
    assert_int_equal(journal_start(journal, &why), 0);
    return journal;
}

static void add_reading(struct journal *journal, uint64_t seq)
{
    char json[120];
    int length = snprintf(json, sizeof json, "{\"v\":1,\"bench\":\"pier\",\"seq\":%llu,\"value\":\"]},{[\\\"\"}",
                          (unsigned long long)seq);

    journal_reading(journal, "reading/pier/left", 17, json, (size_t)length, seq, (int64_t)seq * 1000, false);
}

static bool add_event(struct journal *journal, uint64_t seq, int wait_ms)
{
    char json[80];
    int length = snprintf(json, sizeof json, "{\"v\":1,\"seq\":%llu,\"stage\":\"pour\"}", (unsigned long long)seq);

    journal_hold(journal);
    journal_event(journal, "event/pier/stage", 16, json, (size_t)length, seq, (int64_t)seq * 1000);
    return journal_release(journal, wait_ms);
}

/* What is committed before its time because it is much is not synced at once, for the disk would be waited for all the
 * time; it is three seconds later, also when nothing more comes. */
static void much_is_on_the_disk_soon_after_it_ended(void **state)
{
    enum { MUCH = 140 << 10 };
    struct journal *journal;
    struct pollfd poll_for = { .events = POLLIN };
    int length, before;
    char *json;

    (void)state;
    if (!getenv("POISE_WHOLE")) /* it takes those three seconds */
        skip();
    json = malloc(MUCH + 64);
    assert_non_null(json);
    journal = open_started();
    assert_true(add_event(journal, 1, 20000));
    before = atomic_load(&syncs);
    assert_true(before > 0);
    length = sprintf(json, "{\"v\":1,\"seq\":2,\"x\":\"%0*d\"}", MUCH, 0);
    poll_for.fd = synced = eventfd(0, EFD_CLOEXEC);
    journal_reading(journal, "reading/pier/left", 17, json, (size_t)length, 2, 2000, false);
    assert_int_equal(poll(&poll_for, 1, 20000), 1);
    journal_close(journal);
    close(synced);
    synced = -1;
    free(json);
}

/* Asks, and returns the answer's entries as text; counts them and checks that they ascend by one. */
static char *ask(struct journal *journal, uint64_t after, size_t most, uint64_t *next, int *count)
{
    struct journal_news news;
    struct journal_entry entry;
    void *question = malloc(1);
    uint64_t seq = after;

    assert_int_equal(journal_ask(journal, after, most, question), 0);
    news = wait_news(journal, JOURNAL_ANSWER);
    assert_ptr_equal(news.question, question);
    assert_non_null(news.text);
    free(question);
    *count = 0;
    for (size_t at = 0; at < news.length; at += entry.length + 1) {
        assert_int_equal(journal_entry_read(news.text + at, news.length - at, &entry), 0);
        assert_int_equal(entry.seq, ++seq);
        ++*count;
    }
    *next = news.next_seq;
    return news.text;
}

static void test_answers_hold_what_was_added_and_not_yet_committed(void **state)
{
    struct journal *journal = open_started();
    uint64_t next;
    int count;
    char *text;

    (void)state;
    for (uint64_t seq = 1; seq <= 500; seq++)
        add_reading(journal, seq);
    text = ask(journal, 0, 1 << 20, &next, &count);
    assert_int_equal(count, 500);
    assert_int_equal(next, 500);
    assert_memory_equal(text, "[\"reading/pier/left\",{\"v\":1,", 28);
    free(text);
    text = ask(journal, 499, 1 << 20, &next, &count);
    assert_int_equal(count, 1);
    free(text);
    text = ask(journal, 500, 1 << 20, &next, &count);
    assert_int_equal(count, 0);
    assert_int_equal(next, 500);
    free(text);
    assert_int_equal(journal_close(journal), 0);
}

static void test_chunks_join_without_gap_or_repeat(void **state)
{
    struct journal *journal = open_started();
    uint64_t next = 0;
    int count, total = 0, chunks = 0;

    (void)state;
    for (uint64_t seq = 1; seq <= 1000; seq++) {
        add_reading(journal, seq);
        if (seq % 97 == 0)
            add_event(journal, ++seq, 0);
    }
    do {
        free(ask(journal, next, 1000, &next, &count));
        total += count;
        chunks++;
    } while (count);
    assert_int_equal(total, 1000);
    assert_in_range(chunks, 70, 110); /* some 78 bytes each, 1000 bytes a chunk */
    /* even one message longer than a chunk is handed out */
    free(ask(journal, 10, 1, &next, &count));
    assert_int_equal(count, 1);
    assert_int_equal(next, 11);
    assert_int_equal(journal_close(journal), 0);
}

static void count_entry(void *context, const char *topic, size_t topic_length, const char *json, size_t json_length)
{
    (void)topic;
    (void)topic_length;
    (void)json;
    (void)json_length;
    ++*(int *)context;
}

static void test_an_event_survives_kill_9_the_moment_release_returns(void **state)
{
    struct journal *journal;
    struct why notice, why;
    uint64_t last;
    int ready[2];
    int entries = 0;
    char byte;
    pid_t child;

    (void)state;
    assert_int_equal(pipe(ready), 0);
    if ((child = fork()) == 0) {
        journal = open_started();
        add_reading(journal, 1);
        while (!add_event(journal, 2, 20000))
            abort();
        if (write(ready[1], "x", 1) != 1)
            abort();
        for (;;)
            pause();
    }
    assert_int_equal(read(ready[0], &byte, 1), 1);
    kill(child, SIGKILL);
    waitpid(child, NULL, 0);
    close(ready[0]);
    close(ready[1]);
    assert_int_equal(journal_open(&journal, path, &limits, wake, NULL, &notice, &why), 0);
    assert_int_equal(journal_last(journal, &last, &why), 0);
    assert_int_equal(last, 2);
    assert_int_equal(journal_replay(journal, 0, count_entry, &entries, &why), 0);
    assert_int_equal(entries, 2);
    journal_close(journal);
}

/* The child adds readings until it is killed, after a commit or before one; then all that it had added is there. */
static void a_reading_survives_kill_9_the_moment_it_is_added(void **state)
{
    static const int counts[] = { 1, 20, 2000 }; /* the last are more than wait for a commit */

    (void)state;
    for (uint64_t before = 0, i = 0; i < 3; i++) {
        struct journal *journal;
        struct why notice, why;
        int ready[2], entries = 0;
        uint64_t last;
        char byte;
        pid_t child;

        assert_int_equal(pipe(ready), 0);
        if ((child = fork()) == 0) {
            journal = open_started();
            for (int n = 0; n < counts[i]; n++)
                add_reading(journal, ++before);
            if (write(ready[1], "x", 1) != 1)
                abort();
            for (;;)
                pause();
        }
        assert_int_equal(read(ready[0], &byte, 1), 1);
        kill(child, SIGKILL);
        waitpid(child, NULL, 0);
        close(ready[0]);
        close(ready[1]);
        before += (uint64_t)counts[i];
        assert_int_equal(journal_open(&journal, path, &limits, wake, NULL, &notice, &why), 0);
        assert_int_equal(journal_last(journal, &last, &why), 0);
        assert_int_equal(last, before);
        assert_int_equal(journal_replay(journal, 0, count_entry, &entries, &why), 0);
        assert_int_equal(entries, before);
        journal_close(journal);
    }
}

struct tail_found {
    int count;
    uint64_t seq[100];
};

static void note_tail(void *context, const char *text, size_t length)
{
    struct tail_found *found = context;
    struct journal_entry entry;

    assert_int_equal(journal_entry_read(text, length, &entry), 0);
    assert_in_range(found->count, 0, 99);
    found->seq[found->count++] = entry.seq;
}

static void tail_add_seq(struct journal_tail *tail, uint64_t seq)
{
    char text[80];
    int length = snprintf(text, sizeof text, "[\"reading/pier/left\",{\"seq\":%llu}]", (unsigned long long)seq);

    tail_add(tail, text, (size_t)length);
}

static struct tail_found reopened(struct journal_tail *tail)
{
    struct tail_found found = { 0 };

    tail_close(tail);
    tail_open(tail, path, note_tail, &found);
    return found;
}

/* The files take turns; whichever is the older one comes first, and damage ends only the file that it is in. */
static void the_tail_gives_back_what_was_added_in_order(void **state)
{
    struct tail_found found = { 0 };
    struct journal_tail tail;
    char name[600];
    FILE *file;

    (void)state;
    tail_open(&tail, path, note_tail, &found);
    assert_int_equal(found.count, 0);
    for (uint64_t turn = 0; turn < 4; turn++) {
        for (uint64_t seq = 1; seq <= 10; seq++) {
            if (seq == 6)
                tail_turn(&tail); /* what came before is being committed */
            tail_add_seq(&tail, turn * 10 + seq);
        }
        found = reopened(&tail);
        for (int i = 0; i < 10; i++) /* perhaps with old ones behind each file's */
            assert_int_equal(found.seq[i], turn * 10 + (uint64_t)i + 1);
        tail_empty(&tail, true);
        for (int i = 10; i < found.count; i++)
            assert_true(found.seq[i] <= turn * 10);
    }
    tail_add_seq(&tail, 51);
    tail_turn(&tail);
    tail_add_seq(&tail, 52);
    tail_add_seq(&tail, 53);
    snprintf(name, sizeof name, "%s.tail-%d", path, tail.now + 1);
    tail_close(&tail);
    file = fopen(name, "r+");
    fseek(file, (long)tail.length[tail.now] - 3, SEEK_SET); /* in the last one */
    fputc('!', file);
    fclose(file);
    memset(&found, 0, sizeof found);
    tail_open(&tail, path, note_tail, &found);
    assert_true(found.count >= 2);
    assert_int_equal(found.seq[0], 51);
    for (int i = 1; i < found.count; i++)
        assert_int_not_equal(found.seq[i], 53);
    tail_close(&tail);
}

/* What is refused is not in it, and the next one is, in its place; a number that is noted never becomes a lower one. */
static void the_tail_reports_what_it_cannot_write(void **state)
{
    struct tail_found found = { 0 };
    struct rlimit before, little;
    struct journal_tail tail;

    (void)state;
    signal(SIGXFSZ, SIG_IGN);
    tail_open(&tail, path, note_tail, &found);
    tail_add_seq(&tail, 1);
    tail_note(&tail, 30);
    tail_note(&tail, 0);
    getrlimit(RLIMIT_FSIZE, &before);
    little = before;
    little.rlim_cur = 64;
    setrlimit(RLIMIT_FSIZE, &little);
    assert_int_equal(tail_add(&tail, "[]", 2), -EFBIG);
    setrlimit(RLIMIT_FSIZE, &before);
    tail_add_seq(&tail, 3);
    found = reopened(&tail);
    assert_int_equal(found.count, 2);
    assert_int_equal(found.seq[0], 1);
    assert_int_equal(found.seq[1], 3);
    assert_int_equal(tail.noted_seq, 30);
    tail_close(&tail);
}

static void a_tail_that_is_cut_short_in_use_costs_nothing(void **state)
{
    struct journal *journal = open_started();
    char name[128];
    uint64_t next;
    int count;

    (void)state;
    add_reading(journal, 1);
    for (int i = 1; i <= 2; i++) {
        snprintf(name, sizeof name, "%s.tail-%d", path, i);
        assert_int_equal(truncate(name, 0), 0);
    }
    for (uint64_t seq = 2; seq <= 3000; seq++)
        add_reading(journal, seq);
    assert_int_equal(journal_close(journal), 0);
    journal = open_started();
    free(ask(journal, 0, 1 << 20, &next, &count));
    assert_int_equal(count, 3000);
    assert_int_equal(journal_close(journal), 0);
}

/* Without a tail a reading is committed at once, which is reported once. */
static void without_a_tail_readings_are_committed_soon(void **state)
{
    struct journal *journal;
    struct journal_news news;
    char name[128];

    (void)state;
    for (int i = 1; i <= 2; i++) {
        snprintf(name, sizeof name, "%s.tail-%d", path, i);
        assert_int_equal(mkdir(name, 0700), 0);
    }
    journal = open_started();
    add_reading(journal, 1);
    news = wait_news(journal, JOURNAL_TROUBLE);
    assert_non_null(strstr(news.why.text, "its tail cannot be written: Is a directory"));
    for (uint64_t seq = 2; seq <= 500; seq++)
        add_reading(journal, seq);
    assert_true(add_event(journal, 501, 20000));
    add_reading(journal, 502);
    while ((news = journal_news(journal)).kind != JOURNAL_NOTHING)
        assert_null(strstr(news.why.text, "tail"));
    assert_int_equal(journal_close(journal), 0);
}

static void find_kept(void *context, const char *key, const void *data, size_t length)
{
    char *out = context;

    sprintf(out + strlen(out), "%s=%.*s;", key, (int)length, (const char *)data);
}

static void test_what_is_kept_is_replaced_and_forgotten(void **state)
{
    struct journal *journal = open_started();
    struct why notice, why;
    char kept[200] = "";

    (void)state;
    journal_hold(journal);
    journal_keep(journal, "a", "one", 3);
    journal_keep(journal, "b", "two", 3);
    journal_keep(journal, "a", "three", 5);
    assert_true(journal_release(journal, 20000));
    journal_hold(journal);
    journal_keep(journal, "b", NULL, 0);
    journal_keep(journal, "c", "", 0);
    assert_true(journal_release(journal, 20000));
    journal_close(journal);
    assert_int_equal(journal_open(&journal, path, &limits, wake, NULL, &notice, &why), 0);
    assert_int_equal(journal_kept(journal, find_kept, kept, &why), 0);
    assert_string_equal(kept, "a=three;c=;");
    journal_close(journal);
}

/* A file size limit stands for a full disk: SQLite gets the same refusal from the system. */
static void test_a_full_disk_costs_nothing_when_it_has_room_again(void **state)
{
    struct rlimit before, little;
    struct journal *journal = open_started();
    struct journal_news news;
    uint64_t next;
    int count;

    (void)state;
    signal(SIGXFSZ, SIG_IGN);
    getrlimit(RLIMIT_FSIZE, &before);
    little = before;
    little.rlim_cur = 4096;
    assert_true(add_event(journal, 1, 20000));
    setrlimit(RLIMIT_FSIZE, &little);
    add_event(journal, 2, 0);
    news = wait_news(journal, JOURNAL_TROUBLE);
    assert_non_null(strstr(news.why.text, path));
    assert_false(add_event(journal, 3, 20000)); /* returns at once: the disk is known to be in trouble */
    for (uint64_t seq = 4; seq <= 200; seq++)
        add_reading(journal, seq);
    free(ask(journal, 0, 1 << 20, &next, &count)); /* from memory */
    assert_int_equal(count, 200);
    setrlimit(RLIMIT_FSIZE, &before);
    news = wait_news(journal, JOURNAL_TROUBLE);
    assert_non_null(strstr(news.why.text, "nothing was lost"));
    free(ask(journal, 0, 1 << 20, &next, &count));
    assert_int_equal(count, 200);
    assert_int_equal(journal_close(journal), 0);
}

static void test_a_disk_full_for_long_drops_readings_and_no_event(void **state)
{
    enum { BYTES = 2000, MESSAGES = 40000 }; /* 80 MB, more than is kept */
    static char json[BYTES + 80];
    static char filler[BYTES];
    struct rlimit before, little;
    struct journal *journal = open_started();
    struct journal_news news;
    struct journal_entry entry;
    int events = 0, readings = 0;
    uint64_t lost;
    void *question;

    (void)state;
    signal(SIGXFSZ, SIG_IGN);
    memset(filler, 'x', sizeof filler - 1);
    getrlimit(RLIMIT_FSIZE, &before);
    little = before;
    little.rlim_cur = 4096;
    setrlimit(RLIMIT_FSIZE, &little);
    add_event(journal, 1, 0);
    wait_news(journal, JOURNAL_TROUBLE);
    for (uint64_t seq = 2; seq <= MESSAGES; seq++) {
        int length = snprintf(json, sizeof json, "{\"seq\":%llu,\"x\":\"%s\"}", (unsigned long long)seq, filler);

        if (seq % 100 == 0)
            add_event(journal, seq, 0);
        else
            journal_reading(journal, "reading/pier/left", 17, json, (size_t)length, seq, (int64_t)seq, false);
    }
    setrlimit(RLIMIT_FSIZE, &before);
    news = wait_news(journal, JOURNAL_TROUBLE);
    assert_non_null(strstr(news.why.text, "writes again; "));
    lost = strtoull(strstr(news.why.text, "again; ") + 7, NULL, 10);
    assert_in_range(lost, 4000, 20000);
    question = malloc(1);
    assert_int_equal(journal_ask(journal, 0, SIZE_MAX / 2, question), 0);
    news = wait_news(journal, JOURNAL_ANSWER);
    free(question);
    for (size_t at = 0; at < news.length; at += entry.length + 1) {
        assert_int_equal(journal_entry_read(news.text + at, news.length - at, &entry), 0);
        events += entry.event;
        readings += !entry.event;
    }
    free(news.text);
    assert_int_equal(events, MESSAGES / 100 + 1);
    assert_int_equal((uint64_t)readings + lost + (uint64_t)events, MESSAGES);
    assert_int_equal(journal_close(journal), lost);
}

static void run_sql(const char *sql)
{
    sqlite3 *database;

    assert_int_equal(sqlite3_open(path, &database), SQLITE_OK);
    assert_int_equal(sqlite3_exec(database, sql, NULL, NULL, NULL), SQLITE_OK);
    sqlite3_close(database);
}

static void test_a_newer_journal_and_a_foreign_one_are_left_alone(void **state)
{
    struct journal *journal = open_started();
    struct why notice, why;

    (void)state;
    add_event(journal, 1, 20000);
    journal_close(journal);
    run_sql("PRAGMA user_version=3");
    assert_int_equal(journal_open(&journal, path, &limits, wake, NULL, &notice, &why), -EPROTO);
    assert_non_null(strstr(why.text, "newer"));
    unlink(path);
    run_sql("CREATE TABLE recipes(name)");
    assert_int_equal(journal_open(&journal, path, &limits, wake, NULL, &notice, &why), -EBADF);
    run_sql("INSERT INTO recipes VALUES('still here')");
}

static void test_a_damaged_journal_is_set_aside(void **state)
{
    struct journal *journal;
    struct why notice, why;
    uint64_t last = 99;
    FILE *file = fopen(path, "w");

    (void)state;
    fwrite("SQLite format 3", 1, 16, file); /* so begins every database */
    for (int i = 0; i < 1000; i++)
        fputs("and this is none ", file);
    fclose(file);
    assert_int_equal(journal_open(&journal, path, &limits, wake, NULL, &notice, &why), 0);
    assert_non_null(strstr(notice.text, ".damaged-"));
    assert_int_equal(journal_last(journal, &last, &why), 0);
    assert_int_equal(last, 0);
    journal_close(journal);
}

static int64_t sql_number(const char *sql)
{
    sqlite3_stmt *statement;
    sqlite3 *database;
    int64_t number;

    assert_int_equal(sqlite3_open(path, &database), SQLITE_OK);
    assert_int_equal(sqlite3_prepare_v2(database, sql, -1, &statement, NULL), SQLITE_OK);
    assert_int_equal(sqlite3_step(statement), SQLITE_ROW);
    number = sqlite3_column_int64(statement, 0);
    sqlite3_finalize(statement);
    sqlite3_close(database);
    return number;
}

/* However large it is: its rows stay where they are. */
static void a_journal_of_version_1_is_taken_over_as_it_lies(void **state)
{
    struct journal *journal;
    uint64_t next;
    int64_t pages;
    int count;

    (void)state;
    run_sql("CREATE TABLE journal(first_seq INTEGER PRIMARY KEY, last_seq INTEGER NOT NULL, first_us INTEGER NOT NULL,"
            " messages BLOB NOT NULL); CREATE TABLE keep(name TEXT PRIMARY KEY, value BLOB NOT NULL) WITHOUT ROWID;"
            "PRAGMA application_id=1349470769; PRAGMA user_version=1;"
            "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 200)"
            " INSERT INTO journal SELECT i, i, i * 1000,"
            " CAST('[\"a\",{\"seq\":' || i || ',\"x\":\"' || hex(zeroblob(5000)) || '\"}]' AS BLOB) FROM n;"
            "INSERT INTO keep VALUES('a', x'6f6e65');");
    pages = sql_number("PRAGMA page_count");
    assert_true(pages > 400);
    journal = open_started();
    assert_true(add_event(journal, 201, 20000));
    free(ask(journal, 0, 1 << 24, &next, &count));
    assert_int_equal(count, 201);
    assert_int_equal(journal_close(journal), 0);
    assert_in_range(sql_number("PRAGMA page_count"), pages, pages + 8);
    assert_int_equal(sql_number("PRAGMA user_version"), 2);
    assert_int_equal(sql_number("SELECT count(*) FROM journal WHERE precious AND checksum IS NULL"), 200);
    assert_int_equal(sql_number("SELECT count(*) FROM journal WHERE precious AND checksum IS NOT NULL"), 1);
    assert_int_equal(sql_number("SELECT count(*) FROM keep WHERE value = x'6f6e65' AND checksum IS NULL"), 1);
}

static char trouble[sizeof((struct why *)0)->text]; /* that was reported first before the answer; empty: none */
static int troubles;

static void ask_for_rest(struct journal *journal, uint64_t after, uint64_t *seqs, int *count)
{
    struct pollfd poll_for = { .fd = woken, .events = POLLIN };
    struct journal_news news;
    struct journal_entry entry;
    uint64_t wakes;

    trouble[0] = '\0';
    troubles = 0;
    assert_int_equal(journal_ask(journal, after, 1 << 24, malloc(1)), 0);
    while ((news = journal_news(journal)).kind != JOURNAL_ANSWER) {
        if (news.kind == JOURNAL_TROUBLE && troubles++ == 0)
            strcpy(trouble, news.why.text);
        if (news.kind == JOURNAL_NOTHING) {
            assert_int_equal(poll(&poll_for, 1, 20000), 1);
            assert_int_equal(read(woken, &wakes, sizeof wakes), sizeof wakes);
        }
    }
    assert_non_null(news.text);
    *count = 0;
    for (size_t at = 0; at < news.length; at += entry.length + 1) {
        assert_int_equal(journal_entry_read(news.text + at, news.length - at, &entry), 0);
        seqs[(*count)++] = entry.seq;
    }
    free(news.text);
    free(news.question);
}

/* Another program writes over the file while it is in use. */
static void test_damage_under_way_is_noticed_and_costs_nothing_new(void **state)
{
    enum { BEFORE = 60000 };
    static uint64_t seqs[BEFORE + 2];
    struct journal *journal = open_started();
    uint64_t next;
    int count;
    FILE *file;

    (void)state;
    for (uint64_t seq = 1; seq <= BEFORE; seq++) {
        add_reading(journal, seq);
        if (seq % 2000 == 0)
            assert_true(add_event(journal, ++seq, 20000));
    }
    journal_close(journal); /* all of it is in the file itself now */
    journal = open_started();
    file = fopen(path, "r+");
    fseek(file, 8192, SEEK_SET);
    for (int i = 0; i < 200000; i++)
        fputs("spilled coffee ", file);
    fclose(file);
    ask_for_rest(journal, 100, seqs, &count);
    assert_non_null(strstr(trouble, "damaged on its disk: messages "));
    assert_true(add_event(journal, BEFORE + 1, 20000)); /* in a new file, if need be */
    free(ask(journal, BEFORE, 1 << 20, &next, &count));
    assert_int_equal(count, 1);
    assert_int_equal(journal_close(journal), 0);
}

static long page_of(const char *needle, long *file_size)
{
    static char bytes[1 << 23];
    FILE *file = fopen(path, "r");
    size_t length = fread(bytes, 1, sizeof bytes, file);
    char *found = memmem(bytes, length, needle, strlen(needle));

    fclose(file);
    *file_size = (long)length;
    assert_non_null(found);
    return found - bytes;
}

static void spoil(long at, const char *with, int times)
{
    FILE *file = fopen(path, "r+");

    fseek(file, at, SEEK_SET);
    for (int i = 0; i < times; i++)
        fputs(with, file);
    fclose(file);
}

/* Found at the start: at the end of the rows, or where readers are kept.  All that is whole goes on. */
static void damage_at_the_start_costs_what_is_damaged(void **state)
{
    enum { MESSAGES = 2000 };
    static uint64_t seqs[MESSAGES + 1];

    (void)state;
    for (int keeps = 0; keeps < 2; keeps++) {
        struct journal *journal = open_started();
        struct why notice, why;
        char tails[128];
        long size;
        int count;

        journal_read_by(journal, "logger", 7);
        for (uint64_t seq = 1; seq <= MESSAGES; seq++)
            add_event(journal, seq, 20000);
        journal_close(journal);
        assert_int_equal(sql_number("SELECT count(*) FROM keep WHERE name = 'reader/logger'"), 1);
        spoil(page_of(keeps ? "reader/logger" : "\"seq\":2000,", &size) / 4096 * 4096, "tea", 1300);
        assert_int_equal(journal_open(&journal, path, &limits, wake, NULL, &notice, &why), 0);
        assert_non_null(strstr(notice.text, "damaged; it is kept as "));
        assert_non_null(strstr(notice.text, ".damaged-"));
        assert_int_equal(journal_start(journal, &why), 0);
        ask_for_rest(journal, 0, seqs, &count);
        assert_in_range(count, keeps ? MESSAGES : MESSAGES - 300, MESSAGES);
        assert_int_equal(journal_close(journal), 0);
        if (!keeps)
            assert_int_equal(sql_number("SELECT count(*) FROM keep WHERE name = 'reader/logger'"), 1);
        unlink(path);
        snprintf(tails, sizeof tails, "rm %s.*", path);
        assert_int_equal(system(tails), 0);
    }
}

/* One bad byte costs the row that it is in; a page that is no page any more costs what was on it; each is reported with
 * its numbers, once, and what is whole is there, however often it is asked for. */
static void damage_is_passed_over_and_reported_once(void **state)
{
    enum { MESSAGES = 20000, ROW = 10 };
    static uint64_t seqs[MESSAGES + 1];
    struct journal *journal = open_started();
    unsigned long long first, last;
    long size, at;
    int count;

    (void)state;
    for (uint64_t seq = 1; seq <= MESSAGES; seq++) {
        add_reading(journal, seq);
        if (seq % ROW == 0) {
            journal_hold(journal);
            while (!journal_release(journal, 20000))
                journal_hold(journal);
        }
    }
    journal_close(journal);
    spoil(page_of("\"seq\":7004,", &size) + 2, "X", 1);
    journal = open_started();
    ask_for_rest(journal, 0, seqs, &count);
    assert_int_equal(count, MESSAGES - ROW);
    assert_int_equal(sscanf(strstr(trouble, "messages "), "messages %llu to %llu", &first, &last), 2);
    assert_int_equal(troubles, 1);
    assert_int_equal(first, 7001);
    assert_int_equal(last, 7010);
    ask_for_rest(journal, 5000, seqs, &count);
    assert_int_equal(count, MESSAGES - 5000 - ROW);
    assert_int_equal(troubles, 0);
    journal_close(journal);

    at = page_of("\"seq\":12004,", &size) / 4096 * 4096;
    spoil(at, "tea", 1300);
    journal = open_started();
    ask_for_rest(journal, 8000, seqs, &count);
    assert_in_range(count, MESSAGES - 8000 - 100, MESSAGES - 8000 - ROW); /* some rows of 800 bytes */
    assert_int_equal(seqs[0], 8001);
    assert_int_equal(seqs[count - 1], MESSAGES);
    assert_int_equal(sscanf(strstr(trouble, "messages "), "messages %llu to %llu", &first, &last), 2);
    assert_int_equal(last - first + 1, MESSAGES - 8000 - count);
    assert_in_range(12004, first, last);
    add_reading(journal, MESSAGES + 1);
    ask_for_rest(journal, 8000, seqs, &count);
    assert_int_equal(seqs[count - 1], MESSAGES + 1);
    assert_int_equal(journal_close(journal), 0);
}

/* What is deleted or replaced under the journal's hands goes on in a new file, with all that the old one had. */
static void a_file_that_is_deleted_or_replaced_is_made_again(void **state)
{
    static uint64_t seqs[10];
    struct journal *journal = open_started();
    struct journal_news news;
    char command[500];
    int count;

    (void)state;
    assert_true(add_event(journal, 1, 20000));
    unlink(path);
    assert_true(add_event(journal, 2, 20000));
    news = wait_news(journal, JOURNAL_RENEWED);
    assert_non_null(strstr(news.why.text, "deleted or replaced"));
    ask_for_rest(journal, 0, seqs, &count);
    assert_int_equal(count, 2);
    snprintf(command, sizeof command, "cp %s %s.copy && mv %s.copy %s", path, path, path, path);
    assert_int_equal(system(command), 0);
    assert_true(add_event(journal, 3, 20000));
    wait_news(journal, JOURNAL_RENEWED);
    ask_for_rest(journal, 0, seqs, &count);
    assert_int_equal(count, 3);
    snprintf(command, sizeof command, "%s-wal", path); /* the log alone: what is in it would be gone with it */
    unlink(command);
    assert_true(add_event(journal, 4, 20000));
    wait_news(journal, JOURNAL_RENEWED);
    assert_int_equal(journal_close(journal), 0);
    journal = open_started();
    ask_for_rest(journal, 0, seqs, &count);
    assert_int_equal(count, 4);
    assert_int_equal(journal_close(journal), 0);
}

static void readers_are_kept_in_a_new_file_too(void **state)
{
    struct journal *journal = open_started();

    (void)state;
    journal_read_by(journal, "logger", 1);
    assert_true(add_event(journal, 1, 20000));
    assert_true(add_event(journal, 2, 20000)); /* by now it is in the old one */
    unlink(path);
    journal_limit(journal, &limits); /* so that it is looked at again with the next commit */
    assert_true(add_event(journal, 3, 20000));
    wait_news(journal, JOURNAL_RENEWED);
    journal_close(journal);
    assert_int_equal(sql_number("SELECT count(*) FROM keep WHERE name = 'reader/logger'"), 1);
}

/* The log is deleted, and the file cannot be opened again at once: nothing is damaged, and nothing reports that. */
static void what_could_not_be_opened_for_a_while_is_not_damaged(void **state)
{
    struct journal *journal = open_started();
    struct rlimit before, little;
    struct journal_news news;
    char log[128];
    uint64_t next;
    int count;

    (void)state;
    assert_true(add_event(journal, 1, 20000));
    snprintf(log, sizeof log, "%s-wal", path);
    unlink(log);
    getrlimit(RLIMIT_NOFILE, &before);
    little = before;
    little.rlim_cur = 3;
    setrlimit(RLIMIT_NOFILE, &little);
    add_event(journal, 2, 0);
    news = wait_news(journal, JOURNAL_RENEWED);
    assert_non_null(strstr(news.why.text, "its log was deleted"));
    wait_news(journal, JOURNAL_TROUBLE);
    setrlimit(RLIMIT_NOFILE, &before);
    news = wait_news(journal, JOURNAL_TROUBLE);
    assert_non_null(strstr(news.why.text, "nothing was lost"));
    free(ask(journal, 0, 1 << 20, &next, &count));
    assert_int_equal(count, 2);
    assert_int_equal(journal_close(journal), 0);
    snprintf(log, sizeof log, "ls %s | grep -c damaged", folder);
    assert_int_not_equal(system(log), 0);
}

/* A commit of what is kept alone, before any message, forgets nothing of what was on the disk. */
static void a_lost_file_is_missed_after_a_start_without_messages(void **state)
{
    struct journal *journal = open_started();
    struct why notice, why;
    uint64_t last;

    (void)state;
    for (uint64_t seq = 1; seq <= 3; seq++)
        assert_true(add_event(journal, seq, 20000));
    journal_close(journal);
    journal = open_started();
    journal_hold(journal);
    journal_keep(journal, "a", "one", 3);
    assert_true(journal_release(journal, 20000));
    journal_close(journal);
    unlink(path);
    assert_int_equal(journal_open(&journal, path, &limits, wake, NULL, &notice, &why), 0);
    assert_non_null(strstr(notice.text, "messages 1 to 3 are missing"));
    assert_int_equal(journal_last(journal, &last, &why), 0);
    assert_int_equal(last, 3);
    journal_close(journal);
}

/* The log is damaged, and SQLite drops it without a word: what had been in it is known to be missing. */
static void what_a_damaged_log_had_is_missed(void **state)
{
    struct journal *journal;
    struct why notice, why;
    char log[128];
    int ready[2];
    FILE *file;
    char byte;
    pid_t child;

    (void)state;
    assert_int_equal(pipe(ready), 0);
    if ((child = fork()) == 0) {
        journal = open_started();
        for (uint64_t seq = 1; seq <= 30; seq++)
            while (!add_event(journal, seq, 20000))
                abort();
        if (write(ready[1], "x", 1) != 1)
            abort();
        for (;;)
            pause();
    }
    assert_int_equal(read(ready[0], &byte, 1), 1);
    kill(child, SIGKILL);
    waitpid(child, NULL, 0);
    close(ready[0]);
    close(ready[1]);
    snprintf(log, sizeof log, "%s-wal", path);
    file = fopen(log, "r+");
    fseek(file, 32 + 5 * (24 + 4096) + 100,
          SEEK_SET); /* a frame's head is 24 bytes, the log's 32 (SQLite's file format) */
    fputs("!!!", file);
    fclose(file);
    assert_int_equal(journal_open(&journal, path, &limits, wake, NULL, &notice, &why), 0);
    assert_non_null(strstr(notice.text, " to 30 are missing"));
    journal_close(journal);
}

static void test_a_journal_in_use_is_refused(void **state)
{
    struct journal *journal = open_started(), *second;
    struct why notice, why;

    (void)state;
    assert_int_equal(journal_open(&second, path, &limits, wake, NULL, &notice, &why), -EBUSY);
    journal_close(journal);
}

static void test_entries_cut_short_are_not_read(void **state)
{
    static const char text[] =
        "[\"event/pier/brew\",{\"a\":{\"seq\":7},\"t\":\"\\\"seq\\\":8\",\"seq\":9,\"l\":[[]]}],[";
    struct journal_entry entry = { 0 };

    (void)state;
    assert_int_equal(journal_entry_read(text, sizeof text - 1, &entry), 0);
    assert_int_equal(entry.seq, 9);
    assert_true(entry.event);
    assert_int_equal(entry.topic_length, 15);
    assert_int_equal(entry.length, sizeof text - 3);
    for (size_t length = 0; length < sizeof text - 3; length++) {
        char *copy = malloc(length + 1); /* exactly so long, so that a read beyond it is seen */

        memcpy(copy, text, length);
        assert_int_equal(journal_entry_read(copy, length, &entry), -EINVAL);
        free(copy);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(much_is_on_the_disk_soon_after_it_ended, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_answers_hold_what_was_added_and_not_yet_committed, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_chunks_join_without_gap_or_repeat, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_an_event_survives_kill_9_the_moment_release_returns, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_reading_survives_kill_9_the_moment_it_is_added, set_up, tear_down),
        cmocka_unit_test_setup_teardown(the_tail_gives_back_what_was_added_in_order, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_what_is_kept_is_replaced_and_forgotten, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_full_disk_costs_nothing_when_it_has_room_again, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_disk_full_for_long_drops_readings_and_no_event, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_newer_journal_and_a_foreign_one_are_left_alone, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_damaged_journal_is_set_aside, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_damage_under_way_is_noticed_and_costs_nothing_new, set_up, tear_down),
        cmocka_unit_test_setup_teardown(damage_is_passed_over_and_reported_once, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_file_that_is_deleted_or_replaced_is_made_again, set_up, tear_down),
        cmocka_unit_test_setup_teardown(what_a_damaged_log_had_is_missed, set_up, tear_down),
        cmocka_unit_test_setup_teardown(the_tail_reports_what_it_cannot_write, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_tail_that_is_cut_short_in_use_costs_nothing, set_up, tear_down),
        cmocka_unit_test_setup_teardown(without_a_tail_readings_are_committed_soon, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_journal_of_version_1_is_taken_over_as_it_lies, set_up, tear_down),
        cmocka_unit_test_setup_teardown(damage_at_the_start_costs_what_is_damaged, set_up, tear_down),
        cmocka_unit_test_setup_teardown(readers_are_kept_in_a_new_file_too, set_up, tear_down),
        cmocka_unit_test_setup_teardown(what_could_not_be_opened_for_a_while_is_not_damaged, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_lost_file_is_missed_after_a_start_without_messages, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_journal_in_use_is_refused, set_up, tear_down),
        cmocka_unit_test(test_entries_cut_short_are_not_read),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
