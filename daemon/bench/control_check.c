/* An instrument is shown something known: a check weight, a sugar solution. */
#include <errno.h>
#include <math.h>
#include <string.h>

#include "control_parts.h"
#include "stations/strength.h"
#include "stations/watch.h"

/* The scale still shows it, at rest. */
static const int64_t SHOWN_US = 5000000;

/* Where what is shown is further off than this share of what it should be, it is another weight. */
static const double OTHER_SHARE = 0.2;

static int check_mass(struct request *request, double mass_g, double *shown, const char **instrument, struct why *why)
{
    struct stations *stations = request->control->stations;
    struct message_check check = { .check = CHECK_MASS, .reference = mass_g };
    const struct station *station;
    int which, error = control_station(request, &which, why);

    if (error)
        return error;
    station = &stations->all[which];
    if (!station->scale[0])
        return why_set(why, -EINVAL, "station %s has no scale", station->config.name);
    if (!station->shown_us || request->now.mono_us - station->shown_us > SHOWN_US)
        return why_set(why, -EINVAL,
                       "%s has no steady reading: put the weight on it and wait until the reading is steady",
                       station->scale);
    if (fabs(station->shown_g - mass_g) > OTHER_SHARE * mass_g)
        return why_set(why, -EINVAL, "%s shows %.10g g, which is no weight of %.10g g: zero it, put only the weight on",
                       station->scale, station->shown_g, mass_g);
    check.value = *shown = station->shown_g;
    strcpy(check.instrument, station->scale);
    *instrument = station->scale;
    watch_take(stations, &check, station->shown_resolution_g, request->now);
    return 0;
}

int control_check(struct request *request, struct why *why)
{
    const json_t *value = json_object_get(request->json, "value");
    const char *what, *instrument = NULL;
    double shown, reference = json_is_number(value) ? json_number_value(value) : NAN;
    int error = control_string(request, "what", &what, why);
    bool mass = what && strcmp(what, "mass") == 0;

    if (error)
        return error;
    if (!mass && (!what || strcmp(what, "brix") != 0))
        return why_set(why, -EINVAL, "\"what\" is mass, a check weight in grams, or brix, a sugar solution");
    if (!(reference > 0 && reference <= (mass ? 100000 : 95)))
        return why_set(why, -EINVAL, "\"value\" is what it should show: %s",
                       mass ? "grams, above 0 to 100000" : "degrees Brix, above 0 to 95");
    error = mass ? check_mass(request, reference, &shown, &instrument, why)
                 : strength_check_brix(request->control->stations, reference, request->now, &shown, why);
    if (error)
        return error;
    json_object_set_new(request->reply, "shown", json_real(shown));
    json_object_set_new(request->reply, "off", json_real(shown - reference));
    if (instrument)
        json_object_set_new(request->reply, "instrument", json_string(instrument));
    return 0;
}
