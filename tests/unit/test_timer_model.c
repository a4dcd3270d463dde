/* The timer without its terminal: messages in, what it knows out.  Its screen: test_timer_screen.c. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "poise/brew.h"
#include "timer_bench.h"
#include "words.h"

/* Numbers that contradict the indication: the bench's are shown all the same, since nobody else adds up. */
static void every_number_is_the_messages_own(void **state)
{
    struct guide guide;
    char words[WORDS_SIZE];

    (void)state;
    state_at(5, "idle", "null", "400", "0");
    scale_knows(6, "77.7", ",'load_g':460.5,'added_g':14.6,'tared':true");
    station_guide(&model, left(), at(6), &guide);
    assert_string_equal(guide.number.digits, "14.6");
    assert_string_equal(guide.now, "Weigh 15.0 ± 0.1 g of coffee.");
    scale_knows(6.1, "77.7", ",'load_g':460.5,'added_g':0.1,'weighed_g':15.1,'tared':true");
    station_guide(&model, left(), at(6.1), &guide);
    assert_string_equal(guide.number.digits, "15.1");
    assert_string_equal(guide.cue, "Pour 230 g");
    scale_knows(6.2, "77.7", ",'load_g':460.5,'cup_left':true");
    station_guide(&model, left(), at(6.2), &guide);
    assert_string_equal(guide.now, "The cup is weighed: take it off.");
    pour_until(12);
    scale_knows(12.1, "61.0", ",'load_g':460.5,'water_g':44.4,'flow_g_per_s':7.5");
    station_guide(&model, left(), at(12.1), &guide);
    assert_string_equal(guide.number.digits, "44.4");
    assert_string_equal(words_numbers(&model, left(), at(12.1), true, words),
                        "water 44.4 g, flow 7.5 g/s, steep time 0:02");
    stage(31, "press", 30.5);
    scale_knows(31.1, "6100", ",'load_g':6500,'water_g':44.4,'press_kpa':19.5");
    station_guide(&model, left(), at(31.1), &guide);
    assert_string_equal(guide.number.digits, "20"); /* 19.5, rounded to the even */
    scale_knows(31.2, "6100", ",'load_g':6500,'water_g':44.4,'press_kpa':7.2");
    station_guide(&model, left(), at(31.2), &guide);
    assert_string_equal(guide.number.digits, "7");
    scale(31.3, "6100"); /* what a message does not have is not known */
    station_guide(&model, left(), at(31.3), &guide);
    assert_string_equal(guide.number.unit, "pressing");
}

/* The steep counts from the first water, wherever the stages were corrected to, and ends with the press. */
static void the_steep_runs_from_first_water_to_the_press(void **state)
{
    (void)state;
    pour_until(20);
    assert_true(left()->first_water_us == at(10));
    assert_true(fabs(station_steep_s(left(), at(25)) - 15) < 1e-9);
    stage(21, "steep", 20);
    stage(32, "press", 31.05);
    assert_true(fabs(station_steep_s(left(), at(40)) - 21.05) < 1e-9);
}

static void time_goes_on_between_messages(void **state)
{
    (void)state;
    scale(100, "1.0");
    assert_true(view_now_us(&model, FAR + at(100)) == at(100));
    assert_true(view_now_us(&model, FAR + at(102.5)) == at(102.5));
    say("event/pier/warning", 200, "'rate':20,'brew':null,'warning':'overload','detail':''");
    assert_true(view_now_us(&model, FAR + at(201)) == at(220));
    assert_true(view_time_us(&model, FAR + at(201)) == 1764063000000000LL + at(220));
}

