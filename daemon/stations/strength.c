/* Cups waiting for strength; see strength.h.  Which reading is whose is found in samples.c; here readings are kept,
 * moved and reported. */
#include "strength.h"

#include <errno.h>
#include <gsl/gsl_cdf.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "report.h"
#include "samples.h"
#include "poise/brew.h"

/* A blank further from zero than this would spoil the second decimal of every cup after it, were it not subtracted. */
static const double BLANK_DRIFT_PCT = 0.02;

/* An instrument that repeats itself shows the same sample again: one reading a second counts. */
static const int64_t REPEAT_US = 1000000;

/* A temperature belongs to a reading of about the same moment. */
static const int64_t SAMPLE_FRESH_US = 5000000;

/* An instrument that shows what nobody can use is complained of once a minute. */
static const int64_t SAY_AGAIN_US = 60000000;

/* A reading stays where it is while that is still likelier than all else together: what was answered once is not taken
 * back for a small doubt. */
static const double STAYS = 0.5;

/* Where an instrument does not correct for the sample's temperature: the index of water falls by 0.0001 a kelvin near
 * 20 to 25 C (IAPWS R9-97), and one degree Brix is 0.00144 of it (the sucrose scale, which is meant at 20 C). */
static const double BRIX_PER_K = 0.07, SCALE_C = 20, USUAL_STRENGTH_PER_BRIX = 0.85;

/* The slope is sure to a fifth, a sample's temperature to half a kelvin; where nothing shows it, samples are as warm as
 * the room, give or take three (common practice, no source). */
static const double SLOPE_U = 0.2, SAMPLE_U_K = 0.5, UNKNOWN_U_K = 3;

/* A strength that changes by less, and an uncertainty by a smaller share, is not worth another event. */
static const double WORTH_PCT = 0.0005, WORTH_U = 0.1;

/* A solution was read just before it is said what it was. */
static const int64_t CHECK_FRESH_US = 120000000;

/* While a sample is named, what lies below is water all the same. */
static const double WATER_MOST_PCT = 0.3;

/* What a single reading is good for before any was repeated: as samples.c has it. */
static const double REPEAT_PCT = 0.012;

/* ---- a reading that is no cup's ---- */

/* It stays where it can be assigned. */
static void keep_loose(struct stations *stations, const struct sample *sample)
{
    if (stations->loose_count == LOOSE_READINGS)
        memmove(stations->loose, stations->loose + 1, sizeof *stations->loose * (size_t)--stations->loose_count);
    stations->loose[stations->loose_count++] = *sample;
}

static void keep_blank(struct stations *stations, const struct sample *sample)
{
    if (stations->blank_count == LOOSE_READINGS)
        memmove(stations->blanks, stations->blanks + 1, sizeof *stations->blanks * (size_t)--stations->blank_count);
    stations->blanks[stations->blank_count++] = *sample;
}

bool strength_filtered(const struct stations *stations, const struct brew *brew)
{
    return brew->filtered < 0 ? stations->filtered : brew->filtered == 1;
}

/* ---- what is reported ---- */

static void report_done(struct stations *stations, struct brew *brew, int64_t at_us)
{
    struct staged done = { STAGE_DONE, at_us, 0, BY_TRACKER };

    if (!brew->earlier_boot) /* whose stages' times lie on another clock */
        brew_stage(brew, &done);
    report_stage(stations, brew, &done);
}

static void warn_of_suspect(struct stations *stations, const struct brew *brew, int place)
{
    stations_warn(stations, brew, brew->station, "strength-suspect",
                  "one of the %d strength readings of %s, %.2f %%, lies far from the others and is left out of their "
                  "mean; clean the prism and read again, or take it back with `unassign %s/%d`",
                  brew->sample_count, brew->name, brew->samples[place].strength_pct, brew->name, place + 1);
}

/* The cup's strength changed: report it, and whether it has all it needs now. */
static void report_strength(struct stations *stations, struct brew *brew, enum made_by by, bool was_waiting,
                            struct moment now)
{
    brew->changed = stations->state_changed = true;
    report_measure(stations, brew, MEASURE_STRENGTH_PCT, by);
    if (was_waiting && !brew_waits(brew, stations->replicates)) {
        report_done(stations, brew, now.mono_us);
        watch_spread(stations, brew, now);
        watch_control(stations, brew, now);
    }
}

/* ---- what a cup was before readings were moved ---- */

struct before {
    bool waited, filtered;
    int count;
    uint64_t seq[BREW_SAMPLES], suspect_seq;
};

static uint64_t first_suspect(const struct brew *brew, int *place)
{
    for (*place = 0; *place < brew->sample_count; (*place)++)
        if (brew->samples[*place].suspect)
            return brew->samples[*place].seq;
    return 0;
}

static struct before as_before(const struct stations *stations, const struct brew *brew)
{
    struct before before = { .waited = brew_waits(brew, stations->replicates),
                             .filtered = strength_filtered(stations, brew),
                             .count = brew->sample_count };
    int place;

    for (int i = 0; i < brew->sample_count; i++)
        before.seq[i] = brew->samples[i].seq;
    before.suspect_seq = first_suspect(brew, &place);
    return before;
}

static bool same_readings(const struct before *before, const struct brew *brew)
{
    bool same = before->count == brew->sample_count;

    for (int i = 0; same && i < brew->sample_count; i++)
        same = before->seq[i] == brew->samples[i].seq;
    return same;
}

typedef struct before all_before[BREWS_KEPT];

static void look(const struct stations *stations, all_before before)
{
    for (int i = 0; i < stations->brews.count; i++)
        before[i] = as_before(stations, stations->brews.all[i]);
}

