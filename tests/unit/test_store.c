/* The store against what must never happen to it: twice, killed, full, newer, not a store.  What it
 * holds is read back by the sqlite3 command, as a bench user would. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <errno.h>
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include "poise/store.h"

static char folder[] = "/tmp/poise-store-XXXXXX";

static const char *file_named(const char *name)
{
    static char path[4][128];
    static int turn;
    char *out = path[turn++ & 3];

    snprintf(out, sizeof path[0], "%s/%s", folder, name);
    return out;
}

/* What the sqlite3 command says to this SQL; the caller frees. */
static char *sqlite_says(const char *path, const char *sql)
{
    size_t size = 4 << 20, length = 0, got;
    char *out = malloc(size), command[4096];
    FILE *pipe;

    assert_non_null(out);
    snprintf(command, sizeof command, "sqlite3 -batch '%s' \"%s\"", path, sql);
    pipe = popen(command, "r");
    assert_non_null(pipe);
    while ((got = fread(out + length, 1, size - 1 - length, pipe)) > 0)
        length += got;
    assert_int_equal(pclose(pipe), 0);
    while (length && out[length - 1] == '\n')
        length--;
    out[length] = '\0';
    return out;
}

static void assert_sqlite_says(const char *path, const char *sql, const char *expected)
{
    char *said = sqlite_says(path, sql);

    assert_string_equal(said, expected);
    free(said);
}

/* All that a brew is to a reader, row numbers left out; the caller frees. */
static char *all_of(const char *path)
{
    return sqlite_says(path,
        "SELECT * FROM brew_summary ORDER BY brew; SELECT * FROM brew_trace ORDER BY brew, seq;"
        "SELECT * FROM brew_stage ORDER BY brew, seq; SELECT b.name, m.measure, m.seq, m.value,"
        " m.standard_uncertainty, m.above, m.made_by FROM measure m JOIN brew b USING (brew_id) ORDER BY 1, 2, 3;"
        "SELECT seq, value, decimals, status FROM reading ORDER BY seq; SELECT seq, warning, detail FROM warning ORDER BY seq;"
        "SELECT after_seq, before_seq FROM gap; SELECT count(*) FROM brew");
}

/* Compares and names the first line that differs. */
static void assert_same_store(const char *said, const char *expected)
{
    size_t line = 0;

    for (size_t i = 0; said[i] || expected[i]; i++) {
        if (said[i] != expected[i])
            fail_msg("differs from here:\n%.200s\n--- expected ---\n%.200s", said + line, expected + line);
        if (said[i] == '\n')
            line = i + 1;
    }
}

/* --- messages of a bench called pier --- */

static const int64_t SECOND = 1000000, UTC_BEGAN = 1795600800LL * 1000000;      /* 2026-11-25 10:00:00 */

static struct message message_at(enum message_kind kind, uint64_t seq, double seconds)
{
    struct message message;

    memset(&message, 0, sizeof message);
    message.kind = kind;
    strcpy(message.common.bench, "pier");
    strcpy(message.common.boot, "0d1e2f30-0000-4000-8000-000000000001");
    message.common.seq = seq;
    message.common.rate = 1;
    message.common.mono_us = 5000 * SECOND + (int64_t)llround(seconds * 1e6);
    message.common.time_us = UTC_BEGAN + (int64_t)llround(seconds * 1e6);
    return message;
}

static struct message mass_at(uint64_t seq, double seconds, int64_t tenths)
{
    struct message message = message_at(MESSAGE_READING, seq, seconds);

    strcpy(message.reading.instrument, "left-scale");
    strcpy(message.reading.station, "left");
    message.reading.quantity = QUANTITY_MASS;
    message.reading.value = (struct decimal){ tenths, -1 };
    message.reading.stable = -1;
    return message;
}

static struct message brew_at(uint64_t seq, double seconds, const char *brew, enum brew_change change, double at)
{
    struct message message = message_at(MESSAGE_BREW, seq, seconds);

    strcpy(message.brew.brew, brew);
    strcpy(message.brew.station, "left");
    message.brew.change = change;
    message.brew.at_us = 5000 * SECOND + (int64_t)llround(at * 1e6);
    message.brew.plan_kept = -1;
    measures_clear(&message.brew.measures);
    return message;
}

static struct message stage_at(uint64_t seq, double seconds, const char *brew, enum stage stage, double at)
{
    struct message message = message_at(MESSAGE_STAGE, seq, seconds);

    strcpy(message.stage.brew, brew);
    strcpy(message.stage.station, "left");
    message.stage.stage = stage;
    message.stage.at_us = 5000 * SECOND + (int64_t)llround(at * 1e6);
    message.stage.uncertainty_us = 50000;
    return message;
}

static struct message measure_at(uint64_t seq, double seconds, const char *brew, enum measure measure, double value)
{
    struct message message = message_at(MESSAGE_MEASURE, seq, seconds);

