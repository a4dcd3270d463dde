/* The driver table: one row per driver. */
#include "driver.h"

#include <string.h>

const struct driver *const drivers[] = {
    NULL,
};

const struct driver *driver_find(const char *name)
{
    for (const struct driver *const *driver = drivers; *driver; driver++)
        if (strcmp((*driver)->name, name) == 0)
            return *driver;
    return NULL;
}
