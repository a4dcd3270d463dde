/* What an instrument says, to the stations: the one way for what happens now, for what the journal has after a restart,
 * and for a replay.  Knows nothing of ports and layouts. */
#ifndef POISE_SOURCE_H
#define POISE_SOURCE_H

#include "station.h"

/* An instrument as stations know it. */
struct source {
    char name[NAME_SIZE];
    int station;       /* -1: the whole bench */
    enum quantity own; /* what it is there for; QUANTITY_NONE: all that it shows */
    bool weighs_cup;   /* a station's second scale */
    bool apart;        /* a scale of no station, where a station has its own: shown and kept, but
                        * what lies on it is no part of a brew */
};

/* As the configuration says; `instrument` is its place there. */
struct source source_configured(const struct config *config, int instrument, const struct stations *stations);

/* -1 when there is none of that name. */
int source_find(const struct config *config, const char *name);

/* A reading goes to whom it concerns. */
void source_reading(struct stations *stations, const struct source *source, const struct reading *reading, uint64_t seq,
                    struct moment now);

/* What is known with a reading of this source, once the station has been given it; false: it is no station's own scale
 * that weighs. */
bool source_view(const struct stations *stations, const struct source *source, const struct reading *reading,
                 int64_t now_us, struct station_view *out);

/* Whether it belongs to a brew: one runs at its station, or is being made ready there. */
bool source_in_brew(const struct stations *stations, const struct source *source);

/* It fell silent or is lost, or it was ordered to tare; other changes concern no station. */
void source_changed(struct stations *stations, const struct source *source, enum instrument_change change,
                    struct moment now);

/* A reading or a change as it was recorded, fed again: time passes first. */
void source_again(struct stations *stations, const struct source *source, const struct message *message);

#endif
