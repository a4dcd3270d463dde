/* poise-report: what the cups say.  It reads a store and writes nothing into it; see poise-report.1. */
#include <getopt.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "poise/place.h"
#include "poise/shown_units.h"
#include "poise/program.h"
#include "poise/short_memory.h"
#include "report.h"
#include "words/claims.h"

static void usage(FILE *out)
{
    fputs("Usage: poise-report [OPTIONS] EXPERIMENT      what an experiment shows\n"
          "       poise-report [OPTIONS] brew NAME       one cup\n"
          "       poise-report [OPTIONS] brews           cups as a table\n"
          "       poise-report [OPTIONS] next EXPERIMENT the cup that would show most\n"
          "       poise-report [OPTIONS] verdicts        of each variable: keep or drop\n"
          "       poise-report [OPTIONS] recipe          one recipe of all experiments, and its proof\n"
          "       poise-report [OPTIONS] bench           is each instrument what it was\n"
          "       poise-report                           the experiments there are\n"
          "\n"
          "An experiment that is called like a command: poise-report experiment NAME\n"
          "\n"
          "  -s, --store FILE        where the brews are (default: POISE_STORE)\n"
          "  -m, --measure NAME      what is judged (default: extraction_pct)\n"
          "  -P, --pressure UNIT     kpa, bar or psi (default: POISE_PRESSURE, or the bench's)\n"
          "  -T, --temperature UNIT  c or f (default: POISE_TEMPERATURE, or the bench's)\n"
          "      --margin X          what counts as the same: asks for equality within X\n"
          "      --confidence C      of intervals (default: 0.95)\n"
          "      --share P           returns diminish: P of the plateau is reached (0.95)\n"
          "      --step SECONDS      ... another SECONDS (30) bring less than --least\n"
          "      --least X           ... X points (0.3)\n"
          "      --least-doubling X  ... doubling the time brings less than X (0.5)\n"
          "      --target PCT        strength to dilute to, or to dose for (1.3)\n"
          "      --all               count cups out of plan too\n"
          "      --bench NAME, --since DATE, --until DATE, --factor NAME[=LEVEL]\n"
          "                          which cups, for brews\n"
          "      --cups N            next: how many more cups (default: 1)\n"
          "      --plan FILE         next, recipe: write the plan for them\n"
          "      --card              recipe: its steps and cautions alone, to hand on\n"
          "      --json, --csv       for machines\n"
          "      --long              --csv with one row a number, for R and other statistics\n"
          "      --r FOLDER          cups, numbers, and an R script that works the report out again\n"
          "      --rules             the sentences a headline may be, each with its condition\n"
          "      --sql               the SELECT that reads the cups, for sqlite3\n"
          "      --html FILE         one page with pictures, for reading and printing\n"
          "      --svg FOLDER        pictures drawn by gnuplot, their scripts beside them\n"
          "  -h, --help, -V, --version\n",
          out);
}

/* The middle of the strengths that brewing charts print, 1.15 to 1.45 % (Lockhart 1957, from memory). */
#define TARGET_PCT 1.3

enum {
    OPTION_MARGIN = 256,
    OPTION_CONFIDENCE,
    OPTION_SHARE,
    OPTION_STEP,
    OPTION_LEAST,
    OPTION_DOUBLING,
    OPTION_TARGET,
    OPTION_ALL,
    OPTION_BENCH,
    OPTION_SINCE,
    OPTION_UNTIL,
    OPTION_FACTOR,
    OPTION_CUPS,
    OPTION_PLAN,
    OPTION_JSON,
    OPTION_CSV,
    OPTION_HTML,
    OPTION_SVG,
    OPTION_SQL,
    OPTION_CARD,
    OPTION_R,
    OPTION_LONG,
    OPTION_RULES
};

