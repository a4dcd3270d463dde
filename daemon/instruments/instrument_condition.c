/* What is known and said of one instrument: its condition, its lines in the log, and the end of its memory.  Below all
 * others of the room: it calls none of them. */
#include "instrument_parts.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "poise/program.h"

enum {
    SAY_AT_ONCE = 6,        /* log lines: a plug that is pulled and put back takes four */
    SAY_EVERY_US = 10000000 /* after that, one in ten seconds */
};

static const char *const condition_names[] = { "searching", "found", "ready", "silent", "flooded", "lost", "refused" };

/* A port that is not there yet is as lost as one that went. */
static const enum instrument_change changes[] = { INSTRUMENT_LOST,   INSTRUMENT_FOUND,   INSTRUMENT_READY,
                                                  INSTRUMENT_SILENT, INSTRUMENT_FLOODED, INSTRUMENT_LOST,
                                                  INSTRUMENT_REFUSED };

const char *instrument_condition_name(enum instrument_condition condition)
{
    return condition_names[condition];
}

void instrument_condition_begin(struct instrument *instrument)
{
    instrument->state_left = SAY_AT_ONCE;
    instrument->reported_us = clock_now(instrument->all->clock).mono_us;
}

void instruments_handle_closed(struct instruments *all)
{
    if (--all->handles == 0 && all->closing)
        free(all);
}

void instrument_free(struct instrument *instrument)
{
    if (!instrument)
        return;
    if (instrument->state && instrument->driver->release)
        instrument->driver->release(instrument->state);
    free(instrument->state);
    free(instrument->beside);
    free(instrument);
}

void instrument_handle_closed(struct instrument *instrument)
{
    struct instruments *all = instrument->all;

    if (--instrument->handles == 0 && instrument->dropped)
        instrument_free(instrument);
    instruments_handle_closed(all);
}

void instrument_message(struct instrument *instrument, const char *text)
{
    int64_t now_us = clock_now(instrument->all->clock).mono_us,
            earned = (now_us - instrument->reported_us) / SAY_EVERY_US;
    char more[40] = "";

    if (earned > 0) {
        instrument->state_left =
            earned > SAY_AT_ONCE - instrument->state_left ? SAY_AT_ONCE : instrument->state_left + (int)earned;
        instrument->reported_us = now_us;
    }
    if (instrument->state_left == 0) {
        instrument->unsaid++;
        return;
    }
    instrument->state_left--;
    if (instrument->unsaid)
        snprintf(more, sizeof more, " (%d lines left out)", instrument->unsaid);
    instrument->unsaid = 0;
    program_message("%s: %s%s", instrument->config->name, text, more);
}

void instrument_change(struct instrument *instrument, enum instrument_condition condition, const char *detail)
{
    char line[DETAIL_SIZE];

    if (instrument->condition == condition && strcmp(instrument->detail, detail) == 0)
        return;
    instrument->condition = condition;
    snprintf(instrument->detail, sizeof instrument->detail, "%s", detail);
    snprintf(line, sizeof line, "%s: %s", condition_names[condition], instrument->detail);
    instrument_message(instrument, line);
    if (instrument->all->sink.context)
        instrument->all->sink.changed(instrument->all->sink.context, instrument->place, changes[condition],
                                      instrument->detail);
}
