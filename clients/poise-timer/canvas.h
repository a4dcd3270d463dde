/* A grid of characters to draw on: text, bars and digits that can be read across a room.
 *
 * Pure: the terminal copies it to the screen, a test reads it. */
#ifndef TIMER_CANVAS_H
#define TIMER_CANVAS_H

#include <stdbool.h>
#include <stddef.h>
#include <wchar.h>

enum look { LOOK_PLAIN, LOOK_STRONG, LOOK_FAINT, LOOK_HERE, LOOK_GOOD, LOOK_WARN, LOOK_COUNT };

struct cell {
    wchar_t glyph; /* 0: the right half of a wide character */
    enum look look;
};

struct canvas {
    int width, height;
    bool unicode; /* false: only ASCII is drawn */
    struct cell *cells;
};

/* Blank, of this size; 0 or -ENOMEM.  May be called again with another size.  Starts from zeroed memory. */
int canvas_size(struct canvas *canvas, int width, int height);
void canvas_clear(struct canvas *canvas);
void canvas_free(struct canvas *canvas);

/* UTF-8 text at (x, y), cut at `x + width` and at the edges; the column behind it. */
int canvas_put(struct canvas *canvas, int x, int y, int width, enum look look, const char *text);

/* The same, broken at blanks into at most `lines` lines; how many were used. */
int canvas_wrap(struct canvas *canvas, int x, int y, int width, int lines, enum look look, const char *text);

/* How many lines canvas_wrap would use. */
int canvas_lines(int width, int lines, const char *text);

/* How many columns the text takes. */
int canvas_columns(const char *text);

/* A bar of which `share` (0 to 1, else cut) is filled. */
void canvas_bar(struct canvas *canvas, int x, int y, int width, double share, enum look look);

/* Big digits: 0-9 : . - > and blank, `across` columns for each pixel and 5 x `down` rows high. */
enum { DIGIT_ROWS = 5 };
int canvas_digits_width(const char *text, int across);
void canvas_digits(struct canvas *canvas, int x, int y, int across, int down, enum look look, const char *text);

/* Large letters: capitals, digits, . : and blank; what has no shape is a blank.  Narrow ones take half a column for
 * each pixel, wide ones a column, huge ones two; without Unicode all are wide and five rows high. */
enum letter_size { LETTERS_NARROW, LETTERS_WIDE, LETTERS_HUGE };
int canvas_letters_width(const struct canvas *canvas, const char *text, enum letter_size size);
int canvas_letters_rows(const struct canvas *canvas, enum letter_size size);
void canvas_letters(struct canvas *canvas, int x, int y, enum letter_size size, enum look look, const char *text);

/* Row y as UTF-8, without blanks at its end. */
void canvas_row(const struct canvas *canvas, int y, char *out, size_t size);

#endif
