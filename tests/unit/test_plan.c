/* Plans: what is read, what is refused and on which line, the order of the runs, what was kept, and
 * what a design can answer; and the plan as it is being brewed. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "stations/plan.h"
#include "poise/design.h"
#include "poise/plan.h"

static const char ferry[] = "; the ferry blend\n"
                            "[experiment]\n"
                            "name = ferry-steep\n"
                            "title = How long to steep the ferry blend\n"
                            "replicates = 3\n"
                            "order = random                       ; within each block\n"
                            "seed = 20261125\n"
                            "\n"
                            "[vary]\n"
                            "steep_s = 45, 75, 120, 180, 300 +- 3\n"
                            "\n"
                            "[hold]\n"
                            "dose_g = 15.0 +- 0.1\n"
                            "water_g = 230 g +- 2 g\n"
                            "temperature_c = 92\n"
                            "grind = 18\n"
                            "stir = swirl\n"
                            "own_kettle = the black one\n";

static struct plan read_well(const char *text)
{
    struct plan plan;
    struct plan_mistakes mistakes;
    struct why why;

    if (plan_read(&plan, text, strlen(text), &mistakes, &why) != 0)
        fail_msg("%s", why.text);
    assert_int_equal(mistakes.count, 0);
    return plan;
}

static void test_a_plan_is_read_whole(void **state)
{
    struct plan plan = read_well(ferry);

    (void)state;
    assert_string_equal(plan.name, "ferry-steep");
    assert_string_equal(plan.title, "How long to steep the ferry blend");
    assert_int_equal(plan.replicates, 3);
    assert_true(plan.random && plan.seed_given);
    assert_int_equal(plan.seed, 20261125);
    assert_int_equal(plan.factors, 1);
    assert_int_equal(plan.vary[0].measure, MEASURE_STEEP_S);
    assert_int_equal(plan.vary[0].levels, 5);
    assert_float_equal(plan.vary[0].level[4].number, 300, 0);
    assert_float_equal(plan.vary[0].tolerance, 3, 0);
    assert_int_equal(plan.held, 6);
    assert_float_equal(plan.hold[0].tolerance, 0.1, 0);
    assert_float_equal(plan.hold[1].level[0].number, 230, 0);
    assert_float_equal(plan.hold[1].tolerance, 2, 0);
    assert_true(isnan(plan.hold[2].tolerance));
    assert_string_equal(plan.hold[4].level[0].word, "swirl");
    assert_true(isnan(plan.hold[4].level[0].number));
    assert_int_equal(plan_run_count(&plan), 15);
}

#define HEAD "[experiment]\nname = a\n"
#define VARY "[vary]\nsteep_s = 60, 120\n"

static void test_every_mistake_is_reported_with_its_line(void **state)
{
    static const struct {
        const char *text;
        int line;
        const char *part;
    } table[] = {
        { "", 0, "no [experiment]" },
        { HEAD, 0, "[vary] names nothing" },
        { HEAD "[vary]\n[hold]\nstir = spoon\n", 0, "[vary] names nothing" },
        { HEAD "difference = 0.5\nreplicates = 3\n[hold]\nstir = spoon\n", 3, "nothing is varied" },
        { HEAD "[vary]\nsteep = 60, 120\n", 4, "\"steep\" is not known; perhaps it is steep_s;" },
        { HEAD "[vary]\nsteep_s = 60, 120\n[hold]\nstirr = spoon\n", 6, "perhaps it is stir;" },
        { HEAD "[vary]\nsteep_s = 60, 120\n[hold]\ntempo = slow\n", 6,
          "\"tempo\" is not known; `poise-ctl plan settings`" },
        { HEAD "[vary]\nsteep_s =\n", 4, "no levels" },
        { HEAD "[vary]\nsteep_s = 60,,120\n", 4, "empty level" },
        { HEAD "[vary]\nsteep_s = 60\n", 4, "one level only" },
        { HEAD "[vary]\nsteep_s = 60, long\n", 4, "steep_s is a number in s" },
        { HEAD "[vary]\nsteep_s = 60, 60.0\n", 4, "twice" },
        { HEAD "[vary]\nsteep_s = 60, 120 g\n", 4, "steep_s is in s, not \"g\"" },
        { HEAD "[vary]\ngrind = 18, fine\n", 4, "numbers or words, not both" },
        { HEAD "[vary]\nextraction_pct = 18, 20\n", 4, "comes out of a brew" },
        { HEAD "[vary]\ndose_g = 15, -3\n", 4, "it must be 0 to 1000" },
        { HEAD "[vary]\na_b = 1, 2\n", 4, "own_" },
        { HEAD "[vary]\ngrind = 1, 2\nstir = a, b\ncoffee = c, d\n", 6, "third factor" },
        { HEAD VARY "[hold]\nsteep_s = 60\n", 6, "twice" },
        { HEAD VARY "[hold]\ndose_g = 15 +- 1 %\n", 6, "dose_g is in g, not \"%\"" },
        { HEAD VARY "[hold]\ndose_g = 15 +- much\n", 6, "dose_g is a number in g" },
        { HEAD VARY "[hold]\ndose_g = 15 +- -1\n", 6, "not negative" },
        { HEAD VARY "[hold]\ngrind = 18 +- 1\n", 6, "no unit" },
        { HEAD VARY "[hold]\nfnord\n", 6, "\"fnord\" is no setting" },
        { HEAD VARY "[keep]\ndose_g = 15\n", 6, "no section [keep]" },
        { HEAD VARY "[hold\ndose_g = 15\n", 5, "ends with ]" },
        { "[experiment]\nname = Ferry Steep\n" VARY, 2, "a-z 0-9 -" },
        { HEAD "replicates = 0\n" VARY, 3, "1 to 50" },
        { HEAD "replicates = 2.5\n" VARY, 3, "1 to 50" },
        { HEAD "order = any\n" VARY, 3, "random or listed" },
        { HEAD "seed = -1\n" VARY, 3, "seed is a whole number" },
        { HEAD "colour = blue\n" VARY, 3, "no \"colour\"" },
        { HEAD "name = b\n" VARY, 3, "name is set in line 2 already" },
        { HEAD "replicates = 2\n\nreplicates = 3\n" VARY, 5, "replicates is set in line 3 already" },
        { HEAD VARY "[hold]\ndose_g = 15 +- 100\n", 6, "100 is more than the 15 itself" },
        { HEAD "[vary]\nwater_g = 200, 230 +- 210\n", 4, "210 is more than the 200 itself" },
        { HEAD "difference = 0.5\n" VARY, 3, "one cup per level shows no spread" },
        { HEAD "difference = none\nreplicates = 2\n" VARY, 3, "percentage points" },
        { HEAD "title = \xff\xfe\n" VARY, 0, "not UTF-8" },
        { HEAD "replicates = 50\n[vary]\ngrind = 1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16,17,18,19,20\n"
               "own_hands = a,b,c,d,e,f,g,h,i,j,k,l,m,n,o,p,q,r,s,t\n",
          3, "20000 cups; 500 are the most" },
    };

    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
        struct plan plan = { .replicates = -7 };
        struct plan_mistakes mistakes;
        struct why why;

        assert_int_equal(plan_read(&plan, table[i].text, strlen(table[i].text), &mistakes, &why), -EINVAL);
        assert_int_equal(plan.replicates, -7);
        if (mistakes.mistake[0].line != table[i].line || !strstr(mistakes.mistake[0].text, table[i].part))
            fail_msg("%s\nline %d: %s", table[i].text, mistakes.mistake[0].line, mistakes.mistake[0].text);
    }
}

/* Every name that is listed can be planned, reads well, and is listed once; nothing else can be. */
static void test_the_list_of_settings_is_what_may_be_planned(void **state)
{
    const struct plan_setting *setting;
    char text[200];
    int count = 0;

    (void)state;
    for (; (setting = plan_setting_at(count)); count++) {
        bool numbers = *setting->unit != '\0';
        struct plan_mistakes mistakes;
        struct plan plan;
        struct why why;

        assert_ptr_equal(plan_setting_find(setting->name), setting);
        assert_true(setting->label[0] >= 'A' && setting->label[0] <= 'Z' && *setting->summary != '\0');
        snprintf(text, sizeof text, "[experiment]\nname = a\n[vary]\n%s = %s\n", setting->name,
                 numbers ? "10, 20" : "18 clicks, 20 clicks");
        if (plan_read(&plan, text, strlen(text), &mistakes, &why) != 0)
            fail_msg("%s: %s", setting->name, why.text);
    }
    assert_true(count > 20);
    assert_false(plan_setting_known("strength_pct") || plan_setting_known("own_") || plan_setting_known("drip_g"));
    assert_true(plan_setting_known("own_kettle") && plan_setting_known("stir_at_s") && plan_setting_known("stir_s"));
    assert_string_equal(plan_setting_near("dose"), "dose_g");
    assert_string_equal(plan_setting_near("gring"), "grind");
    assert_null(plan_setting_near("xyzzy"));
    assert_null(plan_setting_near(""));
}

