/* poise-timer: the eyes of the bench.  It shows the stage, the steep and what comes next, and lets
 * wet hands tare, mark, begin and end.  It keeps nothing and decides nothing.  See poise-timer.1. */
#include <errno.h>
#include <getopt.h>
#include <gsl/gsl_errno.h>
#include <langinfo.h>
#include <locale.h>
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "draw.h"
#include "poise/view.h"
#include "plain.h"
#include "poise/client.h"
#include "poise/clock.h"
#include "poise/place.h"
#include "poise/program.h"
#include "poise/uncertainty.h"
#include "terminal.h"
#include "words.h"

enum {
    PLACE_SIZE = 512,
    FRAME_MS = 100,              /* a clock that shows seconds, and water that runs: ten pictures a second ... */
    REST_MS = 1000,              /* ... and one where nothing runs */
    CONTROL_L = 12,              /* the usual key to repaint a screen */
    ASK_MS = 2000,               /* a hand on the key waits no longer */
    BEEP_US = 350000,            /* so long between the strokes of the longer bell */
    LONG_BEEPS = 4,              /* at the end of a press */
    SECOND_THOUGHT_US = 10000000 /* so long an order can be taken back, or waits for its second key */
};

enum bells { BELLS_ALL, BELLS_PRESS, BELLS_NONE };

struct timer {
    struct client *client;
    struct view model;
    struct timer_page page;
    struct view_bell bell;
    struct canvas canvas;
    const char *station; /* chosen on the command line; NULL: the first */
    bool plain;
    struct shown_units units;
    enum bells bells;
    int beeps; /* still to come, the next one at ... */
    int64_t beep_us;
    char end_armed[NAME_SIZE]; /* the station whose brew a second `e` ends, until ... */
    int64_t end_armed_us;
    char shown_next[VIEW_STATIONS][PLAIN_SIZE]; /* plain: the run last offered in words */
    struct plain_stages shown_stages[VIEW_STATIONS];
    char store[PLACE_SIZE];                 /* where earlier cups may be */
    bool store_named;                       /* on the command line */
    bool store_due;                         /* a brew began or ended: to be read when the state shows the run */
    char store_trouble[sizeof(struct why)]; /* reported once, until it is another */
};

static volatile sig_atomic_t stop;

static void on_signal(int number)
{
    (void)number;
    stop = 1;
}

static void usage(FILE *out)
{
    fputs("Usage: poise-timer [--plain] [--station NAME] [--steep SECONDS] [--store FILE]\n"
          "                   [--pressure UNIT] [--temperature UNIT] [--bell WHEN]\n"
          "                   [--bus ADDRESS] [--control ADDRESS] [--key FILE]\n"
          "Shows a brewing bench: what to do now, the stage, the time, what comes next.\n"
          "\n"
          "  -p, --plain            a line a second and a line per event, instead of a screen\n"
          "  -S, --station NAME     the station that the keys act on at first\n"
          "  -t, --steep SECONDS    the steep to count towards where no plan gives one\n"
          "  -P, --pressure UNIT    kpa, bar or psi (default: POISE_PRESSURE, or the bench's)\n"
          "  -T, --temperature UNIT c or f (default: POISE_TEMPERATURE, or the bench's)\n"
          "  -B, --bell WHEN        all, press (when it begins and when it ends) or none\n"
          "  -s, --store FILE       the store that knows earlier cups (default: POISE_STORE, or the usual file)\n"
          "  -b, --bus ADDRESS      where the bench publishes (default: POISE_BUS, or the usual sockets)\n"
          "  -c, --control ADDRESS  where it answers (default: POISE_CONTROL, or the usual sockets)\n"
          "  -k, --key FILE         this client's key, for a bench on a network (default: POISE_KEY)\n"
          "  -h, --help             this text\n"
          "  -V, --version          which Poise this is\n"
          "\n"
          "Keys: ? shows them, q quits.  Hot water scalds and glass breaks under a press: poise-timer(1)\n"
          "has the cautions.\n",
          out);
}

/* ---- hands ---- */

static const struct view_station *chosen(const struct timer *timer)
{
    return timer->model.stations > 0 ? &timer->model.station[timer->page.chosen % timer->model.stations] : NULL;
}

