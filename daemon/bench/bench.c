/* The bench: numbers, publishes, journals; see bench.h.  What it takes back at the start is in
 * bench_restore.c. */
#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "bench_parts.h"
#include "identity.h"
#include "lock.h"
#include "instruments/plugged.h"
#include "poise/program.h"

enum {
    RESERVE_NUMBERS = 1000000 /* a kill skips at most so many; enough for a minute of 10,000 readings a second
                               * on a disk that takes nothing */
};

/* A new listener has the state at once; who subscribes without pause costs the others one a second. */
enum { STATES_AT_ONCE = 8, STATE_EVERY_MS = 1000 };

/* Each tracker is kept at least so often while readings arrive: what a restart has to read again.  They take
 * turns, so that a thousand of them cost neither a pause nor the memory of a second copy. */
static const int64_t SAVE_EVERY_US = 60000000;

/* ---- numbers and events ---- */

void bench_keep_numbers(struct bench *bench, uint64_t reserved, bool clean)
{
    char text[120];
    int length = snprintf(text, sizeof text, "{\"reserved\":%" PRIu64 ",\"clean\":%s,\"began_us\":%" PRId64 "}",
                          reserved, clean ? "true" : "false", bench->journal_began_us);

    journal_keep(bench->journal, "seq", text, (size_t)length);
}

void bench_reserve(struct bench *bench)
{
    bench->reserved = bench->seq + RESERVE_NUMBERS;
    journal_hold(bench->journal);
    bench_keep_numbers(bench, bench->reserved, false);
    journal_release(bench->journal, 0);
}

void bench_number(struct bench *bench)
{
    bench->seq++;
    if (bench->reserved - bench->seq < RESERVE_NUMBERS / 2)
        bench_reserve(bench);
    bench->common.seq = bench->seq;
    bench->common.time_us = bench->now.time_us;
    bench->common.mono_us = bench->now.mono_us;
}

static void keep(void *context, const char *key, const void *data, size_t length)
{
    struct bench *bench = context;

    journal_keep(bench->journal, key, data, length);
}

void bench_save(struct bench *bench, bool all)
{
    struct saved_at at = { bench->seq, bench->now, bench->clock->rate };

    stations_save(&bench->stations, all, &at, keep, bench);
    if (all || bench->planner.changed) {
        char *plan = planner_save(&bench->planner);

        if (plan)
            journal_keep(bench->journal, "plan", plan, strlen(plan));
        free(plan);
        bench->planner.changed = false;
    }
}

/* ---- the picture for late joiners ---- */

static struct state_source state_source(struct bench *bench)
{
    bench->common.seq = bench->seq;
    bench->common.time_us = bench->now.time_us;
    bench->common.mono_us = bench->now.mono_us;
    return (struct state_source){
        .config = bench->config,
        .stations = &bench->stations,
        .hands = &bench->hands,
        .common = &bench->common,
        .identity = bench->identity,
        .planner = &bench->planner,
    };
}

static void publish_state(struct bench *bench)
{
    struct state_source source = state_source(bench);

    bench->state_wanted = bench->stations.state_changed = false;
    bench->state.length = 0;
    bench->state.failed = false;
    state_write(&source, &bench->state);
    if (!bench->state.failed)
        bus_publish(bench->bus, bench->state_topic, strlen(bench->state_topic), bench->state.data, bench->state.length);
}

/* What changed is published in any case. */
static bool may_publish_state(struct bench *bench)
{
    int64_t now_ms = clock_steady_ms(), earned = (now_ms - bench->state_ms) / STATE_EVERY_MS;

    if (earned > 0) {
        bench->states_left =
            earned < STATES_AT_ONCE - bench->states_left ? bench->states_left + (int)earned : STATES_AT_ONCE;
        bench->state_ms = now_ms;
    }
    if (bench->stations.state_changed)
        return true;
    if (bench->states_left == 0)
        return false;
    bench->states_left--;
    return true;
}

static char *state_text(void *context)
{
    struct state_source source = state_source(context);
    struct text text = { 0 };

    state_write(&source, &text);
    return text_taken(&text);
}

static char *instruments_text(void *context)
{
    struct state_source source = state_source(context);
    struct text text = { 0 };

    state_write_instruments(&source, &text);
    return text_taken(&text);
}

/* ---- the end of every call ---- */

static void on_deadline(uv_timer_t *handle)
{
    struct bench *bench = handle->data;

    bench->deadline_us = 0;
    bench->now = clock_now(bench->clock);
    stations_time(&bench->stations, bench->now);
    bench_settle(bench);
}

/* A timer that is armed too early fires for nothing now and then; arming it again with every reading
 * would cost more. */
