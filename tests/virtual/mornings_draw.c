/* Draws a morning: the cups, then the people at the refractometers.  See mornings.h.  Not for whether it
 * can be known whose its readings are. */
#include "mornings.h"

#include <errno.h>
#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdlib.h>

const double MORNING_CHANGE_S = 75, MORNING_CHANGE_SPREAD = 0.4, MORNING_WATER_S = 30;
const double MORNING_REPEAT_S = 15, MORNING_REPEAT_SPREAD = 0.4;

static const double LEAST_WAIT_S = 180, MOST_WAIT_S = 1500; /* a sample is read 3 to 25 minutes after its cup */
static const double DRIFT_STEP_PCT = 0.03, MOST_LEVEL_PCT = 0.15;
static const double CUP_SCATTER_POINTS = 0.4; /* extraction of cups made alike (common practice, no source) */
static const double CARRIED = 0.1, LONGEST_REACH_S = 60;

/* One person at a refractometer. */
struct hand {
    double free_s;     /* since when there is nothing in hand */
    double reach_s;    /* when the next cup is chosen */
    double level_pct;  /* what clean water shows on this instrument */
    double prism_pct;  /* strength of what was on the prism last */
    bool reset;        /* zeroed since the last reading */
    int cups_to_blank; /* until the next reading of water */
    int visited[MORNING_CUPS * 2], visits;
    bool done;
};

struct draw {
    struct morning *morning;
    const struct morning_habits *habits;
    gsl_rng *random;
    struct hand hand[MORNING_PEOPLE];
    bool waiting[MORNING_CUPS];                     /* it is still to be read */
    double most_pct, at_once_pct, per_s, per_ratio; /* the day's coffee */
};

/* ---- chance ---- */

static double between(struct draw *draw, double least, double most)
{
    return gsl_ran_flat(draw->random, least, most);
}

static bool chance(struct draw *draw, double share)
{
    return gsl_rng_uniform(draw->random) < share;
}

static int one_of(struct draw *draw, int count)
{
    return (int)gsl_rng_uniform_int(draw->random, (unsigned long)count);
}

static double normal(struct draw *draw, double deviation)
{
    return gsl_ran_gaussian(draw->random, deviation);
}

/* ---- cups ---- */

/* Immersion: a part washed off at once, the rest of first order; a little more comes off into more water.  In percent
 * of the dose (mass balance of strength: extraction times dose over all liquid). */
static double strength_pct(const struct draw *draw, double dose_g, double water_g, double steep_s, double more_points)
{
    double rest = draw->most_pct - draw->at_once_pct;
    double extraction = draw->at_once_pct + rest * (1 - exp(-draw->per_s * steep_s)) + more_points
                        + draw->per_ratio * (water_g / dose_g - 230.0 / 15.0);
    double dissolved_g = extraction / 100 * dose_g;

    return 100 * dissolved_g / (water_g + dissolved_g);
}

struct design {
    double dose_g[5], water_g[5], steep_s[5];
    int levels;
};

static void draw_design(struct draw *draw, struct design *design)
{
    static const double steeps[] = { 45, 75, 120, 180, 300 }, doses[] = { 12, 13.5, 15, 16.5, 18 };
    static const double waters[] = { 190, 210, 230, 250, 270 };
    double kind = between(draw, 0, 1);

    design->levels = 5;
    for (int i = 0; i < 5; i++) {
        design->steep_s[i] = kind < 0.6 ? steeps[i] : 120;
        design->dose_g[i] = kind >= 0.6 && kind < 0.8 ? doses[i] : 15;
        design->water_g[i] = kind >= 0.8 ? waters[i] : 230;
    }
    if (draw->habits->recipes == RECIPES_LEVELS)
        return;
    design->levels = draw->habits->recipes == RECIPES_ONE ? 1 : 2;
    for (int i = 0; i < 2; i++) {
        design->steep_s[i] = i ? 165 : 120;
        design->dose_g[i] = 15;
        design->water_g[i] = 230;
    }
}

