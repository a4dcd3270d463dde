/* Questions on the terminal: Enter takes what stands in brackets. */
#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>
#include <unistd.h>

#include "setup_parts.h"

/* Byte by byte: the live view watches the same descriptor, so that nothing may wait in a buffer. */
int setup_line(char *out, size_t size)
{
    size_t length = 0;
    char byte = '\0';
    ssize_t got;

    while ((got = read(STDIN_FILENO, &byte, 1)) == 1 && byte != '\n')
        if (length + 1 < size && byte != '\r')
            out[length++] = byte;
    while (length > 0 && (out[length - 1] == ' ' || out[length - 1] == '\t'))
        length--;
    out[length] = '\0';
    return got == 1 ? SETUP_DONE : SETUP_LEFT; /* the end of input, or a signal */
}

int setup_ask(const struct setup *setup, const char *usual, char *out, size_t size, const char *format, ...)
{
    va_list arguments;
    int result = SETUP_DONE;

    fputs("   ", stdout);
    va_start(arguments, format);
    vprintf(format, arguments);
    va_end(arguments);
    printf(" [%s] ", usual);
    fflush(stdout);
    out[0] = '\0';
    if (setup->ctl->yes)
        putchar('\n');
    else
        result = setup_line(out, size);
    if (result == SETUP_DONE && out[0] == '\0')
        snprintf(out, size, "%s", usual);
    return result;
}

bool setup_is_answer(const char *text, bool *yes)
{
    if (strcasecmp(text, "yes") != 0 && strcasecmp(text, "y") != 0 && strcasecmp(text, "no") != 0
        && strcasecmp(text, "n") != 0)
        return false;
    *yes = text[0] == 'y' || text[0] == 'Y';
    return true;
}

int setup_ask_yes(const struct setup *setup, bool *out, const char *format, ...)
{
    char question[512], answer[64];
    va_list arguments;
    int result;

    va_start(arguments, format);
    vsnprintf(question, sizeof question, format, arguments);
    va_end(arguments);
    do {
        result = setup_ask(setup, *out ? "yes" : "no", answer, sizeof answer, "%s", question);
        if (result != SETUP_DONE || setup_is_answer(answer, out))
            return result;
        printf("   Please answer yes or no; Enter is %s.\n", *out ? "yes" : "no");
    } while (true);
}
