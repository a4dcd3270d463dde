/* The brews the bench remembers; see brews.h. */
#include "brews.h"

#include "samples.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "poise/brew.h"
#include "poise/uncertainty.h"

static void brew_free(struct brew *brew)
{
    if (brew)
        json_decref(brew->plan);
    free(brew);
}

void brews_free(struct brews *brews)
{
    for (int i = 0; i < brews->count; i++)
        brew_free(brews->all[i]);
    brews->count = 0;
}

static void make_room(struct brews *brews)
{
    if (brews->count < BREWS_KEPT)
        return;
    strcpy(brews->dropped, brews->all[0]->name);
    brew_free(brews->all[0]);
    brews->count--;
    memmove(brews->all, brews->all + 1, (size_t)brews->count * sizeof *brews->all);
}

/* Names go by the day people at the bench have; a clock that was set back keeps the later day, so
 * that no name is given twice. */
static void name_next(struct brews *brews, int64_t time_us, char *name)
{
    time_t seconds = (time_t)(time_us / 1000000);
    struct tm local;
    int day = 0;

    if (localtime_r(&seconds, &local))
        day = (local.tm_year + 1900) * 10000 + (local.tm_mon + 1) * 100 + local.tm_mday;
    if (day > brews->day) {
        brews->day = day;
        brews->number = 0;
    }
    brews->number++;
    brews->changed = true;
    snprintf(name, BREW_SIZE, "%s-%08u-%03u", brews->bench, (unsigned)brews->day % 100000000,
             (unsigned)brews->number % 100000);
}

static void clear_cup(struct brew_cup *cup)
{
    *cup = (struct brew_cup){ NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, .back_count = 0 };
}

struct brew *brews_begin(struct brews *brews, const char *station, uint32_t number, int64_t time_us)
{
    struct brew *brew = calloc(1, sizeof *brew);

    if (!brew)
        return NULL;
    make_room(brews);
    name_next(brews, time_us, brew->name);
    snprintf(brew->station, sizeof brew->station, "%s", station);
    brew->number = number;
    brew->plan_kept = brew->filtered = -1;
    budget_clear(&brew->budget);
    measures_clear(&brew->measures);
    clear_cup(&brew->cup);
    brew->changed = true;
    brews->all[brews->count++] = brew;
    return brew;
}

void brews_add(struct brews *brews, struct brew *brew)
{
    int at;

    make_room(brews); /* they come by name: the new one is later than the one that goes */
    at = brews->count;
    while (at > 0 && brew_name_order(brews->all[at - 1]->name, brew->name) > 0)
        at--;
    memmove(brews->all + at + 1, brews->all + at, (size_t)(brews->count - at) * sizeof *brews->all);
    brews->all[at] = brew;
    brews->count++;
}

struct brew *brews_find(const struct brews *brews, const char *name)
{
    for (int i = brews->count - 1; i >= 0; i--)
        if (strcmp(brews->all[i]->name, name) == 0)
            return brews->all[i];
    return NULL;
}

struct brew *brews_numbered(const struct brews *brews, const char *station, uint32_t number)
{
    for (int i = brews->count - 1; i >= 0; i--)
        if (number && brews->all[i]->number == number && strcmp(brews->all[i]->station, station) == 0)
            return brews->all[i];
    return NULL;
}

struct brew *brews_newest(const struct brews *brews, const char *station)
{
    for (int i = brews->count - 1; i >= 0; i--)
        if (!brews->all[i]->discarded && (!station || strcmp(brews->all[i]->station, station) == 0))
            return brews->all[i];
    return NULL;
}

/* A brew without coffee, water or liquid in the cup is a slip of the finger, no cup to read. */
static bool has_a_cup(const struct brew *brew)
{
    return !isnan(brew->measures.value[MEASURE_DOSE_G]) || !isnan(brew->measures.value[MEASURE_WATER_G])
           || !isnan(brew->measures.value[MEASURE_BEVERAGE_G]);
}

