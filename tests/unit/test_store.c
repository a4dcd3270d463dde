/* The store against what must never happen to it: twice, killed, full, newer, not a store. */
#include "store_bench.h"

#include "../../lib/store/store_trust.h"

static void a_brew_is_kept_whole_with_its_trace(void **state)
{
    const char *path = file_named("whole/deep/store.db");
    char *all = uninterrupted("whole/deep/store.db");

    (void)state;
    assert_sqlite_gives(path,
                        "SELECT brew, bench, station, began_utc, ended_utc, experiment, run, replicate, factors,"
                        " recipe, dose_g, dose_g_u, water_g, plan_kept FROM brew_summary ORDER BY brew",
                        "pier-20261125-001|pier|left|2026-11-25T10:00:40.000Z|2026-11-25T10:01:58.000Z|ferry-steep|4|2|"
                        "{\"steep_s\":75}|{\"dose_g\":15.0}|15.02|0.03|230.4|1\n"
                        "pier-20261125-002|pier|left|2026-11-25T10:03:10.000Z|2026-11-25T10:04:28.000Z||||||"
                        "15.02|0.03|230.4|1");
    /* from 5 s before it began (at 40 s) until it said that it had ended (at 120 s): 425 readings */
    assert_sqlite_gives(path,
                        "SELECT count(*), min(seconds), max(seconds), min(value), max(decimals) FROM brew_trace"
                        " WHERE brew = 'pier-20261125-001'",
                        "425|-24.0|60.8|17.5|1");
    assert_sqlite_gives(path, "SELECT stage, seconds, seconds_u FROM brew_stage WHERE brew = 'pier-20261125-002'",
                        "pour|0.0|0.05\npress|40.5|0.05");
    assert_sqlite_gives(path, "SELECT count(*) FROM measure WHERE measure = 'dose_g'", "2");
    assert_sqlite_gives(path, "SELECT title FROM experiment", "How long \"to\" steep");
    assert_sqlite_gives(path, "PRAGMA integrity_check; PRAGMA foreign_key_check; PRAGMA journal_mode", "ok\nwal");
    free(all);
}

/* The first stage turns out to begin later: idle takes back what was reported and is no stage of the brew itself. */
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
    assert_sqlite_gives(path, "SELECT seq, stage, seconds FROM brew_stage ORDER BY seq", "4|dose|-7.0\n5|pour|0.0");
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
    strcat(expected, ",plan_kept,above,note");
    assert_sqlite_gives(path, "SELECT group_concat(name) FROM pragma_table_info('brew_summary')", expected);
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
    static const int kills[] = { 0,   1,   9,   150, 298, 299, 300,  301,  302,  303,  304,  305,
                                 450, 505, 604, 605, 606, 700, 1000, 1054, 1056, 1300, 1359, 1499 };
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
    for (int kills = 0; kills < 20; kills++) {
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
    assert_sqlite_gives(path, now, "198.7|0.03");
    none.measure.standard_uncertainty = NAN;
    apply(store, &none);
    commit(store);
    assert_sqlite_gives(path, now, "|");
    assert_sqlite_gives(path, "SELECT seq, value FROM measure ORDER BY seq", "2|199.2\n3|198.7\n4|");
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
    assert_sqlite_gives(path, "SELECT count(*) FROM sqlite_schema; PRAGMA user_version", "0\n0");
    store_close(opened(path));
    assert_sqlite_gives(path, "SELECT count(*) FROM brew_summary; PRAGMA user_version", "0\n12");
}

