/* Simulated panels whose truth is known, served by the real draw and judged by the real rule: guessers of several
 * habits, half discriminators, tasters who differ.  Limits are the promise plus three binomial standard errors;
 * seeds are fixed.  The models of tasters are the trade's: guessing with discriminators, Thurstone's sensations with
 * equal variances, beta-distributed tasters. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#include "poise/tasting_verdict.h"

/* How many panels: all with POISE_WHOLE set (./check --all), else an eighth. */
static int panels_wanted = 4000;

static gsl_rng *random_source;
static struct tasting_session session;
static struct tasting_set sets[TASTING_SETS];
static struct tasting_score score;
static struct tasting_verdict verdict;
static struct why why;

static uint32_t uniform(void *context, uint32_t limit)
{
    (void)context;
    return (uint32_t)gsl_rng_uniform_int(random_source, limit);
}

static void begin(enum tasting_method method, int samples, int tasters, int each)
{
    memset(&session, 0, sizeof session);
    session.method = method;
    session.sample_count = samples;
    session.expected = -1;
    session.alpha = TASTING_ALPHA;
    session.power = TASTING_POWER;
    session.share = TASTING_SHARE;
    session.limit = TASTING_LIMIT;
    session.beta = TASTING_BETA;
    session.planned = (unsigned)(tasters * each);
    session.taster_count = tasters;
    session.sets = tasters * each;
    for (int i = 0; i < samples; i++)
        snprintf(session.sample[i].label, sizeof session.sample[i].label, "steep_s %d", 60 * (i + 1));
    tasting_score_begin(&score, method, samples);
    assert_int_equal(tasting_draw(method, samples, session.sets, uniform, NULL, sets, &why), 0);
}

/* The places of the right answer, found from the cups alone. */
static void right_places(const struct tasting_set *set, int *place)
{
    int wrong[TASTING_CUPS] = { 0 };

    if (session.method == TASTING_TRIANGLE || session.method == TASTING_DUO_TRIO) {
        for (place[0] = 0; place[0] < set->cups; place[0]++)
            if (tasting_answer_right(session.method, set, place))
                return;
    } else {
        for (place[0] = 0; place[0] < set->cups; place[0]++)
            for (place[1] = place[0] + 1; place[1] < set->cups; place[1]++)
                if (tasting_answer_right(session.method, set, place))
                    return;
    }
    memcpy(place, wrong, sizeof wrong);
    fail_msg("no answer is right");
}

/* Habits of those who cannot distinguish the cups: by chance, always the same place, in turn. */
enum habit { BY_CHANCE, THE_SAME, IN_TURN, HABITS };

static void guess(enum habit habit, int number, const struct tasting_set *set, int *place)
{
    int options = session.method == TASTING_TWO_OF_FIVE ? 10 : session.method == TASTING_TETRAD ? 3 : set->cups;
    int pick = habit == BY_CHANCE ? (int)uniform(NULL, (uint32_t)options) : habit == THE_SAME ? 0 : number % options;

    if (session.method == TASTING_TETRAD) {
        place[0] = 0;
        place[1] = pick + 1;
    } else if (session.method == TASTING_TWO_OF_FIVE) {
        for (int first = 0, pair = 0; first < 5; first++)
            for (int second = first + 1; second < 5; second++, pair++)
                if (pair == pick) {
                    place[0] = first;
                    place[1] = second;
                }
    } else {
        place[0] = pick;
    }
}

static void taste(int taster, const struct tasting_set *set, const int *place)
{
    char name[12];

    snprintf(name, sizeof name, "%d", taster + 1);
    assert_int_equal(tasting_score_add(&score, set, place, false, name), 0);
}

/* A panel in which each tasting catches the difference with the taster's own share. */
static void play(int tasters, int each, const double *share, enum habit habit)
{
    for (int taster = 0, number = 0; taster < tasters; taster++)
        for (int i = 0; i < each; i++, number++) {
            int place[TASTING_CUPS] = { 0 };

            if (gsl_rng_uniform(random_source) < share[taster])
                right_places(&sets[number], place);
            else
                guess(habit, number, &sets[number], place);
            taste(taster, &sets[number], place);
        }
}

