/* poise-board: the bench on a tablet.  It serves pages on the bench's own machine, shows what the guide shows, and
 * carries orders to the bench.  It keeps nothing but which devices were paired.  See poise-board.1. */
#include <errno.h>
#include <getopt.h>
#include <gsl/gsl_errno.h>
#include <locale.h>
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "board.h"
#include "certificate.h"
#include "poise/clock.h"
#include "poise/place.h"
#include "poise/program.h"
#include "recall.h"

enum {
    FRAME_MS = 50,    /* twenty pictures a second at most: a hundred readings a second are no reason for more */
    RUNNING_MS = 250, /* a clock on the page moves four times a second, whatever the scale does */
    RESTING_MS = 500  /* a page that receives nothing for twice as long shows that it is offline */
};
static const char default_listen[] = "127.0.0.1:8470";

struct options {
    const char *listen, *host, *certificate, *bus, *control, *key, *store, *role;
};

/* ---- frames ---- */

void board_frame(struct board *board, struct text *out)
{
    live_write(&board->live, clock_world_now().mono_us, out);
}

static void push(struct board *board)
{
    struct text frame = { 0 };

    live_ring(&board->live, clock_world_now().mono_us);
    board_frame(board, &frame);
    board->dirty = false;
    board->pushed_us = clock_world_now().mono_us;
    if (!frame.failed && board->last.length == frame.length
        && memcmp(board->last.data, frame.data, frame.length) == 0) {
        text_free(&frame);
        return;
    }
    web_push(board->web, &frame);
    text_free(&board->last);
    board->last = frame;
}

static bool still_paired(long long device, void *context)
{
    const struct board *board = context;

    return access_known(board->access, device);
}

static void arm(struct board *board, int64_t ms);

/* The heartbeat of the pages; while something runs, also the clock's hand. */
static void on_tick(uv_timer_t *timer)
{
    struct board *board = timer->data;

    if (web_streams(board->web) == 0) {
        board->dirty = false; /* board_changed arms it when a page is there again */
        return;
    }
    if (access_changed(board->access))
        web_sift(board->web, still_paired, board);
    push(board);
    web_beat(board->web);
    arm(board, live_runs(&board->live) ? RUNNING_MS : RESTING_MS);
}

static void arm(struct board *board, int64_t ms)
{
    uv_timer_start(&board->tick, on_tick, (uint64_t)ms, 0);
}

void board_changed(struct board *board)
{
    int64_t since_ms = (clock_world_now().mono_us - board->pushed_us) / 1000;

    if (web_streams(board->web) == 0 || board->dirty)
        return;
    board->dirty = true;
    arm(board, since_ms >= FRAME_MS ? 0 : FRAME_MS - since_ms);
}

/* ---- the bench ---- */

static void plan_came(struct board *board, void *context, json_t *reply, const struct why *why)
{
    (void)context;
    (void)why;
    board->plan_asked = false;
    live_plan(&board->live, json_object_get(reply, "plan"));
    board_changed(board);
}

static void ask_plan(struct board *board)
{
    if (!board->plan_due || board->plan_asked || board->stopping)
        return;
    board->plan_due = false;
    if (board->live.view.plan_of == 0)
        live_plan(&board->live, NULL);
    else
        board->plan_asked = board_ask(board, json_pack("{s:s,s:s}", "do", "plan", "plan", "show"), plan_came, NULL);
}

static void take_event(struct board *board, int event, struct message *message)
{
    int64_t now_us = clock_world_now().mono_us;

    switch (event) {
    case CLIENT_MESSAGE:
        live_message(&board->live, message, now_us);
        board->plan_due = board->plan_due || message->kind == MESSAGE_STATE;
        if (message->kind == MESSAGE_STATE)
            recall_look(board, message->common.seq);
        message_free(message);
        break;
    case CLIENT_FOUND:
        view_found(&board->live.view, now_us);
        board->recall_due = true;
        break;
    case CLIENT_GONE:
        view_gone(&board->live.view, now_us);
        break;
    default:
        return;
    }
    board_changed(board);
}

/* One loop in the other: libuv's has one descriptor, which the connection to the bench watches beside its own. */
static int run(struct board *board)
{
    while (!board->stopping) {
        struct message message;
        struct why why;
        int event;

        uv_run(&board->loop, UV_RUN_NOWAIT);
        ask_plan(board);
        if (board->stopping)
            break;
        event =
            client_next(board->client, uv_backend_fd(&board->loop), uv_backend_timeout(&board->loop), &message, &why);
        if (event < 0 && event != -EINTR) {
            program_message("%s", why.text);
            return event;
        }
        take_event(board, event, &message);
    }
    return 0;
}

/* ---- start and end ---- */

static void on_stop(uv_signal_t *handle, int number)
{
    struct board *board = handle->data;

    (void)number;
    board->stopping = true;
}

static void print_code(const char *address, enum role role, const char *code)
{
    printf("To pair a device as %s, open %s/pair on it and type %.3s %.3s (within two minutes).\n", role_name(role),
           address, code, code + 3);
}

