/* Which request does what, and whose it may be.  What a request looks like was checked by web.c. */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "board.h"
#include "job.h"
#include "order.h"
#include "pages.h"
#include "poise/clock.h"
#include "qr.h"
#include "sheet.h"

enum { LOOK = 1 << ROLE_LOOK, HANDS = 1 << ROLE_HANDS, TASTER = 1 << ROLE_TASTER, BENCH = LOOK | HANDS };
static const char as_json[] = "application/json";
static const int64_t SECRET_S = 365LL * 24 * 3600;

/* ---- who asks ---- */

static bool secure(const struct board *board)
{
    return strncmp(web_address(board->web), "https:", 6) == 0;
}

/* With TLS a name that the browser binds to this host, path and to TLS. */
static const char *cookie_name(const struct board *board)
{
    return secure(board) ? "__Host-poise-board" : "poise-board";
}

static bool who(struct board *board, struct request *request, struct device *out)
{
    const char *secret = request_cookie(request, cookie_name(board));

    return secret && access_find(board->access, secret, out);
}

static void reply_json(struct request *request, unsigned status, json_t *reply)
{
    char *text = reply ? json_dumps(reply, JSON_COMPACT) : NULL;

    if (text)
        request_reply(request, status, as_json, text, strlen(text));
    else
        request_refuse(request, 500, "out of memory");
    free(text);
    json_decref(reply);
}

/* ---- pairing ---- */

/* What a device calls itself, cut to printable ASCII: it is shown on a terminal. */
static void plain_name(const char *text, char out[NAME_SIZE])
{
    size_t length = 0;

    for (; text && *text && length < NAME_SIZE - 1; text++)
        if (*text >= ' ' && *text <= '~')
            out[length++] = *text;
    out[length] = '\0';
}

static void give_cookie(struct board *board, struct request *request, const char *secret)
{
    char cookie[400];

    snprintf(cookie, sizeof cookie, "%s=%s; Path=/; Max-Age=%lld; HttpOnly; SameSite=Strict%s", cookie_name(board),
             secret, (long long)SECRET_S, secure(board) ? "; Secure" : "");
    request_add_header(request, "Set-Cookie", cookie);
}

static void pair(struct board *board, struct request *request, const struct device *device)
{
    size_t length;
    const char *body = request_body(request, &length);
    json_t *asked = json_loadb(body, length, JSON_REJECT_DUPLICATES, NULL);
    const char *code = json_string_value(json_object_get(asked, "code"));
    char secret[ACCESS_SECRET_SIZE], name[NAME_SIZE];
    struct why why;
    int error;

    (void)device;
    plain_name(json_string_value(json_object_get(asked, "name")), name);
    error = access_pair(board->access, code ? code : "", name, clock_world_now().time_us, secret, &why);
    json_decref(asked);
    if (error < 0) {
        request_refuse(request, error == -EAGAIN ? 429 : 403, why.text);
        return;
    }
    give_cookie(board, request, secret);
    request_reply(request, 200, as_json, "{\"ok\":true}", 11);
}

static void me(struct board *board, struct request *request, const struct device *device)
{
    char token[ACCESS_SECRET_SIZE];

    access_token(board->access, device->id, token);
    reply_json(request, 200, json_pack("{s:b,s:s,s:s}", "ok", 1, "role", role_name(device->role), "token", token));
}

/* ---- the bench ---- */

static void stream(struct board *board, struct request *request, const struct device *device)
{
    struct text frame = { 0 };

    board_frame(board, &frame);
    request_stream(request, device->id, &frame);
    text_free(&frame);
    board_changed(board);
}

static void trace(struct board *board, struct request *request, const struct device *device)
{
    const char *name = request_query(request, "station"), *brew = request_query(request, "brew");
    const char *generation = request_query(request, "generation"), *from = request_query(request, "from");
    const struct view_station *station = live_station(&board->live, name ? name : "");
    struct text out = { 0 };

    (void)device;
    if (!station) {
        request_refuse(request, 404, "there is no such station");
        return;
    }
    trace_write(&board->live.trace[station - board->live.view.station], brew ? brew : "",
                generation ? (unsigned)strtoul(generation, NULL, 10) : 0, from ? atoi(from) : 0, &out);
    request_reply_text(request, 200, as_json, &out);
}

/* ---- what was kept ---- */

static void records(struct board *board, struct request *request, const struct device *device)
{
    (void)device;
    board_work(board, request, records_fill_list, NULL, NULL, 0);
}

static void cup(struct board *board, struct request *request, const struct device *device)
{
    const char *brew = request_query(request, "brew");

    (void)device;
    if (!brew || !brew_name_valid(brew))
        request_refuse(request, 400, "this is no brew's name");
    else
        board_work(board, request, records_fill_cup, brew, NULL, 0);
}