static double above(double rate, int panels)
{
    return rate + 3 * sqrt(rate * (1 - rate) / panels);
}

static double below(double rate, int panels)
{
    return rate - 3 * sqrt(rate * (1 - rate) / panels);
}

static const struct {
    int tasters, each;
} rounds[] = { { 1, 12 }, { 1, 18 }, { 3, 6 }, { 6, 5 }, { 24, 1 } };
enum { ROUNDS = sizeof rounds / sizeof *rounds };

static void guessers_of_any_habit_show_nothing(void **state)
{
    static const double none[TASTING_TASTERS];

    (void)state;
    for (int method = TASTING_TRIANGLE; method <= TASTING_TETRAD; method++)
        for (int habit = 0; habit < HABITS; habit++)
            for (int round = 0; round < ROUNDS; round++) {
                int alarms = 0, tasters = rounds[round].tasters, each = rounds[round].each;

                for (int panel = 0; panel < panels_wanted; panel++) {
                    begin(method, 2, tasters, each);
                    play(tasters, each, none, habit);
                    tasting_judge(&session, &score, &verdict);
                    alarms += verdict.finding == TASTING_DIFFERENT;
                }
                printf("guessers, %s, habit %d, %d x %d: false alarms %.2f %%\n", tasting_method_name(method), habit,
                       tasters, each, 100.0 * alarms / panels_wanted);
                assert_true(alarms <= above(0.05, panels_wanted) * panels_wanted);
            }
}

static void looking_after_every_set_is_paid_for(void **state)
{
    static const double none[TASTING_TASTERS];

    (void)state;
    for (int method = TASTING_TRIANGLE; method <= TASTING_TETRAD; method++) {
        int alarms = 0;

        for (int panel = 0; panel < panels_wanted / 4; panel++) {
            bool alarm = false;

            begin(method, 2, 1, 24);
            session.may_look = true;
            for (int number = 0; number < 24 && !alarm; number++) {
                int place[TASTING_CUPS] = { 0 };

                guess(BY_CHANCE, number, &sets[number], place);
                taste(0, &sets[number], place);
                if (number < 23)
                    tasting_score_looked(&score);
                tasting_judge(&session, &score, &verdict);
                alarm = verdict.finding == TASTING_DIFFERENT;
            }
            (void)none;
            alarms += alarm;
        }
        printf("guessers looked at after every set, %s: false alarms %.2f %%\n", tasting_method_name(method),
               400.0 * alarms / panels_wanted);
        assert_true(alarms <= above(0.05, panels_wanted / 4) * (panels_wanted / 4));
    }
}

static void half_discriminators_are_found_as_often_as_promised(void **state)
{
    double half[TASTING_TASTERS];

    (void)state;
    for (int i = 0; i < TASTING_TASTERS; i++)
        half[i] = 0.5;
    for (int method = TASTING_TRIANGLE; method <= TASTING_TETRAD; method++)
        for (int tasters = 1; tasters <= 3; tasters += 2) {
            unsigned wanted = tasting_sets_needed(method, 2, 0.05, 0.8, 0.5);
            int each = ((int)wanted + tasters - 1) / tasters, found = 0;

            assert_true(wanted > 0);
            for (int panel = 0; panel < panels_wanted; panel++) {
                begin(method, 2, tasters, each);
                play(tasters, each, half, BY_CHANCE);
                tasting_judge(&session, &score, &verdict);
                found += verdict.finding == TASTING_DIFFERENT;
            }
            printf("half discriminators, %s, %d x %d: found %.1f %%\n", tasting_method_name(method), tasters, each,
                   100.0 * found / panels_wanted);
            assert_true(found >= below(0.8, panels_wanted) * panels_wanted);
        }
}

