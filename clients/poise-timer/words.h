/* What the timer says of a station: the number that matters now, what to do, what comes next. */
#ifndef TIMER_WORDS_H
#define TIMER_WORDS_H

#include "model.h"

enum { WORDS_SIZE = 400 };

/* The one number to read from across the counter, and how far along it is. */
struct focus {
    char big[16];  /* "1:23", "230.1"; digits : . - > and blank */
    char unit[48]; /* what it is: "g of water" */
    double share;  /* of what is planned; NAN: nothing is planned */
    char bar[64];  /* the bar in words: "0:37 to go of 2:00" */
    bool added;    /* `big` is what was added, not what the scale shows */
    bool warn;     /* too much, too long, too hard */
};
void words_focus(const struct timer_model *model, const struct timer_station *station, int64_t now_us,
                 struct focus *out);

/* "1:23", "-0:05"; empty for NAN. */
char *words_time(double seconds, char *out, size_t size);

/* "15.0 ± 0.1", "230"; tolerance NAN: none. */
char *words_amount(double amount, double tolerance, char *out, size_t size);

/* "007" of "pier-20261125-007". */
const char *words_brew(const char *brew);

/* Each writes a line into out (WORDS_SIZE) and returns it; empty when there is nothing to say. */

/* What to do now, and what comes after. */
char *words_guide(const struct timer_model *model, const struct timer_station *station, int64_t now_us, char *out);
char *words_then(const struct timer_model *model, const struct timer_station *station, char *out);

/* Water, flow, steep, press, slurry; without `all`, only what the focus does not show already. */
char *words_numbers(const struct timer_station *station, int64_t now_us, bool all, char *out);

/* The weight now and its age; `bad` when it cannot be relied on. */
char *words_scale(const struct timer_model *model, const struct timer_station *station, int64_t now_us, bool *bad,
                  char *out);


/* WORDS_BRIEF leaves out what was and what will be, the experiment's name, and masses: those are reported when they are
 * weighed. */
enum brevity { WORDS_WHOLE, WORDS_BRIEF };

/* How much of the attainable extraction a cup of this age has reached, where earlier cups show. */
char *words_share(const struct timer_model *model, const struct timer_station *station, int64_t now_us,
                  enum brevity brevity, char *out);

/* The run of the plan: which it is ("ferry-steep 4 of 15:" or "run 4 of 15:"), its factors one by one and whether each
 * differs from the run before (empty behind the last), both together; and what is as always. */
char *words_run(const struct timer_station *station, enum brevity brevity, char *out);
char *words_factor(const struct timer_station *station, int place, enum brevity brevity, bool *changed, char *out);
char *words_varied(const struct timer_station *station, enum brevity brevity, char *out);
char *words_held(const struct timer_station *station, enum brevity brevity, char *out);

/* Appends, cut to fit; ", " where there is something already. */
void words_add(char *out, size_t size, const char *format, ...) __attribute__((format(printf, 3, 4)));
const char *words_between(const char *out);

/* A cup's numbers, those that are lower bounds reported so (NULL: none is); the cups that wait for their strength;
 * brief, how many. */
char *words_measures(const struct measures *measures, const bool *above, char *out);
char *words_waiting(const struct timer_model *model, enum brevity brevity, char *out);

#endif
