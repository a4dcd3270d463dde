/* Readings to cups: water found, and what comes of the answers; see samples.h.  Which reading is whose:
 * samples_accounts.c; what water showed: samples_water.c. */
#include "samples_parts.h"

#include <assert.h>
#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>

const double SAMPLES_CLEAR = 0.95;
const double SAMPLES_UNFILTERED_PCT = 0.02;

/* One reading repeated: what hand-held refractometers come to, as if that had been seen so often (common practice, no
 * source). */
static const double REPEAT_PCT = 0.012, REPEAT_FREEDOM = 4;

/* Below this share of the weakest cup that is expected it is water; but never above the bound. */
static const double BLANK_SHARE = 0.35, BLANK_MOST_PCT = 0.5;

/* Readings of the same sample follow each other within so much. */
static const double SAME_MOST_S = 40;

/* A replicate further from the median, in robust deviations (1.4826 MAD estimates a normal standard deviation). */
static const double SUSPECT_DEVIATIONS = 3.5, MAD_TO_SIGMA = 1.4826;

static double squared(double x)
{
    return x * x;
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;

    return (x > y) - (x < y);
}

/* ---- water ---- */

static double weakest_expected_pct(const struct morning *morning)
{
    struct curve curve;
    double weakest = NAN, variance, freedom;

    curve_begin(morning->samples, &curve);
    for (int i = 0; i < morning->samples->cup_count; i++)
        weakest = fmin(weakest, curve_expect(&curve, &morning->shape[i], 0, &variance, &freedom));
    return isnan(weakest) ? BLANK_MOST_PCT / BLANK_SHARE : weakest;
}

static void find_blanks(struct morning *morning)
{
    const struct samples *samples = morning->samples;
    double limit = fmin(BLANK_SHARE * weakest_expected_pct(morning), BLANK_MOST_PCT);

    for (int i = 0; i < samples->reading_count; i++) {
        const struct sample_reading *reading = &samples->reading[i];

        morning->blank[i] =
            reading->said == SAMPLE_IS_BLANK || (reading->said != SAMPLE_OF_CUP && reading->shown_pct < limit);
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
        if (before >= 0 && reading->at_us - samples->reading[before].at_us < (int64_t)(SAME_MOST_S * 1e6))
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

/* ---- the answers ---- */

static void judge(const struct morning *morning, const struct belief *belief, int reading, struct sample_verdict *out)
{
    const struct samples *samples = morning->samples;
    double none = belief->share[samples->cup_count], total = 0;
    int best = -1, second = -1;

    *out = (struct sample_verdict){ .found = SAMPLE_BLANK,
                                    .cup = SAMPLES_NO_CUP,
                                    .other = SAMPLES_NO_CUP,
                                    .sample = -1,
                                    .strength_pct = morning->corrected_pct[reading],
                                    .blank_pct = morning->blank_pct[reading],
                                    .blank_u_pct = morning->blank_u_pct[reading] };
    if (morning->blank[reading])
        return;
    for (int i = 0; i < samples->cup_count; i++) {
        if (samples->cup[i].discarded) {
            none += belief->share[i];
            continue;
        }
        total += belief->share[i];
        if (best < 0 || belief->share[i] > belief->share[best]) {
            second = best;
            best = i;
        } else if (second < 0 || belief->share[i] > belief->share[second]) {
            second = i;
        }
    }
    total += none;
    if (best >= 0 && none > belief->share[best]) {
        second = best;
        best = -1;
    }
    out->sample = belief->sample;
    out->cup = best >= 0 ? best : SAMPLES_NO_CUP;
    out->chance = (best >= 0 ? belief->share[best] : none) / total;
    out->other = second >= 0 && belief->share[second] > 0 ? second : SAMPLES_NO_CUP;
    out->other_chance = out->other >= 0 ? belief->share[second] / total : 0;
    out->found = out->chance < SAMPLES_CLEAR ? SAMPLE_UNSURE : best >= 0 ? SAMPLE_FOUND : SAMPLE_STRAY;
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

static void answer(const struct morning *morning, const struct belief *belief)
{
    struct samples *samples = morning->samples;
    double squares = REPEAT_FREEDOM * squared(REPEAT_PCT), freedom = REPEAT_FREEDOM;

    for (int i = 0; i < samples->reading_count; i++)
        judge(morning, &belief[i], i, &samples->verdict[i]);
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
    struct belief *belief = calloc(SAMPLES_READINGS, sizeof *belief);
    struct morning morning = { .samples = samples };
    int error = belief ? 0 : -ENOMEM;

    assert(samples->reading_count >= 0 && samples->reading_count <= SAMPLES_READINGS);
    assert(samples->cup_count >= 0 && samples->cup_count <= SAMPLES_CUPS);
    if (!error) {
        shapes_find(samples, morning.shape);
        morning.repeat_v = first_repeat_v(samples);
        find_blanks(&morning);
        error = water_subtract(&morning);
    }
    if (!error)
        error = accounts_believe(&morning, belief);
    if (!error)
        answer(&morning, belief);
    free(belief);
    return error;
}
