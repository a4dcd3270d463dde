/* The kitchen itself: it conserves mass, its truths agree with its loads, it repeats itself, each family contains what
 * its name promises; and its judge finds what is planted and nothing else. */
#include "kitchen_judge.h"
#include "kitchen_parts.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { SEEDS = 20 };

static struct kitchen_session *opened(int family, unsigned long seed)
{
    struct kitchen_session *session = kitchen_open(family, seed, 0.3);

    assert_non_null(session);
    return session;
}

static int family_of(const char *name)
{
    int family = kitchen_family_find(name);

    if (family < 0)
        fail_msg("no family %s", name);
    return family;
}

static void assert_near(double value, double expected, double within)
{
    if (!(fabs(value - expected) <= within))
        fail_msg("%.6f is not within %g of %.6f", value, within, expected);
}

static double marked(const struct kitchen_truth *truth, enum kitchen_stage stage, bool last)
{
    double at_s = NAN;

    for (int i = 0; i < truth->mark_count; i++)
        if (truth->mark[i].stage == stage && (last || isnan(at_s)))
            at_s = truth->mark[i].at_s;
    return at_s;
}

/* ---- what was shown ---- */

struct shown {
    struct kitchen_reading *list;
    int count, room;
};

static void keep(void *context, const struct kitchen_reading *reading)
{
    struct shown *shown = context;

    if (shown->count == shown->room) {
        shown->room = shown->room ? 2 * shown->room : 1024;
        shown->list = realloc(shown->list, (size_t)shown->room * sizeof *shown->list);
        assert_non_null(shown->list);
    }
    shown->list[shown->count++] = *reading;
}

static struct shown play(const struct kitchen_session *session)
{
    struct shown shown = { NULL, 0, 0 };

    assert_int_equal(kitchen_play(session, keep, &shown), 0);
    return shown;
}

static double grams(const struct kitchen_reading *reading)
{
    return (double)reading->mantissa * pow(10, reading->exponent);
}

static const struct kitchen_reading *last_before(const struct shown *shown, double at_s)
{
    const struct kitchen_reading *last = NULL;

    for (int i = 0; i < shown->count && shown->list[i].at_s < at_s; i++)
        if (shown->list[i].scale == 0)
            last = &shown->list[i];
    assert_non_null(last);
    return last;
}

static void test_the_same_seed_shows_the_same(void **state)
{
    (void)state;
    for (int family = 0; family < kitchen_family_count(); family += 7) {
        struct kitchen_session *one = opened(family, 4), *again = opened(family, 4), *other = opened(family, 6);
        struct shown shown[3] = { play(one), play(again), play(other) };
        int least = shown[0].count < shown[2].count ? shown[0].count : shown[2].count, differ = 0;

        assert_int_equal(shown[0].count, shown[1].count);
        for (int i = 0; i < shown[0].count; i++) {
            assert_true(shown[0].list[i].at_s == shown[1].list[i].at_s);
            assert_int_equal(shown[0].list[i].mantissa, shown[1].list[i].mantissa);
            assert_int_equal(shown[0].list[i].overload, shown[1].list[i].overload);
        }
        for (int i = 0; i < least; i++)
            differ += shown[0].list[i].mantissa != shown[2].list[i].mantissa;
        assert_true(differ > 0);
        for (int i = 0; i < 3; i++)
            free(shown[i].list);
        kitchen_close(one);
        kitchen_close(again);
        kitchen_close(other);
    }
}

static void test_readings_arrive_in_order_in_their_division(void **state)
{
    (void)state;
    for (int family = 0; family < kitchen_family_count(); family++) {
        struct kitchen_session *session = opened(family, 2);
        struct shown shown = play(session);

        assert_true(shown.count > 100);
        for (int i = 0; i < shown.count; i++) {
            const struct kitchen_reading *reading = &shown.list[i];

            assert_true(i == 0 || reading->at_s >= shown.list[i - 1].at_s);
            assert_true(reading->scale < session->scale_count);
            if (!reading->overload) {
                assert_int_equal(reading->exponent, session->scale[reading->scale].exponent);
                assert_int_equal(reading->mantissa % session->scale[reading->scale].division, 0);
            }
        }
        free(shown.list);
        kitchen_close(session);
    }
}

