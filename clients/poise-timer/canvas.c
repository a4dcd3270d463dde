/* A grid of characters; see canvas.h.  The big digits are in digits.c. */
#include "canvas.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

int canvas_size(struct canvas *canvas, int width, int height)
{
    struct cell *cells;

    width = width < 1 ? 1 : width;
    height = height < 1 ? 1 : height;
    cells = realloc(canvas->cells, sizeof *cells * (size_t)width * (size_t)height);
    if (!cells)
        return -ENOMEM;
    canvas->cells = cells;
    canvas->width = width;
    canvas->height = height;
    canvas_clear(canvas);
    return 0;
}

void canvas_clear(struct canvas *canvas)
{
    for (int i = 0; i < canvas->width * canvas->height; i++)
        canvas->cells[i] = (struct cell){ L' ', LOOK_PLAIN };
}

void canvas_free(struct canvas *canvas)
{
    free(canvas->cells);
    canvas->cells = NULL;
}

/* The next character of a UTF-8 text; what is not UTF-8 or cannot be shown is '?'. */
static wchar_t next_glyph(const char **text, int *columns)
{
    const unsigned char *at = (const unsigned char *)*text;
    int more = *at < 0x80 ? 0 : *at >= 0xf0 ? 3 : *at >= 0xe0 ? 2 : *at >= 0xc0 ? 1 : 0;
    wchar_t glyph = more == 0 ? *at : *at & (0x3f >> more);

    for (int i = 1; i <= more; i++) {
        if ((at[i] & 0xc0) != 0x80) {
            *text += i;
            *columns = 1;
            return L'?';
        }
        glyph = glyph << 6 | (at[i] & 0x3f);
    }
    *text += more + 1;
    *columns = wcwidth(glyph);
    if (*columns < 0 || (more == 0 && *at >= 0x80)) {
        *columns = 1;
        return L'?';
    }
    return glyph;
}

int canvas_columns(const char *text)
{
    int all = 0, columns;

    while (*text) {
        next_glyph(&text, &columns);
        all += columns;
    }
    return all;
}

static wchar_t plain_glyph(wchar_t glyph)
{
    static const wchar_t from[] = L"±°·–→▸×";
    static const char to[] = "~ --->x";
    const wchar_t *found = wcschr(from, glyph);

    return glyph < 0x80 ? glyph : found && *found ? (wchar_t)to[found - from] : L'?';
}

static void set_cell(struct canvas *canvas, int x, int y, wchar_t glyph, enum look look)
{
    if (x >= 0 && x < canvas->width && y >= 0 && y < canvas->height)
        canvas->cells[y * canvas->width + x] = (struct cell){ glyph, look };
}

/* Draws what lies between text and end. */
static int put_until(struct canvas *canvas, int x, int y, int width, enum look look, const char *text, const char *end)
{
    int edge = x + width < canvas->width ? x + width : canvas->width;

    while (text < end && *text) {
        int columns;
        wchar_t glyph = next_glyph(&text, &columns);

        if (columns == 0)
            continue; /* combining marks: rather none than on the wrong letter */
        if (x + columns > edge)
            break;
        if (!canvas->unicode && glyph >= 0x80) {
            glyph = plain_glyph(glyph);
            for (int i = 1; i < columns; i++)
                set_cell(canvas, x + i, y, L' ', look);
        } else if (columns == 2) {
            set_cell(canvas, x + 1, y, 0, look);
        }
        set_cell(canvas, x, y, glyph, look);
        x += columns;
    }
    return x;
}

int canvas_put(struct canvas *canvas, int x, int y, int width, enum look look, const char *text)
{
    return put_until(canvas, x, y, width, look, text, text + strlen(text));
}

/* Where a line of this width ends: at a blank if there is one and it is not the last line. */
/* A number stays with its unit, and with its tolerance. */
static bool holds_together(const char *text, const char *blank)
{
    static const char plus_minus[] = "±";
    static const char *const units[] = { "g", "s", "%", "kPa", "bar", "psi", "mm", "°C", "°F", "min", "clicks" };
    const char *after = blank + 1;
    size_t length = strcspn(after, " .,;:)");

    if (strncmp(after, plus_minus, strlen(plus_minus)) == 0
        || (blank - text >= 2 && strncmp(blank - 2, plus_minus, strlen(plus_minus)) == 0))
        return true;
    for (size_t i = 0; blank > text && blank[-1] >= '0' && blank[-1] <= '9' && i < sizeof units / sizeof *units; i++)
        if (strlen(units[i]) == length && strncmp(after, units[i], length) == 0)
            return true;
    return false;
}

