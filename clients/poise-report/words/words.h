/* Findings in words and pictures. */
#ifndef POISE_REPORT_WORDS_H
#define POISE_REPORT_WORDS_H

#include "forms/document.h"
#include "findings/findings.h"

enum { SENTENCE_SIZE = 1200 };

/* One sentence a person can say aloud. */
void words_headline(const struct findings *findings, char out[SENTENCE_SIZE]);

/* The whole report; charts only where the form can show them. */
void words_experiment(const struct findings *findings, struct document *out, bool charts);

/* "130 to 175 s", "at least 130 s", "not identified", in `decimals` digits. */
void words_interval(struct interval interval, int decimals, const char *unit, char out[96]);

/* A probability as people write it: "0.03", "below 0.001". */
void words_p(double p, char out[32]);

/* Decimals, at least so many, by which the ends of an interval differ: what lies in it is shown no coarser. */
int words_decimals(struct interval interval, int decimals);

/* Where a series turns: 1 it surely climbs at first and surely falls at last, -1 it falls and climbs, 0 neither is
 * shown.  The place is the break of two pieces or the top of a curve, whichever fits; of two that fit, the interval
 * holds both. */
int words_turns(const struct findings *findings, double *at, struct interval *where);

/* Does one curve show the series as well as two straight pieces would? */
bool words_smooth(const struct findings *findings);

/* Is a break shown, and not merely a bend? */
bool words_breaks(const struct findings *findings);

/* What was the same for all cups: "dose 15 g, grind 18". */
void words_held(const struct findings *findings, char out[SENTENCE_SIZE]);

struct chart *words_chart(const struct findings *findings);

/* By how much each cup misses its curve or line; NULL: there is none. */
struct chart *words_residuals(const struct findings *findings);

/* Is every cup a point of that picture?  Of thousands a share is enough. */
bool words_draws_all(const struct findings *findings);

/* Tables and sentences that belong to one design; words_details.c. */
void words_curves(const struct findings *findings, struct document *out);
void words_trend(const struct findings *findings, struct document *out);
void words_comparison(const struct findings *findings, struct document *out);
void words_ratio(const struct findings *findings, struct document *out);

/* A surface over two numbers, and "grind 19.5 (18.8 to 20.1)" of its top; words_surface.c. */
void words_surface(const struct findings *findings, struct document *out, bool charts);
void words_surface_place(const struct findings *findings, int factor, char out[240]);

/* Is a pair worth a line along this factor?  Of many numeric levels only neighbours are; the curve shows the rest. */
bool words_worth_a_line(const struct findings *findings, const struct pair_finding *pair, int factor);

/* What else differs from level to level, and levels compared with what was measured; words_beside.c. */
void words_beside(const struct findings *findings, struct document *out);

/* What else the press did, where it was varied, and the grams that pressing until dry brought; words_press.c. */
void words_press(const struct findings *findings, struct document *out);

#endif