/* ---- truths ---- */

static void test_mass_is_conserved(void **state)
{
    (void)state;
    for (int family = 0; family < kitchen_family_count(); family++)
        for (unsigned long seed = 0; seed < SEEDS; seed++) {
            struct kitchen_session *session = opened(family, seed);

            if (kitchen_family(family)->kind != KITCHEN_NO_BREW) /* there a zero may drift for good */
                for (int scale = 0; scale < session->scale_count; scale++)
                    assert_near(kitchen_standing_g(session, scale, session->end_s + 100), standing_on(session, scale),
                                1e-6);
            for (int i = 0; i < session->brew_count; i++) {
                const struct kitchen_truth *truth = &session->brew[i];
                double dose_s = marked(truth, KITCHEN_DOSE, false), last_drop_s = marked(truth, KITCHEN_STEEP, true);
                double dry_g = kitchen_standing_g(session, 0, truth->first_water_s - 0.01);

                if (truth->dose_seen)
                    assert_near(dry_g - kitchen_standing_g(session, 0, dose_s - 0.01), truth->dose_g, 1e-6);
                assert_near(kitchen_standing_g(session, 0, last_drop_s + 0.3) - dry_g, truth->water_g, 1e-6);
                assert_near((truth->water_g - truth->beverage_g) / truth->dose_g, truth->retained_g_per_g, 1e-6);
                assert_true(truth->beverage_g > 0 && truth->beverage_g < truth->water_g);
                assert_in_range(truth->retained_g_per_g * 10, 15, 36);
            }
            kitchen_close(session);
        }
}

static void test_what_the_cup_gained_is_the_beverage(void **state)
{
    int cups = 0;

    (void)state;
    for (unsigned long seed = 0; seed < 4 * SEEDS; seed++) {
        struct kitchen_session *session = opened(family_of("ordinary"), seed);
        const struct kitchen_truth *truth = &session->brew[0];
        char line[KITCHEN_LINE];

        assert_true(kitchen_line(session, 1, line));
        if (strstr(line, "put cup (") && truth->cup_weighed) {
            double empty_g = atof(strstr(line, "(") + 1);
            double full_g = kitchen_standing_g(session, 0, marked(truth, KITCHEN_STRENGTH, false) + 0.01);

            assert_near(full_g - empty_g, truth->beverage_g, 0.006); /* the line shows two digits */
            cups++;
        }
        kitchen_close(session);
    }
    assert_true(cups > SEEDS);
}

static void test_marks_follow_one_another(void **state)
{
    (void)state;
    for (int family = 0; family < kitchen_family_count(); family++)
        for (unsigned long seed = 0; seed < SEEDS; seed++) {
            struct kitchen_session *session = opened(family, seed);

            for (int i = 0; i < session->brew_count; i++) {
                const struct kitchen_truth *truth = &session->brew[i];

                assert_true(truth->mark_count >= 4 && truth->mark_count < KITCHEN_MARKS);
                for (int j = 1; j < truth->mark_count; j++)
                    assert_true(truth->mark[j].at_s > truth->mark[j - 1].at_s);
                assert_true(truth->began_s <= truth->mark[0].at_s);
                assert_true(truth->ended_s >= truth->mark[truth->mark_count - 1].at_s);
                assert_true(i == 0 || truth->began_s >= session->brew[i - 1].ended_s);
                assert_int_equal(truth->cup_weighed, !isnan(marked(truth, KITCHEN_STRENGTH, false)));
                if (!isnan(marked(truth, KITCHEN_BLOOM, false)))
                    assert_true(truth->first_water_s == marked(truth, KITCHEN_BLOOM, false));
                else
                    assert_true(truth->first_water_s == marked(truth, KITCHEN_POUR, false));
                if (truth->press_seen)
                    assert_true(truth->force_began_s == marked(truth, KITCHEN_PRESS, false));
                else
                    assert_true(truth->force_began_s > marked(truth, KITCHEN_PRESS, false));
                assert_true(truth->force_ended_s > truth->force_began_s + 4);
            }
            kitchen_close(session);
        }
}

