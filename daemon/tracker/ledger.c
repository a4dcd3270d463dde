/* The law of masses: what was poured is held by the coffee or comes through; no number that breaks it is reported as
 * sure. */
#include "ledger.h"

#include "late.h"
#include "odds.h"
#include "parts.h"
#include "poise/brew.h"
#include "poise/uncertainty.h"
#include "trade.h"

static const double USUAL_DOSE_G = 15; /* when nobody knows it: practice */

/* Coffee holds so much less or more than usual, per gram; and the press may stop short of the end by so much. */
static const double HELD_LESS = 0.3, HELD_MORE = 0.4, UNPRESSED_SHARE = 0.12;
static const double CUP_DOUBT_G = 0.3; /* known cups that differ by less are as good as one */
static const double EMPTY_CUP_G = 1;   /* a known cup that is no farther from its mass is empty, but for a drop */
static const double GUESS_U_G = 8;     /* of a beverage that is guessed from what coffee holds back */
static const double WATER_U_G = 0.08;  /* fitted: drops on the rim, and steam that goes while it is poured */
static const double ALONE_U_G = 3;     /* a cup that stood there before: drops in it, or another of its make */

/* Something was put down on the end of the pour: what fell last, and how hard, was not seen. */
static const double UNRESTED_U_G = 3;

/* A hand trembles faster than a scale's filter lets through and between two readings: in the random brews of
 * tests/virtual the peak is reported 4 to 7 % below the true one, the mean within 2 %. */
static const double PEAK_U_SHARE = 0.05, MEAN_U_SHARE = 0.02;

/* How far what hands begin and end is seen from when they did: standard deviations in the random brews of tests/virtual
 * (5 to 20 readings a second, 0.1 g), apart from the instrument's own pace and a coarse last digit. */
static const double hand_u_s[STAGE_COUNT] = {
    [STAGE_DOSE] = 0.13,   [STAGE_BLOOM] = 0.1, [STAGE_POUR] = 0.1,  [STAGE_STEEP] = 0.13,    [STAGE_STIR] = 0.15,
    [STAGE_SETTLE] = 0.12, [STAGE_PRESS] = 0.1, [STAGE_WEIGH] = 0.1, [STAGE_STRENGTH] = 0.12,
};
static const double PACES = 0.6, COARSE_G = 0.3, COARSE_TIMES = 2.5;

void ledger_set(struct measures *measures, enum measure measure, double value, double u)
{
    measures->value[measure] = value;
    measures->standard_uncertainty[measure] = isnan(value) ? NAN : u;
}

static double dose_of(const struct tracker *tracker, const struct hypothesis *story)
{
    double entered_g = tracker->entered.value[MEASURE_DOSE_G];

    if (!isnan(entered_g))
        return entered_g;
    return isnan(story->dose_g) ? tracker->plan.target[MEASURE_DOSE_G] : story->dose_g;
}

double ledger_foreseen_dose_g(const struct tracker *tracker, double *u_g)
{
    double entered_g = tracker->entered.value[MEASURE_DOSE_G], planned_g = tracker->plan.target[MEASURE_DOSE_G];

    if (!isnan(entered_g)) {
        *u_g = tracker->entered.standard_uncertainty[MEASURE_DOSE_G];
        return entered_g;
    }
    *u_g = planned_g > 0 ? PLAN_SPREAD * planned_g : DOSE_SPREAD * DOSE_USUAL_G;
    return planned_g > 0 ? planned_g : DOSE_USUAL_G;
}

double ledger_expected_beverage_g(const struct tracker *tracker, const struct hypothesis *story)
{
    double dose_g = dose_of(tracker, story), held = tracker->config.retained_g_per_g;

    return story->poured_g - (held > 0 ? held : HELD_USUAL) * (isnan(dose_g) ? USUAL_DOSE_G : dose_g);
}