static void test_all_mistakes_are_reported_at_once(void **state)
{
    static const char text[] = "[experiment]\nname = A\nreplicates = x\n[vary]\nsoak = 1\n";
    struct plan_mistakes mistakes;
    struct plan plan;
    struct why why;

    (void)state;
    assert_int_equal(plan_read(&plan, text, strlen(text), &mistakes, &why), -EINVAL);
    assert_int_equal(mistakes.count, 3);
    assert_int_equal(mistakes.mistake[1].line, 3);
    assert_int_equal(mistakes.mistake[2].line, 5);
    assert_string_equal(why.text, "line 2: name has 1 to 32 characters of a-z 0-9 -");
}

static void test_a_plan_that_varies_nothing_repeats_one_recipe(void **state)
{
    struct plan plan = read_well(HEAD "replicates = 3\n[hold]\nsteep_s = 120 +- 3\nstir = spoon\n");
    struct plan_run runs[3];
    json_t *run;

    (void)state;
    assert_int_equal(plan.factors, 0);
    assert_int_equal(plan_run_count(&plan), 3);
    assert_int_equal(plan_order(&plan, 1, runs), 0);
    assert_int_equal(runs[2].replicate, 3);
    run = plan_run_json(&plan, &runs[2], 3);
    assert_int_equal(json_object_size(json_object_get(run, "factors")), 0);
    assert_int_equal(json_integer_value(json_object_get(json_object_get(run, "recipe"), "steep_s")), 120);
    json_decref(run);
}

