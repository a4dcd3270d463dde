/* Tasting statistics against published tables and a second opinion.  The sources of the tables stand in
 * their first lines; SciPy (discrimination.py) recomputes random cases in this very run. */
#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>

#include "poise/discrimination.h"

enum { COLUMNS = 8 };

static void assert_close(double found, double expected, double tolerance)
{
    if (isinf(expected) ? found != expected : !(fabs(found - expected) <= tolerance))
        fail_msg("found %.12g, expected %.12g", found, expected);
}

/* Asks discrimination.py; fills `count` numbers. */
static void second_opinion(const char *questions, double *answer, int count)
{
    int to[2], from[2], status;
    pid_t child;
    FILE *reply;

    assert_int_equal(pipe(to) | pipe(from), 0);
    child = fork();
    if (child == 0) {
        dup2(to[0], 0);
        dup2(from[1], 1);
        close(to[1]);
        close(from[0]);
        execl("/usr/bin/python3", "python3", TEST_FOLDER "/discrimination.py", (char *)NULL);
        _exit(127);
    }
    close(to[0]);
    close(from[1]);
    assert_int_equal(write(to[1], questions, strlen(questions)), strlen(questions));
    close(to[1]);
    reply = fdopen(from[0], "r");
    for (int i = 0; i < count; i++)
        assert_int_equal(fscanf(reply, "%lf", &answer[i]), 1);
    fclose(reply);
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_int_equal(status, 0);
}

/* Calls row() with the numbers of every line of a table; NAN for an empty cell.  Returns the rows. */
static int each_row(const char *table, void (*row)(const double *cell))
{
    char path[512], line[512];
    int rows = 0;
    FILE *file;

    snprintf(path, sizeof path, "%s/%s", TEST_FOLDER, table);
    file = fopen(path, "r");
    assert_non_null(file);
    while (fgets(line, sizeof line, file)) {
        double cell[COLUMNS];
        char *rest = line, *word;

        if (line[0] < '0' || line[0] > '9')
            continue;
        for (int i = 0; i < COLUMNS; i++) {
            word = strsep(&rest, ",\n");
            cell[i] = word && *word ? strtod(word, NULL) : (double)NAN;
        }
        row(cell);
        rows++;
    }
    fclose(file);
    return rows;
}

static void critical_row(enum tasting_method method, const double *cell)
{
    static const double alpha[] = { 0.20, 0.10, 0.05, 0.01, 0.001 };

    for (int i = 0; i < 5; i++)
        assert_int_equal(tasting_critical(method, (unsigned)cell[0], alpha[i]),
                         isnan(cell[i + 1]) ? 0 : (unsigned)cell[i + 1]);
}

static void triangle_critical_row(const double *cell)
{
    critical_row(TASTING_TRIANGLE, cell);
}

static void two_of_five_critical_row(const double *cell)
{
    critical_row(TASTING_TWO_OF_FIVE, cell);
}

static void least_correct_answers_match_the_tables(void **state)
{
    (void)state;
    assert_true(each_row("triangle_critical.csv", triangle_critical_row) > 40);
    assert_true(each_row("two_of_five_critical.csv", two_of_five_critical_row) > 25);
}

static void case_row(const double *cell)
{
    unsigned correct = (unsigned)cell[0], n = (unsigned)cell[1];
    struct interval interval = proportion_interval(correct, n, 0.95);

    assert_close(tasting_p(TASTING_TRIANGLE, correct, n), cell[2], 1e-9);
    assert_close(tasting_share(TASTING_TRIANGLE, (double)correct / n), cell[3], 1e-6);
    assert_close(interval.low, cell[4], 1e-7);
    assert_close(interval.high, cell[5], 1e-7);
    assert_close(tasting_dprime(TASTING_TRIANGLE, (double)correct / n), cell[6], 1e-5);
}

static void triangle_results_match_the_worked_cases(void **state)
{
    (void)state;
    assert_int_equal(each_row("triangle_cases.csv", case_row), 6);
}