bool ledger_is_likely_beverage(const struct tracker *tracker, const struct hypothesis *story, double beverage_g)
{
    double expected_g = ledger_expected_beverage_g(tracker, story), dose_g = story->dose_g;
    double off_g = beverage_g - expected_g;

    if (isnan(dose_g))
        dose_g = 1.5 * USUAL_DOSE_G;
    return off_g < HELD_LESS * dose_g + 4 && off_g > -HELD_MORE * dose_g - UNPRESSED_SHARE * expected_g - 4;
}

double ledger_cup_of(const struct tracker *tracker, const struct hypothesis *story, double full_g, double *doubt_g)
{
    const struct tracker_config *config = &tracker->config;
    double expected_g = ledger_expected_beverage_g(tracker, story), best_g = NAN, least_g = INFINITY,
           most_g = -INFINITY;
    double cup_there_g = tracker->second.empty_g; /* then what stood here first was a stand, perhaps */

    if (doubt_g)
        *doubt_g = 0;
    if (!isnan(story->cup_g)
        && (isnan(cup_there_g) || ledger_is_likely_beverage(tracker, story, full_g - story->cup_g)))
        return story->cup_g;
    if (ledger_is_likely_beverage(tracker, story, full_g - cup_there_g))
        return cup_there_g;
    if (ledger_is_likely_beverage(tracker, story, full_g - story->alone_g))
        return story->alone_g;
    for (int i = 0; i < config->cup_count; i++) {
        if (!ledger_is_likely_beverage(tracker, story, full_g - config->cup_g[i]))
            continue;
        least_g = fmin(least_g, config->cup_g[i]);
        most_g = fmax(most_g, config->cup_g[i]);
        if (isnan(best_g) || fabs(full_g - config->cup_g[i] - expected_g) < fabs(full_g - best_g - expected_g))
            best_g = config->cup_g[i];
    }
    if (doubt_g && most_g > least_g) /* one of several: as if drawn evenly between them */
        *doubt_g = (most_g - least_g) / sqrt(3);
    return best_g;
}

bool ledger_is_empty_cup(const struct tracker *tracker, double load_g)
{
    const struct tracker_config *config = &tracker->config;

    for (int i = 0; i < config->cup_count; i++)
        if (fabs(load_g - config->cup_g[i]) < fmax(EMPTY_CUP_G, tracker->weighing.resolution_g))
            return true;
    return false;
}

/* Densities are relative to an even one over so many grams: a cup that might weigh anything. */
static const double ANY_G = 400, CUP_HEAVY_G = 500;

double ledger_sharpness(double spread_g)
{
    return log(ANY_G / (sqrt(2 * M_PI) * spread_g));
}

/* How far off what came through is from what should have, in standard deviations of what is not known of it. */
static double off_balance(const struct tracker *tracker, const struct hypothesis *story, double beverage_g,
                          double *spread_g)
{
    double dose_g = dose_of(tracker, story), expected_g = ledger_expected_beverage_g(tracker, story);

    *spread_g = HELD_SPREAD * (isnan(dose_g) ? 2 * USUAL_DOSE_G : dose_g) + 2;
    if (beverage_g < expected_g)
        *spread_g += UNPRESSED_SHARE / 2 * expected_g;
    *spread_g = sqrt(*spread_g * *spread_g + story->water_u2_g);
    return (beverage_g - expected_g) / *spread_g;
}

double ledger_against_balance(const struct tracker *tracker, const struct hypothesis *story, double load_g)
{
    double cup_g = ledger_cup_of(tracker, story, load_g, NULL), spread_g, off;

    if (isnan(cup_g))
        return tracker->config.cup_count ? 1 : 0;
    off = off_balance(tracker, story, load_g - cup_g, &spread_g);
    return fmin(off * off / 2, UNLIKELY_MOST);
}

