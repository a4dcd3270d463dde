/* A tasting as one text: all that decides its verdict, fixed before anyone pours.
 *
 * The open part says what is compared, by whom, how often, by which rule it is judged, and which codes stand in
 * which set.  The sealed text is the open part, word for word, and behind it the secret: which cup holds what.
 * Its SHA-256 is the seal, that anyone may check with sha256sum when the key is open.  Pure. */
#ifndef POISE_TASTING_TEXT_H
#define POISE_TASTING_TEXT_H

#include <stdbool.h>
#include <stdint.h>

#include "poise/messages.h"
#include "poise/tasting.h"

#pragma GCC visibility push(default)

enum {
    TASTING_NAME_SIZE = 33,  /* as name_valid() */
    TASTING_LABEL_SIZE = 64, /* a sample: the level in words */
    TASTING_LEVEL_SIZE = 256,
    TASTING_BREWS_SIZE = 256,
    TASTING_TASTERS = 40,
    TASTING_WORD_LIST_SIZE = 160,
    TASTING_SEAL_SIZE = 65,  /* SHA-256 in hexadecimal */
    TASTING_SHORT_SIZE = 20, /* its first 16 digits in fours, for people to note: "4f2a 91c0 77de 03b1" */
    TASTING_SECRET_SIZE = 65,
    TASTING_RULE_SIZE = 1024,
    TASTING_TEXT_SIZE = 32768 /* the longest sealed text */
};

/* Customary significance (ISO 4120), power, and shares: a half is noticed more often than not, three in ten is
 * ISO 4120's middle choice for similarity (common practice, no source). */
#define TASTING_ALPHA 0.05
#define TASTING_POWER 0.80
#define TASTING_SHARE 0.50
#define TASTING_LIMIT 0.30
#define TASTING_BETA 0.05

struct tasting_sample {
    char label[TASTING_LABEL_SIZE]; /* "steep_s 75" */
    char level[TASTING_LEVEL_SIZE]; /* the plan's factors as JSON, {"steep_s": 75}; empty: brewed without a plan */
    char brews[TASTING_BREWS_SIZE]; /* their names, with blanks between */
};

struct tasting_session {
    char name[TASTING_NAME_SIZE];
    int64_t made_us;
    char question[DETAIL_SIZE];         /* sessions with the same question are judged together */
    char experiment[TASTING_NAME_SIZE]; /* empty: none */
    enum tasting_method method;
    char attribute[TASTING_NAME_SIZE]; /* directional, ranking: of what there is more; "stronger" */
    int expected;                      /* directional: the sample of which more is expected, one-sided; -1: two-sided */
    int sample_count;
    struct tasting_sample sample[TASTING_CUPS];
    int taster_count;
    char taster[TASTING_TASTERS][TASTING_NAME_SIZE];
    bool alone;       /* no helper: cups labelled underneath, shuffled by hand */
    bool seen;        /* the cups can be distinguished by eye: not blind */
    bool may_look;    /* looks before the end are allowed, and paid for */
    unsigned planned; /* total number of sets for the question, over all its sessions, warm-ups not counted */
    double alpha, power, share, limit, beta;
    char offered[TASTING_WORD_LIST_SIZE]; /* words offered to the tasters and counted, with blanks; mostly none */
    int rest_s;                           /* between two sets of a taster */
    int cup_ml;
    bool swallow;
    char rule[TASTING_RULE_SIZE];   /* how it is judged, in words */
    char before[TASTING_SEAL_SIZE]; /* the seal of the store's tasting before this; empty: none */
    int sets;                       /* warm-ups included */
    struct {
        int taster;
        bool warm_up; /* does not count */
    } of[TASTING_SETS];
    struct tasting_set set[TASTING_SETS]; /* samples and references hold only when `open` */
    bool open;
    char chain[TASTING_SECRET_SIZE]; /* secret: the first key of the answers' chain; see tasting_record.h */
    char salt[TASTING_SECRET_SIZE];
};

/* Sets that count. */
int tasting_counted(const struct tasting_session *session);

/* Puts into `rule` how it will be judged, in a few sentences. */
void tasting_rule(struct tasting_session *session);

/* Writes the open part, or with `sealed` all of it (alone: no cups behind it, as nobody knows them yet).  Returns
 * the length, or -ENOSPC. */
int tasting_text_write(const struct tasting_session *session, bool sealed, char out[TASTING_TEXT_SIZE]);

/* Reads either; `open` when the secret was there.  Strict: what it has not written itself is refused.  Returns 0,
 * or -EINVAL with the line and what is wrong. */
int tasting_text_read(const char *text, struct tasting_session *out, struct why *why);

/* The first line in which two texts differ: "the store has '...', the sealed text '...'".  False: they agree as
 * far as the shorter goes. */
bool tasting_text_differs(const char *stored, const char *sealed, char *out, size_t size);

/* SHA-256 (FIPS 180-4) of a text in hexadecimal, and the short form of it. */
void tasting_seal(const char *text, char out[TASTING_SEAL_SIZE]);
char *tasting_short(const char *seal, char out[TASTING_SHORT_SIZE]);

/* Whether what a person noted is this hash: the whole of it or at least its first 16 digits, blanks and case
 * aside. */
bool tasting_noted(const char *noted, const char *seal);

#pragma GCC visibility pop

#endif