/* What is not on screen is guessed from the other cups of the design. */
static void forget(struct draw *draw, const struct design *design, struct morning_cup *cup)
{
    double sum = 0, squares = 0;

    for (int i = 0; i < design->levels; i++) {
        double pct = strength_pct(draw, design->dose_g[i], design->water_g[i], design->steep_s[i], 0);

        sum += pct / design->levels;
        squares += pct * pct / design->levels;
    }
    cup->expected_pct = sum;
    cup->scatter_pct = sqrt(fmax(squares - sum * sum, 0) + cup->scatter_pct * cup->scatter_pct);
    if (chance(draw, 0.5))
        cup->shown.water_g = NAN;
    else
        cup->shown.steep_s = NAN;
}

static void draw_cup(struct draw *draw, const struct design *design, int level, struct morning_cup *cup)
{
    double dose_g = design->dose_g[level] + normal(draw, 0.06), water_g = design->water_g[level] + normal(draw, 0.8);
    double steep_s = design->steep_s[level] + normal(draw, 3), points = normal(draw, CUP_SCATTER_POINTS);

    cup->shown.dose_g = dose_g + normal(draw, 0.03);
    cup->shown.water_g = water_g + normal(draw, 0.15);
    cup->shown.steep_s = steep_s;
    cup->shown.wanted = MORNING_WANTED;
    cup->true_pct = strength_pct(draw, dose_g, water_g, steep_s, points);
    cup->expected_pct = strength_pct(draw, cup->shown.dose_g, cup->shown.water_g, steep_s, 0);
    cup->scatter_pct = 100 * (CUP_SCATTER_POINTS / 100) * dose_g / water_g;
    if (chance(draw, draw->habits->unknown))
        forget(draw, design, cup);
    cup->typed = chance(draw, draw->habits->typed);
    cup->discarded = !cup->typed && chance(draw, draw->habits->discard);
    cup->late_clock = chance(draw, draw->habits->late_clock);
}

/* Each level once before any comes again, shuffled: a randomised block. */
static void draw_order(struct draw *draw, const struct design *design, int level[])
{
    for (int from = 0; from < draw->morning->cup_count; from += design->levels) {
        int block[5];

        for (int i = 0; i < design->levels; i++)
            block[i] = i;
        gsl_ran_shuffle(draw->random, block, (size_t)design->levels, sizeof *block);
        for (int i = 0; i < design->levels && from + i < draw->morning->cup_count; i++)
            level[from + i] = block[i];
    }
}

static void draw_cups(struct draw *draw)
{
    struct morning *morning = draw->morning;
    double free_s[2] = { 0, between(draw, 20, 150) };
    struct design design;
    int level[MORNING_CUPS];

    morning->cup_count = 6 + one_of(draw, MORNING_CUPS - 5);
    draw->most_pct = 21 + normal(draw, 0.8);
    draw->at_once_pct = between(draw, 5.5, 8.5);
    draw->per_s = 0.018 * exp(normal(draw, 0.2));
    draw->per_ratio = between(draw, 0.05, 0.2);
    draw_design(draw, &design);
    draw_order(draw, &design, level);
    for (int i = 0; i < morning->cup_count; i++) {
        struct morning_cup *cup = &morning->cup[i];
        double late_s;

        *cup = (struct morning_cup){ .brewer = draw->habits->brewers == 2 && free_s[1] < free_s[0] };
        draw_cup(draw, &design, level[i], cup);
        free_s[cup->brewer] += between(draw, 60, 180); /* grind, weigh, rinse */
        cup->true_ready_s = free_s[cup->brewer] + design.steep_s[level[i]] + between(draw, 20, 50);
        free_s[cup->brewer] = cup->true_ready_s + between(draw, 20, 60);
        late_s = cup->late_clock ? between(draw, 120, 720) : 0;
        cup->shown.ready_us = (int64_t)((cup->true_ready_s + late_s) * 1e6);
        /* half of those that are discarded are so before anybody reads them */
        draw->waiting[i] = !cup->typed && (!cup->discarded || chance(draw, 0.5));
    }
}