static void test_a_scale_shows_the_dose(void **state)
{
    int doses = 0;

    (void)state;
    for (unsigned long seed = 0; seed < SEEDS; seed++) {
        struct kitchen_session *session = opened(family_of("ordinary"), seed);
        struct shown shown = play(session);

        for (int i = 0; i < session->brew_count; i++) {
            const struct kitchen_truth *truth = &session->brew[i];
            double from_s = marked(truth, KITCHEN_DOSE, false), division_g = kitchen_division_g(&session->scale[0]);
            bool tared = false;

            for (int j = 0; j < session->script->tare_count; j++)
                tared |=
                    session->script->tare[j].at_s > from_s - 1 && session->script->tare[j].at_s < truth->first_water_s;
            if (!truth->dose_seen || tared)
                continue;
            assert_near(grams(last_before(&shown, truth->first_water_s)) - grams(last_before(&shown, from_s)),
                        truth->dose_g, 2 * division_g + 0.03);
            doses++;
        }
        free(shown.list);
        kitchen_close(session);
    }
    assert_true(doses > 5);
}

/* How long after a beginning, or before an end, the load differs by more than 2.5 divisions of 0.1 g. */
static double unseen_s(const struct kitchen_session *session, double at_s, bool ends)
{
    double rests_g = kitchen_load_g(session, 0, at_s + (ends ? 0.02 : -0.02)), after_s = 0;

    while (after_s < 2 && fabs(kitchen_load_g(session, 0, at_s + (ends ? -after_s : after_s)) - rests_g) <= 0.25)
        after_s += 0.005;
    return after_s;
}

/* What a limit asks for must be on the scale within it, or a tracker would be asked for what nobody can know. */
static void test_every_moment_of_an_ordinary_brew_shows_within_its_limit(void **state)
{
    (void)state;
    for (unsigned long seed = 0; seed < 4 * SEEDS; seed++) {
        struct kitchen_session *session = opened(family_of("ordinary"), seed);
        struct limits limits = kitchen_limits(&session->scale[0]);

        for (int i = 0; i < session->brew_count; i++)
            for (int j = 0; j < session->brew[i].mark_count; j++) {
                const struct kitchen_mark *mark = &session->brew[i].mark[j];
                bool pressed = session->brew[i].press_seen;
                bool ends = mark->stage == KITCHEN_STEEP || mark->stage == KITCHEN_SETTLE
                            || mark->stage == KITCHEN_STRENGTH || (mark->stage == KITCHEN_WEIGH && pressed);
                bool tight = pressed && (mark->stage == KITCHEN_PRESS || mark->stage == KITCHEN_WEIGH);

                if (!mark->untimed)
                    assert_true(unseen_s(session, mark->at_s, ends) < (tight ? limits.press_s : limits.stage_s) - 0.1);
            }
        kitchen_close(session);
    }
}

/* ---- families ---- */

static int lines_with(const struct kitchen_session *session, const char *words)
{
    char line[KITCHEN_LINE];
    int count = 0;

    for (int i = 0; kitchen_line(session, i, line); i++)
        count += strstr(line, words) != NULL;
    return count;
}

/* Each brew of the family has so many lines with these words. */
static void assert_lines(const char *name, const char *words, int each)
{
    int family = family_of(name);

    for (unsigned long seed = 0; seed < SEEDS; seed++) {
        struct kitchen_session *session = opened(family, seed);

        if (lines_with(session, words) < each * session->brew_count)
            fail_msg("%s, seed %lu: %d brews and %d times \"%s\"", name, seed, session->brew_count,
                     lines_with(session, words), words);
        kitchen_close(session);
    }
}

static void test_ways_are_what_they_promise(void **state)
{
    (void)state;
    assert_lines("lid", "put lid", 1);
    assert_lines("slow-tare", "tare scale 1", 1);
    assert_lines("pour-after-tare", "tare scale 1", 1);
    assert_lines("dose-in-parts", "tip in", 2);
    assert_lines("dose-in-clumps", "in clumps", 1);
    assert_lines("pulses", "pour ", 2);
    assert_lines("next-cup-beside", "put next cup", 1);
    assert_lines("spoon-left", "put spoon", 1);
    assert_lines("two-goes", "press with", 2);
    assert_lines("held-still", "press with", 1);
    assert_lines("grinder", "a grinder runs", 1);
}

