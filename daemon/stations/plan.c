/* The plan that is being brewed; see plan.h. */
#include "plan.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum {
    PLAN_MESSAGE_BYTES = MESSAGE_SIZE - 700, /* the rest of a brew's begin needs so much */
    OPEN_SHOWN = 16                          /* as many as the guide looks at */
};

static const char *const state_names[] = { "waiting", "brewing", "done" };

void planner_unload(struct planner *planner)
{
    free(planner->plan);
    free(planner->text);
    free(planner->runs);
    free(planner->made);
    free(planner->queue);
    *planner = (struct planner){ .changed = true };
}

static int set_up(struct planner *planner, const char *text, size_t length, uint32_t seed, struct why *why)
{
    struct plan_mistakes mistakes;
    struct planner fresh = { .changed = true };
    int error;

    if (!(fresh.plan = malloc(sizeof *fresh.plan)))
        return why_set(why, -ENOMEM, "out of memory");
    if ((error = plan_read(fresh.plan, text, length, &mistakes, why)) != 0) {
        planner_unload(&fresh);
        return error;
    }
    fresh.seed = fresh.plan->seed_given ? fresh.plan->seed : seed;
    fresh.count = plan_run_count(fresh.plan);
    fresh.text = strndup(text, length);
    fresh.runs = calloc((size_t)fresh.count, sizeof *fresh.runs);
    fresh.made = calloc((size_t)fresh.count, sizeof *fresh.made);
    fresh.queue = calloc((size_t)fresh.count, sizeof *fresh.queue);
    if (!fresh.text || !fresh.runs || !fresh.made || !fresh.queue
        || plan_order(fresh.plan, fresh.seed, fresh.runs) != 0) {
        planner_unload(&fresh);
        return why_set(why, -ENOMEM, "out of memory");
    }
    for (int i = 0; i < fresh.count; i++)
        fresh.queue[fresh.queued++] = i;
    planner_unload(planner);
    *planner = fresh;
    return 0;
}

int planner_load(struct planner *planner, const char *text, size_t length, uint32_t seed, struct why *why)
{
    if (planner->plan && planner_done(planner) < planner->count)
        return why_set(why, -EINVAL, "the plan %s is loaded, %d of its %d cups are done: unload it first",
                       planner->plan->name, planner_done(planner), planner->count);
    return set_up(planner, text, length, seed, why);
}

int planner_done(const struct planner *planner)
{
    int done = 0;

    for (int i = 0; i < planner->count; i++)
        done += planner->made[i].state == RUN_DONE;
    return done;
}

/* ---- the queue ---- */

static int place_in_queue(const struct planner *planner, int run)
{
    for (int i = 0; i < planner->queued; i++)
        if (planner->queue[i] == run)
            return i;
    return -1;
}

static void leave_queue(struct planner *planner, int run)
{
    int place = place_in_queue(planner, run);

    if (place < 0)
        return;
    planner->queued--;
    memmove(planner->queue + place, planner->queue + place + 1,
            (size_t)(planner->queued - place) * sizeof *planner->queue);
}

/* The queue has a place for every run, and a run is in it once at most. */
static void join_queue(struct planner *planner, int run, bool first)
{
    leave_queue(planner, run);
    if (first) {
        memmove(planner->queue + 1, planner->queue, (size_t)planner->queued * sizeof *planner->queue);
        planner->queue[0] = run;
    } else {
        planner->queue[planner->queued] = run;
    }
    planner->queued++;
    planner->made[run].state = RUN_WAITING;
    planner->changed = true;
}

static int *offer_of(struct planner *planner, const char *station)
{
    for (int i = 0; i < planner->offer_count; i++)
        if (strcmp(planner->offers[i].station, station) == 0)
            return &planner->offers[i].run;
    if (planner->offer_count == PLANNER_STATIONS)
        return NULL;
    strcpy(planner->offers[planner->offer_count].station, station);
    planner->offers[planner->offer_count].run = -1;
    return &planner->offers[planner->offer_count++].run;
}

