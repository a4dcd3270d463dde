/* The operator's marks and what follows from them; see mark.h.  What a mark means while a brew runs is the
 * tracker's. */
#include "mark.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "report.h"

/* A hand is so sure of when it did something (common practice, no source); as the tracker has it. */
static const int64_t MARK_U_US = 200000;

/* A dose may be marked so long before the brew was seen to begin. */
static const int64_t BEFORE_US = 600000000;

/* ---- times between stages ---- */

struct between {
    const struct staged *from, *to; /* NULL: not reported */
};

static const struct staged *next_of(const struct brew *brew, const struct staged *after, enum stage first,
                                    enum stage last)
{
    for (const struct staged *at = after ? after + 1 : brew->timeline.stage;
         at < brew->timeline.stage + brew->timeline.count; at++)
        if (at->stage >= first && at->stage <= last)
            return at;
    return NULL;
}

/* The stage that ended the last stir before the press. */
static const struct staged *stir_end(const struct brew *brew, const struct staged *press)
{
    const struct staged *end = NULL;

    for (const struct staged *at = brew->timeline.stage; at < press; at++)
        if (at->stage == STAGE_STIR)
            end = at + 1;
    return end && end < press ? end : NULL;
}

/* Between what the measure is the time; false: it is none. */
static bool find_between(const struct brew *brew, enum measure measure, struct between *out)
{
    const struct staged *water = next_of(brew, NULL, STAGE_BLOOM, STAGE_POUR);
    const struct staged *press = next_of(brew, water, STAGE_PRESS, STAGE_PRESS);

    switch (measure) {
    case MEASURE_STEEP_S:
        *out = (struct between){ water, press };
        return true;
    case MEASURE_BLOOM_S:
        *out = (struct between){ NULL, NULL };
        if (water && water->stage == STAGE_BLOOM)
            *out = (struct between){ water, next_of(brew, water, STAGE_POUR, STAGE_POUR) };
        return true;
    case MEASURE_SETTLE_S:
        *out = (struct between){ press ? stir_end(brew, press) : NULL, press };
        return true;
    case MEASURE_PRESS_S:
        *out = (struct between){ press, press ? next_of(brew, press, STAGE_PRESS + 1, STAGE_DONE) : NULL };
        return true;
    default:
        return false;
    }
}

static bool is_marked(const struct staged *staged)
{
    return staged && staged->by == BY_OPERATOR;
}

bool mark_rules(const struct brew *brew, enum measure measure)
{
    struct between between;

    return find_between(brew, measure, &between) && (is_marked(between.from) || is_marked(between.to));
}

void mark_report_times(struct stations *stations, struct brew *brew, enum made_by by)
{
    for (int i = 0; i < MEASURE_COUNT; i++) {
        enum measure measure = (enum measure)i;
        struct between between;
        double seconds, u_s;

        if (!mark_rules(brew, measure) || !find_between(brew, measure, &between) || !between.from || !between.to
            || (by == BY_TRACKER && !isnan(brew->measures.value[measure])))
            continue;
        seconds = (double)(between.to->at_us - between.from->at_us) / 1e6;
        u_s = hypot((double)between.from->u_us, (double)between.to->u_us) / 1e6;
        if (brew_measure(brew, measure, seconds, u_s, false))
            report_measure(stations, brew, measure, BY_OPERATOR);
    }
}

static bool is_reported(const struct brew *brew, enum measure measure)
{
    struct between between;

    return find_between(brew, measure, &between) && between.from && between.to;
}

/* ---- after the end ---- */

struct brew *mark_meant(const struct stations *stations, const char *station, int64_t at_us)
{
    for (int i = stations->brews.count - 1; i >= 0; i--) {
        struct brew *brew = stations->brews.all[i];

        if (brew->ended && !brew->discarded && !brew->earlier_boot && strcmp(brew->station, station) == 0
            && at_us >= brew->began_us && at_us < brew->ended_us)
            return brew;
    }
    return NULL;
}

/* Its place among the stages reported; -1: it was not reported. */
static int nearest(const struct brew *brew, enum stage stage, int64_t at_us)
{
    int best = -1;

    for (int i = 0; i < brew->timeline.count; i++)
        if (brew->timeline.stage[i].stage == stage
            && (best < 0
                || llabs(brew->timeline.stage[i].at_us - at_us) < llabs(brew->timeline.stage[best].at_us - at_us)))
            best = i;
    return best;
}

static void take_out(struct brew *brew, int place)
{
    brew->timeline.count--;
    memmove(brew->timeline.stage + place, brew->timeline.stage + place + 1,
            sizeof *brew->timeline.stage * (size_t)(brew->timeline.count - place));
}

/* What lies between pour and press was reported between the stage's old time and its new one, and cannot be there now.
 */
