/* From answers to a verdict: what is counted, what is concluded, and what the sentence claims. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "poise/tasting_verdict.h"

static struct tasting_session session;
static struct tasting_score score;
static struct tasting_verdict verdict;
static const struct tasting_set triangle = {
    .cups = 3, .code = { 493, 201, 822 }, .sample = { 0, 1, 0 }, .reference = -1
};
static const struct tasting_set pair = { .cups = 2, .code = { 100, 101 }, .sample = { 0, 1 }, .reference = -1 };

static void begin(enum tasting_method method, int samples, unsigned planned)
{
    memset(&session, 0, sizeof session);
    session.method = method;
    session.sample_count = samples;
    session.expected = -1;
    session.planned = planned;
    session.taster_count = 1;
    session.alpha = TASTING_ALPHA;
    session.power = TASTING_POWER;
    session.share = TASTING_SHARE;
    session.limit = TASTING_LIMIT;
    session.beta = TASTING_BETA;
    for (int i = 0; i < samples; i++)
        snprintf(session.sample[i].label, TASTING_LABEL_SIZE, "steep %d s", 75 + 105 * i);
    tasting_score_begin(&score, method, samples);
}

static void add(const struct tasting_set *set, int place, const char *taster)
{
    assert_int_equal(tasting_score_add(&score, set, (int[TASTING_CUPS]){ place }, false, taster), 0);
}

static void answers(const char *taster, const struct tasting_set *set, int hits, int of)
{
    for (int i = 0; i < of; i++)
        add(set, i < hits ? 1 : 0, taster);
}

static void judge(void)
{
    tasting_judge(&session, &score, &verdict);
    tasting_measure(&session, &score, &verdict);
    tasting_state_verdict(&session, &verdict);
}

static void assert_states(const char *words)
{
    if (!strstr(verdict.sentence, words) && !strstr(verdict.caution, words))
        fail_msg("'%s' is not in: %s | %s", words, verdict.sentence, verdict.caution);
}

/* 11 of 20: p 0.0376 (SensoMineR package documentation, triangle.pair.test). */
static void a_difference_is_about_its_one_taster(void **state)
{
    (void)state;
    begin(TASTING_TRIANGLE, 2, 20);
    answers("Ines", &triangle, 11, 20);
    judge();
    assert_int_equal(verdict.finding, TASTING_DIFFERENT);
    assert_true(fabs(verdict.p - 0.0376365711) < 1e-9);
    assert_true(verdict.one_taster);
    assert_states("11 of 20 right; by luck alone so many or more come one time in 27");
    assert_states("Ines can distinguish the cups");
    assert_states("this is about Ines, not about people");
}

/* 3^12 = 531,441. */
static void twelve_of_twelve_is_luck_one_time_in_531441(void **state)
{
    (void)state;
    begin(TASTING_TRIANGLE, 2, 12);
    answers("Ines", &triangle, 6, 6);
    answers("Tom", &triangle, 6, 6);
    judge();
    assert_states("one time in 531,441");
    assert_states("these 2 tasters can distinguish");
}

static void nothing_shown_is_never_the_same(void **state)
{
    (void)state;
    begin(TASTING_TRIANGLE, 2, 20);
    answers("Ines", &triangle, 8, 20);
    judge();
    assert_int_equal(verdict.finding, TASTING_NOT_SHOWN);
    assert_states("no difference shown, nor that they are the same");
    assert_null(strstr(verdict.sentence, "the same to"));
}

/* similarity.csv: of 36 with a limit of 0.3 and beta 0.05, 13 right or fewer (ISO 4120's procedure). */
static void the_same_is_earned_at_the_tables_count(void **state)
{
    int most = tasting_most_alike(TASTING_TRIANGLE, 36, 0.3, 0.05);

    (void)state;
    for (int more = 0; more < 2; more++) {
        begin(TASTING_TRIANGLE, 2, 36);
        answers("Ines", &triangle, most + more, 36);
        judge();
        assert_int_equal(verdict.finding, more ? TASTING_NOT_SHOWN : TASTING_SAME);
    }
    begin(TASTING_TRIANGLE, 2, 36);
    answers("Ines", &triangle, most, 36);
    judge();
    assert_states("the same to Ines, as far as this goes: if 30 % could");
}

