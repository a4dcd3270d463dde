/* Stations: where brewers stand.  Each has a tracker; what it says becomes messages, names and numbers
 * of brews.  Also the hands of the operator (marks, measures, begin, end, notes) and the strength of
 * the cups.
 *
 * No I/O and no clock: messages go out through `emit`, time comes in as an argument, and what must
 * outlive the process is handed out by key and taken back. */
#ifndef POISE_STATION_H
#define POISE_STATION_H

#include <stdbool.h>
#include <stdint.h>

#include "brews.h"
#include "config/config.h"
#include "poise/clock.h"
#include "poise/messages.h"
#include "poise/reading.h"
#include "poise/why.h"
#include "tracker/tracker.h"

enum { LOOSE_READINGS = 24 }; /* strength readings without a cup that can still be assigned: two cups' most */

struct station {
    struct station_config config;
    struct tracker *tracker;
    uint64_t saved_seq;     /* restored from: readings after it are fed again */
    bool restored, changed; /* changed: since it was last kept */
};

struct stations {
    struct station *all;
    int count;
    struct brews brews;
    int replicates;
    double strength_per_brix;
    bool filtered;
    struct sample loose[LOOSE_READINGS]; /* strength readings that are no cup's, oldest first */
    int loose_count;
    char sample[BREW_SIZE]; /* the operator named the brew whose sample is read next */
    uint64_t meant_seq;     /* the strength reading that `assign` means when none is named: the newest, or
                             * the one that was taken back since; 0: none */
    uint64_t strength_seq;  /* of the newest strength reading that was used or kept */
    int64_t strength_us;    /* when it came */
    double blank_pct;       /* the newest reading of water; NAN: none */
    int64_t unknown_us;     /* when it was last said that a reading cannot become a strength */
    double sample_c;        /* of what lies on the refractometer; NAN: it has not said */
    int64_t sample_c_us;    /* when it said so */
    bool state_changed;     /* late joiners' picture differs: publish it */
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

/* One reading; station -1: of the whole bench. */
void stations_reading(struct stations *stations, int station, const struct reading *reading, uint64_t seq,
                      struct moment now);

/* One reading of a station's second scale, the one for the cup. */
void stations_second(struct stations *stations, int station, const struct reading *reading, uint64_t seq,
                     struct moment now);

/* The scale of a station, or its second one for the cup, fell silent or is lost. */
void stations_gap(struct stations *stations, int station, bool cup, struct moment now);

/* The scale of a station was ordered to tare. */
void stations_tare_ordered(struct stations *stations, int station, struct moment now);

/* Time passed; the next time stations_time is wanted, 0: never. */
void stations_time(struct stations *stations, struct moment now);
int64_t stations_deadline(const struct stations *stations);

/* ---- the operator; 0, or -EINVAL with a sentence ---- */

int station_mark(struct stations *stations, int station, enum stage stage, int64_t at_us, struct moment now,
                 struct why *why);
int station_begin(struct stations *stations, int station, struct moment now, struct why *why);
int station_end(struct stations *stations, int station, struct moment now, struct why *why);

/* The running brew of the station, or one that is over. */
int station_discard(struct stations *stations, int station, const char *reason, struct moment now, struct why *why);
int brew_discard(struct stations *stations, struct brew *brew, const char *reason, struct moment now, struct why *why);

/* A measure of a brew, as the operator read it; the uncertainty may be NAN. */
int brew_enter(struct stations *stations, struct brew *brew, enum measure measure, double value,
               double standard_uncertainty, struct moment now, struct why *why);

/* Ends a brew with what is known of it; nothing when it is over already. */
void brew_end_here(struct stations *stations, struct brew *brew, struct moment now);
int brew_note(struct stations *stations, const struct brew *brew, const char *note, struct why *why);

/* The brew that is running at a station; NULL. */
struct brew *station_running(const struct stations *stations, int station);

/* Emits the measure as it stands, and what follows from it. */
void brew_report(struct stations *stations, struct brew *brew, enum measure measure, enum made_by by);

/* A warning; brew and station may be NULL. */
void stations_warn(struct stations *stations, const struct brew *brew, const char *station, const char *word,
                   const char *format, ...) __attribute__((format(printf, 5, 6)));

/* ---- what outlives the process ---- */

struct saved_at {
    uint64_t seq;
    struct moment moment;
    double rate;
};

/* Hands out what changed since the last time (`all`: everything), each under its key. */
void stations_save(struct stations *stations, bool all, const struct saved_at *at,
                   void (*keep)(void *context, const char *key, const void *data, size_t length), void *context);

/* Hands out (DATA NULL) the keys of the stations that this configuration does not have: to be forgotten. */
void stations_forget_gone(const struct stations *stations, const struct config *config,
                          void (*keep)(void *context, const char *key, const void *data, size_t length), void *context);

/* Takes back one thing; keys that are not its own are ignored.  Not yet in force. */
void stations_load(struct stations *stations, const char *key, const void *data, size_t length,
                   const struct saved_at *now);

/* All is taken back: brews whose tracker could not be restored are ended with what is known, and said. */
void stations_loaded(struct stations *stations, struct moment now);

/* The smallest seq from which readings must be fed again; UINT64_MAX: none. */
uint64_t stations_resume_seq(struct stations *stations);

#endif