double ledger_against_full(const struct tracker *tracker, const struct hypothesis *story, double load_g)
{
    double cup_g = ledger_cup_of(tracker, story, load_g, NULL), expected_g = ledger_expected_beverage_g(tracker, story);
    double off, spread_g;

    if (isnan(cup_g)) {
        if (ledger_is_empty_cup(tracker, load_g))
            return 4;
        if (load_g < LEAST_CUP_G + 0.7 * expected_g)
            return 6 + (LEAST_CUP_G + 0.7 * expected_g - load_g) / 20;
        return tracker->config.cup_count ? 1 : 0;
    }
    off = off_balance(tracker, story, load_g - cup_g, &spread_g);
    return off * off / 2 - ledger_sharpness(spread_g);
}

double ledger_against_empty(const struct tracker *tracker, const struct hypothesis *story, double load_g)
{
    if (ledger_is_empty_cup(tracker, load_g) || (!isnan(story->cup_g) && fabs(load_g - story->cup_g) < SAME_G))
        return -log(ANY_G / 40);
    return (tracker->config.cup_count ? 1 : 0) + fmax(0, load_g - CUP_HEAVY_G) / 100;
}

double ledger_against(const struct tracker *tracker, const struct hypothesis *story)
{
    double planned_g = tracker->plan.target[MEASURE_DOSE_G], entered_g = tracker->entered.value[MEASURE_DOSE_G];
    double usual_g = DOSE_USUAL_G, against = 0, ratio, dose_against, usual_dose_g;

    if (!isnan(story->dose_g)) {
        dose_against = odds_log(story->dose_g, DOSE_USUAL_G, DOSE_SPREAD);
        if (planned_g > 0) /* or it is another brew than the plan's next */
            dose_against = fmin(odds_log(story->dose_g, planned_g, PLAN_SPREAD), dose_against + NOT_PLANNED);
        if (entered_g > 0)
            dose_against = odds_log(story->dose_g, entered_g, PLAN_SPREAD);
        against += dose_against;
    }
    if (!story->brewing)
        return against;
    if (entered_g > 0 || planned_g > 0)
        usual_g = entered_g > 0 ? entered_g : planned_g;
    usual_dose_g = isnan(story->dose_g) ? usual_g : story->dose_g;
    ratio = story->poured_g / usual_dose_g;
    if (story->phase == PHASE_WEIGHED && !story->cup_apart
        && (story->weighed_g - story->cup_g > story->poured_g + SAME_G || story->weighed_g < story->cup_g))
        against += UNLIKELY_MOST; /* more than was poured, or less than nothing */
    if (story->pours > 1)         /* it wets the coffee */
        against += odds_log(fmin(story->first_water_g / WETS_PER_G, usual_dose_g), usual_dose_g, WETS_SPREAD);
    if (story->phase >= PHASE_PRESSED || ratio > RATIO_USUAL)
        against += odds_log(ratio, RATIO_USUAL, isnan(story->dose_g) ? UNSEEN_RATIO_SPREAD : RATIO_SPREAD)
                   * (planned_g > 0 && !isnan(story->dose_g) ? 0.5 : 1);
    return against;
}

/* Coffee holds more than it does, should this known cup be the one that came: it was hardly pressed, or it is a cup
 * that nobody knows. */
static double known_cup_doubt_g(const struct tracker *tracker, const struct hypothesis *story, double cup_g)
{
    double less_g = ledger_expected_beverage_g(tracker, story) - (story->weighed_g - cup_g);
    double dose_g = story->dose_g;

    if (cup_g == story->cup_g || cup_g == tracker->second.empty_g || cup_g == story->alone_g)
        return 0;
    return less_g > HELD_MORE * (isnan(dose_g) ? 1.5 * USUAL_DOSE_G : dose_g) + 4 ? less_g / sqrt(3) : 0;
}