static void test_nonsense_of_any_kind_is_refused(void **state)
{
    struct plan_mistakes mistakes;
    struct plan plan;
    struct why why;
    char *text = malloc(PLAN_TEXT_MOST + 1);
    unsigned seed = 5;

    (void)state;
    memset(text, 'a', PLAN_TEXT_MOST + 1);
    assert_int_equal(plan_read(&plan, text, PLAN_TEXT_MOST + 1, &mistakes, &why), -EINVAL);
    assert_int_equal(mistakes.count, 1); /* of a file that is too long nothing else is known */
    assert_int_equal(plan_read(&plan, text, PLAN_TEXT_MOST, &mistakes, &why), -EINVAL);
    for (int n = 0; n < 20000; n++) {
        size_t length = strlen(ferry), flips = 1 + (size_t)n % 5;

        memcpy(text, ferry, length);
        for (size_t i = 0; i < flips; i++)
            text[(size_t)rand_r(&seed) % length] = (char)rand_r(&seed);
        if (plan_read(&plan, text, length, &mistakes, &why) == 0)
            assert_in_range(plan_run_count(&plan), 2, PLAN_RUNS);
    }
    free(text);
}

static void test_blocks_are_complete_and_the_order_can_be_drawn_again(void **state)
{
    struct plan plan = read_well(ferry);
    struct plan_run runs[15], again[15], other[15];

    (void)state;
    assert_int_equal(plan_order(&plan, 1, runs), 0);
    assert_int_equal(plan_order(&plan, 1, again), 0);
    assert_int_equal(plan_order(&plan, 2, other), 0);
    assert_memory_equal(runs, again, sizeof runs);
    assert_memory_not_equal(runs, other, sizeof runs);
    for (int block = 0; block < 3; block++) {
        int seen = 0;

        for (int i = 0; i < 5; i++) {
            assert_int_equal(runs[block * 5 + i].replicate, block + 1);
            seen |= 1 << runs[block * 5 + i].level[0];
        }
        assert_int_equal(seen, 31);
    }
    plan.random = false;
    assert_int_equal(plan_order(&plan, 1, runs), 0);
    for (int i = 0; i < 15; i++)
        assert_int_equal(runs[i].level[0], i % 5);
}

/* Every order of a block of three must be as likely as any other: chi-square over the six, 5 degrees of
 * freedom; 20.5 is passed by chance once in a thousand, and the seeds are fixed. */
static void test_no_order_is_favoured(void **state)
{
    struct plan plan = read_well(HEAD "[vary]\ngrind = 1, 2, 3\n");
    int counts[27] = { 0 };
    double chi_square = 0;

    (void)state;
    for (uint32_t seed = 0; seed < 6000; seed++) {
        struct plan_run runs[3];

        plan_order(&plan, seed, runs);
        counts[runs[0].level[0] * 9 + runs[1].level[0] * 3 + runs[2].level[0]]++;
    }
    for (int i = 0; i < 27; i++)
        if (counts[i])
            chi_square += (counts[i] - 1000.0) * (counts[i] - 1000.0) / 1000;
    assert_true(chi_square < 20.5);
}

static void test_two_factors_meet_in_every_combination(void **state)
{
    struct plan plan = read_well(HEAD "replicates = 2\n[vary]\ngrind = coarse, fine\nsteep_s = 60, 120, 180\n");
    struct plan_run runs[12];
    int seen = 0;

    (void)state;
    assert_int_equal(plan_run_count(&plan), 12);
    plan_order(&plan, 9, runs);
    for (int i = 0; i < 6; i++)
        seen |= 1 << (runs[i].level[0] * 3 + runs[i].level[1]);
    assert_int_equal(seen, 63);
    assert_string_equal(plan_level(&plan, &(struct plan_run){ 1, { 1, 2 } }, 0)->word, "fine");
    assert_float_equal(plan_level(&plan, &(struct plan_run){ 1, { 1, 2 } }, 1)->number, 180, 0);
}