static void arm(struct bench *bench, int64_t deadline_us)
{
    int64_t wait_us = deadline_us - bench->now.mono_us;

    if (deadline_us == 0 || (bench->deadline_us && bench->deadline_us <= deadline_us))
        return;
    bench->deadline_us = deadline_us;
    uv_timer_start(&bench->deadline, on_deadline, clock_real_ms(bench->clock, wait_us > 0 ? wait_us : 1), 0);
}

void bench_settle(struct bench *bench)
{
    if (bench->held)
        return;
    if (bench->pending.length || bench->planner.changed || bench->late_us)
        bench_save_pending(bench);
    /* the state shows what the events do: it comes behind them */
    if (!bench->pending.length && (bench->state_wanted || bench->stations.state_changed) && may_publish_state(bench))
        publish_state(bench);
    if (!bench->closing) {
        if (bench->state_wanted)
            arm(bench, bench->now.mono_us + (int64_t)(STATE_EVERY_MS * 1000 * bench->clock->rate));
        arm(bench, stations_deadline(&bench->stations));
        arm(bench, bench->late_us);
    }
}

/* After a reading that changed nothing to be reported, which most are: only its own station may want an earlier call.
 */
static void settle_reading(struct bench *bench, int station)
{
    if (bench->pending.length > bench->journaled || bench->stations.state_changed)
        bench_settle(bench);
    else if (station >= 0)
        arm(bench, tracker_deadline(bench->stations.all[station].tracker));
}

/* ---- what instruments say ---- */

static void save_next_tracker(struct bench *bench)
{
    bench->saved_us = bench->now.mono_us;
    bench->save_next = (bench->save_next + 1) % bench->stations.count;
    bench->stations.all[bench->save_next].changed = true;
    journal_hold(bench->journal);
    bench_save(bench, false);
    journal_release_later(bench->journal);
}

static void add_tracked(struct message_reading *out, const struct station_view *view)
{
    out->load_g = view->load_g;
    out->water_g = view->water_g;
    out->flow_g_per_s = view->flow_g_per_s;
    out->press_kpa = view->press_kpa;
    out->added_g = view->added_g;
    out->weighed_g = view->weighed_g;
    out->tared = view->tared;
    out->cup_left = view->cup_left;
}

int bench_reading(void *context, int instrument, const struct reading *shown, struct moment at)
{
    struct bench *bench = context;
    const struct instrument_config *config = &bench->config->instruments[instrument];
    const struct outlet *outlet = &bench->outlets[instrument];
    struct message *message = &bench->reading;
    size_t before = bench->pending.length;
    struct reading corrected;
    const struct reading *reading =
        calibrations_correct(bench->stations.calibrations, config, shown, &corrected) ? &corrected : shown;
    struct station_view view;
    char text[MESSAGE_SIZE];
    uint64_t seq;
    int length;

    bench->now = at;
    bench_number(bench);
    seq = bench->seq;
    message->common.seq = seq;
    message->common.time_us = at.time_us;
    message->common.mono_us = at.mono_us;
    strcpy(message->reading.instrument, config->name);
    strcpy(message->reading.station, config->station);
    message->reading.weighs_cup = config->weighs_cup;
    message->reading.quantity = reading->quantity;
    message->reading.status = reading->status;
    message->reading.value = reading->value;
    message->reading.calibrated = reading == &corrected;
    message->reading.raw = shown->value;
    message->reading.stable = reading->stable;
    memcpy(message->reading.detail, reading->detail, sizeof message->reading.detail);
    source_reading(&bench->stations, &outlet->source, reading, seq, at);
    if ((message->reading.tracked = source_view(&bench->stations, &outlet->source, reading, at.mono_us, &view)))
        add_tracked(&message->reading, &view);
    if ((length = message_write(message, text, sizeof text)) >= 0) {
        /* kept first: then nobody sees what a kill could lose */
        journal_reading(bench->journal, outlet->topic, outlet->topic_length, text, (size_t)length, seq, at.time_us,
                        reading->quantity != QUANTITY_MASS || source_in_brew(&bench->stations, &outlet->source));
        bench_say_reading(bench, outlet, before, text, (size_t)length);
    }
    settle_reading(bench, outlet->source.station);
    /* only now: a tracker that is kept must not know of events that are not written down yet */
    if ((bench->now.mono_us - bench->saved_us) * bench->stations.count >= SAVE_EVERY_US)
        save_next_tracker(bench);
    return length < 0 ? length : 0;
}

void bench_instrument(void *context, int instrument, enum instrument_change change, const char *detail)
{
    struct bench *bench = context;
    const struct instrument_config *config = &bench->config->instruments[instrument];
    struct message message = { .kind = MESSAGE_INSTRUMENT };

    bench->now = clock_now(bench->clock);
    strcpy(message.instrument.instrument, config->name);
    message.instrument.change = change;
    snprintf(message.instrument.detail, DETAIL_SIZE, "%s", detail ? detail : "");
    bench_emit(bench, &message);
    source_changed(&bench->stations, &bench->outlets[instrument].source, change, bench->now);
    bench_settle(bench);
}

