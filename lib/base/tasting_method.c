/* The methods of blind tasting by name; see poise/tasting_method.h. */
#include "poise/tasting_method.h"

#include <string.h>

static const char *const names[TASTING_METHOD_COUNT] = {
    [TASTING_TRIANGLE] = "triangle", [TASTING_TWO_OF_FIVE] = "two-of-five", [TASTING_DUO_TRIO] = "duo-trio",
    [TASTING_PAIRED] = "paired",     [TASTING_RANKING] = "ranking",
};

const char *tasting_method_name(enum tasting_method method)
{
    return names[method];
}

int tasting_method_find(const char *name)
{
    for (int method = 0; method < TASTING_METHOD_COUNT; method++)
        if (strcmp(names[method], name) == 0)
            return method;
    return -1;
}
