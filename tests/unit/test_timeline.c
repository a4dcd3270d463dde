/* Stages as reported: a later one takes back earlier ones; what must be reported to correct a list; and that the
 * store's SQL says the same as the module, over many made-up stories. */
#include "store_bench.h"

#include "poise/timeline.h"

static unsigned draw_from = 20261125;

static int draw(int below)
{
    draw_from = draw_from * 1103515245 + 12345;
    return (int)(draw_from >> 16 & 0x7fff) % below;
}

static void report(struct timeline *timeline, enum stage stage, int64_t at_us)
{
    timeline_report(timeline, &(struct staged){ stage, at_us, 50000, BY_TRACKER });
}

static void a_stage_takes_back_what_began_at_its_time_or_later(void **state)
{
    struct timeline timeline = { .count = 0 };

    (void)state;
    report(&timeline, STAGE_DOSE, 1000000);
    report(&timeline, STAGE_POUR, 5000000);
    report(&timeline, STAGE_STEEP, 9000000);
    report(&timeline, STAGE_BLOOM, 5000900); /* the same time, within a millisecond */
    assert_int_equal(timeline.count, 2);
    assert_int_equal(timeline.stage[1].stage, STAGE_BLOOM);
    report(&timeline, STAGE_POUR, 5002000); /* two milliseconds later it is another */
    assert_int_equal(timeline.count, 3);
    report(&timeline, STAGE_IDLE, 1000000);
    assert_int_equal(timeline.count, 0);
}

static void a_brew_with_too_many_stages_keeps_the_newest(void **state)
{
    struct timeline timeline = { .count = 0 };

    (void)state;
    for (int i = 0; i < TIMELINE_STAGES + 5; i++)
        report(&timeline, i % 2 ? STAGE_STIR : STAGE_STEEP, (i + 1) * 1000000);
    assert_int_equal(timeline.count, TIMELINE_STAGES);
    assert_int_equal(timeline.stage[0].at_us, 6000000);
    assert_int_equal(timeline.stage[TIMELINE_STAGES - 1].at_us, (TIMELINE_STAGES + 5) * 1000000);
}

static struct timeline made_up(int most)
{
    struct timeline timeline = { .count = 0 };
    int count = draw(most + 1);
    int64_t at_us = 0;

    for (int i = 0; i < count; i++)
        report(&timeline, (enum stage)(1 + draw(STAGE_DONE)), at_us += 2000 + draw(4) * 1000);
    return timeline;
}

/* Whoever listened to `before` and then hears what is to be reported has `after`. */
static void what_is_to_be_reported_corrects_any_list(void **state)
{
    int nothing = 0;

    (void)state;
    for (int round = 0; round < 20000; round++) {
        struct timeline before = made_up(6), after = draw(4) ? made_up(6) : before, heard = before;
        int64_t idle_us;
        int first = timeline_first_to_report(&before, &after, &idle_us);

        if (idle_us)
            report(&heard, STAGE_IDLE, idle_us);
        for (int i = first; i < after.count; i++)
            timeline_report(&heard, &after.stage[i]);
        nothing += first == after.count && !idle_us;
        assert_int_equal(heard.count, after.count);
        for (int i = 0; i < after.count; i++) {
            assert_int_equal(heard.stage[i].stage, after.stage[i].stage);
            assert_int_equal(heard.stage[i].at_us, after.stage[i].at_us);
        }
    }
    assert_in_range(nothing, 4000, 8000); /* the lists that did not change, and a few by chance */
}

/* The view brew_stage is the timeline: 60 brews of up to 14 stages reported in any order. */
static void the_store_says_the_same(void **state)
{
    static char expected[60 * TIMELINE_STAGES * 40];
    const char *path = file_named("timeline.db");
    struct store *store = opened(path);
    size_t length = 0;
    uint64_t seq = 0;
    char *said;

    (void)state;
    for (int brew = 1; brew <= 60; brew++) {
        struct timeline timeline = { .count = 0 };
        char name[BREW_SIZE];

        snprintf(name, sizeof name, "pier-20261125-%03d", brew);
        for (int i = 1 + draw(14); i > 0; i--) {
            enum stage stage = (enum stage)draw(STAGE_COUNT);
            int64_t at_ms = draw(12); /* many at the same time, or a millisecond apart */
            struct message message = stage_at(++seq, 100, name, stage, 50 + (double)at_ms / 1000);

            apply_all(store, &message, 1);
            report(&timeline, stage, message.stage.at_us);
        }
        for (int i = 0; i < timeline.count; i++)
            length +=
                (size_t)snprintf(expected + length, sizeof expected - length, "%s|%s|%d\n", name,
                                 stage_name(timeline.stage[i].stage), (int)(timeline.stage[i].at_us - 5050 * SECOND));
    }
    store_close(store);
    assert_true(length > 1000);
    expected[length - 1] = '\0';
    said = sqlite_answer(path, "SELECT b.brew, b.stage, s.at_mono_us - 5050000000 FROM brew_stage b JOIN stage s USING"
                               " (seq) ORDER BY b.brew, s.at_mono_us, s.seq");
    assert_same_store(said, expected);
    free(said);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_stage_takes_back_what_began_at_its_time_or_later),
        cmocka_unit_test(a_brew_with_too_many_stages_keeps_the_newest),
        cmocka_unit_test(what_is_to_be_reported_corrects_any_list),
        cmocka_unit_test(the_store_says_the_same),
    };

    return cmocka_run_group_tests(tests, make_folder, drop_folder);
}