bool brew_waits(const struct brew *brew, int wanted)
{
    return brew->ended && !brew->discarded && !brew->strength_entered && brew->sample_count < wanted && has_a_cup(brew);
}

void brew_stage(struct brew *brew, const struct staged *staged)
{
    timeline_report(&brew->timeline, staged);
    brew->changed = true;
}

static bool same(double a, double b)
{
    return a == b || (isnan(a) && isnan(b));
}

bool brew_measure(struct brew *brew, enum measure measure, double value, double standard_uncertainty, bool above)
{
    if (same(brew->measures.value[measure], value) && brew->above[measure] == above
        && same(brew->measures.standard_uncertainty[measure], standard_uncertainty))
        return false;
    brew->measures.value[measure] = value;
    brew->measures.standard_uncertainty[measure] = standard_uncertainty;
    brew->above[measure] = above;
    brew->changed = true;
    return true;
}

static int question_of(const struct brew *brew, enum measure measure)
{
    int place = 0;

    while (place < brew->question_count && brew->questions[place].measure != measure)
        place++;
    return place;
}

void brew_ask(struct brew *brew, const char *word, enum measure measure, const char *detail)
{
    int place = question_of(brew, measure);

    if (place == BREW_QUESTIONS)
        return;
    snprintf(brew->questions[place].word, sizeof brew->questions[place].word, "%s", word);
    snprintf(brew->questions[place].detail, sizeof brew->questions[place].detail, "%s", detail);
    brew->questions[place].measure = measure;
    brew->question_count += place == brew->question_count;
    brew->changed = true;
}

void brew_answer(struct brew *brew, enum measure measure)
{
    int place = question_of(brew, measure);

    if (place == brew->question_count)
        return;
    brew->question_count--;
    memmove(brew->questions + place, brew->questions + place + 1,
            (size_t)(brew->question_count - place) * sizeof *brew->questions);
    brew->changed = true;
}

bool measure_derived(enum measure measure)
{
    return measure == MEASURE_EXTRACTION_PCT || measure == MEASURE_EXTRACTION_TOTAL_PCT
           || measure == MEASURE_RETAINED_G_PER_G;
}

int brew_derive(struct brew *brew, enum measure *changed)
{
    const double *value = brew->measures.value;
    const double *u = brew->measures.standard_uncertainty;
    const double dose = value[MEASURE_DOSE_G], u_dose = u[MEASURE_DOSE_G];
    const double water = value[MEASURE_WATER_G], u_water = u[MEASURE_WATER_G];
    const double beverage = value[MEASURE_BEVERAGE_G], u_beverage = u[MEASURE_BEVERAGE_G];
    const double strength = value[MEASURE_STRENGTH_PCT], u_strength = u[MEASURE_STRENGTH_PCT];
    const bool above_dose = brew->above[MEASURE_DOSE_G];
    int count = 0;

    if (brew_measure(brew, MEASURE_RETAINED_G_PER_G, retained_g_per_g(water, beverage, dose),
                     uncertainty_of_retained(water, u_water, beverage, u_beverage, dose, u_dose), false))
        changed[count++] = MEASURE_RETAINED_G_PER_G;
    if (brew_measure(brew, MEASURE_EXTRACTION_PCT, extraction_in_cup_pct(strength, beverage, dose),
                     uncertainty_of_extraction(strength, u_strength, beverage, u_beverage, dose, u_dose),
                     brew->above[MEASURE_BEVERAGE_G] && !above_dose))
        changed[count++] = MEASURE_EXTRACTION_PCT;
    if (brew_measure(brew, MEASURE_EXTRACTION_TOTAL_PCT, extraction_total_pct(strength, water, dose),
                     uncertainty_of_extraction_total(strength, u_strength, water, u_water, dose, u_dose),
                     brew->above[MEASURE_WATER_G] && !above_dose))
        changed[count++] = MEASURE_EXTRACTION_TOTAL_PCT;
    return count;
}

