/* Finding parts of a JSON text without parsing it: for digits that parsing would lose, and for many
 * messages in one reply.  Brackets and strings are only walked over, never beyond `end`; whether the
 * part is sound JSON is for its reader to find out. */
#ifndef POISE_JSON_TEXT_H
#define POISE_JSON_TEXT_H

#include <stdbool.h>

struct json_text {
    const char *at, *end;
};

/* The first character at or behind `at` that is no blank; `end` when there is none. */
const char *json_text_begin(const char *at, const char *end);

/* Just behind the value that begins at `at` (after blanks); NULL when the text ends first. */
const char *json_text_past(const char *at, const char *end);

/* The value of a member of the object that the text is; false when it has none of that name. */
bool json_text_member(struct json_text object, const char *key, struct json_text *out);

#endif
