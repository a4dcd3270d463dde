/* A growing text; see text.h. */
#include "poise/text.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "poise/messages.h"

char *text_room(struct text *text, size_t more)
{
    if (text->failed)
        return NULL;
    if (text->length + more > text->size) {
        size_t size = text->size ? text->size : 4096;
        char *data;

        while (size < text->length + more)
            size *= 2;
        if (!(data = realloc(text->data, size))) {
            text->failed = true;
            return NULL;
        }
        text->data = data;
        text->size = size;
    }
    return text->data + text->length;
}

void text_add(struct text *text, const void *data, size_t length)
{
    char *room = text_room(text, length);

    if (room) {
        memcpy(room, data, length);
        text->length += length;
    }
}

void text_print(struct text *text, const char *format, ...)
{
    va_list arguments;
    char *room;
    int length;

    va_start(arguments, format);
    length = vsnprintf(NULL, 0, format, arguments);
    va_end(arguments);
    if (length < 0 || !(room = text_room(text, (size_t)length + 1)))
        return;
    va_start(arguments, format);
    vsnprintf(room, (size_t)length + 1, format, arguments);
    va_end(arguments);
    text->length += (size_t)length;
}

void text_string(struct text *text, const char *string)
{
    /* the longest escape has six characters: \u001f */
    size_t most = strlen(string) * 6 + 3;
    char *room = text_room(text, most);
    int length = room ? message_write_string(string, room, most) : -1;

    if (length >= 0)
        text->length += (size_t)length;
    else
        text->failed = true;
}

void text_number(struct text *text, double value)
{
    char *room = text_room(text, 40);
    int length = room ? message_write_number(value, room, 40) : -1;

    if (length >= 0)
        text->length += (size_t)length;
    else
        text->failed = true;
}

void text_free(struct text *text)
{
    free(text->data);
    *text = (struct text){ 0 };
}

char *text_taken(struct text *text)
{
    char *room = text_room(text, 1);

    if (!room) {
        text_free(text);
        return NULL;
    }
    *room = '\0';
    return text->data;
}