/* Asks the bench and shows what came of it.  `request` is stolen.  True: it was done. */
static bool ask(struct timer *timer, json_t *request, const char *done)
{
    const struct view_station *station = chosen(timer);
    json_t *reply = NULL;
    struct why why;
    int error;

    if (!station || !request) {
        json_decref(request);
        return false;
    }
    json_object_set_new(request, "station", json_string(station->name));
    error = client_ask(timer->client, request, ASK_MS, &reply, &why);
    if (error < 0)
        view_notice(&timer->model, true, clock_world_now().mono_us, "%s", why.text);
    else
        view_notice(&timer->model, false, clock_world_now().mono_us, "%s: %s", station->name, done);
    json_decref(reply);
    return error >= 0;
}

/* The reading that is asked about is this brew's. */
static void give_reading(struct timer *timer, const char *brew)
{
    const struct view_unsure *unsure = &timer->model.unsure;
    json_t *reply = NULL, *request = json_pack("{s:s, s:s, s:s, s:I}", "do", "sample", "how", "take", "brew", brew,
                                               "seq", (json_int_t)unsure->seq);
    struct why why;

    if (!request)
        return;
    if (client_ask(timer->client, request, ASK_MS, &reply, &why) < 0)
        view_notice(&timer->model, true, clock_world_now().mono_us, "%s", why.text);
    else
        view_notice(&timer->model, false, clock_world_now().mono_us, "%.2f %% is the strength of %s",
                    unsure->strength_pct, brew);
    json_decref(reply);
}

static void mark(struct timer *timer, enum stage stage)
{
    char done[60];

    snprintf(done, sizeof done, "%s begins (u takes it back)", stage_name(stage));
    ask(timer, json_pack("{s:s, s:s}", "do", "mark", "stage", stage_name(stage)), done);
}

static void begin(struct timer *timer)
{
    ask(timer, json_pack("{s:s}", "do", "begin"), "a brew begins (u takes it back)");
}

/* An end cannot be taken back: it wants its key twice. */
static void end(struct timer *timer)
{
    const struct view_station *station = chosen(timer);
    int64_t now_us = clock_world_now().mono_us;

    if (!station)
        return;
    if (*station->brew && (strcmp(timer->end_armed, station->name) != 0 || now_us >= timer->end_armed_us)) {
        strcpy(timer->end_armed, station->name);
        timer->end_armed_us = now_us + SECOND_THOUGHT_US;
        view_notice(&timer->model, false, now_us, "%s: press e again to end brew %s", station->name,
                    words_brew(station->brew));
        return;
    }
    timer->end_armed[0] = '\0';
    ask(timer, json_pack("{s:s}", "do", "end"), "the brew is done");
}

static void mark_next(struct timer *timer, const struct view_station *station)
{
    struct guide guide;

    station_guide(&timer->model, station, view_now_us(&timer->model, clock_world_now().mono_us), &guide);
    if (guide.next_stage == station->stage) {
        view_notice(&timer->model, true, clock_world_now().mono_us,
                    "%s: no water is in yet, so nothing comes after the %s; m marks any stage", station->name,
                    stage_name(station->stage));
        return;
    }
    mark(timer, guide.next_stage);
}

static void key_on_mark_page(struct timer *timer, int key)
{
    timer->page.page = PAGE_BENCH;
    for (enum stage stage = STAGE_IDLE; stage < STAGE_COUNT; stage++)
        if (mark_digit(stage) && mark_digit(stage) == key)
            mark(timer, stage);
}

static void key_on_answer_page(struct timer *timer, int key)
{
    size_t length = strlen(timer->page.typed);
    char *end;
    double value;

    if (key == KEY_ESCAPE) {
        timer->page.page = PAGE_BENCH;
    } else if (key == KEY_RUBOUT && length > 0) {
        timer->page.typed[length - 1] = '\0';
    } else if (key > 0 && key < 128 && strchr("0123456789.,", key) && length + 1 < sizeof timer->page.typed) {
        timer->page.typed[length] = key == ',' ? '.' : (char)key;
        timer->page.typed[length + 1] = '\0';
    } else if (key == KEY_RETURN) {
        timer->page.page = PAGE_BENCH;
        value = strtod(timer->page.typed, &end);
        if (length == 0 || *end)
            view_notice(&timer->model, true, clock_world_now().mono_us, "\"%s\" is no number", timer->page.typed);
        else
            ask(timer,
                json_pack("{s:s, s:s, s:s, s:f, s:f}", "do", "enter", "brew", timer->page.asked_brew, "measure",
                          measure_name((enum measure)timer->page.asked_measure), "value", value, "standard_uncertainty",
                          uncertainty_of_digits(timer->page.typed)),
                "noted");
    }
}

static bool asks(const struct view_station *station)
{
    return station && *station->question && station->question_measure >= 0;
}

