/* Readings to cups; see samples.h.
 *
 * Many accounts of the morning are carried side by side, each with a weight: how well the readings fit it, times how
 * people work (they go cup by cup, read a sample as often as they mean to, and seldom otherwise).  Each account knows
 * what its cups came to and what it therefore expects of the next ones.  After each reading the best are kept; in the
 * end the share of the weight that gives a reading to a cup is the chance that it is that cup's. */
#include "samples.h"

#include <assert.h>
#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

const double SAMPLES_CLEAR = 0.95;
const double SAMPLES_UNFILTERED_PCT = 0.02;

enum { ACCOUNTS = 800 }; /* carried at once: more change no answer of the made-up mornings */

/* ---- what is known of coffee and of hands; common practice, no source, where none is named ---- */

/* Extraction at two minutes, and how it grows with each natural logarithm of contact time. */
static const double EXTRACTION_PCT = 18, EXTRACTION_U_PCT = 3.5, GROWTH_PCT = 2.2, GROWTH_U_PCT = 1.5;
static const double STEEP_S = 120, STEEP_U = 0.6; /* where it is not known: and the spread of its logarithm */
static const double DOSE_PER_WATER = 15.0 / 230;  /* likewise */

/* Cups that should be alike differ by so much in extraction; learnt from the morning as cups come in. */
static const double CUP_SPREAD_PCT = 0.5, CUP_SPREAD_FREEDOM = 4;

/* One reading repeated: what hand-held refractometers come to, as if that had been seen so often. */
static const double REPEAT_PCT = 0.012, REPEAT_FREEDOM = 4;
static const double ANOTHER_SAMPLE_PCT = 0.015; /* two samples of one cup: it cools, settles, loses water */

/* A reading spoilt by a bubble or a dirty prism lies anywhere about its cup's. */
static const double SPOILT_SHARE = 0.03, SPOILT_PCT = 0.15;
static const double STRAY_SHARE = 0.004, STRAY_RANGE_PCT = 2.5; /* of no cup: anything a prism may be given */

/* Densities with tails: hands do worse things than a normal distribution allows for. */
static const double TAIL_FREEDOM = 6;

/* Below this share of the weakest cup that is expected it is water; but never above the bound. */
static const double BLANK_SHARE = 0.35, BLANK_MOST_PCT = 0.5;

/* The zero wanders by so much in half an hour when nothing is known of it; and where no water was ever read. */
static const double DRIFT_PCT = 0.01, DRIFT_S = 1800, ZERO_U_PCT = 0.01;

/* Between readings of one sample, and between two samples: medians, and the spreads of the logarithms. */
static const double SAME_GAP_S = 10, SAME_GAP_SPREAD = 0.8, NEXT_GAP_S = 75, NEXT_GAP_SPREAD = 1;
static const double GAP_EVIDENCE_MOST = 3; /* people pause for other reasons: never more than this, in logarithms */

/* A further reading of the same sample, by whether it has too few, as many as wanted, or more already; and after water
 * was read, which ends a sample. */
static const double FURTHER_FEW = 0.93, FURTHER_ENOUGH = 0.06, FURTHER_MORE = 0.15, FURTHER_AFTER_BLANK = 0.03;

/* The next sample is the next cup's, one passed over, one further on, or one that was read before: as if a bench had
 * been watched for so many samples.  Each account counts its own on top. */
static const double TURNS_NEXT = 40, TURNS_SKIP = 1.5, TURNS_BACK = 0.5, TURNS_AGAIN = 0.5;

/* Where a cup was passed over, it is read now as often as this, instead of the next one. */
static const double BACK_NOW = 0.3;

/* An account so much less likely than the best, in logarithms, is given up. */
static const double GIVEN_UP = 12;

/* Whoever passes cups over passes one over more often than two: by this factor for each. */
static const double FURTHER_ON = 0.4;

static const int64_t READY_SLACK_US = 5000000; /* a cup is full a little before that is known */

/* A replicate further from the median, in robust deviations (1.4826 MAD estimates a normal standard deviation). */
static const double SUSPECT_DEVIATIONS = 3.5, MAD_TO_SIGMA = 1.4826;

/* ---- the accounts ---- */

struct turn { /* the sample that lies on an instrument */
    int cup;  /* SAMPLES_NO_CUP: none yet, or no cup's */
    int count;
    int sample;
};

