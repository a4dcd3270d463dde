/* poise-ctl setup: from a plugged-in instrument to a first saved brew, without an editor.  The steps in their order;
 * what each does stands in the other setup files.  Nothing is changed before the configuration is written. */
#include <errno.h>
#include <grp.h>
#include <pwd.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "poise/program.h"
#include "setup_parts.h"

static const char default_file[] = "/etc/poise/poised.conf";

static void on_interrupt(int number)
{
    (void)number; /* whatever waits ends with EINTR */
}

/* ---- before ---- */

/* What a person wrote has to be good before anything is added to it. */
static int read_config(struct setup *setup)
{
    struct text said = { 0 };

    setup->file = setup->ctl->config ? setup->ctl->config : default_file;
    if (access(setup->file, F_OK) < 0) {
        setup->config = json_object();
        return SETUP_DONE;
    }
    setup->config = ctl_configuration(setup->file, &said);
    if (!setup->config)
        program_message("%s has a mistake, which comes first:\n%s", setup->file, said.data ? said.data : "");
    text_free(&said);
    return setup->config ? SETUP_DONE : SETUP_FAILED;
}

static void find_user(struct setup *setup)
{
    const char *sudo = getenv("SUDO_USER");
    const struct passwd *entry = getpwuid(getuid());

    if (sudo && *sudo && strcmp(sudo, "root") != 0)
        snprintf(setup->user, sizeof setup->user, "%s", sudo);
    else if (getuid() != 0 && entry)
        snprintf(setup->user, sizeof setup->user, "%s", entry->pw_name);
}

/* ---- names ---- */

static bool is_named(const struct setup *setup, const char *list, const char *key, const char *name)
{
    json_t *one;
    size_t i;
    char header[NAME_SIZE + 24];

    json_array_foreach(json_object_get(setup->config, list), i, one)
    {
        const char *text = key ? ctl_text(one, key) : json_string_value(one);

        if (text && strcmp(text, name) == 0)
            return true;
    }
    snprintf(header, sizeof header, "[%s %s]", key ? "instrument" : "station", name);
    return setup->added.data && memmem(setup->added.data, setup->added.length, header, strlen(header));
}

static int ask_name(const struct setup *setup, const char *usual, char out[NAME_SIZE], const char *question)
{
    char answer[128];
    int result;

    while ((result = setup_ask(setup, usual, answer, sizeof answer, "%s", question)) == SETUP_DONE) {
        if (name_valid(answer)) {
            strcpy(out, answer);
            break;
        }
        puts("   A name has 1 to 32 characters a-z 0-9 -, so that it can be read aloud.");
    }
    return result;
}

/* A name that is free: "left", "left-2", ... */
static const char *free_name(const struct setup *setup, const char *list, const char *key, const char *wanted,
                             char out[NAME_SIZE])
{
    char suffix[16] = "";
    int number = 1;

    do {
        snprintf(out, NAME_SIZE, "%.16s%s", wanted, suffix);
        snprintf(suffix, sizeof suffix, "-%d", ++number);
    } while (is_named(setup, list, key, out) && number < 1000);
    return out;
}

static bool has_scale(const struct setup *setup, const char *station)
{
    json_t *one;
    size_t i;

    json_array_foreach(json_object_get(setup->config, "instruments"), i,
                       one) if (strcmp(ctl_text(one, "quantity"), "mass") == 0
                                && strcmp(ctl_text(one, "station"), station) == 0
                                && strcmp(ctl_text(one, "weighs"), "brew") == 0) return true;
    return false;
}

/* The first station without a scale, else a new one. */
static const char *usual_station(const struct setup *setup, char out[NAME_SIZE])
{
    json_t *one;
    size_t i;

    json_array_foreach(json_object_get(setup->config, "stations"), i,
                       one) if (!has_scale(setup, json_string_value(one)))
    {
        snprintf(out, NAME_SIZE, "%s", json_string_value(one));
        return out;
    }
    return free_name(setup, "stations", NULL, "bench", out);
}

/* ---- what is added ---- */