static void tasters_who_differ_are_reported(void **state)
{
    (void)state;
    begin(TASTING_TRIANGLE, 2, 40);
    answers("Ines", &triangle, 10, 10);
    answers("Tom", &triangle, 3, 10);
    answers("Ada", &triangle, 2, 10);
    answers("Bo", &triangle, 4, 10);
    judge();
    assert_int_equal(verdict.finding, TASTING_DIFFERENT);
    assert_true(verdict.p_alike < 0.05);
    assert_false(verdict.over_people);
    assert_states("these 4 tasters can distinguish");
    assert_states("The tasters differ among themselves");
    answers("Cy", &triangle, 3, 10);
    answers("Dee", &triangle, 10, 10);
    judge();
    assert_true(verdict.over_people);
    assert_states("people like these 6 can distinguish");
    assert_true(verdict.share_95.low < 0.05 && verdict.share_95.high > 0.75); /* six people say little of people */
}

/* 2 / 2^6 = 0.03125, once shown as "the preference is real". */
static void a_preference_of_one_is_not_about_people(void **state)
{
    (void)state;
    begin(TASTING_PREFERENCE, 2, 6);
    answers("Ines", &pair, 6, 6);
    judge();
    assert_int_equal(verdict.finding, TASTING_DIFFERENT);
    assert_int_equal(verdict.favoured, 1);
    assert_true(fabs(verdict.p - 0.03125) < 1e-12);
    assert_states("Ines prefers it");
    assert_states("not about people");
    begin(TASTING_PREFERENCE, 2, 18);
    answers("Ines", &pair, 6, 6);
    answers("Tom", &pair, 6, 6);
    answers("Ada", &pair, 6, 6);
    judge();
    assert_true(fabs(verdict.p - 2.0 / 8) < 1e-12); /* three votes */
    assert_int_equal(verdict.finding, TASTING_NOT_SHOWN);
}

static void a_preference_counts_the_sample_not_the_place(void **state)
{
    const struct tasting_set turned = { .cups = 2, .code = { 102, 103 }, .sample = { 1, 0 }, .reference = -1 };

    (void)state;
    begin(TASTING_PREFERENCE, 2, 8);
    for (int i = 0; i < 4; i++) {
        add(&pair, 0, "Ines");
        add(&turned, 1, "Ines");
    }
    judge();
    assert_int_equal(verdict.favoured, 0);
    assert_states("steep 75 s was preferred in 8 of 8");
}

static void a_direction_expected_is_one_sided(void **state)
{
    (void)state;
    begin(TASTING_DIRECTIONAL, 2, 10);
    strcpy(session.attribute, "sweeter");
    answers("Ines", &pair, 8, 10);
    judge();
    assert_int_equal(verdict.finding, TASTING_NOT_SHOWN); /* 2 * 56 / 1024 */
    session.expected = 1;
    judge();
    assert_true(fabs(verdict.p - 56 / 1024.0) < 1e-12);
    session.expected = 0; /* the wrong way is no evidence */
    judge();
    assert_true(verdict.p > 0.9);
    assert_states("called sweeter in 2 of 10");
}

static void rankings_are_by_sample(void **state)
{
    const struct tasting_set set = { .cups = 3, .code = { 100, 101, 102 }, .sample = { 2, 0, 1 }, .reference = -1 };
    const int order[TASTING_CUPS] = { 1, 2, 0 }; /* samples 0, 1, 2 */

    (void)state;
    begin(TASTING_RANKING, 3, 5);
    assert_int_equal(tasting_score_add(&score, &set, order, false, "Ines"), 0);
    judge();
    assert_int_equal(verdict.finding, TASTING_UNJUDGED);
    for (int i = 0; i < 4; i++)
        assert_int_equal(tasting_score_add(&score, &set, order, false, "Ines"), 0);
    judge();
    assert_true(fabs(verdict.p - pow(6, -4)) < 1e-12); /* all five alike: 6 of 6^5 orders */
    assert_int_equal(verdict.favoured, 0);
    assert_states("steep 75 s comes first on average");
    assert_states("steep 75 s came before steep 285 s in 100 %");
    assert_true(isinf(verdict.dprime) && verdict.dprime_95.low > -0.1); /* five alone: just not above 0 */
}

