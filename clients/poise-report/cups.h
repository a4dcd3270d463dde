/* The cups of a store as the report needs them, checked on the way in: a value that cannot be true of a
 * brew is not known. */
#ifndef POISE_REPORT_CUPS_H
#define POISE_REPORT_CUPS_H

#include <jansson.h>
#include <sqlite3.h>

#include "poise/guide.h"
#include "poise/messages.h"
#include "poise/stages.h"
#include "poise/why.h"

enum { UTC_SIZE = 32, WORDS_SIZE = 128 };

struct cup {
    char brew[BREW_SIZE], bench[NAME_SIZE], station[NAME_SIZE];
    char began_utc[UTC_SIZE], ended_utc[UTC_SIZE]; /* empty: not known */
    char *experiment, *note;                       /* NULL: none */
    int run, replicate;                            /* -1: none */
    json_t *factors, *recipe;                      /* shared by the cups that have the same; NULL: none */
    struct measures measures;
    double duration_s;   /* from its beginning to its end; NAN: not known */
    double steps;        /* stages a person has to do or wait for; NAN: not known */
    int plan_kept;       /* 1, 0, -1 not said */
    unsigned impossible; /* a bit for each enum measure whose value cannot be true */
    unsigned above;      /* and for each whose value is a lower bound: the scale was at its end */
};

struct cups {
    struct cup *cup;
    size_t count;
};

/* Which cups; NULL or empty: all.  Of an experiment only those that have ended. */
struct cups_filter {
    const char *experiment, *brew, *bench;
    const char *since, *until;  /* "2026-11-25" or longer; until counts whole */
    const char *factor, *level; /* factor=level */
    /* A bit for each measure that is read; uncertainties, station, end, run, note and duration then stay unknown.
     * 0: a cup is read whole.  A hundred thousand cups take as long as their columns. */
    unsigned measures;
};

/* The measures that this one is computed from, and itself. */
unsigned cups_basis(enum measure measure);

/* The value of a measure; NAN where it is not known, or where only a lower bound is. */
double cup_value(const struct cup *cup, enum measure measure);

/* In the order of their beginning.  Returns 0 or a negative errno. */
int cups_load(sqlite3 *database, const struct cups_filter *filter, struct cups *out, struct why *why);
void cups_free(struct cups *cups);

/* The SELECT that cups_load runs, as text for sqlite3; free with sqlite3_free.  NULL: no memory, or no such table. */
char *cups_sql(sqlite3 *database, const struct cups_filter *filter);

/* A factor's level of a cup in words ("75", "swirl"), also where that cup's plan held it; false when it has none. */
bool cup_level(const struct cup *cup, const char *factor, char out[WORDS_SIZE]);

/* In which units cups are read from now on; at first as they are kept, in kPa and °C.  Measures, levels and what was
 * held are converted as they enter, so that everything worked out from them is in the reader's units too; levels that
 * were round in kPa or °C are rounded to four digits, or a tenth of a degree. */
void cups_show_in(const struct guide_units *units);

/* What is kept in this unit ("kPa", "°C"), in the one that cups are read in. */
struct guide_shown cups_shown(const char *kept);

/* The number of a setting as a plan has it, in that unit. */
double setting_shown(const char *name, double kept);

/* The digits behind the point that a measure is worth. */
int decimals_shown(enum measure measure);

/* The unit of a measure or of a factor named like one: "g", "s", "kPa", "°C", "%", "g/g", "". */
const char *unit_of(const char *name);

/* What a difference of it is in: "points" of percentages, else its unit. */
const char *step_of(const char *measure);

/* Another dose, another water, or the ratio of the two? */
bool changes_ratio(const char *factor);

/* What people say for a factor's level: "75 s", "swirl", "pressed dry"; units only where all levels are numbers. */
void state_level(const char *factor, bool numeric, const char *label, char out[WORDS_SIZE]);

/* What people call it: "extraction", "steep time"; a name that is none of ours as it is. */
const char *call_of(const char *name);

#endif
