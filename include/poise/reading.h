/* One indication of one instrument. */
#ifndef POISE_READING_H
#define POISE_READING_H

#include <stdint.h>

#include "poise/decimal.h"
#include "poise/units.h"

#pragma GCC visibility push(default)

enum reading_status { READING_OK, READING_OVERLOAD, READING_UNDERLOAD, READING_FAULT };

/* "ok", "overload", "underload", "fault" */
const char *reading_status_name(enum reading_status status);

enum { READING_DETAIL_SIZE = 24 };

struct reading {
    enum quantity quantity;
    enum reading_status status;
    signed char stable;               /* 1 stable, 0 moving, -1 the instrument does not say */
    signed char net;                  /* 1 net, 0 gross, -1 not said */
    enum unit unit;                   /* as shown */
    struct decimal shown;             /* as shown; only with READING_OK */
    char detail[READING_DETAIL_SIZE]; /* the instrument's own words for a fault: "Err 002"; or what is to be known of
                                       * a value: "temp-out-of-range"; may be empty */

    /* filled by the daemon, not by a driver */
    struct decimal value; /* in the bus unit of the quantity */
    double resolution;    /* worth of the last digit shown, in the bus unit */
    int64_t mono_us;      /* when its last byte arrived */
};

#pragma GCC visibility pop

#endif
