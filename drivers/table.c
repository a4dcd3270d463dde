/* The driver table: one row per driver; and the names of what a driver rejects. */
#include "driver.h"

#include <string.h>

const struct driver *const drivers[] = {
    &line_driver, &hid_scale_driver, &hid_keyboard_driver, &modbus_driver, NULL,
};

static const char *const reject_names[REJECT_COUNT] = {
    [REJECT_FIRST] = "first",
    [REJECT_GRAMMAR] = "grammar",
    [REJECT_NUMBER] = "number",
    [REJECT_AMBIGUOUS_COMMA] = "ambiguous-comma",
    [REJECT_UNIT] = "unit",
    [REJECT_HIGH_BIT] = "high-bit",
    [REJECT_CONTROL] = "control",
    [REJECT_OVERLONG] = "overlong",
    [REJECT_CHECKSUM] = "checksum",
    [REJECT_RANGE] = "range",
    [REJECT_STATUS] = "status",
    [REJECT_EXPIRED] = "expired",
    [REJECT_OTHER_REPORT] = "other-report",
};

const struct driver *driver_find(const char *name)
{
    for (const struct driver *const *driver = drivers; *driver; driver++)
        if (strcmp((*driver)->name, name) == 0)
            return *driver;
    return NULL;
}

const char *reject_name(enum reject reject)
{
    return reject_names[reject];
}