    strcpy(message.measure.brew, brew);
    strcpy(message.measure.station, "left");
    message.measure.measure = measure;
    message.measure.value = value;
    message.measure.standard_uncertainty = 0.03;
    return message;
}

static const char PLAN[] = "{\"experiment\": \"ferry-steep\", \"title\": \"How long \\\"to\\\" steep\", \"run\": 4,"
    " \"replicate\": 2, \"factors\": {\"steep_s\": 75}, \"recipe\": {\"dose_g\": 15.0}}";

enum { MORNING = 2000 };

/* Two brews in five minutes, one after the other, five readings a second throughout; each begins 20 s before it says so.
 * Returns the count of messages. */
static int morning(struct message out[MORNING])
{
    uint64_t seq = 1;
    int count = 0;

#define ADD(what) (out[count++] = (what), seq++)
    for (int tick = 0; tick < 1500; tick++) {
        double now = tick / 5.0;
        const char *brew = tick < 750 ? "pier-20261125-001" : "pier-20261125-002";

        switch (tick % 750) {
        case 300:
            ADD(brew_at(seq, now, brew, BREW_BEGIN, now - 20));
            if (tick == 300)
                out[count - 1].brew.plan_json = PLAN;
            ADD(measure_at(seq, now, brew, MEASURE_DOSE_G, 15.02));
            ADD(stage_at(seq, now, brew, STAGE_POUR, now - 1));
            break;
        case 500:
            ADD(stage_at(seq, now, brew, STAGE_PRESS, now - 0.5));
            break;
        case 600:
            ADD(brew_at(seq, now, brew, BREW_END, now - 2));
            out[count - 1].brew.measures.value[MEASURE_DOSE_G] = 15.02;
            out[count - 1].brew.measures.standard_uncertainty[MEASURE_DOSE_G] = 0.03;
            out[count - 1].brew.measures.value[MEASURE_WATER_G] = 230.4;
            out[count - 1].brew.plan_kept = 1;
            break;
        }
        ADD(mass_at(seq, now, tick));
    }
#undef ADD
    return count;
}

static struct store *opened(const char *path)
{
    struct store *store = NULL;
    struct why why = { "" };

    if (store_open(&store, path, STORE_WRITE, &why) != 0)
        fail_msg("%s", why.text);
    return store;
}

static void apply(struct store *store, const struct message *message)
{
    struct why why = { "" };

    if (store_apply(store, message, &why) < 0)
        fail_msg("%s", why.text);
}

static void commit(struct store *store)
{
    struct why why = { "" };

    if (store_commit(store, &why) != 0)
        fail_msg("%s", why.text);
}

/* As the logger does: at once after an event, else every tenth message. */
static void apply_all(struct store *store, const struct message *messages, int count)
{
    struct why why = { "" };

    for (int i = 0; i < count; i++) {
        int soon = store_apply(store, &messages[i], &why);

        assert_true(soon >= 0);
        if (soon || i % 10 == 9)
            commit(store);
    }
    commit(store);
}

static char *uninterrupted(const char *name)
{
    static struct message messages[MORNING];
    int count = morning(messages);
    const char *path = file_named(name);
    struct store *store = opened(path);

    apply_all(store, messages, count);
    store_close(store);
    return all_of(path);
}

/* --- tests --- */

static void a_brew_is_kept_whole_with_its_trace(void **state)
{
    const char *path = file_named("whole/deep/store.db");
    char *all = uninterrupted("whole/deep/store.db");

    (void)state;
    assert_sqlite_says(path, "SELECT brew, bench, station, began_utc, ended_utc, experiment, run, replicate, factors,"
                       " recipe, dose_g, dose_g_u, water_g, plan_kept FROM brew_summary ORDER BY brew",
                       "pier-20261125-001|pier|left|2026-11-25T10:00:40.000Z|2026-11-25T10:01:58.000Z|ferry-steep|4|2|"
                       "{\"steep_s\":75}|{\"dose_g\":15.0}|15.02|0.03|230.4|1\n"
                       "pier-20261125-002|pier|left|2026-11-25T10:03:10.000Z|2026-11-25T10:04:28.000Z||||||"
                       "15.02|0.03|230.4|1");
    /* from 5 s before it began (at 40 s) until it said that it had ended (at 120 s): 425 readings */
    assert_sqlite_says(path, "SELECT count(*), min(seconds), max(seconds), min(value), max(decimals) FROM brew_trace"
                       " WHERE brew = 'pier-20261125-001'", "425|-24.0|60.8|17.5|1");
    assert_sqlite_says(path, "SELECT stage, seconds, seconds_u FROM brew_stage WHERE brew = 'pier-20261125-002'",
                       "pour|0.0|0.05\npress|40.5|0.05");
    assert_sqlite_says(path, "SELECT count(*) FROM measure WHERE measure = 'dose_g'", "2");
    assert_sqlite_says(path, "SELECT title FROM experiment", "How long \"to\" steep");
    assert_sqlite_says(path, "PRAGMA integrity_check; PRAGMA foreign_key_check; PRAGMA journal_mode", "ok\nwal");
    free(all);
}

