/* HTTP on the loop; see web.h. */
#include <arpa/inet.h>
#include <errno.h>
#include <netdb.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/socket.h>
#include <unistd.h>

#include "poise/clock.h"
#include "web_parts.h"

enum {
    CONNECTIONS = 512,
    CONNECTIONS_EACH = 64,     /* of one address: a browser keeps six */
    CONNECTION_MEMORY = 16384, /* all headers of a request, and what is being read and written */
    PATIENCE_S = 10,           /* a connection that neither sends nor takes anything is closed */
    BACKLOG = 128,
    SEND_BUFFER = 65536, /* so much of the past may lie between us and one who reads slowly */
    PATH_MOST = 200
};
static const double REQUESTS_EACH = 240, REQUESTS_EACH_PER_S = 60;

/* No code, style or picture but our own; nothing in a frame, no form, no other origin. */
static const char policy[] =
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
    "connect-src 'self'; frame-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'";

/* ---- the answer ---- */

void web_dress(struct request *request, struct MHD_Response *response)
{
    static const struct {
        const char *name, *value;
    } ours[] = {
        { "Content-Security-Policy", policy },
        { "X-Content-Type-Options", "nosniff" },
        { "Referrer-Policy", "no-referrer" },
        { "Cross-Origin-Opener-Policy", "same-origin" },
        { "Cross-Origin-Resource-Policy", "same-origin" },
        { "Permissions-Policy", "camera=(), microphone=(), geolocation=()" },
        { "Cache-Control", "no-store" },
    };

    for (size_t i = 0; i < sizeof ours / sizeof *ours; i++) {
        bool replaced = false;

        for (int k = 0; k < request->headers; k++)
            replaced = replaced || strcasecmp(request->header[k].name, ours[i].name) == 0;
        if (!replaced)
            MHD_add_response_header(response, ours[i].name, ours[i].value);
    }
    for (int k = 0; k < request->headers; k++)
        MHD_add_response_header(response, request->header[k].name, request->header[k].value);
}

void request_add_header(struct request *request, const char *name, const char *value)
{
    if (request->headers == WEB_HEADERS)
        return;
    request->header[request->headers].name = name;
    snprintf(request->header[request->headers].value, sizeof request->header[0].value, "%s", value);
    request->headers++;
}

static void answer(struct request *request, unsigned status, const char *type, struct MHD_Response *response)
{
    if (!response)
        return; /* out of memory: MHD closes the connection */
    MHD_add_response_header(response, MHD_HTTP_HEADER_CONTENT_TYPE, type);
    web_dress(request, response);
    request->status = status;
    request->response = response;
}

static void answered(struct request *request)
{
    request->answered = true;
    if (!request->waits)
        return;
    request->waits = false;
    request->web->waiting--;
    MHD_resume_connection(request->connection);
    web_run(request->web);
}

void request_reply(struct request *request, unsigned status, const char *type, const void *body, size_t length)
{
    answer(request, status, type,
           MHD_create_response_from_buffer(length, (void *)(uintptr_t)body, MHD_RESPMEM_MUST_COPY));
    answered(request);
}

void request_reply_text(struct request *request, unsigned status, const char *type, struct text *body)
{
    size_t length = body->length;
    char *data = text_taken(body);

    if (!data) {
        request_refuse(request, MHD_HTTP_INTERNAL_SERVER_ERROR, "out of memory");
        return;
    }
    answer(request, status, type, MHD_create_response_from_buffer(length, data, MHD_RESPMEM_MUST_FREE));
    answered(request);
}

void request_refuse(struct request *request, unsigned status, const char *why)
{
    struct text text = { 0 };

    text_print(&text, "{\"ok\":false,\"why\":");
    text_string(&text, why);
    text_print(&text, "}");
    if (text.failed)
        request_reply(request, status, "application/json", "{\"ok\":false}", 12);
    else
        request_reply(request, status, "application/json", text.data, text.length);
    text_free(&text);
}

void request_wait(struct request *request)
{
    request->waits = true;
    request->web->waiting++;
    MHD_suspend_connection(request->connection);
}

/* ---- what was asked ---- */

