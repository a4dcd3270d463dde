/* From indications to samples: time, tares, damaged lines, gaps. */
#include "weighing.h"

#include <math.h>
#include <string.h>

/* After a tare the instrument shows zero within its last digit; a division and its noise. */
static const double ZERO_DIVISIONS = 1.01, ZERO_LEAST_G = 0.15;

/* A tare is one step of more than this, and more than so many times what the load moved in the reading before: a lift
 * comes to zero as it went. */
static const double TAIL_SHARE = 0.03, TARE_DIVISIONS = 2.5, TARE_LEAST_G = 0.5, TARE_TIMES = 8;

/* A tare that was ordered is expected within so long. */
static const int64_t TARE_WAIT_US = 5000000;

/* Hands lift a cup within so long (common practice, no source): where two readings are as far apart, a step to zero
 * may be a lift as well, and the story decides. */
static const int64_t LIFT_US = 420000;

/* Behind a tare of what stood there so much coffee may have fallen already, and falls no faster (practice). */
static const double STOOD_G = 25, BEGUN_G = 3, BEGUN_G_PER_S = 30;

/* None is lifted sooner; and what a filter then still shows of it is clear. */
static const double LIFT_LEAST_S = 0.2, LIFT_LEFT_DIVISIONS = 5;

/* A damaged line that still reads as a number is one alone: so far off both its neighbours, and so many times as far as
 * they are apart. */
static const double ALONE_DIVISIONS = 4, ALONE_TIMES = 4, ALONE_FAR_G = 30;
static const double LEVELLED_MOST_G = 200; /* what a sample has room to remember of it */

/* No reading for so long, or for eight readings' time, is a gap. */
static const int64_t GAP_US = 3000000;
static const double GAP_PERIODS = 8;

/* A shorter silence, in which hands may have done something that nobody saw: more than a few lines that got lost. */
static const double SILENT_S = 0.7, SILENT_PERIODS = 3.5;

/* A reading that comes sooner than this share of a period after one that ended a silence: both were held up. */
static const double HELD_UP = 0.5;

/* Instruments that speak more often are gathered to about this pace: hands are slower, and a filter's noise is
 * the same from reading to reading. */
static const double SAMPLE_S = 0.05;

/* Readings within this of the last one are the same rest: their mean is what a tare takes away. */
static const int64_t LEVEL_US = 2000000;

void weighing_begin(struct weighing *weighing)
{
    memset(weighing, 0, sizeof *weighing);
    weighing->resolution_g = 0.1;
    weighing->period_s = weighing->lag_s = 0.1;
}

static bool keep(struct weighing *weighing, double load_g, double levelled_g, bool overload, int64_t at_us)
{
    struct sample *sample = weighing_sample(weighing, weighing->end);
    bool silent = false;

    if (weighing->end) {
        const struct sample *before = weighing_sample(weighing, weighing->end - 1);
        double period_s = weighing->period_s, interval_s = seconds(before->at_us, at_us);

        if (at_us <= before->at_us)
            at_us = before->at_us + 1;
        if (!overload && !before->overload)
            quiet_learn(&weighing->quiet, load_g - (double)before->load_g, interval_s, period_s,
                        weighing->resolution_g);
        silent = quiet_is(&weighing->quiet) && quiet_is_silence(interval_s, period_s) && !weighing->tared;
    }
    weighing->tared = false;
    *sample = (struct sample){ .at_us = at_us,
                               .load_g = (float)load_g,
                               .clear_g = (float)load_g,
                               .levelled_dg = lround(10 * fmax(fmin(levelled_g, LEVELLED_MOST_G), -LEVELLED_MOST_G)),
                               .overload = overload,
                               .silent = silent,
                               .blind = weighing->after_silence && !quiet_is(&weighing->quiet) };
    weighing->after_silence = false;
    weighing->end++;
    return true;
}

/* The sample that was gathered so far. */
static bool keep_gathered(struct weighing *weighing)
{
    int gathered = weighing->gathered;

    weighing->gathered = 0;
    return keep(weighing, weighing->gathered_g / gathered, 0, weighing->gathered_overload,
                weighing->gathered_from_us + (int64_t)(weighing->gathered_s / gathered * 1e6));
}

/* A sample, or part of one. */
static bool gather(struct weighing *weighing, double load_g, double levelled_g, bool overload, int64_t at_us)
{
    double period_s = weighing->cadence.period_us / 1e6;
    int wanted = period_s > 0 ? (int)ceil(SAMPLE_S / period_s - 0.1) : 1;

    weighing->period_s = fmax(period_s, 1e-4) * (wanted > 1 ? wanted : 1);
    if (wanted <= 1) {
        weighing->gathered = 0;
        return keep(weighing, load_g, levelled_g, overload, at_us);
    }
    if (weighing->gathered && quiet_is_silence(seconds(weighing->gathered_from_us, at_us), period_s))
        keep_gathered(weighing);
    if (!weighing->gathered) {
        weighing->gathered_g = weighing->gathered_s = 0;
        weighing->gathered_from_us = at_us;
        weighing->gathered_overload = false;
    }
    weighing->gathered_g += load_g;
    weighing->gathered_s += (double)(at_us - weighing->gathered_from_us) / 1e6;
    weighing->gathered_overload |= overload;
    if (++weighing->gathered < wanted && (double)(at_us - weighing->gathered_from_us) / 1e6 < 2 * SAMPLE_S)
        return false;
    return keep_gathered(weighing);
}

