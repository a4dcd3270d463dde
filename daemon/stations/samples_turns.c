/* Whose sample is read next, and when; see samples_parts.h.
 *
 * Cups stand in a row and are read one after the other, when their samples have cooled and a person is free.  Now and
 * then one is passed over, for good or until later, or read once more.  Two people with an instrument each keep to
 * their own brewers or share the row.  How often each of this happens is learnt as the morning goes; what stands here
 * is what is believed before, as so many samples seen (common practice, no source). */
#include "samples_parts.h"

#include <math.h>

static const double TAKEN = 8, SKIPPED = 0.3, ON = 3, BACK = 0.4, FIRST = 8, AGAIN = 0.2, OWN = 1.5, SHARED = 0.7,
                    ON_TIME = 10, LATE = 0.3;

/* Of two people one carries a cup away while the other reads the next: more is passed over, and come back to. */
static const double TWO_SKIPPED = 1, TWO_BACK = 1.5;

/* One whose strength came another way is hardly read. */
static const double TYPED_SKIP = 0.97;

/* One that is discarded may have been read before, and hardly after. */
static const double DISCARDED_SKIP = 0.5, GONE_SKIP = 0.98;

/* Whoever passed a cup over comes back to it soon: less by this factor with each cup that was read instead. */
static const double BACK_LATER = 0.6;

/* Whoever reads a cup once more reads one of the last few, likelier than any before it by so much. */
static const double AGAIN_EARLIER = 0.75;

/* Where no cup waits to be read, a sample is of one that the bench has not seen as often as of one read before. */
static const double NOBODYS = 0.5;

/* One behind the last that is not waited for: a late clock, a cup that was typed. */
static const double OUT_OF_ROW = 0.1;

/* Of two people who share a row, whoever is free first takes the next cup, and has it in hand while it cools: it is
 * passed over by the other, and come back to.  Nobody reaches for it at once. */
static const double REACH_S = 25, SHARED_MOST = 0.9;

/* From full to read, while the sample cools: median, its spread from day to day, and that of one day (logarithms). */
static const double WAIT_S = 420, WAIT_DAYS = 0.8, WAIT_SPREAD = 0.4;

/* Between two readings of one sample, and from one cup to the next where nobody waits for a sample to cool. */
static const double SAME_S = 13, SAME_SPREAD = 0.5, CHANGE_S = 55, CHANGE_SPREAD = 0.7, RINSED_S = 30;

/* As if so many had been seen; a longer one is a pause. */
static const double SAME_SEEN = 2, SAME_MOST_S = 90;

/* People pause for other reasons: then it may be anything about these. */
static const double PAUSE = 0.04, PAUSE_S = 150, PAUSE_SPREAD = 1.6;

/* The end of a brew that is recorded too late is so by about as much as one of these. */
static const double LATE_S[] = { 40, 130, 250, 430, 830 };
static const double LATE_MOST_S = 1200;

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

/* What is known of times once, for all cups. */
struct times {
    bool first;                  /* the first reading of the instrument */
    double density, over, pause; /* of the person: is free now, is free by now, pauses */
    double cooled_s, spread;     /* of samples: how long they wait */
    double late;                 /* share of cups whose end is recorded too late */
};

static struct times times_of(const struct habits *habits, double gap_s, bool after_blank)
{
    double spread_v = WAIT_SPREAD * WAIT_SPREAD, days_v = WAIT_DAYS * WAIT_DAYS;
    double change_s = after_blank ? RINSED_S : CHANGE_S;
    struct times times = { .first = isnan(gap_s),
                           .cooled_s = exp(habits->waited),
                           .spread = sqrt(spread_v + 1 / (1 / days_v + habits->waits / spread_v)),
                           .late = habits->late / (habits->on_time + habits->late) };

    if (times.first)
        return times;
    gap_s = fmax(gap_s, 1);
    times.density = density(gap_s, change_s, CHANGE_SPREAD);
    times.over = over_by(gap_s, change_s, CHANGE_SPREAD);
    times.pause = density(gap_s, PAUSE_S, PAUSE_SPREAD);
    return times;
}

