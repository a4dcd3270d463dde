/* What control.c and control_commands.c share; nobody else includes this. */
#ifndef POISE_CONTROL_PARTS_H
#define POISE_CONTROL_PARTS_H

#include "control.h"

enum { LATER = 1 }; /* what a command returns whose reply comes later */

struct request {
    const struct control *control;
    const struct guest *guest;
    json_t *json;
    struct moment now;
    json_t *reply; /* fields are added to it */
    struct raw {   /* and these, which are JSON already */
        const char *key;
        char *text;
    } raw[2];
    int raw_count;
};

/* Returns 0, LATER, or a negative errno with a sentence. */
typedef int command(struct request *request, struct why *why);

struct command_row {
    const char *name;
    command *run;
    const char *fields; /* that it knows, apart from do and id */
    bool only_asks;     /* changes nothing at the bench: for everybody who is let in (or its own function looks) */
};

/* -EPERM with a sentence when the guest may only ask. */
int control_may_order(const struct request *request, const char *what, struct why *why);

/* Fields that several commands have: control_commands.c. */
int control_string(struct request *request, const char *key, const char **out, struct why *why);
int control_station(struct request *request, int *out, struct why *why);
int control_brew(struct request *request, struct brew **out, struct why *why);
int control_brew_named(struct request *request, const char *name, struct brew **out, struct why *why);

/* Puts "brew" into the reply; nothing when it is NULL. */
void control_put_brew(struct request *request, const struct brew *brew);

/* Which strength reading is whose: control_strength.c. */
command control_strength, control_assign, control_unassign, control_sample;

/* What each cup and brewer weighs empty: control_vessels.c. */
command control_vessels, control_vessel;

/* An instrument is shown something known: control_check.c. */
command control_check;

/* {"do": "plan", "plan": "load"}: control_plan.c. */
int control_plan(struct request *request, struct why *why);

/* Ends with a row without a name. */
extern const struct command_row control_commands[];

#endif