static void test_cups_that_are_never_weighed(void **state)
{
    (void)state;
    for (unsigned long seed = 0; seed < SEEDS; seed++) {
        struct kitchen_session *never = opened(family_of("cup-never-weighed"), seed);
        struct kitchen_session *gone = opened(family_of("cup-never-back"), seed);

        for (int i = 0; i < never->brew_count; i++)
            assert_true(never->brew[i].press_seen && !never->brew[i].cup_weighed);
        for (int i = 0; i < gone->brew_count; i++) {
            assert_true(!gone->brew[i].press_seen && !gone->brew[i].cup_weighed);
            assert_true(isnan(marked(&gone->brew[i], KITCHEN_WEIGH, false)));
        }
        kitchen_close(never);
        kitchen_close(gone);
    }
}

static void test_pours_and_presses_reach_their_ends(void **state)
{
    double slowest = INFINITY, fastest = 0, softest = INFINITY, hardest = 0, lightest = INFINITY, heaviest = 0;

    (void)state;
    for (unsigned long seed = 0; seed < 3 * SEEDS; seed++) {
        struct kitchen_session *flow = opened(family_of("any-flow"), seed),
                               *force = opened(family_of("any-press"), seed);
        struct kitchen_session *cup = opened(family_of("any-cup"), seed);

        for (int i = 0; i < flow->brew_count; i++) {
            const struct kitchen_truth *truth = &flow->brew[i];
            double last_s = marked(truth, KITCHEN_STEEP, true) - marked(truth, KITCHEN_POUR, false);
            double bloomed_g = isnan(marked(truth, KITCHEN_BLOOM, false)) ? 0 : truth->dose_g * 3.2;

            slowest = fmin(slowest, truth->water_g / last_s);
            fastest = fmax(fastest, (truth->water_g - bloomed_g) / last_s);
        }
        for (int i = 0; i < force->brew_count; i++) {
            softest = fmin(softest, force->brew[i].press_peak_kpa);
            hardest = fmax(hardest, force->brew[i].press_peak_kpa);
        }
        lightest = fmin(lightest, cup->script->mass_g[THING_CUP]);
        heaviest = fmax(heaviest, cup->script->mass_g[THING_CUP]);
        kitchen_close(flow);
        kitchen_close(force);
        kitchen_close(cup);
    }
    assert_true(slowest < 3 && fastest > 30);
    /* a kilogram on 60 mm is 3.468 kPa */
    assert_true(softest < 0.4 * 3.468 && hardest > 8 * 3.468);
    assert_true(lightest < 350 && heaviest > 800);
}

static void assert_instrument(const char *name, double rate_hz, double division_g)
{
    struct kitchen_session *session = opened(family_of(name), 0);
    struct shown shown = play(session);
    double length_s = shown.list[shown.count - 1].at_s - shown.list[0].at_s;

    if (rate_hz > 0)
        assert_near((shown.count - 1) / length_s, rate_hz, 0.01 * rate_hz);
    if (division_g > 0)
        assert_near(kitchen_division_g(&session->scale[0]), division_g, 1e-9);
    free(shown.list);
    kitchen_close(session);
}

static void test_scales_are_what_they_promise(void **state)
{
    (void)state;
    assert_instrument("rate-2", 2, 0);
    assert_instrument("rate-3", 3, 0);
    assert_instrument("rate-5", 5, 0);
    assert_instrument("rate-10", 10, 0);
    assert_instrument("rate-20", 20, 0);
    assert_instrument("rate-50", 50, 0);
    assert_instrument("rate-250", 250, 0);
    assert_instrument("rate-500", 500, 0);
    assert_instrument("hurried-at-2", 2, 0);
    assert_instrument("division-0.01", 0, 0.01);
    assert_instrument("division-0.1", 0, 0.1);
    assert_instrument("division-0.5", 0, 0.5);
    assert_instrument("division-1", 0, 1);
    assert_instrument("division-2", 0, 2);
}

