/* From answers to a verdict: what is counted, and what the sentence says. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "poise/tasting_score.h"

static const char *const samples[] = { "75 s", "180 s", "300 s" };
static const struct tasting_set triangle = {
    .cups = 3, .code = { 493, 201, 822 }, .sample = { 0, 1, 0 }, .reference = -1
};
static char sentence[SCORE_SENTENCE];

static void add(struct tasting_score *score, const struct tasting_set *set, int place, bool sure, const char *taster)
{
    score->samples = 2;
    tasting_score_add(score, set, &place, sure, taster);
}

static void sureness_and_places_are_counted(void **state)
{
    struct tasting_score score;

    (void)state;
    tasting_score_begin(&score, TASTING_TRIANGLE, 2);
    add(&score, &triangle, 1, true, "Ines");
    add(&score, &triangle, 0, true, "Ines");
    add(&score, &triangle, 1, false, "Ines");
    assert_int_equal(score.right, 2);
    assert_int_equal(score.sure, 2);
    assert_int_equal(score.sure_right, 1);
    assert_int_equal(score.chosen[1], 2);
    assert_int_equal(score.tasters, 1);
}

/* 11 of 20: p 0.0376 (SensoMineR package documentation, triangle.pair.test). */
static void a_difference_is_said_with_its_odds(void **state)
{
    struct tasting_score score;
    bool over;

    (void)state;
    tasting_score_begin(&score, TASTING_TRIANGLE, 2);
    for (int i = 0; i < 20; i++)
        add(&score, &triangle, i < 11 ? 1 : 2, false, "Ines");
    assert_true(fabs(tasting_score_p(&score, &over) - 0.0376365711) < 1e-9);
    assert_false(over);
    tasting_score_sentence(&score, samples, sentence);
    assert_non_null(strstr(sentence, "11 of 20 right"));
    assert_non_null(strstr(sentence, "one time in 27"));
    assert_non_null(strstr(sentence, "can be distinguished"));
}

static void no_difference_shown_says_what_could_have_been_seen(void **state)
{
    struct tasting_score score;

    (void)state;
    tasting_score_begin(&score, TASTING_TRIANGLE, 2);
    for (int i = 0; i < 20; i++)
        add(&score, &triangle, i < 6 ? 1 : 2, false, "Ines");
    tasting_score_sentence(&score, samples, sentence);
    assert_non_null(strstr(sentence, "no difference shown"));
    assert_non_null(strstr(sentence, "tastings in 100"));
}

static void tasters_are_kept_apart_from_repeats(void **state)
{
    struct tasting_score score;
    bool over;

    (void)state;
    tasting_score_begin(&score, TASTING_TRIANGLE, 2);
    for (int i = 0; i < 10; i++) {
        add(&score, &triangle, 1, false, "Ines");
        add(&score, &triangle, i % 3, false, "Tom");
    }
    assert_true(tasting_score_p(&score, &over) > 10 * tasting_p(TASTING_TRIANGLE, score.right, score.answered));
    assert_true(over);
}

static void a_preference_counts_the_sample_not_the_place(void **state)
{
    const struct tasting_set ab = { .cups = 2, .code = { 100, 101 }, .sample = { 0, 1 }, .reference = -1 };
    const struct tasting_set ba = { .cups = 2, .code = { 102, 103 }, .sample = { 1, 0 }, .reference = -1 };
    struct tasting_score score;

    (void)state;
    tasting_score_begin(&score, TASTING_PAIRED, 2);
    for (int i = 0; i < 4; i++) {
        add(&score, &ab, 1, false, "Ines");
        add(&score, &ba, 0, false, "Ines");
    }
    assert_int_equal(score.preferred[1], 8);
    tasting_score_sentence(&score, samples, sentence);
    assert_non_null(strstr(sentence, "180 s was preferred in 8 of 8"));
    assert_non_null(strstr(sentence, "the preference is real"));
}

static void rankings_are_by_sample(void **state)
{
    const struct tasting_set set = { .cups = 3, .code = { 100, 101, 102 }, .sample = { 2, 0, 1 }, .reference = -1 };
    const int first_to_last[] = { 1, 2, 0 }; /* samples 0, 1, 2 */
    struct tasting_score score;
    bool over;

    (void)state;
    tasting_score_begin(&score, TASTING_RANKING, 3);
    tasting_score_add(&score, &set, first_to_last, false, "Ines");
    assert_true(isnan(tasting_score_p(&score, &over)));
    for (int i = 0; i < 5; i++)
        tasting_score_add(&score, &set, first_to_last, false, "Tom");
    assert_true(tasting_score_p(&score, &over) < 0.01);
    tasting_score_sentence(&score, samples, sentence);
    assert_non_null(strstr(sentence, "75 s 1.0, 180 s 2.0, 300 s 3.0"));
}

static void two_sets_are_reported_to_be_too_few(void **state)
{
    (void)state;
    tasting_outlook(TASTING_TRIANGLE, 2, 2, sentence);
    assert_non_null(strstr(sentence, "cannot show"));
    assert_non_null(strstr(sentence, "one time in 9"));
    assert_non_null(strstr(sentence, "It takes 3"));
    tasting_outlook(TASTING_TRIANGLE, 2, 16, sentence);
    assert_non_null(strstr(sentence, "9 of 16"));
}

static void common_words_are_counted_once_a_cup(void **state)
{
    unsigned count[TASTING_WORDS] = { 0 };

    (void)state;
    tasting_words_count("Sweet, sweet and bittersweet; clean-ish.", count);
    assert_int_equal(count[0], 1);
    assert_int_equal(count[2], 0);
    assert_int_equal(count[5], 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(sureness_and_places_are_counted),
        cmocka_unit_test(a_difference_is_said_with_its_odds),
        cmocka_unit_test(no_difference_shown_says_what_could_have_been_seen),
        cmocka_unit_test(tasters_are_kept_apart_from_repeats),
        cmocka_unit_test(a_preference_counts_the_sample_not_the_place),
        cmocka_unit_test(rankings_are_by_sample),
        cmocka_unit_test(two_sets_are_reported_to_be_too_few),
        cmocka_unit_test(common_words_are_counted_once_a_cup),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