struct account {
    double log_weight;
    double level, growth;                 /* extraction at STEEP_S, and per logarithm of the time */
    double level_v, both_v, growth_v;     /* their covariance */
    double squares, freedom;              /* of cups about that curve */
    double turns[4];                      /* taken so far, by enum turn_kind */
    double sum_pct[SAMPLES_CUPS];         /* of the readings of a cup that are not spoilt */
    unsigned char count[SAMPLES_CUPS];    /* so many */
    unsigned char readings[SAMPLES_CUPS]; /* all of them */
    uint64_t readings_hash;               /* of cup_of: the same for accounts that give every reading to the same cup */
    int samples;                          /* begun */
    struct turn turn[SAMPLES_INSTRUMENTS];
    signed char cup_of[SAMPLES_READINGS];
    signed char sample_of[SAMPLES_READINGS];
};

struct step { /* from one account to the next */
    double log_weight;
    int account, cup;
    bool further; /* of the sample that lies there */
    uint64_t readings_hash;
};

struct morning {
    struct samples *samples;
    bool blank[SAMPLES_READINGS];
    double corrected_pct[SAMPLES_READINGS], blank_pct[SAMPLES_READINGS], blank_u_pct[SAMPLES_READINGS];
    double repeat_v; /* variance of one reading */
    struct account *now, *next;
    int accounts;
    struct step *steps;
    int step_count;
};

static double squared(double x)
{
    return x * x;
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;

    return (x > y) - (x < y);
}

static double log_normal(double x, double variance)
{
    return -0.5 * (log(2 * M_PI * variance) + x * x / variance);
}

/* Student's t of this scale. */
static double log_tailed(double x, double variance, double freedom)
{
    /* the quotient of two gamma functions by its asymptotic series, within 0.001 from 4 degrees of freedom on */
    return -0.25 / freedom - 0.5 * log(2 * M_PI * variance) - (freedom + 1) / 2 * log1p(x * x / variance / freedom);
}

/* ---- what a cup is expected to come to ---- */

/* Strength for each percent of extraction: E = 100 S W / ((100 - S) D), about E itself. */
static double strength_per_extraction(const struct sample_cup *cup, double extraction_pct)
{
    double share = cup->dose_g > 0 && cup->water_g > 0 ? cup->dose_g / cup->water_g : DOSE_PER_WATER;

    return share / (1 + extraction_pct / 100 * share);
}

static double steep_logarithm(const struct sample_cup *cup)
{
    return cup->steep_s > 0 ? log(fmin(fmax(cup->steep_s, 10), 3600) / STEEP_S) : 0;
}

/* ---- water ---- */

static double weakest_expected_pct(const struct samples *samples)
{
    double weakest = NAN;

    for (int i = 0; i < samples->cup_count; i++)
        weakest = fmin(weakest, EXTRACTION_PCT * strength_per_extraction(&samples->cup[i], EXTRACTION_PCT));
    return isnan(weakest) ? EXTRACTION_PCT * DOSE_PER_WATER : weakest;
}

static void find_blanks(struct morning *morning)
{
    const struct samples *samples = morning->samples;
    double limit = fmin(BLANK_SHARE * weakest_expected_pct(samples), BLANK_MOST_PCT);

    for (int i = 0; i < samples->reading_count; i++) {
        const struct sample_reading *reading = &samples->reading[i];

        morning->blank[i] =
            reading->said == SAMPLE_IS_BLANK || (reading->said != SAMPLE_OF_CUP && reading->shown_pct < limit);
    }
}

struct knot { /* water as it was read: one or more readings in a row, or a zero that was set */
    int64_t at_us;
    double pct, v;
    bool begins; /* nothing before it counts */
};

/* Knots of one instrument, in the order of their times. */
static int gather_knots(const struct morning *morning, int instrument, struct knot *knots)
{
    const struct samples *samples = morning->samples;
    int count = 0, in_row = 0;

    for (int i = 0; i < samples->reading_count; i++) {
        const struct sample_reading *reading = &samples->reading[i];
        double digit_v = squared(reading->resolution_pct) / 12;

        if (reading->instrument != instrument)
            continue;
        if (reading->reset) {
            knots[count++] = (struct knot){ reading->at_us, 0, digit_v + morning->repeat_v, true };
            in_row = 0;
        }
        if (!morning->blank[i]) {
            in_row = 0;
            continue;
        }
        if (in_row++) {
            struct knot *knot = &knots[count - 1];

            knot->pct += (reading->shown_pct - knot->pct) / in_row;
            knot->v = digit_v + morning->repeat_v / in_row;
            knot->at_us = reading->at_us;
        } else {
            knots[count++] = (struct knot){ reading->at_us, reading->shown_pct, digit_v + morning->repeat_v, false };
        }
    }
    return count;
}