static void take_out_passed(struct brew *brew, enum stage stage, int64_t from_us, int64_t to_us)
{
    for (int i = brew->timeline.count - 1; i >= 0; i--) {
        const struct staged *at = &brew->timeline.stage[i];
        bool passed = at->stage < stage ? at->at_us > to_us && at->at_us < from_us
                                        : at->stage > stage && at->at_us > from_us && at->at_us < to_us;

        if (passed && at->stage > STAGE_POUR && at->stage < STAGE_PRESS)
            take_out(brew, i);
    }
}

static int put_in(struct brew *brew, enum stage stage, int64_t at_us)
{
    int place = brew->timeline.count;

    while (place > 0 && brew->timeline.stage[place - 1].at_us > at_us)
        place--;
    memmove(brew->timeline.stage + place + 1, brew->timeline.stage + place,
            sizeof *brew->timeline.stage * (size_t)(brew->timeline.count - place));
    brew->timeline.stage[place] = (struct staged){ stage, at_us, MARK_U_US, BY_OPERATOR };
    brew->timeline.count++;
    return place;
}

/* The dose lies before the water, the press behind it, the weighing behind the press: what breaks that, or NULL. */
static const struct staged *out_of_order(const struct brew *brew, int place)
{
    enum stage stage = brew->timeline.stage[place].stage;

    for (int i = 0; i < brew->timeline.count; i++) {
        const struct staged *other = &brew->timeline.stage[i];
        bool earlier = i < place;

        if (i != place
            && ((other->stage == STAGE_DOSE && stage > STAGE_DOSE && !earlier)
                || (stage == STAGE_DOSE && other->stage > STAGE_DOSE && earlier)
                || (other->stage >= STAGE_PRESS && stage < STAGE_PRESS && earlier)
                || (stage >= STAGE_PRESS && other->stage < STAGE_PRESS && !earlier)
                || (other->stage > STAGE_PRESS && stage == STAGE_PRESS && earlier)
                || (stage > STAGE_PRESS && other->stage == STAGE_PRESS && !earlier)))
            return other;
    }
    return NULL;
}

int mark_afterwards(struct stations *stations, struct brew *brew, enum stage stage, int64_t at_us, struct why *why)
{
    struct brew after = *brew; /* its plan and all else stay the brew's */
    int old = nearest(brew, stage, at_us), place, first;
    bool was_reported[MEASURE_COUNT];
    int64_t idle_us;
    const struct staged *broken;

    if (brew->discarded)
        return why_set(why, -EINVAL, "%s is discarded: it takes no marks", brew->name);
    if (brew->earlier_boot)
        return why_set(why, -EINVAL,
                       "%s was brewed before the computer was restarted, so no time fits it: enter "
                       "its steep_s, bloom_s, settle_s or press_s",
                       brew->name);
    if (stage == STAGE_IDLE || stage >= STAGE_STRENGTH)
        return why_set(why, -EINVAL,
                       "%s is over: its dose, bloom, pour, steep, stir, settle, press and weigh can "
                       "be marked, %s cannot",
                       brew->name, stage_name(stage));
    if (at_us < brew->began_us - BEFORE_US || at_us > brew->ended_us)
        return why_set(why, -EINVAL, "%s was not brewed then", brew->name);
    if (old >= 0) {
        int64_t from_us = brew->timeline.stage[old].at_us;

        take_out(&after, old);
        take_out_passed(&after, stage, from_us, at_us);
    }
    if (after.timeline.count == TIMELINE_STAGES)
        return why_set(why, -EINVAL, "%s has as many stages as can be held", brew->name);
    place = put_in(&after, stage, at_us);
    if ((broken = out_of_order(&after, place)))
        return why_set(why, -EINVAL, "the %s of %s cannot begin %s its %s", stage_name(stage), brew->name,
                       broken < &after.timeline.stage[place] ? "after" : "before", stage_name(broken->stage));
    first = timeline_first_to_report(&brew->timeline, &after.timeline, &idle_us);
    if (first == after.timeline.count)
        return 0; /* it is marked so already */
    for (int i = 0; i < MEASURE_COUNT; i++)
        was_reported[i] = is_reported(brew, (enum measure)i);
    brew->timeline = after.timeline;
    brew->changed = stations->state_changed = true;
    if (idle_us)
        report_stage(stations, brew, &(struct staged){ STAGE_IDLE, idle_us, 0, BY_OPERATOR });
    for (int i = first; i < brew->timeline.count; i++)
        report_stage(stations, brew, &brew->timeline.stage[i]);
    for (int i = 0; i < MEASURE_COUNT; i++) /* a time that went with its stage */
        if (was_reported[i] && !is_reported(brew, (enum measure)i)
            && brew_measure(brew, (enum measure)i, NAN, NAN, false))
            report_measure(stations, brew, (enum measure)i, BY_OPERATOR);
    mark_report_times(stations, brew, BY_OPERATOR);
    return 0;
}
