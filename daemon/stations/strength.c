/* Cups waiting for strength; see strength.h. */
#include "strength.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "report.h"
#include "poise/brew.h"
#include "poise/uncertainty.h"

/* Below this it is water on the prism, or a clean one, and no coffee: the weakest cup anybody would
 * drink has ten times as much. */
static const double BLANK_MOST_PCT = 0.10;

/* A blank further from zero than this would spoil the second decimal of every cup after it. */
static const double BLANK_DRIFT_PCT = 0.02;

/* An instrument that repeats itself shows the same sample again: one reading a second counts. */
static const int64_t REPEAT_US = 1000000;

/* A temperature belongs to a reading of about the same moment. */
static const int64_t SAMPLE_FRESH_US = 5000000;

/* An instrument that shows what nobody can use is complained of once a minute. */
static const int64_t SAY_AGAIN_US = 60000000;

/* A replicate further than this from the median, in robust deviations, is shown as suspect (median
 * and MAD; 1.4826 MAD estimates the standard deviation of a normal distribution). */
static const double SUSPECT_DEVIATIONS = 3.5, MAD_TO_SIGMA = 1.4826;

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;

    return (x > y) - (x < y);
}

static double median(double *values, int count)
{
    qsort(values, (size_t)count, sizeof *values, by_size);
    return count % 2 ? values[count / 2] : (values[count / 2 - 1] + values[count / 2]) / 2;
}

/* The sample of this cup that does not fit the others; -1: all do, or they are too few to judge. */
static int suspect(const struct brew *brew)
{
    double values[BREW_SAMPLES], distances[BREW_SAMPLES], sorted[BREW_SAMPLES];
    double middle, spread;
    int count = brew->sample_count;
    int worst = 0;

    if (count < 3)
        return -1;
    for (int i = 0; i < count; i++)
        values[i] = brew->samples[i].strength_pct;
    middle = median(values, count);
    for (int i = 0; i < count; i++) {
        distances[i] = fabs(brew->samples[i].strength_pct - middle);
        if (distances[i] > distances[worst])
            worst = i;
    }
    /* two readings alike leave no spread: then the last digit is the least there is */
    memcpy(sorted, distances, sizeof *sorted * (size_t)count);
    spread = fmax(MAD_TO_SIGMA * median(sorted, count), brew->samples[worst].resolution_pct);
    return distances[worst] > SUSPECT_DEVIATIONS * spread ? worst : -1;
}

static void report_done(struct stations *stations, struct brew *brew, int64_t at_us)
{
    struct staged done = { STAGE_DONE, at_us, 0, BY_TRACKER };

    if (!brew->earlier_boot) /* whose stages' times lie on another clock */
        brew_stage(brew, &done);
    report_stage(stations, brew, &done);
}

/* The cup's strength changed: tell it, and whether it has all it needs now. */
static void report_strength(struct stations *stations, struct brew *brew, enum made_by by, bool was_waiting,
                            struct moment now)
{
    double mean_pct, u_pct;
    int odd = suspect(brew);

    brew->changed = stations->state_changed = true;
    if (!brew->strength_entered) { /* what the operator typed in stands, whatever is taken off */
        brew_strength(brew, &mean_pct, &u_pct);
        brew_measure(brew, MEASURE_STRENGTH_PCT, mean_pct, u_pct, false);
    }
    report_measure(stations, brew, MEASURE_STRENGTH_PCT, by);
    if (odd >= 0)
        stations_warn(stations, brew, brew->station, "strength-suspect",
                      "one of the %d strength readings of %s, %.2f %%, lies far from the others; clean the prism and "
                      "read again, or take it back with `unassign %s/%d`",
                      brew->sample_count, brew->name, brew->samples[odd].strength_pct, brew->name, odd + 1);
    if (was_waiting && !brew_waits(brew, stations->replicates))
        report_done(stations, brew, now.mono_us);
}

