/* What the parts of the screen share. */
#ifndef TIMER_DRAW_PARTS_H
#define TIMER_DRAW_PARTS_H

#include "draw.h"

enum { QUESTION_ROWS = 5 }; /* the longest question on the narrowest pane */

void draw_help(struct canvas *canvas, int part);
void draw_mark(struct canvas *canvas, const char *station);
void draw_whose(struct canvas *canvas, const struct view_unsure *unsure);
void draw_answer(struct canvas *canvas, const struct view_station *station, const char *typed);

#endif