static void test_tolerances_decide_whether_a_plan_was_kept(void **state)
{
    struct plan plan = read_well(ferry);
    struct plan_run run = { 1, { 2, 0 } };
    json_t *json = plan_run_json(&plan, &run, 4);
    struct measures measures;
    struct why why;

    (void)state;
    assert_int_equal(json_integer_value(json_object_get(json, "run")), 4);
    assert_int_equal(json_integer_value(json_object_get(json, "of")), 15);
    assert_int_equal(json_integer_value(json_object_get(json_object_get(json, "factors"), "steep_s")), 120);
    assert_string_equal(json_string_value(json_object_get(json_object_get(json, "recipe"), "stir")), "swirl");
    measures_clear(&measures);
    assert_int_equal(plan_judge(json, &measures, &why), -1);
    measures.value[MEASURE_DOSE_G] = 15.1;
    measures.value[MEASURE_WATER_G] = 228;
    measures.value[MEASURE_STEEP_S] = 123;
    assert_int_equal(plan_judge(json, &measures, &why), 1);
    measures.value[MEASURE_WATER_G] = 236.13;
    measures.value[MEASURE_STEEP_S] = 100;
    assert_int_equal(plan_judge(json, &measures, &why), 0);
    assert_non_null(strstr(why.text, "Water 236 g, planned 230 ± 2 g; Steep 100"));
    measures.value[MEASURE_DOSE_G] = NAN;
    assert_int_equal(plan_judge(json, &measures, &why), 0);
    json_decref(json);
}

/* A scale at its end shows that it was more: that is out of a plan for less, and says nothing of one for as much. */
static void test_a_lower_bound_judges_only_what_it_shows(void **state)
{
    struct plan plan = read_well("[experiment]\nname = ferry\nreplicates = 1\n[vary]\npress_peak_kpa = 18, 27 +- 2\n");
    bool above[MEASURE_COUNT] = { [MEASURE_PRESS_PEAK_KPA] = true };
    struct measures measures, judged;
    struct why why;

    (void)state;
    measures_clear(&measures);
    measures.value[MEASURE_PRESS_PEAK_KPA] = 21.5;
    for (int level = 0; level < 2; level++) {
        json_t *json = plan_run_json(&plan, &(struct plan_run){ 1, { level, 0 } }, 1);

        judged = plan_judged(json, &measures, above);
        assert_int_equal(plan_judge(json, &judged, &why), level == 0 ? 0 : -1);
        json_decref(json);
    }
}

/* Steeps of 45, 75 and 120 s without a tolerance: 58 s is still the cup of 45 s, 62 s the one of 75 s. */
static void test_a_varied_measure_without_a_tolerance_is_of_its_own_level(void **state)
{
    struct plan plan = read_well("[experiment]\nname = ferry\nreplicates = 2\norder = listed\n"
                                 "[vary]\nsteep_s = 45, 75, 120\n[hold]\ndose_g = 15 +- 0.1\n");
    struct plan_run run = { .replicate = 1 };
    json_t *json = plan_run_json(&plan, &run, 1);
    struct measures measures;
    struct why why;

    (void)state;
    assert_int_equal(json_integer_value(json_object_get(json_object_get(json, "factors"), "steep_s")), 45);
    measures_clear(&measures);
    measures.value[MEASURE_DOSE_G] = 15;
    assert_int_equal(plan_judge(json, &measures, &why), 1); /* nobody saw the press */
    measures.value[MEASURE_STEEP_S] = 58;
    assert_int_equal(plan_judge(json, &measures, &why), 1);
    measures.value[MEASURE_STEEP_S] = 20;
    assert_int_equal(plan_judge(json, &measures, &why), 1);
    measures.value[MEASURE_STEEP_S] = 62;
    assert_int_equal(plan_judge(json, &measures, &why), 0);
    assert_string_equal(why.text, "Steep 62.0 s, planned 45 s, is nearer to 75 s");
    measures.value[MEASURE_DOSE_G] = 15.3;
    assert_int_equal(plan_judge(json, &measures, &why), 0);
    assert_non_null(strstr(why.text, "Dose 15.3 g, planned 15.0 ± 0.1 g; Steep 62.0 s, planned 45 s, is nearer"));
    json_decref(json);
}

