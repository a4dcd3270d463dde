/* Benches in, one bus out; see site.h. */
#include "site.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "bench/bus.h"
#include "bench/door.h"
#include "poise/client.h"
#include "poise/clock.h"
#include "poise/program.h"

enum {
    BUDGET = 64,           /* messages of one bench in a row, so that one that floods holds up no other */
    STATE_EVERY_MS = 1000, /* a bench is asked for its state no more often, however many come to listen */
    MISSING_MS = 2000,
    SAY_EVERY_MS = 10000 /* what one bench does wrong is reported no more often */
};

/* Bytes of one bench that wait: some thousand messages, or the state of a thousand stations. */
static const size_t UNDELIVERED = 2097152;

struct source {
    struct site *site;
    char name[NAME_SIZE], bench_id[BENCH_ID_SIZE];
    struct client *client;
    uv_poll_t polls[CLIENT_DESCRIPTORS];
    int watched; /* of them */
    bool due;    /* something may have come */
    bool wanted; /* its state, by who came to listen */
    bool there, twice;
    int64_t asked_ms, reported_ms;
};

struct site {
    uv_loop_t *loop;
    struct bus *bus;
    uv_idle_t idle;
    uv_timer_t timer;   /* for the next state */
    uv_timer_t missing; /* while a bench is not there: one that refused us is tried again */
    struct source *sources;
    int count;
    struct text text;
    int open; /* handles, and the bus */
};

static void on_idle(uv_idle_t *idle);
static void on_missing(uv_timer_t *timer);

static void look_again(struct source *source)
{
    source->due = true;
    uv_idle_start(&source->site->idle, on_idle);
}

/* ---- from the benches ---- */

static void complain(struct source *source, const char *text)
{
    int64_t now_ms = clock_steady_ms();

    if (source->reported_ms && now_ms - source->reported_ms < SAY_EVERY_MS)
        return;
    source->reported_ms = now_ms;
    program_message("%s: %s", source->name, text);
}

/* One bench by two ways would be heard twice: of those that are there the first in the configuration counts. */
static void find_twice(struct site *site)
{
    for (int i = 0; i < site->count; i++) {
        struct source *source = &site->sources[i];
        const struct source *first = NULL;

        for (int j = 0; j < i && !first && *source->bench_id; j++)
            if (site->sources[j].there && strcmp(site->sources[j].bench_id, source->bench_id) == 0)
                first = &site->sources[j];
        if (first && !source->twice)
            program_message("%s is the same bench as %s, and not passed on again", source->name, first->name);
        source->twice = first != NULL;
    }
}

/* As the bench wrote it, but for its name. */
static void pass_on(struct source *source, struct message *message, const struct client_live *live)
{
    struct site *site = source->site;
    char topic[TOPIC_SIZE], head[sizeof "{\"v\":1,\"bench\":\"\"," + NAME_SIZE];
    size_t length = (size_t)snprintf(head, sizeof head, "{\"v\":1,\"bench\":\"%s\",", message->common.bench);
    int topic_length;

    if (live->length <= length || memcmp(live->text, head, length) != 0) {
        complain(source, "a message that does not begin as a bench's was dropped");
        return;
    }
    strcpy(message->common.bench, source->name);
    topic_length = message_topic(message, topic);
    site->text.length = 0;
    text_print(&site->text, "{\"v\":1,\"bench\":\"%s\",", source->name);
    text_add(&site->text, live->text + length, live->length - length);
    if (topic_length > 0 && !site->text.failed)
        bus_publish(site->bus, topic, (size_t)topic_length, site->text.data, site->text.length);
    if (site->text.failed)
        text_free(&site->text);
}

static void take(struct source *source, struct message *message)
{
    struct client_live live = client_live(source->client);

    door_delivered(live.descriptor);
    if (message->kind == MESSAGE_STATE && strcmp(source->bench_id, message->state.bench_id) != 0) {
        strcpy(source->bench_id, message->state.bench_id);
        find_twice(source->site);
    }
    if (!source->twice)
        pass_on(source, message, &live);
    message_free(message);
}

/* True: there may be more. */
static bool take_some(struct source *source)
{
    struct message message;
    struct why why;

    for (int n = 0; n < BUDGET; n++) {
        int event = client_next(source->client, -1, 0, &message, &why);

        if (event == CLIENT_TIMEOUT)
            return false;
        if (event == CLIENT_MESSAGE) {
            take(source, &message);
        } else if (event == CLIENT_FOUND || event == CLIENT_GONE) {
            source->there = event == CLIENT_FOUND;
            find_twice(source->site);
            uv_timer_start(&source->site->missing, on_missing, MISSING_MS, MISSING_MS);
            program_message(source->there ? "%s is there" : "%s is gone: waiting for it", source->name);
        } else if (event == CLIENT_BAD) {
            door_delivered(client_live(source->client).descriptor);
            complain(source, why.text);
        } else if (event < 0 && event != -EINTR) {
            complain(source, why.text);
            return false;
        }
    }
    return true;
}

static void on_missing(uv_timer_t *timer)
{
    struct site *site = timer->data;
    bool any = false;

    for (int i = 0; i < site->count; i++)
        if (!site->sources[i].there) {
            any = true;
            look_again(&site->sources[i]);
        }
    if (!any)
        uv_timer_stop(timer);
}

