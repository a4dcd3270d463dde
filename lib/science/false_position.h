/* Where a function of one quantity crosses zero: false position with the Illinois rule (Dowell and Jarratt, BIT 11,
 * 1971), for who has a bracket.  It calls nothing: the caller asks for the next place and supplies the value there. */
#ifndef POISE_FALSE_POSITION_H
#define POISE_FALSE_POSITION_H

#include <math.h>

/* The function is below zero at `low` and above it at `high`, where it may be infinite: then the middle is taken. */
struct false_position {
    double low, high, at_low, at_high;
    int side; /* which end moved last; 0: none yet */
};

/* Where to look next. */
static inline double false_position_next(const struct false_position *search)
{
    if (!isfinite(search->at_high))
        return (search->low + search->high) / 2;
    return (search->low * search->at_high - search->high * search->at_low) / (search->at_high - search->at_low);
}

/* What was found there; an end that stays twice loses half its weight. */
static inline void false_position_report(struct false_position *search, double next, double at_next)
{
    if (at_next > 0) {
        search->high = next;
        search->at_high = at_next;
        search->at_low /= search->side > 0 ? 2 : 1;
        search->side = 1;
    } else {
        search->low = next;
        search->at_low = at_next;
        search->at_high /= search->side < 0 ? 2 : 1;
        search->side = -1;
    }
}

#endif
