/* The commands of poise-report and what they share. */
#ifndef POISE_REPORT_H
#define POISE_REPORT_H

#include "forms/document.h"
#include "findings/findings.h"
#include "poise/store.h"

struct request {
    struct store *store;
    struct report_options options;
    struct cups_filter filter;          /* for brews */
    const char *name;                   /* the experiment or the brew; NULL: none given */
    bool json, csv, sql, card, tall;    /* tall: of csv, one row a number */
    const char *html, *svg, *r;         /* a file; folders; NULL: not asked */
    const char *plan;                   /* next: where to write the plan; NULL: not */
    const char *pressure, *temperature; /* units to read in; NULL: not given */
    int cups;                           /* next: how many more are thought of */
};

/* Each returns an exit status. */
int report_experiment(const struct request *request);
int report_brew(const struct request *request);
int report_brews(const struct request *request);
int report_experiments(const struct request *request);
int report_next(const struct request *request);
int report_verdicts(const struct request *request);
int report_recipe(const struct request *request);
int report_bench(const struct request *request);

/* Loads an experiment's cups and makes its findings, or says why not.  `whole`: cups with all
 * their columns, not only what words about them need.  Free both on success. */
int experiment_load(const struct request *request, const char *name, bool whole, struct cups *cups,
                    struct findings *findings, struct why *why);

/* Writes the document in the form asked for: HTML to its file, pictures to their folder, text to standard
 * output otherwise. */
int report_out(const struct request *request, const struct document *document, const char *title);

/* Presses or slurry temperatures of an experiment that varies them, laid over each other: a picture where there are
 * `charts`, and how fast slurries cool.  Nothing where there are no such readings. */
void overlay_document(sqlite3 *database, const struct findings *findings, struct document *out, bool charts);

struct cooling {
    double hottest, per_minute;     /* the highest reading, and the mean fall after it, in the reader's degrees */
    bool constant;                  /* the rest is known too */
    double start, room, per_s;      /* Newton's law */
    struct interval per_s_interval; /* 95 % */
};

/* How a trace of temperatures cools; false: too few readings to say. */
bool cooling_find(const struct chart_series *series, struct cooling *out);

json_t *findings_json(const struct findings *findings);

/* Prints a JSON value and frees it. */
int json_out(json_t *value);

/* All columns of these cups, units in the titles, as RFC 4180; or one row for each number. */
int cups_csv(const struct cups *cups, FILE *out);
int cups_csv_tall(const struct cups *cups, FILE *out);

/* One object with every number of a cup; NAN is null. */
json_t *cup_json(const struct cup *cup);

/* A measure in the digits worth showing; empty: not known. */
void number_words(const struct cup *cup, enum measure measure, char out[32]);

/* A JSON number, null where it is not finite. */
json_t *number_json(double number);

#endif