static void on_idle(uv_idle_t *idle)
{
    struct site *site = idle->data;
    bool more = false;

    for (int i = 0; i < site->count; i++)
        if (site->sources[i].due)
            more |= site->sources[i].due = take_some(&site->sources[i]);
    if (!more)
        uv_idle_stop(idle);
}

static void on_poll(uv_poll_t *poll, int status, int events)
{
    (void)status;
    (void)events;
    look_again(poll->data);
}

/* ---- from those who listen ---- */

static void on_timer(uv_timer_t *timer);

static void ask_for_states(struct site *site)
{
    int64_t now_ms = clock_steady_ms(), wait_ms = 0;

    for (int i = 0; i < site->count; i++) {
        struct source *source = &site->sources[i];
        int64_t left_ms = source->asked_ms ? source->asked_ms + STATE_EVERY_MS - now_ms : 0;

        if (source->wanted && left_ms <= 0) {
            source->wanted = false;
            source->asked_ms = now_ms;
            client_want_state(source->client);
            look_again(source);
        } else if (source->wanted && (wait_ms == 0 || left_ms < wait_ms)) {
            wait_ms = left_ms;
        }
    }
    if (wait_ms > 0)
        uv_timer_start(&site->timer, on_timer, (uint64_t)wait_ms, 0);
}

static void on_timer(uv_timer_t *timer)
{
    ask_for_states(timer->data);
}

static void subscribed(void *context, const char *prefix, size_t length)
{
    struct site *site = context;
    char topic[TOPIC_SIZE];

    for (int i = 0; i < site->count; i++) {
        snprintf(topic, sizeof topic, "state/%s", site->sources[i].name);
        if (length <= strlen(topic) && memcmp(topic, prefix, length) == 0)
            site->sources[i].wanted = true;
    }
}

static void settled(void *context)
{
    struct site *site = context;

    if (!uv_is_active((uv_handle_t *)&site->timer))
        ask_for_states(site);
}

/* ---- opening and closing ---- */

/* The descriptors are libzmq's, which closes them when the client is closed. */
static int follow(struct site *site, const struct follow_config *config, struct why *why)
{
    struct source *source = &site->sources[site->count];
    struct client_options options = { .bus = config->bus, .key = *config->key ? config->key : NULL, .subscribe = true };
    int descriptors[CLIENT_DESCRIPTORS];
    int error = client_open(&source->client, &options, why);

    if (error < 0)
        return why_prefix(why, error, "%s: ", config->name);
    site->count++;
    source->site = site;
    strcpy(source->name, config->name);
    if ((error = client_descriptors(source->client, descriptors)) != 0)
        return why_set(why, error, "%s: no descriptors: %s", config->name, strerror(-error));
    for (int i = 0; i < CLIENT_DESCRIPTORS; i++) {
        if ((error = uv_poll_init(site->loop, &source->polls[i], descriptors[i])) != 0)
            return why_set(why, error, "%s: cannot be watched: %s", config->name, uv_strerror(error));
        site->open++;
        source->watched++;
        source->polls[i].data = source;
        uv_poll_start(&source->polls[i], UV_READABLE, on_poll);
    }
    look_again(source);
    return 0;
}

static void release(struct site *site)
{
    if (--site->open > 0)
        return;
    for (int i = 0; i < site->count; i++)
        client_close(site->sources[i].client);
    text_free(&site->text);
    free(site->sources);
    free(site);
}

static void on_closed(uv_handle_t *handle)
{
    release(handle->type == UV_POLL ? ((struct source *)handle->data)->site : handle->data);
}

static void bus_closed(void *context)
{
    release(context);
}

void site_close(struct site *site)
{
    for (int i = 0; i < site->count; i++)
        for (int j = 0; j < site->sources[i].watched; j++)
            uv_close((uv_handle_t *)&site->sources[i].polls[j], on_closed);
    uv_close((uv_handle_t *)&site->idle, on_closed);
    uv_close((uv_handle_t *)&site->timer, on_closed);
    uv_close((uv_handle_t *)&site->missing, on_closed);
    if (site->bus)
        bus_close(site->bus, bus_closed, site);
}

int site_open(struct site **out, uv_loop_t *loop, const struct config *config, struct why *why)
{
    struct site *site = calloc(1, sizeof *site);
    struct bus_calls calls = { .context = site, .subscribed = subscribed, .settled = settled };
    int error;

    if (!site || !(site->sources = calloc((size_t)config->follow_count, sizeof *site->sources))) {
        free(site);
        return why_set(why, -ENOMEM, "out of memory");
    }
    site->loop = loop;
    uv_idle_init(loop, &site->idle);
    uv_timer_init(loop, &site->timer);
    uv_timer_init(loop, &site->missing);
    site->idle.data = site->timer.data = site->missing.data = site;
    site->open = 3;
    uv_timer_start(&site->missing, on_missing, MISSING_MS, MISSING_MS);
    if ((error = bus_open(&site->bus, loop, config, &calls, why)) == 0)
        site->open++;
    door_watch_own(UNDELIVERED);
    for (int i = 0; i < config->follow_count && error == 0; i++)
        error = follow(site, &config->follows[i], why);
    if (error < 0)
        site_close(site);
    else
        *out = site;
    return error;
}

void site_reconfigure(struct site *site, const struct config *config)
{
    bus_reconfigure(site->bus, config);
}