/* The first stage turns out to begin later: idle takes back what was told and is no stage of the brew itself. */
static void idle_takes_back_a_first_stage_that_moves_later(void **state)
{
    const char *path = file_named("idle.db");
    struct store *store = opened(path);
    static const char name[] = "pier-20261125-001";
    struct message messages[] = {
        stage_at(1, 40, name, STAGE_DOSE, 40), stage_at(2, 50, name, STAGE_POUR, 50),
        stage_at(3, 60, name, STAGE_IDLE, 40), stage_at(4, 60, name, STAGE_DOSE, 43),
        stage_at(5, 60, name, STAGE_POUR, 50),
    };

    (void)state;
    apply_all(store, messages, 5);
    store_close(store);
    assert_sqlite_says(path, "SELECT seq, stage, seconds FROM brew_stage ORDER BY seq", "4|dose|-7.0\n5|pour|0.0");
}

static void the_summary_has_exactly_its_columns(void **state)
{
    const char *path = file_named("columns.db");
    char expected[2048] = "brew,bench,station,began_utc,ended_utc,experiment,run,replicate,factors,recipe";

    (void)state;
    store_close(opened(path));
    for (int i = 0; i < MEASURE_COUNT; i++) {
        const char *name = measure_name((enum measure)i);
        size_t length = strlen(expected);

        snprintf(expected + length, sizeof expected - length, ",%s,%s_u", name, name);
    }
    strcat(expected, ",plan_kept,note");
    assert_sqlite_says(path, "SELECT group_concat(name) FROM pragma_table_info('brew_summary')", expected);
}

static void applying_everything_twice_changes_nothing(void **state)
{
    static struct message messages[MORNING];
    int count = morning(messages);
    const char *path = file_named("twice.db");
    char *once = uninterrupted("once.db"), *twice;
    struct store *store = opened(path);

    (void)state;
    apply_all(store, messages, count);
    apply_all(store, messages, count);
    store_close(store);
    store = opened(path);
    apply_all(store, messages, count);
    store_close(store);
    twice = all_of(path);
    assert_same_store(twice, once);
    free(once);
    free(twice);
}

static int kill_self(void *unused)
{
    (void)unused;
    raise(SIGKILL);
    return 0;
}

/* A child writes and is killed: after `messages_first` messages, or, with `steps`, in the middle of a
 * write after so many steps of SQLite's machine. */
static void write_until_killed(const char *path, const struct message *messages, int first, int count, int steps)
{
    int status;
    pid_t child = fork();

    assert_true(child >= 0);
    if (child == 0) {
        struct store *store = NULL;
        struct why why;

        if (store_open(&store, path, STORE_WRITE, &why) != 0)
            _exit(1);
        if (steps)
            sqlite3_progress_handler(store_database(store), steps, kill_self, NULL);
        for (int i = first; i < count; i++) {
            int soon = store_apply(store, &messages[i], &why);

            if (soon < 0 || ((soon || i % 10 == 9) && store_commit(store, &why) != 0))
                _exit(2);
        }
        raise(SIGKILL);
    }
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFSIGNALED(status) && WTERMSIG(status) == SIGKILL);
}

/* What a logger started again would ask for: everything after the seq that the store names. */
static int place_after(const struct message *messages, int count, uint64_t seq)
{
    int place = 0;

    while (place < count && messages[place].common.seq <= seq)
        place++;
    return place;
}

static int resume_place(const char *path, const struct message *messages, int count)
{
    struct store *store = opened(path);
    struct why why;
    uint64_t seq = 77;
    int64_t time_us;

    assert_int_equal(store_resume(store, "pier", &seq, &time_us, &why), 0);
    store_close(store);
    return place_after(messages, count, seq);
}

static void killed_at_any_message_it_ends_complete(void **state)
{
    static struct message messages[MORNING];
    static const int kills[] = { 0, 1, 9, 150, 298, 299, 300, 301, 302, 303, 304, 305, 450, 505, 604, 605, 606, 700, 1000, 1054,
                                 1056, 1300, 1359, 1499 };
    int count = morning(messages);
    char *expected = uninterrupted("unkilled.db"), name[32], *said;

    (void)state;
    for (size_t i = 0; i < sizeof kills / sizeof *kills; i++) {
        const char *path;
        struct store *store;

        snprintf(name, sizeof name, "killed-%d.db", kills[i]);
        path = file_named(name);
        write_until_killed(path, messages, 0, kills[i], 0);
        int place = resume_place(path, messages, count);
        store = opened(path);
        apply_all(store, messages + place, count - place);
        store_close(store);
        said = all_of(path);
        assert_same_store(said, expected);
        free(said);
    }
    free(expected);
}

