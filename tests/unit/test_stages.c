/* The lists of stages and measures hang together. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "poise/reading.h"
#include "poise/stages.h"

static void stage_names_go_there_and_back(void **state)
{
    (void)state;
    for (int stage = 0; stage < STAGE_COUNT; stage++)
        assert_int_equal(stage_find(stage_name((enum stage)stage)), stage);
    assert_string_equal(stage_name(STAGE_WEIGH), "weigh");
    assert_int_equal(stage_find("weigh-out"), STAGE_WEIGH); /* as journals before 2026-12 have it */
    assert_int_equal(stage_find("weigh_out"), -1);
    assert_int_equal(stage_find(""), -1);
}

static void measure_names_go_there_and_back(void **state)
{
    (void)state;
    for (int measure = 0; measure < MEASURE_COUNT; measure++) {
        assert_int_equal(measure_find(measure_name((enum measure)measure)), measure);
        assert_true(strlen(measure_summary((enum measure)measure)) > 0);
        assert_in_range(measure_decimals((enum measure)measure), 0, 4);
        assert_true(measure_least((enum measure)measure) < measure_most((enum measure)measure));
    }
    assert_string_equal(measure_name(MEASURE_EXTRACTION_TOTAL_PCT), "extraction_total_pct");
    assert_int_equal(measure_find("dose"), -1);
}

/* An ordinary cup and its extremes are inside, slips of the finger are not. */
static void bounds_take_true_brews_and_refuse_slips(void **state)
{
    static const struct {
        enum measure measure;
        double inside, outside;
    } cases[] = {
        { MEASURE_DOSE_G, 15.0, 15000 },
        { MEASURE_DOSE_G, 0, -0.1 },
        { MEASURE_WATER_G, 230, -1 },
        { MEASURE_STEEP_S, 86400, 1e9 },
        { MEASURE_STRENGTH_PCT, 1.40, 140 },
        { MEASURE_SLURRY_C, 100, 194 },
        { MEASURE_PRESS_PEAK_KPA, 150, 50000 },
        { MEASURE_EXTRACTION_PCT, 21.8, 101 },
        { MEASURE_RETAINED_G_PER_G, 2.05, 205 },
        { MEASURE_PRESSED_DRY, 1, 2 },
        { MEASURE_PRESSED_DRY, 0, -1 },
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        double least = measure_least(cases[i].measure), most = measure_most(cases[i].measure);

        assert_true(least <= cases[i].inside && cases[i].inside <= most);
        assert_true(cases[i].outside < least || cases[i].outside > most);
    }
}

static void cleared_measures_are_not_known(void **state)
{
    struct measures measures = { 0 };

    (void)state;
    measures_clear(&measures);
    for (int measure = 0; measure < MEASURE_COUNT; measure++)
        assert_true(isnan(measures.value[measure]) && isnan(measures.standard_uncertainty[measure]));
}

static void reading_status_has_its_words(void **state)
{
    (void)state;
    assert_string_equal(reading_status_name(READING_OK), "ok");
    assert_string_equal(reading_status_name(READING_OVERLOAD), "overload");
    assert_string_equal(reading_status_name(READING_UNDERLOAD), "underload");
    assert_string_equal(reading_status_name(READING_FAULT), "fault");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(stage_names_go_there_and_back),
        cmocka_unit_test(measure_names_go_there_and_back),
        cmocka_unit_test(bounds_take_true_brews_and_refuse_slips),
        cmocka_unit_test(cleared_measures_are_not_known),
        cmocka_unit_test(reading_status_has_its_words),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