/* Version 1 had one scale to a station and no word for pressed dry. */
static void an_older_store_is_brought_up_to_date_with_all_in_it(void **state)
{
    const char *path = file_named("older.db");
    char *before = uninterrupted("older.db"), *after;

    (void)state;
    free(sqlite_answer(
        path,
        "DROP VIEW brew_trace; DROP VIEW brew_stage; DROP VIEW brew_summary;"
        "CREATE VIEW brew_summary AS SELECT name AS brew FROM brew;"
        "ALTER TABLE instrument DROP COLUMN weighs;"
        "ALTER TABLE brew RENAME COLUMN outcome_seq TO told_seq;"
        "DROP INDEX brew_by_change; ALTER TABLE brew DROP COLUMN changed; DROP TABLE identity; DROP TABLE asked_by;"
        "ALTER TABLE bench DROP COLUMN identity; ALTER TABLE bench DROP COLUMN units;"
        "DROP TABLE strength_budget; DROP TABLE instrument_alarm; DROP TABLE instrument_check; DROP TABLE tasting_entry; DROP TABLE tasting_session;"
        "CREATE TABLE tasting (tasting_id, told_by_eye); CREATE TABLE tasting_sample (tasting_id);"
        "CREATE TABLE tasting_set (tasting_id); CREATE TABLE tasting_answer (tasting_id);"
        "CREATE TABLE tasting_remark (tasting_id); CREATE TABLE tasting_peek (tasting_id);"
        "PRAGMA user_version = 1"));
    store_close(opened(path));
    assert_sqlite_gives(path,
                        "PRAGMA user_version; SELECT count(*), count(weighs) FROM instrument;"
                        "SELECT count(*), count(pressed_dry_u) FROM brew_summary",
                        "12\n1|0\n2|0");
    after = all_of(path);
    assert_same_store(after, before);
    free(before);
    free(after);
}

/* A file as version 2 left it: the cup's coming back has its name of today. */
static void a_store_of_version_2_keeps_its_brew_and_its_tasting(void **state)
{
    const char *path = file_named("version-2.db");
    char command[8192];

    (void)state;
    snprintf(command, sizeof command, "sqlite3 '%s' < " TEST_FOLDER "/store-version-2.sql", path);
    assert_int_equal(system(command), 0);
    store_close(opened(path));
    assert_sqlite_gives(path,
                        "PRAGMA user_version; SELECT group_concat(stage) FROM (SELECT stage FROM stage ORDER BY seq);"
                        "SELECT brew, water_g FROM brew_summary; SELECT outcome_seq FROM brew;"
                        "SELECT name, distinct_by_eye FROM early_tasting;"
                        "SELECT count(*) FROM tasting_session",
                        "12\npour,press,weigh\npier-20261125-001|230.1\n40\nround-1|1\n0");
}

/* Whoever follows the store finds by one number what was written since, also of a brew that is long over. */
static void what_is_written_of_a_brew_makes_its_number_the_highest(void **state)
{
    const char *path = file_named("changed.db");
    struct message message = measure_at(7, 900, "pier-20261125-001", MEASURE_STRENGTH_PCT, 1.4);
    struct store *store;

    (void)state;
    free(uninterrupted("changed.db"));
    assert_sqlite_gives(path, "SELECT name FROM brew ORDER BY changed; SELECT length(store), count(*) FROM identity",
                        "pier-20261125-001\npier-20261125-002\n32|1");
    store = opened(path);
    message.common.seq = 5000;
    apply(store, &message);
    commit(store);
    store_close(store);
    assert_sqlite_gives(path, "SELECT name FROM brew ORDER BY changed", "pier-20261125-002\npier-20261125-001");
}

/* Version 4 kept no budgets.  What a strength's uncertainty comes from is written with it, and that a sample passed no
 * filter after all is a row more of its reading. */
