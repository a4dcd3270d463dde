/* poised: options, signals, and the life of the daemon; see poised.8.  It decides nothing about readings. */
#include <errno.h>
#include <getopt.h>
#include <gsl/gsl_errno.h>
#include <malloc.h>
#include <math.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/timerfd.h>
#include <unistd.h>

#include "bench/bench.h"
#include "instruments/instrument.h"
#include "instruments/plugged.h"
#include "notify.h"
#include "poise/program.h"
#include "tools/probe.h"
#include "tools/replay.h"
#include "tools/rescue.h"
#include "instruments/scales.h"

static const char default_config[] = "/etc/poise/poised.conf";

enum {
    STEP_LEAST_US = 50000, /* a clock that is steered moves by less between two looks; a set one by more */
    SLEPT_LEAST_US =
        500000, /* shorter than any sleep, longer than two looks at two clocks lie apart on a busy machine */
    RATE_MOST = 1000,

    LARGE_BYTES = 1024 * 1024, /* what is larger goes back to the system at once when it is freed: answers, bursts of
                                * readings, pictures of many stations; else the first would raise the line */

    PROBE_S = 3, /* an instrument of 2 readings a second sends six meanwhile */
    PROBE_MOST_S = 600
};

struct daemon {
    uv_loop_t loop;
    const char *path;      /* of the configuration; NULL: none */
    struct config *config; /* bench and instruments point into it */
    struct clock clock;
    struct bench *bench;
    struct instruments *instruments;
    struct scales scales; /* taken by themselves, as long as the configuration has no instrument */
    uv_signal_t interrupt, terminate, hangup;
    uv_timer_t watchdog;
    uv_poll_t clock_set;
    bool failed;       /* stopping because it cannot go on */
    int clock_fd;      /* becomes readable when the wall clock is set; -1: not available */
    int64_t offset_us; /* wall clock minus monotonic clock, when last looked at */
    int64_t slept_us;  /* in all, when last looked at */
};

static void usage(FILE *out)
{
    fprintf(out,
            "Usage: poised [OPTION]...\n"
            "Reads the instruments of a brewing bench and publishes what they show and what it means.\n\n"
            "  -c, --config FILE     configuration (default %s)\n"
            "      --check-config    report what is wrong with the configuration, and on which line\n"
            "      --drivers         list the drivers\n"
            "      --probe [PORT]... listen to serial ports, and print the sections to paste\n"
            "      --seconds S       with --probe: listen for S seconds at each setting (default 3)\n"
            "      --plugged         list, as JSON, what is plugged in but has no section\n"
            "      --ask             with --probe: also send, as Modbus asks; else no byte is sent\n"
            "      --json            with --probe: one JSON object per port; with --replay: every event;\n"
            "                        with --check-config: what was read\n"
            "      --replay FILE     report what today's tracker makes of a trace of poise-ctl watch --json\n"
            "                        (-: standard input), or of a journal\n"
            "      --brew NAME, --from TIME, --to TIME\n"
            "                        with --replay: only that brew, or only what was published between\n"
            "      --trace           with --replay: print what would be fed instead, without names and notes\n"
            "      --names           with --trace: with them\n"
            "      --rescue FILE NEW-FILE\n"
            "                        put what is whole of a damaged journal into a new one\n"
            "      --clock-rate N    let the bench's clock run N times as fast (1 to %d), for demonstrations\n"
            "      --help            show this help\n"
            "      --version         show the version\n",
            default_config, RATE_MOST);
}

static void list_drivers(void)
{
    for (const struct driver *const *driver = drivers; *driver; driver++)
        printf("%-14s %s\n", (*driver)->name, (*driver)->summary);
}

/* --- the wall clock ----------------------------------------------------------------------------------- */

static int64_t wall_offset_us(const struct clock *clock)
{
    struct moment now = clock_now(clock);

    return now.time_us - now.mono_us;
}

/* An alarm that never comes is cancelled when somebody sets the clock. */
static int arm_clock_alarm(int fd)
{
    struct itimerspec never = { .it_value.tv_sec = (time_t)1 << 40 };

    return timerfd_settime(fd, TFD_TIMER_ABSTIME | TFD_TIMER_CANCEL_ON_SET, &never, NULL);
}

/* The clock of all durations counts sleep, the loop's timers do not: after a sleep they would come that much late. */
static void look_for_sleep(struct daemon *daemon)
{
    int64_t slept_us = clock_slept_us(), more_us = slept_us - daemon->slept_us;

    daemon->slept_us = slept_us;
    if (more_us < SLEPT_LEAST_US)
        return;
    program_message("the computer slept for %.0f s", (double)more_us / 1e6);
    more_us = (int64_t)((double)more_us * daemon->clock.rate);
    instruments_slept(daemon->instruments, more_us);
    bench_slept(daemon->bench, more_us);
}