static const char *line_end(const char *text, int width)
{
    const char *end = text, *blank = NULL;
    int columns = 0;

    while (*end) {
        const char *next = end;
        int more;

        if (*end == ' ' && !holds_together(text, end))
            blank = end;
        next_glyph(&next, &more);
        if (columns + more > width)
            break;
        columns += more;
        end = next;
    }
    return *end && blank && blank > text ? blank : end;
}

static const char *next_line(const char *end)
{
    while (*end == ' ')
        end++;
    return end;
}

/* The last line of more text than there is room for ends with dots. */
static void put_cut(struct canvas *canvas, int x, int y, int width, enum look look, const char *text)
{
    const char *dots = canvas->unicode ? " …" : " ...", *end;
    int columns = canvas_columns(dots);

    if (width <= columns + 1) {
        canvas_put(canvas, x, y, width, look, text);
        return;
    }
    end = line_end(text, width - columns);
    x = put_until(canvas, x, y, width - columns, look, text, end);
    canvas_put(canvas, x, y, columns, look, dots);
}

int canvas_wrap(struct canvas *canvas, int x, int y, int width, int lines, enum look look, const char *text)
{
    int used = 0;

    while (*text && used < lines) {
        const char *end = line_end(text, width);

        if (end == text)
            break; /* no room for a single character */
        if (used + 1 == lines && *next_line(end))
            put_cut(canvas, x, y + used, width, look, text);
        else
            put_until(canvas, x, y + used, width, look, text, end);
        used++;
        text = next_line(end);
    }
    return used;
}

int canvas_lines(int width, int lines, const char *text)
{
    int used = 0;

    while (*text && used < lines) {
        const char *end = line_end(text, width);

        if (end == text)
            break;
        used++;
        text = next_line(end);
    }
    return used;
}

void canvas_bar(struct canvas *canvas, int x, int y, int width, double share, enum look look)
{
    static const wchar_t eighths[] = L"▏▎▍▌▋▊▉";
    double filled = (isnan(share) || share < 0 ? 0 : share > 1 ? 1 : share) * width;
    int whole = (int)filled, rest = (int)((filled - whole) * 8);

    for (int i = 0; i < width; i++) {
        if (i < whole)
            set_cell(canvas, x + i, y, canvas->unicode ? L'█' : L'#', look);
        else if (i == whole && rest > 0 && canvas->unicode)
            set_cell(canvas, x + i, y, eighths[rest - 1], look);
        else
            set_cell(canvas, x + i, y, canvas->unicode ? L'░' : L'-', LOOK_FAINT);
    }
}

/* ---- big digits ---- */

/* Our own shapes: strokes two pixels thick with cut corners, so that they stay apart when read
 * from across the counter. */
