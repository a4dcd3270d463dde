/* The messages on the bus: their fields in one place, written and read.
 *
 * Writing is the daemon's and does not allocate: one fixed shape per kind, straight into a buffer.
 * Reading checks everything, since messages are untrusted input.  messages.schema.json beside this
 * file says the same for other languages; the tests hold the two against each other. */
#ifndef POISE_MESSAGES_H
#define POISE_MESSAGES_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "poise/budget.h"
#include "poise/reading.h"
#include "poise/stages.h"
#include "poise/why.h"

#pragma GCC visibility push(default)

enum { MESSAGE_VERSION = 1 };

enum {
    NAME_SIZE = 33, /* bench, station, instrument: a-z 0-9 -, at most 32 */
    BREW_SIZE = 48, /* BENCH-YYYYMMDD-NNN */
    BOOT_SIZE = 37,
    BENCH_ID_SIZE = 33, /* 32 digits a-f 0-9: the bench behind its name */
    ASKED_BY_SIZE = 64, /* a user of the bench's machine, or a client of the network */
    DETAIL_SIZE = 320,  /* a sentence for people */
    TOPIC_SIZE = 96,
    MESSAGE_SIZE = 4096 /* longest message, state apart */
};

/* True for 1 to 32 characters of a-z 0-9 -. */
bool name_valid(const char *name);

/* True for a brew's name: a bench's name, a date and a number of at least three digits. */
bool brew_name_valid(const char *name);

/* True when a brew's name ends so: people say "010", or "1130-010", of "pier-20261130-010". */
bool brew_name_ends(const char *name, const char *ending);

/* Which of two brews came later, by their names: below 0, 0, above 0 as strcmp; but 1000 comes after 999. */
int brew_name_order(const char *a, const char *b);

enum message_kind {
    MESSAGE_READING,
    MESSAGE_BREW,
    MESSAGE_STAGE,
    MESSAGE_MEASURE,
    MESSAGE_INSTRUMENT,
    MESSAGE_WARNING,
    MESSAGE_CHECK,
    MESSAGE_ALARM,
    MESSAGE_STATE
};

/* Fields that every message carries. */
struct message_common {
    char bench[NAME_SIZE];
    uint64_t seq;
    int64_t time_us, mono_us;
    char boot[BOOT_SIZE];
    double rate;                  /* 1 unless the clock is a fast one; written only when it is not 1 */
    char asked_by[ASKED_BY_SIZE]; /* of an event that somebody's order brought about: whose; else empty and left out */
};

/* "begin" ... "verdict": a correction after the end changed whether the plan was kept */
enum brew_change { BREW_BEGIN, BREW_END, BREW_DISCARD, BREW_NOTE, BREW_VERDICT };
enum instrument_change { /* "found" ... */
                         INSTRUMENT_FOUND,
                         INSTRUMENT_READY,
                         INSTRUMENT_SILENT,
                         INSTRUMENT_LOST,
                         INSTRUMENT_REFUSED,
                         INSTRUMENT_FLOODED,
                         INSTRUMENT_ORDERED,   /* no condition: ordered to tare or to show zero, as the detail says */
                         INSTRUMENT_CALIBRATED /* likewise: what its checks amount to, and whether that is applied */
};
const char *brew_change_name(enum brew_change change);
const char *made_by_name(enum made_by by);
/* What an instrument showed of something known: of water in %, how much readings of one sample differ in %, of an empty
 * scale in g, of a weight in g, of a sugar solution in Brix, of an empty vessel that it knows in g.  "blank" ... */
enum check_kind {
    CHECK_BLANK,
    CHECK_SPREAD,
    CHECK_ZERO,
    CHECK_MASS,
    CHECK_BRIX,
    CHECK_VESSEL,
    CHECK_CONTROL,
    CHECK_KINDS
};
const char *check_kind_name(enum check_kind kind);
/* "%", "g", "°Bx" */
const char *check_kind_unit(enum check_kind kind);

const char *instrument_change_name(enum instrument_change change);

