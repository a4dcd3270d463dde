/* A filter as its response to powers of time: every hand is made of those. */
#include "kernel.h"

#include <math.h>

/* Of two poles, the second one's time as a share of the first one's. */
static const double SECOND[KERNELS] = {
    [KERNEL_TWO_POLES] = 1, [KERNEL_HALF] = 0.5, [KERNEL_QUARTER] = 0.25, [KERNEL_ADAPTIVE] = 1
};

/* A moving mean leaves nothing after it: what is looked for as a tail is as short as that, as a share of its lag. */
static const double MEAN_TAIL_SHARE = 0.25;

/* Two equal poles fall below a tenth of a jump like one of 1.25 times their time. */
static const double EQUAL_OF_ONE = 0.8;

static double power(double u_s, int order)
{
    double value = 1;

    for (int i = 1; i <= order; i++)
        value *= u_s / i;
    return u_s > 0 ? value : 0;
}

static double one_pole(double pole_s, int order, double u_s, double left)
{
    double value = 1 - left; /* of a step; each power is the integral of the one before, less what is kept */

    for (int i = 1; i <= order; i++)
        value = power(u_s, i) - pole_s * value;
    return value;
}

static double equal_poles(double pole_s, int order, double u_s)
{
    double left = exp(-u_s / pole_s), value = 1 - left - u_s / pole_s * left;

    for (int i = 1; i <= order; i++)
        value = one_pole(pole_s, i, u_s, left) - pole_s * value;
    return value;
}

double kernel_of_power(enum kernel kernel, double lag_s, int order, double u_s)
{
    double share = SECOND[kernel], pole_s = lag_s / (1 + share), first;

    if (u_s <= 0)
        return 0;
    if (kernel == KERNEL_MEAN)
        return (power(u_s, order + 1) - power(u_s - 2 * lag_s, order + 1)) / (2 * lag_s);
    if (share >= 1)
        return equal_poles(pole_s, order, u_s);
    first = one_pole(pole_s, order, u_s, exp(-u_s / pole_s));
    if (!(share > 0))
        return first;
    return (first - share * one_pole(share * pole_s, order, u_s, exp(-u_s / (share * pole_s)))) / (1 - share);
}

double kernel_tail_s(enum kernel kernel, double lag_s)
{
    return kernel == KERNEL_MEAN ? MEAN_TAIL_SHARE * lag_s : lag_s / (1 + SECOND[kernel]);
}

double kernel_equal_pole_s(enum kernel kernel, double lag_s)
{
    double share = SECOND[kernel];

    return kernel == KERNEL_MEAN ? lag_s / 2 : lag_s / (1 + share) * (share + (1 - share) * EQUAL_OF_ONE);
}
