/* From indications to samples of the absolute load: tares, damaged lines, gaps.  It knows scales, not
 * coffee; the samples are cut into pieces elsewhere. */
#include <string.h>

#include "tracker_parts.h"

/* After a tare the instrument shows zero within its last digit. */
static const double ZERO_LEAST_G = 0.15;

/* A tare ordered is expected within so long. */
static const int64_t TARE_WAIT_US = 5000000;

/* No reading for so long, or for eight readings' time, is a gap. */
static const int64_t GAP_US = 3000000;

/* The pace is the mean of so many intervals; more than so many doubled or halved ones in a row mean that it has
 * changed or was learnt badly; of what an arrival differs from the time expected, one part in FOLLOW is taken for the
 * instrument's own; and the count never runs ahead of the arrivals by more than three lines, or so long.
 * Tried on the random brews with arrivals late by 0 to 50 ms. */
static const int64_t PACE_READINGS = 64, CHANGED = 3, FOLLOW = 16, AHEAD_MOST_US = 300000;

void signal_begin(struct signal *signal)
{
    memset(signal, 0, sizeof *signal);
    signal->overload_us = INT64_MIN / 2;
    signal->zero_g = NAN;
    signal->resolution_g = 0.1;
    signal->interval_us = 100000;
}

const struct sample *sample_back(const struct signal *signal, uint32_t back)
{
    return &signal->ring[(signal->ring_end - 1 - back) % RING_SAMPLES];
}

uint32_t samples_held(const struct signal *signal)
{
    return signal->ring_end < RING_SAMPLES ? signal->ring_end : RING_SAMPLES;
}

double signal_load_g(const struct signal *signal)
{
    return signal->ring_end ? (double)sample_back(signal, 0)->load_g : NAN;
}

double signal_slope_g_per_s(const struct signal *signal)
{
    double sum_t = 0, sum_x = 0, sum_tt = 0, sum_tx = 0, n = 0;
    uint32_t held = samples_held(signal);
    const struct sample *newest;

    if (held < 3)
        return 0;
    newest = sample_back(signal, 0);
    for (uint32_t back = 0; back < held; back++) {
        const struct sample *sample = sample_back(signal, back);
        double t = (double)(sample->at_us - newest->at_us) / 1e6, x = (double)(sample->load_g - newest->load_g);

        if (t < -0.55 && n >= 3)
            break;
        sum_t += t;
        sum_x += x;
        sum_tt += t * t;
        sum_tx += t * x;
        n++;
    }
    if (n * sum_tt - sum_t * sum_t < 1e-9)
        return 0;
    return (n * sum_tx - sum_t * sum_x) / (n * sum_tt - sum_t * sum_t);
}

/* One sample of the absolute load. */
static enum signal_news take(struct signal *signal, double load_g, bool overload, int64_t at_us)
{
    const struct piece *piece = pieces_newest(signal);
    struct sample *sample = &signal->ring[signal->ring_end++ % RING_SAMPLES];
    enum signal_news news = SIGNAL_NOTHING;

    if (overload && piece)
        load_g = fmax(load_g, (double)piece->high_g);
    if (overload)
        signal->overload_us = at_us;
    *sample = (struct sample){.at_us = at_us, .load_g = (float)load_g, .clear_g = (float)load_g, .overload = overload};
    for (uint32_t fresh = signal_clear(signal); fresh > 0; fresh--) {
        enum signal_news one;

        signal->seen_end = signal->clear_end - fresh + 1;
        one = pieces_look(signal);
        if (one > news)
            news = one;
    }
    return news;
}

/* A tare: from a load to zero within one or two readings, and staying there.  A lift passes through
 * what the instrument's filter leaves behind, and seldom ends at zero.  `before` is the indication
 * that was left; NAN: no tare. */
static double tared_from(const struct signal *signal)
{
    const struct indication *shown = signal->shown;
    double zero_g = fmax(1.01 * signal->resolution_g, ZERO_LEAST_G), least_g = fmax(2.5 * signal->resolution_g, 0.5);
    bool ordered = signal->tare_ordered_us && shown[2].at_us - signal->tare_ordered_us < TARE_WAIT_US;

    if (shown[1].overload || shown[2].overload || shown[3].overload || fabs(shown[2].shown_g) > zero_g ||
        fabs(shown[3].shown_g) > fmax(zero_g, ordered ? 3 : 1))
        return NAN;
    if (fabs(shown[1].shown_g) > least_g && (ordered || fabs(shown[1].shown_g - shown[0].shown_g) <= 2 * shape_leave_g(signal)))
        return shown[1].shown_g;
    if (ordered && fabs(shown[0].shown_g) > least_g)
        return shown[0].shown_g;
    return NAN;
}

