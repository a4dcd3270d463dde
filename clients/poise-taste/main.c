/* poise-taste: sets up, serves, asks and opens blind tastings.  This file: the command line. */
#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "poise/clock.h"
#include "poise/place.h"
#include "poise/program.h"
#include "poise/short_memory.h"
#include "taste.h"

enum { STORE_PATH_SIZE = 4096 };

/* Between two sets, and in a cup: common practice, no source. */
enum { REST_S = 120, CUP_ML = 20 };

static const struct command {
    const char *name;
    int (*run)(struct store *store, const struct options *options);
    enum store_mode mode;
    bool names_session;
} commands[] = {
    { "new", taste_new, STORE_WRITE, true },       { "serve", taste_serve, STORE_WRITE, true },
    { "answer", taste_answer, STORE_WRITE, true }, { "look", taste_look, STORE_WRITE, true },
    { "reveal", taste_reveal, STORE_WRITE, true }, { "results", taste_results, STORE_READ, false },
    { "list", taste_list, STORE_READ, false },
};

static void print_help(void)
{
    puts("Usage: poise-taste COMMAND [SESSION] [OPTION...]\n"
         "Blind tastings: can anyone distinguish the cups?\n"
         "\n"
         "  new SESSION      sets one up: draws the key, seals it, states what so few sets can show\n"
         "  serve SESSION    for the helper: codes, then the map of the cups; who looked is recorded\n"
         "  answer SESSION   asks a taster set by set; may be interrupted and taken up again\n"
         "  look SESSION     before the end: stop or go on, paid for (new --may-look)\n"
         "  reveal SESSION   compares hashes, opens the key, and states what the answers mean\n"
         "  results          of opened sessions, those with the same question together\n"
         "  list             all sessions\n"
         "\n"
         "new:\n"
         "      --method M         triangle, two-of-five, duo-trio, tetrad, directional, preference,\n"
         "                         ranking, degree (of difference from a control, the first sample)\n"
         "      --sample BREW,...  the brews a sample is poured from; once for each sample\n"
         "      --taster NAME      once for each\n"
         "      --sets N           sets for each taster (default: as many as the power needs)\n"
         "      --planned N        total number of sets, where one question has several sessions\n"
         "      --question TEXT    sessions with the same question are judged together\n"
         "      --by-eye yes|no    can the cups be distinguished by eye (then nothing is concluded)\n"
         "      --share X          share of tastings that catch a difference worth finding (0.5)\n"
         "      --limit X          \"the same\" means fewer than this share can distinguish (0.3)\n"
         "      --attribute WORD   directional, ranking: \"stronger\", \"sweeter\"\n"
         "      --expect A|B       directional: of which sample more is expected (one-sided)\n"
         "      --may-look         looks before the end are allowed, and paid for\n"
         "      --warm-up yes|no   a first set for each that does not count (yes)\n"
         "      --rest SECONDS     between two sets of a taster (120)\n"
         "      --cup-ml N         in a cup (20);  --swallow  instead of spitting\n"
         "      --offer WORDS      words offered to the tasters, and counted (none)\n"
         "      --alone            no helper: cups are labelled underneath and shuffled by hand\n"
         "      --key-file FILE    where the key lies, instead of behind a helper's word\n"
         "serve:\n"
         "      --server NAME      who serves\n"
         "      --temperature T    of the samples, \"55 55\"\n"
         "      --html FILE        the codes to print;  --map FILE  the map to print\n"
         "reveal:\n"
         "      --noted HASH       the hash noted at the beginning\n"
         "      --force            before all answers are in; nothing is concluded then\n"
         "      --key              prints the sealed text, whose SHA-256 is the seal\n"
         "\n"
         "      --json             for machines (results, list)\n"
         "      --store FILE       the store (default: POISE_STORE, or the user's own)\n"
         "      --help             this text\n"
         "      --version          the version\n"
         "\n"
         "Let hot samples cool until they can be sipped; near-boiling coffee scalds.");
}

