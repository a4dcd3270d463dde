/* What the files of setup share; nobody else includes this. */
#ifndef POISE_CTL_SETUP_PARTS_H
#define POISE_CTL_SETUP_PARTS_H

#include "ctl.h"
#include "poise/messages.h"

/* What a step returns: it went well, it did not (which has been reported), or the person wants to leave. */
enum { SETUP_DONE, SETUP_FAILED, SETUP_LEFT };

struct setup {
    const struct ctl *ctl;
    const char *file;  /* the configuration */
    json_t *config;    /* as it was read before anything is added */
    json_t *found;     /* what is plugged in, an object each: see setup_find.c */
    bool terminal;     /* the screen can draw a line again */
    struct text added; /* lines for the configuration */
    struct text paste; /* commands that only root may run */
    char user[64];     /* who works at the bench; empty: root alone */
    bool elsewhere;    /* the configuration could not be written where it belongs */
};

/* ---- asking: setup_ask.c ---- */

/* Writes the question with the usual answer in brackets, and takes a line; Enter, and --yes, take the usual one. */
int setup_ask(const struct setup *setup, const char *usual, char *out, size_t size, const char *format, ...)
    __attribute__((format(printf, 5, 6)));

/* The same for yes or no; *out is the usual answer before and the given one after. */
int setup_ask_yes(const struct setup *setup, bool *out, const char *format, ...) __attribute__((format(printf, 3, 4)));

/* The line that was typed, without its end. */
int setup_line(char *out, size_t size);

/* A y or n; false when it is neither. */
bool setup_is_answer(const char *text, bool *yes);

/* ---- what is plugged in: setup_find.c ---- */

/* Fills setup->found and shows it, until there is something to set up. */
int setup_find(struct setup *setup);

/* What people call it: "scale", "refractometer". */
const char *setup_word(const json_t *found);

/* ---- one instrument, live: setup_live.c ---- */

/* Shows what it shows while the question is open.  *yes: it is this one. */
int setup_show_live(struct setup *setup, const json_t *found, const char *question, bool *yes);

/* ---- the configuration: setup_write.c ---- */

/* The section of an instrument; station and weighs may be NULL. */
void setup_section(struct text *out, const json_t *found, const char *name, const char *station, const char *weighs);

/* Adds setup->added to the file, behind what stands there, when it is good. */
int setup_write(struct setup *setup);

/* ---- group, services, and the first brew: setup_start.c ---- */

int setup_join(struct setup *setup);
int setup_start(struct setup *setup);
int setup_watch(struct setup *setup);

#endif
