/* The timer's screen.  From top to bottom: the bench and its plan, the stations (side by side where they fit),
 * the last cup, what waits for its strength, the last notice, the keys.  A station's pane gives its
 * rows first to what must be read from across the counter. */
#include "draw_parts.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "words.h"

enum {
    PANE_COLUMNS = 38,   /* the least in which five big digits fit */
    PANE_ROWS = 9,       /* the least in which big digits fit beside their words */
    DIGITS_MOST = 4,     /* twenty rows: larger would leave no room for anything else */
    HEAD_ROWS = 3,       /* of large letters */
    HEAD_ROWS_FROM = 14, /* a pane of so many rows has room for them */
    HUGE_ROWS_FROM = 30, /* and of so many for larger ones */
    RIBBON_COLUMNS = 38, /* the stages beside them */
    BREW_COLUMNS = 26,   /* narrower ones show "007" instead of "brew 007", and have room for what is next */
    GONE_COLUMNS = 70,   /* narrower screens report in fewer words that the bench is gone */
    TALL_ROWS = 18,      /* from here on there is room for the last cup and what waits */
    FACTOR_MARGINS = 2,  /* columns that a factor takes beside its words */
    NOTICE_ROWS = 4,
    NOTICE_ROWS_TALL = 2, /* a warning is read whole, on narrow screens too */
    NOTICE_US = 12000000  /* ... within it */
};

struct pane {
    int x, y, width, rows;
};

/* ---- one station ---- */

/* Is this stage one that the brew has had, is in, or is going to have? */
static bool in_ribbon(const struct view_station *station, enum stage next, enum stage stage)
{
    bool sometimes = stage == STAGE_BLOOM || stage == STAGE_STIR || stage == STAGE_SETTLE;

    return !sometimes || stage == station->stage || station_had(station, stage) || stage == next;
}

static int ribbon_columns(const struct view_station *station, enum stage next, enum stage from)
{
    int columns = 0;

    for (enum stage stage = from; stage <= STAGE_WEIGH; stage++)
        if (in_ribbon(station, next, stage))
            columns += (int)strlen(stage_name(stage)) + 2;
    return columns;
}

/* The stages of this brew, the one now standing out; the first are left out where all do not fit. */
static void draw_ribbon(struct canvas *canvas, struct pane pane, int y, const struct view_station *station,
                        enum stage next)
{
    enum stage from = STAGE_DOSE;
    int x = pane.x, edge = pane.x + pane.width;
    bool coming = false;

    while (from < station->stage && from < STAGE_WEIGH && ribbon_columns(station, next, from) > pane.width)
        from++;
    for (enum stage stage = from; stage <= STAGE_WEIGH; stage++) {
        bool here = stage == station->stage;
        enum look look = here ? LOOK_HERE : coming || !station_had(station, stage) ? LOOK_PLAIN : LOOK_FAINT;

        coming |= here;
        if (!in_ribbon(station, next, stage))
            continue;
        if (x + (int)strlen(stage_name(stage)) + 2 > edge)
            return;
        x = canvas_put(canvas, x, y, 1, look, " ");
        x = canvas_put(canvas, x, y, edge - x, look, stage_name(stage));
        x = canvas_put(canvas, x, y, 1, look, " ");
    }
}

/* Which station and which brew, in one row from x on; the column behind. */
static int draw_title(struct canvas *canvas, int x, int y, int edge, const struct view *model,
                      const struct view_station *station, bool chosen)
{
    char title[160];

    snprintf(title, sizeof title, "%s%s", station->name, chosen && model->stations > 1 ? " *" : "");
    x = canvas_put(canvas, x, y, edge - x, LOOK_STRONG, title);
    if (!*station->brew)
        return x;
    snprintf(title, sizeof title, edge - x < BREW_COLUMNS ? " %s" : "  brew %s", words_brew(station->brew));
    return canvas_put(canvas, x, y, edge - x, LOOK_PLAIN, title);
}

static void draw_next(struct canvas *canvas, int x, int y, int edge, const struct guide *guide)
{
    char next[GUIDE_TEXT];

    snprintf(next, sizeof next, "%s", guide->next);
    if (canvas_columns(next) > edge - x && strstr(next, " at "))
        *strstr(next, " at ") = '\0'; /* the instruction has it as well */
    canvas_put(canvas, x, y, edge - x, LOOK_PLAIN, next);
}

