/* Inside the instruments: what their files share.  Nobody but instrument*.c includes this. */
#ifndef POISE_INSTRUMENT_PARTS_H
#define POISE_INSTRUMENT_PARTS_H

#include "folders.h"
#include "instrument.h"
#include "rhythm.h"
#include "transport/serial.h"
#include "transport/usb.h"

enum {
    /* The longest frame of any driver is 256 bytes (Modbus); two of them, so that a whole one always fits
     * behind a damaged one.  It is also the most that one wake-up reads: the others wait no longer. */
    INSTRUMENT_BUFFER = 512
};

enum instrument_condition {
    CONDITION_SEARCHING, /* never seen yet */
    CONDITION_FOUND,     /* the port is open, no reading yet */
    CONDITION_READY,     /* readings arrive */
    CONDITION_SILENT,    /* open, but its readings stopped */
    CONDITION_FLOODED,   /* more arrives than an instrument can mean; it rests, or is on trial after a rest */
    CONDITION_LOST,      /* the port is gone, or was not there */
    CONDITION_REFUSED    /* it is there, but may not or cannot be opened */
};

struct instrument {
    struct instruments *all;
    const struct instrument_config *config;
    const struct driver *driver;
    void *state; /* the driver's */
    int place;   /* in the configuration; what the bench calls it by */
    struct serial_settings settings;

    /* the port: instrument_port.c */
    struct serial *serial;         /* NULL: closed, or on USB */
    struct serial_link link, dead; /* by which it was opened; whose terminal is gone */
    struct usb_port *usb;          /* NULL: closed, or serial */
    uv_poll_t poll;
    uv_timer_t timer;  /* one purpose at a time: retry, end of a rest, asking */
    int handles;       /* of the two above, not yet closed by the loop */
    bool poll_closing; /* the loop still holds the old poll handle, or USB the old port */
    bool dropped;      /* no longer in the configuration: freed with its last handle */
    bool resting;
    bool asked; /* it answers only */
    int retry_ms;
    int64_t opened_us, rested_us;
    struct folder_wait folder; /* while the port is missing */

    /* the bytes: instrument_bytes.c */
    uint16_t length;                 /* waiting in the buffer */
    int64_t half_us;                 /* when the last bytes of the waiting half frame came */
    int64_t budget_bytes, budget_us; /* what may still be read; when it was filled up last */
    uint32_t rejects[REJECT_COUNT];
    unsigned rejects_in_row;

    /* what is known of it */
    enum instrument_condition condition;
    bool makes_no_sense; /* a log line has said so */
    struct reading last;
    bool has_last;
    struct reading *beside; /* what else it shows, by quantity (QUANTITY_NONE: not yet); NULL: nothing, as most */
    struct rhythm rhythm;
    int64_t reported_us; /* log lines are rate-limited */
    int state_left, unsaid;
    char detail[DETAIL_SIZE / 2]; /* of the condition, one sentence */

    uint8_t buffer[INSTRUMENT_BUFFER];
};

/* What happens to a port, for who owns it: USB and bytes lie below the port and call it by these alone. */
struct port_events {
    void (*came)(struct instrument *instrument);                                           /* perhaps: look */
    void (*reported)(struct instrument *instrument, const uint8_t *report, size_t length); /* a report on USB */
    void (*lost)(struct instrument *instrument, const char *detail);
};

struct instruments {
    const struct port_events *port;
    uv_loop_t *loop;
    const struct clock *clock;
    struct instrument_sink sink; /* its context is NULL until attached */
    struct instrument **list;
    int count;
    uv_timer_t silence; /* one for all: the earliest deadline */
    struct folders *folders;
    struct instruments_usb *usb; /* instrument_usb.c; NULL: not needed so far */
    int handles;                 /* of all these and of every instrument, not yet closed */
    bool closing;
};

/* instrument_condition.c */
void instrument_condition_begin(struct instrument *instrument);
void instrument_free(struct instrument *instrument);
void instrument_change(struct instrument *instrument, enum instrument_condition condition, const char *detail);
const char *instrument_condition_name(enum instrument_condition condition);
void instrument_message(struct instrument *instrument, const char *text);
void instrument_heard(struct instrument *instrument, int64_t now_us); /* a reading of its own quantity has come */
void instrument_handle_closed(struct instrument *instrument);
void instruments_handle_closed(struct instruments *all);

/* instrument_port.c */
extern const struct port_events instrument_port_events;
void instrument_try(struct instrument *instrument);
void instrument_lose(struct instrument *instrument, const char *detail);
void instrument_shut(struct instrument *instrument);
void instrument_begin_again(struct instrument *instrument); /* open, and its driver is a fresh one */
void instrument_rest(struct instrument *instrument);
int instrument_write(struct instrument *instrument, const uint8_t *data, size_t length);

static inline bool instrument_is_open(const struct instrument *instrument)
{
    return instrument->serial || instrument->usb;
}

/* instrument_usb.c: a device on USB is opened, or -ENODEV, -EACCES, -EBUSY, -ENOTUNIQ, -EIO; -EAGAIN when
 * it was plugged in just now and nobody may open it yet. */
int instrument_usb_open(struct instrument *instrument, struct why *why);
void instruments_usb_close(struct instruments *all);

/* instrument_bytes.c */

enum { BYTES_FLOOD = 1 }; /* more arrives than an instrument can mean: let it rest */

/* Reads what the port has, once, and hands on the readings in it.  0, BYTES_FLOOD, or a negative errno when the
 * port is gone. */
int instrument_read(struct instrument *instrument);

/* The same for one report of a USB device. */
int instrument_report(struct instrument *instrument, const uint8_t *report, size_t length);

/* The port was opened, or had a rest: half frames are forgotten, so many bytes may be read before they earn more. */
void instrument_bytes_begin(struct instrument *instrument, int64_t now_us, int64_t budget_bytes);

#endif