/* ---- people ---- */

static void add_reading(struct draw *draw, int instrument, double at_s, struct morning_reading reading, double pct)
{
    struct morning *morning = draw->morning;
    double resolution = reading.shown.resolution_pct;
    struct morning_reading *kept;

    if (morning->reading_count >= SAMPLES_READINGS)
        return;
    kept = &morning->reading[morning->reading_count++];
    *kept = reading;
    pct += reading.level_pct + normal(draw, morning->instrument[instrument].noise_pct);
    kept->shown.shown_pct = round(pct / resolution) * resolution;
    kept->shown.at_us = (int64_t)(at_s * 1e6);
    kept->shown.instrument = instrument;
}

/* One reading on a cable: of a cup (its strength), of water (a rest of coffee) or of a stranger. */
static struct morning_reading *read_it(struct draw *draw, int person, double at_s, int truth, double pct)
{
    struct hand *hand = &draw->hand[person];
    double bias = truth == MORNING_WATER ? 0 : draw->morning->instrument[person].bias_pct;
    struct morning_reading reading = { .shown = { .resolution_pct = 0.01, .reset = hand->reset, .said = SAMPLE_OPEN },
                                       .truth = truth,
                                       .level_pct = hand->level_pct };

    hand->reset = false;
    hand->prism_pct = pct;
    add_reading(draw, person, at_s, reading, pct + bias);
    return &draw->morning->reading[draw->morning->reading_count - 1];
}

static void read_blank(struct draw *draw, int person, double at_s)
{
    struct hand *hand = &draw->hand[person];
    struct morning_reading *reading = read_it(draw, person, at_s, MORNING_WATER, 0);

    if (chance(draw, draw->habits->ordered))
        reading->shown.said = SAMPLE_IS_BLANK;
    if (chance(draw, draw->habits->reset)) {
        hand->level_pct = 0;
        hand->reset = true;
    }
}

static void drift(struct draw *draw, int person)
{
    struct hand *hand = &draw->hand[person];

    if (!chance(draw, draw->habits->drift))
        return;
    hand->level_pct += chance(draw, 0.75) ? DRIFT_STEP_PCT : -DRIFT_STEP_PCT;
    hand->level_pct = fmin(fmax(hand->level_pct, 0), MOST_LEVEL_PCT);
}

/* The cups that wait for this person, in their order. */
static int line_of(const struct draw *draw, int person, int line[])
{
    int count = 0;

    for (int i = 0; i < draw->morning->cup_count; i++)
        if (draw->waiting[i] && (!draw->habits->own_cups || draw->morning->cup[i].brewer == person))
            line[count++] = i;
    return count;
}

/* One of the four cups read before the last; -1: there is none. */
static int pick_again(struct draw *draw, const struct hand *hand)
{
    int found[4], count = 0, last = hand->visits ? hand->visited[hand->visits - 1] : -1;

    for (int i = hand->visits - 2; i >= 0 && count < 4; i--) {
        bool known = hand->visited[i] == last;

        for (int j = 0; j < count; j++)
            known |= found[j] == hand->visited[i];
        if (!known)
            found[count++] = hand->visited[i];
    }
    return count ? found[one_of(draw, count)] : -1;
}

/* One of the three behind the first in line, if it has been full for a while; else the first. */
static int jump_to(struct draw *draw, double now_s, const int line[], int count)
{
    int ready = 1;

    while (ready < count && ready < 4 && draw->morning->cup[line[ready]].true_ready_s + LEAST_WAIT_S < now_s)
        ready++;
    return ready > 1 ? line[1 + one_of(draw, ready - 1)] : line[0];
}

