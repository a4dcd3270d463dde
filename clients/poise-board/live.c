/* What the pages show; see live.h. */
#include "live.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "poise/brew.h"

static const char *const moment_name[GUIDE_MOMENTS] = {
    [GUIDE_BLOOM_END] = "bloom-end",   [GUIDE_STIR] = "stir",   [GUIDE_STIR_END] = "stir-end",
    [GUIDE_PRESS_SOON] = "press-soon", [GUIDE_PRESS] = "press", [GUIDE_PRESS_END] = "press-end",
};
static const char *const side_name[] = {
    [GUIDE_NO_TARGET] = "", [GUIDE_BELOW] = "below", [GUIDE_RIGHT] = "right", [GUIDE_ABOVE] = "above"
};
static const int64_t OLD_US = 1500000; /* the slowest scales send two readings a second: three missed */

void live_begin(struct live *live)
{
    memset(live, 0, sizeof *live);
    view_begin(&live->view, NAN);
    live->rang = GUIDE_MOMENTS;
}

/* ---- what happened ---- */

static struct live_cup *find_cup(struct live *live, const char *brew)
{
    for (int i = 0; i < live->cups; i++)
        if (strcmp(live->cup[i].brew, brew) == 0)
            return &live->cup[i];
    return NULL;
}

void live_add_cup(struct live *live, const struct live_cup *cup)
{
    if (live->cups < LIVE_CUPS && !find_cup(live, cup->brew))
        live->cup[live->cups++] = *cup;
}

static void drop_cup(struct live *live, struct live_cup *cup)
{
    memmove(cup, cup + 1, (size_t)(live->cup + live->cups - (cup + 1)) * sizeof *cup);
    live->cups--;
}

static void take_cup(struct live *live, const struct message_brew *brew, const bool *above)
{
    struct live_cup *cup = find_cup(live, brew->brew);

    if (!cup) {
        memmove(live->cup + 1, live->cup, (LIVE_CUPS - 1) * sizeof *cup);
        live->cups += live->cups < LIVE_CUPS;
        cup = live->cup;
    }
    strcpy(cup->brew, brew->brew);
    cup->measures = brew->measures;
    cup->kept = brew->plan_kept;
    memcpy(cup->above, above, sizeof cup->above);
}

static void take_brew(struct live *live, const struct message_brew *brew)
{
    static const bool none[MEASURE_COUNT];
    const struct view_station *station = live_station(live, brew->station);
    struct live_cup *cup = find_cup(live, brew->brew);

    if (brew->change == BREW_END)
        take_cup(live, brew, station ? station->above : none);
    else if (cup && brew->change == BREW_DISCARD)
        drop_cup(live, cup);
    else if (cup && brew->change == BREW_VERDICT)
        cup->kept = brew->plan_kept;
}

static void take_measure(struct live *live, const struct message_measure *measure)
{
    struct live_cup *cup = find_cup(live, measure->brew);

    if (!cup)
        return;
    cup->measures.value[measure->measure] = measure->value;
    cup->measures.standard_uncertainty[measure->measure] = measure->standard_uncertainty;
    cup->above[measure->measure] = measure->above;
}

/* The last brew that a state names may be one that ended before we came. */
static void take_last(struct live *live)
{
    struct message_brew last = { .measures = live->view.last, .plan_kept = live->view.last_kept };

    if (!*live->view.last_brew || find_cup(live, live->view.last_brew))
        return;
    strcpy(last.brew, live->view.last_brew);
    take_cup(live, &last, live->view.last_above);
}

void live_message(struct live *live, const struct message *message, int64_t local_us)
{
    int64_t noticed_us = live->view.notice_local_us;

    if (message->kind == MESSAGE_BREW)
        take_brew(live, &message->brew); /* while the station knows what was above */
    else if (message->kind == MESSAGE_MEASURE)
        take_measure(live, &message->measure);
    view_message(&live->view, message, local_us);
    if (message->kind == MESSAGE_STATE)
        take_last(live);
    live->notices += live->view.notice_local_us != noticed_us;
    for (int i = 0; i < live->view.stations; i++) {
        const struct view_station *station = &live->view.station[i];

        if (message->kind != MESSAGE_READING || strcmp(message->reading.station, station->name) == 0)
            trace_take(&live->trace[i], station, message->common.mono_us);
    }
}

