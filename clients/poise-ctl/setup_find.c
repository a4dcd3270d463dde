/* What is plugged in and not configured yet, as setup shows and offers it.
 *
 * One JSON object each: kind (serial, scale, keyboard, read), port, title, detail; and once it is known what it
 * says: driver, quantity, serial, settings, check, shows.  "read" is what the running bench reads by itself. */
#include <stdio.h>
#include <string.h>

#include "poise/client.h"
#include "poise/program.h"
#include "setup_parts.h"

enum { ANSWER_WITHIN_MS = 1500, PORTS_MOST = 64, PROBE_WORDS = 160 };

static const char *text_of(json_t *object, const char *key)
{
    const char *text = json_string_value(json_object_get(object, key));

    return text ? text : "";
}

const char *setup_word(const json_t *found)
{
    const char *quantity = ctl_text(found, "quantity");

    if (strcmp(ctl_text(found, "kind"), "keyboard") == 0)
        return "keyboard";
    if (strcmp(quantity, "mass") == 0)
        return "scale";
    if (strcmp(quantity, "temperature") == 0)
        return "thermometer";
    if (strcmp(quantity, "pressure") == 0)
        return "pressure gauge";
    return *quantity ? "refractometer" : "?";
}

static bool is_listed(json_t *list, const char *key, const char *port)
{
    json_t *one;
    size_t i;

    json_array_foreach(list, i, one) if (strcmp(text_of(one, key), port) == 0) return true;
    return false;
}

static bool is_configured(const struct setup *setup, const char *port)
{
    json_t *instruments = json_object_get(setup->config, "instruments");

    return is_listed(instruments, "port", port) || is_listed(instruments, "device", port);
}

/* A USB scale that the bench took without a section: it is in use, and so it is shown as the bench reads it. */
static void find_read(struct setup *setup)
{
    struct client_options options = { .bus = setup->ctl->bus, .control = setup->ctl->control };
    struct client *client;
    json_t *reply = NULL, *one;
    struct why why;
    size_t i;

    if (client_open(&client, &options, &why) < 0)
        return;
    if (client_ask(client, json_pack("{s:s}", "do", "instruments"), ANSWER_WITHIN_MS, &reply, &why) < 0)
        reply = NULL;
    client_close(client);
    json_array_foreach(json_object_get(reply, "instruments"), i, one) if (!is_configured(setup, text_of(one, "port")))
        json_array_append_new(setup->found,
                              json_pack("{s:s, s:s, s:s, s:s, s:s, s:s}", "kind", "read", "port", text_of(one, "port"),
                                        "instrument", text_of(one, "instrument"), "driver", text_of(one, "driver"),
                                        "quantity", text_of(one, "quantity"), "detail", "the bench reads it already"));
    json_decref(reply);
}

static void find_plugged(struct setup *setup)
{
    char *arguments[] = { (char *)"poise-ctl", (char *)"--plugged", (char *)"--config", (char *)setup->file, NULL };
    struct text output = { 0 };
    json_t *plugged, *one;
    size_t i;

    if (json_object_size(setup->config) == 0)
        arguments[2] = NULL; /* there is no file yet */
    ctl_run_poised(arguments, &output, NULL);
    plugged = output.data ? json_loads(output.data, 0, NULL) : NULL;
    text_free(&output);
    json_array_foreach(plugged, i, one)
    {
        const char *kind = text_of(one, "kind");

        if (is_listed(setup->found, "port", text_of(one, "port")))
            continue;
        if (strcmp(kind, "serial") != 0) {
            json_object_set_new(one, "driver", json_string(strcmp(kind, "scale") == 0 ? "hid-scale" : "hid-keyboard"));
            json_object_set_new(one, "quantity", json_string(strcmp(kind, "scale") == 0 ? "mass" : "strength"));
            json_object_set_new(one, "detail", json_copy(json_object_get(one, "title")));
        }
        json_array_append(setup->found, one);
    }
    json_decref(plugged);
    for (int word = 0; word < setup->ctl->word_count; word++) /* ports that only the person knows */
        if (!is_configured(setup, setup->ctl->words[word]) && !is_listed(setup->found, "port", setup->ctl->words[word]))
            json_array_append_new(setup->found,
                                  json_pack("{s:s, s:s}", "kind", "serial", "port", setup->ctl->words[word]));
}

