/* Work that reads files or waits for a program: done by a libuv worker, answered in the loop's thread. */
#ifndef BOARD_JOB_H
#define BOARD_JOB_H

#include "board.h"

enum { JOB_WORD_SIZE = 64 };

struct job {
    uv_work_t work;
    struct board *board;
    struct request *request;
    void (*fill)(struct job *job); /* in the worker: sets status and out, or why */
    char word[2][JOB_WORD_SIZE];
    int number;
    char *body;      /* of the request; owned; wiped afterwards, since it may hold a word */
    unsigned status; /* what is answered; 200 unless set */
    const char *type;
    struct text out;
    char policy[300]; /* the content policy in place of the usual one; empty: that */
    struct why why;   /* where status is not 200 */
};

/* Answers the request with what `fill` makes of the words (either may be NULL), the number, and the request's body.
 * Refuses it when too much is being done already. */
void board_work(struct board *board, struct request *request, void (*fill)(struct job *job), const char *first,
                const char *second, int number);

/* What a job may be: rows of the store as JSON. */
void records_fill_list(struct job *job); /* experiments and the newest cups */
void records_fill_cup(struct job *job);  /* word[0]: a brew, with its curve */

/* A page of poise-report: word[0] is "experiment", "brew", "verdicts", "recipe" or "brews", word[1] a name or empty. */
void report_fill(struct job *job);

#endif
