/* Messages of the stations; see report.h. */
#include "report.h"

#include "strength.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void stations_warn(struct stations *stations, const struct brew *brew, const char *station, const char *word,
                   const char *format, ...)
{
    struct message message = { .kind = MESSAGE_WARNING };
    va_list arguments;

    if (brew)
        strcpy(message.warning.brew, brew->name);
    if (station)
        snprintf(message.warning.station, NAME_SIZE, "%s", station);
    snprintf(message.warning.warning, NAME_SIZE, "%s", word);
    va_start(arguments, format);
    vsnprintf(message.warning.detail, DETAIL_SIZE, format, arguments);
    va_end(arguments);
    stations->emit(stations->context, &message);
}

static void report_one(struct stations *stations, const struct brew *brew, enum measure measure, enum made_by by)
{
    struct message message = { .kind = MESSAGE_MEASURE };

    strcpy(message.measure.brew, brew->name);
    strcpy(message.measure.station, brew->station);
    message.measure.measure = measure;
    message.measure.value = brew->measures.value[measure];
    message.measure.standard_uncertainty = brew->measures.standard_uncertainty[measure];
    message.measure.above = brew->above[measure];
    message.measure.by = by;
    if (measure == MEASURE_STRENGTH_PCT) {
        message.measure.from_readings = true;
        message.measure.readings = brew->sample_count;
        for (int i = 0; i < brew->sample_count; i++)
            message.measure.reading[i] = brew->samples[i].seq;
        message.measure.filtered = strength_filtered(stations, brew);
        message.measure.budget = brew->budget;
        message.measure.sample_c = brew->sample_count ? brew->samples[brew->sample_count - 1].sample_c : NAN;
    }
    stations->emit(stations->context, &message);
}

void report_measure(struct stations *stations, struct brew *brew, enum measure measure, enum made_by by)
{
    enum measure changed[MEASURE_COUNT];
    struct why why;
    int count;

    report_one(stations, brew, measure, by);
    count = brew_derive(brew, changed);
    for (int i = 0; i < count; i++)
        report_one(stations, brew, changed[i], by);
    /* a correction may change whether the plan was kept */
    if (brew->ended && !brew->discarded && brew->plan && stations->planned_over)
        stations->planned_over(stations->context, brew, true, &why);
}

void report_stage(struct stations *stations, const struct brew *brew, const struct staged *staged)
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

static struct message brew_message(const struct brew *brew, enum brew_change change, int64_t at_us, enum made_by by)
{
    struct message message = { .kind = MESSAGE_BREW };

    strcpy(message.brew.brew, brew->name);
    strcpy(message.brew.station, brew->station);
    message.brew.change = change;
    message.brew.at_us = at_us;
    message.brew.by = by;
    message.brew.plan_kept = -1;
    measures_clear(&message.brew.measures);
    return message;
}

void report_begin(struct stations *stations, struct brew *brew, int64_t at_us, enum made_by by)
{
    struct message message = brew_message(brew, BREW_BEGIN, at_us, by);
    char *plan = NULL;

    brew->began_us = at_us;
    if (stations->plan && (brew->plan = stations->plan(stations->context, brew->station, brew->name)))
        plan = json_dumps(brew->plan, JSON_COMPACT);
    message.brew.plan_json = plan;
    stations->emit(stations->context, &message);
    free(plan);
}

void report_end(struct stations *stations, struct brew *brew, int64_t at_us, enum made_by by)
{
    struct message message;
    struct why why = { "" };

    brew->ended = brew->changed = true;
    brew->ended_us = at_us;
    if (brew->plan && stations->planned_over)
        stations->planned_over(stations->context, brew, false, &why);
    message = brew_message(brew, BREW_END, at_us, by);
    snprintf(message.brew.note, DETAIL_SIZE, "%s", why.text);
    message.brew.measures = brew->measures;
    message.brew.plan_kept = brew->plan_kept;
    stations->emit(stations->context, &message);
}

void report_discard(struct stations *stations, struct brew *brew, int64_t at_us, enum made_by by, const char *reason)
{
    struct message message = brew_message(brew, BREW_DISCARD, at_us, by);
    struct why why;

    if (!brew->ended)
        brew->ended_us = at_us;
    brew->ended = brew->discarded = brew->changed = true;
    brew->discarded_us = at_us;
    snprintf(message.brew.note, DETAIL_SIZE, "%s", reason);
    stations->emit(stations->context, &message);
    if (brew->plan && stations->planned_over)
        stations->planned_over(stations->context, brew, false, &why);
}

void report_note(struct stations *stations, const struct brew *brew, const char *note)
{
    struct message message = brew_message(brew, BREW_NOTE, brew->began_us, BY_TRACKER);

    snprintf(message.brew.note, DETAIL_SIZE, "%s", note);
    stations->emit(stations->context, &message);
}

void report_question(struct stations *stations, struct brew *brew, const char *word, enum measure measure,
                     const char *detail)
{
    brew_ask(brew, word, measure, detail);
    stations_warn(stations, brew, brew->station, word, "%s", detail);
}