/* The stage in large letters, beside it the station, its stages and the next one; without room for that, one row.
 * `whole` is how many rows must be read below, beside the number and its bar: on a small screen they come first. */
static int draw_head(struct canvas *canvas, struct pane pane, const struct view *model,
                     const struct view_station *station, const struct guide *guide, bool chosen, int whole)
{
    bool spare = pane.rows >= HEAD_ROWS_FROM, fits = HEAD_ROWS + DIGIT_ROWS + 2 + whole <= pane.rows;
    int edge = pane.x + pane.width, x;
    const char *stage = stage_name(station->stage);
    enum letter_size size = LETTERS_WIDE;
    char title[40];

    if (!(spare || fits) || canvas_letters_rows(canvas, LETTERS_NARROW) > HEAD_ROWS) {
        snprintf(title, sizeof title, " %s ", stage);
        x = canvas_put(canvas, pane.x, pane.y, pane.width, LOOK_HERE, title);
        x = draw_title(canvas, x + 1, pane.y, edge, model, station, chosen);
        draw_next(canvas, x + 2, pane.y, edge, guide);
        return 1;
    }
    if (pane.rows >= HUGE_ROWS_FROM && canvas_letters_width(canvas, stage, LETTERS_HUGE) + RIBBON_COLUMNS <= pane.width)
        size = LETTERS_HUGE;
    else if (canvas_letters_width(canvas, stage, size) + RIBBON_COLUMNS > pane.width)
        size = LETTERS_NARROW;
    canvas_letters(canvas, pane.x, pane.y, size, LOOK_STRONG, stage);
    x = pane.x + canvas_letters_width(canvas, stage, size) + 3;
    draw_title(canvas, x, pane.y, edge, model, station, chosen);
    draw_ribbon(canvas, (struct pane){ x - 1, pane.y + 1, edge - x + 1, 1 }, pane.y + 1, station, guide->next_stage);
    draw_next(canvas, x, pane.y + 2, edge, guide);
    return canvas_letters_rows(canvas, size) + spare;
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
    return strchr(big, '.') ? "000.0" : strlen(big) < 3 ? "00" : "000";
}

static enum look number_look(const struct guide_number *number)
{
    return number->side == GUIDE_ABOVE ? LOOK_WARN : number->side == GUIDE_RIGHT ? LOOK_GOOD : LOOK_STRONG;
}

/* The largest letters in which the cue fits, `least` or larger; false: none do. */
static bool cue_fits(const struct canvas *canvas, const char *cue, int width, int rows, enum letter_size least,
                     enum letter_size *size)
{
    for (int larger = LETTERS_HUGE; larger >= (int)least; larger--) {
        *size = (enum letter_size)larger;
        if (canvas_letters_width(canvas, cue, *size) <= width && canvas_letters_rows(canvas, *size) <= rows)
            return true;
    }
    return false;
}

/* What to do alone, where no number is known yet. */
static int draw_cue(struct canvas *canvas, struct pane pane, const struct guide *guide)
{
    enum letter_size size;

    if (!cue_fits(canvas, guide->cue, pane.width - 2, pane.rows, LETTERS_NARROW, &size)) {
        canvas_put(canvas, pane.x, pane.y, pane.width, LOOK_STRONG, guide->cue);
        return 1;
    }
    canvas_letters(canvas, pane.x + 1, pane.y, size, LOOK_STRONG, guide->cue);
    return canvas_letters_rows(canvas, size) + 1 < pane.rows ? canvas_letters_rows(canvas, size) + 1 : pane.rows;
}

/* The number of the moment large, beside it what to do and the unit; the unit goes below where it has no room.  Returns
 * the rows used. */