/* ---- the question to samples.c, and its answer ---- */

/* One reading of the question: where it is now. */
struct place {
    struct sample sample;
    struct brew *brew; /* that has it; NULL: none */
    bool blank;        /* it is among the blanks */
};

struct question {
    const struct stations *stations;
    struct samples samples;
    struct brew *cup[SAMPLES_CUPS];
    struct place place[SAMPLES_READINGS];
};

/* Cups that may have readings: those that wait, those whose readings may still turn out to be another's, and those
 * whose readings were moved.  A cup that was discarded may have been read before: its readings are not its neighbour's.
 * One that never had water was no cup. */
static bool is_asked_about(const struct stations *stations, const struct brew *brew, const struct before *before)
{
    if (brew->discarded)
        return !brew->earlier_boot && brew->measures.value[MEASURE_WATER_G] > 0;
    return !same_readings(before, brew) || brew_waits(brew, stations->replicates)
           || strcmp(brew->name, stations->sample) == 0 || (brew->sample_count && !brew->earlier_boot);
}

static void ask_about_cups(struct stations *stations, struct question *question, const struct before *before)
{
    struct samples *samples = &question->samples;
    int first = stations->brews.count;

    for (int count = 0; first > 0 && count < SAMPLES_CUPS; first--)
        count += is_asked_about(stations, stations->brews.all[first - 1], &before[first - 1]);
    for (int i = first; i < stations->brews.count; i++) {
        struct brew *brew = stations->brews.all[i];
        const double *value = brew->measures.value;

        if (!is_asked_about(stations, brew, &before[i]))
            continue;
        question->cup[samples->cup_count] = brew;
        samples->cup[samples->cup_count++] = (struct sample_cup){
            .begun_us = brew->earlier_boot ? INT64_MIN / 2 : brew->began_us,
            .ready_us = brew->earlier_boot ? INT64_MIN / 2
                        : brew->ended      ? brew->ended_us
                                           : INT64_MAX / 2,
            .dose_g = value[MEASURE_DOSE_G],
            .water_g = value[MEASURE_WATER_G],
            .steep_s = value[MEASURE_STEEP_S],
            .station = station_find(stations, brew->station),
            .wanted = brew->strength_entered ? 0 : stations->replicates,
            .discarded = brew->discarded,
            .discarded_us = brew->discarded_us,
        };
    }
}

static void ask_about(struct question *question, const struct sample *sample, struct brew *brew, int cup, bool blank)
{
    bool unfiltered = brew && !strength_filtered(question->stations, brew);

    struct samples *samples = &question->samples;
    struct sample_reading *reading = &samples->reading[samples->reading_count];

    if (samples->reading_count == SAMPLES_READINGS)
        return;
    *reading = (struct sample_reading){
        .shown_pct = sample->shown_pct,
        .resolution_pct = isnan(sample->resolution_pct) ? 0 : sample->resolution_pct,
        .at_us = sample->at_us == INT64_MAX ? INT64_MIN / 4 : sample->at_us, /* before the restart, and so before all */
        .temperature_u_pct = sample->temperature_u_pct,
        .unfiltered = unfiltered,
        .reset = sample->reset,
        .instrument = sample->instrument,
        .cup = cup,
    };
    if (brew && (sample->said || sample->at_us == INT64_MAX))
        reading->said = SAMPLE_OF_CUP;
    else if (!brew && sample->said)
        reading->said = SAMPLE_OF_NONE;
    question->place[samples->reading_count++] = (struct place){ *sample, brew, blank };
}

/* In the order of their times; the newest are what matters where there are too many. */
static void sort_readings(struct question *question)
{
    struct samples *samples = &question->samples;

    for (int i = 1; i < samples->reading_count; i++) {
        struct sample_reading reading = samples->reading[i];
        struct place place = question->place[i];
        int at = i;

        for (; at > 0 && samples->reading[at - 1].at_us > reading.at_us; at--) {
            samples->reading[at] = samples->reading[at - 1];
            question->place[at] = question->place[at - 1];
        }
        samples->reading[at] = reading;
        question->place[at] = place;
    }
}

static void ask_about_readings(struct stations *stations, struct question *question)
{
    for (int i = stations->loose_count - 1; i >= 0; i--)
        if (stations->loose[i].at_us != INT64_MAX)
            ask_about(question, &stations->loose[i], NULL, SAMPLES_NO_CUP, false);
    for (int cup = question->samples.cup_count - 1; cup >= 0; cup--)
        for (int i = 0; i < question->cup[cup]->sample_count; i++)
            ask_about(question, &question->cup[cup]->samples[i], question->cup[cup], cup, false);
    for (int i = stations->blank_count - 1; i >= 0; i--)
        if (stations->blanks[i].at_us != INT64_MAX)
            ask_about(question, &stations->blanks[i], NULL, SAMPLES_NO_CUP, true);
    sort_readings(question);
    for (int i = 0; i < SAMPLES_INSTRUMENTS; i++)
        question->samples.instrument[i].accuracy_pct = stations->refractometers[i].accuracy_pct;
}

static int cup_of(const struct question *question, const struct brew *brew)
{
    for (int i = 0; i < question->samples.cup_count; i++)
        if (question->cup[i] == brew)
            return i;
    return SAMPLES_NO_CUP;
}

/* Where a reading goes: the cup, or none; `blank`: it is of water. */
static struct brew *goes_to(const struct question *question, int reading, bool *blank)
{
    const struct sample_verdict *verdict = &question->samples.verdict[reading];
    const struct place *place = &question->place[reading];
    enum sample_remark said = question->samples.reading[reading].said;

