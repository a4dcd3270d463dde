/* The key of a blind tasting: balanced, uniform, sealed, read back. */
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

static void every_order_comes_equally_often(void **state)
{
    static const struct {
        enum tasting_method method;
        int samples, orders;
    } cases[] = { { TASTING_TRIANGLE, 2, 6 }, { TASTING_TWO_OF_FIVE, 2, 20 }, { TASTING_DUO_TRIO, 2, 4 },
                  { TASTING_PAIRED, 2, 2 },   { TASTING_RANKING, 4, 4 },      { TASTING_RANKING, 5, 10 } };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        int distinct = 0, orders = cases[i].orders;

        assert_int_equal(tasting_orders(cases[i].method, cases[i].samples), orders);
        assert_int_equal(
            tasting_draw(cases[i].method, cases[i].samples, 3 * orders, tasting_system_random, NULL, sets, &why), 0);
        for (int set = 0; set < 3 * orders; set++) {
            assert_int_equal(count_order(order_of(&sets[set]), 3 * orders), 3);
            distinct += count_order(order_of(&sets[set]), set) == 0;
        }
        assert_int_equal(distinct, orders);
    }
}

/* ISO 8587 asks for balanced serving; a Williams design has each sample equally often in each place
 * and directly after each other one. */
static void rankings_balance_place_and_neighbour(void **state)
{
    int place[5][5] = { { 0 } }, after[5][5] = { { 0 } };

    (void)state;
    assert_int_equal(tasting_draw(TASTING_RANKING, 5, 10, tasting_system_random, NULL, sets, &why), 0);
    for (int set = 0; set < 10; set++)
        for (int cup = 0; cup < 5; cup++) {
            place[sets[set].sample[cup]][cup]++;
            if (cup > 0)
                after[sets[set].sample[cup - 1]][sets[set].sample[cup]]++;
        }
    for (int a = 0; a < 5; a++)
        for (int b = 0; b < 5; b++) {
            assert_int_equal(place[a][b], 2);
            assert_int_equal(after[a][b], a == b ? 0 : 2);
        }
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

static void the_right_answer_is_the_odd_cup(void **state)
{
    const struct tasting_set triangle = { .cups = 3, .sample = { 1, 0, 1 }, .reference = -1 };
    const struct tasting_set duo = { .cups = 2, .sample = { 1, 0 }, .reference = 0 };
    const struct tasting_set five = { .cups = 5, .sample = { 0, 1, 0, 0, 1 }, .reference = -1 };
    const struct tasting_set five_other = { .cups = 5, .sample = { 0, 1, 0, 1, 1 }, .reference = -1 };

    (void)state;
    assert_int_equal(tasting_right(TASTING_TRIANGLE, &triangle), 1);
    assert_int_equal(tasting_right(TASTING_DUO_TRIO, &duo), 1);
    assert_int_equal(tasting_right(TASTING_TWO_OF_FIVE, &five), 14);
    assert_int_equal(tasting_right(TASTING_TWO_OF_FIVE, &five_other), 2);
    assert_int_equal(tasting_right(TASTING_PAIRED, &duo), -1);
}

static void a_key_reads_back_and_a_changed_one_has_another_seal(void **state)
{
    static const char *const samples[] = { "ferry blend, 75 s", "ferry blend, 180 s" };
    struct tasting_set back[TASTING_SETS];
    char key[TASTING_KEY_SIZE], seal[TASTING_SEAL_SIZE], other[TASTING_SEAL_SIZE];

    (void)state;
    for (int method = 0; method < TASTING_RANKING; method++) {
        assert_int_equal(tasting_draw(method, 2, 40, tasting_system_random, NULL, sets, &why), 0);
        assert_true(tasting_key_write("pier-tasting-1", method, samples, 2, "00ff", sets, 40, key) > 0);
        assert_int_equal(tasting_key_read(key, back, TASTING_SETS, &why), 40);
        for (int set = 0; set < 40; set++) {
            assert_int_equal(order_of(&back[set]), order_of(&sets[set]));
            assert_memory_equal(back[set].code, sets[set].code, sizeof(int) * (size_t)sets[set].cups);
        }
    }
    tasting_seal(key, seal);
    *strstr(key, "=A") = ':';
    tasting_seal(key, other);
    assert_string_not_equal(seal, other);
    assert_int_equal(tasting_key_read(key, back, TASTING_SETS, &why), -EINVAL);
}

/* The example of FIPS 180-4: SHA-256 of "abc". */
static void the_seal_is_sha_256(void **state)
{
    char seal[TASTING_SEAL_SIZE];

    (void)state;
    tasting_seal("abc", seal);
    assert_string_equal(seal, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
}

static void impossible_sessions_are_refused(void **state)
{
    (void)state;
    assert_int_equal(tasting_draw(TASTING_TRIANGLE, 3, 6, tasting_system_random, NULL, sets, &why), -EINVAL);
    assert_int_equal(tasting_draw(TASTING_RANKING, 2, 6, tasting_system_random, NULL, sets, &why), -EINVAL);
    assert_int_equal(tasting_draw(TASTING_RANKING, 10, 91, tasting_system_random, NULL, sets, &why), -EINVAL);
    assert_int_equal(tasting_draw(TASTING_TRIANGLE, 2, 0, tasting_system_random, NULL, sets, &why), -EINVAL);
}

static void damaged_keys_are_refused(void **state)
{
    static const char *const damaged[] = { "set 2 123=A\n",
                                           "set 1 0=A\n",
                                           "set 1 123=Z\n",
                                           "set 1 123 = A\n",
                                           "set 1 reference=C 123=A\n",
                                           "set 1 123=A reference=A\n",
                                           "set 1 1=A 2=A 3=A 4=A 5=A 6=A 7=A 8=A 9=A 9=A 9=A\n" };

    (void)state;
    for (size_t i = 0; i < sizeof damaged / sizeof *damaged; i++)
        assert_int_equal(tasting_key_read(damaged[i], sets, TASTING_SETS, &why), -EINVAL);
    assert_int_equal(tasting_key_read("set 1 123=A\nset 2 124=B\n", sets, 1, &why), -EINVAL);
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

static void answers_that_make_no_sense_are_refused(void **state)
{
    const struct tasting_set set = { .cups = 3, .code = { 493, 201, 822 }, .sample = { 0, 0, 1 }, .reference = -1 };
    static const char *const nonsense[] = { "", "494", "493 201", "493x", "-493", "99999999999999999999", "four" };
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
        cmocka_unit_test(every_order_comes_equally_often),
        cmocka_unit_test(rankings_balance_place_and_neighbour),
        cmocka_unit_test(no_code_comes_twice),
        cmocka_unit_test(keys_are_uniform),
        cmocka_unit_test(the_right_answer_is_the_odd_cup),
        cmocka_unit_test(a_key_reads_back_and_a_changed_one_has_another_seal),
        cmocka_unit_test(the_seal_is_sha_256),
        cmocka_unit_test(impossible_sessions_are_refused),
        cmocka_unit_test(damaged_keys_are_refused),
        cmocka_unit_test(answers_name_cups_by_their_codes),
        cmocka_unit_test(answers_that_make_no_sense_are_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
