/* Sentences for people; see why.h. */
#include "poise/why.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

static void blank_controls(char *text)
{
    for (; *text; text++)
        if ((unsigned char)*text < 0x20 || *text == 0x7f)
            *text = '?';
}

int why_set(struct why *why, int error, const char *format, ...)
{
    va_list arguments;

    va_start(arguments, format);
    vsnprintf(why->text, sizeof why->text, format, arguments);
    va_end(arguments);
    blank_controls(why->text);
    return error;
}

int why_prefix(struct why *why, int error, const char *format, ...)
{
    char rest[sizeof why->text];
    va_list arguments;
    int length;

    memcpy(rest, why->text, sizeof rest);
    va_start(arguments, format);
    length = vsnprintf(why->text, sizeof why->text, format, arguments);
    va_end(arguments);
    if (length >= 0 && (size_t)length < sizeof why->text)
        snprintf(why->text + length, sizeof why->text - (size_t)length, "%s", rest);
    blank_controls(why->text);
    return error;
}
