/* Which cup each reading is of, carried as many accounts of the morning side by side; see samples_parts.h.
 *
 * Each account has a weight: how well the readings fit it, times how people work.  It knows what its cups came to and
 * what it therefore expects of the next ones, and how its people went about it so far.  After each reading the best are
 * kept; in the end the share of the weight that gives a reading to a cup is the chance that it is that cup's. */
#include "samples_parts.h"

#include <assert.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { ACCOUNTS = 500 }; /* carried at once: more change no answer of the made-up mornings */

/* ---- what is known of coffee and of hands; common practice, no source, where none is named ---- */

const double USUAL_EXTRACTION_PCT = 18;

/* Extraction at two minutes, and how it grows with each natural logarithm of steep time. */
static const double EXTRACTION_U_PCT = 3.5, GROWTH_PCT = 2.5, GROWTH_U_PCT = 1;
static const double STEEP_S = 120, STEEP_U = 0.6; /* where it is not known: and the spread of its logarithm */
static const double DOSE_PER_WATER = 15.0 / 230;  /* likewise */

/* Cups that should be alike differ by so much in extraction; learnt from the morning as cups come in. */
static const double CUP_SPREAD_PCT = 0.45, CUP_SPREAD_FREEDOM = 10;

static const double ANOTHER_SAMPLE_PCT = 0.015; /* two samples of one cup: it cools, settles, loses water */

/* Two instruments differ by so much each where their accuracy is not known. */
static const double INSTRUMENT_U_PCT = 0.012;

/* The first reading of a sample has so much of what lay on the prism before, where that was not wiped off well; of so
 * many seen. */
static const double CARRY = 0.1, CARRY_U = 0.04, CARRIED = 0.4, WIPED = 9;

/* A reading spoilt by a bubble or a dirty prism lies anywhere about its cup's. */
static const double SPOILT = 0.3, CLEAN = 12, SPOILT_PCT = 0.1;

/* Samples of no cup: anything a prism may be given.  Of so many seen. */
static const double STRAY = 0.06, OF_CUPS = 25, STRAY_RANGE_PCT = 2.5;

/* Densities with tails: hands do worse things than a normal distribution allows for. */
static const double TAIL_FREEDOM = 6;

/* A further reading of the same sample, or none, by whether it has too few, as many as wanted, or more already: of so
 * many seen.  Of nobody's; and after water was read, which ends a sample. */
static const double FURTHER[3] = { 9, 0.4, 0.4 }, ENDED[3] = { 0.6, 8, 1.6 };
static const double FURTHER_STRAY = 0.6, FURTHER_AFTER_BLANK = 0.03;

/* An account so much less likely than the best, in logarithms, is given up. */
static const double GIVEN_UP = 12;

/* ---- the accounts ---- */

struct turn { /* the sample that lies on an instrument */
    int cup;  /* SAMPLES_NO_CUP: none yet, or no cup's */
    int count;
    int sample;
};

struct account {
    double log_weight;
    double level, growth;                                 /* extraction at STEEP_S, and per logarithm of the time */
    double level_v, both_v, growth_v;                     /* their covariance */
    double squares, freedom;                              /* of cups about that curve */
    double spoilt, clean, carried, wiped, stray, of_cups; /* so many readings, and samples */
    double further[3], ended[3];                          /* by how_many: a sample was read further, or no more */
    double first_shift[SAMPLES_CUPS]; /* from a cup's one reading to what it is if that has something of another */
    struct habits habits;
    double sum_pct[SAMPLES_CUPS];         /* of the readings of a cup that are not spoilt */
    unsigned char count[SAMPLES_CUPS];    /* so many */
    unsigned char readings[SAMPLES_CUPS]; /* all of them */
    uint64_t readings_hash;               /* of cup_of: the same for accounts that give every reading to the same cup */
    int samples;                          /* begun */
    signed char instrument_of[SAMPLES_CUPS]; /* that read it last */
    struct turn turn[SAMPLES_INSTRUMENTS];
    signed char cup_of[SAMPLES_READINGS];
    signed char sample_of[SAMPLES_READINGS];
};

struct step { /* from one account to the next */
    double log_weight;
    int account, cup;
    bool further; /* of the sample that lies there */
    float gap_s;  /* since the reading before */
    bool no_cup;  /* there was none that it could be of */
    struct choice choice;
    uint64_t readings_hash;
};

struct carried { /* what is carried */
    const struct morning *morning;
    struct account *now, *next;
    int accounts;
    struct step *steps;
    int step_count;
    double best; /* of the steps */
};

