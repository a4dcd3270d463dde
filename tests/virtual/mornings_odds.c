/* Whether a person who knows the bench could work out whose each reading is.  See mornings.h.  Not for what the
 * assigner makes of it.
 *
 * The criterion: the likelihood of the whole morning, with the generator's own parameters (the day's coffee, each
 * instrument's bias and noise, what water showed at each moment, how often this bench passes over, jumps, repeats), is
 * computed for the truth and for every explanation near it: cups exchanged, a row of visits shifted by one, a visit
 * given to another cup, cut in two or joined with its neighbour, readings moved across a border, a reading that was
 * water or a stranger's after all.  The chance of a reading's truth is the truth's share among all explanations, those
 * that agree on this reading counted with it.  It is decidable from MORNING_DECIDABLE on. */
#include "mornings.h"

#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

const double MORNING_DECIDABLE = 0.99;

static const double NEVER_SAY_NEVER = 1e-4; /* a habit that this bench does not have: a person still allows for it */
static const double LEAST_DENSITY = 1e-9;   /* per second: a time that no habit explains */
static const double STRAY_LEAST_PCT = 0.8, STRAY_MOST_PCT = 2.2, RINSE_MOST_PCT = 0.3;
static const double CLOCK_LEAST_S = 120, CLOCK_MOST_S = 720;

static const double HOPELESS_LOG = -45; /* worse by values than any habit or time could make good */

enum { SEEN_SLOTS = 32768, LONGEST_CUT_ROW = 8 };

typedef signed char labels[SAMPLES_READINGS];

struct visit {
    int cup, person, first, last, count, waters;
    double start_s, end_s, before_s; /* before_s: when the person's visit before ended; NAN: it is the first */
};

struct odds {
    const struct morning *morning;
    labels truth;
    struct visit visit[SAMPLES_READINGS]; /* of the truth, in the order of time */
    int visits;
    bool read[MORNING_CUPS]; /* in truth it has readings */
    double true_turns, true_values, cup_log[MORNING_CUPS], none_log[SAMPLES_READINGS];
    double *against; /* for each reading: the sum of explanations that have it otherwise, the truth being 1 */
    uint64_t *seen;  /* explanations already counted */
    size_t seen_count;
};

static double at_s(const struct morning *morning, int reading)
{
    return (double)morning->reading[reading].shown.at_us / 1e6;
}

static double rate(double habit)
{
    return log(fmax(habit, NEVER_SAY_NEVER));
}

/* Typed values lie outside the visits: they stand under their cup's name. */
static bool typed(const struct morning *morning, int reading)
{
    return morning->reading[reading].shown.instrument == MORNING_PEOPLE;
}

/* ---- values ---- */

static double log_normal(double x, double variance)
{
    return -0.5 * (x * x / variance + log(2 * M_PI * variance));
}

static double variance_of(const struct morning *morning, const struct sample_reading *reading)
{
    double noise = morning->instrument[reading->instrument].noise_pct;

    return noise * noise + reading->resolution_pct * reading->resolution_pct / 12;
}

/* What was on the prism before a reading; 0 before the first. */
static double before_pct(const struct morning *morning, int reading)
{
    for (int i = reading - 1; i >= 0; i--)
        if (morning->reading[i].shown.instrument == morning->reading[reading].shown.instrument)
            return morning->reading[i].shown.shown_pct - morning->reading[i].level_pct;
    return 0;
}

static bool first_of_visit(const struct morning *morning, const labels label, int reading)
{
    for (int i = reading - 1; i >= 0; i--)
        if (morning->reading[i].shown.instrument == morning->reading[reading].shown.instrument)
            return label[i] != label[reading];
    return true;
}

/* The readings of a cup under a hypothesis, one after the other: each is predicted by those before it.  Readings that
 * may have something of their predecessor come last, when the cup is known best. */
static double cup_log(const struct morning *morning, const labels label, int cup)
{
    double mean = morning->cup[cup].expected_pct, variance = pow(morning->cup[cup].scatter_pct, 2), sum = 0;
    double carry = morning->habits->carry;

    for (int pass = 0; pass < 2; pass++)
        for (int i = 0; i < morning->reading_count; i++) {
            const struct sample_reading *shown = &morning->reading[i].shown;
            double value, of_reading, plain, carried = -INFINITY, gain;

            if (label[i] != cup || (pass == 1) != (carry > 0 && first_of_visit(morning, label, i)))
                continue;
            value = shown->shown_pct - morning->reading[i].level_pct - morning->instrument[shown->instrument].bias_pct;
            of_reading = variance_of(morning, shown);
            plain = log_normal(value - mean, variance + of_reading);
            if (pass == 1) {
                double expected = 0.9 * mean + 0.1 * before_pct(morning, i);

                plain += log(1 - carry);
                carried = log(carry) + log_normal(value - expected, 0.81 * variance + of_reading);
            }
            sum += fmax(plain, carried) + log1p(exp(-fabs(plain - carried)));
            if (carried > plain)
                continue; /* most of it is not of the cup alone */
            gain = variance / (variance + of_reading);
            mean += gain * (value - mean);
            variance *= 1 - gain;
        }
    return sum;
}

