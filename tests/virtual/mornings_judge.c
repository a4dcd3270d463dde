/* Asks an assigner about a morning and holds its answers against the truth.  See mornings.h. */
#include "mornings.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

static bool named(const struct morning *morning, int readings, int cup)
{
    for (int i = 0; i < readings; i++)
        if (morning->reading[i].shown.said == SAMPLE_OF_CUP && morning->reading[i].shown.cup == cup)
            return true;
    return false;
}

/* The assigner is given the first so many readings, and the cups that were full or named by then, those that were
 * discarded as such; `of` counts the morning's cups. */
static void ask(const struct morning *morning, int readings, int64_t now_us, struct samples *samples, int of[])
{
    int place[MORNING_CUPS];

    *samples = (struct samples){ .reading_count = readings };
    for (int i = 0; i < morning->cup_count; i++) {
        place[i] = SAMPLES_NO_CUP;
        if (morning->cup[i].shown.ready_us > now_us && !named(morning, readings, i))
            continue;
        place[i] = samples->cup_count;
        of[samples->cup_count] = i;
        samples->cup[samples->cup_count] = morning->cup[i].shown;
        samples->cup[samples->cup_count].discarded = morning->cup[i].discarded;
        samples->cup[samples->cup_count].discarded_us = INT64_MAX; /* nobody noted when */
        samples->cup[samples->cup_count++].station = morning->cup[i].brewer;
    }
    for (int i = 0; i < MORNING_INSTRUMENTS; i++)
        samples->instrument[i].accuracy_pct = morning->instrument[i].accuracy_pct;
    for (int i = MORNING_INSTRUMENTS; i < SAMPLES_INSTRUMENTS; i++)
        samples->instrument[i].accuracy_pct = NAN;
    for (int i = 0; i < readings; i++) {
        struct sample_reading *reading = &samples->reading[i];

        *reading = morning->reading[i].shown;
        if (reading->said != SAMPLE_OF_CUP)
            continue;
        reading->cup = place[reading->cup];
        if (samples->cup[reading->cup].discarded) /* named for a cup that was discarded since */
            reading->said = SAMPLE_OF_NONE;
    }
}

/* What a person does who trusts the row: three to each cup in turn, everything below 0.4 % is water. */
static void by_turns(struct samples *samples)
{
    int cup = 0, given = 0;

    for (int i = 0; i < samples->reading_count; i++) {
        const struct sample_reading *reading = &samples->reading[i];
        struct sample_verdict *verdict = &samples->verdict[i];

        *verdict = (struct sample_verdict){ .found = SAMPLE_STRAY, .cup = SAMPLES_NO_CUP, .other = SAMPLES_NO_CUP };
        if (reading->said == SAMPLE_OF_NONE)
            continue;
        if (reading->said == SAMPLE_IS_BLANK || reading->shown_pct < 0.4) {
            verdict->found = SAMPLE_BLANK;
            continue;
        }
        while (cup < samples->cup_count && given >= samples->cup[cup].wanted) {
            cup++;
            given = 0;
        }
        verdict->cup = reading->said == SAMPLE_OF_CUP ? reading->cup : cup < samples->cup_count ? cup : SAMPLES_NO_CUP;
        if (verdict->cup != SAMPLES_NO_CUP)
            verdict->found = SAMPLE_FOUND;
        given += reading->said != SAMPLE_OF_CUP;
    }
    for (int i = 0; i < samples->cup_count; i++)
        samples->strength[i] = (struct sample_strength){ .strength_pct = NAN, .u_pct = NAN };
}

/* The cup whose reading it is; SAMPLES_NO_CUP for water, strangers and discarded cups. */
static int own_cup(const struct morning *morning, int reading)
{
    int truth = morning->reading[reading].truth;

    return truth >= 0 && !morning->cup[truth].discarded ? truth : SAMPLES_NO_CUP;
}

static enum answer judge_one(const struct morning *morning, int reading, const struct sample_verdict *verdict)
{
    int own = own_cup(morning, reading);
    bool water = morning->reading[reading].truth == MORNING_WATER, rinse = morning->reading[reading].rinse;

    if (verdict->found == SAMPLE_UNSURE)
        return ANSWER_ASKED;
    if (verdict->found == SAMPLE_FOUND)
        return own != SAMPLES_NO_CUP && verdict->cup == own ? ANSWER_RIGHT : ANSWER_WRONG;
    if (own != SAMPLES_NO_CUP)
        return ANSWER_WRONG; /* coffee of a cup, called water or a stranger's */
    if (verdict->found == SAMPLE_BLANK)
        return water ? ANSWER_RIGHT : ANSWER_WRONG;
    return !water || rinse ? ANSWER_RIGHT : ANSWER_WRONG; /* a rest of coffee may be a blank or nobody's */
}

static void judge_reading(const struct morning *morning, int reading, double chance, struct morning_judged *judged)
{
    const struct sample_verdict *verdict = &judged->verdict[reading];
    enum sample_remark said = morning->reading[reading].shown.said;

    judged->answer[reading] = judge_one(morning, reading, verdict);
    judged->counts[reading] = said == SAMPLE_OPEN;
    judged->chance[reading] = chance;
    judged->decidable[reading] = chance >= MORNING_DECIDABLE;
    judged->orders_broken += said != SAMPLE_OPEN && judged->answer[reading] != ANSWER_RIGHT;
    if (verdict->found == SAMPLE_FOUND && judged->answer[reading] == ANSWER_WRONG && !verdict->suspect)
        judged->foreign[verdict->cup] = true;
}

/* The assigner's answer, the cups in it counted as the morning's. */
static int answer(enum assigner assigner, struct samples *samples, const int of[])
{
    int result = 0;

    if (assigner == ASSIGNER_BY_TURNS)
        by_turns(samples);
    else
        result = samples_assign(samples);
    for (int i = 0; result == 0 && i < samples->reading_count; i++) {
        struct sample_verdict *verdict = &samples->verdict[i];

        verdict->cup = verdict->cup == SAMPLES_NO_CUP ? SAMPLES_NO_CUP : of[verdict->cup];
        verdict->other = verdict->other == SAMPLES_NO_CUP ? SAMPLES_NO_CUP : of[verdict->other];
    }
    return result;
}

int morning_judge(const struct morning *morning, enum assigner assigner, bool as_it_came, struct morning_judged *judged)
{
    struct samples *samples = calloc(1, sizeof *samples);
    double chance[SAMPLES_READINGS];
    int of[SAMPLES_CUPS], result = samples ? morning_odds(morning, chance) : -ENOMEM;

    *judged = (struct morning_judged){ .orders_broken = 0 };
    for (int i = 0; as_it_came && result == 0 && i < morning->reading_count; i++) {
        ask(morning, i + 1, morning->reading[i].shown.at_us, samples, of);
        result = answer(assigner, samples, of);
        judged->verdict[i] = samples->verdict[i];
    }
    if (result == 0) {
        ask(morning, morning->reading_count, INT64_MAX, samples, of);
        result = answer(assigner, samples, of);
    }
    for (int i = 0; result == 0 && i < morning->reading_count; i++) {
        if (!as_it_came)
            judged->verdict[i] = samples->verdict[i];
        judge_reading(morning, i, chance[i], judged);
    }
    for (int i = 0; result == 0 && i < samples->cup_count; i++) {
        judged->strength[of[i]] = samples->strength[i];
        judged->stated[of[i]] = !isnan(samples->strength[i].strength_pct);
    }
    free(samples);
    return result;
}
