/* What a cup should come to, by its dose, water and steep time and by what the cups before it came to; see
 * samples_parts.h.
 *
 * A part is washed off at once, the rest comes out by first order towards a plateau.  Plateau, rest and rate are the
 * day's coffee's; a little more comes off into more water; and each refractometer reads a little higher or lower than
 * the first.  Each cup says something of all of these together: least squares, one cup after the other, the rate
 * taken as straight about its usual value. */
#include "samples_parts.h"

#include <math.h>

enum { PLATEAU, REST, RATE, SLOW, RATIO, INSTRUMENT };

/* ---- what is known of coffee before a cup is read: percent of the dose; common practice, no source, where none is
 * named ---- */

/* A plateau of about 21 % (Liang, Chan, Ristenpart, Scientific Reports 11, 2021: at equilibrium, over wide ratios), of
 * which less than all has come off in a steep of some minutes. */
static const double PLATEAU_PCT = 20.5, PLATEAU_U_PCT = 3;

/* What is not washed off at once, the time in which all but a third of it comes out, and the spread of that time's
 * logarithm. */
static const double REST_PCT = 13, REST_U_PCT = 4, REST_S = 60, REST_S_U = 0.35;

/* What comes out of the middle of the grounds goes on for half an hour (the same source): with each logarithm of time.
 */
static const double SLOW_PCT = 0.3, SLOW_U_PCT = 0.5;

/* More extraction for each gram of water more to a gram of coffee. */
static const double RATIO_PCT = 0.1, RATIO_U_PCT = 0.1;

static const double STEEP_S = 120, STEEP_U_PCT = 1.5;           /* where no cup's steep time is known */
static const double DOSE_PER_WATER = 15.0 / 230, SHARE_U = 0.1; /* where no dose or no water is; relative */

/* Cups that should be alike differ by so much in extraction; learnt from the morning as cups come in. */
static const double CUP_SPREAD_PCT = 0.45, CUP_SPREAD_FREEDOM = 20;

/* An instrument whose accuracy is not known may be off by so much. */
static const double INSTRUMENT_U_PCT = 0.017;

static double squared(double x)
{
    return x * x;
}

static bool has_share(const struct sample_cup *cup)
{
    return cup->dose_g > 0 && cup->water_g > 0;
}

double strength_per_extraction(double dose_per_water, double extraction_pct)
{
    return dose_per_water / (1 + extraction_pct / 100 * dose_per_water);
}

/* ---- shapes ---- */

static void shape_of_steep(double steep_s, struct shape *out)
{
    double times, left;

    steep_s = fmin(fmax(steep_s, 5), 3600);
    times = steep_s / REST_S;
    left = exp(-times);

    out->of[PLATEAU] = 1;
    out->of[REST] = -left;
    out->of[RATE] = -times * left;
    out->of[SLOW] = log(steep_s / STEEP_S);
}

/* Where the steep time is not known: the mean of the cups where it is, and how these differ. */
static void shape_unknown(const struct samples *samples, const struct shape *shapes, struct shape *out)
{
    double sum = 0, squares = 0;
    int count = 0;

    shape_of_steep(STEEP_S, out);
    out->unknown_v = squared(STEEP_U_PCT);
    for (int i = 0; i < samples->cup_count; i++) {
        double extraction = REST_PCT * shapes[i].of[REST];

        if (!(samples->cup[i].steep_s > 0))
            continue;
        count++;
        sum += extraction;
        squares += squared(extraction);
        for (int k = REST; k <= SLOW; k++)
            out->of[k] = (count > 1 ? out->of[k] : 0) + shapes[i].of[k];
    }
    if (!count)
        return;
    out->of[REST] /= count;
    out->of[RATE] /= count;
    out->of[SLOW] /= count;
    out->unknown_v = (squared(STEEP_U_PCT) + squares - sum * sum / count) / (count + 1);
}

static void usual_share(const struct samples *samples, double *share, double *u)
{
    double sum = 0, squares = 0;
    int count = 0;

    *share = DOSE_PER_WATER;
    *u = SHARE_U;
    for (int i = 0; i < samples->cup_count; i++) {
        const struct sample_cup *cup = &samples->cup[i];

        if (!has_share(cup))
            continue;
        count++;
        sum += cup->dose_g / cup->water_g;
        squares += squared(cup->dose_g / cup->water_g);
    }
    if (!count)
        return;
    *share = sum / count;
    *u = sqrt((squared(SHARE_U) + fmax(squares / squared(*share) - count, 0)) / (count + 1));
}

void shapes_find(const struct samples *samples, struct shape *shapes)
{
    double share, share_u;

    usual_share(samples, &share, &share_u);
    for (int i = 0; i < samples->cup_count; i++) {
        const struct sample_cup *cup = &samples->cup[i];

        shapes[i] = (struct shape){ .dose_per_water = share, .share_u = share_u };
        if (has_share(cup)) {
            shapes[i].dose_per_water = cup->dose_g / cup->water_g;
            shapes[i].share_u = 0;
        }
        shapes[i].of[RATIO] = 1 / shapes[i].dose_per_water - 1 / DOSE_PER_WATER;
        if (cup->steep_s > 0)
            shape_of_steep(cup->steep_s, &shapes[i]);
    }
    for (int i = 0; i < samples->cup_count; i++)
        if (!(samples->cup[i].steep_s > 0))
            shape_unknown(samples, shapes, &shapes[i]);
}

