/* Stages as they were reported; see timeline.h. */
#include "poise/timeline.h"

#include <assert.h>
#include <string.h>

bool timeline_takes_back(int64_t at_us, int64_t reported_us)
{
    return reported_us >= at_us - TIMELINE_SAME_TIME_US;
}

void timeline_report(struct timeline *timeline, const struct staged *staged)
{
    assert(timeline->count >= 0 && timeline->count <= TIMELINE_STAGES);
    while (timeline->count && timeline_takes_back(staged->at_us, timeline->stage[timeline->count - 1].at_us))
        timeline->count--;
    if (staged->stage == STAGE_IDLE)
        return;
    if (timeline->count == TIMELINE_STAGES) {
        memmove(timeline->stage, timeline->stage + 1, sizeof timeline->stage - sizeof *timeline->stage);
        timeline->count--;
    }
    timeline->stage[timeline->count++] = *staged;
}

static bool same(const struct staged *a, const struct staged *b)
{
    return a->stage == b->stage && a->by == b->by && a->at_us == b->at_us;
}

/* What is reported takes back what lies behind it; where the first difference moves later, only the stage before it,
 * reported again, or idle, takes back what was there. */
int timeline_first_to_report(const struct timeline *before, const struct timeline *after, int64_t *idle_us)
{
    const struct staged *old = before->stage, *new = after->stage;
    int first = 0;

    *idle_us = 0;
    while (first < before->count && first < after->count && same(&old[first], &new[first]))
        first++;
    if (first == before->count || (first < after->count && timeline_takes_back(new[first].at_us, old[first].at_us)))
        return first;
    if (first == 0)
        *idle_us = old[0].at_us;
    return first > 0 ? first - 1 : 0;
}

int timeline_stages(const struct timeline *timeline, enum stage stage, int64_t *began_us, int64_t *ended_us)
{
    int64_t began = 0, ended = 0;
    int count = 0;

    for (int i = 0; i < timeline->count; i++) {
        if (timeline->stage[i].stage != stage)
            continue;
        count++;
        began = timeline->stage[i].at_us;
        ended = i + 1 < timeline->count ? timeline->stage[i + 1].at_us : 0;
    }
    if (began_us)
        *began_us = began;
    if (ended_us)
        *ended_us = ended;
    return count;
}

int64_t timeline_first_water_us(const struct timeline *timeline)
{
    for (int i = 0; i < timeline->count; i++)
        if (timeline->stage[i].stage == STAGE_BLOOM || timeline->stage[i].stage == STAGE_POUR)
            return timeline->stage[i].at_us;
    return 0;
}