static void the_focus_follows_the_stage(void **state)
{
    struct guide guide;

    (void)state;
    state_at(5, "idle", "null", "400", "0");
    scale_knows(6, "12.34", ",'load_g':412.34,'added_g':12.34,'tared':true");
    station_guide(&model, left(), at(6), &guide);
    assert_string_equal(guide.number.digits, "12.34"); /* as many digits as the scale showed */
    assert_string_equal(guide.number.goal, "2.7 g to go of 15.0 ± 0.1 g");
    scale_knows(6.1, "15.1", ",'load_g':415.1,'added_g':15.1,'tared':true");
    station_guide(&model, left(), at(6.1), &guide);
    assert_string_equal(guide.number.goal, "right: 15.0 ± 0.1 g");
    scale_knows(6.2, "15.3", ",'load_g':415.3,'added_g':15.3,'tared':true");
    station_guide(&model, left(), at(6.2), &guide);
    assert_int_equal(guide.number.side, GUIDE_ABOVE);
    assert_string_equal(guide.number.goal, "0.3 g above 15.0 ± 0.1 g");

    fresh(NULL);
    pour_until(20);
    station_guide(&model, left(), at(20), &guide);
    assert_string_equal(guide.number.unit, "g of water in");
    assert_true(fabs(guide.number.share - 1) < 0.003);
    stage(21, "steep", 20);
    station_guide(&model, left(), at(70.2), &guide); /* 60.2 of 90 s */
    assert_string_equal(guide.number.digits, "0:30");
    assert_string_equal(guide.number.unit, "to the press");
    assert_string_equal(guide.number.goal, "press at 1:30");
    assert_int_equal(guide.number.side, GUIDE_BELOW);
    station_guide(&model, left(), at(105), &guide);
    assert_string_equal(guide.number.digits, "0:05");
    assert_string_equal(guide.number.unit, "past the press");
    assert_int_equal(guide.number.side, GUIDE_ABOVE);
    assert_string_equal(guide.rescue, "5 s late for 1:30: press at 2:00 and it is the 120 s cup, or now.");
}

/* 40 of 230 g are in and the pour has ended: whatever the clock says, water comes first. */
static void a_short_pour_is_asked_for_before_anything_else(void **state)
{
    (void)state;
    pour_until(11.7);
    stage(14, "steep", 11.7);
    assert_string_equal(now_at(20), "190.9 g are missing: pour to 230 ± 2 g.");
    assert_int_equal(next_at(20), STAGE_POUR);
    assert_string_equal(now_at(130), "190.9 g are missing: pour to 230 ± 2 g.");
}

static void what_differs_from_the_run_before_is_said(void **state)
{
    static const char two[] =
        "'stations':[{'station':'left','stage':'%s','brew':%s,'next':{'experiment':'%s','run':%d,"
        "'of':8,'replicate':1,'factors':{'steep_s':%d,'stir':'swirl'},'recipe':{},'tolerances':{'steep_s':3}}}],"
        "'instruments':[],'waiting':[],'last':null,'plan':null";
    char words[WORDS_SIZE];

    (void)state;
    say("state/pier", 1, two, "idle", "null", "ferry-steep", 3, 120);
    assert_string_equal(words_varied(&model, left(), WORDS_WHOLE, words),
                        "ferry-steep 3 of 8: steep 120 ± 3 s, stir swirl");
    say("state/pier", 2, two, "steep", "'pier-20261125-007'", "ferry-steep", 3, 120);
    assert_string_equal(words_varied(&model, left(), WORDS_WHOLE, words),
                        "ferry-steep 3 of 8: steep 120 ± 3 s, stir swirl");
    say("state/pier", 3, two, "idle", "null", "ferry-steep", 4, 90);
    assert_string_equal(words_varied(&model, left(), WORDS_WHOLE, words),
                        "ferry-steep 4 of 8: steep 90 ± 3 s (before: 120 s), stir swirl (as before)");
    say("state/pier", 4, two, "steep", "'pier-20261125-008'", "ferry-steep", 4, 90);
    say("state/pier", 5, two, "press", "'pier-20261125-008'", "ferry-steep", 4, 90);
    assert_string_equal(words_varied(&model, left(), WORDS_WHOLE, words),
                        "ferry-steep 4 of 8: steep 90 ± 3 s (before: 120 s), stir swirl (as before)");
    say("state/pier", 6, two, "idle", "null", "kiosk-steep", 1, 90);
    assert_string_equal(words_varied(&model, left(), WORDS_WHOLE, words),
                        "kiosk-steep 1 of 8: steep 90 ± 3 s, stir swirl");
}

