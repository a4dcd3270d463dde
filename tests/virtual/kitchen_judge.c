/* Which brew is which, which stage is which, and what each number is worth. */
#include "kitchen_judge.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* What a stage too many or too few weighs against a stage at the wrong time, in seconds, when they are paired. */
#define UNPAIRED_S 10.0
#define UNPAIRED_FREE_S 0.01

const char *kitchen_number_name(enum kitchen_number number)
{
    static const char *const names[NUMBERS] = {
        "dose", "water", "beverage", "steep", "bloom", "settle", "press", "peak"
    };

    return names[number];
}

struct limits kitchen_limits(const struct kitchen_scale *scale)
{
    double division_g = kitchen_division_g(scale), coarse_g = fmax(0, division_g - 0.1);
    double late_s = fmax(0, 1 / scale->rate_hz - 0.2) + coarse_g / 5 + scale->bunch_most_s / 2;

    return (struct limits){ 0.5 + late_s, 0.3 + late_s, coarse_g > 0 ? fmax(0.1, 1.2 * division_g) : 0.1,
                            coarse_g > 0 ? fmax(0.3, 1.2 * division_g) : 0.3 };
}

static void because(struct verdict *verdict, const char *format, ...) __attribute__((format(printf, 2, 3)));
static void because(struct verdict *verdict, const char *format, ...)
{
    size_t length = strlen(verdict->why);
    va_list arguments;

    if (length)
        length += (size_t)snprintf(verdict->why + length, sizeof verdict->why - length, "; ");
    if (length >= sizeof verdict->why)
        return;
    va_start(arguments, format);
    vsnprintf(verdict->why + length, sizeof verdict->why - length, format, arguments);
    va_end(arguments);
}

/* ---- which brew is which ---- */

static double last_of(const struct seen_brew *brew, double end_s)
{
    if (!isnan(brew->ended_s))
        return brew->ended_s;
    return brew->stage_count ? brew->stage[brew->stage_count - 1].at_s + 5 : end_s;
}

static double overlap_s(const struct kitchen_truth *truth, const struct seen_brew *brew, double end_s)
{
    return fmin(truth->ended_s, last_of(brew, end_s)) - fmax(truth->began_s, brew->began_s);
}

/* Each true brew and the seen one that shares most of its time with it; -1: none. */
static void pair_brews(const struct kitchen_session *session, const struct seen *seen, int paired[KITCHEN_BREWS])
{
    bool taken[256] = { false };

    for (int i = 0; i < session->brew_count; i++) {
        double most_s = 0;

        paired[i] = -1;
        for (int j = 0; j < seen->brew_count && j < 256; j++) {
            double shared_s = overlap_s(&session->brew[i], &seen->brew[j], seen->end_s);

            if (!taken[j] && !seen->brew[j].discarded && shared_s > most_s) {
                most_s = shared_s;
                paired[i] = j;
            }
        }
        if (paired[i] >= 0)
            taken[paired[i]] = true;
    }
}

/* ---- which stage is which ---- */

/* A true moment within a silence of the scale can be anywhere in it. */
static bool in_silence(const struct seen *seen, double rate_hz, double at_s, double *from_s, double *to_s)
{
    int low = 0, high = seen->arrival_count;

    while (low < high) {
        int middle = (low + high) / 2;

        if (seen->arrival_s[middle] < at_s)
            low = middle + 1;
        else
            high = middle;
    }
    *from_s = low ? seen->arrival_s[low - 1] : 0;
    *to_s = low < seen->arrival_count ? seen->arrival_s[low] : seen->end_s;
    return *to_s - *from_s > fmax(0.6, 3 / rate_hz);
}

static bool same_stage(const struct kitchen_mark *mark, enum stage stage)
{
    return strcmp(kitchen_stage_name(mark->stage), stage_name(stage)) == 0 || (mark->or_bloom && stage == STAGE_BLOOM);
}

/* By how much a stage is off; 0 inside a silence that hides the truth. */
static double stage_error(const struct kitchen_session *session, const struct seen *seen,
                          const struct kitchen_mark *mark, double at_s)
{
    double from_s, to_s;

    if (mark->untimed)
        return 0;
    if (in_silence(seen, session->scale[0].rate_hz, mark->at_s, &from_s, &to_s))
        return at_s < from_s ? at_s - from_s : at_s > to_s ? at_s - to_s : 0;
    return at_s - mark->at_s;
}

