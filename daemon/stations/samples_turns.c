/* Whose sample is read next, and when; see samples_parts.h.
 *
 * Cups stand in a row and are read one after the other, when their samples have cooled and a person is free.  Now and
 * then one is passed over, for good or until later, or read once more.  Two people with an instrument each keep to
 * their own brewers or share the row.  How often each of this happens is learnt as the morning goes; what stands here
 * is what is believed before, as so many samples seen (common practice, no source). */
#include "samples_parts.h"

#include <math.h>

static const double TAKEN = 12, SKIPPED = 0.22, ON = 1.5, BACK = 0.7, FIRST = 20, AGAIN = 0.1, OWN = 1.5, SHARED = 0.7,
                    ON_TIME = 15, LATE = 0.3;

/* Of two people one carries a cup away while the other reads the next: more is passed over, and come back to. */
static const double TWO_SKIPPED = 1, TWO_BACK = 1.5;

/* One whose strength came another way is hardly read. */
static const double TYPED_SKIP = 0.97;

/* Whoever passed a cup over comes back to it soon: less by this factor with each cup that was read instead. */
static const double BACK_LATER = 0.6;

/* One behind the last that is not waited for: a late clock, a cup that was typed. */
static const double OUT_OF_ROW = 0.1;

/* Of two people each takes one of cups full within about so much; either is read first, so that the other is passed
 * over, and come back to, so often. */
static const double SAME_MOMENT_S = 60, ALIKE_SKIP = 0.4, ALIKE_BACK = 0.8;

/* From full to read, while the sample cools: median, its spread from day to day, and that of one day (logarithms). */
static const double WAIT_S = 420, WAIT_DAYS = 0.8, WAIT_SPREAD = 0.4;

/* Between two readings of one sample, and from one cup to the next where nobody waits for a sample to cool. */
static const double SAME_S = 13, SAME_SPREAD = 0.5, CHANGE_S = 55, CHANGE_SPREAD = 0.7, RINSED_S = 30;

/* As if so many had been seen; a longer one is a pause. */
static const double SAME_SEEN = 2, SAME_MOST_S = 90;

/* People pause for other reasons: then it may be anything about these. */
static const double PAUSE = 0.04, PAUSE_S = 150, PAUSE_SPREAD = 1.6;

/* The end of a brew is recorded so much too late at most, and hardly later than now. */
static const double LATE_MOST_S = 1200, LATE_S = 300;

static const double READY_SLACK_S = 5; /* a cup is full a little before that is known */

static bool are_two(const struct samples *samples)
{
    int first = -1;

    for (int i = 0; i < samples->reading_count; i++) {
        if (samples->reading[i].said != SAMPLE_OPEN)
            continue;
        if (first >= 0 && samples->reading[i].instrument != first)
            return true;
        first = samples->reading[i].instrument;
    }
    return false;
}

void habits_begin(const struct samples *samples, struct habits *habits)
{
    *habits = (struct habits){ .taken = TAKEN,
                               .skipped = SKIPPED,
                               .on = ON,
                               .back = BACK,
                               .first = FIRST,
                               .again = AGAIN,
                               .own = OWN,
                               .shared = SHARED,
                               .on_time = ON_TIME,
                               .late = LATE,
                               .waited = log(WAIT_S),
                               .repeated = log(SAME_S) };
    for (int i = 0; i < SAMPLES_INSTRUMENTS; i++)
        habits->last[i] = SAMPLES_NO_CUP;
    habits->two = are_two(samples);
    if (habits->two) {
        habits->skipped += TWO_SKIPPED;
        habits->back += TWO_BACK;
    }
}

/* ---- times ---- */

/* Of a time whose logarithm is normal: its density per second, and the chance that it is over by then. */
static double density(double seconds, double median_s, double spread)
{
    double z = log(seconds / median_s) / spread;

    return exp(-0.5 * z * z) / (seconds * spread * sqrt(2 * M_PI));
}

static double over_by(double seconds, double median_s, double spread)
{
    return 0.5 * erfc(-log(seconds / median_s) / spread * M_SQRT1_2);
}

