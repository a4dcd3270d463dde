/* The cups of a blind tasting: balanced, uniform, and answers read. */
#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>
#include <gsl/gsl_cdf.h>

#include "poise/tasting.h"

static struct tasting_set sets[TASTING_SETS];
static struct why why;

/* A number that distinguishes two orders of a set. */
static unsigned order_of(const struct tasting_set *set)
{
    unsigned order = (unsigned)(set->reference + 1);

    for (int cup = 0; cup < set->cups; cup++)
        order = order * TASTING_CUPS + set->sample[cup];
    return order;
}

static int count_order(unsigned order, int count)
{
    int found = 0;

    for (int set = 0; set < count; set++)
        found += order_of(&sets[set]) == order;
    return found;
}

/* Numerical Recipes' quick generator: the same draw in every run. */
static uint32_t repeatable(void *context, uint32_t limit)
{
    uint32_t *state = context;

    *state = *state * 1664525u + 1013904223u;
    return (uint32_t)((uint64_t)*state * limit >> 32);
}

/* Any order is served sooner or later, and which sample plays which part is nearly even. */
static void every_order_comes_and_parts_are_even(void **state)
{
    static const struct {
        enum tasting_method method;
        int samples, orders;
    } cases[] = { { TASTING_TRIANGLE, 2, 6 }, { TASTING_TWO_OF_FIVE, 2, 20 }, { TASTING_DUO_TRIO, 2, 4 },
                  { TASTING_TETRAD, 2, 6 },   { TASTING_DIRECTIONAL, 2, 2 },  { TASTING_PREFERENCE, 2, 2 },
                  { TASTING_RANKING, 4, 4 },  { TASTING_RANKING, 5, 10 },     { TASTING_DEGREE, 2, 2 } };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        int distinct = 0;
        uint32_t drawn = 20261130;

        assert_int_equal(tasting_orders(cases[i].method, cases[i].samples), cases[i].orders);
        assert_int_equal(tasting_draw(cases[i].method, cases[i].samples, 170, repeatable, &drawn, sets, &why), 0);
        for (int set = 0; set < 170; set++) {
            distinct += count_order(order_of(&sets[set]), set) == 0;
            assert_true(tasting_set_possible(cases[i].method, cases[i].samples, &sets[set]));
        }
        assert_int_equal(distinct, cases[i].orders);
    }
    assert_int_equal(tasting_draw(TASTING_TRIANGLE, 2, 100, tasting_system_random, NULL, sets, &why), 0);
    for (int set = 0, odd = 0; set < 100; set++) {
        odd += sets[set].sample[0] + sets[set].sample[1] + sets[set].sample[2] == 1;
        assert_in_range(2 * odd + 16, set + 1, set + 33); /* the coin: 16 ahead comes once in 2^100 */
    }
}

/* ISO 8587 asks for balanced serving: in a Williams design of 5 each of its ten rows has every sample once in each
 * place over the five shifts, and no sample follows another more than twice in ten rows. */
static void rankings_balance_place_and_neighbour(void **state)
{
    int after[5][5] = { { 0 } }, seen = 0;
    unsigned known[10] = { 0 };

    (void)state;
    assert_int_equal(tasting_draw(TASTING_RANKING, 5, 170, tasting_system_random, NULL, sets, &why), 0);
    for (int set = 0; set < 170; set++) {
        int same = 0;

        while (same < seen && known[same] != order_of(&sets[set]))
            same++;
        if (same < seen)
            continue;
        assert_in_range(seen, 0, 9);
        known[seen++] = order_of(&sets[set]);
        for (int cup = 1; cup < 5; cup++)
            after[sets[set].sample[cup - 1]][sets[set].sample[cup]]++;
    }
    for (int a = 0; a < 5; a++)
        for (int b = 0; b < 5; b++)
            assert_int_equal(after[a][b], a == b ? 0 : 2);
}

