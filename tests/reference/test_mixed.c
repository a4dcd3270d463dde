/* Linear models with sittings as random effects, against nlme and lm in R, and by what they promise of the next cup. */
#include "poise/mixed.h"

#include <errno.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdbool.h>

#include "ask_r.h"

static void assert_near(double found, double expected, double within)
{
    if (!(fabs(found - expected) <= within * fmax(1, fabs(expected))))
        fail_msg("%.12g, expected %.12g", found, expected);
}

enum { QUESTIONS = 6, NUMBERS = 12 };

/* Cups of some sittings with two columns; balanced in the even questions; one sitting in the last. */
static struct mixed *question(gsl_rng *random, int which, char *text, size_t size)
{
    struct mixed *mixed = mixed_new(3);
    size_t length = strlen(text);
    int sittings = which == QUESTIONS - 1 ? 1 : 4 + which;

    assert_non_null(mixed);
    for (int sitting = 0; sitting < sittings; sitting++) {
        double shift = gsl_ran_gaussian(random, 0.8);
        int cups = which % 2 ? 3 + (int)gsl_rng_uniform_int(random, 4) : 6;

        for (int cup = 0; cup < (sittings == 1 ? 9 : cups); cup++) {
            double row[] = { 1, cup % 2, which % 2 ? gsl_ran_gaussian(random, 1) : cup / 2 };
            double value = 19 + shift + 0.7 * row[1] - 0.2 * row[2] + gsl_ran_gaussian(random, 0.3);

            assert_int_equal(mixed_add(mixed, row, value, sitting), 0);
            length += (size_t)snprintf(text + length, size - length, "%.17g %d %.17g %.17g\n", value, sitting, row[1],
                                       row[2]);
        }
    }
    snprintf(text + length, size - length, "\n");
    return mixed;
}

static void as_nlme_and_lm_have_it(void **state)
{
    static char text[40000];
    double answers[QUESTIONS * NUMBERS + 1], *next = answers;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    struct mixed *mixed[QUESTIONS];
    struct mixed_fit fit;
    struct difference difference;
    struct why why;

    (void)state;
    text[0] = '\0';
    for (int i = 0; i < QUESTIONS; i++)
        mixed[i] = question(random, i, text, sizeof text);
    assert_int_equal(ask_r("mixed.R", text, answers, QUESTIONS * NUMBERS + 1), QUESTIONS * NUMBERS);
    for (int i = 0; i < QUESTIONS; i++, next += NUMBERS) {
        assert_int_equal(mixed_solve(mixed[i], 0.95, &fit, &why), 0);
        if (i < QUESTIONS - 1)
            assert_near(fit.between, next[0], 2e-5);
        else
            assert_true(isnan(fit.between) && fit.sittings == 1);
        assert_near(fit.within, next[1], 1e-5);
        for (int j = 0; j < 3; j++) {
            double weight[3] = { j == 0, j == 1, j == 2 };

            assert_int_equal(mixed_contrast(mixed[i], weight, NULL, 0.95, &difference), 0);
            assert_near(difference.difference, next[2 + 2 * j], 1e-5);
            assert_near(difference.standard_error, next[3 + 2 * j], 2e-5);
        }
        if (!isnan(next[8])) { /* balanced: from mean squares */
            assert_near(fit.within_interval.low, next[8], 1e-5);
            assert_near(fit.within_interval.high, next[9], 1e-5);
            assert_near(fit.between_interval.low, next[10], 1e-4);
            assert_near(fit.between_interval.high, next[11], 1e-4);
        }
        mixed_free(mixed[i]);
    }
    gsl_rng_free(random);
}

static void columns_that_say_the_same_leave_it_open(void **state)
{
    struct mixed *mixed = mixed_new(4);
    struct mixed_fit fit;
    struct difference found;
    struct why why;
    double first[] = { 0, 1, 0, 0 }, both[] = { 0, 1, 1, 0 }, never[] = { 0, 0, 0, 1 };

    (void)state;
    for (int i = 0; i < 12; i++) {
        double row[] = { 1, i % 2, i % 2, 0 };

        assert_int_equal(mixed_add(mixed, row, 19 + 0.5 * (i % 2) + 0.1 * (i % 3), i / 4), 0);
    }
    assert_int_equal(mixed_solve(mixed, 0.95, &fit, &why), 0);
    assert_int_equal(fit.rank, 2);
    assert_int_equal(mixed_contrast(mixed, first, NULL, 0.95, &found), -ENODATA);
    assert_int_equal(mixed_contrast(mixed, never, NULL, 0.95, &found), -ENODATA);
    assert_int_equal(mixed_contrast(mixed, both, NULL, 0.95, &found), 0);
    assert_near(found.difference, 0.5, 1e-9);
    mixed_free(mixed);
}

static void nothing_to_judge(void **state)
{
    struct mixed *mixed = mixed_new(2);
    struct mixed_fit fit;
    struct why why;
    double row[] = { 1, 0 };

    (void)state;
    assert_null(mixed_new(0));
    assert_int_equal(mixed_solve(mixed, 0.95, &fit, &why), -ENODATA);
    for (int i = 0; i < 4; i++)
        assert_int_equal(mixed_add(mixed, row, 19, 0), 0);
    assert_int_equal(mixed_solve(mixed, 0.95, &fit, &why), -EDOM);
    mixed_free(mixed);
}

/* Of many made-up benches: how often the mean of three cups of a new day lies in the interval for it, and the true
 * spread between days in its own. */
static void the_next_day_is_foreseen(void **state)
{
    enum { BENCHES = 3000, DAYS = 6 };
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    int met = 0, between = 0;

    (void)state;
    for (int bench = 0; bench < BENCHES; bench++) {
        struct mixed *mixed = mixed_new(2);
        struct mixed_fit fit;
        struct difference next;
        struct why why;
        double weight[] = { 1, 1 }, shift, mean = 0;

        for (int day = 0; day < DAYS; day++) {
            shift = gsl_ran_gaussian(random, 0.3);
            for (int cup = 0; cup < 8; cup++) {
                double row[] = { 1, cup % 2 };

                mixed_add(mixed, row, 19 + shift + 0.5 * row[1] + gsl_ran_gaussian(random, 0.2), day);
            }
        }
        assert_int_equal(mixed_solve(mixed, 0.95, &fit, &why), 0);
        assert_int_equal(mixed_contrast(mixed, weight, &(struct mixed_more){ 3, 1 }, 0.95, &next), 0);
        shift = gsl_ran_gaussian(random, 0.3);
        for (int cup = 0; cup < 3; cup++)
            mean += (19.5 + shift + gsl_ran_gaussian(random, 0.2)) / 3;
        met += next.interval.low <= mean && mean <= next.interval.high;
        between += fit.between_interval.low <= 0.3 && 0.3 <= fit.between_interval.high;
        mixed_free(mixed);
    }
    gsl_rng_free(random);
    assert_in_range(met, BENCHES * 93 / 100, BENCHES * 97 / 100);
    assert_in_range(between, BENCHES * 93 / 100, BENCHES * 98 / 100);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(as_nlme_and_lm_have_it),
        cmocka_unit_test(columns_that_say_the_same_leave_it_open),
        cmocka_unit_test(nothing_to_judge),
        cmocka_unit_test(the_next_day_is_foreseen),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