/* What a vessel is used for, as far as is known.  "unknown", "cup", "brewer" */
enum vessel_role { VESSEL_UNKNOWN, VESSEL_CUP, VESSEL_BREWER, VESSEL_ROLES };
const char *vessel_role_name(enum vessel_role role);

struct message_reading {
    char instrument[NAME_SIZE];
    char station[NAME_SIZE]; /* empty: serves the whole bench; then the field is left out */
    enum quantity quantity;
    enum reading_status status;
    struct decimal value;             /* digits kept; only with READING_OK, otherwise null on the bus */
    bool calibrated;                  /* value is corrected by the instrument's calibration ... */
    struct decimal raw;               /* ... and this is what it showed; else the field is left out */
    int stable;                       /* 1, 0, -1: true, false, null */
    char detail[READING_DETAIL_SIZE]; /* what is to be known of it; mostly empty: then the field is left out */
    bool weighs_cup;                  /* a station's second scale; else the field is left out */
    /* Of a station's own scale: what is known with this reading.  Each is left out on the bus while it is not
     * known; when read, then it is NAN.  Under an overload they are lower bounds. */
    bool tracked;        /* false: none of them counts */
    double load_g;       /* all that stands on the scale, tares added back */
    double water_g;      /* in a brew: poured so far */
    double flow_g_per_s; /* in a brew: of the pour now */
    double press_kpa;    /* in a brew: while pressing */
    double added_g;      /* before the water: since the tare, or since something heavy was set down: coffee, perhaps */
    double weighed_g;    /* before the water: added and then tared away: the dose, perhaps */
    bool tared;          /* before the water: something stands there and was tared away; left out when it was not */
    bool cup_left;       /* the last brew has ended and its cup stands there still; else left out */
};

struct message_brew {
    char brew[BREW_SIZE], station[NAME_SIZE];
    enum brew_change change;
    int64_t at_us;            /* when it truly began or ended, on the clock of mono_us */
    enum made_by by;          /* who began, ended or discarded it; BY_TRACKER is left out on the bus */
    struct measures measures; /* with BREW_END: all that is known; else all NAN */
    int plan_kept;            /* with BREW_END and BREW_VERDICT: 1, 0, -1 not known; else -1 */
    char note[DETAIL_SIZE];   /* with BREW_NOTE, or why a brew was discarded or left its plan */
    const char *plan_json; /* with BREW_BEGIN under a plan, and with BREW_VERDICT when the brew is credited to another
                            * run: the object {"experiment", "run", "replicate",
                            * "factors", "recipe"}; NULL: no plan.  Owned by the caller when writing; when read
                            * it lives as long as the message. */
};

struct message_stage {
    char brew[BREW_SIZE]; /* empty: the station is idle and no brew is meant; null on the bus */
    char station[NAME_SIZE];
    enum stage stage;
    int64_t at_us;          /* when the stage truly began */
    int64_t uncertainty_us; /* standard uncertainty of at_us */
    enum made_by by;
};

enum { MEASURE_READINGS = 12 }; /* most strength readings of one cup */

struct message_measure {
    char brew[BREW_SIZE], station[NAME_SIZE];
    enum measure measure;
    double value;                /* NAN: taken back; null on the bus */
    double standard_uncertainty; /* NAN: not known; null on the bus */
    bool above;                  /* true: the value is a lower bound (an overloaded scale); field "above" */
    enum made_by by;
    /* With strength_pct: which readings are the brew's (field "readings"; none: the empty list; the value is their
     * mean, water subtracted and without those far from the others, unless the operator entered it), whether the
     * samples passed a filter, and the temperature of the newest. */
    bool from_readings;
    int readings;
    uint64_t reading[MEASURE_READINGS];
    bool filtered;
    double sample_c;      /* NAN: not known, and left out */
    struct budget budget; /* where the strength's uncertainty comes from; without any part it is left out */
};

struct message_instrument {
    char instrument[NAME_SIZE];
    enum instrument_change change;
    char detail[DETAIL_SIZE];
};

