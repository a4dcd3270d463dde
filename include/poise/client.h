/* A client's connection to a bench: nothing missed, nothing twice, lost and found by itself.
 *
 * The order is: subscribe, ask `since` for what was missed, then live; whatever the two hold both is
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
    int gather_ms;             /* with catch_up and a known after_seq.  0: everything is heard as it is said.  More:
                                * readings are fetched together so often, and what else is said brings all that
                                * came before it at once; CLIENT_CAUGHT_UP then ends every round.  For whom a
                                * second does not matter: to be woken by each costs more than to deal with it.
                                * A bench that says nothing is asked ever more seldom, down to once a minute. */
    const char *reader;        /* with catch_up: the name (a-z 0-9 -) of one who keeps everything, so that the bench
                                * keeps for him what he does not hold yet; NULL: nobody waits for us */
    const char *bench_id;      /* with catch_up: the bench that is meant, as its state has it; another of its name then
                                * refuses, which is CLIENT_BAD; NULL: whichever answers */
};

/* Connects; succeeds whether the bench is there or not.  Returns 0, or a negative errno when an
 * address makes no sense.  The strings need not outlive the call. */
int client_open(struct client **out, const struct client_options *options, struct why *why);
void client_close(struct client *client);

enum client_event {
    CLIENT_TIMEOUT,   /* nothing within the time given */
    CLIENT_MESSAGE,   /* *message is filled; the caller frees it */
    CLIENT_FOUND,     /* the bench is there (again) */
    CLIENT_GONE,      /* the bench is gone; the connection goes on looking */
    CLIENT_CAUGHT_UP, /* with catch_up: what was missed, or gathered, has all been handed out */
    CLIENT_INPUT,     /* extra_fd is readable */
    CLIENT_BAD        /* a message made no sense: why says; it was dropped */
};

/* For a reader: everything up to this seq is where no kill takes it away.  The bench hears of it with the next
 * question. */
void client_kept(struct client *client, uint64_t seq);

/* Up to this seq the bench may have lost anything, by its last word; behind it what is missing of its messages is
 * readings outside brews, which it keeps for two days.  UINT64_MAX: it did not say. */
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
 * Returns 0 and the reply (owned by the caller) when it says ok; -ETIMEDOUT when nobody answers,
 * -EREMOTEIO with the bench's own sentence when it says no. */
int client_ask(struct client *client, json_t *request, int timeout_ms, json_t **reply, struct why *why);

#pragma GCC visibility pop

#endif
