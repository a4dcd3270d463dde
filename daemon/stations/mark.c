/* The operator's marks and what follows from them; see mark.h.  What a mark means while a brew runs is the
 * tracker's. */
#include "mark.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

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
    for (const struct staged *at = after ? after + 1 : brew->stages; at < brew->stages + brew->stage_count; at++)
        if (at->stage >= first && at->stage <= last)
            return at;
    return NULL;
}

/* The stage that ended the last stir before the press. */
static const struct staged *stir_end(const struct brew *brew, const struct staged *press)
{
    const struct staged *end = NULL;

    for (const struct staged *at = brew->stages; at < press; at++)
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
            brew_report(stations, brew, measure, BY_OPERATOR);
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

    for (int i = 0; i < brew->stage_count; i++)
        if (brew->stages[i].stage == stage
            && (best < 0 || llabs(brew->stages[i].at_us - at_us) < llabs(brew->stages[best].at_us - at_us)))
            best = i;
    return best;
}

static void take_out(struct brew *brew, int place)
{
    brew->stage_count--;
    memmove(brew->stages + place, brew->stages + place + 1, sizeof *brew->stages * (size_t)(brew->stage_count - place));
}

/* What lies between pour and press was reported between the stage's old time and its new one, and cannot be there now.
 */
static void take_out_passed(struct brew *brew, enum stage stage, int64_t from_us, int64_t to_us)
{
    for (int i = brew->stage_count - 1; i >= 0; i--) {
        const struct staged *at = &brew->stages[i];
        bool passed = at->stage < stage ? at->at_us > to_us && at->at_us < from_us
                                        : at->stage > stage && at->at_us > from_us && at->at_us < to_us;

        if (passed && at->stage > STAGE_POUR && at->stage < STAGE_PRESS)
            take_out(brew, i);
    }
}

static int put_in(struct brew *brew, enum stage stage, int64_t at_us)
{
    int place = brew->stage_count;

    while (place > 0 && brew->stages[place - 1].at_us > at_us)
        place--;
    memmove(brew->stages + place + 1, brew->stages + place, sizeof *brew->stages * (size_t)(brew->stage_count - place));
    brew->stages[place] = (struct staged){ stage, at_us, MARK_U_US, BY_OPERATOR };
    brew->stage_count++;
    return place;
}

/* The dose lies before the water, the press behind it, the weighing behind the press: what breaks that, or NULL. */
static const struct staged *out_of_order(const struct brew *brew, int place)
{
    enum stage stage = brew->stages[place].stage;

    for (int i = 0; i < brew->stage_count; i++) {
        const struct staged *other = &brew->stages[i];
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

/* A stage reported takes back all that was reported from its time on: so they are reported from the first difference,
 * and if that one moves later, from the one before it. */
static int first_reported(const struct brew *before, const struct brew *after)
{
    const struct staged *old = before->stages, *new = after->stages;
    int same = 0;

    while (same < before->stage_count && same < after->stage_count
           && old[same].stage == new[same].stage &&old[same].by == new[same].by &&old[same].at_us == new[same].at_us)
        same++;
    if (same > 0 && same < before->stage_count && (same == after->stage_count || new[same].at_us > old[same].at_us))
        same--;
    return same;
}

static void report_stage(struct stations *stations, const struct brew *brew, const struct staged *staged)
{
    struct message message = { .kind = MESSAGE_STAGE };

    strcpy(message.stage.brew, brew->name);
    strcpy(message.stage.station, brew->station);
    message.stage.stage = staged->stage;
    message.stage.at_us = staged->at_us;
    message.stage.uncertainty_us = staged->u_us;
    message.stage.by = staged->by;
    stations->emit(stations->context, &message);
}

/* Before the first there is idle: it takes back a first one that moves later. */
static void report_from(struct stations *stations, const struct brew *brew, int place, int64_t first_was_us)
{
    if (place == 0 && brew->stages[0].at_us > first_was_us)
        report_stage(stations, brew, &(struct staged){ STAGE_IDLE, first_was_us, 0, BY_OPERATOR });
    for (int i = place; i < brew->stage_count; i++)
        report_stage(stations, brew, &brew->stages[i]);
}

int mark_afterwards(struct stations *stations, struct brew *brew, enum stage stage, int64_t at_us, struct why *why)
{
    struct brew after = *brew; /* its plan and all else stay the brew's */
    int old = nearest(brew, stage, at_us), place, first;
    bool was_reported[MEASURE_COUNT];
    int64_t first_was_us;
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
        int64_t from_us = brew->stages[old].at_us;

        take_out(&after, old);
        take_out_passed(&after, stage, from_us, at_us);
    }
    if (after.stage_count == BREW_STAGES)
        return why_set(why, -EINVAL, "%s has as many stages as can be held", brew->name);
    place = put_in(&after, stage, at_us);
    if ((broken = out_of_order(&after, place)))
        return why_set(why, -EINVAL, "the %s of %s cannot begin %s its %s", stage_name(stage), brew->name,
                       broken < &after.stages[place] ? "after" : "before", stage_name(broken->stage));
    first = first_reported(brew, &after);
    if (first == after.stage_count)
        return 0; /* it is marked so already */
    first_was_us = brew->stage_count ? brew->stages[0].at_us : at_us;
    for (int i = 0; i < MEASURE_COUNT; i++)
        was_reported[i] = is_reported(brew, (enum measure)i);
    memcpy(brew->stages, after.stages, sizeof brew->stages);
    brew->stage_count = after.stage_count;
    brew->changed = stations->state_changed = true;
    report_from(stations, brew, first, first_was_us);
    for (int i = 0; i < MEASURE_COUNT; i++) /* a time that went with its stage */
        if (was_reported[i] && !is_reported(brew, (enum measure)i)
            && brew_measure(brew, (enum measure)i, NAN, NAN, false))
            brew_report(stations, brew, (enum measure)i, BY_OPERATOR);
    mark_report_times(stations, brew, BY_OPERATOR);
    return 0;
}