static void killed_in_the_middle_of_writing_again_and_again_it_ends_complete(void **state)
{
    static struct message messages[MORNING];
    int count = morning(messages), place = 0;
    char *expected = uninterrupted("unkilled-2.db"), *said;
    const char *path = file_named("killed-writing.db");
    struct store *store;

    (void)state;
    store_close(opened(path));
    for (int kills = 0; kills < 12; kills++) {
        place = resume_place(path, messages, count);
        assert_true(place < count);
        write_until_killed(path, messages, place, count, 4000 + 3571 * kills);
    }
    place = resume_place(path, messages, count);
    assert_true(place > 0);
    store = opened(path);
    apply_all(store, messages + place, count - place);
    store_close(store);
    said = all_of(path);
    assert_same_store(said, expected);
    free(said);
    free(expected);
}

static void a_correction_is_a_row_and_the_latest_counts(void **state)
{
    const char *path = file_named("corrections.db"), *brew = "pier-20261125-001";
    static const char now[] = "SELECT beverage_g, beverage_g_u FROM brew_summary";
    struct store *store = opened(path);
    struct message first = measure_at(2, 1, brew, MEASURE_BEVERAGE_G, 199.2);
    struct message second = measure_at(3, 2, brew, MEASURE_BEVERAGE_G, 198.7);
    struct message none = measure_at(4, 3, brew, MEASURE_BEVERAGE_G, NAN);

    (void)state;
    struct message begin = brew_at(1, 0, brew, BREW_BEGIN, 0);
    apply(store, &begin);
    apply(store, &first);
    apply(store, &second);
    apply(store, &first);
    commit(store);
    assert_sqlite_says(path, now, "198.7|0.03");
    none.measure.standard_uncertainty = NAN;
    apply(store, &none);
    commit(store);
    assert_sqlite_says(path, now, "|");
    assert_sqlite_says(path, "SELECT seq, value FROM measure ORDER BY seq", "2|199.2\n3|198.7\n4|");
    store_close(store);
}

static void a_full_disk_loses_nothing(void **state)
{
    static struct message messages[MORNING];
    int count = morning(messages), failures = 0;
    char *expected = uninterrupted("roomy.db"), *said;
    const char *path = file_named("full.db");
    struct store *store = opened(path);
    struct why why = { "" };

    (void)state;
    sqlite3_exec(store_database(store), "PRAGMA max_page_count = 32", NULL, NULL, NULL);
    for (int i = 0; i < count; i++) {
        assert_true(store_apply(store, &messages[i], &why) >= 0);
        if (i % 10 == 9 && store_commit(store, &why) != 0) {
            assert_int_equal(store_commit(store, &why), -ENOSPC);
            assert_non_null(strstr(why.text, "full"));
            failures++;
        }
    }
    assert_true(failures > 10);
    sqlite3_exec(store_database(store), "PRAGMA max_page_count = 100000", NULL, NULL, NULL);
    commit(store);
    store_close(store);
    said = all_of(path);
    assert_same_store(said, expected);
    free(said);
    free(expected);
}

static void no_room_for_the_tables_leaves_nothing_half_made(void **state)
{
    const char *path = file_named("cramped.db");
    pid_t child = fork();
    int status;

    (void)state;
    if (child == 0) {
        struct rlimit limit = { 12288, 12288 };
        struct store *store = NULL;
        struct why why = { "" };
        int error;

        signal(SIGXFSZ, SIG_IGN);
        setrlimit(RLIMIT_FSIZE, &limit);
        error = store_open(&store, path, STORE_WRITE, &why);
        _exit(error == -ENOSPC && !store && strstr(why.text, "full") ? 0 : 1);
    }
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_int_equal(status, 0);
    assert_sqlite_says(path, "SELECT count(*) FROM sqlite_schema; PRAGMA user_version", "0\n0");
    store_close(opened(path));
    assert_sqlite_says(path, "SELECT count(*) FROM brew_summary; PRAGMA user_version", "0\n2");
}

/* Version 1 had one scale to a station and no word for pressed dry. */
static void an_older_store_is_brought_up_to_date_with_all_in_it(void **state)
{
    const char *path = file_named("older.db");
    char *before = uninterrupted("older.db"), *after;

    (void)state;
    free(sqlite_says(path, "DROP VIEW brew_trace; DROP VIEW brew_stage; DROP VIEW brew_summary;"
                           "CREATE VIEW brew_summary AS SELECT name AS brew FROM brew;"
                           "ALTER TABLE instrument DROP COLUMN weighs; PRAGMA user_version = 1"));
    store_close(opened(path));
    assert_sqlite_says(path, "PRAGMA user_version; SELECT count(*), count(weighs) FROM instrument;"
                             "SELECT count(*), count(pressed_dry_u) FROM brew_summary", "2\n1|0\n2|0");
    after = all_of(path);
    assert_same_store(after, before);
    free(before);
    free(after);
}