    *blank = verdict->found == SAMPLE_BLANK;
    if (said == SAMPLE_OF_CUP)
        return place->brew;
    if (verdict->found == SAMPLE_FOUND)
        return question->cup[verdict->cup];
    if (verdict->found == SAMPLE_UNSURE && place->brew && verdict->chance >= STAYS
        && cup_of(question, place->brew) == verdict->cup)
        return place->brew;
    return NULL;
}

static const char *name_of(const struct question *question, int cup)
{
    return cup >= 0 ? question->cup[cup]->name : "";
}

/* Puts every reading of the question where it goes. */
static void move_readings(struct stations *stations, struct question *question)
{
    struct samples *samples = &question->samples;
    int kept = 0;

    for (int i = 0; i < stations->loose_count; i++) /* those that were not asked about stay */
        if (stations->loose[i].at_us == INT64_MAX)
            stations->loose[kept++] = stations->loose[i];
    stations->loose_count = kept;
    stations->blank_count = 0;
    for (int i = 0; i < samples->cup_count; i++)
        question->cup[i]->sample_count = 0;
    for (int i = 0; i < samples->reading_count; i++) {
        const struct sample_verdict *verdict = &samples->verdict[i];
        struct sample *sample = &question->place[i].sample;
        bool blank;
        struct brew *brew = goes_to(question, i, &blank);

        sample->strength_pct = verdict->strength_pct;
        sample->suspect = verdict->suspect;
        sample->chance = samples->reading[i].said == SAMPLE_OPEN ? verdict->chance : 1;
        sample->likely[0] = sample->other[0] = '\0';
        if (verdict->found == SAMPLE_UNSURE) {
            strcpy(sample->likely, name_of(question, verdict->cup));
            strcpy(sample->other, name_of(question, verdict->other));
            sample->other_chance = verdict->other_chance;
        }
        if (brew && brew->sample_count < BREW_SAMPLES)
            brew->samples[brew->sample_count++] = *sample;
        else if (blank)
            keep_blank(stations, sample);
        else
            keep_loose(stations, sample);
    }
}

/* A pooled spread changes a little with every reading of the morning: no event for each cup each time. */
static bool differs(const struct brew *brew, double mean_pct, double u_pct)
{
    double was_pct = brew->measures.value[MEASURE_STRENGTH_PCT];
    double was_u_pct = brew->measures.standard_uncertainty[MEASURE_STRENGTH_PCT];

    if (isnan(mean_pct) || isnan(was_pct))
        return isnan(mean_pct) != isnan(was_pct);
    return fabs(mean_pct - was_pct) > WORTH_PCT || !(fabs(u_pct - was_u_pct) < WORTH_U * was_u_pct);
}

double strength_doubted(const struct stations *stations, const struct brew *brew)
{
    double u_pct = 0;

    for (int i = 0; i < brew->sample_count && !brew->earlier_boot; i++) {
        const struct refractometer *one = &stations->refractometers[brew->samples[i].instrument];

        if (brew->samples[i].at_us >= one->doubt_since_us && brew->samples[i].at_us <= one->doubt_until_us)
            u_pct = fmax(u_pct, one->doubt_u_pct);
    }
    return u_pct;
}

/* Readings that only stay with their cup for lack of a better one are not in the answer's mean. */
static void budget_of(const struct question *question, int cup, struct budget *out)
{
    const struct sample_strength *strength = cup >= 0 ? &question->samples.strength[cup] : NULL;

    budget_clear(out);
    if (!strength || isnan(strength->u_pct)) {
        out->u[BUDGET_REPEAT] = fmax(question->samples.repeat_u_pct, REPEAT_PCT);
        out->u[BUDGET_BLANK] = SAMPLES_ZERO_PCT / sqrt(3);
        return;
    }
    out->u[BUDGET_REPEAT] = strength->u_repeat_pct;
    out->freedom[BUDGET_REPEAT] = strength->repeat_freedom;
    out->u[BUDGET_DIGIT] = strength->u_resolution_pct;
    out->u[BUDGET_ACCURACY] = strength->u_accuracy_pct;
    out->u[BUDGET_BLANK] = strength->u_blank_pct;
    out->u[BUDGET_TEMPERATURE] = strength->u_temperature_pct;
    out->u[BUDGET_FILTER] = strength->u_filter_pct;
}

/* Where Brix becomes strength by the bench's own pairs, all cups share what these leave unsure. */
static void take_factor(const struct stations *stations, const struct brew *brew, double mean_pct,
                        struct budget *budget)
{
    if (!brew->sample_count || !stations->refractometers[brew->samples[0].instrument].by_brix
        || !(stations->strength_per_brix_u > 0))
        return;
    budget->u[BUDGET_FACTOR] = mean_pct * stations->strength_per_brix_u / stations->strength_per_brix;
    budget->freedom[BUDGET_FACTOR] = stations->strength_pairs - 1;
}

/* Readings that are corrected by the instrument's calibration share what that leaves unsure. */
static void take_calibration(const struct stations *stations, const struct brew *brew, double mean_pct,
                             struct budget *budget)
{
    double factor = stations->strength_per_brix > 0 ? stations->strength_per_brix : 1;

    if (!brew->sample_count || isnan(mean_pct))
        return;
    budget->u[BUDGET_CALIBRATION] =
        factor
        * calibrations_u(stations->calibrations, stations->refractometers[brew->samples[0].instrument].name,
                         mean_pct / factor);
}

