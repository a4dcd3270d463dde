/* The timer's screen.  From top to bottom: who speaks, the stations (side by side where they fit),
 * the last cup, what waits for its strength, the last notice, the keys.  A station's pane gives its
 * rows first to what must be read from across the counter. */
#include "draw_parts.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "words.h"

enum {
    PANE_COLUMNS = 38,  /* the least in which five big digits fit */
    PANE_ROWS = 9,      /* the least in which big digits fit beside their words */
    DIGITS_MOST = 4,    /* twenty rows: larger would leave no room for anything else */
    TITLE_COLUMNS = 50, /* narrower panes say "007" instead of "brew 007" */
    GONE_COLUMNS = 70,  /* narrower screens say in fewer words that the bench is gone */
    TALL_ROWS = 18,     /* from here on there is room for the last cup and what waits */
    FACTOR_MARGINS = 2, /* columns that a factor takes besides its words */
    NOTICE_ROWS = 4,
    NOTICE_ROWS_TALL = 2, /* a warning is read whole, on narrow screens too */
    NOTICE_US = 12000000  /* ... within it */
};

struct pane {
    int x, y, width, rows;
};

/* ---- one station ---- */

/* Is this stage one that the brew has had, is in, or is going to have? */
static bool in_ribbon(const struct timer_station *station, enum stage stage)
{
    bool sometimes = stage == STAGE_BLOOM || stage == STAGE_STIR || stage == STAGE_SETTLE;

    return !sometimes || stage == station->stage || station_had(station, stage) || stage == station_next_stage(station);
}

static int ribbon_columns(const struct timer_station *station, enum stage from)
{
    int columns = 0;

    for (enum stage stage = from; stage <= STAGE_WEIGH; stage++)
        if (in_ribbon(station, stage))
            columns += (int)strlen(stage_name(stage)) + 2;
    return columns;
}

/* The stages of this brew, the one now standing out; the first are left out where all do not fit. */
static void draw_ribbon(struct canvas *canvas, struct pane pane, int y, const struct timer_station *station)
{
    enum stage from = STAGE_DOSE;
    int x = pane.x, edge = pane.x + pane.width;
    bool coming = false;

    while (from < station->stage && from < STAGE_WEIGH && ribbon_columns(station, from) > pane.width)
        from++;
    for (enum stage stage = from; stage <= STAGE_WEIGH; stage++) {
        bool here = stage == station->stage;
        enum look look = here ? LOOK_HERE : coming || !station_had(station, stage) ? LOOK_PLAIN : LOOK_FAINT;

        coming |= here;
        if (!in_ribbon(station, stage))
            continue;
        if (x + (int)strlen(stage_name(stage)) + 2 > edge)
            return;
        x = canvas_put(canvas, x, y, 1, look, " ");
        x = canvas_put(canvas, x, y, edge - x, look, stage_name(stage));
        x = canvas_put(canvas, x, y, 1, look, " ");
    }
}

static void draw_title(struct canvas *canvas, struct pane pane, const struct timer_model *model,
                       const struct timer_station *station, bool chosen)
{
    char then[WORDS_SIZE], title[160];
    int edge = pane.x + pane.width, x;

    snprintf(title, sizeof title, "%s%s", station->name, chosen && model->stations > 1 ? " *" : "");
    x = canvas_put(canvas, pane.x, pane.y, pane.width, LOOK_STRONG, title);
    if (*station->brew) {
        snprintf(title, sizeof title, pane.width < TITLE_COLUMNS ? " %s" : "  brew %s", words_brew(station->brew));
        x = canvas_put(canvas, x, pane.y, edge - x, LOOK_PLAIN, title);
    }
    snprintf(title, sizeof title, " %s ", stage_name(station->stage));
    x = canvas_put(canvas, x + 1, pane.y, edge - x - 1, LOOK_HERE, title);
    words_then(model, station, then);
    if (canvas_columns(then) > edge - x - 1 && strstr(then, " at "))
        *strstr(then, " at ") = '\0'; /* the guide says it as well */
    canvas_put(canvas, x + 1, pane.y, edge - x - 1, LOOK_PLAIN, then);
}

/* How large the digits may be: as wide as fits, and as tall, but no more than twice as tall as their
 * shapes are.  False: not even the smallest fit. */
