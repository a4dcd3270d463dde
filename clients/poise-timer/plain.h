/* The timer as plain lines: where there is no terminal, or none is wanted. */
#ifndef TIMER_PLAIN_H
#define TIMER_PLAIN_H

#include "model.h"

enum { PLAIN_SIZE = 1200 };

/* How station `i` stands now, one line without its newline. */
char *plain_now(const struct timer_model *model, int i, int64_t local_us, char *out);

/* The next run of station `i` in words; empty while it brews, or without a plan. */
char *plain_next(const struct timer_model *model, int i, char *out);

/* What a message says; empty for readings and states.  Call it after model_message. */
char *plain_event(const struct timer_model *model, const struct message *message, char *out);

#endif
