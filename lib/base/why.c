/* Sentences for people; see why.h. */
#include "poise/why.h"

#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

static void blank_controls(char *text)
{
    for (; *text; text++)
        if ((unsigned char)*text < 0x20 || *text == 0x7f)
            *text = '?';
        else if ((unsigned char)text[0] == 0xc2 && (unsigned char)text[1] >= 0x80 && (unsigned char)text[1] < 0xa0)
            text[0] = text[1] = '?'; /* U+0080 to U+009F steer terminals too */
}

void why_write(struct why *why, const char *format, ...)
{
    int kept = errno;
    va_list arguments;

    va_start(arguments, format);
    vsnprintf(why->text, sizeof why->text, format, arguments);
    va_end(arguments);
    blank_controls(why->text);
    errno = kept;
}

void why_write_before(struct why *why, const char *format, ...)
{
    int kept = errno;
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
    errno = kept;
}
