/* poise-share: many benches, one record.  Follows the store of the benches here and sends every brew that is over to a
 * PostgreSQL database, and brings brews from there into a file.  See poise-share.1. */
#include <errno.h>
#include <getopt.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <unistd.h>

#include "poise/place.h"
#include "poise/program.h"
#include "poise/record.h"

enum {
    LOOK_MS = 2000,        /* between two looks whether the store has something new: a brew takes minutes */
    RETRY_FIRST_MS = 1000, /* a server that is not there is asked again, ever more seldom */
    RETRY_MOST_MS = 60000
};

enum {
    OPTION_INIT = 1000,
    OPTION_ONCE,
    OPTION_ALL,
    OPTION_HOME,
    OPTION_BENCH,
    OPTION_EXPERIMENT,
    OPTION_DROP,
    OPTION_WITH_PARENT
};

struct choice {
    const char *address, *store, *home, *bench, *experiment, *drop;
    bool init, once, all;
};

static void usage(FILE *out)
{
    fputs("Usage: poise-share --to ADDRESS [OPTION...]\n"
          "Sends the brews of this store to a record that many benches share (PostgreSQL), or fetches them from it.\n"
          "\n"
          "  -t, --to ADDRESS       the database: postgresql://HOST/NAME?sslmode=verify-full, or POISE_SHARE;\n"
          "                         no password here: libpq finds it in ~/.pgpass or a service file\n"
          "  -s, --store FILE       the store to send (default: POISE_STORE, or the usual one)\n"
          "      --once             send what is new, and end (default: follow the store)\n"
          "      --all              send every brew again, in the place of a store that is no more\n"
          "      --init             make the tables there (once, as the owner of the database)\n"
          "      --home FILE        write brews from there into a new store FILE, for poise-report and all else\n"
          "      --bench NAME       with --home: only of this bench\n"
          "      --experiment NAME  with --home: only of this experiment\n"
          "      --drop-before DATE drop the months before it there, as 2026-11, for good (its owner)\n"
          "      --with-parent      end when the program that started it does, as poise-logger --share asks\n"
          "  -h, --help             this text\n"
          "  -V, --version          which Poise this is\n"
          "\n"
          "It may be stopped or killed at any moment: started again, nothing is there twice and nothing is missing.\n",
          out);
}

/* 2026-11 as 202611; 0: it is no month. */
static int month_of(const char *text)
{
    int year, month, length = 0;

    return sscanf(text, "%4d-%2d%n", &year, &month, &length) == 2 && !text[length] && length == 7 && year >= 2000
                   && month >= 1 && month <= 12
               ? year * 100 + month
               : 0;
}

/* -1: go on; else the exit status. */
static int read_options(int argc, char **argv, struct choice *choice)
{
    static const struct option options[] = { { "to", required_argument, NULL, 't' },
                                             { "store", required_argument, NULL, 's' },
                                             { "once", no_argument, NULL, OPTION_ONCE },
                                             { "all", no_argument, NULL, OPTION_ALL },
                                             { "init", no_argument, NULL, OPTION_INIT },
                                             { "home", required_argument, NULL, OPTION_HOME },
                                             { "bench", required_argument, NULL, OPTION_BENCH },
                                             { "experiment", required_argument, NULL, OPTION_EXPERIMENT },
                                             { "with-parent", no_argument, NULL, OPTION_WITH_PARENT },
                                             { "drop-before", required_argument, NULL, OPTION_DROP },
                                             { "help", no_argument, NULL, 'h' },
                                             { "version", no_argument, NULL, 'V' },
                                             { NULL, 0, NULL, 0 } };
    int letter;

    choice->address = getenv("POISE_SHARE");
    while ((letter = getopt_long(argc, argv, "t:s:hV", options, NULL)) != -1) {
        switch (letter) {
        case 't':
            choice->address = optarg;
            break;
        case 's':
            choice->store = optarg;
            break;
        case OPTION_ONCE:
            choice->once = true;
            break;
        case OPTION_ALL:
            choice->all = true;
            break;
        case OPTION_INIT:
            choice->init = true;
            break;
        case OPTION_HOME:
            choice->home = optarg;
            break;
        case OPTION_BENCH:
            choice->bench = optarg;
            break;
        case OPTION_EXPERIMENT:
            choice->experiment = optarg;
            break;
        case OPTION_WITH_PARENT:
            prctl(PR_SET_PDEATHSIG, SIGTERM);
            break;
        case OPTION_DROP:
            choice->drop = optarg;
            break;
        case 'h':
            usage(stdout);
            return program_end(EXIT_DONE);
        case 'V':
            program_version();
            return program_end(EXIT_DONE);
        default:
            usage(stderr);
            return EXIT_USAGE;
        }
    }
    if (optind < argc) {
        program_message("%s: wrong usage: no word is expected behind the options", argv[optind]);
        return EXIT_USAGE;
    }
    if (!choice->address || !*choice->address) {
        program_message("where is the record?  Name it with --to postgresql://HOST/NAME, or POISE_SHARE");
        return EXIT_USAGE;
    }
    if (choice->drop && !month_of(choice->drop)) {
        program_message("--drop-before %s: is no month: write it as 2026-11", choice->drop);
        return EXIT_USAGE;
    }
    if (!choice->home && (choice->bench || choice->experiment)) {
        program_message("--bench and --experiment choose what --home takes; a store is sent whole");
        return EXIT_USAGE;
    }
    return -1;
}

