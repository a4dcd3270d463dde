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

/* Flow and pressure are the bench's: where it says them with the reading, nothing else counts. */
static void what_the_bench_says_of_a_reading_counts(void **state)
{
    (void)state;
    pour_until(12);
    say("reading/pier/left-scale", 12.1,
        "'instrument':'left-scale','station':'left','quantity':'mass','value':61.0,'unit':'g','stable':false,"
        "'status':'ok','load_g':460.5,'water_g':44.4,'flow_g_per_s':7.5");
    assert_true(station_flow_g_per_s(left(), at(12.1)) == 7.5);
    stage(31, "press", 30.5);
    say("reading/pier/left-scale", 31.1,
        "'instrument':'left-scale','station':'left','quantity':'mass','value':6100,'unit':'g','stable':false,"
        "'status':'ok','load_g':6500,'press_kpa':19.5");
    assert_true(station_press_kpa(left(), at(31.1)) == 19.5);
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

static void water_counts_from_the_truth_of_the_stage(void **state)
{
    (void)state;
    pour_until(20);
    assert_true(fabs(station_water_g(left()) - 230) < 0.5);
    assert_true(fabs(station_flow_g_per_s(left(), at(20)) - 23) < 0.1);
    assert_true(left()->first_water_us == at(10));
    assert_true(fabs(station_steep_s(left(), at(25)) - 15) < 1e-9);
    assert_true(isnan(station_press_kpa(left(), at(20))));
}

static void a_tare_in_mid_pour_takes_no_water_away(void **state)
{
    (void)state;
    pour_until(20);
    scale(20.1, "0.0");
    scale(20.2, "1.0");
    assert_true(fabs(station_water_g(left()) - 231) < 0.5);
}

static void a_measured_water_wins(void **state)
{
    (void)state;
    pour_until(20);
    stage(21, "steep", 20);
    say("event/pier/measure", 21,
        "'brew':'pier-20261125-007','station':'left','measure':'water_g','value':99.7,"
        "'standard_uncertainty':0.1,'by':'tracker'");
    scale(22, "500.0"); /* a hand on the brewer is no water */
    assert_true(station_water_g(left()) == 99.7);
}

/* Begun and marked by hand: the tracker has measured no water and may not even know the load, but the scale speaks. */
static void a_pour_marked_by_hand_counts_what_the_scale_tells(void **state)
{
    static const char *const loads[] = { "null", "30.5" };

    for (int i = 0; i < 2; i++) {
        fresh(state);
        state_at(5, "idle", "null", "null", "null");
        scale(6, "0.0");
        scale(6.1, "0.0");
        say("event/pier/brew", 6.2, "'brew':'pier-20261125-007','station':'left','change':'begin','at_us':6200000");
        stage(6.3, "pour", 6.3);
        assert_true(fabs(station_water_g(left())) < 0.05);
        scale(6.5, "30.5");
        say("state/pier", 6.6,
            "'instruments':[{'instrument':'left-scale','quantity':'mass','station':'left',"
            "'condition':'ready','value':30.5,'stable':true,'mono_us':6500000}],"
            "'stations':[{'station':'left','stage':'pour','stage_at_us':6300000,'brew':'pier-20261125-007',"
            "'first_water_us':6300000,'load_g':%s,'water_g':null,'measures':{},'stages':[{'stage':'pour',"
            "'at_us':6300000}]}]",
            loads[i]);
        assert_true(fabs(station_water_g(left()) - 30.5) < 0.05);
        scale(6.7, "48.0");
        assert_true(fabs(station_water_g(left()) - 48) < 0.05);
    }
}

/* Started in between: only a state has reported of the scale, or nothing has. */
static void a_pour_marked_on_a_silent_scale_counts_from_its_last_or_first_word(void **state)
{
    (void)state;
    state_at(5, "idle", "null", "null", "400.0");
    say("event/pier/brew", 6.2, "'brew':'pier-20261125-007','station':'left','change':'begin','at_us':6200000");
    stage(6.3, "pour", 6.3);
    scale(6.5, "412.0");
    assert_true(fabs(station_water_g(left()) - 12) < 0.05);

    fresh(state);
    state_at(5, "idle", "null", "null", "null");
    say("event/pier/brew", 6.2, "'brew':'pier-20261125-007','station':'left','change':'begin','at_us':6200000");
    stage(6.3, "pour", 6.3);
    scale(6.5, "412.0");
    scale(6.7, "430.5");
    assert_true(fabs(station_water_g(left()) - 18.5) < 0.05);
}

static void pressure_counts_from_just_before_the_press(void **state)
{
    double kpa;

    (void)state;
    pour_until(20);
    stage(21, "steep", 20);
    for (int tenth = 300; tenth <= 310; tenth++)
        scale(tenth / 10.0, "245.0");
    for (int tenth = 311; tenth <= 320; tenth++)
        scale(tenth / 10.0, "1245.0");
    stage(32, "press", 31.05);
    kpa = station_press_kpa(left(), at(32));
    assert_true(fabs(kpa - 3.468393) < 1e-6);                          /* 1 kg on 60 mm: 3.468393 kPa, m g0 / A */
    assert_true(fabs(station_steep_s(left(), at(40)) - 21.05) < 1e-9); /* the steep has ended */
}

static void a_state_in_mid_press_is_enough_for_the_pressure(void **state)
{
    (void)state;
    say("state/pier", 50,
        "'instruments':[{'instrument':'left-scale','quantity':'mass','station':'left',"
        "'condition':'ready','value':2400,'status':'ok','mono_us':50000000}],"
        "'stations':[{'station':'left','stage':'press',"
        "'stage_at_us':45000000,'brew':'pier-20261125-007','piston_diameter_mm':60,'press_kpa':6.936786}]");
    scale(50.5, "3400.0");
    assert_true(fabs(station_press_kpa(left(), at(50.5)) - 3 * 3.468393) < 1e-5);
}

static void the_focus_follows_the_stage(void **state)
{
    struct guide guide;

    (void)state;
    state_at(5, "idle", "null", "400", "0");
    scale(6, "12.34");
    station_guide(&model, left(), at(6), &guide);
    assert_string_equal(guide.number.digits, "12.34"); /* the digits that the scale showed */
    assert_string_equal(guide.number.goal, "2.7 g to go of 15.0 ± 0.1 g");
    scale(6.1, "15.1");
    station_guide(&model, left(), at(6.1), &guide);
    assert_string_equal(guide.number.goal, "right: 15.0 ± 0.1 g");
    scale(6.2, "15.3");
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

/* Readings ten times a second: `from` to `to` grams within a second, then a second of rest. */
static double weigh(double at_s, double from, double to)
{
    char value[20];

    for (int i = 1; i <= 20; i++) {
        snprintf(value, sizeof value, "%.1f", i < 10 ? from + (to - from) * i / 10 : to);
        scale(at_s + i / 10.0, value);
    }
    return at_s + 2;
}

static void what_is_added_is_reported_from_what_is_set_down(void **state)
{
    enum rest_since since;
    struct guide guide;
    double now_s;

    (void)state;
    state_at(5, "idle", "null", "0", "0");
    now_s = weigh(6, 0, 12); /* on an empty scale nobody waits for coffee */
    assert_true(isnan(station_added_g(left(), &since)));
    now_s = weigh(weigh(now_s, 12, 0), 0, 341.2); /* the cup ... */
    now_s = weigh(now_s, 341.2, 523.6);           /* ... and the brewer */
    assert_true(fabs(station_added_g(left(), &since)) < 0.05);
    assert_string_equal(now_at(now_s), "Tare, then weigh 15.0 ± 0.1 g of coffee.");
    now_s = weigh(now_s, 523.6, 533.8);
    now_s = weigh(now_s, 533.8, 538.2); /* a pause between two spoons is no new beginning */
    assert_true(fabs(station_added_g(left(), &since) - 14.6) < 0.05);
    assert_int_equal(since, SINCE_SET_DOWN);
    station_guide(&model, left(), at(now_s), &guide);
    assert_string_equal(guide.number.digits, "14.6");
    assert_string_equal(guide.number.unit, "g of coffee in");
    assert_string_equal(guide.number.goal, "0.4 g to go of 15.0 ± 0.1 g");
    assert_string_equal(now_at(now_s), "Weigh 15.0 ± 0.1 g of coffee.");
    now_s = weigh(now_s, 538.2, 355.8); /* the brewer is taken off: what is left asks for nothing yet */
    station_guide(&model, left(), at(now_s), &guide);
    assert_string_equal(guide.number.digits, "-");
}

static void a_tare_is_where_adding_begins(void **state)
{
    enum rest_since since;
    struct guide guide;
    double now_s;

    (void)state;
    state_at(5, "idle", "null", "0", "0");
    now_s = weigh(6, 0, 523.6);
    scale(now_s + 0.1, "0.0"); /* from rest to zero at once */
    now_s = weigh(now_s + 0.1, 0, 0);
    assert_string_equal(now_at(now_s), "Weigh 15.0 ± 0.1 g of coffee.");
    station_guide(&model, left(), at(now_s), &guide);
    assert_string_equal(guide.number.goal, "15.0 g to go of 15.0 ± 0.1 g");
    now_s = weigh(now_s, 0, 15.2);
    assert_true(fabs(station_added_g(left(), &since) - 15.2) < 0.05);
    station_guide(&model, left(), at(now_s), &guide);
    assert_string_equal(guide.number.unit, "g of coffee in");
    assert_int_equal(guide.number.side, GUIDE_ABOVE);
    now_s = weigh(now_s, 15.2, 15.0); /* a pinch back */
    station_guide(&model, left(), at(now_s), &guide);
    assert_string_equal(guide.number.goal, "right: 15.0 ± 0.1 g");
    scale(now_s + 0.1, "0.0"); /* tared away: weighed it stays */
    now_s = weigh(now_s + 0.1, 0, 0);
    assert_string_equal(now_at(now_s), "Pour 230 ± 2 g of water.");
    now_s = weigh(now_s, 0, -523.6); /* all lifted off */
    assert_true(isnan(station_added_g(left(), &since)));
    assert_string_equal(now_at(now_s), "Put the cup and the brewer on the scale, and tare.");
}

/* Two lines a second, and one of them lost: in a whole second all may have been lifted off. */
static void a_lift_behind_a_lost_line_is_no_tare(void **state)
{
    enum rest_since since;

    (void)state;
    state_at(5, "idle", "null", "0", "0");
    scale(6, "0.0");
    for (int i = 0; i < 4; i++)
        scale(7 + i / 2.0, i ? "523.6" : "210.0");
    for (int i = 0; i < 4; i++)
        scale(9 + i / 2.0, "538.6");
    assert_true(fabs(station_added_g(left(), &since) - 15) < 0.05);
    scale(11.5, "0.0"); /* 538.6 was shown one second ago */
    scale(12, "0.0");
    assert_true(isnan(station_added_g(left(), &since)));
    assert_string_equal(now_at(12), "Put the cup and the brewer on the scale, and tare.");
}

/* A slow scale, two lines a second, and one that says itself that it moves. */
static void rest_is_reported_at_any_rate(void **state)
{
    enum rest_since since;

    (void)state;
    state_at(5, "idle", "null", "0", "0");
    scale(6, "0.0");
    scale(6.5, "0.0");
    for (int i = 0; i < 4; i++)
        scale(7 + i / 2.0, i ? "340.0" : "120.0");
    scale(9, "354.5");
    assert_true(fabs(station_added_g(left(), &since) - 14.5) < 0.05);
    view_found(&model, FAR + at(10));
    assert_true(isnan(station_added_g(left(), &since)));
    for (int i = 0; i < 4; i++)
        say("reading/pier/left-scale", 11 + i / 2.0,
            "'instrument':'left-scale','station':'left','quantity':'mass',"
            "'value':340.0,'unit':'g','stable':false,'status':'ok'");
    assert_false(left()->rest.known);
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
    left()->curve.fit = (struct kinetics_fit){ .value = { [KINETICS_PLATEAU] = 22, [KINETICS_RATE] = 0.02 } };
    assert_string_equal(words_share(&model, left(), at(70), WORDS_WHOLE, words),
                        "about 70 % of the final extraction, 83 % at 1:30 (by 12 earlier cups)");
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
    assert_int_equal(left()->stage_count, 4);
    assert_int_equal(left()->stages[3].stage, STAGE_STIR);
    assert_true(left()->stages[3].at_us == at(38));
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
    scale(10, "30.0");
    station_guide(&model, left(), at(10), &guide);
    assert_string_equal(guide.number.goal, "15.0 g to go of 45 ± 3 g");
    assert_string_equal(now_at(10), "Pour to 45 ± 3 g for the bloom.");
    scale(12, "46.0");
    stage(14, "steep", 12.5);
    assert_int_equal(next_at(15), STAGE_POUR);
    assert_string_equal(now_at(15), "Let it bloom until 0:30, then pour to 230 g.");
    stage(41, "pour", 40);
    scale(41.5, "60.0");
    station_guide(&model, left(), at(41.5), &guide);
    assert_string_equal(guide.number.goal, "170.0 g to go of 230 g");
    assert_int_equal(next_at(41.5), STAGE_STEEP);
    scale(58, "230.0");
    stage(60, "steep", 59);
    assert_int_equal(next_at(60), STAGE_PRESS);
}

/* All poured at once although a bloom was planned: past half as much again it is the pour. */
static void more_than_a_bloom_is_the_pour(void **state)
{
    struct guide guide;

    (void)state;
    pour_until(11);
    left()->next.setting[left()->next.settings++] =
        (struct guide_setting){ .name = "bloom_g", .number = 30, .tolerance = NAN };
    station_guide(&model, left(), at(11), &guide);
    assert_string_equal(guide.number.goal, "7.0 g to go of 30 g");
    scale(11.1, "65.0");
    station_guide(&model, left(), at(11.1), &guide);
    assert_string_equal(guide.number.goal, "180.0 g to go of 230 ± 2 g");
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
    scale(91, "140.0");
    assert_string_equal(now_at(91), "The cup is weighed: take it off.");
    weigh(92, 140, -400);
    assert_string_equal(now_at(94), "Put the cup and the brewer on the scale, and tare.");
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

static void corrections_of_earlier_stages_leave_the_screen_alone(void **state)
{
    (void)state;
    pour_until(20);
    stage(21, "steep", 20);
    stage(25, "dose", 8.5);
    assert_int_equal(left()->stage, STAGE_STEEP);
    say("event/pier/stage", 26,
        "'brew':'pier-20261125-003','station':'left','stage':'press','at_us':1000000,"
        "'uncertainty_us':0,'by':'operator'");
    assert_int_equal(left()->stage, STAGE_STEEP);
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
    assert_true(isnan(left()->load_base_g));
    assert_int_equal(model.waiting_count, 0);
    assert_true(isnan(left()->measures.value[MEASURE_DOSE_G]));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup(what_the_bench_says_of_a_reading_counts, fresh),
        cmocka_unit_test_setup(time_goes_on_between_messages, fresh),
        cmocka_unit_test_setup(water_counts_from_the_truth_of_the_stage, fresh),
        cmocka_unit_test_setup(a_tare_in_mid_pour_takes_no_water_away, fresh),
        cmocka_unit_test_setup(a_measured_water_wins, fresh),
        cmocka_unit_test_setup(a_pour_marked_by_hand_counts_what_the_scale_tells, fresh),
        cmocka_unit_test_setup(a_pour_marked_on_a_silent_scale_counts_from_its_last_or_first_word, fresh),
        cmocka_unit_test_setup(pressure_counts_from_just_before_the_press, fresh),
        cmocka_unit_test_setup(a_state_in_mid_press_is_enough_for_the_pressure, fresh),
        cmocka_unit_test_setup(the_focus_follows_the_stage, fresh),
        cmocka_unit_test_setup(a_short_pour_is_asked_for_before_anything_else, fresh),
        cmocka_unit_test_setup(a_corrected_stage_is_counted_once, fresh),
        cmocka_unit_test_setup(what_is_added_is_reported_from_what_is_set_down, fresh),
        cmocka_unit_test_setup(a_tare_is_where_adding_begins, fresh),
        cmocka_unit_test_setup(a_lift_behind_a_lost_line_is_no_tare, fresh),
        cmocka_unit_test_setup(rest_is_reported_at_any_rate, fresh),
        cmocka_unit_test_setup(what_differs_from_the_run_before_is_said, fresh),
        cmocka_unit_test_setup(earlier_cups_say_how_far_it_is, fresh),
        cmocka_unit_test_setup(what_comes_next_follows_the_plan, fresh),
        cmocka_unit_test_setup(a_planned_bloom_is_aimed_at_before_the_pour, fresh),
        cmocka_unit_test_setup(more_than_a_bloom_is_the_pour, fresh),
        cmocka_unit_test_setup(a_weighed_cup_is_to_be_taken_off_before_the_next, fresh),
        cmocka_unit_test_setup(a_lower_bound_and_a_drip_are_reported, fresh),
        cmocka_unit_test_setup(the_bell_rings_once_for_each_moment, fresh),
        cmocka_unit_test_setup(corrections_of_earlier_stages_leave_the_screen_alone, fresh),
        cmocka_unit_test_setup(nonsense_in_a_state_is_not_known, fresh),
    };

    return cmocka_run_group_tests_name("timer model", tests, NULL, NULL);
}