void planner_stations(struct planner *planner, const char *(*name)(const void *context, int index), const void *context,
                      int count)
{
    int kept = 0;

    for (int i = 0; i < planner->offer_count; i++)
        for (int j = 0; j < count; j++)
            if (strcmp(planner->offers[i].station, name(context, j)) == 0) {
                planner->offers[kept++] = planner->offers[i];
                break;
            }
    planner->changed |= kept < planner->offer_count;
    planner->offer_count = kept;
}

static bool offered_elsewhere(const struct planner *planner, int run, const int *own)
{
    for (int i = 0; i < planner->offer_count; i++)
        if (&planner->offers[i].run != own && planner->offers[i].run == run)
            return true;
    return false;
}

int planner_offered(const struct planner *planner, const char *station)
{
    const int *own = NULL;

    for (int i = 0; i < planner->offer_count && !own; i++)
        if (strcmp(planner->offers[i].station, station) == 0)
            own = &planner->offers[i].run;
    if (!planner->plan || (!own && planner->offer_count == PLANNER_STATIONS))
        return -1;
    if (own && *own >= 0 && place_in_queue(planner, *own) >= 0)
        return *own;
    for (int i = 0; i < planner->queued; i++)
        if (!offered_elsewhere(planner, planner->queue[i], own))
            return planner->queue[i];
    /* what another station has not begun may be brewed here when nothing else is left */
    return planner->queued ? planner->queue[0] : -1;
}

int planner_offer(struct planner *planner, const char *station)
{
    int run = planner_offered(planner, station);
    int *offer = planner->plan ? offer_of(planner, station) : NULL;

    if (offer)
        *offer = run >= 0 && !offered_elsewhere(planner, run, offer) ? run : -1;
    return run;
}

/* ---- brews ---- */

/* The file goes with the brew as long as a message can carry it, so that the store knows the plan. */
static void add_definition(json_t *json, const char *text)
{
    char *whole;

    json_object_set_new(json, "definition", json_string(text));
    whole = json_dumps(json, JSON_COMPACT);
    if (!whole || strlen(whole) > PLAN_MESSAGE_BYTES)
        json_object_del(json, "definition");
    free(whole);
}

json_t *planner_take(struct planner *planner, const char *station, const char *brew)
{
    int run = planner_offer(planner, station);
    json_t *json;
    int *offer;

    if (run < 0)
        return NULL;
    leave_queue(planner, run);
    if ((offer = offer_of(planner, station)))
        *offer = -1;
    planner->made[run].state = RUN_BREWING;
    planner->made[run].tries++;
    strcpy(planner->made[run].brew, brew);
    if (!planner->first[0])
        strcpy(planner->first, brew);
    planner->changed = true;
    if ((json = plan_run_json(planner->plan, &planner->runs[run], run + 1)))
        add_definition(json, planner->text);
    return json;
}

/* The run that this brew is or was a try of; -1: it is none of this plan. */
static int run_of(const struct planner *planner, const struct brew *brew)
{
    const char *experiment = json_string_value(json_object_get(brew->plan, "experiment"));
    json_int_t run = json_integer_value(json_object_get(brew->plan, "run"));

    if (!planner->plan || !experiment || strcmp(experiment, planner->plan->name) != 0 || run < 1 || run > planner->count
        || !planner->first[0] || brew_name_order(brew->name, planner->first) < 0)
        return -1;
    return (int)run - 1;
}

static void run_done(struct planner *planner, int run, const char *brew)
{
    struct planned_run *made = &planner->made[run];

    leave_queue(planner, run);
    made->state = RUN_DONE;
    if (made->brew != brew)
        snprintf(made->brew, BREW_SIZE, "%s", brew);
    made->kept[0] = '\0';
    planner->changed = true;
}

/* The brew that counts for its run is no good: an earlier try that is stands for it, or its repeat is queued. */
static void run_missed(struct planner *planner, int run, bool first)
{
    char kept[BREW_SIZE];

    strcpy(kept, planner->made[run].kept);
    if (kept[0])
        run_done(planner, run, kept);
    else
        join_queue(planner, run, first);
}