static void budgets_are_kept_and_a_store_of_version_4_gets_them(void **state)
{
    const char *path = file_named("budget.db");
    struct message message = measure_at(7, 130, "pier-20261125-001", MEASURE_STRENGTH_PCT, 1.4);
    struct store *store;

    (void)state;
    free(uninterrupted("budget.db"));
    free(sqlite_answer(
        path,
        "DROP INDEX brew_by_change; ALTER TABLE brew DROP COLUMN changed; DROP TABLE identity; DROP TABLE asked_by;"
        "ALTER TABLE bench DROP COLUMN identity; ALTER TABLE bench DROP COLUMN units;"
        "DROP TABLE strength_budget; DROP TABLE instrument_alarm; DROP TABLE instrument_check;"
        "PRAGMA user_version = 4"));
    store = opened(path);
    budget_clear(&message.measure.budget);
    message.common.seq = 5000;
    message.measure.from_readings = message.measure.filtered = true;
    message.measure.readings = 1;
    message.measure.reading[0] = 4711;
    message.measure.budget.u[BUDGET_REPEAT] = 0.01;
    message.measure.budget.freedom[BUDGET_REPEAT] = 7;
    message.measure.budget.u[BUDGET_ACCURACY] = 0.02;
    apply(store, &message);
    commit(store);
    message.common.seq++;
    message.measure.filtered = false;
    message.measure.budget.u[BUDGET_ACCURACY] = 0;
    apply(store, &message);
    commit(store);
    message.common.seq++;
    apply(store, &message);
    commit(store);
    store_close(store);
    assert_sqlite_gives(path,
                        "PRAGMA user_version; SELECT seq, part, standard_uncertainty, freedom FROM strength_budget"
                        " ORDER BY seq, part; SELECT reading_seq, seq, filtered FROM assignment ORDER BY seq",
                        "12\n5000|accuracy|0.02|\n5000|repeat|0.01|7.0\n5001|repeat|0.01|7.0\n5002|repeat|0.01|7.0\n"
                        "4711|5000|1\n4711|5001|0");
}

/* A bench's identity is learnt once; another bench of the same name is another, and said to be. */
static void two_benches_of_one_name_stay_two(void **state)
{
    static const char ours[] = "00112233445566778899aabbccddeeff", other[] = "ffeeddccbbaa99887766554433221100";
    const char *path = file_named("two.db");
    struct store *store;
    struct why why;

    (void)state;
    free(uninterrupted("two.db")); /* a store that has brews of a bench it does not know yet */
    store = opened(path);
    assert_int_equal(store_know_bench(store, "pier", ours, &why), 0);
    assert_int_equal(store_know_bench(store, "pier", ours, &why), 0);
    assert_int_equal(store_know_bench(store, "quay", other, &why), 0);
    assert_int_equal(store_know_bench(store, "pier", other, &why), -EEXIST);
    assert_non_null(strstr(why.text, "another bench"));
    store_close(store);
    assert_sqlite_gives(path, "SELECT name, identity FROM bench ORDER BY name",
                        "pier|00112233445566778899aabbccddeeff\nquay|ffeeddccbbaa99887766554433221100");
}

/* Version 6 kept no checks.  Applied twice, each is one row. */
/* An event that an order brought about names who gave it; the tracker's own do not. */
static void who_gave_an_order_is_kept(void **state)
{
    const char *path = file_named("orders.db");
    struct message stage = message_at(MESSAGE_STAGE, 5000, 130);
    struct store *store;

    (void)state;
    free(uninterrupted("orders.db"));
    free(sqlite_answer(path, "ALTER TABLE bench DROP COLUMN identity; ALTER TABLE bench DROP COLUMN units;"
                             "DROP TABLE asked_by; DROP TABLE instrument_alarm;"
                             "ALTER TABLE instrument_check DROP COLUMN vessel; PRAGMA user_version = 8"));
    store = opened(path);
    strcpy(stage.stage.brew, "pier-20261125-001");
    strcpy(stage.stage.station, "left");
    stage.stage.stage = STAGE_PRESS;
    stage.stage.at_us = stage.common.mono_us;
    apply(store, &stage);
    stage.common.seq++;
    stage.stage.by = BY_OPERATOR;
    strcpy(stage.common.asked_by, "ines");
    apply(store, &stage);
    apply(store, &stage);
    commit(store);
    store_close(store);
    assert_sqlite_gives(path,
                        "PRAGMA user_version; SELECT a.seq, b.name, a.name FROM asked_by a JOIN brew b USING (brew_id)",
                        "12\n5001|pier-20261125-001|ines");
}

