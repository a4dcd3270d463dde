/* One instrument, live: a bench of its own for it, in a folder of its own, that ends with the question.  So what is
 * shown has come all the way that a reading takes. */
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <unistd.h>

#include "poise/client.h"
#include "poise/program.h"
#include "setup_parts.h"

enum {
    NOTHING_YET_MS = 8000, /* a scale that sends does so at least once a second; opening takes no longer */
    FOLDER_SIZE = 128
};

struct trial {
    char folder[FOLDER_SIZE];
    char bus[FOLDER_SIZE + 16], control[FOLDER_SIZE + 16], instrument[NAME_SIZE];
    pid_t poised; /* 0: the running bench reads it */
};

static bool write_trial(const struct trial *trial, const json_t *found)
{
    bool mass = strcmp(ctl_text(found, "quantity"), "mass") == 0;
    struct text section = { 0 };
    char path[FOLDER_SIZE + 16];
    FILE *file;

    snprintf(path, sizeof path, "%s/poised.conf", trial->folder);
    setup_section(&section, found, trial->instrument, mass ? "trial" : NULL, NULL);
    file = fopen(path, "we");
    if (file)
        fprintf(file, "[bench]\nname = trial\nbus = %s\ncontrol = %s\njournal = journal.db\n\n[station trial]\n\n%.*s",
                trial->bus, trial->control, (int)section.length, section.data ? section.data : "");
    text_free(&section);
    return file && fclose(file) == 0;
}