/* Which cup this person reads next; -1: none is left. */
static int pick(struct draw *draw, int person, bool *again)
{
    int line[MORNING_CUPS], count;

    *again = false;
    while ((count = line_of(draw, person, line)) > 0) {
        int cup = line[0];

        if (chance(draw, draw->habits->pass)) {
            draw->waiting[cup] = false;
            continue;
        }
        if (chance(draw, draw->habits->again)) {
            int before = pick_again(draw, &draw->hand[person]);

            if (before >= 0) {
                *again = true;
                return before;
            }
        }
        return chance(draw, draw->habits->jump) ? jump_to(draw, draw->hand[person].free_s, line, count) : cup;
    }
    return -1;
}

static double wait_s(struct draw *draw)
{
    double wait;

    do
        wait = draw->morning->wait_median_s * exp(normal(draw, draw->habits->wait_spread));
    while (wait < LEAST_WAIT_S || wait > MOST_WAIT_S);
    return wait;
}

/* What is read between two cups, in the order of time. */
static void between_cups(struct draw *draw, int person, double from_s, double to_s, int blanks, bool rinse)
{
    double stray_pct;

    if (rinse) {
        double rest = draw->hand[person].prism_pct * between(draw, 0.015, 0.17);

        read_it(draw, person, from_s + between(draw, 10, 18), MORNING_WATER, rest)->rinse = true;
    }
    if (chance(draw, draw->habits->stray)) {
        stray_pct = between(draw, 0.8, 2.2);
        read_it(draw, person, from_s + between(draw, 20, 28), MORNING_STRAY, stray_pct);
    }
    for (int i = 0; i < blanks; i++)
        read_blank(draw, person, to_s - 28 + i * between(draw, 9, 12));
}

/* The readings of one visit to a cup; returns when it ends. */
static double read_cup(struct draw *draw, int person, int cup, double at_s)
{
    double before_pct = draw->hand[person].prism_pct, own_pct = draw->morning->cup[cup].true_pct, sum = 0;
    double part = between(draw, 0, 1);
    bool named = chance(draw, draw->habits->name), carry = chance(draw, draw->habits->carry);
    bool each_named = chance(draw, 0.7); /* else the first only */
    int count = 1;

    while (count < MORNING_REPEATS && part > (sum += draw->habits->repeats[count - 1]))
        count++;
    for (int i = 0; i < count; i++) {
        double pct = i == 0 && carry ? own_pct + CARRIED * (before_pct - own_pct) : own_pct;
        struct morning_reading *reading;

        if (i)
            at_s += MORNING_REPEAT_S * exp(normal(draw, MORNING_REPEAT_SPREAD));
        reading = read_it(draw, person, at_s, cup, pct);
        reading->carried = i == 0 && carry;
        if (named && (i == 0 || each_named)) {
            reading->shown.said = SAMPLE_OF_CUP;
            reading->shown.cup = cup;
        }
    }
    return at_s;
}

static int blanks_due(struct draw *draw, struct hand *hand)
{
    double every = draw->habits->blank_every;

    if (every <= 0 || hand->cups_to_blank-- > 0)
        return 0;
    hand->cups_to_blank = (int)(every / 2) + one_of(draw, (int)every + 1);
    return chance(draw, 0.25) ? 2 : 1;
}

