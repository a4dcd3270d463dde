/* What is whole of a damaged journal, in a new one; for `poise-ctl rescue`. */
#ifndef POISE_RESCUE_H
#define POISE_RESCUE_H

#include <stdbool.h>

/* Reports what was saved; `to` must not be there.  Returns the exit status. */
int rescue_run(const char *from, const char *to, bool json);

#endif
