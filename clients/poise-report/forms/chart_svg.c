/* A chart as inline SVG, coloured by the page's variables so that it follows light, dark and paper. */
#include "document.h"

#include <math.h>
#include <string.h>

#include "html.h"

/* In user units; the page scales the whole. */
static const double WIDTH = 640, HEIGHT = 420, LEFT = 56, RIGHT = 24, TOP = 48, BOTTOM = 60;

enum { COLOURS = 6, MOST_SEGMENTS = 1500 }; /* a trace of ten readings a second is drawn no finer than a pixel */

struct frame {
    struct axis x, y;
    FILE *out;
};

static double at_x(const struct frame *frame, double x)
{
    return LEFT + (x - frame->x.low) / (frame->x.high - frame->x.low) * (WIDTH - LEFT - RIGHT);
}

static double at_y(const struct frame *frame, double y)
{
    double place = HEIGHT - BOTTOM - (y - frame->y.low) / (frame->y.high - frame->y.low) * (HEIGHT - TOP - BOTTOM);

    return fmin(fmax(place, -HEIGHT), 2 * HEIGHT);
}

static int digits_of(double step)
{
    return step >= 1 ? 0 : (int)ceil(-log10(step) - 1e-9);
}

static void text_at(const struct frame *frame, double x, double y, const char *anchor, const char *colour,
                    const char *text)
{
    fprintf(frame->out, "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"%s\" fill=\"var(--%s)\">", x, y, anchor, colour);
    html_text(text, frame->out);
    fputs("</text>\n", frame->out);
}

/* At most so many letters, the last of them an ellipsis where there are more. */
static void shorten(const char *text, int letters, char out[80])
{
    size_t length = 0;
    int count = 0;

    while (text[length] && count < letters && length < 72) {
        length++;
        while (((unsigned char)text[length] & 0xc0) == 0x80)
            length++;
        count++;
    }
    snprintf(out, 80, "%.*s%s", (int)length, text, text[length] ? "…" : "");
}

/* What a letter takes on a phone, where words are drawn larger than on a desk. */
static const double LETTER = 10.5;

static void draw_category(const struct frame *frame, const struct chart *chart, size_t place)
{
    bool two_rows = chart->category_count > 4;
    double room = (WIDTH - LEFT - RIGHT) / (double)chart->category_count * (two_rows ? 2 : 1);
    char label[80];

    shorten(chart->category[place], (int)fmax(3, room / LETTER - 1), label);
    text_at(frame, at_x(frame, (double)place + 1), HEIGHT - BOTTOM + 20 + (two_rows && place % 2 ? 14 : 0), "middle",
            "faint", label);
}

static void draw_axes(const struct frame *frame, const struct chart *chart)
{
    char label[64];

    for (double y = frame->y.low; y <= frame->y.high + frame->y.step / 2; y += frame->y.step) {
        fprintf(frame->out, "<path d=\"M%.1f %.1fH%.1f\" stroke=\"var(--line)\" fill=\"none\"/>\n", LEFT,
                at_y(frame, y), WIDTH - RIGHT);
        snprintf(label, sizeof label, "%.*f", digits_of(frame->y.step), fabs(y) < frame->y.step / 1000 ? 0 : y);
        text_at(frame, LEFT - 6, at_y(frame, y) + 4, "end", "faint", label);
    }
    if (chart->category_count) {
        for (size_t i = 0; i < chart->category_count; i++)
            draw_category(frame, chart, i);
    } else {
        for (double x = frame->x.low; x <= frame->x.high + frame->x.step / 1000; x += frame->x.step) {
            fprintf(frame->out, "<path d=\"M%.1f %.1fv5\" stroke=\"var(--faint)\" fill=\"none\"/>\n", at_x(frame, x),
                    HEIGHT - BOTTOM);
            snprintf(label, sizeof label, "%.*f", digits_of(frame->x.step), fabs(x) < frame->x.step / 1000 ? 0 : x);
            text_at(frame, at_x(frame, x), HEIGHT - BOTTOM + 20, "middle", "faint", label);
        }
    }
    text_at(frame, (LEFT + WIDTH - RIGHT) / 2, HEIGHT - 12, "middle", "faint", chart->x_label);
    text_at(frame, LEFT - 44, TOP - 28, "start", "faint", chart->y_label);
}

static void draw_band(const struct frame *frame, const struct chart_series *series, int colour)
{
    bool any = false;

    for (size_t i = 0; i < series->curve_count; i++)
        any = any || series->high[i] > series->low[i];
    if (!any)
        return;
    fprintf(frame->out, "<path fill=\"var(--s%d)\" fill-opacity=\".15\" d=\"M", colour);
    for (size_t i = 0; i < series->curve_count; i++)
        fprintf(frame->out, "%.1f %.1f ", at_x(frame, series->x[i]), at_y(frame, series->high[i]));
    for (size_t i = series->curve_count; i-- > 0;)
        fprintf(frame->out, "%.1f %.1f ", at_x(frame, series->x[i]), at_y(frame, series->low[i]));
    fputs("Z\"/>\n", frame->out);
}

