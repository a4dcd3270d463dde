/* What was recorded before, as today's tracker reads it: how a brew that was misread is reported, and how it is
 * kept as a test.  It touches no bench, and a journal only to read it. */
#ifndef POISE_REPLAY_H
#define POISE_REPLAY_H

#include <stdbool.h>

struct replay_options {
    const char *path;        /* lines as `poise-ctl watch --json` prints them ("-": standard input), or a journal */
    const char *config_path; /* the stations; NULL: one of the usual kind for each that is named */
    const char *brew;        /* only this brew, with what led up to it; NULL: all */
    const char *from, *to;   /* only what was said between, as clock_read has it; NULL: no limit */
    bool json;               /* print every event as it is reported now */
    bool trace;              /* print what would be fed, and feed nothing: the trace to keep or to send */
    bool names;              /* ... with its names and notes, which are left out otherwise */
};

/* Feeds it to stations and prints each brew with its stages and measures, as it was reported then beside what is
 * reported now; what differs is marked.  Returns the exit status. */
int replay_run(const struct replay_options *options);

#endif
