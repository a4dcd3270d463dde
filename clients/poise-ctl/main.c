/* poise-ctl: the hands.  Reads the command line and finds the command's row; what the commands do is
 * in the other files. */
#include <getopt.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "ctl.h"
#include "poise/place.h"
#include "poise/program.h"
#include "poise/short_memory.h"

static const struct command commands[] = {
    { "setup", "[PORT...]", "set the bench up: find the instruments, write the configuration, start the services", 0,
      16, TAKES_CONFIG | TAKES_SECONDS | TAKES_YES, command_setup },
    { "doctor", "", "the first thing that is wrong between cable and store, and how to mend it", 0, 0, TAKES_CONFIG,
      command_doctor },
    { "status", "", "what stands on each station, and what is being brewed", 0, 0, 0, command_status },
    { "instruments", "", "each instrument, what it shows and how it is; and what else is plugged in", 0, 0, 0,
      command_instruments },
    { "watch", "[TOPIC...]", "every message of the bench as it comes", 0, 16, TAKES_COUNT, command_watch },
    { "tare", "", "tare an instrument", 0, 0, TAKES_STATION | TAKES_INSTRUMENT, command_tare },
    { "zero", "", "set the zero of an instrument", 0, 0, TAKES_STATION | TAKES_INSTRUMENT, command_zero },
    { "begin", "", "begin a brew", 0, 0, TAKES_STATION, command_begin },
    { "mark", "STAGE", "mark the beginning of a stage", 1, 1, TAKES_STATION | TAKES_BREW | TAKES_AGO, command_mark },
    { "enter", "MEASURE VALUE", "enter a number read by eye", 2, 2, TAKES_STATION | TAKES_BREW | TAKES_UNCERTAINTY,
      command_enter },
    { "end", "", "end the brew", 0, 0, TAKES_STATION, command_end },
    { "undo", "", "take the last begin or mark back, within ten seconds", 0, 0, TAKES_STATION, command_undo },
    { "discard", "[REASON...]", "discard a brew: it is kept, and not counted", 0, 256, TAKES_STATION | TAKES_BREW,
      command_discard },
    { "note", "TEXT...", "add a note to a brew", 1, 256, TAKES_STATION | TAKES_BREW, command_note },
    { "check", "mass|brix VALUE", "the scale bears a weight, or the solution read last is, of so much", 2, 2,
      TAKES_STATION, command_check },
    { "vessels", "", "what each cup and brewer weighs empty, as it was seen", 0, 0, 0, command_vessels },
    { "vessel", "NAME [rename NEW | cup | brewer | forget]",
      "what stands on the scale is NAME; or change what is known", 1, 3, TAKES_STATION, command_vessel },
    { "sample", "[BREW] | swap|shift|merge|take|undo ...", "the strength read next is this brew's; or move readings", 0,
      3, TAKES_FILTERED, command_sample },
    { "strength", "[BREW]", "the strength readings, and whose each is", 0, 1, 0, command_strength },
    { "assign", "BREW [READING]", "the strength read last, or that one, was this brew's", 1, 2, 0, command_assign },
    { "unassign", "BREW|READING", "a brew's last strength reading, or that one, was not its own", 1, 1, 0,
      command_unassign },
    { "plan", "VERB [FILE|BREW [RUN]]",
      "load, check, show, next, skip, redo, credit or unload a plan; settings: what a plan may set", 1, 3,
      TAKES_STATION, command_plan },
    { "probe", "[PORT...]", "which instrument is at a serial port, and the section to paste", 0, 16,
      TAKES_SECONDS | TAKES_ASK | TAKES_CONFIG, command_probe },
    { "replay", "[FILE]", "a trace, a journal, or what bench or store kept, as today's tracker reads it", 0, 1,
      TAKES_BREW | TAKES_SPAN | TAKES_TRACE | TAKES_CONFIG | TAKES_NAMES, command_replay },
    { "brews", "", "the brews in the store", 0, 0, TAKES_COUNT | TAKES_BREW, command_brews },
    { "rescue", "FILE [NEW-FILE]", "what can be read of a damaged store or journal, in a new file", 1, 2, 0,
      command_rescue },
    { "keys", "new|show FILE", "make a key for a network, or print its public half", 2, 2, TAKES_BENCH_KEY,
      command_keys },
};

