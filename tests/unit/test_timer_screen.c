/* The timer's screen and its plain lines, drawn without a terminal. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "plain.h"
#include "timer_bench.h"

static void the_screen_says_what_matters(void **state)
{
    (void)state;
    canvas.unicode = true;
    draw(80, 24, PAGE_BENCH, 1);
    expect_on_screen("no bench yet at ipc:///nowhere");
    expect_on_screen("Start poised");
    draw(40, 15, PAGE_BENCH, 1);
    expect_on_screen("--control.");
    pour_until(20);
    stage(21, "steep", 20);
    draw(80, 24, PAGE_BENCH, 22);
    expect_on_screen("Swirl: hold brewer and cup together.");
    draw(80, 24, PAGE_BENCH, 70.2);
    expect_on_screen("3 of 15 done: How long to steep");
    expect_on_screen("next: press at 1:30");
    expect_on_screen("press at 1:30");
    expect_on_screen("Wait until 1:30.");
    expect_on_screen("No stir was seen");
    expect_on_screen("to the press");
    expect_on_screen("waiting for strength: 005 (1 of 3) cooled 1 min, 006");
    expect_on_screen("last cup 006: Plan kept: dose 15.0 g, steep time 2:01");
    expect_on_screen("ferry-steep 4 of 15: steep 90 s");
    expect_on_screen("dose 15.0 ± 0.1 g, water 230 ± 2 g, stir swirl, water 91 °C");
    expect_on_screen("left-scale 245.0 g, 0:50 old");
    view_gone(&model, FAR + at(80));
    draw(80, 24, PAGE_BENCH, 85);
    expect_on_screen("The bench is gone for 0:05");
    draw(40, 15, PAGE_BENCH, 85);
    expect_on_screen("Bench gone for 0:05, looking for it");
    canvas_free(&canvas);
}

static void cautions_are_shown_where_they_matter(void **state)
{
    (void)state;
    canvas.unicode = true;
    state_at(5, "idle", "null", "400", "0");
    scale_knows(6, "15.0", ",'load_g':415,'added_g':15,'tared':true");
    draw(80, 24, PAGE_BENCH, 6);
    expect_on_screen("scalds");
    expect_on_screen("mains kettle");
    expect_on_screen("Water: 91 °C");
    fresh(NULL);
    pour_until(20);
    stage(21, "steep", 20);
    draw(80, 24, PAGE_BENCH, 40);
    assert_int_equal(look_of("sturdy"), LOOK_COUNT); /* no wallpaper */
    stage(32, "press", 31.05);
    draw(80, 24, PAGE_BENCH, 33);
    expect_on_screen("sturdy, level cup");
    draw(80, 24, PAGE_HELP, 33);
    expect_on_screen("never on");
    expect_on_screen("make a press safe");
    expect_on_screen("licensed practice");
    canvas_free(&canvas);
}

/* Every question shows its key, also the one that no number answers. */
static void a_reading_of_two_cups_is_asked_for_with_its_key(void **state)
{
    static const int sizes[][2] = { { 80, 24 }, { 60, 15 } };

    (void)state;
    canvas.unicode = true;
    say("state/pier", 5,
        "'instruments':[],'stations':[{'station':'left','stage':'idle'}],'unsure':[{'seq':12,'strength_pct':1.43,"
        "'likely':'pier-20261125-005','chance':0.6,'other':'pier-20261125-006','other_chance':0.4}]");
    for (size_t i = 0; i < 2; i++) {
        draw(sizes[i][0], sizes[i][1], PAGE_BENCH, 6);
        expect_on_screen("Key w: 1.43 % is of 005 (60 %) or of 006 (40 %)?");
    }
    draw(40, 15, PAGE_WHOSE, 6);
    expect_on_screen("Whose strength is 1.43 %?");
    expect_on_screen("2  pier-20261125-006 (40 %)");
    say("state/pier", 7, "'instruments':[],'stations':[{'station':'left','stage':'idle'}],'unsure':[]");
    draw(80, 24, PAGE_WHOSE, 8); /* another hand was faster: the bench again */
    expect_on_screen("space: next");
    canvas_free(&canvas);
}

/* Where keys and cautions do not fit, one comes after the other, each of them whole. */
static void help_is_whole_on_the_smallest_screen(void **state)
{
    struct timer_page cautions = { .page = PAGE_HELP, .part = 1 }, others = { .page = PAGE_HELP, .part = 2 };

    (void)state;
    canvas.unicode = true;
    assert_int_equal(draw_help_parts(80, 24), 1);
    assert_int_equal(draw_help_parts(40, 15), 3);
    draw(40, 15, PAGE_HELP, 1);
    expect_on_screen("tare the scale");
    expect_on_screen("q  quit");
    expect_on_screen("Any key: cautions.");
    draw_screen(&canvas, &model, &cautions, at(1));
    expect_on_screen("Water near boiling");
    expect_on_screen("beyond its capacity.");
    draw_screen(&canvas, &model, &others, at(1));
    expect_on_screen("Let a sample cool");
    expect_on_screen("come first.");
    expect_on_screen("Any key goes back.");
    canvas_free(&canvas);
}