/* A sample begins when it has cooled and the person is free, whichever comes later; `old` comes back as the share of
 * the first. */
static double begin_density(const struct times *times, double wait_s, double *old)
{
    double cooled, both, busy;

    *old = 0;
    if (!(wait_s > 0))
        return 0;
    cooled = density(wait_s, times->cooled_s, times->spread);
    if (times->first) {
        *old = 0.5;
        return 0.45 * cooled + 0.45 * density(wait_s, 2 * WAIT_S, 1.2) + 0.1 / PAUSE_S;
    }
    both = cooled * times->over;
    busy = times->density * over_by(wait_s, times->cooled_s, times->spread);
    *old = both / (both + busy + 1e-12);
    return (1 - PAUSE) * (both + busy) + PAUSE * times->pause;
}

/* The same where the end of the brew may have been recorded too late: then it had waited for longer. */
static double begin_late_density(const struct times *times, double wait_s, struct choice *choice)
{
    enum { LATES = sizeof LATE_S / sizeof *LATE_S };
    double on_time = begin_density(times, wait_s, &choice->old), late = 0, old;

    for (int i = 0; i < LATES; i++)
        late += begin_density(times, wait_s + LATE_S[i], &old) / LATES;
    if (!(wait_s > 0)) { /* that it is late is in the weight of the cup already */
        choice->late = 1;
        return late;
    }
    choice->late = times->late * late / (times->late * late + (1 - times->late) * on_time);
    return times->late * late + (1 - times->late) * on_time;
}

/* The chance that one who was free so much earlier reached for a cup first. */
static double over_by_normal(double earlier_s)
{
    return 0.5 * erfc(-earlier_s / REACH_S * M_SQRT1_2);
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
    int64_t at_us;
    int last, station;
    double passed_over[SAMPLES_CUPS], passed_overs; /* how well each, and any, may be come back to */
    double before_other, after_other; /* this person chose a cup before the other did; has the other now */
    double again, back, forward;      /* chances that are left */
};

static bool is_in(const struct row *row, int cup)
{
    return row->station < 0 || row->samples->cup[cup].station == row->station;
}

static bool is_unready(const struct row *row, int cup)
{
    return row->wait_s[cup] < -READY_SLACK_S;
}

static bool is_gone(const struct row *row, const struct sample_cup *cup)
{
    return cup->discarded && row->at_us >= cup->discarded_us;
}

/* It waits for its turn. */
static bool waits(const struct row *row, int cup)
{
    const struct sample_cup *one = &row->samples->cup[cup];

    return !is_gone(row, one) && is_in(row, cup) && !row->read[cup] && one->wanted > 0 && !is_unready(row, cup);
}

static void look_back(struct row *row)
{
    double since = 1 / BACK_LATER, back = row->habits->back / (row->habits->on + row->habits->back);

    row->passed_overs = 0;
    if (row->station < 0)
        back = fmax(back, SHARED_MOST * row->before_other);
    for (int i = row->last; i >= 0; i--) {
        row->passed_over[i] = 0;
        if (!is_in(row, i))
            continue;
        if (row->read[i]) {
            since *= BACK_LATER;
        } else if (waits(row, i)) {
            row->passed_over[i] = since;
            row->passed_overs += since;
        }
    }
    row->back = row->passed_overs > 0 ? (1 - row->again) * back * fmin(row->passed_overs, 1) : 0;
    row->forward = 1 - row->again - row->back;
}

/* The chance that a cup which is next, or comes after so many that were passed over, is passed over. */
static double passes(const struct row *row, int cup, int skipped)
{
    const struct sample_cup *one = &row->samples->cup[cup];
    double passed = row->habits->skipped / (row->habits->taken + row->habits->skipped);

    if (one->wanted == 0)
        return TYPED_SKIP;
    if (one->discarded)
        return is_gone(row, one) ? GONE_SKIP : DISCARDED_SKIP;
    if (is_unready(row, cup))
        return row->habits->on_time / (row->habits->on_time + row->habits->late);
    for (int i = cup + 1; i < row->samples->cup_count; i++)
        if (waits(row, i))
            return skipped || row->station >= 0 ? passed : fmax(passed, SHARED_MOST * row->after_other);
    return passed;
}

