/* The methods of blind tasting and their names. */
#ifndef POISE_TASTING_METHOD_H
#define POISE_TASTING_METHOD_H

#pragma GCC visibility push(default)

enum tasting_method {
    TASTING_TRIANGLE,    /* three cups, one is the odd one */
    TASTING_TWO_OF_FIVE, /* five cups, which two are alike against the three */
    TASTING_DUO_TRIO,    /* which of two is the reference */
    TASTING_PAIRED,      /* which of two is preferred: two-sided, no right answer */
    TASTING_RANKING,     /* several cups put in order */
    TASTING_METHOD_COUNT
};

/* "triangle", "two-of-five", "duo-trio", "paired", "ranking"; tasting_method_find returns -1 for
 * any other name. */
const char *tasting_method_name(enum tasting_method method);
int tasting_method_find(const char *name);

#pragma GCC visibility pop

#endif
