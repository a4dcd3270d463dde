/* What settings do, by the cups of all experiments together: additive effects, those that depend on each other by
 * their combination, days as random effects.  Judges nothing. */
#ifndef POISE_REPORT_TOGETHER_H
#define POISE_REPORT_TOGETHER_H

#include "cups.h"
#include "poise/comparison.h"
#include "poise/mixed.h"

enum { TOGETHER_SETTINGS = 24, TOGETHER_LEVELS = 24, TOGETHER_PAIRS = 8 };

/* A setting at a value, as a plan writes it: "steep_s", "180".  A number between two that were brewed lies between
 * them. */
struct together_setting {
    const char *name, *value;
};

struct together;

/* Two settings of which the one does something else at each level of the other. */
struct together_pair {
    char name[2][WORDS_SIZE];
};

/* By the cups that count (kept, with the measure), but those of experiment `except`.  Returns 0; -ENODATA, -EDOM where
 * nothing can be said; -ENOMEM. */
int together_make(const struct cups *cups, enum measure measure, const char *except, const struct together_pair *pair,
                  int pairs, double confidence, struct together **out, struct why *why);
void together_free(struct together *together);

/* Within a day, between days. */
const struct mixed_fit *together_fit(const struct together *together);

/* What a cup of these settings gives, with effects shrunk by their own errors; the interval is that of the mean of
 * `more`'s cups, NULL: of what is true.  -ENODATA: no cup shows it. */
int together_expect(const struct together *together, const struct together_setting *setting, int settings,
                    const struct mixed_more *more, double confidence, struct difference *out);

/* One combination less another; settings that either leaves out are alike. */
int together_differ(const struct together *together, const struct together_setting *one,
                    const struct together_setting *other, int settings, double confidence, struct difference *out);

/* By how much two cups of one day, or of two days, differ at most, nineteen times in twenty (or as `confidence` has
 * it); NAN: not known. */
double together_apart(const struct together *together, bool same_day, double confidence);

#endif