const char *request_path(const struct request *request)
{
    return request->path;
}

bool request_is(const struct request *request, const char *method)
{
    return strcmp(request->method, method) == 0;
}

static const char *look_up(const struct request *request, enum MHD_ValueKind kind, const char *name)
{
    return MHD_lookup_connection_value(request->connection, kind, name);
}

const char *request_header(const struct request *request, const char *name)
{
    return look_up(request, MHD_HEADER_KIND, name);
}

const char *request_query(const struct request *request, const char *name)
{
    return look_up(request, MHD_GET_ARGUMENT_KIND, name);
}

const char *request_cookie(const struct request *request, const char *name)
{
    return look_up(request, MHD_COOKIE_KIND, name);
}

const char *request_body(const struct request *request, size_t *length)
{
    *length = request->length;
    return request->body ? request->body : "";
}

void *request_context(const struct request *request)
{
    return request->web->options.context;
}

/* ---- checks before anything is read ---- */

static int64_t now_ms(const struct web *web)
{
    return (int64_t)uv_now(web->loop);
}

static void address_of(const struct request *request, struct in6_addr *out)
{
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(request->connection, MHD_CONNECTION_INFO_CLIENT_ADDRESS);

    memset(out, 0, sizeof *out);
    if (info && info->client_addr->sa_family == AF_INET6)
        memcpy(out, &((const struct sockaddr_in6 *)(const void *)info->client_addr)->sin6_addr, 8);
    else if (info && info->client_addr->sa_family == AF_INET)
        memcpy(out, &((const struct sockaddr_in *)(const void *)info->client_addr)->sin_addr, 4);
}

/* A bucket for each address that refills; the one that was used longest ago makes room for a new one. */
static bool too_many(const struct request *request)
{
    struct web *web = request->web;
    struct web_caller *found = web->caller;
    struct in6_addr address;
    int64_t now = now_ms(web);

    address_of(request, &address);
    for (int i = 0; i < WEB_CALLERS; i++) {
        if (web->caller[i].at_ms && memcmp(&web->caller[i].address, &address, sizeof address) == 0) {
            found = &web->caller[i];
            break;
        }
        if (web->caller[i].at_ms < found->at_ms)
            found = &web->caller[i];
    }
    if (!found->at_ms || memcmp(&found->address, &address, sizeof address) != 0) {
        found->address = address;
        found->left = REQUESTS_EACH;
    } else {
        found->left += (double)(now - found->at_ms) / 1000 * REQUESTS_EACH_PER_S;
        if (found->left > REQUESTS_EACH)
            found->left = REQUESTS_EACH;
    }
    found->at_ms = now;
    if (found->left < 1)
        return true;
    found->left--;
    return false;
}

/* The host part of "host:port", "[::1]:port" or "host"; false: it is none of these. */
static bool host_part(const char *host, char *out, size_t size)
{
    bool six = *host == '[';
    size_t length = strcspn(host += six, six ? "]" : ":");
    const char *port = host + length + (six && host[length] == ']');

    if (length == 0 || length >= size || (six && host[length] != ']'))
        return false;
    if (*port && (*port != ':' || strspn(port + 1, "0123456789") != strlen(port + 1)))
        return false;
    memcpy(out, host, length);
    out[length] = '\0';
    return true;
}

/* Another site's name may be made to lead here (DNS rebinding); an address or our own name cannot. */
static bool host_ours(const struct request *request)
{
    const char *host = request_header(request, "Host");
    const struct web *web = request->web;
    unsigned char ignored[sizeof(struct in6_addr)];
    char name[256];

    if (!host || !host_part(host, name, sizeof name))
        return false;
    if (inet_pton(AF_INET, name, ignored) == 1 || inet_pton(AF_INET6, name, ignored) == 1)
        return true;
    if (strcasecmp(name, "localhost") == 0 || (web->options.host && strcasecmp(name, web->options.host) == 0))
        return true;
    return *web->machine && strncasecmp(name, web->machine, strlen(web->machine)) == 0
           && (name[strlen(web->machine)] == '\0' || strcasecmp(name + strlen(web->machine), ".local") == 0);
}

