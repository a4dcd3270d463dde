/* The picture of the bench; see state.h. */
#include "state.h"

#include <inttypes.h>
#include <math.h>
#include <string.h>

enum { UNSURE_MOST = 8 };         /* more questions at once nobody answers */
enum { INSTRUMENT_BYTES = 3072 }; /* one instrument described, with rejects and what else it shows */

static void write_or_null(struct text *out, const char *key, const char *string)
{
    text_print(out, ",\"%s\":", key);
    if (string && string[0])
        text_string(out, string);
    else
        text_add(out, "null", 4);
}

static void write_measures(struct text *out, const struct measures *measures)
{
    char *room = text_room(out, MESSAGE_SIZE);
    int length = room ? message_write_measures(measures, room, MESSAGE_SIZE) : -1;

    if (length >= 0)
        out->length += (size_t)length;
    else
        out->failed = true;
}

void state_write_instruments(const struct state_source *source, struct text *out)
{
    text_add(out, "[", 1);
    for (int i = 0; i < source->config->instrument_count; i++) {
        char *room;
        int length;

        if (i)
            text_add(out, ",", 1);
        if (!(room = text_room(out, INSTRUMENT_BYTES)))
            return;
        length = source->hands->describe(source->hands->context, i, source->common->mono_us, room, INSTRUMENT_BYTES);
        if (length > 0)
            out->length += (size_t)length;
        else
            text_add(out, "{}", 2);
    }
    text_add(out, "]", 1);
}

/* The tracker's 0 is a time that has not come yet. */
static void write_time(struct text *out, const char *key, int64_t at_us)
{
    if (at_us)
        text_print(out, ",\"%s\":%" PRId64, key, at_us);
    else
        text_print(out, ",\"%s\":null", key);
}

static void write_number_field(struct text *out, const char *key, double value)
{
    text_print(out, ",\"%s\":", key);
    text_number(out, value);
}

/* As readings have it: thousandths of a gram, hundredths of the rest. */
static void write_seen(struct text *out, const char *key, double value, double digits)
{
    write_number_field(out, key, round(value * digits) / digits);
}

/* Which of a brew's measures are lower bounds. */
static void write_above(struct text *out, const struct brew *brew)
{
    bool first = true;

    text_print(out, ",\"above\":[");
    for (int i = 0; brew && i < MEASURE_COUNT; i++)
        if (brew->above[i]) {
            text_print(out, "%s\"%s\"", first ? "" : ",", measure_name(i));
            first = false;
        }
    text_print(out, "]");
}

/* The record of the brew that this station's picture shows: the running one, else its newest. */
static void write_brew(struct text *out, const struct brew *brew)
{
    text_print(out, ",\"stages\":[");
    for (int i = 0; brew && i < brew->timeline.count; i++)
        text_print(out, "%s{\"stage\":\"%s\",\"at_us\":%" PRId64 "}", i ? "," : "",
                   stage_name(brew->timeline.stage[i].stage), brew->timeline.stage[i].at_us);
    text_print(out, "],\"measures\":");
    if (brew)
        write_measures(out, &brew->measures);
    else
        text_print(out, "{}");
    write_above(out, brew);
}

/* The first of a brew's open questions: one is asked after the other. */
static void write_question(struct text *out, const struct brew *brew)
{
    const struct brew_question *question = brew && brew->question_count ? &brew->questions[0] : NULL;

    text_print(out, ",\"question\":");
    if (!question) {
        text_print(out, "null");
        return;
    }
    text_print(out, "{\"brew\":\"%s\",\"question\":", brew->name);
    text_string(out, question->word);
    write_or_null(out, "measure", measure_name(question->measure));
    text_print(out, ",\"detail\":");
    text_string(out, question->detail);
    write_number_field(out, "guess", brew->measures.value[question->measure]);
    write_number_field(out, "guess_u", brew->measures.standard_uncertainty[question->measure]);
    text_add(out, "}", 1);
}

static void write_station(const struct state_source *source, int index, struct text *out)
{
    const struct station *station = &source->stations->all[index];
    const struct tracker_config *config = &station->config.tracker;
    const struct brew *brew = station_running(source->stations, index);
    const struct brew *newest = brews_newest(&source->stations->brews, station->config.name);
    struct station_view view;

    station_look(source->stations, index, source->common->mono_us, &view);
    text_print(out, "{\"station\":\"%s\",\"stage\":\"%s\"", station->config.name, stage_name(view.stage));
    write_time(out, "stage_at_us", view.stage_at_us);
    write_or_null(out, "brew", brew ? brew->name : NULL);
    write_time(out, "first_water_us", view.first_water_us);
    write_seen(out, "load_g", view.load_g, 1000);
    write_seen(out, "water_g", view.water_g, 1000);
    write_seen(out, "flow_g_per_s", view.flow_g_per_s, 100);
    write_seen(out, "press_kpa", view.press_kpa, 100);
    write_seen(out, "added_g", view.added_g, 1000);
    write_seen(out, "weighed_g", view.weighed_g, 1000);
    text_print(out, ",\"tared\":%s,\"cup_left\":%s", view.tared ? "true" : "false", view.cup_left ? "true" : "false");
    write_number_field(out, "piston_diameter_mm", config->piston_diameter_mm > 0 ? config->piston_diameter_mm : NAN);
    write_number_field(out, "press_limit_kpa", config->press_limit_kpa > 0 ? config->press_limit_kpa : NAN);
    write_brew(out, brew);
    text_print(out, ",\"next\":");
    planner_write_next(source->planner, station->config.name, brew, out);
    /* a question about a cup that is over stays until it is answered or the next brew begins */
    write_question(out, brew ? brew : newest);
    text_add(out, "}", 1);
}

