/* The numbers of a brew, from what its story found, each with its standard uncertainty. */
#include "poise/brew.h"
#include "poise/uncertainty.h"
#include "tracker_parts.h"


/* How far what hands begin and end is seen from when they did, besides what the instrument's own pace leaves open:
 * standard deviations in the random brews of tests/virtual (5 to 20 readings a second, 0.1 g), where a spoon is seen
 * late and a pour ends in drops. */
static const double hand_u_s[STAGE_COUNT] = {
    [STAGE_DOSE] = 0.13,   [STAGE_BLOOM] = 0.1, [STAGE_POUR] = 0.1,  [STAGE_STEEP] = 0.13,    [STAGE_STIR] = 0.15,
    [STAGE_SETTLE] = 0.12, [STAGE_PRESS] = 0.1, [STAGE_WEIGH] = 0.1, [STAGE_STRENGTH] = 0.12,
};
static const double PACES = 2; /* of the instrument's own pace: its filter must be undone, too */
static const double COARSE_G = 0.3, COARSE_TIMES = 2.5; /* a coarser last digit shows everything later */

/* A hand trembles faster than a scale's filter lets through and between two readings: in the same random brews the peak
 * is reported 4 to 7 % below the true one, the mean within 2 %. */
static const double PEAK_U_SHARE = 0.05, MEAN_U_SHARE = 0.02;

double story_begin_u_s(const struct tracker *tracker, enum stage stage, double u_s)
{
    return hypot(hand_u_s[stage], PACES * u_s) * (tracker->signal.resolution_g > COARSE_G ? COARSE_TIMES : 1);
}

/* Something was put down on the end of the pour: what fell last, and how hard, was not seen. */
static const double UNRESTED_U_G = 3;

void story_set(struct measures *measures, enum measure measure, double value, double u)
{
    measures->value[measure] = value;
    measures->standard_uncertainty[measure] = isnan(value) ? NAN : u;
}

static void measure_gauge(struct reader *reader, double u_s)
{
    const struct gauge *gauge = &reader->tracker->gauge;
    struct measures *measures = &reader->out->measures;

    if (!gauge->began_us || gauge->began_us < reader->out->first_water_us || !(gauge->sum_s > 0))
        return;
    if (!reader->press.seen)
        story_set(measures, MEASURE_PRESS_S, (double)(gauge->ended_us - gauge->began_us) / 1e6, u_s);
    story_set(measures, MEASURE_PRESS_PEAK_KPA, gauge->peak_kpa, gauge->u_kpa);
    story_set(measures, MEASURE_PRESS_MEAN_KPA, gauge->sum_kpa_s / gauge->sum_s, gauge->u_kpa);
    reader->out->above = false;
}

void story_measure(struct reader *reader)
{
    struct story *out = reader->out;
    struct measures *measures = &out->measures;
    const struct tracker *tracker = reader->tracker;
    /* two readings' last digits, each rounded on its own */
    double u_g = sqrt(2) * uncertainty_of_resolution(tracker->signal.resolution_g);
    double pace_s = (double)tracker->signal.interval_us / 1e6 / sqrt(12);
    double u_s = hypot(story_begin_u_s(tracker, STAGE_POUR, pace_s), story_begin_u_s(tracker, STAGE_PRESS, pace_s));
    double press_u_s = hypot(u_s, reader->lifted_u_s);
    double dose_u_g = hypot(u_g, reader->dose_u_g);
    double water_u_g = hypot(u_g, hypot(reader->water_u_g, reader->poured_to_u_g));
    double dose_g = measures->value[MEASURE_DOSE_G], beverage_g = measures->value[MEASURE_BEVERAGE_G];

    if (tracker->second.added_g > 0) /* what ran into the cup is part of it, and the other scale's to say */
        water_u_g = hypot(water_u_g, second_u_g(&tracker->second));
    if (reader->unrested)
        water_u_g = hypot(water_u_g, UNRESTED_U_G);
    story_set(measures, MEASURE_DOSE_G, dose_g, dose_u_g);
    if (out->brewing)
        story_set(measures, MEASURE_WATER_G, reader->poured_g, water_u_g);
    if (out->press_began_us) {
        story_set(measures, MEASURE_STEEP_S, (double)(out->press_began_us - out->first_water_us) / 1e6, press_u_s);
        if (reader->stir_ended_us && reader->stir_ended_us < out->press_began_us)
            story_set(measures, MEASURE_SETTLE_S, (double)(out->press_began_us - reader->stir_ended_us) / 1e6,
                      press_u_s);
    }
    story_set(measures, MEASURE_BLOOM_S, measures->value[MEASURE_BLOOM_S], u_s);
    story_set(measures, MEASURE_BEVERAGE_G, beverage_g,
              hypot(out->cup_apart ? second_u_g(&tracker->second) : hypot(u_g, reader->weighed_u_g), out->cup_u_g));
    if (out->cup_known && !isnan(dose_g))
        story_set(measures, MEASURE_RETAINED_G_PER_G, retained_g_per_g(reader->poured_g, beverage_g, dose_g),
                  uncertainty_of_retained(reader->poured_g, water_u_g, beverage_g, u_g, dose_g, dose_u_g));
    if (reader->press.seen && out->press_ended_us) {
        double diameter_mm = tracker->config.piston_diameter_mm;

        out->above = reader->press.overload;
        story_set(measures, MEASURE_PRESS_S, (double)(out->press_ended_us - out->press_began_us) / 1e6, u_s);
        if (diameter_mm > 0) {
            double mean_g = reader->press.force_gs / fmax(reader->press.force_s, 0.1);
            double mean_kpa = press_pressure_kpa(mean_g, diameter_mm);
            double peak_kpa = press_pressure_kpa(reader->press.peak_g, diameter_mm);

            story_set(measures, MEASURE_PRESS_PEAK_KPA, peak_kpa, PEAK_U_SHARE * peak_kpa);
            story_set(measures, MEASURE_PRESS_MEAN_KPA, mean_kpa, MEAN_U_SHARE * mean_kpa);
        }
    }
    measure_gauge(reader, u_s);
}