enum {
    OPTION_METHOD = 256,
    OPTION_SAMPLE,
    OPTION_SETS,
    OPTION_PLANNED,
    OPTION_TASTER,
    OPTION_QUESTION,
    OPTION_BY_EYE,
    OPTION_SHARE,
    OPTION_LIMIT,
    OPTION_ATTRIBUTE,
    OPTION_EXPECT,
    OPTION_MAY_LOOK,
    OPTION_WARM_UP,
    OPTION_REST,
    OPTION_CUP_ML,
    OPTION_SWALLOW,
    OPTION_OFFER,
    OPTION_ALONE,
    OPTION_KEY_FILE,
    OPTION_SERVER,
    OPTION_TEMPERATURE,
    OPTION_HTML,
    OPTION_MAP,
    OPTION_NOTED,
    OPTION_FORCE,
    OPTION_KEY,
    OPTION_JSON,
    OPTION_STORE,
    OPTION_HELP,
    OPTION_VERSION
};

static const struct option long_options[] = {
    { "method", required_argument, NULL, OPTION_METHOD },
    { "sample", required_argument, NULL, OPTION_SAMPLE },
    { "sets", required_argument, NULL, OPTION_SETS },
    { "planned", required_argument, NULL, OPTION_PLANNED },
    { "taster", required_argument, NULL, OPTION_TASTER },
    { "question", required_argument, NULL, OPTION_QUESTION },
    { "by-eye", required_argument, NULL, OPTION_BY_EYE },
    { "share", required_argument, NULL, OPTION_SHARE },
    { "limit", required_argument, NULL, OPTION_LIMIT },
    { "attribute", required_argument, NULL, OPTION_ATTRIBUTE },
    { "expect", required_argument, NULL, OPTION_EXPECT },
    { "may-look", no_argument, NULL, OPTION_MAY_LOOK },
    { "warm-up", required_argument, NULL, OPTION_WARM_UP },
    { "rest", required_argument, NULL, OPTION_REST },
    { "cup-ml", required_argument, NULL, OPTION_CUP_ML },
    { "swallow", no_argument, NULL, OPTION_SWALLOW },
    { "offer", required_argument, NULL, OPTION_OFFER },
    { "alone", no_argument, NULL, OPTION_ALONE },
    { "key-file", required_argument, NULL, OPTION_KEY_FILE },
    { "server", required_argument, NULL, OPTION_SERVER },
    { "temperature", required_argument, NULL, OPTION_TEMPERATURE },
    { "html", required_argument, NULL, OPTION_HTML },
    { "map", required_argument, NULL, OPTION_MAP },
    { "noted", required_argument, NULL, OPTION_NOTED },
    { "force", no_argument, NULL, OPTION_FORCE },
    { "key", no_argument, NULL, OPTION_KEY },
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
        program_message("--%s: more than %d: leave some out", what, most);
        return false;
    }
    list[(*count)++] = optarg;
    return true;
}

static bool read_whole(const char *what, long least, long most, int *out)
{
    char *end;
    long number = strtol(optarg, &end, 10);

    if (end == optarg || *end || number < least || number > most) {
        program_message("--%s %s: give a whole number from %ld to %ld", what, optarg, least, most);
        return false;
    }
    *out = (int)number;
    return true;
}

static bool read_share(const char *what, double *out)
{
    char *end;

    *out = strtod(optarg, &end);
    if (end != optarg && !*end && *out >= 0.05 && *out <= 0.95)
        return true;
    program_message("--%s %s: give a share from 0.05 to 0.95", what, optarg);
    return false;
}

static bool read_method(int *out)
{
    *out = tasting_method_find(optarg);
    if (*out < 0)
        program_message(
            "--method %s: give triangle, two-of-five, duo-trio, tetrad, directional, preference, ranking or "
            "degree",
            optarg);
    return *out >= 0;
}

static bool read_yes(const char *what, int *out)
{
    *out = strcasecmp(optarg, "yes") == 0 ? 1 : strcasecmp(optarg, "no") == 0 ? 0 : -1;
    if (*out < 0)
        program_message("--%s %s: give yes or no", what, optarg);
    return *out >= 0;
}