static void report(struct board *board, struct request *request, const struct device *device)
{
    static const char *const known[] = { "experiment", "brew", "verdicts", "recipe", "brews" };
    const char *of = request_query(request, "of"), *name = request_query(request, "name");
    bool named, found = false;

    (void)device;
    for (size_t i = 0; of && i < sizeof known / sizeof *known; i++)
        found = found || strcmp(of, known[i]) == 0;
    named = found && (strcmp(of, "experiment") == 0 || strcmp(of, "brew") == 0);
    if (!found || (named && (!name || (!name_valid(name) && !brew_name_valid(name))))) {
        request_refuse(request, 400, "there is no such report");
        return;
    }
    board_work(board, request, report_fill, of, named ? name : NULL, 0);
}

/* ---- orders ---- */

struct ordered {
    struct request *request;
    long long device;
    struct order order;
};

static void order_done(struct board *board, void *context, json_t *reply, const struct why *why)
{
    struct ordered *ordered = context;
    char token[ACCESS_SECRET_SIZE];
    json_t *answer;

    access_token(board->access, ordered->device, token);
    if (reply)
        answer = json_pack("{s:b,s:s,s:b,s:O,s:s}", "ok", 1, "done", ordered->order.done, "undo", ordered->order.undo,
                           "reply", reply, "token", token);
    else
        answer = json_pack("{s:b,s:s,s:s}", "ok", 0, "why", why->text, "token", token);
    if (ordered->order.about_plan && reply)
        board->plan_due = true;
    reply_json(ordered->request, 200, answer);
    free(ordered);
    board_changed(board);
}

static void refuse_with_token(struct board *board, struct request *request, const struct device *device,
                              unsigned status, const char *why)
{
    char token[ACCESS_SECRET_SIZE];

    access_token(board->access, device->id, token);
    reply_json(request, status, json_pack("{s:b,s:s,s:s}", "ok", 0, "why", why, "token", token));
}

/* What changes something carries a token of its own; false: it does not, and that was answered. */
static bool spends(struct board *board, struct request *request, const struct device *device)
{
    const char *token = request_header(request, "X-Poise-Token");

    if (token && access_spend(board->access, device->id, token))
        return true;
    request_refuse(request, 409, "this order came twice, or from a page that is too old: load the page again");
    return false;
}

static void order(struct board *board, struct request *request, const struct device *device)
{
    struct ordered *ordered;
    size_t length;
    const char *body = request_body(request, &length);
    struct why why;

    if (!spends(board, request, device))
        return;
    if (!board->live.view.found) {
        refuse_with_token(board, request, device, 503, "the bench is away: nothing was done");
        return;
    }
    ordered = calloc(1, sizeof *ordered);
    if (!ordered || order_read(body, length, &board->live, &ordered->order, &why) < 0) {
        refuse_with_token(board, request, device, 400, ordered ? why.text : "out of memory");
        free(ordered);
        return;
    }
    if (device->name[0])
        json_object_set_new(ordered->order.request, "by", json_string(device->name));
    ordered->request = request;
    ordered->device = device->id;
    if (!board_ask(board, ordered->order.request, order_done, ordered)) {
        refuse_with_token(board, request, device, 503, "too many orders at once: nothing was done, try again");
        free(ordered);
        return;
    }
    request_wait(request);
}

/* ---- tastings ---- */

/* A taster's sheet is that of the device, whatever it asks for. */
static void sheet(struct board *board, struct request *request, const struct device *device)
{
    const char *now = request_query(request, "now");

    board_work(board, request, sheet_fill, device->session, device->taster, now && strcmp(now, "1") == 0);
}

static void answer_set(struct board *board, struct request *request, const struct device *device)
{
    if (spends(board, request, device))
        board_work(board, request, sheet_fill_answer, device->session, device->taster, 0);
}

static void results(struct board *board, struct request *request, const struct device *device)
{
    const char *session = device->role == ROLE_TASTER ? device->session : request_query(request, "session");

    if (!session || !name_valid(session))
        request_refuse(request, 400, "this is no session's name");
    else
        board_work(board, request, sheet_fill_results, session, NULL, 0);
}

static void tastings(struct board *board, struct request *request, const struct device *device)
{
    (void)device;
    board_work(board, request, sheet_fill_list, NULL, NULL, 0);
}

/* A job about a session that is named in the address. */
static void work_on_session(struct board *board, struct request *request, void (*fill)(struct job *job))
{
    const char *session = request_query(request, "session");

    if (!session || !name_valid(session))
        request_refuse(request, 400, "this is no session's name");
    else
        board_work(board, request, fill, session, NULL, 0);
}

static void tasting(struct board *board, struct request *request, const struct device *device)
{
    (void)device;
    work_on_session(board, request, sheet_fill_session);
}

static void map(struct board *board, struct request *request, const struct device *device)
{
    if (spends(board, request, device))
        work_on_session(board, request, sheet_fill_map);
}

static void reveal(struct board *board, struct request *request, const struct device *device)
{
    if (spends(board, request, device))
        work_on_session(board, request, sheet_fill_reveal);
}

