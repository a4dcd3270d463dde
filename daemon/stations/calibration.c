/* A line through an instrument's checks; see calibration.h. */
#include "calibration.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

const double CALIBRATION_MOST = 0.02;

/* What is known of the references themselves: a weight of a kitchen's set is within 0.05 % (OIML R 111-1, class M3,
 * from memory), a solution weighed out on a bench scale within 0.05 degrees Brix; either way a bound (JCGM 100, 4.3.7).
 */
static const double WEIGHT_SHARE = 5e-4, SOLUTION_BRIX = 0.05;

/* Points that lie nearer together than this say nothing of a slope. */
static const double APART_G = 20, APART_BRIX = 3;

/* The scatter of few points is known no better than the last digit's, counted as so many more. */
static const double DIGIT_WORTH = 2;

struct calibration *calibration_of(struct calibration *all, const char *instrument, bool make)
{
    for (int i = 0; i < CALIBRATIONS; i++) {
        if (strcmp(all[i].instrument, instrument) == 0)
            return &all[i];
        if (!all[i].instrument[0]) {
            if (!make)
                return NULL;
            all[i] = (struct calibration){ .count = 0 };
            snprintf(all[i].instrument, NAME_SIZE, "%s", instrument);
            return &all[i];
        }
    }
    return NULL;
}

void calibration_add(struct calibration *calibration, const struct calibration_point *point, bool mass)
{
    calibration->mass = mass;
    if (calibration->count == CALIBRATION_POINTS)
        memmove(calibration->point, calibration->point + 1, sizeof *point * (size_t)--calibration->count);
    calibration->point[calibration->count++] = *point;
}

/* The line as it is, however far from 1; false: there is none. */
static bool fit(const struct calibration *calibration, struct calibration_line *out)
{
    double n = calibration->count, x = 0, y = 0, xx = 0, xy = 0, rest = 0, digit = 0, least = INFINITY,
           most = -INFINITY;
    double variance, reference_u;

    for (int i = 0; i < calibration->count; i++) {
        x += calibration->point[i].reference / n;
        y += calibration->point[i].shown / n;
        least = fmin(least, calibration->point[i].reference);
        most = fmax(most, calibration->point[i].reference);
        digit = fmax(digit, calibration->point[i].resolution);
    }
    if (!(most - least >= (calibration->mass ? APART_G : APART_BRIX)))
        return false;
    for (int i = 0; i < calibration->count; i++) {
        xx += pow(calibration->point[i].reference - x, 2);
        xy += (calibration->point[i].reference - x) * (calibration->point[i].shown - y);
    }
    out->slope = xy / xx;
    out->offset = y - out->slope * x;
    for (int i = 0; i < calibration->count; i++)
        rest += pow(calibration->point[i].shown - out->offset - out->slope * calibration->point[i].reference, 2);
    variance = (rest + DIGIT_WORTH * digit * digit / 6) / (n - 2 + DIGIT_WORTH);
    out->residual = sqrt(variance);
    reference_u = (calibration->mass ? WEIGHT_SHARE : SOLUTION_BRIX / (most - least)) / sqrt(3);
    out->slope_u = hypot(sqrt(variance / xx), reference_u);
    return true;
}

bool calibration_line(const struct calibration *calibration, struct calibration_line *out)
{
    struct calibration_line line;

    if (!fit(calibration, &line) || fabs(line.slope - 1) > CALIBRATION_MOST)
        return false;
    *out = line;
    return true;
}

void calibration_words(const struct calibration *calibration, char *out, size_t size)
{
    struct calibration_line line;
    char date[32] = "";
    time_t seconds = calibration->count ? (time_t)(calibration->point[0].time_us / 1000000) : 0;
    struct tm local;

    if (localtime_r(&seconds, &local))
        strftime(date, sizeof date, "%Y-%m-%d", &local);
    if (!fit(calibration, &line))
        snprintf(out, size, "a second point is missing for a calibration: %s",
                 calibration->mass ? "check mass 0 with nothing on it, and another weight"
                                   : "check brix 0 after water was read, and a sugar solution");
    else if (fabs(line.slope - 1) > CALIBRATION_MOST)
        snprintf(
            out, size,
            "it shows %.4f of what it bears: more than %.0f %% off, which no calibration mends. Is it the right %s? "
            "Nothing is corrected",
            line.slope, 100 * CALIBRATION_MOST, calibration->mass ? "weight" : "solution");
    else
        snprintf(out, size, "it shows %.5f ± %.5f of what it bears, by %d checks since %s (residual %.2g): %s",
                 line.slope, line.slope_u, calibration->count, date, line.residual,
                 calibration->applied ? "its readings are corrected by that from now on"
                                      : "calibration = yes in its section of the configuration applies that");
}