static void vessels_and_alarms_are_kept_and_a_store_of_version_11_gets_them(void **state)
{
    const char *path = file_named("alarm.db");
    struct message check = message_at(MESSAGE_CHECK, 5000, 130), alarm = message_at(MESSAGE_ALARM, 5001, 131);
    struct store *store;

    (void)state;
    free(uninterrupted("alarm.db"));
    free(sqlite_answer(path, "DROP TABLE instrument_alarm; ALTER TABLE instrument_check DROP COLUMN vessel;"
                             "PRAGMA user_version = 11"));
    store = opened(path);
    strcpy(check.check.instrument, "left-scale");
    check.check.check = CHECK_VESSEL;
    check.check.value = 341.6;
    check.check.reference = 341.2;
    strcpy(check.check.vessel, "blue");
    apply(store, &check);
    commit(store);
    strcpy(alarm.alarm.instrument, "left-scale");
    alarm.alarm.check = CHECK_VESSEL;
    alarm.alarm.since_us = INT64_C(1795600000000000);
    alarm.alarm.change = 0.4;
    alarm.alarm.brews = 2;
    strcpy(alarm.alarm.brew[0], "pier-20261125-001");
    strcpy(alarm.alarm.brew[1], "pier-20261125-002");
    apply(store, &alarm);
    apply(store, &alarm);
    commit(store);
    store_close(store);
    assert_sqlite_gives(path,
                        "PRAGMA user_version; SELECT kind, value, vessel FROM instrument_check;"
                        "SELECT instrument, kind, since_us, change, once, brews FROM instrument_alarm",
                        "12\nvessel|341.6|blue\nleft-scale|vessel|1795600000000000|0.4|0|"
                        "[\"pier-20261125-001\",\"pier-20261125-002\"]");
}

static void checks_are_kept_and_a_store_of_version_6_gets_them(void **state)
{
    const char *path = file_named("check.db");
    struct message message = message_at(MESSAGE_CHECK, 5000, 130);
    struct store *store;

    (void)state;
    free(uninterrupted("check.db"));
    free(sqlite_answer(
        path,
        "DROP INDEX brew_by_change; ALTER TABLE brew DROP COLUMN changed; DROP TABLE identity; DROP TABLE asked_by;"
        "ALTER TABLE bench DROP COLUMN identity; ALTER TABLE bench DROP COLUMN units;"
        "DROP TABLE instrument_alarm; DROP TABLE instrument_check; PRAGMA user_version = 6"));
    store = opened(path);
    strcpy(message.check.instrument, "glass");
    message.check.check = CHECK_BLANK;
    message.check.value = 0.03;
    message.check.reference = NAN;
    apply(store, &message);
    commit(store);
    message.common.seq++;
    message.check.check = CHECK_MASS;
    message.check.value = 200.25;
    message.check.reference = 200;
    strcpy(message.check.brew, "pier-20261125-001");
    apply(store, &message);
    apply(store, &message);
    commit(store);
    store_close(store);
    assert_sqlite_gives(path,
                        "PRAGMA user_version; SELECT instrument, kind, value, reference, name FROM instrument_check"
                        " LEFT JOIN brew USING (brew_id) ORDER BY seq",
                        "12\nglass|blank|0.03||\nglass|mass|200.25|200.0|pier-20261125-001");
}

