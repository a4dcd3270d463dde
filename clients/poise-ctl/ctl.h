/* poise-ctl inside: one row per command, and what the commands share.  Not a public header. */
#ifndef POISE_CTL_H
#define POISE_CTL_H

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

#include "poise/guide.h"
#include "poise/shown_units.h"
#include "poise/text.h"
#include "poise/why.h"

/* What the command line gave, options in any order; NULL or negative: not given. */
struct ctl {
    char bus[256], control[256], store[512];
    bool json, ask, trace, yes, names;
    int filtered; /* --filtered 1, --unfiltered 0 */
    const char *station, *instrument, *brew;
    double uncertainty;                                     /* --uncertainty; NAN: not given */
    double ago_s;                                           /* --ago; NAN: not given */
    long count;                                             /* --count; -1: not given */
    const char *seconds;                                    /* --seconds, as it was given */
    const char *from, *to;                                  /* --from, --to, as they were given */
    const char *config;                                     /* --config */
    const char *bus_option, *control_option, *store_option; /* as they were given; NULL: not */
    const char *key;                                        /* --key, or POISE_KEY */
    const char *bench_key;                                  /* --bench */
    struct shown_units units;                               /* by the environment */
    char **words;                                           /* what follows the command's name */
    int word_count;
};

/* Options that only some commands understand; a command's row names them. */
enum {
    TAKES_STATION = 1,
    TAKES_INSTRUMENT = 2,
    TAKES_BREW = 4,
    TAKES_UNCERTAINTY = 8,
    TAKES_AGO = 16,
    TAKES_COUNT = 32,
    TAKES_SECONDS = 64,
    TAKES_ASK = 128,
    TAKES_SPAN = 256,
    TAKES_TRACE = 512,
    TAKES_CONFIG = 1024,
    TAKES_FILTERED = 2048,
    TAKES_YES = 4096,
    TAKES_BENCH_KEY = 8192,
    TAKES_NAMES = 16384
};

struct command {
    const char *name, *words, *summary;
    int least_words, most_words;
    unsigned takes;
    int (*run)(const struct ctl *ctl); /* returns the exit status */
};

/* The units that numbers are shown in at a bench of this state; NULL: none is known. */
struct guide_units ctl_units(const struct ctl *ctl, const json_t *state);

/* orders.c: what the bench is asked to do. */
int command_tare(const struct ctl *ctl);
int command_zero(const struct ctl *ctl);
int command_mark(const struct ctl *ctl);
int command_enter(const struct ctl *ctl);
int command_begin(const struct ctl *ctl);
int command_end(const struct ctl *ctl);
int command_undo(const struct ctl *ctl);
int command_discard(const struct ctl *ctl);
int command_note(const struct ctl *ctl);
int command_check(const struct ctl *ctl);

/* vessels.c: what cups and brewers weigh empty. */
int command_vessels(const struct ctl *ctl);
int command_vessel(const struct ctl *ctl);

/* strength.c: which strength reading is whose. */
int command_strength(const struct ctl *ctl);
int command_assign(const struct ctl *ctl);
int command_unassign(const struct ctl *ctl);
int command_sample(const struct ctl *ctl);

/* plan.c: the experiment that is brewed. */
int command_plan(const struct ctl *ctl);

/* status.c: what the bench reports of itself. */
int command_status(const struct ctl *ctl);
int command_instruments(const struct ctl *ctl);

/* watch.c: the bus, as it comes. */
int command_watch(const struct ctl *ctl);

/* poised.c: what poised does by itself, without the bench. */
int command_probe(const struct ctl *ctl);

/* replay.c: what was recorded, as today's tracker reads it; a bench's past goes to it through a pipe. */
int command_replay(const struct ctl *ctl);

/* setup.c: from a plugged-in instrument to a first saved brew. */
int command_setup(const struct ctl *ctl);

/* doctor.c: from the cable to the store, the first thing that is wrong. */
int command_doctor(const struct ctl *ctl);

/* run.c: another program to its end; or the poised that lies beside this one (arguments[0] is the name by which it
 * calls itself).  What it prints is added to the texts, which end in a NUL then; NULL: it goes where ours goes. Returns
 * its exit status, -1 when it cannot be run. */
int ctl_run(char *const arguments[], struct text *output, struct text *said);
int ctl_run_poised(char *const arguments[], struct text *output, struct text *said);

/* The configuration as poised reads it; NULL: it has mistakes or cannot be read, and `said` has the first. */
json_t *ctl_configuration(const char *file, struct text *said);

/* Becomes the poised that lies beside this program, else the one in PATH; arguments[0] is the name by which it
 * calls itself, the last one NULL.  Returns only on failure, which has been reported, with the exit status. */
int ctl_poised(char *const arguments[]);

/* rescue.c: what can be read of a damaged store or journal. */
int command_rescue(const struct ctl *ctl);

/* keys.c: keys for a network. */
int command_keys(const struct ctl *ctl);

/* brews.c: what the store has kept. */
int command_brews(const struct ctl *ctl);

/* replay_store.c: the messages of a brew, as the store has them, a line each as `watch --json` prints them.  0, or the
 * exit status, after its reason was reported. */
int ctl_write_stored(const struct ctl *ctl, FILE *out);

/* Asks the bench; `request` is stolen.  0 and the reply, which the caller owns; on failure it has
 * been reported on standard error and the result is the exit status. */
int ctl_ask(const struct ctl *ctl, json_t *request, json_t **reply);

/* A request with the options that were given. */
json_t *ctl_request(const struct ctl *ctl, const char *what);

/* Sends it (it is stolen) and shows the answer: the object with --json, otherwise one line when it names a brew. */
int ctl_order(const struct ctl *ctl, json_t *request);

/* The state within a reply to "status". */
const json_t *ctl_state(const json_t *reply);

/* A finite number and nothing else.  False when the text is not one; out is then untouched. */
bool ctl_number(const char *text, double *out);

/* Prints JSON on one line. */
void ctl_print_json(const json_t *json);

/* Text that came from elsewhere, fit for a terminal: control characters become '?'. */
const char *ctl_printable(const char *text, char *out, size_t size);

/* Strings and numbers of an object that came from elsewhere; "" and NAN where there is none. */
const char *ctl_text(const json_t *object, const char *key);
double ctl_value(const json_t *object, const char *key);

#endif