struct staged {
    struct seen_stage stage[SEEN_STAGES];
    bool free[SEEN_STAGES];
    int count;
};

/* The stages that count: those that last, without waiting and being done; free are those nobody can deny. */
static void stages_of(const struct seen_brew *brew, const struct kitchen_truth *truth, double limit_s,
                      struct staged *staged)
{
    staged->count = 0;
    for (int i = 0; i < brew->stage_count; i++) {
        const struct seen_stage *stage = &brew->stage[i];
        bool brief = i + 1 < brew->stage_count && brew->stage[i + 1].at_s - stage->at_s < limit_s;

        if (stage->stage == STAGE_IDLE || stage->stage == STAGE_DONE)
            continue;
        staged->free[staged->count] =
            brief || (!truth->cup_weighed && (stage->stage == STAGE_WEIGH || stage->stage == STAGE_STRENGTH));
        staged->stage[staged->count++] = *stage;
    }
}

enum { PAIR, SKIP_MARK, SKIP_STAGE };

/* Pairs true and seen stages in their order at the least cost; with[i] is the seen stage of mark i, or -1. */
static void pair_stages(const struct kitchen_session *session, const struct seen *seen,
                        const struct kitchen_truth *truth, const struct staged *staged, int with[KITCHEN_MARKS])
{
    static double cost[KITCHEN_MARKS + 1][SEEN_STAGES + 1];
    static char step[KITCHEN_MARKS + 1][SEEN_STAGES + 1];

    for (int i = truth->mark_count; i >= 0; i--) {
        for (int j = staged->count; j >= 0; j--) {
            double best = INFINITY;

            if (i == truth->mark_count && j == staged->count) {
                cost[i][j] = 0;
                continue;
            }
            if (i < truth->mark_count) {
                best = cost[i + 1][j] + (truth->mark[i].optional ? UNPAIRED_FREE_S : UNPAIRED_S);
                step[i][j] = SKIP_MARK;
            }
            if (j < staged->count) {
                double skipped = cost[i][j + 1] + (staged->free[j] ? UNPAIRED_FREE_S : UNPAIRED_S);

                if (skipped < best) {
                    best = skipped;
                    step[i][j] = SKIP_STAGE;
                }
            }
            if (i < truth->mark_count && j < staged->count && same_stage(&truth->mark[i], staged->stage[j].stage)) {
                double error_s = fabs(stage_error(session, seen, &truth->mark[i], staged->stage[j].at_s));
                double paired = cost[i + 1][j + 1] + fmin(error_s, 2 * UNPAIRED_S - 1);

                if (paired < best) {
                    best = paired;
                    step[i][j] = PAIR;
                }
            }
            cost[i][j] = best;
        }
    }
    for (int i = 0, j = 0; i < truth->mark_count;) {
        if (step[i][j] == PAIR) {
            with[i++] = j++;
        } else if (step[i][j] == SKIP_MARK) {
            with[i++] = -1;
        } else {
            j++;
        }
    }
}

static void judge_stages(const struct kitchen_session *session, const struct seen *seen,
                         const struct kitchen_truth *truth, const struct seen_brew *brew, const struct limits *limits,
                         struct verdict *verdict)
{
    struct staged staged;
    int with[KITCHEN_MARKS];
    bool used[SEEN_STAGES] = { false };

