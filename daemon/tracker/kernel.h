/* The kinds of filter that scales have, each with one time, and what they make of movements. */
#ifndef POISE_TRACKER_KERNEL_H
#define POISE_TRACKER_KERNEL_H

enum kernel {
    KERNEL_TWO_POLES, /* equal: also what stands for anything else that is smooth */
    KERNEL_HALF,      /* a pole, and a second one of half its time */
    KERNEL_QUARTER,   /* or of a quarter */
    KERNEL_ONE_POLE,
    KERNEL_MEAN,     /* a moving one */
    KERNEL_ADAPTIVE, /* quick while much changes, and at last like two equal poles */
    KERNELS
};

/* What it makes of u^order / order! that begins at 0; order 1 to 3.  All lag behind a ramp by lag_s. */
double kernel_of_power(enum kernel kernel, double lag_s, int order, double u_s);

/* What is left of a movement goes like exp(-t / this) at last. */
double kernel_tail_s(enum kernel kernel, double lag_s);

/* The time of the two equal poles whose tail is nearest to its own. */
double kernel_equal_pole_s(enum kernel kernel, double lag_s);

#endif
