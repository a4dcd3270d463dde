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

static const double ANOTHER_SAMPLE_PCT = 0.015; /* two samples of one cup: it cools, settles, loses water */

/* A zero wanders by no more between one cup and the next. */
static const double ZERO_WANDER_PCT = 0.02;

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
static const double FURTHER_STRAY = 0.4, FURTHER_AFTER_BLANK = 0.03;

/* An account so much less likely than the best, in logarithms, is given up. */
static const double GIVEN_UP = 12;

/* ---- the accounts ---- */

enum fit { FIT_GOOD, FIT_SPOILT, FIT_CARRIED, FITS };

/* The only reading of a cup so far: what it is worth is known when it is repeated. */
struct first {
    bool open;
    double pct, carried_pct;        /* carried_pct: the cup's, if it has something of another */
    double mean, variance, freedom; /* what was expected of the cup */
    double log_chance[FITS];
};

struct turn { /* the sample that lies on an instrument */
    int cup;  /* SAMPLES_NO_CUP: none yet, or no cup's */
    int count;
    int sample;
    struct first first;
};

struct account {
    double log_weight;
    struct curve curve, curve_before;                     /* before: without the cup learnt last, */
    int learnt_last;                                      /* which is this one; SAMPLES_NO_CUP: none */
    double spoilt, clean, carried, wiped, stray, of_cups; /* so many readings, and samples */
    double further[3], ended[3];                          /* by how_many: a sample was read further, or no more */
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
    bool further;   /* of the sample that lies there */
    float gap_s;    /* since the reading before */
    double nobodys; /* how far no cup waited to be read: no habit of reading strangers */
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

/* ---- one step ---- */

static double log_sum(double a, double b)
{
    return isinf(b) ? a : fmax(a, b) + log1p(exp(-fabs(a - b)));
}

/* What the zero may have gone from one cup to another; what all cups share of its error is in the curve. */
static double zero_v(const struct morning *morning, int reading)
{
    return squared(fmin(morning->blank_u_pct[reading], ZERO_WANDER_PCT));
}

/* How well a reading fits, for each way in which it can: `fit` comes back with them, and which is likeliest. */
struct fitted {
    double log_chance[FITS];
    enum fit likeliest;
    struct first first; /* of a cup not read before */
};

static double sum_fits(struct fitted *fitted)
{
    double sum = -INFINITY;

    fitted->likeliest = FIT_GOOD;
    for (int i = 0; i < FITS; i++) {
        if (fitted->log_chance[i] > fitted->log_chance[fitted->likeliest])
            fitted->likeliest = (enum fit)i;
        sum = isinf(fitted->log_chance[i]) ? sum : log_sum(fitted->log_chance[i], sum);
    }
    return sum;
}

/* The first of a sample: of a cup read before, or not. */
static double fit_first(const struct morning *morning, const struct account *account, int reading, int cup,
                        struct fitted *out)
{
    int instrument = morning->samples->reading[reading].instrument, n = account->count[cup];
    double y = morning->corrected_pct[reading], before = morning->before_pct[reading], sum;
    double spoilt = account->spoilt / (account->spoilt + account->clean), freedom = TAIL_FREEDOM, mean, variance;
    double carried = isnan(before) ? 0 : account->carried / (account->carried + account->wiped), shift;

