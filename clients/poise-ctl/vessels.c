/* What each cup and brewer weighs empty, and what people call it. */
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#include "ctl.h"
#include "poise/messages.h"
#include "poise/program.h"

static void print_vessel(const json_t *vessel)
{
    json_int_t seen_us = json_integer_value(json_object_get(vessel, "seen_us"));
    time_t seconds = (time_t)(seen_us / 1000000);
    char name[NAME_SIZE], role[NAME_SIZE], when[32] = "not yet";
    struct tm local;

    if (seen_us > 0 && localtime_r(&seconds, &local))
        strftime(when, sizeof when, "%Y-%m-%d %H:%M", &local);
    printf("%-16s %-8s %8.1f ± %.1f g  weighed %2d time%s, last %s%s\n",
           ctl_printable(ctl_text(vessel, "vessel"), name, sizeof name),
           ctl_printable(ctl_text(vessel, "role"), role, sizeof role), ctl_value(vessel, "mass_g"),
           ctl_value(vessel, "standard_uncertainty"), (int)json_integer_value(json_object_get(vessel, "seen")),
           json_integer_value(json_object_get(vessel, "seen")) == 1 ? "" : "s", when,
           json_is_true(json_object_get(vessel, "configured")) ? " (configured)" : "");
}

int command_vessels(const struct ctl *ctl)
{
    const json_t *list, *vessel;
    json_t *reply;
    size_t i;
    int status = ctl_ask(ctl, ctl_request(ctl, "vessels"), &reply);

    if (status != EXIT_DONE)
        return status;
    list = json_object_get(reply, "vessels");
    if (ctl->json)
        ctl_print_json(reply);
    else if (!json_array_size(list))
        puts("No vessel is known yet: each is learnt when it is set down empty before its brew.");
    else
        json_array_foreach(list, i, vessel) print_vessel(vessel);
    json_decref(reply);
    return EXIT_DONE;
}

/* vessel NAME | NAME rename NEW | NAME cup|brewer|forget */
int command_vessel(const struct ctl *ctl)
{
    bool rename = ctl->word_count > 1 && strcmp(ctl->words[1], "rename") == 0;
    json_t *request;

    if (rename != (ctl->word_count == 3)) {
        program_message("vessel NAME: what stands on the scale; vessel NAME rename NEW, cup, brewer or forget");
        return EXIT_USAGE;
    }
    request = ctl_request(ctl, "vessel");
    json_object_set_new(request, "vessel", json_string(ctl->words[0]));
    if (ctl->word_count > 1)
        json_object_set_new(request, "how", json_string(ctl->words[1]));
    if (rename)
        json_object_set_new(request, "name", json_string(ctl->words[2]));
    return ctl_order(ctl, request);
}
