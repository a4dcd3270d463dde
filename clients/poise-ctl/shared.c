/* What the commands of poise-ctl share: asking the bench, and printing what came from elsewhere. */
#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "ctl.h"
#include "poise/client.h"
#include "poise/program.h"

/* A bench answers in milliseconds; a busy one within a second.  Longer is nobody there. */
enum { ANSWER_WITHIN_MS = 3000 };

int ctl_ask(const struct ctl *ctl, json_t *request, json_t **reply)
{
    struct client_options options = { .bus = ctl->bus, .control = ctl->control, .key = ctl->key };
    struct client *client;
    struct why why;
    int error;

    if (!request) {
        program_message("not enough memory");
        return EXIT_FAILED;
    }
    error = client_open(&client, &options, &why);
    if (error < 0) {
        json_decref(request);
        program_message("%s", why.text);
        return error == -EINVAL ? EXIT_USAGE : EXIT_FAILED;
    }
    error = client_ask(client, request, ANSWER_WITHIN_MS, reply, &why);
    client_close(client);
    if (error < 0)
        program_message("%s", why.text);
    return error < 0 ? EXIT_FAILED : EXIT_DONE;
}

struct guide_units ctl_units(const struct ctl *ctl, const json_t *state)
{
    struct guide_units bench = { GUIDE_KPA, false };

    guide_units_read(json_object_get(state, "units"), &bench);
    return shown_units_at(&ctl->units, &bench);
}

const json_t *ctl_state(const json_t *reply)
{
    const json_t *state = json_object_get(reply, "state");

    return json_is_object(state) ? state : reply;
}

bool ctl_number(const char *text, double *out)
{
    char *end;
    double value;

    if (!isdigit((unsigned char)text[0]) && text[0] != '-' && text[0] != '+' && text[0] != '.')
        return false; /* strtod would take blanks, "inf" and "nan" */
    value = strtod(text, &end);
    if (end == text || *end != '\0' || !isfinite(value))
        return false;
    *out = value;
    return true;
}

void ctl_print_json(const json_t *json)
{
    /* Fifteen digits give every measured decimal back as it was written. */
    json_dumpf(json, stdout, JSON_COMPACT | JSON_REAL_PRECISION(15));
    putchar('\n');
}

const char *ctl_printable(const char *text, char *out, size_t size)
{
    size_t length = 0;

    for (; *text && length + 1 < size; text++) {
        unsigned char byte = (unsigned char)*text;
        bool second_half_of_c1 = byte >= 0x80 && byte < 0xa0 && length > 0 && (unsigned char)out[length - 1] == 0xc2;

        if (second_half_of_c1)
            out[length - 1] = '?'; /* U+0080 to U+009F steer terminals too */
        else
            out[length++] = byte < 0x20 || byte == 0x7f ? '?' : (char)byte;
    }
    out[length] = '\0';
    return out;
}

const char *ctl_text(const json_t *object, const char *key)
{
    const char *text = json_string_value(json_object_get(object, key));

    return text ? text : "";
}

double ctl_value(const json_t *object, const char *key)
{
    const json_t *value = json_object_get(object, key);

    return json_is_number(value) ? json_number_value(value) : NAN;
}