/* A reading that is no cup's stays where it can be assigned. */
static void keep_loose(struct stations *stations, const struct sample *sample)
{
    if (stations->loose_count == LOOSE_READINGS)
        memmove(stations->loose, stations->loose + 1, sizeof *stations->loose * (size_t)--stations->loose_count);
    stations->loose[stations->loose_count++] = *sample;
    stations->meant_seq = sample->seq;
}

static void add_sample(struct stations *stations, struct brew *brew, const struct sample *sample, enum made_by by,
                       struct moment now)
{
    bool waited = brew_waits(brew, stations->replicates);

    if (brew->sample_count == BREW_SAMPLES) {
        keep_loose(stations, &brew->samples[0]);
        memmove(brew->samples, brew->samples + 1, sizeof brew->samples - sizeof *brew->samples);
        brew->sample_count--;
    }
    brew->samples[brew->sample_count++] = *sample;
    brew->strength_entered = false;
    stations->meant_seq = sample->seq;
    report_strength(stations, brew, by, waited, now);
    if (!brew_waits(brew, stations->replicates) && strcmp(stations->sample, brew->name) == 0)
        stations->sample[0] = '\0';
}

/* Strength and the worth of its last digit; false: this reading cannot become one. */
static bool to_strength(struct stations *stations, const struct reading *reading, struct sample *sample)
{
    double shown = decimal_to_double(reading->value), resolution = reading->resolution;
    double factor = reading->quantity == QUANTITY_STRENGTH ? 1 : stations->strength_per_brix;

    if (reading->quantity == QUANTITY_REFRACTIVE_INDEX) {
        resolution = brix_of_refractive_index(shown + resolution) - brix_of_refractive_index(shown);
        shown = brix_of_refractive_index(shown);
    }
    if (!(factor > 0) || isnan(shown) || isnan(resolution))
        return false;
    sample->strength_pct = shown * factor;
    sample->resolution_pct = resolution * factor;
    return true;
}

void strength_sample_temperature(struct stations *stations, const struct reading *reading)
{
    if (reading->status != READING_OK)
        return;
    stations->sample_c = decimal_to_double(reading->value);
    stations->sample_c_us = reading->mono_us;
}

static void take_blank(struct stations *stations, const struct sample *sample)
{
    stations->blank_pct = sample->strength_pct;
    stations->state_changed = true;
    if (fabs(sample->strength_pct) > BLANK_DRIFT_PCT)
        stations_warn(stations, NULL, NULL, "blank-drift",
                      "water reads %.2f %% on the refractometer: clean the prism and set it to zero before the next "
                      "cup",
                      sample->strength_pct);
}

void strength_reading(struct stations *stations, const struct reading *reading, uint64_t seq, struct moment now)
{
    struct sample sample = { .seq = seq, .at_us = now.mono_us, .sample_c = NAN };
    struct brew *brew = NULL;

    if (reading->status != READING_OK || reading->stable == 0 || seq <= stations->strength_seq)
        return;
    if (!to_strength(stations, reading, &sample)) {
        if (stations->unknown_us && now.mono_us - stations->unknown_us < SAY_AGAIN_US)
            return;
        stations->unknown_us = now.mono_us;
        stations_warn(stations, NULL, NULL, "strength-unknown",
                      "a %s reading cannot become a strength: set strength_per_brix in [strength] and look at the "
                      "prism, or enter the strength",
                      quantity_name(reading->quantity));
        return;
    }
    if (stations->strength_us && now.mono_us - stations->strength_us >= 0
        && now.mono_us - stations->strength_us < REPEAT_US)
        return;
    stations->strength_seq = seq;
    stations->strength_us = now.mono_us;
    if (!isnan(stations->sample_c) && llabs(now.mono_us - stations->sample_c_us) < SAMPLE_FRESH_US)
        sample.sample_c = stations->sample_c;
    if (sample.strength_pct < BLANK_MOST_PCT) {
        take_blank(stations, &sample);
        return;
    }
    if (sample.strength_pct > measure_most(MEASURE_STRENGTH_PCT)) {
        stations_warn(stations, NULL, NULL, "strength-unknown", "%.2f %% cannot be the strength of a cup: not used",
                      sample.strength_pct);
        return;
    }
    if (stations->sample[0])
        brew = brews_find(&stations->brews, stations->sample);
    if (!brew)
        brew = brews_waiting(&stations->brews, stations->replicates);
    if (brew) {
        add_sample(stations, brew, &sample, BY_TRACKER, now);
        if (reading->detail[0])
            stations_warn(stations, brew, brew->station, "strength-suspect",
                          "%.2f %% of %s was read with the instrument saying %s: read again, or take it back with "
                          "`unassign %s/%d`",
                          sample.strength_pct, brew->name, reading->detail, brew->name, brew->sample_count);
        return;
    }
    keep_loose(stations, &sample);
    stations_warn(stations, NULL, NULL, "strength-unassigned",
                  "%.2f %% was read and no cup waits for its strength: name the cup with `assign`",
                  sample.strength_pct);
}

