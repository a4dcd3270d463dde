/* What every program does alike; see program.h. */
#include "poise/program.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const char *program_name = "poise";

void program_begin(const char *argv0)
{
    const char *slash = argv0 ? strrchr(argv0, '/') : NULL;

    if (argv0 && *argv0)
        program_name = slash ? slash + 1 : argv0;
}

void program_plain(char *text)
{
    for (; *text; text++)
        if ((unsigned char)*text < ' ' || *text == 0x7f)
            *text = '?';
}

void program_say(const char *format, ...)
{
    char line[1024];
    va_list arguments;
    size_t length, room = sizeof line - 1; /* one byte kept for the newline */
    ssize_t written;

    length = (size_t)snprintf(line, room, "%s: ", program_name);
    if (length < room) {
        va_start(arguments, format);
        vsnprintf(line + length, room - length, format, arguments);
        va_end(arguments);
    }
    program_plain(line);
    length = strlen(line);
    line[length++] = '\n';
    written = write(STDERR_FILENO, line, length);
    (void)written; /* nowhere left to complain */
}

void program_version(void)
{
    printf("%s %s\n"
           "Poise is free software under the GNU General Public License, version 3 or later;\n"
           "you may change it and pass it on.  There is no warranty, as far as the law permits.\n",
           program_name, POISE_VERSION);
}

int program_end(int status)
{
    if (fflush(stdout) == 0 && !ferror(stdout))
        return status;
    program_say("standard output: could not be written whole");
    return EXIT_FAILED;
}

bool program_colour(void)
{
    const char *no_color = getenv("NO_COLOR");

    return !(no_color && *no_color) && isatty(STDOUT_FILENO);
}

static const char *variable(const char *name)
{
    const char *value = getenv(name);

    return value && *value ? value : NULL;
}

char *place_own_runtime(char *out, size_t size)
{
    const char *runtime = variable("XDG_RUNTIME_DIR");

    if (runtime)
        snprintf(out, size, "%s/poise", runtime);
    else
        snprintf(out, size, "/tmp/poise-%u", (unsigned)getuid());
    return out;
}

char *place_own_data(char *out, size_t size)
{
    const char *data = variable("XDG_DATA_HOME"), *home = variable("HOME");

    if (data)
        snprintf(out, size, "%s/poise", data);
    else if (home)
        snprintf(out, size, "%s/.local/share/poise", home);
    else
        place_own_runtime(out, size);
    return out;
}

static char *place_socket(const char *option, const char *environment, const char *name, char *out, size_t size)
{
    char folder[256], system[64];

    if (!option)
        option = variable(environment);
    snprintf(system, sizeof system, "/run/poise/%s", name);
    if (option)
        snprintf(out, size, "%s", option);
    else if (access(system, F_OK) == 0)
        snprintf(out, size, "ipc://%s", system);
    else
        snprintf(out, size, "ipc://%s/%s", place_own_runtime(folder, sizeof folder), name);
    return out;
}

char *place_bus(const char *option, char *out, size_t size)
{
    return place_socket(option, "POISE_BUS", "bus", out, size);
}

char *place_control(const char *option, char *out, size_t size)
{
    return place_socket(option, "POISE_CONTROL", "control", out, size);
}

char *place_store(const char *option, char *out, size_t size)
{
    char folder[256];

    if (!option)
        option = variable("POISE_STORE");
    if (option)
        snprintf(out, size, "%s", option);
    else
        snprintf(out, size, "%s/store.db", place_own_data(folder, sizeof folder));
    return out;
}
