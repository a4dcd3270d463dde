/* What control.c and control_commands.c share; nobody else includes this. */
#ifndef POISE_CONTROL_PARTS_H
#define POISE_CONTROL_PARTS_H

#include "control.h"

enum { LATER = 1 };     /* what a command returns whose reply comes later */

struct request {
    const struct control *control;
    json_t *json;
    struct moment now;
    json_t *reply;      /* fields are added to it */
};

/* Returns 0, LATER, or a negative errno with a sentence. */
typedef int command(struct request *request, struct why *why);

struct command_row {
    const char *name;
    command *run;
    const char *fields;     /* that it knows, besides do and id */
};

/* Ends with a row without a name. */
extern const struct command_row control_commands[];

#endif