static void power_row(const double *cell)
{
    unsigned first, stays;

    tasting_needed(TASTING_TRIANGLE, cell[1], cell[2], cell[0], 400, &first, &stays);
    assert_int_equal(first, (unsigned)cell[3]);
    assert_int_equal(stays, (unsigned)cell[4]);
    assert_true(tasting_smallest_share(TASTING_TRIANGLE, first, cell[1], cell[2]) <= cell[0]);
    assert_false(tasting_smallest_share(TASTING_TRIANGLE, first - 1, cell[1], cell[2]) <= cell[0]);
}

static void tastings_needed_match_the_table(void **state)
{
    (void)state;
    assert_int_equal(each_row("triangle_power.csv", power_row), 12);
}

static void dprime_row(const double *cell)
{
    assert_close(tasting_proportion(TASTING_TRIANGLE, cell[0]), cell[1], 1e-9);
    assert_close(tasting_proportion(TASTING_DUO_TRIO, cell[0]), cell[3], 1e-9);
    assert_close(tasting_dprime(TASTING_TRIANGLE, cell[1]), cell[0], cell[0] == 0 ? 1e-4 : 1e-7);
    assert_close(tasting_dprime(TASTING_DUO_TRIO, cell[3]), cell[0], cell[0] == 0 ? 1e-4 : 1e-7);
}

static void dprime_matches_the_table(void **state)
{
    (void)state;
    assert_true(each_row("dprime.csv", dprime_row) > 9);
}

/* discrimination.csv: its source stands in its first line. */
static void five_methods_row(const double *cell)
{
    static const enum tasting_method methods[] = { TASTING_TRIANGLE, TASTING_DUO_TRIO, TASTING_DIRECTIONAL };

    for (int i = 0; i < 3; i++)
        assert_close(tasting_proportion(methods[i], cell[0]), cell[i + 1], 1e-8);
    assert_close(tasting_proportion(TASTING_TETRAD, cell[0]), cell[5], 1e-8);
    for (int i = 0; i < 3; i++)
        assert_close(tasting_dprime(methods[i], cell[i + 1]), cell[0], cell[0] == 0 ? 1e-3 : 1e-5);
    assert_close(tasting_dprime(TASTING_TETRAD, cell[5]), cell[0], cell[0] == 0 ? 1e-3 : 1e-5);
}

static void other_methods_match_their_table(void **state)
{
    (void)state;
    assert_true(each_row("discrimination.csv", five_methods_row) > 9);
}

/* No published table of two-out-of-five was at hand: SciPy integrates the same rule apart (discrimination.py). */
static void two_of_five_agrees_with_scipy(void **state)
{
    double answer[4];

    (void)state;
    second_opinion("five 0\nfive 0.7\nfive 1.5\nfive 3\n", answer, 4);
    assert_close(answer[0], 0.1, 1e-7);
    for (int i = 0; i < 4; i++)
        assert_close(tasting_proportion(TASTING_TWO_OF_FIVE, ((double[]){ 0, 0.7, 1.5, 3 })[i]), answer[i], 1e-6);
    assert_close(tasting_dprime(TASTING_TWO_OF_FIVE, answer[2]), 1.5, 1e-5);
}

/* similarity.csv begins with the chance as a fraction. */
static void the_same_matches_the_table(void **state)
{
    char line[256];
    int rows = 0, n, most;
    double limit, beta;
    FILE *file = fopen(TEST_FOLDER "/similarity.csv", "r");

    (void)state;
    assert_non_null(file);
    while (fgets(line, sizeof line, file)) {
        enum tasting_method method = strncmp(line, "1/3", 3) == 0 ? TASTING_TRIANGLE : TASTING_DUO_TRIO;

        if (sscanf(line, "1/%*d,%d,%lf,%lf,%d", &n, &limit, &beta, &most) != 4)
            continue;
        assert_int_equal(tasting_most_alike(method, (unsigned)n, limit, beta), most);
        rows++;
    }
    fclose(file);
    assert_true(rows > 40);
}

/* Bounds at looks: SciPy by its own recursion (discrimination.py), and O'Brien and Fleming's own bounds on Z for five
 * equal looks, 3.226 2.634 2.281 2.040 after the first (Biometrics 35, 1979): the spending function comes near them
 * (Lan and DeMets 1983: 3.357 2.680 2.290 2.031, from memory). */
