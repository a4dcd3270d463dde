/* From indications to samples of the absolute load: tares, damaged lines, gaps.  It knows scales, not
 * coffee; the samples are cut into pieces elsewhere. */
#include <string.h>

#include "tracker_parts.h"

/* After a tare the instrument shows zero within its last digit. */
static const double ZERO_LEAST_G = 0.15;

/* A tare ordered is expected within so long. */
static const int64_t TARE_WAIT_US = 5000000;

/* A damaged line that still reads as a number is one alone: an indication so far off both its neighbours, and as far
 * as they are apart, is levelled to the nearer; much farther off, it is of no load. */
static const double PEAK_G = 0.5, ALONE_G = 30, ALONE_TIMES = 3;
static const double LEVELLED_MOST_G = 200; /* more is not remembered of it: a hand that shakes goes no farther */

/* A tare in the tail of a movement: that was so long ago, and the load moves by so much at most meanwhile. */
static const int64_t MOVING_US = 1000000;
static const double TARE_MOVES_MOST_G = 5, TAIL_SHARE = 0.02;
static const int64_t ONE_READING_US = 300000; /* a lift takes as long, and the filter with it */

/* What is left of a jump goes on meanwhile by so much of its last step. */
static const double MOVES_ON = 1;

/* A movement that comes to zero goes on within so many divisions (three roundings and noise), or such a share of its
 * last step; a tare breaks it. */
static const double GOES_ON_DIVISIONS = 3, GOES_ON_SHARE = 0.5;

/* No reading for so long, or for eight readings' time, is a gap. */
static const int64_t GAP_US = 3000000;

/* Of an instrument that speaks faster every so many readings are heard: hands are slower, and the samples held must
 * reach back over what they do.  (Two hundred and fifty a second and more; fifty are heard one by one.) */
static const int64_t HEARD_US = 15000;

/* No instrument speaks faster than a hundred times a second for long. */
static const double INTERVAL_LEAST_US = 10000;

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
static enum signal_news take(struct signal *signal, double load_g, double levelled_g, bool overload, int64_t at_us)
{
    const struct piece *piece = pieces_newest(signal);
    struct sample *sample = &signal->ring[signal->ring_end++ % RING_SAMPLES];
    enum signal_news news = SIGNAL_NOTHING;

    if (overload && piece)
        load_g = fmax(load_g, (double)piece->high_g);
    if (overload)
        signal->overload_us = at_us;
    *sample = (struct sample){ .at_us = at_us,
                               .load_g = (float)load_g,
                               .clear_g = (float)load_g,
                               .overload = overload,
                               .levelled_dg = lround(10 * fmax(fmin(levelled_g, LEVELLED_MOST_G), -LEVELLED_MOST_G)) };
    for (uint32_t fresh = signal_clear(signal); fresh > 0; fresh--) {
        enum signal_news one;

        signal->seen_end = signal->clear_end - fresh + 1;
        one = pieces_look(signal);
        if (one > news)
            news = one;
    }
    return news;
}

/* Whether the load rested at what was indicated first, and not at what came next: a line was damaged just before the
 * instrument obeyed. */
static bool rested_before(const struct signal *signal)
{
    const struct indication *shown = signal->shown;
    const struct piece *piece = signal->count ? &signal->piece[signal->count - 1] : NULL;
    double rest_g = signal->rest_g - signal->offset_g;

    return piece && (piece->kind == PIECE_REST || piece->left_us >= shown[0].at_us - signal->interval_us)
           && fabs(shown[0].shown_g - rest_g) <= shape_leave_g(signal)
           && fabs(shown[1].shown_g - rest_g) > fmax(ALONE_G, shape_leave_g(signal));
}

/* Something has just been put down: the last of it is still coming.  Hands do not take it away within one reading. */
static bool still_rises(const struct indication *shown)
{
    double rise_g = shown[1].shown_g - shown[0].shown_g;

    return rise_g > 0 && rise_g < fmin(TAIL_SHARE * shown[1].shown_g, TARE_MOVES_MOST_G)
           && shown[2].at_us - shown[1].at_us < ONE_READING_US;
}

/* What flows past zero goes on as it came. */
static bool goes_on(const struct indication *shown, double resolution_g)
{
    double step_g = shown[1].shown_g - shown[0].shown_g, next_g = shown[1].shown_g + step_g;

    return fabs(shown[2].shown_g - next_g) <= fmax(GOES_ON_DIVISIONS * resolution_g, GOES_ON_SHARE * fabs(step_g));
}

/* A tare: from a load to zero within one or two readings, and staying there.  A lift passes through
 * what the instrument's filter leaves behind, and seldom ends at zero.  `before` is the indication
 * that was left; NAN: no tare. */
