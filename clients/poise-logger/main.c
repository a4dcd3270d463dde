/* poise-logger: the memory of the bench.  It listens, and every brew is in the store by itself; it
 * decides nothing about coffee and knows no table.  See poise-logger.1. */
#include <errno.h>
#include <getopt.h>
#include <limits.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/signalfd.h>
#include <poll.h>
#include <unistd.h>

#include "poise/client.h"
#include "poise/clock.h"
#include "poise/place.h"
#include "poise/program.h"
#include "poise/record.h"
#include "poise/store.h"
#include "sharer.h"

/* Readings wait so long for company: to be woken for every reading would cost more than saving it does, and
 * one transaction a second far less than one per reading.  The bench's journal has them meanwhile, and an
 * event brings all that came before it at once. */
static const int GATHER_MS = 1000;

/* A bench that has not said anything by then is not there, or not yet. */
static const int FIRST_WORD_MS = 1000;

/* A full disk is tried again so often; until then nothing more is taken in, and the journal keeps it. */
static const int RETRY_MS = 5000;

/* How far the store is, the bench learns so often: it keeps what is missing here. */
static const int64_t ACKNOWLEDGE_MS = 10000;

/* What comes in one go is committed at its end, and in groups of so many messages where it is long: some
 * megabytes of memory. */
static const int GROUP = 5000;

enum { PLACE_SIZE = 512, BENCHES_MOST = 64 };

/* One bench's: each has a thread of its own and its own hold of the store, as if it were a program of its own. */
struct logger {
    struct store *store;
    struct client *client;
    char store_path[PLACE_SIZE], bus[PLACE_SIZE], control[PLACE_SIZE];
    const char *key;   /* its file, for a bench on a network; NULL: none */
    const char *share; /* the shared record, for the first of several; NULL: none */
    pthread_t thread;
    bool failed;
    bool moved;             /* the store's file was deleted or replaced */
    char reader[NAME_SIZE]; /* by which the bench knows this store */
    int64_t kept_ms;        /* when the bench was informed last of what it holds; 0: not yet */
    int signals;            /* a signalfd: SIGTERM, SIGINT */
    char bench[NAME_SIZE], bench_id[BENCH_ID_SIZE];
    bool foreign;      /* another bench of that name was met */
    uint64_t last_seq; /* 0: nothing heard yet of a bench that the store does not know */
    json_t *units;     /* of the bench, as the store has them */
    bool caught_up;
    int uncommitted; /* messages */
    bool gone, stop;
};

static void usage(FILE *out)
{
    fputs("Usage: poise-logger [--store FILE] [--share ADDRESS] [--bus ADDRESS] [--control ADDRESS] [--key FILE]\n"
          "       poise-logger [--store FILE] --bench BUS,CONTROL[,KEY] [--bench ...]\n"
          "Keeps every brew of a bench, or of several, with its whole trace, in an SQLite file.\n"
          "\n"
          "  -s, --store FILE       where to keep them (default: POISE_STORE, or your data folder)\n"
          "      --share ADDRESS    send them to a shared record too: postgresql://HOST/NAME, as poise-share does\n"
          "  -b, --bus ADDRESS      where the bench publishes (default: POISE_BUS, or the usual sockets)\n"
          "  -c, --control ADDRESS  where it answers (default: POISE_CONTROL, or the usual sockets)\n"
          "  -k, --key FILE         this client's key, for a bench on a network (default: POISE_KEY)\n"
          "  -B, --bench BUS,CONTROL[,KEY]\n"
          "                         one of several benches: its two addresses and its key file; once for each\n"
          "  -h, --help             this text\n"
          "  -V, --version          which Poise this is\n"
          "\n"
          "Stop it with Ctrl-C at any time, or pull the plug: started again, it asks the bench for what\n"
          "it missed.  Read the file with poise-report, or with any SQLite tool: SELECT * FROM brew_summary.\n",
          out);
}

/* The same name for the same file on the same computer: so the bench knows it again, and another store is another. */
static void name_reader(struct logger *logger)
{
    char host[256] = "", text[PATH_MAX + sizeof host], whole[PATH_MAX];
    uint64_t sum = UINT64_C(0xcbf29ce484222325); /* FNV-1a, 64 bits (its authors' constants) */

    gethostname(host, sizeof host - 1);
    snprintf(text, sizeof text, "%s%s", host, realpath(logger->store_path, whole) ? whole : logger->store_path);
    for (const char *at = text; *at; at++)
        sum = (sum ^ (unsigned char)*at) * UINT64_C(0x100000001b3);
    snprintf(logger->reader, sizeof logger->reader, "logger-%016llx", (unsigned long long)sum);
}

