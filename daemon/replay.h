/* What the tracker would say now of a trace that was recorded before: how a brew that was misread is
 * reported, and how it is kept as a test.  It touches no bench and no journal. */
#ifndef POISE_REPLAY_H
#define POISE_REPLAY_H

#include <stdbool.h>

/* Feeds `path` ("-": standard input), lines as `poise-ctl watch --json` prints them, to stations: those of the
 * configuration, or (NULL) one of the usual kind for each that the trace names.  Prints each brew with its
 * stages and measures, or with `json` every event as it is told.  Returns the exit status. */
int replay_run(const char *path, const char *config_path, bool json);

#endif
