/* poise-virtual: a bench made of software.  It plays scales and refractometers on pseudo-terminals from the
 * physical model (model.h) and prints the truth, so that a bench can be tried, shown and tested without
 * hardware.  It knows nothing of poised. */
#include <errno.h>
#include <getopt.h>
#include <jansson.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include <gsl/gsl_randist.h>

#include "bench.h"
#include "poise/program.h"
#include "port.h"

enum { SAMPLES = 64 };

/* One scale being played.  The first of a station owns the model. */
struct player {
    const struct bench_scale *scale;
    struct model_scale instrument;
    struct port port;
    struct player *owner; /* whose model this scale stands in: itself, or the scale it is second of */
    struct model model;   /* the owner's only */
    int reported_action;  /* actions and brews already printed */
    int reported_brews;
    char orders[BENCH_ORDER]; /* the last bytes received */
    int order_length;
    bool tare_ordered;
};

struct sample {
    double at_s, strength_pct;
};

struct stage_play {
    struct virtual_bench bench;
    struct player player[BENCH_SCALES];
    struct port refractometer[BENCH_REFRACTOMETERS];
    struct sample sample[BENCH_REFRACTOMETERS][SAMPLES];
    int sample_count[BENCH_REFRACTOMETERS];
    gsl_rng *random;
    const char *folder;
    double rate;
    bool wait, stay, heard;
    int64_t began_us;      /* CLOCK_BOOTTIME */
    double now_s, began_s; /* the scripts began: every port is heard */
};

static struct stage_play play;
static volatile sig_atomic_t stopped;

static void stop(int signal_number)
{
    (void)signal_number;
    stopped = 1;
}

static int64_t boottime_us(void)
{
    struct timespec now;

    clock_gettime(CLOCK_BOOTTIME, &now);
    return now.tv_sec * INT64_C(1000000) + now.tv_nsec / 1000;
}

static int64_t real_us(double at_s)
{
    return play.began_us + (int64_t)(at_s / play.rate * 1e6);
}

/* One line on standard output; `object` is consumed. */
static void report(json_t *object)
{
    char *text = object ? json_dumps(object, JSON_COMPACT | JSON_REAL_PRECISION(9)) : NULL;

    if (text)
        puts(text);
    fflush(stdout);
    free(text);
    json_decref(object);
}

