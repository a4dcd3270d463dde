/* The methods of blind tasting and their names.  ISO 6658 surveys them. */
#ifndef POISE_TASTING_METHOD_H
#define POISE_TASTING_METHOD_H

#include <stdbool.h>

#pragma GCC visibility push(default)

enum tasting_method {
    TASTING_TRIANGLE,    /* three cups, one is the odd one (ISO 4120) */
    TASTING_TWO_OF_FIVE, /* five cups, which two are alike against the three */
    TASTING_DUO_TRIO,    /* which of two is the open reference (ISO 10399) */
    TASTING_TETRAD,      /* four cups, which two are alike, and so the other two */
    TASTING_DIRECTIONAL, /* which of two is stronger, sweeter ...: two-sided unless one is expected (ISO 5495) */
    TASTING_PREFERENCE,  /* which of two is preferred: two-sided, no right answer (ISO 5495) */
    TASTING_RANKING,     /* several cups put in order (ISO 8587) */
    TASTING_DEGREE,      /* how far each of two, one of them the control itself, is from an open control, 0 to 10 */
    TASTING_METHOD_COUNT
};

/* "triangle", "two-of-five", "duo-trio", "tetrad", "directional", "preference", "ranking", "degree";
 * tasting_method_find returns -1 for any other name ("paired" was the preference's name before). */
const char *tasting_method_name(enum tasting_method method);
int tasting_method_find(const char *name);

/* True for the four that have a right answer: their hits are counted against luck. */
bool tasting_method_has_right(enum tasting_method method);

#pragma GCC visibility pop

#endif
