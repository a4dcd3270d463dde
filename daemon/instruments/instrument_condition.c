/* What is known and reported of one instrument: its condition, its silence, its lines in the log, and the end of its
 * memory.  Below all others of the room: it calls none of them. */
#include "instrument_parts.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "poise/program.h"

enum {
    SAY_AT_ONCE = 6,         /* log lines: a plug that is pulled and put back takes four */
    SAY_EVERY_US = 10000000, /* after that, one in ten seconds */

    TRIAL_US = 1000000 /* so long without a flood, and it is over */
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

/* ---- silence: one lazy timer for all, nothing to be set per reading ---- */

static void fall_silent(struct instrument *instrument, int64_t now_us)
{
    double silent_s = (double)(now_us - instrument->rhythm.latest_us) / 1e6;
    char text[DETAIL_SIZE / 2];

    if (instrument->rejects_in_row)
        snprintf(text, sizeof text, "no reading for %.0f s, but %u lines that were not understood", silent_s,
                 instrument->rejects_in_row);
    else
        snprintf(text, sizeof text, "no reading for %.0f s; is it switched on?", silent_s);
    rhythm_begin(&instrument->rhythm, instrument->rhythm.latest_us);
    instrument_change(instrument, CONDITION_SILENT, text);
}

static int64_t silent_us(const struct instrument *instrument)
{
    return rhythm_silent_us(&instrument->rhythm, instrument->asked, instrument->all->clock->rate);
}

static void on_silence(uv_timer_t *timer);

static void arm_silence(struct instruments *all, int64_t wait_us)
{
    if (!all->closing)
        uv_timer_start(&all->silence, on_silence, clock_real_ms(all->clock, wait_us) + 1, 0);
}

static void on_silence(uv_timer_t *timer)
{
    struct instruments *all = timer->data;
    int64_t now_us = clock_now(all->clock).mono_us, earliest_us = INT64_MAX;

    for (int i = 0; i < all->count; i++) {
        struct instrument *instrument = all->list[i];
        int64_t then_us = silent_us(instrument);

        if (instrument->condition != CONDITION_READY)
            continue;
        if (then_us <= now_us)
            fall_silent(instrument, now_us);
        else if (then_us < earliest_us)
            earliest_us = then_us;
    }
    if (earliest_us < INT64_MAX)
        arm_silence(all, earliest_us - now_us);
}

void instruments_slept(struct instruments *all, int64_t slept_us)
{
    for (int i = 0; i < all->count; i++)
        all->list[i]->rhythm.latest_us += slept_us;
}

/* The first reading after anything else than readings. */
static void replies_again(struct instrument *instrument, int64_t now_us)
{
    if (instrument->condition == CONDITION_FLOODED
        && (double)(now_us - instrument->rested_us) < TRIAL_US * instrument->all->clock->rate)
        return;
    instrument_change(instrument, CONDITION_READY, "readings arrive");
}

void instrument_heard(struct instrument *instrument, int64_t now_us)
{
    rhythm_reading(&instrument->rhythm, now_us);
    instrument->rejects_in_row = 0;
    if (instrument->makes_no_sense) {
        instrument->makes_no_sense = false;
        instrument_message(instrument, "is understood again");
    }
    if (instrument->condition != CONDITION_READY)
        replies_again(instrument, now_us);
    if (!uv_is_active((uv_handle_t *)&instrument->all->silence) && silent_us(instrument) < INT64_MAX)
        arm_silence(instrument->all, silent_us(instrument) - now_us);
}