/* True when a signal came within timeout_ms. */
static bool stopped_within(struct logger *logger, int timeout_ms)
{
    struct pollfd wait = { .fd = logger->signals, .events = POLLIN };

    if (poll(&wait, 1, timeout_ms) == 1)
        logger->stop = true;
    return logger->stop;
}

/* What the store holds whole, which is less than we have heard: the readings before a brew wait in memory. */
static void acknowledge(struct logger *logger)
{
    int64_t now_ms = clock_steady_ms(), latest_us;
    struct why why;
    uint64_t seq;

    if (!logger->client || (logger->kept_ms && now_ms - logger->kept_ms < ACKNOWLEDGE_MS)
        || store_resume(logger->store, logger->bench, &seq, &latest_us, &why) != 0)
        return;
    logger->kept_ms = now_ms;
    client_kept(logger->client, seq);
}

/* Until it works or we are asked to stop.  Nothing is taken in meanwhile: the bench's journal keeps it. */
static void commit(struct logger *logger)
{
    struct why why, last = { "" };
    int result;

    while ((result = store_commit(logger->store, &why)) < 0) {
        if (result == -ESTALE) {
            program_message("%s", why.text);
            logger->moved = true;
            return;
        }
        if (strcmp(why.text, last.text) != 0)
            program_message("%s", why.text);
        last = why;
        if (stopped_within(logger, RETRY_MS))
            return;
    }
    if (last.text[0])
        program_message("%s: saving again", logger->store_path);
    if (result > 0)
        program_message("%s", why.text);
    logger->uncommitted = 0;
    acknowledge(logger);
}

static void notice_gap(struct logger *logger, const struct message *message)
{
    uint64_t seq = message->common.seq;

    if (logger->last_seq && seq > logger->last_seq + 1 && logger->last_seq < client_gone(logger->client)
        && !(message->kind == MESSAGE_WARNING && strcmp(message->warning.warning, "numbers-skipped") == 0))
        program_message("%s no longer holds messages %llu to %llu: brews of that time are incomplete", logger->bench,
                        (unsigned long long)logger->last_seq + 1, (unsigned long long)seq - 1);
    if (seq > logger->last_seq)
        logger->last_seq = seq;
}

/* Brews of two benches that have one name must not become one bench's. */
static int know(struct logger *logger, struct why *why)
{
    return logger->bench_id[0] ? store_know_bench(logger->store, logger->bench, logger->bench_id, why) : 0;
}

/* In which units the bench shows its numbers, for whoever reads the store. */
static void keep_units(struct logger *logger, const json_t *state)
{
    const json_t *units = json_object_get(state, "units");
    struct why why;

    if (!units || json_equal(units, logger->units) || store_keep_units(logger->store, logger->bench, units, &why) < 0)
        return; /* where the file cannot be written the next commit reports it, and the next state tries again */
    json_decref(logger->units);
    logger->units = json_deep_copy(units);
}

static void take(struct logger *logger, const struct message *message)
{
    bool ended = message->kind == MESSAGE_BREW && message->brew.change == BREW_END && logger->caught_up;
    struct why why;
    int error;

    if (message->kind == MESSAGE_STATE) {
        keep_units(logger, message->json);
        return;
    }
    notice_gap(logger, message);
    store_gone(logger->store, client_gone(logger->client));
    if (logger->moved)
        return; /* it comes again */
    while ((error = store_apply(logger->store, message, &why)) == -ENOMEM || error == -EAGAIN) {
        program_message("%s", why.text);
        if (stopped_within(logger, RETRY_MS))
            return;
    }
    logger->moved = error == -ESTALE;
    if (error < 0) {
        program_message("%s", why.text);
        return;
    }
    if (++logger->uncommitted >= GROUP || ended)
        commit(logger);
    if (ended && !logger->stop && !logger->moved)
        program_message("%s is saved", message->brew.brew);
}

static int connect_to(struct logger *logger, bool catch_up, uint64_t after_seq, int64_t after_us, struct why *why)
{
    struct client_options options = { .bus = logger->bus,
                                      .control = logger->control,
                                      .key = logger->key,
                                      .subscribe = true,
                                      .catch_up = catch_up,
                                      .after_seq = after_seq,
                                      .after_us = after_us,
                                      .gather_ms = GATHER_MS,
                                      .reader = catch_up ? logger->reader : NULL,
                                      .bench_id = logger->bench_id[0] ? logger->bench_id : NULL };

    client_close(logger->client);
    logger->client = NULL;
    return client_open(&logger->client, &options, why);
}