/* The station whose question is meant: the chosen one, or else one that asks; NULL: none does, and that is shown. */
static const struct view_station *asked(struct timer *timer)
{
    const struct view_station *station = chosen(timer);

    for (int i = 0; i < timer->model.stations && !asks(station); i++)
        if (asks(&timer->model.station[i])) {
            timer->page.chosen = i;
            station = chosen(timer);
        }
    if (asks(station))
        return station;
    view_notice(&timer->model, false, clock_world_now().mono_us, "nothing is asked here that a number would answer");
    return NULL;
}

/* The bench's guess is right: it stands, as uncertain as it is, and the question is closed. */
static void accept_guess(struct timer *timer)
{
    const struct view_station *station = asked(timer);
    char guess[80], done[120];

    if (!station)
        return;
    if (!*station_guess_words(&timer->model, station, guess, sizeof guess)) {
        view_notice(&timer->model, false, clock_world_now().mono_us, "there is no guess to accept; a enters a number");
        return;
    }
    snprintf(done, sizeof done, "%s of %s accepted", guess, measure_summary((enum measure)station->question_measure));
    ask(timer,
        json_pack("{s:s, s:s, s:s, s:f, s:o*}", "do", "enter", "brew", station->question_brew, "measure",
                  measure_name((enum measure)station->question_measure), "value", station->question_guess,
                  "standard_uncertainty", json_real(station->question_guess_u)), /* not known: left out */
        done);
}

static void open_answer_page(struct timer *timer)
{
    const struct view_station *station = asked(timer);

    if (!station)
        return;
    timer->page.typed[0] = '\0';
    strcpy(timer->page.asked_brew, station->question_brew);
    timer->page.asked_measure = station->question_measure;
    timer->page.page = PAGE_ANSWER;
}

/* Somebody else has answered, or the next brew began: what is being typed is no answer any more. */
static void close_answer_page(struct timer *timer)
{
    const struct view_station *station = chosen(timer);

    if (timer->page.page != PAGE_ANSWER
        || (asks(station) && station->question_measure == timer->page.asked_measure
            && strcmp(station->question_brew, timer->page.asked_brew) == 0))
        return;
    timer->page.page = PAGE_BENCH;
    view_notice(&timer->model, false, clock_world_now().mono_us, "that question is not open any more");
}

static void key_on_whose_page(struct timer *timer, int key)
{
    timer->page.page = PAGE_BENCH;
    if (timer->model.unsure.seq && timer->model.unsure.seq == timer->page.asked_seq && (key == '1' || key == '2'))
        give_reading(timer, key == '1' ? timer->model.unsure.likely : timer->model.unsure.other);
}

static void open_whose_page(struct timer *timer)
{
    if (!timer->model.unsure.seq) {
        view_notice(&timer->model, false, clock_world_now().mono_us, "every strength reading has its cup");
        return;
    }
    timer->page.asked_seq = timer->model.unsure.seq;
    timer->page.page = PAGE_WHOSE;
}

static void key_on_help_page(struct timer *timer)
{
    if (++timer->page.part < draw_help_parts(timer->canvas.width, timer->canvas.height))
        return;
    timer->page.page = PAGE_BENCH;
    timer->page.part = 0;
}

static void key_on_bench_page(struct timer *timer, int key)
{
    const struct view_station *station = chosen(timer);

    if (key == 'q')
        stop = 1;
    else if (key == '?' || key == 'h')
        timer->page.page = PAGE_HELP;
    else if (key == 't')
        ask(timer, json_pack("{s:s}", "do", "tare"), "tare sent");
    else if (key == 'm')
        timer->page.page = PAGE_MARK;
    else if (key == ' ' && station)
        mark_next(timer, station);
    else if (key == 'b')
        begin(timer);
    else if (key == 'e')
        end(timer);
    else if (key == 'u')
        ask(timer, json_pack("{s:s}", "do", "undo"), "taken back");
    else if (key == 's')
        timer->page.silent = !timer->page.silent;
    else if (key == 'a')
        open_answer_page(timer);
    else if (key == 'y')
        accept_guess(timer);
    else if (key == 'w')
        open_whose_page(timer);
    else if (key == '\t' && timer->model.stations > 0)
        timer->page.chosen = (timer->page.chosen + 1) % timer->model.stations;
    else if (key >= '1' && key <= '9' && key - '1' < timer->model.stations)
        timer->page.chosen = key - '1';
}

