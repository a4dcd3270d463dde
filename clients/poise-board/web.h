/* HTTP on the program's loop: what comes in is checked and bounded here, before anybody reads it.
 *
 * libmicrohttpd brings a descriptor to watch and a time to wait, and no loop or thread of its own.  Everything here
 * runs in the loop's thread.  Not for who may ask for what: routes.c. */
#ifndef BOARD_WEB_H
#define BOARD_WEB_H

#include <stdbool.h>
#include <stddef.h>
#include <uv.h>

#include "poise/text.h"
#include "poise/why.h"

struct web;
struct request;

enum { WEB_BODY_MOST = 24576 }; /* a plan's text with what stands around it */

struct web_options {
    const char *listen; /* "127.0.0.1:8470", "[::1]:0"; port 0: any free one */
    const char *host;   /* a name by which browsers may call it; NULL: addresses and localhost alone */
    char *certificate;  /* PEM with its key, read by web_open alone; NULL: without TLS */
    void (*handle)(struct request *request,
                   void *context); /* a whole request; answers now, or later after request_wait */
    void *context;
};

int web_open(struct web **out, uv_loop_t *loop, const struct web_options *options, struct why *why);

/* Ends every stream and closes; requests that wait must have been answered before. */
void web_close(struct web *web);

/* "http://127.0.0.1:8470" */
const char *web_address(const struct web *web);

/* Requests that wait for their answer. */
int web_waiting(const struct web *web);

/* ---- a request ---- */

const char *request_path(const struct request *request);
bool request_is(const struct request *request, const char *method);
const char *request_header(const struct request *request, const char *name); /* NULL: none */
const char *request_query(const struct request *request, const char *name);
const char *request_cookie(const struct request *request, const char *name);
const char *request_body(const struct request *request, size_t *length); /* never NULL; a NUL behind it */
void *request_context(const struct request *request);

/* One more header for the answer, in place of ours of that name. */
void request_add_header(struct request *request, const char *name, const char *value);

/* The answer; `body` is copied. */
void request_reply(struct request *request, unsigned status, const char *type, const void *body, size_t length);

/* The answer is the text's own memory, which is freed afterwards; 500 when it has failed. */
void request_reply_text(struct request *request, unsigned status, const char *type, struct text *body);

/* {"ok": false, "why": sentence} */
void request_refuse(struct request *request, unsigned status, const char *why);

/* It will be answered later, by request_reply. */
void request_wait(struct request *request);

/* ---- streams of server-sent events ---- */

/* The request becomes a stream that belongs to `device` and is sent what is pushed from now on, `first` before. */
void request_stream(struct request *request, long long device, const struct text *first);

/* To every stream.  One that has not taken the one before yet is sent the newest alone: a page draws what is, and a
 * slow one costs nobody anything. */
void web_push(struct web *web, const struct text *frame);

/* To every stream that has been sent nothing since the last beat: we are here. */
void web_beat(struct web *web);

/* Ends the streams of devices for which `stays` is false. */
void web_sift(struct web *web, bool (*stays)(long long device, void *context), void *context);

int web_streams(const struct web *web);

#endif