static void measure_beverage(const struct tracker *tracker, struct hypothesis *story, struct measures *measures,
                             double u_g)
{
    double doubt_g, cup_g = ledger_cup_of(tracker, story, story->weighed_g, &doubt_g), beverage_g, cup_u_g;

    story->cup_seen = !isnan(cup_g) && (cup_g == story->cup_g || cup_g == tracker->second.empty_g);
    story->full_g = story->weighed_g;
    story->cup_known = !isnan(cup_g) && doubt_g < CUP_DOUBT_G;
    cup_u_g = isnan(cup_g) ? hypot(GUESS_U_G, sqrt(story->water_u2_g))
                           : fmax(doubt_g, known_cup_doubt_g(tracker, story, cup_g));
    if (cup_g == story->cup_g)
        cup_u_g = story->cup_u_g;
    else if (cup_g == story->alone_g)
        cup_u_g = ALONE_U_G;
    story->cup_u_g = cup_u_g;
    story->cup_g = cup_g;
    beverage_g = !isnan(cup_g) ? story->weighed_g - cup_g : ledger_expected_beverage_g(tracker, story);
    ledger_set(measures, MEASURE_BEVERAGE_G, beverage_g,
               hypot(story->zero_moved_g / sqrt(3),
                     hypot(story->cup_apart ? second_u_g(&tracker->second) : hypot(u_g, story->weighed_u_g), cup_u_g)));
}

/* How well it is known when the stage began that did so at about this time. */
static double step_u_s(const struct hypothesis *story, enum stage stage, int64_t at_us)
{
    const struct step *best = NULL;

    for (const struct step *step = story->step; step < story->step + story->count; step++)
        if ((step->stage == stage || (stage == STAGE_POUR && step->stage == STAGE_BLOOM))
            && (!best || llabs(step->at_us - at_us) < llabs(best->at_us - at_us)))
            best = step;
    return best ? (double)best->u_s : 0;
}

static void measure_press(const struct tracker *tracker, struct hypothesis *story, struct measures *measures)
{
    double diameter_mm = tracker->config.piston_diameter_mm, mean_kpa, peak_kpa;

    if (!story->press_seen || !story->press_ended_us || story->press_hidden)
        return;
    ledger_set(measures, MEASURE_PRESS_S, (double)(story->press_ended_us - story->press_began_us) / 1e6,
               hypot(hypot(step_u_s(story, STAGE_PRESS, story->press_began_us),
                           step_u_s(story, STAGE_WEIGH, story->press_ended_us)),
                     0.1));
    if (!(diameter_mm > 0))
        return;
    mean_kpa = press_pressure_kpa(story->force_gs / fmax(story->force_s, 0.1), diameter_mm);
    peak_kpa = press_pressure_kpa(story->force_peak_g, diameter_mm);
    ledger_set(measures, MEASURE_PRESS_PEAK_KPA, peak_kpa, PEAK_U_SHARE * peak_kpa);
    ledger_set(measures, MEASURE_PRESS_MEAN_KPA, mean_kpa, MEAN_U_SHARE * mean_kpa);
}

static double begin_u_s(const struct tracker *tracker, enum stage stage, double u_s)
{
    double pace_s = PACES * tracker->weighing.period_s;

    return hypot(hypot(hand_u_s[stage], pace_s) * (tracker->weighing.resolution_g > COARSE_G ? COARSE_TIMES : 1), u_s);
}

/* What was the first water when the rest of it came a good while later, and was more. */
static void name_bloom(struct hypothesis *story, struct measures *measures)
{
    if (!story->second_water_us || story->first_water_g > BLOOM_MOST_SHARE * story->poured_g
        || story->second_water_us - story->first_ended_us < BLOOM_WAIT_US)
        return;
    for (int i = 0; i < story->count; i++) {
        if (story->step[i].stage != STAGE_POUR)
            continue;
        story->step[i].stage = STAGE_BLOOM;
        if (i + 1 < story->count && story->step[i + 1].stage == STAGE_STEEP) { /* the wait is part of it */
            story->count--;
            memmove(&story->step[i + 1], &story->step[i + 2], (size_t)(story->count - i - 1) * sizeof story->step[0]);
        }
        break;
    }
    ledger_set(measures, MEASURE_BLOOM_S, (double)(story->second_water_us - story->first_water_us) / 1e6, 0);
}

