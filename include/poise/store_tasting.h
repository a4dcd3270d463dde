/* Blind tastings in the store: sessions, sealed keys, answers.  What is written stays: answers cannot
 * be changed and a peek cannot be taken back (the tables refuse it). */
#ifndef POISE_STORE_TASTING_H
#define POISE_STORE_TASTING_H

#include <stdbool.h>
#include <stdint.h>

#include "poise/store.h"
#include "poise/tasting.h"
#include "poise/tasting_score.h"

#pragma GCC visibility push(default)

enum {
    TASTING_NAME_SIZE = 33,  /* as name_valid() */
    TASTING_LABEL_SIZE = 64, /* a sample: a brew's name or a level in words */
    TASTING_TASTERS = 40,
    TASTING_WORDS_SIZE = 320,
    TASTING_ANSWER_SIZE = 48 /* codes with blanks between */
};

struct tasting_session {
    char name[TASTING_NAME_SIZE];
    char question[DETAIL_SIZE];         /* sessions with the same question are combined */
    char experiment[TASTING_NAME_SIZE]; /* empty: none */
    enum tasting_method method;
    int sample_count;
    char sample[TASTING_CUPS][TASTING_LABEL_SIZE];
    int sets;
    char taster[TASTING_SETS][TASTING_NAME_SIZE]; /* who gets set i */
    bool alone;                                   /* no helper: cups labelled underneath, shuffled by hand */
    bool seen;                                    /* the cups can be distinguished by eye: not blind */
    char seal[TASTING_SEAL_SIZE];                 /* empty with `alone` */
    char key[TASTING_KEY_SIZE];                   /* with `alone` empty until the cups were looked at */
    int64_t made_us;
    int64_t revealed_us; /* 0: not yet */
    int peeks;           /* times it was opened before all answers were in */
};

struct tasting_answer {
    int set; /* from 0 */
    char taster[TASTING_NAME_SIZE];
    char answer[TASTING_ANSWER_SIZE]; /* codes, left to right or first to last */
    bool sure;
    char words[TASTING_WORDS_SIZE]; /* free text on the set */
};

/* One cup's words: free text and the trade's common words in it. */
struct tasting_remark {
    int code;
    char text[TASTING_WORDS_SIZE];
};

/* Writes a new session.  -EEXIST when there is one of that name. */
int store_tasting_add(struct store *store, const struct tasting_session *session, struct why *why);

/* Reads one.  -ENOENT with the names there are. */
int store_tasting_load(struct store *store, const char *name, struct tasting_session *out, struct why *why);

/* All answers of a session in the order of sets.  Returns their count, at most `most`, or a negative errno. */
int store_tasting_answers(struct store *store, const char *name, struct tasting_answer *out, int most, struct why *why);

/* Commits one answer with its remarks.  -EEXIST when the set has one already, -EROFS after the reveal. */
int store_tasting_answer_add(struct store *store, const char *name, const struct tasting_answer *answer,
                             const struct tasting_remark *remarks, int remark_count, int64_t time_us, struct why *why);

/* Keeps the key of a session whose cups were looked at underneath.  Refused with -EEXIST when it has one. */
int store_tasting_set_key(struct store *store, const char *name, const char *key, struct why *why);

/* Marks the session revealed; with `peek` also, for ever, that it was opened before all answers were in. */
int store_tasting_opened(struct store *store, const char *name, bool peek, int64_t time_us, struct why *why);

/* Calls each() for every session, oldest first, until it returns non-zero. */
int store_tasting_each(struct store *store, int (*each)(const struct tasting_session *session, void *context),
                       void *context, struct why *why);

/* Calls each() for every remark of a session. */
int store_tasting_remarks(struct store *store, const char *name,
                          void (*each)(const struct tasting_remark *remark, const char *taster, void *context),
                          void *context, struct why *why);

/* The sets of a session: from its key, or (alone, not looked at yet) bare places.  Checks the seal.
 * Returns their count, or a negative errno with a sentence. */
int store_tasting_sets(const struct tasting_session *session, struct tasting_set *out, struct why *why);

/* Adds a session's answers to a score.  Returns 0 or a negative errno. */
int store_tasting_score(struct store *store, const struct tasting_session *session, struct tasting_score *score,
                        struct why *why);

/* The sample in the cup that a remark is about; -1: no cup of this session. */
int store_tasting_remarked(const struct tasting_session *session, const struct tasting_set *sets, int code);

/* Adds how often each common word was said of each sample.  Returns 0 or a negative errno. */
int store_tasting_words(struct store *store, const struct tasting_session *session,
                        unsigned count[TASTING_CUPS][TASTING_WORDS], struct why *why);

#pragma GCC visibility pop

#endif