/* A cup's strength from the readings that it has now; cup SAMPLES_NO_CUP: it was not asked about. */
static void report_cup(struct stations *stations, const struct question *question, struct brew *brew,
                       const struct before *before, enum made_by by, struct moment now)
{
    int cup = cup_of(question, brew), place;
    bool changed = false, same = same_readings(before, brew);
    double mean_pct, u_pct;
    struct budget budget;
    uint64_t suspect;

    if (cup < 0 && same)
        return;
    same = same && (!brew->sample_count || before->filtered == strength_filtered(stations, brew));
    mean_pct = brew_strength(brew);
    budget_of(question, cup, &budget);
    budget.u[BUDGET_ACCURACY] = hypot(budget.u[BUDGET_ACCURACY], strength_doubted(stations, brew));
    take_factor(stations, brew, mean_pct, &budget);
    take_calibration(stations, brew, mean_pct, &budget);
    u_pct = budget_combined(&budget);
    if (!same && brew->sample_count > before->count)
        brew->strength_entered = false;
    if (!brew->strength_entered && (!same || differs(brew, mean_pct, u_pct))) {
        budget_clear(&brew->budget);
        if (!isnan(mean_pct))
            brew->budget = budget;
        changed = brew_measure(brew, MEASURE_STRENGTH_PCT, mean_pct, isnan(mean_pct) ? NAN : u_pct, false);
    }
    if (!changed && same)
        return;
    report_strength(stations, brew, same ? BY_TRACKER : by, before->waited, now);
    if ((suspect = first_suspect(brew, &place)) && suspect != before->suspect_seq)
        warn_of_suspect(stations, brew, place);
    if (!brew_waits(brew, stations->replicates) && strcmp(stations->sample, brew->name) == 0)
        stations->sample[0] = '\0';
}

/* Finds again which reading is whose, and reports what changed since `before`. */
static void settle(struct stations *stations, const struct before *before, enum made_by by, struct moment now)
{
    struct question *question = calloc(1, sizeof *question);

    if (!question)
        return; /* the readings stay where they are, and are looked at with the next */
    question->stations = stations;
    ask_about_cups(stations, question, before);
    ask_about_readings(stations, question);
    if (samples_assign(&question->samples) == 0)
        move_readings(stations, question);
    else
        question->samples.cup_count = 0; /* no answer: only what was moved by hand is reported */
    for (int i = 0; i < stations->brews.count; i++)
        report_cup(stations, question, stations->brews.all[i], &before[i], by, now);
    free(question);
}

/* ---- readings ---- */

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
    sample->shown_pct = sample->strength_pct = shown * factor;
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

/* Where samples know a refractometer by: one more than there is room for shares the last. */
static int slot_of(struct stations *stations, const char *instrument)
{
    int slot = 0;

    while (slot < SAMPLES_INSTRUMENTS - 1 && stations->refractometers[slot].used
           && strcmp(stations->refractometers[slot].name, instrument) != 0)
        slot++;
    if (!stations->refractometers[slot].used) {
        snprintf(stations->refractometers[slot].name, NAME_SIZE, "%s", instrument);
        stations->refractometers[slot].used = true;
    }
    return slot;
}

void strength_zeroed(struct stations *stations, const char *instrument)
{
    stations->refractometers[slot_of(stations, instrument)].zeroed = true;
}

void strength_configure(struct stations *stations, const struct config *config)
{
    for (int i = 0; i < SAMPLES_INSTRUMENTS; i++)
        stations->refractometers[i].accuracy_pct = NAN;
    for (int i = 0; i < config->instrument_count; i++) {
        const struct instrument_config *one = &config->instruments[i];
        bool brix = one->quantity == QUANTITY_BRIX, index = one->quantity == QUANTITY_REFRACTIVE_INDEX;
        struct refractometer *refractometer;

        if (!brix && !index && one->quantity != QUANTITY_STRENGTH)
            continue;
        refractometer = &stations->refractometers[slot_of(stations, one->name)];
        refractometer->by_brix = brix || index;
        if (one->accuracy > 0 && !index)
            refractometer->accuracy_pct = one->accuracy * (brix ? config->strength_per_brix : 1);
        refractometer->follows_temperature = one->follows_temperature;
    }
}

static void warn_of_blank(struct stations *stations, const struct sample *sample)
{
    stations->state_changed = true;
    if (fabs(sample->shown_pct) > BLANK_DRIFT_PCT)
        stations_warn(
            stations, NULL, NULL, "blank-drift",
            "water reads %.2f %% on the refractometer, which is subtracted from the cups read about now: clean "
            "the prism and set it to zero before the next cup",
            sample->shown_pct);
}

static void warn_of_loose(struct stations *stations, const struct sample *sample)
{
    const struct sample *before = stations->loose_count > 1 ? &stations->loose[stations->loose_count - 2] : NULL;

    stations->state_changed = true; /* it shows what is asked */
    if (!sample->likely[0] || !sample->other[0]) {
        stations_warn(stations, NULL, NULL, "strength-unassigned",
                      "%.2f %% was read and fits no cup that waits for its strength: name the cup with `assign`",
                      sample->strength_pct);
    } else if (!before || strcmp(before->likely, sample->likely) != 0 || strcmp(before->other, sample->other) != 0) {
        stations_warn(stations, NULL, NULL, "strength-unsure",
                      "%.2f %% is of %s (%.0f %%) or of %s (%.0f %%): answer with `sample take BREW %" PRIu64 "`",
                      sample->strength_pct, sample->likely, 100 * sample->chance, sample->other,
                      100 * sample->other_chance, sample->seq);
    }
}