static enum signal_news middle(struct signal *signal)
{
    struct indication *shown = signal->shown;
    double from_g = tared_from(signal), a = shown[1].shown_g, b = shown[2].shown_g, c = shown[3].shown_g, load_g;

    if (!isnan(from_g)) {
        double level_g = from_g + signal->offset_g;

        if (pieces_settled(signal) && fabs(level_g - signal->rest_g) < 2 * shape_leave_g(signal))
            level_g = signal->rest_g;       /* many indications know it better than the last one */
        signal->offset_g = level_g;     /* the instrument's own zero is exact: what it shows is within its last digit */
        signal->tare_ordered_us = 0;
        shown[0] = shown[1] = shown[2];
        return take(signal, b + signal->offset_g, false, shown[2].at_us);
    }
    /* the middle one of three: a damaged line that still reads as a number is one alone */
    load_g = fmax(fmin(a, b), fmin(fmax(a, b), c));
    if (shown[1].overload || shown[2].overload || shown[3].overload)
        load_g = b;
    return take(signal, load_g + signal->offset_g, shown[2].overload, shown[2].at_us);
}

/* When an indication was made: instruments speak evenly, but adapters and busy machines deliver late and in bunches
 * (up to 16 ms from a common serial adapter, common practice), and slopes are taken from these times.  Counts on from
 * the last one by whole intervals; a line is taken for lost only when nearly two have passed. */
static int64_t made_us(struct signal *signal, int64_t arrived_us, int64_t interval_us)
{
    int64_t lines, expected_us, ahead_us, least_us;

    if (signal->paced == 0)
        signal->pace_us = interval_us;
    lines = (arrived_us - signal->made_us + signal->pace_us / 5) / signal->pace_us;
    if (lines < 1)
        lines = 1;
    signal->paced += signal->paced < PACE_READINGS;
    signal->pace_us += (interval_us / lines - signal->pace_us) / signal->paced;
    signal->skipped = lines > 1 ? signal->skipped + 1 : 0;
    signal->rushed = interval_us < signal->pace_us / 2 ? signal->rushed + 1 : 0;
    if (signal->skipped > CHANGED || signal->rushed > CHANGED) {
        signal->pace_us = signal->rushed ? interval_us : signal->pace_us * lines;
        signal->skipped = signal->rushed = 0;
        signal->paced = 1;
    }
    if (signal->pace_us < 1000)
        signal->pace_us = 1000;         /* no scale indicates a thousand times a second */
    expected_us = signal->made_us + lines * signal->pace_us;
    expected_us += (arrived_us - expected_us) / FOLLOW;
    ahead_us = 3 * signal->pace_us < AHEAD_MOST_US ? 3 * signal->pace_us : AHEAD_MOST_US;
    least_us = signal->made_us + signal->pace_us / 8;
    if (expected_us > arrived_us + ahead_us)
        expected_us = arrived_us + ahead_us;
    return expected_us > least_us ? expected_us : least_us;     /* time never runs backwards */
}

enum signal_news signal_mass(struct signal *signal, double shown_g, bool overload, double resolution_g, int64_t at_us)
{
    struct indication *shown = signal->shown;

    if (signal->shown_count) {
        int64_t interval_us = at_us - signal->arrived_us;

        if (interval_us <= 0)
            return SIGNAL_NOTHING;
        if (interval_us > GAP_US && interval_us > 8 * signal->interval_us)
            signal_gap(signal);
        else
            signal->interval_us += (interval_us - signal->interval_us) / 16;
        signal->arrived_us = at_us;
        if (signal->shown_count)
            at_us = made_us(signal, at_us, interval_us);
    } else {
        signal->arrived_us = at_us;
        signal->paced = 0;
    }
    signal->made_us = at_us;
    if (resolution_g > 0 && !overload)
        signal->resolution_g = resolution_g;
    memmove(shown, shown + 1, 3 * sizeof *shown);
    shown[3] = (struct indication){overload ? shown[2].shown_g : shown_g, at_us, overload};
    if (signal->shown_count == 0)
        shown[0] = shown[1] = shown[2] = shown[3];
    if (signal->shown_count < 2 && ++signal->shown_count < 2)
        return SIGNAL_NOTHING;
    return middle(signal);
}

void signal_gap(struct signal *signal)
{
    struct piece *piece = pieces_newest(signal);

    if (piece)
        piece->gap = true;
    signal->shown_count = 0;
}