double turns_further(const struct habits *habits, double gap_s)
{
    double spread = SAME_SPREAD * sqrt(1 + 1 / (SAME_SEEN + habits->repeats));

    gap_s = fmax(gap_s, 1);
    return log((1 - PAUSE) * density(gap_s, exp(habits->repeated), spread)
               + PAUSE * density(gap_s, PAUSE_S, PAUSE_SPREAD));
}

void turns_learn_further(struct habits *habits, double gap_s)
{
    if (gap_s > SAME_MOST_S)
        return;
    habits->repeats++;
    habits->repeated += (log(fmax(gap_s, 1)) - habits->repeated) / (SAME_SEEN + habits->repeats);
}

double turns_begin(double gap_s)
{
    return isnan(gap_s) ? log(1 / PAUSE_S) : log(density(fmax(gap_s, 1), CHANGE_S, 1.5 * CHANGE_SPREAD));
}

/* What is known of the person's time once, for all cups. */
struct free_person {
    bool first; /* the first reading of the instrument */
    double density, over, pause;
};

static struct free_person person_of(double gap_s, bool after_blank)
{
    double change_s = after_blank ? RINSED_S : CHANGE_S;
    struct free_person person = { .first = isnan(gap_s) };

    if (person.first)
        return person;
    gap_s = fmax(gap_s, 1);
    person.density = density(gap_s, change_s, CHANGE_SPREAD);
    person.over = over_by(gap_s, change_s, CHANGE_SPREAD);
    person.pause = density(gap_s, PAUSE_S, PAUSE_SPREAD);
    return person;
}

/* A sample begins when it has cooled and the person is free, whichever comes later. */
static double begin_density(const struct free_person *person, const struct habits *habits, double wait_s, double *old)
{
    double spread_v = WAIT_SPREAD * WAIT_SPREAD, days_v = WAIT_DAYS * WAIT_DAYS;
    double spread = sqrt(spread_v + 1 / (1 / days_v + habits->waits / spread_v)), median_s = exp(habits->waited);
    double cooled = density(wait_s, median_s, spread), both;

    if (person->first) {
        *old = 0.5;
        return 0.45 * cooled + 0.45 * density(wait_s, 2 * WAIT_S, 1.2) + 0.1 / PAUSE_S;
    }
    both = cooled * person->over;
    *old = both / (both + person->density * over_by(wait_s, median_s, spread) + 1e-12);
    return (1 - PAUSE) * (both + person->density * over_by(wait_s, median_s, spread)) + PAUSE * person->pause;
}

/* ---- the row ---- */

static double wait_of(const struct samples *samples, int cup, int reading)
{
    double wait_s;

    if (samples->reading[reading].at_us < samples->cup[cup].begun_us)
        return -INFINITY;
    wait_s = ((double)samples->reading[reading].at_us - (double)samples->cup[cup].ready_us) / 1e6;

    return wait_s > -READY_SLACK_S ? fmin(fmax(wait_s, 1), 1e5) : wait_s;
}

/* A row: the cups of one station, or (station < 0) all; up to `last` it was read. */
struct row {
    const struct samples *samples;
    const struct habits *habits;
    const unsigned char *read;
    const double *wait_s;
    int last, station;
    double passed_over[SAMPLES_CUPS], passed_overs; /* how well each, and any, may be come back to */
    double again, back, forward;                    /* chances that are left */
};

static bool is_in(const struct row *row, int cup)
{
    return row->station < 0 || row->samples->cup[cup].station == row->station;
}

static bool is_unready(const struct row *row, int cup)
{
    return row->wait_s[cup] < -READY_SLACK_S;
}

/* It waits for its turn. */
static bool waits(const struct row *row, int cup)
{
    const struct sample_cup *one = &row->samples->cup[cup];

    return is_in(row, cup) && !row->read[cup] && one->wanted > 0 && !is_unready(row, cup);
}

/* 1: both were full at the same moment, two people are at work, and which of them is read first means nothing. */
static double alike(const struct row *row, int cup, int other)
{
    return row->habits->two ? exp(-fabs(row->wait_s[cup] - row->wait_s[other]) / SAME_MOMENT_S) : 0;
}