/* The bench's name begins each brew's; one that a file has already stays. */
static int add_bench(struct setup *setup)
{
    char host[64] = "", name[NAME_SIZE] = "";
    size_t length = 0;
    int result;

    if (json_object_size(setup->config) > 0 && strcmp(ctl_text(setup->config, "bench"), "bench") != 0)
        return SETUP_DONE;
    for (FILE *file = fopen(setup->file, "re"); file;) { /* a section that names no bench cannot be written twice */
        char line[512];
        bool stands = false;

        while (!stands && fgets(line, sizeof line, file))
            stands = strncmp(line + strspn(line, " \t"), "[bench]", 7) == 0;
        fclose(file);
        if (stands)
            return SETUP_DONE;
        break;
    }
    gethostname(host, sizeof host - 1);
    for (const char *at = host; *at && *at != '.' && length < 20; at++)
        if (strchr("abcdefghijklmnopqrstuvwxyz0123456789-", *at | 0x20))
            name[length++] = (char)(*at == '-' ? '-' : *at >= '0' && *at <= '9' ? *at : *at | 0x20);
    name[length] = '\0';
    result = ask_name(setup, name_valid(name) ? name : "bench", name,
                      "What is the bench called?  The name begins every brew's");
    if (result == SETUP_DONE)
        text_print(&setup->added, "[bench]\nname = %s\n\n", name);
    return result;
}

static int add_station(struct setup *setup, const char *station)
{
    char answer[64];
    double diameter_mm;
    int result;

    if (is_named(setup, "stations", NULL, station))
        return SETUP_DONE;
    while ((result =
                setup_ask(setup, "not known", answer, sizeof answer, "Diameter of the piston in mm, for the pressure"))
               == SETUP_DONE
           && strcmp(answer, "not known") != 0) {
        if (ctl_number(answer, &diameter_mm) && diameter_mm >= 10 && diameter_mm <= 300)
            break;
        puts("   A number from 10 to 300, without a unit; Enter leaves it out.");
    }
    if (result != SETUP_DONE)
        return result;
    text_print(&setup->added, "[station %s]\n", station);
    if (strcmp(answer, "not known") != 0)
        text_print(&setup->added, "piston_diameter_mm = %s\n", answer);
    text_add(&setup->added, "\n", 1);
    return SETUP_DONE;
}

static int add_scale(struct setup *setup, json_t *found)
{
    char usual[NAME_SIZE], station[NAME_SIZE], scale[NAME_SIZE + 8], name[NAME_SIZE];
    int result = ask_name(setup, usual_station(setup, usual), station, "What is the station called where it stands?");

    while (result == SETUP_DONE && has_scale(setup, station)) {
        printf("   %s has its scale already; a second one of its own weighs the cup: write weighs = cup in the file.\n",
               station);
        result = ask_name(setup, free_name(setup, "stations", NULL, "bench", usual), station, "Another station?");
    }
    if (result != SETUP_DONE)
        return result;
    snprintf(scale, sizeof scale, "%.10s-scale", station);
    result = ask_name(setup, free_name(setup, "instruments", "instrument", scale, usual), name,
                      "And what is the scale called?");
    if (result == SETUP_DONE)
        result = add_station(setup, station);
    if (result == SETUP_DONE) {
        setup_section(&setup->added, found, name, station, NULL);
        text_add(&setup->added, "\n", 1);
        json_object_set_new(found, "used", json_true());
    }
    return result;
}

/* Percent may be either; only a person with the display before them knows. */
static int ask_percent(struct setup *setup, json_t *found)
{
    bool strength = true;
    int result;

    if (strcmp(ctl_text(found, "quantity"), "strength") != 0 || !*ctl_text(found, "check"))
        return SETUP_DONE;
    result = setup_ask_yes(setup, &strength, "Its numbers are in percent: is that strength (no: it is Brix)?");
    json_object_set_new(found, "quantity", json_string(strength ? "strength" : "brix"));
    json_object_del(found, "check");
    return result;
}

static int add_other(struct setup *setup, json_t *found)
{
    bool keyboard = strcmp(ctl_text(found, "kind"), "keyboard") == 0, wanted = !keyboard;
    char usual[NAME_SIZE], name[NAME_SIZE], port[128];
    int result;

    ctl_printable(ctl_text(found, "port"), port, sizeof port);
    if (keyboard)
        result = setup_ask_yes(setup, &wanted, "%s: an instrument that types its reading (a keyboard: no)?", port);
    else
        result = setup_ask_yes(setup, &wanted, "Use the %s at %s too?", setup_word(found), port);
    if (result != SETUP_DONE || !wanted)
        return result;
    if (!keyboard && (result = setup_show_live(setup, found, "is that what it shows?", &wanted)) != SETUP_DONE)
        return result;
    if (!wanted)
        return SETUP_DONE;
    if ((result = ask_percent(setup, found)) != SETUP_DONE)
        return result;
    result = ask_name(
        setup, free_name(setup, "instruments", "instrument", keyboard ? "refractometer" : setup_word(found), usual),
        name, "What is it called?");
    if (result == SETUP_DONE) {
        setup_section(&setup->added, found, name, NULL, NULL);
        text_add(&setup->added, "\n", 1);
    }
    return result;
}