static int draw_number(struct canvas *canvas, struct pane pane, const struct guide *guide)
{
    const struct guide_number *number = &guide->number;
    const char *digits =
        strlen(number->digits) > strlen(widest(number->digits)) ? number->digits : widest(number->digits);
    int across, down, width, beside = 0, x;
    enum letter_size size;
    char line[80];
    bool fits, below;

    if (!*number->digits || strcmp(number->digits, "-") == 0)
        return draw_cue(canvas, pane, guide);
    fits = digits_fit(digits, pane.width, pane.rows, &across, &down);
    below = fits && pane.width - canvas_digits_width(digits, across) - 4 < canvas_columns(number->unit);
    if (below)
        fits = digits_fit(digits, pane.width, pane.rows - 1, &across, &down);
    if (!fits) {
        snprintf(line, sizeof line, "%s %s", number->digits, number->unit);
        canvas_put(canvas, pane.x, pane.y, pane.width, number_look(number), line);
        return 1;
    }
    while (across > 1) { /* what to do is worth smaller digits: large letters first, any at all at the end */
        enum letter_size least = across > 2 ? LETTERS_WIDE : LETTERS_NARROW;

        beside = pane.width - canvas_digits_width(digits, across) - 4;
        if (cue_fits(canvas, guide->cue, beside, DIGIT_ROWS * down - 1, least, &size))
            break;
        across--;
        down = down < 2 * across ? down : 2 * across;
    }
    width = canvas_digits_width(digits, across);
    x = pane.x + 1 + width + 3;
    beside = pane.width - width - 4;
    below = beside < canvas_columns(number->unit);
    canvas_digits(canvas, pane.x + 1, pane.y, across, down, number_look(number), number->digits);
    if (cue_fits(canvas, guide->cue, beside, DIGIT_ROWS * down - 1, LETTERS_NARROW, &size))
        canvas_letters(canvas, x, pane.y, size, LOOK_STRONG, guide->cue);
    canvas_put(canvas, below ? pane.x + 1 : x, pane.y + DIGIT_ROWS * down - !below, below ? pane.width - 1 : beside,
               LOOK_PLAIN, number->unit);
    return DIGIT_ROWS * down + below;
}

/* Where the number has to stay stands out from the rest of the bar. */
static void draw_band(struct canvas *canvas, int x, int y, int width, const struct guide_number *number)
{
    int from = (int)(fmax(number->band_from, 0) * width), to = (int)ceil(fmin(number->band_to, 1) * width);

    if (isnan(number->band_from))
        return;
    canvas_put(canvas, x + from, y, 1, LOOK_STRONG, "[");
    canvas_put(canvas, x + (to > from + 1 ? to - 1 : from + 1), y, 1, LOOK_STRONG, "]");
}

static void draw_bar(struct canvas *canvas, struct pane pane, int y, const struct guide_number *number)
{
    int words = canvas_columns(number->goal), width = pane.width - words - 3;
    enum look look = number->side == GUIDE_ABOVE ? LOOK_WARN : LOOK_GOOD;

    if (isnan(number->share))
        return;
    if (width < 8 && words > 0 && words + 1 <= pane.width) { /* the goal in words before the bar */
        canvas_put(canvas, pane.x, y, pane.width, number->side == GUIDE_ABOVE ? LOOK_WARN : LOOK_PLAIN, number->goal);
        return;
    }
    if (width < 8)
        width = pane.width - 1;
    else
        canvas_put(canvas, pane.x + width + 2, y, words, number->side == GUIDE_ABOVE ? LOOK_WARN : LOOK_PLAIN,
                   number->goal);
    canvas_bar(canvas, pane.x, y, width, number->share, look);
    draw_band(canvas, pane.x, y, width, number);
}

/* The lines below the digits, the most needed first.  Returns how many there are. */
enum { PANE_LINES = 10, LINE_ROWS = 2 };
struct line {
    enum look look;
    bool run;   /* the run of the plan: what differs stands out */
    bool whole; /* what to do, or to answer, is read whole, whatever else has no room */
    int rows;   /* at most; 0: LINE_ROWS */
    char text[WORDS_SIZE];
    char brief[WORDS_SIZE]; /* where that does not fit; empty: it is cut */
};

static void add_line(struct line *lines, int *count, enum look look, bool whole, const char *text)
{
    if (!*text)
        return;
    snprintf(lines[*count].text, WORDS_SIZE, "%s", text);
    lines[*count].look = look;
    lines[*count].whole = whole;
    (*count)++;
}

/* "Near-boiling water scalds at once." of "Near-boiling water scalds at once; keep ...": where the whole has no room.
 */
