/* Large letters: words of the guide to be read from across the room.  Our own shapes, five pixels high.
 * A pixel is a column and half a row where there is room, or half a column; without Unicode a whole cell. */
#include <ctype.h>
#include <stdlib.h>
#include <string.h>

#include "canvas.h"

enum { LETTER_PIXELS = 5 };

static const struct letter {
    char name;
    const char *rows[LETTER_PIXELS];
} letters[] = {
    { 'A', { " # ", "# #", "###", "# #", "# #" } },
    { 'B', { "## ", "# #", "## ", "# #", "## " } },
    { 'C', { " ##", "#  ", "#  ", "#  ", " ##" } },
    { 'D', { "## ", "# #", "# #", "# #", "## " } },
    { 'E', { "###", "#  ", "## ", "#  ", "###" } },
    { 'F', { "###", "#  ", "## ", "#  ", "#  " } },
    { 'G', { " ###", "#   ", "# ##", "#  #", " ###" } },
    { 'H', { "# #", "# #", "###", "# #", "# #" } },
    { 'I', { "#", "#", "#", "#", "#" } },
    { 'J', { "  #", "  #", "  #", "# #", " # " } },
    { 'K', { "#  #", "# # ", "##  ", "# # ", "#  #" } },
    { 'L', { "#  ", "#  ", "#  ", "#  ", "###" } },
    { 'M', { "#   #", "## ##", "# # #", "#   #", "#   #" } },
    { 'N', { "#  #", "## #", "# ##", "#  #", "#  #" } },
    { 'O', { " ## ", "#  #", "#  #", "#  #", " ## " } },
    { 'P', { "## ", "# #", "## ", "#  ", "#  " } },
    { 'Q', { " ## ", "#  #", "#  #", "# ##", " ###" } },
    { 'R', { "### ", "#  #", "### ", "# # ", "#  #" } },
    { 'S', { " ##", "#  ", " # ", "  #", "## " } },
    { 'T', { "###", " # ", " # ", " # ", " # " } },
    { 'U', { "#  #", "#  #", "#  #", "#  #", " ## " } },
    { 'V', { "# #", "# #", "# #", "# #", " # " } },
    { 'W', { "#   #", "#   #", "# # #", "# # #", " # # " } },
    { 'X', { "# #", "# #", " # ", "# #", "# #" } },
    { 'Y', { "# #", "# #", " # ", " # ", " # " } },
    { 'Z', { "###", "  #", " # ", "#  ", "###" } },
    { '0', { " # ", "# #", "# #", "# #", " # " } },
    { '1', { " #", "##", " #", " #", " #" } },
    { '2', { "## ", "  #", " # ", "#  ", "###" } },
    { '3', { "## ", "  #", " # ", "  #", "## " } },
    { '4', { "# #", "# #", "###", "  #", "  #" } },
    { '5', { "###", "#  ", "## ", "  #", "## " } },
    { '6', { " ##", "#  ", "## ", "# #", " # " } },
    { '7', { "###", "  #", " # ", " # ", " # " } },
    { '8', { " # ", "# #", " # ", "# #", " # " } },
    { '9', { " # ", "# #", " ##", "  #", "## " } },
    { '.', { " ", " ", " ", " ", "#" } },
    { ':', { " ", "#", " ", "#", " " } },
    { ' ', { "  ", "  ", "  ", "  ", "  " } },
};

static const struct letter *letter_of(char name)
{
    for (size_t i = 0; i < sizeof letters / sizeof *letters; i++)
        if (letters[i].name == toupper((unsigned char)name))
            return &letters[i];
    return &letters[sizeof letters / sizeof *letters - 1];
}

static int pixels_wide(const char *text)
{
    int pixels = 0;

    for (const char *at = text; *at; at++)
        pixels += (int)strlen(letter_of(*at)->rows[0]) + (at[1] ? 1 : 0);
    return pixels;
}

int canvas_letters_width(const struct canvas *canvas, const char *text, enum letter_size size)
{
    int pixels = pixels_wide(text);

    if (!canvas->unicode || size == LETTERS_WIDE)
        return pixels;
    return size == LETTERS_HUGE ? 2 * pixels : (pixels + 1) / 2;
}

int canvas_letters_rows(const struct canvas *canvas, enum letter_size size)
{
    return !canvas->unicode || size == LETTERS_HUGE ? LETTER_PIXELS : (LETTER_PIXELS + 1) / 2;
}

/* The pixel at (x, y) of the whole text. */
static bool pixel(const char *text, int x, int y)
{
    if (y >= LETTER_PIXELS)
        return false;
    for (const char *at = text; *at; at++) {
        const char *row = letter_of(*at)->rows[y];
        int width = (int)strlen(row);

        if (x < width)
            return row[x] == '#';
        x -= width + 1;
        if (x < 0)
            return false; /* the gap between two */
    }
    return false;
}

static wchar_t glyph_at(const struct canvas *canvas, const char *text, enum letter_size size, int column, int row)
{
    static const wchar_t quarters[] = L" ▘▝▀▖▌▞▛▗▚▐▜▄▙▟█";
    int set = 0;

    if (!canvas->unicode)
        return pixel(text, column, row) ? L'#' : L' ';
    if (size == LETTERS_HUGE)
        return pixel(text, column / 2, row) ? L'█' : L' ';
    if (size == LETTERS_WIDE)
        return quarters[3 * pixel(text, column, 2 * row) + 12 * pixel(text, column, 2 * row + 1)];
    for (int bit = 0; bit < 4; bit++)
        set |= pixel(text, 2 * column + bit % 2, 2 * row + bit / 2) << bit;
    return quarters[set];
}

void canvas_letters(struct canvas *canvas, int x, int y, enum letter_size size, enum look look, const char *text)
{
    int columns = canvas_letters_width(canvas, text, size), rows = canvas_letters_rows(canvas, size);

    for (int row = 0; row < rows; row++)
        for (int column = 0; column < columns; column++) {
            wchar_t glyph = glyph_at(canvas, text, size, column, row);

            if (glyph != L' ' && x + column >= 0 && x + column < canvas->width && y + row >= 0
                && y + row < canvas->height)
                canvas->cells[(y + row) * canvas->width + x + column] = (struct cell){ glyph, look };
        }
}
