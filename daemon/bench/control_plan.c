/* Requests about the plan: load, show, next, skip, redo, credit, unload, check. */
#include <errno.h>
#include <math.h>
#include <string.h>
#include <sys/random.h>

#include "control_parts.h"
#include "poise/design.h"

static int get_text(struct request *request, const char **text, struct why *why)
{
    int error = control_string(request, "text", text, why);

    if (!error && !*text)
        return why_set(why, -EINVAL, "\"text\" is missing: the plan file's text");
    return error;
}

static void put_design(struct request *request, const struct plan *plan)
{
    struct design design;

    design_judge(plan, &design);
    json_object_set_new(
        request->reply, "design",
        json_pack("{s:i,s:i,s:f,s:f,s:b,s:o,s:b}", "cups", design.cups, "levels", design.levels, "hours", design.hours,
                  "spread", design.spread, "spread_assumed", design.spread_assumed, "smallest_difference",
                  isnan(design.smallest_difference) ? json_null() : json_real(design.smallest_difference), "answers",
                  design.answers));
}

static int do_load(struct request *request, struct why *why)
{
    struct planner *planner = request->control->planner;
    const char *text;
    uint32_t seed;
    int error = get_text(request, &text, why);

    if (error)
        return error;
    if (getrandom(&seed, sizeof seed, 0) != sizeof seed)
        return why_set(why, -EIO, "the system gives no random numbers; write a seed into the plan");
    if ((error = planner_load(planner, text, strlen(text), seed, why)) != 0)
        return error;
    planner_adopt(planner, &request->control->stations->brews, request->control->credited, request->control->context);
    json_object_set_new(request->reply, "experiment", json_string(planner->plan->name));
    json_object_set_new(request->reply, "done", json_integer(planner_done(planner)));
    json_object_set_new(request->reply, "seed", json_integer(planner->seed));
    put_design(request, planner->plan);
    return 0;
}

static int do_check(struct request *request, struct why *why)
{
    struct plan_mistakes mistakes;
    struct plan plan;
    const char *text;
    int error = get_text(request, &text, why);

    if (error || (error = plan_read(&plan, text, strlen(text), &mistakes, why)) != 0)
        return error;
    put_design(request, &plan);
    return 0;
}

static int need_plan(struct request *request, struct why *why)
{
    if (!request->control->planner->plan)
        return why_set(why, -EINVAL, "no plan is loaded; `poise-ctl plan load FILE` loads one");
    return 0;
}

static int do_show(struct request *request, struct why *why)
{
    int error = need_plan(request, why);

    if (!error)
        json_object_set_new(request->reply, "plan", planner_show(request->control->planner));
    return error;
}

static int put_next(struct request *request, int station)
{
    struct planner *planner = request->control->planner;
    int run = planner_offered(planner, request->control->stations->all[station].config.name);

    json_object_set_new(request->reply, "next",
                        run < 0 ? json_null() : plan_run_json(planner->plan, &planner->runs[run], run + 1));
    return 0;
}

static int do_next(struct request *request, struct why *why)
{
    int station;
    int error;

    if ((error = need_plan(request, why)) != 0 || (error = control_station(request, &station, why)) != 0)
        return error;
    return put_next(request, station);
}

static int do_skip(struct request *request, struct why *why)
{
    int station;
    int error;

    if ((error = need_plan(request, why)) != 0 || (error = control_station(request, &station, why)) != 0
        || (error = planner_skip(request->control->planner, request->control->stations->all[station].config.name, why))
               != 0)
        return error;
    return put_next(request, station);
}

static int do_redo(struct request *request, struct why *why)
{
    struct brew *brew;
    int error;

    if ((error = need_plan(request, why)) != 0 || (error = control_brew(request, &brew, why)) != 0)
        return error;
    json_object_set_new(request->reply, "brew", json_string(brew->name));
    return planner_redo(request->control->planner, brew, why);
}

static int do_credit(struct request *request, struct why *why)
{
    struct planner *planner = request->control->planner;
    json_t *run = json_object_get(request->json, "run");
    struct brew *brew;
    int error;

    if ((error = need_plan(request, why)) != 0 || (error = control_brew(request, &brew, why)) != 0)
        return error;
    if (!json_is_integer(run))
        return why_set(why, -EINVAL, "\"run\" is the number of the run, as `plan show` lists it");
    if (json_integer_value(run) < 1 || json_integer_value(run) > planner->count)
        return why_set(why, -EINVAL, "%s has the runs 1 to %d", planner->plan->name, planner->count);
    if ((error = planner_credit(planner, brew, (int)json_integer_value(run) - 1, why)) != 0)
        return error;
    request->control->credited(request->control->context, brew, why);
    json_object_set_new(request->reply, "brew", json_string(brew->name));
    json_object_set_new(request->reply, "run", json_incref(run));
    return 0;
}

static int do_unload(struct request *request, struct why *why)
{
    struct planner *planner = request->control->planner;
    int error = need_plan(request, why);

    if (error)
        return error;
    json_object_set_new(request->reply, "experiment", json_string(planner->plan->name));
    json_object_set_new(request->reply, "done", json_integer(planner_done(planner)));
    json_object_set_new(request->reply, "of", json_integer(planner->count));
    planner_unload(planner);
    return 0;
}

static const struct {
    const char *name;
    command *run;
    bool changes;
} verbs[] = {
    { "load", do_load, true },    { "show", do_show, false },    { "next", do_next, false },
    { "skip", do_skip, true },    { "redo", do_redo, true },     { "unload", do_unload, true },
    { "check", do_check, false }, { "credit", do_credit, true },
};

int control_plan(struct request *request, struct why *why)
{
    const char *verb;
    int error = control_string(request, "plan", &verb, why);

    for (size_t i = 0; !error && verb && i < sizeof verbs / sizeof *verbs; i++)
        if (strcmp(verbs[i].name, verb) == 0) {
            if (verbs[i].changes && (error = control_may_order(request, "plan", why)) != 0)
                return error;
            error = verbs[i].run(request, why);
            if (!error)
                json_object_set_new(request->reply, "units", guide_units_json(&request->control->config->units));
            if (!error && verbs[i].changes)
                request->control->planned(request->control->context);
            return error;
        }
    return error ? error
                 : why_set(why, -EINVAL, "\"plan\" is one of load, show, next, skip, redo, credit, unload, check");
}