    if (n) {
        mean = account->sum_pct[cup] / n
               + curve_offset_pct(&account->curve, instrument, account->instrument_of[cup], &variance);
        variance += morning->repeat_v * (1 + 1.0 / n) + squared(ANOTHER_SAMPLE_PCT) + 2 * zero_v(morning, reading);
    } else {
        mean = curve_expect(&account->curve, &morning->shape[cup], instrument, &variance, &freedom);
        variance += morning->repeat_v + zero_v(morning, reading);
    }
    shift = carried > 0 ? CARRY * (before - mean) : 0;
    out->log_chance[FIT_GOOD] = log(1 - spoilt - carried) + log_tailed(y - mean, variance, freedom);
    out->log_chance[FIT_SPOILT] = log(spoilt) + log_normal(y - mean, variance + squared(SPOILT_PCT));
    out->log_chance[FIT_CARRIED] =
        carried > 0 ? log(carried) + log_tailed(y - mean - shift, variance + squared(CARRY_U / CARRY * shift), freedom)
                    : -INFINITY;
    sum = sum_fits(out);
    out->first = (struct first){ .open = !n,
                                 .pct = y,
                                 .carried_pct = carried > 0 ? y + (y - before) * CARRY / (1 - CARRY) : y,
                                 .mean = mean,
                                 .variance = variance,
                                 .freedom = freedom };
    for (int i = 0; i < FITS; i++)
        out->first.log_chance[i] = out->log_chance[i] - sum;
    return sum;
}

/* The second of a cup, which shows what the first was worth. */
static double fit_second(const struct morning *morning, const struct account *account, int reading,
                         const struct first *first, struct fitted *out)
{
    double y = morning->corrected_pct[reading], variance = 2 * morning->repeat_v;
    double spoilt = account->spoilt / (account->spoilt + account->clean);

    out->log_chance[FIT_GOOD] = first->log_chance[FIT_GOOD]
                                + log_sum(log(1 - spoilt) + log_tailed(y - first->pct, variance, TAIL_FREEDOM),
                                          log(spoilt) + log_normal(y - first->pct, variance + squared(SPOILT_PCT)));
    out->log_chance[FIT_SPOILT] =
        first->log_chance[FIT_SPOILT] + log_tailed(y - first->mean, first->variance, first->freedom);
    out->log_chance[FIT_CARRIED] =
        first->log_chance[FIT_CARRIED]
        + log_tailed(y - first->carried_pct, variance + squared(CARRY_U / CARRY * (first->carried_pct - first->pct)),
                     TAIL_FREEDOM);
    return sum_fits(out);
}

/* Any further one of the sample that lies there. */
static double fit_further(const struct morning *morning, const struct account *account, int reading,
                          const struct turn *turn, struct fitted *out)
{
    int n = account->count[turn->cup];
    double error, variance = morning->repeat_v * (1 + 1.0 / n);
    double spoilt = account->spoilt / (account->spoilt + account->clean);

    if (turn->first.open)
        return fit_second(morning, account, reading, &turn->first, out);
    error = morning->corrected_pct[reading] - account->sum_pct[turn->cup] / n;
    out->log_chance[FIT_GOOD] = log(1 - spoilt) + log_tailed(error, variance, TAIL_FREEDOM);
    out->log_chance[FIT_SPOILT] = log(spoilt) + log_normal(error, variance + squared(SPOILT_PCT));
    out->log_chance[FIT_CARRIED] = -INFINITY;
    return sum_fits(out);
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
    double stray = one->stray / (one->stray + one->of_cups), nobodys;
    double log_cup = one->log_weight + log_new + log(1 - stray), hopeless = carried->best - GIVEN_UP;
    struct fitted fitted;

    nobodys = turns_weigh(samples, &one->habits, one->readings, reading, gap_s, after_blank, choice);
    for (int i = 0; i < samples->cup_count; i++) {
        struct step step = { .cup = i, .choice = choice[i] };

        if (what->said == SAMPLE_OF_CUP ? what->cup != i : what->said == SAMPLE_OF_NONE)
            continue;
        step.log_weight = log_cup + (what->said == SAMPLE_OF_CUP ? turns_begin(gap_s) : choice[i].log_chance);
        if (!(step.log_weight + best_fit(carried->morning) > hopeless))
            continue;
        step.log_weight += fit_first(carried->morning, one, reading, i, &fitted);
        add_step(carried, account, &step);
    }
    if (what->said != SAMPLE_OF_CUP) {
        struct step step = { .cup = SAMPLES_NO_CUP, .nobodys = nobodys };

        step.log_weight =
            one->log_weight + log_new + log(stray + (1 - stray) * nobodys) - log(STRAY_RANGE_PCT) + turns_begin(gap_s);
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
    struct fitted fitted;
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
            step.log_weight += fit_further(morning, one, reading, turn, &fitted);
            add_step(carried, account, &step);
        } else if (turn->cup < 0 && !said && !morning->blank[before]) {
            step.log_weight += log_tailed(morning->corrected_pct[reading] - morning->corrected_pct[before],
                                          2 * morning->repeat_v, TAIL_FREEDOM);
            add_step(carried, account, &step);
        }
    }
    begin_samples(carried, account, reading, log_new, gap_s, after_blank);
}

