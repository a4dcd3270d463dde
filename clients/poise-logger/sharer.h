/* A poise-share beside the logger, where brews go to a shared record too.  The logger's own file stays the truth and
 * the spool: what the record does not have yet waits in it, so the bench is never slowed and the server may be away. */
#ifndef POISE_SHARER_H
#define POISE_SHARER_H

#include "poise/why.h"

/* Starts it for this store, and again where it crashes; one that ended by itself has given its reason.  It ends with
 * this program, however that ends.  The strings must outlive it.  0 or a negative errno. */
int sharer_start(const char *address, const char *store, struct why *why);
void sharer_stop(void);

#endif