void live_plan(struct live *live, const json_t *plan)
{
    json_t *run, *copy;
    size_t place;

    live->nexts = 0;
    json_array_foreach(json_object_get(plan, "runs"), place, run)
    {
        const char *state = json_string_value(json_object_get(run, "state"));
        struct live_run *next = &live->next[live->nexts];
        struct guide_run read;

        if (live->nexts == LIVE_NEXT)
            return;
        if (!state || strcmp(state, "done") == 0 || strcmp(state, "brewing") == 0)
            continue;
        copy = json_deep_copy(run);
        json_object_set_new(copy, "experiment", json_string("x"));
        guide_run_read(copy, &read);
        json_decref(copy);
        next->run = (int)json_integer_value(json_object_get(run, "run"));
        *next->words = '\0';
        for (int i = 0; i < read.settings; i++) {
            size_t length = strlen(next->words);
            char words[160];

            guide_setting_words(&read.setting[i], true, &live->view.units, words, sizeof words);
            snprintf(next->words + length, sizeof next->words - length, "%s%s", length ? ", " : "", words);
        }
        live->nexts++;
    }
}

bool live_runs(const struct live *live)
{
    for (int i = 0; i < live->view.stations; i++)
        if (station_brewing(&live->view.station[i]))
            return true;
    return false;
}

void live_ring(struct live *live, int64_t local_us)
{
    unsigned fresh = view_bell(&live->view, &live->bell, view_now_us(&live->view, local_us));

    for (int moment = 0; moment < GUIDE_MOMENTS; moment++)
        if (fresh >> moment & 1) {
            live->rings++;
            live->rang = (enum guide_moment)moment;
        }
}

const struct view_station *live_station(const struct live *live, const char *name)
{
    for (int i = 0; i < live->view.stations; i++)
        if (strcmp(live->view.station[i].name, name) == 0 || (!*name && live->view.stations == 1))
            return &live->view.station[i];
    return NULL;
}

/* ---- text ---- */

static void add_string(struct text *out, const char *key, const char *value)
{
    text_print(out, "\"%s\":", key);
    text_string(out, value);
    text_print(out, ",");
}

/* Cut to digits that mean something; null where it is not known. */
static void add_number(struct text *out, const char *key, double value, int decimals)
{
    if (isfinite(value))
        text_print(out, "\"%s\":%.*f,", key, decimals, value);
    else
        text_print(out, "\"%s\":null,", key);
}

static void add_bool(struct text *out, const char *key, bool value)
{
    text_print(out, "\"%s\":%s,", key, value ? "true" : "false");
}

/* Takes the last comma back. */
static void end_with(struct text *out, const char *bracket)
{
    if (out->length > 0 && out->data[out->length - 1] == ',')
        out->length--;
    text_print(out, "%s", bracket);
}

static void add_pressure(struct text *out, const struct view *view, double kpa)
{
    char words[80] = "";

    if (!isnan(kpa))
        guide_pressure_words(kpa, NAN, &view->units, words, sizeof words);
    add_string(out, "press", words);
}

static void add_slurry(struct text *out, const struct view *view, double celsius)
{
    char words[80] = "";

    if (!isnan(celsius))
        guide_temperature_words(celsius, NAN, &view->units, words, sizeof words);
    add_string(out, "slurry", words);
}

static const char *short_name(const char *brew)
{
    const char *dash = strrchr(brew, '-');

    return dash ? dash + 1 : brew;
}

static void add_guide(const struct guide *guide, struct text *out)
{
    add_string(out, "cue", guide->cue);
    add_string(out, "now", guide->now);
    add_string(out, "set", guide->set);
    add_string(out, "next", guide->next);
    add_string(out, "rescue", guide->rescue);
    add_string(out, "caution", guide->caution);
    add_string(out, "next_stage", stage_name(guide->next_stage));
    text_print(out, "\"number\":{");
    add_string(out, "digits", guide->number.digits);
    add_string(out, "unit", guide->number.unit);
    add_string(out, "goal", guide->number.goal);
    add_number(out, "share", guide->number.share, 4);
    add_number(out, "from", guide->number.band_from, 4);
    add_number(out, "to", guide->number.band_to, 4);
    add_string(out, "side", side_name[guide->number.side]);
    end_with(out, "},");
}

