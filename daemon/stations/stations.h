/* Stations: where brewers stand.  Each has a tracker; the brews and the strength readings are the bench's.
 *
 * No I/O and no clock: messages go out through `emit`, time comes in as an argument, and what must outlive the process
 * is handed out by key and taken back (station.h). */
#ifndef POISE_STATIONS_H
#define POISE_STATIONS_H

#include <stdbool.h>
#include <stdint.h>

#include "brews.h"
#include "calibration.h"
#include "pan.h"
#include "samples.h"
#include "slurry.h"
#include "vessels.h"
#include "watch.h"
#include "config/config.h"
#include "poise/clock.h"
#include "poise/messages.h"
#include "poise/why.h"
#include "tracker/tracker.h"

enum {
    LOOSE_READINGS = 24, /* strength readings without a cup that can still be assigned: two cups' most */
    MOVES_KEPT = 160     /* readings that one order about samples can move and be taken back: a day's cups */
};

/* What the operator ordered last at a station, while it can be taken back. */
struct order_given {
    enum { ORDER_NONE, ORDER_BEGUN, ORDER_MARKED } kind;
    enum stage stage; /* ORDER_MARKED ... */
    int64_t at_us;    /* ... and for when */
    int64_t given_us;
    char brew[BREW_SIZE];
};

struct station {
    struct station_config config;
    struct tracker *tracker;
    struct pan pan;
    struct slurry slurry;
    char scale[NAME_SIZE];                      /* its scale's name; empty: it has none */
    double shown_g, shown_resolution_g;         /* what that showed last, at rest ... */
    int64_t shown_us, shown_since_us, empty_us; /* ... when, since when the same; when it was last seen empty */
    double alone_g, alone_u_g;                  /* set down alone since the last brew; NAN: nothing ... */
    int64_t alone_us;                           /* ... and when, UTC */
    uint64_t saved_seq;                         /* restored from: readings after it are fed again */
    bool restored, changed;                     /* changed: since it was last kept */
    struct order_given given;
};

struct stations {
    struct station *all;
    int count;
    struct brews brews;
    int replicates;
    double strength_per_brix, strength_per_brix_u; /* by so many pairs; u 0: as configured */
    int strength_pairs;
    bool filtered;
    struct sample loose[LOOSE_READINGS]; /* strength readings that are no cup's, oldest first */
    int loose_count;
    char sample[BREW_SIZE];               /* the operator named the brew whose sample is read next */
    uint64_t meant_seq;                   /* the strength reading that `assign` means when none is named: the newest, or
                                           * the one that was taken back since; 0: none */
    uint64_t strength_seq;                /* of the newest strength reading that was used or kept */
    int64_t strength_us;                  /* when it came */
    int strength_slot;                    /* on which refractometer */
    struct sample blanks[LOOSE_READINGS]; /* readings of water, oldest first */
    int blank_count;
    struct refractometer {
        char name[NAME_SIZE];
        bool used;
        double accuracy_pct;      /* NAN: not known */
        bool by_brix, zeroed;     /* it shows Brix or an index; it was ordered to show zero since its last reading */
        bool follows_temperature; /* it does not correct for that of the sample */
        int64_t doubt_since_us, doubt_until_us; /* what it read between is less sure ... */
        double doubt_u_pct;                     /* ... by this; 0: no doubt */
    } refractometers[SAMPLES_INSTRUMENTS];      /* as samples know them by */
    struct calibration calibrations[CALIBRATIONS];
    bool calibrations_changed; /* since they were last kept */
    struct vessels vessels;
    bool vessels_changed; /* since they were last kept */
    struct watched watched[WATCHED];
    bool watched_changed; /* since they were last kept */
    struct moved {
        uint64_t seq;
        char brew[BREW_SIZE]; /* empty: no cup's */
        bool said;
    } undo[MOVES_KEPT]; /* whose readings were whose before the last order about them */
    int undo_count;
    struct doubted {
        char brew[BREW_SIZE];
        enum measure measure;
        double value;
    } doubted;           /* a number that was asked back: the same again is meant */
    int64_t unknown_us;  /* when it was last said that a reading cannot become a strength */
    double sample_c;     /* of what lies on the refractometer; NAN: it has not said */
    int64_t sample_c_us; /* when it said so */
    bool state_changed;  /* late joiners' picture differs: publish it */
    void *context;
    void (*emit)(void *context, struct message *message); /* the common fields are the callee's */
    /* A brew begins at a station: the plan's object for it (stolen), or NULL.  May be NULL. */
    json_t *(*plan)(void *context, const char *station, const char *brew);
    /* A brew of the plan ended or was discarded, or, `corrected`, got other numbers since, and a new verdict is
     * reported: sets brew->plan_kept, and `why` to the reasons when it was not kept, else empty.  May be NULL. */
    void (*planned_over)(void *context, struct brew *brew, bool corrected, struct why *why);
};

/* Fills `stations`, whose callbacks are set already.  0 or a negative errno. */
int stations_open(struct stations *stations, const struct config *config, struct why *why);
void stations_close(struct stations *stations);

/* Stations that stay keep their brews; those that are gone end theirs. */
int stations_reconfigure(struct stations *stations, const struct config *config, struct moment now, struct why *why);

/* -1 when there is none of that name. */
int station_find(const struct stations *stations, const char *name);

/* The brew that is running at a station; NULL. */
struct brew *station_running(const struct stations *stations, int station);

#endif
