/* A state taken over into the view; see poise/view.h.  States are untrusted: every field is looked up
 * with its kind, and lists are cut at what fits on a screen. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "view_parts.h"
#include "poise/brew.h"

static double number_of(json_t *object, const char *key)
{
    json_t *field = json_object_get(object, key);

    return json_is_number(field) ? json_number_value(field) : NAN;
}

/* Beyond 2^53 it is no time of a bench, and differences might not fit. */
static int64_t time_of(json_t *object, const char *key)
{
    static const json_int_t most = INT64_C(1) << 53;
    json_int_t time_us = json_integer_value(json_object_get(object, key));

    return time_us >= -most && time_us <= most ? time_us : 0;
}

static int count_of(json_t *object, const char *key)
{
    json_int_t count = json_integer_value(json_object_get(object, key));

    return count < 0 ? 0 : count > 1000000 ? 1000000 : (int)count;
}

static const char *text_of(json_t *object, const char *key)
{
    const char *text = json_string_value(json_object_get(object, key));

    return text ? text : "";
}

/* Cut to fit, between characters. */
static void copy_text(char *out, size_t size, const char *text)
{
    size_t length = strnlen(text, size);

    if (length == size)
        for (length = size - 1; length > 0 && ((unsigned char)text[length] & 0xc0) == 0x80;)
            length--;
    memcpy(out, text, length);
    out[length] = '\0';
}

struct view_station *view_station(struct view *model, const char *name)
{
    for (int i = 0; i < model->stations; i++)
        if (strcmp(model->station[i].name, name) == 0)
            return &model->station[i];
    return NULL;
}

/* ---- plan ---- */

static void read_plan(struct view *model, json_t *plan)
{
    copy_text(model->experiment, sizeof model->experiment, text_of(plan, "experiment"));
    copy_text(model->title, sizeof model->title, text_of(plan, "title"));
    model->plan_done = count_of(plan, "done");
    model->plan_of = count_of(plan, "of");
}

/* ---- stations ---- */

static void read_stages(json_t *list, struct view_station *station)
{
    json_t *entry;
    size_t place;

    station->timeline.count = 0;
    json_array_foreach(list, place, entry)
    {
        int stage = stage_find(text_of(entry, "stage"));

        if (stage > STAGE_IDLE)
            timeline_report(&station->timeline,
                            &(struct staged){ .stage = (enum stage)stage, .at_us = time_of(entry, "at_us") });
    }
}

static void read_above(json_t *list, bool above[MEASURE_COUNT])
{
    json_t *entry;
    size_t place;

    memset(above, 0, MEASURE_COUNT * sizeof *above);
    json_array_foreach(list, place, entry)
    {
        int measure = json_is_string(entry) ? measure_find(json_string_value(entry)) : -1;

        if (measure >= 0)
            above[measure] = true;
    }
}

static void read_question(json_t *question, struct view_station *station)
{
    copy_text(station->question, sizeof station->question, text_of(question, "question"));
    copy_text(station->question_detail, sizeof station->question_detail, text_of(question, "detail"));
    copy_text(station->question_brew, sizeof station->question_brew, text_of(question, "brew"));
    station->question_measure = measure_find(text_of(question, "measure"));
    station->question_guess = number_of(question, "guess");
    station->question_guess_u = number_of(question, "guess_u");
}

static bool same_run(const struct guide_run *one, const struct guide_run *other)
{
    return one->run == other->run && strcmp(one->experiment, other->experiment) == 0;
}

static void read_seen(json_t *json, struct view_seen *seen)
{
    *seen = (struct view_seen){ .load_g = number_of(json, "load_g"),
                                .water_g = number_of(json, "water_g"),
                                .flow_g_per_s = number_of(json, "flow_g_per_s"),
                                .press_kpa = number_of(json, "press_kpa"),
                                .added_g = number_of(json, "added_g"),
                                .weighed_g = number_of(json, "weighed_g"),
                                .tared = json_is_true(json_object_get(json, "tared")),
                                .cup_left = json_is_true(json_object_get(json, "cup_left")) };
}

static void read_station(json_t *json, struct view_station *station)
{
    int stage = stage_find(text_of(json, "stage"));
    json_t *next = json_object_get(json, "next");
    struct why why;

    read_seen(json, &station->seen);
    station->correcting = false;
    station->stage = stage < 0 ? STAGE_IDLE : (enum stage)stage;
    station->stage_at_us = time_of(json, "stage_at_us");
    copy_text(station->brew, sizeof station->brew, text_of(json, "brew"));
    station->first_water_us = time_of(json, "first_water_us");
    station->piston_diameter_mm = number_of(json, "piston_diameter_mm");
    station->press_limit_kpa = number_of(json, "press_limit_kpa");
    read_stages(json_object_get(json, "stages"), station);
    if (message_read_measures(json_object_get(json, "measures"), &station->measures, &why) < 0)
        measures_clear(&station->measures);
    read_above(json_object_get(json, "above"), station->above);
    read_question(json_object_get(json, "question"), station);
    station->has_next = json_is_object(next);
    guide_run_read(next, &station->next);
    if (*station->brew && station->has_next && !same_run(&station->next, &station->brewed)) {
        station->before = station->brewed;
        station->brewed = station->next;
    }
}

