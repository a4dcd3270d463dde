/* Writing what waits, in one transaction: either all of it is in the file or none, and then it still
 * waits.  Not what waits, nor why (store.c). */
#include "store_parts.h"

#include <errno.h>
#include <limits.h>
#include <math.h>
#include <stdlib.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

/* NAN is NULL; a column of whole numbers keeps a whole number as one. */
static void bind_number(sqlite3_stmt *statement, int place, double number)
{
    if (isfinite(number))
        sqlite3_bind_double(statement, place, number);
    else
        sqlite3_bind_null(statement, place);
}

/* --- events --- */

static int64_t experiment_row(struct store *store, const json_t *plan)
{
    sqlite3_stmt *add = store->statement[STATEMENT_EXPERIMENT_ADD], *find = store->statement[STATEMENT_EXPERIMENT_FIND];
    const char *name = json_string_value(json_object_get(plan, "experiment"));

    store_bind_name(add, 1, name);
    store_bind_words(add, 2, json_string_value(json_object_get(plan, "title")));
    store_bind_words(add, 3, json_string_value(json_object_get(plan, "definition")));
    store_bind_name(find, 1, name);
    return store_done(add) == 0 ? store_found(find) : 0;
}

static void bind_json(sqlite3_stmt *statement, int place, const json_t *value)
{
    char *text = json_is_object(value) ? json_dumps(value, JSON_COMPACT | JSON_PRESERVE_ORDER) : NULL;

    if (text)
        sqlite3_bind_text(statement, place, text, -1, free);
    else
        sqlite3_bind_null(statement, place);
}

static void bind_count(sqlite3_stmt *statement, int place, const json_t *value)
{
    if (json_is_integer(value))
        sqlite3_bind_int64(statement, place, json_integer_value(value));
    else
        sqlite3_bind_null(statement, place);
}

/* The run a brew is: of its begin (verdict_seq 0), or another one that a verdict credits it to. */
static int write_plan(struct store *store, int64_t brew, const char *text, uint64_t verdict_seq)
{
    sqlite3_stmt *statement = store->statement[verdict_seq ? STATEMENT_BREW_CREDIT : STATEMENT_BREW_PLAN];
    json_t *plan = json_loads(text, 0, NULL);
    int64_t experiment = 0;
    int result = 0;

    if (!json_is_object(plan)) {
        json_decref(plan); /* the reader of messages has checked it: no plan, no harm */
        return 0;
    }
    if (json_is_string(json_object_get(plan, "experiment"))) {
        experiment = experiment_row(store, plan);
        result = experiment ? 0 : -1;
    }
    sqlite3_bind_int64(statement, 1, brew);
    if (experiment)
        sqlite3_bind_int64(statement, 2, experiment);
    else
        sqlite3_bind_null(statement, 2);
    bind_count(statement, 3, json_object_get(plan, "run"));
    bind_count(statement, 4, json_object_get(plan, "replicate"));
    bind_json(statement, 5, json_object_get(plan, "factors"));
    bind_json(statement, 6, json_object_get(plan, "recipe"));
    bind_json(statement, 7, json_object_get(plan, "tolerances"));
    if (verdict_seq)
        sqlite3_bind_int64(statement, 8, (int64_t)verdict_seq);
    if (result == 0)
        result = store_done(statement);
    json_decref(plan);
    return result;
}

static int write_begin(struct store *store, const struct store_event *event)
{
    const struct message *message = &event->message;
    sqlite3_stmt *statement = store->statement[STATEMENT_BREW_BEGIN];
    int64_t brew = store_begin_row(store, event);

    if (!brew)
        return -1;
    sqlite3_bind_int64(statement, 1, brew);
    sqlite3_bind_int64(statement, 2, store_boot_row(store, event->boot));
    sqlite3_bind_int64(statement, 3, (int64_t)message->common.seq);
    sqlite3_bind_int64(statement, 4, store_utc(&message->common, message->brew.at_us));
    sqlite3_bind_int64(statement, 5, message->brew.at_us);
    store_bind_name(statement, 6, message->brew.station);
    if (store_done(statement) != 0)
        return -1;
    return event->plan_json ? write_plan(store, brew, event->plan_json, 0) : 0;
}

