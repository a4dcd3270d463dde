/* What the store makes of many benches, scales and names, of numbers that begin again and times that cannot be. */
#include "store_bench.h"

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
    assert_sqlite_gives(path, "SELECT bench, count(*) FROM brew_summary GROUP BY bench", "pier|2\nquay|2");
    assert_sqlite_gives(path, "SELECT brew, count(*) FROM brew_trace GROUP BY brew",
                        "pier-20261125-001|425\n"
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

static void two_scales_of_a_station_are_reported_apart(void **state)
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
    assert_sqlite_gives(path, "SELECT instrument, weighs, value FROM brew_trace ORDER BY seq",
                        "left-cup|cup|341.2\nleft-scale||410.2");
    assert_sqlite_gives(path, "SELECT drip_g, pressed_dry, pressed_dry_u FROM brew_summary", "4.2|1.0|0.03");
}

static void instruments_of_the_whole_bench_are_kept_too(void **state)
{
    const char *path = file_named("benchwide.db");
    struct store *store = opened(path);
    struct message begin = brew_at(2, 1, "pier-20261125-001", BREW_BEGIN, 0.5);
    struct message thermometer = message_at(MESSAGE_READING, 1, 0.6);
    struct message refractometer = message_at(MESSAGE_READING, 3, 1.5);

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
    assert_sqlite_gives(path, "SELECT seq, instrument, unit, value, decimals, status FROM brew_trace",
                        "1|probe|°C|93.1|2|ok\n4|probe|°C|||fault");
    assert_sqlite_gives(path, "SELECT value, decimals FROM reading", "1.4|2");
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
    assert_sqlite_gives(path, "SELECT note, factors FROM brew_summary",
                        "it's <b>\"hollow\"</b>; DROP TABLE brew;\nthin; better cold|{\"grind\":\"18'); --\"}");
    assert_sqlite_gives(path, "SELECT name, discarded, reason FROM brew ORDER BY name",
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
    assert_sqlite_gives(path, "SELECT after_seq, before_seq FROM gap", "10|15");
    assert_sqlite_gives(path, "SELECT seq, warning, detail FROM warning", "500|numbers-skipped|restarted");
}

/* The bench keeps readings between brews for two days only, and says up to where anything else may be missing. */
static void what_a_bench_leaves_out_between_brews_is_no_gap(void **state)
{
    const char *path = file_named("idle.db");
    struct store *store = opened(path);
    struct message reading = mass_at(10, 1, 0);

    (void)state;
    store_gone(store, 100);
    apply(store, &reading);
    reading.common.seq = 15;
    apply(store, &reading);
    reading.common.seq = 120;
    apply(store, &reading);
    reading.common.seq = 500;
    apply(store, &reading);
    commit(store);
    store_close(store);
    assert_sqlite_gives(path, "SELECT after_seq, before_seq FROM gap ORDER BY before_seq", "10|15\n15|120");
}

/* The bench lost its journal: its numbers begin again, its new brews are kept all the same. */
static void a_bench_that_numbers_anew_is_followed(void **state)
{
    const char *path = file_named("again.db");
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
    assert_sqlite_gives(path, "SELECT seq, warning FROM warning ORDER BY time_us, seq",
                        "5001|overload\n5001|press-too-hard\n12|press-too-hard");
    assert_sqlite_gives(path, "SELECT count(*) FROM gap", "0");
}

/* One brew, begun at `from`, with a reading, a stage and a measure; not ended. */
static void brew_reported(struct store *store, uint64_t seq, double from, const char *brew, double water_g)
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

static const char two_brews[] =
    "SELECT name, (SELECT count(*) FROM stage s WHERE s.brew_id = b.brew_id),"
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

        brew_reported(store, 101, 0, brew, 200);
        if (stops & 1) {
            commit(store);
            store_close(store);
            store = opened(path);
        }
        brew_reported(store, 1, 600, brew, 230);
        assert_int_equal(store_commit(store, &why), 1);
        assert_non_null(strstr(why.text, "the earlier brew is pier-20261125-1001 from now on"));
        if (stops & 2) {
            store_close(store);
            store = opened(path);
        }
        brew_reported(store, 1, 600, brew, 230); /* heard again */
        commit(store);
        assert_sqlite_gives(path, two_brews, expected);
        store_close(store);
        store = opened(path);
        brew_reported(store, 101, 0, brew, 200); /* the old journal came back */
        commit(store);
        store_close(store);
        assert_sqlite_gives(path, two_brews, expected);
    }
}

/* Nobody counts so far, but a message may say so. */
static void a_number_beyond_all_counting_is_renamed_too(void **state)
{
    const char *path = file_named("beyond.db"), *brew = "pier-20261125-99999999999999999999999";
    struct store *store = opened(path);
    struct why why;

    (void)state;
    brew_reported(store, 101, 0, brew, 200);
    brew_reported(store, 1, 600, brew, 230);
    assert_int_equal(store_commit(store, &why), 1);
    store_close(store);
    assert_sqlite_gives(path, "SELECT name FROM brew ORDER BY brew_id",
                        "pier-20261125-999\npier-20261125-99999999999999999999999");
}

/* After a restart of the machine the steady clock starts over; the brew goes on. */
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
    assert_sqlite_gives(path, "SELECT seq, seconds FROM brew_trace", "3|1.0\n4|39.0");
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

        if (i == LONG_ONE) { /* under way ever after */
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
    assert_sqlite_gives(path, "SELECT count(*), count(DISTINCT brew_id) FROM trace", "451|451");
    assert_sqlite_gives(path, "SELECT count(*) FROM brew", "451");
    assert_sqlite_gives(path, "SELECT instrument FROM brew_trace WHERE brew = 'pier-20261125-999'", "right-scale");
    assert_sqlite_gives(path, "SELECT brew FROM brew_summary WHERE dose_g = 15", "pier-20261125-000");
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
    assert_true(store_commit(store, &why) >= 0); /* four begins are four brews */
    store_close(store);
    assert_sqlite_gives(path, "SELECT count(*) FROM stage; PRAGMA integrity_check", "4\nok");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(two_benches_share_a_store),
        cmocka_unit_test(two_scales_of_a_station_are_reported_apart),
        cmocka_unit_test(instruments_of_the_whole_bench_are_kept_too),
        cmocka_unit_test(what_people_write_comes_back_as_written),
        cmocka_unit_test(a_hole_in_the_numbers_is_on_record),
        cmocka_unit_test(what_a_bench_leaves_out_between_brews_is_no_gap),
        cmocka_unit_test(a_bench_that_numbers_anew_is_followed),
        cmocka_unit_test(a_name_given_twice_merges_nothing),
        cmocka_unit_test(a_number_beyond_all_counting_is_renamed_too),
        cmocka_unit_test(a_brew_that_spans_two_boots_keeps_its_seconds),
        cmocka_unit_test(brews_of_long_ago_are_forgotten_in_memory_only),
        cmocka_unit_test(times_that_cannot_be_do_no_harm),
    };

    return cmocka_run_group_tests(tests, make_folder, drop_folder);
}