static void add_scale(const struct view *view, const struct view_station *station, int64_t now_us, struct text *out)
{
    bool old = station->shown_at_us && now_us - station->shown_at_us > (int64_t)((double)OLD_US * fmax(view->rate, 1));
    bool ready = strcmp(station->condition, instrument_change_name(INSTRUMENT_READY)) == 0;
    char shown[40] = "";

    if (station->shown_at_us && station->status == READING_OK)
        snprintf(shown, sizeof shown, "%.*f", station->shown.exponent < 0 ? -station->shown.exponent : 0,
                 decimal_to_double(station->shown));
    add_string(out, "scale", station->scale);
    add_string(out, "shown", shown);
    add_string(out, "condition",
               station->status == READING_OVERLOAD ? "overload"
               : old && ready                      ? "silent"
                                                   : station->condition);
    text_print(out, "\"stable\":%s,", station->stable > 0 ? "true" : station->stable == 0 ? "false" : "null");
}

static void add_run(const struct view *view, const struct view_station *station, struct text *out)
{
    char words[160];

    if (!station->has_next) {
        text_print(out, "\"run\":null,");
        return;
    }
    text_print(out, "\"run\":{\"run\":%d,\"of\":%d,\"varied\":[", station->next.run, station->next.of);
    for (int varied = 1; varied >= 0; varied--) {
        for (int i = 0; i < station->next.settings; i++)
            if (station->next.setting[i].varied == (varied != 0)) {
                guide_setting_words(&station->next.setting[i], true, &view->units, words, sizeof words);
                text_string(out, words);
                text_print(out, ",");
            }
        end_with(out, varied ? "],\"held\":[" : "]},");
    }
}

static void add_question(const struct view *view, const struct view_station *station, struct text *out)
{
    char guess[80];

    if (!*station->question) {
        text_print(out, "\"question\":null,");
        return;
    }
    text_print(out, "\"question\":{");
    add_string(out, "detail", station->question_detail);
    add_string(out, "brew", station->question_brew);
    if (station->question_measure >= 0) {
        add_string(out, "measure", measure_name((enum measure)station->question_measure));
        add_string(out, "what", measure_summary((enum measure)station->question_measure));
        add_string(out, "unit", measure_unit((enum measure)station->question_measure));
        add_string(out, "guess", station_guess_words(view, station, guess, sizeof guess));
    }
    end_with(out, "},");
}

/* The targets that the curve shows as lines. */
static void add_targets(const struct view_station *station, struct text *out)
{
    const struct guide_run *run = &station->next;
    double dose_g = station->measures.value[MEASURE_DOSE_G];

    if (!station->has_next)
        return;
    add_number(out, "water_target", guide_planned(run, "water_g", dose_g, NULL), 1);
    add_number(out, "steep_target", guide_planned(run, "steep_s", dose_g, NULL), 1);
}

static void add_trace(const struct trace *trace, const struct view_station *station, struct text *out)
{
    text_print(out, "\"trace\":{");
    add_string(out, "brew", trace->brew);
    text_print(out, "\"generation\":%u,\"count\":%d,\"last\":", trace->generation, trace->count);
    if (trace->count > 0)
        trace_write_point(&trace->point[trace->count - 1], out);
    else
        text_print(out, "null");
    text_print(out, ",\"stages\":[");
    for (int i = 0; i < trace->stages; i++)
        text_print(out, "[\"%s\",%.2f],", stage_name(trace->stage[i].stage), trace->stage[i].s);
    end_with(out, "],");
    add_number(out, "water_at",
               station->first_water_us && *trace->brew ? (double)(station->first_water_us - trace->began_us) / 1e6
                                                       : (double)NAN,
               2);
    end_with(out, "}");
}