static void first_clause(const char *text, char out[WORDS_SIZE])
{
    size_t length = strcspn(text, ";:");

    *out = '\0';
    if (text[length])
        snprintf(out, WORDS_SIZE, "%.*s.", (int)length, text);
}

static int station_lines(const struct view *model, const struct view_station *station, const struct guide *guide,
                         int64_t now_us, struct line lines[PANE_LINES])
{
    bool bad, running = station_brewing(station);
    char words[WORDS_SIZE], guess[80];
    int count = 0;

    memset(lines, 0, PANE_LINES * sizeof *lines);
    add_line(lines, &count, LOOK_STRONG, true, guide->now);
    if (*station->question) {
        snprintf(words, sizeof words, "%s%s", station->question_measure >= 0 ? "Key a: " : "? ",
                 *station->question_detail ? station->question_detail : station->question);
        if (*station_guess_words(model, station, guess, sizeof guess))
            words_add(words, sizeof words, "  Key y: %s is right.", guess);
        lines[count].rows = QUESTION_ROWS;
        add_line(lines, &count, LOOK_WARN, true, words);
    }
    add_line(lines, &count, LOOK_WARN, true, guide->rescue);
    add_line(lines, &count, LOOK_HERE, true, guide->set);
    first_clause(guide->caution, lines[count].brief);
    add_line(lines, &count, LOOK_PLAIN, true, guide->caution);
    words_scale(model, station, now_us, &bad, words);
    add_line(lines, &count, bad ? LOOK_WARN : LOOK_PLAIN, false, words);
    add_line(lines, &count, LOOK_PLAIN, false, words_numbers(model, station, now_us, false, words));
    words_share(model, station, now_us, WORDS_BRIEF, lines[count].brief);
    add_line(lines, &count, LOOK_PLAIN, false, words_share(model, station, now_us, WORDS_WHOLE, words));
    lines[count].run = !running;
    words_varied(model, station, WORDS_BRIEF, lines[count].brief);
    add_line(lines, &count, running ? LOOK_PLAIN : LOOK_STRONG, false,
             words_varied(model, station, WORDS_WHOLE, words));
    words_held(model, station, WORDS_BRIEF, lines[count].brief);
    add_line(lines, &count, LOOK_PLAIN, false, words_held(model, station, WORDS_WHOLE, words));
    return count;
}

/* The run of the plan, what differs from the one before standing out; how many rows it takes.  Without a canvas it
 * is only measured. */
static int lay_run(struct canvas *canvas, struct pane pane, const struct view *model,
                   const struct view_station *station, enum brevity brevity)
{
    char text[WORDS_SIZE];
    bool changed;
    int x = canvas_columns(words_run(station, brevity, text)), row = 0;

    if (canvas)
        canvas_put(canvas, pane.x, pane.y, pane.width, LOOK_STRONG, text);
    for (int i = 0; *words_factor(model, station, i, brevity, &changed, text); i++) {
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

static int draw_run(struct canvas *canvas, struct pane pane, const struct view *model,
                    const struct view_station *station)
{
    enum brevity brevity = lay_run(NULL, pane, model, station, WORDS_WHOLE) <= pane.rows ? WORDS_WHOLE : WORDS_BRIEF;
    int rows = lay_run(canvas, pane, model, station, brevity);

    return rows < pane.rows ? rows : pane.rows;
}

static int rows_of(const struct line *line)
{
    return line->rows ? line->rows : LINE_ROWS;
}

/* The lines at the foot of a pane: each gets one row, and more where that takes none from another. */
static void draw_lines(struct canvas *canvas, struct pane pane, const struct view *model,
                       const struct view_station *station, const struct line *lines, int count)
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
        used = lines[i].run ? draw_run(canvas, (struct pane){ pane.x, y, pane.width, room }, model, station)
                            : canvas_wrap(canvas, pane.x, y, pane.width, room, lines[i].look, text);
        y += used;
        left -= used;
    }
}