static void no_code_comes_twice(void **state)
{
    unsigned char seen[1000] = { 0 };

    (void)state;
    assert_int_equal(tasting_draw(TASTING_TRIANGLE, 2, TASTING_SETS, tasting_system_random, NULL, sets, &why), 0);
    for (int set = 0; set < TASTING_SETS; set++)
        for (int cup = 0; cup < 3; cup++) {
            assert_in_range(sets[set].code[cup], 100, 999);
            assert_int_equal(seen[sets[set].code[cup]]++, 0);
        }
}

/* 100,000 keys of one set: which order, and the first code's hundreds; chi-square at 1e-6, so that an
 * honest source fails one run in a million. */
static void keys_are_uniform(void **state)
{
    enum { KEYS = 100000 };
    double order[1000] = { 0 }, hundreds[9] = { 0 }, by_order = 0, by_code = 0;

    (void)state;
    for (int key = 0; key < KEYS; key++) {
        assert_int_equal(tasting_draw(TASTING_TRIANGLE, 2, 1, tasting_system_random, NULL, sets, &why), 0);
        order[order_of(&sets[0])]++;
        hundreds[sets[0].code[0] / 100 - 1]++;
    }
    for (int i = 0; i < 1000; i++)
        by_order += order[i] > 0 ? (order[i] - KEYS / 6.0) * (order[i] - KEYS / 6.0) / (KEYS / 6.0) : 0;
    for (int i = 0; i < 9; i++)
        by_code += (hundreds[i] - KEYS / 9.0) * (hundreds[i] - KEYS / 9.0) / (KEYS / 9.0);
    assert_true(gsl_cdf_chisq_Q(by_order, 5) > 1e-6);
    assert_true(gsl_cdf_chisq_Q(by_code, 8) > 1e-6);
}

static bool right(enum tasting_method method, const struct tasting_set *set, int first, int second)
{
    const int place[TASTING_CUPS] = { first, second };

    return tasting_answer_right(method, set, place);
}

static void the_right_answer_is_the_odd_cup(void **state)
{
    const struct tasting_set triangle = { .cups = 3, .sample = { 1, 0, 1 }, .reference = -1 };
    const struct tasting_set duo = { .cups = 2, .sample = { 1, 0 }, .reference = 0 };
    const struct tasting_set five = { .cups = 5, .sample = { 0, 1, 0, 0, 1 }, .reference = -1 };
    const struct tasting_set five_other = { .cups = 5, .sample = { 0, 1, 0, 1, 1 }, .reference = -1 };
    const struct tasting_set tetrad = { .cups = 4, .sample = { 1, 0, 0, 1 }, .reference = -1 };

    (void)state;
    for (int cup = 0; cup < 3; cup++)
        assert_int_equal(right(TASTING_TRIANGLE, &triangle, cup, 0), cup == 1);
    assert_true(right(TASTING_DUO_TRIO, &duo, 1, 0));
    assert_false(right(TASTING_DUO_TRIO, &duo, 0, 0));
    for (int first = 0; first < 5; first++)
        for (int second = first + 1; second < 5; second++) {
            assert_int_equal(right(TASTING_TWO_OF_FIVE, &five, first, second), first == 1 && second == 4);
            assert_int_equal(right(TASTING_TWO_OF_FIVE, &five_other, first, second), first == 0 && second == 2);
        }
    assert_true(right(TASTING_TETRAD, &tetrad, 0, 3));
    assert_true(right(TASTING_TETRAD, &tetrad, 1, 2));
    assert_false(right(TASTING_TETRAD, &tetrad, 0, 1));
    assert_false(right(TASTING_PREFERENCE, &duo, 1, 0));
}

static void impossible_sessions_are_refused(void **state)
{
    (void)state;
    assert_int_equal(tasting_draw(TASTING_TRIANGLE, 3, 6, tasting_system_random, NULL, sets, &why), -EINVAL);
    assert_int_equal(tasting_draw(TASTING_RANKING, 2, 6, tasting_system_random, NULL, sets, &why), -EINVAL);
    assert_int_equal(tasting_draw(TASTING_RANKING, 10, 91, tasting_system_random, NULL, sets, &why), -EINVAL);
    assert_int_equal(tasting_draw(TASTING_TRIANGLE, 2, 0, tasting_system_random, NULL, sets, &why), -EINVAL);
}