/* An earlier try of a run that another brew has been since. */
static void judge_earlier(struct planner *planner, int run, const struct brew *brew)
{
    struct planned_run *made = &planner->made[run];

    if (brew->plan_kept == 1 && made->state == RUN_WAITING)
        run_done(planner, run, brew->name);
    else if (brew->plan_kept == 1 && made->state == RUN_BREWING)
        strcpy(made->kept, brew->name);
    else if (strcmp(made->kept, brew->name) == 0)
        made->kept[0] = '\0';
    planner->changed = true;
}

/* ---- another run than the one that was offered ---- */

static bool same_value(const json_t *one, const json_t *other)
{
    if (json_is_number(one) && json_is_number(other))
        return json_number_value(one) == json_number_value(other);
    return json_equal(one, other);
}

/* What both of two objects name is alike in them; `measures` false: measures, which an instrument checks, apart. */
static bool same_where_both(const json_t *one, const json_t *other, bool measures)
{
    const char *name;
    json_t *value;

    json_object_foreach((json_t *)one, name, value)
    {
        const json_t *found = json_object_get(other, name);

        if (found && !same_value(value, found) && (measures || measure_find(name) < 0))
            return false;
    }
    return true;
}

/* The brew is this run's from now on. */
static void take_over(struct planner *planner, struct brew *brew, int run)
{
    json_t *plan = plan_run_json(planner->plan, &planner->runs[run], run + 1);

    if (!plan)
        return;
    json_decref(brew->plan);
    brew->plan = plan;
    brew->changed = planner->changed = true;
}

static int judge(const struct brew *brew, struct why *why)
{
    struct measures judged = plan_judged(brew->plan, &brew->measures, brew->above);

    return plan_judge(brew->plan, &judged, why);
}

/* The open run that a brew fits best which missed its own: alike in all that nobody measures, and kept; -1: none is. */
static int best_open(const struct planner *planner, const struct brew *brew)
{
    double least = INFINITY;
    int best = -1;

    for (int i = 0; i < planner->queued; i++) {
        int run = planner->queue[i];
        json_t *plan = plan_run_json(planner->plan, &planner->runs[run], run + 1);
        struct measures judged = plan_judged(plan, &brew->measures, brew->above);
        struct why ignored;

        if (plan && same_where_both(json_object_get(plan, "factors"), json_object_get(brew->plan, "factors"), false)
            && plan_judge(plan, &judged, &ignored) == 1 && plan_misfit(plan, &judged) < least) {
            least = plan_misfit(plan, &judged);
            best = run;
        }
        json_decref(plan);
    }
    return best;
}

/* Gives up the run that a brew was for; it waits again, first of all. */
static void let_go(struct planner *planner, int run, const struct brew *brew)
{
    if (strcmp(planner->made[run].kept, brew->name) == 0) /* a cup counts for one run */
        planner->made[run].kept[0] = '\0';
    if (strcmp(planner->made[run].brew, brew->name) != 0)
        return;
    planner->made[run].brew[0] = '\0';
    run_missed(planner, run, true);
}

/* True when it found another run for the brew, which is credited to that. */
static bool credited(struct planner *planner, struct brew *brew, int run, struct why *why)
{
    int other = best_open(planner, brew);

    if (other < 0)
        return false;
    let_go(planner, run, brew);
    take_over(planner, brew, other);
    planner->made[other].tries++;
    run_done(planner, other, brew->name);
    brew->plan_kept = 1;
    why_set(why, 0, "Counts as run %d, which it fits; repeat of run %d queued. `plan credit` changes that", other + 1,
            run + 1);
    return true;
}

int planner_credit(struct planner *planner, struct brew *brew, int run, struct why *why)
{
    int old = run_of(planner, brew);

    if (!planner->plan)
        return why_set(why, -EINVAL, "no plan is loaded");
    if (!brew->ended || brew->discarded)
        return why_set(why, -EINVAL, "%s is %s: only a cup that is done counts as a run", brew->name,
                       brew->discarded ? "discarded" : "still being brewed");
    if (run < 0 || run >= planner->count)
        return why_set(why, -EINVAL, "%s has the runs 1 to %d", planner->plan->name, planner->count);
    if (old == run && planner->made[run].state == RUN_DONE)
        return why_set(why, -EINVAL, "%s is run %d already", brew->name, run + 1);
    if (planner->made[run].state != RUN_WAITING)
        return why_set(why, -EINVAL, "run %d is %s: `plan redo %s` frees it", run + 1,
                       planner->made[run].state == RUN_DONE ? "done" : "being brewed", planner->made[run].brew);
    if (old >= 0)
        let_go(planner, old, brew);
    take_over(planner, brew, run);
    brew->plan_kept = judge(brew, why);
    planner->made[run].tries++;
    strcpy(planner->made[run].by_hand, brew->name);
    strcpy(planner->made[run].brew, brew->name);
    if (!planner->first[0] || brew_name_order(brew->name, planner->first) < 0)
        strcpy(planner->first, brew->name);
    if (brew->plan_kept != 0)
        run_done(planner, run, brew->name);
    return 0;
}