/* How fast the zero wanders: variance a second, from one knot to the next. */
static double drift_of(const struct knot *knots, int count)
{
    double squares = squared(DRIFT_PCT), seconds = DRIFT_S;

    for (int i = 1; i < count; i++) {
        if (knots[i].begins)
            continue;
        squares += fmax(0, squared(knots[i].pct - knots[i - 1].pct) - knots[i].v - knots[i - 1].v);
        seconds += (double)(knots[i].at_us - knots[i - 1].at_us) / 1e6;
    }
    return squares / seconds;
}

/* Between two knots in a straight line.  Its error there: what the zero may have wandered meanwhile, and, as it often
 * goes in steps, that the step came earlier or later. */
static void water_at(const struct knot *knots, int count, double drift, int64_t at_us, double *pct, double *u_pct)
{
    const struct knot *before = NULL, *after = NULL;

    for (int i = 0; i < count; i++) {
        if (knots[i].at_us <= at_us)
            before = &knots[i];
        else if (!after)
            after = &knots[i];
    }
    if (after && after->begins)
        after = NULL;
    if (before && after) {
        double seconds = (double)(after->at_us - before->at_us) / 1e6;
        double share = (double)(at_us - before->at_us) / 1e6 / seconds, step = after->pct - before->pct;

        *pct = before->pct + share * step;
        *u_pct = sqrt(squared(1 - share) * before->v + squared(share) * after->v
                      + share * (1 - share) * 0.5 * (step * step + drift * seconds));
    } else if (before || after) {
        const struct knot *knot = before ? before : after;

        *pct = knot->pct;
        *u_pct = sqrt(knot->v + drift * fabs((double)(at_us - knot->at_us)) / 1e6);
    } else {
        *pct = 0;
        *u_pct = ZERO_U_PCT;
    }
}

static void subtract_water(struct morning *morning)
{
    struct samples *samples = morning->samples;
    struct knot knots[2 * SAMPLES_READINGS];

    for (int instrument = 0; instrument < SAMPLES_INSTRUMENTS; instrument++) {
        int count = gather_knots(morning, instrument, knots);
        double drift = drift_of(knots, count);

        for (int i = 0; i < samples->reading_count; i++) {
            if (samples->reading[i].instrument != instrument)
                continue;
            water_at(knots, count, drift, samples->reading[i].at_us, &morning->blank_pct[i], &morning->blank_u_pct[i]);
            morning->corrected_pct[i] = samples->reading[i].shown_pct - morning->blank_pct[i];
        }
    }
}

/* ---- how much readings of one sample differ ---- */

/* Before samples are known: most readings follow one of the same sample, so the smaller differences are repeats.  A
 * quarter of them all lie below 0.35 standard deviations of a difference when a third are steps between cups. */
static double first_repeat_v(const struct samples *samples)
{
    static const double QUARTER = 0.35;
    double steps[SAMPLES_READINGS], digits = 0, quarter;
    int last[SAMPLES_INSTRUMENTS] = { -1, -1, -1, -1 }, count = 0;

    for (int i = 0; i < samples->reading_count; i++) {
        const struct sample_reading *reading = &samples->reading[i];
        int before = last[reading->instrument];

        digits = fmax(digits, squared(reading->resolution_pct) / 12);
        if (before >= 0 && reading->at_us - samples->reading[before].at_us < (int64_t)(4 * SAME_GAP_S * 1e6))
            steps[count++] = fabs(reading->shown_pct - samples->reading[before].shown_pct);
        last[reading->instrument] = i;
    }
    if (count < 4)
        return squared(REPEAT_PCT) + digits;
    qsort(steps, (size_t)count, sizeof *steps, by_size);
    quarter = squared(steps[count / 4] / QUARTER) / 2;
    return (REPEAT_FREEDOM * squared(REPEAT_PCT) + count / 4.0 * fmin(quarter, 16 * squared(REPEAT_PCT)))
               / (REPEAT_FREEDOM + count / 4.0)
           + digits;
}

