/* Surfaces of the second order: coefficients, lack of fit and stationary point against lm in R, and how often the top
 * lies where it is claimed. */
#include "poise/surface.h"

#include <errno.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>

#include "ask_r.h"

enum { CUPS = 18, NUMBERS = 6 + 6 + 2 + 3 };

static void assert_near(double found, double expected, double within)
{
    if (!(fabs(found - expected) <= within * fmax(1, fabs(expected))))
        fail_msg("%.12g, expected %.12g", found, expected);
}

/* Three by three, twice: 88, 92, 96 and 15, 19, 23. */
static struct surface_data made(gsl_rng *random, double top_x, double top_y, double bent, double *room, int *level)
{
    double *x = room, *y = room + CUPS, *value = room + 2 * CUPS;
    struct surface_data data = { x, y, value, NULL, level, CUPS };

    for (int i = 0; i < CUPS; i++) {
        x[i] = 88 + 4 * (i % 3);
        y[i] = 15 + 4 * (i / 3 % 3);
        level[i] = i % 9;
        value[i] = 20 - bent * pow(x[i] - top_x, 2) - bent * pow(y[i] - top_y, 2) + gsl_ran_gaussian(random, 0.25);
    }
    return data;
}

static void as_lm_has_it(void **state)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    double room[3 * CUPS], answers[NUMBERS + 1];
    int level[CUPS];
    char text[4000] = "";
    size_t length = 0;
    struct surface_data data = made(random, 92.5, 19.7, 0.06, room, level);
    struct surface surface;
    struct why why;

    (void)state;
    for (int i = 0; i < CUPS; i++)
        length += (size_t)snprintf(text + length, sizeof text - length, "%.17g %.17g %.17g\n", data.value[i], data.x[i],
                                   data.y[i]);
    assert_int_equal(ask_r("surface.R", text, answers, NUMBERS + 1), NUMBERS);
    assert_int_equal(surface_fit(&data, 0.95, &surface, &why), 0);
    for (int i = 0; i < 6; i++) {
        assert_near(surface.coefficient[i], answers[i], 1e-8);
        assert_near(surface.error[i], answers[6 + i], 1e-8);
    }
    assert_near(surface.lack.f, answers[12], 1e-8);
    assert_near(surface.lack.p, answers[13], 1e-8);
    assert_near(surface.at[0], answers[14], 1e-8);
    assert_near(surface.at[1], answers[15], 1e-8);
    assert_near(surface.value, answers[16], 1e-8);
    assert_int_equal(surface.kind, SURFACE_TOP);
    assert_true(surface.shown);
    assert_true(surface_gradient_t2(&surface, surface.at[0], surface.at[1]) < 1e-12);
    gsl_rng_free(random);
}

static void the_top_lies_where_it_is_claimed(void **state)
{
    enum { TIMES = 1500 };
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    double room[3 * CUPS];
    int level[CUPS], covered = 0, claimed = 0, wrong = 0;

    (void)state;
    for (int i = 0; i < TIMES; i++) {
        double x = 91 + 2 * gsl_rng_uniform(random), y = 18 + 3 * gsl_rng_uniform(random);
        struct surface_data data = made(random, x, y, 0.06, room, level), flat;
        struct surface surface;
        struct why why;

        assert_int_equal(surface_fit(&data, 0.95, &surface, &why), 0);
        claimed += surface.shown;
        covered += surface.shown && surface.where[0].low <= x && x <= surface.where[0].high;
        flat = made(random, x, y, 0, room, level);
        assert_int_equal(surface_fit(&flat, 0.95, &surface, &why), 0);
        wrong += surface.shown;
    }
    gsl_rng_free(random);
    assert_true(claimed > TIMES * 9 / 10);
    assert_in_range(covered, claimed * 93 / 100, claimed * 98 / 100);
    assert_true(wrong < TIMES * 3 / 100);
}

static void what_is_no_surface(void **state)
{
    double x[] = { 1, 2, 1, 2, 1, 2, 1, 2 }, y[] = { 1, 2, 3, 1, 2, 3, 1, 2 }, value[] = { 1, 2, 3, 2, 1, 2, 3, 2 };
    struct surface_data data = { x, y, value, NULL, NULL, 8 };
    struct surface surface;
    struct why why;

    (void)state;
    assert_int_equal(surface_fit(&data, 0.95, &surface, &why), -ENODATA);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(as_lm_has_it),
        cmocka_unit_test(the_top_lies_where_it_is_claimed),
        cmocka_unit_test(what_is_no_surface),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