static int greet(struct board *board, struct why *why)
{
    struct device devices[ACCESS_DEVICES];
    int count = access_list(board->access, devices, why);
    char code[ACCESS_CODE_SIZE];

    if (count < 0)
        return count;
    printf("The board is at %s/\n", web_address(board->web));
    if (*board->print)
        printf("Its certificate has the SHA-256 fingerprint %s\n", board->print);
    if (count == 0) {
        int error = access_new_code(board->access, ROLE_HANDS, clock_world_now().time_us, code, why);

        if (error < 0)
            return error;
        print_code(web_address(board->web), ROLE_HANDS, code);
    }
    return 0;
}

static void close_walked(uv_handle_t *handle, void *context)
{
    (void)context;
    if (!uv_is_closing(handle))
        uv_close(handle, NULL);
}

static void board_end(struct board *board)
{
    while (board->asks > 0 || board->jobs > 0) /* a worker ends by its own deadline */
        uv_run(&board->loop, UV_RUN_ONCE);
    web_close(board->web);
    uv_walk(&board->loop, close_walked, NULL);
    while (uv_run(&board->loop, UV_RUN_DEFAULT) != 0)
        ;
    uv_loop_close(&board->loop);
    client_close(board->client);
    access_close(board->access);
    text_free(&board->last);
}

/* On this machine alone nobody listens between browser and board; anywhere else TLS is spoken or nothing. */
static int open_web(struct board *board, const struct options *options, struct why *why)
{
    struct web_options web = {
        .listen = options->listen, .host = options->host, .handle = board_answer, .context = board
    };
    struct certificate certificate = { .pem = NULL };
    char made[BOARD_PLACE_SIZE + 16];
    int error = 0;

    snprintf(made, sizeof made, "%s/board.pem", board->folder);
    if (options->certificate || !certificate_local(options->listen))
        error = certificate_open(&certificate, options->certificate ? options->certificate : made,
                                 !options->certificate, options->listen, why);
    if (error)
        return error;
    web.certificate = certificate.pem;
    strcpy(board->print, certificate.print);
    error = web_open(&board->web, &board->loop, &web, why);
    certificate_free(&certificate);
    return error;
}

static int board_begin(struct board *board, const struct options *options, struct why *why)
{
    static const int signals[] = { SIGTERM, SIGINT, SIGHUP };
    struct client_options bench = {
        .bus = board->bus, .control = board->control, .key = board->key, .subscribe = true
    };
    int error;

    live_begin(&board->live);
    board->live.view.chosen = board->units;
    uv_timer_init(&board->loop, &board->tick);
    board->tick.data = board;
    for (int i = 0; i < 3; i++) {
        uv_signal_init(&board->loop, &board->stop[i]);
        board->stop[i].data = board;
        uv_signal_start(&board->stop[i], on_stop, signals[i]);
    }
    error = client_open(&board->client, &bench, why);
    if (error == 0)
        error = access_open(&board->access, board->folder, why);
    if (error == 0)
        error = open_web(board, options, why);
    return error ? error : greet(board, why);
}

static void find_places(struct board *board, const struct options *options)
{
    char data[PLACE_FOLDER_SIZE];

    place_bus(options->bus, board->bus, sizeof board->bus);
    place_control(options->control, board->control, sizeof board->control);
    board->key = place_key(options->key);
    place_store(options->store, board->store, sizeof board->store);
    snprintf(board->folder, sizeof board->folder, "%s/board", place_own_data(data, sizeof data));
}

static int serve(struct board *board, const struct options *options)
{
    struct why why;
    int error;

    setvbuf(stdout, NULL, _IOLBF, 0);
    json_object_seed(0); /* before any worker makes an object */
    if (uv_loop_init(&board->loop) < 0) {
        program_message("no loop: out of memory or descriptors");
        return EXIT_FAILED;
    }
    error = board_begin(board, options, &why);
    if (error < 0)
        program_message("%s", why.text);
    else
        error = run(board);
    board_end(board);
    return error < 0 ? EXIT_FAILED : EXIT_DONE;
}

/* ---- devices ---- */