static void a_newer_store_is_refused_and_left_alone(void **state)
{
    const char *path = file_named("newer.db");
    struct store *store = NULL;
    struct stat before, after;
    struct why why = { "" };

    (void)state;
    store_close(opened(path));
    free(sqlite_says(path, "PRAGMA user_version = 99; PRAGMA wal_checkpoint(TRUNCATE)"));
    assert_int_equal(stat(path, &before), 0);
    assert_int_equal(store_open(&store, path, STORE_WRITE, &why), -EPROTO);
    assert_non_null(strstr(why.text, "newer"));
    assert_int_equal(store_open(&store, path, STORE_READ, &why), -EPROTO);
    assert_null(store);
    assert_int_equal(stat(path, &after), 0);
    assert_int_equal(before.st_mtim.tv_sec, after.st_mtim.tv_sec);
    assert_int_equal(before.st_mtim.tv_nsec, after.st_mtim.tv_nsec);
    assert_sqlite_says(path, "PRAGMA user_version", "99");
}

static void what_is_no_store_is_refused(void **state)
{
    const char *letter = file_named("letter.txt"), *other = file_named("other.db");
    FILE *file = fopen(letter, "w");
    struct store *store = NULL;
    struct why why = { "" };

    (void)state;
    for (int i = 0; i < 200; i++)
        fputs("Dear ferry company, the coffee was cold again.\n", file);
    fclose(file);
    assert_int_equal(store_open(&store, letter, STORE_WRITE, &why), -EBADF);
    assert_non_null(strstr(why.text, "letter.txt"));
    free(sqlite_says(other, "CREATE TABLE tides (at TEXT)"));
    assert_int_equal(store_open(&store, other, STORE_WRITE, &why), -EBADF);
    assert_sqlite_says(other, "SELECT name FROM sqlite_schema; PRAGMA journal_mode", "tides\ndelete");
    assert_int_equal(store_open(&store, file_named("absent.db"), STORE_READ, &why), -ENOENT);
    assert_int_equal(store_open(&store, letter, STORE_READ, &why), -EBADF);
    assert_int_equal(store_open(&store, folder, STORE_WRITE, &why), -EACCES);
    assert_null(store);
}

static void a_reader_cannot_write(void **state)
{
    const char *path = file_named("readonly.db");
    struct store *store = NULL;
    struct why why = { "" };

    (void)state;
    free(uninterrupted("readonly.db"));
    assert_int_equal(store_open(&store, path, STORE_READ, &why), 0);
    assert_int_not_equal(sqlite3_exec(store_database(store), "DELETE FROM trace", NULL, NULL, NULL), SQLITE_OK);
    assert_int_equal(sqlite3_exec(store_database(store), "SELECT * FROM brew_summary", NULL, NULL, NULL), SQLITE_OK);
    store_close(store);
}

static void two_benches_share_a_store(void **state)
{
    static struct message messages[MORNING], others[MORNING];
    int count = morning(messages);
    const char *path = file_named("shared.db");
    struct store *one = opened(path), *two = opened(path);
    struct why why;
    uint64_t seq = 0;
    int64_t time_us;

    (void)state;
    memcpy(others, messages, sizeof others);
    for (int i = 0; i < count; i++) {
        strcpy(others[i].common.bench, "quay");
        others[i].common.seq += 100000;
        if (others[i].kind == MESSAGE_BREW)
            memcpy(others[i].brew.brew, "quay", 4);
        if (others[i].kind == MESSAGE_STAGE)
            memcpy(others[i].stage.brew, "quay", 4);
        if (others[i].kind == MESSAGE_MEASURE)
            memcpy(others[i].measure.brew, "quay", 4);
        apply(one, &messages[i]);
        apply(two, &others[i]);
        if (i % 50 == 49) {
            commit(one);
            commit(two);
        }
    }
    commit(one);
    commit(two);
    assert_sqlite_says(path, "SELECT bench, count(*) FROM brew_summary GROUP BY bench", "pier|2\nquay|2");
    assert_sqlite_says(path, "SELECT brew, count(*) FROM brew_trace GROUP BY brew", "pier-20261125-001|425\n"
                       "pier-20261125-002|425\nquay-20261125-001|425\nquay-20261125-002|425");
    assert_int_equal(store_resume(two, "pier", &seq, &time_us, &why), 0);
    assert_in_range(seq, 1, 100000);
    assert_int_equal(store_resume(two, "quay", &seq, &time_us, &why), 0);
    assert_in_range(seq, 100001, 200000);
    assert_int_equal(store_resume(two, "jetty", &seq, &time_us, &why), 0);
    assert_int_equal(seq, 0);
    store_close(one);
    store_close(two);
}

