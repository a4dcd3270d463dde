/* Requests: one JSON object in, one out.  Requests are untrusted input; what makes no sense is refused
 * with one sentence that says what would.  Knows no sockets. */
#ifndef POISE_CONTROL_H
#define POISE_CONTROL_H

#include "access.h"
#include "bench.h"
#include "stations/plan.h"
#include "stations/station.h"

struct text;

struct control {
    struct stations *stations;
    const struct config *config;
    const struct bench_hands *hands;
    const char *bench_id; /* who the bench is behind its name; empty or NULL: not known */
    void *context;
    /* "status" and "instruments": the object or array, as text of its own; NULL when memory is short. */
    char *(*state)(void *context);
    char *(*instruments)(void *context);
    char *(*health)(void *context); /* "health": which poised this is, and how far who reads it has come */
    void (*plugged)(const struct config *config, struct text *out); /* what no section names: plugged_write */
    /* "since": the answer is sent later; `id` (may be NULL) goes back with it.  0 or a negative errno. */
    int (*since)(void *context, uint64_t after_seq, size_t most, const json_t *id);
    /* An instrument has taken an order: which it was. */
    void (*ordered)(void *context, int instrument, const char *detail);
    /* A reader holds everything up to this seq for good. */
    void (*read_by)(void *context, const char *reader, uint64_t seq);
    /* The order being worked on was given for this device of the client. */
    void (*asked_for)(void *context, const char *device);
    struct planner *planner;
    /* The plan or what it offers changed: stations aim at it. */
    void (*planned)(void *context);
    /* A brew counts as another run than before, or is judged by another plan; `why` as planner_over has it. */
    void (*credited)(void *context, struct brew *brew, const struct why *why);
};

enum { SINCE_BYTES = 262144 }; /* most of one answer, so that it never holds up the others for long */

/* Does what the request asks, as far as the guest may.  Returns the reply, allocated, and its length; NULL: it comes
 * later, or memory is short. */
char *control_answer(const struct control *control, const struct guest *guest, const char *text, size_t length,
                     struct moment now, size_t *reply_length);

#endif
