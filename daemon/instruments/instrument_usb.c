/* Instruments on USB: found by hotplug, opened by the usb transport.  Both are started when the first such
 * instrument is wanted. */
#include "instrument_parts.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "hotplug.h"

struct instruments_usb {
    struct usb *usb;
    struct hotplug *hotplug;
    uv_poll_t poll;
    int ports;                                                            /* open or closing */
    void (*seen)(void *context, const struct usb_found *list, int count); /* NULL: nobody asks */
    void *seen_context;
    bool closing; /* as soon as no port is left */
};

static void on_ready(uv_poll_t *poll, int status, int events)
{
    struct instruments *all = poll->data;

    (void)status;
    (void)events;
    usb_handle(all->usb->usb);
}

static void report_plugged(struct instruments *all)
{
    struct usb_found found[USB_FOUND_MOST];

    if (all->usb->seen && !all->closing)
        all->usb->seen(all->usb->seen_context, found, hotplug_list(all->usb->hotplug, found));
}

/* Something was plugged in or out: those that go say so themselves, so look for those that came. */
static void on_changed(void *context)
{
    struct instruments *all = context;

    report_plugged(all);
    for (int i = 0; i < all->count; i++)
        if (all->list[i]->driver->transport == TRANSPORT_USB && all->list[i]->handles > 0)
            all->port->came(all->list[i]);
}

static int usb_begin(struct instruments *all, struct why *why)
{
    struct instruments_usb *part = calloc(1, sizeof *part);
    int error;

    if (!part)
        return why_set(why, -ENOMEM, "no memory for USB");
    error = usb_start(&part->usb, why);
    if (error == 0)
        error = hotplug_open(&part->hotplug, all->loop, on_changed, all, why);
    if (error == 0) {
        error = uv_poll_init(all->loop, &part->poll, usb_fd(part->usb));
        if (error < 0)
            why_set(why, error, "USB cannot be watched: %s", uv_strerror(error));
    }
    if (error < 0) {
        if (part->hotplug)
            hotplug_close(part->hotplug, NULL);
        usb_stop(part->usb);
        free(part);
        return error;
    }
    part->poll.data = all;
    all->handles += 2; /* the poll, and hotplug as a whole */
    all->usb = part;
    error = uv_poll_start(&part->poll, UV_READABLE, on_ready);
    if (error < 0) {
        instruments_usb_close(all);
        return why_set(why, error, "USB cannot be watched: %s", uv_strerror(error));
    }
    return 0;
}

/* One that was killed before us has left its scales with no driver, and nobody knows that they are scales. */
static void adopt_orphans(struct instruments *all)
{
    struct usb_found found[USB_FOUND_MOST];
    int count = hotplug_list(all->usb->hotplug, found);

    for (int i = 0; i < count; i++)
        if (found[i].scale < 0 && found[i].unbound)
            usb_give_to_kernel(all->usb->usb, found[i].place); /* if not, it is no worse than before */
}

int instruments_watch_usb(struct instruments *all, void (*seen)(void *context, const struct usb_found *list, int count),
                          void *context, struct why *why)
{
    int error = all->usb ? 0 : usb_begin(all, why);

    if (error < 0)
        return error;
    if (!all->usb->seen)
        adopt_orphans(all);
    all->usb->seen = seen;
    all->usb->seen_context = context;
    report_plugged(all);
    return 0;
}

static void on_hotplug_closed(void *context)
{
    instruments_handle_closed(context);
}

static void on_poll_closed(uv_handle_t *handle)
{
    struct instruments *all = handle->data;

    usb_stop(all->usb->usb);
    free(all->usb);
    all->usb = NULL;
    instruments_handle_closed(all);
}

static void end(struct instruments *all)
{
    hotplug_close(all->usb->hotplug, on_hotplug_closed);
    uv_poll_stop(&all->usb->poll);
    uv_close((uv_handle_t *)&all->usb->poll, on_poll_closed);
}

void instruments_usb_close(struct instruments *all)
{
    if (!all->usb)
        return;
    all->usb->closing = true;
    if (all->usb->ports == 0)
        end(all);
}

/* --- one port ---------------------------------------------------------------------------------------- */

static int described(void *context, const uint8_t *descriptor, size_t length, struct why *why)
{
    struct instrument *instrument = context;

    return instrument->driver->describe ? instrument->driver->describe(instrument->state, descriptor, length, why) : 0;
}

static int features(void *context, struct hid_feature *out, int most)
{
    const struct instrument *instrument = context;

    return instrument->driver->features ? instrument->driver->features(instrument->state, out, most) : 0;
}

static void feature(void *context, const uint8_t *bytes, size_t length)
{
    const struct instrument *instrument = context;

    if (instrument->driver->feature)
        instrument->driver->feature(instrument->state, bytes, length);
}

static void report(void *context, const uint8_t *bytes, size_t length)
{
    struct instrument *instrument = context;

    instrument->all->port->reported(instrument, bytes, length);
}

static void order_refused(void *context)
{
    struct instrument *instrument = context;

    instrument_message(instrument, "it does not take the order; press its own key");
}

static void lost(void *context, int error, const char *sentence)
{
    struct instrument *instrument = context;
    char detail[DETAIL_SIZE / 2];

    (void)error;
    if (!instrument->usb)
        return;
    snprintf(detail, sizeof detail, "%s: %s", instrument->config->port, sentence);
    instrument->all->port->lost(instrument, detail);
}

static void closed(void *context)
{
    struct instrument *instrument = context;
    struct instruments *all = instrument->all;

    instrument->poll_closing = false;
    if (--all->usb->ports == 0 && all->usb->closing)
        end(all);
    instrument_handle_closed(instrument);
}

static const struct usb_listener listener = {
    .described = described,
    .features = features,
    .feature = feature,
    .report = report,
    .order_refused = order_refused,
    .lost = lost,
    .closed = closed,
};

int instrument_usb_open(struct instrument *instrument, struct why *why)
{
    struct instruments *all = instrument->all;
    struct usb_found found[USB_FOUND_MOST], chosen;
    bool keyboard = instrument->driver == &hid_keyboard_driver;
    char node[64];
    int error = all->usb ? 0 : usb_begin(all, why);

    if (error == 0)
        error =
            usb_choose(found, hotplug_list(all->usb->hotplug, found), instrument->config->port, keyboard, &chosen, why);
    if (error < 0)
        return error;
    error = usb_open(&instrument->usb, all->usb->usb, chosen.place, &listener, instrument, why);
    snprintf(node, sizeof node, "/dev/bus/usb/%03u/%03u", chosen.place.bus, chosen.place.address);
    if (error == -EACCES && hotplug_node_is_fresh(node))
        return -EAGAIN;
    if (error < 0)
        return why_prefix(why, error, "%s: ", instrument->config->port);
    all->usb->ports++;
    instrument->handles++;
    all->handles++;
    return 0;
}