/* Where a browser names the page that asks, it is this very page; an order must name it. */
static bool origin_ours(const struct request *request)
{
    const char *origin = request_header(request, "Origin"), *host = request_header(request, "Host");
    const char *site = request_header(request, "Sec-Fetch-Site"), *mode = request_header(request, "Sec-Fetch-Mode");
    char expected[300];

    snprintf(expected, sizeof expected, "%s://%s", request->web->tls ? "https" : "http", host);
    if (origin && strcasecmp(origin, expected) != 0)
        return false;
    if (!origin && request_is(request, "POST"))
        return false;
    /* a link from elsewhere may lead to a page, but nothing else may be fetched from elsewhere */
    return !site || strcmp(site, "same-origin") == 0 || strcmp(site, "none") == 0
           || (mode && strcmp(mode, "navigate") == 0 && request_is(request, "GET"));
}

static bool body_too_long(const struct request *request)
{
    const char *length = request_header(request, "Content-Length");

    return length && (strlen(length) > 9 || atol(length) > WEB_BODY_MOST);
}

static void refuse(struct request *request, unsigned status, const char *why)
{
    request->refused = status;
    request_refuse(request, status, why);
}

static void check(struct request *request)
{
    if (too_many(request))
        refuse(request, MHD_HTTP_TOO_MANY_REQUESTS, "too many requests from this address: wait a moment");
    else if (!request_is(request, "GET") && !request_is(request, "POST"))
        refuse(request, MHD_HTTP_METHOD_NOT_ALLOWED, "only GET and POST are answered");
    else if (!host_ours(request))
        refuse(request, MHD_HTTP_MISDIRECTED_REQUEST, "this is not the name of this board: open it by its address");
    else if (!origin_ours(request))
        refuse(request, MHD_HTTP_FORBIDDEN, "this came from another site's page, and is not done");
    else if (body_too_long(request))
        refuse(request, MHD_HTTP_CONTENT_TOO_LARGE, "too long: at most 24 KB are taken");
    else if (strlen(request->path) > PATH_MOST)
        refuse(request, MHD_HTTP_URI_TOO_LONG, "this address is too long");
}

/* ---- MHD's side ---- */

static struct request *request_new(struct web *web, struct MHD_Connection *connection, const char *path,
                                   const char *method)
{
    struct request *request = calloc(1, sizeof *request);

    if (!request)
        return NULL;
    request->web = web;
    request->connection = connection;
    request->method = strcmp(method, "GET") == 0 ? "GET" : strcmp(method, "POST") == 0 ? "POST" : "";
    request->path = strdup(path);
    if (!request->path) {
        free(request);
        return NULL;
    }
    return request;
}

static void take_body(struct request *request, const char *data, size_t length)
{
    if (request->refused)
        return;
    if (request->length + length > WEB_BODY_MOST) { /* in chunks that nobody announced */
        refuse(request, MHD_HTTP_CONTENT_TOO_LARGE, "too long: at most 24 KB are taken");
        return;
    }
    if (request->length + length + 1 > request->size) {
        size_t size = (request->length + length + 1) * 2;
        char *body = realloc(request->body, size);

        if (!body) {
            refuse(request, MHD_HTTP_INTERNAL_SERVER_ERROR, "out of memory");
            return;
        }
        request->body = body;
        request->size = size;
    }
    memcpy(request->body + request->length, data, length);
    request->length += length;
    request->body[request->length] = '\0';
}

static enum MHD_Result send_answer(struct request *request)
{
    enum MHD_Result result;

    if (!request->response)
        return MHD_NO;
    result = MHD_queue_response(request->connection, request->status, request->response);
    MHD_destroy_response(request->response);
    request->response = NULL;
    return result;
}

