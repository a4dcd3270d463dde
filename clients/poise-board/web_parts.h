/* What web.c and stream.c share. */
#ifndef BOARD_WEB_PARTS_H
#define BOARD_WEB_PARTS_H

#include <microhttpd.h>
#include <netinet/in.h>

#include "web.h"

enum { WEB_HEADERS = 4, WEB_ADDRESS_SIZE = 160, WEB_CALLERS = 256 };

/* So many requests one address may send: a page needs a dozen at its start, a hand one a second. */
struct web_caller {
    struct in6_addr address;
    double left; /* requests */
    int64_t at_ms;
};

/* A text that several streams send. */
struct frame {
    int users;
    size_t length;
    char data[];
};

struct stream {
    struct stream *next, *before;
    struct web *web;
    struct MHD_Connection *connection;
    long long device;
    struct frame *first, *sending; /* before all others; going out now */
    size_t sent;                   /* of `sending` */
    bool fresh, beat, idle, over;  /* a frame waits, a beat waits, nothing to send: suspended; to be ended */
};

struct web {
    uv_loop_t *loop;
    struct MHD_Daemon *daemon;
    struct web_options options;
    uv_poll_t poll;
    uv_timer_t timer;
    int socket;
    bool tls, closing;
    bool running, again; /* inside MHD_run; and wanted once more */
    char address[WEB_ADDRESS_SIZE], machine[256];
    int waiting, streams;
    struct stream *stream; /* the newest */
    struct frame *frame;   /* the newest; NULL: none yet */
    struct web_caller caller[WEB_CALLERS];
};

struct request {
    struct web *web;
    struct MHD_Connection *connection;
    const char *method;
    char *path;
    char *body;
    size_t length, size;
    bool waits, answered; /* request_wait was called; an answer stands ready in `response` */
    unsigned refused;     /* a status that was decided before the body came; 0: none */
    unsigned status;
    struct MHD_Response *response;
    struct stream *stream;
    struct {
        const char *name;
        char value[512];
    } header[WEB_HEADERS];
    int headers;
};

/* Puts our headers on a response. */
void web_dress(struct request *request, struct MHD_Response *response);

void web_stream_free(struct stream *stream);

/* Lets MHD do what is due after something changed from outside. */
void web_run(struct web *web);

#endif