/* Which bench it is stands in its state, which every new listener is sent; its name in whatever it says first. */
static int learn_bench(struct logger *logger, struct why *why)
{
    struct message message;
    bool said = false;
    int64_t known_ms = 0;
    int event, error = connect_to(logger, false, 0, 0, why);

    if (error)
        return error;
    while (!logger->stop) {
        event = client_next(logger->client, logger->signals, said ? -1 : FIRST_WORD_MS, &message, why);
        if (event == CLIENT_MESSAGE) {
            bool state = message.kind == MESSAGE_STATE;

            known_ms = logger->bench[0] ? known_ms : clock_steady_ms();
            snprintf(logger->bench, sizeof logger->bench, "%s", message.common.bench);
            if (state)
                snprintf(logger->bench_id, sizeof logger->bench_id, "%s", message.state.bench_id);
            message_free(&message);
            if (state || (logger->bench[0] && clock_steady_ms() > known_ms + FIRST_WORD_MS))
                return 0;
        } else if (event == CLIENT_INPUT) {
            logger->stop = true;
        } else if (event == CLIENT_TIMEOUT || event == CLIENT_GONE) {
            if (!said)
                program_message("no bench at %s yet: waiting for poised to start", logger->bus);
            said = true;
        } else if (event == CLIENT_BAD) {
            program_message("%s", why->text);
        } else if (event < 0 && event != -EINTR) {
            return event;
        }
    }
    return 0;
}

/* The file was taken away: another, and all that the bench still has of what is not in it. */
static int open_again(struct logger *logger, struct why *why)
{
    int64_t latest_us = 0;
    int error;

    store_close(logger->store);
    logger->store = NULL;
    json_decref(logger->units);
    logger->units = NULL;
    logger->uncommitted = 0;
    while (store_open(&logger->store, logger->store_path, STORE_WRITE, why) < 0) {
        program_message("%s", why->text);
        if (stopped_within(logger, RETRY_MS))
            return 0;
    }
    logger->moved = logger->caught_up = false;
    if ((error = know(logger, why)) != 0
        || (error = store_resume(logger->store, logger->bench, &logger->last_seq, &latest_us, why)) != 0)
        return error;
    program_message("keeping the brews of %s in %s, from all that the bench still has", logger->bench,
                    logger->store_path);
    return connect_to(logger, true, logger->last_seq, latest_us, why);
}

static int listen_to(struct logger *logger, struct why *why)
{
    int64_t latest_us = 0;
    struct why last = { "" };
    struct message message;
    int event, error = know(logger, why);

    if (!error)
        error = store_resume(logger->store, logger->bench, &logger->last_seq, &latest_us, why);
    if (!error)
        error = connect_to(logger, true, logger->last_seq, latest_us, why);
    if (error)
        return error;
    program_message("keeping the brews of %s in %s", logger->bench, logger->store_path);
    while (!logger->stop) {
        event = client_next(logger->client, logger->signals, -1, &message, why);
        if (event == CLIENT_MESSAGE) {
            take(logger, &message);
            message_free(&message);
        } else if (event == CLIENT_CAUGHT_UP) {
            logger->caught_up = true;
            commit(logger);
        } else if (event == CLIENT_GONE) {
            logger->gone = true;
            program_message("%s is gone: waiting for it", logger->bench);
        } else if (event == CLIENT_FOUND) {
            logger->caught_up = false;
            if (logger->gone)
                program_message("%s is back", logger->bench);
            logger->gone = false;
        } else if (event == CLIENT_INPUT) {
            logger->stop = true;
        } else if (event == CLIENT_BAD) {
            if (strcmp(why->text, last.text) != 0) /* it is asked again and again */
                program_message("%s", why->text);
            last = *why;
        } else if (event < 0 && event != -EINTR) {
            return event;
        }
        if (logger->moved && !logger->stop && (error = open_again(logger, why)) != 0)
            return error;
    }
    return 0;
}

static int run(struct logger *logger)
{
    struct why why;
    int error = store_open(&logger->store, logger->store_path, STORE_WRITE, &why);

    if (!error && logger->share)
        error = sharer_start(logger->share, logger->store_path, &why);
    if (!error) {
        name_reader(logger);
        error = learn_bench(logger, &why);
    }
    if (!error && !logger->stop)
        error = listen_to(logger, &why);
    if (error)
        program_message("%s", why.text);
    if (logger->store && logger->uncommitted && (error = store_commit(logger->store, &why)) != 0)
        program_message(
            error > 0 ? "%s" : "%s; the last messages are not saved, start again to get them from the bench", why.text);
    client_close(logger->client);
    json_decref(logger->units);
    store_close(logger->store);
    return error < 0 ? EXIT_FAILED : EXIT_DONE;
}

