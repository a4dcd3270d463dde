/* The timer as plain lines: where there is no terminal, or none is wanted. */
#ifndef TIMER_PLAIN_H
#define TIMER_PLAIN_H

#include "poise/view.h"

enum { PLAIN_SIZE = 1200 };

/* How station `i` stands now, one line without its newline. */
char *plain_now(const struct view *model, int i, int64_t local_us, char *out);

/* The next run of station `i` in words; empty while it brews, or without a plan. */
char *plain_next(const struct view *model, int i, char *out);

/* A message in words; empty for readings, states and stages of the running brew, which are printed once they have
 * settled.  Call it after view_message. */
char *plain_event(const struct view *model, const struct message *message, char *out);

/* The stages that were printed of a station's brew. */
struct plain_stages {
    char brew[BREW_SIZE];
    struct {
        enum stage stage;
        int64_t at_us;
    } shown[TIMELINE_STAGES];
    int shown_count;
    int64_t latest_us; /* when the last stage came; 0: nothing is to be printed */
};

/* A stage of the running brew came, at the bench's now_us. */
void plain_stage_came(const struct view *model, int i, int64_t now_us, struct plain_stages *stages);

/* The next line about what changed since, when that has settled or `at_once`; empty: no more. */
char *plain_settled(const struct view *model, int i, int64_t local_us, bool at_once, struct plain_stages *stages,
                    char *out);

#endif