/* ---- all of a bench's ---- */

static bool in_force(const struct calibration *all, const char *instrument, const struct calibration **which,
                     struct calibration_line *out)
{
    for (int i = 0; i < CALIBRATIONS && all[i].instrument[0]; i++)
        if (strcmp(all[i].instrument, instrument) == 0) {
            *which = &all[i];
            return all[i].applied && calibration_line(&all[i], out);
        }
    return false;
}

static double offset_of(const struct calibration *calibration, const struct calibration_line *line)
{
    return calibration->mass ? 0 : line->offset;
}

bool calibrations_correct(struct calibration *all, const struct instrument_config *instrument,
                          const struct reading *shown, struct reading *out)
{
    const struct calibration *calibration;
    struct calibration_line line;
    double value, digits;

    if (!instrument->calibrated || shown->status != READING_OK
        || (shown->quantity != QUANTITY_MASS && shown->quantity != QUANTITY_BRIX)
        || !in_force(all, instrument->name, &calibration, &line) || shown->value.exponent <= -17)
        return false;
    value = (decimal_to_double(shown->value) - offset_of(calibration, &line)) / line.slope;
    digits = value * pow(10, 1 - shown->value.exponent);
    if (!(fabs(digits) < 1e17))
        return false;
    *out = *shown;
    out->value = (struct decimal){ llround(digits), shown->value.exponent - 1 };
    return true;
}

double calibrations_raw(const struct calibration *all, const char *instrument, double value)
{
    const struct calibration *calibration;
    struct calibration_line line;

    return in_force(all, instrument, &calibration, &line) ? offset_of(calibration, &line) + line.slope * value : value;
}

double calibrations_u(const struct calibration *all, const char *instrument, double value)
{
    const struct calibration *calibration;
    struct calibration_line line;

    /* a mass is a difference, and of a strength water is subtracted: the offset goes, the slope stays */
    return in_force(all, instrument, &calibration, &line) ? fabs(value) * line.slope_u / line.slope : 0;
}

json_t *calibrations_save(const struct calibration *all)
{
    json_t *list = json_array();

    for (int i = 0; i < CALIBRATIONS && all[i].instrument[0]; i++) {
        json_t *points = json_array();

        for (int k = 0; k < all[i].count; k++)
            json_array_append_new(points, json_pack("[f,f,f,I]", all[i].point[k].reference, all[i].point[k].shown,
                                                    all[i].point[k].resolution, (json_int_t)all[i].point[k].time_us));
        json_array_append_new(
            list, json_pack("{s:s,s:b,s:o}", "instrument", all[i].instrument, "mass", all[i].mass, "points", points));
    }
    return list;
}

void calibrations_load(struct calibration *all, const json_t *json)
{
    const json_t *entry, *point;
    size_t i, k;

    json_array_foreach(json, i, entry)
    {
        const char *name = json_string_value(json_object_get(entry, "instrument"));
        struct calibration *one = name && name_valid(name) ? calibration_of(all, name, true) : NULL;

        if (!one)
            continue;
        one->count = 0;
        json_array_foreach(json_object_get(entry, "points"), k, point)
        {
            struct calibration_point read = { json_number_value(json_array_get(point, 0)),
                                              json_number_value(json_array_get(point, 1)),
                                              json_number_value(json_array_get(point, 2)),
                                              json_integer_value(json_array_get(point, 3)) };

            if (fabs(read.reference) <= 1e5 && fabs(read.shown) <= 2e5 && read.resolution > 0 && read.resolution <= 1e3)
                calibration_add(one, &read, json_is_true(json_object_get(entry, "mass")));
        }
    }
}