/* Where a reading is: the brew (NULL: no cup's), its list and its place there; list NULL: it is not remembered. */
struct whereabouts {
    struct brew *brew;
    struct sample *list;
    int *count;
    int place;
};

static int place_of(const struct sample *samples, int count, uint64_t seq)
{
    for (int i = count - 1; i >= 0; i--)
        if (samples[i].seq == seq)
            return i;
    return -1;
}

static struct whereabouts find_reading(struct stations *stations, uint64_t seq)
{
    struct whereabouts where = { NULL, stations->loose, &stations->loose_count, -1 };

    if (!seq)
        return (struct whereabouts){ NULL, NULL, NULL, -1 };
    if ((where.place = place_of(stations->loose, stations->loose_count, seq)) >= 0)
        return where;
    where.list = stations->blanks;
    where.count = &stations->blank_count;
    if ((where.place = place_of(stations->blanks, stations->blank_count, seq)) >= 0)
        return where;
    for (int i = stations->brews.count - 1; i >= 0; i--) {
        struct brew *brew = stations->brews.all[i];

        if ((where.place = place_of(brew->samples, brew->sample_count, seq)) >= 0)
            return (struct whereabouts){ brew, brew->samples, &brew->sample_count, where.place };
    }
    return (struct whereabouts){ NULL, NULL, NULL, -1 };
}

/* Puts a reading into another cup's list (NULL: no cup's), as the operator says; nothing is reported yet. */
static bool put(struct stations *stations, uint64_t seq, struct brew *brew, bool said)
{
    struct whereabouts from = find_reading(stations, seq);
    struct sample sample;

    if (!from.list || (brew && brew != from.brew && brew->sample_count == BREW_SAMPLES))
        return false;
    sample = from.list[from.place];
    sample.said = said;
    (*from.count)--;
    memmove(from.list + from.place, from.list + from.place + 1, sizeof *from.list * (size_t)(*from.count - from.place));
    if (from.brew)
        from.brew->changed = true;
    if (brew)
        brew->samples[brew->sample_count++] = sample;
    else
        keep_loose(stations, &sample);
    return true;
}

static void report_new(struct stations *stations, const struct reading *reading, uint64_t seq, struct moment now)
{
    struct whereabouts where = find_reading(stations, seq);
    const struct sample *sample = where.list ? &where.list[where.place] : NULL;

    if (!sample)
        return;
    if (where.list == stations->blanks) {
        struct message_check check = { .check = CHECK_BLANK, .value = sample->shown_pct, .reference = 0 };

        strcpy(check.instrument, stations->refractometers[sample->instrument].name);
        warn_of_blank(stations, sample);
        watch_take(stations, &check, sample->resolution_pct, now);
        return;
    }
    stations->meant_seq = seq;
    if (!where.brew)
        warn_of_loose(stations, sample);
    else if (reading->detail[0])
        stations_warn(stations, where.brew, where.brew->station, "strength-suspect",
                      "%.2f %% of %s was read with the instrument saying %s: read again, or take it back with "
                      "`unassign %s/%d`",
                      sample->strength_pct, where.brew->name, reading->detail, where.brew->name, where.place + 1);
}

/* What it would have shown at the temperature that the scale is meant for. */
static void correct_temperature(const struct stations *stations, struct sample *sample)
{
    double factor = stations->strength_per_brix > 0 ? stations->strength_per_brix : USUAL_STRENGTH_PER_BRIX;
    double per_k = BRIX_PER_K * factor, above_k = sample->sample_c - SCALE_C;

    if (!stations->refractometers[sample->instrument].follows_temperature)
        return;
    if (isnan(sample->sample_c)) {
        sample->temperature_u_pct = per_k * UNKNOWN_U_K;
        return;
    }
    sample->shown_pct += per_k * above_k;
    sample->strength_pct = sample->shown_pct;
    sample->temperature_u_pct = hypot(per_k * SAMPLE_U_K, SLOPE_U * per_k * above_k);
}

void strength_reading(struct stations *stations, const char *instrument, const struct reading *reading, uint64_t seq,
                      struct moment now)
{
    struct sample sample = { .seq = seq, .at_us = now.mono_us, .sample_c = NAN, .chance = 1 };
    struct brew *named;
    all_before before;

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
    sample.instrument = slot_of(stations, instrument);
    if (stations->strength_us && sample.instrument == stations->strength_slot
        && now.mono_us - stations->strength_us >= 0 && now.mono_us - stations->strength_us < REPEAT_US)
        return;
    stations->strength_seq = seq;
    stations->strength_us = now.mono_us;
    stations->strength_slot = sample.instrument;
    sample.reset = stations->refractometers[sample.instrument].zeroed;
    stations->refractometers[sample.instrument].zeroed = false;
    if (!isnan(stations->sample_c) && llabs(now.mono_us - stations->sample_c_us) < SAMPLE_FRESH_US)
        sample.sample_c = stations->sample_c;
    correct_temperature(stations, &sample);
    if (sample.shown_pct > measure_most(MEASURE_STRENGTH_PCT)) {
        stations_warn(stations, NULL, NULL, "strength-unknown", "%.2f %% cannot be the strength of a cup: not used",
                      sample.shown_pct);
        return;
    }
    look(stations, before);
    keep_loose(stations, &sample);
    named = stations->sample[0] ? brews_find(&stations->brews, stations->sample) : NULL;
    if (named && sample.shown_pct > WATER_MOST_PCT)
        put(stations, seq, named, true);
    settle(stations, before, BY_TRACKER, now);
    report_new(stations, reading, seq, now);
}