static int write_measure(struct store *store, enum statement kind, int64_t brew, const struct message_common *common,
                         const struct message_measure *measure)
{
    sqlite3_stmt *statement = store->statement[kind];

    sqlite3_bind_int64(statement, 1, brew);
    store_bind_name(statement, 2, measure_name(measure->measure));
    sqlite3_bind_int64(statement, 3, (int64_t)common->seq);
    bind_number(statement, 4, measure->value);
    bind_number(statement, 5, measure->standard_uncertainty);
    sqlite3_bind_int(statement, 6, measure->above);
    store_bind_name(statement, 7, made_by_name(measure->by));
    sqlite3_bind_int64(statement, 8, common->time_us);
    return store_done(statement);
}

static int write_end(struct store *store, const struct message *message, int64_t brew)
{
    const struct message_brew *end = &message->brew;
    bool discard = end->change == BREW_DISCARD;
    sqlite3_stmt *statement = store->statement[discard ? STATEMENT_BREW_DISCARD : STATEMENT_BREW_END];

    sqlite3_bind_int64(statement, 1, brew);
    sqlite3_bind_int64(statement, 2, (int64_t)message->common.seq);
    sqlite3_bind_int64(statement, 3, store_utc(&message->common, end->at_us));
    sqlite3_bind_int64(statement, 4, end->at_us);
    if (!discard)
        bind_number(statement, 5, end->plan_kept >= 0 ? end->plan_kept : NAN);
    store_bind_words(statement, 6, end->note);
    if (store_done(statement) != 0)
        return -1;
    for (int i = 0; i < MEASURE_COUNT; i++) {
        struct message_measure measure = { .measure = (enum measure)i,
                                           .by = BY_TRACKER,
                                           .value = end->measures.value[i],
                                           .standard_uncertainty = end->measures.standard_uncertainty[i] };

        if (isfinite(measure.value)
            && write_measure(store, STATEMENT_MEASURE_IF_NEW, brew, &message->common, &measure) != 0)
            return -1;
    }
    return 0;
}

static int write_verdict(struct store *store, const struct message *message, int64_t brew)
{
    sqlite3_stmt *statement = store->statement[STATEMENT_BREW_VERDICT];

    sqlite3_bind_int64(statement, 1, brew);
    sqlite3_bind_int64(statement, 2, (int64_t)message->common.seq);
    bind_number(statement, 3, message->brew.plan_kept >= 0 ? message->brew.plan_kept : NAN);
    store_bind_words(statement, 4, message->brew.note);
    return store_done(statement);
}

static int write_note(struct store *store, const struct message *message, int64_t brew)
{
    sqlite3_stmt *statement = store->statement[STATEMENT_NOTE];

    sqlite3_bind_int64(statement, 1, brew);
    sqlite3_bind_int64(statement, 2, (int64_t)message->common.seq);
    sqlite3_bind_int64(statement, 3, message->common.time_us);
    store_bind_name(statement, 4, message->brew.note);
    return store_done(statement);
}

static int write_stage(struct store *store, const struct store_event *event, int64_t brew)
{
    const struct message_stage *stage = &event->message.stage;
    sqlite3_stmt *statement = store->statement[STATEMENT_STAGE];

    sqlite3_bind_int64(statement, 1, brew);
    sqlite3_bind_int64(statement, 2, (int64_t)event->message.common.seq);
    store_bind_name(statement, 3, stage_name(stage->stage));
    sqlite3_bind_int64(statement, 4, store_boot_row(store, event->boot));
    sqlite3_bind_int64(statement, 5, store_utc(&event->message.common, stage->at_us));
    sqlite3_bind_int64(statement, 6, stage->at_us);
    sqlite3_bind_int64(statement, 7, stage->uncertainty_us);
    store_bind_name(statement, 8, made_by_name(stage->by));
    return store_done(statement);
}

static int write_warning(struct store *store, const struct store_event *event, int64_t brew)
{
    const struct message_warning *warning = &event->message.warning;
    sqlite3_stmt *statement = store->statement[STATEMENT_WARNING];

    sqlite3_bind_int64(statement, 1, store_bench_row(store, event->bench));
    sqlite3_bind_int64(statement, 2, (int64_t)event->message.common.seq);
    if (brew)
        sqlite3_bind_int64(statement, 3, brew);
    else
        sqlite3_bind_null(statement, 3);
    store_bind_words(statement, 4, warning->station);
    sqlite3_bind_int64(statement, 5, event->message.common.time_us);
    store_bind_name(statement, 6, warning->warning);
    store_bind_name(statement, 7, warning->detail);
    return store_done(statement);
}

