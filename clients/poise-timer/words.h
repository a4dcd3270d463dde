/* What the timer shows of a station beyond what the guide shows: numbers, the scale, the run, the cups. */
#ifndef TIMER_WORDS_H
#define TIMER_WORDS_H

#include "poise/view.h"

enum { WORDS_SIZE = 400 };

/* "007" of "pier-20261125-007". */
const char *words_brew(const char *brew);

/* Each writes a line into out (WORDS_SIZE) and returns it; empty when there is nothing to show. */

/* Water, flow, steep, press, slurry; without `all`, only what the guide's number does not show already. */
char *words_numbers(const struct view *model, const struct view_station *station, int64_t now_us, bool all, char *out);

/* The weight now and its age; `bad` when it cannot be relied on. */
char *words_scale(const struct view *model, const struct view_station *station, int64_t now_us, bool *bad, char *out);


/* WORDS_BRIEF leaves out what was and what will be, the experiment's name, and masses: those are reported when they are
 * weighed. */
enum brevity { WORDS_WHOLE, WORDS_BRIEF };

/* How much of the attainable extraction a cup of this age has reached, where earlier cups show. */
char *words_share(const struct view *model, const struct view_station *station, int64_t now_us, enum brevity brevity,
                  char *out);

/* The run of the plan: which it is ("ferry-steep 4 of 15:" or "run 4 of 15:"), its factors one by one and whether each
 * differs from the run before (empty behind the last), both together; and what is as always. */
char *words_run(const struct view_station *station, enum brevity brevity, char *out);
char *words_factor(const struct view *model, const struct view_station *station, int place, enum brevity brevity,
                   bool *changed, char *out);
char *words_varied(const struct view *model, const struct view_station *station, enum brevity brevity, char *out);
char *words_held(const struct view *model, const struct view_station *station, enum brevity brevity, char *out);

/* Appends, cut to fit; ", " where there is something already. */
void words_add(char *out, size_t size, const char *format, ...) __attribute__((format(printf, 3, 4)));
const char *words_between(const char *out);

/* The cups that wait for their strength, and how long they have cooled; brief, how many. */
char *words_waiting(const struct view *model, enum brevity brevity, int64_t now_us, char *out);

#endif