enum {
    OPTION_BUS = 256,
    OPTION_CONTROL,
    OPTION_STORE,
    OPTION_JSON,
    OPTION_STATION,
    OPTION_INSTRUMENT,
    OPTION_BREW,
    OPTION_UNCERTAINTY,
    OPTION_AGO,
    OPTION_COUNT,
    OPTION_SECONDS,
    OPTION_ASK,
    OPTION_FROM,
    OPTION_TO,
    OPTION_TRACE,
    OPTION_CONFIG,
    OPTION_FILTERED,
    OPTION_UNFILTERED,
    OPTION_YES,
    OPTION_NAMES,
    OPTION_KEY,
    OPTION_BENCH_KEY,
    OPTION_HELP,
    OPTION_VERSION
};

static const struct option options[] = {
    { "bus", required_argument, NULL, OPTION_BUS },
    { "control", required_argument, NULL, OPTION_CONTROL },
    { "store", required_argument, NULL, OPTION_STORE },
    { "json", no_argument, NULL, OPTION_JSON },
    { "station", required_argument, NULL, OPTION_STATION },
    { "instrument", required_argument, NULL, OPTION_INSTRUMENT },
    { "brew", required_argument, NULL, OPTION_BREW },
    { "uncertainty", required_argument, NULL, OPTION_UNCERTAINTY },
    { "ago", required_argument, NULL, OPTION_AGO },
    { "count", required_argument, NULL, OPTION_COUNT },
    { "seconds", required_argument, NULL, OPTION_SECONDS },
    { "ask", no_argument, NULL, OPTION_ASK },
    { "from", required_argument, NULL, OPTION_FROM },
    { "to", required_argument, NULL, OPTION_TO },
    { "trace", no_argument, NULL, OPTION_TRACE },
    { "config", required_argument, NULL, OPTION_CONFIG },
    { "filtered", no_argument, NULL, OPTION_FILTERED },
    { "unfiltered", no_argument, NULL, OPTION_UNFILTERED },
    { "names", no_argument, NULL, OPTION_NAMES },
    { "yes", no_argument, NULL, OPTION_YES },
    { "key", required_argument, NULL, OPTION_KEY },
    { "bench", required_argument, NULL, OPTION_BENCH_KEY },
    { "help", no_argument, NULL, OPTION_HELP },
    { "version", no_argument, NULL, OPTION_VERSION },
    { NULL, 0, NULL, 0 },
};

