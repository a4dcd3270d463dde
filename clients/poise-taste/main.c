/* poise-taste: sets up, serves, asks and reveals blind tastings.  This file: the command line. */
#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "poise/clock.h"
#include "poise/place.h"
#include "poise/program.h"
#include "taste.h"

enum { STORE_PATH_SIZE = 4096 };

static const struct command {
    const char *name;
    int (*run)(struct store *store, const struct options *options);
    enum store_mode mode;
    bool names_session;
} commands[] = {
    { "new", taste_new, STORE_WRITE, true },         { "serve", taste_serve, STORE_READ, true },
    { "answer", taste_answer, STORE_WRITE, true },   { "reveal", taste_reveal, STORE_WRITE, true },
    { "results", taste_results, STORE_READ, false }, { "list", taste_list, STORE_READ, false },
};

static void print_help(void)
{
    puts("Usage: poise-taste COMMAND [SESSION] [OPTION...]\n"
         "Blind tastings: can anyone tell the cups apart?\n"
         "\n"
         "  new SESSION      sets one up: draws the key, seals it, says what so few sets can show\n"
         "  serve SESSION    the sheet for the helper: which cup gets which code and place\n"
         "  answer SESSION   asks the taster set by set; may be interrupted and taken up again\n"
         "  reveal SESSION   opens the key when all answers are in, and says what it means\n"
         "  results          of revealed sessions, those with the same question together\n"
         "  list             all sessions\n"
         "\n"
         "      --method M       triangle, two-of-five, duo-trio, paired (preference), ranking\n"
         "      --sample TEXT    what is compared: a brew's name, or a level in words; once for each\n"
         "      --experiment E   the experiment it belongs to\n"
         "      --sets N         sets for each taster\n"
         "      --taster NAME    once for each\n"
         "      --question TEXT  sessions with the same question are combined\n"
         "      --by-eye yes|no  can the cups be distinguished by eye (then it is recorded as not blind)\n"
         "      --alone          no helper: cups are labelled underneath and shuffled by hand\n"
         "      --html FILE      serve: also a page to print, with big codes\n"
         "      --force          reveal before all answers are in; stays on record for ever\n"
         "      --json           for machines (results, list)\n"
         "      --store FILE     the store (default: POISE_STORE, or the user's own)\n"
         "      --help           this text\n"
         "      --version        the version\n"
         "\n"
         "Let hot cups cool until they can be sipped; near-boiling coffee scalds.");
}

enum {
    OPTION_METHOD = 256,
    OPTION_SAMPLE,
    OPTION_EXPERIMENT,
    OPTION_SETS,
    OPTION_TASTER,
    OPTION_QUESTION,
    OPTION_BY_EYE,
    OPTION_ALONE,
    OPTION_HTML,
    OPTION_FORCE,
    OPTION_JSON,
    OPTION_STORE,
    OPTION_HELP,
    OPTION_VERSION
};

static const struct option long_options[] = {
    { "method", required_argument, NULL, OPTION_METHOD },
    { "sample", required_argument, NULL, OPTION_SAMPLE },
    { "experiment", required_argument, NULL, OPTION_EXPERIMENT },
    { "sets", required_argument, NULL, OPTION_SETS },
    { "taster", required_argument, NULL, OPTION_TASTER },
    { "question", required_argument, NULL, OPTION_QUESTION },
    { "by-eye", required_argument, NULL, OPTION_BY_EYE },
    { "alone", no_argument, NULL, OPTION_ALONE },
    { "html", required_argument, NULL, OPTION_HTML },
    { "force", no_argument, NULL, OPTION_FORCE },
    { "json", no_argument, NULL, OPTION_JSON },
    { "store", required_argument, NULL, OPTION_STORE },
    { "help", no_argument, NULL, OPTION_HELP },
    { "version", no_argument, NULL, OPTION_VERSION },
    { NULL, 0, NULL, 0 },
};

