/* Documents and charts as data; see document.h. */
#include "document.h"

#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

/* Bytes of the character that a lead byte begins; 0: none does (RFC 3629). */
static int bytes_of(unsigned char lead)
{
    return lead < 0x80                    ? 1
           : lead >= 0xc2 && lead <= 0xdf ? 2
           : (lead & 0xf0) == 0xe0        ? 3
           : lead >= 0xf0 && lead <= 0xf4 ? 4
                                          : 0;
}

/* Surrogates, what lies beyond Unicode, and what a shorter form would do for begin with these pairs. */
static bool pair_is_wrong(unsigned char lead, unsigned char second)
{
    return (lead == 0xe0 && second < 0xa0) || (lead == 0xed && second > 0x9f) || (lead == 0xf0 && second < 0x90)
           || (lead == 0xf4 && second > 0x8f);
}

void text_make_valid(char *text)
{
    unsigned char *from = (unsigned char *)text, *to = from;

    while (*from) {
        int wanted = bytes_of(*from), met = 1;

        while (met < wanted && (from[met] & 0xc0) == 0x80)
            met++;
        if (wanted && met == wanted && !(wanted > 2 && pair_is_wrong(from[0], from[1]))) {
            memmove(to, from, (size_t)met);
            to += met;
        } else if (!wanted || met == wanted) {
            *to++ = '?';
        }
        from += met;
    }
    *to = '\0';
}

/* An array with room for one more: it doubles when its count is a power of two.  NULL: no memory. */
static void *with_room(void *array, size_t count, size_t size)
{
    if (count & (count - 1))
        return array;
    return realloc(array, (count ? 2 * count : 1) * size);
}

static struct block *add_block(struct document *document, enum block_kind kind)
{
    struct block *blocks = with_room(document->block, document->count, sizeof *blocks);

    if (!blocks) {
        document->failed = true;
        return NULL;
    }
    document->block = blocks;
    memset(&blocks[document->count], 0, sizeof *blocks);
    blocks[document->count].kind = kind;
    return &blocks[document->count++];
}

void document_add(struct document *document, enum block_kind kind, const char *format, ...)
{
    struct block *block = add_block(document, kind);
    va_list arguments;

    if (!block)
        return;
    va_start(arguments, format);
    if (vasprintf(&block->text, format, arguments) < 0) {
        block->text = NULL;
        document->failed = true;
    }
    va_end(arguments);
    if (block->text)
        text_make_valid(block->text);
    if (block->text && (kind == BLOCK_HEADING || kind == BLOCK_HEADLINE) && block->text[0] >= 'a'
        && block->text[0] <= 'z' && !strpbrk(block->text, "0123456789")) /* a brew's name stays as it is */
        block->text[0] = (char)(block->text[0] - 'a' + 'A');
}

static void add_cell(struct document *document, struct block *block, const char *text, size_t length)
{
    char **cells = with_room(block->cell, block->cell_count, sizeof *cells);

    if (cells)
        block->cell = cells;
    if (!cells || !(cells[block->cell_count] = strndup(text, length)))
        document->failed = true;
    else
        block->cell_count++;
}

void document_table(struct document *document, const char *titles)
{
    struct block *block = add_block(document, BLOCK_TABLE);

    while (block && *titles && block->columns < TABLE_COLUMNS) {
        size_t length = strcspn(titles, "|");

        block->is_number[block->columns++] = titles[0] == '#';
        add_cell(document, block, titles + (titles[0] == '#'), length - (titles[0] == '#'));
        titles += length + (titles[length] == '|');
    }
}

void document_row(struct document *document, const char *format, ...)
{
    struct block *block = document->count ? &document->block[document->count - 1] : NULL;
    char *text = NULL, *at;
    va_list arguments;
    int made, column;

    va_start(arguments, format);
    made = vasprintf(&text, format, arguments);
    va_end(arguments);
    if (made < 0 || !block || block->kind != BLOCK_TABLE) {
        document->failed = true;
        if (made >= 0)
            free(text);
        return;
    }
    text_make_valid(text);
    at = text;
    for (column = 0; column < block->columns; column++) { /* missing cells are empty */
        size_t length = strcspn(at, CELL);

        add_cell(document, block, at, length);
        at += length + (at[length] != '\0');
    }
    free(text);
}

void document_chart(struct document *document, struct chart *chart)
{
    struct block *block = chart ? add_block(document, BLOCK_CHART) : NULL;

    if (block)
        block->chart = chart;
    else
        chart_free(chart);
}

void document_free(struct document *document)
{
    for (size_t i = 0; i < document->count; i++) {
        struct block *block = &document->block[i];

        for (size_t j = 0; j < block->cell_count; j++)
            free(block->cell[j]);
        free(block->cell);
        free(block->text);
        chart_free(block->chart);
    }
    free(document->block);
    memset(document, 0, sizeof *document);
}

/* --- charts --- */

struct chart *chart_new(const char *name, const char *title, const char *x_label, const char *y_label)
{
    struct chart *chart = calloc(1, sizeof *chart);

