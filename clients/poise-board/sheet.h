/* Tastings for the pages: a taster's own sheet, and the session for whoever runs it.  By the same lib as poise-taste;
 * what needs the key is done by poise-taste itself, behind the helper's word.  Nothing here holds the key, so that
 * nothing can give it away. */
#ifndef BOARD_SHEET_H
#define BOARD_SHEET_H

#include "job.h"

/* Jobs.  word[0]: a session; word[1]: a taster of it. */
void sheet_fill(struct job *job);         /* the taster's next set; number 1: the rest is cut short */
void sheet_fill_answer(struct job *job);  /* body: {"codes", "answer", "sure"} */
void sheet_fill_list(struct job *job);    /* all sessions */
void sheet_fill_session(struct job *job); /* who has answered how much */
void sheet_fill_map(struct job *job);     /* body: {"server", "temperature", "word"}: a page */
void sheet_fill_reveal(struct job *job);  /* body: {"noted", "word"}: text */
void sheet_fill_results(struct job *job); /* of an opened session: text */

/* Whether there is such a session and taster.  0, or -ENOENT with a sentence. */
int sheet_known(const char *store, const char *session, const char *taster, struct why *why);

#endif
