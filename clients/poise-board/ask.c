/* Asking the bench without waiting for it; see board.h. */
#include <stdlib.h>

#include "board.h"

enum { ASK_MS = 2000 }; /* a hand on the glass waits no longer */

struct asking {
    uv_work_t work;
    struct board *board;
    json_t *request, *reply;
    struct why why;
    void (*then)(struct board *board, void *context, json_t *reply, const struct why *why);
    void *context;
};

/* In the worker: a connection of its own, since one connection serves one thread. */
static void ask(uv_work_t *work)
{
    struct asking *asking = work->data;
    struct client_options options = { .control = asking->board->control, .key = asking->board->key };
    struct client *client;

    if (client_open(&client, &options, &asking->why) < 0)
        return;
    client_ask(client, asking->request, ASK_MS, &asking->reply, &asking->why);
    asking->request = NULL;
    client_close(client);
}

static void asked(uv_work_t *work, int status)
{
    struct asking *asking = work->data;

    (void)status;
    asking->board->asks--;
    asking->then(asking->board, asking->context, asking->reply, &asking->why);
    json_decref(asking->request);
    json_decref(asking->reply);
    free(asking);
}

bool board_ask(struct board *board, json_t *request,
               void (*then)(struct board *board, void *context, json_t *reply, const struct why *why), void *context)
{
    struct asking *asking = board->asks < BOARD_ASKS && request ? calloc(1, sizeof *asking) : NULL;

    if (!asking) {
        json_decref(request);
        return false;
    }
    *asking = (struct asking){ .board = board, .request = request, .then = then, .context = context };
    asking->work.data = asking;
    if (uv_queue_work(&board->loop, &asking->work, ask, asked) < 0) {
        json_decref(request);
        free(asking);
        return false;
    }
    board->asks++;
    return true;
}