static int write_check(struct store *store, const struct store_event *event, int64_t brew)
{
    const struct message_check *check = &event->message.check;
    sqlite3_stmt *statement = store->statement[STATEMENT_CHECK];

    sqlite3_bind_int64(statement, 1, store_bench_row(store, event->bench));
    sqlite3_bind_int64(statement, 2, (int64_t)event->message.common.seq);
    sqlite3_bind_int64(statement, 3, event->message.common.time_us);
    store_bind_name(statement, 4, check->instrument);
    store_bind_name(statement, 5, check_kind_name(check->check));
    bind_number(statement, 6, check->value);
    bind_number(statement, 7, check->reference);
    if (brew)
        sqlite3_bind_int64(statement, 8, brew);
    else
        sqlite3_bind_null(statement, 8);
    store_bind_words(statement, 9, check->vessel);
    return store_done(statement);
}

static int write_alarm(struct store *store, const struct store_event *event)
{
    const struct message_alarm *alarm = &event->message.alarm;
    sqlite3_stmt *statement = store->statement[STATEMENT_ALARM];
    char list[ALARM_BREWS * (BREW_SIZE + 3) + 3] = "[";
    size_t length = 1;

    for (int i = 0; i < alarm->brews; i++)
        length += (size_t)snprintf(list + length, sizeof list - length, "%s\"%s\"", i ? "," : "", alarm->brew[i]);
    snprintf(list + length, sizeof list - length, "]");
    sqlite3_bind_int64(statement, 1, store_bench_row(store, event->bench));
    sqlite3_bind_int64(statement, 2, (int64_t)event->message.common.seq);
    sqlite3_bind_int64(statement, 3, event->message.common.time_us);
    store_bind_name(statement, 4, alarm->instrument);
    store_bind_name(statement, 5, check_kind_name(alarm->check));
    sqlite3_bind_int64(statement, 6, alarm->since_us);
    bind_number(statement, 7, alarm->change);
    sqlite3_bind_int(statement, 8, alarm->once);
    store_bind_name(statement, 9, list);
    return store_done(statement);
}

static int write_instrument(struct store *store, const struct store_event *event)
{
    const struct message_instrument *instrument = &event->message.instrument;
    sqlite3_stmt *statement = store->statement[STATEMENT_INSTRUMENT_EVENT];

    sqlite3_bind_int64(statement, 1, store_bench_row(store, event->bench));
    sqlite3_bind_int64(statement, 2, (int64_t)event->message.common.seq);
    store_bind_name(statement, 3, instrument->instrument);
    sqlite3_bind_int64(statement, 4, event->message.common.time_us);
    store_bind_name(statement, 5, instrument_change_name(instrument->change));
    store_bind_name(statement, 6, instrument->detail);
    return store_done(statement);
}

/* A strength says which readings it comes from: what is new among them is the brew's, what is missing
 * is its no longer. */
static int write_assignments(struct store *store, const struct store_event *event, int64_t brew)
{
    static const enum statement both[] = { STATEMENT_UNASSIGN, STATEMENT_ASSIGN };
    const struct message_measure *measure = &event->message.measure;
    char list[MEASURE_READINGS * 24 + 3] = "[";
    size_t length = 1;

    for (int i = 0; i < measure->readings; i++)
        length += (size_t)snprintf(list + length, sizeof list - length, "%s%llu", i ? "," : "",
                                   (unsigned long long)measure->reading[i]);
    strcpy(list + length, "]");
    for (size_t i = 0; i < sizeof both / sizeof *both; i++) {
        sqlite3_stmt *statement = store->statement[both[i]];

        sqlite3_bind_int64(statement, 1, store_bench_row(store, event->bench));
        sqlite3_bind_int64(statement, 2, (int64_t)event->message.common.seq);
        sqlite3_bind_int64(statement, 3, event->message.common.time_us);
        sqlite3_bind_int64(statement, 4, brew);
        store_bind_name(statement, 5, made_by_name(measure->by));
        store_bind_words(statement, 6, list);
        if (both[i] == STATEMENT_ASSIGN) {
            sqlite3_bind_int(statement, 7, measure->filtered);
            bind_number(statement, 8, measure->sample_c);
        }
        if (store_done(statement) != 0)
            return -1;
    }
    return 0;
}

