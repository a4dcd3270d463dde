/* The one interface between the daemon and a family of instruments.
 *
 * A driver is a constant and pure: bytes in, readings out; no I/O, no clock, no globals.  The daemon
 * owns the device, the buffer, the deadlines and the way back after a loss. */
#ifndef POISE_DRIVER_H
#define POISE_DRIVER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>

#include "poise/messages.h"
#include "poise/reading.h"
#include "poise/why.h"

struct hid_feature; /* hid.h */

enum transport { TRANSPORT_SERIAL, TRANSPORT_USB };

enum order { ORDER_TARE, ORDER_ZERO, ORDER_COUNT };

/* One [instrument] section as the configuration read it.  Strings are NULL when not given; they
 * live as long as the configuration.  Escapes (\r \n \t \x02 \\) are already resolved in byte strings. */
struct bytes {
    uint8_t *data;
    size_t length;
};

struct setting {
    const char *key, *value; /* keys that only the driver knows: layout, pattern, fields, ... */
    int line;                /* in the configuration file, for sentences */
};

struct instrument_config {
    char name[NAME_SIZE];
    char station[NAME_SIZE]; /* empty: the whole bench */
    const char *driver;
    const char *port;
    const char *serial;    /* "9600 8N1" */
    const char *dtr, *rts; /* "on", "off", "leave" */
    enum quantity quantity;
    bool weighs_cup;  /* a scale: the one the cup stands on or comes to, beside the one of the brewer */
    int weighs_line;  /* where that was said; 0: nowhere */
    struct bytes ask; /* length 0: never asked */
    int ask_every_ms;
    struct bytes orders[ORDER_COUNT];
    int64_t lag_us;           /* 0: not known */
    bool follows_temperature; /* a refractometer that does not correct for its sample's temperature */
    bool calibrated;          /* what it shows is corrected by its checks with known weights or solutions */
    double accuracy;          /* how far what it shows may be off either way, by its manual; 0: not known */
    const struct setting *settings;
    size_t setting_count;
    int line; /* of the section's header */
};

/* Why a frame was no reading.  Counted by reason; never a guess. */
enum reject {
    REJECT_FIRST = 1, /* the first frame after opening, joined in the middle perhaps */
    REJECT_GRAMMAR,
    REJECT_NUMBER,
    REJECT_AMBIGUOUS_COMMA,
    REJECT_UNIT,
    REJECT_HIGH_BIT,
    REJECT_CONTROL,
    REJECT_OVERLONG,
    REJECT_CHECKSUM,
    REJECT_RANGE,
    REJECT_STATUS,
    REJECT_EXPIRED,
    REJECT_OTHER_REPORT,
    REJECT_COUNT
};

/* "first", "grammar", "number", "ambiguous-comma", "unit", "high-bit", "control", "overlong",
 * "checksum", "range", "status", "expired", "other-report" */
const char *reject_name(enum reject reject);

enum {
    FRAME_READINGS = 4, /* most readings in one frame */
    FEATURES_MOST = 4   /* most feature reports that are asked for */
};

struct driver {
    const char *name;    /* as in the configuration: "line" */
    const char *summary; /* one line, shown by `poised --drivers` */
    enum transport transport;
    size_t state_size; /* zeroed memory of its own, one per instrument; plain bytes, freed with free()
                        * after release() */

    /* Reads the settings and copies what it keeps: a new configuration may replace this one while the state
     * lives on.  0, or a negative errno with a sentence that names key and line. */
    int (*configure)(void *state, const struct instrument_config *config, struct why *why);

    /* USB: the report descriptor of the interface that was opened.  0, or -ENODEV with a sentence when
     * it is no instrument of this kind.  NULL: none is asked for. */
    int (*describe)(void *state, const uint8_t *descriptor, size_t length, struct why *why);

    /* USB: the feature reports that say what the device is, asked for once when it has been opened; their count.
     * NULL: none. */
    int (*features)(void *state, struct hid_feature *out, int most);

    /* One of them as it came, its ID in front; what cannot be read is passed over. */
    void (*feature)(void *state, const uint8_t *report, size_t length);

    /* What the device has said of itself, in words for people; "" when it said nothing.  NULL: it never does. */
    void (*about)(const void *state, char *out, size_t size);

    /* Frees what configure took beyond the state itself; NULL: nothing. */
    void (*release)(void *state);

    /* The device was opened (again), or a half frame expired and its rest may follow: forget half
     * frames, and drop the first where the driver must.  NULL: nothing. */
    void (*opened)(void *state);

    /* In the buffer each report of a USB device stands behind one byte with its length.
     *
     * Length of the whole frame at the start of buf; 0: more bytes are needed; < 0: drop so many
     * bytes (they are counted as REJECT_OVERLONG unless they are fill or line ends). */
    ssize_t (*frame)(void *state, const uint8_t *buf, size_t length);

    /* Readings of a whole frame, at most `most`: their count (0: a frame that says nothing, as an
     * empty line), or a negative enum reject.  Fills quantity, status, stable, net, unit, shown,
     * detail; quantity may be QUANTITY_NONE when only the configuration knows. */
    int (*decode)(void *state, const uint8_t *frame, size_t length, struct reading *out, int most);

    /* Bytes that ask for a reading, into out; their count.  NULL: it speaks unasked. */
    int (*ask)(void *state, uint8_t *out, size_t size);

    /* Bytes of an order; their count, or -ENOTSUP when the configuration names none.  USB: the kind of
     * the report (2 output, 3 feature), its ID or 0, then the report as SET_REPORT sends it. */
    int (*order)(void *state, enum order order, uint8_t *out, size_t size);
};

/* The driver table; ends with NULL. */
extern const struct driver line_driver, hid_scale_driver, hid_keyboard_driver, modbus_driver;
extern const struct driver *const drivers[];

/* NULL when there is none of that name. */
const struct driver *driver_find(const char *name);

#endif