static void look_for_step(struct daemon *daemon)
{
    int64_t offset_us = wall_offset_us(&daemon->clock), step_us = offset_us - daemon->offset_us;

    if (daemon->clock.rate != 1 || llabs(step_us) < STEP_LEAST_US) /* a fast clock follows no wall clock */
        return;
    daemon->offset_us = offset_us;
    program_message("the clock was set by %+.3f s; durations are not touched by that", (double)step_us / 1e6);
    bench_clock_stepped(daemon->bench, step_us);
}

/* The kernel cancels the alarm when the clock is set, and when the computer wakes from sleep. */
static void on_clock_set(uv_poll_t *poll, int status, int events)
{
    struct daemon *daemon = poll->data;
    uint64_t expirations;
    ssize_t got = read(daemon->clock_fd, &expirations, sizeof expirations);

    (void)status;
    (void)events;
    if (got < 0 && errno == EAGAIN)
        return;
    arm_clock_alarm(daemon->clock_fd);
    look_for_sleep(daemon);
    look_for_step(daemon);
}

static void watch_clock(struct daemon *daemon)
{
    daemon->clock_fd = -1;
    int fd = timerfd_create(CLOCK_REALTIME, TFD_NONBLOCK | TFD_CLOEXEC);
    if (fd < 0)
        return;
    if (arm_clock_alarm(fd) < 0 || uv_poll_init(&daemon->loop, &daemon->clock_set, fd) < 0) {
        close(fd);
        return;
    }
    daemon->clock_fd = fd;
    daemon->clock_set.data = daemon;
    daemon->offset_us = wall_offset_us(&daemon->clock);
    daemon->slept_us = clock_slept_us();
    uv_poll_start(&daemon->clock_set, UV_READABLE, on_clock_set);
}

/* --- service manager and signals ------------------------------------------------------------------------ */

static void on_watchdog(uv_timer_t *timer)
{
    (void)timer;
    notify_send("WATCHDOG=1");
}

static void start_watchdog(struct daemon *daemon)
{
    uint64_t every_ms = notify_watchdog_us() / 1000 / 2;

    uv_timer_init(&daemon->loop, &daemon->watchdog);
    if (every_ms > 0)
        uv_timer_start(&daemon->watchdog, on_watchdog, every_ms, every_ms);
}

static void on_stop(uv_signal_t *handle, int number)
{
    (void)number;
    uv_stop(handle->loop);
}

/* What cannot change while clients are connected. */
static const char *fixed_difference(const struct config *old, const struct config *new)
{
    if (strcmp(old->bench, new->bench) != 0)
        return "the bench's name";
    if (strcmp(old->bus, new->bus) != 0)
        return "bus";
    if (strcmp(old->control, new->control) != 0)
        return "control";
    if (strcmp(old->secret, new->secret) != 0)
        return "the bench's own key";
    return strcmp(old->journal, new->journal) != 0 ? "journal" : NULL;
}

static void drop_config(struct config *config)
{
    config_free(config);
    free(config);
}

/* The file (FORCED NULL), or the configuration in force; with the scales that have been found where there is no
 * instrument. */
static int make_config(struct daemon *daemon, const struct config *forced, struct config **out, struct why *why)
{
    struct config *config = malloc(sizeof *config);
    int error;

    if (!config)
        return why_set(why, -ENOMEM, "no memory for the configuration");
    error = forced ? config_copy_bare(config, forced, why) : config_read(config, daemon->path, NULL, why);
    if (error < 0) {
        free(config);
        return error;
    }
    if (config->site) {
        drop_config(config);
        return why_set(why, -EINVAL, "%s: is the configuration of a site: start poise-site with it", daemon->path);
    }
    if (config->instrument_count == 0)
        error = scales_add(&daemon->scales, config, why);
    if (error < 0)
        drop_config(config);
    else
        *out = config;
    return error;
}

static void attach(struct daemon *daemon)
{
    struct instrument_sink sink = { daemon->bench, bench_reading, bench_instrument, bench_hold, bench_release };

    instruments_attach(daemon->instruments, &sink);
}

