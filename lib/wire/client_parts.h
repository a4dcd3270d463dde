/* The inside of a client: connection (client.c) and order of what it hands out (client_order.c). */
#ifndef POISE_CLIENT_PARTS_H
#define POISE_CLIENT_PARTS_H

#include <zmq.h>

#include "poise/client.h"
#include "poise/keys.h"

struct held {
    struct held *next;
    size_t topic_length, length;
    char text[]; /* topic, then message */
};

enum asking { NOT_ASKING, ASK_NOW, ASK_LATER, ASKED };

struct client {
    struct client_options options;
    char *bus_address, *control_address, *reader, *bench_id;
    struct keys *keys; /* for a network; NULL: none needed */
    bool refused;      /* the bench did not let us in, and that was reported */
    int64_t again_ms;  /* when it is tried again; 0: not refused, or tried already */
    uint64_t kept;     /* that the reader holds for good */
    void *context;
    void *bus, *monitor;   /* hears what is published; shows of the connection */
    void *history;         /* asks what was missed ... */
    void *hand;            /* ... apart from the client's own requests, so that it never delays a tare */
    zmq_msg_t topic, text; /* what was heard last */
    bool there;
    int rounds; /* since input and time were last looked at */

    /* Where we are: `last` was handed out, and up to `covered` nothing is missing. */
    bool position_known;
    uint64_t last, covered;
    int64_t latest_us; /* UTC of the newest that was handed out, or had before; 0: not known */
    uint64_t gone;     /* as client_gone */
    int64_t began_us;  /* UTC at which the bench's journal was begun, as it said last; 0: not known */

    bool catching_up; /* live messages are held until the history has been handed out */
    enum asking asking;
    int64_t due_ms; /* ASK_LATER: when; ASKED: when to give up */
    int tries;      /* questions in a row that brought nothing new */
    int gather_ms;  /* 0: all is heard live; else what is heard only says that it is worth asking */
    int rest_ms;    /* gathering: until the next question, longer where nothing comes */
    uint64_t goal;  /* gathering: how far this round goes; 0: not known yet */
    bool hinted;    /* something was heard since the last question */
    char *chunk;    /* messages of the latest reply, not yet all handed out */
    const char *chunk_at, *chunk_end;
    uint64_t chunk_next;
    struct held *held, **held_end;
    int held_count;
    bool held_lost; /* there were too many to hold: ask again */
};

/* Connects a socket; 0 or a negative errno with a sentence. */
int client_connect(struct client *client, int type, const char *address, void **out, struct why *why);
void client_disconnect(void **socket);

/* Fills why with the bench's own sentence: -EREMOTEIO; or -EPROTO when the text is no reply at all. */
int client_refused(const char *text, size_t length, struct why *why);

/* The bench is there (again), or gone. */
void client_order_found(struct client *client);
void client_order_gone(struct client *client);

/* The next thing to hand out: a client_event; CLIENT_NOTHING; or CLIENT_AGAIN when something was
 * dealt with that nobody needs to hear of. */
enum { CLIENT_NOTHING = -1, CLIENT_AGAIN = -2 };
int client_order_next(struct client *client, struct message *message, struct why *why);
void client_order_free(struct client *client);

#endif
