/* A bench reported to the timer in its own messages; see timer_bench.h. */
#include <locale.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "timer_bench.h"

struct view model;
struct canvas canvas;
static int sequence;

void say(const char *topic, double at_s, const char *format, ...)
{
    char body[6000], text[7000];
    struct message message;
    va_list arguments;
    struct why why;
    int length;

    va_start(arguments, format);
    vsnprintf(body, sizeof body, format, arguments);
    va_end(arguments);
    length = snprintf(text, sizeof text, "{'v':1,'bench':'pier','seq':%d,'time_us':%lld,'mono_us':%lld,'boot':'b',%s}",
                      ++sequence, 1764063000000000LL + (long long)(at_s * S), (long long)(at_s * S), body);
    for (char *at = text; *at; at++)
        *at = *at == '\'' ? '"' : *at;
    if (message_read(topic, strlen(topic), text, (size_t)length, &message, &why) < 0)
        fail_msg("%s", why.text);
    view_message(&model, &message, FAR + (int64_t)(at_s * S));
    message_free(&message);
}

void scale_knows(double at_s, const char *value, const char *known)
{
    say("reading/pier/left-scale", at_s,
        "'instrument':'left-scale','station':'left','quantity':'mass','value':%s,"
        "'unit':'g','stable':null,'status':'ok'%s",
        value, known);
}

void scale(double at_s, const char *value)
{
    char known[40];

    snprintf(known, sizeof known, ",'load_g':%.3f", 400 + atof(value));
    scale_knows(at_s, value, known);
}

void stage(double at_s, const char *name, double began_s)
{
    say("event/pier/stage", at_s,
        "'brew':'pier-20261125-007','station':'left','stage':'%s','at_us':%lld,"
        "'uncertainty_us':1000,'by':'tracker'",
        name, (long long)(began_s * S));
}

static const char plan[] =
    "{'experiment':'ferry-steep','run':4,'of':15,'replicate':1,'factors':{'steep_s':90},"
    "'recipe':{'dose_g':15,'water_g':230,'stir':'swirl','temperature_c':91},'tolerances':{'dose_g':0.1,'water_g':2},"
    "'open':[{'steep_s':120}]}";

void state_at(double at_s, const char *name, const char *water, const char *load, const char *shown)
{
    say("state/pier", at_s,
        "'instruments':[{'instrument':'left-scale','quantity':'mass','station':'left',"
        "'driver':'line','port':'p','condition':'ready','value':%s,'unit':'g','stable':true,'status':'ok',"
        "'mono_us':%lld,'rate_hz':10,'rejects':{}}],"
        "'stations':[{'station':'left','stage':'%s','stage_at_us':null,'brew':null,'first_water_us':null,"
        "'load_g':%s,'water_g':%s,'flow_g_per_s':null,'press_kpa':null,'added_g':null,'weighed_g':null,'tared':false,"
        "'cup_left':false,'piston_diameter_mm':60,'press_limit_kpa':24,"
        "'stages':[],'measures':{},'above':[],'next':%s,'question':null}],"
        "'waiting':[{'brew':'pier-20261125-005','station':'left','have':1,'want':3,'since_us':2000000},"
        "{'brew':'pier-20261125-006','station':'left','have':0,'want':3,'since_us':null}],"
        "'last':{'brew':'pier-20261125-006','station':'left','measures':{'dose_g':{'value':15.02,"
        "'standard_uncertainty':0.03},'steep_s':{'value':121.4,'standard_uncertainty':0.1}},'plan_kept':true},"
        "'plan':{'experiment':'ferry-steep','title':'How long to steep','done':3,'of':15}",
        shown, (long long)(at_s * S), name, load, water, plan);
}

int fresh(void **state)
{
    (void)state;
    setlocale(LC_CTYPE, "C.UTF-8");
    setenv("TZ", "UTC", 1);
    sequence = 0;
    view_begin(&model, NAN);
    return 0;
}