static void draw_station(struct canvas *canvas, struct pane pane, const struct view *model,
                         const struct view_station *station, bool chosen, int64_t now_us)
{
    int y, end = pane.y + pane.rows, least = 0, whole = 0, wanted = 0, first, count;
    struct line lines[PANE_LINES];
    struct pane part = pane;
    struct guide guide;

    station_guide(model, station, now_us, &guide);
    count = station_lines(model, station, &guide, now_us, lines);
    for (int i = 0; i < count; i++) {
        int rows = canvas_lines(pane.width, rows_of(&lines[i]), lines[i].text);

        least += lines[i].whole ? rows : rows > 0;
        whole += lines[i].whole ? rows : 0;
        wanted += rows;
    }
    y = pane.y + draw_head(canvas, pane, model, station, &guide, chosen, whole);
    part.y = y;
    part.rows = end - y - least - 2;                                         /* the bar and a blank row */
    first = 1 + canvas_lines(pane.width, rows_of(&lines[0]), lines[0].text); /* with the bar: never given up ... */
    if (*station->question)                                                  /* ... nor is what has to be answered */
        first += canvas_lines(pane.width, rows_of(&lines[1]), lines[1].text);
    if (part.rows < DIGIT_ROWS + 1) { /* digits come before the last lines, as large as they must be */
        part.rows = end - y - (first > 3 ? first : 3);
        part.rows = part.rows < DIGIT_ROWS + 1 ? part.rows : DIGIT_ROWS + 1;
    }
    y += draw_number(canvas, part, &guide);
    if (y < end && !isnan(guide.number.share)) {
        y += end - y > wanted + 2;
        draw_bar(canvas, pane, y++, &guide.number);
    }
    y += end - y > wanted;
    part.y = y;
    part.rows = end - y;
    draw_lines(canvas, part, model, station, lines, count);
}

static void draw_stations(struct canvas *canvas, struct pane room, const struct view *model, int chosen, int64_t now_us)
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