static void two_scales_of_a_station_are_told_apart(void **state)
{
    const char *path = file_named("scales.db");
    struct store *store = opened(path);
    struct message begin = brew_at(1, 0, "pier-20261125-001", BREW_BEGIN, 0);
    struct message drip = measure_at(4, 0.3, "pier-20261125-001", MEASURE_DRIP_G, 4.2);
    struct message dry = measure_at(5, 0.4, "pier-20261125-001", MEASURE_PRESSED_DRY, 1);
    struct message cup = mass_at(2, 0.1, 3412), brewer = mass_at(3, 0.2, 4102);

    (void)state;
    strcpy(cup.reading.instrument, "left-cup");
    cup.reading.weighs_cup = true;
    apply(store, &begin);
    apply(store, &cup);
    apply(store, &brewer);
    apply(store, &drip);
    apply(store, &dry);
    commit(store);
    store_close(store);
    assert_sqlite_says(path, "SELECT instrument, weighs, value FROM brew_trace ORDER BY seq",
                       "left-cup|cup|341.2\nleft-scale||410.2");
    assert_sqlite_says(path, "SELECT drip_g, pressed_dry, pressed_dry_u FROM brew_summary", "4.2|1.0|0.03");
}

static void instruments_of_the_whole_bench_are_kept_too(void **state)
{
    const char *path = file_named("benchwide.db");
    struct store *store = opened(path);
    struct message begin = brew_at(2, 1, "pier-20261125-001", BREW_BEGIN, 0.5);
    struct message thermometer = message_at(MESSAGE_READING, 1, 0.6), refractometer = message_at(MESSAGE_READING, 3, 1.5);

    (void)state;
    strcpy(thermometer.reading.instrument, "probe");
    thermometer.reading.quantity = QUANTITY_TEMPERATURE;
    thermometer.reading.value = (struct decimal){ 9310, -2 };
    strcpy(refractometer.reading.instrument, "refractometer");
    refractometer.reading.quantity = QUANTITY_STRENGTH;
    refractometer.reading.value = (struct decimal){ 140, -2 };
    apply(store, &thermometer);
    apply(store, &begin);
    apply(store, &refractometer);
    thermometer.common.seq = 4;
    thermometer.common.mono_us += SECOND;
    thermometer.reading.status = READING_FAULT;
    apply(store, &thermometer);
    commit(store);
    store_close(store);
    assert_sqlite_says(path, "SELECT seq, instrument, unit, value, decimals, status FROM brew_trace",
                       "1|probe|°C|93.1|2|ok\n4|probe|°C|||fault");
    assert_sqlite_says(path, "SELECT value, decimals FROM reading", "1.4|2");
}

static void what_people_write_comes_back_as_written(void **state)
{
    const char *path = file_named("words.db");
    struct store *store = opened(path);
    struct message begin = brew_at(1, 0, "pier-20261125-001", BREW_BEGIN, 0), note = begin, discarded = begin;

    (void)state;
    note.common.seq = 2;
    note.brew.change = BREW_NOTE;
    strcpy(note.brew.note, "it's <b>\"hollow\"</b>; DROP TABLE brew;\nthin");
    begin.brew.plan_json = "{\"factors\": {\"grind\": \"18'); --\"}, \"experiment\": 7}";
    apply(store, &begin);
    apply(store, &note);
    note.common.seq = 3;
    strcpy(note.brew.note, "better cold");
    apply(store, &note);
    discarded.common.seq = 4;
    strcpy(discarded.brew.brew, "pier-20261125-002");
    apply(store, &discarded);
    discarded.common.seq = 5;
    discarded.brew.change = BREW_DISCARD;
    strcpy(discarded.brew.note, "knocked over");
    apply(store, &discarded);
    commit(store);
    store_close(store);
    assert_sqlite_says(path, "SELECT note, factors FROM brew_summary",
                       "it's <b>\"hollow\"</b>; DROP TABLE brew;\nthin; better cold|{\"grind\":\"18'); --\"}");
    assert_sqlite_says(path, "SELECT name, discarded, reason FROM brew ORDER BY name",
                       "pier-20261125-001|0|\npier-20261125-002|1|knocked over");
}

static void a_hole_in_the_numbers_is_on_record(void **state)
{
    const char *path = file_named("gap.db");
    struct store *store = opened(path);
    struct message reading = mass_at(10, 1, 0), skipped = message_at(MESSAGE_WARNING, 500, 2);

    (void)state;
    apply(store, &reading);
    reading.common.seq = 15;
    apply(store, &reading);
    strcpy(skipped.warning.warning, "numbers-skipped");
    strcpy(skipped.warning.detail, "restarted");
    apply(store, &skipped);
    commit(store);
    store_close(store);
    assert_sqlite_says(path, "SELECT after_seq, before_seq FROM gap", "10|15");
    assert_sqlite_says(path, "SELECT seq, warning, detail FROM warning", "500|numbers-skipped|restarted");
}