/* Options that are a text or a flag. */
static bool take_plain(int option, struct options *out)
{
    const struct {
        int option;
        const char **into;
    } texts[] = { { OPTION_QUESTION, &out->question },
                  { OPTION_ATTRIBUTE, &out->attribute },
                  { OPTION_EXPECT, &out->expect },
                  { OPTION_OFFER, &out->offered },
                  { OPTION_KEY_FILE, &out->key_file },
                  { OPTION_SERVER, &out->server },
                  { OPTION_TEMPERATURE, &out->temperature },
                  { OPTION_HTML, &out->html },
                  { OPTION_MAP, &out->map },
                  { OPTION_NOTED, &out->noted },
                  { OPTION_STORE, &out->store } };
    const struct {
        int option;
        bool *into;
    } flags[] = { { OPTION_MAY_LOOK, &out->may_look }, { OPTION_SWALLOW, &out->swallow }, { OPTION_ALONE, &out->alone },
                  { OPTION_FORCE, &out->force },       { OPTION_KEY, &out->key },         { OPTION_JSON, &out->json } };

    for (size_t i = 0; i < sizeof texts / sizeof *texts; i++)
        if (texts[i].option == option) {
            *texts[i].into = optarg;
            return true;
        }
    for (size_t i = 0; i < sizeof flags / sizeof *flags; i++)
        if (flags[i].option == option) {
            *flags[i].into = true;
            return true;
        }
    return false;
}

/* One option into `out`.  False when it makes no sense. */
static bool take(int option, struct options *out)
{
    int yes;

    switch (option) {
    case OPTION_METHOD:
        return read_method(&out->method);
    case OPTION_SAMPLE:
        return add(out->sample, &out->sample_count, TASTING_CUPS, "sample");
    case OPTION_TASTER:
        return add(out->taster, &out->taster_count, TASTING_TASTERS, "taster");
    case OPTION_SETS:
        return read_whole("sets", 1, TASTING_SETS, &out->sets);
    case OPTION_PLANNED:
        return read_whole("planned", 1, 100000, &out->planned);
    case OPTION_REST:
        return read_whole("rest", 0, 3600, &out->rest_s);
    case OPTION_CUP_ML:
        return read_whole("cup-ml", 5, 200, &out->cup_ml);
    case OPTION_SHARE:
        return read_share("share", &out->share);
    case OPTION_LIMIT:
        return read_share("limit", &out->limit);
    case OPTION_BY_EYE:
        return read_yes("by-eye", &out->seen);
    case OPTION_WARM_UP:
        if (!read_yes("warm-up", &yes))
            return false;
        out->no_warm_up = !yes;
        return true;
    default:
        return take_plain(option, out);
    }
}

static const struct command *find_command(const char *name)
{
    for (size_t i = 0; i < sizeof commands / sizeof *commands; i++)
        if (strcmp(commands[i].name, name) == 0)
            return &commands[i];
    program_message("there is no command '%s': see poise-taste --help", name);
    return NULL;
}

int main(int argc, char **argv)
{
    struct options options = { .method = -1, .seen = -1, .rest_s = REST_S, .cup_ml = CUP_ML };
    const struct command *command;
    char path[STORE_PATH_SIZE];
    struct store *store;
    struct why why;
    int option, status;

    program_begin(argv[0]);
    short_memory_ends();
    while ((option = getopt_long(argc, argv, "", long_options, NULL)) != -1) {
        if (option == OPTION_HELP || option == OPTION_VERSION) {
            option == OPTION_HELP ? print_help() : program_version();
            return EXIT_DONE;
        }
        if (!take(option, &options))
            return EXIT_USAGE;
    }
    if (optind == argc) {
        program_message("name a command: new, serve, answer, look, reveal, results or list (see --help)");
        return EXIT_USAGE;
    }
    command = find_command(argv[optind++]);
    if (!command)
        return EXIT_USAGE;
    options.name = optind < argc ? argv[optind++] : NULL;
    if (optind < argc || (command->names_session && !options.name)) {
        program_message(command->names_session && !options.name ? "%s: name the session" : "%s: one session at a time",
                        command->name);
        return EXIT_USAGE;
    }
    if (store_open(&store, place_store(options.store, path, sizeof path), command->mode, &why) != 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    status = command->run(store, &options);
    store_close(store);
    return program_end(status);
}
