/* Who the bench is behind the name that people see: a random identity, made once, in a file beside the journal.  Two
 * benches called pier are two by it; a bench that is renamed, or whose journal was removed, stays the same. */
#ifndef POISE_IDENTITY_H
#define POISE_IDENTITY_H

#include "poise/messages.h"
#include "poise/why.h"

/* Reads bench-id.JOURNAL in the journal's folder (so that whoever removes journal.db* leaves it), or makes it.  0, or a
 * negative errno: then `out` is empty, and the bench goes on unknown. -EBADF: what is there is no identity; it is left
 * as it is. */
int identity_find(const char *journal, char out[BENCH_ID_SIZE], struct why *why);

#endif