struct message_warning {
    char brew[BREW_SIZE];    /* empty: about the bench, null on the bus */
    char station[NAME_SIZE]; /* empty: about the bench; then left out */
    char warning[NAME_SIZE]; /* "press-too-hard", "overload", "plan-not-kept", "clock-stepped", ... */
    char detail[DETAIL_SIZE];
};

struct message_check {
    char instrument[NAME_SIZE];
    enum check_kind check;
    double value;
    double reference;       /* what it should show; NAN: not known, null on the bus */
    char brew[BREW_SIZE];   /* whose sample or vessel it was; empty: none, null on the bus */
    char vessel[NAME_SIZE]; /* with CHECK_VESSEL: which; else empty, and left out */
};

enum { ALARM_BREWS = 24 }; /* most brews that one alarm names, the newest */

/* What an instrument shows of something known has changed. */
struct message_alarm {
    char instrument[NAME_SIZE];
    enum check_kind check;
    int64_t since_us; /* UTC: when it likely began */
    double change;    /* by so much, in the unit of the check */
    bool once;        /* one value was far off; else many were a little */
    int brews;        /* measured with it since, whose uncertainty is wider now: so many are named */
    char brew[ALARM_BREWS][BREW_SIZE];
};

/* Of a state's fields the one that is not for drawing. */
struct message_state {
    char bench_id[BENCH_ID_SIZE]; /* empty: not known */
};

struct message {
    enum message_kind kind;
    struct message_common common;
    union {
        struct message_reading reading;
        struct message_brew brew;
        struct message_stage stage;
        struct message_measure measure;
        struct message_instrument instrument;
        struct message_warning warning;
        struct message_check check;
        struct message_alarm alarm;
        struct message_state state;
    };
    json_t *json; /* when read: the whole object, owned by the message; for MESSAGE_STATE all there is;
                   * for a MESSAGE_READING perhaps NULL: `reading` has every field of it */
};

/* The topic ("reading/pier/left-scale") into out; returns its length. */
int message_topic(const struct message *message, char out[TOPIC_SIZE]);

/* The JSON text into out, no NUL counted.  Not for MESSAGE_STATE, whose writer is the daemon's.
 * Returns the length, -ENOSPC, or -EINVAL for a state. */
int message_write(const struct message *message, char *out, size_t size);

/* The common fields alone, with the opening brace and without the closing one, for a writer that
 * adds its own.  Returns the length, or -ENOSPC. */
int message_write_common(const struct message_common *common, char *out, size_t size);

/* Length of the UTF-8 sequence at the start of `at`, 0 when it is none (RFC 3629, table 3-7 of the Unicode Standard: no
 * overlong forms, no surrogates, nothing above U+10FFFF). */
int message_utf8_length(const unsigned char *at);

/* Writes text as a JSON string with its quotes; invalid UTF-8 becomes U+FFFD.
 * Returns the length, or -ENOSPC. */
int message_write_string(const char *text, char *out, size_t size);

/* Writes a number so that it reads back as the very same double, whatever the locale; null when it
 * is not finite.  Returns the length, or -ENOSPC. */
int message_write_number(double value, char *out, size_t size);

/* Writes the object of all measures that are known:
 * {"dose_g":{"value":15.02,"standard_uncertainty":0.03}}.  Returns the length, or -ENOSPC. */
int message_write_measures(const struct measures *measures, char *out, size_t size);

/* The other way round: `json` is such an object.  Returns 0, or -EINVAL with a sentence. */
int message_read_measures(json_t *json, struct measures *out, struct why *why);

/* Reads a message as received.  Fields that are not known are left in `json` and ignored; a text too
 * long for its place is cut between characters.  Returns 0; -EINVAL with a sentence when it is not a
 * message, -EPROTO when its version is a newer one, -ENOMEM.  On success the caller owns the message:
 * message_free. */
int message_read(const char *topic, size_t topic_length, const char *text, size_t length, struct message *out,
                 struct why *why);

void message_free(struct message *message);

#pragma GCC visibility pop

#endif