static json_t *number_or_null(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static void report_port(const char *instrument, const struct port *port, const char *change)
{
    report(json_pack("{s:s,s:s,s:s,s:s}", "truth", "port", "instrument", instrument, "change", change, "port",
                     port->link));
}

static void report_action(const struct player *player, int index)
{
    char line[400];

    model_script_line(player->model.script, index, line, sizeof line);
    report(json_pack("{s:s,s:s,s:i,s:s,s:f,s:I}", "truth", "does", "scale", player->scale->name, "brew",
                     player->model.truth.brew_count, "does", line, "at_s", player->model.now_s, "real_us",
                     (json_int_t)real_us(player->model.now_s)));
}

static void report_brew(const struct player *player, int brew)
{
    static const char *const measures[] = {
        "dose_g",           "water_g",
        "beverage_g",       "steep_s",
        "bloom_s",          "settle_s",
        "press_s",          "press_peak_kpa",
        "press_mean_kpa",   "drip_g",
        "slurry_c",         "strength_pct",
        "extraction_pct",   "extraction_total_pct",
        "retained_g_per_g",
    };
    const struct model_truth *truth = &player->model.truth;
    const struct model_brew_truth *one = &truth->brew[brew];
    json_t *object = json_pack("{s:s,s:s,s:i}", "truth", "brew", "scale", player->scale->name, "brew", brew + 1);
    json_t *stages = json_array();

    for (size_t i = 0; i < sizeof measures / sizeof *measures; i++)
        json_object_set_new(object, measures[i], number_or_null(model_measure(one, measures[i])));
    for (int i = 0; i < truth->mark_count; i++)
        if (truth->mark[i].brew == brew)
            json_array_append_new(stages,
                                  json_pack("{s:s,s:f,s:I}", "stage", model_stage_name(truth->mark[i].stage), "at_s",
                                            truth->mark[i].at_s, "real_us", (json_int_t)real_us(truth->mark[i].at_s)));
    json_object_set_new(object, "stages", stages);
    json_object_set_new(object, "cup_seen_empty", json_boolean(one->cup_seen_empty));
    json_object_set_new(object, "dose_seen", json_boolean(one->dose_seen));
    json_object_set_new(object, "press_seen", json_boolean(one->press_seen));
    json_object_set_new(object, "weighed", json_boolean(one->weighed));
    json_object_set_new(object, "abandoned", json_boolean(one->abandoned));
    report(object);
}

/* The cup's sample goes to every refractometer, behind those that wait already. */
static void take_sample(double strength_pct)
{
    for (int i = 0; i < play.bench.refractometer_count; i++) {
        const struct bench_refractometer *refractometer = &play.bench.refractometer[i];
        double at_s = play.now_s + refractometer->cool_s;

        if (play.sample_count[i] && at_s < play.sample[i][play.sample_count[i] - 1].at_s + refractometer->every_s)
            at_s = play.sample[i][play.sample_count[i] - 1].at_s + refractometer->every_s;
        for (int n = 0; n < refractometer->replicates && play.sample_count[i] < SAMPLES; n++)
            play.sample[i][play.sample_count[i]++] = (struct sample){ at_s + n * refractometer->every_s, strength_pct };
    }
}

static void read_samples(void)
{
    for (int i = 0; i < play.bench.refractometer_count; i++) {
        const struct bench_refractometer *refractometer = &play.bench.refractometer[i];

        while (play.sample_count[i] && play.sample[i][0].at_s <= play.now_s) {
            double shown = play.sample[i][0].strength_pct + gsl_ran_gaussian(play.random, refractometer->noise_pct);
            char line[64];

            if (refractometer->shows_brix)
                shown /= refractometer->strength_per_brix;
            /* A blank line before each, as instruments that print on a key feed their paper. */
            port_send(&play.refractometer[i], line, snprintf(line, sizeof line, "\r\n%.2f %%\r\n", shown));
            memmove(play.sample[i], play.sample[i] + 1, (SAMPLES - 1) * sizeof *play.sample[i]);
            play.sample_count[i]--;
        }
    }
}

static void hear_orders(struct player *player)
{
    const struct bench_scale *scale = player->scale;
    char byte;

    while (player->port.fd >= 0 && read(player->port.fd, &byte, 1) == 1) {
        if (player->order_length == BENCH_ORDER)
            memmove(player->orders, player->orders + 1, (size_t)--player->order_length);
        player->orders[player->order_length++] = byte;
        if (scale->tare_length && player->order_length >= scale->tare_length
            && memcmp(player->orders + player->order_length - scale->tare_length, scale->tare,
                      (size_t)scale->tare_length)
                   == 0) {
            player->order_length = 0;
            player->tare_ordered = true;
            report(json_pack("{s:s,s:s,s:s,s:f,s:I}", "truth", "tare", "scale", scale->name, "by", "order", "at_s",
                             play.now_s, "real_us", (json_int_t)boottime_us()));
        }
    }
}

static void plug_and_unplug(struct player *player)
{
    const struct bench_scale *scale = player->scale;
    double at_s = play.now_s - play.began_s;
    bool away = play.heard && scale->unplug_for_s > 0 && at_s >= scale->unplug_at_s
                && at_s < scale->unplug_at_s + scale->unplug_for_s;
    struct why why;

    if (away && player->port.fd >= 0) {
        port_unplug(&player->port);
        report_port(scale->name, &player->port, "unplugged");
    } else if (!away && player->port.fd < 0) {
        if (port_plug(&player->port, play.folder, scale->name, &why) < 0)
            program_message("%s", why.text);
        else
            report_port(scale->name, &player->port, "plugged");
    }
}

/* What has happened in the script since the last look. */
static void report_news(struct player *player)
{
    const struct model_truth *truth = &player->model.truth;

    while (player->reported_action <= player->model.action
           && player->reported_action < player->model.script->action_count)
        report_action(player, player->reported_action++);
    while (player->reported_brews < truth->brew_count) {
        const struct model_brew_truth *brew = &truth->brew[player->reported_brews];

        if (!brew->weighed && !brew->abandoned && !player->model.done
            && player->reported_brews == truth->brew_count - 1)
            return;
        report_brew(player, player->reported_brews++);
        if (brew->weighed && isfinite(brew->strength_pct))
            take_sample(brew->strength_pct);
    }
}

static void step(void)
{
    for (int i = 0; i < play.bench.scale_count; i++) {
        struct player *player = &play.player[i];
        int which = player->owner != player;
        struct model_indication indication;
        char line[MODEL_LINE];

        if (!which)
            model_step(&player->model, !play.heard);
        if (player->tare_ordered || player->owner->model.tare_key[which])
            model_scale_tare(&player->instrument);
        player->tare_ordered = false;
        if (model_scale_step(&player->instrument, play.now_s, player->owner->model.load_g[which], &indication))
            port_send(&player->port, line,
                      model_scale_damage(&player->instrument, line,
                                         model_scale_line(&player->instrument, &indication, line)));
        if (!which && play.heard)
            report_news(player);
    }
    read_samples();
    play.now_s += MODEL_STEP_S;
}

static bool all_heard(void)
{
    for (int i = 0; i < play.bench.scale_count; i++)
        if (!port_heard(&play.player[i].port))
            return false;
    for (int i = 0; i < play.bench.refractometer_count; i++)
        if (!port_heard(&play.refractometer[i]))
            return false;
    return true;
}

static bool all_done(void)
{
    for (int i = 0; i < play.bench.scale_count; i++)
        if (play.player[i].owner == &play.player[i] && !play.player[i].model.done)
            return false;
    for (int i = 0; i < play.bench.refractometer_count; i++)
        if (play.sample_count[i])
            return false;
    return true;
}

/* Sleeps until the next indication is due or an order arrives. */
static void sleep_until_due(void)
{
    struct pollfd watched[BENCH_SCALES];
    double next_s = play.now_s + 0.5;
    struct timespec timeout;
    int64_t left_us;
    int count = 0;

    for (int i = 0; i < play.bench.scale_count; i++) {
        next_s = fmin(next_s, play.player[i].instrument.next_s);
        if (port_heard(&play.player[i].port))
            watched[count++] = (struct pollfd){ .fd = play.player[i].port.fd, .events = POLLIN };
    }
    left_us = real_us(next_s + MODEL_STEP_S) - boottime_us();
    if (left_us < 0)
        left_us = 0;
    timeout = (struct timespec){ .tv_sec = left_us / 1000000, .tv_nsec = left_us % 1000000 * 1000 };
    ppoll(watched, (nfds_t)count, &timeout, NULL);
}

static void run(void)
{
    bool reported_end = false;

    while (!stopped && !(reported_end && !play.stay)) {
        double until_s = (double)(boottime_us() - play.began_us) / 1e6 * play.rate;

        for (int i = 0; i < play.bench.scale_count; i++) {
            plug_and_unplug(&play.player[i]);
            hear_orders(&play.player[i]);
        }
        if (!play.heard && (!play.wait || all_heard())) {
            play.heard = true;
            play.began_s = play.now_s;
            report(json_pack("{s:s,s:f,s:I}", "truth", "begin", "at_s", play.now_s, "real_us",
                             (json_int_t)real_us(play.now_s)));
        }
        while (play.now_s < until_s && !stopped)
            step();
        if (play.heard && !reported_end && all_done()) {
            report(json_pack("{s:s,s:f}", "truth", "end", "at_s", play.now_s));
            reported_end = true;
        }
        sleep_until_due();
    }
}

static int begin(struct why *why)
{
    for (int i = 0; i < play.bench.refractometer_count; i++)
        play.refractometer[i].fd = -1;
    play.random = gsl_rng_alloc(gsl_rng_mt19937);
    if (!play.random)
        return why_set(why, -ENOMEM, "no memory");
    gsl_rng_set(play.random, play.bench.seed);
    if (mkdir(play.folder, 0755) < 0 && errno != EEXIST)
        return why_set(why, -errno, "%s: %s", play.folder, strerror(errno));
    for (int i = 0; i < play.bench.scale_count; i++) {
        struct player *player = &play.player[i];
        unsigned long seed = play.bench.seed + 100 * (unsigned long)i;

        player->scale = &play.bench.scale[i];
        player->port.fd = -1;
        player->owner = player;
        for (int j = 0; j < play.bench.scale_count; j++)
            if (strcmp(play.bench.scale[j].name, player->scale->second_of) == 0)
                player->owner = &play.player[j];
        if (model_scale_begin(&player->instrument, &player->scale->settings, seed + 1) < 0
            || (player->owner == player && model_begin(&player->model, &player->scale->script, seed) < 0))
            return why_set(why, -ENOMEM, "no memory");
    }
    for (int i = 0; i < play.bench.scale_count; i++) {
        if (port_plug(&play.player[i].port, play.folder, play.bench.scale[i].name, why) < 0)
            return -EIO;
        report_port(play.bench.scale[i].name, &play.player[i].port, "plugged");
    }
    for (int i = 0; i < play.bench.refractometer_count; i++) {
        if (port_plug(&play.refractometer[i], play.folder, play.bench.refractometer[i].name, why) < 0)
            return -EIO;
        report_port(play.bench.refractometer[i].name, &play.refractometer[i], "plugged");
    }
    play.began_us = boottime_us();
    return 0;
}

static void end(void)
{
    for (int i = 0; i < play.bench.scale_count; i++) {
        struct player *player = &play.player[i];

        if (!player->scale)
            continue;
        port_unplug(&player->port);
        if (player->instrument.random)
            model_scale_end(&player->instrument);
        if (player->model.random)
            model_end(&player->model);
    }
    for (int i = 0; i < play.bench.refractometer_count; i++)
        port_unplug(&play.refractometer[i]);
    if (play.random)
        gsl_rng_free(play.random);
}

static void print_script(void)
{
    char line[400];

    for (int i = 0; i < play.bench.scale_count; i++) {
        printf("[scale %s]\n", play.bench.scale[i].name);
        for (int n = 0; model_script_line(&play.bench.scale[i].script, n, line, sizeof line); n++)
            printf("do = %s\n", line);
    }
}

static void usage(FILE *stream)
{
    fputs("usage: poise-virtual --dir FOLDER [OPTION]... FILE\n"
          "Plays the scales and refractometers that FILE describes on pseudo-terminals in FOLDER, one link for\n"
          "each instrument's name, and prints the truth of what it played as JSON lines.\n\n"
          "  -d, --dir FOLDER       where the links go (made if missing)\n"
          "  -r, --clock-rate N     play N times as fast as the world (1 to 1000)\n"
          "  -s, --seed N           draw from this seed instead of the file's\n"
          "  -n, --no-wait          begin at once; otherwise it waits until every port has a reader\n"
          "  -S, --stay             go on showing the empty bench after the last brew, until stopped\n"
          "      --print-script     print what hands will do, as lines for such a file, and end\n"
          "      --help, --version\n\n"
          "FILE is an INI file: [virtual] seed; [scale NAME] layout (header plain bare stx-status stx-letter),\n"
          "rate_hz, lag_s, division_g, noise_g, capacity_g, lost, damaged, tare, unplug_at_s, unplug_for_s,\n"
          "second_of, and either random = BREWS or lines do = ...; [refractometer NAME] shows (strength, brix),\n"
          "replicates, cool_s, every_s, noise_pct, strength_per_brix.  A section needs at least one key.\n",
          stream);
}

enum { OPTION_HELP = 256, OPTION_VERSION, OPTION_PRINT };

static int read_options(int argc, char **argv, unsigned long *seed, bool *print)
{
    static const struct option options[] = {
        { "dir", required_argument, NULL, 'd' },
        { "clock-rate", required_argument, NULL, 'r' },
        { "seed", required_argument, NULL, 's' },
        { "no-wait", no_argument, NULL, 'n' },
        { "stay", no_argument, NULL, 'S' },
        { "print-script", no_argument, NULL, OPTION_PRINT },
        { "help", no_argument, NULL, OPTION_HELP },
        { "version", no_argument, NULL, OPTION_VERSION },
        { 0 },
    };
    int option;
    char *rest;

    play.rate = 1;
    play.wait = true;
    while ((option = getopt_long(argc, argv, "d:r:s:nS", options, NULL)) != -1) {
        switch (option) {
        case 'd':
            play.folder = optarg;
            break;
        case 'n':
            play.wait = false;
            break;
        case 'S':
            play.stay = true;
            break;
        case OPTION_PRINT:
            *print = true;
            break;
        case 's':
            *seed = strtoul(optarg, &rest, 10);
            if (*rest || !*seed || *seed > UINT32_MAX) {
                program_message("--seed %s: a whole number from 1 to 4294967295", optarg);
                return EXIT_USAGE;
            }
            break;
        case 'r':
            play.rate = strtod(optarg, &rest);
            if (*rest || !(play.rate >= 1 && play.rate <= 1000)) {
                program_message("--clock-rate %s: a number from 1 to 1000", optarg);
                return EXIT_USAGE;
            }
            break;
        case OPTION_HELP:
            usage(stdout);
            exit(EXIT_DONE);
        case OPTION_VERSION:
            program_version();
            exit(EXIT_DONE);
        default:
            usage(stderr);
            return EXIT_USAGE;
        }
    }
    if (optind != argc - 1 || (!play.folder && !*print)) {
        program_message("one FILE and --dir FOLDER are needed; see --help");
        return EXIT_USAGE;
    }
    return EXIT_DONE;
}

int main(int argc, char **argv)
{
    struct sigaction on_stop = { .sa_handler = stop };
    unsigned long seed = 0;
    bool print = false;
    struct why why;
    int result;

    program_begin(argv[0]);
    result = read_options(argc, argv, &seed, &print);
    if (result != EXIT_DONE)
        return result;
    if (virtual_bench_read(&play.bench, argv[optind], seed, &why) < 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    if (print) {
        print_script();
        return EXIT_DONE;
    }
    sigaction(SIGINT, &on_stop, NULL);
    sigaction(SIGTERM, &on_stop, NULL);
    signal(SIGPIPE, SIG_IGN); /* nobody reads the truth: the instruments play on */
    if (begin(&why) < 0) {
        program_message("%s", why.text);
        result = EXIT_FAILED;
    } else {
        run();
    }
    end();
    return result;
}