void strength_enter(struct stations *stations, struct brew *brew, double strength_pct, double standard_uncertainty,
                    struct moment now)
{
    bool waited = brew_waits(brew, stations->replicates);
    double accuracy_pct = stations->refractometers[0].accuracy_pct;

    budget_clear(&brew->budget);
    if (isnan(standard_uncertainty)) {
        /* one look at an instrument whose zero and repeats nobody knows: as good as any single reading, never better */
        brew->budget.u[BUDGET_REPEAT] = REPEAT_PCT;
        brew->budget.u[BUDGET_BLANK] = SAMPLES_ZERO_PCT / sqrt(3);
        brew->budget.u[BUDGET_ACCURACY] = isnan(accuracy_pct) ? 0 : accuracy_pct / sqrt(3);
        brew->budget.u[BUDGET_FILTER] = strength_filtered(stations, brew) ? 0 : SAMPLES_UNFILTERED_PCT / sqrt(3);
        standard_uncertainty = budget_combined(&brew->budget);
    } else {
        brew->budget.u[BUDGET_ACCURACY] = standard_uncertainty;
    }
    brew->strength_entered = brew->changed = true;
    brew_measure(brew, MEASURE_STRENGTH_PCT, strength_pct, standard_uncertainty, false);
    report_measure(stations, brew, MEASURE_STRENGTH_PCT, BY_OPERATOR);
    if (waited)
        report_done(stations, brew, now.mono_us);
}

double strength_read(struct stations *stations, uint64_t seq)
{
    struct whereabouts where = find_reading(stations, seq ? seq : stations->meant_seq);

    return where.list ? where.list[where.place].strength_pct : NAN;
}

struct brew *strength_owner(struct stations *stations, uint64_t seq)
{
    return find_reading(stations, seq).brew;
}

/* ---- the operator ---- */

static int not_remembered(uint64_t seq, struct why *why)
{
    return why_set(why, -ENOENT,
                   "there is no strength reading %" PRIu64 " among those that can be assigned; "
                   "`poise-ctl strength` lists them",
                   seq);
}

/* So that the next `undo` leads back here. */
static void remember(struct stations *stations)
{
    struct moved *undo = stations->undo;
    int count = 0;

    for (int i = 0; i < stations->brews.count; i++)
        for (int k = 0; k < stations->brews.all[i]->sample_count && count < MOVES_KEPT; k++) {
            const struct sample *sample = &stations->brews.all[i]->samples[k];

            undo[count] = (struct moved){ .seq = sample->seq, .said = sample->said };
            strcpy(undo[count++].brew, stations->brews.all[i]->name);
        }
    for (int i = 0; i < stations->loose_count && count < MOVES_KEPT; i++)
        undo[count++] = (struct moved){ .seq = stations->loose[i].seq, .said = stations->loose[i].said };
    stations->undo_count = count;
}


/* Several readings of one order: each was checked. */
struct order_of_readings {
    uint64_t seq[MOVES_KEPT];
    struct brew *to[MOVES_KEPT];
    int count;
};

static void add_all(struct order_of_readings *order, const struct brew *from, struct brew *to)
{
    for (int i = 0; i < from->sample_count && order->count < MOVES_KEPT; i++) {
        order->seq[order->count] = from->samples[i].seq;
        order->to[order->count++] = to;
    }
}

/* Who looks at a cup's readings and moves some has seen the others too: they stay. */
static void keep_the_rest(struct stations *stations, const struct before *before)
{
    for (int i = 0; i < stations->brews.count; i++) {
        struct brew *brew = stations->brews.all[i];

        for (int k = 0; !same_readings(&before[i], brew) && k < brew->sample_count; k++)
            brew->samples[k].said = true;
    }
}

/* What goes away goes first, so that there is room. */
static void carry_out(struct stations *stations, const struct order_of_readings *order, struct moment now)
{
    all_before before;

    look(stations, before);
    remember(stations);
    for (int i = 0; i < order->count; i++)
        put(stations, order->seq[i], NULL, true);
    for (int i = 0; i < order->count; i++)
        if (order->to[i])
            put(stations, order->seq[i], order->to[i], true);
    keep_the_rest(stations, before);
    settle(stations, before, BY_OPERATOR, now);
    stations->meant_seq = order->count ? order->seq[order->count - 1] : stations->meant_seq;
}

static int takes_strength(const struct brew *brew, struct why *why)
{
    return brew->discarded ? why_set(why, -EINVAL, "%s is discarded: it takes no strength", brew->name) : 0;
}

int strength_assign(struct stations *stations, struct brew *brew, uint64_t seq, struct moment now, struct why *why)
{
    struct whereabouts from = find_reading(stations, seq ? seq : stations->meant_seq);
    struct order_of_readings order = { .count = 1 };
    int error = takes_strength(brew, why);

    if (error)
        return error;
    if (!from.list && seq)
        return not_remembered(seq, why);
    if (!from.list)
        return why_set(why, -EINVAL,
                       "there is no strength reading to assign: read the sample first, or name the "
                       "next one with `sample`");
    if (from.brew == brew)
        return why_set(why, -EINVAL, "%s strength reading is assigned to %s already", seq ? "that" : "the newest",
                       brew->name);
    order.seq[0] = from.list[from.place].seq;
    order.to[0] = brew;
    carry_out(stations, &order, now);
    return 0;
}