/* Takes it over, or leaves all as it is. */
static int change_config(struct daemon *daemon, struct config *config, struct why *why)
{
    const char *fixed;
    int error;

    fixed = fixed_difference(daemon->config, config);
    error = fixed ? why_set(why, -EINVAL, "%s has changed, which needs a restart", fixed)
                  : instruments_reconfigure(daemon->instruments, config, why);
    if (error < 0) {
        drop_config(config);
        return error;
    }
    error = bench_reconfigure(daemon->bench, config, why);
    if (error < 0) { /* out of memory halfway: the journal is whole, so a fresh start finds everything */
        daemon->failed = true;
        uv_stop(&daemon->loop);
        return error;
    }
    attach(daemon);
    drop_config(daemon->config);
    daemon->config = config;
    return 0;
}

static int reload(struct daemon *daemon, struct why *why)
{
    struct config *config;
    int error = make_config(daemon, NULL, &config, why);

    return error < 0 ? error : change_config(daemon, config, why);
}

/* A USB scale that says what it is needs no section, as long as there is none at all: none with a line. */
static bool takes_scales(const struct daemon *daemon)
{
    return daemon->config->instrument_count == 0 || daemon->config->instruments[0].line == 0;
}

static void on_usb_seen(void *context, const struct usb_found *list, int count)
{
    struct daemon *daemon = context;
    struct config *config;
    struct why why;

    if (!takes_scales(daemon) || !scales_note(&daemon->scales, list, count))
        return;
    /* the file may be half edited just now: only its owner says when it is to be read */
    if (make_config(daemon, daemon->config, &config, &why) < 0 || change_config(daemon, config, &why) < 0)
        program_message("a new scale is not taken: %s", why.text);
}

static void watch_scales(struct daemon *daemon)
{
    struct why why;

    if (takes_scales(daemon) && instruments_watch_usb(daemon->instruments, on_usb_seen, daemon, &why) < 0)
        program_message("no USB scale is taken by itself: %s", why.text);
}

static void on_hangup(uv_signal_t *handle, int number)
{
    struct daemon *daemon = handle->data;
    struct why why;
    char state[64];

    (void)number;
    snprintf(state, sizeof state, "RELOADING=1\nMONOTONIC_USEC=%llu", (unsigned long long)uv_hrtime() / 1000);
    notify_send(state);
    if (reload(daemon, &why) == 0)
        program_message("the configuration was read again: %d instrument%s", daemon->config->instrument_count,
                        daemon->config->instrument_count == 1 ? "" : "s");
    else if (daemon->failed)
        program_message("stopping: %s", why.text);
    else
        program_message("the old configuration stays: %s", why.text);
    notify_send("READY=1");
    if (!daemon->failed)
        watch_scales(daemon);
}

static void catch_signal(struct daemon *daemon, uv_signal_t *handle, uv_signal_cb callback, int number)
{
    uv_signal_init(&daemon->loop, handle);
    handle->data = daemon;
    uv_signal_start(handle, callback, number);
}

/* --- life ----------------------------------------------------------------------------------------------- */

/* A port each, and a few sockets. */
static void allow_many_files(void)
{
    struct rlimit limit;

    if (getrlimit(RLIMIT_NOFILE, &limit) == 0 && limit.rlim_cur < limit.rlim_max) {
        limit.rlim_cur = limit.rlim_max;
        setrlimit(RLIMIT_NOFILE, &limit);
    }
}

static int start(struct daemon *daemon, struct why *why)
{
    struct bench_hands hands = { .order = instruments_order, .describe = instruments_describe };
    int error;

    catch_signal(daemon, &daemon->interrupt, on_stop, SIGINT);
    catch_signal(daemon, &daemon->terminate, on_stop, SIGTERM);
    catch_signal(daemon, &daemon->hangup, on_hangup, SIGHUP);
    start_watchdog(daemon);
    watch_clock(daemon);
    error = instruments_open(&daemon->instruments, &daemon->loop, daemon->config, &daemon->clock, why);
    if (error < 0)
        return error;
    hands.context = daemon->instruments;
    error = bench_open(&daemon->bench, &daemon->loop, daemon->config, &daemon->clock, &hands, why);
    if (error < 0)
        return error;
    attach(daemon);
    watch_scales(daemon);
    return 0;
}

static void stop(struct daemon *daemon)
{
    notify_send("STOPPING=1");
    if (daemon->instruments)
        instruments_close(daemon->instruments);
    if (daemon->bench)
        bench_close(daemon->bench);
    uv_close((uv_handle_t *)&daemon->interrupt, NULL);
    uv_close((uv_handle_t *)&daemon->terminate, NULL);
    uv_close((uv_handle_t *)&daemon->hangup, NULL);
    uv_close((uv_handle_t *)&daemon->watchdog, NULL);
    if (daemon->clock_fd >= 0) {
        uv_close((uv_handle_t *)&daemon->clock_set, NULL);
        close(daemon->clock_fd);
    }
    uv_run(&daemon->loop, UV_RUN_DEFAULT);
    uv_loop_close(&daemon->loop);
}

