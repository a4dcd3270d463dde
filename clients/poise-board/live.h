/* What the pages show of the bench, as one JSON object: the guide as lib works it out, and the numbers around it.
 *
 * Pure: messages in, text out; local time is an argument.  A page draws what stands here and decides nothing. */
#ifndef BOARD_LIVE_H
#define BOARD_LIVE_H

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>

#include "poise/text.h"
#include "poise/view.h"
#include "trace.h"

enum {
    LIVE_CUPS = 6, /* the last ones */
    LIVE_NEXT = 5, /* of the plan's runs */
    LIVE_WORDS = 400
};

struct live_cup {
    char brew[BREW_SIZE];
    struct measures measures;
    bool above[MEASURE_COUNT];
    int kept; /* 1, 0, -1: no plan or not known */
};

struct live_run {
    int run;
    char words[LIVE_WORDS];
};

struct live {
    struct view view;
    struct trace trace[VIEW_STATIONS];
    struct view_bell bell;
    unsigned rings;         /* bells since the start; a page that has seen fewer rings */
    enum guide_moment rang; /* the last of them */
    struct live_cup cup[LIVE_CUPS];
    int cups; /* newest first */
    struct live_run next[LIVE_NEXT];
    int nexts;
    unsigned notices; /* counts the notices, so that the same one again is seen to be another */
};

void live_begin(struct live *live);

/* A message of the bench, at local CLOCK_BOOTTIME microseconds. */
void live_message(struct live *live, const struct message *message, int64_t local_us);

/* A cup from the store, newest first, before any message. */
void live_add_cup(struct live *live, const struct live_cup *cup);

/* The runs that are still open, out of the answer to `plan show`; NULL: there is no plan. */
void live_plan(struct live *live, const json_t *plan);

/* Whether something runs at a station, so that the picture changes by the clock alone. */
bool live_runs(const struct live *live);

/* Looks whether a bell is due. */
void live_ring(struct live *live, int64_t local_us);

/* Everything as it is at local_us, as one line of JSON. */
void live_write(const struct live *live, int64_t local_us, struct text *out);

/* The station of that name, or with an empty name the only one; NULL: there is none. */
const struct view_station *live_station(const struct live *live, const char *name);

#endif
