/* The timer's other pages: help, the list of stages to mark, the answer to a question. */
#include "draw_parts.h"

#include <stdio.h>
#include <string.h>

static const char *const keys[] = {
    "t      tare the scale of the chosen station",
    "space  the next stage begins now (what stands behind \"then\")",
    "m      any stage begins now: pick it from a list",
    "b e    begin, end a brew",
    "a      answer the question that is shown",
    "tab    choose the next station; 1 to 9 choose one",
    "?      this page        q  quit",
};

static const char cautions[] =
    "Water near boiling scalds at once. Press straight down, slowly, on a level surface and a sturdy cup, never on "
    "thin glass; hold the cup where you can bear it. A brewer turned over can open under its own gas. Do not load a scale "
    "beyond its capacity. Keep mains instruments and hubs away from water. Poise measures; it does not make a press "
    "safe. Local codes, the makers' instructions and licensed practice come first.";

enum { KEY_COUNT = sizeof keys / sizeof *keys, ROWS_MOST = 1000 };

/* Keys, a blank row, the cautions, a blank row, and what goes on. */
int draw_help_parts(int width, int height)
{
    int rows = canvas_lines(width - 2, ROWS_MOST, cautions) + 3;

    for (int i = 0; i < KEY_COUNT; i++)
        rows += canvas_lines(width - 2, ROWS_MOST, keys[i]);
    return rows <= height ? 1 : 2;
}

void draw_help(struct canvas *canvas, int part)
{
    int y = 0, width = canvas->width - 2, parts = draw_help_parts(canvas->width, canvas->height);

    for (int i = 0; i < KEY_COUNT && part == 0; i++)
        y += canvas_wrap(canvas, 1, y, width, canvas->height - y, LOOK_PLAIN, keys[i]);
    y += y > 0;
    if (part + 1 == parts)
        y += canvas_wrap(canvas, 1, y, width, canvas->height - y, LOOK_STRONG, cautions) + 1;
    y = y < canvas->height ? y : canvas->height - 1;
    canvas_put(canvas, 1, y, width, LOOK_FAINT,
               part + 1 < parts ? "Any key: how nobody is hurt." : "Any key goes back.");
}

char mark_letter(enum stage stage)
{
    static const char letters[STAGE_COUNT] = {
        [STAGE_DOSE] = 'd', [STAGE_BLOOM] = 'b',  [STAGE_POUR] = 'p',  [STAGE_STEEP] = 's',
        [STAGE_STIR] = 'i', [STAGE_SETTLE] = 'e', [STAGE_PRESS] = 'r', [STAGE_WEIGH] = 'w'
    };

    return letters[stage];
}

void draw_mark(struct canvas *canvas, const char *station)
{
    char text[80];
    int y = 2;

    snprintf(text, sizeof text, "Which stage begins now at %s?", station);
    canvas_put(canvas, 1, 0, canvas->width - 1, LOOK_STRONG, text);
    for (enum stage stage = STAGE_IDLE; stage < STAGE_COUNT; stage++)
        if (mark_letter(stage)) {
            snprintf(text, sizeof text, "%c  %s", mark_letter(stage), stage_name(stage));
            canvas_put(canvas, 3, y++, canvas->width - 3, LOOK_PLAIN, text);
        }
    canvas_put(canvas, 1, y + 1, canvas->width - 1, LOOK_FAINT, "Any other key goes back.");
}

void draw_answer(struct canvas *canvas, const struct timer_station *station, const char *typed)
{
    char text[NAME_SIZE + DETAIL_SIZE + 2];
    int y;

    snprintf(text, sizeof text, "%s: %s", station->name,
             *station->question_detail ? station->question_detail : station->question);
    y = canvas_wrap(canvas, 1, 0, canvas->width - 2, QUESTION_ROWS, LOOK_STRONG, text);
    snprintf(text, sizeof text, "%s = %s_",
             station->question_measure >= 0 ? measure_name((enum measure)station->question_measure) : "?", typed);
    canvas_put(canvas, 3, y + 1, canvas->width - 3, LOOK_PLAIN, text);
    canvas_put(canvas, 1, y + 3, canvas->width - 1, LOOK_FAINT, "Enter answers, escape goes back.");
}