/* What five levels of three cups can show is simulated, by the test the report uses (tests/reference/test_coverage.c
 * holds the two together); here it is only about right: pairs of five levels, each with its own spread, lie between the
 * noncentral t of one pair with 4 degrees of freedom (1.35) and that of Bonferroni's ten pairs with 2 (5). */
static void test_a_design_is_judged_before_a_cup_is_brewed(void **state)
{
    struct plan plan = read_well(ferry);
    struct design design;

    (void)state;
    design_judge(&plan, &design);
    assert_int_equal(design.cups, 15);
    assert_int_equal(design.levels, 5);
    assert_int_equal(design.degrees_of_freedom, 10);
    assert_true(design.spread_assumed);
    assert_float_equal(design.spread, 0.4, 0);
    assert_true(design.smallest_difference > 1.35 && design.smallest_difference < 5);
    assert_float_equal(design.hours, 15 * (144.0 + 300) / 3600, 1e-9);
    assert_true(design.answers);
    plan.difference = 0.5;
    plan.spread = 0.4;
    design_judge(&plan, &design);
    assert_false(design.answers);
    assert_false(design.spread_assumed);
    assert_in_range(design.replicates_needed, 12, 24);
    plan.replicates = design.replicates_needed;
    design_judge(&plan, &design);
    assert_true(design.answers);
    plan.replicates = 1;
    plan.difference = NAN;
    design_judge(&plan, &design);
    assert_int_equal(design.degrees_of_freedom, 0);
    assert_true(isnan(design.smallest_difference));
}

/* ---- as it is being brewed ---- */

static struct brew *brew_of(json_t *run, const char *name, double water_g)
{
    struct brew *brew = calloc(1, sizeof *brew);

    strcpy(brew->name, name);
    strcpy(brew->station, "left");
    measures_clear(&brew->measures);
    brew->plan = run;
    brew->plan_kept = -1;
    brew->ended = true;
    brew->measures.value[MEASURE_DOSE_G] = 15;
    brew->measures.value[MEASURE_WATER_G] = water_g;
    brew->measures.value[MEASURE_STEEP_S] =
        json_number_value(json_object_get(json_object_get(run, "factors"), "steep_s"));
    return brew;
}

static void drop(struct brew *brew)
{
    json_decref(brew->plan);
    free(brew);
}

static int number_of(const json_t *run)
{
    return (int)json_integer_value(json_object_get(run, "run"));
}

static void test_runs_are_offered_brewed_and_offered_again(void **state)
{
    struct planner planner = { 0 };
    struct why why;
    struct brew *kept, *missed, *again;
    int first, second, order[15];

    (void)state;
    assert_int_equal(planner_load(&planner, ferry, strlen(ferry), 0, &why), 0);
    assert_int_equal(planner_load(&planner, ferry, strlen(ferry), 0, &why), -EINVAL);
    assert_non_null(strstr(why.text, "unload it first"));
    first = planner_offer(&planner, "left");
    assert_int_equal(planner_offer(&planner, "left"), first);
    second = planner_offer(&planner, "right");
    assert_int_not_equal(second, first);
    kept = brew_of(planner_take(&planner, "left", "pier-20261125-001"), "pier-20261125-001", 230);
    assert_int_equal(number_of(kept->plan), first + 1);
    assert_non_null(json_object_get(kept->plan, "definition"));
    assert_int_equal(planner_over(&planner, kept, &why), 1);
    assert_int_equal(kept->plan_kept, 1);
    assert_int_equal(planner_done(&planner), 1);
    missed = brew_of(planner_take(&planner, "left", "pier-20261125-002"), "pier-20261125-002", 240);
    assert_int_equal(planner_over(&planner, missed, &why), 1);
    assert_int_equal(missed->plan_kept, 0);
    assert_int_equal(planner_done(&planner), 1);
    for (int i = 0; i < 14; i++) {
        char name[BREW_SIZE];

        snprintf(name, sizeof name, "pier-20261125-%03d", 3 + i);
        again = brew_of(planner_take(&planner, "left", name), name, 230);
        order[i] = number_of(again->plan);
        planner_over(&planner, again, &why);
        drop(again);
    }
    /* the missed one comes at the end; after it only what the other station has not begun */
    assert_int_equal(order[12], number_of(missed->plan));
    assert_int_equal(order[13], second + 1);
    assert_int_equal(planner_done(&planner), 15);
    assert_null(planner_take(&planner, "left", "pier-20261125-099"));
    assert_int_equal(planner_redo(&planner, kept, &why), 0);
    assert_int_equal(planner_offer(&planner, "right"), first);
    drop(kept);
    drop(missed);
    planner_unload(&planner);
}