static bool is_scale(const json_t *found)
{
    return strcmp(ctl_text(found, "quantity"), "mass") == 0 && *ctl_text(found, "driver");
}

/* ---- the steps ---- */

/* Each scale in turn, live, until one of them is it; then the others. */
static int choose(struct setup *setup)
{
    char port[128];
    int result = add_bench(setup);
    json_t *one;
    size_t i;

    json_array_foreach(setup->found, i, one)
    {
        bool yes;

        if (result != SETUP_DONE || !is_scale(one))
            continue;
        printf("   The scale at %s: press it lightly.\n", ctl_printable(ctl_text(one, "port"), port, sizeof port));
        result = setup_show_live(setup, one, "is it this one?", &yes);
        if (result == SETUP_DONE && yes)
            result = add_scale(setup, one);
    }
    json_array_foreach(setup->found, i, one) if (result == SETUP_DONE && !is_scale(one) && *ctl_text(one, "driver"))
        result = add_other(setup, one);
    return result;
}

static int write_down(struct setup *setup)
{
    bool yes = true;
    int result;

    printf("   These lines come behind what stands in %s:\n\n", setup->file);
    for (const char *at = setup->added.data, *end = at + setup->added.length; at < end;) {
        size_t length = strcspn(at, "\n");

        printf("%s%.*s\n", length ? "       " : "", (int)length, at);
        at += length + 1;
    }
    result = setup_ask_yes(setup, &yes, "Write them?");
    if (result == SETUP_DONE && !yes)
        return SETUP_LEFT;
    return result == SETUP_DONE ? setup_write(setup) : result;
}

static int first_brew(struct setup *setup)
{
    bool yes = !setup->ctl->yes; /* nobody brews for a script */
    int result = setup_ask_yes(setup, &yes, "Brew one now, and see it arrive in the store?");

    if (result == SETUP_DONE && yes)
        result = setup_watch(setup);
    return result;
}

static const struct {
    const char *title;
    int (*run)(struct setup *setup);
} steps[] = {
    { "What is plugged in", setup_find },    { "Which is which", choose },    { "The configuration", write_down },
    { "Who may use the bench", setup_join }, { "The services", setup_start }, { "The first brew", first_brew },
};

enum { STEPS = sizeof steps / sizeof *steps, CHOSEN = 2, WRITTEN = 3 };

static int walk(struct setup *setup)
{
    int result = SETUP_DONE;

    for (int i = 0; i < STEPS && result == SETUP_DONE; i++) {
        if (i == CHOSEN
            && !memmem(setup->added.data ? setup->added.data : "", setup->added.length, "[instrument ", 12)) {
            puts("\nNothing was chosen, and nothing is changed.");
            return SETUP_LEFT;
        }
        printf("\n%d  %s\n", i + 1, steps[i].title);
        fflush(stdout);
        result = steps[i].run(setup);
        if (result == SETUP_LEFT)
            puts(i < WRITTEN ? "\nLeft; nothing was changed." : "\nLeft; the configuration is written.");
    }
    if (result == SETUP_DONE)
        puts("\nDone.  poise-timer shows what to do next; poise-ctl doctor looks whether all is\n"
             "well; setup again adds an instrument.");
    return result;
}

int command_setup(const struct ctl *ctl)
{
    struct setup setup = { .ctl = ctl, .terminal = isatty(STDOUT_FILENO) };
    struct sigaction action = { .sa_handler = on_interrupt }; /* no SA_RESTART: a question is left */
    int result;

    if (!ctl->yes && !isatty(STDIN_FILENO)) {
        program_message("setup asks: run it in a terminal, or with --yes to take every usual answer");
        return EXIT_USAGE;
    }
    sigaction(SIGINT, &action, NULL);
    setup.found = json_array();
    find_user(&setup);
    result = read_config(&setup);
    if (result == SETUP_DONE) {
        printf("Poise setup: from a plugged-in scale to the first saved brew.\n"
               "Enter takes what stands in [brackets]; Ctrl-C leaves, and until step 3 is done\n"
               "nothing is changed.\n");
        if (geteuid() != 0)
            puts("You are not root: what needs root comes as commands to paste.  Or start again:\n"
                 "sudo poise-ctl setup");
        result = walk(&setup);
    }
    json_decref(setup.config);
    json_decref(setup.found);
    text_free(&setup.added);
    text_free(&setup.paste);
    return result == SETUP_DONE ? EXIT_DONE : EXIT_FAILED;
}