/* The units that a bench shows: of its last state; of several benches only what all of them show. */
static void the_units_of_a_bench_are_kept(void **state)
{
    const char *path = file_named("units.db");
    json_t *psi = json_pack("{s:s, s:s, s:s}", "mass", "g", "pressure", "psi", "temperature", "F");
    json_t *bar = json_pack("{s:s, s:s, s:s}", "mass", "g", "pressure", "bar", "temperature", "C");
    struct store *store;
    struct guide_units units;
    struct why why;

    (void)state;
    free(uninterrupted("units.db"));
    free(sqlite_answer(path, "ALTER TABLE bench DROP COLUMN units; DROP TABLE instrument_alarm;"
                             "ALTER TABLE instrument_check DROP COLUMN vessel; PRAGMA user_version = 10"));
    store = opened(path);
    units = store_units(store);
    assert_true(units.pressure == GUIDE_KPA && !units.fahrenheit);
    assert_int_equal(store_keep_units(store, "pier", bar, &why), 0);
    assert_int_equal(store_keep_units(store, "pier", psi, &why), 0);
    units = store_units(store);
    assert_true(units.pressure == GUIDE_PSI && units.fahrenheit);
    assert_int_equal(store_keep_units(store, "quay", bar, &why), 0);
    units = store_units(store);
    assert_true(units.pressure == GUIDE_KPA && !units.fahrenheit);
    assert_int_equal(store_keep_units(store, "quay", NULL, &why), -EINVAL);
    store_close(store);
    json_decref(psi);
    json_decref(bar);
    assert_sqlite_gives(path, "SELECT name, units ->> 'pressure' FROM bench ORDER BY name", "pier|psi\nquay|bar");
}

static void a_newer_store_is_refused_and_left_alone(void **state)
{
    const char *path = file_named("newer.db");
    struct store *store = NULL;
    struct stat before, after;
    struct why why = { "" };

    (void)state;
    store_close(opened(path));
    free(sqlite_answer(path, "PRAGMA user_version = 99; PRAGMA wal_checkpoint(TRUNCATE)"));
    assert_int_equal(stat(path, &before), 0);
    assert_int_equal(store_open(&store, path, STORE_WRITE, &why), -EPROTO);
    assert_non_null(strstr(why.text, "newer"));
    assert_int_equal(store_open(&store, path, STORE_READ, &why), -EPROTO);
    assert_null(store);
    assert_int_equal(stat(path, &after), 0);
    assert_int_equal(before.st_mtim.tv_sec, after.st_mtim.tv_sec);
    assert_int_equal(before.st_mtim.tv_nsec, after.st_mtim.tv_nsec);
    assert_sqlite_gives(path, "PRAGMA user_version", "99");
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
    free(sqlite_answer(other, "CREATE TABLE tides (at TEXT)"));
    assert_int_equal(store_open(&store, other, STORE_WRITE, &why), -EBADF);
    assert_sqlite_gives(other, "SELECT name FROM sqlite_schema; PRAGMA journal_mode", "tides\ndelete");
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

/* A file that answers for ever, as a damaged or a made-up one might. */
static void a_question_has_an_end(void **state)
{
    static const char endless[] =
        "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT count(*) FROM n";
    struct store *store = NULL;
    struct why why = { "" };

    (void)state;
    assert_int_equal(store_open(&store, file_named("endless.db"), STORE_WRITE, &why), 0);
    store_limit_ms(store, 20);
    assert_int_equal(sqlite3_exec(store_database(store), endless, NULL, NULL, NULL), SQLITE_INTERRUPT);
    assert_int_equal(sqlite3_exec(store_database(store), "SELECT * FROM brew_summary", NULL, NULL, NULL), SQLITE_OK);
    store_close(store);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_question_has_an_end),
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
        cmocka_unit_test(a_store_of_version_2_keeps_its_brew_and_its_tasting),
        cmocka_unit_test(what_is_written_of_a_brew_makes_its_number_the_highest),
        cmocka_unit_test(two_benches_of_one_name_stay_two),
        cmocka_unit_test(budgets_are_kept_and_a_store_of_version_4_gets_them),
        cmocka_unit_test(vessels_and_alarms_are_kept_and_a_store_of_version_11_gets_them),
        cmocka_unit_test(the_units_of_a_bench_are_kept),
        cmocka_unit_test(checks_are_kept_and_a_store_of_version_6_gets_them),
        cmocka_unit_test(who_gave_an_order_is_kept),
        cmocka_unit_test(a_newer_store_is_refused_and_left_alone),
        cmocka_unit_test(what_is_no_store_is_refused),
        cmocka_unit_test(a_reader_cannot_write),
    };

    return cmocka_run_group_tests(tests, make_folder, drop_folder);
}
