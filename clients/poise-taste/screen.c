/* The terminal of poise-taste: questions, keys, a cleared screen, wrapped text. */
#include <ctype.h>
#include <poll.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

#include "poise/clock.h"
#include "taste.h"

static char *line;
static size_t line_size;

const char *taste_ask(const char *prompt)
{
    ssize_t length;

    printf("%s", prompt);
    fflush(stdout);
    length = getline(&line, &line_size, stdin);
    if (length < 0) {
        free(line);
        line = NULL;
        line_size = 0;
        puts("");
        return NULL;
    }
    line[strcspn(line, "\r\n")] = '\0';
    return line;
}

/* Changes the terminal's habits; false where there is none.  `before` is what to go back to. */
static bool set_terminal(tcflag_t off, struct termios *before)
{
    struct termios now;

    if (tcgetattr(STDIN_FILENO, before) != 0)
        return false;
    now = *before;
    now.c_lflag &= ~off;
    return tcsetattr(STDIN_FILENO, TCSADRAIN, &now) == 0;
}

const char *taste_ask_secret(const char *prompt)
{
    struct termios before;
    bool hidden = set_terminal(ECHO, &before);
    const char *answer = taste_ask(prompt);

    if (hidden) {
        tcsetattr(STDIN_FILENO, TCSADRAIN, &before);
        puts("");
    }
    return answer;
}

int taste_ask_yes(const char *prompt)
{
    const char *answer;

    while ((answer = taste_ask(prompt))) {
        if (*answer == 'y' || *answer == 'Y')
            return 1;
        if (*answer == 'n' || *answer == 'N')
            return 0;
    }
    return -1;
}

bool taste_key(const char *prompt)
{
    struct termios before;
    char key;
    bool raw, pressed;

    printf("%s", prompt);
    fflush(stdout);
    raw = set_terminal(ICANON | ECHO | ISIG, &before); /* Ctrl-C is a key too: it must not leave a map on the screen */
    if (!raw)
        return taste_ask("") != NULL;
    pressed = read(STDIN_FILENO, &key, 1) == 1;
    tcsetattr(STDIN_FILENO, TCSADRAIN, &before);
    puts("");
    return pressed;
}

void taste_wait(const char *what, int seconds)
{
    int64_t end_ms = clock_steady_ms() + 1000LL * seconds;
    struct pollfd input = { .fd = STDIN_FILENO, .events = POLLIN };

    if (!isatty(STDIN_FILENO))
        return;
    for (int64_t left_ms; (left_ms = end_ms - clock_steady_ms()) > 0;) {
        int left = (int)((left_ms + 999) / 1000);

        printf("\r%s %d:%02d ", what, left / 60, left % 60);
        fflush(stdout);
        if (poll(&input, 1, (int)((left_ms - 1) % 1000) + 1) > 0) {
            taste_ask("");
            return;
        }
    }
    puts("");
}

void taste_clear(void)
{
    if (isatty(STDOUT_FILENO)) {
        printf("\033[H\033[2J\033[3J");
        fflush(stdout);
    }
}

static bool window(struct winsize *size)
{
    return ioctl(STDOUT_FILENO, TIOCGWINSZ, size) == 0 && size->ws_col > 0 && size->ws_row > 0;
}

int taste_rows(void)
{
    struct winsize size;

    return window(&size) ? size.ws_row : 0;
}

/* Columns that a UTF-8 text takes (no wide letters among ours). */
static int width_of(const char *text, size_t bytes)
{
    int width = 0;

    for (size_t i = 0; i < bytes; i++)
        width += (text[i] & 0xc0) != 0x80;
    return width;
}

void taste_print(bool after, const char *format, ...)
{
    struct winsize size;
    int columns = window(&size) ? size.ws_col : 80, column = 0;
    char *text = NULL;
    va_list arguments;

    va_start(arguments, format);
    if (vasprintf(&text, format, arguments) < 0)
        text = NULL;
    va_end(arguments);
    for (const char *word = text; word && *word;) {
        size_t blanks = strspn(word, " "), length = strcspn(word + blanks, " \n");
        int width = width_of(word + blanks, length);

        if (column > 0 && column + (int)blanks + width >= columns) {
            puts("");
            column = 0;
            word += blanks;
            blanks = 0;
        }
        printf("%.*s", (int)(blanks + length), word);
        column += (int)blanks + width;
        word += blanks + length;
        if (*word == '\n') {
            puts("");
            column = 0;
            word++;
        }
    }
    if (column > 0)
        puts("");
    if (after)
        puts("");
    free(text);
}