/* 1 - exp(-0.02 t): 69.88 % at 60 s, 83.47 % at 90 s. */
static void earlier_cups_say_how_far_it_is(void **state)
{
    char words[WORDS_SIZE];

    (void)state;
    pour_until(20);
    stage(21, "steep", 20);
    assert_string_equal(words_share(&model, left(), at(70), WORDS_WHOLE, words), "");
    left()->curve.cups = 12;
    left()->curve.at_s = NAN; /* no cup steeped so long */
    left()->curve.fit = (struct kinetics_fit){ .value = { [KINETICS_PLATEAU] = 22, [KINETICS_RATE] = 0.02 } };
    assert_string_equal(words_share(&model, left(), at(70), WORDS_WHOLE, words),
                        "about 70 % of the final extraction, 83 % at 1:30 (by 12 earlier cups)");
    left()->curve.at_s = 149.8; /* ln 20 / 0.02 */
    assert_string_equal(
        words_share(&model, left(), at(70), WORDS_WHOLE, words),
        "about 70 % of the final extraction, 83 % at 1:30, 95 % after about 150 s (by 12 earlier cups)");
    canvas.unicode = true;
    draw(80, 24, PAGE_BENCH, 70);
    expect_on_screen("about 70 % of the final extraction");
    canvas_free(&canvas);
    stage(101, "press", 100);
    assert_string_equal(words_share(&model, left(), at(105), WORDS_WHOLE, words),
                        "about 83 % of the final extraction (by 12 earlier cups)");
    say("event/pier/brew", 200, "'brew':'pier-20261125-008','station':'left','change':'begin','at_us':199000000");
    assert_string_equal(words_share(&model, left(), at(201), WORDS_WHOLE, words), ""); /* another run */
}

static void what_comes_next_follows_the_plan(void **state)
{
    struct guide guide;

    (void)state;
    pour_until(20);
    assert_int_equal(next_at(20), STAGE_STEEP);
    stage(21, "steep", 20);
    left()->stage_at_us = at(20);
    assert_int_equal(next_at(21), STAGE_STIR); /* stir = swirl */
    assert_string_equal(now_at(21), "Swirl: hold brewer and cup together.");
    stage(40, "stir", 40);
    stage(45, "settle", 44);
    assert_int_equal(next_at(46), STAGE_PRESS);
    station_guide(&model, left(), at(46), &guide);
    assert_string_equal(guide.next, "next: press at 1:30");
    assert_string_equal(guide.now, "Let it settle until 1:30.");
    stage(46, "steep", 45);
    assert_int_equal(next_at(46), STAGE_PRESS); /* stirred once is enough */
}

/* A stage takes back those that were reported to begin then or later, as its contract says: a stir that was corrected
 * three times is one. */
static void a_corrected_stage_is_counted_once(void **state)
{
    (void)state;
    pour_until(20);
    stage(21, "steep", 20);
    for (int i = 0; i < 3; i++)
        stage(41 + i, "stir", 40 - i);
    assert_int_equal(left()->timeline.count, 4);
    assert_int_equal(left()->timeline.stage[3].stage, STAGE_STIR);
    assert_true(left()->timeline.stage[3].at_us == at(38));
}