static int run(const char *path, double rate)
{
    static struct daemon daemon;
    struct why why;
    int error;

    daemon.path = path;
    if ((error = make_config(&daemon, NULL, &daemon.config, &why)) < 0) {
        program_message("%s", why.text);
        return error == -ENOMEM ? EXIT_FAILED : EXIT_USAGE; /* it would fail alike if it were started again */
    }
    allow_many_files();
    mallopt(M_MMAP_THRESHOLD, LARGE_BYTES);
    signal(SIGPIPE, SIG_IGN);
    signal(SIGXFSZ, SIG_IGN); /* a file that may not grow is reported like a full disk, and is none to die of */
    clock_start(&daemon.clock, rate);
    error = uv_loop_init(&daemon.loop);
    if (error < 0) {
        program_message("no event loop: %s", uv_strerror(error));
        drop_config(daemon.config);
        return EXIT_FAILED;
    }
    error = start(&daemon, &why);
    if (error < 0) {
        program_message("%s", why.text);
    } else {
        program_message("bench %s is ready on %s", daemon.config->bench, daemon.config->bus);
        notify_send("READY=1");
        uv_run(&daemon.loop, UV_RUN_DEFAULT);
    }
    stop(&daemon);
    drop_config(daemon.config);
    return error < 0 || daemon.failed ? EXIT_FAILED : EXIT_DONE;
}

/* JSON on one line; it is freed. */
static int print_text(struct text *text)
{
    bool failed = text->failed;

    if (failed)
        program_message("out of memory");
    else if (text->length > 0)
        printf("%.*s\n", (int)text->length, text->data);
    text_free(text);
    return failed ? EXIT_FAILED : EXIT_DONE;
}

static int check(const char *path, bool json)
{
    struct config config;
    struct text text = { 0 };
    struct why why;
    int error;

    if (!path) {
        program_message("there is no configuration to check; name one with --config FILE");
        return EXIT_FAILED;
    }
    error = config_read(&config, path, stderr, &why);
    if (error < 0) {
        if (error != -EINVAL) /* mistakes have been named already */
            program_message("%s", why.text);
        return EXIT_FAILED;
    }
    if (json)
        config_write_json(&config, path, &text);
    else if (config.site)
        printf("%s: good: a site of %d bench%s\n", path, config.follow_count, config.follow_count == 1 ? "" : "es");
    else
        printf("%s: good: bench %s, %d station%s, %d instrument%s\n", path, config.bench, config.station_count,
               config.station_count == 1 ? "" : "s", config.instrument_count, config.instrument_count == 1 ? "" : "s");
    config_free(&config);
    return print_text(&text);
}

static bool read_rate(const char *text, double *out)
{
    char *end;
    double rate = strtod(text, &end);

    if (end == text || *end != '\0' || !(rate >= 1 && rate <= RATE_MOST))
        return false;
    *out = rate;
    return true;
}

/* --- the command line ----------------------------------------------------------------------------------- */

enum {
    OPTION_DRIVERS = 256,
    OPTION_RATE,
    OPTION_SECONDS,
    OPTION_REPLAY,
    OPTION_RESCUE,
    OPTION_BREW,
    OPTION_FROM,
    OPTION_TO,
    OPTION_HELP,
    OPTION_VERSION
};

/* What it says; 1: so it was said. */
static struct {
    int check, probe, plugged, ask, json, trace, names;
    const char *path, *seconds, *replay, *rescue, *brew, *from, *to;
    double rate;
} given = { .rate = 1 };

static const struct option options[] = {
    { "config", required_argument, NULL, 'c' },
    { "check-config", no_argument, &given.check, 1 },
    { "drivers", no_argument, NULL, OPTION_DRIVERS },
    { "clock-rate", required_argument, NULL, OPTION_RATE },
    { "probe", no_argument, &given.probe, 1 },
    { "plugged", no_argument, &given.plugged, 1 },
    { "seconds", required_argument, NULL, OPTION_SECONDS },
    { "ask", no_argument, &given.ask, 1 },
    { "json", no_argument, &given.json, 1 },
    { "replay", required_argument, NULL, OPTION_REPLAY },
    { "rescue", required_argument, NULL, OPTION_RESCUE },
    { "brew", required_argument, NULL, OPTION_BREW },
    { "from", required_argument, NULL, OPTION_FROM },
    { "to", required_argument, NULL, OPTION_TO },
    { "trace", no_argument, &given.trace, 1 },
    { "names", no_argument, &given.names, 1 },
    { "help", no_argument, NULL, OPTION_HELP },
    { "version", no_argument, NULL, OPTION_VERSION },
    { NULL, 0, NULL, 0 },
};

