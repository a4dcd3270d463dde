/* What the store keeps in memory between commits: which brew is under way where, the readings of the
 * last minutes, and all that waits to be written.  It touches no file (store_write does). */
#include "store_parts.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

/* What led up to a brew is kept with it, so that whoever reads it again sees the cup set down: nobody lets an empty
 * cup stand longer before dosing (common practice, no source).  The trace that is shown opens later: brew_trace. */
static const int64_t LEAD_US = 60 * 1000000LL;

/* A brew says that it began at a time that lies in the past: coffee is weighed, water comes, and only
 * then is it sure.  Three minutes are longer than any dose and bloom take (common practice, no source). */
static const int64_t REMEMBERED_US = 180 * 1000000LL + 60 * 1000000LL;

/* Where nothing is brewed only the progress moves; writing it seldom spares the disk, and to ask the
 * journal for one more minute costs nothing. */
static const int64_t PROGRESS_EVERY_US = 60 * 1000000LL;

enum {
    RING_FIRST = 256,   /* rows; grows twofold */
    RING_MOST = 1 << 18 /* rows of one station: a thousand a second for four minutes */
};

/* --- rows and rings --- */

static int row_push(struct store *store, const struct store_row *row, int brew)
{
    if (store->row_count == store->row_size) {
        size_t size = store->row_size ? 2 * store->row_size : 1024;
        struct store_row *rows = realloc(store->rows, size * sizeof *rows);

        if (!rows)
            return -ENOMEM;
        store->rows = rows;
        store->row_size = size;
    }
    store->rows[store->row_count] = *row;
    store->rows[store->row_count++].brew = brew;
    return 0;
}

static struct store_row *ring_at(struct store_station *station, size_t place)
{
    return &station->ring[(station->first + place) & (station->size - 1)];
}

static void ring_forget(struct store_station *station, int64_t before_mono_us)
{
    while (station->count && ring_at(station, 0)->mono_us < before_mono_us) {
        station->first = (station->first + 1) & (station->size - 1);
        station->count--;
    }
}

static int ring_push(struct store_station *station, const struct store_row *row)
{
    ring_forget(station, row->mono_us - REMEMBERED_US);
    if (station->count == station->size && station->size < RING_MOST) {
        size_t size = station->size ? 2 * station->size : RING_FIRST;
        struct store_row *ring = malloc(size * sizeof *ring);

        if (!ring)
            return -ENOMEM;
        for (size_t i = 0; i < station->count; i++)
            ring[i] = *ring_at(station, i);
        free(station->ring);
        station->ring = ring;
        station->size = size;
        station->first = 0;
    }
    if (station->count == station->size) {
        station->first = (station->first + 1) & (station->size - 1);
        station->count--;
    }
    *ring_at(station, station->count++) = *row;
    return 0;
}

static bool belongs(const struct store_brew *brew, const struct store_row *row)
{
    if (row->seq > brew->begin_seq)
        return true;
    return row->boot == brew->boot && row->mono_us + LEAD_US >= brew->began_mono_us;
}

static int claim_remembered(struct store *store, int brew)
{
    const struct store_brew *owner = &store->brews[brew];

    for (int i = 0; i < store->station_count; i++) {
        struct store_station *station = &store->stations[i];

        if (i != owner->station && (station->bench != owner->bench || station->name[0] != '\0'))
            continue;
        for (size_t place = 0; place < station->count; place++) {
            const struct store_row *row = ring_at(station, place);

            if (row->seq < owner->begin_seq && belongs(owner, row) && row_push(store, row, brew) < 0)
                return -ENOMEM;
        }
    }
    return 0;
}

/* --- messages --- */

static bool is_strength(enum quantity quantity)
{
    return quantity == QUANTITY_STRENGTH || quantity == QUANTITY_BRIX || quantity == QUANTITY_REFRACTIVE_INDEX;
}

static int row_claim(struct store *store, int station, const struct store_row *row)
{
    int brew = store->stations[station].brew;

    if (brew >= 0 && belongs(&store->brews[brew], row))
        return row_push(store, row, brew);
    return 0;
}