static void visit(struct draw *draw, int person)
{
    struct hand *hand = &draw->hand[person];
    bool again, rinse, first = hand->visits == 0;
    int cup = pick(draw, person, &again), blanks;
    double change_s, start_s;

    if (cup < 0 || draw->morning->reading_count > SAMPLES_READINGS - MORNING_REPEATS - 4) {
        hand->done = true;
        return;
    }
    drift(draw, person);
    blanks = blanks_due(draw, hand);
    rinse = !first && chance(draw, draw->habits->rinse);
    change_s = fmax(MORNING_CHANGE_S * exp(normal(draw, MORNING_CHANGE_SPREAD)), 30);
    change_s += MORNING_WATER_S * (blanks + rinse);
    start_s = hand->free_s + change_s;
    if (!again)
        start_s = fmax(start_s, draw->morning->cup[cup].true_ready_s + wait_s(draw));
    between_cups(draw, person, first ? start_s - 60 : hand->free_s, start_s, blanks, rinse);
    draw->waiting[cup] = false;
    hand->visited[hand->visits++] = cup;
    hand->free_s = read_cup(draw, person, cup, start_s);
    hand->reach_s = hand->free_s + between(draw, 0, LONGEST_REACH_S);
    hand->done = hand->visits >= MORNING_CUPS * 2;
}

static void draw_instruments(struct draw *draw)
{
    for (int i = 0; i < MORNING_INSTRUMENTS; i++) {
        struct morning_instrument *instrument = &draw->morning->instrument[i];

        instrument->accuracy_pct = chance(draw, 0.25) ? 0.05 : 0.03;
        instrument->bias_pct = between(draw, -instrument->accuracy_pct, instrument->accuracy_pct);
        instrument->noise_pct = between(draw, 0.006, 0.016);
    }
    for (int i = 0; i < MORNING_PEOPLE; i++)
        draw->hand[i] = (struct hand){ .level_pct = between(draw, 0, draw->habits->level_most_pct),
                                       .cups_to_blank = chance(draw, 0.85) ? 0 : 2,
                                       .done = i >= draw->habits->people };
}

/* Half of the typed cups come as a value under the cup's name, off an instrument without a cable; the strength of the
 * others is simply there. */
static void type_values(struct draw *draw)
{
    for (int i = 0; i < draw->morning->cup_count; i++) {
        struct morning_cup *cup = &draw->morning->cup[i];
        struct morning_reading reading = { .shown = { .resolution_pct = 0.01, .said = SAMPLE_OF_CUP, .cup = i },
                                           .truth = i };

        if (!cup->typed)
            continue;
        if (chance(draw, 0.5)) {
            cup->shown.wanted = 0;
            continue;
        }
        if (chance(draw, 0.3))
            reading.shown.resolution_pct = 0.1;
        add_reading(draw, MORNING_PEOPLE, cup->true_ready_s + wait_s(draw), reading,
                    cup->true_pct + draw->morning->instrument[MORNING_PEOPLE].bias_pct);
    }
}

static int by_time(const void *a, const void *b)
{
    const struct morning_reading *left = a, *right = b;

    return (left->shown.at_us > right->shown.at_us) - (left->shown.at_us < right->shown.at_us);
}

int morning_draw(struct morning *morning, int family, unsigned long seed)
{
    struct draw draw = { .morning = morning, .habits = &morning_family(family)->habits };

    draw.random = gsl_rng_alloc(gsl_rng_mt19937);
    if (!draw.random)
        return -ENOMEM;
    gsl_rng_set(draw.random, seed * 64 + (unsigned long)family + 1);
    *morning = (struct morning){ .family = family, .seed = seed, .habits = draw.habits };
    morning->wait_median_s = between(&draw, draw.habits->wait_least_s, draw.habits->wait_most_s);
    draw_instruments(&draw);
    draw_cups(&draw);
    type_values(&draw); /* first: the cable leaves off when there is no room */
    for (;;) {
        int next = -1;

        for (int i = 0; i < MORNING_PEOPLE; i++)
            if (!draw.hand[i].done && (next < 0 || draw.hand[i].reach_s < draw.hand[next].reach_s))
                next = i;
        if (next < 0)
            break;
        visit(&draw, next);
    }
    qsort(morning->reading, (size_t)morning->reading_count, sizeof *morning->reading, by_time);
    gsl_rng_free(draw.random);
    return 0;
}
