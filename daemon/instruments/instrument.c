/* The instruments of the bench: their list, orders, and a new configuration. */
#include "instrument_parts.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "poise/program.h"

enum { RETRY_AT_FIRST_MS = 250 }; /* see instrument_port.c */

static void on_silence_closed(uv_handle_t *handle)
{
    instruments_handle_closed(handle->data);
}

static void on_folders_closed(void *context)
{
    instruments_handle_closed(context);
}

static void on_port_came(void *context)
{
    instrument_try(context);
}

/* Memory and driver, no handles yet. */
static int instrument_new(struct instrument **out, struct instruments *all, const struct instrument_config *config,
                          int place, struct why *why)
{
    struct instrument *instrument = calloc(1, sizeof *instrument);
    const struct driver *driver = driver_find(config->driver);
    int error = 0;

    if (!driver) {
        free(instrument);
        return why_set(why, -ENOTSUP, "%s: the driver %s is not part of this poised", config->name, config->driver);
    }
    if (instrument)
        instrument->state = calloc(1, driver->state_size ? driver->state_size : 1);
    if (!instrument || !instrument->state) {
        free(instrument);
        return why_set(why, -ENOMEM, "%s: no memory", config->name);
    }
    instrument->all = all;
    instrument->config = config;
    instrument->driver = driver;
    instrument->place = place;
    instrument->folder = (struct folder_wait){ .came = on_port_came, .context = instrument };
    instrument->retry_ms = RETRY_AT_FIRST_MS;
    instrument_condition_begin(instrument);
    error = serial_settings_parse(config->serial, &instrument->settings, why);
    if (error == 0)
        error = serial_line_parse("dtr", config->dtr, &instrument->settings.dtr, why);
    if (error == 0)
        error = serial_line_parse("rts", config->rts, &instrument->settings.rts, why);
    if (error == 0 && driver->configure)
        error = driver->configure(instrument->state, config, why);
    if (error < 0) {
        free(instrument->state);
        free(instrument);
        return why_prefix(why, error, "%s: ", config->name);
    }
    *out = instrument;
    return 0;
}

static int list_new(struct instrument ***out, struct instruments *all, const struct config *config, struct why *why)
{
    struct instrument **list = calloc((size_t)config->instrument_count + 1, sizeof *list);
    int error = list ? 0 : why_set(why, -ENOMEM, "no memory for %d instruments", config->instrument_count);

    for (int i = 0; error == 0 && i < config->instrument_count; i++)
        error = instrument_new(&list[i], all, &config->instruments[i], i, why);
    if (error == 0) {
        *out = list;
        return 0;
    }
    for (int i = 0; list && i < config->instrument_count; i++)
        instrument_free(list[i]);
    free(list);
    return error;
}

int instruments_open(struct instruments **out, uv_loop_t *loop, const struct config *config, const struct clock *clock,
                     struct why *why)
{
    struct instruments *all = calloc(1, sizeof *all);
    int error;

    if (!all)
        return why_set(why, -ENOMEM, "no memory for the instruments");
    all->loop = loop;
    all->clock = clock;
    error = list_new(&all->list, all, config, why);
    if (error < 0) {
        free(all);
        return error;
    }
    all->count = config->instrument_count;
    uv_timer_init(loop, &all->silence);
    all->silence.data = all;
    all->port = &instrument_port_events;
    all->folders = folders_open(loop);
    all->handles += 2; /* the timer, and the folders as a whole */
    *out = all;
    return 0;
}

static void start(struct instrument *instrument)
{
    uv_timer_init(instrument->all->loop, &instrument->timer);
    instrument->timer.data = instrument;
    instrument->handles++;
    instrument->all->handles++;
    instrument_try(instrument);
}

void instruments_attach(struct instruments *all, const struct instrument_sink *sink)
{
    all->sink = *sink;
    sink->hold(sink->context);
    for (int i = 0; i < all->count; i++)
        if (all->list[i]->handles == 0)
            start(all->list[i]);
    sink->release(sink->context);
}

static bool same_text(const char *a, const char *b)
{
    return a == b || (a && b && strcmp(a, b) == 0);
}

static bool same_bytes(struct bytes a, struct bytes b)
{
    return a.length == b.length && (a.length == 0 || memcmp(a.data, b.data, a.length) == 0);
}