/* An instrument without a station serves every brew of its bench. */
static int apply_reading(struct store *store, const struct message *message, int bench, int boot)
{
    const struct message_reading *reading = &message->reading;
    int error, station, instrument = store_instrument_index(store, bench, reading);
    struct store_row row = {
        .seq = message->common.seq,
        .mono_us = message->common.mono_us,
        .time_us = message->common.time_us,
        .mantissa = reading->value.mantissa,
        .exponent = (int8_t)reading->value.exponent,
        .stable = (int8_t)reading->stable,
        .status = (int8_t)reading->status,
        .instrument = instrument,
        .boot = boot,
        .brew = -1,
    };

    if (instrument < 0)
        return instrument;
    if (is_strength(reading->quantity))
        return row_push(store, &row, -1);
    station = store->instruments[instrument].station;
    if (station < 0 || strcmp(store->stations[station].name, reading->station) != 0) {
        station = store_station_index(store, bench, reading->station);
        if (station < 0)
            return station;
        store->instruments[instrument].station = station;
    }
    error = ring_push(&store->stations[station], &row);
    if (reading->station[0] != '\0')
        return error ? error : row_claim(store, station, &row);
    for (int i = 0; i < store->station_count && !error; i++)
        if (store->stations[i].bench == bench)
            error = row_claim(store, i, &row);
    return error;
}

static int apply_brew(struct store *store, const struct message *message, int boot, int brew)
{
    struct store_brew *it = &store->brews[brew];
    struct store_station *station = &store->stations[it->station];

    switch (message->brew.change) {
    case BREW_BEGIN:
        it->boot = boot;
        it->began_mono_us = message->brew.at_us;
        it->begin_seq = message->common.seq;
        station->brew = brew;
        return claim_remembered(store, brew);
    case BREW_END:
    case BREW_DISCARD:
        if (station->brew == brew)
            station->brew = -1;
        return 0;
    case BREW_NOTE:
    case BREW_VERDICT:
        break;
    }
    return 0;
}

/* The brew an event is about, and its station; "": none. */
static const char *about(const struct message *message, const char **station)
{
    switch (message->kind) {
    case MESSAGE_BREW:
        *station = message->brew.station;
        return message->brew.brew;
    case MESSAGE_STAGE:
        *station = message->stage.station;
        return message->stage.brew;
    case MESSAGE_MEASURE:
        *station = message->measure.station;
        return message->measure.brew;
    case MESSAGE_WARNING:
        *station = message->warning.station;
        return message->warning.brew;
    case MESSAGE_CHECK:
        return message->check.brew;
    default:
        return "";
    }
}

static int event_push(struct store *store, const struct message *message, struct store_event event)
{
    if (store->event_count == store->event_size) {
        size_t size = store->event_size ? 2 * store->event_size : 16;
        struct store_event *events = realloc(store->events, size * sizeof *events);

        if (!events)
            return -ENOMEM;
        store->events = events;
        store->event_size = size;
    }
    event.message = *message;
    event.message.json = NULL;
    if (message->kind == MESSAGE_BREW && message->brew.plan_json && !event.gap_after) {
        event.plan_json = strdup(message->brew.plan_json);
        if (!event.plan_json)
            return -ENOMEM;
        event.message.brew.plan_json = event.plan_json;
    }
    store->events[store->event_count++] = event;
    return 0;
}

static int apply_event(struct store *store, const struct message *message, struct store_event event)
{
    const char *station_name = "", *name = about(message, &station_name);
    int station, error;

    event.brew = -1;
    if (name[0]) {
        station = store_station_index(store, event.bench, station_name);
        if (station < 0)
            return station;
        event.brew = store_brew_index(store, event.bench, station, name);
        if (event.brew < 0)
            return event.brew;
    }
    error = event_push(store, message, event);
    if (!error && message->kind == MESSAGE_BREW && event.brew >= 0)
        error = apply_brew(store, message, event.boot, event.brew);
    return error;
}

static void forget_remembered(struct store *store, int bench)
{
    for (int i = 0; i < store->station_count; i++)
        if (store->stations[i].bench == bench)
            store->stations[i].count = 0;
}

/* A message with a known number is one heard before, unless it is later than all that was heard. */
static bool numbers_over(const struct store_bench *bench, const struct message_common *common)
{
    return common->seq <= bench->last_seq && bench->latest_time_us && common->time_us > bench->latest_time_us;
}