/* The bench lost its journal: its numbers begin again, its new brews are kept all the same. */
static void a_bench_that_numbers_anew_is_followed(void **state)
{
    const char *path = file_named("anew.db");
    struct store *store = opened(path);
    struct message reading = mass_at(5000, 0, 1), old = message_at(MESSAGE_WARNING, 5001, 1), new = old;
    struct why why;
    uint64_t seq = 0;
    int64_t time_us;

    (void)state;
    strcpy(old.warning.warning, "overload");
    apply(store, &reading);
    apply(store, &old);
    commit(store);
    store_close(store);
    store = opened(path);
    strcpy(new.warning.warning, "press-too-hard");
    new.common.time_us += 3600 * SECOND;
    apply(store, &reading);
    apply(store, &old);
    apply(store, &new);
    new.common.seq = 12;
    new.common.time_us += SECOND;
    apply(store, &new);
    commit(store);
    assert_int_equal(store_resume(store, "pier", &seq, &time_us, &why), 0);
    assert_int_equal(seq, 12);
    store_close(store);
    assert_sqlite_says(path, "SELECT seq, warning FROM warning ORDER BY time_us, seq",
                       "5001|overload\n5001|press-too-hard\n12|press-too-hard");
    assert_sqlite_says(path, "SELECT count(*) FROM gap", "0");
}

/* One brew, begun at `from`, with a reading, a stage and a measure; not ended. */
static void brew_told(struct store *store, uint64_t seq, double from, const char *brew, double water_g)
{
    struct message begin = brew_at(seq, from + 5, brew, BREW_BEGIN, from);
    struct message stage = stage_at(seq + 1, from + 5, brew, STAGE_POUR, from + 1);
    struct message reading = mass_at(seq + 2, from + 6, (int64_t)(10 * water_g));
    struct message measure = measure_at(seq + 3, from + 7, brew, MEASURE_WATER_G, water_g);

    apply(store, &begin);
    apply(store, &stage);
    apply(store, &reading);
    apply(store, &measure);
}

static const char two_brews[] = "SELECT name, (SELECT count(*) FROM stage s WHERE s.brew_id = b.brew_id),"
    " (SELECT group_concat(value) FROM trace t WHERE t.brew_id = b.brew_id),"
    " (SELECT group_concat(value) FROM measure m WHERE m.brew_id = b.brew_id),"
    " (SELECT group_concat(text) FROM note n WHERE n.brew_id = b.brew_id) FROM brew b ORDER BY brew_id";

/* A bench whose journal was removed gives a name of the day again: two brews stay two, whoever was stopped when. */
static void a_name_given_twice_merges_nothing(void **state)
{
    static const char expected[] = "pier-20261125-1001|1|200.0|200.0|Was pier-20261125-001, a name that its bench gave "
                                   "again.\npier-20261125-001|1|230.0|230.0|";
    const char *brew = "pier-20261125-001";

    (void)state;
    for (int stops = 0; stops < 4; stops++) {
        char name[] = { 't', 'w', 'i', 'c', 'e', (char)('0' + stops), '\0' };
        const char *path = file_named(name);
        struct store *store = opened(path);
        struct why why;

        brew_told(store, 101, 0, brew, 200);
        if (stops & 1) {
            commit(store);
            store_close(store);
            store = opened(path);
        }
        brew_told(store, 1, 600, brew, 230);
        assert_int_equal(store_commit(store, &why), 1);
        assert_non_null(strstr(why.text, "the earlier brew is pier-20261125-1001 from now on"));
        if (stops & 2) {
            store_close(store);
            store = opened(path);
        }
        brew_told(store, 1, 600, brew, 230);        /* heard again */
        commit(store);
        assert_sqlite_says(path, two_brews, expected);
        store_close(store);
        store = opened(path);
        brew_told(store, 101, 0, brew, 200);        /* the old journal came back */
        commit(store);
        store_close(store);
        assert_sqlite_says(path, two_brews, expected);
    }
}

/* After a restart of the machine the steady clock begins anew; the brew goes on. */
static void a_brew_that_spans_two_boots_keeps_its_seconds(void **state)
{
    const char *path = file_named("boots.db"), *brew = "pier-20261125-001";
    struct store *store = opened(path);
    struct message begin = brew_at(1, 0, brew, BREW_BEGIN, 0), pour = stage_at(2, 1, brew, STAGE_POUR, 1);
    struct message before = mass_at(3, 2, 10), after = mass_at(4, 40, 20);

    (void)state;
    apply(store, &begin);
    apply(store, &pour);
    apply(store, &before);
    commit(store);
    store_close(store);
    store = opened(path);
    strcpy(after.common.boot, "0d1e2f30-0000-4000-8000-000000000002");
    after.common.mono_us = 3 * SECOND;
    apply(store, &after);
    commit(store);
    store_close(store);
    assert_sqlite_says(path, "SELECT seq, seconds FROM brew_trace", "3|1.0\n4|39.0");
}