/* Reads the stations; those that were there keep what only readings show. */
static void read_stations(struct view *model, json_t *list)
{
    struct view_station before[VIEW_STATIONS];
    int known = model->stations;
    json_t *entry;
    size_t place;

    memcpy(before, model->station, sizeof before);
    model->stations = 0;
    json_array_foreach(list, place, entry)
    {
        struct view_station *station = &model->station[model->stations];
        const char *name = text_of(entry, "station");

        if (model->stations == VIEW_STATIONS || !name_valid(name))
            continue;
        memset(station, 0, sizeof *station);
        station->slurry_c = NAN;
        for (int i = 0; i < known; i++)
            if (strcmp(before[i].name, name) == 0)
                *station = before[i];
        strcpy(station->name, name);
        read_station(entry, station);
        model->stations++;
    }
}

/* ---- instruments ---- */

/* Of an indication without a value. */
static enum reading_status status_of(json_t *instrument)
{
    const char *status = text_of(instrument, "status");

    for (int i = READING_OVERLOAD; i <= READING_FAULT; i++)
        if (strcmp(status, reading_status_name((enum reading_status)i)) == 0)
            return (enum reading_status)i;
    return READING_FAULT;
}

/* A state's number has lost its digits; tenths are what scales of this trade show. */
static struct decimal tenths(double value)
{
    return (struct decimal){ isfinite(value) && fabs(value) < 1e12 ? (int64_t)llround(value * 10) : 0, -1 };
}

static void read_scale(json_t *json, struct view_station *station)
{
    json_t *stable = json_object_get(json, "stable");
    int64_t at_us = time_of(json, "mono_us");
    double value = number_of(json, "value");

    copy_text(station->scale, sizeof station->scale, text_of(json, "instrument"));
    copy_text(station->condition, sizeof station->condition, text_of(json, "condition"));
    if (!at_us)
        return;
    if (at_us <= station->shown_at_us)
        return;
    station->status = isnan(value) ? status_of(json) : READING_OK;
    station->stable = json_is_boolean(stable) ? json_is_true(stable) : -1;
    station->shown = tenths(value);
    station->shown_at_us = at_us;
}

static void read_instruments(struct view *model, json_t *list)
{
    json_t *entry;
    size_t place;

    json_array_foreach(list, place, entry)
    {
        struct view_station *station = view_station(model, text_of(entry, "station"));

        if (station && quantity_find(text_of(entry, "quantity")) == QUANTITY_MASS && !json_object_get(entry, "weighs"))
            read_scale(entry, station);
    }
}

/* ---- the rest ---- */

static void read_waiting(struct view *model, json_t *list)
{
    json_t *entry;
    size_t place;

    model->waiting_count = 0;
    json_array_foreach(list, place, entry)
    {
        struct view_waiting *waiting = &model->waiting[model->waiting_count];

        if (model->waiting_count == VIEW_WAITING)
            return;
        copy_text(waiting->brew, sizeof waiting->brew, text_of(entry, "brew"));
        waiting->have = count_of(entry, "have");
        waiting->want = count_of(entry, "want");
        waiting->since_us = time_of(entry, "since_us");
        model->waiting_count++;
    }
}

static void read_unsure(struct view *model, json_t *list)
{
    json_t *first = json_array_get(list, 0);
    struct view_unsure *unsure = &model->unsure;

    memset(unsure, 0, sizeof *unsure);
    if (!brew_name_valid(text_of(first, "likely")) || !brew_name_valid(text_of(first, "other")))
        return;
    unsure->seq = time_of(first, "seq");
    unsure->strength_pct = number_of(first, "strength_pct");
    unsure->chance = number_of(first, "chance");
    unsure->other_chance = number_of(first, "other_chance");
    copy_text(unsure->likely, sizeof unsure->likely, text_of(first, "likely"));
    copy_text(unsure->other, sizeof unsure->other, text_of(first, "other"));
}

static void read_units(struct view *model, const json_t *json)
{
    struct guide_units bench = { GUIDE_KPA, false };

    guide_units_read(json, &bench);
    model->units = shown_units_at(&model->chosen, &bench);
}

void view_state(struct view *model, json_t *state)
{
    json_t *last = json_object_get(state, "last"), *stations = json_object_get(state, "stations");
    struct why why;

    model->has_state = true;
    read_stations(model, stations);
    read_instruments(model, json_object_get(state, "instruments"));
    read_waiting(model, json_object_get(state, "waiting"));
    read_plan(model, json_object_get(state, "plan"));
    read_units(model, json_object_get(state, "units"));
    read_unsure(model, json_object_get(state, "unsure"));
    if (json_is_object(last)) {
        json_t *kept = json_object_get(last, "plan_kept");

        model->last_kept = json_is_boolean(kept) ? json_is_true(kept) : -1;
        read_above(json_object_get(last, "above"), model->last_above);
        copy_text(model->last_brew, sizeof model->last_brew, text_of(last, "brew"));
        if (message_read_measures(json_object_get(last, "measures"), &model->last, &why) < 0)
            measures_clear(&model->last);
    }
}