static double water_log(const struct morning *morning, int reading)
{
    const struct sample_reading *shown = &morning->reading[reading].shown;
    double above = shown->shown_pct - morning->reading[reading].level_pct;
    double rinse = fmax(morning->habits->rinse, NEVER_SAY_NEVER);
    double rest = above > -0.03 && above < RINSE_MOST_PCT ? 1 / RINSE_MOST_PCT : 1e-6;

    return log((1 - rinse) * exp(log_normal(above, variance_of(morning, shown))) + rinse * rest);
}

static double stray_log(const struct morning *morning, int reading)
{
    double value = morning->reading[reading].shown.shown_pct;
    bool likely = value > STRAY_LEAST_PCT - 0.05 && value < STRAY_MOST_PCT + 0.2;

    return rate(morning->habits->stray) + log(likely ? 1 / (STRAY_MOST_PCT - STRAY_LEAST_PCT) : 0.05);
}

/* ---- times and turns ---- */

static int find_visits(const struct morning *morning, const labels label, struct visit visit[])
{
    int open[MORNING_PEOPLE] = { -1, -1 }, waters[MORNING_PEOPLE] = { 0, 0 }, count = 0;
    double before_s[MORNING_PEOPLE] = { NAN, NAN };

    for (int i = 0; i < morning->reading_count; i++) {
        int person = morning->reading[i].shown.instrument, *mine;

        if (typed(morning, i) || label[i] == MORNING_STRAY)
            continue;
        mine = &open[person];
        if (label[i] == MORNING_WATER) {
            waters[person]++;
            continue;
        }
        if (*mine < 0 || visit[*mine].cup != label[i] || waters[person]) {
            if (*mine >= 0)
                before_s[person] = visit[*mine].end_s;
            visit[count] = (struct visit){ .cup = label[i],
                                           .person = person,
                                           .first = i,
                                           .start_s = at_s(morning, i),
                                           .waters = waters[person],
                                           .before_s = before_s[person] };
            *mine = count++;
            waters[person] = 0;
        }
        visit[*mine].count++;
        visit[*mine].last = i;
        visit[*mine].end_s = at_s(morning, i);
    }
    return count;
}

static double log_density(double density)
{
    return log(fmax(density, LEAST_DENSITY));
}

/* Density of a start that waits for the person to be free and for the sample to be old enough. */
static double start_density(const struct morning *morning, const struct visit *visit, double ready_s)
{
    double change_s = visit->start_s - visit->before_s - MORNING_WATER_S * visit->waters;
    double wait_s = visit->start_s - ready_s, zeta = log(morning->wait_median_s);
    double spread = morning->habits->wait_spread, free, old;

    old = wait_s > 0 ? gsl_ran_lognormal_pdf(wait_s, zeta, spread) : 0;
    if (isnan(visit->before_s))
        return old;
    if (change_s <= 0)
        return 0;
    free = gsl_ran_lognormal_pdf(change_s, log(MORNING_CHANGE_S), MORNING_CHANGE_SPREAD);
    if (wait_s <= 0)
        return 0;
    return free * gsl_cdf_lognormal_P(wait_s, zeta, spread)
           + old * gsl_cdf_lognormal_P(change_s, log(MORNING_CHANGE_S), MORNING_CHANGE_SPREAD);
}

static double start_log(const struct morning *morning, const struct visit *visit, bool again)
{
    double ready_s = (double)morning->cup[visit->cup].shown.ready_us / 1e6, late = morning->habits->late_clock;
    double density;

    if (again) {
        double change_s = visit->start_s - visit->before_s - MORNING_WATER_S * visit->waters;

        return change_s > 0 ? log_density(gsl_ran_lognormal_pdf(change_s, log(MORNING_CHANGE_S), MORNING_CHANGE_SPREAD))
                            : log(LEAST_DENSITY);
    }
    density = (1 - late) * start_density(morning, visit, ready_s);
    for (int i = 0; late > 0 && i < 6; i++) {
        double late_s = CLOCK_LEAST_S + (CLOCK_MOST_S - CLOCK_LEAST_S) * (i + 0.5) / 6;

        density += late / 6 * start_density(morning, visit, ready_s - late_s);
    }
    return log_density(density);
}