/* After the first cup has landed, by when half of it and nearly all of it is shown. */
static double rise_s(const char *name, double share)
{
    double sum_s = 0;

    for (unsigned long seed = 0; seed < SEEDS; seed++) {
        struct kitchen_session *session = opened(family_of(name), seed);
        struct shown shown = play(session);
        double from_s = session->brew[0].began_s, full_g = kitchen_standing_g(session, 0, from_s + 1.4), at_s = NAN;

        for (int i = 0; i < shown.count && isnan(at_s); i++)
            if (shown.list[i].at_s > from_s && !shown.list[i].overload && grams(&shown.list[i]) > share * full_g)
                at_s = shown.list[i].at_s;
        sum_s += at_s - from_s;
        free(shown.list);
        kitchen_close(session);
    }
    return sum_s / SEEDS;
}

static void test_slow_filters_are_slow(void **state)
{
    double usual_s = rise_s("ordinary", 0.97);

    (void)state;
    assert_true(rise_s("one-pole", 0.97) > usual_s + 0.4);
    assert_true(rise_s("moving-mean", 0.97) > usual_s + 0.2);
    assert_true(rise_s("two-poles", 0.97) > usual_s + 0.2);
}

static void test_lines_go_missing_and_come_late(void **state)
{
    struct kitchen_session *losing = opened(family_of("lost-lines"), 0), *late = opened(family_of("bunches"), 0);
    struct kitchen_session *quiet = opened(family_of("only-stable"), 0);
    struct shown lost = play(losing), bunched = play(late), rests = play(quiet);
    double sent = losing->end_s * losing->scale[0].rate_hz;
    int together = 0;

    (void)state;
    assert_true(lost.count < 0.99 * sent && lost.count > 0.96 * sent);
    for (int i = 1; i < bunched.count; i++)
        together += bunched.list[i].at_s - bunched.list[i - 1].at_s < 0.2 / late->scale[0].rate_hz;
    assert_true(late->scale[0].rate_hz < 8 || together > bunched.count / 10);
    for (int i = 0; i < rests.count; i++)
        assert_int_equal(rests.list[i].stable, 1);
    assert_true(rests.count < 0.95 * quiet->end_s * quiet->scale[0].rate_hz);
    free(lost.list);
    free(bunched.list);
    free(rests.list);
    kitchen_close(losing);
    kitchen_close(late);
    kitchen_close(quiet);
}

static void test_a_scale_goes_off_while_the_brew_steeps(void **state)
{
    int off = 0;

    (void)state;
    for (unsigned long seed = 0; seed < SEEDS; seed++) {
        struct kitchen_session *session = opened(family_of("switch-off"), seed);
        struct shown shown = play(session);
        double longest_s = 0, at_s = NAN;

        for (int i = 1; i < shown.count; i++)
            if (shown.list[i].at_s - shown.list[i - 1].at_s > longest_s) {
                longest_s = shown.list[i].at_s - shown.list[i - 1].at_s;
                at_s = shown.list[i - 1].at_s;
            }
        if (longest_s > 3.9) {
            assert_true(at_s > session->brew[0].first_water_s);
            assert_true(at_s + longest_s < marked(&session->brew[0], KITCHEN_PRESS, false));
            off++;
        }
        free(shown.list);
        kitchen_close(session);
    }
    assert_int_equal(off, SEEDS);
}

static void test_hours_without_a_brew(void **state)
{
    (void)state;
    for (int family = 0; family < kitchen_family_count(); family++) {
        struct kitchen_session *session = opened(family, 0);
        bool hours = kitchen_family(family)->kind == KITCHEN_NO_BREW;

        assert_int_equal(session->brew_count == 0, hours);
        if (hours) {
            assert_true(session->end_s > 0.3 * 3600);
            assert_true(session->script->line_count > 0);
        }
        kitchen_close(session);
    }
}

static void test_half_of_the_seeds_are_unread(void **state)
{
    int unread = 0;

    (void)state;
    for (unsigned long seed = 0; seed < 100; seed++)
        unread += kitchen_seed_unread(seed);
    assert_int_equal(unread, 50);
}

/* ---- the judge ---- */