static enum MHD_Result on_request(void *context, struct MHD_Connection *connection, const char *path,
                                  const char *method, const char *version, const char *data, size_t *length,
                                  void **place)
{
    struct request *request = *place;
    struct web *web = context;

    (void)version;
    if (!request) {
        *place = request = request_new(web, connection, path, method);
        if (!request)
            return MHD_NO;
        check(request);
        /* without a word of the body having been read, MHD closes the connection behind the answer */
        return request->refused ? send_answer(request) : MHD_YES;
    }
    if (*length > 0) {
        take_body(request, data, *length);
        *length = 0;
        return request->refused == MHD_HTTP_CONTENT_TOO_LARGE ? MHD_NO : MHD_YES;
    }
    if (!request->answered)
        web->options.handle(request, web->options.context);
    if (request->answered)
        return send_answer(request);
    return request->waits ? MHD_YES : MHD_NO;
}

static void on_completed(void *context, struct MHD_Connection *connection, void **place,
                         enum MHD_RequestTerminationCode how)
{
    struct request *request = *place;

    (void)context;
    (void)connection;
    (void)how;
    if (!request)
        return;
    web_stream_free(request->stream);
    if (request->response)
        MHD_destroy_response(request->response);
    free(request->path);
    free(request->body);
    free(request);
    *place = NULL;
}

static void on_log(void *context, const char *format, va_list arguments)
{
    (void)context;
    (void)format;
    (void)arguments; /* what strangers do wrong is no news for the bench's terminal */
}

/* ---- the loop ---- */

static void on_timer(uv_timer_t *timer)
{
    web_run(timer->data);
}

void web_run(struct web *web)
{
    MHD_UNSIGNED_LONG_LONG wait_ms;

    if (web->closing)
        return;
    if (web->running) { /* asked for by what it runs itself: it looks once more */
        web->again = true;
        return;
    }
    web->running = true;
    do {
        web->again = false;
        MHD_run(web->daemon);
    } while (web->again);
    web->running = false;
    if (MHD_get_timeout(web->daemon, &wait_ms) == MHD_YES)
        uv_timer_start(&web->timer, on_timer, wait_ms, 0);
    else
        uv_timer_stop(&web->timer);
}

static void on_readable(uv_poll_t *poll, int status, int events)
{
    (void)status;
    (void)events;
    web_run(poll->data);
}

/* ---- opening ---- */

static int bind_to(const struct addrinfo *place)
{
    int one = 1, buffer = SEND_BUFFER, fd = socket(place->ai_family, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0),
        error;

    if (fd < 0)
        return -errno;
    setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &one, sizeof one);
    setsockopt(fd, SOL_SOCKET, SO_SNDBUF, &buffer, sizeof buffer); /* each connection inherits it */
    if (bind(fd, place->ai_addr, place->ai_addrlen) == 0 && listen(fd, BACKLOG) == 0)
        return fd;
    error = -errno;
    close(fd);
    return error;
}

/* An address under which others on the network find this machine, in place of "any of them". */
static void own_address(char *host, size_t size)
{
    uv_interface_address_t *all;
    int count;

    if (uv_interface_addresses(&all, &count) < 0)
        return;
    for (int i = 0; i < count; i++)
        if (!all[i].is_internal && all[i].address.address4.sin_family == AF_INET) {
            uv_ip4_name(&all[i].address.address4, host, size);
            break;
        }
    uv_free_interface_addresses(all, count);
}

static int listen_at(struct web *web, const char *listen, struct why *why)
{
    struct addrinfo hints = { .ai_flags = AI_NUMERICHOST | AI_NUMERICSERV, .ai_socktype = SOCK_STREAM }, *found;
    const char *colon = strrchr(listen, ':');
    struct sockaddr_storage bound;
    socklen_t length = sizeof bound;
    char host[64], port[16];

    if (!colon || !host_part(listen, host, sizeof host) || getaddrinfo(host, colon + 1, &hints, &found) != 0)
        return why_set(why, -EINVAL, "%s: not an address and a port, as 127.0.0.1:8470 or [::1]:8470", listen);
    web->socket = bind_to(found);
    freeaddrinfo(found);
    if (web->socket < 0)
        return why_set(why, web->socket, "%s: %s", listen, strerror(-web->socket));
    getsockname(web->socket, (struct sockaddr *)&bound, &length);
    getnameinfo((struct sockaddr *)&bound, length, NULL, 0, port, sizeof port, NI_NUMERICSERV);
    if (strcmp(host, "0.0.0.0") == 0 || strcmp(host, "::") == 0)
        own_address(host, sizeof host);
    snprintf(web->address, sizeof web->address, strchr(host, ':') ? "%s://[%s]:%s" : "%s://%s:%s",
             web->tls ? "https" : "http", host, port);
    return 0;
}