enum { PIXEL_ROWS = 2 * DIGIT_ROWS };
static const struct shape {
    char name;
    const char *rows[PIXEL_ROWS];
} shapes[] = {
    { '0', { " #### ", "######", "##  ##", "##  ##", "##  ##", "##  ##", "##  ##", "##  ##", "######", " #### " } },
    { '1', { "  ##  ", " ###  ", "####  ", "  ##  ", "  ##  ", "  ##  ", "  ##  ", "  ##  ", "######", "######" } },
    { '2', { " #### ", "######", "##  ##", "    ##", "   ###", "  ### ", " ###  ", "###   ", "######", "######" } },
    { '3', { "##### ", "######", "    ##", "    ##", " #### ", " #### ", "    ##", "    ##", "######", "##### " } },
    { '4', { "##    ", "##    ", "## ## ", "## ## ", "## ## ", "######", "######", "   ## ", "   ## ", "   ## " } },
    { '5', { "######", "######", "##    ", "##### ", "######", "    ##", "    ##", "##  ##", "######", " #### " } },
    { '6', { "  ### ", " ###  ", "###   ", "##    ", "##### ", "######", "##  ##", "##  ##", "######", " #### " } },
    { '7', { "######", "######", "    ##", "    ##", "   ## ", "   ## ", "  ##  ", "  ##  ", " ##   ", " ##   " } },
    { '8', { " #### ", "######", "##  ##", "##  ##", " #### ", " #### ", "##  ##", "##  ##", "######", " #### " } },
    { '9', { " #### ", "######", "##  ##", "##  ##", "######", " #####", "    ##", "   ###", "  ### ", " ###  " } },
    { ':', { "  ", "  ", "##", "##", "  ", "  ", "##", "##", "  ", "  " } },
    { '.', { "  ", "  ", "  ", "  ", "  ", "  ", "  ", "  ", "##", "##" } },
    { '-', { "    ", "    ", "    ", "    ", "####", "####", "    ", "    ", "    ", "    " } },
    { '>', { "##   ", "###  ", " ### ", "  ###", "   ##", "   ##", "  ###", " ### ", "###  ", "##   " } },
    { ' ', { "   ", "   ", "   ", "   ", "   ", "   ", "   ", "   ", "   ", "   " } },
};

static const struct shape *shape_of(char name)
{
    for (size_t i = 0; i < sizeof shapes / sizeof *shapes; i++)
        if (shapes[i].name == name)
            return &shapes[i];
    return &shapes[sizeof shapes / sizeof *shapes - 1];
}

int canvas_digits_width(const char *text, int across)
{
    int pixels = 0;

    for (const char *at = text; *at; at++)
        pixels += (int)strlen(shape_of(*at)->rows[0]) + (at[1] ? 1 : 0);
    return pixels * across;
}

static void draw_shape(struct canvas *canvas, int x, int y, int across, int down, enum look look,
                       const struct shape *shape)
{
    int width = (int)strlen(shape->rows[0]) * across;

    for (int row = 0; row < DIGIT_ROWS * down; row++)
        for (int column = 0; column < width; column++) {
            bool upper = shape->rows[2 * row / down][column / across] == '#';
            bool lower = shape->rows[(2 * row + 1) / down][column / across] == '#';

            if (upper || lower)
                set_cell(canvas, x + column, y + row,
                         !canvas->unicode ? L'#'
                         : upper && lower ? L'█'
                         : upper          ? L'▀'
                                          : L'▄',
                         look);
        }
}

void canvas_digits(struct canvas *canvas, int x, int y, int across, int down, enum look look, const char *text)
{
    for (; *text; text++) {
        const struct shape *shape = shape_of(*text);

        draw_shape(canvas, x, y, across, down, look, shape);
        x += ((int)strlen(shape->rows[0]) + 1) * across;
    }
}

/* ---- for tests ---- */

void canvas_row(const struct canvas *canvas, int y, char *out, size_t size)
{
    size_t length = 0, last = 0;

    for (int x = 0; x < canvas->width; x++) {
        wchar_t glyph = canvas->cells[y * canvas->width + x].glyph;
        char bytes[4];
        size_t count = 0;

        if (glyph == 0)
            continue;
        if (glyph < 0x80) {
            bytes[count++] = (char)glyph;
        } else if (glyph < 0x800) {
            bytes[count++] = (char)(0xc0 | glyph >> 6);
        } else if (glyph < 0x10000) {
            bytes[count++] = (char)(0xe0 | glyph >> 12);
            bytes[count++] = (char)(0x80 | (glyph >> 6 & 0x3f));
        } else {
            bytes[count++] = (char)(0xf0 | glyph >> 18);
            bytes[count++] = (char)(0x80 | (glyph >> 12 & 0x3f));
            bytes[count++] = (char)(0x80 | (glyph >> 6 & 0x3f));
        }
        if (glyph >= 0x80)
            bytes[count++] = (char)(0x80 | (glyph & 0x3f));
        if (length + count >= size)
            break;
        memcpy(out + length, bytes, count);
        length += count;
        last = glyph == L' ' ? last : length;
    }
    out[last] = '\0';
}