/* ---- one step ---- */

static double spread_v(const struct account *account)
{
    return (CUP_SPREAD_FREEDOM * squared(CUP_SPREAD_PCT) + account->squares) / (CUP_SPREAD_FREEDOM + account->freedom);
}

/* What the first reading of a cup is expected to be, in extraction: mean and variance of the curve there. */
static double expected(const struct account *account, const struct sample_cup *cup, double *variance)
{
    double x = steep_logarithm(cup);

    *variance = account->level_v + 2 * x * account->both_v + x * x * account->growth_v;
    if (!(cup->steep_s > 0))
        *variance += squared(account->growth * STEEP_U);
    return account->level + account->growth * x;
}

/* The reading, given that it is of this cup; `spoilt` comes back true when it is likelier a spoilt one. */
static double log_fit(const struct morning *morning, const struct account *account, int reading, int cup, bool further,
                      bool *spoilt)
{
    double y = morning->corrected_pct[reading], repeat_v = morning->repeat_v, mean, variance, good, bad;
    double freedom = TAIL_FREEDOM;

    if (account->count[cup]) {
        int n = account->count[cup];

        mean = account->sum_pct[cup] / n;
        variance = repeat_v * (1 + 1.0 / n);
        if (!further)
            variance += squared(ANOTHER_SAMPLE_PCT) + 2 * squared(morning->blank_u_pct[reading]);
    } else {
        const struct sample_cup *one = &morning->samples->cup[cup];
        double curve_v, extraction = expected(account, one, &curve_v);
        double per = strength_per_extraction(one, extraction);

        mean = extraction * per;
        variance = squared(per) * (curve_v + spread_v(account)) + repeat_v + squared(morning->blank_u_pct[reading]);
        freedom = CUP_SPREAD_FREEDOM + account->freedom;
    }
    good = log(1 - SPOILT_SHARE) + log_tailed(y - mean, variance, freedom);
    bad = log(SPOILT_SHARE) + log_normal(y - mean, variance + squared(SPOILT_PCT));
    *spoilt = bad > good && account->count[cup];
    return fmax(good, bad) + log1p(exp(-fabs(good - bad)));
}

/* How much likelier a pause is between two samples than within one, as a logarithm. */
static double gap_evidence(double seconds)
{
    double same, other;

    seconds = fmax(seconds, 1);
    same = log_normal(log(seconds / SAME_GAP_S), squared(SAME_GAP_SPREAD));
    other = log_normal(log(seconds / NEXT_GAP_S), squared(NEXT_GAP_SPREAD));
    return fmin(fmax(other - same, -GAP_EVIDENCE_MOST), GAP_EVIDENCE_MOST);
}

/* The reading before on the same instrument; -1: none.  `blank` comes back true when water was read in between the last
 * of a cup and this one, or the instrument was set to zero. */
static int reading_before(const struct morning *morning, int reading, bool *blank)
{
    const struct samples *samples = morning->samples;
    int before = -1;

    *blank = samples->reading[reading].reset;
    for (int i = reading - 1; i >= 0; i--) {
        if (samples->reading[i].instrument != samples->reading[reading].instrument)
            continue;
        if (before < 0)
            before = i;
        if (!morning->blank[i])
            break;
        *blank = true;
    }
    return before;
}

static double further_chance(const struct morning *morning, const struct turn *turn, bool after_blank)
{
    int wanted = turn->cup >= 0 ? morning->samples->cup[turn->cup].wanted : 1;

    if (after_blank)
        return FURTHER_AFTER_BLANK;
    return turn->count < wanted ? FURTHER_FEW : turn->count == wanted ? FURTHER_ENOUGH : FURTHER_MORE;
}

static bool is_ready(const struct samples *samples, int cup, int reading)
{
    return samples->cup[cup].ready_us <= samples->reading[reading].at_us + READY_SLACK_US;
}

/* Which kind of turn it is to begin a sample of a cup. */
enum turn_kind { TURN_NEXT, TURN_BACK, TURN_SKIP, TURN_AGAIN, TURN_KINDS };

/* Whose turn it is: the first cup without a reading behind the last one with one, else the oldest without. */
struct whose {
    int next, last;   /* -1: none */
    bool passed_over; /* a cup before the last is still without a reading */
};