static void draw_curve(const struct frame *frame, const struct chart_series *series, int colour)
{
    size_t step = series->curve_count / MOST_SEGMENTS + 1;

    if (series->curve_count < 2)
        return;
    fprintf(frame->out, "<path fill=\"none\" stroke=\"var(--s%d)\" stroke-width=\"2\" stroke-linejoin=\"round\" d=\"M",
            colour);
    for (size_t i = 0; i < series->curve_count; i += step)
        fprintf(frame->out, "%.1f %.1f ", at_x(frame, series->x[i]), at_y(frame, series->y[i]));
    fputs("\"/>\n", frame->out);
}

static void draw_points(const struct frame *frame, const struct chart_series *series, int colour)
{
    for (size_t i = 0; i < series->point_count; i++) {
        const struct chart_point *point = &series->point[i];
        double x = at_x(frame, point->x), y = at_y(frame, point->y);

        if (point->u > 0)
            fprintf(frame->out, "<path stroke=\"var(--s%d)\" stroke-width=\"1.5\" d=\"M%.1f %.1fV%.1f\"/>\n", colour, x,
                    at_y(frame, point->y - point->u), at_y(frame, point->y + point->u));
        fprintf(frame->out, "<circle cx=\"%.1f\" cy=\"%.1f\" r=\"4.5\" stroke=\"var(--s%d)\" stroke-width=\"1.5\" ", x,
                y, colour);
        if (point->apart)
            fputs("fill=\"var(--paper)\"><title>", frame->out);
        else
            fprintf(frame->out, "fill=\"var(--s%d)\" fill-opacity=\".7\"><title>", colour);
        html_text(point->name, frame->out);
        fputs(point->apart ? " (out of plan)</title></circle>\n" : "</title></circle>\n", frame->out);
    }
}

static void draw_marks(const struct frame *frame, const struct chart *chart)
{
    for (size_t i = 0; i < chart->mark_count; i++) {
        const struct chart_mark *mark = &chart->mark[i];
        double x = at_x(frame, mark->x), low = at_x(frame, fmax(mark->interval.low, frame->x.low));
        double high = at_x(frame, fmin(mark->interval.high, frame->x.high));

        if (mark->x < frame->x.low || mark->x > frame->x.high)
            continue;
        if (!isnan(mark->interval.low) && high > low)
            fprintf(frame->out,
                    "<rect x=\"%.1f\" y=\"%.1f\" width=\"%.1f\" height=\"%.1f\" fill=\"var(--faint)\" "
                    "fill-opacity=\".12\"/>\n",
                    low, TOP, high - low, HEIGHT - TOP - BOTTOM);
        fprintf(frame->out, "<path d=\"M%.1f %.1fV%.1f\" stroke=\"var(--faint)\" stroke-dasharray=\"4 3\"/>\n", x, TOP,
                HEIGHT - BOTTOM);
        text_at(frame, x > 0.75 * WIDTH ? x - 5 : x + 5, HEIGHT - BOTTOM - 8 - 22 * (double)(i % 3),
                x > 0.75 * WIDTH ? "end" : "start", "ink", mark->label);
    }
}

static void draw_legend(const struct frame *frame, const struct chart *chart)
{
    double x = LEFT + 6, y = TOP - 10, named = 0;
    char label[80];

    for (size_t i = 0; i < chart->series_count; i++)
        named += chart->series[i].name[0] != '\0';
    for (size_t i = 0; i < chart->series_count; i++) {
        double room = (WIDTH - LEFT - RIGHT) / named - 34; /* each its share: none is left out */

        if (!chart->series[i].name[0])
            continue;
        shorten(chart->series[i].name, (int)fmax(2, room / LETTER), label);
        fprintf(frame->out, "<circle cx=\"%.1f\" cy=\"%.1f\" r=\"4.5\" fill=\"var(--s%zu)\"/>\n", x, y, i % COLOURS);
        text_at(frame, x + 9, y + 4, "start", "ink", label);
        x += 34 + LETTER * (double)strlen(label);
    }
}

void chart_svg(const struct chart *chart, FILE *out)
{
    struct frame frame = { .out = out };

    chart_axes(chart, &frame.x, &frame.y);
    fprintf(out, "<svg viewBox=\"0 0 %.0f %.0f\" role=\"img\"><title>", WIDTH, HEIGHT);
    html_text(chart->title, out);
    fputs("</title>\n", out);
    draw_axes(&frame, chart);
    draw_marks(&frame, chart);
    for (size_t i = 0; i < chart->series_count; i++)
        draw_band(&frame, &chart->series[i], (int)(i % COLOURS));
    for (size_t i = 0; i < chart->series_count; i++)
        draw_curve(&frame, &chart->series[i], (int)(i % COLOURS));
    for (size_t i = 0; i < chart->series_count; i++)
        draw_points(&frame, &chart->series[i], (int)(i % COLOURS));
    draw_legend(&frame, chart);
    fputs("</svg>\n", out);
}