/* A narrow pane beside another: the weight and its age are there even while the caution takes room. */
static void the_scale_stays_on_a_crowded_screen(void **state)
{
    (void)state;
    canvas.unicode = true;
    pour_until(20);
    stage(21, "steep", 20);
    scale(30, "245.0");
    stage(32, "press", 31.05);
    scale(32, "1245.0");
    model.station[model.stations++] = model.station[0];
    draw(80, 24, PAGE_BENCH, 32.1);
    expect_on_screen("left-scale 1245.0 g");
    expect_on_screen("Press");
    draw(40, 15, PAGE_BENCH, 32.1);
    expect_on_screen("left-scale 1245.0 g");
    canvas_free(&canvas);
}

/* Forty columns of fifteen rows: what to do is read whole, and what waits and warns is not forgotten. */
static void a_small_screen_cuts_no_question(void **state)
{
    (void)state;
    canvas.unicode = true;
    pour_until(20);
    stage(21, "steep", 20);
    draw(40, 15, PAGE_BENCH, 22);
    expect_on_screen("3 of 15 done: How long to steep");
    expect_on_screen("next: stir");
    expect_on_screen("waiting for strength: 2 cups");
    draw(36, 15, PAGE_BENCH, 22);
    expect_on_screen("3 of 15 done: ferry-steep");
    expect_on_screen("waiting for strength: 2 cups");
    say("event/pier/warning", 23,
        "'brew':null,'station':'left','warning':'overload',"
        "'detail':'The scale is loaded beyond its range: pressures are lower bounds, and the scale may suffer.'");
    draw(40, 15, PAGE_BENCH, 24);
    expect_on_screen("the scale may suffer.");
    expect_on_screen("to the press");
    expect_on_screen("██████ ▀████▀"); /* digits that are read from across the counter */
    strcpy(left()->question, "empty-cup-mass");
    strcpy(left()->question_detail, "The empty cup was never seen: how much coffee is in it, in g (200 is a guess)?");
    left()->question_measure = MEASURE_BEVERAGE_G;
    draw(40, 15, PAGE_BENCH, 24);
    expect_on_screen("Key a: The empty cup was never seen:");
    expect_on_screen("a guess)?");
    strcpy(left()->next.setting[3].word, "none"); /* no word about a stir that was not seen */
    model.station[model.stations++] = model.station[0];
    draw(40, 15, PAGE_BENCH, 60);
    expect_on_screen("tab");
    expect_on_screen("left-scale 245.0 g");
    draw(80, 24, PAGE_BENCH, 60);
    expect_on_screen("tab next");
    expect_on_screen("a guess)?");
    canvas_free(&canvas);
}

/* The stage stands in large letters on the smallest screen too, wherever nothing must be answered or saved. */
static void the_stage_is_large_on_a_small_screen(void **state)
{
    (void)state;
    canvas.unicode = true;
    pour_until(20);
    draw(40, 15, PAGE_BENCH, 20);
    expect_on_screen("▛▖▞▚▐ ▌▛▚   left 007");
    expect_on_screen("▘ ▝▘ ▀ ▘▝   next: steep");
    expect_on_screen("██████ █████▀ ▀████▀ ██ ▀████▀");
    expect_on_screen("g of water in");
    expect_on_screen("Stop pouring: the water is in.");
    expect_on_screen("Water: 91 °C");
    stage(21, "steep", 20);
    strcpy(left()->next.setting[3].word, "none");
    draw(40, 15, PAGE_BENCH, 60);
    expect_on_screen("▞▘▜▘▛▘▛▘▛▖   left 007");
    expect_on_screen("next: press at 1:30");
    expect_on_screen("Wait until 1:30.");
    expect_on_screen("waiting for strength: 2 cups");
    strcpy(left()->question, "dose"); /* which comes before size */
    strcpy(left()->question_detail, "The coffee was not weighed here: how many grams were it?");
    left()->question_measure = MEASURE_DOSE_G;
    left()->question_guess = left()->question_guess_u = NAN;
    draw(40, 15, PAGE_BENCH, 60);
    expect_on_screen(" steep  left  brew 007");
    expect_on_screen("how many grams");
    left()->question_measure = MEASURE_BEVERAGE_G;
    left()->question_guess = 198.4;
    left()->question_guess_u = 6.2;
    draw(40, 15, PAGE_BENCH, 60);
    expect_on_screen("  Key y:");
    expect_on_screen("198 ± 6 g is right.");
    canvas_free(&canvas);
}

/* What differs from the run before is reported by its look, also where the run takes two rows. */
static void what_differs_stands_out_in_a_narrow_pane(void **state)
{
    (void)state;
    canvas.unicode = true;
    state_at(5, "idle", "null", "0", "0");
    left()->next.settings = 0;
    left()->next.setting[left()->next.settings++] =
        (struct guide_setting){ .name = "steep_s", .number = 120, .tolerance = NAN, .varied = true };
    left()->next.setting[left()->next.settings++] =
        (struct guide_setting){ .name = "stir", .word = "swirl", .number = NAN, .tolerance = NAN, .varied = true };
    left()->brewed = left()->next;
    left()->brewed.setting[0].number = 60;
    for (int width = 37; width <= 60; width += 23) {
        draw(width, 24, PAGE_BENCH, 6);
        expect_on_screen(width < 40 ? "run 4 of 15:" : "ferry-steep 4 of 15:");
        assert_int_equal(look_of(width < 40 ? "steep 120 s" : "steep 120 s (before: 60 s)"), LOOK_HERE);
        assert_int_equal(look_of("stir swirl"), LOOK_PLAIN);
    }
    canvas_free(&canvas);
}