static void brews_of_long_ago_are_forgotten_in_memory_only(void **state)
{
    enum { BREWS = 450, LONG_ONE = 50 };
    const char *path = file_named("many");
    struct store *store = opened(path);
    struct message begin, reading;
    uint64_t seq = 0;
    char name[BREW_SIZE];

    (void)state;
    for (int i = 0; i < BREWS; i++) {
        double now = 200.0 * (i + 1);

        if (i == LONG_ONE) {                    /* under way ever after */
            begin = brew_at(++seq, now, "pier-20261125-999", BREW_BEGIN, now);
            strcpy(begin.brew.station, "right");
            apply(store, &begin);
        }
        snprintf(name, sizeof name, "pier-20261125-%03d", i);
        begin = brew_at(++seq, now, name, BREW_BEGIN, now);
        apply(store, &begin);
        reading = mass_at(++seq, now + 1, i);
        apply(store, &reading);
        begin = brew_at(++seq, now + 2, name, BREW_END, now + 2);
        apply(store, &begin);
        commit(store);
    }
    reading = mass_at(++seq, 200.0 * BREWS + 100, 7);
    strcpy(reading.reading.station, "right");
    strcpy(reading.reading.instrument, "right-scale");
    apply(store, &reading);
    begin = measure_at(++seq, 200.0 * BREWS + 101, "pier-20261125-000", MEASURE_DOSE_G, 15);
    apply(store, &begin);
    commit(store);
    store_close(store);
    assert_sqlite_says(path, "SELECT count(*), count(DISTINCT brew_id) FROM trace", "451|451");
    assert_sqlite_says(path, "SELECT count(*) FROM brew", "451");
    assert_sqlite_says(path, "SELECT instrument FROM brew_trace WHERE brew = 'pier-20261125-999'", "right-scale");
    assert_sqlite_says(path, "SELECT brew FROM brew_summary WHERE dose_g = 15", "pier-20261125-000");
}

static void times_that_cannot_be_do_no_harm(void **state)
{
    const char *path = file_named("times.db"), *brew = "pier-20261125-001";
    static const int64_t odd[] = { INT64_MIN, -1, 0, INT64_MAX };
    struct store *store = opened(path);
    struct why why = { "" };

    (void)state;
    for (size_t i = 0; i < sizeof odd / sizeof *odd; i++) {
        struct message begin = brew_at(3 * i + 1, 0, brew, BREW_BEGIN, 0), reading = mass_at(3 * i + 2, 1, 1);
        struct message stage = stage_at(3 * i + 3, 1, brew, STAGE_PRESS, 1);

        begin.brew.at_us = stage.stage.at_us = reading.common.mono_us = odd[i];
        stage.common.time_us = odd[i];
        apply(store, &begin);
        assert_int_equal(store_apply(store, &reading, &why) < 0, odd[i] != 0);
        apply(store, &stage);
    }
    assert_true(store_commit(store, &why) >= 0);        /* four begins are four brews */
    store_close(store);
    assert_sqlite_says(path, "SELECT count(*) FROM stage; PRAGMA integrity_check", "4\nok");
}

static int make_folder(void **state)
{
    (void)state;
    return mkdtemp(folder) ? 0 : -1;
}

static int drop_folder(void **state)
{
    char command[128];

    (void)state;
    snprintf(command, sizeof command, "rm -rf '%s'", folder);
    return system(command);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_brew_is_kept_whole_with_its_trace),
        cmocka_unit_test(idle_takes_back_a_first_stage_that_moves_later),
        cmocka_unit_test(the_summary_has_exactly_its_columns),
        cmocka_unit_test(applying_everything_twice_changes_nothing),
        cmocka_unit_test(killed_at_any_message_it_ends_complete),
        cmocka_unit_test(killed_in_the_middle_of_writing_again_and_again_it_ends_complete),
        cmocka_unit_test(a_correction_is_a_row_and_the_latest_counts),
        cmocka_unit_test(a_full_disk_loses_nothing),
        cmocka_unit_test(no_room_for_the_tables_leaves_nothing_half_made),
        cmocka_unit_test(an_older_store_is_brought_up_to_date_with_all_in_it),
        cmocka_unit_test(a_newer_store_is_refused_and_left_alone),
        cmocka_unit_test(what_is_no_store_is_refused),
        cmocka_unit_test(a_reader_cannot_write),
        cmocka_unit_test(two_benches_share_a_store),
        cmocka_unit_test(two_scales_of_a_station_are_told_apart),
        cmocka_unit_test(instruments_of_the_whole_bench_are_kept_too),
        cmocka_unit_test(what_people_write_comes_back_as_written),
        cmocka_unit_test(a_hole_in_the_numbers_is_on_record),
        cmocka_unit_test(a_bench_that_numbers_anew_is_followed),
        cmocka_unit_test(a_name_given_twice_merges_nothing),
        cmocka_unit_test(a_brew_that_spans_two_boots_keeps_its_seconds),
        cmocka_unit_test(brews_of_long_ago_are_forgotten_in_memory_only),
        cmocka_unit_test(times_that_cannot_be_do_no_harm),
    };

    return cmocka_run_group_tests(tests, make_folder, drop_folder);
}