/* Adds to a list of names; false (and a sentence) when it is full. */
static bool add(const char **list, int *count, int most, const char *what)
{
    if (*count == most) {
        program_say("--%s: more than %d: leave some out", what, most);
        return false;
    }
    list[(*count)++] = optarg;
    return true;
}

static bool read_sets(int *out)
{
    char *end;
    long sets = strtol(optarg, &end, 10);

    if (end == optarg || *end || sets < 1 || sets > TASTING_SETS) {
        program_say("--sets %s: give a whole number from 1 to %d", optarg, TASTING_SETS);
        return false;
    }
    *out = (int)sets;
    return true;
}

static bool read_method(int *out)
{
    *out = tasting_method_find(optarg);
    if (*out < 0)
        program_say("--method %s: give triangle, two-of-five, duo-trio, paired or ranking", optarg);
    return *out >= 0;
}

static bool read_by_eye(int *out)
{
    *out = strcasecmp(optarg, "yes") == 0 ? 1 : strcasecmp(optarg, "no") == 0 ? 0 : -1;
    if (*out < 0)
        program_say("--by-eye %s: give yes or no", optarg);
    return *out >= 0;
}

/* One option into `out`.  False when it makes no sense. */
static bool take(int option, struct options *out)
{
    switch (option) {
    case OPTION_METHOD:
        return read_method(&out->method);
    case OPTION_SAMPLE:
        return add(out->sample, &out->sample_count, TASTING_CUPS, "sample");
    case OPTION_TASTER:
        return add(out->taster, &out->taster_count, TASTING_TASTERS, "taster");
    case OPTION_SETS:
        return read_sets(&out->sets);
    case OPTION_BY_EYE:
        return read_by_eye(&out->seen);
    case OPTION_EXPERIMENT:
        out->experiment = optarg;
        return true;
    case OPTION_QUESTION:
        out->question = optarg;
        return true;
    case OPTION_HTML:
        out->html = optarg;
        return true;
    case OPTION_STORE:
        out->store = optarg;
        return true;
    case OPTION_ALONE:
        out->alone = true;
        return true;
    case OPTION_FORCE:
        out->force = true;
        return true;
    case OPTION_JSON:
        out->json = true;
        return true;
    default:
        return false;
    }
}

static const struct command *find_command(const char *name)
{
    for (size_t i = 0; i < sizeof commands / sizeof *commands; i++)
        if (strcmp(commands[i].name, name) == 0)
            return &commands[i];
    program_say("there is no command '%s': see poise-taste --help", name);
    return NULL;
}

int main(int argc, char **argv)
{
    struct options options = { .method = -1, .seen = -1 };
    const struct command *command;
    char path[STORE_PATH_SIZE];
    struct store *store;
    struct why why;
    int option, status;

    program_begin(argv[0]);
    while ((option = getopt_long(argc, argv, "", long_options, NULL)) != -1) {
        if (option == OPTION_HELP || option == OPTION_VERSION) {
            option == OPTION_HELP ? print_help() : program_version();
            return EXIT_DONE;
        }
        if (!take(option, &options))
            return EXIT_USAGE;
    }
    if (optind == argc) {
        program_say("say what to do: new, serve, answer, reveal, results or list (see --help)");
        return EXIT_USAGE;
    }
    command = find_command(argv[optind++]);
    if (!command)
        return EXIT_USAGE;
    options.name = optind < argc ? argv[optind++] : NULL;
    if (optind < argc || (command->names_session && !options.name)) {
        program_say(command->names_session && !options.name ? "%s: name the session" : "%s: one session at a time",
                    command->name);
        return EXIT_USAGE;
    }
    if (store_open(&store, place_store(options.store, path, sizeof path), command->mode, &why) != 0) {
        program_say("%s", why.text);
        return EXIT_FAILED;
    }
    status = command->run(store, &options);
    store_close(store);
    return program_end(status);
}