static void *follow(void *context)
{
    struct logger *logger = context;

    logger->failed = run(logger) != EXIT_DONE;
    return NULL;
}

/* All benches at once; what keeps one from being recorded keeps no other. */
static int follow_all(struct logger *loggers, int count)
{
    bool failed = false;

    for (int i = 1; i < count; i++) {
        int error = pthread_create(&loggers[i].thread, NULL, follow, &loggers[i]);

        if (error) {
            program_message("%s: no thread for it: %s", loggers[i].bus, strerror(error));
            raise(SIGTERM); /* blocked, so that those that run find it where they wait */
            failed = true;
            count = i;
        }
    }
    follow(&loggers[0]);
    for (int i = 0; i < count; i++) {
        if (i > 0)
            pthread_join(loggers[i].thread, NULL);
        failed = failed || loggers[i].failed;
    }
    return failed ? EXIT_FAILED : EXIT_DONE;
}

/* "ADDRESS,ADDRESS[,FILE]"; the text is cut up.  False: that is not what it is. */
static bool read_bench(char *text, struct logger *out)
{
    char *bus = strsep(&text, ","), *control = strsep(&text, ","), *key = text;

    if (!*bus || !control || !*control || (key && !*key) || strlen(bus) >= PLACE_SIZE || strlen(control) >= PLACE_SIZE)
        return false;
    strcpy(out->bus, bus);
    strcpy(out->control, control);
    out->key = place_key(key);
    return true;
}

/* A full disk is an error to report and a file at its limit is one too, never the end. */
static int catch_signals(void)
{
    sigset_t set;

    signal(SIGXFSZ, SIG_IGN);
    signal(SIGPIPE, SIG_IGN);
    sigemptyset(&set);
    sigaddset(&set, SIGTERM);
    sigaddset(&set, SIGINT);
    sigprocmask(SIG_BLOCK, &set, NULL);
    return signalfd(-1, &set, SFD_CLOEXEC | SFD_NONBLOCK);
}

enum { OPTION_SHARE = 1000 };

int main(int argc, char **argv)
{
    static const struct option options[] = {
        { "store", required_argument, NULL, 's' },
        { "bus", required_argument, NULL, 'b' },
        { "control", required_argument, NULL, 'c' },
        { "key", required_argument, NULL, 'k' },
        { "bench", required_argument, NULL, 'B' },
        { "share", required_argument, NULL, OPTION_SHARE },
        { "help", no_argument, NULL, 'h' },
        { "version", no_argument, NULL, 'V' },
        { NULL, 0, NULL, 0 },
    };
    const char *store = NULL, *bus = NULL, *control = NULL, *key = NULL;
    static struct logger loggers[BENCHES_MOST];
    int option, result, signals, count = 0;

    program_begin(argv[0]);
    signals = catch_signals(); /* first of all: who stops it now finds a logger that ends in order */
    while ((option = getopt_long(argc, argv, "s:b:c:k:B:hV", options, NULL)) != -1)
        switch (option) {
        case 's':
            store = optarg;
            break;
        case OPTION_SHARE:
            loggers[0].share = optarg;
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
        case 'B':
            if (count == BENCHES_MOST || !read_bench(optarg, &loggers[count])) {
                program_message("--bench: write the bench's two addresses and its key file, as --bench "
                                "tcp://192.168.7.20:7401,tcp://192.168.7.20:7402,pier.key; at most %d benches",
                                BENCHES_MOST);
                return EXIT_USAGE;
            }
            count++;
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
        program_message("%s: it takes options only; see --help", argv[optind]);
        return EXIT_USAGE;
    }
    if (count && (bus || control || key)) {
        program_message("--bench names a bench's addresses and key: leave --bus, --control and --key out");
        return EXIT_USAGE;
    }
    if (!count) {
        place_bus(bus, loggers[0].bus, sizeof loggers[0].bus);
        place_control(control, loggers[0].control, sizeof loggers[0].control);
        loggers[0].key = place_key(key);
        count = 1;
    }
    if (signals < 0) {
        program_message("cannot watch for signals: %s", strerror(errno));
        return EXIT_FAILED;
    }
    for (int i = 0; i < count; i++) {
        if (record_is_address(place_store(store, loggers[i].store_path, sizeof loggers[i].store_path))) {
            /* a record is filled from a file, which is these benches' own */
            loggers[0].share = store ? store : getenv("POISE_STORE");
            place_own_store(loggers[i].store_path, sizeof loggers[i].store_path);
        }
        loggers[i].signals = signals;
    }
    result = follow_all(loggers, count);
    sharer_stop();
    close(signals);
    return result;
}
