/* Names of what an instrument may say of itself; see reading.h. */
#include "poise/reading.h"

const char *reading_status_name(enum reading_status status)
{
    static const char *const names[] = {
        [READING_OK] = "ok",
        [READING_OVERLOAD] = "overload",
        [READING_UNDERLOAD] = "underload",
        [READING_FAULT] = "fault",
    };

    return names[status];
}