static struct whose whose_turn(const struct samples *samples, const struct account *account, int reading)
{
    struct whose whose = { -1, -1, false };
    int oldest = -1;

    for (int i = 0; i < samples->cup_count; i++)
        if (account->readings[i])
            whose.last = i;
    for (int i = 0; i < samples->cup_count; i++) {
        if (account->readings[i] || !is_ready(samples, i, reading) || samples->cup[i].wanted == 0)
            continue;
        if (oldest < 0)
            oldest = i;
        if (whose.next < 0 && i > whose.last)
            whose.next = i;
    }
    if (whose.next < 0)
        whose.next = oldest;
    whose.passed_over = oldest >= 0 && oldest != whose.next;
    return whose;
}

static enum turn_kind kind_of_turn(const struct account *account, int cup, struct whose whose)
{
    if (account->readings[cup])
        return TURN_AGAIN;
    return cup == whose.next ? TURN_NEXT : cup < whose.last ? TURN_BACK : TURN_SKIP;
}

static void add_step(struct morning *morning, int account, int cup, bool further, double log_weight)
{
    uint64_t hash = (morning->now[account].readings_hash + (uint64_t)(cup + 2)) * 0x9e3779b97f4a7c15;

    morning->steps[morning->step_count++] = (struct step){ log_weight, account, cup, further, hash ^ hash >> 29 };
}

static void begin_samples(struct morning *morning, int account, int reading, double log_new)
{
    const struct samples *samples = morning->samples;
    const struct account *one = &morning->now[account];
    const struct sample_reading *what = &samples->reading[reading];
    struct whose whose = whose_turn(samples, one, reading);
    double turns = TURNS_NEXT + TURNS_SKIP + TURNS_BACK + TURNS_AGAIN;
    double weight[TURN_KINDS] = { TURNS_NEXT, TURNS_BACK, TURNS_SKIP, TURNS_AGAIN };
    double of_kind[TURN_KINDS] = { 0 }, share[SAMPLES_CUPS], further_on = 1;

    for (int kind = 0; kind < TURN_KINDS; kind++) {
        turns += one->turns[kind];
        weight[kind] += one->turns[kind];
    }
    if (whose.passed_over) {
        double both = weight[TURN_NEXT] + weight[TURN_BACK];

        weight[TURN_BACK] = fmax(weight[TURN_BACK], BACK_NOW * both);
        weight[TURN_NEXT] = both - weight[TURN_BACK];
    }
    for (int i = 0; i < samples->cup_count; i++) {
        enum turn_kind kind = kind_of_turn(one, i, whose);

        share[i] = is_ready(samples, i, reading) ? kind == TURN_SKIP ? further_on : 1 : 0;
        if (kind == TURN_SKIP)
            further_on *= FURTHER_ON;
        of_kind[kind] += share[i];
    }
    for (int i = 0; i < samples->cup_count; i++) {
        enum turn_kind kind = kind_of_turn(one, i, whose);
        bool spoilt, said = what->said == SAMPLE_OF_CUP;

        if (said ? what->cup != i : !is_ready(samples, i, reading) || what->said == SAMPLE_OF_NONE)
            continue;
        add_step(morning, account, i, false,
                 one->log_weight + log_new + (said ? 0 : log(weight[kind] / turns * share[i] / of_kind[kind]))
                     + log_fit(morning, one, reading, i, false, &spoilt));
    }
    if (what->said != SAMPLE_OF_CUP)
        add_step(morning, account, SAMPLES_NO_CUP, false,
                 one->log_weight + log_new + log(STRAY_SHARE) - log(STRAY_RANGE_PCT));
}

static void steps_of(struct morning *morning, int account, int reading)
{
    const struct samples *samples = morning->samples;
    const struct account *one = &morning->now[account];
    const struct sample_reading *what = &samples->reading[reading];
    const struct turn *turn = &one->turn[what->instrument];
    bool after_blank, spoilt;
    int before = reading_before(morning, reading, &after_blank);
    double log_new = 0;

    if (turn->cup >= 0) {
        double chance = further_chance(morning, turn, after_blank);
        double seconds = (double)(what->at_us - samples->reading[before].at_us) / 1e6;

        log_new = log(1 - chance) + (after_blank ? 0 : gap_evidence(seconds));
        if (what->said == SAMPLE_OPEN || (what->said == SAMPLE_OF_CUP && what->cup == turn->cup))
            add_step(morning, account, turn->cup, true,
                     one->log_weight + log(chance) + log_fit(morning, one, reading, turn->cup, true, &spoilt));
    }
    begin_samples(morning, account, reading, log_new);
}

