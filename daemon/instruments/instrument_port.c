/* An instrument's port: opened, lost, tried again, asked, rested.  Losing a device is normal life. */
#include "instrument_parts.h"

#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#include "hotplug.h"

enum {
    AT_ONCE_MS = 1,       /* when the loop has let go of the old handle */
    RETRY_FIRST_MS = 250, /* a plug that was touched is back by then */
    RETRY_MOST_MS = 5000, /* slow enough to cost nothing; folders and udev report sooner */
    LIVED_US = 5000000,   /* a port that held so long did come back; before that it flaps, and waits longer */


    REST_MS = 1000,     /* a flood costs the others nothing for so long */
    TRIAL_BYTES = 4096, /* after a rest: two wake-ups' worth of a good instrument, a moment of a mad one */

    ASK_MS = 200, /* where the driver asks and the configuration does not say how often */
    BYTES_MOST = 512
};

static void on_timer(uv_timer_t *timer);

static void on_poll_closed(uv_handle_t *handle)
{
    struct instrument *instrument = handle->data;

    instrument->poll_closing = false;
    instrument_handle_closed(instrument);
}

static void on_timer_closed(uv_handle_t *handle)
{
    instrument_handle_closed(handle->data);
}

static bool start_timer(struct instrument *instrument, uint64_t wait_ms, uint64_t repeat_ms)
{
    return !instrument->dropped && uv_timer_start(&instrument->timer, on_timer, wait_ms, repeat_ms) == 0;
}

/* Watches for the port, and tries it again later whatever the watch says.  A missing one may have come just
 * before the watch began: then at once. */
static void wait_for_port(struct instrument *instrument, bool missing)
{
    bool here;

    if (instrument->driver->transport == TRANSPORT_SERIAL) /* hotplug reports USB devices */
        folders_wait(instrument->all->folders, &instrument->folder, instrument->config->port);
    here = missing && access(instrument->config->port, F_OK) == 0
           && !serial_link_same(serial_link_of(instrument->config->port), instrument->dead);
    start_timer(instrument, here ? AT_ONCE_MS : (uint64_t)instrument->retry_ms, 0);
    instrument->retry_ms = instrument->retry_ms * 2 < RETRY_MOST_MS ? instrument->retry_ms * 2 : RETRY_MOST_MS;
}

/* Gives the port back; the loop lets go of the handle a little later. */
static void let_go(struct instrument *instrument)
{
    if (!instrument_is_open(instrument))
        return;
    uv_timer_stop(&instrument->timer);
    instrument->poll_closing = true;
    if (instrument->usb) {
        usb_close(instrument->usb);
        instrument->usb = NULL;
    } else {
        uv_poll_stop(&instrument->poll);
        uv_close((uv_handle_t *)&instrument->poll, on_poll_closed);
        serial_close(instrument->serial);
        instrument->serial = NULL;
    }
    instrument->resting = false;
    instrument->length = 0;
    rhythm_begin(&instrument->rhythm, instrument->rhythm.latest_us);
}

void instrument_lose(struct instrument *instrument, const char *detail)
{
    double lived_us = (double)(clock_now(instrument->all->clock).mono_us - instrument->opened_us);

    if (instrument->serial)
        instrument->dead = instrument->link;
    let_go(instrument);
    if (lived_us >= LIVED_US * instrument->all->clock->rate)
        instrument->retry_ms = RETRY_FIRST_MS;
    wait_for_port(instrument, true);
    instrument_change(instrument, CONDITION_LOST, detail);
}

static void on_readable(uv_poll_t *poll, int status, int events)
{
    struct instrument *instrument = poll->data;
    char detail[DETAIL_SIZE / 2];
    int error = status;

    if (instrument->resting && status == 0)
        error = events & UV_DISCONNECT ? -ENODEV : 0;
    else if (status == 0)
        error = instrument_read(instrument);
    if (error == BYTES_FLOOD)
        instrument_rest(instrument);
    if (error >= 0)
        return;
    snprintf(detail, sizeof detail, "%s is gone; plug it in again", instrument->config->port);
    instrument_lose(instrument, detail);
}

static int ask(struct instrument *instrument)
{
    uint8_t bytes[BYTES_MOST];
    int length = instrument->driver->ask ? instrument->driver->ask(instrument->state, bytes, sizeof bytes) : 0;

    if (length > 0)
        instrument_write(instrument, bytes, (size_t)length); /* a port that is full has been asked already */
    return length;
}

static void start_asking(struct instrument *instrument)
{
    int every_ms = instrument->config->ask_every_ms ? instrument->config->ask_every_ms : ASK_MS;
    uint64_t real_ms = clock_real_ms(instrument->all->clock, (int64_t)every_ms * 1000);

    instrument->asked = ask(instrument) > 0;
    if (instrument->asked)
        start_timer(instrument, real_ms, real_ms);
}

void instrument_begin_again(struct instrument *instrument)
{
    instrument_bytes_begin(instrument, clock_now(instrument->all->clock).mono_us, INT64_MAX);
    if (instrument->resting)
        return;
    uv_timer_stop(&instrument->timer);
    start_asking(instrument);
}

