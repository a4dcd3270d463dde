/* What only the daemon's own code can do, done by the poised that belongs to this poise-ctl. */
#include <limits.h>
#include <string.h>
#include <unistd.h>

#include "ctl.h"
#include "poise/program.h"

enum { ARGUMENTS_MOST = 64 };

int ctl_poised(char *const arguments[])
{
    char beside[PATH_MAX + 8];
    ssize_t length = readlink("/proc/self/exe", beside, PATH_MAX);
    char *slash;

    if (length > 0) {
        beside[length] = '\0';
        slash = strrchr(beside, '/');
        strcpy(slash + 1, "poised");
        execv(beside, arguments);
    }
    execvp("poised", arguments);
    program_message("poised is neither beside this program nor in PATH: %m");
    return EXIT_FAILED;
}

int command_probe(const struct ctl *ctl)
{
    char *arguments[ARGUMENTS_MOST] = { (char *)"poise-ctl", (char *)"--probe" };
    int count = 2;

    if (ctl->ask)
        arguments[count++] = (char *)"--ask";
    if (ctl->json)
        arguments[count++] = (char *)"--json";
    if (ctl->config) {
        arguments[count++] = (char *)"--config";
        arguments[count++] = (char *)ctl->config;
    }
    if (ctl->seconds) {
        arguments[count++] = (char *)"--seconds";
        arguments[count++] = (char *)ctl->seconds;
    }
    arguments[count++] = (char *)"--";
    for (int i = 0; i < ctl->word_count; i++) /* 16 at most, as the command's row allows */
        arguments[count++] = ctl->words[i];
    return ctl_poised(arguments);
}
