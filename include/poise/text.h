/* A growing text, for what has no fixed length.  After a failed allocation it stays failed and adds
 * nothing, so that one check at the end suffices. */
#ifndef POISE_TEXT_H
#define POISE_TEXT_H

#include <stdbool.h>
#include <stddef.h>

#pragma GCC visibility push(default)

struct text {
    char *data; /* freed by text_free */
    size_t length, size;
    bool failed;
};

/* Room for `more` bytes at data + length; NULL when memory is short. */
char *text_room(struct text *text, size_t more);
void text_add(struct text *text, const void *data, size_t length);
void text_print(struct text *text, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* As JSON: a string with quotes, a number that reads back the same or null. */
void text_string(struct text *text, const char *string);
void text_number(struct text *text, double value);
void text_free(struct text *text);

/* What it holds as a C string, which is the caller's from now on; NULL when memory was short: then it is freed. */
char *text_taken(struct text *text);

#pragma GCC visibility pop

#endif
