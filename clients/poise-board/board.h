/* The running board: what its parts share.  One thread, one libuv loop; what may block is done by libuv's workers. */
#ifndef BOARD_H
#define BOARD_H

#include <stdbool.h>
#include <uv.h>

#include "access.h"
#include "live.h"
#include "poise/client.h"
#include "web.h"

enum { BOARD_PLACE_SIZE = 512, BOARD_ASKS = 8 };

struct board {
    uv_loop_t loop;
    struct client *client;
    struct live live;
    struct web *web;
    struct access *access;
    uv_timer_t tick;
    uv_signal_t stop[3];
    bool stopping;
    bool dirty;        /* something changed since the last frame */
    int64_t pushed_us; /* when the last frame went out, local time */
    struct text last;  /* the frame that went out last */
    int asks;          /* questions that are on their way to the bench */
    int jobs;          /* what workers read for pages */
    bool plan_due, plan_asked;
    bool recall_due; /* the bench was found: what it published before has not been asked for */
    int recalling;   /* rounds asked so far; 0: not asking */
    char bus[BOARD_PLACE_SIZE], control[BOARD_PLACE_SIZE], store[BOARD_PLACE_SIZE], folder[BOARD_PLACE_SIZE];
    char print[96];           /* the certificate's fingerprint; empty: no TLS */
    const char *key;          /* this client's key file; NULL: none */
    struct shown_units units; /* by the environment */
};

/* ---- routes.c ---- */

/* Answers a request. */
void board_answer(struct request *request, void *board);

/* ---- ask.c ---- */

/* Asks the bench in a worker, so that a bench that hangs hangs no page.  `request` is stolen; `then` is called in the
 * loop's thread with the reply (NULL: it failed and `why` has the reason).  False: too many are on their way. */
bool board_ask(struct board *board, json_t *request,
               void (*then)(struct board *board, void *context, json_t *reply, const struct why *why), void *context);

/* ---- main.c ---- */

/* What the pages show has changed: a frame goes out when it is time. */
void board_changed(struct board *board);

/* The frame as it is now. */
void board_frame(struct board *board, struct text *out);

#endif