/* The curve learns from the first reading of a cup. */
static void learn(const struct morning *morning, struct account *account, int reading, int cup)
{
    const struct sample_cup *one = &morning->samples->cup[cup];
    double curve_v, extraction = expected(account, one, &curve_v), x = steep_logarithm(one);
    double per = strength_per_extraction(one, extraction), cups_v = spread_v(account);
    double noise_v = cups_v + (morning->repeat_v + squared(morning->blank_u_pct[reading])) / squared(per);
    double error = morning->corrected_pct[reading] / per - extraction, total_v = curve_v + noise_v;
    double level_gain = (account->level_v + x * account->both_v) / total_v;
    double growth_gain = (account->both_v + x * account->growth_v) / total_v;

    account->level += level_gain * error;
    account->growth += growth_gain * error;
    account->level_v -= squared(level_gain) * total_v;
    account->both_v -= level_gain * growth_gain * total_v;
    account->growth_v -= squared(growth_gain) * total_v;
    account->squares += error * error * cups_v / total_v;
    account->freedom += cups_v / total_v;
}

static void take_step(const struct morning *morning, struct account *account, const struct step *step, int reading)
{
    struct turn *turn = &account->turn[morning->samples->reading[reading].instrument];
    int cup = step->cup;
    bool spoilt = false;

    account->log_weight = step->log_weight;
    account->readings_hash = step->readings_hash;
    account->cup_of[reading] = (signed char)cup;
    if (cup >= 0) {
        (void)log_fit(morning, account, reading, cup, step->further, &spoilt);
        if (!account->count[cup])
            learn(morning, account, reading, cup);
        if (!step->further)
            account->turns[kind_of_turn(account, cup, whose_turn(morning->samples, account, reading))]++;
        if (!spoilt) {
            account->sum_pct[cup] += morning->corrected_pct[reading];
            account->count[cup]++;
        }
        account->readings[cup]++;
    }
    if (!step->further)
        *turn = (struct turn){ cup, 0, account->samples++ };
    turn->count++;
    account->sample_of[reading] = (signed char)turn->sample;
}

static double log_sum(double a, double b)
{
    return fmax(a, b) + log1p(exp(-fabs(a - b)));
}

/* Accounts that differ only in where a sample of the same cup ends become one: the likelier, with the weight of all.
 * Otherwise they would soon crowd out those that matter. */
static void merge_alike(struct morning *morning)
{
    enum { PLACES = 1 << 13 };
    int place[PLACES], kept = 0;

    memset(place, 0xff, sizeof place);
    for (int i = 0; i < morning->step_count; i++) {
        struct step step = morning->steps[i];
        unsigned at = (unsigned)(step.readings_hash % PLACES);

        while (place[at] >= 0 && morning->steps[place[at]].readings_hash != step.readings_hash)
            at = (at + 1) % PLACES;
        if (place[at] < 0) {
            if (kept > PLACES / 2)
                continue; /* the steps come likeliest first */
            place[at] = kept;
            morning->steps[kept++] = step;
        } else {
            morning->steps[place[at]].log_weight = log_sum(morning->steps[place[at]].log_weight, step.log_weight);
        }
    }
    morning->step_count = kept;
}

static int by_weight(const void *a, const void *b)
{
    double x = ((const struct step *)a)->log_weight, y = ((const struct step *)b)->log_weight;

    return (x < y) - (x > y);
}

static void take_reading(struct morning *morning, int reading)
{
    struct account *next = morning->next;
    int count;

    morning->step_count = 0;
    for (int i = 0; i < morning->accounts; i++)
        steps_of(morning, i, reading);
    assert(morning->step_count > 0);
    qsort(morning->steps, (size_t)morning->step_count, sizeof *morning->steps, by_weight);
    merge_alike(morning);
    count = morning->step_count < ACCOUNTS ? morning->step_count : ACCOUNTS;
    for (int i = 0; i < count; i++) {
        const struct step *step = &morning->steps[i];

        if (step->log_weight < morning->steps[0].log_weight - GIVEN_UP) {
            count = i;
            break;
        }
        next[i] = morning->now[step->account];
        take_step(morning, &next[i], step, reading);
        next[i].log_weight -= morning->steps[0].log_weight;
    }
    morning->next = morning->now;
    morning->now = next;
    morning->accounts = count;
}

