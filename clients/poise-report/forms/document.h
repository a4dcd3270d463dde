/* A report as a sequence of headings, sentences, tables and charts, before it takes any form.  Forms:
 * text for a terminal, one HTML page.  All text in it is plain: each form escapes it its own way. */
#ifndef POISE_REPORT_DOCUMENT_H
#define POISE_REPORT_DOCUMENT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

#include "poise/interval.h"

enum { TABLE_COLUMNS = 16 };

/* Makes text UTF-8 in place: a character that was cut is left out, a byte that belongs to none becomes '?'.  Whatever
 * reads pages, JSON or CSV may refuse the whole for one wrong byte. */
void text_make_valid(char *text);

/* --- charts --- */

struct chart_point {
    double x, y, u; /* u: standard uncertainty; NAN: none */
    bool apart;     /* shown hollow: out of plan */
    char name[64];  /* what a finger or a mouse on it says */
};

struct chart_series {
    char name[64]; /* empty: no legend */
    struct chart_point *point;
    size_t point_count;
    double *x, *y, *low, *high; /* a curve with its band; low NULL: no band */
    size_t curve_count;
};

enum { CHART_SERIES = 12, CHART_MARKS = 4, CHART_CATEGORIES = 24 };

struct chart {
    char name[48]; /* of its file: a-z 0-9 - */
    char title[160], x_label[96], y_label[96];
    struct chart_series series[CHART_SERIES];
    size_t series_count;
    struct chart_mark {
        double x;
        struct interval interval; /* shaded; NAN: none */
        char label[96];
    } mark[CHART_MARKS];
    size_t mark_count;
    char category[CHART_CATEGORIES][64]; /* words on the x axis at 1, 2, ... ; count 0: numbers */
    size_t category_count;
};

struct chart *chart_new(const char *name, const char *title, const char *x_label, const char *y_label);
struct chart_series *chart_series(struct chart *chart, const char *name); /* NULL: no more room */
void chart_point(struct chart_series *series, double x, double y, double u, bool apart, const char *name);
void chart_curve(struct chart_series *series, double x, double y, double low, double high);
void chart_mark(struct chart *chart, double x, struct interval interval, const char *label);
void chart_free(struct chart *chart);

/* The drawing area's range and round ticks. */
struct axis {
    double low, high, step;
};
void chart_axes(const struct chart *chart, struct axis *x, struct axis *y);

/* --- documents --- */

enum block_kind { BLOCK_HEADLINE, BLOCK_HEADING, BLOCK_TEXT, BLOCK_ITEM, BLOCK_CAUTION, BLOCK_TABLE, BLOCK_CHART };

struct block {
    enum block_kind kind;
    char *text;
    struct chart *chart; /* BLOCK_CHART */
    int columns;         /* BLOCK_TABLE: cells row by row, the first row is the titles */
    char **cell;
    size_t cell_count;
    bool is_number[TABLE_COLUMNS]; /* set to the right */
};

struct document {
    struct block *block;
    size_t count;
    bool failed; /* memory ran out: what is there is not all */
};

void document_add(struct document *document, enum block_kind kind, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* Titles separated by '|'; one that begins with '#' is a column of numbers. */
void document_table(struct document *document, const char *titles);

/* A row of the last table: cells separated by '\x1f' (UNIT), which no name may contain. */
#define CELL "\x1f"
void document_row(struct document *document, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* The document owns the chart from now on. */
void document_chart(struct document *document, struct chart *chart);
void document_free(struct document *document);

/* --- forms --- */

/* Words are wrapped at `width`; tables are folded there only on a screen: a file or a pipe gets whole rows. */
void document_text(const struct document *document, FILE *out, int width, bool screen, bool colour);
void document_html(const struct document *document, const char *title, FILE *out);
void chart_svg(const struct chart *chart, FILE *out);

/* FOLDER/NAME.gp and, drawn by gnuplot from it, FOLDER/NAME.svg.  Returns 0 or a negative errno with
 * a sentence in `sentence`. */
int chart_gnuplot(const struct chart *chart, const char *folder, char *sentence, size_t size);

#endif