/* Any size, any page, with and without Unicode, any number of stations: the sanitizer watches. */
static void every_size_can_be_drawn(void **state)
{
    (void)state;
    pour_until(20);
    for (int stations = 1; stations <= VIEW_STATIONS; stations += 5) {
        for (; model.stations < stations; model.stations++)
            model.station[model.stations] = model.station[0];
        for (int width = 1; width < 130; width += width < 12 ? 1 : 13)
            for (int height = 1; height < 50; height += height < 24 ? 1 : 7)
                for (int page = PAGE_BENCH; page <= PAGE_ANSWER; page++) {
                    canvas.unicode = (width + height) % 2;
                    draw(width, height, (enum page)page, 21);
                    for (int i = 0; !canvas.unicode && i < width * height; i++)
                        assert_true(canvas.cells[i].glyph < 0x80);
                }
    }
    canvas_free(&canvas);
}

static void digits_stay_apart(void **state)
{
    static const char all[] = "0123456789:.->";
    char rows[sizeof all][DIGIT_ROWS][64];

    (void)state;
    canvas.unicode = true;
    for (size_t i = 0; all[i]; i++) {
        char text[2] = { all[i], 0 };

        assert_int_equal(canvas_size(&canvas, 20, DIGIT_ROWS), 0);
        canvas_digits(&canvas, 0, 0, 1, 1, LOOK_PLAIN, text);
        for (int y = 0; y < DIGIT_ROWS; y++)
            canvas_row(&canvas, y, rows[i][y], sizeof rows[i][y]);
        for (size_t other = 0; other < i; other++)
            assert_true(memcmp(rows[i], rows[other], sizeof rows[i]) != 0);
    }
    canvas_free(&canvas);
}

static void text_is_cut_and_wrapped_by_columns(void **state)
{
    char row[200];

    (void)state;
    canvas.unicode = true;
    assert_int_equal(canvas_size(&canvas, 10, 3), 0);
    assert_int_equal(canvas_wrap(&canvas, 0, 0, 10, 3, LOOK_PLAIN, "hot water scalds at once"), 3);
    canvas_row(&canvas, 0, row, sizeof row);
    assert_string_equal(row, "hot water");
    canvas_row(&canvas, 2, row, sizeof row);
    assert_string_equal(row, "once");
    canvas_clear(&canvas);
    canvas_put(&canvas, 8, 0, 10, LOOK_PLAIN, "\xe5\x92\x96\xe5\x95\xa1"); /* two wide characters, room for one */
    canvas_put(&canvas, 0, 1, 10, LOOK_PLAIN,
               "a\xff\x80"
               "b\tc");
    canvas_row(&canvas, 0, row, sizeof row);
    assert_string_equal(row, "        \xe5\x92\x96");
    canvas_row(&canvas, 1, row, sizeof row);
    assert_int_equal(row[0], 'a');
    assert_non_null(strchr(row, 'b'));
    assert_null(strchr(row, '\t'));
    canvas_free(&canvas);
}

static void plain_lines_say_the_same(void **state)
{
    char line[PLAIN_SIZE];

    (void)state;
    pour_until(20);
    stage(21, "steep", 20);
    plain_now(&model, 0, FAR + at(70.2), line);
    assert_string_equal(line, "09:31:10 left 007 steep 0:50, 0:30 to the press, press at 1:30, water 230.0 g, "
                              "steep time 1:00; left-scale 245.0 g, 0:50 old; Wait until 1:30.");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup(the_screen_says_what_matters, fresh),
        cmocka_unit_test_setup(cautions_are_shown_where_they_matter, fresh),
        cmocka_unit_test_setup(a_reading_of_two_cups_is_asked_for_with_its_key, fresh),
        cmocka_unit_test_setup(help_is_whole_on_the_smallest_screen, fresh),
        cmocka_unit_test_setup(the_scale_stays_on_a_crowded_screen, fresh),
        cmocka_unit_test_setup(a_small_screen_cuts_no_question, fresh),
        cmocka_unit_test_setup(the_stage_is_large_on_a_small_screen, fresh),
        cmocka_unit_test_setup(what_differs_stands_out_in_a_narrow_pane, fresh),
        cmocka_unit_test_setup(every_size_can_be_drawn, fresh),
        cmocka_unit_test_setup(digits_stay_apart, fresh),
        cmocka_unit_test_setup(text_is_cut_and_wrapped_by_columns, fresh),
        cmocka_unit_test_setup(plain_lines_say_the_same, fresh),
    };

    return cmocka_run_group_tests_name("timer screen", tests, NULL, NULL);
}