static const struct option options[] = {
    { "store", required_argument, NULL, 's' },
    { "measure", required_argument, NULL, 'm' },
    { "pressure", required_argument, NULL, 'P' },
    { "temperature", required_argument, NULL, 'T' },
    { "margin", required_argument, NULL, OPTION_MARGIN },
    { "confidence", required_argument, NULL, OPTION_CONFIDENCE },
    { "share", required_argument, NULL, OPTION_SHARE },
    { "step", required_argument, NULL, OPTION_STEP },
    { "least", required_argument, NULL, OPTION_LEAST },
    { "least-doubling", required_argument, NULL, OPTION_DOUBLING },
    { "target", required_argument, NULL, OPTION_TARGET },
    { "all", no_argument, NULL, OPTION_ALL },
    { "bench", required_argument, NULL, OPTION_BENCH },
    { "since", required_argument, NULL, OPTION_SINCE },
    { "until", required_argument, NULL, OPTION_UNTIL },
    { "factor", required_argument, NULL, OPTION_FACTOR },
    { "cups", required_argument, NULL, OPTION_CUPS },
    { "plan", required_argument, NULL, OPTION_PLAN },
    { "json", no_argument, NULL, OPTION_JSON },
    { "csv", no_argument, NULL, OPTION_CSV },
    { "sql", no_argument, NULL, OPTION_SQL },
    { "card", no_argument, NULL, OPTION_CARD },
    { "r", required_argument, NULL, OPTION_R },
    { "long", no_argument, NULL, OPTION_LONG },
    { "rules", no_argument, NULL, OPTION_RULES },
    { "html", required_argument, NULL, OPTION_HTML },
    { "svg", required_argument, NULL, OPTION_SVG },
    { "help", no_argument, NULL, 'h' },
    { "version", no_argument, NULL, 'V' },
    { NULL, 0, NULL, 0 },
};

/* A number above `least` and below `most`, or a sentence. */
static bool number_option(const char *name, const char *text, double least, double most, double *out)
{
    char *end;
    double number = strtod(text, &end);

    if (end == text || *end || !(number > least && number < most)) {
        program_message("--%s %s: a number between %g and %g is needed", name, text, least, most);
        return false;
    }
    *out = number;
    return true;
}

/* A day as 2026-11-25, or that and what follows in a time as ISO 8601 writes it. */
static bool date_option(const char *name, const char *text, const char **out)
{
    static const char digits[] = "0123456789";
    struct tm day = { .tm_mday = 0 }, same;
    const char *end = strptime(text, "%Y-%m-%d", &day);
    bool good = end && end - text == 10 && (!*end || *end == 'T') && strspn(end, "T0123456789:.Z") == strlen(end)
                && strspn(text, digits) == 4;

    same = day;
    timegm(&same); /* the 31st of a shorter month becomes another day */
    if (!good || same.tm_mday != day.tm_mday) {
        program_message("--%s %s: a date as 2026-11-25 is needed", name, text);
        return false;
    }
    *out = text;
    return true;
}

static bool measure_option(const char *text, struct report_options *out)
{
    int measure = measure_find(text);

    if (measure < 0) {
        program_message("--measure %s: there is no such measure; see poise-report(1) for their names", text);
        return false;
    }
    out->measure = (enum measure)measure;
    return true;
}

static bool take_number(int option, struct request *out)
{
    double cups = 0;

    switch (option) {
    case OPTION_MARGIN:
        return number_option("margin", optarg, 0, 1e6, &out->options.margin);
    case OPTION_CONFIDENCE:
        return number_option("confidence", optarg, 0.5, 1, &out->options.confidence);
    case OPTION_SHARE:
        return number_option("share", optarg, 0, 1, &out->options.share);
    case OPTION_STEP:
        return number_option("step", optarg, 0, 1e6, &out->options.step_s);
    case OPTION_LEAST:
        return number_option("least", optarg, 0, 100, &out->options.least);
    case OPTION_TARGET:
        return number_option("target", optarg, 0, 30, &out->options.target_pct);
    case OPTION_DOUBLING:
        return number_option("least-doubling", optarg, 0, 100, &out->options.least_doubling);
    default:
        if (!number_option("cups", optarg, 0, 1000, &cups))
            return false;
        if (cups < 1 || cups > floor(cups)) {
            program_message("--cups %s: whole cups, please", optarg);
            return false;
        }
        out->cups = (int)cups;
        return true;
    }
}

/* Returns -1 to go on, or an exit status. */
static int take_option(int option, struct request *out, const char **store)
{
    switch (option) {
    case 's':
        *store = optarg;
        break;
    case 'P':
        out->pressure = optarg;
        break;
    case 'T':
        out->temperature = optarg;
        break;
    case 'm':
        return measure_option(optarg, &out->options) ? -1 : EXIT_USAGE;
    case OPTION_ALL:
        out->options.all = true;
        break;
    case OPTION_BENCH:
        out->filter.bench = optarg;
        break;
    case OPTION_SINCE:
        return date_option("since", optarg, &out->filter.since) ? -1 : EXIT_USAGE;
    case OPTION_UNTIL:
        return date_option("until", optarg, &out->filter.until) ? -1 : EXIT_USAGE;
    case OPTION_FACTOR:
        out->filter.factor = optarg;
        break;
    case OPTION_PLAN:
        out->plan = optarg;
        break;
    case OPTION_JSON:
        out->json = true;
        break;
    case OPTION_CSV:
        out->csv = true;
        break;
    case OPTION_SQL:
        out->sql = true;
        break;
    case OPTION_R:
        out->r = optarg;
        break;
    case OPTION_LONG:
        out->tall = true;
        break;
    case OPTION_CARD:
        out->card = true;
        break;
    case OPTION_HTML:
        out->html = optarg;
        break;
    case OPTION_SVG:
        out->svg = optarg;
        break;
    case OPTION_RULES:
        return json_out(rules_json());
    case 'h':
        usage(stdout);
        return EXIT_DONE;
    case 'V':
        program_version();
        return EXIT_DONE;
    case '?':
        usage(stderr);
        return EXIT_USAGE;
    default:
        return take_number(option, out) ? -1 : EXIT_USAGE;
    }
    return -1;
}