int strength_unassign(struct stations *stations, struct brew *brew, uint64_t seq, struct moment now, struct why *why)
{
    struct order_of_readings order = { .count = 1 };
    struct whereabouts from;

    if (!seq && (!brew || !brew->sample_count))
        return why_set(why, -EINVAL, "%s has no strength reading that could be taken back",
                       brew ? brew->name : "the bench");
    order.seq[0] = seq ? seq : brew->samples[brew->sample_count - 1].seq;
    from = find_reading(stations, order.seq[0]);
    if (!from.list)
        return not_remembered(seq, why);
    if (!from.brew)
        return why_set(why, -EINVAL, "strength reading %" PRIu64 " is no cup's already", seq);
    if (brew && from.brew != brew)
        return why_set(why, -EINVAL, "strength reading %" PRIu64 " is not %s's but %s's", seq, brew->name,
                       from.brew->name);
    carry_out(stations, &order, now);
    return 0;
}

int strength_swap(struct stations *stations, struct brew *a, struct brew *b, struct moment now, struct why *why)
{
    struct order_of_readings order = { .count = 0 };
    int error;

    if ((error = takes_strength(a, why)) != 0 || (error = takes_strength(b, why)) != 0)
        return error;
    if (a == b)
        return why_set(why, -EINVAL, "%s has its own readings: name two brews", a->name);
    add_all(&order, a, b);
    add_all(&order, b, a);
    if (!order.count)
        return why_set(why, -EINVAL, "neither %s nor %s has a strength reading", a->name, b->name);
    carry_out(stations, &order, now);
    return 0;
}

int strength_merge(struct stations *stations, struct brew *brew, const struct brew *from, struct moment now,
                   struct why *why)
{
    struct order_of_readings order = { .count = 0 };
    int error = takes_strength(brew, why);

    if (error)
        return error;
    if (brew == from || !from->sample_count)
        return why_set(why, -EINVAL, "%s has no strength readings to give", from->name);
    if (brew->sample_count + from->sample_count > BREW_SAMPLES)
        return why_set(why, -EINVAL, "%s would have more than %d strength readings", brew->name, BREW_SAMPLES);
    add_all(&order, from, brew);
    carry_out(stations, &order, now);
    return 0;
}

/* The cup that stood before this one in the row, or after it; NULL: none did. */
static struct brew *beside(const struct stations *stations, int index, int step)
{
    for (int i = index + step; i >= 0 && i < stations->brews.count; i += step)
        if (stations->brews.all[i]->ended && !stations->brews.all[i]->discarded)
            return stations->brews.all[i];
    return NULL;
}

int strength_shift(struct stations *stations, const struct brew *first, bool back, struct moment now, struct why *why)
{
    struct order_of_readings order = { .count = 0 };
    bool from_here = false;

    for (int i = 0; i < stations->brews.count; i++) {
        struct brew *brew = stations->brews.all[i], *to = beside(stations, i, back ? -1 : 1);

        from_here |= brew == first;
        if (!from_here || brew->discarded || !brew->sample_count)
            continue;
        if (back && brew == first && to && to->sample_count)
            return why_set(why, -EINVAL,
                           "%s has readings of its own, which those of %s would join: `sample merge` does that",
                           to->name, first->name);
        if (back && !to)
            return why_set(why, -EINVAL, "there is no cup before %s", first->name);
        add_all(&order, brew, to);
    }
    if (!order.count)
        return why_set(why, -EINVAL, "no cup from %s on has a strength reading", first->name);
    carry_out(stations, &order, now);
    return 0;
}

int strength_undo(struct stations *stations, struct moment now, struct why *why)
{
    struct moved undo[MOVES_KEPT];
    int count = stations->undo_count;
    all_before before;

    if (!count)
        return why_set(why, -EINVAL, "no order about samples was given since the start");
    memcpy(undo, stations->undo, sizeof undo);
    look(stations, before);
    remember(stations); /* an undo is undone by the next */
    for (int i = 0; i < count; i++)
        put(stations, undo[i].seq, NULL, undo[i].said);
    for (int i = 0; i < count; i++) {
        struct brew *brew = undo[i].brew[0] ? brews_find(&stations->brews, undo[i].brew) : NULL;

        if (brew && !brew->discarded)
            put(stations, undo[i].seq, brew, undo[i].said);
    }
    settle(stations, before, BY_OPERATOR, now);
    return 0;
}

void strength_release(struct stations *stations, struct brew *brew, struct moment now)
{
    uint64_t seq[BREW_SAMPLES];
    int count = brew->sample_count, passed = 0;
    all_before before;

    if (strcmp(stations->sample, brew->name) == 0)
        stations->sample[0] = '\0';
    if (!count)
        return;
    look(stations, before);
    for (int i = 0; i < count; i++) {
        const struct sample *sample = &brew->samples[0];

        seq[i] = sample->seq;
        put(stations, seq[i], NULL, sample->said); /* what the operator said was of this cup is of no other */
    }
    settle(stations, before, BY_OPERATOR, now);
    for (int i = 0; i < count; i++)
        passed += find_reading(stations, seq[i]).brew != NULL;
    if (passed)
        stations_warn(
            stations, brew, brew->station, "strength-moved",
            "%d strength reading%s of %s, which is discarded, went to the cup that they fit; `unassign` takes "
            "them back",
            passed, passed == 1 ? "" : "s", brew->name);
    if (passed < count)
        stations_warn(stations, brew, brew->station, "strength-unassigned",
                      "%d strength reading%s of %s, which is discarded, %s no cup's now: `poise-ctl strength` lists "
                      "them",
                      count - passed, count - passed == 1 ? "" : "s", brew->name, count - passed == 1 ? "is" : "are");
}

