/* What happens at the stations: readings go to their trackers, what those say becomes messages, names and numbers of
 * brews.  Also the hands of the operator: marks, measures, begin, end, notes. */
#ifndef POISE_STATION_H
#define POISE_STATION_H

#include <stdbool.h>
#include <stdint.h>

#include "report.h"
#include "stations.h"
#include "poise/reading.h"

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

/* A station as a screen shows it: with each reading, and in the state.  What the tracker knows counts; until it knows,
 * what the scale gained since a mark, a tare or a cup was set down.  NAN: not known. */
struct station_view {
    enum stage stage;
    int64_t stage_at_us, first_water_us; /* 0: not yet */
    double load_g;                       /* all that stands on the scale, tares added back */
    double water_g;                      /* in a brew: in so far; of a pour that was marked by hand from its mark on */
    double flow_g_per_s;                 /* in a brew with water: of the pour now */
    double press_kpa;                    /* now, while pressing */
    double added_g;                      /* before the water: since the tare, or since something heavy was set down */
    double weighed_g;                    /* before the water: added and then tared away */
    bool tared;                          /* before the water: something stands there and was tared away */
    bool cup_left;                       /* the last brew has ended and its cup stands there still */
};
void station_look(const struct stations *stations, int station, int64_t now_us, struct station_view *out);

/* ---- the operator; 0, or -EINVAL with a sentence ---- */

int station_mark(struct stations *stations, int station, enum stage stage, int64_t at_us, struct moment now,
                 struct why *why);
int station_begin(struct stations *stations, int station, struct moment now, struct why *why);
int station_end(struct stations *stations, int station, struct moment now, struct why *why);

/* Takes the last begin or mark back, within ten seconds of it: a brew that it began is discarded. */
int station_undo(struct stations *stations, int station, struct moment now, struct why *why);

/* The running brew of the station, or one that is over. */
int station_discard(struct stations *stations, int station, const char *reason, struct moment now, struct why *why);
int brew_discard(struct stations *stations, struct brew *brew, const char *reason, struct moment now, struct why *why);

/* A number that cannot well be true is asked back once, as a slip of the finger: -EAGAIN with the question.  The same
 * again is taken, and a warning notes it. */
int brew_doubt(struct stations *stations, const struct brew *brew, enum measure measure, double value, struct why *why);

/* A measure of a brew, as the operator read it; the uncertainty may be NAN. */
int brew_enter(struct stations *stations, struct brew *brew, enum measure measure, double value,
               double standard_uncertainty, struct moment now, struct why *why);

/* Ends a brew with what is known of it; nothing when it is over already. */
void brew_end_here(struct stations *stations, struct brew *brew, struct moment now);
int brew_note(struct stations *stations, const struct brew *brew, const char *note, struct why *why);

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