/* What is asked for: a command's function, with its name filled in; NULL: wrong usage. */
static int (*command_of(int count, char **words, struct request *out))(const struct request *)
{
    static const struct {
        const char *word;
        bool named;
        int (*command)(const struct request *);
    } commands[] = {
        { "brew", true, report_brew },
        { "brews", false, report_brews },
        { "next", true, report_next },
        { "verdicts", false, report_verdicts },
        { "bench", false, report_bench },
        { "recipe", false, report_recipe },
        { "experiment", true, report_experiment },
    };

    if (count == 0)
        return report_experiments;
    for (size_t i = 0; i < sizeof commands / sizeof *commands; i++)
        if (strcmp(words[0], commands[i].word) == 0 && count == 1 + commands[i].named) {
            out->name = commands[i].named ? words[1] : NULL;
            return !out->name || out->name[0] ? commands[i].command : NULL;
        } else if (strcmp(words[0], commands[i].word) == 0) {
            return NULL;
        }
    if (count > 1 || !words[0][0])
        return NULL;
    out->name = words[0];
    return report_experiment;
}

/* What a command that cannot be read lacks, or has too much of. */
static void state_unreadable(int count, char **words)
{
    bool named = strcmp(words[0], "brew") == 0 || strcmp(words[0], "next") == 0 || strcmp(words[0], "experiment") == 0;

    if (count == 1 && named)
        program_message("%s: which one? Name it, as in --help", words[0]);
    else if (count > 1)
        program_message("%s %s: this cannot be read; see --help", words[0], words[1]);
    else
        program_message("an experiment has a name; poise-report alone lists them");
}

/* People read in their units.  Machines, SQL, the script for R and a plan have what is kept; a report with a plan
 * speaks as the plan does. */
static void show_units(const struct request *request, const struct shown_units *chosen)
{
    struct guide_units bench = store_units(request->store), shown = shown_units_at(chosen, &bench);

    if (!request->json && !request->csv && !request->sql && !request->r && !request->plan)
        cups_show_in(&shown);
}

int main(int argc, char **argv)
{
    struct request request = {
        .options = { .measure = MEASURE_EXTRACTION_PCT,
                     .confidence = 0.95,
                     .margin = NAN,
                     .share = 0.95,
                     .step_s = 30,
                     .least = 0.3,
                     .least_doubling = 0.5,
                     .target_pct = TARGET_PCT },
        .cups = 1,
    };
    int (*command)(const struct request *);
    const char *store = NULL;
    struct shown_units units;
    char path[512], factor[256];
    struct why why;
    int option, status;

    program_begin(argv[0]);
    short_memory_ends();
    while ((option = getopt_long(argc, argv, "s:m:P:T:hV", options, NULL)) != -1)
        if ((status = take_option(option, &request, &store)) >= 0)
            return status;
    if (shown_units_choose(request.pressure, request.temperature, &units, &why) < 0) {
        program_message("%s", why.text);
        return EXIT_USAGE;
    }
    command = command_of(argc - optind, argv + optind, &request);
    if (!command) {
        state_unreadable(argc - optind, argv + optind);
        return EXIT_USAGE;
    }
    if (request.filter.factor) {
        char *level;

        snprintf(factor, sizeof factor, "%s", request.filter.factor);
        level = strchr(factor, '=');
        if (level)
            *level++ = '\0';
        request.filter.factor = factor;
        request.filter.level = level;
    }
    if (store_open(&request.store, place_store(store, path, sizeof path), STORE_READ, &why) != 0) {
        program_message("%s", why.text);
        return EXIT_FAILED;
    }
    show_units(&request, &units);
    status = command(&request);
    store_close(request.store);
    return program_end(status);
}