static void looks_are_paid_for_as_the_spending_says(void **state)
{
    static const unsigned few[] = { 6, 12, 18 }, many[] = { 8000, 16000, 24000, 32000, 40000 };
    static const double z[] = { 4.877, 3.357, 2.680, 2.290, 2.031 };
    unsigned bound[5];
    double answer[4], spent;

    (void)state;
    second_opinion("looks 0.3333333333333333 0.05 18 6 12 18\n", answer, 4);
    spent = tasting_look_bounds(TASTING_TRIANGLE, 0.05, few, 3, 18, bound);
    for (int i = 0; i < 3; i++)
        assert_int_equal(bound[i], (int)answer[i]);
    assert_close(spent, answer[3], 1e-10);
    assert_true(spent <= 0.05);
    assert_false(isnan(tasting_look_bounds(TASTING_DUO_TRIO, 0.025, many, 5, 40000, bound)));
    for (int i = 0; i < 5; i++)
        assert_close((bound[i] - many[i] / 2.0) / sqrt(many[i] / 4.0), z[i], 0.02);
    assert_true(isnan(tasting_look_bounds(TASTING_PREFERENCE, 0.05, few, 3, 18, bound)));
}

/* Signs turned in every way: SciPy's permutation test of one sample lists them all (discrimination.py). */
static void turned_signs_agree_with_scipy(void **state)
{
    static const int difference[] = { 3, -1, 2, 2, 0, 5, -2, 1, 4 };
    double answer[2];

    (void)state;
    second_opinion("signs 3,-1,2,2,0,5,-2,1,4\n", answer, 2);
    assert_close(sign_flip_p(difference, 9, false), answer[0], 1e-12);
    assert_close(sign_flip_p(difference, 9, true), answer[1], 1e-12);
    assert_close(sign_flip_p(difference, 0, true), 1, 0);
}

/* R: t.test noncentral interval by pt(..., ncp); scipy.stats.nct here (discrimination.py). */
static void ratings_agree_with_scipy(void **state)
{
    double answer[4];
    struct interval interval = rating_dprime_interval(1.2, 2.1, 14, 0.95);

    (void)state;
    second_opinion("rating 1.2 2.1 14 0.05 1.1\n", answer, 4);
    assert_close(rating_dprime(1.2, 2.1), answer[0], 1e-9);
    assert_close(interval.low, answer[1], 1e-6);
    assert_close(interval.high, answer[2], 1e-6);
    assert_close(rating_power(14, 0.05, 1.1), answer[3], 1e-6);
}

/* The number of sets never lies on the wrong side of the sawtooth: every number from it on keeps the power. */
static void the_sets_needed_keep_their_power(void **state)
{
    (void)state;
    for (int method = TASTING_TRIANGLE; method <= TASTING_PREFERENCE; method++)
        for (int i = 2; i <= 8; i++) {
            unsigned stays;

            tasting_needed(method, 0.05, 0.8, 0.1 * i, 500, NULL, &stays);
            if (stays == 0)
                continue;
            assert_true(tasting_power_floor(method, stays, 0.05, 0.1 * i) >= 0.8);
            assert_true(tasting_power(method, stays - 1, 0.05, 0.1 * i) < 0.8);
        }
    /* a triangle of 17 with share 0.5 has less power than one of 16 */
    assert_true(tasting_power(TASTING_TRIANGLE, 17, 0.05, 0.5) < tasting_power(TASTING_TRIANGLE, 16, 0.05, 0.5));
    assert_true(tasting_power_floor(TASTING_TRIANGLE, 16, 0.05, 0.5) <= tasting_power(TASTING_TRIANGLE, 17, 0.05, 0.5));
}

static void two_triangles_are_right_by_luck_one_time_in_nine(void **state)
{
    (void)state;
    assert_close(tasting_p(TASTING_TRIANGLE, 2, 2), 1.0 / 9, 1e-12);
    assert_close(tasting_chance(TASTING_TWO_OF_FIVE), 0.1, 0);
    assert_true(isnan(tasting_chance(TASTING_RANKING)));
    assert_true(isnan(tasting_p(TASTING_TRIANGLE, 3, 2)));
}

