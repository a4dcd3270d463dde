/* What the commands of poise-taste share.  Not for the statistics (lib) nor the tables (store). */
#ifndef POISE_TASTE_H
#define POISE_TASTE_H

#include <stdbool.h>

#include "poise/tasting_record.h"
#include "poise/tasting_sheet.h"
#include "poise/tasting_verdict.h"

struct options {
    const char *store;
    const char *name; /* the session */
    int method;       /* -1: not given */
    const char *sample[TASTING_CUPS];
    int sample_count;
    const char *taster[TASTING_TASTERS];
    int taster_count;
    int sets; /* for each taster; 0: not given */
    int planned;
    const char *question, *html, *map, *key_file, *server, *noted, *temperature, *attribute, *expect, *offered;
    int seen; /* 1, 0, -1: not said */
    int rest_s, cup_ml;
    double share, limit; /* 0: not given */
    bool alone, force, json, may_look, no_warm_up, swallow, key;
};

/* Each command returns an exit status and has said what went wrong. */
int taste_new(struct store *store, const struct options *options);
int taste_serve(struct store *store, const struct options *options);
int taste_answer(struct store *store, const struct options *options);
int taste_look(struct store *store, const struct options *options);
int taste_reveal(struct store *store, const struct options *options);
int taste_results(struct store *store, const struct options *options);
int taste_list(struct store *store, const struct options *options);

/* ---- screen.c ---- */

/* A line from standard input without its end, after a prompt; NULL at its end.  Freed by the next call.  `secret`:
 * not shown as it is typed. */
const char *taste_ask(const char *prompt);
const char *taste_ask_secret(const char *prompt);

/* Asks until the answer begins with y or n: 1, 0, or -1 at the end of input. */
int taste_ask_yes(const char *prompt);

/* Waits for any key (a line, where there is no terminal); false at the end of input. */
bool taste_key(const char *prompt);

/* Waits so many seconds, or until Enter; shows the time to go.  Returns at once where there is no terminal. */
void taste_wait(const char *what, int seconds);

/* Clears the terminal and what scrolled off it. */
void taste_clear(void);

/* Prints a paragraph wrapped to the terminal, and an empty line behind it where `after`. */
void taste_print(bool after, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* Rows of the terminal; 0: none. */
int taste_rows(void);

/* ---- shared ---- */

/* Where a session's key lies: --key-file, or its place in the user's own folder. */
const char *taste_key_file(const struct options *options);

/* Opens the key with the helper's word or the file: true, or false and it has said why. */
bool taste_unlock(struct tasting_record *record, const struct options *options, char sealed[TASTING_TEXT_SIZE]);

/* Prints a verdict with what belongs to it. */
void taste_print_verdict(const struct tasting_verdict *verdict);

/* Page of codes, and page of the map, for print.  Refuses a file that is there.  An exit status. */
int taste_page(const char *path, const struct tasting_record *record, bool map);

/* Number of cups a taster gets, warm-ups and open references included. */
int taste_cups_each(const struct tasting_session *session);

#endif