static int show_code(struct access *access, const struct options *options)
{
    enum role role = role_find(options->role ? options->role : "hands");
    char code[ACCESS_CODE_SIZE];
    struct why why;

    if (role != ROLE_LOOK && role != ROLE_HANDS) {
        program_message("--role %s: look or hands; a taster is paired by the session's page", options->role);
        return EXIT_USAGE;
    }
    if (access_new_code(access, role, clock_world_now().time_us, code, &why) < 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    printf("To pair a device as %s, open /pair of the board on it and type %.3s %.3s (within two minutes).\n",
           role_name(role), code, code + 3);
    return EXIT_DONE;
}

static int list_devices(struct access *access)
{
    struct device devices[ACCESS_DEVICES];
    struct why why;
    int count = access_list(access, devices, &why);

    if (count < 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    for (int i = 0; i < count; i++) {
        char when[32];

        printf("%lld  %-6s  paired %s  %s%s%s\n", devices[i].id, role_name(devices[i].role),
               clock_format_utc(devices[i].paired_us, when), devices[i].name, *devices[i].taster ? " of " : "",
               devices[i].taster);
    }
    return EXIT_DONE;
}

static int revoke_device(struct access *access, const char *text)
{
    char *end;
    long long id = text ? strtoll(text, &end, 10) : 0;
    struct why why;

    if (!text || end == text || *end) {
        program_message("devices revoke: the number of a device, as poise-board devices lists them");
        return EXIT_USAGE;
    }
    if (access_revoke(access, id, &why) < 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    printf("Device %lld is not paired any more.\n", id);
    return EXIT_DONE;
}

static int command(struct board *board, const struct options *options, int count, char **words)
{
    struct access *access;
    struct why why;
    int status;

    if (access_open(&access, board->folder, &why) < 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    if (strcmp(words[0], "pair") == 0 && count == 1)
        status = show_code(access, options);
    else if (strcmp(words[0], "devices") == 0 && count == 1)
        status = list_devices(access);
    else if (strcmp(words[0], "devices") == 0 && count >= 2 && strcmp(words[1], "revoke") == 0)
        status = revoke_device(access, count == 3 ? words[2] : NULL);
    else {
        program_message("%s: not a command: pair, devices, devices revoke NUMBER, or none to serve", words[0]);
        status = EXIT_USAGE;
    }
    access_close(access);
    return status;
}

static void usage(FILE *out)
{
    fputs("Usage: poise-board [OPTIONS]\n"
          "       poise-board pair [--role look|hands]\n"
          "       poise-board devices [revoke NUMBER]\n"
          "Shows a brewing bench on tablets and phones: serves its pages on this machine.\n"
          "\n"
          "Commands:\n"
          "  pair                    show a code for the next device\n"
          "  devices                 list the paired devices, or revoke one\n"
          "\n"
          "  -l, --listen ADDRESS:PORT  where to serve (default: 127.0.0.1:8470, this machine alone)\n"
          "  -H, --host NAME         a name by which browsers may call this machine\n"
          "  -C, --certificate FILE  certificate and key in one PEM file (default: one is made, where it is needed)\n"
          "  -r, --role ROLE         of the next device: look, or hands (default: hands)\n"
          "  -s, --store FILE        where the brews are (default: POISE_STORE, or the usual file)\n"
          "  -b, --bus ADDRESS       where the bench publishes (default: POISE_BUS, or the usual sockets)\n"
          "  -c, --control ADDRESS   where it answers (default: POISE_CONTROL, or the usual sockets)\n"
          "  -k, --key FILE          this client's key, for a bench on a network (default: POISE_KEY)\n"
          "  -h, --help              this text\n"
          "  -V, --version           which Poise this is\n"
          "\n"
          "Hot water scalds and glass breaks under a press: poise-board(1) has the cautions.\n",
          out);
}

int main(int argc, char **argv)
{
    static const struct option long_options[] = { { "listen", required_argument, NULL, 'l' },
                                                  { "host", required_argument, NULL, 'H' },
                                                  { "certificate", required_argument, NULL, 'C' },
                                                  { "role", required_argument, NULL, 'r' },
                                                  { "store", required_argument, NULL, 's' },
                                                  { "bus", required_argument, NULL, 'b' },
                                                  { "control", required_argument, NULL, 'c' },
                                                  { "key", required_argument, NULL, 'k' },
                                                  { "help", no_argument, NULL, 'h' },
                                                  { "version", no_argument, NULL, 'V' },
                                                  { NULL, 0, NULL, 0 } };
    static struct board board;
    struct options options = { .listen = default_listen };
    struct why why;
    int option;

    setlocale(LC_ALL, "");
    setlocale(LC_NUMERIC, "C"); /* what is typed and sent has a decimal point */
    program_begin(argv[0]);
    gsl_set_error_handler_off(); /* its default is abort(), also where memory is short */
    while ((option = getopt_long(argc, argv, "l:H:C:r:s:b:c:k:hV", long_options, NULL)) != -1)
        switch (option) {
        case 'l':
            options.listen = optarg;
            break;
        case 'H':
            options.host = optarg;
            break;
        case 'C':
            options.certificate = optarg;
            break;
        case 'r':
            options.role = optarg;
            break;
        case 's':
            options.store = optarg;
            break;
        case 'b':
            options.bus = optarg;
            break;
        case 'c':
            options.control = optarg;
            break;
        case 'k':
            options.key = optarg;
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
    if (shown_units_choose(NULL, NULL, &board.units, &why) < 0) {
        program_message("%s", why.text);
        return EXIT_USAGE;
    }
    find_places(&board, &options);
    if (optind < argc)
        return command(&board, &options, argc - optind, argv + optind);
    return serve(&board, &options);
}