/* The tracker calls the first water a pour until a second one comes; the plan knows that it is the bloom. */
static void a_planned_bloom_is_aimed_at_before_the_pour(void **state)
{
    struct guide guide;

    (void)state;
    state_at(5, "idle", "null", "400", "0");
    say("state/pier", 8,
        "'instruments':[],'stations':[{'station':'left','stage':'idle','load_g':400,"
        "'next':{'experiment':'ferry-steep',"
        "'run':4,'of':15,'factors':{'steep_s':90},'recipe':{'bloom_g':45,'bloom_s':30,'water_g':230},"
        "'tolerances':{'bloom_g':3},'open':[]}}]");
    scale(9, "0.0");
    say("event/pier/brew", 9.5, "'brew':'pier-20261125-007','station':'left','change':'begin','at_us':9000000");
    stage(9.6, "pour", 9.5);
    scale_knows(10, "30.0", ",'load_g':430,'water_g':30,'flow_g_per_s':8");
    station_guide(&model, left(), at(10), &guide);
    assert_string_equal(guide.number.goal, "15.0 g to go of 45 ± 3 g");
    assert_string_equal(now_at(10), "Pour to 45 ± 3 g for the bloom.");
    scale_knows(12, "46.0", ",'load_g':446,'water_g':46,'flow_g_per_s':8");
    stage(14, "steep", 12.5);
    assert_int_equal(next_at(15), STAGE_POUR);
    assert_string_equal(now_at(15), "Let it bloom until 0:30, then pour to 230 g.");
    stage(41, "pour", 40);
    scale_knows(41.5, "60.0", ",'load_g':460,'water_g':60,'flow_g_per_s':8");
    station_guide(&model, left(), at(41.5), &guide);
    assert_string_equal(guide.number.goal, "170.0 g to go of 230 g");
    assert_int_equal(next_at(41.5), STAGE_STEEP);
    scale_knows(58, "230.0", ",'load_g':630,'water_g':230,'flow_g_per_s':0");
    stage(60, "steep", 59);
    assert_int_equal(next_at(60), STAGE_PRESS);
}

static void a_weighed_cup_is_to_be_taken_off_before_the_next(void **state)
{
    (void)state;
    pour_until(20);
    say("event/pier/measure", 60,
        "'brew':'pier-20261125-007','station':'left','measure':'press_peak_kpa','value':12,"
        "'standard_uncertainty':1,'by':'tracker','above':true");
    say("event/pier/brew", 90,
        "'brew':'pier-20261125-007','station':'left','change':'end','at_us':90000000,"
        "'measures':{'press_peak_kpa':{'value':12,'standard_uncertainty':1}}");
    state_at(90, "idle", "null", "540", "140");
    scale_knows(91, "140.0", ",'load_g':540,'cup_left':true");
    assert_string_equal(now_at(91), "The cup is weighed: take it off.");
    scale_knows(92, "-400", ",'load_g':0");
    assert_string_equal(now_at(92.5), "Put the cup and the brewer on the scale, and tare.");
}

static void a_lower_bound_and_a_drip_are_reported(void **state)
{
    char words[WORDS_SIZE];

    (void)state;
    say("state/pier", 5,
        "'instruments':[],'stations':[],'last':{'brew':'pier-20261125-006','measures':{"
        "'drip_g':{'value':3.21,'standard_uncertainty':0.1},'press_peak_kpa':{'value':12.3,'standard_uncertainty':1}},"
        "'above':['press_peak_kpa']}");
    assert_string_equal(guide_cup(-1, &model.last, model.last_above, &model.units, words, sizeof words),
                        "peak above 12 kPa");
    fresh(state);
    pour_until(20);
    stage(21, "steep", 20);
    say("event/pier/measure", 22,
        "'brew':'pier-20261125-007','station':'left','measure':'drip_g','value':2.14,"
        "'standard_uncertainty':0.1,'by':'tracker'");
    assert_string_equal(words_numbers(&model, left(), at(23), false, words), "water 230.0 g, drip 2.1 g");
}

