/* The names of the methods; see tasting_method.h. */
#include "poise/tasting_method.h"

#include <string.h>

static const char *const names[TASTING_METHOD_COUNT] = {
    [TASTING_TRIANGLE] = "triangle", [TASTING_TWO_OF_FIVE] = "two-of-five", [TASTING_DUO_TRIO] = "duo-trio",
    [TASTING_TETRAD] = "tetrad",     [TASTING_DIRECTIONAL] = "directional", [TASTING_PREFERENCE] = "preference",
    [TASTING_RANKING] = "ranking",   [TASTING_DEGREE] = "degree",
};

const char *tasting_method_name(enum tasting_method method)
{
    return names[method];
}

int tasting_method_find(const char *name)
{
    if (strcmp(name, "paired") == 0)
        return TASTING_PREFERENCE;
    for (int method = 0; method < TASTING_METHOD_COUNT; method++)
        if (strcmp(name, names[method]) == 0)
            return method;
    return -1;
}

bool tasting_method_has_right(enum tasting_method method)
{
    return method <= TASTING_TETRAD;
}
