/* Curves from what the bench has kept; see recall.h. */
#include "recall.h"

#include <math.h>
#include <string.h>

enum {
    BACK = 12000, /* messages: ten minutes of two scales at ten a second */
    ROUNDS = 64   /* answers, each as long as the bench makes them */
};

static struct trace fresh[VIEW_STATIONS];

static double number_of(const json_t *object, const char *key)
{
    const json_t *field = json_object_get(object, key);

    return json_is_number(field) ? json_number_value(field) : (double)NAN;
}

static const char *text_of(const json_t *object, const char *key)
{
    const char *text = json_string_value(json_object_get(object, key));

    return text ? text : "";
}

static void take(struct board *board, const json_t *message)
{
    const struct view_station *station = live_station(&board->live, text_of(message, "station"));
    struct trace *trace = station ? &fresh[station - board->live.view.station] : NULL;

    if (!trace || !*trace->brew || !*text_of(message, "station") || strcmp(text_of(message, "quantity"), "mass") != 0
        || json_object_get(message, "weighs"))
        return;
    trace_recall(trace, json_integer_value(json_object_get(message, "mono_us")), number_of(message, "water_g"),
                 number_of(message, "flow_g_per_s"), number_of(message, "press_kpa"));
}

static void finish(struct board *board)
{
    for (int i = 0; i < board->live.view.stations; i++)
        if (*fresh[i].brew && strcmp(fresh[i].brew, board->live.view.station[i].brew) == 0)
            trace_recalled(&board->live.trace[i], &fresh[i]);
    board->recalling = 0;
    board_changed(board);
}

static void ask(struct board *board, json_int_t seq);

static void came(struct board *board, void *context, json_t *reply, const struct why *why)
{
    json_t *pair;
    size_t place;

    (void)context;
    (void)why;
    json_array_foreach(json_object_get(reply, "messages"), place, pair)
    {
        take(board, json_array_get(pair, 1));
    }
    if (reply && board->recalling < ROUNDS && !board->stopping
        && json_integer_value(json_object_get(reply, "next")) < json_integer_value(json_object_get(reply, "last"))) {
        ask(board, json_integer_value(json_object_get(reply, "next")));
        return;
    }
    finish(board);
}

static void ask(struct board *board, json_int_t seq)
{
    board->recalling++;
    if (!board_ask(board, json_pack("{s:s,s:I}", "do", "since", "seq", seq), came, NULL))
        board->recalling = 0; /* the curve begins now, then */
}

void recall_look(struct board *board, uint64_t seq)
{
    bool brews = false;

    if (!board->recall_due || board->recalling)
        return;
    board->recall_due = false;
    for (int i = 0; i < board->live.view.stations; i++)
        brews = trace_recall_begin(&fresh[i], &board->live.view.station[i]) || brews;
    if (brews)
        ask(board, seq > BACK ? (json_int_t)(seq - BACK) : 0);
}
