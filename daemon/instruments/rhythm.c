/* See rhythm.h. */
#include "rhythm.h"

enum {
    SILENT_US = 3000000,        /* scales report 2 to 20 times a second: six reports or more are missing */
    SILENT_INTERVALS = 4,       /* the slow ones get so many of their own intervals */
    SILENT_ASKED_US = 60000000, /* "no answer" means "still moving", and hands are on it for a minute at most */
    SILENT_REAL_US = 1000000,   /* on a fast clock: a busy machine may well hold up lines that long */

    /* A flapping one is reported silent again only after it has found its rhythm again. */
    REGULAR_US = 2000000,
    REGULAR_ENOUGH = 5,

    RATE_LATELY_US = 1000000 /* beyond its own intervals */
};

void rhythm_begin(struct rhythm *rhythm, int64_t now_us)
{
    *rhythm = (struct rhythm){ .latest_us = now_us };
}

void rhythm_reading(struct rhythm *rhythm, int64_t now_us)
{
    int64_t interval_us = now_us - rhythm->latest_us;

    if (interval_us > REGULAR_US)
        rhythm->regular = 0;
    else if (rhythm->regular < REGULAR_ENOUGH)
        rhythm->regular++;
    if (rhythm->any)
        rhythm->interval_us += rhythm->interval_us ? (interval_us - rhythm->interval_us) / 8 : interval_us;
    rhythm->any = true;
    rhythm->latest_us = now_us;
}

int64_t rhythm_silent_us(const struct rhythm *rhythm, bool asked, double rate)
{
    int64_t least_us = (int64_t)(SILENT_REAL_US * rate);
    int64_t patience_us = SILENT_US;

    if (asked)
        patience_us = SILENT_ASKED_US;
    else if (rhythm->regular < REGULAR_ENOUGH)
        return INT64_MAX;
    else if (rhythm->interval_us * SILENT_INTERVALS > patience_us)
        patience_us = rhythm->interval_us * SILENT_INTERVALS;
    return rhythm->latest_us + (patience_us < least_us ? least_us : patience_us);
}

double rhythm_hz(const struct rhythm *rhythm, int64_t now_us)
{
    bool lately = now_us - rhythm->latest_us < SILENT_INTERVALS * rhythm->interval_us + RATE_LATELY_US;

    return rhythm->interval_us > 0 && lately ? 1e6 / (double)rhythm->interval_us : 0;
}