/* Asking in any order, as often as anybody likes, offers nothing: a state that is written must not change it. */
static void test_a_question_offers_nothing(void **state)
{
    struct planner planner = { 0 }, before;
    struct text out = { 0 };
    struct why why;
    int first;

    (void)state;
    assert_int_equal(planner_load(&planner, ferry, strlen(ferry), 0, &why), 0);
    memcpy(&before, &planner, sizeof planner);
    first = planner_offered(&planner, "right");
    assert_int_equal(planner_offered(&planner, "left"), first);
    planner_write_next(&planner, "right", NULL, &out);
    assert_memory_equal(&before, &planner, sizeof planner);
    assert_int_equal(planner_offer(&planner, "left"), first);
    assert_int_not_equal(planner_offered(&planner, "right"), first);
    assert_int_equal(planner_offered(&planner, "right"), planner_offer(&planner, "right"));
    text_free(&out);
    planner_unload(&planner);
}

static void test_a_correction_changes_the_verdict(void **state)
{
    struct planner planner = { 0 };
    struct why why;
    struct brew *brew;

    (void)state;
    assert_int_equal(planner_load(&planner, ferry, strlen(ferry), 0, &why), 0);
    brew = brew_of(planner_take(&planner, "left", "pier-20261125-001"), "pier-20261125-001", 240);
    planner_over(&planner, brew, &why);
    assert_int_equal(planner.queued, 15);
    brew->measures.value[MEASURE_WATER_G] = 231;
    assert_int_equal(planner_over(&planner, brew, &why), 1);
    assert_int_equal(brew->plan_kept, 1);
    assert_int_equal(planner.queued, 14);
    assert_int_equal(planner_done(&planner), 1);
    assert_int_equal(planner_over(&planner, brew, &why), 0);
    brew->discarded = true;
    planner_over(&planner, brew, &why);
    assert_int_equal(planner_done(&planner), 0);
    assert_int_equal(planner_offer(&planner, "left"), number_of(brew->plan) - 1);
    drop(brew);
    planner_unload(&planner);
}

/* A run was missed twice; then the numbers of its first try were corrected, so nothing is left to be brewed again. */
static void test_an_earlier_try_that_kept_the_plan_after_all_stands_for_its_run(void **state)
{
    struct planner planner = { 0 };
    struct brew *tries[3];
    struct why why;
    int run;

    (void)state;
    assert_int_equal(planner_load(&planner, HEAD VARY "[hold]\nwater_g = 230 +- 2\n",
                                  strlen(HEAD VARY "[hold]\nwater_g = 230 +- 2\n"), 7, &why),
                     0);
    run = planner_offer(&planner, "left");
    for (int i = 0; i < 3; i++) {
        char name[BREW_SIZE];

        snprintf(name, sizeof name, "pier-20261125-%03d", 998 + i);
        while (planner_offer(&planner, "left") != run)
            assert_int_equal(planner_skip(&planner, "left", &why), 0);
        tries[i] = brew_of(planner_take(&planner, "left", name), name, 240);
        if (i < 2)
            assert_int_equal(planner_over(&planner, tries[i], &why), 1);
    }
    assert_int_equal(planner.made[run].state, RUN_BREWING);
    tries[0]->measures.value[MEASURE_WATER_G] = 230;
    assert_int_equal(planner_over(&planner, tries[0], &why), 1);
    assert_int_equal(planner.made[run].state, RUN_BREWING); /* what is under way is let finish */
    assert_int_equal(planner_over(&planner, tries[2], &why), 1);
    assert_non_null(strstr(why.text, "Water 240 g, planned 230 ± 2 g"));
    assert_int_equal(planner.made[run].state, RUN_DONE);
    assert_string_equal(planner.made[run].brew, "pier-20261125-998");
    /* and back: the first was wrong after all, and its repeat is queued */
    tries[0]->measures.value[MEASURE_WATER_G] = 240;
    assert_int_equal(planner_over(&planner, tries[0], &why), 1);
    assert_int_equal(planner.made[run].state, RUN_WAITING);
    tries[1]->measures.value[MEASURE_WATER_G] = 230;
    assert_int_equal(planner_over(&planner, tries[1], &why), 1);
    assert_int_equal(planner.made[run].state, RUN_DONE);
    assert_string_equal(planner.made[run].brew, "pier-20261125-999");
    for (int i = 0; i < 3; i++)
        drop(tries[i]);
    planner_unload(&planner);
}

static const char *only_middle(const void *context, int index)
{
    (void)context;
    (void)index;
    return "middle";
}

/* What a station that was renamed had been offered is not kept from the others. */
static void test_a_renamed_station_keeps_no_run(void **state)
{
    struct planner planner = { 0 };
    struct why why;
    int first;

    (void)state;
    assert_int_equal(planner_load(&planner, ferry, strlen(ferry), 7, &why), 0);
    first = planner_offer(&planner, "left");
    assert_int_not_equal(planner_offer(&planner, "middle"), first);
    planner_stations(&planner, only_middle, NULL, 1);
    assert_int_equal(planner.offer_count, 1);
    json_decref(planner_take(&planner, "middle", "pier-20261125-001"));
    assert_int_equal(planner_offer(&planner, "middle"), first);
    planner_unload(&planner);
}