static double tared_from(const struct signal *signal)
{
    const struct indication *shown = signal->shown;
    double zero_g = fmax(1.01 * signal->resolution_g, ZERO_LEAST_G), least_g = fmax(2.5 * signal->resolution_g, 0.5);
    bool ordered = signal->tare_ordered_us && shown[2].at_us - signal->tare_ordered_us < TARE_WAIT_US;

    zero_g += MOVES_ON * fmin(fabs(shown[1].shown_g - shown[0].shown_g), 2 * shape_leave_g(signal));

    if (shown[1].overload || shown[2].overload || shown[3].overload || fabs(shown[2].shown_g) > zero_g
        || fabs(shown[3].shown_g) > fmax(zero_g, ordered ? 3 : 1))
        return NAN;
    if (ordered && rested_before(signal))
        return shown[0].shown_g;
    if (fabs(shown[1].shown_g) > least_g
        && (ordered || still_rises(shown)
            || (fabs(shown[1].shown_g - shown[0].shown_g) <= 2 * shape_leave_g(signal)
                && !goes_on(shown, signal->resolution_g))))
        return shown[1].shown_g;
    if (ordered && fabs(shown[0].shown_g) > least_g)
        return shown[0].shown_g;
    return NAN;
}

/* The load at a tare, by what was indicated before it: at rest many indications know it better than the last one, and
 * the instrument's own zero is exact; while a jump's tail is left, its zero was true some time since the last one. */
static double tared_level_g(const struct signal *signal, double last_g)
{
    const struct indication *before = &signal->shown[1], *zero = &signal->shown[2];
    const struct piece *piece = signal->count ? &signal->piece[signal->count - 1] : NULL;
    int64_t jump_us = piece && piece->kind == PIECE_REST ? piece->begin_us : before->at_us - MOVING_US;
    struct level level;
    double load_g;

    if (!level_fit(signal, jump_us, before->at_us, &level))
        return last_g;
    load_g = level_at(&level, zero->at_us);
    if (fabs(load_g - last_g) > TARE_MOVES_MOST_G)
        return last_g;
    return fabs(load_g - level_at(&level, before->at_us)) > signal->resolution_g / 2 ? load_g - zero->shown_g : load_g;
}

static enum signal_news middle(struct signal *signal)
{
    struct indication *shown = signal->shown;
    double a = shown[1].shown_g, b = shown[2].shown_g, c = shown[3].shown_g;
    double from_g = tared_from(signal), load_g, alone_g;

    if (!isnan(from_g)) {
        signal->offset_g = tared_level_g(signal, from_g + signal->offset_g);
        signal->tare_ordered_us = 0;
        shown[0] = shown[1] = shown[2];
        return take(signal, b + signal->offset_g, 0, false, shown[2].at_us);
    }
    load_g = fmax(fmin(a, b), fmin(fmax(a, b), c));
    alone_g = fabs(b - load_g);
    if (shown[1].overload || shown[2].overload || shown[3].overload || alone_g < fmax(PEAK_G, fabs(c - a)))
        load_g = b;
    else if (alone_g > fmax(ALONE_G, ALONE_TIMES * fmin(fabs(c - a), fabs(a - shown[0].shown_g))))
        return SIGNAL_NOTHING;
    return take(signal, load_g + signal->offset_g, b - load_g, shown[2].overload, shown[2].at_us);
}

/* The time of a reading that arrived now; after a gap everything starts over. */
static int64_t time_of(struct signal *signal, int64_t arrived_us)
{
    int64_t interval_us = arrived_us - signal->cadence.arrived_us;

    if (signal->shown_count && interval_us > GAP_US && interval_us > 8 * signal->interval_us)
        signal_gap(signal);
    if (signal->shown_count == 0) {
        cadence_begin(&signal->cadence, arrived_us);
        return arrived_us;
    }
    arrived_us = cadence_time(&signal->cadence, arrived_us, &signal->shown[3].at_us);
    signal->interval_us = (int64_t)fmax(signal->cadence.period_us, INTERVAL_LEAST_US);
    return arrived_us;
}

enum signal_news signal_mass(struct signal *signal, double shown_g, bool overload, double resolution_g, int64_t at_us)
{
    struct indication *shown = signal->shown;

    if (at_us - signal->heard_us < HEARD_US && at_us >= signal->heard_us && signal->heard_us)
        return SIGNAL_NOTHING;
    signal->heard_us = at_us;
    at_us = time_of(signal, at_us);
    if (resolution_g > 0 && !overload) { /* twice in a row: a damaged line may have lost its point */
        if (signal->shown_count == 0 || fabs(resolution_g - signal->resolution_seen_g) < resolution_g / 10)
            signal->resolution_g = resolution_g;
        signal->resolution_seen_g = resolution_g;
    }
    memmove(shown, shown + 1, 3 * sizeof *shown);
    shown[3] = (struct indication){ overload ? shown[2].shown_g : shown_g, at_us, overload };
    if (signal->shown_count == 0)
        shown[0] = shown[1] = shown[2] = shown[3];
    if (signal->shown_count < 2 && ++signal->shown_count < 2)
        return SIGNAL_NOTHING;
    return middle(signal);
}

void signal_gap(struct signal *signal)
{
    signal->shown_count = 0;
}
