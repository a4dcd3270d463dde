/* An order of a page as the bench takes it.  Pure: JSON in, JSON out. */
#ifndef BOARD_ORDER_H
#define BOARD_ORDER_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "live.h"
#include "poise/why.h"

struct order {
    json_t *request;  /* for client_ask; owned */
    const char *done; /* what to show when it was done: a key of the page's table of texts */
    bool undo;        /* it can be taken back for ten seconds */
    bool about_plan;  /* the plan's runs may be others afterwards */
};

/* Reads {"order": "tare", "station": "left", ...}.  Only what is listed is taken, each field checked by its kind; an
 * end must name the brew that runs, so that a page that was shown an earlier one ends nothing.  0, or -EINVAL with a
 * sentence. */
int order_read(const char *text, size_t length, const struct live *live, struct order *out, struct why *why);

#endif