static void take_keys(struct timer *timer)
{
    int key = terminal_key();

    if (key == KEY_NONE && !isatty(STDIN_FILENO))
        stop = 1; /* the terminal went away without a word */
    for (; key != KEY_NONE; key = terminal_key()) {
        if (key == KEY_SIZE)
            continue; /* every picture looks at the size itself */
        if (key == CONTROL_L) {
            terminal_repaint();
            continue;
        }
        switch (timer->page.page) {
        case PAGE_BENCH:
            key_on_bench_page(timer, key);
            break;
        case PAGE_HELP:
            key_on_help_page(timer);
            break;
        case PAGE_MARK:
            key_on_mark_page(timer, key);
            break;
        case PAGE_ANSWER:
            key_on_answer_page(timer, key);
            break;
        case PAGE_WHOSE:
            key_on_whose_page(timer, key);
            break;
        }
    }
}

/* ---- eyes ---- */

static void choose_station(struct timer *timer)
{
    for (int i = 0; timer->station && i < timer->model.stations; i++)
        if (strcmp(timer->model.station[i].name, timer->station) == 0) {
            timer->page.chosen = i;
            timer->station = NULL;
        }
}

static int show(struct timer *timer)
{
    int width, height;

    terminal_size(&width, &height);
    if ((width != timer->canvas.width || height != timer->canvas.height)
        && canvas_size(&timer->canvas, width, height) < 0) {
        terminal_close();
        program_message("out of memory");
        return -ENOMEM;
    }
    draw_screen(&timer->canvas, &timer->model, &timer->page, clock_world_now().mono_us);
    terminal_show(&timer->canvas);
    return 0;
}

/* What is printed at each moment where there is no screen. */
static const char *const moment_words[GUIDE_MOMENTS] = {
    [GUIDE_BLOOM_END] = "the bloom is over: pour now",
    [GUIDE_STIR] = "stir now",
    [GUIDE_STIR_END] = "stop stirring",
    [GUIDE_PRESS_SOON] = "ten seconds to the press",
    [GUIDE_PRESS] = "the steep is over: press now",
    [GUIDE_PRESS_END] = "the press is over",
};

static bool bell_wanted(const struct timer *timer, enum guide_moment moment)
{
    bool press = moment == GUIDE_PRESS || moment == GUIDE_PRESS_END;

    return !timer->page.silent && (timer->bells == BELLS_ALL || (timer->bells == BELLS_PRESS && press));
}

static void beep_now(const struct timer *timer)
{
    if (!timer->plain)
        terminal_bell();
    else if (isatty(STDOUT_FILENO))
        fputs("\a", stdout);
}

static void ring(struct timer *timer)
{
    int64_t local_us = clock_world_now().mono_us;
    unsigned fresh = view_bell(&timer->model, &timer->bell, view_now_us(&timer->model, local_us));

    for (int moment = 0; moment < GUIDE_MOMENTS; moment++) {
        if (!(fresh >> moment & 1))
            continue;
        if (timer->plain)
            puts(moment_words[moment]);
        if (bell_wanted(timer, (enum guide_moment)moment))
            timer->beeps = moment == GUIDE_PRESS_END ? LONG_BEEPS : 1;
    }
    if (timer->beeps > 0 && local_us >= timer->beep_us) {
        beep_now(timer);
        timer->beeps--;
        timer->beep_us = local_us + BEEP_US;
    }
}

static void print_settled(struct timer *timer, bool at_once)
{
    int64_t local_us = clock_world_now().mono_us;
    char line[PLAIN_SIZE];

    for (int i = 0; i < timer->model.stations; i++)
        while (*plain_settled(&timer->model, i, local_us, at_once, &timer->shown_stages[i], line))
            puts(line);
}

static void print_now(struct timer *timer)
{
    char line[PLAIN_SIZE];

    print_settled(timer, false);
    for (int i = 0; timer->model.found && i < timer->model.stations; i++)
        puts(plain_now(&timer->model, i, clock_world_now().mono_us, line));
}

static void print_event(struct timer *timer, const struct message *message)
{
    char line[PLAIN_SIZE];

    for (int i = 0; message->kind == MESSAGE_STAGE && i < timer->model.stations; i++)
        if (*message->stage.brew && strcmp(timer->model.station[i].brew, message->stage.brew) == 0)
            plain_stage_came(&timer->model, i, message->common.mono_us, &timer->shown_stages[i]);
    if (*plain_event(&timer->model, message, line))
        puts(line);
    for (int i = 0; message->kind == MESSAGE_STATE && i < timer->model.stations; i++)
        if (strcmp(plain_next(&timer->model, i, line), timer->shown_next[i]) != 0) {
            strcpy(timer->shown_next[i], line);
            if (*line)
                puts(line);
        }
}