static bool same_names(const json_t *one, const json_t *other)
{
    const char *name;
    json_t *value;

    json_object_foreach((json_t *)one, name, value) if (!json_object_get(other, name)) return false;
    return json_object_size(one) == json_object_size(other);
}

/* The open run that is set exactly as this brew was; -1: none is. */
static int same_open(const struct planner *planner, const json_t *was)
{
    const json_t *factors = json_object_get(was, "factors"), *recipe = json_object_get(was, "recipe");
    int found = -1;

    for (int i = 0; i < planner->queued && found < 0; i++) {
        json_t *plan = plan_run_json(planner->plan, &planner->runs[planner->queue[i]], planner->queue[i] + 1);
        json_t *set = json_object_get(plan, "factors"), *held = json_object_get(plan, "recipe");

        if (same_names(set, factors) && same_where_both(set, factors, true) && same_where_both(held, recipe, true))
            found = planner->queue[i];
        json_decref(plan);
    }
    return found;
}

void planner_adopt(struct planner *planner, struct brews *brews,
                   void (*changed)(void *context, struct brew *brew, const struct why *why), void *context)
{
    for (int i = 0; i < brews->count; i++) {
        struct brew *brew = brews->all[i];
        const char *experiment = json_string_value(json_object_get(brew->plan, "experiment"));
        struct why why = { "" };
        int run;

        if (!experiment || strcmp(experiment, planner->plan->name) != 0 || brew->discarded
            || (run = same_open(planner, brew->plan)) < 0)
            continue;
        take_over(planner, brew, run);
        if (!planner->first[0])
            strcpy(planner->first, brew->name);
        strcpy(planner->made[run].brew, brew->name);
        planner->made[run].tries++;
        if (!brew->ended) {
            leave_queue(planner, run);
            planner->made[run].state = RUN_BREWING;
            continue;
        }
        brew->plan_kept = judge(brew, &why);
        if (brew->plan_kept != 0)
            run_done(planner, run, brew->name);
        changed(context, brew, &why);
    }
}

int planner_over(struct planner *planner, struct brew *brew, struct why *why)
{
    int before = brew->plan_kept;
    int run = run_of(planner, brew);
    bool current = run >= 0 && strcmp(planner->made[run].brew, brew->name) == 0;
    bool first = current && planner->made[run].state == RUN_BREWING;
    bool by_hand = current && strcmp(planner->made[run].by_hand, brew->name) == 0;

    why->text[0] = '\0';
    if (brew->discarded) {
        brew->plan_kept = -1;
        if (current) {
            planner->made[run].brew[0] = '\0';
            run_missed(planner, run, true);
        } else if (run >= 0) {
            judge_earlier(planner, run, brew);
        }
        return 0;
    }
    brew->plan_kept = judge(brew, why);
    if (!first && brew->plan_kept == before)
        return 0;
    brew->changed = true;
    if (current && brew->plan_kept == 0 && !by_hand && credited(planner, brew, run, why))
        return 1;
    if (current && brew->plan_kept == 0)
        run_missed(planner, run, false);
    else if (current)
        run_done(planner, run, brew->name);
    else if (run >= 0)
        judge_earlier(planner, run, brew);
    return 1;
}

