/* Requests: read, checked, answered; see control.h.  What each does is in control_commands.c. */
#include "control.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "bus.h"
#include "control_parts.h"
#include "poise/text.h"

static bool field_known(const char *fields, const char *key)
{
    size_t length = strlen(key);

    if (strcmp(key, "do") == 0 || strcmp(key, "id") == 0 || strcmp(key, "by") == 0)
        return true;
    while (*fields) {
        size_t word = strcspn(fields, " ");

        if (word == length && memcmp(fields, key, word) == 0)
            return true;
        fields += word + (fields[word] == ' ');
    }
    return false;
}

int control_may_order(const struct request *request, const char *what, struct why *why)
{
    if (request->guest->role == ROLE_CONTROL)
        return 0;
    return why_set(why, -EPERM, "%s may listen and ask here, and give no orders: \"%s\" needs the role control",
                   request->guest->name, what);
}

/* A client that gives orders for others, as a board for its devices, names the one that asked. */
static int take_by(struct request *request, struct why *why)
{
    const char *by;
    int error = control_string(request, "by", &by, why);
    size_t length = by ? strlen(by) : 0;

    if (error || !by)
        return error;
    for (size_t i = 0; i < length; i++)
        if (by[i] < ' ' || by[i] > '~')
            length = NAME_SIZE;
    if (length == 0 || length >= NAME_SIZE)
        return why_set(why, -EINVAL, "\"by\" is the name of a device: 1 to %d printable ASCII characters",
                       NAME_SIZE - 1);
    if (request->control->asked_for)
        request->control->asked_for(request->control->context, by);
    return 0;
}

static int run(struct request *request, struct why *why)
{
    const char *what = json_string_value(json_object_get(request->json, "do"));
    struct text all = { 0 };
    const char *key;
    json_t *value;
    int error = 0;

    for (const struct command_row *row = control_commands; what && row->name; row++) {
        if (strcmp(row->name, what) != 0)
            continue;
        json_object_foreach(request->json, key, value) if (!field_known(row->fields, key)) return why_set(
            why, -EINVAL, "\"%s\" has no field \"%.40s\"; it knows: %s", what, key,
            row->fields[0] ? row->fields : "none");
        if (!row->only_asks && (error = control_may_order(request, what, why)) != 0)
            return error;
        if ((error = take_by(request, why)) != 0)
            return error;
        return row->run(request, why);
    }
    for (const struct command_row *row = control_commands; row->name; row++)
        text_print(&all, "%s%s", row == control_commands ? "" : ", ", row->name);
    error = what ? why_set(why, -EINVAL, "\"do\" cannot be \"%.40s\"; it is one of %s", what, all.data ? all.data : "")
                 : why_set(why, -EINVAL, "\"do\" is missing; it is one of %s", all.data ? all.data : "");
    text_free(&all);
    return error;
}

static json_t *read_request(const char *text, size_t length, struct why *why)
{
    json_error_t mistake;
    json_t *json;

    if (length > REQUEST_BYTES) {
        why_set(why, -EMSGSIZE, "the request has %zu bytes; %d are the most", length, REQUEST_BYTES);
        return NULL;
    }
    json = json_loadb(text, length, JSON_REJECT_DUPLICATES, &mistake);
    if (json && json_is_object(json))
        return json;
    if (json)
        why_set(why, -EINVAL, "a request is one JSON object, as {\"do\": \"status\"}");
    else
        why_set(why, -EINVAL, "the request is no JSON object: %s (line %d, column %d)", mistake.text, mistake.line,
                mistake.column);
    json_decref(json);
    return NULL;
}

/* A cut may have gone through a character: then the sentence keeps only what is sure. */
static json_t *sentence(struct why *why)
{
    json_t *text = json_string(why->text);

    if (text)
        return text;
    for (char *at = why->text; *at; at++)
        if ((unsigned char)*at >= 0x80)
            *at = '?';
    return json_string(why->text);
}

static void drop_raw(struct request *request)
{
    while (request->raw_count > 0)
        free(request->raw[--request->raw_count].text);
}

/* The object with what is JSON already put in; NULL: no memory. */
static char *write_reply(const struct request *request)
{
    char *object = json_dumps(request->reply, JSON_COMPACT);
    struct text text = { 0 };

    if (!object || !request->raw_count)
        return object;
    text_add(&text, object, strlen(object) - 1); /* without its last bracket; it has "ok" at least */
    free(object);
    for (int i = 0; i < request->raw_count; i++) {
        text_print(&text, ",\"%s\":", request->raw[i].key);
        text_add(&text, request->raw[i].text, strlen(request->raw[i].text));
    }
    text_add(&text, "}", 1);
    return text_taken(&text);
}

char *control_answer(const struct control *control, const struct guest *guest, const char *text, size_t length,
                     struct moment now, size_t *reply_length)
{
    struct request request = { .control = control, .guest = guest, .now = now, .reply = json_object() };
    struct why why = { "" };
    char *reply = NULL;
    int result = -EINVAL;

    if (!request.reply)
        return NULL;
    if ((request.json = read_request(text, length, &why)))
        result = run(&request, &why);
    if (result < 0) {
        drop_raw(&request);
        json_object_clear(request.reply);
        json_object_set_new(request.reply, "why", sentence(&why));
    }
    if (request.json && json_object_get(request.json, "id"))
        json_object_set(request.reply, "id", json_object_get(request.json, "id"));
    if (result != LATER) {
        json_object_set_new(request.reply, "ok", json_boolean(result >= 0));
        reply = write_reply(&request);
    }
    if (reply)
        *reply_length = strlen(reply);
    drop_raw(&request);
    json_decref(request.json);
    json_decref(request.reply);
    return reply;
}