static double within_log(const struct morning *morning, const labels label, const struct visit *visit)
{
    double sum = 0, last_s = visit->start_s;

    for (int i = visit->first + 1; i <= visit->last; i++) {
        if (morning->reading[i].shown.instrument != visit->person || label[i] != visit->cup)
            continue;
        sum +=
            log_density(gsl_ran_lognormal_pdf(at_s(morning, i) - last_s, log(MORNING_REPEAT_S), MORNING_REPEAT_SPREAD));
        last_s = at_s(morning, i);
    }
    sum += visit->count <= MORNING_REPEATS ? rate(morning->habits->repeats[visit->count - 1]) : rate(0) * 1.5;
    return sum;
}

static bool in_line(const struct morning *morning, const bool gone[], int cup, int person)
{
    return !gone[cup] && (!morning->habits->own_cups || morning->cup[cup].brewer == person);
}

/* The choice of one cup: those before it in line were passed over where they are never read, else jumped over. */
static double turn_log(const struct morning *morning, const int left[], bool gone[], const struct visit *visit)
{
    const struct morning_habits *habits = morning->habits;
    /* of two who share a row, who reached for the next cup first is seen only about */
    double jump = habits->people == 2 && !habits->own_cups ? fmax(habits->jump, 0.1) : habits->jump, sum = 0;
    int jumped = 0;

    for (int i = 0; i < visit->cup; i++) {
        if (!in_line(morning, gone, i, visit->person))
            continue;
        if (left[i] > 0) {
            jumped++;
            continue;
        }
        gone[i] = true;
        sum += rate(morning->cup[i].discarded ? 0.5 : habits->pass);
    }
    if (!in_line(morning, gone, visit->cup, visit->person))
        return sum + log(1e-5); /* another's, or typed */
    gone[visit->cup] = true;
    if (jumped == 0)
        return sum + log(1 - fmin(jump + habits->again, 0.9));
    return sum + (jumped <= 3 ? rate(jump) - log(3) : rate(0) * 1.5);
}

/* Whoever is free first takes the next cup: of two who share a row, about in the order in which they
 * became free. */
static int by_choice(const void *a, const void *b)
{
    const struct visit *left = a, *right = b;
    double left_s = isnan(left->before_s) ? 0 : left->before_s, right_s = isnan(right->before_s) ? 0 : right->before_s;

    if (left_s != right_s)
        return left_s < right_s ? -1 : 1;
    return left->person - right->person;
}

static double turns_log(const struct morning *morning, const labels label)
{
    struct visit visit[SAMPLES_READINGS];
    int count = find_visits(morning, label, visit), left[MORNING_CUPS] = { 0 };
    bool gone[MORNING_CUPS], known[MORNING_CUPS] = { false };
    double sum = 0;

    if (morning->habits->people == 2)
        qsort(visit, (size_t)count, sizeof *visit, by_choice);
    for (int i = 0; i < count; i++)
        left[visit[i].cup]++;
    for (int i = 0; i < morning->cup_count; i++)
        gone[i] = morning->cup[i].typed;
    for (int i = 0; i < count; i++) {
        bool again = known[visit[i].cup];

        sum += again ? rate(morning->habits->again / 4) : turn_log(morning, left, gone, &visit[i]);
        sum += start_log(morning, &visit[i], again) + within_log(morning, label, &visit[i]);
        known[visit[i].cup] = true;
        left[visit[i].cup]--;
    }
    for (int i = 0; i < morning->cup_count; i++)
        if (!gone[i] && !known[i])
            sum += rate(morning->cup[i].discarded ? 0.5 : morning->habits->pass);
    return sum;
}

/* ---- explanations ---- */

static double none_log(const struct morning *morning, int label, int reading)
{
    if (label >= 0)
        return 0;
    return label == MORNING_WATER ? log(0.2) + water_log(morning, reading) : stray_log(morning, reading);
}

static double values_log(const struct odds *odds, const labels label)
{
    const struct morning *morning = odds->morning;
    bool changed[MORNING_CUPS] = { false };
    double sum = 0;

    for (int i = 0; i < morning->reading_count; i++) {
        if (label[i] == odds->truth[i]) {
            sum += odds->none_log[i];
            continue;
        }
        sum += none_log(morning, label[i], i);
        for (int from = 0; from < 2; from++) {
            int cup = from ? label[i] : odds->truth[i];

            if (cup >= 0)
                changed[cup] = true;
        }
        /* whoever comes next on the prism may have become the first of a visit */
        for (int j = i + 1; morning->habits->carry > 0 && j < morning->reading_count; j++)
            if (morning->reading[j].shown.instrument == morning->reading[i].shown.instrument) {
                if (label[j] >= 0)
                    changed[label[j]] = true;
                break;
            }
    }
    for (int i = 0; i < morning->cup_count; i++)
        sum += changed[i] ? cup_log(morning, label, i) : odds->cup_log[i];
    return sum;
}