/* The open port can be kept. */
static bool same_port(const struct instrument_config *a, const struct instrument_config *b)
{
    return strcmp(a->name, b->name) == 0 && same_text(a->driver, b->driver) && same_text(a->port, b->port)
           && same_text(a->serial, b->serial) && same_text(a->dtr, b->dtr) && same_text(a->rts, b->rts);
}

/* What the driver has read can be kept, too. */
static bool same_driving(const struct instrument_config *a, const struct instrument_config *b)
{
    bool same = a->quantity == b->quantity && same_bytes(a->ask, b->ask) && a->ask_every_ms == b->ask_every_ms
                && a->setting_count == b->setting_count;

    for (int i = 0; i < ORDER_COUNT; i++)
        same = same && same_bytes(a->orders[i], b->orders[i]);
    for (size_t i = 0; same && i < a->setting_count; i++)
        same =
            same_text(a->settings[i].key, b->settings[i].key) && same_text(a->settings[i].value, b->settings[i].value);
    return same;
}

/* The open instrument takes its section's new words. */
static void adopt(struct instrument *open, struct instrument *fresh)
{
    bool same = same_driving(open->config, fresh->config);
    void *state = open->state;

    open->config = fresh->config;
    open->place = fresh->place;
    if (!same) {
        open->state = fresh->state;
        fresh->state = state;
        open->has_last = false;
        free(open->beside);
        open->beside = NULL;
        if (open->serial)
            instrument_begin_again(open);
        else if (open->usb) /* the new driver has to learn what the device is */
            instrument_lose(open, "its settings have changed; it is opened again");
    }
    instrument_free(fresh);
}

int instruments_reconfigure(struct instruments *all, const struct config *config, struct why *why)
{
    struct instrument **list;
    int error = list_new(&list, all, config, why);

    if (error < 0)
        return error;
    all->sink.context = NULL;
    for (int i = 0; i < config->instrument_count; i++)
        for (int j = 0; j < all->count; j++)
            if (all->list[j] && same_port(all->list[j]->config, list[i]->config)) {
                adopt(all->list[j], list[i]);
                list[i] = all->list[j];
                all->list[j] = NULL;
                break;
            }
    struct instrument **old = all->list;
    int old_count = all->count;
    all->list = list;
    all->count = config->instrument_count;
    for (int i = 0; i < old_count; i++)
        if (old[i])
            instrument_shut(old[i]);
    free(old);
    return 0;
}

void instruments_close(struct instruments *all)
{
    int count = all->count;

    all->closing = true;
    all->sink.context = NULL;
    all->count = 0;
    for (int i = 0; i < count; i++)
        if (all->list[i]->handles > 0)
            instrument_shut(all->list[i]);
        else
            instrument_free(all->list[i]);
    free(all->list);
    all->list = NULL;
    folders_close(all->folders, on_folders_closed, all);
    instruments_usb_close(all);
    uv_timer_stop(&all->silence);
    uv_close((uv_handle_t *)&all->silence, on_silence_closed);
}

int instruments_order(void *context, int place, enum order order, struct why *why)
{
    static const char *const names[ORDER_COUNT] = { "tare", "zero" };
    struct instruments *all = context;
    struct instrument *instrument;
    uint8_t bytes[INSTRUMENT_BUFFER];
    int length, error;

    if (place < 0 || place >= all->count)
        return why_set(why, -ENOENT, "there is no such instrument");
    instrument = all->list[place];
    length =
        instrument->driver->order ? instrument->driver->order(instrument->state, order, bytes, sizeof bytes) : -ENOTSUP;
    if (length <= 0 && instrument->driver->transport == TRANSPORT_USB)
        return why_set(why, -ENOTSUP, "%s takes no order to %s; press its own key", instrument->config->name,
                       names[order]);
    if (length <= 0)
        return why_set(why, -ENOTSUP, "%s takes no order to %s: its section has no `%s =`; press its own key",
                       instrument->config->name, names[order], names[order]);
    if (!instrument_is_open(instrument))
        return why_set(why, -ENODEV, "%s is %s: %s", instrument->config->name,
                       instrument_condition_name(instrument->condition), instrument->detail);
    error = instrument_write(instrument, bytes, (size_t)length);
    if (error < 0)
        return why_set(why, error, "%s does not take the order to %s now (%s); press its own key",
                       instrument->config->name, names[order], strerror(-error));
    return 0;
}