static void write_waiting(const struct state_source *source, struct text *out)
{
    const struct brews *brews = &source->stations->brews;
    bool first = true;

    text_print(out, ",\"waiting\":[");
    for (int i = 0; i < brews->count; i++) {
        const struct brew *brew = brews->all[i];

        if (!brew_waits(brew, source->stations->replicates))
            continue;
        text_print(out, "%s{\"brew\":\"%s\",\"station\":\"%s\",\"have\":%d,\"want\":%d", first ? "" : ",", brew->name,
                   brew->station, brew->sample_count, source->stations->replicates);
        write_time(out, "since_us", brew->earlier_boot ? 0 : brew->ended_us);
        text_add(out, "}", 1);
        first = false;
    }
    text_print(out, "]");
}

/* Strength readings of which it is not clear whose they are: they wait for a person. */
static void write_unsure(const struct state_source *source, struct text *out)
{
    const struct stations *stations = source->stations;
    int count = 0;

    text_print(out, ",\"unsure\":[");
    for (int i = 0; i < stations->loose_count && count < UNSURE_MOST; i++) {
        const struct sample *sample = &stations->loose[i];

        if (!sample->seq || !sample->likely[0] || !sample->other[0])
            continue;
        text_print(out, "%s{\"seq\":%" PRIu64 ",\"strength_pct\":", count++ ? "," : "", sample->seq);
        text_number(out, sample->strength_pct);
        text_print(out, ",\"likely\":\"%s\",\"chance\":", sample->likely);
        text_number(out, sample->chance);
        text_print(out, ",\"other\":\"%s\",\"other_chance\":", sample->other);
        text_number(out, sample->other_chance);
        text_add(out, "}", 1);
    }
    text_print(out, "]");
}

void state_write_vessels(const struct vessels *vessels, struct text *out)
{
    text_print(out, "[");
    for (int i = 0; i < vessels->count; i++) {
        const struct vessel *one = &vessels->all[i];

        text_print(out, "%s{\"vessel\":\"%s\",\"role\":\"%s\"", i ? "," : "", one->name, vessel_role_name(one->role));
        write_seen(out, "mass_g", one->mass_g, 1000);
        write_seen(out, "standard_uncertainty", vessel_u_g(one, true), 1000);
        text_print(out, ",\"seen\":%d,\"seen_us\":", one->seen);
        text_print(out, one->seen_us ? "%" PRId64 : "null", one->seen_us);
        text_print(out, ",\"configured\":%s}", one->configured ? "true" : "false");
    }
    text_print(out, "]");
}

static void write_last(const struct state_source *source, struct text *out)
{
    const struct brews *brews = &source->stations->brews;
    const struct brew *last = NULL;

    for (int i = brews->count - 1; i >= 0 && !last; i--)
        if (brews->all[i]->ended && !brews->all[i]->discarded)
            last = brews->all[i];
    text_print(out, ",\"last\":");
    if (!last) {
        text_print(out, "null");
        return;
    }
    text_print(out, "{\"brew\":\"%s\",\"station\":\"%s\",\"measures\":", last->name, last->station);
    write_measures(out, &last->measures);
    write_above(out, last);
    text_print(out, ",\"plan_kept\":%s}", last->plan_kept == 1 ? "true" : last->plan_kept == 0 ? "false" : "null");
}

void state_write(const struct state_source *source, struct text *out)
{
    char *room = text_room(out, MESSAGE_SIZE);
    int length = room ? message_write_common(source->common, room, MESSAGE_SIZE) : -1;

    if (length < 0) {
        out->failed = true;
        return;
    }
    out->length += (size_t)length;
    if (source->identity[0])
        text_print(out, ",\"bench_id\":\"%s\"", source->identity);
    text_print(out, ",\"instruments\":");
    state_write_instruments(source, out);
    text_print(out, ",\"stations\":[");
    for (int i = 0; i < source->stations->count; i++) {
        if (i)
            text_add(out, ",", 1);
        write_station(source, i, out);
    }
    text_add(out, "]", 1);
    write_waiting(source, out);
    write_unsure(source, out);
    text_print(out, ",\"vessels\":");
    state_write_vessels(&source->stations->vessels, out);
    write_last(source, out);
    text_print(out, ",\"units\":{\"mass\":\"g\",\"pressure\":\"%s\",\"temperature\":\"%s\"}",
               guide_unit_shown("kPa", &source->config->units).unit, source->config->units.fahrenheit ? "F" : "C");
    text_print(out, ",\"plan\":");
    planner_write(source->planner, out);
    text_add(out, "}", 1);
}
