/* What several benches say, on one bus: readings, events and states, and nothing else.
 *
 * A bench is who its key says it is, and is called as the site calls it: its topic and the field `bench` are the site's
 * name for it, so that two benches that call themselves alike are two.  What is no message of a bench is dropped.
 * Nothing is kept and nothing goes to a bench but subscriptions. */
#ifndef POISE_SITE_H
#define POISE_SITE_H

#include <uv.h>

#include "config/config.h"

struct site;

/* Binds the bus and connects to every bench, whether it is there or not.  0 or a negative errno with a sentence.  The
 * configuration must outlive the site, or the next site_reconfigure.  After a failure the loop has to run once more. */
int site_open(struct site **out, uv_loop_t *loop, const struct config *config, struct why *why);

/* Others may listen.  The benches stay. */
void site_reconfigure(struct site *site, const struct config *config);

/* The loop ends by itself then, and frees it. */
void site_close(struct site *site);

#endif
