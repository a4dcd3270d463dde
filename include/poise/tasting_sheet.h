/* A taster's sheet: which set is next, what is asked of it, and how its answer is kept.  The same at a terminal and on
 * a phone; it needs no key, and so can give nothing away. */
#ifndef POISE_TASTING_SHEET_H
#define POISE_TASTING_SHEET_H

#include <stddef.h>
#include <stdint.h>

#include "poise/tasting_record.h"

#pragma GCC visibility push(default)

enum { TASTING_QUESTION_SIZE = 160 };

/* The taster of that name, in any case; -1: there is none. */
int tasting_sheet_taster(const struct tasting_session *session, const char *name);

/* The set's number among its taster's that count (the last before it, for a warm-up), and how many there are. */
int tasting_sheet_number(const struct tasting_session *session, int set, int *of);

/* The taster's next set, from 0; -1: all are answered. */
int tasting_sheet_next(const struct tasting_record *record, int taster);

/* Sets without an answer: the taster's, or with -1 everybody's. */
int tasting_sheet_left(const struct tasting_record *record, int taster);

/* Seconds since the taster's last answer; -1: it is the first. */
int64_t tasting_sheet_rested_s(const struct tasting_record *record, int taster, int64_t now_us);

/* What is asked, with the attribute of a directional test or ranking in it; returns `out`. */
char *tasting_sheet_question(const struct tasting_session *session, char out[TASTING_QUESTION_SIZE]);

/* Seals the taster's answer to a set: `place` and `count` are those of tasting_answer_read, `rested_s`
 * that of tasting_sheet_rested_s when the taster was shown the set.  As tasting_record_add. */
int tasting_sheet_seal(struct store *store, struct tasting_record *record, int set, const int *place, int count,
                       int sure, int64_t rested_s, int64_t now_us, struct why *why);

enum { TASTING_WORDS_MOST = 320 }; /* bytes of a taster's words for a cup, the NUL included */

/* Keeps a taster's words for a cup of a set, as they are but for control characters.  As tasting_record_add. */
int tasting_sheet_words(struct store *store, struct tasting_record *record, int set, int cup, const char *words,
                        int64_t now_us, struct why *why);

#pragma GCC visibility pop

#endif