static bool digits_fit(const char *text, int width, int rows, int *across, int *down)
{
    *across = DIGITS_MOST;
    while (*across > 1 && canvas_digits_width(text, *across) + 2 > width)
        (*across)--;
    *down = rows / DIGIT_ROWS < 2 * *across ? rows / DIGIT_ROWS : 2 * *across;
    *down = *down < DIGITS_MOST ? *down : DIGITS_MOST;
    *across = *across < 2 * *down ? *across : 2 * *down;
    return *down > 0 && canvas_digits_width(text, *across) <= width;
}

/* The widest that this number may become, so that it does not change its size while it runs. */
static const char *widest(const char *big)
{
    if (strchr(big, ':'))
        return strlen(big) < 5 ? "0:00" : "00:00";
    return strchr(big, '.') ? "000.0" : "000";
}

/* The number of the moment, its unit behind or below it.  Returns the rows used. */
static int draw_focus(struct canvas *canvas, struct pane pane, const struct focus *focus)
{
    enum look look = focus->warn ? LOOK_WARN : LOOK_STRONG;
    int across, down, width, beside;
    char line[80];

    if (!digits_fit(strlen(focus->big) > strlen(widest(focus->big)) ? focus->big : widest(focus->big), pane.width,
                    pane.rows - 1, &across, &down)) {
        snprintf(line, sizeof line, "%s %s", focus->big, focus->unit);
        canvas_put(canvas, pane.x, pane.y, pane.width, look, line);
        return 1;
    }
    width = canvas_digits_width(focus->big, across);
    beside = pane.width - width - 3;
    canvas_digits(canvas, pane.x + 1, pane.y, across, down, look, focus->big);
    if (beside >= canvas_columns(focus->unit)) {
        canvas_put(canvas, pane.x + 1 + width + 2, pane.y + DIGIT_ROWS * down - 1, beside, LOOK_PLAIN, focus->unit);
        return DIGIT_ROWS * down;
    }
    canvas_put(canvas, pane.x + 1, pane.y + DIGIT_ROWS * down, pane.width - 1, LOOK_PLAIN, focus->unit);
    return DIGIT_ROWS * down + 1;
}

static void draw_bar(struct canvas *canvas, struct pane pane, int y, const struct focus *focus)
{
    int words = canvas_columns(focus->bar), width = pane.width - words - 3;
    enum look look = focus->warn ? LOOK_WARN : LOOK_GOOD;

    if (isnan(focus->share))
        return;
    if (width < 8)
        width = pane.width - 1;
    else
        canvas_put(canvas, pane.x + width + 2, y, words, focus->warn ? LOOK_WARN : LOOK_PLAIN, focus->bar);
    canvas_bar(canvas, pane.x, y, width, focus->share, look);
}

/* The lines below the digits, the most needed first.  Returns how many there are. */
enum { PANE_LINES = 6, LINE_ROWS = 2 };
struct line {
    enum look look;
    bool run;   /* the run of the plan: what differs stands out */
    bool whole; /* what to do, or to answer, is read whole, whatever else has no room */
    int rows;   /* at most; 0: LINE_ROWS */
    char text[WORDS_SIZE];
    char brief[WORDS_SIZE]; /* where that does not fit; empty: it is cut */
};

static int station_lines(const struct timer_model *model, const struct timer_station *station, int64_t now_us,
                         struct line lines[PANE_LINES])
{
    bool bad, running = station_brewing(station);
    int count = 0;

    memset(lines, 0, PANE_LINES * sizeof *lines);
    if (*station->question)
        snprintf(lines[count].text, WORDS_SIZE, "%s%s", station->question_measure >= 0 ? "Key a: " : "? ",
                 *station->question_detail ? station->question_detail : station->question);
    else
        words_guide(model, station, now_us, lines[count].text);
    lines[count].whole = true;
    lines[count].rows = *station->question ? QUESTION_ROWS : LINE_ROWS;
    lines[count++].look = *station->question ? LOOK_WARN : LOOK_STRONG;
    words_scale(model, station, now_us, &bad, lines[count].text);
    lines[count++].look = bad ? LOOK_WARN : LOOK_PLAIN;
    words_numbers(station, now_us, false, lines[count].text);
    lines[count++].look = LOOK_PLAIN;
    words_share(model, station, now_us, WORDS_WHOLE, lines[count].text);
    words_share(model, station, now_us, WORDS_BRIEF, lines[count].brief);
    lines[count++].look = LOOK_PLAIN;
    lines[count].run = !running;
    words_varied(station, WORDS_WHOLE, lines[count].text);
    words_varied(station, WORDS_BRIEF, lines[count].brief);
    lines[count++].look = running ? LOOK_PLAIN : LOOK_STRONG;
    words_held(station, WORDS_WHOLE, lines[count].text);
    words_held(station, WORDS_BRIEF, lines[count].brief);
    lines[count++].look = LOOK_PLAIN;
    return count;
}