void pour_until(double until_s)
{
    char value[20], known[80];

    state_at(5, "idle", "null", "400", "0");
    scale(9, "15.0");
    say("event/pier/brew", 9.5,
        "'brew':'pier-20261125-007','station':'left','change':'begin','at_us':9000000,"
        "'plan':%s",
        plan);
    stage(9.5, "dose", 9);
    for (int tenth = 95; tenth <= 10 * until_s; tenth++) {
        snprintf(value, sizeof value, "%.1f", 15.0 + (tenth > 100 ? 2.3 * (tenth - 100) : 0));
        if (tenth >= 107)
            snprintf(known, sizeof known, ",'load_g':%.1f,'water_g':%.1f,'flow_g_per_s':23", 400 + atof(value),
                     2.3 * (tenth - 100));
        else
            snprintf(known, sizeof known, ",'load_g':%.1f", 400 + atof(value));
        scale_knows(tenth / 10.0, value, known);
        if (tenth == 107)
            stage(10.7, "pour", 10);
    }
}

int64_t at(double seconds)
{
    return (int64_t)(seconds * S);
}

char *now_at(double seconds)
{
    static struct guide guide;

    station_guide(&model, left(), at(seconds), &guide);
    return guide.now;
}

enum stage next_at(double seconds)
{
    struct guide guide;

    station_guide(&model, left(), at(seconds), &guide);
    return guide.next_stage;
}

struct view_station *left(void)
{
    assert_int_equal(model.stations, 1);
    return &model.station[0];
}

/* No column's name, and digits behind "±" as fine as those before it. */
static void expect_readable(const char *row)
{
    static const char *const ends[] = { "_s", "_g", "_c", "_kpa", "_pct", "_mm" }, within[] = " ± ";

    for (size_t i = 0; i < sizeof ends / sizeof *ends; i++)
        for (const char *end = row; (end = strstr(end, ends[i])); end += strlen(ends[i])) {
            char next = end[strlen(ends[i])];

            if (end > row && end[-1] >= 'a' && end[-1] <= 'z' && !(next == '_' || (next >= 'a' && next <= 'z')))
                fail_msg("a raw name is on the screen: %s", row);
        }
    for (const char *at = row; (at = strstr(at, within)); at += strlen(within)) {
        const char *before = at, *after = at + strlen(within);
        size_t decimals = 0, digits = strspn(after, "0123456789");

        while (before > row && before[-1] >= '0' && before[-1] <= '9') {
            before--;
            decimals++;
        }
        decimals = before > row && before[-1] == '.' ? decimals : 0;
        if (decimals != (after[digits] == '.' ? strspn(after + digits + 1, "0123456789") : 0))
            fail_msg("digits that do not fit: %s", row);
    }
}

void draw(int width, int height, enum page page, double at_s)
{
    char row[2000];

    struct timer_page what = { .page = page, .where = "ipc:///nowhere" };

    assert_int_equal(canvas_size(&canvas, width, height), 0);
    draw_screen(&canvas, &model, &what, FAR + at(at_s));
    for (int y = 0; y < height; y++) {
        canvas_row(&canvas, y, row, sizeof row);
        expect_readable(row);
    }
}

static bool on_screen(const char *text)
{
    char row[2000];

    for (int y = 0; y < canvas.height; y++) {
        canvas_row(&canvas, y, row, sizeof row);
        if (strstr(row, text))
            return true;
    }
    return false;
}

void expect_on_screen(const char *text)
{
    char row[2000];

    if (on_screen(text))
        return;
    for (int y = 0; y < canvas.height; y++) {
        canvas_row(&canvas, y, row, sizeof row);
        print_message("|%s\n", row);
    }
    fail_msg("not on the screen: %s", text);
}

enum look look_of(const char *text)
{
    size_t length = strlen(text), same;

    for (int i = 0; i + (int)length <= canvas.width * canvas.height; i++) {
        for (same = 0; same < length && canvas.cells[i + (int)same].glyph == (wchar_t)text[same]; same++)
            ;
        if (same == length)
            return canvas.cells[i].look;
    }
    return LOOK_COUNT;
}