void strength_enter(struct stations *stations, struct brew *brew, double strength_pct, double standard_uncertainty,
                    struct moment now)
{
    bool waited = brew_waits(brew, stations->replicates);

    brew->strength_entered = brew->changed = true;
    brew_measure(brew, MEASURE_STRENGTH_PCT, strength_pct, standard_uncertainty, false);
    report_measure(stations, brew, MEASURE_STRENGTH_PCT, BY_OPERATOR);
    if (waited)
        report_done(stations, brew, now.mono_us);
}

/* Where a reading is: the brew (NULL: no cup's) and its place there; place -1: it is not remembered. */
struct whereabouts {
    struct brew *brew;
    int place;
};

static int place_of(const struct sample *samples, int count, uint64_t seq)
{
    for (int i = count - 1; i >= 0; i--)
        if (samples[i].seq == seq)
            return i;
    return -1;
}

static struct whereabouts find_reading(const struct stations *stations, uint64_t seq)
{
    struct whereabouts where = { NULL, seq ? place_of(stations->loose, stations->loose_count, seq) : -1 };

    for (int i = stations->brews.count - 1; seq && where.place < 0 && i >= 0; i--) {
        struct brew *brew = stations->brews.all[i];

        if ((where.place = place_of(brew->samples, brew->sample_count, seq)) >= 0)
            where.brew = brew;
    }
    return where;
}

struct brew *strength_owner(const struct stations *stations, uint64_t seq)
{
    return find_reading(stations, seq).brew;
}

static int not_remembered(uint64_t seq, struct why *why)
{
    return why_set(why, -ENOENT,
                   "there is no strength reading %" PRIu64 " among those that can be assigned; "
                   "`poise-ctl strength` lists them",
                   seq);
}

/* Takes a reading out of where it is; its brew's strength is corrected. */
static struct sample take_off(struct stations *stations, struct whereabouts from, struct moment now)
{
    struct sample *samples = from.brew ? from.brew->samples : stations->loose;
    int *count = from.brew ? &from.brew->sample_count : &stations->loose_count;
    struct sample sample = samples[from.place];

    memmove(samples + from.place, samples + from.place + 1, sizeof *samples * (size_t)(--*count - from.place));
    if (from.brew)
        report_strength(stations, from.brew, BY_OPERATOR, false, now);
    return sample;
}

int strength_assign(struct stations *stations, struct brew *brew, uint64_t seq, struct moment now, struct why *why)
{
    struct whereabouts from = find_reading(stations, seq ? seq : stations->meant_seq);
    struct sample sample;

    if (brew->discarded)
        return why_set(why, -EINVAL, "%s is discarded: it takes no strength", brew->name);
    if (from.place < 0 && seq)
        return not_remembered(seq, why);
    if (from.place < 0)
        return why_set(why, -EINVAL,
                       "there is no strength reading to assign: read the sample first, or name the "
                       "next one with `sample`");
    if (from.brew == brew)
        return why_set(why, -EINVAL, "%s strength reading is assigned to %s already", seq ? "that" : "the newest",
                       brew->name);
    sample = take_off(stations, from, now);
    add_sample(stations, brew, &sample, BY_OPERATOR, now);
    return 0;
}