/* ---- memory ---- */

static void state_trouble(struct timer *timer, const char *text)
{
    if (strcmp(timer->store_trouble, text) == 0)
        return;
    snprintf(timer->store_trouble, sizeof timer->store_trouble, "%s", text);
    if (!*text)
        return;
    if (timer->plain)
        program_message("%s", text);
    view_notice(&timer->model, true, clock_world_now().mono_us, "%s", text);
}

/* The usual store need not be there; one that was named, or that cannot be read, is reported of. */
static void read_store(struct timer *timer)
{
    struct why why = { "" };
    int error = view_history(&timer->model, timer->store, &why);

    timer->store_due = false;
    state_trouble(timer, error == 0 || (error == -ENOENT && !timer->store_named) ? "" : why.text);
}

/* The state that follows shows the run that is under way then, or the next. */
static void remember(struct timer *timer, const struct message *message)
{
    if (message->kind == MESSAGE_BREW && (message->brew.change == BREW_BEGIN || message->brew.change == BREW_END))
        timer->store_due = true;
    else if (message->kind == MESSAGE_STATE && timer->store_due)
        read_store(timer);
}

static void take_event(struct timer *timer, int event, struct message *message, const struct why *why)
{
    int64_t now_us = clock_world_now().mono_us;

    switch (event) {
    case CLIENT_MESSAGE:
        if (timer->plain && message->kind == MESSAGE_BREW && message->brew.change != BREW_NOTE)
            print_settled(timer, true); /* before the brew is another */
        view_message(&timer->model, message, now_us);
        remember(timer, message);
        if (timer->plain)
            print_event(timer, message);
        message_free(message);
        choose_station(timer);
        close_answer_page(timer);
        break;
    case CLIENT_FOUND:
        if (timer->plain)
            printf("Connected\n");
        view_found(&timer->model, now_us);
        timer->store_due = true;
        break;
    case CLIENT_GONE:
        if (timer->plain)
            printf("Connection lost; looking for the bench\n");
        view_gone(&timer->model, now_us);
        break;
    case CLIENT_BAD:
        if (timer->plain)
            program_message("%s", why->text);
        view_notice(&timer->model, true, now_us, "%s", why->text);
        break;
    case CLIENT_INPUT:
        take_keys(timer);
        break;
    }
}

static bool something_runs(const struct view *model)
{
    for (int i = 0; i < model->stations; i++)
        if (station_brewing(&model->station[i]))
            return true;
    return false;
}

/* A picture when its time has come, and at once after a key. */
static int run(struct timer *timer)
{
    int64_t next_us = clock_world_now().mono_us;
    int error = 0;

    while (!stop && error == 0) {
        int64_t now_us = clock_world_now().mono_us;
        struct message message;
        struct why why;
        int event;

        if (now_us >= next_us) {
            int pause_ms = !timer->plain && something_runs(&timer->model) ? FRAME_MS : REST_MS;

            ring(timer);
            if (timer->plain)
                print_now(timer);
            else
                error = show(timer);
            next_us = now_us + pause_ms * 1000;
        }
        event = client_next(timer->client, timer->plain ? -1 : STDIN_FILENO, (int)((next_us - now_us + 999) / 1000),
                            &message, &why);
        if (event == -EINTR && !timer->plain)
            take_keys(timer); /* the terminal changed its size */
        else if (event < 0 && event != -EINTR)
            error = event;
        else
            take_event(timer, event, &message, &why);
        if (timer->beeps > 0 && next_us > timer->beep_us)
            next_us = timer->beep_us;
        if (event == CLIENT_INPUT || event == -EINTR || event == CLIENT_GONE || event == CLIENT_FOUND
            || (event == CLIENT_MESSAGE && message.kind != MESSAGE_READING && message.kind != MESSAGE_STAGE
                && !timer->plain)) /* behind stages comes the state that shows them */
            next_us = clock_world_now().mono_us;
    }
    return error;
}

/* ---- start ---- */

static bool bells_from(const char *text, enum bells *out)
{
    static const char *const names[] = { "all", "press", "none" };

    for (int i = 0; i < 3; i++)
        if (strcmp(names[i], text) == 0) {
            *out = (enum bells)i;
            return true;
        }
    program_message("--bell %s: all, press or none", text);
    return false;
}

