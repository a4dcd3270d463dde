/* Requests about vessels: which the bench knows, and what people call them. */
#include <errno.h>
#include <string.h>

#include "control_parts.h"
#include "state.h"
#include "stations/cups.h"
#include "poise/text.h"

int control_vessels(struct request *request, struct why *why)
{
    struct text text = { 0 };

    state_write_vessels(&request->control->stations->vessels, &text);
    if (!(request->raw[request->raw_count].text = text_taken(&text)))
        return why_set(why, -ENOMEM, "not enough memory");
    request->raw[request->raw_count++].key = "vessels";
    return 0;
}

static int need_vessel(struct stations *stations, const char *name, int *out, struct why *why)
{
    if ((*out = vessels_find(&stations->vessels, name)) >= 0)
        return 0;
    return why_set(why, -ENOENT, "there is no vessel '%.40s'; `poise-ctl vessels` lists those that are known", name);
}

static int change(struct stations *stations, int vessel, const char *how, const char *name, struct why *why)
{
    struct vessel *one = &stations->vessels.all[vessel];

    if (strcmp(how, "rename") == 0)
        return name ? vessels_name(&stations->vessels, vessel, name, why)
                    : why_set(why, -EINVAL, "\"name\" is missing: what %s is called from now on", one->name);
    if (strcmp(how, "forget") == 0) {
        if (one->configured)
            return why_set(why, -EINVAL, "%s stands in the configuration: take [cup %s] out of it", one->name,
                           one->name);
        vessels_forget(&stations->vessels, vessel);
        return 0;
    }
    for (int role = VESSEL_CUP; role < VESSEL_ROLES; role++)
        if (strcmp(how, vessel_role_name((enum vessel_role)role)) == 0) {
            one->role = (enum vessel_role)role;
            return 0;
        }
    return why_set(why, -EINVAL, "\"how\" is rename, cup, brewer or forget; left out, it is what stands on the scale");
}

int control_vessel(struct request *request, struct why *why)
{
    struct stations *stations = request->control->stations;
    const char *vessel, *how, *name;
    int which, error;

    if ((error = control_string(request, "vessel", &vessel, why)) != 0
        || (error = control_string(request, "how", &how, why)) != 0
        || (error = control_string(request, "name", &name, why)) != 0)
        return error;
    if (!vessel || !name_valid(vessel))
        return why_set(why, -EINVAL, "\"vessel\" is its name: 1 to 32 of a-z, 0-9 and -");
    if (!how) {
        if ((error = control_station(request, &which, why)) != 0)
            return error;
        return cups_name(stations, which, vessel, request->now, why);
    }
    if ((error = need_vessel(stations, vessel, &which, why)) != 0
        || (error = change(stations, which, how, name, why)) != 0)
        return error;
    stations->vessels_changed = stations->state_changed = true;
    return 0;
}