/* What a tracker that knows the truth would have reported. */
static struct seen_brew perfect(const struct kitchen_truth *truth, uint32_t number)
{
    struct seen_brew brew = { .number = number, .began_s = truth->began_s, .ended_s = truth->ended_s };
    double press_s = marked(truth, KITCHEN_PRESS, false);

    for (int i = 0; i < MEASURE_COUNT; i++)
        brew.value[i] = brew.standard_uncertainty[i] = NAN;
    for (int i = 0; i < truth->mark_count; i++)
        brew.stage[brew.stage_count++] =
            (struct seen_stage){ (enum stage)stage_find(kitchen_stage_name(truth->mark[i].stage)), truth->mark[i].at_s,
                                 0.05 };
    brew.value[MEASURE_DOSE_G] = truth->dose_g;
    brew.value[MEASURE_WATER_G] = truth->water_g;
    brew.value[MEASURE_BEVERAGE_G] = truth->beverage_g;
    brew.value[MEASURE_PRESS_S] = truth->force_ended_s - truth->force_began_s;
    brew.value[MEASURE_STEEP_S] = press_s - truth->first_water_s;
    for (int i = 0; i < MEASURE_COUNT; i++)
        if (!isnan(brew.value[i]))
            brew.standard_uncertainty[i] = 0.05;
    return brew;
}

static struct judgement judged(const struct kitchen_session *session, struct seen_brew *brew, int count)
{
    struct judgement judgement;
    int arrivals = (int)(session->end_s * 10);
    double *arrival_s = malloc((size_t)arrivals * sizeof *arrival_s);
    struct seen seen = {
        .brew = brew, .brew_count = count, .arrival_s = arrival_s, .arrival_count = arrivals, .end_s = session->end_s
    };

    assert_non_null(arrival_s);
    for (int i = 0; i < arrivals; i++) /* nothing hides in a silence */
        arrival_s[i] = i / 10.0;
    kitchen_judge(session, &seen, &judgement);
    free(arrival_s);
    return judgement;
}

static void test_the_truth_is_right(void **state)
{
    (void)state;
    for (int family = 0; family < kitchen_family_count(); family++)
        for (unsigned long seed = 0; seed < 6; seed++) {
            struct kitchen_session *session = opened(family, seed);
            struct seen_brew brew[KITCHEN_BREWS];
            struct judgement judgement;

            for (int i = 0; i < session->brew_count; i++)
                brew[i] = perfect(&session->brew[i], (uint32_t)i + 1);
            judgement = judged(session, brew, session->brew_count);
            assert_int_equal(judgement.from_nothing, 0);
            for (int i = 0; i < session->brew_count; i++)
                if (!judgement.brew[i].wholly_right || !judgement.brew[i].right_or_asked)
                    fail_msg("%s seed %lu: %s", kitchen_family(family)->name, seed, judgement.brew[i].why);
            kitchen_close(session);
        }
}

/* A session whose first brew leaves nothing open. */
static struct kitchen_session *a_plain_one(void)
{
    for (unsigned long seed = 0; seed < SEEDS; seed++) {
        struct kitchen_session *session = opened(family_of("held-still"), seed);

        if (session->brew[0].dose_seen && session->brew[0].cup_weighed && session->brew[0].cup_seen_empty)
            return session;
        kitchen_close(session);
    }
    fail_msg("no plain brew among %d seeds", SEEDS);
    return NULL;
}