static void test_a_skipped_run_comes_last(void **state)
{
    struct planner planner = { 0 };
    struct why why;
    int first;

    (void)state;
    assert_int_equal(planner_skip(&planner, "left", &why), -EINVAL);
    assert_int_equal(planner_load(&planner, HEAD VARY, strlen(HEAD VARY), 7, &why), 0);
    assert_int_equal(planner.seed, 7);
    first = planner_offer(&planner, "left");
    assert_int_equal(planner_skip(&planner, "left", &why), 0);
    assert_int_equal(planner_offer(&planner, "left"), !first);
    json_decref(planner_take(&planner, "left", "a"));
    assert_int_equal(planner_offer(&planner, "left"), first);
    assert_int_equal(planner_skip(&planner, "left", &why), -EINVAL);
    assert_non_null(strstr(why.text, "the last cup"));
    planner_unload(&planner);
}

#define TWICE \
    "[experiment]\nname = ferry\nreplicates = 2\norder = listed\n[vary]\nsteep_s = 60, 120 +- 3\n[hold]\nwater_g = 230 +- "

static struct brew *ferry_brew(struct planner *planner, const char *name, double steep_s, double water_g)
{
    struct brew *brew = brew_of(planner_take(planner, "left", name), name, water_g);

    brew->measures.value[MEASURE_STEEP_S] = steep_s;
    return brew;
}

/* The offered run wants 60 s; the cup was the spilt one again, 120 s, and a run that wants just that is open. */
static void test_a_cup_counts_as_the_open_run_that_it_fits(void **state)
{
    static const char plan[] = TWICE "2\n";
    struct planner planner = { 0 };
    struct brew *brew, *none;
    struct why why;

    (void)state;
    assert_int_equal(planner_load(&planner, plan, strlen(plan), 0, &why), 0);
    brew = ferry_brew(&planner, "pier-20261125-001", 121, 230);
    assert_int_equal(number_of(brew->plan), 1);
    assert_int_equal(planner_over(&planner, brew, &why), 1);
    assert_int_equal(brew->plan_kept, 1);
    assert_int_equal(number_of(brew->plan), 2);
    assert_non_null(strstr(why.text, "Counts as run 2"));
    assert_int_equal(planner.made[1].state, RUN_DONE);
    assert_int_equal(planner_offer(&planner, "left"), 0); /* its own run is open still */
    none = ferry_brew(&planner, "pier-20261125-002", 90, 230);
    assert_int_equal(planner_over(&planner, none, &why), 1); /* near to neither: it is none of them */
    assert_int_equal(none->plan_kept, 0);
    assert_int_equal(number_of(none->plan), 1);
    /* the operator knows better */
    assert_int_equal(planner_credit(&planner, brew, 1, &why), -EINVAL);
    assert_int_equal(planner_credit(&planner, brew, 9, &why), -EINVAL);
    assert_int_equal(planner_credit(&planner, brew, 3, &why), 0);
    assert_int_equal(number_of(brew->plan), 4);
    assert_int_equal(planner.made[3].state, RUN_DONE);
    assert_int_equal(planner.made[1].state, RUN_WAITING);
    brew->measures.value[MEASURE_STEEP_S] = 61; /* corrected: it would fit run 1, and stays where the operator put it */
    assert_int_equal(planner_over(&planner, brew, &why), 1);
    assert_int_equal(brew->plan_kept, 0);
    assert_int_equal(number_of(brew->plan), 4);
    drop(brew);
    drop(none);
    planner_unload(&planner);
}

static int changes;
static void one_changed(void *context, struct brew *brew, const struct why *why)
{
    (void)context;
    (void)brew;
    (void)why;
    changes++;
}