/* A taster's way in, as text and as a code for a camera. */
static void write_link(struct board *board, struct request *request, const char *session, const char *taster)
{
    char link[ACCESS_SECRET_SIZE], address[400];
    struct text out = { 0 };
    struct why why;

    if (sheet_known(board->store, session, taster, &why) != 0
        || access_new_link(board->access, session, taster, clock_world_now().time_us, link, &why) != 0) {
        request_refuse(request, 404, why.text);
        return;
    }
    /* behind the #, so that no log or referrer ever holds it */
    snprintf(address, sizeof address, "%s/join#%s", web_address(board->web), link);
    text_print(&out, "{\"ok\":true,\"address\":");
    text_string(&out, address);
    text_print(&out, ",\"rows\":");
    if (!qr_write(address, &out))
        out.failed = true;
    text_print(&out, "}");
    request_reply_text(request, 200, as_json, &out);
}

static void make_link(struct board *board, struct request *request, const struct device *device)
{
    size_t length;
    const char *body = request_body(request, &length);
    json_t *asked = json_loadb(body, length, JSON_REJECT_DUPLICATES, NULL);
    const char *session = json_string_value(json_object_get(asked, "session"));
    const char *taster = json_string_value(json_object_get(asked, "taster"));

    if (spends(board, request, device)) {
        if (session && taster && name_valid(session))
            write_link(board, request, session, taster);
        else
            request_refuse(request, 400, "a session and a taster of it are needed");
    }
    json_decref(asked);
}

/* ---- the table ---- */

static const struct route {
    const char *method, *path;
    unsigned roles; /* 0: anybody */
    void (*answer)(struct board *board, struct request *request, const struct device *device);
    const char *page; /* instead */
} routes[] = {
    /* clang-format off */
    { "GET", "/", BENCH, NULL, "/live.html" },
    { "GET", "/reports", BENCH, NULL, "/reports.html" },
    { "GET", "/api/records", BENCH, records, NULL },
    { "GET", "/api/cup", BENCH, cup, NULL },
    { "GET", "/api/report", BENCH, report, NULL },
    { "GET", "/pair", 0, NULL, "/pair.html" },
    { "POST", "/api/pair", 0, pair, NULL },
    { "GET", "/api/me", BENCH | TASTER, me, NULL },
    { "GET", "/api/live", BENCH, stream, NULL },
    { "GET", "/api/trace", BENCH, trace, NULL },
    { "POST", "/api/order", HANDS, order, NULL },
    { "GET", "/tasting", HANDS, NULL, "/tasting.html" },
    { "GET", "/sheet", TASTER, NULL, "/sheet.html" },
    { "GET", "/join", 0, NULL, "/join.html" },
    { "GET", "/api/sheet", TASTER, sheet, NULL },
    { "POST", "/api/answer", TASTER, answer_set, NULL },
    { "GET", "/api/results", HANDS | TASTER, results, NULL },
    { "GET", "/api/tastings", HANDS, tastings, NULL },
    { "GET", "/api/tasting", HANDS, tasting, NULL },
    { "POST", "/api/link", HANDS, make_link, NULL },
    { "POST", "/api/map", HANDS, map, NULL },
    { "POST", "/api/reveal", HANDS, reveal, NULL },
    /* clang-format on */
};

static const struct page *find_page(const char *name)
{
    for (const struct page *page = pages; page->name; page++)
        if (strcmp(page->name, name) == 0)
            return page;
    return NULL;
}

static void send_page(struct request *request, const struct page *page)
{
    request_reply(request, 200, page->type, page->data, page->length);
}

/* Whoever is not paired is sent to the page where that is done, and others to the page that is theirs. */
static void turn_away(struct request *request, const struct route *route, const struct device *device, bool known)
{
    if (!route->page) {
        request_refuse(request, known ? 403 : 401,
                       known ? "this device may not do that" : "this device is not paired with the board");
        return;
    }
    request_add_header(request, "Location", !known ? "/pair" : device->role == ROLE_TASTER ? "/sheet" : "/");
    request_reply(request, 303, "text/plain", "", 0);
}

void board_answer(struct request *request, void *context)
{
    struct board *board = context;
    const char *path = request_path(request);
    const struct page *page;

    for (size_t i = 0; i < sizeof routes / sizeof *routes; i++) {
        const struct route *route = &routes[i];
        struct device device = { 0 };
        bool known;

        if (strcmp(route->path, path) != 0 || !request_is(request, route->method))
            continue;
        known = who(board, request, &device);
        if (route->roles && !(known && route->roles >> device.role & 1))
            turn_away(request, route, &device, known);
        else if (route->page)
            send_page(request, find_page(route->page));
        else
            route->answer(board, request, &device);
        return;
    }
    page = request_is(request, "GET") ? find_page(path) : NULL;
    if (page && !strstr(path, ".html")) /* styles and scripts are no secret; pages have their own address */
        send_page(request, page);
    else
        request_refuse(request, 404, "there is no such page");
}
