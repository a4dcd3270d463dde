/* The group, the services, and the first brew on its way into the store.  What we may not do is left as a command to
 * paste: sudo may ask for a password, and a person can answer. */
#include <errno.h>
#include <grp.h>
#include <math.h>
#include <pwd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "poise/client.h"
#include "poise/clock.h"
#include "poise/place.h"
#include "poise/program.h"
#include "poise/store.h"
#include "setup_parts.h"

enum {
    BENCH_WITHIN_MS = 30000, /* a service starts in a second; a damaged journal takes longer */
    SAVED_WITHIN_MS = 20000, /* the logger gathers for a second, and tries a full disk again every five */
    LOOK_EVERY_MS = 300
};

/* Runs it quietly; what it reports when it fails is shown. */
static bool done(char *const arguments[])
{
    struct text output = { 0 }, said = { 0 };
    bool good = ctl_run(arguments, &output, &said) == 0;

    text_free(&output);
    text_free(&said);
    return good;
}

static bool in_group(const char *user, const char *name)
{
    const struct group *group = getgrnam(name);
    const struct passwd *entry = getpwnam(user);
    gid_t of_user[256], wanted;
    int count = sizeof of_user / sizeof *of_user;

    if (!group || !entry)
        return false;
    wanted = group->gr_gid;
    if (getgrouplist(user, entry->pw_gid, of_user, &count) < 0)
        return false;
    for (int i = 0; i < count; i++)
        if (of_user[i] == wanted)
            return true;
    return false;
}

int setup_join(struct setup *setup)
{
    char *make[] = { (char *)"systemd-sysusers", NULL };
    char *join[] = { (char *)"usermod", (char *)"-aG", (char *)"poise", setup->user, NULL };

    if (!setup->user[0]) {
        puts("   Root may do everything; whoever else is to brew: sudo usermod -aG poise NAME");
        return SETUP_DONE;
    }
    if (in_group(setup->user, "poise")) {
        printf("   %s is in the group poise.\n", setup->user);
        return SETUP_DONE;
    }
    if (!getgrnam("poise") && !done(make))
        text_print(&setup->paste, "sudo systemd-sysusers\n");
    if (done(join))
        printf("   %s is in the group poise from the next login on (or at once in a shell: newgrp poise).\n",
               setup->user);
    else {
        printf("   %s is not in the group poise, and only root may change that.\n", setup->user);
        text_print(&setup->paste, "sudo usermod -aG poise %s\n", setup->user);
    }
    return SETUP_DONE;
}

/* A computer without one, as a container, has nothing to start services with. */
static bool has_service_manager(void)
{
    char *arguments[] = { (char *)"systemctl", (char *)"--no-ask-password", (char *)"is-system-running", NULL };
    struct text output = { 0 }, said = { 0 };
    bool has = ctl_run(arguments, &output, &said) >= 0 && output.data && *output.data
               && strncmp(output.data, "offline", 7) != 0;

    text_free(&output);
    text_free(&said);
    return has;
}

/* The commands that are left, and the time to run them. */
static int show_paste(struct setup *setup)
{
    char answer[16];

    if (setup->paste.length == 0)
        return SETUP_DONE;
    text_add(&setup->paste, "", 1);
    printf("\n   What is left needs root, or hands of its own.  Paste this into another terminal:\n\n");
    for (char *rest = setup->paste.data, *line; (line = strsep(&rest, "\n")) && *line;)
        printf("       %s\n", line);
    putchar('\n');
    return setup->ctl->yes ? SETUP_DONE : setup_ask(setup, "done", answer, sizeof answer, "Enter when that is done");
}

int setup_start(struct setup *setup)
{
    char *enable[] = { (char *)"systemctl", (char *)"--no-ask-password", (char *)"enable",
                       (char *)"poised",    (char *)"poise-logger",      NULL };
    char *restart[] = { (char *)"systemctl", (char *)"--no-ask-password", (char *)"restart",
                        (char *)"poised",    (char *)"poise-logger",      NULL };

    if (!has_service_manager()) {
        puts("   There is no service manager here, so nothing starts by itself.");
        text_print(&setup->paste, "poised --config %s &\npoise-logger &\n", setup->file);
    } else if (!setup->elsewhere && done(enable) && done(restart)) {
        puts("   poised and poise-logger run, and start with the computer.");
    } else {
        puts("   Only root may start the services.");
        text_print(&setup->paste,
                   "sudo systemctl enable poised poise-logger && sudo systemctl restart poised poise-logger\n");
    }
    return show_paste(setup);
}

/* ---- the first brew ---- */

struct first {
    struct setup *setup;
    char bus[256], control[256], store[512], brew[BREW_SIZE];
    bool found, ended;
    int64_t until_ms;
};