/* ISO 5495 tests a preference two-sided; 2 P(X >= 15 | 20, 1/2) = 43400 / 2^20, counted exactly. */
static void a_preference_counts_both_ways(void **state)
{
    (void)state;
    assert_close(tasting_p(TASTING_PREFERENCE, 15, 20), 43400 / 1048576.0, 1e-12);
    assert_close(tasting_p(TASTING_PREFERENCE, 5, 20), 43400 / 1048576.0, 1e-12);
    assert_close(tasting_p(TASTING_PREFERENCE, 10, 20), 1, 0);
    assert_int_equal(tasting_critical(TASTING_PREFERENCE, 20, 0.05), 15);
}

/* Under pure guessing the p-value must not fall below alpha more often than alpha: summed exactly. */
static void guessing_is_not_called_a_difference(void **state)
{
    static const double alpha[] = { 0.2, 0.1, 0.05, 0.01, 0.001 };

    (void)state;
    for (int method = TASTING_TRIANGLE; method <= TASTING_PREFERENCE; method++)
        for (unsigned n = 1; n <= 60; n++)
            for (int i = 0; i < 5; i++)
                assert_true(tasting_power(method, n, alpha[i], 0) <= alpha[i] + 1e-12);
}

enum { CASES = 12, TASTERS = 8, MOST = 12, CUPS = 5 };

static void panels_agree_with_scipy(void **state)
{
    char questions[8192];
    double answer[3 * CASES];
    unsigned correct[CASES][TASTERS], n[CASES][TASTERS];
    size_t length = 0;

    (void)state;
    srandom(20261125);
    for (int i = 0; i < CASES; i++) {
        length += (size_t)sprintf(questions + length, "panel %.17g", tasting_chance(TASTING_TRIANGLE));
        for (int taster = 0; taster < TASTERS; taster++) {
            n[i][taster] = 2 + (unsigned)random() % MOST;
            correct[i][taster] = (unsigned)random() % (n[i][taster] + 1);
            length += (size_t)sprintf(questions + length, " %u,%u", correct[i][taster], n[i][taster]);
        }
        length += (size_t)sprintf(questions + length, "\n");
    }
    second_opinion(questions, answer, 3 * CASES);
    for (int i = 0; i < CASES; i++) {
        struct tasting_panel panel;

        assert_int_equal(tasting_panel_fit(TASTING_TRIANGLE, correct[i], n[i], TASTERS, &panel), 0);
        assert_close(panel.mean, answer[3 * i], 1e-4);
        assert_close(panel.gamma, answer[3 * i + 1], 1e-3);
        assert_close(panel.p, answer[3 * i + 2], 1e-4);
    }
}

static void repeats_of_one_taster_are_not_many_tasters(void **state)
{
    /* One always right, one at chance: taken together, 15 of 20 would be p = 0.0002. */
    static const unsigned correct[] = { 10, 5 }, n[] = { 10, 10 };
    struct tasting_panel panel;

    (void)state;
    assert_int_equal(tasting_panel_fit(TASTING_TRIANGLE, correct, n, 2, &panel), 0);
    assert_true(panel.gamma > 0.1);
    assert_true(panel.p > 10 * tasting_p(TASTING_TRIANGLE, 15, 20));
    assert_int_equal(tasting_panel_fit(TASTING_TRIANGLE, correct, n, 1, &panel), -EINVAL);
    assert_int_equal(tasting_panel_fit(TASTING_RANKING, correct, n, 2, &panel), -EINVAL);
}

static void random_ranking(unsigned char *row)
{
    for (int cup = 0; cup < CUPS; cup++) { /* grown from the inside: every order alike */
        int place = (int)(random() % (cup + 1));

        row[cup] = row[place];
        row[place] = (unsigned char)(cup + 1);
    }
}