static void list_one(json_t *list, const struct stations *stations, const struct sample *sample,
                     const struct brew *brew, int place, struct moment now)
{
    int64_t ago_us = now.mono_us - sample->at_us;
    json_t *one = json_pack("{s:I,s:f,s:f,s:b,s:b,s:f}", "seq", (json_int_t)sample->seq, "strength_pct",
                            sample->strength_pct, "shown_pct", sample->shown_pct, "suspect", sample->suspect, "said",
                            sample->said, "chance", sample->chance);

    json_object_set_new(one, "sample_c", isnan(sample->sample_c) ? json_null() : json_real(sample->sample_c));
    /* a reading from before the computer was restarted has no age on this clock */
    json_object_set_new(one, "ago_s", ago_us < 0 ? json_null() : json_real((double)ago_us / 1e6));
    json_object_set_new(one, "brew", brew ? json_string(brew->name) : json_null());
    json_object_set_new(one, "number", brew ? json_integer(place + 1) : json_null());
    if (brew)
        json_object_set_new(one, "filtered", json_boolean(strength_filtered(stations, brew)));
    json_object_set_new(one, "instrument", json_string(stations->refractometers[sample->instrument].name));
    if (sample->likely[0])
        json_object_set_new(one, "likely", json_string(sample->likely));
    if (sample->other[0]) {
        json_object_set_new(one, "other", json_string(sample->other));
        json_object_set_new(one, "other_chance", json_real(sample->other_chance));
    }
    json_array_append_new(list, one);
}

json_t *strength_list(const struct stations *stations, const struct brew *brew, struct moment now)
{
    json_t *list = json_array();

    for (int i = 0; i < stations->brews.count; i++) {
        const struct brew *one = stations->brews.all[i];

        for (int place = 0; place < one->sample_count && (!brew || brew == one); place++)
            list_one(list, stations, &one->samples[place], one, place, now);
    }
    for (int i = 0; i < stations->loose_count && !brew; i++)
        list_one(list, stations, &stations->loose[i], NULL, i, now);
    return list;
}

json_t *strength_budget(const struct brew *brew)
{
    struct budget budget;
    json_t *parts, *json;
    double freedom, u_pct;
    bool whole = budget_of_extraction(&brew->budget, &brew->measures, &budget);

    if (isnan(brew->measures.value[MEASURE_STRENGTH_PCT]))
        return NULL;
    if (!whole)
        budget = brew->budget;
    u_pct = budget_combined(&budget);
    freedom = budget_freedom(&budget);
    parts = json_array();
    for (int part = 0; part < BUDGET_PARTS; part++) {
        json_t *one;

        if (!(budget.u[part] > 0))
            continue;
        one = json_pack("{s:s,s:s,s:f,s:f}", "part", budget_part_name((enum budget_part)part), "words",
                        budget_part_words((enum budget_part)part), "standard_uncertainty", budget.u[part], "share",
                        pow(budget.u[part] / u_pct, 2));
        if (brew->budget.u[part] > 0)
            json_object_set_new(one, "strength_u_pct", json_real(brew->budget.u[part]));
        if (isfinite(budget.freedom[part]))
            json_object_set_new(one, "freedom", json_real(budget.freedom[part]));
        json_array_append_new(parts, one);
    }
    json = json_pack("{s:s,s:f,s:f,s:f,s:o}", "of", measure_name(whole ? MEASURE_EXTRACTION_PCT : MEASURE_STRENGTH_PCT),
                     "value", brew->measures.value[whole ? MEASURE_EXTRACTION_PCT : MEASURE_STRENGTH_PCT],
                     "standard_uncertainty", u_pct, "coverage",
                     isfinite(freedom) ? gsl_cdf_tdist_Pinv(0.975, freedom) : gsl_cdf_ugaussian_Pinv(0.975), "parts",
                     parts);
    if (isfinite(freedom))
        json_object_set_new(json, "freedom", json_real(freedom));
    return json;
}

void strength_again(struct stations *stations, struct moment now)
{
    all_before before;

    look(stations, before);
    settle(stations, before, BY_TRACKER, now);
}

int strength_check_brix(struct stations *stations, double brix, struct moment now, double *shown, double *resolution,
                        const char **instrument, bool *by_brix, struct why *why)
{
    struct whereabouts where = find_reading(stations, stations->strength_seq);
    struct message_check check = { .check = CHECK_BRIX, .reference = brix };
    struct sample sample;
    all_before before;

    if (!where.list || now.mono_us - where.list[where.place].at_us > CHECK_FRESH_US)
        return why_set(why, -EINVAL, "no refractometer was read within the last two minutes: read the solution first");
    if (!(stations->strength_per_brix > 0))
        return why_set(why, -EINVAL, "strength_per_brix is missing in [strength]: without it no reading is a Brix");
    look(stations, before);
    put(stations, stations->strength_seq, NULL, true); /* it is of no cup */
    where = find_reading(stations, stations->strength_seq);
    sample = where.list[where.place];
    settle(stations, before, BY_OPERATOR, now);
    *shown = check.value = sample.shown_pct / stations->strength_per_brix;
    strcpy(check.instrument, stations->refractometers[sample.instrument].name);
    *instrument = stations->refractometers[sample.instrument].name;
    *by_brix = stations->refractometers[sample.instrument].by_brix;
    *shown = check.value = calibrations_raw(stations->calibrations, check.instrument, *shown);
    watch_take(stations, &check, sample.resolution_pct / stations->strength_per_brix, now);
    *resolution = sample.resolution_pct / stations->strength_per_brix;
    return 0;
}

void strength_filter(struct stations *stations, struct brew *brew, bool filtered, struct moment now)
{
    all_before before;

    look(stations, before);
    brew->filtered = filtered;
    brew->changed = true;
    settle(stations, before, BY_OPERATOR, now);
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