/* The load that rested until a tare, which was indicated as last_g. */
static double tared_level_g(const struct weighing *weighing, double last_g, int64_t at_us)
{
    double sum_g = last_g, same_g = 1.01 * weighing->resolution_g;
    int n = 1;

    for (uint32_t i = weighing->end; i-- > weighing_oldest(weighing);) {
        const struct sample *sample = weighing_sample(weighing, i);

        if (at_us - sample->at_us > LEVEL_US || fabs((double)sample->load_g - last_g) > same_g)
            break;
        sum_g += (double)sample->load_g;
        n++;
    }
    return sum_g / n;
}

/* Whether hands could have lifted step_g within dt_s, and the scale's filter shown nothing of it any more. */
static bool could_lift(const struct weighing *weighing, double step_g, double dt_s)
{
    double poles = fmax(0, dt_s - LIFT_LEAST_S) / (weighing->lag_s / 2);

    return !(step_g * (1 + poles) * exp(-poles) > LIFT_LEFT_DIVISIONS * weighing->resolution_g);
}

/* Coffee that falls at once behind a tare of what rested: what was indicated last but one is a little of it, and so is
 * what follows.  What hands had time to lift leaves nothing that grows. */
static bool is_begun(const struct indication *shown, bool ordered, double noise_g)
{
    double more_g = shown[3].shown_g - shown[2].shown_g;
    bool sure = ordered || seconds(shown[1].at_us, shown[2].at_us) < LIFT_LEAST_S;

    return fabs(shown[1].shown_g) > STOOD_G && fabs(shown[1].shown_g - shown[0].shown_g) < noise_g
           && shown[2].shown_g > -noise_g && shown[2].shown_g < BEGUN_G && more_g > (sure ? -noise_g : noise_g)
           && more_g < BEGUN_G_PER_S * seconds(shown[2].at_us, shown[3].at_us);
}

/* Whether the step to what was indicated last but one is a tare. */
static bool is_tare(const struct weighing *weighing)
{
    const struct indication *shown = weighing->shown;
    double zero_g = fmax(ZERO_DIVISIONS * weighing->resolution_g, ZERO_LEAST_G);
    double tail_g = 0, moved_g = fabs(shown[1].shown_g - shown[0].shown_g),
           step_g = fabs(shown[1].shown_g - shown[2].shown_g);
    bool ordered = weighing->tare_ordered_us && shown[2].at_us - weighing->tare_ordered_us < TARE_WAIT_US;
    double between_s = seconds(shown[1].at_us, shown[2].at_us);
    bool sudden = shown[2].at_us - shown[1].at_us < LIFT_US || weighing->offset_g > TARE_LEAST_G
                  || !could_lift(weighing, step_g, between_s);

    if (quiet_is(&weighing->quiet))
        sudden = quiet_could_be_tare(&weighing->quiet, between_s);
    if (shown[1].overload || shown[2].overload || shown[3].overload)
        return false;
    if (shown[1].shown_g > shown[0].shown_g && moved_g < TAIL_SHARE * fabs(shown[1].shown_g))
        tail_g = moved_g; /* the last of what was put down is still coming */
    zero_g += fmax(tail_g, fmin(moved_g, zero_g));
    if ((fabs(shown[2].shown_g) > zero_g || (!ordered && fabs(shown[3].shown_g) > zero_g + tail_g))
        && !is_begun(shown, ordered, zero_g)) /* ordered: what falls at once may follow */
        return false;
    return step_g > fmax(TARE_DIVISIONS * weighing->resolution_g, TARE_LEAST_G)
           && (ordered || (sudden && step_g > TARE_TIMES * moved_g));
}

/* Notes whether the scale was silent until now; what was gathered before that is no part of a sample after it. */
static void listen(struct weighing *weighing, int64_t at_us)
{
    if (weighing->heard_us
        && seconds(weighing->heard_us, at_us) > fmax(SILENT_S, SILENT_PERIODS * weighing->period_s)) {
        weighing->after_silence = weighing->end > 0;
        weighing->gathered = 0;
    }
    weighing->heard_us = at_us;
}