void bench_hold(void *context)
{
    struct bench *bench = context;

    bench->held = true;
}

void bench_release(void *context)
{
    struct bench *bench = context;

    bench->held = false;
    bench_settle(bench);
}

void bench_clock_stepped(struct bench *bench, int64_t by_us)
{
    bench->now = clock_now(bench->clock);
    stations_warn(&bench->stations, NULL, NULL, "clock-stepped",
                  "the wall clock was set %s by %.1f s; durations are not touched by it",
                  by_us < 0 ? "back" : "forward", (double)(by_us < 0 ? -by_us : by_us) / 1e6);
    bench_settle(bench);
}

void bench_slept(struct bench *bench, int64_t slept_us)
{
    bench->now = clock_now(bench->clock);
    bench->deadline_us = 0; /* armed for a time that has passed, or by a timer that stood still */
    uv_timer_stop(&bench->deadline);
    stations_warn(&bench->stations, NULL, NULL, "slept",
                  "the computer slept for %.0f s; nothing was measured meanwhile", (double)slept_us / 1e6);
    for (int i = 0; i < bench->stations.count; i++)
        for (int cup = 0; cup <= 1; cup++)
            stations_gap(&bench->stations, i, cup, bench->now);
    stations_time(&bench->stations, bench->now);
    bench_settle(bench);
}

static void ordered(void *bench, int instrument, const char *detail)
{
    bench_instrument(bench, instrument, INSTRUMENT_ORDERED, detail);
}

/* ---- what clients say ---- */

static void subscribed(void *context, const char *prefix, size_t length)
{
    struct bench *bench = context;

    if (length <= strlen(bench->state_topic) && memcmp(prefix, bench->state_topic, length) == 0)
        bench->state_wanted = true;
}

static void settled(void *context)
{
    struct bench *bench = context;

    if (!bench->state_wanted)
        return;
    bench->now = clock_now(bench->clock);
    bench_settle(bench);
}

static void requested(void *context, const struct bus_peer *peer, const char *text, size_t length)
{
    struct bench *bench = context;
    size_t reply_length = 0;
    char *reply;

    bench->peer = peer;
    bench->now = clock_now(bench->clock);
    reply = control_answer(&bench->control, &peer->guest, text, length, bench->now, &reply_length);
    bench->peer = NULL;
    bench->asked_for[0] = '\0';
    bench_settle(bench);
    if (reply)
        bench_reply(bench, peer, reply, reply_length); /* what was done is committed before it is confirmed */
    free(reply);
}

/* ---- opening and closing ---- */

static struct outlet *outlets_new(const struct config *config, struct why *why)
{
    struct outlet *outlets = calloc((size_t)config->instrument_count + 1, sizeof *outlets);

    if (!outlets)
        why_set(why, -ENOMEM, "bench: out of memory");
    return outlets;
}

/* The stations are those of the configuration already. */
static void take_outlets(struct bench *bench, const struct config *config, struct outlet *outlets)
{
    for (int i = 0; i < config->instrument_count; i++) {
        outlets[i].topic_length =
            (size_t)snprintf(outlets[i].topic, TOPIC_SIZE, "reading/%s/%s", config->bench, config->instruments[i].name);
        outlets[i].source = source_configured(config, i, &bench->stations);
    }
    free(bench->outlets);
    bench->outlets = outlets;
    bench->config = bench->control.config = config;
}

static struct journal_limits journal_limits(const struct config *config)
{
    return (struct journal_limits){ .days = config->journal_days, .bytes = (int64_t)config->journal_mb << 20 };
}

static void fill(struct bench *bench, uv_loop_t *loop, const struct config *config, const struct clock *clock,
                 const struct bench_hands *hands)
{
    bench->lock = -1;
    bench->loop = loop;
    bench->config = config;
    bench->clock = clock;
    bench->hands = *hands;
    bench->now = clock_now(clock);
    bench->stations.context = bench;
    bench->stations.emit = bench_emit;
    bench->stations.plan = bench_plan;
    bench->stations.planned_over = bench_planned_over;
    bench->control = (struct control){
        .stations = &bench->stations,
        .config = config,
        .hands = &bench->hands,
        .bench_id = bench->identity,
        .context = bench,
        .state = state_text,
        .instruments = instruments_text,
        .health = bench_health,
        .plugged = plugged_write,
        .since = bench_ask_since,
        .read_by = bench_read_by,
        .asked_for = bench_asked_for,
        .ordered = ordered,
        .planner = &bench->planner,
        .planned = bench_planned,
        .credited = bench_credited,
    };
    strcpy(bench->common.bench, config->bench);
    snprintf(bench->common.boot, sizeof bench->common.boot, "%s", clock_boot());
    bench->common.rate = clock->rate;
    bench->reading.kind = MESSAGE_READING;
    bench->reading.common = bench->common;
    snprintf(bench->state_topic, sizeof bench->state_topic, "state/%s", config->bench);
    bench->replies_end = &bench->replies;
}

