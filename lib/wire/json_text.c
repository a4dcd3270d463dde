/* Walking over JSON text; see json_text.h. */
#include "json_text.h"

#include <string.h>

const char *json_text_begin(const char *at, const char *end)
{
    while (at < end && (*at == ' ' || *at == '\t' || *at == '\r' || *at == '\n'))
        at++;
    return at;
}

static const char *past_string(const char *at, const char *end)
{
    for (at++; at < end && *at != '"'; at++)
        if (*at == '\\' && at + 1 < end)
            at++;
    return at < end ? at + 1 : NULL;
}

static const char *past_brackets(const char *at, const char *end)
{
    int depth = 0;

    while (at < end) {
        if (*at == '"') {
            at = past_string(at, end);
            if (!at)
                return NULL;
            continue;
        }
        if (*at == '{' || *at == '[')
            depth++;
        else if ((*at == '}' || *at == ']') && --depth == 0)
            return at + 1;
        at++;
    }
    return NULL;
}

/* What may follow a number or a word. */
static const char ends[] = { ',', ']', '}', ' ', '\t', '\r', '\n' };

const char *json_text_past(const char *at, const char *end)
{
    at = json_text_begin(at, end);
    if (at == end)
        return NULL;
    if (*at == '"')
        return past_string(at, end);
    if (*at == '{' || *at == '[')
        return past_brackets(at, end);
    while (at < end && !memchr(ends, *at, sizeof ends))
        at++;
    return at < end ? at : NULL;
}

bool json_text_member(struct json_text object, const char *key, struct json_text *out)
{
    const char *end = object.end, *at = json_text_begin(object.at, end);
    size_t length = strlen(key);

    if (at == end || *at != '{')
        return false;
    at = json_text_begin(at + 1, end);
    while (at < end && *at == '"') {
        const char *name = at + 1, *past = json_text_past(at, end), *value;

        if (!past)
            return false;
        value = json_text_begin(past, end);
        if (value == end || *value != ':')
            return false;
        value = json_text_begin(value + 1, end);
        at = json_text_past(value, end);
        if (!at)
            return false;
        if ((size_t)(past - 1 - name) == length && memcmp(name, key, length) == 0) {
            *out = (struct json_text){ value, at };
            return true;
        }
        at = json_text_begin(at, end);
        if (at < end && *at == ',')
            at = json_text_begin(at + 1, end);
    }
    return false;
}