static void bench_hears(struct store *store, int index, const struct message_common *common, int boot)
{
    struct store_bench *bench = &store->benches[index];

    if (numbers_over(bench, common)) {
        forget_remembered(store, index);
        for (int i = 0; i < store->station_count; i++) /* what was under way it has forgotten */
            if (store->stations[i].bench == index)
                store->stations[i].brew = -1;
        bench->restarted = true;
        bench->last_seq = common->seq;
    }
    if (bench->boot != boot) { /* mono_us of another boot says nothing about this one */
        forget_remembered(store, index);
        bench->boot = boot;
        bench->last_mono_us = common->mono_us;
        bench->progress_mono_us = INT64_MIN;
    }
    if (common->mono_us > bench->last_mono_us)
        bench->last_mono_us = common->mono_us;
    if (common->seq > bench->last_seq)
        bench->last_seq = common->seq;
    if (common->time_us > bench->latest_time_us)
        bench->latest_time_us = common->time_us;
    bench->fresh = true;
}

/* A restarted bench may leave numbers out; then it says so, and nothing is missing. */
static bool reports_skipped(const struct message *message)
{
    return message->kind == MESSAGE_WARNING && strcmp(message->warning.warning, "numbers-skipped") == 0;
}

/* A begin under the name of a brew that is known to have begun otherwise. */
static bool begins_another(const struct store *store, const struct message *message)
{
    if (message->kind != MESSAGE_BREW || message->brew.change != BREW_BEGIN)
        return false;
    for (int i = store->brew_count - 1; i >= 0; i--) {
        const struct store_brew *brew = &store->brews[i];

        if (strcmp(brew->name, message->brew.brew) == 0)
            return brew->begin_seq
                   && (strcmp(store->boots[brew->boot].name, message->common.boot) != 0
                       || !store_same_begin(brew->began_mono_us, message->brew.at_us));
    }
    return false;
}

int store_apply(struct store *store, const struct message *message, struct why *why)
{
    struct store_event event = { .brew = -1 };
    uint64_t had;
    int error = 0;

    if (message->kind == MESSAGE_STATE)
        return 0;
    /* what waits is of the earlier one, as long as it has the name */
    if (begins_another(store, message) && (error = store_write(store, why)) != 0)
        return error == -ESTALE ? error : -EAGAIN;
    if (message->common.mono_us < 0 || message->common.mono_us > INT64_MAX / 2)
        return why_set(why, -EINVAL, "message %llu of %s has an impossible time",
                       (unsigned long long)message->common.seq, message->common.bench);
    event.bench = store_bench_index(store, message->common.bench);
    event.boot = store_boot_index(store, message->common.boot);
    if (event.bench < 0 || event.boot < 0)
        return why_set(why, -ENOMEM, "out of memory for what the bench sends");
    had = store->benches[event.bench].last_seq;
    if (had && message->common.seq > had + 1 && had < store->gone && !reports_skipped(message)) {
        event.gap_after = had;
        error = event_push(store, message, event);
        event.gap_after = 0;
    }
    bench_hears(store, event.bench, &message->common, event.boot);
    if (!error)
        error = message->kind == MESSAGE_READING ? apply_reading(store, message, event.bench, event.boot)
                                                 : apply_event(store, message, event);
    if (error == -ENOSPC)
        return why_set(why, error, "more than %d stations on one bench", STORE_STATIONS_MOST);
    if (error)
        return why_set(why, error, "out of memory for what the bench sends");
    return message->kind != MESSAGE_READING;
}

void store_gone(struct store *store, uint64_t seq)
{
    store->gone = seq;
}

uint64_t store_whole_until(const struct store *store, int bench)
{
    uint64_t whole = store->benches[bench].last_seq;

    for (int i = 0; i < store->station_count; i++) {
        struct store_station *station = &store->stations[i];

        if (station->bench != bench)
            continue;
        ring_forget(station, store->benches[bench].last_mono_us - REMEMBERED_US);
        if (station->count && ring_at(station, 0)->seq <= whole)
            whole = ring_at(station, 0)->seq - 1;
    }
    return whole;
}

int store_commit(struct store *store, struct why *why)
{
    bool due = store->event_count || store->row_count;
    int error;

    for (int i = 0; i < store->bench_count && !due; i++) {
        const struct store_bench *bench = &store->benches[i];
        int64_t since;

        due = bench->fresh
              && (__builtin_sub_overflow(bench->last_mono_us, bench->progress_mono_us, &since)
                  || since >= PROGRESS_EVERY_US);
    }
    if (due && (error = store_write(store, why)) != 0)
        return error;
    if (!store->said.text[0])
        return 0;
    *why = store->said;
    store->said.text[0] = '\0';
    return 1;
}