void ledger_measure(const struct tracker *tracker, struct hypothesis *best, struct measures *measures)
{
    /* two readings' last digits, each rounded on its own */
    double u_g = sqrt(2) * uncertainty_of_resolution(tracker->weighing.resolution_g), u_s, water_u_s, press_u_s;
    double dose_u_g = sqrt(u_g * u_g + best->dose_u2_g);
    double water_u_g = sqrt(u_g * u_g + WATER_U_G * WATER_U_G + best->water_u2_g);

    measures_clear(measures);
    for (int i = 0; i < best->count; i++)
        best->step[i].u_s = (float)begin_u_s(tracker, (enum stage)best->step[i].stage, (double)best->step[i].u_s);
    if (!best->brewing) {
        if (!isnan(best->dose_g))
            ledger_set(measures, MEASURE_DOSE_G, best->dose_g, NAN);
        return;
    }
    water_u_s = step_u_s(best, STAGE_POUR, best->first_water_us);
    u_s = hypot(begin_u_s(tracker, STAGE_POUR, 0), begin_u_s(tracker, STAGE_PRESS, 0));
    if (tracker->second.added_g > 0) /* what ran into the cup is part of it, and the other scale's to show */
        water_u_g = hypot(water_u_g, second_u_g(&tracker->second));
    if (best->unrested)
        water_u_g = hypot(water_u_g, UNRESTED_U_G);
    ledger_set(measures, MEASURE_DOSE_G, best->dose_g, dose_u_g);
    ledger_set(measures, MEASURE_WATER_G, best->poured_g, water_u_g);
    name_bloom(best, measures);
    if (!isnan(measures->value[MEASURE_BLOOM_S]))
        measures->standard_uncertainty[MEASURE_BLOOM_S] =
            hypot(water_u_s, step_u_s(best, STAGE_POUR, best->second_water_us));
    gauge_use(&tracker->gauge, best);
    if (best->press_began_us) {
        press_u_s = step_u_s(best, STAGE_PRESS, best->press_began_us);
        ledger_set(measures, MEASURE_STEEP_S, (double)(best->press_began_us - best->first_water_us) / 1e6,
                   hypot(water_u_s, press_u_s));
        if (best->stir_ended_us && best->stir_ended_us < best->press_began_us)
            ledger_set(measures, MEASURE_SETTLE_S, (double)(best->press_began_us - best->stir_ended_us) / 1e6,
                       hypot(step_u_s(best, STAGE_SETTLE, best->stir_ended_us), press_u_s));
    }
    measure_press(tracker, best, measures);
    if (best->phase == PHASE_WEIGHED)
        measure_beverage(tracker, best, measures, u_g);
    gauge_measure(&tracker->gauge, best, measures, u_s);
}

void ledger_balance(struct measures *measures, const struct measures *entered)
{
    static const enum measure part[] = { MEASURE_DOSE_G, MEASURE_WATER_G, MEASURE_BEVERAGE_G };
    double dose_g = measures->value[MEASURE_DOSE_G], water_g = measures->value[MEASURE_WATER_G];
    double beverage_g = measures->value[MEASURE_BEVERAGE_G], held_g = water_g - beverage_g, off_g;

    if (isnan(held_g))
        return;
    off_g = fmax(-beverage_g, -held_g);
    if (!isnan(dose_g))
        off_g = fmax(off_g, fmax(HELD_LEAST * dose_g - held_g, held_g - HELD_MOST * dose_g));
    for (int i = 0; i < 3 && off_g > 0; i++) {
        double share = part[i] == MEASURE_DOSE_G ? 1 / HELD_USUAL : 1;

        if (isnan(entered->value[part[i]]))
            measures->standard_uncertainty[part[i]] = fmax(measures->standard_uncertainty[part[i]], share * off_g);
    }
}
