/* What the store knows of the run's earlier cups.  Reads a file: called when a brew begins or ends,
 * never while drawing. */
#ifndef TIMER_HISTORY_H
#define TIMER_HISTORY_H

#include "model.h"
#include "poise/why.h"

/* Gives every station of the model the curve of its run's earlier cups, or none.  0; or a negative
 * errno, then no station has one: -ENOENT when there is no such file (yet). */
int history_read(struct timer_model *model, const char *path, struct why *why);

#endif