/* ---- the answers ---- */

static void judge(const struct morning *morning, int reading, struct sample_verdict *out)
{
    double share[SAMPLES_CUPS + 1] = { 0 }, total = 0;
    int best = 0, second = -1, count = morning->samples->cup_count;

    *out = (struct sample_verdict){ .found = SAMPLE_BLANK,
                                    .cup = SAMPLES_NO_CUP,
                                    .other = SAMPLES_NO_CUP,
                                    .sample = -1,
                                    .strength_pct = morning->corrected_pct[reading],
                                    .blank_pct = morning->blank_pct[reading],
                                    .blank_u_pct = morning->blank_u_pct[reading] };
    if (morning->blank[reading])
        return;
    for (int i = 0; i < morning->accounts; i++) {
        double weight = exp(morning->now[i].log_weight);
        int cup = morning->now[i].cup_of[reading];

        share[cup >= 0 ? cup : count] += weight;
        total += weight;
    }
    for (int i = 1; i <= count; i++)
        if (share[i] > share[best])
            best = i;
    for (int i = 0; i < count; i++)
        if (i != best && share[i] > 0 && (second < 0 || share[i] > share[second]))
            second = i;
    out->sample = morning->now[0].sample_of[reading];
    out->cup = best < count ? best : SAMPLES_NO_CUP;
    out->chance = share[best] / total;
    out->other = second >= 0 ? second : SAMPLES_NO_CUP;
    out->other_chance = second >= 0 ? share[second] / total : 0;
    out->found = out->chance < SAMPLES_CLEAR ? SAMPLE_UNSURE : best < count ? SAMPLE_FOUND : SAMPLE_STRAY;
}

static double median(double *values, int count)
{
    qsort(values, (size_t)count, sizeof *values, by_size);
    return count % 2 ? values[count / 2] : (values[count / 2 - 1] + values[count / 2]) / 2;
}

/* The readings of a cup, by their places. */
static int readings_of(const struct samples *samples, int cup, int *places)
{
    int count = 0;

    for (int i = 0; i < samples->reading_count; i++)
        if (samples->verdict[i].found == SAMPLE_FOUND && samples->verdict[i].cup == cup)
            places[count++] = i;
    return count;
}

static void find_suspects(struct samples *samples, int cup)
{
    double values[SAMPLES_READINGS], distances[SAMPLES_READINGS], middle, spread;
    int places[SAMPLES_READINGS], count = readings_of(samples, cup, places);

    if (count < 3)
        return;
    for (int i = 0; i < count; i++)
        values[i] = samples->verdict[places[i]].strength_pct;
    middle = median(values, count);
    for (int i = 0; i < count; i++)
        distances[i] = fabs(samples->verdict[places[i]].strength_pct - middle);
    spread = MAD_TO_SIGMA * median(distances, count);
    for (int i = 0; i < count; i++) {
        struct sample_verdict *verdict = &samples->verdict[places[i]];
        /* readings alike leave no spread: then the last digit is the least there is */
        double least = fmax(spread, samples->reading[places[i]].resolution_pct);

        verdict->suspect = fabs(verdict->strength_pct - middle) > SUSPECT_DEVIATIONS * least;
    }
}

/* Squares about the mean of the readings that count; their number comes back. */
static int mean_of(const struct samples *samples, int cup, double *mean, double *squares)
{
    int places[SAMPLES_READINGS], count = readings_of(samples, cup, places), used = 0;

    *mean = *squares = 0;
    for (int i = 0; i < count; i++) {
        const struct sample_verdict *verdict = &samples->verdict[places[i]];
        double step;

        if (verdict->suspect)
            continue;
        step = verdict->strength_pct - *mean;
        *mean += step / ++used;
        *squares += step * (verdict->strength_pct - *mean);
    }
    return used;
}

