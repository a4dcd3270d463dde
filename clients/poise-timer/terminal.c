/* The terminal by ncurses; see terminal.h. */
#include "terminal.h"

#include <curses.h>
#include <stdio.h>
#include <string.h>
#include <term.h>
#include <unistd.h>

static SCREEN *screen;
static attr_t looks[LOOK_COUNT];

static void choose_looks(bool colour)
{
    looks[LOOK_STRONG] = A_BOLD;
    looks[LOOK_FAINT] = A_DIM;
    looks[LOOK_HERE] = A_REVERSE | A_BOLD;
    looks[LOOK_GOOD] = A_BOLD;
    looks[LOOK_WARN] = A_REVERSE;
    if (!colour || !has_colors() || start_color() == ERR)
        return;
    use_default_colors();
    init_pair(1, COLOR_GREEN, -1);
    init_pair(2, COLOR_RED, -1);
    looks[LOOK_GOOD] = (attr_t)COLOR_PAIR(1) | A_BOLD;
    looks[LOOK_WARN] = (attr_t)COLOR_PAIR(2) | A_BOLD;
}

/* A terminal that is known and can move its cursor: on any other a screen would be a mess. */
static bool terminal_able(void)
{
    bool able = false;
    int problem;

    if (setupterm(NULL, STDOUT_FILENO, &problem) == OK) {
        able = tigetstr("cup") != NULL;
        del_curterm(cur_term);
    }
    return able;
}

bool terminal_open(bool colour)
{
    if (!terminal_able())
        return false;
    screen = newterm(NULL, stdout, stdin);
    if (!screen)
        return false;
    set_term(screen);
    cbreak();
    noecho();
    nonl();
    keypad(stdscr, TRUE);
    nodelay(stdscr, TRUE);
    set_escdelay(50);
    curs_set(0);
    choose_looks(colour);
    return true;
}

void terminal_close(void)
{
    if (!screen)
        return;
    endwin();
    delscreen(screen);
    screen = NULL;
}

void terminal_size(int *width, int *height)
{
    getmaxyx(stdscr, *height, *width);
}

void terminal_show(const struct canvas *canvas)
{
    int width, height;

    terminal_size(&width, &height);
    erase();
    for (int y = 0; y < canvas->height && y < height; y++)
        for (int x = 0; x < canvas->width && x < width; x++) {
            const struct cell *cell = &canvas->cells[y * canvas->width + x];
            wchar_t text[2] = { cell->glyph, 0 };
            cchar_t glyph;

            if (cell->glyph == 0 || (cell->glyph == L' ' && cell->look == LOOK_PLAIN))
                continue;
            if (setcchar(&glyph, text, looks[cell->look] & ~A_COLOR, (short)PAIR_NUMBER(looks[cell->look]), NULL) == OK)
                mvadd_wch(y, x, &glyph);
        }
    refresh();
}

void terminal_repaint(void)
{
    clearok(stdscr, TRUE);
}

int terminal_key(void)
{
    int key = getch();

    switch (key) {
    case ERR:
        return KEY_NONE;
    case KEY_RESIZE:
        return KEY_SIZE;
    case KEY_ENTER:
    case '\r':
        return KEY_RETURN;
    case KEY_BACKSPACE:
    case 8:
        return KEY_RUBOUT;
    default:
        return key;
    }
}

void terminal_bell(void)
{
    beep();
}
