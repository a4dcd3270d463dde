/* An instrument is shown something known: a check weight, a sugar solution. */
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "control_parts.h"
#include "stations/strength.h"
#include "stations/watch.h"

/* The scale still shows it, at rest. */
static const int64_t SHOWN_US = 5000000;

/* Where what is shown is further off than this share of what it should be, it is another weight. */
static const double OTHER_SHARE = 0.2;

/* Nothing on it: so near zero. */
static const double NOTHING_G = 20;

/* What was shown of what, for the calibration. */
struct shown {
    const char *instrument;
    double value, resolution;
    bool calibrates; /* it says something of the instrument, and not of the conversion to strength */
};

static int check_mass(struct request *request, double mass_g, struct shown *out, struct why *why)
{
    struct stations *stations = request->control->stations;
    struct message_check check = { .check = mass_g > 0 ? CHECK_MASS : CHECK_ZERO, .reference = mass_g };
    const struct station *station;
    int which, error = control_station(request, &which, why);

    if (error)
        return error;
    station = &stations->all[which];
    if (!station->scale[0])
        return why_set(why, -EINVAL, "station %s has no scale", station->config.name);
    if (station_running(stations, which))
        return why_set(why, -EINVAL, "a brew is running on station %s: check its scale when that is over",
                       station->config.name);
    if (!station->shown_us || request->now.mono_us - station->shown_us > SHOWN_US)
        return why_set(why, -EINVAL,
                       "%s has no steady reading: put the weight on it and wait until the reading is steady",
                       station->scale);
    if (fabs(station->shown_g - mass_g) > fmax(OTHER_SHARE * mass_g, mass_g > 0 ? 0 : NOTHING_G))
        return why_set(why, -EINVAL, "%s shows %.10g g, which is no weight of %.10g g: zero it, put only the weight on",
                       station->scale, station->shown_g, mass_g);
    check.value = calibrations_raw(stations->calibrations, station->scale, station->shown_g);
    strcpy(check.instrument, station->scale);
    *out = (struct shown){ station->scale, check.value, station->shown_resolution_g, true };
    watch_take(stations, &check, station->shown_resolution_g, request->now);
    return 0;
}

/* Adds it to the instrument's calibration, and says what that amounts to now. */
static void calibrate(struct request *request, const struct shown *shown, double reference, bool mass)
{
    struct stations *stations = request->control->stations;
    struct message message = { .kind = MESSAGE_INSTRUMENT };
    struct calibration *calibration = calibration_of(stations->calibrations, shown->instrument, true);
    char *detail = message.instrument.detail;

    if (!shown->calibrates) {
        snprintf(
            detail, DETAIL_SIZE,
            "it shows strength, by a factor from Brix that is its maker's own (0.79 to 0.87): a sugar solution shows "
            "whether it changed, and cannot calibrate it");
    } else if (!calibration) {
        snprintf(detail, DETAIL_SIZE, "no more than %d instruments can be calibrated", CALIBRATIONS);
    } else {
        calibration_add(calibration,
                        &(struct calibration_point){ reference, shown->value, shown->resolution, request->now.time_us },
                        mass);
        calibration_words(calibration, detail, DETAIL_SIZE);
        stations->calibrations_changed = true;
        strcpy(message.instrument.instrument, shown->instrument);
        message.instrument.change = INSTRUMENT_CALIBRATED;
        stations->emit(stations->context, &message);
    }
    json_object_set_new(request->reply, "calibration", json_string(detail));
}

int control_check(struct request *request, struct why *why)
{
    const json_t *value = json_object_get(request->json, "value");
    double reference = json_is_number(value) ? json_number_value(value) : NAN;
    struct shown shown = { .instrument = NULL };
    const char *what;
    int error = control_string(request, "what", &what, why);
    bool mass = what && strcmp(what, "mass") == 0;

    if (error)
        return error;
    if (!mass && (!what || strcmp(what, "brix") != 0))
        return why_set(why, -EINVAL, "\"what\" is mass, a check weight in grams, or brix, a sugar solution");
    if (!(reference >= 0 && reference <= (mass ? 100000 : 95)))
        return why_set(why, -EINVAL, "\"value\" is what it should show: %s",
                       mass ? "grams, 0 (nothing on it) to 100000" : "degrees Brix, 0 (water) to 95");
    error = mass ? check_mass(request, reference, &shown, why)
                 : strength_check_brix(request->control->stations, reference, request->now, &shown.value,
                                       &shown.resolution, &shown.instrument, &shown.calibrates, why);
    if (error)
        return error;
    json_object_set_new(request->reply, "shown", json_real(shown.value));
    json_object_set_new(request->reply, "off", json_real(shown.value - reference));
    json_object_set_new(request->reply, "instrument", json_string(shown.instrument));
    calibrate(request, &shown, reference, mass);
    return 0;
}
