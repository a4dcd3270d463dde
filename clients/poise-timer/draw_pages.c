/* The timer's other pages: help, the list of stages to mark, the answer to a question. */
#include "draw_parts.h"

#include <stdio.h>
#include <string.h>

static const char *const keys[] = {
    /* each fits on the narrowest screen */
    "t      tare the scale",
    "space  the next stage begins now",
    "m      any stage begins now",
    "b      a brew begins",
    "e e    the brew ends",
    "u      undo a mark or a begin (10 s)",
    "a      answer the question; y: its guess",
    "w      whose a strength reading is",
    "s      bell off, or on again",
    "tab    next station; 1 to 9 one",
    "?      this page        q  quit",
};

static const char *const cautions[] = {
    "Water near boiling scalds at once; keep a mains kettle dry. Press straight down, slowly, on a level surface and a "
    "sturdy cup, never on thin glass; hold the cup where you can bear it. A brewer turned over can open under its own "
    "gas. Do not load a scale beyond its capacity.",
    "Let a sample cool: hot liquid bursts out of a syringe filter and harms a prism. Caffeine adds up over a long "
    "tasting: spit. Keep mains instruments and hubs away from water. Poise measures; it does not make a press safe. "
    "Local codes, the makers' instructions and licensed practice come first."
};

enum {
    KEY_COUNT = sizeof keys / sizeof *keys,
    CAUTION_COUNT = sizeof cautions / sizeof *cautions,
    ROWS_MOST = 1000,
    HELP_BLOCKS = 1 + CAUTION_COUNT /* the keys, and the cautions */
};

/* Draws a block of the help, or measures it without a canvas; how many rows it takes. */
static int lay_block(struct canvas *canvas, int block, int y, int width, int rows)
{
    int used = 0;

    if (block > 0 && canvas)
        return canvas_wrap(canvas, 1, y, width, rows, LOOK_STRONG, cautions[block - 1]);
    if (block > 0)
        return canvas_lines(width, rows, cautions[block - 1]);
    for (int i = 0; i < KEY_COUNT; i++)
        used += canvas ? canvas_wrap(canvas, 1, y + used, width, rows - used, LOOK_PLAIN, keys[i])
                       : canvas_lines(width, rows - used, keys[i]);
    return used;
}

/* The first block of each part: as many as fit above the last row, but one at least. */
static int part_begins(int width, int height, int part)
{
    int rows = 0, block = 0, used;

    for (; block < HELP_BLOCKS && part >= 0; block++) {
        used = lay_block(NULL, block, 0, width - 2, ROWS_MOST) + 1;
        if (block > 0 && rows + used > height) {
            part--;
            rows = 0;
        }
        if (part < 0)
            break;
        rows += used;
    }
    return block;
}

int draw_help_parts(int width, int height)
{
    int parts = 1;

    while (parts < HELP_BLOCKS && part_begins(width, height, parts - 1) < HELP_BLOCKS)
        parts++;
    return parts;
}

void draw_help(struct canvas *canvas, int part)
{
    int y = 0, width = canvas->width - 2, parts = draw_help_parts(canvas->width, canvas->height);
    int block = part > 0 ? part_begins(canvas->width, canvas->height, part - 1) : 0;
    int end = part_begins(canvas->width, canvas->height, part);

    for (; block < end; block++)
        y += lay_block(canvas, block, y, width, canvas->height - y) + 1;
    y = y < canvas->height ? y : canvas->height - 1;
    canvas_put(canvas, 1, y, width, LOOK_FAINT, part + 1 < parts ? "Any key: cautions." : "Any key goes back.");
}

char mark_digit(enum stage stage)
{
    return stage >= STAGE_DOSE && stage <= STAGE_WEIGH ? (char)('1' + (int)(stage - STAGE_DOSE)) : 0;
}

void draw_mark(struct canvas *canvas, const char *station)
{
    char text[80];
    int y = 2;

    snprintf(text, sizeof text, "Which stage begins now at %s?", station);
    canvas_put(canvas, 1, 0, canvas->width - 1, LOOK_STRONG, text);
    for (enum stage stage = STAGE_IDLE; stage < STAGE_COUNT; stage++)
        if (mark_digit(stage)) {
            snprintf(text, sizeof text, "%c  %s", mark_digit(stage), stage_name(stage));
            canvas_put(canvas, 3, y++, canvas->width - 3, LOOK_PLAIN, text);
        }
    canvas_put(canvas, 1, y + 1, canvas->width - 1, LOOK_FAINT, "Any other key goes back.");
}

void draw_whose(struct canvas *canvas, const struct view_unsure *unsure)
{
    char text[BREW_SIZE + 40];

    snprintf(text, sizeof text, "Whose strength is %.2f %%?", unsure->strength_pct);
    canvas_put(canvas, 1, 0, canvas->width - 1, LOOK_STRONG, text);
    snprintf(text, sizeof text, "1  %s (%.0f %%)", unsure->likely, 100 * unsure->chance);
    canvas_put(canvas, 3, 2, canvas->width - 3, LOOK_PLAIN, text);
    snprintf(text, sizeof text, "2  %s (%.0f %%)", unsure->other, 100 * unsure->other_chance);
    canvas_put(canvas, 3, 3, canvas->width - 3, LOOK_PLAIN, text);
    canvas_put(canvas, 1, 5, canvas->width - 1, LOOK_FAINT, "Any other key goes back.");
}

void draw_answer(struct canvas *canvas, const struct view_station *station, const char *typed)
{
    char text[NAME_SIZE + DETAIL_SIZE + 2];
    int y;

    snprintf(text, sizeof text, "%s: %s", station->name,
             *station->question_detail ? station->question_detail : station->question);
    y = canvas_wrap(canvas, 1, 0, canvas->width - 2, QUESTION_ROWS, LOOK_STRONG, text);
    snprintf(text, sizeof text, "%s: %s_",
             station->question_measure >= 0 ? measure_summary((enum measure)station->question_measure) : "?", typed);
    canvas_put(canvas, 3, y + 1, canvas->width - 3, LOOK_PLAIN, text);
    canvas_put(canvas, 1, y + 3, canvas->width - 1, LOOK_FAINT, "Enter answers, escape goes back.");
}