static void bench_free(struct bench *bench)
{
    stations_close(&bench->stations);
    planner_unload(&bench->planner);
    text_free(&bench->pending);
    text_free(&bench->state);
    free(bench->outlets);
    if (bench->lock >= 0)
        close(bench->lock);
    free(bench);
}

/* Gives back a bench that could not be opened whole. */
static int give_up(struct bench *bench, int error)
{
    journal_close(bench->journal);
    bench_free(bench);
    return error;
}

int bench_open(struct bench **out, uv_loop_t *loop, const struct config *config, const struct clock *clock,
               const struct bench_hands *hands, struct why *why)
{
    struct bench *bench = calloc(1, sizeof *bench);
    struct bus_calls calls = { bench, subscribed, settled, requested };
    struct journal_limits limits;
    struct outlet *outlets;
    struct why notice;
    int error;

    if (!bench)
        return why_set(why, -ENOMEM, "bench: out of memory");
    fill(bench, loop, config, clock, hands);
    if ((error = folder_make_for(config->journal, why)) != 0)
        return give_up(bench, error);
    if ((bench->lock = lock_take(config->journal, why)) < 0)
        return give_up(bench, bench->lock);
    if (identity_find(config->journal, bench->identity, why) != 0) /* it brews all the same */
        program_message("%s", why->text);
    if ((error = stations_open(&bench->stations, config, why)) != 0)
        return give_up(bench, error);
    if (!(outlets = outlets_new(config, why)))
        return give_up(bench, -ENOMEM);
    take_outlets(bench, config, outlets);
    limits = journal_limits(config);
    if ((error = journal_open(&bench->journal, config->journal, &limits, bench_wake, bench, &notice, why)) != 0
        || (error = bus_open(&bench->bus, loop, config, &calls, why)) != 0)
        return give_up(bench, error);
    bench->news.data = bench->deadline.data = bench;
    uv_async_init(loop, &bench->news, bench_on_news);
    uv_timer_init(loop, &bench->deadline);
    if ((error = bench_restore(bench, &notice, why)) != 0 || (error = journal_start(bench->journal, why)) != 0) {
        bench_close(bench);
        return error;
    }
    bench_reserve(bench);
    bench->saved_us = bench->now.mono_us;
    bench->stations.state_changed = true;
    bench_settle(bench);
    *out = bench;
    return 0;
}

int bench_reconfigure(struct bench *bench, const struct config *config, struct why *why)
{
    struct outlet *outlets = outlets_new(config, why);
    struct journal_limits limits;
    int error;

    if (!outlets)
        return -ENOMEM;
    bench->now = clock_now(bench->clock);
    journal_hold(bench->journal);
    stations_forget_gone(&bench->stations, config, keep, bench);
    journal_release_later(bench->journal);
    if ((error = stations_reconfigure(&bench->stations, config, bench->now, why)) != 0) {
        free(outlets);
        return error;
    }
    take_outlets(bench, config, outlets);
    bus_reconfigure(bench->bus, config);
    limits = journal_limits(config);
    journal_limit(bench->journal, &limits);
    bench_planned(bench);
    bench_settle(bench);
    return 0;
}

static void closed(void *context)
{
    struct bench *bench = context;

    if (--bench->handles == 0)
        bench_free(bench);
}

static void on_closed(uv_handle_t *handle)
{
    closed(handle->data);
}

void bench_close(struct bench *bench)
{
    uint64_t lost;

    bench->closing = true;
    bench->now = clock_now(bench->clock);
    for (int i = 0; i < bench->stations.count; i++)
        bench->stations.all[i].changed = true;
    journal_hold(bench->journal);
    bench_save(bench, false);
    bench_keep_numbers(bench, bench->seq, true);
    journal_release(bench->journal, 0);
    if ((lost = journal_close(bench->journal)) != 0)
        program_message("%" PRIu64 " readings and events could not be saved", lost);
    bench->journal = NULL;
    bench_say_pending(bench);
    bench->handles = 3;
    bus_close(bench->bus, closed, bench);
    uv_close((uv_handle_t *)&bench->news, on_closed);
    uv_close((uv_handle_t *)&bench->deadline, on_closed);
}
