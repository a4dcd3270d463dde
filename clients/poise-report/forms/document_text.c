/* A document on a terminal or in a file: words wrapped, tables aligned, no charts.  Control characters
 * in anyone's text are shown as '?': a store may come from anywhere. */
#include "document.h"

#include <stdlib.h>
#include <string.h>

/* Columns on screen: UTF-8 continuation bytes take none.  (Our own text has no wide characters; a name
 * that has some is at worst a little out of line.) */
static int columns_of(const char *text, size_t length)
{
    int columns = 0;

    for (size_t i = 0; i < length && text[i]; i++)
        columns += ((unsigned char)text[i] & 0xc0) != 0x80;
    return columns;
}

/* C1 controls are C2 80 .. C2 9F in UTF-8. */
static void put(const char *text, size_t length, FILE *out)
{
    for (size_t i = 0; i < length && text[i]; i++) {
        unsigned char byte = (unsigned char)text[i];
        bool c1 =
            byte == 0xc2 && i + 1 < length && (unsigned char)text[i + 1] >= 0x80 && (unsigned char)text[i + 1] < 0xa0;

        if (c1)
            i++;
        fputc(c1 || byte < 0x20 || byte == 0x7f ? '?' : byte, out);
    }
}

static void wrapped(const char *text, const char *first, const char *rest, int width, FILE *out)
{
    int column = (int)strlen(first);

    fputs(first, out);
    while (*text) {
        size_t length = strcspn(text, " \n");
        int columns = columns_of(text, length);
        bool at_start = column == (int)strlen(rest);

        if (!at_start && column + 1 + columns > width) {
            fprintf(out, "\n%s", rest);
            column = (int)strlen(rest);
            at_start = true;
        }
        if (!at_start) {
            fputc(' ', out);
            column++;
        }
        put(text, length, out);
        column += columns;
        text += length;
        text += strspn(text, " \n");
    }
    fputc('\n', out);
}

enum { MARGIN = 2, GAP = 2 }; /* before a table, between its columns */

static void one_cell(const struct block *block, size_t row, int column, int width, bool last, FILE *out)
{
    const char *cell = block->cell[row * (size_t)block->columns + (size_t)column];
    int fill = width - columns_of(cell, strlen(cell));

    if (block->is_number[column])
        fprintf(out, "%*s", fill, "");
    put(cell, strlen(cell), out);
    if (!last)
        fprintf(out, "%*s", (block->is_number[column] ? 0 : fill) + GAP, "");
}

/* The columns from `from` to before `to`, after the first, which says what a row is about. */
static void columns_between(const struct block *block, const int *width, int from, int to, FILE *out)
{
    size_t rows = block->cell_count / (size_t)block->columns;

    for (size_t row = 0; row < rows; row++) {
        fprintf(out, "%*s", MARGIN, "");
        one_cell(block, row, 0, width[0], from >= to, out);
        for (int column = from; column < to; column++)
            one_cell(block, row, column, width[column], column + 1 == to, out);
        fputc('\n', out);
    }
}

/* What is wider than `most` goes on below, with its first column again.  `most` 0: it may be as wide as it is. */
static void table(const struct block *block, int most, FILE *out)
{
    int width[TABLE_COLUMNS] = { 0 }, from = 1, to = 1;

    for (size_t i = 0; block->columns && i < block->cell_count; i++) {
        int columns = columns_of(block->cell[i], strlen(block->cell[i]));

        if (columns > width[i % (size_t)block->columns])
            width[i % (size_t)block->columns] = columns;
    }
    do {
        int used = MARGIN + width[0];

        for (to = from; to < block->columns; to++) {
            used += GAP + width[to];
            if (most && used > most && to > from)
                break;
        }
        if (from > 1)
            fputc('\n', out);
        if (block->columns)
            columns_between(block, width, from, to, out);
        from = to;
    } while (from < block->columns);
}

void document_text(const struct document *document, FILE *out, int width, bool screen, bool colour)
{
    for (size_t i = 0; i < document->count; i++) {
        const struct block *block = &document->block[i];
        bool follows = i > 0 && document->block[i - 1].kind == block->kind;

        if (i > 0 && !(follows && (block->kind == BLOCK_ITEM || block->kind == BLOCK_CAUTION))
            && block->kind != BLOCK_CHART && !(document->block[i - 1].kind == BLOCK_HEADING))
            fputc('\n', out);
        switch (block->kind) {
        case BLOCK_HEADLINE:
        case BLOCK_HEADING:
            fputs(colour ? "\033[1m" : "", out);
            wrapped(block->text ? block->text : "", "", "", width, out);
            fputs(colour ? "\033[0m" : "", out);
            break;
        case BLOCK_TEXT:
            wrapped(block->text ? block->text : "", "", "", width, out);
            break;
        case BLOCK_ITEM:
            wrapped(block->text ? block->text : "", "  - ", "    ", width, out);
            break;
        case BLOCK_CAUTION:
            wrapped(block->text ? block->text : "", "  ! ", "    ", width, out);
            break;
        case BLOCK_TABLE:
            table(block, screen ? width : 0, out);
            break;
        case BLOCK_CHART:
            break;
        }
    }
}