/* Each person has a preference of their own, as many this way as that: people as a whole have none. */
static void private_preferences_are_no_preference_of_people(void **state)
{
    static const struct {
        int tasters, each;
    } panels[] = { { 2, 12 }, { 3, 6 }, { 6, 6 }, { 8, 4 }, { 12, 3 } };

    (void)state;
    for (size_t i = 0; i < sizeof panels / sizeof *panels; i++) {
        int alarms = 0;

        for (int panel = 0; panel < panels_wanted; panel++) {
            begin(TASTING_PREFERENCE, 2, panels[i].tasters, panels[i].each);
            for (int taster = 0, number = 0; taster < panels[i].tasters; taster++) {
                double likes = gsl_ran_beta(random_source, 0.3, 0.3);

                for (int j = 0; j < panels[i].each; j++, number++) {
                    int second = gsl_rng_uniform(random_source) < likes;
                    int place[TASTING_CUPS] = { sets[number].sample[0] == second ? 0 : 1 };

                    taste(taster, &sets[number], place);
                }
            }
            tasting_judge(&session, &score, &verdict);
            alarms += verdict.finding == TASTING_DIFFERENT;
        }
        printf("private preferences, %d x %d: false alarms %.2f %%\n", panels[i].tasters, panels[i].each,
               100.0 * alarms / panels_wanted);
        assert_true(alarms <= above(0.05, panels_wanted) * panels_wanted);
    }
}

static void private_orders_are_no_order_of_people(void **state)
{
    const int few = panels_wanted / 8;
    int alarms = 0;

    (void)state;
    for (int panel = 0; panel < few; panel++) {
        begin(TASTING_RANKING, 3, 5, 4);
        for (int taster = 0, number = 0; taster < 5; taster++) {
            int order[3] = { 0, 1, 2 };

            gsl_ran_shuffle(random_source, order, 3, sizeof *order);
            for (int i = 0; i < 4; i++, number++) {
                int place[TASTING_CUPS] = { 0 };

                for (int rank = 0; rank < 3; rank++)
                    for (int cup = 0; cup < 3; cup++)
                        if (sets[number].sample[cup] == order[rank])
                            place[rank] = cup;
                taste(taster, &sets[number], place);
            }
        }
        tasting_judge(&session, &score, &verdict);
        alarms += verdict.finding == TASTING_DIFFERENT;
    }
    printf("private orders, 5 x 4: false alarms %.2f %%\n", 100.0 * alarms / few);
    assert_true(alarms <= above(0.05, few) * few);
}

static void ratings_of_the_control_itself_show_nothing(void **state)
{
    int alarms = 0, found = 0;

    (void)state;
    for (int panel = 0; panel < panels_wanted; panel++)
        for (int differs = 0; differs < 2; differs++) {
            begin(TASTING_DEGREE, 2, 4, 4);
            for (int taster = 0, number = 0; taster < 4; taster++) {
                double habit = 3 * gsl_rng_uniform(random_source); /* some rate everything high */

                for (int i = 0; i < 4; i++, number++) {
                    int place[TASTING_CUPS];

                    for (int cup = 0; cup < 2; cup++) {
                        double felt = habit + gsl_ran_gaussian(random_source, 1.5)
                                      + (differs && sets[number].sample[cup] == 1 ? 2.1 : 0); /* d' 1.4 */

                        place[cup] = felt < 0 ? 0 : felt > 10 ? 10 : (int)lround(felt);
                    }
                    taste(taster, &sets[number], place);
                }
            }
            tasting_judge(&session, &score, &verdict);
            *(differs ? &found : &alarms) += verdict.finding == TASTING_DIFFERENT;
        }
    printf("ratings, 4 x 4: false alarms %.2f %%, d' 1.4 found %.1f %%\n", 100.0 * alarms / panels_wanted,
           100.0 * found / panels_wanted);
    assert_true(alarms <= above(0.05, panels_wanted) * panels_wanted);
    assert_true(found > 0.4 * panels_wanted);
}

