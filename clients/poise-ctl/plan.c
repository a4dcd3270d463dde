/* poise-ctl plan: the experiment that is brewed.  Checking a file needs no bench. */
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "ctl.h"
#include "poise/design.h"
#include "poise/guide.h"
#include "poise/plan.h"
#include "poise/program.h"

/* The file's text and its length, owned by the caller; NULL when it cannot be read, which has been reported. */
static char *file_text(const char *path, size_t *length)
{
    FILE *file = strcmp(path, "-") == 0 ? stdin : fopen(path, "re");
    char *text = file ? malloc(PLAN_TEXT_MOST + 2) : NULL;

    if (!text) {
        program_message("%s: %s", path, strerror(errno));
        if (file && file != stdin)
            fclose(file);
        return NULL;
    }
    *length = fread(text, 1, PLAN_TEXT_MOST + 1, file); /* one more than is allowed, so that too much is seen */
    if (ferror(file)) {
        program_message("%s: %s", path, strerror(errno));
        free(text);
        text = NULL;
    } else {
        text[*length] = '\0';
    }
    if (file != stdin)
        fclose(file);
    return text;
}

/* Reads and checks; every mistake is reported with its line. */
static int read_plan(const char *path, char **text, struct plan *plan)
{
    struct plan_mistakes mistakes;
    struct why why;
    size_t length;

    if (!(*text = file_text(path, &length)))
        return EXIT_FAILED;
    if (plan_read(plan, *text, length, &mistakes, &why) == 0)
        return EXIT_DONE;
    for (int i = 0; i < mistakes.count && i < PLAN_MISTAKES; i++)
        if (mistakes.mistake[i].line)
            program_message("%s:%d: %s", path, mistakes.mistake[i].line, mistakes.mistake[i].text);
        else
            program_message("%s: %s", path, mistakes.mistake[i].text);
    if (mistakes.count > PLAN_MISTAKES)
        program_message("%s: and %d more", path, mistakes.count - PLAN_MISTAKES);
    free(*text);
    return EXIT_FAILED;
}

static void print_design(const struct plan *plan, const struct design *design)
{
    int minutes = (int)lround(design->hours * 60);

    if (plan->factors)
        printf("%s: %d cups, %d %s %s; ", plan->name, design->cups, design->levels,
               plan->factors > 1 ? "combinations" : "levels", plan->replicates == 1 ? "once" : "repeated");
    else
        printf("%s: %d cup%s of one recipe; ", plan->name, design->cups, design->cups == 1 ? "" : "s");
    if (minutes >= 60)
        printf("about %d h %d min at one station\n", minutes / 60, minutes % 60);
    else
        printf("about %d min at one station\n", minutes);
    if (!plan->factors) {
        puts("Nothing is varied: the cups show how well the recipe repeats.");
        return;
    }
    if (isnan(design->smallest_difference)) {
        puts("One cup per level shows no spread: a trend may be seen, but no difference between two levels is proved.");
        return;
    }
    printf("A difference of %.2f points of extraction will show four times out of five, by the test of the report,\n"
           "if repeats spread by %.2f points%s.\n",
           design->smallest_difference, design->spread,
           design->spread_assumed ? ", which is assumed: put `spread =` of this bench into [experiment]" : "");
    if (design->answers)
        return;
    printf("The %.2f points that were asked for cannot be shown with %d cups per level; ", plan->difference,
           plan->replicates);
    if (design->replicates_needed)
        printf("%d would do.\n", design->replicates_needed);
    else
        printf("a plan of %d runs, the most there may be, would not do: vary fewer levels.\n", PLAN_RUNS);
}

static void print_design_json(const struct plan *plan, const struct design *design)
{
    json_t *smallest = isnan(design->smallest_difference) ? json_null() : json_real(design->smallest_difference);
    json_t *json = json_pack("{s:s, s:i, s:i, s:f, s:f, s:b, s:o, s:i, s:b}", "experiment", plan->name, "cups",
                             design->cups, "levels", design->levels, "hours", design->hours, "spread", design->spread,
                             "spread_assumed", design->spread_assumed, "smallest_difference", smallest,
                             "replicates_needed", design->replicates_needed, "answers", design->answers);

    ctl_print_json(json);
    json_decref(json);
}