/* The run of the plan, what differs from the one before standing out; how many rows it takes.  Without a canvas it
 * is only measured. */
static int lay_run(struct canvas *canvas, struct pane pane, const struct timer_station *station, enum brevity brevity)
{
    char text[WORDS_SIZE];
    bool changed;
    int x = canvas_columns(words_run(station, brevity, text)), row = 0;

    if (canvas)
        canvas_put(canvas, pane.x, pane.y, pane.width, LOOK_STRONG, text);
    for (int i = 0; *words_factor(station, i, brevity, &changed, text); i++) {
        int columns = canvas_columns(text) + FACTOR_MARGINS;
        enum look look = changed ? LOOK_HERE : LOOK_PLAIN;

        if (x > 0 && x + columns > pane.width) {
            x = 0;
            row++;
        }
        if (canvas && row < pane.rows) {
            int at = canvas_put(canvas, pane.x + x, pane.y + row, 1, look, " ");

            at = canvas_put(canvas, at, pane.y + row, pane.width - x - 1, look, text);
            canvas_put(canvas, at, pane.y + row, pane.x + pane.width - at, look, " ");
        }
        x += columns;
    }
    return row + 1;
}

static int draw_run(struct canvas *canvas, struct pane pane, const struct timer_station *station)
{
    enum brevity brevity = lay_run(NULL, pane, station, WORDS_WHOLE) <= pane.rows ? WORDS_WHOLE : WORDS_BRIEF;
    int rows = lay_run(canvas, pane, station, brevity);

    return rows < pane.rows ? rows : pane.rows;
}

static int rows_of(const struct line *line)
{
    return line->rows ? line->rows : LINE_ROWS;
}

/* The lines at the foot of a pane: each gets one row, and more where that takes none from another. */
static void draw_lines(struct canvas *canvas, struct pane pane, const struct timer_station *station,
                       const struct line *lines, int count)
{
    int y = pane.y, left = pane.rows, waiting = 0;

    for (int i = 0; i < count; i++)
        waiting += *lines[i].text != '\0';
    for (int i = 0; i < count && left > 0; i++) {
        int room = left - --waiting, used;
        const char *text;

        if (!*lines[i].text) {
            waiting++;
            continue;
        }
        if (lines[i].whole)
            room = left;
        room = room < 1 ? 1 : room > rows_of(&lines[i]) ? rows_of(&lines[i]) : room;
        text = lines[i].text;
        if (*lines[i].brief && canvas_lines(pane.width, room + 1, text) > room)
            text = lines[i].brief;
        used = lines[i].run ? draw_run(canvas, (struct pane){ pane.x, y, pane.width, room }, station)
                            : canvas_wrap(canvas, pane.x, y, pane.width, room, lines[i].look, text);
        y += used;
        left -= used;
    }
}

