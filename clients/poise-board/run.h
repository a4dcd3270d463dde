/* Another program of Poise, run to its end by a worker: what it prints is taken in, what it reports when it fails is
 * the answer.  One that hangs, or prints too much, is ended. */
#ifndef BOARD_RUN_H
#define BOARD_RUN_H

#include "job.h"

/* Runs the program that stands beside us.  `arguments` ends with NULL and begins with the program's name; `input` is
 * what it reads (NULL: nothing).  What it printed is added to job->out.  False: it failed, and the job has the reason.
 */
bool run_program(struct job *job, char *const arguments[], const char *input);

/* The policy of a page that such a program made: its own style by its hash, and nothing else. */
void run_allow_style(struct job *job);

#endif
