/* The curve of a brew; see trace.h. */
#include "trace.h"

#include <math.h>
#include <string.h>

static const int64_t SPACING_US = 100000; /* ten points a second show every hand */

static void begin(struct trace *trace, const struct view_station *station, int64_t now_us)
{
    unsigned generation = trace->generation + 1;

    memset(trace, 0, sizeof *trace);
    strcpy(trace->brew, station->brew);
    trace->generation = generation;
    trace->spacing_us = SPACING_US;
    trace->began_us = station->timeline.count > 0 ? station->timeline.stage[0].at_us : now_us;
    trace->last_us = INT64_MIN / 2;
}

static void take_stages(struct trace *trace, const struct view_station *station)
{
    trace->stages = 0;
    for (int i = 0; i < station->timeline.count; i++) {
        trace->stage[trace->stages].stage = station->timeline.stage[i].stage;
        trace->stage[trace->stages++].s = (double)(station->timeline.stage[i].at_us - trace->began_us) / 1e6;
    }
}

/* Every other point goes. */
static void halve(struct trace *trace)
{
    for (int i = 0; i < TRACE_POINTS / 2; i++)
        trace->point[i] = trace->point[2 * i];
    trace->count = TRACE_POINTS / 2;
    trace->spacing_us *= 2;
    trace->generation++;
}

static void add_point(struct trace *trace, int64_t now_us, double water_g, double flow_g_per_s, double press_kpa)
{
    struct trace_point *point;

    if (now_us - trace->last_us < trace->spacing_us)
        return;
    if (trace->count == TRACE_POINTS)
        halve(trace);
    trace->last_us = now_us;
    point = &trace->point[trace->count++];
    point->s = (float)((double)(now_us - trace->began_us) / 1e6);
    point->water_g = (float)water_g;
    point->flow_g_per_s = (float)flow_g_per_s;
    point->press_kpa = (float)press_kpa;
}

void trace_take(struct trace *trace, const struct view_station *station, int64_t now_us)
{
    bool pours = station->stage == STAGE_BLOOM || station->stage == STAGE_POUR;

    if (!*station->brew)
        return;
    if (strcmp(trace->brew, station->brew) != 0)
        begin(trace, station, now_us);
    take_stages(trace, station);
    if (now_us < trace->last_us) /* the bench was restarted, or its clock is another one */
        begin(trace, station, now_us);
    if (station->stage >= STAGE_DOSE && station->stage <= STAGE_WEIGH)
        add_point(trace, now_us, station->seen.water_g, pours ? station->seen.flow_g_per_s : (double)NAN,
                  station->seen.press_kpa);
}

bool trace_recall_begin(struct trace *fresh, const struct view_station *station)
{
    fresh->brew[0] = '\0';
    if (*station->brew && station->timeline.count > 0)
        begin(fresh, station, 0);
    return *fresh->brew;
}

void trace_recall(struct trace *fresh, int64_t mono_us, double water_g, double flow_g_per_s, double press_kpa)
{
    if (mono_us >= fresh->began_us)
        add_point(fresh, mono_us, water_g, flow_g_per_s, press_kpa);
}

void trace_recalled(struct trace *trace, const struct trace *fresh)
{
    struct trace whole = *fresh;

    for (int i = 0; i < trace->count && strcmp(trace->brew, fresh->brew) == 0; i++) {
        const struct trace_point *point = &trace->point[i];

        add_point(&whole, trace->began_us + (int64_t)((double)point->s * 1e6), point->water_g, point->flow_g_per_s,
                  point->press_kpa);
    }
    whole.generation = trace->generation + 1;
    memcpy(whole.stage, trace->stage, sizeof whole.stage);
    whole.stages = trace->stages;
    *trace = whole;
}

static void add_number(struct text *out, double value, int decimals)
{
    if (isfinite(value))
        text_print(out, "%.*f", decimals, value);
    else
        text_print(out, "null");
}

void trace_write_point(const struct trace_point *point, struct text *out)
{
    text_print(out, "[");
    add_number(out, point->s, 2);
    text_print(out, ",");
    add_number(out, point->water_g, 1);
    text_print(out, ",");
    add_number(out, point->flow_g_per_s, 2);
    text_print(out, ",");
    add_number(out, point->press_kpa, 2);
    text_print(out, "]");
}

void trace_write(const struct trace *trace, const char *brew, unsigned generation, int from, struct text *out)
{
    if (strcmp(trace->brew, brew) != 0 || generation != trace->generation || from < 0 || from > trace->count)
        from = 0;
    text_print(out, "{\"brew\":");
    text_string(out, trace->brew);
    text_print(out, ",\"generation\":%u,\"from\":%d,\"points\":[", trace->generation, from);
    for (int i = from; i < trace->count; i++) {
        if (i > from)
            text_print(out, ",");
        trace_write_point(&trace->point[i], out);
    }
    text_print(out, "]}");
}