static int start(struct web *web, struct why *why)
{
    unsigned flags = MHD_USE_EPOLL | MHD_ALLOW_SUSPEND_RESUME | MHD_USE_ERROR_LOG | (web->tls ? MHD_USE_TLS : 0);
    struct MHD_OptionItem tls[] = {
        { MHD_OPTION_HTTPS_MEM_CERT, 0, web->options.certificate },
        { MHD_OPTION_HTTPS_MEM_KEY, 0, web->options.certificate },
        { MHD_OPTION_HTTPS_PRIORITIES, 0,
          (void *)(uintptr_t) "SECURE192:SECURE128:-VERS-ALL:+VERS-TLS1.3:+VERS-TLS1.2" },
        { MHD_OPTION_END, 0, NULL },
    };
    struct MHD_OptionItem none[] = { { MHD_OPTION_END, 0, NULL } };

    web->daemon =
        MHD_start_daemon(flags, 0, NULL, NULL, on_request, web, MHD_OPTION_EXTERNAL_LOGGER, on_log, NULL,
                         MHD_OPTION_LISTEN_SOCKET, web->socket, MHD_OPTION_NOTIFY_COMPLETED, on_completed, NULL,
                         MHD_OPTION_CONNECTION_LIMIT, (unsigned)CONNECTIONS, MHD_OPTION_PER_IP_CONNECTION_LIMIT,
                         (unsigned)CONNECTIONS_EACH, MHD_OPTION_CONNECTION_TIMEOUT, (unsigned)PATIENCE_S,
                         MHD_OPTION_CONNECTION_MEMORY_LIMIT, (size_t)CONNECTION_MEMORY, MHD_OPTION_STRICT_FOR_CLIENT, 1,
                         MHD_OPTION_ARRAY, web->tls ? tls : none, MHD_OPTION_END);
    if (!web->daemon)
        return why_set(why, -EIO, "%s: no server: %s", web->address,
                       web->tls ? "do certificate and key fit each other?" : "out of memory?");
    return 0;
}

int web_open(struct web **out, uv_loop_t *loop, const struct web_options *options, struct why *why)
{
    struct web *web = calloc(1, sizeof *web);
    const union MHD_DaemonInfo *info;
    int error;

    if (!web)
        return why_set(why, -ENOMEM, "out of memory");
    web->loop = loop;
    web->options = *options;
    web->tls = options->certificate != NULL;
    web->socket = -1;
    gethostname(web->machine, sizeof web->machine - 1);
    error = listen_at(web, options->listen, why);
    if (error == 0)
        error = start(web, why);
    if (error < 0) {
        if (web->socket >= 0)
            close(web->socket);
        free(web);
        return error;
    }
    info = MHD_get_daemon_info(web->daemon, MHD_DAEMON_INFO_EPOLL_FD);
    uv_poll_init(loop, &web->poll, info->epoll_fd);
    uv_timer_init(loop, &web->timer);
    web->poll.data = web->timer.data = web;
    uv_poll_start(&web->poll, UV_READABLE, on_readable);
    *out = web;
    return 0;
}

void web_close(struct web *web)
{
    if (!web)
        return;
    for (struct stream *stream = web->stream; stream; stream = stream->next) {
        stream->over = true;
        if (stream->idle)
            MHD_resume_connection(stream->connection);
        stream->idle = false;
    }
    MHD_run(web->daemon);
    web->closing = true;
    uv_close((uv_handle_t *)&web->poll, NULL);
    uv_close((uv_handle_t *)&web->timer, NULL);
    uv_run(web->loop, UV_RUN_NOWAIT); /* both are closed before their memory goes */
    MHD_stop_daemon(web->daemon);
    free(web);
}

const char *web_address(const struct web *web)
{
    return web->address;
}

int web_waiting(const struct web *web)
{
    return web->waiting;
}