static void rankings_agree_with_scipy(void **state)
{
    /* chi-square 5.333333: scipy.stats.friedmanchisquare */
    static const unsigned char known[] = { 1, 2, 3, 1, 3, 2, 2, 1, 3, 1, 2, 3, 1, 3, 2, 2, 1, 3 };
    unsigned char ranks[CASES][TASTERS * CUPS];
    char questions[8192];
    double answer[4 * CASES];
    struct ranking_result result;
    size_t length = 0;

    (void)state;
    assert_int_equal(ranking_test(known, 6, 3, &result), 0);
    assert_close(result.chi_square, 5.333333, 1e-6);
    /* all 6^5 orders counted (discrimination.py); the chi-square says 0.069483 (scipy.stats.friedmanchisquare) */
    second_opinion("friedman 1,2,3 1,3,2 2,1,3 1,2,3 1,3,2 2,1,3\n", answer, 1);
    assert_close(result.p, answer[0], 1e-9);
    srandom(8587);
    for (int i = 0; i < CASES; i++) {
        length += (size_t)sprintf(questions + length, "ranking");
        for (int taster = 0; taster < TASTERS; taster++) {
            unsigned char *row = ranks[i] + CUPS * taster;

            random_ranking(row);
            length += (size_t)sprintf(questions + length, " %d,%d,%d,%d,%d", row[0], row[1], row[2], row[3], row[4]);
        }
        length += (size_t)sprintf(questions + length, "\n");
    }
    second_opinion(questions, answer, 4 * CASES);
    for (int i = 0; i < CASES; i++) {
        assert_int_equal(ranking_test(ranks[i], TASTERS, CUPS, &result), 0);
        assert_close(result.chi_square, answer[4 * i], 1e-8);
        /* by random orders: within four standard errors of the chi-square's p, and its own bias at 8 rows */
        assert_close(result.p, answer[4 * i + 1], 0.04);
        assert_close(result.page_l, answer[4 * i + 2], 0);
        assert_close(result.page_p, answer[4 * i + 3], 1e-8);
    }
}

/* Ties: R's friedman.test gives 7 (p 0.0302 by chi-square) for these mid-ranks, and SciPy too (discrimination.py). */
static void tied_ranks_agree_with_scipy(void **state)
{
    static const unsigned char doubled[] = { 2, 4, 6, 3, 3, 6, 2, 4, 6, 2, 5, 5 };
    double answer[2], chi_square, p;

    (void)state;
    second_opinion("ties 2,4,6 3,3,6 2,4,6 2,5,5\n", answer, 2);
    assert_int_equal(ranking_test_ties(doubled, 4, 3, &chi_square, &p), 0);
    assert_close(chi_square, answer[0], 1e-9);
    assert_close(chi_square, 7, 1e-9);
    assert_close(p, answer[1], 1e-9);
}

static void rankings_that_are_none_are_refused(void **state)
{
    static const unsigned char twice[] = { 1, 2, 3, 1, 1, 3 }, outside[] = { 1, 2, 3, 0, 2, 3 };
    struct ranking_result result;

    (void)state;
    assert_int_equal(ranking_test(twice, 2, 3, &result), -EINVAL);
    assert_int_equal(ranking_test(outside, 2, 3, &result), -EINVAL);
    assert_int_equal(ranking_test(twice, 1, 3, &result), -ERANGE);
    assert_int_equal(ranking_test(twice, 3, 2, &result), -ERANGE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(least_correct_answers_match_the_tables),
        cmocka_unit_test(triangle_results_match_the_worked_cases),
        cmocka_unit_test(tastings_needed_match_the_table),
        cmocka_unit_test(dprime_matches_the_table),
        cmocka_unit_test(other_methods_match_their_table),
        cmocka_unit_test(two_of_five_agrees_with_scipy),
        cmocka_unit_test(the_same_matches_the_table),
        cmocka_unit_test(looks_are_paid_for_as_the_spending_says),
        cmocka_unit_test(turned_signs_agree_with_scipy),
        cmocka_unit_test(ratings_agree_with_scipy),
        cmocka_unit_test(the_sets_needed_keep_their_power),
        cmocka_unit_test(tied_ranks_agree_with_scipy),
        cmocka_unit_test(two_triangles_are_right_by_luck_one_time_in_nine),
        cmocka_unit_test(a_preference_counts_both_ways),
        cmocka_unit_test(guessing_is_not_called_a_difference),
        cmocka_unit_test(panels_agree_with_scipy),
        cmocka_unit_test(repeats_of_one_taster_are_not_many_tasters),
        cmocka_unit_test(rankings_agree_with_scipy),
        cmocka_unit_test(rankings_that_are_none_are_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