int planner_skip(struct planner *planner, const char *station, struct why *why)
{
    int run = planner_offer(planner, station);
    int *offer;

    if (!planner->plan)
        return why_set(why, -EINVAL, "no plan is loaded");
    if (run < 0)
        return why_set(why, -EINVAL, "all %d cups of %s are brewed or being brewed", planner->count,
                       planner->plan->name);
    if (planner->queued == 1)
        return why_set(why, -EINVAL, "this is the last cup of %s; `plan unload` ends the plan without it",
                       planner->plan->name);
    join_queue(planner, run, false);
    if ((offer = offer_of(planner, station)))
        *offer = -1;
    return 0;
}

int planner_redo(struct planner *planner, const struct brew *brew, struct why *why)
{
    int run = run_of(planner, brew);

    if (!planner->plan)
        return why_set(why, -EINVAL, "no plan is loaded");
    if (run < 0)
        return why_set(why, -EINVAL, "%s is no cup of %s", brew->name, planner->plan->name);
    if (planner->made[run].state == RUN_BREWING)
        return why_set(why, -EINVAL, "%s is still being brewed: discard it, and its repeat is queued", brew->name);
    join_queue(planner, run, true);
    return 0;
}

/* ---- kept and restored ---- */

static json_t *runs_json(const struct planner *planner)
{
    json_t *runs = json_array();

    for (int i = 0; i < planner->count; i++)
        json_array_append_new(runs, json_pack("[i,s,i,s,s]", planner->made[i].state, planner->made[i].brew,
                                              planner->made[i].tries, planner->made[i].kept, planner->made[i].by_hand));
    return runs;
}

char *planner_save(const struct planner *planner)
{
    json_t *queue, *offers, *json;
    char *text;

    if (!planner->plan)
        return strdup("");
    queue = json_array();
    offers = json_object();
    for (int i = 0; i < planner->queued; i++)
        json_array_append_new(queue, json_integer(planner->queue[i]));
    for (int i = 0; i < planner->offer_count; i++)
        json_object_set_new(offers, planner->offers[i].station, json_integer(planner->offers[i].run));
    json = json_pack("{s:s,s:I,s:s,s:o,s:o,s:o}", "text", planner->text, "seed", (json_int_t)planner->seed, "first",
                     planner->first, "queue", queue, "offers", offers, "runs", runs_json(planner));
    text = json ? json_dumps(json, JSON_COMPACT) : NULL;
    json_decref(json);
    return text;
}

static void restore_runs(struct planner *planner, const json_t *json)
{
    const json_t *queue = json_object_get(json, "queue"), *run;
    const char *first = json_string_value(json_object_get(json, "first"));
    const char *station;
    json_t *offer;
    size_t i;

    snprintf(planner->first, BREW_SIZE, "%s", first ? first : "");
    planner->queued = 0;
    json_array_foreach(queue, i, run)
    {
        json_int_t place = json_is_integer(run) ? json_integer_value(run) : -1;

        if (place >= 0 && place < planner->count && place_in_queue(planner, (int)place) < 0)
            planner->queue[planner->queued++] = (int)place;
    }
    json_array_foreach(json_object_get(json, "runs"), i, run)
    {
        const char *brew = json_string_value(json_array_get(run, 1));
        const char *kept = json_string_value(json_array_get(run, 3));
        const char *by_hand = json_string_value(json_array_get(run, 4)); /* earlier builds kept none */
        json_int_t state = json_integer_value(json_array_get(run, 0));

        if (i >= (size_t)planner->count)
            break;
        if (state >= RUN_WAITING && state <= RUN_DONE)
            planner->made[i].state = (enum run_state)state;
        snprintf(planner->made[i].brew, BREW_SIZE, "%s", brew ? brew : "");
        snprintf(planner->made[i].kept, BREW_SIZE, "%s", kept ? kept : "");
        snprintf(planner->made[i].by_hand, BREW_SIZE, "%s", by_hand ? by_hand : "");
        planner->made[i].tries = (int)json_integer_value(json_array_get(run, 2));
    }
    json_object_foreach(json_object_get(json, "offers"), station, offer)
    {
        json_int_t place = json_integer_value(offer);
        int *own = name_valid(station) ? offer_of(planner, station) : NULL;

        if (own && place >= -1 && place < planner->count)
            *own = (int)place;
    }
}