static void help(void)
{
    printf("Usage: poise-ctl [OPTION...] COMMAND [WORD...]\n"
           "The hands of a brewing bench: ask it, order it, watch it.\n\nCommands\n");
    for (size_t i = 0; i < sizeof commands / sizeof *commands; i++) {
        char usage[64];

        snprintf(usage, sizeof usage, "%s %s", commands[i].name, commands[i].words);
        printf("  %-22s %s\n", usage, commands[i].summary);
    }
    printf("\nOptions\n"
           "  --station NAME         which station; may be left out when there is only one\n"
           "  --instrument NAME      which instrument (tare, zero)\n"
           "  --brew NAME            which brew (mark, enter, discard, note, brews, replay)\n"
           "  --uncertainty U        standard uncertainty of the value (enter)\n"
           "  --ago SECONDS          it began so long ago (mark)\n"
           "  --count N              stop after so many (watch), the last so many (brews)\n"
           "  --seconds S            listen for S seconds at each setting (setup, probe)\n"
           "  --ask                  also send, as Modbus asks; else no byte is sent (probe)\n"
           "  --from, --to TIME      only what was published between, as 2026-11-25T09:30 (replay)\n"
           "  --trace                print what was recorded, to keep or to send (replay)\n"
           "  --names                with the names and notes in it (replay --trace)\n"
           "  --filtered, --unfiltered  this sample passed a syringe filter, or did not (sample)\n"
           "  --config FILE          the bench's configuration (setup, doctor, probe, replay)\n"
           "  --yes                  answer every question as Enter would (setup)\n"
           "  --json                 for machines: one JSON object per line\n"
           "  --bus, --control       the bench's addresses, else POISE_BUS and POISE_CONTROL,\n"
           "                         else the bench of this machine or this user\n"
           "  --key FILE             this client's key for a bench on a network, else POISE_KEY\n"
           "  --bench KEY            the public key of the bench that a new key is for (keys new)\n"
           "  --store FILE           the store, else POISE_STORE, else the user's own\n"
           "  --help, --version\n\n"
           "Exit status: 0 done, 1 it failed, 2 wrong usage.\n");
}

static const struct command *command_find(const char *name)
{
    for (size_t i = 0; i < sizeof commands / sizeof *commands; i++)
        if (strcmp(commands[i].name, name) == 0)
            return &commands[i];
    return NULL;
}

/* Reads the value of a number option; false when it makes no sense, which is reported. */
static bool number_option(const char *name, const char *text, double *out)
{
    if (ctl_number(text, out) && *out >= 0)
        return true;
    program_message("--%s: '%s' is not a number of 0 or more", name, text);
    return false;
}

/* The options into ctl; `used` collects which special ones were given.  Returns -1 to go on, or an
 * exit status. */
static int read_options(int argc, char **argv, struct ctl *ctl, unsigned *used)
{
    const char *bus = NULL, *control = NULL, *store = NULL;
    double count;
    int option;

    while ((option = getopt_long(argc, argv, "", options, NULL)) != -1) {
        switch (option) {
        case OPTION_BUS:
            bus = optarg;
            break;
        case OPTION_CONTROL:
            control = optarg;
            break;
        case OPTION_STORE:
            store = optarg;
            break;
        case OPTION_JSON:
            ctl->json = true;
            break;
        case OPTION_STATION:
            ctl->station = optarg;
            *used |= TAKES_STATION;
            break;
        case OPTION_INSTRUMENT:
            ctl->instrument = optarg;
            *used |= TAKES_INSTRUMENT;
            break;
        case OPTION_BREW:
            ctl->brew = optarg;
            *used |= TAKES_BREW;
            break;
        case OPTION_UNCERTAINTY:
            *used |= TAKES_UNCERTAINTY;
            if (!number_option("uncertainty", optarg, &ctl->uncertainty))
                return EXIT_USAGE;
            break;
        case OPTION_AGO:
            *used |= TAKES_AGO;
            if (!number_option("ago", optarg, &ctl->ago_s))
                return EXIT_USAGE;
            break;
        case OPTION_COUNT:
            *used |= TAKES_COUNT;
            if (!ctl_number(optarg, &count) || count != floor(count) || count < 1 || count > 1e9) {
                program_message("--count: '%s' is not a whole number of 1 or more", optarg);
                return EXIT_USAGE;
            }
            ctl->count = (long)count;
            break;
        case OPTION_SECONDS:
            ctl->seconds = optarg;
            *used |= TAKES_SECONDS;
            break;
        case OPTION_ASK:
            ctl->ask = true;
            *used |= TAKES_ASK;
            break;
        case OPTION_FROM:
            ctl->from = optarg;
            *used |= TAKES_SPAN;
            break;
        case OPTION_TO:
            ctl->to = optarg;
            *used |= TAKES_SPAN;
            break;
        case OPTION_TRACE:
            ctl->trace = true;
            *used |= TAKES_TRACE;
            break;
        case OPTION_CONFIG:
            ctl->config = optarg;
            *used |= TAKES_CONFIG;
            break;
        case OPTION_FILTERED:
        case OPTION_UNFILTERED:
            ctl->filtered = option == OPTION_FILTERED;
            *used |= TAKES_FILTERED;
            break;
        case OPTION_NAMES:
            ctl->names = true;
            *used |= TAKES_NAMES;
            break;
        case OPTION_YES:
            ctl->yes = true;
            *used |= TAKES_YES;
            break;
        case OPTION_KEY:
            ctl->key = optarg;
            break;
        case OPTION_BENCH_KEY:
            ctl->bench_key = optarg;
            *used |= TAKES_BENCH_KEY;
            break;
        case OPTION_HELP:
            help();
            return program_end(EXIT_DONE);
        case OPTION_VERSION:
            program_version();
            return EXIT_DONE;
        default:
            return EXIT_USAGE; /* getopt has reported why */
        }
    }
    ctl->bus_option = bus;
    ctl->control_option = control;
    ctl->store_option = store;
    ctl->key = place_key(ctl->key);
    place_bus(bus, ctl->bus, sizeof ctl->bus);
    place_control(control, ctl->control, sizeof ctl->control);
    place_store(store, ctl->store, sizeof ctl->store);
    return -1;
}

