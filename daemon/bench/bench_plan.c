/* The plan on the bench: brews take their run from it, stations aim at what it asks. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "bench_parts.h"

static const char *station_name(const void *context, int index)
{
    const struct bench *bench = context;

    return bench->stations.all[index].config.name;
}

/* What each station's tracker should expect: the run that is brewed there, or the one offered next. */
void bench_planned(void *context)
{
    struct bench *bench = context;

    planner_stations(&bench->planner, station_name, bench, bench->stations.count);
    for (int i = 0; i < bench->stations.count; i++) {
        struct station *station = &bench->stations.all[i];
        const struct brew *brew = station_running(&bench->stations, i);
        int offer = brew ? -1 : planner_offer(&bench->planner, station->config.name);
        struct tracker_plan aim;
        json_t *run = NULL;

        if (brew)
            run = json_incref(brew->plan);
        else if (offer >= 0)
            run = plan_run_json(bench->planner.plan, &bench->planner.runs[offer], offer + 1);
        plan_targets(run, aim.target, aim.tolerance);
        tracker_configure(station->tracker, NULL, &aim);
        json_decref(run);
    }
    bench->stations.state_changed = true;
}

json_t *bench_plan(void *context, const char *station, const char *brew)
{
    struct bench *bench = context;

    return planner_take(&bench->planner, station, brew);
}

/* `credited`: with the run that the brew is now. */
static void report_verdict(struct bench *bench, const struct brew *brew, bool credited, const struct why *why)
{
    struct message message = { .kind = MESSAGE_BREW };
    char *plan = credited && brew->plan ? json_dumps(brew->plan, JSON_COMPACT) : NULL;

    strcpy(message.brew.brew, brew->name);
    strcpy(message.brew.station, brew->station);
    message.brew.change = BREW_VERDICT;
    message.brew.at_us = brew->ended_us;
    message.brew.plan_kept = brew->plan_kept;
    snprintf(message.brew.note, DETAIL_SIZE, "%s", why->text);
    message.brew.plan_json = plan;
    measures_clear(&message.brew.measures);
    bench_emit(bench, &message);
    free(plan);
}

void bench_credited(void *context, struct brew *brew, const struct why *why)
{
    report_verdict(context, brew, true, why);
}

void bench_planned_over(void *context, struct brew *brew, bool corrected, struct why *why)
{
    struct bench *bench = context;
    int before = brew->plan_kept;
    json_t *was = json_incref(brew->plan);

    if (planner_over(&bench->planner, brew, why)) {
        bool credited = brew->plan != was;

        if (corrected || credited)
            report_verdict(bench, brew, credited, why);
        if (credited)
            stations_warn(&bench->stations, brew, brew->station, "plan-credited", "%s: %s.", brew->name, why->text);
        else if (brew->plan_kept == 0)
            stations_warn(&bench->stations, brew, brew->station, "plan-not-kept", "%s. Kept; repeat queued.",
                          why->text);
        else if (before == 0)
            stations_warn(&bench->stations, brew, brew->station, "plan-kept", "corrected: %s keeps its plan after all",
                          brew->name);
    }
    json_decref(was);
    bench_planned(bench);
}