/* People of whom just the limit's share can tell: "the same" would be wrong. */
static void the_same_is_not_claimed_at_the_limit(void **state)
{
    static const struct {
        int tasters, each;
        double spread; /* of the tasters' shares: 0 alike, else the beta's gamma */
    } panels[] = { { 30, 1, 0 }, { 1, 36, 0 }, { 6, 8, 0.3 }, { 12, 5, 0.3 }, { 10, 10, 0.6 } };

    (void)state;
    for (int method = TASTING_TRIANGLE; method <= TASTING_TETRAD; method++)
        for (size_t i = 0; i < sizeof panels / sizeof *panels; i++) {
            int panel_count = panels[i].tasters > 1 && panels[i].each > 1 ? panels_wanted / 8 : panels_wanted,
                wrong = 0;

            for (int panel = 0; panel < panel_count; panel++) {
                double share[TASTING_TASTERS], scale = panels[i].spread > 0 ? 1 / panels[i].spread - 1 : 0;

                begin(method, 2, panels[i].tasters, panels[i].each);
                for (int taster = 0; taster < panels[i].tasters; taster++)
                    share[taster] = panels[i].spread > 0 ? gsl_ran_beta(random_source, session.limit * scale,
                                                                        (1 - session.limit) * scale)
                                                         : session.limit;
                play(panels[i].tasters, panels[i].each, share, BY_CHANCE);
                tasting_judge(&session, &score, &verdict);
                wrong += verdict.finding == TASTING_SAME;
            }
            printf("the same at its limit, %s, %d x %d, spread %.1f: wrongly %.2f %%\n", tasting_method_name(method),
                   panels[i].tasters, panels[i].each, panels[i].spread, 100.0 * wrong / panel_count);
            assert_true(wrong <= above(0.05, panel_count) * panel_count);
        }
}

static void the_same_is_earned_by_enough_guessers(void **state)
{
    static const double none[TASTING_TASTERS];
    int same = 0;

    (void)state;
    for (int panel = 0; panel < panels_wanted; panel++) {
        begin(TASTING_TRIANGLE, 2, 1, 96);
        play(1, 96, none, BY_CHANCE);
        tasting_judge(&session, &score, &verdict);
        same += verdict.finding == TASTING_SAME;
    }
    printf("guessers, triangle, 1 x 96: the same %.1f %%\n", 100.0 * same / panels_wanted);
    assert_true(same > 0.8 * panels_wanted);
}

/* The interval says for whom it holds, and holds for them. */
static void intervals_cover_the_share_of_people(void **state)
{
    static const struct {
        int tasters, each;
        double mean, spread;
    } panels[] = {
        { 24, 1, 0.4, 0.3 }, { 1, 24, 0.4, 0 }, { 6, 8, 0.5, 0.3 }, { 12, 6, 0.4, 0.3 }, { 20, 4, 0.6, 0.5 }
    };
    const int few = panels_wanted / 4;

    (void)state;
    for (size_t i = 0; i < sizeof panels / sizeof *panels; i++) {
        int covered = 0, asked = 0;

        for (int panel = 0; panel < few; panel++) {
            double share[TASTING_TASTERS], scale = panels[i].spread > 0 ? 1 / panels[i].spread - 1 : 0;

            begin(TASTING_TRIANGLE, 2, panels[i].tasters, panels[i].each);
            for (int taster = 0; taster < panels[i].tasters; taster++)
                share[taster] = panels[i].spread > 0
                                    ? gsl_ran_beta(random_source, panels[i].mean * scale, (1 - panels[i].mean) * scale)
                                    : panels[i].mean;
            play(panels[i].tasters, panels[i].each, share, BY_CHANCE);
            tasting_judge(&session, &score, &verdict);
            tasting_measure(&session, &score, &verdict);
            asked++;
            covered += verdict.share_95.low <= panels[i].mean && panels[i].mean <= verdict.share_95.high;
        }
        printf("share of people, %d x %d, spread %.1f: covered %.1f %%\n", panels[i].tasters, panels[i].each,
               panels[i].spread, 100.0 * covered / asked);
        assert_true(covered >= below(0.94, few) * asked);
    }
}