/* What becomes of a reading: a discarded cup's is no cup's, as a stranger's is. */
static int class_of(const struct morning *morning, int label)
{
    return label >= 0 && morning->cup[label].discarded ? MORNING_STRAY : label;
}

static bool allowed(const struct morning *morning, const labels label)
{
    for (int i = 0; i < morning->reading_count; i++) {
        const struct sample_reading *shown = &morning->reading[i].shown;

        if (shown->said == SAMPLE_OF_CUP && label[i] != shown->cup)
            return false;
        if (shown->said == SAMPLE_IS_BLANK && label[i] != MORNING_WATER)
            return false;
    }
    return true;
}

/* Whether it was weighed before: a set of 64-bit sums; when it is half full nothing more is weighed. */
static bool seen_before(struct odds *odds, const labels label)
{
    uint64_t sum = 14695981039346656037u;
    size_t slot;

    for (int i = 0; i < odds->morning->reading_count; i++)
        sum = (sum ^ (uint8_t)label[i]) * 1099511628211u;
    sum |= 1;
    for (slot = sum % SEEN_SLOTS; odds->seen[slot] && odds->seen[slot] != sum; slot = (slot + 1) % SEEN_SLOTS)
        ;
    if (odds->seen[slot] || odds->seen_count > SEEN_SLOTS / 2)
        return true;
    odds->seen[slot] = sum;
    odds->seen_count++;
    return false;
}

static void weigh(struct odds *odds, const labels label)
{
    double weight;

    if (!memcmp(label, odds->truth, sizeof(labels)) || !allowed(odds->morning, label) || seen_before(odds, label))
        return;
    weight = values_log(odds, label) - odds->true_values;
    if (weight < HOPELESS_LOG)
        return;
    weight = exp(fmin(weight + turns_log(odds->morning, label) - odds->true_turns, 50));
    for (int i = 0; i < odds->morning->reading_count; i++)
        if (class_of(odds->morning, label[i]) != class_of(odds->morning, odds->truth[i]))
            odds->against[i] += weight;
}

/* The open readings of a visit from its `from`th on, `count` of them, become `to`. */
static void relabel(const struct odds *odds, labels label, const struct visit *visit, int from, int count, int to)
{
    int place = 0;

    for (int i = visit->first; i <= visit->last; i++) {
        if (odds->morning->reading[i].shown.instrument != visit->person || odds->truth[i] != visit->cup)
            continue;
        if (place >= from && place < from + count)
            label[i] = (signed char)to;
        place++;
    }
}

static void whole(const struct odds *odds, labels label, const struct visit *visit, int to)
{
    relabel(odds, label, visit, 0, visit->count, to);
}

static void exchange_cups(struct odds *odds)
{
    for (int a = 0; a < odds->morning->cup_count; a++)
        for (int b = a + 1; b < odds->morning->cup_count && b <= a + 6; b++) {
            labels label;

            memcpy(label, odds->truth, sizeof label);
            for (int i = 0; i < odds->morning->reading_count; i++)
                if (odds->truth[i] == a || odds->truth[i] == b)
                    label[i] = (signed char)(odds->truth[i] == a ? b : a);
            weigh(odds, label);
        }
}

static void give_visits(struct odds *odds)
{
    for (int i = 0; i < odds->visits; i++) {
        labels label;

        for (int to = MORNING_STRAY; to < odds->morning->cup_count; to++) {
            memcpy(label, odds->truth, sizeof label);
            whole(odds, label, &odds->visit[i], to);
            weigh(odds, label);
        }
        for (int j = i + 1; j < odds->visits && j <= i + 5; j++) {
            memcpy(label, odds->truth, sizeof label);
            whole(odds, label, &odds->visit[i], odds->visit[j].cup);
            whole(odds, label, &odds->visit[j], odds->visit[i].cup);
            weigh(odds, label);
        }
    }
}

/* The next cup in the row after (by = 1) or before (-1) that has no readings; -1: none. */
static int unread_cup(const struct odds *odds, int cup, int by)
{
    for (cup += by; cup >= 0 && cup < odds->morning->cup_count; cup += by)
        if (!odds->read[cup] && !odds->morning->cup[cup].typed)
            return cup;
    return -1;
}

