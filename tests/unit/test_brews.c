/* The brews that the bench remembers: names by day, and which goes when there are too many. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "stations/brews.h"

/* Noon of 25 and 26 November 2026, UTC; the tests run in that time zone. */
static const int64_t WEDNESDAY_US = 1795608000000000, DAY_US = 86400000000;

static struct brews brews;

static int set_up(void **state)
{
    (void)state;
    setenv("TZ", "UTC", 1);
    memset(&brews, 0, sizeof brews);
    strcpy(brews.bench, "pier");
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    brews_free(&brews);
    return 0;
}

static const char *begin(uint32_t number, int64_t time_us)
{
    struct brew *brew = brews_begin(&brews, "left", number, time_us);

    assert_non_null(brew);
    return brew->name;
}

static void test_names_count_from_one_each_day(void **state)
{
    (void)state;
    assert_string_equal(begin(1, WEDNESDAY_US), "pier-20261125-001");
    assert_string_equal(begin(2, WEDNESDAY_US), "pier-20261125-002");
    assert_string_equal(begin(3, WEDNESDAY_US + DAY_US), "pier-20261126-001");
}

static void test_a_clock_set_back_gives_no_name_twice(void **state)
{
    (void)state;
    assert_string_equal(begin(1, WEDNESDAY_US + DAY_US), "pier-20261126-001");
    assert_string_equal(begin(2, WEDNESDAY_US), "pier-20261126-002");
}

static void test_the_oldest_goes_and_its_key_is_reported(void **state)
{
    (void)state;
    for (uint32_t i = 0; i < BREWS_KEPT; i++)
        begin(i + 1, WEDNESDAY_US);
    assert_string_equal(brews.dropped, "");
    begin(BREWS_KEPT + 1, WEDNESDAY_US);
    assert_int_equal(brews.count, BREWS_KEPT);
    assert_string_equal(brews.dropped, "pier-20261125-001");
    assert_null(brews_find(&brews, "pier-20261125-001"));
    assert_non_null(brews_find(&brews, "pier-20261125-101"));
}

/* A journal may hold one more than fits; what a restart must not lose is the newest, which may be running. */
static void test_a_restart_keeps_the_newest(void **state)
{
    struct brews kept = { .count = 0 };
    json_t *one_too_many = json_pack("{s:s,s:s}", "brew", "pier-20261124-009", "station", "left");

    (void)state;
    for (uint32_t i = 0; i < BREWS_KEPT; i++)
        begin(i + 1, WEDNESDAY_US);
    brews_add(&kept, brew_load(one_too_many));
    json_decref(one_too_many);
    for (int i = 0; i < BREWS_KEPT; i++) {
        json_t *json = brew_save(brews.all[i]);

        brews_add(&kept, brew_load(json));
        json_decref(json);
    }
    assert_int_equal(kept.count, BREWS_KEPT);
    assert_non_null(brews_find(&kept, "pier-20261125-100"));
    assert_string_equal(kept.dropped, "pier-20261124-009");
    brews_free(&kept);
}

static void test_what_was_kept_comes_back_as_it_was(void **state)
{
    struct brew *brew, *back;
    json_t *json;

    (void)state;
    begin(7, WEDNESDAY_US);
    brew = brews.all[0];
    brew_stage(brew, &(struct staged){ STAGE_POUR, 5000000, 30000, BY_TRACKER });
    brew_measure(brew, MEASURE_DOSE_G, 15.02, 0.03, false);
    brew_measure(brew, MEASURE_PRESS_PEAK_KPA, 40, 1, true);
    brew->samples[brew->sample_count++] =
        (struct sample){ .seq = 12, .strength_pct = 1.41, .resolution_pct = 0.01, .at_us = 9000000, .sample_c = 24.5 };
    json = brew_save(brew);
    back = brew_load(json);
    json_decref(json);
    assert_non_null(back);
    assert_string_equal(back->name, brew->name);
    assert_int_equal(back->number, 7);
    assert_int_equal(back->timeline.count, 1);
    assert_int_equal(back->timeline.stage[0].stage, STAGE_POUR);
    assert_int_equal(back->timeline.stage[0].at_us, 5000000);
    assert_true(back->measures.value[MEASURE_DOSE_G] == 15.02);
    assert_true(back->above[MEASURE_PRESS_PEAK_KPA] && !back->above[MEASURE_DOSE_G]);
    assert_int_equal(back->sample_count, 1);
    assert_true(back->samples[0].strength_pct == 1.41 && back->samples[0].sample_c == 24.5);
    free(back);
}

static void test_a_stage_reported_earlier_takes_back_those_after_it(void **state)
{
    struct brew *brew;

    (void)state;
    begin(1, WEDNESDAY_US);
    brew = brews.all[0];
    brew_stage(brew, &(struct staged){ STAGE_POUR, 10000000, 30000, BY_TRACKER });
    brew_stage(brew, &(struct staged){ STAGE_STEEP, 20000000, 30000, BY_TRACKER });
    brew_stage(brew, &(struct staged){ STAGE_PRESS, 15000000, 30000, BY_TRACKER });
    assert_int_equal(brew->timeline.count, 2);
    assert_int_equal(brew->timeline.stage[1].stage, STAGE_PRESS);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

/* Two are asked of one cup; each waits for its own answer, and a restart forgets neither. */
static void test_questions_are_open_until_each_is_answered(void **state)
{
    struct brew *brew, *again;
    json_t *kept;

    (void)state;
    begin(1, WEDNESDAY_US);
    brew = brews.all[0];
    brew_ask(brew, "dose", MEASURE_DOSE_G, "How many grams?");
    brew_ask(brew, "beverage", MEASURE_BEVERAGE_G, "How much is in it (150)?");
    brew_ask(brew, "beverage", MEASURE_BEVERAGE_G, "How much is in it (151)?");
    assert_int_equal(brew->question_count, 2);
    kept = brew_save(brew);
    assert_non_null(kept);
    again = brew_load(kept);
    json_decref(kept);
    assert_non_null(again);
    brews_add(&brews, again);
    brew_answer(again, MEASURE_WATER_G);
    assert_int_equal(again->question_count, 2);
    assert_string_equal(again->questions[0].word, "dose");
    brew_answer(again, MEASURE_DOSE_G);
    assert_int_equal(again->question_count, 1);
    assert_int_equal(again->questions[0].measure, MEASURE_BEVERAGE_G);
    assert_string_equal(again->questions[0].detail, "How much is in it (151)?");
    brew_answer(again, MEASURE_BEVERAGE_G);
    assert_int_equal(again->question_count, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(test_names_count_from_one_each_day),
        TEST(test_a_clock_set_back_gives_no_name_twice),
        TEST(test_the_oldest_goes_and_its_key_is_reported),
        TEST(test_a_restart_keeps_the_newest),
        TEST(test_questions_are_open_until_each_is_answered),
        TEST(test_what_was_kept_comes_back_as_it_was),
        TEST(test_a_stage_reported_earlier_takes_back_those_after_it),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