    stages_of(brew, truth, limits->stage_s, &staged);
    pair_stages(session, seen, truth, &staged, with);
    verdict->stages_right = verdict->stages_honest = true;
    for (int i = 0; i < truth->mark_count; i++) {
        const struct kitchen_mark *mark = &truth->mark[i];
        const char *name = kitchen_stage_name(mark->stage);
        double limit_s = mark->stage == KITCHEN_PRESS && truth->press_seen ? limits->press_s : limits->stage_s, error_s;

        if (with[i] < 0) {
            if (!mark->optional) {
                verdict->stages_right = verdict->stages_honest = false;
                because(verdict, "no %s at %.2f s", name, mark->at_s);
            }
            continue;
        }
        used[with[i]] = true;
        error_s = stage_error(session, seen, mark, staged.stage[with[i]].at_s);
        if (fabs(error_s) <= limit_s)
            continue;
        verdict->stages_right = false;
        if (!(fabs(error_s) <= 2 * staged.stage[with[i]].uncertainty_s))
            verdict->stages_honest = false;
        because(verdict, "%s %+.2f s", name, error_s);
    }
    for (int j = 0; j < staged.count; j++)
        if (!used[j] && !staged.free[j]) {
            verdict->stages_right = verdict->stages_honest = false;
            because(verdict, "%s at %.2f s was none", stage_name(staged.stage[j].stage), staged.stage[j].at_s);
        }
}

/* ---- what each number is worth ---- */

static double marked_s(const struct kitchen_truth *truth, enum kitchen_stage stage)
{
    for (int i = 0; i < truth->mark_count; i++)
        if (truth->mark[i].stage == stage)
            return truth->mark[i].at_s;
    return NAN;
}

struct asked_of {
    enum measure measure;
    double truth, limit;
    bool could_be_known;
};

static void numbers_of(const struct kitchen_session *session, const struct seen *seen,
                       const struct kitchen_truth *truth, const struct seen_brew *brew, const struct limits *limits,
                       struct asked_of number[NUMBERS])
{
    double press_s = marked_s(truth, KITCHEN_PRESS), out_s = marked_s(truth, KITCHEN_WEIGH), from_s, to_s;
    double hand_s = truth->force_ended_s - truth->force_began_s, stated_s = brew->value[MEASURE_PRESS_S];
    double rate_hz = session->scale[0].rate_hz, peak = truth->press_peak_kpa;
    bool shown = truth->press_seen && !in_silence(seen, rate_hz, truth->force_began_s, &from_s, &to_s)
                 && !in_silence(seen, rate_hz, truth->force_ended_s, &from_s, &to_s);

    /* out of sight: from the lifting to the coming back, or the hand on the plunger: both are called so */
    if (!truth->press_seen && fabs(stated_s - (out_s - press_s)) < fabs(stated_s - hand_s))
        hand_s = out_s - press_s;
    number[NUMBER_DOSE] = (struct asked_of){ MEASURE_DOSE_G, truth->dose_g, limits->dose_g, truth->dose_seen };
    number[NUMBER_WATER] = (struct asked_of){ MEASURE_WATER_G, truth->water_g, limits->liquid_g, true };
    number[NUMBER_BEVERAGE] = (struct asked_of){ MEASURE_BEVERAGE_G, truth->beverage_g, limits->liquid_g,
                                                 truth->cup_weighed && (truth->cup_seen_empty || truth->cup_known) };
    number[NUMBER_STEEP] =
        (struct asked_of){ MEASURE_STEEP_S, press_s - truth->first_water_s, 2 * limits->stage_s, true };
    number[NUMBER_BLOOM] =
        (struct asked_of){ MEASURE_BLOOM_S,
                           marked_s(truth, KITCHEN_BLOOM) > 0 ? truth->second_pour_s - truth->first_water_s : NAN,
                           2 * limits->stage_s, true };
    number[NUMBER_SETTLE] =
        (struct asked_of){ MEASURE_SETTLE_S, press_s - truth->last_stir_end_s, 2 * limits->stage_s, true };
    number[NUMBER_PRESS] = (struct asked_of){ MEASURE_PRESS_S, hand_s, limits->press_s, shown };
    /* a filter blunts a peak: a twentieth, or half a kilopascal of a soft one */
    number[NUMBER_PEAK] =
        (struct asked_of){ MEASURE_PRESS_PEAK_KPA, peak, fmax(0.5, 0.05 * peak), shown && !truth->press_overloaded };
}