static void draw_station(struct canvas *canvas, struct pane pane, const struct timer_model *model,
                         const struct timer_station *station, bool chosen, int64_t now_us)
{
    int y = pane.y + 1, end = pane.y + pane.rows, least = 0, wanted = 0, guide, count;
    struct line lines[PANE_LINES];
    struct pane part = pane;
    struct focus focus;

    words_focus(model, station, now_us, &focus);
    count = station_lines(model, station, now_us, lines);
    for (int i = 0; i < count; i++) {
        int rows = canvas_lines(pane.width, rows_of(&lines[i]), lines[i].text);

        least += lines[i].whole ? rows : rows > 0;
        wanted += rows;
    }
    draw_title(canvas, pane, model, station, chosen);
    if (pane.rows >= PANE_ROWS + 4) {
        draw_ribbon(canvas, pane, y, station);
        y += 2;
    }
    part.y = y;
    part.rows = end - y - least - 2;                                         /* the bar and a blank row */
    guide = 1 + canvas_lines(pane.width, rows_of(&lines[0]), lines[0].text); /* with the bar: never given up */
    for (int kept = 4; kept >= 3 && part.rows < DIGIT_ROWS + 1; kept--)      /* digits come before the last lines */
        part.rows = end - y - (kept > guide ? kept : guide);
    y += draw_focus(canvas, part, &focus);
    if (y < end && !isnan(focus.share)) {
        y += end - y > wanted + 2;
        draw_bar(canvas, pane, y++, &focus);
    }
    y += end - y > wanted;
    part.y = y;
    part.rows = end - y;
    draw_lines(canvas, part, station, lines, count);
}

static void draw_stations(struct canvas *canvas, struct pane room, const struct timer_model *model, int chosen,
                          int64_t now_us)
{
    int abreast = room.width / PANE_COLUMNS, stacked = room.rows / PANE_ROWS, shown, first = 0, columns, rows;

    abreast = abreast < 1 ? 1 : abreast;
    stacked = stacked < 1 ? 1 : stacked;
    columns = model->stations < abreast ? model->stations : abreast;
    if (columns == 0)
        return;
    rows = (model->stations + columns - 1) / columns;
    rows = rows < stacked ? rows : stacked;
    shown = rows * columns;
    if (chosen >= shown)
        first = chosen - shown + 1;
    for (int i = 0; i < shown && first + i < model->stations; i++) {
        struct pane pane = { room.x + i % columns * (room.width / columns), room.y + i / columns * (room.rows / rows),
                             room.width / columns - (columns > 1 ? 2 : 0), room.rows / rows };

        draw_station(canvas, pane, model, &model->station[first + i], first + i == chosen, now_us);
    }
}

/* ---- around the stations ---- */

static void draw_header(struct canvas *canvas, const struct timer_model *model, const struct timer_page *page,
                        int64_t local_us)
{
    char text[DETAIL_SIZE + 80], time[16];
    int x = 1;

    if (!model->found && model->heard) {
        words_time((double)(local_us - model->gone_local_us) / 1e6, time, sizeof time);
        snprintf(text, sizeof text,
                 canvas->width < GONE_COLUMNS ? " Bench gone for %s, looking for it "
                                              : " The bench is gone for %s. Looking for it; what you see is old. ",
                 time);
        canvas_put(canvas, 0, 0, canvas->width, LOOK_WARN, text);
        return;
    }
    x = canvas_put(canvas, x, 0, canvas->width, LOOK_STRONG, *model->bench ? model->bench : "poise-timer");
    if (!model->heard) {
        snprintf(text, sizeof text, "  %s at %s", model->found ? "waiting for its state" : "no bench yet", page->where);
        canvas_put(canvas, x, 0, canvas->width, LOOK_PLAIN, text);
        if (!model->found)
            canvas_wrap(canvas, 1, 2, canvas->width - 2, 4, LOOK_STRONG,
                        "Start poised, the bench's own program, and this finds it; or quit, and name another bench's "
                        "address with --bus and --control.");
        return;
    }
    if (model->plan_of > 0) {
        snprintf(text, sizeof text, "  %d of %d done: %s", model->plan_done, model->plan_of,
                 *model->title ? model->title : model->experiment);
        if (canvas_columns(text) > canvas->width - x)
            snprintf(text, sizeof text, "  %d of %d done: %s", model->plan_done, model->plan_of, model->experiment);
        x = canvas_put(canvas, x, 0, canvas->width - x, LOOK_PLAIN, text);
    }
    if (model->rate != 1) {
        snprintf(text, sizeof text, "  clock x %g", model->rate);
        canvas_put(canvas, x, 0, canvas->width - x, LOOK_FAINT, text);
    }
}