static int start(struct trial *trial, const json_t *found)
{
    const char *runtime = getenv("XDG_RUNTIME_DIR"), *temporary = getenv("TMPDIR");
    char path[FOLDER_SIZE + 16], log[FOLDER_SIZE + 16];
    int said;

    snprintf(trial->folder, sizeof trial->folder, "%s/poise-setup-XXXXXX",
             runtime && *runtime       ? runtime
             : temporary && *temporary ? temporary
                                       : "/tmp");
    if (!mkdtemp(trial->folder)) {
        program_message("%s: %m", trial->folder);
        trial->folder[0] = '\0';
        return SETUP_FAILED;
    }
    snprintf(trial->bus, sizeof trial->bus, "ipc://%s/bus", trial->folder);
    snprintf(trial->control, sizeof trial->control, "ipc://%s/control", trial->folder);
    strcpy(trial->instrument, "instrument");
    snprintf(path, sizeof path, "%s/poised.conf", trial->folder);
    snprintf(log, sizeof log, "%s/log", trial->folder);
    if (!write_trial(trial, found) || (trial->poised = fork()) < 0) {
        program_message("%s: cannot be tried: %m", trial->folder);
        trial->poised = 0;
        return SETUP_FAILED;
    }
    if (trial->poised == 0) {
        char *arguments[] = { (char *)"poise-ctl", (char *)"--config", path, NULL };

        prctl(PR_SET_PDEATHSIG, SIGTERM);
        said = open(log, O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
        if (said >= 0)
            dup2(said, STDERR_FILENO);
        _exit(ctl_poised(arguments));
    }
    return SETUP_DONE;
}

/* The folder goes with all that poised made in it. */
static void stop(const struct trial *trial)
{
    struct dirent *entry;
    DIR *folder;

    if (trial->poised > 0) {
        kill(trial->poised, SIGTERM);
        while (waitpid(trial->poised, NULL, 0) < 0 && errno == EINTR)
            ;
    }
    if (!trial->folder[0] || !(folder = opendir(trial->folder)))
        return;
    while ((entry = readdir(folder)))
        unlinkat(dirfd(folder), entry->d_name, 0);
    closedir(folder);
    rmdir(trial->folder);
}

/* "  123.4 g  moving": the line is drawn again where the screen can. */
static void draw(const struct setup *setup, const struct message_reading *reading, const char *question)
{
    char digits[40] = "", shown[64];

    if (reading->status == READING_OK && decimal_format(reading->value, digits, sizeof digits) >= 0)
        snprintf(shown, sizeof shown, "%s %s%s", digits, unit_name(quantity_unit(reading->quantity)),
                 reading->stable == 0 ? "  moving" : "");
    else
        snprintf(shown, sizeof shown, "%s", reading_status_name(reading->status));
    printf("%s   %-22s %s [yes] %s", setup->terminal ? "\r" : "", shown, question, setup->terminal ? "" : "\n");
    fflush(stdout);
}

struct live {
    struct setup *setup;
    const struct trial *trial;
    const char *question, *quantity; /* what the instrument is for: the temperature beside it is not shown */
    int drawn;
    bool *yes;
};

/* A reading is drawn; anything else that the instrument sends is why there is none. */
static void take(struct live *live, const struct message *message)
{
    char detail[DETAIL_SIZE];

    if (message->kind == MESSAGE_READING && strcmp(message->reading.instrument, live->trial->instrument) == 0) {
        if (message->reading.status == READING_OK
            && strcmp(quantity_name(message->reading.quantity), live->quantity) != 0)
            return;
        draw(live->setup, &message->reading, live->question);
        live->drawn++;
    } else if (message->kind == MESSAGE_INSTRUMENT && live->drawn == 0
               && (message->instrument.change == INSTRUMENT_REFUSED || message->instrument.change == INSTRUMENT_LOST)) {
        printf("   %s\n", ctl_printable(message->instrument.detail, detail, sizeof detail));
    }
}

/* -1: the question is still open. */
static int take_answer(struct live *live)
{
    char answer[64];
    int result = setup_line(answer, sizeof answer);

    if (result != SETUP_DONE || answer[0] == '\0' || setup_is_answer(answer, live->yes))
        return result;
    puts("   Please answer yes or no; Enter is yes.");
    return -1;
}

static int watch(struct live *live, struct client *client)
{
    bool asks = !live->setup->ctl->yes;
    struct message message;
    struct why why;

    while (true) {
        int event = client_next(client, asks ? STDIN_FILENO : -1, NOTHING_YET_MS, &message, &why), result;

        if (event == CLIENT_MESSAGE) {
            take(live, &message);
            message_free(&message);
            if (live->drawn > 0 && !asks) {
                putchar('\n');
                return SETUP_DONE;
            }
        } else if (event == CLIENT_INPUT) {
            if ((result = take_answer(live)) >= 0)
                return result;
        } else if (event == CLIENT_TIMEOUT) {
            printf("   Nothing comes any more; switch it on, or press its key that sends.%s", asks ? "" : "\n");
            fflush(stdout);
            if (!asks) {
                *live->yes = false;
                return SETUP_DONE;
            }
        } else if (event == -EINTR) {
            return SETUP_LEFT;
        } else if (event < 0) {
            program_message("%s", why.text);
            return SETUP_FAILED;
        }
    }
}

int setup_show_live(struct setup *setup, const json_t *found, const char *question, bool *yes)
{
    bool read = strcmp(ctl_text(found, "kind"), "read") == 0;
    struct trial trial = { .poised = 0 };
    struct live live = {
        .setup = setup, .trial = &trial, .question = question, .quantity = ctl_text(found, "quantity"), .yes = yes
    };
    struct client_options options = { .subscribe = true };
    struct client *client;
    struct why why;
    int result = SETUP_DONE;

    *yes = true;
    snprintf(trial.instrument, sizeof trial.instrument, "%s", ctl_text(found, "instrument"));
    if (!read)
        result = start(&trial, found);
    options.bus = read ? setup->ctl->bus : trial.bus;
    options.control = read ? setup->ctl->control : trial.control;
    if (result == SETUP_DONE && client_open(&client, &options, &why) < 0) {
        program_message("%s", why.text);
        result = SETUP_FAILED;
    } else if (result == SETUP_DONE) {
        result = watch(&live, client);
        client_close(client);
    }
    stop(&trial);
    return result;
}