    if (!chart)
        return NULL;
    snprintf(chart->name, sizeof chart->name, "%s", name);
    snprintf(chart->title, sizeof chart->title, "%s", title);
    snprintf(chart->x_label, sizeof chart->x_label, "%s", x_label);
    snprintf(chart->y_label, sizeof chart->y_label, "%s", y_label);
    text_make_valid(chart->title);
    text_make_valid(chart->x_label);
    text_make_valid(chart->y_label);
    return chart;
}

struct chart_series *chart_series(struct chart *chart, const char *name)
{
    struct chart_series *series;

    if (!chart || chart->series_count == CHART_SERIES)
        return NULL;
    series = &chart->series[chart->series_count++];
    snprintf(series->name, sizeof series->name, "%s", name);
    text_make_valid(series->name);
    return series;
}

void chart_point(struct chart_series *series, double x, double y, double u, bool apart, const char *name)
{
    struct chart_point *points;

    if (!series || !isfinite(x) || !isfinite(y))
        return;
    points = with_room(series->point, series->point_count, sizeof *points);
    if (!points)
        return;
    series->point = points;
    points += series->point_count++;
    *points = (struct chart_point){ .x = x, .y = y, .u = u, .apart = apart };
    snprintf(points->name, sizeof points->name, "%s", name);
    text_make_valid(points->name);
}

static bool grow(double **array, size_t count)
{
    double *grown = with_room(*array, count, sizeof *grown);

    if (grown)
        *array = grown;
    return grown != NULL;
}

void chart_curve(struct chart_series *series, double x, double y, double low, double high)
{
    size_t count;

    if (!series || !isfinite(x) || !isfinite(y))
        return;
    count = series->curve_count;
    if (!grow(&series->x, count) || !grow(&series->y, count) || !grow(&series->low, count)
        || !grow(&series->high, count))
        return;
    series->x[count] = x;
    series->y[count] = y;
    series->low[count] = isfinite(low) && isfinite(high) ? low : y;
    series->high[count] = isfinite(low) && isfinite(high) ? high : y;
    series->curve_count++;
}

void chart_mark(struct chart *chart, double x, struct interval interval, const char *label)
{
    struct chart_mark *mark;

    if (!chart || chart->mark_count == CHART_MARKS || !isfinite(x))
        return;
    mark = &chart->mark[chart->mark_count++];
    mark->x = x;
    mark->interval = interval;
    snprintf(mark->label, sizeof mark->label, "%s", label);
    text_make_valid(mark->label);
}

void chart_free(struct chart *chart)
{
    if (!chart)
        return;
    for (size_t i = 0; i < chart->series_count; i++) {
        free(chart->series[i].point);
        free(chart->series[i].x);
        free(chart->series[i].y);
        free(chart->series[i].low);
        free(chart->series[i].high);
    }
    free(chart);
}

/* --- axes --- */

/* 1, 2 or 5 times a power of ten, so that about `wanted` ticks fit. */
static void round_axis(double low, double high, int wanted, struct axis *out)
{
    /* what differs only by rounding is one value */
    double span = high - low > 1e-9 * fabs(high) ? high - low : fmax(fabs(high), 1) * 0.1, raw, power;

    raw = span / wanted;
    power = pow(10, floor(log10(raw)));
    out->step = raw <= power ? power : raw <= 2 * power ? 2 * power : raw <= 5 * power ? 5 * power : 10 * power;
    out->low = floor(low / out->step + 1e-9) * out->step;
    out->high = ceil(high / out->step - 1e-9) * out->step;
    if (!(out->high > out->low))
        out->high = out->low + out->step;
}

static void widen(double value, double *low, double *high)
{
    if (!isfinite(value))
        return;
    *low = fmin(*low, value);
    *high = fmax(*high, value);
}

void chart_axes(const struct chart *chart, struct axis *x, struct axis *y)
{
    double x_low = INFINITY, x_high = -INFINITY, y_low = INFINITY, y_high = -INFINITY;

    for (size_t i = 0; i < chart->series_count; i++) {
        const struct chart_series *series = &chart->series[i];

        for (size_t j = 0; j < series->point_count; j++) {
            widen(series->point[j].x, &x_low, &x_high);
            widen(series->point[j].y - (series->point[j].u > 0 ? series->point[j].u : 0), &y_low, &y_high);
            widen(series->point[j].y + (series->point[j].u > 0 ? series->point[j].u : 0), &y_low, &y_high);
        }
        for (size_t j = 0; j < series->curve_count; j++) {
            widen(series->x[j], &x_low, &x_high);
            widen(series->y[j], &y_low, &y_high);
        }
    }
    if (!isfinite(x_low) || !isfinite(y_low))
        x_low = y_low = 0, x_high = y_high = 1;
    if (y_low < 0 && y_low > -y_high / 50) /* a breath below zero earns no tick */
        y_low = 0;
    round_axis(y_low, y_high, 5, y);
    round_axis(x_low, x_high, 6, x);
    x->high = fmax(x_high + (x_high - x_low) / 50, x->low + x->step); /* no empty third on the right */
    if (chart->category_count)
        *x = (struct axis){ 0.5, (double)chart->category_count + 0.5, 1 };
}