/* ---- the curve ---- */

void curve_begin(const struct samples *samples, struct curve *curve)
{
    *curve = (struct curve){ .count = INSTRUMENT };
    curve->of[PLATEAU] = PLATEAU_PCT;
    curve->v[PLATEAU][PLATEAU] = squared(PLATEAU_U_PCT);
    curve->of[REST] = REST_PCT;
    curve->v[REST][REST] = squared(REST_U_PCT);
    curve->v[RATE][RATE] = squared(REST_PCT * REST_S_U);
    curve->of[SLOW] = SLOW_PCT;
    curve->v[SLOW][SLOW] = squared(SLOW_U_PCT);
    curve->of[RATIO] = RATIO_PCT;
    curve->v[RATIO][RATIO] = squared(RATIO_U_PCT);
    for (int i = 0; i < samples->reading_count; i++)
        if (samples->reading[i].instrument + INSTRUMENT > curve->count)
            curve->count = samples->reading[i].instrument + INSTRUMENT;
    for (int i = 1; i < SAMPLES_INSTRUMENTS; i++) {
        double a = samples->instrument[0].accuracy_pct, b = samples->instrument[i].accuracy_pct;

        curve->v[INSTRUMENT + i - 1][INSTRUMENT + i - 1] =
            squared(a > 0 ? a / sqrt(3) : INSTRUMENT_U_PCT) + squared(b > 0 ? b / sqrt(3) : INSTRUMENT_U_PCT);
    }
}

double curve_offset_pct(const struct curve *curve, int instrument, int from, double *variance)
{
    double offset = 0;
    int a = instrument + INSTRUMENT - 1, b = from + INSTRUMENT - 1;

    *variance = 0;
    if (instrument == from)
        return 0;
    if (instrument) {
        offset += curve->of[a];
        *variance += curve->v[a][a];
    }
    if (from) {
        offset -= curve->of[b];
        *variance += curve->v[b][b];
    }
    if (instrument && from)
        *variance -= 2 * curve->v[a][b];
    return offset;
}

static double extraction_pct(const struct curve *curve, const struct shape *shape)
{
    double sum = 0;

    for (int i = 0; i < INSTRUMENT; i++)
        sum += shape->of[i] * curve->of[i];
    return fmax(sum, 1);
}

/* Variance of the strength that the curve comes to; `gain` comes back as its covariance with each part. */
static double weigh(const struct curve *curve, const struct shape *shape, int instrument, double per, double *gain)
{
    double variance = 0;
    int offset = instrument ? INSTRUMENT + instrument - 1 : -1;

    for (int i = 0; i < curve->count; i++) {
        gain[i] = 0;
        for (int k = 0; k < INSTRUMENT; k++)
            gain[i] += curve->v[i][k] * shape->of[k];
        gain[i] *= per;
        if (offset >= 0)
            gain[i] += curve->v[i][offset];
    }
    for (int i = 0; i < INSTRUMENT; i++)
        variance += gain[i] * shape->of[i];
    variance *= per;
    return offset >= 0 ? variance + gain[offset] : variance;
}

static double cups_v(const struct curve *curve)
{
    return (CUP_SPREAD_FREEDOM * squared(CUP_SPREAD_PCT) + curve->squares) / (CUP_SPREAD_FREEDOM + curve->freedom);
}

/* How cups of this shape scatter about the curve, and what is not known of this one. */
static double scatter_v(const struct curve *curve, const struct shape *shape, double per, double extraction)
{
    return squared(per) * (cups_v(curve) + shape->unknown_v) + squared(per * extraction * shape->share_u);
}

double curve_expect(const struct curve *curve, const struct shape *shape, int instrument, double *variance,
                    double *freedom)
{
    double gain[CURVE_PARTS], extraction = extraction_pct(curve, shape);
    double per = strength_per_extraction(shape->dose_per_water, extraction);

    *variance = weigh(curve, shape, instrument, per, gain) + scatter_v(curve, shape, per, extraction);
    *freedom = CUP_SPREAD_FREEDOM + curve->freedom;
    return per * extraction + (instrument ? curve->of[INSTRUMENT + instrument - 1] : 0);
}

void curve_learn(struct curve *curve, const struct shape *shape, int instrument, double strength_pct, double noise_v)
{
    double gain[CURVE_PARTS], extraction = extraction_pct(curve, shape);
    double per = strength_per_extraction(shape->dose_per_water, extraction), spread_v = squared(per) * cups_v(curve);
    double error = strength_pct - per * extraction - (instrument ? curve->of[INSTRUMENT + instrument - 1] : 0);
    double total_v = weigh(curve, shape, instrument, per, gain) + scatter_v(curve, shape, per, extraction) + noise_v;

    for (int i = 0; i < curve->count; i++)
        curve->of[i] += gain[i] / total_v * error;
    for (int i = 0; i < curve->count; i++)
        for (int k = 0; k < curve->count; k++)
            curve->v[i][k] -= gain[i] * gain[k] / total_v;
    /* so much of the error, and of one degree of freedom, is the cup's own scatter */
    curve->squares += squared(error / per) * spread_v / total_v;
    curve->freedom += spread_v / total_v;
}