static int open_serial(struct instrument *instrument, struct why *why)
{
    const char *path = instrument->config->port;
    struct serial_link link = serial_link_of(path);
    char node[PATH_MAX];
    int error;

    /* the link first: what it leads to was there before it, or is gone for good */
    if (link.inode && access(path, F_OK) < 0)
        instrument->dead = link;
    if (serial_link_same(link, instrument->dead))
        return why_set(why, -ENOENT, "%s leads to a terminal that is gone; start what plays the instrument again",
                       path);
    instrument->link = link;
    error = serial_open(&instrument->serial, path, &instrument->settings, why);
    if (error == -EACCES && serial_resolve(path, node, sizeof node) == 0 && hotplug_node_is_fresh(node))
        return -EAGAIN;
    if (error < 0)
        return error;
    error = uv_poll_init(instrument->all->loop, &instrument->poll, serial_fd(instrument->serial));
    if (error < 0) {
        serial_close(instrument->serial);
        instrument->serial = NULL;
        return why_set(why, error, "%s cannot be watched: %s", path, uv_strerror(error));
    }
    instrument->poll.data = instrument;
    instrument->handles++;
    instrument->all->handles++;
    error = uv_poll_start(&instrument->poll, UV_READABLE, on_readable);
    if (error < 0) {
        let_go(instrument);
        return why_set(why, error, "%s cannot be watched: %s", path, uv_strerror(error));
    }
    return 0;
}

static void could_not_open(struct instrument *instrument, int error, const char *detail)
{
    bool missing;

    if (error == -EAGAIN) {
        instrument->retry_ms = RETRY_FIRST_MS;
        wait_for_port(instrument, false);
        return;
    }
    missing = error == -ENOENT || error == -ENODEV || error == -ENXIO || error == -ENOTDIR;

    wait_for_port(instrument, missing);
    if (!missing)
        instrument_change(instrument, CONDITION_REFUSED, detail);
    else if (instrument->condition == CONDITION_SEARCHING)
        instrument_change(instrument, CONDITION_SEARCHING, detail);
    else if (instrument->condition != CONDITION_LOST) /* how it went has been reported */
        instrument_change(instrument, CONDITION_LOST, detail);
}

void instrument_try(struct instrument *instrument)
{
    struct why why;
    char detail[DETAIL_SIZE / 2];
    int error;

    if (instrument_is_open(instrument) || instrument->dropped)
        return;
    if (instrument->poll_closing) {
        start_timer(instrument, AT_ONCE_MS, 0);
        return;
    }
    error = instrument->driver->transport == TRANSPORT_USB ? instrument_usb_open(instrument, &why)
                                                           : open_serial(instrument, &why);
    if (error < 0) {
        could_not_open(instrument, error, why.text);
        return;
    }
    uv_timer_stop(&instrument->timer);
    folders_forget(instrument->all->folders, &instrument->folder);
    instrument->opened_us = clock_now(instrument->all->clock).mono_us;
    rhythm_begin(&instrument->rhythm, instrument->opened_us);
    instrument_bytes_begin(instrument, instrument->opened_us, INT64_MAX);
    instrument->makes_no_sense = false;
    snprintf(detail, sizeof detail, "%s is open", instrument->config->port);
    instrument_change(instrument, CONDITION_FOUND, detail);
    start_asking(instrument);
}

/* More arrives than an instrument can mean: its port is not read for a while, so that the others lose nothing. */
void instrument_rest(struct instrument *instrument)
{
    instrument->resting = true;
    if (instrument->serial)
        uv_poll_start(&instrument->poll, UV_DISCONNECT, on_readable);
    start_timer(instrument, REST_MS, 0);
    instrument_change(instrument, CONDITION_FLOODED,
                      "sends more than an instrument can mean; it is read again after a pause. Check cable and speed");
}

static void end_rest(struct instrument *instrument)
{
    instrument->resting = false;
    instrument->rested_us = clock_now(instrument->all->clock).mono_us;
    if (instrument->serial)
        tcflush(serial_fd(instrument->serial), TCIFLUSH); /* what piled up is old */
    instrument_bytes_begin(instrument, instrument->rested_us, TRIAL_BYTES);
    if (instrument->serial)
        uv_poll_start(&instrument->poll, UV_READABLE, on_readable);
    start_asking(instrument);
}

static void on_timer(uv_timer_t *timer)
{
    struct instrument *instrument = timer->data;

    if (!instrument_is_open(instrument))
        instrument_try(instrument);
    else if (instrument->resting)
        end_rest(instrument);
    else
        ask(instrument);
}

int instrument_write(struct instrument *instrument, const uint8_t *data, size_t length)
{
    ssize_t written;

    if (instrument->usb)
        return usb_send(instrument->usb, data, length);
    written = write(serial_fd(instrument->serial), data, length);
    if (written == (ssize_t)length)
        return 0;
    return written < 0 ? -errno : -EAGAIN; /* a port so full that it takes a part of some bytes is stuck */
}

/* No longer wanted: everything is given back, and the memory with the last handle. */
void instrument_shut(struct instrument *instrument)
{
    let_go(instrument);
    folders_forget(instrument->all->folders, &instrument->folder);
    instrument->dropped = true;
    uv_timer_stop(&instrument->timer);
    uv_close((uv_handle_t *)&instrument->timer, on_timer_closed);
}

static void take_report(struct instrument *instrument, const uint8_t *report, size_t length)
{
    if (instrument->usb && !instrument->resting && instrument_report(instrument, report, length) == BYTES_FLOOD)
        instrument_rest(instrument);
}

const struct port_events instrument_port_events = { .came = instrument_try,
                                                    .reported = take_report,
                                                    .lost = instrument_lose };
