/* What a stage tracker makes of a session of the kitchen: its events with every correction applied.  It sees tracker.h
 * and nothing behind it. */
#ifndef POISE_TESTS_KITCHEN_WATCH_H
#define POISE_TESTS_KITCHEN_WATCH_H

#include "kitchen.h"
#include "poise/stages.h"

enum { SEEN_STAGES = 96 };

struct seen_stage {
    enum stage stage;
    double at_s, uncertainty_s;
};

struct seen_brew {
    uint32_t number;
    double began_s, ended_s; /* ended_s: NAN while it runs */
    bool discarded;
    struct seen_stage stage[SEEN_STAGES];
    int stage_count;
    double value[MEASURE_COUNT], standard_uncertainty[MEASURE_COUNT];
    bool above[MEASURE_COUNT];
    bool asked[MEASURE_COUNT];
};

struct seen {
    struct seen_brew *brew;
    int brew_count, brew_room;
    double *arrival_s; /* when the readings of the first scale arrived */
    int arrival_count, arrival_room;
    long readings;
    double end_s;
    bool print; /* every event as it comes */
};

/* Plays the session to a tracker.  0, or -1: no memory. */
int kitchen_watch(const struct kitchen_session *session, struct seen *seen);
void kitchen_forget(struct seen *seen);

#endif
