/* The terminal: shows a canvas, hands over keys, rings the bell.  Decides nothing. */
#ifndef TIMER_TERMINAL_H
#define TIMER_TERMINAL_H

#include <stdbool.h>

#include "canvas.h"

enum { KEY_NONE = -1, KEY_SIZE = -2, KEY_ESCAPE = 27, KEY_RETURN = '\n', KEY_RUBOUT = 127 };

/* False when the terminal cannot place a cursor (or is not known): use plain lines. */
bool terminal_open(bool colour);
void terminal_close(void);
void terminal_size(int *width, int *height);
void terminal_show(const struct canvas *canvas);
void terminal_repaint(void); /* the next picture is drawn whole: something else has written on the screen */
int terminal_key(void);      /* KEY_NONE when there is none */
void terminal_bell(void);

#endif