static void a_degree_is_how_much_further_than_the_control(void **state)
{
    (void)state;
    begin(TASTING_DEGREE, 2, 6);
    for (int i = 0; i < 6; i++)
        assert_int_equal(tasting_score_add(&score, &pair, (int[TASTING_CUPS]){ 1, 4 + i % 2 }, false, "Ines"), 0);
    judge();
    assert_true(fabs(verdict.p - 1.0 / 64) < 1e-12);
    assert_true(fabs(verdict.proportion - 3.5) < 1e-12);
    assert_int_equal(verdict.finding, TASTING_DIFFERENT);
    assert_true(verdict.proportion_95.low > 2.9 && verdict.proportion_95.high < 4.1);
}

static void before_the_planned_end_nothing_is_judged(void **state)
{
    (void)state;
    begin(TASTING_TRIANGLE, 2, 18);
    answers("Ines", &triangle, 9, 9);
    judge();
    assert_int_equal(verdict.finding, TASTING_UNJUDGED);
    assert_true(isnan(verdict.p));
    assert_states("not all planned sets are answered");
    tasting_score_looked(&score); /* paid for: 9 of 9 is beyond any bound */
    judge();
    assert_int_equal(verdict.finding, TASTING_DIFFERENT);
    begin(TASTING_TRIANGLE, 2, 18);
    answers("Ines", &triangle, 6, 9);
    tasting_score_looked(&score);
    judge();
    assert_int_equal(verdict.finding, TASTING_UNJUDGED); /* by luck one time in 24: not enough at half way */
}

static void what_was_seen_is_not_judged(void **state)
{
    (void)state;
    begin(TASTING_TRIANGLE, 2, 12);
    session.seen = true;
    answers("Ines", &triangle, 12, 12);
    judge();
    assert_int_equal(verdict.finding, TASTING_UNJUDGED);
    assert_states("distinguished by eye");
    begin(TASTING_TRIANGLE, 2, 12);
    score.left_out = 12;
    judge();
    assert_int_equal(verdict.finding, TASTING_UNJUDGED);
}

static void what_so_few_sets_can_show_is_known_beforehand(void **state)
{
    char outlook[TASTING_SENTENCE];

    (void)state;
    begin(TASTING_TRIANGLE, 2, 2);
    tasting_outlook(&session, outlook);
    assert_non_null(strstr(outlook, "2 sets cannot show a difference"));
    assert_non_null(strstr(outlook, "one time in 9"));
    assert_non_null(strstr(outlook, "16 sets are needed for 80 of 100: 14 more than planned"));
    begin(TASTING_TRIANGLE, 2, 16);
    tasting_outlook(&session, outlook);
    assert_non_null(strstr(outlook, "9 of 16 must be right"));
    assert_non_null(strstr(outlook, "16 sets are enough"));
    assert_null(strstr(outlook, "in at least 88 of 100")); /* 16 alone has 0.876; 17 less: the tooth's lower side */
    for (int method = 0; method < TASTING_METHOD_COUNT; method++) {
        begin((enum tasting_method)method, method == TASTING_RANKING ? 3 : 2, 12);
        tasting_outlook(&session, outlook);
        assert_non_null(strstr(outlook, "of 100"));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_difference_is_about_its_one_taster),
        cmocka_unit_test(twelve_of_twelve_is_luck_one_time_in_531441),
        cmocka_unit_test(nothing_shown_is_never_the_same),
        cmocka_unit_test(the_same_is_earned_at_the_tables_count),
        cmocka_unit_test(tasters_who_differ_are_reported),
        cmocka_unit_test(a_preference_of_one_is_not_about_people),
        cmocka_unit_test(a_preference_counts_the_sample_not_the_place),
        cmocka_unit_test(a_direction_expected_is_one_sided),
        cmocka_unit_test(rankings_are_by_sample),
        cmocka_unit_test(a_degree_is_how_much_further_than_the_control),
        cmocka_unit_test(before_the_planned_end_nothing_is_judged),
        cmocka_unit_test(what_was_seen_is_not_judged),
        cmocka_unit_test(what_so_few_sets_can_show_is_known_beforehand),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