static bool steep_from(const char *text, double *out)
{
    char *end;
    double seconds = strtod(text, &end);

    if (end == text || *end || !(seconds > 0) || seconds > 86400) {
        program_message("--steep %s: not a number of seconds (1 to 86400)", text);
        return false;
    }
    *out = seconds;
    return true;
}

static void catch_signals(void)
{
    struct sigaction action = { .sa_handler = on_signal };

    sigaction(SIGTERM, &action, NULL);
    sigaction(SIGINT, &action, NULL);
    sigaction(SIGHUP, &action, NULL);
}

static int start(struct timer *timer, const char *bus, const char *control, const char *key, double steep_s)
{
    char bus_place[PLACE_SIZE], control_place[PLACE_SIZE];
    struct client_options options = { .bus = place_bus(bus, bus_place, sizeof bus_place),
                                      .subscribe = true,
                                      .control = place_control(control, control_place, sizeof control_place),
                                      .key = key };
    struct why why;
    int error = client_open(&timer->client, &options, &why);

    if (error < 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    view_begin(&timer->model, steep_s);
    timer->model.chosen = timer->units;
    timer->model.units = shown_units_at(&timer->units, NULL);
    timer->page.where = bus_place;
    timer->canvas.unicode = strcmp(nl_langinfo(CODESET), "UTF-8") == 0;
    timer->plain = timer->plain || !isatty(STDIN_FILENO) || !isatty(STDOUT_FILENO) || !terminal_open(program_colour());
    if (timer->plain)
        setvbuf(stdout, NULL, _IOLBF, 0);
    catch_signals();
    error = run(timer);
    if (!timer->plain)
        terminal_close();
    if (error < 0)
        program_message("%s", strerror(-error));
    client_close(timer->client);
    canvas_free(&timer->canvas);
    return error < 0 ? EXIT_FAILED : EXIT_DONE;
}

int main(int argc, char **argv)
{
    static const struct option options[] = { { "plain", no_argument, NULL, 'p' },
                                             { "station", required_argument, NULL, 'S' },
                                             { "steep", required_argument, NULL, 't' },
                                             { "pressure", required_argument, NULL, 'P' },
                                             { "temperature", required_argument, NULL, 'T' },
                                             { "bell", required_argument, NULL, 'B' },
                                             { "bus", required_argument, NULL, 'b' },
                                             { "control", required_argument, NULL, 'c' },
                                             { "key", required_argument, NULL, 'k' },
                                             { "store", required_argument, NULL, 's' },
                                             { "help", no_argument, NULL, 'h' },
                                             { "version", no_argument, NULL, 'V' },
                                             { NULL, 0, NULL, 0 } };
    static struct timer timer;
    const char *bus = NULL, *control = NULL, *key = NULL, *store = NULL, *pressure = NULL, *temperature = NULL;
    struct why why;
    double steep_s = NAN;
    int option;

    setlocale(LC_ALL, "");
    setlocale(LC_NUMERIC, "C"); /* what is typed and printed has a decimal point */
    program_begin(argv[0]);
    gsl_set_error_handler_off(); /* its default is abort(), also where memory is short */
    while ((option = getopt_long(argc, argv, "pS:t:s:P:T:B:b:c:k:hV", options, NULL)) != -1)
        switch (option) {
        case 'p':
            timer.plain = true;
            break;
        case 'S':
            timer.station = optarg;
            break;
        case 't':
            if (!steep_from(optarg, &steep_s))
                return EXIT_USAGE;
            break;
        case 's':
            store = optarg;
            break;
        case 'P':
            pressure = optarg;
            break;
        case 'T':
            temperature = optarg;
            break;
        case 'B':
            if (!bells_from(optarg, &timer.bells))
                return EXIT_USAGE;
            break;
        case 'b':
            bus = optarg;
            break;
        case 'c':
            control = optarg;
            break;
        case 'k':
            key = optarg;
            break;
        case 'h':
            usage(stdout);
            return EXIT_DONE;
        case 'V':
            program_version();
            return EXIT_DONE;
        default:
            usage(stderr);
            return EXIT_USAGE;
        }
    if (optind < argc) {
        program_message("%s: not an option", argv[optind]);
        return EXIT_USAGE;
    }
    if (shown_units_choose(pressure, temperature, &timer.units, &why) < 0) {
        program_message("%s", why.text);
        return EXIT_USAGE;
    }
    timer.store_named = store != NULL;
    place_store(store, timer.store, sizeof timer.store);
    return start(&timer, bus, control, place_key(key), steep_s);
}