int strength_unassign(struct stations *stations, struct brew *brew, uint64_t seq, struct moment now, struct why *why)
{
    struct whereabouts from = { brew, brew ? brew->sample_count - 1 : -1 };
    struct sample sample;

    if (seq)
        from = find_reading(stations, seq);
    if (from.place < 0 && seq)
        return not_remembered(seq, why);
    if (from.place < 0)
        return why_set(why, -EINVAL, "%s has no strength reading that could be taken back",
                       brew ? brew->name : "the bench");
    if (!from.brew)
        return why_set(why, -EINVAL, "strength reading %" PRIu64 " is no cup's already", seq);
    if (brew && from.brew != brew)
        return why_set(why, -EINVAL, "strength reading %" PRIu64 " is not %s's but %s's", seq, brew->name,
                       from.brew->name);
    sample = take_off(stations, from, now);
    keep_loose(stations, &sample);
    return 0;
}

void strength_release(struct stations *stations, struct brew *brew, struct moment now)
{
    struct sample samples[BREW_SAMPLES];
    int count = brew->sample_count, passed = 0;

    if (strcmp(stations->sample, brew->name) == 0)
        stations->sample[0] = '\0';
    memcpy(samples, brew->samples, sizeof samples);
    brew->sample_count = 0;
    if (count)
        report_strength(stations, brew, BY_OPERATOR, false, now);
    for (int i = 0; i < count; i++) {
        struct brew *heir = brews_waiting(&stations->brews, stations->replicates);

        if (heir && !heir->earlier_boot && heir->ended_us <= samples[i].at_us) { /* it was there to be read then */
            add_sample(stations, heir, &samples[i], BY_TRACKER, now);
            passed++;
        } else {
            keep_loose(stations, &samples[i]);
        }
    }
    if (passed)
        stations_warn(stations, brew, brew->station, "strength-moved",
                      "%d strength reading%s of %s, which is discarded, went to the cup that waited; `unassign` takes "
                      "them back",
                      passed, passed == 1 ? "" : "s", brew->name);
}

static void list_one(json_t *list, const struct sample *sample, const struct brew *brew, int place, bool odd,
                     struct moment now)
{
    int64_t ago_us = now.mono_us - sample->at_us;
    json_t *one = json_pack("{s:I,s:f,s:b}", "seq", (json_int_t)sample->seq, "strength_pct", sample->strength_pct,
                            "suspect", odd);

    json_object_set_new(one, "sample_c", isnan(sample->sample_c) ? json_null() : json_real(sample->sample_c));
    /* a reading from before the computer was restarted has no age on this clock */
    json_object_set_new(one, "ago_s", ago_us < 0 ? json_null() : json_real((double)ago_us / 1e6));
    json_object_set_new(one, "brew", brew ? json_string(brew->name) : json_null());
    json_object_set_new(one, "number", brew ? json_integer(place + 1) : json_null());
    json_array_append_new(list, one);
}

json_t *strength_list(const struct stations *stations, const struct brew *brew, struct moment now)
{
    json_t *list = json_array();

    for (int i = 0; i < stations->brews.count; i++) {
        const struct brew *one = stations->brews.all[i];

        for (int place = 0; place < one->sample_count && (!brew || brew == one); place++)
            list_one(list, &one->samples[place], one, place, suspect(one) == place, now);
    }
    for (int i = 0; i < stations->loose_count && !brew; i++)
        list_one(list, &stations->loose[i], NULL, i, false, now);
    return list;
}

int strength_sample(struct stations *stations, const struct brew *brew, struct why *why)
{
    if (!brew) {
        stations->sample[0] = '\0';
        return 0;
    }
    if (brew->discarded)
        return why_set(why, -EINVAL, "%s is discarded: it takes no strength", brew->name);
    strcpy(stations->sample, brew->name);
    return 0;
}