static bool middle(struct weighing *weighing)
{
    struct indication *shown = weighing->shown;
    double a = shown[1].shown_g, b = shown[2].shown_g, c = shown[3].shown_g, off_g, levelled_g = 0;

    listen(weighing, shown[2].at_us);
    if (is_tare(weighing)) {
        double before_g = shown[1].shown_g;

        /* the line before the instrument obeyed was damaged */
        if (weighing->end && fabs(before_g - shown[0].shown_g) > ALONE_FAR_G)
            before_g = shown[0].shown_g;
        weighing->offset_g = tared_level_g(weighing, before_g + weighing->offset_g, shown[2].at_us);
        weighing->tare_ordered_us = 0;
        weighing->tared = true;
        quiet_tared(&weighing->quiet, seconds(shown[1].at_us, shown[2].at_us));
        shown[0] = shown[1] = shown[2];
        return gather(weighing, b + weighing->offset_g, 0, false, shown[2].at_us);
    }
    off_g = fmin(fabs(b - a), fabs(b - c));
    if (!shown[1].overload && !shown[2].overload && !shown[3].overload && (b > a) == (b > c)
        && off_g > ALONE_DIVISIONS * weighing->resolution_g && off_g > ALONE_TIMES * fabs(c - a)) {
        if (off_g > ALONE_FAR_G)
            return false;
        levelled_g = b - (a + c) / 2;
        b = (a + c) / 2;
    }
    b += weighing->offset_g;
    if (shown[2].overload && weighing->end) /* so much at least */
        b = fmax(b, (double)weighing_sample(weighing, weighing->end - 1)->load_g);
    return gather(weighing, b, levelled_g, shown[2].overload, shown[2].at_us);
}

/* After a silence all begins again, with the reading that ended it. */
static void begin_after_silence(struct weighing *weighing)
{
    struct indication *shown = weighing->shown;

    weighing_gap(weighing);
    if (weighing->shown_count)
        return;
    cadence_begin(&weighing->cadence, weighing->cadence.arrived_us);
    shown[3].at_us = weighing->cadence.arrived_us;
    shown[0] = shown[1] = shown[2] = shown[3];
    weighing->shown_count = 1;
}

/* The time of a reading that arrived now.  Behind a silence the next reading shows what it was: when that hurries, all
 * of them had been held up on their way, and keep their pace. */
static int64_t time_of(struct weighing *weighing, int64_t arrived_us)
{
    int64_t interval_us = arrived_us - weighing->cadence.arrived_us;

    if (weighing->after_gap && (double)interval_us > HELD_UP * weighing->cadence.period_us)
        begin_after_silence(weighing);
    weighing->after_gap = weighing->shown_count && interval_us > GAP_US
                          && (double)interval_us > GAP_PERIODS * weighing->cadence.period_us;
    if (weighing->shown_count == 0) {
        cadence_begin(&weighing->cadence, arrived_us);
        return arrived_us;
    }
    return cadence_time(&weighing->cadence, arrived_us, &weighing->shown[3].at_us);
}

bool weighing_take(struct weighing *weighing, double shown_g, bool overload, double resolution_g, int64_t at_us)
{
    struct indication *shown = weighing->shown;

    at_us = time_of(weighing, at_us);
    if (resolution_g > 0 && !overload) { /* twice in a row: a damaged line may have lost its point */
        if (weighing->shown_count == 0 || fabs(resolution_g - weighing->resolution_seen_g) < resolution_g / 10)
            weighing->resolution_g = resolution_g;
        weighing->resolution_seen_g = resolution_g;
    }
    memmove(shown, shown + 1, 3 * sizeof *shown);
    shown[3] = (struct indication){ overload ? shown[2].shown_g : shown_g, at_us, overload };
    if (weighing->shown_count == 0)
        shown[0] = shown[1] = shown[2] = shown[3];
    if (weighing->shown_count < 2 && ++weighing->shown_count < 2)
        return false;
    return middle(weighing);
}

void weighing_gap(struct weighing *weighing)
{
    if (!quiet_is(&weighing->quiet)) /* it is silent whenever something moves */
        weighing->shown_count = weighing->gathered = 0;
    weighing->after_gap = false;
}

double weighing_load_g(const struct weighing *weighing)
{
    const struct indication *before = &weighing->shown[2], *newest = &weighing->shown[3];
    double zero_g = fmax(ZERO_DIVISIONS * weighing->resolution_g, ZERO_LEAST_G);

    if (!weighing->shown_count)
        return weighing->end ? (double)weighing_sample(weighing, weighing->end - 1)->load_g : NAN;
    if (newest->overload || fabs(newest->shown_g - before->shown_g) > ALONE_FAR_G
        || (fabs(newest->shown_g) < zero_g && fabs(before->shown_g) > TARE_LEAST_G))
        newest = before;
    return newest->shown_g + weighing->offset_g;
}

void weighing_shift(struct weighing *weighing, double grams)
{
    weighing->offset_g += grams;
    for (uint32_t i = weighing_oldest(weighing); i < weighing->end; i++) {
        weighing_sample(weighing, i)->load_g += (float)grams;
        weighing_sample(weighing, i)->clear_g += (float)grams;
    }
}
