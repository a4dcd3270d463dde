/* What the commands of poise-taste share.  Not for the statistics (lib) nor the tables (store). */
#ifndef POISE_TASTE_H
#define POISE_TASTE_H

#include <stdbool.h>

#include "poise/store_tasting.h"
#include "poise/tasting_score.h"

struct options {
    const char *store;
    const char *name; /* the session */
    int method;       /* -1: not given */
    const char *sample[TASTING_CUPS];
    int sample_count;
    const char *taster[TASTING_TASTERS];
    int taster_count;
    int sets; /* for each taster; 0: not given */
    const char *question, *experiment, *html;
    int seen; /* 1, 0, -1: not said */
    bool alone, force, json;
};

/* Each command returns an exit status and has said what went wrong. */
int taste_new(struct store *store, const struct options *options);
int taste_serve(struct store *store, const struct options *options);
int taste_answer(struct store *store, const struct options *options);
int taste_reveal(struct store *store, const struct options *options);
int taste_results(struct store *store, const struct options *options);
int taste_list(struct store *store, const struct options *options);

/* Prints the whole result of a score: sentence, tasters, places, sureness. */
void taste_print_score(const struct tasting_score *score, const struct tasting_session *session);

/* A line from standard input without its end, after a prompt; NULL at its end.  Freed by the next call. */
const char *taste_ask(const char *prompt);

/* Asks until the answer begins with y or n: 1, 0, or -1 at the end of input. */
int taste_ask_yes(const char *prompt);

#endif
