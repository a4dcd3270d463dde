/* What makes a file from elsewhere safe to be read. */
#ifndef POISE_STORE_TRUST_H
#define POISE_STORE_TRUST_H

#include "poise/store.h"

/* Right after opening: nothing of the file runs, and no question takes for ever. */
int store_distrust(struct store *store, struct why *why);
void store_limit_ms(struct store *store, int64_t most_ms);

/* Its triggers and tables are ours, or -EBADF with a sentence; a view of ours that has another text is made again. */
int store_check_schema(struct store *store, struct why *why);

/* Opens a file of whatever state for reading, and finds its version. */
int store_open_damaged(struct store **out, const char *path, int *version, struct why *why);

#endif
