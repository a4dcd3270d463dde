/* The units in which people read; see poise/shown_units.h. */
#include "poise/shown_units.h"

#include <errno.h>
#include <stdlib.h>

static int choose(const char *option, const char *variable, const char *value,
                  bool (*set)(const char *name, struct guide_units *out), const char *choices,
                  struct guide_units *units, bool *chosen, struct why *why)
{
    const char *name = value ? value : getenv(variable);

    *chosen = name && *name;
    if (!*chosen || set(name, units))
        return 0;
    return why_set(why, -EINVAL, "%s %s: %s", value ? option : variable, name, choices);
}

int shown_units_choose(const char *pressure, const char *temperature, struct shown_units *out, struct why *why)
{
    struct shown_units chosen = { { GUIDE_KPA, false }, false, false };
    int error = choose("--pressure", "POISE_PRESSURE", pressure, guide_units_pressure, "kpa, bar or psi", &chosen.units,
                       &chosen.pressure, why);

    if (!error)
        error = choose("--temperature", "POISE_TEMPERATURE", temperature, guide_units_temperature, "c or f",
                       &chosen.units, &chosen.temperature, why);
    if (!error)
        *out = chosen;
    return error;
}

struct guide_units shown_units_at(const struct shown_units *chosen, const struct guide_units *bench)
{
    struct guide_units units = bench ? *bench : (struct guide_units){ GUIDE_KPA, false };

    if (chosen->pressure)
        units.pressure = chosen->units.pressure;
    if (chosen->temperature)
        units.fahrenheit = chosen->units.fahrenheit;
    return units;
}