/* Ends at once: what was not confirmed is undone there, and sent again next time. */
static void on_signal(int number)
{
    (void)number;
    _exit(EXIT_DONE);
}

/* Brews that another program than poise-logger wrote into the store have no number by which they could be followed. */
static void warn_of_unnumbered(struct store *store, const char *path)
{
    sqlite3_stmt *statement = NULL;

    if (sqlite3_prepare_v2(store_database(store), "SELECT count(*) FROM brew WHERE changed = 0", -1, &statement, NULL)
            == SQLITE_OK
        && sqlite3_step(statement) == SQLITE_ROW && sqlite3_column_int64(statement, 0) > 0)
        program_message("%s: brews are not sent that poise-logger did not write, since they are not numbered: %lld "
                        "(UPDATE brew SET changed = brew_id WHERE changed = 0)",
                        path, sqlite3_column_int64(statement, 0));
    sqlite3_finalize(statement);
}

/* Grows whenever another program wrote to the store. */
static int data_version(struct store *store)
{
    sqlite3_stmt *statement = NULL;
    int version = 0;

    if (sqlite3_prepare_v2(store_database(store), "PRAGMA data_version", -1, &statement, NULL) == SQLITE_OK
        && sqlite3_step(statement) == SQLITE_ROW)
        version = sqlite3_column_int(statement, 0);
    sqlite3_finalize(statement);
    return version;
}

static int connect_there(struct record **record, struct store *store, const struct choice *choice, struct why *why)
{
    int error = record_open(record, choice->address, "poise-share", why);

    if (error)
        return error;
    if ((error = record_check(*record, why)) == 0)
        error = record_send_begin(*record, store, choice->all, why);
    if (error) {
        record_close(*record);
        *record = NULL;
    }
    return error;
}

/* All that is new; the count, or a negative errno. */
static int send_all(struct record *record, struct store *store, struct why *why)
{
    int count, sent = 0;

    while ((count = record_send(record, store, why)) > 0)
        sent += count;
    return count < 0 ? count : sent;
}

/* What only a person can mend ends the program; for anything else it is tried again. */
static bool is_final(int error)
{
    return error == -EINVAL || error == -EPERM || error == -EACCES || error == -EBUSY || error == -EPROTO
           || error == -EBADF || error == -ENOENT || error == -EEXIST;
}

static int follow(struct store *store, struct choice *choice)
{
    struct record *record = NULL;
    int wait_ms = 0, retry_ms = RETRY_FIRST_MS, version = 0;
    struct why why = { "" }, last = { "" }, remark = { "" };

    for (;;) {
        int seen = data_version(store), sent = 0, error = 0;

        if (!record) {
            error = connect_there(&record, store, choice, &why);
            choice->all = choice->all && error;
            version = 0;
        }
        if (!error && (seen != version || !version))
            sent = error = send_all(record, store, &why);
        if (record && record_remark(record) && strcmp(record_remark(record), remark.text) != 0) {
            snprintf(remark.text, sizeof remark.text, "%s", record_remark(record));
            program_message("%s", remark.text);
        }
        if (error < 0) {
            record_close(record);
            record = NULL;
            if (strcmp(why.text, last.text) != 0)
                program_message("%s", why.text);
            last = why;
            if (choice->once || is_final(error))
                return EXIT_FAILED;
            wait_ms = retry_ms;
            retry_ms = retry_ms * 2 < RETRY_MOST_MS ? retry_ms * 2 : RETRY_MOST_MS;
        } else {
            if (last.text[0])
                program_message("%s: answers again", choice->address);
            last.text[0] = '\0';
            if (sent > 0)
                program_message("%d brew%s sent", sent, sent == 1 ? "" : "s");
            if (choice->once) {
                record_close(record);
                return EXIT_DONE;
            }
            version = seen;
            wait_ms = LOOK_MS;
            retry_ms = RETRY_FIRST_MS;
        }
        poll(NULL, 0, wait_ms);
    }
}

/* What is asked of the record as a whole. */
static int work_there(const struct choice *choice)
{
    struct record *record = NULL;
    struct why why;
    int count = record_open(&record, choice->address, "poise-share", &why);

    if (count == 0)
        count = choice->init ? record_make(record, &why) : record_check(record, &why);
    if (count == 0 && choice->home)
        count = record_take_home(record, choice->home, choice->bench, choice->experiment, &why);
    else if (count == 0 && choice->drop)
        count = record_drop_before(record, month_of(choice->drop), &why);
    record_close(record);
    if (count < 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    if (choice->home)
        printf("%s: %d brew%s\n", choice->home, count, count == 1 ? "" : "s");
    else if (choice->drop)
        printf("%d month%s dropped\n", count, count == 1 ? "" : "s");
    return program_end(EXIT_DONE);
}

int main(int argc, char **argv)
{
    struct choice choice = { 0 };
    struct store *store;
    char path[512];
    struct why why;
    int status;

    program_begin(argv[0]);
    if ((status = read_options(argc, argv, &choice)) >= 0)
        return status;
    signal(SIGTERM, on_signal);
    signal(SIGINT, on_signal);
    signal(SIGPIPE, SIG_IGN);
    if (choice.init || choice.home || choice.drop)
        return work_there(&choice);
    if (record_is_address(place_store(choice.store, path, sizeof path))) {
        program_message("%s: a record is where brews are sent to: name the bench's own store with --store", path);
        return EXIT_USAGE;
    }
    if (store_open(&store, path, STORE_READ, &why) != 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    warn_of_unnumbered(store, path);
    status = follow(store, &choice);
    store_close(store);
    return status;
}