/* Does the command line fit the command's row?  Reports what does not. */
static bool fits(const struct command *command, const struct ctl *ctl, unsigned used)
{
    static const struct {
        unsigned bit;
        const char *name;
    } special[] = { { TAKES_STATION, "station" },
                    { TAKES_INSTRUMENT, "instrument" },
                    { TAKES_BREW, "brew" },
                    { TAKES_UNCERTAINTY, "uncertainty" },
                    { TAKES_AGO, "ago" },
                    { TAKES_COUNT, "count" },
                    { TAKES_SECONDS, "seconds" },
                    { TAKES_ASK, "ask" },
                    { TAKES_SPAN, "from and no --to" },
                    { TAKES_TRACE, "trace" },
                    { TAKES_CONFIG, "config" },
                    { TAKES_FILTERED, "filtered and no --unfiltered" },
                    { TAKES_NAMES, "names" },
                    { TAKES_YES, "yes" },
                    { TAKES_BENCH_KEY, "bench" } };

    for (size_t i = 0; i < sizeof special / sizeof *special; i++)
        if (used & ~command->takes & special[i].bit) {
            program_message("%s: takes no --%s", command->name, special[i].name);
            return false;
        }
    if (ctl->word_count < command->least_words || ctl->word_count > command->most_words) {
        program_message("%s: usage: poise-ctl %s%s%s", command->name, command->name, *command->words ? " " : "",
                        command->words);
        return false;
    }
    return true;
}

int main(int argc, char **argv)
{
    struct ctl ctl = { .uncertainty = NAN, .ago_s = NAN, .count = -1, .filtered = -1 };
    const struct command *command;
    unsigned used = 0;
    struct why why;
    int status;

    program_begin(argv[0]);
    short_memory_ends();
    if (shown_units_choose(NULL, NULL, &ctl.units, &why) < 0) {
        program_message("%s", why.text);
        return EXIT_USAGE;
    }
    status = read_options(argc, argv, &ctl, &used);
    if (status >= 0)
        return status;
    if (optind >= argc) {
        program_message("which command?  poise-ctl --help lists them");
        return EXIT_USAGE;
    }
    command = command_find(argv[optind]);
    if (!command) {
        program_message("there is no command '%s'; poise-ctl --help lists them", argv[optind]);
        return EXIT_USAGE;
    }
    ctl.words = argv + optind + 1;
    ctl.word_count = argc - optind - 1;
    if (!fits(command, &ctl, used))
        return EXIT_USAGE;
    return program_end(command->run(&ctl));
}