static int write_budget(struct store *store, const struct message *message, int64_t brew)
{
    const struct budget *budget = &message->measure.budget;
    sqlite3_stmt *statement = store->statement[STATEMENT_BUDGET];

    for (int part = 0; part < BUDGET_PARTS; part++) {
        if (!(budget->u[part] > 0))
            continue;
        sqlite3_bind_int64(statement, 1, brew);
        sqlite3_bind_int64(statement, 2, (int64_t)message->common.seq);
        store_bind_name(statement, 3, budget_part_name((enum budget_part)part));
        bind_number(statement, 4, budget->u[part]);
        bind_number(statement, 5, budget->freedom[part]);
        if (store_done(statement) != 0)
            return -1;
    }
    return 0;
}

static int write_gap(struct store *store, const struct store_event *event)
{
    sqlite3_stmt *statement = store->statement[STATEMENT_GAP];

    sqlite3_bind_int64(statement, 1, store_bench_row(store, event->bench));
    sqlite3_bind_int64(statement, 2, (int64_t)event->gap_after);
    sqlite3_bind_int64(statement, 3, (int64_t)event->message.common.seq);
    sqlite3_bind_int64(statement, 4, event->message.common.time_us);
    return store_done(statement);
}

static int write_contents(struct store *store, const struct store_event *event)
{
    const struct message *message = &event->message;
    int64_t brew = 0;

    if (event->gap_after)
        return write_gap(store, event);
    if (event->brew >= 0 && !(brew = store_brew_row(store, event->brew)))
        return -1;
    if (brew)
        store->brews[event->brew].changed = true;
    if (!brew && message->kind != MESSAGE_WARNING && message->kind != MESSAGE_INSTRUMENT
        && message->kind != MESSAGE_CHECK && message->kind != MESSAGE_ALARM)
        return 0; /* a station at rest says so: nothing to keep */
    switch (message->kind) {
    case MESSAGE_BREW:
        switch (message->brew.change) {
        case BREW_BEGIN:
            return write_begin(store, event);
        case BREW_END:
        case BREW_DISCARD:
            return write_end(store, message, brew);
        case BREW_NOTE:
            return write_note(store, message, brew);
        case BREW_VERDICT:
            if (write_verdict(store, message, brew) != 0)
                return -1;
            return event->plan_json ? write_plan(store, brew, event->plan_json, message->common.seq) : 0;
        }
        return 0;
    case MESSAGE_STAGE:
        return write_stage(store, event, brew);
    case MESSAGE_MEASURE:
        if (write_measure(store, STATEMENT_MEASURE, brew, &message->common, &message->measure) != 0)
            return -1;
        if (message->measure.from_readings && write_assignments(store, event, brew) != 0)
            return -1;
        return write_budget(store, message, brew);
    case MESSAGE_WARNING:
        return write_warning(store, event, brew);
    case MESSAGE_INSTRUMENT:
        return write_instrument(store, event);
    case MESSAGE_CHECK:
        return write_check(store, event, brew);
    case MESSAGE_ALARM:
        return write_alarm(store, event);
    case MESSAGE_READING:
    case MESSAGE_STATE:
        break;
    }
    return 0;
}

/* --- readings and progress --- */

static int write_row(struct store *store, const struct store_row *row)
{
    sqlite3_stmt *statement = store->statement[row->brew >= 0 ? STATEMENT_TRACE : STATEMENT_READING];
    int64_t owner = row->brew >= 0 ? store_brew_row(store, row->brew)
                                   : store_bench_row(store, store->instruments[row->instrument].bench);

    if (!owner)
        return -1;
    if (row->brew >= 0)
        store->brews[row->brew].changed = true;
    sqlite3_bind_int64(statement, 1, owner);
    sqlite3_bind_int64(statement, 2, (int64_t)row->seq);
    sqlite3_bind_int64(statement, 3, store_instrument_row(store, row->instrument));
    sqlite3_bind_int64(statement, 4, store_boot_row(store, row->boot));
    sqlite3_bind_int64(statement, 5, row->time_us);
    sqlite3_bind_int64(statement, 6, row->mono_us);
    if (row->status == READING_OK) {
        struct decimal value = { row->mantissa, row->exponent };

        sqlite3_bind_double(statement, 7, decimal_to_double(value));
        sqlite3_bind_int(statement, 8, -row->exponent);
    } else {
        sqlite3_bind_null(statement, 7);
        sqlite3_bind_null(statement, 8);
    }
    if (row->stable >= 0)
        sqlite3_bind_int(statement, 9, row->stable);
    else
        sqlite3_bind_null(statement, 9);
    store_bind_name(statement, 10, reading_status_name((enum reading_status)row->status));
    return store_done(statement);
}