static int check(const struct ctl *ctl)
{
    struct plan plan;
    struct design design;
    char *text;
    int status = read_plan(ctl->words[1], &text, &plan);

    if (status != EXIT_DONE)
        return status;
    free(text);
    design_judge(&plan, &design);
    if (ctl->json)
        print_design_json(&plan, &design);
    else
        print_design(&plan, &design);
    return design.answers ? EXIT_DONE : EXIT_FAILED;
}

/* "Steep: 120 s, Dose: 15.0 ± 0.1 g" */
static void print_settings(const struct guide_run *run, bool varied, const struct guide_units *units)
{
    bool first = true;

    for (int i = 0; i < run->settings; i++) {
        char words[PLAN_WORD_SIZE * 4], shown[PLAN_WORD_SIZE * 4];

        if (run->setting[i].varied != varied)
            continue;
        guide_setting_words(&run->setting[i], true, units, words, sizeof words);
        printf("%s%s", first ? "" : ", ", ctl_printable(words, shown, sizeof shown));
        first = false;
    }
}

static void print_next(const json_t *reply, const struct guide_units *units)
{
    const json_t *next = json_object_get(reply, "next");
    struct guide_run set;

    if (!json_is_object(next)) {
        puts("nothing is left to brew");
        return;
    }
    guide_run_read(next, &set);
    printf("cup %d of %d: ", set.run, set.of);
    print_settings(&set, true, units);
    if (json_object_size(json_object_get(next, "recipe")))
        printf("; held: ");
    print_settings(&set, false, units);
    putchar('\n');
}

static void print_plan(const json_t *plan, const struct guide_units *units)
{
    struct guide_run set;
    const json_t *run;
    size_t i;
    char words[256];

    printf("%s", ctl_printable(ctl_text(plan, "experiment"), words, sizeof words));
    if (*ctl_printable(ctl_text(plan, "title"), words, sizeof words))
        printf(": %s", words);
    putchar('\n');
    printf("%g of %g cups are done; ", ctl_value(plan, "done"), ctl_value(plan, "of"));
    if (json_is_false(json_object_get(plan, "random")))
        puts("the order is that of the file");
    else
        printf("the order was drawn with the seed %.0f\n", ctl_value(plan, "seed"));
    json_array_foreach(json_object_get(plan, "runs"), i, run)
    {
        const char *brew = ctl_text(run, "brew"), *state = ctl_text(run, "state");

        if (*brew && strcmp(state, "waiting") == 0)
            state = "again"; /* it was brewed: outside a tolerance, or redo was asked for */
        printf("%4.0f  %-8s ", ctl_value(run, "run"), ctl_printable(state, words, sizeof words));
        printf("%-24s ", ctl_printable(brew, words, sizeof words));
        guide_run_read(run, &set);
        print_settings(&set, true, units);
        putchar('\n');
    }
}

static void print_loaded(const json_t *reply)
{
    char words[256];

    printf("%s is loaded: %g cups", ctl_printable(ctl_text(reply, "experiment"), words, sizeof words),
           ctl_value(json_object_get(reply, "design"), "cups"));
    if (ctl_value(reply, "done") > 0)
        printf(", %g of them done already", ctl_value(reply, "done"));
    putchar('\n');
}