static void test_planted_faults_are_found(void **state)
{
    struct kitchen_session *session = a_plain_one();
    const struct kitchen_truth *truth = &session->brew[0];
    struct seen_brew brew[2];
    struct verdict verdict;
    int last = truth->mark_count - 1;

    (void)state;
    brew[0] = perfect(truth, 1); /* a stage 0.6 s late, of which it was sure; and not so sure */
    brew[0].stage[last].at_s += 0.6;
    verdict = judged(session, brew, 1).brew[0];
    assert_true(verdict.found && !verdict.wholly_right && !verdict.right_or_asked);
    brew[0].stage[last].uncertainty_s = 0.4;
    verdict = judged(session, brew, 1).brew[0];
    assert_true(!verdict.wholly_right && verdict.right_or_asked);

    brew[0] = perfect(truth, 1); /* a stage too few */
    brew[0].stage_count--;
    assert_false(judged(session, brew, 1).brew[0].right_or_asked);

    brew[0] = perfect(truth, 1); /* sure and wrong; asked; unsure and within two of it */
    brew[0].value[MEASURE_WATER_G] += 5;
    verdict = judged(session, brew, 1).brew[0];
    assert_int_equal(verdict.number[NUMBER_WATER], NUMBER_SURE_WRONG);
    assert_false(verdict.right_or_asked);
    brew[0].asked[MEASURE_WATER_G] = true;
    verdict = judged(session, brew, 1).brew[0];
    assert_int_equal(verdict.number[NUMBER_WATER], NUMBER_SURE_WRONG);
    assert_true(verdict.right_or_asked && !verdict.wholly_right);
    brew[0].asked[MEASURE_WATER_G] = false;
    brew[0].standard_uncertainty[MEASURE_WATER_G] = 2.6;
    verdict = judged(session, brew, 1).brew[0];
    assert_int_equal(verdict.number[NUMBER_WATER], NUMBER_HONEST);
    assert_true(verdict.right_or_asked && !verdict.wholly_right && verdict.within_two[NUMBER_WATER]);

    brew[0] = perfect(truth, 1); /* not stated though it could be known */
    brew[0].value[MEASURE_BEVERAGE_G] = NAN;
    verdict = judged(session, brew, 1).brew[0];
    assert_int_equal(verdict.number[NUMBER_BEVERAGE], NUMBER_OPEN);
    assert_false(verdict.right_or_asked);

    brew[0] = perfect(truth, 1); /* discarded; and one more out of nothing */
    brew[0].discarded = true;
    assert_false(judged(session, brew, 1).brew[0].found);
    brew[0].discarded = false;
    brew[1] = brew[0];
    brew[1].number = 2;
    brew[1].began_s = brew[1].ended_s = session->end_s;
    assert_int_equal(judged(session, brew, 2).from_nothing, 1);
    kitchen_close(session);
}

static void test_limits_grow_with_interval_and_division(void **state)
{
    struct kitchen_scale scale = { .rate_hz = 5, .division = 1, .exponent = -1 };
    struct limits limits = kitchen_limits(&scale);

    (void)state;
    assert_near(limits.stage_s, 0.5, 1e-9);
    assert_near(limits.press_s, 0.3, 1e-9);
    assert_near(limits.dose_g, 0.1, 1e-9);
    assert_near(limits.liquid_g, 0.3, 1e-9);
    scale.rate_hz = 2;
    assert_near(kitchen_limits(&scale).stage_s, 0.8, 1e-9);
    scale.rate_hz = 10;
    scale.exponent = 0;
    assert_near(kitchen_limits(&scale).stage_s, 0.5 + 0.18, 1e-9);
    assert_near(kitchen_limits(&scale).dose_g, 1.2, 1e-9);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_same_seed_shows_the_same),
        cmocka_unit_test(test_readings_arrive_in_order_in_their_division),
        cmocka_unit_test(test_mass_is_conserved),
        cmocka_unit_test(test_what_the_cup_gained_is_the_beverage),
        cmocka_unit_test(test_marks_follow_one_another),
        cmocka_unit_test(test_a_scale_shows_the_dose),
        cmocka_unit_test(test_every_moment_of_an_ordinary_brew_shows_within_its_limit),
        cmocka_unit_test(test_ways_are_what_they_promise),
        cmocka_unit_test(test_cups_that_are_never_weighed),
        cmocka_unit_test(test_pours_and_presses_reach_their_ends),
        cmocka_unit_test(test_scales_are_what_they_promise),
        cmocka_unit_test(test_slow_filters_are_slow),
        cmocka_unit_test(test_lines_go_missing_and_come_late),
        cmocka_unit_test(test_a_scale_goes_off_while_the_brew_steeps),
        cmocka_unit_test(test_hours_without_a_brew),
        cmocka_unit_test(test_half_of_the_seeds_are_unread),
        cmocka_unit_test(test_the_truth_is_right),
        cmocka_unit_test(test_planted_faults_are_found),
        cmocka_unit_test(test_limits_grow_with_interval_and_division),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
