/* Akaike's criterion for few cups: which of two curves says more about the next cup. */
#ifndef POISE_CRITERION_H
#define POISE_CRITERION_H

#include <math.h>

/* `cups` without those that blocks have cost: curves may only be compared where both count alike.  `parameters` of the
 * curve; its spread is one more.  INFINITY with too few cups for one.  Source: Hurvich & Tsai, Biometrika 76, 1989
 * (cited from memory). */
static inline double criterion_aicc(double rss, double cups, double parameters)
{
    double p = parameters + 1;

    return cups - p - 1 > 0 ? cups * log(rss / cups) + 2 * p + 2 * p * (p + 1) / (cups - p - 1) : (double)INFINITY;
}

#endif