/* Which settings make sense of what the serial ports send: as the probe finds them. */
static void listen(struct setup *setup)
{
    char *arguments[PORTS_MOST + 6] = { (char *)"poise-ctl", (char *)"--probe", (char *)"--json" };
    struct text output = { 0 };
    int count = 3, ports = 0;
    json_t *one, *heard;
    double each_s = 3; /* at each of the usual settings */
    size_t i;

    if (setup->ctl->seconds) {
        arguments[count++] = (char *)"--seconds";
        arguments[count++] = (char *)setup->ctl->seconds;
    }
    json_array_foreach(setup->found, i, one) if (strcmp(text_of(one, "kind"), "serial") == 0 && ports < PORTS_MOST)
    {
        arguments[count++] = (char *)text_of(one, "port");
        ports++;
    }
    if (ports == 0)
        return;
    printf("   Listening to %d serial port%s; that may take %.0f seconds, and nothing is sent ...\n", ports,
           ports == 1 ? "" : "s",
           5 * (ctl_number(setup->ctl->seconds ? setup->ctl->seconds : "3", &each_s) ? each_s : 3));
    fflush(stdout);
    ctl_run_poised(arguments, &output, NULL);
    for (char *rest = output.data, *line; (line = rest ? strsep(&rest, "\n") : NULL);) {
        if (!(heard = json_loads(line, 0, NULL)))
            continue;
        json_array_foreach(setup->found, i, one) if (strcmp(text_of(one, "port"), text_of(heard, "port")) == 0)
            json_object_update(one, heard);
        json_decref(heard);
    }
    text_free(&output);
}

/* One line, and where it is understood what it means. */
static const char *detail_of(const json_t *one, char *out, size_t size)
{
    const char *heard = ctl_text(one, "heard");
    char line[PROBE_WORDS];

    ctl_printable(heard, line, sizeof line);
    for (size_t length = strlen(line); length >= 2 && strchr("rn", line[length - 1]) && line[length - 2] == '\\';
         length -= 2)
        line[length - 2] = '\0'; /* its end of line */
    if (*heard)
        snprintf(out, size, "at %s, the last line: %s", ctl_text(one, "serial"), line);
    else if (strcmp(ctl_text(one, "verdict"), "silent") == 0)
        snprintf(out, size, "nothing came");
    else
        ctl_printable(ctl_text(one, "detail"), out, size);
    return out;
}

/* Returns how many can be set up. */
static int show(const struct setup *setup)
{
    char port[128], detail[300];
    int usable = 0;
    json_t *one;
    size_t i;

    json_array_foreach(setup->found, i, one)
    {
        bool known = *text_of(one, "driver") != '\0';

        printf("   %-13s %s\n", known ? setup_word(one) : "-", ctl_printable(text_of(one, "port"), port, sizeof port));
        if (*detail_of(one, detail, sizeof detail))
            printf("   %-13s %s\n", "", detail);
        if (*text_of(one, "check"))
            printf("   %-13s check: %s\n", "", ctl_printable(text_of(one, "check"), detail, sizeof detail));
        usable += known && strcmp(text_of(one, "kind"), "keyboard") != 0;
    }
    return usable;
}

static const char silent_help[] =
    "\n"
    "   Nothing here makes sense yet.  Is the instrument switched on, and its cable in?\n"
    "   Most scales send only when they are set to: look in the menu for sending all the\n"
    "   time (manuals call it continuous, stream or auto print), or press the key that\n"
    "   sends again and again while this listens: PRINT, DATA, SEND, or an arrow out of\n"
    "   a box.\n";

int setup_find(struct setup *setup)
{
    char answer[32];
    int result;

    do {
        json_array_clear(setup->found);
        find_read(setup);
        find_plugged(setup);
        listen(setup);
        if (show(setup) > 0)
            return SETUP_DONE;
        if (json_array_size(setup->found) == 0)
            puts(json_array_size(json_object_get(setup->config, "instruments")) > 0
                     ? "   Nothing is plugged in but what the configuration has already."
                     : "   Nothing is plugged in that could be an instrument: no serial port, no USB scale.");
        else
            fputs(silent_help, stdout);
        if (setup->ctl->yes)
            return SETUP_FAILED;
        result = setup_ask(setup, "again", answer, sizeof answer, "Enter looks again; q leaves");
    } while (result == SETUP_DONE && strcmp(answer, "q") != 0);
    return SETUP_LEFT;
}