static double weigh_one(struct row *row, int cup, int *skipped, struct choice *out)
{
    double passed = passes(row, cup, *skipped), weight;

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

/* What is left is for cups read before, or for what nobody knows of. */
static void again_weights(struct row *row, int count, double weight[], struct choice *out)
{
    double next = (1 - AGAIN_EARLIER) / (1 - pow(AGAIN_EARLIER, count));

    for (int i = row->samples->cup_count - 1; i >= 0; i--)
        if (row->read[i]) {
            weight[i] = (row->again + (1 - NOBODYS) * row->forward) * next;
            next *= AGAIN_EARLIER;
            out[i].kind = CHOICE_AGAIN;
        }
    row->forward *= NOBODYS;
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
    again_weights(row, count, weight, out);
}

/* Who reached for a cup first: this person now, or the other for the one that he read last, or has in hand. */
static void look_across(struct row *row, int instrument)
{
    const struct habits *habits = row->habits;

    for (int i = 0; habits->two && i < SAMPLES_INSTRUMENTS; i++) {
        if (i == instrument || habits->last[i] == SAMPLES_NO_CUP)
            continue;
        row->before_other = fmax(row->before_other, over_by_normal(habits->chosen_s[i] - habits->free_s[instrument]));
        row->after_other = fmax(row->after_other, over_by_normal(habits->free_s[instrument] - habits->free_s[i]));
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

double turns_weigh(const struct samples *samples, const struct habits *habits, const unsigned char *read, int reading,
                   double gap_s, bool after_blank, struct choice *out)
{
    int instrument = samples->reading[reading].instrument;
    struct times times = times_of(habits, gap_s, after_blank);
    double wait_s[SAMPLES_CUPS], shared[SAMPLES_CUPS], own[SAMPLES_CUPS] = { 0 }, keeps = 0, nobodys = 0;
    struct row all = { .samples = samples,
                       .habits = habits,
                       .read = read,
                       .wait_s = wait_s,
                       .at_us = samples->reading[reading].at_us,
                       .station = -1 };

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
        nobodys = keeps * row.forward;
    }
    all.last = last_of_all(samples, read);
    look_across(&all, instrument);
    weigh_row(&all, shared, out);
    nobodys += (1 - keeps) * all.forward;
    for (int i = 0; i < samples->cup_count; i++) {
        double chance = keeps * own[i] + (1 - keeps) * shared[i], seconds;

        if (!(chance > 0))
            continue;
        out[i].own = keeps * own[i] / chance;
        if (out[i].kind == CHOICE_AGAIN && !times.first)
            seconds = (1 - PAUSE) * times.density + PAUSE * times.pause;
        else
            seconds = begin_late_density(&times, wait_s[i], &out[i]);
        out[i].log_chance = log(chance) + log(seconds + 1e-9);
    }
    return nobodys;
}

static void learn_wait(struct habits *habits, const struct choice *choice, double wait_s)
{
    double prior = WAIT_SPREAD * WAIT_SPREAD / (WAIT_DAYS * WAIT_DAYS), seen = choice->old * (1 - choice->late);

    if (!(wait_s > 0))
        return;
    habits->waits += seen;
    habits->waited += seen / (habits->waits + prior) * (log(wait_s) - habits->waited);
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
        if (choice->kind != CHOICE_AGAIN) {
            habits->late += choice->late;
            habits->on_time += 1 - choice->late;
            learn_wait(habits, choice, wait_of(samples, cup, reading));
        }
    }
    habits->last[instrument] = (signed char)cup;
    habits->chosen_s[instrument] = habits->free_s[instrument];
}

void turns_read(const struct samples *samples, struct habits *habits, int reading)
{
    habits->free_s[samples->reading[reading].instrument] = (double)samples->reading[reading].at_us / 1e6;
}