/* Thurstone's tasters: d' in, d' out. */
static void the_interval_of_dprime_covers_the_truth(void **state)
{
    const int few = panels_wanted / 4;
    int covered = 0;

    (void)state;
    for (int panel = 0; panel < few; panel++) {
        begin(TASTING_TRIANGLE, 2, 1, 40);
        for (int number = 0; number < 40; number++) {
            double felt[3];
            int place[TASTING_CUPS] = { 0 };

            for (int cup = 0; cup < 3; cup++)
                felt[cup] = gsl_ran_ugaussian(random_source) + 1.5 * sets[number].sample[cup];
            for (int cup = 1; cup < 3; cup++) { /* the odd one is the one that the closest pair leaves over */
                double here = fabs(felt[(cup + 1) % 3] - felt[(cup + 2) % 3]);
                double best = fabs(felt[(place[0] + 1) % 3] - felt[(place[0] + 2) % 3]);

                place[0] = here < best ? cup : place[0];
            }
            taste(0, &sets[number], place);
        }
        tasting_judge(&session, &score, &verdict);
        tasting_measure(&session, &score, &verdict);
        covered += verdict.dprime_95.low <= 1.5 && 1.5 <= verdict.dprime_95.high;
    }
    printf("d' 1.5 by Thurstone's tasters: covered %.1f %%\n", 100.0 * covered / few);
    assert_true(covered >= below(0.95, few) * few);
}

/* Who knows every earlier set still cannot work out the last: best guess of its place, of its odd sample.  Yet neither
 * part nor place runs away. */
static void the_last_set_cannot_be_inferred(void **state)
{
    enum { SETS = 12 };
    int place_guessed = 0, part_guessed = 0, uneven_parts = 0, uneven_places = 0;

    (void)state;
    for (int panel = 0; panel < panels_wanted; panel++) {
        int at[3] = { 0 }, odd_second = 0, place[TASTING_CUPS] = { 0 }, second = 0, rarest = 0;

        begin(TASTING_TRIANGLE, 2, 1, SETS);
        for (int number = 0; number < SETS; number++) {
            right_places(&sets[number], place);
            second = sets[number].sample[place[0]] == 1;
            if (number < SETS - 1) {
                at[place[0]]++;
                odd_second += second;
            }
        }
        for (int i = 1; i < 3; i++)
            rarest = at[i] < at[rarest] ? i : rarest;
        place_guessed += place[0] == rarest;
        part_guessed += second == (2 * odd_second < SETS - 1);
        at[place[0]]++;
        odd_second += second;
        uneven_parts += abs(2 * odd_second - SETS) > 6;
        uneven_places += at[0] > 8 || at[1] > 8 || at[2] > 8;
    }
    printf(
        "last set guessed from all before: place %.0f %%, odd sample %.0f %%; uneven: parts %.1f %%, places %.1f %%\n",
        100.0 * place_guessed / panels_wanted, 100.0 * part_guessed / panels_wanted,
        100.0 * uneven_parts / panels_wanted, 100.0 * uneven_places / panels_wanted);
    assert_true(place_guessed <= above(0.345, panels_wanted) * panels_wanted);
    assert_true(part_guessed < 0.9 * panels_wanted);
    assert_true(uneven_parts < 0.005 * panels_wanted);
    assert_true(uneven_places < 0.01 * panels_wanted);
}

static int start(void **state)
{
    (void)state;
    panels_wanted = getenv("POISE_WHOLE") ? panels_wanted : panels_wanted / 8;
    random_source = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random_source, 20261130);
    return 0;
}

static int end(void **state)
{
    (void)state;
    gsl_rng_free(random_source);
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(guessers_of_any_habit_show_nothing),
        cmocka_unit_test(looking_after_every_set_is_paid_for),
        cmocka_unit_test(half_discriminators_are_found_as_often_as_promised),
        cmocka_unit_test(private_preferences_are_no_preference_of_people),
        cmocka_unit_test(private_orders_are_no_order_of_people),
        cmocka_unit_test(ratings_of_the_control_itself_show_nothing),
        cmocka_unit_test(the_same_is_not_claimed_at_the_limit),
        cmocka_unit_test(the_same_is_earned_by_enough_guessers),
        cmocka_unit_test(intervals_cover_the_share_of_people),
        cmocka_unit_test(the_interval_of_dprime_covers_the_truth),
        cmocka_unit_test(the_last_set_cannot_be_inferred),
    };

    return cmocka_run_group_tests(tests, start, end);
}