/* -1: read them all; else that exit status, and there is nothing more to do. */
static int read_options(int argc, char **argv)
{
    int option;

    while ((option = getopt_long(argc, argv, "c:", options, NULL)) != -1)
        switch (option) {
        case 0:
            break; /* a flag, which getopt has set */
        case 'c':
            given.path = optarg;
            break;
        case OPTION_DRIVERS:
            list_drivers();
            return program_end(EXIT_DONE);
        case OPTION_RATE:
            if (!read_rate(optarg, &given.rate)) {
                program_message("--clock-rate %s: a number from 1 to %d", optarg, RATE_MOST);
                return EXIT_USAGE;
            }
            break;
        case OPTION_SECONDS:
            given.seconds = optarg;
            break;
        case OPTION_REPLAY:
            given.replay = optarg;
            break;
        case OPTION_RESCUE:
            given.rescue = optarg;
            break;
        case OPTION_BREW:
            given.brew = optarg;
            break;
        case OPTION_FROM:
            given.from = optarg;
            break;
        case OPTION_TO:
            given.to = optarg;
            break;
        case OPTION_HELP:
            usage(stdout);
            return EXIT_DONE;
        case OPTION_VERSION:
            program_version();
            return EXIT_DONE;
        default:
            usage(stderr);
            return EXIT_USAGE;
        }
    return -1;
}

/* For who sets a bench up; a file with mistakes names nothing. */
static int list_plugged(const char *path)
{
    struct config config;
    struct text text = { 0 };
    struct why why;

    if (config_read(&config, path, stderr, &why) < 0 && config_read(&config, NULL, NULL, &why) < 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    plugged_write(&config, &text);
    config_free(&config);
    return print_text(&text);
}

/* Ports are words on the command line. */
static int probe(char **ports, int count)
{
    struct probe_options probing = {
        .ask = given.ask, .json = given.json, .ports = ports, .port_count = count, .config_path = given.path
    };
    char *end;

    probing.seconds = given.seconds ? strtod(given.seconds, &end) : PROBE_S;
    if (given.seconds && (end == given.seconds || *end || !(probing.seconds > 0 && probing.seconds <= PROBE_MOST_S))) {
        program_message("--seconds %s: a number above 0, up to %d", given.seconds, PROBE_MOST_S);
        return EXIT_USAGE;
    }
    return probe_run(&probing);
}

int main(int argc, char **argv)
{
    int status;

    program_begin(argv[0]);
    gsl_set_error_handler_off(); /* its default is abort(), also where memory is short */
    if ((status = read_options(argc, argv)) >= 0)
        return status;
    if (!given.path && !given.replay && access(default_config, F_OK) == 0)
        given.path = default_config;
    if (given.plugged)
        return list_plugged(given.path);
    if (given.probe)
        return probe(argv + optind, argc - optind);
    if (given.seconds || given.ask || (given.json && !given.replay && !given.check && !given.rescue)) {
        program_message("--seconds and --ask go with --probe, --json with it, --check-config, --replay or --rescue");
        return EXIT_USAGE;
    }
    if (!given.replay && (given.brew || given.from || given.to || given.trace || given.names)) {
        program_message("--brew, --from, --to, --trace and --names go with --replay");
        return EXIT_USAGE;
    }
    if (given.rescue && argc - optind != 1) {
        program_message("--rescue FILE: name one new file behind it");
        return EXIT_USAGE;
    }
    if (given.rescue)
        return rescue_run(given.rescue, argv[optind], given.json);
    if (optind < argc) {
        program_message("%s: no such argument; see poised --help", argv[optind]);
        return EXIT_USAGE;
    }
    if (given.replay)
        return replay_run(&(struct replay_options){ .path = given.replay,
                                                    .config_path = given.path,
                                                    .brew = given.brew,
                                                    .from = given.from,
                                                    .to = given.to,
                                                    .json = given.json,
                                                    .trace = given.trace,
                                                    .names = given.names });
    return given.check ? check(given.path, given.json) : run(given.path, given.rate);
}