static double squared(double x)
{
    return x * x;
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
double strength_per_extraction(const struct sample_cup *cup, double extraction_pct)
{
    double share = cup->dose_g > 0 && cup->water_g > 0 ? cup->dose_g / cup->water_g : DOSE_PER_WATER;

    return share / (1 + extraction_pct / 100 * share);
}

static double steep_logarithm(const struct sample_cup *cup)
{
    return cup->steep_s > 0 ? log(fmin(fmax(cup->steep_s, 10), 3600) / STEEP_S) : 0;
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

enum fit { FIT_GOOD, FIT_SPOILT, FIT_CARRIED };

static void fit_component(double log_weight, enum fit kind, double *best, double *sum, enum fit *likeliest)
{
    if (log_weight > *best) {
        *best = log_weight;
        *likeliest = kind;
    }
    *sum = isinf(*sum) ? log_weight : fmax(*sum, log_weight) + log1p(exp(-fabs(*sum - log_weight)));
}

/* The reading, given that it is of this cup.  `fit` comes back as what it likeliest is: of a further reading
 * FIT_CARRIED means that the one before it was. */
static double log_fit(const struct morning *morning, const struct account *account, int reading, int cup, bool further,
                      enum fit *fit)
{
    const struct samples *samples = morning->samples;
    double y = morning->corrected_pct[reading], repeat_v = morning->repeat_v, mean, variance;
    double freedom = TAIL_FREEDOM, spoilt = account->spoilt / (account->spoilt + account->clean);
    double carried = account->carried / (account->carried + account->wiped), before = morning->before_pct[reading];
    double best = -INFINITY, sum = -INFINITY;
    int n = account->count[cup];

    if (n) {
        mean = account->sum_pct[cup] / n;
        variance = repeat_v * (1 + 1.0 / n);
        if (!further)
            variance += squared(ANOTHER_SAMPLE_PCT) + 2 * squared(morning->blank_u_pct[reading]);
        if (account->instrument_of[cup] != samples->reading[reading].instrument)
            variance += 2 * squared(INSTRUMENT_U_PCT);
    } else {
        const struct sample_cup *one = &samples->cup[cup];
        double curve_v, extraction = expected(account, one, &curve_v);
        double per = strength_per_extraction(one, extraction);

        mean = extraction * per;
        variance = squared(per) * (curve_v + spread_v(account)) + repeat_v + squared(morning->blank_u_pct[reading])
                   + squared(INSTRUMENT_U_PCT);
        freedom = CUP_SPREAD_FREEDOM + account->freedom;
    }
    if (further ? n != 1 || !account->first_shift[cup] : isnan(before))
        carried = 0;
    fit_component(log(1 - spoilt - carried) + log_tailed(y - mean, variance, freedom), FIT_GOOD, &best, &sum, fit);
    fit_component(log(spoilt) + log_normal(y - mean, variance + squared(SPOILT_PCT)), FIT_SPOILT, &best, &sum, fit);
    if (carried > 0) {
        double shift = further ? account->first_shift[cup] : CARRY * (before - mean);

        fit_component(log(carried) + log_normal(y - mean - shift, variance + squared(CARRY_U / CARRY * shift)),
                      FIT_CARRIED, &best, &sum, fit);
    }
    return sum;
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

/* Too few, enough, more. */
static int how_many(const struct morning *morning, const struct turn *turn)
{
    int wanted = morning->samples->cup[turn->cup].wanted;

    return turn->count < wanted ? 0 : turn->count == wanted ? 1 : 2;
}

static double further_chance(const struct morning *morning, const struct account *account, const struct turn *turn,
                             bool after_blank)
{
    int place;

    if (after_blank)
        return FURTHER_AFTER_BLANK;
    if (turn->cup < 0)
        return FURTHER_STRAY;
    place = how_many(morning, turn);
    return account->further[place] / (account->further[place] + account->ended[place]);
}

static void add_step(struct carried *carried, int account, const struct step *step)
{
    uint64_t hash = (carried->now[account].readings_hash + (uint64_t)(step->cup + 2)) * 0x9e3779b97f4a7c15;
    struct step *place;

    if (!(step->log_weight > carried->best - GIVEN_UP))
        return;
    place = &carried->steps[carried->step_count++];
    *place = *step;
    place->account = account;
    place->readings_hash = hash ^ hash >> 29;
    carried->best = fmax(carried->best, step->log_weight);
}

/* No reading fits better than this: what is hopeless even then is not looked at. */
static double best_fit(const struct morning *morning)
{
    return -0.5 * log(2 * M_PI * morning->repeat_v);
}

static void begin_samples(struct carried *carried, int account, int reading, double log_new, double gap_s,
                          bool after_blank)
{
    const struct samples *samples = carried->morning->samples;
    const struct account *one = &carried->now[account];
    const struct sample_reading *what = &samples->reading[reading];
    struct choice choice[SAMPLES_CUPS];
    double stray = one->stray / (one->stray + one->of_cups);
    double log_cup = one->log_weight + log_new + log(1 - stray), hopeless = carried->best - GIVEN_UP;
    enum fit fit;
    bool none = true;

    turns_weigh(samples, &one->habits, one->readings, reading, gap_s, after_blank, choice);
    for (int i = 0; i < samples->cup_count; i++) {
        struct step step = { .cup = i, .choice = choice[i] };

        none = none && isinf(choice[i].log_chance);
        if (what->said == SAMPLE_OF_CUP ? what->cup != i : what->said == SAMPLE_OF_NONE)
            continue;
        step.log_weight = log_cup + (what->said == SAMPLE_OF_CUP ? turns_begin(gap_s) : choice[i].log_chance);
        if (!(step.log_weight + best_fit(carried->morning) > hopeless))
            continue;
        step.log_weight += log_fit(carried->morning, one, reading, i, false, &fit);
        add_step(carried, account, &step);
    }
    if (what->said != SAMPLE_OF_CUP) {
        struct step step = { .cup = SAMPLES_NO_CUP, .no_cup = none };

        step.log_weight = one->log_weight + log_new + log(stray) - log(STRAY_RANGE_PCT) + turns_begin(gap_s);
        add_step(carried, account, &step);
    }
}

static void steps_of(struct carried *carried, int account, int reading)
{
    const struct morning *morning = carried->morning;
    const struct samples *samples = morning->samples;
    const struct account *one = &carried->now[account];
    const struct sample_reading *what = &samples->reading[reading];
    const struct turn *turn = &one->turn[what->instrument];
    enum fit fit;
    bool after_blank, said = what->said == SAMPLE_OF_CUP;
    int before = reading_before(morning, reading, &after_blank);
    double log_new = 0, gap_s = NAN;

    if (before >= 0)
        gap_s = (double)(what->at_us - samples->reading[before].at_us) / 1e6;
    if (turn->count && before >= 0) {
        double chance = further_chance(morning, one, turn, after_blank);
        struct step step = { .cup = turn->cup, .further = true, .gap_s = (float)gap_s };

        log_new = log(1 - chance);
        step.log_weight = one->log_weight + log(chance) + turns_further(&one->habits, gap_s);
        if (turn->cup >= 0 && (said ? what->cup == turn->cup : what->said == SAMPLE_OPEN)) {
            step.log_weight += log_fit(morning, one, reading, turn->cup, true, &fit);
            add_step(carried, account, &step);
        } else if (turn->cup < 0 && !said && !morning->blank[before]) {
            step.log_weight += log_tailed(morning->corrected_pct[reading] - morning->corrected_pct[before],
                                          2 * morning->repeat_v, TAIL_FREEDOM);
            add_step(carried, account, &step);
        }
    }
    begin_samples(carried, account, reading, log_new, gap_s, after_blank);
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
    int instrument = morning->samples->reading[reading].instrument, cup = step->cup;
    struct turn *turn = &account->turn[instrument];
    double y = morning->corrected_pct[reading];

    if (turn->count && turn->cup >= 0)
        (step->further ? account->further : account->ended)[how_many(morning, turn)]++;
    if (step->further)
        turns_learn_further(&account->habits, step->gap_s);
    account->log_weight = step->log_weight;
    account->readings_hash = step->readings_hash;
    account->cup_of[reading] = (signed char)cup;
    if (cup >= 0) {
        bool first = !account->count[cup];
        enum fit fit = FIT_GOOD;

        (void)log_fit(morning, account, reading, cup, step->further, &fit);
        if (first)
            learn(morning, account, reading, cup);
        if (!step->further)
            turns_learn(morning->samples, &account->habits, &step->choice, reading, cup);
        if (first || fit == FIT_GOOD) {
            account->sum_pct[cup] += y;
            account->count[cup]++;
        } else if (fit == FIT_CARRIED && step->further) {
            account->sum_pct[cup] += y + account->first_shift[cup];
            account->count[cup]++;
        }
        account->spoilt += !first && fit == FIT_SPOILT;
        account->clean += !first && fit == FIT_GOOD;
        if (step->further && account->first_shift[cup]) {
            account->carried += fit == FIT_CARRIED;
            account->wiped += fit == FIT_GOOD;
        }
        account->first_shift[cup] = first && !isnan(morning->before_pct[reading])
                                        ? (y - morning->before_pct[reading]) * CARRY / (1 - CARRY)
                                        : 0;
        account->readings[cup]++;
        account->instrument_of[cup] = (signed char)instrument;
    }
    if (!step->further) {
        *turn = (struct turn){ cup, 0, account->samples++ };
        account->stray += cup < 0 && !step->no_cup;
        account->of_cups += cup >= 0;
    }
    turn->count++;
    account->sample_of[reading] = (signed char)turn->sample;
}

static double log_sum(double a, double b)
{
    return fmax(a, b) + log1p(exp(-fabs(a - b)));
}

/* Accounts that differ only in where a sample of the same cup ends become one: the likelier, with the weight of all.
 * Otherwise they would soon crowd out those that matter. */
static void merge_alike(struct carried *carried)
{
    enum { PLACES = 1 << 13 };
    int place[PLACES], kept = 0;

    memset(place, 0xff, sizeof place);
    for (int i = 0; i < carried->step_count; i++) {
        struct step step = carried->steps[i];
        unsigned at = (unsigned)(step.readings_hash % PLACES);

        while (place[at] >= 0 && carried->steps[place[at]].readings_hash != step.readings_hash)
            at = (at + 1) % PLACES;
        if (place[at] < 0) {
            if (kept > PLACES / 2)
                continue; /* the steps come likeliest first */
            place[at] = kept;
            carried->steps[kept++] = step;
        } else {
            carried->steps[place[at]].log_weight = log_sum(carried->steps[place[at]].log_weight, step.log_weight);
        }
    }
    carried->step_count = kept;
}

static int by_weight(const void *a, const void *b)
{
    double x = ((const struct step *)a)->log_weight, y = ((const struct step *)b)->log_weight;

    return (x < y) - (x > y);
}

/* Steps that were good enough when they were found, and no more. */
static void drop_hopeless(struct carried *carried)
{
    int kept = 0;

    for (int i = 0; i < carried->step_count; i++)
        if (carried->steps[i].log_weight > carried->best - GIVEN_UP)
            carried->steps[kept++] = carried->steps[i];
    carried->step_count = kept;
}

static void take_reading(struct carried *carried, int reading)
{
    struct account *next = carried->next;
    int count;

    carried->step_count = 0;
    carried->best = -INFINITY;
    for (int i = 0; i < carried->accounts; i++)
        steps_of(carried, i, reading);
    assert(carried->step_count > 0);
    drop_hopeless(carried);
    qsort(carried->steps, (size_t)carried->step_count, sizeof *carried->steps, by_weight);
    merge_alike(carried);
    count = carried->step_count < ACCOUNTS ? carried->step_count : ACCOUNTS;
    for (int i = 0; i < count; i++) {
        const struct step *step = &carried->steps[i];

        next[i] = carried->now[step->account];
        take_step(carried->morning, &next[i], step, reading);
        next[i].log_weight -= carried->best;
    }
    carried->next = carried->now;
    carried->now = next;
    carried->accounts = count;
}

/* ---- all of them ---- */

static void begin(const struct samples *samples, struct account *account)
{
    account->level = USUAL_EXTRACTION_PCT;
    account->level_v = squared(EXTRACTION_U_PCT);
    account->growth = GROWTH_PCT;
    account->growth_v = squared(GROWTH_U_PCT);
    account->spoilt = SPOILT;
    account->clean = CLEAN;
    memcpy(account->further, FURTHER, sizeof FURTHER);
    memcpy(account->ended, ENDED, sizeof ENDED);
    account->carried = CARRIED;
    account->wiped = WIPED;
    account->stray = STRAY;
    account->of_cups = OF_CUPS;
    habits_begin(samples, &account->habits);
    for (int i = 0; i < SAMPLES_INSTRUMENTS; i++)
        account->turn[i].cup = SAMPLES_NO_CUP;
}

static void sum_up(const struct carried *carried, int reading, struct belief *out)
{
    int cups = carried->morning->samples->cup_count;

    *out = (struct belief){ .sample = carried->now[0].sample_of[reading] };
    for (int i = 0; i < carried->accounts; i++) {
        int cup = carried->now[i].cup_of[reading];

        out->share[cup >= 0 ? cup : cups] += exp(carried->now[i].log_weight);
    }
}

int accounts_believe(const struct morning *morning, struct belief *out)
{
    struct account *both = calloc(2 * ACCOUNTS, sizeof *both);
    struct carried carried = { .morning = morning, .now = both, .accounts = 1 };

    carried.steps = calloc((size_t)ACCOUNTS * (SAMPLES_CUPS + 2), sizeof *carried.steps);
    if (!both || !carried.steps) {
        free(both);
        free(carried.steps);
        return -ENOMEM;
    }
    carried.next = both + ACCOUNTS;
    begin(morning->samples, &both[0]);
    for (int i = 0; i < morning->samples->reading_count; i++)
        if (!morning->blank[i])
            take_reading(&carried, i);
    for (int i = 0; i < morning->samples->reading_count; i++)
        if (!morning->blank[i])
            sum_up(&carried, i, &out[i]);
    free(both);
    free(carried.steps);
    return 0;
}