/* The visits of one person, or of all, in the order of time. */
static int row_of(const struct odds *odds, int person, int row[])
{
    int count = 0;

    for (int i = 0; i < odds->visits; i++)
        if (person < 0 || odds->visit[i].person == person)
            row[count++] = i;
    return count;
}

/* From one visit to another each belongs to the cup of the next (or of the one before); the last of them to an unread
 * cup, or to its neighbour's as well. */
static void shift_row(struct odds *odds, const int row[], int count, int by)
{
    for (int from = by > 0 ? 0 : count - 1; from >= 0 && from < count; from += by) {
        labels label;

        memcpy(label, odds->truth, sizeof label);
        for (int i = from; i >= 0 && i < count; i += by) {
            const struct visit *visit = &odds->visit[row[i]];
            int unread = unread_cup(odds, visit->cup, by);
            labels to_unread;

            if (unread >= 0) {
                memcpy(to_unread, label, sizeof label);
                whole(odds, to_unread, visit, unread);
                weigh(odds, to_unread);
            }
            if (i + by < 0 || i + by >= count)
                break;
            whole(odds, label, visit, odds->visit[row[i + by]].cup);
            weigh(odds, label);
        }
    }
}

/* Readings across a border, and a visit cut in two with those after it shifted. */
static void move_borders(struct odds *odds, const int row[], int count)
{
    for (int i = 0; i < count; i++) {
        const struct visit *visit = &odds->visit[row[i]];

        for (int part = 1; part < visit->count; part++)
            for (int tail = 0; tail < 2; tail++) {
                int by = tail ? 1 : -1, start = tail ? visit->count - part : 0;
                labels label;

                memcpy(label, odds->truth, sizeof label);
                for (int j = i; j >= 0 && j < count && abs(j - i) < LONGEST_CUT_ROW; j += by) {
                    const struct visit *moved = &odds->visit[row[j]];
                    int unread = unread_cup(odds, moved->cup, by), first = j == i ? start : 0;
                    int moved_count = j == i ? part : moved->count;
                    labels to_unread;

                    if (unread >= 0) {
                        memcpy(to_unread, label, sizeof label);
                        relabel(odds, to_unread, moved, first, moved_count, unread);
                        weigh(odds, to_unread);
                    }
                    if (j + by < 0 || j + by >= count)
                        break;
                    relabel(odds, label, moved, first, moved_count, odds->visit[row[j + by]].cup);
                    weigh(odds, label);
                }
            }
    }
}

static void move_readings(struct odds *odds)
{
    const struct morning *morning = odds->morning;

    for (int i = 0; i < morning->reading_count; i++)
        for (int to = MORNING_STRAY; to < morning->cup_count; to++) {
            labels label;

            if (typed(morning, i))
                continue;
            memcpy(label, odds->truth, sizeof label);
            label[i] = (signed char)to;
            weigh(odds, label);
        }
}

static void explain(struct odds *odds)
{
    exchange_cups(odds);
    give_visits(odds);
    for (int person = -1; person < odds->morning->habits->people; person++) {
        int row[SAMPLES_READINGS], count = row_of(odds, person, row);

        if (person == 0 && odds->morning->habits->people == 1)
            break; /* the same row as that of all */
        shift_row(odds, row, count, 1);
        shift_row(odds, row, count, -1);
        move_borders(odds, row, count);
    }
    move_readings(odds);
}

int morning_odds(const struct morning *morning, double chance[])
{
    struct odds odds = { .morning = morning, .against = chance };

    odds.seen = calloc(SEEN_SLOTS, sizeof *odds.seen);
    if (!odds.seen)
        return -ENOMEM;
    for (int i = 0; i < morning->reading_count; i++) {
        odds.truth[i] = (signed char)morning->reading[i].truth;
        odds.none_log[i] = none_log(morning, odds.truth[i], i);
        if (odds.truth[i] >= 0)
            odds.read[odds.truth[i]] = true;
        chance[i] = 0;
    }
    for (int i = 0; i < morning->cup_count; i++)
        odds.cup_log[i] = cup_log(morning, odds.truth, i);
    odds.visits = find_visits(morning, odds.truth, odds.visit);
    odds.true_values = values_log(&odds, odds.truth);
    odds.true_turns = turns_log(morning, odds.truth);
    explain(&odds);
    for (int i = 0; i < morning->reading_count; i++)
        chance[i] = 1 / (1 + chance[i]);
    free(odds.seen);
    return 0;
}