static void sum_up(struct samples *samples, int cup, double pooled_v, double pooled_freedom)
{
    struct sample_strength *out = &samples->strength[cup];
    int places[SAMPLES_READINGS];
    double squares, v;

    *out = (struct sample_strength){ .strength_pct = NAN, .u_pct = NAN, .freedom = NAN, .coverage = NAN };
    out->readings = readings_of(samples, cup, places);
    if ((out->used = mean_of(samples, cup, &out->strength_pct, &squares)) == 0) {
        out->strength_pct = NAN;
        return;
    }
    /* a cup whose own readings differ far more than usual is believed in that */
    if (out->used > 2 && squares / (out->used - 1) > 4 * pooled_v) {
        pooled_v = squares / (out->used - 1);
        pooled_freedom = out->used - 1;
    }
    out->u_repeat_pct = sqrt(pooled_v / out->used);
    for (int i = 0; i < out->readings; i++) {
        const struct sample_reading *reading = &samples->reading[places[i]];
        double accuracy_pct = samples->instrument[reading->instrument].accuracy_pct;

        if (samples->verdict[places[i]].suspect)
            continue;
        out->u_resolution_pct = fmax(out->u_resolution_pct, reading->resolution_pct / sqrt(12));
        out->u_blank_pct += samples->verdict[places[i]].blank_u_pct / out->used; /* one water serves them all */
        if (accuracy_pct > 0)
            out->u_accuracy_pct = fmax(out->u_accuracy_pct, accuracy_pct / sqrt(3)); /* a bound either way: 4.3.7 */
        if (reading->unfiltered)
            out->u_filter_pct = SAMPLES_UNFILTERED_PCT / sqrt(3);
        out->u_temperature_pct = fmax(out->u_temperature_pct, reading->temperature_u_pct);
    }
    v = squared(out->u_repeat_pct) + squared(out->u_resolution_pct) + squared(out->u_blank_pct)
        + squared(out->u_accuracy_pct) + squared(out->u_filter_pct) + squared(out->u_temperature_pct);
    out->u_pct = sqrt(v);
    out->repeat_freedom = pooled_freedom;
    out->freedom = v * v / (squared(squared(out->u_repeat_pct)) / pooled_freedom); /* JCGM 100, G.4.1 */
    out->coverage = gsl_cdf_tdist_Pinv(0.975, out->freedom);
}

static void answer(const struct morning *morning)
{
    struct samples *samples = morning->samples;
    double squares = REPEAT_FREEDOM * squared(REPEAT_PCT), freedom = REPEAT_FREEDOM;

    for (int i = 0; i < samples->reading_count; i++)
        judge(morning, i, &samples->verdict[i]);
    for (int cup = 0; cup < samples->cup_count; cup++) {
        double mean, about;
        int used;

        find_suspects(samples, cup);
        if ((used = mean_of(samples, cup, &mean, &about)) > 1) {
            squares += about;
            freedom += used - 1;
        }
    }
    samples->repeat_u_pct = sqrt(squares / freedom);
    for (int cup = 0; cup < samples->cup_count; cup++)
        sum_up(samples, cup, squares / freedom, freedom);
}

int samples_assign(struct samples *samples)
{
    size_t most = (size_t)ACCOUNTS * (SAMPLES_CUPS + 2);
    struct morning morning = { .samples = samples };
    struct account *both = calloc(2 * ACCOUNTS, sizeof *both);

    assert(samples->reading_count >= 0 && samples->reading_count <= SAMPLES_READINGS);
    assert(samples->cup_count >= 0 && samples->cup_count <= SAMPLES_CUPS);
    morning.steps = calloc(most, sizeof *morning.steps);
    if (!both || !morning.steps) {
        free(both);
        free(morning.steps);
        return -ENOMEM;
    }
    morning.now = both;
    morning.next = both + ACCOUNTS;
    morning.accounts = 1;
    both[0].level = EXTRACTION_PCT;
    both[0].level_v = squared(EXTRACTION_U_PCT);
    both[0].growth = GROWTH_PCT;
    both[0].growth_v = squared(GROWTH_U_PCT);
    for (int i = 0; i < SAMPLES_INSTRUMENTS; i++)
        both[0].turn[i].cup = SAMPLES_NO_CUP;
    morning.repeat_v = first_repeat_v(samples);
    find_blanks(&morning);
    subtract_water(&morning);
    for (int i = 0; i < samples->reading_count; i++)
        if (!morning.blank[i])
            take_reading(&morning, i);
    answer(&morning);
    free(both);
    free(morning.steps);
    return 0;
}