static int ask_plan(const struct ctl *ctl, const char *verb, char *text)
{
    bool credit = strcmp(verb, "credit") == 0, brew_wanted = credit || strcmp(verb, "redo") == 0;
    double run = NAN;
    json_t *request = json_pack("{s:s, s:s, s:s*, s:s*, s:s*}", "do", "plan", "plan", verb, "station", ctl->station,
                                "text", text, "brew", brew_wanted && ctl->word_count > 1 ? ctl->words[1] : NULL);
    struct guide_units units;
    json_t *reply;
    char words[256];
    int status;

    if (credit && (!ctl_number(ctl->words[2], &run) || run != floor(run) || fabs(run) > 1e6)) {
        program_message("plan credit: '%s' is no number of a run; `plan show` lists them", ctl->words[2]);
        json_decref(request);
        return EXIT_USAGE;
    }
    if (credit)
        json_object_set_new(request, "run", json_integer((json_int_t)run));
    if (!request && text) {
        program_message("the plan is not valid UTF-8");
        return EXIT_FAILED;
    }
    status = ctl_ask(ctl, request, &reply);
    if (status != EXIT_DONE)
        return status;
    units = ctl_units(ctl, reply);
    if (ctl->json)
        ctl_print_json(reply);
    else if (strcmp(verb, "next") == 0 || strcmp(verb, "skip") == 0)
        print_next(reply, &units);
    else if (strcmp(verb, "show") == 0)
        print_plan(json_object_get(reply, "plan"), &units);
    else if (strcmp(verb, "load") == 0)
        print_loaded(reply);
    else if (strcmp(verb, "unload") == 0)
        printf("%s is unloaded, %g of %g cups were done\n",
               ctl_printable(ctl_text(reply, "experiment"), words, sizeof words), ctl_value(reply, "done"),
               ctl_value(reply, "of"));
    else if (credit)
        printf("%s counts as run %g\n", ctl_printable(ctl_text(reply, "brew"), words, sizeof words), run);
    else
        printf("Repeat of %s queued\n", ctl_printable(ctl_text(reply, "brew"), words, sizeof words));
    json_decref(reply);
    return EXIT_DONE;
}

/* What a plan may vary or hold. */
static int settings(const struct ctl *ctl)
{
    const struct plan_setting *setting;

    for (int i = 0; (setting = plan_setting_at(i)); i++) {
        const char *unit = strcmp(setting->unit, "C") == 0 ? "°C" : setting->unit;

        if (ctl->json) {
            json_t *json =
                json_pack("{s:s, s:s, s:s}", "name", setting->name, "unit", unit, "summary", setting->summary);

            ctl_print_json(json);
            json_decref(json);
        } else {
            printf("%-15s %-4s%s %s\n", setting->name, unit, strlen(unit) > 2 && unit[0] != 'k' ? " " : "",
                   setting->summary);
        }
    }
    if (!ctl->json)
        puts("own_...              a setting of your own: a number or a word");
    return EXIT_DONE;
}

static int load(const struct ctl *ctl)
{
    struct plan plan;
    char *text;
    int status = read_plan(ctl->words[1], &text, &plan);

    if (status != EXIT_DONE)
        return status;
    status = ask_plan(ctl, "load", text);
    free(text);
    return status;
}

int command_plan(const struct ctl *ctl)
{
    static const struct {
        const char *name, *wants;
        int least_words, most_words;
    } verbs[] = {
        { "load", "the plan's file", 2, 2 },
        { "check", "the plan's file", 2, 2 },
        { "show", "no more", 1, 1 },
        { "next", "no more", 1, 1 },
        { "skip", "no more", 1, 1 },
        { "redo", "at most a brew", 1, 2 },
        { "unload", "no more", 1, 1 },
        { "settings", "no more", 1, 1 },
        { "credit", "a brew and a run", 3, 3 },
    };
    const char *verb = ctl->words[0];

    for (size_t i = 0; i < sizeof verbs / sizeof *verbs; i++) {
        if (strcmp(verbs[i].name, verb) != 0)
            continue;
        if (ctl->word_count < verbs[i].least_words || ctl->word_count > verbs[i].most_words) {
            program_message("plan %s: wants %s", verb, verbs[i].wants);
            return EXIT_USAGE;
        }
        if (strcmp(verb, "check") == 0)
            return check(ctl);
        if (strcmp(verb, "settings") == 0)
            return settings(ctl);
        return strcmp(verb, "load") == 0 ? load(ctl) : ask_plan(ctl, verb, NULL);
    }
    program_message("plan: there is no '%s'; there are load, check, show, next, skip, redo, credit, unload, settings",
                    verb);
    return EXIT_USAGE;
}