static void add_station(const struct live *live, int place, int64_t now_us, struct text *out)
{
    const struct view *view = &live->view;
    const struct view_station *station = &view->station[place];
    char words[80];
    struct guide guide;

    station_guide(view, station, now_us, &guide);
    text_print(out, "{");
    add_string(out, "name", station->name);
    add_string(out, "stage", stage_name(station->stage));
    add_string(out, "brew", station->brew);
    add_string(out, "short", *station->brew ? short_name(station->brew) : "");
    add_guide(&guide, out);
    add_string(out, "time", guide_time(floor(station_steep_s(station, now_us)), words, sizeof words));
    add_number(out, "water", station->seen.water_g, 1);
    add_number(out, "flow",
               station->stage == STAGE_BLOOM || station->stage == STAGE_POUR ? station->seen.flow_g_per_s : (double)NAN,
               1);
    add_pressure(out, view, station->seen.press_kpa);
    add_slurry(out, view, station->slurry_c);
    add_scale(view, station, now_us, out);
    add_run(view, station, out);
    add_question(view, station, out);
    add_targets(station, out);
    add_trace(&live->trace[place], station, out);
    text_print(out, "},");
}

static void add_waiting(const struct view *view, int64_t now_us, struct text *out)
{
    text_print(out, "\"waiting\":[");
    for (int i = 0; i < view->waiting_count; i++) {
        const struct view_waiting *waiting = &view->waiting[i];

        text_print(out, "{");
        add_string(out, "brew", waiting->brew);
        add_string(out, "short", short_name(waiting->brew));
        text_print(out, "\"have\":%d,\"want\":%d,", waiting->have, waiting->want);
        add_number(out, "minutes", waiting->since_us ? floor((double)(now_us - waiting->since_us) / 60e6) : (double)NAN,
                   0);
        end_with(out, "},");
    }
    end_with(out, "],");
}

static void add_cups(const struct live *live, struct text *out)
{
    char words[LIVE_WORDS];

    text_print(out, "\"cups\":[");
    for (int i = 0; i < live->cups; i++) {
        const struct live_cup *cup = &live->cup[i];

        text_print(out, "{");
        add_string(out, "brew", cup->brew);
        add_string(out, "short", short_name(cup->brew));
        /* whether the plan was kept is shown by a mark of its own */
        add_string(out, "words", guide_cup(-1, &cup->measures, cup->above, &live->view.units, words, sizeof words));
        add_number(out, "strength", cup->measures.value[MEASURE_STRENGTH_PCT], 2);
        add_number(out, "extraction", cup->measures.value[MEASURE_EXTRACTION_PCT], 1);
        text_print(out, "\"kept\":%s},", cup->kept < 0 ? "null" : cup->kept ? "true" : "false");
    }
    end_with(out, "],");
}

static void add_plan(const struct live *live, struct text *out)
{
    const struct view *view = &live->view;

    if (view->plan_of == 0) {
        text_print(out, "\"plan\":null,");
        return;
    }
    text_print(out, "\"plan\":{");
    add_string(out, "experiment", view->experiment);
    add_string(out, "title", view->title);
    text_print(out, "\"done\":%d,\"of\":%d,\"next\":[", view->plan_done, view->plan_of);
    for (int i = 0; i < live->nexts; i++) {
        text_print(out, "{\"run\":%d,", live->next[i].run);
        add_string(out, "words", live->next[i].words);
        end_with(out, "},");
    }
    end_with(out, "]},");
}

void live_write(const struct live *live, int64_t local_us, struct text *out)
{
    const struct view *view = &live->view;
    int64_t now_us = view_now_us(view, local_us);

    text_print(out, "{");
    add_string(out, "bench", view->bench);
    add_bool(out, "there", view->found && view->has_state);
    add_number(out, "rate", view->rate, 0);
    add_plan(live, out);
    text_print(out, "\"stations\":[");
    for (int i = 0; i < view->stations; i++)
        add_station(live, i, now_us, out);
    end_with(out, "],");
    add_waiting(view, now_us, out);
    add_cups(live, out);
    text_print(out, "\"rings\":%u,\"rang\":\"%s\",", live->rings,
               live->rang < GUIDE_MOMENTS ? moment_name[live->rang] : "");
    text_print(out, "\"notices\":%u,", live->notices);
    add_string(out, "notice", view->notice);
    add_bool(out, "notice_bad", view->notice_bad);
    end_with(out, "}");
}
