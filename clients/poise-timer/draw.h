/* The timer's screen laid out on a canvas of any size. */
#ifndef TIMER_DRAW_H
#define TIMER_DRAW_H

#include "canvas.h"
#include "poise/view.h"

enum page { PAGE_BENCH, PAGE_HELP, PAGE_MARK, PAGE_ANSWER, PAGE_WHOSE };

struct timer_page {
    enum page page;
    int chosen;                 /* the station that keys act on */
    int part;                   /* PAGE_HELP: which of its parts, from 0 */
    char typed[24];             /* PAGE_ANSWER: the number so far ... */
    char asked_brew[BREW_SIZE]; /* ... and what it answers */
    int asked_measure;
    int64_t asked_seq; /* PAGE_WHOSE: the reading that is asked about */
    bool silent;       /* no bell */
    const char *where; /* the address that is listened to */
};

/* The digit that marks a stage on PAGE_MARK, in the order of a brew; 0: it cannot be marked. */
char mark_digit(enum stage stage);

/* In how many parts PAGE_HELP is shown: the keys and the cautions, on a small screen one after the other. */
int draw_help_parts(int width, int height);

void draw_screen(struct canvas *canvas, const struct view *model, const struct timer_page *page, int64_t local_us);

#endif