static void look_back(struct row *row)
{
    double since = 1 / BACK_LATER, back = row->habits->back / (row->habits->on + row->habits->back);

    row->passed_overs = 0;
    for (int i = row->last; i >= 0; i--) {
        row->passed_over[i] = 0;
        if (!is_in(row, i))
            continue;
        if (row->read[i]) {
            since *= BACK_LATER;
        } else if (waits(row, i)) {
            row->passed_over[i] = since;
            row->passed_overs += since;
            back = fmax(back, ALIKE_BACK * since * alike(row, i, row->last));
        }
    }
    row->back = row->passed_overs > 0 ? (1 - row->again) * back * fmin(row->passed_overs, 1) : 0;
    row->forward = 1 - row->again - row->back;
}

/* The chance that a cup which is next is passed over. */
static double passes(const struct row *row, int cup)
{
    const struct sample_cup *one = &row->samples->cup[cup];
    double passed = row->habits->skipped / (row->habits->taken + row->habits->skipped);

    if (one->wanted == 0)
        return TYPED_SKIP;
    if (is_unready(row, cup))
        return row->habits->on_time / (row->habits->on_time + row->habits->late);
    for (int i = cup + 1; i < row->samples->cup_count; i++)
        if (waits(row, i))
            return fmax(passed, ALIKE_SKIP * alike(row, cup, i));
    return passed;
}

static double weigh_one(struct row *row, int cup, int *skipped, struct choice *out)
{
    double passed = passes(row, cup), weight;

    out->late = is_unready(row, cup);
    out->back_possible = fmin(row->passed_overs, 1);
    if (cup < row->last && waits(row, cup)) {
        out->kind = CHOICE_BACK;
        return row->back * row->passed_over[cup] / row->passed_overs;
    }
    out->kind = CHOICE_NEXT;
    if (cup < row->last)
        return OUT_OF_ROW * (1 - row->again) * (1 - passed);
    weight = row->forward * (1 - passed);
    row->forward *= passed;
    out->skipped = *skipped;
    *skipped += waits(row, cup);
    return weight;
}

/* Nobody passes over the last that there is; and where none is next, one that was passed over is. */
static void take_rest(struct row *row, int newest, double weight[])
{
    if (newest >= 0) {
        weight[newest] += row->forward;
        row->forward = 0;
    } else if (row->passed_overs > 0) {
        for (int i = 0; i < row->last; i++)
            weight[i] += waits(row, i) ? row->forward * row->passed_over[i] / row->passed_overs : 0;
        row->forward = 0;
    }
}

/* Weights of a row's cups; what is left over is for cups read before. */
static void weigh_row(struct row *row, double weight[], struct choice *out)
{
    int skipped = 0, count = 0, newest = -1;

    row->again = row->habits->again / (row->habits->first + row->habits->again);
    look_back(row);
    for (int i = 0; i < row->samples->cup_count; i++) {
        weight[i] = 0;
        count += row->read[i] > 0;
        if (!row->read[i] && is_in(row, i) && row->wait_s[i] >= -LATE_MOST_S)
            weight[i] = weigh_one(row, i, &skipped, &out[i]);
        if (i > row->last && waits(row, i))
            newest = i;
    }
    take_rest(row, newest, weight);
    for (int i = 0; i < row->samples->cup_count; i++)
        if (row->read[i]) {
            weight[i] = (row->again + row->forward) / count;
            out[i].kind = CHOICE_AGAIN;
        }
}

static int last_of_all(const struct samples *samples, const unsigned char *read)
{
    int last = -1;

    for (int i = 0; i < samples->cup_count; i++)
        if (read[i])
            last = i;
    return last;
}

/* Where another instrument has read something too, and there are two stations. */
static bool has_own_row(const struct samples *samples, const struct habits *habits, int instrument)
{
    bool others = false, stations = false;

    for (int i = 0; i < SAMPLES_INSTRUMENTS; i++)
        others = others || (i != instrument && habits->last[i] != SAMPLES_NO_CUP);
    for (int i = 1; i < samples->cup_count; i++)
        stations = stations || samples->cup[i].station != samples->cup[0].station;
    return stations && others;
}