static void find_places(struct first *first)
{
    const struct ctl *ctl = first->setup->ctl;
    struct text said = { 0 };
    json_t *config = geteuid() == 0 || !first->setup->elsewhere ? ctl_configuration(first->setup->file, &said) : NULL;

    place_bus(ctl->bus_option, first->bus, sizeof first->bus);
    place_control(ctl->control_option, first->control, sizeof first->control);
    place_store(ctl->store_option, first->store, sizeof first->store);
    /* the first of them is that of this machine */
    if (geteuid() == 0 && !ctl->bus_option && !getenv("POISE_BUS") && *ctl_text(config, "bus"))
        snprintf(first->bus, sizeof first->bus, "%.*s", (int)strcspn(ctl_text(config, "bus"), ","),
                 ctl_text(config, "bus"));
    if (geteuid() == 0 && !ctl->control_option && !getenv("POISE_CONTROL") && *ctl_text(config, "control"))
        snprintf(first->control, sizeof first->control, "%.*s", (int)strcspn(ctl_text(config, "control"), ","),
                 ctl_text(config, "control"));
    text_free(&said);
    json_decref(config);
}

static void show_measures(sqlite3_stmt *row)
{
    static const enum measure shown[] = { MEASURE_DOSE_G, MEASURE_WATER_G, MEASURE_BEVERAGE_G, MEASURE_STEEP_S };

    for (int i = 0; i < (int)(sizeof shown / sizeof *shown); i++)
        if (sqlite3_column_type(row, i) != SQLITE_NULL)
            printf("       %-26s %7.1f %s\n", measure_summary(shown[i]), sqlite3_column_double(row, i),
                   measure_unit(shown[i]));
}

/* True once the store has the brew with its end; then it is shown. */
static bool is_saved(const struct first *first)
{
    static const char select[] = "SELECT dose_g, water_g, beverage_g, steep_s FROM brew_summary"
                                 " WHERE brew = ?1 AND ended_utc IS NOT NULL";
    sqlite3_stmt *row = NULL;
    struct store *store;
    struct why why;
    bool saved;

    if (store_open(&store, first->store, STORE_READ, &why) < 0)
        return false;
    saved = sqlite3_prepare_v2(store_database(store), select, -1, &row, NULL) == SQLITE_OK
            && sqlite3_bind_text(row, 1, first->brew, -1, SQLITE_STATIC) == SQLITE_OK
            && sqlite3_step(row) == SQLITE_ROW;
    if (saved) {
        printf("\n   %s is saved in %s:\n", first->brew, first->store);
        show_measures(row);
    }
    sqlite3_finalize(row);
    store_close(store);
    return saved;
}

static void take_event(struct first *first, const struct message *message)
{
    char detail[DETAIL_SIZE];

    if (message->kind == MESSAGE_INSTRUMENT)
        printf("   %s: %s %s\n", message->instrument.instrument, instrument_change_name(message->instrument.change),
               ctl_printable(message->instrument.detail, detail, sizeof detail));
    else if (message->kind == MESSAGE_STAGE)
        printf("   %s  %s\n", message->stage.brew, stage_name(message->stage.stage));
    else if (message->kind == MESSAGE_BREW && message->brew.change == BREW_DISCARD)
        printf("   %s does not count: %s.  Brew again.\n", message->brew.brew,
               ctl_printable(message->brew.note, detail, sizeof detail));
    else if (message->kind == MESSAGE_BREW && message->brew.change == BREW_END) {
        snprintf(first->brew, sizeof first->brew, "%s", message->brew.brew);
        first->ended = true;
        first->until_ms = clock_steady_ms() + SAVED_WITHIN_MS;
    }
    fflush(stdout);
}

static void notice_bench(struct first *first)
{
    if (first->found)
        return;
    first->found = true;
    puts("   The bench answers.  Now brew as always: cup and brewer on the scale, the coffee,\n"
         "   the water, the press; at the end the full cup on the scale.  Ctrl-C leaves;\n"
         "   everything is set up.\n"
         "   Water near boiling, and a press on glass, can hurt: straight down, slowly, and\n"
         "   never on thin glass.");
    fflush(stdout);
}

/* -1: go on. */
static int turn(struct first *first, struct client *client)
{
    struct message message;
    struct why why;
    int event = client_next(client, -1, LOOK_EVERY_MS, &message, &why);

    if (event == CLIENT_FOUND)
        notice_bench(first);
    if (event == CLIENT_MESSAGE) {
        notice_bench(first);
        take_event(first, &message);
        message_free(&message);
    } else if (event == -EINTR) {
        return SETUP_LEFT;
    } else if (event < 0) {
        program_message("%s", why.text);
        return SETUP_FAILED;
    }
    if (first->ended && is_saved(first))
        return SETUP_DONE;
    if ((!first->found || first->ended) && clock_steady_ms() > first->until_ms) {
        program_message(first->ended ? "%s is over, and not in the store after 20 s; what is wrong: poise-ctl doctor"
                                     : "%s: no bench answers after 30 s; what is wrong: poise-ctl doctor",
                        first->ended ? first->brew : first->bus);
        return SETUP_FAILED;
    }
    return -1;
}

int setup_watch(struct setup *setup)
{
    struct first first = { .setup = setup, .until_ms = clock_steady_ms() + BENCH_WITHIN_MS };
    struct client_options options = { .subscribe = true };
    struct client *client;
    struct why why;
    int result;

    find_places(&first);
    options.bus = first.bus;
    options.control = first.control;
    if (client_open(&client, &options, &why) < 0) {
        program_message("%s", why.text);
        return SETUP_FAILED;
    }
    do
        result = turn(&first, client);
    while (result < 0);
    client_close(client);
    return result;
}
