/* What a station keeps of its thermometer. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <math.h>
#include <stdlib.h>

#include "stations/slurry.h"

static void show(struct slurry *slurry, double at_s, double shown_c)
{
    struct reading reading = { .quantity = QUANTITY_TEMPERATURE,
                               .value = { llround(shown_c * 10), -1 },
                               .resolution = 0.1,
                               .mono_us = 1000000000 + llround(at_s * 1e6) };

    slurry_take(slurry, &reading);
}

static bool slurry_at_s(const struct slurry *slurry, double since_s, double at_s, double *c, double *u_c)
{
    return slurry_at(slurry, 1000000000 + llround(since_s * 1e6), 1000000000 + llround(at_s * 1e6), c, u_c);
}

static struct slurry *kept(void)
{
    struct slurry *slurry = calloc(1, sizeof *slurry);

    assert_non_null(slurry);
    slurry->lag_s = NAN;
    return slurry;
}

/* Half an hour in the room, then in a slurry of 90 C that loses 0.05 C a second, out before the press at 100 s: what is
 * kept is enough, and at the press it is 85 C, not the 45 C that it shows. */
static void a_thermometer_taken_out_still_knows_the_slurry(void **state)
{
    struct slurry *slurry = kept();
    double c, u_c;

    (void)state;
    for (double t = -1800; t < 0; t += 0.5)
        show(slurry, t, 21.5);
    for (double t = 0; t < 80; t += 0.2)
        show(slurry, t, t < 8 ? 90 - 68 * exp(-t / 2) : 90 - 0.05 * t);
    for (double t = 80; t < 130; t += 0.5)
        show(slurry, t, 22 + 64 * exp(-(t - 80) / 20));
    assert_int_equal(slurry->count, SLURRY_READINGS);
    assert_true(slurry_at_s(slurry, -60, 100, &c, &u_c));
    assert_true(fabs(c - 85) < 2 * u_c);
    assert_true(u_c < 0.6);
    slurry_free(slurry);
    free(slurry);
}

static void hardly_looked_at_it_is_what_was_shown_last(void **state)
{
    struct slurry *slurry = kept();
    double c, u_c;

    (void)state;
    assert_false(slurry_at_s(slurry, 0, 100, &c, &u_c));
    show(slurry, 95, 88.2);
    show(slurry, 105, 60);
    assert_true(slurry_at_s(slurry, 0, 100, &c, &u_c));
    assert_float_equal(c, 88.2, 1e-9);
    assert_true(u_c > 0.2);                               /* one spot of it, never as sure as its last digit */
    assert_false(slurry_at_s(slurry, 96, 100, &c, &u_c)); /* that was before the brew */
    assert_false(slurry_at_s(slurry, 0, 116, &c, &u_c));
    slurry_free(slurry);
    free(slurry);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_thermometer_taken_out_still_knows_the_slurry),
        cmocka_unit_test(hardly_looked_at_it_is_what_was_shown_last),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