static void answers_name_cups_by_their_codes(void **state)
{
    const struct tasting_set five = {
        .cups = 5, .code = { 493, 201, 822, 110, 307 }, .sample = { 0, 1, 0, 0, 1 }, .reference = -1
    };
    const struct tasting_set three = { .cups = 3, .code = { 493, 201, 822 }, .sample = { 1, 0, 2 }, .reference = -1 };
    int place[TASTING_CUPS];

    (void)state;
    assert_int_equal(tasting_answer_read(TASTING_TWO_OF_FIVE, &five, " 307, 201\n", place, &why), 2);
    assert_true(tasting_answer_right(TASTING_TWO_OF_FIVE, &five, place));
    assert_int_equal(tasting_answer_read(TASTING_TWO_OF_FIVE, &five, "307 110", place, &why), 2);
    assert_false(tasting_answer_right(TASTING_TWO_OF_FIVE, &five, place));
    assert_int_equal(tasting_answer_read(TASTING_RANKING, &three, "822 493 201", place, &why), 3);
    assert_int_equal(place[0], 2);
    assert_int_equal(place[2], 1);
}

static void answers_may_name_places_and_ratings_are_numbers(void **state)
{
    const struct tasting_set four = { .cups = 4, .code = { 493, 201, 822, 110 }, .reference = -1 };
    const struct tasting_set two = { .cups = 2, .code = { 493, 201 }, .reference = 0 };
    int place[TASTING_CUPS];

    (void)state;
    assert_int_equal(tasting_answer_read(TASTING_TRIANGLE, &four, "3", place, &why), 1);
    assert_int_equal(place[0], 2);
    for (int other = 0; other < 2; other++) { /* either pair of a tetrad is the same answer */
        assert_int_equal(tasting_answer_read(TASTING_TETRAD, &four, other ? "110 1" : "2 822", place, &why), 2);
        assert_int_equal(place[0] * 10 + place[1], 3);
    }
    assert_int_equal(tasting_answer_read(TASTING_DEGREE, &two, "7 0", place, &why), 2);
    assert_int_equal(place[0], 7);
    assert_int_equal(place[1], 0);
    assert_int_equal(tasting_answer_read(TASTING_DEGREE, &two, "7 7", place, &why), 2);
    assert_int_equal(tasting_answer_read(TASTING_DEGREE, &two, "11 0", place, &why), -EINVAL);
    assert_int_equal(tasting_answer_read(TASTING_DEGREE, &two, "7", place, &why), -EINVAL);
}

static void answers_that_make_no_sense_are_refused(void **state)
{
    const struct tasting_set set = { .cups = 3, .code = { 493, 201, 822 }, .sample = { 0, 0, 1 }, .reference = -1 };
    static const char *const nonsense[] = { "",    "494", "493 201", "0", "4", "493x", "-493", "99999999999999999999",
                                            "four" };
    int place[TASTING_CUPS];

    (void)state;
    for (size_t i = 0; i < sizeof nonsense / sizeof *nonsense; i++)
        assert_int_equal(tasting_answer_read(TASTING_TRIANGLE, &set, nonsense[i], place, &why), -EINVAL);
    assert_int_equal(tasting_answer_read(TASTING_RANKING, &set, "493 493 822", place, &why), -EINVAL);
    assert_int_equal(tasting_answer_read(TASTING_RANKING, &set, "493 822", place, &why), -EINVAL);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_order_comes_and_parts_are_even),
        cmocka_unit_test(rankings_balance_place_and_neighbour),
        cmocka_unit_test(no_code_comes_twice),
        cmocka_unit_test(keys_are_uniform),
        cmocka_unit_test(the_right_answer_is_the_odd_cup),
        cmocka_unit_test(impossible_sessions_are_refused),
        cmocka_unit_test(answers_name_cups_by_their_codes),
        cmocka_unit_test(answers_may_name_places_and_ratings_are_numbers),
        cmocka_unit_test(answers_that_make_no_sense_are_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