/* Unloaded and loaded again, with a wider tolerance, or longer: the cups that were made are there. */
static void test_a_plan_loaded_again_knows_its_cups(void **state)
{
    static const char narrow[] = TWICE "2\n", wide[] = TWICE "8\n", other[] = TWICE "8\ngrind = 18\n",
                      longer[] = "[experiment]\nname = ferry\nreplicates = 3\n[vary]\nsteep_s = 60, 120 +- 3\n[hold]\n"
                                 "water_g = 230 +- 8\n";
    struct planner planner = { 0 };
    struct brews brews = { .count = 2 };
    struct why why;

    (void)state;
    assert_int_equal(planner_load(&planner, narrow, strlen(narrow), 0, &why), 0);
    brews.all[0] = ferry_brew(&planner, "pier-20261125-001", 60, 230);
    planner_over(&planner, brews.all[0], &why);
    brews.all[1] = ferry_brew(&planner, "pier-20261125-002", 120, 236);
    planner_over(&planner, brews.all[1], &why);
    assert_int_equal(brews.all[1]->plan_kept, 0);
    planner_unload(&planner);
    changes = 0;
    assert_int_equal(planner_load(&planner, narrow, strlen(narrow), 0, &why), 0);
    planner_adopt(&planner, &brews, one_changed, NULL);
    assert_int_equal(planner_done(&planner), 1);
    assert_int_equal(changes, 2);
    planner_unload(&planner);
    assert_int_equal(planner_load(&planner, wide, strlen(wide), 0, &why), 0);
    planner_adopt(&planner, &brews, one_changed, NULL);
    assert_int_equal(planner_done(&planner), 2); /* 236 g are within 230 +- 8 */
    assert_int_equal(brews.all[1]->plan_kept, 1);
    planner_unload(&planner);
    assert_int_equal(planner_load(&planner, longer, strlen(longer), 5, &why), 0);
    planner_adopt(&planner, &brews, one_changed, NULL);
    assert_int_equal(planner_done(&planner), 2);
    assert_int_equal(planner.count, 6);
    planner_unload(&planner);
    assert_int_equal(planner_load(&planner, other, strlen(other), 5, &why), 0);
    json_object_set_new(json_object_get(brews.all[0]->plan, "recipe"), "grind", json_integer(20));
    planner_adopt(&planner, &brews, one_changed, NULL);
    assert_int_equal(planner_done(&planner), 1); /* the first was ground otherwise */
    planner_unload(&planner);
    drop(brews.all[0]);
    drop(brews.all[1]);
}

static void test_a_plan_survives_a_restart(void **state)
{
    struct planner planner = { 0 }, restored = { 0 };
    struct why why;
    struct brew *brew;
    char *text, *again;

    (void)state;
    assert_int_equal(planner_load(&planner, ferry, strlen(ferry), 0, &why), 0);
    brew = brew_of(planner_take(&planner, "left", "pier-20261125-001"), "pier-20261125-001", 240);
    planner_over(&planner, brew, &why);
    drop(brew);
    json_decref(planner_take(&planner, "left", "pier-20261125-002"));
    planner_skip(&planner, "right", &why);
    text = planner_save(&planner);
    assert_int_equal(planner_restore(&restored, text, strlen(text)), 0);
    again = planner_save(&restored);
    assert_string_equal(again, text);
    assert_int_equal(planner_offer(&restored, "left"), planner_offer(&planner, "left"));
    assert_int_equal(planner_restore(&restored, "{\"text\":\"[experiment]\"}", 23), -EINVAL);
    assert_int_equal(planner_restore(&restored, "nonsense", 8), -EINVAL);
    free(text);
    free(again);
    planner_unload(&planner);
    planner_unload(&restored);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_plan_is_read_whole),
        cmocka_unit_test(test_every_mistake_is_reported_with_its_line),
        cmocka_unit_test(test_the_list_of_settings_is_what_may_be_planned),
        cmocka_unit_test(test_all_mistakes_are_reported_at_once),
        cmocka_unit_test(test_a_plan_that_varies_nothing_repeats_one_recipe),
        cmocka_unit_test(test_nonsense_of_any_kind_is_refused),
        cmocka_unit_test(test_blocks_are_complete_and_the_order_can_be_drawn_again),
        cmocka_unit_test(test_no_order_is_favoured),
        cmocka_unit_test(test_two_factors_meet_in_every_combination),
        cmocka_unit_test(test_tolerances_decide_whether_a_plan_was_kept),
        cmocka_unit_test(test_a_lower_bound_judges_only_what_it_shows),
        cmocka_unit_test(test_a_varied_measure_without_a_tolerance_is_of_its_own_level),
        cmocka_unit_test(test_a_design_is_judged_before_a_cup_is_brewed),
        cmocka_unit_test(test_runs_are_offered_brewed_and_offered_again),
        cmocka_unit_test(test_a_question_offers_nothing),
        cmocka_unit_test(test_a_correction_changes_the_verdict),
        cmocka_unit_test(test_an_earlier_try_that_kept_the_plan_after_all_stands_for_its_run),
        cmocka_unit_test(test_a_renamed_station_keeps_no_run),
        cmocka_unit_test(test_a_skipped_run_comes_last),
        cmocka_unit_test(test_a_cup_counts_as_the_open_run_that_it_fits),
        cmocka_unit_test(test_a_plan_loaded_again_knows_its_cups),
        cmocka_unit_test(test_a_plan_survives_a_restart),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
