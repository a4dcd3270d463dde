/* A tasting's record: its texts, and all that happened, so chained that a change or a removal shows.
 *
 * Every entry has the SHA-256 of itself and the one before, the first one that of the session's row; so any
 * change is noticed by whoever reads.  Every entry also has a proof, an HMAC with a key that is replaced by its
 * own hash as soon as it was used (Schneier and Kelsey, Secure audit logs, ACM TISSEC 2, 1999); the first key is
 * part of the sealed text.  So nobody without the helper's word can make up the answers again, hashes and all,
 * before the reveal.  After it the hash over all answers, printed before the key opened, is what people compare. */
#ifndef POISE_TASTING_RECORD_H
#define POISE_TASTING_RECORD_H

#include <stdbool.h>
#include <stdint.h>

#include "poise/store_tasting.h"
#include "poise/tasting_lock.h"
#include "poise/tasting_text.h"

#pragma GCC visibility push(default)

struct tasting_record {
    struct tasting_session session;
    struct store_tasting_row row;
    struct store_tasting_entry *entry;
    int entries;
    char head[TASTING_SEAL_SIZE];         /* the hash of the last entry */
    char answers_head[TASTING_SEAL_SIZE]; /* that of the last entry before the key was opened: over all answers */
    int answered, warmed_up;              /* sets with an answer that count, and that do not */
    int64_t opened_us;                    /* 0: the key is closed */
    bool early;                           /* it was opened before its planned end, and not because a look said stop */
    bool noted;                           /* the hash noted at the beginning was compared at the reveal */
    bool stopped;                         /* a look said that the bound is reached */
};

/* Seals a new session: fills chain and salt, writes row and first entry.  `word`: the helper's; NULL: the sealed
 * text goes to `key_file` instead.  Returns 0; -EEXIST; -EINVAL. */
int tasting_record_new(struct store *store, struct tasting_session *session, const char *word, const char *key_file,
                       char seal[TASTING_SEAL_SIZE], struct why *why);

/* Reads and checks all that can be checked: every hash, and once the key is open every proof and the open text
 * against the sealed one.  -EBADF: something was changed; the sentence says what.  tasting_record_free. */
int tasting_record_load(struct store *store, const char *name, struct tasting_record *out, struct why *why);
void tasting_record_free(struct tasting_record *record);

/* One thing that happened: kind (see KIND_... below), who, which set.  Checked against what is there (-EEXIST: the
 * set has its answer; -EROFS: the key is open; -EBADF).  The record is loaded again. */
struct tasting_happening {
    const char *kind, *who, *answer, *text;
    int set;  /* from 1; 0: none */
    int sure; /* 1, 0, -1 */
    int64_t time_us;
};
int tasting_record_add(struct store *store, struct tasting_record *record, const struct tasting_happening *happening,
                       struct why *why);

#define KIND_SEALED "sealed"
#define KIND_LOOKED "looked"           /* who saw the map of the cups */
#define KIND_TEMPERATURE "temperature" /* of the samples as served, in the order of the samples, deg C */
#define KIND_WARM_UP "warm-up"
#define KIND_ANSWER "answer"         /* text: "rest SECONDS", -1 before the first */
#define KIND_WORDS "words"           /* answer: a code */
#define KIND_LOOK "look"             /* text: "AT BOUND go on" or "AT BOUND stop" */
#define KIND_UNDERNEATH "underneath" /* alone: the samples of a set from left to right, as letters */
#define KIND_OPENED "opened"         /* text: the sealed text; answer: "noted" or "not compared"; sure 1: early */

/* Opens the lock for the helper (serve, look, reveal): the sealed text, checked against seal, open text and every
 * proof so far.  The session's sets then hold their samples; nothing is written.  -EBADF says what differs. */
int tasting_record_unlock(struct tasting_record *record, const char *word, const char *key_file,
                          char sealed[TASTING_TEXT_SIZE], struct why *why);

/* The answer to a set, or NULL. */
const struct store_tasting_entry *tasting_record_answer(const struct tasting_record *record, int set);

/* True when this taster has seen the map of the cups before answering the set. */
bool tasting_record_saw(const struct tasting_record *record, const char *taster, int set);

#pragma GCC visibility pop

#endif