static void draw_header(struct canvas *canvas, const struct view *model, const struct timer_page *page,
                        int64_t local_us)
{
    char text[DETAIL_SIZE + 80], time[16];
    int x = 1;

    if (!model->found && model->has_state) {
        guide_time((double)(local_us - model->gone_local_us) / 1e6, time, sizeof time);
        snprintf(text, sizeof text,
                 canvas->width < GONE_COLUMNS ? " Bench gone for %s, looking for it "
                                              : " The bench is gone for %s. Looking for it; what you see is old. ",
                 time);
        canvas_put(canvas, 0, 0, canvas->width, LOOK_WARN, text);
        return;
    }
    x = canvas_put(canvas, x, 0, canvas->width, LOOK_STRONG, *model->bench ? model->bench : "poise-timer");
    if (!model->has_state) {
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
    if (page->silent)
        x = canvas_put(canvas, x, 0, canvas->width - x, LOOK_FAINT, "  bell off");
    if (model->rate != 1) {
        snprintf(text, sizeof text, "  clock x %g", model->rate);
        if (canvas_columns(text) <= canvas->width - x)
            canvas_put(canvas, x, 0, canvas->width - x, LOOK_FAINT, text);
    }
}

static void draw_keys(struct canvas *canvas, const struct view *model)
{
    static const char *const several[] = {
        "t tare   m mark   space: next   b begin   e end   u undo   s silence   tab next station   ? help   q quit",
        "t tare  m mark  space: next  b begin  e end  u undo  tab next  ? help  q quit",
        "t tare m mark b begin e end tab ? help", "t m b e tab ? q", NULL
    };
    static const char *const single[] = {
        "t tare   m mark   space: next   b begin   e end   u undo   s silence   ? help   q quit",
        "t tare  m mark  space: next  b begin  e end  u undo  ? help  q quit", "t tare m mark b begin e end ? help",
        "t m b e ? q", NULL
    };
    const char *const *line = model->stations > 1 ? several : single;

    while (line[1] && canvas_columns(*line) + 1 > canvas->width)
        line++;
    canvas_put(canvas, 1, canvas->height - 1, canvas->width - 1, LOOK_FAINT, *line);
}

/* A question stands in its pane already. */
static bool notice_is_question(const struct view *model)
{
    for (int i = 0; i < model->stations; i++)
        if (*model->station[i].question_detail && strstr(model->notice, model->station[i].question_detail))
            return true;
    return false;
}

/* "Key w: 1.43 % is of 005 (60 %) or of 006 (40 %)?" */
static char *unsure_words(const struct view_unsure *unsure, char *words)
{
    snprintf(words, WORDS_SIZE, "Key w: %.2f %% is of %s (%.0f %%) or of %s (%.0f %%)?", unsure->strength_pct,
             words_brew(unsure->likely), 100 * unsure->chance, words_brew(unsure->other), 100 * unsure->other_chance);
    return words;
}

static char *fitting_waiting(const struct view *model, int width, int64_t local_us, char *words)
{
    int64_t now_us = view_now_us(model, local_us);

    if (canvas_columns(words_waiting(model, WORDS_WHOLE, now_us, words)) > width)
        words_waiting(model, WORDS_BRIEF, now_us, words);
    return words;
}

/* The last notice ends at row y; where there is no room for more, its row otherwise shows what waits. */
static int draw_notice(struct canvas *canvas, const struct view *model, int y, int64_t local_us)
{
    bool tall = canvas->height >= TALL_ROWS;
    int width = canvas->width - 1, most = tall ? NOTICE_ROWS_TALL : NOTICE_ROWS, rows;
    char words[WORDS_SIZE];

    if (!model->notice_local_us || local_us - model->notice_local_us >= NOTICE_US || notice_is_question(model)) {
        if (!tall && model->unsure.seq)
            canvas_put(canvas, 1, y, width, LOOK_WARN, unsure_words(&model->unsure, words));
        else if (!tall)
            canvas_put(canvas, 1, y, width, LOOK_PLAIN, fitting_waiting(model, width, local_us, words));
        return y - 1;
    }
    rows = canvas_lines(width, most, model->notice);
    rows = rows < 1 ? 1 : rows;
    canvas_wrap(canvas, 1, y + 1 - rows, width, rows, model->notice_bad ? LOOK_WARN : LOOK_PLAIN, model->notice);
    return y - rows;
}

/* Returns the last row that is free. */
static int draw_footer(struct canvas *canvas, const struct view *model, int64_t local_us)
{
    char words[WORDS_SIZE], text[WORDS_SIZE + 120], digits[48];
    int y, width = canvas->width - 1;

    draw_keys(canvas, model);
    y = draw_notice(canvas, model, canvas->height - 2, local_us);
    if (canvas->height < TALL_ROWS)
        return y;
    if (model->unsure.seq)
        canvas_put(canvas, 1, y--, width, LOOK_WARN, unsure_words(&model->unsure, words));
    if (*fitting_waiting(model, width, local_us, words) || model->strength_at_us) {
        snprintf(text, sizeof text, "%s", words);
        if (model->strength_at_us && decimal_format(model->strength_shown, digits, sizeof digits) > 0)
            snprintf(text, sizeof text, "%s%s%s last reading %s %%", words, *words ? "; " : "", model->strength,
                     digits);
        canvas_put(canvas, 1, y--, width, LOOK_PLAIN, text);
    }
    if (*model->last_brew) {
        guide_cup(model->last_kept, &model->last, model->last_above, &model->units, words, sizeof words);
        snprintf(text, sizeof text, "last cup %s: %s", words_brew(model->last_brew), words);
        y -= canvas_columns(text) > width;
        canvas_wrap(canvas, 1, y--, width, 2, LOOK_PLAIN, text);
    }
    return y;
}

void draw_screen(struct canvas *canvas, const struct view *model, const struct timer_page *page, int64_t local_us)
{
    int chosen = page->chosen < model->stations ? page->chosen : 0;
    struct pane room = { 1, 2, canvas->width - 1, 0 };

    canvas_clear(canvas);
    if (page->page == PAGE_HELP) {
        draw_help(canvas, page->part);
    } else if (page->page == PAGE_MARK && model->stations > 0) {
        draw_mark(canvas, model->station[chosen].name);
    } else if (page->page == PAGE_WHOSE && model->unsure.seq) {
        draw_whose(canvas, &model->unsure);
    } else if (page->page == PAGE_ANSWER && model->stations > 0) {
        draw_answer(canvas, &model->station[chosen], page->typed);
    } else {
        draw_header(canvas, model, page, local_us);
        room.y = canvas->height < TALL_ROWS ? 1 : 2;
        room.rows = draw_footer(canvas, model, local_us) + 1 - room.y;
        if (model->has_state && room.rows > 0)
            draw_stations(canvas, room, model, chosen, view_now_us(model, local_us));
    }
}
