/* A range that holds the true value with the confidence said beside it. */
#ifndef POISE_INTERVAL_H
#define POISE_INTERVAL_H

#pragma GCC visibility push(default)

struct interval {
    double low, high; /* -INFINITY, INFINITY: the data set no bound on that side */
};

#pragma GCC visibility pop

#endif