/* The station whose cups this instrument keeps to, if it does: that of its last cup, else one that no other has. */
static int own_station(const struct samples *samples, const struct habits *habits, int instrument)
{
    if (habits->last[instrument] != SAMPLES_NO_CUP)
        return samples->cup[(int)habits->last[instrument]].station;
    for (int i = 0; i < samples->cup_count; i++) {
        bool taken = false;

        for (int k = 0; k < SAMPLES_INSTRUMENTS; k++)
            taken = taken
                    || (habits->last[k] != SAMPLES_NO_CUP
                        && samples->cup[(int)habits->last[k]].station == samples->cup[i].station);
        if (!taken)
            return samples->cup[i].station;
    }
    return samples->cup[0].station;
}

static int last_of_station(const struct samples *samples, const unsigned char *read, int station)
{
    int last = -1;

    for (int i = 0; i < samples->cup_count; i++)
        if (read[i] && samples->cup[i].station == station)
            last = i;
    return last;
}

void turns_weigh(const struct samples *samples, const struct habits *habits, const unsigned char *read, int reading,
                 double gap_s, bool after_blank, struct choice *out)
{
    int instrument = samples->reading[reading].instrument;
    struct free_person person = person_of(gap_s, after_blank);
    double wait_s[SAMPLES_CUPS], shared[SAMPLES_CUPS], own[SAMPLES_CUPS] = { 0 }, keeps = 0;
    struct row all = { .samples = samples, .habits = habits, .read = read, .wait_s = wait_s, .station = -1 };

    for (int i = 0; i < samples->cup_count; i++) {
        wait_s[i] = wait_of(samples, i, reading);
        out[i] = (struct choice){ .log_chance = -INFINITY };
    }
    if (has_own_row(samples, habits, instrument)) {
        struct row row = all;

        row.station = own_station(samples, habits, instrument);
        row.last = last_of_station(samples, read, row.station);
        keeps = habits->own / (habits->own + habits->shared);
        weigh_row(&row, own, out);
    }
    all.last = last_of_all(samples, read);
    weigh_row(&all, shared, out);
    for (int i = 0; i < samples->cup_count; i++) {
        double chance = keeps * own[i] + (1 - keeps) * shared[i], seconds;

        if (!(chance > 0))
            continue;
        out[i].own = keeps * own[i] / chance;
        if (out[i].late)
            seconds = exp(wait_s[i] / LATE_S) * (person.first ? 1 / WAIT_S : person.density + PAUSE * person.pause);
        else if (out[i].kind == CHOICE_AGAIN && !person.first)
            seconds = (1 - PAUSE) * person.density + PAUSE * person.pause;
        else
            seconds = begin_density(&person, habits, wait_s[i], &out[i].old);
        out[i].log_chance = log(chance) + log(seconds + 1e-9);
    }
}

void turns_learn(const struct samples *samples, struct habits *habits, const struct choice *choice, int reading,
                 int cup)
{
    int instrument = samples->reading[reading].instrument;

    if (samples->reading[reading].said == SAMPLE_OPEN) {
        habits->own += choice->own;
        habits->shared += has_own_row(samples, habits, instrument) ? 1 - choice->own : 0;
        habits->again += choice->kind == CHOICE_AGAIN;
        habits->first += choice->kind != CHOICE_AGAIN;
        habits->taken += choice->kind == CHOICE_NEXT && choice->own < 0.5;
        habits->skipped += choice->own < 0.5 ? choice->skipped : 0;
        habits->back += choice->kind == CHOICE_BACK && choice->own < 0.5;
        habits->on += choice->kind == CHOICE_NEXT && choice->own < 0.5 ? choice->back_possible : 0;
        habits->late += choice->late;
        habits->on_time += !choice->late && choice->kind != CHOICE_AGAIN;
        if (choice->kind != CHOICE_AGAIN && !choice->late && choice->old > 0) {
            double spread_v = WAIT_SPREAD * WAIT_SPREAD, prior = spread_v / (WAIT_DAYS * WAIT_DAYS);

            habits->waits += choice->old;
            habits->waited +=
                choice->old / (habits->waits + prior) * (log(wait_of(samples, cup, reading)) - habits->waited);
        }
    }
    habits->last[instrument] = (signed char)cup;
}
