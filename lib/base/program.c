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
    for (; *text; text++) {
        unsigned char byte = (unsigned char)*text, next = (unsigned char)text[1];

        if (byte < ' ' || byte == 0x7f)
            *text = '?';
        else if (byte == 0xc2 && next >= 0x80 && next < 0xa0) /* U+0080 to U+009F steer terminals too */
            *text = text[1] = '?';
    }
}

void program_message(const char *format, ...)
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
    program_message("standard output: could not be written whole");
    return EXIT_FAILED;
}

bool program_colour(void)
{
    const char *no_color = getenv("NO_COLOR");

    return !(no_color && *no_color) && isatty(STDOUT_FILENO);
}
