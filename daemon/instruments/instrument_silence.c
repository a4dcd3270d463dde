/* When an instrument that spoke regularly stops: one lazy timer for all, nothing to set per reading. */
#include "instrument_parts.h"

#include <stdio.h>

enum {
    SILENT_US = 3000000,        /* scales report 2 to 20 times a second: six reports or more are missing */
    SILENT_INTERVALS = 4,       /* the slow ones get so many of their own intervals */
    SILENT_ASKED_US = 60000000, /* "no answer" means "still moving", and hands are on it for a minute at most */
    SILENT_REAL_US = 1000000,   /* on a fast clock: a busy machine may well hold up lines that long */

    /* An instrument that speaks when a key is pressed is never silent: only a rhythm can break off.  So a
     * flapping one is said to be silent again only after it has found its rhythm again. */
    REGULAR_US = 2000000,
    REGULAR_ENOUGH = 5,

    TRIAL_US = 1000000 /* so long without a flood, and it is over */
};

/* 0: no silence of it means anything. */
static int64_t patience_us(const struct instrument *instrument)
{
    double least = SILENT_REAL_US * instrument->all->clock->rate;
    int64_t patience = SILENT_US;

    if (instrument->asked)
        patience = SILENT_ASKED_US;
    else if (instrument->regular < REGULAR_ENOUGH)
        return 0;
    else if (instrument->interval_us * SILENT_INTERVALS > patience)
        patience = instrument->interval_us * SILENT_INTERVALS;
    return patience < (int64_t)least ? (int64_t)least : patience;
}

static void fall_silent(struct instrument *instrument, int64_t now_us)
{
    char text[DETAIL_SIZE / 2];

    if (instrument->rejects_in_row)
        snprintf(text, sizeof text, "no reading for %.0f s, but %u lines that made no sense",
                 (double)(now_us - instrument->reading_us) / 1e6, instrument->rejects_in_row);
    else
        snprintf(text, sizeof text, "no reading for %.0f s; is it switched on?",
                 (double)(now_us - instrument->reading_us) / 1e6);
    instrument->regular = 0;
    instrument->interval_us = 0;
    instrument_change(instrument, CONDITION_SILENT, text);
}

static void arm(struct instruments *all, int64_t wait_us)
{
    if (!all->closing)
        uv_timer_start(&all->silence, silence_check, clock_real_ms(all->clock, wait_us) + 1, 0);
}

void silence_check(uv_timer_t *timer)
{
    struct instruments *all = timer->data;
    int64_t now_us = clock_now(all->clock).mono_us, earliest_us = INT64_MAX;

    for (int i = 0; i < all->count; i++) {
        struct instrument *instrument = all->list[i];
        int64_t patience = patience_us(instrument), left_us;

        if (instrument->condition != CONDITION_READY || patience == 0)
            continue;
        left_us = instrument->reading_us + patience - now_us;
        if (left_us <= 0)
            fall_silent(instrument, now_us);
        else if (left_us < earliest_us)
            earliest_us = left_us;
    }
    if (earliest_us < INT64_MAX)
        arm(all, earliest_us);
}

void instruments_slept(struct instruments *all, int64_t slept_us)
{
    for (int i = 0; i < all->count; i++)
        all->list[i]->reading_us += slept_us;
}

/* The first reading after anything else than readings. */
static void replies_again(struct instrument *instrument, int64_t now_us)
{
    if (instrument->condition == CONDITION_FLOODED
        && (double)(now_us - instrument->rested_us) < TRIAL_US * instrument->all->clock->rate)
        return;
    instrument_change(instrument, CONDITION_READY, "readings arrive");
}

void silence_heard(struct instrument *instrument, int64_t now_us)
{
    int64_t interval_us = now_us - instrument->reading_us;

    instrument->reading_us = now_us;
    instrument->rejects_in_row = 0;
    if (instrument->makes_no_sense) {
        instrument->makes_no_sense = false;
        instrument_message(instrument, "makes sense again");
    }
    if (interval_us > REGULAR_US)
        instrument->regular = 0;
    else if (instrument->regular < REGULAR_ENOUGH)
        instrument->regular++;
    if (instrument->has_last)
        instrument->interval_us += instrument->interval_us ? (interval_us - instrument->interval_us) / 8 : interval_us;
    if (instrument->condition != CONDITION_READY)
        replies_again(instrument, now_us);
    if (!uv_is_active((uv_handle_t *)&instrument->all->silence) && patience_us(instrument) > 0)
        arm(instrument->all, patience_us(instrument));
}
