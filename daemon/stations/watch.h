/* The bench watches its instruments: what each shows of the same thing is charted (poise/control_chart.h), kept in the
 * record, and where it changes the brews that it touches get a wider uncertainty, with an event for each.
 *
 * No I/O and no clock: like the rest of the room. */
#ifndef POISE_WATCH_H
#define POISE_WATCH_H

#include <jansson.h>

#include "poise/control_chart.h"
#include "poise/messages.h"
#include "poise/clock.h"
#include "poise/reading.h"

struct stations;
struct brew;

enum {
    WATCHED = 24,
    WATCHED_TIMES = 64,
    WATCHED_TOGETHER = 5
}; /* charts of a bench; of each so many times are remembered */

struct watched {
    char instrument[NAME_SIZE]; /* empty: free */
    enum check_kind check;
    char plan[DETAIL_SIZE]; /* with CHECK_CONTROL: which is brewed; of another the chart begins again */
    struct control_chart chart;
    int64_t time_us[WATCHED_TIMES];    /* of the value in that place, counted round */
    double together[WATCHED_TOGETHER]; /* weighings of vessels that are not charted yet: their median is, of so many */
    int together_count;
};

/* One value: to the record and to its chart. */
void watch_take(struct stations *stations, const struct message_check *check, double resolution, struct moment now);

/* A station's scale shows something: an empty one is looked at now and then. */
void watch_scale(struct stations *stations, int station, const struct reading *reading, struct moment now);

/* How much readings of one sample differ, of a cup that has them all. */
void watch_spread(struct stations *stations, const struct brew *brew, struct moment now);

/* What a brew came to whose plan is brewed to watch the bench, when it has all its readings. */
void watch_control(struct stations *stations, const struct brew *brew, struct moment now);

json_t *watch_save(const struct stations *stations);
void watch_load(struct stations *stations, const json_t *json);

#endif
