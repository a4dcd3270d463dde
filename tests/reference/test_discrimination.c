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
    struct tasting_interval interval = proportion_interval(correct, n, 0.95);

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
    assert_close(tasting_p(TASTING_PAIRED, 15, 20), 43400 / 1048576.0, 1e-12);
    assert_close(tasting_p(TASTING_PAIRED, 5, 20), 43400 / 1048576.0, 1e-12);
    assert_close(tasting_p(TASTING_PAIRED, 10, 20), 1, 0);
    assert_int_equal(tasting_critical(TASTING_PAIRED, 20, 0.05), 15);
}

/* Under pure guessing the p-value must not fall below alpha more often than alpha: summed exactly. */
static void guessing_is_not_called_a_difference(void **state)
{
    static const double alpha[] = { 0.2, 0.1, 0.05, 0.01, 0.001 };

    (void)state;
    for (int method = TASTING_TRIANGLE; method <= TASTING_PAIRED; method++)
        for (unsigned n = 1; n <= 60; n++)
            for (int i = 0; i < 5; i++)
                assert_true(tasting_power(method, n, alpha[i], 0) <= alpha[i] + 1e-12);
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
    /* chi-square 5.333333, p 0.069483: scipy.stats.friedmanchisquare */
    static const unsigned char known[] = { 1, 2, 3, 1, 3, 2, 2, 1, 3, 1, 2, 3, 1, 3, 2, 2, 1, 3 };
    unsigned char ranks[CASES][TASTERS * CUPS];
    char questions[8192];
    double answer[4 * CASES];
    struct ranking_result result;
    size_t length = 0;

    (void)state;
    assert_int_equal(ranking_test(known, 6, 3, &result), 0);
    assert_close(result.chi_square, 5.333333, 1e-6);
    assert_close(result.p, 0.069483, 1e-6);
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
        assert_close(result.p, answer[4 * i + 1], 1e-8);
        assert_close(result.page_l, answer[4 * i + 2], 0);
        assert_close(result.page_p, answer[4 * i + 3], 1e-8);
    }
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