static void add_reading(struct account *account, int cup, double pct)
{
    account->sum_pct[cup] += pct;
    account->count[cup]++;
}

/* The second reading of a cup settles what the first was. */
static void settle_first(struct account *account, struct turn *turn, enum fit was, double pct)
{
    const struct first *first = &turn->first;
    int cup = turn->cup;

    account->spoilt += was == FIT_SPOILT;
    account->clean += was == FIT_GOOD;
    account->carried += was == FIT_CARRIED;
    account->wiped += was == FIT_GOOD;
    if (was == FIT_SPOILT) {
        account->sum_pct[cup] = 0;
        account->count[cup] = 0;
    } else if (was == FIT_CARRIED) {
        account->sum_pct[cup] = first->carried_pct;
    }
    if (was != FIT_GOOD || fabs(pct - first->pct) < SPOILT_PCT)
        add_reading(account, cup, pct);
    turn->first.open = false;
}

/* The curve learns of a cup by its first reading, and again when the second shows what that was worth. */
static void learn(const struct morning *morning, struct account *account, int reading, int cup)
{
    if (account->learnt_last == cup)
        account->curve = account->curve_before;
    else if (account->readings[cup])
        return; /* others were learnt since */
    account->curve_before = account->curve;
    account->learnt_last = cup;
    curve_learn(&account->curve, &morning->shape[cup], morning->samples->reading[reading].instrument,
                account->sum_pct[cup] / account->count[cup],
                morning->repeat_v / account->count[cup] + zero_v(morning, reading));
}

static void take_of_cup(const struct morning *morning, struct account *account, const struct step *step, int reading,
                        struct turn *turn)
{
    int cup = step->cup, instrument = morning->samples->reading[reading].instrument;
    double pct = morning->corrected_pct[reading];
    struct fitted fitted;

    if (step->further) {
        (void)fit_further(morning, account, reading, turn, &fitted);
        if (turn->first.open) {
            settle_first(account, turn, fitted.likeliest, pct);
            learn(morning, account, reading, cup);
        } else {
            account->spoilt += fitted.likeliest == FIT_SPOILT;
            account->clean += fitted.likeliest == FIT_GOOD;
            if (fitted.likeliest == FIT_GOOD)
                add_reading(account, cup, pct);
        }
    } else {
        (void)fit_first(morning, account, reading, cup, &fitted);
        turns_learn(morning->samples, &account->habits, &step->choice, reading, cup);
        if (!account->count[cup] || fitted.likeliest == FIT_GOOD)
            add_reading(account, cup, pct);
        turn->first = fitted.first;
        if (turn->first.open)
            learn(morning, account, reading, cup);
    }
    account->readings[cup]++;
    account->instrument_of[cup] = (signed char)instrument;
}

static void take_step(const struct morning *morning, struct account *account, const struct step *step, int reading)
{
    int instrument = morning->samples->reading[reading].instrument, cup = step->cup;
    struct turn *turn = &account->turn[instrument];

    if (turn->count && turn->cup >= 0)
        (step->further ? account->further : account->ended)[how_many(morning, turn)]++;
    if (step->further)
        turns_learn_further(&account->habits, step->gap_s);
    account->log_weight = step->log_weight;
    account->readings_hash = step->readings_hash;
    account->cup_of[reading] = (signed char)cup;
    if (!step->further) {
        *turn = (struct turn){ .cup = cup, .sample = account->samples++ };
        if (morning->samples->reading[reading].said == SAMPLE_OPEN) {
            account->stray += cup < 0 ? 1 - step->nobodys : 0;
            account->of_cups += cup >= 0;
        }
    }
    if (cup >= 0)
        take_of_cup(morning, account, step, reading, turn);
    turn->count++;
    turns_read(morning->samples, &account->habits, reading);
    account->sample_of[reading] = (signed char)turn->sample;
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
    curve_begin(samples, &account->curve);
    account->learnt_last = SAMPLES_NO_CUP;
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