static enum number_verdict judge_number(const struct asked_of *number, const struct seen_brew *brew, bool *stated,
                                        bool *within_two)
{
    double value = brew->value[number->measure], uncertainty = brew->standard_uncertainty[number->measure], error;
    bool asked = brew->asked[number->measure];

    *stated = !isnan(value);
    *within_two = false;
    if (!*stated)
        return isnan(number->truth) ? NUMBER_NONE : asked || !number->could_be_known ? NUMBER_HONEST : NUMBER_OPEN;
    if (isnan(number->truth))
        return NUMBER_SURE_WRONG; /* the length of a bloom that never was */
    error = fabs(value - number->truth);
    if (brew->above[number->measure])
        error = fmax(0, value - number->truth);
    if (!(uncertainty >= 0))
        uncertainty = 0;
    *within_two = error <= 2 * uncertainty;
    if (error <= number->limit)
        return NUMBER_RIGHT;
    if (error > 3 * uncertainty)
        return NUMBER_SURE_WRONG;
    return *within_two || asked ? NUMBER_HONEST : NUMBER_WRONG;
}

static void judge_brew(const struct kitchen_session *session, const struct seen *seen,
                       const struct kitchen_truth *truth, const struct seen_brew *brew, struct verdict *verdict)
{
    struct limits limits = kitchen_limits(&session->scale[0]);
    struct asked_of number[NUMBERS];

    verdict->found = true;
    judge_stages(session, seen, truth, brew, &limits, verdict);
    verdict->wholly_right = verdict->stages_right;
    verdict->right_or_asked = verdict->stages_honest;
    numbers_of(session, seen, truth, brew, &limits, number);
    for (int i = 0; i < NUMBERS; i++) {
        enum number_verdict found;
        bool counts = i <= NUMBER_BEVERAGE || (i == NUMBER_PRESS && number[i].could_be_known);
        double value = brew->value[number[i].measure], uncertainty = brew->standard_uncertainty[number[i].measure];

        if (i == NUMBER_BLOOM && truth->bloom_unsure)
            continue;
        found = verdict->number[i] = judge_number(&number[i], brew, &verdict->stated[i], &verdict->within_two[i]);
        if (counts && brew->asked[number[i].measure] && number[i].could_be_known && found == NUMBER_RIGHT)
            verdict->asked_needlessly = true;
        if (found != NUMBER_RIGHT && found != NUMBER_NONE && (found != NUMBER_HONEST || number[i].could_be_known))
            because(verdict, "%s%s %.2f ± %.2f, truly %.2f%s",
                    found == NUMBER_SURE_WRONG ? "SURE AND WRONG "
                    : found == NUMBER_OPEN     ? "not stated "
                                               : "",
                    kitchen_number_name(i), value, uncertainty, number[i].truth,
                    brew->asked[number[i].measure] ? ", asked" : "");
        if (counts && found != NUMBER_RIGHT && (found != NUMBER_HONEST || number[i].could_be_known))
            verdict->wholly_right = false;
        if (counts && found != NUMBER_RIGHT && found != NUMBER_HONEST && !brew->asked[number[i].measure])
            verdict->right_or_asked = false;
    }
    if (number[NUMBER_PRESS].could_be_known && verdict->stated[NUMBER_PRESS])
        verdict->press_error_s = brew->value[MEASURE_PRESS_S] - number[NUMBER_PRESS].truth;
}

/* It has ended, or it got further than coffee: somebody would find it in the record. */
static bool stands(const struct seen_brew *brew)
{
    if (brew->discarded)
        return false;
    return !isnan(brew->ended_s) || (brew->stage_count && brew->stage[brew->stage_count - 1].stage != STAGE_DOSE);
}

void kitchen_judge(const struct kitchen_session *session, const struct seen *seen, struct judgement *judgement)
{
    int paired[KITCHEN_BREWS];

    *judgement = (struct judgement){ .from_nothing = 0 };
    pair_brews(session, seen, paired);
    for (int i = 0; i < session->brew_count; i++) {
        judgement->brew[i].press_error_s = NAN;
        if (paired[i] >= 0)
            judge_brew(session, seen, &session->brew[i], &seen->brew[paired[i]], &judgement->brew[i]);
        else
            because(&judgement->brew[i], "the brew was lost");
        judgement->from_nothing -= paired[i] >= 0 && stands(&seen->brew[paired[i]]);
    }
    for (int j = 0; j < seen->brew_count; j++) {
        judgement->taken_back += seen->brew[j].discarded;
        judgement->from_nothing += stands(&seen->brew[j]);
    }
}