static int write_progress(struct store *store, int index)
{
    const struct store_bench *bench = &store->benches[index];
    sqlite3_stmt *statement = store->statement[STATEMENT_PROGRESS];

    sqlite3_bind_int64(statement, 1, store_bench_row(store, index));
    sqlite3_bind_int64(statement, 2, (int64_t)store_whole_until(store, index));
    sqlite3_bind_int64(statement, 3, bench->latest_time_us);
    sqlite3_bind_int(statement, 4, bench->restarted);
    return store_done(statement);
}

/* For whoever follows the store (`changed` of the table). */
static int write_changes(struct store *store)
{
    sqlite3_stmt *statement = store->statement[STATEMENT_CHANGED];

    for (int i = 0; i < store->brew_count; i++) {
        if (!store->brews[i].changed)
            continue;
        sqlite3_bind_int64(statement, 1, store_brew_row(store, i));
        if (store_done(statement) != 0)
            return -1;
    }
    return 0;
}

/* Who gave the order that it came from. */
static int write_asked_by(struct store *store, const struct store_event *event)
{
    const struct message_common *common = &event->message.common;
    sqlite3_stmt *statement = store->statement[STATEMENT_ASKED_BY];
    int64_t brew = event->brew >= 0 ? store_brew_row(store, event->brew) : 0;

    sqlite3_bind_int64(statement, 1, store_bench_row(store, event->bench));
    sqlite3_bind_int64(statement, 2, (int64_t)common->seq);
    sqlite3_bind_int64(statement, 3, common->time_us);
    if (brew)
        sqlite3_bind_int64(statement, 4, brew);
    else
        sqlite3_bind_null(statement, 4);
    store_bind_name(statement, 5, common->asked_by);
    return store_done(statement);
}

static int write_event(struct store *store, const struct store_event *event)
{
    if (write_contents(store, event) != 0)
        return -1;
    return event->gap_after || !event->message.common.asked_by[0] ? 0 : write_asked_by(store, event);
}

static int write_all(struct store *store)
{
    if (sqlite3_exec(store->database, "BEGIN IMMEDIATE", NULL, NULL, NULL) != SQLITE_OK)
        return -1;
    for (size_t i = 0; i < store->event_count; i++)
        if (write_event(store, &store->events[i]) != 0)
            return -1;
    for (size_t i = 0; i < store->row_count; i++)
        if (write_row(store, &store->rows[i]) != 0)
            return -1;
    if (write_changes(store) != 0)
        return -1;
    for (int i = 0; i < store->bench_count; i++)
        if (store->benches[i].fresh && write_progress(store, i) != 0)
            return -1;
    return sqlite3_exec(store->database, "COMMIT", NULL, NULL, NULL) == SQLITE_OK ? 0 : -1;
}

/* What is written to a file that nobody finds any more is lost, however often it is committed. */
static int look_at_place(struct store *store, struct why *why)
{
    char log[PATH_MAX];
    int moved = 0;

    sqlite3_file_control(store->database, "main", SQLITE_FCNTL_HAS_MOVED, &moved);
    if (moved)
        return why_set(why, -ESTALE, "%s: was deleted or replaced while it was in use", store->path);
    snprintf(log, sizeof log, "%s-wal", store->path);
    if (!store->has_log || access(log, F_OK) == 0)
        return 0;
    sqlite3_wal_checkpoint_v2(store->database, NULL, SQLITE_CHECKPOINT_FULL, NULL, NULL);
    return why_set(why, -ESTALE, "%s: was deleted while it was in use; what it held is in %s now", log, store->path);
}

int store_write(struct store *store, struct why *why)
{
    int lost = look_at_place(store, why);

    if (lost)
        return lost;
    if (write_all(store) != 0) {
        int error = store_failed(store->database, store->path, "saving brews", why);

        if (!sqlite3_get_autocommit(store->database))
            sqlite3_exec(store->database, "ROLLBACK", NULL, NULL, NULL);
        store_forget_rows(store);
        store->said.text[0] = '\0';
        return error;
    }
    for (size_t i = 0; i < store->event_count; i++)
        free(store->events[i].plan_json);
    store->event_count = store->row_count = 0;
    store->has_log = true;
    for (int i = 0; i < store->brew_count; i++)
        store->brews[i].changed = false;
    store_forget_brews(store);
    for (int i = 0; i < store->bench_count; i++) {
        store->benches[i].progress_mono_us = store->benches[i].last_mono_us;
        store->benches[i].fresh = store->benches[i].restarted = false;
    }
    return 0;
}