static void draw_keys(struct canvas *canvas, const struct timer_model *model)
{
    static const char *const several[] = {
        "t tare   m mark   space: then   b begin   e end   tab next station   ? help   q quit",
        "t tare  m mark  space: then  b begin  e end  tab next  ? help  q quit",
        "t tare m mark b begin e end tab ? help", "t m b e tab ? q", NULL
    };
    static const char *const single[] = { "t tare  m mark  space: then  b begin  e end  ? help  q quit",
                                          "t tare m mark b begin e end ? help", "t m b e ? q", NULL };
    const char *const *line = model->stations > 1 ? several : single;

    while (line[1] && canvas_columns(*line) + 1 > canvas->width)
        line++;
    canvas_put(canvas, 1, canvas->height - 1, canvas->width - 1, LOOK_FAINT, *line);
}

/* A question stands in its pane already. */
static bool notice_is_question(const struct timer_model *model)
{
    for (int i = 0; i < model->stations; i++)
        if (*model->station[i].question_detail && strstr(model->notice, model->station[i].question_detail))
            return true;
    return false;
}

static char *fitting_waiting(const struct timer_model *model, int width, char *words)
{
    if (canvas_columns(words_waiting(model, WORDS_WHOLE, words)) > width)
        words_waiting(model, WORDS_BRIEF, words);
    return words;
}

/* The last notice ends at row y; where there is no room for more, its row otherwise shows what waits. */
static int draw_notice(struct canvas *canvas, const struct timer_model *model, int y, int64_t local_us)
{
    bool tall = canvas->height >= TALL_ROWS;
    int width = canvas->width - 1, most = tall ? NOTICE_ROWS_TALL : NOTICE_ROWS, rows;
    char words[WORDS_SIZE];

    if (!model->notice_local_us || local_us - model->notice_local_us >= NOTICE_US || notice_is_question(model)) {
        if (!tall)
            canvas_put(canvas, 1, y, width, LOOK_PLAIN, fitting_waiting(model, width, words));
        return y - 1;
    }
    rows = canvas_lines(width, most, model->notice);
    rows = rows < 1 ? 1 : rows;
    canvas_wrap(canvas, 1, y + 1 - rows, width, rows, model->notice_bad ? LOOK_WARN : LOOK_PLAIN, model->notice);
    return y - rows;
}

/* Returns the last row that is free. */
static int draw_footer(struct canvas *canvas, const struct timer_model *model, int64_t local_us)
{
    char words[WORDS_SIZE], text[WORDS_SIZE + 120], digits[48];
    int y, width = canvas->width - 1;

    draw_keys(canvas, model);
    y = draw_notice(canvas, model, canvas->height - 2, local_us);
    if (canvas->height < TALL_ROWS)
        return y;
    if (*fitting_waiting(model, width, words) || model->strength_at_us) {
        snprintf(text, sizeof text, "%s", words);
        if (model->strength_at_us && decimal_format(model->strength_shown, digits, sizeof digits) > 0)
            snprintf(text, sizeof text, "%s%s%s last showed %s %%", words, *words ? "; " : "", model->strength, digits);
        canvas_put(canvas, 1, y--, width, LOOK_PLAIN, text);
    }
    if (*model->last_brew && *words_measures(&model->last, model->last_above, words)) {
        snprintf(text, sizeof text, "last cup %s: %s", words_brew(model->last_brew), words);
        y -= canvas_columns(text) > width;
        canvas_wrap(canvas, 1, y--, width, 2, LOOK_PLAIN, text);
    }
    return y;
}

void draw_screen(struct canvas *canvas, const struct timer_model *model, const struct timer_page *page,
                 int64_t local_us)
{
    int chosen = page->chosen < model->stations ? page->chosen : 0;
    struct pane room = { 1, 2, canvas->width - 1, 0 };

    canvas_clear(canvas);
    if (page->page == PAGE_HELP) {
        draw_help(canvas, page->part);
    } else if (page->page == PAGE_MARK && model->stations > 0) {
        draw_mark(canvas, model->station[chosen].name);
    } else if (page->page == PAGE_ANSWER && model->stations > 0) {
        draw_answer(canvas, &model->station[chosen], page->typed);
    } else {
        draw_header(canvas, model, page, local_us);
        room.y = canvas->height < TALL_ROWS ? 1 : 2;
        room.rows = draw_footer(canvas, model, local_us) + 1 - room.y;
        if (model->heard && room.rows > 0)
            draw_stations(canvas, room, model, chosen, model_now_us(model, local_us));
    }
}