static void the_bell_rings_once_for_each_moment(void **state)
{
    struct view_bell heard = { 0 };

    (void)state;
    pour_until(20);
    stage(21, "steep", 20);
    left()->next.setting[3].number = 0; /* no stir */
    left()->next.setting[3].word[0] = '\0';
    assert_int_equal(view_bell(&model, &heard, at(80)), 0);
    assert_int_equal(view_bell(&model, &heard, at(90.1)), 1U << GUIDE_PRESS_SOON);
    assert_int_equal(view_bell(&model, &heard, at(90.2)), 0);
    assert_int_equal(view_bell(&model, &heard, at(100.1)), 1U << GUIDE_PRESS);
    assert_int_equal(view_bell(&model, &heard, at(100.2)), 0);
    memset(&heard, 0, sizeof heard);
    assert_int_equal(view_bell(&model, &heard, at(101)), 0); /* come in late: it has rung */
    stage(101, "press", 101);
    assert_int_equal(view_bell(&model, &heard, at(102)), 0);
    stage(120, "weigh", 119);
    assert_int_equal(view_bell(&model, &heard, at(120)), 1U << GUIDE_PRESS_END);
}

/* A correction takes back what lies behind it and is repeated at once: in between a stir that was done looks missing.
 */
static void no_bell_rings_in_the_midst_of_a_correction(void **state)
{
    struct view_bell heard = { 0 };

    (void)state;
    pour_until(20);
    stage(21, "steep", 20);
    stage(25, "stir", 24.5);
    stage(30, "settle", 29.5);
    left()->next.setting[left()->next.settings++] =
        (struct guide_setting){ .name = "stir_at_s", .number = 20, .tolerance = NAN };
    assert_int_equal(view_bell(&model, &heard, at(31)), 0);
    stage(32, "steep", 19.8);
    assert_int_equal(left()->timeline.count, 3);
    assert_int_equal(view_bell(&model, &heard, at(32)), 0);
    stage(32, "stir", 24.5);
    stage(32, "settle", 29.5);
    assert_int_equal(left()->stage, STAGE_SETTLE);
    say("event/pier/stage", 33,
        "'brew':'pier-20261125-003','station':'left','stage':'press','at_us':1000000,"
        "'uncertainty_us':0,'by':'operator'");
    assert_int_equal(left()->stage, STAGE_SETTLE); /* of an earlier brew */
}

static void nonsense_in_a_state_is_not_known(void **state)
{
    (void)state;
    say("state/pier", 50,
        "'instruments':[{}, {'station':7,'quantity':[]}],'stations':[{'station':'left','stage':7,"
        "'load_g':'x','measures':[],'stages':{},'above':[7,'x'],'next':{'factors':7,'recipe':{'a':null}},"
        "'question':7},"
        "{'station':'No Name'},{}],'waiting':{},'last':7,'plan':[]");
    assert_int_equal(left()->stage, STAGE_IDLE);
    assert_true(isnan(left()->seen.load_g));
    assert_int_equal(model.waiting_count, 0);
    assert_true(isnan(left()->measures.value[MEASURE_DOSE_G]));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup(every_number_is_the_messages_own, fresh),
        cmocka_unit_test_setup(the_steep_runs_from_first_water_to_the_press, fresh),
        cmocka_unit_test_setup(time_goes_on_between_messages, fresh),
        cmocka_unit_test_setup(the_focus_follows_the_stage, fresh),
        cmocka_unit_test_setup(a_short_pour_is_asked_for_before_anything_else, fresh),
        cmocka_unit_test_setup(a_corrected_stage_is_counted_once, fresh),
        cmocka_unit_test_setup(what_differs_from_the_run_before_is_said, fresh),
        cmocka_unit_test_setup(earlier_cups_say_how_far_it_is, fresh),
        cmocka_unit_test_setup(what_comes_next_follows_the_plan, fresh),
        cmocka_unit_test_setup(a_planned_bloom_is_aimed_at_before_the_pour, fresh),
        cmocka_unit_test_setup(a_weighed_cup_is_to_be_taken_off_before_the_next, fresh),
        cmocka_unit_test_setup(a_lower_bound_and_a_drip_are_reported, fresh),
        cmocka_unit_test_setup(the_bell_rings_once_for_each_moment, fresh),
        cmocka_unit_test_setup(no_bell_rings_in_the_midst_of_a_correction, fresh),
        cmocka_unit_test_setup(nonsense_in_a_state_is_not_known, fresh),
    };

    return cmocka_run_group_tests_name("timer model", tests, NULL, NULL);
}
