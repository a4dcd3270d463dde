/* Commands that ask the bench to do something.  The bench decides whether it can; what is no stage,
 * no measure and no number is refused here already. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "ctl.h"
#include "poise/messages.h"
#include "poise/program.h"
#include "poise/stages.h"
#include "poise/uncertainty.h"

json_t *ctl_request(const struct ctl *ctl, const char *what)
{
    return json_pack("{s:s, s:s*, s:s*, s:s*}", "do", what, "station", ctl->station, "instrument", ctl->instrument,
                     "brew", ctl->brew);
}

int ctl_order(const struct ctl *ctl, json_t *request)
{
    json_t *reply;
    char brew[BREW_SIZE];
    int status = ctl_ask(ctl, request, &reply);

    if (status != EXIT_DONE)
        return status;
    if (ctl->json)
        ctl_print_json(reply);
    else if (*ctl_text(reply, "brew"))
        puts(ctl_printable(ctl_text(reply, "brew"), brew, sizeof brew));
    json_decref(reply);
    return EXIT_DONE;
}

int command_tare(const struct ctl *ctl)
{
    return ctl_order(ctl, ctl_request(ctl, "tare"));
}

int command_zero(const struct ctl *ctl)
{
    return ctl_order(ctl, ctl_request(ctl, "zero"));
}

int command_begin(const struct ctl *ctl)
{
    return ctl_order(ctl, ctl_request(ctl, "begin"));
}

int command_end(const struct ctl *ctl)
{
    return ctl_order(ctl, ctl_request(ctl, "end"));
}

enum { NAMES_SIZE = 400 }; /* all stages, or all measures, in one sentence */

static void add_name(char *names, size_t size, const char *name)
{
    size_t length = strlen(names);

    snprintf(names + length, size - length, "%s%s", length > 0 ? ", " : " ", name);
}

int command_mark(const struct ctl *ctl)
{
    char names[NAMES_SIZE] = "";
    json_t *request;

    if (stage_find(ctl->words[0]) < 0) {
        for (int stage = 0; stage < STAGE_COUNT; stage++)
            add_name(names, sizeof names, stage_name((enum stage)stage));
        program_message("'%s' is no stage; there are%s", ctl->words[0], names);
        return EXIT_USAGE;
    }
    request = ctl_request(ctl, "mark");
    json_object_set_new(request, "stage", json_string(ctl->words[0]));
    if (!isnan(ctl->ago_s))
        json_object_set_new(request, "ago_s", json_real(ctl->ago_s));
    return ctl_order(ctl, request);
}

int command_enter(const struct ctl *ctl)
{
    int measure = measure_find(ctl->words[0]);
    char names[NAMES_SIZE] = "";
    json_t *request;
    double value, u = ctl->uncertainty;

    if (measure < 0) {
        for (measure = 0; measure < MEASURE_COUNT; measure++)
            add_name(names, sizeof names, measure_name((enum measure)measure));
        program_message("'%s' is no measure; there are%s", ctl->words[0], names);
        return EXIT_USAGE;
    }
    if (!ctl_number(ctl->words[1], &value)) {
        program_message("'%s' is not a number; write it like 1.40", ctl->words[1]);
        return EXIT_USAGE;
    }
    if (value < measure_least((enum measure)measure) || value > measure_most((enum measure)measure)) {
        program_message("%s of %g is out of range; it must be %g to %g", ctl->words[0], value,
                        measure_least((enum measure)measure), measure_most((enum measure)measure));
        return EXIT_USAGE;
    }
    request = ctl_request(ctl, "enter");
    json_object_set_new(request, "measure", json_string(ctl->words[0]));
    json_object_set_new(request, "value", json_real(value));
    /* that is a yes or a no; and a strength is less sure than its digits: the bench knows its refractometer */
    if (isnan(u) && measure != MEASURE_PRESSED_DRY && measure != MEASURE_STRENGTH_PCT)
        u = uncertainty_of_digits(ctl->words[1]);
    if (!isnan(u))
        json_object_set_new(request, "standard_uncertainty", json_real(u));
    return ctl_order(ctl, request);
}

/* The words of the command line as one text.  False when it is too long or no text, which is reported. */
static bool words_joined(const struct ctl *ctl, const char *what, json_t **out)
{
    char text[DETAIL_SIZE] = "";
    size_t length = 0;

    for (int word = 0; word < ctl->word_count; word++) {
        size_t more = strlen(ctl->words[word]) + (word > 0);

        if (length + more >= sizeof text) {
            program_message("the %s is too long; %d bytes is the most", what, DETAIL_SIZE - 1);
            return false;
        }
        length += (size_t)sprintf(text + length, "%s%s", word > 0 ? " " : "", ctl->words[word]);
    }
    *out = json_string(text);
    if (!*out)
        program_message("the %s is not valid UTF-8", what);
    return *out != NULL;
}

int command_undo(const struct ctl *ctl)
{
    return ctl_order(ctl, ctl_request(ctl, "undo"));
}

int command_discard(const struct ctl *ctl)
{
    json_t *request, *reason;

    if (!words_joined(ctl, "reason", &reason))
        return EXIT_USAGE;
    request = ctl_request(ctl, "discard");
    if (ctl->word_count > 0)
        json_object_set(request, "reason", reason);
    json_decref(reason);
    return ctl_order(ctl, request);
}

int command_note(const struct ctl *ctl)
{
    json_t *request, *note;

    if (!words_joined(ctl, "note", &note))
        return EXIT_USAGE;
    request = ctl_request(ctl, "note");
    json_object_set_new(request, "text", note);
    return ctl_order(ctl, request);
}

int command_check(const struct ctl *ctl)
{
    char words[DETAIL_SIZE];
    json_t *request, *reply;
    double value;
    int status;

    if ((strcmp(ctl->words[0], "mass") != 0 && strcmp(ctl->words[0], "brix") != 0) || !ctl_number(ctl->words[1], &value)
        || !(value >= 0)) {
        program_message("a check is of a weight on the scale (check mass 200; 0: nothing on it) or of a sugar solution "
                        "that was just read (check brix 10; 0: water)");
        return EXIT_USAGE;
    }
    request = ctl_request(ctl, "check");
    json_object_set_new(request, "what", json_string(ctl->words[0]));
    json_object_set_new(request, "value", json_real(value));
    if ((status = ctl_ask(ctl, request, &reply)) != EXIT_DONE)
        return status;
    if (ctl->json)
        ctl_print_json(reply);
    else
        printf("shown %.10g for %s: %+.4g, kept; `poise-report bench` shows it beside the earlier ones\n%s\n",
               ctl_value(reply, "shown"), ctl->words[1], ctl_value(reply, "off"),
               ctl_printable(ctl_text(reply, "calibration"), words, sizeof words));
    json_decref(reply);
    return EXIT_DONE;
}
