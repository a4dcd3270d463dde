/* Which cup would teach most: advised in next.c, written down as a plan in next_plan.c. */
#ifndef POISE_REPORT_NEXT_H
#define POISE_REPORT_NEXT_H

#include "report.h"
#include "words/words.h"

enum { SUGGESTIONS = LEVELS + 4 };

struct suggestion {
    char level[FACTORS][WORDS_SIZE]; /* of each factor, as a plan would say it */
    double ratio;                    /* the interval after / before */
};

struct advice {
    struct suggestion suggestion[SUGGESTIONS];
    int count;
    char about[SENTENCE_SIZE]; /* whose interval */
    double width;              /* now; INFINITY: there is none yet */
    const char *unit;
    char headline[SENTENCE_SIZE];
};

/* Writes the plan for the best suggestion; of several cups half are the next best that is not nearly the same.  An exit
 * status. */
int next_write_plan(const struct findings *findings, const struct advice *advice, const struct request *request);

#endif
