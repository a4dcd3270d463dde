/* A client's connection to a bench: nothing missed, nothing twice, lost and found by itself.
 *
 * The order is: subscribe, ask `since` for what was missed, then live; a message that both bring is
 * handed out once.  When messages were dropped on the way (the sequence has a hole) or the bench went
 * away and came back, the connection asks again by itself.  One thread only. */
#ifndef POISE_CLIENT_H
#define POISE_CLIENT_H

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>

#include "poise/messages.h"
#include "poise/why.h"

#pragma GCC visibility push(default)

struct client;

struct client_options {
    const char *bus, *control; /* addresses; see place_bus(), place_control(); control NULL: it only listens, live */
    const char *key;           /* the client's key file, for tcp:// addresses, which need one; see place_key() */
    bool subscribe;            /* false: control only */
    bool catch_up;             /* ask `since`; false: live only, for a screen that draws from state */
    uint64_t after_seq;        /* with catch_up: the last seq already had; 0: all the journal holds;
                                * UINT64_MAX: from now on */
    int64_t after_us;          /* UTC of the newest message already had; 0: not known.  A bench whose journal was begun
                                * later starts numbering over: it is read from its beginning */
    int gather_ms;             /* with catch_up and a known after_seq.  0: every message is handed out as it comes.
                                * More: readings are fetched together at this interval, an event brings all that
                                * came before it at once, and CLIENT_CAUGHT_UP ends every round.  For a client to
                                * which a second does not matter: a wake-up costs more than handling the message.
                                * A silent bench is asked less and less often, down to once a minute. */
    const char *reader;        /* with catch_up: the name (a-z 0-9 -) of a client that keeps everything; the bench
                                * keeps for it what it does not have yet.  NULL: the bench keeps nothing for us */
    const char *bench_id;      /* with catch_up: the identity of the bench that is meant, from its state; another bench
                                * of the same name refuses, which is CLIENT_BAD.  NULL: any bench */
};

/* Connects; succeeds whether the bench is there or not.  Returns 0, or a negative errno when an
 * address is malformed.  The strings need not outlive the call. */
int client_open(struct client **out, const struct client_options *options, struct why *why);
void client_close(struct client *client);

enum client_event {
    CLIENT_TIMEOUT,   /* nothing within the time given */
    CLIENT_MESSAGE,   /* *message is filled; the caller frees it */
    CLIENT_FOUND,     /* the bench is there (again) */
    CLIENT_GONE,      /* the bench is gone; the connection keeps trying */
    CLIENT_CAUGHT_UP, /* with catch_up: what was missed, or gathered, has all been handed out */
    CLIENT_INPUT,     /* extra_fd is readable */
    CLIENT_BAD        /* a message was invalid and was dropped; why has the reason */
};

/* For a reader: everything up to this seq is safe from a kill.  The bench learns of it with the next request. */
void client_kept(struct client *client, uint64_t seq);

/* Up to this seq the bench may have lost messages of any kind, by its latest answer; after it only readings outside
 * brews are missing, which it keeps for two days.  UINT64_MAX: not known. */
uint64_t client_gone(const struct client *client);

/* Waits for the next thing to happen, at most timeout_ms (-1: for ever; 0: only what is there now).
 * extra_fd (-1: none) is watched too, for a terminal or a signalfd.  Returns an enum client_event,
 * or a negative errno (-EINTR after a signal). */
int client_next(struct client *client, int extra_fd, int timeout_ms, struct message *message, struct why *why);

/* For who only listens, live, on a loop of its own, and passes on what it hears.  When one of the descriptors becomes
 * readable client_next is called with a timeout of 0 until it returns CLIENT_TIMEOUT.  0 or a negative errno. */
enum { CLIENT_DESCRIPTORS = 2 };
int client_descriptors(struct client *client, int out[CLIENT_DESCRIPTORS]);

/* The message that was handed out last, as the bench wrote it, and the connection it came by; until the next call. */
struct client_live {
    const char *text;
    size_t length;
    int descriptor; /* -1: not known */
};
struct client_live client_live(struct client *client);

/* The bench sends its state once more.  Then client_next is due, whatever the descriptors say. */
void client_want_state(struct client *client);

/* Asks the bench to do something and waits for the reply, at most timeout_ms.  `request` is stolen.
 * Returns 0 and the reply (owned by the caller) when it is ok; -ETIMEDOUT without an answer,
 * -EREMOTEIO with the bench's own sentence when it refuses. */
int client_ask(struct client *client, json_t *request, int timeout_ms, json_t **reply, struct why *why);

#pragma GCC visibility pop

#endif