double brew_strength(const struct brew *brew)
{
    double sum = 0;
    int used = 0;

    for (int i = 0; i < brew->sample_count; i++)
        if (!brew->samples[i].suspect) {
            sum += brew->samples[i].strength_pct;
            used++;
        }
    return used ? sum / used : NAN;
}

/* ---- kept and restored ---- */

static json_t *number_or_null(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static double number_of(const json_t *json)
{
    return json_is_number(json) ? json_number_value(json) : NAN;
}

json_t *sample_save(const struct sample *sample)
{
    return json_pack("[f,o,I,I,o,f,i,b,b,f,s,s,f,f,b]", sample->strength_pct, number_or_null(sample->resolution_pct),
                     (json_int_t)sample->seq, (json_int_t)sample->at_us, number_or_null(sample->sample_c),
                     sample->shown_pct, sample->instrument, sample->said, sample->suspect, sample->chance,
                     sample->likely, sample->other, sample->other_chance, sample->temperature_u_pct, sample->reset);
}

/* A newer build reads what an older one kept: then the later fields are missing. */
bool sample_load(const json_t *json, struct sample *out)
{
    const char *likely = json_string_value(json_array_get(json, 10)),
               *other = json_string_value(json_array_get(json, 11));
    json_int_t instrument = json_integer_value(json_array_get(json, 6));

    if (!json_is_number(json_array_get(json, 0)))
        return false;
    *out = (struct sample){
        .strength_pct = number_of(json_array_get(json, 0)),
        .resolution_pct = number_of(json_array_get(json, 1)),
        .seq = (uint64_t)json_integer_value(json_array_get(json, 2)),
        .at_us = json_integer_value(json_array_get(json, 3)),
        .sample_c = number_of(json_array_get(json, 4)),
        .shown_pct = number_of(json_array_get(json, json_array_size(json) > 5 ? 5 : 0)),
        .instrument = instrument >= 0 && instrument < SAMPLES_INSTRUMENTS ? (int)instrument : 0,
        .said = json_is_true(json_array_get(json, 7)),
        .suspect = json_is_true(json_array_get(json, 8)),
        .chance = json_array_size(json) > 9 ? number_of(json_array_get(json, 9)) : 1,
        .other_chance = json_array_size(json) > 12 ? number_of(json_array_get(json, 12)) : 0,
        .reset = json_is_true(json_array_get(json, 14)),
        .temperature_u_pct = json_array_size(json) > 13 ? number_of(json_array_get(json, 13)) : 0,
    };
    snprintf(out->likely, sizeof out->likely, "%s", likely ? likely : "");
    snprintf(out->other, sizeof out->other, "%s", other ? other : "");
    return true;
}

static json_t *save_budget(const struct budget *budget)
{
    json_t *parts = json_object();

    for (int part = 0; part < BUDGET_PARTS; part++)
        if (budget->u[part] > 0)
            json_object_set_new(parts, budget_part_name((enum budget_part)part),
                                json_pack("[f,o]", budget->u[part], number_or_null(budget->freedom[part])));
    return parts;
}

static void load_budget(struct budget *budget, json_t *json)
{
    const char *name;
    json_t *one;
    int part;

    budget_clear(budget);
    json_object_foreach(json, name,
                        one) if ((part = budget_part_find(name)) >= 0 && number_of(json_array_get(one, 0)) > 0)
    {
        budget->u[part] = number_of(json_array_get(one, 0));
        if (number_of(json_array_get(one, 1)) > 0)
            budget->freedom[part] = number_of(json_array_get(one, 1));
    }
}

static json_t *save_cup(const struct brew_cup *cup)
{
    json_t *back = json_array();

    for (int i = 0; i < cup->back_count; i++)
        json_array_append_new(back, json_pack("[f,f]", cup->back_g[i], cup->back_u_g[i]));
    return json_pack("{s:o,s:o,s:o,s:o,s:o,s:o,s:o,s:o,s:o,s:b,s:b,s:s}", "full_g", number_or_null(cup->full_g),
                     "full_u_g", number_or_null(cup->full_u_g), "seen_g", number_or_null(cup->seen_g), "seen_u_g",
                     number_or_null(cup->seen_u_g), "bare_g", number_or_null(cup->bare_g), "bare_u_g",
                     number_or_null(cup->bare_u_g), "tracker_g", number_or_null(cup->tracker_g), "tracker_u_g",
                     number_or_null(cup->tracker_u_g), "back", back, "asked", cup->asked, "entered", cup->entered,
                     "vessel", cup->vessel);
}

static void load_cup(struct brew_cup *cup, const json_t *json)
{
    const char *vessel = json_string_value(json_object_get(json, "vessel"));
    const json_t *entry;
    size_t i;

    clear_cup(cup);
    if (!json_is_object(json))
        return;
    cup->full_g = number_of(json_object_get(json, "full_g"));
    cup->full_u_g = number_of(json_object_get(json, "full_u_g"));
    cup->seen_g = number_of(json_object_get(json, "seen_g"));
    cup->seen_u_g = number_of(json_object_get(json, "seen_u_g"));
    cup->bare_g = number_of(json_object_get(json, "bare_g"));
    cup->bare_u_g = number_of(json_object_get(json, "bare_u_g"));
    cup->tracker_g = number_of(json_object_get(json, "tracker_g"));
    cup->tracker_u_g = number_of(json_object_get(json, "tracker_u_g"));
    json_array_foreach(json_object_get(json, "back"), i, entry)
    {
        if (cup->back_count == BREW_BACK)
            break;
        cup->back_g[cup->back_count] = json_number_value(json_array_get(entry, 0));
        cup->back_u_g[cup->back_count++] = json_number_value(json_array_get(entry, 1));
    }
    cup->asked = json_is_true(json_object_get(json, "asked"));
    cup->entered = json_is_true(json_object_get(json, "entered"));
    if (vessel && name_valid(vessel))
        strcpy(cup->vessel, vessel);
}

json_t *brew_save(const struct brew *brew)
{
    json_t *measures = json_object();
    json_t *samples = json_array();
    json_t *stages = json_array(), *questions = json_array();

    for (int i = 0; i < brew->question_count; i++)
        json_array_append_new(questions,
                              json_pack("[s,s,s]", brew->questions[i].word, measure_name(brew->questions[i].measure),
                                        brew->questions[i].detail));
    for (int i = 0; i < MEASURE_COUNT; i++)
        if (!isnan(brew->measures.value[i]))
            json_object_set_new(measures, measure_name(i),
                                json_pack("[o,o,b]", number_or_null(brew->measures.value[i]),
                                          number_or_null(brew->measures.standard_uncertainty[i]), brew->above[i]));
    for (int i = 0; i < brew->sample_count; i++)
        json_array_append_new(samples, sample_save(&brew->samples[i]));
    for (int i = 0; i < brew->timeline.count; i++)
        json_array_append_new(stages, json_pack("[s,I,I,b]", stage_name(brew->timeline.stage[i].stage),
                                                (json_int_t)brew->timeline.stage[i].at_us,
                                                (json_int_t)brew->timeline.stage[i].u_us,
                                                brew->timeline.stage[i].by == BY_OPERATOR));
    return json_pack("{s:s,s:s,s:I,s:b,s:b,s:b,s:b,s:i,s:o,s:I,s:I,s:I,s:o,s:o,s:o,s:i,s:o,s:o,s:O*}", "brew",
                     brew->name, "station", brew->station, "number", (json_int_t)brew->number, "ended", brew->ended,
                     "discarded", brew->discarded, "strength_entered", brew->strength_entered, "slurry_entered",
                     brew->slurry_entered, "filtered", brew->filtered, "budget", save_budget(&brew->budget), "began_us",
                     (json_int_t)brew->began_us, "ended_us", (json_int_t)brew->ended_us, "discarded_us",
                     (json_int_t)brew->discarded_us, "measures", measures, "samples", samples, "stages", stages,
                     "plan_kept", brew->plan_kept, "questions", questions, "cup", save_cup(&brew->cup), "plan",
                     brew->plan);
}

static void load_lists(struct brew *brew, const json_t *json)
{
    const json_t *entry;
    size_t i;
    json_t *measures = json_object_get(json, "measures");
    const char *name;
    json_t *value;

    json_object_foreach(measures, name, value)
    {
        int measure = measure_find(name);

        if (measure >= 0)
            brew_measure(brew, measure, number_of(json_array_get(value, 0)), number_of(json_array_get(value, 1)),
                         json_is_true(json_array_get(value, 2)));
    }
    json_array_foreach(json_object_get(json, "samples"), i,
                       entry) if (brew->sample_count < BREW_SAMPLES
                                  && sample_load(entry, &brew->samples[brew->sample_count])) brew->sample_count++;
    json_array_foreach(json_object_get(json, "stages"), i, entry)
    {
        const char *stage = json_string_value(json_array_get(entry, 0));

        if (stage && stage_find(stage) >= 0 && brew->timeline.count < TIMELINE_STAGES) {
            brew->timeline.stage[brew->timeline.count++] =
                (struct staged){ (enum stage)stage_find(stage), json_integer_value(json_array_get(entry, 1)),
                                 json_integer_value(json_array_get(entry, 2)),
                                 json_is_true(json_array_get(entry, 3)) ? BY_OPERATOR : BY_TRACKER };
        }
    }
}

static void load_questions(struct brew *brew, const json_t *list)
{
    const json_t *entry;
    size_t i;

    json_array_foreach(list, i, entry)
    {
        const char *word = json_string_value(json_array_get(entry, 0));
        const char *measure = json_string_value(json_array_get(entry, 1));
        const char *detail = json_string_value(json_array_get(entry, 2));

        if (word && measure && detail && measure_find(measure) >= 0)
            brew_ask(brew, word, (enum measure)measure_find(measure), detail);
    }
}

struct brew *brew_load(const json_t *json)
{
    const char *name = json_string_value(json_object_get(json, "brew"));
    const char *station = json_string_value(json_object_get(json, "station"));
    const json_t *plan_kept = json_object_get(json, "plan_kept");
    struct brew *brew;

    if (!name || !station || strlen(name) >= BREW_SIZE || !name_valid(station) || !(brew = calloc(1, sizeof *brew)))
        return NULL;
    strcpy(brew->name, name);
    strcpy(brew->station, station);
    brew->number = (uint32_t)json_integer_value(json_object_get(json, "number"));
    brew->ended = json_is_true(json_object_get(json, "ended"));
    brew->discarded = json_is_true(json_object_get(json, "discarded"));
    brew->strength_entered = json_is_true(json_object_get(json, "strength_entered"));
    brew->slurry_entered = json_is_true(json_object_get(json, "slurry_entered"));
    brew->filtered =
        json_object_get(json, "filtered") ? (int)json_integer_value(json_object_get(json, "filtered")) : -1;
    load_budget(&brew->budget, json_object_get(json, "budget"));
    brew->began_us = json_integer_value(json_object_get(json, "began_us"));
    brew->ended_us = json_integer_value(json_object_get(json, "ended_us"));
    brew->discarded_us = json_integer_value(json_object_get(json, "discarded_us"));
    brew->plan_kept = plan_kept ? (int)json_integer_value(plan_kept) : -1;
    brew->plan = json_incref(json_object_get(json, "plan"));
    measures_clear(&brew->measures);
    load_lists(brew, json);
    load_questions(brew, json_object_get(json, "questions"));
    load_cup(&brew->cup, json_object_get(json, "cup"));
    brew->changed = false;
    return brew;
}