int planner_restore(struct planner *planner, const char *text, size_t length)
{
    json_t *json = json_loadb(text, length, 0, NULL);
    const char *file = json_string_value(json_object_get(json, "text"));
    struct why why;
    int error = -EINVAL;

    if (file)
        error = set_up(planner, file, strlen(file), (uint32_t)json_integer_value(json_object_get(json, "seed")), &why);
    if (!error)
        restore_runs(planner, json);
    json_decref(json);
    return error;
}

/* ---- shown ---- */

void planner_write(const struct planner *planner, struct text *out)
{
    if (!planner->plan) {
        text_print(out, "null");
        return;
    }
    text_print(out, "{\"experiment\":\"%s\",\"title\":", planner->plan->name);
    text_string(out, planner->plan->title);
    text_print(out, ",\"done\":%d,\"of\":%d}", planner_done(planner), planner->count);
}

/* The one factor in which an open run differs from this one; NULL: in none, or in more. */
static json_t *only_difference(const struct planner *planner, const json_t *factors, int open)
{
    json_t *other = plan_run_json(planner->plan, &planner->runs[open], open + 1), *difference = NULL, *value;
    const char *name;
    int differs = 0;

    json_object_foreach(json_object_get(other, "factors"), name, value)
    {
        if (json_equal(value, json_object_get(factors, name)))
            continue;
        differs++;
        json_decref(difference);
        difference = json_pack("{s:O}", name, value);
    }
    json_decref(other);
    if (differs == 1)
        return difference;
    json_decref(difference);
    return NULL;
}

/* What a brew of this run would have to be changed in to be another run that is open, each once: with that the guide
 * may save it. */
static json_t *open_runs(const struct planner *planner, const json_t *run)
{
    const char *experiment = json_string_value(json_object_get(run, "experiment"));
    json_t *open = json_array();

    if (!planner->plan || !experiment || strcmp(experiment, planner->plan->name) != 0)
        return open;
    for (int i = 0; i < planner->queued && json_array_size(open) < OPEN_SHOWN; i++) {
        json_t *difference = only_difference(planner, json_object_get(run, "factors"), planner->queue[i]), *seen;
        size_t place;

        json_array_foreach(open, place, seen)
        {
            if (difference && json_equal(seen, difference)) {
                json_decref(difference);
                difference = NULL;
            }
        }
        if (difference)
            json_array_append_new(open, difference);
    }
    return open;
}

void planner_write_next(const struct planner *planner, const char *station, const struct brew *running,
                        struct text *out)
{
    json_t *run = NULL;
    char *text;
    int offer;

    if (running)
        run = running->plan ? json_copy(running->plan) : NULL;
    else if ((offer = planner_offered(planner, station)) >= 0)
        run = plan_run_json(planner->plan, &planner->runs[offer], offer + 1);
    if (run) {
        json_object_del(run, "title");
        json_object_del(run, "definition");
        json_object_del(run, "levels");
        json_object_set_new(run, "open", open_runs(planner, run));
    }
    text = run ? json_dumps(run, JSON_COMPACT) : NULL;
    text_print(out, "%s", text ? text : "null");
    free(text);
    json_decref(run);
}

json_t *planner_show(const struct planner *planner)
{
    json_t *runs = json_array();

    for (int i = 0; i < planner->count; i++) {
        json_t *run = plan_run_json(planner->plan, &planner->runs[i], i + 1);

        json_object_del(run, "title");
        json_object_del(run, "experiment");
        json_object_del(run, "recipe");
        json_object_del(run, "tolerances");
        json_object_del(run, "levels");
        json_object_del(run, "of");
        json_object_set_new(run, "state", json_string(state_names[planner->made[i].state]));
        json_object_set_new(run, "brew", planner->made[i].brew[0] ? json_string(planner->made[i].brew) : json_null());
        json_object_set_new(run, "tries", json_integer(planner->made[i].tries));
        json_array_append_new(runs, run);
    }
    return json_pack("{s:s,s:s,s:s,s:b,s:I,s:i,s:i,s:o}", "experiment", planner->plan->name, "title",
                     planner->plan->title, "text", planner->text, "random", planner->plan->random, "seed",
                     (json_int_t)planner->seed, "done", planner_done(planner), "of", planner->count, "runs", runs);
}
